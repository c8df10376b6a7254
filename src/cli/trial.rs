//! `gonogo trial`.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::{Args, Subcommand, ValueEnum};

use super::output::{self, Content, Output};
use super::terminal::{self, Terminal};
use super::usage::mistake;
use super::{Exit, jobs, sheet};
use crate::machine::Machine;
use crate::show::report::Look;
use crate::wording::{columns, safe, wrap, wrap_paragraphs};
use crate::workshop::trial::{
    Axis, CAUTION, FirstPower, Lead, Measured, MeasuredLag, MeltRate, NewSteps, Ringing, Steps, Tails, Trial,
    TrialError, Vary, Warmth, first_power, lead, measured_lag, melt_rate, new_steps, read_tails, ringing, steps,
};

const RINGING_EXAMPLES: &str = "\
Examples:
  gonogo trial ringing --machine heron.toml -o ringing.gcode
  gonogo trial ringing --machine heron.toml --vary acceleration -o ringing.gcode
  gonogo resonance --axis x --from-marks marks=5 spacing=12.5 speed=100     what was measured

For attended use only: stay beside the machine with a hand at the mains switch.";

const MELT_EXAMPLES: &str = "\
Examples:
  gonogo trial melt-rate --machine heron.toml -o melt.gcode              what the hotend keeps up
  gonogo trial melt-rate --machine heron.toml --bursts -o burst.gcode    what it can melt briefly

For attended use only: stay beside the machine with a hand at the mains switch.";

const LEAD_EXAMPLES: &str = "\
Examples:
  gonogo trial lead --machine heron.toml -o lead.gcode
  gonogo trial lead --machine heron.toml --layer-mm 0.1 -o thin.gcode
  gonogo trial lead --machine heron.toml --tails 6.1,3.0,7.4,3.9,8.3,5.0,6.7,7.0,4.8,8.1,3.7,7.3,3.2,5.8

For attended use only: stay beside the machine with a hand at the mains switch.";

const STEPS_EXAMPLES: &str = "\
Examples:
  gonogo trial steps --machine heron.toml -o steps.gcode
  gonogo trial steps --machine heron.toml --axis e -o steps.gcode
  gonogo trial steps --machine heron.toml --measured x=99.2 --measured e=97.5/100

For attended use only: stay beside the machine with a hand at the mains switch.";

const FIRST_EXAMPLES: &str = "\
Examples:
  gonogo trial first-power --machine heron.toml -o first.gcode
  gonogo trial first-power --machine heron.toml --dwell 30 --fans 2 -o first.gcode

For attended use only: stay beside the machine with a hand at the mains switch.";

/// Write small attended jobs that measure the machine, within the limits of its sheet.
#[derive(Debug, Subcommand)]
pub enum TrialCommand {
    /// Two combs of sharp corners: how the structure swings.
    #[command(after_help = RINGING_EXAMPLES)]
    Ringing(RingingArgs),
    /// Lines of growing melt rate: what the hotend keeps up, or melts briefly.
    #[command(after_help = MELT_EXAMPLES)]
    MeltRate(MeltArgs),
    /// Lines whose ends fade: how long pressure stays in the nozzle.
    #[command(after_help = LEAD_EXAMPLES)]
    Lead(LeadArgs),
    /// Known distances of each axis and of the filament: steps per mm.
    #[command(after_help = STEPS_EXAMPLES)]
    Steps(StepsArgs),
    /// The first power after re-wiring: home, move, warm and blow, one thing at a time.
    #[command(after_help = FIRST_EXAMPLES)]
    FirstPower(FirstArgs),
}

/// Machine, and where the job goes.
#[derive(Debug, Args)]
pub struct Common {
    #[command(flatten)]
    machine: sheet::MachineArg,
    /// Write the job to FILE; - prints it. Without it, only the instructions are shown.
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Replace a FILE that is there already.
    #[arg(long)]
    write: bool,
}

#[derive(Debug, Args)]
pub struct RingingArgs {
    #[command(flatten)]
    common: Common,
    /// What changes from tooth to tooth.
    #[arg(long, value_enum, default_value_t = VaryArg::Speed)]
    vary: VaryArg,
    /// Teeth of each comb.
    #[arg(long, value_name = "N", default_value_t = 6, value_parser = clap::value_parser!(u32).range(3..=12))]
    teeth: u32,
    /// Layers.
    #[arg(long, value_name = "N", default_value_t = 4, value_parser = clap::value_parser!(u32).range(1..=20))]
    layers: u32,
    /// Highest speed, mm/s [default: what machine and hotend allow, at most 100].
    #[arg(long, value_name = "MM/S")]
    up_to: Option<f64>,
    #[command(flatten)]
    heat: HeatArgs,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum VaryArg {
    /// The speed.
    Speed,
    /// The acceleration.
    Acceleration,
}

#[derive(Debug, Args)]
struct HeatArgs {
    /// Tool.
    #[arg(long, value_name = "N", default_value_t = 0)]
    tool: usize,
    /// Nozzle temperature, °C [default: 30 above the lowest of the sheet].
    #[arg(long, value_name = "C", value_parser = celsius)]
    nozzle_c: Option<f64>,
    /// Bed temperature, °C, 0 for cold [default: 60 where there is a heated bed].
    #[arg(long, value_name = "C", value_parser = celsius)]
    bed_c: Option<f64>,
}

impl HeatArgs {
    fn warmth(&self) -> Warmth {
        Warmth { nozzle_c: self.nozzle_c, bed_c: self.bed_c }
    }
}

#[derive(Debug, Args)]
pub struct MeltArgs {
    #[command(flatten)]
    common: Common,
    /// Bursts shorter than the melt window instead of steady lines.
    #[arg(long)]
    bursts: bool,
    /// Steps.
    #[arg(long, value_name = "N", default_value_t = 8, value_parser = clap::value_parser!(u32).range(3..=20))]
    steps: u32,
    /// Last melt rate, mm³/s [default: the sheet's peak; with --bursts 1.5 times that].
    #[arg(long, value_name = "MM3/S")]
    up_to: Option<f64>,
    #[command(flatten)]
    heat: HeatArgs,
}

#[derive(Debug, Args)]
pub struct LeadArgs {
    #[command(flatten)]
    common: Common,
    /// Height of the lines, mm [default: half the bore]; the lag grows as layers get thinner.
    #[arg(long, value_name = "MM", value_parser = millimetres)]
    layer_mm: Option<f64>,
    /// Lengths of the tails that were measured, mm, in the order of the lines, - for one that cannot be read: say the lag and
    /// write no job.
    #[arg(long, value_name = "MM,MM,…", conflicts_with_all = ["output", "write"])]
    tails: Option<String>,
    /// Reading error of a tail, mm either way.
    #[arg(long, value_name = "MM", default_value_t = 0.3, value_parser = millimetres)]
    reading_error: f64,
    #[command(flatten)]
    heat: HeatArgs,
}

impl LeadArgs {
    fn asked(&self) -> Lead {
        Lead { layer_mm: self.layer_mm, tool: self.heat.tool, warmth: self.heat.warmth() }
    }
}

#[derive(Debug, Args)]
pub struct StepsArgs {
    #[command(flatten)]
    common: Common,
    /// Axis to move; may be given several times [default: all, e where the sheet gives a temperature for it].
    #[arg(long, value_name = "AXIS", value_enum)]
    axis: Vec<AxisArg>,
    /// Nozzle temperature for e, °C [default: 30 above the lowest of the sheet].
    #[arg(long, value_name = "C", value_parser = celsius)]
    nozzle_c: Option<f64>,
    /// Tool for e.
    #[arg(long, value_name = "N", default_value_t = 0)]
    tool: usize,
    /// What was measured, mm, as in x=99.2, or x=99.2/100 with what was sent: say the new steps per mm and write no job.
    #[arg(long, value_name = "AXIS=MM", conflicts_with_all = ["output", "write", "axis"])]
    measured: Vec<Measured>,
    /// Reading error of what was measured, mm either way.
    #[arg(long, value_name = "MM", default_value_t = 0.1, value_parser = millimetres)]
    reading_error: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum AxisArg {
    X,
    Y,
    Z,
    E,
}

#[derive(Debug, Args)]
pub struct FirstArgs {
    #[command(flatten)]
    common: Common,
    /// Wait so many seconds before each step instead of for a person (M0).
    #[arg(long, value_name = "S")]
    dwell: Option<f64>,
    /// The first small moves were made from the controller's own menu: leave them out.
    #[arg(long)]
    moves_tried: bool,
    /// Fans to spin in turn.
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(0..=8))]
    fans: u32,
}

fn celsius(text: &str) -> Result<f64, String> {
    within(text, 0.0, 1000.0)
}

/// A reading error.
pub(super) fn millimetres(text: &str) -> Result<f64, String> {
    within(text, 1e-4, 10.0)
}

fn within(text: &str, least: f64, most: f64) -> Result<f64, String> {
    let number = text.parse::<f64>().ok().filter(|number| *number >= least && *number <= most);
    number.ok_or_else(|| format!("a number from {least} to {most}"))
}

/// Runs the command.
///
/// # Errors
/// When the job cannot be written.
pub fn run(command: &TrialCommand, terminal: &Terminal) -> anyhow::Result<Exit> {
    let common = match command {
        TrialCommand::Ringing(args) => &args.common,
        TrialCommand::MeltRate(args) => &args.common,
        TrialCommand::Lead(args) => &args.common,
        TrialCommand::Steps(args) => &args.common,
        TrialCommand::FirstPower(args) => &args.common,
    };
    let machine = sheet::load(&common.machine, terminal)?;
    if let TrialCommand::Steps(args) = command
        && !args.measured.is_empty()
    {
        return tell_steps(args, &machine, terminal);
    }
    if let TrialCommand::Lead(args) = command
        && let Some(tails) = &args.tails
    {
        return tell_lag(args, tails, &machine, terminal);
    }
    deliver(&write_trial(command, &machine)?, common, terminal)
}

fn write_trial(command: &TrialCommand, machine: &Machine) -> Result<Trial, TrialError> {
    match command {
        TrialCommand::Ringing(args) => {
            let vary = if args.vary == VaryArg::Speed { Vary::Speed } else { Vary::Acceleration };
            let (teeth, layers, fastest_mm_s) = (args.teeth, args.layers, args.up_to);
            let (tool, warmth) = (args.heat.tool, args.heat.warmth());
            ringing(machine, &Ringing { vary, teeth, layers, fastest_mm_s, tool, warmth })
        }
        TrialCommand::MeltRate(args) => {
            let (bursts, steps, up_to_mm3_s) = (args.bursts, args.steps, args.up_to);
            melt_rate(
                machine,
                &MeltRate { bursts, steps, up_to_mm3_s, tool: args.heat.tool, warmth: args.heat.warmth() },
            )
        }
        TrialCommand::Lead(args) => lead(machine, &args.asked()),
        TrialCommand::Steps(args) => {
            let axes = args.axis.iter().map(|axis| Axis::ALL[*axis as usize]).collect();
            steps(machine, &Steps { axes, nozzle_c: args.nozzle_c, tool: args.tool })
        }
        TrialCommand::FirstPower(args) => {
            first_power(machine, &FirstPower { dwell_s: args.dwell, fans: args.fans, moves_tried: args.moves_tried })
        }
    }
}

/// Writes the job, and says what to do with it: on standard error when the job itself goes to standard output.
fn deliver(trial: &Trial, common: &Common, terminal: &Terminal) -> anyhow::Result<Exit> {
    let path = common.output.as_deref();
    let printed = path.is_some_and(jobs::is_stdin);
    if let Some(path) = path.filter(|_| !printed) {
        output::write_new(path, &trial.text, common.write)?;
    }
    let mut told = Vec::new();
    tell(trial, path.filter(|_| !printed), terminal.stdout_look(), &mut told).context("cannot write the page")?;
    if printed {
        io::stderr().write_all(terminal::shown_page(&String::from_utf8_lossy(&told)).as_bytes())?;
        let mut output = Output::stdout(Content::Data);
        output.write_all(trial.text.as_bytes()).and_then(|()| output.finish()).context("cannot write the job")?;
        return Ok(Exit::Passed);
    }
    let mut output = Output::stdout(Content::Page { color: false });
    output.write_all(&told).and_then(|()| output.finish()).context("cannot write the page")?;
    Ok(Exit::Passed)
}

fn tell(trial: &Trial, written: Option<&Path>, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let state = match written {
        Some(path) => format!("Written to {}.", safe(&path.display().to_string())),
        None => "Nothing was written: -o FILE writes the job.".to_owned(),
    };
    let first = [CAUTION.to_owned(), state];
    for (n, paragraph) in first.iter().chain(&trial.told).enumerate() {
        if n > 0 {
            writeln!(out)?;
        }
        for line in wrap_paragraphs(paragraph, look.width).iter().flat_map(|line| fitted(line, look.width)) {
            writeln!(out, "{line}")?;
        }
    }
    Ok(())
}

/// The lag that was measured.
fn tell_lag(args: &LeadArgs, lengths: &str, machine: &Machine, terminal: &Terminal) -> anyhow::Result<Exit> {
    let tails = Tails::of(machine, &args.asked()).map_err(|error| match error {
        TrialError::Asked(why) => mistake(why),
        other => other.into(),
    })?;
    let read = read_tails(lengths).map_err(|error| mistake(error.to_string()))?;
    let found = measured_lag(&tails, &read, args.reading_error).map_err(|error| mistake(error.to_string()))?;
    let mut output = Output::stdout(Content::Page { color: false });
    lag_page(&found, &tails, args.heat.tool, terminal.stdout_look(), &mut output).and_then(|()| output.finish())?;
    Ok(Exit::Passed)
}

fn lag_page(found: &MeasuredLag, tails: &Tails, tool: usize, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let MeasuredLag { lag_s, low_s, high_s, scatter_mm } = *found;
    let rough = match high_s - low_s > 0.5 * lag_s {
        true => " That is rough: print it again at another place of the bed, and read the tails under a lens.",
        false => "",
    };
    let text = format!(
        "The pressure lags by {lag_s:.4} s (nine of ten: {low_s:.4} to {high_s:.4} s) in layers of {} mm; the tails scatter by \
         {scatter_mm:.2} mm.{rough}",
        tails.layer_mm
    );
    for line in wrap(&text, look.width) {
        writeln!(out, "{line}")?;
    }
    writeln!(out, "  in the sheet: pressure_lag_s = {lag_s:.4} under the [[tool]] of tool {tool}")?;
    writeln!(out, "  or, measured at two heights of layers:")?;
    writeln!(out, "    [[tool.pressure_lag_at]]\n    layer_mm = {}\n    lag_s = {lag_s:.4}", tails.layer_mm)?;
    let last = "The same number is the lead that the controller needs (M900 K, or M572 S, by its documents); set it back to what it \
                was until you have tried it attended. Check the value with a second run before you trust it. The maker's documents \
                come first.";
    for line in wrap(last, look.width) {
        writeln!(out, "{line}")?;
    }
    Ok(())
}

/// New steps for what was measured.
fn tell_steps(args: &StepsArgs, machine: &Machine, terminal: &Terminal) -> anyhow::Result<Exit> {
    let found: Result<Vec<NewSteps>, TrialError> =
        args.measured.iter().map(|&measured| new_steps(machine, measured, args.reading_error)).collect();
    let found = found.map_err(|error| match error {
        TrialError::Asked(why) => mistake(why),
        other => other.into(),
    })?;
    let mut output = Output::stdout(Content::Page { color: false });
    steps_page(&found, args.reading_error, terminal.stdout_look(), &mut output).and_then(|()| output.finish())?;
    Ok(Exit::Passed)
}

fn steps_page(found: &[NewSteps], error_mm: f64, look: Look, out: &mut dyn Write) -> io::Result<()> {
    for steps in found {
        let NewSteps {
            axis,
            old_per_mm,
            new_per_mm,
            bounds_per_mm: [low, high],
            commanded_mm,
            measured_mm,
            sheet_line,
        } = steps;
        let axis = axis.word();
        let is_far = (new_per_mm / old_per_mm - 1.0).abs() > 0.1;
        let mut text = format!(
            "{axis}: sent {commanded_mm} mm, measured {measured_mm} ± {error_mm} mm: {old_per_mm} × {commanded_mm} / {measured_mm} \
             = {new_per_mm:.3} steps per mm ({low:.3} to {high:.3})."
        );
        if steps.keeps_old() {
            text.push_str(" The old steps are within the reading error: keep them.");
        } else if is_far {
            text.push_str(
                " That is more than 10 % off: look for a wrong micro-step, pulley or gear, or measure again. Nothing is to be \
                 entered yet.",
            );
        }
        for line in wrap(&text, look.width) {
            writeln!(out, "{line}")?;
        }
        if !steps.keeps_old() && !is_far {
            let now = sheet_line.as_ref().map(|line| format!(", now {line}")).unwrap_or_default();
            writeln!(out, "  in the sheet: {axis} = {new_per_mm:.3} in the table [controller.steps_per_mm]{now}")?;
            writeln!(out, "  to the machine: M92 {}{new_per_mm:.3}", axis.to_uppercase())?;
        }
    }
    for line in
        wrap("Check the new value with a second run before you trust it. The maker's documents come first.", look.width)
    {
        writeln!(out, "{line}")?;
    }
    Ok(())
}
/// Lists keep their indent; what is too wide hangs under its first words.
fn fitted(line: &str, width: usize) -> Vec<String> {
    if columns(line) <= width {
        return vec![line.to_owned()];
    }
    let indent = line.len() - line.trim_start().len();
    let hang = indent + 3;
    let pieces = wrap(line.trim_start(), width.saturating_sub(hang).max(20));
    pieces.iter().enumerate().map(|(n, piece)| " ".repeat(if n == 0 { indent } else { hang }) + piece).collect()
}
