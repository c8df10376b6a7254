//! Limits against each other: what is asked for beyond a limit has no effect.

use super::{AXES, Comparison, Expected, Outcome, Row, Subject};
use crate::machine::{E, Machine};
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
}
