//! How much findings weigh, as the sheet may say it.

use std::fmt;

/// How much a finding weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// Worth knowing; never changes the verdict.
    Note,
    /// Somebody should look before the job starts.
    Hold,
    /// The job must not run on this machine as it is set up.
    NoGo,
}

impl Severity {
    /// The word used in reports and in the machine sheet.
    pub fn word(self) -> &'static str {
        match self {
            Self::Note => "note",
            Self::Hold => "hold",
            Self::NoGo => "no-go",
        }
    }
}

impl fmt::Display for Severity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}
