//! The report for programs: its own types, so that the published shape never changes by accident.
//!
//! Numbers are not rounded. A number that is not finite, which would be a fault of this program, is written as null.

use std::io::{self, Write};

use schemars::JsonSchema;
use serde::Serialize;

use super::{Report, only};
use crate::findings::{self as of, Unjudged};
use crate::study::matrix as of_matrix;

/// Name and version of the shape.
pub const SCHEMA: &str = "gonogo.report/1";

/// One job, judged or not.
#[derive(Serialize, JsonSchema)]
#[serde(untagged)]
pub enum Entry<'a> {
    /// Judged.
    Judged(Box<Judged<'a>>),
    /// Could not be judged.
    Unjudged(NotJudged<'a>),
}

/// What is printed: one entry, or a list of them.
#[derive(JsonSchema)]
#[schemars(untagged, title = "gonogo report")]
#[allow(dead_code, reason = "only its schema is used: a list is written entry by entry")]
enum Document<'a> {
    /// One job; each line of ndjson.
    One(Entry<'a>),
    /// Several jobs, in the order given.
    Several(Vec<Entry<'a>>),
}

/// A job that could not be judged.
#[derive(Serialize, JsonSchema)]
pub struct NotJudged<'a> {
    /// Name and version of the shape.
    #[schemars(extend("const" = SCHEMA))]
    schema: &'static str,
    /// Why.
    error: &'a str,
    /// Which job.
    job: Path<'a>,
}

/// Which job.
#[derive(Serialize, JsonSchema)]
pub struct Path<'a> {
    /// Path as given.
    path: &'a str,
}

/// Everything known about one job on one machine. Lines count from 1; coordinates are machine coordinates.
#[derive(Serialize, JsonSchema)]
pub struct Judged<'a> {
    /// Name and version of the shape.
    #[schemars(extend("const" = SCHEMA))]
    schema: &'static str,
    /// The answer.
    verdict: Verdict,
    /// What accepted findings did; missing where none is known for this job on this machine.
    #[serde(skip_serializing_if = "Option::is_none")]
    acceptance: Option<Acceptance<'a>>,
    /// What was read.
    job: Job<'a>,
    /// What it was judged on.
    machine: Machine<'a>,
    /// Time by category, s.
    time_s: Time,
    /// Pauses that wait for a person; not in the time.
    pauses: u64,
    /// Path lengths without extrude-only moves, mm.
    path_mm: Lengths,
    /// Filament used.
    filament: Filament,
    /// Melt rate on moves along the path that push filament, mm³/s.
    flow_mm3_s: Flow,
    /// Time for which the momentary melt rate is above the sustained capacity, s; null without a capacity.
    flow_over_capacity_s: Option<f64>,
    /// Melt rate over time in equal bins.
    flow_series: Series<'a>,
    /// Largest step rates, motor by motor, where the sheet gives `steps_per_mm`.
    step_rates: Vec<StepRate<'a>>,
    /// Largest command rate over as many moves as the controller knows ahead; null where no run is that long.
    command_rate: Option<CommandRate>,
    /// Ringing of the structure, per direction with modes; empty where the sheet gives none.
    ringing: Vec<Ringing<'a>>,
    /// Boxes, mm.
    extent_mm: Extent,
    /// Highest commanded temperatures.
    heat: Heat,
    /// Layers; a bounded number is kept.
    layers: Vec<Layer>,
    /// How many layers there were.
    layers_total: u64,
    /// Worst severity first, then by line.
    findings: Vec<Finding<'a>>,
    /// Which checks were made.
    checks: Checks<'a>,
    /// What the numbers leave out, a sentence each.
    left_out: &'a [String],
}

/// The answer.
#[derive(Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// All checks that could run passed.
    Go,
    /// Somebody should look before the job starts.
    Hold,
    /// The job must not run on this machine as it is set up.
    NoGo,
}

/// How much a finding weighs.
#[derive(Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// Never changes the verdict.
    Note,
    /// Somebody should look.
    Hold,
    /// Must not run.
    NoGo,
}

/// What was read.
#[derive(Serialize, JsonSchema)]
pub struct Job<'a> {
    /// Path as given; `-` is standard input.
    path: &'a str,
    /// Bytes of the unpacked job.
    bytes: u64,
    /// Lines.
    lines: u64,
    /// Commands carried out or recognised.
    commands: u64,
    /// Moves with a length above zero.
    moves: u64,
    /// `blake3:` and the hex digest of the unpacked bytes.
    digest: &'a str,
}

/// What the job was judged on.
#[derive(Serialize, JsonSchema)]
pub struct Machine<'a> {
    /// Name in the sheet.
    name: &'a str,
    /// Path of the sheet, or `built-in`.
    source: &'a str,
    /// `blake3:` and the hex digest of the sheet's bytes.
    digest: &'a str,
    /// True for the built-in cautious machine.
    built_in: bool,
}

/// Time by category, s.
#[derive(Serialize, JsonSchema)]
pub struct Time {
    /// Sum of the parts.
    total: f64,
    /// Moves along the path that push filament.
    extruding: f64,
    /// Moves along the path that do not.
    travel: f64,
    /// Filament only.
    extrude_only: f64,
    /// Dwells, and homing and probing where the sheet gives times.
    dwell: f64,
    /// Waiting for heaters.
    heating: f64,
}

/// Path lengths, mm.
#[derive(Serialize, JsonSchema)]
pub struct Lengths {
    /// Sum of the parts.
    total: f64,
    /// On moves that push filament.
    extruding: f64,
    /// On all other moves.
    travel: f64,
}

/// Filament used.
#[derive(Serialize, JsonSchema)]
pub struct Filament {
    /// Sum of all extruder moves, mm.
    net_mm: f64,
    /// Sum of the forward extruder moves, mm.
    pushed_mm: f64,
    /// Pushed without moving, beyond what had been retracted, mm.
    purged_mm: f64,
    /// Net volume, mm³.
    net_mm3: f64,
    /// Net mass, g; null unless every tool used gives a density.
    net_g: Option<f64>,
}

/// Melt rate, mm³/s.
#[derive(Serialize, JsonSchema)]
pub struct Flow {
    /// Largest momentary rate.
    peak: f64,
    /// Its line.
    peak_line: Option<u64>,
    /// Mean over time.
    mean: Option<f64>,
    /// At or below this for 50 % of the time.
    p50: Option<f64>,
    /// At or below this for 90 % of the time.
    p90: Option<f64>,
    /// At or below this for 95 % of the time.
    p95: Option<f64>,
    /// At or below this for 99 % of the time.
    p99: Option<f64>,
    /// Largest first-order average over the melt window.
    sustained_peak: f64,
    /// Its line.
    sustained_peak_line: Option<u64>,
    /// What it is held against.
    capacity: Capacity,
}

/// Capacities of the tools in use at the peaks, mm³/s; null where the sheet gives none.
#[derive(Serialize, JsonSchema)]
pub struct Capacity {
    /// LoadedJob up.
    sustained: Option<f64>,
    /// Reached briefly.
    peak: Option<f64>,
}

/// Melt rate over time in equal bins.
#[derive(Serialize, JsonSchema)]
pub struct Series<'a> {
    /// Width of a bin, s.
    bin_s: f64,
    /// Largest momentary rate in each bin, mm³/s.
    peak_mm3_s: &'a [f64],
    /// Largest sustained rate in each bin, mm³/s.
    sustained_mm3_s: &'a [f64],
}

/// The largest step rate of one motor.
#[derive(Serialize, JsonSchema)]
pub struct StepRate<'a> {
    /// Which.
    motor: &'a str,
    /// Steps a second, an upper bound.
    hz: f64,
    /// Its line; null when the motor never turned.
    line: Option<u64>,
}

/// The largest command rate.
#[derive(Serialize, JsonSchema)]
pub struct CommandRate {
    /// Commands a second.
    hz: f64,
    /// The line on which its moves end.
    line: u64,
    /// How many moves these are.
    moves: u64,
}

/// Ringing along one direction, on moves along the path that push filament.
#[derive(Serialize, JsonSchema)]
pub struct Ringing<'a> {
    /// Direction: `x`, `y`, `z`, or with crossed belts `x+y`, `x-y`.
    axis: &'a str,
    /// Largest amplitude about the momentary equilibrium, mm.
    peak_mm: f64,
    /// Its line.
    peak_line: Option<u64>,
    /// Natural frequency of the mode that rings most there, Hz.
    peak_hz: Option<f64>,
    /// Distance of the marks on the wall there, mm.
    mark_spacing_mm: Option<f64>,
    /// At or below this for 95 % of the time, mm.
    p95_mm: Option<f64>,
    /// Amplitude the sheet accepts, mm; null where it gives none.
    limit_mm: Option<f64>,
    /// Time above it, s.
    over_limit_s: Option<f64>,
}

/// Boxes, mm; null when there is none.
#[derive(Serialize, JsonSchema)]
pub struct Extent {
    /// Where the nozzle went.
    reached: Option<Box3>,
    /// Where it went while pushing filament.
    extruding: Option<Box3>,
}

/// An axis-aligned box, mm.
#[derive(Serialize, JsonSchema)]
pub struct Box3 {
    /// Smallest x, y, z.
    min: [f64; 3],
    /// Largest x, y, z.
    max: [f64; 3],
}

/// Highest commanded temperatures, °C.
#[derive(Serialize, JsonSchema)]
pub struct Heat {
    /// Over all tools.
    nozzle_max_c: Option<f64>,
    /// Bed.
    bed_max_c: Option<f64>,
    /// Chamber.
    chamber_max_c: Option<f64>,
    /// Per tool.
    tools_max_c: Vec<ToolHeat>,
    /// True when the waits for heaters are in the time.
    waits_modelled: bool,
}

/// Highest commanded temperature of a tool.
#[derive(Serialize, JsonSchema)]
pub struct ToolHeat {
    /// Its number.
    tool: u32,
    /// Temperature, °C.
    max_c: f64,
}

/// Extrusion at one height.
#[derive(Serialize, JsonSchema)]
pub struct Layer {
    /// Height of its first extrusion, mm.
    z_mm: f64,
    /// First line of extrusion.
    first_line: u64,
    /// Time to the next layer, s.
    time_s: f64,
    /// Length of extruding path, mm.
    path_mm: f64,
    /// Filament volume, mm³.
    volume_mm3: f64,
    /// Largest momentary melt rate, mm³/s.
    flow_peak_mm3_s: f64,
}

/// One thing found, repeats merged.
#[derive(Serialize, JsonSchema)]
pub struct Finding<'a> {
    /// The check that found it.
    check: &'a str,
    /// Weight.
    severity: Severity,
    /// First line; null when it is about the job as a whole.
    line: Option<u64>,
    /// Last line.
    last_line: Option<u64>,
    /// How often.
    count: u64,
    /// The first lines it was found on; a bounded number.
    lines: &'a [u64],
    /// What is wrong.
    message: &'a str,
    /// The worst value.
    value: Option<f64>,
    /// Line of the worst value.
    worst_line: Option<u64>,
    /// The limit it was held against.
    limit: Option<f64>,
    /// Unit of value and limit; empty for plain numbers.
    unit: &'a str,
    /// Text of the first line and, where another is worse, of that one.
    excerpts: Vec<Excerpt<'a>>,
    /// Where the machine is on the first line: x, y, z in machine coordinates, mm; null when the place says nothing.
    place_mm: Option<[f64; 3]>,
    /// The same on the line of the worst value.
    worst_place_mm: Option<[f64; 3]>,
    /// Why it does not decide the verdict; missing where nobody accepted it.
    #[serde(skip_serializing_if = "Option::is_none")]
    accepted: Option<Accepted<'a>>,
}

/// What a file of accepted findings did to a report.
#[derive(Serialize, JsonSchema)]
pub struct Acceptance<'a> {
    /// Path of the file.
    source: &'a str,
    /// Accepted findings; they do not decide the verdict.
    findings: usize,
    /// Those of them that are no-go on heat or travel.
    unsafe_findings: usize,
    /// Entries that have run out, cover too little or find nothing: a sentence each.
    remarks: &'a [String],
}

/// Why a finding does not decide the verdict.
#[derive(Serialize, JsonSchema)]
pub struct Accepted<'a> {
    /// The reason given.
    because: &'a str,
    /// Last day on which it is accepted, such as `2027-01-31`; null without one.
    until: Option<&'a str>,
    /// Who accepted it.
    by: Option<&'a str>,
    /// True for a no-go on heat or travel.
    even_unsafe: bool,
}

/// One line of the job.
#[derive(Serialize, JsonSchema)]
pub struct Excerpt<'a> {
    /// Line number.
    line: u64,
    /// Its text, control characters replaced, cut to a bounded length.
    text: &'a str,
}

/// Which checks were made.
#[derive(Serialize, JsonSchema)]
pub struct Checks<'a> {
    /// Made.
    run: &'a [&'static str],
    /// Not made.
    skipped: Vec<Skipped<'a>>,
}

/// A check that was not made.
#[derive(Serialize, JsonSchema)]
pub struct Skipped<'a> {
    /// Which.
    check: &'a str,
    /// Why.
    reason: &'a str,
}

impl<'a> From<Result<&'a of::Inspection, &'a Unjudged>> for Entry<'a> {
    fn from(outcome: Result<&'a of::Inspection, &'a Unjudged>) -> Self {
        match outcome {
            Ok(inspection) => Self::Judged(Box::new(inspection.into())),
            Err(Unjudged { path, error }) => Self::Unjudged(NotJudged { schema: SCHEMA, error, job: Path { path } }),
        }
    }
}

impl<'a> From<&'a of::Inspection> for Judged<'a> {
    fn from(from: &'a of::Inspection) -> Self {
        Self {
            schema: SCHEMA,
            verdict: from.verdict.into(),
            acceptance: from.acceptance.as_ref().map(|acceptance| Acceptance {
                source: &acceptance.source,
                findings: from.findings.iter().filter(|finding| finding.accepted.is_some()).count(),
                unsafe_findings: from.accepted_unsafe(),
                remarks: &acceptance.remarks,
            }),
            job: (&from.job).into(),
            machine: (&from.machine).into(),
            time_s: from.time_s.into(),
            pauses: from.pauses,
            path_mm: from.path_mm.into(),
            filament: from.filament.into(),
            flow_mm3_s: Flow::new(&from.flow, from.capacity),
            flow_over_capacity_s: from.flow_over_capacity_s,
            flow_series: (&from.series).into(),
            step_rates: from.step_rates.iter().copied().map(Into::into).collect(),
            command_rate: from.command_rate.map(Into::into),
            ringing: from.ringing.iter().map(Into::into).collect(),
            extent_mm: Extent { reached: from.reached.map(Into::into), extruding: from.extruding.map(Into::into) },
            heat: (&from.heat).into(),
            layers: from.layers.iter().copied().map(Into::into).collect(),
            layers_total: from.layers_total,
            findings: from.findings.iter().map(Into::into).collect(),
            checks: Checks { run: &from.checks_run, skipped: from.checks_skipped.iter().map(Into::into).collect() },
            left_out: &from.left_out,
        }
    }
}

impl<'a> From<&'a of::Ringing> for Ringing<'a> {
    fn from(from: &'a of::Ringing) -> Self {
        let &of::Ringing { axis, peak_mm, peak_line, peak_hz, mark_spacing_mm, p95_mm, limit_mm, over_limit_s } = from;
        Self { axis, peak_mm, peak_line, peak_hz, mark_spacing_mm, p95_mm, limit_mm, over_limit_s }
    }
}

impl From<of::Verdict> for Verdict {
    fn from(from: of::Verdict) -> Self {
        match from {
            of::Verdict::Go => Self::Go,
            of::Verdict::Hold => Self::Hold,
            of::Verdict::NoGo => Self::NoGo,
        }
    }
}

impl From<of::Severity> for Severity {
    fn from(from: of::Severity) -> Self {
        match from {
            of::Severity::Note => Self::Note,
            of::Severity::Hold => Self::Hold,
            of::Severity::NoGo => Self::NoGo,
        }
    }
}

impl<'a> From<&'a of::JobFacts> for Job<'a> {
    fn from(from: &'a of::JobFacts) -> Self {
        let of::JobFacts { path, bytes, lines, commands, moves, digest } = from;
        Self { path, bytes: *bytes, lines: *lines, commands: *commands, moves: *moves, digest }
    }
}

impl<'a> From<&'a of::MachineFacts> for Machine<'a> {
    fn from(from: &'a of::MachineFacts) -> Self {
        let of::MachineFacts { name, source, digest, built_in } = from;
        Self { name, source, digest, built_in: *built_in }
    }
}

impl<'a> From<&'a crate::machine::Machine> for Machine<'a> {
    fn from(from: &'a crate::machine::Machine) -> Self {
        let crate::machine::Machine { name, source, digest, built_in, .. } = from;
        Self { name, source, digest, built_in: *built_in }
    }
}

impl From<of::TimeParts> for Time {
    fn from(from: of::TimeParts) -> Self {
        let of::TimeParts { extruding, travel, extrude_only, dwell, heating } = from;
        Self { total: from.total(), extruding, travel, extrude_only, dwell, heating }
    }
}

impl From<of::PathParts> for Lengths {
    fn from(from: of::PathParts) -> Self {
        Self { total: from.total(), extruding: from.extruding, travel: from.travel }
    }
}

impl From<of::Filament> for Filament {
    fn from(from: of::Filament) -> Self {
        let of::Filament { net_mm, pushed_mm, net_mm3, purged_mm, net_g } = from;
        Self { net_mm, pushed_mm, purged_mm, net_mm3, net_g }
    }
}

impl Flow {
    fn new(from: &of::Flow, capacity: of::Capacity) -> Self {
        let quantile = |at: usize| from.quantiles_mm3_s.map(|quantiles| quantiles[at]);
        Self {
            peak: from.peak_mm3_s,
            peak_line: from.peak_line,
            mean: from.mean_mm3_s,
            p50: quantile(0),
            p90: quantile(1),
            p95: quantile(2),
            p99: quantile(3),
            sustained_peak: from.sustained_peak_mm3_s,
            sustained_peak_line: from.sustained_peak_line,
            capacity: Capacity { sustained: capacity.sustained_mm3_s, peak: capacity.peak_mm3_s },
        }
    }
}

impl<'a> From<&'a of::FlowSeries> for Series<'a> {
    fn from(from: &'a of::FlowSeries) -> Self {
        Self { bin_s: from.bin_s, peak_mm3_s: &from.peak_mm3_s, sustained_mm3_s: &from.sustained_mm3_s }
    }
}

impl From<of::StepRate> for StepRate<'_> {
    fn from(from: of::StepRate) -> Self {
        let of::StepRate { motor, hz, line } = from;
        Self { motor, hz, line }
    }
}

impl From<of::CommandRate> for CommandRate {
    fn from(from: of::CommandRate) -> Self {
        let of::CommandRate { hz, line, moves } = from;
        Self { hz, line, moves }
    }
}

impl From<crate::geometry::Box3> for Box3 {
    fn from(from: crate::geometry::Box3) -> Self {
        Self { min: from.min, max: from.max }
    }
}

impl From<&of::Heat> for Heat {
    fn from(from: &of::Heat) -> Self {
        Self {
            nozzle_max_c: from.nozzle_max_c,
            bed_max_c: from.bed_max_c,
            chamber_max_c: from.chamber_max_c,
            tools_max_c: from.tools_max_c.iter().map(|&(tool, max_c)| ToolHeat { tool, max_c }).collect(),
            waits_modelled: from.waits_modelled,
        }
    }
}

impl From<of::Layer> for Layer {
    fn from(from: of::Layer) -> Self {
        let of::Layer { z_mm, first_line, time_s, path_mm, volume_mm3, flow_peak_mm3_s } = from;
        Self { z_mm, first_line, time_s, path_mm, volume_mm3, flow_peak_mm3_s }
    }
}

impl<'a> From<&'a of::Finding> for Finding<'a> {
    fn from(from: &'a of::Finding) -> Self {
        Self {
            check: from.check,
            severity: from.severity.into(),
            line: from.line,
            last_line: from.last_line,
            count: from.count,
            lines: &from.lines,
            message: &from.message,
            value: from.value,
            worst_line: from.worst_line,
            limit: from.limit,
            unit: from.unit,
            excerpts: from.excerpts.iter().map(|of::Excerpt { line, text }| Excerpt { line: *line, text }).collect(),
            place_mm: from.place_mm,
            worst_place_mm: from.worst_place_mm,
            accepted: from.accepted.as_ref().map(|why| Accepted {
                because: &why.because,
                until: why.until.as_deref(),
                by: why.by.as_deref(),
                even_unsafe: why.even_unsafe,
            }),
        }
    }
}

impl<'a> From<&'a of::Skipped> for Skipped<'a> {
    fn from(from: &'a of::Skipped) -> Self {
        Self { check: from.check, reason: &from.reason }
    }
}

/// The published JSON Schema. It holds for what `json` prints and for each line of `ndjson`.
pub fn schema() -> schemars::Schema {
    schemars::schema_for!(Document<'_>)
}

/// Writes a value so that no control character is in it raw: JSON allows DEL and C1 controls, terminals act on them.
pub fn write_value(value: &impl Serialize, pretty: bool, out: &mut dyn Write) -> io::Result<()> {
    let text = if pretty { serde_json::to_string_pretty(value) } else { serde_json::to_string(value) }?;
    let mut rest = text.as_str();
    // Such a character can only stand inside a string, where an escape means the same.
    while let Some(at) =
        rest.find(|c| matches!(c, '\u{7f}'..='\u{9f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}'))
    {
        let (plain, hit) = rest.split_at(at);
        let mut after = hit.chars();
        let code = after.next().map_or(0, u32::from);
        write!(out, "{plain}\\u{code:04x}")?;
        rest = after.as_str();
    }
    out.write_all(rest.as_bytes())
}

/// How several jobs are told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Frame {
    /// One job: an object.
    Object,
    /// Several jobs: a list.
    List,
    /// One line per job.
    Lines,
}

/// The JSON renderer.
pub struct JsonReport {
    frame: Frame,
    added: u64,
}

impl JsonReport {
    /// A renderer that has not written anything.
    pub fn new(frame: Frame) -> Self {
        Self { frame, added: 0 }
    }
}

impl Report<of_matrix::Judged, of_matrix::Totals> for JsonReport {
    fn add(&mut self, judged: &of_matrix::Judged, out: &mut dyn Write) -> io::Result<()> {
        if self.frame == Frame::List {
            out.write_all(if self.added == 0 { b"[\n" } else { b",\n" })?;
        }
        self.added += 1;
        write_value(&Entry::from(only(judged)), self.frame != Frame::Lines, out)?;
        if self.frame == Frame::List { Ok(()) } else { out.write_all(b"\n") }
    }

    fn finish(&mut self, _: &of_matrix::Totals, out: &mut dyn Write) -> io::Result<()> {
        match (self.frame, self.added) {
            (Frame::List, 0) => out.write_all(b"[]\n"),
            (Frame::List, _) => out.write_all(b"\n]\n"),
            _ => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::{Outcome, sample};
    use serde_json::Value;

    fn render(frame: Frame, outcomes: &[Outcome]) -> String {
        let mut report = JsonReport::new(frame);
        let mut out = Vec::new();
        for outcome in outcomes {
            report.add(&outcome.clone().map(|inspection| vec![inspection]), &mut out).expect("writes");
        }
        report.finish(&crate::show::report::matrix::samples::totals_of_none(), &mut out).expect("writes");
        String::from_utf8(out).expect("UTF-8")
    }

    fn samples() -> Vec<Outcome> {
        vec![
            Ok(sample::no_go()),
            Ok(sample::hold()),
            Ok(sample::empty()),
            Err(sample::unjudged()),
            Ok(sample::hostile()),
            Ok(sample::accepted()),
        ]
    }

    fn validator() -> jsonschema::Validator {
        jsonschema::validator_for(schema().as_value()).expect("the schema is one")
    }

    #[test]
    fn every_form_fits_the_published_schema() {
        let validator = validator();
        for outcome in samples() {
            let value: Value = serde_json::from_str(&render(Frame::Object, &[outcome])).expect("JSON");
            let faults: Vec<String> = validator.iter_errors(&value).map(|fault| fault.to_string()).collect();
            assert_eq!(faults, Vec::<String>::new());
        }
        let list: Value = serde_json::from_str(&render(Frame::List, &samples())).expect("JSON");
        assert_eq!(list.as_array().map(Vec::len), Some(6));
        assert!(validator.is_valid(&list));
        let lines = render(Frame::Lines, &samples());
        assert_eq!(lines.lines().count(), 6);
        assert!(lines.lines().all(|line| validator.is_valid(&serde_json::from_str(line).expect("JSON"))));
    }

    #[test]
    fn the_schema_refuses_other_shapes() {
        let validator = validator();
        let good: Value = serde_json::from_str(&render(Frame::Object, &[Ok(sample::no_go())])).expect("JSON");
        for (pointer, wrong) in [("/schema", "other/1"), ("/verdict", "maybe"), ("/time_s/total", "long")] {
            let mut bad = good.clone();
            *bad.pointer_mut(pointer).expect("is there") = wrong.into();
            assert!(!validator.is_valid(&bad), "{pointer}");
        }
        let mut bad = good;
        bad.as_object_mut().expect("object").remove("findings");
        assert!(!validator.is_valid(&bad));
        assert!(!validator.is_valid(&serde_json::json!({"schema": SCHEMA, "job": {"path": "x"}})));
    }

    #[test]
    fn fixed_paths_hold_unrounded_values() {
        let value: Value = serde_json::from_str(&render(Frame::Object, &[Ok(sample::no_go())])).expect("JSON");
        let at = |pointer: &str| value.pointer(pointer).unwrap_or_else(|| panic!("{pointer} is missing")).clone();
        assert_eq!(at("/schema"), SCHEMA);
        assert_eq!(at("/verdict"), "no-go");
        assert_eq!(at("/job/lines"), 91_233);
        assert_eq!(at("/time_s/total"), 3725.4 + 905.25 + 61.5 + 4.0 + 343.0);
        assert_eq!(at("/path_mm/total"), 473_820.5);
        assert_eq!(at("/filament/net_mm3"), 29_732.5);
        assert_eq!(at("/flow_mm3_s/p99"), 13.9);
        assert_eq!(at("/flow_mm3_s/capacity/sustained"), 11.0);
        assert_eq!(at("/flow_mm3_s/sustained_peak_line"), 20_117);
        assert_eq!(at("/extent_mm/reached/max/1"), 201.5);
        assert_eq!(at("/heat/tools_max_c/1/max_c"), 205.0);
        assert_eq!(at("/layers/0/first_line"), 40);
        assert_eq!(at("/findings/0/excerpts/1/line"), 20_117);
        assert_eq!(at("/findings/3/line"), Value::Null);
        assert_eq!(at("/checks/skipped/0/check"), "step-rate-over-limit");
        let empty: Value = serde_json::from_str(&render(Frame::Object, &[Ok(sample::empty())])).expect("JSON");
        assert_eq!(empty.pointer("/extent_mm/reached"), Some(&Value::Null));
        assert_eq!(empty.pointer("/flow_mm3_s/p50"), Some(&Value::Null));
    }

    #[test]
    fn what_is_not_finite_becomes_null() {
        let mut inspection = sample::go();
        inspection.flow.peak_mm3_s = f64::INFINITY;
        let value: Value = serde_json::from_str(&render(Frame::Object, &[Ok(inspection)])).expect("JSON");
        assert_eq!(value.pointer("/flow_mm3_s/peak"), Some(&Value::Null));
    }

    #[test]
    fn hostile_text_is_escaped_and_kept() {
        let text = render(Frame::Lines, &[Ok(sample::hostile())]);
        assert!(!text.trim_end().contains(char::is_control), "{text:?}");
        let value: Value = serde_json::from_str(&text).expect("JSON");
        assert_eq!(value.pointer("/job/path"), Some(&sample::hostile().job.path.into()));
    }

    #[test]
    fn an_unread_job_is_its_path_and_error() {
        snapbox::assert_data_eq!(
            render(Frame::Lines, &[Err(sample::unjudged())]),
            snapbox::str![[r#"
{"schema":"gonogo.report/1","error":"cannot read jobs/lost.gcode: no such file","job":{"path":"jobs/lost.gcode"}}

"#]]
        );
        assert_eq!(render(Frame::List, &[]), "[]\n");
    }

    #[test]
    fn object_snapshot() {
        let mut inspection = sample::no_go();
        inspection.layers.truncate(1);
        inspection.series.peak_mm3_s.truncate(1);
        inspection.series.sustained_mm3_s.truncate(1);
        snapbox::assert_data_eq!(
            render(Frame::Object, &[Ok(inspection)]),
            snapbox::file!["snapshots/report.json": Text]
        );
    }
}
