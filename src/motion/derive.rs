//! Geometry, axis caps and corner caps of a span of moves under the same limits: plain loops over columns.
//!
//! Straight moves go through the loops; the few curves of a block are put right afterwards.

use std::ops::Range;

use super::corner;
use super::curves::CurveGeometry;
use super::grid::{FLOOR, SPEED_CEILING_MM_S, squared_down};
use crate::machine::{CornerRule, E, Limits};
use crate::observe::{Block, Curve, flag};

/// Which of a block's curves belong to moves of the range.
fn curves_in(block: &Block, range: &Range<usize>) -> Range<usize> {
    let first_from = |move_index: usize| block.curves.partition_point(|(i, _)| *i < move_index);
    first_from(range.start)..first_from(range.end)
}

/// Length and direction of each move; gives back the geometry of the curves among them.
pub(super) fn geometry(block: &mut Block, range: Range<usize>) -> Vec<(usize, CurveGeometry)> {
    let count = range.len();
    block.dir.iter_mut().chain(&mut block.dir_end).for_each(|column| column.resize(range.end, 0.0));
    block.length.resize(range.end, 0.0);
    let Block { from, to, de, length, dir, dir_end, .. } = block;
    let [x0, y0, z0] = from.each_ref().map(|column| &column[range.clone()][..count]);
    let [x1, y1, z1] = to.each_ref().map(|column| &column[range.clone()][..count]);
    let [ux, uy, uz, ue] = dir.each_mut().map(|column| &mut column[range.clone()][..count]);
    let (de, length) = (&de[range.clone()][..count], &mut length[range.clone()][..count]);
    for i in 0..count {
        let (dx, dy, dz) = (x1[i] - x0[i], y1[i] - y0[i], z1[i] - z0[i]);
        let path = (dx * dx + dy * dy + dz * dz).sqrt();
        let whole = if path > 0.0 { path } else { de[i].abs() };
        let per_length = 1.0 / whole;
        length[i] = whole;
        ux[i] = dx * per_length;
        uy[i] = dy * per_length;
        uz[i] = dz * per_length;
        ue[i] = de[i] * per_length;
    }
    for axis in 0..3 {
        dir_end[axis][range.clone()].copy_from_slice(&dir[axis][range.clone()]);
    }
    let of = |&(i, ref curve): &(usize, Curve)| (i, CurveGeometry::of(curve, block.start(i), block.end(i)));
    let curves: Vec<(usize, CurveGeometry)> = block.curves[curves_in(block, &range)].iter().map(of).collect();
    for &(i, ref geometry) in &curves {
        for axis in 0..3 {
            block.dir[axis][i] = geometry.dir[axis];
            block.dir_end[axis][i] = geometry.dir_end[axis];
        }
        block.length[i] = geometry.length_mm;
        block.dir[E][i] = block.de[i] / geometry.length_mm;
    }
    curves
}

#[inline(always)]
fn smaller(a: f64, b: f64) -> f64 {
    if a < b { a } else { b }
}

/// Largest value so that no axis exceeds its limit along a direction.
#[inline(always)]
fn allowed(limits: &[f64; 4], x: f64, y: f64, z: f64, e: f64) -> f64 {
    let xy = smaller(limits[0] / x.abs(), limits[1] / y.abs());
    let ze = smaller(limits[2] / z.abs(), limits[3] / e.abs());
    smaller(xy, ze)
}

/// Acceleration by class: printing along the path with filament, travel without, retraction for filament alone.
#[inline(always)]
fn class_acceleration(flags: u8, de: f64, limits: &Limits) -> f64 {
    let on_path = if de != 0.0 { limits.printing_mm_s2 } else { limits.travel_mm_s2 };
    if flags & flag::PATH == 0 { limits.retraction_mm_s2 } else { on_path }
}

/// Top speed and acceleration of each move, and of the `curves` that [`geometry`] found among them.
pub(super) fn caps(block: &mut Block, range: Range<usize>, limits: &Limits, curves: &[(usize, CurveGeometry)]) {
    let count = range.len();
    for column in [&mut block.feed_allowed, &mut block.feed, &mut block.accel] {
        column.resize(range.end, 0.0);
    }
    let Block { de, dir, flags, feed_commanded, feed, feed_allowed, accel, .. } = block;
    let [x, y, z, e] = dir.each_ref().map(|column| &column[range.clone()][..count]);
    let (de, flags) = (&de[range.clone()][..count], &flags[range.clone()][..count]);
    let commanded = &feed_commanded[range.clone()][..count];
    let feed_allowed = &mut feed_allowed[range.clone()][..count];
    let (feed, accel) = (&mut feed[range.clone()][..count], &mut accel[range.clone()][..count]);
    for i in 0..count {
        let most = allowed(&limits.feed_rate_mm_s, x[i], y[i], z[i], e[i]);
        feed_allowed[i] = most;
        feed[i] = smaller(commanded[i], most).clamp(FLOOR, SPEED_CEILING_MM_S);
    }
    for i in 0..count {
        let most = allowed(&limits.acceleration_mm_s2, x[i], y[i], z[i], e[i]);
        accel[i] = smaller(class_acceleration(flags[i], de[i], limits), most).max(FLOOR);
    }
    for &(i, ref geometry) in curves {
        let [x, y, z] = geometry.dir_max;
        let e = block.dir[E][i];
        let class = class_acceleration(block.flags[i], block.de[i], limits);
        block.feed_allowed[i] = allowed(&limits.feed_rate_mm_s, x, y, z, e);
        block.accel[i] = class.min(allowed(&limits.acceleration_mm_s2, x, y, z, e)).max(FLOOR);
        let turning = geometry.turning_mm.map_or(f64::INFINITY, |radius| (block.accel[i] * radius).sqrt());
        let most = block.feed_commanded[i].min(block.feed_allowed[i]).min(turning);
        block.feed[i] = most.clamp(FLOOR, SPEED_CEILING_MM_S);
    }
}

/// 2 a L, but no more than the square of the move's top speed: more it can neither gain nor lose. On the grid.
#[inline(always)]
pub(super) fn step(accel: f64, length: f64, feed: f64) -> f64 {
    squared_down(smaller(2.0 * accel * length, squared_down(feed * feed)))
}

/// Squared caps of the corners between the moves of the range, appended to `out`: the same numbers as
/// [`corner::squared_cap`], column by column.
pub(super) fn corners(block: &Block, range: Range<usize>, limits: &Limits, out: &mut Vec<f64>) {
    let count = range.len() - 1;
    let start = out.len();
    out.resize(start + count, 0.0);
    let out = &mut out[start..][..count];
    let (before, after) = (range.start..range.end - 1, range.start + 1..range.end);
    let (feed_p, feed_q) = (&block.feed[before.clone()][..count], &block.feed[after.clone()][..count]);
    for i in 0..count {
        out[i] = smaller(feed_p[i], feed_q[i]);
    }
    let pair = |axis: usize| {
        let end = if axis == E { &block.dir[E] } else { &block.dir_end[axis] };
        (&end[before.clone()][..count], &block.dir[axis][after.clone()][..count])
    };
    match limits.corner {
        CornerRule::Jerk => {
            for axis in 0..4 {
                let (end, start) = pair(axis);
                for i in 0..count {
                    out[i] = corner::under_jerk(out[i], (start[i] - end[i]).abs(), limits.jerk_mm_s[axis]);
                }
            }
            for cap in out {
                *cap = squared_down(*cap * *cap);
            }
        }
        CornerRule::JunctionDeviation => {
            let [(x0, x1), (y0, y1), (z0, z1), (e0, e1)] = [pair(0), pair(1), pair(2), pair(3)];
            let (accel_p, accel_q) = (&block.accel[before.clone()][..count], &block.accel[after.clone()][..count]);
            let (flags_p, flags_q) = (&block.flags[before.clone()][..count], &block.flags[after.clone()][..count]);
            for i in 0..count {
                let accel = smaller(accel_p[i], accel_q[i]);
                let (end, start) = ([x0[i], y0[i], z0[i]], [x1[i], y1[i], z1[i]]);
                let turn = corner::by_deviation(end, start, accel, limits.junction_deviation_mm);
                let paths = [flags_p[i] & flag::PATH != 0, flags_q[i] & flag::PATH != 0];
                let cap = corner::with_filament_alone(paths, e0[i] * e1[i], turn);
                out[i] = squared_down(smaller(out[i] * out[i], cap));
            }
        }
    }
}
