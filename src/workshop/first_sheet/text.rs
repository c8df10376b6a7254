//! The text of a first sheet.

use super::{Entry, FirstSheet, LAYOUT, Origin, TOWERS};
use crate::machine::keys::{self, Key, Kind, Preset};

const HEAD: &str = "\
#:schema ./sheet.schema.json
# An editor that knows TOML reads the line above, explains each key and marks mistakes. Make the file it names once, beside
# this sheet:  gonogo sheet schema > sheet.schema.json
#
# A verdict is only as good as this sheet. Replace every value marked \"cautious value\" or \"a guess\" by what you measure or
# look up in the maker's documents before you trust one, and before you heat or move anything. A guess is not cautious.
#
# Lines with # and no blank behind it are keys that are switched off. Their numbers are those of an invented machine: take
# the # away and write your own. `gonogo sheet show` lists all keys, `gonogo sheet audit` judges what is set.

";

const CAUTIOUS: &str = "cautious value: measure or look it up";

/// Keys that are worth writing, and the checks that need them.
#[rustfmt::skip]
pub(super) const WORTH: &[(&str, &[&str])] = &[
    ("travel.home", &[]),
    ("travel.keep_out[]", &["inside-keep-out"]),
    ("motion.towers", &[]),
    ("structure[]", &["rings-frame", "drives-resonance"]),
    ("structure_limits.ringing_mm", &["rings-frame"]),
    ("controller.steps_per_mm", &["step-rate-exceeded"]),
    ("controller.step_rate_limit_hz", &["step-rate-exceeded"]),
    ("controller.command_rate_limit_hz", &["command-rate-exceeded"]),
    ("controller.line_length_limit_bytes", &["line-too-long"]),
    ("tool[].temperature_c.limit", &["nozzle-over-limit"]),
    ("tool[].temperature_c.extrude_min", &["extrudes-cold", "heat-not-awaited"]),
    ("tool[].melt_rate_mm3_s.sustained", &["melt-rate-exceeded"]),
    ("tool[].melt_rate_mm3_s.peak", &["melt-peak-exceeded"]),
    ("tool[].layer_time_min_s", &["layer-time-too-short"]),
    ("tool[].heating", &["target-out-of-reach", "heater-power-exceeded"]),
    ("tool[].heater_w", &["heater-power-exceeded"]),
    ("tool[].density_g_cm3", &["heater-power-exceeded"]),
    ("tool[].filament_specific_heat_j_g_k", &["heater-power-exceeded"]),
    ("tool[].pressure_lag_s", &["bulges-at-corners", "extruder-overdriven"]),
    ("tool[].bulge_limit_mm3", &["bulges-at-corners"]),
    ("tool[].on_spool_mm", &["spool-too-short"]),
    ("tool[].retraction", &["retraction-length-unknown"]),
    ("head.cone", &["head-in-print"]),
    ("head.carriage", &["head-in-print"]),
    ("bed.temperature_limit_c", &["bed-over-limit"]),
    ("bed.printable", &["prints-off-bed"]),
    ("bed.heating", &["target-out-of-reach"]),
    ("chamber.temperature_limit_c", &["chamber-over-limit"]),
];

pub(super) fn write(sheet: &FirstSheet) -> String {
    let mut writer = Writer { sheet, text: HEAD.to_owned() };
    writer.table("", "");
    writer.text
}

struct Writer<'s> {
    sheet: &'s FirstSheet,
    text: String,
}

impl Writer<'_> {
    /// Writes a table: `template` is its path in the list of keys, `path` its path with indices.
    fn table(&mut self, template: &str, path: &str) {
        let (tables, plain): (Vec<&Key>, Vec<&Key>) = keys::children(template).partition(|key| key.is_table());
        let (mut body, mut is_on) = (String::new(), template.ends_with("[]"));
        for key in plain {
            let place = if path.is_empty() { key.path.to_owned() } else { format!("{path}.{}", key.name()) };
            if let Some(entry) = self.sheet.entries.get(&place) {
                body.push_str(&on(key, entry));
                is_on = true;
            } else if self.is_worth(key.path, path) {
                let why = why(key);
                body.push_str(&format!("# {why}\n#{} = {}\n", key.name(), key.example));
            }
        }
        if !path.is_empty() && (is_on || !body.is_empty()) {
            self.header(template, !is_on);
        }
        self.text.push_str(&body);
        for key in tables {
            self.sub_table(key, path);
        }
    }

    fn header(&mut self, template: &str, is_off: bool) {
        let name = template.replace("[]", "");
        let off = if is_off { "#" } else { "" };
        self.text.push_str(&if template.ends_with("[]") {
            format!("\n{off}[[{name}]]\n")
        } else {
            format!("\n{off}[{name}]\n")
        });
    }

    fn sub_table(&mut self, key: &Key, path: &str) {
        let place = if path.is_empty() { key.name().to_owned() } else { format!("{path}.{}", key.name()) };
        let is_written = self.sheet.entries.keys().any(|known| known.starts_with(&format!("{place}.")));
        match key.kind {
            Kind::Tables { min, .. } if min > 0 => {
                (0..self.sheet.tools).for_each(|number| self.table(key.path, &format!("{place}[{number}]")));
            }
            _ if !is_written && self.is_worth(key.path, &place) => self.off_table(key),
            Kind::Tables { .. } | Kind::Checks => {}
            _ => self.table(key.path, &place),
        }
    }

    /// A table that is switched off: its required keys, or all where none is.
    fn off_table(&mut self, table: &Key) {
        let why = why(table);
        self.text.push_str(&format!("\n# {why}"));
        self.header(table.path, true);
        let plain = || keys::children(table.path).filter(|key| !key.is_table());
        let has_required = plain().any(|key| key.preset == Preset::Required);
        for key in plain().filter(|key| !has_required || key.preset == Preset::Required) {
            self.text.push_str(&format!("#{} = {} # {}\n", key.name(), key.example, key.sentence()));
        }
    }

    /// Whether a key that is not written is shown switched off: once, and where the machine has such a thing.
    fn is_worth(&self, template: &str, path: &str) -> bool {
        let has = |table: &str| self.sheet.entries.keys().any(|known| known.starts_with(table));
        let fits = match template {
            "motion.towers" => self.sheet.is(LAYOUT, TOWERS),
            _ if template.starts_with("bed.") => has("bed."),
            _ => !path.starts_with("tool[") || path.starts_with("tool[0]"),
        };
        fits && WORTH.iter().any(|(path, _)| *path == template)
    }
}

/// `key = value # from where`, under what it means.
fn on(key: &Key, entry: &Entry) -> String {
    let required = matches!(key.preset, Preset::Required | Preset::RequiredInFirst);
    let from = match &entry.origin {
        Origin::Answer => "your answer",
        Origin::Settings(line) => line,
        Origin::Cautious => CAUTIOUS,
        Origin::Guess(what) => what,
    };
    let lead = if required { "Required. " } else { "" };
    format!("# {lead}{}\n{} = {} # {from}\n", why(key), key.name(), entry.toml)
}

/// Meaning, and the checks that need it.
fn why(key: &Key) -> String {
    let checks = WORTH.iter().find(|(path, _)| *path == key.path).map_or(&[][..], |(_, checks)| checks);
    match checks {
        [] => key.sentence(),
        _ => format!("{} Needed by {}.", key.sentence(), checks.join(" and ")),
    }
}
