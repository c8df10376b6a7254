//! What a screw leaves of the work its motor puts in.
//!
//! To push with the force F a screw of the lead l and the pitch diameter d takes the torque
//! F d/2 · (l + π μ d sec α) / (π d − μ l sec α): Shigley's Mechanical Engineering Design, power screws, raising torque
//! (from memory); μ is the friction in the thread, α half the angle of its flanks. Without friction it is F l / 2π, hence
//! with tan λ = l / (π d) and m = μ sec α the efficiency is tan λ (1 − m tan λ) / (tan λ + m).
//!
//! The thread is taken to be trapezoidal by ISO 2901, α = 15°: common on printers, and a little less efficient than a square
//! one. The friction of 0.15 is that of a steel screw in a greased bronze nut at its upper end (0.10 to 0.16, Shigley's
//! table of coefficients for power screws, from memory); a ball screw is described by its own, some 0.005. The pitch
//! diameter of 9 mm is that of Tr 10 × 2 (d − P/2, ISO 2904): most screws of printers are thinner, and a thicker one loses
//! more. Friction of the axial bearing is left out: motors carry short screws themselves.
//!
//! Upper bound where something was assumed: the friction of 0.10, and for an unknown diameter the best lead angle there is,
//! at which the efficiency is tan²(45° − φ/2), tan φ = m (the same handbook's formula, its derivative by λ set to 0).

use std::f64::consts::{FRAC_PI_4, PI};

use crate::wording::figure;

/// Half the angle between the flanks of an ISO trapezoidal thread, °: ISO 2901.
pub const FLANK_DEG: f64 = 15.0;
/// Friction where the sheet gives none.
pub const FRICTION: f64 = 0.15;
/// Friction of a screw that is well oiled.
const FRICTION_LEAST: f64 = 0.10;
/// Pitch diameter where the sheet gives none, mm.
pub const PITCH_DIAMETER_MM: f64 = 9.0;

/// Torque on a screw, N·m, that pushes with a force in N: lead and pitch diameter in mm, friction in the thread, half the
/// angle of its flanks in °. Infinite where no torque turns it: it jams. Shigley's Mechanical Engineering Design, power
/// screws, raising torque (from memory).
pub fn raising_torque_nm(force_n: f64, lead_mm: f64, pitch_diameter_mm: f64, friction: f64, flank_deg: f64) -> f64 {
    let around = PI * pitch_diameter_mm;
    let friction = friction / flank_deg.to_radians().cos();
    let below = around - friction * lead_mm;
    if below <= 0.0 {
        return f64::INFINITY;
    }
    force_n * pitch_diameter_mm * 1e-3 / 2.0 * (lead_mm + friction * around) / below
}

/// Share of the work on an ISO trapezoidal screw that arrives at its nut, 0 to 1; 0 where it jams. Lead and pitch diameter
/// in mm.
pub fn efficiency(lead_mm: f64, pitch_diameter_mm: f64, friction: f64) -> f64 {
    lead_mm * 1e-3 / (2.0 * PI * raising_torque_nm(1.0, lead_mm, pitch_diameter_mm, friction, FLANK_DEG))
}

/// The largest efficiency of any lead at a friction.
fn best(friction: f64) -> f64 {
    let angle = (friction / FLANK_DEG.to_radians().cos()).atan();
    (FRAC_PI_4 - angle / 2.0).tan().powi(2)
}

/// What is known of the efficiency of a transmission.
#[derive(Debug, Clone, PartialEq)]
pub struct Loss {
    /// The cautious share of the work that arrives, 0 to 1.
    pub efficiency: f64,
    /// The most that may arrive: above it only where something was assumed.
    pub at_best: f64,
    /// How the efficiency comes about; empty where nothing is lost.
    pub formula: String,
    /// What was assumed, and the key that settles it; empty where nothing was.
    pub assumed: String,
}

impl Loss {
    /// Of a transmission whose losses are not modelled.
    pub fn none() -> Self {
        Self { efficiency: 1.0, at_best: 1.0, formula: String::new(), assumed: String::new() }
    }

    /// Of a screw: lead in mm, and pitch diameter in mm and friction where they are known.
    pub fn of_screw(lead_mm: f64, pitch_diameter_mm: Option<f64>, friction: Option<f64>) -> Self {
        let (diameter, mu) = (pitch_diameter_mm.unwrap_or(PITCH_DIAMETER_MM), friction.unwrap_or(FRICTION));
        let efficiency = efficiency(lead_mm, diameter, mu);
        let least = friction.unwrap_or(FRICTION_LEAST);
        let at_best =
            pitch_diameter_mm.map_or_else(|| best(least), |diameter| self::efficiency(lead_mm, diameter, least));
        let assumed: Vec<String> = [
            pitch_diameter_mm
                .is_none()
                .then(|| format!("a pitch diameter of {} mm (`screw_pitch_diameter_mm`)", figure(PITCH_DIAMETER_MM))),
            friction.is_none().then(|| format!("a friction of {} (`screw_friction`)", figure(FRICTION))),
        ]
        .into_iter()
        .flatten()
        .collect();
        let formula = format!(
            "trapezoidal screw, tan λ = {} / (π × {} mm) = {}, m = {} / cos 15° = {}: tan λ (1 − m tan λ) / (tan λ + m) = {}",
            figure(lead_mm),
            figure(diameter),
            figure(lead_mm / (PI * diameter)),
            figure(mu),
            figure(mu / FLANK_DEG.to_radians().cos()),
            figure(efficiency)
        );
        let assumed = match assumed.is_empty() {
            true => String::new(),
            false => format!("the screw's loss assumes {}", assumed.join(" and ")),
        };
        Self { efficiency, at_best: at_best.max(efficiency), formula, assumed }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn handbook_examples() {
        // Shigley's Mechanical Engineering Design, example 8-1 (from memory): square thread of 32 mm with two starts of
        // 4 mm, friction 0.08, 6.4 kN: 15.94 N·m in the thread.
        let square = raising_torque_nm(6400.0, 8.0, 30.0, 0.08, 0.0);
        assert!((square - 15.94).abs() < 0.005, "{square}");
        // Mott, Machine Elements in Mechanical Design, 4th ed., example 17-1: Acme thread, 12 500 lb on 1.3429 in with 4
        // turns to the inch, friction 0.15, flanks 14.5°: 1809 lb·in and 27.5 %. Its steps are rounded to three digits.
        let (inch, pound) = (25.4, 4.448_221_615_260_5);
        let acme = raising_torque_nm(12_500.0 * pound, 0.25 * inch, 1.3429 * inch, 0.15, 14.5);
        let printed = 1809.0 * pound * inch * 1e-3;
        assert!((acme / printed - 1.0).abs() < 4e-3, "{acme} {printed}");
        let share = 12_500.0 * pound * 0.25 * inch * 1e-3 / (2.0 * PI * acme);
        assert!((share - 0.275).abs() < 1e-3, "{share}");
    }

    #[test]
    fn what_is_assumed_is_said_and_bounded() {
        let known = Loss::of_screw(8.0, Some(7.0), Some(0.15));
        assert!(known.assumed.is_empty() && known.at_best == known.efficiency, "{known:?}");
        let guessed = Loss::of_screw(8.0, None, None);
        assert!(guessed.efficiency < known.efficiency && guessed.at_best > known.efficiency, "{guessed:?}");
        assert!(guessed.assumed.contains("`screw_pitch_diameter_mm`") && guessed.assumed.contains("`screw_friction`"));
        // A thread so steep that friction holds it against any torque.
        assert_eq!(Loss::of_screw(1000.0, Some(1.0), Some(1.0)).efficiency, 0.0);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn a_share_is_a_share_and_the_best_is_above(lead in 0.2f64..50.0, diameter in 1.0f64..40.0, mu in 0.0f64..1.0) {
            let share = efficiency(lead, diameter, mu);
            prop_assert!((0.0..=1.0 + 1e-12).contains(&share));
            prop_assert!(share <= best(mu) + 1e-9, "{} {}", share, best(mu));
            prop_assert!(efficiency(lead, diameter, mu + 0.1) <= share);
        }
    }
}
