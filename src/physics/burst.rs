//! Bursts: the mean melt rate over a sliding window of [`BURST_WINDOWS`] melt windows.
//!
//! The melt zone takes up what comes at once for a moment and no longer; a hotend shows in such bursts what it can reach
//! briefly. With V the volume pushed, the mean over w is M(t) = (V(t) − V(t − w)) / w. Melt rates are linear in time on
//! each piece of a move, so between two ends of pieces M is a parabola: largest at an end, or where the rate now falls
//! through the rate a window ago. Volumes are kept as whole multiples of 2⁻⁴⁰ mm³ and times of 2⁻³² s: sums of them are
//! exact, so no number depends on where blocks end.
//!
//! A move is looked at only where some rate in its window is above the largest mean so far or above the capacity: a mean
//! is never above the largest rate in its window. The largest mean is therefore known to a millionth ([`FINER`]). Where the
//! window holds so little that even the largest rate could not fill it for a while, the parts of that while are passed over.

use std::ops::Range;

use super::melt::each_rate;
use crate::block::{
    BLOCK, Block,
    grid::{Sum, time_units},
};
use crate::vectors::columns::{self, WHOLE_BELOW, larger, smaller, whole};

/// Melt windows that a burst lasts; the trial of bursts prints as long ones. Common practice, no source.
pub const BURST_WINDOWS: f64 = 0.3;
/// Pieces a window may hold; where there are more, the earlier ones count as no flow.
const PARTS_MOST: usize = 4096;
/// A mean counts as larger than another from so much more on.
pub const FINER: f64 = 1e-6;
/// Room for rounding of volumes, as a share.
const ROUNDING: f64 = 1e-9;
/// Volumes are kept in multiples of 2⁻⁴⁰ mm³.
const VOLUME_ONE: f64 = (1u64 << 40) as f64;

/// In multiples of 2⁻⁴⁰ mm³.
#[inline(always)]
fn volume(mm3: f64) -> i64 {
    let units = mm3 * VOLUME_ONE;
    if units < WHOLE_BELOW { whole(units) } else { units.round_ties_even() as i64 }
}

/// Times over which the melt rate goes evenly from one value to another, one behind another: a column each. Columns may be
/// longer: what is behind the last part is old.
#[derive(Debug, Clone, Default)]
struct Parts {
    count: usize,
    /// 2⁻³² s, above 0.
    ticks: Vec<i64>,
    /// 2⁻⁴⁰ mm³.
    volumes: Vec<i64>,
    /// mm³/s.
    start_mm3_s: Vec<f64>,
    end_mm3_s: Vec<f64>,
}

/// One of them.
#[derive(Debug, Clone, Copy)]
struct Part {
    ticks: i64,
    volume: i64,
    start_mm3_s: f64,
    end_mm3_s: f64,
}

impl Part {
    /// Rate and volume pushed so long after its start.
    #[inline(always)]
    fn after(&self, ticks: i64) -> (f64, i64) {
        if ticks == self.ticks {
            return (self.end_mm3_s, self.volume);
        }
        if ticks <= 0 {
            return (self.start_mm3_s, 0);
        }
        let share = ticks as f64 / self.ticks as f64;
        let rate = self.start_mm3_s + (self.end_mm3_s - self.start_mm3_s) * share;
        (rate, volume((self.start_mm3_s + rate) / 2.0 * (ticks as f64 / Sum::ONE)))
    }
}

/// Pieces of a move with even ramps.
const PIECES: usize = 3;

impl Parts {
    #[inline(always)]
    fn at(&self, at: usize) -> Part {
        let (start_mm3_s, end_mm3_s) = (self.start_mm3_s[at], self.end_mm3_s[at]);
        Part { ticks: self.ticks[at], volume: self.volumes[at], start_mm3_s, end_mm3_s }
    }

    /// The columns of so many parts behind those that it has.
    fn room(&mut self, more: usize) -> ([&mut [i64]; 2], [&mut [f64]; 2]) {
        let Self { count, ticks, volumes, start_mm3_s, end_mm3_s } = self;
        let (from, until) = (*count, *count + more);
        if ticks.len() < until {
            for column in [&mut *ticks, volumes] {
                column.resize(until, 0);
            }
            for column in [&mut *start_mm3_s, end_mm3_s] {
                column.resize(until, 0.0);
            }
        }
        (
            [ticks, volumes].map(|column| &mut column[from..until]),
            [start_mm3_s, end_mm3_s].map(|column| &mut column[from..until]),
        )
    }

    fn push(&mut self, rates_mm3_s: [f64; 2], seconds: f64) {
        let ([ticks, volumes], [start, end]) = self.room(1);
        (ticks[0], volumes[0]) = sizes(rates_mm3_s, seconds);
        [start[0], end[0]] = rates_mm3_s;
        // The next one takes the place of one without time.
        let takes_time = ticks[0] > 0;
        self.count += usize::from(takes_time);
    }

    /// The highest rate from a part on, mm³/s.
    fn most_mm3_s(&self, from: usize) -> f64 {
        let [start, end] = [&self.start_mm3_s, &self.end_mm3_s].map(|column| &column[from..self.count]);
        columns::most(start, columns::most(end, 0.0))
    }

    /// Drops the first so many.
    fn drop_first(&mut self, count: usize) {
        let kept = count..self.count;
        self.count = kept.len();
        if count == 0 {
            return;
        }
        for column in [&mut self.ticks, &mut self.volumes] {
            column.copy_within(kept.clone(), 0);
        }
        for column in [&mut self.start_mm3_s, &mut self.end_mm3_s] {
            column.copy_within(kept.clone(), 0);
        }
    }

    /// Takes those of others behind its own.
    fn extend(&mut self, others: &Self) {
        let count = others.count;
        let ([ticks, volumes], [start, end]) = self.room(count);
        ticks.copy_from_slice(&others.ticks[..count]);
        volumes.copy_from_slice(&others.volumes[..count]);
        start.copy_from_slice(&others.start_mm3_s[..count]);
        end.copy_from_slice(&others.end_mm3_s[..count]);
        self.count += count;
    }

    /// Takes those of moves of a block behind its own; calls `ended` with where those of each move end.
    fn follow(&mut self, block: &Block, area_mm2: f64, moves: Range<usize>, mut ended: impl FnMut(usize)) {
        let mut from = moves.start;
        for &(at, _) in block.purges.iter().filter(|(at, _)| moves.contains(at)) {
            self.follow_path(block, from..at, &mut ended);
            each_rate(block, at, area_mm2, |start, end, seconds| self.push([start, end], seconds));
            ended(self.count);
            from = at + 1;
        }
        self.follow_path(block, from..moves.end, &mut ended);
    }

    /// The same where nothing is purged.
    fn follow_path(&mut self, block: &Block, moves: Range<usize>, ended: impl FnMut(usize)) {
        if block.is_even() {
            self.follow_pieces(block, moves, ended);
        } else if !moves.is_empty() {
            self.follow_chords(block, moves, ended);
        }
    }

    fn follow_pieces(&mut self, block: &Block, moves: Range<usize>, mut ended: impl FnMut(usize)) {
        let from = self.count;
        let ([ticks, volumes], [start, end]) = self.room(PIECES * moves.len());
        let mut count = 0;
        for i in moves {
            let section = block.section_mm2[i];
            for piece in block.pieces(i).into_iter().filter(|piece| piece.seconds > 0.0) {
                let rates = [section * piece.start_mm_s, section * piece.end_mm_s];
                [start[count], end[count]] = rates;
                (ticks[count], volumes[count]) = sizes(rates, piece.seconds);
                count += usize::from(ticks[count] > 0);
            }
            ended(from + count);
        }
        self.count += count;
    }

    fn follow_chords(&mut self, block: &Block, moves: Range<usize>, mut ended: impl FnMut(usize)) {
        let (from, rates) = (self.count, &block.chord_rates);
        let chords = block.chords.range(moves.start).start..block.chords.range(moves.end - 1).end;
        moves.for_each(|i| ended(from + block.chords.range(i).end - chords.start));
        let count = chords.len();
        let ([ticks, volumes], [start, end]) = self.room(count);
        let is_beyond = block.vectors.run(
            #[inline(always)]
            || {
                let pieces = &block.chords.all()[chords.clone()][..count];
                let (q0, q1) = (&rates.start_mm3_s[chords.clone()][..count], &rates.end_mm3_s[chords.clone()][..count]);
                let (ticks, volumes) = (&mut ticks[..count], &mut volumes[..count]);
                let (start, end) = (&mut start[..count], &mut end[..count]);
                let mut beyond = 0;
                for c in 0..count {
                    let seconds = pieces[c].seconds;
                    let units = (q0[c] + q1[c]) / 2.0 * seconds * VOLUME_ONE;
                    beyond |= u64::from(units >= WHOLE_BELOW);
                    (start[c], end[c]) = (q0[c], q1[c]);
                    (ticks[c], volumes[c]) = (time_units(seconds) as i64, whole(units));
                }
                beyond > 0
            },
        );
        if is_beyond {
            for (c, piece) in block.chords.all()[chords].iter().enumerate() {
                volumes[c] = sizes([start[c], end[c]], piece.seconds).1;
            }
        }
        self.count += count;
    }
}

/// How long a part takes, 2⁻³² s, and what it pushes, 2⁻⁴⁰ mm³.
#[inline(always)]
fn sizes([start_mm3_s, end_mm3_s]: [f64; 2], seconds: f64) -> (i64, i64) {
    (time_units(seconds) as i64, volume((start_mm3_s + end_mm3_s) / 2.0 * seconds))
}

/// Parts and what came before each of them, all exact.
#[derive(Debug, Clone, Default)]
struct Placed {
    parts: Parts,
    /// Where those of each move end.
    ends: Vec<usize>,
    /// Time before each of them, 2⁻³² s, and that of all.
    until: Vec<i64>,
    /// Volume likewise, 2⁻⁴⁰ mm³.
    pushed: Vec<i128>,
}

impl Placed {
    fn clear(&mut self) {
        self.parts.count = 0;
        self.ends.clear();
    }

    fn place(&mut self) {
        let Self { parts, until, pushed, .. } = self;
        until.clear();
        pushed.clear();
        let (mut time, mut volume) = (0i64, 0i128);
        until.push(time);
        until.extend(parts.ticks[..parts.count].iter().map(|ticks| {
            time = time.saturating_add(*ticks);
            time
        }));
        pushed.push(volume);
        pushed.extend(parts.volumes[..parts.count].iter().map(|of_part| {
            volume += i128::from(*of_part);
            volume
        }));
    }
}

/// The bursts of one tool.
#[derive(Debug, Clone)]
pub struct Burst {
    window: i64,
    capacity_mm3_s: f64,
    /// The largest mean so far.
    most_mm3_s: f64,
    /// What came last: at least a window of it, or [`PARTS_MOST`] parts.
    tail: Parts,
    /// How many that were when all else was dropped last.
    kept: usize,
    /// The parts looked at; kept for the next block.
    placed: Placed,
}

impl Burst {
    /// Nothing pushed yet. `capacity_mm3_s` is what means are held against.
    pub fn new(melt_window_s: f64, capacity_mm3_s: Option<f64>) -> Self {
        Self {
            window: (time_units(BURST_WINDOWS * melt_window_s) as i64).max(1),
            capacity_mm3_s: capacity_mm3_s.unwrap_or(f64::INFINITY),
            most_mm3_s: 0.0,
            tail: Parts::default(),
            kept: 0,
            placed: Placed::default(),
        }
    }

    /// What means are held against from now on, where that hangs on the temperature, mm³/s.
    pub fn hold_against(&mut self, capacity_mm3_s: Option<f64>) {
        self.capacity_mm3_s = capacity_mm3_s.unwrap_or(f64::INFINITY);
    }

    /// Lets time go by without flow.
    pub fn rest(&mut self, seconds: f64) {
        // Longer than a window makes no difference, and stays within whole numbers.
        let seconds = seconds.min(2.0 * self.window as f64 / Sum::ONE);
        self.tail.push([0.0; 2], seconds);
        // More than a window of it does no harm, and many rests may follow one another.
        if self.tail.count > 2 * self.kept + BLOCK {
            self.trim();
        }
    }

    /// From this rate on a move may matter.
    fn matters_from(&self) -> f64 {
        smaller(self.most_mm3_s * (1.0 + FINER), self.capacity_mm3_s * (1.0 + ROUNDING)) / (1.0 + ROUNDING)
    }

    /// Fills the means of a block whose moves push `section_mm2` each, or filament alone (`purges`, whose first part only
    /// fills the nozzle again).
    pub fn follow(&mut self, block: &mut Block, area_mm2: f64) {
        let count = block.len();
        let mut most = block.vectors.run(
            #[inline(always)]
            || columns::most(&block.peak_mm3_s[..count], 0.0),
        );
        for &(at, _) in &block.purges {
            most = most.max(area_mm2 * block.v_peak_mm_s[at]);
        }
        let before = self.tail.most_mm3_s(0);
        block.burst_most_mm3_s = 0.0;
        if most.max(before) > self.matters_from() {
            block.burst_mm3_s[..count].fill(0.0);
            self.look(block, area_mm2, before > self.matters_from());
        }
        self.renew_tail(block, area_mm2);
    }

    /// Looks at each stretch of moves of which one matters, or came less than a window after one that does.
    fn look(&mut self, block: &mut Block, area_mm2: f64, tail_matters: bool) {
        let count = block.len();
        let mut rates = block.peak_mm3_s;
        for &(at, _) in &block.purges {
            rates[at] = area_mm2 * block.v_peak_mm_s[at];
        }
        let (mut from, mut matters) = (0, tail_matters);
        loop {
            let least = self.matters_from();
            if !matters {
                let Some(ahead) = rates[from..count].iter().position(|rate| *rate > least) else { return };
                from += ahead;
            }
            let (mut until, mut since_s) = (from, 0.0);
            while until < count && (rates[until] > least || since_s < self.surely_s()) {
                since_s = if rates[until] > least { 0.0 } else { since_s + block.time_s[until] };
                until += 1;
            }
            self.look_at(block, area_mm2, from..until);
            (from, matters) = (until, false);
        }
    }

    /// At least a window, though each piece of a block may lose half a tick when it is rounded.
    fn surely_s(&self) -> f64 {
        (self.window + 8 * BLOCK as i64) as f64 / Sum::ONE
    }

    /// The moves of a block that surely hold the window before move `until`, and whether they do.
    fn window_before(&self, block: &Block, until: usize) -> (usize, bool) {
        let (mut first, mut seconds) = (until, 0.0);
        while first > 0 && seconds < self.surely_s() {
            first -= 1;
            seconds += block.time_s[first];
        }
        (first, seconds >= self.surely_s())
    }

    fn look_at(&mut self, block: &mut Block, area_mm2: f64, moves: Range<usize>) {
        let (first, is_whole) = self.window_before(block, moves.start);
        let mut placed = std::mem::take(&mut self.placed);
        let Placed { parts, ends, .. } = &mut placed;
        if !is_whole {
            // Before all that is known nothing flowed.
            parts.push([0.0; 2], self.window as f64 / Sum::ONE);
            parts.extend(&self.tail);
        }
        parts.follow(block, area_mm2, first..moves.start, |_| ());
        let from = parts.count;
        parts.follow(block, area_mm2, moves.clone(), |end| ends.push(end));
        placed.place();
        self.look_along(block, &placed, from, moves);
        placed.clear();
        self.placed = placed;
    }

    /// Looks at the parts of moves from part `from` on.
    fn look_along(&mut self, block: &mut Block, placed: &Placed, from: usize, moves: Range<usize>) {
        let Placed { parts, ends, until, pushed } = placed;
        let count = parts.count;
        let (start_mm3_s, end_mm3_s) = (&parts.start_mm3_s[..count], &parts.end_mm3_s[..count]);
        let (until, pushed) = (&until[..=count], &pushed[..=count]);
        let is_hot = |h: usize, least: f64| larger(start_mm3_s[h], end_mm3_s[h]) > least;
        let fastest_mm3_s = parts.most_mm3_s(from);
        let mut matters_from = self.matters_from();
        let mut enough = self.surely_below(matters_from);
        // The part in which the window starts, that in which it ends, the end of the last one so far that may matter, and up
        // to when the window surely holds no more than is enough.
        let (mut first, mut next, mut hot_until, mut below_until) = (0, 0, i64::MIN, until[from]);
        loop {
            // Parts that end by then are passed over.
            let passed = next;
            next += until[next + 1..].iter().take_while(|until| **until <= below_until).count();
            if let Some(hot) = (passed..next).rev().find(|&h| is_hot(h, matters_from)) {
                hot_until = until[hot + 1];
            }
            if next == count {
                return;
            }
            let at = next;
            next += 1;
            if is_hot(at, matters_from) {
                hot_until = until[next];
            }
            let opens = until[at] - self.window;
            if hot_until <= opens {
                continue;
            }
            // Bounded in parts, too.
            first = first.max(at.saturating_sub(PARTS_MOST));
            first += until[first + 1..].iter().take_while(|until| **until <= opens).count();
            let held = pushed[next] - pushed[first];
            if held <= enough {
                below_until = until[next].saturating_add(self.ticks_to_push(enough - held, fastest_mm3_s, count));
                continue;
            }
            let mean = self.largest(placed, at, first, matters_from);
            if mean <= matters_from {
                continue;
            }
            let i = moves.start + ends.partition_point(|end| *end <= at);
            let block_mean = &mut block.burst_mm3_s[i];
            *block_mean = larger(mean, *block_mean);
            block.burst_most_mm3_s = larger(mean, block.burst_most_mm3_s);
            if *block_mean > self.most_mm3_s * (1.0 + FINER) {
                self.most_mm3_s = *block_mean;
                matters_from = self.matters_from();
                enough = self.surely_below(matters_from);
            }
        }
    }

    /// At least how long `count` parts take to push so much, 2⁻³² s.
    fn ticks_to_push(&self, volume: i128, fastest_mm3_s: f64, count: usize) -> i64 {
        // In whole numbers of either unit each part may push half a unit more than rate times time.
        let room = count as f64;
        let seconds = (within_range(volume) as f64 - room) / VOLUME_ONE / fastest_mm3_s * (1.0 - ROUNDING);
        // Where nothing flows that is no number.
        let seconds = if fastest_mm3_s > 0.0 { smaller(seconds, self.window_s()) } else { self.window_s() };
        (seconds * Sum::ONE - room) as i64
    }

    /// A window that holds no more than this has a mean below that, mm³/s; 2⁻⁴⁰ mm³.
    fn surely_below(&self, mm3_s: f64) -> i128 {
        (mm3_s * self.window_s() * VOLUME_ONE * (1.0 - ROUNDING)) as i128
    }

    fn window_s(&self) -> f64 {
        self.window as f64 / Sum::ONE
    }

    /// The largest mean while the end of the window goes through part `h`, where its start does from part `first` on; less
    /// where that is surely no more than what matters.
    fn largest(&self, placed: &Placed, h: usize, first: usize, matters_from_mm3_s: f64) -> f64 {
        let Placed { parts, until, pushed, .. } = placed;
        let mean = |units: i64| units as f64 / VOLUME_ONE / self.window_s();
        let (head, opens) = (parts.at(h), until[h] - self.window);
        let mut tail = parts.at(first);
        let (mut head_rate, (mut tail_rate, left)) = (head.start_mm3_s, tail.after(opens - until[first]));
        let start = within_range(pushed[h] - pushed[first] - i128::from(left));
        // No mean during the part is above this; near the largest one, as parts are short against the window.
        if mean(start.saturating_add(head.volume)) <= matters_from_mm3_s {
            return 0.0;
        }
        let (mut p, mut from, mut now) = (first, 0, start);
        let mut most = mean(start);
        loop {
            // Until the tail has left or the head is in.
            let to = until[p + 1].saturating_sub(opens).min(head.ticks);
            let gain = head_rate - tail_rate;
            let (rate, ahead) = head.after(to);
            let (end_rate, gone) = tail.after(opens + to - until[p]);
            let next = within_range(pushed[h] - pushed[p] + i128::from(ahead) - i128::from(gone));
            most = larger(mean(next), most);
            if gain > 0.0 && rate < end_rate {
                let crest_s = (to - from) as f64 / Sum::ONE * (gain / (gain - (rate - end_rate)));
                most = larger(mean(now) + gain * crest_s / 2.0 / self.window_s(), most);
            }
            // The tail is never behind the head, but where absurd times have no sum.
            if to == head.ticks || p == h {
                return most;
            }
            (p, from, now, head_rate) = (p + 1, to, next, rate);
            tail = parts.at(p);
            tail_rate = tail.start_mm3_s;
        }
    }

    /// Keeps the last window of what a block pushes.
    fn renew_tail(&mut self, block: &Block, area_mm2: f64) {
        let (first, is_whole) = self.window_before(block, block.len());
        if is_whole {
            self.tail.count = 0;
        }
        self.tail.follow(block, area_mm2, first..block.len(), |_| ());
        self.trim();
    }

    /// Drops what is older than a window.
    fn trim(&mut self) {
        let (mut ticks, count) = (0i64, self.tail.count);
        let mut keep = count;
        while keep > 0 && ticks < self.window && count - keep < PARTS_MOST {
            keep -= 1;
            ticks = ticks.saturating_add(self.tail.ticks[keep]);
        }
        self.tail.drop_first(keep);
        self.kept = self.tail.count;
    }
}

/// What absurd sheets bring beyond the range stops at its ends.
#[inline(always)]
fn within_range(volume: i128) -> i64 {
    i64::try_from(volume).unwrap_or(if volume < 0 { i64::MIN } else { i64::MAX })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::block::{BLOCK, Ramps, flag, grid};
    use crate::machine::E;
    use crate::vectors::columns::without_pattern;

    const AREA_MM2: f64 = 2.4;

    /// Moves as (melt rate at the start, at the peak, at the end, seconds of each phase).
    fn block_of(moves: &[([f64; 3], [f64; 3])]) -> Block {
        let mut block = Block::default();
        for (rates, seconds) in moves {
            let i = block.add();
            block.flags[i] = flag::PATH;
            block.section_mm2[i] = 0.1;
            block.dir[E][i] = 0.1 / AREA_MM2;
            let [start, peak, end] = rates.map(|rate| rate / 0.1);
            (block.v_start_mm_s[i], block.v_peak_mm_s[i], block.v_end_mm_s[i]) = (start, peak, end);
            (block.t_up_s[i], block.t_cruise_s[i], block.t_down_s[i]) = (seconds[0], seconds[1], seconds[2]);
            block.time_s[i] = seconds.iter().sum();
            block.peak_mm3_s[i] = rates[1];
        }
        block
    }

    /// The mean by sums over small steps, its largest value during each move.
    fn stepped(moves: &[([f64; 3], [f64; 3])], window_s: f64) -> Vec<f64> {
        const STEP_S: f64 = 1e-4;
        let (mut rates, mut of_move) = (Vec::new(), Vec::new());
        for (i, (rates_of, seconds)) in moves.iter().enumerate() {
            let ends = [[rates_of[0], rates_of[1]], [rates_of[1]; 2], [rates_of[1], rates_of[2]]];
            for ([a, b], s) in ends.into_iter().zip(seconds) {
                let steps = (s / STEP_S).round() as usize;
                for k in 0..steps {
                    rates.push(a + (b - a) * (k as f64 + 0.5) / steps as f64);
                    of_move.push(i);
                }
            }
        }
        let window = (window_s / STEP_S).round() as usize;
        let mut most = vec![0.0f64; moves.len()];
        let mut sum = 0.0;
        for k in 0..rates.len() {
            sum += rates[k] - if k >= window { rates[k - window] } else { 0.0 };
            most[of_move[k]] = most[of_move[k]].max(sum * STEP_S / window_s);
        }
        most
    }

    /// Its ramps as quintics.
    fn along_chords(block: &mut Block) {
        block.go_along(Ramps::Quintic);
        block.chord_rates.fill(&block.chords, &block.section_mm2[..block.len()]);
    }

    /// Looking at all moves finds the same largest mean as passing over those that cannot have it.
    #[test]
    fn what_is_passed_over_has_no_larger_mean() {
        for seed in 0..40 {
            let most = |capacity, is_even: bool| {
                let mut burst = Burst::new(0.5, capacity);
                for moves in random_moves(seed, 3 * BLOCK).chunks(BLOCK) {
                    let mut block = block_of(moves);
                    if !is_even {
                        along_chords(&mut block);
                    }
                    burst.follow(&mut block, AREA_MM2);
                }
                burst.most_mm3_s
            };
            for is_even in [true, false] {
                let [all, passing] = [Some(0.0), None].map(|capacity| most(capacity, is_even));
                assert!((all / passing - 1.0).abs() <= FINER && all > 1.0, "{seed}: {all} {passing}");
            }
        }
    }

    fn random_moves(seed: u64, count: usize) -> Vec<([f64; 3], [f64; 3])> {
        let mut bits = without_pattern(seed);
        let mut random = || (bits() >> 11) as f64 / (1u64 << 53) as f64;
        let one = |_| {
            let peak = 20.0 * random();
            let mut time = || grid::time((random() * 500.0).round() * 1e-4);
            let times = [time(), time(), time()];
            ([peak * random(), peak, peak * random()], times)
        };
        (0..count).map(one).collect()
    }

    #[test]
    fn means_are_those_of_small_steps() {
        let moves = random_moves(5, 200);
        let expected = stepped(&moves, 0.3);
        let mut block = block_of(&moves);
        // No capacity at all: every move is looked at.
        Burst::new(1.0, Some(0.0)).follow(&mut block, AREA_MM2);
        for (i, expected) in expected.iter().enumerate() {
            let mean = block.burst_mm3_s[i];
            // At most a step of 1e-4 s beside the true crest, where the mean changes by up to 20 / 0.3 mm³/s in a second.
            assert!((mean - expected).abs() < 7e-3, "{i}: {mean} {expected}");
        }
    }

    #[test]
    fn a_short_rush_is_a_small_mean() {
        // 57 mm³/s for 5.7 ms is 0.325 mm³; over 0.3 s that is a mean of 1.08 mm³/s.
        let mut block = block_of(&[([57.0; 3], [0.0, 0.0057, 0.0]), ([0.0; 3], [0.0, 1.0, 0.0])]);
        let mut burst = Burst::new(1.0, Some(0.5));
        burst.follow(&mut block, AREA_MM2);
        assert!((block.burst_mm3_s[0] - 57.0 * 0.0057 / 0.3).abs() < 1e-6, "{}", block.burst_mm3_s[0]);
    }

    #[test]
    fn a_steady_flow_as_long_as_the_window_is_its_rate() {
        let mut block = block_of(&[([10.0; 3], [0.0, 0.5, 0.0])]);
        let mut burst = Burst::new(1.0, None);
        burst.follow(&mut block, AREA_MM2);
        assert!((block.burst_mm3_s[0] - 10.0).abs() < 1e-9 && (burst.most_mm3_s - 10.0).abs() < 1e-9);
        // The same again is not looked at.
        burst.follow(&mut block, AREA_MM2);
        assert_eq!(block.burst_most_mm3_s, 0.0);
    }

    #[test]
    fn no_number_depends_on_where_blocks_end() {
        for (capacity, is_even) in [Some(0.0), Some(8.0), None].into_iter().flat_map(|of| [(of, true), (of, false)]) {
            let moves = random_moves(11, BLOCK);
            let of = |cuts: usize| {
                let mut burst = Burst::new(0.7, capacity);
                let mut means = Vec::new();
                for chunk in moves.chunks(cuts) {
                    let mut block = block_of(chunk);
                    if !is_even {
                        along_chords(&mut block);
                    }
                    burst.follow(&mut block, AREA_MM2);
                    let looked = block.burst_most_mm3_s > 0.0;
                    means.extend((0..block.len()).map(|i| if looked { block.burst_mm3_s[i] } else { 0.0 }));
                }
                let beyond = |mean: &f64| *mean > capacity.unwrap_or(f64::INFINITY);
                (
                    burst.most_mm3_s.to_bits(),
                    means.into_iter().map(|m| if beyond(&m) { m.to_bits() } else { 0 }).collect::<Vec<_>>(),
                )
            };
            let whole = of(BLOCK);
            for cuts in [1, 2, 7, 100] {
                assert_eq!(of(cuts), whole, "{cuts} {capacity:?}");
            }
        }
    }

    #[test]
    fn filament_alone_counts_beyond_what_was_pulled_back() {
        let mut block = Block::default();
        let i = block.add();
        (block.de_mm[i], block.v_peak_mm_s[i], block.t_cruise_s[i], block.time_s[i]) = (30.0, 60.0, 0.5, 0.5);
        block.purges.push((i, 24.0));
        Burst::new(1.0, Some(1.0)).follow(&mut block, AREA_MM2);
        assert!((block.burst_mm3_s[i] - 60.0 * AREA_MM2).abs() < 1e-6, "{}", block.burst_mm3_s[i]);
    }
}
