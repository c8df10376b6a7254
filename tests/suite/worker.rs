//! The worker as the program that runs it sees it: what it answers is what `check` says, and nothing ends it.

use std::fs;
use std::io::{self, BufRead, BufReader, Cursor, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use flate2::Compression;
use flate2::write::GzEncoder;
use gonogo::service::{Settings, Worker};
use proptest::prelude::*;
use serde_json::{Value, json};
use snapbox::cmd::{Command as Cmd, cargo_bin};

const MACHINES: [&str; 3] = ["corpus/machines/bittern.toml", "corpus/machines/heron.toml", "corpus/machines/wren.toml"];
const JOB: &str = "corpus/jobs/heron-bracket.gcode";

fn gonogo() -> Cmd {
    Cmd::new(cargo_bin!("gonogo")).env_remove("GONOGO_MACHINE")
}

/// All answers of a worker to all of these lines.
fn answers_to(lines: &[String], options: &[&str]) -> String {
    let run = gonogo().arg("worker").args(options).stdin(lines.join("\n")).assert().code(0).stderr_eq("");
    String::from_utf8(run.get_output().stdout.clone()).expect("UTF-8")
}

fn parsed(text: &str) -> Vec<Value> {
    text.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect()
}

/// What `check` prints of these jobs; its exit code does not matter.
fn check(jobs: &[String], machines: &[&str], format: &str) -> String {
    let sheets = machines.iter().flat_map(|machine| ["--machine", machine]);
    let run = gonogo().arg("check").args(jobs).args(sheets).args(["--fail-on", "never", "--format", format]);
    String::from_utf8(run.assert().code(0).get_output().stdout.clone()).expect("UTF-8")
}

fn corpus() -> Vec<String> {
    let files = fs::read_dir("corpus/jobs").expect("lists").map(|entry| entry.expect("an entry").path());
    let mut paths: Vec<String> = files.map(|path| path.display().to_string()).collect();
    paths.sort();
    paths
}

fn packed(bytes: &[u8]) -> Vec<u8> {
    let mut packed = GzEncoder::new(Vec::new(), Compression::best());
    packed.write_all(bytes).and_then(|()| packed.finish()).expect("packs")
}

/// A running worker, asked line by line.
struct Asked {
    child: Child,
    requests: Option<ChildStdin>,
    answers: BufReader<ChildStdout>,
}

impl Asked {
    fn start(options: &[&str]) -> Self {
        let mut child = Command::new(cargo_bin!("gonogo"))
            .arg("worker")
            .args(options)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("starts");
        let requests = child.stdin.take();
        let answers = BufReader::new(child.stdout.take().expect("a pipe"));
        Self { child, requests, answers }
    }

    fn send(&mut self, line: &[u8]) {
        let requests = self.requests.as_mut().expect("open");
        requests.write_all(line).and_then(|()| requests.write_all(b"\n")).expect("is read");
    }

    fn answer(&mut self) -> Value {
        let mut line = String::new();
        assert!(self.answers.read_line(&mut line).expect("reads") > 0, "it has ended");
        serde_json::from_str(&line).unwrap_or_else(|error| panic!("{error}: {line}"))
    }

    fn ask(&mut self, line: &[u8]) -> Value {
        self.send(line);
        self.answer()
    }

    /// Ends the requests; the exit code and what is on standard error.
    fn end(mut self) -> (Option<i32>, String) {
        drop(self.requests.take());
        let ended = self.child.wait_with_output().expect("ends");
        (ended.status.code(), String::from_utf8_lossy(&ended.stderr).into_owned())
    }

    #[cfg(target_os = "linux")]
    fn most_memory_kib(&self) -> u64 {
        let status = fs::read_to_string(format!("/proc/{}/status", self.child.id())).expect("it runs");
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).expect("a line");
        line.trim().trim_end_matches(" kB").trim().parse().expect("a number")
    }
}

#[test]
fn full_reports_are_those_of_check_to_the_bit_however_the_job_comes() {
    let jobs = corpus();
    let each: Vec<String> = MACHINES.iter().map(|machine| check(&jobs, &[machine], "ndjson")).collect();
    let mut lines = each.iter().map(|text| text.lines()).collect::<Vec<_>>();
    let mut expected = String::new();
    for id in 0..jobs.len() {
        let reports: Vec<&str> = lines.iter_mut().map(|lines| lines.next().expect("a report")).collect();
        expected += &format!("{{\"id\":{id},\"ok\":true,\"reports\":[{}]}}\n", reports.join(","));
    }
    let by_path = |(id, path): (usize, &String)| json!({ "id": id, "path": path, "machines": MACHINES }).to_string();
    let sheets = MACHINES.map(|path| json!({ "name": path, "toml": fs::read_to_string(path).expect("reads") }));
    let sent = |id: usize, path: &String, bytes: &[u8]| {
        let bytes = BASE64_STANDARD.encode(bytes);
        json!({ "id": id, "name": path, "bytes_base64": bytes, "machines": sheets, "report": "full" }).to_string()
    };
    let plain = |(id, path): (usize, &String)| sent(id, path, &fs::read(path).expect("reads"));
    let gz = |(id, path): (usize, &String)| sent(id, path, &packed(&fs::read(path).expect("reads")));
    let asked = [
        jobs.iter().enumerate().map(by_path).collect::<Vec<_>>(),
        jobs.iter().enumerate().map(plain).collect(),
        jobs.iter().enumerate().map(gz).collect(),
    ];
    for (requests, threads) in asked.iter().zip(["1", "2", "7"]) {
        assert!(answers_to(requests, &["--threads", threads]) == expected, "{threads}");
    }
}

#[test]
fn rows_are_those_of_the_csv() {
    let jobs = corpus();
    let text = check(&jobs, &MACHINES, "csv");
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let names = reader.headers().expect("a header").clone();
    let mut rows = reader.records().map(|row| row.expect("a row"));
    let request = |path: &String| json!({ "path": path, "machines": MACHINES, "report": "row" }).to_string();
    let answers = parsed(&answers_to(&jobs.iter().map(request).collect::<Vec<_>>(), &[]));
    assert_eq!(answers.len(), jobs.len());
    for row in answers.iter().flat_map(|answer| answer["reports"].as_array().expect("rows")) {
        let cells = rows.next().expect("as many rows");
        assert_eq!(row.as_object().map(serde_json::Map::len), Some(names.len()));
        for (name, cell) in names.iter().zip(&cells) {
            match &row[name] {
                Value::Null => assert_eq!(cell, "", "{name}"),
                Value::Number(number) => {
                    let bits = |number: f64| number.to_bits();
                    assert_eq!(number.as_f64().map(bits), cell.parse().ok().map(bits), "{name}");
                }
                text => assert_eq!(text.as_str(), Some(cell), "{name}"),
            }
        }
    }
    assert!(rows.next().is_none());
}

/// What may go wrong with a request, and its kind. Each is followed by a request that is fine.
fn bad_requests(folder: &Path) -> Vec<(Vec<u8>, Value, &'static str)> {
    let bomb = packed(&b"G1 X1\nG1 X0\n".repeat(200_000));
    assert!(bomb.len() < 20_000);
    let file = |name: &str, bytes: &[u8]| {
        let path = folder.join(name);
        fs::write(&path, bytes).expect("writes");
        path.display().to_string()
    };
    let on = |id: Value, path: &str, machines: Value| {
        json!({ "id": id, "path": path, "machines": machines }).to_string().into_bytes()
    };
    let sent = |id: Value, bytes: &str| {
        let request = json!({ "id": id, "name": "a.gcode", "bytes_base64": bytes, "machines": [MACHINES[1]] });
        request.to_string().into_bytes()
    };
    let machines = || json!([MACHINES[1]]);
    let mut half = packed(&fs::read(JOB).expect("reads"));
    half.truncate(half.len() / 2);
    let faulty = file("faulty.toml", b"nmae = 1\n");
    vec![
        (b"not JSON".to_vec(), Value::Null, "request"),
        (b"".to_vec(), Value::Null, "request"),
        (b"{\"id\": \"\xff\xfe\"}".to_vec(), Value::Null, "request"),
        (b"\x1b[2J\x00\x07".to_vec(), Value::Null, "request"),
        (json!({ "id": 4, "pth": JOB, "machines": machines() }).to_string().into_bytes(), json!(4), "request"),
        (json!({ "id": 5, "path": JOB }).to_string().into_bytes(), json!(5), "request"),
        (on(json!({ "a": [1] }), JOB, json!([])), json!({ "a": [1] }), "request"),
        (on(json!("many"), JOB, json!(vec![MACHINES[0]; 65])), json!("many"), "request"),
        (sent(json!(6), "not base64"), json!(6), "request"),
        (b"{\"id\": 6, \"path\": \"broken off".to_vec(), Value::Null, "request"),
        (on(json!(7), JOB, json!([MACHINES[0], "no-such.toml", faulty])), json!(7), "sheet"),
        (on(json!(8), JOB, json!(["/dev/zero"])), json!(8), "sheet"),
        (on(json!(9), "no-such.gcode", machines()), json!(9), "job"),
        (on(json!(10), "-", machines()), json!(10), "job"),
        (on(json!(11), "", machines()), json!(11), "job"),
        (on(json!(12), "/dev/zero", machines()), json!(12), "job"),
        (on(json!(13), "corpus", machines()), json!(13), "job"),
        (on(json!(14), "a\u{0}b", machines()), json!(14), "job"),
        (on(json!(15), MACHINES[1], machines()), json!(15), "job"),
        (on(json!(16), &file("half.gcode.gz", &half), machines()), json!(16), "job"),
        (sent(json!(17), &BASE64_STANDARD.encode(&half)), json!(17), "job"),
        (sent(json!(18), ""), json!(18), "job"),
        (on(json!(19), &file("bomb.gcode", &bomb), machines()), json!(19), "limit-bytes"),
        (sent(json!(20), &BASE64_STANDARD.encode(&bomb)), json!(20), "limit-bytes"),
    ]
}

#[test]
fn whatever_goes_wrong_is_one_answer_and_the_next_request_is_served() {
    let folder = tempfile::tempdir().expect("temporary directory");
    for threads in ["1", "3"] {
        let mut worker = Asked::start(&["--threads", threads, "--limit-bytes", "1000000"]);
        let fine = json!({ "id": "fine", "path": JOB, "machines": [MACHINES[1]] }).to_string();
        let first = worker.ask(fine.as_bytes());
        assert_eq!((&first["id"], &first["ok"]), (&json!("fine"), &json!(true)));
        for (line, id, kind) in bad_requests(folder.path()) {
            // One at a time: each answer comes before the next request is sent.
            let answer = worker.ask(&line);
            let shown = String::from_utf8_lossy(&line[..line.len().min(200)]).into_owned();
            assert_eq!((&answer["id"], &answer["ok"]), (&id, &json!(false)), "{shown}: {answer}");
            assert_eq!(answer["error"]["kind"], kind, "{shown}: {answer}");
            assert!(answer["error"]["text"].as_str().is_some_and(|text| text.len() > 10), "{answer}");
            assert_eq!(worker.ask(fine.as_bytes()), first);
        }
        assert_eq!(worker.end(), (Some(0), String::new()));
    }
}

#[test]
fn all_faulty_sheets_of_a_request_are_told() {
    let sheet = |name: &str| json!({ "name": name, "toml": "nmae = 1\n" });
    let request = json!({ "path": JOB, "machines": [sheet("a.toml"), MACHINES[0], sheet("b.toml")] }).to_string();
    let answer = &parsed(&answers_to(&[request], &[]))[0];
    let text = answer["error"]["text"].as_str().expect("text");
    assert!(text.contains("a.toml:1:1") && text.contains("b.toml:1:1"), "{text}");
}

#[test]
fn a_request_that_takes_longer_than_allowed_is_given_up() {
    let request = json!({ "id": 1, "path": JOB, "machines": [MACHINES[1]] }).to_string();
    // Nothing is judged in a nanosecond.
    let answers = parsed(&answers_to(&[request.clone(), request.clone()], &["--limit-seconds", "0.000000001"]));
    assert_eq!(answers.iter().map(|answer| &answer["error"]["kind"]).collect::<Vec<_>>(), ["limit-seconds"; 2]);
    let answers = parsed(&answers_to(&[request], &["--limit-seconds", "3600"]));
    assert_eq!(answers[0]["ok"], true);
    for wrong in [["--limit-seconds", "0"], ["--limit-bytes", "-1"], ["--threads", "0"]] {
        gonogo().arg("worker").args(wrong).stdin("").assert().code(2).stdout_eq("");
    }
}

#[test]
fn rows_of_what_cannot_be_judged_are_those_of_the_csv_but_for_the_machine() {
    // Names that a spreadsheet would calculate with, and one that would act on a terminal.
    let jobs = ["=1+2.gcode", "-x.gcode", "no\u{1b}[2J.gcode", MACHINES[1]];
    let lines = jobs.map(|path| json!({ "path": path, "machines": MACHINES, "report": "row" }).to_string());
    let answers = parsed(&answers_to(&lines, &[]));
    let sheets = MACHINES.iter().flat_map(|machine| ["--machine", machine]);
    let run = gonogo().args(["check", "--format", "csv"]).args(sheets).arg("--").args(jobs).assert().code(2);
    let text = String::from_utf8(run.get_output().stdout.clone()).expect("UTF-8");
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let expected: Vec<std::collections::BTreeMap<String, String>> =
        reader.deserialize().map(|row| row.expect("a row")).collect();
    let rows: Vec<&Value> = answers.iter().flat_map(|answer| answer["reports"].as_array().expect("rows")).collect();
    assert_eq!((rows.len(), expected.len()), (12, 12));
    for (row, cells) in rows.iter().zip(&expected) {
        for (name, cell) in cells.iter().filter(|(name, _)| *name != "machine") {
            assert_eq!(row[name].as_str().unwrap_or(""), cell, "{name}");
        }
        assert!(row["machine"].is_null());
    }
}

#[test]
fn no_requests_are_no_answers() {
    assert_eq!(answers_to(&[], &[]), "");
    // One line end is a line without a request.
    assert_eq!(parsed(&answers_to(&[String::new(), String::new()], &[])).len(), 1);
}

#[test]
fn lines_fit_the_schema() {
    let schema = gonogo().args(["report-schema", "--of", "worker"]).assert().success();
    let schema: Value = serde_json::from_slice(&schema.get_output().stdout).expect("JSON");
    assert!(jsonschema::meta::is_valid(&schema));
    let either = jsonschema::validator_for(&schema).expect("a schema");
    let mut only = json!({ "$ref": "#/$defs/Answer" });
    only["$defs"] = schema["$defs"].clone();
    let answers = jsonschema::validator_for(&only).expect("a schema");
    let jobs = corpus();
    let mut requests = Vec::new();
    for report in ["row", "full"] {
        let request = |path: &String| json!({ "id": path, "path": path, "machines": MACHINES, "report": report });
        requests.extend(jobs.iter().take(8).map(request));
    }
    assert!(requests.iter().all(|request| either.is_valid(request)));
    requests.extend([json!({}), json!({ "id": 1, "path": "no-such", "machines": ["no-such"] })]);
    requests.push(json!({ "id": 2, "path": "no-such", "machines": MACHINES, "report": "row" }));
    let mut requests: Vec<String> = requests.iter().map(Value::to_string).collect();
    let readme = fs::read_to_string("README.md").expect("reads");
    let shown: Vec<&str> =
        readme.lines().filter_map(|line| line.strip_prefix("echo '")?.split("' | gonogo worker").next()).collect();
    assert!(!shown.is_empty());
    for request in &shown {
        assert!(either.is_valid(&serde_json::from_str(request).expect("JSON")), "{request}");
    }
    requests.extend(shown.into_iter().map(str::to_owned));
    let folder = tempfile::tempdir().expect("temporary directory");
    let bad = bad_requests(folder.path()).into_iter().filter_map(|(line, ..)| String::from_utf8(line).ok());
    requests.extend(bad);
    for answer in parsed(&answers_to(&requests, &["--limit-bytes", "1000000"])) {
        let faults: Vec<String> = answers.iter_errors(&answer).map(|fault| fault.to_string()).collect();
        assert_eq!(faults, Vec::<String>::new());
        assert!(either.is_valid(&answer));
    }
}

#[cfg(target_os = "linux")]
#[test]
fn memory_does_not_grow_with_the_requests() {
    let jobs = corpus();
    let mut worker = Asked::start(&["--threads", "2"]);
    let sheet = fs::read_to_string(MACHINES[1]).expect("reads");
    let mut asked = 0;
    let mut rounds = |worker: &mut Asked, rounds: usize| {
        for _ in 0..rounds {
            for path in &jobs {
                asked += 1;
                // Every second sheet is a new one.
                let sent = json!({ "name": format!("{asked}.toml"), "toml": sheet });
                let machines = if asked % 2 == 0 { json!([MACHINES[0], sent]) } else { json!(MACHINES) };
                let request = json!({ "id": asked, "path": path, "machines": machines, "report": "row" });
                assert_eq!(worker.ask(request.to_string().as_bytes())["ok"], true);
            }
        }
        worker.most_memory_kib()
    };
    // Until the sheets that are kept are as many as ever are.
    let before = rounds(&mut worker, 30);
    let after = rounds(&mut worker, 30);
    assert!(after < before + 4096, "{before} KiB, then {after} KiB");
    assert_eq!(worker.end().0, Some(0));
}

#[cfg(target_os = "linux")]
#[test]
fn a_line_without_an_end_takes_no_more_memory_than_the_longest_request() {
    let mut worker = Asked::start(&[]);
    let part = vec![b'x'; 1 << 20];
    let requests = worker.requests.as_mut().expect("open");
    (0..300).for_each(|_| requests.write_all(&part).expect("is read"));
    let answer = worker.ask(b"");
    assert_eq!((&answer["id"], &answer["error"]["kind"]), (&Value::Null, &json!("request")));
    let most = worker.most_memory_kib();
    assert!(most < 180 << 10, "{most} KiB");
    let fine = json!({ "id": 2, "path": JOB, "machines": [MACHINES[1]] }).to_string();
    assert_eq!(worker.ask(fine.as_bytes())["ok"], true);
    assert_eq!(worker.end().0, Some(0));
}

#[cfg(unix)]
mod signals {
    use super::*;

    fn terminate(worker: &Asked) {
        let sent = Command::new("kill").args(["-TERM", &worker.child.id().to_string()]).status().expect("runs");
        assert!(sent.success());
    }

    #[test]
    fn a_worker_that_waits_ends_at_sigterm() {
        let mut worker = Asked::start(&[]);
        assert_eq!(worker.ask(b"?")["ok"], false);
        terminate(&worker);
        // Its requests stay open all the while.
        let ended = worker.child.wait().expect("ends");
        assert_eq!(ended.code(), Some(0));
        assert_eq!(worker.answers.read_line(&mut String::new()).expect("reads"), 0);
    }

    #[test]
    fn a_worker_at_work_finishes_what_it_has_begun_at_sigterm() {
        let folder = tempfile::tempdir().expect("temporary directory");
        let large = folder.path().join("large.gcode");
        let moves: String = (0..40_000).map(|k| format!("G1 X{} Y{} E{}\n", k % 90, k % 70, k)).collect();
        fs::write(&large, format!("G28\nM109 S200\nG1 Z0.2 F3000\n{moves}M104 S0\n")).expect("writes");
        let mut worker = Asked::start(&[]);
        let mut requests = worker.requests.take().expect("open");
        let request = move |id: usize| json!({ "id": id, "path": large.display().to_string(), "machines": MACHINES });
        let sender = std::thread::spawn(move || {
            // The worker may end before it has read them all. They stay open until the test is over.
            let _ = (0..200).try_for_each(|id| requests.write_all(format!("{}\n", request(id)).as_bytes()));
            requests
        });
        assert_eq!(worker.answer()["id"], 0);
        terminate(&worker);
        let mut rest = String::new();
        io::Read::read_to_string(&mut worker.answers, &mut rest).expect("reads");
        assert!(rest.is_empty() || rest.ends_with('\n'), "no half answer");
        let answers = parsed(&rest);
        assert!(answers.len() < 150, "it went on with {}", answers.len());
        for (place, answer) in answers.iter().enumerate() {
            assert_eq!((&answer["id"], &answer["ok"]), (&json!(place + 1), &json!(true)));
        }
        assert_eq!(worker.child.wait().expect("ends").code(), Some(0));
        drop(sender.join().expect("writes"));
    }

    #[test]
    fn a_named_pipe_keeps_nobody_waiting() {
        let folder = tempfile::tempdir().expect("temporary directory");
        let pipe = folder.path().join("pipe.gcode");
        assert!(Command::new("mkfifo").arg(&pipe).status().expect("runs").success());
        let mut worker = Asked::start(&[]);
        let job = json!({ "id": 1, "path": pipe.display().to_string(), "machines": [MACHINES[1]] });
        assert_eq!(worker.ask(job.to_string().as_bytes())["error"]["kind"], "job");
        let sheet = json!({ "id": 1, "path": JOB, "machines": [pipe.display().to_string()] });
        assert_eq!(worker.ask(sheet.to_string().as_bytes())["error"]["kind"], "sheet");
        assert_eq!(worker.end(), (Some(0), String::new()));
    }
}

#[test]
fn a_reader_that_left_is_a_quiet_success_though_requests_go_on() {
    let mut child = Command::new(cargo_bin!("gonogo"))
        .arg("worker")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("starts");
    drop(child.stdout.take());
    let mut requests = child.stdin.take().expect("a pipe");
    requests.write_all(b"?\n").expect("is read");
    // Requests stay open until it has ended.
    let ended = child.wait_with_output().expect("ends");
    drop(requests);
    assert_eq!((ended.status.code(), &*String::from_utf8_lossy(&ended.stderr)), (Some(0), ""));
}

/// Lines of anything, among them damaged requests.
fn lines() -> impl Strategy<Value = Vec<u8>> {
    let request = json!({ "id": 1, "path": JOB, "machines": [MACHINES[1]], "report": "row" }).to_string();
    let sent = json!({ "id": [2], "name": "a", "bytes_base64": "RzI4CkcxIFg1IEYxMDAK", "machines": [MACHINES[0]] });
    let damaged = |text: String| {
        (proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..4)).prop_map(move |changes| {
            let mut bytes = text.clone().into_bytes();
            changes.iter().for_each(|(at, byte)| *at.get_mut(&mut bytes) = *byte);
            bytes
        })
    };
    let line = prop_oneof![
        proptest::collection::vec(any::<u8>(), 0..60),
        "[\\[\\]{}\":,0-9a-z ]{0,40}".prop_map(String::into_bytes),
        damaged(request),
        damaged(sent.to_string()),
    ];
    proptest::collection::vec(line, 0..12).prop_map(|lines| lines.join(&b'\n'))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn any_bytes_have_exactly_one_answer_a_line_whatever_the_threads(input in lines()) {
        let serve = |threads| {
            let mut out = Vec::new();
            let worker = Worker::new(Settings { threads, limit_bytes: Some(1 << 20), limit_time: None });
            worker.serve(Cursor::new(input.clone()), &mut out).expect("serves");
            String::from_utf8(out).expect("UTF-8")
        };
        let answers = serve(1);
        let rest_is_a_line = usize::from(input.last().is_some_and(|last| *last != b'\n'));
        prop_assert_eq!(answers.lines().count(), input.iter().filter(|byte| **byte == b'\n').count() + rest_is_a_line);
        for answer in parsed(&answers) {
            prop_assert!(answer["ok"].is_boolean() && answer.get("id").is_some());
        }
        prop_assert_eq!(serve(3), answers);
    }
}
