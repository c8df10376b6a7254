//! Pages for terminals that cannot show more than ASCII: every sign becomes one that reads alike.

use std::io::{self, Write};

/// What stands for a character.
fn sign(c: char) -> &'static str {
    match c {
        '●' => "+",
        '◆' => "!",
        '■' => "#",
        '·' | '–' | '−' | '─' | '━' | '‑' => "-",
        '…' => "..",
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
        '▪' | '█' | '▇' | '▆' => "#",
        '▅' | '▄' | '▃' => "=",
        '▂' | '▁' => "-",
        '│' | '┤' | '├' | '┃' | '║' => "|",
        '╭' | '╰' | '╯' | '╮' | '┌' | '└' | '┐' | '┘' | '┼' => "+",
        '▸' => ">",
        '“' | '”' | '„' => "\"",
        '‘' | '’' => "'",
        _ => "?",
    }
}

/// The text with nothing but ASCII in it.
pub fn ascii(text: &str) -> String {
    let mut plain = String::with_capacity(text.len());
    for c in text.chars() {
        match c.is_ascii() {
            true => plain.push(c),
            false => plain.push_str(sign(c)),
        }
    }
    plain
}

/// Turns what is written into ASCII on its way.
pub struct AsciiWriter<W> {
    inner: W,
    /// The start of a character whose end has not come yet.
    begun: Vec<u8>,
}

impl<W: Write> AsciiWriter<W> {
    /// Writes to `inner`.
    pub fn new(inner: W) -> Self {
        Self { inner, begun: Vec::new() }
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
        let text = String::from_utf8_lossy(&self.begun[..whole]).into_owned();
        self.begun.drain(..whole);
        self.inner.write_all(ascii(&text).as_bytes())?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
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
            let mut out = AsciiWriter::new(Vec::new());
            text.as_bytes().chunks(size).for_each(|part| out.write_all(part).expect("memory can be written"));
            let plain = String::from_utf8(out.inner).expect("ASCII");
            assert_eq!(plain, "! hold: 4.5 of 12 mm3/s, -3 .. 122, 205 degC 45deg v ? ?\n");
        }
    }

    #[test]
    fn what_is_no_text_goes_through_as_a_sign() {
        let mut out = AsciiWriter::new(Vec::new());
        out.write_all(b"a\xffb").expect("memory can be written");
        out.write_all(b"c").expect("memory can be written");
        assert_eq!(out.inner, b"a?bc");
    }
}
