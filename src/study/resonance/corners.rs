//! How far a shaper keeps the nozzle off the corners of the job.
//!
//! A shaper replaces the commanded position of an axis by the mean of several earlier ones. On a straight line at constant
//! speed that is a delay only, by the mean τ of the impulses' delays; where the direction changes the path is rounded. At
//! the corner, with speed v and acceleration a on both sides, axis k is off by
//! Σ Aᵢ sₖ(τₖ − tᵢ), s(t) the way from the corner along the move that is driven then: v t + a t² / 2 while it speeds up.
//! (Derived here; for two equal impulses, a right angle and constant speed it is v T / (2 √2), T the half period.)

use hdrhistogram::Histogram;

use super::shaping::Shapers;
use crate::block::{Block, Piece, RampPiece, flag};
use crate::physics::vibration::impulses;

/// Corners turn by at least this: its cosine.
const CORNER_COSINE: f64 = 0.866_025_403_784_438_6;
/// Units of the histogram per mm.
const PER_MM: f64 = 1e6;

/// What a shaper does to the corners of a job.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Rounding {
    /// Corners between two moves that extrude, by 30° or more.
    pub corners: u64,
    /// Distance from the corner that 95 % of them do not exceed, mm.
    pub p95_mm: f64,
    /// The largest, mm.
    pub most_mm: f64,
    /// Its line.
    pub line: Option<u64>,
}

/// A move as seen from a corner.
#[derive(Clone)]
struct Leg {
    dir: [f64; 2],
    out: [f64; 3],
    /// From the corner on, or back from it.
    course: Course,
    length_mm: f64,
}

/// How a leg is driven.
#[derive(Clone)]
enum Course {
    /// Evenly speeding up to where it cruises.
    Even { accel: f64, ramp: Piece, cruise: Piece },
    /// All pieces of other ramps.
    Ramps(Vec<RampPiece>),
}

impl Course {
    /// From the start of a move on.
    fn ahead(block: &Block, i: usize) -> Self {
        if block.is_even() {
            let [ramp, cruise, _] = block.pieces(i);
            return Self::Even { accel: block.accel_mm_s2[i], ramp, cruise };
        }
        let mut pieces = Vec::new();
        block.each_ramp(i, |piece| pieces.push(*piece));
        Self::Ramps(pieces)
    }

    /// Back from its end.
    fn back(block: &Block, i: usize) -> Self {
        match Self::ahead(block, i) {
            Self::Even { accel, cruise, .. } => {
                let [.., down] = block.pieces(i);
                Self::Even { accel, ramp: down.reversed(), cruise }
            }
            Self::Ramps(pieces) => Self::Ramps(pieces.iter().rev().map(RampPiece::reversed).collect()),
        }
    }

    fn way_mm(&self, seconds: f64) -> f64 {
        match self {
            Self::Even { accel, ramp, cruise } => {
                let ramp_s = seconds.min(ramp.seconds);
                let cruise_s = (seconds - ramp_s).min(cruise.seconds);
                ramp.start_mm_s * ramp_s + accel / 2.0 * ramp_s * ramp_s + cruise.start_mm_s * cruise_s
            }
            Self::Ramps(pieces) => {
                let mut left_s = seconds;
                let passed = |piece: &RampPiece| {
                    let share = (left_s / piece.seconds).clamp(0.0, 1.0);
                    left_s -= piece.seconds;
                    piece.way_mm(share)
                };
                pieces.iter().map(passed).sum()
            }
        }
    }
}

impl Leg {
    /// Way from the corner after that time, or before it, mm; it ends with the move.
    fn way_mm(&self, seconds: f64) -> f64 {
        self.course.way_mm(seconds).min(self.length_mm)
    }
}

/// Watches the corners of blocks in their order, for each of several pairs of shapers.
pub(super) struct Corners {
    shapers: Vec<Shaped>,
    before: Option<Leg>,
}

struct Shaped {
    /// Size and delay of each impulse, for X and Y.
    impulses: [Vec<(f64, f64)>; 2],
    /// Mean delays, s.
    mean_s: [f64; 2],
    found: Histogram<u64>,
    worst: Rounding,
}

impl Corners {
    pub(super) fn new(shapers: &[Shapers]) -> Self {
        let shaped = |shapers: &Shapers| {
            let impulses =
                shapers.each_ref().map(|shaper| shaper.map_or_else(|| vec![(1.0, 0.0)], |shaper| impulses(&shaper)));
            let mean_s = impulses.each_ref().map(|list| list.iter().map(|(size, delay)| size * delay).sum());
            // Three digits, up to a metre: bounds that the histogram takes.
            let found = Histogram::new_with_bounds(1, 1 << 30, 3).ok()?;
            Some(Shaped { impulses, mean_s, found, worst: Rounding::default() })
        };
        Self { shapers: shapers.iter().filter_map(shaped).collect(), before: None }
    }

    pub(super) fn block(&mut self, block: &Block) {
        for i in 0..block.len() {
            if !block.extrudes(i) {
                // A retraction in between stops at the corner, travel leaves it.
                self.before = None;
                continue;
            }
            let after = leg(block, i, [block.dir[0][i], block.dir[1][i], block.dir[2][i]]);
            if let Some(before) = &self.before {
                let cosine: f64 = before.out.iter().zip(&after.out).map(|(a, b)| a * b).sum();
                if cosine < CORNER_COSINE {
                    self.shapers.iter_mut().for_each(|shaped| shaped.corner(before, &after, block.line[i]));
                }
            }
            let out = block.bend(i).map_or(after.out, |bend| bend.dir_end);
            self.before = Some(Leg { dir: [out[0], out[1]], out, course: Course::back(block, i), ..after });
        }
        if block.standstill().is_some() {
            self.before = None;
        }
    }

    pub(super) fn finish(self) -> Vec<Rounding> {
        let done = |shaped: Shaped| Rounding {
            corners: shaped.found.len(),
            p95_mm: (shaped.found.value_at_quantile(0.95) as f64 / PER_MM).min(shaped.worst.most_mm),
            ..shaped.worst
        };
        self.shapers.into_iter().map(done).collect()
    }
}

fn leg(block: &Block, i: usize, out: [f64; 3]) -> Leg {
    Leg { dir: [out[0], out[1]], out, course: Course::ahead(block, i), length_mm: block.length_mm[i] }
}

impl Shaped {
    fn corner(&mut self, before: &Leg, after: &Leg, line: u64) {
        let [x_s, y_s] = self.mean_s;
        // Axes with different delays come nearest somewhere in between.
        let off = |at_s: f64| self.part(0, at_s, before, after).hypot(self.part(1, at_s, before, after));
        let off_mm = off(x_s).min(off(y_s)).min(off((x_s + y_s) / 2.0));
        self.found.saturating_record((off_mm * PER_MM).round() as u64);
        if off_mm > self.worst.most_mm {
            (self.worst.most_mm, self.worst.line) = (off_mm, Some(line));
        }
    }

    /// How far an axis is from the corner so long after it was commanded, mm.
    fn part(&self, axis: usize, at_s: f64, before: &Leg, after: &Leg) -> f64 {
        let way = |&(size, delay_s): &(f64, f64)| {
            let seconds = at_s - delay_s;
            let part = if seconds < 0.0 {
                -before.way_mm(-seconds) * before.dir[axis]
            } else {
                after.way_mm(seconds) * after.dir[axis]
            };
            size * part
        };
        self.impulses[axis].iter().map(way).sum()
    }
}

/// True when a block has motion.
pub(super) fn moves(block: &Block) -> bool {
    block.flags[..block.len()].iter().any(|flags| flags & flag::PATH != 0)
}
