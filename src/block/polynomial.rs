//! Polynomials of the share of a piece's time that has passed, from 0 to 1: what ramps and flows are made of. Their factors
//! are those of 1, s, s² …

/// Its value at a share.
#[inline(always)]
pub(crate) fn value(factors: &[f64], s: f64) -> f64 {
    factors.iter().rev().fold(0.0, |sum, factor| sum * s + factor)
}

/// Its integral from 0 to a share.
#[inline(always)]
pub(crate) fn integral(factors: &[f64], s: f64) -> f64 {
    let terms = factors.iter().enumerate().rev();
    terms.fold(0.0, |sum, (k, factor)| sum * s + factor / (k + 1) as f64) * s
}

/// Its `order`-th derivative at a share.
pub(crate) fn derivative(factors: &[f64], order: usize, s: f64) -> f64 {
    let term = |k: usize| (k + 1 - order..=k).fold(factors[k], |factor, n| factor * n as f64);
    (order..factors.len()).rev().fold(0.0, |sum, k| sum * s + term(k))
}

/// Newton's steps square what is left: behind one as short as this nothing is left that counts, but where the function hardly
/// crosses, and there the place hardly counts.
const LAST_STEP: f64 = 1e-9;

/// The root of a monotone function between two places, where it has these values, by Newton's rule where that stays between
/// them and else by halving; `f` gives value and slope.
pub(crate) fn root([mut low, mut high]: [f64; 2], [at_low, at_high]: [f64; 2], f: impl Fn(f64) -> (f64, f64)) -> f64 {
    let falls = at_low > at_high;
    let chord = low + (high - low) * (at_low / (at_low - at_high));
    let mut s = if low < chord && chord < high { chord } else { (low + high) / 2.0 };
    for _ in 0..80 {
        let (value, slope) = f(s);
        if value == 0.0 {
            return s;
        }
        if (value > 0.0) == falls {
            low = s
        } else {
            high = s
        }
        let newton = s - value / slope;
        if low < newton && newton < high {
            if (newton - s).abs() <= LAST_STEP {
                return newton;
            }
            s = newton;
            continue;
        }
        let next = (low + high) / 2.0;
        if (next - s).abs() <= 1e-15 {
            return next;
        }
        s = next;
    }
    s
}
