//! Filament laid outside the part of the bed that takes it.

use crate::block::{ActionKind, Block, flag};
use crate::findings::{Built, Check, Explanation, Hit, Hits, Log, Observer, Severity, Spot};
use crate::geometry::{Box3, TOUCH_MM, box_around, curve_extrema};
use crate::machine::{Machine, PurgeZone, Rectangle};
use crate::physics::melt::{PURGE_LEAST_MM, PulledBack};
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "prints-off-bed",
    topic: "printable bed",
    severity: Severity::NoGo,
    summary: "Lines are laid beside the part of the bed that can be printed on.",
    explain: Explanation {
        what: "filament is laid, or pushed on the spot, with the tip outside `[bed] printable`.",
        why: "beside the plate there is nothing to print on: the line hangs in the air, sticks to the frame, a wiper or \
the plate's clips, and the nozzle may strike them.",
        how: "the ends of each move along the path that pushes filament, and the furthest points of curves, in x and y of \
the tip in use, are compared with `[bed] printable`. Moves inside one of `[[bed.purge]]` are priming and fine. A push on \
the spot beyond what was pulled back is a hold outside both. Less than 0.002 mm is rounding. The travel of the axes may reach further: wipers and parking \
places lie there. Common practice, no source.",
        remedy: "move the part, or describe where the machine primes as `[[bed.purge]]`.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build,
};

/// Where the machine is must be known.
const KNOWN: u8 = flag::KNOWN_X | flag::KNOWN_Y;
/// The kinds of hits.
const LAID: u64 = 0;
const PUSHED: u64 = 1;

fn build(machine: &Machine, _: &str) -> Built {
    let Some(printable) = machine.travel.printable else {
        return Built::Skipped("the sheet gives no `[bed] printable`".to_owned());
    };
    let tip_mm = machine.tools.first().map_or([0.0; 2], |tool| [tool.offset_mm[0], tool.offset_mm[1]]);
    Built::Watching(Box::new(PrintsOffBed {
        printable,
        purge: machine.travel.purge.clone(),
        tip_mm,
        pulled_back: PulledBack::default(),
        laid: Hits::default(),
        pushed: Hits::default(),
    }))
}

struct PrintsOffBed {
    printable: Rectangle,
    purge: Vec<PurgeZone>,
    /// From the place of the machine to the tip in use, mm.
    tip_mm: [f64; 2],
    pulled_back: PulledBack,
    /// Moves of the block in hand.
    laid: Hits,
    /// See `laid`.
    pushed: Hits,
}

/// How far a box reaches beyond a rectangle, mm; 0 or less inside.
fn beyond(reach: &Box3, area: &Rectangle) -> f64 {
    let over = |axis: usize| (area.min[axis] - reach.min[axis]).max(reach.max[axis] - area.max[axis]);
    over(0).max(over(1))
}

impl PrintsOffBed {
    fn is_primed(&self, reach: &Box3) -> bool {
        self.purge.iter().any(|zone| beyond(reach, &zone.area) <= TOUCH_MM)
    }

    fn judge(&mut self, block: &Block, i: usize) {
        let [x, y] = self.tip_mm;
        if block.flags[i] & KNOWN != KNOWN {
            return;
        }
        let (from, to) = (block.start(i), block.end(i));
        let curve = if block.flags[i] & flag::CURVE == 0 { None } else { block.curve(i) };
        let mut reach = curve.map_or_else(|| box_around(from, to), |curve| curve_extrema(curve, from, to));
        for corner in [&mut reach.min, &mut reach.max] {
            corner[0] += x;
            corner[1] += y;
        }
        let excess_mm = beyond(&reach, &self.printable);
        if excess_mm <= TOUCH_MM || self.is_primed(&reach) {
            return;
        }
        let laid = block.extrudes(i);
        let (hits, line) = (if laid { &mut self.laid } else { &mut self.pushed }, block.line[i]);
        hits.add(line, excess_mm, || Hit {
            check: &CHECK,
            kind: if laid { LAID } else { PUSHED },
            severity: if laid { Severity::NoGo } else { Severity::Hold },
            line,
            value: Some(excess_mm),
            badness: excess_mm,
            limit: Some(0.0),
            unit: "mm",
            spot: Spot::InBlock,
        });
    }
}

impl Observer for PrintsOffBed {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let [x, y] = self.tip_mm;
        let mut reach = block.reach;
        for corner in [&mut reach.min, &mut reach.max] {
            corner[0] += x;
            corner[1] += y;
        }
        let off = beyond(&reach, &self.printable) > TOUCH_MM;
        for i in 0..block.len() {
            let excess_mm = self.pulled_back.excess_mm(block.de_mm[i]);
            if off && (block.extrudes(i) || excess_mm > PURGE_LEAST_MM) {
                self.judge(block, i);
            }
        }
        log.raise_all(&mut self.laid, |worst| {
            let excess = figure(worst.badness);
            format!("A line is laid {excess} mm beside the part of the bed that can be printed on.")
        });
        log.raise_all(&mut self.pushed, |worst| {
            let excess = figure(worst.badness);
            format!("Filament is pushed on the spot {excess} mm beside the bed, in no purge zone of the sheet.")
        });
        for action in &block.actions {
            match action.kind {
                ActionKind::Tip { offset_mm } => self.tip_mm = [offset_mm[0], offset_mm[1]],
                ActionKind::Tool { .. } => self.pulled_back = PulledBack::default(),
                _ => {}
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, skipped};
    use super::*;

    fn sheet() -> Machine {
        let mut machine = machine();
        machine.travel.printable = Some(Rectangle { min: [10.0, 10.0], max: [90.0, 90.0] });
        let strip = Rectangle { min: [0.0, 0.0], max: [90.0, 5.0] };
        machine.travel.purge = vec![PurgeZone { what: "strip".to_owned(), area: strip }];
        machine
    }

    #[test]
    fn lines_beside_the_plate_are_found_and_purge_zones_are_fine() {
        let job = Job::new().to([20.0, 2.0, 0.3], 0.0).to([80.0, 2.0, 0.3], 5.0).filament(4.0);
        let job = job.to([20.0, 10.0, 0.2], 0.0).to([90.0, 10.0, 0.2], 2.0).to([91.5, 10.0, 0.2], 0.1);
        let found = job.to([95.0, 50.0, 0.2], 0.0).filament(-2.0).filament(2.0).findings(&CHECK, &sheet());
        assert_eq!((found.len(), found[0].count, found[0].severity), (1, 1, Severity::NoGo));
        assert_eq!((found[0].line, found[0].value), (Some(6), Some(1.5)));
    }

    #[test]
    fn a_push_on_the_spot_beside_the_bed_is_a_hold() {
        let job = Job::new().to([95.0, 50.0, 5.0], 0.0).filament(-2.0).filament(20.0);
        let found = job.findings(&CHECK, &sheet());
        assert_eq!((found.len(), found[0].severity, found[0].line), (1, Severity::Hold, Some(3)));
    }

    #[test]
    fn the_edge_as_a_job_in_inches_rounds_it_is_on_the_bed() {
        // 90 mm are 3.5433 in, 10 mm are 0.3937 in.
        let edge = |y_mm: f64| Job::new().to([20.0, y_mm, 0.2], 0.0).to([80.0, y_mm, 0.2], 1.0);
        assert!(edge(3.5433 * 25.4).findings(&CHECK, &sheet()).is_empty());
        assert!(edge(0.3937 * 25.4).findings(&CHECK, &sheet()).is_empty());
        assert!(edge(90.0018).findings(&CHECK, &sheet()).is_empty());
        assert_eq!(edge(90.003).findings(&CHECK, &sheet()).len(), 1);
    }

    #[test]
    fn it_goes_by_the_tip() {
        let mut offset = sheet();
        offset.tools[0].offset_mm = [5.0, 0.0, 0.0];
        let job = Job::new().to([50.0, 50.0, 0.2], 0.0).to([88.0, 50.0, 0.2], 1.0);
        assert_eq!(job.findings(&CHECK, &offset)[0].value, Some(3.0));
    }

    #[test]
    fn without_an_area_it_is_skipped() {
        assert!(skipped(&CHECK, &machine()).contains("printable"));
    }
}
