//! Filament pulled back out of the hotend, or pushed far beyond what was pulled back.

use std::collections::BTreeMap;

use crate::block::{Block, TOOLS_KEPT, flag};
use crate::findings::{Built, Check, Explanation, Hit, Inspection, Log, Observer, Severity, Spot};
use crate::machine::Machine;
use crate::vectors::columns;
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "pull-back-too-long",
    topic: "length of pull-backs",
    severity: Severity::Hold,
    summary: "Filament is pulled back out of the hotend, or a lot of it pushed on one spot.",
    explain: Explanation {
        what: "the extruder pulls back more filament than `retraction_limit_mm` of the tool allows, in one move or in \
several without a push between them; or one move without a path pushes more than 60 mm beyond what had \
been pulled back. A pull-back that nothing follows unloads the filament, and is a note.",
        why: "a nozzle that has lost its filament prints air from there on, and the soft end may jam in the tube. A \
forgotten G92 E0 after absolute extruder words looks like this: one move that takes back the whole \
layer. So does a push of as much.",
        how: "the length pulled back is summed; each push takes its length off again. The first move by which it \
passes `retraction_limit_mm` is found (without the key 120 mm: longer than the tubes of common hotends; \
common practice, no source). So is a push without a path that goes more than 60 mm (common practice, no \
source) beyond it.",
        remedy: "look for M82, M83 and G92 E in the lines before. Where the machine loads and unloads filament by itself, \
raise `retraction_limit_mm` in the sheet.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build,
};

/// Longest push on one spot beyond what was pulled back, mm.
const PUSH_LIMIT_MM: f64 = 60.0;
const PULL: u64 = 0;
const PUSH: u64 = 1;
/// Slack for rounding, mm.
const SLACK_MM: f64 = 1e-6;

fn build(machine: &Machine, _: &str) -> Built {
    let limit_mm = machine.tools.iter().map(|tool| tool.retraction_limit_mm).collect();
    Built::Watching(Box::new(PullBackTooLong { limit_mm, tools: BTreeMap::new() }))
}

struct PullBackTooLong {
    limit_mm: Vec<f64>,
    /// What each tool has pulled back, by its number.
    tools: BTreeMap<u32, Pulled>,
}

#[derive(Default)]
struct Pulled {
    mm: f64,
    /// The move by which the limit was passed, until something follows.
    waiting: Option<Hit>,
}

impl Observer for PullBackTooLong {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let limit_mm = self.limit_mm.get(block.tool_index).copied().unwrap_or(f64::INFINITY);
        let pulled = self.tools.entry(block.tool.min(TOOLS_KEPT as u32)).or_default();
        let [pulls, spots] = block.vectors.run(
            #[inline(always)]
            || {
                let spot = |i: usize| (block.flags[i] & flag::PATH == 0) & (block.de_mm[i] > PUSH_LIMIT_MM);
                [columns::any(block.len(), |i| block.de_mm[i] < 0.0), columns::any(block.len(), spot)]
            },
        );
        // Pushes alone change nothing when nothing is pulled back.
        if !pulls && !spots && pulled.mm == 0.0 {
            return;
        }
        for i in 0..block.len() {
            pulled.follow(block, i, limit_mm, log);
        }
    }

    fn finish(&mut self, _draft: &mut Inspection, log: &mut Log) {
        for pulled in self.tools.values_mut() {
            if let Some(hit) = pulled.waiting.take() {
                let note = Hit { severity: Severity::Note, ..hit };
                log.raise(note, || format!("{} Nothing follows: the filament is unloaded.", message(&hit)));
            }
        }
    }
}

impl Pulled {
    fn follow(&mut self, block: &Block, i: usize, limit_mm: f64, log: &mut Log) {
        let de_mm = block.de_mm[i];
        let hit = |kind: u64, value: f64, limit: f64| {
            let plain = Hit::plain(&CHECK, kind, CHECK.severity, block.line[i]);
            let spot = Spot::At(block.end(i));
            Hit { value: Some(value), badness: value / limit, limit: Some(limit), unit: "mm", spot, ..plain }
        };
        if de_mm < 0.0 {
            let before = self.mm;
            self.mm -= de_mm;
            if self.mm > limit_mm + SLACK_MM && before <= limit_mm + SLACK_MM {
                self.waiting = Some(hit(PULL, self.mm, limit_mm));
            }
        } else if de_mm > 0.0 {
            if let Some(waiting) = self.waiting.take() {
                log.raise(waiting, || message(&waiting));
            }
            let beyond = de_mm - self.mm;
            self.mm = (-beyond).max(0.0);
            if block.flags[i] & flag::PATH == 0 && beyond > PUSH_LIMIT_MM + SLACK_MM {
                let hit = hit(PUSH, beyond, PUSH_LIMIT_MM);
                log.raise(hit, || message(&hit));
            }
        }
    }
}

fn message(hit: &Hit) -> String {
    let (value, limit) = (hit.value.map(figure).unwrap_or_default(), hit.limit.map(figure).unwrap_or_default());
    if hit.kind == PULL {
        format!("{value} mm of filament are pulled back; more than {limit} mm leaves the hotend.")
    } else {
        format!(
            "{value} mm of filament are pushed on one spot, beyond what was pulled back; above {limit} mm it is not plausible."
        )
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine};
    use super::*;

    fn found(job: Job) -> Vec<(u64, Severity, Option<u64>, Option<f64>)> {
        let found = job.findings(&CHECK, &machine());
        found.into_iter().map(|finding| (finding.kind, finding.severity, finding.line, finding.value)).collect()
    }

    #[test]
    fn a_long_pull_back_is_a_hold_and_at_the_end_a_note() {
        let pulled = || Job::new().to([10.0, 0.0, 0.2], 0.5).filament(-70.0).filament(-70.0);
        assert_eq!(found(pulled()), [(PULL, Severity::Note, Some(3), Some(140.0))]);
        let goes_on = pulled().to([20.0, 0.0, 0.2], 0.5);
        assert_eq!(found(goes_on), [(PULL, Severity::Hold, Some(3), Some(140.0))]);
    }

    #[test]
    fn within_a_print_move_it_is_found_too() {
        // A forgotten G92 E0: the move takes back the whole layer.
        let job = Job::new().to([10.0, 0.0, 0.2], 0.5).to([20.0, 0.0, 0.2], -5382.0).to([30.0, 0.0, 0.2], 0.5);
        assert_eq!(found(job), [(PULL, Severity::Hold, Some(2), Some(5382.0))]);
    }

    #[test]
    fn pushes_take_off_what_was_pulled() {
        let mut job = Job::new();
        for n in 1..=100 {
            job = job.filament(-5.0).filament(4.9).to([f64::from(n), 0.0, 0.2], 0.2);
        }
        assert_eq!(found(job), []);
        assert_eq!(found(Job::new().filament(-110.0).filament(165.0).filament(60.0)), []);
        assert_eq!(found(Job::new().filament(-30.0).filament(100.0)), [(PUSH, Severity::Hold, Some(2), Some(70.0))]);
    }

    #[test]
    fn each_tool_has_its_own() {
        let job = Job::new().filament(-100.0).tool(1, 0).filament(-100.0).to([5.0, 0.0, 0.2], 0.1);
        assert_eq!(found(job), []);
    }
}
