//! Binary grids: squared speeds are multiples of 2⁻²⁰ (mm/s)² and times of 2⁻³² s. On a grid sums and minima of f64
//! are exact, hence associative: the same bits whatever the block, chunk or thread count.

/// Highest speed the planner works with, mm/s: keeps squared speeds and their sums exact. No printer comes near.
pub(crate) const SPEED_CEILING_MM_S: f64 = 32_768.0;
/// Lowest speed, mm/s, and acceleration, mm/s², the planner works with: keeps times finite, whatever a job writes.
pub(crate) const FLOOR: f64 = 1e-12;
/// Sums of squared-speed steps saturate here; above every squared speed, so nothing ever notices.
pub(crate) const SQUARED_CEILING: f64 = 2_147_483_648.0;

const SQUARED_STEP: f64 = 1.0 / 1_048_576.0;
/// Adding and taking away 1.5 × 2^(52−20) rounds to a multiple of 2⁻²⁰.
const SQUARED_MAGIC: f64 = 1.5 * 4_294_967_296.0;
/// 1.5 × 2^(52−32).
const TIME_MAGIC: f64 = 1.5 * 1_048_576.0;
/// Above this a time keeps its own bits (they end near 2⁻³² s anyway), s.
const TIME_EXACT_S: f64 = 524_288.0;

/// Rounds a squared speed, 0 to 2³⁰ (mm/s)², down to the grid: caps are never exceeded.
#[inline(always)]
pub(crate) fn squared_down(x: f64) -> f64 {
    let nearest = (x + SQUARED_MAGIC) - SQUARED_MAGIC;
    if nearest > x { nearest - SQUARED_STEP } else { nearest }
}

/// Rounds a time to the grid.
#[inline(always)]
pub(crate) fn time(t_s: f64) -> f64 {
    let nearest = (t_s + TIME_MAGIC) - TIME_MAGIC;
    if t_s < TIME_EXACT_S { nearest } else { t_s }
}

/// A time in so many parts of the same length, as near as the grid has them: from when to when each lasts. Parts that would
/// take no time are left out.
#[inline(always)]
pub(crate) fn parts(seconds: f64, count: usize) -> impl Iterator<Item = [f64; 2]> {
    let (mut from_s, each_s) = (0.0, seconds / count as f64);
    (1..=count).filter_map(move |n| {
        let to_s = if n == count { seconds } else { time(each_s * n as f64).min(seconds) };
        let part = [from_s, to_s];
        (to_s > from_s).then(|| {
            from_s = to_s;
            part
        })
    })
}

/// A time as a whole number of 2⁻³² s; more than 2¹⁸ s count as 2¹⁸ s.
#[inline(always)]
pub(crate) fn time_units(t_s: f64) -> u64 {
    let t_s = if t_s < TIME_UNITS_MOST_S { t_s } else { TIME_UNITS_MOST_S };
    (t_s + TIME_MAGIC).to_bits().wrapping_sub(TIME_MAGIC.to_bits())
}
const TIME_UNITS_MOST_S: f64 = 262_144.0;

/// An exact sum of values, each rounded to a multiple of 2⁻³².
///
/// Small values gather in an f64, where up to 256 of them add without rounding; converting each one to a
/// wide integer would cost ten times as much.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Sum {
    fixed: i128,
    gathered: f64,
    count: u32,
}

impl Sum {
    /// Steps of 2⁻³² in 1.
    pub(crate) const ONE: f64 = 4_294_967_296.0;
    /// Values below this gather; [`Self::GATHERED`] of them stay within 2²⁰, so within 53 bits.
    const SMALL: f64 = 4096.0;
    const GATHERED: u32 = 256;

    /// Adds a value, rounded to 2⁻³². Sums of absurd jobs stop at the ends of the range (about 4e28).
    #[inline]
    pub(crate) fn add(&mut self, value: f64) {
        if value.abs() < Self::SMALL {
            self.gathered += (value + TIME_MAGIC) - TIME_MAGIC;
            self.count += 1;
            if self.count == Self::GATHERED {
                self.flush();
            }
        } else {
            self.fixed = self.fixed.saturating_add((value * Self::ONE).round_ties_even() as i128);
        }
    }

    /// Adds to each of several sums its part of `values(0)` to `values(count - 1)`, for up to 4096 values. Meant to be
    /// inlined into a vector loop: small values add up as whole numbers of 2⁻³², in any order.
    #[inline(always)]
    pub(crate) fn gather<const N: usize>(sums: [&mut Self; N], count: usize, values: impl Fn(usize) -> [f64; N]) {
        let (mut total, mut beyond) = ([0u64; N], 0u64);
        for i in 0..count {
            let values = values(i);
            for k in 0..N {
                // Around 1.5 × 2²⁰ neighbours are 2⁻³² apart: the lower bits count them.
                let bits = (values[k] + TIME_MAGIC).to_bits();
                total[k] = total[k].wrapping_add(bits);
                beyond |= bits ^ TIME_MAGIC.to_bits();
            }
        }
        if beyond >> (f64::MANTISSA_DIGITS - 1) == 0 {
            let zeros = TIME_MAGIC.to_bits().wrapping_mul(count as u64);
            for (sum, total) in sums.into_iter().zip(total) {
                sum.fixed = sum.fixed.saturating_add(i128::from(total.wrapping_sub(zeros) as i64));
            }
        } else {
            for (k, sum) in sums.into_iter().enumerate() {
                (0..count).for_each(|i| sum.add(values(i)[k]));
            }
        }
    }

    fn flush(&mut self) {
        self.fixed = self.total();
        self.gathered = 0.0;
        self.count = 0;
    }

    fn total(&self) -> i128 {
        self.fixed.saturating_add(i128::from((self.gathered * Self::ONE) as i64))
    }

    /// Adds another sum.
    pub(crate) fn join(&mut self, other: Self) {
        self.fixed = self.fixed.saturating_add(other.total());
    }

    /// True when nothing but zeros was added, or all of it cancels.
    pub(crate) fn is_zero(&self) -> bool {
        self.total() == 0
    }

    /// The sum.
    pub(crate) fn value(self) -> f64 {
        /// A call on its own, which only huge sums need; both ways round to the nearest.
        #[cold]
        #[inline(never)]
        fn wide(total: i128) -> f64 {
            total as f64
        }
        let total = self.total();
        let units = if let Ok(total) = i64::try_from(total) { total as f64 } else { wide(total) };
        units / Self::ONE
    }
}

impl PartialEq for Sum {
    fn eq(&self, other: &Self) -> bool {
        self.total() == other.total()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounds_down_to_the_grid() {
        for x in [0.0, 1e-9, 0.3, 120.710678, 2500.0, 1e9] {
            let y = squared_down(x);
            assert!(y <= x && x - y < SQUARED_STEP, "{x}");
            assert_eq!((y * 1_048_576.0).fract(), 0.0);
        }
    }

    #[test]
    fn parts_lie_one_behind_the_other_and_make_the_whole() {
        for (seconds, count) in [(0.3, 7), (time(1e-9), 16), (2f64.powi(-32), 3), (900.0, 1)] {
            let parts: Vec<[f64; 2]> = parts(seconds, count).collect();
            assert!(!parts.is_empty() && parts.len() <= count);
            assert_eq!((parts[0][0], parts[parts.len() - 1][1]), (0.0, seconds));
            assert!(parts.iter().all(|part| part[1] > part[0]));
            assert!(parts.windows(2).all(|pair| pair[0][1] == pair[1][0]));
        }
        assert_eq!(parts(0.0, 4).count(), 0);
    }

    #[test]
    fn sums_do_not_depend_on_order() {
        let values: Vec<f64> = (1..2000).map(|i| (f64::from(i) * 0.37).sin().abs() * 1e3).collect();
        let mut forward = Sum::default();
        let mut backward = Sum::default();
        values.iter().for_each(|&v| forward.add(v));
        values.iter().rev().for_each(|&v| backward.add(v));
        assert_eq!(forward, backward);
        assert!((forward.value() - values.iter().sum::<f64>()).abs() < 1e-6);
    }

    #[test]
    fn gathering_adds_as_one_by_one() {
        let mut values: Vec<f64> = (0..256).map(|i| (f64::from(i) * 1.7).sin() * 2f64.powi(i % 19)).collect();
        for extreme in [0.0, 524_287.999, -524_288.0, 524_288.0, -1e300, 1e25, f64::MIN_POSITIVE, 0.5 / Sum::ONE] {
            values[100] = extreme;
            let (mut one_by_one, mut gathered, mut halves) = (Sum::default(), Sum::default(), Sum::default());
            values.iter().for_each(|&value| one_by_one.add(value));
            Sum::gather([&mut gathered, &mut halves], 256, |i| [values[i], values[i] / 2.0]);
            assert_eq!(one_by_one, gathered, "{extreme}");
            let mut expected = Sum::default();
            values.iter().for_each(|&value| expected.add(value / 2.0));
            assert_eq!(halves, expected, "{extreme}");
        }
    }
}
