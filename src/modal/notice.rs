//! What the reader notices on a line: facts, without weight and prose. Checks turn them into findings.

use crate::machine::Feature;
use crate::text::Flaw;

/// Difference of the two radii of an arc that NIST RS274/NGC 3.5.3 still takes, mm.
pub const RADIUS_TOLERANCE_MM: f64 = 0.002;

/// A radius of an arc that falls short by no more is a rounded one, and the arc is half a turn; beyond that nobody knows what is
/// meant, and the move is followed straight to its end, mm (common practice, no source: an eighth of a 0.4 mm nozzle).
pub const ROUNDED_MM: f64 = 0.05;

/// Letters of axes beside X, Y and Z (NIST RS274/NGC 2.1.2.1, and U, V, W of later forms).
pub const OTHER_AXES: [u8; 6] = *b"ABCUVW";

/// Something noticed on a line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Notice {
    /// Line of the job, from 1.
    pub line: u64,
    /// Where the machine is when the line is read, mm, machine coordinates.
    pub place_mm: [f64; 3],
    /// What.
    pub what: Noticed,
}

/// What was noticed. Codes of commands are tenths: 104 is `104`, 862.3 is `8623`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Noticed {
    /// Line numbers that do not follow each other.
    LineNumberSkipped {
        /// The one before.
        last: f64,
        /// The one here.
        number: f64,
    },
    /// A checksum that is not that of the line.
    BadChecksum {
        /// As written.
        given: f64,
        /// Of the bytes.
        computed: u8,
    },
    /// More bytes of a command than the controller takes.
    LineTooLong {
        /// Of the command.
        bytes: u64,
        /// Of the controller.
        limit: u64,
    },
    /// Words that cannot be understood.
    Damage(Damage),
    /// The controller was not built for it.
    Lacks(Feature),
    /// F with a number that is none; ignored.
    NoFeedRate {
        /// As written; none where F has no number.
        feed: Option<f64>,
    },
    /// The first move comes before any F.
    FeedFromSheet {
        /// What the sheet gives, mm/s.
        feed_mm_s: f64,
    },
    /// Start and end of an arc differ in their distance from the centre, by more than [`RADIUS_TOLERANCE_MM`].
    RadiusMismatch {
        /// By so much, mm.
        mismatch_mm: f64,
    },
    /// The radius of an arc is too small to join its ends, by more than [`RADIUS_TOLERANCE_MM`].
    RadiusTooSmall {
        /// As written, without its sign, mm.
        radius_mm: f64,
        /// From end to end, mm.
        apart_mm: f64,
    },
    /// A lead of the filament longer than [`LEAD_MAX_S`](super::LEAD_MAX_S): not followed.
    LeadImplausible {
        /// Of the word, K or S.
        letter: u8,
        /// As written, s.
        value: f64,
        /// Whether something here depends on leads.
        asked: bool,
    },
    /// A move, or G92, with axes that no sheet describes.
    AxesNotDescribed {
        /// Which of [`OTHER_AXES`], a bit each.
        axes: u8,
    },
    /// The guard of the travel is switched off.
    TravelGuardOff,
    /// The guard against cold extrusion is switched off.
    ColdGuardOff,
    /// The controller's settings are stored, loaded, reset or checked.
    SettingsStored {
        /// Of the command, in tenths.
        code: u32,
    },
    /// G10 retracts and nobody gives a length.
    RetractionLengthUnknown,
    /// A line is laid while filament is pulled back by G10.
    PrintsPulledBack {
        /// So much, where that is known, mm.
        length_mm: Option<f64>,
    },
    /// A command that is not carried out everywhere, or not now.
    NotRun(NotRun),
    /// A tool that the sheet does not describe.
    ToolNotDescribed {
        /// As the job calls it.
        number: u32,
    },
    /// The bed is heated and the sheet has none.
    BedNotDescribed,
    /// A chamber is heated and the sheet has none.
    ChamberNotDescribed,
    /// Something is changed that describes the machine itself.
    MachineChanged(MachineChange),
    /// A second command stands on a line, with words of its own.
    SecondCommand {
        /// G or M.
        letter: u8,
        /// In tenths.
        code: u32,
        /// Whether it is carried out here.
        carried_out: bool,
    },
    /// A mode, or a command without words of its own, stands beside another command.
    ModeBeside {
        /// G or M.
        letter: u8,
        /// In tenths.
        code: u32,
        /// Whether it is taken here.
        carried_out: bool,
    },
    /// G53 and a move on one line, of which the controller carries out the first command alone.
    FrameWithoutMove {
        /// Of the other command, which is not carried out with it: G or M.
        letter: u8,
        /// In tenths.
        code: u32,
    },
    /// A placeholder that nobody has filled in.
    Placeholder {
        /// Of the word; none where the line is nothing else.
        letter: Option<u8>,
        /// Whether a temperature should stand there.
        heats: bool,
    },
    /// Currents or the running of drives are changed.
    DrivesTuned {
        /// Of the command, in tenths.
        code: u32,
    },
}

/// Why a command is not carried out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotRun {
    /// The program has ended, on controllers that know this command for its end.
    BehindEnd {
        /// M2 or M30, in tenths.
        code: u32,
    },
    /// It is written into a file (M28).
    Written,
}

/// A change of the machine from inside a job.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MachineChange {
    /// M92 X Y Z: steps per mm of the axes; not followed.
    Steps,
    /// M92 E: steps per mm of the extruder; followed where the sheet gives its own, else not.
    ExtruderSteps {
        /// Whether the filament is scaled here.
        followed: bool,
    },
    /// M206: offset of the homing; followed.
    HomeOffset,
    /// M290: Z shifted while printing; followed.
    ShiftedZ,
    /// M428: the present place becomes home; unknown from there on.
    HomeHere,
    /// M665, M666: geometry of the towers or end stops; not followed.
    Geometry {
        /// Of the command.
        code: u32,
    },
    /// M851: place of the probe; not followed.
    Probe,
    /// M301, M304 with no share for the temperature's error: the heater is not controlled.
    HeaterControl {
        /// Of the command.
        code: u32,
    },
    /// M593: impulse shaping; not followed.
    Shaping,
    /// M914: load at which a drive counts as stalled.
    StallLoad,
    /// M350: microsteps; not followed.
    Microsteps,
    /// M569, M584: which way a drive turns, which axis it moves; not followed.
    Drives {
        /// Of the command.
        code: u32,
    },
    /// M112: stopped at once.
    Stopped,
}

/// Words that cannot be understood.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Damage {
    /// A flaw of spelling.
    Flaw {
        /// Which.
        flaw: Flaw,
        /// Column, from 1.
        column: usize,
    },
    /// A line too long to be read whole.
    Cut {
        /// Its bytes.
        bytes: u64,
    },
    /// A value beyond any machine.
    Beyond {
        /// Of the word.
        letter: u8,
        /// Of the word.
        value: f64,
    },
    /// A place, a radius, a control point or a length of filament beyond [`FOLLOWED_MM`](super::FOLLOWED_MM).
    TooFar,
    /// A command without a number that can be one.
    NoUsableNumber {
        /// Of the word.
        letter: u8,
    },
    /// More commands in a line than are read.
    TooManyCommands {
        /// So many are read.
        most: usize,
    },
    /// Two commands of one modal group.
    Exclusive,
    /// A letter twice in a line.
    Twice {
        /// Which.
        letter: u8,
    },
    /// Axis words before any motion command.
    NoMotionMode,
    /// An argument of a macro that should be a temperature, and is missing or no number.
    NoTemperature,
    /// A letter without a number.
    NoNumber {
        /// Which.
        letter: u8,
    },
    /// A list of values where one is taken.
    Listed {
        /// Of the word.
        letter: u8,
    },
    /// A time below zero.
    NegativeTime {
        /// s.
        seconds: f64,
    },
    /// T with a value that is no number of a tool.
    NoToolNumber {
        /// As written.
        value: f64,
    },
    /// A filament too thin to be one.
    ThinFilament {
        /// mm.
        diameter_mm: f64,
    },
    /// An override that is none.
    NoOverride {
        /// %.
        percent: f64,
    },
    /// A limit that is none.
    NoLimit {
        /// Of the word.
        letter: u8,
        /// As written.
        value: f64,
    },
    /// A lead of the filament that is none.
    NoLead {
        /// Of the word.
        letter: u8,
        /// As written.
        value: f64,
    },
    /// An arc with a radius and a centre.
    ArcTwofold,
    /// An arc with neither.
    ArcWithout,
    /// An arc by radius that ends where it starts.
    ArcClosedByRadius,
    /// An arc of radius zero.
    ArcOfNoRadius,
    /// A cubic without its control points.
    CubicWithout,
    /// A cubic of no length.
    CubicOfNoLength,
}
