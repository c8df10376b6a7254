//! Steps for a mm, their rate and their size.
//!
//! Steps for a mm follow from the mechanics: steps of a motor turn, times the reduction, over the motion of a turn. The
//! tolerances are common practice without a source: belts and screws are close to their nominal measure, so a value more
//! than 2 % off is another part or another setting; an extruder's bite depends on the filament, so 15 %.

use super::{AXES, Comparison, Expected, NO_LIMIT, Outcome, Row, Subject, lacking, step_keys};
use crate::machine::{Drive, DriveLayout, E, Machine, Transmission};
use crate::wording::figure;

/// Steps for a mm as set, against those the drive gives.
pub const STEPS_PER_MM: Comparison = Comparison {
    id: "steps-per-mm-set-against-drive",
    subject: Subject::Steps,
    summary: "Steps for a mm as set, against motor step, micro-steps, reduction and pulley, screw or hob.",
    compare: steps_per_mm,
};

/// Step rate at the feed-rate limit, against what the controller makes.
pub const STEP_RATE: Comparison = Comparison {
    id: "step-rate-at-feed-limit-against-controller",
    subject: Subject::Steps,
    summary: "Steps a second at the feed-rate limit, against the most the controller makes on one motor.",
    compare: step_rate,
};

/// Size of one step, against what fine motion asks for.
pub const SMALLEST_STEP: Comparison = Comparison {
    id: "smallest-step-against-fine-motion",
    subject: Subject::Steps,
    summary: "Motion of one step, and of one full step, against what fine motion asks for.",
    compare: smallest_step,
};

/// Relative deviations up to which steps for a mm are go and hold.
fn tolerances(axis: usize) -> (f64, f64) {
    if axis == E { (0.05, 0.15) } else { (0.005, 0.02) }
}

/// Largest motion of one step, µm: common practice, no source.
const FINE_UM: [f64; 4] = [50.0, 50.0, 20.0, 50.0];
/// Teeth of the pulleys that are common.
const COMMON_TEETH: [f64; 13] = [12.0, 14.0, 15.0, 16.0, 18.0, 20.0, 24.0, 30.0, 32.0, 36.0, 40.0, 48.0, 60.0];
/// Leads of the screws that are common, mm.
const COMMON_LEADS_MM: [f64; 8] = [1.0, 1.25, 2.0, 4.0, 5.0, 8.0, 10.0, 12.0];

fn steps_per_mm(machine: &Machine) -> Vec<Row> {
    let row = |axis: usize| {
        let drive = &machine.drive.axes[axis];
        let Some(set) = machine.controller.steps_per_mm[axis] else {
            return Row::skipped(AXES[axis], "the sheet gives no `[controller] steps_per_mm` for it");
        };
        let Some(expected) = drive.steps_per_mm() else {
            return Row::skipped(AXES[axis], lacking(drive, &step_keys(drive, axis)));
        };
        let ratio = set / expected;
        let (go, hold) = tolerances(axis);
        let off = (ratio - 1.0).abs();
        let (outcome, message) = if off <= go {
            (Outcome::Go, "as the drive gives it".to_owned())
        } else if off <= hold {
            (Outcome::Hold, format!("{} the drive gives; calibrated?", factor(ratio)))
        } else {
            (Outcome::NoGo, format!("{} the drive gives{}", factor(ratio), causes_sentence(ratio, drive, go)))
        };
        Row::new(AXES[axis], outcome, message)
            .set(set, "steps/mm")
            .expected(Expected::Near(expected))
            .formula(formula(drive, expected))
    };
    (0..4).map(row).collect()
}

/// Steps of a turn × reduction / motion of a turn (kinematics), with the numbers.
fn formula(drive: &Drive, steps_per_mm: f64) -> String {
    let step = drive.motor_step_deg.unwrap_or_default();
    let advance = match drive.transmission {
        Some(Transmission::Belt { pulley_teeth, pitch_mm }) => format!("({pulley_teeth} × {} mm)", figure(pitch_mm)),
        Some(Transmission::Screw { lead_mm, .. }) => format!("{} mm", figure(lead_mm)),
        Some(Transmission::Hob { diameter_mm }) => format!("(π × {} mm)", figure(diameter_mm)),
        Some(Transmission::Measured { per_turn_mm }) => format!("{} mm", figure(per_turn_mm)),
        None => String::new(),
    };
    format!(
        "360° / {}° × {} × {} / {advance} = {} steps/mm",
        figure(step),
        drive.steps_per_full_step.unwrap_or_default(),
        figure(drive.reduction),
        figure(steps_per_mm)
    )
}

/// `2 times what`, `1/3 of what`, `1.013 times what`.
fn factor(ratio: f64) -> String {
    let inverse = 1.0 / ratio;
    if ratio < 0.9 && (inverse - inverse.round()).abs() < 0.05 * inverse {
        return format!("1/{} of what", figure(inverse.round()));
    }
    let rounded = ratio.round();
    let shown = if ratio > 1.5 && (ratio - rounded).abs() < 0.005 * rounded { rounded } else { ratio };
    format!("{} times what", figure(shown))
}

fn causes_sentence(ratio: f64, drive: &Drive, tolerance: f64) -> String {
    let causes = causes(ratio, drive, tolerance);
    match causes.is_empty() {
        true => "; no common cause fits that factor: check motor, pulley or screw, and micro-steps".to_owned(),
        false => format!("; likely {}", causes.join(", or ")),
    }
}

/// Exponent of the power of two that a ratio is, within a relative tolerance; none for 1.
pub fn power_of_two(ratio: f64, tolerance: f64) -> Option<i32> {
    let exponent = ratio.log2().round();
    let near = (ratio / exponent.exp2() - 1.0).abs() <= tolerance;
    (near && exponent != 0.0 && exponent.abs() <= 10.0).then_some(exponent as i32)
}

/// What makes the steps set so many times those of the drive, likeliest first.
pub fn causes(ratio: f64, drive: &Drive, tolerance: f64) -> Vec<String> {
    let near = |value: f64, other: f64| (value / other - 1.0).abs() <= tolerance;
    let mut causes = Vec::new();
    if drive.reduction != 1.0 && near(ratio, 1.0 / drive.reduction) {
        causes.push(format!("the reduction {} is left out", figure(drive.reduction)));
    }
    if drive.reduction != 1.0 && near(ratio, drive.reduction) {
        causes.push(format!("the reduction {} is counted twice", figure(drive.reduction)));
    }
    let exponent = power_of_two(ratio, tolerance);
    if let (Some(exponent), Some(steps)) = (exponent, drive.steps_per_full_step) {
        let meant = steps as f64 * f64::from(exponent).exp2();
        if meant >= 1.0 {
            causes.push(format!("set for {} micro-steps, not the {steps} of the sheet", figure(meant)));
        }
    }
    if let (Some(1 | -1), Some(step)) = (exponent, drive.motor_step_deg) {
        causes.push(format!("set for a motor of {}°, not {}°", figure(step / ratio), figure(step)));
    }
    match drive.transmission {
        Some(Transmission::Belt { pulley_teeth, .. }) if exponent.is_none() => {
            let meant = COMMON_TEETH.iter().find(|teeth| near(pulley_teeth as f64 / ratio, **teeth));
            causes.extend(meant.map(|teeth| format!("set for a pulley of {teeth} teeth, not {pulley_teeth}")));
        }
        Some(Transmission::Screw { lead_mm, .. }) => {
            let meant = COMMON_LEADS_MM.iter().find(|lead| near(lead_mm / ratio, **lead));
            causes.extend(meant.map(|lead| format!("set for a lead of {lead} mm, not {} mm", figure(lead_mm))));
        }
        _ => {}
    }
    causes
}

fn step_rate(machine: &Machine) -> Vec<Row> {
    let Some(limit_hz) = machine.controller.step_rate_limit_hz else {
        return vec![Row::skipped("all motors", "the sheet gives no `[controller] step_rate_limit_hz`")];
    };
    let feed = machine.motion.limits.feed_rate_mm_s;
    let row = |axis: usize| {
        let (what, speed) = match motor_speed(machine, axis) {
            Ok(motor) => motor,
            Err(reason) => return Row::skipped(AXES[axis], reason),
        };
        let Some(steps) = machine.controller.steps_per_mm[axis] else {
            return Row::skipped(what, "the sheet gives no `[controller] steps_per_mm` for it");
        };
        let rate_hz = speed * steps;
        let (outcome, message) = if rate_hz <= limit_hz {
            (Outcome::Go, format!("{} % of what the controller makes", figure((rate_hz / limit_hz * 100.0).round())))
        } else {
            let most = figure(limit_hz / rate_hz * feed[axis]);
            (Outcome::Hold, format!("the controller keeps up only to {most} mm/s of {}", AXES[axis]))
        };
        Row::new(what, outcome, message).set(rate_hz, "Hz").expected(Expected::AtMost(limit_hz)).formula(format!(
            "{} mm/s × {} steps/mm = {} Hz",
            figure(speed),
            figure(steps),
            figure(rate_hz)
        ))
    };
    (0..4).map(row).collect()
}

/// Name and top speed, mm/s, of the motor in an axis's place: with crossed belts a belt runs at up to x + y.
pub(super) fn motor_speed(machine: &Machine, axis: usize) -> Result<(String, f64), String> {
    let feed = machine.motion.limits.feed_rate_mm_s;
    let (what, speed) = match (machine.motion.drive_layout, axis) {
        (DriveLayout::ThreeTowers { .. }, 0..=2) => {
            return Err("with `three-towers` the speed of a carriage depends on the place".to_owned());
        }
        (DriveLayout::CrossedBelts, 0) => ("x + y belt".to_owned(), feed[0] + feed[1]),
        (DriveLayout::CrossedBelts, 1) => ("x − y belt".to_owned(), feed[0] + feed[1]),
        _ => (AXES[axis].to_owned(), feed[axis]),
    };
    if speed >= NO_LIMIT {
        return Err("its `feed_rate_limit_mm_s` sets no limit".to_owned());
    }
    Ok((what, speed))
}

fn smallest_step(machine: &Machine) -> Vec<Row> {
    let row = |axis: usize| {
        let Some(steps) = machine.controller.steps_per_mm[axis] else {
            return Row::skipped(AXES[axis], "the sheet gives no `[controller] steps_per_mm` for it");
        };
        let step_um = 1e3 / steps;
        let full = machine.drive.axes[axis].full_step_mm();
        let full = full.map_or(String::new(), |full| format!("; a full step is {} mm", figure(full)));
        let (outcome, what) = match step_um <= FINE_UM[axis] {
            true => (Outcome::Go, "fine enough"),
            false => (Outcome::Hold, "coarse: its steps will show"),
        };
        Row::new(AXES[axis], outcome, format!("{what}{full}"))
            .set(step_um, "µm")
            .expected(Expected::AtMost(FINE_UM[axis]))
            .formula(format!("1 / {} steps/mm = {} µm", figure(steps), figure(step_um)))
    };
    (0..4).map(row).collect()
}

#[cfg(test)]
mod tests {
    use super::super::testing::{heron, heron_with, row};
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn handbook_values() {
        // 200 full steps × 16 over 20 teeth × 2 mm, or over a lead of 8 mm: arithmetic of the trade.
        for (axis, expected) in [("x", 80.0), ("z", 400.0)] {
            let row = row(&STEPS_PER_MM, &heron(), axis);
            assert_eq!((row.outcome, row.expected), (Outcome::Go, Some(Expected::Near(expected))));
        }
        let x = row(&STEPS_PER_MM, &heron(), "x");
        assert_eq!(x.formula, "360° / 1.8° × 16 × 1 / (20 × 2 mm) = 80 steps/mm");
        let fast = heron_with("x = 180.0", "x = 200.0");
        assert_eq!(row(&STEP_RATE, &fast, "x").set, Some(16_000.0));
        assert_eq!(row(&SMALLEST_STEP, &heron(), "x").set, Some(12.5));
        assert!(row(&SMALLEST_STEP, &heron(), "x").message.ends_with("a full step is 0.2 mm"));
    }

    #[test]
    fn tolerances_are_tight_but_for_the_extruder() {
        let judged = |axis: usize, factor: f64| {
            let mut machine = heron();
            machine.controller.steps_per_mm[axis] = machine.drive.axes[axis].steps_per_mm().map(|steps| steps * factor);
            steps_per_mm(&machine)[axis].outcome
        };
        for (axis, cases) in [(0, [0.004, 0.006, 0.019, 0.021]), (3, [0.04, 0.06, 0.14, 0.16])] {
            let expected = [Outcome::Go, Outcome::Hold, Outcome::Hold, Outcome::NoGo];
            assert_eq!(cases.map(|off| judged(axis, 1.0 + off)), expected);
            assert_eq!(cases.map(|off| judged(axis, 1.0 - off)), expected);
        }
    }

    #[test]
    fn wrong_parts_are_named() {
        let drive = heron().drive.axes;
        let said = |ratio: f64, drive: &Drive| causes(ratio, drive, 0.005).join(" | ");
        assert_eq!(said(1.25, &drive[0]), "set for a pulley of 16 teeth, not 20");
        assert_eq!(said(0.25, &drive[0]), "set for 4 micro-steps, not the 16 of the sheet");
        assert!(said(4.0, &drive[2]).ends_with("| set for a lead of 2 mm, not 8 mm"));
        assert!(said(2.0, &drive[0]).ends_with("| set for a motor of 0.9°, not 1.8°"));
        let geared = Drive { reduction: 3.0, ..drive[3] };
        assert_eq!(said(1.0 / 3.0, &geared), "the reduction 3 is left out");
        assert_eq!(said(3.0, &geared), "the reduction 3 is counted twice");
        assert_eq!(said(1.37, &drive[0]), "");
        assert_eq!(factor(1.0 / 3.0), "1/3 of what");
        assert_eq!(factor(2.0), "2 times what");
        assert_eq!(factor(1.013), "1.013 times what");
    }

    #[test]
    fn belts_that_cross_run_at_the_sum_of_both_speeds() {
        let crossed = heron_with("[motion]", "[motion]\ndrive_layout = \"crossed-belts\"");
        let belt = row(&STEP_RATE, &crossed, "x + y belt");
        assert_eq!((belt.set, belt.outcome), (Some(28_800.0), Outcome::Hold));
        let towers = heron_with("[motion]", "[motion]\ndrive_layout = \"three-towers\"");
        assert_eq!(row(&STEP_RATE, &towers, "x").outcome, Outcome::Skipped);
        let free = heron_with("x = 180.0", "x = 1e9");
        assert_eq!(row(&STEP_RATE, &free, "x").outcome, Outcome::Skipped);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn every_power_of_two_is_recovered(exponent in -8i32..=8, off in -0.004f64..0.004) {
            let ratio = f64::from(exponent).exp2() * (1.0 + off);
            prop_assert_eq!(power_of_two(ratio, 0.005), (exponent != 0).then_some(exponent));
        }

        #[test]
        fn what_is_no_power_of_two_is_none(exponent in -8i32..=8, share in 0.02f64..0.98) {
            let ratio = f64::from(exponent).exp2() * (1.0 + share);
            prop_assert_eq!(power_of_two(ratio, 0.005), None);
        }

        #[test]
        fn wrong_micro_steps_are_always_named(exponent in -4i32..=4) {
            prop_assume!(exponent != 0);
            let mut machine = heron();
            machine.controller.steps_per_mm[1] = Some(80.0 * f64::from(exponent).exp2());
            let row = row(&STEPS_PER_MM, &machine, "y");
            let meant = 16.0 * f64::from(exponent).exp2();
            prop_assert_eq!(row.outcome, Outcome::NoGo);
            let named = format!("set for {meant} micro-steps, not the 16 of the sheet");
            prop_assert!(row.message.contains(&named), "{}", row.message);
        }
    }
}
