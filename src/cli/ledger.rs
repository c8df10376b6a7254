//! `gonogo ledger`: looking through a ledger, copying it, taking old inspections out.

mod decide;
mod job;
mod list;

pub use list::schema;

use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use clap::{Args, Subcommand};

use super::format::among;
use super::output::{Content, Delivery, Output};
use super::terminal::Terminal;
use super::{Exit, prints::say};
use crate::accepted::{days_before, today};
use crate::preflight::JobSource;
use crate::service::ledger::{LEDGER_FILE, Ledger, LedgerError, Named, nearest};
use crate::show::report::{
    Look,
    format::{self, Offer, offer},
};
use crate::wording::{counted, digest};
use crate::workshop::prints::{Print, PrintsFile};

const LIST_EXAMPLES: &str = "\
Examples:
  gonogo ledger list
  gonogo ledger list --ledger shop.ledger --format json

Newest first. A ledger is made by `gonogo check JOB --ledger FILE`.

Exit codes: 0 done, 2 the ledger cannot be read.";

const SHOW_EXAMPLES: &str = "\
Examples:
  gonogo ledger show hook.gcode
  gonogo ledger show blake3:5e0f

Exit codes: 0 done, 2 there is no such job, or more than one.";

const EXPORT_EXAMPLES: &str = "\
Examples:
  gonogo ledger export -o inspections.csv
  gonogo ledger export --prints -o gonogo.prints.csv

Inspections have the columns of `gonogo check --format csv`, then job_digest,
sheet_digest, judged_at (UTC), model and decision. Prints have the form of
gonogo.prints.csv: `gonogo prints import` takes them in again.

Exit codes: 0 done, 2 something could not be read or written.";

const BACKUP_EXAMPLES: &str = "\
Examples:
  gonogo ledger backup gonogo-2027-01-31.ledger

A ledger that is in use has files beside it: copy it with this command. Others
may use it meanwhile. The copy is a ledger like any other.

Exit codes: 0 done, 2 something is there already, or it could not be written.";

const PRUNE_EXAMPLES: &str = "\
Examples:
  gonogo ledger prune --older-than 730            says what would go
  gonogo ledger prune --older-than 730 --write    and takes it out

Jobs and sheets go with their last inspection. What somebody decided on stays,
and so do decisions and prints. Whatever went is judged anew when it is asked for.

Exit codes: 0 done, 2 the ledger cannot be read or written.";

/// Look through a ledger of what was judged, copy it, take old inspections out.
#[derive(Debug, Subcommand)]
pub enum LedgerCommand {
    /// List the inspections, the newest first.
    #[command(after_help = LIST_EXAMPLES)]
    List(ListArgs),
    /// Show a job: its names, inspections, decisions and prints.
    #[command(after_help = SHOW_EXAMPLES)]
    Show(ShowArgs),
    /// Write down what is decided on an inspection: released, refused, or held until somebody looks.
    #[command(after_help = decide::EXAMPLES)]
    Decide(decide::DecideArgs),
    /// Write the inspections, or the prints, as a table of CSV.
    #[command(after_help = EXPORT_EXAMPLES)]
    Export(ExportArgs),
    /// Write a copy of the ledger to a new file.
    #[command(after_help = BACKUP_EXAMPLES)]
    Backup(BackupArgs),
    /// Say which old inspections would go, and take them out with --write.
    #[command(after_help = PRUNE_EXAMPLES)]
    Prune(PruneArgs),
}

/// Which ledger.
#[derive(Debug, Args)]
pub struct LedgerArg {
    /// The ledger; otherwise gonogo.ledger is looked for from the current directory upward.
    #[arg(long, value_name = "FILE")]
    ledger: Option<PathBuf>,
}

impl LedgerArg {
    fn open(&self) -> anyhow::Result<Ledger> {
        let path = match &self.ledger {
            Some(path) => path.clone(),
            None => match nearest(&std::env::current_dir().context("cannot tell the working directory")?) {
                Some(path) => path,
                None => bail!("there is no {LEDGER_FILE} here or above: name a ledger with --ledger"),
            },
        };
        Ok(Ledger::open_existing(&path)?)
    }
}

/// How to list.
#[derive(Debug, Args)]
pub struct ListArgs {
    #[command(flatten)]
    ledger: LedgerArg,
    /// How to list.
    #[arg(long, value_parser = among(list::FORMATS), default_value = format::TEXT.word)]
    format: &'static Offer<list::Make>,
}

/// Which job.
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// A file with its content, a path or a file name under which it was judged, or the beginning of its digest.
    #[arg(value_name = "JOB")]
    job: PathBuf,
    #[command(flatten)]
    ledger: LedgerArg,
}

/// What to write.
#[derive(Debug, Args)]
pub struct ExportArgs {
    /// The prints instead of the inspections.
    #[arg(long)]
    prints: bool,
    #[command(flatten)]
    ledger: LedgerArg,
    #[command(flatten)]
    delivery: Delivery,
}

/// Where to.
#[derive(Debug, Args)]
pub struct BackupArgs {
    /// The copy; nothing may be there yet.
    #[arg(value_name = "FILE")]
    copy: PathBuf,
    #[command(flatten)]
    ledger: LedgerArg,
}

/// What goes.
#[derive(Debug, Args)]
pub struct PruneArgs {
    /// Inspections that were judged more than so many days ago.
    #[arg(long, value_name = "DAYS", value_parser = clap::value_parser!(u32).range(1..=100_000))]
    older_than: u32,
    /// Take them out.
    #[arg(long)]
    write: bool,
    #[command(flatten)]
    ledger: LedgerArg,
}

/// Runs the command.
pub fn run(command: &LedgerCommand, terminal: &Terminal) -> anyhow::Result<Exit> {
    match command {
        LedgerCommand::List(args) => list::run(&args.ledger.open()?, args.format, terminal)?,
        LedgerCommand::Show(args) => show(args, terminal)?,
        LedgerCommand::Decide(args) => decide::run(args, terminal)?,
        LedgerCommand::Export(args) => export(args, terminal)?,
        LedgerCommand::Backup(args) => backup(args, terminal)?,
        LedgerCommand::Prune(args) => prune(args, terminal)?,
    }
    Ok(Exit::Passed)
}

fn show(args: &ShowArgs, terminal: &Terminal) -> anyhow::Result<()> {
    let ledger = args.ledger.open()?;
    let job = meant(&ledger, &args.job)?;
    let look = terminal.stdout_look();
    let mut output = Output::stdout(Content::Page { color: look.color });
    job::write(&ledger, &job, look, &mut output)?;
    output.finish().context("cannot write")
}

/// The job that is meant: by its content where there is such a file, else by what the ledger calls so.
fn meant(ledger: &Ledger, job: &Path) -> anyhow::Result<Named> {
    let shown = job.to_string_lossy();
    let known = |name: &str| ledger.jobs_called(name);
    let mut found;
    if job.is_file() {
        let content = JobSource::at(job).digest().with_context(|| format!("cannot read {shown}"))?;
        found = known(&digest(content))?;
        if found.is_empty() {
            bail!(
                "the ledger {} does not know the content that {shown} has now: judge it, or name an older one by its digest",
                ledger.path().display()
            );
        }
    } else {
        found = known(&shown)?;
    }
    match found.len() {
        0 => bail!("the ledger {} knows no job {shown}", ledger.path().display()),
        1 => Ok(found.swap_remove(0)),
        many => {
            let digests: Vec<&str> = found.iter().take(MANY).map(|job| job.digest.as_str()).collect();
            let more = if many > MANY { " and more" } else { "" };
            bail!("{many} jobs are called {shown}, name one by its digest: {}{more}", digests.join(", "))
        }
    }
}

/// Most jobs that are named where several are meant.
const MANY: usize = 5;

fn export(args: &ExportArgs, terminal: &Terminal) -> anyhow::Result<()> {
    let ledger = args.ledger.open()?;
    args.delivery.spare([ledger.path()])?;
    let mut output = args.delivery.open(false, args.delivery.look(terminal))?;
    if args.prints {
        let prints: Vec<Print> = ledger.prints()?.into_iter().map(|(_, print)| print).collect();
        output.write_all(&PrintsFile::default().with(&prints)).context("cannot write the prints")?;
    } else {
        list::write_table(&ledger, &mut output)?;
    }
    output.finish().context("cannot write the table")
}

fn backup(args: &BackupArgs, terminal: &Terminal) -> anyhow::Result<()> {
    let ledger = args.ledger.open()?;
    ledger.back_up(&args.copy)?;
    say(&[format!("Copied to {}.", args.copy.display())], terminal)
}

fn prune(args: &PruneArgs, terminal: &Terminal) -> anyhow::Result<()> {
    let ledger = args.ledger.open()?;
    let before = days_before(today(), args.older_than);
    let pruned = ledger.prune(before, args.write)?;
    let (inspections, jobs, sheets) = (
        counted(pruned.inspections as u64, "inspection", "inspections"),
        counted(pruned.jobs as u64, "job", "jobs"),
        counted(pruned.sheets as u64, "version of a sheet", "versions of sheets"),
    );
    let (went, last) = match args.write {
        true => ("went", "The file keeps its size and uses the room again; a backup of it is smaller."),
        false => ("would go", "Nothing was taken out: --write does so."),
    };
    let mut lines = vec![format!("Judged before {before}: {inspections}, {jobs} and {sheets} {went}.")];
    if pruned.decided_on > 0 {
        let stay = counted(pruned.decided_on as u64, "older inspection stays", "older inspections stay");
        lines.push(format!("{stay}, since somebody decided on it."));
    }
    lines.push(last.to_owned());
    say(&lines, terminal)
}
