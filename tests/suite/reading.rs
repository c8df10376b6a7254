//! How lines are read.
//!
//! The standard: Kramer, Proctor, Messina, *The NIST RS274/NGC Interpreter, Version 3*, NISTIR 6556, 2000; the section
//! stands beside each case. What the printer trade does on top of it, or otherwise, is common practice without a source.

use std::f64::consts::PI;

use gonogo::block::Block;
use gonogo::findings::{Finding, Inspection, Severity};
use gonogo::machine::{ExtrusionMode, Heating, Machine};

use crate::support::{close, column, corpus_machine, free_machine, judge, plan};

/// A machine that passes corners at full speed, so that only the reading matters.
fn machine() -> Machine {
    let mut machine = free_machine();
    machine.motion.limits.jerk_mm_s = [1e9; 4];
    machine
}

/// End points of all moves.
fn ends(job: &str) -> Vec<[f64; 3]> {
    let blocks = plan(&machine(), job);
    let axis = |i: usize| column(&blocks, |block: &Block| &block.to[i]);
    let (x, y, z) = (axis(0), axis(1), axis(2));
    (0..x.len()).map(|k| [x[k], y[k], z[k]]).collect()
}

fn filament(job: &str) -> Vec<f64> {
    column(&plan(&machine(), job), |block| &block.de_mm)
}

#[track_caller]
fn close_all(actual: &[f64], expected: &[f64]) {
    assert_eq!(actual.len(), expected.len(), "{actual:?}");
    actual.iter().zip(expected).for_each(|(&actual, &expected)| close(actual, expected, 1e-12));
}

fn found<'r>(report: &'r Inspection, check: &str) -> Vec<&'r Finding> {
    report.findings.iter().filter(|finding| finding.check == check).collect()
}

/// Whether the job has damaged words.
fn damaged(job: &str) -> bool {
    !found(&judge(&machine(), job), "malformed-word").is_empty()
}

// The standard.

#[test]
fn blanks_and_case_have_no_meaning() {
    // 3.3: `g0x +0. 12 34y 7` is equivalent to `g0 x+0.1234 y7`.
    assert_eq!(ends("g0x +0. 12 34y 7\n"), [[0.1234, 7.0, 0.0]]);
    assert_eq!(ends("G\t0 X\t+0.1234 Y7\r\n"), [[0.1234, 7.0, 0.0]]);
}

#[test]
fn comments() {
    // 3.3.4: comments in brackets may stand between words; comments may not be nested.
    assert_eq!(ends("G0 (up to) X1 (and) Y2(end)\n(G0 X9)\n"), [[1.0, 2.0, 0.0]]);
    assert!(!damaged("G0 (up to) X1\n"));
    assert!(damaged("G0 X1 (a (nested) one)\n"), "nested");
    assert!(damaged("G0 X1 (open\n"), "not closed");
}

#[test]
fn numbers() {
    // 3.3.2.1: a sign, digits with at most one point among them, at least one digit, no exponent form.
    assert_eq!(ends("G0 X.5 Y-.5 Z+7.\n"), [[0.5, -0.5, 7.0]]);
    assert!(damaged("G0 X1.2.3\n"), "two points");
    assert!(damaged("G0 X\n"), "no digit");
}

#[test]
fn whole_numbers() {
    // 3.3.2.1: where an integer is due, a value within 0.0001 of one is taken.
    assert_eq!(ends("G1.00001 X5 F600\n"), [[5.0, 0.0, 0.0]]);
    assert_eq!(ends("G0.99999 X5 F600\n"), [[5.0, 0.0, 0.0]]);
    assert!(ends("G1.001 X5 F600\n").is_empty());
}

#[test]
fn arc_by_centre() {
    // 3.5.3.2: from x7 y7, `G17 G2 x 10 y 16 i 3 j 4 z 9`: clockwise about (10, 11), radius 5, as a helix to z 9.
    let job = "G0 X7 Y7 F600\nG17 G2 x 10 y 16 i 3 j 4 z 9\n";
    let blocks = plan(&machine(), job);
    let arc = blocks.iter().find_map(|block| block.curve(1)).copied();
    let Some(gonogo::geometry::Curve::Arc(arc)) = arc else { panic!("{arc:?}") };
    assert_eq!((arc.centre, arc.radius), ([10.0, 11.0], 5.0));
    close(arc.sweep_rad.to_degrees(), -143.130102354156, 1e-12);
    close(column(&blocks, |block| &block.length_mm)[1], 12.490457723982544f64.hypot(9.0), 1e-12);
    let reached = judge(&machine(), job).reached.unwrap();
    assert_eq!((reached.min, reached.max), ([5.0, 7.0, 0.0], [10.0, 16.0, 9.0]));
}

#[test]
fn arc_by_centre_in_other_planes() {
    // 3.5.3.2: offsets I K in the X Z plane, J K in the Y Z plane. The planes are right-handed (Z X and Y Z), so half a
    // turn counter-clockwise from 0 to 2 goes over z = 1 in the one and under z = −1 in the other.
    for (words, z) in [("G18 G3 X2 Z0 I1 K0", [0.0, 1.0]), ("G19 G3 Y2 Z0 J1 K0", [-1.0, 0.0])] {
        let reached = judge(&machine(), &format!("F600\n{words}\n")).reached.unwrap();
        assert_eq!([reached.min[2], reached.max[2]], z, "{words}");
    }
}

#[test]
fn arc_by_radius() {
    // 3.5.3.1: positive radius turns through 180° or less, negative through 180° to 359.999°; the same end point is an
    // error. Chord 10 under radius 10: 60° or 300°.
    let half = 75f64.sqrt();
    for (words, degrees, y) in [
        ("G2 X10 R10", 60.0, [0.0, 10.0 - half]),
        ("G2 X10 R-10", 300.0, [0.0, 10.0 + half]),
        ("G3 X10 R10", 60.0, [half - 10.0, 0.0]),
        ("G3 X10 R-10", 300.0, [-half - 10.0, 0.0]),
        ("G2 X10 R5", 180.0, [0.0, 5.0]),
    ] {
        let job = format!("F600\n{words}\n");
        let length = if words.ends_with("R5") { 5.0 * PI } else { 10.0 * PI * degrees / 180.0 };
        close(judge(&machine(), &job).path_mm.total(), length, 1e-9);
        let reached = judge(&machine(), &job).reached.unwrap();
        assert!((reached.min[1] - y[0]).abs() < 1e-9 && (reached.max[1] - y[1]).abs() < 1e-9, "{words}: {reached:?}");
    }
    for words in ["G2 X0 R5", "G2 R5", "G2 X5", "G2 X10 R5 I5", "G2 X10 I0 J0"] {
        let job = format!("F600\n{words}\n");
        assert!(damaged(&job) && ends(&job).is_empty(), "{words}");
    }
}

#[test]
fn radii_that_differ() {
    // 3.5.3.2: start and end may differ in their radius by 0.002 mm.
    let mismatches = |end: &str| {
        let report = judge(&machine(), &format!("F600\nG2 X{end} I5\n"));
        found(&report, "arc-radius-mismatch").iter().map(|finding| finding.severity).collect::<Vec<_>>()
    };
    assert_eq!(mismatches("10.0019"), []);
    assert_eq!(mismatches("10.03"), [Severity::Note]);
    assert_eq!(mismatches("10.3"), [Severity::Hold]);
}

#[test]
fn offsets_of_the_frame() {
    // 3.5.18: at X 4, `G92 X7` makes the offset −3; `G92 X9` after that makes it −5. Relative mode has no effect on G92.
    for mode in ["", "G91\n"] {
        let job = format!("G0 X4 F600\n{mode}G92 X7\nG90\nG0 X0\n");
        assert_eq!(judge(&machine(), &job).reached.unwrap().min[0], -3.0, "{mode}");
        let job = format!("G0 X4 F600\n{mode}G92 X7\nG92 X9\nG90\nG0 X0\n");
        assert_eq!(judge(&machine(), &job).reached.unwrap().min[0], -5.0, "{mode}");
    }
    // G92.1 takes the offset away.
    assert_eq!(ends("G0 X4\nG92 X7\nG92.1\nG0 X6\n")[1], [6.0, 0.0, 0.0]);
}

#[test]
fn two_words_of_one_group() {
    // 3.4: two G words of one modal group on a line are an error.
    for line in ["G90 G91", "G20 G21", "G17 G18"] {
        assert!(damaged(&format!("F600\n{line}\n")), "{line}");
    }
    for line in ["G90 G21 G17 G1 X1", "G91 G20"] {
        assert!(!damaged(&format!("F600\n{line}\n")), "{line}");
    }
}

#[test]
fn inches() {
    // The international inch is 25.4 mm (agreement of 1959, from memory); it scales F, offsets and radii too.
    assert_eq!(ends("G20\nG1 X1 F10\nG2 X2 I0.5\nG21\nG1 X1\n"), [[25.4, 0.0, 0.0], [50.8, 0.0, 0.0], [1.0, 0.0, 0.0]]);
    let blocks = plan(&machine(), "G20\nG1 X1 F60\n");
    close(column(&blocks, |block| &block.feed_mm_s)[0], 25.4, 1e-12);
}

#[test]
fn block_delete_and_line_numbers() {
    // 3.3: an optional slash, an optional line number, then the words. A deleted block is not carried out.
    assert_eq!(ends("N10 G0 X1\n/ N20 G0 X50\nn30G0X2\n"), [[1.0, 0.0, 0.0], [2.0, 0.0, 0.0]]);
}

// The trade.

#[test]
fn several_commands_on_a_line() {
    assert_eq!(ends("G91 G1 X5 F600 G90\nG92 X1 G1 X3\n").len(), 2);
    let report = judge(&machine(), "G90 M83 M104 S200 G1 X5 E1 F600 M140 S50\n");
    assert_eq!((report.heat.nozzle_max_c, report.heat.bed_max_c), (Some(200.0), Some(50.0)));
    assert_eq!(report.reached.unwrap().max[0], 5.0);
}

#[test]
fn lines_of_bare_axis_words_repeat_the_mode() {
    assert_eq!(ends("G1 X1 F600\nX2\nM104 S0\nY3 X4\n"), [[1.0, 0.0, 0.0], [2.0, 0.0, 0.0], [4.0, 3.0, 0.0]]);
    close(judge(&machine(), "G2 X2 I1 F600\nX4 I1\n").path_mm.total(), 2.0 * PI, 1e-9);
    assert!(damaged("X5\n") && ends("X5\n").is_empty(), "nothing to repeat");
}

#[test]
fn flags_of_homing() {
    let mut machine = machine();
    machine.travel.home = [-2.0, -3.0, 4.0];
    let report = judge(&machine, "G1 X9 Y9 Z9 F600\nG28 X W\n");
    assert!(found(&report, "malformed-word").is_empty());
    let reached = report.reached.unwrap();
    assert_eq!((reached.min[0], reached.min[1]), (-2.0, 9.0));
    // The home position is where it goes on from, without the frame's offset.
    let job = "G1 X9 F600\nG92 X0\nG28\nG1 X1\n";
    assert_eq!(judge(&machine, job).reached.unwrap().min, [-2.0, -3.0, 0.0]);
    assert_eq!(column(&plan(&machine, job), |block| &block.to[0]), [9.0, 1.0]);
}

#[test]
fn settings_of_several_drives_take_lists() {
    let judged = |job: &str| judge(&machine(), &format!("G28\n{job}\n"));
    for line in
        ["M572 D0:1 S0.05", "M201 E3000:2000", "M92 E420:420", "M906 X800 E600:600", "M84 E0:1", "M106 P0:2 S255"]
    {
        assert!(found(&judged(line), "malformed-word").is_empty(), "{line}");
    }
    assert!(found(&judged("M566 X900 E120:120"), "malformed-word").is_empty(), "nobody knows what it takes");
    for line in ["G1 X1:2 F600", "G1 X1 E0.5:0.5", "M104 S200:210", "X1:2"] {
        let told = judged(line);
        let message = &found(&told, "malformed-word")[0].message;
        assert!(message.contains("list of values"), "{line}: {message}");
    }
    let mut limited = machine();
    limited.tools[0].limit_c = Some(260.0);
    assert_eq!(found(&judge(&limited, "G10 P0 S200:9999\n"), "nozzle-over-limit").len(), 1);
}

#[test]
fn z_is_homed_where_the_sheet_says() {
    let mut machine = machine();
    machine.travel.home = [-2.0, -3.0, 4.0];
    machine.travel.homes_z_at_mm = Some([30.0, 40.0]);
    let goes_on = |homing: &str| {
        let planned = plan(&machine, &format!("G28\nG1 X9 Y9 Z9 F600\n{homing}\nG1 Z5\n"));
        [0, 1].map(|axis| column(&planned, |block| &block.to[axis])[1])
    };
    // There it stays, unless all axes are homed.
    for homing in ["G28 Z", "G28 Z X", "G28 Z0 Y0"] {
        assert_eq!(goes_on(homing), [30.0, 40.0], "{homing}");
    }
    assert_eq!([goes_on("G28"), goes_on("G28 X Y"), goes_on("G28 X")], [[-2.0, -3.0], [-2.0, -3.0], [-2.0, 9.0]]);
}

#[test]
fn texts_are_no_words() {
    let job = "M117 G1 X500 E5 T3 (open\nM23 X1.GCO\nM118 S500 * 12\nG1 X1 F600\n";
    assert_eq!(ends(job), [[1.0, 0.0, 0.0]]);
    assert!(!damaged(job));
}

#[test]
fn checksums() {
    // XOR of all bytes before the star.
    let line = "N7 G1 X12.5 F600";
    let sum = line.bytes().fold(0, |sum, byte| sum ^ byte);
    assert!(found(&judge(&machine(), &format!("{line}*{sum}\n")), "bad-checksum").is_empty());
    assert_eq!(ends(&format!("{line} * {sum}\n")), [[12.5, 0.0, 0.0]]);
    let report = judge(&machine(), &format!("{line}*{}\n", sum ^ 1));
    assert_eq!(found(&report, "bad-checksum")[0].line, Some(1));
    assert_eq!(report.reached.unwrap().max[0], 12.5, "carried out all the same");
}

#[test]
fn no_exponents() {
    // E is the extruder: `X1E5` is X 1 and E 5.
    assert_eq!(ends("M83\nG1X1E5F600\n"), [[1.0, 0.0, 0.0]]);
    assert_eq!(filament("M83\nG1X1E5F600\n"), [5.0]);
}

#[test]
fn extruder_modes() {
    // The latest of G90 G91 M82 M83 decides, or M82 M83 alone.
    let job = "G91\nG1 X1 E1 F600\nG1 X1 E1\nM82\nG1 X1 E2.5\nG90\nG1 X9 E3\n";
    assert_eq!(filament(job), [1.0, 1.0, 0.5, 0.5]);
    let mut machine = machine();
    machine.controller.extrusion_mode = ExtrusionMode::OwnWords;
    assert_eq!(column(&plan(&machine, job), |block| &block.de_mm), [1.0, 0.0, 1.5, 0.5]);
}

#[test]
fn retraction_by_the_controller() {
    let job = "M207 S1.5 F1800 Z0.3\nM208 S0.1 F1200\nG1 X1 F600\nG10\nG10\nG1 X5\nG11\nG11\n";
    close_all(&filament(job), &[0.0, -1.5, 0.0, 0.0, 0.0, 1.6]);
    let z: Vec<f64> = ends(job).iter().map(|end| end[2]).collect();
    close_all(&z[2..4], &[0.3, 0.3]);
    assert!(z[4].abs() < 1e-12);
    let feed = column(&plan(&machine(), job), |block| &block.feed_mm_s);
    close_all(&[feed[1], feed[5]], &[30.0, 20.0]);
    // Without a length nothing moves, and that is said.
    let report = judge(&machine(), "G1 X1 F600\nG10\nG11\nG1 X2\n");
    assert_eq!((report.job.moves, found(&report, "retraction-length-unknown").len()), (2, 1));
}

#[test]
fn work_frames() {
    // G10 with L or P sets a frame and retracts nothing; P1 is G54.
    let job = "G10 L2 P1 X10 Y20\nG10 L2 P2 X100\nG54\nG1 X1 Y1 F600\nG55 G1 X1\nG53 G1 X3 Y3\nG1 X3\n";
    assert_eq!(ends(job), [[11.0, 21.0, 0.0], [101.0, 21.0, 0.0], [3.0, 3.0, 0.0], [103.0, 3.0, 0.0]]);
    // L20: the present position gets these values.
    assert_eq!(ends("G1 X30 F600\nG10 L20 P1 X5\nG1 X6\n")[1], [31.0, 0.0, 0.0]);
}

#[test]
fn machine_frame_for_one_line() {
    assert_eq!(ends("G92 X5\nG53 G1 X3 F600\nG1 X3\n"), [[3.0, 0.0, 0.0], [-2.0, 0.0, 0.0]]);
    assert_eq!(ends("G1 X7 F600\nG91\nG53 G1 X3\nG1 X3\n")[1..], [[3.0, 0.0, 0.0], [6.0, 0.0, 0.0]]);
}

#[test]
fn volumes_instead_of_lengths() {
    let area = PI / 4.0 * 1.75 * 1.75;
    let job = "M83\nM200 D1.75\nG1 X10 E5 F600\nM200 D0\nG1 X20 E5\n";
    close_all(&filament(job), &[5.0 / area, 5.0]);
    close(judge(&machine(), job).filament.net_mm3, 5.0 + 5.0 * area, 1e-9);
}

#[test]
fn cubic_curves() {
    // Control points (0, 10) and (10, 10); the length by Simpson's rule, the top at t = 1/2: y = 7.5.
    let job = "F600\nG5 I0 J10 P0 Q10 X10 Y0\n";
    let speed = |t: f64| {
        let (dx, dy) = (60.0 * t * (1.0 - t), 30.0 * (1.0 - 2.0 * t));
        dx.hypot(dy)
    };
    let steps = 2000;
    let simpson: f64 = (0..=steps)
        .map(|k| {
            let weight = if k == 0 || k == steps {
                1.0
            } else if k % 2 == 1 {
                4.0
            } else {
                2.0
            };
            weight * speed(f64::from(k) / f64::from(steps))
        })
        .sum::<f64>()
        / (3.0 * f64::from(steps));
    let report = judge(&machine(), job);
    close(report.path_mm.total(), simpson, 1e-8);
    close(report.reached.unwrap().max[1], 7.5, 1e-9);
    // Without I J it goes on smoothly: the mirror image of P Q at the start, so the curve dips below.
    let smooth = judge(&machine(), "F600\nG5 I0 J10 P0 Q10 X10 Y0\nG5 P0 Q-10 X20 Y0\n").reached.unwrap();
    close(smooth.min[1], -7.5, 1e-9);
    assert!(damaged("F600\nG5 P0 Q10 X10\n"), "nothing to go on from");
}

#[test]
fn temperatures_of_another_tool() {
    let report = judge(&machine(), "M104 T1 S210\nM104 S190\nM104 T1 S0\nG1 X1 F600\n");
    assert_eq!(report.heat.tools_max_c, [(0, 190.0), (1, 210.0)]);
    assert_eq!(found(&report, "tool-not-described").len(), 1);
}

#[test]
fn waiting_for_cooling() {
    // S waits for heating only, R for cooling too. Newton's law: 60 ln((T∞ − T₀) / (T∞ − T₁)).
    let mut machine = machine();
    machine.ambient_c = 20.0;
    machine.tools[0].heating = Some(Heating { time_constant_s: 60.0, full_power_c: 300.0 });
    let waits = |job: &str| judge(&machine, job).time_s.heating;
    let up = 60.0 * (280f64 / 100.0).ln();
    close(waits("M109 S200\n"), up, 1e-6);
    close(waits("M109 S200\nM109 S110\n"), up, 1e-6);
    close(waits("M109 S200\nM109 R110\n"), up + 60.0 * 2f64.ln(), 1e-6);
    close(waits("M104 S200\nM109\n"), up, 1e-6);
}

#[test]
fn dwells() {
    // S in seconds wins over P in milliseconds.
    for (line, seconds) in [("G4 P250", 0.25), ("G4 S2", 2.0), ("G4 S2 P250", 2.0), ("G4", 0.0), ("G4 P0", 0.0)] {
        assert_eq!(judge(&machine(), &format!("{line}\n")).time_s.dwell, seconds, "{line}");
    }
}

#[test]
fn feed_rates_that_are_none() {
    for line in ["F0", "G1 F0", "F-5", "F"] {
        let blocks = plan(&machine(), &format!("G1 X1 F600\n{line}\nG1 X2\n"));
        assert_eq!(column(&blocks, |block| &block.feed_mm_s), [10.0, 10.0], "{line}");
    }
}

#[test]
fn unknown_lines_merge() {
    let job = "WARM_UP HEAT=210\nM9999 S1\n@mark\n$x=1\nhello there\n".repeat(500) + "G28\nG1 X1 F600\n";
    let report = judge(&machine(), &job);
    let unknown = found(&report, "unknown-command");
    assert_eq!((unknown.len(), unknown[0].severity, &unknown[0].lines[..]), (1, Severity::Note, &[2, 4][..]));
    assert!(unknown[0].message.contains("M9999 (500 times, first on line 2)"), "{unknown:?}");
    let called = found(&report, "macro-not-described");
    assert_eq!((called.len(), called[0].severity, &called[0].lines[..]), (1, Severity::Hold, &[1, 5][..]));
    assert!(called[0].message.contains("hello (500 times, first on line 5)"), "{called:?}");
    assert_eq!(report.reached.unwrap().max[0], 1.0);
}

/// A word of the controller that the sheet describes sets limits: the same plan as with M204 and M205, and the closed form
/// of two legs of 50 mm through a right angle at 20 mm/s. With v² = (2 a L + v_c²) / 2 at the peak of each leg (from rest
/// or to rest) they take 2 (2 v − v_c) / a.
#[test]
fn described_macros_set_limits_of_motion() {
    let machine = corpus_machine("wren").with("controller.homing_s", "0").expect("valid");
    let time_s = |word: &str| {
        let job = format!("G28\nG0 X100 Y100 Z20 F24000\n{word}\nG4 P0\nG0 X150\nG0 Y150\nM84\n");
        judge(&machine, &job).time_s.travel
    };
    assert_eq!(time_s("GENTLY ACC=1000"), time_s("M204 P1000 T1000"));
    assert_ne!(time_s("GENTLY"), time_s("GENTLY ACC=1000"));
    let before = time_s("M84");
    let way_there = { judge(&machine, "G28\nG0 X100 Y100 Z20 F24000\nM84\n").time_s.travel };
    assert!(before > way_there);
    let (a, leg, corner) = (1000.0, 50.0, 20.0);
    let peak = f64::sqrt((2.0 * a * leg + corner * corner) / 2.0);
    let expected = 2.0 * (2.0 * peak - corner) / a;
    let legs = time_s("gently acc=1000 TURN=20") - way_there;
    assert!((legs - expected).abs() < 1e-5, "{legs} {expected}");
}

/// Where a described macro leaves the nozzle counts as known, and it does not home.
#[test]
fn described_macros_leave_the_nozzle_somewhere() {
    let machine = corpus_machine("wren");
    let ids = |job: &str| -> Vec<String> {
        let found = judge(&machine, job).findings;
        found.iter().map(|finding| format!("{} {:?}", finding.check, finding.line)).collect()
    };
    let off = ids("G28\nM141 S40\nSOAK CHAMBER=40\nG91\nG0 X130 F6000\nM141 S0\nM84\n");
    assert!(off.contains(&"outside-travel Some(5)".to_owned()), "{off:?}");
    let never = ids("SOAK CHAMBER=40\nG0 X130 F6000\nM141 S0\nM84\n");
    assert!(never.iter().any(|id| id.starts_with("moves-before-homing")), "{never:?}");
}

/// Several filaments through one nozzle, and a number that puts all tools away: keys of the sheet. Common practice, no
/// source.
#[test]
fn tool_numbers_of_filaments() {
    let mut machine = machine();
    machine.tools.push(machine.tools[0].clone());
    machine.tools[0].filaments = 3;
    machine.tools[1].offset_mm = [20.0, 0.0, 0.0];
    machine.controller.tool_change_s = Some(8.0);
    machine.controller.no_tool_number = Some(255.0);
    let report = |job: &str| judge(&machine, &format!("G28\nM83\n{job}"));
    let changes = |job: &str| report(job).time_s.tool_change;
    // T2 is the third filament of the first nozzle, T3 the second nozzle; what is in use already is no change.
    assert_eq!(changes("T0\nT2\nT2\nT3\nT255\nT3\n"), 16.0);
    // The second tip is 20 mm to the right: the carriage goes so much less far.
    let last = |job: &str| column(&plan(&machine, &format!("G28\nM83\n{job}\nG1 X60 E1 F600\n")), |b| &b.to[0]);
    assert_eq!((last("T2"), last("T3")), (vec![60.0], vec![40.0]));
    let undescribed = |job: &str| found(&report(job), "tool-not-described").len();
    assert_eq!((undescribed("T3\nM104 T2 S0\n"), undescribed("T4\n"), undescribed("T255\n")), (0, 1, 0));
}

#[test]
fn what_stops_or_rewires_the_machine() {
    let severity = |line: &str| {
        let found = judge(&machine(), &format!("G28\n{line}\n"));
        found.findings.iter().find(|finding| finding.check == "machine-changed-in-job").map(|finding| finding.severity)
    };
    for line in ["M112", "M584 X0 Y1 Z2", "M914 X60", "M350 X16 Y16", "M569 P0 S0"] {
        assert_eq!(severity(line), Some(Severity::Hold), "{line}");
    }
    for line in ["M569 S1 X Y", "M906 X800"] {
        assert_eq!(severity(line), Some(Severity::Note), "{line}");
    }
    // Questions change nothing.
    for line in ["M350", "M569", "M569 P0", "M584", "M584 P3", "M914"] {
        assert_eq!(severity(line), None, "{line}");
    }
    // A file of commands that nobody can see from here.
    assert_eq!(found(&judge(&machine(), "M32 other.g\n"), "macro-not-described").len(), 1);
}
