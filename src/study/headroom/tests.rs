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

/// A move of length L from rest to rest that never cruises peaks at √(a L) (Biagiotti, Melchiorri 2008, ch. 3, from
/// memory), so a peak melt rate q at the section A is reached at a = (q / A)² / L.
#[test]
fn melt_rate_binds_where_the_closed_form_says() {
    let (length, filament, most) = (40.0, 2.0, 45.0);
    let job = format!("{START}M109 S210\nG1 X{length} E{filament} F60000\nM104 S0\n");
    let machine = machine(&[("tool[0].melt_rate_mm3_s.peak", &format!("{most:?}"))]);
    let found = find(&machine, &job, raise("motion.acceleration_mm_s2.printing"), 10.0);
    let section = std::f64::consts::PI / 4.0 * 1.75 * 1.75 * filament / length;
    let expected = (most / section).powi(2) / length;
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
    assert_eq!(short, ["momentary melt rate of T1"]);
}
