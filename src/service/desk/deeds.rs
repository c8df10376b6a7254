//! Decisions and prints, for people and programs alike.

use std::sync::Arc;
use std::time::Duration;

use serde::Deserialize;

use super::super::gate::{Held, Row};
use super::super::ledger::{Choice, DecideError, Decision};
use super::Desk;
use super::problem::Problem;
use crate::accepted::{day_from, now_s, reason, today};
use crate::workshop::prints::{Print, clock_s, latest_start, plan_digest, started};

/// The gate is waited for so long, for its answer to tell what came of a decision.
const GATE_WITHIN: Duration = Duration::from_secs(3);

/// A decision as it is asked for.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AskedDecision {
    inspection: i64,
    decision: String,
    because: String,
    by: String,
    #[serde(default)]
    until: String,
    #[serde(default)]
    even_unsafe_on: String,
    /// The number of the last decision that whoever decides knows of.
    after: Option<i64>,
}

/// A finished print as it is told.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AskedPrint {
    machine: String,
    took: String,
    #[serde(default)]
    waited: String,
    #[serde(default)]
    started: String,
    #[serde(default)]
    aborted: Flag,
}

/// `yes` of a form, true or false in JSON.
#[derive(Debug, Deserialize)]
#[serde(untagged)]
enum Flag {
    Said(bool),
    Form(Yes),
}

#[derive(Debug, Deserialize)]
enum Yes {
    #[serde(rename = "yes")]
    Yes,
}

impl Default for Flag {
    fn default() -> Self {
        Self::Said(false)
    }
}

impl Desk {
    /// What stands of a job.
    pub fn row(&self, name: &str) -> Result<Row, Problem> {
        self.shelf.read(|held| held.row(name).cloned()).ok_or_else(|| Problem::no_job(name))
    }

    /// Writes a decision down, and waits a moment for the gate to act on it. It must be about what stands now.
    pub async fn decide(self: &Arc<Self>, name: &str, asked: AskedDecision) -> Result<i64, Problem> {
        let (inspection, after) = (asked.inspection, asked.after);
        let row = self.row(name)?;
        if !row.settled().iter().any(|answered| answered.inspection == inspection) {
            let why = "the job has been judged anew since: look at it again before you decide";
            return Err(Problem::conflict(why));
        }
        let decision = resolved(asked)?;
        let kept_as = name.to_owned();
        let decide = move |desk: &Self| match desk.writing.decide_behind(after, inspection, &decision) {
            Err(DecideError::NoInspection(_)) => Err(desk.is_judged_anew(&kept_as)),
            done => Ok(done?),
        };
        let id = self.aside(decide).await?;
        // Until the gate has acted nobody is to take it for what it was.
        self.shelf.decided(row.digest.as_deref().unwrap_or_default(), id);
        self.intake.wake();
        self.wait_for(|held| held.row(name).is_none_or(|row| row.place().is_some())).await;
        Ok(id)
    }

    /// What is known of a job is gone from the ledger: it is judged anew.
    fn is_judged_anew(&self, name: &str) -> Problem {
        self.intake.judge_anew(name);
        Problem::conflict("the job is being judged anew: look again in a moment")
    }

    /// Takes a job out for good, and waits a moment for the gate to have done so: false where it has not yet.
    pub async fn take_out(self: &Arc<Self>, name: &str) -> Result<bool, Problem> {
        self.row(name)?;
        self.intake.take_out(name);
        Ok(self.wait_for(|held| held.row(name).is_none()).await)
    }

    /// Waits a moment for the gate to have acted. Where it is busy it acts later, false; pages tell when.
    async fn wait_for(&self, is_done: impl Fn(&Held) -> bool) -> bool {
        let mut changes = self.shelf.follow();
        let done = async { while !self.shelf.read(&is_done) && changes.changed().await.is_ok() {} };
        tokio::time::timeout(GATE_WITHIN, done).await.is_ok()
    }

    /// Writes down how long a print of a job took; false where that was known.
    pub async fn printed(self: &Arc<Self>, name: &str, asked: AskedPrint) -> Result<bool, Problem> {
        let time_s = |text: &str, what: &str| match text.trim() {
            "" => Ok(0.0),
            text => clock_s(text).ok_or_else(|| Problem::wrong(format!("{what}: a time such as 1:42:07"))),
        };
        let (took_s, waited_s) = (time_s(&asked.took, "took")?, time_s(&asked.waited, "waited")?);
        if took_s - waited_s <= 0.0 {
            return Err(Problem::wrong("nothing is left of the time it took without that it waited"));
        }
        let when = match asked.started.trim() {
            "" => None,
            text => {
                let read = started(text).filter(|start| *start <= latest_start(now_s()));
                let sentence = "started: a day or a time that is not in the future, such as 2026-01-31 14:05";
                Some(read.ok_or_else(|| Problem::wrong(sentence))?)
            }
        };
        let row = self.row(name)?;
        let answered = row.settled().iter().find(|answered| answered.folder == asked.machine).cloned();
        let Some(answered) = answered else { return Err(Problem::missing("the job was not judged on this machine")) };
        // As a path from the ledger's folder: there the job is found again.
        let (job, kept_as) = (format!("jobs/{name}"), name.to_owned());
        self.aside(move |desk| {
            let machine = desk.machine(&answered.folder)?;
            let Some(inspection) = desk.ledger.inspection(answered.inspection)? else {
                return Err(desk.is_judged_anew(&kept_as));
            };
            let print = Print {
                started: when,
                waited_s,
                aborted: !matches!(asked.aborted, Flag::Said(false)),
                ..Print::of(&job, &inspection, &plan_digest(&machine), took_s)
            };
            Ok(desk.writing.add_prints(&[print])?.0 > 0)
        })
        .await
    }
}

/// A decision whose words were read.
fn resolved(asked: AskedDecision) -> Result<Decision, Problem> {
    let AskedDecision { decision, because, by, until, even_unsafe_on, .. } = asked;
    let choice = Choice::ALL.into_iter().find(|choice| choice.word() == decision);
    let choice = choice.ok_or_else(|| Problem::wrong("decision: release, refuse or hold"))?;
    let line = |text: &str, what: &str| reason(text).map_err(|why| Problem::wrong(format!("{what}: {why}")));
    let until = match until.trim() {
        "" => None,
        text => Some(day_from(text).ok_or_else(|| Problem::wrong("until: a day such as 2027-01-31"))?),
    };
    if let Some(until) = until.filter(|until| *until < today()) {
        return Err(Problem::wrong(format!("{until} has passed: the decision would never count")));
    }
    Ok(Decision {
        choice,
        reason: line(&because, "why")?,
        who: line(&by, "who")?,
        until,
        confirmation: match even_unsafe_on.trim() {
            "" => None,
            typed => Some(line(typed, "even_unsafe_on")?),
        },
    })
}
