//! SARIF against the schema that OASIS publishes, and JUnit XML read by a reader of others.

use std::path::PathBuf;
use std::process::Command;

use gonogo::findings::{AcceptedWhy, Finding, Inspection, Outcome, Severity, Unjudged};
use gonogo::machine::Machine;
use gonogo::preflight::{JobSource, Preflight};
use gonogo::show::report::{
    Look, Report,
    json::{Frame, JsonReport, read},
    junit::JunitReport,
    sarif::{RESULTS_MAX, SarifReport},
    text::{Extent, TextReport},
};
use gonogo::study::matrix::{Judged, Totals};
use junit_parser::TestSuites;
use serde_json::Value;

use crate::support::corpus_machine;

/// The schema of SARIF 2.1.0 is that of OASIS, as the crate `serde-sarif` (MIT) carries it.
fn schema() -> Value {
    let compiler = Command::new("rustc").arg("-vV").output().expect("rustc runs");
    let compiler = String::from_utf8(compiler.stdout).expect("UTF-8");
    let host = compiler.lines().find_map(|line| line.strip_prefix("host: ")).expect("the host");
    // Packages for other systems need not be there.
    let metadata = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--offline", "--filter-platform", host])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("cargo runs");
    let metadata: Value = serde_json::from_slice(&metadata.stdout).expect("cargo answers in JSON");
    let packages = metadata["packages"].as_array().expect("packages");
    let carrier = packages.iter().find(|package| package["name"] == "serde-sarif").expect("a dependency of the tests");
    let manifest = PathBuf::from(carrier["manifest_path"].as_str().expect("a path"));
    let text = std::fs::read_to_string(manifest.with_file_name("src").join("schema.json")).expect("the schema");
    // As published, the pattern for languages has a bracket too many and is no regular expression.
    let text = text.replace("[a-zA-Z]{2}]?$", "[a-zA-Z]{2}$");
    serde_json::from_str(&text).expect("the schema is JSON")
}

fn judge(path: &str) -> Inspection {
    let machine = corpus_machine("heron");
    Preflight::on(&machine)
        .run(JobSource::stream(&std::fs::read(path).expect("a corpus job")[..], path))
        .expect("reads")
}

fn corpus() -> Vec<Outcome> {
    let mut paths: Vec<String> = std::fs::read_dir("corpus/jobs")
        .expect("the jobs")
        .map(|entry| entry.expect("an entry").path().display().to_string())
        .collect();
    paths.sort();
    paths.iter().map(|path| Ok(judge(path))).collect()
}

fn render(mut report: impl Report<Judged, Totals>, outcomes: &[Outcome]) -> String {
    let mut out = Vec::new();
    for outcome in outcomes {
        report.add(&outcome.clone().map(|inspection| vec![inspection]), &mut out).expect("memory can be written");
    }
    report.finish(&Totals::new([], gonogo::Verdict::NoGo), &mut out).expect("memory can be written");
    String::from_utf8(out).expect("UTF-8")
}

fn sarif(outcomes: &[Outcome]) -> Value {
    serde_json::from_str(&render(SarifReport::new(), outcomes)).expect("JSON")
}

fn lost() -> Outcome {
    Err(Unjudged { path: "jobs/lost one.gcode".to_owned(), error: "cannot read it <here> & now".to_owned() })
}

/// A report with something accepted, from standard input, with all that XML and JSON must escape.
fn accepted() -> Inspection {
    let mut inspection = judge("corpus/jobs/heron-astray.gcode");
    inspection.job.path = "-".to_owned();
    inspection.machine.name = "He<r>on \"&\" \u{1b}[2J".to_owned();
    let finding = inspection.findings.first_mut().expect("it is astray");
    let because = "the end stop was moved".to_owned();
    finding.accepted = Some(AcceptedWhy {
        because,
        until: Some("2027-01-31".to_owned()),
        by: Some("K.".to_owned()),
        even_unsafe: true,
    });
    inspection
}

#[test]
fn sarif_fits_the_published_schema() {
    let validator = jsonschema::validator_for(&schema()).expect("a schema");
    for outcomes in [vec![], corpus(), vec![lost()], vec![Ok(accepted()), lost()]] {
        let report = sarif(&outcomes);
        let faults: Vec<String> = validator.iter_errors(&report).map(|fault| fault.to_string()).collect();
        assert_eq!(faults, Vec::<String>::new());
        let read: serde_sarif::sarif::Sarif = serde_json::from_value(report.clone()).expect("another reader");
        let found = outcomes.iter().flatten().map(|inspection| inspection.findings.len()).sum::<usize>();
        assert_eq!(read.runs[0].results.as_ref().map(Vec::len), Some(found));
    }
    let mut wrong = sarif(&corpus());
    wrong["runs"][0]["results"][0]["level"] = "fatal".into();
    assert!(!validator.is_valid(&wrong));
}

#[test]
fn a_sarif_result_points_at_line_rule_and_place() {
    let report = sarif(&[lost(), Ok(judge("corpus/jobs/heron-astray.gcode"))]);
    let run = &report["runs"][0];
    let result = &run["results"][0];
    let rule = &run["tool"]["driver"]["rules"][result["ruleIndex"].as_u64().expect("an index") as usize];
    assert_eq!(rule["id"], result["ruleId"]);
    assert!(rule["help"]["text"].as_str().expect("text").contains("How it is computed: "));
    let of = judge("corpus/jobs/heron-astray.gcode").findings.remove(0);
    assert_eq!((&result["level"], of.severity), (&Value::from("error"), Severity::NoGo));
    let at = &result["locations"][0]["physicalLocation"];
    assert_eq!(at["artifactLocation"]["uri"], "corpus/jobs/heron-astray.gcode");
    assert_eq!(at["region"]["startLine"], of.line.expect("a line"));
    assert_eq!(at["region"]["snippet"]["text"], of.excerpts[0].text.as_str());
    assert_eq!(result["properties"]["place_mm"], serde_json::json!(of.place_mm.expect("a place")));
    assert_eq!(result["partialFingerprints"]["findingInPart/v1"].as_str().map(str::len), Some(16));
    let told = &run["invocations"][0];
    assert_eq!(told["executionSuccessful"], false);
    let notice = &told["toolExecutionNotifications"][0];
    assert_eq!(notice["message"]["text"], "cannot read it <here> & now");
    assert_eq!(notice["locations"][0]["physicalLocation"]["artifactLocation"]["uri"], "jobs/lost%20one.gcode");
    assert_eq!(run["properties"]["machines"].as_array().map(Vec::len), Some(1));
}

#[test]
fn a_job_is_one_artifact_however_often_it_is_judged() {
    let on = |job: &str, machine: &str| {
        let mut inspection = judge("corpus/jobs/heron-astray.gcode");
        inspection.job.path = job.to_owned();
        inspection.machine.source = machine.to_owned();
        Ok(inspection)
    };
    let (a, b) = ("jobs/a.gcode", "./jobs/./a.gcode");
    let outcomes = [on(a, "heron.toml"), on(a, "wren.toml"), on(b, "heron.toml"), on("-", "heron.toml")];
    let report = sarif(&outcomes);
    assert!(jsonschema::validator_for(&schema()).expect("a schema").is_valid(&report));
    let run = &report["runs"][0];
    let listed: Vec<&Value> = run["artifacts"].as_array().expect("a list").iter().map(|of| &of["location"]).collect();
    assert_eq!((listed.len(), &listed[0]["uri"]), (2, &a.into()));
    let verdicts = &run["properties"]["verdicts"];
    let of = |artifact: u64, machine: u64| serde_json::json!({ "artifactIndex": artifact, "machineIndex": machine, "verdict": "no-go" });
    assert_eq!(*verdicts, serde_json::json!([of(0, 0), of(0, 1), of(1, 0)]));
    // Two names that are not UTF-8 read alike and may be two files.
    let lossy = |digest: &str| {
        let mut inspection = judge("corpus/jobs/heron-astray.gcode");
        (inspection.job.path, inspection.job.digest) = ("\u{fffd}.gcode".to_owned(), digest.to_owned());
        Ok(inspection)
    };
    let report = sarif(&[lossy("a"), lossy("b"), lossy("a")]);
    let listed = report["runs"][0]["artifacts"].as_array().expect("a list");
    assert_eq!(listed.len(), 2);
    assert!(listed[0]["location"]["description"]["text"].as_str().is_some_and(|text| text.contains("not UTF-8")));
}

#[test]
fn an_accepted_result_is_suppressed_and_the_report_says_so() {
    let report = sarif(&[Ok(accepted())]);
    let run = &report["runs"][0];
    let suppression = &run["results"][0]["suppressions"][0];
    assert_eq!((&suppression["kind"], &suppression["status"]), (&"external".into(), &"accepted".into()));
    assert_eq!(suppression["justification"], "Accepted until 2027-01-31 by K.: the end stop was moved");
    assert_eq!(run["properties"]["unsafeFindingsAccepted"], 1);
    let notices = run["invocations"][0]["toolExecutionNotifications"].as_array().expect("notices");
    assert!(notices[0]["message"]["text"].as_str().is_some_and(|text| text.starts_with("UNSAFE: 1 no-go finding")));
    let at = &run["results"][0]["locations"][0]["physicalLocation"]["artifactLocation"];
    assert_eq!((at.get("uri"), &at["description"]["text"]), (None, &"standard input".into()));
}

#[test]
fn results_beyond_the_bound_are_counted_and_not_written() {
    let mut inspection = judge("corpus/jobs/heron-astray.gcode");
    let finding: Finding = inspection.findings.remove(0);
    inspection.findings = vec![finding; 1000];
    let many: Vec<Outcome> = (0..26).map(|_| Ok(inspection.clone())).collect();
    let report = sarif(&many);
    assert_eq!(report["runs"][0]["results"].as_array().map(Vec::len), Some(RESULTS_MAX));
    assert_eq!(report["runs"][0]["properties"]["resultsLeftOut"], 1000);
    let text = report["runs"][0]["invocations"][0]["toolExecutionNotifications"][0]["message"]["text"].clone();
    assert_eq!(text, "1000 results beyond 25000 are left out of this report");
}

fn junit(outcomes: &[Outcome], fail_on: Severity) -> TestSuites {
    let machines: Vec<_> = outcomes.iter().flatten().map(|of| of.machine.clone()).take(1).collect();
    let machines = if machines.is_empty() { vec![Machine::built_in().facts()] } else { machines };
    let text = render(JunitReport::new(fail_on, &machines), outcomes);
    junit_parser::from_reader(text.as_bytes()).expect("a reader of others reads it")
}

#[test]
fn junit_is_read_by_others() {
    let outcomes = corpus();
    for fail_on in [Severity::NoGo, Severity::Hold] {
        let suites = junit(&outcomes, fail_on).suites;
        assert_eq!(suites.len(), outcomes.len());
        for (suite, inspection) in suites.iter().zip(outcomes.iter().flatten()) {
            assert_eq!(suite.name, format!("{} on Heron", inspection.job.path));
            let mut failing: Vec<&str> =
                inspection.findings.iter().filter(|f| f.severity >= fail_on).map(|f| f.check.as_ref()).collect();
            failing.sort_unstable();
            failing.dedup();
            assert_eq!((suite.failures as usize, suite.errors), (failing.len(), 0), "{}", suite.name);
            assert_eq!(suite.skipped as usize, inspection.checks_skipped.len());
            assert_eq!(suite.tests as usize, suite.cases.len());
            assert!(suite.cases.len() >= inspection.checks_run.len() + inspection.checks_skipped.len());
            for check in failing {
                let failed = suite.cases.iter().any(|case| case.name.ends_with(check) && case.status.is_failure());
                assert!(failed, "{check} in {}", suite.name);
            }
            let said = suite.system_out.as_deref().unwrap_or_default();
            assert!(said.contains("Never leave a heating or moving machine unattended"), "{said}");
        }
    }
    assert_eq!(junit(&[], Severity::NoGo).suites.len(), 0);
}

#[test]
fn junit_tells_what_was_not_judged_and_what_was_accepted() {
    let suites = junit(&[lost(), Ok(accepted())], Severity::NoGo).suites;
    let error = suites[0].cases[0].status.error_as_ref();
    assert_eq!((suites[0].errors, error.message.as_str()), (1, "cannot read it <here> & now"));
    let suite = &suites[1];
    assert_eq!(suite.name, "- on He<r>on \"&\" ·[2J");
    assert!(suite.properties.vec.contains(&("unsafe-findings-accepted".to_owned(), "1".to_owned())));
    assert!(
        suite.system_out.as_deref().is_some_and(|said| said.starts_with("UNSAFE: 1 no-go finding on heat or travel"))
    );
    let of = accepted().findings.remove(0);
    let case = suite.cases.iter().find(|case| case.original_name == of.check).expect("a case");
    let told = case.system_out.as_deref().expect("it is told");
    assert!(told.contains("Accepted until 2027-01-31 by K.: the end stop was moved"), "{told}");
}

#[test]
fn junit_is_xml_whatever_is_in_a_job_and_its_name() {
    let mut inspection = judge("corpus/jobs/heron-astray.gcode");
    inspection.job.path = "a\u{fffe}b\u{ffff}.gcode".to_owned();
    inspection.findings[0].message = "moved\u{ffff} \u{10ffff} away\u{0}".to_owned();
    inspection.findings[0].excerpts[0].text = "G1 ;\u{fffe}\u{1}".to_owned();
    inspection.machine.name = "He\u{ffff}ron".to_owned();
    let machine = inspection.machine.clone();
    let lost = Err(Unjudged { path: "\u{ffff}".to_owned(), error: "not\u{fffe} there".to_owned() });
    let text = render(JunitReport::new(Severity::NoGo, &[machine]), &[Ok(inspection), lost]);
    let document = roxmltree::Document::parse(&text).expect("well-formed XML");
    let name = document.descendants().find_map(|node| node.attribute("name").filter(|name| name.contains(" on ")));
    assert_eq!(name, Some("a\u{fffd}b\u{fffd}.gcode on He\u{fffd}ron"));
    let is_xml = |c: char| matches!(c, '\t' | '\n' | '\r' | ' '..='\u{fffd}' | '\u{10000}'..);
    assert!(text.chars().all(is_xml) && text.contains('\u{10ffff}'), "{text:?}");
}

#[test]
fn junit_tells_machines_of_one_name_apart() {
    let on = |sheet: &str| {
        let mut inspection = judge("corpus/jobs/heron-astray.gcode");
        inspection.machine.source = sheet.to_owned();
        inspection
    };
    let both = vec![on("attic/heron.toml"), on("cellar/heron.toml")];
    let machines: Vec<_> = both.iter().map(|of| of.machine.clone()).collect();
    let mut report = JunitReport::new(Severity::NoGo, &machines);
    let mut out = Vec::new();
    Report::add(&mut report, &Ok(both), &mut out).expect("writes");
    report.finish(&Totals::new([], gonogo::Verdict::NoGo), &mut out).expect("writes");
    let text = String::from_utf8(out).expect("UTF-8");
    let suites = junit_parser::from_reader(text.as_bytes()).expect("a reader of others reads it").suites;
    let names: Vec<&str> = suites.iter().map(|suite| suite.name.as_str()).collect();
    let job = "corpus/jobs/heron-astray.gcode";
    assert_eq!(names, [format!("{job} on Heron (attic/heron.toml)"), format!("{job} on Heron (cellar/heron.toml)")]);
    for name in names {
        assert!(text.contains(&format!("classname=\"{name}\"")), "{text}");
    }
}

/// Each job of the corpus on machines it was made for and on others: the value, the page and every bit come back.
#[test]
fn every_report_reads_back_from_its_own_json() {
    let render = |report: &mut dyn Report<Judged, Totals>, outcome: &Outcome| {
        let mut out = Vec::new();
        report.add(&outcome.clone().map(|inspection| vec![inspection]), &mut out).expect("writes");
        String::from_utf8(out).expect("UTF-8")
    };
    let look = Look { width: 100, color: false };
    let mut checks = std::collections::BTreeSet::new();
    for machine in ["heron", "wren", "bittern", "tern"] {
        let machine = corpus_machine(machine);
        for entry in std::fs::read_dir("corpus/jobs").expect("the jobs") {
            let path = entry.expect("a job").path();
            let inspection = Preflight::on(&machine).run(JobSource::at(&path)).expect("a job that can be read");
            checks.extend(inspection.findings.iter().map(|finding| finding.check.clone()));
            let outcome = Ok(inspection);
            let text = render(&mut JsonReport::new(Frame::Lines), &outcome);
            let again = read(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
            assert_eq!(again, outcome, "{}", path.display());
            assert_eq!(render(&mut JsonReport::new(Frame::Lines), &again), text);
            let all = Extent { details: true, letters: true };
            let text = |outcome| render(&mut TextReport::new(look, all), outcome);
            assert_eq!(text(&again), text(&outcome));
        }
    }
    assert!(checks.len() > 30, "findings of most checks come back: {checks:?}");
}
