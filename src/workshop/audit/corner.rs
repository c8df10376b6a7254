//! Speed through corners: what a step of speed asks of a motor, and what one corner rule means in terms of the other.
//!
//! Step of speed: a rotor follows its field like a mass on a spring. The pull is greatest when it lags by one full step
//! (a quarter of an electrical turn) and grows with the sine of the lag, so over that lag it takes up the work 2/π F s.
//! A mass m that must step by Δv at once needs m Δv² / 2 of it: F = π m Δv² / (4 s), s the motion of one full step.
//! Energy balance; damping and friction are left out. The margin of 1.5 is common practice, no source.
//!
//! Corner of 90°: by junction deviation v² = a δ s / (1 − s), s = √½ the sine of half the inner angle, so
//! v² = (1 + √2) a δ. By the jerk rule each axis steps by v there, so v is the smaller jerk of x and y.

use std::f64::consts::{FRAC_PI_4, SQRT_2};

use super::motor::{G_M_S2, Motor, judged, loss, mass, with_assumed};
use super::{AXES, Comparison, Expected, Outcome, Row, Subject, lacking, step_keys};
use crate::machine::{CornerRule, DriveLayout, Machine};
use crate::wording::figure;

/// A step of speed, against the force a motor has within one full step.
pub const SPEED_STEP: Comparison = Comparison {
    id: "speed-step-at-corner-against-motor-force",
    subject: Subject::Corner,
    summary: "Step of speed at a corner, against what the motor catches within the lag of one full step.",
    compare: speed_step,
};

/// What the corner rule in force gives at 90°, and the other rule's number for the same.
pub const RIGHT_ANGLE: Comparison = Comparison {
    id: "jerk-and-junction-deviation-at-right-angle",
    subject: Subject::Corner,
    summary: "Speed through a corner of 90°, and which jerk and junction deviation give the same.",
    compare: right_angle,
};

/// s / (1 − s) of a corner that turns by so many degrees; s the sine of half the inner angle.
fn bend(turn_deg: f64) -> f64 {
    let s = ((180.0 - turn_deg) / 2.0).to_radians().sin();
    s / (1.0 - s)
}

/// Speed through a corner by junction deviation, mm/s, at an acceleration in mm/s².
pub fn by_deviation(turn_deg: f64, accel_mm_s2: f64, deviation_mm: f64) -> f64 {
    (accel_mm_s2 * deviation_mm * bend(turn_deg)).sqrt()
}

/// Speed through a corner in x and y that starts along one of them, mm/s, by a jerk for both.
pub fn by_jerk(turn_deg: f64, jerk_mm_s: f64) -> f64 {
    let (sin, cos) = turn_deg.to_radians().sin_cos();
    jerk_mm_s / (1.0 - cos).abs().max(sin.abs())
}

/// Acceleration of printing as an axis of x and y sees it, mm/s².
fn printing(machine: &Machine) -> f64 {
    let limits = &machine.motion.limits;
    limits.printing_mm_s2.min(limits.acceleration_mm_s2[0]).min(limits.acceleration_mm_s2[1])
}

/// The step of speed an axis may be asked for, mm/s: its jerk, or the speed through 90° at the largest acceleration.
fn step_of_speed(machine: &Machine, axis: usize) -> f64 {
    let limits = &machine.motion.limits;
    match limits.corner {
        CornerRule::Jerk => limits.jerk_mm_s[axis].min(limits.feed_rate_mm_s[axis]),
        // From one way to the other, each at the jerk.
        CornerRule::JerkByLargerSpeed => 2.0 * limits.jerk_mm_s[axis].min(limits.feed_rate_mm_s[axis]),
        CornerRule::JunctionDeviation => {
            let accel = limits.printing_mm_s2.max(limits.travel_mm_s2).min(limits.acceleration_mm_s2[axis]);
            by_deviation(90.0, accel, limits.junction_deviation_mm).min(limits.feed_rate_mm_s[axis])
        }
    }
}

fn speed_step(machine: &Machine) -> Vec<Row> {
    let row = |axis| Asked::of(machine, axis).map(|asked| asked.row(machine));
    (0..3).map(|axis| row(axis).unwrap_or_else(|reason| Row::skipped(AXES[axis], reason))).collect()
}

/// The step of speed one motor is asked for.
struct Asked {
    axis: usize,
    what: &'static str,
    /// Axes that step at once.
    axes: &'static [usize],
    /// Step of the motor's belt or screw, mm/s.
    step_mm_s: f64,
    full_step_mm: f64,
}

impl Asked {
    fn of(machine: &Machine, axis: usize) -> Result<Self, String> {
        let (what, axes): (_, &'static [usize]) = match (machine.motion.drive_layout, axis) {
            (DriveLayout::ThreeTowers { .. }, _) => {
                return Err("with `three-towers` what a carriage sees depends on the place".to_owned());
            }
            (DriveLayout::CrossedBelts, 0) => ("x + y belt", &[0, 1]),
            (DriveLayout::CrossedBelts, 1) => ("x − y belt", &[0, 1]),
            (_, 0) => ("x", &[0]),
            (_, 1) => ("y", &[1]),
            _ => ("z", &[2]),
        };
        let drive = &machine.drive.axes[axis];
        let full_step_mm = drive.full_step_mm().ok_or_else(|| {
            let [angle, _, transmission] = step_keys(drive, axis);
            lacking(drive, &[angle, transmission])
        })?;
        let step_mm_s = axes.iter().map(|axis| step_of_speed(machine, *axis)).sum();
        Ok(Self { axis, what, axes, step_mm_s, full_step_mm })
    }

    fn row(&self, machine: &Machine) -> Row {
        let (step, full) = (figure(self.step_mm_s), figure(self.full_step_mm));
        let rate =
            format!("{step} mm/s / {full} mm = {} full steps/s at once", figure(self.step_mm_s / self.full_step_mm));
        let found = Motor::of(machine, self.axis).and_then(|motor| Ok((motor, self.mass_kg(machine, &motor)?)));
        let (motor, kg) = match found {
            Ok(found) => found,
            Err(reason) => {
                let message = format!("not held against a force: {reason}");
                return Row::new(self.what, Outcome::Note, message).set(self.step_mm_s, "mm/s").formula(rate);
            }
        };
        let needed_n = FRAC_PI_4 * kg * (self.step_mm_s * 1e-3).powi(2) / motor.full_step_m;
        let weight_n = if self.axis == 2 { mass(machine, 2).unwrap_or(0.0) * G_M_S2 } else { 0.0 };
        let speed = motor.rad_s(self.step_mm_s);
        let there_n = motor.force_n(motor.cautious_nm(speed)) - weight_n;
        let most_n = motor.most_force_n(motor.pull_out_nm(speed)) - weight_n;
        let (outcome, message) = match needed_n > 0.0 {
            true => judged(there_n / needed_n, most_n / needed_n),
            false => (Outcome::Go, "no step of speed".to_owned()),
        };
        let needed = format!("π/4 × {} kg × ({step} mm/s)² / {full} mm = {} N", figure(kg), figure(needed_n));
        Row::new(self.what, outcome, with_assumed(message, &loss(&machine.drive.axes[self.axis])))
            .set(needed_n, "N")
            .expected(Expected::AtMost(there_n))
            .formula(format!("{rate}; {needed}"))
    }

    /// Mass that this motor has to step, its rotors included, kg. Of two belts each takes half the momentum of both axes.
    fn mass_kg(&self, machine: &Machine, motor: &Motor) -> Result<f64, String> {
        let mut momentum = 0.0;
        for &axis in self.axes {
            momentum += mass(machine, axis)? * step_of_speed(machine, axis) / self.axes.len() as f64;
        }
        Ok(motor.rotor_kg + if self.step_mm_s > 0.0 { momentum / self.step_mm_s } else { 0.0 })
    }
}

fn right_angle(machine: &Machine) -> Vec<Row> {
    let limits = &machine.motion.limits;
    let accel = printing(machine);
    let shown = figure(accel);
    let row = match limits.corner {
        CornerRule::JunctionDeviation => {
            let deviation = limits.junction_deviation_mm;
            let jerk = by_deviation(90.0, accel, deviation);
            let at_45 = by_deviation(45.0, accel, deviation);
            let message = format!("at 90° like a jerk of {} mm/s; at 45° {} mm/s", figure(jerk), figure(at_45));
            let formula = format!("√((1 + √2) × {shown} mm/s² × {} mm) = {} mm/s", figure(deviation), figure(jerk));
            Row::new("printing", Outcome::Note, message).set(jerk, "mm/s").formula(formula)
        }
        // At 90° no axis turns round.
        CornerRule::Jerk | CornerRule::JerkByLargerSpeed => {
            let jerk = limits.jerk_mm_s[0].min(limits.jerk_mm_s[1]);
            let deviation = jerk * jerk / ((1.0 + SQRT_2) * accel);
            let (like, at_45) = (figure(deviation), figure(by_jerk(45.0, jerk)));
            let message = format!("at 90° like a junction deviation of {like} mm; at 45° {at_45} mm/s");
            let formula = format!("({} mm/s)² / ((1 + √2) × {shown} mm/s²) = {like} mm", figure(jerk));
            Row::new("printing", Outcome::Note, message).set(jerk, "mm/s").formula(formula)
        }
    };
    vec![row]
}

#[cfg(test)]
mod tests {
    use super::super::testing::{heron, heron_with, row};
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn published_values() {
        // The values that the planner's corner rule is tested with.
        let close = |value: f64, expected: f64| assert!((value - expected).abs() < 1e-6, "{value}");
        close(by_deviation(90.0, 1000.0, 0.05), 10.986841134);
        close(by_deviation(90.0, 1000.0, 0.02), 6.948688);
        close(by_deviation(30.0, 1000.0, 0.05), 37.64820066782112);
        close(by_jerk(90.0, 8.0), 8.0);
        close(by_jerk(45.0, 8.0), 11.3137085);
        close(by_jerk(180.0, 8.0), 4.0);
    }

    #[test]
    fn the_two_rules_are_each_others_inverse() {
        // jerk 8 at 800 mm/s²: 64 / (2.41421 × 800).
        let jerk = row(&RIGHT_ANGLE, &heron(), "printing");
        assert_eq!(jerk.message, "at 90° like a junction deviation of 0.033 mm; at 45° 11.314 mm/s");
        let from = "{ jerk_mm_s = { x = 8.0, y = 8.0, z = 0.3, e = 4.0 } }";
        let deviation = format!("{{ junction_deviation_mm = {} }}", 64.0 / ((1.0 + SQRT_2) * 800.0));
        let back = row(&RIGHT_ANGLE, &heron_with(from, &deviation), "printing");
        assert!((back.set.unwrap() - 8.0).abs() < 1e-9);
    }

    #[test]
    fn a_step_of_speed_by_hand() {
        // y has no rotor inertia: π/4 × 0.9 kg × (8 mm/s)² / 0.2 mm.
        let y = row(&SPEED_STEP, &heron(), "y");
        assert!((y.set.unwrap() / (FRAC_PI_4 * 0.9 * 0.008f64.powi(2) / 0.0002) - 1.0).abs() < 1e-12);
        assert_eq!(y.outcome, Outcome::Go);
        assert!(y.formula.starts_with("8 mm/s / 0.2 mm = 40 full steps/s at once; "), "{}", y.formula);
        let rough = heron_with("x = 8.0, y = 8.0", "x = 8.0, y = 180.0");
        assert_eq!(row(&SPEED_STEP, &rough, "y").outcome, Outcome::NoGo);
        let bare = heron_with("moving_mass_kg = 0.9", "");
        assert_eq!(row(&SPEED_STEP, &bare, "y").outcome, Outcome::Note);
        assert_eq!(row(&SPEED_STEP, &Machine::built_in(), "y").outcome, Outcome::Skipped);
        let crossed = heron_with("[motion]", "[motion]\ndrive_layout = \"crossed-belts\"");
        assert_eq!(row(&SPEED_STEP, &crossed, "x − y belt").outcome, Outcome::Go);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn a_larger_step_never_needs_less(small in 0.0f64..50.0, more in 0.0f64..50.0) {
            let of = |jerk: f64| {
                let mut machine = heron();
                machine.motion.limits.jerk_mm_s[0] = jerk;
                row(&SPEED_STEP, &machine, "x")
            };
            let (one, other) = (of(small), of(small + more));
            prop_assert!(one.set <= other.set && one.outcome <= other.outcome);
        }
    }
}
