//! Settings → an existing sheet: only values that differ are touched, the rest of the text stays as it is.

use std::collections::BTreeSet;

use toml_edit::{DocumentMut, InlineTable, Item, Value};

use super::trade::{DEVIATION, JERK, RECOVER_FEED};
use super::{Fate, Row, Settings, by_key};
use crate::machine::{
    keys::{self, Key, Kind, Preset},
    place::{element_of, place_at, table_at},
};

/// A sheet with settings put in.
#[derive(Debug, Clone, PartialEq)]
pub struct Merged {
    /// Text of the sheet.
    pub text: String,
    /// The rows of the settings, with what became of each.
    pub rows: Vec<Row>,
}

/// The sheet is no TOML; [`crate::machine::Machine::parse`] says where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the sheet is not TOML: {0}")]
pub struct NotToml(String);

/// Puts what the settings give into the text of a sheet. Comments, order and the way numbers are written stay; only
/// comments inside a corner rule that makes room for the other one go with it.
///
/// The result may have faults, as the sheet may have had before: read it with [`crate::machine::Machine::parse`].
///
/// # Errors
/// When the sheet is no TOML.
pub fn merge(settings: &Settings, sheet: &str) -> Result<Merged, NotToml> {
    let (mark, plain) = match sheet.strip_prefix('\u{feff}') {
        Some(plain) => ("\u{feff}", plain),
        None => ("", sheet),
    };
    let sheet: DocumentMut =
        plain.parse().map_err(|error: toml_edit::TomlError| NotToml(error.message().to_owned()))?;
    let mut edit = Edit { sheet, rows: settings.rows.clone(), made: BTreeSet::new() };
    edit.pass_over_unknown_tools();
    edit.settle_corner();
    edit.pass_over_half_tables();
    for at in by_key(&edit.rows) {
        edit.write(at);
    }
    let text = edit.sheet.to_string();
    // The writer ends lines with LF.
    let text = if ends_in_crlf(plain) { text.replace('\n', "\r\n") } else { text };
    Ok(Merged { text: format!("{mark}{text}"), rows: edit.rows })
}

fn ends_in_crlf(text: &str) -> bool {
    text.contains('\n') && text.matches('\n').count() == text.matches("\r\n").count()
}

struct Edit {
    sheet: DocumentMut,
    rows: Vec<Row>,
    /// Lists made on the way.
    made: BTreeSet<String>,
}

impl Edit {
    fn has(&self, place: &str) -> bool {
        self.rows.iter().any(|row| row.fate == Fate::Read && row.key.as_deref() == Some(place))
    }

    /// Marks rows that cannot be kept.
    fn pass_over(&mut self, why: &str, applies: impl Fn(&str) -> bool) {
        for row in self.rows.iter_mut().filter(|row| row.fate == Fate::Read) {
            if row.key.as_deref().is_some_and(&applies) {
                (row.fate, row.note) = (Fate::NotKept, why.to_owned());
            }
        }
    }

    fn pass_over_unknown_tools(&mut self) {
        let tools = match self.sheet.get("tool") {
            Some(Item::ArrayOfTables(tools)) => tools.len(),
            Some(Item::Value(Value::Array(tools))) => tools.len(),
            _ => 0,
        };
        let noun = if tools == 1 { "[[tool]]" } else { "[[tool]] tables" };
        let why = format!("the sheet has {tools} {noun}, the first is tool 0: write the tool first");
        self.pass_over(&why, |place| number_of_tool(place).is_some_and(|number| number >= tools));
    }

    /// Exactly one corner rule: the other one makes room, its place is taken over.
    fn settle_corner(&mut self) {
        let has_jerk = table_at(&self.sheet, JERK).is_some();
        let corner = table_at(&self.sheet, "motion.corner");
        let has_deviation = corner.is_some_and(|corner| corner.contains_key("junction_deviation_mm"));
        if self.has(DEVIATION) && has_jerk {
            self.replace_rule("jerk_mm_s", DEVIATION);
        }
        if self.rows.iter().any(|row| row.fate == Fate::Read && is_jerk(row)) && !has_jerk {
            let all = ["x", "y", "z", "e"].iter().all(|axis| self.has(&format!("{JERK}.{axis}")));
            if !all {
                let why = "the sheet has no jerk: to change the corner rule takes all of X Y Z E";
                self.pass_over(why, |place| place.starts_with(JERK));
            } else if has_deviation {
                self.replace_rule("junction_deviation_mm", JERK);
            }
        }
    }

    fn replace_rule(&mut self, old: &str, new: &str) {
        for row in self.rows.iter_mut().filter(|row| row.fate == Fate::Read) {
            if row.key.as_deref().is_some_and(|place| place.starts_with(new)) {
                row.note = format!("takes the place of motion.corner.{old}");
            }
        }
        let name = new.rsplit('.').next().unwrap_or(new);
        let Some(mut corner) = place_at(&mut self.sheet, "motion.corner") else { return };
        let mut comments = corner.table().key(old).map(|key| key.leaf_decor().clone());
        let removed = corner.table().remove(old);
        let decor = removed.as_ref().and_then(Item::as_value).map(|value| value.decor().clone());
        if let Some(prefix) = removed.as_ref().and_then(Item::as_table).and_then(|table| table.decor().prefix()) {
            comments = Some(toml_edit::Decor::new(prefix.clone(), " "));
        }
        let mut value = match name {
            "jerk_mm_s" => Value::InlineTable(InlineTable::new()),
            _ => Value::from(0.0),
        };
        if let Some(decor) = decor {
            *value.decor_mut() = decor;
        }
        corner.table().insert(name, Item::Value(value));
        if let Some((mut key, comments)) = corner.table().key_mut(name).zip(comments) {
            *key.leaf_decor_mut() = comments;
        }
        corner.tidy();
        self.made.insert(new.to_owned());
    }

    /// A table that is not there yet is made only when the text gives all that it needs.
    fn pass_over_half_tables(&mut self) {
        let tables: BTreeSet<String> =
            self.rows.iter().filter(|row| row.fate == Fate::Read).filter_map(table_of).collect();
        for table in tables {
            let optional = keys::find(&keys::template(&table)).is_some_and(|key| key.preset == Preset::Unset);
            if !optional || table == JERK || table_at(&self.sheet, &table).is_some() {
                continue;
            }
            let lacking: Vec<String> = lacking(&table, |place| self.has(place));
            if !lacking.is_empty() {
                let why = format!("the sheet has no {table}, and a new one also takes {}", lacking.join(", "));
                self.pass_over(&why, |place| place.starts_with(&format!("{table}.")));
            }
        }
    }

    fn write(&mut self, at: usize) {
        let row = &self.rows[at];
        let (Some(place), Some(value)) = (row.key.clone(), row.value) else { return };
        match self.put(&place, value) {
            Some(fate) => self.rows[at].fate = fate,
            None => {
                self.rows[at].fate = Fate::NotKept;
                self.rows[at].note = "the sheet has something there that is no number".to_owned();
            }
        }
    }

    /// Writes a value; none where something is in the way.
    fn put(&mut self, place: &str, value: f64) -> Option<Fate> {
        let (path, element) = element_of(place);
        let (table, name) = path.rsplit_once('.')?;
        let key = keys::find(&keys::template(path))?;
        let made = self.made.contains(table) || self.made.contains(path);
        let by_default = self.default_of(key, table, element);
        let mut parent = place_at(&mut self.sheet, table)?;
        let Some(item) = parent.table().get_mut(name).filter(|item| !item.is_none()) else {
            if by_default == Some(value) {
                return Some(Fate::Same);
            }
            let fresh = match element {
                Some(element) => list_with(key, element, value)?,
                None => literal(value, matches!(key.kind, Kind::Integer { .. }))?,
            };
            parent.table().insert(name, Item::Value(fresh));
            parent.tidy();
            self.made.insert(path.to_owned());
            return Some(Fate::New);
        };
        let old = match element {
            Some(element) => item.as_array_mut()?.get_mut(element)?,
            None => item.as_value_mut()?,
        };
        let before = number(old)?;
        if before == value && !made {
            return Some(Fate::Same);
        }
        let mut new = literal(value, old.is_integer())?;
        *new.decor_mut() = old.decor().clone();
        *old = new;
        Some(if made { Fate::New } else { Fate::Changed { old: before } })
    }

    /// What holds where nothing is written.
    fn default_of(&self, key: &Key, table: &str, element: Option<usize>) -> Option<f64> {
        match key.preset {
            Preset::Value(text) => {
                let value: Value = text.parse().ok()?;
                match element {
                    Some(element) => number(value.as_array()?.get(element)?),
                    None => number(&value),
                }
            }
            // The pull comes before the push in the order of keys.
            Preset::Depends(_) if key.path == RECOVER_FEED => {
                number(table_at(&self.sheet, table)?.get("feed_rate_mm_s")?.as_value()?)
            }
            _ => None,
        }
    }
}

fn is_jerk(row: &Row) -> bool {
    row.key.as_deref().is_some_and(|place| place.starts_with(JERK))
}

fn table_of(row: &Row) -> Option<String> {
    let path = element_of(row.key.as_deref()?).0;
    Some(path.rsplit_once('.')?.0.to_owned())
}

/// `tool[3].offset_mm` → 3.
fn number_of_tool(place: &str) -> Option<usize> {
    place.strip_prefix("tool[")?.split_once(']')?.0.parse().ok()
}

/// Required keys of a table that are not given.
pub(in crate::workshop) fn lacking(table: &str, given: impl Fn(&str) -> bool) -> Vec<String> {
    let template = keys::template(table);
    let required = keys::children(&template).filter(|key| key.preset == Preset::Required);
    required
        .flat_map(|key| {
            let path = format!("{table}.{}", key.name());
            match key.kind {
                Kind::Point { size, .. } => (0..size).map(|element| format!("{path}[{element}]")).collect(),
                _ => vec![path],
            }
        })
        .filter(|place| !given(place))
        .collect()
}

fn number(value: &Value) -> Option<f64> {
    match value {
        Value::Integer(integer) => Some(*integer.value() as f64),
        Value::Float(float) => Some(*float.value()),
        _ => None,
    }
}

/// A number in TOML: whole where it should and can be, else with a point.
fn literal(value: f64, should_be_whole: bool) -> Option<Value> {
    let whole = should_be_whole && value.fract() == 0.0 && value.abs() < 1e15;
    let text = if whole { format!("{value:.0}") } else { format!("{value:?}") };
    text.parse().ok()
}

/// A new list with one value in it and the default, or zeros, elsewhere.
fn list_with(key: &Key, element: usize, value: f64) -> Option<Value> {
    let Kind::Point { size, .. } = key.kind else { return None };
    let mut numbers = vec![0.0; size];
    *numbers.get_mut(element)? = value;
    format!("{numbers:?}").parse().ok()
}
