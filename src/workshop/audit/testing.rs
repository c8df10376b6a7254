//! An invented machine with every key an audit asks for, all of them plausible.

use crate::machine::Machine;

/// Its sheet.
pub const HERON: &str = r#"
name = "Heron (invented)"
[travel]
x = [0.0, 220.0]
y = [0.0, 220.0]
z = [0.0, 250.0]
[motion]
feed_rate_limit_mm_s = { x = 180.0, y = 180.0, z = 8.0, e = 40.0 }
acceleration_limit_mm_s2 = { x = 1200.0, y = 1200.0, z = 80.0, e = 3000.0 }
acceleration_mm_s2 = { printing = 800.0, travel = 1000.0, retraction = 1000.0 }
look_ahead_moves = 32
corner = { jerk_mm_s = { x = 8.0, y = 8.0, z = 0.3, e = 4.0 } }
[drive]
supply_v = 24.0
supply_limit_a = 4.0
driver_limit_v = 29.0
[drive.x]
motor_step_deg = 1.8
steps_per_full_step = 16
pulley_teeth = 20
belt_pitch_mm = 2.0
coil_current_rms_a = 0.8
rated_current_a = 1.5
driver_limit_rms_a = 1.2
holding_torque_nm = 0.4
inductance_mh = 2.8
resistance_ohm = 1.6
rotor_inertia_g_cm2 = 54.0
moving_mass_kg = 0.4
[drive.y]
motor_step_deg = 1.8
steps_per_full_step = 16
pulley_teeth = 20
belt_pitch_mm = 2.0
coil_current_rms_a = 0.9
rated_current_a = 1.5
driver_limit_rms_a = 1.2
holding_torque_nm = 0.4
inductance_mh = 2.8
resistance_ohm = 1.6
moving_mass_kg = 0.9
[drive.z]
motor_step_deg = 1.8
steps_per_full_step = 16
screw_lead_mm = 8.0
screw_pitch_diameter_mm = 7.0
screw_friction = 0.15
motors = 2
coil_current_rms_a = 1.4
rated_current_a = 1.5
driver_limit_rms_a = 2.0
holding_torque_nm = 0.4
inductance_mh = 2.8
resistance_ohm = 1.6
moving_mass_kg = 1.8
[drive.e]
motor_step_deg = 1.8
steps_per_full_step = 16
hob_diameter_mm = 10.6
coil_current_rms_a = 0.6
rated_current_a = 1.0
driver_limit_rms_a = 1.2
holding_torque_nm = 0.3
inductance_mh = 3.5
resistance_ohm = 2.4
[controller]
steps_per_mm = { x = 80.0, y = 80.0, z = 400.0, e = 96.0 }
step_rate_limit_hz = 20000.0
[probe]
offset_mm = [-28.0, 12.0, -1.6]
[[tool]]
filament_diameter_mm = 1.75
temperature_c = { limit = 260.0, extrude_min = 170.0 }
heater_w = 40.0
block_mass_g = 22.0
plastic_liner = false
heating = { time_constant_s = 150.0, full_power_c = 300.0 }
retraction = { length_mm = 1.0, feed_rate_mm_s = 30.0 }
[bed]
temperature_limit_c = 110.0
heater_w = 150.0
mass_g = 520.0
heating = { time_constant_s = 400.0, full_power_c = 130.0 }
[room]
ambient_c = 20.0
"#;

/// The machine.
pub fn heron() -> Machine {
    Machine::parse("heron.toml", HERON).expect("the sheet above is valid")
}

/// The machine with one piece of its sheet replaced.
pub fn heron_with(from: &str, to: &str) -> Machine {
    assert!(HERON.contains(from), "{from}");
    Machine::parse("heron.toml", &HERON.replace(from, to)).unwrap_or_else(|faults| panic!("{faults}"))
}

/// The only row about `what`.
pub fn row(comparison: &super::Comparison, machine: &Machine, what: &str) -> super::Row {
    let mut rows = (comparison.compare)(machine);
    rows.retain(|row| row.what == what);
    assert_eq!(rows.len(), 1, "{} on {what}: {rows:#?}", comparison.id);
    rows.remove(0)
}
