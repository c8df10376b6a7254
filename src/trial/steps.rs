//! Known distances of each axis and of the filament, and new steps per mm from what they turned out to be.

use super::job::{Job, figure, filament_mm2};
use super::place::{fastest_of, way};
use super::{Kind, Trial, TrialError, Warmth, known_tool, passed};
use crate::machine::{DriveLayout, E, Machine};

/// An axis, or the extruder.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Axis {
    /// X.
    X,
    /// Y.
    Y,
    /// Z.
    Z,
    /// Filament.
    E,
}

impl Axis {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::X, Self::Y, Self::Z, Self::E];

    /// The word used in the sheet.
    pub fn word(self) -> &'static str {
        ["x", "y", "z", "e"][self as usize]
    }
}

/// What is asked for.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Steps {
    /// Axes to move; all where none is named, the extruder only where the sheet gives a temperature for it.
    pub axes: Vec<Axis>,
    /// Temperature of the nozzle for the extruder, °C.
    pub nozzle_c: Option<f64>,
    /// Tool.
    pub tool: usize,
}

/// Longest distance of an axis, mm, in whole tens.
const FAR_MM: f64 = 100.0;
/// Distance of z: a caliper measures it.
const FAR_Z_MM: f64 = 50.0;
/// Filament, mm.
const FILAMENT_MM: f64 = 100.0;
/// Room to the ends of travel, mm.
const ROOM_MM: f64 = 5.0;
const SLOW_MM_S: f64 = 20.0;
const SLOW_Z_MM_S: f64 = 4.0;
/// Melt rate for the filament where the sheet gives none, mm³/s.
const SLOW_MELT_MM3_S: f64 = 2.0;
/// Share of the sustained melt rate at which filament hardly slips.
const MELT_SHARE: f64 = 0.3;

/// Distance that the trial sends an axis over on this machine, mm.
fn commanded_mm(machine: &Machine, axis: Axis) -> f64 {
    let travel = &machine.travel;
    let span = |axis: usize| travel.max[axis] - travel.min[axis];
    let tens = |most: f64| ((most / 10.0).floor() * 10.0).max(5.0);
    match axis {
        // Within the inner half of the travel, so that a disc holds it too.
        Axis::X | Axis::Y => tens((span(axis as usize) / 2.0).min(FAR_MM)),
        Axis::Z => tens((span(2) / 2.0).min(FAR_Z_MM)),
        Axis::E => FILAMENT_MM,
    }
}

/// Writes the trial.
///
/// # Errors
/// See [`TrialError`].
pub fn steps(machine: &Machine, asked: &Steps) -> Result<Trial, TrialError> {
    known_tool(machine, asked.tool)?;
    let warmth = Warmth { nozzle_c: asked.nozzle_c, bed_c: Some(0.0) };
    let mut axes = if asked.axes.is_empty() { Axis::ALL.to_vec() } else { asked.axes.clone() };
    axes.sort_unstable();
    axes.dedup();
    let nozzle_c = match axes.contains(&Axis::E).then(|| warmth.nozzle(machine, asked.tool)) {
        Some(Ok(nozzle_c)) => Some(nozzle_c),
        Some(Err(TrialError::Lacks { .. })) if asked.axes.is_empty() => {
            axes.retain(|&axis| axis != Axis::E);
            None
        }
        Some(Err(error)) => return Err(error),
        None => None,
    };
    let travel = &machine.travel;
    let middle = [0, 1].map(|axis| (travel.min[axis] + travel.max[axis]) / 2.0);
    let way = way(machine, middle)?;
    let mut job = Job::new(Kind::Steps, machine, "Known distances, to measure steps per mm.");
    job.message("Bed and nozzle clear and cold? Hand at the switch, then go on.");
    job.pause();
    job.home_and_go(&way);
    for &axis in &axes {
        match axis {
            Axis::E => {}
            Axis::X | Axis::Y => to_and_fro(&mut job, machine, axis, middle[axis as usize]),
            Axis::Z => up_and_down(&mut job, machine, way.height),
        }
    }
    if let Some(nozzle_c) = nozzle_c {
        push(&mut job, machine, asked.tool, nozzle_c);
    }
    let told = told(machine, &axes, nozzle_c);
    passed(machine, Trial { kind: Kind::Steps, text: job.finish(way.height), told })
}

fn to_and_fro(job: &mut Job<'_>, machine: &Machine, axis: Axis, middle: f64) {
    let (index, name) = (axis as usize, axis.word());
    let (distance, speed) = (commanded_mm(machine, axis), SLOW_MM_S.min(fastest_of(machine, axis as usize)));
    job.axis_to(index, middle - distance / 2.0, speed);
    job.message(&format!("Mark where {name} stands, then go on."));
    job.pause();
    job.axis_to(index, middle + distance / 2.0, speed);
    job.message(&format!("{name}: sent {} mm. Measure, then go on.", figure(distance, 1)));
    job.pause();
    job.axis_to(index, middle, speed);
}

fn up_and_down(job: &mut Job<'_>, machine: &Machine, height: f64) {
    let (distance, speed) = (commanded_mm(machine, Axis::Z), SLOW_Z_MM_S.min(fastest_of(machine, 2)));
    let low = height.min(machine.travel.max[2] - distance - ROOM_MM.min(distance / 10.0));
    job.axis_to(2, low, speed);
    job.message("Mark where z stands, then go on.");
    job.pause();
    job.axis_to(2, low + distance, speed);
    job.message(&format!("z: sent {} mm. Measure, then go on.", figure(distance, 1)));
    job.pause();
    job.axis_to(2, height, speed);
}

fn push(job: &mut Job<'_>, machine: &Machine, tool: usize, nozzle_c: f64) {
    let described = &machine.tools[tool];
    let melt = described.sustained_mm3_s.map_or(SLOW_MELT_MM3_S, |rate| MELT_SHARE * rate);
    let speed = (melt / filament_mm2(described.filament_diameter_mm)).min(fastest_of(machine, E));
    job.take_tool(tool);
    job.message("Now the nozzle heats up. Stay clear of it.");
    job.line(&format!("M109 S{}", figure(nozzle_c, 1)));
    job.comment("Fills the nozzle and takes up the slack.");
    job.filament(5.0, speed);
    job.message("Mark filament 120 mm above the inlet, then go on.");
    job.pause();
    job.filament(FILAMENT_MM, speed);
    job.message("e: sent 100 mm. Measure mark to inlet, then go on.");
    job.pause();
}

fn told(machine: &Machine, axes: &[Axis], nozzle_c: Option<f64>) -> Vec<String> {
    let mut told = vec![
        "The job waits (M0) before and after each distance. Where your controller has no button to go on, send M108 or what its \
         documents say. Measure against something that does not move: a rule or a dial gauge fixed to the frame."
            .to_owned(),
    ];
    if let Some(nozzle_c) = nozzle_c {
        told.push(format!(
            "For e the nozzle is heated to {} °C: load filament first, mark it 120 mm above the inlet of the extruder when asked \
             to, and measure what is left between mark and inlet afterwards. What was pushed is 120 mm less that.",
            figure(nozzle_c, 1)
        ));
    } else if !axes.contains(&Axis::E) {
        told.push("e is not part of this job: it needs a hot nozzle (`temperature_c.extrude_min` in the sheet, or --nozzle-c).".into());
    }
    if matches!(machine.motion.drive_layout, DriveLayout::ThreeTowers { .. }) {
        told.push("On three towers only z shows the steps; x and y also depend on arms and radius.".to_owned());
    }
    told.push(
        "New steps = old steps × sent / measured. With what you measured (the numbers here are examples):".to_owned(),
    );
    let words: Vec<String> = axes
        .iter()
        .map(|&axis| format!(" --measured {}={}", axis.word(), figure(commanded_mm(machine, axis) * 0.992, 1)))
        .collect();
    told.push(format!("  gonogo trial steps{}", words.concat()));
    told
}

/// What an axis was sent over and what it did.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// Axis.
    pub axis: Axis,
    /// What was measured, mm.
    pub measured_mm: f64,
    /// What was commanded, mm; otherwise what the trial commands on this machine.
    pub commanded_mm: Option<f64>,
}

impl std::str::FromStr for Measured {
    type Err = String;

    /// Reads `x=99.2` or `x=99.2/100`, the second number being what was commanded.
    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || format!("`{text}` is not like x=99.2 or x=99.2/100, lengths in mm above 0");
        let (axis, lengths) = text.split_once('=').ok_or_else(wrong)?;
        let axis = Axis::ALL.into_iter().find(|known| known.word() == axis).ok_or_else(wrong)?;
        let length = |text: &str| text.parse::<f64>().ok().filter(|mm| *mm >= 0.1 && *mm <= 1e5).ok_or_else(wrong);
        let (measured_mm, commanded_mm) = match lengths.split_once('/') {
            Some((measured, commanded)) => (length(measured)?, Some(length(commanded)?)),
            None => (length(lengths)?, None),
        };
        Ok(Self { axis, measured_mm, commanded_mm })
    }
}

/// New steps of an axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NewSteps {
    /// Axis.
    pub axis: Axis,
    /// Steps per mm of the sheet.
    pub old_per_mm: f64,
    /// old × commanded / measured.
    pub new_per_mm: f64,
    /// With the measured length off by the reading error either way: lowest and highest.
    pub bounds_per_mm: [f64; 2],
    /// mm.
    pub commanded_mm: f64,
    /// mm.
    pub measured_mm: f64,
}

impl NewSteps {
    /// Whether the old steps are as good as any within the reading error.
    pub fn keeps_old(&self) -> bool {
        self.bounds_per_mm[0] <= self.old_per_mm && self.old_per_mm <= self.bounds_per_mm[1]
    }
}

/// New steps per mm: old × commanded / measured.
///
/// # Errors
/// Where the sheet gives no steps for the axis, where they do not belong to one axis, or where the length is far off.
pub fn new_steps(machine: &Machine, measured: Measured, reading_error_mm: f64) -> Result<NewSteps, TrialError> {
    let Measured { axis, measured_mm, .. } = measured;
    if machine.built_in {
        return Err(TrialError::NoSheet);
    }
    let old_per_mm = machine.controller.steps_per_mm[axis as usize].ok_or(TrialError::Lacks {
        key: "[controller] steps_per_mm",
        instead: "put in the steps that were in force when you measured",
    })?;
    if matches!(machine.motion.drive_layout, DriveLayout::ThreeTowers { .. }) && matches!(axis, Axis::X | Axis::Y) {
        return Err(TrialError::Asked(
            "on three towers x and y also depend on arms and radius: measure z, its steps are those of all towers"
                .to_owned(),
        ));
    }
    let commanded_mm = measured.commanded_mm.unwrap_or_else(|| commanded_mm(machine, axis));
    if !(reading_error_mm >= 0.0 && reading_error_mm < measured_mm) {
        return Err(TrialError::Asked(format!("{measured_mm} mm are within the reading error")));
    }
    let steps = |length_mm: f64| old_per_mm * commanded_mm / length_mm;
    Ok(NewSteps {
        axis,
        old_per_mm,
        new_per_mm: steps(measured_mm),
        bounds_per_mm: [steps(measured_mm + reading_error_mm), steps(measured_mm - reading_error_mm)],
        commanded_mm,
        measured_mm,
    })
}
