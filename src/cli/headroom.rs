//! `gonogo headroom`.

use std::io::{self, Write};
use std::ops::ControlFlow;
use std::path::PathBuf;

use anyhow::{Context, bail};
use clap::{Args, ValueEnum};

use super::jobs::{self, Job};
use super::output::{Content, Output};
use super::progress::Progress;
use super::terminal::Terminal;
use super::{Exit, complain, sheet};
use crate::crew::Crew;
use crate::headroom::{self, Direction, Judged, Outcome, Wish, explore, limits_of, scan};
use crate::machine::Machine;
use crate::queue::{self, Unjudged};
use crate::report::{headroom as page, headroom_json};

const EXAMPLES: &str = "\
Examples:
  gonogo headroom hook.gcode                                      raise every limit of motion in turn
  gonogo headroom jobs/ --raise motion.acceleration_mm_s2.printing
  gonogo headroom hook.gcode --lower tool[0].melt_rate_mm3_s.peak
  gonogo headroom hook.gcode --needs                              what machine does it need

A value stands when no check finds anything at hold or no-go that it does not find today.
Exit codes: 0 done, 2 something could not be judged.";

/// Find how far limits may go before the verdict on jobs changes.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct HeadroomArgs {
    #[command(flatten)]
    jobs: jobs::JobArgs,
    #[command(flatten)]
    machine: sheet::MachineArg,
    /// Raise this key of the sheet, a dotted path; may be given several times.
    #[arg(long, value_name = "KEY")]
    raise: Vec<String>,
    /// Lower this key of the sheet; may be given several times.
    #[arg(long, value_name = "KEY")]
    lower: Vec<String>,
    /// Raise every limit of motion, one after another; so does no other choice.
    #[arg(long, conflicts_with_all = ["raise", "lower"])]
    all: bool,
    /// Say what the jobs need of a machine.
    #[arg(long)]
    needs: bool,
    /// Try values up to so many times today's (or down to that part).
    #[arg(long, value_name = "FACTOR", default_value_t = 10.0, value_parser = factor)]
    up_to: f64,
    /// How to report.
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Write the report to FILE, which is replaced only when the report is complete.
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Print nothing but errors; a report asked for with -o is still written.
    #[arg(short, long)]
    quiet: bool,
    /// Use so many threads [default: one per processor].
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    threads: Option<u16>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// For people.
    Text,
    /// For programs.
    Json,
}

fn factor(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(factor) if factor > 1.0 && factor <= 10_000.0 => Ok(factor),
        _ => Err("a number above 1, at most 10000".to_owned()),
    }
}

/// Runs the command.
pub fn run(args: &HeadroomArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    let jobs = args.jobs.resolve()?;
    let Some(machine) = sheet::load(&args.machine, terminal)? else { return Ok(Exit::Unjudged) };
    let wishes = args.wishes(&machine)?;
    let progress = Progress::new(&jobs, args.quiet);
    let on_bytes = |bytes| progress.advance(bytes);
    let outcomes = explore_all(&jobs, args, &progress, |job, crew| match job {
        Job::File(path) => explore(path, &machine, &wishes, args.up_to, &on_bytes, crew)
            .map(|found| Judged::of(&path.display().to_string(), found, &machine, args.needs))
            .map_err(|error| Unjudged { path: path.display().to_string(), error: error.to_string() }),
        Job::Lost(unjudged) => Err(unjudged.clone()),
    })?;
    progress.finish();
    args.report(&machine, &wishes, &outcomes, terminal).context("cannot write the report")?;
    Ok(if outcomes.iter().all(Result::is_ok) { Exit::Passed } else { Exit::Unjudged })
}

/// Explores all jobs; errors go to standard error as they come.
fn explore_all<'e>(
    jobs: &[Job],
    args: &HeadroomArgs,
    progress: &Progress,
    judge: impl Fn(&Job, &Crew<'e>) -> Outcome + Sync,
) -> anyhow::Result<Vec<Outcome>> {
    let mut outcomes = Vec::with_capacity(jobs.len());
    queue::run(jobs, args.threads.map_or(0, usize::from), judge, |index, answer| {
        let outcome = answer.unwrap_or_else(|breakdown| Err(jobs[index].broken(&breakdown)));
        if let Err(unjudged) = &outcome {
            progress.aside(|| complain(&unjudged.error));
        }
        outcomes.push(outcome);
        ControlFlow::Continue(())
    })
    .context("cannot start the threads")?;
    Ok(outcomes)
}

impl HeadroomArgs {
    /// What is to be tried; none that the sheet has no number for.
    fn wishes(&self, machine: &Machine) -> anyhow::Result<Vec<Wish>> {
        let chosen = |keys: &[String], direction: Direction| -> Vec<Wish> {
            keys.iter().map(|key| Wish { key: key.clone(), direction }).collect()
        };
        let mut wishes = chosen(&self.raise, Direction::Raise);
        wishes.extend(chosen(&self.lower, Direction::Lower));
        for (at, wish) in wishes.iter().enumerate() {
            scan(machine, wish, self.up_to)?;
            if wishes[..at].contains(wish) {
                bail!("`{}` is given twice", wish.key);
            }
        }
        if self.all || (wishes.is_empty() && !self.needs) {
            wishes = limits_of(machine);
        }
        Ok(wishes)
    }

    fn report(
        &self,
        machine: &Machine,
        wishes: &[Wish],
        outcomes: &[headroom::Outcome],
        terminal: &Terminal,
    ) -> io::Result<()> {
        let look = if self.output.is_some() { terminal.file_look() } else { terminal.stdout_look() };
        let mut output = match &self.output {
            Some(path) => Output::file(path).map_err(io::Error::other)?,
            None if self.quiet => Output::Nowhere,
            None if self.format == Format::Text => Output::stdout(Content::Page { color: look.color }),
            None => Output::stdout(Content::Data),
        };
        let chosen = !(self.raise.is_empty() && self.lower.is_empty());
        match self.format {
            Format::Text => page::write(machine, wishes, outcomes, chosen, look, &mut output)?,
            Format::Json => headroom_json::write(machine, wishes, self.up_to, outcomes, &mut output)?,
        }
        output.flush()?;
        output.finish()
    }
}
