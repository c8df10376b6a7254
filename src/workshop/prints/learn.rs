//! Prints → the clock of a machine, how well it foretells, and what the prints cannot tell.

use std::collections::BTreeMap;

use super::drift::{self, Change, median};
use super::robust::{self, Belief, Fitted, NORMAL_95, Sample};
use super::{Compared, Doubt, Print, plan_digest};
use crate::machine::{LearnedClock, Machine};
use crate::physics::wall_clock::{SPREAD_FLOOR_S, TERMS, WallClock, WallTime, WarmUp, half_s, term};

/// With fewer jobs nothing is learned: leaving out one, too little is left to say how well it foretells.
pub const JOBS_MIN: usize = 3;
/// Most prints that are learned from, the most recent ones: older ones tell of a machine that it was.
const PRINTS_MAX: usize = 400;
/// Deviations from here on, in scales, are called prints that do not fit: of t-distributed ones with three degrees of freedom
/// one in a hundred, by published tables (5.841).
const UNFIT: f64 = 5.841;
/// Where the sheet gives a number, prints may still move it: by this much in its logarithm, about a third.
const SHEET_LOG_SD: f64 = 0.35;
/// Sheets give numbers for a model; from these seconds on they are a start for one.
const SHEET_LEAST_S: f64 = 1.0;
const SHEET_MOST_S: f64 = 1e5;
/// A number whose uncertainty has not shrunk to this share of what was believed is one that prints say little about.
const LITTLE_LEARNED: f64 = 0.9;

/// What is believed of each number where neither sheet nor prints say anything: median and standard deviation of its
/// logarithm. Weak on purpose: a few prints overrule them.
const USUAL: [(f64, f64); TERMS] = [
    // Start macros, purging, cooling at the end: from half a minute to some minutes.
    (120.0, 1.2),
    // The planner is held to controllers' rules; what it leaves out makes prints a few per cent longer.
    (1.0, 0.08),
    // Plates with their heater: from the power and mass of usual ones, 150 to 600 s.
    (300.0, 0.7),
    // Hotends: 60 to 250 s.
    (120.0, 0.7),
    (15.0, 1.0),
    // One touch of the bed, or a mesh of it.
    (30.0, 1.0),
    (20.0, 1.0),
];

/// Name of each number for people, and of its key in `[clock]`.
const NAMES: [(&str, &str); TERMS] = [
    ("start", "start_s"),
    ("motion", "factor"),
    ("heating the bed", "bed_time_constant_s"),
    ("heating the nozzle", "nozzle_time_constant_s"),
    ("a homing", "homing_s"),
    ("a probing", "probing_s"),
    ("a tool change", "tool_change_s"),
];

/// Too few prints.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "the clock is learned from finished prints of at least {JOBS_MIN} jobs, and there {} {jobs}: tell more with `gonogo prints add`",
    if *.jobs == 1 { "is" } else { "are" }
)]
pub struct TooFew {
    /// Different jobs that prints count of.
    pub jobs: usize,
}

/// Why a print is not learned from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// It was aborted.
    Aborted,
    /// It was made on a machine of another name.
    OtherMachine,
    /// Its parts come from another version of the model or another sheet, and its job is not at hand.
    OldPlan,
    /// It was made before those that were asked for, or when is not known.
    Before,
    /// There are more recent ones than are learned from.
    TooOld,
}

/// A print that is not learned from.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOut {
    /// Which, as counted in the prints given.
    pub print: usize,
    /// Why.
    pub why: Why,
}

/// What a number rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// Prints.
    Prints,
    /// What the sheet gives, hardly changed: prints say little about it.
    Sheet,
    /// What is usual: prints say little about it.
    Usual,
}

/// A number of the clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Number {
    /// Name for people.
    pub name: &'static str,
    /// Key in `[clock]`.
    pub key: &'static str,
    /// Its value: s, or for motion a factor.
    pub value: f64,
    /// Lower end of its 90 % interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// What it rests on.
    pub source: Source,
    /// All prints ask for it alike: it cannot be told from the start.
    pub is_one_with_start: bool,
}

/// A print and what was foretold of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Forecast {
    /// Which, as counted in the prints given.
    pub print: usize,
    /// What it took without waits, s.
    pub took_s: f64,
    /// What the sheet as it is foretells, s: by its clock, else by the plan.
    pub before_s: f64,
    /// What the plan alone foretells, s.
    pub plan_s: f64,
    /// The interval of the sheet's clock, s.
    pub before: Option<WallTime>,
    /// What is foretold by a clock that was learned without this job, s.
    pub without: WallTime,
    /// False where it is so far off that it cannot be a print of this job as it is.
    pub fits: bool,
}

/// From which print on prints are learned from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Since {
    /// The first that was started at this time or later, as [`started()`](super::started()) has it.
    Start(String),
    /// This one, as counted in the prints given.
    Print(usize),
}

/// What was learned.
#[derive(Debug, Clone, PartialEq)]
pub struct Learned {
    /// The clock, rounded as it is written.
    pub clock: LearnedClock,
    /// Its numbers, those that prints ask for.
    pub numbers: Vec<Number>,
    /// The prints it was learned from, in their order in time.
    pub forecasts: Vec<Forecast>,
    /// Of how many jobs.
    pub jobs: usize,
    /// How well the prints are foretold: by the sheet as it was, by the plan, by clocks without the job.
    pub scores: Compared,
    /// Why the clock is no good and should not be put into a sheet; none where it is.
    pub doubt: Option<Doubt>,
    /// Prints that were not learned from.
    pub left_out: Vec<LeftOut>,
    /// Whether the order of prints is that of their starts; else it is that of the file.
    pub ordered_by_start: bool,
    /// Since which print (as counted in [`Self::forecasts`]) prints take longer or shorter, and by what share.
    pub drift: Option<(usize, Change)>,
}

/// Learns the clock of a machine.
///
/// # Errors
/// When too few jobs are left.
pub fn learn(machine: &Machine, prints: &[Print]) -> Result<Learned, TooFew> {
    learn_since(machine, prints, None)
}

/// The same from prints since one of them, or since a time.
///
/// # Errors
/// When too few jobs are left.
pub fn learn_since(machine: &Machine, prints: &[Print], since: Option<&Since>) -> Result<Learned, TooFew> {
    let (used, left_out, ordered_by_start) = select(machine, prints, since);
    let warm_up = WarmUp::of(machine);
    let jobs = jobs_of(prints, &used);
    let count = jobs.iter().max().map_or(0, |most| most + 1);
    if count < JOBS_MIN {
        return Err(TooFew { jobs: count });
    }
    let sample = |(at, job): (&usize, &usize)| {
        let print = &prints[*at];
        let (terms, fixed_s) = (warm_up.terms(&print.parts), warm_up.fixed_s(&print.parts));
        Sample { terms, fixed_s, took_s: print.took_s(), job: *job }
    };
    let samples: Vec<Sample> = used.iter().zip(&jobs).map(sample).collect();
    let (belief, from_sheet) = belief(machine);
    let fitted = robust::fit(&samples.iter().collect::<Vec<_>>(), &belief);
    let forecasts = forecasts(machine, prints, &used, &samples, &belief, count);
    let drift = drift_of(&forecasts, &samples);
    let numbers = numbers(&fitted, &samples, &belief, from_sheet);
    let clock = rounded(&fitted, samples.len());
    // What the new clock says of prints it has seen, as it would stand in the sheet.
    let meant = machine.clock.map_or(clock, |before| clock.or(&before));
    let new = WallClock::planned(machine).set(&meant);
    let seen: Vec<WallTime> = used.iter().filter_map(|at| new.time(&prints[*at].parts)).collect();
    let scores = Compared::of(&forecasts, &seen);
    let doubt = scores.doubt(&forecasts);
    Ok(Learned { clock, numbers, forecasts, jobs: count, scores, doubt, left_out, ordered_by_start, drift })
}

/// The prints that count, in the order of their starts where all have one; those that do not; whether they are so ordered.
fn select(machine: &Machine, prints: &[Print], since: Option<&Since>) -> (Vec<usize>, Vec<LeftOut>, bool) {
    let digest = plan_digest(machine);
    let is_before = |print: &Print| match since {
        // One whose start is not known may be older.
        Some(Since::Start(start)) => print.started.as_ref().is_none_or(|started| started < start),
        _ => false,
    };
    let why = |print: &Print| match (print.is_of(&machine.name), print.aborted, print.is_old(&digest)) {
        (true, false, _) if is_before(print) => Some(Why::Before),
        (false, ..) => Some(Why::OtherMachine),
        (_, true, _) => Some(Why::Aborted),
        (.., true) => Some(Why::OldPlan),
        _ => None,
    };
    let (mut used, mut left_out) = (Vec::new(), Vec::new());
    for (print, of) in prints.iter().enumerate() {
        match why(of) {
            None => used.push(print),
            Some(why) => left_out.push(LeftOut { print, why }),
        }
    }
    let ordered = used.iter().all(|at| prints[*at].started.is_some());
    if ordered {
        used.sort_by(|a, b| prints[*a].started.cmp(&prints[*b].started));
    }
    if let Some(Since::Print(first)) = since {
        // One without a start is where it stands.
        let by_start = ordered && prints[*first].started.is_some();
        let place = |at: usize| (prints[at].started.as_ref().filter(|_| by_start), at);
        let (before, from) = used.into_iter().partition(|at| place(*at) < place(*first));
        used = from;
        left_out.extend(Vec::into_iter(before).map(|print| LeftOut { print, why: Why::Before }));
    }
    let too_old = used.len().saturating_sub(PRINTS_MAX);
    left_out.extend(used.drain(..too_old).map(|print| LeftOut { print, why: Why::TooOld }));
    left_out.sort_by_key(|left| left.print);
    (used, left_out, ordered)
}

/// A number for each job, the same where name or digest are the same: a job that was sliced anew is too much like the old one
/// to be foretold without it.
fn jobs_of(prints: &[Print], used: &[usize]) -> Vec<usize> {
    let (mut known, mut count) = (BTreeMap::new(), 0);
    used.iter()
        .map(|at| {
            let print = &prints[*at];
            let names = [Some(("name", &print.job)), print.job_digest.as_ref().map(|digest| ("digest", digest))];
            let names = names.into_iter().flatten();
            let number = names.clone().find_map(|name| known.get(&name).copied()).unwrap_or_else(|| {
                count += 1;
                count - 1
            });
            names.for_each(|name| {
                known.insert(name, number);
            });
            number
        })
        .collect()
}

/// What is believed before any print, and which of it comes from the sheet.
fn belief(machine: &Machine) -> (Belief, [bool; TERMS]) {
    let unasked = WallClock::planned(machine).numbers();
    let (mut median, mut log_sd) = (USUAL.map(|(median, _)| median), USUAL.map(|(_, sd)| sd));
    let mut from_sheet = [false; TERMS];
    for of in [term::BED, term::NOZZLE, term::HOMING, term::PROBING, term::TOOL] {
        if (SHEET_LEAST_S..=SHEET_MOST_S).contains(&unasked[of]) {
            (median[of], log_sd[of], from_sheet[of]) = (unasked[of], SHEET_LOG_SD, true);
        }
    }
    (Belief { median, log_sd, unasked }, from_sheet)
}

fn forecasts(
    machine: &Machine,
    prints: &[Print],
    used: &[usize],
    samples: &[Sample],
    belief: &Belief,
    jobs: usize,
) -> Vec<Forecast> {
    let before = WallClock::learned(machine);
    let plan = WallClock::planned(machine);
    let without = |job: usize| {
        let others: Vec<&Sample> = samples.iter().filter(|sample| sample.job != job).collect();
        (robust::fit(&others, belief), others.len() as u64)
    };
    let fits: Vec<(Fitted, u64)> = (0..jobs).map(without).collect();
    let forecast = |(at, sample): (&usize, &Sample)| {
        let parts = &prints[*at].parts;
        let (fitted, from_prints) = &fits[sample.job];
        let expected_s = fitted.expected_s(sample);
        let half =
            half_s(fitted.spread, expected_s, fitted.factor_spread(), sample.terms[term::FACTOR] - fitted.motion_s);
        let unit_s = fitted.scale * (expected_s + SPREAD_FLOOR_S);
        Forecast {
            print: *at,
            took_s: sample.took_s,
            before_s: before.unwrap_or(plan).expected_s(parts),
            plan_s: plan.expected_s(parts),
            before: before.and_then(|clock| clock.time(parts)),
            without: WallTime {
                expected_s,
                low_s: (expected_s - half).max(0.0),
                high_s: expected_s + half,
                from_prints: *from_prints,
            },
            fits: (sample.took_s - expected_s).abs() <= UNFIT * unit_s,
        }
    };
    used.iter().zip(samples).map(forecast).collect()
}

/// Prints of one job right after one another count once: what is wrong with the plan of that job is in all of them.
fn drift_of(forecasts: &[Forecast], samples: &[Sample]) -> Option<(usize, Change)> {
    let (mut firsts, mut values, mut run) = (Vec::new(), Vec::new(), Vec::new());
    for (at, of) in forecasts.iter().enumerate() {
        if at == 0 || samples[at].job != samples[at - 1].job {
            values.extend(median(&run));
            firsts.push(at);
            run.clear();
        }
        run.push((of.took_s - of.without.expected_s) / (of.without.expected_s + SPREAD_FLOOR_S));
    }
    values.extend(median(&run));
    let change = drift::clear(&values)?;
    Some((firsts[change.at], change))
}

fn numbers(fitted: &Fitted, samples: &[Sample], belief: &Belief, from_sheet: [bool; TERMS]) -> Vec<Number> {
    let number = |of: usize| {
        let log_sd = fitted.log_sd[of]?;
        let (name, key) = NAMES[of];
        let factor = (NORMAL_95 * log_sd).exp();
        let is_one = of != term::START && samples.iter().all(|sample| sample.terms[of] == samples[0].terms[of]);
        let source = match (log_sd > LITTLE_LEARNED * belief.log_sd[of], from_sheet[of]) {
            (false, _) => Source::Prints,
            (true, true) => Source::Sheet,
            (true, false) => Source::Usual,
        };
        let value = fitted.numbers[of];
        Some(Number { name, key, value, low: value / factor, high: value * factor, source, is_one_with_start: is_one })
    };
    (0..TERMS).filter_map(number).collect()
}

/// As it is written: no digits that nobody knows.
fn rounded(fitted: &Fitted, prints: usize) -> LearnedClock {
    let asked = |of: usize| fitted.log_sd[of].map(|_| (fitted.numbers[of] * 10.0).round() / 10.0);
    let law = |of: usize| asked(of).map(|seconds| seconds.max(0.1));
    let fine = |value: f64| (value * 1e4).round() / 1e4;
    LearnedClock {
        start_s: asked(term::START).unwrap_or(0.0),
        factor: fine(fitted.numbers[term::FACTOR]).clamp(0.1, 10.0),
        spread: fine(fitted.spread).min(10.0),
        factor_spread: Some(fine(fitted.factor_spread()).min(10.0)),
        motion_s: Some(fitted.motion_s.round()),
        from_prints: prints as u64,
        bed_time_constant_s: law(term::BED),
        nozzle_time_constant_s: law(term::NOZZLE),
        homing_s: asked(term::HOMING),
        probing_s: asked(term::PROBING),
        tool_change_s: asked(term::TOOL),
    }
}
