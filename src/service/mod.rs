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
//! let begins = ["{\"id\":7,\"ok\":false,\"error\":{\"kind\":\"job\"", "{\"id\":null,\"ok\":false,"];
//! assert!(answers.lines().zip(begins).all(|(answer, begin)| answer.starts_with(begin)));
//! # Ok::<(), std::io::Error>(())
//! ```

mod answer;
pub mod ledger;
mod lines;
mod request;
mod sheets;

use std::io::{self, BufRead, Write};
use std::ops::ControlFlow;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::machine::Machine;
use crate::preflight::{Bounds, JobError, JobSource, Preflight, RunContext, silent};
use crate::threads::{Breakdown, HelperPool, Intake};

pub use answer::{Fault, Kind, schema};
pub use request::{MACHINES_MAX, REQUEST_MAX_BYTES};

use lines::{Line, Lines};
use request::{Job, Request};
use sheets::Sheets;

/// Requests per thread that are read before the next answer is given.
const AHEAD_PER_THREAD: usize = 2;

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
    intake: Arc<Intake<Line>>,
}

/// Ends the work of a [`Worker`] from outside.
#[derive(Clone)]
pub struct Stopper(Arc<Intake<Line>>);

impl Stopper {
    /// No further request is begun; those that were begun are answered.
    pub fn stop(&self) {
        self.0.stop();
    }
}

impl Worker {
    /// A worker that has read nothing yet.
    pub fn new(settings: Settings) -> Self {
        let intake = Arc::new(Intake::new(settings.threads.max(1) * AHEAD_PER_THREAD));
        Self { settings, sheets: Sheets::default(), intake }
    }

    /// What ends its work from outside.
    pub fn stopper(&self) -> Stopper {
        Stopper(self.intake.clone())
    }

    /// Answers the requests in `input`, each as soon as it and all before it are judged, until there are no more or it is
    /// stopped. `input` is read on a thread of its own, which may still wait for a line when this ends early.
    ///
    /// # Errors
    /// When `input` cannot be read, an answer cannot be written, or the system gives no thread.
    pub fn serve(&self, input: impl BufRead + Send + 'static, output: &mut dyn Write) -> io::Result<()> {
        self.serve_by(input, output, |request, helpers| self.judge(request, helpers))
    }

    fn serve_by(
        &self,
        input: impl BufRead + Send + 'static,
        output: &mut dyn Write,
        judge: impl Fn(Request, &HelperPool<'static>) -> Result<Vec<u8>, Fault> + Sync,
    ) -> io::Result<()> {
        let unread = self.read(input)?;
        let mut written = Ok(());
        let answer = |line, helpers: &HelperPool<'static>| answer(&line, |request| judge(request, helpers));
        self.intake.judge(self.settings.threads, answer, |answer| {
            let line = answer.unwrap_or_else(|breakdown| answer::refused(&Value::Null, &internal(&breakdown)));
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
                    Some(Ok(line)) => intake.hand_in(line),
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

    /// Judges the job of a request; the line of the answer.
    fn judge(&self, mut request: Request, helpers: &HelperPool<'static>) -> Result<Vec<u8>, Fault> {
        let Settings { limit_bytes: bytes, limit_time, .. } = self.settings;
        let until = limit_time.and_then(|limit| Instant::now().checked_add(limit));
        let source = match request.job()? {
            Job::Path(path) => in_file(&path)?,
            Job::Bytes { name, bytes } => JobSource::bytes(bytes, &name),
        };
        let machines = self.machines(&request)?;
        let machines: Vec<&Machine> = machines.iter().map(|machine| &**machine).collect();
        let preflight = Preflight::on_all(&machines).within(RunContext::new(&silent, helpers));
        let inspections =
            preflight.run_all(source.within(Bounds { bytes, until })).map_err(|error| self.fault(&error))?;
        Ok(answer::judged(&request.id, &inspections, request.report))
    }

    /// The machines of a request, or the faults of all their sheets.
    fn machines(&self, request: &Request) -> Result<Vec<Arc<Machine>>, Fault> {
        let (mut machines, mut faults) = (Vec::new(), Vec::new());
        for sheet in &request.machines {
            match self.sheets.machine(sheet) {
                Ok(machine) => machines.push(machine),
                Err(fault) => faults.push(fault.text),
            }
        }
        if faults.is_empty() { Ok(machines) } else { Err(Fault { kind: Kind::Sheet, text: faults.join("\n\n") }) }
    }

    fn fault(&self, error: &JobError) -> Fault {
        let (kind, text) = match (error, self.settings.limit_time) {
            (JobError::TooLarge { .. }, _) => (Kind::LimitBytes, error.to_string()),
            (JobError::Stopped { path }, Some(limit)) => {
                (Kind::LimitSeconds, format!("cannot judge {path}: it takes longer than {} s", limit.as_secs_f64()))
            }
            (JobError::BrokeDown { .. }, _) => (Kind::Internal, error.to_string()),
            _ => (Kind::Job, error.to_string()),
        };
        Fault { kind, text }
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
fn answer(line: &Line, judge: impl FnOnce(Request) -> Result<Vec<u8>, Fault>) -> Vec<u8> {
    let request = match Request::read(line) {
        Ok(request) => request,
        Err((id, fault)) => return answer::refused(&id, &fault),
    };
    let id = request.id.clone();
    let judged = Breakdown::caught(|| judge(request)).unwrap_or_else(|breakdown| Err(internal(&breakdown)));
    judged.unwrap_or_else(|fault| answer::refused(&id, &fault))
}

fn internal(breakdown: &Breakdown) -> Fault {
    Fault { kind: Kind::Internal, text: breakdown.to_string() }
}

/// The job in a file, which is never standard input: requests come from there.
fn in_file(path: &str) -> Result<JobSource<'static>, Fault> {
    let is_there = sheets::regular(Path::new(path));
    is_there.map_err(|error| Fault { kind: Kind::Job, text: format!("cannot read {path}: {error}") })?;
    let spelled = if path == "-" { "./-" } else { path };
    Ok(JobSource::at_as(Path::new(spelled), path))
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

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
            let judge = |request: Request, helpers: &HelperPool<'static>| {
                assert_ne!(request.id["n"], 7, "a fault of this program");
                worker.judge(request, helpers)
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
        let judge = |request: Request, helpers: &HelperPool<'static>| {
            stopper.stop();
            worker.judge(request, helpers)
        };
        let mut out = Vec::new();
        let requests = [request(json!(1), JOB), request(json!(2), JOB), request(json!(3), JOB)].join("\n");
        worker.serve_by(io::Cursor::new(requests), &mut out, judge).expect("serves");
        assert_eq!(parsed(&out).iter().map(|answer| &answer["id"]).collect::<Vec<_>>(), [&json!(1)]);
    }

    #[test]
    fn requests_and_answers_fit_the_schema() {
        let schema = serde_json::to_value(schema()).expect("JSON");
        let alone = |name: &str| {
            let only = json!({ "$ref": format!("#/$defs/{name}"), "$defs": schema["$defs"] });
            jsonschema::validator_for(&only).expect("the schema is one")
        };
        let (requests, answers) = (alone("Request"), alone("Answer"));
        let asked: Value = serde_json::from_str(&request(json!([1]), JOB)).expect("JSON");
        assert!(requests.is_valid(&asked) && !answers.is_valid(&asked));
        let wrong = [
            ("report", json!("all")),
            ("machines", json!([])),
            ("machines", json!([["m", "t"]])),
            ("machines", json!([{ "name": "m", "toml": "", "x": 1 }])),
            ("path", json!("a")),
            ("other", json!(1)),
        ];
        for (key, wrong) in wrong {
            let mut bad = asked.clone();
            bad[key] = wrong;
            assert!(!requests.is_valid(&bad), "{key}");
        }
        let mut out = Vec::new();
        let mut row = asked.clone();
        row["report"] = "row".into();
        let lines = [asked.to_string(), row.to_string(), "{}".to_owned(), "\u{9b}".to_owned()].join("\n");
        Worker::new(Settings::default()).serve(io::Cursor::new(lines), &mut out).expect("serves");
        let answered = parsed(&out);
        assert_eq!(answered.iter().map(|answer| answer["ok"] == true).collect::<Vec<_>>(), [true, true, false, false]);
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
