//! Finished prints on the command line: written down, taken over, learned from, and what reports then say.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;
use snapbox::cmd::{Command as Cmd, OutputAssert, cargo_bin};

struct Workshop {
    folder: tempfile::TempDir,
}

impl Workshop {
    /// A folder with Heron's sheet and a few jobs of it.
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus");
        fs::copy(corpus.join("machines/heron.toml"), folder.path().join("gonogo.toml")).expect("copies");
        for job in ["heron-square", "heron-bracket", "heron-gap", "heron-hook"] {
            let name = format!("{job}.gcode");
            fs::copy(corpus.join("jobs").join(&name), folder.path().join(&name)).expect("copies");
        }
        Self { folder }
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn run(&self, args: &[&str]) -> OutputAssert {
        Cmd::new(cargo_bin!("gonogo"))
            .current_dir(self.folder.path())
            .env("COLUMNS", "60")
            .env("LC_ALL", "C.UTF-8")
            .env_remove("GONOGO_MACHINE")
            .args(args)
            .assert()
    }

    fn said(&self, args: &[&str]) -> String {
        let run = self.run(args).success();
        String::from_utf8(run.get_output().stdout.clone())
            .expect("UTF-8")
            .split_whitespace()
            .collect::<Vec<_>>()
            .join(" ")
    }

    fn json(&self, args: &[&str]) -> Value {
        let run = self.run(args);
        serde_json::from_slice(&run.get_output().stdout).expect("JSON")
    }

    fn sheet(&self) -> String {
        fs::read_to_string(self.at("gonogo.toml")).expect("reads")
    }

    /// Prints of three jobs, each by the plan and so much more.
    fn prints(&self, start_s: f64) {
        for job in ["heron-square", "heron-bracket", "heron-gap"] {
            let report = self.json(&["check", &format!("{job}.gcode"), "--format", "json"]);
            let planned_s = report["time_s"]["total"].as_f64().expect("a time");
            for more in [0.0, 3.0] {
                let took = format!("{}", (planned_s + start_s + more).round());
                self.run(&["prints", "add", &format!("{job}.gcode"), "--took", &took]).success();
            }
        }
    }
}

fn faults_of(value: &Value, of: &str) -> Vec<String> {
    let schema = Cmd::new(cargo_bin!("gonogo")).args(["report-schema", "--of", of]).assert().success();
    let schema: Value = serde_json::from_slice(&schema.get_output().stdout).expect("JSON");
    let validator = jsonschema::validator_for(&schema).expect("a schema");
    validator.iter_errors(value).map(|fault| fault.to_string()).collect()
}

#[test]
fn from_prints_to_a_time_with_its_interval() {
    let shop = Workshop::new();
    let plain = shop.said(&["check", "heron-bracket.gcode"]);
    assert!(plain.contains("clock not set"), "{plain}");
    let before = shop.json(&["check", "heron-bracket.gcode", "--format", "json"]);
    assert_eq!((&before["clock"], &before["time_s"]["low"]), (&Value::Null, &Value::Null));
    assert_eq!(before["actions"]["homings"], 1);

    shop.prints(150.0);
    assert!(shop.said(&["prints", "list"]).starts_with("6 prints in"));
    let again = shop.said(&[
        "prints",
        "add",
        "heron-gap.gcode",
        "--took",
        "0:20:00",
        "--started",
        "2024-01-31 14:05",
        "--aborted",
    ]);
    assert!(again.contains("7 prints in"), "{again}");
    let same = shop.said(&["prints", "add", "heron-gap.gcode", "--took", "0:21:00", "--started", "2024-01-31 14:05"]);
    assert!(same.contains("in ") && same.contains("already"), "{same}");

    let sheet = shop.sheet();
    let told = shop.said(&["learn"]);
    assert!(told.starts_with("Clock of Heron from 6 prints of 3 jobs: "), "{told}");
    assert!(told.contains("aborted: heron-gap.gcode (line 8)") && told.contains("Nothing is written"), "{told}");
    assert_eq!(shop.sheet(), sheet);
    let learned = shop.json(&["learn", "--write", "--format", "json"]);
    assert_eq!(faults_of(&learned, "learn"), Vec::<String>::new());
    assert_eq!((&learned["schema"], learned["prints"].as_array().map(Vec::len)), (&"gonogo.learn/1".into(), Some(6)));
    let written = shop.sheet();
    assert!(written.starts_with(&sheet) && written.contains("[clock]\n"), "what was there stays\n{written}");
    assert!(written.contains("from_prints = 6"), "{written}");
    // What a sheet learned does not make its prints old.
    assert!(shop.said(&["learn"]).contains("Before: the clock in the sheet"), "the plan is the same");

    let after = shop.json(&["check", "heron-bracket.gcode", "--format", "json"]);
    assert_eq!(faults_of(&after, "check"), Vec::<String>::new());
    for same in ["verdict", "findings", "layers", "path_mm", "flow_mm3_s", "heat"] {
        assert_eq!(after[same], before[same], "{same}");
    }
    assert_eq!(after["time_s"]["total"], before["time_s"]["total"]);
    let number = |of: &Value| of.as_f64().expect("a number");
    let (low, high) = (number(&after["time_s"]["low"]), number(&after["time_s"]["high"]));
    let expected = number(&after["clock"]["expected_s"]);
    assert!(low < expected && expected < high, "{low} {expected} {high}");
    let took = number(&before["time_s"]["total"]) + 150.0;
    assert!((expected - took).abs() < 40.0, "{expected} for {took}");
    let text = shop.said(&["check", "heron-bracket.gcode"]);
    assert!(text.contains(" (90 %: ") && text.contains("planned 5 min 59 s") && !text.contains("not set"), "{text}");
    let brief = shop.said(&["check", "heron-bracket.gcode", "--brief"]);
    assert!(brief.contains(" (90 %: "), "{brief}");
    // Where the sheet has a clock, planned times are called so.
    let job = "heron-bracket.gcode";
    let compared = shop.said(&["compare", job, "--set", "motion.acceleration_mm_s2.printing=700"]);
    assert!(compared.contains("Times here are planned, without the clock"), "{compared}");
    let table = shop.said(&["compare", job, "heron-hook.gcode", "--set", "motion.acceleration_mm_s2.printing=700"]);
    assert!(table.contains("Times here are planned, without the clock"), "{table}");
    let range = shop.said(&["headroom", job, "--raise", "motion.acceleration_mm_s2.printing"]);
    assert!(range.contains(" today, planned 5 min 59 s"), "{range}");
    fs::write(shop.at("unclocked.toml"), &sheet).expect("writes");
    let both = shop.said(&["check", job, "--machine", "gonogo.toml", "--machine", "unclocked.toml"]);
    assert!(both.contains("are by the clock that prints have set, those on"), "{both}");
    let metrics = shop.said(&["check", job, "--format", "openmetrics"]);
    assert!(
        metrics.contains(&format!("gonogo_expected_seconds{{job=\"{job}\",machine=\"Heron\"}} {expected}")),
        "{metrics}"
    );
    let csv = shop.said(&["check", "heron-bracket.gcode", "--format", "csv"]);
    assert!(csv.contains(",error,time_expected_s,time_low_s,time_high_s,energy_wh,"), "{csv}");
    assert!(csv.contains(&format!(",{low},{high},,,,")), "{csv}");
}

#[test]
fn prints_of_another_sheet_are_planned_anew_where_the_job_is_at_hand() {
    let shop = Workshop::new();
    shop.prints(100.0);
    let faster = shop.sheet().replace("printing = 800.0", "printing = 400.0");
    fs::write(shop.at("gonogo.toml"), &faster).expect("writes");
    let learned = shop.json(&["learn", "--format", "json"]);
    assert_eq!(learned["left_out"], Value::Array(Vec::new()));
    fs::remove_file(shop.at("heron-gap.gcode")).expect("removes");
    let run = shop.run(&["learn"]).code(2);
    let told = String::from_utf8_lossy(&run.get_output().stderr).into_owned();
    assert!(told.contains("at least 3 jobs, and there are 2"), "{told}");
    // In another folder it is found too, but not when it is another job.
    let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus/jobs");
    let found = shop.json(&["learn", "--jobs", corpus.to_str().expect("UTF-8"), "--format", "json"]);
    assert_eq!(found["left_out"], Value::Array(Vec::new()));
    fs::write(shop.at("heron-gap.gcode"), "G28\nG1 X5 E1 F600\n").expect("writes");
    shop.run(&["learn"]).code(2);
}

#[test]
fn records_from_elsewhere_are_taken_over_once() {
    let shop = Workshop::new();
    let records = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus/prints/workshop-a.csv"));
    let records = records.expect("reads");
    fs::write(shop.at("old.csv"), &records).expect("writes");
    assert!(shop.said(&["prints", "import", "old.csv"]).starts_with("Took over 40 prints. 40 prints in"));
    let kept = fs::read(shop.at("gonogo.prints.csv")).expect("reads");
    assert!(shop.said(&["prints", "import", "old.csv"]).starts_with("Took over 0 prints, 40 known already."));
    assert_eq!(fs::read(shop.at("gonogo.prints.csv")).expect("reads"), kept);
    let own = shop.json(&["learn", "--format", "json"]);
    let given = shop.json(&["learn", "--prints", "old.csv", "--format", "json"]);
    assert_eq!((&own["clock"], &own["after"]), (&given["clock"], &given["after"]));
    // The same as the acceptance of the learner: leaving out one job at a time, with the sheet of an invented machine.
    assert!(own["after"]["median_error"].as_f64() <= Some(0.025), "{}", own["after"]);
    assert!((32..=38).contains(&own["after"]["held"].as_u64().expect("a count")), "{}", own["after"]);

    fs::write(shop.at("bad.csv"), records + "a99,long\n").expect("writes");
    let run = shop.run(&["prints", "import", "bad.csv"]).code(2);
    let told = String::from_utf8_lossy(&run.get_output().stderr).into_owned();
    assert!(told.contains("bad.csv: line 42: the row has 2 cells"), "{told}");
    // A row that somebody broke by hand stays when others are put in.
    let broken = String::from_utf8(kept).expect("UTF-8") + "mine,soon\n";
    fs::write(shop.at("gonogo.prints.csv"), &broken).expect("writes");
    shop.run(&["prints", "add", "heron-gap.gcode", "--took", "300"]).success();
    assert!(fs::read_to_string(shop.at("gonogo.prints.csv")).expect("reads").starts_with(&broken));
    shop.run(&["prints", "list"]).code(2);
    let run = shop.run(&["learn", "--prints", "bad.csv"]).code(2);
    let told = String::from_utf8_lossy(&run.get_output().stdout).into_owned();
    assert!(told.starts_with("Clock of Heron from ") && told.contains("line 42: the row has 2"), "{told}");
}

#[test]
fn a_clock_that_is_no_good_is_not_put_into_the_sheet() {
    let shop = Workshop::new();
    let records = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus/prints/workshop-a.csv"));
    let records = records.expect("reads");
    // Somebody typed a time that is none for each of four jobs.
    let wrong = |row: &str| {
        row.splitn(3, ',')
            .enumerate()
            .map(|(at, cell)| if at == 1 { "1e7" } else { cell })
            .collect::<Vec<_>>()
            .join(",")
    };
    let rows: Vec<String> =
        records.lines().take(1).map(str::to_owned).chain(records.lines().skip(5).take(4).map(wrong)).collect();
    fs::write(shop.at("wrong.csv"), rows.join("\n")).expect("writes");
    let sheet = shop.sheet();
    let args = ["learn", "--prints", "wrong.csv", "--write"];
    let run = shop.run(&args).code(1);
    let told = String::from_utf8_lossy(&run.get_output().stdout).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(told.starts_with("No good clock of Heron from 4 prints of 4 jobs: its 90 % interval misses"), "{told}");
    assert!(told.contains("puts no such clock into the sheet. What helps: "), "{told}");
    shop.run(&args[..3]).success();
    let run = shop.run(&[&args[..], &["--format", "json"]].concat()).code(1);
    let learned: Value = serde_json::from_slice(&run.get_output().stdout).expect("JSON");
    assert_eq!(faults_of(&learned, "learn"), Vec::<String>::new());
    assert_eq!((&learned["doubt"], &learned["written"]), (&"interval-misses".into(), &Value::Null));
    assert_eq!(shop.sheet(), sheet);
    // A row that cannot be read weighs more.
    fs::write(shop.at("wrong.csv"), rows.join("\n") + "\nx,1\n").expect("writes");
    shop.run(&args).code(2);
}

#[test]
fn the_advice_after_a_change_is_a_command_that_does_it() {
    let shop = Workshop::new();
    let records = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus/prints/workshop-a.csv"));
    let mut rows: Vec<String> = records.expect("reads").lines().map(str::to_owned).collect();
    for row in rows.iter_mut().skip(21) {
        let mut cells: Vec<String> = row.split(',').map(str::to_owned).collect();
        cells[1] = format!("{}", cells[1].parse::<f64>().expect("a number") * 1.15);
        *row = cells.join(",");
    }
    fs::write(shop.at("my prints.csv"), rows.join("\n")).expect("writes");
    let told = shop.said(&["learn", "--prints", "my prints.csv"]);
    let (_, advice) = told.split_once("gonogo learn --since ").expect("advice");
    let (line, rest) = advice.split_once(' ').expect("options");
    assert!(rest.starts_with("--prints 'my prints.csv'"), "{advice}");
    assert!((17..=27).contains(&line.parse::<u32>().expect("a line")), "{line}");
    let since = shop.said(&["learn", "--since", line, "--prints", "my prints.csv"]);
    assert!(since.contains("before those that --since asks for") && since.contains("none is clear"), "{since}");
    let run = shop.run(&["learn", "--since", "99", "--prints", "my prints.csv"]).code(2);
    assert!(String::from_utf8_lossy(&run.get_output().stderr).contains("no print under that number"));
    shop.run(&["learn", "--since", "soon", "--prints", "my prints.csv"]).code(2);
}

#[test]
fn what_cannot_be_done_is_one_message() {
    let shop = Workshop::new();
    for (args, part) in [
        (&["learn"][..], "there are no prints in"),
        (&["prints", "add", "heron-gap.gcode", "--took", "1:42"], "h:mm:ss"),
        (&["prints", "add", "heron-gap.gcode", "--took", "0:10:00", "--waited", "0:10:00"], "nothing is left"),
        (&["prints", "add", "heron-gap.gcode", "--took", "0:10:00", "--started", "soon"], "a day or a time"),
        (&["prints", "add", "heron-gap.gcode", "--took", "0:10:00", "--started", "1900-01-01"], "from 2000 on"),
        (&["prints", "add", "heron-gap.gcode", "--took", "0:10:00", "--started", "9999-12-31"], "in the future"),
        (&["prints", "add", "none.gcode", "--took", "0:10:00"], "cannot read none.gcode"),
        (&["prints", "add", "-", "--took", "0:10:00"], "no name by which"),
        (&["prints", "import", "none.csv"], "cannot read the prints none.csv"),
        (&["prints", "import", "heron-gap.gcode"], "it is no file of prints"),
        (&["learn", "--prints", "heron-gap.gcode"], "it is no file of prints"),
    ] {
        let run = shop.run(args).code(2).stdout_eq("");
        let told = String::from_utf8_lossy(&run.get_output().stderr).into_owned();
        assert!(told.contains(part), "{args:?}: {told}");
    }
    assert!(!shop.at("gonogo.prints.csv").exists());
    // Without a sheet there is no place for prints.
    fs::remove_file(shop.at("gonogo.toml")).expect("removes");
    shop.run(&["prints", "list"]).code(2);
    shop.run(&["learn", "--write"]).code(2);
}

#[test]
fn prints_that_are_alike_are_told_apart_by_their_start() {
    let shop = Workshop::new();
    let add = |more: &[&str]| shop.said(&[&["prints", "add", "heron-gap.gcode", "--took", "0:06:30"], more].concat());
    let first = add(&["--waited", "0:06:29"]);
    assert!(first.starts_with("Took 1.0 s, planned"), "{first}");
    let same = add(&[]);
    assert!(same.contains("already") && same.contains("tell when it was started with --started"), "{same}");
    assert!(add(&["--started", "2024-01-31"]).contains("2 prints in"));
    let same = add(&["--started", "2024-01-31"]);
    assert!(same.contains("the same job with the same start"), "{same}");
    let list = shop.said(&["prints", "list"]);
    assert!(list.contains("each with the time from start to end"), "{list}");
    assert!(list.contains("0:06:30 heron-gap.gcode, of which it waited 0:06:29 and took 1.0 s"), "{list}");
    // A start that is none yet is a fault of its row; the others are taken.
    let kept = fs::read_to_string(shop.at("gonogo.prints.csv")).expect("reads");
    fs::write(shop.at("old.csv"), kept.replace("2024-01-31", "2999-01-31")).expect("writes");
    fs::remove_file(shop.at("gonogo.prints.csv")).expect("removes");
    let run = shop.run(&["prints", "import", "old.csv"]).code(2);
    let told = String::from_utf8_lossy(&run.get_output().stderr).into_owned();
    assert!(told.contains("old.csv: line 3, column 15: `started` is in the future"), "{told}");
    assert!(shop.said(&["prints", "list"]).starts_with("1 print in"));
}

#[test]
fn many_at_the_same_time_lose_no_print() {
    let shop = Workshop::new();
    std::thread::scope(|scope| {
        for of in 0..6 {
            let shop = &shop;
            scope.spawn(move || {
                shop.run(&["prints", "add", "heron-square.gcode", "--took", &format!("{}", 500 + of)]).success();
            });
        }
    });
    assert!(shop.said(&["prints", "list"]).starts_with("6 prints in"));
}
