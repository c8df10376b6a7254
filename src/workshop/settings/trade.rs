//! What the settings commands of the trade mean, once for reading and for writing (common practice, no source).

/// A command and where its words go.
pub(super) struct Command {
    pub(super) name: &'static str,
    /// What it sets, with units.
    pub(super) about: &'static str,
    pub(super) tools: Tools,
    pub(super) words: &'static [(u8, To)],
}

/// What a T word of a command does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Tools {
    /// There is none, or it means something else.
    None,
    /// It picks an extruder; the sheet has the limits of one.
    First,
    /// It picks a tool; the first without it.
    Each,
    /// It picks a tool and must be there.
    Named,
}

/// Where the number of a word goes. Paths are those of the sheet's keys; `[0]` behind one is an element of its list.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum To {
    /// To a key, as it is.
    Key(&'static str),
    /// From mm/min to a key in mm/s.
    Feed(&'static str),
    /// From mA to a key in A.
    Milli(&'static str),
    /// To both accelerations along the path.
    AlongPath,
    /// Nowhere, and why.
    Nowhere(&'static str),
}

use To::{AlongPath, Feed, Key, Milli, Nowhere};

macro_rules! axes {
    ($table:literal) => {
        &[
            (b'X', Key(concat!($table, ".x"))),
            (b'Y', Key(concat!($table, ".y"))),
            (b'Z', Key(concat!($table, ".z"))),
            (b'E', Key(concat!($table, ".e"))),
        ]
    };
}

pub(super) const PRINTING: &str = "motion.acceleration_mm_s2.printing";
pub(super) const TRAVEL: &str = "motion.acceleration_mm_s2.travel";
pub(super) const FEED_RATES: &str = "motion.feed_rate_limit_mm_s";
pub(super) const JERK: &str = "motion.corner.jerk_mm_s";
pub(super) const DEVIATION: &str = "motion.corner.junction_deviation_mm";
/// Its I word is the number of a driver in one dialect: 1 and more are drivers beside the first.
pub(super) const CURRENTS: &str = "M906";
pub(super) const RECOVER_FEED: &str = "tool[].retraction.recover_feed_rate_mm_s";

/// The commands that set what the sheet has, in a sensible order to send them.
pub(super) const COMMANDS: &[Command] = &[
    Command {
        name: "M350",
        about: "micro-steps of a full step of each motor",
        tools: Tools::First,
        words: &[
            (b'X', Key("drive.x.steps_per_full_step")),
            (b'Y', Key("drive.y.steps_per_full_step")),
            (b'Z', Key("drive.z.steps_per_full_step")),
            (b'E', Key("drive.e.steps_per_full_step")),
            (b'B', Nowhere("a second extruder: the sheet has the drive of the first one only")),
            (b'I', Nowhere("steps the driver makes up in between: the sheet does not have it")),
            (b'S', Nowhere("of which motors differs between dialects: write steps_per_full_step yourself")),
        ],
    },
    Command {
        name: "M92",
        about: "steps for a mm of each axis, micro-steps counted, 1/mm",
        tools: Tools::First,
        words: axes!("controller.steps_per_mm"),
    },
    Command {
        name: "M201",
        about: "largest acceleration of each axis, mm/s2",
        tools: Tools::First,
        words: axes!("motion.acceleration_limit_mm_s2"),
    },
    Command {
        name: "M203",
        about: "largest speed of each axis, mm/s",
        tools: Tools::First,
        words: axes!("motion.feed_rate_limit_mm_s"),
    },
    Command {
        name: "M204",
        about: "acceleration of printing (P), extruder alone (R) and travel (T), mm/s2",
        tools: Tools::None,
        words: &[
            (b'P', Key(PRINTING)),
            (b'R', Key("motion.acceleration_mm_s2.retraction")),
            (b'T', Key(TRAVEL)),
            (b'S', AlongPath),
        ],
    },
    Command {
        name: "M205",
        about: "corners: largest step of speed (X Y Z E), mm/s, or junction deviation (J), mm",
        tools: Tools::None,
        words: &[
            (b'X', Key("motion.corner.jerk_mm_s.x")),
            (b'Y', Key("motion.corner.jerk_mm_s.y")),
            (b'Z', Key("motion.corner.jerk_mm_s.z")),
            (b'E', Key("motion.corner.jerk_mm_s.e")),
            (b'J', Key(DEVIATION)),
            (b'B', Nowhere("shortest time of a move: the sheet does not have it")),
            (b'S', Nowhere("slowest speed of a printing move: the sheet does not have it")),
            (b'T', Nowhere("slowest speed of a travel move: the sheet does not have it")),
        ],
    },
    Command {
        name: "M207",
        about: "retraction on G10: length (S), mm, speed (F), mm/min, lift (Z), mm",
        tools: Tools::None,
        words: &[
            (b'S', Key("tool[].retraction.length_mm")),
            (b'F', Feed("tool[].retraction.feed_rate_mm_s")),
            (b'Z', Key("tool[].retraction.lift_mm")),
        ],
    },
    Command {
        name: "M208",
        about: "recovery on G11: extra length (S), mm, speed (F), mm/min",
        tools: Tools::None,
        words: &[(b'S', Key("tool[].retraction.recover_extra_mm")), (b'F', Feed(RECOVER_FEED))],
    },
    Command {
        name: "M218",
        about: "offset of a nozzle from that of tool 0, mm",
        tools: Tools::Named,
        words: &[
            (b'X', Key("tool[].offset_mm[0]")),
            (b'Y', Key("tool[].offset_mm[1]")),
            (b'Z', Key("tool[].offset_mm[2]")),
        ],
    },
    Command {
        name: "M851",
        about: "where the probe touches, from the nozzle, mm",
        tools: Tools::None,
        words: &[
            (b'X', Key("probe.offset_mm[0]")),
            (b'Y', Key("probe.offset_mm[1]")),
            (b'Z', Key("probe.offset_mm[2]")),
        ],
    },
    Command {
        name: CURRENTS,
        about: "motor current of each phase, mA RMS",
        tools: Tools::First,
        words: &[
            (b'X', Milli("drive.x.coil_current_rms_a")),
            (b'Y', Milli("drive.y.coil_current_rms_a")),
            (b'Z', Milli("drive.z.coil_current_rms_a")),
            (b'E', Milli("drive.e.coil_current_rms_a")),
            (b'I', Nowhere("number of a driver, or % of the current at rest: the sheet has neither")),
        ],
    },
    Command {
        name: "M900",
        about: "filament pushed ahead for each mm/s of its speed (K), s",
        tools: Tools::Each,
        words: &[(b'K', Key("tool[].extrusion_lead_s"))],
    },
];

/// Commands that settings texts have and the sheet has no place for, and why.
const LEFT_OUT: &[(&str, &str)] = &[
    ("G21", "lengths are in mm, as here"),
    ("G90", "no setting of the sheet"),
    ("M82", "no setting of the sheet"),
    ("M145", "a preset of temperatures: the sheet has limits, no targets"),
    ("M149", "unit of temperatures: the sheet is in °C"),
    ("M200", "filament diameter for volumes: write tool[0].filament_diameter_mm yourself"),
    (
        "M206",
        "offset from the end-stops: travel.home is where homing leaves the axes in machine coordinates, which this alone does not say; measure it",
    ),
    ("M209", "automatic retraction: the sheet does not have it"),
    ("M301", "control loop of the hotend: the sheet describes heating by time constant and full power"),
    ("M303", "tunes a heater: no setting"),
    ("M304", "control loop of the bed: the sheet describes heating by time constant and full power"),
    ("M420", "levelling of the bed: the sheet does not have it"),
    ("M425", "backlash: the sheet does not have it"),
    ("M500", "stores the settings: nothing to keep"),
    ("M501", "loads the stored settings: nothing to keep"),
    ("M502", "goes back to the maker's defaults: nothing to keep"),
    ("M503", "asks for the settings: nothing to keep"),
    ("M504", "checks the stored settings: nothing to keep"),
    ("M569", "mode of the motor drivers: the sheet does not have it"),
    ("M665", "geometry of towers: write motion.towers yourself"),
    ("M666", "end-stop offsets of towers: the sheet does not have them"),
    ("M913", "motor driver thresholds: the sheet does not have them"),
    ("M914", "homing by motor load: the sheet does not have it"),
];

/// The command of that name.
pub(super) fn find(name: &str) -> Option<&'static Command> {
    COMMANDS.iter().find(|command| command.name == name)
}

/// Why a command is not kept that [`find`] does not know.
pub(super) fn why_not(name: &str) -> &'static str {
    LEFT_OUT.iter().find(|(left_out, _)| *left_out == name).map_or("no setting of the sheet", |(_, why)| *why)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::keys;

    #[test]
    fn every_word_goes_to_a_key_of_the_sheet() {
        for (letter, to) in COMMANDS.iter().flat_map(|command| command.words) {
            if let Key(path) | Feed(path) | Milli(path) = to {
                let (path, element) = crate::machine::place::element_of(path);
                let key = keys::find(path).unwrap_or_else(|| panic!("{}: {path}", char::from(*letter)));
                assert_eq!(element.is_some(), matches!(key.kind, keys::Kind::Point { .. }), "{path}");
            }
        }
    }

    #[test]
    fn no_command_is_both_kept_and_left_out() {
        for (name, why) in LEFT_OUT {
            assert!(find(name).is_none() && !why.is_empty(), "{name}");
        }
    }
}
