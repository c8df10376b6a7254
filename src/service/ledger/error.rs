//! Why a ledger cannot be used: one sentence each, with what to do.

use std::path::Path;

use rusqlite::ErrorCode;

/// Why a ledger cannot be opened, read or written. Whatever it is, what the ledger held is still there.
#[derive(Debug, thiserror::Error)]
#[error("{}", match &self.what {
    What::Missing => format!("there is no ledger at {}", self.path),
    What::Gone => format!(
        "the ledger {} is not the file that was opened: it was moved, deleted or replaced; end this program, put the right \
         one there, start again", self.path
    ),
    What::NotALedger => format!("{} is no ledger: it was left as it is", self.path),
    What::Newer { form, known } => format!(
        "the ledger {} was written by a newer gonogo (its form is {form}, this version knows {known}): use that version; \
         nothing was changed", self.path
    ),
    What::Locked => format!(
        "the ledger {} is being written by another program, which did not end in time: try again; nothing was changed",
        self.path
    ),
    What::Full => format!("cannot write the ledger {}: the disk is full; what it held before is whole", self.path),
    What::ReadOnly => format!(
        "cannot write the ledger {}: it is write-protected, or its folder is, where it needs files beside it", self.path
    ),
    What::Damaged(why) => format!("the ledger {} is damaged ({why}): go on with a backup of it", self.path),
    What::Refused(why) => format!("cannot use the ledger {}: {why}", self.path),
})]
pub struct LedgerError {
    path: String,
    what: What,
}

/// What is wrong with a ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum What {
    /// There is none.
    Missing,
    /// It was there when it was opened, and is there no more.
    Gone,
    /// The file is something else.
    NotALedger,
    /// It was written by a newer version.
    Newer {
        /// Its form.
        form: i64,
        /// The newest form that is known here.
        known: i64,
    },
    /// Somebody else writes, and did not end in time.
    Locked,
    /// No room is left.
    Full,
    /// It cannot be written.
    ReadOnly,
    /// What it holds is not whole.
    Damaged(String),
    /// Anything else that the system or the database says.
    Refused(String),
}

impl LedgerError {
    /// The error of the ledger at `path`.
    pub(super) fn new(path: &Path, what: What) -> Self {
        Self { path: path.display().to_string(), what }
    }

    /// What is wrong.
    pub fn what(&self) -> &What {
        &self.what
    }
}

impl From<rusqlite::Error> for What {
    fn from(error: rusqlite::Error) -> Self {
        match error.sqlite_error_code() {
            Some(ErrorCode::NotADatabase) => Self::NotALedger,
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Locked,
            Some(ErrorCode::DiskFull) => Self::Full,
            Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => Self::ReadOnly,
            Some(ErrorCode::CannotOpen) => Self::ReadOnly,
            Some(ErrorCode::DatabaseCorrupt) => Self::Damaged(error.to_string()),
            _ => Self::Refused(error.to_string()),
        }
    }
}
