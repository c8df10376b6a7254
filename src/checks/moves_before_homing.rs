//! Axes that move before they are homed.

use crate::block::{ActionKind, Block, flag};
use crate::findings::{Built, Check, Explanation, Hit, Hits, Inspection, Log, Observer, Severity, Spot};
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "moves-before-homing",
    topic: "homing",
    severity: Severity::Hold,
    summary: "An axis moves before it is homed.",
    explain: Explanation {
        what: "X, Y or Z moves before the job has homed that axis.",
        why: "at power-on the controller does not know where the axis is, so the move ends at a place nobody can \
tell: against the frame, or in the bed. Keep hands out of the machine while it moves; the maker's documents come \
first.",
        how: "the moves before the first homing command (G28) of each axis are counted. Moves of Z alone, upward, \
of at most 20 mm in all are a note only: raising the nozzle before homing is common practice (no source), and safe as \
long as that much room is left above.",
        remedy: "home all axes at the start of the job. If you home by hand before each job, set the check to note in the \
sheet.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Watching(Box::<MovesBeforeHoming>::default()),
};

/// Largest lift before homing that is a note only, mm.
const LIFT_MM: f64 = 20.0;
const LIFT: u64 = 3;

#[derive(Default)]
struct MovesBeforeHoming {
    homed: [bool; 3],
    /// Axes that moved too early.
    moved: [bool; 3],
    lifted_mm: f64,
    /// Moves of the block in hand.
    early: Hits,
}

impl Observer for MovesBeforeHoming {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        if self.homed == [true; 3] {
            return;
        }
        let waiting = (0..3).filter(|&axis| !self.homed[axis]).fold(0, |bits, axis| bits | (flag::X << axis));
        // All of them weigh alike, so those of a block are told together.
        let mut axes = [false; 3];
        for i in 0..block.len() {
            if block.flags[i] & waiting != 0 {
                let moves = self.judge(block, i, log);
                if moves != [false; 3] {
                    let line = block.line[i];
                    self.early.add(line, 0.0, || {
                        axes = moves;
                        Hit::plain(&CHECK, 0, Severity::Hold, line)
                    });
                }
            }
        }
        log.raise_all(&mut self.early, |_| message(axes, true));
        for action in &block.actions {
            match action.kind {
                ActionKind::Home { axes, .. } => (0..3).for_each(|axis| self.homed[axis] |= axes[axis]),
                // It may have homed: that is for its own check to say.
                ActionKind::Unfollowed => self.homed = [true; 3],
                _ => {}
            }
        }
    }

    fn finish(&mut self, _draft: &mut Inspection, log: &mut Log) {
        if self.moved != [false; 3] {
            let message = message(self.moved, self.homed != [false; 3]);
            log.reconsider(&CHECK, 0, [Severity::Hold; 2], message);
        }
    }
}

impl MovesBeforeHoming {
    /// The axes that move and wait for their homing.
    fn judge(&mut self, block: &Block, i: usize, log: &mut Log) -> [bool; 3] {
        let line = block.line[i];
        let rise = block.to[2][i] - block.start(i)[2];
        let alone = block.flags[i] & (flag::X | flag::Y | flag::Z) == flag::Z;
        if alone && rise > 0.0 {
            self.lifted_mm += rise;
            if self.lifted_mm <= LIFT_MM + 1e-9 {
                raise_lift(log, line, self.lifted_mm);
                return [false; 3];
            }
        }
        let axes = [0, 1, 2].map(|axis| !self.homed[axis] && block.moves_axis(i, axis));
        (0..3).for_each(|axis| self.moved[axis] |= axes[axis]);
        axes
    }
}

fn message(axes: [bool; 3], is_homed_later: bool) -> String {
    let names: Vec<&str> =
        ["X", "Y", "Z"].into_iter().zip(axes).filter(|(_, moves)| *moves).map(|(name, _)| name).collect();
    let (move_, are) = if names.len() > 1 { ("move", "they are") } else { ("moves", "it is") };
    let names = names.join(", ");
    match is_homed_later {
        true => format!("{names} {move_} before {are} homed."),
        false => format!("The job never homes: {names} {move_}, and nobody knows from where."),
    }
}

fn raise_lift(log: &mut Log, line: u64, lifted_mm: f64) {
    let hit = Hit {
        check: &CHECK,
        kind: LIFT,
        severity: Severity::Note,
        line,
        value: Some(lifted_mm),
        badness: lifted_mm,
        limit: Some(LIFT_MM),
        unit: "mm",
        spot: Spot::InBlock,
    };
    log.raise(hit, || {
        let lifted = figure(lifted_mm);
        format!("Z is raised by {lifted} mm before it is homed; up to {LIFT_MM} mm is common, if there is room above.")
    });
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine};
    use super::*;

    #[test]
    fn each_axis_that_moves_too_early_is_a_finding() {
        let job = Job::new().to([10.0, 0.0, 0.0], 0.0).to([20.0, 0.0, 0.0], 0.0).home([true, false, false]);
        let job = job.to([30.0, 0.0, 0.0], 0.0).to([40.0, 5.0, 0.0], 0.0).home([true; 3]).to([0.0, 0.0, 9.0], 0.0);
        let found = job.findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].line, found[0].severity), (1, Some(1), Severity::Hold));
        assert_eq!((found[0].count, found[0].last_line), (3, Some(5)));
        assert_eq!(found[0].message, "X, Y move before they are homed.");
    }

    #[test]
    fn a_job_that_never_homes_is_one_finding() {
        let job = (1..50).fold(Job::new(), |job, n| job.to([f64::from(n), f64::from(n), 0.2], 0.1));
        let found = job.findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].count), (1, 49));
        assert!(found[0].message.starts_with("The job never homes: X, Y, Z move"), "{}", found[0].message);
        let called = Job::new().act(ActionKind::Unfollowed).to([10.0, 0.0, 0.2], 0.1);
        assert!(called.findings(&CHECK, &machine()).is_empty(), "a macro may have homed");
    }

    #[test]
    fn after_homing_and_for_filament_there_is_nothing_to_say() {
        let job = Job::new().filament(-2.0).home([true; 3]).to([10.0, 10.0, 10.0], 0.0);
        assert!(job.findings(&CHECK, &machine()).is_empty());
    }

    #[test]
    fn a_small_lift_is_a_note_and_a_large_one_is_not() {
        let lift = |heights: &[f64]| {
            let job = heights.iter().fold(Job::new(), |job, &z| job.to([0.0, 0.0, z], 0.0));
            job.home([true; 3]).findings(&CHECK, &machine())
        };
        let found = lift(&[5.0, 20.0]);
        assert_eq!((found.len(), found[0].severity, found[0].count), (1, Severity::Note, 2));
        assert_eq!((found[0].value, found[0].limit), (Some(20.0), Some(20.0)));
        let found = lift(&[5.0, 20.1]);
        assert_eq!((found[0].severity, found[0].line), (Severity::Hold, Some(2)));
        assert_eq!(lift(&[-1.0])[0].severity, Severity::Hold, "downward");
    }
}
