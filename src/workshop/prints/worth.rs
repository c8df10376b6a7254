//! How well clocks foretell, and whether one is worth having in a sheet.

use super::Forecast;
use super::drift::median;
use crate::physics::wall_clock::WallTime;

/// Where clock and plan both err by less, the interval is what is gained: no start of a print is known better.
pub const CLOSE_ENOUGH: f64 = 0.01;
/// An interval that holds nine of ten is no good where so few were held that one of eight of ten would be so bad less often
/// than once in so many times.
const INTERVAL_LEAST: f64 = 0.8;
const INTERVAL_CHANCE_ONE_IN: f64 = 100.0;
/// A clock that has seen all prints errs less on them than another, unless it is worse; this much may be chance.
const CLEARLY_WORSE: f64 = 1.1;

/// How well prints are foretold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scores {
    /// Median of the errors' sizes, as a share of what a print took.
    pub median_error: f64,
    /// How many the 90 % interval held; none without one.
    pub held: Option<usize>,
}

/// Why a new clock is no good.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Doubt {
    /// Its interval holds far fewer prints than it promises.
    IntervalMisses,
    /// Its interval begins at nothing for half of the prints or more.
    IntervalSaysNothing,
    /// It foretells jobs that it has not seen no better than the plan alone.
    NoBetterThanPlan,
    /// It foretells the prints that it was learned from worse than the clock that is in the sheet.
    WorseThanSheet,
}

/// What forecasts are held against: the sheet's clock, the plan alone, and the new clock on jobs it has not seen and on the
/// prints that it was learned from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Compared {
    /// The sheet as it is: its clock, which may have seen these prints, else the plan.
    pub before: Scores,
    /// The plan alone.
    pub plan: Scores,
    /// Clocks that were learned without the job.
    pub after: Scores,
    /// The new clock, which has seen all of them.
    pub seen: Scores,
}

impl Compared {
    /// Of forecasts, and of the new clock's times for the same prints.
    pub fn of(forecasts: &[Forecast], seen: &[WallTime]) -> Self {
        let took = || forecasts.iter().map(|of| of.took_s);
        let of = |times: Vec<WallTime>| Scores {
            median_error: middle_error(times.iter().map(|time| time.expected_s).zip(took())),
            held: Some(times.iter().zip(took()).filter(|(time, took_s)| time.holds(*took_s)).count()),
        };
        let alone = |expected_s: Vec<f64>| Scores {
            median_error: middle_error(expected_s.into_iter().zip(took())),
            held: None,
        };
        let before: Option<Vec<WallTime>> = forecasts.iter().map(|of| of.before).collect();
        let plan = alone(forecasts.iter().map(|of| of.plan_s).collect());
        Self {
            before: before.map_or(plan, of),
            plan,
            after: of(forecasts.iter().map(|of| of.without).collect()),
            seen: of(seen.to_vec()),
        }
    }

    /// Why the clock is no good, the gravest reason.
    pub fn doubt(&self, forecasts: &[Forecast]) -> Option<Doubt> {
        let at_nothing = forecasts.iter().filter(|of| of.without.low_s <= 0.0).count();
        let errs =
            |of: &Scores, other: &Scores| of.median_error > CLOSE_ENOUGH && of.median_error >= other.median_error;
        let clocked = self.before.held.filter(|held| !misses(*held, forecasts.len()));
        let by_sheet = Scores { median_error: self.before.median_error * CLEARLY_WORSE, ..self.before };
        let doubts = [
            (self.after.held.is_some_and(|held| misses(held, forecasts.len())), Doubt::IntervalMisses),
            (2 * at_nothing >= forecasts.len(), Doubt::IntervalSaysNothing),
            (errs(&self.after, &self.plan), Doubt::NoBetterThanPlan),
            (clocked.is_some() && errs(&self.seen, &by_sheet), Doubt::WorseThanSheet),
        ];
        doubts.into_iter().find_map(|(is_so, doubt)| is_so.then_some(doubt))
    }
}

fn middle_error(pairs: impl Iterator<Item = (f64, f64)>) -> f64 {
    median(&pairs.map(|(expected_s, took_s)| (expected_s / took_s - 1.0).abs()).collect::<Vec<_>>()).unwrap_or(0.0)
}

/// Whether an interval that held so many of all is far from holding eight of ten: binomial distribution.
fn misses(held: usize, all: usize) -> bool {
    let odds = INTERVAL_LEAST / (1.0 - INTERVAL_LEAST);
    // All are missed; then each term from the one before. As logarithms, since that of many prints is too small a number.
    let mut term_ln = all as f64 * (1.0 - INTERVAL_LEAST).ln();
    let mut chance = term_ln.exp();
    for count in 0..held.min(all) {
        term_ln += (odds * (all - count) as f64 / (count + 1) as f64).ln();
        chance += term_ln.exp();
    }
    chance * INTERVAL_CHANCE_ONE_IN < 1.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The 1st percentiles of binomial distributions with p = 0.8, summed in exact fractions.
    #[test]
    fn an_interval_misses_where_far_fewer_than_eight_of_ten_are_held() {
        for (all, most) in [(3, 0), (4, 0), (10, 4), (20, 11), (40, 25), (400, 300)] {
            assert!(misses(most, all) && !misses(most + 1, all), "{most} of {all}");
        }
    }
}
