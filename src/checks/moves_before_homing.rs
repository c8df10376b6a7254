//! Axes that move before they are homed.

use crate::block::{Action, ActionKind, Block, Touches};
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
        how: "the moves before the first homing command (G28) of each axis are counted; where X and Y are homed, probing the bed \
counts as homing Z. Moves of Z alone, upward, \
of at most 20 mm in all are a note only: raising the nozzle before homing is common practice (no source), and safe as \
long as that much room is left above. They are no raise before homing where filament is laid along X or Y before Z is homed, \
or where another move comes too early and Z is never homed: then they count like all other moves. A move of one axis by at most 5 mm, \
without filament, behind a wait for a person (or of 10 s) since the last move, is a finding of its own, since first power after \
re-wiring is tried so.",
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
/// Most moves that such a lift is made of.
const LIFTS_MOST: usize = 32;
/// Longest move that is tried with somebody beside the machine, mm, and the shortest wait that gives time to look, s.
const TRIED_MM: f64 = 5.0;
const LOOK_S: f64 = 10.0;
/// Slack for rounding, mm.
const SLACK_MM: f64 = 1e-9;

/// The kinds of hits.
const BLIND: u64 = 0;
const LIFT: u64 = 3;
/// Moves that are tried with somebody beside the machine.
pub(crate) const TRIED: u64 = 4;

/// Whether somebody beside the machine can look meanwhile.
pub(crate) fn lets_look(action: &Action) -> bool {
    match action.kind {
        ActionKind::Pause { open_ended: true } => true,
        ActionKind::Pause { .. } | ActionKind::Dwell => action.duration_s >= LOOK_S,
        _ => false,
    }
}

#[derive(Default)]
struct MovesBeforeHoming {
    homed: [bool; 3],
    /// Axes that moved too early, blindly and tried.
    moved: [[bool; 3]; 2],
    /// Raises of Z alone, until it is known what they are for: line, sum so far and place, mm.
    lifts: Vec<(u64, f64, [f64; 3])>,
    lifted_mm: f64,
    /// Z is not homed, and filament was laid.
    laid: bool,
    /// There was a wait since the last move.
    waited: bool,
    /// Moves of the block in hand.
    early: Hits,
}

impl Observer for MovesBeforeHoming {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        if self.homed == [true; 3] {
            return;
        }
        // All of them weigh alike, so those of a block are told together.
        let mut axes = [false; 3];
        for i in 0..block.len() {
            let (moves, kind) = self.judge(block, i, log);
            self.waited = false;
            if moves == [false; 3] {
                continue;
            }
            let line = block.line[i];
            if kind == TRIED {
                log.raise(Hit::plain(&CHECK, TRIED, Severity::Hold, line), || message(moves, [true; 3], false));
                continue;
            }
            self.early.add(line, 0.0, || {
                axes = moves;
                Hit::plain(&CHECK, BLIND, Severity::Hold, line)
            });
        }
        log.raise_all(&mut self.early, |_| message(axes, [true; 3], false));
        for action in &block.actions {
            match action.kind {
                ActionKind::Home { axes, .. } => {
                    (0..3).for_each(|axis| self.homed[axis] |= axes[axis]);
                    if axes[2] {
                        self.note_lifts(log);
                    }
                }
                // It may have homed: that is for its own check to say.
                ActionKind::Unfollowed => {
                    self.homed = [true; 3];
                    self.note_lifts(log);
                }
                // Whoever probes the bed knows where it is; many controllers set Z by that (common practice, no source).
                ActionKind::Probe { touches } if touches != Touches::Nothing && self.homed[0] && self.homed[1] => {
                    self.homed[2] = true;
                    self.note_lifts(log);
                }
                _ => self.waited |= lets_look(action),
            }
        }
    }

    fn finish(&mut self, _draft: &mut Inspection, log: &mut Log) {
        if self.moved[0] != [false; 3] && !self.homed[2] {
            self.count_lifts(log);
        }
        self.note_lifts(log);
        for (kind, axes) in [BLIND, TRIED].into_iter().zip(self.moved).filter(|(_, axes)| *axes != [false; 3]) {
            log.reconsider(&CHECK, kind, [Severity::Hold; 2], message(axes, self.homed, kind == TRIED));
        }
    }
}

impl MovesBeforeHoming {
    /// The axes that move and wait for their homing, and the kind of that.
    fn judge(&mut self, block: &Block, i: usize, log: &mut Log) -> ([bool; 3], u64) {
        let (x, y) = (block.moves_axis(i, 0), block.moves_axis(i, 1));
        if !self.homed[2] && !self.laid && block.de_mm[i] > 0.0 && (x || y) {
            self.laid = true;
            self.count_lifts(log);
        }
        let moves = [x, y, block.moves_axis(i, 2)];
        let axes = [0, 1, 2].map(|axis| !self.homed[axis] && moves[axis]);
        let [start, end] = [block.start(i), block.end(i)];
        let rise_mm = end[2] - start[2];
        if axes == [false, false, true] && !(x || y) && rise_mm > 0.0 && !self.laid {
            self.lifted_mm += rise_mm;
            if self.lifted_mm <= LIFT_MM + SLACK_MM && self.lifts.len() < LIFTS_MOST {
                self.lifts.push((block.line[i], self.lifted_mm, end));
                return ([false; 3], LIFT);
            }
        }
        let is_tried = self.waited
            && moves.into_iter().filter(|moves| *moves).count() == 1
            && block.length_mm[i] <= TRIED_MM + SLACK_MM
            && block.de_mm[i] == 0.0;
        let moved = &mut self.moved[usize::from(is_tried)];
        (0..3).for_each(|axis| moved[axis] |= axes[axis]);
        (axes, if is_tried { TRIED } else { BLIND })
    }

    /// The raises were the printing itself, or nothing is homed at all: they count like all other moves.
    fn count_lifts(&mut self, log: &mut Log) {
        for (line, _, place_mm) in std::mem::take(&mut self.lifts) {
            self.moved[0][2] = true;
            let hit = Hit { spot: Spot::At(place_mm), ..Hit::plain(&CHECK, BLIND, Severity::Hold, line) };
            log.raise(hit, || message([false, false, true], [true; 3], false));
        }
    }

    /// The raises made room before homing.
    fn note_lifts(&mut self, log: &mut Log) {
        let (is_homed, is_moved) = (self.homed[2], self.moved.iter().any(|moved| moved[2]));
        for (line, lifted_mm, place_mm) in std::mem::take(&mut self.lifts) {
            let hit = Hit {
                value: Some(lifted_mm),
                badness: lifted_mm,
                limit: Some(LIFT_MM),
                unit: "mm",
                spot: Spot::At(place_mm),
                ..Hit::plain(&CHECK, LIFT, Severity::Note, line)
            };
            log.raise(hit, || {
                let common = format!("; up to {LIFT_MM} mm is common, if there is room above");
                let (lifted, common) = (figure(lifted_mm), if is_moved { "" } else { &*common });
                let before = if is_homed { "before it is homed" } else { "without being homed" };
                format!("Z is raised {before}, by {lifted} mm, all raises added up{common}.")
            });
        }
    }
}

/// Which of the axes move too early; `homed` are those that are homed later.
fn message(axes: [bool; 3], homed: [bool; 3], tried: bool) -> String {
    let named = |is_meant: &dyn Fn(usize) -> bool| {
        let meant = (0..3).filter(|&axis| axes[axis] && is_meant(axis));
        meant.map(|axis| ["X", "Y", "Z"][axis]).collect::<Vec<_>>()
    };
    let (later, never) = (named(&|axis| homed[axis]), named(&|axis| !homed[axis]));
    let tried = if tried { ", each a little way behind a wait" } else { "" };
    let mut sentences = Vec::new();
    if !later.is_empty() {
        let (move_, are) = if later.len() > 1 { ("move", "they are") } else { ("moves", "it is") };
        sentences.push(format!("{} {move_} before {are} homed{tried}.", later.join(", ")));
    }
    if !never.is_empty() {
        let names = never.join(", ");
        let (move_, it_moves) = if never.len() > 1 { ("move", "they move") } else { ("moves", "it moves") };
        sentences.push(match homed {
            [false, false, false] => {
                format!("The job never homes: {names} {move_}{tried}, and nobody knows from where.")
            }
            _ => format!("The job never homes {names}: {it_moves}{tried}, and nobody knows from where."),
        });
    }
    sentences.join(" ")
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

    /// Severity, count and message of each finding.
    fn told(job: Job) -> Vec<(Severity, u64, String)> {
        job.findings(&CHECK, &machine()).into_iter().map(|f| (f.severity, f.count, f.message)).collect()
    }

    #[test]
    fn a_job_that_never_homes_z_and_prints_is_a_hold() {
        let flat = Job::new().home([true, true, false]);
        let layer = |job: Job, z: f64| job.to([0.0, 0.0, z], 0.0).to([20.0, 0.0, z], 1.0).to([0.0, 0.0, z], 1.0);
        let hold = |count, message: &str| vec![(Severity::Hold, count, message.to_owned())];
        let never = "The job never homes Z: it moves, and nobody knows from where.";
        assert_eq!(told(layer(layer(flat, 0.2), 0.4)), hold(2, never));
        // Homed too late.
        let late = layer(Job::new().home([true, true, false]), 0.2).home([true; 3]);
        assert_eq!(told(late), hold(1, "Z moves before it is homed."));
        // A pull-back or filament pushed on the spot is no printing.
        let primed = Job::new().to([0.0, 0.0, 5.0], 0.0).filament(3.0).home([true; 3]);
        assert_eq!(told(layer(primed, 0.2))[0].0, Severity::Note);
    }

    #[test]
    fn who_probes_the_bed_knows_where_it_is() {
        let probed = |touches, axes| {
            let job = Job::new().home(axes).act(ActionKind::Probe { touches });
            told(job.to([0.0, 0.0, 0.2], 0.0).to([20.0, 0.0, 0.2], 1.0)).len()
        };
        let flat = [true, true, false];
        assert_eq!(
            [Touches::Here, Touches::WholeBed, Touches::Nothing].map(|touches| probed(touches, flat)),
            [0, 0, 1]
        );
        assert_eq!(probed(Touches::Here, [false; 3]), 1, "nobody knows where that was");
    }

    #[test]
    fn where_nothing_is_homed_all_axes_that_move_are_named() {
        let job = || Job::new().to([0.0, 0.0, 5.0], 0.0).to([20.0, 0.0, 5.0], 0.0);
        let all = "The job never homes: X, Z move, and nobody knows from where.";
        assert_eq!(told(job()), [(Severity::Hold, 2, all.to_owned())]);
        let mixed = "X moves before it is homed. The job never homes Z: it moves, and nobody knows from where.";
        assert_eq!(told(job().home([true, true, false])), [(Severity::Hold, 2, mixed.to_owned())]);
        // Only a lift: somebody wants to reach the bed.
        let lifted = told(Job::new().to([0.0, 0.0, 5.0], 0.0));
        assert_eq!((lifted.len(), lifted[0].0), (1, Severity::Note));
        assert!(lifted[0].2.starts_with("Z is raised without being homed, by 5 mm"), "{}", lifted[0].2);
    }

    #[test]
    fn the_raises_are_added_up_and_nobody_is_calmed_beside_a_hold() {
        let raised = |low: f64| {
            let job = Job::new().to([0.0, 0.0, 5.0], 0.0).to([0.0, 0.0, low], 0.0).to([0.0, 0.0, 6.0], 0.0);
            told(job.home([true; 3]))
        };
        let found = raised(4.0);
        assert_eq!((found[0].0, &*found[0].2), (Severity::Hold, "Z moves before it is homed."));
        let note = "Z is raised before it is homed, by 7 mm, all raises added up.";
        assert_eq!((found[1].0, &*found[1].2), (Severity::Note, note));
        let alone = told(Job::new().to([0.0, 0.0, 6.0], 0.0).home([true; 3]));
        assert!(alone[0].2.ends_with("; up to 20 mm is common, if there is room above."), "{}", alone[0].2);
    }

    #[test]
    fn short_moves_behind_a_wait_are_told_apart() {
        let kinds = |action, end: [f64; 3], de: f64| {
            let job = Job::new().act_for(action, 12.0).to(end, de).to([0.0, 0.0, 30.0], 0.0);
            let found = job.home([true; 3]).findings(&CHECK, &machine());
            found.iter().map(|f| (f.kind, f.count)).collect::<Vec<_>>()
        };
        let pause = ActionKind::Pause { open_ended: true };
        let tried = vec![(TRIED, 1), (BLIND, 1)];
        assert_eq!(kinds(pause, [3.0, 0.0, 0.0], 0.0), tried);
        assert_eq!(kinds(ActionKind::Dwell, [3.0, 0.0, 0.0], 0.0), tried);
        let blind = vec![(BLIND, 2)];
        assert_eq!(kinds(pause, [33.0, 0.0, 0.0], 0.0), blind, "too far");
        assert_eq!(kinds(pause, [3.0, 3.0, 0.0], 0.0), blind, "two axes");
        assert_eq!(kinds(pause, [3.0, 0.0, 0.0], 0.1), blind, "filament");
        assert_eq!(kinds(ActionKind::Finish, [3.0, 0.0, 0.0], 0.0), blind, "no wait");
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
