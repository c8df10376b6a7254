//! What is asked: one line of JSON.

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use schemars::JsonSchema;
use serde::Deserialize;
use serde_json::Value;

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
    /// Anything; the answer brings it back. Null where it is missing. Whole numbers keep up to 64 bits.
    #[serde(default)]
    pub(super) id: Value,
    /// The job's path, as the worker sees it. A regular file, plain or gz.
    #[serde(default)]
    #[schemars(with = "String")]
    path: Option<String>,
    /// What stands for the path of a job whose bytes are sent along.
    #[serde(default)]
    #[schemars(with = "String")]
    name: Option<String>,
    /// The job itself, plain or gz, in base64 with padding (RFC 4648, section 4).
    #[serde(default)]
    #[schemars(with = "String")]
    bytes_base64: Option<String>,
    /// What to judge it on.
    #[schemars(length(min = 1, max = MACHINES_MAX))]
    pub(super) machines: Vec<Sheet>,
    /// What to answer.
    #[serde(default)]
    pub(super) report: Wanted,
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

/// Where the job of a request is.
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

/// Only the id, whatever else there is: so that a bad request can be told from others.
#[derive(Deserialize)]
struct OnlyId {
    #[serde(default)]
    id: Value,
}

impl Request {
    /// Reads a line.
    ///
    /// # Errors
    /// Why it is no request, with its id where that can be read.
    pub fn read(line: &Line) -> Result<Self, (Value, Fault)> {
        let refuse = |id, text| Err((id, Fault { kind: Kind::Request, text }));
        let Line::Whole(bytes) = line else {
            let text = format!("a request has at most {REQUEST_MAX_BYTES} bytes: name a larger job by its path");
            return refuse(Value::Null, text);
        };
        let text = match std::str::from_utf8(bytes) {
            Ok(text) => text,
            Err(error) => {
                return refuse(Value::Null, format!("the request is not UTF-8 at byte {}", error.valid_up_to() + 1));
            }
        };
        // A list of the values alone, in the order of the keys, would be read too.
        if !text.trim_ascii_start().starts_with('{') {
            return refuse(Value::Null, "no request: it is no JSON object".to_owned());
        }
        match serde_json::from_str::<Self>(text).map_err(|error| error.to_string()).and_then(Self::sound) {
            Ok(request) => Ok(request),
            Err(why) => {
                let only = serde_json::from_str::<OnlyId>(text);
                refuse(only.map_or(Value::Null, |only| only.id), format!("no request: {why}"))
            }
        }
    }

    /// What the shape of the JSON does not tell.
    fn sound(self) -> Result<Self, String> {
        if !(1..=MACHINES_MAX).contains(&self.machines.len()) {
            return Err(format!("`machines` takes 1 to {MACHINES_MAX} sheets"));
        }
        match (&self.path, &self.name, &self.bytes_base64) {
            (Some(_), None, None) | (None, Some(_), Some(_)) => Ok(self),
            _ => Err("it takes either `path`, or `name` and `bytes_base64`".to_owned()),
        }
    }

    /// Takes out where the job is.
    ///
    /// # Errors
    /// When the bytes are no base64.
    pub fn job(&mut self) -> Result<Job, Fault> {
        let taken = (self.path.take(), self.name.take().unwrap_or_default(), self.bytes_base64.take());
        match taken {
            (Some(path), ..) => Ok(Job::Path(path)),
            (None, name, text) => {
                let bytes = BASE64_STANDARD.decode(text.unwrap_or_default()).map_err(|error| {
                    let text = format!("no request: `bytes_base64` is no base64 with padding: {error}");
                    Fault { kind: Kind::Request, text }
                })?;
                Ok(Job::Bytes { name, bytes })
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn refused(line: &[u8]) -> (Value, String) {
        let (id, fault) = Request::read(&Line::Whole(line.to_vec())).expect_err("refused");
        assert_eq!(fault.kind, Kind::Request);
        (id, fault.text)
    }

    #[test]
    fn what_is_wrong_is_said_and_the_id_kept_where_it_can_be_read() {
        for (line, id, why) in [
            (&b""[..], json!(null), "no JSON object"),
            (b"[7, \"a\", null, null, [\"m\"], \"row\"]", json!(null), "no JSON object"),
            (b"{\"id\": 7, \"path\"", json!(null), "EOF while parsing"),
            (b"{\"id\": \"\xff\"}", json!(null), "not UTF-8 at byte 9"),
            (b"{\"id\": 7}", json!(7), "missing field `machines`"),
            (b"{\"id\": [1], \"path\": \"a\", \"machines\": []}", json!([1]), "1 to 64 sheets"),
            (b"{\"id\": 7, \"machines\": [\"m\"]}", json!(7), "either `path`, or `name`"),
            (b"{\"id\": 7, \"machines\": [\"m\"], \"name\": \"a\"}", json!(7), "either `path`, or `name`"),
            (b"{\"id\": 7, \"machines\": [\"m\"], \"path\": \"a\", \"name\": \"a\"}", json!(7), "either `path`, or"),
            (b"{\"id\": 7, \"machines\": [\"m\"], \"pth\": \"a\"}", json!(7), "unknown field `pth`"),
            (b"{\"id\": 7, \"machines\": [{\"name\": \"m\"}], \"path\": \"a\"}", json!(7), "the path of its sheet"),
            (b"{\"id\": 7, \"machines\": [[\"m\", \"t\"]], \"path\": \"a\"}", json!(7), "the path of its sheet"),
            (
                b"{\"id\": 7, \"machines\": [{\"name\": \"m\", \"toml\": \"\", \"x\": 1}], \"path\": \"a\"}",
                json!(7),
                "the path of its sheet",
            ),
            (b"{\"id\": 7, \"machines\": [\"m\"], \"path\": \"a\", \"report\": \"all\"}", json!(7), "`full` or `row`"),
            (b"{\"id\": 7, \"id\": 8, \"machines\": [\"m\"], \"path\": \"a\"}", json!(null), "duplicate field `id`"),
            (b"{\"path\": \"a\", \"path\": \"b\", \"id\": {}}", json!({}), "duplicate field `path`"),
        ] {
            let (found, told) = refused(line);
            assert!(told.contains(why), "{told}");
            assert_eq!(found, id, "{told}");
        }
        let deep = format!("{{\"id\": {}{}}}", "[".repeat(100_000), "]".repeat(100_000));
        assert!(refused(deep.as_bytes()).1.contains("recursion limit"));
        let (_, fault) = Request::read(&Line::TooLong).expect_err("refused");
        assert!(fault.text.contains("at most 67108864 bytes"), "{}", fault.text);
    }

    #[test]
    fn a_job_is_in_a_file_or_in_the_request() {
        let read = |value: Value| Request::read(&Line::Whole(value.to_string().into_bytes())).expect("a request");
        let mut by_path = read(json!({ "path": "a.gcode", "machines": ["m"] }));
        assert_eq!((&by_path.id, by_path.report), (&Value::Null, Wanted::Full));
        assert!(matches!(by_path.job(), Ok(Job::Path(path)) if path == "a.gcode"));
        // RFC 4648, section 10: BASE64("foobar").
        let sheet = json!({ "name": "m", "toml": "" });
        let mut sent =
            read(json!({ "id": 1, "name": "a", "bytes_base64": "Zm9vYmFy", "machines": [sheet], "report": "row" }));
        assert_eq!((sent.machines.len(), sent.report), (1, Wanted::Row));
        assert!(matches!(sent.job(), Ok(Job::Bytes { name, bytes }) if name == "a" && bytes == b"foobar"));
        for wrong in ["Zm9vYmF", "Zm9v YmFy", "Zm9vYmFy\n", "_-=="] {
            let mut request = read(json!({ "name": "a", "bytes_base64": wrong, "machines": ["m"] }));
            assert!(request.job().is_err_and(|fault| fault.text.contains("no base64")), "{wrong:?}");
        }
    }
}
