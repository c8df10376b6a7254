//! `gonogo resonance`: how a job excites the structure, or natural frequency and damping from marks on a wall.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::error::ErrorKind;
use clap::{Arg, ArgAction, ArgMatches, Args, Command, FromArgMatches};
use serde::Serialize;

use super::jobs::{self, Job};
use super::output::{Delivery, Format, Output};
use super::progress::Progress;
use super::terminal::Terminal;
use super::{Exit, complain, sheet, trial};
use crate::crew::Crew;
use crate::machine::Direction;
use crate::picture::spectrum_svg;
use crate::queue::Unjudged;
use crate::report::words::wrap;
use crate::report::{Look, json, resonance as report};
use crate::resonance::{Ask, Study, study};
use crate::trial::marks::{COVERAGE, Estimate, Interval, Reading, ReadingError, estimate};

const EXAMPLES: &str = "\
Examples:
  gonogo resonance hook.gcode --machine heron.toml --plot hook.svg
  gonogo resonance hook.gcode --ringing 0.05 --format json -o hook.resonance.json
  gonogo resonance --from-marks spacing=2.5 speed=100
  gonogo resonance --axis x --from-marks marks=5 spacing=12.4 speed=100 heights=0.10,0.07,-,0.04 \\
                            --from-marks marks=5 spacing=7.6 speed=60

With a job: the spectrum of its planned acceleration, the time it goes to and fro in the band of each mode, feed rates to
avoid, the worst places, and what impulse shapers would leave and cost. The many plans behind the last take a while; --once
leaves them out, and reads the job in one pass.

With marks: spacing is the distance in mm over so many gaps between marks (1 without marks=), speed that along the wall in mm/s,
heights those of successive marks over the valleys in mm, - for one that was not seen. `gonogo trial ringing` prints
such walls.";

/// Schema of the JSON.
const SCHEMA: &str = "gonogo.resonance/1";

/// Show how a job excites the structure, or find its natural frequency and damping from marks on walls.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct ResonanceArgs {
    /// The job, or - for standard input.
    #[arg(value_name = "JOB", required_unless_present = FROM_MARKS, conflicts_with = FROM_MARKS)]
    job: Option<PathBuf>,
    #[command(flatten)]
    machine: sheet::MachineArg,
    /// Start from the sheet with this value changed: a dotted path and a TOML value. May be given several times.
    #[arg(long, value_name = "KEY=VALUE", conflicts_with = FROM_MARKS)]
    set: Vec<String>,
    /// Compare shapers at this ringing, mm [default: that of the sheet, else what the job does today].
    #[arg(long, value_name = "MM", value_parser = trial::millimetres, conflicts_with = FROM_MARKS)]
    ringing: Option<f64>,
    /// Leave out what takes many plans of the job: shapers and accelerations.
    #[arg(long, conflicts_with = FROM_MARKS)]
    once: bool,
    /// Draw the spectrum as SVG to FILE.
    #[arg(long, value_name = "FILE", conflicts_with = FROM_MARKS)]
    plot: Option<PathBuf>,
    /// Use so many threads [default: one per processor].
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    threads: Option<u16>,
    #[command(flatten)]
    marks: Marks,
    /// With marks: which way the structure swings: x, y, z, or with crossed belts x+y, x-y.
    #[arg(long, value_name = "AXIS", value_parser = direction)]
    axis: Option<Direction>,
    /// With marks: reading error of a distance, mm either way.
    #[arg(long, value_name = "MM", default_value_t = 0.1, value_parser = trial::millimetres)]
    reading_error: f64,
    /// With marks: reading error of a height, mm either way.
    #[arg(long, value_name = "MM", default_value_t = 0.005, value_parser = trial::millimetres)]
    height_error: f64,
    /// How to report.
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    #[command(flatten)]
    delivery: Delivery,
}

fn direction(text: &str) -> Result<Direction, String> {
    Direction::ALL.into_iter().find(|known| known.word() == text).ok_or_else(|| "x, y, z, x+y or x-y".to_owned())
}

/// The readings: each occurrence of the option is one, whatever the number of its words.
#[derive(Debug)]
struct Marks(Vec<Reading>);

const FROM_MARKS: &str = "from_marks";

impl Args for Marks {
    fn augment_args(command: Command) -> Command {
        let arg = Arg::new(FROM_MARKS)
            .long("from-marks")
            .value_name("KEY=VALUE")
            .num_args(1..=4)
            .action(ArgAction::Append)
            .help("What was measured on a wall, see below; once for each wall");
        command.arg(arg)
    }

    fn augment_args_for_update(command: Command) -> Command {
        Self::augment_args(command)
    }
}

impl FromArgMatches for Marks {
    fn from_arg_matches(matches: &ArgMatches) -> Result<Self, clap::Error> {
        let walls = matches.get_occurrences::<String>(FROM_MARKS).into_iter().flatten();
        let read = |words: Vec<&String>| {
            let words: Vec<&str> = words.into_iter().map(String::as_str).collect();
            words.join(" ").parse::<Reading>().map_err(|error| {
                // The words come from outside: nothing in them may act on the terminal.
                let text = crate::report::words::safe(&error.to_string()).into_owned();
                clap::Error::raw(ErrorKind::ValueValidation, format!("--from-marks: {text}\n"))
            })
        };
        walls.map(|words| read(words.collect())).collect::<Result<_, _>>().map(Self)
    }

    fn update_from_arg_matches(&mut self, matches: &ArgMatches) -> Result<(), clap::Error> {
        *self = Self::from_arg_matches(matches)?;
        Ok(())
    }
}

/// Runs the command.
///
/// # Errors
/// When the answer cannot be written, or there is no working directory to start from.
pub fn run(args: &ResonanceArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    match &args.job {
        Some(path) => of_job(path, args, terminal),
        None => from_marks(args, terminal),
    }
}

/// Pixels of the picture.
const PICTURE_PX: (u32, u32) = (860, 420);

fn of_job(path: &Path, args: &ResonanceArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    let Some(machine) = sheet::load(&args.machine, terminal)? else { return Ok(Exit::Unjudged) };
    let Some(machine) = sheet::changed(machine, &args.set, terminal)? else { return Ok(Exit::Unjudged) };
    let jobs = [Job::File(path.to_owned())];
    let ask = Ask { ringing_mm: args.ringing, once: args.once };
    let progress = Progress::new(&jobs, args.delivery.quiet);
    let on_bytes = |bytes| progress.advance(bytes);
    let found =
        studied(&jobs, args, &progress, |job, crew| job.judged(|path| study(path, &machine, ask, &on_bytes, crew)))?;
    progress.finish();
    let Some(found) = found else { return Ok(Exit::Unjudged) };
    let look = args.delivery.look(terminal);
    let mut output = args.delivery.open(args.format == Format::Text, look)?;
    match args.format {
        Format::Text => report::text::write(&found, look, &mut output),
        Format::Json => report::json::write(&found, &machine, &mut output),
    }
    .and_then(|()| output.finish())
    .context("cannot write the report")?;
    if let Some(file) = &args.plot {
        let (width, height) = PICTURE_PX;
        plot(&spectrum_svg(&found.seen.spectrum, &found.modes, width, height)?, file)?;
    }
    Ok(Exit::Passed)
}

/// Studies the only job; none where that cannot be done, which then was said.
fn studied<'e>(
    jobs: &[Job],
    args: &ResonanceArgs,
    progress: &Progress,
    study: impl Fn(&Job, &Crew<'e>) -> Result<Study, Unjudged> + Sync,
) -> anyhow::Result<Option<Study>> {
    let mut found = None;
    jobs::each(jobs, args.threads, progress, study, |outcome| {
        found = outcome.ok();
        Ok(())
    })?;
    Ok(found)
}

fn plot(picture: &str, file: &Path) -> anyhow::Result<()> {
    let mut output = Output::file(file)?;
    output
        .write_all(picture.as_bytes())
        .and_then(|()| output.finish())
        .with_context(|| format!("cannot write {}", file.display()))
}

fn from_marks(args: &ResonanceArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    let readings = &args.marks.0;
    let error = ReadingError { spacing_mm: args.reading_error, height_mm: args.height_error };
    let found = match estimate(readings, error) {
        Ok(found) => found,
        Err(why) => {
            complain(&why.to_string());
            return Ok(Exit::Unjudged);
        }
    };
    let look = args.delivery.look(terminal);
    let mut output = args.delivery.open(args.format == Format::Text, Look { color: false, ..look })?;
    match args.format {
        Format::Text => page(readings, &found, args.axis, look, &mut output)?,
        Format::Json => {
            json::write_value(&Document::new(readings, &found, args.axis), true, &mut output)?;
            writeln!(output)?;
        }
    }
    output.finish().context("cannot write the report")?;
    Ok(Exit::Passed)
}

fn page(
    readings: &[Reading],
    found: &Estimate,
    axis: Option<Direction>,
    look: Look,
    out: &mut dyn Write,
) -> io::Result<()> {
    let percent = COVERAGE * 100.0;
    let Interval { value, low, high } = found.natural_hz;
    writeln!(out, "natural frequency  {value:.1} Hz, {percent} % from {low:.1} to {high:.1} Hz")?;
    match found.damping_ratio {
        Some(Interval { value, low, high }) => {
            writeln!(out, "damping ratio      {value:.3}, {percent} % from {low:.3} to {high:.3}")?;
        }
        None => writeln!(out, "damping ratio      unknown")?,
    }
    writeln!(out)?;
    for (n, (reading, left_out)) in (1..).zip(readings.iter().zip(&found.left_out)) {
        let fate = match left_out {
            Some(why) => format!("left out, {why}"),
            None => format!("{:.1} Hz", reading.hz()),
        };
        let (spacing, marks, speed) = (reading.spacing_mm, reading.marks, reading.speed_mm_s);
        let gaps = if marks == 1 { "gap" } else { "gaps" };
        for line in wrap(&format!("wall {n}: {spacing} mm over {marks} {gaps} at {speed} mm/s: {fate}"), look.width) {
            writeln!(out, "{line}")?;
        }
    }
    for line in found.remarks.iter().flat_map(|remark| wrap(remark, look.width)) {
        writeln!(out, "{line}")?;
    }
    writeln!(out, "\nFor the sheet:\n\n{}", block(found, axis))
}

/// The mode as a table of the sheet; what is not known is to be filled in.
fn block(found: &Estimate, axis: Option<Direction>) -> String {
    let percent = COVERAGE * 100.0;
    let axis = match axis {
        Some(axis) => format!("axis = \"{}\"", axis.word()),
        None => "# fill in which way it swings: axis = \"x\"".to_owned(),
    };
    let Interval { value, low, high } = found.natural_hz;
    let natural = format!("natural_hz = {value:.1}        # {percent} %: {low:.1} to {high:.1}");
    let damping = match found.damping_ratio {
        Some(Interval { value, low, high }) => {
            format!("damping_ratio = {value:.3}    # {percent} %: {low:.3} to {high:.3}")
        }
        None => "# fill in, from heights of the marks: damping_ratio = ".to_owned(),
    };
    format!("[[structure]]\n{axis}\n{natural}\n{damping}")
}

/// The answer as JSON.
#[derive(Serialize)]
struct Document {
    schema: &'static str,
    axis: Option<&'static str>,
    coverage: f64,
    natural_hz: Span,
    damping_ratio: Option<Span>,
    readings: Vec<JsonReading>,
    remarks: Vec<String>,
    /// The mode as a table of the sheet.
    sheet: String,
}

#[derive(Serialize)]
struct Span {
    value: f64,
    low: f64,
    high: f64,
}

#[derive(Serialize)]
struct JsonReading {
    spacing_mm: f64,
    speed_mm_s: f64,
    marks: u32,
    heights_mm: Vec<Option<f64>>,
    hz: f64,
    /// Why it was left out; none where it was used.
    left_out: Option<String>,
}

impl Document {
    fn new(readings: &[Reading], found: &Estimate, axis: Option<Direction>) -> Self {
        let span = |Interval { value, low, high }| Span { value, low, high };
        let readings = readings.iter().zip(&found.left_out).map(|(reading, left_out)| JsonReading {
            spacing_mm: reading.spacing_mm,
            speed_mm_s: reading.speed_mm_s,
            marks: reading.marks,
            heights_mm: reading.heights_mm.clone(),
            hz: reading.hz(),
            left_out: left_out.clone(),
        });
        Self {
            schema: SCHEMA,
            axis: axis.map(Direction::word),
            coverage: COVERAGE,
            natural_hz: span(found.natural_hz),
            damping_ratio: found.damping_ratio.map(span),
            readings: readings.collect(),
            remarks: found.remarks.clone(),
            sheet: block(found, axis) + "\n",
        }
    }
}
