//! How much acceleration the planned motion has at which frequency.
//!
//! The velocity along each direction is known exactly at any time, so the mean acceleration over a cell of time is too: the
//! difference of the velocities at its ends over its length, with the steps of speed at corners, from and to rest in it. A
//! cell of 2⁻¹¹ s takes 3 % off the power of what is smooth at 200 Hz and nothing off a step of speed.
//!
//! Welch's method (IEEE Trans. Audio Electroacoust. 15 (1967) 70-73, from memory) with a Hann window. Windows start a
//! quarter of their length apart: the squares of four Hann windows add up to 3/2 at every moment, so no moment counts more
//! than another, and the sum over all frequencies is the mean square of the cells (Parseval's theorem), short jobs included.
//! What does not move adds nothing to the numerator and, since the sum is divided by the time in motion, nothing is diluted.
//!
//! Why do windows of the spectrum start a quarter of their length apart, and not half? The squares of four Hann windows
//! add up to a constant, so every moment counts alike and Parseval's theorem holds for a job of any length; with two
//! windows a short filling would count a third more or less by where it lies.
//!
//! Why is the transform of the spectrum built without the vectors of the processor? Its bits would depend on them.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use crate::block::{
    Block, CurvedMove, flag,
    grid::{Sum, time_units},
};
use crate::findings::{Log, Observer};
use crate::machine::{Direction, Structure};
use crate::physics::vibration::Course;
use crate::vectors::{Vectors, lanes::Lanes};

/// Cells per second.
pub const CELLS_PER_S: usize = 2048;
/// Cells in a window: 4 s.
pub const WINDOW_CELLS: usize = 8192;
/// Windows start a quarter of their length apart.
const QUARTERS: usize = 4;
/// Cells from one window to the next.
const HOP: usize = WINDOW_CELLS / QUARTERS;
/// Distance of neighbouring frequencies, Hz.
pub const STEP_HZ: f64 = CELLS_PER_S as f64 / WINDOW_CELLS as f64;
/// Lowest frequency that is shown, Hz.
pub const LEAST_SHOWN_HZ: f64 = 2.0;
/// Noise bandwidth of a Hann window, Hz: 1.5 steps (Harris, Proc. IEEE 66 (1978) 51-83, from memory).
pub const NOISE_BANDWIDTH_HZ: f64 = 1.5 * STEP_HZ;
/// Highest side lobe of a Hann window, dB; further ones fall by 18 dB an octave (Harris).
pub const SIDE_LOBE_DB: f64 = -31.5;
/// Windows that are transformed at once.
const BATCH: usize = 4;
/// Sum of the squares of the windows that cover a cell.
const COVER: f64 = 1.5;
/// Highest frequency that is always kept, Hz.
const KEPT_HZ: f64 = 200.0;
/// Highest frequency that is ever kept, Hz.
const KEPT_MOST_HZ: f64 = 512.0;
/// 2⁻³² s in a cell.
const CELL: u64 = (1 << 32) / CELLS_PER_S as u64;
/// Phases of a curve that last longer turn too slowly to matter at any frequency that is told apart, s.
const SLOW_CURVE_S: f64 = 60.0;
/// Below so many 2⁻³² s every time and every product with a whole number of cells is exact in `f64`.
const EXACT_UNITS: u64 = 1 << 52;
/// Most directions.
const LANES: usize = Direction::ALL.len();

/// Velocity along each direction, mm/s.
type Speeds = [f64; LANES];

/// Power spectral densities of the acceleration along some directions.
#[derive(Debug, Clone, PartialEq)]
pub struct Spectrum {
    /// Time of moves along a path, s.
    pub moving_s: f64,
    /// Windows with motion in them.
    pub windows: u64,
    /// Windows that were transformed: fewer where a sample was asked for, each then counts for as many as it must.
    pub taken: u64,
    /// X, Y, and every direction with a mode, in the order of [`Direction::ALL`].
    pub axes: Vec<Axis>,
}

/// One direction.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// Which.
    pub along: Direction,
    /// One-sided density in (mm/s²)²/Hz over the time in motion, from 0 Hz on, [`STEP_HZ`] apart.
    pub density: Vec<f64>,
    /// Mean square of the acceleration of all cells over the time in motion, (mm/s²)².
    pub mean_square: f64,
    /// Sum of the density over all frequencies up to half of [`CELLS_PER_S`], (mm/s²)²; the same but for rounding.
    pub power: f64,
}

impl Spectrum {
    /// The highest density that is shown, (mm/s²)²/Hz, and the highest frequency, Hz.
    pub fn shown_top(&self) -> (f64, f64) {
        let shown = |axis: &Axis| axis.shown().map(|(_, density)| density).fold(0.0, f64::max);
        let most = self.axes.iter().map(shown).fold(0.0, f64::max);
        let count = self.axes.iter().map(|axis| axis.density.len()).max().unwrap_or(0);
        (if most > 0.0 { most } else { 1.0 }, (count.saturating_sub(1) as f64 * STEP_HZ).max(2.0 * LEAST_SHOWN_HZ))
    }
}

/// A peak of a spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Where, Hz.
    pub hz: f64,
    /// Density there, (mm/s²)²/Hz.
    pub density: f64,
}

impl Axis {
    /// Frequency, Hz, and density of all that is shown of the direction.
    pub fn shown(&self) -> impl Iterator<Item = (f64, f64)> {
        let all = self.density.iter().enumerate().map(|(k, density)| (k as f64 * STEP_HZ, *density));
        all.filter(|(hz, _)| *hz >= LEAST_SHOWN_HZ)
    }

    /// Root mean square of the acceleration between two frequencies, mm/s².
    pub fn rms_mm_s2(&self, low_hz: f64, high_hz: f64) -> f64 {
        let within = |k: usize| (low_hz..high_hz).contains(&(k as f64 * STEP_HZ));
        let power: f64 = (0..self.density.len()).filter(|&k| within(k)).map(|k| self.density[k]).sum();
        (power * STEP_HZ).sqrt()
    }

    /// The highest places, at least `least_hz` up and a sixth of an octave apart, at most `most` of them: the highest first.
    pub fn peaks(&self, least_hz: f64, most: usize) -> Vec<Peak> {
        const APART: f64 = 1.12;
        let d = &self.density;
        let tops = (1..d.len().saturating_sub(1)).filter(|&k| d[k] > d[k - 1] && d[k] >= d[k + 1]);
        let peak = |k: usize| Peak { hz: k as f64 * STEP_HZ, density: d[k] };
        let mut tops: Vec<Peak> = tops.map(peak).filter(|peak| peak.hz >= least_hz).collect();
        tops.sort_by(|a, b| b.density.total_cmp(&a.density));
        let mut peaks: Vec<Peak> = Vec::new();
        for top in tops {
            let apart = |peak: &Peak| peak.hz > top.hz * APART || top.hz > peak.hz * APART;
            if peaks.len() < most && peaks.iter().all(apart) {
                peaks.push(top);
            }
        }
        peaks
    }
}

/// Every eighth number by itself, so that the sums run side by side; no bit depends on the vectors at hand.
fn sum_of_squares(cells: &[f64]) -> f64 {
    let (eights, rest) = cells.as_chunks::<8>();
    let mut sums = [0.0; 8];
    for eight in eights {
        sums.iter_mut().zip(eight).for_each(|(sum, cell)| *sum += cell * cell);
    }
    sums.iter().sum::<f64>() + rest.iter().map(|cell| cell * cell).sum::<f64>()
}

/// Directions of a spectrum.
pub fn directions(structure: &Structure) -> Vec<Direction> {
    let with_mode = structure.directions();
    let is_told = |along: &Direction| matches!(along, Direction::X | Direction::Y) || with_mode.contains(along);
    Direction::ALL.into_iter().filter(is_told).collect()
}

/// Watches for the spectrum alone, from a sample of the job's windows; for pictures of long jobs.
pub struct Sampling(Gathering);

impl Sampling {
    /// One window out of so many that follow each other, each as likely as any other, so that every moment counts alike.
    pub fn one_of(every: u64, structure: &Structure) -> Self {
        Self(Gathering::new(structure, every.max(1)))
    }

    /// The spectrum of the job up to here.
    pub fn finish(self) -> Spectrum {
        self.0.finish()
    }
}

impl Observer for Sampling {
    fn observe(&mut self, block: &Block, _: &mut Log) {
        self.0.block(block);
    }
}

/// Gathers the spectrum of blocks in their order; no bit depends on where they are cut.
pub(super) struct Gathering {
    vectors: Vec<[f64; 3]>,
    axes: Vec<SpectrumPart>,
    batch: Batch,
    window: Vec<f64>,
    /// Cells that are filled in, of the quarter of a window at hand; which quarter that is.
    filled: usize,
    quarter: usize,
    /// Where the next cell ends, and what time it is, in 2⁻³² s.
    edge: u64,
    now: u64,
    before: Speeds,
    moving_s: Sum,
    windows: u64,
    taken: u64,
    /// One window out of so many is taken; how many have passed.
    every: u64,
    passed: u64,
    kept: usize,
    /// Those of the blocks.
    vectors_at_hand: Vectors,
}

struct SpectrumPart {
    along: Direction,
    /// Mean acceleration of cells, mm/s², the quarters of a window in turns.
    cells: Vec<f64>,
    /// Quarters since the last with any.
    still: usize,
    squares: f64,
    power: Vec<f64>,
}

/// Windows that wait until there are enough to be transformed together.
struct Batch {
    transform: Arc<dyn RealToComplex<Lanes<BATCH>>>,
    windowed: Vec<Lanes<BATCH>>,
    lines: Vec<Complex<Lanes<BATCH>>>,
    scratch: Vec<Complex<Lanes<BATCH>>>,
    /// Of each that waits: its direction, and for how many it counts.
    waiting: Vec<(usize, u64)>,
}

impl Batch {
    fn new() -> Self {
        let transform = RealFftPlanner::new().plan_fft_forward(WINDOW_CELLS);
        Self {
            windowed: transform.make_input_vec(),
            lines: transform.make_output_vec(),
            scratch: transform.make_scratch_vec(),
            transform,
            waiting: Vec::with_capacity(BATCH),
        }
    }

    /// Adds a direction's cells, whose oldest quarter is given.
    fn add(&mut self, lane: usize, stands_for: u64, axes: &mut [SpectrumPart], oldest: usize, window: &[f64]) {
        let place = self.waiting.len();
        let (late, early) = axes[lane].cells.split_at(oldest * HOP);
        let cells = early.iter().chain(late).zip(window);
        self.windowed.iter_mut().zip(cells).for_each(|(out, (cell, weight))| out.0[place] = cell * weight);
        self.waiting.push((lane, stands_for));
        if self.waiting.len() == BATCH {
            self.flush(axes);
        }
    }

    /// Transforms what waits, in its order.
    fn flush(&mut self, axes: &mut [SpectrumPart]) {
        if self.waiting.is_empty() {
            return;
        }
        // Lengths are right by construction; a transform that fails would leave the old lines.
        let done = self.transform.process_with_scratch(&mut self.windowed, &mut self.lines, &mut self.scratch);
        debug_assert!(done.is_ok());
        for (place, (lane, stands_for)) in self.waiting.drain(..).enumerate() {
            for (power, line) in axes[lane].power.iter_mut().zip(&self.lines) {
                let (re, im) = (line.re.0[place], line.im.0[place]);
                *power += (re * re + im * im) * stands_for as f64;
            }
        }
    }
}

impl Gathering {
    /// Takes one window out of so many, at least 1.
    pub(super) fn new(structure: &Structure, every: u64) -> Self {
        let lane = |along| SpectrumPart {
            along,
            cells: vec![0.0; WINDOW_CELLS],
            still: QUARTERS,
            squares: 0.0,
            power: vec![0.0; WINDOW_CELLS / 2 + 1],
        };
        let axes: Vec<SpectrumPart> = directions(structure).into_iter().map(lane).collect();
        let turn = std::f64::consts::TAU / WINDOW_CELLS as f64;
        let highest_hz = structure.modes.iter().map(|mode| mode.natural_hz * 1.25).fold(KEPT_HZ, f64::max);
        Self {
            vectors: axes.iter().map(|lane| lane.along.vector()).collect(),
            axes,
            window: (0..WINDOW_CELLS).map(|n| 0.5 - 0.5 * (turn * n as f64).cos()).collect(),
            batch: Batch::new(),
            // The first cells lie in as many windows as all others.
            filled: 0,
            quarter: QUARTERS - 1,
            edge: 0,
            now: 0,
            before: [0.0; LANES],
            moving_s: Sum::default(),
            windows: 0,
            taken: 0,
            every,
            passed: 0,
            vectors_at_hand: Vectors::default(),
            kept: (highest_hz.min(KEPT_MOST_HZ) / STEP_HZ) as usize + 1,
        }
    }

    pub(super) fn block(&mut self, block: &Block) {
        self.vectors_at_hand = block.vectors;
        let mut bends = block.curves.iter().peekable();
        for i in 0..block.len() {
            if block.flags[i] & flag::PATH != 0 {
                self.moving_s.add(block.time_s[i]);
            }
            match bends.next_if(|bend| bend.at == i) {
                Some(bend) => self.curve(block, bend),
                None => self.straight(block, i),
            }
        }
        for action in block.actions.iter().filter(|action| action.duration_s > 0.0) {
            self.pass(time_units(action.duration_s), [0.0; LANES], [0.0; LANES]);
        }
    }

    /// The parts of a direction in all that are watched.
    fn parts(&self, dir: [f64; 3]) -> Speeds {
        let mut parts = [0.0; LANES];
        for (part, vector) in parts.iter_mut().zip(&self.vectors) {
            *part = vector[0] * dir[0] + vector[1] * dir[1] + vector[2] * dir[2];
        }
        parts
    }

    fn straight(&mut self, block: &Block, i: usize) {
        let parts = self.parts([block.dir[0][i], block.dir[1][i], block.dir[2][i]]);
        let at = |speed: f64| parts.map(|part| part * speed);
        if block.is_even() {
            for piece in block.pieces(i) {
                self.pass(time_units(piece.seconds), at(piece.start_mm_s), at(piece.end_mm_s));
            }
        } else {
            block.each_ramp(i, |ramp| {
                let units = time_units(ramp.seconds);
                if ramp.is_even() || ramp.seconds > SLOW_CURVE_S {
                    self.pass(units, at(ramp.start_mm_s()), at(ramp.end_mm_s()));
                } else {
                    self.sample(units, |_, after_s| at(ramp.speed_at(after_s / ramp.seconds)));
                }
            });
        }
    }

    /// So much time in which the velocity goes as told: what it is so long after its start.
    fn sample(&mut self, units: u64, at: impl Fn(&Self, f64) -> Speeds) {
        let from = self.now;
        self.now += units;
        while self.edge < self.now {
            let speeds = at(self, (self.edge - from) as f64 / Sum::ONE);
            self.cell(speeds);
            if self.filled == HOP {
                self.transform(1);
            }
        }
    }

    fn curve(&mut self, block: &Block, bend: &CurvedMove) {
        let i = bend.at;
        let course = Course::of_bend(block, bend);
        let mut passed_mm = 0.0;
        if block.is_even() {
            for piece in block.pieces(i) {
                self.bent(&course, piece.seconds, |s| (piece.speed_at(s), passed_mm + piece.way_mm(s)));
                passed_mm += piece.length_mm();
            }
        } else {
            block.each_ramp(i, |ramp| {
                let share = |s: f64| s / ramp.seconds;
                self.bent(&course, ramp.seconds, |s| (ramp.speed_at(share(s)), passed_mm + ramp.way_mm(share(s))));
                passed_mm += ramp.length_mm();
            });
        }
    }

    /// A piece of a curve; `at` is the speed and the place on it so long after its start.
    fn bent(&mut self, course: &Course<'_>, seconds: f64, at: impl Fn(f64) -> (f64, f64)) {
        let units = time_units(seconds);
        let velocity = |lane: &Self, after_s: f64| {
            let (speed, place_mm) = at(after_s);
            lane.parts(course.tangent(place_mm)).map(|part| part * speed)
        };
        if seconds > SLOW_CURVE_S {
            self.pass(units, velocity(self, 0.0), velocity(self, seconds));
        } else if units > 0 {
            self.sample(units, velocity);
        }
    }

    /// So much time in which the velocity goes evenly from one to another; at its start it may step. A velocity right at
    /// the end belongs to what follows.
    fn pass(&mut self, units: u64, from: Speeds, to: Speeds) {
        if units == 0 {
            return;
        }
        let start = self.now;
        self.now += units;
        let per_unit = 1.0 / units as f64;
        let at = |edge: u64| {
            let share = (edge - start) as f64 * per_unit;
            let mut speeds = from;
            speeds.iter_mut().zip(to).for_each(|(speed, to)| *speed += (to - *speed) * share);
            speeds
        };
        let mut passed = 0;
        while self.edge < self.now {
            let cells = ((self.now - self.edge).div_ceil(CELL) as usize).min(HOP - self.filled);
            let behind = self.edge - start;
            if units < EXACT_UNITS {
                self.cells(cells, behind as f64, per_unit, from, to);
                self.before = at(self.edge - CELL);
            } else {
                (0..cells).for_each(|_| self.cell(at(self.edge)));
            }
            passed += cells;
            if self.filled < HOP {
                continue;
            }
            // From here on every window of this phase is like this one.
            let left = if passed >= WINDOW_CELLS {
                self.now.saturating_sub(self.edge).div_ceil(CELL) as usize / HOP
            } else {
                0
            };
            self.transform(1 + left as u64);
            if left > 0 {
                self.edge += (left * HOP) as u64 * CELL;
                self.before = at(self.edge - CELL);
            }
        }
    }

    /// Fills in the cell that ends now, with that velocity.
    #[inline(always)]
    fn cell(&mut self, speeds: Speeds) {
        for (k, lane) in self.axes.iter_mut().enumerate() {
            let accel = (speeds[k] - self.before[k]) * CELLS_PER_S as f64;
            lane.cells[self.quarter * HOP + self.filled] = accel;
        }
        self.before = speeds;
        self.filled += 1;
        self.edge += CELL;
    }

    /// [`Self::cell`] for so many cells of an even change, the first of which ends so much behind its start, 2⁻³² s.
    fn cells(&mut self, count: usize, behind: f64, per_unit: f64, from: Speeds, to: Speeds) {
        let first = self.quarter * HOP + self.filled;
        for (k, lane) in self.axes.iter_mut().enumerate() {
            let (from, change) = (from[k], to[k] - from[k]);
            let before = self.before[k];
            let cells = &mut lane.cells[first..first + count];
            self.vectors_at_hand.run(
                #[inline(always)]
                || {
                    let at = |i: i32| from + change * ((behind + f64::from(i) * CELL as f64) * per_unit);
                    for (i, cell) in cells.iter_mut().enumerate() {
                        *cell = (at(i as i32) - at(i as i32 - 1)) * CELLS_PER_S as f64;
                    }
                    if let Some(cell) = cells.first_mut() {
                        *cell = (at(0) - before) * CELLS_PER_S as f64;
                    }
                },
            );
        }
        self.filled += count;
        self.edge += count as u64 * CELL;
    }

    /// Takes the full window so many times, and makes room for the next.
    fn transform(&mut self, times: u64) {
        let newest = self.quarter * HOP..(self.quarter + 1) * HOP;
        for lane in &mut self.axes {
            let squares = sum_of_squares(&lane.cells[newest.clone()]);
            // Whole, since the squares of the smallest numbers are zero.
            let still = squares == 0.0 && lane.cells[newest.clone()].iter().all(|cell| *cell == 0.0);
            lane.squares += squares * times as f64;
            lane.still = if still { lane.still + 1 } else { 0 };
        }
        let any = self.axes.iter().any(|lane| lane.still < QUARTERS);
        let stands_for = if any { self.stands_for(times) } else { 0 };
        self.quarter = (self.quarter + 1) % QUARTERS;
        for k in 0..self.axes.len() {
            if stands_for > 0 && self.axes[k].still < QUARTERS {
                self.batch.add(k, stands_for, &mut self.axes, self.quarter, &self.window);
            }
        }
        self.windows += if any { times } else { 0 };
        self.filled = 0;
    }

    /// How many windows the one at hand, which comes so many times, counts for; 0 where it is left out.
    fn stands_for(&mut self, times: u64) -> u64 {
        // What repeats itself is known, and counts for itself.
        if times > 1 {
            self.taken += 1;
            return times;
        }
        let (group, place) = (self.passed / self.every, self.passed % self.every);
        self.passed += 1;
        // Multiples of the golden ratio spread evenly (Weyl), so that no rhythm of the job meets one of the sample.
        let share = u128::from(group.wrapping_mul(0x9e37_79b9_7f4a_7c15));
        let taken = u128::from(place) == (share * u128::from(self.every)) >> 64;
        self.taken += u64::from(taken);
        if taken { self.every } else { 0 }
    }

    /// The spectrum, once everything has passed.
    pub(super) fn finish(mut self) -> Spectrum {
        let moving_s = self.moving_s.value();
        self.pass(2 * WINDOW_CELLS as u64 * CELL, [0.0; LANES], [0.0; LANES]);
        self.batch.flush(&mut self.axes);
        let cell_s = 1.0 / CELLS_PER_S as f64;
        let per_s = if moving_s > 0.0 { 1.0 / moving_s } else { 0.0 };
        let scale = 2.0 * cell_s * cell_s / COVER * per_s;
        let axis = |lane: SpectrumPart| {
            let ends = [lane.power[0], lane.power[WINDOW_CELLS / 2]];
            let sum: f64 = lane.power.iter().sum::<f64>() - (ends[0] + ends[1]) / 2.0;
            let mut density: Vec<f64> = lane.power[..self.kept].iter().map(|power| power * scale).collect();
            // Neither a constant nor the highest frequency has a mirror image.
            density[0] /= 2.0;
            Axis {
                along: lane.along,
                density,
                mean_square: lane.squares * cell_s * per_s,
                power: sum * scale * STEP_HZ,
            }
        };
        let axes = self.axes.into_iter().map(axis).collect();
        Spectrum { moving_s, windows: self.windows, taken: self.taken, axes }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The last cell of a phase ends behind the phase, and none is left of it then. Found by fuzzing.
    #[test]
    fn a_window_that_ends_behind_its_phase_is_the_last() {
        let windows = |units: u64| {
            let mut gathering = Gathering::new(&Structure::default(), 1);
            gathering.pass(units, [0.0; LANES], [100.0; LANES]);
            gathering.finish().windows
        };
        let full = WINDOW_CELLS as u64 * CELL;
        assert_eq!(windows(full - 1), windows(full));
        assert!((1..100).contains(&windows(full)));
    }
}
