//! What stands of a job: its answers in few words, without the reports.

use std::collections::BTreeSet;

use rusqlite::{OptionalExtension, params};
use serde::{Deserialize, Serialize};

use super::{Fault, Ledger, LedgerError, MODEL, Question, Said};
use crate::accepted::Day;
use crate::findings::Verdict;

/// What is known of a job on a machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// The number of the inspection.
    pub inspection: i64,
    /// Its answer.
    pub verdict: Verdict,
    /// What people have said on it.
    pub said: Said,
    /// Its numbers.
    pub figures: Figures,
}

/// Some columns of the CSV report, under their names there; none where the job or the sheet does not tell.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Figures {
    /// Planned time, s.
    pub time_total_s: Option<f64>,
    /// Time by the clock of the sheet, s.
    pub time_expected_s: Option<f64>,
    /// Lower end of its 90 % interval, s.
    pub time_low_s: Option<f64>,
    /// Upper end, s.
    pub time_high_s: Option<f64>,
    /// Largest average of the melt rate over the melt window, mm³/s.
    pub melt_rate_sustained_mm3_s: Option<f64>,
    /// What the hotend keeps up, mm³/s.
    pub melt_capacity_sustained_mm3_s: Option<f64>,
    /// Filament, mm.
    pub filament_net_mm: Option<f64>,
    /// Filament, g.
    pub filament_net_g: Option<f64>,
    /// The check of the worst finding that is open.
    pub worst_check: Option<String>,
    /// Its first line.
    pub worst_line: Option<u64>,
}

impl Figures {
    /// The time to reckon with, s: that of the clock, else that of the plan.
    pub fn time_s(&self) -> Option<f64> {
        self.time_expected_s.or(self.time_total_s)
    }

    /// The share of the hotend's capacity that is left at the hardest moment; below 0 where it is over-run.
    pub fn melt_margin(&self) -> Option<f64> {
        let capacity_mm3_s = self.melt_capacity_sustained_mm3_s.filter(|capacity| *capacity > 0.0)?;
        Some(1.0 - self.melt_rate_sustained_mm3_s? / capacity_mm3_s)
    }
}

impl Ledger {
    /// What answers a question, and what was decided on that; none where it was not judged.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn standing_of(&self, question: &Question<'_>, today: Day) -> Result<Option<Standing>, LedgerError> {
        let Question { job, file_name, sheet, accepted, options } = question;
        let found = self.read(|ledger| {
            let sql = "SELECT id, verdict, figures FROM inspections
                WHERE job = ?1 AND file_name = ?2 AND sheet = ?3 AND accepted = ?4 AND options = ?5 AND model = ?6";
            let of_row =
                |row: &rusqlite::Row<'_>| Ok((row.get(0)?, row.get::<_, String>(1)?, row.get::<_, String>(2)?));
            let key = params![job, file_name, sheet, accepted, options, MODEL];
            Ok(ledger.query_row(sql, key, of_row).optional()?)
        })?;
        let Some((inspection, word, figures)) = found else { return Ok(None) };
        // The table takes no other word. What is not known is the worst.
        let verdict = Verdict::called(&word).unwrap_or(Verdict::NoGo);
        let figures = serde_json::from_str(&figures).unwrap_or_default();
        let said = self.said(question, inspection, today)?;
        Ok(Some(Standing { inspection, verdict, said, figures }))
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

    /// The digests of jobs on which there is a decision behind that number.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn decided_since(&self, last: i64) -> Result<BTreeSet<String>, LedgerError> {
        let sql = "SELECT DISTINCT job FROM decisions JOIN inspections ON inspections.id = inspection
            WHERE decisions.id > ?1";
        self.read(|ledger| Ok(ledger.prepare(sql)?.query_map([last], |row| row.get(0))?.collect::<Result<_, _>>()?))
    }

    /// The digests of jobs that were judged and that nobody has wanted on that day or later: sent in (as far as it was
    /// [noted](Self::note_wanted)), decided on, or printed. A print that does not say when counts as one of today.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn unwanted_since(&self, day: Day) -> Result<BTreeSet<String>, LedgerError> {
        let sql = "SELECT job FROM names EXCEPT SELECT job FROM names WHERE seen_at >= ?1
            EXCEPT SELECT job FROM decisions JOIN inspections ON inspections.id = inspection WHERE decided_at >= ?1
            EXCEPT SELECT job_digest FROM prints WHERE job_digest IS NOT NULL AND coalesce(started >= ?1, TRUE)";
        self.read(|ledger| {
            Ok(ledger.prepare(sql)?.query_map([day.to_string()], |row| row.get(0))?.collect::<Result<_, _>>()?)
        })
    }

    /// Notes that a job which is known was sent in once more; once a day.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn note_wanted(&self, job: &str, today: Day) -> Result<(), LedgerError> {
        let is_due = self.read(|ledger| {
            let sql = "SELECT EXISTS (SELECT 1 FROM names WHERE job = ?1 AND seen_at < ?2)";
            Ok(ledger.query_row(sql, [job, &today.to_string()], |row| row.get::<_, bool>(0))?)
        })?;
        if !is_due {
            return Ok(());
        }
        self.write(|ledger| {
            let sql = "UPDATE names SET seen_at = ?2 WHERE job = ?1 AND seen_at < ?2";
            ledger.execute(sql, [job, &today.to_string()])?;
            Ok::<_, Fault<LedgerError>>(())
        })
    }

    /// The latest moment that was written down where it lies ahead of the clock, UTC: one of the two is wrong.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn lies_ahead(&self) -> Result<Option<String>, LedgerError> {
        // Clocks of two computers are never quite the same.
        let sql = "SELECT at FROM (SELECT max(at) AS at FROM
                (SELECT max(judged_at) AS at FROM inspections UNION ALL SELECT max(decided_at) FROM decisions))
            WHERE at > strftime('%Y-%m-%dT%H:%M:%SZ', 'now', '+10 minutes')";
        self.read(|ledger| Ok(ledger.query_row(sql, [], |row| row.get(0)).optional()?))
    }

    /// The number of the last decision; 0 before the first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn last_decision(&self) -> Result<i64, LedgerError> {
        self.read(|ledger| Ok(ledger.query_row("SELECT coalesce(max(id), 0) FROM decisions", [], |row| row.get(0))?))
    }
}
