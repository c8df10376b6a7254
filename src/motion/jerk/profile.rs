//! Ramps under a limited jerk, from and to a speed without acceleration: how long they are, how fast they can be.
//!
//! To change the speed by d with at most a of acceleration and j of jerk takes 2 √(d / j) where d ≤ a² / j, else
//! d / a + a / j (Biagiotti, Melchiorri, *Trajectory Planning for Automatic Machines and Robots*, Springer 2008, ch. 3.4;
//! from memory). By symmetry its length is the mean of both speeds times that. mm, s.

use crate::block::{JerkPiece, Piece, grid};

/// What holds along a stretch of path.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Bounds {
    pub(super) feed_mm_s: f64,
    pub(super) accel_mm_s2: f64,
    pub(super) jerk_mm_s3: f64,
}

/// Most steps of Newton's method; it needs about six.
const STEPS_MOST: usize = 64;
/// As near as this, as a share, is found.
const NEAR: f64 = 1e-14;
/// Newton's steps square what is left: behind one as short as this, as a share, nothing is left that counts.
const LAST_STEP: f64 = 1e-8;

impl Bounds {
    /// Changes of speed above this reach the largest acceleration, mm/s.
    fn whole_mm_s(&self) -> f64 {
        self.accel_mm_s2 * self.accel_mm_s2 / self.jerk_mm_s3
    }

    /// How long a change of speed takes, s.
    fn change_s(&self, change_mm_s: f64) -> f64 {
        if change_mm_s <= self.whole_mm_s() {
            2.0 * (change_mm_s / self.jerk_mm_s3).sqrt()
        } else {
            change_mm_s / self.accel_mm_s2 + self.accel_mm_s2 / self.jerk_mm_s3
        }
    }

    /// Way from one speed to another, mm; the same backwards.
    #[inline]
    pub(super) fn way_mm(&self, from_mm_s: f64, to_mm_s: f64) -> f64 {
        (from_mm_s + to_mm_s) / 2.0 * self.change_s((to_mm_s - from_mm_s).abs())
    }

    /// The highest speed that is reached from another one over a length. It first falls, then rises with the speed at the
    /// start: little speed costs more way than it helps.
    pub(super) fn reach_mm_s(&self, from_mm_s: f64, length_mm: f64) -> f64 {
        let (a, j, v) = (self.accel_mm_s2, self.jerk_mm_s3, from_mm_s);
        if (2.0 * v + self.whole_mm_s()) * a / j <= length_mm {
            // (v + d / 2) (d / a + a / j) = L.
            let half = v / a + a / (2.0 * j);
            return v + a * ((half * half + 2.0 / a * (length_mm - v * a / j)).sqrt() - half);
        }
        // With s = √d it is s³ + 2 v s = L √j: from above Newton's steps only fall.
        let goal = length_mm * j.sqrt();
        let mut s = goal.cbrt();
        if v > 0.0 {
            s = s.min(goal / (2.0 * v));
        }
        for _ in 0..STEPS_MOST {
            let next = s - (s * s * s + 2.0 * v * s - goal) / (3.0 * s * s + 2.0 * v);
            // Where all is 0 it is no number.
            if next.is_nan() {
                break;
            }
            let was_last = next >= s * (1.0 - LAST_STEP);
            s = next.min(s);
            if was_last {
                break;
            }
        }
        v + s * s
    }

    /// The speed at the start from which the least is reached over a length. With d the change of speed up to v, the way
    /// (v − d / 2) T(d) is longest at d = 2 v / 3 while that is at most a² / j, and at v − a² / 2 j where that is more.
    pub(super) fn slowest_start_mm_s(&self, length_mm: f64) -> f64 {
        let (a, j, whole) = (self.accel_mm_s2, self.jerk_mm_s3, self.whole_mm_s());
        let bent = (0.75 * length_mm * (1.5 * j).sqrt()).cbrt();
        let bent = bent * bent;
        if bent * 2.0 / 3.0 <= whole {
            return bent / 3.0;
        }
        let steady = (2.0 * a * length_mm).sqrt() - whole / 2.0;
        if steady - whole / 2.0 >= whole { whole / 2.0 } else { (length_mm * j / (2.0 * a) - whole / 2.0).max(0.0) }
    }

    /// The highest speed at the end, at most `most_mm_s`, for a start from which one can stop.
    pub(super) fn end_mm_s(&self, start_mm_s: f64, most_mm_s: f64, length_mm: f64) -> f64 {
        if self.way_mm(start_mm_s, most_mm_s) <= length_mm {
            return most_mm_s;
        }
        if start_mm_s <= most_mm_s {
            return grid_down(self.reach_mm_s(start_mm_s, length_mm)).max(start_mm_s);
        }
        // The way to stop rises and then falls with the speed at the end; a slow end is within the length.
        let (mut low, mut high) = (0.0f64, most_mm_s);
        for _ in 0..STEPS_MOST {
            let middle = (low + high) / 2.0;
            if self.way_mm(start_mm_s, middle) <= length_mm { low = middle } else { high = middle }
        }
        grid_down(low)
    }

    /// How far the speed rises above the higher of two others on the way between them, over a length that suffices for
    /// both. A little more of it can take much way: so it is found, and not the speed.
    fn rise_mm_s(&self, start_mm_s: f64, end_mm_s: f64, length_mm: f64) -> f64 {
        let (a, j, v0, v1) = (self.accel_mm_s2, self.jerk_mm_s3, start_mm_s, end_mm_s);
        let most = v0.max(v1);
        let gap = most - v0.min(v1);
        let both = |rise: f64| {
            (2.0 * most + rise) / 2.0 * self.change_s(rise)
                + (2.0 * most - gap + rise) / 2.0 * self.change_s(gap + rise)
        };
        let room = (self.feed_mm_s - most).max(0.0);
        if both(room) <= length_mm {
            return room;
        }
        // Where both ramps reach the largest acceleration: p² / a + p a / j = what is below.
        let rest = (v0 * v0 + v1 * v1) / (2.0 * a) - (v0 + v1) * a / (2.0 * j) + length_mm;
        let half = a / (2.0 * j);
        let peak = a * ((half * half + rest / a).max(0.0).sqrt() - half);
        if peak - most >= self.whole_mm_s() {
            return (peak - most).min(room);
        }
        // As many as a root s of the rise, of which the way is a smooth function. No ramp is longer than one without a limit
        // of jerk.
        let highest = ((v0 * v0 + v1 * v1) / 2.0 + a * length_mm).sqrt() - most;
        let (mut low, mut high) = (0.0, highest.clamp(0.0, room).sqrt());
        let (whole, per_root_s) = (self.whole_mm_s(), 2.0 / j.sqrt());
        let mut at = high;
        for _ in 0..STEPS_MOST {
            let rise = at * at;
            // How long each ramp takes, and what that gains for more of s.
            let (first_s, first_slope) = match rise <= whole {
                true => (per_root_s * at, per_root_s),
                false => (rise / a + a / j, 2.0 * at / a),
            };
            let (second_s, second_slope) = match gap + rise {
                change if gap == 0.0 || change == 0.0 => (first_s, first_slope),
                change if change <= whole => {
                    let root_s = (change / j).sqrt();
                    (2.0 * root_s, 2.0 * at / (j * root_s))
                }
                change => (change / a + a / j, 2.0 * at / a),
            };
            let sums = [2.0 * most + rise, 2.0 * most - gap + rise];
            let over = sums[0] / 2.0 * first_s + sums[1] / 2.0 * second_s - length_mm;
            if over > 0.0 {
                high = at
            } else {
                low = at
            }
            let slope = at * (first_s + second_s) + sums[0] / 2.0 * first_slope + sums[1] / 2.0 * second_slope;
            let newton = at - over / slope;
            if newton == at {
                break;
            }
            if newton > low && newton < high {
                if (newton - at).abs() <= LAST_STEP * at {
                    return newton * newton;
                }
                at = newton;
                continue;
            }
            let next = (low + high) / 2.0;
            if (next - at).abs() <= NEAR * at {
                break;
            }
            at = next;
        }
        at * at
    }

    /// The quickest way between two speeds over a length that suffices for both: calls `take` with each piece.
    pub(super) fn course(&self, [start, end]: [f64; 2], length_mm: f64, mut take: impl FnMut(JerkPiece)) {
        let (most, rise) = (start.max(end), self.rise_mm_s(start, end, length_mm));
        let (peak, up, down) = (most + rise, most - start + rise, most - end + rise);
        self.change([start, peak], up, &mut take);
        let ramps_mm = (start + peak) / 2.0 * self.change_s(up) + (peak + end) / 2.0 * self.change_s(down);
        let left_mm = length_mm - ramps_mm;
        let seconds = grid::time(if left_mm > 0.0 && peak > 0.0 { left_mm / peak } else { 0.0 });
        if seconds > 0.0 {
            take(JerkPiece::even(Piece { seconds, start_mm_s: peak, end_mm_s: peak }));
        }
        self.change([peak, end], -down, &mut take);
    }

    /// The pieces of a change of speed, which is known better than as the difference of both.
    fn change(&self, [from, to]: [f64; 2], change: f64, take: &mut impl FnMut(JerkPiece)) {
        let size = change.abs();
        if size == 0.0 {
            return;
        }
        let whole = self.whole_mm_s();
        // Speed gained in each of both jerks, and how long it takes.
        let (bent, seconds) = match size <= whole {
            true => (change / 2.0, (size / self.jerk_mm_s3).sqrt()),
            false => (whole.copysign(change) / 2.0, self.accel_mm_s2 / self.jerk_mm_s3),
        };
        let seconds = grid::time(seconds);
        let mut push = |seconds: f64, speed: [f64; 3]| {
            if seconds > 0.0 {
                take(JerkPiece { seconds, speed });
            }
        };
        push(seconds, [from, 0.0, bent]);
        if size > whole {
            let steady = change - 2.0 * bent;
            push(grid::time(steady.abs() / self.accel_mm_s2), [from + bent, steady, 0.0]);
        }
        push(seconds, [to - bent, 2.0 * bent, -bent]);
    }
}

/// The next lower speed whose square lies on the grid.
pub(super) fn grid_down(speed_mm_s: f64) -> f64 {
    grid::squared_down(speed_mm_s * speed_mm_s).max(0.0).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seconds(bounds: Bounds, ends: [f64; 2], length_mm: f64) -> f64 {
        let mut sum = 0.0;
        bounds.course(ends, length_mm, |piece| sum += piece.seconds);
        sum
    }

    /// (length, start, end, speed, acceleration, jerk) and seconds, by the time-optimal solver of the Python package
    /// ruckig for a motion without acceleration at both ends; the first three are also examples 3.9, 3.10 and 3.13 of
    /// the handbook named above.
    const SOLVED: &[([f64; 6], f64)] = &[
        ([10.0, 1.0, 0.0, 5.0, 10.0, 30.0], 2.71),
        ([10.0, 1.0, 0.0, 10.0, 10.0, 30.0], 2.249_380_070_004_992_4),
        ([10.0, 0.0, 0.0, 10.0, 20.0, 30.0], 2.201_284_832_596_418),
        ([10.0, 7.0, 0.0, 10.0, 10.0, 30.0], 1.780_445_804_488_063_3),
        ([10.0, 7.5, 0.0, 10.0, 10.0, 30.0], 1.754_215_104_735_601_2),
        ([40.0, 0.0, 0.0, 100.0, 1500.0, 1e5], 0.481_666_666_666_666_7),
        ([5.0, 0.0, 0.0, 100.0, 1500.0, 1e5], 0.131_440_256_498_057_13),
        ([1.0, 0.0, 0.0, 100.0, 1500.0, 1e5], 0.068_774_219_349_672_26),
        ([0.2, 0.0, 0.0, 100.0, 1500.0, 1e5], 0.04),
        ([40.0, 10.0, 20.0, 100.0, 1500.0, 1e5], 0.461_083_333_333_333_35),
        ([2.0, 40.0, 5.0, 100.0, 1500.0, 1e5], 0.062_566_560_357_845_76),
        ([60.0, 0.0, 0.0, 200.0, 3000.0, 6e4], 0.416_666_666_666_666_63),
    ];

    #[test]
    fn single_moves_take_as_long_as_a_time_optimal_solver_says() {
        for &([length_mm, start, end, feed_mm_s, accel_mm_s2, jerk_mm_s3], expected_s) in SOLVED {
            let bounds = Bounds { feed_mm_s, accel_mm_s2, jerk_mm_s3 };
            let found_s = seconds(bounds, [start, end], length_mm);
            // Each of seven pieces is rounded to 2⁻³² s.
            assert!((found_s - expected_s).abs() < 2e-9, "{length_mm} {start} {end}: {found_s} {expected_s}");
        }
    }

    #[test]
    fn reach_first_falls_then_rises() {
        // From the same solver: 15.87 mm/s from rest, 15.00 from 5 mm/s.
        let bounds = Bounds { feed_mm_s: 100.0, accel_mm_s2: 1500.0, jerk_mm_s3: 1e5 };
        let from = [0.0, 5.0, 40.0].map(|speed| bounds.reach_mm_s(speed, 0.2));
        assert!((from[0] - 15.87).abs() < 0.005 && (from[1] - 15.0).abs() < 0.005 && from[2] > 40.0, "{from:?}");
    }

    proptest::proptest! {
        #[test]
        fn reach_takes_the_whole_length(v in 0.0..200.0f64, length in 1e-4..50.0f64, a in 50.0..20_000.0f64, log_j in 2.0..7.0f64) {
            let bounds = Bounds { feed_mm_s: 1e4, accel_mm_s2: a, jerk_mm_s3: 10f64.powf(log_j) };
            let reached = bounds.reach_mm_s(v, length);
            proptest::prop_assert!(reached > v);
            // A speed is known to 1e-15 of itself, and a small change of it takes much way: the length lies between the ways
            // to its two neighbours.
            let [below, above] = [1.0 - 1e-15, 1.0 + 1e-15].map(|share| bounds.way_mm(v, (reached * share).max(v)));
            proptest::prop_assert!(below <= length * (1.0 + 1e-9) && above >= length * (1.0 - 1e-9), "{reached}");
        }

        #[test]
        fn courses_keep_length_and_limits(
            ends in [0.0..1.0f64, 0.0..1.0f64], feed in 1.0..300.0f64, length in 1e-3..80.0f64,
            a in 50.0..20_000.0f64, log_j in 2.0..7.0f64,
        ) {
            let bounds = Bounds { feed_mm_s: feed, accel_mm_s2: a, jerk_mm_s3: 10f64.powf(log_j) };
            let start = grid_down(ends[0] * feed);
            let stop = bounds.end_mm_s(start, grid_down(ends[1] * feed), length);
            proptest::prop_assume!(bounds.way_mm(start, stop) <= length);
            let (mut way, mut speed, mut accel, mut before_s, mut count) = (0.0, start, 0.0f64, 1.0f64, 0);
            let mut took = 0.0;
            bounds.course([start, stop], length, |piece| {
                count += 1;
                took += piece.seconds;
                way += piece.length_mm();
                assert!((piece.start_mm_s() - speed).abs() < 1e-9);
                // Rounding a short time changes its acceleration.
                let room = 1e-6 + 1e-9 / piece.seconds.min(before_s);
                before_s = piece.seconds;
                assert!((piece.accel_at(0.0) - accel).abs() < a * room, "{} {accel} {}", piece.accel_at(0.0), piece.seconds);
                for share in [0.0, 0.5, 1.0] {
                    assert!(piece.speed_at(share) < feed * (1.0 + 1e-9));
                    assert!(piece.accel_at(share).abs() < a * (1.0 + room));
                    assert!(piece.jerk_at(share).abs() < bounds.jerk_mm_s3 * (1.0 + 2.0 * room));
                }
                (speed, accel) = (piece.end_mm_s(), piece.accel_at(1.0));
            });
            proptest::prop_assert!(count <= 7);
            proptest::prop_assert!((speed - stop).abs() < 1e-9 && accel.abs() < a * 1e-3);
            proptest::prop_assert!((way - length).abs() < 1e-9 * length + 8.0 * feed / 4e9, "{way} {length}");
            // Never faster than without a limit of jerk.
            let peak = (start.mul_add(start, stop * stop) / 2.0 + a * length).sqrt().min(feed);
            let ramps = (2.0 * peak * peak - start * start - stop * stop) / (2.0 * a);
            let trapezoid = (2.0 * peak - start - stop) / a + (length - ramps).max(0.0) / peak;
            proptest::prop_assert!(took >= trapezoid - 2e-9, "{took} {trapezoid}");
        }
    }
}
