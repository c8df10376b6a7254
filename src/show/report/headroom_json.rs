//! How far limits may go, for programs: its own types, so that the published shape never changes by accident.
//!
//! Numbers are not rounded. A number that is not finite is written as null.

use std::borrow::Cow;
use std::io::{self, Write};

use schemars::JsonSchema;
use serde::Serialize;

use super::headroom::Shape;
use super::json::{Machine, Verdict, write_value};
use crate::findings;
use crate::study::headroom::{self as of, Direction, Outcome, for_all};

/// Name and version of the shape.
pub const SCHEMA: &str = "gonogo.headroom/1";

/// How far limits may go.
#[derive(Serialize, JsonSchema)]
#[schemars(title = "gonogo headroom")]
pub struct Headroom<'a> {
    /// Name and version of the shape.
    #[schemars(extend("const" = SCHEMA))]
    schema: &'static str,
    /// The machine of today.
    machine: Machine<'a>,
    /// Values were tried up to that many times today's, or down to that part of it.
    factor: f64,
    /// Every job, in the order given.
    jobs: Vec<Job<'a>>,
    /// For each key what is safe for all jobs that were judged; empty without any.
    for_all: Vec<Common<'a>>,
}

/// One job.
#[derive(Serialize, JsonSchema)]
pub struct Job<'a> {
    /// Path as given.
    path: &'a str,
    /// Why it could not be judged; null when it was.
    error: Option<&'a str>,
    /// Today's verdict.
    verdict: Option<Verdict>,
    /// Today's time.
    time_s: Option<f64>,
    /// Checks that find something today already, which is not counted again.
    already: &'a [Cow<'static, str>],
    /// True when the job sets limits of motion itself, in place of the sheet's.
    sets_limits: bool,
    /// One for each key.
    ranges: Vec<Range<'a>>,
    /// What the job needs, where that was asked for.
    needs: Vec<Need<'a>>,
    /// How many plans of the job were made.
    plans: usize,
}

/// One key on one job.
#[derive(Serialize, JsonSchema)]
pub struct Range<'a> {
    /// Dotted path in the sheet.
    key: &'a str,
    /// Which way it goes.
    direction: Way,
    /// Unit of its values.
    unit: &'a str,
    /// Today's value.
    today: f64,
    /// The last value that stands without any that does not on the way.
    last_safe: Point<'a>,
    /// True when no value changes anything.
    without_effect: bool,
    /// Today's value and all of the scan.
    points: Vec<Point<'a>>,
    /// Where the verdict changes.
    crossings: Vec<Crossing<'a>>,
    /// Why no further value was tried; null where all of the range was.
    end: Option<&'a str>,
    /// The largest step between two values tried whose times differ, as a share; null where no two differ. What comes and
    /// goes within it stays unseen.
    resolution: Option<f64>,
    /// The nearest value the other way at which what is found today is gone, where each step this way makes it worse.
    within: Option<Point<'a>>,
    /// Other limits that hold it back, where its last step gains nothing; null where none is known.
    capped_by: Option<Cap<'a>>,
}

/// Which way a value goes.
#[derive(Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Way {
    /// Up.
    Raise,
    /// Down.
    Lower,
}

/// A value that was planned.
#[derive(Serialize, JsonSchema)]
pub struct Point<'a> {
    /// Of the key.
    value: f64,
    /// Time of the job with it.
    time_s: f64,
    /// What speaks against it; null when it stands.
    stop: Option<Stop<'a>>,
    /// Checks that find something today, and less or nothing with this value.
    gone: &'a [Cow<'static, str>],
    /// What is found with this value at `hold` or `no-go`; of limits of motion only what depends on speeds and times.
    found: Vec<Found<'a>>,
}

/// Other limits that hold a key back.
#[derive(Serialize, JsonSchema)]
pub struct Cap<'a> {
    /// Their dotted paths.
    keys: &'a [String],
    /// The value to which they and the key were raised together.
    value: f64,
    /// Time of the job then.
    time_s: f64,
    /// What speaks against that; null when it stands.
    stop: Option<Stop<'a>>,
}

/// A finding in numbers.
#[derive(Serialize, JsonSchema)]
pub struct Found<'a> {
    /// The check.
    check: &'a str,
    /// `hold` or `no-go`.
    severity: &'static str,
    /// How often.
    count: u64,
    /// The worst value; null where it has none.
    value: Option<f64>,
    /// What it is held against.
    limit: Option<f64>,
    /// Unit of both.
    unit: &'a str,
}

/// How much worse than today; one of the two pairs is there.
#[derive(Serialize, JsonSchema)]
pub struct Worse {
    /// The worst value today and with this value.
    #[serde(skip_serializing_if = "Option::is_none")]
    value: Option<[f64; 2]>,
    /// How often today and with this value.
    #[serde(skip_serializing_if = "Option::is_none")]
    count: Option<[u64; 2]>,
}

/// What speaks against a value.
#[derive(Serialize, JsonSchema)]
pub struct Stop<'a> {
    /// The check.
    check: &'a str,
    /// `hold` or `no-go`.
    severity: &'static str,
    /// Line where it is worst.
    line: Option<u64>,
    /// What is wrong there.
    message: &'a str,
    /// The worst value; null where it has none.
    value: Option<f64>,
    /// What it is held against.
    limit: Option<f64>,
    /// Unit of both.
    unit: &'a str,
    /// How much worse it is than today; null where it is not found today.
    worse: Option<Worse>,
    /// True when the audit of the sheet speaks, no check of the job.
    by_audit: bool,
}

/// Two values next to each other of which one stands.
#[derive(Serialize, JsonSchema)]
pub struct Crossing<'a> {
    /// This one stands.
    stands: Point<'a>,
    /// This one does not.
    fails: Point<'a>,
}

/// One thing that a job asks of a machine.
#[derive(Serialize, JsonSchema)]
pub struct Need<'a> {
    /// What.
    what: &'a str,
    /// How much.
    needed: f64,
    /// `at-least` or `at-most`.
    bound: &'static str,
    /// What the sheet gives; null where it says nothing.
    given: Option<f64>,
    /// Unit of both.
    unit: &'a str,
    /// Line that needs it.
    line: Option<u64>,
    /// True when the sheet gives less.
    short: bool,
}

/// What is safe for all jobs.
#[derive(Serialize, JsonSchema)]
pub struct Common<'a> {
    /// Dotted path in the sheet.
    key: &'a str,
    /// Unit of the values.
    unit: &'a str,
    /// Today's value.
    today: f64,
    /// The value.
    value: f64,
    /// Path of the job that binds; null when none does.
    job: Option<&'a str>,
    /// What stops it there.
    stop: Option<Stop<'a>>,
}

/// For programs.
///
/// # Errors
/// What the writer says.
pub fn write(shape: &Shape, outcomes: &[Outcome], out: &mut dyn Write) -> io::Result<()> {
    let Shape { machine, wishes, factor, .. } = shape;
    let factor = *factor;
    let judged: Vec<&of::Judged> = outcomes.iter().filter_map(|outcome| outcome.as_ref().ok()).collect();
    let common = wishes.iter().enumerate().filter_map(|(at, wish)| {
        let common = for_all(&judged, at)?;
        Some(Common {
            key: &wish.key,
            unit: common.unit,
            today: common.today,
            value: common.value,
            job: common.binding.map(|(job, _)| job.path.as_str()),
            stop: common.binding.map(|(_, found)| stop(found)),
        })
    });
    let headroom = Headroom {
        schema: SCHEMA,
        machine: machine.into(),
        factor,
        jobs: outcomes.iter().map(job).collect(),
        for_all: common.collect(),
    };
    write_value(&headroom, true, out)?;
    writeln!(out)
}

/// JSON Schema (draft 2020-12) of the report.
pub fn schema() -> schemars::Schema {
    schemars::schema_for!(Headroom<'_>)
}

fn job(outcome: &Outcome) -> Job<'_> {
    match outcome {
        Ok(judged) => Job {
            path: &judged.path,
            error: None,
            verdict: Some(judged.verdict.into()),
            time_s: Some(judged.time_s),
            already: &judged.already,
            sets_limits: judged.sets_limits,
            ranges: judged.ranges.iter().map(range).collect(),
            needs: judged.needs.iter().map(need).collect(),
            plans: judged.plans,
        },
        Err(unjudged) => Job {
            path: &unjudged.path,
            error: Some(&unjudged.error),
            verdict: None,
            time_s: None,
            already: &[],
            sets_limits: false,
            ranges: Vec::new(),
            needs: Vec::new(),
            plans: 0,
        },
    }
}

fn range(range: &of::Range) -> Range<'_> {
    Range {
        key: &range.wish.key,
        direction: match range.wish.direction {
            Direction::Raise => Way::Raise,
            Direction::Lower => Way::Lower,
        },
        unit: range.unit,
        today: range.today().value,
        last_safe: point(range.last_safe()),
        without_effect: range.has_no_effect(),
        points: range.points.iter().map(point).collect(),
        crossings: range.crossings.iter().map(crossing).collect(),
        end: range.end.as_deref(),
        resolution: range.resolution(),
        within: range.within.as_ref().map(point),
        capped_by: range.capped_by.as_ref().map(|cap| Cap {
            keys: &cap.keys,
            value: cap.value,
            time_s: cap.time_s,
            stop: cap.stop.as_ref().map(stop),
        }),
    }
}

fn crossing(crossing: &of::Crossing) -> Crossing<'_> {
    Crossing { stands: point(&crossing.stands), fails: point(&crossing.fails) }
}

fn point(point: &of::Point) -> Point<'_> {
    Point {
        value: point.value,
        time_s: point.time_s,
        stop: point.stop.as_ref().map(stop),
        gone: &point.gone,
        found: point.found.iter().map(found).collect(),
    }
}

fn found(found: &of::Found) -> Found<'_> {
    Found {
        check: &found.check,
        severity: findings::Severity::word(found.severity),
        count: found.count,
        value: found.value,
        limit: found.limit,
        unit: &found.unit,
    }
}

fn stop(stop: &of::Stop) -> Stop<'_> {
    Stop {
        check: &stop.check,
        severity: findings::Severity::word(stop.severity),
        line: stop.line,
        message: &stop.message,
        value: stop.value,
        limit: stop.limit,
        unit: &stop.unit,
        worse: stop.worse.map(worse),
        by_audit: stop.by_audit,
    }
}

fn worse(worse: findings::Worse) -> Worse {
    match worse {
        findings::Worse::Value { before, after, .. } => Worse { value: Some([before, after]), count: None },
        findings::Worse::Count { before, after } => Worse { value: None, count: Some([before, after]) },
    }
}

fn need(need: &of::Need) -> Need<'_> {
    Need {
        what: &need.what,
        needed: need.needed,
        bound: if need.at_most { "at-most" } else { "at-least" },
        given: need.given,
        unit: need.unit,
        line: need.line,
        short: need.is_short(),
    }
}
