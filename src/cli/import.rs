//! `gonogo sheet import` and `gonogo sheet lines`.

use std::fs::File;
use std::io::{self, IsTerminal, Read, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use clap::{Args, ValueEnum};
use comfy_table::{ColumnConstraint, ContentArrangement, Table, Width, presets};
use serde::Serialize;

use super::faults::Faults;
use super::format::among;
use super::output::{Content, Output};
use super::sheet::MachineArg;
use super::terminal::Terminal;
use super::{Exit, complain, jobs, sheet};
use crate::machine::{Machine, SHEET_MAX_BYTES};
use crate::show::report::{
    Look,
    format::{self, Offer, offer},
    json,
};
use crate::wording::{counted, path as shown_path, safe, with_unit, wrap};
use crate::workshop::settings::{self, Fate, Fresh, Merged, Row, Settings, SpeedUnit};

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

/// Narrowest page for a table of columns.
const TABLE_COLUMNS: usize = 70;
/// Widest column for what stands in the text.
const TEXT_COLUMNS: u16 = 20;
/// Schema of the JSON.
const SCHEMA: &str = "gonogo.import/1";

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

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Per {
    /// mm/s.
    Second,
    /// mm/min.
    Minute,
}

/// Print a sheet's settings as G-code lines to type or send.
#[derive(Debug, Args)]
#[command(after_help = LINES_EXAMPLES)]
pub struct LinesArgs {
    /// The machine sheet, as with --machine.
    #[arg(value_name = "SHEET", conflicts_with = "machine")]
    sheet: Option<PathBuf>,
    #[command(flatten)]
    machine: MachineArg,
}

/// Runs `gonogo sheet lines`.
pub fn lines(args: &LinesArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    let named = args.sheet.clone().map(MachineArg::naming);
    let machine = sheet::load(named.as_ref().unwrap_or(&args.machine), terminal)?;
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
        bail!("--write replaces a sheet: name it with --into or -o");
    }
    let source = args.file.as_deref().unwrap_or(Path::new("-"));
    let settings = read(source, args.m203_per)?;
    let outcome = resolve(args, &settings, terminal)?;
    if let (SheetFate::Written(path), Some(text)) = (&outcome.fate, &outcome.sheet) {
        write(path, text, args.write)?;
    }
    tell(args, source, &settings, &outcome, terminal).context("cannot write the table")?;
    if settings.values().is_empty() {
        bail!("{} gives no value that a sheet can keep", shown_path(&source.display().to_string()));
    }
    if let (SheetFate::Printed, Some(text)) = (&outcome.fate, &outcome.sheet) {
        let mut output = Output::stdout(Content::Data);
        output.write_all(text.as_bytes()).and_then(|()| output.finish()).context("cannot write the sheet")?;
    }
    Ok(Exit::Passed)
}

fn read(source: &Path, per: Option<Per>) -> anyhow::Result<Settings> {
    let speeds = match per {
        None => SpeedUnit::Judged,
        Some(Per::Second) => SpeedUnit::PerSecond,
        Some(Per::Minute) => SpeedUnit::PerMinute,
    };
    let context = || format!("cannot read {}", shown_path(&source.display().to_string()));
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
    let mut bytes = Vec::new();
    let limit = SHEET_MAX_BYTES as u64 + 1;
    File::open(path)
        .and_then(|file| file.take(limit).read_to_end(&mut bytes))
        .with_context(|| format!("cannot read {}", path.display()))?;
    let readable = std::str::from_utf8(&bytes).ok().filter(|text| text.len() <= SHEET_MAX_BYTES);
    let merged = readable.map(|text| settings::merge(settings, text));
    let (Some(text), Some(Ok(merged))) = (readable, merged) else {
        // The reader of sheets says what is wrong, and where.
        let Err(faults) = Machine::load(path) else { bail!("cannot change {}: it is no TOML", path.display()) };
        return Err(Faults::of_sheet(&faults, terminal).into());
    };
    // Lines count in the changed text, so it is named as such.
    let name = format!("{} with the settings in it", path.display());
    Machine::parse(&name, &merged.text).map_err(|faults| Faults::of_sheet(&faults.into(), terminal))?;
    let differs = merged.text != text;
    Ok((merged, differs))
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
        table(&outcome.rows, look, out)?;
        summary(settings, outcome, look, out)
    }),
    offer(&format::JSON, |source, settings, outcome, _, out| {
        json::write_value(&Document::new(source, settings, outcome), true, out)?;
        writeln!(out)
    }),
];

/// Tells what became of each value: on standard output, or on standard error when the sheet goes there.
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
        return io::stderr().write_all(&told);
    }
    let mut output =
        Output::stdout(if args.format.format.is_page { Content::Page { color: false } } else { Content::Data });
    output.write_all(&told)?;
    output.finish()
}

fn table(rows: &[Row], look: Look, out: &mut dyn Write) -> io::Result<()> {
    if rows.is_empty() {
        return Ok(());
    }
    if look.width < TABLE_COLUMNS {
        stack(rows, look, out)?;
        return writeln!(out);
    }
    let mut table = Table::new();
    table.load_style(presets::NOTHING).set_content_arrangement(ContentArrangement::Dynamic);
    table.set_width(u16::try_from(look.width).unwrap_or(u16::MAX));
    table.set_header(["line", "in the text", "", "key and value"]);
    for row in rows {
        table.add_row([&*row.line.to_string(), &*safe(&row.text), row.fate.word(), &*what(row)]);
    }
    for column in table.column_iter_mut() {
        column.set_padding((0, 2));
    }
    if let Some(text) = table.column_mut(1) {
        text.set_constraint(ColumnConstraint::UpperBoundary(Width::Fixed(TEXT_COLUMNS)));
    }
    if let Some(last) = table.column_iter_mut().last() {
        last.set_padding((0, 0));
    }
    for line in table.lines() {
        writeln!(out, "{}", line.trim_end())?;
    }
    writeln!(out)
}

/// The table on a narrow page: each row a small block.
fn stack(rows: &[Row], look: Look, out: &mut dyn Write) -> io::Result<()> {
    for row in rows {
        for line in wrap(&format!("line {}: {}, {}", row.line, safe(&row.text), row.fate.word()), look.width) {
            writeln!(out, "{line}")?;
        }
        for line in wrap(&what(row), look.width.saturating_sub(2)) {
            writeln!(out, "  {line}")?;
        }
    }
    Ok(())
}

/// Key, value and remark of a row.
fn what(row: &Row) -> String {
    let Row { key: Some(key), value: Some(value), .. } = row else { return row.note.clone() };
    let value = with_unit(value.to_string(), row.unit);
    let mut text = match row.fate {
        Fate::Changed { old } => format!("{key}: {old} → {value}"),
        Fate::Replaced { by_line } => format!("{key} = {value}; by line {by_line}"),
        Fate::Doubt | Fate::NotKept => key.clone(),
        Fate::Read | Fate::New | Fate::Same => format!("{key} = {value}"),
    };
    if !row.note.is_empty() {
        let sign = if matches!(row.fate, Fate::Doubt | Fate::NotKept) { ": " } else { "; " };
        text = text + sign + &row.note;
    }
    text
}

fn summary(settings: &Settings, outcome: &ImportOutcome, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let words = ["read", "changed", "new", "same", "replaced", "in doubt", "not kept"];
    let count = |word: &str| outcome.rows.iter().filter(|row| row.fate.word() == word).count();
    let counts: Vec<String> = words
        .iter()
        .map(|word| (count(word), word))
        .filter(|(n, _)| *n > 0)
        .map(|(n, word)| format!("{n} {word}"))
        .collect();
    let lines = counted(settings.lines, "line", "lines");
    let mut parts = vec![match counts.is_empty() {
        true => format!("{lines}, no command in them."),
        false => format!("{lines}: {}.", counts.join(", ")),
    }];
    if settings.left_out > 0 {
        parts.push(format!("{} without a value are not listed.", counted(settings.left_out, "more row", "more rows")));
    }
    if outcome.rows.iter().any(|row| row.if_per_minute.is_some()) {
        parts
            .push("Say with --m203-per second or --m203-per minute what M203 is in; until then it is not kept.".into());
    }
    parts.extend(of_the_sheet(outcome));
    if settings.values().is_empty() {
        parts.push("Nothing was written.".into());
    } else {
        parts.push("Check every value against the maker's documents before you heat or move anything by it.".into());
    }
    for part in parts {
        for line in wrap(&part, look.width) {
            writeln!(out, "{line}")?;
        }
    }
    Ok(())
}

/// What became of the sheet, and what to do next.
fn of_the_sheet(outcome: &ImportOutcome) -> Vec<String> {
    let shown = |path: &Path| safe(&path.display().to_string()).into_owned();
    let mut parts = match &outcome.fate {
        SheetFate::NotAsked if outcome.rows.iter().all(|row| row.fate != Fate::Read) => Vec::new(),
        SheetFate::NotAsked => {
            vec!["Nothing was written: -o SHEET makes a new sheet, --into SHEET compares with one.".to_owned()]
        }
        SheetFate::Unchanged(path) => vec![format!("{} says all this already.", shown(path))],
        SheetFate::Compared(path) => vec![format!("Nothing was written: --write changes {}.", shown(path))],
        SheetFate::Written(path) => vec![format!("Written to {}.", shown(path))],
        SheetFate::Printed => Vec::new(),
    };
    if !outcome.missing.is_empty() {
        parts.push(format!("To be filled in before the sheet can be used: {}.", outcome.missing.join(", ")));
    }
    parts
}

/// The table as JSON.
#[derive(Serialize)]
struct Document<'a> {
    schema: &'static str,
    /// Path of the text as given.
    path: String,
    lines: u64,
    /// Path of the sheet that was written.
    written: Option<String>,
    rows: Vec<JsonRow<'a>>,
    /// Rows without a value that are not listed.
    left_out: u64,
    /// Keys of a new sheet that are to be filled in.
    missing: &'a [String],
}

#[derive(Serialize)]
struct JsonRow<'a> {
    line: u64,
    text: &'a str,
    outcome: &'static str,
    key: Option<&'a str>,
    value: Option<f64>,
    unit: &'a str,
    /// The sheet's value before.
    old: Option<f64>,
    /// Line of the value that replaced it.
    by_line: Option<u64>,
    if_per_minute: Option<f64>,
    note: &'a str,
}

impl<'a> Document<'a> {
    fn new(source: &Path, settings: &Settings, outcome: &'a ImportOutcome) -> Self {
        let written = match &outcome.fate {
            SheetFate::Written(path) => Some(path.display().to_string()),
            _ => None,
        };
        Self {
            schema: SCHEMA,
            path: source.display().to_string(),
            lines: settings.lines,
            written,
            rows: outcome.rows.iter().map(JsonRow::new).collect(),
            left_out: settings.left_out,
            missing: &outcome.missing,
        }
    }
}

impl<'a> JsonRow<'a> {
    fn new(row: &'a Row) -> Self {
        let (old, by_line) = match row.fate {
            Fate::Changed { old } => (Some(old), None),
            Fate::Replaced { by_line } => (None, Some(by_line)),
            _ => (None, None),
        };
        Self {
            line: row.line,
            text: &row.text,
            outcome: row.fate.word(),
            key: row.key.as_deref(),
            value: row.value,
            unit: row.unit,
            old,
            by_line,
            if_per_minute: row.if_per_minute,
            note: &row.note,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn page(text: &str, width: usize) -> String {
        let settings = settings::read(text.as_bytes(), SpeedUnit::Judged).expect("reads");
        let (look, mut out) = (Look { width, color: false }, Vec::new());
        table(&settings.rows, look, &mut out).expect("writes");
        summary(&settings, &ImportOutcome::nothing(&settings), look, &mut out).expect("writes");
        String::from_utf8(out).expect("UTF-8")
    }

    const SAYS: &str = "> M92 X80 Y80\nM92 Y160\nM203 X12000\nM301 P1\u{9b}2J\nM207 F2100";

    #[test]
    fn wide_pages_have_columns() {
        snapbox::assert_data_eq!(
            page(SAYS, 80),
            snapbox::str![[r#"
line  in the text            key and value
1     M92 X80      read      controller.steps_per_mm.x = 80 1/mm
1     M92 Y80      replaced  controller.steps_per_mm.y = 80 1/mm; by line 2
2     M92 Y160     read      controller.steps_per_mm.y = 160 1/mm
3     M203 X12000  in doubt  motion.feed_rate_limit_mm_s.x: above 1500 mm/s, not
                             plausible; in mm/min it is 200 mm/s
4     M301 P1      not kept  control loop of the hotend: the sheet describes
                             heating by time constant and full power
5     M207 F2100   read      tool[0].retraction.feed_rate_mm_s = 35 mm/s; F is
                             mm/min: 2100 / 60

5 lines: 3 read, 1 replaced, 1 in doubt, 1 not kept.
Say with --m203-per second or --m203-per minute what M203 is in; until then it
is not kept.
Nothing was written: -o SHEET makes a new sheet, --into SHEET compares with one.
Check every value against the maker's documents before you heat or move anything
by it.

"#]]
        );
    }

    #[test]
    fn narrow_pages_have_blocks() {
        let page = page(SAYS, 40);
        assert!(page.lines().all(|line| line.chars().count() <= 40), "{page}");
        snapbox::assert_data_eq!(
            page,
            snapbox::str![[r#"
line 1: M92 X80, read
  controller.steps_per_mm.x = 80 1/mm
line 1: M92 Y80, replaced
  controller.steps_per_mm.y = 80 1/mm;
  by line 2
line 2: M92 Y160, read
  controller.steps_per_mm.y = 160 1/mm
line 3: M203 X12000, in doubt
  motion.feed_rate_limit_mm_s.x: above
  1500 mm/s, not plausible; in mm/min it
  is 200 mm/s
line 4: M301 P1, not kept
  control loop of the hotend: the sheet
  describes heating by time constant and
  full power
line 5: M207 F2100, read
  tool[0].retraction.feed_rate_mm_s = 35
  mm/s; F is mm/min: 2100 / 60

5 lines: 3 read, 1 replaced, 1 in doubt,
1 not kept.
Say with --m203-per second or --m203-per
minute what M203 is in; until then it is
not kept.
Nothing was written: -o SHEET makes a
new sheet, --into SHEET compares with
one.
Check every value against the maker's
documents before you heat or move
anything by it.

"#]]
        );
    }

    #[test]
    fn nothing_in_a_text_is_said_in_few_words() {
        assert_eq!(page("hello\n", 80), "1 line, no command in them.\nNothing was written.\n");
    }
}
