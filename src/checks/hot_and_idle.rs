//! Long waits with a hot nozzle.

use super::heat::Targets;
use crate::block::{ActionKind, Block, Heater};
use crate::findings::{Built, Check, Explanation, Hit, Log, Observer, Severity, Spot};
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "hot-and-idle",
    topic: "idling hot",
    severity: Severity::Hold,
    summary: "The machine waits for long, or for a person, with a hot nozzle.",
    explain: Explanation {
        what: "a nozzle has a target of 50 °C or more while the job dwells or pauses for more than 600 s without \
a move in between (hold), or pauses until a person comes (note).",
        why: "filament left in a hot nozzle chars and blocks it, oozes, and burns whoever reaches in; a hot \
machine left unattended is a fire hazard. Be there when the pause comes. The maker's documents come first.",
        how: "the times in s of dwells (G4) and of pauses with a time of their own add up until the next move \
and are compared with 600 s; pauses without an end of their own always count. Both bounds are common practice, no source.",
        remedy: "lower the nozzle temperature before the wait and heat again after it, or set the check to note in the sheet \
if you stay beside it.",
    },
    heat_or_travel: true,
    timed: true,
    unchecked: None,
    build: |_, _| Built::Watching(Box::<HotAndIdle>::default()),
};

/// From here on a nozzle is hot, °C.
const HOT_C: f64 = 50.0;
/// Longest wait, s.
const WAIT_S: f64 = 600.0;

#[derive(Default)]
struct HotAndIdle {
    targets: Targets,
    /// How long the machine has stood hot since its last move, s.
    still_s: f64,
}

impl Observer for HotAndIdle {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        if !block.is_empty() {
            self.still_s = 0.0;
        }
        for action in &block.actions {
            let open_ended = match action.kind {
                ActionKind::Heat { heater: heater @ Heater::Nozzle(_), target_c, .. } => {
                    self.targets.set(heater, target_c, action.line);
                    continue;
                }
                ActionKind::Dwell => false,
                ActionKind::Pause { open_ended } => open_ended,
                _ => continue,
            };
            let hottest_c = self.targets.iter().fold(0.0, |hottest: f64, (_, target_c, _)| hottest.max(target_c));
            if hottest_c < HOT_C {
                self.still_s = 0.0;
                continue;
            }
            self.still_s += action.duration_s;
            if open_ended || self.still_s > WAIT_S {
                raise(log, action.line, (!open_ended).then_some(self.still_s), hottest_c);
            }
        }
    }
}

fn raise(log: &mut Log, line: u64, wait_s: Option<f64>, hottest_c: f64) {
    let hit = Hit {
        check: &CHECK,
        kind: u64::from(wait_s.is_none()),
        // How long a person takes is not known, and a planned change of filament is no fault.
        severity: if wait_s.is_some() { Severity::Hold } else { Severity::Note },
        line,
        value: wait_s,
        badness: wait_s.unwrap_or(hottest_c),
        limit: wait_s.map(|_| WAIT_S),
        unit: "s",
        spot: Spot::InBlock,
    };
    log.raise(hit, || {
        let hottest = figure(hottest_c);
        match wait_s.map(figure) {
            Some(wait) => format!("The job waits for {wait} s, longer than {WAIT_S} s, with a nozzle at {hottest} °C."),
            None => format!("The job waits for a person, with no end of its own, with a nozzle at {hottest} °C."),
        }
    });
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine};
    use super::*;

    fn hot(target_c: f64) -> Job {
        Job::new().heat(Heater::Nozzle(0), target_c)
    }

    #[test]
    fn long_waits_merge_and_the_longest_is_reported() {
        let job = hot(215.0).act_for(ActionKind::Dwell, 600.0).filament(1.0).act_for(ActionKind::Dwell, 601.0);
        let job = job.filament(1.0).act_for(ActionKind::Pause { open_ended: false }, 1800.0);
        let found = job.findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].count, found[0].line, found[0].worst_line), (1, 2, Some(4), Some(6)));
        assert_eq!((found[0].value, found[0].limit), (Some(1800.0), Some(600.0)));
        assert!(found[0].message.contains("1800 s") && found[0].message.contains("215 °C"));
    }

    #[test]
    fn waits_add_up_until_the_next_move() {
        let three = |job: Job| (0..3).fold(job, |job, _| job.act_for(ActionKind::Dwell, 300.0));
        let found = three(hot(200.0)).findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].line, found[0].value), (1, Some(4), Some(900.0)));
        let pairs = hot(200.0).act_for(ActionKind::Dwell, 300.0).act_for(ActionKind::Dwell, 300.0).filament(1.0);
        assert!(pairs.act_for(ActionKind::Dwell, 300.0).findings(&CHECK, &machine()).is_empty());
    }

    #[test]
    fn a_pause_without_end_counts_at_once() {
        let found = hot(50.0).act(ActionKind::Pause { open_ended: true }).findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].value, found[0].severity), (1, None, Severity::Note));
    }

    #[test]
    fn a_cool_nozzle_may_wait() {
        let pause = ActionKind::Pause { open_ended: true };
        assert!(hot(49.0).act(pause).findings(&CHECK, &machine()).is_empty());
        assert!(hot(215.0).heat(Heater::Nozzle(0), 0.0).act(pause).findings(&CHECK, &machine()).is_empty());
        assert!(Job::new().heat(Heater::Bed, 60.0).act(pause).findings(&CHECK, &machine()).is_empty());
    }
}
