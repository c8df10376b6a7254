//! Decimal numbers: optional sign, digits with an optional point, blanks allowed anywhere, no exponent
//! (Kramer, Proctor, Messina, *The NIST RS274/NGC Interpreter, Version 3*, NISTIR 6556, 2000, 3.3.2.1 and 3.3).

use winnow::combinator::opt;
use winnow::error::{EmptyError, ParserError};
use winnow::token::{one_of, take_while};
use winnow::{Parser, Result};

/// What the parsers of this stage read.
pub type Input<'i> = &'i [u8];

/// Powers of ten, exact in f64.
pub(super) const POWERS: [f64; 16] =
    [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15];

/// Blanks inside a line.
pub(crate) fn is_blank(byte: u8) -> bool {
    matches!(byte, b' ' | b'\t' | b'\r' | 0x0b | 0x0c)
}

/// Skips blanks.
pub(crate) fn blanks<'i>(input: &mut Input<'i>) -> Result<&'i [u8], EmptyError> {
    take_while(0.., is_blank).parse_next(input)
}

/// The digits read so far, as an integer; how many there are, and how many of them behind the point.
#[derive(Default)]
struct Digits {
    mantissa: u64,
    count: usize,
    scale: usize,
}

impl Digits {
    fn push(&mut self, run: &[u8], behind_point: bool) {
        for &digit in run {
            // Past 15 digits the mantissa is not used any more: the slow path reads the text.
            self.mantissa = self.mantissa.wrapping_mul(10).wrapping_add(u64::from(digit - b'0'));
        }
        self.count += run.len();
        if behind_point {
            self.scale += run.len();
        }
    }
}

/// Digits in any number of runs with blanks between.
fn digit_runs(input: &mut Input<'_>, digits: &mut Digits, behind_point: bool) -> Result<(), EmptyError> {
    loop {
        let run = take_while(0.., |b: u8| b.is_ascii_digit()).parse_next(input)?;
        if run.is_empty() {
            return Ok(());
        }
        digits.push(run, behind_point);
        blanks(input)?;
    }
}

/// A decimal number; consumes blanks inside and behind it.
///
/// Correctly rounded: up to 15 digits an exact integer is divided once by an exact power of ten, which
/// IEEE 754 rounds correctly; anything longer goes through the standard library's parser.
pub fn decimal(input: &mut Input<'_>) -> Result<f64, EmptyError> {
    let start = *input;
    let sign = opt(one_of([b'+', b'-'])).parse_next(input)?;
    if sign.is_some() {
        blanks(input)?;
    }
    let mut digits = Digits::default();
    digit_runs(input, &mut digits, false)?;
    if opt(b'.').parse_next(input)?.is_some() {
        blanks(input)?;
        digit_runs(input, &mut digits, true)?;
    }
    if digits.count == 0 {
        return Err(EmptyError::from_input(input));
    }
    let magnitude = if digits.count <= 15 {
        digits.mantissa as f64 / POWERS[digits.scale]
    } else {
        slow(&start[..start.len() - input.len()])
    };
    Ok(if sign == Some(b'-') { -magnitude } else { magnitude })
}

/// The magnitude by the standard library's parser, blanks and sign taken out.
#[cold]
fn slow(text: &[u8]) -> f64 {
    let plain: String = text.iter().filter(|b| b.is_ascii_digit() || **b == b'.').map(|&b| char::from(b)).collect();
    // Hundreds of digits would become an infinity; the largest number is beyond any machine just the same.
    plain.parse().map_or(0.0, |value: f64| value.min(f64::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Option<(f64, usize)> {
        let mut input = text.as_bytes();
        decimal(&mut input).ok().map(|value| (value, input.len()))
    }

    #[test]
    fn reads_the_forms_of_the_standard() {
        // NIST RS274/NGC 3.3.2.1: optional sign, at least one digit, at most one point, no exponent.
        for (text, value, left) in [
            ("7", 7.0, 0),
            ("+0. 12 34", 0.1234, 0),
            ("-.5", -0.5, 0),
            ("- 1 0", -10.0, 0),
            ("5.", 5.0, 0),
            ("1E5", 1.0, 2),
            ("1.2.3", 1.2, 2),
        ] {
            assert_eq!(read(text), Some((value, left)), "{text}");
        }
        for text in ["", "-", ".", "+.", "E5", "--1"] {
            assert_eq!(read(text), None, "{text}");
        }
    }

    #[test]
    fn hundreds_of_digits_stay_finite() {
        let digits = "9".repeat(400);
        assert_eq!(read(&digits), Some((f64::MAX, 0)));
        assert_eq!(read(&format!("-{digits}.{digits}")), Some((-f64::MAX, 0)));
        assert_eq!(read(&format!("0.{}1", "0".repeat(400))), Some((0.0, 0)));
    }

    #[test]
    fn keeps_the_sign_of_zero() {
        assert_eq!(read("-0.0").unwrap().0.to_bits(), (-0.0f64).to_bits());
    }
}
