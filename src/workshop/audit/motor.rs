//! Current, speed and force of the motors.
//!
//! Model of a two-phase hybrid stepper driven with sinusoidal currents, SI units:
//!
//! - A motor with full steps of α degrees goes through 90 / α electrical turns for each of its own: four full steps make
//!   one, so the electrical frequency is the full-step rate over 4.
//! - Each phase gives the torque Kt i sin(θ), θ the electrical angle, the phases 90° apart. With both at the rated
//!   current the holding torque is √2 Kt I, hence Kt = T_holding / (√2 I_rated). By conservation of energy the same
//!   constant gives the amplitude of the back-EMF of a phase, Kt ω.
//! - The rated current of a data sheet is what each phase bears for good with both phases on, as in full steps: the windings
//!   then give off 2 I² R. Sinusoidal currents of the RMS value I give off the same, and their amplitude √2 I the same
//!   torque, since sin² + cos² = 1. So the RMS current set is held against the rated current as it stands (common practice
//!   of motor makers' data sheets and application notes; Acarnley, Stepping Motors, from memory).
//! - With sinusoidal currents of amplitude I the torque is Kt I at most.
//! - A phase needs L di/dt + R i + back-EMF. Its amplitude is |I (R + j ω_e L)| + Kt ω where the two are in phase, as on
//!   an idle motor; up to the *corner speed* that is no more than the supply voltage. Beyond, the cautious force counts
//!   with the current that the supply can still push in that case.
//! - Under load the two are not in phase. The largest torque of a motor that is fed with the amplitude V is
//!   Kt V / |Z| − Kt² ω R / |Z|², Z = R + j ω_e L (pull-out torque of a synchronous machine; electrical machine
//!   handbooks, such as Acarnley, Stepping Motors; from memory). It bounds the force from above. A motor that is too weak
//!   by the cautious force and not by this bound is a hold, not a no-go.
//!
//! A screw loses work in its thread ([`super::screw`]); the rotors are before it.
//!
//! Not modelled: voltage drop in the driver, iron losses, resonance, friction of guides, efficiency of belt or gear (1.0).
//! The margin of 1.5 and the bounds on the current are common practice, no source.

use std::f64::consts::SQRT_2;

use super::screw::Loss;
use super::steps::motor_speed;
use super::{AXES, Comparison, Expected, NO_LIMIT, Outcome, Row, Subject, by_margin, lacking};
use crate::machine::{Drive, DriveLayout, E, Machine, Transmission};
use crate::wording::figure;

/// Current set, against the rated current.
pub const RUN_CURRENT: Comparison = Comparison {
    id: "run-current-against-rated-current",
    subject: Subject::Motor,
    summary: "RMS current of a phase as set, against the rated current of the motor with both phases on.",
    compare: run_current,
};

/// Feed-rate limit, against the speed up to which the current follows.
pub const CORNER_SPEED: Comparison = Comparison {
    id: "feed-limit-against-current-corner-speed",
    subject: Subject::Motor,
    summary: "Feed-rate limit, against the speed from which the supply no longer pushes the whole current.",
    compare: corner_speed,
};

/// Force needed at limit speed and acceleration, against the force there is.
pub const FORCE: Comparison = Comparison {
    id: "force-needed-at-limits-against-motor-force",
    subject: Subject::Motor,
    summary: "Force to accelerate the moving mass at the feed-rate limit, against what the motor still gives there.",
    compare: force,
};

/// Standard acceleration of free fall, m/s² (defined, 3rd General Conference on Weights and Measures, 1901).
pub(super) const G_M_S2: f64 = 9.80665;
/// Force that is there for each that is needed, from which on it is enough.
const ENOUGH: f64 = 1.5;

/// A motor that is described whole, SI units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Motor {
    /// Torque for current and back-EMF for speed, N·m/A and V·s/rad.
    pub torque_constant: f64,
    /// Resistance of a phase, Ω.
    pub resistance_ohm: f64,
    /// Inductance of a phase, H.
    pub inductance_h: f64,
    /// Electrical turns for one of the motor.
    pub periods: f64,
    /// Supply, V.
    pub supply_v: f64,
    /// Amplitude of the current set, for one motor, A.
    pub current_peak_a: f64,
    /// Motors that move the same thing.
    pub motors: f64,
    /// Angle for motion, rad/m.
    pub rad_per_m: f64,
    /// Motion of one full step, m.
    pub full_step_m: f64,
    /// Inertia of all rotors as a mass that moves, kg; less than that behind a screw, whose loss it does not feel.
    pub rotor_kg: f64,
    /// Share of the work that arrives at what moves, 0 to 1, and the most it may be.
    pub efficiency: [f64; 2],
}

impl Motor {
    /// The motor of an axis.
    ///
    /// # Errors
    /// Why there is none: the keys the sheet does not give.
    pub fn of(machine: &Machine, axis: usize) -> Result<Self, String> {
        let drive = &machine.drive.axes[axis];
        let whole = || {
            let motors = drive.motors as f64;
            let rad_per_m = drive.rad_per_mm()? * 1e3;
            let inertia_kg_m2 = drive.rotor_inertia_g_cm2.unwrap_or(0.0) * 1e-7;
            let loss = loss(drive);
            Some(Self {
                torque_constant: drive.holding_torque_nm? / (SQRT_2 * drive.rated_current_a?),
                resistance_ohm: drive.resistance_ohm?,
                inductance_h: drive.inductance_mh? * 1e-3,
                periods: 90.0 / drive.motor_step_deg?,
                supply_v: machine.drive.supply_v?,
                current_peak_a: drive.coil_current_rms_a? * SQRT_2 / motors,
                motors,
                rad_per_m,
                full_step_m: drive.full_step_mm()? * 1e-3,
                rotor_kg: motors * inertia_kg_m2 * rad_per_m * rad_per_m * loss.efficiency,
                efficiency: [loss.efficiency, loss.at_best],
            })
        };
        whole().ok_or_else(|| missing(machine, drive, axis))
    }

    /// Size of the impedance of a phase at a motor speed in rad/s, Ω.
    fn impedance(&self, speed: f64) -> f64 {
        self.resistance_ohm.hypot(speed * self.periods * self.inductance_h)
    }

    /// The motor speed up to which I |Z| + Kt ω ≤ V, rad/s; 0 when the supply never pushes that current.
    ///
    /// (V − K ω)² = I² (R² + (p ω L)²) is a ω² + 2 V K ω − c = 0 with a = (I p L)² − K² and c = V² − (I R)².
    pub fn corner_rad_s(&self) -> f64 {
        let (v, k, i) = (self.supply_v, self.torque_constant, self.current_peak_a);
        let c = v * v - (i * self.resistance_ohm).powi(2);
        if c <= 0.0 {
            return 0.0;
        }
        let a = (i * self.periods * self.inductance_h).powi(2) - k * k;
        // The form without a difference of near equals; the root is real since c > 0.
        c / (v * k + (v * v * k * k + a * c).max(0.0).sqrt())
    }

    /// Torque of one motor by the cautious model, N·m, at a motor speed in rad/s.
    pub fn cautious_nm(&self, speed: f64) -> f64 {
        let left_v = (self.supply_v - self.torque_constant * speed).max(0.0);
        self.torque_constant * self.current_peak_a.min(left_v / self.impedance(speed))
    }

    /// Largest torque of one motor that voltage and current allow at the best angle, N·m.
    pub fn pull_out_nm(&self, speed: f64) -> f64 {
        let (k, z) = (self.torque_constant, self.impedance(speed));
        let by_voltage = k * self.supply_v / z - k * k * speed * self.resistance_ohm / (z * z);
        by_voltage.min(k * self.current_peak_a).max(self.cautious_nm(speed))
    }

    /// Motor speed, rad/s, at a speed of what it moves in mm/s.
    pub fn rad_s(&self, speed_mm_s: f64) -> f64 {
        speed_mm_s * 1e-3 * self.rad_per_m
    }

    /// Force on what it moves, N, of a torque of one motor: the work that arrives over the way.
    pub fn force_n(&self, torque_nm: f64) -> f64 {
        self.motors * torque_nm * self.rad_per_m * self.efficiency[0]
    }

    /// The same with the least loss there may be.
    pub fn most_force_n(&self, torque_nm: f64) -> f64 {
        self.motors * torque_nm * self.rad_per_m * self.efficiency[1]
    }
}

/// What the transmission of an axis loses.
pub(super) fn loss(drive: &Drive) -> Loss {
    match drive.transmission {
        Some(Transmission::Screw { lead_mm, pitch_diameter_mm, friction }) => {
            Loss::of_screw(lead_mm, pitch_diameter_mm, friction)
        }
        _ => Loss::none(),
    }
}

/// A message, and what it assumes of the transmission.
pub(super) fn with_assumed(message: String, loss: &Loss) -> String {
    match loss.assumed.is_empty() {
        true => message,
        false => format!("{message}; {}", loss.assumed),
    }
}

fn missing(machine: &Machine, drive: &Drive, axis: usize) -> String {
    let mut wanted = super::step_keys(drive, axis).to_vec();
    wanted.remove(1);
    wanted.extend([
        ("coil_current_rms_a", drive.coil_current_rms_a.is_some()),
        ("rated_current_a", drive.rated_current_a.is_some()),
        ("holding_torque_nm", drive.holding_torque_nm.is_some()),
        ("inductance_mh", drive.inductance_mh.is_some()),
        ("resistance_ohm", drive.resistance_ohm.is_some()),
    ]);
    if wanted.iter().all(|(_, there)| *there) && machine.drive.supply_v.is_none() {
        return "the sheet gives no `[drive] supply_v`".to_owned();
    }
    lacking(drive, &wanted)
}

fn run_current(machine: &Machine) -> Vec<Row> {
    let row = |axis: usize| {
        let drive = &machine.drive.axes[axis];
        let (Some(rms_a), Some(rated_a)) = (drive.coil_current_rms_a, drive.rated_current_a) else {
            let wanted = [
                ("coil_current_rms_a", drive.coil_current_rms_a.is_some()),
                ("rated_current_a", drive.rated_current_a.is_some()),
            ];
            return Row::skipped(AXES[axis], lacking(drive, &wanted));
        };
        let each_a = rms_a / drive.motors as f64;
        let share = each_a / rated_a;
        let (outcome, what) = match share {
            share if share > 1.0 + 1e-9 => (Outcome::NoGo, "the motor may overheat; lower the current"),
            share if share > 0.9 => (Outcome::Hold, "little reserve: watch the temperature of motor and driver"),
            share if share < 0.3 => (Outcome::Hold, "weak: it may lose steps"),
            _ => (Outcome::Go, "as usual"),
        };
        let shared = match drive.motors {
            1 => figure(rms_a),
            motors => format!("{} A RMS / {motors} motors = {}", figure(rms_a), figure(each_a)),
        };
        let old_name = match drive.rated_by_old_name {
            true => "; `rated_current_peak_a` is an old name, read as `rated_current_a`: the number of the data sheet",
            false => "",
        };
        let message = format!("{} % of the rated current; {what}{old_name}", figure((share * 100.0).round()));
        Row::new(AXES[axis], outcome, message).set(each_a, "A RMS").expected(Expected::AtMost(rated_a)).formula(
            format!(
                "{shared} A RMS, {} A peak (× √2), of {} A rated with both phases on",
                figure(each_a * SQRT_2),
                figure(rated_a)
            ),
        )
    };
    (0..4).map(row).collect()
}

fn corner_speed(machine: &Machine) -> Vec<Row> {
    let row = |axis: usize| {
        let (what, feed_mm_s) = match motor_speed(machine, axis) {
            Ok(found) => found,
            Err(reason) => return Row::skipped(AXES[axis], reason),
        };
        let motor = match Motor::of(machine, axis) {
            Ok(motor) => motor,
            Err(reason) => return Row::skipped(what, reason),
        };
        let corner = motor.corner_rad_s();
        let corner_mm_s = corner / motor.rad_per_m * 1e3;
        let (outcome, message) = if corner == 0.0 {
            (Outcome::Hold, "the supply does not even push the current set through a motor at rest".to_owned())
        } else if feed_mm_s <= corner_mm_s {
            (Outcome::Go, "the whole current follows up to the limit".to_owned())
        } else {
            let left = motor.cautious_nm(motor.rad_s(feed_mm_s)) / motor.cautious_nm(0.0);
            (Outcome::Hold, format!("torque falls above it, at the limit to {} %", figure((left * 100.0).round())))
        };
        Row::new(what, outcome, message)
            .set(feed_mm_s, "mm/s")
            .expected(Expected::AtMost(corner_mm_s))
            .formula(corner_formula(&motor, corner))
    };
    (0..4).map(row).collect()
}

fn corner_formula(motor: &Motor, corner: f64) -> String {
    let hz = corner * motor.periods / std::f64::consts::TAU;
    format!(
        "{} A peak × |{} Ω + j 2π {} Hz × {} mH| + {} V·s/rad × {} rad/s = {} V of {} V",
        figure(motor.current_peak_a),
        figure(motor.resistance_ohm),
        figure(hz),
        figure(motor.inductance_h * 1e3),
        figure(motor.torque_constant),
        figure(corner),
        figure(motor.current_peak_a * motor.impedance(corner) + motor.torque_constant * corner),
        figure(motor.supply_v)
    )
}

/// What a motor has to move at its limits.
struct Load {
    /// Force to accelerate at the limits, N.
    force_n: f64,
    /// How it is made up, with numbers.
    formula: String,
}

/// The acceleration that an axis really sees, mm/s²: its limit, or less where no more is asked along the path; more where
/// ramps peak above what is set.
fn acceleration(machine: &Machine, axis: usize) -> Result<f64, String> {
    let limits = &machine.motion.limits;
    let set = limits.acceleration_mm_s2[axis].min(limits.printing_mm_s2.max(limits.travel_mm_s2));
    let accel = set * machine.motion.ramp.peak_factor();
    if set >= NO_LIMIT {
        Err("neither `acceleration_limit_mm_s2` nor what is asked limits it".to_owned())
    } else {
        Ok(accel)
    }
}

/// Mass that moves with an axis, kg.
pub(super) fn mass(machine: &Machine, axis: usize) -> Result<f64, String> {
    let drive = &machine.drive.axes[axis];
    drive.moving_mass_kg.ok_or_else(|| lacking(drive, &[("moving_mass_kg", false)]))
}

/// Force m (a + g for z) of one axis, or that of a belt of two that cross; with the rotors' share.
///
/// Crossed belts: power is F_x v_x + F_y v_y = F_a (v_x + v_y) + F_b (v_x − v_y), so each belt carries half the sum of
/// both forces. Both axes at once accelerate at most by what is asked along the path: m · a ≤ A √(m_x² + m_y²).
fn load(machine: &Machine, axis: usize, motor: &Motor) -> Result<Load, String> {
    let rotors = |accel: f64| motor.rotor_kg * accel * 1e-3;
    let spin = |force: f64| if force > 0.0 { format!(" + {} N for the rotors", figure(force)) } else { String::new() };
    if machine.motion.drive_layout == DriveLayout::CrossedBelts && axis < 2 {
        let (mx, my) = (mass(machine, 0)?, mass(machine, 1)?);
        let (ax, ay) = (acceleration(machine, 0)?, acceleration(machine, 1)?);
        let limits = &machine.motion.limits;
        let asked = limits.printing_mm_s2.max(limits.travel_mm_s2);
        let masses_n = (mx * ax + my * ay).min(asked * mx.hypot(my)) * 1e-3 / 2.0;
        let rotors_n = rotors((ax + ay).min(asked * SQRT_2));
        let (force_n, spin) = (masses_n + rotors_n, spin(rotors_n));
        let formula = format!(
            "both belts share m a of x and y, {} kg and {} kg at up to {} m/s² along the path: {} N each{spin} = {} N",
            figure(mx),
            figure(my),
            figure(asked.min(ax.hypot(ay)) * 1e-3),
            figure(masses_n),
            figure(force_n)
        );
        return Ok(Load { force_n, formula });
    }
    let (kg, accel) = (mass(machine, axis)?, acceleration(machine, axis)?);
    let weight_n = if axis == 2 { kg * G_M_S2 } else { 0.0 };
    let (masses_n, rotors_n) = (kg * accel * 1e-3 + weight_n, rotors(accel));
    let sum = if axis == 2 { format!("({} + {})", figure(accel * 1e-3), figure(G_M_S2)) } else { figure(accel * 1e-3) };
    let formula = format!("{} kg × {sum} m/s²{} = {} N", figure(kg), spin(rotors_n), figure(masses_n + rotors_n));
    Ok(Load { force_n: masses_n + rotors_n, formula })
}

fn force(machine: &Machine) -> Vec<Row> {
    (0..4).map(|axis| force_row(machine, axis).unwrap_or_else(|(what, reason)| Row::skipped(what, reason))).collect()
}

fn force_row(machine: &Machine, axis: usize) -> Result<Row, (String, String)> {
    let (what, feed_mm_s) = motor_speed(machine, axis).map_err(|reason| (AXES[axis].to_owned(), reason))?;
    let motor = Motor::of(machine, axis).map_err(|reason| (what.clone(), reason))?;
    let speed = motor.rad_s(feed_mm_s);
    let torque_nm = motor.cautious_nm(speed);
    let force_n = motor.force_n(torque_nm);
    let loss = loss(&machine.drive.axes[axis]);
    let (share, screw) = match loss.formula.is_empty() {
        true => (String::new(), String::new()),
        false => (format!(" × {}", figure(loss.efficiency)), format!("; {}", loss.formula)),
    };
    let there = format!(
        "{} × {} N·m × 2π / {} mm{share} = {} N at {} mm/s{screw}",
        figure(motor.motors),
        figure(torque_nm),
        figure(std::f64::consts::TAU * 1e3 / motor.rad_per_m),
        figure(force_n),
        figure(feed_mm_s)
    );
    if axis == E {
        let message = "what the filament needs depends on the melt and is not in the sheet";
        return Ok(Row::new(what, Outcome::Note, message).set(force_n, "N").formula(there));
    }
    let load = load(machine, axis, &motor).map_err(|reason| (what.clone(), reason))?;
    let most_n = motor.most_force_n(motor.pull_out_nm(speed));
    let (outcome, message) = judged(force_n / load.force_n, most_n / load.force_n);
    Ok(Row::new(what, outcome, with_assumed(message, &loss))
        .set(load.force_n, "N")
        .expected(Expected::AtMost(force_n))
        .formula(format!("needed {}; there {there}", load.formula)))
}

/// Largest margin that is told as a number.
const MARGIN_SAID: f64 = 1e6;

/// Verdict and words of a margin by the cautious model and by the bound from above.
pub(super) fn judged(margin: f64, at_most: f64) -> (Outcome, String) {
    let outcome = by_margin(margin, ENOUGH);
    // Of almost nothing that is asked for there may be more times than there are numbers.
    let times = match margin > MARGIN_SAID {
        true => format!("over {}", figure(MARGIN_SAID)),
        false => figure((margin * 100.0).round() / 100.0),
    };
    match outcome {
        Outcome::NoGo if at_most >= 1.0 => {
            let most = figure((at_most * 100.0).round() / 100.0);
            (Outcome::Hold, format!("margin {times} by the cautious model, {most} at best: try it before you trust it"))
        }
        Outcome::NoGo => (outcome, format!("margin {times}: the motor loses steps")),
        Outcome::Hold => (outcome, format!("margin {times}: below {ENOUGH} friction may eat it up")),
        _ => (outcome, format!("margin {times}")),
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{heron, heron_with, row};
    use super::*;
    use proptest::prelude::*;

    fn close(value: f64, expected: f64) {
        assert!((value - expected).abs() <= 1e-9 * expected.abs(), "{value} is not {expected}");
    }

    #[test]
    fn torque_constant_and_geometry() {
        let motor = Motor::of(&heron(), 0).expect("x is described");
        close(motor.torque_constant, 0.4 / (SQRT_2 * 1.5));
        close(motor.periods, 50.0);
        close(motor.rad_per_m, 1.0 / (0.04 / std::f64::consts::TAU));
        close(motor.full_step_m, 0.0002);
        // At the rated RMS current a sine gives the holding torque; with the rated current as its peak 1/√2 of it.
        close(Motor { current_peak_a: 1.5 * SQRT_2, ..motor }.cautious_nm(0.0), 0.4);
        close(Motor { current_peak_a: 1.5, ..motor }.cautious_nm(0.0), 0.4 / SQRT_2);
        // 54 g·cm² on a radius of 40 / 2π mm.
        close(motor.rotor_kg, 5.4e-6 / (0.02 / std::f64::consts::PI).powi(2));
    }

    #[test]
    fn corner_speed_by_hand_and_as_the_root_it_is() {
        // Without back-EMF and resistance: I p ω L = V.
        let ideal = Motor { torque_constant: 1e-9, resistance_ohm: 1e-9, ..Motor::of(&heron(), 0).unwrap() };
        let by_hand = 24.0 / (0.8 * SQRT_2 * 50.0 * 2.8e-3);
        assert!((ideal.corner_rad_s() / by_hand - 1.0).abs() < 1e-6);
        // Without inductance: I R + K ω = V.
        let slow = Motor { inductance_h: 0.0, ..Motor::of(&heron(), 0).unwrap() };
        close(slow.corner_rad_s(), (24.0 - 0.8 * SQRT_2 * 1.6) / slow.torque_constant);
        let weak = Motor { supply_v: 1.0, ..slow };
        assert_eq!(weak.corner_rad_s(), 0.0);
    }

    #[test]
    fn rms_current_is_held_against_the_rated_current() {
        let x = row(&RUN_CURRENT, &heron(), "x");
        assert_eq!((x.outcome, x.set, x.expected), (Outcome::Go, Some(0.8), Some(Expected::AtMost(1.5))));
        assert_eq!(x.formula, "0.8 A RMS, 1.131 A peak (× √2), of 1.5 A rated with both phases on");
        let z = row(&RUN_CURRENT, &heron(), "z");
        assert!(z.formula.starts_with("1.4 A RMS / 2 motors = 0.7 A RMS, 0.99 A peak"), "{z:?}");
        // Two motors share 1.4 A RMS.
        close(row(&RUN_CURRENT, &heron(), "z").set.unwrap(), 0.7);
        let set = |rms: &str| {
            let machine = heron_with("coil_current_rms_a = 0.8", &format!("coil_current_rms_a = {rms}"));
            row(&RUN_CURRENT, &machine, "x").outcome
        };
        assert_eq!(["1.51", "1.5", "1.36", "1.34", "1.2", "0.46", "0.44"].map(set), {
            use Outcome::*;
            [NoGo, Hold, Hold, Go, Go, Go, Hold]
        });
    }

    #[test]
    fn the_old_name_of_the_rated_current_is_read_with_a_note() {
        let old = heron_with("0.8\nrated_current_a = 1.5", "1.2\nrated_current_peak_a = 1.5");
        let x = row(&RUN_CURRENT, &old, "x");
        assert_eq!((x.outcome, x.set, x.expected), (Outcome::Go, Some(1.2), Some(Expected::AtMost(1.5))));
        assert!(x.message.contains("`rated_current_peak_a` is an old name"), "{}", x.message);
        assert!(!row(&RUN_CURRENT, &old, "y").message.contains("old name"));
        let both = super::super::testing::HERON
            .replace("rated_current_a = 1.5", "rated_current_a = 1.5\nrated_current_peak_a = 1.5");
        let faults = Machine::parse("heron.toml", &both).expect_err("one of the two");
        assert!(faults.to_string().contains("`rated_current_peak_a` and `rated_current_a`"), "{faults}");
    }

    /// One motor without inertia lifts 11 kg by a lead of 8 mm (invented): 0.4 N·m × 0.8 / 1.5 × 2π / 8 mm = 167.55 N for
    /// 11 kg × (0.08 + 9.80665) m/s² = 108.75 N are 1.54 without friction. Shigley's raising torque with d = 7 mm, μ = 0.15
    /// and flanks of 15° leaves 0.6612 of it: 1.02.
    #[test]
    fn a_screw_takes_its_share() {
        let lifts = |screw: &str| {
            let machine = heron_with(
                "screw_lead_mm = 8.0\nscrew_pitch_diameter_mm = 7.0\nscrew_friction = 0.15\nmotors = 2\ncoil_current_rms_a = 1.4",
                &format!("screw_lead_mm = 8.0\n{screw}coil_current_rms_a = 0.8"),
            );
            let mut machine = machine;
            machine.drive.axes[2].moving_mass_kg = Some(11.0);
            row(&FORCE, &machine, "z")
        };
        let margin = |row: &Row| match row.expected {
            Some(Expected::AtMost(there)) => there / row.set.unwrap(),
            _ => panic!("{row:?}"),
        };
        // Found by fuzzing: a margin that is no finite number, where a sheet asks for next to nothing.
        for margin in [1e307, f64::MAX, f64::INFINITY] {
            assert_eq!(judged(margin, margin), (Outcome::Go, "margin over 1000000".to_owned()));
        }
        let smooth = lifts("screw_pitch_diameter_mm = 7.0\nscrew_friction = 0.0\n");
        assert_eq!((smooth.outcome, smooth.message.as_str()), (Outcome::Go, "margin 1.54"));
        for given in ["screw_pitch_diameter_mm = 7.0\nscrew_friction = 0.15\n", "screw_pitch_diameter_mm = 7.0\n"] {
            let rough = lifts(given);
            assert!((margin(&rough) - 1.02).abs() < 0.005, "{rough:?}");
            assert_eq!(rough.outcome, Outcome::Hold);
        }
        let unknown = lifts("");
        // Tr 10 × 2 is assumed: less is left, but what is assumed makes no no-go.
        assert!(margin(&unknown) < 1.0 && unknown.outcome == Outcome::Hold, "{unknown:?}");
        assert!(unknown.message.contains("pitch diameter of 9 mm (`screw_pitch_diameter_mm`)"), "{unknown:?}");
        let jammed = lifts("screw_pitch_diameter_mm = 0.5\nscrew_friction = 1.0\n");
        assert_eq!((jammed.outcome, jammed.expected), (Outcome::NoGo, Some(Expected::AtMost(0.0))));
    }

    #[test]
    fn rotors_turn_before_the_screw_loses_anything() {
        // What the motors have left after their own rotors, 2 × 54 g·cm² at 0.08 m/s² × 2π / 8 mm, arrives but for the loss.
        let machine = heron_with("moving_mass_kg = 1.8", "moving_mass_kg = 1.8\nrotor_inertia_g_cm2 = 54.0");
        let z = row(&FORCE, &machine, "z");
        let rotors_n = 2.0 * 5.4e-6 * (std::f64::consts::TAU / 0.008).powi(2) * 0.08;
        let share = super::super::screw::efficiency(8.0, 7.0, 0.15);
        close(z.set.unwrap(), 1.8 * (0.08 + 9.80665) + rotors_n * share);
    }

    #[test]
    fn force_by_hand() {
        // x: below the corner speed; 0.4 kg at 1 m/s², and the rotor's 0.1333 kg.
        let x = row(&FORCE, &heron(), "x");
        let rotor = 5.4e-6 / (0.02 / std::f64::consts::PI).powi(2);
        close(x.set.unwrap(), 0.4 + rotor);
        let there = 0.4 * 0.8 / 1.5 * std::f64::consts::TAU / 0.04;
        assert!(matches!(x.expected, Some(Expected::AtMost(force)) if (force / there - 1.0).abs() < 1e-9), "{x:?}");
        // z lifts its mass: 1.8 kg × (0.08 + 9.80665) m/s².
        close(row(&FORCE, &heron(), "z").set.unwrap(), 1.8 * (0.08 + 9.80665));
        let heavy = heron_with("moving_mass_kg = 1.8", "moving_mass_kg = 60.0");
        assert_eq!(row(&FORCE, &heavy, "z").outcome, Outcome::NoGo);
        assert_eq!(row(&FORCE, &heron(), "e").outcome, Outcome::Note);
    }

    #[test]
    fn crossed_belts_share_the_force() {
        let crossed = heron_with("[motion]", "[motion]\ndrive_layout = \"crossed-belts\"");
        let belt = row(&FORCE, &crossed, "x − y belt");
        // The path's 1 m/s² moves both masses along the best direction; no rotor inertia on y.
        close(belt.set.unwrap(), 0.4f64.hypot(0.9) / 2.0);
    }

    #[test]
    fn what_is_not_described_is_said() {
        let machine = heron_with("supply_v = 24.0", "");
        assert_eq!(row(&FORCE, &machine, "x").message, "the sheet gives no `[drive] supply_v`");
        let machine = heron_with("moving_mass_kg = 0.4", "");
        assert_eq!(row(&FORCE, &machine, "x").message, "its `[drive]` table gives no `moving_mass_kg`");
        let bare = Machine::built_in();
        assert_eq!(row(&FORCE, &bare, "x").message, "the sheet has no `[drive]` table for it");
    }

    #[test]
    fn above_the_corner_a_hold_comes_before_a_no_go() {
        assert_eq!(judged(2.0, 2.0).0, Outcome::Go);
        assert_eq!(judged(1.2, 2.0).0, Outcome::Hold);
        assert_eq!(judged(0.8, 1.1).0, Outcome::Hold);
        assert_eq!(judged(0.8, 0.9).0, Outcome::NoGo);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn torque_never_rises_with_speed_and_the_corner_is_where_it_falls(
            supply in 5.0f64..60.0, current in 0.1f64..3.0, resistance in 0.3f64..10.0,
            inductance in 0.5f64..15.0, torque in 0.05f64..2.0, speeds in [0.0f64..500.0, 0.0f64..500.0],
        ) {
            let motor = Motor {
                torque_constant: torque,
                resistance_ohm: resistance,
                inductance_h: inductance * 1e-3,
                supply_v: supply,
                current_peak_a: current,
                ..Motor::of(&heron(), 0).unwrap()
            };
            let (slow, fast) = (speeds[0].min(speeds[1]), speeds[0].max(speeds[1]));
            prop_assert!(motor.cautious_nm(fast) <= motor.cautious_nm(slow));
            prop_assert!(motor.pull_out_nm(fast) >= motor.cautious_nm(fast));
            let corner = motor.corner_rad_s();
            let whole = torque * current;
            if corner > 0.0 {
                prop_assert!((motor.cautious_nm(corner) / whole - 1.0).abs() < 1e-6);
            }
            prop_assert!(motor.cautious_nm(corner * 1.01 + 1e-3) < whole);
            let volts = current * motor.impedance(corner) + torque * corner;
            prop_assert!(corner == 0.0 || (volts / supply - 1.0).abs() < 1e-9);
        }

        #[test]
        fn more_mass_never_widens_the_margin(light in 0.05f64..5.0, more in 0.0f64..5.0) {
            let margin = |kg: f64| {
                let mut machine = heron();
                machine.drive.axes[0].moving_mass_kg = Some(kg);
                let row = row(&FORCE, &machine, "x");
                let Some(Expected::AtMost(there)) = row.expected else { panic!("{row:?}") };
                (there / row.set.unwrap(), row.outcome)
            };
            let (one, other) = (margin(light), margin(light + more));
            prop_assert!(other.0 <= one.0 && other.1 >= one.1);
        }
    }
}
