//! `gonogo resonance JOB` on the corpus.

use serde_json::Value;
use snapbox::cmd::{Command as Cmd, cargo_bin};

const GAP: &str = "corpus/jobs/heron-gap.gcode";

fn gonogo(arguments: &[&str]) -> Cmd {
    let gonogo = Cmd::new(cargo_bin!("gonogo")).env_remove("GONOGO_MACHINE").env("COLUMNS", "80");
    gonogo.arg("resonance").args(arguments)
}

fn heron(arguments: &[&str]) -> Cmd {
    gonogo(arguments).args(["--machine", "corpus/machines/heron.toml"])
}

fn json(command: Cmd) -> Value {
    let run = command.args(["--format", "json"]).assert().success().stderr_eq("");
    serde_json::from_slice(&run.get_output().stdout).expect("JSON")
}

fn said(command: Cmd) -> String {
    let run = command.assert().code(2).stdout_eq("");
    String::from_utf8_lossy(&run.get_output().stderr).into_owned()
}

/// The zigzag of heron-gap is tuned to the bed's mode at 26 Hz; see the corpus.
#[test]
fn a_zigzag_tuned_to_a_mode_has_its_peak_there() {
    let found = json(heron(&[GAP]));
    let y = &found["spectrum"]["axes"][1];
    let peaks = y["peaks"].as_array().expect("peaks");
    let peak = peaks.iter().find(|peak| peak["hz"].as_f64() > Some(4.0)).expect("a peak");
    assert!((peak["hz"].as_f64().expect("a number") - 26.0).abs() <= 0.25, "{peak}");
    let mode = &found["bands"][1]["modes"][0];
    assert_eq!(mode["natural_hz"].as_f64(), Some(26.0));
    assert!(mode["time_share"].as_f64() > Some(0.9), "{mode}");
    let worst = &found["worst"][0];
    assert_eq!((worst["mode"]["axis"].as_str(), worst["layer"].as_u64()), (Some("y"), Some(1)));
    assert!((18..=75).contains(&worst["line"].as_u64().expect("a line")), "{worst}");
    // What the check says of the same job.
    let shaping = &found["shaping"];
    assert_eq!((shaping["limit_from"].as_str(), shaping["limit_mm"].as_f64()), (Some("sheet"), Some(0.11)));
    let present: Vec<_> =
        shaping["candidates"].as_array().expect("list").iter().filter(|of| of["present"] == true).collect();
    assert_eq!((present.len(), present[0]["name"].as_str()), (1, Some("none")));
    assert!(
        (present[0]["today"]["peak_mm"].as_f64().expect("a number") - worst["ringing_mm"].as_f64().expect("a number"))
            .abs()
            < 1e-12
    );
    assert!(present[0]["equal"]["accel_mm_s2"].as_f64() < Some(800.0), "{present:#?}");
}

#[test]
fn reports_keep_their_schema_and_do_not_depend_on_threads_or_the_way_in() {
    let schema = Cmd::new(cargo_bin!("gonogo")).args(["report-schema", "--of", "resonance"]).assert().success();
    let schema = serde_json::from_slice(&schema.get_output().stdout).expect("JSON");
    let validator = jsonschema::validator_for(&schema).expect("a schema");
    let one = json(heron(&[GAP, "--threads", "1"]));
    let errors: Vec<String> = validator.iter_errors(&one).map(|error| error.to_string()).collect();
    assert!(errors.is_empty(), "{errors:?}");
    assert_eq!(one["schema"], schema["properties"]["schema"]["const"]);
    assert_eq!(one, json(heron(&[GAP, "--threads", "5"])));
    let job = std::fs::read(GAP).expect("a corpus job");
    let mut streamed = json(heron(&["-"]).stdin(job.clone()));
    streamed["path"] = GAP.into();
    assert_eq!(one, streamed);
    // One pass sees the same, and leaves out what takes many.
    let mut once = json(heron(&["-", "--once"]).stdin(job));
    assert!(validator.is_valid(&once) && once["shaping_left_out"].is_string(), "{}", once["shaping_left_out"]);
    once["path"] = GAP.into();
    (once["shaping"], once["shaping_left_out"]) = (one["shaping"].clone(), Value::Null);
    assert_eq!(one, once);
    let bare = json(gonogo(&["corpus/jobs/heron-bracket.gcode"]));
    assert!(validator.is_valid(&bare) && bare["avoid"].as_array().is_some_and(Vec::is_empty));
}

#[test]
fn other_machines_of_the_corpus() {
    let belts = json(gonogo(&["corpus/jobs/wren-belts.gcode", "--machine", "corpus/machines/wren.toml"]));
    let axes: Vec<&str> =
        belts["spectrum"]["axes"].as_array().expect("axes").iter().filter_map(|axis| axis["axis"].as_str()).collect();
    let modes: Vec<&str> =
        belts["modes"].as_array().expect("modes").iter().filter_map(|mode| mode["axis"].as_str()).collect();
    assert!(["x", "y"].iter().chain(&modes).all(|axis| axes.contains(axis)), "{axes:?} {modes:?}");
    let shaped = json(gonogo(&["corpus/jobs/bittern-tag.gcode", "--machine", "corpus/machines/bittern.toml"]));
    let candidates = shaped["shaping"]["candidates"].as_array().expect("candidates");
    let present = candidates.iter().find(|of| of["present"] == true).expect("that of the sheet");
    assert!(present["x"]["kind"].is_string() && present["duration_s"].as_f64() > Some(0.0), "{present}");
    // The time of the job as `check` tells it, and that of the candidate, differ by what is told of both.
    let number = |value: &Value| value.as_f64().expect("a number");
    let waits_s = number(&shaped["impulse_waits_s"]);
    assert!(waits_s > 0.0 && waits_s == number(&present["impulse_waits_s"]));
    assert!((number(&present["today"]["time_s"]) - number(&shaped["time_s"]) - waits_s).abs() < 1e-9, "{present}");
    let page =
        gonogo(&["corpus/jobs/bittern-tag.gcode", "--machine", "corpus/machines/bittern.toml"]).assert().success();
    let page = String::from_utf8_lossy(&page.get_output().stdout).split_whitespace().collect::<Vec<_>>().join(" ");
    for told in ["Not in it: waits for the last impulse of the sheet's shaper", "it waits for the last impulse too"] {
        assert!(page.contains(told), "{page}");
    }
    let check = Cmd::new(cargo_bin!("gonogo")).args(["check", "corpus/jobs/bittern-tag.gcode", "--format", "json"]);
    let check = check.args(["--machine", "corpus/machines/bittern.toml"]).output().expect("runs");
    let check: Value = serde_json::from_slice(&check.stdout).expect("JSON");
    let left_out = check["left_out"].to_string();
    assert!(left_out.contains("the shaper's last impulse"), "{left_out}");
}

#[test]
fn options_that_would_do_nothing_are_refused() {
    let marks = |more: &[&str]| {
        let said = said(gonogo(&[&["--from-marks", "spacing=2.5", "speed=100"], more].concat()));
        assert!(said.contains("cannot be used with"), "{more:?}: {said}");
    };
    for more in [
        &["--machine", "corpus/machines/heron.toml"][..],
        &["--threads", "2"],
        &["--set", "room.ambient_c=10"],
        &["--plot", "never.svg"],
        &["--once"],
        &["--ringing", "0.1"],
    ] {
        marks(more);
    }
    for bad in ["nan", "-1", "51", "x"] {
        let run = gonogo(&["--from-marks", "spacing=2.5", "speed=100", &format!("--scale-error={bad}")]);
        assert!(said(run).contains("a number of % from 0 to 50"), "{bad}");
    }
    for more in [["--axis", "x"], ["--reading-error", "0.2"], ["--height-error", "0.01"], ["--scale-error", "2"]] {
        assert!(said(heron(&[&[GAP, "--once"], &more[..]].concat())).contains("cannot be used with"), "{more:?}");
    }
    assert!(said(heron(&[GAP, "--once", "--ringing", "0.1"])).contains("cannot be used with"));
    // A sheet in the environment is no option.
    let run = gonogo(&["--from-marks", "spacing=2.5", "speed=100"]).env("GONOGO_MACHINE", "none.toml");
    run.assert().success();
}

#[test]
fn a_report_and_its_plot_are_written_both_or_neither() {
    let directory = tempfile::tempdir().expect("temporary directory");
    let at = |name: &str| directory.path().join(name);
    let run = |report: &std::path::Path, plot: &std::path::Path| {
        said(heron(&[GAP, "--once"]).arg("-o").arg(report).arg("--plot").arg(plot))
    };
    assert!(run(&at("one"), &at("one")).contains("the same file"));
    assert!(run(&at("one"), &at("./one")).contains("the same file"));
    assert!(run(&at("one"), &at("no/such/folder.svg")).contains("cannot write"));
    assert!(run(&at("no/such/report"), &at("two")).contains("cannot write"));
    assert_eq!(std::fs::read_dir(directory.path()).expect("lists").count(), 0);
    std::fs::write(at("kept"), "kept").expect("writes");
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink(at("kept"), at("link")).expect("links");
        assert!(run(&at("link"), &at("kept")).contains("the same file"));
    }
    assert!(
        said(heron(&["no-such-job"]).arg("-o").arg(at("kept")).arg("--plot").arg(at("new"))).contains("no-such-job")
    );
    assert!(std::fs::read_to_string(at("kept")).expect("reads") == "kept" && !at("new").exists());
    heron(&[GAP, "--once"]).arg("-o").arg(at("kept")).arg("--plot").arg(at("new")).assert().success().stdout_eq("");
    assert!(std::fs::read_to_string(at("kept")).expect("reads").starts_with("Resonance of") && at("new").exists());
}

#[test]
fn pages_fit_their_width() {
    for columns in ["120", "80", "60", "40"] {
        let run = heron(&[GAP]).env("COLUMNS", columns).assert().success();
        let page = String::from_utf8_lossy(&run.get_output().stdout).into_owned();
        let width: usize = columns.parse().expect("a number");
        let wide = page.lines().find(|line| line.chars().count() > width);
        assert!(wide.is_none(), "{columns}: {wide:?}");
        assert!(page.contains('▲') && page.contains("26 Hz"), "{page}");
    }
}

#[test]
fn the_plot_is_svg() {
    let directory = tempfile::tempdir().expect("temporary directory");
    let file = directory.path().join("gap.svg");
    heron(&[GAP, "--once", "-q"]).arg("--plot").arg(&file).assert().success().stdout_eq("").stderr_eq("");
    let text = std::fs::read_to_string(&file).expect("is there");
    let svg = roxmltree::Document::parse(&text).expect("XML");
    assert_eq!(svg.root_element().tag_name().name(), "svg");
    let lines = svg.descendants().filter(|node| node.tag_name().name() == "polyline").count();
    let says = |what: &str| svg.descendants().filter_map(|node| node.text()).any(|text| text.trim() == what);
    assert!(lines >= 4 && says("y 26") && says("x 38") && says("frequency, Hz"), "{lines} {text}");
}

#[test]
fn what_cannot_be_done_is_said() {
    assert!(said(gonogo(&[])).contains("<JOB|--from-marks") || said(gonogo(&[])).contains("JOB"));
    assert!(said(gonogo(&[GAP, "--from-marks", "spacing=2.5", "speed=100"])).contains("cannot be used with"));
    assert!(said(heron(&["no-such-job.gcode"])).contains("cannot read no-such-job.gcode"));
    assert!(said(heron(&["corpus"])).contains("it is a folder"));
    assert!(said(heron(&[GAP, "--set", "structure_limits.ringing=1"])).contains("did you mean"));
    assert!(said(heron(&[GAP, "--ringing", "0"])).contains("--ringing"));
    let empty = heron(&["-"]).stdin("G4 P1\n").assert().success();
    let page = String::from_utf8_lossy(&empty.get_output().stdout).into_owned();
    assert!(page.contains("never accelerates") && page.contains("extrudes nothing"), "{page}");
    let bare = gonogo(&["corpus/jobs/heron-bracket.gcode"]).assert().success();
    let page = String::from_utf8_lossy(&bare.get_output().stdout).into_owned();
    assert!(page.contains("The sheet gives no `[[structure]]`") && page.contains("highest peaks"), "{page}");
}
