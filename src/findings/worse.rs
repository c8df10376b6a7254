//! Whether a finding that was there before has got worse.

use super::Finding;

/// A value must go that much further beyond its limit, as a share of what it was.
const VALUE_SHARE: f64 = 0.01;
/// A finding must occur that much more often, as a share of how often it did…
const COUNT_SHARE: f64 = 0.05;
/// …and at least so many times more.
const COUNT_MORE: u64 = 3;

/// What got worse of a finding.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Worse {
    /// Its worst value.
    Value {
        /// Before.
        before: f64,
        /// After, further beyond the limit.
        after: f64,
        /// What it is held against after.
        limit: f64,
    },
    /// How often it occurs.
    Count {
        /// Before.
        before: u64,
        /// After.
        after: u64,
    },
}

impl Worse {
    /// Of one finding before and after, where it got worse: a value more than 1 % further beyond its limit, or a count more
    /// than 5 % and at least 3 above the one before.
    pub fn between(before: &Finding, after: &Finding) -> Option<Self> {
        if let (Some(was), Some(is), Some(limit)) = (before.value, after.value, after.limit)
            && (is - limit).is_finite()
            && (is - was) * (is - limit).signum() > VALUE_SHARE * was.abs()
            && is != limit
        {
            return Some(Self::Value { before: was, after: is, limit });
        }
        let (was, is) = (before.count, after.count);
        let more = is >= was.saturating_add(COUNT_MORE) && is as f64 > was as f64 * (1.0 + COUNT_SHARE);
        more.then_some(Self::Count { before: was, after: is })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::{Severity, sample};

    fn found(value: Option<f64>, limit: Option<f64>, count: u64) -> Finding {
        Finding { value, limit, count, ..sample::finding("melt-peak-exceeded", Severity::Hold, &[], "too much") }
    }

    #[test]
    fn a_value_further_beyond_its_limit_is_worse() {
        let of = |before, after, limit| {
            Worse::between(&found(Some(before), Some(limit), 1), &found(Some(after), Some(limit), 1))
        };
        assert_eq!(of(10.2, 32.0, 7.3), Some(Worse::Value { before: 10.2, after: 32.0, limit: 7.3 }));
        assert_eq!([of(10.2, 10.3, 7.3), of(10.2, 9.0, 7.3), of(10.0, 10.0, 10.0)], [None; 3]);
        // Below the least, less is worse.
        assert!(of(150.0, 120.0, 170.0).is_some() && of(120.0, 150.0, 170.0).is_none());
        assert_eq!(Worse::between(&found(Some(1.0), None, 1), &found(Some(9.0), None, 1)), None);
    }

    #[test]
    fn a_count_is_worse_by_three_and_a_twentieth() {
        let of = |before, after| Worse::between(&found(None, None, before), &found(None, None, after));
        assert_eq!(of(190, 206), Some(Worse::Count { before: 190, after: 206 }));
        assert_eq!([of(190, 199), of(1, 3), of(206, 190)], [None; 3]);
        assert!(of(1, 4).is_some());
    }
}
