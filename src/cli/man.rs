//! `gonogo man`.

use std::io::{self, Write};

use clap::builder::Resettable;
use clap::{Args, Command, CommandFactory};
use clap_mangen::Man;
use clap_mangen::roff::{Roff, line_break, roman};

use super::output::{Content, Output};
use super::{Cli, Exit};

const EXAMPLES: &str = "\
Examples:
  gonogo man | man -l -
  gonogo man > ~/.local/share/man/man1/gonogo.1";

/// Print the manual, all commands included.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct ManArgs {}

/// Runs the command.
pub fn run() -> anyhow::Result<Exit> {
    let mut root = Cli::command().disable_help_subcommand(true);
    root.build();
    let mut output = Output::stdout(Content::Data);
    pages(&root, &mut output)?;
    output.finish()?;
    Ok(Exit::Passed)
}

/// One page per command, one after the other.
fn pages(command: &Command, out: &mut dyn Write) -> io::Result<()> {
    // Examples would run together as filled text, so they get a section of their own.
    Man::new(command.clone().after_help(Resettable::Reset)).render(out)?;
    if let Some(examples) = command.get_after_help() {
        let mut section = Roff::new();
        section.control("SH", ["EXAMPLES"]).control("nf", []);
        section.text(examples.to_string().lines().flat_map(|line| [roman(line), line_break()]).collect::<Vec<_>>());
        section.control("fi", []).to_writer(out)?;
    }
    command.get_subcommands().filter(|sub| !sub.is_hide_set()).try_for_each(|sub| pages(sub, out))
}
