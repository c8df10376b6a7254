//! Accepted findings → the text of the file; comments and order stay.

use toml_edit::{Array, ArrayOfTables, DocumentMut, InlineTable, Item, Table, Value, value};

use super::Entry;
use crate::geometry::Box3;

/// Stands at the top of a new file.
const HEADER: &str = "\
# Findings that somebody looked at and accepted, one [[accepted]] each, written by `gonogo accept`.
# Review changes of this file like changes of a sheet: what is accepted no longer decides a verdict.
";

/// The file is no TOML; reading it says where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the accepted findings are not TOML: {0}")]
pub struct NotToml(String);

/// Puts entries into the text of a file: each in the place of the entry whose fingerprint comes with it, else at the end.
/// Comments, order and what is not touched stay as they are.
///
/// # Errors
/// When the text is no TOML.
pub fn put(text: &str, entries: &[(Option<String>, Entry)]) -> Result<String, NotToml> {
    let (mark, plain) = match text.strip_prefix('\u{feff}') {
        Some(plain) => ("\u{feff}", plain),
        None => ("", text),
    };
    let mut file: DocumentMut =
        plain.parse().map_err(|error: toml_edit::TomlError| NotToml(error.message().to_owned()))?;
    // Comments alone would end up behind the entries.
    let head = match plain {
        _ if plain.trim().is_empty() => HEADER,
        _ if file.is_empty() => plain,
        _ => "",
    };
    if !head.is_empty() {
        file = DocumentMut::new();
    }
    let list = file.entry("accepted").or_insert_with(|| Item::ArrayOfTables(ArrayOfTables::new()));
    let mut tables = std::mem::take(list).into_array_of_tables().unwrap_or_else(|_| ArrayOfTables::new());
    for (replaces, entry) in entries {
        let old = replaces.as_ref().and_then(|print| tables.iter_mut().find(|table| is_it(table, print, entry)));
        match old {
            Some(table) => write(entry, table),
            None => {
                let mut table = Table::new();
                write(entry, &mut table);
                table.decor_mut().set_prefix("\n");
                tables.push(table);
            }
        }
    }
    *list = Item::ArrayOfTables(tables);
    let text = head.to_owned() + &file.to_string();
    // The writer ends lines with LF.
    let crlf = plain.contains('\n') && plain.matches('\n').count() == plain.matches("\r\n").count();
    let text = if crlf { text.replace("\r\n", "\n").replace('\n', "\r\n") } else { text };
    Ok(format!("{mark}{text}"))
}

/// True for the table of that fingerprint and the same job, machine, check and weight.
fn is_it(table: &Table, fingerprint: &str, entry: &Entry) -> bool {
    let says = |key: &str, text: &str| table.get(key).and_then(Item::as_str) == Some(text);
    says("fingerprint", fingerprint)
        && says("job", &entry.job)
        && says("machine", &entry.machine)
        && says("check", &entry.check)
        && says("severity", entry.severity.word())
}

fn write(entry: &Entry, table: &mut Table) {
    let place = entry.place_mm.map(|place_mm| axes(|axis| Value::from(rounded(place_mm[axis]))));
    let extent = entry.extent_mm.map(|Box3 { min, max }| {
        axes(|axis| Value::from([min[axis], max[axis]].map(rounded).into_iter().collect::<Array>()))
    });
    // Counts of a job fit; what does not would be covered by the largest number too.
    let times = i64::try_from(entry.times).unwrap_or(i64::MAX);
    let until = entry.until.map(|day| value(toml_edit::Datetime { date: Some(day), time: None, offset: None }));
    let items = [
        ("job", Some(value(&entry.job))),
        ("machine", Some(value(&entry.machine))),
        ("check", Some(value(entry.check.as_ref()))),
        ("severity", Some(value(entry.severity.word()))),
        ("because", Some(value(&entry.because))),
        ("until", until),
        ("by", entry.by.as_ref().map(value)),
        ("even_unsafe", entry.even_unsafe.then(|| value(true))),
        ("times", Some(value(times))),
        ("place_mm", place),
        ("extent_mm", extent),
        ("value", entry.value.map(value)),
        ("limit", entry.limit.map(value)),
        ("fingerprint", Some(value(&entry.fingerprint))),
        ("worst_fingerprint", entry.worst_fingerprint.as_ref().map(value)),
    ];
    for (key, item) in items {
        match item {
            None => drop(table.remove(key)),
            Some(item) => set(table, key, item),
        }
    }
}

/// A table of x, y and z; z first, as people look for the layer.
fn axes(of: impl Fn(usize) -> Value) -> Item {
    let mut table = InlineTable::new();
    for (axis, index) in [("z", 2), ("x", 0), ("y", 1)] {
        table.insert(axis, of(index));
    }
    Item::Value(Value::InlineTable(table))
}

/// To a thousandth of a mm; what is too large to have any stays.
fn rounded(mm: f64) -> f64 {
    let thousandths = mm * 1000.0;
    if thousandths.is_finite() { thousandths.round() / 1000.0 } else { mm }
}

/// Sets a value; the comment behind the old one stays.
fn set(table: &mut Table, key: &str, item: Item) {
    let decor = table.get(key).and_then(Item::as_value).map(|old| old.decor().clone());
    table.insert(key, item);
    if let (Some(decor), Some(new)) = (decor, table.get_mut(key).and_then(Item::as_value_mut)) {
        *new.decor_mut() = decor;
    }
}
