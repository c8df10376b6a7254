//! Trials: small attended jobs that measure a machine, within the limits of its sheet, and what to do with the results.
//!
//! A trial may go beyond the one limit that it probes. Its first line says so in an exact form, and
//! [`announced`](crate::preflight::announced) is how a check of the job learns of it.
//! Every job is judged on its own sheet before it is handed out, and refused where anything weighs more than a note.

mod first_power;
mod job;
mod lead;
pub mod marks;
mod melt_rate;
mod place;
mod ringing;
mod steps;
#[cfg(test)]
mod tests;

use crate::findings::Severity;
use crate::machine::{Machine, MeltRates};
use crate::physics::capacity::MeltCapacity;
pub use crate::preflight::announced::Kind;
use crate::preflight::{JobSource, Preflight};

pub use first_power::{FirstPower, first_power};
pub use lead::{Lead, MeasuredLag, TAILS, Tails, TailsError, lead, measured_lag, read_tails};
pub use melt_rate::{MeltRate, melt_rate};
pub use ringing::{Ringing, Vary, ringing};
pub use steps::{Axis, Measured, NewSteps, Steps, new_steps, steps};

/// Said on the screen and at the head of every job.
pub const CAUTION: &str = "Attended use only: moving axes crush, hot parts burn, heaters can start a fire. Stay beside the \
machine with a hand at the mains switch until it is cold and still, keep hands and hair out of it, and switch it off at \
the mains when anything is not as described. The maker's documents come first.";

/// What a measured mode alone does not give.
pub const VERDICT_NEEDS: &str = "A verdict about ringing also needs `ringing_mm` in the table [structure_limits] of the sheet: \
the largest amplitude you accept, mm.";

/// A job, and what to do with it.
#[derive(Debug, Clone, PartialEq)]
pub struct Trial {
    /// Which.
    pub kind: Kind,
    /// The job: ASCII, lines end in a newline.
    pub text: String,
    /// What to watch, measure and enter: paragraphs; lines that start with a space are examples and stay as they are.
    pub told: Vec<String>,
}

/// Why there is no trial.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TrialError {
    /// Nobody has described the machine.
    #[error("a trial moves and heats a real machine: give its sheet with --machine")]
    NoSheet,
    /// The sheet lacks what no default can replace.
    #[error("the sheet gives no `{key}`: {instead}")]
    Lacks {
        /// Key of the sheet.
        key: &'static str,
        /// What to do instead.
        instead: &'static str,
    },
    /// The bed is too small, or keep-out boxes are in the way.
    #[error("no room of {width} × {depth} mm inside the travel and beside the keep-out boxes")]
    NoRoom {
        /// Extent in x, mm.
        width: f64,
        /// Extent in y, mm.
        depth: f64,
    },
    /// Keep-out boxes bar the way from home.
    #[error("no way from the home position to the middle of the bed that passes no keep-out box")]
    NoWay,
    /// What was asked for cannot be done on this machine.
    #[error("{0}")]
    Asked(String),
    /// The job does not pass its own machine's checks.
    #[error("the trial does not pass the checks of its own sheet and was not written: {0}")]
    Refused(String),
}

/// Temperatures of the trials that melt filament, °C; what is not given follows from the sheet.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Warmth {
    /// Nozzle: 30 °C above the lowest at which filament may be pushed.
    pub nozzle_c: Option<f64>,
    /// Bed: 60 °C where there is one; 0 leaves it cold.
    pub bed_c: Option<f64>,
}

/// Room left below every temperature limit that is not asked for by number, °C.
const BELOW_LIMIT_C: f64 = 10.0;
/// Of the nozzle above the lowest temperature at which filament may be pushed, °C.
const ABOVE_LEAST_C: f64 = 30.0;
/// Of the bed, °C.
const BED_C: f64 = 60.0;

impl Warmth {
    /// Target of a nozzle, °C.
    fn nozzle(self, machine: &Machine, tool: usize) -> Result<f64, TrialError> {
        let tool = &machine.tools[tool];
        let most = least_of([tool.limit_c, tool.heating.map(|law| law.full_power_c)], BELOW_LIMIT_C);
        let least = tool.extrude_min_c;
        let target = match (self.nozzle_c, least) {
            (Some(asked), _) => asked,
            (None, Some(least)) => (least + ABOVE_LEAST_C).min(most).floor(),
            (None, None) => {
                return Err(TrialError::Lacks {
                    key: "[[tool]] temperature_c.extrude_min",
                    instead: "give the temperature with --nozzle-c",
                });
            }
        };
        if least.is_some_and(|least| target < least) || self.nozzle_c.is_some() && target > most + BELOW_LIMIT_C {
            let (least, most) = (least.unwrap_or(0.0), most + BELOW_LIMIT_C);
            return Err(TrialError::Asked(format!(
                "a nozzle at {target} °C is outside the sheet's {least} to {most} °C"
            )));
        }
        Ok(target)
    }

    /// What the hotend melts at that target; none where the sheet does not say, or not a thing.
    fn melts(self, machine: &Machine, tool: usize) -> MeltRates {
        let described = &machine.tools[tool];
        let nozzle_c = self.nozzle(machine, tool).ok().map(|target_c| target_c + described.nozzle_offset_c);
        let rates = MeltCapacity::of(described).at(nozzle_c);
        let some = |rate: Option<f64>| rate.filter(|rate| *rate > 0.0);
        MeltRates { sustained_mm3_s: some(rates.sustained_mm3_s), peak_mm3_s: some(rates.peak_mm3_s) }
    }

    /// Target of the bed, °C; none leaves it alone.
    fn bed(self, machine: &Machine) -> Result<Option<f64>, TrialError> {
        let Some(bed) = machine.bed else {
            return match self.bed_c {
                Some(asked) if asked > 0.0 => Err(TrialError::Lacks { key: "[bed]", instead: "leave --bed-c out" }),
                _ => Ok(None),
            };
        };
        let most = least_of([bed.limit_c, bed.heating.map(|law| law.full_power_c)], BELOW_LIMIT_C);
        let target = self.bed_c.unwrap_or_else(|| BED_C.min(most).floor());
        if self.bed_c.is_some() && target > most + BELOW_LIMIT_C {
            let most = most + BELOW_LIMIT_C;
            return Err(TrialError::Asked(format!("a bed at {target} °C is above the sheet's {most} °C")));
        }
        Ok((target > machine.ambient_c).then_some(target))
    }
}

/// The smallest of what is known, less some room; infinite when nothing is.
fn least_of(limits: [Option<f64>; 2], room: f64) -> f64 {
    limits.into_iter().flatten().fold(f64::INFINITY, f64::min) - room
}

/// Judges the job on its own sheet: nothing may weigh more than a note.
fn passed(machine: &Machine, trial: Trial) -> Result<Trial, TrialError> {
    let report = Preflight::on(machine)
        .run(JobSource::stream(trial.text.as_bytes(), "-"))
        .map_err(|error| TrialError::Refused(error.to_string()))?;
    let heavy: Vec<String> = report
        .findings
        .iter()
        // A controller cuts a line that is too long in the middle of a number.
        .filter(|finding| finding.severity > Severity::Note || finding.check == "line-too-long")
        .map(|finding| format!("{} ({}): {}", finding.check, finding.severity, finding.message))
        .collect();
    if heavy.is_empty() { Ok(trial) } else { Err(TrialError::Refused(heavy.join(" "))) }
}

/// Where the sheet gives a value now, such as `line 12`.
fn place_now<'m>(machine: &'m Machine, path: &str) -> Option<&'m str> {
    let origin = machine.origins.iter().find(|origin| origin.path == path)?;
    origin.from.starts_with("line ").then_some(&origin.from)
}

/// The tool of that number.
fn known_tool(machine: &Machine, tool: usize) -> Result<(), TrialError> {
    if machine.built_in {
        return Err(TrialError::NoSheet);
    }
    let count = machine.tools.len();
    if tool >= count {
        return Err(TrialError::Asked(format!("tool {tool} has no [[tool]] in the sheet, which describes {count}")));
    }
    Ok(())
}
