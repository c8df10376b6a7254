//! Speeds in mm/min as text ↔ mm/s, exact in decimals: an f64 times 60 loses digits that no f64 brings back.

/// Digits behind those given: more than an f64 can tell apart.
const DIGITS_MORE: usize = 40;

/// A sixtieth of a decimal number (sign, digits, point), rounded once.
pub(super) fn sixtieth(text: &str) -> f64 {
    let (sign, plain) = match text.strip_prefix(['+', '-']) {
        Some(plain) => (&text[..1], plain),
        None => ("", text),
    };
    let (whole, part) = plain.split_once('.').unwrap_or((plain, ""));
    let (mut quotient, mut remainder) = (sign.to_owned(), 0u32);
    let mut divide = |digit: u8, quotient: &mut String| {
        let value = remainder * 10 + u32::from(digit - b'0');
        quotient.extend(char::from_digit(value / 60, 10));
        remainder = value % 60;
        remainder
    };
    whole.bytes().for_each(|digit| _ = divide(digit, &mut quotient));
    quotient.push('.');
    part.bytes().for_each(|digit| _ = divide(digit, &mut quotient));
    for _ in 0..DIGITS_MORE {
        divide(b'0', &mut quotient);
    }
    if divide(b'0', &mut quotient) > 0 {
        quotient.push('1');
    }
    quotient.parse().unwrap_or(f64::NAN)
}

/// Sixty times a finite number, as the decimal whose [`sixtieth`] is that number again.
pub(super) fn sixtyfold(value: f64) -> String {
    // The shortest decimal that means this value; never with an exponent.
    let text = value.to_string();
    let (sign, plain) = match text.strip_prefix('-') {
        Some(plain) => ("-", plain),
        None => ("", text.as_str()),
    };
    let (whole, part) = plain.split_once('.').unwrap_or((plain, ""));
    let mut digits: Vec<u8> = Vec::new();
    let mut carry = 0;
    for digit in whole.bytes().chain(part.bytes()).rev() {
        let value = (digit - b'0') * 6 + carry;
        digits.push(b'0' + value % 10);
        carry = value / 10;
    }
    digits.push(b'0' + carry);
    digits.reverse();
    // Times ten: the point goes one place to the right.
    digits.push(b'0');
    let point = digits.len() - part.len();
    let digits: String = digits.into_iter().map(char::from).collect();
    let (whole, part) = (digits[..point].trim_start_matches('0'), digits[point..].trim_end_matches('0'));
    let whole = if whole.is_empty() { "0" } else { whole };
    if part.is_empty() { format!("{sign}{whole}") } else { format!("{sign}{whole}.{part}") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn sixty_seconds_are_a_minute() {
        for (per_minute, per_second) in
            [("2100", 35.0), ("-1.5", -0.025), ("+.6", 0.01), ("0", 0.0), ("7.", 7.0 / 60.0)]
        {
            assert_eq!(sixtieth(per_minute), per_second, "{per_minute}");
        }
        assert_eq!(sixtyfold(35.0), "2100");
        assert_eq!(sixtyfold(0.025), "1.5");
        assert_eq!(sixtyfold(-1.0 / 3.0), "-19.99999999999999800".trim_end_matches('0'));
        assert_eq!(sixtyfold(0.0), "0");
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn there_and_back_is_the_same_number(value in proptest::num::f64::NORMAL | proptest::num::f64::ZERO) {
            prop_assert_eq!(sixtieth(&sixtyfold(value)).to_bits(), value.to_bits());
        }

        /// An f64 divided is right to half a unit in the last place; so is the division of the text.
        #[test]
        fn whole_numbers_divide_as_the_processor_divides(value in 0u32..) {
            prop_assert_eq!(sixtieth(&value.to_string()), f64::from(value) / 60.0);
        }
    }
}
