//! What the controller knows ahead, against the way it needs to stop.
//!
//! From v to rest at a it takes v² / (2 a) (uniform acceleration). Of N known moves the current one is under way, so
//! N − 1 moves of length L are there to stop in, and moves of that length run at √(2 a (N − 1) L) at most. The chord
//! lengths are those of common jobs; that 1 mm should not slow the machine down is common practice, no source.

use super::{Comparison, Expected, NO_LIMIT, Outcome, Row, Subject};
use crate::machine::{LookAhead, Machine};
use crate::wording::figure;

/// Way to stop from the feed-rate limit, against the moves known ahead.
pub const STOPPING_DISTANCE: Comparison = Comparison {
    id: "stopping-distance-against-look-ahead",
    subject: Subject::LookAhead,
    summary: "Way to stop from the feed-rate limit, against the way in the moves known ahead, by chord length.",
    compare,
};

/// Chord lengths looked at, mm; the last one is judged.
const CHORDS_MM: [f64; 3] = [0.2, 0.5, 1.0];

fn compare(machine: &Machine) -> Vec<Row> {
    let limits = &machine.motion.limits;
    let axis = if limits.feed_rate_mm_s[1] > limits.feed_rate_mm_s[0] { 1 } else { 0 };
    let feed = limits.feed_rate_mm_s[axis];
    let accel = limits.printing_mm_s2.min(limits.acceleration_mm_s2[axis]);
    let LookAhead::Moves(moves) = machine.motion.look_ahead else {
        return vec![Row::new("all chords", Outcome::Go, "every move of the job is known ahead")];
    };
    if feed >= NO_LIMIT || accel >= NO_LIMIT {
        return vec![Row::skipped("all chords", "`feed_rate_limit_mm_s` or the acceleration sets no limit")];
    }
    let stop_mm = feed * feed / (2.0 * accel);
    let ahead = f64::from(moves.saturating_sub(1));
    let row = |chord_mm: f64| {
        let held_mm = ahead * chord_mm;
        let reached = (2.0 * accel * held_mm).sqrt().min(feed);
        let (outcome, message) = if held_mm >= stop_mm {
            (Outcome::Go, format!("enough for {} mm/s", figure(feed)))
        } else {
            let judged = if chord_mm == 1.0 { Outcome::Hold } else { Outcome::Note };
            (judged, format!("such moves run at {} mm/s at most", figure(reached)))
        };
        Row::new(format!("chords of {} mm", figure(chord_mm)), outcome, message)
            .set(stop_mm, "mm")
            .expected(Expected::AtMost(held_mm))
            .formula(format!(
                "({} mm/s)² / (2 × {} mm/s²) = {} mm; ({moves} − 1) × {} mm = {} mm; √(2 × {} mm/s² × {} mm) = {} mm/s",
                figure(feed),
                figure(accel),
                figure(stop_mm),
                figure(chord_mm),
                figure(held_mm),
                figure(accel),
                figure(held_mm),
                figure((2.0 * accel * held_mm).sqrt())
            ))
    };
    CHORDS_MM.map(row).to_vec()
}

#[cfg(test)]
mod tests {
    use super::super::testing::{heron, heron_with, row};
    use super::*;

    #[test]
    fn by_hand() {
        // 180² / (2 × 800) = 20.25 mm; 31 moves of 1 mm hold it, of 0.5 mm they hold 15.5 mm.
        let long = row(&STOPPING_DISTANCE, &heron(), "chords of 1 mm");
        assert_eq!((long.set, long.expected), (Some(20.25), Some(Expected::AtMost(31.0))));
        assert_eq!(long.outcome, Outcome::Go);
        let short = row(&STOPPING_DISTANCE, &heron(), "chords of 0.5 mm");
        // √(2 × 800 × 15.5)
        assert_eq!((short.outcome, short.message.as_str()), (Outcome::Note, "such moves run at 157.48 mm/s at most"));
    }

    #[test]
    fn few_moves_are_a_hold_and_none_ahead_is_no_panic() {
        let few = heron_with("look_ahead_moves = 32", "look_ahead_moves = 16");
        assert_eq!(row(&STOPPING_DISTANCE, &few, "chords of 1 mm").outcome, Outcome::Hold);
        let none = heron_with("look_ahead_moves = 32", "look_ahead_moves = 1");
        let row_of_none = row(&STOPPING_DISTANCE, &none, "chords of 1 mm");
        assert_eq!(row_of_none.expected, Some(Expected::AtMost(0.0)));
        let all = heron_with("look_ahead_moves = 32", "look_ahead_moves = \"unlimited\"");
        assert_eq!(row(&STOPPING_DISTANCE, &all, "all chords").outcome, Outcome::Go);
    }
}
