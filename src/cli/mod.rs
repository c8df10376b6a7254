//! The command line: one file per command. Arguments stay as given until a command resolves them.

mod accept;
mod ascii;
mod audit;
mod check;
mod compare;
mod completions;
mod explain;
mod faults;
mod format;
mod gate;
mod headroom;
mod import;
mod jobs;
mod kept;
mod learn;
mod ledger;
mod man;
mod new_sheet;
mod output;
mod parts;
mod pictures;
mod prints;
mod progress;
mod report_schema;
mod resonance;
mod shard;
mod sheet;
mod signals;
mod terminal;
mod trial;
mod usage;
mod worker;

use std::ffi::OsString;
use std::io::{self, Write};
use std::time::Duration;

use clap::{ArgMatches, Args, CommandFactory, FromArgMatches, Parser, Subcommand};

pub use faults::tell;
use terminal::{ColorWhen, Terminal};
use usage::Mistake;

const EXAMPLES: &str = "\
Examples:
  gonogo check hook.gcode                   judge one job, sheet found nearby
  gonogo check jobs/ --machine heron.toml   judge every job in a directory
  gonogo accept hook.gcode --check purge-line --because \"the clip is off\"
  gonogo compare jobs/ --after raised.toml  what a change of the sheet does to them
  gonogo headroom hook.gcode                how far limits may go before the verdict changes
  gonogo prints add hook.gcode --took 1:42:07
  gonogo learn --write                      set the clock from finished prints
  gonogo ledger list                        what was judged with `check --ledger`
  gonogo gate shop/                         judge whatever is dropped into a folder
  gonogo explain                            list the checks
  gonogo trial ringing -o ringing.gcode     a small job that measures the machine
  gonogo sheet new -o heron.toml            a first sheet from a few answers
  gonogo sheet show                         keys, values and where they are from
  gonogo sheet import says.txt              settings that a machine printed
  gonogo worker                             answers requests of other programs

Exit codes: 0 passed, 1 a verdict at or above --fail-on, 2 something could not be judged.";

/// Go, hold or no-go for a sliced filament-printer job on the machine as it is set up today.
#[derive(Debug, Parser)]
#[command(name = "gonogo", version, about, after_help = EXAMPLES, arg_required_else_help = true)]
pub struct Cli {
    #[command(flatten)]
    color: ColorArg,
    #[command(subcommand)]
    command: Command,
}

/// What goes with every command.
#[derive(Debug, Args)]
struct ColorArg {
    /// Colour always, never, or auto: as NO_COLOR, CLICOLOR_FORCE and the terminal say.
    #[arg(long, value_name = "WHEN", value_enum, default_value_t = ColorWhen::Auto, global = true)]
    #[arg(hide_possible_values = true)]
    color: ColorWhen,
}

#[derive(Debug, Subcommand)]
enum Command {
    Check(check::CheckArgs),
    Accept(accept::AcceptArgs),
    Compare(compare::CompareArgs),
    Headroom(headroom::HeadroomArgs),
    #[command(subcommand)]
    Prints(prints::PrintsCommand),
    Learn(learn::LearnArgs),
    #[command(subcommand)]
    Ledger(ledger::LedgerCommand),
    Gate(gate::GateArgs),
    Explain(explain::ExplainArgs),
    #[command(subcommand)]
    Trial(trial::TrialCommand),
    Resonance(resonance::ResonanceArgs),
    #[command(subcommand)]
    Sheet(sheet::SheetCommand),
    Worker(worker::WorkerArgs),
    ReportSchema(report_schema::ReportSchemaArgs),
    Completions(completions::CompletionsArgs),
    Man(man::ManArgs),
}

/// How the program ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Exit {
    /// Everything asked for was done, and no verdict was too bad.
    Passed,
    /// Some verdict was at or above the one to fail on.
    Failed,
    /// Something could not be judged or done.
    Unjudged,
}

impl Exit {
    /// The exit code.
    pub fn code(self) -> u8 {
        match self {
            Self::Passed => 0,
            Self::Failed => 1,
            Self::Unjudged => 2,
        }
    }
}

/// Runs the command line in `args`, the program's name first.
///
/// # Errors
/// What keeps a command from its work as a whole; a job that cannot be read is no error but part of the report.
pub fn run(args: impl IntoIterator<Item = OsString>) -> anyhow::Result<Exit> {
    let args: Vec<OsString> = args.into_iter().collect();
    let matches = match check_alone(&args) {
        Some(matches) => Ok(matches),
        None => Cli::command().try_get_matches_from(&args),
    };
    let read = matches.and_then(|matches| Cli::from_arg_matches(&matches));
    let cli = match read.map_err(|error| usage::complete(error, &args)) {
        Ok(cli) => cli,
        Err(message) => {
            // Help and version come this way too, with exit code 0.
            message.print()?;
            return Ok(if message.exit_code() == 0 { Exit::Passed } else { Exit::Unjudged });
        }
    };
    match cli.run().map_err(anyhow::Error::downcast::<Mistake>) {
        Ok(exit) => Ok(exit),
        Err(Ok(mistake)) => {
            mistake.told(&args).print()?;
            Ok(Exit::Unjudged)
        }
        Err(Err(error)) => Err(error),
    }
}

/// The arguments of a check without those of all other commands, which take as long to build as a small job to judge. None
/// of what is no check, and where something is wrong: that is told by the whole command line.
fn check_alone(args: &[OsString]) -> Option<ArgMatches> {
    const NAME: &str = "check";
    args.get(1).filter(|word| *word == NAME)?;
    let check = check::CheckArgs::augment_args(clap::Command::new(NAME));
    let root = ColorArg::augment_args(clap::Command::new("gonogo")).subcommand(check).disable_help_subcommand(true);
    root.try_get_matches_from(args).ok()
}

impl Cli {
    fn run(self) -> anyhow::Result<Exit> {
        let terminal = Terminal::new(self.color.color);
        match self.command {
            Command::Check(args) => check::run(args, &terminal),
            Command::Accept(args) => accept::run(&args, &terminal),
            Command::Compare(args) => compare::run(&args, &terminal),
            Command::Headroom(args) => headroom::run(&args, &terminal),
            Command::Prints(command) => prints::run(&command, &terminal),
            Command::Learn(args) => learn::run(&args, &terminal),
            Command::Ledger(command) => ledger::run(&command, &terminal),
            Command::Gate(args) => gate::run(&args),
            Command::Explain(args) => explain::run(&args, &terminal),
            Command::Trial(command) => trial::run(&command, &terminal),
            Command::Resonance(args) => resonance::run(&args, &terminal),
            Command::Sheet(command) => sheet::run(&command, &terminal),
            Command::Worker(args) => worker::run(&args),
            Command::ReportSchema(args) => report_schema::run(&args),
            Command::Completions(args) => completions::run(&args),
            Command::Man(args) => man::run(&args),
        }
    }
}

/// A number of seconds of which something is true.
fn duration(text: &str, fits: impl Fn(f64) -> bool) -> Option<Duration> {
    let seconds = text.parse::<f64>().ok().filter(|seconds| fits(*seconds))?;
    Duration::try_from_secs_f64(seconds).ok()
}

/// One line on standard error; what is in it cannot act on the terminal.
fn complain(message: &str) {
    // Without standard error there is nobody to tell.
    let _ = writeln!(io::stderr(), "{}", terminal::shown(&format!("gonogo: {}", crate::wording::safe(message))));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_line_is_consistent() {
        Cli::command().debug_assert();
    }

    #[test]
    fn help_lines_fit_a_wide_page_and_every_command_has_examples() {
        let mut root = Cli::command();
        root.build();
        for command in root.get_subcommands().filter(|command| command.get_name() != "help") {
            assert!(command.get_about().is_some(), "{}", command.get_name());
            let mut leaves: Vec<_> = command.get_subcommands().filter(|sub| sub.get_name() != "help").collect();
            if leaves.is_empty() {
                leaves.push(command);
            }
            for leaf in leaves {
                let help = leaf.get_after_help().map(ToString::to_string).unwrap_or_default();
                assert!(help.contains("Example"), "{}", leaf.get_name());
                // Prose that is broken by hand would be wrapped once more on a narrower page.
                let wide = help.lines().find(|line| line.len() > 80);
                assert!(leaf.get_name() != "resonance" || wide.is_none(), "{wide:?}");
            }
        }
    }

    #[test]
    fn a_check_is_read_alone_as_with_all_commands() {
        let read = |line: &str| {
            let args: Vec<OsString> = line.split(' ').map(OsString::from).collect();
            let of = |matches: ArgMatches| format!("{:?}", Cli::from_arg_matches(&matches).expect("is complete"));
            (check_alone(&args).map(of), Cli::command().try_get_matches_from(&args).map(of).ok())
        };
        for line in [
            "gonogo check a.gcode",
            "gonogo check a b --machine m.toml --machine n.toml --format csv -o x --header never --fail-on hold",
            "gonogo check --color never --threads 2 --details -- -x",
            "gonogo check a --shard 1/3 --shard-by content --only hold",
        ] {
            let (alone, whole) = read(line);
            assert!(alone.is_some() && alone == whole, "{line}: {alone:?} {whole:?}");
        }
        for line in
            ["gonogo check", "gonogo check --help", "gonogo check a --brief --details", "gonogo --color never check a"]
        {
            assert_eq!(read(line).0, None, "{line}");
        }
    }

    #[test]
    fn exit_codes() {
        assert_eq!([Exit::Passed, Exit::Failed, Exit::Unjudged].map(Exit::code), [0, 1, 2]);
    }
}
