//! A quantity over time: its exact smallest and largest value in each of a bounded number of equal stretches.

/// Smallest and largest value per stretch of time. Nothing known: +∞ and −∞.
#[derive(Debug, Clone, PartialEq)]
pub struct Envelope {
    /// Smallest value of each stretch.
    pub low: Vec<f32>,
    /// Largest value of each stretch.
    pub high: Vec<f32>,
}

impl Envelope {
    /// Nothing known anywhere.
    pub fn new(stretches: usize) -> Self {
        Self { low: vec![f32::INFINITY; stretches], high: vec![f32::NEG_INFINITY; stretches] }
    }

    /// Takes a value in.
    #[inline]
    pub fn widen(&mut self, at: usize, low: f64, high: f64) {
        self.low[at] = self.low[at].min(low as f32);
        self.high[at] = self.high[at].max(high as f32);
    }

    /// Joins stretches two by two; the second half is free afterwards.
    pub fn halve(&mut self) {
        let half = self.low.len() / 2;
        for i in 0..half {
            self.low[i] = self.low[2 * i].min(self.low[2 * i + 1]);
            self.high[i] = self.high[2 * i].max(self.high[2 * i + 1]);
        }
        self.low[half..].fill(f32::INFINITY);
        self.high[half..].fill(f32::NEG_INFINITY);
    }

    /// Forgets all from a stretch on.
    pub fn truncate(&mut self, stretches: usize) {
        self.low.truncate(stretches);
        self.high.truncate(stretches);
    }

    /// The same over at most so many stretches, each joining as many of these: no peak is lost.
    pub fn at_most(&self, stretches: usize) -> Self {
        let joined = self.low.len().div_ceil(stretches.max(1)).max(1);
        let fold = |values: &[f32], start: f32, pick: fn(f32, f32) -> f32| {
            values.chunks(joined).map(|part| part.iter().copied().fold(start, pick)).collect()
        };
        Self { low: fold(&self.low, f32::INFINITY, f32::min), high: fold(&self.high, f32::NEG_INFINITY, f32::max) }
    }

    /// True when it has one value wherever it is known.
    pub fn is_steady(&self) -> bool {
        let least = self.low.iter().copied().fold(f32::INFINITY, f32::min);
        self.high.iter().all(|high| *high <= least)
    }

    /// The smallest value of each stretch; where nothing is known, that of before, or of the first that is.
    pub fn lowest_carried(&self) -> Vec<f32> {
        let mut last = self.low.iter().copied().find(|low| low.is_finite()).unwrap_or(0.0);
        let carried = self.low.iter().map(|&low| {
            last = if low.is_finite() { low } else { last };
            last
        });
        carried.collect()
    }

    /// The largest value of all, at least 0.
    pub fn most(&self) -> f64 {
        f64::from(self.high.iter().copied().fold(0.0, f32::max))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn no_peak_is_lost_however_stretches_are_joined(values in prop::collection::vec(-1e3f32..1e3, 1..200), most in 1usize..50) {
            let mut envelope = Envelope::new(values.len());
            for (at, &value) in values.iter().enumerate() {
                envelope.widen(at, f64::from(value), f64::from(value));
            }
            let few = envelope.at_most(most);
            prop_assert!(few.high.len() <= most.max(1));
            let joined = values.len().div_ceil(most);
            for (at, part) in values.chunks(joined).enumerate() {
                prop_assert_eq!(few.high[at], part.iter().copied().fold(f32::NEG_INFINITY, f32::max));
                prop_assert_eq!(few.low[at], part.iter().copied().fold(f32::INFINITY, f32::min));
            }
        }
    }
}
