//! `gonogo sheet audit`.

use std::io::{self, Write};

use anyhow::Context;
use clap::Args;

use super::Exit;
use super::format::among;
use super::output::{Content, Output};
use super::sheet::SheetArg;
use super::terminal::Terminal;
use crate::findings::Verdict;
use crate::machine::Machine;
use crate::show::report::{
    Look, audit as page, audit_json,
    format::{self, Offer, offer},
};
use crate::workshop::audit::{Audit, audit};

/// Shown under the help.
pub const EXAMPLES: &str = "\
Examples:
  gonogo sheet audit heron.toml
  gonogo sheet audit --format json > heron.audit.json

Write the drives, motors and heaters into the sheet first: what is not described is skipped.
Exit codes: 0 go or hold, 1 no-go, 2 there is no sheet to judge.";

/// Which sheet, and how to report.
#[derive(Debug, Args)]
pub struct AuditArgs {
    #[command(flatten)]
    sheet: SheetArg,
    /// How to report.
    #[arg(long, value_parser = among(FORMATS), default_value = format::TEXT.word)]
    format: &'static Offer<Make>,
    /// Show every comparison with its formula, the fine ones too.
    #[arg(long)]
    details: bool,
}

type Make = fn(&Machine, &Audit, bool, Look, &mut dyn Write) -> io::Result<()>;

const FORMATS: &[Offer<Make>] = &[
    offer(&format::TEXT, page::write),
    offer(&format::JSON, |machine, found, _, _, out| audit_json::write(machine, found, out)),
];

/// Runs the command.
pub fn run(args: &AuditArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    let machine = args.sheet.load(terminal)?;
    let found = audit(&machine);
    let look = terminal.stdout_look();
    let is_page = args.format.format.is_page;
    let mut output = Output::stdout(if is_page { Content::Page { color: look.color } } else { Content::Data });
    let written = (args.format.make)(&machine, &found, args.details, look, &mut output).and_then(|()| output.finish());
    written.context("cannot write the audit")?;
    Ok(if found.verdict == Verdict::NoGo { Exit::Failed } else { Exit::Passed })
}
