//! Length, tangents and largest axis shares of arcs and cubics.

use kurbo::{CubicBez, ParamCurve, ParamCurveArclen};

use crate::geometry::{Arc, Cubic, Curve};

/// What the planner needs of a curved move.
#[derive(Debug, Clone, Copy)]
pub(super) struct CurveGeometry {
    /// Along the path, mm.
    pub length_mm: f64,
    /// Unit tangent at the start.
    pub dir: [f64; 3],
    /// Unit tangent at the end.
    pub dir_end: [f64; 3],
    /// Largest |tangent component| met on the way.
    pub dir_max: [f64; 3],
    /// Largest speed² over acceleration that the smallest radius allows, mm: v² ≤ a × this. Infinite where nothing turns.
    pub turning_mm: f64,
}

impl CurveGeometry {
    pub(super) fn of(curve: &Curve, from: [f64; 3], to: [f64; 3]) -> Self {
        match curve {
            Curve::Arc(arc) => of_arc(arc, from, to),
            Curve::Cubic(cubic) => of_cubic(cubic, to[2] - from[2]),
        }
    }
}

fn of_arc(arc: &Arc, from: [f64; 3], to: [f64; 3]) -> CurveGeometry {
    let [a, b, c] = arc.axes;
    let rise = to[c] - from[c];
    let plane_mm = arc.radius * arc.sweep_rad.abs();
    let length_mm = plane_mm.hypot(rise);
    let share = plane_mm / length_mm;
    let turn = arc.sweep_rad.signum();
    let tangent = |angle: f64| {
        let mut dir = [0.0; 3];
        dir[a] = -angle.sin() * turn * share;
        dir[b] = angle.cos() * turn * share;
        dir[c] = rise / length_mm;
        dir
    };
    let end_rad = arc.start_rad + arc.sweep_rad;
    let (dir, dir_end) = (tangent(arc.start_rad), tangent(end_rad));
    let mut dir_max = [0, 1, 2].map(|axis| f64::max(dir[axis].abs(), dir_end[axis].abs()));
    // The tangent lies along the first axis a quarter turn after the radius does, and along the second where the
    // radius lies along the first.
    if passes(arc, std::f64::consts::FRAC_PI_2) {
        dir_max[a] = share;
    }
    if passes(arc, 0.0) {
        dir_max[b] = share;
    }
    // Centripetal: (v × share)² ≤ a r.
    CurveGeometry { length_mm, dir, dir_end, dir_max, turning_mm: arc.radius / (share * share) }
}

/// True when the arc passes an angle of `phase` plus any number of half turns.
fn passes(arc: &Arc, phase: f64) -> bool {
    let (low, high) = if arc.sweep_rad < 0.0 {
        (arc.start_rad + arc.sweep_rad, arc.start_rad)
    } else {
        (arc.start_rad, arc.start_rad + arc.sweep_rad)
    };
    let pi = std::f64::consts::PI;
    ((low - phase) / pi).ceil() * pi + phase <= high
}

fn of_cubic(cubic: &Cubic, rise: f64) -> CurveGeometry {
    let [p0, p1, p2, p3] = cubic.points;
    let bez = CubicBez::new((p0[0], p0[1]), (p1[0], p1[1]), (p2[0], p2[1]), (p3[0], p3[1]));
    let reach_mm = cubic.points.iter().map(|p| (p[0] - p0[0]).hypot(p[1] - p0[1])).fold(0.0, f64::max);
    // Of a long curve no f64 knows the length as well as of a short one.
    let plane_mm = bez.arclen(1e-9_f64.max(1e-12 * reach_mm));
    let length_mm = plane_mm.hypot(rise);
    let share = plane_mm / length_mm;
    let space = |flat: [f64; 2]| [flat[0] * share, flat[1] * share, rise / length_mm];
    let dir = space(first_direction([p0, p1, p2, p3]));
    let back = first_direction([p3, p2, p1, p0]);
    let dir_end = space([-back[0], -back[1]]);
    let mut dir_max = [0, 1, 2].map(|axis| f64::max(dir[axis].abs(), dir_end[axis].abs()));
    // The derivative is a quadratic Bézier over these three differences.
    let d = [[p0, p1], [p1, p2], [p2, p3]].map(|[from, to]| [to[0] - from[0], to[1] - from[1]]);
    let velocity = |t: f64| {
        let (s, u) = (t, 1.0 - t);
        [0, 1].map(|i| u * u * d[0][i] + 2.0 * u * s * d[1][i] + s * s * d[2][i])
    };
    let mut take = |t: f64| {
        let v = velocity(t);
        let speed = v[0].hypot(v[1]);
        if speed > 0.0 {
            for axis in 0..2 {
                dir_max[axis] = dir_max[axis].max(v[axis].abs() / speed * share);
            }
        }
    };
    // The share of an axis is largest where the other's speed is zero, or where the curve stops turning (inflection).
    let [first, second, third] = d;
    for ((d0, d1), d2) in first.into_iter().zip(second).zip(third) {
        roots_in_unit(d0 - 2.0 * d1 + d2, 2.0 * (d1 - d0), d0, &mut take);
    }
    let cross = |p: [f64; 2], q: [f64; 2]| p[0] * q[1] - p[1] * q[0];
    let (c01, c02, c12) = (cross(d[0], d[1]), cross(d[0], d[2]), cross(d[1], d[2]));
    roots_in_unit(c01 - c02 + c12, c02 - 2.0 * c01, c01, &mut take);
    CurveGeometry { length_mm, dir, dir_end, dir_max, turning_mm: tightest_mm(&bez) / (share * share) }
}

/// Parts into which a cubic is cut to find its smallest radius.
const TURNING_PARTS: u32 = 64;

/// Smallest radius of a cubic, mm: of the circles through three points in a row, 1/64 of the parameter apart. On a smooth
/// curve that is the radius of curvature to the second order of the step; a cusp, or an end whose control points meet,
/// counts as what it turns over such a piece, not as a point without a radius.
fn tightest_mm(bez: &CubicBez) -> f64 {
    let point = |k: u32| bez.eval(f64::from(k) / f64::from(TURNING_PARTS));
    let radius = |k: u32| {
        let (a, b, c) = (point(k - 1), point(k), point(k + 1));
        let (ab, bc, ca) = (b - a, c - b, a - c);
        let twice_area = ab.cross(bc).abs();
        // R = a b c / (4 area); three points on a line have no circle.
        if twice_area > 0.0 { ab.hypot() * bc.hypot() * ca.hypot() / (2.0 * twice_area) } else { f64::INFINITY }
    };
    (1..TURNING_PARTS).map(radius).fold(f64::INFINITY, f64::min)
}

/// Direction of a Bézier at its first point: towards the next point that differs.
fn first_direction(points: [[f64; 2]; 4]) -> [f64; 2] {
    for point in &points[1..] {
        let (dx, dy) = (point[0] - points[0][0], point[1] - points[0][1]);
        let length = dx.hypot(dy);
        if length > 1e-12 {
            return [dx / length, dy / length];
        }
    }
    [1.0, 0.0]
}

/// Calls `take` with the roots of a t² + b t + c inside (0, 1).
fn roots_in_unit(a: f64, b: f64, c: f64, take: &mut impl FnMut(f64)) {
    for root in kurbo::common::solve_quadratic(c, b, a) {
        if root > 0.0 && root < 1.0 {
            take(root);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn helix_of_the_standard() {
        // NIST RS274/NGC 3.5.3.2, the arc example: from X7 Y7, `G2 x10 y16 i3 j4`, radius 5, sweep 143.13°; helix to Z9.
        let arc = Arc {
            axes: [0, 1, 2],
            centre: [10.0, 11.0],
            radius: 5.0,
            start_rad: (-4.0f64).atan2(-3.0),
            sweep_rad: -143.130102354156f64.to_radians(),
        };
        let flat = of_arc(&arc, [7.0, 7.0, 0.0], [10.0, 16.0, 0.0]);
        assert!((flat.length_mm - 12.490457723982544).abs() < 1e-12);
        // It passes the point x = 5, where the tangent lies along Y, and ends at the top, where it lies along X.
        assert!((flat.dir_max[0] - 1.0).abs() < 1e-9 && flat.dir_max[1] == 1.0);
        let helix = of_arc(&arc, [7.0, 7.0, 0.0], [10.0, 16.0, 1.2]);
        assert!((helix.length_mm - 12.54796932394223).abs() < 1e-12);
    }

    #[test]
    fn straight_cubic_is_a_line() {
        let cubic = Cubic { points: [[0.0, 0.0], [1.0, 1.0], [2.0, 2.0], [3.0, 3.0]] };
        let geometry = of_cubic(&cubic, 0.0);
        assert!((geometry.length_mm - 18f64.sqrt()).abs() < 1e-9);
        assert!((geometry.dir[0] - 0.5f64.sqrt()).abs() < 1e-12);
        assert_eq!(geometry.dir, geometry.dir_end);
    }

    #[test]
    fn the_smallest_radius_is_that_of_the_curve() {
        // y = x² from −1 to 1 as a cubic; its radius of curvature (1 + 4 x²)^1.5 / 2 is 0.5 at the vertex (any calculus text).
        let parabola = Cubic { points: [[-1.0, 1.0], [-1.0 / 3.0, -1.0 / 3.0], [1.0 / 3.0, -1.0 / 3.0], [1.0, 1.0]] };
        assert!((of_cubic(&parabola, 0.0).turning_mm - 0.5).abs() < 1e-3);
        // The usual cubic of a quarter circle (handle 0.5523 of the radius, from memory) is within 0.03 % of it in place.
        let k = 0.552_284_749_8 * 10.0;
        let quarter = Cubic { points: [[10.0, 0.0], [10.0, k], [k, 10.0], [0.0, 10.0]] };
        assert!((of_cubic(&quarter, 0.0).turning_mm / 10.0 - 1.0).abs() < 0.02);
        let line = Cubic { points: [[0.0, 0.0], [1.0, 1.0], [2.0, 2.0], [3.0, 3.0]] };
        assert!(of_cubic(&line, 0.0).turning_mm > 1e6);
    }

    #[test]
    fn largest_share_is_found_inside_a_cubic() {
        // Symmetric arch: the tangent lies along X at the top only.
        let cubic = Cubic { points: [[0.0, 0.0], [0.0, 10.0], [10.0, 10.0], [10.0, 0.0]] };
        let geometry = of_cubic(&cubic, 0.0);
        assert!(geometry.dir[0].abs() < 1e-12);
        assert!((geometry.dir_max[0] - 1.0).abs() < 1e-12);
    }
}
