//! Planning with a limited jerk: which speed each run of moves may end with, and the course of each move.
//!
//! Moves that go on in nearly the same direction under nearly the same limits form a *run*, which is driven as one move: the
//! acceleration is 0 only at the ends of runs. Controllers that carry an acceleration through corners or from run to run
//! are quicker, much so along curves of short chords that turn further.
//!
//! Two passes over the runs. Backwards, a run may start with what is reached, backwards, from the highest speed at its end;
//! forwards each run ends as fast as it may. More speed at the end need not mean more at the start
//! ([`Bounds::reach_mm_s`]), so the maps of even ramps do not compose here, and a start from which only a slower end could
//! be reached is not taken: it would be paid for with crawling. Brute force finds no quicker way on short chains. A bound
//! is certain as soon as all that may follow gives the same.

mod profile;

use std::collections::VecDeque;
use std::ops::Range;

use profile::{Bounds, grid_down};

use super::derive;
use super::look_ahead::UNLIMITED_MOVES;
use crate::block::{Block, JerkPiece, Ramps, flag, grid};
use crate::machine::{E, LookAhead};
use crate::vectors::columns::smaller;

/// Moves that turn by at most this go on in one run: the cosine of 2°.
const STRAIGHT_ON: f64 = 0.999_390_827_019_095_8;
/// Limits that differ by at most this share count as equal; the least of them holds for the run.
const LIKE: f64 = 0.1;
/// A run has at most this part of the moves that the controller knows ahead, so that it always knows a few runs.
const OF_WINDOW: usize = 4;
/// Most moves in a run.
const RUN_MOST: usize = 64;
/// A controller that knows more moves than this is taken to know a little less at times: then many runs are planned by one
/// look back from the same end, or each would cost a walk through all of them where nothing is certain.
const EACH_BY_ITSELF: usize = 64;
/// By at most this part of what it knows.
const LESS_BY: usize = 8;

/// Moves that are driven as one.
#[derive(Debug, Clone)]
struct Run {
    moves: usize,
    length_mm: f64,
    bounds: Bounds,
    /// Limits of its first move.
    first: Bounds,
    /// Highest speed through the corner before it, mm/s.
    cap_mm_s: f64,
    /// Whether no more moves can join it.
    closed: bool,
    /// Highest speed at its start, once no move behind it can change that, mm/s.
    certain_mm_s: Option<f64>,
    /// Highest speed at its start as of the last look back, mm/s.
    bound_mm_s: f64,
    /// The highest of what earlier ones went by while fewer moves were known, mm/s. To know more may lower what is best here,
    /// but this can still be driven, and the run before may not be able to do with less.
    counted_on_mm_s: f64,
    /// For which end of the window that holds already.
    looked_from: Option<usize>,
}

impl Run {
    fn cap_mm_s(&self) -> f64 {
        self.cap_mm_s.min(self.bounds.feed_mm_s)
    }

    /// Highest speed at its start where its end may have at most `end_mm_s`.
    fn start_mm_s(&self, end_mm_s: f64) -> f64 {
        let (most, end) = (self.cap_mm_s(), end_mm_s.min(self.bounds.feed_mm_s));
        if most <= end || self.bounds.way_mm(most, end) <= self.length_mm {
            return most;
        }
        grid_down(self.bounds.reach_mm_s(end, self.length_mm)).max(end).min(most)
    }

    /// The lowest and highest speed at its start where its end has one from a range.
    fn starts_mm_s(&self, [low, high]: [f64; 2]) -> [f64; 2] {
        let slowest = self.bounds.slowest_start_mm_s(self.length_mm).clamp(low, high);
        let [at_low, at_high] = [low, high].map(|end| self.start_mm_s(end));
        [self.start_mm_s(slowest).min(at_low).min(at_high), at_low.max(at_high)]
    }

    fn close(&mut self) {
        self.closed = true;
        // Often it can slow down within itself to whatever follows.
        let [low, high] = self.starts_mm_s([0.0, f64::INFINITY]);
        if low == high {
            self.certain_mm_s = Some(low);
        }
    }
}

/// How the last move ended.
#[derive(Debug, Clone, Copy)]
struct Ended {
    dir: [f64; 3],
    path: bool,
    feed_mm_s: f64,
}

impl Ended {
    fn of(block: &Block, i: usize) -> Self {
        Self { dir: block.dir_end(i), path: block.flags[i] & flag::PATH != 0, feed_mm_s: block.feed_mm_s[i] }
    }

    /// True where move `i`, with that squared cap at its start, may be driven as one with what ended.
    fn goes_on(&self, block: &Block, i: usize, cap: f64) -> bool {
        let start = [0, 1, 2].map(|axis| block.dir[axis][i]);
        let path = self.path & (block.flags[i] & flag::PATH != 0);
        path & is_straight_on([self.dir, start], [self.feed_mm_s, block.feed_mm_s[i]], cap)
    }
}

/// True where two moves with these directions and speeds and that squared cap between them make no corner.
#[inline(always)]
fn is_straight_on([before, after]: [[f64; 3]; 2], feeds_mm_s: [f64; 2], cap: f64) -> bool {
    let turn = before[0] * after[0] + before[1] * after[1] + before[2] * after[2];
    let least = smaller(feeds_mm_s[0], feeds_mm_s[1]);
    (turn >= STRAIGHT_ON) & (cap >= grid::squared_down(least * least))
}

/// What is asked of each of some moves, move by move.
#[derive(Debug, Clone, Default)]
struct Columns {
    /// The jerk that each may have, mm/s³.
    jerk_mm_s3: Vec<f64>,
    /// Whether each may be driven as one with the one before; not filled for the first.
    goes_on: Vec<bool>,
}

impl Columns {
    fn fill(&mut self, block: &Block, range: Range<usize>, jerk_mm_s3: [f64; 4], caps: &[f64]) {
        if self.jerk_mm_s3.len() < range.len() {
            self.jerk_mm_s3.resize(range.len(), 0.0);
            self.goes_on.resize(range.len(), false);
        }
        block.vectors.run(
            #[inline(always)]
            || self.straight(block, range.clone(), jerk_mm_s3, caps),
        );
        let first = block.curves.partition_point(|bend| bend.at < range.start);
        for bend in block.curves[first..].iter().take_while(|bend| bend.at < range.end) {
            let (i, k) = (bend.at, bend.at - range.start);
            // A curve may go along either axis of its plane somewhere.
            let z = if block.moves_axis(i, 2) { 1.0 } else { 0.0 };
            self.jerk_mm_s3[k] = derive::allowed(&jerk_mm_s3, 1.0, 1.0, z, block.dir[E][i]);
            if k + 1 < range.len() {
                self.goes_on[k + 1] = Ended::of(block, i).goes_on(block, i + 1, caps[k + 1]);
            }
        }
    }

    /// As if all moves were straight.
    #[inline(always)]
    fn straight(&mut self, block: &Block, range: Range<usize>, jerk_mm_s3: [f64; 4], caps: &[f64]) {
        let count = range.len();
        let [x, y, z, e] = block.dir.each_ref().map(|column| &column[range.clone()][..count]);
        let (feed, flags) = (&block.feed_mm_s[range.clone()][..count], &block.flags[range][..count]);
        let (jerk, goes_on, caps) = (&mut self.jerk_mm_s3[..count], &mut self.goes_on[..count], &caps[..count]);
        for k in 0..count {
            jerk[k] = derive::allowed(&jerk_mm_s3, x[k], y[k], z[k], e[k]);
        }
        for k in 1..count {
            let dirs = [[x[k - 1], y[k - 1], z[k - 1]], [x[k], y[k], z[k]]];
            let path = flags[k - 1] & flags[k] & flag::PATH != 0;
            goes_on[k] = path & is_straight_on(dirs, [feed[k - 1], feed[k]], caps[k]);
        }
    }
}

/// The course of a settled move; its pieces are the next so many.
#[derive(Debug, Clone, Copy)]
struct Settled {
    start_mm_s: f64,
    peak_mm_s: f64,
    end_mm_s: f64,
    time_s: f64,
    pieces: usize,
}

/// The look-ahead under a limit of jerk, from one stop to the next.
#[derive(Debug, Clone)]
pub(super) struct JerkLookAhead {
    jerk_mm_s3: [f64; 4],
    window: usize,
    early: bool,
    run_most: usize,
    /// Squared caps of moves that are being added.
    caps: Vec<f64>,
    columns: Columns,
    last: Option<Ended>,
    /// Runs that are not settled, and the lengths of their moves.
    runs: VecDeque<Run>,
    lengths_mm: VecDeque<f64>,
    /// Speed at the start of the first of them, once known.
    entry_mm_s: Option<f64>,
    tried_at: usize,
    /// Moves settled since the last stop.
    passed: usize,
    settled: VecDeque<Settled>,
    /// Their pieces, behind those of moves that were given out.
    pieces: Vec<JerkPiece>,
    pieces_given: usize,
    whole: Vec<JerkPiece>,
}

impl JerkLookAhead {
    pub(super) fn new(look_ahead: LookAhead, jerk_mm_s3: [f64; 4]) -> Self {
        let (window, early) = match look_ahead {
            LookAhead::Moves(count) => (count.max(1) as usize, false),
            LookAhead::Unlimited => (UNLIMITED_MOVES, true),
        };
        Self {
            jerk_mm_s3,
            window,
            early,
            run_most: (window / OF_WINDOW).clamp(1, RUN_MOST),
            caps: Vec::new(),
            columns: Columns::default(),
            last: None,
            runs: VecDeque::new(),
            lengths_mm: VecDeque::new(),
            entry_mm_s: None,
            tried_at: 0,
            passed: 0,
            settled: VecDeque::new(),
            pieces: Vec::new(),
            pieces_given: 0,
            whole: Vec::new(),
        }
    }

    /// Room for the squared caps at the starts of so many moves.
    pub(super) fn add(&mut self, count: usize) -> &mut [f64] {
        self.caps.clear();
        self.caps.resize(count, 0.0);
        &mut self.caps
    }

    /// Takes the moves for whose caps there was room last.
    pub(super) fn take(&mut self, block: &Block, range: Range<usize>) {
        let mut columns = std::mem::take(&mut self.columns);
        columns.fill(block, range.clone(), self.jerk_mm_s3, &self.caps);
        columns.goes_on[0] = self.last.is_some_and(|last| last.goes_on(block, range.start, self.caps[0]));
        self.lengths_mm.extend(&block.length_mm[range.clone()]);
        for (k, i) in range.clone().enumerate() {
            let bounds = Bounds {
                feed_mm_s: block.feed_mm_s[i],
                accel_mm_s2: block.accel_mm_s2[i],
                jerk_mm_s3: columns.jerk_mm_s3[k],
            };
            self.push(bounds, block.length_mm[i], self.caps[k], columns.goes_on[k]);
        }
        self.last = Some(Ended::of(block, range.end - 1));
        self.columns = columns;
    }

    fn push(&mut self, bounds: Bounds, length_mm: f64, cap: f64, goes_on: bool) {
        if let Some(run) = self.runs.back_mut().filter(|run| !run.closed) {
            if goes_on && run.moves < self.run_most && alike(run.first, bounds) {
                run.moves += 1;
                run.length_mm += length_mm;
                run.bounds = least(run.bounds, bounds);
                return;
            }
            run.close();
        }
        let cap_mm_s = cap.sqrt();
        self.runs.push_back(Run {
            moves: 1,
            length_mm,
            bounds,
            first: bounds,
            cap_mm_s,
            closed: false,
            certain_mm_s: None,
            bound_mm_s: 0.0,
            counted_on_mm_s: 0.0,
            looked_from: None,
        });
    }

    /// How many settled moves wait to be given out.
    pub(super) fn settled(&self) -> usize {
        self.settled.len()
    }

    /// How many moves are known when the first run starts, itself included. It hangs on how many there were since the stop
    /// alone, or blocks would show.
    fn known_most(&self) -> usize {
        let step = if self.window > EACH_BY_ITSELF { self.window / LESS_BY } else { 1 };
        self.window - self.passed % step
    }

    /// Settles what can be settled while more moves may follow; which moves are settled when changes no number.
    pub(super) fn settle(&mut self) {
        // A move behind the window shows that no stop is next.
        while self.lengths_mm.len() > self.known_most() {
            self.settle_run(None);
        }
        if self.early && self.lengths_mm.len() >= 2 * self.tried_at + self.run_most {
            // From one certain run to the next.
            loop {
                let (last, before) = (self.last_known(false), self.settled.len());
                self.look_back(last, None, None);
                while self.runs.get(1).is_some_and(|next| next.certain_mm_s.is_some()) {
                    self.settle_run(None);
                }
                if self.settled.len() == before {
                    break;
                }
            }
            self.tried_at = self.lengths_mm.len();
        }
    }

    /// Settles all moves: the last one ends at a stop with at most the squared speed `rest`.
    pub(super) fn stop(&mut self, rest: f64) {
        if let Some(run) = self.runs.back_mut() {
            run.close();
        }
        while !self.runs.is_empty() {
            self.settle_run(Some(rest.sqrt()));
        }
        (self.last, self.entry_mm_s, self.tried_at, self.passed) = (None, None, 0, 0);
    }

    /// Goes back from a run that is known to end with at most `end_mm_s`, or behind which nothing is known, so that it must
    /// be able to stop; the highest speed at the start of the second run. `counts_from` is the end of the window where runs
    /// are planned by it.
    fn look_back(&mut self, last: usize, end_mm_s: Option<f64>, counts_from: Option<usize>) -> f64 {
        let mut bound = end_mm_s.unwrap_or(0.0);
        let mut range = [bound, end_mm_s.unwrap_or(f64::INFINITY)];
        for k in (1..=last).rev() {
            let run = &mut self.runs[k];
            if let Some(certain) = run.certain_mm_s {
                (bound, range) = (certain, [certain; 2]);
            } else {
                bound = run.start_mm_s(bound);
                range = if range[0] == range[1] { [bound; 2] } else { run.starts_mm_s(range) };
                if range[0] == range[1] {
                    run.certain_mm_s = Some(bound);
                }
            }
            run.bound_mm_s = bound;
        }
        let Some(end) = counts_from else { return bound };
        // Behind a certain start nothing is counted on.
        for run in self.runs.range_mut(1..=last) {
            run.counted_on_mm_s = run.counted_on_mm_s.max(run.bound_mm_s);
            run.looked_from = Some(end);
            if run.certain_mm_s.is_some() {
                break;
            }
        }
        self.runs.get(1).map_or(bound, |run| run.counted_on_mm_s.max(bound))
    }

    /// The last run that is known as a whole when the first one starts, or the next one whose start is certain.
    fn last_known(&self, is_stop: bool) -> usize {
        let window = self.known_most();
        let (mut known, mut last) = (0, 0);
        for (k, run) in self.runs.iter().enumerate() {
            known += run.moves;
            // That a run ends is seen by what follows it, or by its length.
            let is_seen = known < window || run.moves == self.run_most;
            let stops = is_stop && k + 1 == self.runs.len();
            if !run.closed || known > window || !(is_seen || stops) {
                break;
            }
            last = k;
            if k > 0 && run.certain_mm_s.is_some() {
                break;
            }
        }
        last
    }

    /// The highest speed between the first run and the second. The controller knows the moves of its window, of which it
    /// takes whole runs, or all up to the stop, where it may still have the speed `rest_mm_s`.
    fn exit_mm_s(&mut self, rest_mm_s: Option<f64>) -> f64 {
        let window = self.known_most();
        let end = self.passed + window;
        if let Some(next) = self.runs.get(1).filter(|next| next.looked_from == Some(end)) {
            return next.counted_on_mm_s;
        }
        let last = self.last_known(rest_mm_s.is_some());
        if last == 0 {
            // The run alone: behind it is the stop, or nothing that is known.
            return rest_mm_s.filter(|_| self.runs.len() == 1).unwrap_or(0.0);
        }
        let rest_mm_s = rest_mm_s.filter(|_| last + 1 == self.runs.len());
        self.look_back(last, rest_mm_s, Some(end))
    }

    /// Plans the first run.
    fn settle_run(&mut self, rest_mm_s: Option<f64>) {
        let exit = self.exit_mm_s(rest_mm_s);
        let Some(run) = self.runs.pop_front() else { return };
        let start = self.entry_mm_s.unwrap_or_else(|| run.start_mm_s(exit));
        let end = run.bounds.end_mm_s(start, exit.min(run.bounds.feed_mm_s), run.length_mm);
        self.entry_mm_s = Some(end);
        self.passed += run.moves;
        let ends = [start, end];
        if run.moves == 1 {
            return self.take_whole(&run, ends);
        }
        self.whole.clear();
        let whole = &mut self.whole;
        run.bounds.course(ends, run.length_mm, |piece| whole.push(piece));
        self.cut(run.moves, ends);
    }

    /// The course of a run of one move is that of the move.
    fn take_whole(&mut self, run: &Run, [start, end]: [f64; 2]) {
        let mut done = Settled { start_mm_s: start, peak_mm_s: start, end_mm_s: end, time_s: 0.0, pieces: 0 };
        let pieces = &mut self.pieces;
        run.bounds.course([start, end], run.length_mm, |piece| {
            (done.time_s, done.pieces) = (done.time_s + piece.seconds, done.pieces + 1);
            done.peak_mm_s = done.peak_mm_s.max(piece.start_mm_s()).max(piece.end_mm_s());
            pieces.push(piece);
        });
        self.lengths_mm.pop_front();
        self.settled.push_back(done);
    }

    /// Cuts the course of a run at the ends of its moves.
    fn cut(&mut self, moves: usize, [start, end]: [f64; 2]) {
        // Rounded times change the length in the last digits.
        let lengths: f64 = self.lengths_mm.range(..moves).sum();
        let scale = self.whole.iter().map(JerkPiece::length_mm).sum::<f64>() / lengths;
        let (mut at, mut from_s, mut goal_mm, mut before_mm) = (0, 0.0, 0.0, 0.0);
        let length_of = |whole: &[JerkPiece], at: usize| whole.get(at).map_or(0.0, JerkPiece::length_mm);
        let mut length_mm = length_of(&self.whole, at);
        let mut speed = start;
        for n in 0..moves {
            goal_mm += self.lengths_mm.pop_front().unwrap_or(0.0) * scale;
            let is_last = n + 1 == moves;
            let mut done = Settled { start_mm_s: speed, peak_mm_s: speed, end_mm_s: end, time_s: 0.0, pieces: 0 };
            while let Some(piece) = self.whole.get(at) {
                let ends_here = is_last || before_mm + length_mm <= goal_mm;
                let to_s = match ends_here {
                    true => piece.seconds,
                    false => grid::time(piece.share_at_way((goal_mm - before_mm).max(0.0)) * piece.seconds),
                };
                if to_s > from_s {
                    let part = match (from_s, ends_here) {
                        (0.0, true) => *piece,
                        _ => piece.part([from_s / piece.seconds, to_s / piece.seconds], to_s - from_s),
                    };
                    (done.time_s, done.pieces) = (done.time_s + part.seconds, done.pieces + 1);
                    speed = part.end_mm_s();
                    done.peak_mm_s = done.peak_mm_s.max(part.start_mm_s()).max(speed);
                    self.pieces.push(part);
                }
                if !ends_here {
                    from_s = to_s.max(from_s);
                    break;
                }
                (at, from_s, before_mm) = (at + 1, 0.0, before_mm + length_mm);
                if !is_last {
                    length_mm = length_of(&self.whole, at);
                }
            }
            done.end_mm_s = if is_last { end } else { speed };
            self.settled.push_back(done);
        }
    }

    /// Fills speeds and times of a block with the first settled moves.
    pub(super) fn fill(&mut self, block: &mut Block) {
        let mut list = block.spare_ramps();
        let count = block.len().min(self.settled.len());
        let from = self.pieces_given;
        for (i, done) in self.settled.drain(..count).enumerate() {
            self.pieces_given += done.pieces;
            list.end_behind(self.pieces_given - from);
            block.v_start_mm_s[i] = done.start_mm_s;
            block.v_peak_mm_s[i] = done.peak_mm_s;
            block.v_end_mm_s[i] = done.end_mm_s;
            (block.t_up_s[i], block.t_cruise_s[i], block.t_down_s[i]) = (0.0, done.time_s, 0.0);
            block.time_s[i] = done.time_s;
        }
        list.take(&self.pieces[from..self.pieces_given]);
        // The rest moves up once there is less of it than was given.
        if self.pieces_given > self.pieces.len() / 2 {
            self.pieces.drain(..self.pieces_given);
            self.pieces_given = 0;
        }
        block.go_along(Ramps::Listed(list));
    }
}

fn alike(a: Bounds, b: Bounds) -> bool {
    let near = |a: f64, b: f64| (a - b).abs() <= LIKE * a;
    near(a.feed_mm_s, b.feed_mm_s) && near(a.accel_mm_s2, b.accel_mm_s2) && near(a.jerk_mm_s3, b.jerk_mm_s3)
}

fn least(a: Bounds, b: Bounds) -> Bounds {
    Bounds {
        feed_mm_s: a.feed_mm_s.min(b.feed_mm_s),
        accel_mm_s2: a.accel_mm_s2.min(b.accel_mm_s2),
        jerk_mm_s3: a.jerk_mm_s3.min(b.jerk_mm_s3),
    }
}

#[cfg(test)]
mod tests;
