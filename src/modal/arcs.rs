//! The shapes of G2, G3 and G5.

use std::f64::consts::TAU;

use super::notice::{Damage, Noticed, RADIUS_TOLERANCE_MM, ROUNDED_MM};
use super::{Interpreter, NO_MOVE_MM, is_far};
use crate::geometry::{Arc, Cubic};

impl Interpreter {
    /// Whether the radius of an arc is far too small to join its ends. What is meant then nobody knows.
    pub(super) fn cannot_join(&mut self, to: [f64; 3]) -> bool {
        let [a, b, _] = self.plane;
        let by_centre = self.params.any_of(&[b"IJK"[a], b"IJK"[b]]);
        let Some(radius) = self.params.get(b'R').filter(|_| !by_centre) else { return false };
        let (radius_mm, apart_mm) =
            ((radius * self.unit_mm()).abs(), (to[a] - self.position[a]).hypot(to[b] - self.position[b]));
        let short_mm = apart_mm / 2.0 - radius_mm;
        if short_mm > RADIUS_TOLERANCE_MM {
            self.notice(Noticed::RadiusTooSmall { radius_mm, apart_mm });
        }
        short_mm > ROUNDED_MM
    }

    /// The arc from the present position to `to`, by I J K or by R; `None` when it is malformed.
    pub(super) fn arc(&mut self, counter_clockwise: bool, to: [f64; 3]) -> Option<Arc> {
        let [a, b, _] = self.plane;
        let from = [self.position[a], self.position[b]];
        let end = [to[a], to[b]];
        let closed = (end[0] - from[0]).abs() < NO_MOVE_MM && (end[1] - from[1]).abs() < NO_MOVE_MM;
        let letters = [b'I', b'J', b'K'];
        let offsets = [self.params.get(letters[a]), self.params.get(letters[b])];
        let by_centre = offsets.iter().any(Option::is_some);
        let centre = match (self.params.get(b'R'), by_centre) {
            (Some(_), true) => {
                self.damage(Damage::ArcTwofold);
                return None;
            }
            (None, false) => {
                self.damage(Damage::ArcWithout);
                return None;
            }
            (Some(_), false) if closed => {
                self.damage(Damage::ArcClosedByRadius);
                return None;
            }
            (Some(radius), false) => {
                let radius = radius * self.unit_mm();
                Self::centre_by_radius(from, end, radius, counter_clockwise)
            }
            (None, true) => {
                let unit = self.unit_mm();
                [0, 1].map(|i| from[i] + offsets[i].unwrap_or(0.0) * unit)
            }
        };
        let radius = (from[0] - centre[0]).hypot(from[1] - centre[1]);
        if radius < NO_MOVE_MM {
            self.damage(Damage::ArcOfNoRadius);
            return None;
        }
        if is_far(centre.into_iter().chain([radius])) {
            self.damage(Damage::TooFar);
            return None;
        }
        self.judge_mismatch(((end[0] - centre[0]).hypot(end[1] - centre[1]) - radius).abs());
        let start_rad = (from[1] - centre[1]).atan2(from[0] - centre[0]);
        let end_rad = (end[1] - centre[1]).atan2(end[0] - centre[0]);
        let sweep_rad = match (counter_clockwise, closed, end_rad - start_rad) {
            (true, true, _) => TAU,
            (false, true, _) => -TAU,
            (true, false, turn) if turn <= 0.0 => turn + TAU,
            (false, false, turn) if turn >= 0.0 => turn - TAU,
            (_, false, turn) => turn,
        };
        Some(Arc { axes: self.plane, centre, radius, start_rad, sweep_rad })
    }

    /// Centre of the arc of a given radius: R > 0 turns up to 180°, R < 0 more (NIST RS274/NGC 3.5.3.1). Where the radius is a
    /// little too small to join the ends, the middle between them.
    fn centre_by_radius(from: [f64; 2], end: [f64; 2], radius: f64, counter_clockwise: bool) -> [f64; 2] {
        let chord = [end[0] - from[0], end[1] - from[1]];
        let half = chord[0].hypot(chord[1]) / 2.0;
        let height = ((radius.abs() - half) * (radius.abs() + half)).max(0.0).sqrt();
        let left = (radius > 0.0) == counter_clockwise;
        let along = if left { height } else { -height } / (2.0 * half);
        [(from[0] + end[0]) / 2.0 - along * chord[1], (from[1] + end[1]) / 2.0 + along * chord[0]]
    }

    fn judge_mismatch(&mut self, mismatch_mm: f64) {
        if mismatch_mm > RADIUS_TOLERANCE_MM {
            self.notice(Noticed::RadiusMismatch { mismatch_mm });
        }
    }

    /// The cubic of G5 in X Y: I J from the start, P Q from the end; without I J the curve goes on smoothly from the
    /// G5 before it.
    pub(super) fn cubic(&mut self, to: [f64; 3]) -> Option<Cubic> {
        let unit = self.unit_mm();
        let get = |letter: u8| self.params.get(letter).map(|value| value * unit);
        let start = match (get(b'I'), get(b'J'), self.last_cubic) {
            (None, None, Some(last)) => Some([-last[0], -last[1]]),
            (None, None, None) => None,
            (i, j, _) => Some([i.unwrap_or(0.0), j.unwrap_or(0.0)]),
        };
        let (Some(start), Some(p), Some(q)) = (start, get(b'P'), get(b'Q')) else {
            self.damage(Damage::CubicWithout);
            return None;
        };
        let [x, y, _] = self.position;
        let points = [[x, y], [x + start[0], y + start[1]], [to[0] + p, to[1] + q], [to[0], to[1]]];
        if is_far(points.into_iter().flatten()) {
            self.damage(Damage::TooFar);
            return None;
        }
        self.last_cubic = Some([p, q]);
        let flat = points
            .iter()
            .all(|point| (point[0] - points[0][0]).abs() < NO_MOVE_MM && (point[1] - points[0][1]).abs() < NO_MOVE_MM);
        if flat {
            self.damage(Damage::CubicOfNoLength);
            return None;
        }
        Some(Cubic { points })
    }
}
