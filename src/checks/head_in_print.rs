//! The nozzle's cone and the carriage in what already stands on the bed.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity, Spot};
use crate::geometry::Box3;
use crate::machine::{Carriage, Head, Machine, Override};
use crate::physics::standing::{Crossing, Standing};
use crate::wording::figure;

use super::nozzle_in_print::{self, SLACK_MM};

/// The check.
pub const CHECK: Check = Check {
    id: "head-in-print",
    severity: Severity::Hold,
    summary: "The cone of the nozzle or the carriage strikes what the job has already printed.",
    explain: Explanation {
        what: "beside the nozzle stands something that the job has printed before and that reaches into the nozzle's cone or \
above the underside of the carriage.",
        why: "parts printed one after another stand beside the head while the next one is begun. What hangs around the nozzle \
strikes them, tears them off the bed or loses steps.",
        how: "`[head]` describes a cone that widens from the tip up, and a box around the tip from a height on. Each cell of \
the map of heights (see `nozzle-in-print`) is held against both at every cell that the tip enters, by its middle. A layer's \
height is allowed. The rule is gonogo's own.",
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

/// Follows the head over what stands.
pub(super) struct HeadWatch {
    /// From the tip in use, the carriage too.
    head: Head,
    /// The carriage as the sheet has it, and the tip that it is measured from, from the place of the machine, mm.
    described: Head,
    first_tip_mm: [f64; 3],
    /// The box around all of it, from the tip in use.
    around: Box3,
    /// In which rise each cell was found free for the tip. Within one rise, what is laid later is no higher than the tip.
    free_in: Vec<u32>,
    rise: u32,
    /// Highest place of the tip in this rise, mm.
    rise_mm: f64,
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
        let (around, free_in) = (Box3 { min: [0.0; 3], max: [0.0; 3] }, vec![0; standing.cells()]);
        let mut watch = Self { head, described: head, first_tip_mm, around, free_in, rise: 1, rise_mm: 0.0 };
        watch.take_up(first_tip_mm);
        Some(watch)
    }

    /// Another tip is in use, so far from the place of the machine, mm.
    pub(super) fn take_up(&mut self, tip_mm: [f64; 3]) {
        let from_tip = [0, 1, 2].map(|axis| self.first_tip_mm[axis] - tip_mm[axis]);
        let radius_mm = self.described.cone.map_or(0.0, |cone| cone.radius_mm);
        self.around = Box3 { min: [-radius_mm, -radius_mm, 0.0], max: [radius_mm, radius_mm, 0.0] };
        self.head.carriage = self.described.carriage.map(|Carriage { above_mm, mut area }| {
            for axis in 0..2 {
                area.min[axis] += from_tip[axis];
                area.max[axis] += from_tip[axis];
                self.around.min[axis] = self.around.min[axis].min(area.min[axis]);
                self.around.max[axis] = self.around.max[axis].max(area.max[axis]);
            }
            Carriage { above_mm: above_mm + from_tip[2], area }
        });
        self.begin_rise(self.rise_mm);
    }

    /// The bed is bare.
    pub(super) fn forget(&mut self) {
        self.begin_rise(0.0);
    }

    fn begin_rise(&mut self, z_mm: f64) {
        self.rise_mm = z_mm;
        self.rise = self.rise.checked_add(1).unwrap_or_else(|| {
            self.free_in.fill(0);
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
        if z_mm + allowed_mm < self.rise_mm {
            self.begin_rise(z_mm);
        }
        self.rise_mm = self.rise_mm.max(z_mm);
        if self.free_in[cell] == self.rise {
            return None;
        }
        let Head { cone, carriage } = self.head;
        let (place, mut worst) = (standing.middle_mm(cell), None::<Strike>);
        standing.higher_around(place, &self.around, z_mm + allowed_mm, |other, [x, y]| {
            let top_mm = standing.top_mm(other);
            let mut add = |kind: u64, underside_mm: f64| {
                let overlap_mm = top_mm - z_mm - underside_mm;
                if overlap_mm > allowed_mm && worst.as_ref().is_none_or(|known| overlap_mm > known.overlap_mm) {
                    worst = Some(Strike { kind, overlap_mm, top_mm, z_mm, place: standing.middle_mm(other) });
                }
            };
            if let Some(cone) = cone.filter(|cone| x.hypot(y) < cone.radius_mm) {
                add(CONE, cone.height_mm * x.hypot(y) / cone.radius_mm);
            }
            if let Some(carriage) = carriage {
                let within = |axis: usize, at: f64| carriage.area.min[axis] <= at && at <= carriage.area.max[axis];
                if within(0, x) && within(1, y) {
                    add(CARRIAGE, carriage.above_mm);
                }
            }
        });
        if worst.is_none() {
            self.free_in[cell] = self.rise;
        }
        worst
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, skipped, tool};
    use super::*;
    use crate::block::ActionKind;
    use crate::machine::{Cone, Rectangle};

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
    fn it_needs_the_head() {
        assert!(skipped(&CHECK, &machine()).contains("[head]"));
    }
}
