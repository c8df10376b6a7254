//! What a ledger holds, for those who look through it.

use rusqlite::{Connection, Row, params};
use schemars::JsonSchema;
use serde::Serialize;
use serde_json::{Map, Value};

use super::{Ledger, LedgerError, What};

/// An inspection in a list.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Listed {
    /// Its number.
    pub id: i64,
    /// When it was judged, UTC.
    pub judged_at: String,
    /// The answer: `go`, `hold` or `no-go`, without what was accepted.
    pub verdict: String,
    /// Name of the job's file without `.gz`; empty for standard input.
    pub file_name: String,
    /// Name of the machine.
    pub machine: String,
    /// Digest of the job's plain bytes.
    pub job_digest: String,
    /// Digest of the sheet's text.
    pub sheet_digest: String,
    /// Whether accepted findings bear on it.
    pub has_accepted: bool,
    /// The version that judged it.
    pub model: String,
    /// What was decided on it last: `release`, `refuse` or `hold`.
    pub decision: Option<String>,
    /// The columns of the CSV report by their names.
    #[serde(skip)]
    pub figures: Map<String, Value>,
}

/// A job and what it is called.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Named {
    /// Digest of its plain bytes.
    pub digest: String,
    /// Plain bytes.
    pub bytes: u64,
    /// Lines.
    pub lines: u64,
    /// When it was seen first, UTC.
    pub seen_at: String,
    /// The paths under which it was judged, the first one first.
    pub paths: Vec<String>,
}

const LISTED: &str = "SELECT inspections.*, options AS machine,
        (SELECT decision FROM decisions WHERE inspection = inspections.id ORDER BY id DESC LIMIT 1) AS decision
    FROM inspections";
const NEWEST_FIRST: &str = "ORDER BY judged_at DESC, inspections.id DESC";

impl Ledger {
    /// All inspections, the newest first, each handed to `take`.
    ///
    /// # Errors
    /// When the ledger cannot be read, or `take` fails.
    pub fn list<E: From<LedgerError>>(&self, mut take: impl FnMut(Listed) -> Result<(), E>) -> Result<(), E> {
        self.read(|ledger| {
            let mut taken = Ok(());
            let mut select = ledger.prepare(&format!("{LISTED} {NEWEST_FIRST}"))?;
            for one in select.query_map([], listed)? {
                taken = take(one?);
                if taken.is_err() {
                    break;
                }
            }
            Ok(taken)
        })?
    }

    /// The inspections of a job, the newest first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn of_job(&self, digest: &str) -> Result<Vec<Listed>, LedgerError> {
        let sql = format!("{LISTED} WHERE inspections.job = ?1 {NEWEST_FIRST}");
        self.read(|ledger| Ok(ledger.prepare(&sql)?.query_map([digest], listed)?.collect::<Result<_, _>>()?))
    }

    /// The jobs that somebody may mean: by their digest or its beginning, by a path under which they were judged, or by the name
    /// of a file.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn jobs_called(&self, name: &str) -> Result<Vec<Named>, LedgerError> {
        let start = if name.starts_with("blake3:") { name.to_owned() } else { format!("blake3:{name}") };
        // A beginning of a few digits means nothing yet.
        let start = Some(start).filter(|start| start.len() >= "blake3:".len() + DIGITS_MIN);
        let sql = "SELECT digest, bytes, lines, seen_at FROM jobs
            WHERE substr(digest, 1, length(?1)) = ?1
                OR EXISTS (SELECT 1 FROM names WHERE job = digest AND path = ?2)
                OR EXISTS (SELECT 1 FROM inspections WHERE job = digest AND file_name = ?2)
            ORDER BY seen_at, digest";
        self.read(|ledger| {
            let mut select = ledger.prepare(sql)?;
            let found = select
                .query_map(params![start, name], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)))?;
            found.map(|row| named(ledger, row?)).collect()
        })
    }
}

/// Fewest digits of a digest that name a job.
const DIGITS_MIN: usize = 4;

fn named(ledger: &Connection, (digest, bytes, lines, seen_at): (String, u64, u64, String)) -> Result<Named, What> {
    let sql = "SELECT path FROM names WHERE job = ?1 ORDER BY seen_at, path";
    let paths = ledger.prepare(sql)?.query_map([&digest], |row| row.get(0))?.collect::<Result<_, _>>()?;
    Ok(Named { digest, bytes, lines, seen_at, paths })
}

fn listed(row: &Row<'_>) -> rusqlite::Result<Listed> {
    let (figures, accepted): (String, String) = (row.get("figures")?, row.get("accepted")?);
    Ok(Listed {
        id: row.get("id")?,
        judged_at: row.get("judged_at")?,
        verdict: row.get("verdict")?,
        file_name: row.get("file_name")?,
        machine: row.get("machine")?,
        job_digest: row.get("job")?,
        sheet_digest: row.get("sheet")?,
        has_accepted: !accepted.is_empty(),
        model: row.get("model")?,
        decision: row.get("decision")?,
        figures: serde_json::from_str(&figures).unwrap_or_default(),
    })
}
