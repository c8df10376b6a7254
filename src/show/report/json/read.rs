//! A report read back: the same value, so that a ledger or a worker's caller can render it again.

use std::borrow::Cow;

use serde::Deserialize;

use super::SCHEMA;
use super::shape::*;
use crate::findings::{self as of, Outcome};
use crate::geometry;
use crate::physics::wall_clock::WallTime;
use crate::wording::safe;

/// Why a text is not a report on one job on one machine.
#[derive(Debug, thiserror::Error)]
pub enum NotAReport {
    /// Not JSON, or not of the published shape.
    #[error("not a report on one job: {}", safe(&.0.to_string()))]
    Shape(#[from] serde_json::Error),
    /// Another name or version of the shape.
    #[error("this is `{}`, and `{SCHEMA}` can be read here", safe(.0))]
    Version(String),
    /// A report of this shape that no version writes.
    #[error("not a report on one job: {0}")]
    Contradicts(&'static str),
}

/// Reads one report as `json` prints it for one job, or a line of `ndjson`: what became of the job.
///
/// Every number is the very one that was printed. Keys that are not known here are left out.
///
/// # Errors
/// [`NotAReport`]: the text is something else, or contradicts itself.
pub fn read(text: &str) -> Result<Outcome, NotAReport> {
    #[derive(Deserialize)]
    struct Head<'a> {
        schema: Cow<'a, str>,
        error: Option<Cow<'a, str>>,
    }
    let head: Head<'_> = serde_json::from_str(text)?;
    if head.schema != SCHEMA {
        return Err(NotAReport::Version(head.schema.into_owned()));
    }
    if head.error.is_some() {
        let NotJudged { error, job, .. } = serde_json::from_str(text)?;
        return Ok(Err(of::Unjudged { path: job.path.into_owned(), error: error.into_owned() }));
    }
    serde_json::from_str::<Judged<'_>>(text)?.try_into().map(Ok)
}

/// A name from a catalogue. Those that programs write are plain; what is not is shown so that it cannot act on anything.
fn name(text: Cow<'_, str>) -> Cow<'static, str> {
    safe(&text).into_owned().into()
}

/// More than any job takes, in s, mm, mm³ or g: sums over jobs stay finite below it.
const SUMMED_MOST: f64 = 1e200;

fn all<T, U: From<T>>(items: Vec<T>) -> Vec<U> {
    items.into_iter().map(U::from).collect()
}

impl TryFrom<Judged<'_>> for of::Inspection {
    type Error = NotAReport;

    fn try_from(from: Judged<'_>) -> Result<Self, NotAReport> {
        let (flow, flow_by_tool, capacity) = from.flow_mm3_s.apart(from.flow_over_capacity_s)?;
        let read = Self {
            verdict: from.verdict.into(),
            job: from.job.into(),
            machine: from.machine.into(),
            actions: from.actions.into(),
            wall_time: from.time_s.wall(from.clock)?,
            time_s: from.time_s.into(),
            pauses: from.pauses,
            path_mm: from.path_mm.into(),
            filament: from.filament.into(),
            flow,
            flow_by_tool,
            capacity,
            flow_over_capacity_s: from.flow_over_capacity_s,
            step_rates: all(from.step_rates),
            command_rate: from.command_rate.map(Into::into),
            starving: from.starving.map(Into::into),
            ringing: all(from.ringing),
            reached: from.extent_mm.reached.map(Into::into),
            extruding: from.extent_mm.extruding.map(Into::into),
            heat: from.heat.into(),
            energy: from.energy.map(Into::into),
            widths: from.widths.map(Into::into),
            purge_line: from.purge_line.map(Into::into),
            layers: all(from.layers),
            layers_total: from.layers_total,
            series: from.flow_series.into(),
            findings: all(from.findings),
            limits_set_in_job: from.limits_set_in_job,
            acceptance: from.acceptance.map(Into::into),
            checks_run: from.checks.run.into_owned().into_iter().map(name).collect(),
            checks_skipped: all(from.checks.skipped),
            left_out: from.left_out.into_owned(),
        };
        let of::Filament { net_mm, pushed_mm, net_mm3, purged_mm, net_g } = read.filament;
        let summed =
            [read.time_s.total(), read.path_mm.total(), net_mm, pushed_mm, net_mm3, purged_mm, net_g.unwrap_or(0.0)];
        if summed.iter().any(|sum| sum.abs() > SUMMED_MOST) {
            return Err(NotAReport::Contradicts("its time, path or filament is beyond any job's"));
        }
        // A ledger must not call a job by a verdict that its findings do not give.
        match read.verdict == of::Verdict::of(&read.findings) {
            true => Ok(read),
            false => Err(NotAReport::Contradicts("its verdict is not that of its findings")),
        }
    }
}

/// All of them or none.
fn quantiles(of: [Option<f64>; 4]) -> Result<Option<[f64; 4]>, NotAReport> {
    match of {
        [Some(p50), Some(p90), Some(p95), Some(p99)] => Ok(Some([p50, p90, p95, p99])),
        [None, None, None, None] => Ok(None),
        _ => Err(NotAReport::Contradicts("some of the melt rate's quantiles are missing")),
    }
}

impl Flow {
    /// The rates over all, those of each tool, and what they are held against.
    fn apart(self, over_capacity_s: Option<f64>) -> Result<(of::Flow, Vec<of::ToolFlow>, of::Capacity), NotAReport> {
        let quantiles_mm3_s = quantiles([self.p50, self.p90, self.p95, self.p99])?;
        // Reports of earlier versions know of moves along a path only.
        let pushed = match self.all_pushed {
            Some(Pushed { peak, peak_line, mean, p50, p90, p95, p99, over_capacity_s }) => of::Pushed {
                peak_mm3_s: peak,
                peak_line,
                mean_mm3_s: mean,
                quantiles_mm3_s: quantiles([p50, p90, p95, p99])?,
                over_capacity_s,
            },
            None => of::Pushed {
                peak_mm3_s: self.peak,
                peak_line: self.peak_line,
                mean_mm3_s: self.mean,
                quantiles_mm3_s,
                over_capacity_s,
            },
        };
        let flow = of::Flow {
            peak_mm3_s: self.peak,
            peak_line: self.peak_line,
            mean_mm3_s: self.mean,
            quantiles_mm3_s,
            burst_peak_mm3_s: self.burst_peak,
            burst_peak_line: self.burst_peak_line,
            sustained_peak_mm3_s: self.sustained_peak,
            sustained_peak_line: self.sustained_peak_line,
            pushed,
        };
        let Capacity { sustained: sustained_mm3_s, peak: peak_mm3_s } = self.capacity;
        Ok((flow, all(self.by_tool), of::Capacity { sustained_mm3_s, peak_mm3_s }))
    }
}

impl From<Verdict> for of::Verdict {
    fn from(from: Verdict) -> Self {
        match from {
            Verdict::Go => Self::Go,
            Verdict::Hold => Self::Hold,
            Verdict::NoGo => Self::NoGo,
        }
    }
}

impl From<Severity> for of::Severity {
    fn from(from: Severity) -> Self {
        match from {
            Severity::Note => Self::Note,
            Severity::Hold => Self::Hold,
            Severity::NoGo => Self::NoGo,
        }
    }
}

impl From<Job<'_>> for of::JobFacts {
    fn from(from: Job<'_>) -> Self {
        let Job { path, bytes, lines, commands, moves, digest } = from;
        Self { path: path.into_owned(), bytes, lines, commands, moves, digest: digest.into_owned() }
    }
}

impl From<Machine<'_>> for of::MachineFacts {
    fn from(from: Machine<'_>) -> Self {
        let Machine { name, source, digest, built_in } = from;
        Self { name: name.into_owned(), source: source.into_owned(), digest: digest.into_owned(), built_in }
    }
}

impl From<Actions> for of::ActionCounts {
    fn from(from: Actions) -> Self {
        let Actions { homings, probings, tool_changes } = from;
        Self { homings, probings, tool_changes }
    }
}

impl Time {
    /// What the clock says: all of it or nothing.
    fn wall(&self, clock: Option<Clock>) -> Result<Option<WallTime>, NotAReport> {
        match (clock, self.low, self.high) {
            (None, None, None) => Ok(None),
            (Some(Clock { expected_s, from_prints }), Some(low_s), Some(high_s))
                if low_s <= expected_s && expected_s <= high_s && high_s < SUMMED_MOST =>
            {
                Ok(Some(WallTime { expected_s, low_s, high_s, from_prints }))
            }
            _ => Err(NotAReport::Contradicts("its clock and the bounds of its time do not go together")),
        }
    }
}

impl From<Time> for of::TimeParts {
    fn from(from: Time) -> Self {
        let Time {
            total: _,
            low: _,
            high: _,
            extruding,
            travel,
            extrude_only,
            dwell,
            homing,
            probing,
            tool_change,
            starved,
            heating,
        } = from;
        // Exact: times lie on a grid.
        let dwell = dwell - homing - probing;
        Self { extruding, travel, extrude_only, dwell, homing, probing, tool_change, starved, heating }
    }
}

impl From<Lengths> for of::PathParts {
    fn from(from: Lengths) -> Self {
        let Lengths { total: _, extruding, travel } = from;
        Self { extruding, travel }
    }
}

impl From<Filament> for of::Filament {
    fn from(from: Filament) -> Self {
        let Filament { net_mm, pushed_mm, purged_mm, net_mm3, net_g } = from;
        Self { net_mm, pushed_mm, net_mm3, purged_mm, net_g }
    }
}

impl From<ToolFlow> for of::ToolFlow {
    fn from(from: ToolFlow) -> Self {
        let ToolFlow { peak, peak_line, burst_peak, burst_peak_line, sustained_peak, sustained_peak_line } = from;
        Self {
            peak_mm3_s: peak,
            peak_line,
            burst_peak_mm3_s: burst_peak,
            burst_peak_line,
            sustained_peak_mm3_s: sustained_peak,
            sustained_peak_line,
        }
    }
}

impl From<Series<'_>> for of::FlowSeries {
    fn from(from: Series<'_>) -> Self {
        let Series { bin_s, end_s, peak_mm3_s, sustained_mm3_s } = from;
        Self { bin_s, end_s, peak_mm3_s: peak_mm3_s.into_owned(), sustained_mm3_s: sustained_mm3_s.into_owned() }
    }
}

impl From<StepRate<'_>> for of::StepRate {
    fn from(from: StepRate<'_>) -> Self {
        let StepRate { motor, hz, line } = from;
        Self { motor: name(motor), hz, line }
    }
}

impl From<Starving> for of::Starving {
    fn from(Starving { extra_s, from_line, in_times }: Starving) -> Self {
        Self { extra_s, from_line, in_times }
    }
}

impl From<CommandRate> for of::CommandRate {
    fn from(from: CommandRate) -> Self {
        let CommandRate { hz, line, moves } = from;
        Self { hz, line, moves }
    }
}

impl From<Ringing<'_>> for of::Ringing {
    fn from(from: Ringing<'_>) -> Self {
        let Ringing { axis, peak_mm, peak_line, peak_hz, mark_spacing_mm, p95_mm, limit_mm, over_limit_s } = from;
        let axis = name(axis);
        Self { axis, peak_mm, peak_line, peak_hz, mark_spacing_mm, p95_mm, limit_mm, over_limit_s }
    }
}

impl From<Box3> for geometry::Box3 {
    fn from(from: Box3) -> Self {
        let Box3 { min, max } = from;
        Self { min, max }
    }
}

impl From<Heat> for of::Heat {
    fn from(from: Heat) -> Self {
        let Heat { nozzle_max_c, bed_max_c, chamber_max_c, tools_max_c, waits_modelled } = from;
        let tools_max_c = tools_max_c.into_iter().map(|ToolHeat { tool, max_c }| (tool, max_c)).collect();
        Self { nozzle_max_c, bed_max_c, chamber_max_c, tools_max_c, waits_modelled }
    }
}

impl From<Energy> for of::Energy {
    fn from(from: Energy) -> Self {
        let Energy { used_wh, mean_w, peak_w } = from;
        Self { used_wh, mean_w, peak_w }
    }
}

impl From<Widths> for of::Widths {
    fn from(from: Widths) -> Self {
        let Widths {
            laid_mm,
            wide_mm,
            thin_mm,
            bulge_mm3,
            bulge_line,
            start_share,
            start_line,
            led,
            steps_left_out_mm_s,
            steps_line,
        } = from;
        let led = led.map(Into::into);
        Self {
            laid_mm,
            wide_mm,
            thin_mm,
            bulge_mm3,
            bulge_line,
            start_share,
            start_line,
            led,
            steps_left_out_mm_s,
            steps_line,
        }
    }
}

impl From<Led> for of::Led {
    fn from(from: Led) -> Self {
        let Led { speed_mm_s, speed_line, jump_mm_s, jump_line } = from;
        Self { speed_mm_s, speed_line, jump_mm_s, jump_line }
    }
}

impl From<PurgeLine> for of::PurgeLine {
    fn from(from: PurgeLine) -> Self {
        let PurgeLine { z_mm, first_line, last_line, path_mm, filament_mm } = from;
        Self { z_mm, first_line, last_line, path_mm, filament_mm }
    }
}

impl From<Layer> for of::Layer {
    fn from(from: Layer) -> Self {
        let Layer { z_mm, z_top_mm, first_line, start_s, time_s, path_mm, volume_mm3, flow_peak_mm3_s } = from;
        // Reports of before that key have none.
        let z_top_mm = z_top_mm.max(z_mm);
        Self { z_mm, z_top_mm, start_s, first_line, time_s, path_mm, volume_mm3, flow_peak_mm3_s }
    }
}

impl From<Finding<'_>> for of::Finding {
    fn from(from: Finding<'_>) -> Self {
        Self {
            check: name(from.check),
            kind: from.kind,
            severity: from.severity.into(),
            line: from.line,
            last_line: from.last_line,
            count: from.count,
            lines: from.lines.into_owned(),
            message: from.message.into_owned(),
            value: from.value,
            worst_line: from.worst_line,
            limit: from.limit,
            unit: name(from.unit),
            excerpts: all(from.excerpts),
            place_mm: from.place_mm,
            worst_place_mm: from.worst_place_mm,
            places_mm: from.places_mm.map(Into::into),
            accepted: from.accepted.map(Into::into),
        }
    }
}

impl From<Excerpt<'_>> for of::Excerpt {
    fn from(from: Excerpt<'_>) -> Self {
        let Excerpt { line, text } = from;
        Self { line, text: text.into_owned() }
    }
}

impl From<Accepted<'_>> for of::AcceptedWhy {
    fn from(from: Accepted<'_>) -> Self {
        let Accepted { because, until, by, even_unsafe } = from;
        let owned = |text: Cow<'_, str>| text.into_owned();
        Self { because: because.into_owned(), until: until.map(owned), by: by.map(owned), even_unsafe }
    }
}

impl From<Acceptance<'_>> for of::Acceptance {
    fn from(from: Acceptance<'_>) -> Self {
        Self { source: from.source.into_owned(), remarks: from.remarks.into_owned() }
    }
}

impl From<Skipped<'_>> for of::Skipped {
    fn from(from: Skipped<'_>) -> Self {
        let Skipped { check, reason, unchecked } = from;
        Self { check: name(check), reason: reason.into_owned(), unchecked: unchecked.map(name) }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Entry, write_value};
    use super::*;
    use crate::findings::sample;

    fn printed(outcome: &Outcome, pretty: bool) -> String {
        let mut out = Vec::new();
        write_value(&Entry::from(outcome.as_ref()), pretty, &mut out).expect("writes");
        String::from_utf8(out).expect("UTF-8")
    }

    #[test]
    fn what_is_printed_reads_back() {
        let samples = [sample::go(), sample::hold(), sample::no_go(), sample::empty(), sample::hostile()];
        let samples = samples.into_iter().chain([sample::accepted()]).map(Ok).chain([Err(sample::unjudged())]);
        for outcome in samples {
            for pretty in [true, false] {
                assert_eq!(read(&printed(&outcome, pretty)).expect("a report"), outcome);
            }
        }
    }

    #[test]
    fn what_is_none_is_said() {
        let good = printed(&Ok(sample::no_go()), false);
        let refused = |text: &str| read(text).expect_err("is none").to_string();
        for text in ["", "[]", "{}", "{\"schema\": 1}", &good[..good.len() - 1]] {
            assert!(refused(text).starts_with("not a report on one job: "), "{text}");
        }
        let other = refused("{\"schema\":\"gonogo.comparison/1\"}");
        assert_eq!(other, "this is `gonogo.comparison/1`, and `gonogo.report/1` can be read here");
        assert!(refused(&good.replace("\"verdict\":\"no-go\"", "\"verdict\":\"go\"")).contains("that of its findings"));
        assert!(refused(&good.replace("\"p90\":", "\"p9x\":")).contains("quantiles"));
        assert!(refused(&good.replacen("\"count\":84", "\"count\":null", 1)).contains("null"));
    }

    #[test]
    fn names_and_keys_of_other_versions_are_kept_and_left_out() {
        let newer = printed(&Ok(sample::no_go()), false).replacen('{', "{\"to_come\":1,", 1);
        let newer = newer.replace("outside-travel", "of-a-later-version");
        let read = read(&newer).expect("a report").expect("judged");
        assert!(read.checks_run.iter().any(|check| check == "of-a-later-version"));
    }
}
