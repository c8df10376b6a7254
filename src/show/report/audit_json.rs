//! The audit of a sheet, for programs: its own types, so that the published shape never changes by accident.
//!
//! Numbers are not rounded. A number that is not finite, which would be a fault of this program, is written as null.

use std::io::{self, Write};

use schemars::JsonSchema;
use serde::Serialize;

use super::json::{Machine, Verdict, write_value};
use crate::machine;
use crate::workshop::audit as of;

/// Name and version of the shape.
pub const SCHEMA: &str = "gonogo.audit/1";

/// What the audit of a sheet found.
#[derive(Serialize, JsonSchema)]
#[schemars(title = "gonogo audit")]
pub struct Audit<'a> {
    /// Name and version of the shape.
    #[schemars(extend("const" = SCHEMA))]
    schema: &'static str,
    /// The worst line decides.
    verdict: Verdict,
    /// Whose sheet.
    machine: Machine<'a>,
    /// Every comparison on every part of the machine, in the order of the catalogue.
    lines: Vec<Line<'a>>,
}

/// One comparison on one part of the machine.
#[derive(Serialize, JsonSchema)]
pub struct Line<'a> {
    /// What is compared with what.
    id: &'a str,
    /// What it is about.
    subject: &'a str,
    /// Which part: an axis, a belt, a tool, the bed.
    what: &'a str,
    /// How it is judged.
    outcome: Outcome,
    /// The value set, or computed from what is set; null where there is none.
    set: Option<f64>,
    /// What it is held against; null where there is nothing.
    expected: Option<Expected>,
    /// Unit of both; empty without values.
    unit: &'a str,
    /// The formula with its numbers; empty where there is none.
    formula: &'a str,
    /// What that means, or why it was skipped.
    message: &'a str,
}

/// How a line is judged.
#[derive(Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Could not be compared.
    Skipped,
    /// Plausible.
    Go,
    /// Worth knowing; never changes the verdict.
    Note,
    /// Somebody should look.
    Hold,
    /// Cannot be right.
    NoGo,
}

/// What a value is held against.
#[derive(Serialize, JsonSchema)]
#[serde(tag = "relation", rename_all = "kebab-case")]
pub enum Expected {
    /// About this value.
    Near {
        /// The value.
        value: Option<f64>,
    },
    /// This value or less.
    AtMost {
        /// The value.
        value: Option<f64>,
    },
    /// This value or more.
    AtLeast {
        /// The value.
        value: Option<f64>,
    },
    /// From one to the other.
    Between {
        /// Lower end.
        low: Option<f64>,
        /// Upper end.
        high: Option<f64>,
    },
}

/// The published JSON Schema.
pub fn schema() -> schemars::Schema {
    schemars::schema_for!(Audit<'_>)
}

/// Writes the audit of a machine as one object.
///
/// # Errors
/// Those of the writer.
pub fn write(machine: &machine::Machine, audit: &of::Audit, out: &mut dyn Write) -> io::Result<()> {
    let machine = machine.into();
    let lines = audit.lines.iter().map(Line::from).collect();
    write_value(&Audit { schema: SCHEMA, verdict: audit.verdict.into(), machine, lines }, true, out)?;
    writeln!(out)
}

impl<'a> From<&'a of::Line> for Line<'a> {
    fn from(from: &'a of::Line) -> Self {
        let of::Line { id, subject, row } = from;
        let of::Row { what, outcome, set, expected, unit, formula, message } = row;
        Self {
            id,
            subject: subject.word(),
            what,
            outcome: (*outcome).into(),
            set: *set,
            expected: expected.map(Into::into),
            unit,
            formula,
            message,
        }
    }
}

impl From<of::Outcome> for Outcome {
    fn from(from: of::Outcome) -> Self {
        match from {
            of::Outcome::Skipped => Self::Skipped,
            of::Outcome::Go => Self::Go,
            of::Outcome::Note => Self::Note,
            of::Outcome::Hold => Self::Hold,
            of::Outcome::NoGo => Self::NoGo,
        }
    }
}

impl From<of::Expected> for Expected {
    fn from(from: of::Expected) -> Self {
        let finite = |value: f64| value.is_finite().then_some(value);
        match from {
            of::Expected::Near(value) => Self::Near { value: finite(value) },
            of::Expected::AtMost(value) => Self::AtMost { value: finite(value) },
            of::Expected::AtLeast(value) => Self::AtLeast { value: finite(value) },
            of::Expected::Between(low, high) => Self::Between { low: finite(low), high: finite(high) },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::workshop::audit::audit;
    use serde_json::Value;

    #[test]
    fn what_is_written_fits_the_published_schema() {
        let mut machine = machine::Machine::built_in();
        machine.name = "W\u{9b}ren".to_owned();
        machine.controller.steps_per_mm = [Some(80.0), Some(80.0), Some(400.0), Some(96.0)];
        let mut out = Vec::new();
        write(&machine, &audit(&machine), &mut out).expect("writes");
        let text = String::from_utf8(out).expect("UTF-8");
        assert!(!text.contains('\u{9b}'));
        let value: Value = serde_json::from_str(&text).expect("JSON");
        let validator = jsonschema::validator_for(schema().as_value()).expect("the schema is one");
        let faults: Vec<String> = validator.iter_errors(&value).map(|fault| fault.to_string()).collect();
        assert_eq!(faults, Vec::<String>::new());
        assert_eq!(value["schema"], SCHEMA);
        let lines = value["lines"].as_array().expect("lines");
        let smallest = lines.iter().find(|line| line["id"] == "smallest-step-against-fine-motion").expect("is there");
        assert_eq!(smallest["set"], 12.5);
        assert_eq!(smallest["expected"], serde_json::json!({ "relation": "at-most", "value": 50.0 }));
        let mut other = value.clone();
        other["lines"][0]["outcome"] = "maybe".into();
        assert!(!validator.is_valid(&other));
    }
}
