//! A straight path for the lines that make up nearly all of a job: `G1 X10.5 Y-3 E0.02`, plain and single-spaced.
//!
//! The grammar in [`super::words`] is the law. This path reads a whole chunk at once, in passes without a chain from
//! byte to byte: where lines and words end and which bytes they have, then all numbers together. It gives a number only
//! where the grammar is sure to give the same, and NaN elsewhere; a property test below compares the two on lines made to
//! mislead it.
//!
//! Why are digits read eight at a time only in a pass of their own? In a loop from word to word each number waits for
//! the end of the one before, and that made the same trick slower than plain digits. With the ends known beforehand all
//! numbers are independent and run in vectors.

use super::plain;
use crate::vectors::{HIGH, ONES, Vectors, zeros};

/// Characters of a number that are read here.
const LONGEST: usize = 16;
/// Numbers beyond this are damage, not data; the slow way reports them.
const LARGEST: f64 = 1e12;

/// How a line starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Start {
    /// With `G0` or `G1` and a blank.
    Move,
    /// With a `;`: nothing in it counts.
    Comment,
    /// In any other way: the grammar must look.
    #[default]
    Other,
}

/// One ended line, as far as it was read here.
#[derive(Debug, Clone, Copy)]
pub struct TokenRow<'r> {
    /// Where its newline stands in the chunk.
    pub end: usize,
    /// Of a move, where its words end: before a comment and the blank in front of it.
    pub words_end: usize,
    /// How it starts.
    pub start: Start,
    /// The first eight letters of the words of a move behind its command and before a `;`, the first one in the lowest
    /// byte.
    pub letters: u64,
    /// The numbers of these words; NaN where only the grammar can tell.
    pub values: &'r [f64],
}

/// The ended lines of a chunk.
#[derive(Debug, Default)]
pub struct TokenColumns {
    lines: Vec<Line>,
    /// Of the words of moves: the letter,
    letters: Vec<u8>,
    /// the letter and the seven bytes behind it, the first one lowest,
    heads: Vec<u64>,
    /// the eight bytes behind those,
    tails: Vec<u64>,
    /// how many bytes the word has,
    lengths: Vec<u8>,
    /// and its number.
    values: Vec<f64>,
    /// Words whose number has more than eight characters.
    long: Vec<Long>,
}

/// A line as the first pass leaves it.
#[derive(Debug, Clone, Copy, Default)]
struct Line {
    end: u32,
    words_end: u32,
    /// Words of moves up to its end.
    words: u32,
    start: Start,
}

/// A number, sign included, that starts at a byte of the chunk.
#[derive(Debug)]
struct Long {
    word: usize,
    at: usize,
    length: usize,
}

/// The letters of words as they stand in [`TokenRow::letters`].
pub(crate) const fn letters(letters: &[u8]) -> u64 {
    let (mut packed, mut i) = (0, letters.len());
    while i > 0 {
        i -= 1;
        packed = packed << 8 | letters[i] as u64;
    }
    packed
}

impl TokenColumns {
    /// Reads the lines of a chunk (of less than 4 GiB) that end in a newline.
    pub fn read(&mut self, chunk: &[u8], vectors: Vectors) {
        self.make_room(chunk);
        self.long.clear();
        vectors.run(
            #[inline(always)]
            || {
                let count = self.cut(chunk, vectors);
                let (heads, tails) = (&self.heads[..count], &self.tails[..count]);
                let (lengths, values) = (&self.lengths[..count], &mut self.values[..count]);
                for i in 0..count {
                    values[i] = short(heads[i], tails[i], lengths[i]);
                }
            },
        );
        for number in &self.long {
            // Nine bytes with a minus among them are a short number all the same.
            if self.values[number.word].is_nan() {
                self.values[number.word] = long(&chunk[number.at..number.at + number.length]);
            }
        }
    }

    /// Each byte may end a word. Of a small chunk, which may be the only one, those that do are counted.
    fn make_room(&mut self, chunk: &[u8]) {
        const SMALL: usize = 8192;
        let ends = |byte: u8| memchr::memchr_iter(byte, chunk).count();
        let has_room = self.letters.len() >= chunk.len() + 8;
        let most = match chunk.len() {
            bytes if has_room || bytes > SMALL => bytes + 8,
            _ => ends(b' ') + ends(b'\n') + 8,
        };
        if self.letters.len() < most {
            self.letters.resize(most, 0);
            self.heads.resize(most, 0);
            self.tails.resize(most, 0);
            self.lengths.resize(most, 0);
            self.values.resize(most, 0.0);
        }
    }

    /// The lines.
    pub fn rows(&self) -> impl Iterator<Item = TokenRow<'_>> {
        let mut first = 0;
        self.lines.iter().map(move |line| {
            let count = line.words as usize - first;
            let letters = self.letters[first..].first_chunk().map_or(0, |letters| u64::from_le_bytes(*letters));
            let letters = if count < 8 { letters & ((1 << (8 * count)) - 1) } else { letters };
            let values = &self.values[first..first + count];
            first += count;
            TokenRow { end: line.end as usize, words_end: line.words_end as usize, start: line.start, letters, values }
        })
    }

    /// Cuts lines, and takes out the words of moves; how many words there are.
    #[inline(always)]
    fn cut(&mut self, chunk: &[u8], vectors: Vectors) -> usize {
        let Self { lines, letters, heads, tails, lengths, long, .. } = self;
        let most = letters.len();
        let (letters, lengths) = (&mut letters[..most], &mut lengths[..most]);
        let (heads, tails) = (&mut heads[..most], &mut tails[..most]);
        let returns = memchr::memchr(b'\r', chunk).is_some();
        let (mut word, mut at) = (0, 0);
        lines.clear();
        while at < chunk.len() {
            let [blanks, newlines] = match chunk[at..].first_chunk::<64>() {
                Some(block) => vectors.find(block, b' ', b'\n'),
                None => vectors.find(&padded(&chunk[at..]), b' ', b'\n'),
            };
            let comment = chunk[at] == b';';
            if newlines == 0 {
                // Not many lines are that long, or the chunk ends without a newline.
                let Some(length) = memchr::memchr(b'\n', &chunk[at..]) else { break };
                let start = if comment { Start::Comment } else { Start::Other };
                let end = (at + length) as u32;
                lines.push(Line { end, words_end: end, words: word as u32, start });
                at += length + 1;
                continue;
            }
            let end = at + newlines.trailing_zeros() as usize;
            let mut start = if comment { Start::Comment } else { Start::Other };
            let mut words_end = end;
            if matches!(sixteen(chunk, at) as u32 & 0xff_ffff, G0 | G1) {
                start = Start::Move;
                // Where words end, up to the newline; the first is the command.
                let mut ends = (blanks | newlines) & (newlines ^ newlines.wrapping_sub(1));
                ends &= ends.wrapping_sub(1);
                let mut from = at + 3;
                while ends != 0 && word < most {
                    let to = at + ends.trailing_zeros() as usize;
                    ends &= ends - 1;
                    let bytes = sixteen(chunk, from);
                    let letter = bytes as u8;
                    if letter == b';' {
                        break;
                    }
                    let mut behind = to;
                    if returns && ends == 0 && chunk[to - 1] == b'\r' {
                        behind -= 1;
                    }
                    letters[word] = letter;
                    heads[word] = bytes as u64;
                    tails[word] = (bytes >> 64) as u64;
                    let length = behind.wrapping_sub(from);
                    lengths[word] = if length > LONGEST + 2 { 0 } else { length as u8 };
                    if length.wrapping_sub(10) <= LONGEST + 2 - 10 {
                        long.push(Long { word, at: from + 1, length: length - 1 });
                    }
                    word += 1;
                    from = to + 1;
                }
                words_end = from - 1;
                if returns && chunk[words_end - 1] == b'\r' {
                    words_end -= 1;
                }
            }
            lines.push(Line { end: end as u32, words_end: words_end as u32, words: word as u32, start });
            at = end + 1;
        }
        word
    }
}

/// The last bytes of a chunk, and others that mean nothing.
#[cold]
fn padded(rest: &[u8]) -> [u8; 64] {
    let mut block = [b'x'; 64];
    block[..rest.len()].copy_from_slice(rest);
    block
}

/// `G0 ` and `G1 `, the first byte lowest.
const G0: u32 = u32::from_le_bytes(*b"G0 \0");
const G1: u32 = u32::from_le_bytes(*b"G1 \0");

/// Sixteen bytes from `at` on, the first one lowest; zeros behind the end of the chunk.
#[inline(always)]
fn sixteen(chunk: &[u8], at: usize) -> u128 {
    match chunk.get(at..).and_then(|rest| rest.first_chunk::<16>()) {
        Some(bytes) => u128::from_le_bytes(*bytes),
        None => last(&chunk[at.min(chunk.len())..]),
    }
}

#[cold]
fn last(rest: &[u8]) -> u128 {
    rest.iter().rev().fold(0, |bytes, &byte| bytes << 8 | u128::from(byte))
}

/// The number of a word of `length` bytes (letter, perhaps a minus, up to eight characters); NaN unless it is digits with
/// at most one point. At most eight digits, so that an integer divided by a power of ten is correctly rounded, as in
/// [`super::number::decimal`]. Without a branch, so that the loop over it runs in vectors.
#[inline(always)]
fn short(head: u64, tail: u64, length: u8) -> f64 {
    let negative = u64::from(head & 0xff00 == u64::from(b'-') << 8);
    let bytes = (head >> (8 + 8 * negative)) | (tail << (56 - 8 * negative));
    let length = u64::from(length).wrapping_sub(1 + negative);
    // Zeros in front of the number, which are digits after this. No multiplication overflows where all are digits.
    let digits = (bytes ^ (0x30 * ONES)) << (64u64.wrapping_sub(length.wrapping_mul(8)) & 63);
    let point = zeros(digits ^ (u64::from(b'.' ^ b'0') * ONES));
    let others = (((digits & !HIGH) + 0x76 * ONES) | digits) & HIGH;
    let has_point = u64::from(point != 0);
    let good =
        (length.wrapping_sub(1) < 8) & (others == point) & (point & point.wrapping_sub(1) == 0) & (length != has_point);
    let before = (point >> 7).wrapping_sub(1);
    let behind = !(point | point.wrapping_sub(1));
    // The digits before the point move over it.
    let whole = (digits & behind) | ((digits & before) << (8 * has_point));
    // Neighbours join: digits to pairs, pairs to fours, fours to eight.
    let pairs = whole.wrapping_mul(10).wrapping_add(whole >> 8) & 0x00ff_00ff_00ff_00ff;
    let fours = pairs.wrapping_mul(100).wrapping_add(pairs >> 16) & 0x0000_ffff_0000_ffff;
    let eights = (fours & 0xffff_ffff).wrapping_mul(10_000).wrapping_add(fours >> 32);
    // A one for each byte behind the point, summed in the highest byte.
    let scale = (behind & ONES).wrapping_mul(ONES) >> 56;
    let power = |bit: u64, power: f64| if scale & bit == 0 { 1.0 } else { power };
    let value = f64::from(eights as i32) / (power(1, 1e1) * power(2, 1e2) * power(4, 1e4));
    let signed = f64::from_bits(value.to_bits() | negative << 63);
    if good { signed } else { f64::NAN }
}

/// A longer number; NaN where the slow way has something to say about it.
fn long(number: &[u8]) -> f64 {
    match plain::number(number) {
        Some((Some(value), length)) if length == number.len() && value.abs() <= LARGEST => value,
        _ => f64::NAN,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::text::words::{self, Kind, Words};

    /// Letter and number of each word that this path claims to know, line by line; none for lines it leaves alone.
    fn fast(text: &[u8], vectors: Vectors) -> Vec<Option<Vec<(u8, u64)>>> {
        let mut rows = TokenColumns::default();
        // What an earlier chunk left behind must not show.
        rows.read(b"G1 X123456789012 Y2 ; Z3\nG0\n", vectors);
        rows.read(text, vectors);
        let mut at = 0;
        let read = |row: TokenRow<'_>| {
            let line = &text[std::mem::replace(&mut at, row.end + 1)..row.end];
            let mut words = Vec::new();
            match row.start {
                Start::Other => return None,
                Start::Comment => return Some(words),
                Start::Move => words.push((b'G', f64::from(line[1] - b'0').to_bits())),
            }
            for (k, value) in row.values.iter().enumerate() {
                let letter = (row.letters >> (8 * k.min(8))) as u8;
                if k >= 8 || !letter.is_ascii_uppercase() || value.is_nan() {
                    return None;
                }
                words.push((letter, value.to_bits()));
            }
            Some(words)
        };
        rows.rows().map(read).collect()
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
            let expected = words::by_grammar(bytes, &mut law);
            let shown = String::from_utf8_lossy(line);
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
            "G1 Z0.2 F600\r",
            "G1 X-0.0 E.5 Y5.",
            "G1 X12345.678901 E-1234567.8",
            "; a comment G1 X1",
            "G1 X1 Y2 ; a comment",
            "G1 ; nothing",
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
            "G1",
            "M204 S500",
            "(c)",
        ] {
            assert_eq!(agrees(format!("{line}\n").as_bytes()), 0, "{line}");
        }
    }

    #[test]
    fn there_is_room_for_every_word_of_a_chunk() {
        let line = "G1 X1 Y2 Z3 E4 F5 A6\n";
        for lines in [1, 3, 389, 390, 391, 3000] {
            assert_eq!(agrees(line.repeat(lines).as_bytes()), lines, "{lines}");
        }
        let mut rows = TokenColumns::default();
        // A smaller one, one with nothing but ends of words, and one with more than there was room for.
        for chunk in [line.repeat(9), format!("G1{}\n", " ".repeat(50)).repeat(40), line.repeat(300), line.repeat(900)]
        {
            rows.read(chunk.as_bytes(), Vectors::default());
            let words: usize = rows.rows().map(|row| row.values.len()).sum();
            assert_eq!(
                words,
                chunk.bytes().filter(|byte| matches!(byte, b' ' | b'\n')).count() - chunk.lines().count()
            );
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
