//! The nozzle's cone and the carriage in what already stands on the bed.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity, Spot};
use crate::machine::{Carriage, Cone, Head, Machine, Override, Rectangle};
use crate::physics::standing::{Cells, Crossing, Standing};
use crate::wording::figure;

use super::nozzle_in_print::{self, SLACK_MM, rounded};

/// The check.
pub const CHECK: Check = Check {
    id: "head-in-print",
    topic: "room for the head",
    severity: Severity::Hold,
    summary: "The cone of the nozzle or the carriage strikes what the job has already printed.",
    explain: Explanation {
        what: "beside the nozzle stands something that the job has printed before and that reaches into the nozzle's cone or \
above the underside of the carriage.",
        why: "parts printed one after another stand beside the head while the next one is begun. What hangs around the nozzle \
strikes them, tears them off the bed or loses steps.",
        how: "`[head]` describes a cone that widens from the tip up, and a box around the tip from a height on. Each square of \
the map of heights (see `nozzle-in-print`) is held against both, by its middle, in every square that the tip enters. A layer's \
height is allowed. Squares are 1 mm wide, so near the edge of the cone or the box the answer may be off by that much. The \
rule is gonogo's own.",
        remedy: "set the parts further apart, print the low ones first and the ones nearest to the carriage last, or print \
them all at once.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build: |machine, _| {
        if machine.head.is_none() {
            Built::Skipped("the sheet gives no `[head]`".to_owned())
        } else if machine.severities.get(nozzle_in_print::CHECK.id) == Some(&Override::Off) {
            Built::Skipped("`nozzle-in-print`, which keeps the heights, is switched off in the sheet".to_owned())
        } else {
            Built::WithOthers
        }
    },
};

/// The kinds of hits.
const CONE: u64 = 0;
const CARRIAGE: u64 = 1;

/// Stands for no cell.
const NOTHING: u32 = u32::MAX;

/// Follows the head over what stands.
pub(super) struct HeadWatch {
    /// From the tip in use, the carriage too.
    head: Head,
    /// The carriage as the sheet has it, and the tip that it is measured from, from the place of the machine, mm.
    described: Head,
    first_tip_mm: [f64; 3],
    /// What was found with the tip in each cell.
    known: Cells<Known>,
    /// Within one rise, nothing is laid above the tip.
    rise: u32,
    /// The highest line laid in this rise, mm.
    laid_mm: f64,
}

/// What was found with the tip in a cell.
#[derive(Debug, Clone, Copy, Default)]
struct Known {
    /// In which rise.
    rise: u32,
    /// With the tip so high or higher nothing is struck, mm.
    free_mm: f32,
    /// What is struck below that.
    struck: u32,
}

/// What is struck.
struct Strike {
    kind: u64,
    overlap_mm: f64,
    top_mm: f64,
    z_mm: f64,
    place: [f64; 2],
}

impl HeadWatch {
    /// Nobody where the check does not run.
    pub(super) fn new(machine: &Machine, standing: &Standing) -> Option<Self> {
        let head = machine.head.filter(|_| machine.severities.get(CHECK.id) != Some(&Override::Off))?;
        let first_tip_mm = machine.tools.first().map_or([0.0; 3], |tool| tool.offset_mm);
        let known = standing.for_cells();
        let mut watch = Self { head, described: head, first_tip_mm, known, rise: 1, laid_mm: 0.0 };
        watch.take_up(first_tip_mm);
        Some(watch)
    }

    /// Another tip is in use, so far from the place of the machine, mm.
    pub(super) fn take_up(&mut self, tip_mm: [f64; 3]) {
        let from_tip = [0, 1, 2].map(|axis| self.first_tip_mm[axis] - tip_mm[axis]);
        self.head.carriage = self.described.carriage.map(|Carriage { above_mm, mut area }| {
            for axis in 0..2 {
                area.min[axis] += from_tip[axis];
                area.max[axis] += from_tip[axis];
            }
            Carriage { above_mm: above_mm + from_tip[2], area }
        });
        self.begin_rise();
    }

    /// A line was laid at that height.
    pub(super) fn note_laid(&mut self, z_mm: f64) {
        self.laid_mm = self.laid_mm.max(z_mm);
    }

    /// Forgets what was found: something was laid above the tip, or taken away.
    pub(super) fn begin_rise(&mut self) {
        self.laid_mm = 0.0;
        self.rise = self.rise.checked_add(1).unwrap_or_else(|| {
            self.known.clear();
            1
        });
    }

    /// Judges the way of a move whose nozzle goes free.
    pub(super) fn judge(
        &mut self,
        standing: &Standing,
        layer_mm: f64,
        line: u64,
        crossings: &[Crossing],
        log: &mut Log,
    ) {
        let mut worst: Option<Strike> = None;
        for crossing in crossings {
            if let Some(strike) = self.strike(standing, layer_mm, *crossing)
                && worst.as_ref().is_none_or(|known| strike.overlap_mm > known.overlap_mm)
            {
                worst = Some(strike);
            }
        }
        let Some(Strike { kind, overlap_mm, top_mm, z_mm, place: [x, y] }) = worst else { return };
        let hit = Hit {
            value: Some(overlap_mm),
            badness: overlap_mm,
            limit: Some(layer_mm),
            unit: "mm",
            spot: Spot::At([x, y, z_mm]),
            ..Hit::plain(&CHECK, kind, CHECK.severity, line)
        };
        log.raise(hit, || {
            let what = if kind == CONE { "the cone of the nozzle" } else { "the carriage" };
            let (z, top, overlap) = (figure(z_mm), figure(top_mm), figure(overlap_mm));
            format!("At Z {z} mm {what} reaches {overlap} mm into what stands {top} mm high beside the nozzle.")
        });
    }

    fn strike(&mut self, standing: &Standing, layer_mm: f64, crossing: Crossing) -> Option<Strike> {
        let Crossing { cell, z_mm, .. } = crossing;
        let allowed_mm = layer_mm + SLACK_MM;
        if z_mm + allowed_mm < self.laid_mm {
            self.begin_rise();
        }
        let place = standing.middle_mm(cell);
        let known = self.known.get(cell);
        if known.rise == self.rise {
            if z_mm >= f64::from(known.free_mm) {
                return None;
            }
            if known.struck != NOTHING {
                let strike = self.overlap(standing, place, z_mm, known.struck as usize);
                return strike.filter(|strike| strike.overlap_mm > allowed_mm);
            }
        }
        let worst = self.look_around(standing, place, z_mm, allowed_mm);
        let (free_mm, struck) = match &worst {
            None => (z_mm as f32, NOTHING),
            Some((_, other)) => (f32::INFINITY, *other as u32),
        };
        *self.known.at(cell) = Known { rise: self.rise, free_mm, struck };
        worst.map(|(strike, _)| strike)
    }

    /// The cell that reaches furthest into the head with the tip there, if one does.
    pub(super) fn struck_at(&self, standing: &Standing, place: [f64; 2], z_mm: f64) -> Option<usize> {
        self.look_around(standing, place, z_mm, SLACK_MM).map(|(_, cell)| cell)
    }

    /// What reaches furthest into the head with the tip there, and its cell.
    fn look_around(&self, standing: &Standing, place: [f64; 2], z_mm: f64, allowed_mm: f64) -> Option<(Strike, usize)> {
        let mut worst = None::<(Strike, usize)>;
        let mut take = |other: usize| {
            let strike = self.overlap(standing, place, z_mm, other).filter(|strike| strike.overlap_mm > allowed_mm);
            if let Some(strike) = strike
                && worst.as_ref().is_none_or(|(known, _)| strike.overlap_mm > known.overlap_mm)
            {
                worst = Some((strike, other));
            }
        };
        // Where nothing stands there is nothing to strike, however low the tip.
        let lowest_mm = z_mm + allowed_mm;
        if let Some(Cone { radius_mm: r, .. }) = self.head.cone {
            let around = Rectangle { min: [-r; 2], max: [r; 2] };
            standing.higher_around(place, &around, lowest_mm.max(0.0), &mut take);
        }
        if let Some(Carriage { above_mm, area }) = self.head.carriage {
            standing.higher_around(place, &area, (lowest_mm + above_mm).max(0.0), &mut take);
        }
        worst
    }

    /// How far a cell reaches into the head with the tip there, if it lies below it.
    fn overlap(&self, standing: &Standing, place: [f64; 2], z_mm: f64, other: usize) -> Option<Strike> {
        let (middle, top_mm) = (standing.middle_mm(other), standing.top_mm(other));
        let [x, y] = [0, 1].map(|axis| middle[axis] - place[axis]);
        let cone = self.head.cone.filter(|cone| x.hypot(y) < cone.radius_mm);
        let cone = cone.map(|cone| (CONE, cone.height_mm * x.hypot(y) / cone.radius_mm));
        let carriage = self.head.carriage.filter(|carriage| carriage.area.holds([x, y]));
        let carriage = carriage.map(|carriage| (CARRIAGE, carriage.above_mm));
        let lowest = [cone, carriage].into_iter().flatten().min_by(|a, b| a.1.total_cmp(&b.1));
        let (kind, underside_mm) = lowest?;
        Some(Strike { kind, overlap_mm: rounded(top_mm - z_mm - underside_mm), top_mm, z_mm, place: middle })
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, skipped, tool};
    use super::*;
    use crate::block::ActionKind;

    fn with_head() -> Machine {
        let cone = Cone { height_mm: 8.0, radius_mm: 6.0 };
        let area = Rectangle { min: [-30.0, -20.0], max: [30.0, 40.0] };
        let carriage = Carriage { above_mm: 10.0, area };
        Machine { head: Some(Head { cone: Some(cone), carriage: Some(carriage) }), ..machine() }
    }

    /// A wall along y at x 100, so high, and then a line beside it on the bed.
    fn beside(height_mm: f64, x: f64, y: f64) -> Job {
        let mut job = Job::new();
        let layers = (height_mm / 0.5).round() as u32;
        for layer in 1..=layers {
            let z = 0.5 * f64::from(layer);
            job = job.to([100.5, 100.5, z], 0.0).to([100.5, 120.5, z], 1.0).to([100.5, 100.5, z], 1.0);
        }
        job = job.to([100.5, 100.5, height_mm + 30.0], 0.0).to([x, y, height_mm + 30.0], 0.0);
        job.to([x, y, 0.5], 0.0).to([x, y + 1.0, 0.5], 0.1)
    }

    fn found(job: Job) -> Vec<String> {
        job.findings(&super::super::nozzle_in_print::CHECK, &with_head())
            .into_iter()
            .map(|finding| format!("{} {:.2} {}", finding.check, finding.value.unwrap_or(0.0), finding.message))
            .collect()
    }

    #[test]
    fn the_carriage_strikes_a_tall_neighbour_and_passes_over_a_low_one() {
        // Behind the tip the carriage reaches 40 mm, before it 20.
        assert_eq!(found(beside(8.0, 100.5, 90.5)), [""; 0]);
        let strikes = found(beside(25.0, 100.5, 70.5));
        assert_eq!(strikes.len(), 1, "{strikes:?}");
        assert!(strikes[0].starts_with("head-in-print 14.50") && strikes[0].contains("the carriage"), "{strikes:?}");
        assert_eq!(found(beside(25.0, 100.5, 145.5)), [""; 0], "more than 20 mm behind it");
        assert_eq!(found(beside(25.0, 140.5, 100.5)), [""; 0], "more than 30 mm beside it");
    }

    #[test]
    fn the_cone_strikes_what_stands_close() {
        // 3 mm from the axis the cone is 4 mm above the tip: 8.0 - 0.5 - 4.0.
        let strikes = found(beside(8.0, 103.5, 110.5));
        assert_eq!(strikes.len(), 1, "{strikes:?}");
        assert!(strikes[0].starts_with("head-in-print 3.50") && strikes[0].contains("the cone"), "{strikes:?}");
        assert_eq!(found(beside(8.0, 107.5, 110.5)), [""; 0]);
    }

    #[test]
    fn the_carriage_hangs_on_the_first_tip() {
        let mut two = with_head();
        two.tools.push(tool());
        two.tools[1].offset_mm = [50.0, 0.0, 0.0];
        let mut job = beside(25.0, 20.5, 20.5).act(ActionKind::Tip { offset_mm: [50.0, 0.0, 0.0] });
        // The second tip 45 mm left of the wall, the first one 95 mm: free. From the other side the first is above it.
        job = job.to([5.5, 110.5, 60.0], 0.0).to([5.5, 110.5, 0.5], 0.0).to([5.5, 110.5, 60.0], 0.0);
        let check = &super::super::nozzle_in_print::CHECK;
        let lines = |job: Job| job.findings(check, &two).iter().map(|finding| finding.count).sum::<u64>();
        assert_eq!(lines(job), 0);
        let mut job = beside(25.0, 20.5, 20.5).act(ActionKind::Tip { offset_mm: [50.0, 0.0, 0.0] });
        job = job.to([95.5, 110.5, 60.0], 0.0).to([95.5, 110.5, 0.5], 0.0);
        assert_eq!(lines(job), 1);
    }

    #[test]
    fn a_low_part_that_grows_beside_the_head_is_not_forgotten() {
        // Free while both are low; then one goes on alone, and the tip comes back to the other.
        let line = |job: Job, x: f64, z: f64| job.to([x, 100.5, z], 0.0).to([x, 110.5, z], 0.5);
        let mut job = Job::new();
        for layer in 1..=20 {
            let z = 0.5 * f64::from(layer);
            job = line(line(job, 20.5, z), 180.5, z);
        }
        for layer in 1..=15 {
            let z = 0.5 * f64::from(layer);
            job = line(line(job.to([80.5, 100.5, 12.0], 0.0), 80.5, z).to([60.5, 100.5, 12.0], 0.0), 60.5, z);
        }
        for layer in 16..=60 {
            job = line(job, 80.5, 0.5 * f64::from(layer));
        }
        let job = job.to([80.5, 100.5, 40.0], 0.0).to([60.5, 100.5, 40.0], 0.0);
        let strikes = found(line(job, 60.5, 8.0));
        assert_eq!(strikes.len(), 1, "{strikes:?}");
        assert!(strikes[0].starts_with("head-in-print 12.00"), "{strikes:?}");
    }

    #[test]
    fn it_needs_the_head() {
        assert!(skipped(&CHECK, &machine()).contains("[head]"));
    }
}
