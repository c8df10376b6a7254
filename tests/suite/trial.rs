//! `gonogo trial` and `gonogo resonance` as a shell sees them.

use std::fs;

use snapbox::cmd::{Command as Cmd, cargo_bin};

const HERON: [&str; 2] = ["--machine", "corpus/machines/heron.toml"];

fn gonogo(arguments: &[&str]) -> Cmd {
    Cmd::new(cargo_bin!("gonogo")).env_remove("GONOGO_MACHINE").env("COLUMNS", "80").args(arguments)
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("UTF-8")
}

#[test]
fn a_trial_is_written_once_and_checks_as_go() {
    let directory = tempfile::tempdir().expect("temporary directory");
    for kind in [&["ringing"][..], &["melt-rate"], &["melt-rate", "--bursts"], &["lead"], &["steps"], &["first-power"]]
    {
        let path = directory.path().join(kind.concat() + ".gcode");
        let path = path.to_str().expect("UTF-8");
        let write = [&["trial"], kind, &HERON, &["-o", path]].concat();
        let run = gonogo(&write).assert().success().stderr_eq("");
        let page = text(&run.get_output().stdout);
        assert!(page.starts_with("Attended use only") && page.contains("Written to "), "{page}");
        let job = fs::read_to_string(path).expect("reads");
        fs::write(path, "kept").expect("writes");
        gonogo(&write).assert().code(2).stdout_eq("");
        assert_eq!(fs::read_to_string(path).expect("reads"), "kept");
        gonogo(&[&write[..], &["--write"]].concat()).assert().success();
        assert_eq!(fs::read_to_string(path).expect("reads"), job);
        let report = gonogo(&[&["check", path][..], &HERON, &["--fail-on", "hold"]].concat()).assert().success();
        let page = text(&report.get_output().stdout).split_whitespace().collect::<Vec<_>>().join(" ");
        let probes = !["ringing", "lead"].contains(&kind[0]);
        assert_eq!(page.contains("on purpose"), probes, "{page}");
    }
    assert_eq!(fs::read_dir(directory.path()).expect("lists").count(), 6);
}

#[test]
fn without_a_file_nothing_is_written_and_without_a_sheet_there_is_no_trial() {
    let run = gonogo(&[&["trial", "steps"][..], &HERON].concat()).assert().success();
    assert!(text(&run.get_output().stdout).contains("Nothing was written"));
    let run = gonogo(&[&["trial", "steps", "-o", "-"][..], &HERON].concat()).assert().success();
    assert!(text(&run.get_output().stdout).starts_with("; gonogo trial steps, form 1\n"));
    assert!(text(&run.get_output().stderr).starts_with("Attended use only"));
    let run = gonogo(&["trial", "first-power"]).assert().code(2).stdout_eq("");
    assert!(text(&run.get_output().stderr).contains("--machine"));
}

#[test]
fn a_lag_is_told() {
    let tails = "6.1,3.0,7.4,3.9,8.3,5.0,6.7,7.0,4.8,8.1,3.7,7.3,3.2,5.8";
    let page = text(
        &gonogo(&[&["trial", "lead", "--tails", tails][..], &HERON].concat()).assert().success().get_output().stdout,
    );
    assert!(
        page.starts_with("The pressure lags by 0.1102 s")
            && page.contains("  in the sheet: pressure_lag_s = 0.1102 under"),
        "{page}"
    );
    for bad in ["1,2", "\u{1b}[2J", "1,1,1,1,1,1,1,1,1,1,1,1,1,1"] {
        gonogo(&[&["trial", "lead", "--tails", bad][..], &HERON].concat()).assert().code(2).stdout_eq("");
    }
}

#[test]
fn new_steps_are_told() {
    let run = gonogo(&[&["trial", "steps", "--measured", "x=99.2", "--measured", "y=100.05"][..], &HERON].concat());
    let page = text(&run.assert().success().get_output().stdout);
    assert!(page.contains("M92 X80.645") && page.contains("keep them"), "{page}");
    assert!(page.contains("  in the sheet: x = 80.645 in the table [controller.steps_per_mm], now line "), "{page}");
    gonogo(&[&["trial", "steps", "--measured", "x=\u{1b}[2J"][..], &HERON].concat()).assert().code(2).stdout_eq("");
}

#[test]
fn marks_become_a_mode_of_the_sheet() {
    let run = gonogo(&["resonance", "--axis", "x", "--from-marks", "spacing=12.5", "marks=5", "speed=100"])
        .args(["heights=0.10,0.073,-,0.039", "--from-marks", "speed=60", "spacing=7.5", "marks=5"])
        .assert()
        .success()
        .stderr_eq("");
    let page = text(&run.get_output().stdout);
    let (before, block) = page.split_once("For the sheet:").expect("a block");
    assert!(before.contains("needs `ringing_mm` in the table [structure_limits]"), "{page}");
    let sheet = fs::read_to_string("corpus/machines/tern.toml").expect("reads") + block;
    let machine = gonogo::machine::Machine::parse("with the mode", &sheet).expect("no faults");
    let mode = machine.structure.modes[0];
    assert!((mode.natural_hz - 40.0).abs() < 0.2 && (mode.damping_ratio - 0.05).abs() < 0.002, "{page}");
    let run = gonogo(&["resonance", "--format", "json", "--from-marks", "spacing=2.5", "speed=100"]).assert().success();
    let answer: serde_json::Value = serde_json::from_slice(&run.get_output().stdout).expect("JSON");
    assert_eq!((&answer["schema"], &answer["natural_hz"]["value"]), (&"gonogo.marks/1".into(), &40.0.into()));
    assert_eq!(answer["damping_ratio"], serde_json::Value::Null);
    let schema = gonogo(&["report-schema", "--of", "marks"]).assert().success();
    let schema = serde_json::from_slice(&schema.get_output().stdout).expect("JSON");
    let validator = jsonschema::validator_for(&schema).expect("a schema");
    let walls = ["--from-marks", "spacing=12.5", "marks=5", "speed=100", "heights=0.10,0.073,-,0.039"];
    let run = gonogo(&["resonance", "--format", "json", "--axis", "x+y"]).args(walls).assert().success();
    for answer in [answer, serde_json::from_slice(&run.get_output().stdout).expect("JSON")] {
        let errors: Vec<String> = validator.iter_errors(&answer).map(|error| error.to_string()).collect();
        assert!(errors.is_empty(), "{errors:?}");
    }
}

#[test]
fn bad_marks_are_told_without_acting_on_the_terminal() {
    for words in [&["spacing=2.5"][..], &["spacing=2.5", "speed=\u{1b}[2J"], &["x"], &["spacing=0.1", "speed=9"]] {
        let run = gonogo(&[&["resonance", "--from-marks"][..], words].concat()).assert().code(2).stdout_eq("");
        let message = text(&run.get_output().stderr);
        assert!(!message.is_empty() && !message.contains('\u{1b}'), "{message}");
    }
    gonogo(&["resonance"]).assert().code(2).stdout_eq("");
}

#[test]
fn what_is_told_fits_a_narrow_terminal() {
    for kind in ["ringing", "melt-rate", "steps", "first-power"] {
        let run = snapbox::cmd::Command::new(snapbox::cmd::cargo_bin!("gonogo"))
            .env("COLUMNS", "60")
            .args(["trial", kind, "--machine", "corpus/machines/heron.toml"])
            .assert()
            .success();
        let told = String::from_utf8_lossy(&run.get_output().stdout).into_owned();
        for line in told.lines() {
            assert!(line.chars().count() <= 60, "{kind}: {line}");
        }
    }
}
