//! `gonogo sheet audit`.

use anyhow::Context;
use clap::Args;

use super::Exit;
use super::output::{Content, Format, Output};
use super::sheet::{self, MachineArg};
use super::terminal::Terminal;
use crate::findings::Verdict;
use crate::show::report::{audit as page, audit_json};
use crate::workshop::audit::audit;

/// Shown under the help.
pub const EXAMPLES: &str = "\
Examples:
  gonogo sheet audit --machine heron.toml
  gonogo sheet audit --format json > heron.audit.json

Write the drives, motors and heaters into the sheet first: what is not described is skipped.
Exit codes: 0 go or hold, 1 no-go, 2 there is no sheet to judge.";

/// Which sheet, and how to report.
#[derive(Debug, Args)]
pub struct AuditArgs {
    #[command(flatten)]
    machine: MachineArg,
    /// How to report.
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

/// Runs the command.
pub fn run(args: &AuditArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    let machine = sheet::load(&args.machine, terminal)?;
    let found = audit(&machine);
    let look = terminal.stdout_look();
    let written = match args.format {
        Format::Text => {
            let mut output = Output::stdout(Content::Page { color: look.color });
            page::write(&machine, &found, look, &mut output).and_then(|()| output.finish())
        }
        Format::Json => {
            let mut output = Output::stdout(Content::Data);
            audit_json::write(&machine, &found, &mut output).and_then(|()| output.finish())
        }
    };
    written.context("cannot write the audit")?;
    Ok(if found.verdict == Verdict::NoGo { Exit::Failed } else { Exit::Passed })
}
