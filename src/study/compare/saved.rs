//! How the time saved is spread over the jobs.

use hdrhistogram::Histogram;

use super::Pair;

/// Steps in a share of 1: shares are kept to a ten-thousandth.
const STEPS: f64 = 10_000.0;
/// The most a job can lose that is told apart: a job that takes eleven times as long or longer counts as that.
const WORST: f64 = -10.0;
/// Keeps every step apart up to 2 × 10⁵ of them.
const DIGITS: u8 = 5;

/// Time saved as a share of the time before, job by job: 0.25 is a job that takes a quarter less, -0.5 one that takes half
/// as long again. LoadedJob in a histogram, so that it takes the same memory for any number of jobs.
#[derive(Debug, Clone, Default)]
pub struct Saved {
    /// Steps above [`WORST`], from 1; made with the first job.
    shares: Option<Histogram<u32>>,
}

fn step(share: f64) -> u64 {
    // `as` saturates; what is no number does not come here.
    ((share.clamp(WORST, 1.0) - WORST) * STEPS).round() as u64 + 1
}

fn share(step: u64) -> f64 {
    (step as f64 - 1.0 + WORST * STEPS) / STEPS
}

impl Saved {
    /// Takes a job's time in. A job that took no time before is passed over.
    pub fn record(&mut self, time_s: Pair) {
        let Some(saved) = time_s.share().filter(|share| share.is_finite()) else { return };
        if self.shares.is_none() {
            self.shares = Histogram::new_with_bounds(1, step(1.0), DIGITS).ok();
        }
        if let Some(shares) = &mut self.shares {
            shares.saturating_record(step(-saved));
        }
    }

    /// Jobs taken in.
    pub fn jobs(&self) -> u64 {
        self.shares.as_ref().map_or(0, Histogram::len)
    }

    /// The share that at least `part` (0 to 1) of the jobs save at most; none without jobs.
    pub fn quantile(&self, part: f64) -> Option<f64> {
        let shares = self.shares.as_ref()?;
        Some(share(shares.value_at_quantile(part).min(shares.max())))
    }

    /// The least and the most saved.
    pub fn range(&self) -> Option<(f64, f64)> {
        let shares = self.shares.as_ref()?;
        Some((share(shares.min()), share(shares.max())))
    }

    /// How many jobs save how much: `cells` equal parts from the least to the most saved.
    pub fn spread(&self, cells: usize) -> Vec<u64> {
        let Some(shares) = self.shares.as_ref() else { return Vec::new() };
        let (least, most) = (shares.min(), shares.max());
        let mut spread = vec![0; cells.max(1)];
        let count = spread.len() as u64;
        for part in shares.iter_recorded() {
            let at = (part.value_iterated_to() - least) * count / (most - least + 1);
            spread[(at as usize).min(cells.max(1) - 1)] += part.count_since_last_iteration();
        }
        spread
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn saved(shares: &[f64]) -> Saved {
        let mut saved = Saved::default();
        shares.iter().for_each(|share| saved.record(Pair::both(200.0, 200.0 * (1.0 - share))));
        saved
    }

    #[test]
    fn quantiles_are_exact_to_a_ten_thousandth() {
        let shares: Vec<f64> = (-100..=100).map(|percent| f64::from(percent) / 500.0).collect();
        let saved = saved(&shares);
        assert_eq!((saved.jobs(), saved.range()), (201, Some((-0.2, 0.2))));
        for (part, expected) in [(0.0, -0.2), (0.5, 0.0), (1.0, 0.2)] {
            assert_eq!(saved.quantile(part), Some(expected), "{part}");
        }
        assert_eq!(Saved::default().quantile(0.5), None);
    }

    #[test]
    fn every_job_is_in_one_cell() {
        let saved = saved(&[-0.1, 0.0, 0.0, 0.05, 0.1]);
        assert_eq!(saved.spread(5), [1, 0, 2, 1, 1]);
        assert_eq!(saved.spread(1), [5]);
        assert_eq!(self::saved(&[0.3, 0.3]).spread(3).iter().sum::<u64>(), 2);
    }

    #[test]
    fn extremes_stay_in_the_range() {
        let mut saved = saved(&[1.0, -50.0]);
        saved.record(Pair::both(0.0, 5.0));
        saved.record(Pair { before: None, after: Some(5.0) });
        assert_eq!((saved.jobs(), saved.range()), (2, Some((-10.0, 1.0))));
    }
}
