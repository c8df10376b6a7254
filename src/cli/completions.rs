//! `gonogo completions`.

use std::io::Write;

use clap::builder::PossibleValuesParser;
use clap::{Args, Command, CommandFactory};
use clap_complete::Shell;

use super::output::{Content, Output};
use super::{Cli, Exit};
use crate::checks::CATALOGUE;
use crate::machine::keys::KEYS;

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
    let mut output = Output::stdout(Content::Data);
    output.write_all(&script(args.shell))?;
    output.finish()?;
    Ok(Exit::Passed)
}

fn script(shell: Shell) -> Vec<u8> {
    // The generator panics when it cannot write, so it writes where it always can.
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut knowing_words(Cli::command()), "gonogo", &mut script);
    if shell == Shell::Fish {
        // For this shell the generator passes over words that need no option.
        let ids: Vec<&str> = CATALOGUE.iter().map(|check| check.id).collect();
        let line =
            format!("complete -c gonogo -n \"__fish_gonogo_using_subcommand explain\" -f -a \"{}\"\n", ids.join(" "));
        script.extend(line.into_bytes());
    }
    script
}

/// The commands as a script should know them: ids of checks and keys of the sheet are words to choose from. When arguments
/// are read they are free text, so that a wrong one gets the nearest ones as advice and not a list of all.
fn knowing_words(command: Command) -> Command {
    let checks: Vec<String> = CATALOGUE.iter().map(|check| check.id.to_owned()).collect();
    let keys = || KEYS.iter().filter(|key| !key.is_table()).map(|key| key.path.replace("[]", "[0]"));
    let set: Vec<String> =
        keys().chain(checks.iter().map(|id| format!("checks.{id}"))).map(|path| path + "=").collect();
    let keys: Vec<String> = keys().collect();
    [
        ("explain", "check", &checks),
        ("accept", "check", &checks),
        ("headroom", "raise", &keys),
        ("headroom", "lower", &keys),
        ("headroom", "set", &set),
        ("compare", "set", &set),
        ("resonance", "set", &set),
    ]
    .into_iter()
    .fold(command, |command, (name, arg, words)| {
        let words = PossibleValuesParser::new(words.clone());
        command.mut_subcommand(name, |inner| inner.mut_arg(arg, |arg| arg.value_parser(words)))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scripts_know_checks_and_keys() {
        for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
            let script = String::from_utf8(script(shell)).expect("UTF-8");
            let count = |word: &str| script.matches(word).count();
            // Explained, accepted, and set by three commands.
            assert!(count("outside-travel") >= 5, "{shell}: {}", count("outside-travel"));
            assert!(count("motion.acceleration_mm_s2.printing") >= 5, "{shell}");
            assert!(count("motion.acceleration_mm_s2.printing=") >= 3, "{shell}");
        }
    }
}
