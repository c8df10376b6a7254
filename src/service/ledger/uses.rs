//! Which version of a sheet a machine had, and what a change of it did to the jobs.

use rusqlite::{OptionalExtension, Row, params};

use super::{Ledger, LedgerError, MODEL, NOW};
use crate::findings::Verdict;
use crate::machine::Machine;

/// A version of a sheet that a machine had from some moment on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SheetUse {
    /// Its number.
    pub id: i64,
    /// The folder of the machine.
    pub folder: String,
    /// Name of the sheet's file.
    pub file: String,
    /// Digest of the sheet's text.
    pub sheet: String,
    /// Name of the machine.
    pub name: String,
    /// Since when, UTC.
    pub since: String,
}

/// A job that was judged on two versions of a sheet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rejudged {
    /// Digest of the job.
    pub job: String,
    /// Name of its file without `.gz`.
    pub file_name: String,
    /// Number and verdict of the inspection on the older sheet.
    pub before: (i64, Verdict),
    /// Those on the newer one.
    pub after: (i64, Verdict),
}

impl Ledger {
    /// Notes that a machine has this sheet from now on; nothing where it had it before. True where it is noted.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn note_use(&self, folder: &str, file: &str, machine: &Machine) -> Result<bool, LedgerError> {
        let last = self.uses(folder, 1)?.pop();
        if last.is_some_and(|last| last.sheet == machine.digest && last.name == machine.name) {
            return Ok(false);
        }
        self.write(|ledger| {
            let sheet = format!("INSERT INTO sheets VALUES (?1, ?2, ?3, {NOW}) ON CONFLICT DO NOTHING");
            ledger.execute(&sheet, params![machine.digest, machine.name, machine.text])?;
            let sql = format!("INSERT INTO uses (folder, file, sheet, name, since) VALUES (?1, ?2, ?3, ?4, {NOW})");
            ledger.execute(&sql, params![folder, file, machine.digest, machine.name])?;
            Ok::<_, super::Fault<LedgerError>>(true)
        })
    }

    /// The last so many versions that a machine had, the newest first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn uses(&self, folder: &str, most: usize) -> Result<Vec<SheetUse>, LedgerError> {
        let sql = "SELECT * FROM uses WHERE folder = ?1 ORDER BY id DESC LIMIT ?2";
        self.read(|ledger| {
            let most = i64::try_from(most).unwrap_or(i64::MAX);
            Ok(ledger.prepare(sql)?.query_map(params![folder, most], sheet_use)?.collect::<Result<_, _>>()?)
        })
    }

    /// The machine with that version of its sheet; none where the text cannot be read as one any more.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn machine_of(&self, version: &SheetUse) -> Result<Option<Machine>, LedgerError> {
        let text: Option<String> = self.read(|ledger| {
            let sql = "SELECT text FROM sheets WHERE digest = ?1";
            Ok(ledger.query_row(sql, [&version.sheet], |row| row.get(0)).optional()?)
        })?;
        Ok(text.and_then(|text| Machine::parse_bytes(&version.file, text.as_bytes()).ok()))
    }

    /// Jobs that were judged on both versions: how many, and those whose verdict differs, by their names.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn rejudged(&self, before: &SheetUse, after: &SheetUse) -> Result<(u64, Vec<Rejudged>), LedgerError> {
        let sql = "SELECT old.job, old.file_name, old.id, old.verdict, new.id, new.verdict
            FROM inspections AS old JOIN inspections AS new
                ON new.job = old.job AND new.file_name = old.file_name AND new.accepted = old.accepted
            WHERE old.sheet = ?1 AND old.options = ?2 AND old.model = ?5
                AND new.sheet = ?3 AND new.options = ?4 AND new.model = ?5
            ORDER BY old.file_name, old.job";
        self.read(|ledger| {
            let (mut all, mut changed) = (0, Vec::new());
            let mut select = ledger.prepare(sql)?;
            let key = params![before.sheet, before.name, after.sheet, after.name, MODEL];
            for one in select.query_map(key, rejudged)? {
                let one = one?;
                all += 1;
                if one.before.1 != one.after.1 {
                    changed.push(one);
                }
            }
            Ok((all, changed))
        })
    }
}

fn sheet_use(row: &Row<'_>) -> rusqlite::Result<SheetUse> {
    Ok(SheetUse {
        id: row.get("id")?,
        folder: row.get("folder")?,
        file: row.get("file")?,
        sheet: row.get("sheet")?,
        name: row.get("name")?,
        since: row.get("since")?,
    })
}

fn rejudged(row: &Row<'_>) -> rusqlite::Result<Rejudged> {
    // The table takes no other word. What is not known is the worst.
    let verdict = |at| row.get::<_, String>(at).map(|word| Verdict::called(&word).unwrap_or(Verdict::NoGo));
    Ok(Rejudged {
        job: row.get(0)?,
        file_name: row.get(1)?,
        before: (row.get(2)?, verdict(3)?),
        after: (row.get(4)?, verdict(5)?),
    })
}
