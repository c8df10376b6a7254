//! What is known of a job as a stream, once it has been read.

use crate::block::LimitsSet;
use crate::modal::{Calls, ExtruderWords};

/// What is known of a job as a stream, once it has been read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct StreamFacts {
    /// Path as given; `-` for standard input.
    pub path: String,
    /// Bytes of the plain (unpacked) job.
    pub bytes: u64,
    /// Lines.
    pub lines: u64,
    /// Commands carried out or recognised.
    pub commands: u64,
    /// Moves with a length above zero.
    pub moves: u64,
    /// `blake3:` and the hex digest of the plain bytes.
    pub digest: String,
    /// Whether a line ending follows the last line.
    pub last_line_ended: bool,
    /// Whether the last command is a motion command.
    pub last_was_motion: bool,
    /// Line of the last motion command; 0 where there is none.
    pub last_motion_line: u64,
    /// Whether a heater got a target and none was switched off after that.
    pub heats_to_the_end: bool,
    /// The limits of motion that the job sets, and the plan follows.
    pub limits_set: LimitsSet,
    /// Time of the job, s.
    pub time_s: f64,
    /// How much longer the moves of the job take than if it left the sheet's limits alone, s; negative where they take less.
    /// Waits for heaters that warm up meanwhile may make up for it.
    pub limits_cost_s: f64,
    /// Whether anything closes the job after its last extrusion: a heater, motors, a pause, a stop, a macro.
    pub closed_after_extrusion: bool,
    /// Macros that were called and are not described.
    pub macros_called: Calls,
    /// Commands and lines that are not known here.
    pub unknown_commands: Calls,
    /// Whether the extruder ever pushed filament, or was switched on without a length.
    pub extrudes: bool,
    /// What the E words on moves along X or Y come to.
    pub extruder_words: ExtruderWords,
    /// The first line on which a spindle is switched on; 0 where there is none.
    pub spindle_line: u64,
}
