//! `gonogo man`.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::builder::Resettable;
use clap::{Args, Command, CommandFactory};
use clap_mangen::Man;
use clap_mangen::roff::{Roff, line_break, roman};

use super::output::{Content, Output};
use super::usage::mistake;
use super::{Cli, Exit};

const EXAMPLES: &str = "\
Examples:
  gonogo man | man -l -
  gonogo man sheet import | man -l -
  gonogo man --into ~/.local/share/man/man1";

/// Print the manual page of the program or of one command.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct ManArgs {
    /// The command, such as check, or sheet import; without it, the page of the program.
    #[arg(value_name = "COMMAND")]
    command: Vec<String>,
    /// Write the pages of all commands to FOLDER, which is made where it is not there; pages in it are replaced.
    #[arg(long, value_name = "FOLDER", conflicts_with = "command")]
    into: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// When there is no such command, or the pages cannot be written.
pub fn run(args: &ManArgs) -> anyhow::Result<Exit> {
    let mut root = Cli::command().disable_help_subcommand(true);
    root.build();
    if let Some(folder) = &args.into {
        fs::create_dir_all(folder).with_context(|| format!("cannot make the folder {}", folder.display()))?;
        write_all(&root, folder)?;
        return Ok(Exit::Passed);
    }
    let mut command = &root;
    for word in &args.command {
        let inner = command.find_subcommand(word);
        command = inner.ok_or_else(|| mistake(format!("there is no command `{}`", args.command.join(" "))))?;
    }
    let mut output = Output::stdout(Content::Data);
    page(command, &mut output)?;
    output.finish()?;
    Ok(Exit::Passed)
}

/// A file for each command: `gonogo-sheet-import.1`.
fn write_all(command: &Command, folder: &Path) -> anyhow::Result<()> {
    let path = folder.join(format!("{}.1", name(command)));
    let mut output = Output::file(&path)?;
    page(command, &mut output)
        .and_then(|()| output.finish())
        .with_context(|| format!("cannot write {}", path.display()))?;
    command.get_subcommands().filter(|inner| !inner.is_hide_set()).try_for_each(|inner| write_all(inner, folder))
}

/// Name of a page: the words of the command with hyphens between them.
fn name(command: &Command) -> &str {
    command.get_display_name().unwrap_or(command.get_name())
}

fn page(command: &Command, out: &mut dyn Write) -> io::Result<()> {
    // Examples would run together as filled text, so they get a section of their own.
    Man::new(command.clone().after_help(Resettable::Reset)).render(out)?;
    let Some(examples) = command.get_after_help() else { return Ok(()) };
    let mut section = Roff::new();
    section.control("SH", ["EXAMPLES"]).control("nf", []);
    section.text(examples.to_string().lines().flat_map(|line| [roman(line), line_break()]).collect::<Vec<_>>());
    section.control("fi", []).to_writer(out)
}
