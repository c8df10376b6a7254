//! What was learned from finished prints, for programs: its own types, so that the published shape never changes by accident.
//!
//! Numbers are not rounded but for those of the clock, which are the ones written into a sheet.

use std::io::{self, Write};

use schemars::JsonSchema;
use serde::Serialize;

use super::json::{Machine, write_value};
use super::learn::Told;
use crate::machine::LearnedClock;
use crate::physics::wall_clock::MODEL_VERSION;
use crate::workshop::prints::drift::FALSE_ALARMS_ONE_IN;
use crate::workshop::prints::{self as of, Source};

/// Name and version of the shape.
pub const SCHEMA: &str = "gonogo.learn/1";

/// What was learned.
#[derive(Serialize, JsonSchema)]
#[schemars(title = "gonogo learn")]
pub struct Learn<'a> {
    /// Name and version of the shape.
    #[schemars(extend("const" = SCHEMA))]
    schema: &'static str,
    /// Whose clock.
    machine: Machine<'a>,
    /// Path of the file of prints.
    source: &'a str,
    /// Version of the model of the planned parts.
    model: u32,
    /// The clock.
    clock: Clock,
    /// Path of the sheet that it was written into; null where nothing was written.
    written: Option<&'a str>,
    /// How well the sheet as it was foretells the prints: its clock, which may have seen them, else the plan.
    before: Scores,
    /// How well the plan alone foretells them.
    plan: Scores,
    /// How well clocks foretell them that were learned without the job at hand.
    after: Scores,
    /// How well the new clock foretells them, which has seen them all.
    seen: Scores,
    /// Why the clock is no good and is not put into a sheet; null where it is.
    doubt: Option<Doubt>,
    /// Keys of the sheet's `[clock]` that stay as they are: these prints say nothing about them.
    kept: Vec<&'static str>,
    /// What was fitted, with uncertainty.
    numbers: Vec<Number>,
    /// Prints that were learned from, in their order in time.
    prints: Vec<Print<'a>>,
    /// Prints that were not.
    left_out: Vec<LeftOut<'a>>,
    /// Rows that are no print.
    faults: Vec<Fault<'a>>,
    /// Rows that say again what others say.
    repeated: Vec<Repeated>,
    /// What changed in the course of time; null where nothing is clear.
    drift: Option<Drift<'a>>,
    /// At most this share of steady machines is said to drift.
    drift_false_alarms: f64,
}

/// The clock, as it is in a sheet.
#[derive(Serialize, JsonSchema)]
pub struct Clock {
    /// Time a print takes besides all its parts, s.
    start_s: f64,
    /// Times the planned motion.
    factor: f64,
    /// Half of the 90 % interval, as a share of the time and five minutes.
    spread: f64,
    /// Half of the 90 % interval of the factor.
    factor_spread: Option<f64>,
    /// Planned motion of the middle one of the prints, s.
    motion_s: Option<f64>,
    /// How many prints.
    from_prints: u64,
    /// Time constant of the bed, s; null where no print asks for it, and so below.
    bed_time_constant_s: Option<f64>,
    /// Time constant of the nozzle, s.
    nozzle_time_constant_s: Option<f64>,
    /// Time of a homing, s.
    homing_s: Option<f64>,
    /// Time of a probing, s.
    probing_s: Option<f64>,
    /// Time of a change of the tool, s.
    tool_change_s: Option<f64>,
}

/// How well prints are foretold.
#[derive(Serialize, JsonSchema)]
pub struct Scores {
    /// Median of the errors' sizes, as a share of what a print took.
    median_error: f64,
    /// How many the 90 % interval held; null without one.
    held: Option<usize>,
}

/// Why a clock is no good.
#[derive(Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Doubt {
    /// Its interval holds far fewer prints than it promises.
    IntervalMisses,
    /// Its interval begins at nothing for half of the prints or more.
    IntervalSaysNothing,
    /// It foretells jobs that it has not seen no better than the plan alone.
    NoBetterThanPlan,
    /// It foretells the prints that it was learned from worse than the clock that is in the sheet.
    WorseThanSheet,
}

/// A number that was fitted.
#[derive(Serialize, JsonSchema)]
pub struct Number {
    /// Key in `[clock]`.
    key: &'static str,
    /// Value.
    value: f64,
    /// Lower end of its 90 % interval.
    low: f64,
    /// Upper end.
    high: f64,
    /// What it rests on.
    rests_on: RestsOn,
    /// Whether all prints ask for it alike: only its sum with the start is known.
    is_one_with_start: bool,
}

/// What a number rests on.
#[derive(Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum RestsOn {
    /// Prints.
    Prints,
    /// The sheet: prints say little about it.
    Sheet,
    /// What is usual: prints say little about it.
    Usual,
}

/// A print and what was foretold of it.
#[derive(Serialize, JsonSchema)]
pub struct Print<'a> {
    /// Its job.
    job: &'a str,
    /// Its line in the file, or its number in a ledger.
    line: u64,
    /// When it was started; null where that is not known.
    started: Option<&'a str>,
    /// From start to end, s.
    measured_s: f64,
    /// The same without waits for a person, s: what is foretold.
    took_s: f64,
    /// What the sheet as it was foretells, s.
    before_s: f64,
    /// What the plan alone foretells, s.
    plan_s: f64,
    /// Lower end of its interval, s; null without a clock.
    before_low_s: Option<f64>,
    /// Upper end, s.
    before_high_s: Option<f64>,
    /// What a clock foretells that was learned without this job, s.
    expected_s: f64,
    /// Lower end of its 90 % interval, s.
    low_s: f64,
    /// Upper end, s.
    high_s: f64,
    /// Whether that interval held it.
    held: bool,
    /// False where it is too far off to be a print of this job as it is.
    fits: bool,
}

/// A print that was not learned from.
#[derive(Serialize, JsonSchema)]
pub struct LeftOut<'a> {
    /// Its job.
    job: &'a str,
    /// Its line in the file, or its number in a ledger.
    line: u64,
    /// Why.
    why: Why,
}

/// Why a print is not learned from.
#[derive(Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Why {
    /// It was aborted.
    Aborted,
    /// It was made on another machine.
    OtherMachine,
    /// Its parts come from another version of the model or another sheet, and its job is not at hand.
    OldPlan,
    /// It was made before those that were asked for, or when is not known.
    Before,
    /// There are more recent ones than are learned from.
    TooOld,
}

/// A row that is no print.
#[derive(Serialize, JsonSchema)]
pub struct Fault<'a> {
    /// Its line.
    line: u64,
    /// Which cell, from 1; null where it is the row.
    column: Option<usize>,
    /// What is wrong.
    message: &'a str,
}

/// A row that says again what another says.
#[derive(Serialize, JsonSchema)]
pub struct Repeated {
    /// Its line.
    line: u64,
    /// The line of the other.
    first_line: u64,
}

/// What changed in the course of time.
#[derive(Serialize, JsonSchema)]
pub struct Drift<'a> {
    /// Job of the first print after the change.
    since_job: &'a str,
    /// Its line in the file.
    since_line: u64,
    /// How much longer prints take since then, as a share; below 0 for less.
    by: f64,
    /// How likely so clear a change is chance.
    chance: f64,
}

/// The published JSON Schema.
pub fn schema() -> schemars::Schema {
    schemars::schema_for!(Learn<'_>)
}

/// Writes it as one object.
///
/// # Errors
/// Those of the writer.
pub fn write(told: &Told<'_>, out: &mut dyn Write) -> io::Result<()> {
    write_value(&Learn::from(told), true, out)?;
    writeln!(out)
}

impl<'a> From<&'a Told<'a>> for Learn<'a> {
    fn from(told: &'a Told<'a>) -> Self {
        let learned = told.learned;
        let at = |print: usize| (told.prints[print].0, &told.prints[print].1);
        let kept = told.machine.clock.map(|before| of::kept(&learned.clock, &before)).unwrap_or_default();
        Self {
            schema: SCHEMA,
            machine: told.machine.into(),
            source: told.source,
            model: MODEL_VERSION,
            clock: learned.clock.into(),
            written: told.written,
            before: learned.scores.before.into(),
            plan: learned.scores.plan.into(),
            after: learned.scores.after.into(),
            seen: learned.scores.seen.into(),
            doubt: learned.doubt.map(Into::into),
            kept: kept.into_iter().map(|(key, _)| key).collect(),
            numbers: learned.numbers.iter().map(Into::into).collect(),
            prints: learned.forecasts.iter().map(|of| Print::new(at(of.print), of)).collect(),
            left_out: (learned.left_out.iter())
                .map(|left| {
                    let (line, print) = at(left.print);
                    LeftOut { job: &print.job, line, why: left.why.into() }
                })
                .collect(),
            faults: (told.faults.iter())
                .map(|fault| Fault { line: fault.line, column: fault.column, message: &fault.message })
                .collect(),
            repeated: told.repeated.iter().map(|&(line, first_line)| Repeated { line, first_line }).collect(),
            drift: learned.drift.map(|(first, change)| {
                let (since_line, print) = at(learned.forecasts[first].print);
                Drift { since_job: &print.job, since_line, by: change.by, chance: change.chance }
            }),
            drift_false_alarms: 1.0 / f64::from(FALSE_ALARMS_ONE_IN),
        }
    }
}

impl<'a> Print<'a> {
    fn new((line, print): (u64, &'a of::Print), of: &of::Forecast) -> Self {
        Self {
            job: &print.job,
            line,
            started: print.started.as_deref(),
            measured_s: print.measured_s,
            took_s: of.took_s,
            before_s: of.before_s,
            plan_s: of.plan_s,
            before_low_s: of.before.map(|before| before.low_s),
            before_high_s: of.before.map(|before| before.high_s),
            expected_s: of.without.expected_s,
            low_s: of.without.low_s,
            high_s: of.without.high_s,
            held: of.without.holds(of.took_s),
            fits: of.fits,
        }
    }
}

impl From<LearnedClock> for Clock {
    fn from(from: LearnedClock) -> Self {
        let LearnedClock {
            start_s,
            factor,
            spread,
            factor_spread,
            motion_s,
            from_prints,
            bed_time_constant_s,
            nozzle_time_constant_s,
            homing_s,
            probing_s,
            tool_change_s,
        } = from;
        Self {
            start_s,
            factor,
            spread,
            factor_spread,
            motion_s,
            from_prints,
            bed_time_constant_s,
            nozzle_time_constant_s,
            homing_s,
            probing_s,
            tool_change_s,
        }
    }
}

impl From<of::Scores> for Scores {
    fn from(from: of::Scores) -> Self {
        Self { median_error: from.median_error, held: from.held }
    }
}

impl From<&of::Number> for Number {
    fn from(from: &of::Number) -> Self {
        let &of::Number { name: _, key, value, low, high, source, is_one_with_start } = from;
        let rests_on = match source {
            Source::Prints => RestsOn::Prints,
            Source::Sheet => RestsOn::Sheet,
            Source::Usual => RestsOn::Usual,
        };
        Self { key, value, low, high, rests_on, is_one_with_start }
    }
}

impl From<of::Doubt> for Doubt {
    fn from(from: of::Doubt) -> Self {
        match from {
            of::Doubt::IntervalMisses => Self::IntervalMisses,
            of::Doubt::IntervalSaysNothing => Self::IntervalSaysNothing,
            of::Doubt::NoBetterThanPlan => Self::NoBetterThanPlan,
            of::Doubt::WorseThanSheet => Self::WorseThanSheet,
        }
    }
}

impl From<of::Why> for Why {
    fn from(from: of::Why) -> Self {
        match from {
            of::Why::Aborted => Self::Aborted,
            of::Why::OtherMachine => Self::OtherMachine,
            of::Why::OldPlan => Self::OldPlan,
            of::Why::Before => Self::Before,
            of::Why::TooOld => Self::TooOld,
        }
    }
}
