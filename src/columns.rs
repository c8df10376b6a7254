//! What loops over columns have in common. Everything here is meant to be inlined into a loop that
//! [`Vectors`](crate::vectors::Vectors) runs; no answer depends on the width of the vectors.

/// Values side by side, so that the compiler finds a vector of any width in them.
const LANES: usize = 8;

/// True when the test holds for any index below `count`. It looks at all of them: cheaper than a branch for each.
#[inline(always)]
pub(crate) fn any(count: usize, test: impl Fn(usize) -> bool) -> bool {
    let mut found = false;
    for i in 0..count {
        found |= test(i);
    }
    found
}

/// The smallest and the largest of the values and `first`.
#[inline(always)]
pub(crate) fn extremes(values: &[f64], first: f64) -> (f64, f64) {
    let (mut least, mut most) = ([first; LANES], [first; LANES]);
    let (chunks, rest) = values.as_chunks::<LANES>();
    for chunk in chunks {
        for k in 0..LANES {
            least[k] = if chunk[k] < least[k] { chunk[k] } else { least[k] };
            most[k] = if chunk[k] > most[k] { chunk[k] } else { most[k] };
        }
    }
    let join = |(least, most): (f64, f64), value: f64| {
        (if value < least { value } else { least }, if value > most { value } else { most })
    };
    let ends = least.into_iter().chain(most).chain(rest.iter().copied());
    ends.fold((first, first), join)
}

/// The largest of the values and `first`.
#[inline(always)]
pub(crate) fn most(values: &[f64], first: f64) -> f64 {
    let mut most = [first; LANES];
    let (chunks, rest) = values.as_chunks::<LANES>();
    for chunk in chunks {
        for k in 0..LANES {
            most[k] = if chunk[k] > most[k] { chunk[k] } else { most[k] };
        }
    }
    most.into_iter().chain(rest.iter().copied()).fold(first, |most, value| if value > most { value } else { most })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn extremes_are_found_wherever_they_stand() {
        let mut values: Vec<f64> = (0..21).map(|i| f64::from(i) * 0.1).collect();
        for at in 0..values.len() {
            let kept = values[at];
            values[at] = -7.0;
            assert_eq!(extremes(&values, 0.5).0, -7.0);
            values[at] = 7.0;
            assert_eq!((extremes(&values, 0.5).1, most(&values, 0.5)), (7.0, 7.0));
            assert!(any(values.len(), |i| values[i] == 7.0) && !any(at, |i| values[i] == 7.0));
            values[at] = kept;
        }
        assert_eq!((extremes(&[], 0.5), most(&[], 0.5)), ((0.5, 0.5), 0.5));
        assert_eq!((extremes(&values, 9.0).1, extremes(&values, -9.0).0), (9.0, -9.0));
    }
}
