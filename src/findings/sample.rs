//! Inspections built by hand for the tests of the renderers. Machines and jobs are invented.

use crate::findings::{Unjudged, *};
use crate::geometry::Box3;

fn excerpt(line: u64, text: &str) -> Excerpt {
    Excerpt { line, text: text.to_owned() }
}

/// A finding on the lines given, the last being the worst.
pub fn finding(check: &'static str, severity: Severity, lines: &[(u64, &str)], message: &str) -> Finding {
    let numbers: Vec<u64> = lines.iter().map(|(line, _)| *line).collect();
    Finding {
        check: check.into(),
        kind: 0,
        severity,
        line: numbers.first().copied(),
        last_line: numbers.last().copied(),
        count: numbers.len().max(1) as u64,
        message: message.to_owned(),
        value: None,
        worst_line: numbers.last().copied(),
        limit: None,
        unit: "".into(),
        excerpts: lines.iter().map(|(line, text)| excerpt(*line, text)).collect(),
        lines: numbers,
        place_mm: None,
        worst_place_mm: None,
        places_mm: None,
        accepted: None,
    }
}

fn melt_rate() -> Finding {
    Finding {
        count: 84,
        last_line: Some(90_412),
        value: Some(14.2),
        limit: Some(11.0),
        unit: "mm3/s".into(),
        ..finding(
            "melt-rate-over-capacity",
            Severity::NoGo,
            &[
                (1204, "G1 X101.204 Y88.310 E4.20712 F7200"),
                (20_117, "G1 X180.2 Y88.310 E12.0011 F9000 ; outer wall of the hook, long straight run"),
            ],
            "the sustained melt rate reaches 14.2 mm3/s, the hotend keeps up 11 mm3/s",
        )
    }
}

fn layers() -> Vec<Layer> {
    let layer = |index: u64| Layer {
        z_mm: 0.2 + 0.2 * index as f64,
        z_top_mm: 0.2 + 0.2 * index as f64,
        start_s: 360.0 + 22.0 * index as f64,
        first_line: 40 + 430 * index,
        time_s: if index == 7 { 95.0 } else { 22.0 },
        path_mm: 1800.5,
        volume_mm3: 140.25,
        flow_peak_mm3_s: 12.5,
    };
    (0..212).map(layer).collect()
}

fn series() -> FlowSeries {
    let at = |bin: usize| 7.5 + 3.0 * (bin as f64 / 9.0).sin() + if (140..150).contains(&bin) { 3.9 } else { 0.0 };
    let sustained: Vec<f64> = (0..240).map(at).collect();
    FlowSeries {
        bin_s: 21.0,
        end_s: 5040.0,
        peak_mm3_s: sustained.iter().map(|rate| rate + 1.25).collect(),
        sustained_mm3_s: sustained,
    }
}

fn ringing() -> Ringing {
    Ringing {
        axis: "x".into(),
        peak_mm: 0.0425,
        peak_line: Some(20_117),
        peak_hz: Some(47.0),
        mark_spacing_mm: Some(2.55),
        p95_mm: Some(0.0125),
        limit_mm: Some(0.03),
        over_limit_s: Some(12.5),
    }
}

fn hook() -> JobFacts {
    JobFacts {
        path: "jobs/hook.gcode".to_owned(),
        bytes: 3_412_870,
        lines: 91_233,
        commands: 90_877,
        moves: 88_120,
        digest: format!("blake3:{}", "5e".repeat(32)),
    }
}

fn heron() -> MachineFacts {
    MachineFacts {
        name: "Heron (invented)".to_owned(),
        source: "heron.toml".to_owned(),
        digest: format!("blake3:{}", "a1".repeat(32)),
        built_in: false,
    }
}

fn filament() -> Filament {
    Filament { net_mm: 12_361.4, pushed_mm: 13_590.2, net_mm3: 29_732.5, purged_mm: 20.0, net_g: Some(36.87) }
}

fn flow() -> Flow {
    Flow {
        peak_mm3_s: 15.45,
        peak_line: Some(20_117),
        mean_mm3_s: Some(7.98),
        quantiles_mm3_s: Some([7.9, 10.5, 10.9, 13.9]),
        burst_peak_mm3_s: 14.75,
        burst_peak_line: Some(20_111),
        sustained_peak_mm3_s: 14.2,
        sustained_peak_line: Some(20_117),
        pushed: Pushed {
            peak_mm3_s: 15.45,
            peak_line: Some(20_117),
            mean_mm3_s: Some(7.97),
            quantiles_mm3_s: Some([7.9, 10.5, 10.9, 13.9]),
            over_capacity_s: Some(210.0),
        },
    }
}

fn heat() -> Heat {
    Heat {
        nozzle_max_c: Some(215.0),
        bed_max_c: Some(60.0),
        chamber_max_c: None,
        tools_max_c: vec![(0, 215.0), (1, 205.0)],
        waits_modelled: true,
    }
}

/// A job without findings on a sheet of its own.
pub fn go() -> Inspection {
    let skipped = Skipped {
        check: "step-rate-over-limit".into(),
        reason: "the sheet gives no controller.step_rate_limit_hz".to_owned(),
        unchecked: None,
    };
    Inspection {
        verdict: Verdict::Go,
        job: hook(),
        machine: heron(),
        time_s: TimeParts {
            extruding: 3725.4,
            travel: 905.25,
            extrude_only: 61.5,
            dwell: 4.0,
            heating: 343.0,
            ..TimeParts::default()
        },
        actions: ActionCounts { homings: 1, probings: 1, tool_changes: 0 },
        wall_time: None,
        pauses: 1,
        path_mm: PathParts { extruding: 381_706.0, travel: 92_114.5 },
        filament: filament(),
        flow: flow(),
        flow_by_tool: Vec::new(),
        capacity: Capacity { sustained_mm3_s: Some(11.0), peak_mm3_s: Some(16.0) },
        flow_over_capacity_s: Some(210.0),
        step_rates: vec![
            StepRate { motor: "X".into(), hz: 15_250.5, line: Some(311) },
            StepRate { motor: "of the extruder".into(), hz: 4100.0, line: Some(60) },
        ],
        command_rate: Some(CommandRate { hz: 212.5, line: 20_140, moves: 16 }),
        starving: None,
        ringing: vec![ringing()],
        reached: Some(Box3 { min: [-2.0, 0.0, 0.0], max: [180.2, 201.5, 62.6] }),
        extruding: Some(Box3 { min: [20.1, 18.0, 0.2], max: [180.2, 150.25, 42.4] }),
        heat: heat(),
        energy: Some(Energy { used_wh: 214.5, mean_w: 96.25, peak_w: 282.0 }),
        widths: Some(widths()),
        purge_line: Some(PurgeLine { z_mm: 0.3, first_line: 21, last_line: 23, path_mm: 180.5, filament_mm: 14.5 }),
        layers: layers(),
        layers_total: 212,
        series: series(),
        findings: Vec::new(),
        limits_set_in_job: false,
        acceptance: None,
        checks_run: ["melt-rate-over-capacity", "outside-travel", "nozzle-too-hot", "cold-extrusion"]
            .map(Into::into)
            .to_vec(),
        checks_skipped: vec![skipped],
        left_out: vec!["Homing counts 0 s: the sheet gives no controller.homing_s.".to_owned()],
    }
}

fn widths() -> Widths {
    let led = Led { speed_mm_s: 4.25, speed_line: Some(301), jump_mm_s: 2.5, jump_line: Some(299) };
    Widths {
        laid_mm: 60_000.0,
        wide_mm: 4200.0,
        thin_mm: 2400.0,
        bulge_mm3: 0.1425,
        bulge_line: Some(301),
        start_share: Some(0.62),
        start_line: Some(77),
        led: Some(led),
        steps_left_out_mm_s: Some(1.75),
        steps_line: Some(77),
    }
}

/// A job with two notes and a hold on the built-in machine.
pub fn hold() -> Inspection {
    let mut inspection = go();
    inspection.verdict = Verdict::Hold;
    inspection.job.path = "-".to_owned();
    inspection.wall_time = Some(WallTime { expected_s: 5460.0, low_s: 5270.0, high_s: 5650.0, from_prints: 24 });
    inspection.machine = MachineFacts {
        name: "cautious".to_owned(),
        source: "built-in".to_owned(),
        digest: format!("blake3:{}", "00".repeat(32)),
        built_in: true,
    };
    inspection.findings = vec![
        Finding {
            value: Some(182.04),
            limit: Some(182.0),
            unit: "°C".into(),
            ..finding(
                "cold-extrusion",
                Severity::Hold,
                &[(61, "G1 E8 F300")],
                "filament is pushed at 182.04 °C, at least 182.05 °C are needed",
            )
        },
        finding("unknown-command", Severity::Note, &[(12, "M9999 S1")], "M9999 is not known and was passed over"),
        finding("no-end-of-heat", Severity::Note, &[], "no heater is switched off at the end"),
    ];
    inspection
}

/// A job that must not run, with findings of all weights.
pub fn no_go() -> Inspection {
    let mut inspection = go();
    inspection.verdict = Verdict::NoGo;
    inspection.findings = hold().findings;
    inspection.findings.insert(0, melt_rate());
    inspection
}

/// A job that goes because of what somebody accepted, with entries that do not hold any more.
pub fn accepted() -> Inspection {
    let mut inspection = no_go();
    inspection.verdict = Verdict::Go;
    for finding in inspection.findings.iter_mut().take(2) {
        finding.accepted = Some(AcceptedWhy {
            because: "the hotend was changed, twelve test parts\x1b[2J are fine".to_owned(),
            until: Some("2027-01-31".to_owned()),
            by: Some("K.".to_owned()),
            even_unsafe: finding.severity == Severity::NoGo,
        });
    }
    let remark = "cold-extrusion at x 12, y 30, z 0.2 mm, accepted as hold, is no longer found: take its entry out of known.toml";
    inspection.acceptance = Some(Acceptance { source: "known.toml".to_owned(), remarks: vec![remark.to_owned()] });
    inspection
}

/// An empty job: every optional number is missing.
pub fn empty() -> Inspection {
    let job =
        JobFacts { path: "empty.g".to_owned(), bytes: 0, lines: 0, commands: 0, moves: 0, digest: "blake3:0".into() };
    Inspection::draft(job, go().machine)
}

/// A job whose path, lines and texts try to reach the terminal.
pub fn hostile() -> Inspection {
    let mut inspection = no_go();
    inspection.job.path = "a\x1b[2J\x1b]0;gone\x07/\u{202e}b\r.gcode".to_owned();
    inspection.machine.name = "Bittern\x1b[31m (invented)".to_owned();
    inspection.machine.source = "bit\ntern.toml".to_owned();
    inspection.findings[0].excerpts[0].text = "G1\tX1 \x1b[8mE1\u{9b}2J".to_owned();
    inspection.findings[0].message = "bad\x1b[5m\nvalue\u{2028}".to_owned();
    inspection.checks_skipped[0].reason = "a\x07b".to_owned();
    inspection.left_out.push("c\x1bd".to_owned());
    inspection
}

/// A job that could not be read.
pub fn unjudged() -> Unjudged {
    Unjudged { path: "jobs/lost.gcode".to_owned(), error: "cannot read jobs/lost.gcode: no such file".to_owned() }
}
