//! `gonogo headroom`.

use anyhow::Context;
use clap::Args;

use super::format::among;
use super::jobs::{self, Job};
use super::output::Delivery;
use super::progress::Progress;
use super::terminal::Terminal;
use super::usage::mistake;
use super::{Exit, sheet};
use crate::machine::Machine;
use crate::preflight::{RunContext, kept_at_once};
use crate::show::report::{
    Report,
    format::{self, Offer, offer},
    headroom::{self, HeadroomReport, Shape, WriteAll},
    headroom_json,
};
use crate::study::headroom::{Direction, Judged, RangeRequest, explore, limits_of, scan};
use crate::threads::Hands;

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
    /// Start from the sheet with this value changed: a dotted path and a TOML value. May be given several times.
    #[arg(long, value_name = "KEY=VALUE")]
    set: Vec<String>,
    /// Raise this key of the sheet, a dotted path; may be given several times.
    #[arg(long, value_name = "KEY")]
    raise: Vec<String>,
    /// Lower this key of the sheet; may be given several times.
    #[arg(long, value_name = "KEY")]
    lower: Vec<String>,
    /// Raise every limit of motion, one after another: the default where no key is named.
    #[arg(long, conflicts_with_all = ["raise", "lower"])]
    all: bool,
    /// Say what the jobs need of a machine.
    #[arg(long)]
    needs: bool,
    /// Try values up to so many times today's (or down to that part); an offset of a nozzle goes in equal steps instead.
    #[arg(long, value_name = "FACTOR", default_value_t = 10.0, value_parser = factor)]
    up_to: f64,
    /// How to report.
    #[arg(long, value_parser = among(FORMATS), default_value = format::TEXT.word)]
    format: &'static Offer<WriteAll>,
    #[command(flatten)]
    delivery: Delivery,
}

const FORMATS: &[Offer<WriteAll>] =
    &[offer(&format::TEXT, headroom::write), offer(&format::JSON, headroom_json::write)];

fn factor(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(factor) if factor > 1.0 && factor <= 10_000.0 => Ok(factor),
        _ => Err("a number above 1, at most 10000".to_owned()),
    }
}

/// Runs the command.
pub fn run(args: &HeadroomArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    let jobs = args.jobs.resolve()?;
    let machine = sheet::load(&args.machine, terminal)?;
    let machine = sheet::changed(machine, &args.set, terminal)?;
    args.delivery.spare(jobs.iter().filter_map(Job::path).chain(sheet::file(&machine)).chain(args.jobs.list()))?;
    let wishes = args.wishes(&machine)?;
    let progress =
        Progress::new(&jobs, args.delivery.quiet).errors_in_report(args.delivery.is_seen(args.format.format.is_page));
    let on_bytes = |bytes| progress.advance(bytes);
    let look = args.delivery.look(terminal);
    let mut output = args.delivery.open(args.format.format.is_page, look)?;
    let chosen = !(args.raise.is_empty() && args.lower.is_empty());
    let shape = Shape { machine: machine.clone(), wishes: wishes.clone(), factor: args.up_to, chosen, look };
    let mut report = HeadroomReport::new(shape, args.format.make);
    let mut unjudged = 0;
    let jobs_at_once = kept_at_once(jobs.iter().map(Job::plain_size));
    let hands = Hands { jobs_at_once, ..jobs::hands(args.jobs.threads) };
    jobs::each(
        &jobs,
        hands,
        &progress,
        |job, helpers| {
            let context = RunContext::new(&on_bytes, helpers);
            let found = job.judged(|path| explore(path, &machine, &wishes, args.up_to, context))?;
            let path = found.today.job.path.clone();
            Ok(Judged::of(&path, found, &machine, args.needs))
        },
        |outcome| {
            unjudged += usize::from(outcome.is_err());
            report.add(&outcome, &mut output)
        },
    )?;
    progress.finish();
    report.finish(&(), &mut output).and_then(|()| output.finish()).context("cannot write the report")?;
    Ok(if unjudged == 0 { Exit::Passed } else { Exit::Unjudged })
}

impl HeadroomArgs {
    /// What is to be tried; none that the sheet has no number for.
    fn wishes(&self, machine: &Machine) -> anyhow::Result<Vec<RangeRequest>> {
        let chosen = |keys: &[String], direction: Direction| -> Vec<RangeRequest> {
            keys.iter().map(|key| RangeRequest { key: key.clone(), direction }).collect()
        };
        let mut wishes = chosen(&self.raise, Direction::Raise);
        wishes.extend(chosen(&self.lower, Direction::Lower));
        for (at, wish) in wishes.iter().enumerate() {
            scan(machine, wish, self.up_to).map_err(mistake)?;
            if wishes[..at].contains(wish) {
                return Err(mistake(format!("`{}` is given twice", wish.key)));
            }
        }
        if self.all || (wishes.is_empty() && !self.needs) {
            wishes = limits_of(machine);
        }
        Ok(wishes)
    }
}
