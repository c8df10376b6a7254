//! Exponential decay in plain multiplications and additions: the same bits on every machine, and fit for vector loops.

use std::f64::consts::{LN_2, LOG2_E};

use crate::vectors::columns::WHOLE;

/// Beyond this nothing is left that a sum with 1 would show.
const ALL: f64 = 50.0;
/// The upper half of ln 2, so that its multiples are exact; and the rest of it.
const LN_2_HIGH: f64 = f64::from_bits(LN_2.to_bits() & !0xffff_ffff);
const LN_2_LOW: f64 = LN_2 - LN_2_HIGH;

/// 1 / n! for n = 13 down to 2: Taylor's series of e^r; what follows is below 2⁻⁵⁶ of the sum for |r| ≤ ln 2 / 2.
const FACTORIALS: [f64; 12] = {
    let (mut out, mut product, mut n) = ([0.0; 12], 1.0, 2);
    while n <= 13 {
        product *= n as f64;
        out[13 - n] = 1.0 / product;
        n += 1;
    }
    out
};

/// 1 − e^(−x) for x ≥ 0, to the last bit or two.
///
/// −x = k ln 2 + r, and 1 − 2^k e^r = (1 − 2^k) − 2^k (e^r − 1).
#[inline(always)]
pub(super) fn gone(x: f64) -> f64 {
    let (power, grown) = parts(x);
    (1.0 - power) - power * grown
}

/// e^(−x) for x ≥ 0, to 2·10⁻¹⁵ of itself; beyond 50 it stays at e^(−50).
#[inline(always)]
pub(super) fn left(x: f64) -> f64 {
    let (power, grown) = parts(x);
    power + power * grown
}

/// 2^k and e^r − 1 of e^(−x).
#[inline(always)]
fn parts(x: f64) -> (f64, f64) {
    let x = if x < ALL { x } else { ALL };
    let shifted = WHOLE - x * LOG2_E;
    let k = shifted - WHOLE;
    let r = (-x - k * LN_2_HIGH) - k * LN_2_LOW;
    let mut tail = FACTORIALS[0];
    for n in 1..FACTORIALS.len() {
        tail = tail * r + FACTORIALS[n];
    }
    let grown = r + r * r * tail;
    let power = f64::from_bits((shifted.to_bits() << 52).wrapping_add(1f64.to_bits()));
    (power, grown)
}

/// 1 / (2 n + 1) for n = 8 down to 0: artanh z = z Σ z²ⁿ / (2 n + 1).
const ODD: [f64; 9] = [1.0 / 17.0, 1.0 / 15.0, 1.0 / 13.0, 1.0 / 11.0, 1.0 / 9.0, 1.0 / 7.0, 1.0 / 5.0, 1.0 / 3.0, 1.0];

/// Largest |z| at which [`artanh_over`] is exact to the last bit or two.
pub(super) const ARTANH_MOST: f64 = 0.125;

/// artanh(z) / z from z².
#[inline(always)]
pub(super) fn artanh_over(z_squared: f64) -> f64 {
    let mut sum = ODD[0];
    for n in 1..ODD.len() {
        sum = sum * z_squared + ODD[n];
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ulps(value: f64, exact: f64) -> u64 {
        value.to_bits().abs_diff(exact.to_bits())
    }

    #[test]
    fn decay_agrees_with_the_standard_library() {
        let mut worst = 0;
        for n in 0..400_000 {
            let x = 1e-12 * 1.00008f64.powi(n);
            worst = worst.max(ulps(gone(x), -(-x).exp_m1()));
            assert!(x > ALL || (left(x) / (-x).exp() - 1.0).abs() < 2e-15, "{x}");
        }
        assert!(worst <= 2, "{worst}");
        assert_eq!((gone(0.0), gone(1e300), gone(f64::INFINITY)), (0.0, 1.0, 1.0));
    }

    #[test]
    fn the_inverse_tangent_agrees_with_the_standard_library() {
        for n in 1..=1000 {
            let z = ARTANH_MOST * f64::from(n) / 1000.0;
            assert!((artanh_over(z * z) - z.atanh() / z).abs() < 4e-16, "{z}");
        }
    }
}
