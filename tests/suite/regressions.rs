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
