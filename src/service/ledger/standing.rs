//! What stands of a job: its answers in few words, without the reports.

use rusqlite::{OptionalExtension, params};

use super::{Decided, Ledger, LedgerError, MODEL, Question};
use crate::accepted::Day;
use crate::findings::Verdict;

/// What is known of a job on a machine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Standing {
    /// The number of the inspection.
    pub inspection: i64,
    /// Its answer.
    pub verdict: Verdict,
    /// What somebody decided on it, where that holds today.
    pub decided: Option<Decided>,
}

impl Ledger {
    /// What answers a question, and what was decided on that; none where it was not judged.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn standing_of(&self, question: &Question<'_>, today: Day) -> Result<Option<Standing>, LedgerError> {
        let Question { job, file_name, sheet, accepted, options } = question;
        let found = self.read(|ledger| {
            let sql = "SELECT id, verdict FROM inspections
                WHERE job = ?1 AND file_name = ?2 AND sheet = ?3 AND accepted = ?4 AND options = ?5 AND model = ?6";
            let of_row = |row: &rusqlite::Row<'_>| Ok((row.get(0)?, row.get::<_, String>(1)?));
            let key = params![job, file_name, sheet, accepted, options, MODEL];
            Ok(ledger.query_row(sql, key, of_row).optional()?)
        })?;
        let Some((inspection, word)) = found else { return Ok(None) };
        // The table takes no other word. What is not known is the worst.
        let verdict = Verdict::called(&word).unwrap_or(Verdict::NoGo);
        Ok(Some(Standing { inspection, verdict, decided: self.standing(inspection, today)? }))
    }

    /// The paths under which jobs were judged, and their digests.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn paths(&self) -> Result<Vec<(String, String)>, LedgerError> {
        self.read(|ledger| {
            let mut select = ledger.prepare("SELECT path, job FROM names")?;
            let rows = select.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
            Ok(rows.collect::<Result<_, _>>()?)
        })
    }

    /// The number of the last decision; 0 before the first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn last_decision(&self) -> Result<i64, LedgerError> {
        self.read(|ledger| Ok(ledger.query_row("SELECT coalesce(max(id), 0) FROM decisions", [], |row| row.get(0))?))
    }
}
