//! Limits against each other, where what is asked for beyond a limit has no effect, and speeds against what machines reach.

use super::{AXES, Comparison, Expected, NO_LIMIT, Outcome, Row, Subject};
use crate::machine::{CornerRule, DriveLayout, E, Machine};
use crate::wording::figure;

/// Accelerations asked for, against the limits of the axes.
pub const ASKED_ACCELERATION: Comparison = Comparison {
    id: "asked-acceleration-against-axis-limits",
    subject: Subject::Limits,
    summary: "Accelerations the controller asks for, against the limits of the axes they act on.",
    compare: asked,
};

/// Speed of a retraction by the controller, against the limit of the filament.
pub const RETRACTION_FEED: Comparison = Comparison {
    id: "retraction-feed-against-extruder-limit",
    subject: Subject::Limits,
    summary: "Speeds of retraction and recovery by the controller, against the feed-rate limit of the filament.",
    compare: retraction,
};

/// Speeds, against the fastest that any desktop filament printer moves.
pub const SPEED: Comparison = Comparison {
    id: "speeds-against-fastest-machines",
    subject: Subject::Limits,
    summary: "Speeds of the sheet, against the fastest that filament printers on a desk move: mm/min typed in for mm/s.",
    compare: speeds,
};

/// Faster than this no desktop filament printer moves in the plane, along a screw or belt of z or with its filament, and no
/// controller takes larger steps of speed at a corner, mm/s: each is well above the fastest machines and well below usual
/// values in mm/min (common practice, no source). Accelerations have no such rows: nobody gives them in mm/min².
const PLANE_MM_S: f64 = 1500.0;
const SCREW_MM_S: f64 = 500.0;
const FILAMENT_MM_S: f64 = 500.0;
const CORNER_MM_S: f64 = 200.0;

fn speeds(machine: &Machine) -> Vec<Row> {
    let limits = &machine.motion.limits;
    let z_mm_s = match machine.motion.drive_layout {
        DriveLayout::ThreeTowers { .. } => PLANE_MM_S,
        _ => SCREW_MM_S,
    };
    let mosts = [PLANE_MM_S, PLANE_MM_S, z_mm_s, FILAMENT_MM_S];
    let mut rows: Vec<Row> = (0..4).map(|axis| speed(AXES[axis], limits.feed_rate_mm_s[axis], mosts[axis])).collect();
    // The others only where something is wrong with them.
    let mut others = vec![("before the first F".to_owned(), machine.controller.default_feed_rate_mm_s, SCREW_MM_S)];
    for (index, retraction) in machine.tools.iter().enumerate().filter_map(|(n, tool)| Some((n, tool.retraction?))) {
        let fastest = retraction.feed_rate_mm_s.max(retraction.recover_feed_rate_mm_s);
        others.push((format!("retraction of tool {index}"), fastest, FILAMENT_MM_S));
    }
    if matches!(limits.corner, CornerRule::Jerk | CornerRule::JerkByLargerSpeed) {
        others.extend((0..4).map(|axis| (format!("jerk of {}", AXES[axis]), limits.jerk_mm_s[axis], CORNER_MM_S)));
    }
    let others = others.into_iter().map(|(what, set, most)| speed(&what, set, most));
    rows.extend(others.filter(|row| row.outcome > Outcome::Go));
    rows
}

fn speed(what: &str, set: f64, most: f64) -> Row {
    let (outcome, message) = match set {
        set if set >= NO_LIMIT => (Outcome::Go, "no limit".to_owned()),
        set if set <= most => (Outcome::Go, "within what machines reach".to_owned()),
        set if set / 60.0 <= most => {
            (Outcome::Hold, format!("looks like mm/min: that would be {} mm/s", figure(set / 60.0)))
        }
        _ => (Outcome::Note, "no machine moves so fast; 1e9 is what means no limit".to_owned()),
    };
    Row::new(what, outcome, message).set(set, "mm/s").expected(Expected::AtMost(most))
}

fn asked(machine: &Machine) -> Vec<Row> {
    let limits = &machine.motion.limits;
    let asked = [
        ("printing", limits.printing_mm_s2, &[0, 1][..]),
        ("travel", limits.travel_mm_s2, &[0, 1]),
        ("retraction", limits.retraction_mm_s2, &[E]),
    ];
    let row = |(what, set, axes): (&str, f64, &[usize])| {
        let lowest = axes.iter().map(|axis| limits.acceleration_mm_s2[*axis]).fold(f64::INFINITY, f64::min);
        let above: Vec<&str> =
            axes.iter().filter(|axis| limits.acceleration_mm_s2[**axis] < set).map(|axis| AXES[*axis]).collect();
        let (outcome, message) = match above.is_empty() {
            true => (Outcome::Go, "within the limits of its axes".to_owned()),
            false => {
                let along = above.join(" and ");
                (Outcome::Note, format!("what is above the limit has no effect along {along}"))
            }
        };
        Row::new(what, outcome, message).set(set, "mm/s²").expected(Expected::AtMost(lowest))
    };
    asked.map(row).to_vec()
}

fn retraction(machine: &Machine) -> Vec<Row> {
    let limit = machine.motion.limits.feed_rate_mm_s[E];
    let row = |(index, tool): (usize, &crate::machine::Tool)| {
        let what = format!("tool {index}");
        let Some(retraction) = tool.retraction else {
            return Row::skipped(what, "the sheet gives no `[[tool]] retraction` for it");
        };
        let fastest = retraction.feed_rate_mm_s.max(retraction.recover_feed_rate_mm_s);
        let (outcome, message) = match fastest <= limit {
            true => (Outcome::Go, "within the limit of the filament".to_owned()),
            false => (Outcome::Note, format!("it is done at {} mm/s", figure(limit))),
        };
        Row::new(what, outcome, message).set(fastest, "mm/s").expected(Expected::AtMost(limit))
    };
    machine.tools.iter().enumerate().map(row).collect()
}

#[cfg(test)]
mod tests {
    use super::super::testing::{heron, heron_with, row};
    use super::*;

    #[test]
    fn what_is_beyond_a_limit_is_noted() {
        assert_eq!(row(&ASKED_ACCELERATION, &heron(), "travel").outcome, Outcome::Go);
        let fast = heron_with("travel = 1000.0", "travel = 1300.0");
        let travel = row(&ASKED_ACCELERATION, &fast, "travel");
        assert_eq!((travel.outcome, travel.expected), (Outcome::Note, Some(Expected::AtMost(1200.0))));
        assert_eq!(travel.message, "what is above the limit has no effect along x and y");
        let quick = heron_with("feed_rate_mm_s = 30.0", "feed_rate_mm_s = 45.0");
        assert_eq!(row(&RETRACTION_FEED, &quick, "tool 0").message, "it is done at 40 mm/s");
        assert_eq!(row(&RETRACTION_FEED, &heron(), "tool 0").outcome, Outcome::Go);
    }

    #[test]
    fn millimetres_a_minute_are_seen() {
        let plausible = |machine: &Machine| speeds(machine).iter().all(|row| row.outcome == Outcome::Go);
        assert!(plausible(&heron()) && plausible(&Machine::built_in()));
        // 180 mm/s are 10800 mm/min, 8 are 480, 40 are 2400.
        let minutes =
            heron_with("x = 180.0, y = 180.0, z = 8.0, e = 40.0", "x = 10800.0, y = 10800.0, z = 480.0, e = 2400.0");
        for (what, mm_s) in [("x", "180"), ("y", "180"), ("e", "40")] {
            let found = row(&SPEED, &minutes, what);
            let message = format!("looks like mm/min: that would be {mm_s} mm/s");
            assert_eq!((found.outcome, found.message), (Outcome::Hold, message));
        }
        assert_eq!(row(&SPEED, &minutes, "z").outcome, Outcome::Go, "a belt could do it: not certain");
        assert_eq!(row(&SPEED, &heron_with("z = 8.0, e", "z = 720.0, e"), "z").outcome, Outcome::Hold);
        let pulls = heron_with("feed_rate_mm_s = 30.0", "feed_rate_mm_s = 1800.0");
        assert_eq!(row(&SPEED, &pulls, "retraction of tool 0").outcome, Outcome::Hold);
        let corners = heron_with("x = 8.0, y = 8.0", "x = 480.0, y = 8.0");
        assert_eq!(row(&SPEED, &corners, "jerk of x").outcome, Outcome::Hold);
        let starts = heron_with("[controller]", "[controller]\ndefault_feed_rate_mm_s = 1500.0");
        assert!(row(&SPEED, &starts, "before the first F").message.ends_with("25 mm/s"));
        let quick = heron_with("x = 180.0, y = 180.0", "x = 1500.0, y = 1200.0");
        assert!(plausible(&quick), "record machines");
        assert!(plausible(&heron_with("x = 180.0", "x = 1e9")), "no limit");
        assert_eq!(row(&SPEED, &heron_with("x = 180.0", "x = 1e6"), "x").outcome, Outcome::Note);
        // Towers move z by their belts.
        let mut towers = heron_with("z = 8.0, e", "z = 720.0, e");
        towers.motion.drive_layout = DriveLayout::ThreeTowers { arms_mm: None };
        assert!(plausible(&towers));
    }
}
