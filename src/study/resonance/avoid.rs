//! Feed rates at which strokes straight to and fro drive a mode.

use super::bands::Bands;
use crate::checks::drives_resonance::Band;
use crate::machine::{Machine, Mode};
use crate::motion::corner::{Leg, squared_cap};

/// Lengths that are always reported, mm.
pub const STROKES_MM: [f64; 7] = [0.4, 0.8, 1.2, 2.0, 3.0, 5.0, 10.0];
/// Lengths of the job's own that are reported besides.
const OWN_MOST: usize = 3;
/// Fewer strokes than that are no pattern.
const OWN_LEAST: u64 = 8;
/// The frequency of the cycle times this meets the mode.
pub const ORDERS: [f64; 2] = [1.0, 3.0];

/// Feed rates to avoid for one mode.
#[derive(Debug, Clone, PartialEq)]
pub struct Avoid {
    /// The mode.
    pub mode: Mode,
    /// Acceleration along it that the sheet allows for printing, mm/s².
    pub accel_mm_s2: f64,
    /// Speed at which the corner rule lets a stroke turn back, mm/s.
    pub turning_mm_s: f64,
    /// One for each length, ascending.
    pub rows: Vec<Row>,
}

/// Strokes of one length.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    /// How long, mm.
    pub stroke_mm: f64,
    /// How many strokes of about that length the job has; none for lengths that are always reported.
    pub count: Option<u64>,
    /// Highest frequency of the planned cycle at any feed rate, Hz.
    pub most_hz: f64,
    /// For each of [`ORDERS`].
    pub drives: [Drive; 2],
}

/// When strokes drive a mode: commanded feed rates, mm/s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Drive {
    /// From the first to the second.
    Between(f64, f64),
    /// From there on, since acceleration lets no cycle be quick enough to leave the band.
    From(f64),
    /// At none: no cycle is quick enough.
    Never,
}

/// Strokes straight to and fro along one direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shuttle {
    /// Length, mm.
    pub stroke_mm: f64,
    /// Acceleration, mm/s².
    pub accel_mm_s2: f64,
    /// Speed at both ends, mm/s.
    pub turning_mm_s: f64,
    /// Highest speed, mm/s.
    pub most_mm_s: f64,
}

impl Shuttle {
    /// Frequency of the planned cycle of two strokes at a commanded feed rate, Hz: a stroke of s mm at v mm/s, with u mm/s
    /// at its ends and a mm/s², takes s / v + (v − u)² / (a v), or 2 (√(u² + a s) − u) / a where it never reaches v.
    pub fn hz(&self, feed_mm_s: f64) -> f64 {
        let Self { stroke_mm: s, accel_mm_s2: a, turning_mm_s, most_mm_s } = *self;
        let v = feed_mm_s.min(most_mm_s);
        let u = turning_mm_s.min(v);
        let peak = (u * u + a * s).sqrt();
        let stroke_s = if peak < v { 2.0 * (peak - u) / a } else { s / v + (v - u) * (v - u) / (a * v) };
        0.5 / stroke_s
    }

    /// The feed rate at which the cycle has that frequency, mm/s; it must be below that at any feed rate.
    fn feed_mm_s(&self, hz: f64) -> f64 {
        let Self { stroke_mm: s, accel_mm_s2: a, turning_mm_s: u, .. } = *self;
        let stroke_s = 0.5 / hz;
        if s / stroke_s <= u {
            return s / stroke_s;
        }
        // The lower root of v² − (2u + a T) v + u² + a s = 0.
        let (b, c) = (2.0 * u + a * stroke_s, u * u + a * s);
        2.0 * c / (b + (b * b - 4.0 * c).max(0.0).sqrt())
    }

    /// When it drives a mode at so many times its frequency.
    pub fn drives(&self, mode: &Mode, order: f64) -> Drive {
        let band = Band::of(mode.natural_hz, mode.damping_ratio);
        let most_hz = self.hz(self.most_mm_s);
        let (low_hz, high_hz) = (band.low_hz / order, band.high_hz / order);
        if most_hz < low_hz {
            Drive::Never
        } else if most_hz <= high_hz {
            Drive::From(self.feed_mm_s(low_hz))
        } else {
            Drive::Between(self.feed_mm_s(low_hz), self.feed_mm_s(high_hz))
        }
    }
}

/// Strokes along a mode as the machine plans them.
pub fn shuttle(machine: &Machine, mode: &Mode, stroke_mm: f64) -> Shuttle {
    let limits = &machine.motion.limits;
    let vector = mode.along.vector();
    let least = |limits: &[f64; 4], cap: f64| {
        let of = (0..3).filter(|&axis| vector[axis] != 0.0).map(|axis| limits[axis] / vector[axis].abs());
        of.fold(cap, f64::min)
    };
    let accel_mm_s2 = least(&limits.acceleration_mm_s2, limits.printing_mm_s2);
    let most_mm_s = least(&limits.feed_rate_mm_s, f64::INFINITY);
    let leg = |sign: f64| {
        let dir = [vector[0] * sign, vector[1] * sign, vector[2] * sign, 0.0];
        Leg {
            start: dir,
            end: dir,
            path: true,
            feed_mm_s: most_mm_s.min(crate::block::grid::SPEED_CEILING_MM_S),
            accel_mm_s2,
            rule: limits.corner,
            jerk_mm_s: limits.jerk_mm_s,
            junction_deviation_mm: limits.junction_deviation_mm,
        }
    };
    let turning_mm_s = squared_cap(&leg(1.0), &leg(-1.0)).sqrt();
    Shuttle { stroke_mm, accel_mm_s2, turning_mm_s, most_mm_s }
}

/// The table for each mode of the sheet.
pub fn avoid(machine: &Machine, bands: &[Bands]) -> Vec<Avoid> {
    let of = |mode: &Mode| {
        let mut lengths: Vec<(f64, Option<u64>)> = STROKES_MM.iter().map(|&mm| (mm, None)).collect();
        let own = bands.iter().filter(|bands| bands.along == mode.along).flat_map(|bands| &bands.strokes);
        for &(mm, count) in own.filter(|(_, count)| *count >= OWN_LEAST) {
            let is_new = lengths.iter().all(|(known, _)| (mm / known - 1.0).abs() > 0.05);
            if is_new && lengths.len() < STROKES_MM.len() + OWN_MOST {
                lengths.push((mm, Some(count)));
            }
        }
        lengths.sort_by(|a, b| a.0.total_cmp(&b.0));
        let row = |&(stroke_mm, count): &(f64, Option<u64>)| {
            let shuttle = shuttle(machine, mode, stroke_mm);
            let most_hz = shuttle.hz(shuttle.most_mm_s);
            Row { stroke_mm, count, most_hz, drives: ORDERS.map(|order| shuttle.drives(mode, order)) }
        };
        let Shuttle { accel_mm_s2, turning_mm_s, .. } = shuttle(machine, mode, 1.0);
        Avoid { mode: *mode, accel_mm_s2, turning_mm_s, rows: lengths.iter().map(row).collect() }
    };
    machine.structure.modes.iter().map(of).collect()
}
