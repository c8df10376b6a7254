//! The shapes of G2, G3 and G5.

use std::f64::consts::TAU;

use super::{Interpreter, NO_MOVE_MM};
use crate::findings::{Hit, Log, Severity, Spot};
use crate::geometry::{Arc, Cubic};

/// Difference of the two radii that NIST RS274/NGC 3.5.3 still takes, mm.
const MISMATCH_NOTE_MM: f64 = 0.002;
/// Difference at which somebody should look, mm (common practice, no source: an eighth of a 0.4 mm nozzle).
const MISMATCH_HOLD_MM: f64 = 0.05;

impl Interpreter {
    /// The arc from the present position to `to`, by I J K or by R; `None` when it is malformed.
    pub(super) fn arc(&mut self, counter_clockwise: bool, to: [f64; 3], log: &mut Log) -> Option<Arc> {
        let [a, b, _] = self.plane;
        let from = [self.position[a], self.position[b]];
        let end = [to[a], to[b]];
        let closed = (end[0] - from[0]).abs() < NO_MOVE_MM && (end[1] - from[1]).abs() < NO_MOVE_MM;
        let letters = [b'I', b'J', b'K'];
        let offsets = [self.params.get(letters[a]), self.params.get(letters[b])];
        let by_centre = offsets.iter().any(Option::is_some);
        let centre = match (self.params.get(b'R'), by_centre) {
            (Some(_), true) => {
                self.malformed(log, || "an arc with both a radius and a centre: not carried out".to_owned());
                return None;
            }
            (None, false) => {
                self.malformed(log, || "an arc with neither a centre nor a radius: not carried out".to_owned());
                return None;
            }
            (Some(_), false) if closed => {
                self.malformed(log, || "an arc by radius that ends where it starts: not carried out".to_owned());
                return None;
            }
            (Some(radius), false) => {
                let radius = radius * self.unit_mm();
                self.centre_by_radius(from, end, radius, counter_clockwise, log)
            }
            (None, true) => {
                let unit = self.unit_mm();
                [0, 1].map(|i| from[i] + offsets[i].unwrap_or(0.0) * unit)
            }
        };
        let radius = (from[0] - centre[0]).hypot(from[1] - centre[1]);
        if radius < NO_MOVE_MM {
            self.malformed(log, || "an arc of radius zero: not carried out".to_owned());
            return None;
        }
        self.judge_mismatch(((end[0] - centre[0]).hypot(end[1] - centre[1]) - radius).abs(), log);
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

    /// Centre of the arc of a given radius: R > 0 turns up to 180°, R < 0 more (NIST RS274/NGC 3.5.3.1).
    fn centre_by_radius(
        &self,
        from: [f64; 2],
        end: [f64; 2],
        radius: f64,
        counter_clockwise: bool,
        log: &mut Log,
    ) -> [f64; 2] {
        let chord = [end[0] - from[0], end[1] - from[1]];
        let half = chord[0].hypot(chord[1]) / 2.0;
        let height = ((radius.abs() - half) * (radius.abs() + half)).max(0.0).sqrt();
        if radius.abs() < half {
            self.judge_mismatch(half - radius.abs(), log);
        }
        let left = (radius > 0.0) == counter_clockwise;
        let along = if left { height } else { -height } / (2.0 * half);
        [(from[0] + end[0]) / 2.0 - along * chord[1], (from[1] + end[1]) / 2.0 + along * chord[0]]
    }

    fn judge_mismatch(&self, mismatch_mm: f64, log: &mut Log) {
        if mismatch_mm <= MISMATCH_NOTE_MM {
            return;
        }
        let hold = mismatch_mm > MISMATCH_HOLD_MM;
        let limit = if hold { MISMATCH_HOLD_MM } else { MISMATCH_NOTE_MM };
        let hit = Hit {
            check: &crate::checks::arc_radius_mismatch::CHECK,
            kind: u64::from(hold),
            severity: if hold { Severity::Hold } else { Severity::Note },
            line: self.line,
            value: Some(mismatch_mm),
            badness: mismatch_mm,
            limit: Some(limit),
            unit: "mm",
            spot: Spot::At(self.position),
        };
        log.raise(hit, || {
            format!("start and end of the arc differ by {mismatch_mm:.4} mm in their distance from the centre (limit {limit} mm)")
        });
    }

    /// The cubic of G5 in X Y: I J from the start, P Q from the end; without I J the curve goes on smoothly from the
    /// G5 before it.
    pub(super) fn cubic(&mut self, to: [f64; 3], log: &mut Log) -> Option<Cubic> {
        let unit = self.unit_mm();
        let get = |letter: u8| self.params.get(letter).map(|value| value * unit);
        let start = match (get(b'I'), get(b'J'), self.last_cubic) {
            (None, None, Some(last)) => Some([-last[0], -last[1]]),
            (None, None, None) => None,
            (i, j, _) => Some([i.unwrap_or(0.0), j.unwrap_or(0.0)]),
        };
        let (Some(start), Some(p), Some(q)) = (start, get(b'P'), get(b'Q')) else {
            self.malformed(log, || "a cubic without its control points: not carried out".to_owned());
            return None;
        };
        self.last_cubic = Some([p, q]);
        let [x, y, _] = self.position;
        let points = [[x, y], [x + start[0], y + start[1]], [to[0] + p, to[1] + q], [to[0], to[1]]];
        let flat = points
            .iter()
            .all(|point| (point[0] - points[0][0]).abs() < NO_MOVE_MM && (point[1] - points[0][1]).abs() < NO_MOVE_MM);
        if flat {
            self.malformed(log, || "a cubic of no length: not carried out".to_owned());
            return None;
        }
        Some(Cubic { points })
    }
}
