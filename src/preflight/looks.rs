//! Whether what is read is a job at all, by its start: a picture, a drawing or prose under the name of a job must not
//! pass as a harmless one.

use std::io::{self, Cursor, Read};

use crate::modal::is_known;
use crate::text::{Foreign, Kind, Words, words};

/// Lines with something on them that are looked at.
const LINES: usize = 1000;
/// Bytes that are looked at, at most: pictures in comments may come first.
const BYTES: usize = 64 << 20;
/// Bytes asked for at a time.
const STEP: usize = 16 << 10;
/// One line in so many begins with a command that is known, in a job.
const ONE_IN: usize = 10;

/// A stream whose start was looked at; it is read from its start all the same.
pub(super) type Looked<'s> = Box<dyn Read + Send + 's>;

/// Looks at the start of a stream. The inner error says in a few words why it is no job.
///
/// # Errors
/// When it cannot be read.
pub(super) fn look(mut source: Looked<'_>) -> io::Result<Result<Looked<'_>, String>> {
    let (mut start, mut seen) = (Vec::new(), Seen::default());
    let mut done = 0;
    loop {
        let read = source.by_ref().take(STEP as u64).read_to_end(&mut start)?;
        let is_end = read < STEP;
        // Half a line is looked at when the rest of it is there.
        let whole =
            if is_end { start.len() } else { start.iter().rposition(|b| ends_line(*b)).map_or(done, |at| at + 1) };
        let mark = if done == 0 && start.starts_with(b"\xef\xbb\xbf") { 3 } else { 0 };
        seen.lines(&start[(done + mark).min(whole)..whole.max(done)]);
        done = whole.max(done);
        if is_end || seen.lines >= LINES || start.len() >= BYTES {
            break;
        }
    }
    Ok(match seen.verdict(&start) {
        Some(why) => Err(why),
        None => Ok(Box::new(Cursor::new(start).chain(source))),
    })
}

/// LF, CR or both, as where jobs are read.
fn ends_line(byte: u8) -> bool {
    matches!(byte, b'\n' | b'\r')
}

/// Lines that a job may have in any number and that do not make it one: calls of macros, lines for the host, marks, notes
/// in other signs than `;`, and commands that are not known here.
fn is_neutral(line: &[u8], kind: Kind) -> bool {
    let line = line.trim_ascii();
    match kind {
        Kind::Foreign(Foreign::Name) => {
            let is_name = |b: &u8| b.is_ascii_uppercase() || b.is_ascii_digit() || *b == b'_';
            let name = line.iter().take_while(|b| is_name(b)).count();
            let rest = &line[name..];
            name > 1 && (rest.is_empty() || rest[0].is_ascii_whitespace())
                || line.contains(&b'=') && line.split(u8::is_ascii_whitespace).skip(1).all(|word| word.contains(&b'='))
        }
        Kind::Foreign(Foreign::At | Foreign::Percent | Foreign::Bracket) => true,
        Kind::Foreign(_) => line.starts_with(b"#") || line.starts_with(b"//"),
        _ => false,
    }
}

/// True for lines that begin with G0 or G1 and a blank: whatever follows, that is their command.
fn is_plain_move(line: &[u8]) -> bool {
    matches!(line, [b'G', b'0' | b'1', b' ', ..])
}

#[derive(Default)]
struct Seen {
    lines: usize,
    commands: usize,
    /// A motion command came: bare axis words repeat it.
    moves: bool,
    words: Words,
}

impl Seen {
    fn lines(&mut self, bytes: &[u8]) {
        let mut start = 0;
        // A CR with an LF ends an empty line more, which says nothing.
        for end in memchr::memchr2_iter(b'\n', b'\r', bytes).chain([bytes.len()]) {
            if self.lines >= LINES {
                return;
            }
            let line = &bytes[start..end];
            start = end + 1;
            if is_plain_move(line) {
                (self.lines, self.commands, self.moves) = (self.lines + 1, self.commands + 1, true);
                continue;
            }
            let read = words::read(line, &mut self.words);
            if read.kind == Kind::Empty || is_neutral(line, read.kind) {
                continue;
            }
            self.lines += 1;
            let first = self.words.first().filter(|_| read.kind == Kind::Words);
            let Some((letter, value)) = first.and_then(|word| Some((word.letter, word.value?))) else { continue };
            let is_command = match letter {
                b'G' | b'M' => is_known(letter, value),
                b'T' => value >= 0.0,
                b'X' | b'Y' | b'Z' | b'E' | b'F' => self.moves,
                _ => false,
            };
            self.moves |= is_command && letter == b'G' && (0.0..=3.0).contains(&value);
            self.commands += usize::from(is_command);
        }
    }

    /// Why it is no job.
    fn verdict(&self, start: &[u8]) -> Option<String> {
        let (lines, commands) = (self.lines, self.commands);
        match start {
            [] => Some("it is empty".to_owned()),
            [0x1f, 0x8b, ..] => Some("it is packed twice".to_owned()),
            [0xff, 0xfe, ..] | [0xfe, 0xff, ..] => Some("it is UTF-16 text; controllers read plain text".to_owned()),
            _ if start.contains(&0) => Some("it has NUL bytes, which no text has".to_owned()),
            _ if lines == 0 => Some("it has no line with a command".to_owned()),
            _ if commands * ONE_IN < lines => {
                Some(format!("of its first lines ({lines}) only {commands} begin with a known command"))
            }
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn why_not(bytes: &[u8]) -> Option<String> {
        let looked = look(Box::new(Cursor::new(bytes.to_vec()))).expect("memory can be read");
        match looked {
            Ok(mut source) => {
                let mut all = Vec::new();
                source.read_to_end(&mut all).expect("memory can be read");
                assert!(all == bytes, "nothing is lost");
                None
            }
            Err(why) => Some(why),
        }
    }

    proptest::proptest! {
        #[test]
        fn a_move_is_one_whatever_follows(line in "G[01] [GMXN0-9. ;()*%{\\[\"-]{0,12}") {
            proptest::prop_assert!(is_plain_move(line.as_bytes()));
            let mut all = Words::new();
            let read = words::read(line.as_bytes(), &mut all);
            proptest::prop_assert_eq!(read.kind, Kind::Words);
            let first = all[0];
            proptest::prop_assert!(first.letter == b'G' && first.value.is_some_and(|value| is_known(b'G', value) && value <= 1.0));
        }
    }

    #[test]
    fn jobs_of_any_kind_pass() {
        let mut thumbnail = "; AAAABBBBCCCC\n".repeat(5000);
        thumbnail.push_str("G28\nG1 X5 E1\n");
        let modal = format!("N10 G1 X1 Y1\n{}", "X2.5 Y3\n".repeat(300));
        let macros = "START_HERE WARM=210\nG1 X5 E1\nPARK_NOW\n";
        let defined = format!("{}G28\nG1 X5 E1\n", "OBJ_DEFINE NAME=a\n".repeat(900));
        let lower = "g28\ng1x5\n\r\n\r\n";
        for job in [
            &thumbnail,
            &modal,
            &defined,
            macros,
            lower,
            "T0",
            "%\nG21\nM30\n%",
            "\u{feff}G28\n",
            "; a\rG28\rG1 X5 E1\r",
        ] {
            assert_eq!(why_not(job.as_bytes()), None, "{}", &job[..job.len().min(40)]);
        }
    }

    #[test]
    fn what_is_none_says_why() {
        let zeros = [b"G28\n".as_slice(), &[0; 50]].concat();
        let utf16: Vec<u8> =
            [0xff, 0xfe].into_iter().chain("G28\n".encode_utf16().flat_map(u16::to_le_bytes)).collect();
        let prose = "Give me a print\nof my dog\n".repeat(200) + "G1 X5\n";
        for (bytes, why) in [
            (b"".as_slice(), "empty"),
            (b"; only words\n\n", "no line with a command"),
            (&zeros, "NUL"),
            (&utf16, "UTF-16"),
            (&[0x1f, 0x8b, 8], "packed twice"),
            (prose.as_bytes(), "of its first lines (401) only 1 begin"),
            (b"START\nPRINT\nEND\n", "no line with a command"),
            (b"G999 X1\nM9999\n", "only 0 begin"),
        ] {
            let found = why_not(bytes).unwrap_or_default();
            assert!(
                found.contains(why) || why.starts_with("0 of its first 400") && found.contains("of its first"),
                "{found}"
            );
        }
    }
}
