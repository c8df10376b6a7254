//! Fewer points on a path, none of the dropped ones farther from it than a tolerance.

use super::plan::PlanPoint;

/// Directions in which a path may go on, as seen from its last kept point: between two vectors, less than half a turn apart.
#[derive(Clone, Copy)]
struct Wedge {
    right: [f64; 2],
    left: [f64; 2],
}

fn cross(a: [f64; 2], b: [f64; 2]) -> f64 {
    a[0] * b[1] - a[1] * b[0]
}

fn dot(a: [f64; 2], b: [f64; 2]) -> f64 {
    a[0] * b[0] + a[1] * b[1]
}

impl Wedge {
    /// Directions of rays that pass a point at `d` within `tolerance`; `distance` is its length and larger than that.
    fn around(d: [f64; 2], distance: f64, tolerance: f64) -> Self {
        let sine = tolerance / distance;
        let cosine = (1.0 - sine * sine).sqrt();
        let turned = |sine: f64| [d[0] * cosine - d[1] * sine, d[0] * sine + d[1] * cosine];
        Self { right: turned(-sine), left: turned(sine) }
    }

    fn holds(&self, d: [f64; 2]) -> bool {
        cross(self.right, d) >= 0.0 && cross(d, self.left) >= 0.0 && dot(self.right, d) > 0.0
    }

    /// The directions in both; both hold a common one.
    fn meet(&self, other: Self) -> Self {
        let right = if cross(self.right, other.right) > 0.0 { other.right } else { self.right };
        let left = if cross(other.left, self.left) > 0.0 { other.left } else { self.left };
        Self { right, left }
    }
}

/// Adds the points of a path that are needed to stay within `tolerance` (in the unit of the points) of all of them to
/// `kept`. First and last stay. What belongs to the way to a point is the most of the ways it stands for.
///
/// One pass: a point may be dropped while every point since the last kept one lies within the tolerance of the ray to the
/// newest, and they go away from it (the cone rule of Sklansky and Gonzalez, Pattern Recognition 12, 1980; from memory).
pub(super) fn simplify(points: &[PlanPoint], tolerance: f64, kept: &mut Vec<PlanPoint>) {
    let Some((&first, rest)) = points.split_first() else { return };
    kept.push(first);
    let mut anchor = first;
    let mut last: Option<PlanPoint> = None;
    let (mut wedge, mut farthest): (Option<Wedge>, f64) = (None, 0.0);
    for &point in rest {
        let mut d = anchor.to(point);
        let mut distance = dot(d, d).sqrt();
        if let Some(end) = last
            && (distance < farthest || wedge.is_some_and(|wedge| !wedge.holds(d)))
        {
            kept.push(end);
            anchor = end;
            (last, wedge) = (None, None);
            d = anchor.to(point);
            distance = dot(d, d).sqrt();
        }
        if distance > tolerance {
            let around = Wedge::around(d, distance, tolerance);
            wedge = Some(wedge.map_or(around, |wedge| wedge.meet(around)));
        }
        farthest = distance;
        last = Some(last.map_or(point, |end| point.with_most_of(end)));
    }
    kept.extend(last);
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn point(x: i32, y: i32, melt: u16) -> PlanPoint {
        PlanPoint { x, y, melt, speed: melt / 2, ringing: melt / 3 }
    }

    /// Distance from a point to a stretch, by its definition.
    fn distance(p: PlanPoint, a: PlanPoint, b: PlanPoint) -> f64 {
        let (along, to) = (a.to(b), a.to(p));
        let length = dot(along, along);
        let t = if length > 0.0 { (dot(along, to) / length).clamp(0.0, 1.0) } else { 0.0 };
        let off = [to[0] - along[0] * t, to[1] - along[1] * t];
        dot(off, off).sqrt()
    }

    #[test]
    fn a_straight_row_needs_two_points_and_a_corner_three() {
        let mut kept = Vec::new();
        let row: Vec<_> = (0..50).map(|k| point(k * 10, 0, 5)).chain((1..50).map(|k| point(490, k * 10, 7))).collect();
        simplify(&row, 2.0, &mut kept);
        assert_eq!(kept, [point(0, 0, 5), point(490, 0, 5), point(490, 490, 7)]);
    }

    proptest! {
        #[test]
        fn every_point_stays_within_the_tolerance(
            steps in prop::collection::vec((-30i32..30, -30i32..30, 0u16..1000), 1..80),
            tolerance in 1.0f64..40.0,
        ) {
            // The speed numbers the points: the largest on a way is that of its end.
            let mut at = [0, 0];
            let points: Vec<_> = steps.iter().zip(0..).map(|(&(x, y, melt), number)| {
                at = [at[0] + x, at[1] + y];
                PlanPoint { speed: number, ..point(at[0], at[1], melt) }
            }).collect();
            let mut kept = Vec::new();
            simplify(&points, tolerance, &mut kept);
            prop_assert_eq!((kept[0], kept.last().map(|p| p.speed)), (points[0], points.last().map(|p| p.speed)));
            for pair in kept.windows(2) {
                let (from, to) = (usize::from(pair[0].speed), usize::from(pair[1].speed));
                prop_assert!(from < to && (pair[1].x, pair[1].y) == (points[to].x, points[to].y));
                let off = points[from..=to].iter().map(|&p| distance(p, pair[0], pair[1])).fold(0.0, f64::max);
                prop_assert!(off <= tolerance * 1.000_001, "{off} between {from} and {to}");
                prop_assert_eq!(points[from + 1..=to].iter().map(|p| p.melt).max(), Some(pair[1].melt));
            }
        }
    }
}
