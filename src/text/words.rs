//! One line → words, by a winnow grammar that is the law for this stage.
//!
//! After NIST RS274/NGC (NISTIR 6556, 3.3): optional block delete `/`, optional line number, then words and comments in
//! any order, blanks and case without meaning outside comments. From the printer trade (common practice, no source):
//! `;` comments, `*` checksums (XOR of the bytes before the star), letters without a number as flags, lists of numbers with
//! colons, and commands that take the rest of the line as text.

use winnow::combinator::opt;
use winnow::error::EmptyError;
use winnow::token::{any, take_till, take_while};
use winnow::{Parser, Result};

use super::number::{Input, blanks, decimal, is_blank};

/// A letter and its number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Word {
    /// Upper-case letter, or [`LISTED`].
    pub letter: u8,
    /// Its number; none for a flag, NaN for a placeholder that nobody has filled in (no number reads as NaN).
    pub value: Option<f64>,
}

/// The words of a line; reused from line to line.
pub type Words = Vec<Word>;

/// The letter of further values of the word before: `D0:1` is D with 0, and this with 1.
pub const LISTED: u8 = b':';

/// Most words kept of one line.
pub const WORDS_KEPT: usize = 64;

/// What sort of line it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Nothing but blanks, comments or a line number.
    Empty,
    /// Words.
    Words,
    /// Not G-code as this grammar knows it.
    Foreign(Foreign),
}

/// Sorts of lines that are no words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Foreign {
    /// A name: a macro call or prose.
    Name,
    /// Starts with `@`.
    At,
    /// Starts with `$`.
    Dollar,
    /// `%`.
    Percent,
    /// Starts with a bracket: a placeholder that nobody has filled in.
    Bracket,
    /// Anything else.
    Other,
}

/// What is wrong with the spelling of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Flaw {
    /// A character that is no part of a word.
    NoWord,
    /// More words than a line may hold.
    TooManyWords,
    /// A comment that is not closed.
    OpenComment,
    /// A comment inside a comment.
    CommentInComment,
}

/// What was read of one line; the words are in the caller's [`Words`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line<'i> {
    /// What sort of line it is.
    pub kind: Kind,
    /// Starts with `/`.
    pub block_delete: bool,
    /// Line number.
    pub number: Option<f64>,
    /// Checksum given and checksum computed.
    pub checksum: Option<(f64, u8)>,
    /// The rest of a line whose command takes text; of a foreign line what comes behind its number.
    pub text: Option<&'i [u8]>,
    /// First place where the line breaks the grammar: byte offset and what is wrong.
    pub flaw: Option<(usize, Flaw)>,
    /// Length of the command part: without comment and trailing blanks, bytes.
    pub command_bytes: usize,
}

/// Commands that take the rest of the line as text (file names, messages): common practice, no source.
const fn is_text_command(code: u16) -> bool {
    matches!(
        code,
        16 | 20 | 23 | 28 | 30 | 32 | 33 | 36
            ..=38 | 70 | 98 | 115 | 117 | 118 | 291 | 471 | 486 | 550 | 551 | 587 | 588 | 928 | 929
    )
}

/// Reads one line (without its newline) into `words`.
pub fn read<'i>(bytes: &'i [u8], words: &mut Words) -> Line<'i> {
    words.clear();
    super::plain::read(bytes, words).unwrap_or_else(|| by_grammar(bytes, words))
}

/// The law.
pub(super) fn by_grammar<'i>(bytes: &'i [u8], words: &mut Words) -> Line<'i> {
    words.clear();
    let mut line = Line {
        kind: Kind::Empty,
        block_delete: false,
        number: None,
        checksum: None,
        text: None,
        flaw: None,
        command_bytes: 0,
    };
    let mut input: Input<'i> = bytes;
    // The grammar cannot fail: what it does not know becomes a flaw or a foreign line.
    let _ = head(&mut input, &mut line);
    if let Some(foreign) = foreign_start(input) {
        line.kind = Kind::Foreign(foreign);
        line.text = Some(input);
        line.command_bytes = trimmed(bytes);
        return line;
    }
    while !input.is_empty() {
        let before = input;
        if item(&mut input, bytes, words, &mut line).is_err() {
            line.flaw.get_or_insert((bytes.len() - before.len(), Flaw::NoWord));
            input = &before[1..];
            // Go on at the next letter.
            let _ =
                take_till::<_, _, EmptyError>(0.., |b: u8| b.is_ascii_alphabetic() || matches!(b, b';' | b'(' | b'*'))
                    .parse_next(&mut input);
        }
    }
    if !words.is_empty() || line.flaw.is_some() {
        line.kind = Kind::Words;
    }
    line.command_bytes = trimmed(&bytes[..line.command_bytes]);
    line
}

/// Length without trailing blanks.
fn trimmed(bytes: &[u8]) -> usize {
    bytes.iter().rposition(|&b| !is_blank(b)).map_or(0, |at| at + 1)
}

/// `[/] [N number]`, with blanks.
fn head<'i>(input: &mut Input<'i>, line: &mut Line<'i>) -> Result<(), EmptyError> {
    blanks(input)?;
    if opt(b'/').parse_next(input)?.is_some() {
        line.block_delete = true;
        blanks(input)?;
    }
    let before = *input;
    if opt(one_letter(b'N')).parse_next(input)?.is_some() {
        blanks(input)?;
        match opt(decimal).parse_next(input)? {
            Some(number) => line.number = Some(number),
            None => *input = before,
        }
    }
    blanks(input)?;
    Ok(())
}

fn one_letter<'i>(upper: u8) -> impl Parser<Input<'i>, u8, EmptyError> {
    any.verify(move |b: &u8| b.eq_ignore_ascii_case(&upper))
}

/// Decides by the first bytes whether the line is words at all.
fn foreign_start(input: &[u8]) -> Option<Foreign> {
    let &first = input.first()?;
    match first {
        b';' | b'(' | b'*' => return None,
        b'@' => return Some(Foreign::At),
        b'$' => return Some(Foreign::Dollar),
        b'%' => return Some(Foreign::Percent),
        b'[' | b'{' => return Some(Foreign::Bracket),
        // Names of macros may begin so.
        b'_' if input.get(1).is_some_and(|b| b.is_ascii_alphanumeric() || *b == b'_') => return Some(Foreign::Name),
        _ if !first.is_ascii_alphabetic() => return Some(Foreign::Other),
        _ => {}
    }
    let next = input[1..].iter().copied().find(|b| !is_blank(*b));
    let starts_number = next.is_some_and(|b| b.is_ascii_digit() || matches!(b, b'+' | b'-' | b'.'));
    if starts_number {
        return None;
    }
    let touching = input.get(1).is_some_and(|b| b.is_ascii_alphabetic() || *b == b'_');
    let can_stand_alone = b"GMTFXYZEABCIJKRPQS".contains(&first.to_ascii_uppercase());
    (touching || !can_stand_alone).then_some(Foreign::Name)
}

/// One word, comment or checksum; blanks behind it are consumed.
fn item<'i>(input: &mut Input<'i>, bytes: &'i [u8], words: &mut Words, line: &mut Line<'i>) -> Result<(), EmptyError> {
    match input[0] {
        b';' => *input = &[],
        b'(' => comment(input, bytes, line),
        b'*' => {
            let before = &bytes[..bytes.len() - input.len()];
            any(input)?;
            blanks(input)?;
            let given = decimal(input)?;
            line.checksum = Some((given, before.iter().fold(0, |sum, b| sum ^ b)));
            line.command_bytes = bytes.len() - input.len();
        }
        _ => {
            let word = word(input)?;
            if words.len() < WORDS_KEPT {
                words.push(word);
            } else {
                line.flaw.get_or_insert((bytes.len() - input.len(), Flaw::TooManyWords));
            }
            further_values(input, word, words);
            if takes_text(word) {
                text_argument(input, bytes, line);
            } else if pauses(word) {
                leading_times(input, words);
                text_argument(input, bytes, line);
            }
            line.command_bytes = bytes.len() - input.len();
        }
    }
    blanks(input)?;
    Ok(())
}

/// `( … )` up to the first closing bracket; a nested opening bracket and a missing closing one are errors (3.3.4).
fn comment<'i>(input: &mut Input<'i>, bytes: &[u8], line: &mut Line<'_>) {
    let at = bytes.len() - input.len();
    let inside = &input[1..];
    let end = inside.iter().position(|&b| b == b')');
    let body = &inside[..end.unwrap_or(inside.len())];
    if end.is_none() {
        line.flaw.get_or_insert((at, Flaw::OpenComment));
    } else if body.contains(&b'(') {
        line.flaw.get_or_insert((at, Flaw::CommentInComment));
    }
    *input = &inside[end.map_or(inside.len(), |end| end + 1)..];
}

/// `letter [number]`, or `letter "text"`, which counts as a flag.
fn word(input: &mut Input<'_>) -> Result<Word, EmptyError> {
    let letter = any.verify(|b: &u8| b.is_ascii_alphabetic()).parse_next(input)?.to_ascii_uppercase();
    blanks(input)?;
    let value = match input.first() {
        Some(b'"') => {
            any(input)?;
            take_while(0.., |b: u8| b != b'"').parse_next(input)?;
            opt(b'"').parse_next(input)?;
            None
        }
        Some(b'[' | b'{' | b'%') if placeholder(input) => Some(f64::NAN),
        _ if matches!(letter, b'G' | b'M') => command_number(input)?,
        _ => opt(decimal).parse_next(input)?,
    };
    Ok(Word { letter, value })
}

/// `:number` behind the number of a parameter, as often as it comes: values for several drives or heaters.
fn further_values(input: &mut Input<'_>, word: Word, words: &mut Words) {
    if matches!(word.letter, b'G' | b'M' | b'T') || word.value.is_none_or(f64::is_nan) {
        return;
    }
    while let Some(mut ahead) = input.strip_prefix(b":").filter(|_| words.len() < WORDS_KEPT) {
        let Ok(value) = decimal(&mut ahead) else { return };
        words.push(Word { letter: LISTED, value: Some(value) });
        *input = ahead;
    }
}

/// The number of a command, without blanks inside: what follows one may be a text that begins with a digit.
fn command_number(input: &mut Input<'_>) -> Result<Option<f64>, EmptyError> {
    let end = input.iter().position(|b| is_blank(*b)).unwrap_or(input.len());
    let (mut number, rest) = input.split_at(end);
    let value = opt(decimal).parse_next(&mut number)?;
    *input = &input[input.len() - rest.len() - number.len()..];
    blanks(input)?;
    Ok(value)
}

/// Takes a name in brackets or between percent signs, which some other program should have replaced by a number, and
/// what touches it. False, with nothing taken, when it is none.
fn placeholder(input: &mut Input<'_>) -> bool {
    let closing = match input[0] {
        b'[' => b']',
        b'{' => b'}',
        _ => b'%',
    };
    let ends = |b: &u8| matches!(b, b';' | b'\r');
    let inside = input[1..].iter().position(|b| *b == closing || ends(b)).map(|at| at + 1);
    let end = match inside {
        Some(at) if input[at] == closing => at + 1,
        // A sign alone is damage; an opened bracket reaches to the end of the command.
        _ if closing == b'%' => return false,
        Some(at) => at,
        None => input.len(),
    };
    let touching = input[end..].iter().take_while(|b| !is_blank(**b) && !ends(b)).count();
    *input = &input[end + touching..];
    true
}

pub(super) fn takes_text(word: Word) -> bool {
    word.letter == b'M'
        && word.value.is_some_and(|code| {
            let near = (code + 0.5) as u16;
            is_text_command(near) && (code - f64::from(near)).abs() < 1e-4
                // A family of questions to the controller.
                || (862.0..863.0).contains(&code)
        })
}

/// M0 and M1: S and P are times, the rest is what the display shows.
pub(super) fn pauses(word: Word) -> bool {
    word.letter == b'M' && word.value.is_some_and(|code| code == 0.0 || code == 1.0)
}

/// Words S and P with a number, as long as they come.
fn leading_times(input: &mut Input<'_>, words: &mut Words) {
    loop {
        let mut ahead = *input;
        let _ = blanks(&mut ahead);
        let is_time = ahead.first().is_some_and(|b| b"SPsp".contains(b)) && words.len() < WORDS_KEPT;
        match word(&mut ahead) {
            Ok(word) if is_time && word.value.is_some_and(|value| !value.is_nan()) => words.push(word),
            _ => return,
        }
        *input = ahead;
    }
}

/// Takes the rest of the line as text; on a numbered line a `*number` at its end is the checksum.
fn text_argument<'i>(input: &mut Input<'i>, bytes: &'i [u8], line: &mut Line<'i>) {
    let mut text = *input;
    *input = &[];
    if line.number.is_some()
        && let Some(star) = text.iter().rposition(|&b| b == b'*')
    {
        let mut behind = &text[star + 1..];
        if let Ok(given) = decimal(&mut behind)
            && behind.is_empty()
        {
            let before = bytes.len() - text.len() + star;
            line.checksum = Some((given, bytes[..before].iter().fold(0, |sum, b| sum ^ b)));
            text = &text[..star];
        }
    }
    line.text = Some(text);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words_of(text: &str) -> String {
        let mut words = Words::new();
        let line = by_grammar(text.as_bytes(), &mut words);
        assert_eq!(line.flaw, None, "{text}");
        spell(&words)
    }

    fn spell(words: &Words) -> String {
        let parts: Vec<String> = words
            .iter()
            .map(|w| format!("{}{}", char::from(w.letter), w.value.map_or(String::new(), |v| v.to_string())))
            .collect();
        parts.join(" ")
    }

    #[test]
    fn blanks_and_case_mean_nothing() {
        // NIST RS274/NGC 3.3: `g0x +0. 12 34y 7` equals `g0 x+0.1234 y7`.
        assert_eq!(words_of("g0x +0. 12 34y 7"), "G0 X0.1234 Y7");
        assert_eq!(words_of("g0 x+0.1234 y7"), "G0 X0.1234 Y7");
        assert_eq!(words_of("G01X1E5"), "G1 X1 E5");
    }

    #[test]
    fn comments_and_flags() {
        assert_eq!(words_of("G28 X W ; home"), "G28 X W");
        assert_eq!(words_of("(start) G1 (there) X1(end)"), "G1 X1");
        assert_eq!(words_of("  ; nothing"), "");
    }

    #[test]
    fn values_may_be_lists() {
        assert_eq!(words_of("M572 D0:1 S0.05"), "M572 D0 :1 S0.05");
        assert_eq!(words_of("M566 X900 E120:12 0:-3.5 ; E"), "M566 X900 E120 :120 :-3.5");
        let mut words = Words::new();
        for (text, at) in [("M92 E420: X1", 8), ("M92 E:420", 5), ("M92:1 E1", 3), ("M92 E1:E2", 6), ("G1 E1::2", 5)] {
            assert_eq!(by_grammar(text.as_bytes(), &mut words).flaw.map(|(at, _)| at), Some(at), "{text}");
        }
    }

    #[test]
    fn line_numbers_and_checksums() {
        let mut words = Words::new();
        let text = b"N3 T0*57";
        let line = by_grammar(text, &mut words);
        assert_eq!((line.number, spell(&words).as_str()), (Some(3.0), "T0"));
        let xor = b"N3 T0".iter().fold(0, |sum, b| sum ^ b);
        assert_eq!(line.checksum, Some((57.0, xor)));
        assert_eq!(xor, 57, "a textbook line of the trade: N3 T0*57 (common practice, no source)");
        assert_eq!(line.command_bytes, text.len());
    }

    #[test]
    fn text_is_not_read_as_words() {
        let mut words = Words::new();
        let line = by_grammar(b"N4 M117 X1 hello ; there*12", &mut words);
        assert_eq!(spell(&words), "M117");
        assert_eq!(line.text, Some(&b"X1 hello ; there"[..]));
        assert!(line.checksum.is_some());
    }

    #[test]
    fn foreign_lines_are_sorted_by_kind() {
        let mut words = Words::new();
        for (text, kind) in [
            ("BEGIN_JOB HEAT=210", Foreign::Name),
            ("hello there", Foreign::Name),
            ("_BETWEEN_PARTS", Foreign::Name),
            ("_", Foreign::Other),
            ("@wait", Foreign::At),
            ("$x=1", Foreign::Dollar),
            ("%", Foreign::Percent),
            ("\u{1}\u{2}", Foreign::Other),
            ("?", Foreign::Other),
            ("[X]", Foreign::Bracket),
        ] {
            assert_eq!(by_grammar(text.as_bytes(), &mut words).kind, Kind::Foreign(kind), "{text}");
        }
        assert_eq!(by_grammar(b"X", &mut words).kind, Kind::Words);
    }

    #[test]
    fn flaws_are_located_and_the_rest_is_read() {
        let mut words = Words::new();
        let line = by_grammar(b"G1 X1.2.3 Y5", &mut words);
        assert_eq!(line.flaw.map(|(at, _)| at), Some(7));
        assert_eq!(spell(&words), "G1 X1.2 Y5");
        assert!(by_grammar(b"G1 X1 (open", &mut words).flaw.is_some());
        assert!(by_grammar(b"G1 (a (b) c) X1", &mut words).flaw.is_some());
    }

    #[test]
    fn command_part_ends_before_the_comment() {
        let mut words = Words::new();
        assert_eq!(by_grammar(b"G1 X1   ; long comment", &mut words).command_bytes, 5);
        assert_eq!(by_grammar(b"G1 (why) X1  ", &mut words).command_bytes, 11);
    }
}
