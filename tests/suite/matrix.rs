//! Several machines at once: every cell is the check of that job on that machine, and every format is read by somebody else.

use std::collections::BTreeMap;

use openmetrics_parser::openmetrics::parse_openmetrics;
use openmetrics_parser::{MetricNumber, OpenMetricsValue};
use serde_json::Value;
use snapbox::cmd::{Command as Cmd, cargo_bin};

const MACHINES: [&str; 3] = ["bittern", "heron", "wren"];

fn check(jobs: &[&str], machines: &[&str], more: &[&str]) -> Cmd {
    let sheets = machines.iter().flat_map(|name| ["--machine".to_owned(), format!("corpus/machines/{name}.toml")]);
    let command = Cmd::new(cargo_bin!("gonogo")).env_remove("GONOGO_MACHINE").env("COLUMNS", "80");
    command.arg("check").args(jobs).args(sheets).args(more)
}

fn text(command: Cmd, code: i32) -> String {
    String::from_utf8(command.assert().code(code).get_output().stdout.clone()).expect("UTF-8")
}

fn json(text: &str) -> Value {
    serde_json::from_str(text).expect("JSON")
}

fn rows(text: &str) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    reader.deserialize().map(|row| row.expect("a row with every column")).collect()
}

/// Samples of a family with their labels.
fn samples(text: &str, family: &str) -> Vec<(BTreeMap<String, String>, f64)> {
    let exposition = parse_openmetrics(text).unwrap_or_else(|fault| panic!("{fault:?}\n{text}"));
    let sample = |sample: &openmetrics_parser::Sample<OpenMetricsValue>| {
        let labels = sample.get_labelset().expect("labels");
        let labels = labels.iter().map(|(name, value)| (name.clone(), value.clone())).collect();
        match sample.value {
            OpenMetricsValue::Gauge(MetricNumber::Float(value)) => (labels, value),
            OpenMetricsValue::Gauge(MetricNumber::Int(value)) => (labels, value as f64),
            _ => panic!("{family} is no gauge"),
        }
    };
    exposition.families[family].iter_samples().map(sample).collect()
}

#[test]
fn every_cell_is_the_check_on_that_machine() {
    let matrix = json(&text(check(&["corpus/jobs"], &MACHINES, &["--format", "json"]), 1));
    let schema = text(Cmd::new(cargo_bin!("gonogo")).args(["report-schema", "--of", "matrix"]), 0);
    assert!(jsonschema::validator_for(&json(&schema)).expect("a schema").is_valid(&matrix));
    let jobs = matrix["jobs"].as_array().expect("a list");
    for (place, machine) in MACHINES.iter().enumerate() {
        let alone = json(&text(check(&["corpus/jobs"], &[machine], &["--format", "json"]), 1));
        let cells: Vec<&Value> = jobs.iter().map(|job| &job["reports"][place]).collect();
        assert!(cells.len() > 20 && cells.iter().copied().eq(alone.as_array().expect("a list")), "{machine}");
        let tally = &matrix["totals"]["machines"][place];
        let no_go = cells.iter().filter(|cell| cell["verdict"] == "no-go").count();
        assert_eq!((&tally["no_go"], &tally["fit"]), (&no_go.into(), &(cells.len() - no_go).into()));
    }
    let nowhere =
        |job: &&Value| job["reports"].as_array().is_some_and(|all| all.iter().all(|r| r["verdict"] == "no-go"));
    let nowhere: Vec<&Value> = jobs.iter().filter(nowhere).map(|job| &job["path"]).collect();
    assert!(!nowhere.is_empty());
    assert_eq!(matrix["totals"]["jobs_that_fit_no_machine"], serde_json::json!(nowhere));
}

#[test]
fn a_matrix_does_not_depend_on_the_number_of_threads() {
    for format in ["text", "json", "ndjson", "csv", "openmetrics"] {
        let with =
            |threads: &str| text(check(&["corpus/jobs"], &MACHINES, &["--format", format, "--threads", threads]), 1);
        let one = with("1");
        assert!(with("2") == one && with("7") == one, "{format}");
    }
}

#[test]
fn other_readers_find_the_numbers_of_the_reports() {
    let jobs = ["corpus/jobs/wren-dial.gcode", "corpus/jobs/heron-bracket.gcode"];
    let of = |format: &str| text(check(&jobs, &MACHINES, &["--format", format]), 0);
    let (reports, rows, metrics) = (json(&of("json")), rows(&of("csv")), of("openmetrics"));
    assert!(metrics.ends_with("\n# EOF\n"));
    let reports: Vec<&Value> = reports["jobs"]
        .as_array()
        .expect("jobs")
        .iter()
        .flat_map(|job| job["reports"].as_array().expect("reports"))
        .collect();
    assert_eq!((reports.len(), rows.len()), (6, 6));
    let metric = |family: &str, report: &Value, more: &[(&str, &str)]| {
        let has =
            |labels: &BTreeMap<String, String>, name: &str, value: &str| labels.get(name).is_some_and(|v| v == value);
        let (job, machine) =
            (report["job"]["path"].as_str().expect("a path"), report["machine"]["name"].as_str().expect("a name"));
        let all = samples(&metrics, family).into_iter().filter(|(labels, _)| {
            has(labels, "job", job)
                && has(labels, "machine", machine)
                && more.iter().all(|(name, value)| has(labels, name, value))
        });
        all.map(|(_, value)| value).sum::<f64>()
    };
    for (report, row) in reports.iter().zip(&rows) {
        assert_eq!(row["job"], report["job"]["path"]);
        assert_eq!(
            (&row["machine"], &row["sheet"]),
            (
                &report["machine"]["name"].as_str().unwrap().to_owned(),
                &report["machine"]["source"].as_str().unwrap().to_owned()
            )
        );
        let verdict = report["verdict"].as_str().expect("a verdict");
        assert_eq!(row["verdict"], verdict);
        assert_eq!(metric("gonogo_verdict", report, &[("verdict", verdict)]), 1.0);
        assert_eq!(metric("gonogo_verdict", report, &[]), 1.0);
        for (column, pointer, family, more) in [
            ("time_total_s", "/time_s/total", "gonogo_duration_seconds", &[][..]),
            ("time_travel_s", "/time_s/travel", "gonogo_time_seconds", &[("part", "travel")]),
            ("melt_rate_peak_mm3_s", "/flow_mm3_s/peak", "gonogo_melt_rate_peak_mm3_per_second", &[]),
            (
                "melt_rate_sustained_mm3_s",
                "/flow_mm3_s/sustained_peak",
                "gonogo_melt_rate_sustained_mm3_per_second",
                &[],
            ),
        ] {
            let expected = report.pointer(pointer).and_then(Value::as_f64).expect("a number");
            assert_eq!((row[column].parse(), metric(family, report, more)), (Ok(expected), expected), "{column}");
        }
        let findings = report["findings"].as_array().expect("findings");
        assert_eq!(metric("gonogo_findings", report, &[]), findings.len() as f64);
        let holds = findings.iter().filter(|finding| finding["severity"] == "hold").count();
        assert_eq!(row["findings_hold"], holds.to_string());
    }
}

#[test]
fn what_fits_nowhere_is_named_and_fails() {
    let page = text(check(&["corpus/jobs/heron-hot.gcode", "corpus/jobs/wren-dial.gcode"], &MACHINES, &[]), 1);
    assert!(page.contains("\njobs that no machine fits: heron-hot.gcode\nA job fits"), "{page}");
    assert!(page.contains("\nmachines that no job fits: Bittern, Heron\n"), "{page}");
    let idle = text(check(&["corpus/jobs/wren-dial.gcode"], &["heron", "bittern", "wren"], &["--fail-on", "hold"]), 0);
    assert!(idle.contains("jobs that no machine fits: none") && idle.contains("verdict is go."), "{idle}");
}

#[test]
fn narrow_pages_are_not_exceeded() {
    for width in ["40", "60"] {
        let page = text(check(&["corpus/jobs"], &MACHINES, &[]).env("COLUMNS", width), 1);
        let width: usize = width.parse().expect("a number");
        assert!(page.lines().all(|line| line.chars().count() <= width), "{page}");
        for said in ["■ NO-GO", "Bittern", "Heron", "Wren", "jobs that no machine fits:"] {
            assert!(page.contains(said), "{said}: {page}");
        }
    }
}

#[test]
fn standard_input_is_read_once_for_all_machines() {
    let job = std::fs::read("corpus/jobs/wren-flow.gcode").expect("a corpus job");
    let stream = json(&text(check(&["-"], &MACHINES, &["--format", "json"]).stdin(job), 0));
    let file = json(&text(check(&["corpus/jobs/wren-flow.gcode"], &MACHINES, &["--format", "json"]), 0));
    for place in 0..MACHINES.len() {
        let of = |matrix: &Value| matrix["jobs"][0]["reports"][place].clone();
        let (stream, file) = (of(&stream), of(&file));
        assert_eq!((&stream["findings"], &stream["time_s"]), (&file["findings"], &file["time_s"]));
    }
    assert_eq!(stream["jobs"][0]["path"], "-");
}

#[test]
fn an_unreadable_job_stops_no_other() {
    let jobs = ["no-such-job.gcode", "corpus/jobs/wren-dial.gcode"];
    let lines = text(check(&jobs, &MACHINES, &["--format", "ndjson"]), 2);
    let lines: Vec<Value> = lines.lines().map(json).collect();
    assert_eq!(lines.len(), 4);
    assert!(lines[1]["job"]["error"].is_string() && lines[2]["job"]["reports"].is_array());
    assert_eq!(lines[3]["totals"]["unjudged"], 1);
    let rows = rows(&text(check(&jobs, &MACHINES, &["--format", "csv"]), 2));
    assert_eq!(rows.len(), 6);
    assert!(rows[..3].iter().all(|row| row["error"].contains("no-such-job.gcode") && row["verdict"].is_empty()));
    let judged = samples(&text(check(&jobs, &MACHINES, &["--format", "openmetrics"]), 2), "gonogo_judged");
    assert_eq!(judged.iter().map(|(_, value)| *value).collect::<Vec<_>>(), [0.0, 1.0]);
    assert!(text(check(&jobs, &MACHINES, &[]), 2).contains("? unread"));
}

#[test]
fn the_faults_of_all_sheets_are_shown() {
    let directory = tempfile::tempdir().expect("temporary directory");
    let sheet = std::fs::read_to_string("corpus/machines/wren.toml").expect("a corpus sheet");
    let write = |name: &str, text: String| {
        let path = directory.path().join(name).display().to_string();
        std::fs::write(&path, text).expect("writes");
        path
    };
    let (first, second) = (
        write("first.toml", "nmae = 1\n".to_owned() + &sheet),
        write("second.toml", "speed = 2\n".to_owned() + &sheet),
    );
    let faulty = ["--machine", &first, "--machine", &second];
    let run = check(&["corpus/jobs/wren-dial.gcode"], &["wren"], &faulty).assert().code(2).stdout_eq("");
    let said = String::from_utf8_lossy(&run.get_output().stderr).into_owned();
    assert!(said.contains("nmae") && said.contains("speed"), "{said}");
    let other = write("other.toml", sheet);
    let page = text(check(&["corpus/jobs/wren-dial.gcode"], &["wren"], &["--machine", &other, "--format", "csv"]), 0);
    let names: Vec<String> = rows(&page).into_iter().map(|row| row["machine"].clone()).collect();
    assert_eq!(names, ["Wren (corpus/machines/wren.toml)".to_owned(), format!("Wren ({other})")]);
}

#[test]
fn one_machine_gives_the_same_row_and_file_as_many() {
    let directory = tempfile::tempdir().expect("temporary directory");
    let file = directory.path().join("jobs.prom").display().to_string();
    std::fs::write(&file, "old").expect("writes");
    let jobs = ["corpus/jobs/wren-dial.gcode"];
    let metrics = check(&jobs, &["wren"], &["--format", "openmetrics", "-q", "-o", &file]);
    assert_eq!(text(metrics, 0), "");
    let metrics = std::fs::read_to_string(&file).expect("is there");
    assert_eq!(samples(&metrics, "gonogo_verdict").len(), 3);
    assert_eq!(std::fs::read_dir(directory.path()).expect("lists").count(), 1);
    let one = rows(&text(check(&jobs, &["wren"], &["--format", "csv"]), 0));
    let all = rows(&text(check(&jobs, &MACHINES, &["--format", "csv"]), 0));
    assert_eq!(one[..], all[2..]);
}
