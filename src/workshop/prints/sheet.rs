//! The clock in the text of a sheet, and what of a sheet a plan depends on.

use toml_edit::{DocumentMut, Item, value};

use crate::machine::{LearnedClock, Machine, place::place_at};

/// The sheet cannot take a clock.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotTable {
    /// It is no TOML; reading it says where.
    #[error("the sheet is not TOML: {0}")]
    NotToml(String),
    /// There is something else under that name.
    #[error("`clock` of the sheet is no table")]
    Taken,
}

/// Digest of all that the plan of a job takes from a sheet: its resolved keys, without the clock itself, names and
/// severities. Comments and the order of keys do not change it.
pub fn plan_digest(machine: &Machine) -> String {
    let mut hasher = blake3::Hasher::new();
    let told = |path: &str| path != "name" && !path.starts_with("clock.") && !path.starts_with("checks.");
    for origin in machine.origins.iter().filter(|origin| told(&origin.path)) {
        for part in [&origin.path, &origin.value] {
            hasher.update(part.as_bytes());
            hasher.update(b"\n");
        }
    }
    format!("blake3:{}", hasher.finalize().to_hex())
}

/// Puts the clock into the text of a sheet. Comments and order stay; keys of the clock that nothing is known of go.
///
/// # Errors
/// When the text is no TOML, or has something else in the place of the table.
pub fn write_clock(text: &str, clock: &LearnedClock) -> Result<String, NotTable> {
    let (mark, plain) = match text.strip_prefix('\u{feff}') {
        Some(plain) => ("\u{feff}", plain),
        None => ("", text),
    };
    let mut sheet: DocumentMut =
        plain.parse().map_err(|error: toml_edit::TomlError| NotTable::NotToml(error.message().to_owned()))?;
    let is_new = sheet.get("clock").is_none();
    let mut place = place_at(&mut sheet, "clock").ok_or(NotTable::Taken)?;
    for (name, number) in numbers(clock) {
        match number {
            Some(number) => put(place.table(), name, value(number)),
            None => drop(place.table().remove(name)),
        }
    }
    put(place.table(), "from_prints", value(i64::try_from(clock.from_prints).unwrap_or(i64::MAX)));
    place.tidy();
    if is_new && let Some(table) = sheet.get_mut("clock").and_then(Item::as_table_mut) {
        table.decor_mut().set_prefix("\n# Written by `gonogo learn`: how long prints really take.\n");
    }
    let written = sheet.to_string();
    // The writer ends lines with LF.
    let crlf = plain.contains('\n') && plain.matches('\n').count() == plain.matches("\r\n").count();
    let written = if crlf { written.replace("\r\n", "\n").replace('\n', "\r\n") } else { written };
    Ok(format!("{mark}{written}"))
}

fn numbers(clock: &LearnedClock) -> [(&'static str, Option<f64>); 8] {
    [
        ("start_s", Some(clock.start_s)),
        ("factor", Some(clock.factor)),
        ("spread", Some(clock.spread)),
        ("bed_time_constant_s", clock.bed_time_constant_s),
        ("nozzle_time_constant_s", clock.nozzle_time_constant_s),
        ("homing_s", clock.homing_s),
        ("probing_s", clock.probing_s),
        ("tool_change_s", clock.tool_change_s),
    ]
}

/// Sets a value; the comments around an old one stay.
fn put(table: &mut dyn toml_edit::TableLike, name: &str, item: Item) {
    let decor = table.get(name).and_then(Item::as_value).map(|old| old.decor().clone());
    table.insert(name, item);
    if let (Some(decor), Some(new)) = (decor, table.get_mut(name).and_then(Item::as_value_mut)) {
        *new.decor_mut() = decor;
    }
}
