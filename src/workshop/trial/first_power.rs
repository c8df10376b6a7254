//! The first power after re-wiring: home, move, heat a little and blow, one thing at a time, with a person beside it.

use super::job::{JobWriter, PROBE_LIFT_MM, figure, move_words};
use super::place::{by_hand, fastest_of, flat_way, harmless_mm, homes_high, homes_z_at, inward, is_free};
use super::{Kind, Trial, TrialError, known_tool, passed};
use crate::machine::{DriveLayout, Feature, Heating, Machine};

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FirstPower {
    /// Wait so many seconds before each step instead of for a person (M0).
    pub dwell_s: Option<f64>,
    /// Fans to spin in turn, 0 to 8; the first is the layer fan.
    pub fans: u32,
    /// The first small moves were made by hand from the controller's menu: the job leaves them out.
    pub moves_tried: bool,
}

impl Default for FirstPower {
    fn default() -> Self {
        Self { dwell_s: None, fans: 1, moves_tried: false }
    }
}

/// How far an axis moves before it is homed, and after, mm.
const FIRST_MM: f64 = 3.0;
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

/// The job, step by step, and the list of what must be seen.
struct Walk<'m> {
    machine: &'m Machine,
    job: JobWriter<'m>,
    list: Vec<String>,
}

/// Writes the trial.
///
/// # Errors
/// See [`TrialError`].
pub fn first_power(machine: &Machine, asked: &FirstPower) -> Result<Trial, TrialError> {
    known_tool(machine, 0)?;
    if asked.fans > 8 || asked.dwell_s.is_some_and(|s| !(10.0..=300.0).contains(&s)) {
        return Err(TrialError::Asked("at most 8 fans, and 10 to 300 s before each step".to_owned()));
    }
    let place = by_hand(machine)?;
    let before = before(machine, place);
    let about = "First power after re-wiring, without filament, one step at a time.";
    let mut job = JobWriter::attended(Kind::FirstPower, machine, about, asked.dwell_s)?;
    job.lift_mm_s = SLOW_Z_MM_S.min(job.lift_mm_s);
    let mut walk = Walk { machine, job, list: Vec::new() };
    walk.job.comment(&before);
    walk.ask(
        "START, bed clear?",
        "No filament in, bed clear, every end stop tried by hand, room temperatures shown for all heaters; the axes stand where \
         you put them by hand, see above.",
    );
    if !asked.moves_tried {
        walk.jogs(place);
    }
    walk.home()?;
    walk.away_from_home()?;
    for fan in 0..asked.fans {
        let see = format!(
            "Only this fan spins up, blows the right way and stops after {FAN_S} s. Much sooner or later: the sheet's `dwell_p` in the table \
             [controller] is wrong, and heaters would be on for the wrong time."
        );
        walk.ask(&format!("FAN {fan}, {FAN_S} s"), &see);
        walk.job.line(&format!("M106 P{fan} S255"));
        walk.job.dwell(FAN_S);
        walk.job.line(&format!("M107 P{fan}"));
    }
    walk.heaters();
    let told = told(before, walk.job.waits(), walk.list);
    passed(machine, Trial { kind: Kind::FirstPower, text: walk.job.finish("Done. Heaters off?"), told })
}

impl Walk<'_> {
    fn ask(&mut self, name: &str, see: &str) {
        self.job.comment(&format!("Must be seen: {see} {OFF}"));
        let number = self.list.len() + 1;
        // Behind the words: M117 with a digit next to it could be read as another number.
        self.job.ask(&format!("{name} ({number})"));
        self.list.push(format!("  {number}. {name}: {see}"));
    }

    /// One axis by a distance, from wherever it is.
    fn step(&mut self, axis: usize, by_mm: f64, more: &str) {
        let speed = if axis == 2 { SLOW_Z_MM_S } else { SLOW_MM_S }.min(fastest_of(self.machine, axis));
        let name = ["x", "y", "z"][axis];
        let slack = (by_mm.abs() / 10.0).max(1.0).min(by_mm.abs() / 2.0);
        let [low, high] = [by_mm.abs() - slack, by_mm.abs() + slack].map(|mm| figure(mm, 1));
        let mut see = match axis {
            _ if self.machine.is_three_towers() && axis == 2 => {
                format!("{low} to {high} mm, all three carriages alike.")
            }
            1 => format!("Only {name} moves, {low} to {high} mm; a bed that moves in y goes the other way."),
            _ => format!("Only {name} moves, {low} to {high} mm."),
        };
        if self.machine.motion.drive_layout == DriveLayout::CrossedBelts && axis < 2 {
            see.push_str(
                " Along a diagonal, or along the other axis: a motor runs the wrong way or the two are exchanged.",
            );
        }
        if !more.is_empty() {
            see = format!("{see} {more}");
        }
        self.ask(&move_words(axis, by_mm), &see);
        self.job.relative(axis, by_mm, speed);
    }

    /// A few millimetres to and fro before anything is homed: with an axis that runs the wrong way, homing ends in the frame.
    fn jogs(&mut self, by_hand: [f64; 3]) {
        let machine = self.machine;
        // Tells the controller where the person put the axes, so that no guard of it cuts the first moves short.
        let words = ['X', 'Y', 'Z'].iter().zip(by_hand).map(|(letter, at)| format!(" {letter}{}", figure(at, 1)));
        self.job.line(&format!("G92{}", words.collect::<String>()));
        // On three towers x and y need homed carriages.
        let axes: &[usize] = if machine.is_three_towers() { &[2] } else { &[2, 0, 1] };
        for &axis in axes {
            let distance = harmless_mm(machine, axis, FIRST_MM);
            let first = if axis == 2 { distance } else { distance * inward(machine, axis) };
            let middle = (machine.travel.min[axis] + machine.travel.max[axis]) / 2.0;
            let at_an_end = (machine.travel.home[axis] - middle).abs()
                > 0.25 * (machine.travel.max[axis] - machine.travel.min[axis]);
            let away = match (at_an_end, axis == 2 && homes_high(machine)) {
                (false, _) => "",
                (true, false) => "That is away from its end stop.",
                (true, true) => "That is toward its end stop.",
            };
            self.step(axis, first, away);
            self.step(axis, -first, "Back to the same place.");
        }
    }

    fn home(&mut self) -> Result<(), TrialError> {
        if self.machine.is_three_towers() {
            self.home_one("G28", "all", "All carriages go slowly to the end stops at the top and stop there at once.");
            return Ok(());
        }
        let see = "Slowly toward the end stop, stops there at once.";
        if homes_high(self.machine) {
            self.home_one("G28 Z", "z FROM BED", see);
        }
        self.home_one("G28 X", "x", see);
        self.home_one("G28 Y", "y", see);
        if homes_high(self.machine) {
            return Ok(());
        }
        let Some(place) = homes_z_at(self.machine)? else {
            self.home_one("G28 Z", "z TO BED", see);
            return Ok(());
        };
        self.step(2, harmless_mm(self.machine, 2, PROBE_LIFT_MM), "");
        let [x, y, _] = self.machine.travel.home;
        let mut at = [x, y];
        // The nozzle was put higher than all that is fixed on the bed.
        for to in flat_way(self.machine, at, place).unwrap_or_else(|| vec![place]) {
            for axis in 0..2 {
                self.go(axis, to[axis] - at[axis]);
            }
            at = to;
        }
        self.home_one(
            "G28 Z",
            "z TO BED",
            match self.machine.probe_offset_mm {
                Some(_) => {
                    "The probe is over the bed. First trigger it by hand and see that the controller shows it. Slowly down, stops \
                     when the probe touches."
                }
                None => see,
            },
        );
        Ok(())
    }

    fn home_one(&mut self, command: &str, what: &str, see: &str) {
        self.ask(&format!("HOME {what}"), see);
        self.job.home(command);
    }

    /// A longer way of an axis, a short piece first.
    fn go(&mut self, axis: usize, by_mm: f64) {
        let first = harmless_mm(self.machine, axis, SMALL_MM);
        let pieces = if by_mm.abs() > 2.0 * first {
            vec![first.copysign(by_mm), by_mm - first.copysign(by_mm)]
        } else {
            vec![by_mm]
        };
        for piece in pieces.into_iter().filter(|piece| piece.abs() >= 0.05) {
            self.step(axis, piece, "");
        }
    }

    /// Each axis a little way inward from where it is homed; Z first, which clears the bed or leaves the top.
    fn away_from_home(&mut self) -> Result<(), TrialError> {
        let machine = self.machine;
        let up = harmless_mm(machine, 2, SMALL_MM) * inward(machine, 2);
        self.step(2, up, "");
        // On the way to where Z is homed x and y have moved enough.
        if homes_z_at(machine)?.is_some() {
            return Ok(());
        }
        // A little lower on three towers, where a carriage rises when the nozzle goes toward its tower.
        let most = if machine.is_three_towers() { SMALL_MM / 2.0 } else { SMALL_MM };
        let by = [0, 1].map(|axis| harmless_mm(machine, axis, most) * inward(machine, axis));
        let [x, y, z] = machine.travel.home;
        let free = |z: f64| {
            let path = [[x, y, z], [x + by[0], y, z], [x + by[0], y + by[1], z]];
            path.windows(2).all(|leg| is_free(machine, leg[0], leg[1]))
        };
        let mut heights: Vec<f64> = machine.travel.keep_out.iter().map(|keep_out| keep_out.max[2] + 3.0).collect();
        heights.push(z + up);
        heights.retain(|&height| height >= z + up && height <= machine.travel.max[2] && free(height));
        let height = heights.into_iter().reduce(f64::min).ok_or(TrialError::NoWay)?;
        self.go(2, height - (z + up));
        for axis in 0..2 {
            self.step(axis, by[axis], "");
        }
        Ok(())
    }

    fn heaters(&mut self) {
        let machine = self.machine;
        let above_c = machine.ambient_c + ABOVE_ROOM_C;
        for (number, tool) in machine.tools.iter().enumerate() {
            let command = if machine.tools.len() == 1 { "M104".to_owned() } else { format!("M104 T{number}") };
            let limits = (tool.limit_c, tool.heating);
            self.warm(&format!("nozzle {number}"), &command, NOZZLE_C.max(above_c), limits, NOZZLE_S);
        }
        if let Some(bed) = machine.bed {
            self.warm("bed", "M140", above_c, (bed.limit_c, bed.heating), BODY_S);
        }
        let may_chamber = !machine.controller.lacks.contains(&Feature::Chamber);
        if let Some(chamber) = machine.chamber.filter(|_| may_chamber) {
            self.warm("chamber", "M141", above_c, (chamber.limit_c, chamber.heating), BODY_S);
        }
    }

    fn warm(
        &mut self,
        name: &str,
        command: &str,
        wanted_c: f64,
        (limit_c, law): (Option<f64>, Option<Heating>),
        bounds_s: [f64; 2],
    ) {
        let ambient_c = self.machine.ambient_c;
        let target_c = super::least_of([limit_c, law.map(|law| law.full_power_c)], 5.0).min(wanted_c).floor();
        if target_c <= ambient_c + 2.0 {
            return;
        }
        let seconds = on_s(law, ambient_c, target_c, bounds_s);
        // Newton's law at full power, up to the target.
        let rise_c = law.map(|law| {
            let most_c = (law.full_power_c - ambient_c) * (1.0 - (-seconds / law.time_constant_s).exp());
            most_c.min(target_c - ambient_c)
        });
        let by = rise_c.map_or_else(|| "some degrees".to_owned(), |rise_c| format!("about {} °C", figure(rise_c, 0)));
        let see = format!(
            "Only the temperature of {name} rises, by {by} within {} s, then falls.",
            figure(seconds + WATCH_S, 0)
        );
        self.ask(&format!("WARM {name}"), &see);
        self.job.line(&format!("{command} S{}", figure(target_c, 1)));
        self.job.dwell(seconds);
        self.job.line(&format!("{command} S0"));
        self.job.dwell(WATCH_S);
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

/// What to do before the machine is switched on.
fn before(machine: &Machine, by_hand: [f64; 3]) -> String {
    let [x, y, z] = by_hand;
    let z = figure(z - machine.travel.min[2], 0);
    if machine.is_three_towers() {
        return format!(
            "Before you switch on, push the carriages by hand until the nozzle is {z} mm or more above the bed, all three level \
             and 20 mm or more below their end stops; slowly: a motor that is turned feeds its board. If they sink, hold them \
             until the first move."
        );
    }
    format!(
        "Before you switch on, push x and y by hand to the middle (x {}, y {}), slowly: a motor that is turned feeds its board. \
         Turn z to {z} mm above the bed, or more: all its screws alike.",
        figure(x, 0),
        figure(y, 0)
    )
}

fn told(before: String, waits: String, list: Vec<String>) -> Vec<String> {
    vec![
        before,
        waits,
        "What must be seen, step by step, by the numbers on the display; if it is not, switch off at the mains at once, let \
         everything cool and look at the wiring. Lay a rule beside the axis: a distance that is plainly wrong means wrong steps \
         per mm, and the longer moves that follow would be wrong as much. Some controllers refuse to move an axis before it is \
         homed: make the same short moves from its own menu, and write the job again with --moves-tried."
            .to_owned(),
        list.join("\n"),
        "No heater is waited for: each is on for a bounded time, so that a sensor in the wrong socket cannot keep another heater \
         on. The extruder does not move: a controller refuses that on a cold nozzle. Motors stay on at the end, so that nothing \
         sinks. Switch off and on again before `gonogo trial steps`, which comes after this."
            .to_owned(),
    ]
}
