//! Findings that came, went or changed.
//!
//! Findings are told apart by check and severity: the kinds of a check (axes, motors, heaters) are taken together. A log
//! keeps the first lines of a finding only ([`LINES_KEPT`]), so lines are compared as far as both sides are known.

use std::borrow::Cow;
use std::cmp::Reverse;
use std::collections::BTreeMap;

use crate::findings::{Finding, LINES_KEPT, Severity, Worse};

/// What became of a finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum ShiftKind {
    /// It was not there before.
    Gained,
    /// It is there before and after, on other lines, more or less often, or with another worst value.
    Changed,
    /// It is gone.
    Lost,
}

/// A finding that came, went or changed.
#[derive(Debug, Clone, PartialEq)]
pub struct Shift {
    /// The check.
    pub check: Cow<'static, str>,
    /// Its severity, after the sheet's overrides.
    pub severity: Severity,
    /// What became of it.
    pub kind: ShiftKind,
    /// Before; none when it came.
    pub before: Option<Side>,
    /// After; none when it went.
    pub after: Option<Side>,
    /// Lines it is found on after, and was not before.
    pub lines_gained: Vec<u64>,
    /// Lines it was found on before, and is not after.
    pub lines_lost: Vec<u64>,
    /// What got worse of it, where it is there before and after; of several kinds the first that did.
    pub worse: Option<WorseFinding>,
    /// Later lines are not known on both sides, because a log keeps the first ones only; none when all are known.
    pub known_to_line: Option<u64>,
}

/// What got worse of a finding, and in which unit.
#[derive(Debug, Clone, PartialEq)]
pub struct WorseFinding {
    /// What.
    pub what: Worse,
    /// Unit of its values.
    pub unit: Cow<'static, str>,
}

/// A finding on one of the machines.
#[derive(Debug, Clone, PartialEq)]
pub struct Side {
    /// How often.
    pub count: u64,
    /// First line; none when it is about the job as a whole.
    pub line: Option<u64>,
    /// What is wrong: a sentence for each kind, with the worst value.
    pub messages: Vec<String>,
}

/// A finding with all its kinds.
#[derive(Default)]
struct Merged<'f> {
    findings: Vec<&'f Finding>,
}

impl Merged<'_> {
    fn lines(&self) -> Vec<u64> {
        let mut lines: Vec<u64> = self.findings.iter().flat_map(|finding| finding.lines.iter().copied()).collect();
        lines.sort_unstable();
        lines.dedup();
        lines
    }

    /// The last line up to which all lines are known; none when all are.
    fn known_to(&self) -> Option<u64> {
        let cut = |finding: &&&Finding| {
            finding.lines.len() >= LINES_KEPT && finding.last_line > finding.lines.last().copied()
        };
        self.findings.iter().filter(cut).filter_map(|finding| finding.lines.last().copied()).min()
    }

    /// What got worse from another side to this one.
    fn worse_than(&self, before: &Self) -> Option<WorseFinding> {
        let same = |finding: &Finding| before.findings.iter().find(|known| known.kind == finding.kind).copied();
        let worse = |finding: &Finding| Some((Worse::between(same(finding)?, finding)?, finding.unit.clone()));
        self.findings.iter().find_map(|finding| worse(finding)).map(|(what, unit)| WorseFinding { what, unit })
    }

    fn side(&self) -> Option<Side> {
        if self.findings.is_empty() {
            return None;
        }
        Some(Side {
            count: self.findings.iter().map(|finding| finding.count).sum(),
            line: self.findings.iter().filter_map(|finding| finding.line).min(),
            messages: self.findings.iter().map(|finding| finding.message.clone()).collect(),
        })
    }
}

/// What became of each finding that did not stay as it was.
pub fn between(before: &[Finding], after: &[Finding]) -> Vec<Shift> {
    let mut merged: BTreeMap<(Cow<'static, str>, Severity), [Merged<'_>; 2]> = BTreeMap::new();
    for (side, findings) in [before, after].into_iter().enumerate() {
        for finding in findings {
            merged.entry((finding.check.clone(), finding.severity)).or_default()[side].findings.push(finding);
        }
    }
    let mut shifts: Vec<Shift> = merged.into_iter().filter_map(|(key, sides)| shift(key, &sides)).collect();
    let first_line = |shift: &Shift| shift.after.as_ref().or(shift.before.as_ref()).and_then(|side| side.line);
    shifts.sort_by_key(|shift| (shift.kind, Reverse(shift.severity), first_line(shift), shift.check.clone()));
    shifts
}

fn shift((check, severity): (Cow<'static, str>, Severity), [before, after]: &[Merged<'_>; 2]) -> Option<Shift> {
    let sides = (before.side(), after.side());
    let kind = match &sides {
        (None, _) => ShiftKind::Gained,
        (_, None) => ShiftKind::Lost,
        (Some(_), Some(_)) => ShiftKind::Changed,
    };
    let lines_gained = missing(&after.lines(), before);
    let lines_lost = missing(&before.lines(), after);
    let known_to_line = before.known_to().into_iter().chain(after.known_to()).min();
    let worse = after.worse_than(before);
    let differs = worse.is_some() || sides.0 != sides.1 || !lines_gained.is_empty() || !lines_lost.is_empty();
    let (before, after) = sides;
    differs.then_some(Shift { check, severity, kind, before, after, lines_gained, lines_lost, worse, known_to_line })
}

/// The lines that the other side is known not to have.
fn missing(lines: &[u64], other: &Merged<'_>) -> Vec<u64> {
    let known_to = other.known_to().unwrap_or(u64::MAX);
    let others = other.lines();
    lines.iter().copied().filter(|line| *line <= known_to && others.binary_search(line).is_err()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::{Hit, Log, sample};

    fn found(lines: &[u64]) -> Finding {
        let lines: Vec<(u64, &str)> = lines.iter().map(|line| (*line, "G1")).collect();
        sample::finding("outside-travel", Severity::NoGo, &lines, "x goes to 251 mm")
    }

    #[test]
    fn what_comes_and_goes_is_told_by_line() {
        let shifts = between(&[found(&[3, 7, 9])], &[found(&[7, 12])]);
        assert_eq!(shifts.len(), 1);
        assert_eq!((shifts[0].kind, shifts[0].known_to_line), (ShiftKind::Changed, None));
        assert_eq!((&shifts[0].lines_gained[..], &shifts[0].lines_lost[..]), (&[12][..], &[3, 9][..]));
        let shifts = between(&[], &[found(&[7])]);
        assert_eq!((shifts[0].kind, &shifts[0].lines_gained[..]), (ShiftKind::Gained, &[7][..]));
        let shifts = between(&[found(&[7])], &[]);
        assert_eq!((shifts[0].kind, &shifts[0].lines_lost[..]), (ShiftKind::Lost, &[7][..]));
    }

    #[test]
    fn kinds_of_a_check_are_one_and_severities_are_not() {
        let shifts = between(&[found(&[3]), found(&[4])], &[found(&[4]), found(&[3])]);
        assert_eq!(shifts, []);
        let mild = Finding { severity: Severity::Note, ..found(&[3]) };
        let kinds: Vec<_> = between(&[found(&[3])], &[mild]).iter().map(|shift| (shift.kind, shift.severity)).collect();
        assert_eq!(kinds, [(ShiftKind::Gained, Severity::Note), (ShiftKind::Lost, Severity::NoGo)]);
    }

    #[test]
    fn a_worst_value_alone_is_a_change() {
        let worse = Finding { message: "x goes to 252 mm".to_owned(), ..found(&[3]) };
        let shifts = between(&[found(&[3])], &[worse]);
        assert_eq!((shifts.len(), shifts[0].kind, shifts[0].lines_gained.len()), (1, ShiftKind::Changed, 0));
        let whole = sample::finding("no-moves", Severity::Hold, &[], "nothing moves");
        assert_eq!(between(std::slice::from_ref(&whole), std::slice::from_ref(&whole)), []);
    }

    #[test]
    fn what_gets_worse_is_told_with_its_values() {
        let of = |value: f64, count: u64| Finding { value: Some(value), limit: Some(7.3), count, ..found(&[3]) };
        let worse = |before, after| between(&[before], &[after]).first().and_then(|shift| shift.worse.clone());
        let value = worse(of(10.2, 1), of(32.0, 1)).expect("is worse").what;
        assert_eq!(value, Worse::Value { before: 10.2, after: 32.0, limit: 7.3 });
        let count = worse(of(10.2, 190), of(10.2, 206)).expect("is worse").what;
        assert_eq!(count, Worse::Count { before: 190, after: 206 });
        assert_eq!([worse(of(32.0, 1), of(10.2, 1)), worse(of(10.2, 1), of(10.2, 2))], [None, None]);
    }

    #[test]
    fn lines_that_a_log_did_not_keep_are_not_called_lost() {
        let logged = |lines: std::ops::Range<u64>| {
            let mut log = Log::default();
            lines.for_each(|line| {
                log.raise(Hit::plain(&crate::checks::no_moves::CHECK, 0, Severity::Hold, line), || "x".to_owned())
            });
            log.into_findings()
        };
        let (before, after) = (logged(1..301), logged(51..301));
        let shifts = between(&before, &after);
        assert_eq!(shifts[0].known_to_line, Some(100));
        assert_eq!(shifts[0].lines_lost, (1..51).collect::<Vec<u64>>());
        assert_eq!(shifts[0].lines_gained, [0_u64; 0], "lines 101 to 150 were not kept before");
        assert_eq!(between(&logged(1..101), &logged(1..101)), []);
    }
}
