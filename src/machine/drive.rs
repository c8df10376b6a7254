//! How motors turn steps into motion, and what a heater heats. Only the audit of a sheet asks for it.

use std::f64::consts::{PI, TAU};

/// Specific heat of aluminium, J/(g K): CRC Handbook of Chemistry and Physics, specific heat of the elements at 25 °C.
pub const ALUMINIUM_J_G_K: f64 = 0.897;

/// The motors of all axes.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Drives {
    /// Supply voltage of the motor drivers, V.
    pub supply_v: Option<f64>,
    /// Current the supply has for the motors, A.
    pub supply_limit_a: Option<f64>,
    /// Highest supply voltage the motor drivers bear, V.
    pub driver_limit_v: Option<f64>,
    /// Motor and transmission of X, Y, Z, E. With crossed belts X and Y are the motors of the two belts.
    pub axes: [Drive; 4],
}

/// Motor and transmission of one axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drive {
    /// Full step of the motor, °.
    pub motor_step_deg: Option<f64>,
    /// Micro-steps in a full step.
    pub steps_per_full_step: Option<u64>,
    /// What turns rotation into motion.
    pub transmission: Option<Transmission>,
    /// Turns of the motor for one turn of the transmission.
    pub reduction: f64,
    /// Motors in parallel on one driver, which share its current.
    pub motors: u64,
    /// RMS current the driver is set to for each phase, A.
    pub coil_current_rms_a: Option<f64>,
    /// Most RMS current the driver bears for each phase, A.
    pub driver_limit_rms_a: Option<f64>,
    /// Rated current of a phase of one motor with both phases on, A.
    pub rated_current_a: Option<f64>,
    /// The sheet gives the rated current under its old name.
    pub rated_by_old_name: bool,
    /// Holding torque of one motor with both phases at the rated current, N·m.
    pub holding_torque_nm: Option<f64>,
    /// Inductance of a phase of one motor, mH.
    pub inductance_mh: Option<f64>,
    /// Resistance of a phase of one motor, Ω.
    pub resistance_ohm: Option<f64>,
    /// Inertia of the rotor of one motor, g·cm².
    pub rotor_inertia_g_cm2: Option<f64>,
    /// Mass that moves with the axis, kg; none for the extruder.
    pub moving_mass_kg: Option<f64>,
}

impl Default for Drive {
    fn default() -> Self {
        Self {
            motor_step_deg: None,
            steps_per_full_step: None,
            transmission: None,
            reduction: 1.0,
            motors: 1,
            coil_current_rms_a: None,
            driver_limit_rms_a: None,
            rated_current_a: None,
            rated_by_old_name: false,
            holding_torque_nm: None,
            inductance_mh: None,
            resistance_ohm: None,
            rotor_inertia_g_cm2: None,
            moving_mass_kg: None,
        }
    }
}

impl Drive {
    /// Motion for one turn of the motor, mm.
    pub fn advance_per_motor_turn_mm(&self) -> Option<f64> {
        Some(self.transmission?.advance_per_turn_mm() / self.reduction)
    }

    /// Motion for one full step of the motor, mm.
    pub fn full_step_mm(&self) -> Option<f64> {
        Some(self.advance_per_motor_turn_mm()? * self.motor_step_deg? / 360.0)
    }

    /// Micro-steps for a mm of motion, 1/mm: those of a turn of the motor over the motion for it (kinematics).
    pub fn steps_per_mm(&self) -> Option<f64> {
        Some(self.steps_per_full_step? as f64 / self.full_step_mm()?)
    }

    /// Angle of the motor for a mm of motion, rad/mm.
    pub fn rad_per_mm(&self) -> Option<f64> {
        Some(TAU / self.advance_per_motor_turn_mm()?)
    }
}

/// What turns rotation into motion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Transmission {
    /// A toothed belt on a pulley.
    Belt {
        /// Teeth of the pulley.
        pulley_teeth: u64,
        /// Distance of two teeth, mm.
        pitch_mm: f64,
    },
    /// A screw and its nut.
    Screw {
        /// Travel for one turn, all starts counted, mm.
        lead_mm: f64,
        /// Diameter at which thread and nut are equally wide, mm.
        pitch_diameter_mm: Option<f64>,
        /// Coefficient of friction in the thread.
        friction: Option<f64>,
    },
    /// A hobbed wheel that pushes the filament.
    Hob {
        /// Its effective diameter, mm.
        diameter_mm: f64,
    },
    /// A hobbed wheel whose advance was measured.
    Measured {
        /// Filament for one turn of the wheel, mm.
        per_turn_mm: f64,
    },
}

impl Transmission {
    /// Motion for one turn of pulley, screw or wheel, mm.
    pub fn advance_per_turn_mm(self) -> f64 {
        match self {
            Self::Belt { pulley_teeth, pitch_mm } => pulley_teeth as f64 * pitch_mm,
            Self::Screw { lead_mm, .. } => lead_mm,
            Self::Hob { diameter_mm } => PI * diameter_mm,
            Self::Measured { per_turn_mm } => per_turn_mm,
        }
    }
}

/// A heater and what it heats.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeatedBody {
    /// Power of the heater at full power, W.
    pub heater_w: Option<f64>,
    /// Mass it heats, g.
    pub mass_g: Option<f64>,
    /// Specific heat of that mass, J/(g K).
    pub specific_heat_j_g_k: f64,
}

impl Default for HeatedBody {
    fn default() -> Self {
        Self { heater_w: None, mass_g: None, specific_heat_j_g_k: ALUMINIUM_J_G_K }
    }
}
