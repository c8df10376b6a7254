//! Every key of a sheet with its value and where that came from.
//!
//! A check of a job never asks for them, and they take as long as all the rest of reading a sheet: they are worked out when
//! somebody does.

use std::fmt;
use std::ops::Deref;
use std::sync::{Arc, OnceLock};

use super::Reader;
use crate::machine::keys::{self, KEYS, Key, Kind, Preset};
use crate::machine::severity::Severity;
use crate::machine::sheet::{CheckIds, Sheet};
use crate::machine::value::Value;

/// One line of the resolved sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Origin {
    /// Dotted path of the key, such as `motion.corner.jerk_mm_s.x` or `tool[0].nozzle_diameter_mm`.
    pub path: String,
    /// The value as TOML; empty when not set and without default.
    pub value: String,
    /// `line 12`, `default`, or `not set`.
    pub from: String,
}

/// The lines of a resolved sheet, see [`Origin`]; a list of them to whoever reads.
#[derive(Clone, Default)]
pub struct Origins {
    told: OnceLock<Vec<Origin>>,
    of: Option<Arc<Known>>,
    /// Name of a machine whose sheet gives none.
    name: String,
}

/// What they are worked out of.
struct Known {
    sheet: Sheet,
    checks: Vec<(&'static str, Severity)>,
}

impl Origins {
    /// Those of a sheet that may name these checks; `name` is what its machine is called where it does not say so.
    pub(in crate::machine) fn of(sheet: Sheet, name: String, checks: CheckIds<'_>) -> Self {
        Self { told: OnceLock::new(), of: Some(Arc::new(Known { sheet, checks: checks.to_vec() })), name }
    }

    /// The same with another name; none where the sheet gives one.
    pub(super) fn of_source(&self, name: &str) -> Option<Self> {
        let known = self.of.as_ref().filter(|known| !known.sheet.entries.contains_key("name"))?;
        Some(Self { told: OnceLock::new(), of: Some(known.clone()), name: name.to_owned() })
    }
}

impl Deref for Origins {
    type Target = [Origin];

    fn deref(&self) -> &[Origin] {
        self.told.get_or_init(|| match &self.of {
            Some(known) => Reader { sheet: &known.sheet }.origins(&self.name, &known.checks),
            None => Vec::new(),
        })
    }
}

impl PartialEq for Origins {
    fn eq(&self, other: &Self) -> bool {
        **self == **other
    }
}

impl fmt::Debug for Origins {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        (**self).fmt(f)
    }
}

impl Reader<'_> {
    fn origins(&self, name: &str, checks: CheckIds<'_>) -> Vec<Origin> {
        let mut origins = Vec::new();
        for key in KEYS {
            match key.kind {
                // The keys of one table of a list stay together.
                Kind::Tables { .. } => self.list_origins(key, &mut origins),
                _ if key.is_table() || list_of(key).is_some() => {}
                // Where a table is written its keys tell it.
                Kind::WordOrTable(_) if self.value(key.path) == Some(Value::Table) => {}
                _ => origins.push(self.origin(key.path, name)),
            }
        }
        origins.extend(checks.iter().map(|(id, severity)| self.check_origin(id, *severity)));
        origins
    }

    fn list_origins(&self, list: &Key, origins: &mut Vec<Origin>) {
        let path = list.path.trim_end_matches("[]");
        let count = self.count(list.path);
        if count == 0 {
            origins.push(Origin { path: path.to_owned(), value: "[]".to_owned(), from: "default".to_owned() });
        }
        for i in 0..count {
            for key in KEYS.iter().filter(|key| list_of(key) == Some(list.path)) {
                let rest = key.path.strip_prefix(list.path).unwrap_or_default();
                match key.kind {
                    Kind::Tables { .. } => self.inner_origins(key, &format!("{path}[{i}]{rest}"), origins),
                    _ if key.is_table() || rest.contains("[]") => {}
                    _ => origins.push(self.origin(&format!("{path}[{i}]{rest}"), "")),
                }
            }
        }
    }

    /// Those of a list in a table of another, which stands at `path` (`tool[0].melt_rate_at[]`).
    fn inner_origins(&self, list: &Key, path: &str, origins: &mut Vec<Origin>) {
        let table = path.trim_end_matches("[]");
        for i in 0..self.count(path) {
            let inside = keys::children(list.path).filter(|key| !key.is_table());
            origins.extend(inside.map(|key| self.origin(&format!("{table}[{i}].{}", key.name()), "")));
        }
    }

    fn origin(&self, path: &str, name: &str) -> Origin {
        let (value, from) = match self.entry(path) {
            Some(entry) => (entry.value.to_toml(), format!("line {}", entry.line)),
            None if path == "name" => (Value::Word(name.to_owned()).to_toml(), "default".to_owned()),
            None => match self.default(path).filter(|_| self.table_holds(path)) {
                Some(value) => (value.to_toml(), "default".to_owned()),
                None => (String::new(), "not set".to_owned()),
            },
        };
        Origin { path: path.to_owned(), value, from }
    }

    /// Defaults of `retraction` hold only where `retraction` is written: its other keys are required.
    fn table_holds(&self, path: &str) -> bool {
        let Some((table, _)) = path.rsplit_once('.') else { return true };
        let needs_table = keys::children(&keys::template(table)).any(|key| key.preset == Preset::Required);
        !needs_table || table.ends_with(']') || self.has(table)
    }

    fn check_origin(&self, id: &str, severity: Severity) -> Origin {
        let path = format!("checks.{id}");
        let (value, from) = match self.entry(&path) {
            Some(entry) => (entry.value.to_toml(), format!("line {}", entry.line)),
            None => (Value::Word(severity.word().to_owned()).to_toml(), "default".to_owned()),
        };
        Origin { path, value, from }
    }
}

/// The list of tables a key is in.
fn list_of(key: &Key) -> Option<&'static str> {
    key.path.find("[].").map(|at| &key.path[..at + 2])
}
