//! Trapezoids: from settled squared speeds to speeds and times.

use super::grid;
use crate::observe::Block;

/// Fills speeds and times of a block from (w at start, w at end) of each move.
///
/// Peak: w = min(V², (w₀ + w₁) / 2 + a L). Times: (v − v₀) / a up, (v − v₁) / a down, and what is left of the length at
/// the peak speed.
pub(super) fn fill(block: &mut Block, speeds: &[(f64, f64)]) {
    for (i, &(w_start, w_end)) in speeds.iter().enumerate() {
        let (feed, accel, length) = (block.feed[i], block.accel[i], block.length[i]);
        let feed_squared = feed * feed;
        let triangle = (w_start + w_end) / 2.0 + accel * length;
        let cruises = triangle >= feed_squared;
        let w_peak = if cruises { feed_squared } else { triangle }.max(w_start).max(w_end);
        let (v_start, v_end) = (w_start.sqrt(), w_end.sqrt());
        let v_peak = if cruises { feed } else { w_peak.sqrt() };
        let ramps = (2.0 * w_peak - w_start - w_end) / (2.0 * accel);
        let cruise = if cruises { ((length - ramps) / feed).max(0.0) } else { 0.0 };
        block.v_start.push(v_start);
        block.v_peak.push(v_peak);
        block.v_end.push(v_end);
        block.t_up.push(grid::time((v_peak - v_start) / accel));
        block.t_cruise.push(grid::time(cruise));
        block.t_down.push(grid::time((v_peak - v_end) / accel));
    }
}
