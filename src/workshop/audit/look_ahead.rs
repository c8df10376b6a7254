//! What the controller knows ahead, against the way it needs to stop.
//!
//! From v to rest at a it takes v² / (2 a) (uniform acceleration). Of N known moves the current one is under way, so
//! N − 1 moves of length L are there to stop in: each move of that length may end at √(2 a (N − 1) L). Inside it speeds up
//! to its middle and brakes again, up to √(2 a (N − 1) L + a L) = √(2 a (N − ½) L), as the planner does ([`crate::motion`];
//! a test holds the two together). The chord lengths are those of common jobs.
//!
//! A feed-rate limit is often far beyond any speed of printing, so that moves stay below it is a note. Held is a controller
//! that cannot even run chords of 1 mm at 60 mm/s, a common speed of printing (common practice, no source).

use super::{Comparison, Expected, NO_LIMIT, Outcome, Row, Subject};
use crate::machine::{LookAhead, Machine, Ramp};
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
/// A common speed of printing, mm/s.
const COMMON_MM_S: f64 = 60.0;

/// Highest speed of moves of one length in a straight line, mm/s, where so many are known ahead, the current one included:
/// mm/s², mm. Uniform acceleration; no feed rate is regarded.
pub fn reached_mm_s(accel_mm_s2: f64, moves: u32, chord_mm: f64) -> f64 {
    (2.0 * accel_mm_s2 * (f64::from(moves.max(1)) - 0.5) * chord_mm).sqrt()
}

fn compare(machine: &Machine) -> Vec<Row> {
    let limits = &machine.motion.limits;
    let axis = if limits.feed_rate_mm_s[1] > limits.feed_rate_mm_s[0] { 1 } else { 0 };
    let feed = limits.feed_rate_mm_s[axis];
    let accel = limits.printing_mm_s2.min(limits.acceleration_mm_s2[axis]);
    let LookAhead::Moves(moves) = machine.motion.look_ahead else {
        return vec![Row::new("all chords", Outcome::Go, "every move of the job is known ahead")];
    };
    if let Ramp::JerkLimited(_) = machine.motion.ramp {
        return vec![Row::skipped(
            "all chords",
            "the formula is that of even ramps, and `[motion] ramp` limits the jerk",
        )];
    }
    if feed >= NO_LIMIT || accel >= NO_LIMIT {
        return vec![Row::skipped("all chords", "`feed_rate_limit_mm_s` or the acceleration sets no limit")];
    }
    let stop_mm = feed * feed / (2.0 * accel);
    let ahead = f64::from(moves.saturating_sub(1));
    let row = |chord_mm: f64| {
        let held_mm = ahead * chord_mm;
        let reached = reached_mm_s(accel, moves, chord_mm);
        let (outcome, message) = if held_mm >= stop_mm {
            (Outcome::Go, format!("enough for {} mm/s", figure(feed)))
        } else {
            let slow = chord_mm == 1.0 && reached < COMMON_MM_S.min(feed);
            let judged = if slow { Outcome::Hold } else { Outcome::Note };
            let message = match reached < feed {
                true => format!("such moves run at {} mm/s at most", figure(reached)),
                false => format!("such moves reach {} mm/s, and slow down towards their ends", figure(feed)),
            };
            (judged, message)
        };
        Row::new(format!("chords of {} mm", figure(chord_mm)), outcome, message)
            .set(stop_mm, "mm")
            .expected(Expected::AtMost(held_mm))
            .formula(format!(
                "({} mm/s)² / (2 × {} mm/s²) = {} mm; ({moves} − 1) × {} mm = {} mm; √(2 × {} mm/s² × ({moves} − ½) × {} mm) = {} mm/s",
                figure(feed),
                figure(accel),
                figure(stop_mm),
                figure(chord_mm),
                figure(held_mm),
                figure(accel),
                figure(chord_mm),
                figure(reached)
            ))
    };
    CHORDS_MM.map(row).to_vec()
}

#[cfg(test)]
mod tests {
    use super::super::testing::{heron, heron_with, row};
    use super::*;
    use crate::preflight::testing::plan;

    #[test]
    fn by_hand() {
        // 180² / (2 × 800) = 20.25 mm; 31 moves of 1 mm hold it, of 0.5 mm they hold 15.5 mm.
        let long = row(&STOPPING_DISTANCE, &heron(), "chords of 1 mm");
        assert_eq!((long.set, long.expected), (Some(20.25), Some(Expected::AtMost(31.0))));
        assert_eq!(long.outcome, Outcome::Go);
        let short = row(&STOPPING_DISTANCE, &heron(), "chords of 0.5 mm");
        // √(2 × 800 × 31.5 × 0.5)
        assert_eq!((short.outcome, short.message.as_str()), (Outcome::Note, "such moves run at 158.745 mm/s at most"));
    }

    #[test]
    fn few_moves_are_a_hold_and_none_ahead_is_no_panic() {
        // √(2 × 800 × 2.5 × 1) = 63.2, √(2 × 800 × 1.5 × 1) = 49 mm/s.
        let enough = heron_with("look_ahead_moves = 32", "look_ahead_moves = 3");
        assert_eq!(row(&STOPPING_DISTANCE, &enough, "chords of 1 mm").outcome, Outcome::Note);
        let few = heron_with("look_ahead_moves = 32", "look_ahead_moves = 2");
        assert_eq!(row(&STOPPING_DISTANCE, &few, "chords of 1 mm").outcome, Outcome::Hold);
        let none = heron_with("look_ahead_moves = 32", "look_ahead_moves = 1");
        let row_of_none = row(&STOPPING_DISTANCE, &none, "chords of 1 mm");
        assert_eq!(row_of_none.expected, Some(Expected::AtMost(0.0)));
        // √(2 × 800 × ½ × 1): a move that knows no other starts and ends at rest.
        assert_eq!(row_of_none.message, "such moves run at 28.284 mm/s at most");
        let all = heron_with("look_ahead_moves = 32", "look_ahead_moves = \"unlimited\"");
        assert_eq!(row(&STOPPING_DISTANCE, &all, "all chords").outcome, Outcome::Go);
    }

    /// A machine as many come from the shelf (invented): 500 mm/s, 500 mm/s², 16 moves.
    #[test]
    fn an_ordinary_machine_is_not_held() {
        let sheet = super::super::testing::HERON
            .replace("x = 180.0, y = 180.0", "x = 500.0, y = 500.0")
            .replace("printing = 800.0", "printing = 500.0")
            .replace("look_ahead_moves = 32", "look_ahead_moves = 16");
        let machine = Machine::parse("heron.toml", &sheet).expect("valid");
        for row in compare(&machine) {
            assert_eq!(row.outcome, Outcome::Note, "{row:?}");
        }
        // √(2 × 500 × 15.5 × 1)
        let long = row(&STOPPING_DISTANCE, &machine, "chords of 1 mm");
        assert_eq!(long.message, "such moves run at 124.499 mm/s at most");
    }

    /// Highest speed that the planner gives short moves in a straight line, mm/s; but for the first and the last ones,
    /// which may start and end at a step of speed.
    fn planned_mm_s(machine: &Machine, chord_mm: f64, feed_mm_s: f64) -> f64 {
        let mut job = format!("G90\nM83\nG1 F{}\n", feed_mm_s * 60.0);
        for n in 1..=(200.0 / chord_mm) as u32 {
            job.push_str(&format!("G1 X{:.3} E{:.5}\n", f64::from(n) * chord_mm, 0.02 * chord_mm));
        }
        let blocks = plan(machine, &job);
        let peaks: Vec<f64> = blocks.iter().flat_map(|block| &block.v_peak_mm_s[..block.len()]).copied().collect();
        peaks[1..peaks.len() - 40].iter().copied().fold(0.0, f64::max)
    }

    #[test]
    fn the_planner_reaches_the_same_speed() {
        for moves in [1, 2, 3, 4, 16, 32] {
            for chord_mm in CHORDS_MM {
                let of = format!("look_ahead_moves = {moves}");
                let machine = heron_with("look_ahead_moves = 32", &of);
                let accel = machine.motion.limits.printing_mm_s2;
                let expected = reached_mm_s(accel, moves, chord_mm).min(180.0);
                let planned = planned_mm_s(&machine, chord_mm, 180.0);
                // The grid of squared speeds rounds by 2⁻²⁰, coordinates of the job by 0.0005 mm.
                assert!((planned / expected - 1.0).abs() < 1e-3, "{moves} × {chord_mm} mm: {planned} {expected}");
                let row = row(&STOPPING_DISTANCE, &machine, &format!("chords of {} mm", figure(chord_mm)));
                let said = format!("such moves run at {} mm/s at most", figure(reached_mm_s(accel, moves, chord_mm)));
                assert_eq!(row.message == said, expected < 180.0, "{row:?}");
            }
        }
    }
}
