//! `gonogo learn`.

use std::collections::BTreeMap;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use clap::Args;

use super::faults::Faults;
use super::format::among;
use super::output::{self, Content, Output};
use super::prints::{self, Store};
use super::terminal::Terminal;
use super::{Exit, complain, sheet};
use crate::findings::Inspection;
use crate::machine::{LearnedClock, Machine};
use crate::preflight::{JobSource, Preflight};
use crate::show::report::{
    Look,
    format::{self, Offer, offer},
    learn::{self as page, Told},
    learn_json,
};
use crate::workshop::prints::{Print, Since, learn_since, plan_digest, started, write_clock};

const EXAMPLES: &str = "\
Examples:
  gonogo learn --machine heron.toml             what finished prints tell
  gonogo learn --machine heron.toml --write     and put it into the sheet
  gonogo learn --prints old.csv --format json
  gonogo learn --ledger gonogo.ledger
  gonogo learn --since 2026-01-31               since the new nozzle

Prints come from `gonogo prints add`. Reported times alone depend on the clock: no plan and no check does.
Exit codes: 0 done, 1 --write was asked for and the clock is no good, 2 there are too few prints, or something (a row, \
too) could not be read or written.";

/// Learn from finished prints how long prints really take, and how sure that is.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct LearnArgs {
    #[command(flatten)]
    machine: sheet::MachineArg,
    /// Learn from this file; otherwise from gonogo.prints.csv beside the sheet.
    #[arg(long, value_name = "FILE", conflicts_with = "ledger")]
    prints: Option<PathBuf>,
    #[command(flatten)]
    ledger: prints::LedgerArg,
    /// Look here too for jobs of prints that must be planned anew, by the names of their files.
    #[arg(long, value_name = "FOLDER")]
    jobs: Option<PathBuf>,
    /// Learn from this print on: from a day or a time of start, or from a line of the file (a number in the ledger).
    #[arg(long, value_name = "WHEN|LINE", value_parser = since)]
    since: Option<First>,
    /// Put the clock into the sheet, unless it is no good.
    #[arg(long)]
    write: bool,
    /// How to report.
    #[arg(long, value_parser = among(FORMATS), default_value = format::TEXT.word)]
    format: &'static Offer<Make>,
}

/// From which print on.
#[derive(Debug, Clone)]
enum First {
    Start(String),
    Line(u64),
}

fn since(text: &str) -> Result<First, String> {
    let start = started(text).map(First::Start);
    let from = start.or_else(|| text.trim().parse().ok().map(First::Line));
    from.ok_or_else(|| {
        "a day, a time without zone or a line, such as 2026-01-31, \"2026-01-31 14:05\" or 12".to_owned()
    })
}

type Make = fn(&Told<'_>, Look, &mut dyn Write) -> io::Result<()>;

const FORMATS: &[Offer<Make>] =
    &[offer(&format::TEXT, page::write), offer(&format::JSON, |told, _, out| learn_json::write(told, out))];

/// Runs the command.
pub fn run(args: &LearnArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    let machine = sheet::load(&args.machine, terminal)?;
    if args.write && sheet::file(&machine).is_none() {
        bail!("--write puts the clock into a machine sheet, and none was found: give one with --machine");
    }
    let named = args.prints.clone().map(|file| Ok(Store::File(file)));
    let store = named.unwrap_or_else(|| args.ledger.store(&machine, false))?;
    let path = store.path();
    let Some(mut file) = store.read()? else {
        bail!("there are no prints in {} yet: tell them with `gonogo prints add`", path.display());
    };
    plan_anew(&mut file.prints, &machine, path, args.jobs.as_deref());
    let all: Vec<Print> = file.prints.iter().map(|(_, print)| print.clone()).collect();
    let since = args.since.as_ref().map(|from| from.among(&file.prints, path)).transpose()?;
    let learned = learn_since(&machine, &all, since.as_ref()).with_context(|| {
        file.faults.iter().for_each(|fault| complain(&format!("{}: {fault}", path.display())));
        format!("cannot learn from {}", path.display())
    })?;
    let is_written = args.write && learned.doubt.is_none();
    if is_written {
        write(&machine, &learned.clock, terminal)?;
    }
    let source = path.display().to_string();
    let told = Told {
        machine: &machine,
        learned: &learned,
        prints: &file.prints,
        in_ledger: matches!(store, Store::Ledger(_)),
        source: &source,
        faults: &file.faults,
        repeated: &file.repeated,
        written: is_written.then_some(machine.source.as_str()),
        options: &args.options(),
    };
    let look = terminal.stdout_look();
    let is_page = args.format.format.is_page;
    let mut output = Output::stdout(if is_page { Content::Page { color: look.color } } else { Content::Data });
    (args.format.make)(&told, look, &mut output).and_then(|()| output.finish()).context("cannot write the report")?;
    let is_refused = args.write && !is_written;
    if is_refused && !is_page {
        complain("nothing is written: the clock is no good, see `doubt`");
    }
    Ok(match (file.faults.is_empty(), is_refused) {
        (false, _) => Exit::Unjudged,
        (true, true) => Exit::Failed,
        (true, false) => Exit::Passed,
    })
}

impl First {
    /// Which of the prints it is.
    fn among(&self, prints: &[(u64, Print)], path: &Path) -> anyhow::Result<Since> {
        match self {
            Self::Start(start) => Ok(Since::Start(start.clone())),
            Self::Line(line) => match prints.iter().position(|(number, _)| number == line) {
                Some(print) => Ok(Since::Print(print)),
                None => bail!("--since {line}: there is no print under that number in {}", path.display()),
            },
        }
    }
}

impl LearnArgs {
    /// What tells sheet and prints, to be typed again.
    fn options(&self) -> String {
        let given = [
            ("machine", self.machine.path()),
            ("prints", self.prints.as_deref()),
            ("ledger", self.ledger.path()),
            ("jobs", self.jobs.as_deref()),
        ];
        let option =
            |(name, path): (&str, Option<&Path>)| Some(format!(" --{name} {}", typed(&path?.display().to_string())));
        given.into_iter().filter_map(option).collect()
    }
}

/// A word as a shell takes it.
fn typed(word: &str) -> String {
    let is_plain = |c: char| c.is_alphanumeric() || "/._-+=:,@%".contains(c);
    if !word.is_empty() && word.chars().all(is_plain) {
        word.to_owned()
    } else {
        format!("'{}'", word.replace('\'', "'\\''"))
    }
}

/// Plans the jobs of prints anew whose parts come from another version or another sheet, where the job is at hand: under its
/// name from the folder of the file, or under the name of its file in another folder. What is not at hand stays as it is.
fn plan_anew(prints: &mut [(u64, Print)], machine: &Machine, file: &Path, jobs: Option<&Path>) {
    let digest = plan_digest(machine);
    let folder = file.parent().unwrap_or(Path::new(""));
    let mut planned: BTreeMap<PathBuf, Option<Inspection>> = BTreeMap::new();
    for (_, print) in prints {
        if !print.is_of(&machine.name) || !print.is_old(&digest) || print.aborted {
            continue;
        }
        let beside = folder.join(&print.job);
        let elsewhere = jobs.and_then(|jobs| Some(jobs.join(Path::new(&print.job).file_name()?)));
        let candidates = [Some(beside), elsewhere].into_iter().flatten();
        // A packed job is known by its plain name.
        let candidates = candidates.flat_map(|path| {
            let mut packed = path.clone().into_os_string();
            packed.push(".gz");
            [path, packed.into()]
        });
        for path in candidates.filter(|path| path.is_file()) {
            let inspection = planned
                .entry(path.clone())
                .or_insert_with(|| Preflight::on(machine).run(JobSource::at(&path)).ok())
                .as_ref()
                .filter(|found| print.job_digest.as_ref().is_none_or(|known| *known == found.job.digest));
            if let Some(inspection) = inspection {
                *print = print.planned_anew(inspection, &digest);
                break;
            }
        }
    }
}

/// Puts the clock into the sheet. It is read once more when nobody else can change it, and what is to stand there is read
/// back before it does.
fn write(machine: &Machine, clock: &LearnedClock, terminal: &Terminal) -> anyhow::Result<()> {
    let path = Path::new(&machine.source);
    let shown = path.display();
    let _lock = output::lock(path)?;
    let bytes = fs::read(path).with_context(|| format!("cannot read {shown}"))?;
    if bytes != machine.text.as_bytes() {
        bail!("nothing is written: {shown} was changed meanwhile; learn again");
    }
    let text = write_clock(&machine.text, clock)?;
    let meant = machine.clock.map_or(*clock, |before| clock.or(&before));
    match Machine::parse(&format!("{shown} with its clock"), &text) {
        Ok(written) if written.clock == Some(meant) => {}
        Ok(_) => bail!("nothing is written: {shown} would not say what was learned"),
        Err(faults) => {
            let sentence = format!("nothing is written: {shown} has faults with its clock");
            return Err(Faults::of_sheet(&faults.into(), terminal).under(&sentence).into());
        }
    }
    output::put(path, text.as_bytes())
}
