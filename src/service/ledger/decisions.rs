//! What people decide on an inspection.

use rusqlite::{Connection, Row, params};

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

/// What people have said on a job on a machine, as it counts on a day.
///
/// A release is about one content under one name on one sheet, judged by one version of the checks. A no (refuse or hold) goes
/// over to all other names, sheets and versions: it is the same job, and nobody has taken it back. Of several that count the
/// last one holds; one that runs out leaves those before it as they are. A release takes back what was said before it where it was
/// written down, and everywhere where it has no last day. It does not come back once it was overtaken, and one that has run
/// out leaves the job waiting.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Said {
    /// The verdict of the checks counts.
    Nothing,
    /// This counts.
    Holds(Decided),
    /// This release has run out: somebody has to decide anew.
    RanOut(Decided),
}

impl Said {
    /// The decision that counts.
    pub fn holds(&self) -> Option<&Decided> {
        if let Self::Holds(decided) = self { Some(decided) } else { None }
    }

    /// The release that has run out.
    pub fn ran_out(&self) -> Option<&Decided> {
        if let Self::RanOut(decided) = self { Some(decided) } else { None }
    }

    /// What follows from all decisions on a job on a machine, in the order of their numbers, for one of its inspections.
    fn among(all: &[Decided], inspection: i64, today: Day) -> Self {
        let counts = |decided: &Decided| decided.decision.until.is_none_or(|until| until >= today);
        let is_release = |decided: &Decided| decided.decision.choice == Choice::Release;
        let own = all.iter().rev().find(|decided| is_release(decided) && decided.inspection == inspection);
        // Whoever releases it here knows what was said until then; elsewhere only a release for good takes a no back.
        let is_taken_back = |no: &Decided| {
            let elsewhere = |later: &Decided| later.inspection == no.inspection && later.decision.until.is_none();
            let later = |later: &&Decided| later.id > no.id && is_release(later);
            all.iter().filter(later).any(|later| later.inspection == inspection || elsewhere(later))
        };
        let stands = |no: &&Decided| !is_release(no) && counts(no) && !is_taken_back(no);
        if let Some(no) = all.iter().rev().find(stands) {
            return Self::Holds(no.clone());
        }
        match own {
            Some(own) if !counts(own) => Self::RanOut(own.clone()),
            // What overtook it has run out.
            Some(own) if all.iter().any(|later| later.id > own.id && !is_release(later)) => Self::Nothing,
            Some(own) => Self::Holds(own.clone()),
            None => Self::Nothing,
        }
    }
}

/// Why a decision is not written down.
#[derive(Debug, thiserror::Error)]
pub enum DecideError {
    /// There is no such inspection.
    #[error("there is no inspection {0}")]
    NoInspection(i64),
    /// Somebody else has decided meanwhile.
    #[error("somebody has decided on this job on this machine meanwhile: look at it again before you do")]
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

    /// The same where nobody has decided on that job on that machine behind `last`, the number that
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

    /// The number of the last decision on the job of an inspection on its machine, whatever the job was called and the sheet
    /// was like; 0 without one.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn last_on(&self, inspection: i64) -> Result<i64, LedgerError> {
        self.read(|ledger| Ok(last_on(ledger, inspection)?))
    }

    /// What people have said on a job on a machine, as it counts today: see [`Said`].
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub(super) fn said(&self, question: &Question<'_>, inspection: i64, today: Day) -> Result<Said, LedgerError> {
        // Of that content on that machine, whatever its name, sheet or version of the checks.
        let sql = "SELECT decisions.* FROM decisions JOIN inspections ON inspections.id = inspection
            WHERE job = ?1 AND options = ?2 ORDER BY decisions.id";
        let key = params![question.job, question.options];
        let all: Vec<Decided> = self.read(|ledger| {
            let mut select = ledger.prepare(sql)?;
            let rows = select.query_map(key, decided)?;
            Ok(rows.collect::<Result<_, _>>()?)
        })?;
        Ok(Said::among(&all, inspection, today))
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
        JOIN inspections AS own ON own.job = other.job AND own.options = other.options
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

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> Day {
        day_from(text).expect("a day")
    }

    /// What is said on the inspection 1 where these were decided: number, inspection, choice, last day.
    fn among(all: &[(i64, i64, Choice, Option<&str>)], today: &str) -> (&'static str, i64) {
        let of = |&(id, inspection, choice, until): &(i64, i64, Choice, Option<&str>)| {
            let (reason, who) = ("looked at it".to_owned(), "Ada".to_owned());
            let decision = Decision { choice, reason, who, until: until.map(day), confirmation: None };
            Decided { id, inspection, decision, is_unsafe: false, decided_at: String::new() }
        };
        match Said::among(&all.iter().map(of).collect::<Vec<_>>(), 1, day(today)) {
            Said::Nothing => ("nothing", 0),
            Said::Holds(decided) => (decided.decision.choice.word(), decided.id),
            Said::RanOut(decided) => ("ran out", decided.id),
        }
    }

    #[test]
    fn a_no_goes_over_and_a_release_does_not() {
        use Choice::{Hold, Refuse, Release};
        let (past, later) = (Some("2027-01-30"), Some("2027-02-28"));
        for (last, expected) in [
            (&[][..], ("nothing", 0)),
            (&[(1, 2, Release, None)], ("nothing", 0)),
            (&[(1, 2, Refuse, None)], ("refuse", 1)),
            (&[(1, 2, Refuse, None), (2, 1, Release, None)], ("release", 2)),
            (&[(1, 1, Release, None), (2, 2, Refuse, None)], ("refuse", 2)),
            // What has overtaken a release does not bring it back by running out.
            (&[(1, 1, Release, None), (2, 2, Refuse, past)], ("nothing", 0)),
            (&[(1, 1, Release, past)], ("ran out", 1)),
            (&[(1, 2, Refuse, None), (2, 1, Release, past)], ("ran out", 2)),
            (&[(1, 1, Refuse, past)], ("nothing", 0)),
            // One that runs out does not take back another that does not.
            (&[(1, 2, Refuse, None), (2, 1, Hold, past)], ("refuse", 1)),
            (&[(1, 2, Refuse, None), (2, 1, Hold, later)], ("hold", 2)),
            (&[(1, 1, Refuse, None), (2, 1, Hold, past)], ("refuse", 1)),
            (&[(1, 1, Refuse, None), (2, 1, Hold, None)], ("hold", 2)),
            (&[(1, 2, Refuse, None), (2, 3, Release, None)], ("refuse", 1)),
            // Only a release for good takes a no back for others.
            (&[(1, 2, Refuse, None), (2, 2, Release, later)], ("refuse", 1)),
            (&[(1, 2, Refuse, None), (2, 2, Release, past)], ("refuse", 1)),
            (&[(1, 2, Refuse, None), (2, 2, Release, None)], ("nothing", 0)),
            (&[(1, 1, Release, None), (2, 2, Refuse, None), (3, 2, Release, later)], ("refuse", 2)),
            (&[(1, 1, Release, None), (2, 2, Refuse, None), (3, 2, Release, None)], ("nothing", 0)),
            (&[(1, 1, Release, past), (2, 1, Hold, past)], ("ran out", 1)),
        ] {
            assert_eq!(among(last, "2027-01-31"), expected, "{last:?}");
        }
    }
}
