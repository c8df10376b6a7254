//! A straight path for lines of plain words: `M204 S1000`, `G92 E0`, `G28 X Y ; home`.
//!
//! The grammar in [`super::words`] is the law. This path takes capital letters with plain numbers, or none, and blanks
//! between them; where anything else comes, or where the grammar might read blanks, text or a name, it leaves the line to
//! the grammar. A property test below compares the two.

use super::number::{POWERS, is_blank};
use super::words::{Kind, Line, WORDS_KEPT, Word, Words, pauses, takes_text};

/// Digits of a number whose value is one division of integers that `f64` holds.
const DIGITS: usize = 15;

/// Reads a line of plain words; none where only the grammar can tell.
pub(super) fn read<'i>(bytes: &'i [u8], words: &mut Words) -> Option<Line<'i>> {
    let (mut at, mut command_bytes) = (0, 0);
    while at < bytes.len() {
        let letter = bytes[at];
        if letter == b';' && !words.is_empty() {
            break;
        }
        if !letter.is_ascii_uppercase() || words.len() == WORDS_KEPT {
            return None;
        }
        let (value, length) = number(&bytes[at + 1..])?;
        let word = Word { letter, value };
        // A line number, or a name.
        if words.is_empty() && (letter == b'N' || value.is_none()) {
            return None;
        }
        if letter == b'M' && (value.is_none() || takes_text(word) || pauses(word)) {
            return None;
        }
        words.push(word);
        at += 1 + length;
        command_bytes = at;
        // A word ends with blanks, or the line with it: digits behind blanks go on with the number.
        match bytes.get(at) {
            None => break,
            Some(byte) if is_blank(*byte) => at += bytes[at..].iter().take_while(|byte| is_blank(**byte)).count(),
            Some(_) => return None,
        }
    }
    (!words.is_empty()).then_some(Line {
        kind: Kind::Words,
        block_delete: false,
        number: None,
        checksum: None,
        text: None,
        flaw: None,
        command_bytes,
    })
}

/// A plain number, if there is one, and its length; none where it is no plain one.
pub(super) fn number(bytes: &[u8]) -> Option<(Option<f64>, usize)> {
    let minus = bytes.first() == Some(&b'-');
    let (mut at, mut mantissa, mut digits, mut scale, mut point) = (usize::from(minus), 0u64, 0, 0, false);
    while let Some(&byte) = bytes.get(at) {
        if byte.is_ascii_digit() {
            mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(byte - b'0'));
            digits += 1;
            scale += usize::from(point);
        } else if byte == b'.' && !point {
            point = true;
        } else {
            break;
        }
        at += 1;
    }
    if at == 0 {
        return Some((None, 0));
    }
    if digits == 0 || digits > DIGITS {
        return None;
    }
    let magnitude = mantissa as f64 / POWERS[scale];
    Some((Some(if minus { -magnitude } else { magnitude }), at))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::words::by_grammar;
    use super::*;

    fn compare(text: &str) -> bool {
        let (mut plain, mut lawful) = (Words::new(), Words::new());
        let Some(line) = read(text.as_bytes(), &mut plain) else { return false };
        assert_eq!(line, by_grammar(text.as_bytes(), &mut lawful), "{text:?}");
        // By bits: a minus before a zero counts too.
        let bits = |words: &Words| words.iter().map(|w| (w.letter, w.value.map(f64::to_bits))).collect::<Vec<_>>();
        assert_eq!(bits(&plain), bits(&lawful), "{text:?}");
        true
    }

    #[test]
    fn common_lines_go_this_way_and_others_do_not() {
        for text in ["M204 S1000", "M205 X8.00 Y-8", "G92 E0", "G28 X W", "T1", "M109 S210 ; wait\r", "G1  X.5 Y5.\t"] {
            assert!(compare(text), "{text:?}");
        }
        for text in
            ["M117 X1", "M0 S5 wait", "N5 G1 X1", "g1 x1", "G1 X1 2", "G1 X+1", "START X=1", "M M5", "G1X5", "; a"]
        {
            assert!(!compare(text), "{text:?}");
        }
        assert!(!compare("G1 X1234567890.123456"));
    }

    proptest! {
        #[test]
        fn reads_what_the_grammar_reads(text in line()) {
            compare(&text);
        }

        #[test]
        fn reads_what_the_grammar_reads_of_anything(text in "[GMTNXYEFSP0-9. ;+*()\\[%\"/_a-z\\t\\r-]{0,24}") {
            compare(&text);
        }
    }

    fn line() -> impl Strategy<Value = String> {
        let word = prop_oneof![
            8 => "[GMTXYZEFSPIJRKN]-?[0-9]{0,4}(\\.[0-9]{0,6})?",
            1 => "[GMT](862\\.3|117|98|0|1|28|32|204|205\\.1)",
            1 => "[A-Z]",
            1 => "[XYZE]-?[0-9]{10,20}",
        ];
        let gap = prop_oneof![8 => Just(" ".to_owned()), 1 => "[ \\t\\r]{0,3}"];
        (proptest::collection::vec((word, gap), 0..7), "(; [ -~]{0,9})?")
            .prop_map(|(words, tail)| words.into_iter().map(|(word, gap)| word + &gap).collect::<String>() + &tail)
    }
}
