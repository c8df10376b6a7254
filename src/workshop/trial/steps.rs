//! Known distances of each axis and of the filament, and new steps per mm from what they turned out to be.

use super::job::{JobWriter, PROBE_LIFT_MM, figure, filament_mm2};
use super::place::{fastest_of, flat_way, harmless_mm, homes_high, homes_z_at, inward, is_free};
use super::{Kind, Trial, TrialError, Warmth, known_tool, passed, place_now};
use crate::machine::{E, Machine};

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
/// Filament, mm: first a little, then enough to measure.
const SHORT_FILAMENT_MM: f64 = 10.0;
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
    let mut axes = axes_to_move(machine, asked)?;
    let nozzle_c = nozzle_for_filament(machine, asked, &mut axes)?;
    let mut job = JobWriter::attended(Kind::Steps, machine, "Known distances, to measure steps per mm.", None)?;
    job.comment(FIRST_POWER_BEFORE);
    job.lift_mm_s = SLOW_Z_MM_S.min(job.lift_mm_s);
    job.comment("Every axis goes the right way? Bed and nozzle are clear and cold? Hand at the mains switch.");
    job.ask("first-power done?");
    job.ask("Clear and cold?");
    job.ask_height()?;
    let mut walk = Walk { machine, job, at: machine.travel.home, short_done: [false; 2] };
    walk.measure(&axes)?;
    if nozzle_c.is_some() && inward(machine, 2) > 0.0 {
        // Room for what comes out.
        let height = machine.travel.home[2] + FAR_Z_MM.min((machine.travel.max[2] - machine.travel.home[2]) / 2.0);
        walk.go(2, height.max(walk.at[2]));
    }
    let mut job = walk.job;
    if let Some(nozzle_c) = nozzle_c {
        push(&mut job, machine, asked.tool, nozzle_c);
    }
    let told = told(machine, &axes, nozzle_c, job.waits());
    let words = if nozzle_c.is_some() { "Done. Nozzle HOT" } else { "Done" };
    passed(machine, Trial { kind: Kind::Steps, text: job.finish(words), told })
}

/// The axes asked for, in their order, without those that this machine cannot measure; where such a one was named, an
/// error.
fn axes_to_move(machine: &Machine, asked: &Steps) -> Result<Vec<Axis>, TrialError> {
    let mut axes = if asked.axes.is_empty() { Axis::ALL.to_vec() } else { asked.axes.clone() };
    axes.sort_unstable();
    axes.dedup();
    if machine.is_three_towers() {
        if asked.axes.iter().any(|axis| matches!(axis, Axis::X | Axis::Y)) {
            return Err(TrialError::Asked(TOWERS.to_owned()));
        }
        axes.retain(|axis| matches!(axis, Axis::Z | Axis::E));
    }
    let waits = machine.controller.pause.is_some();
    if !waits && asked.axes.contains(&Axis::E) {
        return Err(TrialError::Asked(
            "e needs a controller that waits for a person before it heats (`pause` in the table [controller] of the sheet)".to_owned(),
        ));
    }
    axes.retain(|axis| waits || *axis != Axis::E);
    Ok(axes)
}

/// Temperature for the filament, °C, where it is pushed at all. Without one for it, `axes` lose the extruder unless it was
/// named.
fn nozzle_for_filament(machine: &Machine, asked: &Steps, axes: &mut Vec<Axis>) -> Result<Option<f64>, TrialError> {
    if !axes.contains(&Axis::E) {
        return Ok(None);
    }
    match (Warmth { nozzle_c: asked.nozzle_c, bed_c: Some(0.0) }).nozzle(machine, asked.tool) {
        Ok(nozzle_c) => Ok(Some(nozzle_c)),
        Err(TrialError::Lacks { .. }) if asked.axes.is_empty() => {
            axes.retain(|&axis| axis != Axis::E);
            Ok(None)
        }
        Err(error) => Err(error),
    }
}

/// Why x and y are not measured there.
const TOWERS: &str =
    "on three towers x and y also depend on arms and radius: measure z, its steps are those of all towers";

/// Said at the head of the job.
const FIRST_POWER_BEFORE: &str = "Only after `gonogo trial first-power` was done on this machine as it is now: every axis must \
go the right way and stop at its end stop.";

/// The job and where the nozzle is, mm. Every move is announced and waited for, and none is long before a short one was
/// measured.
struct Walk<'m> {
    machine: &'m Machine,
    job: JobWriter<'m>,
    at: [f64; 3],
    /// Whether x and y have been measured over a short distance.
    short_done: [bool; 2],
}

impl Walk<'_> {
    /// Homes, and takes each axis but the extruder over its distances.
    fn measure(&mut self, axes: &[Axis]) -> Result<(), TrialError> {
        self.home()?;
        // Always, so that the nozzle is clear of the bed.
        self.short(2);
        for &axis in axes {
            match axis {
                Axis::E => {}
                Axis::X | Axis::Y => self.long_of_xy(axis)?,
                Axis::Z => self.long(2, self.at[2] + inward(self.machine, 2) * commanded_mm(self.machine, axis)),
            }
        }
        Ok(())
    }

    fn home(&mut self) -> Result<(), TrialError> {
        let Some(place) = homes_z_at(self.machine)? else {
            self.job.ask(match homes_high(self.machine) {
                true => "HOME all, z FROM BED",
                false => "HOME all, z TO BED",
            });
            self.job.home("G28");
            return Ok(());
        };
        let lift = harmless_mm(self.machine, 2, PROBE_LIFT_MM);
        self.job.ask_move(2, lift);
        self.job.relative(2, lift, SLOW_Z_MM_S.min(fastest_of(self.machine, 2)));
        self.job.ask("HOME x, y");
        self.job.home("G28 X Y");
        self.short(0);
        self.short(1);
        // The nozzle was put higher than all that is fixed on the bed.
        let from = [self.at[0], self.at[1]];
        for to in flat_way(self.machine, from, place).unwrap_or_else(|| vec![place]) {
            for axis in 0..2 {
                self.go(axis, to[axis]);
            }
        }
        if self.machine.probe_offset_mm.is_some() {
            self.job.comment(
                "By the probe, which is over the bed: trigger it by hand first and see that the controller shows it.",
            );
            self.job.ask("HOME z TO BED (probe)");
        } else {
            self.job.ask("HOME z TO BED");
        }
        self.job.home("G28 Z");
        Ok(())
    }

    /// Announces a move to a place, waits, and moves.
    fn go(&mut self, axis: usize, to: f64) {
        let by_mm = to - self.at[axis];
        if by_mm.abs() < 0.005 {
            return;
        }
        let slow = if axis == 2 { SLOW_Z_MM_S } else { SLOW_MM_S };
        self.job.ask_move(axis, by_mm);
        self.job.axis_to(axis, to, slow.min(fastest_of(self.machine, axis)));
        self.at[axis] = to;
    }

    /// A distance that four times as many steps do no harm over, and a stop to measure it.
    fn short(&mut self, axis: usize) {
        let by_mm = harmless_mm(self.machine, axis, f64::INFINITY) * inward(self.machine, axis);
        let name = ["x", "y", "z"][axis];
        self.job.ask(&format!("Mark {name}, then go on"));
        self.go(axis, self.at[axis] + by_mm);
        let sent = figure(by_mm.abs(), 1);
        self.job.comment(&format!(
            "If {name} did not move {sent} mm ({low} to {high}): switch off, do not go on. Enter the steps that this short move \
             tells and start again: --measured {name}=MEASURED/{sent}.",
            low = figure(by_mm.abs() * 0.9, 1),
            high = figure(by_mm.abs() * 1.1, 1),
        ));
        self.job.ask(&format!("{name} {sent} mm? Else OFF"));
        if axis < 2 {
            self.short_done[axis] = true;
        }
    }

    /// A long distance between two stops to measure.
    fn long(&mut self, axis: usize, to: f64) {
        let name = ["x", "y", "z"][axis];
        self.job.ask(&format!("Mark {name}, then go on"));
        let sent = figure((to - self.at[axis]).abs(), 1);
        self.go(axis, to);
        self.job.ask(&format!("{name} {sent} mm: measure"));
    }

    fn long_of_xy(&mut self, axis: Axis) -> Result<(), TrialError> {
        let (machine, index) = (self.machine, axis as usize);
        if !self.short_done[index] {
            self.short(index);
        }
        let (distance, way) = (commanded_mm(machine, axis), inward(machine, index));
        let (low, high) = (machine.travel.min[index], machine.travel.max[index]);
        let ahead = if way > 0.0 { high - self.at[index] } else { self.at[index] - low };
        // From the middle of the travel there is not room enough one way: then across the middle.
        let from = if ahead - ROOM_MM >= distance { self.at[index] } else { (low + high - way * distance) / 2.0 };
        let ends = [from, from + way * distance];
        let height = self.free_height(index, ends).ok_or(TrialError::NoWay)?;
        self.go(2, height);
        self.go(index, ends[0]);
        self.long(index, ends[1]);
        Ok(())
    }

    /// The lowest height from here up at which an axis passes no keep-out box between two places, mm.
    fn free_height(&self, axis: usize, ends: [f64; 2]) -> Option<f64> {
        let tops = self.machine.travel.keep_out.iter().map(|keep_out| keep_out.max[2] + ROOM_MM);
        let mut heights: Vec<f64> = tops.chain([self.at[2]]).filter(|&height| height >= self.at[2]).collect();
        heights.sort_by(f64::total_cmp);
        heights.into_iter().filter(|&height| height <= self.machine.travel.max[2]).find(|&height| {
            let up = [self.at[0], self.at[1], height];
            let [mut start, mut end] = [up, up];
            (start[axis], end[axis]) = (ends[0], ends[1]);
            let path = [self.at, up, start, end];
            path.windows(2).all(|leg| is_free(self.machine, leg[0], leg[1]))
        })
    }
}

fn push(job: &mut JobWriter<'_>, machine: &Machine, tool: usize, nozzle_c: f64) {
    let described = &machine.tools[tool];
    let melts = Warmth { nozzle_c: Some(nozzle_c), bed_c: None }.melts(machine, tool);
    let melt = melts.sustained_mm3_s.map_or(SLOW_MELT_MM3_S, |rate| MELT_SHARE * rate);
    let speed = (melt / filament_mm2(described.filament_diameter_mm)).min(fastest_of(machine, E));
    job.take_tool(tool);
    job.comment("Stay clear of the nozzle: it is heated.");
    job.ask("NOZZLE HEATS next");
    job.line(&format!("M109 S{}", figure(nozzle_c, 1)));
    job.ask("Sink fan on? Or OFF");
    job.comment("Load filament until some comes out.");
    job.ask("Load filament");
    job.comment("Mark the filament 120 mm above the inlet of the extruder.");
    job.ask("Mark at 120 mm");
    job.ask(&format!("e IN {SHORT_FILAMENT_MM} mm"));
    // With four times as many steps still not more than the hotend melts.
    job.filament(SHORT_FILAMENT_MM, speed / 4.0);
    job.comment("110 mm are left above the inlet, 109 to 111? If not: switch off, do not go on.");
    job.ask(&format!("e {SHORT_FILAMENT_MM} mm? Else OFF"));
    job.ask("Mark at 120 mm");
    job.ask(&format!("e IN {FILAMENT_MM} mm"));
    job.filament(FILAMENT_MM, speed);
    job.ask("e 100 mm: measure");
}

fn told(machine: &Machine, axes: &[Axis], nozzle_c: Option<f64>, waits: String) -> Vec<String> {
    let mut told = vec![
        "Only after `gonogo trial first-power`: every axis must go the right way. Switch the machine off and on again between \
         the two."
            .to_owned(),
        waits,
        "Each axis first goes a short distance that does no harm even with four times as many steps. Go on only if it is right \
         within ten percent; otherwise switch off, enter the steps that the short distance tells (--measured AXIS=MEASURED/SENT) \
         and start again. Measure against something that does not move: a rule or a dial gauge fixed to the frame."
            .to_owned(),
    ];
    if let Some(nozzle_c) = nozzle_c {
        told.push(format!(
            "For e the nozzle is heated to {} °C: load filament when the display asks for it, mark it 120 mm above the inlet of the \
             extruder, and measure what is left between mark and inlet afterwards. What was pushed is 120 mm less that.",
            figure(nozzle_c, 1)
        ));
    } else if !axes.contains(&Axis::E) {
        told.push("e is not part of this job: it needs a hot nozzle (`extrude_min` in the table [tool.temperature_c] of the sheet, \
             or --nozzle-c) and a controller that waits for a person."
                .into());
    }
    if machine.is_three_towers() {
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
#[derive(Debug, Clone, PartialEq)]
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
    /// Where the sheet gives the old steps, such as `line 12`.
    pub sheet_line: Option<String>,
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
    if machine.is_three_towers() && matches!(axis, Axis::X | Axis::Y) {
        return Err(TrialError::Asked(TOWERS.to_owned()));
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
        sheet_line: place_now(machine, &format!("controller.steps_per_mm.{}", axis.word())).map(str::to_owned),
    })
}
