//! `gonogo compare`.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::Args;

use super::faults::Faults;
use super::format::among;
use super::jobs::{self, Job};
use super::output::Delivery;
use super::progress::Progress;
use super::terminal::Terminal;
use super::usage::mistake;
use super::{Exit, sheet};
use crate::machine::Machine;
use crate::preflight::{JobSource, Preflight, RunContext};
use crate::show::{
    page,
    report::{
        Look, Report,
        compare::{CsvComparison, JsonComparison, PageComparison, TableComparison},
        format::{self, Offer, offer},
    },
};
use crate::study::compare::{Compared, Comparison, Sheets, Totals};
use crate::threads::HelperPool;

const EXAMPLES: &str = "\
Examples:
  gonogo compare jobs/ --machine heron.toml --set motion.acceleration_mm_s2.printing=3000
  gonogo compare hook.gcode --before heron.toml --after heron-raised.toml
  gonogo compare jobs/ --after heron-raised.toml --set tool[0].melt_rate_mm3_s.sustained=14
  gonogo compare jobs/ --after heron-raised.toml --format csv -o raised.csv
  gonogo compare hook.gcode --after heron-raised.toml --format html -o raised.html

Before is the sheet of --before or --machine, or the one found nearby; after is the sheet of --after, or before, with
every --set made in it. `gonogo sheet show` lists the keys.
Exit codes: 0 nothing gets worse, 1 a verdict, a finding at hold or no-go or the audit of the sheet does, 2 something
could not be judged.";

/// Put jobs side by side on two machines: what does a change of the sheet do to them?
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct CompareArgs {
    #[command(flatten)]
    jobs: jobs::JobArgs,
    #[command(flatten)]
    machine: sheet::MachineArg,
    /// The sheet of the machine as it is; the same as --machine.
    #[arg(long, value_name = "SHEET", conflicts_with = "machine")]
    before: Option<PathBuf>,
    /// The sheet with the change [default: the one before].
    #[arg(long, value_name = "SHEET", required_unless_present = "set")]
    after: Option<PathBuf>,
    /// Change a value of the sheet after: its dotted path and a TOML value. May be given several times.
    #[arg(long, value_name = "KEY=VALUE")]
    set: Vec<String>,
    /// How to report; text is a page for one job and a table for several.
    #[arg(long, value_parser = among(FORMATS), default_value = format::TEXT.word)]
    format: &'static Offer<Make>,
    #[command(flatten)]
    delivery: Delivery,
}

/// What renders the jobs of a comparison.
enum Make {
    /// One after another; of so many jobs.
    Each(fn(usize, Look, Sheets) -> Box<dyn Report<Compared, Totals>>),
    /// One job on a page.
    Page,
}

const FORMATS: &[Offer<Make>] = &[
    offer(
        &format::TEXT,
        Make::Each(|jobs, look, sheets| match jobs {
            1 => Box::new(PageComparison::new(look, sheets)),
            _ => Box::new(TableComparison::new(look, sheets)),
        }),
    ),
    offer(&format::JSON, Make::Each(|_, _, sheets| Box::new(JsonComparison::document(sheets)))),
    offer(&format::NDJSON, Make::Each(|_, _, sheets| Box::new(JsonComparison::lines(sheets)))),
    offer(&format::CSV, Make::Each(|_, _, _| Box::new(CsvComparison::new()))),
    offer(&format::HTML, Make::Page),
];

/// Runs the command.
pub fn run(args: &CompareArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    let jobs = args.jobs.resolve()?;
    let (before, after) = machines(args, terminal)?;
    let sheets = [&before, &after].into_iter().filter_map(sheet::file);
    args.delivery.spare(jobs.iter().filter_map(Job::path).chain(sheets).chain(args.jobs.list()))?;
    let progress =
        Progress::new(&jobs, args.delivery.quiet).errors_in_report(args.delivery.is_seen(args.format.format.is_page));
    let on_bytes = |bytes| progress.advance(bytes);
    let look = args.delivery.look(terminal);
    let Make::Each(make) = args.format.make else {
        return page_of(args, &jobs, &before, &after, &progress);
    };
    let sheets = Sheets::of(&before, &after);
    let audit_is_worse = !sheets.audit_worse.is_empty();
    let mut report = make(jobs.len(), look, sheets);
    let mut output = args.delivery.open(args.format.format.is_page, look)?;
    let totals = compare_all(
        &jobs,
        args.jobs.threads,
        |job, helpers| judge(job, &before, &after, RunContext::new(&on_bytes, helpers)),
        &mut *report,
        &mut output,
        &progress,
    )?;
    progress.finish();
    report.finish(&totals, &mut output).and_then(|()| output.finish()).context("cannot write the report")?;
    Ok(exit(&totals, audit_is_worse))
}

/// The machines before and after.
fn machines(args: &CompareArgs, terminal: &Terminal) -> anyhow::Result<(Machine, Machine)> {
    let named = |path: &Path| Machine::load(path).map_err(|error| Faults::of_sheet(&error, terminal));
    let before = match &args.before {
        Some(path) => named(path)?,
        None => sheet::load(&args.machine, terminal)?,
    };
    let after = match &args.after {
        Some(path) => named(path)?,
        None => before.clone(),
    };
    Ok((before, sheet::changed(after, &args.set, terminal)?))
}

fn judge<'e>(job: &Job, before: &Machine, after: &Machine, context: RunContext<'_, 'e>) -> Compared {
    let both = job.judged(|path| Preflight::on_all(&[before, after]).within(context).run_all(JobSource::at(path)))?;
    let [before, after] = <[_; 2]>::try_from(both).expect("a report for each of two machines");
    Ok(Comparison::of(before, after))
}

/// One job before and after on one page.
fn page_of(
    args: &CompareArgs,
    jobs: &[Job],
    before: &Machine,
    after: &Machine,
    progress: &Progress,
) -> anyhow::Result<Exit> {
    if jobs.len() != 1 {
        return Err(mistake(format!("a page compares one job, {} are given", jobs.len())));
    }
    let mut output = args.delivery.open(false, Look { width: 0, color: false })?;
    let on_bytes = |bytes| progress.advance(bytes);
    let sheets = Sheets::of(before, after);
    let mut totals = Totals::default();
    jobs::each(
        jobs,
        jobs::hands(args.jobs.threads),
        progress,
        |job, helpers| {
            let context = RunContext::new(&on_bytes, helpers);
            job.judged(|path| page::watched(path, [before, after], context))
        },
        |compared| {
            let (compared, records) = match compared {
                Ok((comparison, records)) => (Ok(comparison), Some(records)),
                Err(unjudged) => (Err(unjudged), None),
            };
            totals.count(&compared);
            match (&compared, &records) {
                (Ok(comparison), Some([before, after])) => {
                    page::comparison(comparison, &sheets, [before, after], &mut output).map_err(io::Error::other)
                }
                _ => Ok(()),
            }
        },
    )?;
    progress.finish();
    if totals.unjudged == 0 {
        output.finish().context("cannot write the page")?;
    }
    Ok(exit(&totals, !sheets.audit_worse.is_empty()))
}

/// Compares all jobs and adds each to the report in its turn; errors go to standard error where the report does not tell them.
fn compare_all<'e>(
    jobs: &[Job],
    threads: Option<u16>,
    judge: impl Fn(&Job, &HelperPool<'e>) -> Compared + Sync,
    report: &mut dyn Report<Compared, Totals>,
    output: &mut dyn Write,
    progress: &Progress,
) -> anyhow::Result<Totals> {
    let mut totals = Totals::default();
    jobs::each(jobs, jobs::hands(threads), progress, judge, |compared| {
        totals.count(&compared);
        // Whoever reads line by line wants each line when it is there.
        report.add(&compared, output).and_then(|()| output.flush())
    })?;
    Ok(totals)
}

fn exit(totals: &Totals, audit_is_worse: bool) -> Exit {
    match totals.worse + totals.worse_inside {
        _ if totals.unjudged > 0 => Exit::Unjudged,
        0 if !audit_is_worse => Exit::Passed,
        _ => Exit::Failed,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::sample;
    use clap::Parser;

    fn args(line: &[&str]) -> Result<CompareArgs, clap::Error> {
        #[derive(Debug, Parser)]
        struct Alone {
            #[command(flatten)]
            compare: CompareArgs,
        }
        Alone::try_parse_from(std::iter::once("compare").chain(line.iter().copied())).map(|alone| alone.compare)
    }

    #[test]
    fn a_change_is_required() {
        for line in [&["a"][..], &["--after", "b.toml"], &["a", "--before", "b", "--machine", "c", "--set", "k=1"]] {
            assert!(args(line).is_err(), "{line:?}");
        }
        for line in [&["a", "--after", "b.toml"][..], &["a", "--set", "k=1", "--set", "l=2", "--before", "b"]] {
            assert!(args(line).is_ok(), "{line:?}");
        }
    }

    #[test]
    fn sets_come_on_top_of_the_sheet_after() {
        let terminal = Terminal::new(crate::cli::terminal::ColorWhen::Never);
        let load = |line: &[&str]| machines(&args(line).expect("parses"), &terminal);
        let set = "motion.acceleration_mm_s2.printing=3000";
        let line =
            ["a", "--before", "corpus/machines/heron.toml", "--after", "corpus/machines/wren.toml", "--set", set];
        let (before, after) = load(&line).expect("loads");
        assert_eq!((before.name.as_str(), after.name.as_str()), ("Heron", "Wren"));
        assert_eq!(after.motion.limits.printing_mm_s2, 3000.0);
        let (before, after) = load(&["a", "--machine", "corpus/machines/wren.toml", "--set", set]).expect("loads");
        assert_eq!((before.motion.limits.printing_mm_s2, after.motion.limits.printing_mm_s2), (6000.0, 3000.0));
        assert!(load(&["a", "--before", "corpus/machines/wren.toml", "--set", "no.such.key=1"]).is_err());
        assert!(load(&["a", "--before", "corpus/machines/wren.toml", "--set", "key"]).is_err());
        assert!(load(&["a", "--before", "no-such.toml", "--set", set]).is_err());
    }

    #[test]
    fn exit_code_follows_the_worst_change() {
        let of = |jobs: &[Compared]| {
            let mut totals = Totals::default();
            jobs.iter().for_each(|compared| totals.count(compared));
            exit(&totals, false).code()
        };
        let worse = || Ok(Comparison::of(sample::go(), sample::hold()));
        let same = || Ok(Comparison::of(sample::no_go(), sample::no_go()));
        let better = || Ok(Comparison::of(sample::no_go(), sample::go()));
        assert_eq!(of(&[same(), better()]), 0);
        let inside = || {
            let mut after = sample::no_go();
            after.findings[0].count += 30;
            Ok(Comparison::of(sample::no_go(), after))
        };
        assert_eq!(of(&[same(), inside()]), 1);
        assert_eq!(exit(&Totals::default(), true).code(), 1);
        assert_eq!(of(&[better(), worse(), same()]), 1);
        assert_eq!(of(&[worse(), Err(sample::unjudged())]), 2);
    }
}
