//! One line of a log → the G-code commands in it, whatever a terminal or a controller put before them.
//!
//! The words are those of [`crate::text::words`], read more strictly: a job is carried out as far as it can be read, but a
//! setting that may be damaged must not be kept. So a number has no blanks inside, and every word remembers its text and
//! what it runs into. What leads up to the first command is skipped: that form has no source, it is what logs look like.
//!
//! Why do settings have a grammar of their own? A job is carried out as far as it can be read; a setting that may be
//! damaged (`X8O`, `X80,5`, a bad checksum) must not be kept. So words remember their text and what they run into. The
//! text also keeps mm/min exact: an f64 times 60 has no way back.

use std::ops::RangeInclusive;

use winnow::combinator::{alt, eof, opt, peek, preceded, repeat};
use winnow::error::{EmptyError, ParserError};
use winnow::token::{any, one_of, rest, take_while};
use winnow::{Parser, Result};

use crate::text::{
    number::is_blank,
    words::{self, Words},
};

type Input<'i> = &'i [u8];

/// Most words read of a line.
const WORDS_READ: usize = 64;
/// Most digits of a command's number.
const CODE_DIGITS: usize = 5;
const DIGIT: RangeInclusive<u8> = b'0'..=b'9';
/// Starts the sequences that colour a terminal.
const ESCAPE: u8 = 0x1b;

/// What was read of a line.
#[derive(Debug, Default, PartialEq)]
pub(super) struct Line<'i> {
    pub(super) commands: Vec<Command<'i>>,
    /// Byte offset from which on the line is no G-code.
    pub(super) rest: Option<usize>,
    pub(super) bar: Option<Bar>,
}

/// Why a command that can be read must not be followed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Bar {
    /// `/` before it switches it off.
    SwitchedOff,
    /// It is in quotes: somebody speaks about it.
    Quoted,
    /// Checksum given and checksum computed.
    Checksum(u64, u8),
}

/// A command and its words.
#[derive(Debug, PartialEq)]
pub(super) struct Command<'i> {
    /// Upper-case letter and number without leading zeros, such as `M92` or `G92.1`.
    pub(super) name: String,
    /// Its letter as written.
    pub(super) letter: u8,
    pub(super) words: Vec<Word<'i>>,
}

/// A letter and, unless it is alone, its number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Word<'i> {
    /// Upper-case letter.
    pub(super) letter: u8,
    /// As written, blanks between letter and number included.
    pub(super) text: &'i str,
    /// The number as written: sign, digits, point.
    pub(super) number: Option<&'i str>,
    pub(super) end: End,
}

/// What comes after a word.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum End {
    /// A blank, a comment, a checksum or the end of the line.
    Clean,
    /// The letter of another word, as written.
    Letter(u8),
    /// Something that may be the rest of the number.
    Damaged,
}

/// Reads a line without its newline.
pub(super) fn read(bytes: &[u8]) -> Line<'_> {
    let mut line = Line::default();
    let mut input: Input<'_> = bytes;
    if chatter(&mut input).is_err() {
        return line;
    }
    let before = &bytes[..bytes.len() - input.len()];
    line.bar = bar_before(before);
    input = without_text(input);
    let bytes = &bytes[..before.len() + input.len()];
    for words in 0.. {
        let at = bytes.len() - input.len();
        if let Ok(given) = checksum(&mut input) {
            let computed = bytes[numbered_start(before)..at].iter().fold(0, |sum, byte| sum ^ byte);
            let differs = given != u64::from(computed);
            line.bar = line.bar.or(differs.then_some(Bar::Checksum(given, computed)));
        } else if words == WORDS_READ || item(&mut input, &mut line.commands).is_err() {
            line.rest = Some(at);
            break;
        }
        let _ = gap(&mut input);
        if input.is_empty() {
            break;
        }
    }
    line
}

/// Skips up to the first command; fails when there is none outside comments.
fn chatter(input: &mut Input<'_>) -> Result<(), EmptyError> {
    let behind_last_close = memchr::memrchr(b')', input).map_or(usize::MAX, |at| input.len() - at);
    loop {
        if peek(command_word).parse_next(input).is_ok() {
            return Ok(());
        }
        match input.first() {
            None | Some(b';') => return Err(EmptyError::from_input(input)),
            // Without a closing bracket behind it, it opens no comment.
            Some(b'(') if input.len() > behind_last_close => comment(input)?,
            _ => alt((escape, line_number, name, any.void())).parse_next(input)?,
        }
    }
}

/// The line without a text that its command takes, such as a message: no words to be read.
fn without_text(input: Input<'_>) -> Input<'_> {
    let text = words::read(input, &mut Words::new()).text.unwrap_or_default();
    &input[..input.len() - text.len()]
}

/// A command's letter and number, and what can follow them.
fn command_word(input: &mut Input<'_>) -> Result<(), EmptyError> {
    let follows = one_of(|b: u8| b.is_ascii_alphabetic() || is_blank(b) || matches!(b, b';' | b'(' | b'*' | ESCAPE));
    let number = (take_while(1..=CODE_DIGITS, DIGIT), opt((b'.', take_while(1..=CODE_DIGITS, DIGIT))));
    (one_of(*b"GMTgmt"), number, peek(alt((eof.void(), follows.void())))).void().parse_next(input)
}

fn line_number(input: &mut Input<'_>) -> Result<(), EmptyError> {
    (one_of(*b"Nn"), take_while(1.., DIGIT)).void().parse_next(input)
}

/// What is no command as a whole hides none inside.
fn name(input: &mut Input<'_>) -> Result<(), EmptyError> {
    take_while(1.., |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'_' | b'.')).void().parse_next(input)
}

/// A sequence that colours a terminal (ECMA-48, 5.4).
fn escape(input: &mut Input<'_>) -> Result<(), EmptyError> {
    (ESCAPE, b'[', take_while(0.., 0x20..=0x3f_u8), one_of(0x40..=0x7e_u8)).void().parse_next(input)
}

/// `( … )`.
fn comment(input: &mut Input<'_>) -> Result<(), EmptyError> {
    (b'(', take_while(0.., |b: u8| b != b')'), b')').void().parse_next(input)
}

/// Blanks, colours and comments.
fn gap(input: &mut Input<'_>) -> Result<(), EmptyError> {
    let blanks = take_while(1.., is_blank).void();
    repeat(0.., alt((blanks, escape, comment, (b';', rest).void()))).parse_next(input)
}

fn checksum(input: &mut Input<'_>) -> Result<u64, EmptyError> {
    let given: &[u8] = preceded((b'*', take_while(0.., is_blank)), take_while(1.., DIGIT)).parse_next(input)?;
    Ok(text_of(given).parse().unwrap_or(u64::MAX))
}

/// A word, put where it belongs.
fn item<'i>(input: &mut Input<'i>, commands: &mut Vec<Command<'i>>) -> Result<(), EmptyError> {
    let word = word(input)?;
    match (command_name(&word), commands.last_mut()) {
        // Behind a command, T is a word of it.
        (Some(_), Some(command)) if word.letter == b'T' => command.words.push(word),
        (Some(name), _) => commands.push(Command { name, letter: word.text.as_bytes()[0], words: Vec::new() }),
        (None, Some(command)) => command.words.push(word),
        (None, None) => return Err(EmptyError::from_input(input)),
    }
    Ok(())
}

/// A letter and its number; a letter without a number must be alone, or it is prose.
fn word<'i>(input: &mut Input<'i>) -> Result<Word<'i>, EmptyError> {
    let letter = one_of(|b: u8| b.is_ascii_alphabetic());
    let number = preceded(take_while(0.., is_blank), number);
    let ((letter, number), text) = (letter, opt(number)).with_taken().parse_next(input)?;
    let next = input.first().copied();
    let ends = next.is_none_or(|b| is_blank(b) || matches!(b, b';' | b'(' | b'*' | ESCAPE));
    let end = match next {
        _ if ends => {
            let behind = input.iter().find(|b| !is_blank(**b));
            let goes_on = number.is_some() && behind.is_some_and(|b| DIGIT.contains(b) || b".,+-".contains(b));
            if goes_on { End::Damaged } else { End::Clean }
        }
        Some(b) if number.is_some() && b.is_ascii_alphabetic() => End::Letter(b),
        _ if number.is_some() => End::Damaged,
        _ => return Err(EmptyError::from_input(input)),
    };
    Ok(Word { letter: letter.to_ascii_uppercase(), text: text_of(text), number: number.map(text_of), end })
}

/// Optional sign, digits with an optional point, no blanks.
fn number<'i>(input: &mut Input<'i>) -> Result<&'i [u8], EmptyError> {
    let digits = |least: usize| take_while(least.., DIGIT);
    let form = alt(((digits(1), opt((b'.', digits(0)))).void(), (b'.', digits(1)).void()));
    (opt(one_of(*b"+-")), form).take().parse_next(input)
}

/// The text of what was found to be ASCII.
fn text_of(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes).unwrap_or_default()
}

/// The name of a word that is a command, zeros in front and behind left out.
fn command_name(word: &Word<'_>) -> Option<String> {
    let number =
        word.number.filter(|number| matches!(word.letter, b'G' | b'M' | b'T') && !number.starts_with(['+', '-']))?;
    let (whole, part) = number.split_once('.').unwrap_or((number, ""));
    let (whole, part) = (whole.trim_start_matches('0'), part.trim_end_matches('0'));
    let whole = if whole.is_empty() { "0" } else { whole };
    let letter = char::from(word.letter);
    Some(if part.is_empty() { format!("{letter}{whole}") } else { format!("{letter}{whole}.{part}") })
}

fn bar_before(before: &[u8]) -> Option<Bar> {
    let before = before.trim_ascii();
    match before.last()? {
        b'"' | b'\'' | b'`' => Some(Bar::Quoted),
        b'/' if before.len() == 1 => Some(Bar::SwitchedOff),
        _ => None,
    }
}

/// Where the bytes under a checksum begin: at the line number if there is one.
fn numbered_start(before: &[u8]) -> usize {
    let trimmed = before.trim_ascii_end();
    let digits = trimmed.iter().rev().take_while(|b| b.is_ascii_digit()).count();
    match trimmed[..trimmed.len() - digits].last() {
        Some(b'N' | b'n') if digits > 0 => trimmed.len() - digits - 1,
        _ => before.len(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spell(text: &str) -> String {
        let line = read(text.as_bytes());
        let words = |command: &Command<'_>| {
            let words = command.words.iter().map(|word| match word.end {
                End::Clean => word.text.to_owned(),
                End::Letter(_) => format!("{}+", word.text),
                End::Damaged => format!("{}!", word.text),
            });
            std::iter::once(command.name.clone()).chain(words).collect::<Vec<_>>().join(" ")
        };
        let mut parts: Vec<String> = line.commands.iter().map(words).collect();
        parts.extend(line.rest.map(|at| format!("rest {at}")));
        parts.extend(line.bar.map(|bar| format!("{bar:?}")));
        parts.join(" | ")
    }

    #[test]
    fn chatter_before_the_command_is_skipped() {
        for before in [
            "",
            "  \t",
            "> ",
            ">>>",
            "note:",
            "note: ",
            "12:04:09.31 < ",
            "2031-05-06T07:08:09Z [serial] ",
            "(stored) ",
            "a ( b ",
            "\u{1b}[32;1m",
            "\u{2192}",
            "T:21.4 B:20.9 ",
            "N12 ",
            "N12",
            "\r",
        ] {
            assert_eq!(spell(&format!("{before}M92 X80.00 Y80")), "M92 X80.00 Y80", "{before:?}");
        }
    }

    #[test]
    fn what_is_no_command_stays_chatter() {
        for text in [
            "",
            "ready",
            "; M92 X80",
            "note: ; M92 X80",
            "(M92 X80)",
            "T:20 B:20",
            "M92: steps",
            "XM92 X80",
            "M 92 X80",
        ] {
            assert_eq!(spell(text), "", "{text}");
        }
        assert_eq!(spell("0.5M92"), "");
        assert_eq!(spell("M123456"), "");
    }

    #[test]
    fn words_remember_what_they_run_into() {
        assert_eq!(spell("m92x80y-.5z+4.;c"), "M92 x80+ y-.5+ z+4.");
        assert_eq!(spell("M92 X 80 Y\t80 (mm) Z4"), "M92 X 80 Y\t80 Z4");
        assert_eq!(spell("M92 X80,5 Y80"), "M92 X80! | rest 7");
        assert_eq!(spell("M92 X8 0 Y80"), "M92 X8! | rest 7");
        assert_eq!(spell("M92 Y8O.00"), "M92 Y8+ O.00");
        assert_eq!(spell("M92 X1.2.3"), "M92 X1.2! | rest 8");
        assert_eq!(spell("M92 X80 ok Y80"), "M92 X80 | rest 8");
        assert_eq!(spell("M92 X80 (open"), "M92 X80 | rest 8");
        assert_eq!(spell("M92 X80\u{1b}[0m"), "M92 X80");
        assert_eq!(spell("M204 P X"), "M204 P X");
    }

    #[test]
    fn commands_are_named_alike_however_they_are_written() {
        assert_eq!(spell("m092 X1 M203.0 Y2 T1 G92.10"), "M92 X1 | M203 Y2 T1 | G92.1");
        assert_eq!(spell("T0"), "T0");
        assert_eq!(spell("M00"), "M0");
        assert_eq!(spell("M92 M-5"), "M92 M-5");
        assert_eq!(spell("M117 M92 X5, done"), "M117");
    }

    #[test]
    fn what_bars_a_command_is_told() {
        assert_eq!(spell("/M92 X80"), "M92 X80 | SwitchedOff");
        assert_eq!(spell("not known: \"M92 X80\""), "M92 X80! | rest 19 | Quoted");
        let sum = b"N3 M92 X80".iter().fold(0, |sum, b| sum ^ b);
        assert_eq!(spell(&format!("log: N3 M92 X80*{sum}")), "M92 X80");
        assert_eq!(spell("N3 M92 X80*1"), format!("M92 X80 | Checksum(1, {sum})"));
    }

    #[test]
    fn a_line_of_brackets_takes_no_longer_than_another() {
        let brackets = vec![b'('; 64 * 1024];
        for _ in 0..200 {
            assert_eq!(read(&brackets), Line::default());
        }
        let words = "M92".to_owned() + &" X1".repeat(1000);
        assert_eq!(read(words.as_bytes()).commands[0].words.len(), WORDS_READ - 1);
    }
}
