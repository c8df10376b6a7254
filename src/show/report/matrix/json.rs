//! The matrix for programs: its own types, so that the published shape never changes by accident. Each cell is the report
//! that a check of the job on that machine alone gives.

use std::io::{self, Write};

use schemars::JsonSchema;
use serde::Serialize;

use super::super::Report;
use super::super::frames::Frames;
use super::super::json::{Judged as JobReport, Machine};
use crate::findings::MachineFacts;
use crate::study::matrix::{self as of, Judged};

/// Name and version of the shape.
pub const SCHEMA: &str = "gonogo.matrix/1";

/// The document, and each line of ndjson.
#[derive(JsonSchema)]
#[schemars(untagged, title = "gonogo matrix")]
#[allow(dead_code, reason = "only its schema is used: it is written piece by piece")]
enum Any<'a> {
    /// All at once.
    Document(Box<Document<'a>>),
    /// A line of ndjson: the machines first, then job by job, then what they come to.
    Line(Line<'a>),
}

/// All at once.
#[derive(JsonSchema)]
#[allow(dead_code, reason = "only its schema is used: it is written piece by piece")]
struct Document<'a> {
    /// Name and version of the shape.
    #[schemars(extend("const" = SCHEMA))]
    schema: &'static str,
    /// Machines in the order given.
    machines: Vec<Machine<'a>>,
    /// Jobs in the order given.
    jobs: Vec<Job<'a>>,
    /// What all jobs come to.
    totals: Totals<'a>,
}

/// A line of ndjson.
#[derive(Serialize, JsonSchema)]
struct Line<'a> {
    /// Name and version of the shape.
    #[schemars(extend("const" = SCHEMA))]
    schema: &'static str,
    #[serde(flatten)]
    what: What<'a>,
}

#[derive(Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
enum What<'a> {
    /// The first line: machines in the order given.
    Machines(Vec<Machine<'a>>),
    /// A job.
    Job(Job<'a>),
    /// The last line.
    Totals(Totals<'a>),
}

/// One job, judged or not.
#[derive(Serialize, JsonSchema)]
#[serde(untagged)]
enum Job<'a> {
    /// Judged on each machine.
    Judged {
        /// Path as given; `-` is standard input.
        path: &'a str,
        /// The report on each machine, in the order of the machines.
        reports: Vec<JobReport<'a>>,
    },
    /// Could not be judged.
    Unjudged {
        /// Why.
        error: &'a str,
        /// Path as given.
        path: &'a str,
    },
}

/// What all jobs come to.
#[derive(Serialize, JsonSchema)]
struct Totals<'a> {
    /// Jobs, those that could not be judged included.
    jobs: u64,
    /// Jobs that could not be judged.
    unjudged: u64,
    /// What each machine says, in the order of the machines.
    machines: Vec<Tally>,
    /// Paths of the jobs that fit no machine.
    jobs_that_fit_no_machine: &'a [String],
    /// Places of the machines that no job fits, from 0; empty where no job could be judged.
    machines_that_no_job_fits: Vec<usize>,
}

/// Verdicts of one machine.
#[derive(Serialize, JsonSchema)]
struct Tally {
    /// Jobs that are go.
    go: u64,
    /// Jobs that are hold.
    hold: u64,
    /// Jobs that are no-go.
    no_go: u64,
    /// Jobs that fit: those with a verdict milder than `--fail-on`.
    fit: u64,
}

impl<'a> From<&'a Judged> for Job<'a> {
    fn from(from: &'a Judged) -> Self {
        match from {
            Ok(inspections) => Self::Judged {
                path: inspections.first().map_or("", |first| &first.job.path),
                reports: inspections.iter().map(Into::into).collect(),
            },
            Err(unjudged) => Self::Unjudged { error: &unjudged.error, path: &unjudged.path },
        }
    }
}

impl<'a> From<&'a of::Totals> for Totals<'a> {
    fn from(from: &'a of::Totals) -> Self {
        let tally = |tally: &of::Tally| {
            let [go, hold, no_go] = tally.verdicts;
            Tally { go, hold, no_go, fit: tally.fit }
        };
        Self {
            jobs: from.jobs,
            unjudged: from.unjudged,
            machines: from.machines.iter().map(tally).collect(),
            jobs_that_fit_no_machine: &from.fit_no_machine,
            machines_that_no_job_fits: from.fit_by_no_job().collect(),
        }
    }
}

/// The JSON Schema of what `json` prints and of each line of `ndjson`.
pub fn schema() -> schemars::Schema {
    schemars::schema_for!(Any<'_>)
}

/// The JSON renderer: one document, or a line for the machines, one for each job and one for the totals.
pub struct JsonMatrix {
    machines: Vec<MachineFacts>,
    frames: Frames,
}

impl JsonMatrix {
    /// One document.
    pub fn document(machines: Vec<MachineFacts>) -> Self {
        Self { machines, frames: Frames::new(SCHEMA, false) }
    }

    /// Line by line.
    pub fn lines(machines: Vec<MachineFacts>) -> Self {
        Self { machines, frames: Frames::new(SCHEMA, true) }
    }

    /// What stands before a job.
    fn start(&mut self, out: &mut dyn Write) -> io::Result<()> {
        let Self { machines, frames } = self;
        frames.start(
            || machines.iter().map(Into::into).collect::<Vec<Machine<'_>>>(),
            |machines| line(What::Machines(machines)),
            out,
        )
    }
}

fn line(what: What<'_>) -> Line<'_> {
    Line { schema: SCHEMA, what }
}

impl Report<Judged, of::Totals> for JsonMatrix {
    fn add(&mut self, judged: &Judged, out: &mut dyn Write) -> io::Result<()> {
        self.start(out)?;
        self.frames.job(Job::from(judged), |job| line(What::Job(job)), out)
    }

    fn finish(&mut self, totals: &of::Totals, out: &mut dyn Write) -> io::Result<()> {
        if self.frames.is_bare() {
            self.start(out)?;
        }
        self.frames.end(Totals::from(totals), |totals| line(What::Totals(totals)), out)
    }
}

#[cfg(test)]
mod tests {
    use super::super::samples;
    use super::*;
    use serde_json::{Value, json};

    fn render(mut report: JsonMatrix, jobs: &[Judged]) -> String {
        let mut out = Vec::new();
        jobs.iter().for_each(|judged| report.add(judged, &mut out).expect("writes"));
        report.finish(&samples::totals(jobs), &mut out).expect("writes");
        String::from_utf8(out).expect("UTF-8")
    }

    #[test]
    fn both_forms_fit_the_schema_and_hold_the_same() {
        let validator = jsonschema::validator_for(schema().as_value()).expect("the schema is one");
        for jobs in [&samples::all()[..], &[]] {
            let document = render(JsonMatrix::document(samples::machines()), jobs);
            let document: Value = serde_json::from_str(&document).expect("JSON");
            let faults: Vec<String> = validator.iter_errors(&document).map(|fault| fault.to_string()).collect();
            assert_eq!(faults, Vec::<String>::new());
            let text = render(JsonMatrix::lines(samples::machines()), jobs);
            let lines: Vec<Value> = text.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
            assert_eq!(lines.len(), jobs.len() + 2);
            assert!(lines.iter().all(|line| validator.is_valid(line) && line["schema"] == SCHEMA));
            assert_eq!(lines[0]["machines"], document["machines"]);
            assert_eq!(lines[jobs.len() + 1]["totals"], document["totals"]);
            for (line, job) in lines[1..].iter().zip(document["jobs"].as_array().expect("a list")) {
                assert_eq!(&line["job"], job);
            }
            assert!(!text.contains(|c: char| c.is_control() && c != '\n'), "{text:?}");
        }
        assert!(!validator.is_valid(&json!({ "schema": SCHEMA, "jobs": [] })));
    }

    #[test]
    fn totals_name_what_fits_nowhere() {
        let document = render(JsonMatrix::document(samples::machines()), &samples::all()[..3]);
        let document: Value = serde_json::from_str(&document).expect("JSON");
        assert_eq!(
            document["totals"],
            json!({
                "jobs": 3, "unjudged": 1,
                "machines": [
                    { "go": 1, "hold": 0, "no_go": 1, "fit": 1 },
                    { "go": 0, "hold": 0, "no_go": 2, "fit": 0 },
                    { "go": 0, "hold": 1, "no_go": 1, "fit": 1 },
                ],
                "jobs_that_fit_no_machine": ["jobs/a-long-name-of-a-job-in-a-deep-folder/stairs.gcode"],
                "machines_that_no_job_fits": [1],
            })
        );
        assert_eq!(document["jobs"][0]["reports"][2]["verdict"], "hold");
        assert_eq!(document["jobs"][0]["reports"][2]["machine"]["source"], "cellar/wren.toml");
        assert!(document["jobs"][2]["error"].as_str().is_some_and(|error| error.contains("no such file")));
    }
}
