//! A worker that any engine can run: requests line by line, an answer line for each, in their order. And a [`ledger`] of what
//! was judged.
//!
//! The worker does not schedule, try again or store. Whatever a request is, it has exactly one answer, and the next one is
//! served: what cannot be judged is a [`Fault`] in the answer. [`schema`] is the shape of both.
//!
//! ```
//! use gonogo::service::{Settings, Worker};
//!
//! let requests = "{\"id\": 7, \"path\": \"no-such.gcode\", \"machines\": [\"no-such.toml\"]}\nnothing\n";
//! let mut answers = Vec::new();
//! Worker::new(Settings::default()).serve(requests.as_bytes(), &mut answers)?;
//! let answers = String::from_utf8(answers).expect("JSON is UTF-8");
//! let begins = ["{\"id\":7,\"ok\":false,\"error\":{\"kind\":\"sheet\"", "{\"id\":null,\"ok\":false,"];
//! assert!(answers.lines().zip(begins).all(|(answer, begin)| answer.starts_with(begin)));
//! # Ok::<(), std::io::Error>(())
//! ```

mod answer;
pub mod desk;
mod files;
pub mod gate;
pub mod ledger;
mod lines;
mod request;
mod sheets;

use std::io::{self, BufRead, Write};
use std::mem;
use std::ops::ControlFlow;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use crate::machine::{Machine, SheetError};
use crate::preflight::{Bounds, JobError, JobSource, Preflight, RunContext, silent};
use crate::threads::{Ahead, Breakdown, HelperPool, Intake};

pub use answer::{Fault, Kind, schema};
pub use files::LEFT_BEHIND_MAX;
pub use request::{MACHINES_MAX, REQUEST_MAX_BYTES};

use files::{Named, Open, Reading, Reads, Unread};
use lines::{Line, Lines};
use request::{Job, Sheet, Task};
use sheets::Sheets;

/// Requests per thread that are read before the next answer is given.
const AHEAD_PER_THREAD: usize = 2;
/// No further request is read while those without an answer have so many bytes.
const AHEAD_BYTES: usize = REQUEST_MAX_BYTES;

/// How a worker works.
#[derive(Debug, Clone, Copy)]
pub struct Settings {
    /// Threads that judge, at least one: several requests at a time, or together on one.
    pub threads: usize,
    /// Most plain bytes of a job.
    pub limit_bytes: Option<u64>,
    /// Longest time for a request.
    pub limit_time: Option<Duration>,
}

impl Default for Settings {
    fn default() -> Self {
        Self { threads: 1, limit_bytes: None, limit_time: None }
    }
}

/// Answers requests.
pub struct Worker {
    settings: Settings,
    sheets: Sheets,
    reads: Arc<Reads>,
    intake: Arc<Intake<Line>>,
}

/// Ends the work of a [`Worker`] from outside.
#[derive(Clone)]
pub struct Stopper {
    intake: Arc<Intake<Line>>,
    reads: Arc<Reads>,
}

impl Stopper {
    /// No further request is begun; those that were begun are answered. One that only waits for the bytes of a file is
    /// given up after two seconds.
    pub fn stop(&self) {
        self.intake.stop();
        self.reads.stop();
    }
}

impl Worker {
    /// A worker that has read nothing yet.
    pub fn new(settings: Settings) -> Self {
        Self::that_opens(settings, files::regular)
    }

    fn that_opens(settings: Settings, open: Open) -> Self {
        let threads = settings.threads.max(1);
        let intake = Arc::new(Intake::new(Ahead { jobs: threads * AHEAD_PER_THREAD, bytes: AHEAD_BYTES }));
        Self { settings, sheets: Sheets::default(), reads: Arc::new(Reads::new(threads, open)), intake }
    }

    /// What ends its work from outside.
    pub fn stopper(&self) -> Stopper {
        Stopper { intake: self.intake.clone(), reads: self.reads.clone() }
    }

    /// Answers the requests in `input`, each as soon as it and all before it are judged, until there are no more or it is
    /// stopped. `input` is read on a thread of its own, which may still wait for a line when this ends early.
    ///
    /// # Errors
    /// When `input` cannot be read, an answer cannot be written, or the system gives no thread.
    pub fn serve(&self, input: impl BufRead + Send + 'static, output: &mut dyn Write) -> io::Result<()> {
        self.serve_by(input, output, |task, helpers| self.judge(task, helpers))
    }

    fn serve_by(
        &self,
        input: impl BufRead + Send + 'static,
        output: &mut dyn Write,
        judge: impl Fn(&mut Task, &HelperPool<'static>) -> Result<Vec<u8>, Fault> + Sync,
    ) -> io::Result<()> {
        let unread = self.read(input)?;
        let mut written = Ok(());
        let answer = |line, helpers: &HelperPool<'static>| answer(line, |task| judge(task, helpers));
        self.intake.judge(self.settings.threads, answer, |answer| {
            let line = answer.unwrap_or_else(|breakdown| answer::no_request(&None, &internal(&breakdown)));
            written = output.write_all(&line).and_then(|()| output.flush());
            if written.is_ok() { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
        })?;
        written?;
        let unread = unread.lock().unwrap_or_else(PoisonError::into_inner).take();
        unread.map_or(Ok(()), Err)
    }

    /// Reads lines on a thread of its own; what it gives holds why it could not go on.
    fn read(&self, input: impl BufRead + Send + 'static) -> io::Result<Arc<Mutex<Option<io::Error>>>> {
        let (intake, unread) = (self.intake.clone(), Arc::default());
        let why: Arc<Mutex<Option<io::Error>>> = Arc::clone(&unread);
        let read = move || {
            // By a panic of the source, too.
            let _ending = EndOnDrop(&intake);
            let mut lines = Lines::new(input, REQUEST_MAX_BYTES);
            while intake.has_room() {
                match lines.next() {
                    Some(Ok(line)) => {
                        let bytes = line.bytes();
                        intake.hand_in(line, bytes);
                    }
                    Some(Err(error)) => {
                        *why.lock().unwrap_or_else(PoisonError::into_inner) = Some(error);
                        return;
                    }
                    None => return,
                }
            }
        };
        thread::Builder::new().name("requests".to_owned()).spawn(read)?;
        Ok(unread)
    }

    /// Judges the job of a request, whose bytes it takes; the line of the answer.
    fn judge(&self, task: &mut Task, helpers: &HelperPool<'static>) -> Result<Vec<u8>, Fault> {
        self.in_time(task, |task, until| self.judge_until(until, task, helpers))
    }

    /// Nothing that comes after the limit is an answer, wherever the time went: what follows the reading takes some, too.
    fn in_time(
        &self,
        task: &mut Task,
        judge: impl FnOnce(&mut Task, Option<Instant>) -> Result<Vec<u8>, Fault>,
    ) -> Result<Vec<u8>, Fault> {
        let limit = self.settings.limit_time;
        let until = limit.and_then(|limit| Instant::now().checked_add(limit));
        let answer = judge(task, until);
        match limit {
            Some(limit) if until.is_some_and(|until| Instant::now() >= until) => {
                let text = format!("cannot judge {}: it takes longer than {} s", task.job.shown(), limit.as_secs_f64());
                Err(Fault { kind: Kind::LimitSeconds, text })
            }
            _ => answer,
        }
    }

    fn judge_until(
        &self,
        until: Option<Instant>,
        task: &mut Task,
        helpers: &HelperPool<'static>,
    ) -> Result<Vec<u8>, Fault> {
        let unread = |unread| Fault::of_unread(task.job.shown(), &unread);
        let mut files = self.reads.begin(task.files(), until).map_err(unread)?;
        let machines = self.machines(&task.machines, &mut files).map_err(unread)??;
        let machines: Vec<&Machine> = machines.iter().map(|machine| &**machine).collect();
        let source = match &mut task.job {
            Job::Path(path) => JobSource::contents(files, path),
            Job::Bytes { name, bytes } => JobSource::bytes(mem::take(bytes), name),
        };
        let source = source.within(Bounds { bytes: self.settings.limit_bytes, until });
        let preflight = Preflight::on_all(&machines).within(RunContext::new(&silent, helpers));
        let inspections = preflight.run_all(source).map_err(|error| Fault::of_job(&error))?;
        Ok(answer::judged(&task.id, &inspections, task.report))
    }

    /// The machines of a request, or the faults of all their sheets; `files` has those that are files.
    fn machines(&self, sheets: &[Sheet], files: &mut Reading) -> Result<Result<Vec<Arc<Machine>>, Fault>, Unread> {
        let (mut machines, mut faults) = (Vec::new(), Vec::new());
        for sheet in sheets {
            let found = match sheet {
                Sheet::Text { name, toml } => self.sheets.machine(name, toml.as_bytes()),
                Sheet::Path(path) => match files.whole()? {
                    Ok(bytes) => self.sheets.machine(path, &bytes),
                    Err(source) => {
                        let error = SheetError::Read { path: path.into(), named_by: "named in the request", source };
                        Err(error.render(false))
                    }
                },
            };
            match found {
                Ok(machine) => machines.push(machine),
                Err(fault) => faults.push(fault),
            }
        }
        Ok(if faults.is_empty() { Ok(machines) } else { Err(Fault { kind: Kind::Sheet, text: faults.join("\n\n") }) })
    }
}

impl Task {
    /// The files it names: the sheets, then the job.
    fn files(&self) -> Vec<Named> {
        let sheets = self.machines.iter().filter_map(|sheet| match sheet {
            Sheet::Path(path) => Some(Named::Sheet(path.into())),
            Sheet::Text { .. } => None,
        });
        let job = match &self.job {
            Job::Path(path) => Some(Named::Job(path.into())),
            Job::Bytes { .. } => None,
        };
        sheets.chain(job).collect()
    }
}

impl Fault {
    fn of_unread(job: &str, unread: &Unread) -> Self {
        Self { kind: Kind::Unread, text: format!("cannot judge {job}: {unread}") }
    }

    fn of_job(error: &JobError) -> Self {
        let kind = match error {
            JobError::TooLarge { .. } => Kind::LimitBytes,
            JobError::BrokeDown { .. } => Kind::Internal,
            JobError::Read { path, source } => match source.get_ref().and_then(|inner| inner.downcast_ref()) {
                Some(unread) => return Self::of_unread(path, unread),
                None => Kind::Job,
            },
            _ => Kind::Job,
        };
        Self { kind, text: error.to_string() }
    }
}

/// Ends the intake when it goes.
struct EndOnDrop<'i>(&'i Intake<Line>);

impl Drop for EndOnDrop<'_> {
    fn drop(&mut self) {
        self.0.end();
    }
}

/// The line that answers a line, whatever happens.
fn answer(line: Line, judge: impl FnOnce(&mut Task) -> Result<Vec<u8>, Fault>) -> Vec<u8> {
    let read = Task::read(&line);
    // What it holds is not kept twice while the job is judged.
    drop(line);
    let mut task = match read {
        Ok(task) => task,
        Err((id, fault)) => return answer::no_request(&id, &fault),
    };
    let judged = Breakdown::caught(|| judge(&mut task)).unwrap_or_else(|breakdown| Err(internal(&breakdown)));
    judged.unwrap_or_else(|fault| answer::refused(&task, &fault))
}

fn internal(breakdown: &Breakdown) -> Fault {
    Fault { kind: Kind::Internal, text: breakdown.to_string() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    const JOB: &str = "G28\nM109 S200\nG1 Z0.2 F600\nG1 X20 Y20 F6000\nG1 X60 E1.5 F1800\nM104 S0\n";

    fn request(id: Value, job: &str) -> String {
        use base64::Engine;
        let bytes = base64::prelude::BASE64_STANDARD.encode(job);
        let machine = json!({ "name": "m.toml", "toml": Machine::built_in_text() });
        json!({ "id": id, "name": "a.gcode", "bytes_base64": bytes, "machines": [machine] }).to_string()
    }

    fn parsed(output: &[u8]) -> Vec<Value> {
        let lines = std::str::from_utf8(output).expect("UTF-8").lines();
        lines.map(|line| serde_json::from_str(line).expect("JSON")).collect()
    }

    #[test]
    fn a_panic_is_an_answer_and_the_next_request_is_served() {
        for threads in [1, 3] {
            let requests: Vec<String> = (0..20).map(|id| request(json!({ "n": id }), JOB)).collect();
            let worker = Worker::new(Settings { threads, ..Settings::default() });
            let mut out = Vec::new();
            let judge = |task: &mut Task, helpers: &HelperPool<'static>| {
                assert_ne!(task.id.as_ref().map(|id| id.get()), Some("{\"n\":7}"), "a fault of this program");
                worker.judge(task, helpers)
            };
            worker.serve_by(io::Cursor::new(requests.join("\n")), &mut out, judge).expect("serves");
            let answers = parsed(&out);
            assert_eq!(answers.len(), 20);
            for (id, answer) in answers.iter().enumerate() {
                assert_eq!((&answer["id"]["n"], &answer["ok"]), (&json!(id), &json!(id != 7)));
            }
            assert_eq!(answers[7]["error"]["kind"], "internal");
            let text = answers[7]["error"]["text"].as_str().expect("text");
            assert!(text.contains("a fault of this program"), "{text}");
        }
    }

    #[test]
    fn limits_end_a_request_and_not_the_worker() {
        let requests = [request(json!(1), &"G1 X1\nG1 X0\n".repeat(1000)), request(json!(2), JOB)].join("\n");
        let kinds = |settings| {
            let mut out = Vec::new();
            Worker::new(settings).serve(io::Cursor::new(requests.clone()), &mut out).expect("serves");
            let answers = parsed(&out);
            let kind = |answer: &Value| answer.pointer("/error/kind").unwrap_or(&Value::Null).clone();
            answers.iter().map(kind).collect::<Vec<_>>()
        };
        let (bytes, time) = (Some(JOB.len() as u64), Some(Duration::ZERO));
        assert_eq!(kinds(Settings::default()), [Value::Null, Value::Null]);
        assert_eq!(kinds(Settings { limit_bytes: bytes, ..Settings::default() }), [json!("limit-bytes"), Value::Null]);
        let over = kinds(Settings { limit_time: time, ..Settings::default() });
        assert_eq!(over, [json!("limit-seconds"), json!("limit-seconds")]);
    }

    #[test]
    fn an_id_comes_back_as_it_was_written() {
        let ids = [
            "123456789012345678901234567890",
            "1.10",
            "-0",
            "1e999",
            "{\"a\": 1, \"a\": 2,\"b\":[ ]}",
            "\"\\u0041\\/ \\ud800 \u{9b}\u{202e}\"",
            "null",
            "[[],\t{}]",
        ];
        let deep = format!("{}{}", "[".repeat(10_000), "]".repeat(10_000));
        for id in ids.into_iter().chain([deep.as_str()]) {
            for report in ["row", "full"] {
                let fine = request(json!("ID"), JOB).replace("\"ID\"", id);
                let fine = fine.replace("\"machines\"", &format!("\"report\": \"{report}\", \"machines\""));
                // Judged, refused with what it asks for known, and no request.
                let missing =
                    format!("{{\"machines\": [\"no.toml\"], \"path\": \"no\", \"id\":{id}, \"report\": \"{report}\"}}");
                let lines = [fine, missing, format!("{{\"id\" : {id} }}")];
                let mut out = Vec::new();
                Worker::new(Settings::default()).serve(io::Cursor::new(lines.join("\n")), &mut out).expect("serves");
                let out = String::from_utf8(out).expect("UTF-8");
                let begins = [true, false, false].map(|ok| format!("{{\"id\":{id},\"ok\":{ok},"));
                assert_eq!(out.lines().count(), 3);
                for (answer, begin) in out.lines().zip(&begins) {
                    assert!(answer.starts_with(begin), "{id}: {}", answer.chars().take(300).collect::<String>());
                }
            }
        }
    }

    #[test]
    fn no_answer_is_given_long_after_its_limit() {
        let worker = Worker::new(Settings { limit_time: Some(Duration::from_millis(1)), ..Settings::default() });
        let mut task = Task::read(&Line::Whole(request(json!(1), JOB).into_bytes())).expect("a request");
        let late = worker.in_time(&mut task, |_, until| {
            while until.is_some_and(|until| Instant::now() < until) {
                thread::yield_now();
            }
            Ok(b"judged".to_vec())
        });
        assert_eq!(late.expect_err("too late").kind, Kind::LimitSeconds);
    }

    /// A pipe into which nobody writes, for workers that open pipes: what a file on a network that is gone is like.
    #[cfg(unix)]
    mod hanging {
        use super::*;

        fn pipe(folder: &tempfile::TempDir) -> String {
            let path = folder.path().join("pipe").display().to_string();
            assert!(std::process::Command::new("mkfifo").arg(&path).status().expect("runs").success());
            path
        }

        fn worker(settings: Settings) -> Worker {
            Worker::that_opens(settings, |path| std::fs::File::open(path))
        }

        #[test]
        fn a_read_that_hangs_costs_its_request_alone() {
            let folder = tempfile::tempdir().expect("temporary directory");
            let pipe = pipe(&folder);
            let sheet = json!({ "name": "m.toml", "toml": Machine::built_in_text() });
            let job = json!({ "id": 1, "path": pipe, "machines": [sheet] }).to_string();
            let by_sheet = request(json!(2), JOB).replace("\"machines\":[", &format!("\"machines\":[{pipe:?},"));
            for (threads, hangs) in [(1, &job), (3, &by_sheet)] {
                let lines = [hangs.clone(), request(json!(3), JOB)].join("\n");
                // Enough for the job, however busy the computer is.
                let limit = Some(Duration::from_secs(5));
                let mut out = Vec::new();
                let worker = worker(Settings { threads, limit_time: limit, ..Settings::default() });
                worker.serve(io::Cursor::new(lines), &mut out).expect("serves");
                let answers = parsed(&out);
                let kinds: Vec<_> = answers.iter().map(|answer| &answer["error"]["kind"]).collect();
                assert_eq!(kinds, [&json!("limit-seconds"), &Value::Null]);
                let text = answers[0]["error"]["text"].as_str().expect("text");
                assert!(text.ends_with("it takes longer than 5 s"), "{text}");
            }
        }

        #[test]
        fn told_to_stop_it_does_not_wait_for_a_read_that_never_comes() {
            let folder = tempfile::tempdir().expect("temporary directory");
            let pipe = pipe(&folder);
            for threads in [1, 3] {
                let worker = worker(Settings { threads, ..Settings::default() });
                let stopper = worker.stopper();
                let judge = |task: &mut Task, helpers: &HelperPool<'static>| {
                    stopper.stop();
                    worker.judge(task, helpers)
                };
                let sheet = json!({ "name": "m.toml", "toml": Machine::built_in_text() });
                let line = json!({ "id": 1, "path": pipe, "machines": [sheet], "report": "row" });
                let mut out = Vec::new();
                worker.serve_by(io::Cursor::new(line.to_string()), &mut out, judge).expect("serves");
                let answers = parsed(&out);
                assert_eq!((answers.len(), &answers[0]["error"]["kind"]), (1, &json!("unread")));
                assert_eq!(answers[0]["reports"][0]["error"], answers[0]["error"]["text"]);
            }
        }

        #[test]
        fn when_too_many_hang_files_are_refused_and_what_is_sent_along_is_judged() {
            let folder = tempfile::tempdir().expect("temporary directory");
            let pipe = pipe(&folder);
            let worker = worker(Settings::default());
            let begin = || worker.reads.begin(vec![Named::Job(pipe.clone().into())], None);
            let hanging: Vec<Reading> = (0..=LEFT_BEHIND_MAX).map(|_| begin().expect("begins")).collect();
            let by_path = json!({ "id": 1, "path": "a.gcode", "machines": ["m.toml"] }).to_string();
            let mut out = Vec::new();
            let lines = [by_path, request(json!(2), JOB)].join("\n");
            worker.serve(io::Cursor::new(lines), &mut out).expect("serves");
            let answers = parsed(&out);
            assert_eq!((&answers[0]["error"]["kind"], &answers[1]["ok"]), (&json!("unread"), &json!(true)));
            let text = answers[0]["error"]["text"].as_str().expect("text");
            assert!(text.starts_with("cannot judge a.gcode: 32 reads"), "{text}");
            drop(hanging);
        }
    }

    /// Fails after what it holds.
    struct Torn(io::Cursor<String>);

    impl io::Read for Torn {
        fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
            match self.0.read(buffer)? {
                0 => Err(io::Error::other("torn")),
                count => Ok(count),
            }
        }
    }

    #[test]
    fn a_source_that_fails_is_told_after_the_answers_so_far() {
        let mut out = Vec::new();
        let torn = io::BufReader::new(Torn(io::Cursor::new(format!("{}\n{{", request(json!(1), JOB)))));
        let told = Worker::new(Settings::default()).serve(torn, &mut out).expect_err("torn");
        assert_eq!((told.to_string().as_str(), parsed(&out).len()), ("torn", 1));
    }

    /// Takes so many writes, then the reader has left.
    struct Left(usize);

    impl Write for Left {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.0 = self.0.checked_sub(1).ok_or(io::ErrorKind::BrokenPipe)?;
            Ok(bytes.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    /// Never ends.
    struct Endless;

    impl io::Read for Endless {
        fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
            buffer.fill(b'\n');
            Ok(buffer.len())
        }
    }

    #[test]
    fn a_reader_that_left_ends_it_though_requests_never_end() {
        for threads in [1, 3] {
            let worker = Worker::new(Settings { threads, ..Settings::default() });
            let told = worker.serve(io::BufReader::new(Endless), &mut Left(5)).expect_err("the reader left");
            assert_eq!(told.kind(), io::ErrorKind::BrokenPipe);
        }
    }

    #[test]
    fn told_to_stop_it_answers_what_it_has_begun() {
        let worker = Worker::new(Settings::default());
        let stopper = worker.stopper();
        let judge = |task: &mut Task, helpers: &HelperPool<'static>| {
            stopper.stop();
            worker.judge(task, helpers)
        };
        let mut out = Vec::new();
        let requests = [request(json!(1), JOB), request(json!(2), JOB), request(json!(3), JOB)].join("\n");
        worker.serve_by(io::Cursor::new(requests), &mut out, judge).expect("serves");
        assert_eq!(parsed(&out).iter().map(|answer| &answer["id"]).collect::<Vec<_>>(), [&json!(1)]);
    }

    /// All parts of a schema that have a default.
    fn each_default(schema: &Value, seen: &mut dyn FnMut(&Value)) {
        if schema.get("default").is_some() {
            seen(schema);
        }
        match schema {
            Value::Object(parts) => parts.values().for_each(|part| each_default(part, seen)),
            Value::Array(parts) => parts.iter().for_each(|part| each_default(part, seen)),
            _ => {}
        }
    }

    #[test]
    fn requests_and_answers_fit_the_schema() {
        let schema = serde_json::to_value(schema()).expect("JSON");
        let alone = |name: &str| {
            let only = json!({ "$ref": format!("#/$defs/{name}"), "$defs": schema["$defs"] });
            jsonschema::validator_for(&only).expect("the schema is one")
        };
        let (requests, answers) = (alone("Request"), alone("Answer"));
        // What is said to hold where a key is missing fits the key.
        let mut defaults = 0;
        each_default(&schema, &mut |of| {
            let mut of = of.clone();
            of["$defs"] = schema["$defs"].clone();
            let validator = jsonschema::validator_for(&of).expect("the schema is one");
            assert!(validator.is_valid(&of["default"]), "{}", of["default"]);
            defaults += 1;
        });
        assert!(defaults > 5);
        let asked: Value = serde_json::from_str(&request(json!([1]), JOB)).expect("JSON");
        assert!(requests.is_valid(&asked) && !answers.is_valid(&asked));
        let wrong = [
            ("report", json!("all")),
            ("machines", json!([])),
            ("machines", json!([["m", "t"]])),
            ("machines", json!([{ "name": "m", "toml": "", "x": 1 }])),
            ("path", json!("a")),
            ("path", json!(null)),
            ("name", json!(null)),
            ("bytes_base64", json!(null)),
            ("report", json!(null)),
            ("other", json!(1)),
        ];
        for (key, wrong) in wrong {
            let mut bad = asked.clone();
            bad[key] = wrong;
            assert!(!requests.is_valid(&bad), "{key}");
            assert!(Task::read(&Line::Whole(bad.to_string().into_bytes())).is_err(), "{key}");
        }
        let mut out = Vec::new();
        let mut row = asked.clone();
        row["report"] = "row".into();
        let missing = ["row", "full"].map(|report| {
            json!({ "id": 1, "path": "no", "machines": ["no", asked["machines"][0]], "report": report }).to_string()
        });
        let lines = [asked.to_string(), row.to_string(), "{}".to_owned(), "\u{9b}".to_owned(), missing.join("\n")];
        let lines = lines.join("\n");
        Worker::new(Settings::default()).serve(io::Cursor::new(lines), &mut out).expect("serves");
        let answered = parsed(&out);
        assert_eq!(
            answered.iter().map(|answer| answer["ok"] == true).collect::<Vec<_>>(),
            [true, true, false, false, false, false]
        );
        let rows = |answer: &Value| answer.get("reports").and_then(Value::as_array).map(Vec::len);
        assert_eq!(answered.iter().map(rows).collect::<Vec<_>>(), [Some(1), Some(1), None, None, Some(2), None]);
        for answer in &answered {
            let faults: Vec<String> = answers.iter_errors(answer).map(|fault| fault.to_string()).collect();
            assert_eq!(faults, Vec::<String>::new());
            assert!(!requests.is_valid(answer));
            let mut bad = answer.clone();
            bad["ok"] = (!answer["ok"].as_bool().expect("a truth value")).into();
            assert!(!answers.is_valid(&bad));
        }
    }
}
