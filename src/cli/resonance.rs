//! `gonogo resonance`: how a job excites the structure, or natural frequency and damping from marks on a wall.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::error::ErrorKind;
use clap::{Arg, ArgAction, ArgMatches, Args, Command, FromArgMatches};

use super::format::among;
use super::jobs::{self, Job};
use super::output::{self, Delivery, Output};
use super::progress::Progress;
use super::terminal::Terminal;
use super::usage::mistake;
use super::{Exit, sheet, trial};
use crate::findings::Unjudged;
use crate::machine::{Direction, Machine};
use crate::preflight::RunContext;
use crate::show::{
    picture::spectrum_svg,
    report::{
        Look, Report,
        format::{self, Offer, offer},
        resonance as report,
    },
};
use crate::study::resonance::{Study, StudyOptions, study};
use crate::threads::HelperPool;
use crate::workshop::trial::marks::{Reading, ReadingError, SCALE_ERROR_MAX, estimate};

const EXAMPLES: &str = "\
Examples:
  gonogo resonance hook.gcode --machine heron.toml --plot hook.svg
  gonogo resonance hook.gcode --ringing 0.05 --format json -o hook.json
  gonogo resonance --from-marks spacing=2.5 speed=100
  gonogo resonance --axis x \\
      --from-marks marks=5 spacing=12.4 speed=100 heights=0.10,0.07,-,0.04 \\
      --from-marks marks=5 spacing=7.6 speed=60

With a job: the spectrum of its planned acceleration, the time it goes to and
fro in the band of each mode, feed rates to avoid, the worst places, and what
impulse shapers would leave and cost. The many plans behind the last take a
while; --once leaves them out, and reads the job in one pass.

With marks: spacing is the distance in mm over so many gaps between marks (1
without marks=), speed that along the wall in mm/s, heights those of successive
marks over the valleys in mm, - for one that was not seen. `gonogo trial
ringing` prints such walls.

Exit codes: 0 done, 2 something could not be read, judged or written.";

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
    #[arg(long, value_name = "MM", value_parser = trial::millimetres, conflicts_with_all = [FROM_MARKS, "once"])]
    ringing: Option<f64>,
    /// Skip everything that needs repeated planning: shapers and accelerations.
    #[arg(long, conflicts_with = FROM_MARKS)]
    once: bool,
    /// Draw the spectrum as SVG to FILE.
    #[arg(long, value_name = "FILE", conflicts_with = FROM_MARKS)]
    plot: Option<PathBuf>,
    /// Use so many threads [default: one per processor].
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024), conflicts_with = FROM_MARKS)]
    threads: Option<u16>,
    #[command(flatten)]
    marks: Marks,
    /// With marks: which way the structure swings: x, y, z, or with crossed belts x+y, x-y.
    #[arg(long, value_name = "AXIS", value_parser = direction, conflicts_with = JOB)]
    axis: Option<Direction>,
    /// With marks: reading error of a distance, mm either way.
    #[arg(long, value_name = "MM", default_value_t = 0.1, value_parser = trial::millimetres, conflicts_with = JOB)]
    reading_error: f64,
    /// With marks: reading error of a height, mm either way.
    #[arg(long, value_name = "MM", default_value_t = 0.005, value_parser = trial::millimetres, conflicts_with = JOB)]
    height_error: f64,
    /// With marks: how far ruler and speed may be off together on all walls alike, % either way.
    #[arg(long, value_name = "PERCENT", default_value_t = 1.0, value_parser = scale_percent, conflicts_with = JOB)]
    scale_error: f64,
    /// How to report.
    #[arg(long, value_parser = among(FORMATS), default_value = format::TEXT.word)]
    format: &'static Offer<Make>,
    #[command(flatten)]
    delivery: Delivery,
}

/// What renders the study of a job, and what was read from marks.
struct Make {
    job: fn(Look, &Machine) -> Box<dyn Report<Study, ()>>,
    marks: fn(&report::marks::Found<'_>, Look, &mut dyn Write) -> io::Result<()>,
}

const FORMATS: &[Offer<Make>] = &[
    offer(
        &format::TEXT,
        Make { job: |look, _| Box::new(report::text::ResonanceText::new(look)), marks: report::marks::write_text },
    ),
    offer(
        &format::JSON,
        Make {
            job: |_, machine| Box::new(report::json::ResonanceJson::new(machine.clone())),
            marks: |found, _, out| report::marks::write_json(found, out),
        },
    ),
];

fn direction(text: &str) -> Result<Direction, String> {
    Direction::ALL.into_iter().find(|known| known.word() == text).ok_or_else(|| "x, y, z, x+y or x-y".to_owned())
}

fn scale_percent(text: &str) -> Result<f64, String> {
    let most = SCALE_ERROR_MAX * 100.0;
    let percent = text.parse::<f64>().ok().filter(|percent| (0.0..=most).contains(percent));
    percent.ok_or_else(|| format!("a number of % from 0 to {most}"))
}

/// The readings: each occurrence of the option is one, whatever the number of its words.
#[derive(Debug)]
struct Marks(Vec<Reading>);

const FROM_MARKS: &str = "from_marks";
const JOB: &str = "job";

impl Args for Marks {
    fn augment_args(command: Command) -> Command {
        let arg = Arg::new(FROM_MARKS)
            .long("from-marks")
            .value_name("KEY=VALUE")
            .num_args(1..=4)
            .action(ArgAction::Append)
            .conflicts_with("machine")
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
                let text = crate::wording::safe(&error.to_string()).into_owned();
                clap::Error::raw(ErrorKind::ValueValidation, format!("--from-marks: {text}"))
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
    let machine = sheet::load(&args.machine, terminal)?;
    let machine = sheet::changed(machine, &args.set, terminal)?;
    let inputs: Vec<&Path> = [path].into_iter().chain(sheet::file(&machine)).collect();
    args.delivery.spare(inputs.iter().copied())?;
    let others = || inputs.iter().copied().chain(args.delivery.target());
    args.plot.iter().try_for_each(|plot| output::spare(plot, others()))?;
    // Opened before the long work, and both before anything is written: no half of the answer stays behind.
    let look = args.delivery.look(terminal);
    let mut picture = args.plot.as_deref().map(Output::file).transpose()?;
    let mut output = args.delivery.open(args.format.format.is_page, look)?;
    let jobs = [Job::File(path.to_owned())];
    let ask = StudyOptions { ringing_mm: args.ringing, once: args.once };
    let progress = Progress::new(&jobs, args.delivery.quiet);
    let on_bytes = |bytes| progress.advance(bytes);
    let found = studied(&jobs, args, &progress, |job, helpers| {
        job.judged(|path| study(path, &machine, ask, RunContext::new(&on_bytes, helpers)))
    })?;
    progress.finish();
    let Some(found) = found else { return Ok(Exit::Unjudged) };
    if let Some(picture) = &mut picture {
        let (width, height) = PICTURE_PX;
        let drawn = spectrum_svg(&found.seen.spectrum, &found.modes, width, height)?;
        picture.write_all(drawn.as_bytes()).and_then(|()| picture.flush()).context("cannot write the picture")?;
    }
    let mut report = (args.format.make.job)(look, &machine);
    report
        .add(&found, &mut output)
        .and_then(|()| report.finish(&(), &mut output))
        .and_then(|()| output.finish())
        .context("cannot write the report")?;
    picture.map_or(Ok(()), Output::finish).context("cannot write the picture")?;
    Ok(Exit::Passed)
}

/// Studies the only job; none where that cannot be done, which then was said.
fn studied<'e>(
    jobs: &[Job],
    args: &ResonanceArgs,
    progress: &Progress,
    study: impl Fn(&Job, &HelperPool<'e>) -> Result<Study, Unjudged> + Sync,
) -> anyhow::Result<Option<Study>> {
    let mut found = None;
    jobs::each(jobs, jobs::hands(args.threads), progress, study, |outcome| {
        found = outcome.ok();
        Ok(())
    })?;
    Ok(found)
}

fn from_marks(args: &ResonanceArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    let readings = &args.marks.0;
    let error =
        ReadingError { spacing_mm: args.reading_error, height_mm: args.height_error, scale: args.scale_error / 100.0 };
    let found = estimate(readings, error).map_err(mistake)?;
    let look = args.delivery.look(terminal);
    let mut output = args.delivery.open(args.format.format.is_page, Look { color: false, ..look })?;
    let found = report::marks::Found { readings, estimate: &found, axis: args.axis };
    (args.format.make.marks)(&found, look, &mut output)
        .and_then(|()| output.finish())
        .context("cannot write the report")?;
    Ok(Exit::Passed)
}
