//! Copies of a ledger, and what may go from it.

use std::fs;
use std::io;
use std::path::Path;

use rusqlite::{Connection, TransactionBehavior, params};
use tempfile::NamedTempFile;

use super::{Ledger, LedgerError, What};
use crate::accepted::Day;

/// Why there is no copy.
#[derive(Debug, thiserror::Error)]
pub enum BackupError {
    /// Something is there already.
    #[error("{0} is there already: a backup replaces nothing")]
    IsThere(String),
    /// It cannot be written.
    #[error("cannot write {path}: {source}")]
    Write {
        /// The copy.
        path: String,
        /// What the system says.
        source: io::Error,
    },
    /// The ledger cannot be read, or there is no room for the copy.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

/// What goes, or would go.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Pruned {
    /// Inspections.
    pub inspections: usize,
    /// Jobs that have no inspection then, with their names.
    pub jobs: usize,
    /// Versions of sheets on which nothing was judged then.
    pub sheets: usize,
    /// Inspections of that age that stay, since somebody decided on them.
    pub decided_on: usize,
}

impl Ledger {
    /// Writes a copy to a new file, which appears when it is whole. Others may use the ledger meanwhile: the copy is what it
    /// holds at one moment.
    ///
    /// # Errors
    /// See [`BackupError`]; there is then no copy.
    pub fn back_up(&self, copy: &Path) -> Result<(), BackupError> {
        let shown = || copy.display().to_string();
        if copy.symlink_metadata().is_ok() {
            return Err(BackupError::IsThere(shown()));
        }
        let unwritten = |source| BackupError::Write { path: shown(), source };
        let folder = copy.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let part = NamedTempFile::with_prefix_in(".gonogo-", folder).map_err(unwritten)?;
        let Some(path) = std::path::absolute(part.path()).ok().and_then(|path| path.to_str().map(str::to_owned)) else {
            return Err(unwritten(io::Error::other("its path is not UTF-8")));
        };
        self.read(|ledger| Ok(ledger.execute("VACUUM INTO ?1", [path])?))?;
        // Whoever may read the ledger may read its copy.
        let permissions = fs::metadata(&self.path).map(|found| found.permissions());
        permissions.and_then(|same| part.as_file().set_permissions(same)).map_err(unwritten)?;
        part.as_file().sync_all().map_err(unwritten)?;
        match part.persist_noclobber(copy) {
            Ok(_) => Ok(()),
            Err(refused) if refused.error.kind() == io::ErrorKind::AlreadyExists => Err(BackupError::IsThere(shown())),
            Err(refused) => Err(unwritten(refused.error)),
        }
    }

    /// Takes out inspections that were judged before a day, and jobs and sheets that nothing refers to then; or only says what
    /// would go. Decisions stay with the inspections they are about, and prints stay with the names of their jobs. The file does
    /// not shrink: its room is used again, and a [copy](Self::back_up) has none of it.
    ///
    /// # Errors
    /// When the ledger cannot be written; nothing is then taken out.
    pub fn prune(&self, before: Day, really: bool) -> Result<Pruned, LedgerError> {
        let refuse = |what| LedgerError::new(&self.path, what);
        let mut connection = self.lock();
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate);
        let transaction = transaction.map_err(|error| refuse(error.into()))?;
        let pruned = take_out(&transaction, before).map_err(refuse)?;
        // Whoever only asks takes it back, so that both say the same.
        let ended = if really { transaction.commit() } else { transaction.rollback() };
        ended.map(|()| pruned).map_err(|error| refuse(error.into()))
    }
}

fn take_out(ledger: &Connection, before: Day) -> Result<Pruned, What> {
    let before = before.to_string();
    let decided_on = ledger.query_row(
        "SELECT count(*) FROM inspections WHERE judged_at < ?1 AND id IN (SELECT inspection FROM decisions)",
        [&before],
        |row| row.get(0),
    )?;
    let inspections = ledger.execute(
        "DELETE FROM inspections WHERE judged_at < ?1 AND id NOT IN (SELECT inspection FROM decisions)",
        params![before],
    )?;
    let jobs = ledger.execute(
        "DELETE FROM jobs WHERE NOT EXISTS (SELECT 1 FROM inspections WHERE job = digest)
             AND NOT EXISTS (SELECT 1 FROM prints WHERE job_digest = digest)",
        [],
    )?;
    let sheets = ledger.execute(
        "DELETE FROM sheets WHERE NOT EXISTS (SELECT 1 FROM inspections WHERE sheet = digest)
                 AND NOT EXISTS (SELECT 1 FROM uses WHERE sheet = digest)",
        [],
    )?;
    Ok(Pruned { inspections, jobs, sheets, decided_on })
}
