//! Is the machine sane? Compares what the sheet says is set with what its mechanics, motors and heaters ask for.
//!
//! A comparison is an id, a subject, a summary and a pure function of the machine. It answers with rows: value set,
//! value expected, the formula with its numbers, and how that is judged. What cannot be compared is a row too, with the
//! reason. Bounds without a source are common practice, and their file says so.

pub mod corner;
pub mod heat;
pub mod limits;
pub mod look_ahead;
pub mod motor;
pub mod probe;
pub mod screw;
pub mod steps;
pub mod supply;

#[cfg(test)]
mod testing;
mod worse;

use crate::findings::{Severity, Verdict};
use crate::machine::{Drive, Machine};

pub use worse::worse;

/// Names of the axes, in the order of all arrays over them.
pub(crate) const AXES: [&str; 4] = ["x", "y", "z", "e"];
/// From here on a limit of the sheet means no limit (1e9 is what is written).
const NO_LIMIT: f64 = 1e8;

/// One entry of the catalogue.
pub struct Comparison {
    /// Kebab-case words that state what is compared with what.
    pub id: &'static str,
    /// What it is about.
    pub subject: Subject,
    /// One line.
    pub summary: &'static str,
    /// Makes the rows.
    pub compare: fn(&Machine) -> Vec<Row>,
}

/// What comparisons are about; reports group by it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Subject {
    /// Steps, their size and their rate.
    Steps,
    /// Motor current, speed and force.
    Motor,
    /// Speed through corners.
    Corner,
    /// What the controller knows ahead.
    LookAhead,
    /// Limits against each other.
    Limits,
    /// The probe.
    Probe,
    /// Heaters and their limits.
    Heat,
}

impl Subject {
    /// All subjects, in the order of reports.
    pub const ALL: [Self; 7] =
        [Self::Steps, Self::Motor, Self::Corner, Self::LookAhead, Self::Limits, Self::Probe, Self::Heat];

    /// The word used in reports.
    pub fn word(self) -> &'static str {
        match self {
            Self::Steps => "steps",
            Self::Motor => "motor",
            Self::Corner => "corner",
            Self::LookAhead => "look-ahead",
            Self::Limits => "limits",
            Self::Probe => "probe",
            Self::Heat => "heat",
        }
    }
}

/// How one row is judged, from the best to the worst.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Outcome {
    /// Could not be compared; the message says why.
    Skipped,
    /// Plausible.
    Go,
    /// Worth knowing; never changes the verdict.
    Note,
    /// Somebody should look.
    Hold,
    /// Cannot be right.
    NoGo,
}

impl Outcome {
    /// The word used in reports.
    pub fn word(self) -> &'static str {
        match self {
            Self::Skipped => "skipped",
            Self::Go => "go",
            Self::Note => "note",
            Self::Hold => "hold",
            Self::NoGo => "no-go",
        }
    }

    /// The severity of a finding that weighs as much; none where there is nothing to find.
    pub fn severity(self) -> Option<Severity> {
        match self {
            Self::Skipped | Self::Go => None,
            Self::Note => Some(Severity::Note),
            Self::Hold => Some(Severity::Hold),
            Self::NoGo => Some(Severity::NoGo),
        }
    }
}

/// What a value is held against.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Expected {
    /// About this value.
    Near(f64),
    /// This value or less.
    AtMost(f64),
    /// This value or more.
    AtLeast(f64),
    /// From the first to the second.
    Between(f64, f64),
}

/// One comparison on one part of the machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Which part: `x`, `tool 0`, `bed`.
    pub what: String,
    /// How it is judged.
    pub outcome: Outcome,
    /// The value set, or computed from what is set.
    pub set: Option<f64>,
    /// What it is held against.
    pub expected: Option<Expected>,
    /// Unit of both.
    pub unit: &'static str,
    /// The formula with the numbers put in; empty where there is none.
    pub formula: String,
    /// What that means, or why it could not be compared.
    pub message: String,
}

impl Row {
    /// A row without values.
    pub(crate) fn new(what: impl Into<String>, outcome: Outcome, message: impl Into<String>) -> Self {
        let (what, message) = (what.into(), message.into());
        Self { what, outcome, set: None, expected: None, unit: "", formula: String::new(), message }
    }

    /// A row that could not be made.
    pub(crate) fn skipped(what: impl Into<String>, reason: impl Into<String>) -> Self {
        Self::new(what, Outcome::Skipped, reason)
    }

    /// With the value set.
    pub(crate) fn set(mut self, value: f64, unit: &'static str) -> Self {
        (self.set, self.unit) = (Some(value), unit);
        self
    }

    /// With what it is held against.
    pub(crate) fn expected(mut self, expected: Expected) -> Self {
        self.expected = Some(expected);
        self
    }

    /// With the formula.
    pub(crate) fn formula(mut self, formula: String) -> Self {
        self.formula = formula;
        self
    }
}

/// A row and the comparison it comes from.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Id of the comparison.
    pub id: &'static str,
    /// Its subject.
    pub subject: Subject,
    /// What it found.
    pub row: Row,
}

/// The answer of an audit.
#[derive(Debug, Clone, PartialEq)]
pub struct Audit {
    /// The worst row decides.
    pub verdict: Verdict,
    /// All rows, in the order of the catalogue.
    pub lines: Vec<Line>,
}

impl Audit {
    /// How many rows were judged so.
    pub fn count(&self, outcome: Outcome) -> usize {
        self.lines.iter().filter(|line| line.row.outcome == outcome).count()
    }
}

/// Every comparison, in the order of reports.
pub const CATALOGUE: &[&Comparison] = &[
    &steps::STEPS_PER_MM,
    &steps::STEP_RATE,
    &steps::SMALLEST_STEP,
    &motor::RUN_CURRENT,
    &supply::DRIVER_CURRENT,
    &supply::DRIVER_VOLTAGE,
    &supply::SUPPLY_CURRENT,
    &motor::CORNER_SPEED,
    &motor::FORCE,
    &corner::SPEED_STEP,
    &corner::RIGHT_ANGLE,
    &look_ahead::STOPPING_DISTANCE,
    &limits::SPEED,
    &limits::ASKED_ACCELERATION,
    &limits::RETRACTION_FEED,
    &probe::REACH,
    &probe::HEIGHT,
    &heat::HOTEND_LIMIT,
    &heat::EXTRUDE_MIN,
    &heat::BED_LIMIT,
    &heat::HEATING_RATE,
    &heat::HEATING_LAW,
    &heat::STUCK_ON,
];

/// Makes all comparisons.
pub fn audit(machine: &Machine) -> Audit {
    let lines: Vec<Line> = CATALOGUE
        .iter()
        .flat_map(|one| (one.compare)(machine).into_iter().map(|row| Line { id: one.id, subject: one.subject, row }))
        .collect();
    let verdict = match lines.iter().map(|line| line.row.outcome).max() {
        Some(Outcome::NoGo) => Verdict::NoGo,
        Some(Outcome::Hold) => Verdict::Hold,
        _ => Verdict::Go,
    };
    Audit { verdict, lines }
}

/// Go, hold and no-go by a margin: at least `enough`, at least 1, below.
fn by_margin(margin: f64, enough: f64) -> Outcome {
    match margin {
        margin if margin >= enough => Outcome::Go,
        margin if margin >= 1.0 => Outcome::Hold,
        _ => Outcome::NoGo,
    }
}

/// The reason why an axis cannot be compared: the keys of its drive that are not there.
fn lacking(drive: &Drive, wanted: &[(&str, bool)]) -> String {
    if *drive == Drive::default() {
        return "the sheet has no `[drive]` table for it".to_owned();
    }
    let missing: Vec<String> = wanted.iter().filter(|(_, there)| !there).map(|(key, _)| format!("`{key}`")).collect();
    format!("its `[drive]` table gives no {}", missing.join(", "))
}

/// The keys that make the steps of an axis, and whether they are there.
fn step_keys(drive: &Drive, axis: usize) -> [(&'static str, bool); 3] {
    let transmission = if axis == crate::machine::E {
        "hob_diameter_mm` or `advance_per_turn_mm"
    } else {
        "pulley_teeth` with `belt_pitch_mm`, or `screw_lead_mm"
    };
    [
        ("motor_step_deg", drive.motor_step_deg.is_some()),
        ("steps_per_full_step", drive.steps_per_full_step.is_some()),
        (transmission, drive.transmission.is_some()),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    #[test]
    fn ids_are_kebab_case_words_and_every_comparison_answers() {
        let mut seen = BTreeSet::new();
        for one in CATALOGUE {
            let kebab = one.id.split('-').all(|w| !w.is_empty() && w.bytes().all(|b| b.is_ascii_lowercase()));
            assert!(kebab && seen.insert(one.id), "{}", one.id);
            assert!(one.summary.len() > 20 && one.summary.ends_with('.'), "{}", one.id);
            for machine in [Machine::built_in(), testing::heron()] {
                let rows = (one.compare)(&machine);
                assert!(!rows.is_empty(), "{} says nothing", one.id);
                for row in rows {
                    assert!(!row.what.is_empty() && !row.message.is_empty(), "{}: {row:?}", one.id);
                    let finite = row.set.is_none_or(f64::is_finite);
                    assert!(finite, "{}: {row:?}", one.id);
                    assert_eq!(row.set.is_none(), row.unit.is_empty(), "{}: {row:?}", one.id);
                }
            }
        }
        assert!(CATALOGUE.windows(2).all(|pair| pair[0].subject <= pair[1].subject));
    }

    #[test]
    fn a_described_machine_is_compared_and_an_undescribed_one_says_what_it_lacks() {
        let described = audit(&testing::heron());
        let wrong: Vec<&Line> = described.lines.iter().filter(|line| line.row.outcome == Outcome::NoGo).collect();
        assert!(wrong.is_empty(), "{wrong:#?}");
        assert!(described.count(Outcome::Go) > 20, "{described:#?}");
        let bare = audit(&Machine::built_in());
        let skipped = bare.lines.iter().filter(|line| line.row.outcome == Outcome::Skipped);
        assert!(skipped.clone().count() > 15);
        assert!(skipped.clone().all(|line| line.row.message.contains('`')), "{:#?}", skipped.collect::<Vec<_>>());
    }

    #[test]
    fn the_worst_row_decides() {
        let mut machine = testing::heron();
        assert_eq!(audit(&machine).verdict, Verdict::Go);
        machine.tools[0].extrude_min_c = Some(120.0);
        assert_eq!(audit(&machine).verdict, Verdict::Hold);
        machine.controller.steps_per_mm[0] = Some(160.0);
        assert_eq!(audit(&machine).verdict, Verdict::NoGo);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn every_valid_sheet_gives_numbers(
            changes in prop::collection::vec((any::<prop::sample::Index>(), 0usize..8), 1..6),
        ) {
            let values = ["0", "1", "1e-6", "1e6", "1e9", "1e12", "64", "-3"];
            let mut lines: Vec<String> = testing::HERON.lines().map(str::to_owned).collect();
            let numbers: Vec<usize> = (0..lines.len()).filter(|at| number_at(&lines[*at])).collect();
            for (at, value) in changes {
                let line = &mut lines[numbers[at.index(numbers.len())]];
                let key = line.split_once(" = ").map_or("", |(key, _)| key).to_owned();
                *line = format!("{key} = {}", values[value]);
            }
            let Ok(machine) = Machine::parse("heron.toml", &lines.join("\n")) else { return Ok(()) };
            for line in audit(&machine).lines {
                let row = &line.row;
                let ends = match row.expected {
                    None => [0.0; 2],
                    Some(Expected::Near(one) | Expected::AtMost(one) | Expected::AtLeast(one)) => [one; 2],
                    Some(Expected::Between(low, high)) => [low, high],
                };
                let finite = ends.into_iter().chain(row.set).all(f64::is_finite);
                let text = format!("{} {}", row.formula, row.message);
                prop_assert!(finite && !text.contains("NaN") && !text.contains("inf "), "{:?}", line);
            }
        }
    }

    /// True for a line with a key and a plain number.
    fn number_at(line: &str) -> bool {
        line.split_once(" = ").is_some_and(|(_, value)| value.parse::<f64>().is_ok())
    }
}
