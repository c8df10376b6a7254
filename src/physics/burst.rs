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

use super::melt::each_rate;
use crate::block::{
    BLOCK, Block,
    grid::{Sum, time_units},
};
use crate::vectors::columns::{self, WHOLE_BELOW, whole};

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
        let volume = volume((start + end) / 2.0 * seconds);
        (ticks > 0).then_some(Self { ticks, start, end, volume })
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
        self.start.max(self.end)
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
    /// The parts looked at, and the move of each; kept for the next block.
    parts: Vec<(Part, usize)>,
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
        (self.most_mm3_s * (1.0 + FINER)).min(self.capacity_mm3_s * (1.0 + ROUNDING)) / (1.0 + ROUNDING)
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
            self.look(block, area_mm2);
        }
        self.renew_tail(block, area_mm2);
    }

    fn look(&mut self, block: &mut Block, area_mm2: f64) {
        let mut parts = std::mem::take(&mut self.parts);
        parts.clear();
        // Before all that is known nothing flowed.
        parts.push((Part { ticks: self.window, start: 0.0, end: 0.0, volume: 0 }, BEFORE));
        parts.extend(self.tail.iter().map(|part| (*part, BEFORE)));
        for i in 0..block.len() {
            each_rate(block, i, area_mm2, |start, end, seconds| {
                parts.extend(Part::new(start, end, seconds).map(|part| (part, i)));
            });
        }
        let count = block.len();
        block.burst_mm3_s[..count].fill(0.0);
        let mut at = Cursor::before(&parts, self.window);
        // The end of the last part so far that may matter.
        let (mut now, mut hot_until) = (0i64, i64::MIN);
        for h in 0..parts.len() {
            let (part, i) = parts[h];
            let (from, to) = (now, now.saturating_add(part.ticks));
            now = to;
            if part.most() > self.matters_from() {
                hot_until = to;
            }
            if i == BEFORE || hot_until <= from.saturating_sub(self.window) {
                continue;
            }
            let mean = at.largest(&parts, h, from);
            let block_mean = &mut block.burst_mm3_s[i];
            *block_mean = block_mean.max(mean);
            block.burst_most_mm3_s = block.burst_most_mm3_s.max(mean);
            if *block_mean > self.most_mm3_s * (1.0 + FINER) {
                self.most_mm3_s = *block_mean;
            }
        }
        self.parts = parts;
    }

    /// Keeps the last window of what a block pushes.
    fn renew_tail(&mut self, block: &Block, area_mm2: f64) {
        // Each piece may lose half a tick when it is rounded.
        let wanted_s = (self.window + 8 * BLOCK as i64) as f64 / Sum::ONE;
        let (mut seconds, mut first) = (0.0, block.len());
        while first > 0 && seconds < wanted_s {
            first -= 1;
            seconds += block.time_s[first];
        }
        if seconds >= wanted_s {
            self.tail.clear();
        }
        for i in first..block.len() {
            each_rate(block, i, area_mm2, |start, end, seconds| self.tail.extend(Part::new(start, end, seconds)));
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

/// Where the window starts.
struct Cursor {
    window: i64,
    /// The part in which it starts, and when that part starts.
    part: usize,
    starts: i64,
    /// Volume of all parts before each part: exact, so differences are.
    before: Vec<i64>,
}

impl Cursor {
    fn before(parts: &[(Part, usize)], window: i64) -> Self {
        let mut sum = 0i64;
        let before = parts.iter().map(|(part, _)| {
            let before = sum;
            sum = sum.saturating_add(part.volume);
            before
        });
        Self { window, part: 0, starts: 0, before: before.collect() }
    }

    /// The largest mean during part `h`, which starts at `from`.
    fn largest(&mut self, parts: &[(Part, usize)], h: usize, from: i64) -> f64 {
        let window_s = self.window as f64 / Sum::ONE;
        let head = parts[h].0;
        // Bounded in parts, too.
        let oldest = h.saturating_sub(PARTS_MOST);
        while self.part < oldest || self.starts + parts[self.part].0.ticks <= from - self.window {
            self.starts += parts[self.part].0.ticks;
            self.part += 1;
        }
        let (mut p, mut starts, mut at) = (self.part, self.starts, 0i64);
        let mean = |p: usize, at: i64, behind: i64| {
            let tail = parts[p].0;
            let volume = (self.before[h] - self.before[p]) + head.volume_after(at) - tail.volume_after(behind);
            volume as f64 / VOLUME_ONE / window_s
        };
        let mut now = mean(p, 0, (from - self.window - starts).max(0));
        let mut most = now.max(0.0);
        while at < head.ticks {
            let tail = parts[p].0;
            let behind = (from + at - self.window - starts).max(0);
            let step = (head.ticks - at).min(tail.ticks - behind);
            let next = mean(p, at + step, behind + step);
            let gain = head.rate_after(at) - tail.rate_after(behind);
            let gain_end = head.rate_after(at + step) - tail.rate_after(behind + step);
            most = most.max(next);
            if gain > 0.0 && gain_end < 0.0 {
                let crest_s = step as f64 / Sum::ONE * (gain / (gain - gain_end));
                most = most.max(now + gain * crest_s / 2.0 / window_s);
            }
            (now, at) = (next, at + step);
            if behind + step == tail.ticks {
                starts += tail.ticks;
                p += 1;
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
