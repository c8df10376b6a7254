//! The clock in the text of a sheet, and what of a sheet a plan depends on.

use toml_edit::{DocumentMut, Item, TableLike, Value};

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

/// Tables that no plan depends on, and keys of others.
const TABLES_BESIDE: [&str; 7] = ["clock.", "checks.", "power.", "structure[", "structure_limits.", "head.", "drive."];
const KEYS_BESIDE: [&str; 15] = [
    "name",
    "nozzle_diameter_mm",
    "on_spool_mm",
    "density_g_cm3",
    "filament_specific_heat_j_g_k",
    "layer_time_min_s",
    "melt_window_s",
    "retraction_limit_mm",
    "heater_w",
    "block_mass_g",
    "mass_g",
    "specific_heat_j_g_k",
    "plastic_liner",
    "liner_limit_c",
    "step_rate_limit_hz",
];
const PARTS_BESIDE: [&str; 9] = [
    ".melt_rate_mm3_s.",
    ".melt_rate_at[",
    ".melt_rate_measured_at_c",
    ".melt_zone.",
    ".temperature_c.",
    "temperature_limit_c",
    "keep_out",
    "bed.printable",
    "bed.purge",
];

/// Whether the time of a plan may depend on a key.
fn matters(path: &str) -> bool {
    let last = path.rsplit('.').next().unwrap_or(path);
    !TABLES_BESIDE.iter().any(|table| path.starts_with(table))
        && !KEYS_BESIDE.contains(&last)
        && !PARTS_BESIDE.iter().any(|part| path.contains(part))
}

/// Digest of all that the time of a plan takes from a sheet: its resolved keys, without the clock itself, and without what
/// is only judged. Comments and the order of keys do not change it.
pub fn plan_digest(machine: &Machine) -> String {
    let mut hasher = blake3::Hasher::new();
    for origin in machine.origins.iter().filter(|origin| matters(&origin.path)) {
        for part in [&origin.path, &origin.value] {
            hasher.update(part.as_bytes());
            hasher.update(b"\n");
        }
    }
    crate::wording::digest(hasher.finalize())
}

/// Puts the clock into the text of a sheet. Comments, blank lines and order stay, and so do keys of the clock that nothing
/// was learned of.
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
    let count = place.table().len();
    for (name, number) in numbers(clock) {
        if let Some(number) = number {
            put(place.table(), name, number.into());
        }
    }
    put(place.table(), "from_prints", i64::try_from(clock.from_prints).unwrap_or(i64::MAX).into());
    if place.table().len() > count {
        place.tidy();
    }
    if is_new && let Some(table) = sheet.get_mut("clock").and_then(Item::as_table_mut) {
        table.decor_mut().set_prefix("\n# Written by `gonogo learn`: how long prints really take.\n");
    }
    let written = sheet.to_string();
    // The writer ends lines with LF.
    let crlf = plain.contains('\n') && plain.matches('\n').count() == plain.matches("\r\n").count();
    let written = if crlf { written.replace("\r\n", "\n").replace('\n', "\r\n") } else { written };
    Ok(format!("{mark}{written}"))
}

fn numbers(clock: &LearnedClock) -> [(&'static str, Option<f64>); 10] {
    [
        ("start_s", Some(clock.start_s)),
        ("factor", Some(clock.factor)),
        ("spread", Some(clock.spread)),
        ("factor_spread", clock.factor_spread),
        ("motion_s", clock.motion_s),
        ("bed_time_constant_s", clock.bed_time_constant_s),
        ("nozzle_time_constant_s", clock.nozzle_time_constant_s),
        ("homing_s", clock.homing_s),
        ("probing_s", clock.probing_s),
        ("tool_change_s", clock.tool_change_s),
    ]
}

/// Sets a value. All around an old one stays: the comments behind it, and those and blank lines above its key.
fn put(table: &mut dyn TableLike, name: &str, mut new: Value) {
    match table.get_mut(name).and_then(Item::as_value_mut) {
        Some(old) => {
            *new.decor_mut() = old.decor().clone();
            *old = new;
        }
        None => drop(table.insert(name, Item::Value(new))),
    }
}

/// Keys of the clock in a sheet that stay as they are, since nothing was learned of them.
pub fn kept(learned: &LearnedClock, before: &LearnedClock) -> Vec<(&'static str, f64)> {
    let pairs = numbers(learned).into_iter().zip(numbers(before));
    pairs.filter_map(|((name, new), (_, old))| old.filter(|_| new.is_none()).map(|old| (name, old))).collect()
}
