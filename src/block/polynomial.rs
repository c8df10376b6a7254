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

/// The root of a monotone function between two places, by Newton's rule where that stays between them and else by halving;
/// `f` gives value and slope.
pub(crate) fn root([mut low, mut high]: [f64; 2], falls: bool, f: impl Fn(f64) -> (f64, f64)) -> f64 {
    let mut s = (low + high) / 2.0;
    for _ in 0..80 {
        let (value, slope) = f(s);
        if (value > 0.0) == falls {
            low = s
        } else {
            high = s
        }
        let newton = s - value / slope;
        let next = if low < newton && newton < high { newton } else { (low + high) / 2.0 };
        if (next - s).abs() <= 1e-15 {
            return next;
        }
        s = next;
    }
    s
}
