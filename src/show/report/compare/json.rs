//! The comparison for programs: its own types, so that the published shape never changes by accident.
//!
//! Numbers are not rounded: before and after are those of two reports, bit for bit, and the difference is that of the two.

use std::cmp::Ordering;
use std::io::{self, Write};

use schemars::JsonSchema;
use serde::Serialize;

use super::super::Report;
use super::super::frames::Frames;
use super::super::json::{Machine, Severity, Verdict};
use crate::findings::{JobFacts, TimeParts, Worse};
use crate::study::compare::{self as of, Compared, Comparison, Sheets};

/// Name and version of the shape.
pub const SCHEMA: &str = "gonogo.compare/1";

/// The document, and each line of ndjson.
#[derive(JsonSchema)]
#[schemars(untagged, title = "gonogo comparison")]
#[allow(dead_code, reason = "only its schema is used: it is written piece by piece")]
enum Any<'a> {
    /// All at once.
    Document(Box<Document<'a>>),
    /// A line of ndjson: the machines first, then job by job, then what they come to.
    Line(Box<Line<'a>>),
}

/// All at once.
#[derive(JsonSchema)]
#[allow(dead_code, reason = "only its schema is used: it is written piece by piece")]
struct Document<'a> {
    /// Name and version of the shape.
    #[schemars(extend("const" = SCHEMA))]
    schema: &'static str,
    /// Which machines.
    machines: Machines<'a>,
    /// Jobs in the order given.
    jobs: Vec<Job<'a>>,
    /// What all jobs come to.
    totals: Totals,
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
    /// The first line.
    Machines(Machines<'a>),
    /// A job.
    Job(Box<Job<'a>>),
    /// The last line.
    Totals(Box<Totals>),
}

/// Which machines, and what differs between their sheets.
#[derive(Serialize, JsonSchema)]
struct Machines<'a> {
    /// The machine as it is.
    before: Machine<'a>,
    /// The machine with the change.
    after: Machine<'a>,
    /// Keys whose values differ.
    changes: Vec<Change<'a>>,
    /// What the audit of the sheet finds after, at hold or no-go, that it did not find before or found less bad.
    audit_worse: Vec<AuditRow<'a>>,
}

/// A row of the audit.
#[derive(Serialize, JsonSchema)]
struct AuditRow<'a> {
    /// Id of the comparison.
    id: &'a str,
    /// Which part of the machine.
    what: &'a str,
    /// How it is judged.
    severity: Severity,
    /// What it means.
    message: &'a str,
}

/// A key whose value differs.
#[derive(Serialize, JsonSchema)]
struct Change<'a> {
    /// Dotted path.
    key: &'a str,
    /// Value before as TOML, `{ … }` or `[ … ]` for tables whose keys have rows of their own; null where it has none.
    before: Option<&'a str>,
    /// Value after.
    after: Option<&'a str>,
}

/// One job, judged or not.
#[derive(Serialize, JsonSchema)]
#[serde(untagged)]
enum Job<'a> {
    /// Judged on both machines.
    Judged(Box<Judged<'a>>),
    /// Could not be judged.
    Unjudged {
        /// Why.
        error: &'a str,
        /// Path as given.
        path: &'a str,
    },
}

/// A job judged on both machines.
#[derive(Serialize, JsonSchema)]
struct Judged<'a> {
    /// Path as given; `-` is standard input.
    path: &'a str,
    /// `blake3:` and the hex digest of the unpacked bytes.
    digest: &'a str,
    /// The answers.
    verdict: Verdicts,
    /// False where only one of the times leaves out the waiting for late commands, so that they cannot be told apart.
    alike_in_time: bool,
    /// Time by category, s.
    time_s: Times,
    /// Melt rate, mm³/s.
    melt_rate_mm3_s: MeltRates,
    /// Time for which the momentary melt rate is above the sustained capacity, s; null without a capacity.
    time_over_capacity_s: Pair,
    /// The same, what is pushed on the spot included, s.
    time_over_capacity_pushed_s: Pair,
    /// Largest step rates, Hz, motor by motor.
    step_rates_hz: Vec<Motor<'a>>,
    /// Largest command rate, Hz.
    command_rate_hz: Pair,
    /// Ringing, direction by direction; empty where neither sheet gives a mode.
    ringing: Vec<Ringing>,
    /// Findings that came, went or changed.
    findings: Vec<Shift<'a>>,
}

/// Ringing along one direction, mm.
#[derive(Serialize, JsonSchema)]
struct Ringing {
    /// Direction.
    axis: String,
    /// Largest amplitude.
    peak_mm: Pair,
    /// At or below this for 95 % of the time.
    p95_mm: Pair,
}

/// The answers.
#[derive(Serialize, JsonSchema)]
struct Verdicts {
    /// On the machine as it is.
    before: Verdict,
    /// On the machine with the change.
    after: Verdict,
    /// How it went.
    change: VerdictChange,
    /// True when it gets worse, or stays while something at hold or no-go comes or gets worse.
    worse: bool,
}

/// How a verdict went.
#[derive(Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
enum VerdictChange {
    /// The same.
    Stays,
    /// Worse than before.
    Worse,
    /// Better than before.
    Better,
}

/// A number before and after; null where there is none.
#[derive(Serialize, JsonSchema)]
struct Pair {
    /// On the machine as it is.
    before: Option<f64>,
    /// On the machine with the change.
    after: Option<f64>,
    /// After less before.
    difference: Option<f64>,
}

/// Time by category, s.
#[derive(Serialize, JsonSchema)]
struct Times {
    /// Sum of the parts.
    total: Pair,
    /// Moves along the path that push filament.
    extruding: Pair,
    /// Moves along the path that do not.
    travel: Pair,
    /// Filament only.
    extrude_only: Pair,
    /// Dwells, and homing and probing where the sheet gives times.
    dwell: Pair,
    /// Homing alone, a part of `dwell`.
    homing: Pair,
    /// Probing alone, a part of `dwell`.
    probing: Pair,
    /// Changes of the tool.
    tool_change: Pair,
    /// Standing between moves for want of commands.
    starved: Pair,
    /// Waiting for heaters.
    heating: Pair,
}

/// Melt rate, mm³/s.
#[derive(Serialize, JsonSchema)]
struct MeltRates {
    /// Largest momentary rate.
    peak: Pair,
    /// Largest mean over a burst of 0.3 melt windows.
    burst_peak: Pair,
    /// Largest first-order average over the melt window.
    sustained_peak: Pair,
    /// Largest momentary rate, what is pushed on the spot included.
    peak_pushed: Pair,
}

/// The largest step rate of a motor, Hz.
#[derive(Serialize, JsonSchema)]
struct Motor<'a> {
    /// Which.
    motor: &'a str,
    /// Its rate.
    #[serde(flatten)]
    rate: Pair,
}

/// A finding that came, went or changed.
#[derive(Serialize, JsonSchema)]
struct Shift<'a> {
    /// What became of it.
    change: ShiftKind,
    /// The check.
    check: &'a str,
    /// Its severity.
    severity: Severity,
    /// Before; null when it came.
    before: Option<Side<'a>>,
    /// After; null when it went.
    after: Option<Side<'a>>,
    /// Lines it is found on after, and was not before; a bounded number.
    lines_gained: &'a [u64],
    /// Lines it was found on before, and is not after; a bounded number.
    lines_lost: &'a [u64],
    /// What got worse of it; null where nothing did.
    worse: Option<WorseFinding<'a>>,
    /// Lines were compared up to this one; null when all were.
    known_to_line: Option<u64>,
}

/// What got worse of a finding; one of the two pairs is there.
#[derive(Serialize, JsonSchema)]
struct WorseFinding<'a> {
    /// The worst value before and after.
    #[serde(skip_serializing_if = "Option::is_none")]
    value: Option<[f64; 2]>,
    /// What it is held against after.
    #[serde(skip_serializing_if = "Option::is_none")]
    limit: Option<f64>,
    /// How often before and after.
    #[serde(skip_serializing_if = "Option::is_none")]
    count: Option<[u64; 2]>,
    /// Unit of value and limit.
    unit: &'a str,
}

/// What became of a finding.
#[derive(Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
enum ShiftKind {
    /// It was not there before.
    Gained,
    /// There before and after, but not alike.
    Changed,
    /// It is gone.
    Lost,
}

/// A finding on one of the machines.
#[derive(Serialize, JsonSchema)]
struct Side<'a> {
    /// How often.
    count: u64,
    /// First line; null when it is about the job as a whole.
    line: Option<u64>,
    /// What is wrong, a sentence for each kind.
    messages: &'a [String],
}

/// What all jobs come to.
#[derive(Serialize, JsonSchema)]
struct Totals {
    /// All jobs.
    jobs: u64,
    /// Jobs that could not be judged.
    unjudged: u64,
    /// Jobs whose verdict gets worse.
    worse: u64,
    /// Jobs whose verdict gets better.
    better: u64,
    /// Jobs whose verdict stays, but something at hold or no-go comes or gets worse.
    worse_inside: u64,
    /// Findings that are there before and after and got worse.
    findings_worse: u64,
    /// Findings that came.
    findings_gained: u64,
    /// Findings that went.
    findings_lost: u64,
    /// Time of all jobs judged, s.
    time_s: Times,
    /// Time saved as a share of the time before, over the jobs; null without jobs. Negative where jobs take longer.
    saved: Option<Saved>,
}

/// Time saved as a share of the time before, to a ten-thousandth, at most 10 times the time lost.
#[derive(Serialize, JsonSchema)]
struct Saved {
    /// The least.
    min: f64,
    /// At or below this in 10 % of the jobs.
    p10: f64,
    /// At or below this in 50 % of the jobs.
    p50: f64,
    /// At or below this in 90 % of the jobs.
    p90: f64,
    /// The most.
    max: f64,
}

impl From<of::Pair> for Pair {
    fn from(from: of::Pair) -> Self {
        Self { before: from.before, after: from.after, difference: from.difference() }
    }
}

impl Times {
    fn of(before: TimeParts, after: TimeParts) -> Self {
        let pair = |part: fn(&TimeParts) -> f64| of::Pair::both(part(&before), part(&after)).into();
        Self {
            total: pair(TimeParts::total),
            extruding: pair(|parts| parts.extruding),
            travel: pair(|parts| parts.travel),
            extrude_only: pair(|parts| parts.extrude_only),
            dwell: pair(TimeParts::standing),
            homing: pair(|parts| parts.homing),
            probing: pair(|parts| parts.probing),
            tool_change: pair(|parts| parts.tool_change),
            starved: pair(|parts| parts.starved),
            heating: pair(|parts| parts.heating),
        }
    }
}

impl<'a> From<&'a Sheets> for Machines<'a> {
    fn from(from: &'a Sheets) -> Self {
        let change = |change: &'a of::KeyChange| Change {
            key: &change.path,
            before: change.before.as_deref(),
            after: change.after.as_deref(),
        };
        let row = |row: &'a of::AuditRow| AuditRow {
            id: row.id,
            what: &row.what,
            severity: row.severity.into(),
            message: &row.message,
        };
        Self {
            before: (&from.before).into(),
            after: (&from.after).into(),
            changes: from.changes.iter().map(change).collect(),
            audit_worse: from.audit_worse.iter().map(row).collect(),
        }
    }
}

impl<'a> From<&'a Compared> for Job<'a> {
    fn from(from: &'a Compared) -> Self {
        match from {
            Ok(comparison) => Self::Judged(Box::new(comparison.into())),
            Err(unjudged) => Self::Unjudged { error: &unjudged.error, path: &unjudged.path },
        }
    }
}

impl<'a> From<&'a Comparison> for Judged<'a> {
    fn from(from: &'a Comparison) -> Self {
        let (before, after) = (&from.before, &from.after);
        let JobFacts { path, digest, .. } = &after.job;
        let change = match from.verdict() {
            Ordering::Greater => VerdictChange::Worse,
            Ordering::Less => VerdictChange::Better,
            Ordering::Equal => VerdictChange::Stays,
        };
        let over = of::Pair { before: before.flow_over_capacity_s, after: after.flow_over_capacity_s };
        let [commands_before, commands_after] = [before, after].map(|of| of.command_rate.map(|rate| rate.hz));
        let motor = |(motor, pair): (&'a str, of::Pair)| Motor { motor, rate: pair.into() };
        Self {
            path,
            digest,
            verdict: Verdicts {
                before: before.verdict.into(),
                after: after.verdict.into(),
                change,
                worse: from.is_worse(),
            },
            alike_in_time: from.is_alike_in_time(),
            time_s: Times::of(before.time_s, after.time_s),
            melt_rate_mm3_s: MeltRates {
                peak: of::Pair::both(before.flow.peak_mm3_s, after.flow.peak_mm3_s).into(),
                burst_peak: of::Pair::both(before.flow.burst_peak_mm3_s, after.flow.burst_peak_mm3_s).into(),
                sustained_peak: of::Pair::both(before.flow.sustained_peak_mm3_s, after.flow.sustained_peak_mm3_s)
                    .into(),
                peak_pushed: of::Pair::both(before.flow.pushed.peak_mm3_s, after.flow.pushed.peak_mm3_s).into(),
            },
            time_over_capacity_s: over.into(),
            time_over_capacity_pushed_s: of::Pair {
                before: before.flow.pushed.over_capacity_s,
                after: after.flow.pushed.over_capacity_s,
            }
            .into(),
            step_rates_hz: from.step_rates_hz().into_iter().map(motor).collect(),
            command_rate_hz: of::Pair { before: commands_before, after: commands_after }.into(),
            ringing: from
                .ringing_mm()
                .into_iter()
                .map(|(axis, peak, most)| Ringing { axis: axis.to_owned(), peak_mm: peak.into(), p95_mm: most.into() })
                .collect(),
            findings: from.shifts.iter().map(Into::into).collect(),
        }
    }
}

impl<'a> From<&'a of::Shift> for Shift<'a> {
    fn from(from: &'a of::Shift) -> Self {
        let side = |side: &'a of::Side| Side { count: side.count, line: side.line, messages: &side.messages };
        Self {
            change: match from.kind {
                of::ShiftKind::Gained => ShiftKind::Gained,
                of::ShiftKind::Changed => ShiftKind::Changed,
                of::ShiftKind::Lost => ShiftKind::Lost,
            },
            check: &from.check,
            severity: from.severity.into(),
            before: from.before.as_ref().map(side),
            after: from.after.as_ref().map(side),
            lines_gained: &from.lines_gained,
            lines_lost: &from.lines_lost,
            worse: from.worse.as_ref().map(Into::into),
            known_to_line: from.known_to_line,
        }
    }
}

impl<'a> From<&'a of::WorseFinding> for WorseFinding<'a> {
    fn from(from: &'a of::WorseFinding) -> Self {
        let unit = from.unit.as_ref();
        match from.what {
            Worse::Value { before, after, limit } => {
                Self { value: Some([before, after]), limit: Some(limit), count: None, unit }
            }
            Worse::Count { before, after } => Self { value: None, limit: None, count: Some([before, after]), unit },
        }
    }
}

impl From<&of::Totals> for Totals {
    fn from(from: &of::Totals) -> Self {
        let saved = from.saved.range().map(|(min, max)| {
            let [p10, p50, p90] = [0.1, 0.5, 0.9].map(|part| from.saved.quantile(part).unwrap_or(min));
            Saved { min, p10, p50, p90, max }
        });
        Self {
            jobs: from.jobs,
            unjudged: from.unjudged,
            worse: from.worse,
            better: from.better,
            worse_inside: from.worse_inside,
            findings_worse: from.findings_worse,
            findings_gained: from.gained,
            findings_lost: from.lost,
            time_s: Times::of(from.before_s, from.after_s),
            saved,
        }
    }
}

/// The JSON Schema of what `json` prints and of each line of `ndjson`.
pub fn schema() -> schemars::Schema {
    schemars::schema_for!(Any<'_>)
}

/// The JSON renderer: one document, or a line for the machines, one for each job and one for the totals.
pub struct JsonComparison {
    sheets: Sheets,
    frames: Frames,
}

impl JsonComparison {
    /// One document.
    pub fn document(sheets: Sheets) -> Self {
        Self { sheets, frames: Frames::new(SCHEMA, false) }
    }

    /// Line by line.
    pub fn lines(sheets: Sheets) -> Self {
        Self { sheets, frames: Frames::new(SCHEMA, true) }
    }

    /// What stands before a job.
    fn start(&mut self, out: &mut dyn Write) -> io::Result<()> {
        let Self { sheets, frames } = self;
        frames.start(|| Machines::from(&*sheets), |machines| line(What::Machines(machines)), out)
    }
}

fn line(what: What<'_>) -> Line<'_> {
    Line { schema: SCHEMA, what }
}

impl Report<Compared, of::Totals> for JsonComparison {
    fn add(&mut self, compared: &Compared, out: &mut dyn Write) -> io::Result<()> {
        self.start(out)?;
        self.frames.job(Job::from(compared), |job| line(What::Job(Box::new(job))), out)
    }

    fn finish(&mut self, totals: &of::Totals, out: &mut dyn Write) -> io::Result<()> {
        if self.frames.is_bare() {
            self.start(out)?;
        }
        self.frames.end(Totals::from(totals), |totals| line(What::Totals(Box::new(totals))), out)
    }
}

#[cfg(test)]
mod tests {
    use super::super::samples;
    use super::*;
    use serde_json::Value;

    fn render(mut report: JsonComparison, jobs: &[Compared]) -> String {
        let (mut out, mut totals) = (Vec::new(), of::Totals::default());
        for compared in jobs {
            totals.count(compared);
            report.add(compared, &mut out).expect("writes");
        }
        report.finish(&totals, &mut out).expect("writes");
        String::from_utf8(out).expect("UTF-8")
    }

    #[test]
    fn both_forms_fit_the_schema_and_hold_the_same() {
        let validator = jsonschema::validator_for(schema().as_value()).expect("the schema is one");
        for jobs in [&samples::all()[..], &[]] {
            let document = render(JsonComparison::document(samples::sheets()), jobs);
            let document: Value = serde_json::from_str(&document).expect("JSON");
            let faults: Vec<String> = validator.iter_errors(&document).map(|fault| fault.to_string()).collect();
            assert_eq!(faults, Vec::<String>::new());
            let text = render(JsonComparison::lines(samples::sheets()), jobs);
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
        assert!(!validator.is_valid(&serde_json::json!({ "schema": SCHEMA, "jobs": [] })));
    }

    #[test]
    fn numbers_are_those_of_the_inspections() {
        let text = render(JsonComparison::document(samples::sheets()), &[Ok(samples::worse())]);
        let value: Value = serde_json::from_str(&text).expect("JSON");
        let at = |pointer: &str| value.pointer(pointer).unwrap_or_else(|| panic!("{pointer} is missing")).clone();
        assert_eq!(
            at("/jobs/0/verdict"),
            serde_json::json!({ "before": "hold", "after": "no-go", "change": "worse", "worse": true })
        );
        assert_eq!(at("/jobs/0/time_s/travel/difference"), -100.25);
        assert_eq!(at("/jobs/0/step_rates_hz/0/difference"), 1500.0);
        assert_eq!(at("/jobs/0/command_rate_hz/before"), 212.5);
        assert_eq!(at("/jobs/0/findings/0/change"), "gained");
        assert_eq!(at("/jobs/0/findings/1/lines_gained/0"), 77);
        assert_eq!(at("/totals/worse"), 1);
        assert_eq!(at("/machines/changes/1/before"), Value::Null);
    }
}
