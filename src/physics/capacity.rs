//! What a hotend melts at the temperature it has: measured rates with straight lines between them, or those of a
//! [melt zone](MeltZone::melts_mm3_s).
//!
//! Why does each block say the least of it? Most blocks stay below that, and need no look at single moves.

use super::melt::{self, MeltLaw, Melted};
use crate::block::Block;
use crate::machine::{Machine, MeltByHeat, MeltRates, MeltRow, MeltZone, Tool};

/// While the nozzle warms or cools, moves are judged in parts of this length, s: a power of two, so that borders are exact.
pub const PART_S: f64 = 0.25;

/// The melt rates of one tool by temperature.
#[derive(Debug, Clone, PartialEq)]
pub struct MeltCapacity {
    law: Law,
    /// Where no temperature is known.
    otherwise: MeltRates,
    /// The last two temperatures asked for and the answers: a nozzle that holds its target is asked for again and again, and one
    /// that warms or cools at both ends of each move, of which the first is the end of the one before.
    last: [(f64, MeltRates); 2],
}

#[derive(Debug, Clone, PartialEq)]
enum Law {
    /// What the sheet says holds at every temperature.
    Constant,
    Measured(Vec<MeltRow>),
    Zone {
        zone: MeltZone,
        /// What counts of that which the zone melts in theory.
        share: f64,
        /// Briefly so many times as much.
        peak_ratio: Option<f64>,
    },
}

impl MeltCapacity {
    /// That of a tool.
    pub fn of(tool: &Tool) -> Self {
        let otherwise = MeltRates { sustained_mm3_s: tool.sustained_mm3_s, peak_mm3_s: tool.peak_mm3_s };
        let law = match &tool.melt_by_heat {
            None => Law::Constant,
            Some(MeltByHeat::Measured(rows)) => Law::Measured(rows.clone()),
            Some(MeltByHeat::Zone(zone)) => {
                let measured = tool.sustained_mm3_s.zip(tool.melt_rate_measured_at_c);
                let share = measured.map_or(zone.safety, |(mm3_s, at_c)| mm3_s / zone.melts_mm3_s(at_c));
                let peak_ratio = tool.peak_mm3_s.zip(tool.sustained_mm3_s).map(|(peak, sustained)| peak / sustained);
                Law::Zone { zone: *zone, share, peak_ratio }
            }
        };
        Self { law, otherwise, last: [(f64::NAN, MeltRates::default()); 2] }
    }

    /// Those of all tools; none where no tool's hangs on its temperature.
    pub fn of_all(machine: &Machine) -> Option<Vec<Self>> {
        let any = machine.tools.iter().any(|tool| tool.melt_by_heat.is_some());
        any.then(|| machine.tools.iter().map(Self::of).collect())
    }

    /// At a temperature of the nozzle, °C; where none is known, what the sheet says without one.
    pub fn at(&mut self, nozzle_c: Option<f64>) -> MeltRates {
        let Some(nozzle_c) = nozzle_c else { return self.otherwise };
        if let Some((_, rates)) = self.last.iter().find(|(known_c, _)| *known_c == nozzle_c) {
            return *rates;
        }
        let rates = self.worked_out(nozzle_c);
        self.last = [(nozzle_c, rates), self.last[0]];
        rates
    }

    fn worked_out(&self, nozzle_c: f64) -> MeltRates {
        match &self.law {
            Law::Constant => self.otherwise,
            Law::Measured(rows) => between(rows, nozzle_c),
            Law::Zone { zone, share, peak_ratio } => {
                let sustained = zone.melts_mm3_s(nozzle_c) * share;
                MeltRates { sustained_mm3_s: Some(sustained), peak_mm3_s: peak_ratio.map(|ratio| ratio * sustained) }
            }
        }
    }

    /// The least between two temperatures, °C.
    pub fn least(&mut self, a_c: f64, b_c: f64) -> MeltRates {
        let ends = self.at(Some(a_c)).least(self.at(Some(b_c)));
        if a_c == b_c {
            return ends;
        }
        match &self.law {
            // Nothing says that what was measured rises all the way.
            Law::Measured(rows) => {
                let inside = rows.iter().filter(|row| a_c.min(b_c) < row.nozzle_c && row.nozzle_c < a_c.max(b_c));
                inside.fold(ends, |least, row| least.least(rates(row)))
            }
            Law::Constant | Law::Zone { .. } => ends,
        }
    }

    /// The temperatures between which it was measured, °C; none where it was not.
    pub fn measured_c(&self) -> Option<[f64; 2]> {
        match &self.law {
            Law::Measured(rows) => Some([rows.first()?.nozzle_c, rows.last()?.nozzle_c]),
            Law::Constant | Law::Zone { .. } => None,
        }
    }
}

fn rates(row: &MeltRow) -> MeltRates {
    MeltRates { sustained_mm3_s: Some(row.sustained_mm3_s), peak_mm3_s: row.peak_mm3_s }
}

/// On the straight line between the rows around a temperature; beyond the ends that of the end.
fn between(rows: &[MeltRow], nozzle_c: f64) -> MeltRates {
    let above = rows.partition_point(|row| row.nozzle_c <= nozzle_c);
    let (Some(low), Some(high)) = (above.checked_sub(1).and_then(|at| rows.get(at)), rows.get(above)) else {
        return rows.get(above.min(rows.len().saturating_sub(1))).map_or_else(MeltRates::default, rates);
    };
    let share = (nozzle_c - low.nozzle_c) / (high.nozzle_c - low.nozzle_c);
    let line = |from: f64, to: f64| from + (to - from) * share;
    MeltRates {
        sustained_mm3_s: Some(line(low.sustained_mm3_s, high.sustained_mm3_s)),
        peak_mm3_s: low.peak_mm3_s.zip(high.peak_mm3_s).map(|(from, to)| line(from, to)),
    }
}

/// Temperature of the nozzle in use at two times, s from the start of the job, °C; none where it is not known.
pub fn nozzle_c(block: &Block, from_s: f64, to_s: f64) -> Option<[f64; 2]> {
    let at = |s: f64| block.nozzle.melts_at(s - block.start_s);
    Some([at(from_s)?, at(to_s)?])
}

/// Where the part of a move ends that is judged at one time.
fn border_s(at_s: f64) -> f64 {
    ((at_s / PART_S).floor() + 1.0) * PART_S
}

/// Goes through move `i` of a block, which starts at that time and during which the nozzle warms or cools, in parts of at
/// most [`PART_S`]: the highest rates, and temperatures at both ends, °C.
pub fn along(law: MeltLaw, block: &Block, i: usize, start_s: f64, mut part: impl FnMut(Melted, [f64; 2])) {
    let end_s = start_s + block.time_s[i];
    law.along(block, i, start_s, border_s, |melted| {
        if let Some(nozzle_c) = nozzle_c(block, melted.at_s, border_s(melted.at_s).min(end_s)) {
            part(melted, nozzle_c);
        }
    });
}

/// Goes through the momentary rates of such a move in such parts: rates at both ends, mm³/s, time, s, and the temperature in
/// the middle, °C.
pub fn each_rate(
    block: &Block,
    i: usize,
    area_mm2: f64,
    start_s: f64,
    mut take: impl FnMut(f64, f64, f64, Option<f64>),
) {
    melt::each_part(block, i, area_mm2, start_s, border_s, |[start, end], [from_s, until_s]| {
        take(start, end, until_s - from_s, block.nozzle.melts_at((from_s + until_s) / 2.0 - block.start_s));
    });
}

/// The least that the hotend melts over so many seconds from the start of a block.
pub(crate) fn least(capacity: &mut MeltCapacity, block: &Block, lasts_s: f64) -> MeltRates {
    match nozzle_c(block, block.start_s, block.start_s + lasts_s) {
        Some([from_c, to_c]) => capacity.least(from_c, to_c),
        None => capacity.at(None),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn row(nozzle_c: f64, sustained_mm3_s: f64, peak_mm3_s: f64) -> MeltRow {
        MeltRow { nozzle_c, sustained_mm3_s, peak_mm3_s: Some(peak_mm3_s) }
    }

    fn tool(melt_by_heat: MeltByHeat) -> Tool {
        let mut tool = Machine::built_in().tools[0].clone();
        (tool.sustained_mm3_s, tool.peak_mm3_s) = (Some(10.0), Some(14.0));
        tool.melt_by_heat = Some(melt_by_heat);
        tool
    }

    const ZONE: MeltZone =
        MeltZone { length_mm: 12.0, melts_at_c: 150.0, feed_in_c: 25.0, diffusivity_mm2_s: 0.081, safety: 0.8 };

    fn sustained(capacity: &mut MeltCapacity, nozzle_c: f64) -> f64 {
        capacity.at(Some(nozzle_c)).sustained_mm3_s.expect("is known")
    }

    #[test]
    fn between_rows_it_goes_evenly_and_beyond_them_not_at_all() {
        let rows = vec![row(190.0, 7.0, 10.0), row(210.0, 11.0, 16.0), row(240.0, 14.0, 19.0)];
        let mut capacity = MeltCapacity::of(&tool(MeltByHeat::Measured(rows)));
        // By hand: a quarter of the way from 190 to 210, two thirds from 210 to 240.
        for (nozzle_c, sustained, peak) in [
            (195.0, 8.0, 11.5),
            (190.0, 7.0, 10.0),
            (210.0, 11.0, 16.0),
            (230.0, 13.0, 18.0),
            (20.0, 7.0, 10.0),
            (300.0, 14.0, 19.0),
        ] {
            let found = capacity.at(Some(nozzle_c));
            let near = |found: Option<f64>, value: f64| (found.expect("is known") - value).abs() < 1e-12;
            assert!(near(found.sustained_mm3_s, sustained) && near(found.peak_mm3_s, peak), "{nozzle_c}: {found:?}");
        }
        assert_eq!(capacity.measured_c(), Some([190.0, 240.0]));
        assert_eq!(capacity.at(None).sustained_mm3_s, Some(10.0));
    }

    #[test]
    fn a_dip_between_rows_counts() {
        let rows = vec![row(190.0, 7.0, 10.0), row(210.0, 5.0, 6.0), row(240.0, 14.0, 19.0)];
        let mut capacity = MeltCapacity::of(&tool(MeltByHeat::Measured(rows)));
        let least = MeltRates { sustained_mm3_s: Some(5.0), peak_mm3_s: Some(6.0) };
        assert_eq!((capacity.least(195.0, 239.0), capacity.least(239.0, 195.0)), (least, least));
    }

    #[test]
    fn a_zone_counts_with_its_safety_or_as_measured() {
        let mut zone = tool(MeltByHeat::Zone(ZONE));
        let mut by_safety = MeltCapacity::of(&zone);
        // 11.06 mm³/s at 210 °C, see `melt_zone`.
        assert!((sustained(&mut by_safety, 210.0) - 0.8 * 11.06).abs() < 5e-3);
        let peak = by_safety.at(Some(230.0)).peak_mm3_s.expect("a ratio");
        assert!((peak / sustained(&mut by_safety, 230.0) - 1.4).abs() < 1e-12);
        zone.melt_rate_measured_at_c = Some(210.0);
        let mut measured = MeltCapacity::of(&zone);
        assert!((sustained(&mut measured, 210.0) - 10.0).abs() < 1e-12);
        assert!(
            (sustained(&mut measured, 250.0) - 12.479).abs() < 5e-4
                && (sustained(&mut measured, 190.0) - 8.456).abs() < 5e-4
        );
        assert_eq!(sustained(&mut measured, 150.0), 0.0);
        zone.peak_mm3_s = None;
        assert_eq!(MeltCapacity::of(&zone).at(Some(210.0)).peak_mm3_s, None);
    }

    proptest! {
        #[test]
        fn no_temperature_between_two_has_less_than_the_least(
            rates in prop::collection::vec(1.0..30.0f64, 2..6), a_c in 150.0..300.0f64, b_c in 150.0..300.0f64, share in 0.0..1.0f64,
        ) {
            let rows = rates.iter().enumerate().map(|(i, &mm3_s)| row(180.0 + 17.0 * i as f64, mm3_s, 2.0 * mm3_s)).collect();
            for law in [MeltByHeat::Measured(rows), MeltByHeat::Zone(ZONE)] {
                let mut capacity = MeltCapacity::of(&tool(law));
                let least = capacity.least(a_c, b_c).sustained_mm3_s.expect("is known");
                prop_assert!(sustained(&mut capacity, a_c + (b_c - a_c) * share) >= least - 1e-9);
            }
        }
    }
}
