//! Several numbers side by side: what a library does with one number it then does with all of them, each by itself.
//!
//! Every operation is that of `f64` on each lane, exactly rounded, so a lane has the bits that it would have alone. The
//! vectors that every processor of a kind has are enough to carry out two lanes at once.

use std::array;
use std::ops::{Add, Div, Mul, Neg, Rem, Sub};

use realfft::num_traits::{FromPrimitive, Num, One, Signed, Zero};

/// `N` numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Lanes<const N: usize>(pub(crate) [f64; N]);

impl<const N: usize> Lanes<N> {
    #[inline(always)]
    fn each(self, of: impl Fn(f64) -> f64) -> Self {
        Self(self.0.map(of))
    }

    #[inline(always)]
    fn both(self, other: Self, of: impl Fn(f64, f64) -> f64) -> Self {
        Self(array::from_fn(|lane| of(self.0[lane], other.0[lane])))
    }
}

macro_rules! by_lane {
    ($($law:ident $does:ident $sign:tt),*) => {$(
        impl<const N: usize> $law for Lanes<N> {
            type Output = Self;

            #[inline(always)]
            fn $does(self, other: Self) -> Self {
                self.both(other, |a, b| a $sign b)
            }
        }
    )*};
}
by_lane!(Add add +, Sub sub -, Mul mul *, Div div /, Rem rem %);

impl<const N: usize> Neg for Lanes<N> {
    type Output = Self;

    #[inline(always)]
    fn neg(self) -> Self {
        self.each(|a| -a)
    }
}

impl<const N: usize> Zero for Lanes<N> {
    #[inline(always)]
    fn zero() -> Self {
        Self([0.0; N])
    }

    fn is_zero(&self) -> bool {
        *self == Self::zero()
    }
}

impl<const N: usize> One for Lanes<N> {
    #[inline(always)]
    fn one() -> Self {
        Self([1.0; N])
    }
}

impl<const N: usize> Num for Lanes<N> {
    type FromStrRadixErr = <f64 as Num>::FromStrRadixErr;

    fn from_str_radix(text: &str, radix: u32) -> Result<Self, Self::FromStrRadixErr> {
        f64::from_str_radix(text, radix).map(|value| Self([value; N]))
    }
}

impl<const N: usize> Signed for Lanes<N> {
    fn abs(&self) -> Self {
        self.each(f64::abs)
    }

    fn abs_sub(&self, other: &Self) -> Self {
        self.both(*other, |a, b| (a - b).max(0.0))
    }

    fn signum(&self) -> Self {
        self.each(f64::signum)
    }

    fn is_positive(&self) -> bool {
        self.0.iter().all(|a| *a > 0.0)
    }

    fn is_negative(&self) -> bool {
        self.0.iter().all(|a| *a < 0.0)
    }
}

impl<const N: usize> FromPrimitive for Lanes<N> {
    fn from_i64(value: i64) -> Option<Self> {
        f64::from_i64(value).map(|value| Self([value; N]))
    }

    fn from_u64(value: u64) -> Option<Self> {
        f64::from_u64(value).map(|value| Self([value; N]))
    }

    #[inline(always)]
    fn from_f64(value: f64) -> Option<Self> {
        Some(Self([value; N]))
    }
}

#[cfg(test)]
mod tests {
    use realfft::RealFftPlanner;

    use super::*;

    proptest::proptest! {
        /// The transform of a lane is that of the numbers alone, bit for bit.
        #[test]
        fn a_lane_is_transformed_as_if_it_were_alone(seed in 0u64..1 << 40) {
            const LENGTH: usize = 256;
            let value = |lane: usize, n: usize| ((seed + 1) as f64 * (1.0 + lane as f64) * n as f64).sin();
            let together = RealFftPlanner::<Lanes<4>>::new().plan_fft_forward(LENGTH);
            let mut cells: Vec<_> = (0..LENGTH).map(|n| Lanes(array::from_fn(|lane| value(lane, n)))).collect();
            let mut lines = together.make_output_vec();
            together.process(&mut cells, &mut lines).unwrap();
            let alone = RealFftPlanner::<f64>::new().plan_fft_forward(LENGTH);
            for lane in 0..4 {
                let mut cells: Vec<_> = (0..LENGTH).map(|n| value(lane, n)).collect();
                let mut expected = alone.make_output_vec();
                alone.process(&mut cells, &mut expected).unwrap();
                for (line, expected) in lines.iter().zip(&expected) {
                    proptest::prop_assert_eq!(line.re.0[lane].to_bits(), expected.re.to_bits());
                    proptest::prop_assert_eq!(line.im.0[lane].to_bits(), expected.im.to_bits());
                }
            }
        }
    }
}
