//! Renders an [`Inspection`] for people and for programs. Renderers write to the writer they are given and print nothing.

pub mod audit;
pub mod audit_json;
pub mod brief;
#[cfg(feature = "formats")]
pub(crate) mod cells;
pub mod compare;
#[cfg(feature = "formats")]
pub mod csv;
mod details;
mod findings;
pub mod format;
mod frames;
pub mod headroom;
pub mod headroom_json;
pub mod json;
#[cfg(feature = "formats")]
pub mod junit;
#[cfg(feature = "learn")]
pub mod learn;
#[cfg(feature = "learn")]
pub mod learn_json;
pub mod matrix;
#[cfg(feature = "formats")]
pub mod openmetrics;
mod page;
mod reasons;
pub mod resonance;
#[cfg(feature = "formats")]
pub mod sarif;
mod strip;
pub mod table;
pub mod text;

use std::io::{self, Write};

#[cfg(feature = "page")]
pub(crate) use reasons::common_folder;

use crate::findings::{Finding, Inspection, Severity, Unjudged, Verdict};
use crate::study::matrix::Judged;
use crate::wording;

/// Closes every report for people.
pub const CAUTION: &str = "Never leave a heating or moving machine unattended. This report does not replace the \
    maker's documents or local codes.";

/// What no plan here knows of.
const NOT_MODELLED: &str = "Not modelled: nozzle-pressure compensation (M900), controller step timing.";
/// The same where the pressure in the nozzle is followed.
const NOT_MODELLED_BESIDE_PRESSURE: &str = "Not modelled: controller step timing.";

/// What no report follows, of reports of which all follow the pressure in the nozzle or some do not.
pub fn not_modelled(follows_pressure: bool) -> &'static str {
    if follows_pressure { NOT_MODELLED_BESIDE_PRESSURE } else { NOT_MODELLED }
}

/// Said whenever no sheet was given.
pub(crate) const BUILT_IN: &str = "Judged on the built-in cautious machine: give your own sheet with --machine.";

/// How a report for people is laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Look {
    /// Columns to fit into.
    pub width: usize,
    /// Whether to colour.
    pub color: bool,
}

/// A renderer: one `add` per item in the order of the jobs, then `finish` with what all of them come to. @@
pub trait Report<Item, Totals> {
    /// Takes one job.
    ///
    /// # Errors
    /// When it cannot be written.
    fn add(&mut self, item: &Item, out: &mut dyn Write) -> io::Result<()>;
    /// Called once after the last job.
    ///
    /// # Errors
    /// When it cannot be written.
    fn finish(&mut self, totals: &Totals, out: &mut dyn Write) -> io::Result<()>;
}

/// A job on one machine is a matrix of one: what became of it there.
fn only(judged: &Judged) -> Result<&Inspection, &Unjudged> {
    judged.as_ref().map(|inspections| &inspections[0])
}

/// The time to reckon with, with its interval where prints have set the clock.
pub(crate) fn reckoned(of: &Inspection) -> String {
    match of.wall_time {
        Some(time) => wording::interval(time.expected_s, time.low_s, time.high_s),
        None => wording::duration(of.time_s.total()),
    }
}

/// How far the ends of the interval lie from the time, as `±0:06:00` behind a separator; nothing without a clock.
pub(crate) fn give_or_take(of: &Inspection, separator: &str) -> String {
    let of = of.wall_time.map(|time| format!("{separator}±{}", wording::clock(time.high_s - time.expected_s)));
    of.unwrap_or_default()
}

/// Findings that decide the verdict: those of the severity that gave it.
pub(crate) fn deciding(inspection: &Inspection) -> impl Iterator<Item = &Finding> {
    let severity = match inspection.verdict {
        Verdict::Go => None,
        Verdict::Hold => Some(Severity::Hold),
        Verdict::NoGo => Some(Severity::NoGo),
    };
    open(inspection).filter(move |finding| Some(finding.severity) == severity)
}

/// Findings that nobody accepted.
fn open(inspection: &Inspection) -> impl Iterator<Item = &Finding> {
    inspection.findings.iter().filter(|finding| finding.accepted.is_none())
}

/// How many of them have that severity.
fn count(inspection: &Inspection, severity: Severity) -> usize {
    open(inspection).filter(|finding| finding.severity == severity).count()
}

/// What the head of every report says where no-go findings on heat or travel are accepted.
pub(crate) fn unsafe_accepted(findings: usize) -> String {
    let findings =
        wording::counted(findings as u64, "no-go finding on heat or travel is", "no-go findings on heat or travel are");
    format!(
        "UNSAFE: {findings} accepted and left out of the verdict. Stay with the machine; the maker's documents rule."
    )
}

/// Said below times of which some leave out waiting for late commands.
pub(crate) const WAITING_LEFT_OUT: &str =
    "Some times leave out waiting for late commands: the report of the job alone says how long at least.";

/// Said beside a time that leaves out waiting for late commands; none where it does not.
pub(crate) fn waiting_left_out(inspection: &Inspection) -> Option<String> {
    let least_s = inspection.waiting_left_out_s()?;
    Some(format!("not in it: waiting for late commands, {} or more", wording::duration(least_s)))
}

/// Said where limits of motion are varied and some of what they change is not judged.
pub(crate) fn not_judged(topics: &[&str]) -> String {
    format!("Not judged, for the sheet lacks the keys or switches them off: {}.", wording::listed(topics))
}
