//! An import as JSON.

use std::io::{self, Write};
use std::path::Path;

use serde::Serialize;

use super::{ImportOutcome, SheetFate};
use crate::show::report::json::write_value;
use crate::workshop::settings::{Fate, Row, Settings};

/// Schema of the JSON.
const SCHEMA: &str = "gonogo.import/1";

/// Writes the document.
pub(super) fn write(
    source: &Path,
    settings: &Settings,
    outcome: &ImportOutcome,
    out: &mut dyn Write,
) -> io::Result<()> {
    write_value(&Document::new(source, settings, outcome), true, out)?;
    writeln!(out)
}

#[derive(Serialize)]
struct Document<'a> {
    schema: &'static str,
    /// Path of the text as given.
    path: String,
    lines: u64,
    /// Path of the sheet that was written.
    written: Option<String>,
    rows: Vec<JsonRow<'a>>,
    /// Rows without a value that are not listed.
    left_out: u64,
    /// Keys of a new sheet that are to be filled in.
    missing: &'a [String],
}

#[derive(Serialize)]
struct JsonRow<'a> {
    line: u64,
    text: &'a str,
    outcome: &'static str,
    key: Option<&'a str>,
    value: Option<f64>,
    unit: &'a str,
    /// The sheet's value before.
    old: Option<f64>,
    /// Line of the value that replaced it.
    by_line: Option<u64>,
    if_per_minute: Option<f64>,
    note: &'a str,
}

impl<'a> Document<'a> {
    fn new(source: &Path, settings: &Settings, outcome: &'a ImportOutcome) -> Self {
        let written = match &outcome.fate {
            SheetFate::Written(path) => Some(path.display().to_string()),
            _ => None,
        };
        Self {
            schema: SCHEMA,
            path: source.display().to_string(),
            lines: settings.lines,
            written,
            rows: outcome.rows.iter().map(JsonRow::new).collect(),
            left_out: settings.left_out,
            missing: &outcome.missing,
        }
    }
}

impl<'a> JsonRow<'a> {
    fn new(row: &'a Row) -> Self {
        let (old, by_line) = match row.fate {
            Fate::Changed { old } => (Some(old), None),
            Fate::Replaced { by_line } => (None, Some(by_line)),
            _ => (None, None),
        };
        Self {
            line: row.line,
            text: &row.text,
            outcome: row.fate.word(),
            key: row.key.as_deref(),
            value: row.value,
            unit: row.unit,
            old,
            by_line,
            if_per_minute: row.if_per_minute,
            note: &row.note,
        }
    }
}
