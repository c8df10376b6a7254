//! A stream of bytes → lines, in constant memory.
//!
//! Bytes, not UTF-8. Lines end in LF or CRLF, or with the stream; a byte-order mark before the first line is skipped.
//! The digest of the plain bytes is made in the same pass. The last few chunks stay in memory so that a report can
//! show the lines it points at, whatever the stream comes from.

use std::collections::VecDeque;
use std::io::{self, Read};

use memchr::{memchr, memchr_iter};

/// Bytes asked of the source at a time.
pub const CHUNK_BYTES: usize = 256 * 1024;
/// Bytes of a line that are read; the rest of a longer one is skipped.
pub const LINE_BYTES_READ: usize = 64 * 1024;
/// Bytes kept for excerpts at least, the current chunk apart: the same whatever the chunk size, so that reports are.
const BYTES_KEPT: usize = 4 * CHUNK_BYTES;
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

/// Whole lines, and behind them the start of one that is not complete yet.
#[derive(Default)]
struct Chunk {
    bytes: Vec<u8>,
    whole: usize,
    first_line: u64,
    lines: u64,
}

/// Reads lines chunk by chunk: [`advance`](Self::advance), then [`lines`](Self::lines).
pub struct LineReader<R> {
    source: R,
    chunk_bytes: usize,
    hasher: blake3::Hasher,
    current: Chunk,
    past: VecDeque<Chunk>,
    past_bytes: usize,
    carry: Vec<u8>,
    /// Raw length of a line that is being skipped because it is too long.
    skipped: Option<u64>,
    bytes: u64,
    lines: u64,
    at_end: bool,
    last_ended: bool,
    cut_bytes: u64,
}

impl<R: Read> LineReader<R> {
    /// A reader over `source`.
    pub fn new(source: R) -> Self {
        Self::with_chunk_bytes(source, CHUNK_BYTES)
    }

    /// The same with another chunk size, for tests: the lines do not depend on it.
    pub fn with_chunk_bytes(source: R, chunk_bytes: usize) -> Self {
        Self {
            source,
            chunk_bytes: chunk_bytes.max(1),
            hasher: blake3::Hasher::new(),
            current: Chunk::default(),
            past: VecDeque::new(),
            past_bytes: 0,
            carry: Vec::new(),
            skipped: None,
            bytes: 0,
            lines: 0,
            at_end: false,
            last_ended: true,
            cut_bytes: 0,
        }
    }

    /// Reads the next chunk; false at the end of the stream.
    ///
    /// # Errors
    /// What the source says.
    pub fn advance(&mut self) -> io::Result<bool> {
        loop {
            if self.at_end {
                return Ok(false);
            }
            self.rotate();
            let carried = self.current.bytes.len();
            self.fill()?;
            let fresh = self.current.bytes.len() - carried;
            if self.bytes == fresh as u64 && self.current.bytes.starts_with(b"\xef\xbb\xbf") {
                self.current.bytes.drain(..3);
            }
            self.skip_long_line();
            self.cut();
            if self.current.whole > 0 {
                return Ok(true);
            }
        }
    }

    /// Keeps the current chunk for excerpts and starts the next with what it left over.
    fn rotate(&mut self) {
        let mut next = Chunk::default();
        while let Some(oldest) = self.past.front()
            && self.past_bytes - oldest.bytes.len() >= BYTES_KEPT
        {
            self.past_bytes -= oldest.bytes.len();
            next = self.past.pop_front().unwrap_or_default();
        }
        next.bytes.clear();
        next.bytes.append(&mut self.carry);
        next.first_line = self.lines + 1;
        next.whole = 0;
        next.lines = 0;
        self.cut_bytes = 0;
        let done = std::mem::replace(&mut self.current, next);
        if done.whole > 0 {
            self.past_bytes += done.bytes.len();
            self.past.push_back(done);
        }
    }

    /// Appends up to a chunk of fresh bytes.
    fn fill(&mut self) -> io::Result<()> {
        let start = self.current.bytes.len();
        self.current.bytes.resize(start + self.chunk_bytes, 0);
        let mut at = start;
        while at < self.current.bytes.len() {
            match self.source.read(&mut self.current.bytes[at..]) {
                Ok(0) => {
                    self.at_end = true;
                    break;
                }
                Ok(count) => at += count,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
        self.current.bytes.truncate(at);
        self.hasher.update(&self.current.bytes[start..]);
        self.bytes += (at - start) as u64;
        Ok(())
    }

    /// Drops the bytes of a line whose head was already given out or kept.
    fn skip_long_line(&mut self) {
        let Some(skipped) = self.skipped else { return };
        // The head (LINE_BYTES_READ bytes) stands at the start of the chunk; bytes behind it are dropped up to the newline.
        let head = LINE_BYTES_READ;
        match memchr(b'\n', &self.current.bytes[head..]) {
            Some(at) => {
                self.current.bytes.drain(head..head + at);
                self.cut_bytes = skipped + at as u64;
                self.skipped = None;
            }
            None => {
                let skipped = skipped + (self.current.bytes.len() - head) as u64;
                self.current.bytes.truncate(head);
                self.cut_bytes = if self.at_end { skipped } else { 0 };
                self.skipped = (!self.at_end).then_some(skipped);
            }
        }
    }

    /// Finds the whole lines and moves the rest to the carry.
    fn cut(&mut self) {
        let bytes = &mut self.current.bytes;
        let whole = if self.at_end { bytes.len() } else { memchr::memrchr(b'\n', bytes).map_or(0, |at| at + 1) };
        self.carry.extend_from_slice(&bytes[whole..]);
        bytes.truncate(whole);
        self.current.whole = whole;
        if self.skipped.is_none() && self.carry.len() > LINE_BYTES_READ {
            self.skipped = Some((self.carry.len() - LINE_BYTES_READ) as u64);
            self.carry.truncate(LINE_BYTES_READ);
        }
        let newlines = memchr_iter(b'\n', &bytes[..whole]).count() as u64;
        self.last_ended = whole == 0 && self.last_ended || bytes.last() == Some(&b'\n');
        self.current.lines = newlines + u64::from(whole > 0 && !self.last_ended);
        self.lines += self.current.lines;
    }

    /// The whole lines of the current chunk.
    pub fn lines(&self) -> Lines<'_> {
        Lines { rest: &self.current.bytes, number: self.current.first_line, cut_bytes: self.cut_bytes }
    }

    /// Bytes read so far.
    pub fn bytes_read(&self) -> u64 {
        self.bytes
    }

    /// Lines read so far.
    pub fn lines_read(&self) -> u64 {
        self.lines
    }

    /// False when the stream ended without a newline.
    pub fn last_line_ended(&self) -> bool {
        self.last_ended
    }

    /// `blake3:` and the hex digest of all bytes read so far.
    pub fn digest(&self) -> String {
        format!("blake3:{}", self.hasher.finalize().to_hex())
    }

    /// The text of a line that is still in memory, made fit to show.
    pub fn text_of(&self, line: u64) -> Option<String> {
        let chunk = self
            .past
            .iter()
            .chain(std::iter::once(&self.current))
            .find(|chunk| line >= chunk.first_line && line < chunk.first_line + chunk.lines)?;
        let mut rest = &chunk.bytes[..];
        for _ in chunk.first_line..line {
            rest = &rest[memchr(b'\n', rest)? + 1..];
        }
        Some(shown(&rest[..memchr(b'\n', rest).unwrap_or(rest.len())]))
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

    /// Bytes, number, raw bytes, ended and cut of a line.
    type Whole = (Vec<u8>, u64, u64, bool, bool);

    fn all(text: &[u8], chunk_bytes: usize) -> (Vec<Whole>, bool, String, u64) {
        let mut reader = LineReader::with_chunk_bytes(text, chunk_bytes);
        let mut lines = Vec::new();
        while reader.advance().unwrap() {
            lines.extend(reader.lines().map(|l| (l.bytes.to_vec(), l.number, l.raw_bytes, l.ended, l.cut)));
        }
        (lines, reader.last_line_ended(), reader.digest(), reader.lines_read())
    }

    #[test]
    fn line_ends_and_marks() {
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
    fn recent_lines_can_be_shown() {
        let mut reader = LineReader::with_chunk_bytes(&b"G1 X1\r\nM117 \x1b[31mred\nG1 X3"[..], 10);
        while reader.advance().unwrap() {}
        assert_eq!(reader.text_of(1).as_deref(), Some("G1 X1"));
        assert_eq!(reader.text_of(2).as_deref(), Some("M117 ·[31mred"));
        assert_eq!(reader.text_of(3).as_deref(), Some("G1 X3"));
        assert_eq!(reader.text_of(4), None);
    }
}
