//! Tails: lines of several widths at one speed, whose end goes on without pushing. What still comes out fades; the tails tell
//! the lag of the pressure in the nozzle.
//!
//! At a steady speed v a nozzle with the lag τ lays s e^(−x / (v τ)) mm² at x mm behind the place where the pushing stops, s
//! the cross-section of the line. A tail tears off where some section is left that nobody knows, but which is the same for all
//! of them: its length is v τ ln s less the same number. So the slope of length over ln s is v τ, whatever that number is, and
//! whatever is added to all lengths alike: the place of the mark, the width of the nozzle, a habit of reading.
//!
//! The slope is that of least squares; its interval that of Student's t at n − 2 degrees of freedom, with the scatter of the
//! lengths, or that of the stated reading error (evenly spread) where they scatter less. What ruler and speed may be off
//! widens it on both sides. Nominally it holds nine of ten.

use super::job::{Bead, JobWriter, figure, warm_up};
use super::place::{fastest_xy, room, way};
use super::{Kind, Trial, TrialError, Warmth, known_tool, passed, place_now};
use crate::machine::{CornerRule, E, Machine};

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Lead {
    /// Height of the lines, mm; half the bore where it is not given.
    pub layer_mm: Option<f64>,
    /// Tool.
    pub tool: usize,
    /// Temperatures.
    pub warmth: Warmth,
}

/// Widths of the lines, in bores; each is laid this often.
const WIDTHS: [f64; 7] = [0.6, 0.75, 0.9, 1.05, 1.25, 1.5, 1.8];
const ROUNDS: usize = 2;
/// Lines of a trial.
pub const TAILS: usize = WIDTHS.len() * ROUNDS;
/// From line to line, and how long a mark is, mm.
const PITCH_MM: f64 = 5.0;
const MARK_MM: f64 = 2.0;
/// The largest share of what the hotend keeps up.
const MELT_SHARE: f64 = 0.8;
/// Speeds, mm/s: below the first tails are too short to read, above the second nobody need go.
const SLOWEST_MM_S: f64 = 15.0;
const FASTEST_MM_S: f64 = 80.0;
/// Lags for which a line is long enough to get steady and a tail has room, s; and lengths tried, mm.
const LONGEST_LAG_S: f64 = 0.15;
const LINES_MM: [f64; 3] = [70.0, 55.0, 40.0];
/// Way back over the lines, mm above them.
const LIFT_MM: f64 = 1.0;
/// Thinnest and highest layers, mm.
const LAYERS_MM: [f64; 2] = [0.05, 1.0];
/// Share by which ruler and speed may be off.
const SCALE_ERROR: f64 = 0.02;

/// Speed and sections of the lines.
#[derive(Debug, Clone, PartialEq)]
pub struct Tails {
    /// Speed of all lines, mm/s.
    pub speed_mm_s: f64,
    /// Height of all lines, mm.
    pub layer_mm: f64,
    /// Cross-section of each line in the order in which they are laid, mm².
    pub sections_mm2: Vec<f64>,
    beads: Vec<Bead>,
}

impl Tails {
    /// Those of a machine.
    ///
    /// # Errors
    /// See [`TrialError`].
    pub fn of(machine: &Machine, asked: &Lead) -> Result<Self, TrialError> {
        known_tool(machine, asked.tool)?;
        if let Some(layer_mm) = asked.layer_mm.filter(|mm| !(LAYERS_MM[0]..=LAYERS_MM[1]).contains(mm)) {
            let [low, high] = LAYERS_MM;
            return Err(TrialError::Asked(format!("a line {layer_mm} mm high is not between {low} and {high} mm")));
        }
        let beads = WIDTHS.map(|wide| {
            let bead = Bead::new(machine, asked.tool, wide, 0.5);
            let height = asked.layer_mm.unwrap_or(bead.height);
            let flat = height / bead.height;
            Bead { height, section_mm2: bead.section_mm2 * flat, filament: bead.filament * flat, ..bead }
        });
        let widest = beads[WIDTHS.len() - 1];
        // Where the pushing stops the speed of the filament jumps, and the head must not slow down for that.
        let limits = &machine.motion.limits;
        let jump = match limits.corner {
            CornerRule::Jerk | CornerRule::JerkByLargerSpeed => 0.95 * limits.jerk_mm_s[E] / widest.filament,
            CornerRule::JunctionDeviation => f64::INFINITY,
        };
        let able = widest.fastest(machine, (asked.tool, asked.warmth), MELT_SHARE).min(fastest_xy(machine));
        let speed_mm_s = able.min(jump).min(FASTEST_MM_S).floor();
        if speed_mm_s < SLOWEST_MM_S {
            let why = if jump < able { "the jerk of the extruder" } else { "what hotend and axes reach" };
            return Err(TrialError::Asked(format!(
                "tails need {SLOWEST_MM_S} mm/s, and {why} allows {} mm/s",
                figure(speed_mm_s, 1)
            )));
        }
        // Wide and narrow ones in turn, and the second round the other way: what drifts does not look like the width.
        let order = [3, 0, 5, 1, 6, 2, 4];
        let order = order.into_iter().chain(order.into_iter().rev());
        let beads: Vec<Bead> = order.map(|n: usize| beads[n]).collect();
        let sections_mm2 = beads.iter().map(|bead| bead.section_mm2).collect();
        Ok(Self { speed_mm_s, layer_mm: widest.height, sections_mm2, beads })
    }

    /// Room for a tail, mm: behind the widest line, down to a fiftieth.
    fn tail_mm(&self) -> f64 {
        (self.speed_mm_s * LONGEST_LAG_S * 50f64.ln()).clamp(15.0, 45.0)
    }

    fn print(&self, job: &mut JobWriter<'_>, [x, y]: [f64; 2], line_mm: f64, z: f64) {
        let (stop, end) = (x + line_mm, x + line_mm + self.tail_mm());
        let mark = self.beads[0];
        let at_y = |n: usize| y + PITCH_MM * (n as f64 + 1.0);
        job.comment("Marks where the pushing stops, between the lines.");
        for n in 0..=TAILS {
            let middle = at_y(n) - PITCH_MM / 2.0;
            job.travel([stop, middle - MARK_MM / 2.0]);
            job.print([stop, middle + MARK_MM / 2.0], MARK_MM * mark.filament, SLOWEST_MM_S);
        }
        for (n, bead) in self.beads.iter().enumerate() {
            let wide = figure(bead.width, 2);
            job.show(&format!("Line {}: {wide} mm wide", n + 1));
            job.lift_to(z + LIFT_MM);
            job.travel([x, at_y(n)]);
            job.lift_to(z);
            job.print([stop, at_y(n)], line_mm * bead.filament, self.speed_mm_s);
            job.axis_to(0, end, self.speed_mm_s);
        }
    }
}

/// Writes the trial.
///
/// # Errors
/// See [`TrialError`].
pub fn lead(machine: &Machine, asked: &Lead) -> Result<Trial, TrialError> {
    let tails = Tails::of(machine, asked)?;
    let depth = PITCH_MM * (TAILS as f64 + 1.5);
    let mut last = TrialError::NoWay;
    for line_mm in LINES_MM {
        let width = line_mm + tails.tail_mm();
        let [x, y] = match room(machine, [width, depth]) {
            Ok(corner) => corner,
            Err(error) => {
                last = error;
                continue;
            }
        };
        let way = way(machine, [x, y])?;
        let about = "Lines whose ends go on without pushing, to measure how long pressure stays in the nozzle.";
        let mut job = JobWriter::attended(Kind::Lead, machine, about, None)?;
        job.ask("Lead set to 0?");
        warm_up(&mut job, machine, asked.tool, asked.warmth, &way, ([x + width, y], &tails.beads[0]))?;
        let z = machine.travel.min[2].max(0.0) + tails.layer_mm;
        job.lift_to(z);
        tails.print(&mut job, [x, y], line_mm, z);
        let mut told = told(machine, asked, &tails);
        told.insert(0, job.waits());
        return passed(machine, Trial { kind: Kind::Lead, text: job.finish_at(way.height), told });
    }
    Err(last)
}

fn told(machine: &Machine, asked: &Lead, tails: &Tails) -> Vec<String> {
    let (speed, layer) = (figure(tails.speed_mm_s, 0), figure(tails.layer_mm, 2));
    let mut told = vec![
        "Before you start: set the lead of the controller to 0, where it has one (M900 K0 or M572 S0, by its documents), and \
         write down what it was. With a lead in force the tails say nothing."
            .to_owned(),
        format!(
            "{TAILS} lines {layer} mm high, all at {speed} mm/s, wide and narrow in turn. Between them short marks stand where \
             the pushing stops; the nozzle goes on at the same speed, and the pressure that is left lays a tail that fades and \
             tears off."
        ),
        "Measure each tail with a ruler or a calliper, from the marks to the place where it tears off: the last point that still \
         holds on to the line, not the hairs behind it. Only differences count, so measure all of them in the same way; tenths \
         of a millimetre matter. Give - for one that you cannot read."
            .to_owned(),
    ];
    let mut table = String::from("  line   width    cross-section");
    for (n, bead) in (1..).zip(&tails.beads) {
        let width = figure(bead.width, 2) + " mm";
        table.push_str(&format!("\n  {n:<5}  {width:<7}  {} mm²", figure(bead.section_mm2, 4)));
    }
    told.push(table);
    let tool = if asked.tool > 0 { format!(" --tool {}", asked.tool) } else { String::new() };
    let height = asked.layer_mm.map(|mm| format!(" --layer-mm {mm}")).unwrap_or_default();
    told.push(format!(
        "Then give them in the order of the lines, front to rear, with the options that wrote this job; the answer is the lag, its \
         interval, and what to enter:\n  gonogo trial lead --machine SHEET{tool}{height} --tails 6.1,3.0,7.4,…"
    ));
    if let Some(line) = place_now(machine, &format!("tool[{}].pressure_lag_s", asked.tool)) {
        told.push(format!("The sheet has a `pressure_lag_s` now ({line}): change that."));
    }
    told
}

/// Why tails say nothing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TailsError {
    /// Too many, too few, or no numbers.
    #[error("{0}")]
    Given(String),
    /// The tails do not grow with the width of their lines.
    #[error(
        "the tails do not get longer with the width of their lines, so they tell no lag: was the lead of the controller 0, and \
         are they in the order of the lines?"
    )]
    Flat,
}

/// Lengths of tails in the order of their lines, mm, `-` for one that nobody could read.
///
/// # Errors
/// Where there are not as many as lines, or one is no length.
pub fn read_tails(text: &str) -> Result<Vec<Option<f64>>, TailsError> {
    let one = |word: &str| match word.trim() {
        "-" => Some(None),
        word => word.parse::<f64>().ok().filter(|mm| (0.0..=1000.0).contains(mm)).map(Some),
    };
    let read: Option<Vec<Option<f64>>> = text.split(',').map(one).collect();
    match read {
        Some(tails) if tails.len() == TAILS => Ok(tails),
        Some(tails) => Err(TailsError::Given(format!(
            "{} lengths for {TAILS} lines: give one for each, - for one that you cannot read",
            tails.len()
        ))),
        None => Err(TailsError::Given("lengths of tails are mm from 0 to 1000, with commas between".to_owned())),
    }
}

/// The lag that tails tell, and the interval that holds it nine times of ten, s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeasuredLag {
    /// Best value.
    pub lag_s: f64,
    /// Lower end; 0 where the tails do not exclude it.
    pub low_s: f64,
    /// Upper end.
    pub high_s: f64,
    /// How much the tails scatter about the law, mm.
    pub scatter_mm: f64,
}

/// 95th percentile of Student's t with 1 to 12 degrees of freedom (published tables; from memory).
const T_95: [f64; 12] = [6.314, 2.920, 2.353, 2.132, 2.015, 1.943, 1.895, 1.860, 1.833, 1.812, 1.796, 1.782];
/// Fewest tails that tell something.
const TAILS_LEAST: usize = 5;

/// What tails tell; `reading_mm` is the reading error either way.
///
/// # Errors
/// Where fewer than five were read, or they do not get longer with the width.
pub fn measured_lag(tails: &Tails, lengths_mm: &[Option<f64>], reading_mm: f64) -> Result<MeasuredLag, TailsError> {
    let of_line = |(section, mm): (&f64, &Option<f64>)| Some((section.ln(), (*mm)?));
    let points: Vec<(f64, f64)> = tails.sections_mm2.iter().zip(lengths_mm).filter_map(of_line).collect();
    if points.len() < TAILS_LEAST {
        return Err(TailsError::Given(format!(
            "{} tails tell nothing: at least {TAILS_LEAST} are needed",
            points.len()
        )));
    }
    let n = points.len() as f64;
    let mean = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / n;
    let (x_mean, y_mean) = (mean(|point| point.0), mean(|point| point.1));
    let spread: f64 = points.iter().map(|(x, _)| (x - x_mean).powi(2)).sum();
    let slope = points.iter().map(|(x, y)| (x - x_mean) * (y - y_mean)).sum::<f64>() / spread;
    if !(slope.is_finite() && slope > 0.0) {
        return Err(TailsError::Flat);
    }
    let rest: f64 = points.iter().map(|(x, y)| (y - y_mean - slope * (x - x_mean)).powi(2)).sum();
    let scatter_mm = (rest / (n - 2.0)).sqrt();
    let sigma_mm = scatter_mm.max(reading_mm / 3f64.sqrt());
    let off = T_95[(points.len() - 3).min(T_95.len() - 1)] * sigma_mm / spread.sqrt();
    let lag = |slope: f64| slope / tails.speed_mm_s;
    Ok(MeasuredLag {
        lag_s: lag(slope),
        low_s: lag((slope - off).max(0.0)) * (1.0 - SCALE_ERROR),
        high_s: lag(slope + off) * (1.0 + SCALE_ERROR),
        scatter_mm,
    })
}
