//! Numbers before and after as people read them.

use std::cmp::Ordering;

use crate::findings::Worse;
use crate::show::marks::verdict;
use crate::study::compare::{Comparison, Pair, WorseFinding};
use crate::wording::{clock, counted, grouped, number, pair, units, with_unit};

/// From this time on seconds are enough, s.
const CLOCK_FROM_S: f64 = 600.0;
/// Differences below this are shown to a hundredth, s.
const FINE_BELOW_S: f64 = 10.0;
const NONE: &str = "–";
/// What times are where other reports say those of a clock.
pub const PLANNED: &str = "Times here are planned, without the clock that prints have set.";

/// How times of one page or table are written: alike, so that they can be compared by eye.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Times {
    /// `12.34 s`.
    Seconds,
    /// `1:02:05`.
    Clock,
}

impl Times {
    /// Fit for times up to this one.
    pub fn up_to(most_s: f64) -> Self {
        if most_s < CLOCK_FROM_S { Self::Seconds } else { Self::Clock }
    }

    /// A time.
    pub fn time(self, seconds: f64) -> String {
        match self {
            Self::Seconds => format!("{seconds:.2} s"),
            Self::Clock => clock(seconds),
        }
    }

    /// A difference, with its sign.
    pub fn difference(self, seconds: f64) -> String {
        let fine = if seconds.abs() < FINE_BELOW_S { Self::Seconds } else { self };
        let text = fine.time(seconds.abs());
        let is_zero = !text.contains(|c: char| ('1'..='9').contains(&c));
        match seconds.partial_cmp(&0.0) {
            Some(Ordering::Less) if !is_zero => format!("−{text}"),
            Some(Ordering::Greater) if !is_zero => format!("+{text}"),
            _ => "0".to_owned(),
        }
    }
}

/// Before, after and difference of a time.
pub fn time_cells(times: Times, figure: Pair) -> [String; 3] {
    let time = |seconds: Option<f64>| seconds.map_or(NONE.to_owned(), |seconds| times.time(seconds));
    [time(figure.before), time(figure.after), figure.difference().map_or(String::new(), |by| times.difference(by))]
}

/// Before, after and difference of a number, with enough digits to tell the first two apart.
pub fn number_cells(figure: Pair, unit: &str) -> [String; 3] {
    let one = |value: Option<f64>| value.map_or(NONE.to_owned(), number);
    let (before, after) = match (figure.before, figure.after) {
        (Some(before), Some(after)) => pair(before, after),
        (before, after) => (one(before), one(after)),
    };
    let difference = figure.difference().map_or(String::new(), |by| match by.partial_cmp(&0.0) {
        Some(Ordering::Less) => format!("−{} {}", number(-by), units(unit)),
        Some(Ordering::Greater) => format!("+{} {}", number(by), units(unit)),
        _ => format!("0 {}", units(unit)).trim_end().to_owned(),
    });
    [before, after, difference]
}

/// A share with its sign, as `−11.4 %`; empty where there is none.
pub fn percent(share: Option<f64>) -> String {
    let Some(share) = share else { return String::new() };
    let text = format!("{:.1} %", share.abs() * 100.0);
    match share.partial_cmp(&0.0) {
        _ if text == "0.0 %" => text,
        Some(Ordering::Less) => format!("−{text}"),
        _ => format!("+{text}"),
    }
}

/// What got worse, with its values: `10.2 → 32 mm³/s (limit 7.3)`.
pub(crate) fn worse(worse: &WorseFinding) -> String {
    match worse.what {
        Worse::Value { before, after, limit } => {
            let (before, after) = pair(before, after);
            format!("{before} → {} (limit {})", with_unit(after, &worse.unit), number(limit))
        }
        Worse::Count { before, after } => format!("{} → {}", grouped(before), counted(after, "time", "times")),
    }
}

/// The verdict before and after, once where it stays.
pub fn verdicts(comparison: &Comparison) -> String {
    let [before, after] = [&comparison.before, &comparison.after].map(|inspection| verdict(inspection.verdict));
    if before == after { after.to_owned() } else { format!("{before} → {after}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_written_alike() {
        assert_eq!(time_cells(Times::up_to(59.0), Pair::both(12.0, 11.5)), ["12.00 s", "11.50 s", "−0.50 s"]);
        assert_eq!(time_cells(Times::up_to(4000.0), Pair::both(3725.0, 3900.4)), ["1:02:05", "1:05:00", "+0:02:55"]);
        assert_eq!(time_cells(Times::Clock, Pair::both(3725.0, 3725.2)), ["1:02:05", "1:02:05", "+0.20 s"]);
        assert_eq!(time_cells(Times::Clock, Pair::both(3725.0, 3725.004)), ["1:02:05", "1:02:05", "0"]);
        assert_eq!(time_cells(Times::Clock, Pair { before: None, after: Some(3.0) }), ["–", "0:00:03", ""]);
    }

    #[test]
    fn differences_show_their_sign() {
        assert_eq!(number_cells(Pair::both(11.0, 11.004), "mm3/s"), ["11", "11.004", "+0.004 mm³/s"]);
        assert_eq!(number_cells(Pair::both(2.0, 1.5), "Hz"), ["2", "1.5", "−0.5 Hz"]);
        assert_eq!(number_cells(Pair::both(2.0, 2.0), "Hz"), ["2", "2", "0 Hz"]);
        assert_eq!(number_cells(Pair { before: Some(2.0), after: None }, "Hz"), ["2", "–", ""]);
        assert_eq!([Some(0.25), Some(-0.1141), Some(-1e-9), None].map(percent), ["+25.0 %", "−11.4 %", "0.0 %", ""]);
    }
}
