//! Moves after the motors were released, without homing.

use crate::block::{ActionKind, Block, flag};
use crate::findings::{Built, Check, Explanation, Hit, Log, Observer, Severity};

/// The check.
pub const CHECK: Check = Check {
    id: "motors-off-then-moves",
    topic: "released motors",
    severity: Severity::Hold,
    summary: "An axis moves after the motors were released, without homing.",
    explain: Explanation {
        what: "the job releases the motors of X, Y and Z and later moves one of them without homing it first.",
        why: "a released axis can be pushed, or sink under its own weight. The controller still believes the old \
position, so the next move may run into the frame, the bed or the print. Keep hands out of the machine while it moves; \
the maker's documents come first.",
        how: "after M18 or M84 of all of X, Y and Z, or M81 (supply off), each move of an axis before its next homing (G28) is counted. \
Releasing the extruder alone, or setting the time after which idle motors are released, is no finding.",
        remedy: "home after the release, or release the motors at the very end of the job only.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Watching(Box::<MotorsOffThenMoves>::default()),
};

#[derive(Default)]
struct MotorsOffThenMoves {
    lost: [bool; 3],
}

impl Observer for MotorsOffThenMoves {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let lost = (0..3).filter(|&axis| self.lost[axis]).fold(0, |bits, axis| bits | (flag::X << axis));
        if lost != 0 {
            for i in (0..block.len()).filter(|&i| block.flags[i] & lost != 0) {
                (0..3).filter(|&axis| self.lost[axis] && block.moves_axis(i, axis)).for_each(|axis| {
                    raise(log, block.line[i], axis);
                });
            }
        }
        for action in &block.actions {
            match action.kind {
                ActionKind::MotorsOff { axes: [true, true, true, _] } => self.lost = [true; 3],
                ActionKind::Home { axes, .. } => (0..3).for_each(|axis| self.lost[axis] &= !axes[axis]),
                ActionKind::Unfollowed => self.lost = [false; 3],
                _ => {}
            }
        }
    }
}

fn raise(log: &mut Log, line: u64, axis: usize) {
    let hit = Hit::plain(&CHECK, axis as u64, Severity::Hold, line);
    log.raise(hit, || format!("{} moves after its motor was released, without homing.", ["X", "Y", "Z"][axis]));
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine};
    use super::*;

    const OFF: ActionKind = ActionKind::MotorsOff { axes: [true; 4] };

    #[test]
    fn a_move_after_the_release_is_found_until_homing() {
        let job = Job::new().to([5.0, 0.0, 0.0], 0.0).act(OFF).act(ActionKind::MotorsOn).to([10.0, 0.0, 0.0], 0.0);
        let job = job.to([15.0, 0.0, 0.0], 0.0).home([true; 3]).to([20.0, 5.0, 5.0], 0.0);
        let found = job.findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].line, found[0].count), (1, Some(4), 2));
        assert!(found[0].message.starts_with('X'));
    }

    #[test]
    fn without_supply_no_motor_holds() {
        for (line, count) in [("M81", 1), ("M81 S1", 0), ("M81\nM80\nG28", 0)] {
            let job = format!("G28\nG0 X20 F3000\n{line}\nG0 X30\n");
            assert_eq!(super::super::testing::found(&CHECK, &machine(), &job).len(), count, "{line}");
        }
    }

    #[test]
    fn at_the_end_or_for_the_extruder_alone_it_is_fine() {
        let part = ActionKind::MotorsOff { axes: [false, false, false, true] };
        let job = Job::new().act(part).to([5.0, 0.0, 0.0], 0.0).act(OFF).filament(1.0);
        assert!(job.findings(&CHECK, &machine()).is_empty());
    }
}
