//! Bursts: the mean melt rate over a sliding window of [`BURST_WINDOWS`] melt windows.
//!
//! The melt zone takes up what comes at once for a moment and no longer; a hotend shows in such bursts what it can reach
//! briefly. With V the volume pushed, the mean over w is M(t) = (V(t) − V(t − w)) / w. Melt rates are linear in time on
//! each piece of a move, so between two ends of pieces M is a parabola: largest at an end, or where the rate now falls
//! through the rate a window ago. Volumes are kept as whole multiples of 2⁻⁴⁰ mm³ and times of 2⁻³² s: sums of them are
//! exact, so no number depends on where blocks end.
//!
//! A move is looked at only where some rate in its window is above the largest mean so far or above the capacity: a mean
//! is never above the largest rate in its window. The largest mean is therefore known to a millionth ([`FINER`]).

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

/// A time over which the melt rate goes evenly from one value to another.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Part {
    /// 2⁻³² s, above 0.
    ticks: i64,
    /// mm³/s.
    start: f64,
    end: f64,
    /// 2⁻⁴⁰ mm³.
    volume: i64,
}

impl Part {
    fn new(start: f64, end: f64, seconds: f64) -> Option<Self> {
        let ticks = time_units(seconds) as i64;
        (ticks > 0).then(|| Self { ticks, start, end, volume: volume((start + end) / 2.0 * seconds) })
    }

    fn rate_after(&self, ticks: i64) -> f64 {
        self.start + (self.end - self.start) * (ticks as f64 / self.ticks as f64)
    }

    /// Volume pushed so long after its start.
    fn volume_after(&self, ticks: i64) -> i64 {
        match ticks {
            0 => 0,
            ticks if ticks == self.ticks => self.volume,
            ticks => {
                let seconds = ticks as f64 / Sum::ONE;
                volume((self.start + self.rate_after(ticks)) / 2.0 * seconds)
            }
        }
    }

    fn most(&self) -> f64 {
        larger(self.start, self.end)
    }
}

/// The bursts of one tool.
#[derive(Debug, Clone, PartialEq)]
pub struct Burst {
    window: i64,
    capacity_mm3_s: f64,
    /// The largest mean so far.
    most_mm3_s: f64,
    /// What came last: at least a window of it, or [`PARTS_MOST`] parts.
    tail: Vec<Part>,
    /// The parts looked at; kept for the next block.
    parts: Vec<Placed>,
}

/// A part among others.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Placed {
    part: Part,
    /// Its move of the block.
    of: usize,
    /// Volume of all parts before it: exact, so differences are.
    before: i128,
}

/// Adds a part behind all others.
fn place(parts: &mut Vec<Placed>, part: Part, of: usize) {
    let before = parts.last().map_or(0, |last| last.before + i128::from(last.part.volume));
    parts.push(Placed { part, of, before });
}

/// Stands for no move of the block.
const BEFORE: usize = usize::MAX;

impl Burst {
    /// Nothing pushed yet. `capacity_mm3_s` is what means are held against.
    pub fn new(melt_window_s: f64, capacity_mm3_s: Option<f64>) -> Self {
        Self {
            window: (time_units(BURST_WINDOWS * melt_window_s) as i64).max(1),
            capacity_mm3_s: capacity_mm3_s.unwrap_or(f64::INFINITY),
            most_mm3_s: 0.0,
            tail: Vec::new(),
            parts: Vec::new(),
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
        if let Some(part) = Part::new(0.0, 0.0, seconds) {
            self.tail.push(part);
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
        let before = self.tail.iter().map(Part::most).fold(0.0, f64::max);
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
        let mut parts = std::mem::take(&mut self.parts);
        parts.clear();
        if !is_whole {
            // Before all that is known nothing flowed.
            place(&mut parts, Part { ticks: self.window, start: 0.0, end: 0.0, volume: 0 }, BEFORE);
            self.tail.iter().for_each(|part| place(&mut parts, *part, BEFORE));
        }
        for i in first..moves.end {
            let of = if i < moves.start { BEFORE } else { i };
            each_rate(block, i, area_mm2, |start, end, seconds| {
                if let Some(part) = Part::new(start, end, seconds) {
                    place(&mut parts, part, of);
                }
            });
        }
        let mut at = Cursor { window: self.window, part: 0, starts: 0 };
        let mut matters_from = self.matters_from();
        // The end of the last part so far that may matter.
        let (mut now, mut hot_until) = (0i64, i64::MIN);
        for h in 0..parts.len() {
            let Placed { part, of: i, .. } = parts[h];
            let (from, to) = (now, now.saturating_add(part.ticks));
            now = to;
            if part.most() > matters_from {
                hot_until = to;
            }
            if i == BEFORE || hot_until <= from.saturating_sub(self.window) {
                continue;
            }
            at.go_to(&parts, h, from);
            let start = at.volume_before(&parts, h, from);
            // No mean during the part is above this; near the largest one, as parts are short against the window.
            if at.mean(start.saturating_add(part.volume)) <= matters_from {
                continue;
            }
            let mean = at.largest(&parts, h, from, start);
            let block_mean = &mut block.burst_mm3_s[i];
            *block_mean = larger(mean, *block_mean);
            block.burst_most_mm3_s = larger(mean, block.burst_most_mm3_s);
            if *block_mean > self.most_mm3_s * (1.0 + FINER) {
                self.most_mm3_s = *block_mean;
                matters_from = self.matters_from();
            }
        }
        self.parts = parts;
    }

    /// Keeps the last window of what a block pushes.
    fn renew_tail(&mut self, block: &Block, area_mm2: f64) {
        let (first, is_whole) = self.window_before(block, block.len());
        if is_whole {
            self.tail.clear();
        }
        for i in first..block.len() {
            each_rate(block, i, area_mm2, |start, end, seconds| {
                if let Some(part) = Part::new(start, end, seconds) {
                    self.tail.push(part);
                }
            });
        }
        self.trim();
    }

    /// Drops what is older than a window.
    fn trim(&mut self) {
        let (mut ticks, mut keep) = (0i64, self.tail.len());
        while keep > 0 && ticks < self.window && self.tail.len() - keep < PARTS_MOST {
            keep -= 1;
            ticks = ticks.saturating_add(self.tail[keep].ticks);
        }
        self.tail.drain(..keep);
    }
}

/// What absurd sheets bring beyond the range stops at its ends.
fn within_range(volume: i128) -> i64 {
    i64::try_from(volume).unwrap_or(if volume < 0 { i64::MIN } else { i64::MAX })
}

/// Where the window starts.
struct Cursor {
    window: i64,
    /// The part in which it starts, and when that part starts.
    part: usize,
    starts: i64,
}

impl Cursor {
    /// Goes to where the window starts when part `h` does, at `from`.
    fn go_to(&mut self, parts: &[Placed], h: usize, from: i64) {
        // Bounded in parts, too.
        let oldest = h.saturating_sub(PARTS_MOST);
        while self.part < oldest || self.starts + parts[self.part].part.ticks <= from - self.window {
            self.starts += parts[self.part].part.ticks;
            self.part += 1;
        }
    }

    /// Volume pushed in the window before part `h`, which starts at `from`.
    fn volume_before(&self, parts: &[Placed], h: usize, from: i64) -> i64 {
        let Placed { part, before, .. } = parts[self.part];
        within_range(parts[h].before - before - i128::from(part.volume_after(self.behind(from))))
    }

    /// How long before the window the part starts in which it starts.
    fn behind(&self, from: i64) -> i64 {
        (from - self.window - self.starts).max(0)
    }

    fn mean(&self, units: i64) -> f64 {
        units as f64 / VOLUME_ONE / (self.window as f64 / Sum::ONE)
    }

    /// The largest mean during part `h`, which starts at `from`, where the cursor is; `start` is the volume pushed in the
    /// window before it.
    fn largest(&self, parts: &[Placed], h: usize, from: i64, start: i64) -> f64 {
        let window_s = self.window as f64 / Sum::ONE;
        let Placed { part: head, before, .. } = parts[h];
        let (mut p, mut at, mut behind) = (self.part, 0, self.behind(from));
        let mut now = self.mean(start);
        let mut most = larger(now, 0.0);
        while at < head.ticks {
            let Placed { part: tail, before: before_tail, .. } = parts[p];
            let step = (head.ticks - at).min(tail.ticks - behind);
            let [ahead, left] = [head.volume_after(at + step), tail.volume_after(behind + step)].map(i128::from);
            let next = self.mean(within_range(before - before_tail + ahead - left));
            let gain = head.rate_after(at) - tail.rate_after(behind);
            let gain_end = head.rate_after(at + step) - tail.rate_after(behind + step);
            most = larger(next, most);
            if gain > 0.0 && gain_end < 0.0 {
                let crest_s = step as f64 / Sum::ONE * (gain / (gain - gain_end));
                most = larger(now + gain * crest_s / 2.0 / window_s, most);
            }
            (now, at, behind) = (next, at + step, behind + step);
            if behind == tail.ticks {
                (p, behind) = (p + 1, 0);
            }
        }
        most
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::block::{BLOCK, flag};
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

    fn random_moves(seed: u64, count: usize) -> Vec<([f64; 3], [f64; 3])> {
        let mut bits = without_pattern(seed);
        let mut random = || (bits() >> 11) as f64 / (1u64 << 53) as f64;
        let one = |_| {
            let peak = 20.0 * random();
            let mut time = || (random() * 500.0).round() * 1e-4;
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
        for capacity in [Some(0.0), Some(8.0), None] {
            let moves = random_moves(11, BLOCK);
            let of = |cuts: usize| {
                let mut burst = Burst::new(0.7, capacity);
                let mut means = Vec::new();
                for chunk in moves.chunks(cuts) {
                    let mut block = block_of(chunk);
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
