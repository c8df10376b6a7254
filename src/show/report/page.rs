//! Layout: sections with their label in a gutter, or above the body where the page is narrow.

use std::io::{self, Write};

use anstyle::{Effects, Style};

use super::Look;
use crate::show::marks::styled;
use crate::wording::{columns, wrap};

/// Columns of the gutter, two of margin included.
const GUTTER: usize = 13;
/// From this width on labels are in the gutter.
const GUTTER_FROM: usize = 60;
/// Margin of a body under its label.
const MARGIN: usize = 2;

/// Writes a paragraph in a style.
pub fn paragraph(text: &str, style: Style, look: Look, out: &mut dyn Write) -> io::Result<()> {
    wrap(text, look.width).iter().try_for_each(|line| writeln!(out, "{}", styled(line, style, look.color)))
}

/// Writes a paragraph that hangs behind a mark of one column in a style.
pub fn marked(mark: &str, style: Style, text: &str, look: Look, out: &mut dyn Write) -> io::Result<()> {
    for (index, line) in wrap(text, look.width.saturating_sub(2)).iter().enumerate() {
        let lead = if index == 0 { mark } else { " " };
        writeln!(out, "{} {line}", styled(lead, style, look.color && index == 0))?;
    }
    Ok(())
}

/// Writes a paragraph that begins with a word in a style.
pub fn begun(word: &str, style: Style, rest: &str, look: Look, out: &mut dyn Write) -> io::Result<()> {
    for (index, line) in wrap(&format!("{word}{rest}"), look.width).iter().enumerate() {
        match line.strip_prefix(word) {
            Some(rest) if index == 0 => writeln!(out, "{}{rest}", styled(word, style, look.color))?,
            _ => writeln!(out, "{line}")?,
        }
    }
    Ok(())
}

/// One section: a label and lines that already fit into [`Section::width`].
pub struct Section {
    label: &'static str,
    look: Look,
    lines: Vec<String>,
}

impl Section {
    /// An empty section.
    pub fn new(label: &'static str, look: Look) -> Self {
        Self { label, look, lines: Vec::new() }
    }

    /// Columns a line may take.
    pub fn width(&self) -> usize {
        let margin = if self.look.width < GUTTER_FROM { MARGIN } else { GUTTER };
        self.look.width.saturating_sub(margin).max(1)
    }

    /// Adds a paragraph.
    pub fn paragraph(&mut self, text: &str) -> &mut Self {
        self.styled_paragraph(text, Style::new())
    }

    /// Adds a paragraph in a style.
    pub fn styled_paragraph(&mut self, text: &str, style: Style) -> &mut Self {
        let (width, color) = (self.width(), self.look.color);
        self.lines.extend(wrap(text, width).iter().map(|line| styled(line, style, color)));
        self
    }

    /// Adds a paragraph that hangs behind a mark.
    pub fn item(&mut self, mark: &str, text: &str) -> &mut Self {
        let hang = columns(mark) + 1;
        let width = self.width().saturating_sub(hang);
        for (index, line) in wrap(text, width).iter().enumerate() {
            let lead = if index == 0 { format!("{mark} ") } else { " ".repeat(hang) };
            self.lines.push(lead + line);
        }
        self
    }

    /// Adds rows of cells in aligned columns; a `>` in `align` puts a column to the right, anything else to the left.
    pub fn rows(&mut self, align: &str, rows: &[Vec<String>]) -> &mut Self {
        let count = rows.iter().map(Vec::len).max().unwrap_or(0);
        let widest = |at: usize| rows.iter().filter_map(|row| row.get(at)).map(|cell| columns(cell)).max().unwrap_or(0);
        let widths: Vec<usize> = (0..count).map(widest).collect();
        for row in rows {
            let mut line = String::new();
            for (at, cell) in row.iter().enumerate() {
                let fill = " ".repeat(widths[at] - columns(cell));
                let gap = if at == 0 { "" } else { "  " };
                let right = align.as_bytes().get(at) == Some(&b'>');
                let parts = if right { [gap, &fill, cell] } else { [gap, cell, &fill] };
                line.extend(parts);
            }
            let line = line.trim_end();
            if columns(line) <= self.width() {
                self.lines.push(line.to_owned());
            } else {
                self.paragraph(line);
            }
        }
        self
    }

    /// Adds a line that fits already and may be styled within.
    pub fn line(&mut self, line: String) -> &mut Self {
        self.lines.push(line);
        self
    }

    /// Writes the section and an empty line; nothing when it is empty.
    pub fn write(&self, out: &mut dyn Write) -> io::Result<()> {
        self.write_close(out)?;
        if self.lines.is_empty() { Ok(()) } else { writeln!(out) }
    }

    /// Writes the section, with nothing between it and the next.
    pub fn write_close(&self, out: &mut dyn Write) -> io::Result<()> {
        if self.lines.is_empty() {
            return Ok(());
        }
        let label = styled(self.label, Style::new().effects(Effects::BOLD), self.look.color);
        if self.look.width < GUTTER_FROM {
            writeln!(out, "{label}")?;
            for line in &self.lines {
                writeln!(out, "{}", format!("{:MARGIN$}{line}", "").trim_end())?;
            }
            return Ok(());
        }
        let fill = " ".repeat(GUTTER - columns(self.label) - MARGIN);
        for (index, line) in self.lines.iter().enumerate() {
            let lead = if index == 0 { format!("{:MARGIN$}{label}{fill}", "") } else { " ".repeat(GUTTER) };
            writeln!(out, "{}", (lead + line).trim_end())?;
        }
        Ok(())
    }
}
