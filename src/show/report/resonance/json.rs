//! How a job excites the structure, for programs: its own types, so that the published shape never changes by accident.
//!
//! Numbers are not rounded. A number that is not finite is written as null.

use std::io::{self, Write};

use schemars::JsonSchema;
use serde::Serialize;

use super::text::{name, ramp_name};
use crate::machine;
use crate::show::report::{
    Report,
    json::{Machine, write_value},
};
use crate::study::resonance::{
    self as of, Study,
    avoid::{self, Drive, ORDERS},
    shaping::{self, LimitFrom, RaisedKey as OfKnob},
    spectrum::{self, CELLS_PER_S, NOISE_BANDWIDTH_HZ, SIDE_LOBE_DB, STEP_HZ},
};

/// Name and version of the shape.
pub const SCHEMA: &str = "gonogo.excitation/1";

/// How a job excites the structure of a machine.
#[derive(Serialize, JsonSchema)]
#[schemars(title = "gonogo resonance JOB")]
pub struct Excitation<'a> {
    /// Name and version of the shape.
    #[schemars(extend("const" = SCHEMA))]
    schema: &'static str,
    /// Path as given; `-` is standard input.
    path: &'a str,
    /// `blake3:` and the digest of the unpacked job.
    digest: &'a str,
    /// The machine.
    machine: Machine<'a>,
    /// Time of the job as `gonogo check` tells it, without `impulse_waits_s`.
    time_s: f64,
    /// Waits for the last impulse of the sheet's shapers in all, wherever the machine stands still; 0 without a shaper.
    impulse_waits_s: f64,
    /// Time of moves that extrude along a path.
    extruding_s: f64,
    /// The modes of the sheet.
    modes: Vec<Mode>,
    /// How much acceleration at which frequency.
    spectrum: Spectrum<'a>,
    /// How long to and fro at which frequency, per direction.
    bands: Vec<Bands<'a>>,
    /// Feed rates to avoid, for each mode.
    avoid: Vec<Avoid>,
    /// Where it rings most, the worst first.
    worst: Vec<Place>,
    /// What shapers leave and cost; null where that is not told.
    shaping: Option<Shaping>,
    /// Why it is not told.
    shaping_left_out: Option<&'a str>,
}

/// A mode.
#[derive(Serialize, JsonSchema)]
pub struct Mode {
    /// Which way: `x`, `y`, `z`, `x+y`, `x-y`.
    axis: &'static str,
    /// Undamped natural frequency.
    natural_hz: f64,
    /// Damping ratio.
    damping_ratio: f64,
    /// Share that the nozzle sees.
    share: f64,
}

/// Welch's method with Hann windows that overlap by three quarters, over exact means of the planned acceleration.
#[derive(Serialize, JsonSchema)]
pub struct Spectrum<'a> {
    /// Means per second.
    sample_hz: f64,
    /// Length of a window, s.
    window_s: f64,
    /// Distance of neighbouring lines.
    step_hz: f64,
    /// Noise bandwidth of the window.
    noise_bandwidth_hz: f64,
    /// Highest side lobe of the window.
    side_lobe_db: f64,
    /// Windows with motion in them.
    windows: u64,
    /// Time in motion, over which densities are.
    moving_s: f64,
    /// One for each direction.
    axes: Vec<Axis<'a>>,
}

/// One direction.
#[derive(Serialize, JsonSchema)]
pub struct Axis<'a> {
    /// Which way.
    axis: &'static str,
    /// Root mean square of the acceleration.
    rms_mm_s2: f64,
    /// The highest peaks above 2 Hz, the highest first.
    peaks: Vec<Peak>,
    /// One-sided density in (mm/s²)²/Hz from 0 Hz on.
    density: &'a [f64],
}

/// A peak.
#[derive(Serialize, JsonSchema)]
pub struct Peak {
    /// Where.
    hz: f64,
    /// Density, (mm/s²)²/Hz.
    density: f64,
}

/// How long to and fro at which frequency along one direction.
#[derive(Serialize, JsonSchema)]
pub struct Bands<'a> {
    /// Which way.
    axis: &'static str,
    /// Printing time.
    printing_s: f64,
    /// Share of it before the first motion along the direction.
    still_share: f64,
    /// Half-power bands of modes.
    modes: Vec<Band>,
    /// Thirds of an octave.
    fixed: Vec<Band>,
    /// Lengths of strokes in mm and how many there are, the most frequent first.
    strokes: &'a [(f64, u64)],
}

/// A band.
#[derive(Serialize, JsonSchema)]
pub struct Band {
    /// From here.
    low_hz: f64,
    /// To here; null without an end.
    high_hz: Option<f64>,
    /// Natural frequency of its mode; null for a fixed band.
    natural_hz: Option<f64>,
    /// Share of the printing time with strokes whose cycle is in the band.
    time_share: f64,
    /// The same for 3 or 5 times the frequency of the cycle; null for a fixed band.
    harmonic_share: Option<f64>,
    /// Root mean square of the acceleration in the band.
    rms_mm_s2: f64,
}

/// Feed rates to avoid for one mode.
#[derive(Serialize, JsonSchema)]
pub struct Avoid {
    /// The mode.
    mode: Mode,
    /// Acceleration of the strokes.
    accel_mm_s2: f64,
    /// Speed at which they turn.
    turning_mm_s: f64,
    /// One for each length.
    strokes: Vec<Stroke>,
}

/// Strokes of one length.
#[derive(Serialize, JsonSchema)]
pub struct Stroke {
    /// How long.
    stroke_mm: f64,
    /// How many the job has of about that length; null for lengths that are always told.
    count: Option<u64>,
    /// Highest frequency of the planned cycle at any feed rate.
    most_hz: f64,
    /// When they drive the mode, once and three times a cycle.
    drives: Vec<Feeds>,
}

/// Feed rates at which strokes drive a mode.
#[derive(Serialize, JsonSchema)]
pub struct Feeds {
    /// So many times the frequency of the cycle meets the mode.
    order: f64,
    /// From here; null where none does.
    low_mm_s: Option<f64>,
    /// To here; null where all above do, or none.
    high_mm_s: Option<f64>,
}

/// A place.
#[derive(Serialize, JsonSchema)]
pub struct Place {
    /// Amplitude.
    ringing_mm: f64,
    /// Line of the move.
    line: u64,
    /// Layer, from 1.
    layer: u64,
    /// Where the move starts, machine coordinates.
    position_mm: [f64; 3],
    /// The mode that rings most.
    mode: Mode,
    /// Distance of its marks.
    mark_spacing_mm: f64,
}

/// What shapers leave and cost.
#[derive(Serialize, JsonSchema)]
pub struct Shaping {
    /// Ringing at which candidates are compared, 95 % of the extruding time.
    limit_mm: f64,
    /// `asked`, `sheet` or `today`.
    limit_from: &'static str,
    /// What is varied: `printing`, or `axes` where the job sets the printing acceleration itself.
    varied: &'static str,
    /// Its value today.
    today_mm_s2: f64,
    /// True when varying it changes the time of the job.
    has_effect: bool,
    /// How often the machine waits until it stands still.
    stops: u64,
    /// The least time first.
    candidates: Vec<Candidate>,
    /// Other ramps at today's acceleration, all else as it is: the least ringing first.
    ramps: Vec<RampTrade>,
    /// True where commands come late on this job today: the ramps are then compared as if all came in time.
    ramps_in_time: bool,
    /// How many plans were made.
    plans: usize,
}

/// A ramp and what it comes to.
#[derive(Serialize, JsonSchema)]
pub struct RampTrade {
    /// In words.
    name: String,
    /// Limits of the jerk of X, Y, Z and E; null where none is limited.
    jerk_mm_s3: Option<[f64; 4]>,
    /// True for what the sheet has today.
    present: bool,
    /// Ringing that is not exceeded for 95 % of the extruding time.
    p95_mm: f64,
    /// Largest ringing.
    peak_mm: f64,
    /// Time of the job, waits for the last impulse of the sheet's shapers included.
    time_s: f64,
}

/// A candidate.
#[derive(Serialize, JsonSchema)]
pub struct Candidate {
    /// In words.
    name: String,
    /// Shaper of x; null without.
    x: Option<Shaper>,
    /// Shaper of y; null without.
    y: Option<Shaper>,
    /// True for what the sheet has today.
    present: bool,
    /// Time from the first impulse to the last.
    duration_s: f64,
    /// Waits for the last impulse in all: part of every time below.
    impulse_waits_s: f64,
    /// What it does to corners.
    rounding: Rounding,
    /// What it leaves today.
    today: Trade,
    /// The largest acceleration at which the ringing stays at the limit; null where none does.
    equal: Option<Trade>,
    /// True when that is the highest value tried.
    equal_is_highest: bool,
    /// All accelerations tried.
    scan: Vec<Trade>,
}

/// A shaper.
#[derive(Serialize, JsonSchema)]
pub struct Shaper {
    /// `zv`, `zvd`, `zvdd` or `ei`.
    kind: &'static str,
    /// Frequency.
    tuned_hz: f64,
    /// Damping ratio.
    tuned_damping_ratio: f64,
}

/// How far corners are rounded.
#[derive(Serialize, JsonSchema)]
pub struct Rounding {
    /// How many corners of 30° and more there are between extruding moves.
    corners: u64,
    /// What 95 % of them do not exceed.
    p95_mm: f64,
    /// The worst.
    most_mm: f64,
    /// Its line.
    line: Option<u64>,
}

/// A plan at one acceleration.
#[derive(Serialize, JsonSchema)]
pub struct Trade {
    /// The acceleration.
    accel_mm_s2: f64,
    /// Ringing that is not exceeded for 95 % of the extruding time.
    p95_mm: f64,
    /// Largest ringing.
    peak_mm: f64,
    /// Time of the job, `impulse_waits_s` of the candidate included.
    time_s: f64,
    /// True when no plan of the scan betters both.
    undominated: bool,
}

/// The report for programs on a job on that machine.
pub struct ResonanceJson {
    machine: machine::Machine,
}

impl ResonanceJson {
    /// A renderer for jobs on that machine.
    pub fn new(machine: machine::Machine) -> Self {
        Self { machine }
    }
}

impl Report<Study, ()> for ResonanceJson {
    fn add(&mut self, study: &Study, out: &mut dyn Write) -> io::Result<()> {
        write(study, &self.machine, out)
    }

    fn finish(&mut self, (): &(), _: &mut dyn Write) -> io::Result<()> {
        Ok(())
    }
}

fn write(study: &Study, machine: &machine::Machine, out: &mut dyn Write) -> io::Result<()> {
    let seen = &study.seen;
    let report = Excitation {
        schema: SCHEMA,
        path: &study.today.job.path,
        digest: &study.today.job.digest,
        machine: machine.into(),
        time_s: study.today.time_s.total(),
        impulse_waits_s: study.waits_s,
        extruding_s: study.today.time_s.extruding,
        modes: study.modes.iter().map(mode).collect(),
        spectrum: spectrum(&seen.spectrum),
        bands: seen.bands.iter().map(bands).collect(),
        avoid: study.avoid.iter().map(feeds).collect(),
        worst: seen.places.iter().map(place).collect(),
        shaping: study.shaping.as_ref().ok().map(shaping),
        shaping_left_out: study.shaping.as_ref().err().map(String::as_str),
    };
    write_value(&report, true, out)?;
    writeln!(out)
}

/// JSON Schema (draft 2020-12) of the report.
pub fn schema() -> schemars::Schema {
    schemars::schema_for!(Excitation<'_>)
}

fn mode(mode: &machine::Mode) -> Mode {
    let machine::Mode { along, natural_hz, damping_ratio, share } = *mode;
    Mode { axis: along.word(), natural_hz, damping_ratio, share }
}

fn spectrum(spectrum: &spectrum::Spectrum) -> Spectrum<'_> {
    let peak = |peak: spectrum::Peak| Peak { hz: peak.hz, density: peak.density };
    let axes = spectrum.axes.iter().map(|found| Axis {
        axis: found.along.word(),
        rms_mm_s2: found.mean_square.sqrt(),
        peaks: found.peaks(2.0, 10).into_iter().map(peak).collect(),
        density: &found.density,
    });
    Spectrum {
        sample_hz: CELLS_PER_S as f64,
        window_s: 1.0 / STEP_HZ,
        step_hz: STEP_HZ,
        noise_bandwidth_hz: NOISE_BANDWIDTH_HZ,
        side_lobe_db: SIDE_LOBE_DB,
        windows: spectrum.windows,
        moving_s: spectrum.moving_s,
        axes: axes.collect(),
    }
}

fn bands(found: &of::bands::Bands) -> Bands<'_> {
    let band = |share: &of::bands::Share| Band {
        low_hz: share.low_hz,
        high_hz: share.high_hz.is_finite().then_some(share.high_hz),
        natural_hz: share.mode.map(|mode| mode.natural_hz),
        time_share: share.time_share,
        harmonic_share: share.harmonic_share,
        rms_mm_s2: share.rms_mm_s2,
    };
    Bands {
        axis: found.along.word(),
        printing_s: found.printing_s,
        still_share: found.still_share,
        modes: found.modes.iter().map(band).collect(),
        fixed: found.fixed.iter().map(band).collect(),
        strokes: &found.strokes,
    }
}

fn feeds(found: &avoid::Avoid) -> Avoid {
    let drive = |(order, drive): (f64, Drive)| {
        let (low_mm_s, high_mm_s) = match drive {
            Drive::Between(low, high) => (Some(low), Some(high)),
            Drive::From(low) => (Some(low), None),
            Drive::Never => (None, None),
        };
        Feeds { order, low_mm_s, high_mm_s }
    };
    let stroke = |row: &avoid::Row| Stroke {
        stroke_mm: row.stroke_mm,
        count: row.count,
        most_hz: row.most_hz,
        drives: ORDERS.into_iter().zip(row.drives).map(drive).collect(),
    };
    Avoid {
        mode: mode(&found.mode),
        accel_mm_s2: found.accel_mm_s2,
        turning_mm_s: found.turning_mm_s,
        strokes: found.rows.iter().map(stroke).collect(),
    }
}

fn place(found: &of::WorstPlace) -> Place {
    Place {
        ringing_mm: found.ringing_mm,
        line: found.line,
        layer: found.layer,
        position_mm: found.position,
        mode: mode(&found.mode),
        mark_spacing_mm: found.mark_spacing_mm,
    }
}

fn shaping(found: &shaping::Shaping) -> Shaping {
    Shaping {
        limit_mm: found.limit_mm,
        limit_from: match found.limit_from {
            LimitFrom::Asked => "asked",
            LimitFrom::Sheet => "sheet",
            LimitFrom::Today => "today",
        },
        varied: match found.raised {
            OfKnob::Printing => "printing",
            OfKnob::Axes => "axes",
        },
        today_mm_s2: found.today_mm_s2,
        has_effect: found.has_effect,
        stops: found.stops,
        candidates: found.candidates.iter().map(candidate).collect(),
        ramps: found.ramps.iter().map(ramp).collect(),
        ramps_in_time: found.ramps_in_time,
        plans: found.plans,
    }
}

fn ramp(found: &shaping::RampTrade) -> RampTrade {
    let shaping::RampTrade { ramp, present, today } = *found;
    let shaping::Trade { p95_mm, peak_mm, time_s, .. } = today;
    let jerk_mm_s3 = match ramp {
        machine::Ramp::JerkLimited(jerk) => Some(jerk),
        _ => None,
    };
    RampTrade { name: ramp_name(ramp), jerk_mm_s3, present, p95_mm, peak_mm, time_s }
}

fn candidate(found: &shaping::Candidate) -> Candidate {
    let shaper = |shaper: machine::ImpulseShaper| Shaper {
        kind: shaper.kind.word(),
        tuned_hz: shaper.tuned_hz,
        tuned_damping_ratio: shaper.tuned_damping_ratio,
    };
    let of::Rounding { corners, p95_mm, most_mm, line } = found.rounding;
    Candidate {
        name: name(&found.shapers),
        x: found.shapers[0].map(shaper),
        y: found.shapers[1].map(shaper),
        present: found.present,
        duration_s: found.duration_s,
        impulse_waits_s: found.waits_s,
        rounding: Rounding { corners, p95_mm, most_mm, line },
        today: trade(&found.today),
        equal: found.equal.as_ref().map(trade),
        equal_is_highest: found.equal_is_highest,
        scan: found.scan.iter().map(trade).collect(),
    }
}

fn trade(found: &shaping::Trade) -> Trade {
    let shaping::Trade { accel_mm_s2, p95_mm, peak_mm, time_s, undominated } = *found;
    Trade { accel_mm_s2, p95_mm, peak_mm, time_s, undominated }
}
