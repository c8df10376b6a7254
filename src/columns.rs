//! What loops over columns have in common. Everything here is meant to be inlined into a loop that
//! [`Vectors`](crate::vectors::Vectors) runs; no answer depends on the width of the vectors.

/// Values side by side: the compiler makes vectors of any width of them.
const LANES: usize = 16;

/// True when the test holds for any index below `count`. It looks at all of them: cheaper than a branch for each.
#[inline(always)]
pub(crate) fn any(count: usize, test: impl Fn(usize) -> bool) -> bool {
    let mut found = false;
    for i in 0..count {
        found |= test(i);
    }
    found
}

/// The largest of the values and `first`.
#[inline(always)]
pub(crate) fn most(values: &[f64], first: f64) -> f64 {
    best(values, first, |a, b| a > b)
}

/// The smallest of the values and `first`.
#[inline(always)]
pub(crate) fn least(values: &[f64], first: f64) -> f64 {
    best(values, first, |a, b| a < b)
}

#[inline(always)]
fn best(values: &[f64], first: f64, better: impl Fn(f64, f64) -> bool) -> f64 {
    let mut best = [first; LANES];
    let (chunks, rest) = values.as_chunks::<LANES>();
    for chunk in chunks {
        for k in 0..LANES {
            best[k] = if better(chunk[k], best[k]) { chunk[k] } else { best[k] };
        }
    }
    for k in 0..rest.len() {
        best[k] = if better(rest[k], best[k]) { rest[k] } else { best[k] };
    }
    let mut width = LANES / 2;
    while width > 0 {
        for k in 0..width {
            best[k] = if better(best[k + width], best[k]) { best[k + width] } else { best[k] };
        }
        width /= 2;
    }
    best[0]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn extremes_are_found_wherever_they_stand() {
        let mut values: Vec<f64> = (0..101).map(|i| f64::from(i) * 0.01).collect();
        for at in 0..values.len() {
            let kept = values[at];
            values[at] = -7.0;
            assert_eq!(least(&values, 0.5), -7.0);
            values[at] = 7.0;
            assert_eq!(most(&values, 0.5), 7.0);
            assert!(any(values.len(), |i| values[i] == 7.0) && !any(at, |i| values[i] == 7.0));
            values[at] = kept;
        }
        assert_eq!((least(&[], 0.5), most(&[], 0.5)), (0.5, 0.5));
        assert_eq!((least(&values, -9.0), most(&values, 9.0)), (-9.0, 9.0));
    }
}
