//! Melt rates by temperature, and what else hangs on heat, through the whole program: against closed forms.

use std::fs;

use gonogo::findings::{Finding, Inspection, Severity};
use gonogo::machine::Machine;
use gonogo::study::compare::{Comparison, ShiftKind};
use snapbox::cmd::{Command as Cmd, cargo_bin};

use crate::support::judge;

/// Invented: no limits of motion worth the name, so that flows are rectangles; a hotend that melts 1 mm³/s at 100 °C and 15 at
/// 240 °C, 0.1 mm³/s more for each °C, and obeys Newton's law with 60 s.
const LINNET: &str = r#"
name = "Linnet"
[travel]
x = [0, 400]
y = [0, 400]
z = [0, 300]
[motion]
feed_rate_limit_mm_s = { x = 1e9, y = 1e9, z = 1e9, e = 1e9 }
acceleration_limit_mm_s2 = { x = 1e9, y = 1e9, z = 1e9, e = 1e9 }
acceleration_mm_s2 = { printing = 1e9, travel = 1e9, retraction = 1e9 }
look_ahead_moves = "unlimited"
corner = { jerk_mm_s = { x = 0, y = 0, z = 0, e = 0 } }
[room]
ambient_c = 20
[[tool]]
filament_diameter_mm = 1.75
temperature_c = { limit = 260, extrude_min = 10 }
heating = { time_constant_s = 60, full_power_c = 320 }
melt_window_s = 0.5
[[tool.melt_rate_at]]
nozzle_c = 240
sustained_mm3_s = 15
[[tool.melt_rate_at]]
nozzle_c = 100
sustained_mm3_s = 1
"#;

fn linnet() -> Machine {
    Machine::parse("linnet.toml", LINNET).unwrap_or_else(|faults| panic!("{faults}"))
}

/// A line of `seconds` at 5 mm/s that pushes so many mm³/s.
fn line(from_x_mm: f64, seconds: f64, mm3_s: f64) -> String {
    let area_mm2 = std::f64::consts::PI / 4.0 * 1.75 * 1.75;
    let filament_mm = mm3_s * seconds / area_mm2;
    format!("G1 X{:.3} E{filament_mm:.5} F300\n", from_x_mm + 5.0 * seconds)
}

fn found<'i>(inspection: &'i Inspection, check: &str) -> Vec<&'i Finding> {
    inspection.findings.iter().filter(|finding| finding.check == check).collect()
}

/// A nozzle that is switched off while it prints: T(t) = 20 + 220 e^(−t / 60) °C, and 9 mm³/s are melted down to 180 °C.
#[test]
fn a_nozzle_that_cools_is_judged_moment_by_moment() {
    let job = format!("G28\nM83\nM109 S240\nM104 S0\nG1 Z0.2 F600\n{}", line(0.0, 60.0, 9.0));
    let inspection = judge(&linnet(), &job);
    let [finding] = found(&inspection, "melt-rate-exceeded")[..] else { panic!("{:?}", inspection.findings) };
    assert_eq!((finding.line, finding.count), (Some(6), 1));
    let end_c = 20.0 + 220.0 * (-1.0f64).exp();
    let least = 1.0 + (end_c - 100.0) / 10.0;
    // The lift before the line takes 0.02 s, which the nozzle cools too.
    assert!((finding.limit.expect("a limit") - least).abs() < 0.01, "{finding:?} {least}");
    assert!((finding.value.expect("a rate") - 9.0).abs() < 1e-4, "E has five decimals: {finding:?}");
    assert!(finding.message.contains("at 101 °C") || finding.message.contains("at 100.9"), "{finding:?}");
    // 9 mm³/s are too much from 60 ln(220 / 160) s on; judged in parts of 0.25 s, each at its middle.
    let over_s = 60.0 - 60.0 * (220.0f64 / 160.0).ln();
    assert!((inspection.flow_over_capacity_s.expect("is judged") - over_s).abs() < 0.15 + 0.02, "{inspection:?}");
    // What the largest rate is held against is that of its moment: soon after the start.
    assert!(inspection.capacity.sustained_mm3_s.expect("is known") > 14.0);
    // Cold from the start nothing is melted in vain: the plain way of a sheet without the rows says nothing.
    assert!(inspection.left_out.iter().all(|line| !line.contains("melt_rate_at")), "{:?}", inspection.left_out);
}

#[test]
fn beyond_the_measured_temperatures_the_ends_hold_and_the_report_says_so() {
    let job = |c: f64, mm3_s: f64| format!("G28\nM83\nM109 S{c}\nG1 Z0.2 F600\n{}", line(0.0, 20.0, mm3_s));
    let hot = judge(&linnet(), &job(255.0, 14.9));
    assert!(found(&hot, "melt-rate-exceeded").is_empty());
    assert!(hot.left_out.iter().any(|line| line.contains("`melt_rate_at`")), "{:?}", hot.left_out);
    assert_eq!(found(&judge(&linnet(), &job(255.0, 15.2)), "melt-rate-exceeded")[0].limit, Some(15.0));
    assert!(judge(&linnet(), &job(240.0, 14.9)).left_out.iter().all(|line| !line.contains("melt_rate_at")));
}

/// A tool that was put away with its heater off and is taken up again without a wait.
#[test]
fn a_parked_tool_is_as_cold_as_it_got() {
    let two = LINNET.to_owned() + &LINNET[LINNET.find("[[tool]]").expect("a tool")..];
    let machine = Machine::parse("linnet.toml", &two).unwrap_or_else(|faults| panic!("{faults}"));
    let job = |again: &str| {
        let heat = "G28\nM83\nM109 T0 S200\nM109 T1 S200\nM104 T1 S0\nT0\nG1 Z0.2 F600\n";
        format!("{heat}{}{again}\nT1\n{}", line(0.0, 40.0, 9.0), line(200.0, 10.0, 9.0))
    };
    let waited = judge(&machine, &job("M109 T1 S200"));
    assert!(found(&waited, "melt-rate-exceeded").is_empty(), "{:?}", waited.findings);
    // After 40 s at 20 + 180 e^(−2/3) = 112.4 °C, and then toward 320 °C: 2.24 mm³/s when the line begins and more each moment,
    // while the average rises as 9 (1 − e^(−t / 0.5)). The worst part ends where that has the value told, and its limit is
    // that of its start, at most 0.25 s before.
    let cold = judge(&machine, &job("M104 T1 S200"));
    let [finding] = found(&cold, "melt-rate-exceeded")[..] else { panic!("{:?}", cold.findings) };
    let (value, limit) = (finding.value.expect("a rate"), finding.limit.expect("a limit"));
    let start_c = 20.0 + 180.0 * (-40.0f64 / 60.0).exp();
    let melts = |s: f64| 1.0 + (320.0 - (320.0 - start_c) * (-s / 60.0).exp() - 100.0) / 10.0;
    let end_s = -0.5 * (1.0 - value / 9.0).ln();
    // The lift takes 0.02 s, in which tool 1 cools by 0.03 °C.
    assert!(
        limit > melts(end_s - 0.25) - 0.01 && limit < melts(end_s) + 0.01 && finding.kind == 1,
        "{finding:?} {end_s}"
    );
}

#[test]
fn an_offset_is_added_to_every_target_and_limits_hold_for_the_sum() {
    let job = format!("G28\nM83\nM109 S200\nG1 Z0.2 F600\n{}M104 S0\n", line(0.0, 20.0, 12.0));
    let at = |offset_c: &str| judge(&linnet().with("tool[0].nozzle_offset_c", offset_c).expect("a key"), &job);
    // 11 mm³/s at 200 °C, 12.5 at 215 °C.
    assert_eq!(found(&at("0"), "melt-rate-exceeded")[0].limit, Some(11.0));
    let warmer = at("15");
    assert!(found(&warmer, "melt-rate-exceeded").is_empty());
    assert_eq!(warmer.heat.nozzle_max_c, Some(215.0));
    // 60 ln(300 / 105) s from 20 to 215 °C toward 320 °C.
    assert!((warmer.time_s.heating - 60.0 * (300.0f64 / 105.0).ln()).abs() < 1e-6);
    let hot = at("61");
    let [finding] = found(&hot, "nozzle-over-limit")[..] else { panic!("{:?}", hot.findings) };
    assert_eq!((finding.severity, finding.value, finding.limit), (Severity::NoGo, Some(261.0), Some(260.0)));
    // One that is off stays off.
    assert!(found(&warmer, "heater-left-on").is_empty());
}

#[test]
fn headroom_says_at_which_offset_a_job_fits() {
    let folder = tempfile::tempdir().expect("a folder");
    let [sheet, job] = ["linnet.toml", "line.gcode"].map(|name| folder.path().join(name));
    fs::write(&sheet, LINNET).expect("writes");
    fs::write(&job, format!("G28\nM83\nM109 S200\nG1 Z0.2 F600\n{}M104 S0\n", line(0.0, 20.0, 12.5))).expect("writes");
    let run = Cmd::new(cargo_bin!("gonogo"))
        .env_remove("GONOGO_MACHINE")
        .arg("headroom")
        .arg(&job)
        .arg("--machine")
        .arg(&sheet)
        .args(["--raise", "tool[0].nozzle_offset_c"])
        .assert()
        .success();
    let said = String::from_utf8_lossy(&run.get_output().stdout).into_owned();
    // 12.5 mm³/s need 215 °C: 15 °C more, and in steps of 2 that is 16. Beyond 260 °C nobody goes: 32 °C are tried.
    assert!(said.contains("fits at 16 °C more") && said.contains("searched in steps of 2 °C"), "{said}");
    assert!(said.contains("melt-rate-exceeded is found less or not between 14 and 16 °C"), "{said}");
}

/// The same turn in less time: what `compare` says of a raised acceleration.
#[test]
fn a_faster_machine_leaves_layers_less_time() {
    // Sides of 20 mm from rest to rest: 2 √(20 / 100) s each at 100 mm/s², 20 mm at 50 mm/s without a limit.
    let mut job = "G28\nM83\nM109 S200\n".to_owned();
    for layer in 1..=5 {
        job += &format!("G1 X50 Y50 Z{:.1} F3000\n", 0.2 * f64::from(layer));
        for [x, y] in [[70, 50], [70, 70], [50, 70], [50, 50]] {
            job += &format!("G1 X{x} Y{y} E0.5\n");
        }
    }
    let key = "motion.acceleration_mm_s2.printing";
    let wanting = linnet().with("tool[0].layer_time_min_s", "3").expect("a key");
    let slow = judge(&wanting.with(key, "100").expect("a key"), &job);
    assert!(4.0 * 2.0 * (20.0f64 / 100.0).sqrt() > 3.0 && found(&slow, "layer-time-too-short").is_empty());
    let fast = judge(&wanting, &job);
    let [finding] = found(&fast, "layer-time-too-short")[..] else { panic!("{:?}", fast.findings) };
    assert_eq!((finding.count, finding.line), (4, Some(10)));
    assert!((finding.value.expect("s") - (80.0 + 0.2) / 50.0).abs() < 1e-4, "{finding:?}");
    let compared = Comparison::of(slow, fast);
    let gained = compared.shifts.iter().filter(|shift| shift.kind == ShiftKind::Gained);
    assert!(gained.map(|shift| shift.check.as_ref()).any(|check| check == "layer-time-too-short"));
}
