//! Plane geometry of curved moves: true extents, distances, chords and box tests. Lengths in mm, angles in rad.
//!
//! Points are X, Y, Z in machine coordinates. A fraction runs from 0 at the start of a move to 1 at its end.

use std::f64::consts::{FRAC_PI_2, TAU};

use kurbo::{CubicBez, ParamCurve, ParamCurveArclen, ParamCurveDeriv, ParamCurveExtrema, PathEl, Point, Vec2};

/// The shape of a curved move, machine coordinates in mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Curve {
    /// A circular arc in a plane, the third axis in proportion (helix).
    Arc(Arc),
    /// A cubic Bézier curve in the X Y plane, Z in proportion to its length.
    Cubic(Cubic),
}

impl Curve {
    /// The same curve elsewhere, mm.
    pub fn moved_by(&self, by_mm: [f64; 3]) -> Self {
        match *self {
            Self::Arc(arc) => {
                let centre = [0, 1].map(|k| arc.centre[k] + by_mm[arc.axes[k]]);
                Self::Arc(Arc { centre, ..arc })
            }
            Self::Cubic(Cubic { points }) => {
                Self::Cubic(Cubic { points: points.map(|[x, y]| [x + by_mm[0], y + by_mm[1]]) })
            }
        }
    }
}

/// A circular arc.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Arc {
    /// Indices of the two plane axes and the third (right-handed: 0 1 2, 2 0 1 or 1 2 0).
    pub axes: [usize; 3],
    /// Centre on the two plane axes, mm.
    pub centre: [f64; 2],
    /// Radius: distance from start to centre, mm.
    pub radius: f64,
    /// Angle of the start as seen from the centre, rad.
    pub start_rad: f64,
    /// Signed sweep, rad; positive is counter-clockwise.
    pub sweep_rad: f64,
}

/// A cubic Bézier curve by its four points in X Y.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cubic {
    /// Start, two control points, end, mm.
    pub points: [[f64; 2]; 4],
}

/// An axis-aligned box, mm, machine coordinates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Box3 {
    /// Smallest x, y, z.
    pub min: [f64; 3],
    /// Largest x, y, z.
    pub max: [f64; 3],
}

/// Places that differ by no more are the same one to any machine, mm. Jobs round their coordinates: in inches with four
/// decimals by up to 0.00127 mm along an axis, 0.0018 mm on two, in mm with three by less; half a step of a usual belt drive
/// is 0.005 mm. Common practice, no source; not by the steps of the sheet, for a verdict should not hang on them. More than
/// 0.001 mm, so that three decimals of value and limit never read alike.
pub const TOUCH_MM: f64 = 0.002;
/// Largest distance between a curve and the chords of [`flatten`] that the checks use, mm.
pub const CHORD_MM: f64 = 0.01;
/// Most chords an arc is cut into.
const CHORDS: f64 = 100_000.0;
/// Finest tolerance of chords for the size of a curve: bounds their number whatever a job writes.
const FINEST_SHARE: f64 = 1e-8;
/// Angles closer than this to an end of an arc belong to the end, rad.
const ANGLE_EPS: f64 = 1e-9;

/// The smallest box around both points.
pub fn box_around(a: [f64; 3], b: [f64; 3]) -> Box3 {
    Box3 {
        min: [a[0].min(b[0]), a[1].min(b[1]), a[2].min(b[2])],
        max: [a[0].max(b[0]), a[1].max(b[1]), a[2].max(b[2])],
    }
}

/// Widens `extent` so that it holds `point`.
pub fn widen(extent: &mut Box3, point: [f64; 3]) {
    for (axis, &value) in point.iter().enumerate() {
        extent.min[axis] = extent.min[axis].min(value);
        extent.max[axis] = extent.max[axis].max(value);
    }
}

/// The box around a curve with these end points: end points and interior extrema.
pub fn curve_extrema(curve: &Curve, from: [f64; 3], to: [f64; 3]) -> Box3 {
    match curve {
        Curve::Arc(arc) => arc_extrema(arc, from, to),
        Curve::Cubic(cubic) => cubic_extrema(cubic, from, to),
    }
}

/// The box around an arc: its end points and its interior extrema.
pub fn arc_extrema(arc: &Arc, from: [f64; 3], to: [f64; 3]) -> Box3 {
    let mut extent = box_around(from, to);
    for point in arc_interior_extrema(arc, from, to) {
        widen(&mut extent, point);
    }
    extent
}

/// The points strictly inside an arc where one of its plane axes is extreme, at most four (of the first turn), in the
/// order of the motion. The third axis has no interior extremum: it moves in proportion to the angle.
pub fn arc_interior_extrema(arc: &Arc, from: [f64; 3], to: [f64; 3]) -> impl Iterator<Item = [f64; 3]> + use<> {
    let arc = *arc;
    let forward = arc.sweep_rad >= 0.0;
    let quarters = arc.start_rad / FRAC_PI_2;
    let first = if forward { (quarters + ANGLE_EPS).ceil() } else { (quarters - ANGLE_EPS).floor() } as i64;
    let sign = if forward { 1 } else { -1 };
    (0..4).map(move |n| first.saturating_add(sign * n)).map_while(move |quarter| {
        let turned = quarter as f64 * FRAC_PI_2 - arc.start_rad;
        if turned.abs() >= arc.sweep_rad.abs() - ANGLE_EPS {
            return None;
        }
        // Exact unit vectors, so that an extremum is centre ± radius to the last bit.
        let unit = [[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]][quarter.rem_euclid(4) as usize];
        Some(on_arc(&arc, from, to, unit, turned / arc.sweep_rad))
    })
}

/// The point of an arc at a fraction of its sweep; its exact end points at 0 and 1.
pub fn arc_point(arc: &Arc, from: [f64; 3], to: [f64; 3], fraction: f64) -> [f64; 3] {
    if fraction <= 0.0 {
        return from;
    }
    if fraction >= 1.0 {
        return to;
    }
    let (sin, cos) = (arc.start_rad + arc.sweep_rad * fraction).sin_cos();
    on_arc(arc, from, to, [cos, sin], fraction)
}

fn on_arc(arc: &Arc, from: [f64; 3], to: [f64; 3], unit: [f64; 2], fraction: f64) -> [f64; 3] {
    let [a, b, third] = arc.axes;
    let mut point = from;
    point[a] = arc.centre[0] + arc.radius * unit[0];
    point[b] = arc.centre[1] + arc.radius * unit[1];
    point[third] = from[third] + (to[third] - from[third]) * fraction;
    point
}

/// The fraction of the sweep at which an arc passes this angle for the first time; none when it does not.
pub fn arc_fraction_at(arc: &Arc, angle_rad: f64) -> Option<f64> {
    let turned = if arc.sweep_rad >= 0.0 { angle_rad - arc.start_rad } else { arc.start_rad - angle_rad };
    let sweep = arc.sweep_rad.abs();
    let turned = turned.rem_euclid(TAU);
    (turned <= sweep && sweep > 0.0).then(|| turned / sweep)
}

/// The point of an arc farthest from `point`, given on the arc's two plane axes, and that distance in the plane, mm.
pub fn arc_farthest(arc: &Arc, from: [f64; 3], to: [f64; 3], point: [f64; 2]) -> ([f64; 3], f64) {
    let [a, b, _] = arc.axes;
    let distance = |p: [f64; 3]| (p[a] - point[0]).hypot(p[b] - point[1]);
    let ends = if distance(to) > distance(from) { to } else { from };
    // The circle's farthest point lies beyond the centre, on the line through both.
    let away = [arc.centre[0] - point[0], arc.centre[1] - point[1]];
    let beyond = arc_fraction_at(arc, away[1].atan2(away[0])).filter(|_| away[0].hypot(away[1]) > 0.0);
    let best = match beyond.map(|fraction| arc_point(arc, from, to, fraction)) {
        Some(inner) if distance(inner) > distance(ends) => inner,
        _ => ends,
    };
    (best, distance(best))
}

fn bezier(cubic: &Cubic) -> CubicBez {
    let [a, b, c, d] = cubic.points.map(|[x, y]| Point::new(x, y));
    CubicBez::new(a, b, c, d)
}

/// The box around a cubic: its end points and its interior extrema.
pub fn cubic_extrema(cubic: &Cubic, from: [f64; 3], to: [f64; 3]) -> Box3 {
    let mut extent = box_around(from, to);
    for [x, y] in cubic_interior_extrema(cubic) {
        widen(&mut extent, [x, y, from[2]]);
    }
    extent
}

/// The points inside a cubic where X or Y is extreme, at most four, in the order of the motion.
pub fn cubic_interior_extrema(cubic: &Cubic) -> impl Iterator<Item = [f64; 2]> + use<> {
    let curve = bezier(cubic);
    curve.extrema().into_iter().map(move |t| {
        let point = curve.eval(t);
        [point.x, point.y]
    })
}

/// The largest share of the speed along a curve that falls to the direction `weights` (X, Y, Z; need not be a unit
/// vector): the maximum of |weights · tangent| over the curve. `dir` is the tangent at the start, `dir_end` at the end.
///
/// The tangent of an arc turns evenly, so the maximum is at an end or where the tangent points along the plane part of
/// `weights`; on a cubic also at inflections, where the tangent turns back.
pub fn largest_share(curve: &Curve, dir: [f64; 3], dir_end: [f64; 3], weights: [f64; 3]) -> f64 {
    let share = |tangent: [f64; 3]| (0..3).map(|axis| weights[axis] * tangent[axis]).sum::<f64>().abs();
    let ends = share(dir).max(share(dir_end));
    match curve {
        Curve::Arc(arc) => arc_inner_shares(arc, dir, weights).fold(ends, f64::max),
        Curve::Cubic(cubic) => cubic_inner_shares(cubic, dir, weights).fold(ends, f64::max),
    }
}

fn arc_inner_shares(arc: &Arc, dir: [f64; 3], weights: [f64; 3]) -> impl Iterator<Item = f64> + use<> {
    let [a, b, third] = arc.axes;
    let arc = *arc;
    let in_plane = dir[a].hypot(dir[b]) * weights[a].hypot(weights[b]);
    let along_third = dir[third] * weights[third];
    // The tangent is a quarter turn ahead of the radius (behind it when clockwise).
    let lead = FRAC_PI_2.copysign(arc.sweep_rad);
    let along = weights[b].atan2(weights[a]) - lead;
    [(along, in_plane), (along + std::f64::consts::PI, -in_plane)]
        .into_iter()
        .filter(move |(angle, _)| arc_fraction_at(&arc, *angle).is_some())
        .map(move |(_, share)| (share + along_third).abs())
}

fn cubic_inner_shares(cubic: &Cubic, dir: [f64; 3], weights: [f64; 3]) -> impl Iterator<Item = f64> + use<> {
    let curve = bezier(cubic);
    let slope = curve.deriv();
    let in_plane = dir[0].hypot(dir[1]);
    let along_third = dir[2] * weights[2];
    let plane = Vec2::new(weights[0], weights[1]);
    // cross(slope, plane) is a quadratic in t whose roots are the parallel tangents.
    let [p, q, r] = [slope.p0, slope.p1, slope.p2].map(|point| point.to_vec2().cross(plane));
    let parallel = kurbo::common::solve_quadratic(p, 2.0 * (q - p), p - 2.0 * q + r);
    parallel.into_iter().chain(curve.inflections()).filter(|t| (0.0..=1.0).contains(t)).map(move |t| {
        let tangent = slope.eval(t).to_vec2();
        let length = tangent.hypot();
        if length > 0.0 { (tangent.dot(plane) / length * in_plane + along_third).abs() } else { 0.0 }
    })
}

/// Goes along a curve in `parts` equal steps of its parameter; calls `take` with each point and the unit tangent there, ends
/// included. Points without a direction are left out.
pub fn along(curve: &Curve, from: [f64; 3], to: [f64; 3], parts: u32, mut take: impl FnMut([f64; 3], [f64; 3])) {
    let unit = |[x, y, z]: [f64; 3]| {
        let length = (x * x + y * y + z * z).sqrt();
        (length > 0.0).then(|| [x / length, y / length, z / length])
    };
    match curve {
        Curve::Arc(arc) => {
            let [a, b, c] = arc.axes;
            for k in 0..=parts {
                let fraction = f64::from(k) / f64::from(parts);
                let (sin, cos) = (arc.start_rad + arc.sweep_rad * fraction).sin_cos();
                let mut tangent = [0.0; 3];
                tangent[a] = -sin * arc.radius * arc.sweep_rad;
                tangent[b] = cos * arc.radius * arc.sweep_rad;
                tangent[c] = to[c] - from[c];
                unit(tangent).into_iter().for_each(|tangent| take(arc_point(arc, from, to, fraction), tangent));
            }
        }
        Curve::Cubic(cubic) => {
            let (bez, rise) = (bezier(cubic), to[2] - from[2]);
            let (slope, flat_mm) = (bez.deriv(), bez.arclen(1e-6));
            for k in 0..=parts {
                let t = f64::from(k) / f64::from(parts);
                let (point, velocity) = (bez.eval(t), slope.eval(t));
                // Z rises evenly along the path.
                let climb = if flat_mm > 0.0 { velocity.to_vec2().hypot() * rise / flat_mm } else { 0.0 };
                let tangent = unit([velocity.x, velocity.y, climb]);
                tangent.into_iter().for_each(|tangent| take([point.x, point.y, from[2] + rise * t], tangent));
            }
        }
    }
}

/// Cuts a curve into chords that stay within `tolerance_mm` of it and visits them in order. The first starts at `from`,
/// the last ends at `to`.
pub fn flatten(
    curve: &Curve,
    from: [f64; 3],
    to: [f64; 3],
    tolerance_mm: f64,
    mut visit: impl FnMut([f64; 3], [f64; 3]),
) {
    match curve {
        Curve::Arc(arc) => {
            let chords = arc_chords(arc, tolerance_mm);
            let mut at = from;
            for n in 1..=chords {
                let next = arc_point(arc, from, to, f64::from(n) / f64::from(chords));
                visit(at, next);
                at = next;
            }
        }
        Curve::Cubic(cubic) => flatten_cubic(&bezier(cubic), from, to, tolerance_mm, &mut visit),
    }
}

fn arc_chords(arc: &Arc, tolerance_mm: f64) -> u32 {
    // The sagitta of a chord that spans the angle s is radius (1 - cos(s / 2)).
    let tolerance_mm = tolerance_mm.max(FINEST_SHARE * arc.radius);
    let span = 2.0 * (1.0 - tolerance_mm / arc.radius).max(0.0).acos();
    (arc.sweep_rad.abs() / span).ceil().clamp(1.0, CHORDS) as u32
}

fn flatten_cubic(
    curve: &CubicBez,
    from: [f64; 3],
    to: [f64; 3],
    tolerance_mm: f64,
    visit: &mut impl FnMut([f64; 3], [f64; 3]),
) {
    let reach = [curve.p1, curve.p2, curve.p3].map(|point| (point - curve.p0).hypot()).into_iter().fold(0.0, f64::max);
    let tolerance_mm = tolerance_mm.max(FINEST_SHARE * reach);
    let mut corners = Vec::new();
    kurbo::flatten([PathEl::MoveTo(curve.p0), PathEl::CurveTo(curve.p1, curve.p2, curve.p3)], tolerance_mm, |el| {
        if let PathEl::LineTo(point) = el {
            corners.push(point);
        }
    });
    let length = curve.arclen(tolerance_mm).max(f64::MIN_POSITIVE);
    let (mut at, mut gone) = (from, 0.0);
    for (n, &corner) in corners.iter().enumerate() {
        gone += (corner.x - at[0]).hypot(corner.y - at[1]);
        let z = from[2] + (to[2] - from[2]) * (gone / length).min(1.0);
        let next = if n + 1 == corners.len() { to } else { [corner.x, corner.y, z] };
        visit(at, next);
        at = next;
    }
}

/// The fraction of a straight path at which it enters the open box; 0 when it starts inside, none when it stays out.
/// A path that only touches a face, to within [`TOUCH_MM`], stays out.
///
/// Slab test: the parts of the path between each pair of faces must overlap.
pub fn segment_hits_box(a: [f64; 3], b: [f64; 3], min: [f64; 3], max: [f64; 3]) -> Option<f64> {
    enters(a, b, min.map(|mm| mm + TOUCH_MM), max.map(|mm| mm - TOUCH_MM))?;
    enters(a, b, min, max)
}

/// The same to the very face.
fn enters(a: [f64; 3], b: [f64; 3], min: [f64; 3], max: [f64; 3]) -> Option<f64> {
    let (mut enter, mut leave) = (0.0_f64, 1.0_f64);
    for axis in 0..3 {
        let (low, high) = (min[axis], max[axis]);
        let run = b[axis] - a[axis];
        if run == 0.0 {
            if !(low < a[axis] && a[axis] < high) {
                return None;
            }
            continue;
        }
        let (near, far) = ((low - a[axis]) / run, (high - a[axis]) / run);
        if low >= high {
            return None;
        }
        enter = enter.max(near.min(far));
        leave = leave.min(near.max(far));
    }
    (enter < leave || (a == b && enter <= leave)).then_some(enter)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// NIST RS274/NGC version 3, the arc example of G2: clockwise from (7, 7) to (10, 16) about (10, 11).
    fn example() -> (Arc, [f64; 3], [f64; 3]) {
        let start = (-4.0_f64).atan2(-3.0);
        let sweep = -143.130_102_354_156_f64.to_radians();
        let arc = Arc { axes: [0, 1, 2], centre: [10.0, 11.0], radius: 5.0, start_rad: start, sweep_rad: sweep };
        (arc, [7.0, 7.0, 0.0], [10.0, 16.0, 1.0])
    }

    fn near(a: [f64; 3], b: [f64; 3]) -> bool {
        (0..3).all(|axis| (a[axis] - b[axis]).abs() < 1e-9)
    }

    #[test]
    fn the_published_clockwise_arc_bulges_to_x_5() {
        let (arc, from, to) = example();
        let extent = arc_extrema(&arc, from, to);
        assert_eq!((extent.min[0], extent.max[0]), (5.0, 10.0));
        assert_eq!((extent.min[1], extent.max[1]), (7.0, 16.0));
        assert_eq!((extent.min[2], extent.max[2]), (0.0, 1.0));
        let inner: Vec<_> = arc_interior_extrema(&arc, from, to).collect();
        assert_eq!(inner.len(), 1, "the end at 90 degrees is an end, no interior extremum: {inner:?}");
        assert_eq!((inner[0][0], inner[0][1]), (5.0, 11.0));
        let z = (233.130_102_354_156 - 180.0) / 143.130_102_354_156;
        assert!((inner[0][2] - z).abs() < 1e-12, "helix height in proportion to the angle");
        assert!(near(arc_point(&arc, from, to, 1.0 - 1e-12), to), "the sweep ends at the end point");
    }

    #[test]
    fn a_full_circle_reaches_all_four_sides_from_any_start() {
        for start in [0.0, 0.3, FRAC_PI_2, 3.0, -2.0] {
            for sweep in [TAU, -TAU] {
                let arc = Arc { axes: [0, 1, 2], centre: [1.0, 2.0], radius: 3.0, start_rad: start, sweep_rad: sweep };
                let from = [1.0 + 3.0 * start.cos(), 2.0 + 3.0 * start.sin(), 0.0];
                let extent = arc_extrema(&arc, from, from);
                assert!(near(extent.min, [-2.0, -1.0, 0.0]) && near(extent.max, [4.0, 5.0, 0.0]), "{extent:?}");
            }
        }
    }

    #[test]
    fn an_arc_in_another_plane_keeps_its_axes() {
        // Plane Z X (G18): first plane axis Z, second X.
        let arc = Arc { axes: [2, 0, 1], centre: [0.0, 0.0], radius: 2.0, start_rad: -0.5, sweep_rad: 1.0 };
        let (sin, cos) = 0.5_f64.sin_cos();
        let extent = arc_extrema(&arc, [-2.0 * sin, 7.0, 2.0 * cos], [2.0 * sin, 7.0, 2.0 * cos]);
        assert!(near(extent.max, [2.0 * sin, 7.0, 2.0]), "{extent:?}");
        assert!(near(extent.min, [-2.0 * sin, 7.0, 2.0 * cos]), "{extent:?}");
    }

    #[test]
    fn the_farthest_point_lies_beyond_the_centre_or_at_an_end() {
        let (arc, from, to) = example();
        let (point, distance) = arc_farthest(&arc, from, to, [20.0, 11.0]);
        assert!(near([point[0], point[1], 0.0], [5.0, 11.0, 0.0]) && (distance - 15.0).abs() < 1e-9);
        let (point, distance) = arc_farthest(&arc, from, to, [0.0, 11.0]);
        assert_eq!(point, to, "the far side of the circle is not on the arc");
        assert!((distance - 125.0_f64.sqrt()).abs() < 1e-9);
        let (_, distance) = arc_farthest(&arc, from, to, [10.0, 11.0]);
        assert!((distance - 5.0).abs() < 1e-9, "from the centre every point is a radius away");
    }

    #[test]
    fn a_cubic_reaches_less_far_than_its_control_points() {
        let cubic = Cubic { points: [[0.0, 0.0], [0.0, 4.0], [4.0, 4.0], [4.0, 0.0]] };
        let extent = cubic_extrema(&cubic, [0.0; 3], [4.0, 0.0, 1.0]);
        assert!(near(extent.max, [4.0, 3.0, 1.0]) && near(extent.min, [0.0; 3]), "{extent:?}");
        let top: Vec<_> = cubic_interior_extrema(&cubic).filter(|p| (p[1] - 3.0).abs() < 1e-9).collect();
        assert_eq!(top.len(), 1);
    }

    #[test]
    fn a_box_is_hit_inside_and_not_on_its_faces() {
        let (min, max) = ([10.0, 10.0, 0.0], [20.0, 20.0, 5.0]);
        let hit = |a, b| segment_hits_box(a, b, min, max);
        let enter = hit([0.0, 15.0, 1.0], [40.0, 15.0, 1.0]).expect("through the middle");
        assert_eq!(enter, 0.25, "at the very face");
        assert_eq!(hit([15.0, 15.0, 1.0], [40.0, 15.0, 1.0]), Some(0.0), "from inside");
        assert_eq!(hit([15.0, 15.0, 1.0], [15.0, 15.0, 1.0]), Some(0.0), "a point inside");
        assert_eq!(hit([0.0, 15.0, 5.0], [40.0, 15.0, 5.0]), None, "along the top");
        assert_eq!(hit([0.0, 10.0, 1.0], [40.0, 10.0, 1.0]), None, "along a side");
        assert_eq!(hit([0.0, 15.0, 1.0], [10.0, 15.0, 1.0]), None, "up to a face");
        assert_eq!(hit([0.0, 15.0, 1.0], [10.0019, 15.0, 1.0]), None, "to a rounding beyond it");
        assert!(hit([0.0, 15.0, 1.0], [10.0021, 15.0, 1.0]).is_some(), "a little further");
        assert_eq!(hit([15.0, 15.0, 9.0], [15.0, 15.0, 5.0]), None, "down to the top");
        assert_eq!(hit([0.0, 18.0, 1.0], [10.0, 28.0, 1.0]), None, "past a corner");
        assert_eq!(hit([5.0, 15.0, 1.0], [15.0, 25.0, 1.0]), None, "through a corner edge only");
        assert_eq!(segment_hits_box([0.0; 3], [2.0; 3], [1.0; 3], [1.0; 3]), None, "a box without inside");
    }

    #[test]
    fn an_arc_is_cut_into_chords_that_meet_its_ends() {
        let (arc, from, to) = example();
        let mut chords = Vec::new();
        flatten(&Curve::Arc(arc), from, to, CHORD_MM, |a, b| chords.push((a, b)));
        assert_eq!((chords[0].0, chords[chords.len() - 1].1), (from, to));
        for (a, b) in &chords {
            let middle = ((a[0] + b[0]) / 2.0 - 10.0).hypot((a[1] + b[1]) / 2.0 - 11.0);
            assert!(5.0 - middle <= CHORD_MM + 1e-12, "sagitta {}", 5.0 - middle);
        }
        assert!(chords.len() < 40, "no finer than needed: {}", chords.len());
    }

    #[test]
    fn the_largest_share_of_an_arc_is_found_inside_it() {
        let (arc, ..) = example();
        // Clockwise: the tangent at the start is the radius turned by -90 degrees.
        let dir = [-4.0 / 5.0, 3.0 / 5.0, 0.0];
        let dir_end = [1.0, 0.0, 0.0];
        let share = |w| largest_share(&Curve::Arc(arc), dir, dir_end, w);
        assert!((share([0.0, 1.0, 0.0]) - 1.0).abs() < 1e-9, "straight up at x = 5");
        assert!((share([1.0, 1.0, 0.0]) - 2.0_f64.sqrt()).abs() < 1e-9);
        let short = Arc { sweep_rad: -0.1, ..arc };
        let end = [(short.start_rad - 0.1).sin(), -(short.start_rad - 0.1).cos(), 0.0];
        let share = largest_share(&Curve::Arc(short), dir, end, [0.0, 1.0, 0.0]);
        assert!((share - end[1]).abs() < 1e-9, "at the end of a short arc: {share}");
    }

    fn cubic_point(c: &Cubic, t: f64) -> [f64; 2] {
        let p = bezier(c).eval(t);
        [p.x, p.y]
    }

    fn arcs() -> impl Strategy<Value = (Arc, [f64; 3], [f64; 3])> {
        (-4.0..4.0_f64, -TAU..TAU, 0.1..50.0_f64, -5.0..5.0_f64).prop_map(|(start_rad, sweep_rad, radius, rise)| {
            let arc = Arc { axes: [0, 1, 2], centre: [3.0, -4.0], radius, start_rad, sweep_rad };
            let at = |angle: f64, z| [3.0 + radius * angle.cos(), -4.0 + radius * angle.sin(), z];
            (arc, at(start_rad, 0.0), at(start_rad + sweep_rad, rise))
        })
    }

    proptest! {
        #[test]
        fn every_point_of_an_arc_is_in_its_box_and_the_box_is_tight((arc, from, to) in arcs()) {
            let extent = arc_extrema(&arc, from, to);
            let mut sampled = box_around(from, to);
            for n in 0..=2000 {
                let point = arc_point(&arc, from, to, f64::from(n) / 2000.0);
                for (axis, at) in point.iter().enumerate() {
                    prop_assert!(extent.min[axis] - 1e-9 <= *at && *at <= extent.max[axis] + 1e-9);
                }
                widen(&mut sampled, point);
            }
            for axis in 0..3 {
                prop_assert!((sampled.max[axis] - extent.max[axis]).abs() < 1e-3);
                prop_assert!((sampled.min[axis] - extent.min[axis]).abs() < 1e-3);
            }
        }

        #[test]
        fn no_point_of_an_arc_is_farther_than_the_farthest((arc, from, to) in arcs(), x in -60.0..60.0, y in -60.0..60.0) {
            let (_, distance) = arc_farthest(&arc, from, to, [x, y]);
            let sampled = (0..=2000)
                .map(|n| arc_point(&arc, from, to, f64::from(n) / 2000.0))
                .fold(0.0, |far: f64, p| far.max((p[0] - x).hypot(p[1] - y)));
            prop_assert!(sampled <= distance + 1e-9 && distance - sampled < 1e-3);
        }

        #[test]
        fn the_largest_share_agrees_with_sampled_tangents(
            points in prop::array::uniform4(prop::array::uniform2(-20.0..20.0_f64)),
            weights in prop::array::uniform2(-2.0..2.0_f64),
        ) {
            let cubic = Cubic { points };
            let slope = bezier(&cubic).deriv();
            let tangent = |t: f64| {
                let v = slope.eval(t).to_vec2();
                [v.x / v.hypot(), v.y / v.hypot(), 0.0]
            };
            let weights = [weights[0], weights[1], 0.0];
            let share = largest_share(&Curve::Cubic(cubic), tangent(0.0), tangent(1.0), weights);
            let sampled = (0..=4000)
                .map(|n| tangent(f64::from(n) / 4000.0))
                .fold(0.0, |most: f64, t| most.max((t[0] * weights[0] + t[1] * weights[1]).abs()));
            prop_assert!(sampled <= share + 1e-6, "sampled {sampled}, found {share}");
            prop_assert!(share <= weights[0].hypot(weights[1]) + 1e-9);
        }

        #[test]
        fn chords_of_a_cubic_join_up(points in prop::array::uniform4(prop::array::uniform2(-20.0..20.0_f64))) {
            let cubic = Cubic { points };
            let (from, to) = ([points[0][0], points[0][1], 0.0], [points[3][0], points[3][1], 2.0]);
            let mut at = from;
            let mut most = f64::MIN;
            flatten(&Curve::Cubic(cubic), from, to, CHORD_MM, |a, b| {
                assert_eq!(a, at);
                assert!(b[2] >= a[2] - 1e-9 && b[2] <= 2.0);
                most = most.max(a[0]).max(b[0]);
                at = b;
            });
            prop_assert_eq!(at, to);
            let extent = cubic_extrema(&cubic, from, to);
            prop_assert!(most <= extent.max[0] + 2.0 * CHORD_MM && most >= extent.max[0] - 2.0 * CHORD_MM);
            prop_assert!(cubic_point(&cubic, 0.5)[0] <= extent.max[0] + 1e-9);
        }
    }
}
