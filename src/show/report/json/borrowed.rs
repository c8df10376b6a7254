//! From an inspection to the published shape, which borrows from it.

use super::SCHEMA;
use super::shape::*;
use crate::findings::{self as of, Unjudged};
use crate::physics::wall_clock::WallTime;

impl<'a> From<Result<&'a of::Inspection, &'a Unjudged>> for Entry<'a> {
    fn from(outcome: Result<&'a of::Inspection, &'a Unjudged>) -> Self {
        match outcome {
            Ok(inspection) => Self::Judged(Box::new(inspection.into())),
            Err(Unjudged { path, error }) => Self::Unjudged(NotJudged {
                schema: SCHEMA.into(),
                error: error.into(),
                job: Path { path: path.into() },
            }),
        }
    }
}

impl<'a> From<&'a of::Inspection> for Judged<'a> {
    fn from(from: &'a of::Inspection) -> Self {
        Self {
            schema: SCHEMA.into(),
            verdict: from.verdict.into(),
            acceptance: from.acceptance.as_ref().map(|acceptance| Acceptance {
                source: (&acceptance.source).into(),
                findings: from.findings.iter().filter(|finding| finding.accepted.is_some()).count(),
                unsafe_findings: from.accepted_unsafe(),
                remarks: (&acceptance.remarks).into(),
            }),
            job: (&from.job).into(),
            machine: (&from.machine).into(),
            time_s: Time::of(from.time_s, from.wall_time),
            clock: from.wall_time.map(|time| Clock { expected_s: time.expected_s, from_prints: time.from_prints }),
            actions: from.actions.into(),
            pauses: from.pauses,
            path_mm: from.path_mm.into(),
            filament: from.filament.into(),
            flow_mm3_s: Flow::new(&from.flow, from.capacity, &from.flow_by_tool),
            flow_over_capacity_s: from.flow_over_capacity_s,
            flow_series: (&from.series).into(),
            step_rates: from.step_rates.iter().map(Into::into).collect(),
            command_rate: from.command_rate.map(Into::into),
            starving: from.starving.map(Into::into),
            ringing: from.ringing.iter().map(Into::into).collect(),
            extent_mm: Extent { reached: from.reached.map(Into::into), extruding: from.extruding.map(Into::into) },
            heat: (&from.heat).into(),
            energy: from.energy.map(Into::into),
            widths: from.widths.map(Into::into),
            purge_line: from.purge_line.map(Into::into),
            layers: from.layers.iter().copied().map(Into::into).collect(),
            layers_total: from.layers_total,
            findings: from.findings.iter().map(Into::into).collect(),
            limits_set_in_job: from.limits_set_in_job,
            checks: Checks {
                run: (&from.checks_run).into(),
                skipped: from.checks_skipped.iter().map(Into::into).collect(),
            },
            not_checked: from.not_checked().into_iter().map(Into::into).collect(),
            left_out: (&from.left_out).into(),
        }
    }
}

impl<'a> From<&'a of::Ringing> for Ringing<'a> {
    fn from(from: &'a of::Ringing) -> Self {
        let &of::Ringing { ref axis, peak_mm, peak_line, peak_hz, mark_spacing_mm, p95_mm, limit_mm, over_limit_s } =
            from;
        Self {
            axis: axis.as_ref().into(),
            peak_mm,
            peak_line,
            peak_hz,
            mark_spacing_mm,
            p95_mm,
            limit_mm,
            over_limit_s,
        }
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
        Self {
            path: path.into(),
            bytes: *bytes,
            lines: *lines,
            commands: *commands,
            moves: *moves,
            digest: digest.into(),
        }
    }
}

impl<'a> From<&'a of::MachineFacts> for Machine<'a> {
    fn from(from: &'a of::MachineFacts) -> Self {
        let of::MachineFacts { name, source, digest, built_in } = from;
        Self { name: name.into(), source: source.into(), digest: digest.into(), built_in: *built_in }
    }
}

impl<'a> From<&'a crate::machine::Machine> for Machine<'a> {
    fn from(from: &'a crate::machine::Machine) -> Self {
        let crate::machine::Machine { name, source, digest, built_in, .. } = from;
        Self { name: name.into(), source: source.into(), digest: digest.into(), built_in: *built_in }
    }
}

impl From<of::ActionCounts> for Actions {
    fn from(from: of::ActionCounts) -> Self {
        let of::ActionCounts { homings, probings, tool_changes } = from;
        Self { homings, probings, tool_changes }
    }
}

impl Time {
    fn of(from: of::TimeParts, wall: Option<WallTime>) -> Self {
        let of::TimeParts { extruding, travel, extrude_only, dwell: _, homing, probing, tool_change, starved, heating } =
            from;
        let (total, dwell) = (from.total(), from.standing());
        let (low, high) = (wall.map(|wall| wall.low_s), wall.map(|wall| wall.high_s));
        Self {
            total,
            low,
            high,
            extruding,
            travel,
            extrude_only,
            dwell,
            homing,
            probing,
            tool_change,
            starved,
            heating,
        }
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

/// Each of them by itself.
fn quantiles(all: Option<[f64; 4]>) -> [Option<f64>; 4] {
    all.map_or([None; 4], |all| all.map(Some))
}

impl Flow {
    fn new(from: &of::Flow, capacity: of::Capacity, by_tool: &[of::ToolFlow]) -> Self {
        let [p50, p90, p95, p99] = quantiles(from.quantiles_mm3_s);
        Self {
            peak: from.peak_mm3_s,
            peak_line: from.peak_line,
            mean: from.mean_mm3_s,
            p50,
            p90,
            p95,
            p99,
            burst_peak: from.burst_peak_mm3_s,
            burst_peak_line: from.burst_peak_line,
            sustained_peak: from.sustained_peak_mm3_s,
            sustained_peak_line: from.sustained_peak_line,
            capacity: Capacity { sustained: capacity.sustained_mm3_s, peak: capacity.peak_mm3_s },
            by_tool: by_tool.iter().copied().map(Into::into).collect(),
            all_pushed: Some(from.pushed.into()),
        }
    }
}

impl From<of::Pushed> for Pushed {
    fn from(from: of::Pushed) -> Self {
        let of::Pushed { peak_mm3_s, peak_line, mean_mm3_s, quantiles_mm3_s, over_capacity_s } = from;
        let [p50, p90, p95, p99] = quantiles(quantiles_mm3_s);
        Self { peak: peak_mm3_s, peak_line, mean: mean_mm3_s, p50, p90, p95, p99, over_capacity_s }
    }
}

impl<'a> From<&'a of::FlowSeries> for Series<'a> {
    fn from(from: &'a of::FlowSeries) -> Self {
        let of::FlowSeries { bin_s, end_s, peak_mm3_s, sustained_mm3_s } = from;
        Self { bin_s: *bin_s, end_s: *end_s, peak_mm3_s: peak_mm3_s.into(), sustained_mm3_s: sustained_mm3_s.into() }
    }
}

impl<'a> From<&'a of::StepRate> for StepRate<'a> {
    fn from(from: &'a of::StepRate) -> Self {
        let of::StepRate { motor, hz, line } = from;
        Self { motor: motor.as_ref().into(), hz: *hz, line: *line }
    }
}

impl From<of::Starving> for Starving {
    fn from(of::Starving { extra_s, from_line, in_times }: of::Starving) -> Self {
        Self { extra_s, from_line, in_times }
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

impl From<of::Energy> for Energy {
    fn from(from: of::Energy) -> Self {
        let of::Energy { used_wh, mean_w, peak_w } = from;
        Self { used_wh, mean_w, peak_w }
    }
}

impl From<of::Widths> for Widths {
    fn from(from: of::Widths) -> Self {
        let of::Widths {
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

impl From<of::Led> for Led {
    fn from(from: of::Led) -> Self {
        let of::Led { speed_mm_s, speed_line, jump_mm_s, jump_line } = from;
        Self { speed_mm_s, speed_line, jump_mm_s, jump_line }
    }
}

impl From<of::PurgeLine> for PurgeLine {
    fn from(from: of::PurgeLine) -> Self {
        let of::PurgeLine { z_mm, first_line, last_line, path_mm, filament_mm } = from;
        Self { z_mm, first_line, last_line, path_mm, filament_mm }
    }
}

impl From<of::Layer> for Layer {
    fn from(from: of::Layer) -> Self {
        let of::Layer { z_mm, z_top_mm, start_s, first_line, time_s, path_mm, volume_mm3, flow_peak_mm3_s } = from;
        Self { z_mm, z_top_mm, first_line, start_s, time_s, path_mm, volume_mm3, flow_peak_mm3_s }
    }
}

impl<'a> From<&'a of::Finding> for Finding<'a> {
    fn from(from: &'a of::Finding) -> Self {
        Self {
            check: from.check.as_ref().into(),
            kind: from.kind,
            severity: from.severity.into(),
            line: from.line,
            last_line: from.last_line,
            count: from.count,
            lines: (&from.lines).into(),
            message: (&from.message).into(),
            value: from.value,
            worst_line: from.worst_line,
            limit: from.limit,
            unit: from.unit.as_ref().into(),
            excerpts: from
                .excerpts
                .iter()
                .map(|of::Excerpt { line, text }| Excerpt { line: *line, text: text.into() })
                .collect(),
            place_mm: from.place_mm,
            worst_place_mm: from.worst_place_mm,
            places_mm: from.places_mm.map(Into::into),
            accepted: from.accepted.as_ref().map(|why| Accepted {
                because: (&why.because).into(),
                until: why.until.as_deref().map(Into::into),
                by: why.by.as_deref().map(Into::into),
                even_unsafe: why.even_unsafe,
            }),
        }
    }
}

impl<'a> From<&'a of::Skipped> for Skipped<'a> {
    fn from(from: &'a of::Skipped) -> Self {
        Self {
            check: from.check.as_ref().into(),
            reason: (&from.reason).into(),
            unchecked: from.unchecked.as_deref().map(Into::into),
        }
    }
}

impl From<of::ToolFlow> for ToolFlow {
    fn from(from: of::ToolFlow) -> Self {
        let of::ToolFlow {
            peak_mm3_s: peak,
            peak_line,
            burst_peak_mm3_s: burst_peak,
            burst_peak_line,
            sustained_peak_mm3_s: sustained_peak,
            sustained_peak_line,
        } = from;
        Self { peak, peak_line, burst_peak, burst_peak_line, sustained_peak, sustained_peak_line }
    }
}
