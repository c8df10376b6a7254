//! Pages for terminals that cannot show more than ASCII: every sign becomes one that reads alike, every letter its number.

use std::borrow::Cow;
use std::io::{self, Write};

use crate::wording::columns;

/// Longest start of a line that is kept back until its end is known, bytes.
const KEPT_MAX: usize = 1 << 16;
/// What is left out of a line, and how it ends then.
const CUT: (char, &str) = ('…', "..");

/// What stands for a character. Letters of names become their number, as in `\u{e9}`: two names stay two, the name can be
/// told from what is shown, and nothing of it acts on the terminal. The bytes of the name would: in a terminal with one byte
/// for a character, some of them begin a command.
fn sign(c: char) -> Cow<'static, str> {
    Cow::Borrowed(match c {
        _ if c.is_ascii() => return Cow::Owned(c.to_string()),
        '●' => "+",
        '◆' => "!",
        '■' => "#",
        '·' | '–' | '−' | '─' | '━' | '‑' => "-",
        '₀' => "0",
        '…' => CUT.1,
        '²' => "2",
        '³' => "3",
        '°' => "deg",
        '•' => "*",
        '▲' | '↑' => "^",
        '▏' | '▎' | '▍' => ".",
        '▌' | '▋' | '▊' | '▉' => "=",
        'π' => "pi",
        '√' => "sqrt ",
        'τ' => "tau",
        'λ' => "lambda",
        'Ω' => "Ohm",
        '½' => "1/2",
        '∞' => "inf",
        '⸬' => ":",
        '×' => "x",
        '→' => "->",
        '±' => "+-",
        '≤' => "<=",
        '≥' => ">=",
        '≈' => "~",
        'µ' | 'μ' => "u",
        'ζ' => "zeta",
        'δ' => "delta",
        '✓' => "v",
        '▪' | '█' | '▀' | '▇' | '▆' => "#",
        '▅' | '▄' | '▃' => "=",
        '▂' | '▁' => "-",
        '│' | '┤' | '├' | '┃' | '║' => "|",
        '╭' | '╰' | '╯' | '╮' | '┌' | '└' | '┐' | '┘' | '┼' => "+",
        '▸' => ">",
        '“' | '”' | '„' => "\"",
        '‘' | '’' => "'",
        // Of these bytes nobody knows what they were.
        char::REPLACEMENT_CHARACTER => "?",
        _ => return Cow::Owned(c.escape_unicode().to_string()),
    })
}

/// The text with nothing but ASCII in it. Where a sign takes more room than what it stands for, the gap behind it gets
/// narrower, so that columns stay columns.
pub fn ascii(text: &str) -> String {
    Lines::default().page(text, None)
}

/// Lines one after another: marks under a line go where its signs went.
#[derive(Default)]
struct Lines {
    /// Columns of the signs of the line before, by the columns of what they stand for; empty where nothing moved.
    moved: Vec<usize>,
}

impl Lines {
    /// A page in ASCII: lines that were no wider than `width` are not wider now.
    fn page(&mut self, text: &str, width: Option<usize>) -> String {
        let mut line = |line| match (self.line(line), width) {
            (plain, Some(width)) => fitted(line, plain, width),
            (plain, None) => plain,
        };
        text.split('\n').map(&mut line).collect::<Vec<_>>().join("\n")
    }

    fn line(&mut self, line: &str) -> String {
        if !self.moved.is_empty() && are_marks(line) {
            return marks(line, &self.moved);
        }
        self.moved.clear();
        let mut plain = String::with_capacity(line.len());
        let (mut owed, mut gap, mut column) = (0, 0, 0);
        for (_, c, is_shown) in walk(line) {
            if !is_shown {
                plain.push(c);
                continue;
            }
            let (sign, wide) = (sign(c), if c.is_ascii() { 1 } else { columns(c.encode_utf8(&mut [0; 4])) });
            self.moved.extend(std::iter::repeat_n(column, wide));
            gap = if c == ' ' { gap + 1 } else { 0 };
            if gap > 1 && owed > 0 {
                owed -= 1;
                continue;
            }
            owed += sign.len().saturating_sub(wide);
            column += sign.len();
            plain.push_str(&sign);
        }
        self.moved.push(column);
        if self.moved.iter().enumerate().all(|(old, new)| old == *new) {
            self.moved.clear();
        }
        plain
    }
}

/// Whether a line marks what stands above it, behind the bar that parts an excerpt from its line numbers.
fn are_marks(line: &str) -> bool {
    let shown = || outside_commands(line).map(|(_, c)| c);
    shown().find(|c| *c != ' ').is_some_and(|bar| "|│┃".contains(bar)) && shown().all(|c| " |│┃^~-─━‾".contains(c))
}

/// Marks under a line whose signs stand elsewhere now.
fn marks(line: &str, moved: &[usize]) -> String {
    let at = |old: usize| {
        moved.get(old).copied().unwrap_or_else(|| moved.last().map_or(old, |end| end + old + 1 - moved.len()))
    };
    let (mut plain, mut column) = (String::with_capacity(line.len()), 0);
    for (_, c, is_shown) in walk(line) {
        if !is_shown {
            plain.push(c);
            continue;
        }
        plain.push_str(&sign(c).repeat(at(column + 1) - at(column)));
        column += 1;
    }
    plain
}

/// A page in ASCII: lines that were no wider than it are not wider now.
pub fn ascii_page(text: &str, width: usize) -> String {
    Lines::default().page(text, Some(width))
}

/// A line in ASCII; where only that makes it too wide, it is broken, or cut shorter if it is cut anyway.
fn fitted(line: &str, plain: String, width: usize) -> String {
    let surplus = seen(&plain).saturating_sub(width);
    if surplus == 0 || seen(line) > width {
        return plain;
    }
    if line.ends_with(CUT.0) && plain.len() > surplus + CUT.1.len() {
        return cut(line, width);
    }
    let indent = plain.len() - plain.trim_start_matches(' ').len();
    let has_mark = plain[indent..].chars().nth(1) == Some(' ');
    let hang = (indent + if has_mark { 2 } else { 0 }).min(width / 2);
    let (mut broken, mut rest, mut room) = (String::new(), &*plain, width);
    while let Some(at) = break_at(rest, room) {
        broken.push_str(rest[..at].trim_end_matches(' '));
        broken.push('\n');
        broken.push_str(&" ".repeat(hang));
        rest = rest[at..].trim_start_matches(' ');
        room = width - hang;
    }
    broken + rest
}

/// The start of a line whose end is left out anyway, in ASCII: whole signs, since half of an escaped letter would name
/// another, and all commands, so that colours end.
fn cut(line: &str, width: usize) -> String {
    let (mut plain, mut room) = (String::new(), width.saturating_sub(CUT.1.len()));
    for (_, c, is_shown) in walk(line) {
        if !is_shown {
            plain.push(c);
            continue;
        }
        let sign = sign(c);
        if c == CUT.0 || sign.len() > room {
            // Nothing behind it fits either.
            room = 0;
            continue;
        }
        room -= sign.len();
        plain.push_str(&sign);
    }
    plain + CUT.1
}

/// Where a line that takes more than so many columns may be broken; none where it need not or cannot.
fn break_at(line: &str, room: usize) -> Option<usize> {
    let (mut column, mut space, mut begun) = (0, None, false);
    for (at, c) in outside_commands(line) {
        column += columns(c.encode_utf8(&mut [0; 4]));
        match c {
            ' ' if begun => space = Some(at),
            ' ' => {}
            _ => begun = true,
        }
        if column > room && space.is_some() {
            return space;
        }
    }
    None
}

/// Columns of a line that may be coloured.
fn seen(line: &str) -> usize {
    outside_commands(line).map(|(_, c)| columns(c.encode_utf8(&mut [0; 4]))).sum()
}

/// The characters that are shown, with their places: without the commands that colour them.
fn outside_commands(line: &str) -> impl Iterator<Item = (usize, char)> {
    walk(line).filter(|(.., is_shown)| *is_shown).map(|(at, c, _)| (at, c))
}

/// All characters with their places, and whether each is shown or belongs to a command (ECMA-48, 5.4: from CSI to a final
/// byte).
fn walk(line: &str) -> impl Iterator<Item = (usize, char, bool)> {
    let mut in_command = false;
    line.char_indices().map(move |(at, c)| {
        let was_in = in_command;
        in_command = match was_in {
            true => c == '[' || !('@'..='~').contains(&c),
            false => c == '\u{1b}',
        };
        (at, c, !was_in && !in_command)
    })
}

/// Turns what is written into ASCII on its way, line by line; what follows the last end of a line waits for a flush.
pub struct AsciiWriter<W> {
    inner: W,
    /// Columns of the terminal, where there is one.
    width: Option<usize>,
    /// The start of a character whose end has not come yet.
    begun: Vec<u8>,
    /// The start of a line whose end has not come yet.
    line: String,
    lines: Lines,
}

impl<W: Write> AsciiWriter<W> {
    /// Writes to `inner`, on a terminal of so many columns or into something else.
    pub fn new(inner: W, width: Option<usize>) -> Self {
        Self { inner, width, begun: Vec::new(), line: String::new(), lines: Lines::default() }
    }

    /// Passes on whole lines, each with its end, or what there is of one.
    fn pass_on(&mut self, text: &str) -> io::Result<()> {
        for line in text.split_inclusive('\n') {
            let (line, end) = line.strip_suffix('\n').map_or((line, ""), |line| (line, "\n"));
            let plain = self.lines.page(line, self.width) + end;
            self.inner.write_all(plain.as_bytes())?;
        }
        Ok(())
    }
}

impl<W: Write> Write for AsciiWriter<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.begun.extend_from_slice(bytes);
        let whole = match std::str::from_utf8(&self.begun) {
            Ok(text) => text.len(),
            // Without a length the last character may still be completed.
            Err(error) => error.error_len().map_or(error.valid_up_to(), |length| error.valid_up_to() + length),
        };
        self.line.push_str(&String::from_utf8_lossy(&self.begun[..whole]));
        self.begun.drain(..whole);
        let ended = match self.line.rfind('\n') {
            Some(end) => end + 1,
            None if self.line.len() > KEPT_MAX => self.line.len(),
            None => return Ok(bytes.len()),
        };
        let rest = self.line.split_off(ended);
        let lines = std::mem::replace(&mut self.line, rest);
        self.pass_on(&lines)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        let line = std::mem::take(&mut self.line);
        self.pass_on(&line)?;
        self.inner.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn characters_may_come_in_pieces() {
        let text = "◆ hold: 4.5 of 12 mm³/s, −3 … 122, 205 °C 45° ✓ ü \u{1f600}\n";
        for size in 1..9 {
            let mut out = AsciiWriter::new(Vec::new(), None);
            text.as_bytes().chunks(size).for_each(|part| out.write_all(part).expect("memory can be written"));
            let plain = String::from_utf8(out.inner).expect("ASCII");
            assert_eq!(plain, "! hold: 4.5 of 12 mm3/s, -3 .. 122, 205 degC 45deg v \\u{fc} \\u{1f600}\n");
        }
    }

    #[test]
    fn what_is_no_text_goes_through_as_a_sign() {
        let mut out = AsciiWriter::new(Vec::new(), None);
        out.write_all(b"a\xffb").expect("memory can be written");
        out.write_all(b"c").expect("memory can be written");
        out.flush().expect("memory can be written");
        assert_eq!(out.inner, b"a?bc");
    }

    #[test]
    fn a_question_is_seen_before_its_line_ends() {
        let mut out = AsciiWriter::new(Vec::new(), Some(40));
        out.write_all("Bore, °C [0.4]: ".as_bytes()).expect("memory can be written");
        assert_eq!(out.inner, b"");
        out.flush().expect("memory can be written");
        assert_eq!(out.inner, b"Bore, degC [0.4]: ");
        // Nobody has to wait for the end of an endless line.
        out.write_all("–".repeat(KEPT_MAX).as_bytes()).expect("memory can be written");
        assert!(out.inner.len() > KEPT_MAX);
    }

    #[test]
    fn names_that_differ_are_shown_differently() {
        let names = ["é", "è", "e", "治", "具", "\u{1f600}", "\u{301}", "ß"];
        let shown = names.map(ascii);
        for (n, name) in shown.iter().enumerate() {
            assert!(name.is_ascii() && !shown[..n].contains(name), "{name}");
        }
        assert_eq!(ascii("jobs/öse.gcode"), "jobs/\\u{f6}se.gcode");
    }

    #[test]
    fn columns_stay_columns() {
        let rows = "hotend  205 °C   12 mm\nbed     60 °C    12 mm\nfan     off      12 mm";
        assert_eq!(ascii(rows), "hotend  205 degC 12 mm\nbed     60 degC  12 mm\nfan     off      12 mm");
        // One space always stays.
        assert_eq!(ascii("→→→ b  c"), "->->-> b c");
    }

    #[test]
    fn marks_stay_under_what_they_mark() {
        let frame = "4 | x = [\"Ä\", 5] # 治\n  |       ^^^  ^\n5 | y\n  |      ^\n";
        let plain = "4 | x = [\"\\u{c4}\", 5] # \\u{6cbb}\n  |       ^^^^^^^^  ^\n5 | y\n  |      ^\n";
        assert_eq!(ascii(frame), plain);
        let mut out = AsciiWriter::new(Vec::new(), None);
        frame.split_inclusive('\n').for_each(|line| out.write_all(line.as_bytes()).expect("memory can be written"));
        assert_eq!(String::from_utf8(out.inner).expect("ASCII"), plain);
        // Coloured, with marks beyond the end of the line, and under wide characters.
        let coloured = "\u{1b}[1m1 │\u{1b}[0m 治 b\n  \u{1b}[1m│ \u{1b}[31m━━ ━\u{1b}[0m ^";
        let plain = "\u{1b}[1m1 |\u{1b}[0m \\u{6cbb} b\n  \u{1b}[1m| \u{1b}[31m-------- -\u{1b}[0m ^";
        assert_eq!(ascii(coloured), plain);
    }

    #[test]
    fn what_is_cut_ends_with_a_whole_sign() {
        assert_eq!(ascii_page("G1 ; Größe…", 11), "G1 ; Gr..");
    }

    #[test]
    fn no_line_gets_too_wide() {
        let line = "■ NO-GO hook.gcode: the nozzle is at 205 °C where 240 °C are the most that is";
        assert_eq!(line.chars().count(), 77);
        for width in 77..80 {
            let page = ascii_page(line, width);
            assert!(page.lines().all(|line| line.len() <= width), "{width}: {page}");
            assert_eq!(page.split_whitespace().collect::<Vec<_>>(), ascii(line).split_whitespace().collect::<Vec<_>>());
        }
        assert!(ascii_page(line, 78).ends_with("that\n  is"), "{}", ascii_page(line, 78));
        assert!(!ascii_page(line, 81).contains('\n'));
        // What is cut is cut a little shorter, what was too wide before stays, and so does what has no space.
        assert_eq!(ascii_page("G1 X10 Y2…", 10), "G1 X10 Y..");
        assert_eq!(ascii_page("205 °C and more", 10), "205 degC and more");
        assert_eq!(ascii_page("ö.gcode", 10), "\\u{f6}.gcode");
        // Colours take no room.
        let coloured = "\u{1b}[1;31m■ NO-GO\u{1b}[0m at 205 °C";
        assert_eq!(ascii_page(coloured, 19), "\u{1b}[1;31m# NO-GO\u{1b}[0m at 205 degC");
        assert_eq!(ascii_page(coloured, 17), "\u{1b}[1;31m# NO-GO\u{1b}[0m at 205\ndegC");
    }
}
