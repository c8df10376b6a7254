//! The law of the machine sheet: every key once, with its kind, bounds, default and meaning.
//!
//! The reader, the schema, the list of keys for people and the resolved sheet are all made from [`KEYS`].
//! Paths are dotted; `[]` marks a list of tables (`tool[].nozzle_diameter_mm`).

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::LazyLock;

mod senses;
mod words;

pub(super) use senses::meant;
pub use words::{KeyRow, key_table};
pub(super) use words::{one_of, short};

/// Most `[[tool]]` tables in a sheet.
pub const TOOLS_MAX: usize = 64;
/// Most `[[macro]]` tables in a sheet.
pub const MACROS_MAX: usize = 256;
/// Most `[[travel.keep_out]]` tables in a sheet.
pub const KEEP_OUTS_MAX: usize = 256;
/// Most `[[tool.melt_rate_at]]` tables of a tool.
pub const MELT_ROWS_MAX: usize = 32;
/// Most `[[tool.pressure_lag_at]]` tables of a tool.
pub const LAG_ROWS_MAX: usize = 8;
/// Most `[[structure]]` tables in a sheet.
pub const MODES_MAX: usize = 16;
/// Longest text value, characters.
pub const TEXT_MAX: usize = 120;

/// One key of the sheet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Key {
    /// Dotted path.
    pub path: &'static str,
    /// What may be written there.
    pub kind: Kind,
    /// What holds when nothing is written there.
    pub preset: Preset,
    /// Unit of the value; empty for what has none.
    pub unit: &'static str,
    /// A value as TOML, from the sheet of an invented machine; empty for tables.
    pub example: &'static str,
    /// Meaning: the start of a sentence that [`Key::sentence`] ends with the unit.
    pub doc: &'static str,
    /// Last segment of the path, without `[]`.
    pub(super) name: &'static str,
    /// The path before it.
    pub(super) table: &'static str,
}

impl Key {
    /// Last segment of the path, without `[]`.
    pub fn name(&self) -> &'static str {
        self.name
    }

    /// Path of the table that holds the key; empty at the top of the sheet.
    pub fn table(&self) -> &'static str {
        self.table
    }

    /// Meaning and unit in one sentence.
    pub fn sentence(&self) -> String {
        match self.unit {
            "" => format!("{}.", self.doc),
            unit => format!("{}, {unit}.", self.doc),
        }
    }

    /// True for tables and lists of tables.
    pub fn is_table(&self) -> bool {
        matches!(self.kind, Kind::Table | Kind::OneOf | Kind::Tables { .. } | Kind::Checks)
    }
}

/// What may be written at a key.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// A table.
    Table,
    /// A table in which exactly one of its keys is written.
    OneOf,
    /// A list of tables.
    Tables {
        /// Fewest.
        min: usize,
        /// Most.
        max: usize,
    },
    /// The table of severities: ids of checks with a severity or `off`.
    Checks,
    /// A finite number from `min` to `max`, both included.
    Number {
        /// Smallest.
        min: f64,
        /// Largest.
        max: f64,
    },
    /// A whole number from `min` to `max`, both included.
    Integer {
        /// Smallest.
        min: u64,
        /// Largest.
        max: u64,
    },
    /// A whole number from `min` to `max`, or one word.
    CountOrWord {
        /// Smallest.
        min: u64,
        /// Largest.
        max: u64,
        /// The word.
        word: &'static str,
    },
    /// Two numbers from −`max` to `max`, the first below the second.
    Range {
        /// Largest magnitude.
        max: f64,
    },
    /// So many numbers from −`max` to `max`.
    Point {
        /// How many.
        size: usize,
        /// Largest magnitude.
        max: f64,
    },
    /// Text of 1 to [`TEXT_MAX`] characters without control characters.
    Text,
    /// `true` or `false`.
    Bool,
    /// One of these words.
    Choice(&'static [&'static str]),
    /// One of these words, or a table.
    WordOrTable(&'static [&'static str]),
    /// A list of these words, each at most once.
    ListOf(&'static [&'static str]),
}

/// What holds when a key is not written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Preset {
    /// It must be written where its table is (or, at the top, always).
    Required,
    /// It must be written in the first table of the list; later tables take over the first one's value.
    RequiredInFirst,
    /// This value, as TOML.
    Value(&'static str),
    /// A value that depends on other keys, in words.
    Depends(&'static str),
    /// Nothing: what needs the value is left out and reported as left out.
    Unset,
}

/// Words of `[checks]`.
pub const SEVERITY_WORDS: &[&str] = &["no-go", "hold", "note", "off"];

/// Commands that wait for a person.
const COMMANDS_PER_LINE: &[&str] = &["all", "first"];
const PAUSES: &[&str] = &["M0", "M1", "M25", "M226", "timed"];
const DIRECTIONS: &[&str] = &["x", "y", "z", "x+y", "x-y"];
const SHAPERS: &[&str] = &["zv", "zvd", "zvdd", "ei"];
const LAYOUTS: &[&str] = &["one-per-axis", "crossed-belts", "three-towers"];
const RAMPS: &[&str] = &["trapezoid", "same-time-quintic"];
const LACKS: &[&str] =
    &["arcs", "firmware-retraction", "cubics", "inches", "volumetric", "probing", "filament-change", "chamber"];

/// Smallest value of what must be above zero; keeps quotients finite.
pub const TINY: f64 = 1e-6;
/// Largest speed, acceleration or rate; 1e9 already means no limit.
const HUGE: f64 = 1e12;
/// Largest coordinate, mm.
const FAR: f64 = 1e6;

const POSITIVE: Kind = Kind::Number { min: TINY, max: HUGE };
/// Less would take minutes to reach a usual speed.
const JERK: Kind = Kind::Number { min: 1.0, max: HUGE };
const NOT_NEGATIVE: Kind = Kind::Number { min: 0.0, max: HUGE };
const SIZE: Kind = Kind::Number { min: TINY, max: FAR };
const DURATION: Kind = Kind::Number { min: 0.0, max: HUGE };
const LIMIT_C: Kind = Kind::Number { min: 0.0, max: 2000.0 };
/// Lags of the pressure in a nozzle, s: shorter ones nobody could measure.
const LAG: Kind = Kind::Number { min: 1e-4, max: 10.0 };
/// What is added to targets, °C.
const OFFSET_C: Kind = Kind::Number { min: -100.0, max: 100.0 };
/// Temperatures of filament, °C.
const FILAMENT_C: Kind = Kind::Number { min: -100.0, max: 2000.0 };
const FULL_POWER_C: Kind = Kind::Number { min: 0.0, max: 10_000.0 };
/// Damping ratios: below 1 a structure swings at all.
const DAMPING: Kind = Kind::Number { min: 0.0, max: 0.9 };
/// Natural frequencies, Hz.
const NATURAL: Kind = Kind::Number { min: 0.1, max: 10_000.0 };
const RANGE: Kind = Kind::Range { max: FAR };
const POINT: Kind = Kind::Point { size: 3, max: FAR };
const PLACE: Kind = Kind::Point { size: 2, max: FAR };

use Preset::{Depends, Required, RequiredInFirst, Unset, Value};

const fn key(
    path: &'static str,
    kind: Kind,
    preset: Preset,
    unit: &'static str,
    example: &'static str,
    doc: &'static str,
) -> Key {
    let (table, name) = split(path);
    Key { path, kind, preset, unit, example, doc, name, table }
}

/// A path as its table and its name without `[]`.
const fn split(path: &str) -> (&str, &str) {
    let bytes = path.as_bytes();
    let mut at = bytes.len();
    while at > 0 && bytes[at - 1] != b'.' {
        at -= 1;
    }
    let (table, last) = path.split_at(at);
    let table = if at == 0 { table } else { table.split_at(at - 1).0 };
    let is_list = matches!(bytes.last(), Some(b']'));
    (table, if is_list { last.split_at(last.len() - 2).0 } else { last })
}

const fn table(path: &'static str, kind: Kind, preset: Preset, doc: &'static str) -> Key {
    key(path, kind, preset, "", "", doc)
}

/// Every key of the sheet, in the order people read them. A table comes before its keys.
#[rustfmt::skip]
pub const KEYS: &[Key] = &[
    key("name", Kind::Text, Depends("name of the file"), "", "\"Heron\"", "Name of the machine for people"),

    table("travel", Kind::Table, Required, "Where the nozzle can go, in machine coordinates"),
    key("travel.x", RANGE, Required, "mm", "[0.0, 220.0]", "Lowest and highest x the nozzle can reach"),
    key("travel.y", RANGE, Required, "mm", "[0.0, 220.0]", "Lowest and highest y the nozzle can reach"),
    key("travel.z", RANGE, Required, "mm", "[0.0, 250.0]", "Lowest and highest z the nozzle can reach"),
    key("travel.bed", Kind::Choice(&["rectangle", "disc"]), Depends("disc with three-towers, else rectangle"), "", "\"rectangle\"", "Shape of the reachable area: the whole x and y range, or the largest disc in it"),
    key("travel.home", POINT, Value("[0.0, 0.0, 0.0]"), "mm", "[0.0, 0.0, 0.0]", "Where homing leaves x, y and z; may lie outside travel"),
    key("travel.homes_z_at_mm", PLACE, Unset, "mm", "[110.0, 110.0]", "Where the nozzle goes in x and y before Z is homed, and stays unless all axes are homed; without it Z alone is homed where the nozzle is"),
    table("travel.keep_out[]", Kind::Tables { min: 0, max: KEEP_OUTS_MAX }, Unset, "A box the nozzle must not enter, such as a clip or a screw"),
    key("travel.keep_out[].what", Kind::Text, Required, "", "\"bed clip\"", "What is there"),
    key("travel.keep_out[].x", RANGE, Required, "mm", "[0.0, 18.0]", "Lowest and highest x of the box"),
    key("travel.keep_out[].y", RANGE, Required, "mm", "[205.0, 220.0]", "Lowest and highest y of the box"),
    key("travel.keep_out[].z", RANGE, Required, "mm", "[0.0, 8.0]", "Lowest and highest z of the box"),

    table("motion", Kind::Table, Required, "Speeds, accelerations and the corner rule as they are at power-on"),
    key("motion.drive_layout", Kind::Choice(LAYOUTS), Value("\"one-per-axis\""), "", "\"one-per-axis\"", "How motors drive the axes: one per axis, crossed belts (motors see x + y and x - y), or three towers"),
    table("motion.towers", Kind::Table, Unset, "Measures of a machine with three towers; tower rates are judged where they are given"),
    key("motion.towers.arm_mm", SIZE, Required, "mm", "230.0", "Length of the diagonal arms between their joints"),
    key("motion.towers.radius_mm", SIZE, Required, "mm", "110.0", "Horizontal distance from the centre to the carriage joints, less the effector's own"),
    table("motion.feed_rate_limit_mm_s", Kind::Table, Required, "Largest speed of each axis; 1e9 for no limit"),
    key("motion.feed_rate_limit_mm_s.x", POSITIVE, Required, "mm/s", "200.0", "Largest speed of x"),
    key("motion.feed_rate_limit_mm_s.y", POSITIVE, Required, "mm/s", "200.0", "Largest speed of y"),
    key("motion.feed_rate_limit_mm_s.z", POSITIVE, Required, "mm/s", "10.0", "Largest speed of z"),
    key("motion.feed_rate_limit_mm_s.e", POSITIVE, Required, "mm/s", "60.0", "Largest speed of the filament"),
    table("motion.acceleration_limit_mm_s2", Kind::Table, Required, "Largest acceleration of each axis; 1e9 for no limit"),
    key("motion.acceleration_limit_mm_s2.x", POSITIVE, Required, "mm/s²", "1500.0", "Largest acceleration of x"),
    key("motion.acceleration_limit_mm_s2.y", POSITIVE, Required, "mm/s²", "1500.0", "Largest acceleration of y"),
    key("motion.acceleration_limit_mm_s2.z", POSITIVE, Required, "mm/s²", "100.0", "Largest acceleration of z"),
    key("motion.acceleration_limit_mm_s2.e", POSITIVE, Required, "mm/s²", "5000.0", "Largest acceleration of the filament"),
    table("motion.acceleration_mm_s2", Kind::Table, Required, "Accelerations the controller asks for, before the limits of the axes"),
    key("motion.acceleration_mm_s2.printing", POSITIVE, Required, "mm/s²", "1000.0", "Acceleration of moves along the path with extruder motion"),
    key("motion.acceleration_mm_s2.travel", POSITIVE, Required, "mm/s²", "1500.0", "Acceleration of moves along the path without extruder motion"),
    key("motion.acceleration_mm_s2.retraction", POSITIVE, Required, "mm/s²", "1500.0", "Acceleration of moves of the extruder alone"),
    key("motion.look_ahead_moves", Kind::CountOrWord { min: 1, max: 65_536, word: "unlimited" }, Value("16"), "", "16", "How many moves the controller knows ahead, the current one included"),
    key("motion.ramp", Kind::WordOrTable(RAMPS), Value("\"trapezoid\""), "", "\"trapezoid\"", "How the speed changes within a move: evenly, in the same time along a quintic, or with the jerk limited"),
    table("motion.ramp.jerk_mm_s3", Kind::Table, Required, "Largest change of acceleration of each axis; 1e12 for none to speak of, though runs of short moves then still take longer than along trapezoids"),
    key("motion.ramp.jerk_mm_s3.x", JERK, Required, "mm/s³", "100000.0", "Largest change of acceleration of x"),
    key("motion.ramp.jerk_mm_s3.y", JERK, Required, "mm/s³", "100000.0", "Largest change of acceleration of y"),
    key("motion.ramp.jerk_mm_s3.z", JERK, Required, "mm/s³", "10000.0", "Largest change of acceleration of z"),
    key("motion.ramp.jerk_mm_s3.e", JERK, Required, "mm/s³", "100000.0", "Largest change of acceleration of the extruder"),
    table("motion.corner", Kind::OneOf, Required, "The rule that caps the speed through a corner; exactly one"),
    table("motion.corner.jerk_mm_s", Kind::Table, Unset, "Largest step of speed of each axis at a corner"),
    key("motion.corner.jerk_mm_s.x", NOT_NEGATIVE, Required, "mm/s", "8.0", "Largest step of speed of x"),
    key("motion.corner.jerk_mm_s.y", NOT_NEGATIVE, Required, "mm/s", "8.0", "Largest step of speed of y"),
    key("motion.corner.jerk_mm_s.z", NOT_NEGATIVE, Required, "mm/s", "0.4", "Largest step of speed of z"),
    key("motion.corner.jerk_mm_s.e", NOT_NEGATIVE, Required, "mm/s", "5.0", "Largest step of speed of the filament"),
    key("motion.corner.junction_deviation_mm", Kind::Number { min: 0.0, max: FAR }, Unset, "mm", "0.02", "Distance at which the circle of the corner rule passes the corner"),
    key("motion.jerk_at_reversal", Kind::Choice(&["difference", "larger-speed"]), Value("\"difference\""), "", "\"difference\"", "What the jerk limits where an axis turns round: the difference of its two speeds, or the larger of them"),

    table("drive", Kind::Table, Unset, "How the motors turn steps into motion; only `sheet audit` asks for it"),
    key("drive.supply_v", POSITIVE, Unset, "V", "24.0", "Supply voltage of the motor drivers"),
    key("drive.supply_limit_a", POSITIVE, Unset, "A", "6.0", "Current the supply has for the motors, without what it gives to heaters"),
    key("drive.driver_limit_v", POSITIVE, Unset, "V", "29.0", "Highest supply voltage the motor drivers bear"),
    table("drive.x", Kind::Table, Unset, "Motor and transmission of x: a belt or a screw"),
    key("drive.x.motor_step_deg", Kind::Number { min: TINY, max: 360.0 }, Unset, "°", "1.8", "Full step of the motor of x"),
    key("drive.x.steps_per_full_step", Kind::Integer { min: 1, max: 1024 }, Unset, "", "16", "Micro-steps the driver of x makes of a full step"),
    key("drive.x.pulley_teeth", Kind::Integer { min: 1, max: 1000 }, Unset, "", "20", "Teeth of the pulley that moves the belt; with belt_pitch_mm"),
    key("drive.x.belt_pitch_mm", SIZE, Unset, "mm", "2.0", "Distance of two teeth of the belt; with pulley_teeth"),
    key("drive.x.screw_lead_mm", SIZE, Unset, "mm", "8.0", "Travel for one turn of the screw, all its starts counted"),
    key("drive.x.screw_pitch_diameter_mm", SIZE, Unset, "mm", "7.0", "Pitch diameter of the screw, outer diameter less half the pitch; counts 9 when not set, which is cautious"),
    key("drive.x.screw_friction", Kind::Number { min: 0.0, max: 1.0 }, Unset, "", "0.15", "Coefficient of friction in the thread of the screw; counts 0.15 when not set, 0.005 is a ball screw"),
    key("drive.x.reduction", POSITIVE, Value("1.0"), "", "1.0", "Turns of the motor for one turn of the pulley or screw"),
    key("drive.x.motors", Kind::Integer { min: 1, max: 8 }, Value("1"), "", "1", "Motors in parallel on one driver, which share its current; a motor with a driver of its own counts as one"),
    key("drive.x.coil_current_rms_a", POSITIVE, Unset, "A RMS", "0.8", "RMS current the driver is set to for each phase"),
    key("drive.x.driver_limit_rms_a", POSITIVE, Unset, "A RMS", "1.2", "Most current the driver of x bears for each phase, cooled as it is"),
    key("drive.x.rated_current_a", POSITIVE, Unset, "A", "1.5", "Rated current of a phase of one motor with both phases on, by its data sheet; held against the RMS current"),
    key("drive.x.rated_current_peak_a", POSITIVE, Unset, "A", "1.5", "Old name of rated_current_a, still read as that"),
    key("drive.x.holding_torque_nm", POSITIVE, Unset, "N·m", "0.4", "Holding torque of one motor, both phases at the rated current"),
    key("drive.x.inductance_mh", POSITIVE, Unset, "mH", "2.8", "Inductance of a phase of one motor"),
    key("drive.x.resistance_ohm", POSITIVE, Unset, "ohm", "1.6", "Resistance of a phase of one motor"),
    key("drive.x.rotor_inertia_g_cm2", NOT_NEGATIVE, Unset, "g·cm²", "54.0", "Inertia of the rotor of one motor; counts 0 when not set"),
    key("drive.x.moving_mass_kg", POSITIVE, Unset, "kg", "0.4", "Mass that moves with x"),
    table("drive.y", Kind::Table, Unset, "Motor and transmission of y: a belt or a screw"),
    key("drive.y.motor_step_deg", Kind::Number { min: TINY, max: 360.0 }, Unset, "°", "1.8", "Full step of the motor of y"),
    key("drive.y.steps_per_full_step", Kind::Integer { min: 1, max: 1024 }, Unset, "", "16", "Micro-steps the driver of y makes of a full step"),
    key("drive.y.pulley_teeth", Kind::Integer { min: 1, max: 1000 }, Unset, "", "20", "Teeth of the pulley that moves the belt; with belt_pitch_mm"),
    key("drive.y.belt_pitch_mm", SIZE, Unset, "mm", "2.0", "Distance of two teeth of the belt; with pulley_teeth"),
    key("drive.y.screw_lead_mm", SIZE, Unset, "mm", "8.0", "Travel for one turn of the screw, all its starts counted"),
    key("drive.y.screw_pitch_diameter_mm", SIZE, Unset, "mm", "7.0", "Pitch diameter of the screw, outer diameter less half the pitch; counts 9 when not set, which is cautious"),
    key("drive.y.screw_friction", Kind::Number { min: 0.0, max: 1.0 }, Unset, "", "0.15", "Coefficient of friction in the thread of the screw; counts 0.15 when not set, 0.005 is a ball screw"),
    key("drive.y.reduction", POSITIVE, Value("1.0"), "", "1.0", "Turns of the motor for one turn of the pulley or screw"),
    key("drive.y.motors", Kind::Integer { min: 1, max: 8 }, Value("1"), "", "1", "Motors in parallel on one driver, which share its current; a motor with a driver of its own counts as one"),
    key("drive.y.coil_current_rms_a", POSITIVE, Unset, "A RMS", "0.8", "RMS current the driver is set to for each phase"),
    key("drive.y.driver_limit_rms_a", POSITIVE, Unset, "A RMS", "1.2", "Most current the driver of y bears for each phase, cooled as it is"),
    key("drive.y.rated_current_a", POSITIVE, Unset, "A", "1.5", "Rated current of a phase of one motor with both phases on, by its data sheet; held against the RMS current"),
    key("drive.y.rated_current_peak_a", POSITIVE, Unset, "A", "1.5", "Old name of rated_current_a, still read as that"),
    key("drive.y.holding_torque_nm", POSITIVE, Unset, "N·m", "0.4", "Holding torque of one motor, both phases at the rated current"),
    key("drive.y.inductance_mh", POSITIVE, Unset, "mH", "2.8", "Inductance of a phase of one motor"),
    key("drive.y.resistance_ohm", POSITIVE, Unset, "ohm", "1.6", "Resistance of a phase of one motor"),
    key("drive.y.rotor_inertia_g_cm2", NOT_NEGATIVE, Unset, "g·cm²", "54.0", "Inertia of the rotor of one motor; counts 0 when not set"),
    key("drive.y.moving_mass_kg", POSITIVE, Unset, "kg", "0.9", "Mass that moves with y"),
    table("drive.z", Kind::Table, Unset, "Motor and transmission of z: a belt or a screw"),
    key("drive.z.motor_step_deg", Kind::Number { min: TINY, max: 360.0 }, Unset, "°", "1.8", "Full step of the motor of z"),
    key("drive.z.steps_per_full_step", Kind::Integer { min: 1, max: 1024 }, Unset, "", "16", "Micro-steps the driver of z makes of a full step"),
    key("drive.z.pulley_teeth", Kind::Integer { min: 1, max: 1000 }, Unset, "", "20", "Teeth of the pulley that moves the belt; with belt_pitch_mm"),
    key("drive.z.belt_pitch_mm", SIZE, Unset, "mm", "2.0", "Distance of two teeth of the belt; with pulley_teeth"),
    key("drive.z.screw_lead_mm", SIZE, Unset, "mm", "8.0", "Travel for one turn of the screw, all its starts counted"),
    key("drive.z.screw_pitch_diameter_mm", SIZE, Unset, "mm", "7.0", "Pitch diameter of the screw, outer diameter less half the pitch; counts 9 when not set, which is cautious"),
    key("drive.z.screw_friction", Kind::Number { min: 0.0, max: 1.0 }, Unset, "", "0.15", "Coefficient of friction in the thread of the screw; counts 0.15 when not set, 0.005 is a ball screw"),
    key("drive.z.reduction", POSITIVE, Value("1.0"), "", "1.0", "Turns of the motor for one turn of the pulley or screw"),
    key("drive.z.motors", Kind::Integer { min: 1, max: 8 }, Value("1"), "", "2", "Motors in parallel on one driver, which share its current; a motor with a driver of its own counts as one"),
    key("drive.z.coil_current_rms_a", POSITIVE, Unset, "A RMS", "0.8", "RMS current the driver is set to for each phase"),
    key("drive.z.driver_limit_rms_a", POSITIVE, Unset, "A RMS", "1.2", "Most current the driver of z bears for each phase, cooled as it is"),
    key("drive.z.rated_current_a", POSITIVE, Unset, "A", "1.5", "Rated current of a phase of one motor with both phases on, by its data sheet; held against the RMS current"),
    key("drive.z.rated_current_peak_a", POSITIVE, Unset, "A", "1.5", "Old name of rated_current_a, still read as that"),
    key("drive.z.holding_torque_nm", POSITIVE, Unset, "N·m", "0.4", "Holding torque of one motor, both phases at the rated current"),
    key("drive.z.inductance_mh", POSITIVE, Unset, "mH", "2.8", "Inductance of a phase of one motor"),
    key("drive.z.resistance_ohm", POSITIVE, Unset, "ohm", "1.6", "Resistance of a phase of one motor"),
    key("drive.z.rotor_inertia_g_cm2", NOT_NEGATIVE, Unset, "g·cm²", "54.0", "Inertia of the rotor of one motor; counts 0 when not set"),
    key("drive.z.moving_mass_kg", POSITIVE, Unset, "kg", "1.8", "Mass that moves with z, which the motors of z lift"),
    table("drive.e", Kind::Table, Unset, "Motor and transmission of the extruder, by its hob or by what a turn of it advances"),
    key("drive.e.motor_step_deg", Kind::Number { min: TINY, max: 360.0 }, Unset, "°", "1.8", "Full step of the motor of the extruder"),
    key("drive.e.steps_per_full_step", Kind::Integer { min: 1, max: 1024 }, Unset, "", "16", "Micro-steps the driver of the extruder makes of a full step"),
    key("drive.e.hob_diameter_mm", SIZE, Unset, "mm", "11.0", "Effective diameter of the hobbed wheel that pushes the filament"),
    key("drive.e.advance_per_turn_mm", SIZE, Unset, "mm", "34.5", "Filament advanced by one turn of the hobbed wheel, as measured"),
    key("drive.e.reduction", POSITIVE, Value("1.0"), "", "3.0", "Turns of the motor for one turn of the hobbed wheel"),
    key("drive.e.motors", Kind::Integer { min: 1, max: 8 }, Value("1"), "", "1", "Motors in parallel on one driver, which share its current; a motor with a driver of its own counts as one"),
    key("drive.e.coil_current_rms_a", POSITIVE, Unset, "A RMS", "0.8", "RMS current the driver is set to for each phase"),
    key("drive.e.driver_limit_rms_a", POSITIVE, Unset, "A RMS", "1.2", "Most current the driver of the extruder bears for each phase, cooled as it is"),
    key("drive.e.rated_current_a", POSITIVE, Unset, "A", "1.5", "Rated current of a phase of one motor with both phases on, by its data sheet; held against the RMS current"),
    key("drive.e.rated_current_peak_a", POSITIVE, Unset, "A", "1.5", "Old name of rated_current_a, still read as that"),
    key("drive.e.holding_torque_nm", POSITIVE, Unset, "N·m", "0.4", "Holding torque of one motor, both phases at the rated current"),
    key("drive.e.inductance_mh", POSITIVE, Unset, "mH", "2.8", "Inductance of a phase of one motor"),
    key("drive.e.resistance_ohm", POSITIVE, Unset, "ohm", "1.6", "Resistance of a phase of one motor"),
    key("drive.e.rotor_inertia_g_cm2", NOT_NEGATIVE, Unset, "g·cm²", "54.0", "Inertia of the rotor of one motor; counts 0 when not set"),

    table("structure[]", Kind::Tables { min: 0, max: MODES_MAX }, Unset, "A mode of vibration of the structure, as measured"),
    key("structure[].axis", Kind::Choice(DIRECTIONS), Required, "", "\"x\"", "Which way it swings: an axis, or with crossed belts a diagonal of x and y, that is one belt"),
    key("structure[].natural_hz", NATURAL, Required, "Hz", "47.0", "Undamped natural frequency"),
    key("structure[].damping_ratio", DAMPING, Required, "", "0.06", "Damping ratio, such as logarithmic decrement / 2 pi"),
    key("structure[].share", Kind::Number { min: 0.0, max: 10.0 }, Value("1.0"), "", "1.0", "Share of this mode's motion that the nozzle sees (modal participation)"),
    table("structure_limits", Kind::Table, Unset, "What ringing is accepted, and what the controller does against it"),
    key("structure_limits.ringing_mm", SIZE, Unset, "mm", "0.03", "Largest amplitude of ringing accepted while extruding"),
    table("structure_limits.impulse_shaper", Kind::Table, Unset, "Impulse shapers the controller applies"),
    table("structure_limits.impulse_shaper.x", Kind::Table, Unset, "Impulse shaper of x"),
    key("structure_limits.impulse_shaper.x.kind", Kind::Choice(SHAPERS), Required, "", "\"zvd\"", "Which impulses: zero vibration with no, one or two derivatives, or extra-insensitive for 5 % vibration"),
    key("structure_limits.impulse_shaper.x.tuned_hz", NATURAL, Required, "Hz", "47.0", "Undamped natural frequency it is tuned to"),
    key("structure_limits.impulse_shaper.x.tuned_damping_ratio", DAMPING, Value("0.0"), "", "0.06", "Damping ratio it is tuned to"),
    table("structure_limits.impulse_shaper.y", Kind::Table, Unset, "Impulse shaper of y"),
    key("structure_limits.impulse_shaper.y.kind", Kind::Choice(SHAPERS), Required, "", "\"zv\"", "Which impulses: zero vibration with no, one or two derivatives, or extra-insensitive for 5 % vibration"),
    key("structure_limits.impulse_shaper.y.tuned_hz", NATURAL, Required, "Hz", "33.0", "Undamped natural frequency it is tuned to"),
    key("structure_limits.impulse_shaper.y.tuned_damping_ratio", DAMPING, Value("0.0"), "", "0.08", "Damping ratio it is tuned to"),

    table("controller", Kind::Table, Unset, "How the controller reads a job"),
    key("controller.extrusion_mode", Kind::Choice(&["latest-word", "own-words"]), Value("\"latest-word\""), "", "\"latest-word\"", "Which commands make extruder words absolute or relative: the latest of G90, G91, M82 and M83, or M82 and M83 only"),
    key("controller.obeys_limits_in_job", Kind::Bool, Value("true"), "", "true", "Whether M201, M203, M204 and M205 in a job change the limits"),
    key("controller.default_feed_rate_mm_s", POSITIVE, Value("25.0"), "mm/s", "25.0", "Speed of moves before the first F word"),
    key("controller.dwell_p", Kind::Choice(&["milliseconds", "seconds"]), Value("\"milliseconds\""), "", "\"milliseconds\"", "Unit of the P word of G4"),
    key("controller.commands_per_line", Kind::Choice(COMMANDS_PER_LINE), Value("\"all\""), "", "\"all\"", "Whether the controller carries out all commands of a line or the first alone"),
    key("controller.pause", Kind::Choice(PAUSES), Value("\"M0\""), "", "\"M0\"", "Command that makes the controller wait for a person, or \"timed\" where it knows none"),
    table("controller.steps_per_mm", Kind::Table, Unset, "Motor steps, micro-steps counted, for each mm of an axis"),
    key("controller.steps_per_mm.x", POSITIVE, Unset, "1/mm", "80.0", "Steps for a mm of x"),
    key("controller.steps_per_mm.y", POSITIVE, Unset, "1/mm", "80.0", "Steps for a mm of y"),
    key("controller.steps_per_mm.z", POSITIVE, Unset, "1/mm", "400.0", "Steps for a mm of z"),
    key("controller.steps_per_mm.e", POSITIVE, Unset, "1/mm", "95.0", "Steps for a mm of filament"),
    key("controller.step_rate_limit_hz", POSITIVE, Unset, "Hz", "100000.0", "Most steps the controller makes on one motor"),
    key("controller.command_rate_limit_hz", Kind::Number { min: 0.1, max: HUGE }, Unset, "Hz", "800.0", "Most commands the controller reads"),
    key("controller.serial_baud", Kind::Number { min: 50.0, max: HUGE }, Unset, "baud", "115200", "Speed of the serial line, where a job is sent over one"),
    key("controller.sends_comments", Kind::Bool, Value("false"), "", "true", "Whether who sends a job over the serial line leaves comments and empty lines in; most take them out"),
    key("controller.acknowledge_s", Kind::Number { min: 0.0, max: 10.0 }, Unset, "s", "0.0005", "What each command of a serial line costs besides its bytes, until it has been acknowledged; counts 0 when not set"),
    table("controller.thin_queue", Kind::Table, Unset, "Moves that enter a queue with few moves in it are slowed down by the controller"),
    key("controller.thin_queue.below", Kind::Number { min: TINY, max: 1.0 }, Required, "", "0.6", "Share of `motion.look_ahead_moves` below which the queue is thin"),
    key("controller.thin_queue.least_s", Kind::Number { min: 0.0, max: 10.0 }, Required, "s", "0.02", "What a move that enters a thin queue takes at least"),
    key("controller.step_spread_s", Kind::Number { min: 1e-4, max: 1.0 }, Unset, "s", "0.02", "Time over which the controller spreads what the lead asks for where the speed of the filament jumps; without it such steps stay uncompensated, which the report says"),
    key("controller.lead_jump_limit_mm_s", POSITIVE, Unset, "mm/s", "5.0", "Where the controller lowers the acceleration of printing moves for the lead: the largest sudden change of the filament's speed that lead times acceleration may ask for; without it no acceleration is lowered"),
    key("controller.line_length_limit_bytes", Kind::Integer { min: 1, max: 1 << 30 }, Unset, "bytes", "96", "Longest line the controller takes"),
    key("controller.lacks", Kind::ListOf(LACKS), Value("[]"), "", "[\"cubics\"]", "What the controller was not built for"),
    key("controller.homing_s", DURATION, Unset, "s", "12.0", "Time of one homing command; counts 0 when not set"),
    key("controller.probing_s", DURATION, Unset, "s", "40.0", "Time of one probing command; counts 0 when not set"),
    key("controller.no_tool_number", Kind::Number { min: -1.0, max: 1e6 }, Unset, "", "255", "Tool number that jobs select to put all tools away"),
    key("controller.tool_change_s", DURATION, Unset, "s", "8.0", "Time of a change to another tool; counts 0 when not set"),

    table("tool[]", Kind::Tables { min: 1, max: TOOLS_MAX }, Required, "A tool: extruder, hotend and the filament in it; the first is tool 0"),
    key("tool[].filament_diameter_mm", SIZE, RequiredInFirst, "mm", "1.75", "Filament diameter"),
    key("tool[].filaments", Kind::Integer { min: 1, max: 100 }, Value("1"), "", "4", "Filaments that go through this nozzle one at a time; each has a tool number of its own, in the order of the tools"),
    key("tool[].nozzle_diameter_mm", SIZE, Unset, "mm", "0.4", "Nozzle bore"),
    table("tool[].temperature_c", Kind::Table, Unset, "Temperatures of the hotend"),
    key("tool[].temperature_c.limit", LIMIT_C, Unset, "°C", "260.0", "Highest allowed temperature of the hotend, by its maker's documents"),
    key("tool[].temperature_c.extrude_min", LIMIT_C, Unset, "°C", "170.0", "Lowest temperature at which filament may be pushed"),
    table("tool[].melt_rate_mm3_s", Kind::Table, Unset, "How much filament the hotend melts"),
    key("tool[].melt_rate_mm3_s.sustained", POSITIVE, Unset, "mm³/s", "11.0", "Melt rate the hotend keeps up"),
    key("tool[].melt_rate_mm3_s.peak", POSITIVE, Unset, "mm³/s", "16.0", "Melt rate the hotend can reach briefly"),
    key("tool[].melt_rate_measured_at_c", FILAMENT_C, Unset, "°C", "210.0", "Temperature of the nozzle at which melt_rate_mm3_s was measured; with melt_zone the rate holds there, and the zone tells it for others"),
    table("tool[].melt_rate_at[]", Kind::Tables { min: 0, max: MELT_ROWS_MAX }, Unset, "How much filament the hotend melts at one temperature, as measured; between two such tables it goes evenly"),
    key("tool[].melt_rate_at[].nozzle_c", FILAMENT_C, Required, "°C", "210.0", "Temperature of the nozzle"),
    key("tool[].melt_rate_at[].sustained_mm3_s", POSITIVE, Required, "mm³/s", "11.0", "Melt rate the hotend keeps up there"),
    key("tool[].melt_rate_at[].peak_mm3_s", POSITIVE, Unset, "mm³/s", "16.0", "Melt rate it can reach briefly there"),
    table("tool[].melt_zone", Kind::Table, Unset, "The heated length of the hotend and its filament, for a melt rate at each temperature by the conduction of heat"),
    key("tool[].melt_zone.length_mm", SIZE, Required, "mm", "12.0", "Length in which the filament is heated"),
    key("tool[].melt_zone.melts_at_c", FILAMENT_C, Required, "°C", "150.0", "Temperature that the middle of the filament must reach"),
    key("tool[].melt_zone.feed_in_c", FILAMENT_C, Depends("room.ambient_c"), "°C", "25.0", "Temperature with which filament comes in"),
    key("tool[].melt_zone.diffusivity_mm2_s", Kind::Number { min: TINY, max: 1e3 }, Required, "mm²/s", "0.081", "Thermal diffusivity of the filament: conductivity over density and specific heat"),
    key("tool[].melt_zone.safety", Kind::Number { min: TINY, max: 1.0 }, Value("0.8"), "", "0.8", "Share of what the zone melts in theory that counts; without effect where a rate was measured"),
    key("tool[].nozzle_offset_c", OFFSET_C, Value("0.0"), "°C", "0.0", "What is added to every target of the nozzle in a job, to try a job hotter or colder than it was sliced"),
    key("tool[].layer_time_min_s", DURATION, Unset, "s", "6.0", "Time that a place must have had to cool before the next layer is laid on it"),
    key("tool[].retraction_limit_mm", SIZE, Value("120.0"), "mm", "120.0", "Longest pull-back that leaves the filament in the hotend"),
    key("tool[].melt_window_s", SIZE, Value("1.0"), "s", "1.0", "Time constant of the running average held against the sustained melt rate"),
    table("tool[].heating", Kind::Table, Unset, "First-order heating law of the hotend, for waits and cooling"),
    key("tool[].heating.time_constant_s", SIZE, Required, "s", "60.0", "Time constant of the hotend"),
    key("tool[].heating.full_power_c", FULL_POWER_C, Required, "°C", "300.0", "Temperature the hotend tends to at full power"),
    key("tool[].heater_w", POSITIVE, Unset, "W", "40.0", "Power of the heater of the hotend at full power"),
    key("tool[].block_mass_g", POSITIVE, Unset, "g", "22.0", "Mass that the heater of the hotend heats: block, nozzle, sensor and heater"),
    key("tool[].specific_heat_j_g_k", POSITIVE, Value("0.897"), "J/(g K)", "0.897", "Specific heat of that mass; without it that of aluminium"),
    key("tool[].plastic_liner", Kind::Bool, Unset, "", "true", "Whether a plastic liner reaches into the heat break, where it gets as hot as the block"),
    key("tool[].liner_limit_c", LIMIT_C, Unset, "°C", "240.0", "Temperature the plastic liner withstands, by its maker's documents; counts 240 when not set and there is a liner"),
    key("tool[].density_g_cm3", Kind::Number { min: TINY, max: 100.0 }, Unset, "g/cm³", "1.24", "Density of the filament"),
    key("tool[].filament_specific_heat_j_g_k", Kind::Number { min: TINY, max: 100.0 }, Unset, "J/(g K)", "1.8", "Specific heat of the filament, what it takes to melt counted in; with density_g_cm3 it tells what heat the flow asks for"),
    key("tool[].on_spool_mm", NOT_NEGATIVE, Unset, "mm", "82000.0", "Filament left on the spool"),
    key("tool[].offset_mm", POINT, Value("[0.0, 0.0, 0.0]"), "mm", "[0.0, 0.0, 0.0]", "Offset of the nozzle in x, y and z from that of tool 0"),
    table("tool[].retraction", Kind::Table, Unset, "What the controller does on G10 and G11"),
    key("tool[].retraction.length_mm", Kind::Number { min: 0.0, max: FAR }, Required, "mm", "1.2", "Filament pulled back on G10"),
    key("tool[].retraction.feed_rate_mm_s", POSITIVE, Required, "mm/s", "35.0", "Speed of the pull"),
    key("tool[].retraction.recover_extra_mm", Kind::Number { min: -FAR, max: FAR }, Value("0.0"), "mm", "0.0", "Filament pushed on G11 beyond what was pulled back"),
    key("tool[].retraction.recover_feed_rate_mm_s", POSITIVE, Depends("that of the pull"), "mm/s", "25.0", "Speed of the push on G11"),
    key("tool[].retraction.lift_mm", Kind::Number { min: 0.0, max: FAR }, Value("0.0"), "mm", "0.2", "Lift of the nozzle while retracted"),
    key("tool[].extrusion_lead_s", DURATION, Unset, "s", "0.04", "Filament the controller pushes ahead while speeding up, for each mm/s of filament speed (its lead); pressure_lag_s says what the hotend needs"),
    key("tool[].pressure_lag_s", LAG, Unset, "s", "0.06", "Time constant with which what comes out of the nozzle follows what is pushed in; with it the widths of lines are followed"),
    table("tool[].pressure_lag_at[]", Kind::Tables { min: 0, max: LAG_ROWS_MAX }, Unset, "The same time constant at one height of layers, as measured; between two such tables it goes evenly"),
    key("tool[].pressure_lag_at[].layer_mm", SIZE, Required, "mm", "0.2", "Height of the layers"),
    key("tool[].pressure_lag_at[].lag_s", LAG, Required, "s", "0.06", "Time constant at that height"),
    key("tool[].bulge_limit_mm3", POSITIVE, Unset, "mm³", "0.15", "Filament laid too much at one corner that is accepted"),

    table("macro[]", Kind::Tables { min: 0, max: MACROS_MAX }, Unset, "What a macro of the controller does that jobs call by name"),
    key("macro[].name", Kind::Text, Required, "", "\"WARM_UP\"", "Its name; capitals do not matter"),
    key("macro[].homes", Kind::Bool, Value("false"), "", "true", "Whether it homes all axes"),
    key("macro[].nozzle_argument", Kind::Text, Unset, "", "\"NOZZLE\"", "Argument that sets and awaits the temperature of the nozzle in use"),
    key("macro[].bed_argument", Kind::Text, Unset, "", "\"BED\"", "Argument that sets and awaits the temperature of the bed"),
    key("macro[].chamber_argument", Kind::Text, Unset, "", "\"CHAMBER\"", "Argument that sets and awaits the temperature of the chamber"),
    key("macro[].leaves_at_mm", POINT, Unset, "mm", "[20.0, 20.0, 10.0]", "Where it leaves the nozzle: x, y and z in machine coordinates"),
    key("macro[].acceleration_argument", Kind::Text, Unset, "", "\"ACC\"", "Argument that sets the acceleration of printing and travel, mm/s²"),
    key("macro[].jerk_argument", Kind::Text, Unset, "", "\"JERK\"", "Argument that sets the jerk of x and y, mm/s"),
    key("macro[].right_angle_argument", Kind::Text, Unset, "", "\"TURN\"", "Argument that sets the speed through a right-angled corner, mm/s"),
    key("macro[].lead_argument", Kind::Text, Unset, "", "\"LEAD\"", "Argument that sets the lead of the filament in use, s"),
    key("macro[].takes_s", NOT_NEGATIVE, Value("0.0"), "s", "40.0", "Time it takes besides homing and heating"),
    key("macro[].ends", Kind::Bool, Value("false"), "", "true", "Whether it switches heaters and motors off"),
    key("macro[].harmless", Kind::Bool, Value("false"), "", "true", "Whether it does nothing that matters to a job"),
    table("probe", Kind::Table, Unset, "What measures the height of the bed"),
    key("probe.offset_mm", POINT, Required, "mm", "[-28.0, 12.0, -1.6]", "Where the probe touches, x, y and z from the nozzle"),

    table("head", Kind::Table, Unset, "What hangs around the nozzle; for parts that are printed one after another"),
    table("head.cone", Kind::Table, Unset, "The nozzle, as a cone that stands on the tip in use"),
    key("head.cone.height_mm", SIZE, Required, "mm", "7.0", "How far above the tip the cone ends"),
    key("head.cone.radius_mm", SIZE, Required, "mm", "5.0", "Radius of the cone at that height"),
    table("head.carriage", Kind::Table, Unset, "All that moves with the nozzle and hangs lower than the tallest part, as one box"),
    key("head.carriage.above_mm", SIZE, Required, "mm", "9.0", "How far above the tip of tool 0 its underside is"),
    key("head.carriage.x", RANGE, Required, "mm", "[-34.0, 28.0]", "Lowest and highest x of the box, from that tip"),
    key("head.carriage.y", RANGE, Required, "mm", "[-22.0, 41.0]", "Lowest and highest y of the box, from that tip"),

    table("bed", Kind::Table, Unset, "Heated bed; a sheet without this table has none"),
    key("bed.temperature_limit_c", LIMIT_C, Unset, "°C", "100.0", "Highest allowed temperature of the bed, by its maker's documents"),
    key("bed.heater_w", POSITIVE, Unset, "W", "200.0", "Power of the heater of the bed at full power"),
    key("bed.mass_g", POSITIVE, Unset, "g", "520.0", "Mass that the heater of the bed heats: plate and what lies flat on it"),
    key("bed.specific_heat_j_g_k", POSITIVE, Value("0.897"), "J/(g K)", "0.897", "Specific heat of that mass; without it that of aluminium"),
    table("bed.printable", Kind::Table, Unset, "Where lines may be laid, by the tip in use; without it the whole travel"),
    key("bed.printable.x", RANGE, Required, "mm", "[0.0, 244.0]", "Lowest and highest x of the part of the bed that takes lines"),
    key("bed.printable.y", RANGE, Required, "mm", "[6.0, 204.0]", "Lowest and highest y of the part of the bed that takes lines"),
    table("bed.purge[]", Kind::Tables { min: 0, max: KEEP_OUTS_MAX }, Unset, "Where the machine may prime beside that part"),
    key("bed.purge[].what", Kind::Text, Required, "", "\"waste strip\"", "What is there"),
    key("bed.purge[].x", RANGE, Required, "mm", "[200.0, 244.0]", "Lowest and highest x of the place"),
    key("bed.purge[].y", RANGE, Required, "mm", "[0.0, 6.0]", "Lowest and highest y of the place"),
    table("bed.heating", Kind::Table, Unset, "First-order heating law of the bed"),
    key("bed.heating.time_constant_s", SIZE, Required, "s", "240.0", "Time constant of the bed"),
    key("bed.heating.full_power_c", FULL_POWER_C, Required, "°C", "130.0", "Temperature the bed tends to at full power"),

    table("chamber", Kind::Table, Unset, "Heated chamber; a sheet without this table has none"),
    key("chamber.temperature_limit_c", LIMIT_C, Unset, "°C", "60.0", "Highest allowed temperature of the chamber, by its maker's documents"),
    table("chamber.heating", Kind::Table, Unset, "First-order heating law of the chamber"),
    key("chamber.heating.time_constant_s", SIZE, Required, "s", "900.0", "Time constant of the chamber"),
    key("chamber.heating.full_power_c", FULL_POWER_C, Required, "°C", "75.0", "Temperature the chamber tends to at full power"),

    table("power", Kind::Table, Unset, "What the machine draws from the mains; with it the energy of a job is told"),
    key("power.electronics_w", NOT_NEGATIVE, Value("0.0"), "W", "12.0", "Power of controller, display and fans, drawn from the start of a job to its end"),
    key("power.motors_w", NOT_NEGATIVE, Value("0.0"), "W", "22.0", "Power of all motors while they are held"),
    key("power.nozzle_w", POSITIVE, Depends("heater_w of the tool"), "W", "40.0", "Power of the heater of each hotend at full power"),
    key("power.bed_w", POSITIVE, Depends("bed.heater_w"), "W", "200.0", "Power of the heater of the bed at full power"),
    key("power.chamber_w", POSITIVE, Unset, "W", "150.0", "Power of the heater of the chamber at full power"),

    table("room", Kind::Table, Unset, "The room the machine is in"),
    key("room.ambient_c", Kind::Number { min: -100.0, max: 200.0 }, Value("20.0"), "°C", "20.0", "Temperature of the room"),

    table("clock", Kind::Table, Unset, "What `learn` found in finished prints; reported times alone depend on it, no plan and no check"),
    key("clock.start_s", DURATION, Required, "s", "95.0", "Time a print takes besides all its parts"),
    key("clock.factor", Kind::Number { min: 0.1, max: 10.0 }, Required, "", "1.02", "Times the planned motion"),
    key("clock.spread", Kind::Number { min: 0.0, max: 10.0 }, Required, "", "0.03", "Half of the interval that holds nine of ten prints, as a share of the time and five minutes"),
    key("clock.factor_spread", Kind::Number { min: 0.0, max: 10.0 }, Unset, "", "0.01", "Half of the 90 % interval of the factor: how sure the time of much longer and much shorter jobs is"),
    key("clock.motion_s", DURATION, Unset, "s", "5400.0", "Planned motion of the middle one of the prints: the further a job is from it, the more the factor's interval counts"),
    key("clock.from_prints", Kind::Integer { min: 1, max: 1 << 30 }, Required, "", "24", "How many prints it was learned from"),
    key("clock.bed_time_constant_s", SIZE, Unset, "s", "210.0", "Time constant of the bed in prints; without it that of `bed.heating`"),
    key("clock.nozzle_time_constant_s", SIZE, Unset, "s", "80.0", "Time constant of the nozzle in prints; without it that of `heating` of the first tool"),
    key("clock.homing_s", DURATION, Unset, "s", "14.0", "Time of a homing in prints; without it `controller.homing_s`"),
    key("clock.probing_s", DURATION, Unset, "s", "35.0", "Time of a probing in prints; without it `controller.probing_s`"),
    key("clock.tool_change_s", DURATION, Unset, "s", "9.0", "Time of a change of the tool in prints; without it `controller.tool_change_s`"),

    table("checks", Kind::Checks, Unset, "Severities that replace those of the catalogue, by check: no-go, hold, note or off"),
];

/// The key at a path, indices removed (`tool[].heating`).
pub fn find(path: &str) -> Option<&'static Key> {
    children(path.rsplit_once('.').map_or("", |(table, _)| table)).find(|key| key.path == path)
}

/// Keys and tables directly in a table; the empty path is the top of the sheet.
pub fn children(table: &str) -> impl Iterator<Item = &'static Key> {
    static CHILDREN: LazyLock<BTreeMap<&str, Vec<&Key>>> = LazyLock::new(|| {
        let mut children = BTreeMap::<_, Vec<_>>::new();
        for keys in KEYS.chunk_by(|one, next| one.table == next.table) {
            children.entry(keys[0].table).or_default().extend(keys);
        }
        children
    });
    CHILDREN.get(table).into_iter().flatten().copied()
}

/// `tool[3].heating` as `tool[].heating`.
pub fn template(path: &str) -> Cow<'_, str> {
    if !path.contains('[') {
        return Cow::Borrowed(path);
    }
    let mut template = String::with_capacity(path.len());
    let mut inside = false;
    for c in path.chars() {
        inside &= c != ']';
        if !inside {
            template.push(c);
        }
        inside |= c == '[';
    }
    Cow::Owned(template)
}
