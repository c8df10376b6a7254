//! Amounts of filament that no print asks for: the signature of a wrong extruder mode.

use super::heat;
use super::purge_line::OnPurgeLine;
use crate::block::{Block, flag};
use crate::findings::{Built, Check, Explanation, Hit, Inspection, Log, Observer, Severity};
use crate::machine::Machine;
use crate::vectors::columns;
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "implausible-extrusion",
    topic: "line width",
    severity: Severity::Hold,
    summary: "Far more filament than a line can take: is the extruder mode wrong?",
    explain: Explanation {
        what: "lines of a cross-section that no nozzle lays, or more than 200 mm of filament in one move along a path.",
        why: "this is what a job looks like when absolute extruder words are read as relative ones (M82 against M83), \
or when a G92 E0 is missing. The drive grinds through the filament and plastic piles up around the nozzle.",
        how: "the cross-section of what is laid, in mm², is filament cross-section times the length pushed for each \
mm of path. More than 4 times the square of the nozzle bore over more than 5 mm of path without a break is implausible; \
it is reported from the move on which the 5 mm are passed. So are more than 200 mm of filament in one move along a path \
(`pull-back-too-long` judges moves without one). Both bounds are common practice, no source. Without `nozzle_diameter_mm` only the 200 mm are judged. \
Thick lines on a purge line beside the print are reported as `purge-line`.",
        remedy: "compare `extrusion_mode` in the sheet with the machine, and look for M82, M83 and G92 in the lines before. \
Loading or purging filament on purpose is fine: set the check to note in the sheet.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build,
};

const BORES: f64 = 4.0;
const STREAK_MM: f64 = 5.0;
const FILAMENT_MM: f64 = 200.0;

const SECTION: u64 = 0;
const ONE_MOVE: u64 = 1;

fn build(machine: &Machine, _: &str) -> Built {
    let limit_mm2 = heat::per_tool(machine, |tool| tool.nozzle_diameter_mm.map(|bore| BORES * bore * bore));
    Built::Watching(Box::new(ImplausibleExtrusion {
        limit_mm2,
        streak_mm: 0.0,
        purge: OnPurgeLine::new(machine, message),
    }))
}

struct ImplausibleExtrusion {
    limit_mm2: Vec<Option<f64>>,
    streak_mm: f64,
    purge: OnPurgeLine,
}

impl Observer for ImplausibleExtrusion {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let before = self.purge.follow(block);
        let limit = self.limit_mm2.get(block.tool_index).copied().flatten().unwrap_or(f64::INFINITY);
        let [odd, path] = block.vectors.run(
            #[inline(always)]
            || {
                let count = block.len();
                let odd = |i: usize| (block.section_mm2[i] > limit) | (block.de_mm[i] > FILAMENT_MM);
                [columns::any(count, odd), columns::any(count, |i| block.flags[i] & flag::PATH != 0)]
            },
        );
        if !odd {
            self.streak_mm = if path { 0.0 } else { self.streak_mm };
            return;
        }
        for i in 0..block.len() {
            let section = block.section_mm2[i];
            if section > limit {
                self.streak_mm += block.length_mm[i];
                if self.streak_mm > STREAK_MM {
                    self.purge.hit(block, i, before, hit(SECTION, block.line[i], section, limit, "mm2"), log);
                }
            } else if block.flags[i] & flag::PATH != 0 {
                self.streak_mm = 0.0;
            }
            if block.de_mm[i] > FILAMENT_MM && block.flags[i] & flag::PATH != 0 {
                let hit = hit(ONE_MOVE, block.line[i], block.de_mm[i], FILAMENT_MM, "mm");
                self.purge.hit(block, i, before, hit, log);
            }
        }
    }

    fn finish(&mut self, _draft: &mut Inspection, log: &mut Log) {
        self.purge.finish(log);
    }
}

fn hit(kind: u64, line: u64, value: f64, limit: f64, unit: &'static str) -> Hit {
    let (check, severity) = (&CHECK, Severity::Hold);
    let plain = Hit::plain(check, kind, severity, line);
    Hit { value: Some(value), badness: value / limit, limit: Some(limit), unit, ..plain }
}

fn message(hit: &Hit, _nozzle_c: Option<f64>) -> String {
    let (value, limit) = (hit.value.map(figure).unwrap_or_default(), hit.limit.map(figure).unwrap_or_default());
    if hit.kind == ONE_MOVE {
        format!("One move pushes {value} mm of filament; more than {limit} mm is not plausible.")
    } else {
        format!("A line has a cross-section of {value} mm²; above {limit} mm² it is not plausible for this nozzle.")
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine};
    use super::*;

    // 4 × 0.4² = 0.64 mm², that is 0.26608 mm of 1.75 mm filament for each mm.
    const THICK: f64 = 0.3;

    #[test]
    fn thick_lines_are_found_once_they_are_long_enough() {
        let mut job = Job::new();
        for n in 1..=8 {
            job = job.to([f64::from(n), 0.0, 0.0], THICK + if n == 8 { 0.1 } else { 0.0 });
        }
        let found = job.findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].count, found[0].line, found[0].worst_line), (1, 3, Some(6), Some(8)));
        assert!((found[0].limit.unwrap() - 0.64).abs() < 1e-12);
        assert!(found[0].message.contains("0.64 mm²"));
    }

    #[test]
    fn short_blobs_between_thin_lines_are_fine() {
        let mut job = Job::new();
        for n in 0..4 {
            let x = f64::from(n) * 10.0;
            job = job.to([x + 4.0, 0.0, 0.0], 4.0 * THICK).to([x + 10.0, 0.0, 0.0], 0.2).filament(-1.0);
        }
        assert!(job.findings(&CHECK, &machine()).is_empty());
        let job = Job::new().to([3.0, 0.0, 0.0], 3.0 * THICK).filament(-1.0).filament(1.0);
        let found = job.to([6.0, 0.0, 0.0], 3.0 * THICK).findings(&CHECK, &machine());
        assert_eq!(found.len(), 1, "a retraction does not break the path");
    }

    #[test]
    fn a_huge_push_in_one_move_is_found_without_a_nozzle() {
        let mut bare = machine();
        bare.tools[0].nozzle_diameter_mm = None;
        let job = Job::new().to([50.0, 0.0, 0.0], 50.0).to([60.0, 0.0, 0.0], 200.0).to([50.0, 0.0, 0.0], 201.0);
        let found = job.filament(300.0).to([60.0, 0.0, 0.0], 450.0).findings(&CHECK, &bare);
        assert_eq!((found.len(), found[0].count, found[0].line), (1, 2, Some(3)), "not the move without a path");
        assert_eq!((found[0].value, found[0].limit, found[0].unit.as_ref()), (Some(450.0), Some(200.0), "mm"));
    }

    #[test]
    fn a_thick_purge_line_is_a_note_and_a_thick_print_is_not() {
        let lines = |x: f64| {
            let job = Job::new().to([x, 0.0, 0.2], 0.0).to([x, 50.0, 0.2], 50.0 * THICK);
            let job = job.to([50.0, 20.0, 0.2], 0.0).to([90.0, 20.0, 0.2], 1.0);
            let job = job.to([50.0, 20.0, 0.4], 0.0).to([90.0, 30.0, 0.4], 1.0);
            job.findings(&CHECK, &machine())
        };
        assert_eq!(lines(5.0)[0].check, "purge-line");
        assert_eq!(lines(70.0)[0].check, CHECK.id);
    }

    #[test]
    fn without_a_later_layer_there_is_no_purge_line() {
        let job = Job::new().to([0.0, 50.0, 0.2], 50.0 * THICK).to([50.0, 20.0, 0.2], 0.0).to([90.0, 20.0, 0.2], 1.0);
        let found = job.findings(&CHECK, &machine());
        assert_eq!((found[0].check.as_ref(), found[0].severity), (CHECK.id, Severity::Hold));
    }
}
