//! Inspections, kept and found again.

use std::borrow::Cow;
use std::io::{Read, Write};
use std::path::Path;

use flate2::{Compression, read::GzDecoder, write::GzEncoder};
use rusqlite::{Connection, OptionalExtension, Transaction, params};

use super::{Fault, Ledger, LedgerError, MODEL, NOW, What};
use crate::accepted::{Accepted, Day};
use crate::findings::{Inspection, MachineFacts};
use crate::machine::Machine;
use crate::show::report::csv::Row;
use crate::show::report::{json, matrix};

/// Largest report that is unpacked, bytes: more than any job makes.
const REPORT_MAX_BYTES: u64 = 256 << 20;

/// All that an inspection hangs on: its key. [`MODEL`] belongs to it too.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Question<'a> {
    /// Digest of the job's plain bytes.
    pub job: Cow<'a, str>,
    /// Name of its file without `.gz`, empty for standard input: a check is about it.
    pub file_name: Cow<'a, str>,
    /// Digest of the sheet's text. A machine whose fields were changed by hand still has that of its text: keep none of it.
    pub sheet: &'a str,
    /// Digest of the accepted findings that bear on it today; empty without any.
    pub accepted: String,
    /// What else its report hangs on: the name of the machine.
    pub options: &'a str,
}

impl<'a> Question<'a> {
    /// What is asked when a job is judged on a machine; `path` as reports show it.
    pub fn of(digest: &'a str, path: &'a str, machine: &'a MachineFacts, accepted: &Accepted, today: Day) -> Self {
        Self {
            job: digest.into(),
            file_name: file_name(path),
            sheet: &machine.digest,
            accepted: accepted.digest_for(path, &machine.name, today),
            // Sheets that give no name may have the same text.
            options: &machine.name,
        }
    }
}

/// The name of a job's file without `.gz`, since the plain bytes are the content; empty for standard input.
fn file_name(path: &str) -> Cow<'_, str> {
    let name = if path == "-" { None } else { Path::new(path).file_name() };
    let name = name.map_or(Cow::Borrowed(""), |name| name.to_string_lossy());
    match name.strip_suffix(".gz").filter(|plain| !plain.is_empty()) {
        Some(plain) => plain.to_owned().into(),
        None => name,
    }
}

impl Ledger {
    /// The inspection that answers a question, shown with this path and these facts of its machine; none where it was not
    /// kept, or what was kept cannot be read any more.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn find(
        &self,
        question: &Question<'_>,
        path: &str,
        machine: &MachineFacts,
    ) -> Result<Option<Inspection>, LedgerError> {
        let packed = self.read(|ledger| Ok(select(ledger, question)?))?;
        let Some(mut inspection) = packed.and_then(|packed| unpacked(&packed).ok()) else { return Ok(None) };
        // Where it lies and how its sheet was named are no part of the question.
        inspection.job.path = path.to_owned();
        inspection.machine = machine.clone();
        Ok(Some(inspection))
    }

    /// Keeps an inspection as the answer to a question, in the place of an older answer. False where it holds what cannot be
    /// written down (a number that is not finite, which is a fault of this program): it is then not kept.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    pub fn keep(
        &self,
        question: &Question<'_>,
        inspection: &Inspection,
        machine: &Machine,
    ) -> Result<bool, LedgerError> {
        let Some(report) = packed(inspection) else { return Ok(false) };
        let label = matrix::labels(std::slice::from_ref(&inspection.machine)).swap_remove(0);
        let figures = serde_json::to_string(&Row::of(inspection, &label)).unwrap_or_else(|_| "{}".to_owned());
        self.write(|ledger| {
            self.knows(ledger, inspection)?;
            let sheet = format!("INSERT INTO sheets VALUES (?1, ?2, ?3, {NOW}) ON CONFLICT DO NOTHING");
            ledger.execute(&sheet, params![machine.digest, machine.name, machine.text])?;
            let Question { job, file_name, sheet, accepted, options } = question;
            let answer = format!(
                "INSERT INTO inspections
                     (job, file_name, sheet, accepted, options, model, judged_at, verdict, figures, report)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, {NOW}, ?7, ?8, ?9)
                 ON CONFLICT (job, file_name, sheet, accepted, options, model) DO UPDATE SET
                     judged_at = excluded.judged_at, verdict = excluded.verdict, figures = excluded.figures,
                     report = excluded.report"
            );
            let verdict = inspection.verdict.word();
            ledger
                .execute(&answer, params![job, file_name, sheet, accepted, options, MODEL, verdict, figures, report])?;
            Ok(true)
        })
    }

    /// Notes the path of a job that is known, where it has not been seen under it.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn note_name(&self, inspection: &Inspection) -> Result<(), LedgerError> {
        let (job, path) = (&inspection.job.digest, &inspection.job.path);
        let is_known = self.read(|ledger| {
            let sql = "SELECT EXISTS (SELECT 1 FROM names WHERE job = ?1 AND path = ?2)";
            Ok(ledger.query_row(sql, [job, path], |row| row.get::<_, bool>(0))?)
        })?;
        // Readers wait for nobody; a hit writes nothing as a rule.
        if is_known { Ok(()) } else { self.write(|ledger| self.knows(ledger, inspection)) }
    }

    fn knows<E>(&self, ledger: &Transaction<'_>, inspection: &Inspection) -> Result<(), Fault<E>> {
        let job = &inspection.job;
        let count = |count: u64| i64::try_from(count).unwrap_or(i64::MAX);
        let sql = format!("INSERT INTO jobs VALUES (?1, ?2, ?3, {NOW}) ON CONFLICT DO NOTHING");
        ledger.execute(&sql, params![job.digest, count(job.bytes), count(job.lines)])?;
        let sql = format!("INSERT INTO names VALUES (?1, ?2, {NOW}) ON CONFLICT DO NOTHING");
        ledger.execute(&sql, [&job.digest, &job.path])?;
        Ok(())
    }

    /// The inspection of that number, as it was told.
    ///
    /// # Errors
    /// When the ledger cannot be read, or what it keeps there cannot.
    pub fn inspection(&self, id: i64) -> Result<Option<Inspection>, LedgerError> {
        self.read(|ledger| report_of(ledger, id))
    }
}

/// The inspection of that number.
pub(super) fn report_of(ledger: &Connection, id: i64) -> Result<Option<Inspection>, What> {
    let sql = "SELECT report FROM inspections WHERE id = ?1";
    let packed = ledger.query_row(sql, [id], |row| row.get::<_, Vec<u8>>(0)).optional()?;
    packed.map(|packed| unpacked(&packed).map_err(What::Damaged)).transpose()
}

fn select(ledger: &Connection, question: &Question<'_>) -> rusqlite::Result<Option<Vec<u8>>> {
    let Question { job, file_name, sheet, accepted, options } = question;
    let sql = "SELECT report FROM inspections
               WHERE job = ?1 AND file_name = ?2 AND sheet = ?3 AND accepted = ?4 AND options = ?5 AND model = ?6";
    ledger.query_row(sql, params![job, file_name, sheet, accepted, options, MODEL], |row| row.get(0)).optional()
}

/// The report as JSON in gzip; none where it would not read back as the same.
fn packed(inspection: &Inspection) -> Option<Vec<u8>> {
    let mut text = Vec::new();
    json::write_value(&json::Judged::from(inspection), false, &mut text).ok()?;
    let text = String::from_utf8(text).ok()?;
    if json::read(&text).ok()?.as_ref() != Ok(inspection) {
        return None;
    }
    let mut packer = GzEncoder::new(Vec::new(), Compression::default());
    packer.write_all(text.as_bytes()).ok()?;
    packer.finish().ok()
}

/// What [`packed`] has packed, or why it is none.
fn unpacked(packed: &[u8]) -> Result<Inspection, String> {
    let mut text = String::new();
    let read = GzDecoder::new(packed).take(REPORT_MAX_BYTES).read_to_string(&mut text);
    read.map_err(|error| format!("a report in it: {error}"))?;
    match json::read(&text) {
        Ok(Ok(inspection)) => Ok(inspection),
        Ok(Err(_)) => Err("a report in it is that of no job".to_owned()),
        Err(error) => Err(format!("a report in it: {error}")),
    }
}

#[cfg(test)]
mod tests {
    use super::file_name;

    #[test]
    fn the_name_of_the_file_alone_counts() {
        for (path, name) in [
            ("hook.gcode", "hook.gcode"),
            ("jobs/a b/hook.gcode.gz", "hook.gcode"),
            ("./-", "-"),
            ("-", ""),
            ("..", ""),
            ("a/'; DROP TABLE jobs; --\n.gcode", "'; DROP TABLE jobs; --\n.gcode"),
        ] {
            assert_eq!(file_name(path), name, "{path}");
        }
    }
}
