//! What is asked: one line of JSON.

use std::fmt;

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use schemars::{JsonSchema, Schema};
use serde::Deserialize;
use serde::de::{self, Deserializer, Visitor};
use serde_json::Value;
use serde_json::value::RawValue;

use super::answer::{Fault, Kind};
use super::lines::Line;

/// Longest request, bytes. A larger job goes by its path.
pub const REQUEST_MAX_BYTES: usize = 64 << 20;
/// Most machines of a request: each takes memory while the job is judged.
pub const MACHINES_MAX: usize = 64;

/// A job to judge: by `path`, or by `name` and `bytes_base64`. Keys that are not named here are refused.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(extend("oneOf" = [{ "required": ["path"] }, { "required": ["name", "bytes_base64"] }]))]
pub struct Request {
    /// Anything; the answer brings it back as it was written. Null where it is missing.
    #[serde(default)]
    #[schemars(with = "Value")]
    id: Id,
    /// The job's path, as the worker sees it. A regular file, plain or gz.
    #[serde(default, deserialize_with = "some")]
    #[schemars(with = "String", transform = without_default)]
    path: Option<String>,
    /// What stands for the path of a job whose bytes are sent along.
    #[serde(default, deserialize_with = "some")]
    #[schemars(with = "String", transform = without_default)]
    name: Option<String>,
    /// The job itself, plain or gz, in base64 with padding (RFC 4648, section 4).
    #[serde(default, deserialize_with = "unpacked")]
    #[schemars(with = "String", transform = without_default)]
    bytes_base64: Option<Vec<u8>>,
    /// What to judge it on.
    #[schemars(length(min = 1, max = MACHINES_MAX))]
    machines: Vec<Sheet>,
    /// What to answer.
    #[serde(default)]
    report: Wanted,
}

/// The id of a request as it was written, down to its digits and escapes; none counts as null.
pub type Id = Option<Box<RawValue>>;

/// A key that may be missing, but is no null.
fn some<'de, D: Deserializer<'de>>(from: D) -> Result<Option<String>, D::Error> {
    String::deserialize(from).map(Some)
}

/// Unpacked where it is read, so that the text is never kept beside its bytes.
fn unpacked<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Vec<u8>>, D::Error> {
    struct Base64;
    impl Visitor<'_> for Base64 {
        type Value = Vec<u8>;

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("base64 with padding")
        }

        fn visit_str<E: de::Error>(self, text: &str) -> Result<Vec<u8>, E> {
            let wrong = |error| E::custom(format_args!("`bytes_base64` is not base64 with padding: {error}"));
            BASE64_STANDARD.decode(text).map_err(wrong)
        }
    }
    from.deserialize_str(Base64).map(Some)
}

/// A missing key of these is no null.
pub(super) fn without_default(schema: &mut Schema) {
    schema.remove("default");
}

/// A machine sheet: its path as the worker sees it, or its text.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(untagged, deny_unknown_fields)]
#[serde(expecting = "a machine is the path of its sheet, or an object with `name` and `toml` alone")]
pub enum Sheet {
    /// Its path.
    Path(String),
    /// The sheet itself.
    Text {
        /// What stands for its path.
        name: String,
        /// Its text.
        toml: String,
    },
}

/// What is answered for each machine.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Wanted {
    /// The report of `gonogo check --format ndjson`.
    #[default]
    Full,
    /// The row of `gonogo check --format csv`, by the names of its columns.
    Row,
}

/// What a request asks for.
#[derive(Debug)]
pub struct Task {
    /// That of the request.
    pub id: Id,
    /// The job.
    pub job: Job,
    /// What to judge it on.
    pub machines: Vec<Sheet>,
    /// What to answer.
    pub report: Wanted,
}

/// Where the job of a request is.
#[derive(Debug)]
pub enum Job {
    /// In a file.
    Path(String),
    /// In the request.
    Bytes {
        /// What stands for its path.
        name: String,
        /// Plain or gz.
        bytes: Vec<u8>,
    },
}

impl Job {
    /// Its path, or what stands for it.
    pub fn shown(&self) -> &str {
        match self {
            Self::Path(path) => path,
            Self::Bytes { name, .. } => name,
        }
    }
}

impl Sheet {
    /// Its path, or what stands for it.
    pub fn shown(&self) -> &str {
        match self {
            Self::Path(path) => path,
            Self::Text { name, .. } => name,
        }
    }
}

/// Only the id, whatever else there is: so that a bad request can be told from others.
#[derive(Deserialize)]
struct OnlyId {
    #[serde(default)]
    id: Id,
}

impl Task {
    /// Reads a line.
    ///
    /// # Errors
    /// Why it is no request. Its id is known where the line is a JSON object with one id: in a line that is broken off or
    /// damaged nobody can know whether what looks like an id is one.
    pub fn read(line: &Line) -> Result<Self, (Id, Fault)> {
        let refuse = |id, text| Err((id, Fault { kind: Kind::Request, text }));
        let Line::Whole(bytes) = line else {
            let text = format!("a request has at most {REQUEST_MAX_BYTES} bytes: name a larger job by its path");
            return refuse(None, text);
        };
        let text = match std::str::from_utf8(bytes) {
            Ok(text) => text,
            Err(error) => {
                return refuse(None, format!("this line is not UTF-8 at byte {}", error.valid_up_to() + 1));
            }
        };
        // A list of the values alone, in the order of the keys, would be read too.
        if !text.trim_ascii_start().starts_with('{') {
            return refuse(None, "this line is not a JSON object, so it is no request".to_owned());
        }
        match serde_json::from_str::<Request>(text).map_err(|error| told(&error)).and_then(Request::sound) {
            Ok(task) => Ok(task),
            Err(why) => {
                let only = serde_json::from_str::<OnlyId>(text);
                refuse(only.map_or(None, |only| only.id), format!("this line is no request: {why}"))
            }
        }
    }
}

/// What is wrong and at which byte: a request is always line 1.
fn told(error: &serde_json::Error) -> String {
    let text = error.to_string();
    let place = format!(" at line {} column {}", error.line(), error.column());
    match text.strip_suffix(&place) {
        Some(what) => format!("{what}, at byte {}", error.column()),
        None => text,
    }
}

impl Request {
    /// What the shape of the JSON does not tell.
    fn sound(self) -> Result<Task, String> {
        let Self { id, path, name, bytes_base64, machines, report } = self;
        if !(1..=MACHINES_MAX).contains(&machines.len()) {
            return Err(format!("`machines` takes 1 to {MACHINES_MAX} sheets"));
        }
        let job = match (path, name, bytes_base64) {
            (Some(path), None, None) => Job::Path(path),
            (None, Some(name), Some(bytes)) => Job::Bytes { name, bytes },
            _ => return Err("it takes either `path`, or `name` and `bytes_base64`".to_owned()),
        };
        Ok(Task { id, job, machines, report })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn refused(line: &[u8]) -> (String, String) {
        let (id, fault) = Task::read(&Line::Whole(line.to_vec())).expect_err("refused");
        assert_eq!(fault.kind, Kind::Request);
        (id.map_or("null".to_owned(), |id| id.get().to_owned()), fault.text)
    }

    #[test]
    fn what_is_wrong_is_said_and_the_id_kept_where_it_can_be_known() {
        for (line, id, why) in [
            (&b""[..], "null", "this line is not a JSON object, so it is no request"),
            (b"[7, \"a\", null, null, [\"m\"], \"row\"]", "null", "not a JSON object"),
            // Broken off, or something behind it: it may have gone on with another id.
            (b"{\"id\": 7, \"path\"", "null", "EOF while parsing an object, at byte 16"),
            (b"{\"id\": 7, \"machines\": [\"m\"], \"path\": \"a\"} {}", "null", "trailing characters, at byte 43"),
            (b"{\"id\": 7, \"id\": 8, \"machines\": [\"m\"], \"path\": \"a\"}", "null", "duplicate field `id`"),
            (b"{\"id\": \"\xff\"}", "null", "not UTF-8 at byte 9"),
            (b"{\"id\": 7}", "7", "missing field `machines`"),
            (b"{\"\\u0069d\": 7}", "7", "missing field `machines`"),
            (b"{\"id\": [1], \"path\": \"a\", \"machines\": []}", "[1]", "1 to 64 sheets"),
            (b"{\"id\": 7, \"machines\": [\"m\"]}", "7", "either `path`, or `name`"),
            (b"{\"id\": 7, \"machines\": [\"m\"], \"name\": \"a\"}", "7", "either `path`, or `name`"),
            (b"{\"id\": 7, \"machines\": [\"m\"], \"path\": \"a\", \"name\": \"a\"}", "7", "either `path`, or"),
            (b"{\"id\": 7, \"machines\": [\"m\"], \"path\": \"a\", \"name\": null}", "7", "null, expected a string"),
            (b"{\"id\": 7, \"machines\": [\"m\"], \"name\": \"a\", \"bytes_base64\": 1}", "7", "expected base64"),
            (b"{\"id\": 7, \"machines\": [\"m\"], \"pth\": \"a\"}", "7", "unknown field `pth`"),
            (b"{\"id\": 7, \"machines\": [{\"name\": \"m\"}], \"path\": \"a\"}", "7", "the path of its sheet"),
            (b"{\"id\": 7, \"machines\": [[\"m\", \"t\"]], \"path\": \"a\"}", "7", "the path of its sheet"),
            (
                b"{\"id\": 7, \"machines\": [{\"name\": \"m\", \"toml\": \"\", \"x\": 1}], \"path\": \"a\"}",
                "7",
                "the path of its sheet",
            ),
            (b"{\"id\": 7, \"machines\": [\"m\"], \"path\": \"a\", \"report\": \"all\"}", "7", "`full` or `row`"),
            (b"{\"path\": \"a\", \"path\": \"b\", \"id\": {}}", "{}", "duplicate field `path`"),
        ] {
            let (found, told) = refused(line);
            assert!(told.contains(why), "{told}");
            assert_eq!(found, id, "{told}");
        }
        let deep = format!("{{\"id\": 7, \"machines\": {}{}}}", "[".repeat(100_000), "]".repeat(100_000));
        assert!(refused(deep.as_bytes()).1.contains("recursion limit"));
        let (_, fault) = Task::read(&Line::TooLong).expect_err("refused");
        assert!(fault.text.contains("at most 67108864 bytes"), "{}", fault.text);
    }

    #[test]
    fn a_job_is_in_a_file_or_in_the_request() {
        let read = |value: Value| Task::read(&Line::Whole(value.to_string().into_bytes())).expect("a request");
        let by_path = read(json!({ "path": "a.gcode", "machines": ["m"] }));
        assert!(by_path.id.is_none() && by_path.report == Wanted::Full);
        assert!(matches!(by_path.job, Job::Path(path) if path == "a.gcode"));
        // RFC 4648, section 10: BASE64("foobar").
        let sheet = json!({ "name": "m", "toml": "" });
        let sent =
            read(json!({ "id": 1, "name": "a", "bytes_base64": "Zm9vYmFy", "machines": [sheet], "report": "row" }));
        assert_eq!((sent.machines.len(), sent.report), (1, Wanted::Row));
        assert!(matches!(sent.job, Job::Bytes { name, bytes } if name == "a" && bytes == b"foobar"));
        for wrong in ["Zm9vYmF", "Zm9v YmFy", "Zm9vYmFy\n", "_-=="] {
            let request = json!({ "id": 1, "name": "a", "bytes_base64": wrong, "machines": ["m"] });
            let (id, why) = refused(request.to_string().as_bytes());
            assert!(id == "1" && why.contains("is not base64 with padding"), "{why}");
        }
    }
}
