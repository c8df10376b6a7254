//! What is answered: one line of JSON.

use std::io::Write;

use schemars::JsonSchema;
use serde::Serialize;
use serde_json::Value;

use super::request::{Id, Request, Task, Wanted, without_default};
use crate::findings::{Inspection, Unjudged};
use crate::show::report::csv::Row;
use crate::show::report::{json, matrix};

/// Why a request has no reports.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Fault {
    /// What kind of fault.
    pub kind: Kind,
    /// Why, for people.
    pub text: String,
}

/// What kind of fault a request meets.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// The line is no request.
    Request,
    /// A machine sheet cannot be read or has faults.
    Sheet,
    /// The job cannot be read, or is none.
    Job,
    /// The job has more bytes than `--limit-bytes` allows.
    LimitBytes,
    /// The request takes longer than `--limit-seconds` allows.
    LimitSeconds,
    /// A file that is named was not read, since the worker was told to stop while its bytes did not come, or since too many
    /// reads hang. Ask again: it says nothing of the job.
    Unread,
    /// A fault of this program.
    Internal,
}

/// The answer to a request.
#[derive(Serialize, JsonSchema)]
#[serde(untagged)]
enum Answer<'a> {
    /// It was judged.
    #[schemars(extend("not" = { "required": ["error"] }))]
    Judged {
        /// That of the request, as it was written; null where there is none.
        #[schemars(with = "Value")]
        id: Place,
        /// True.
        #[schemars(extend("const" = true))]
        ok: bool,
        /// One for each machine, in their order.
        reports: Reports<'a>,
    },
    /// It was not.
    Refused {
        /// That of the request, as it was written; null where the line is not a JSON object with one `id`.
        #[schemars(with = "Value")]
        id: Place,
        /// False.
        #[schemars(extend("const" = false))]
        ok: bool,
        /// Why.
        error: &'a Fault,
        /// Where the line is a request whose `report` is `row`: for each sheet the row of a job that cannot be judged, with
        /// the text in `error` and no machine.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schemars(with = "Vec<Row>", transform = without_default)]
        reports: Option<Vec<Row>>,
    },
}

/// Where the id goes, null until then: it is written as it came, and not like all else.
type Place = ();

/// Reports of one kind.
#[derive(Serialize, JsonSchema)]
#[serde(untagged)]
enum Reports<'a> {
    /// Where `report` is `full`.
    Full(Vec<json::Judged<'a>>),
    /// Where `report` is `row`.
    Rows(Vec<Row>),
}

/// A line, whichever way it goes.
#[derive(JsonSchema)]
#[schemars(untagged, title = "gonogo worker")]
#[allow(dead_code, reason = "only its schema is used")]
enum Any<'a> {
    /// Of standard input.
    Request(Request),
    /// Of standard output.
    Answer(Answer<'a>),
}

/// The JSON Schema of a request and of an answer; each alone is in its `$defs`.
pub fn schema() -> schemars::Schema {
    schemars::schema_for!(Any<'_>)
}

/// The line that answers a request with the reports on its machines.
pub(super) fn judged(id: &Id, inspections: &[Inspection], wanted: Wanted) -> Vec<u8> {
    let reports = match wanted {
        Wanted::Full => Reports::Full(inspections.iter().map(Into::into).collect()),
        Wanted::Row => {
            let machines: Vec<_> = inspections.iter().map(|inspection| inspection.machine.clone()).collect();
            let labels = matrix::labels(&machines);
            Reports::Rows(inspections.iter().zip(&labels).map(|(of, label)| Row::of(of, label)).collect())
        }
    };
    line(id, &Answer::Judged { id: (), ok: true, reports })
}

/// The line that says why a request has no reports.
pub(super) fn refused(task: &Task, error: &Fault) -> Vec<u8> {
    let unjudged = Unjudged { path: task.job.shown().to_owned(), error: error.text.clone() };
    // Some sheet may have faults, and then there is no machine to name.
    let rows = || task.machines.iter().map(|sheet| Row::unjudged(&unjudged, "", sheet.shown())).collect();
    let reports = (task.report == Wanted::Row).then(rows);
    line(&task.id, &Answer::Refused { id: (), ok: false, error, reports })
}

/// The line that says why a line is no request.
pub(super) fn no_request(id: &Id, error: &Fault) -> Vec<u8> {
    line(id, &Answer::Refused { id: (), ok: false, error, reports: None })
}

fn line(id: &Id, answer: &Answer<'_>) -> Vec<u8> {
    const BEGIN: &[u8] = b"{\"id\":";
    const NULL: &[u8] = b"null";
    let mut line = Vec::new();
    let written = json::write_value(answer, false, &mut line).and_then(|()| line.write_all(b"\n"));
    written.expect("memory can be written, and names of keys are text");
    if let Some(id) = id {
        line.splice(BEGIN.len()..BEGIN.len() + NULL.len(), id.get().bytes());
    }
    line
}
