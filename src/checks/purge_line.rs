//! What is laid on a purge line beside the print before the print begins: the rule, and what the checks of melt rate and line
//! width make of it, a note where it is not far beyond what can be.
//!
//! Of the extrusion before the first change of height, but for a tail that rises, the first moves are a purge line if the
//! x, y box of all of them lies apart from that of everything extruded after them. Where the line ends is known at the
//! end of the job only, so the first moves and the hits on them wait, a bounded number of them.

use crate::block::{ActionKind, Block, TOOLS_KEPT, grid::Sum};
use crate::findings::{Built, Check, Explanation, Hit, Log, PurgeLine, Severity, Spot};
use crate::geometry::{Box3, box_around, curve_extrema, widen};
use crate::machine::Machine;
use crate::physics::levels::TAIL_MOVES;
use crate::physics::standing;
use crate::vectors::columns;
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "purge-line",
    topic: "purge line",
    severity: Severity::Note,
    summary: "A purge before the print goes beyond melt rate or line width.",
    explain: Explanation {
        what: "the purge line that is laid beside the print before it begins goes beyond the melt rate of the \
hotend or the plausible cross-section of a line.",
        why: "a purge line is meant to push much filament, and nothing is built on it. It is told apart from the \
print, so that it does not hold the job. At several times what the hotend melts nothing comes out: the drive skips or grinds a \
notch into the filament, and the print begins without.",
        how: "the first moves of a job that lay filament are a purge line if the x, y box around all of them lies at least \
1 mm apart from the x, y box of everything laid after them. As many moves are taken as that holds for, at most 1000, \
and none from the first change of height on (0.04 mm or more from that of the first extrusion), but for up to 4 moves that rise from there while they push; a job without such a change \
has no purge line. Hits of `melt-rate-exceeded`, `melt-peak-exceeded` and `implausible-extrusion` on them become this one \
note; its count is the sum over the three. So do hits on filament that is pushed on the spot before the tool lays anything, at the start and after a pause that waits for a person. Lines behind a purge that go beyond a melt rate only by what \
the purge has left in its average, and stay within by themselves as do all lines between, are another note. A purge line at more \
than three times a melt rate is a hold (common practice, no source). \
The report counts the same moves as purged, and a height that nothing else was \
laid at is no layer; its largest melt rates count the purge. The rule is gonogo's own.",
        remedy: "purge slower where it is a hold, or where the drive skips. A note alone asks for nothing.",
    },
    heat_or_travel: false,
    timed: true,
    unchecked: None,
    build: |_, _| Built::WithOthers,
};

/// The kinds of hits: on a purge line, on the spot, what they leave in averages, and far beyond what can be.
const ON_LINE: u64 = 0;
const ON_SPOT: u64 = 1;
const BEHIND: u64 = 2;
const FAR_BEYOND: u64 = 3;
const KINDS: u64 = 4;

/// A purge line is a hold above so many times a melt rate: the drive skips long before (common practice, no source).
const MELTS_MOST: f64 = 3.0;

/// Heights of extrusion that differ by at least this are different layers, mm.
pub const LAYER_STEP_MM: f64 = standing::LEVEL_MM;
/// Most moves that may be a purge line; hits on later ones count as the print's.
const WAITING: usize = 1000;
/// A purge line is at least so far from the print, mm. Lines of one part are nearer to each other.
const APART_MM: f64 = 1.0;

/// True when two heights belong to different layers.
pub fn other_layer(a_mm: f64, b_mm: f64) -> bool {
    (a_mm - b_mm).abs() >= LAYER_STEP_MM - 1e-9
}

/// A move that may be on a purge line.
struct FirstMove {
    extent: Box3,
    line: u64,
    length_mm: f64,
    filament_mm: f64,
}

/// The first extrusion of a job, and where the rest of it is: which of it is a purge line.
pub(crate) struct FirstMoves {
    /// From the place of the machine to the tip in use, mm.
    tip_mm: [f64; 3],
    height_mm: Option<f64>,
    moves: Vec<FirstMove>,
    /// How many of them rise from that height, and where the last of these ended.
    tail: usize,
    tail_end_mm: Option<[f64; 3]>,
    /// No more of them follow.
    closed: bool,
    /// Something is laid at another height.
    changed: bool,
    later: Option<Box3>,
}

impl FirstMoves {
    pub(crate) fn new(machine: &Machine) -> Self {
        let tip_mm = machine.tools.first().map_or([0.0; 3], |tool| tool.offset_mm);
        Self {
            tip_mm,
            height_mm: None,
            moves: Vec::new(),
            tail: 0,
            tail_end_mm: None,
            closed: false,
            changed: false,
            later: None,
        }
    }

    /// Follows a block; answers how many of its moves are among the first. Where nobody asks for the rest it costs nothing.
    pub(crate) fn follow(&mut self, block: &Block, rest_wanted: bool) -> usize {
        let first = if self.closed { 0 } else { self.take(block) };
        if self.closed && rest_wanted {
            self.rest(block, first);
        }
        for action in &block.actions {
            if let ActionKind::Tip { offset_mm } = action.kind {
                self.tip_mm = offset_mm;
            }
        }
        first
    }

    fn take(&mut self, block: &Block) -> usize {
        for i in (0..block.len()).filter(|&i| block.extrudes(i)) {
            let height = block.to[2][i] + self.tip_mm[2];
            let first_mm = *self.height_mm.get_or_insert(height);
            self.changed = other_layer(height, first_mm) && !self.is_tail(block, i, first_mm);
            if self.changed || self.moves.len() == WAITING {
                self.closed = true;
                return i;
            }
            self.moves.push(FirstMove {
                extent: self.extent_of(block, i),
                line: block.line[i],
                length_mm: block.length_mm[i],
                filament_mm: block.de_mm[i],
            });
        }
        block.len()
    }

    /// Whether a move rises from the first height while it pushes, or goes on with such a move.
    fn is_tail(&mut self, block: &Block, i: usize, first_mm: f64) -> bool {
        let (from, to) = (block.start(i), block.end(i));
        let goes_on = !other_layer(from[2] + self.tip_mm[2], first_mm) || self.tail_end_mm == Some(from);
        let is_tail = goes_on && to[2] > from[2] && self.tail < TAIL_MOVES;
        if is_tail {
            self.tail += 1;
            self.tail_end_mm = Some(to);
        }
        is_tail
    }

    fn rest(&mut self, block: &Block, from: usize) {
        let tip_mm = self.tip_mm;
        let nothing_new = |later: &Box3| {
            let reach = &block.reach;
            let within = |axis: usize| {
                let [low, high] = [reach.min[axis], reach.max[axis]].map(|mm| mm + tip_mm[axis]);
                later.min[axis] <= low && high <= later.max[axis]
            };
            (0..2).all(within) || block.curves.is_empty() && !lays_outside(block, from, later, tip_mm)
        };
        let first_mm = self.height_mm.unwrap_or_default();
        let lays_at_one_height = || !lays_above_or_below(block, from, first_mm - tip_mm[2]);
        if (self.changed || lays_at_one_height()) && self.later.as_ref().is_some_and(nothing_new) {
            return;
        }
        for i in (from..block.len()).filter(|&i| block.extrudes(i)) {
            self.changed |= other_layer(block.to[2][i] + tip_mm[2], first_mm);
            if self.later.is_some_and(|later| lies_within(block, i, &later, tip_mm)) {
                continue;
            }
            let extent = self.extent_of(block, i);
            let later = self.later.get_or_insert(extent);
            widen(later, extent.min);
            widen(later, extent.max);
        }
    }

    fn extent_of(&self, block: &Block, i: usize) -> Box3 {
        let (from, to) = (block.start(i), block.end(i));
        let Box3 { min, max } =
            block.curve(i).map_or_else(|| box_around(from, to), |curve| curve_extrema(curve, from, to));
        let by_tip = |at: [f64; 3]| [0, 1, 2].map(|axis| at[axis] + self.tip_mm[axis]);
        Box3 { min: by_tip(min), max: by_tip(max) }
    }

    /// How many of the first moves are a purge line; asked at the end of the job.
    fn purged(&self) -> usize {
        let (true, Some(mut later)) = (self.changed, self.later) else { return 0 };
        let mut so_far: Vec<Box3> = Vec::with_capacity(self.moves.len());
        for FirstMove { extent, .. } in &self.moves {
            let mut around = so_far.last().copied().unwrap_or(*extent);
            widen(&mut around, extent.min);
            widen(&mut around, extent.max);
            so_far.push(around);
        }
        for (at, around) in so_far.iter().enumerate().rev() {
            if apart(around, &later) {
                return at + 1;
            }
            widen(&mut later, self.moves[at].extent.min);
            widen(&mut later, self.moves[at].extent.max);
        }
        0
    }

    /// The purge line, at the end of the job.
    pub(crate) fn purge_line(&self) -> Option<PurgeLine> {
        let moves = &self.moves[..self.purged()];
        let (first, last) = (moves.first()?, moves.last()?);
        let (mut path_mm, mut filament_mm) = (Sum::default(), Sum::default());
        for one in moves {
            path_mm.add(one.length_mm);
            filament_mm.add(one.filament_mm);
        }
        Some(PurgeLine {
            z_mm: self.height_mm?,
            first_line: first.line,
            last_line: last.line,
            path_mm: path_mm.value(),
            filament_mm: filament_mm.value(),
        })
    }
}

/// True when a move is known to stay inside a box in x, y.
fn lies_within(block: &Block, i: usize, around: &Box3, tip_mm: [f64; 3]) -> bool {
    let (from, to) = (block.start(i), block.end(i));
    let inside = |axis: usize| {
        let (a, b) = (from[axis] + tip_mm[axis], to[axis] + tip_mm[axis]);
        let (low, high) = (around.min[axis], around.max[axis]);
        (low <= a) & (a <= high) & (low <= b) & (b <= high)
    };
    block.curve(i).is_none() && inside(0) && inside(1)
}

/// True when a move of a block of straight ones, from that one on, lays filament that begins or ends outside a box in x, y.
fn lays_outside(block: &Block, from: usize, around: &Box3, tip_mm: [f64; 3]) -> bool {
    let count = block.len();
    let [low, high] = [around.min, around.max];
    let outside = |x: f64, y: f64| {
        let (x, y) = (x + tip_mm[0], y + tip_mm[1]);
        (x < low[0]) | (x > high[0]) | (y < low[1]) | (y > high[1])
    };
    let Some(first) = (from < count).then(|| block.start(from)) else { return false };
    let (x, y) = (&block.to[0], &block.to[1]);
    if block.extrudes(from) && (outside(first[0], first[1]) || outside(x[from], y[from])) {
        return true;
    }
    block.vectors.run(
        #[inline(always)]
        || {
            columns::any(
                count - from - 1,
                #[inline(always)]
                |k| {
                    let i = from + k;
                    block.extrudes(i + 1) & (outside(x[i], y[i]) | outside(x[i + 1], y[i + 1]))
                },
            )
        },
    )
}

/// True when a move of a block, from that one on, lays filament on another layer than that of a height.
fn lays_above_or_below(block: &Block, from: usize, height_mm: f64) -> bool {
    block.vectors.run(
        #[inline(always)]
        || {
            columns::any(
                block.len() - from,
                #[inline(always)]
                |k| block.extrudes(from + k) & other_layer(block.to[2][from + k], height_mm),
            )
        },
    )
}

/// A hit that waits for what the first moves turn out to be.
struct Waiting {
    hit: Hit,
    nozzle_c: Option<f64>,
    /// So many laying moves come before.
    of: usize,
    /// From that one of the first moves on up to it, each that lays is over by what was pushed before it alone.
    carried_from: usize,
}

/// Words a hit in one sentence, with the temperature of the nozzle, °C, where the limit hangs on it.
pub type Message = fn(&Hit, Option<f64>) -> String;

/// Sorts the hits of one check into those of the print and those of a purge line.
pub struct OnPurgeLine {
    message: Message,
    first: FirstMoves,
    /// A purge line is a hold above so many times the limit.
    most: f64,
    /// Hits on the first moves, and behind them where they may be due to those.
    waiting: Vec<Waiting>,
    /// See [`Waiting::carried_from`].
    carried_from: usize,
    /// The same holds of all moves behind the first.
    carried_on: bool,
    /// Line of a push on the spot before the tool lays anything that was over; all that was laid since is over by it alone.
    behind_spot: Option<u64>,
    /// First moves before this block.
    before: usize,
    /// Numbers of the tools that have laid something since a person was last waited for, a bounded number of them; whether that of this
    /// block had, before it.
    laid_by: Vec<u32>,
    had_laid: bool,
    /// Hits on the first moves, which are bulges, may still come after the block they lie in.
    late: bool,
}

impl OnPurgeLine {
    /// `message` words a hit in one sentence.
    pub fn new(machine: &Machine, message: Message) -> Self {
        Self {
            message,
            first: FirstMoves::new(machine),
            most: f64::INFINITY,
            waiting: Vec::new(),
            carried_from: 0,
            carried_on: true,
            behind_spot: None,
            before: 0,
            laid_by: Vec::new(),
            had_laid: false,
            late: false,
        }
    }

    /// The same where a purge line at more than three times the limit is a hold.
    pub fn of_melt_rates(machine: &Machine, message: Message) -> Self {
        Self { most: MELTS_MOST, ..Self::new(machine, message) }
    }

    /// The same for bulges, which may end after the block they lie in, see [`Self::hit_late`].
    pub fn of_late_hits(machine: &Machine, message: Message) -> Self {
        Self { late: true, ..Self::new(machine, message) }
    }

    /// Follows a block, before its hits are told; answers how many of its moves are among the first of the job.
    pub fn follow(&mut self, block: &Block) -> usize {
        self.before = self.first.moves.len();
        self.had_laid = self.laid_by.contains(&block.tool) || self.laid_by.len() == TOOLS_KEPT;
        if !self.had_laid && (0..block.len()).any(|i| block.extrudes(i)) {
            self.laid_by.push(block.tool);
        }
        // Whoever is waited for may put in other filament, and the hotend is filled again.
        if block.actions.iter().any(|action| action.kind == ActionKind::Pause { open_ended: true }) {
            self.laid_by.clear();
        }
        // Without waiting hits nobody will ask for the rest, but for that of the block in which it begins.
        let rest_wanted = self.late || !self.first.closed || !self.waiting.is_empty();
        let first = self.first.follow(block, rest_wanted);
        self.late &= !self.first.closed || block.pressed.bulges_from < self.first.moves.len();
        first
    }

    /// Nothing in a block was over; `first` is what [`Self::follow`] answered for it.
    pub fn all_within(&mut self, block: &Block, first: usize) {
        if first == 0 && !self.carried_on && self.behind_spot.is_none() {
            return;
        }
        let (of_first, of_rest) =
            (self.first.moves.len() > self.before, (first..block.len()).any(|i| block.extrudes(i)));
        if of_first {
            self.carried_from = self.first.moves.len();
        }
        self.carried_on &= !of_rest;
        if of_first || of_rest {
            self.behind_spot = None;
        }
    }

    /// Move `i` lays something and is within: what was pushed before it is to blame for nothing behind it.
    pub fn within(&mut self, block: &Block, i: usize, first: usize) {
        self.behind_spot = None;
        if i < first {
            self.carried_from = self.place(block, i) + 1;
        } else {
            self.carried_on = false;
        }
    }

    /// How many of the first moves come before move `i`.
    fn place(&self, block: &Block, i: usize) -> usize {
        self.before + (0..i).filter(|&i| block.extrudes(i)).count()
    }

    /// Tells a hit on move `i` that is over by itself; `first` is what [`Self::follow`] answered for this block.
    pub fn hit(&mut self, block: &Block, i: usize, first: usize, hit: Hit, log: &mut Log) {
        self.hit_at(block, i, first, (hit, None), true, log);
    }

    /// The same of a limit that hangs on the temperature of the nozzle, °C; `alone` unless what was pushed before may be to blame.
    pub fn hit_at(
        &mut self,
        block: &Block,
        i: usize,
        first: usize,
        (hit, nozzle_c): (Hit, Option<f64>),
        alone: bool,
        log: &mut Log,
    ) {
        let words = self.message;
        let message = || words(&hit, nozzle_c);
        if !self.had_laid && (0..=i).all(|i| !block.extrudes(i)) {
            self.behind_spot = Some(hit.line);
            let place = "On the spot, before the tool lays anything, at the start or behind a pause";
            return note(hit, ON_SPOT, place, message, log);
        }
        if alone {
            self.within(block, i, first);
        }
        if let Some(line) = self.behind_spot {
            let place = format!("Behind the purge on line {line}, by what that has left in the average alone");
            // Each purge is told with the first line behind it.
            return note(hit, BEHIND + KINDS * line, &place, message, log);
        }
        let carried = !alone && self.carried_on && (1..2 * WAITING).contains(&self.waiting.len());
        if i < first && block.extrudes(i) || i >= first && carried {
            let of = if i < first { self.place(block, i) } else { usize::MAX };
            let hit = Hit { spot: Spot::At(block.end(i)), ..hit };
            self.waiting.push(Waiting { hit, nozzle_c, of, carried_from: self.carried_from });
        } else {
            log.raise(hit, message);
        }
    }

    /// Tells a hit on a move that lays filament, before which so many others do, once its block or a later one was followed.
    pub fn hit_late(&mut self, hit: Hit, of: usize, log: &mut Log) {
        if of < self.first.moves.len() {
            self.waiting.push(Waiting { hit, nozzle_c: None, of, carried_from: of + 1 });
        } else {
            log.raise(hit, || (self.message)(&hit, None));
        }
    }

    /// Decides about the hits that wait.
    pub fn finish(&mut self, log: &mut Log) {
        let purged = if self.waiting.is_empty() { 0 } else { self.first.purged() };
        let last_line = purged.checked_sub(1).map_or(0, |last| self.first.moves[last].line);
        for Waiting { hit, nozzle_c, of, carried_from } in self.waiting.drain(..) {
            let message = || (self.message)(&hit, nozzle_c);
            if of < purged && hit.badness > self.most {
                far_beyond(hit, message, log);
            } else if of < purged {
                note(hit, ON_LINE, "On a purge line beside the print", message, log);
            } else if purged > 0 && carried_from <= purged {
                let place =
                    format!("Behind the purge line up to line {last_line}, by what that has left in the average alone");
                note(hit, BEHIND, &place, message, log);
            } else {
                log.raise(hit, message);
            }
        }
    }
}

/// Tells a hit as a note of this check.
fn note(hit: Hit, kind: u64, place: &str, message: impl Fn() -> String, log: &mut Log) {
    let note = Hit { check: &CHECK, kind, severity: Severity::Note, ..hit };
    log.raise(note, || format!("{place}: {}", message()));
}

/// Tells a hit on a purge line that no hotend can follow.
fn far_beyond(hit: Hit, message: impl Fn() -> String, log: &mut Log) {
    let hold = Hit { check: &CHECK, kind: FAR_BEYOND, severity: Severity::Hold, ..hit };
    log.raise(hold, || {
        let times = figure((hit.badness * 10.0).round() / 10.0);
        format!("On a purge line, {times} times what the hotend melts, where the drive skips or grinds: {}", message())
    });
}

fn apart(a: &Box3, b: &Box3) -> bool {
    (0..2).any(|axis| b.min[axis] - a.max[axis] >= APART_MM || a.min[axis] - b.max[axis] >= APART_MM)
}

#[cfg(test)]
mod tests {
    use super::super::melt_peak_exceeded;
    use super::super::testing::{Job, judged, machine};
    use super::*;
    use crate::block::ActionKind;
    use std::borrow::Cow;

    /// Over the peak capacity on every move: on one of 50 mm at 50 mm/s 36 mm³/s of 15.
    const THICK: f64 = 15.0;

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

    fn beside_and_then_print(moves: u32) -> Job {
        let mut job = Job::new();
        for n in 0..moves {
            let filament_mm = if n == 0 { THICK } else { THICK / 50.0 };
            job = job.to([0.0, 50.0 + f64::from(n % 2), 0.3], filament_mm);
        }
        job.to([50.0, 50.0, 0.6], 0.0).to([60.0, 50.0, 0.6], 0.1)
    }

    #[test]
    fn what_has_more_moves_than_are_kept_counts_as_the_prints() {
        assert_eq!(checks_and_counts(beside_and_then_print(WAITING as u32)), [("purge-line".into(), 1000)]);
        assert_eq!(
            checks_and_counts(beside_and_then_print(WAITING as u32 + 200)),
            [("melt-peak-exceeded".into(), 1200)]
        );
    }

    /// What the report says of a purge line, with the sum of its layers' paths.
    fn reported(job: &str) -> crate::findings::Inspection {
        judged(&crate::machine::Machine::built_in(), job)
    }

    const START: &str = "G28\nM109 S200\nM83\n";

    #[test]
    fn the_figure_counts_the_moves_that_the_note_is_about() {
        let part = "G1 X50 Y50 F6000\nG1 X80 E1 F1200\nG1 Y80 E1\nG1 Z0.4 F600\nG1 X50 Y50 E1 F1200\n";
        // At the height of the first layer: there and back beside the print.
        let beside = "G1 Z0.2 F600\nG1 X2 Y20 F6000\nG1 Y90 E30 F1000\nG1 X2.4\nG1 Y20 E28\n";
        let report = reported(&format!("{START}{beside}{part}"));
        let line = report.purge_line.expect("a purge line");
        assert_eq!((line.first_line, line.last_line, line.path_mm, line.filament_mm), (6, 8, 140.0, 58.0));
        assert_eq!((report.purged_mm(), report.filament.purged_mm), (58.0, 0.0));
        let note = report.findings.iter().find(|finding| finding.check == CHECK.id).expect("a note");
        assert_eq!((note.line, note.last_line), (Some(6), Some(8)));
        assert_eq!(report.layers_total, 2, "it shares the height of the first layer");
        // A brim around the part is none, and neither is the first line of a surface of lines.
        let around = "G1 Z0.2 F600\nG1 X40 Y40 F6000\nG1 X90 E3 F1000\nG1 Y90 E3\nG1 X40 E3\nG1 Y40 E3\n";
        assert_eq!(reported(&format!("{START}{around}{part}")).purge_line, None);
        let lines: String = (0..9).map(|k| format!("G0 X20 Y{}\nG1 X90 E1\n", 50.0 + 0.5 * f64::from(k))).collect();
        assert_eq!(reported(&format!("{START}G1 Z0.2 F600\n{lines}{part}")).purge_line, None);
    }

    #[test]
    fn a_strip_at_a_height_of_its_own_is_no_layer() {
        let strip = "G1 Z0.3 F600\nG1 X2 Y20 F6000\nG1 Y90 E20 F1000\n";
        let part = "G1 Z0.2 F600\nG1 X50 Y50 F6000\nG1 X80 E1 F1200\nG1 Y80 E1\n";
        let report = reported(&format!("{START}{strip}{part}"));
        assert_eq!((report.layers_total, report.layers[0].z_mm, report.layers[0].first_line), (1, 0.2, 9));
        assert_eq!(report.purge_line.map(|line| (line.z_mm, line.filament_mm)), Some((0.3, 20.0)));
        assert!(report.findings.iter().all(|finding| finding.check != "layer-fan-never-on"));
    }

    #[test]
    fn a_tail_that_rises_belongs_to_the_purge_line() {
        let strip = "G1 Z0.3 F600\nG1 X2 Y20 F6000\nG1 Y90 E20 F1000\n";
        let part = "G1 X50 Y50 Z0.2 F6000\nG1 X80 E1 F1200\nG1 Y80 E1\nG1 Z0.4 F600\nG1 X50 Y50 E1 F1200\n";
        for (tail, last_line, filament_mm) in [
            ("G1 Y95 Z1 E0.5\n", 7, 20.5),
            ("G1 Z0.6 E0.5\n", 7, 20.5),
            ("G1 Y92 Z0.5 E0.5\nG1 Y94 Z1 E0.25\nG1 Y95 Z3 E0.25\n", 9, 21.0),
        ] {
            let report = reported(&format!("{START}{strip}{tail}G1 Z5\n{part}"));
            let line = report.purge_line.unwrap_or_else(|| panic!("{tail}"));
            assert_eq!((line.z_mm, line.last_line, line.filament_mm), (0.3, last_line, filament_mm), "{tail}");
            assert_eq!((report.layers_total, report.layers[0].z_mm), (2, 0.2), "{tail}");
        }
        // What goes on to rise is a part.
        let spiral: String =
            (1..=8).map(|n| format!("G1 Y{} Z{:.2} E1\n", 90 - 10 * n % 20, 0.3 + 0.1 * f64::from(n))).collect();
        assert_eq!(reported(&format!("{START}{strip}{spiral}{part}")).purge_line, None);
    }

    /// Check, severity, first line and value of what is told of melt rates, on the built-in machine: 8 mm³/s, 12 in a burst.
    fn told_of(job: &str) -> Vec<(String, Severity, u64, f64)> {
        let about = |check: &str| check == CHECK.id || check.starts_with("melt-");
        let found = reported(&format!("{START}{job}M104 S0\nM84\n")).findings;
        let found = found.into_iter().filter(|finding| about(&finding.check));
        found.map(|of| (of.check.into_owned(), of.severity, of.line.unwrap_or(0), of.value.unwrap_or(0.0))).collect()
    }

    /// 1 mm of filament of 1.75 mm is 2.405 mm³: 0.04 mm for each mm of path at 50 mm/s are 4.8 mm³/s, at 100 mm/s 9.6.
    fn part(mm_s: f64) -> String {
        let line = |y: f64| format!("G1 X50 Y{y} F6000\nG1 X90 E1.6 F{}\n", 60.0 * mm_s);
        let layer: String = (0..4).map(|n| line(50.0 + f64::from(n) / 2.0)).collect();
        format!("{layer}G1 Z0.4 F600\n{layer}")
    }

    /// Two strokes of 70 mm at 20 mm/s, with that much filament for each mm of path.
    fn purge(mm_for_each: f64) -> String {
        let de = 70.0 * mm_for_each;
        format!("G1 Z0.2 F600\nG1 X40 Y20 F6000\nG1 X110 E{de} F1200\nG1 Y21 F6000\nG1 X40 E{de} F1200\n")
    }

    #[test]
    fn innocent_lines_behind_a_purge_are_not_blamed() {
        // 0.35 mm at 20 mm/s are 16.8 mm³/s: above 8, below three times as much.
        let told = told_of(&(purge(0.35) + &part(50.0)));
        assert!(told.iter().all(|(check, severity, ..)| check == CHECK.id && *severity == Severity::Note), "{told:?}");
        // The purge ends on line 8; the first line of the part is line 10.
        let lines: Vec<u64> = told.iter().map(|(.., line, _)| *line).collect();
        assert!(lines.contains(&10), "the average still carries it: {told:?}");
        assert!(told.iter().all(|told| told.2 <= 10), "{told:?}");
        // A print that goes beyond the rate itself is told, there and later.
        let told = told_of(&(purge(0.35) + &part(100.0)));
        let of = |check: &str| told.iter().find(|told| told.0 == check).map(|told| (told.1, told.2));
        assert_eq!(of("melt-rate-exceeded"), Some((Severity::Hold, 10)), "{told:?}");
        assert!(of(CHECK.id).is_some());
        // A part at another height from the start on: its lines are none of the first moves.
        let raised = (purge(0.35) + &part(50.0)).replacen("G1 X50 Y50 F6000", "G1 X50 Y50 Z0.3 F6000", 1);
        let told = told_of(&raised);
        assert!(told.iter().all(|(check, severity, ..)| check == CHECK.id && *severity == Severity::Note), "{told:?}");
    }

    #[test]
    fn lines_behind_a_purge_on_the_spot_are_not_blamed_either() {
        let spot = |then: &str| told_of(&format!("G1 Z0.2 F600\nG1 X50 Y50 F6000\nG1 E60 F3600\n{then}"));
        let told = spot(&part(50.0));
        assert!(told.iter().all(|(check, severity, ..)| check == CHECK.id && *severity == Severity::Note), "{told:?}");
        assert!(told.iter().any(|told| told.2 == 8), "the first line of the part: {told:?}");
        assert!(spot(&part(100.0)).iter().any(|told| told.0 == "melt-rate-exceeded" && told.1 == Severity::Hold));
    }

    #[test]
    fn what_nothing_melts_is_a_hold_on_the_purge_line() {
        // 0.75 mm are 36 mm³/s, 4.5 times the rate; 0.4 mm are 19.2, 2.4 times.
        let told = told_of(&(purge(0.75) + &part(50.0)));
        let holds: Vec<_> = told.iter().filter(|told| told.1 == Severity::Hold).collect();
        let [(check, _, 6, _)] = holds.as_slice() else { panic!("{told:?}") };
        assert_eq!(check, CHECK.id);
        let told = told_of(&(purge(0.4) + &part(50.0)));
        assert!(told.iter().all(|told| told.1 == Severity::Note), "{told:?}");
        // The same line in a job whose part reaches it is no purge line, and is judged as the print.
        let again = purge(0.75) + &part(50.0) + "G1 X40 Y20 F6000\nG1 X110 E1 F1200\n";
        assert!(told_of(&again).iter().any(|told| told.0 == "melt-rate-exceeded" && told.2 == 6));
    }

    #[test]
    fn what_a_purge_has_left_does_not_hang_on_where_blocks_end() {
        let job = format!("{START}{}{}M104 S0\nM84\n", purge(0.35), part(50.0));
        let machine = crate::machine::Machine::built_in();
        let told = |chunk_bytes: usize| {
            let options = crate::preflight::RunOptions { chunk_bytes, ..Default::default() };
            let source = crate::preflight::JobSource::stream(job.as_bytes(), "job");
            let report = crate::preflight::Preflight::on(&machine).options(options).run(source).expect("reads");
            report.findings
        };
        assert_eq!(told(1 << 20), told(16));
        // Fans end blocks.
        let cut = job.replace("F6000\n", "F6000\nM106 S0\n");
        assert_eq!(reported(&cut).findings.len(), told(1 << 20).len());
    }

    #[test]
    fn heights_from_0_04_mm_on_are_other_layers() {
        assert!(other_layer(0.2, 0.24) && other_layer(0.24, 0.2));
        assert!(!other_layer(0.2, 0.2399));
    }
}
