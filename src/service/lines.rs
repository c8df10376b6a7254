//! Lines of a stream, of which none takes more memory than it may.

use std::io::{self, BufRead, Read};

/// One line, without its end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Line {
    /// All of it.
    Whole(Vec<u8>),
    /// It has more bytes than it may, and was passed over.
    TooLong,
}

impl Line {
    /// What it takes in memory, bytes.
    pub fn bytes(&self) -> usize {
        match self {
            Self::Whole(bytes) => bytes.capacity(),
            Self::TooLong => 0,
        }
    }
}

/// The lines of a stream.
pub struct Lines<R> {
    input: R,
    most: usize,
}

impl<R: BufRead> Lines<R> {
    /// Lines of at most so many bytes.
    pub fn new(input: R, most: usize) -> Self {
        Self { input, most }
    }

    fn next_line(&mut self) -> io::Result<Option<Line>> {
        let mut line = Vec::new();
        // One byte for the end of the line, one more is enough to know.
        self.input.by_ref().take(self.most as u64 + 2).read_until(b'\n', &mut line)?;
        if line.pop_if(|last| *last == b'\n').is_some() {
            return Ok(Some(if line.len() > self.most { Line::TooLong } else { Line::Whole(line) }));
        }
        if line.len() > self.most {
            self.input.skip_until(b'\n')?;
            return Ok(Some(Line::TooLong));
        }
        Ok((!line.is_empty()).then_some(Line::Whole(line)))
    }
}

impl<R: BufRead> Iterator for Lines<R> {
    type Item = io::Result<Line>;

    fn next(&mut self) -> Option<Self::Item> {
        self.next_line().transpose()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(text: &[u8]) -> Vec<Line> {
        let small = io::BufReader::with_capacity(3, text);
        Lines::new(small, 5).collect::<io::Result<_>>().expect("memory can be read")
    }

    #[test]
    fn each_line_is_one_and_none_is_longer_than_it_may() {
        let whole = |text: &str| Line::Whole(text.into());
        assert_eq!(lines(b""), []);
        assert_eq!(lines(b"\n"), [whole("")]);
        assert_eq!(lines(b"a\n\nbc"), [whole("a"), whole(""), whole("bc")]);
        assert_eq!(lines(b"12345\n123456\n1"), [whole("12345"), Line::TooLong, whole("1")]);
        assert_eq!(lines(b"1234567\n12345"), [Line::TooLong, whole("12345")]);
        assert_eq!(lines(b"123456789 and more"), [Line::TooLong]);
        assert_eq!(lines(b"123456"), [Line::TooLong]);
        assert_eq!(lines(b"\xff\r\n"), [Line::Whole(vec![0xff, b'\r'])]);
    }
}
