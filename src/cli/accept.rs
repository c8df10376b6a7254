//! `gonogo accept`, and the options that name the accepted findings.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use clap::Args;

use super::faults::Faults;
use super::output::{self, Content, Output};
use super::terminal::Terminal;
use super::usage::mistake;
use super::{Exit, explain, sheet};
use crate::accepted::{
    self, ACCEPTED_FILE, Accepted, AcceptedError, Day, Entry, day_from, job_name, nearest, reason, today,
};
use crate::checks::{self, is_unsafe};
use crate::findings::{Finding, Inspection};
use crate::preflight::{JobSource, Preflight};
use crate::show::marks::severity_mark;
use crate::wording::{safe, units, wrap};

const EXAMPLES: &str = "\
Examples:
  gonogo accept hook.gcode --check purge-line --because \"the clip is off\"
  gonogo accept hook.gcode --check melt-rate-exceeded \\
      --because \"prints well, 12 test parts\" --until 2099-01-31
  gonogo accept hook.gcode --check outside-travel --even-unsafe \\
      --because \"the end stop was moved by hand\"

Entries are kept in a file that people can review. They are bound to the job's
path from the folder of that file, the machine's name, the check and the place
in the part. Slicing anew keeps them; more hits, a worse value or other places
count again. Laying the part elsewhere keeps them while all that is printed
moves along: a purge line at a fixed place does not. `gonogo check` finds the
file from the current directory upward, like a sheet.

A no-go on heat or travel can burn, set fire or drive an axis into something.
Accepting one does not make it safe: stay with the machine; the maker's
documents come first.

Exit codes: 0 accepted, 2 not.";

/// Accept what a check finds on a job, with a reason, so that it no longer decides the verdict.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct AcceptArgs {
    /// The job.
    #[arg(value_name = "JOB")]
    job: PathBuf,
    /// Accept what this check finds.
    #[arg(long, value_name = "ID")]
    check: String,
    /// Why it may be passed over.
    #[arg(long, value_name = "TEXT", value_parser = reason)]
    because: String,
    /// Last day on which it counts as accepted, such as 2027-01-31.
    #[arg(long, value_name = "DATE", value_parser = day)]
    until: Option<Day>,
    /// Who accepts it.
    #[arg(long, value_name = "NAME", value_parser = reason)]
    by: Option<String>,
    /// Accept no-go findings on heat and travel too; every report says so in its head.
    #[arg(long)]
    even_unsafe: bool,
    #[command(flatten)]
    machine: sheet::MachineArg,
    #[command(flatten)]
    accepted: AcceptedArg,
}

/// Which file of accepted findings.
#[derive(Debug, Args)]
pub struct AcceptedArg {
    /// The accepted findings; otherwise gonogo.accepted.toml is looked for from the current directory upward.
    #[arg(long, value_name = "FILE")]
    accepted: Option<PathBuf>,
    /// Take this for today's date; otherwise the clock says, in UTC.
    #[arg(long, value_name = "DATE", value_parser = day, hide = true)]
    today: Option<Day>,
}

/// A day.
pub fn day(text: &str) -> Result<Day, String> {
    day_from(text).ok_or_else(|| "a day such as 2027-01-31".to_owned())
}

impl AcceptedArg {
    /// Today.
    pub fn today(&self) -> Day {
        self.today.unwrap_or_else(today)
    }

    /// The file, where there is one.
    fn file(&self) -> anyhow::Result<Option<PathBuf>> {
        if let Some(path) = &self.accepted {
            return Ok(Some(path.clone()));
        }
        Ok(nearest(&std::env::current_dir().context("cannot tell the working directory")?))
    }

    /// The accepted findings; empty without a file.
    ///
    /// # Errors
    /// When the file cannot be read or has faults, or there is no working directory to start from.
    pub fn load(&self, terminal: &Terminal) -> anyhow::Result<Accepted> {
        let Some(path) = self.file()? else { return Ok(empty(Path::new(ACCEPTED_FILE))) };
        Accepted::load(&path).map_err(|error| Faults::of_accepted(&error, terminal))
    }
}

fn empty(path: &Path) -> Accepted {
    Accepted { source: path.to_string_lossy().into_owned(), entries: Vec::new() }
}

/// Runs the command.
pub fn run(args: &AcceptArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    let Some(check) = checks::find(&args.check).map(|check| check.id) else {
        return Err(mistake(explain::unknown(&args.check, checks::CATALOGUE)));
    };
    let today = args.accepted.today();
    if let Some(until) = args.until.filter(|until| *until < today) {
        return Err(mistake(format!("--until {until} has passed, today is {today} (UTC): nothing would be accepted")));
    }
    if args.job.as_os_str() == "-" {
        return Err(mistake("standard input has no name by which the finding could be known again: give a file"));
    }
    let machine = sheet::load(&args.machine, terminal)?;
    let path = args.accepted.file()?.unwrap_or_else(|| PathBuf::from(ACCEPTED_FILE));
    let Some(job) = job_name(&path, &args.job.display().to_string()) else {
        bail!("the path of {} is not UTF-8: an entry could not tell it from others", args.job.display());
    };
    // Whoever has faults in the file hears of them before the job is judged.
    load(&path, terminal)?;
    let inspection = Preflight::on(&machine).run(JobSource::at(&args.job))?;
    let found: Vec<&Finding> = inspection.findings.iter().filter(|finding| finding.check == check).collect();
    if found.is_empty() {
        bail!("{check} finds nothing in {} on {}: there is nothing to accept", args.job.display(), machine.name);
    }
    if !args.even_unsafe && found.iter().any(|finding| is_unsafe(check, finding.severity)) {
        bail!(
            "{check} is a no-go on heat or travel: mend the job or the sheet. Where you know why it is safe on this \
             machine, --even-unsafe accepts it, and every report says so in its head"
        );
    }
    args.write(&path, &job, &inspection, &found, terminal)?;
    tell(&found, &path.to_string_lossy(), terminal)?;
    Ok(Exit::Passed)
}

impl AcceptArgs {
    /// Puts the findings into the file. Others may do so at the same time: the file is read only once nobody else can
    /// change it, and what is to stand there is read back before it does.
    fn write(
        &self,
        path: &Path,
        job: &str,
        inspection: &Inspection,
        found: &[&Finding],
        terminal: &Terminal,
    ) -> anyhow::Result<()> {
        let _lock = output::lock(path)?;
        let (known, text) = load(path, terminal)?;
        let entries: Vec<_> = found
            .iter()
            .map(|finding| {
                let replaces = known.entry_for(inspection, finding).map(|entry| entry.fingerprint.clone());
                let entry = Entry::of(job, inspection, finding, &self.because);
                (replaces, Entry { until: self.until, by: self.by.clone(), ..entry })
            })
            .collect();
        let text = accepted::put(&text, &entries)?;
        let shown = path.display();
        if let Err(faults) = Accepted::parse(&format!("{shown} with the new entry"), &text) {
            let rendered = AcceptedError::from(faults).render(terminal.stderr_color());
            return Err(Faults::rendered(rendered)
                .under(&format!("nothing is written: {shown} could not be read any more with the new entry"))
                .into());
        }
        output::put(path, text.as_bytes())
    }
}

/// The entries of the file and its text; none where it is not there yet.
fn load(path: &Path, terminal: &Terminal) -> anyhow::Result<(Accepted, String)> {
    match Accepted::load_text(path) {
        Err(AcceptedError::Read { source, .. }) if source.kind() == io::ErrorKind::NotFound => {
            Ok((empty(path), String::new()))
        }
        known => known.map_err(|error| Faults::of_accepted(&error, terminal)),
    }
}

fn tell(found: &[&Finding], path: &str, terminal: &Terminal) -> anyhow::Result<()> {
    let look = terminal.stdout_look();
    let mut output = Output::stdout(Content::Page { color: look.color });
    for finding in found {
        let line = finding.line.map(|line| format!(" line {line}:")).unwrap_or_default();
        let mark = severity_mark(finding.severity);
        let text = format!("{mark} {}{line} {} [{}]", finding.severity, units(&safe(&finding.message)), finding.check);
        for line in wrap(&text, look.width) {
            writeln!(output, "{line}")?;
        }
    }
    writeln!(output, "Accepted in {}", safe(path))?;
    if found.iter().any(|finding| is_unsafe(&finding.check, finding.severity)) {
        let caution = "This can burn, set fire or drive an axis into something. Stay with the machine, ready to cut its \
            power; the maker's documents come first.";
        for line in wrap(caution, look.width) {
            writeln!(output, "{line}")?;
        }
    }
    output.finish().context("cannot write")
}
