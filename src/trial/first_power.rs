//! The first power after re-wiring: home, move, heat a little and blow, one thing at a time, with a person beside it.

use super::job::{Job, figure};
use super::place::{fastest_of, way};
use super::{Kind, Trial, TrialError, known_tool, passed};
use crate::machine::{DriveLayout, Feature, Heating, Machine};

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FirstPower {
    /// Wait so many seconds before each step instead of for a person (M0).
    pub dwell_s: Option<f64>,
    /// Fans to spin in turn, 0 to 8; the first is the layer fan.
    pub fans: u32,
}

impl Default for FirstPower {
    fn default() -> Self {
        Self { dwell_s: None, fans: 1 }
    }
}

/// How far each axis moves, mm.
const SMALL_MM: f64 = 10.0;
const SLOW_MM_S: f64 = 10.0;
const SLOW_Z_MM_S: f64 = 3.0;
/// Target of a nozzle, °C: warm, not hot.
const NOZZLE_C: f64 = 45.0;
/// Bed and chamber above the room, °C.
const ABOVE_ROOM_C: f64 = 15.0;
/// How long a heater is on, s: never until a temperature is reached, for with a wrong sensor it is at full power all the
/// time. Twice what the heating law takes, within bounds.
const NOZZLE_S: [f64; 2] = [8.0, 15.0];
const BODY_S: [f64; 2] = [20.0, 60.0];
/// Time to watch the temperature after that, s.
const WATCH_S: f64 = 20.0;
const FAN_S: f64 = 8.0;
const OFF: &str = "If not: switch off at the mains.";

/// Writes the trial.
///
/// # Errors
/// See [`TrialError`].
pub fn first_power(machine: &Machine, asked: &FirstPower) -> Result<Trial, TrialError> {
    known_tool(machine, 0)?;
    if asked.fans > 8 || asked.dwell_s.is_some_and(|s| !(1.0..=300.0).contains(&s)) {
        return Err(TrialError::Asked("at most 8 fans, and 1 to 300 s before each step".to_owned()));
    }
    let travel = &machine.travel;
    let middle = [0, 1].map(|axis| (travel.min[axis] + travel.max[axis]) / 2.0);
    let way = way(machine, middle)?;
    let mut job =
        Job::new(Kind::FirstPower, machine, "First power after re-wiring, without filament, one step at a time.");
    job.travel_mm_s = SLOW_MM_S.min(job.travel_mm_s);
    job.lift_mm_s = SLOW_Z_MM_S.min(job.lift_mm_s);
    let mut list = Vec::new();
    let mut step = |job: &mut Job<'_>, name: &str, see: &str| {
        job.message(&format!("Next: {name}"));
        job.comment(&format!("Must be seen: {see} {OFF}"));
        match asked.dwell_s {
            Some(seconds) => job.dwell(seconds),
            None => job.pause(),
        }
        list.push(format!("  {}. {name}: {see}", list.len() + 1));
    };
    step(
        &mut job,
        "start",
        "No filament in, bed clear, every end stop tried by hand, room temperatures shown for all heaters.",
    );
    for line in homing(machine) {
        step(&mut job, &format!("home ({line})"), "Slowly toward the end stop, stops there at once.");
        job.line(line);
    }
    job.go(&way);
    for axis in 0..3 {
        let name = ["x", "y", "z"][axis];
        let (at, ahead) = (
            [middle[0], middle[1], way.height][axis],
            ["right", "to the rear (or the bed to the front)", "away from the bed"][axis],
        );
        let distance = SMALL_MM.min((travel.max[axis] - at) * 0.5);
        let see = format!("{} mm {ahead}, and back to the same place.", figure(distance, 1));
        step(&mut job, &format!("move {name}"), &see);
        let speed = if axis == 2 { SLOW_Z_MM_S } else { SLOW_MM_S }.min(fastest_of(machine, axis));
        job.axis_to(axis, at + distance, speed);
        job.axis_to(axis, at, speed);
        job.line("M400");
    }
    heaters(&mut job, machine, &mut step);
    for fan in 0..asked.fans {
        step(&mut job, &format!("fan {fan}"), "Only this fan spins up, blows the right way and stops again.");
        job.line(&format!("M106 P{fan} S255"));
        job.dwell(FAN_S);
        job.line(&format!("M107 P{fan}"));
    }
    job.message("Done. All heaters off?");
    let told = told(asked, list);
    passed(machine, Trial { kind: Kind::FirstPower, text: job.finish(way.height), told })
}

/// Axis after axis, but all at once where the layout knows no single one.
fn homing(machine: &Machine) -> &'static [&'static str] {
    match machine.motion.drive_layout {
        DriveLayout::ThreeTowers { .. } => &["G28"],
        _ => &["G28 X", "G28 Y", "G28 Z"],
    }
}

fn heaters(job: &mut Job<'_>, machine: &Machine, step: &mut impl FnMut(&mut Job<'_>, &str, &str)) {
    let ambient_c = machine.ambient_c;
    let mut one =
        |name: String, command: String, wanted_c: f64, limits: (Option<f64>, Option<Heating>), bounds: [f64; 2]| {
            let (limit_c, law) = limits;
            let target_c = super::least_of([limit_c, law.map(|law| law.full_power_c)], 5.0).min(wanted_c).floor();
            if target_c <= ambient_c + 2.0 {
                return;
            }
            let seconds = on_s(law, ambient_c, target_c, bounds);
            let see = format!(
                "Only the temperature of {name} rises, by some degrees within {} s, then falls.",
                figure(seconds + WATCH_S, 0)
            );
            step(job, &format!("warm {name}"), &see);
            job.line(&format!("{command} S{}", figure(target_c, 1)));
            job.dwell(seconds);
            job.line(&format!("{command} S0"));
            job.dwell(WATCH_S);
        };
    let above_c = ambient_c + ABOVE_ROOM_C;
    for (number, tool) in machine.tools.iter().enumerate() {
        let command = if machine.tools.len() == 1 { "M104".to_owned() } else { format!("M104 T{number}") };
        one(format!("nozzle {number}"), command, NOZZLE_C.max(above_c), (tool.limit_c, tool.heating), NOZZLE_S);
    }
    if let Some(bed) = machine.bed {
        one("the bed".to_owned(), "M140".to_owned(), above_c, (bed.limit_c, bed.heating), BODY_S);
    }
    let may_chamber = !machine.controller.lacks.contains(&Feature::Chamber);
    if let Some(chamber) = machine.chamber.filter(|_| may_chamber) {
        one("the chamber".to_owned(), "M141".to_owned(), above_c, (chamber.limit_c, chamber.heating), BODY_S);
    }
}

/// How long a heater is on: twice the time by Newton's law at full power, t = τ ln((T∞ − T₀) / (T∞ − T)).
fn on_s(law: Option<Heating>, ambient_c: f64, target_c: f64, [least, most]: [f64; 2]) -> f64 {
    let by_law = law.map(|law| {
        let rest = (law.full_power_c - target_c) / (law.full_power_c - ambient_c);
        if rest > 0.0 { -2.0 * law.time_constant_s * rest.ln() } else { most }
    });
    by_law.unwrap_or(most).clamp(least, most).round()
}

fn told(asked: &FirstPower, list: Vec<String>) -> Vec<String> {
    let waits = match asked.dwell_s {
        Some(seconds) => format!("Before each step the job waits {} s; only a hand at the mains switch stops it.", figure(seconds, 1)),
        None => "Before each step the job waits for you (M0); the display shows what comes next. Where your controller has no \
                 button to go on, send M108 or what its documents say. If your controller does not wait on M0, write the job \
                 again with --dwell."
            .to_owned(),
    };
    vec![
        waits,
        "What must be seen, step by step; if it is not, switch off at the mains at once, let everything cool and look at the \
         wiring:"
            .to_owned(),
        list.join("\n"),
        "No heater is waited for: each is on for a bounded time, so that a sensor in the wrong socket cannot keep another heater \
         on. The extruder does not move: a controller refuses that on a cold nozzle; `gonogo trial steps --axis e` comes after \
         this."
            .to_owned(),
    ]
}
