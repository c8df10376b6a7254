//! A machine with a value of its sheet changed.
//!
//! Why toml_edit beside toml? It changes values and leaves comments, order and number style alone; toml only reads.

use toml_edit::{DocumentMut, Item, Value};

use super::keys::{self, KEYS, Kind, SEVERITY_WORDS};
use super::place::place_at;
use super::sheet::CheckIds;
use super::{Machine, SheetFaults};

/// Why a value cannot be changed.
#[derive(Debug, thiserror::Error)]
pub enum ChangeError {
    /// There is no such key.
    #[error("the sheet has no key `{path}`{}", did_you_mean(.near))]
    NoKey {
        /// As given.
        path: String,
        /// The keys that are meant by sense or have the most similar paths, the likeliest first.
        near: Vec<String>,
    },
    /// The key is a table.
    #[error("`{path}` is a table: name one of its keys{}", listed(.keys))]
    Table {
        /// As given.
        path: String,
        /// The keys in it, also those in its tables.
        keys: Vec<String>,
    },
    /// A table of a list is not there.
    #[error("`{path}` is not in this sheet: write the table first")]
    NoTable {
        /// As given.
        path: String,
    },
    /// The value is no TOML.
    #[error("`{value}` is no value for `{path}`: expected {expected}")]
    Value {
        /// Of the key.
        path: String,
        /// As given.
        value: String,
        /// What may be written there.
        expected: String,
    },
    /// With the value the sheet has faults.
    #[error("with {path} = {value} the sheet has faults: {}", .faults.faults.first().map(|fault| fault.message.clone()).unwrap_or_default())]
    Faults {
        /// Of the key.
        path: String,
        /// As given.
        value: String,
        /// All of them; they point into the changed text.
        faults: Box<SheetFaults>,
    },
}

/// Most keys that a message suggests.
const SUGGESTED: usize = 3;
/// How alike a suggestion is at least, from 0 to 1, and how much less than the likest one.
const ALIKE: f64 = 0.8;
const LESS_ALIKE: f64 = 0.02;
/// As alike as this a path is only misspelt: its sense is not asked for, that of a bare name comes second.
const MISSPELT: f64 = 0.95;
/// Most keys of a table that a message lists.
const LISTED: usize = 12;

fn did_you_mean(near: &[String]) -> String {
    if near.is_empty() {
        return String::new();
    }
    let near: Vec<String> = near.iter().map(|path| format!("`{path}`")).collect();
    format!("; did you mean {}?", near.join(" or "))
}

fn listed(keys: &[String]) -> String {
    let more = keys.len().saturating_sub(LISTED);
    let shown = keys.iter().take(LISTED).map(String::as_str).collect::<Vec<_>>().join(", ");
    match (keys.is_empty(), more) {
        (true, _) => String::new(),
        (false, 0) => format!(": {shown}"),
        (false, more) => format!(": {shown} and {more} more"),
    }
}

impl Machine {
    /// The machine as its sheet would make it with `value` (TOML; a bare word counts as text) at the dotted `path`, such
    /// as `tool[0].melt_rate_mm3_s.peak`.
    ///
    /// # Errors
    /// When there is no such key, the value is not of its kind, or does not go with the rest of the sheet.
    pub fn with(&self, path: &str, value: &str) -> Result<Self, ChangeError> {
        self.with_all(&[(path, value)])
    }

    /// The same with several values, which may need each other.
    ///
    /// # Errors
    /// Like [`Self::with`]; faults of the sheet are put down to the last of the changes.
    pub fn with_all(&self, changes: &[(&str, &str)]) -> Result<Self, ChangeError> {
        let VariableSheet { machine, sheet } = self.variable();
        machine.of_changed(sheet, changes)
    }

    /// The sheet, to be changed many times in different ways.
    pub(crate) fn variable(&self) -> VariableSheet<'_> {
        let plain = self.text.strip_prefix('\u{feff}').unwrap_or(&self.text);
        VariableSheet { machine: self, sheet: plain.parse().unwrap_or_default() }
    }

    fn of_changed(&self, mut sheet: DocumentMut, changes: &[(&str, &str)]) -> Result<Self, ChangeError> {
        for (path, value) in changes {
            write(&mut sheet, path, value, &self.known_checks)?;
        }
        let changed = Self::read(&self.source, sheet.to_string().as_bytes(), &self.known_checks).map_err(|faults| {
            let (path, value) = changes.last().copied().unwrap_or_default();
            ChangeError::Faults { path: path.to_owned(), value: value.to_owned(), faults: Box::new(faults) }
        })?;
        Ok(Self { built_in: self.built_in, ..changed })
    }

    /// The number at a dotted path, as [`Machine::origins`] has it: written or by default; none where there is no number.
    pub fn number_at(&self, path: &str) -> Option<f64> {
        self.origins.iter().find(|origin| origin.path == path)?.value.replace('_', "").parse().ok()
    }
}

/// A sheet whose text is taken apart only once, however often it is changed.
pub(crate) struct VariableSheet<'m> {
    /// As it is today.
    pub(crate) machine: &'m Machine,
    sheet: DocumentMut,
}

impl VariableSheet<'_> {
    /// See [`Machine::with_all`].
    pub(crate) fn with_all(&self, changes: &[(&str, &str)]) -> Result<Machine, ChangeError> {
        self.machine.of_changed(self.sheet.clone(), changes)
    }
}

/// Writes a value into the text of a sheet.
fn write(sheet: &mut DocumentMut, path: &str, value: &str, checks: CheckIds<'_>) -> Result<(), ChangeError> {
    let expected = expected_at(path, checks)?;
    let parsed: Value = match value.trim().parse() {
        Ok(value) => value,
        Err(_) if value.chars().all(|c| c.is_alphanumeric() || "-_ ".contains(c)) => Value::from(value.trim()),
        Err(_) => return Err(ChangeError::Value { path: path.to_owned(), value: value.to_owned(), expected }),
    };
    match path.rsplit_once('.') {
        None => put(sheet.as_table_mut(), path, parsed),
        Some((table, name)) => {
            let mut place = place_at(sheet, table).ok_or_else(|| ChangeError::NoTable { path: path.to_owned() })?;
            put(place.table(), name, parsed);
            place.tidy();
        }
    }
    Ok(())
}

/// Puts a value in; the comments around an old one stay.
fn put(table: &mut dyn toml_edit::TableLike, name: &str, mut value: Value) {
    match table.get_mut(name) {
        Some(Item::Value(old)) => {
            *value.decor_mut() = old.decor().clone();
            *old = value;
        }
        _ => {
            table.insert(name, Item::Value(value));
        }
    }
}

/// What may be written at a path.
fn expected_at(path: &str, checks: CheckIds<'_>) -> Result<String, ChangeError> {
    if let Some(id) = path.strip_prefix("checks.")
        && checks.iter().any(|(known, _)| *known == id)
    {
        return Ok(keys::one_of(SEVERITY_WORDS));
    }
    let template = keys::template(path);
    match keys::find(&template) {
        Some(key) if key.is_table() => {
            Err(ChangeError::Table { path: path.to_owned(), keys: inside(path, &template, checks) })
        }
        Some(key) => Ok(match key.kind {
            Kind::Bool => "true or false".to_owned(),
            kind => kind.in_words(),
        }),
        // A list of tables, named without a number.
        None if keys::find(&format!("{template}[]")).is_some() => {
            let (path, template) = (format!("{path}[0]"), format!("{template}[]"));
            Err(ChangeError::Table { keys: inside(&path, &template, checks), path })
        }
        None => Err(ChangeError::NoKey { path: path.to_owned(), near: near(&template, checks) }),
    }
}

/// The keys in a table and in its tables.
fn inside(path: &str, template: &str, checks: CheckIds<'_>) -> Vec<String> {
    if keys::find(template).is_some_and(|key| key.kind == Kind::Checks) {
        return checks.iter().map(|(id, _)| format!("{path}.{id}")).collect();
    }
    let rest = |key: &keys::Key| key.path.strip_prefix(template).filter(|rest| rest.starts_with('.'));
    let keys = KEYS.iter().filter(|key| !key.is_table()).filter_map(rest);
    keys.map(|rest| format!("{path}{}", rest.replace("[]", "[0]"))).collect()
}

/// The keys that the words of a path mean, and those with the most similar paths, or, where only a name was given, names.
fn near(template: &str, checks: CheckIds<'_>) -> Vec<String> {
    let paths = KEYS.iter().filter(|key| !key.is_table()).map(|key| key.path.to_owned());
    let paths = paths.chain(checks.iter().map(|(id, _)| format!("checks.{id}")));
    let likeness = |path: &str| {
        let name = path.rsplit('.').next().filter(|_| !template.contains('.')).unwrap_or(path);
        strsim::jaro_winkler(path, template).max(strsim::jaro_winkler(name, template))
    };
    let mut alike: Vec<(f64, String)> = paths.map(|path| (likeness(&path), path)).collect();
    alike.sort_by(|a, b| b.0.total_cmp(&a.0));
    let least = alike.first().map_or(ALIKE, |(likest, _)| (likest - LESS_ALIKE).max(ALIKE));
    // Many names begin with a word: who says that alone has not misspelt one of them.
    let begins =
        |path: &str| path.rsplit('.').next().and_then(|name| name.strip_prefix(template)?.strip_prefix('_')).is_some();
    let is_misspelt = alike.first().is_some_and(|(likest, path)| *likest >= MISSPELT && !begins(path));
    let spelt = alike.into_iter().take(SUGGESTED).filter(|(likeness, _)| *likeness > least).map(|(_, path)| path);
    let (meant, spelt) = (keys::meant(template), spelt.collect::<Vec<_>>());
    let all = match is_misspelt {
        true if template.contains('.') => spelt,
        true => [spelt, meant].concat(),
        false => [meant, spelt].concat(),
    };
    let mut near: Vec<String> = Vec::new();
    for path in all.into_iter().map(|path| path.replace("[]", "[0]")) {
        if !near.contains(&path) {
            near.push(path);
        }
    }
    near.truncate(SUGGESTED);
    near
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::testing::of_corpus;

    #[test]
    fn one_value_changes_and_nothing_else() {
        let before = of_corpus("wren");
        let mut after = before.with("motion.acceleration_mm_s2.printing", "3000").expect("changes");
        assert_eq!(after.motion.limits.printing_mm_s2, 3000.0);
        assert_eq!(after.number_at("motion.acceleration_mm_s2.printing"), Some(3000.0));
        assert_ne!(after.digest, before.digest);
        after.motion.limits.printing_mm_s2 = before.motion.limits.printing_mm_s2;
        let same = |machine: &Machine| {
            let lines: Vec<_> = machine.origins.iter().filter(|origin| !origin.path.ends_with(".printing")).collect();
            format!("{lines:?} {:?} {:?}", machine.motion, machine.tools)
        };
        assert_eq!(same(&after), same(&before));
        assert_eq!(after.text.lines().count(), before.text.lines().count());
    }

    #[test]
    fn what_is_not_written_can_be() {
        let machine = Machine::built_in();
        let rate = machine.with("controller.step_rate_limit_hz", "5e4").expect("changes");
        assert_eq!((rate.controller.step_rate_limit_hz, rate.built_in), (Some(5e4), true));
        let tool = machine.with("tool[0].melt_rate_mm3_s.peak", "20.5").expect("changes");
        assert_eq!(tool.tools[0].peak_mm3_s, Some(20.5));
        let off = machine.with("checks.feed-rate-clipped", "off").expect("changes");
        assert_eq!(off.severities.len(), 1);
        let unlimited = machine.with("motion.look_ahead_moves", "unlimited").expect("changes");
        assert_eq!(unlimited.motion.look_ahead, crate::machine::LookAhead::Unlimited);
    }

    #[test]
    fn every_number_of_the_corpus_can_be_set_to_itself() {
        let machine = of_corpus("wren");
        let mut set = 0;
        for origin in machine.origins.iter().filter(|origin| origin.from.starts_with("line ")) {
            let again = machine.with(&origin.path, &origin.value).expect("what stands there may be written there");
            assert_eq!(again.origins, machine.origins, "{}", origin.path);
            set += 1;
        }
        assert!(set > 50);
    }

    #[test]
    fn says_what_is_wrong() {
        let machine = of_corpus("wren");
        let error = |path: &str, value: &str| machine.with(path, value).expect_err("a fault").to_string();
        assert_eq!(
            error("motion.acceleration_mm_s2.print", "1"),
            "the sheet has no key `motion.acceleration_mm_s2.print`; did you mean `motion.acceleration_mm_s2.printing`?"
        );
        assert_eq!(
            error("printing", "1"),
            "the sheet has no key `printing`; did you mean `motion.acceleration_mm_s2.printing`?"
        );
        assert_eq!(
            error("controller.steps_per_mm.a", "1"),
            "the sheet has no key `controller.steps_per_mm.a`; did you mean `controller.steps_per_mm.x` or \
             `controller.steps_per_mm.y` or `controller.steps_per_mm.z`?"
        );
        assert_eq!(
            error("checks.feed-rate-clip", "off"),
            "the sheet has no key `checks.feed-rate-clip`; did you mean `checks.feed-rate-clipped`?"
        );
        assert_eq!(error("zzz", "1"), "the sheet has no key `zzz`");
        // By sense where the spelling is far off.
        for (said, meant) in [
            ("jerk", "motion.corner.jerk_mm_s.x"),
            ("max feed", "motion.feed_rate_limit_mm_s.x"),
            ("speed", "motion.feed_rate_limit_mm_s.x` or `controller.default_feed_rate_mm_s"),
            ("nozzle", "tool[0].nozzle_diameter_mm"),
            ("bed size", "travel.x` or `travel.y"),
            ("steps per mm", "controller.steps_per_mm.x"),
            ("filament diameter", "tool[0].filament_diameter_mm"),
            ("filament", "tool[0].filaments` or `tool[0].filament_diameter_mm"),
        ] {
            let told = error(said, "1");
            assert!(told.starts_with(&format!("the sheet has no key `{said}`; did you mean `{meant}`")), "{told}");
        }
        assert_eq!(error(&"motion.".repeat(1000), "1").matches("did you mean").count(), 0);
        let in_corner = "motion.corner.jerk_mm_s.x, motion.corner.jerk_mm_s.y, motion.corner.jerk_mm_s.z, \
            motion.corner.jerk_mm_s.e, motion.corner.junction_deviation_mm";
        assert_eq!(
            error("motion.corner", "1"),
            format!("`motion.corner` is a table: name one of its keys: {in_corner}")
        );
        assert!(error("motion", "1").ends_with(" more"));
        let tool = "`tool[0]` is a table: name one of its keys: tool[0].filament_diameter_mm, ";
        assert!(error("tool", "1").starts_with(tool) && error("tool[0]", "1").starts_with(tool));
        assert!(error("checks", "1").contains("checks.outside-travel"));
        assert_eq!(
            error("tool[7].density_g_cm3", "1"),
            "`tool[7].density_g_cm3` is not in this sheet: write the table first"
        );
        assert!(
            error("tool[0].density_g_cm3", "1,2")
                .starts_with("`1,2` is no value for `tool[0].density_g_cm3`: expected a number above 0")
        );
        assert!(
            error("tool[0].density_g_cm3", "-1").starts_with("with tool[0].density_g_cm3 = -1 the sheet has faults: ")
        );
    }
}
