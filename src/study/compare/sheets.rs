//! What differs between two machine sheets, key by key.

use crate::findings::{MachineFacts, Severity};
use crate::machine::{Machine, Origin};
use crate::workshop::audit;

/// A key whose value differs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeyChange {
    /// Dotted path, as in `motion.acceleration_mm_s2.printing`.
    pub path: String,
    /// The value before as TOML, `{ … }` or `[ … ]` for tables whose keys have rows of their own; none where it has none.
    pub before: Option<String>,
    /// The value after.
    pub after: Option<String>,
}

/// The two machines of a comparison.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sheets {
    /// The machine as it is.
    pub before: MachineFacts,
    /// The machine with the change.
    pub after: MachineFacts,
    /// Keys whose values differ, defaults counted as values.
    pub changes: Vec<KeyChange>,
    /// What the audit of the sheet finds after, at hold or no-go, that it did not find before or found less bad.
    pub audit_worse: Vec<AuditRow>,
}

/// A row of the audit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AuditRow {
    /// Id of the comparison.
    pub id: &'static str,
    /// Which part of the machine: `x`, `tool 0`, `bed`.
    pub what: String,
    /// `hold` or `no-go`.
    pub severity: Severity,
    /// What it means.
    pub message: String,
}

impl Sheets {
    /// Two machines side by side.
    pub fn of(before: &Machine, after: &Machine) -> Self {
        let (was, is) = (audit::audit(before), audit::audit(after));
        let row = |line: &audit::Line| {
            let severity = line.row.outcome.severity()?;
            Some(AuditRow { id: line.id, what: line.row.what.clone(), severity, message: line.row.message.clone() })
        };
        Self {
            before: before.facts(),
            after: after.facts(),
            changes: changes(&before.origins, &after.origins),
            audit_worse: audit::worse(&was, &is).into_iter().filter_map(row).collect(),
        }
    }
}

fn changes(before: &[Origin], after: &[Origin]) -> Vec<KeyChange> {
    let value = |origins: &[Origin], path: &str| {
        let origin = origins.iter().find(|origin| origin.path == path)?;
        Some(origin.value.clone()).filter(|value| !value.is_empty())
    };
    let only_after = after.iter().filter(|origin| !before.iter().any(|known| known.path == origin.path));
    let paths = before.iter().chain(only_after).map(|origin| &origin.path);
    let change = |path: &String| {
        let (mut was, mut is) = (value(before, path), value(after, path));
        // A table in place of a word, or the other way round, is no key that is not set.
        match (&was, &is) {
            (Some(_), None) => is = beneath(after, path),
            (None, Some(_)) => was = beneath(before, path),
            _ => {}
        }
        KeyChange { path: path.clone(), before: was, after: is }
    };
    paths.map(change).filter(|change| !alike(change.before.as_deref(), change.after.as_deref())).collect()
}

/// Stands for a table or a list of tables, whose keys have rows of their own.
fn beneath(origins: &[Origin], path: &str) -> Option<String> {
    let mut rests = origins.iter().filter(|origin| !origin.value.is_empty()).filter_map(|o| o.path.strip_prefix(path));
    rests.find_map(|rest| match rest.bytes().next() {
        Some(b'.') => Some("{ … }".to_owned()),
        Some(b'[') => Some("[ … ]".to_owned()),
        _ => None,
    })
}

/// The same value, however its number is written.
fn alike(before: Option<&str>, after: Option<&str>) -> bool {
    let number = |text: Option<&str>| text.and_then(|text| text.replace('_', "").parse::<f64>().ok());
    before == after || number(before).is_some_and(|before| number(after) == Some(before))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::testing::of_corpus;

    #[test]
    fn only_what_differs_is_listed() {
        let before = of_corpus("wren");
        assert_eq!(Sheets::of(&before, &before).changes, []);
        let after = before.with("motion.acceleration_mm_s2.printing", "3000").expect("changes");
        let after = after.with("controller.tool_change_s", "2.5").expect("changes");
        let changes = Sheets::of(&before, &after).changes;
        let shown: Vec<_> = changes.iter().map(|change| (change.path.as_str(), change.before.is_some())).collect();
        assert_eq!(shown, [("motion.acceleration_mm_s2.printing", true), ("controller.tool_change_s", false)]);
        assert_eq!(Sheets::of(&after, &before).changes.len(), 2);
    }

    #[test]
    fn the_audit_is_asked_about_the_change() {
        let before = of_corpus("heron");
        assert_eq!(Sheets::of(&before, &before).audit_worse, []);
        let after = before.with("motion.acceleration_limit_mm_s2.y", "90000").expect("changes");
        let after = after.with("motion.acceleration_mm_s2.printing", "90000").expect("changes");
        let rows = Sheets::of(&before, &after).audit_worse;
        assert!(rows.iter().any(|row| row.what == "y" && row.severity == Severity::NoGo), "{rows:?}");
    }

    #[test]
    fn a_table_in_place_of_a_word_is_set() {
        let before = of_corpus("heron");
        let jerk = "[motion]\nramp = { jerk_mm_s3 = { x = 1e6, y = 1e6, z = 1e6, e = 1e6 } }\n";
        let after = Machine::parse("heron.toml", &before.text.replace("[motion]\n", jerk)).expect("valid with it");
        let of = |before: &Machine, after: &Machine, path: &str| {
            let changes = Sheets::of(before, after).changes;
            let change = changes.iter().find(|change| change.path == path).expect("differs").clone();
            (change.before, change.after)
        };
        let (word, table) = (Some("\"trapezoid\"".to_owned()), Some("{ … }".to_owned()));
        assert_eq!(of(&before, &after, "motion.ramp"), (word.clone(), table.clone()));
        assert_eq!(of(&after, &before, "motion.ramp"), (table, word));
        let x = (None, Some("1000000.0".to_owned()));
        assert_eq!(of(&before, &after, "motion.ramp.jerk_mm_s3.x"), x);
    }

    #[test]
    fn a_number_written_otherwise_is_the_same_number() {
        let before = of_corpus("wren");
        let after = before.with("motion.acceleration_mm_s2.printing", "6e3").expect("changes");
        assert_eq!(Sheets::of(&before, &after).changes, []);
    }

    #[test]
    fn tables_of_one_sheet_only_are_listed() {
        let before = of_corpus("wren");
        let without = before.text.replace(
            "[chamber]\ntemperature_limit_c = 60.0\nheating = { time_constant_s = 1200.0, full_power_c = 75.0 }\n",
            "",
        );
        let after = Machine::parse("wren.toml", &without).expect("valid without");
        let changes = Sheets::of(&before, &after).changes;
        assert!(!changes.is_empty() && changes.iter().all(|change| change.path.starts_with("chamber")), "{changes:?}");
        assert!(changes.iter().all(|change| change.after.is_none()));
    }
}
