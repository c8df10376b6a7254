//! `gonogo report-schema`.

use std::io::Write;

use clap::{Args, ValueEnum};

use super::output::{Content, Output};
use super::{Exit, ledger};
use crate::service;
use crate::show::report::{audit_json, compare, headroom_json, json, learn_json, matrix, resonance};

const EXAMPLES: &str = "\
Examples:
  gonogo report-schema > report.schema.json
  gonogo report-schema --of compare > compare.schema.json";

/// Print the JSON Schema of the json and ndjson reports.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct ReportSchemaArgs {
    /// Of which command.
    #[arg(long, value_enum, default_value_t = Of::Check)]
    of: Of,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Of {
    /// gonogo check.
    Check,
    /// gonogo check on several machines.
    Matrix,
    /// gonogo compare.
    Compare,
    /// gonogo headroom.
    Headroom,
    /// gonogo learn.
    Learn,
    /// gonogo sheet audit.
    Audit,
    /// gonogo resonance JOB.
    Resonance,
    /// gonogo resonance --from-marks.
    Marks,
    /// gonogo worker: its requests and its answers.
    Worker,
    /// gonogo ledger list.
    Ledger,
}

/// Runs the command.
pub fn run(args: &ReportSchemaArgs) -> anyhow::Result<Exit> {
    let mut output = Output::stdout(Content::Data);
    let schema = match args.of {
        Of::Check => json::schema(),
        Of::Matrix => matrix::json::schema(),
        Of::Compare => compare::json::schema(),
        Of::Headroom => headroom_json::schema(),
        Of::Learn => learn_json::schema(),
        Of::Audit => audit_json::schema(),
        Of::Resonance => resonance::json::schema(),
        Of::Marks => resonance::marks::schema(),
        Of::Worker => service::schema(),
        Of::Ledger => ledger::schema(),
    };
    json::write_value(&schema, true, &mut output)?;
    writeln!(output)?;
    output.finish()?;
    Ok(Exit::Passed)
}
