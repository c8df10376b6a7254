//! What drivers and supply bear, where the sheet says so.
//!
//! A chopping driver takes power from the supply, not the current of the windings: with sinusoidal currents of the RMS
//! value I both phases of a motor give off 2 I² R together, and a turning motor its torque times its speed besides (energy
//! balance). At rest only the first is drawn. The second is the cautious torque at the feed-rate limit, for all motors at
//! once, which hardly ever happens: where only that goes beyond the supply, it is a hold. Losses of the drivers are left
//! out. That 10 % should be left to drivers is common practice, no source.

use super::motor::Motor;
use super::steps::motor_speed;
use super::{AXES, Comparison, Expected, Outcome, Row, Subject, lacking};
use crate::machine::Machine;
use crate::wording::figure;

/// Current set, against what the driver bears.
pub const DRIVER_CURRENT: Comparison = Comparison {
    id: "run-current-against-driver-limit",
    subject: Subject::Motor,
    summary: "RMS current of a phase as set, against what the driver bears.",
    compare: driver_current,
};

/// Supply voltage, against what the drivers bear.
pub const DRIVER_VOLTAGE: Comparison = Comparison {
    id: "supply-voltage-against-driver-limit",
    subject: Subject::Motor,
    summary: "Supply voltage of the motor drivers, against the highest they bear.",
    compare: driver_voltage,
};

/// Current all motors draw, against what the supply has.
pub const SUPPLY_CURRENT: Comparison = Comparison {
    id: "motor-supply-current-against-supply-limit",
    subject: Subject::Motor,
    summary: "Current that all motors draw from the supply at once, against what it has for them.",
    compare: supply_current,
};

/// Share of a driver's limit above which little is left.
const DRIVER_SHARE: f64 = 0.9;

/// Verdict by the share of what a driver bears.
fn by_share(share: f64) -> Outcome {
    match share {
        share if share > 1.0 + 1e-9 => Outcome::NoGo,
        share if share > DRIVER_SHARE => Outcome::Hold,
        _ => Outcome::Go,
    }
}

fn driver_current(machine: &Machine) -> Vec<Row> {
    let row = |axis: usize| {
        let drive = &machine.drive.axes[axis];
        let (Some(rms_a), Some(limit_a)) = (drive.coil_current_rms_a, drive.driver_limit_rms_a) else {
            let wanted = [
                ("coil_current_rms_a", drive.coil_current_rms_a.is_some()),
                ("driver_limit_rms_a", drive.driver_limit_rms_a.is_some()),
            ];
            return Row::skipped(AXES[axis], lacking(drive, &wanted));
        };
        let outcome = by_share(rms_a / limit_a);
        let message = match outcome {
            Outcome::NoGo => "the driver overheats or switches off; lower the current",
            Outcome::Hold => "little reserve: cool the driver well",
            _ => "within what the driver bears",
        };
        Row::new(AXES[axis], outcome, message).set(rms_a, "A RMS").expected(Expected::AtMost(limit_a))
    };
    (0..4).map(row).collect()
}

fn driver_voltage(machine: &Machine) -> Vec<Row> {
    let (Some(supply_v), Some(limit_v)) = (machine.drive.supply_v, machine.drive.driver_limit_v) else {
        let key = if machine.drive.supply_v.is_none() { "supply_v" } else { "driver_limit_v" };
        return vec![Row::skipped("all motors", format!("the sheet gives no `[drive] {key}`"))];
    };
    let outcome = by_share(supply_v / limit_v);
    let message = match outcome {
        Outcome::NoGo => "the supply destroys the drivers",
        Outcome::Hold => "little reserve: a motor that brakes or is turned by hand feeds back into the supply",
        _ => "within what the drivers bear",
    };
    vec![Row::new("all motors", outcome, message).set(supply_v, "V").expected(Expected::AtMost(limit_v))]
}

fn supply_current(machine: &Machine) -> Vec<Row> {
    let Some(limit_a) = machine.drive.supply_limit_a else {
        return vec![Row::skipped("all motors", "the sheet gives no `[drive] supply_limit_a`")];
    };
    vec![drawn(machine, limit_a).unwrap_or_else(|reason| Row::skipped("all motors", reason))]
}

fn drawn(machine: &Machine, limit_a: f64) -> Result<Row, String> {
    let (mut at_rest_w, mut moving_w, mut supply_v) = (0.0, 0.0, 0.0);
    for (axis, name) in AXES.into_iter().enumerate() {
        let of_axis = |reason| format!("{name}: {reason}");
        let motor = Motor::of(machine, axis).map_err(of_axis)?;
        // Two phases at an RMS of 1/√2 of the amplitude.
        at_rest_w += motor.motors * motor.current_peak_a.powi(2) * motor.resistance_ohm;
        let (_, feed_mm_s) = motor_speed(machine, axis).map_err(of_axis)?;
        let speed = motor.rad_s(feed_mm_s);
        moving_w += motor.motors * motor.cautious_nm(speed) * speed;
        supply_v = motor.supply_v;
    }
    let (at_rest_a, most_a) = (at_rest_w / supply_v, (at_rest_w + moving_w) / supply_v);
    let (outcome, message) = if at_rest_a > limit_a {
        (Outcome::NoGo, format!("the motors draw {} A even at rest: the supply breaks down", figure(at_rest_a)))
    } else if most_a > limit_a {
        (Outcome::Hold, "all motors at their limits at once are too much for the supply".to_owned())
    } else {
        (Outcome::Go, "enough for all motors at their limits at once".to_owned())
    };
    Ok(Row::new("all motors", outcome, message).set(most_a, "A").expected(Expected::AtMost(limit_a)).formula(format!(
        "({} W in the windings + {} W of torque × speed) / {} V = {} A",
        figure(at_rest_w),
        figure(moving_w),
        figure(supply_v),
        figure(most_a)
    )))
}

#[cfg(test)]
mod tests {
    use super::super::testing::{heron_with, row};
    use super::*;

    #[test]
    fn drivers_are_judged_where_their_limits_are_given() {
        let at = |limit: &str| {
            row(&DRIVER_CURRENT, &heron_with("driver_limit_rms_a = 1.2", &format!("driver_limit_rms_a = {limit}")), "x")
        };
        use Outcome::{Go, Hold, NoGo};
        // 0.8 A RMS are set.
        assert_eq!(["0.79", "0.8", "0.9"].map(|limit| at(limit).outcome), [NoGo, Hold, Go]);
        let volts = |limit: &str| {
            let machine = heron_with("driver_limit_v = 29.0", &format!("driver_limit_v = {limit}"));
            row(&DRIVER_VOLTAGE, &machine, "all motors").outcome
        };
        assert_eq!(["23.0", "25.0", "29.0"].map(volts), [NoGo, Hold, Go]);
        let silent = heron_with("driver_limit_v = 29.0\n", "");
        assert_eq!(row(&DRIVER_VOLTAGE, &silent, "all motors").outcome, Outcome::Skipped);
        assert_eq!(row(&DRIVER_CURRENT, &Machine::built_in(), "x").outcome, Outcome::Skipped);
    }

    #[test]
    fn the_supply_gives_power_and_no_winding_current() {
        // 2 I² R for each motor: 2 (0.8² + 0.9² + 2 × 0.7²) × 1.6 W + 2 × 0.6² × 2.4 W, by hand.
        let at_rest_w = 2.0 * (0.64 + 0.81 + 0.98) * 1.6 + 2.0 * 0.36 * 2.4;
        let at = |limit: f64| {
            let machine = heron_with("supply_limit_a = 4.0", &format!("supply_limit_a = {limit:?}"));
            row(&SUPPLY_CURRENT, &machine, "all motors")
        };
        let most_a = at(4.0).set.expect("a current");
        assert_eq!(at(4.0).outcome, Outcome::Go);
        // Torque T I / I_rated × v 2π / way of a turn, by hand; all run below their corner speeds.
        let of = |torque_nm: f64, turns_s: f64| torque_nm * turns_s * std::f64::consts::TAU;
        let moving_w = of(0.4 * 0.8 / 1.5, 180.0 / 40.0)
            + of(0.4 * 0.9 / 1.5, 180.0 / 40.0)
            + 2.0 * of(0.4 * 0.7 / 1.5, 8.0 / 8.0)
            + of(0.3 * 0.6 / 1.0, 40.0 / (std::f64::consts::PI * 10.6));
        assert!((most_a - (at_rest_w + moving_w) / 24.0).abs() < 1e-9, "{most_a}");
        assert_eq!(at(at_rest_w / 24.0 - 1e-3).outcome, Outcome::NoGo);
        assert_eq!(at(at_rest_w / 24.0 + 1e-3).outcome, Outcome::Hold);
        let undescribed = heron_with("resistance_ohm = 2.4", "");
        assert!(row(&SUPPLY_CURRENT, &undescribed, "all motors").message.starts_with("e: "));
    }
}
