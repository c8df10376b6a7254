//! `gonogo sheet`, and the option that names the sheet.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use anstyle::{Effects, Style};
use anyhow::Context;
use clap::{Args, Subcommand};
use comfy_table::{ContentArrangement, Table, presets};

use super::faults::Faults;
use super::import::{self, ImportArgs, LinesArgs};
use super::new_sheet::{self, NewArgs};
use super::output::{Content, Output};
use super::terminal::Terminal;
use super::usage::mistake;
use super::{Exit, audit};
use crate::machine::{ChangeError, Machine, Origin, SheetError};
use crate::show::{
    marks::styled,
    report::{Look, json},
};
use crate::wording::{safe, wrap};

/// Names the sheet when the command line does not.
const VARIABLE: &str = "GONOGO_MACHINE";

const SCHEMA_EXAMPLES: &str = "\
Example:
  gonogo sheet schema > sheet.schema.json     let an editor check and complete the sheet";

const SHOW_EXAMPLES: &str = "\
Examples:
  gonogo sheet show
  gonogo sheet show heron.toml";

/// Which machine.
#[derive(Debug, Args)]
pub struct MachineArg {
    /// The machine sheet; otherwise GONOGO_MACHINE names it, then one is looked for nearby.
    #[arg(long, value_name = "SHEET")]
    machine: Option<PathBuf>,
}

/// Which sheet, for commands that are about nothing else: named with or without `--machine`.
#[derive(Debug, Args)]
pub struct SheetArg {
    /// The machine sheet, as with --machine.
    #[arg(value_name = "SHEET", conflicts_with = "machine")]
    sheet: Option<PathBuf>,
    #[command(flatten)]
    machine: MachineArg,
}

impl SheetArg {
    /// Finds and reads the sheet, see [`load`].
    ///
    /// # Errors
    /// Like [`load`].
    pub fn load(&self, terminal: &Terminal) -> anyhow::Result<Machine> {
        let named = self.sheet.clone().map(MachineArg::naming);
        load(named.as_ref().unwrap_or(&self.machine), terminal)
    }
}

/// Which machines.
#[derive(Debug, Args)]
pub struct MachinesArg {
    /// The machine sheet; otherwise GONOGO_MACHINE names it, then one is looked for nearby. Given several times, each job is
    /// judged on each machine.
    #[arg(long = "machine", value_name = "SHEET")]
    machines: Vec<PathBuf>,
}

impl MachineArg {
    /// As if `--machine` named this sheet.
    pub fn naming(sheet: PathBuf) -> Self {
        Self { machine: Some(sheet) }
    }

    /// The sheet that `--machine` names.
    pub fn path(&self) -> Option<&Path> {
        self.machine.as_deref()
    }
}

/// Make a machine sheet, look at it and its rules, fill it from a machine's settings, export it as G-code settings.
#[derive(Debug, Subcommand)]
pub enum SheetCommand {
    New(NewArgs),
    /// Print the JSON Schema of the machine sheet.
    #[command(after_help = SCHEMA_EXAMPLES)]
    Schema,
    /// Print every key of the machine sheet with its value and where that came from.
    #[command(after_help = SHOW_EXAMPLES)]
    Show(SheetArg),
    /// Compare what is set with what mechanics, motors and heaters ask for.
    #[command(after_help = audit::EXAMPLES)]
    Audit(audit::AuditArgs),
    Import(ImportArgs),
    Lines(LinesArgs),
}

/// Runs the command.
pub fn run(command: &SheetCommand, terminal: &Terminal) -> anyhow::Result<Exit> {
    match command {
        SheetCommand::New(args) => return new_sheet::run(args, terminal),
        SheetCommand::Import(args) => return import::import(args, terminal),
        SheetCommand::Lines(args) => return import::lines(args, terminal),
        SheetCommand::Schema => {
            let mut output = Output::stdout(Content::Data);
            json::write_value(&crate::checks::sheet_schema(), true, &mut output)?;
            writeln!(output)?;
            output.finish()?;
        }
        SheetCommand::Show(arg) => {
            let machine = arg.load(terminal)?;
            let look = terminal.stdout_look();
            let mut output = Output::stdout(Content::Page { color: look.color });
            heading(&machine.name, &machine.source, look, &mut output)?;
            origins(&machine.origins, look, &mut output)?;
            output.finish()?;
        }
        SheetCommand::Audit(args) => return audit::run(args, terminal),
    }
    Ok(Exit::Passed)
}

/// The file a machine was read from; none for the built-in one.
pub fn file(machine: &Machine) -> Option<&Path> {
    (!machine.built_in).then(|| Path::new(&machine.source))
}

/// Finds and reads the sheet.
///
/// # Errors
/// Its faults, or when there is no working directory to start from.
pub fn load(arg: &MachineArg, terminal: &Terminal) -> anyhow::Result<Machine> {
    let start = std::env::current_dir().context("cannot tell the working directory")?;
    let variable = std::env::var_os(VARIABLE).filter(|value| !value.is_empty());
    let found = crate::checks::discover(arg.machine.as_deref(), variable.as_deref(), &start);
    Ok(found.map_err(|error| Faults::of_sheet(&error, terminal))?)
}

/// The same for several machines.
///
/// # Errors
/// The faults of all their sheets, or like [`load`].
pub fn load_all(arg: &MachinesArg, terminal: &Terminal) -> anyhow::Result<Vec<Machine>> {
    if arg.machines.is_empty() {
        return Ok(vec![load(&MachineArg { machine: None }, terminal)?]);
    }
    let (mut machines, mut faults) = (Vec::new(), None::<Faults>);
    for sheet in &arg.machines {
        match load(&MachineArg::naming(sheet.clone()), terminal).map_err(anyhow::Error::downcast::<Faults>) {
            Ok(machine) => machines.push(machine),
            Err(Ok(more)) => {
                faults = Some(match faults {
                    Some(known) => known.and(&more),
                    None => more,
                })
            }
            Err(Err(error)) => return Err(error),
        }
    }
    faults.map_or(Ok(machines), |faults| Err(faults.into()))
}

/// The machine with values of its sheet changed, each given as KEY=VALUE.
///
/// # Errors
/// When one of them is no KEY=VALUE, or the changed sheet has faults.
pub fn changed(machine: Machine, sets: &[String], terminal: &Terminal) -> anyhow::Result<Machine> {
    if sets.is_empty() {
        return Ok(machine);
    }
    let pair = |set: &'_ String| -> anyhow::Result<(String, String)> {
        let (key, value) =
            set.split_once('=').ok_or_else(|| mistake(format!("--set {set} has no =: give KEY=VALUE")))?;
        Ok((key.trim().to_owned(), value.trim().to_owned()))
    };
    let pairs = sets.iter().map(pair).collect::<anyhow::Result<Vec<_>>>()?;
    let changes: Vec<(&str, &str)> = pairs.iter().map(|(key, value)| (key.as_str(), value.as_str())).collect();
    machine.with_all(&changes).map_err(|error| {
        let sentence = format!("--set: {error}");
        match error {
            ChangeError::Faults { faults, .. } => {
                Faults::of_sheet(&SheetError::Faults(*faults), terminal).under(&sentence).into()
            }
            _ => mistake(sentence),
        }
    })
}

fn heading(name: &str, source: &str, look: Look, out: &mut dyn Write) -> io::Result<()> {
    for line in wrap(&format!("{} ({})", safe(name), safe(source)), look.width) {
        writeln!(out, "{}", styled(&line, Style::new().effects(Effects::BOLD), look.color))?;
    }
    writeln!(out)
}

fn origins(origins: &[Origin], look: Look, out: &mut dyn Write) -> io::Result<()> {
    let mut table = Table::new();
    table.load_style(presets::NOTHING).set_content_arrangement(ContentArrangement::Dynamic);
    table.set_width(u16::try_from(look.width).unwrap_or(u16::MAX));
    table.set_header(["key", "value", "from"]);
    for Origin { path, value, from } in origins {
        let value = if value.is_empty() { "–".into() } else { safe(value) };
        table.add_row([safe(path), value, safe(from)]);
    }
    for column in table.column_iter_mut() {
        column.set_padding((0, 2));
    }
    if let Some(last) = table.column_iter_mut().last() {
        last.set_padding((0, 0));
    }
    for line in table.lines() {
        writeln!(out, "{}", line.trim_end())?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn origin(path: &str, value: &str, from: &str) -> Origin {
        Origin { path: path.to_owned(), value: value.to_owned(), from: from.to_owned() }
    }

    #[test]
    fn shows_every_key_aligned() {
        let keys = [
            origin("name", "\"Heron (invented)\"", "line 1"),
            origin("motion.corner.jerk_mm_s.x", "8.0", "default"),
            origin("tool[0].density_g_cm3", "", "not set"),
            origin("tool[0].what\x1b[2J", "\"a\x07\"", "line 12"),
        ];
        let mut out = Vec::new();
        heading("Heron (invented)", "heron.toml", Look { width: 60, color: false }, &mut out).expect("writes");
        origins(&keys, Look { width: 60, color: false }, &mut out).expect("writes");
        snapbox::assert_data_eq!(
            String::from_utf8(out).expect("UTF-8"),
            snapbox::str![[r#"
Heron (invented) (heron.toml)

key                        value               from
name                       "Heron (invented)"  line 1
motion.corner.jerk_mm_s.x  8.0                 default
tool[0].density_g_cm3      –                   not set
tool[0].what·[2J           "a·"                line 12

"#]]
        );
    }
}
