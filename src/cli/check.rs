//! `gonogo check`.

use std::borrow::Cow;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::{Args, ValueEnum};

use super::accept::AcceptedArg;
use super::format::among;
use super::jobs::{self, Job};
use super::kept::{KeptArgs, KeptJudging};
use super::output::Delivery;
use super::progress::Progress;
use super::shard::{By, Shard};
use super::terminal::Terminal;
use super::usage::mistake;
use super::{Exit, pictures, sheet};
use crate::accepted::Accepted;
use crate::findings::{Inspection, MachineFacts, Severity, Verdict};
use crate::machine::Machine;
use crate::preflight::{self, JobSource, Preflight, RunContext};
use crate::show::report::{
    Look, Report,
    brief::BriefReport,
    csv::CsvReport,
    format::{self, Offer, offer},
    json::{Frame, JsonReport},
    junit::JunitReport,
    matrix::{JsonMatrix, TableMatrix},
    openmetrics::OpenMetricsReport,
    sarif::SarifReport,
    table::{TableReport, Wanted},
    text::{Extent, TextReport},
};
use crate::study::matrix::{Judged, Totals};
use crate::threads::HelperPool;

const EXAMPLES: &str = "\
Examples:
  gonogo check hook.gcode
  gonogo check jobs/ --machine heron.toml --fail-on hold
  gonogo check jobs/ --machine heron.toml --machine wren.toml
  gonogo check hook.gcode --format html -o hook.html
  gonogo check hook.gcode --plot hook.svg
  gonogo check hook.gcode --format json -o hook.report.json
  gonogo check jobs/ --format openmetrics -o jobs.prom
  find . -name '*.gcode' | gonogo check --files-from - --format ndjson
  gunzip -c hook.gcode.gz | gonogo check -
  gonogo check jobs/ --format junit -o jobs.junit.xml
  gonogo check jobs/ --ledger gonogo.ledger
  gonogo check jobs/ --shard 3/16 --format csv --header never --fail-on never

With several machines a job passes when at least one machine takes it. JUnit XML
has a suite for each job on each machine, and its cases fail on each machine by
themselves: suites can fail where the exit code is 0.

Exit codes: 0 passed, 1 a verdict at or above --fail-on, 2 something could not
be judged.";

/// Judge jobs: go, hold or no-go, and why.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct CheckArgs {
    #[command(flatten)]
    jobs: jobs::JobArgs,
    #[command(flatten)]
    machine: sheet::MachinesArg,
    #[command(flatten)]
    accepted: AcceptedArg,
    #[command(flatten)]
    kept: KeptArgs,
    /// How to report; text is a page for one job and a table for several, json an object or a list, html a file for one job
    /// and for several jobs or machines a folder named by -o.
    #[arg(long, value_parser = among(FORMATS), default_value = format::TEXT.word)]
    format: &'static Offer<Make>,
    #[command(flatten)]
    delivery: Delivery,
    #[command(flatten)]
    plot: pictures::PlotArgs,
    /// Say everything: how the numbers are spread, layers, every check, every job.
    #[arg(long, conflicts_with = "brief")]
    details: bool,
    /// One line a job.
    #[arg(long)]
    brief: bool,
    /// Name only jobs with this verdict or a worse one; all are counted.
    #[arg(long, value_name = "VERDICT", value_enum)]
    only: Option<Only>,
    /// With --format html -o FOLDER, give every page the spectrum of its motion, which takes longer than all the rest of
    /// it; the page of a single job always has it.
    #[arg(long)]
    spectra: bool,
    /// Judge only the jobs of shard I of N, I from 0: each job is in exactly one, the same on any machine, by its path from
    /// the folder given; files that are named or listed go by their path as it is spelled. A shard without jobs passes.
    #[arg(long, value_name = "I/N", conflicts_with = "plot")]
    shard: Option<Shard>,
    /// What decides on the shard of a job: its path, or its bytes, unpacked. By content each shard reads all jobs.
    #[arg(long, value_name = "WHAT", value_enum, default_value_t = By::Path, requires = "shard")]
    shard_by: By,
    /// Whether CSV begins with the names of its columns; without, shards can be put one behind the other [default: always].
    #[arg(long, value_name = "WHEN", value_enum)]
    header: Option<Header>,
    /// The mildest verdict that makes the exit code 1; with several machines, when a job gets it on all of them.
    #[arg(long, value_name = "VERDICT", value_enum, default_value_t = FailOn::NoGo)]
    fail_on: FailOn,
}

/// What the reports of all jobs depend on.
struct Shape<'a> {
    look: Look,
    jobs: usize,
    machines: &'a [MachineFacts],
    fail_on: Option<Severity>,
    brief: bool,
    extent: Extent,
    wanted: Wanted,
    header: bool,
}

/// What renders the jobs of a check.
enum Make {
    /// One after another.
    Each(fn(&Shape<'_>) -> Box<dyn Report<Judged, Totals>>),
    /// Each has a page of its own.
    Pages,
}

/// One machine is a matrix of one, which people and JSON get in a form of its own.
const FORMATS: &[Offer<Make>] = &[
    offer(
        &format::TEXT,
        Make::Each(|of| match (of.machines.len(), of.jobs) {
            _ if of.brief => Box::new(BriefReport::new(of.look, of.wanted, of.machines)),
            (1, 1) if of.wanted.least.is_none() => Box::new(TextReport::new(of.look, of.extent)),
            (1, _) => Box::new(TableReport::new(of.look, of.wanted)),
            _ => Box::new(TableMatrix::new(of.look, of.wanted, of.machines)),
        }),
    ),
    offer(
        &format::JSON,
        Make::Each(|of| match (of.machines.len(), of.jobs) {
            (1, 1) if of.wanted.least.is_none() => Box::new(JsonReport::new(Frame::Object)),
            (1, _) => Box::new(JsonReport::new(Frame::List)),
            _ => Box::new(JsonMatrix::document(of.machines.to_vec())),
        }),
    ),
    offer(
        &format::NDJSON,
        Make::Each(|of| match of.machines.len() {
            1 => Box::new(JsonReport::new(Frame::Lines)),
            _ => Box::new(JsonMatrix::lines(of.machines.to_vec())),
        }),
    ),
    offer(
        &format::CSV,
        Make::Each(|of| {
            let report = CsvReport::new(of.machines.to_vec());
            Box::new(if of.header { report } else { report.without_header() })
        }),
    ),
    offer(&format::OPENMETRICS, Make::Each(|of| Box::new(OpenMetricsReport::new(of.machines)))),
    offer(&format::HTML, Make::Pages),
    offer(&format::SARIF, Make::Each(|_| Box::new(SarifReport::new()))),
    offer(&format::JUNIT, Make::Each(|of| Box::new(JunitReport::new(of.fail_on, of.machines)))),
];

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum FailOn {
    /// Hold and no-go.
    Hold,
    /// No-go only.
    NoGo,
    /// None: a job that cannot be judged still makes it 2.
    Never,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Only {
    /// Hold and no-go.
    Hold,
    /// No-go only.
    NoGo,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Header {
    /// Rows with a header.
    Always,
    /// Rows alone.
    Never,
}

impl Only {
    fn least(self) -> Verdict {
        match self {
            Self::Hold => Verdict::Hold,
            Self::NoGo => Verdict::NoGo,
        }
    }
}

impl FailOn {
    fn limit(self) -> Option<Verdict> {
        match self {
            Self::Hold => Some(Verdict::Hold),
            Self::NoGo => Some(Verdict::NoGo),
            Self::Never => None,
        }
    }

    /// The mildest severity that leads to such a verdict.
    fn severity(self) -> Option<Severity> {
        match self {
            Self::Hold => Some(Severity::Hold),
            Self::NoGo => Some(Severity::NoGo),
            Self::Never => None,
        }
    }
}

impl CheckArgs {
    /// What a page for people says; only pages are longer or shorter.
    ///
    /// # Errors
    /// When that is asked of another format.
    fn wanted(&self) -> anyhow::Result<Wanted> {
        let asked = [(self.details, "--details"), (self.brief, "--brief")].into_iter().find(|(asked, _)| *asked);
        if let Some((_, option)) = asked.filter(|_| !self.format.format.is_page) {
            return Err(mistake(format!("{option} goes with --format text")));
        }
        if self.only.is_some() && matches!(self.format.make, Make::Pages) {
            return Err(mistake("--only does not go with --format html: its list can be sifted"));
        }
        if self.header.is_some() && self.format.format.word != format::CSV.word {
            return Err(mistake("--header goes with --format csv"));
        }
        Ok(Wanted { details: self.details, least: self.only.map(Only::least) })
    }

    /// The jobs to judge, of all that are listed in what was named.
    fn pick<'a>(&self, listed: &'a [Job], named: &[PathBuf]) -> anyhow::Result<Cow<'a, [Job]>> {
        let Some(shard) = self.shard else { return Ok(Cow::Borrowed(listed)) };
        Ok(Cow::Owned(shard.pick(listed, named, self.shard_by, jobs::hands(self.jobs.threads))?))
    }

    /// No output may take the place of what is read, or of another output.
    fn spare_inputs(&self, jobs: &[Job], machines: &[Machine], accepted: &Accepted) -> anyhow::Result<()> {
        let sheets = machines.iter().filter_map(sheet::file);
        let accepted = (!accepted.source.is_empty()).then(|| Path::new(&accepted.source));
        let others = accepted.into_iter().chain(self.jobs.list()).chain(self.kept.path());
        let inputs: Vec<&Path> = jobs.iter().filter_map(Job::path).chain(sheets).chain(others).collect();
        self.delivery.spare(inputs.iter().copied())?;
        self.plot.spare(inputs.into_iter().chain(self.delivery.target()))
    }
}

/// Runs the command. Each job is judged once, on however many machines.
pub fn run(args: CheckArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    let named = args.jobs.given()?;
    let listed = jobs::collect(&named);
    let jobs = args.pick(&listed, &named)?;
    let machines = sheet::load_all(&args.machine, terminal)?;
    let accepted = args.accepted.load(terminal)?;
    let wanted = args.wanted()?;
    // Jobs of other shards, too.
    args.spare_inputs(&listed, &machines, &accepted)?;
    let today = args.accepted.today();
    let all: Vec<&Machine> = machines.iter().collect();
    let kept = args.kept.open()?;
    let judging = kept.as_ref().map(|kept| kept.judging(&all, &accepted, today));
    let accept = |inspection: &mut Inspection| {
        accepted.apply(inspection, today);
        if let Some(judging) = &judging {
            judging.keep(inspection);
        }
    };
    let given = Given { jobs: &jobs, listed: &listed, machines: &all, wanted };
    let exit = deliver(&args, &given, &accept, judging.as_ref(), terminal)?;
    Ok(match kept {
        Some(kept) => kept.end(exit),
        None => exit,
    })
}

/// What is judged.
struct Given<'a> {
    jobs: &'a [Job],
    /// Those of all shards: a report has the same form whatever falls into its own.
    listed: &'a [Job],
    machines: &'a [&'a Machine],
    wanted: Wanted,
}

/// Judges all jobs and delivers what was asked for. What `accept` is given is judged with pages and pictures, or without a
/// ledger.
fn deliver(
    args: &CheckArgs,
    given: &Given<'_>,
    accept: &(dyn Fn(&mut Inspection) + Sync),
    judging: Option<&KeptJudging<'_>>,
    terminal: &Terminal,
) -> anyhow::Result<Exit> {
    let &Given { jobs, listed, machines: all, wanted } = given;
    let progress =
        Progress::new(jobs, args.delivery.quiet).errors_in_report(args.delivery.is_seen(args.format.format.is_page));
    let on_bytes = |bytes| progress.advance(bytes);
    let facts: Vec<MachineFacts> = all.iter().map(|machine| machine.facts()).collect();
    let Make::Each(make) = args.format.make else {
        return pages(args, (jobs, listed), all, accept, &progress, &on_bytes);
    };
    if args.spectra {
        return Err(mistake("--spectra goes with --format html: other formats hold no pictures"));
    }
    let shape = Shape {
        look: args.delivery.look(terminal),
        jobs: listed.len(),
        machines: &facts,
        fail_on: args.fail_on.severity(),
        brief: args.brief,
        extent: Extent { details: args.details, letters: args.delivery.has_letters(terminal) },
        wanted,
        header: args.header != Some(Header::Never),
    };
    let renderer = match args.only {
        // Pages for people count all jobs, and name those that are wanted.
        Some(only) if !args.format.format.is_page => Box::new(Worst { report: make(&shape), least: only.least() }),
        _ => make(&shape),
    };
    if all.len() > 1 {
        args.plot.refuse("shows one machine")?;
    }
    let Some(plot) = args.plot.resolve(jobs.len())? else {
        return report(args, jobs, &facts, renderer, terminal, &progress, |job, helpers| {
            let context = RunContext::new(&on_bytes, helpers);
            if let Some(judging) = judging {
                return judging.judge(job, context);
            }
            let mut judged = judge(job, all, context);
            judged.iter_mut().flatten().for_each(accept);
            judged
        });
    };
    let exit = report(args, jobs, &facts, renderer, terminal, &progress, |job, helpers| {
        let outcome = plot.judge(job, all[0], accept, RunContext::new(&on_bytes, helpers));
        outcome.map(|inspection| vec![inspection])
    })?;
    plot.write(all[0])?;
    Ok(exit)
}

/// A page for each job on each machine; each job is read twice, on however many machines.
fn pages<'e>(
    args: &CheckArgs,
    (jobs, listed): (&[Job], &[Job]),
    machines: &[&Machine],
    accept: &(dyn Fn(&mut Inspection) + Sync),
    progress: &Progress,
    on_bytes: preflight::Progress<'e>,
) -> anyhow::Result<Exit> {
    args.plot.refuse("goes with the other formats: a page holds its pictures")?;
    let mut totals = Totals::new(machines.iter().map(|machine| machine.facts()), args.fail_on.limit());
    let mut pages = pictures::Pages::new(listed, args.shard, &args.delivery, machines, args.spectra)?;
    let maker = pages.maker();
    let make = |job: &Job, helpers: &HelperPool<'e>| maker.make(job, accept, RunContext::new(on_bytes, helpers));
    jobs::each(jobs, jobs::hands(args.jobs.threads), progress, make, |made| {
        match &made {
            Ok(pages) => {
                let path = pages.first().map_or("", |page| &page.report.job.path);
                totals.count_verdicts(path, pages.iter().map(|page| page.report.verdict));
            }
            Err(_) => totals.count_unjudged(),
        }
        pages.add(made)
    })?;
    progress.finish();
    pages.finish()?;
    Ok(exit(&totals))
}

fn judge<'e>(job: &Job, machines: &[&Machine], context: RunContext<'_, 'e>) -> Judged {
    job.judged(|path| Preflight::on_all(machines).within(context).run_all(JobSource::at(path)))
}

/// Judges all jobs and delivers the report as asked for.
fn report<'e>(
    args: &CheckArgs,
    jobs: &[Job],
    machines: &[MachineFacts],
    mut report: Box<dyn Report<Judged, Totals>>,
    terminal: &Terminal,
    progress: &Progress,
    judge: impl Fn(&Job, &HelperPool<'e>) -> Judged + Sync,
) -> anyhow::Result<Exit> {
    let mut output = args.delivery.open(args.format.format.is_page, args.delivery.look(terminal))?;
    let mut totals = Totals::new(machines.iter().cloned(), args.fail_on.limit());
    judge_all(jobs, args.jobs.threads, judge, &mut totals, &mut *report, &mut output, progress)?;
    progress.finish();
    report.finish(&totals, &mut output).and_then(|()| output.finish()).context("cannot write the report")?;
    Ok(exit(&totals))
}

/// Judges all jobs and adds each to the report in its turn; errors go to standard error where the report does not tell them.
fn judge_all<'e>(
    jobs: &[Job],
    threads: Option<u16>,
    judge: impl Fn(&Job, &HelperPool<'e>) -> Judged + Sync,
    totals: &mut Totals,
    report: &mut dyn Report<Judged, Totals>,
    output: &mut dyn Write,
    progress: &Progress,
) -> anyhow::Result<()> {
    jobs::each(jobs, jobs::hands(threads), progress, judge, |judged| {
        totals.count(&judged);
        // Whoever reads line by line wants each line when it is there.
        report.add(&judged, output).and_then(|()| output.flush())
    })
}

/// Passes on only jobs that some machine gives such a verdict or a worse one, and what could not be judged.
struct Worst {
    report: Box<dyn Report<Judged, Totals>>,
    least: Verdict,
}

impl Report<Judged, Totals> for Worst {
    fn add(&mut self, judged: &Judged, out: &mut dyn Write) -> io::Result<()> {
        match judged {
            Ok(inspections) if inspections.iter().all(|inspection| inspection.verdict < self.least) => Ok(()),
            _ => self.report.add(judged, out),
        }
    }

    fn finish(&mut self, totals: &Totals, out: &mut dyn Write) -> io::Result<()> {
        self.report.finish(totals, out)
    }
}

/// A job passes when at least one machine takes it.
fn exit(totals: &Totals) -> Exit {
    if totals.unjudged > 0 {
        Exit::Unjudged
    } else if totals.fit_no_machine.is_empty() {
        Exit::Passed
    } else {
        Exit::Failed
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::{Outcome, sample};
    use clap::Parser;

    fn args(line: &[&str]) -> Result<CheckArgs, clap::Error> {
        #[derive(Debug, Parser)]
        struct Alone {
            #[command(flatten)]
            check: CheckArgs,
        }
        Alone::try_parse_from(std::iter::once("check").chain(line.iter().copied())).map(|alone| alone.check)
    }

    fn on_one(outcome: &Outcome) -> Judged {
        outcome.clone().map(|inspection| vec![inspection])
    }

    fn code(outcomes: &[Outcome], refused_from: Option<Verdict>) -> u8 {
        let mut totals = Totals::new([sample::go().machine], refused_from);
        outcomes.iter().for_each(|outcome| totals.count(&on_one(outcome)));
        exit(&totals).code()
    }

    #[test]
    fn a_job_passes_when_one_machine_takes_it() {
        let on = |refused_from: Verdict, jobs: &[Judged]| {
            let mut totals = Totals::new([sample::go().machine, sample::go().machine], refused_from);
            jobs.iter().for_each(|judged| totals.count(judged));
            exit(&totals).code()
        };
        let held = || Ok(vec![sample::hold(), sample::no_go()]);
        let go = || Ok(vec![sample::no_go(), sample::go()]);
        assert_eq!((on(Verdict::NoGo, &[held(), go()]), on(Verdict::Hold, &[held(), go()])), (0, 1));
        assert_eq!(on(Verdict::NoGo, &[go(), Ok(vec![sample::no_go(), sample::no_go()])]), 1);
        assert_eq!(on(Verdict::NoGo, &[go(), Err(sample::unjudged())]), 2);
    }

    #[test]
    fn exit_code_follows_the_worst() {
        let (go, hold, no_go) = (Ok(sample::go()), Ok(sample::hold()), Ok(sample::no_go()));
        let lost: Outcome = Err(sample::unjudged());
        let all = [FailOn::Never, FailOn::NoGo, FailOn::Hold];
        let each = |outcomes: &[Outcome]| all.map(|on| code(outcomes, on.limit()));
        assert_eq!(each(std::slice::from_ref(&go)), [0, 0, 0]);
        assert_eq!(each(&[hold.clone(), go.clone()]), [0, 0, 1]);
        assert_eq!(each(&[go.clone(), no_go.clone(), hold]), [0, 1, 1]);
        assert_eq!(each(&[no_go, lost, go]), [2, 2, 2]);
    }

    #[test]
    fn a_job_is_required() {
        let error = args(&[]).expect_err("no job").to_string();
        assert!(error.contains("JOB"), "{error}");
        let no_jobs = args(&["--files-from", "/dev/null"]).expect("parses");
        if cfg!(unix) {
            assert!(no_jobs.jobs.resolve().expect_err("empty list").to_string().contains("no job given"));
        }
    }

    #[test]
    fn standard_input_is_read_once() {
        assert!(args(&["-", "-"]).expect("parses").jobs.resolve().is_err());
        assert!(args(&["-", "--files-from", "-"]).expect("parses").jobs.resolve().is_err());
        assert_eq!(args(&["-"]).expect("parses").jobs.resolve().expect("resolves"), [Job::File("-".into())]);
    }

    #[test]
    fn limits_of_numbers() {
        assert!(args(&["a", "--threads", "0"]).is_err());
        assert_eq!(args(&["a", "--threads", "4"]).expect("parses").jobs.threads, Some(4));
        assert_eq!(args(&["a"]).expect("parses").fail_on, FailOn::NoGo);
    }

    #[test]
    fn the_report_has_the_form_asked_for() {
        let directory = tempfile::tempdir().expect("temporary directory");
        let path = directory.path().join("report");
        let terminal = Terminal::new(crate::cli::terminal::ColorWhen::Never);
        let deliver = |names: &[&str], format: &str, on: &str| {
            let target = path.display().to_string();
            let line = [names, &["--format", format, "--fail-on", on, "-q", "-o", &target]].concat();
            let args = args(&line).expect("parses");
            let jobs: Vec<Job> = names.iter().map(|name| Job::File(name.into())).collect();
            let (machine, progress) = ([sample::hold().machine], Progress::new(&jobs, true));
            let Make::Each(make) = args.format.make else { panic!("no page") };
            let look = args.delivery.look(&terminal);
            let shape = Shape {
                look,
                jobs: jobs.len(),
                machines: &machine,
                fail_on: args.fail_on.severity(),
                brief: args.brief,
                extent: Extent { details: args.details, letters: false },
                wanted: args.wanted().expect("fits the format"),
                header: true,
            };
            let renders = make(&shape);
            let exit = report(&args, &jobs, &machine, renders, &terminal, &progress, |_, _| Ok(vec![sample::hold()]));
            (exit.expect("delivers").code(), std::fs::read_to_string(&path).expect("is there"))
        };
        let (code, page) = deliver(&["a"], "text", "no-go");
        assert_eq!(code, 0);
        assert!(page.contains("◆ hold: filament is pushed") && page.contains("\n  flow"), "{page}");
        let (code, table) = deliver(&["a", "b"], "text", "hold");
        assert_eq!(code, 1);
        assert!(table.starts_with("2 jobs on cautious: 2 ◆ hold") && table.contains("\nverdict"), "{table}");
        let json = |text: &str| serde_json::from_str::<serde_json::Value>(text).expect("JSON");
        assert!(json(&deliver(&["a"], "json", "no-go").1).is_object());
        assert_eq!(json(&deliver(&["a", "b"], "json", "no-go").1).as_array().map(Vec::len), Some(2));
        assert_eq!(deliver(&["a", "b"], "csv", "no-go").1.lines().count(), 3);
        assert!(deliver(&["a", "b"], "openmetrics", "no-go").1.ends_with("# EOF\n"));
        let lines = deliver(&["a", "b"], "ndjson", "no-go").1;
        assert!(lines.lines().count() == 2 && lines.lines().all(|line| json(line).is_object()));
    }

    #[test]
    fn a_job_that_fails_or_breaks_down_stops_no_other() {
        let jobs = ["a", "lost", "broken", "b"].map(|name| Job::File(name.into()));
        let judge = |job: &Job, _: &HelperPool<'_>| match job {
            Job::File(path) if path.ends_with("lost") => Err(sample::unjudged()),
            Job::File(path) if path.ends_with("broken") => std::panic::panic_any("bug"),
            Job::File(path) => {
                let mut inspection = sample::go();
                inspection.job.path = path.display().to_string();
                Ok(vec![inspection])
            }
            Job::Lost(unjudged) => Err(unjudged.clone()),
        };
        let run = |threads| {
            let mut report = JsonReport::new(Frame::Lines);
            let mut out = Vec::new();
            let mut totals = Totals::new([sample::go().machine], Verdict::NoGo);
            let progress = Progress::new(&jobs, true);
            judge_all(&jobs, Some(threads), judge, &mut totals, &mut report, &mut out, &progress).expect("runs");
            (totals, String::from_utf8(out).expect("UTF-8"))
        };
        let (totals, text) = run(1);
        assert_eq!(totals.unjudged, 2);
        let paths: Vec<String> = text
            .lines()
            .map(|line| serde_json::from_str::<serde_json::Value>(line).expect("JSON")["job"]["path"].to_string())
            .collect();
        assert_eq!(paths, ["\"a\"", "\"jobs/lost.gcode\"", "\"broken\"", "\"b\""]);
        assert!(text.contains("cannot judge broken: internal fault while judging: bug"));
        assert_eq!(run(4), (totals, text));
    }
}
