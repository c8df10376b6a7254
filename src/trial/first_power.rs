//! The first power after re-wiring: home, move, heat a little and blow, one thing at a time, with a person beside it.

use super::job::{Job, figure};
use super::place::{fastest_of, way};
use super::{Kind, Trial, TrialError, known_tool, passed};
use crate::machine::{DriveLayout, Machine};

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
/// How long a heater is on, s: never until a temperature is reached, for a wrong sensor never gets there.
const HEAT_S: f64 = 45.0;
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
    let warm = |limits: [Option<f64>; 2], target: f64| super::least_of(limits, 5.0).min(target).floor();
    let see =
        |what: &str| format!("Only the temperature of {what} rises by some degrees within {HEAT_S} s, then falls.");
    let mut one = |name: String, command: String, target: f64| {
        if target <= machine.ambient_c + 2.0 {
            return;
        }
        step(job, &format!("warm {name}"), &see(&name));
        job.line(&format!("{command} S{}", figure(target, 1)));
        job.dwell(HEAT_S);
        job.line(&format!("{command} S0"));
    };
    for (number, tool) in machine.tools.iter().enumerate() {
        let target = warm(
            [tool.limit_c, tool.heating.map(|law| law.full_power_c)],
            NOZZLE_C.max(machine.ambient_c + ABOVE_ROOM_C),
        );
        let command = if machine.tools.len() == 1 { "M104".to_owned() } else { format!("M104 T{number}") };
        one(format!("nozzle {number}"), command, target);
    }
    let above = machine.ambient_c + ABOVE_ROOM_C;
    if let Some(bed) = machine.bed {
        one(
            "the bed".to_owned(),
            "M140".to_owned(),
            warm([bed.limit_c, bed.heating.map(|law| law.full_power_c)], above),
        );
    }
    let may_chamber = !machine.controller.lacks.contains(&crate::machine::Feature::Chamber);
    if let Some(chamber) = machine.chamber.filter(|_| may_chamber) {
        let limits = [chamber.limit_c, chamber.heating.map(|law| law.full_power_c)];
        one("the chamber".to_owned(), "M141".to_owned(), warm(limits, above));
    }
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
