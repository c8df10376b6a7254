//! What people decide on an inspection.

use rusqlite::{Connection, OptionalExtension, Row, params};

use super::{Fault, Ledger, LedgerError, NOW, Question, What, inspections::report_of};
use crate::accepted::{Day, day_from};
use crate::checks::is_unsafe;
use crate::findings::Inspection;

/// What was decided.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Choice {
    /// The job may be printed.
    Release,
    /// It may not.
    Refuse,
    /// Somebody has to look first.
    Hold,
}

impl Choice {
    /// All.
    pub const ALL: [Self; 3] = [Self::Release, Self::Refuse, Self::Hold];

    /// The word used in the ledger.
    pub fn word(self) -> &'static str {
        match self {
            Self::Release => "release",
            Self::Refuse => "refuse",
            Self::Hold => "hold",
        }
    }
}

/// A decision to be written down.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Decision {
    /// What.
    pub choice: Choice,
    /// Why.
    pub reason: String,
    /// Who decides.
    pub who: String,
    /// The last day on which it counts; for good without.
    pub until: Option<Day>,
    /// The name of the machine, typed by whoever releases a job with an open no-go on heat or travel. Releasing it does not make
    /// it safe: stay with the machine; the maker's documents come first.
    pub confirmation: Option<String>,
}

/// A decision that stands in the ledger. None is ever changed or taken out; a later one takes its place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Decided {
    /// Its number.
    pub id: i64,
    /// The number of the inspection that it is about.
    pub inspection: i64,
    /// What was decided.
    pub decision: Decision,
    /// Whether there was an open no-go on heat or travel.
    pub is_unsafe: bool,
    /// When, UTC.
    pub decided_at: String,
}

impl Decided {
    /// What was done: `released`, or `released in spite of a no-go on heat or travel`.
    pub fn done(&self) -> &'static str {
        match self.decision.choice {
            Choice::Release if self.is_unsafe => "released in spite of a no-go on heat or travel",
            Choice::Release => "released",
            Choice::Refuse => "refused",
            Choice::Hold => "held",
        }
    }

    /// True where a no-go on heat or travel was released.
    pub fn is_in_spite(&self) -> bool {
        self.is_unsafe && self.decision.choice == Choice::Release
    }
}

/// Why a decision is not written down.
#[derive(Debug, thiserror::Error)]
pub enum DecideError {
    /// There is no such inspection.
    #[error("there is no inspection {0}")]
    NoInspection(i64),
    /// Somebody else has decided meanwhile.
    #[error("somebody has decided on this job on this sheet meanwhile: look at it again before you do")]
    Overtaken,
    /// It does not say why, or who.
    #[error("a decision needs a reason and a name")]
    Unsigned,
    /// It would release a no-go on heat or travel unconfirmed.
    #[error("this is a no-go on heat or travel: whoever releases it must type the name of the machine, {0}")]
    Unconfirmed(String),
    /// The ledger cannot be used.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

impl Ledger {
    /// Writes a decision down; its number.
    ///
    /// # Errors
    /// See [`DecideError`]; nothing is then written.
    pub fn decide(&self, inspection: i64, decision: &Decision) -> Result<i64, DecideError> {
        self.decide_behind(None, inspection, decision)
    }

    /// The same where nobody has decided on that job on that sheet behind `last`, the number that
    /// [`Self::last_on`] has told whoever decides.
    ///
    /// # Errors
    /// See [`DecideError`]; nothing is then written.
    pub fn decide_behind(&self, last: Option<i64>, inspection: i64, decision: &Decision) -> Result<i64, DecideError> {
        let Decision { choice, reason, who, until, confirmation } = decision;
        let (reason, who) = (reason.trim(), who.trim());
        if reason.is_empty() || who.is_empty() {
            return Err(DecideError::Unsigned);
        }
        self.write(|ledger| {
            let Some(judged) = report_of(ledger, inspection)? else {
                return Err(Fault::Other(DecideError::NoInspection(inspection)));
            };
            if let Some(last) = last
                && last_on(ledger, inspection)? != last
            {
                return Err(Fault::Other(DecideError::Overtaken));
            }
            let machine = judged.machine.name.as_str();
            let is_confirmed = confirmation.as_ref().is_some_and(|typed| typed.trim() == machine.trim());
            let is_unsafe = is_open_unsafe(&judged);
            if is_unsafe && *choice == Choice::Release && !is_confirmed {
                return Err(Fault::Other(DecideError::Unconfirmed(machine.to_owned())));
            }
            let sql = format!(
                "INSERT INTO decisions (inspection, decision, reason, who, until, is_unsafe, confirmation, decided_at)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, {NOW})"
            );
            let until = until.map(|day| day.to_string());
            // Kept where it was wanted.
            let confirmation = confirmation.as_ref().filter(|_| is_unsafe && *choice == Choice::Release);
            ledger.execute(&sql, params![inspection, choice.word(), reason, who, until, is_unsafe, confirmation])?;
            Ok(ledger.last_insert_rowid())
        })
    }

    /// The decision that holds today on that very inspection: the last one, unless it has run out; an older one never comes back
    /// by itself. A changed job, sheet or list of
    /// accepted findings makes another inspection, which nobody has decided on yet.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn standing(&self, inspection: i64, today: Day) -> Result<Option<Decided>, LedgerError> {
        let sql = "SELECT * FROM
                   (SELECT * FROM decisions WHERE inspection = ?1 ORDER BY id DESC LIMIT 1)
                   WHERE until IS NULL OR until >= ?2";
        self.read(|ledger| Ok(ledger.query_row(sql, params![inspection, today.to_string()], decided).optional()?))
    }

    /// The number of the last decision on the job of an inspection on its sheet, whatever the job was called; 0 without one.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn last_on(&self, inspection: i64) -> Result<i64, LedgerError> {
        self.read(|ledger| Ok(last_on(ledger, inspection)?))
    }

    /// A refusal, or a hold, of the same content on the same sheet under another name, or by another version of the checks:
    /// it is the same job, and nobody has taken it back. A release does not go over, and what was decided on the inspection
    /// itself later than that holds.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub(super) fn refused_elsewhere(
        &self,
        question: &Question<'_>,
        inspection: i64,
        today: Day,
    ) -> Result<Option<Decided>, LedgerError> {
        let sql = "SELECT decisions.* FROM decisions JOIN inspections ON inspections.id = inspection
            WHERE job = ?1 AND sheet = ?2 AND options = ?3 AND decision IN ('refuse', 'hold')
                AND (until IS NULL OR until >= ?4)
                AND NOT EXISTS (SELECT 1 FROM decisions AS later
                    WHERE later.inspection IN (decisions.inspection, ?5) AND later.id > decisions.id)
                AND inspection <> ?5
            ORDER BY decisions.id DESC LIMIT 1";
        let key = params![question.job, question.sheet, question.options, today.to_string(), inspection];
        self.read(|ledger| Ok(ledger.query_row(sql, key, decided).optional()?))
    }

    /// All decisions on a job, the latest first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn decisions(&self, job: &str) -> Result<Vec<Decided>, LedgerError> {
        self.read(|ledger| decisions_of(ledger, job))
    }
}

fn last_on(ledger: &Connection, inspection: i64) -> rusqlite::Result<i64> {
    let sql = "SELECT coalesce(max(decisions.id), 0) FROM decisions JOIN inspections AS other ON other.id = inspection
        JOIN inspections AS own ON own.job = other.job AND own.sheet = other.sheet AND own.options = other.options
        WHERE own.id = ?1";
    ledger.query_row(sql, [inspection], |row| row.get(0))
}

fn decisions_of(ledger: &Connection, job: &str) -> Result<Vec<Decided>, What> {
    let sql = "SELECT decisions.* FROM decisions JOIN inspections ON inspections.id = inspection
               WHERE job = ?1 ORDER BY decisions.id DESC";
    Ok(ledger.prepare(sql)?.query_map([job], decided)?.collect::<Result<_, _>>()?)
}

/// True where a no-go on heat or travel is open: whoever releases it must type the name of the machine.
pub fn is_open_unsafe(inspection: &Inspection) -> bool {
    inspection.findings.iter().any(|finding| finding.accepted.is_none() && is_unsafe(&finding.check, finding.severity))
}

fn decided(row: &Row<'_>) -> rusqlite::Result<Decided> {
    let word: String = row.get("decision")?;
    let until: Option<String> = row.get("until")?;
    Ok(Decided {
        id: row.get("id")?,
        inspection: row.get("inspection")?,
        decision: Decision {
            // The table takes no other word. What is not known holds.
            choice: Choice::ALL.into_iter().find(|choice| choice.word() == word).unwrap_or(Choice::Hold),
            reason: row.get("reason")?,
            who: row.get("who")?,
            until: until.and_then(|day| day_from(&day)),
            confirmation: row.get("confirmation")?,
        },
        is_unsafe: row.get("is_unsafe")?,
        decided_at: row.get("decided_at")?,
    })
}
