//! The motion law: how fast a move can be after a length, and which pieces it has.
//!
//! The trapezoid: one acceleration up to the peak, one down from it. A quintic takes the same times (`Ramps::Quintic`); a
//! limited jerk has a law and a look-ahead of its own (`super::jerk`).

use crate::block::{Block, grid};
use crate::vectors::columns::smaller;

/// By how much a move can change its squared speed, (mm/s)²: 2 a L, but no more than the square of its top speed, for more
/// it can neither gain nor lose. On the grid.
#[inline(always)]
pub(super) fn gain_squared(accel: f64, length: f64, top: f64) -> f64 {
    grid::squared_down(smaller(2.0 * accel * length, grid::squared_down(top * top)))
}

/// Fills speeds and times of a block from the squared speeds at the start and end of each move.
///
/// Peak: w = min(V², (w₀ + w₁) / 2 + a L). Times: (v − v₀) / a up, (v − v₁) / a down, and what is left of the length at
/// the peak speed.
#[inline(always)]
pub(super) fn fill(block: &mut Block, starts: &[f64], ends: &[f64]) {
    let count = starts.len();
    if count == 0 {
        return;
    }
    let Block {
        feed_mm_s: feed,
        accel_mm_s2: accel,
        length_mm: length,
        v_start_mm_s,
        v_peak_mm_s,
        v_end_mm_s,
        t_up_s,
        t_cruise_s,
        t_down_s,
        time_s,
        ..
    } = block;
    let (feed, accel, length) = (&feed[..count], &accel[..count], &length[..count]);
    let [v_start_mm_s, v_peak_mm_s, v_end_mm_s] =
        [v_start_mm_s, v_peak_mm_s, v_end_mm_s].map(|column| &mut column[..count]);
    let [t_up_s, t_cruise_s, t_down_s] = [t_up_s, t_cruise_s, t_down_s].map(|column| &mut column[..count]);
    let time_s = &mut time_s[..count];
    let ends = &ends[..count];
    for i in 0..count {
        v_end_mm_s[i] = ends[i].sqrt();
    }
    // Moves of a block follow one another without a stop, so each starts as fast as the one before it ends.
    v_start_mm_s[0] = starts[0].sqrt();
    v_start_mm_s[1..].copy_from_slice(&v_end_mm_s[..count - 1]);
    for i in 0..count {
        let speeds = [v_start_mm_s[i], v_end_mm_s[i]];
        let phases = phases([starts[i], ends[i]], speeds, feed[i], accel[i], length[i]);
        v_peak_mm_s[i] = phases.peak_mm_s;
        (t_up_s[i], t_cruise_s[i], t_down_s[i]) = (phases.up_s, phases.cruise_s, phases.down_s);
        time_s[i] = phases.time_s();
    }
}

/// The phases of one move.
pub(super) struct Phases {
    peak_mm_s: f64,
    up_s: f64,
    cruise_s: f64,
    down_s: f64,
}

impl Phases {
    /// How long the move takes, s.
    #[inline(always)]
    pub(super) fn time_s(&self) -> f64 {
        self.up_s + self.cruise_s + self.down_s
    }
}

/// Those of a move between two squared speeds, which are also given as speeds.
#[inline(always)]
pub(super) fn phases([w_start, w_end]: [f64; 2], [start, end]: [f64; 2], feed: f64, accel: f64, length: f64) -> Phases {
    let feed_squared = feed * feed;
    let triangle = (w_start + w_end) / 2.0 + accel * length;
    let cruises = triangle >= feed_squared;
    let capped = if cruises { feed_squared } else { triangle };
    let least = if w_start > w_end { w_start } else { w_end };
    let w_peak = if capped > least { capped } else { least };
    let per_accel = 1.0 / accel;
    let ramps = (w_peak - (w_start + w_end) / 2.0) * per_accel;
    let left = (length - ramps) / feed;
    let root = w_peak.sqrt();
    let peak = if cruises { feed } else { root };
    Phases {
        peak_mm_s: peak,
        up_s: grid::time((peak - start) * per_accel),
        cruise_s: grid::time(if cruises && left > 0.0 { left } else { 0.0 }),
        down_s: grid::time((peak - end) * per_accel),
    }
}
