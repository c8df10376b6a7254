//! Mistakes in how a command is called: told with the usage line of that command.

use std::ffi::OsString;
use std::fmt::Display;

use clap::error::{ContextKind, ContextValue, ErrorKind};
use clap::{Command, CommandFactory};

use super::Cli;
use crate::wording::safe_lines;

/// A mistake that is found only after the arguments were read.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct Mistake(String);

/// A mistake as an error; what is in the message cannot act on the terminal.
pub fn mistake(message: impl Display) -> anyhow::Error {
    Mistake(safe_lines(&message.to_string())).into()
}

impl Mistake {
    /// The mistake with the usage line of the command that the arguments name.
    pub fn told(&self, args: &[OsString]) -> clap::Error {
        command_of(args).error(ErrorKind::ValueValidation, &self.0)
    }
}

/// An error of the arguments, always with the usage line of their command.
pub fn complete(mut error: clap::Error, args: &[OsString]) -> clap::Error {
    if !error.use_stderr() || error.get(ContextKind::Usage).is_some() {
        return error;
    }
    let mut command = command_of(args);
    error.insert(ContextKind::Usage, ContextValue::StyledStr(command.render_usage()));
    error.format(&mut command)
}

/// The innermost command that the arguments name.
fn command_of(args: &[OsString]) -> Command {
    let mut command = Cli::command();
    command.build();
    for word in args.iter().skip(1).filter_map(|word| word.to_str()) {
        if let Some(inner) = command.find_subcommand(word) {
            command = inner.clone();
        }
    }
    command
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_usage_is_that_of_the_innermost_command() {
        let usage = |line: &str| {
            let args: Vec<OsString> = line.split(' ').map(OsString::from).collect();
            mistake("what").downcast::<Mistake>().expect("is one").told(&args).to_string()
        };
        assert!(usage("gonogo sheet --color never lines check").contains("Usage: gonogo sheet lines"));
        assert!(usage("gonogo accept sheet").contains("Usage: gonogo accept"));
        assert!(usage("gonogo").starts_with("error: what\n\nUsage: gonogo [OPTIONS]"));
    }

    #[test]
    fn a_message_cannot_act_on_the_terminal() {
        assert_eq!(mistake("a\u{1b}[2J").to_string(), "a·[2J");
    }
}
