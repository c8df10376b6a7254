//! `gonogo completions`.

use std::io::Write;

use clap::{Args, CommandFactory};
use clap_complete::Shell;

use super::output::{Content, Output};
use super::{Cli, Exit};

const EXAMPLES: &str = "\
Example:
  gonogo completions bash > ~/.local/share/bash-completion/completions/gonogo";

/// Print a completion script for a shell.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct CompletionsArgs {
    /// Which shell.
    #[arg(value_enum)]
    shell: Shell,
}

/// Runs the command.
pub fn run(args: &CompletionsArgs) -> anyhow::Result<Exit> {
    // The generator panics when it cannot write, so it writes where it always can.
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "gonogo", &mut script);
    let mut output = Output::stdout(Content::Data);
    output.write_all(&script)?;
    output.finish()?;
    Ok(Exit::Passed)
}
