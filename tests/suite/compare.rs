//! A comparison is two checks side by side: its numbers are theirs, bit for bit.

use std::path::{Path, PathBuf};

use gonogo::findings::Inspection;
use gonogo::machine::Machine;
use gonogo::preflight::{JobSource, Preflight};
use gonogo::show::report::{
    Report,
    compare::JsonComparison,
    json::{Frame, JsonReport},
};
use gonogo::study::compare::{Comparison, FIGURES, Sheets, Totals};
use proptest::prelude::*;
use serde_json::{Value, json};

use crate::random_jobs::{Dice, random_job, random_machine};
use crate::support::corpus_machine;

fn corpus() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus")
}

/// The report of `gonogo check` as JSON.
fn checked(path: &Path, machine: &Machine) -> Value {
    let read = Preflight::on_all(&[machine]).run_all(JobSource::at(path)).expect("a corpus job").remove(0);
    let (mut report, mut text) = (JsonReport::new(Frame::Object), Vec::new());
    report.add(&Ok(vec![read]), &mut text).expect("memory can be written");
    serde_json::from_slice(&text).expect("JSON")
}

/// The report of `gonogo compare` as JSON.
fn compared(path: &Path, before: &Machine, after: &Machine) -> Value {
    let both = Preflight::on_all(&[before, after]).run_all(JobSource::at(path)).expect("a corpus job");
    let [before_read, after_read] = <[Inspection; 2]>::try_from(both).expect("two machines");
    let compared = Ok(Comparison::of(before_read, after_read));
    let (mut totals, mut text) = (Totals::default(), Vec::new());
    totals.count(&compared);
    let mut report = JsonComparison::document(Sheets::of(before, after));
    report.add(&compared, &mut text).expect("memory can be written");
    report.finish(&totals, &mut text).expect("memory can be written");
    serde_json::from_slice(&text).expect("JSON")
}

/// Before, after and difference as two reports have them at a pointer.
fn side_by_side(before: &Value, after: &Value, pointer: &str) -> Value {
    let [before, after] = [before, after].map(|report| report.pointer(pointer).unwrap_or(&Value::Null));
    let difference = after.as_f64().zip(before.as_f64()).map(|(after, before)| after - before);
    json!({ "before": before, "after": after, "difference": difference })
}

#[test]
fn every_number_is_that_of_two_checks() {
    let before = corpus_machine("wren");
    let after = before.with("motion.acceleration_mm_s2.printing", "900").expect("a key");
    let after = after.with("motion.corner.junction_deviation_mm", "0.05").expect("a key");
    let after = after.with("controller.step_rate_limit_hz", "20000").expect("a key");
    let (mut differences, mut shifts) = (0, 0);
    for entry in std::fs::read_dir(corpus().join("jobs")).expect("a folder").flatten() {
        let document = compared(&entry.path(), &before, &after);
        let [was, is] = [&before, &after].map(|machine| checked(&entry.path(), machine));
        let job = &document["jobs"][0];
        for (ours, theirs) in [
            ("/time_s/total", "/time_s/total"),
            ("/time_s/extruding", "/time_s/extruding"),
            ("/time_s/travel", "/time_s/travel"),
            ("/time_s/extrude_only", "/time_s/extrude_only"),
            ("/time_s/dwell", "/time_s/dwell"),
            ("/time_s/heating", "/time_s/heating"),
            ("/melt_rate_mm3_s/peak", "/flow_mm3_s/peak"),
            ("/melt_rate_mm3_s/sustained_peak", "/flow_mm3_s/sustained_peak"),
            ("/time_over_capacity_s", "/flow_over_capacity_s"),
            ("/command_rate_hz", "/command_rate/hz"),
        ] {
            let expected = side_by_side(&was, &is, theirs);
            assert_eq!(job.pointer(ours), Some(&expected), "{}: {ours}", entry.path().display());
            differences += usize::from(expected["difference"].as_f64().is_some_and(|by| by != 0.0));
        }
        for (at, rate) in was["step_rates"].as_array().expect("a list").iter().enumerate() {
            let mut expected = side_by_side(&was, &is, &format!("/step_rates/{at}/hz"));
            expected["motor"] = rate["motor"].clone();
            assert_eq!(job["step_rates_hz"][at], expected);
        }
        let verdicts = [&job["verdict"]["before"], &job["verdict"]["after"]];
        assert_eq!(verdicts, [&was["verdict"], &is["verdict"]]);
        shifts += gained_and_lost(job, &was, &is);
    }
    assert!(differences > 60 && shifts > 5, "{differences} {shifts}");
}

/// Checks by severity of a report.
fn found(report: &Value) -> Vec<String> {
    let findings = report["findings"].as_array().expect("a list");
    let mut found: Vec<String> = findings.iter().map(|of| format!("{} {}", of["check"], of["severity"])).collect();
    found.sort();
    found.dedup();
    found
}

fn gained_and_lost(job: &Value, was: &Value, is: &Value) -> usize {
    let shifts = job["findings"].as_array().expect("a list");
    let told = |change: &str| {
        let of = shifts.iter().filter(|shift| shift["change"] == change);
        let mut told: Vec<String> = of.map(|shift| format!("{} {}", shift["check"], shift["severity"])).collect();
        told.sort();
        told
    };
    let (was, is) = (found(was), found(is));
    let only = |these: &[String], those: &[String]| -> Vec<String> {
        these.iter().filter(|one| !those.contains(one)).cloned().collect()
    };
    assert_eq!((told("gained"), told("lost")), (only(&is, &was), only(&was, &is)));
    shifts.len()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_machine_and_itself_change_nothing(seed in any::<u64>()) {
        let mut dice = Dice::new(seed);
        let machine = random_machine(&mut dice);
        let job = random_job(&machine, &mut dice, 300);
        let both = Preflight::on_all(&[&machine, &machine]).run_all(JobSource::stream(job.as_bytes(), "job.gcode"));
        let [before, after] = <[Inspection; 2]>::try_from(both.expect("memory can be read")).expect("two machines");
        prop_assert_eq!(&before, &after);
        let same = Comparison::of(before, after);
        prop_assert_eq!((same.verdict(), same.shifts.len()), (std::cmp::Ordering::Equal, 0));
        for figure in &FIGURES {
            prop_assert!(same.pair(figure).difference().is_none_or(|by| by == 0.0), "{}", figure.id);
        }
        prop_assert_eq!(Sheets::of(&machine, &machine).changes, vec![]);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    /// Another limit of steps changes what is found, and no number. Other rates of commands change the plan, but not how
    /// many commands it would read if all came in time.
    #[test]
    fn rates_do_not_depend_on_their_limits(seed in any::<u64>(), limit_hz in 1.0..1e6) {
        let mut dice = Dice::new(seed);
        let machine = random_machine(&mut dice);
        let job = random_job(&machine, &mut dice, 300);
        let mut other = machine.clone();
        other.controller.step_rate_limit_hz = Some(limit_hz).filter(|hz| *hz < 5e5);
        let mut slower = other.clone();
        slower.controller.command_rate_limit_hz = Some(limit_hz / 1e3).filter(|hz| *hz < 500.0);
        slower.controller.serial_baud = None;
        let all = Preflight::on_all(&[&machine, &other, &slower]).run_all(JobSource::stream(job.as_bytes(), "job.gcode"));
        let [before, after, slow] = <[Inspection; 3]>::try_from(all.expect("memory can be read")).expect("three machines");
        prop_assert_eq!(&before.step_rates, &after.step_rates);
        prop_assert_eq!(&before.command_rate, &after.command_rate);
        prop_assert_eq!(&before.command_rate, &slow.command_rate);
    }
}
