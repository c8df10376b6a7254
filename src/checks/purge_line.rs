//! Heavy extrusion on a purge line, a rule shared by the melt-rate checks: what happens on a line beside the print is worth
//! a note only.
//!
//! Extrusion before the first layer change whose x, y box lies apart from the x, y box of everything extruded after it
//! belongs to a purge line. Whether it does is known at the end only, so such hits wait in a bounded list.

use crate::block::Block;
use crate::findings::{Built, Check, Explanation, Hit, Log, Severity, Spot};
use crate::geometry::{Box3, box_around, curve_extrema, widen};

/// The check.
pub const CHECK: Check = Check {
    id: "purge-line",
    severity: Severity::Note,
    summary: "A purge line beside the print goes beyond melt rate or line width.",
    explain: Explanation {
        what: "extrusion beside the print, before its first layer change, goes beyond the melt rate of the \
hotend or the plausible cross-section of a line.",
        why: "a purge line is meant to push much filament, and nothing is built on it. It is told apart from the \
print, so that it does not hold the job.",
        how: "hits of `melt-rate-exceeded`, `melt-peak-exceeded` and `implausible-extrusion` on moves before \
the first layer change (a height that differs by 0.04 mm or more from that of the first extrusion) are collected. \
Those whose x, y box lies apart from the x, y box of all extrusion after the change become this one note; its count \
is the sum over the three. The first 1000 such hits of each check wait for that; later ones, and all hits of a job \
without a layer change, count as the print's. The rule is gonogo's own.",
        remedy: "nothing, unless the drive skips there: then purge slower.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::WithOthers,
};

/// Heights of extrusion that differ by at least this are different layers, mm.
pub const LAYER_STEP_MM: f64 = 0.04;
/// Most hits that wait; later ones count as the print's.
const WAITING: usize = 1000;

/// True when two heights belong to different layers.
pub fn other_layer(a_mm: f64, b_mm: f64) -> bool {
    (a_mm - b_mm).abs() >= LAYER_STEP_MM - 1e-9
}

/// Sorts the hits of one check into those of the print and those of a purge line.
pub struct PurgeLine {
    message: fn(&Hit) -> String,
    first_height_mm: Option<f64>,
    changed: bool,
    waiting: Vec<(Hit, Box3)>,
    later: Option<Box3>,
}

impl PurgeLine {
    /// `message` words a hit in one sentence.
    pub fn new(message: fn(&Hit) -> String) -> Self {
        Self { message, first_height_mm: None, changed: false, waiting: Vec::new(), later: None }
    }

    /// Follows a block, before its hits are told; answers how many of its moves come before the first layer change.
    pub fn follow(&mut self, block: &Block) -> usize {
        let before = if self.changed { 0 } else { self.find_change(block) };
        // Without waiting hits nobody will ask for the later box, but for those of the block with the change itself.
        if before < block.len() && (before > 0 || !self.waiting.is_empty()) {
            for i in (before..block.len()).filter(|&i| block.extrudes(i)) {
                let extent = extent_of(block, i);
                let later = self.later.get_or_insert(extent);
                widen(later, extent.min);
                widen(later, extent.max);
            }
        }
        before
    }

    fn find_change(&mut self, block: &Block) -> usize {
        for i in 0..block.len() {
            if block.extrudes(i) {
                let first = *self.first_height_mm.get_or_insert(block.to[2][i]);
                if other_layer(block.to[2][i], first) {
                    self.changed = true;
                    return i;
                }
            }
        }
        block.len()
    }

    /// Tells a hit on move `i`; `before` is what [`Self::follow`] answered for this block.
    pub fn hit(&mut self, block: &Block, i: usize, before: usize, hit: Hit, log: &mut Log) {
        if i < before && block.extrudes(i) && self.waiting.len() < WAITING {
            let hit = Hit { spot: Spot::At(block.end(i)), ..hit };
            self.waiting.push((hit, extent_of(block, i)));
        } else {
            log.raise(hit, || (self.message)(&hit));
        }
    }

    /// Decides about the hits that wait.
    pub fn finish(&mut self, log: &mut Log) {
        for (hit, extent) in self.waiting.drain(..) {
            let message = self.message;
            if self.later.is_some_and(|later| apart(&extent, &later)) {
                let note = Hit { check: &CHECK, kind: 0, severity: Severity::Note, ..hit };
                log.raise(note, || format!("On a purge line beside the print: {}", message(&hit)));
            } else {
                log.raise(hit, || message(&hit));
            }
        }
    }
}

fn extent_of(block: &Block, i: usize) -> Box3 {
    let (from, to) = (block.start(i), block.end(i));
    block.curve(i).map_or_else(|| box_around(from, to), |curve| curve_extrema(curve, from, to))
}

fn apart(a: &Box3, b: &Box3) -> bool {
    (0..2).any(|axis| a.max[axis] < b.min[axis] || b.max[axis] < a.min[axis])
}

#[cfg(test)]
mod tests {
    use super::super::melt_peak_exceeded;
    use super::super::testing::{Job, machine};
    use super::*;
    use crate::block::ActionKind;
    use std::borrow::Cow;

    /// Far over the peak capacity on every move.
    const THICK: f64 = 50.0;

    fn checks_and_counts(job: Job) -> Vec<(Cow<'static, str>, u64)> {
        let found = job.findings(&melt_peak_exceeded::CHECK, &machine());
        found.into_iter().map(|finding| (finding.check, finding.count)).collect()
    }

    #[test]
    fn the_print_after_the_change_is_told_apart_across_blocks() {
        let job = Job::new().to([0.0, 50.0, 0.3], THICK).act(ActionKind::Fan { share: 1.0 });
        let job = job.to([50.0, 50.0, 0.2], 0.0).to([60.0, 50.0, 0.2], THICK).act(ActionKind::Finish);
        let job = job.to([70.0, 50.0, 0.2], THICK);
        assert_eq!(checks_and_counts(job), [("melt-peak-exceeded".into(), 2), ("purge-line".into(), 1)]);
    }

    #[test]
    fn a_print_that_later_reaches_the_line_makes_it_part_of_the_print() {
        let job = Job::new().to([0.0, 50.0, 0.3], THICK).to([50.0, 50.0, 0.2], 0.0).to([60.0, 50.0, 0.2], 0.1);
        let job = job.act(ActionKind::Finish).to([0.0, 20.0, 0.2], 0.0).to([9.0, 20.0, 0.2], 0.1);
        assert_eq!(checks_and_counts(job), [("melt-peak-exceeded".into(), 1)]);
    }

    #[test]
    fn hits_beyond_the_bound_count_as_the_prints() {
        let mut job = Job::new();
        for n in 0..WAITING as u32 + 200 {
            job = job.to([0.0, 50.0 + f64::from(n % 2), 0.3], THICK);
        }
        let job = job.to([50.0, 50.0, 0.6], 0.0).to([60.0, 50.0, 0.6], 0.1);
        assert_eq!(checks_and_counts(job), [("melt-peak-exceeded".into(), 200), ("purge-line".into(), 1000)]);
    }

    #[test]
    fn heights_from_0_04_mm_on_are_other_layers() {
        assert!(other_layer(0.2, 0.24) && other_layer(0.24, 0.2));
        assert!(!other_layer(0.2, 0.2399));
    }
}
