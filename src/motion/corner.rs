//! The speed through a corner, and from and to rest.

use crate::block::grid::squared_down;
use crate::machine::CornerRule;

/// Direction components closer than this are the same: rounding of coordinates is no corner.
pub(super) const SAME_DIRECTION: f64 = 1e-9;

/// What a corner needs to know of a move.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Leg {
    /// Direction at its start: X, Y, Z of the unit tangent, and dE / length.
    pub start: [f64; 4],
    /// Direction at its end.
    pub end: [f64; 4],
    /// False when only the extruder moves.
    pub path: bool,
    /// Its capped speed, mm/s.
    pub feed_mm_s: f64,
    /// Its acceleration, mm/s².
    pub accel_mm_s2: f64,
    /// Corner rule in force.
    pub rule: CornerRule,
    /// Largest step of speed per axis, mm/s.
    pub jerk_mm_s: [f64; 4],
    /// Junction deviation, mm.
    pub junction_deviation_mm: f64,
}

impl Leg {
    /// Squared speed to start from rest or to come to rest with, on the grid, (mm/s)²: by the jerk rule v |u_i| ≤ jerk_i
    /// on every axis, else 0. A move has the same |u_i| at both ends, but a curve has not: the rest at its start is meant
    /// when it begins a run, that at its end when it ends one; see [`Self::rest_at_end_squared`].
    pub(crate) fn rest_squared(&self) -> f64 {
        self.rest(self.start)
    }

    /// The same at the end of the move.
    pub(crate) fn rest_at_end_squared(&self) -> f64 {
        self.rest(self.end)
    }

    fn rest(&self, dir: [f64; 4]) -> f64 {
        match self.rule {
            CornerRule::JunctionDeviation => 0.0,
            CornerRule::Jerk | CornerRule::JerkByLargerSpeed => {
                let mut v = self.feed_mm_s;
                for (component, jerk) in dir.into_iter().zip(self.jerk_mm_s) {
                    let u = component.abs();
                    if u > SAME_DIRECTION && jerk < v * u {
                        v = jerk / u;
                    }
                }
                squared_down(v * v)
            }
        }
    }
}

/// Squared speed through the corner between two moves, on the grid, (mm/s)².
pub(crate) fn squared_cap(before: &Leg, after: &Leg) -> f64 {
    let v = before.feed_mm_s.min(after.feed_mm_s);
    let cap = match after.rule {
        CornerRule::Jerk => by_jerk(before, after, v, difference),
        CornerRule::JerkByLargerSpeed => by_jerk(before, after, v, larger_if_opposed),
        CornerRule::JunctionDeviation => by_junction_deviation(before, after),
    };
    squared_down(f64::min(v * v, cap))
}

/// |v (u_after − u_before)_i| ≤ jerk_i for X, Y, Z, E, with the smaller jerk of the two moves. Starts from v. What of two
/// direction components counts is given: [`difference`] or [`larger_if_opposed`].
fn by_jerk(before: &Leg, after: &Leg, v: f64, counted: fn(f64, f64) -> f64) -> f64 {
    let change = [0, 1, 2, 3].map(|axis| counted(before.end[axis], after.start[axis]));
    let jerk = [0, 1, 2, 3].map(|axis| before.jerk_mm_s[axis].min(after.jerk_mm_s[axis]));
    let v = under_jerk(v, change, jerk);
    v * v
}

/// |u₁ − u₀|.
#[inline(always)]
pub(super) fn difference(before: f64, after: f64) -> f64 {
    (after - before).abs()
}

/// The larger of |u₀| and |u₁| where they are opposed, else |u₁ − u₀|.
#[inline(always)]
pub(super) fn larger_if_opposed(before: f64, after: f64) -> f64 {
    let (size_before, size_after) = (before.abs(), after.abs());
    let larger = if size_before > size_after { size_before } else { size_after };
    if before * after < 0.0 { larger } else { (after - before).abs() }
}

/// The largest speed up to v at which no axis, whose direction component changes by `change`, steps by more than `jerk`.
#[inline(always)]
pub(super) fn under_jerk(v: f64, change: [f64; 4], jerk: [f64; 4]) -> f64 {
    let [x, y, z, e] = change.map(|change| if change > SAME_DIRECTION { change } else { 0.0 });
    let (xy, ze) = (tighter((jerk[0], x), (jerk[1], y)), tighter((jerk[2], z), (jerk[3], e)));
    let (jerk, change) = tighter(xy, ze);
    let most = jerk / change;
    if (change > 0.0) & (most < v) { most } else { v }
}

/// The pair of limit and share whose quotient is smaller, found without dividing. A share of 0 limits nothing, not even at
/// limit 0.
#[inline(always)]
pub(super) fn tighter(a: (f64, f64), b: (f64, f64)) -> (f64, f64) {
    let first = (a.0 * b.1 < b.0 * a.1) | (b.1 == 0.0);
    (if first { a.0 } else { b.0 }, if first { a.1 } else { b.1 })
}

fn by_junction_deviation(before: &Leg, after: &Leg) -> f64 {
    let accel = before.accel_mm_s2.min(after.accel_mm_s2);
    let [x0, y0, z0, e0] = before.end;
    let [x1, y1, z1, e1] = after.start;
    let turn = by_deviation([x0, y0, z0], [x1, y1, z1], accel, after.junction_deviation_mm);
    with_filament_alone([before.path, after.path], e0 * e1, turn)
}

/// The cap where one or both moves are filament alone: none between two of one sign, else a stop.
#[inline(always)]
pub(super) fn with_filament_alone(paths: [bool; 2], signs: f64, turn: f64) -> f64 {
    match paths {
        [true, true] => turn,
        [false, false] if signs > 0.0 => f64::INFINITY,
        _ => 0.0,
    }
}

/// v² ≤ a δ s / (1 − s), s the sine of half the inner angle.
///
/// The circle of radius r that touches both legs has its centre at r / s from the corner, so it passes the corner at
/// δ = r / s − r; hence r = δ s / (1 − s), and v² = a r. With u, w the unit directions, s = |u + w| / 2, and
/// 1 − s = |u − w|² / (4 (1 + s)) keeps its digits on nearly straight corners.
#[inline(always)]
pub(super) fn by_deviation(end: [f64; 3], start: [f64; 3], accel: f64, deviation_mm: f64) -> f64 {
    let [px, py, pz] = [start[0] + end[0], start[1] + end[1], start[2] + end[2]];
    let [mx, my, mz] = [start[0] - end[0], start[1] - end[1], start[2] - end[2]];
    let (sum, difference) = (px * px + py * py + pz * pz, mx * mx + my * my + mz * mz);
    let s = sum.sqrt() / 2.0;
    let cap = accel * deviation_mm * s * 4.0 * (1.0 + s) / difference;
    if difference < SAME_DIRECTION * SAME_DIRECTION { f64::INFINITY } else { cap }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn leg(degrees: f64, rule: CornerRule, jerk: f64, deviation: f64) -> Leg {
        let dir = [degrees.to_radians().cos(), degrees.to_radians().sin(), 0.0, 0.0];
        Leg {
            start: dir,
            end: dir,
            path: true,
            feed_mm_s: 500.0,
            accel_mm_s2: 1000.0,
            rule,
            jerk_mm_s: [jerk; 4],
            junction_deviation_mm: deviation,
        }
    }

    fn corner(turn: f64, rule: CornerRule, jerk: f64, deviation: f64) -> f64 {
        squared_cap(&leg(0.0, rule, jerk, deviation), &leg(turn, rule, jerk, deviation)).sqrt()
    }

    #[test]
    fn jerk_values() {
        // Jerk 8 mm/s per axis: geometry, worked out by hand (|1 − cos|, |sin| of the turn).
        for (turn, v) in [(90.0, 8.0), (45.0, 11.3137085), (30.0, 16.0), (180.0, 4.0)] {
            assert!((corner(turn, CornerRule::Jerk, 8.0, 0.0) - v).abs() < 1e-6, "{turn}");
        }
    }

    #[test]
    fn jerk_by_the_larger_speed_doubles_it_where_an_axis_turns_round() {
        let rule = CornerRule::JerkByLargerSpeed;
        // Up to 90° no axis turns round: as by the difference. At 180° x goes from 8 to −8 mm/s. At 120° x goes from v to
        // −v / 2, y from 0 to 0.866 v: the larger is v, whose limit 8 mm/s is the tightest (geometry, by hand).
        for (turn, v) in [(90.0, 8.0), (45.0, 11.3137085), (180.0, 8.0), (120.0, 8.0)] {
            assert!((corner(turn, rule, 8.0, 0.0) - v).abs() < 1e-6, "{turn}");
        }
        // By the difference 1.5 v ≤ 8 mm/s.
        assert!((corner(120.0, CornerRule::Jerk, 8.0, 0.0) - 16.0 / 3.0).abs() < 1e-5);
    }

    #[test]
    fn junction_deviation_values() {
        // From v² = a δ s / (1 − s): δ 0.05 and 0.02 mm, a 1000 mm/s², 90°.
        let jd = |turn, deviation| corner(turn, CornerRule::JunctionDeviation, 0.0, deviation);
        assert!((jd(90.0, 0.05) - 10.986841134).abs() < 1e-6);
        assert!((jd(90.0, 0.02) - 6.948688).abs() < 1e-6);
        assert!((jd(30.0, 0.05) - 37.64820066782112).abs() < 1e-6);
        assert!(jd(180.0, 0.05) < 1e-3);
        assert_eq!(jd(0.0, 0.0), 500.0, "no corner, no cap");
    }
}
