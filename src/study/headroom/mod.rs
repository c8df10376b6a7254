//! How far a limit may go: the values at which the verdict on a job stays what it is, found on real plans of the job.
//!
//! The job is read once and kept ([`LoadedJob`](crate::preflight::LoadedJob)). For each key the range from today's value on is scanned first, so that a
//! verdict which comes and goes is seen; then each change is closed in on by bisection. Nothing is assumed to be
//! monotonic: what happens between two neighbouring values of the scan and returns before the second stays unseen.
//!
//! A value *stands* when no check finds anything, at `hold` or `no-go`, that it does not find at today's value, or finds
//! worse there ([`Worse`]), and the audit of the sheet neither. Where something that is found today goes away is shown.
//!
//! A mode's band is narrow: where feed rates are raised on a machine with modes, the scan is refined until its steps are
//! at most [`FINE_STEP`]. [`Range::resolution`] says what may have been missed.
//!
//! Why does `headroom` scan before it bisects? A hotend that has cooled or heated on the way makes verdicts that come
//! back; bisection alone would report one of the crossings, and which one would be chance.

mod beyond;
mod needs;
mod plans;
mod search;
#[cfg(test)]
mod tests;

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};

use crate::findings::{Finding, Inspection, Severity, Worse};
use crate::machine::{
    ChangeError, Machine,
    keys::{self, Kind},
};

pub use needs::{Need, needs};
pub use search::{CLOSE_ENOUGH, FINE_STEP, OFFSET_CLOSE_C, OFFSET_STEP_C, SCAN_POINTS, explore, explore_kept, scan};

/// Which way a limit goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// Up from today's value.
    Raise,
    /// Down from it.
    Lower,
}

/// A key of the sheet, and which way it goes.
#[derive(Debug, Clone, PartialEq)]
pub struct RangeRequest {
    /// Dotted path.
    pub key: String,
    /// Which way.
    pub direction: Direction,
}

impl RangeRequest {
    /// True for what is added to the targets of a nozzle, which goes in equal steps and not in ratios.
    pub fn is_offset(&self) -> bool {
        keys::template(&self.key) == "tool[].nozzle_offset_c"
    }
}

/// Why a key cannot be varied.
#[derive(Debug, thiserror::Error)]
pub enum WishError {
    /// There is no such key, or it takes no such value.
    #[error(transparent)]
    Change(#[from] ChangeError),
    /// It has no value to start from.
    #[error("`{0}` has no value in this sheet to start from")]
    NoValue(String),
    /// It is not above 0 today.
    #[error("`{0}` is not above 0 today: the range is tried in equal ratios, so give it a small value first")]
    NotPositive(String),
    /// Its value is no number.
    #[error("`{0}` is no number that could be raised or lowered")]
    NoNumber(String),
}

/// The first thing that speaks against a value.
#[derive(Debug, Clone, PartialEq)]
pub struct Stop {
    /// The check.
    pub check: Cow<'static, str>,
    /// Its severity.
    pub severity: Severity,
    /// Line where it is worst.
    pub line: Option<u64>,
    /// What is wrong there.
    pub message: String,
    /// The worst value.
    pub value: Option<f64>,
    /// What it is held against.
    pub limit: Option<f64>,
    /// Unit of both.
    pub unit: Cow<'static, str>,
    /// How much worse it is than today, where it is found today already.
    pub worse: Option<Worse>,
    /// True when the audit of the sheet speaks, no check of the job.
    pub by_audit: bool,
}

/// A finding at `hold` or `no-go`, in numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// The check.
    pub check: Cow<'static, str>,
    /// Its severity.
    pub severity: Severity,
    /// How often.
    pub count: u64,
    /// The worst value.
    pub value: Option<f64>,
    /// What it is held against.
    pub limit: Option<f64>,
    /// Unit of both.
    pub unit: Cow<'static, str>,
}

/// Other limits that hold a key back.
#[derive(Debug, Clone, PartialEq)]
pub struct Cap {
    /// Their dotted paths.
    pub keys: Vec<String>,
    /// The value to which they and the key were raised together.
    pub value: f64,
    /// Time of the job then, s.
    pub time_s: f64,
    /// What speaks against that; none when it stands.
    pub stop: Option<Stop>,
}

/// A value that was planned.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// Of the key, in its unit.
    pub value: f64,
    /// Time of the job with it, s.
    pub time_s: f64,
    /// What speaks against it; none when it stands.
    pub stop: Option<Stop>,
    /// Checks that find something today, at `hold` or `no-go`, and less or nothing with this value.
    pub gone: Vec<Cow<'static, str>>,
    /// What is found with this value at `hold` or `no-go`; of limits of motion only what depends on speeds and times.
    pub found: Vec<Found>,
}

/// A place where the verdict changes.
#[derive(Debug, Clone, PartialEq)]
pub struct Crossing {
    /// The value on the side that stands, next to it.
    pub stands: Point,
    /// The value on the side that does not, at most [`CLOSE_ENOUGH`] away.
    pub fails: Point,
}

/// What is known of one key on one job.
#[derive(Debug, Clone, PartialEq)]
pub struct Range {
    /// Key and direction.
    pub wish: RangeRequest,
    /// Unit of its values.
    pub unit: &'static str,
    /// Today's value and all of the scan, in the order tried.
    pub points: Vec<Point>,
    /// Where the verdict changes, from today's value on.
    pub crossings: Vec<Crossing>,
    /// Why no further value was tried, where the range ends early.
    pub end: Option<String>,
    /// The nearest value the other way at which what is found today is gone, where each step this way makes it worse.
    pub within: Option<Point>,
    /// Other limits that hold it back, where its last step gains nothing.
    pub capped_by: Option<Cap>,
}

impl Range {
    /// The largest step between neighbours of the scan whose times differ, as a share: what comes and goes again within it
    /// stays unseen. None where no two differ, and for what goes in [equal steps](OFFSET_STEP_C).
    pub fn resolution(&self) -> Option<f64> {
        if self.wish.is_offset() {
            return None;
        }
        let step = |pair: &[Point]| (pair[1].value / pair[0].value).max(pair[0].value / pair[1].value) - 1.0;
        let differ = |pair: &&[Point]| pair[0].time_s != pair[1].time_s;
        self.points.windows(2).filter(differ).map(step).reduce(f64::max)
    }

    /// The nearest value that was tried at which nothing is found at `hold` or `no-go`, where something is found today.
    pub fn fits_at(&self) -> Option<&Point> {
        let fits = |point: &&Point| point.found.is_empty() && point.stop.is_none();
        self.points.iter().skip(1).find(fits).filter(|_| !self.today().found.is_empty())
    }

    /// Today's.
    pub fn today(&self) -> &Point {
        &self.points[0]
    }

    /// The last value that stands without any that does not on the way from today's.
    pub fn last_safe(&self) -> &Point {
        match self.crossings.first() {
            Some(crossing) => &crossing.stands,
            None => self.points.last().unwrap_or(&self.points[0]),
        }
    }

    /// What stops it; none when nothing does in the range tried.
    pub fn stop(&self) -> Option<&Stop> {
        self.crossings.first()?.fails.stop.as_ref()
    }

    /// True when values were tried, none changes the time of the job by a single bit, and none what is found.
    pub fn has_no_effect(&self) -> bool {
        let same = |point: &Point| point.time_s == self.today().time_s && point.stop.is_none() && point.gone.is_empty();
        self.points.len() > 1 && self.points.iter().all(same)
    }

    /// Neighbours of the scan between which something that is found today goes away, and what.
    pub fn relief(&self) -> impl Iterator<Item = (&Point, &Point, Vec<&str>)> {
        self.points.windows(2).filter_map(|pair| {
            let fresh = pair[1].gone.iter().filter(|check| !pair[0].gone.contains(check));
            let fresh: Vec<&str> = fresh.map(AsRef::as_ref).collect();
            (!fresh.is_empty()).then_some((&pair[0], &pair[1], fresh))
        })
    }
}

/// What is known of one job.
#[derive(Debug, Clone, PartialEq)]
pub struct Headroom {
    /// The report on the job today, without excerpts of the plan.
    pub today: Inspection,
    /// One for each wish, in their order.
    pub ranges: Vec<Range>,
    /// How many plans of the job were made.
    pub plans: usize,
}

/// The limits of motion of a machine that are above 0: what is raised when everything is asked for.
pub fn limits_of(machine: &Machine) -> Vec<RangeRequest> {
    let corner = machine.motion.limits.corner.key();
    let tables =
        ["motion.acceleration_mm_s2", "motion.acceleration_limit_mm_s2", "motion.feed_rate_limit_mm_s", corner];
    let of = |table: &'static str| keys::KEYS.iter().filter(move |key| key.path == table || key.table() == table);
    let numbers = tables.into_iter().flat_map(of).filter(|key| matches!(key.kind, Kind::Number { .. }));
    let set = numbers.filter(|key| machine.number_at(key.path).is_some_and(|value| value > 0.0));
    set.map(|key| RangeRequest { key: key.path.to_owned(), direction: Direction::Raise }).collect()
}

/// A check, which kind of its findings, and how severe.
type Fault = (Cow<'static, str>, u64, Severity);

/// What counts.
fn serious(inspection: &Inspection) -> impl Iterator<Item = Fault> {
    let of = |finding: &Finding| (finding.check.clone(), finding.kind, finding.severity);
    inspection.findings.iter().filter(|finding| finding.severity > Severity::Note).map(of)
}

/// What is found on the machine of today.
type Known = BTreeMap<Fault, Finding>;

fn known(inspection: &Inspection) -> Known {
    serious(inspection)
        .zip(inspection.findings.iter().filter(|finding| finding.severity > Severity::Note).cloned())
        .collect()
}

/// What is found that was not found before, or was better: the most severe, and the earliest of those.
fn first_new(inspection: &Inspection, known: &Known) -> Option<Stop> {
    let serious = inspection.findings.iter().filter(|finding| finding.severity > Severity::Note);
    let new = |finding: &'_ Finding| match known.get(&(finding.check.clone(), finding.kind, finding.severity)) {
        None => Some(None),
        Some(before) => Worse::between(before, finding).map(Some),
    };
    let (new, worse) = serious.clone().find_map(|finding| new(finding).map(|worse| (finding, worse)))?;
    Some(Stop {
        check: new.check.clone(),
        severity: new.severity,
        line: new.worst_line.or(new.line),
        message: new.message.clone(),
        value: new.value,
        limit: new.limit,
        unit: new.unit.clone(),
        worse,
        by_audit: false,
    })
}

/// What is found, in numbers.
fn found(inspection: &Inspection) -> Vec<Found> {
    let serious = inspection.findings.iter().filter(|finding| finding.severity > Severity::Note);
    let found = |of: &Finding| Found {
        check: of.check.clone(),
        severity: of.severity,
        count: of.count,
        value: of.value,
        limit: of.limit,
        unit: of.unit.clone(),
    };
    serious.map(found).collect()
}

/// What a report keeps of one job.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// Path as given.
    pub path: String,
    /// Today's verdict.
    pub verdict: crate::findings::Verdict,
    /// Today's time, s.
    pub time_s: f64,
    /// Of that, waiting for late commands that the plan leaves out, s at least; none where that is nothing to speak of.
    pub waiting_s: Option<f64>,
    /// Checks that find something today already, at `hold` or `no-go`.
    pub already: Vec<Cow<'static, str>>,
    /// True when the job sets limits of motion itself, in place of the sheet's.
    pub sets_limits: bool,
    /// What depends on the limits of motion and is not judged, for the sheet lacks its keys.
    pub not_judged: Vec<&'static str>,
    /// One for each wish, in their order.
    pub ranges: Vec<Range>,
    /// What the job needs, where that was asked for.
    pub needs: Vec<Need>,
    /// How many plans were made.
    pub plans: usize,
}

impl Judged {
    /// Keeps what a report needs.
    pub fn of(path: &str, found: Headroom, machine: &Machine, with_needs: bool) -> Self {
        let already: BTreeSet<Cow<'static, str>> = serious(&found.today).map(|(check, ..)| check).collect();
        Self {
            path: path.to_owned(),
            verdict: found.today.verdict,
            time_s: found.today.time_with_waiting_s(),
            waiting_s: found.today.waiting_left_out_s(),
            already: already.into_iter().collect(),
            sets_limits: found.today.limits_set_in_job,
            not_judged: crate::checks::not_timed(&found.today.checks_skipped),
            needs: if with_needs { needs(&found.today, machine) } else { Vec::new() },
            ranges: found.ranges,
            plans: found.plans,
        }
    }
}

/// What became of one job.
pub type Outcome = Result<Judged, crate::findings::Unjudged>;

/// The value of a key that is safe for all jobs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Common<'j> {
    /// Today's value.
    pub today: f64,
    /// The value.
    pub value: f64,
    /// Unit of both.
    pub unit: &'static str,
    /// The job that binds and what stops it there; none when no job does.
    pub binding: Option<(&'j Judged, &'j Stop)>,
}

/// The value of the wish of that number that is safe for all jobs: the nearest to today's of their last safe values; the
/// first job among equals binds. None without jobs.
pub fn for_all<'j>(judged: &[&'j Judged], wish: usize) -> Option<Common<'j>> {
    let far = |job: &Judged| {
        let range = &job.ranges[wish];
        let (safe, today) = (range.last_safe().value, range.today().value);
        if range.wish.is_offset() { (safe - today).abs() } else { (safe / today).ln().abs() }
    };
    let job = judged.iter().copied().min_by(|a, b| far(a).total_cmp(&far(b)))?;
    let range = &job.ranges[wish];
    Some(Common {
        today: range.today().value,
        value: range.last_safe().value,
        unit: range.unit,
        binding: range.stop().map(|stop| (job, stop)),
    })
}
