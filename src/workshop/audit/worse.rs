//! What an audit finds after a change that it did not find before.

use super::{Audit, Expected, Line, Outcome, Row};

/// A row must go that much further from what it is held against, as a share.
const SHARE: f64 = 0.01;

/// The rows at hold or no-go that were better before: judged milder, not there, or nearer to what they are held against.
pub fn worse<'a>(before: &Audit, after: &'a Audit) -> Vec<&'a Line> {
    let of = |line: &Line| before.lines.iter().find(|known| known.id == line.id && known.row.what == line.row.what);
    let is_worse = |line: &&Line| match of(line) {
        None => true,
        Some(known) => line.row.outcome > known.row.outcome || is_further(&known.row, &line.row),
    };
    after.lines.iter().filter(|line| line.row.outcome >= Outcome::Hold).filter(is_worse).collect()
}

fn is_further(before: &Row, after: &Row) -> bool {
    if before.outcome != after.outcome {
        return false;
    }
    match (excess(before), excess(after)) {
        (Some(before), Some(after)) => after > before * (1.0 + SHARE),
        _ => false,
    }
}

/// How many times too much, or too little, a row is.
fn excess(row: &Row) -> Option<f64> {
    let set = row.set?;
    let times = match row.expected? {
        Expected::AtMost(most) => set / most,
        Expected::AtLeast(least) => least / set,
        Expected::Near(value) => (set / value).max(value / set),
        Expected::Between(low, high) => (set / high).max(low / set),
    };
    times.is_finite().then_some(times)
}

#[cfg(test)]
mod tests {
    use super::super::{audit, testing};
    use super::*;

    fn ids(changes: &[(&str, &str)], further: &[(&str, &str)]) -> Vec<&'static str> {
        let before = testing::heron().with_all(changes).expect("valid");
        let after = before.with_all(further).expect("valid");
        worse(&audit(&before), &audit(&after)).iter().map(|line| line.id).collect()
    }

    #[test]
    fn what_a_change_brings_is_told_and_what_was_there_is_not() {
        let fast = ("motion.acceleration_limit_mm_s2.y", "60000");
        let faster = ("motion.acceleration_limit_mm_s2.y", "90000");
        let printing = ("motion.acceleration_mm_s2.printing", "60000");
        assert_eq!(ids(&[], &[]), [""; 0]);
        assert!(
            ids(&[], &[fast, printing]).contains(&"force-needed-at-limits-against-motor-force"),
            "{:?}",
            ids(&[], &[fast, printing])
        );
        assert_eq!(ids(&[fast, printing], &[]), [""; 0]);
        let further = ids(&[fast, printing], &[faster, ("motion.acceleration_mm_s2.printing", "90000")]);
        assert!(further.contains(&"force-needed-at-limits-against-motor-force"), "{further:?}");
    }
}
