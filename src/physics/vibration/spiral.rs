//! e^(λt) of a damped oscillator, λ = −ζω + iω_d: decay and rotation in plain multiplications and additions, the same
//! bits on every machine and fit for vector loops.

use std::f64::consts::TAU;

use crate::physics::decay::left;
use crate::vectors::columns::WHOLE;

/// (−1)ⁿ (2π)^(2n) / (2n)! for n = 8 down to 0: cos 2πr as a series in r².
const COSINE: [f64; 9] = series(0);
/// (−1)ⁿ (2π)^(2n+1) / (2n+1)! for n = 8 down to 0: sin 2πr / r as a series in r².
const SINE: [f64; 9] = series(1);

const fn series(odd: u32) -> [f64; 9] {
    let (mut out, mut term, mut n) = ([0.0; 9], if odd == 1 { TAU } else { 1.0 }, 0);
    while n < 9 {
        out[8 - n] = term;
        let next = (2 * n) as f64 + odd as f64;
        term = -term * TAU * TAU / ((next + 1.0) * (next + 2.0));
        n += 1;
    }
    out
}

/// Cosine and sine of so many turns, |turns| < 2⁵⁰: within 3·10⁻¹⁶ of those of the turns as given.
#[inline(always)]
pub(super) fn rotation(turns: f64) -> (f64, f64) {
    // To the nearest quarter of a turn; what is left is at most an eighth, where the series end below the last bit.
    let shifted = turns * 4.0 + WHOLE;
    let r = turns - (shifted - WHOLE) * 0.25;
    let squared = r * r;
    let (mut cosine, mut sine) = (COSINE[0], SINE[0]);
    for n in 1..COSINE.len() {
        cosine = cosine * squared + COSINE[n];
        sine = sine * squared + SINE[n];
    }
    let sine = sine * r;
    let quarters = shifted.to_bits();
    let (along, across) = if quarters & 1 == 0 { (cosine, sine) } else { (sine, cosine) };
    // The cosine is negative in the second and third quarter, the sine in the third and fourth.
    let sign = |bits: u64| (bits & 2) << 62;
    let turned = |value: f64, bits: u64| f64::from_bits(value.to_bits() ^ sign(bits));
    (turned(along, quarters.wrapping_add(1)), turned(across, quarters))
}

/// e^(λt): what is kept of the amplitude, and the real and imaginary part.
#[inline(always)]
pub(super) fn spiral(decay_per_s: f64, turns_per_s: f64, seconds: f64) -> (f64, f64, f64) {
    let kept = left(decay_per_s * seconds);
    let (cosine, sine) = rotation(turns_per_s * seconds);
    (kept, kept * cosine, kept * sine)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rotation_agrees_with_the_standard_library() {
        let mut worst = 0.0f64;
        for n in -200_000..200_000 {
            // Multiples of 1 / 65536 turn are exact, and so are their quarters.
            let turns = f64::from(n) / 65_536.0 * 1.5;
            let (cosine, sine) = rotation(turns);
            let angle = (turns - turns.round()) * TAU;
            worst = worst.max((cosine - angle.cos()).abs()).max((sine - angle.sin()).abs());
        }
        assert!(worst < 5e-16, "{worst}");
        assert_eq!((rotation(0.0), rotation(0.25), rotation(-0.5)), ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0)));
        assert_eq!(rotation(1e9 + 0.75), (0.0, -1.0));
    }

    #[test]
    fn a_spiral_is_a_complex_exponential() {
        for (decay, turns, seconds) in [(12.0f64, 40.0, 0.013), (0.0, 33.0, 2.5), (300.0, 80.0, 0.1)] {
            let (kept, re, im) = spiral(decay, turns, seconds);
            let (size, angle) = ((-decay * seconds).exp(), TAU * turns * seconds);
            assert!((kept - size).abs() < 1e-15 && (re - size * angle.cos()).abs() < 1e-13);
            assert!((im - size * angle.sin()).abs() < 1e-13);
        }
    }
}
