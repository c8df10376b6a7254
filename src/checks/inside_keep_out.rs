//! Paths through a box the nozzle must not enter.

use crate::block::{ActionKind, Block, flag};
use crate::findings::{Built, Check, Explanation, Hit, Log, Observer, Severity, Spot};
use crate::geometry::{Box3, CHORD_MM, TOUCH_MM, box_around, curve_extrema, flatten, segment_hits_box};
use crate::machine::{KeepOut, Machine};
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "inside-keep-out",
    topic: "keep-out",
    severity: Severity::NoGo,
    summary: "The path goes through a box the nozzle must not enter.",
    explain: Explanation {
        what: "the path of the nozzle tip passes through one of the boxes that the sheet lists as keep-out, such \
as a bed clip, a screw head or a wiper.",
        why: "the nozzle hits what is there at full speed. It can bend the hotend, tear the clip off the bed or \
throw a loose part. Keep hands out of the machine while it moves; the maker's documents come first.",
        how: "every move along the path whose x, y and z are known is tested as a straight segment against each \
box, in mm, machine coordinates (the usual slab test: the parts of the segment between each pair of faces must \
overlap). Arcs and curves are cut into chords that stay within 0.01 mm of them. Touching a face to within 0.002 mm \
is no hit: coordinates are rounded by as much. The tip of the tool in use is tested, by its `offset_mm`, and nothing else: the width of nozzle, fan duct and carriage is not known, so make the boxes that much \
larger. Where the position was unknown before a move, as after probing, only its end point is tested.",
        remedy: "move the part, the clip or the wiper, or let the slicer keep travel above it. If nothing is there any \
more, take the box out of the sheet.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build,
};

fn build(machine: &Machine, _: &str) -> Built {
    let boxes = machine.travel.keep_out.clone();
    let Some(first) = boxes.first() else {
        return Built::Skipped("the sheet gives no `[[travel.keep_out]]`".to_owned());
    };
    let around = Box3 { min: first.min, max: first.max };
    let mut check = InsideKeepOut { shifted: boxes.clone(), boxes, around, tip_mm: [0.0; 3], start_known: true };
    check.take_up(machine.tools.first().map_or([0.0; 3], |tool| tool.offset_mm));
    Built::Watching(Box::new(check))
}

struct InsideKeepOut {
    boxes: Vec<KeepOut>,
    /// The boxes as the place of the machine sees them: so that the tip in use stays out.
    shifted: Vec<KeepOut>,
    /// Around those.
    around: Box3,
    tip_mm: [f64; 3],
    start_known: bool,
}

impl Observer for InsideKeepOut {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        const KNOWN: u8 = flag::KNOWN_X | flag::KNOWN_Y | flag::KNOWN_Z;
        let known = |i: usize| block.flags[i] & KNOWN == KNOWN;
        let near = overlap(&block.reach, &self.around.min, &self.around.max);
        for i in 0..if near { block.len() } else { 0 } {
            if known(i) && block.flags[i] & flag::PATH != 0 {
                self.judge(block, i, log);
            }
            self.start_known = known(i);
        }
        self.start_known = block.len().checked_sub(1).map_or(self.start_known, known);
        for action in &block.actions {
            match action.kind {
                ActionKind::Probe { .. } | ActionKind::Unfollowed => self.start_known = false,
                ActionKind::Home { axes: [true, true, true], .. } => self.start_known = true,
                ActionKind::Tip { offset_mm } => self.take_up(offset_mm),
                _ => {}
            }
        }
    }
}

impl InsideKeepOut {
    /// The tip is there from now on, from the place of the machine.
    fn take_up(&mut self, tip_mm: [f64; 3]) {
        self.tip_mm = tip_mm;
        self.shifted.clone_from(&self.boxes);
        for (n, keep_out) in self.shifted.iter_mut().enumerate() {
            for axis in 0..3 {
                keep_out.min[axis] -= tip_mm[axis];
                keep_out.max[axis] -= tip_mm[axis];
                let (min, max) = (&mut self.around.min[axis], &mut self.around.max[axis]);
                *min = if n == 0 { keep_out.min[axis] } else { min.min(keep_out.min[axis]) };
                *max = if n == 0 { keep_out.max[axis] } else { max.max(keep_out.max[axis]) };
            }
        }
    }

    fn judge(&self, block: &Block, i: usize, log: &mut Log) {
        let end = block.end(i);
        let start = if self.start_known { block.start(i) } else { end };
        let curve = if self.start_known { block.curve(i) } else { None };
        let extent = curve.map_or_else(|| box_around(start, end), |curve| curve_extrema(curve, start, end));
        if !overlap(&extent, &self.around.min, &self.around.max) {
            return;
        }
        for (index, keep_out) in self.shifted.iter().enumerate() {
            if !overlap(&extent, &keep_out.min, &keep_out.max) {
                continue;
            }
            let mut entered = None;
            let mut test = |a: [f64; 3], b: [f64; 3]| {
                if entered.is_none() {
                    let fraction = segment_hits_box(a, b, keep_out.min, keep_out.max);
                    entered = fraction.map(|f| [0, 1, 2].map(|axis| a[axis] + (b[axis] - a[axis]) * f));
                }
            };
            match curve {
                Some(curve) => flatten(curve, start, end, CHORD_MM, test),
                None => test(start, end),
            }
            if let Some(at) = entered {
                let tip = [0, 1, 2].map(|axis| at[axis] + self.tip_mm[axis]);
                raise(log, block.line[i], index, &self.boxes[index], tip);
            }
        }
    }
}

fn overlap(extent: &Box3, min: &[f64; 3], max: &[f64; 3]) -> bool {
    (0..3).all(|axis| extent.max[axis] > min[axis] + TOUCH_MM && extent.min[axis] < max[axis] - TOUCH_MM)
}

fn raise(log: &mut Log, line: u64, index: usize, keep_out: &KeepOut, at: [f64; 3]) {
    let hit = Hit {
        check: &CHECK,
        kind: index as u64,
        severity: Severity::NoGo,
        line,
        value: None,
        badness: 0.0,
        limit: None,
        unit: "mm",
        spot: Spot::InBlock,
    };
    log.raise(hit, || {
        // To a micrometre: less is rounding.
        let [x, y, z] = at.map(|mm| figure((mm * 1000.0).round() / 1000.0));
        let span = |axis: usize| format!("{} to {}", figure(keep_out.min[axis]), figure(keep_out.max[axis]));
        let (what, x_span, y_span, z_span) = (&keep_out.what, span(0), span(1), span(2));
        format!(
            "The path enters the keep-out box \"{what}\" (x {x_span}, y {y_span}, z {z_span} mm) at \
             x {x}, y {y}, z {z} mm."
        )
    });
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, skipped};
    use super::*;
    use std::f64::consts::PI;

    fn clipped() -> Machine {
        let mut machine = machine();
        let keep_out = |what: &str, min, max| KeepOut { what: what.to_owned(), min, max };
        machine.travel.keep_out = vec![
            keep_out("front clip", [90.0, 0.0, 0.0], [110.0, 10.0, 6.0]),
            keep_out("rear clip", [90.0, 190.0, 0.0], [110.0, 200.0, 6.0]),
        ];
        machine
    }

    #[test]
    fn a_path_through_a_box_is_found_though_both_ends_are_outside() {
        let job = Job::new().to([20.0, 5.0, 1.0], 0.0).to([180.0, 5.0, 1.0], 0.0).to([20.0, 5.0, 1.0], 0.0);
        let found = job.findings(&CHECK, &clipped());
        assert_eq!((found.len(), found[0].line, found[0].count), (1, Some(2), 2));
        assert!(found[0].message.contains("front clip") && found[0].message.contains("at x 90, y 5, z 1"));
    }

    #[test]
    fn each_box_is_its_own_finding() {
        let job = Job::new().to([100.0, 15.0, 7.0], 0.0).to([100.0, 5.0, 5.0], 0.0).to([100.0, 195.0, 5.0], 0.0);
        assert_eq!(job.findings(&CHECK, &clipped()).len(), 2);
    }

    #[test]
    fn above_and_along_a_box_is_free() {
        let job = Job::new().to([20.0, 5.0, 6.0], 0.0).to([180.0, 5.0, 6.0], 0.0).to([180.0, 10.0, 1.0], 0.0);
        assert!(job.to([20.0, 10.0, 1.0], 0.0).findings(&CHECK, &clipped()).is_empty());
        // 6 mm are 0.2362 in, 0.0005 mm too low.
        let along = |z_mm: f64| Job::new().to([20.0, 5.0, z_mm], 0.0).to([180.0, 5.0, z_mm], 0.0);
        assert!(along(0.2362 * 25.4).findings(&CHECK, &clipped()).is_empty());
        assert_eq!(along(5.997).findings(&CHECK, &clipped()).len(), 1);
    }

    #[test]
    fn an_arc_dips_into_a_box() {
        let start = || Job::new().to([80.0, 18.0, 1.0], 0.0);
        let found = start().arc([0, 1, 2], [100.0, 18.0], PI, 0.0).findings(&CHECK, &clipped());
        assert_eq!((found.len(), found[0].line), (1, Some(2)));
        assert!(start().arc([0, 1, 2], [100.0, 18.0], -PI, 0.0).findings(&CHECK, &clipped()).is_empty());
    }

    #[test]
    fn an_unknown_start_leaves_the_end_point() {
        let through = |end: [f64; 3]| {
            let job = Job::new()
                .to([20.0, 5.0, 1.0], 0.0)
                .act(ActionKind::Probe { touches: crate::block::Touches::Somewhere });
            job.to(end, 0.0).findings(&CHECK, &clipped()).len()
        };
        assert_eq!(through([180.0, 5.0, 1.0]), 0);
        assert_eq!(through([100.0, 5.0, 1.0]), 1);
        let unknown = Job::new().to([100.0, 5.0, 1.0], 0.0).tweak(|block, i| block.flags[i] &= !flag::KNOWN_Z);
        assert!(unknown.findings(&CHECK, &clipped()).is_empty());
    }

    #[test]
    fn without_boxes_it_is_skipped() {
        assert!(skipped(&CHECK, &machine()).contains("travel.keep_out"));
    }
}
