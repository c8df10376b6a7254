//! Settings as a machine prints them, G-code lines with chatter around, → values of the machine sheet, and back.
//!
//! [`read`] finds out what a text says; every command in it becomes at least one [`Row`], kept or with the reason why not.
//! [`merge()`] puts what was kept into a sheet and [`fresh()`] makes a new one of it; both say in the rows what became of each
//! value. [`lines()`] prints a machine's settings as commands that [`read`] reads back to the same numbers.
//!
//! Lengths are mm; speeds mm/s but for the F words of M207 and M208, which by the trade are mm/min; currents A, but mA in
//! M906. What the commands mean is common practice, no source.

mod fresh;
mod grammar;
mod lines;
mod merge;
mod milli;
mod minutes;
mod reading;
#[cfg(test)]
mod tests;
mod trade;

pub use fresh::{Fresh, fresh};
pub use lines::lines;
pub(super) use merge::lacking;
pub use merge::{Merged, NotToml, merge};
pub use reading::read;

use crate::machine::{CornerRule, Machine, keys};
use crate::wording::safe;
use trade::{DEVIATION, FEED_RATES, JERK};

/// Most rows without a value that are kept; values that count are always kept.
pub const ROWS_MAX: usize = 1000;
/// Largest speed limit that is taken for one in mm/s: desktop printers stay far below, mm/min are far above.
pub const PLAUSIBLE_MM_S: f64 = 1500.0;
/// Characters of the text shown in a row.
const SHOWN_CHARS: usize = 60;

/// How the numbers of M203 are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum SpeedUnit {
    /// As mm/s where all of them are plausible; otherwise they are doubted and none is kept.
    #[default]
    Judged,
    /// As mm/s, however large.
    PerSecond,
    /// As mm/min.
    PerMinute,
}

/// What became of a value or a command.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fate {
    /// Read, and nothing done with it yet.
    Read,
    /// Written where the sheet had nothing.
    New,
    /// Written in place of another value.
    Changed {
        /// The value before.
        old: f64,
    },
    /// The sheet says so already.
    Same,
    /// A later line says something else or the same again.
    Replaced {
        /// That line.
        by_line: u64,
    },
    /// Makes no sense as it is; not kept.
    Doubt,
    /// Not kept.
    NotKept,
}

impl Fate {
    /// One or two words for a table.
    pub fn word(self) -> &'static str {
        match self {
            Self::Read => "read",
            Self::New => "new",
            Self::Changed { .. } => "changed",
            Self::Same => "same",
            Self::Replaced { .. } => "replaced",
            Self::Doubt => "in doubt",
            Self::NotKept => "not kept",
        }
    }
}

/// One value of the text, or one command that gave none.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Line of the text, from 1.
    pub line: u64,
    /// Command and word, such as `M92 X80.00`; the whole command where no word of it was kept. Fit to show.
    pub text: String,
    /// Path of the sheet's key, such as `tool[0].retraction.length_mm`; `[2]` at the end is an element of a list.
    pub key: Option<String>,
    /// The value in the unit of the key.
    pub value: Option<f64>,
    /// Value in the unit of the key if the text is in mm/min; only where that is in doubt.
    pub if_per_minute: Option<f64>,
    /// Unit of the key.
    pub unit: &'static str,
    /// What became of it.
    pub fate: Fate,
    /// Why, or what was done to the value; may be empty.
    pub note: String,
    /// Place among all rows.
    order: u64,
}

/// What a text says.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Settings {
    /// Values and commands by line.
    pub rows: Vec<Row>,
    /// Rows without a value that did not fit into [`ROWS_MAX`].
    pub left_out: u64,
    /// Lines of the text.
    pub lines: u64,
}

impl Settings {
    /// Values that count, by the sheet's order of keys: path and value in the key's unit.
    pub fn values(&self) -> Vec<(&str, f64)> {
        by_key(&self.rows).into_iter().filter_map(|at| self.rows[at].key.as_deref().zip(self.rows[at].value)).collect()
    }

    /// The row of the value at a path, if the text gives one that counts.
    fn row(&self, place: &str) -> Option<&Row> {
        self.rows.iter().find(|row| row.fate == Fate::Read && row.key.as_deref() == Some(place))
    }
}

/// Indices of the rows whose values count, in the sheet's order of keys.
fn by_key(rows: &[Row]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..rows.len()).filter(|&at| rows[at].fate == Fate::Read).collect();
    order.sort_by_cached_key(|&at| {
        let place = rows[at].key.as_deref().unwrap_or_default();
        let template = keys::template(crate::machine::place::element_of(place).0);
        (keys::KEYS.iter().position(|key| key.path == template), place.to_owned())
    });
    order
}

/// The settings of a machine that [`lines()`] prints: path and value. Limits that mean none are left out.
pub fn of(machine: &Machine) -> Vec<(String, f64)> {
    let mut values = Vec::new();
    let limits = &machine.motion.limits;
    let mut put = |path: String, value: Option<f64>| values.extend(value.map(|value| (path, value)));
    let (by_jerk, by_deviation) = match limits.corner {
        CornerRule::Jerk | CornerRule::JerkByLargerSpeed => (true, false),
        CornerRule::JunctionDeviation => (false, true),
    };
    let axes = ["x", "y", "z", "e"];
    for (axis, name) in axes.into_iter().enumerate() {
        put(format!("controller.steps_per_mm.{name}"), machine.controller.steps_per_mm[axis]);
        put(format!("motion.acceleration_limit_mm_s2.{name}"), limited(limits.acceleration_mm_s2[axis]));
        put(format!("{FEED_RATES}.{name}"), limited(limits.feed_rate_mm_s[axis]));
        put(format!("{JERK}.{name}"), by_jerk.then_some(limits.jerk_mm_s[axis]));
        let drive = &machine.drive.axes[axis];
        put(format!("drive.{name}.steps_per_full_step"), drive.steps_per_full_step.map(|steps| steps as f64));
        put(format!("drive.{name}.coil_current_rms_a"), drive.coil_current_rms_a);
    }
    put(trade::PRINTING.to_owned(), limited(limits.printing_mm_s2));
    put(trade::TRAVEL.to_owned(), limited(limits.travel_mm_s2));
    put("motion.acceleration_mm_s2.retraction".to_owned(), limited(limits.retraction_mm_s2));
    put(DEVIATION.to_owned(), by_deviation.then_some(limits.junction_deviation_mm));
    // M207 and M208 know no tool: they are the first one's.
    if let Some(retraction) = machine.tools.first().and_then(|tool| tool.retraction) {
        let table = "tool[0].retraction";
        put(format!("{table}.length_mm"), Some(retraction.length_mm));
        put(format!("{table}.feed_rate_mm_s"), Some(retraction.feed_rate_mm_s));
        put(format!("{table}.lift_mm"), Some(retraction.lift_mm));
        put(format!("{table}.recover_extra_mm"), Some(retraction.recover_extra_mm));
        put(format!("{table}.recover_feed_rate_mm_s"), Some(retraction.recover_feed_rate_mm_s));
    }
    for (number, tool) in machine.tools.iter().enumerate() {
        // The offset of the first tool from itself is only worth a line where it is not 0.
        let offset = (number > 0 || tool.offset_mm != [0.0; 3]).then_some(tool.offset_mm);
        for axis in 0..3 {
            put(format!("tool[{number}].offset_mm[{axis}]"), offset.map(|offset| offset[axis]));
        }
        put(format!("tool[{number}].extrusion_lead_s"), tool.extrusion_lead_s);
    }
    for axis in 0..3 {
        put(format!("probe.offset_mm[{axis}]"), machine.probe_offset_mm.map(|offset| offset[axis]));
    }
    values
}

/// A limit, unless it is so large that it means none.
fn limited(limit: f64) -> Option<f64> {
    (limit < 1e9).then_some(limit)
}

/// Bounded and fit to show.
fn shown(text: &str) -> String {
    let mut shown: String = safe(text).chars().take(SHOWN_CHARS).collect();
    if text.chars().nth(SHOWN_CHARS).is_some() {
        shown.push('…');
    }
    shown
}
