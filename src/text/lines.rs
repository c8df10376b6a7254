//! A stream of bytes → chunks of whole lines, in constant memory.
//!
//! Bytes, not UTF-8. Lines end in LF, CR or CRLF, or with the stream: "carriage return or line feed or both" (NIST RS274/NGC,
//! format of a line; from memory). A CR right behind an LF ends no other line. A byte-order mark before the first line is skipped.
//! The digest of the plain bytes is made in the same pass. The last few chunks stay in memory so that a report can
//! show the lines it points at, whatever the stream comes from.

use std::collections::VecDeque;
use std::io::{self, Read};
use std::sync::{Arc, OnceLock};

use memchr::{memchr, memchr_iter};

/// Bytes asked of the source at a time: what becomes of them stays in a processor's own cache.
pub(crate) const CHUNK_BYTES: usize = 64 * 1024;
/// Bytes of a line that are read; the rest of a longer one is skipped.
pub const LINE_BYTES_READ: usize = 64 * 1024;
/// Bytes kept for excerpts at least, the newest chunk apart. What lags further behind the reader may lack its excerpt.
const BYTES_KEPT: usize = 1024 * 1024;
/// Byte-order mark of UTF-8.
const MARK: [u8; 3] = *b"\xef\xbb\xbf";
/// Lines of a chunk from one place that is known to the next.
const LINES_BETWEEN: u64 = 64;
/// Characters of a line shown in an excerpt.
const EXCERPT_CHARS: usize = 200;

/// One line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RawLine<'c> {
    /// Its bytes without line end; at most [`LINE_BYTES_READ`].
    pub bytes: &'c [u8],
    /// Number, from 1.
    pub number: u64,
    /// Bytes it takes in the job, line end included.
    pub raw_bytes: u64,
    /// False for a last line without newline.
    pub ended: bool,
    /// True when bytes were left out because the line is too long.
    pub cut: bool,
}

/// Some whole lines of a job.
#[derive(Debug, Default)]
pub struct Chunk {
    /// Room that is never given back, so that it is cleared once only; the first `len` bytes count.
    room: Vec<u8>,
    len: usize,
    first_line: u64,
    lines: u64,
    /// Bytes that were left out of its first line.
    cut_bytes: u64,
    /// Where every [`LINES_BETWEEN`]th line starts; made when the text of a line is first asked for.
    starts: OnceLock<Vec<u32>>,
}

impl Chunk {
    /// The bytes of its lines, but for what was left out of a first line that is too long.
    pub fn bytes(&self) -> &[u8] {
        &self.room[..self.len]
    }

    /// Takes bytes out.
    fn drain(&mut self, range: std::ops::Range<usize>) {
        self.room.copy_within(range.end..self.len, range.start);
        self.len -= range.len();
    }

    /// Number of its first line.
    pub(crate) fn first_line(&self) -> u64 {
        self.first_line
    }

    /// Its lines.
    pub fn lines(&self) -> Lines<'_> {
        Lines { rest: self.bytes(), number: self.first_line, cut_bytes: self.cut_bytes }
    }

    /// Its lines from the byte `at` on, which starts the line of that number.
    pub(crate) fn lines_from(&self, at: usize, number: u64) -> Lines<'_> {
        Lines { rest: &self.bytes()[at..], number, cut_bytes: if at == 0 { self.cut_bytes } else { 0 } }
    }

    /// Where every [`LINES_BETWEEN`]th line starts.
    fn starts(&self) -> Vec<u32> {
        let behind = memchr_iter(b'\n', self.bytes()).map(|at| at + 1);
        let starts = std::iter::once(0).chain(behind).step_by(LINES_BETWEEN as usize);
        // A chunk is far from 4 GiB.
        starts.map(|at| u32::try_from(at).unwrap_or(u32::MAX)).collect()
    }

    /// The text of one of its lines, made fit to show.
    pub(crate) fn text_of(&self, line: u64) -> Option<String> {
        if line < self.first_line || line >= self.first_line + self.lines {
            return None;
        }
        // Every line of a chunk may be asked for: none may cost a walk through all that come before it.
        let starts = self.starts.get_or_init(|| self.starts());
        let ahead = line - self.first_line;
        let start = *starts.get(usize::try_from(ahead / LINES_BETWEEN).ok()?)?;
        let mut rest = self.bytes().get(start as usize..)?;
        for _ in 0..ahead % LINES_BETWEEN {
            rest = &rest[memchr(b'\n', rest)? + 1..];
        }
        Some(shown(&rest[..memchr(b'\n', rest).unwrap_or(rest.len())]))
    }
}

/// The last chunks of a job.
#[derive(Debug, Default)]
pub(crate) struct History {
    past: VecDeque<Arc<Chunk>>,
    bytes: usize,
}

impl History {
    /// Adds the next chunk; gives back one that is not needed any more.
    pub(crate) fn push(&mut self, chunk: Arc<Chunk>) -> Option<Arc<Chunk>> {
        let newest = chunk.len;
        self.bytes += newest;
        self.past.push_back(chunk);
        let mut spare = None;
        while let Some(oldest) = self.past.front()
            && (self.bytes - newest).saturating_sub(oldest.len) >= BYTES_KEPT
        {
            self.bytes -= oldest.len;
            spare = self.past.pop_front();
        }
        spare
    }

    /// The text of a line that is still in memory, made fit to show.
    pub(crate) fn text_of(&self, line: u64) -> Option<String> {
        self.past.iter().rev().find_map(|chunk| chunk.text_of(line))
    }
}

/// Reads chunk by chunk.
pub struct LineReader<R> {
    source: R,
    chunk_bytes: usize,
    hasher: blake3::Hasher,
    carry: Vec<u8>,
    /// Raw length of a line that is being skipped because it is too long.
    skipped: Option<u64>,
    bytes: u64,
    lines: u64,
    at_end: bool,
    last_ended: bool,
    past_mark: bool,
    /// The byte before the next one to be judged as a line end.
    before: u8,
    /// A CR whose next byte is not known yet; it is in no chunk.
    held: bool,
}

impl<R: Read> LineReader<R> {
    /// A reader over `source`.
    pub fn new(source: R) -> Self {
        Self::with_chunk_bytes(source, CHUNK_BYTES)
    }

    /// The same with another chunk size, for tests: the lines do not depend on it.
    pub(crate) fn with_chunk_bytes(source: R, chunk_bytes: usize) -> Self {
        Self {
            source,
            chunk_bytes: chunk_bytes.max(1),
            hasher: blake3::Hasher::new(),
            carry: Vec::new(),
            skipped: None,
            bytes: 0,
            lines: 0,
            at_end: false,
            last_ended: true,
            past_mark: false,
            before: 0,
            held: false,
        }
    }

    /// Asks the source for that many bytes at a time from now on.
    pub(crate) fn set_chunk_bytes(&mut self, bytes: usize) {
        self.chunk_bytes = bytes.max(1);
    }

    /// Fills `chunk` with the next whole lines; false at the end of the stream.
    ///
    /// # Errors
    /// What the source says.
    pub fn read(&mut self, chunk: &mut Chunk) -> io::Result<bool> {
        while !self.at_end {
            let most = self.carry.len() + usize::from(self.held) + self.chunk_bytes;
            if chunk.room.len() < most {
                chunk.room.resize(most, 0);
            }
            chunk.len = self.carry.len();
            chunk.room[..chunk.len].copy_from_slice(&self.carry);
            self.carry.clear();
            chunk.first_line = self.lines + 1;
            chunk.cut_bytes = 0;
            chunk.starts.take();
            self.fill(chunk)?;
            self.skip_long_line(chunk);
            self.cut(chunk);
            if chunk.len > 0 {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// Appends up to a chunk of fresh bytes.
    fn fill(&mut self, chunk: &mut Chunk) -> io::Result<()> {
        let start = chunk.len;
        if std::mem::take(&mut self.held) {
            chunk.room[start] = b'\r';
            chunk.len += 1;
        }
        let read_from = chunk.len;
        let end = read_from + self.chunk_bytes;
        while chunk.len < end {
            match self.source.read(&mut chunk.room[chunk.len..end]) {
                Ok(0) => {
                    self.at_end = true;
                    break;
                }
                Ok(count) => chunk.len += count,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
        let fresh = &chunk.bytes()[read_from..];
        self.hasher.update(fresh);
        self.bytes += fresh.len() as u64;
        self.end_lines(chunk, start);
        if chunk.first_line == 1 && !self.past_mark && chunk.len >= MARK.len() {
            self.past_mark = true;
            if chunk.bytes().starts_with(&MARK) {
                chunk.drain(0..MARK.len());
            }
        }
        Ok(())
    }

    /// Makes an LF of each CR that ends a line by itself, so that all behind this knows one line end.
    fn end_lines(&mut self, chunk: &mut Chunk, start: usize) {
        if !self.at_end && chunk.bytes()[start..].last() == Some(&b'\r') {
            chunk.len -= 1;
            self.held = true;
        }
        let fresh = &mut chunk.room[start..chunk.len];
        let last = fresh.last().copied();
        let (mut from, mut before) = (0, self.before);
        while let Some(ahead) = memchr(b'\r', &fresh[from..]) {
            let at = from + ahead;
            if ahead > 0 {
                before = fresh[at - 1];
            }
            from = at + 1;
            if before != b'\n' && fresh.get(from) != Some(&b'\n') {
                fresh[at] = b'\n';
            }
            before = b'\r';
        }
        self.before = last.unwrap_or(self.before);
    }

    /// Drops the bytes of a line whose head was already given out or kept.
    fn skip_long_line(&mut self, chunk: &mut Chunk) {
        let Some(skipped) = self.skipped else { return };
        // The head (LINE_BYTES_READ bytes) stands at the start of the chunk; bytes behind it are dropped up to the newline.
        let head = LINE_BYTES_READ;
        match memchr(b'\n', &chunk.bytes()[head..]) {
            Some(at) => {
                chunk.drain(head..head + at);
                chunk.cut_bytes = skipped + at as u64;
                self.skipped = None;
            }
            None => {
                let skipped = skipped + (chunk.len - head) as u64;
                chunk.len = head;
                chunk.cut_bytes = if self.at_end { skipped } else { 0 };
                self.skipped = (!self.at_end).then_some(skipped);
            }
        }
    }

    /// Leaves the whole lines and moves the rest to the carry.
    fn cut(&mut self, chunk: &mut Chunk) {
        let bytes = chunk.bytes();
        let whole = if self.at_end { bytes.len() } else { memchr::memrchr(b'\n', bytes).map_or(0, |at| at + 1) };
        self.carry.extend_from_slice(&bytes[whole..]);
        let bytes = &bytes[..whole];
        if self.skipped.is_none() && self.carry.len() > LINE_BYTES_READ {
            self.skipped = Some((self.carry.len() - LINE_BYTES_READ) as u64);
            self.carry.truncate(LINE_BYTES_READ);
        }
        let newlines = memchr_iter(b'\n', bytes).count() as u64;
        self.last_ended = whole == 0 && self.last_ended || bytes.last() == Some(&b'\n');
        chunk.lines = newlines + u64::from(whole > 0 && !self.last_ended);
        self.lines += chunk.lines;
        chunk.len = whole;
    }

    /// Bytes read so far.
    pub(crate) fn bytes_read(&self) -> u64 {
        self.bytes
    }

    /// Lines read so far.
    pub fn lines_read(&self) -> u64 {
        self.lines
    }

    /// False when the stream ended without a newline.
    pub(crate) fn last_line_ended(&self) -> bool {
        self.last_ended
    }

    /// `blake3:` and the hex digest of all bytes read so far.
    pub(crate) fn digest(&self) -> String {
        crate::wording::digest(self.hasher.finalize())
    }
}

/// A line fit to show: no control characters, bounded.
fn shown(bytes: &[u8]) -> String {
    let bytes = bytes.strip_suffix(b"\r").unwrap_or(bytes);
    let text = String::from_utf8_lossy(&bytes[..bytes.len().min(4 * EXCERPT_CHARS)]);
    let mut shown: String = text
        .chars()
        .take(EXCERPT_CHARS)
        .map(|c| match c {
            '\t' => ' ',
            c if c.is_control() => '·',
            c => c,
        })
        .collect();
    if text.chars().nth(EXCERPT_CHARS).is_some() {
        shown.push('…');
    }
    shown
}

/// The lines of a chunk.
pub struct Lines<'c> {
    rest: &'c [u8],
    number: u64,
    cut_bytes: u64,
}

impl<'c> Iterator for Lines<'c> {
    type Item = RawLine<'c>;

    fn next(&mut self) -> Option<RawLine<'c>> {
        if self.rest.is_empty() {
            return None;
        }
        let (bytes, rest, ended) = match memchr(b'\n', self.rest) {
            Some(at) => (&self.rest[..at], &self.rest[at + 1..], true),
            None => (self.rest, &[][..], false),
        };
        let number = self.number;
        self.number += 1;
        self.rest = rest;
        let raw_bytes = bytes.len() as u64 + u64::from(ended) + std::mem::take(&mut self.cut_bytes);
        let cut = bytes.len() > LINE_BYTES_READ || raw_bytes > bytes.len() as u64 + 1;
        let bytes = &bytes[..bytes.len().min(LINE_BYTES_READ)];
        Some(RawLine { bytes: bytes.strip_suffix(b"\r").unwrap_or(bytes), number, raw_bytes, ended, cut })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bytes, number, raw bytes, ended, cut.
    type Seen = (Vec<u8>, u64, u64, bool, bool);

    fn all(text: &[u8], chunk_bytes: usize) -> (Vec<Seen>, bool, String, u64) {
        let mut reader = LineReader::with_chunk_bytes(text, chunk_bytes);
        let (mut lines, mut chunk) = (Vec::new(), Chunk::default());
        while reader.read(&mut chunk).unwrap() {
            lines.extend(chunk.lines().map(|l| (l.bytes.to_vec(), l.number, l.raw_bytes, l.ended, l.cut)));
        }
        (lines, reader.last_line_ended(), reader.digest(), reader.lines_read())
    }

    #[test]
    fn a_carriage_return_alone_ends_a_line() {
        for (text, expected) in [
            ("G1 X1\rG1 X2\r", &["G1 X1", "G1 X2"][..]),
            (";layer 1\rG1 Z-3\nG1 X2\r\n", &[";layer 1", "G1 Z-3", "G1 X2"]),
            ("a\r\rb\r\r\nc", &["a", "", "b", "", "c"]),
            ("\rG1", &["", "G1"]),
            // Whoever writes LF before CR means one line end.
            ("G1\n\rG2\n\rG3", &["G1", "\rG2", "\rG3"]),
            ("G1\r\n\r\nG2\r", &["G1", "", "G2"]),
        ] {
            for chunk_bytes in [1, 2, 3, 5, 100] {
                let (lines, ended, digest, count) = all(text.as_bytes(), chunk_bytes);
                let seen: Vec<_> =
                    lines.iter().map(|(bytes, ..)| String::from_utf8_lossy(bytes).into_owned()).collect();
                assert_eq!(seen, expected, "{text:?} by {chunk_bytes}");
                assert_eq!(count, expected.len() as u64);
                assert_eq!(ended, text.ends_with(['\r', '\n']));
                assert_eq!(digest, format!("blake3:{}", blake3::hash(text.as_bytes()).to_hex()));
                let numbers: Vec<_> = lines.iter().map(|(_, number, ..)| *number).collect();
                assert_eq!(numbers, (1..=count).collect::<Vec<_>>());
            }
        }
    }

    #[test]
    fn line_ends_and_marks() {
        for chunk_bytes in [1, 2, 3] {
            assert_eq!(all(b"\xef\xbb\xbfG1\n", chunk_bytes).0[0].0, b"G1");
            assert_eq!(all(b"\n\xef\xbb\xbf\n", chunk_bytes).0[1].0, b"\xef\xbb\xbf");
        }
        let (lines, ended, digest, count) = all(b"\xef\xbb\xbfG1\r\n\nG2", 4);
        let plain: Vec<&[u8]> = lines.iter().map(|l| &l.0[..]).collect();
        assert_eq!(plain, [&b"G1"[..], b"", b"G2"]);
        assert_eq!((ended, count), (false, 3));
        assert_eq!(digest, format!("blake3:{}", blake3::hash(b"\xef\xbb\xbfG1\r\n\nG2").to_hex()));
    }

    #[test]
    fn chunks_do_not_show() {
        let mut text: Vec<u8> = (0..5000).flat_map(|i| format!("G1 X{i}\n").into_bytes()).collect();
        text.extend(std::iter::repeat_n(b'A', 3 * LINE_BYTES_READ));
        text.extend(b"\nG1 X7\n");
        text.extend(std::iter::repeat_n(b'B', 2 * LINE_BYTES_READ));
        let whole = all(&text, 1 << 24);
        assert_eq!(whole.0.len(), 5003);
        assert_eq!(whole.0.iter().map(|l| l.2).sum::<u64>(), text.len() as u64);
        assert_eq!(whole.0.iter().filter(|l| l.4).count(), 2);
        for chunk_bytes in [7, 100, LINE_BYTES_READ, 100_000] {
            assert!(all(&text, chunk_bytes) == whole, "{chunk_bytes}");
        }
    }

    #[test]
    fn any_line_of_a_chunk_can_be_shown() {
        let text: Vec<u8> = (1..=1000).flat_map(|n| format!("G1 X{n}\n").into_bytes()).chain(*b"M84").collect();
        let (mut reader, mut chunk) = (LineReader::with_chunk_bytes(&text[..], 3000), Chunk::default());
        let mut shown = Vec::new();
        while reader.read(&mut chunk).unwrap() {
            assert_eq!(
                (chunk.text_of(chunk.first_line - 1), chunk.text_of(chunk.first_line + chunk.lines)),
                (None, None)
            );
            shown.extend((chunk.first_line..chunk.first_line + chunk.lines).map(|line| chunk.text_of(line).unwrap()));
        }
        let expected: Vec<String> = (1..=1000).map(|n| format!("G1 X{n}")).chain(["M84".to_owned()]).collect();
        assert_eq!(shown, expected);
    }

    #[test]
    fn recent_lines_can_be_shown() {
        let mut reader = LineReader::with_chunk_bytes(&b"G1 X1\r\nM117 \x1b[31mred\nG1 X3"[..], 10);
        let (mut history, mut chunk) = (History::default(), Chunk::default());
        while reader.read(&mut chunk).unwrap() {
            assert!(history.push(Arc::new(std::mem::take(&mut chunk))).is_none(), "all of it fits");
        }
        assert_eq!(history.text_of(1).as_deref(), Some("G1 X1"));
        assert_eq!(history.text_of(2).as_deref(), Some("M117 ·[31mred"));
        assert_eq!(history.text_of(3).as_deref(), Some("G1 X3"));
        assert_eq!(history.text_of(4), None);
    }
}
