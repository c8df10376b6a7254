//! Faults that were found once, each with its reason.

use crate::support::{close, column, free_machine, judge, plan};

/// A limit change between two moves of one block made the planner look up the arcs of the second part while it derived
/// the first: it read past the end of the columns. Found by the slow planner on random jobs.
#[test]
fn a_limit_change_before_an_arc() {
    let mut machine = free_machine();
    machine.motion.limits.jerk_mm_s = [1e9; 4];
    let job = "G1 X10 F60000\nM204 S500\nG2 X20 I5 J0\nM204 S2000\nG1 X30\nG3 X40 I5\n";
    let accel = column(&plan(&machine, job), |b| &b.accel);
    assert_eq!(accel, [1000.0, 500.0, 2000.0, 2000.0], "each under the limits in force where it stands");
    close(judge(&machine, job).path_mm.total(), 20.0 + 10.0 * std::f64::consts::PI, 1e-9);
}

/// Speeds and limits near zero made times too large for their sums, which then overflowed. Found by random words.
#[test]
fn speeds_and_limits_near_zero() {
    let tiny = format!("0.{}1", "0".repeat(200));
    for words in [format!("G1 X1 E1 F{tiny}"), format!("M203 X{tiny}\nG1 X1"), format!("M201 E{tiny}\nM204 S{tiny}\nG1 E1 X1")] {
        let report = judge(&free_machine(), &format!("{words}\nM83\nG91\nG1 X1 E1\nG1 X2 E5\n"));
        assert!(report.time_s.total().is_finite() && report.time_s.total() > 1e6, "{words}");
    }
}

/// `G10 L2` with a frame number below 1 was taken for frame −1. Found by random words.
#[test]
fn work_offsets_of_no_frame() {
    let report = judge(&free_machine(), "G10 L2 P0.5 X100\nG10 L2 P-1 X100\nG10 L20 P7 X100\nG1 X5 F600\n");
    assert_eq!(report.reached.map(|reached| reached.max), Some([5.0, 0.0, 0.0]));
}

/// A filament of almost no diameter gave infinite lengths under M200. Found by random words.
#[test]
fn a_filament_of_no_diameter() {
    let report = judge(&free_machine(), &format!("M200 D0.{}1\nG1 X5 E1 F600\n", "0".repeat(200)));
    close(report.filament.net_mm, 1.0, 1e-9);
    assert!(report.findings.iter().any(|finding| finding.check == "malformed-word"));
}
