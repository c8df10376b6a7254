//! The machine sheet: what the machine is and how it is set up today.
//!
//! [`keys`] is the law of the sheet: every key with its kind, bounds, default and meaning. [`Machine::parse`] reads a TOML
//! text against it and lists *all* faults with line and column, or makes a [`Machine`] of it.
//! Units: mm, s, °C, bytes, Hz. Index order of axis arrays is X, Y, Z, E.

mod change;
mod drive;
mod faults;
pub mod keys;
mod melting;
pub(crate) mod place;
mod resolve;
mod schema;
mod severity;
mod sheet;
mod source;
mod structure;
/// What the sheet says of a macro.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Macro {
    /// Its name; capitals do not matter.
    pub name: String,
    /// It homes all axes.
    pub homes: bool,
    /// Arguments that set and await the temperatures of nozzle, bed and chamber.
    pub heats: [Option<String>; 3],
    /// How long it takes besides, s.
    pub takes_s: f64,
    /// Where it leaves the nozzle, mm, machine coordinates.
    pub leaves_at_mm: Option<[f64; 3]>,
    /// Argument that sets the acceleration of printing and travel, mm/s².
    pub acceleration_argument: Option<String>,
    /// Argument that sets the jerk of x and y, mm/s.
    pub jerk_argument: Option<String>,
    /// Argument that sets the speed through a right-angled corner, mm/s.
    pub right_angle_argument: Option<String>,
    /// Argument that sets the lead of the filament in use, s.
    pub lead_argument: Option<String>,
    /// It switches heaters and motors off.
    pub ends: bool,
    /// It does nothing that matters here.
    pub harmless: bool,
}

#[cfg(test)]
pub(crate) mod testing;
#[cfg(test)]
mod tests;
mod value;

pub use change::ChangeError;
pub(crate) use change::VariableSheet;
pub use drive::{ALUMINIUM_J_G_K, Drive, Drives, HeatedBody, Transmission};
pub(crate) use faults::LineIndex;
pub use faults::{FAULTS_MAX, Fault, SheetError, SheetFaults, render_faults};
pub use keys::key_table;
pub use melting::{MeltByHeat, MeltRates, MeltRow, MeltZone};
pub use resolve::{Origin, Origins};
pub use severity::Severity;
pub use sheet::{CheckIds, SHEET_MAX_BYTES};
pub(crate) use sheet::{locate, roomy};
pub(crate) use source::nearest_file;
pub use source::{MachineFacts, SHEET_FILE, SHEET_VARIABLE, discover, schema, sheet_bytes};
pub use structure::{Direction, ImpulseShaper, Mode, ShaperKind, Shapers, Structure};
pub(crate) use value::{Found, cut, nearest, of_numbers, of_word};

use std::collections::BTreeMap;

/// Index of the extruder in arrays over X, Y, Z, E.
pub const E: usize = 3;

/// A machine, resolved: every optional key has its default or is `None`, which skips what needs it.
#[derive(Debug, Clone, PartialEq)]
pub struct Machine {
    /// Name for people.
    pub name: String,
    /// Path of the sheet as given, or `built-in`.
    pub source: String,
    /// `blake3:` and the hex digest of the sheet's bytes.
    pub digest: String,
    /// Text of the sheet.
    pub text: String,
    /// True for the built-in cautious machine.
    pub built_in: bool,
    /// Where the nozzle can go.
    pub travel: Travel,
    /// Speeds, accelerations and the corner rule.
    pub motion: Motion,
    /// How motors turn steps into motion.
    pub drive: Drives,
    /// How the structure swings.
    pub structure: Structure,
    /// How the controller reads a job.
    pub controller: Controller,
    /// Tools by number; at least one.
    pub tools: Vec<Tool>,
    /// What hangs around the nozzle, if the sheet says so.
    pub head: Option<Head>,
    /// Where the probe touches as seen from the nozzle, mm, if there is one.
    pub probe_offset_mm: Option<[f64; 3]>,
    /// Macros of the controller, as far as they are described.
    pub macros: Vec<Macro>,
    /// Heated bed, if there is one.
    pub bed: Option<Bed>,
    /// Heated chamber, if there is one.
    pub chamber: Option<Chamber>,
    /// What it draws from the mains, if the sheet says so.
    pub power: Option<Power>,
    /// Room temperature, °C.
    pub ambient_c: f64,
    /// What was learned from finished prints, for reported times alone.
    pub clock: Option<LearnedClock>,
    /// Severities that the sheet overrides, by check id.
    pub severities: BTreeMap<String, Override>,
    /// Every key with its value and where that came from, for `sheet show`.
    pub origins: Origins,
    /// Checks that its sheet may name, with their severities.
    pub known_checks: Vec<(&'static str, Severity)>,
}

impl Machine {
    /// Whether three towers carry the nozzle: x, y and z share their motors.
    pub fn is_three_towers(&self) -> bool {
        matches!(self.motion.drive_layout, DriveLayout::ThreeTowers { .. })
    }
}

/// The clock that finished prints have set; see [`crate::physics::wall_clock`] for what its numbers mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LearnedClock {
    /// Time a print takes besides all its parts, s.
    pub start_s: f64,
    /// Times the planned motion.
    pub factor: f64,
    /// Half of the 90 % interval, as a share of the time and [five minutes](crate::physics::wall_clock::SPREAD_FLOOR_S).
    pub spread: f64,
    /// Half of the 90 % interval of the factor.
    pub factor_spread: Option<f64>,
    /// Planned motion of the middle one of the prints, s.
    pub motion_s: Option<f64>,
    /// How many prints it was learned from.
    pub from_prints: u64,
    /// Time constant of the bed, s; none where no print heated it.
    pub bed_time_constant_s: Option<f64>,
    /// Time constant of the nozzle, s.
    pub nozzle_time_constant_s: Option<f64>,
    /// Time of a homing, s; none where no print homed.
    pub homing_s: Option<f64>,
    /// Time of a probing, s.
    pub probing_s: Option<f64>,
    /// Time of a change of the tool, s.
    pub tool_change_s: Option<f64>,
}

impl LearnedClock {
    /// The same, with what it does not say as another says it.
    pub fn or(self, other: &Self) -> Self {
        Self {
            factor_spread: self.factor_spread.or(other.factor_spread),
            motion_s: self.motion_s.or(other.motion_s),
            bed_time_constant_s: self.bed_time_constant_s.or(other.bed_time_constant_s),
            nozzle_time_constant_s: self.nozzle_time_constant_s.or(other.nozzle_time_constant_s),
            homing_s: self.homing_s.or(other.homing_s),
            probing_s: self.probing_s.or(other.probing_s),
            tool_change_s: self.tool_change_s.or(other.tool_change_s),
            ..self
        }
    }
}

/// A severity set in the sheet, or a check switched off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Override {
    /// All findings of the check get this severity.
    Severity(Severity),
    /// The check is not made (and is listed as skipped).
    Off,
}

/// Travel limits and home, mm, machine coordinates.
#[derive(Debug, Clone, PartialEq)]
pub struct Travel {
    /// Lowest x, y, z.
    pub min: [f64; 3],
    /// Highest x, y, z.
    pub max: [f64; 3],
    /// Shape of the reachable area in x, y.
    pub bed: BedShape,
    /// Where homing leaves the axes; may lie outside travel.
    pub home: [f64; 3],
    /// False where the sheet leaves it to the default.
    pub home_given: bool,
    /// Where the machine goes in x and y before it homes Z; none where that is where it is.
    pub homes_z_at_mm: Option<[f64; 2]>,
    /// Boxes the nozzle must not enter.
    pub keep_out: Vec<KeepOut>,
    /// Where lines may be laid, by the tip in use; none where that is the whole travel.
    pub printable: Option<Rectangle>,
    /// Where the machine may prime beside it.
    pub purge: Vec<PurgeZone>,
}

impl Travel {
    /// Its x and y.
    pub fn area(&self) -> Rectangle {
        Rectangle { min: [self.min[0], self.min[1]], max: [self.max[0], self.max[1]] }
    }

    /// Whether Z is homed at its upper end, away from the bed.
    pub fn homes_high(&self) -> bool {
        self.home[2] > (self.min[2] + self.max[2]) / 2.0
    }

    /// Where three towers stand, x, y, mm: at 90, 210 and 330 degrees around the middle of the ranges.
    pub fn towers(&self, radius_mm: f64) -> [[f64; 2]; 3] {
        let middle = [0, 1].map(|axis| (self.min[axis] + self.max[axis]) / 2.0);
        [90.0_f64, 210.0, 330.0].map(|degrees| {
            let (sin, cos) = degrees.to_radians().sin_cos();
            [middle[0] + radius_mm * cos, middle[1] + radius_mm * sin]
        })
    }
}

/// A rectangle in x, y, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rectangle {
    /// Lowest x, y.
    pub min: [f64; 2],
    /// Highest x, y.
    pub max: [f64; 2],
}

impl Rectangle {
    /// True inside and on the edge.
    #[inline(always)]
    pub fn holds(&self, [x, y]: [f64; 2]) -> bool {
        (self.min[0] <= x) & (x <= self.max[0]) & (self.min[1] <= y) & (y <= self.max[1])
    }
}

/// Where a machine may prime.
#[derive(Debug, Clone, PartialEq)]
pub struct PurgeZone {
    /// What is there.
    pub what: String,
    /// Its extent.
    pub area: Rectangle,
}

/// What hangs around the nozzle.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Head {
    /// The nozzle itself, around the tip of the tool in use.
    pub cone: Option<Cone>,
    /// What carries it.
    pub carriage: Option<Carriage>,
}

/// A cone that stands on its tip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cone {
    /// Height over the tip at which it ends, mm.
    pub height_mm: f64,
    /// Its radius there, mm.
    pub radius_mm: f64,
}

/// A box without a top.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Carriage {
    /// Height of its underside over the tip of the first tool, mm.
    pub above_mm: f64,
    /// Its extent, from that tip.
    pub area: Rectangle,
}

/// Shape of the reachable area.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BedShape {
    /// The whole x, y range.
    Rectangle,
    /// The largest disc (ellipse where the ranges differ) inside the x, y range.
    Disc,
}

/// A box the nozzle must not enter, mm.
#[derive(Debug, Clone, PartialEq)]
pub struct KeepOut {
    /// What is there.
    pub what: String,
    /// Lowest x, y, z.
    pub min: [f64; 3],
    /// Highest x, y, z.
    pub max: [f64; 3],
}

/// Motion settings at power-on.
#[derive(Debug, Clone, PartialEq)]
pub struct Motion {
    /// How motors drive the axes.
    pub drive_layout: DriveLayout,
    /// Limits, which a job may change.
    pub limits: Limits,
    /// How many moves the controller knows ahead.
    pub look_ahead: LookAhead,
    /// How the speed changes within a move.
    pub ramp: Ramp,
}

/// How the speed changes within a move.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Ramp {
    /// Evenly: constant acceleration.
    Trapezoid,
    /// In the times of the trapezoid, along a quintic of time without acceleration and jerk at both ends.
    SameTimeQuintic,
    /// With constant jerk, at most so much per axis (X, Y, Z, E), mm/s³.
    JerkLimited([f64; 4]),
}

impl Ramp {
    /// The largest acceleration as a multiple of the set one: 15/8 is the peak of 30 u² (1 − u)².
    pub fn peak_factor(self) -> f64 {
        if self == Self::SameTimeQuintic { 15.0 / 8.0 } else { 1.0 }
    }
}

/// How motors drive the axes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DriveLayout {
    /// A motor (or motors in parallel) per axis.
    OnePerAxis,
    /// Two belts: the motors see x + y and x − y.
    CrossedBelts,
    /// Three vertical carriages at 120°; arm length and radius in mm where given, else tower rates are not judged.
    ThreeTowers {
        /// Length of the diagonal arms, mm, and horizontal distance from the centre to the carriage joints less the effector's, mm.
        arms_mm: Option<(f64, f64)>,
    },
}

/// Speed and acceleration limits. Very large values (1e9) mean no limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Largest speed per axis, mm/s.
    pub feed_rate_mm_s: [f64; 4],
    /// Largest acceleration per axis, mm/s².
    pub acceleration_mm_s2: [f64; 4],
    /// Acceleration of moves along the path with extruder motion, mm/s².
    pub printing_mm_s2: f64,
    /// Acceleration of moves along the path without, mm/s².
    pub travel_mm_s2: f64,
    /// Acceleration of extruder-only moves, mm/s².
    pub retraction_mm_s2: f64,
    /// Which corner rule holds; a job cannot switch it.
    pub corner: CornerRule,
    /// Largest step of speed per axis, mm/s (used by [`CornerRule::Jerk`]).
    pub jerk_mm_s: [f64; 4],
    /// Junction deviation, mm (used by [`CornerRule::JunctionDeviation`]).
    pub junction_deviation_mm: f64,
    /// Lead of the filament in use, s.
    pub lead_s: f64,
    /// Largest sudden change of the filament's speed that the controller lets the lead ask for, mm/s; infinite where it lowers
    /// no acceleration for that.
    pub lead_jump_mm_s: f64,
}

impl Limits {
    /// Largest acceleration of filament that is laid, as far as the lead limits it, mm/s².
    pub fn led_filament_mm_s2(&self) -> Option<f64> {
        let most = self.lead_jump_mm_s / self.lead_s;
        most.is_finite().then_some(most)
    }
}

/// The rule that caps the speed through a corner.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CornerRule {
    /// Largest step of speed per axis.
    Jerk,
    /// The same, but where an axis turns round the larger of its two speeds counts instead of their difference: some
    /// controllers do so (common practice, no source), and then pass zigzags twice as fast.
    JerkByLargerSpeed,
    /// Centripetal acceleration on a circle that passes the corner at a given distance.
    JunctionDeviation,
}

impl CornerRule {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Jerk, Self::JerkByLargerSpeed, Self::JunctionDeviation];

    /// The key of the sheet that chooses the rule and holds its numbers.
    pub fn key(self) -> &'static str {
        // Whoever adds a rule here adds it to `ALL` too.
        match self {
            Self::Jerk | Self::JerkByLargerSpeed => "motion.corner.jerk_mm_s",
            Self::JunctionDeviation => "motion.corner.junction_deviation_mm",
        }
    }
}

/// How many moves the controller knows ahead, the current one included.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LookAhead {
    /// That many moves (at least 1).
    Moves(u32),
    /// All of them.
    Unlimited,
}

/// How the controller reads a job.
#[derive(Debug, Clone, PartialEq)]
pub struct Controller {
    /// Which commands choose absolute or relative extruder words.
    pub extrusion_mode: ExtrusionMode,
    /// Whether M201, M203, M204 and M205 in a job change the limits.
    pub obeys_limits_in_job: bool,
    /// Feed rate before the first F, mm/s.
    pub default_feed_rate_mm_s: f64,
    /// Seconds in one unit of the P word of G4 (0.001 or 1).
    pub dwell_p_s: f64,
    /// Command that makes it wait for a person; none where it knows none.
    pub pause: Option<String>,
    /// Whether the controller carries out the first command of a line alone.
    pub first_command_only: bool,
    /// Motor steps (micro-steps) per mm for X, Y, Z, E; none where not given.
    pub steps_per_mm: [Option<f64>; 4],
    /// Most steps per second the controller makes on one motor, Hz.
    pub step_rate_limit_hz: Option<f64>,
    /// Most commands per second the controller reads, Hz.
    pub command_rate_limit_hz: Option<f64>,
    /// Speed of the serial line a job is sent over, baud.
    pub serial_baud: Option<f64>,
    /// Whether comments and empty lines go over it too.
    pub sends_comments: bool,
    /// What each command of a serial line costs besides its bytes, until the controller has acknowledged it, s.
    pub acknowledge_s: Option<f64>,
    /// What the controller does when commands get scarce.
    pub thin_queue: Option<ThinQueue>,
    /// Longest line the controller takes, bytes.
    pub line_length_limit_bytes: Option<u64>,
    /// What the controller was not built for.
    pub lacks: Vec<Feature>,
    /// Time of homing, s; counts 0 when not given.
    pub homing_s: Option<f64>,
    /// Time of one probing command, s; counts 0 when not given.
    pub probing_s: Option<f64>,
    /// Tool number that puts all tools away.
    pub no_tool_number: Option<f64>,
    /// Time of a change of the tool, s.
    pub tool_change_s: Option<f64>,
    /// Over what time it spreads what the lead asks for at a jump of the filament's speed, s; none where it leaves that out.
    pub step_spread_s: Option<f64>,
}

/// Moves that enter a queue with few moves in it are slowed down, so that others have time to come.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ThinQueue {
    /// Share of the queue's length below which it is thin, 0 to 1.
    pub below: f64,
    /// What such a move takes at least, s.
    pub least_s: f64,
}

/// Which commands choose absolute or relative extruder words.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ExtrusionMode {
    /// The latest of G90, G91, M82, M83.
    LatestWord,
    /// M82 and M83 only.
    OwnWords,
}

/// Something a controller may not have been built for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Feature {
    /// G2, G3.
    Arcs,
    /// G10, G11 as retract and recover.
    FirmwareRetraction,
    /// G5.
    Cubics,
    /// G20.
    Inches,
    /// M200.
    Volumetric,
    /// G29, G30, G80 and other probing.
    Probing,
    /// M600.
    FilamentChange,
    /// M141, M191.
    Chamber,
}

impl Feature {
    /// All features, in the order of the sheet's documentation.
    pub const ALL: [Self; 8] = [
        Self::Arcs,
        Self::FirmwareRetraction,
        Self::Cubics,
        Self::Inches,
        Self::Volumetric,
        Self::Probing,
        Self::FilamentChange,
        Self::Chamber,
    ];

    /// The word used in the sheet.
    pub fn word(self) -> &'static str {
        match self {
            Self::Arcs => "arcs",
            Self::FirmwareRetraction => "firmware-retraction",
            Self::Cubics => "cubics",
            Self::Inches => "inches",
            Self::Volumetric => "volumetric",
            Self::Probing => "probing",
            Self::FilamentChange => "filament-change",
            Self::Chamber => "chamber",
        }
    }
}

/// A tool: extruder, hotend and filament.
#[derive(Debug, Clone, PartialEq)]
pub struct Tool {
    /// Filament diameter, mm.
    pub filament_diameter_mm: f64,
    /// Nozzle bore, mm.
    pub nozzle_diameter_mm: Option<f64>,
    /// Highest allowed temperature, °C.
    pub limit_c: Option<f64>,
    /// Lowest temperature at which filament may be pushed, °C.
    pub extrude_min_c: Option<f64>,
    /// Melt rate the hotend keeps up, mm³/s.
    pub sustained_mm3_s: Option<f64>,
    /// Melt rate it bears for a moment, mm³/s.
    pub peak_mm3_s: Option<f64>,
    /// Temperature at which those rates were measured, °C.
    pub melt_rate_measured_at_c: Option<f64>,
    /// What is known of melt rates at other temperatures.
    pub melt_by_heat: Option<MeltByHeat>,
    /// Time constant of the first-order average behind the sustained rate, s.
    pub melt_window_s: f64,
    /// What is added to every target of the nozzle, °C.
    pub nozzle_offset_c: f64,
    /// Time that a place must have to cool before the next layer, s.
    pub layer_time_min_s: Option<f64>,
    /// Filaments that go through the nozzle one at a time, each with a tool number of its own.
    pub filaments: u32,
    /// Longest pull-back that leaves the filament in the hotend, mm.
    pub retraction_limit_mm: f64,
    /// Heating law, for waits and cooling.
    pub heating: Option<Heating>,
    /// Heater of the hotend and what it heats.
    pub body: HeatedBody,
    /// Whether a plastic liner reaches into the heat break; none where the sheet does not say.
    pub plastic_liner: Option<bool>,
    /// Temperature the liner withstands, by its maker's documents, °C.
    pub liner_limit_c: Option<f64>,
    /// Density of the filament, g/cm³.
    pub density_g_cm3: Option<f64>,
    /// Specific heat of the filament, J/(g K).
    pub filament_specific_heat_j_g_k: Option<f64>,
    /// Filament left on the spool, mm.
    pub on_spool_mm: Option<f64>,
    /// Offset of the nozzle from that of tool 0, mm.
    pub offset_mm: [f64; 3],
    /// Length and feed of G10 and G11.
    pub retraction: Option<Retraction>,
    /// Filament pushed ahead for each mm/s of its speed, s (mm per mm/s).
    pub extrusion_lead_s: Option<f64>,
    /// Time constant with which what comes out follows what is pushed in, ascending by the height of layers; empty where the
    /// sheet gives none.
    pub pressure_lag: Vec<LagRow>,
    /// Volume of a bulge at a corner that is accepted, mm³.
    pub bulge_limit_mm3: Option<f64>,
}

/// The lag of the pressure in a nozzle at one height of layers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LagRow {
    /// Height of the layers, mm.
    pub layer_mm: f64,
    /// The lag, s.
    pub lag_s: f64,
}

/// First-order heating (Newton): at full power the temperature tends to `full_power_c`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Heating {
    /// Time constant, s.
    pub time_constant_s: f64,
    /// Temperature reached after a long time at full power, °C.
    pub full_power_c: f64,
}

/// What a machine draws from the mains, W.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Power {
    /// Controller, display and fans.
    pub electronics_w: f64,
    /// All motors while they are held.
    pub motors_w: f64,
    /// The heater of each hotend at full power, where it is not that of the tool.
    pub nozzle_w: Option<f64>,
    /// The heater of the bed at full power.
    pub bed_w: Option<f64>,
    /// The heater of the chamber at full power.
    pub chamber_w: Option<f64>,
}

/// Retraction made by the controller on G10 and undone on G11.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Retraction {
    /// Filament pulled back, mm.
    pub length_mm: f64,
    /// Speed of the pull, mm/s.
    pub feed_rate_mm_s: f64,
    /// Extra filament pushed on recovery, mm.
    pub recover_extra_mm: f64,
    /// Speed of the recovery, mm/s.
    pub recover_feed_rate_mm_s: f64,
    /// Lift of the nozzle while retracted, mm.
    pub lift_mm: f64,
}

/// Heated bed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bed {
    /// Highest allowed temperature, °C.
    pub limit_c: Option<f64>,
    /// Heating law.
    pub heating: Option<Heating>,
    /// Heater and what it heats.
    pub body: HeatedBody,
}

/// Heated chamber.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chamber {
    /// Highest allowed temperature, °C.
    pub limit_c: Option<f64>,
    /// Heating law.
    pub heating: Option<Heating>,
}
