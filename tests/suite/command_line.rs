//! The command line as a shell sees it.

use std::process::{Command, Stdio};

use snapbox::cmd::{Command as Cmd, cargo_bin};

fn gonogo() -> Cmd {
    Cmd::new(cargo_bin!("gonogo")).env_remove("GONOGO_MACHINE").env("COLUMNS", "80").env("LC_ALL", "C.UTF-8")
}

#[test]
fn no_job_is_a_usage_error() {
    let run = gonogo().arg("check").assert().code(2);
    let message = String::from_utf8_lossy(&run.get_output().stderr).into_owned();
    assert!(message.contains("<JOB>") && message.contains("Usage: gonogo check"), "{message}");
}

#[test]
fn help_goes_to_standard_output_and_is_no_failure() {
    for command in [
        &["--help"][..],
        &["check", "--help"],
        &["sheet", "show", "--help"],
        &["sheet", "audit", "--help"],
        &["sheet", "new", "--help"],
        &["compare", "--help"],
    ] {
        let run = gonogo().args(command).assert().success().stderr_eq("");
        let help = String::from_utf8_lossy(&run.get_output().stdout).into_owned();
        assert!(help.contains("Example"), "{help}");
    }
}

#[test]
fn an_unknown_check_is_told_without_acting_on_the_terminal() {
    gonogo()
        .args(["explain", "no\u{1b}[2J"])
        .assert()
        .code(2)
        .stdout_eq("")
        .stderr_eq("gonogo: there is no check `no·[2J`; `gonogo explain` lists them\n");
}

#[test]
fn schemas_are_json() {
    for command in [&["report-schema"][..], &["report-schema", "--of", "compare"], &["sheet", "schema"]] {
        let run = gonogo().args(command).assert().success();
        let schema: serde_json::Value = serde_json::from_slice(&run.get_output().stdout).expect("JSON");
        assert!(jsonschema::meta::is_valid(&schema), "{command:?}");
    }
}

#[test]
fn scripts_and_the_manual_know_every_command() {
    for shell in ["bash", "zsh", "fish"] {
        let script = text(gonogo().args(["completions", shell]), 0);
        for word in ["report-schema", "fail-on", "files-from", "outside-travel", "motion.corner.junction_deviation_mm"]
        {
            assert!(script.contains(word), "{word} for {shell}");
        }
    }
    let page = |command: &[&str]| text(gonogo().arg("man").args(command), 0).replace("\\-", "-");
    let top = page(&[]);
    assert!(top.contains("gonogo-report-schema(1)") && !top.contains("files-from"), "{top}");
    assert!(page(&["check"]).contains("files-from"));
    assert!(page(&["sheet", "new"]).contains(".TH gonogo-sheet-new 1"));
    let wrong = gonogo().args(["man", "sheet", "no\u{1b}such"]).assert().code(2).stdout_eq("");
    let told = String::from_utf8_lossy(&wrong.get_output().stderr).into_owned();
    assert!(told.contains("there is no command `sheet no·such`") && told.contains("Usage: gonogo man"), "{told}");
}

#[test]
fn a_folder_gets_a_manual_page_for_each_command() {
    let directory = tempfile::tempdir().expect("temporary directory");
    let folder = directory.path().join("share/man1");
    // The second time the pages are replaced.
    for _ in 0..2 {
        gonogo().args(["man", "--into"]).arg(&folder).assert().success().stdout_eq("").stderr_eq("");
    }
    let mut names: Vec<_> = std::fs::read_dir(&folder)
        .expect("lists")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    for name in [
        "gonogo.1",
        "gonogo-check.1",
        "gonogo-man.1",
        "gonogo-sheet.1",
        "gonogo-sheet-new.1",
        "gonogo-trial-melt-rate.1",
    ] {
        assert!(names.iter().any(|known| known == name), "{name} in {names:?}");
        let page = std::fs::read_to_string(folder.join(name)).expect("reads");
        assert_eq!(page.matches(".TH ").count(), 1, "{name}");
    }
    assert!(names.iter().all(|name| name.starts_with("gonogo") && name.ends_with(".1")), "{names:?}");
    gonogo().args(["man", "--into", "Cargo.toml"]).assert().code(2);
}

/// What a failed command says.
fn told(arguments: &[&str]) -> String {
    let run = gonogo().args(arguments).stdin("").assert().code(2).stdout_eq("");
    String::from_utf8_lossy(&run.get_output().stderr).into_owned()
}

#[test]
fn a_wrong_call_is_told_with_the_usage_of_its_command() {
    const JOB: &str = "corpus/jobs/heron-bracket.gcode";
    let raise = ["headroom", JOB, "--raise", "motion.look_ahead_moves", "--raise", "motion.look_ahead_moves"];
    for (call, why, usage) in [
        (&["accept", JOB, "--check", "outside-travle", "--because", "x"][..], "did you mean outside-travel", "accept"),
        (&["accept", "-", "--check", "purge-line", "--because", "x"], "standard input has no name", "accept"),
        (&["accept", JOB, "--check", "purge-line", "--because", ""], "say why", "accept"),
        (&["accept", JOB, "--check", "purge-line", "--because", "x", "--until", "2001-01-01"], "has passed", "accept"),
        (&["trial", "steps", "--measured", "x"], "--measured", "trial steps"),
        (&["trial", "steps", "--measured", "q=99"], "--measured", "trial steps"),
        (&["resonance", "--from-marks", "spacing=2", "sped=1"], "--from-marks: `sped=1`", "resonance"),
        (&["resonance", "--from-marks", "spacing=\u{1b}[2J"], "--from-marks", "resonance"),
        (&["check", "-", "-"], "standard input can only be read once", "check"),
        (&["check", JOB, JOB, "--plot", "a.svg"], "--plot draws one job", "check"),
        (&["compare", JOB, "--set", "travel.bed"], "has no =: give KEY=VALUE", "compare"),
        (&raise, "is given twice", "headroom"),
        (&["sheet", "import", "--write"], "--write replaces a sheet", "sheet import"),
        (&["--color", "never", "sheet", "new", "--travel", "1,2"], "--travel: this takes 3 numbers", "sheet new"),
    ] {
        let told = told(call);
        assert!(told.starts_with("error: ") && told.contains(why), "{call:?}: {told}");
        assert_eq!(told.matches("Usage: ").count(), 1, "{told}");
        assert!(told.contains(&format!("Usage: gonogo {usage} ")), "{told}");
        assert!(!told.contains('\u{1b}'), "{told:?}");
    }
}

#[test]
fn a_key_that_is_none_gets_the_nearest_and_a_table_its_keys() {
    let set = |set: &str| told(&["compare", "corpus/jobs/heron-bracket.gcode", "--set", set]);
    assert!(set("motion.acceleration_mm_s2.print=1").contains("did you mean `motion.acceleration_mm_s2.printing`?"));
    assert!(set("motion.corner=1").contains("motion.corner.jerk_mm_s.e, motion.corner.junction_deviation_mm"));
    assert!(set("tool=1").contains("`tool[0]` is a table: name one of its keys: tool[0].filament_diameter_mm"));
}

#[test]
fn sheets_are_named_with_and_without_an_option() {
    const HERON: &str = "corpus/machines/heron.toml";
    for command in ["show", "lines", "audit"] {
        let output = |arguments: &[&str]| text(gonogo().args(["sheet", command]).args(arguments), 0);
        let by_option = output(&["--machine", HERON]);
        assert_eq!(output(&[HERON]), by_option);
        let by_variable = gonogo().args(["sheet", command]).env("GONOGO_MACHINE", HERON);
        assert_eq!(text(by_variable, 0), by_option);
        assert!(by_option.contains("Heron") || command == "lines", "{by_option}");
        assert!(told(&["sheet", command, HERON, "--machine", HERON]).contains("cannot be used with"));
        assert!(told(&["sheet", command, "no-such.toml"]).contains("no-such.toml"));
    }
}

#[test]
fn a_first_sheet_is_made_without_waiting() {
    const JOB: &str = "corpus/jobs/heron-bracket.gcode";
    let directory = tempfile::tempdir().expect("temporary directory");
    let path = directory.path().join("first.toml");
    let printed = text(gonogo().args(["sheet", "new"]).stdin(""), 0);
    let write = |more: &[&str]| gonogo().args(["sheet", "new", "-o"]).arg(&path).args(more);
    assert!(text(write(&[]), 0).contains("Written to "));
    assert_eq!(std::fs::read_to_string(&path).expect("reads"), printed);
    // A job that is fine on the built-in machine is fine on it.
    let judged = |machine: &[&str]| -> serde_json::Value {
        let check =
            gonogo().args(["check", JOB, "--format", "json"]).args(machine).current_dir(env!("CARGO_MANIFEST_DIR"));
        serde_json::from_str(&text(check, 0)).expect("JSON")
    };
    let (built_in, first) = (judged(&[]), judged(&["--machine", path.to_str().expect("UTF-8")]));
    assert_eq!(built_in["verdict"], "go");
    for part in ["verdict", "findings", "time_s"] {
        assert_eq!(first[part], built_in[part], "{part}");
    }
    // Nothing is replaced unasked.
    write(&["--name", "Wren"]).assert().code(2).stdout_eq("");
    assert_eq!(std::fs::read_to_string(&path).expect("reads"), printed);
    write(&["--name", "Wren", "--write"]).assert().success();
    assert!(std::fs::read_to_string(&path).expect("reads").contains("\nname = \"Wren\" # your answer\n"));
    assert_eq!(std::fs::read_dir(directory.path()).expect("lists").count(), 1);
}

#[test]
fn a_first_sheet_takes_settings_and_answers() {
    let new = |more: &[&str]| gonogo().args(["sheet", "new", "--from"]).args(more);
    let sheet =
        text(new(&["corpus/settings/heron.txt", "--travel", "-5..215,220,250", "--steps-per-mm", "1,2,3,4"]), 0);
    let machine = gonogo::machine::Machine::parse("new", &sheet).expect("no faults");
    assert_eq!((machine.travel.min[0], machine.travel.max), (-5.0, [215.0, 220.0, 250.0]));
    assert_eq!(machine.controller.steps_per_mm, [1.0, 2.0, 3.0, 4.0].map(Some));
    assert!(sheet.contains("# M203 X") && sheet.contains("# cautious value"), "{sheet}");
    // From standard input, which then answers nothing.
    let sheet = text(new(&["-"]).stdin("M92 X81\n"), 0);
    assert!(sheet.contains("\nx = 81.0 # M92 X81, line 1\n"), "{sheet}");
    // What is not kept is listed as an import lists it, with the reason, and nothing else is.
    let run = new(&["-"]).stdin("M92 X80\nM92 X81\nM203 X12000 Y12000 Z600 E3000\nM851 X-20\n").assert().success();
    let said = String::from_utf8_lossy(&run.get_output().stderr).into_owned();
    snapbox::assert_data_eq!(
        &said,
        snapbox::str![[r#"
line  in the text            key and value
1     M92 X80      replaced  controller.steps_per_mm.x = 80 1/mm; by line 2
3     M203 X12000  in doubt  motion.feed_rate_limit_mm_s.x: above 1500 mm/s, not
                             plausible; in mm/min it is 200 mm/s
...
4     M851 X-20    not kept  [..]
...

4 lines: 1 new, 1 replaced, 4 in doubt, 1 not kept.
Say with --m203-per second or --m203-per minute what M203 is in; until then it
is not kept.
gonogo: values from your answers: 0, [..]

"#]]
    );
    let run = new(&["-"]).stdin("M92 X81\n").assert().success();
    assert_eq!(String::from_utf8_lossy(&run.get_output().stderr).lines().count(), 1);
    let sheet = text(new(&["-", "--m203-per", "minute"]).stdin("M203 X12000\n"), 0);
    assert!(sheet.contains("\nx = 200.0 # M203 X12000, line 1\n"), "{sheet}");
    new(&["-"]).stdin("ready\n").assert().code(2).stdout_eq("");
    new(&["no-such.txt"]).assert().code(2).stdout_eq("");
    for wrong in ["nan,1,1", "1e99,1,1", "1,1", "\u{1b}[2J", "..,..,.."] {
        assert!(told(&["sheet", "new", "--travel", wrong]).contains("--travel: "));
    }
}

#[test]
fn a_reader_that_left_is_a_quiet_success() {
    let (reader, writer) = std::io::pipe().expect("a pipe");
    drop(reader);
    let program = Command::new(cargo_bin!("gonogo")).arg("man").stdout(writer).stderr(Stdio::piped()).output();
    let program = program.expect("runs");
    assert_eq!(program.status.code(), Some(0));
    assert_eq!(String::from_utf8_lossy(&program.stderr), "");
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_an_error() {
    let full = std::fs::OpenOptions::new().write(true).open("/dev/full").expect("opens");
    let program = Command::new(cargo_bin!("gonogo")).arg("man").stdout(full).stderr(Stdio::piped()).output();
    let program = program.expect("runs");
    assert_eq!(program.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&program.stderr).starts_with("gonogo: "));
}

/// The corpus as JSON with so many threads.
fn corpus(format: &str, threads: &str) -> Vec<u8> {
    let run = gonogo()
        .args(["check", "corpus/jobs", "--machine", "corpus/machines/heron.toml"])
        .args(["--format", format, "--threads", threads])
        .assert()
        .code(1);
    run.get_output().stdout.clone()
}

#[test]
fn reports_do_not_depend_on_the_number_of_threads() {
    let one = corpus("json", "1");
    assert!(corpus("json", "2") == one && corpus("json", "7") == one);
    let reports: serde_json::Value = serde_json::from_slice(&one).expect("JSON");
    let schema = gonogo().arg("report-schema").assert().success();
    let schema = serde_json::from_slice(&schema.get_output().stdout).expect("JSON");
    assert!(jsonschema::validator_for(&schema).expect("a schema").is_valid(&reports));
    let lines = String::from_utf8(corpus("ndjson", "2")).expect("JSON is UTF-8");
    let lines: Vec<serde_json::Value> = lines.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    assert_eq!(reports.as_array(), Some(&lines));
}

#[test]
fn one_job_that_cannot_be_read_does_not_stop_the_others() {
    let run = gonogo()
        .args(["check", "corpus/jobs/no-such-job.gcode", "corpus/jobs/heron-bracket.gcode", "--format", "ndjson"])
        .assert()
        .code(2);
    let text = String::from_utf8_lossy(&run.get_output().stdout).into_owned();
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines.len(), 2);
    assert!(lines[0].contains("\"error\"") && lines[1].contains("\"verdict\":\"go\""), "{text}");
}

#[test]
fn standard_input_is_judged_like_the_file() {
    let job = std::fs::read("corpus/jobs/wren-flow.gcode").expect("a corpus job");
    let judge = |path: &str| {
        let machine = ["--machine", "corpus/machines/wren.toml", "--format", "json", "--fail-on", "hold"];
        let run = gonogo().args(["check", path]).args(machine).stdin(job.clone()).assert().code(1);
        let mut report: serde_json::Value = serde_json::from_slice(&run.get_output().stdout).expect("JSON");
        report["job"]["path"] = "job".into();
        // A stream has no name to judge.
        report["checks"] = serde_json::Value::Null;
        report
    };
    assert_eq!(judge("-"), judge("corpus/jobs/wren-flow.gcode"));
}

/// Invented: y is set for twice the micro-steps, and the extruder's gear of 3 is left out.
const MISTYPED: &str = r#"
name = "Wren after its new controller (invented)"
[travel]
x = [0.0, 200.0]
y = [0.0, 200.0]
z = [0.0, 180.0]
[motion]
feed_rate_limit_mm_s = { x = 200.0, y = 200.0, z = 10.0, e = 50.0 }
acceleration_limit_mm_s2 = { x = 1500.0, y = 1500.0, z = 100.0, e = 5000.0 }
acceleration_mm_s2 = { printing = 1000.0, travel = 1000.0, retraction = 1000.0 }
look_ahead_moves = 32
corner = { jerk_mm_s = { x = 8.0, y = 8.0, z = 0.4, e = 5.0 } }
[drive]
x = { motor_step_deg = 1.8, steps_per_full_step = 16, pulley_teeth = 20, belt_pitch_mm = 2.0 }
y = { motor_step_deg = 1.8, steps_per_full_step = 16, pulley_teeth = 20, belt_pitch_mm = 2.0 }
z = { motor_step_deg = 1.8, steps_per_full_step = 16, screw_lead_mm = 8.0 }
e = { motor_step_deg = 1.8, steps_per_full_step = 16, advance_per_turn_mm = 24.0, reduction = 3.0 }
[controller]
steps_per_mm = { x = 80.0, y = 160.0, z = 400.0, e = 134.0 }
[[tool]]
filament_diameter_mm = 1.75
"#;

#[test]
fn an_audit_names_what_was_typed_in_wrong() {
    let directory = tempfile::tempdir().expect("temporary directory");
    let sheet = directory.path().join("wren.toml");
    std::fs::write(&sheet, MISTYPED).expect("writes");
    let audit = |format: &str| {
        let run = gonogo().args(["sheet", "audit", "--format", format, "--machine"]).arg(&sheet).assert().code(1);
        String::from_utf8(run.get_output().stdout.clone()).expect("UTF-8")
    };
    let audit_of: serde_json::Value = serde_json::from_str(&audit("json")).expect("JSON");
    assert_eq!((&audit_of["schema"], &audit_of["verdict"]), (&"gonogo.audit/1".into(), &"no-go".into()));
    let lines = audit_of["lines"].as_array().expect("lines");
    let wrong: Vec<_> = lines.iter().filter(|line| line["outcome"] == "no-go").collect();
    assert_eq!(wrong.len(), 2, "{wrong:#?}");
    for (line, (what, expected, said)) in wrong.iter().zip([
        ("y", 80.0, "2 times what the drive gives; likely set for 32 micro-steps, not the 16 of the sheet"),
        ("e", 400.0, "1/3 of what the drive gives; likely the reduction 3 is left out"),
    ]) {
        assert_eq!((&line["id"], &line["what"]), (&"steps-per-mm-set-against-drive".into(), &what.into()));
        assert_eq!(line["expected"], serde_json::json!({ "relation": "near", "value": expected }));
        assert!(line["message"].as_str().is_some_and(|message| message.starts_with(said)), "{line:#}");
    }
    let page = audit("text");
    assert!(page.starts_with("■ NO-GO: sheet of Wren after its new controller (invented)"), "{page}");
    assert!(page.contains("360° / 1.8° × 16 × 3 / 24 mm = 400 steps/mm"), "{page}");
}

#[test]
fn the_machines_of_the_corpus_are_sane_and_a_faulty_sheet_is_not_audited() {
    for machine in ["heron", "wren"] {
        let path = format!("corpus/machines/{machine}.toml");
        let run = gonogo().args(["sheet", "audit", "--machine", &path]).assert().success().stderr_eq("");
        let page = String::from_utf8_lossy(&run.get_output().stdout).into_owned();
        assert!(page.starts_with("◆ hold: sheet of "), "{page}");
    }
    let directory = tempfile::tempdir().expect("temporary directory");
    let sheet = directory.path().join("wren.toml");
    std::fs::write(&sheet, MISTYPED.replace("screw_lead_mm", "hob_diameter_mm")).expect("writes");
    let run = gonogo().args(["sheet", "audit", "--machine"]).arg(&sheet).assert().code(2).stdout_eq("");
    let faults = String::from_utf8_lossy(&run.get_output().stderr).into_owned();
    assert!(faults.contains("`hob_diameter_mm` belongs in `drive.e`"), "{faults}");
}

const PRINTING: &str = "motion.acceleration_mm_s2.printing=500";

/// Compares corpus jobs on Wren with one value set.
fn compare(set: &str, more: &[&str]) -> Cmd {
    gonogo().args(["compare", "--machine", "corpus/machines/wren.toml", "--set", set]).args(more)
}

fn text(command: Cmd, code: i32) -> String {
    String::from_utf8(command.assert().code(code).get_output().stdout.clone()).expect("UTF-8")
}

#[test]
fn comparisons_do_not_depend_on_the_number_of_threads() {
    for format in ["text", "json", "ndjson", "csv"] {
        let with =
            |threads: &str| text(compare(PRINTING, &["corpus/jobs", "--format", format, "--threads", threads]), 1);
        let one = with("1");
        assert!(with("2") == one && with("7") == one, "{format}");
    }
}

#[test]
fn a_machine_and_itself_do_the_same_to_every_job() {
    let same = compare("name=Wren", &["corpus/jobs", "--format", "json"]);
    let same: serde_json::Value = serde_json::from_str(&text(same, 0)).expect("JSON");
    assert_eq!(same["machines"]["changes"], serde_json::json!([]));
    let jobs = same["jobs"].as_array().expect("a list");
    assert!(jobs.len() > 20);
    for job in jobs {
        assert_eq!((&job["verdict"]["change"], &job["findings"]), (&"stays".into(), &serde_json::json!([])), "{job:#}");
        assert_eq!(job["time_s"]["total"]["difference"], 0.0);
    }
}

#[test]
fn a_lower_limit_makes_verdicts_worse_and_says_why() {
    let set = "controller.step_rate_limit_hz=9000";
    let run = compare(set, &["corpus/jobs/wren-dial.gcode"]).env("COLUMNS", "60").assert().code(1).stderr_eq("");
    let page = String::from_utf8_lossy(&run.get_output().stdout).into_owned();
    let words = page.split_whitespace().collect::<Vec<_>>().join(" ");
    for part in ["gets worse", "80000.0 → 9000", "◆ hold Motor", "[step-rate-exceeded]", "in small steps"] {
        assert!(words.contains(part), "{part}: {page}");
    }
    assert!(page.lines().all(|line| line.chars().count() <= 60), "{page}");
    let table = text(compare(set, &["corpus/jobs/wren-cap.gcode", "corpus/jobs/wren-dial.gcode"]), 1);
    assert!(table.contains("● go → ◆ hold") && table.contains("2 jobs: "), "{table}");
}

#[test]
fn what_cannot_be_compared_is_said() {
    let lost = compare(PRINTING, &["no-such-job.gcode", "corpus/jobs/wren-arcs.gcode", "--format", "csv"]);
    let run = lost.assert().code(2);
    let rows = String::from_utf8_lossy(&run.get_output().stdout).into_owned();
    assert!(rows.lines().count() == 3 && rows.contains("cannot read no-such-job.gcode"), "{rows}");
    for (set, said) in [
        ("motion.acceleration_mm_s2.print=1", "did you mean `motion.acceleration_mm_s2.printing`?"),
        ("motion.acceleration_mm_s2.printing=-1", "the sheet has faults"),
        ("motion.acceleration_mm_s2.printing", "has no =: give KEY=VALUE"),
    ] {
        let run = compare(set, &["corpus/jobs/wren-arcs.gcode"]).assert().code(2).stdout_eq("");
        let said_so = String::from_utf8_lossy(&run.get_output().stderr).into_owned();
        assert!(said_so.contains(said), "{said_so}");
    }
    let nothing = gonogo().args(["compare", "corpus/jobs/wren-arcs.gcode"]).assert().code(2).stdout_eq("");
    assert!(String::from_utf8_lossy(&nothing.get_output().stderr).contains("--after"));
}

#[test]
fn a_job_that_cannot_be_read_is_told_wherever_it_may_be_read() {
    let directory = tempfile::tempdir().expect("temporary directory");
    let file = directory.path().join("report.txt").display().to_string();
    let (lost, set) = ("no-such-job.gcode", format!("--set={PRINTING}"));
    let told = |arguments: &[&str]| {
        let run = gonogo().args(arguments).current_dir(env!("CARGO_MANIFEST_DIR")).assert().code(2);
        let output = run.get_output().clone();
        [output.stdout, output.stderr].map(|text| String::from_utf8_lossy(&text).matches("cannot read no-such").count())
    };
    let job = "corpus/jobs/heron-bracket.gcode";
    // Every page tells it, once; standard error too where that is no terminal, for it may be read by nobody.
    for page in [
        &["check", lost][..],
        &["check", lost, "--details"],
        &["check", lost, "--brief"],
        &["check", lost, job, "--brief", "--only", "no-go"],
        &["check", lost, job, "--format", "text"],
        &["check", lost, job, "--only", "no-go"],
        &["check", lost, job, "--machine", "corpus/machines/wren.toml", "--machine", "corpus/machines/heron.toml"],
        &["compare", lost, &set],
        &["compare", lost, job, &set],
        &["headroom", lost],
    ] {
        assert_eq!(told(page), [1, 1], "{page:?}");
    }
    // Nobody reads a file or what programs take while they wait.
    for (other, on_stdout) in [
        (&["check", lost, "-o", &file][..], 0),
        (&["check", lost, "-q"], 0),
        (&["check", lost, "--format", "json"], 1),
        (&["check", lost, "--format", "csv"], 1),
        (&["compare", lost, &set, "--format", "csv"], 1),
        (&["headroom", lost, "--format", "json"], 1),
    ] {
        assert_eq!(told(other), [on_stdout, 1], "{other:?}");
    }
    assert!(std::fs::read_to_string(&file).expect("is there").contains("cannot read no-such"));
}

#[test]
fn comparisons_go_to_files_and_read_lists() {
    let directory = tempfile::tempdir().expect("temporary directory");
    let (list, file) = (directory.path().join("list"), directory.path().join("raised.csv"));
    std::fs::write(&list, "corpus/jobs/wren-arcs.gcode\ncorpus/jobs/wren-belts.gcode\n").expect("writes");
    let (list, path) = (list.display().to_string(), file.display().to_string());
    let run = compare(PRINTING, &["--files-from", &list, "--format", "csv", "-q", "-o", &path]);
    run.assert().code(0).stdout_eq("").stderr_eq("");
    assert_eq!(std::fs::read_to_string(&file).expect("is there").lines().count(), 3);
}

#[test]
fn no_output_takes_the_place_of_what_is_read() {
    let directory = tempfile::tempdir().expect("temporary directory");
    let (job, sheet) = (directory.path().join("job.gcode"), directory.path().join("m.toml"));
    std::fs::copy("corpus/jobs/heron-gap.gcode", &job).expect("copies");
    std::fs::copy("corpus/machines/heron.toml", &sheet).expect("copies");
    let before = std::fs::read(&job).expect("reads");
    std::fs::write(directory.path().join("list"), "job.gcode\n").expect("writes");
    let here = |arguments: &[&str]| {
        let run = Cmd::new(cargo_bin!("gonogo")).env_remove("GONOGO_MACHINE").current_dir(directory.path());
        run.args(arguments).output().expect("runs").status.code()
    };
    for arguments in [
        &["check", "job.gcode", "-o", "job.gcode"][..],
        &["check", "job.gcode", "--format", "html", "-o", "./job.gcode"],
        &["check", "job.gcode", "--machine", "m.toml", "-o", "m.toml"],
        &["check", "job.gcode", "--plot", "job.gcode"],
        &["check", "job.gcode", "-o", "same", "--plot", "same"],
        &["check", "job.gcode", "-o", "./same", "--plot", "same"],
        &["resonance", "job.gcode", "--machine", "m.toml", "--once", "-o", "./same", "--plot", "same"],
        &[
            "compare",
            "job.gcode",
            "--machine",
            "m.toml",
            "--set",
            "motion.acceleration_mm_s2.printing=900",
            "-o",
            "m.toml",
        ],
        &["check", "--files-from", "list", "-o", "list"],
        &["headroom", "job.gcode", "--machine", "m.toml", "-o", "job.gcode"],
        &["headroom", "job.gcode", "--machine", "m.toml", "-o", "./m.toml"],
        &["resonance", "job.gcode", "--machine", "m.toml", "--once", "-o", "m.toml"],
        &["resonance", "job.gcode", "--machine", "m.toml", "--once", "--plot", "job.gcode"],
    ] {
        assert_eq!(here(arguments), Some(2), "{arguments:?}");
    }
    let accept = ["accept", "job.gcode", "--machine", "m.toml", "--check", "rings-frame", "--because", "known"];
    assert_eq!(here(&accept), Some(0));
    let over = ["check", "job.gcode", "--machine", "m.toml", "-o", "gonogo.accepted.toml"];
    assert_eq!(here(&over), Some(2));
    std::fs::remove_file(directory.path().join("gonogo.accepted.toml")).expect("is there");
    assert_eq!(std::fs::read(&job).expect("reads"), before);
    assert!(!directory.path().join("same").exists());
    assert_eq!(here(&["check", "job.gcode", "--machine", "m.toml", "--format", "html", "-o", "page.html"]), Some(0));
}

/// Signal numbers: POSIX.1-2017, `kill`: HUP 1, INT 2, TERM 15.
#[cfg(unix)]
#[test]
fn nothing_is_left_behind_at_a_signal() {
    use std::io::Write as _;
    use std::os::unix::process::ExitStatusExt as _;
    let entries = |folder: &std::path::Path| std::fs::read_dir(folder).expect("lists").count();
    for format in ["json", "html"] {
        for (name, number) in [("HUP", 1), ("INT", 2), ("TERM", 15)] {
            let (folder, temporary) = (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder"));
            let mut running = Command::new(cargo_bin!("gonogo"))
                .args(["check", "-", "--format", format, "-o"])
                .arg(folder.path().join("report"))
                .env("TMPDIR", temporary.path())
                .stdin(Stdio::piped())
                .stderr(Stdio::null())
                .spawn()
                .expect("starts");
            let mut job = running.stdin.take().expect("standard input");
            job.write_all(b"G28\nG1 X10 F600\n").expect("reads on");
            let wanted = if format == "html" { 2 } else { 1 };
            while entries(folder.path()) + entries(temporary.path()) < wanted {
                std::thread::yield_now();
            }
            let told = Command::new("kill").args(["-s", name, &running.id().to_string()]).status().expect("kills");
            assert!(told.success());
            assert_eq!(running.wait().expect("ends").signal(), Some(number), "{format}");
            assert_eq!(entries(folder.path()) + entries(temporary.path()), 0, "{format} {name}");
        }
    }
}

#[cfg(unix)]
#[test]
fn files_are_open_to_whom_the_umask_or_the_file_before_says() {
    use std::os::unix::fs::PermissionsExt as _;
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("report");
    let mode = || std::fs::metadata(&path).expect("is there").permissions().mode() & 0o7777;
    let write = || {
        let shell = "umask 027; exec \"$0\" check corpus/jobs/heron-hook.gcode --format json -o \"$1\"";
        let run = Command::new("sh").args(["-c", shell]).arg(cargo_bin!("gonogo")).arg(&path).output().expect("runs");
        assert!(run.status.code().is_some_and(|code| code < 2), "{run:?}");
    };
    write();
    assert_eq!(mode(), 0o640, "666 without 027");
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o4604)).expect("sets");
    write();
    assert_eq!(mode(), 0o604, "as it was, but it never runs as somebody else");
}

/// A job may lie in the folder of the pages under the name of a page, and the settings may come from the sheet itself.
#[test]
fn what_is_read_is_never_written_over() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name).display().to_string();
    let job = std::fs::read("corpus/jobs/heron-square.gcode").expect("a corpus job");
    for name in ["a.html", "b.gcode", "index.html"] {
        std::fs::write(at(name), &job).expect("writes");
    }
    let pages = |jobs: &[&str]| {
        gonogo()
            .arg("check")
            .args(jobs)
            .args(["--machine", "corpus/machines/heron.toml", "--format", "html", "-o"])
            .arg(folder.path())
    };
    pages(&[&at("a.html"), &at("b.gcode"), &at("index.html")]).assert().code(2);
    // Its page would be called `a.html.html`, as another file is already.
    std::fs::write(at("a.html.html"), &job).expect("writes");
    pages(&[&at("a.html"), &at("a.html.html"), &at("b.gcode")]).assert().success();
    for name in ["a.html", "a.html.html", "b.gcode"] {
        assert!(std::fs::read(at(name)).expect("is there") == job, "{name}");
    }
    assert!(folder.path().join("a.html-2.html").is_file());
    std::fs::write(at("settings.txt"), "M92 X80 Y80 Z400 E95\n").expect("writes");
    let import = ["sheet", "import", &at("settings.txt"), "-o", &at("settings.txt"), "--write"];
    let run = gonogo().args(import).assert().code(2);
    assert!(String::from_utf8_lossy(&run.get_output().stderr).contains("same file"));
    assert_eq!(std::fs::read_to_string(at("settings.txt")).expect("is there"), "M92 X80 Y80 Z400 E95\n");
}
