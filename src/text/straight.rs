//! A straight path for the lines that make up nearly all of a job: `G1 X10.5 Y-3 E0.02`, plain and single-spaced.
//!
//! The grammar in [`super::words`] is the law. This path answers only for lines on which it is sure to read exactly what
//! the grammar reads, and declines all others; a property test below compares the two on lines made to mislead it.

use super::words::{Kind, Line, Word, Words};

/// Digits of a number that is read here: all of them fit an f64 exactly.
const DIGITS: usize = 15;

/// Reads a line of the form `G0|G1 (blank letter number)*`, with letters X Y Z E F in any order, each at most once,
/// numbers of a sign, digits and a point, and nothing else; `None` for any other line.
#[inline]
pub fn read<'i>(bytes: &'i [u8], words: &mut Words) -> Option<Line<'i>> {
    let (&[b'G', digit @ (b'0' | b'1')], mut rest) = bytes.split_first_chunk::<2>()? else { return None };
    words.clear();
    words.push(Word { letter: b'G', value: Some(f64::from(digit - b'0')) });
    let mut seen = 0u32;
    while let Some((&[b' ', letter], behind)) = rest.split_first_chunk::<2>() {
        if !matches!(letter, b'E' | b'F' | b'X' | b'Y' | b'Z') {
            return None;
        }
        let bit = 1 << (letter & 31);
        if seen & bit != 0 {
            return None;
        }
        seen |= bit;
        let (value, behind) = number(behind)?;
        words.push(Word { letter, value: Some(value) });
        rest = behind;
    }
    rest.is_empty().then_some(Line {
        kind: Kind::Words,
        block_delete: false,
        number: None,
        checksum: None,
        text: None,
        flaw: None,
        command_bytes: bytes.len(),
        straight: true,
    })
}

/// A number and what is behind it; `None` where the grammar should look. At most [`DIGITS`] digits, so that an integer
/// divided by a power of ten is correctly rounded, as in [`super::number::decimal`].
#[inline(always)]
fn number(bytes: &[u8]) -> Option<(f64, &[u8])> {
    let negative = bytes.first() == Some(&b'-');
    let digits = &bytes[usize::from(negative)..];
    let mut mantissa = 0u64;
    let mut at = 0;
    while let Some(digit) = digit_at(digits, at) {
        mantissa = mantissa.wrapping_mul(10).wrapping_add(digit);
        at += 1;
    }
    let mut count = at;
    let mut scale = 0;
    if digits.get(at) == Some(&b'.') {
        at += 1;
        while let Some(digit) = digit_at(digits, at) {
            mantissa = mantissa.wrapping_mul(10).wrapping_add(digit);
            at += 1;
        }
        scale = at - count - 1;
        count += scale;
    }
    if count == 0 || count > DIGITS {
        return None;
    }
    // From a signed integer: one instruction, where an unsigned one takes several.
    let value = mantissa as i64 as f64 / super::number::POWERS[scale];
    // The sign goes in by its bit, so that nothing waits for the division.
    let signed = f64::from_bits(value.to_bits() | u64::from(negative) << 63);
    Some((signed, &digits[at..]))
}

#[inline(always)]
fn digit_at(bytes: &[u8], at: usize) -> Option<u64> {
    let digit = bytes.get(at)?.wrapping_sub(b'0');
    (digit < 10).then_some(u64::from(digit))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::text::words;

    /// The words' bits, so that -0 and 0 differ.
    fn bits(words: &Words) -> Vec<(u8, Option<u64>)> {
        words.iter().map(|word| (word.letter, word.value.map(f64::to_bits))).collect()
    }

    fn agrees(bytes: &[u8]) -> bool {
        let (mut fast, mut law) = (Words::new(), Words::new());
        let Some(line) = read(bytes, &mut fast) else { return false };
        let expected = words::read_by_grammar(bytes, &mut law);
        assert_eq!(bits(&fast), bits(&law), "{:?}", String::from_utf8_lossy(bytes));
        assert_eq!(Line { straight: false, ..line }, expected, "{:?}", String::from_utf8_lossy(bytes));
        true
    }

    #[test]
    fn takes_the_common_lines() {
        for line in ["G1 X103.024 Y68.319 E0.01929", "G0 F9000 X1 Y-2", "G1", "G1 Z0.2 F600", "G1 X-0.0", "G1 X.5"] {
            assert!(agrees(line.as_bytes()), "{line}");
        }
        for line in ["G1 X1 X2", "G1 X", "G1  X1", "G10", "G1 X1 ", "G1 X1.2.3", "G1 X1;c", "g1 X1", "G1 X1 2", "G1X1"]
        {
            assert!(!agrees(line.as_bytes()), "{line}");
        }
    }

    proptest! {
        #[test]
        fn equals_the_grammar(line in "G[01]( [XYZEFG]-?[0-9]{0,17}\\.?[0-9]{0,9}){0,6}[ ;.*]?") {
            agrees(line.as_bytes());
        }

        #[test]
        fn equals_the_grammar_on_any_bytes(line in proptest::collection::vec(
            proptest::sample::select(&b"G01 XYZEF.-+9;(* \t\xff"[..]), 0..24)) {
            agrees(&line);
            let mut headed = b"G1 ".to_vec();
            headed.extend(&line);
            agrees(&headed);
        }
    }
}
