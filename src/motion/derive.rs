//! Geometry, axis caps and corner caps of a span of moves under the same limits: plain loops over columns.
//!
//! Straight moves go through the loops; the few curves of a block are put right afterwards.

use std::ops::Range;

use super::corner::{self, Leg};
use super::curves::CurveGeometry;
use super::law;
use crate::block::{
    Block, flag,
    grid::{FLOOR, SPEED_CEILING_MM_S, squared_down},
};
use crate::machine::{CornerRule, E, Limits};
use crate::vectors::columns::{larger, smaller};

/// Length, direction, top speed and acceleration of each move, as if all were straight.
#[inline(always)]
pub(super) fn straight(block: &mut Block, range: Range<usize>, limits: &Limits) {
    geometry(block, range.clone());
    caps(block, range.clone(), limits);
    if let Some(most) = limits.led_filament_mm_s2() {
        range.for_each(|i| cap_by_lead(block, i, most));
    }
}

/// Lowers the acceleration of a move that lays filament so that the filament's stays within `most`, mm/s²: what some
/// controllers do for a lead (common practice, no source).
fn cap_by_lead(block: &mut Block, i: usize, most: f64) {
    if block.extrudes(i) {
        block.accel_mm_s2[i] = block.accel_mm_s2[i].min(most / block.dir[E][i]).max(FLOOR);
    }
}

#[inline(always)]
fn geometry(block: &mut Block, range: Range<usize>) {
    let count = range.len();
    let [x, y, z] = block.start(range.start);
    let Block { to, de_mm: de, length_mm: length, dir, .. } = block;
    // The end of a move is the start of the next.
    let [x1, y1, z1] = to.each_ref().map(|column| &column[range.clone()][..count]);
    let [ux, uy, uz, ue] = dir.each_mut().map(|column| &mut column[range.clone()][..count]);
    let (de, length) = (&de[range.clone()][..count], &mut length[range][..count]);
    for i in 1..count {
        let (dx, dy, dz) = (x1[i] - x1[i - 1], y1[i] - y1[i - 1], z1[i] - z1[i - 1]);
        (length[i], ux[i], uy[i], uz[i], ue[i]) = unit(dx, dy, dz, de[i]);
    }
    (length[0], ux[0], uy[0], uz[0], ue[0]) = unit(x1[0] - x, y1[0] - y, z1[0] - z, de[0]);
}

/// Length of a straight move, and its direction with dE / length.
#[inline(always)]
fn unit(dx: f64, dy: f64, dz: f64, de: f64) -> (f64, f64, f64, f64, f64) {
    let path = (dx * dx + dy * dy + dz * dz).sqrt();
    let length = if path > 0.0 { path } else { de.abs() };
    // Squares of less vanish, and a length of 0 has no direction.
    let length = larger(length, 1e-100);
    let per_length = 1.0 / length;
    (length, dx * per_length, dy * per_length, dz * per_length, de * per_length)
}

/// Largest value so that no axis exceeds its limit along a direction: the smallest limit / share. Which one that is shows
/// without dividing, and one division is much cheaper than four.
#[inline(always)]
pub(super) fn allowed(limits: &[f64; 4], x: f64, y: f64, z: f64, e: f64) -> f64 {
    let (limit, share) = corner::tighter((limits[0], x.abs()), (limits[1], y.abs()));
    let (other, other_share) = corner::tighter((limits[2], z.abs()), (limits[3], e.abs()));
    let (limit, share) = corner::tighter((limit, share), (other, other_share));
    limit / share
}

/// Acceleration by class: printing along the path with filament, travel without, retraction for filament alone.
#[inline(always)]
fn class_acceleration(flags: u8, de: f64, [printing, travel, retraction]: [f64; 3]) -> f64 {
    let on_path = if de != 0.0 { printing } else { travel };
    if flags & flag::PATH == 0 { retraction } else { on_path }
}

/// The limits of the classes, by value: loaded by reference within a loop they make it scalar.
#[inline(always)]
fn classes(limits: &Limits) -> [f64; 3] {
    [limits.printing_mm_s2, limits.travel_mm_s2, limits.retraction_mm_s2]
}

#[inline(always)]
fn caps(block: &mut Block, range: Range<usize>, limits: &Limits) {
    let count = range.len();
    let Block {
        de_mm: de,
        dir,
        flags,
        feed_commanded_mm_s,
        feed_mm_s: feed,
        feed_allowed_mm_s,
        accel_mm_s2: accel,
        ..
    } = block;
    let [x, y, z, e] = dir.each_ref().map(|column| &column[range.clone()][..count]);
    let (de, flags) = (&de[range.clone()][..count], &flags[range.clone()][..count]);
    let commanded = &feed_commanded_mm_s[range.clone()][..count];
    let feed_allowed_mm_s = &mut feed_allowed_mm_s[range.clone()][..count];
    let (feed, accel) = (&mut feed[range.clone()][..count], &mut accel[range][..count]);
    for i in 0..count {
        let most = allowed(&limits.feed_rate_mm_s, x[i], y[i], z[i], e[i]);
        feed_allowed_mm_s[i] = most;
        feed[i] = smaller(commanded[i], most).clamp(FLOOR, SPEED_CEILING_MM_S);
    }
    let classes = classes(limits);
    for i in 0..count {
        let most = allowed(&limits.acceleration_mm_s2, x[i], y[i], z[i], e[i]);
        accel[i] = smaller(class_acceleration(flags[i], de[i], classes), most).max(FLOOR);
    }
}

/// Puts right what [`straight`] did to the curves among the moves.
pub(super) fn curves(block: &mut Block, range: Range<usize>, limits: &Limits) {
    let first = block.curves.partition_point(|bend| bend.at < range.start);
    let last = block.curves.partition_point(|bend| bend.at < range.end);
    for k in first..last {
        let i = block.curves[k].at;
        let geometry = CurveGeometry::of(&block.curves[k].curve, block.start(i), block.end(i));
        block.curves[k].dir_end = geometry.dir_end;
        for axis in 0..3 {
            block.dir[axis][i] = geometry.dir[axis];
        }
        block.length_mm[i] = geometry.length_mm;
        let e = block.de_mm[i] / geometry.length_mm;
        block.dir[E][i] = e;
        let [x, y, z] = geometry.dir_max;
        let class = class_acceleration(block.flags[i], block.de_mm[i], classes(limits));
        block.feed_allowed_mm_s[i] = allowed(&limits.feed_rate_mm_s, x, y, z, e);
        block.accel_mm_s2[i] = class.min(allowed(&limits.acceleration_mm_s2, x, y, z, e)).max(FLOOR);
        if let Some(most) = limits.led_filament_mm_s2() {
            cap_by_lead(block, i, most);
        }
        let turning = (block.accel_mm_s2[i] * geometry.turning_mm).sqrt();
        let most = block.feed_commanded_mm_s[i].min(block.feed_allowed_mm_s[i]).min(turning);
        block.feed_mm_s[i] = most.clamp(FLOOR, SPEED_CEILING_MM_S);
    }
}

/// [`law::gain_squared`] of each move of the range.
#[inline(always)]
pub(super) fn steps(block: &Block, range: Range<usize>, out: &mut [f64]) {
    let count = range.len();
    let [accel, length, feed] =
        [&block.accel_mm_s2, &block.length_mm, &block.feed_mm_s].map(|column| &column[range.clone()][..count]);
    let out = &mut out[..count];
    for i in 0..count {
        out[i] = law::gain_squared(accel[i], length[i], feed[i]);
    }
}

/// Squared caps of the corners between the moves of the range, as if all were straight: the same numbers as
/// [`corner::squared_cap`], column by column.
#[inline(always)]
pub(super) fn corners(block: &Block, range: Range<usize>, limits: &Limits, out: &mut [f64]) {
    let count = range.len() - 1;
    let out = &mut out[..count];
    let (before, after) = (range.start..range.end - 1, range.start + 1..range.end);
    let (feed_p, feed_q) = (&block.feed_mm_s[before.clone()][..count], &block.feed_mm_s[after.clone()][..count]);
    let [x0, y0, z0, e0] = block.dir.each_ref().map(|column| &column[before.clone()][..count]);
    let [x1, y1, z1, e1] = block.dir.each_ref().map(|column| &column[after.clone()][..count]);
    match limits.corner {
        CornerRule::JerkByLargerSpeed => {
            for i in 0..count {
                let change = [(x0[i], x1[i]), (y0[i], y1[i]), (z0[i], z1[i]), (e0[i], e1[i])]
                    .map(|(before, after)| corner::larger_if_opposed(before, after));
                let v = corner::under_jerk(smaller(feed_p[i], feed_q[i]), change, limits.jerk_mm_s);
                out[i] = squared_down(v * v);
            }
        }
        CornerRule::Jerk => {
            for i in 0..count {
                let change = [x1[i] - x0[i], y1[i] - y0[i], z1[i] - z0[i], e1[i] - e0[i]].map(f64::abs);
                let v = corner::under_jerk(smaller(feed_p[i], feed_q[i]), change, limits.jerk_mm_s);
                out[i] = squared_down(v * v);
            }
        }
        CornerRule::JunctionDeviation => {
            let (accel_p, accel_q) =
                (&block.accel_mm_s2[before.clone()][..count], &block.accel_mm_s2[after.clone()][..count]);
            let (flags_p, flags_q) = (&block.flags[before.clone()][..count], &block.flags[after.clone()][..count]);
            for i in 0..count {
                let v = smaller(feed_p[i], feed_q[i]);
                let accel = smaller(accel_p[i], accel_q[i]);
                let (end, start) = ([x0[i], y0[i], z0[i]], [x1[i], y1[i], z1[i]]);
                let turn = corner::by_deviation(end, start, accel, limits.junction_deviation_mm);
                let paths = [flags_p[i] & flag::PATH != 0, flags_q[i] & flag::PATH != 0];
                let cap = corner::with_filament_alone(paths, e0[i] * e1[i], turn);
                out[i] = squared_down(smaller(v * v, cap));
            }
        }
    }
}

/// The caps of corners right behind a curve, which ends in another direction than it starts: `caps` begins with the
/// corner before the range.
pub(super) fn corners_behind_curves(block: &Block, range: Range<usize>, limits: &Limits, caps: &mut [f64]) {
    let first = block.curves.partition_point(|bend| bend.at < range.start);
    for bend in &block.curves[first..] {
        if bend.at + 1 >= range.end {
            break;
        }
        let (before, after) = (Leg::of(block, bend.at, limits), Leg::of(block, bend.at + 1, limits));
        caps[bend.at + 1 - range.start] = corner::squared_cap(&before, &after);
    }
}
