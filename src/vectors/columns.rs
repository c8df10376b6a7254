//! What loops over columns have in common. Everything here is meant to be inlined into a loop that
//! [`Vectors`](crate::vectors::Vectors) runs; no answer depends on the width of the vectors.

/// Values side by side: the compiler makes vectors of any width of them.
const LANES: usize = 16;
/// Lanes that are enough for the moves between two actions.
const FEW: usize = 4;

/// Adding 1.5 × 2⁵² rounds to a whole number, which the lower bits then hold.
pub(crate) const WHOLE: f64 = 1.5 * 4_503_599_627_370_496.0;
/// [`whole`] takes magnitudes below this.
pub(crate) const WHOLE_BELOW: f64 = 2_251_799_813_685_248.0;

/// The nearest whole number, the even one of two, without the call that `f64::round` is on older processors.
#[inline(always)]
pub(crate) fn whole(value: f64) -> i64 {
    (value + WHOLE).to_bits().wrapping_sub(WHOLE.to_bits()) as i64
}

/// The smaller of two numbers: one instruction, where `f64::min` takes several to look for NaN.
#[inline(always)]
pub(crate) fn smaller(a: f64, b: f64) -> f64 {
    if a < b { a } else { b }
}

/// The larger of two numbers.
#[inline(always)]
pub(crate) fn larger(a: f64, b: f64) -> f64 {
    if a > b { a } else { b }
}

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
    best(values, first, larger)
}

/// The smallest of the values and `first`.
#[inline(always)]
pub(crate) fn least(values: &[f64], first: f64) -> f64 {
    best(values, first, smaller)
}

#[inline(always)]
fn best(values: &[f64], first: f64, better: impl Fn(f64, f64) -> f64) -> f64 {
    // Lanes without a value change nothing, down to the sign of a zero: those of a few moves cost more than the moves.
    if values.len() <= FEW { best_by::<FEW>(values, first, better) } else { best_by::<LANES>(values, first, better) }
}

#[inline(always)]
fn best_by<const LANES: usize>(values: &[f64], first: f64, better: impl Fn(f64, f64) -> f64) -> f64 {
    let mut best = [first; LANES];
    let (chunks, rest) = values.as_chunks::<LANES>();
    for chunk in chunks {
        for k in 0..LANES {
            best[k] = better(chunk[k], best[k]);
        }
    }
    for k in 0..rest.len() {
        best[k] = better(rest[k], best[k]);
    }
    let mut width = LANES / 2;
    while width > 0 {
        for k in 0..width {
            best[k] = better(best[k + width], best[k]);
        }
        width /= 2;
    }
    best[0]
}

/// Numbers without a pattern for tests, the same from run to run (a linear congruential generator, Knuth's multiplier).
#[cfg(test)]
pub(crate) fn without_pattern(mut seed: u64) -> impl FnMut() -> u64 {
    move || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        seed
    }
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
        // Zeros of both signs: few lanes answer with the same one as many.
        for n in 0..3 * 3 * 3 * 3 * 3 * 5 {
            let signs: [f64; 5] = std::array::from_fn(|k| [0.0, -0.0, -1.0][n / 3usize.pow(k as u32) % 3]);
            let (values, first) = (&signs[1..][..n / 243], signs[0]);
            for better in [larger, smaller] {
                let [few, many] = [best_by::<FEW>(values, first, better), best_by::<LANES>(values, first, better)];
                assert_eq!(few.to_bits(), many.to_bits(), "{signs:?}");
            }
        }
        assert_eq!((least(&values, -9.0), most(&values, 9.0)), (-9.0, 9.0));
    }
}
