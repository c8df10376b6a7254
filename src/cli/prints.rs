//! `gonogo prints`, and where prints are kept.

use std::fs::File;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use anstyle::Style;
use anyhow::{Context, anyhow, bail};
use clap::{Args, Subcommand};

use super::output::{self, Content, Output};
use super::terminal::Terminal;
use super::usage::mistake;
use super::{Exit, complain, sheet};
use crate::accepted::{job_name, now_s};
use crate::machine::Machine;
use crate::preflight::{JobSource, Preflight};
use crate::service::ledger::Ledger;
use crate::wording::{clock, counted, duration, safe, wrap};
use crate::workshop::prints::{
    FIRST_YEAR, PRINTS_FILE, PRINTS_MAX_BYTES, Print, PrintsFile, clock_s, latest_start, plan_digest, started,
};

const ADD_EXAMPLES: &str = "\
Examples:
  gonogo prints add hook.gcode --took 1:42:07
  gonogo prints add hook.gcode --took 1:42:07 --waited 0:03:00 --started \"2026-01-31 14:05\"
  gonogo prints add hook.gcode --took 0:20:00 --aborted

Prints are kept in gonogo.prints.csv beside the machine sheet, or in a ledger; `gonogo learn` sets the clock from them.";

const IMPORT_EXAMPLES: &str = "\
Examples:
  gonogo prints import old.csv --machine heron.toml
  gonogo prints import gonogo.prints.csv --ledger gonogo.ledger

The first line names the columns:
  job, measured_s, extruding_s, travel_s, extrude_only_s, dwell_s, nozzle_c,
  bed_c, homings, probings, tool_changes, layers, filament_mm
Others of gonogo.prints.csv may follow. Prints that are there already are not
taken twice.

Exit codes: 0 done, 2 something could not be read or written.";

const LIST_EXAMPLES: &str = "\
Example:
  gonogo prints list --machine heron.toml";

/// Keep finished prints with the time they took.
#[derive(Debug, Subcommand)]
pub enum PrintsCommand {
    /// Write down a finished print of a job.
    #[command(after_help = ADD_EXAMPLES)]
    Add(AddArgs),
    /// Take prints over from another file.
    #[command(after_help = IMPORT_EXAMPLES)]
    Import(ImportArgs),
    /// List the prints.
    #[command(after_help = LIST_EXAMPLES)]
    List(ListArgs),
}

/// A finished print.
#[derive(Debug, Args)]
pub struct AddArgs {
    /// The job.
    #[arg(value_name = "JOB")]
    job: PathBuf,
    /// How long it took from start to end.
    #[arg(long, value_name = "H:MM:SS", value_parser = time)]
    took: f64,
    /// How long of that it waited for a person.
    #[arg(long, value_name = "H:MM:SS", value_parser = time, default_value = "0:00:00")]
    waited: f64,
    /// When it was started, such as 2026-01-31 or "2026-01-31 14:05"; two prints of a job that took equally long are told apart by it.
    #[arg(long, value_name = "WHEN", value_parser = when)]
    started: Option<String>,
    /// It was ended before its time: kept, and not learned from.
    #[arg(long)]
    aborted: bool,
    #[command(flatten)]
    machine: sheet::MachineArg,
    #[command(flatten)]
    ledger: LedgerArg,
}

/// Prints of another file.
#[derive(Debug, Args)]
pub struct ImportArgs {
    /// A file of prints.
    #[arg(value_name = "FILE")]
    file: PathBuf,
    #[command(flatten)]
    machine: sheet::MachineArg,
    #[command(flatten)]
    ledger: LedgerArg,
}

/// Whose prints.
#[derive(Debug, Args)]
pub struct ListArgs {
    #[command(flatten)]
    machine: sheet::MachineArg,
    #[command(flatten)]
    ledger: LedgerArg,
}

/// Whether prints are kept in a ledger.
#[derive(Debug, Args)]
pub struct LedgerArg {
    /// Prints are kept in this ledger, and not beside the sheet.
    #[arg(long, value_name = "FILE")]
    ledger: Option<PathBuf>,
}

fn time(text: &str) -> Result<f64, String> {
    clock_s(text).ok_or_else(|| "h:mm:ss such as 1:42:07, or seconds".to_owned())
}

fn when(text: &str) -> Result<String, String> {
    match started(text) {
        Some(start) if start > latest_start(now_s()) => Err("that is in the future".to_owned()),
        Some(start) => Ok(start),
        None => Err(format!(
            "a day or a time without zone from {FIRST_YEAR} on, such as 2026-01-31 or \"2026-01-31 14:05\""
        )),
    }
}

/// Where prints are kept.
pub enum Store {
    /// In a file, usually beside the sheet.
    File(PathBuf),
    /// In a ledger.
    Ledger(Box<Ledger>),
}

impl LedgerArg {
    /// The ledger that `--ledger` names.
    pub fn path(&self) -> Option<&Path> {
        self.ledger.as_deref()
    }

    /// Where the prints of a machine are kept; a ledger that is not there is begun where `begin` says so.
    ///
    /// # Errors
    /// When there is no sheet beside which they could lie, or the ledger cannot be used.
    pub fn store(&self, machine: &Machine, begin: bool) -> anyhow::Result<Store> {
        Ok(match &self.ledger {
            Some(path) if begin => Store::Ledger(Box::new(Ledger::open(path)?)),
            Some(path) => Store::Ledger(Box::new(Ledger::open_existing(path)?)),
            None => Store::File(file_of(machine)?),
        })
    }
}

impl Store {
    /// Its file.
    pub fn path(&self) -> &Path {
        match self {
            Self::File(path) => path,
            Self::Ledger(ledger) => ledger.path(),
        }
    }

    /// The prints; none where there is no file yet.
    ///
    /// # Errors
    /// When they cannot be read, or the file is something else.
    pub fn read(&self) -> anyhow::Result<Option<PrintsFile>> {
        match self {
            Self::File(path) => read(path),
            Self::Ledger(ledger) => {
                let mut file = PrintsFile::default();
                file.prints = ledger.prints()?;
                Ok(Some(file))
            }
        }
    }

    /// Puts prints in but for those that are there: how many were put in, and how many there are.
    fn add(&self, prints: Vec<Print>) -> anyhow::Result<(usize, usize)> {
        match self {
            Self::File(path) => write(path, prints),
            Self::Ledger(ledger) => Ok(ledger.add_prints(&prints)?),
        }
    }
}

/// The file of prints of a machine.
fn file_of(machine: &Machine) -> anyhow::Result<PathBuf> {
    match sheet::file(machine) {
        Some(sheet) => Ok(sheet.with_file_name(PRINTS_FILE)),
        None => bail!("prints are kept beside the machine sheet, and none was found: give one with --machine"),
    }
}

/// Reads a file of prints; none where it is not there yet.
///
/// # Errors
/// When it cannot be read, or is something else.
pub fn read(path: &Path) -> anyhow::Result<Option<PrintsFile>> {
    let mut bytes = Vec::new();
    let limit = PRINTS_MAX_BYTES as u64 + 1;
    match File::open(path).and_then(|file| file.take(limit).read_to_end(&mut bytes)) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        read => read.with_context(|| format!("cannot read the prints {}", path.display()))?,
    };
    PrintsFile::read(&bytes).map(Some).with_context(|| format!("cannot read the prints {}", path.display()))
}

/// Runs the command.
pub fn run(command: &PrintsCommand, terminal: &Terminal) -> anyhow::Result<Exit> {
    match command {
        PrintsCommand::Add(args) => add(args, terminal),
        PrintsCommand::Import(args) => import(args, terminal),
        PrintsCommand::List(args) => list(args, terminal),
    }
}

fn add(args: &AddArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    if args.took - args.waited <= 0.0 {
        return Err(mistake("nothing is left of --took without --waited"));
    }
    let machine = sheet::load(&args.machine, terminal)?;
    let store = args.ledger.store(&machine, true)?;
    let path = store.path();
    let shown = args.job.display().to_string();
    let Some(job) = job_name(path, &shown) else {
        bail!("{shown} has no name by which it could be known again: give a file whose path is UTF-8");
    };
    // Whoever has something else under that name hears of it before the job is planned.
    store.read()?;
    // The error says what the system said; as a cause it would be said again.
    let inspection = Preflight::on(&machine).run(JobSource::at(&args.job)).map_err(|error| anyhow!("{error}"))?;
    let print = Print {
        started: args.started.clone(),
        waited_s: args.waited,
        aborted: args.aborted,
        ..Print::of(&job, &inspection, &plan_digest(&machine), args.took)
    };
    let (added, count) = store.add(vec![print])?;
    let place = path.display();
    let said = match added {
        0 if args.started.is_some() => {
            format!("This print is in {place} already: the same job with the same start. Nothing is added.")
        }
        0 => format!(
            "This print is in {place} already: the same job, as long. Nothing is added; if it is another one, tell when it \
             was started with --started."
        ),
        _ => {
            let planned = duration(inspection.reckoned_s());
            let by = if inspection.wall_time.is_some() { "by the clock" } else { "planned" };
            let took = duration(args.took - args.waited);
            format!("Took {took}, {by} {planned}. {} in {place}.", counted(count as u64, "print", "prints"))
        }
    };
    say(&[said], terminal)?;
    Ok(Exit::Passed)
}

/// Puts prints into the file but for those that are there. Others may do so at the same time: the file is read only once
/// nobody else can change it. How many were put in, and how many there are.
fn write(path: &Path, prints: Vec<Print>) -> anyhow::Result<(usize, usize)> {
    let _lock = output::lock(path)?;
    let file = read(path)?.unwrap_or_default();
    let mut fresh: Vec<Print> = Vec::new();
    for print in prints {
        if file.same_as(&print).is_none() && !fresh.iter().any(|other| other.is_same(&print)) {
            fresh.push(print);
        }
    }
    let count = file.prints.len() + fresh.len();
    if !fresh.is_empty() {
        let bytes = file.with(&fresh);
        if bytes.len() > PRINTS_MAX_BYTES {
            bail!("nothing is written: {} would have more than {PRINTS_MAX_BYTES} bytes", path.display());
        }
        output::put(path, &bytes)?;
    }
    Ok((fresh.len(), count))
}

fn import(args: &ImportArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    let machine = sheet::load(&args.machine, terminal)?;
    let store = args.ledger.store(&machine, true)?;
    let path = store.path();
    output::spare(path, [args.file.as_path()])?;
    let Some(mut from) = read(&args.file)? else {
        bail!("cannot read the prints {}: there is none", args.file.display())
    };
    from.refuse_after(&latest_start(now_s()));
    let (source, prints) = (args.file.display().to_string(), from.prints);
    // What its owner does not say is of this machine.
    let owned = |(_, print): (u64, Print)| Print { machine: print.machine.or(Some(machine.name.clone())), ..print };
    let given = prints.len() + from.repeated.len();
    let (added, count) = store.add(prints.into_iter().map(owned).collect())?;
    for fault in &from.faults {
        complain(&format!("{source}: {fault}"));
    }
    let (added_words, all) = (counted(added as u64, "print", "prints"), counted(count as u64, "print", "prints"));
    let known = match given - added {
        0 => String::new(),
        known => format!(", {known} known already"),
    };
    let bad = match from.faults.len() {
        0 => String::new(),
        bad => format!(", {} that cannot be read", counted(bad as u64, "row", "rows")),
    };
    say(&[format!("Took over {added_words}{known}{bad}. {all} in {}.", path.display())], terminal)?;
    Ok(if from.faults.is_empty() { Exit::Passed } else { Exit::Unjudged })
}

fn list(args: &ListArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    let machine = sheet::load(&args.machine, terminal)?;
    let store = args.ledger.store(&machine, false)?;
    let path = store.path();
    let Some(file) = store.read()? else {
        say(&[format!("No prints yet: {} is not there.", path.display())], terminal)?;
        return Ok(Exit::Passed);
    };
    let count = counted(file.prints.len() as u64, "print", "prints");
    let mut lines = vec![format!("{count} in {}, each with the time from start to end", path.display())];
    for (_, print) in &file.prints {
        let (took_s, waited_s) = (print.took_s(), print.waited_s);
        let waited = || format!(", of which it waited {} and took {}", clock(waited_s), duration(took_s));
        let waited = if waited_s > 0.0 { waited() } else { String::new() };
        let aborted = if print.aborted { ", aborted" } else { "" };
        let started =
            print.started.as_ref().map_or(String::new(), |when| format!(", started {}", when.replace('T', " ")));
        // A ledger has those of all machines.
        let machine = print.machine.as_ref().filter(|_| args.ledger.ledger.is_some());
        let machine = machine.map(|name| format!(" on {name}")).unwrap_or_default();
        lines.push(format!("{}  {}{machine}{waited}{aborted}{started}", clock(print.measured_s), print.job));
    }
    lines.extend(file.repeated.iter().map(|(line, first)| format!("line {line} says again what line {first} says")));
    for fault in &file.faults {
        complain(&format!("{}: {fault}", path.display()));
    }
    say(&lines, terminal)?;
    Ok(if file.faults.is_empty() { Exit::Passed } else { Exit::Unjudged })
}

/// Says lines on standard output; nothing in them acts on a terminal.
///
/// # Errors
/// When they cannot be written.
pub fn say(lines: &[String], terminal: &Terminal) -> anyhow::Result<()> {
    let look = terminal.stdout_look();
    let mut output = Output::stdout(Content::Page { color: look.color });
    for line in lines.iter().flat_map(|line| wrap(&safe(line), look.width)) {
        writeln!(output, "{}", crate::show::marks::styled(&line, Style::new(), look.color))?;
    }
    output.finish().context("cannot write")
}
