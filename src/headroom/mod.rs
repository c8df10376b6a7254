//! How far a limit may go: the values at which the verdict on a job stays what it is, found on real plans of the job.
//!
//! The job is read once and kept ([`Kept`]). For each key the range from today's value on is scanned first, so that a
//! verdict which comes and goes is seen; then each change is closed in on by bisection. Nothing is assumed to be
//! monotonic: what happens between two neighbouring values of the scan and returns before the second stays unseen.
//!
//! A value *stands* when no check finds anything, at `hold` or `no-go`, that it does not find at today's value. What is
//! found today already is not counted again; a sheet whose jobs pass says most.

mod needs;
mod plans;
#[cfg(test)]
mod tests;

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Arc;

use crate::crew::Crew;
use crate::inspection::{Inspection, Severity};
use crate::machine::keys::{self, Kind};
use crate::machine::{ChangeError, CornerRule, Machine};
use crate::preflight::{JobError, Kept, keep_path};
use plans::{Ask, Depth, Plan, Planning};

pub use needs::{Need, needs};

/// Values of the scan beyond today's.
pub const SCAN_POINTS: usize = 16;
/// A change of the verdict is closed in on to this share of the value.
pub const CLOSE_ENOUGH: f64 = 2e-4;
/// Digits of the values tried: what is reported is what was planned.
const DIGITS: usize = 5;

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
pub struct Wish {
    /// Dotted path.
    pub key: String,
    /// Which way.
    pub direction: Direction,
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
    /// It is 0 today.
    #[error("`{0}` is 0 today: the range is tried in equal ratios, so give it a small value first")]
    Zero(String),
    /// Its value is no number.
    #[error("`{0}` is no number that could be raised or lowered")]
    NoNumber(String),
}

/// The first thing that speaks against a value.
#[derive(Debug, Clone, PartialEq)]
pub struct Stop {
    /// The check.
    pub check: &'static str,
    /// Its severity.
    pub severity: Severity,
    /// Line where it is worst.
    pub line: Option<u64>,
    /// What is wrong there.
    pub message: String,
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
    pub wish: Wish,
    /// Unit of its values.
    pub unit: &'static str,
    /// Today's value and all of the scan, in the order tried.
    pub points: Vec<Point>,
    /// Where the verdict changes, from today's value on.
    pub crossings: Vec<Crossing>,
}

impl Range {
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

    /// True when no value changes the time of the job by a single bit, and none is spoken against.
    pub fn has_no_effect(&self) -> bool {
        self.crossings.is_empty() && self.points.iter().all(|point| point.time_s == self.today().time_s)
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
pub fn limits_of(machine: &Machine) -> Vec<Wish> {
    let corner = match machine.motion.limits.corner {
        CornerRule::Jerk => "motion.corner.jerk_mm_s",
        CornerRule::JunctionDeviation => "motion.corner.junction_deviation_mm",
    };
    let tables =
        ["motion.acceleration_mm_s2", "motion.acceleration_limit_mm_s2", "motion.feed_rate_limit_mm_s", corner];
    let of = |table: &'static str| keys::KEYS.iter().filter(move |key| key.path == table || key.table() == table);
    let numbers = tables.into_iter().flat_map(of).filter(|key| matches!(key.kind, Kind::Number { .. }));
    let set = numbers.filter(|key| machine.number_at(key.path).is_some_and(|value| value > 0.0));
    set.map(|key| Wish { key: key.path.to_owned(), direction: Direction::Raise }).collect()
}

/// Values of a wish from today's on: [`SCAN_POINTS`] in equal ratios up to `factor` times as much, or as little.
///
/// # Errors
/// When the key is none, or has no number to start from.
pub fn scan(machine: &Machine, wish: &Wish, factor: f64) -> Result<Vec<f64>, WishError> {
    let Some(today) = machine.number_at(&wish.key) else {
        // A key that is none says so.
        machine.with(&wish.key, "0").map(drop).or_else(|error| match error {
            ChangeError::NoKey { .. } | ChangeError::Table { .. } | ChangeError::NoTable { .. } => Err(error),
            _ => Ok(()),
        })?;
        let set = machine.origins.iter().any(|origin| origin.path == wish.key && !origin.value.is_empty());
        return Err(if set { WishError::NoNumber(wish.key.clone()) } else { WishError::NoValue(wish.key.clone()) });
    };
    if today <= 0.0 {
        return Err(WishError::Zero(wish.key.clone()));
    }
    let far = match wish.direction {
        Direction::Raise => factor,
        Direction::Lower => 1.0 / factor,
    };
    let step = |k: usize| if k == 0 { today } else { rounded(today * far.powf(k as f64 / SCAN_POINTS as f64)) };
    Ok((0..=SCAN_POINTS).map(step).collect())
}

/// To [`DIGITS`] digits.
fn rounded(value: f64) -> f64 {
    format!("{value:.*e}", DIGITS - 1).parse().unwrap_or(value)
}

/// Finds out how far each wish may go on the job at `path`, up to `factor` times today's value, with whoever of `crew`
/// has nothing else to do. Wishes must have passed [`scan`].
///
/// # Errors
/// When the job cannot be read, or not again where a key changes what is read.
pub fn explore<'e>(
    path: &Path,
    machine: &Machine,
    wishes: &[Wish],
    factor: f64,
    on_bytes: &'e (dyn Fn(u64) + Sync),
    crew: &Crew<'e>,
) -> Result<Headroom, JobError> {
    let kept = Arc::new(keep_path(path, machine, on_bytes, crew)?);
    explore_kept(&kept, path, machine, wishes, factor, crew)
}

/// The same on a job that was kept as `machine` reads it; `path` is where it can be read again.
///
/// # Errors
/// Like [`explore`].
pub fn explore_kept(
    kept: &Arc<Kept>,
    path: &Path,
    machine: &Machine,
    wishes: &[Wish],
    factor: f64,
    crew: &Crew<'_>,
) -> Result<Headroom, JobError> {
    let today = kept.judge(machine);
    let planning = Planning { kept: kept.clone(), path: path.to_owned(), known: serious(&today).collect() };
    let mut asks = Vec::new();
    let mut lengths = Vec::new();
    for wish in wishes {
        let values: Vec<f64> = scan(machine, wish, factor).unwrap_or_default().into_iter().skip(1).collect();
        // Values that the sheet does not take, such as a sustained rate above the peak, end the range.
        let machines = values.iter().map_while(|value| Some((*value, with(machine, wish, *value)?)));
        let before = asks.len();
        asks.extend(machines.map(|(_, machine)| Ask { machine, depth: depth(wish, Depth::Full) }));
        lengths.push((values, asks.len() - before));
    }
    let mut plans = asks.len() + 1;
    let mut scanned = plans::make(&planning, asks, crew)?.into_iter();
    let mut ranges = Vec::new();
    for (wish, (values, length)) in wishes.iter().zip(lengths) {
        let now = machine.number_at(&wish.key).unwrap_or(f64::NAN);
        let first = Point { value: now, time_s: today.time_s.total(), stop: None };
        let others = values.into_iter().zip(scanned.by_ref().take(length)).map(|(value, plan)| point(value, plan));
        let points = std::iter::once(first).chain(others).collect();
        let unit = keys::find(&keys::template(&wish.key)).map_or("", |key| key.unit);
        ranges.push(Range { wish: wish.clone(), unit, points, crossings: Vec::new() });
    }
    plans += close_in(&planning, machine, &mut ranges, crew)?;
    Ok(Headroom { today, ranges, plans })
}

/// Bisects all changes of the verdict together, a round of plans at a time; how many plans that took.
fn close_in(planning: &Planning, machine: &Machine, ranges: &mut [Range], crew: &Crew<'_>) -> Result<usize, JobError> {
    let mut open: Vec<(usize, Point, Point)> = Vec::new();
    for (at, range) in ranges.iter().enumerate() {
        let changes = range.points.windows(2).filter(|pair| pair[0].stop.is_some() != pair[1].stop.is_some());
        open.extend(changes.map(|pair| (at, pair[0].clone(), pair[1].clone())));
    }
    let mut plans = 0;
    loop {
        let middles: Vec<(usize, f64, Machine)> = open
            .iter()
            .enumerate()
            .filter_map(|(place, (at, near, far))| {
                let middle = between(near.value, far.value)?;
                Some((place, middle, with(machine, &ranges[*at].wish, middle)?))
            })
            .collect();
        if middles.is_empty() {
            break;
        }
        let ask =
            |place: usize, machine: Machine| Ask { machine, depth: depth(&ranges[open[place].0].wish, Depth::Early) };
        let asks = middles.iter().map(|(place, _, machine)| ask(*place, machine.clone())).collect();
        plans += middles.len();
        for ((place, value, _), plan) in middles.into_iter().zip(plans::make(planning, asks, crew)?) {
            let middle = point(value, plan);
            let (_, near, far) = &mut open[place];
            let side = if middle.stop.is_some() == near.stop.is_some() { near } else { far };
            *side = middle;
        }
    }
    Ok(plans + finish(planning, machine, ranges, open, crew)?)
}

/// Plans the failing sides to their end, so that the worst place is known.
fn finish(
    planning: &Planning,
    machine: &Machine,
    ranges: &mut [Range],
    open: Vec<(usize, Point, Point)>,
    crew: &Crew<'_>,
) -> Result<usize, JobError> {
    let mut asks = Vec::new();
    for (at, near, far) in &open {
        let failing = if near.stop.is_some() { near } else { far };
        let changed = with(machine, &ranges[*at].wish, failing.value).unwrap_or_else(|| machine.clone());
        asks.push(Ask { machine: changed, depth: depth(&ranges[*at].wish, Depth::Full) });
    }
    let count = asks.len();
    for ((at, near, far), plan) in open.into_iter().zip(plans::make(planning, asks, crew)?) {
        let (stands, fails) = if near.stop.is_some() { (far, near) } else { (near, far) };
        let fails = point(fails.value, plan);
        ranges[at].crossings.push(Crossing { stands, fails });
    }
    Ok(count)
}

fn point(value: f64, plan: Plan) -> Point {
    Point { value, time_s: plan.time_s, stop: plan.stop }
}

/// A value between two, with few digits; none when they are close enough.
fn between(a: f64, b: f64) -> Option<f64> {
    if (a - b).abs() <= CLOSE_ENOUGH * a.abs().min(b.abs()) {
        return None;
    }
    let middle = rounded((a * b).sqrt());
    (middle > a.min(b) && middle < a.max(b)).then_some(middle)
}

fn with(machine: &Machine, wish: &Wish, value: f64) -> Option<Machine> {
    machine.with(&wish.key, &format!("{value:?}")).ok()
}

/// Limits of motion change speeds and times only; other keys may change anything.
fn depth(wish: &Wish, depth: Depth) -> Depth {
    if wish.key.starts_with("motion.") { depth } else { Depth::Whole }
}

/// Checks and severities that count.
fn serious(inspection: &Inspection) -> impl Iterator<Item = (&'static str, Severity)> {
    inspection.findings.iter().filter(|finding| finding.severity > Severity::Note).map(|f| (f.check, f.severity))
}

/// What is found that was not found before: the most severe, and the earliest of those.
fn first_new(inspection: &Inspection, known: &BTreeSet<(&'static str, Severity)>) -> Option<Stop> {
    let new = inspection
        .findings
        .iter()
        .find(|finding| finding.severity > Severity::Note && !known.contains(&(finding.check, finding.severity)))?;
    Some(Stop {
        check: new.check,
        severity: new.severity,
        line: new.worst_line.or(new.line),
        message: new.message.clone(),
    })
}

/// What a report keeps of one job.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// Path as given.
    pub path: String,
    /// Today's verdict.
    pub verdict: crate::inspection::Verdict,
    /// Today's time, s.
    pub time_s: f64,
    /// Checks that find something today already, at `hold` or `no-go`.
    pub already: Vec<&'static str>,
    /// True when the job sets limits of motion itself, in place of the sheet's.
    pub sets_limits: bool,
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
        let already: BTreeSet<&'static str> = serious(&found.today).map(|(check, _)| check).collect();
        Self {
            path: path.to_owned(),
            verdict: found.today.verdict,
            time_s: found.today.time_s.total(),
            already: already.into_iter().collect(),
            sets_limits: machine.controller.obeys_limits_in_job
                && found.today.findings.iter().any(|finding| finding.check == "limits-changed-in-job"),
            needs: if with_needs { needs(&found.today, machine) } else { Vec::new() },
            ranges: found.ranges,
            plans: found.plans,
        }
    }
}

/// What became of one job.
pub type Outcome = Result<Judged, crate::queue::Unjudged>;

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
        (range.last_safe().value / range.today().value).ln().abs()
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
