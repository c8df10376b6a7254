//! Small jobs with expected numbers from closed forms.
//!
//! Each derivation stands beside its case; the numbers were confirmed by an independent reference planner in Python
//! that agrees with a linear program on 20 067 junctions and with a general-purpose trajectory generator on 2 378 single
//! moves. Trapezoids: Biagiotti, Melchiorri, Trajectory Planning for Automatic Machines and Robots, Springer 2008, ch. 3
//! (from memory). Tolerance 1e-6 relative: squared speeds are rounded to 2⁻²⁰ (mm/s)². Quantiles too, because these jobs
//! have one steady rate per bucket of the histogram; in general they hold to 0.3 %.

use gonogo::machine::{CornerRule, LookAhead, Machine};
use gonogo::preflight::RunOptions;

use crate::support::{close, column, free_machine, judge, judge_sized, plan};

const TOLERANCE: f64 = 1e-6;

fn accelerations(machine: &mut Machine, printing: f64, travel: f64, retraction: f64) {
    let limits = &mut machine.motion.limits;
    (limits.printing_mm_s2, limits.travel_mm_s2, limits.retraction_mm_s2) = (printing, travel, retraction);
}

fn close_all(actual: &[f64], expected: &[f64]) {
    assert_eq!(actual.len(), expected.len(), "{actual:?}");
    for (&actual, &expected) in actual.iter().zip(expected) {
        if expected == 0.0 { assert_eq!(actual, 0.0) } else { close(actual, expected, TOLERANCE) }
    }
}

#[test]
fn single_trapezoid() {
    // t = L/V + V/a with V = 75, a = 1250 (travel).
    let mut machine = free_machine();
    accelerations(&mut machine, 1000.0, 1250.0, 1000.0);
    let job = "G90\nG0 X73.5 F4500\n";
    let report = judge(&machine, job);
    close(report.time_s.total(), 1.04, TOLERANCE);
    close(report.time_s.travel, 1.04, TOLERANCE);
    assert_eq!(report.filament.net_mm, 0.0);
    assert_eq!(report.reached.unwrap().max, [73.5, 0.0, 0.0]);
    assert_eq!(column(&plan(&machine, job), |b| &b.v_peak_mm_s), [75.0]);
    assert_eq!((report.flow.peak_mm3_s, report.flow.mean_mm3_s, report.flow.quantiles_mm3_s), (0.0, None, None));
}

#[test]
fn triangle_and_flow() {
    // vp = √(a L) < F/60 = 150; t = 2 √(L/a); peak flow = π/4 1.75² (E/L) vp; flow is linear in time: quantile p = p peak.
    let mut machine = free_machine();
    accelerations(&mut machine, 1000.0, 3000.0, 1000.0);
    let job = "G90\nM83\nG1 X1.2 Y1.6 E0.0665 F9000\n";
    let report = judge(&machine, job);
    close(report.time_s.total(), 0.08944271909999159, TOLERANCE);
    close(report.flow.peak_mm3_s, 3.5766185626712823, TOLERANCE);
    close(report.flow.mean_mm3_s.unwrap(), 1.7883092813356412, TOLERANCE);
    let [p50, p90, _, p99] = report.flow.quantiles_mm3_s.unwrap();
    close(p50, 1.7883092813356412, TOLERANCE);
    close(p90, 3.218956706404154, TOLERANCE);
    close(p99, 3.5408523770445695, TOLERANCE);
    close(report.filament.net_mm, 0.0665, TOLERANCE);
    close(report.filament.net_mm3, 0.15995124471441158, TOLERANCE);
    close_all(&column(&plan(&machine, job), |b| &b.v_peak_mm_s), &[44.721359549995796]);
}

fn jerk_machine() -> Machine {
    let mut machine = free_machine();
    machine.motion.limits.jerk_mm_s = [8.0, 8.0, 0.4, 5.0];
    machine
}

#[test]
fn axis_caps_on_a_diagonal() {
    // u = (.6, .8): V = min(150, 60/.6, 70/.8, 50/.03) = 87.5; a = min(2000, 900/.6, 1000/.8) = 1250;
    // rest speed = min(8/.6, 8/.8, 5/.03) = 10.
    let mut machine = jerk_machine();
    accelerations(&mut machine, 2000.0, 2000.0, 2000.0);
    machine.motion.limits.feed_rate_mm_s = [60.0, 70.0, 10.0, 50.0];
    machine.motion.limits.acceleration_mm_s2 = [900.0, 1000.0, 100.0, 5000.0];
    let job = "G1 X30 Y40 E1.5 F9000\n";
    close(judge(&machine, job).time_s.total(), 0.6263428571428571, TOLERANCE);
    close(judge(&machine, job).flow.peak_mm3_s, 6.313864922937299, TOLERANCE);
    let blocks = plan(&machine, job);
    close_all(&column(&blocks, |b| &b.v_start_mm_s), &[10.0]);
    close_all(&column(&blocks, |b| &b.v_end_mm_s), &[10.0]);
    close_all(&column(&blocks, |b| &b.v_peak_mm_s), &[87.5]);
}

#[test]
fn corner_by_jerk() {
    // At the corner X changes by v and Y by v: v = 8; start and stop at 8.
    let machine = jerk_machine();
    let job = "M83\nG1 X20 E0.8 F3600\nG1 Y20 E0.8\n";
    let report = judge(&machine, job);
    close(report.time_s.total(), 0.7567999999999999, TOLERANCE);
    close(report.flow.peak_mm3_s, 5.772676500971245, TOLERANCE);
    close(report.flow.mean_mm3_s.unwrap(), 5.085162527282633, TOLERANCE);
    let blocks = plan(&machine, job);
    close_all(&column(&blocks, |b| &b.v_start_mm_s), &[8.0, 8.0]);
    close_all(&column(&blocks, |b| &b.v_end_mm_s), &[8.0, 8.0]);
}

fn deviation_machine() -> Machine {
    let mut machine = free_machine();
    machine.motion.limits.corner = CornerRule::JunctionDeviation;
    machine.motion.limits.junction_deviation_mm = 0.05;
    machine
}

#[test]
fn corner_by_junction_deviation() {
    // v² = a δ s/(1−s), s = sin(inner angle/2): 90° → 10.98684113; 30° turn → s = sin 75°; from and to rest at 0.
    let machine = deviation_machine();
    let job = "M83\nG1 X20 E0.8 F3600\nG1 Y20 E0.8\nG1 X35.000000000000000 Y45.980762113533160 E1.2\n";
    close(judge(&machine, job).time_s.total(), 1.2750315445890545, TOLERANCE);
    close_all(&column(&plan(&machine, job), |b| &b.v_end_mm_s), &[10.986841134678098, 37.64820066782112, 0.0]);
}

fn short_moves() -> String {
    "M83\nG91\n".to_owned() + &"G1 X0.5 E0.02 F6000\n".repeat(12)
}

#[test]
fn short_moves_with_unlimited_look_ahead() {
    // Twelve moves of 0.5 mm in line act as one of 6 mm: a triangle.
    let machine = deviation_machine();
    let report = judge(&machine, &short_moves());
    close(report.time_s.total(), 0.15491933384829668, TOLERANCE);
    close(report.flow.peak_mm3_s, 7.452493317101511, TOLERANCE);
    let up = [31.622776601683793, 44.721359549995796, 54.772255750516614, 63.245553203367585, 70.71067811865476];
    let mut expected = up.to_vec();
    expected.push(77.45966692414834);
    expected.extend(up.iter().rev());
    expected.push(0.0);
    close_all(&column(&plan(&machine, &short_moves()), |b| &b.v_end_mm_s), &expected);
}

#[test]
fn short_moves_with_look_ahead_of_three() {
    // Exit of a move ≤ √(2 a (2 × 0.5)) so that a stop at the end of the third known move stays possible; inside each
    // middle move the speed saws √2000 → 50 → √2000.
    let mut machine = deviation_machine();
    machine.motion.look_ahead = LookAhead::Moves(3);
    let report = judge(&machine, &short_moves());
    close(report.time_s.total(), 0.17390096630005886, TOLERANCE);
    close(report.flow.peak_mm3_s, 4.81056375080937, TOLERANCE);
    let mut expected = vec![44.721359549995796; 12];
    (expected[0], expected[10], expected[11]) = (31.622776601683793, 31.622776601683793, 0.0);
    close_all(&column(&plan(&machine, &short_moves()), |b| &b.v_end_mm_s), &expected);
}

#[test]
fn short_moves_with_look_ahead_of_one() {
    // Each move from rest to rest: 12 × 2 √(0.5/1000).
    let mut machine = deviation_machine();
    machine.motion.look_ahead = LookAhead::Moves(1);
    close(judge(&machine, &short_moves()).time_s.total(), 0.536656314600, TOLERANCE);
}

#[test]
fn helical_arc() {
    // NIST RS274/NGC example arc as a helix: centre (10, 11), r = 5, sweep 143.1301°; path = hypot(5 sweep, 1.2);
    // speed cap √(a r) / in-plane share; reached holds the end and the quadrant point x = 5, not the start.
    let mut machine = free_machine();
    accelerations(&mut machine, 800.0, 800.0, 800.0);
    let job = "G17 G21 G90\nM83\nG2 X10 Y16 I3 J4 Z1.2 E0.5 F6000\n";
    let sizes = RunOptions { start_mm: Some([7.0, 7.0, 0.0]), ..RunOptions::default() };
    let report = judge_sized(&machine, job.as_bytes(), &sizes);
    close(report.time_s.total(), 0.2769124318099899, TOLERANCE);
    close(report.path_mm.total(), 12.54796932394223, TOLERANCE);
    close(report.flow.peak_mm3_s, 6.089583992102843, TOLERANCE);
    let reached = report.reached.unwrap();
    close_all(&reached.min, &[5.0, 11.0, 0.4454417468886547]);
    close_all(&reached.max, &[10.0, 16.0, 1.2]);
    let extruding = report.extruding.unwrap();
    close_all(&extruding.min, &[5.0, 7.0, 0.0]);
    close_all(&extruding.max, &[10.0, 16.0, 1.2]);
}

const MIXED: &str = "M140 S60\nM104 S205\nM190 S65\nM109 S215\nM83\nG1 X40 E1.6 F3600\nG4 P250\nG1 X80 E2.4 F1200\nG4 S1.5\n\
    M204 P500 T2000\nM203 X40\nM205 X5\nM201 X1500\nG1 X230 F12000\nG28\nG1 Z0.3 F600\nM104 S0\n";

#[test]
fn dwells_temperatures_and_limits() {
    // Dwells and waits split the motion; after M204/M203/M205/M201: V = 40, a = min(2000, 1500) = 1500, rest speed 5;
    // G28 puts Z at 5 without time.
    let mut machine = jerk_machine();
    machine.motion.limits.feed_rate_mm_s = [500.0, 500.0, 20.0, 100.0];
    machine.motion.limits.acceleration_mm_s2 = [5000.0, 5000.0, 100.0, 5000.0];
    machine.travel.home = [0.0, 0.0, 5.0];
    (machine.travel.min, machine.travel.max) = ([0.0; 3], [220.0, 220.0, 250.0]);
    let report = judge(&machine, MIXED);
    close(report.time_s.total(), 8.80151, TOLERANCE);
    close(report.time_s.extruding, 2.718933333333333, TOLERANCE);
    close(report.time_s.dwell, 1.75, TOLERANCE);
    close(report.time_s.travel, 4.332576666666666, TOLERANCE);
    close(report.flow.peak_mm3_s, 5.772676500971245, TOLERANCE);
    assert_eq!(report.flow.peak_line, Some(6));
    close(report.flow.mean_mm3_s.unwrap(), 3.5385669018311376, TOLERANCE);
    let [p50, p90, _, p99] = report.flow.quantiles_mm3_s.unwrap();
    close(p50, 2.8863382504856223, TOLERANCE);
    close(p90, 5.772676500971245, TOLERANCE);
    close(p99, 5.772676500971245, TOLERANCE);
    close(report.filament.net_mm3, 9.62112750161874, TOLERANCE);
    assert_eq!((report.heat.nozzle_max_c, report.heat.bed_max_c), (Some(215.0), Some(65.0)));
    assert_eq!(report.reached.unwrap().max, [230.0, 0.0, 5.0]);
}
