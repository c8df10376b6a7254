//! Faults of what was given, such as those of a sheet: an error like any other, which shows itself on lines of its own.

use std::fmt;
use std::io::{self, Write};

use anstream::{AutoStream, ColorChoice};

use super::terminal::{Terminal, shown};
use crate::accepted::AcceptedError;
use crate::machine::SheetError;
use crate::wording::safe_lines;

/// Faults, rendered for standard error with their excerpts.
#[derive(Debug)]
pub struct Faults {
    text: String,
}

impl Faults {
    /// What is wrong with a sheet.
    pub fn of_sheet(error: &SheetError, terminal: &Terminal) -> Self {
        Self { text: error.render(terminal.stderr_color()) }
    }

    /// Faults that are rendered already.
    pub fn rendered(text: String) -> Self {
        Self { text }
    }

    /// What is wrong with a file of accepted findings.
    pub fn of_accepted(error: &AcceptedError, terminal: &Terminal) -> anyhow::Error {
        match error {
            AcceptedError::Read { .. } => anyhow::anyhow!("{error}"),
            AcceptedError::Faults(_) => Self { text: error.render(terminal.stderr_color()) }.into(),
        }
    }

    /// The same, under a sentence.
    pub fn under(self, sentence: &str) -> Self {
        Self { text: format!("gonogo: {}\n{}", safe_lines(sentence), self.text) }
    }

    /// All of them, one after another.
    pub fn and(self, other: &Self) -> Self {
        Self { text: format!("{}\n{}", self.text.trim_end(), other.text) }
    }
}

impl fmt::Display for Faults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.text.trim_end())
    }
}

impl std::error::Error for Faults {}

/// Tells on standard error why the work could not be done.
pub fn tell(error: &anyhow::Error) {
    // Without standard error there is nobody to tell; the exit code still says so.
    let _ = match error.downcast_ref::<Faults>() {
        // Colour was decided when they were rendered.
        Some(faults) => {
            let text = faults.to_string();
            writeln!(AutoStream::new(io::stderr().lock(), ColorChoice::Always), "{}", shown(&text))
        }
        None => writeln!(io::stderr(), "{}", shown(&format!("gonogo: {}", safe_lines(&format!("{error:#}"))))),
    };
}
