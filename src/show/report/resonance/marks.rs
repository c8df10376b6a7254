//! Natural frequency and damping from marks on walls: for people, for the sheet, and for programs.

use std::io::{self, Write};

use anstyle::Style;
use schemars::JsonSchema;
use serde::Serialize;

use crate::machine::Direction;
use crate::show::report::{Look, json::write_value, page::paragraph};
use crate::workshop::trial::{
    VERDICT_NEEDS,
    marks::{self, COVERAGE, Estimate, Interval},
};

/// Name and version of the shape.
pub const SCHEMA: &str = "gonogo.marks/1";

/// Natural frequency and damping from marks on walls.
#[derive(Serialize, JsonSchema)]
#[schemars(title = "gonogo resonance --from-marks")]
pub struct Marks<'a> {
    /// Name and version of the shape.
    #[schemars(extend("const" = SCHEMA))]
    schema: &'static str,
    /// Which way it swings, as given: `x`, `y`, `z`, `x+y`, `x-y`.
    axis: Option<&'static str>,
    /// Probability that an interval holds the true value.
    coverage: f64,
    /// Natural frequency, Hz.
    natural_hz: Span,
    /// Damping ratio; null without heights.
    damping_ratio: Option<Span>,
    /// One for each wall.
    readings: Vec<Reading<'a>>,
    /// What else is to be said.
    remarks: &'a [String],
    /// The mode as a table of the sheet.
    sheet: String,
}

/// A value and its interval.
#[derive(Serialize, JsonSchema)]
pub struct Span {
    /// Best estimate.
    value: f64,
    /// From here ...
    low: f64,
    /// ... to here.
    high: f64,
}

/// What was measured on a wall.
#[derive(Serialize, JsonSchema)]
pub struct Reading<'a> {
    /// Distance over so many gaps.
    spacing_mm: f64,
    /// Speed along the wall.
    speed_mm_s: f64,
    /// How many gaps.
    marks: u32,
    /// Heights of successive marks over the valleys; null for one that was not seen.
    heights_mm: &'a [Option<f64>],
    /// Frequency of the marks.
    hz: f64,
    /// Why it was left out; null where it was used.
    left_out: Option<&'a str>,
}

/// What was read from walls, and what it comes to.
#[derive(Debug, Clone, Copy)]
pub struct Found<'a> {
    /// The readings.
    pub readings: &'a [marks::Reading],
    /// What they come to.
    pub estimate: &'a Estimate,
    /// Which way the structure swings, where that was said.
    pub axis: Option<Direction>,
}

/// JSON Schema (draft 2020-12) of the answer.
pub fn schema() -> schemars::Schema {
    schemars::schema_for!(Marks<'_>)
}

/// Writes the answer for programs.
///
/// # Errors
/// What the writer says.
pub fn write_json(found: &Found<'_>, out: &mut dyn Write) -> io::Result<()> {
    let &Found { readings, estimate: found, axis } = found;
    let span = |Interval { value, low, high }| Span { value, low, high };
    let answer = Marks {
        schema: SCHEMA,
        axis: axis.map(Direction::word),
        coverage: COVERAGE,
        natural_hz: span(found.natural_hz),
        damping_ratio: found.damping_ratio.map(span),
        readings: readings
            .iter()
            .zip(&found.left_out)
            .map(|(reading, why)| Reading::of(reading, why.as_deref()))
            .collect(),
        remarks: &found.remarks,
        sheet: table(found, axis) + "\n",
    };
    write_value(&answer, true, out)?;
    writeln!(out)
}

impl<'a> Reading<'a> {
    fn of(reading: &'a marks::Reading, left_out: Option<&'a str>) -> Self {
        let marks::Reading { spacing_mm, speed_mm_s, marks, ref heights_mm, .. } = *reading;
        Self { spacing_mm, speed_mm_s, marks, heights_mm, hz: reading.hz(), left_out }
    }
}

/// Writes the answer for people.
///
/// # Errors
/// What the writer says.
pub fn write_text(found: &Found<'_>, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let &Found { readings, estimate: found, axis } = found;
    let percent = COVERAGE * 100.0;
    let Interval { value, low, high } = found.natural_hz;
    writeln!(out, "natural frequency  {value:.1} Hz, {percent} % from {low:.1} to {high:.1} Hz")?;
    match found.damping_ratio {
        Some(Interval { value, low, high }) => {
            writeln!(out, "damping ratio      {value:.3}, {percent} % from {low:.3} to {high:.3}")?;
        }
        None => writeln!(out, "damping ratio      unknown")?,
    }
    writeln!(out)?;
    for (n, (reading, left_out)) in (1..).zip(readings.iter().zip(&found.left_out)) {
        let fate = match left_out {
            Some(why) => format!("left out, {why}"),
            None => format!("{:.1} Hz", reading.hz()),
        };
        let (spacing, marks, speed) = (reading.spacing_mm, reading.marks, reading.speed_mm_s);
        let gaps = if marks == 1 { "gap" } else { "gaps" };
        let wall = format!("wall {n}: {spacing} mm over {marks} {gaps} at {speed} mm/s: {fate}");
        paragraph(&wall, Style::new(), look, out)?;
    }
    found.remarks.iter().try_for_each(|remark| paragraph(remark, Style::new(), look, out))?;
    // Before the block, which goes into a sheet as it is.
    writeln!(out)?;
    let needs = format!("{VERDICT_NEEDS} Nothing is to be done where it is there already.");
    paragraph(&needs, Style::new(), look, out)?;
    writeln!(out, "\nFor the sheet:\n\n{}", table(found, axis))
}

/// The mode as a table of the sheet; what is not known is to be filled in.
fn table(found: &Estimate, axis: Option<Direction>) -> String {
    let percent = COVERAGE * 100.0;
    let axis = match axis {
        Some(axis) => format!("axis = \"{}\"", axis.word()),
        None => "# fill in which way it swings: axis = \"x\"".to_owned(),
    };
    let Interval { value, low, high } = found.natural_hz;
    let natural = format!("natural_hz = {value:.1}        # {percent} %: {low:.1} to {high:.1}");
    let damping = match found.damping_ratio {
        Some(Interval { value, low, high }) => {
            format!("damping_ratio = {value:.3}    # {percent} %: {low:.3} to {high:.3}")
        }
        None => "# fill in, from heights of the marks: damping_ratio = ".to_owned(),
    };
    format!("[[structure]]\n{axis}\n{natural}\n{damping}")
}
