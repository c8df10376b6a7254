//! What is answered: one line of JSON.

use std::io::Write;

use schemars::JsonSchema;
use serde::Serialize;
use serde_json::Value;

use super::request::{Request, Wanted};
use crate::findings::Inspection;
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
    /// The job takes longer than `--limit-seconds` allows.
    LimitSeconds,
    /// A fault of this program.
    Internal,
}

/// The answer to a request.
#[derive(Serialize, JsonSchema)]
#[serde(untagged)]
enum Answer<'a> {
    /// It was judged.
    Judged {
        /// That of the request.
        id: &'a Value,
        /// True.
        #[schemars(extend("const" = true))]
        ok: bool,
        /// One for each machine, in their order.
        reports: Reports<'a>,
    },
    /// It was not.
    Refused {
        /// That of the request; null where it cannot be read.
        id: &'a Value,
        /// False.
        #[schemars(extend("const" = false))]
        ok: bool,
        /// Why.
        error: &'a Fault,
    },
}

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
pub(super) fn judged(id: &Value, inspections: &[Inspection], wanted: Wanted) -> Vec<u8> {
    let reports = match wanted {
        Wanted::Full => Reports::Full(inspections.iter().map(Into::into).collect()),
        Wanted::Row => {
            let machines: Vec<_> = inspections.iter().map(|inspection| inspection.machine.clone()).collect();
            let labels = matrix::labels(&machines);
            Reports::Rows(inspections.iter().zip(&labels).map(|(of, label)| Row::of(of, label)).collect())
        }
    };
    line(&Answer::Judged { id, ok: true, reports })
}

/// The line that says why there are none.
pub(super) fn refused(id: &Value, error: &Fault) -> Vec<u8> {
    line(&Answer::Refused { id, ok: false, error })
}

fn line(answer: &Answer<'_>) -> Vec<u8> {
    let mut line = Vec::new();
    let written = json::write_value(answer, false, &mut line).and_then(|()| line.write_all(b"\n"));
    written.expect("memory can be written, and names of keys are text");
    line
}
