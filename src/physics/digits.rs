//! Quantiles of values that come in rising order with their counts, to three digits.
//!
//! They are those of `hdrhistogram` with three significant digits, to the unit (a test below holds them to it). Why not the
//! histogram itself? Its cells must be cleared, filled and walked for values that are in order already: that took longer
//! than all moves of a small job.

/// Values below this are told apart one by one; from there on half as many to each doubling.
const APART: u64 = 2048;

/// The middle of the values that are the same as this one to three digits.
pub(crate) fn middle(value: u64) -> u64 {
    let shift = (value | (APART - 1)).ilog2() - (APART - 1).ilog2();
    (value >> shift << shift) + ((1 << shift) >> 1)
}

/// Which of `total` counts, from 1, is the first that a share of them does not exceed.
pub(crate) fn rank(share: f64, total: u64) -> u64 {
    ((share * total as f64).ceil() as u64).max(1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use hdrhistogram::Histogram;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn they_are_those_of_a_histogram(
            mut counted in proptest::collection::vec((prop_oneof![0..9000u64, 0..1u64 << 40], 1..1u64 << 45), 1..40),
            share in 0.0..=1.0f64,
        ) {
            let mut histogram = Histogram::<u64>::new_with_bounds(1, 1 << 40, 3).expect("bounds");
            for &(value, count) in &counted {
                histogram.record_n(value, count).expect("within the bounds");
                prop_assert_eq!(middle(value), histogram.median_equivalent(value));
            }
            counted.sort_unstable();
            let rank = rank(share, counted.iter().map(|(_, count)| count).sum());
            let mut until = 0;
            let found = counted.iter().find(|(_, count)| {
                until += count;
                until >= rank
            });
            let wanted = histogram.value_at_quantile(share);
            // A share of 0 alone gets the lowest of them.
            prop_assert_eq!(found.map(|(value, _)| middle(*value)), Some(histogram.median_equivalent(wanted)));
        }
    }
}
