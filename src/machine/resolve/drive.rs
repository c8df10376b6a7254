//! The drives and heated bodies of a sheet, and the rules across their keys.

use super::{AXES, Reader};
use crate::machine::{
    drive::{Drive, Drives, HeatedBody, Transmission},
    value::{Found, Value},
};

impl Reader<'_> {
    pub(super) fn drives(&self) -> Drives {
        Drives {
            supply_v: self.number("drive.supply_v"),
            supply_limit_a: self.number("drive.supply_limit_a"),
            driver_limit_v: self.number("drive.driver_limit_v"),
            axes: AXES.map(|axis| self.drive(axis)),
        }
    }

    fn drive(&self, axis: &str) -> Drive {
        if !self.has(&format!("drive.{axis}")) {
            return Drive::default();
        }
        let number = |name: &str| self.number(&format!("drive.{axis}.{name}"));
        let count = |name: &str| match self.value(&format!("drive.{axis}.{name}")) {
            Some(Value::Count(count)) => Some(count),
            _ => None,
        };
        let belt = count("pulley_teeth").zip(number("belt_pitch_mm"));
        let transmission = belt
            .map(|(pulley_teeth, pitch_mm)| Transmission::Belt { pulley_teeth, pitch_mm })
            .or_else(|| {
                let (pitch_diameter_mm, friction) = (number("screw_pitch_diameter_mm"), number("screw_friction"));
                number("screw_lead_mm").map(|lead_mm| Transmission::Screw { lead_mm, pitch_diameter_mm, friction })
            })
            .or_else(|| number("hob_diameter_mm").map(|diameter_mm| Transmission::Hob { diameter_mm }))
            .or_else(|| number("advance_per_turn_mm").map(|per_turn_mm| Transmission::Measured { per_turn_mm }));
        let (rated_current_a, by_old_name) = (number("rated_current_a"), number("rated_current_peak_a"));
        Drive {
            motor_step_deg: number("motor_step_deg"),
            steps_per_full_step: count("steps_per_full_step"),
            transmission,
            reduction: self.required(&format!("drive.{axis}.reduction")),
            motors: count("motors").unwrap_or(1),
            coil_current_rms_a: number("coil_current_rms_a"),
            driver_limit_rms_a: number("driver_limit_rms_a"),
            rated_current_a: rated_current_a.or(by_old_name),
            rated_by_old_name: rated_current_a.is_none() && by_old_name.is_some(),
            holding_torque_nm: number("holding_torque_nm"),
            inductance_mh: number("inductance_mh"),
            resistance_ohm: number("resistance_ohm"),
            rotor_inertia_g_cm2: number("rotor_inertia_g_cm2"),
            moving_mass_kg: number("moving_mass_kg"),
        }
    }

    /// The body whose keys are in a table, its mass under `mass`.
    pub(super) fn heated_body(&self, table: &str, mass: &str) -> HeatedBody {
        let number = |name: &str| self.number(&format!("{table}.{name}"));
        HeatedBody {
            heater_w: number("heater_w"),
            mass_g: number(mass),
            specific_heat_j_g_k: self.required(&format!("{table}.specific_heat_j_g_k")),
        }
    }

    pub(super) fn check_drives(&self, found: &mut Vec<Found>) {
        for axis in AXES.into_iter().filter(|axis| self.has(&format!("drive.{axis}"))) {
            let at = |name: &str| format!("drive.{axis}.{name}");
            self.not_both(found, [&at("pulley_teeth"), &at("screw_lead_mm")], "keep what moves the axis");
            self.not_both(found, [&at("belt_pitch_mm"), &at("screw_lead_mm")], "keep what moves the axis");
            self.not_both(found, [&at("hob_diameter_mm"), &at("advance_per_turn_mm")], "keep the measured one");
            let renamed = "keep `rated_current_a`: `rated_current_peak_a` is its old name";
            self.not_both(found, [&at("rated_current_a"), &at("rated_current_peak_a")], renamed);
            self.needs(found, &at("screw_pitch_diameter_mm"), &at("screw_lead_mm"));
            self.needs(found, &at("screw_friction"), &at("screw_lead_mm"));
            self.needs(found, &at("pulley_teeth"), &at("belt_pitch_mm"));
            self.needs(found, &at("belt_pitch_mm"), &at("pulley_teeth"));
        }
    }

    /// Two keys that mean two different things on one axis; the fault is at the second, and only once for a belt.
    fn not_both(&self, found: &mut Vec<Found>, [one, other]: [&str; 2], advice: &str) {
        let (Some(first), Some(second)) = (self.entry(one), self.entry(other)) else { return };
        if found.iter().any(|fault| fault.span == second.span) {
            return;
        }
        let (one, other) = (super::last(one), super::last(other));
        let message = format!("`{other}` and `{one}` of line {} are written both", first.line);
        found.push(Found::new(second.span.clone(), message).suggest(advice.to_owned()));
    }

    /// A key that says nothing without another. One with a fault of its own counts as written.
    fn needs(&self, found: &mut Vec<Found>, key: &str, other: &str) {
        let Some(entry) = self.entry(key) else { return };
        let (key, name) = (super::last(key), super::last(other));
        let faulty = || self.sheet.found.iter().any(|fault| fault.message.contains(&format!("`{name}`")));
        if !self.has(other) && !faulty() {
            let message = format!("`{key}` says nothing without `{name}`");
            found.push(Found::new(entry.span.clone(), message).suggest(format!("write `{name}` too")));
        }
    }
}
