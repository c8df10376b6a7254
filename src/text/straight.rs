//! A straight path for the lines that make up nearly all of a job: `G1 X10.5 Y-3 E0.02`, plain and single-spaced.
//!
//! The grammar in [`super::words`] is the law. This path reads a whole chunk at once, in passes without a chain from
//! byte to byte: where blanks and line ends are, then which letter and which eight bytes follow each, then all numbers
//! together. It gives a number only where the grammar is sure to give the same, and NaN elsewhere; a property test below
//! compares the two on lines made to mislead it.

use super::number::POWERS;
use crate::vectors::Vectors;

/// Characters of a number that are read here: its digits fit an f64 exactly.
const LONGEST: usize = 16;
/// Numbers beyond this are damage, not data; the slow way reports them.
const LARGEST: f64 = 1e12;

/// One ended line, as far as it was read here.
#[derive(Debug, Clone, Copy)]
pub struct Row {
    /// Where its newline stands in the chunk.
    pub end: usize,
    /// How many words the chunk has up to its end.
    pub words: usize,
    /// First letters of its blank-separated words, the last one in the lowest byte; at most the last eight.
    pub letters: u64,
}

/// The ended lines of a chunk.
#[derive(Debug, Default)]
pub struct Rows {
    rows: Vec<Row>,
    /// The eight bytes behind each word's letter and sign.
    bytes: Vec<u64>,
    /// How many of them belong to the number.
    lengths: Vec<u8>,
    negative: Vec<u8>,
    values: Vec<f64>,
    /// Words whose number has more than eight characters: where it starts and how long it is.
    long: Vec<(usize, usize, usize)>,
}

/// The letters of words as they stand in [`Row::letters`].
pub const fn letters(letters: &[u8]) -> u64 {
    let (mut packed, mut i) = (0, 0);
    while i < letters.len() {
        packed = packed << 8 | letters[i] as u64;
        i += 1;
    }
    packed
}

impl Rows {
    /// Reads the lines of a chunk that end in a newline.
    pub fn read(&mut self, chunk: &[u8], vectors: Vectors) {
        let most = chunk.len() + 1;
        if self.bytes.len() < most {
            self.bytes.resize(most, 0);
            self.lengths.resize(most, 0);
            self.negative.resize(most, 0);
            self.values.resize(most, 0.0);
        }
        self.rows.clear();
        self.long.clear();
        let count = vectors.run(
            #[inline(always)]
            || {
                let count = self.cut(chunk);
                let (bytes, lengths, negative) =
                    (&self.bytes[..count], &self.lengths[..count], &self.negative[..count]);
                let values = &mut self.values[..count];
                for i in 0..count {
                    values[i] = short(bytes[i], lengths[i], negative[i]);
                }
                count
            },
        );
        for &(word, at, length) in &self.long {
            // Comments are cut at different places: only words that count have a value.
            if word < count {
                self.values[word] = long(&chunk[at..at + length], self.negative[word]);
            }
        }
    }

    /// The lines.
    pub fn rows(&self) -> &[Row] {
        &self.rows
    }

    /// The numbers of all words; NaN where only the grammar can tell.
    pub fn values(&self) -> &[f64] {
        &self.values
    }

    /// Finds words and lines; the number of words.
    #[inline(always)]
    fn cut(&mut self, chunk: &[u8]) -> usize {
        let (mut start, mut word, mut letters, mut live) = (0, 0, 0u64, true);
        for (block, base) in chunk.chunks(64).zip((0..).step_by(64)) {
            let mut mask = match block.first_chunk::<64>() {
                Some(block) => ends(block),
                None => {
                    let mut last = [b'x'; 64];
                    last[..block.len()].copy_from_slice(block);
                    ends(&last)
                }
            };
            while mask != 0 {
                let end = base + mask.trailing_zeros() as usize;
                mask &= mask - 1;
                let newline = chunk[end] == b'\n';
                let behind = end - usize::from(newline & (chunk[end.saturating_sub(1)] == b'\r'));
                let head = eight(chunk, start);
                let letter = head as u8;
                let negative = (head >> 8) as u8 == b'-';
                let at = start + 1 + usize::from(negative);
                let length = behind.wrapping_sub(at);
                live &= letter != b';';
                self.bytes[word] = eight(chunk, at);
                self.lengths[word] = if length <= 8 { length as u8 } else { 0 };
                self.negative[word] = u8::from(negative);
                if length > 8 && length <= LONGEST && live {
                    self.long.push((word, at, length));
                }
                if live {
                    letters = letters << 8 | u64::from(letter);
                    word += 1;
                }
                start = end + 1;
                if newline {
                    self.rows.push(Row { end, words: word, letters });
                    letters = 0;
                    live = true;
                }
            }
        }
        word
    }
}

/// Eight bytes from `at` on; zeros behind the end of the chunk.
#[inline(always)]
fn eight(chunk: &[u8], at: usize) -> u64 {
    match chunk.get(at..).and_then(|rest| rest.first_chunk::<8>()) {
        Some(bytes) => u64::from_le_bytes(*bytes),
        None => last(&chunk[at.min(chunk.len())..]),
    }
}

#[cold]
fn last(rest: &[u8]) -> u64 {
    rest.iter().rev().fold(0, |bytes, &byte| bytes << 8 | u64::from(byte))
}

const ONES: u64 = 0x0101_0101_0101_0101;
const LOW: u64 = 0x7f * ONES;
const HIGH: u64 = 0x80 * ONES;

/// The highest bit of every byte that is zero.
#[inline(always)]
fn zeros(bytes: u64) -> u64 {
    !(((bytes & LOW) + LOW) | bytes) & HIGH
}

/// A bit for every blank and newline.
#[inline(always)]
fn ends(block: &[u8; 64]) -> u64 {
    let mut mask = 0;
    for (i, bytes) in block.as_chunks::<8>().0.iter().enumerate() {
        let bytes = u64::from_le_bytes(*bytes);
        let found = zeros(bytes ^ (b' ' as u64 * ONES)) | zeros(bytes ^ (b'\n' as u64 * ONES));
        // Gathers the highest bit of each byte in the highest byte.
        mask |= ((found >> 7).wrapping_mul(0x0102_0408_1020_4080) >> 56) << (8 * i);
    }
    mask
}

/// The number in the first `length` of eight bytes (first character lowest); NaN unless it is digits with at most one
/// point. At most eight digits, so that an integer divided by a power of ten is correctly rounded, as in
/// [`super::number::decimal`].
#[inline(always)]
fn short(bytes: u64, length: u8, negative: u8) -> f64 {
    // Zeros in front of the number, which are digits after this.
    let digits = (bytes ^ (0x30 * ONES)).wrapping_shl(64 - 8 * u32::from(length));
    let point = zeros(digits ^ (u64::from(b'.' ^ b'0') * ONES));
    let others = (((digits & LOW) + 0x76 * ONES) | digits) & HIGH;
    let has_point = point != 0;
    let good = length != 0 && others == point && point & point.wrapping_sub(1) == 0 && !(has_point && length == 1);
    let before = (point >> 7).wrapping_sub(1);
    let behind = !(point | point.wrapping_sub(1));
    let whole = if has_point { (digits & behind) | ((digits & before) << 8) } else { digits };
    let scale = if has_point { point.leading_zeros() / 8 } else { 0 };
    // Neighbours join: digits to pairs, pairs to fours, fours to eight.
    let pairs = (whole.wrapping_mul(10 * 256 + 1) >> 8) & 0x00ff_00ff_00ff_00ff;
    let fours = (pairs.wrapping_mul(100 * 65_536 + 1) >> 16) & 0x0000_ffff_0000_ffff;
    let eights = fours.wrapping_mul(10_000 * 4_294_967_296 + 1) >> 32;
    let value = f64::from(eights as i32) / POWERS[scale as usize & 15];
    let signed = f64::from_bits(value.to_bits() | u64::from(negative) << 63);
    if good { signed } else { f64::NAN }
}

/// The same for up to [`LONGEST`] characters, one by one.
fn long(number: &[u8], negative: u8) -> f64 {
    let (mut mantissa, mut digits, mut scale, mut point) = (0u64, 0, 0, false);
    for &byte in number {
        let digit = byte.wrapping_sub(b'0');
        if digit < 10 {
            mantissa = mantissa * 10 + u64::from(digit);
            digits += 1;
            scale += usize::from(point);
        } else if byte == b'.' && !point {
            point = true;
        } else {
            return f64::NAN;
        }
    }
    // Up to 15 digits are exact.
    let value = mantissa as i64 as f64 / POWERS[scale & 15];
    if digits > 15 || value > LARGEST { f64::NAN } else { f64::from_bits(value.to_bits() | u64::from(negative) << 63) }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::text::words::{self, Kind, Words};

    /// Letter and number of each word that this path claims to know, line by line; none for lines it leaves alone.
    fn fast(text: &[u8], vectors: Vectors) -> Vec<Option<Vec<(u8, u64)>>> {
        let mut rows = Rows::default();
        // What an earlier chunk left behind must not show.
        rows.read(b"G1 X123456789012 Y2 ; Z3\nG0\n", vectors);
        rows.read(text, vectors);
        let mut first = 0;
        let read = |row: &Row| {
            let words = first..row.words;
            first = row.words;
            if words.len() > 8 {
                return None;
            }
            let letter = |k: usize| (row.letters >> (8 * (words.len() - 1 - k))) as u8;
            let known = |k: usize| letter(k).is_ascii_uppercase() && !rows.values()[words.start + k].is_nan();
            let word = |k: usize| (letter(k), rows.values()[words.start + k].to_bits());
            (0..words.len()).all(known).then(|| (0..words.len()).map(word).collect())
        };
        rows.rows().iter().map(read).collect()
    }

    /// Compares with the grammar; how many lines this path knew.
    fn agrees(text: &[u8]) -> usize {
        let read = fast(text, Vectors::default());
        assert_eq!(read, fast(text, Vectors::plain()));
        let lines: Vec<&[u8]> = text.split_inclusive(|&b| b == b'\n').filter(|l| l.ends_with(b"\n")).collect();
        assert_eq!(read.len(), lines.len());
        let mut known = 0;
        for (read, line) in read.iter().zip(lines) {
            let Some(read) = read else { continue };
            known += 1;
            let bytes = line.strip_suffix(b"\n").unwrap();
            let bytes = bytes.strip_suffix(b"\r").unwrap_or(bytes);
            let mut law = Words::new();
            let expected = words::read(bytes, &mut law);
            let shown = String::from_utf8_lossy(line);
            if read.first().is_some_and(|word| word.0 == b'N') || expected.text.is_some() {
                // Line numbers and text arguments are no words; the caller asks for G0 and G1 in front.
                continue;
            }
            let law: Vec<(u8, u64)> = law.iter().map(|w| (w.letter, w.value.map_or(u64::MAX, f64::to_bits))).collect();
            assert_eq!(read, &law, "{shown:?}");
            let kind = if read.is_empty() { Kind::Empty } else { Kind::Words };
            assert_eq!((expected.kind, expected.flaw, expected.block_delete), (kind, None, false), "{shown:?}");
            assert_eq!((expected.number, expected.checksum), (None, None), "{shown:?}");
        }
        known
    }

    #[test]
    fn knows_the_common_lines() {
        for line in [
            "G1 X103.024 Y68.319 E0.01929",
            "G0 F9000 X1 Y-2",
            "G1",
            "G1 Z0.2 F600\r",
            "G1 X-0.0 E.5 Y5.",
            "G1 X12345.678901 E-1234567.8",
            "; a comment G1 X1",
            "G1 X1 Y2 ; a comment",
            "M204 S500",
        ] {
            assert_eq!(agrees(format!("{line}\n").as_bytes()), 1, "{line}");
        }
        for line in [
            "G1 X",
            "G1  X1",
            "G1 X1 ",
            " G1 X1",
            "G1 X1.2.3",
            "G1 X1;c",
            "g1 X1",
            "G1 X1 2",
            "G1X1",
            "G1 X.",
            "G1 X-",
            "",
            "G1 X+1",
            "G1 X1-2",
            "G1 X1234567890123456",
            "G1 X1\tY2",
            "G1 X1E5",
            "(c)",
        ] {
            assert_eq!(agrees(format!("{line}\n").as_bytes()), 0, "{line}");
        }
    }

    #[test]
    fn every_length_and_place_of_the_point() {
        let digits = "987654321012345";
        let mut text = String::new();
        for length in 1..=15 {
            for point in 0..=length {
                for sign in ["", "-"] {
                    text += &format!("G1 X{sign}{}.{}\n", &digits[..point], &digits[point..length]);
                }
            }
            text += &format!("G1 X{}\n", &digits[..length]);
        }
        // All but the numbers above 1e12.
        let too_large = (13..=15).map(|length: usize| 2 * (length - 12) + 1).sum::<usize>();
        assert_eq!(agrees(text.as_bytes()), text.lines().count() - too_large);
    }

    proptest! {
        #[test]
        fn equals_the_grammar(
            text in "(G[01]( [XYZEFG]-?[0-9]{0,11}\\.?[0-9]{0,9}){0,6}( ;? ?[a-zG1 ]{0,5})?\r?\n){0,5}G1 X12\\.5",
        ) {
            agrees(text.as_bytes());
        }

        #[test]
        fn equals_the_grammar_on_any_bytes(text in proptest::collection::vec(
            proptest::sample::select(&b"G01 XYZEF.-+9;(*\n\n \t\r\xff\0\x7f/N"[..]), 0..200)) {
            agrees(&text);
        }
    }
}
