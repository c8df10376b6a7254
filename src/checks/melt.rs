//! What the checks of the melt rate share: a rate per move against a capacity per tool, whatever the nozzle's temperature or
//! at the one it has.

use super::heat;
use super::purge_line::{Message, OnPurgeLine};
use crate::block::{Block, Column};
use crate::findings::{Built, Check, Hit, Inspection, Log, Observer, Spot};
use crate::machine::{Machine, MeltRates, Tool};
use crate::physics::capacity::{self, MeltCapacity};
use crate::physics::melt::{MeltLaw, Melted};
use crate::vectors::columns;

/// Share of a limit by which rounding may exceed it.
const SLACK: f64 = 1e-9;

/// What is watched.
#[derive(Clone, Copy)]
pub(super) struct Watched {
    pub(super) check: &'static Check,
    /// Rates, mm³/s, of the moves of a block; none where none can be too large.
    pub(super) rates: fn(&Block) -> Option<&Column<f64>>,
    /// The same on a part of a move, which has the rate of the whole move in its column.
    pub(super) on_part: fn(&Melted, f64) -> f64,
    pub(super) message: Message,
}

/// Watches rates against what `capacity` says of each tool, and `pick` of one whose melt rates hang on its temperature; `key`
/// names the key of the sheet that is missing where no tool gives one.
pub(super) fn watch(
    machine: &Machine,
    watched: Watched,
    key: &str,
    capacity: fn(&Tool) -> Option<f64>,
    pick: fn(&MeltRates) -> Option<f64>,
) -> Built {
    let purge = OnPurgeLine::of_melt_rates(machine, watched.message);
    if let Some(mut capacities) = MeltCapacity::of_all(machine) {
        // Some temperature tells whether any does.
        if capacities.iter_mut().all(|of_tool| pick(&of_tool.at(Some(machine.ambient_c))).is_none()) {
            // A zone tells a peak by its ratio to the sustained rate alone.
            let lone_peak = |tool: &Tool| tool.peak_mm3_s.is_some() && tool.sustained_mm3_s.is_none();
            let key = if machine.tools.iter().any(lone_peak) { "[[tool]] melt_rate_mm3_s.sustained" } else { key };
            return Built::Skipped(format!("the sheet gives no `{key}`"));
        }
        return Built::Watching(Box::new(OverByHeat { watched, capacities, pick, laws: MeltLaw::of(machine), purge }));
    }
    let capacity = heat::per_tool(machine, capacity);
    if capacity.iter().all(Option::is_none) {
        return Built::Skipped(format!("the sheet gives no `{key}`"));
    }
    Built::Watching(Box::new(OverCapacity { watched, capacity, purge }))
}

fn hit(watched: &Watched, block: &Block, i: usize, rate: f64, limit: f64) -> Hit {
    Hit {
        check: watched.check,
        kind: block.tool_index as u64,
        severity: watched.check.severity,
        line: block.line[i],
        value: Some(rate),
        badness: rate / limit,
        limit: Some(limit),
        unit: "mm3/s",
        spot: Spot::InBlock,
    }
}

/// True where move `i` of a block melts something.
fn melts(block: &Block, i: usize) -> bool {
    block.section_mm2[i] > 0.0 || block.purge_mm(i).is_some()
}

/// True where a move is over whatever was pushed before it: one that never goes beyond the limit itself cannot bring an average
/// beyond it.
fn is_over_alone(block: &Block, i: usize, limit: f64) -> bool {
    !block.extrudes(i) || block.peak_mm3_s[i] > limit * (1.0 + SLACK)
}

/// The largest of the rates of a block.
fn most(block: &Block, rates: &Column<f64>) -> f64 {
    let rates = &rates[..block.len()];
    block.vectors.run(
        #[inline(always)]
        || columns::most(rates, 0.0),
    )
}

struct OverCapacity {
    watched: Watched,
    capacity: Vec<Option<f64>>,
    purge: OnPurgeLine,
}

impl Observer for OverCapacity {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let before = self.purge.follow(block);
        let Some(limit) = self.capacity.get(block.tool_index).copied().flatten() else { return };
        let bound = limit * (1.0 + SLACK);
        let Some(rates) = (self.watched.rates)(block).filter(|rates| most(block, rates) > bound) else {
            return self.purge.all_within(block, before);
        };
        for (i, &rate) in rates[..block.len()].iter().enumerate() {
            if rate > bound && melts(block, i) {
                let hit = hit(&self.watched, block, i, rate, limit);
                self.purge.hit_at(block, i, before, (hit, None), is_over_alone(block, i, limit), log);
            } else if block.extrudes(i) {
                self.purge.within(block, i, before);
            }
        }
    }

    fn finish(&mut self, _draft: &mut Inspection, log: &mut Log) {
        self.purge.finish(log);
    }
}

/// The same where capacities hang on the temperature of the nozzle.
struct OverByHeat {
    watched: Watched,
    capacities: Vec<MeltCapacity>,
    pick: fn(&MeltRates) -> Option<f64>,
    laws: Vec<MeltLaw>,
    purge: OnPurgeLine,
}

impl OverByHeat {
    /// The least between two temperatures of the nozzle, °C, or where none is known.
    fn between(&mut self, tool_index: usize, nozzle_c: Option<[f64; 2]>) -> Option<f64> {
        let capacity = self.capacities.get_mut(tool_index)?;
        let rates = match nozzle_c {
            Some([from_c, to_c]) => capacity.least(from_c, to_c),
            None => capacity.at(None),
        };
        (self.pick)(&rates)
    }

    /// The rate of move `i`, which starts at that time, that goes furthest beyond its limit; that limit, and the temperature it
    /// hangs on, °C. None where it stays within.
    fn worst(&mut self, block: &Block, i: usize, rate: f64, start_s: f64) -> Option<(f64, f64, Option<f64>)> {
        let tool = block.tool_index;
        let nozzle_c = capacity::nozzle_c(block, start_s, start_s + block.time_s[i]);
        let Some([from_c, to_c]) = nozzle_c.filter(|[from_c, to_c]| from_c != to_c) else {
            let limit = self.between(tool, nozzle_c).filter(|limit| rate > limit * (1.0 + SLACK))?;
            return Some((rate, limit, nozzle_c.map(|[from_c, _]| from_c)));
        };
        let least = self.between(tool, Some([from_c, to_c])).filter(|limit| rate > limit * (1.0 + SLACK));
        least?;
        let law = *self.laws.get(tool)?;
        let mut worst: Option<(f64, f64, Option<f64>)> = None;
        let pushes = block.section_mm2[i] == 0.0;
        capacity::along(law, block, i, start_s, |melted, nozzle_c| {
            let rate = if pushes { rate } else { (self.watched.on_part)(&melted, rate) };
            let Some(limit) = self.between(tool, Some(nozzle_c)) else { return };
            let is_worse = || worst.is_none_or(|(known, known_limit, _)| rate * known_limit > known * limit);
            if rate > limit * (1.0 + SLACK) && is_worse() {
                let [from_c, to_c] = nozzle_c;
                worst = Some((rate, limit, Some(from_c.min(to_c))));
            }
        });
        worst
    }
}

impl Observer for OverByHeat {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let before = self.purge.follow(block);
        let Some(least) = block.capacity.and_then(|rates| (self.pick)(&rates)) else { return };
        let bound = least * (1.0 + SLACK);
        let Some(rates) = (self.watched.rates)(block).filter(|rates| most(block, rates) > bound) else {
            return self.purge.all_within(block, before);
        };
        let mut start_s = block.start_s;
        for (i, &rate) in rates[..block.len()].iter().enumerate() {
            if rate > bound
                && melts(block, i)
                && let Some((rate, limit, nozzle_c)) = self.worst(block, i, rate, start_s)
            {
                let hit = hit(&self.watched, block, i, rate, limit);
                self.purge.hit_at(block, i, before, (hit, nozzle_c), is_over_alone(block, i, limit), log);
            } else if block.extrudes(i) {
                self.purge.within(block, i, before);
            }
            start_s += block.time_s[i];
        }
    }

    fn finish(&mut self, _draft: &mut Inspection, log: &mut Log) {
        self.purge.finish(log);
    }
}

/// ` at 195 °C`, where the temperature is known.
pub(super) fn at_c(nozzle_c: Option<f64>) -> String {
    nozzle_c.map(|c| format!(" at {} °C", crate::wording::figure(c))).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine};
    use super::super::{melt_peak_exceeded, melt_rate_exceeded};
    use crate::block::NozzleSpan;
    use crate::machine::{Machine, MeltByHeat, MeltRow};

    fn span(start_c: f64, toward_c: f64, target_c: f64, time_constant_s: f64) -> NozzleSpan {
        NozzleSpan {
            start_c: Some(start_c),
            toward_c,
            target_c,
            time_constant_s: Some(time_constant_s),
            awaited: true,
            ..NozzleSpan::default()
        }
    }

    /// 5 mm³/s at 180 °C to 15 mm³/s at 230 °C, briefly half as much again.
    fn measured() -> Machine {
        let mut measured = machine();
        let row =
            |nozzle_c: f64, mm3_s: f64| MeltRow { nozzle_c, sustained_mm3_s: mm3_s, peak_mm3_s: Some(1.5 * mm3_s) };
        measured.tools[0].melt_by_heat = Some(MeltByHeat::Measured(vec![row(180.0, 5.0), row(230.0, 15.0)]));
        measured
    }

    /// Pushes filament for `rate` mm³/s at 50 mm/s over 10 mm of path.
    fn filament(rate: f64) -> f64 {
        rate / 50.0 * 10.0 / (std::f64::consts::PI * 1.75 * 1.75 / 4.0)
    }

    #[test]
    fn the_same_flow_is_fine_hot_and_too_much_colder() {
        let job = |c: f64| Job::new().nozzle(span(c, c, c, 60.0)).to([10.0, 0.0, 0.0], filament(9.0));
        assert!(job(205.0).findings(&melt_rate_exceeded::CHECK, &measured()).is_empty());
        let found = job(195.0).findings(&melt_rate_exceeded::CHECK, &measured());
        assert_eq!((found.len(), found[0].limit), (1, Some(8.0)), "5 + 10 · 15 / 50, by hand");
        assert!(found[0].message.contains("9 mm³/s") && found[0].message.contains("8 mm³/s at 195 °C"), "{found:?}");
        let job = |c: f64| Job::new().nozzle(span(c, c, c, 60.0)).to([10.0, 0.0, 0.0], filament(12.5));
        assert!(job(200.0).findings(&melt_peak_exceeded::CHECK, &measured()).is_empty());
        let found = job(195.0).findings(&melt_peak_exceeded::CHECK, &measured());
        assert_eq!((found.len(), found[0].limit), (1, Some(12.0)));
        assert!(found[0].message.contains("12 mm³/s at 195 °C"), "{found:?}");
    }

    #[test]
    fn a_nozzle_that_cools_stops_keeping_up_on_the_way() {
        // From 230 °C toward 20 °C with 100 s: the capacity falls to 9 mm³/s, that is to 200 °C, after
        // 100 ln(210 / 180) = 15.4 s (Newton's law). Each move takes 10 s.
        let mut job = Job::new().speed(1.0).nozzle(span(230.0, 20.0, 0.0, 100.0));
        for k in 1..=3 {
            job = job.to([10.0 * f64::from(k), 0.0, 0.0], 50.0 * filament(9.0));
        }
        let found = job.findings(&melt_rate_exceeded::CHECK, &measured());
        assert_eq!((found.len(), found[0].count, found[0].line), (1, 2, Some(2)), "{found:?}");
        // The end of the third move is the worst: below 180 °C it counts as there.
        assert_eq!((found[0].worst_line, found[0].limit), (Some(3), Some(5.0)));
    }

    #[test]
    fn where_no_temperature_is_known_the_plain_rates_hold() {
        let job = |rate| Job::new().nozzle(NozzleSpan::default()).to([10.0, 0.0, 0.0], filament(rate));
        assert!(job(9.9).findings(&melt_rate_exceeded::CHECK, &measured()).is_empty());
        let found = job(10.1).findings(&melt_rate_exceeded::CHECK, &measured());
        assert!(found[0].message.ends_with("keeps up 10 mm³/s."), "{found:?}");
        let mut bare = measured();
        (bare.tools[0].sustained_mm3_s, bare.tools[0].peak_mm3_s) = (None, None);
        assert!(job(99.0).findings(&melt_rate_exceeded::CHECK, &bare).is_empty());
    }
}
