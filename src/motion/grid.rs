//! Binary grids: squared speeds are multiples of 2⁻²⁰ (mm/s)² and times of 2⁻³² s. On a grid sums and minima of f64
//! are exact, hence associative: the same bits whatever the block, chunk or thread count.

/// Highest speed the planner works with, mm/s: keeps squared speeds and their sums exact. No printer comes near.
pub const SPEED_CEILING_MM_S: f64 = 32_768.0;
/// Lowest speed, mm/s, and acceleration, mm/s², the planner works with: keeps times finite, whatever a job writes.
pub const FLOOR: f64 = 1e-12;
/// Sums of squared-speed steps saturate here; above every squared speed, so nothing ever notices.
pub const SQUARED_CEILING: f64 = 2_147_483_648.0;

const SQUARED_STEP: f64 = 1.0 / 1_048_576.0;
/// Adding and taking away 1.5 × 2^(52−20) rounds to a multiple of 2⁻²⁰.
const SQUARED_MAGIC: f64 = 1.5 * 4_294_967_296.0;
/// 1.5 × 2^(52−32).
const TIME_MAGIC: f64 = 1.5 * 1_048_576.0;
/// Above this a time keeps its own bits (they end near 2⁻³² s anyway), s.
const TIME_EXACT_S: f64 = 524_288.0;

/// Rounds a squared speed, 0 to 2³⁰ (mm/s)², down to the grid: caps are never exceeded.
#[inline(always)]
pub fn squared_down(x: f64) -> f64 {
    let nearest = (x + SQUARED_MAGIC) - SQUARED_MAGIC;
    if nearest > x { nearest - SQUARED_STEP } else { nearest }
}

/// Rounds a time to the grid.
#[inline(always)]
pub fn time(t_s: f64) -> f64 {
    let nearest = (t_s + TIME_MAGIC) - TIME_MAGIC;
    if t_s < TIME_EXACT_S { nearest } else { t_s }
}

/// A sum of quantities on the time grid (or any other multiple of 2⁻³²), exact.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Sum(i128);

impl Sum {
    const ONE: f64 = 4_294_967_296.0;

    /// Adds a value, rounded to 2⁻³². Sums of absurd jobs stop at the ends of the range (about 4e28).
    #[inline]
    pub fn add(&mut self, value: f64) {
        // The short way round is exact for every value that fits: converting to 128 bits costs ten times as much.
        let fixed = if value.abs() < TIME_EXACT_S {
            i128::from((((value + TIME_MAGIC) - TIME_MAGIC) * Self::ONE) as i64)
        } else {
            (value * Self::ONE).round_ties_even() as i128
        };
        self.0 = self.0.saturating_add(fixed);
    }

    /// Adds another sum.
    pub fn join(&mut self, other: Self) {
        self.0 = self.0.saturating_add(other.0);
    }

    /// The sum.
    pub fn value(self) -> f64 {
        self.0 as f64 / Self::ONE
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
    fn sums_do_not_depend_on_order() {
        let values: Vec<f64> = (1..2000).map(|i| (f64::from(i) * 0.37).sin().abs() * 1e3).collect();
        let mut forward = Sum::default();
        let mut backward = Sum::default();
        values.iter().for_each(|&v| forward.add(v));
        values.iter().rev().for_each(|&v| backward.add(v));
        assert_eq!(forward, backward);
        assert!((forward.value() - values.iter().sum::<f64>()).abs() < 1e-6);
    }
}
