use std::io::Write as _;
use std::path::Path;
use std::sync::Arc;

use super::*;
use crate::machine::testing::{bench, bench_with, bench_with_in_tool};
use crate::preflight::{JobSource, Preflight, RunContext, RunOptions, silent};
use crate::threads::HelperPool;

const START: &str = "G28\nG90\nM83\n";
/// A lift of the controller's own, which goes at the limit of Z.
const LIFT: &str = "retraction = { length_mm = 1, feed_rate_mm_s = 30, lift_mm = 1 }";

fn machine(changes: &[(&str, &str)]) -> Machine {
    bench().with_all(changes).expect("valid changes")
}

fn raise(key: &str) -> RangeRequest {
    RangeRequest { key: key.to_owned(), direction: Direction::Raise }
}

fn find(machine: &Machine, job: &str, wish: RangeRequest, factor: f64) -> Range {
    let sizes = RunOptions::default();
    let kept = Arc::new(
        Preflight::on(machine)
            .options(sizes)
            .load(JobSource::stream(job.as_bytes(), "job.gcode"))
            .expect("memory can be read"),
    );
    scan(machine, &wish, factor).expect("a key with a number");
    let found = explore_kept(&kept, Path::new("none"), machine, &[wish], factor, &HelperPool::alone()).expect("plans");
    found.ranges.into_iter().next().expect("one range")
}

fn near(actual: f64, expected: f64, share: f64) {
    assert!((actual / expected - 1.0).abs() < share, "{actual} is not {expected}");
}

/// Burst of the tests below, s: 0.3 melt windows of 0.01 s.
const BURST_S: f64 = 0.003;
const SHORT_WINDOW: (&str, &str) = ("tool[0].melt_window_s", "0.01");

/// A move of length L from rest to rest that never cruises peaks at √(a L) (Biagiotti, Melchiorri 2008, ch. 3, from
/// memory); the mean speed over a burst w around that is √(a L) − a w / 4.
fn burst_mm_s(length_mm: f64, acceleration: f64) -> f64 {
    (acceleration * length_mm).sqrt() - acceleration * BURST_S / 4.0
}

/// The acceleration at which that mean is `speed`: the smaller root in √a.
fn acceleration_for(length_mm: f64, speed: f64) -> f64 {
    ((length_mm.sqrt() - (length_mm - BURST_S * speed).sqrt()) * 2.0 / BURST_S).powi(2)
}

/// A melt rate q at the section A is reached where that mean is q / A.
#[test]
fn melt_rate_binds_where_the_closed_form_says() {
    let (length, filament, most) = (40.0, 2.0, 45.0);
    let job = format!("{START}M109 S210\nG1 X{length} E{filament} F60000\nM104 S0\n");
    let machine = machine(&[("tool[0].melt_rate_mm3_s.peak", &format!("{most:?}")), SHORT_WINDOW]);
    let found = find(&machine, &job, raise("motion.acceleration_mm_s2.printing"), 10.0);
    let section = std::f64::consts::PI / 4.0 * 1.75 * 1.75 * filament / length;
    let expected = acceleration_for(length, most / section);
    assert!(expected > 1000.0 && expected < 10_000.0, "{expected} lies in the range");
    assert_eq!(found.crossings.len(), 1);
    near(found.last_safe().value, expected, 1e-3);
    assert!(found.last_safe().value <= expected * (1.0 + 1e-8), "what is reported stands");
    let stop = found.stop().expect("something stops it");
    assert_eq!((stop.check.as_ref(), stop.line), ("melt-peak-exceeded", Some(5)));
    // T = 2 √(L / a) between rests, both ways of the report.
    near(found.last_safe().time_s, 2.0 * (length / found.last_safe().value).sqrt(), 1e-6);
    near(found.today().time_s, 2.0 * (length / 1000.0).sqrt(), 1e-6);
}

/// Heating by Newton's law: the hotend cools on the way out and heats on the way back. With u = e^(−t/τ) it is then at
/// 300 − 280 u + 180 u² °C: 195 °C at u = (280 ± √2800) / 360, less between. Quick and slow trips end warm, others not.
#[test]
fn a_verdict_that_comes_back_is_reported() {
    let job = format!("{START}M109 S200\nM104 S0\nG0 X200 F600000\nM104 S200\nG0 X0\nG1 X50 E2\nM104 S0\n");
    let machine = machine(&[
        ("tool[0].heating.time_constant_s", "60"),
        ("tool[0].heating.full_power_c", "300"),
        ("tool[0].temperature_c.extrude_min", "195"),
        ("motion.acceleration_mm_s2.travel", "0.5"),
    ]);
    let found = find(&machine, &job, raise("motion.acceleration_mm_s2.travel"), 1000.0);
    let at = |u: f64| 4.0 * 200.0 / (-60.0 * u.ln()).powi(2);
    let (first, second) = (at((280.0 - 2800f64.sqrt()) / 360.0), at((280.0 + 2800f64.sqrt()) / 360.0));
    assert_eq!(found.crossings.len(), 2);
    near(found.crossings[0].stands.value, first, 1e-3);
    near(found.crossings[1].stands.value, second, 1e-3);
    assert!(
        found.crossings.iter().all(|crossing| crossing.fails.stop.as_ref().is_some_and(|s| s.check == "extrudes-cold"))
    );
    assert_eq!(found.last_safe(), &found.crossings[0].stands);
    assert!(found.points.last().expect("points").stop.is_none());
}

#[test]
fn nothing_may_stop_it_or_it_may_change_nothing() {
    let job = format!("{START}M109 S210\nG1 X40 E2 F6000\nG0 Y50 F600\nM104 S0\n");
    let found = find(&machine(&[]), &job, raise("motion.acceleration_mm_s2.printing"), 10.0);
    assert!(found.crossings.is_empty() && !found.has_no_effect());
    assert_eq!(found.last_safe().value, 10_000.0);
    assert!(found.points.windows(2).all(|pair| pair[1].time_s < pair[0].time_s), "more acceleration, less time");
    assert!(find(&machine(&[]), &job, raise("motion.acceleration_mm_s2.retraction"), 10.0).has_no_effect());
}

/// What a job needs, by lowering a capacity until it is short.
#[test]
fn a_capacity_can_be_lowered_to_what_the_job_needs() {
    let job = format!("{START}M109 S210\nG1 X40 E2 F3000\nM104 S0\n");
    let machine = machine(&[("tool[0].melt_rate_mm3_s.peak", "20.0")]);
    let wish = RangeRequest { key: "tool[0].melt_rate_mm3_s.peak".to_owned(), direction: Direction::Lower };
    let found = find(&machine, &job, wish, 10.0);
    let peak = std::f64::consts::PI / 4.0 * 1.75 * 1.75 * 2.0 / 40.0 * 50.0;
    near(found.last_safe().value, peak, 1e-3);
    assert!(found.last_safe().value >= peak * (1.0 - 1e-8));
}

/// The lift of G10 goes at the Z limit: a machine with another one reads the job in another way.
#[test]
fn a_key_that_changes_the_reading_reads_again() {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let path = directory.path().join("lift.gcode");
    let mut file = std::fs::File::create(&path).expect("a file");
    write!(file, "{START}M109 S210\nG1 X40 E2 F3000\nG10\nG11\nM104 S0\n").expect("writes");
    let slow = [("motion.feed_rate_limit_mm_s.z", "5"), ("motion.acceleration_limit_mm_s2.z", "1e9")];
    let machine = bench_with_in_tool(LIFT).with_all(&slow).expect("valid changes");
    let found = explore(
        &path,
        &machine,
        &[raise("motion.feed_rate_limit_mm_s.z")],
        4.0,
        RunContext::new(&silent, &HelperPool::alone()),
    );
    let found = found.expect("plans");
    let range = &found.ranges[0];
    assert!(range.crossings.is_empty());
    assert!(range.last_safe().time_s < range.today().time_s - 0.05, "the lift is quicker");
}

#[test]
fn wishes_say_what_is_wrong() {
    let machine = machine(&[]);
    let error = |key: &str| scan(&machine, &raise(key), 10.0).expect_err("a fault").to_string();
    assert!(error("motion.acceleration").starts_with("the sheet has no key `motion.acceleration`"));
    assert_eq!(
        error("tool[0].melt_rate_mm3_s.peak"),
        "`tool[0].melt_rate_mm3_s.peak` has no value in this sheet to start from"
    );
    assert_eq!(error("motion.drive_layout"), "`motion.drive_layout` is no number that could be raised or lowered");
    assert_eq!(
        error("motion.corner.jerk_mm_s.x"),
        "`motion.corner.jerk_mm_s.x` is not above 0 today: the range is tried in equal ratios, so give it a small value first"
    );
}

#[test]
fn everything_is_all_limits_of_motion() {
    let keys: Vec<String> = limits_of(&machine(&[])).into_iter().map(|wish| wish.key).collect();
    assert_eq!(keys.len(), 3 + 4 + 4, "jerks are 0");
    let deviation = bench_with("jerk_mm_s = { x = 0, y = 0, z = 0, e = 0 }", "junction_deviation_mm = 0.02");
    let keys = limits_of(&deviation);
    assert_eq!(keys.last().expect("some").key, "motion.corner.junction_deviation_mm");
    assert_eq!(keys.len(), 3 + 4 + 4 + 1);
}

/// A whole number is tried in whole numbers.
#[test]
fn whole_numbers_stay_whole() {
    let machine = machine(&[("motion.look_ahead_moves", "4")]);
    let mut job = format!("{START}M109 S210\n");
    for i in 1..40 {
        job += &format!("G1 X{} E0.02 F6000\n", f64::from(i) * 0.5);
    }
    let found = find(&machine, &(job + "M104 S0\n"), raise("motion.look_ahead_moves"), 8.0);
    assert!(found.points.len() > 8 && found.points.iter().all(|point| point.value.fract() == 0.0), "{found:?}");
    assert!(found.last_safe().time_s < found.today().time_s, "more is known ahead");
}

/// What is found today may go away, and where the sheet takes no more it says so.
#[test]
fn what_goes_away_and_where_the_sheet_ends() {
    let job = format!("{START}M109 S210\nG1 X40 E2 F3000\nM104 S0\n");
    let machine = machine(&[("tool[0].melt_rate_mm3_s.peak", "3.0"), ("tool[0].melt_rate_mm3_s.sustained", "2.0")]);
    let peak = find(&machine, &job, raise("tool[0].melt_rate_mm3_s.peak"), 10.0);
    let [(from, to, checks)] = &peak.relief().collect::<Vec<_>>()[..] else { panic!("{peak:?}") };
    let needed = std::f64::consts::PI / 4.0 * 1.75 * 1.75 * 2.0 / 40.0 * 50.0;
    assert!(from.value < needed && to.value >= needed && checks == &["melt-peak-exceeded"]);
    assert!(!peak.has_no_effect());
    let sustained = find(&machine, &job, raise("tool[0].melt_rate_mm3_s.sustained"), 10.0);
    assert!(sustained.points.last().expect("points").value <= 3.0);
    assert!(sustained.end.as_ref().is_some_and(|why| why.contains("above")), "{:?}", sustained.end);
}

/// What is no file is not read a second time.
#[test]
fn a_stream_is_not_read_again() {
    let machine = bench_with_in_tool(LIFT);
    let key = "motion.feed_rate_limit_mm_s.z";
    let lifts = find(&machine, &format!("{START}M109 S210\nG10\nG11\nG1 X9 E1\nM104 S0\n"), raise(key), 2.0);
    assert_eq!(lifts.points.len(), 1);
    assert!(lifts.end.is_some_and(|why| why.contains("cannot be read again")));
    let plain = find(&machine, &format!("{START}M109 S210\nG1 X9 E1\nM104 S0\n"), raise(key), 2.0);
    assert_eq!((plain.points.len(), plain.end), (SCAN_POINTS + 1, None));
}

#[test]
fn needs_are_told_tool_by_tool() {
    let two = "melt_rate_mm3_s = { peak = 45.0 }\n[[tool]]\nmelt_rate_mm3_s = { peak = 3.0 }";
    let machine = bench_with_in_tool(two);
    let job = format!("{START}M109 S210\nG1 X40 E4 F3000\nT1\nG1 X0 E2\nM104 S0\n");
    let kept =
        Preflight::on(&machine).load(JobSource::stream(job.as_bytes(), "job.gcode")).expect("memory can be read");
    let found = needs(&kept.judge(&machine), &machine);
    let short: Vec<&str> = found.iter().filter(|need| need.is_short()).map(|need| need.what.as_str()).collect();
    assert_eq!(short, ["melt rate in a burst of T1"]);
}

/// What is over already is judged by how much worse it gets: stopped at 1 % more, within where it is at its capacity.
#[test]
fn what_is_over_already_stops_where_it_gets_worse() {
    let (length, filament, most) = (40.0, 2.0, 15.0);
    let job = format!("{START}M109 S210\nG1 X{length} E{filament} F60000\nM104 S0\n");
    let machine = machine(&[("tool[0].melt_rate_mm3_s.peak", &format!("{most:?}")), SHORT_WINDOW]);
    let found = find(&machine, &job, raise("motion.acceleration_mm_s2.printing"), 10.0);
    let section = std::f64::consts::PI / 4.0 * 1.75 * 1.75 * filament / length;
    assert_eq!(found.today().found[0].check, "melt-peak-exceeded");
    assert!(found.today().stop.is_none(), "nothing is worse than itself");
    near(found.last_safe().value, acceleration_for(length, 1.01 * burst_mm_s(length, 1000.0)), 1e-3);
    let stop = found.stop().expect("it gets worse");
    let Some(Worse::Value { before, limit, .. }) = stop.worse else { panic!("{stop:?}") };
    assert_eq!(limit, most);
    near(before, section * burst_mm_s(length, 1000.0), 1e-5);
    let within = found.within.as_ref().expect("less acceleration");
    near(within.value, acceleration_for(length, most / section), 1e-3);
    let far = found.points.last().expect("points");
    near(far.found[0].value.expect("a value"), section * burst_mm_s(length, 10_000.0), 1e-5);
}

/// The audit is asked about every value: with a drive in the sheet the force of the motor binds.
#[test]
fn the_force_of_the_motor_binds() {
    let machine = crate::machine::testing::of_corpus("heron");
    let wide = [("motion.acceleration_limit_mm_s2.x", "1e6"), ("motion.acceleration_limit_mm_s2.y", "1e6")];
    let machine = machine.with_all(&wide).expect("valid");
    let kept = "G28\nG90\nM83\nG0 X100 Y100 F9000\nM84\n";
    let found = find(&machine, kept, raise("motion.acceleration_mm_s2.travel"), 100.0);
    let stop = found.stop().expect("the motor stops it");
    assert!(stop.by_audit && stop.check == "force-needed-at-limits-against-motor-force", "{stop:?}");
    assert!(
        crate::workshop::audit::audit(
            &machine.with("motion.acceleration_mm_s2.travel", &found.last_safe().value.to_string()).expect("valid")
        )
        .lines
        .iter()
        .filter(|line| line.id == stop.check)
        .all(|line| line.row.outcome < crate::workshop::audit::Outcome::Hold
            || line.row.outcome == crate::workshop::audit::Outcome::Hold && stop.severity == Severity::NoGo)
    );
}

/// Raised alone it is held back by the axes: min(1000 printing, 1200 of X) gains until 1200 only.
#[test]
fn what_holds_a_key_back_is_named() {
    let job = format!("{START}M109 S210\nG1 X40 E0.2 F60000\nM104 S0\n");
    let machine =
        machine(&[("motion.acceleration_limit_mm_s2.x", "1200"), ("motion.acceleration_limit_mm_s2.y", "1e9")]);
    let found = find(&machine, &job, raise("motion.acceleration_mm_s2.printing"), 4.0);
    let cap = found.capped_by.as_ref().expect("X holds it back");
    assert_eq!((cap.keys.as_slice(), cap.value), (&["motion.acceleration_limit_mm_s2.x".to_owned()][..], 4000.0));
    near(cap.time_s, 2.0 * (40.0f64 / 4000.0).sqrt(), 1e-6);
    near(found.points.last().expect("points").time_s, 2.0 * (40.0f64 / 1200.0).sqrt(), 1e-6);
}

/// A zigzag of 2 mm lines drives a mode of 25 Hz at 100 mm/s and nowhere near: the window is far narrower than the steps
/// of the plain scan.
#[test]
fn a_narrow_band_between_two_steps_is_seen() {
    let mut job = format!("{START}M109 S210\nG1 X50 Y50 F6000\n");
    for i in 0..60 {
        job += &format!("G1 X{} Y{} E0.05 F60000\n", if i % 2 == 0 { 52.0 } else { 50.0 }, 50.0 + f64::from(i) * 0.01);
    }
    let mode = "[[structure]]\naxis = \"x\"\nnatural_hz = 25.0\ndamping_ratio = 0.01\n[structure_limits]\nringing_mm = 0.5\n[[tool]]";
    let machine = bench_with("[[tool]]", mode);
    let fast = [("motion.acceleration_mm_s2.printing", "1e6"), ("motion.feed_rate_limit_mm_s.x", "60")];
    let machine = machine.with_all(&fast).expect("valid changes");
    let found = find(&machine, &(job + "M104 S0\n"), raise("motion.feed_rate_limit_mm_s.x"), 4.0);
    let stop = found.stop().expect("the mode is driven");
    assert!(["drives-resonance", "rings-frame"].contains(&stop.check.as_ref()), "{stop:?}");
    let stopped = found.points.iter().position(|point| point.stop.is_some()).expect("a point in the band");
    let steps = found.points[..stopped].windows(2).map(|pair| pair[1].value / pair[0].value);
    assert!(steps.fold(0.0, f64::max) <= 1.0 + FINE_STEP + 1e-6);
}
