//! `gonogo sheet import` and `gonogo sheet lines`.

mod json;
mod page;

use std::fs::File;
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use clap::{Args, ValueEnum};

use super::faults::Faults;
use super::format::among;
use super::output::{self, Content, Output};
use super::sheet::SheetArg;
use super::terminal::{self, Terminal};
use super::usage::mistake;
use super::{Exit, complain, jobs};
use crate::machine::{Machine, SHEET_MAX_BYTES, sheet_bytes};
use crate::show::report::{
    Look,
    format::{self, Offer, offer},
};
use crate::wording::path as shown_path;
use crate::workshop::settings::{self, Fresh, Merged, Row, Settings, SpeedUnit};

const IMPORT_EXAMPLES: &str = "\
Examples:
  gonogo sheet import says.txt                           what the text says
  gonogo sheet import says.txt -o heron.toml             make a new sheet of it
  gonogo sheet import says.txt --into heron.toml         what would change in a sheet
  gonogo sheet import says.txt --into heron.toml --write change it
  gonogo sheet import                                    paste the text, then end the input

The text is what a machine answers over its serial line when it is asked for its settings:
G-code lines such as M92 X80 Y80, with whatever stands around them.

Exit codes: 0 done, 2 nothing could be read or written.";

const LINES_EXAMPLES: &str = "\
Examples:
  gonogo sheet lines heron.toml > heron.gcode
  gonogo sheet lines --machine heron.toml

Check every line against the maker's documents before you send it, stay with the machine,
and keep the heaters off.";

/// Read settings that a machine prints as G-code lines, and put them into a sheet.
#[derive(Debug, Args)]
#[command(after_help = IMPORT_EXAMPLES)]
pub struct ImportArgs {
    /// The text; - or nothing for standard input.
    #[arg(value_name = "FILE")]
    file: Option<PathBuf>,
    /// Show what would change in SHEET; with --write, change it.
    #[arg(long, value_name = "SHEET")]
    into: Option<PathBuf>,
    /// Write the resulting sheet to SHEET: a new one, or with --into a changed copy; - prints it.
    #[arg(short, long, value_name = "SHEET")]
    output: Option<PathBuf>,
    /// Replace a sheet that is there already.
    #[arg(long)]
    write: bool,
    /// Take the numbers of M203 as mm per second or per minute; without, doubtful ones are not kept.
    #[arg(long, value_name = "UNIT", value_enum)]
    m203_per: Option<Per>,
    /// How to tell what was read.
    #[arg(long, value_parser = among(FORMATS), default_value = format::TEXT.word)]
    format: &'static Offer<Make>,
}

/// The time that a speed is given for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Per {
    /// mm/s.
    Second,
    /// mm/min.
    Minute,
}

/// Print a sheet's settings as G-code lines to type or send.
#[derive(Debug, Args)]
#[command(after_help = LINES_EXAMPLES)]
pub struct LinesArgs {
    #[command(flatten)]
    sheet: SheetArg,
}

/// Runs `gonogo sheet lines`.
pub fn lines(args: &LinesArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    let machine = args.sheet.load(terminal)?;
    let mut output = Output::stdout(Content::Data);
    output.write_all(settings::lines(&machine).as_bytes()).and_then(|()| output.finish())?;
    Ok(Exit::Passed)
}

/// What an import comes to.
struct ImportOutcome {
    rows: Vec<Row>,
    /// Text of the sheet, where one was asked for and there is something to keep.
    sheet: Option<String>,
    /// Keys of it that are to be filled in.
    missing: Vec<String>,
    fate: SheetFate,
}

/// What becomes of the sheet.
#[derive(Debug, PartialEq)]
enum SheetFate {
    /// None was named.
    NotAsked,
    /// It says all this already.
    Unchanged(PathBuf),
    /// It would change.
    Compared(PathBuf),
    /// It goes to standard output.
    Printed,
    /// It is written.
    Written(PathBuf),
}

/// Runs `gonogo sheet import`.
///
/// # Errors
/// When the text or the sheet cannot be read, or the result cannot be written.
pub fn import(args: &ImportArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    if args.write && args.into.is_none() && args.output.is_none() {
        return Err(mistake("--write replaces a sheet: name it with --into or -o"));
    }
    let source = args.file.as_deref().unwrap_or(Path::new("-"));
    for target in args.into.iter().chain(&args.output).filter(|path| !jobs::is_stdin(path) && !jobs::is_stdin(source)) {
        output::spare(target, [source])?;
    }
    let settings = read(source, args.m203_per)?;
    // Nobody may change the sheet between the reading and the writing of it.
    let _lock = match &args.into {
        Some(into) if args.write && !jobs::is_stdin(into) => Some(output::lock(into)?),
        _ => None,
    };
    let outcome = resolve(args, &settings, terminal)?;
    if let (SheetFate::Written(path), Some(text)) = (&outcome.fate, &outcome.sheet) {
        write(path, text, args.write)?;
    }
    tell(args, source, &settings, &outcome, terminal).context("cannot write the table")?;
    if settings.values().is_empty() {
        bail!("{} gives no value that a sheet can keep", shown(source));
    }
    if let (SheetFate::Printed, Some(text)) = (&outcome.fate, &outcome.sheet) {
        let mut output = Output::stdout(Content::Data);
        output.write_all(text.as_bytes()).and_then(|()| output.finish()).context("cannot write the sheet")?;
    }
    Ok(Exit::Passed)
}

/// The name of a text of settings, for messages.
pub fn shown(source: &Path) -> String {
    shown_path(&source.display().to_string()).into_owned()
}

/// Reads a text of settings.
///
/// # Errors
/// When it cannot be read.
pub fn read(source: &Path, per: Option<Per>) -> anyhow::Result<Settings> {
    let speeds = match per {
        None => SpeedUnit::Judged,
        Some(Per::Second) => SpeedUnit::PerSecond,
        Some(Per::Minute) => SpeedUnit::PerMinute,
    };
    let context = || format!("cannot read {}", shown(source));
    if !jobs::is_stdin(source) {
        return File::open(source).and_then(|file| settings::read(file, speeds)).with_context(context);
    }
    if io::stdin().is_terminal() {
        complain("paste the text, then end the input (Ctrl-D, or Ctrl-Z and Enter)");
    }
    settings::read(io::stdin().lock(), speeds).with_context(context)
}

/// Finds out what becomes of the settings.
fn resolve(args: &ImportArgs, settings: &Settings, terminal: &Terminal) -> anyhow::Result<ImportOutcome> {
    let target = |path: &Path| match jobs::is_stdin(path) {
        true => SheetFate::Printed,
        false => SheetFate::Written(path.to_owned()),
    };
    Ok(match (&args.into, &args.output) {
        _ if settings.values().is_empty() => ImportOutcome::nothing(settings),
        (None, None) => ImportOutcome::nothing(settings),
        (None, Some(output)) => {
            let Fresh { text, rows, missing } = settings::fresh(settings);
            // Until it is filled in it has faults, which say what is missing.
            if missing.is_empty() {
                read_back("the new sheet", &text, terminal)?;
            }
            ImportOutcome { rows, sheet: Some(text), missing, fate: target(output) }
        }
        (Some(into), output) => {
            let (Merged { text, rows }, differs) = merge(into, settings, terminal)?;
            let fate = match output {
                Some(output) => target(output),
                None if !differs => SheetFate::Unchanged(into.clone()),
                None if args.write => SheetFate::Written(into.clone()),
                None => SheetFate::Compared(into.clone()),
            };
            ImportOutcome { rows, sheet: Some(text), missing: Vec::new(), fate }
        }
    })
}

impl ImportOutcome {
    fn nothing(settings: &Settings) -> Self {
        Self { rows: settings.rows.clone(), sheet: None, missing: Vec::new(), fate: SheetFate::NotAsked }
    }
}

/// The sheet with the settings in it, and whether that differs from what it was.
fn merge(path: &Path, settings: &Settings, terminal: &Terminal) -> anyhow::Result<(Merged, bool)> {
    let bytes = sheet_bytes(path).with_context(|| format!("cannot read {}", path.display()))?;
    let readable = std::str::from_utf8(&bytes).ok().filter(|text| text.len() <= SHEET_MAX_BYTES);
    let merged = readable.map(|text| settings::merge(settings, text));
    let (Some(text), Some(Ok(merged))) = (readable, merged) else {
        // The reader of sheets says what is wrong, and where.
        let Err(faults) = Machine::load(path) else { bail!("cannot change {}: it is no TOML", path.display()) };
        return Err(Faults::of_sheet(&faults, terminal).into());
    };
    // Lines count in the changed text, so it is named as such.
    read_back(&format!("{} with the settings in it", path.display()), &merged.text, terminal)?;
    let differs = merged.text != text;
    Ok((merged, differs))
}

/// What is going to be written must be a sheet.
fn read_back(name: &str, text: &str, terminal: &Terminal) -> anyhow::Result<()> {
    let Err(faults) = Machine::parse(name, text) else { return Ok(()) };
    Err(Faults::of_sheet(&faults.into(), terminal).under(&format!("nothing is written: {name} has faults")).into())
}

fn write(path: &Path, text: &str, replace: bool) -> anyhow::Result<()> {
    let shown = path.display();
    if !replace && path.symlink_metadata().is_ok() {
        bail!("{shown} is there already: --write replaces it, --into {shown} changes values in it");
    }
    let mut output = Output::file(path)?;
    output.write_all(text.as_bytes()).and_then(|()| output.finish()).with_context(|| format!("cannot write {shown}"))
}

type Make = fn(&Path, &Settings, &ImportOutcome, Look, &mut dyn Write) -> io::Result<()>;

const FORMATS: &[Offer<Make>] = &[
    offer(&format::TEXT, |_, settings, outcome, look, out| {
        page::table(&outcome.rows, look, out)?;
        page::summary(settings, outcome, look, out)
    }),
    offer(&format::JSON, |source, settings, outcome, _, out| json::write(source, settings, outcome, out)),
];

/// A page on standard error.
fn tell_aside(page: &[u8]) -> io::Result<()> {
    io::stderr().write_all(terminal::shown_page(&String::from_utf8_lossy(page)).as_bytes())
}

/// Tells on standard error, in a table as that of an import, what was not kept of a text.
///
/// # Errors
/// When nobody hears it.
pub fn tell_not_kept(settings: &Settings, rows: &[Row], terminal: &Terminal) -> io::Result<()> {
    let mut told = Vec::new();
    page::not_kept(settings, rows, terminal.stderr_look(), &mut told)?;
    tell_aside(&told)
}

/// Says what became of each value: on standard output, or on standard error when the sheet goes there.
fn tell(
    args: &ImportArgs,
    source: &Path,
    settings: &Settings,
    outcome: &ImportOutcome,
    terminal: &Terminal,
) -> io::Result<()> {
    let look = terminal.stdout_look();
    let mut told = Vec::new();
    (args.format.make)(source, settings, outcome, look, &mut told)?;
    if outcome.fate == SheetFate::Printed {
        return tell_aside(&told);
    }
    let mut output =
        Output::stdout(if args.format.format.is_page { Content::Page { color: false } } else { Content::Data });
    output.write_all(&told)?;
    output.finish()
}
