//! `gonogo report-schema`.

use std::io::Write;

use clap::Args;

use super::Exit;
use super::output::{Content, Output};
use crate::report::json;

const EXAMPLES: &str = "\
Example:
  gonogo report-schema > report.schema.json";

/// Print the JSON Schema of the json and ndjson reports.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct ReportSchemaArgs {}

/// Runs the command.
pub fn run() -> anyhow::Result<Exit> {
    let mut output = Output::stdout(Content::Data);
    json::write_value(&json::schema(), true, &mut output)?;
    writeln!(output)?;
    output.finish()?;
    Ok(Exit::Passed)
}
