//! Melt rates at other temperatures, and the rules across their keys.

use super::{AMBIENT, Reader};
use crate::machine::{
    keys,
    melting::{MeltByHeat, MeltRow, MeltZone},
    value::{Found, Value},
};

impl Reader<'_> {
    pub(super) fn melt_by_heat(&self, tool: usize) -> Option<MeltByHeat> {
        let rows = self.melt_rows(tool);
        if !rows.is_empty() {
            return Some(MeltByHeat::Measured(rows));
        }
        let zone = format!("tool[{tool}].melt_zone");
        let number = |name: &str| self.required(&format!("{zone}.{name}"));
        self.has(&zone).then(|| {
            MeltByHeat::Zone(MeltZone {
                length_mm: number("length_mm"),
                melts_at_c: number("melts_at_c"),
                feed_in_c: number("feed_in_c"),
                diffusivity_mm2_s: number("diffusivity_mm2_s"),
                safety: number("safety"),
            })
        })
    }

    fn melt_rows(&self, tool: usize) -> Vec<MeltRow> {
        let list = format!("tool[{tool}].melt_rate_at");
        let row = |i| {
            let at = |name: &str| format!("{list}[{i}].{name}");
            MeltRow {
                nozzle_c: self.required(&at("nozzle_c")),
                sustained_mm3_s: self.required(&at("sustained_mm3_s")),
                peak_mm3_s: self.number(&at("peak_mm3_s")),
            }
        };
        let mut rows: Vec<MeltRow> = (0..self.count(&format!("{list}[]"))).map(row).collect();
        rows.sort_by(|a, b| a.nozzle_c.total_cmp(&b.nozzle_c));
        rows
    }

    pub(super) fn check_melting(&self, found: &mut Vec<Found>, tool: usize) {
        self.check_melt_rows(found, tool);
        let at = |name: &str| format!("tool[{tool}].{name}");
        let (zone, melts_at) = (at("melt_zone"), at("melt_zone.melts_at_c"));
        if let Some(entry) = self.entry(&zone)
            && self.count(&at("melt_rate_at[]")) > 0
        {
            let message = "`melt_zone` and `melt_rate_at` on one tool: a melt rate comes from one of them".to_owned();
            let advice = "keep `melt_rate_at` where it was measured".to_owned();
            found.push(Found::new(entry.span.clone(), message).suggest(advice));
        }
        self.check_feed_in(found, tool);
        let Some(measured_at) = self.entry(&at("melt_rate_measured_at_c")) else { return };
        if !self.has(&at("melt_rate_mm3_s.sustained")) {
            let message = "`melt_rate_measured_at_c` without a rate that was measured".to_owned();
            let advice = "write melt_rate_mm3_s = { sustained = … } too".to_owned();
            found.push(Found::new(measured_at.span.clone(), message).suggest(advice));
        }
        if let (Value::Number(measured_c), Some(melts_at_c)) = (&measured_at.value, self.number(&melts_at))
            && *measured_c <= melts_at_c
        {
            let (measured_c, melts_at_c) = (keys::short(*measured_c), keys::short(melts_at_c));
            let message = format!(
                "`melt_rate_measured_at_c` {measured_c} must be above `melts_at_c` {melts_at_c}: nothing melts there"
            );
            found.push(Found::new(measured_at.span.clone(), message));
        }
    }

    /// Filament that is molten when it comes in would make any rate possible.
    fn check_feed_in(&self, found: &mut Vec<Found>, tool: usize) {
        let at = |name: &str| format!("tool[{tool}].melt_zone.{name}");
        let Some(melts_at) = self.entry(&at("melts_at_c")) else { return };
        let (Value::Number(melts_at_c), Some(feed_in_c)) = (&melts_at.value, self.number(&at("feed_in_c"))) else {
            return;
        };
        if feed_in_c < *melts_at_c {
            return;
        }
        let (melts_at_c, feed_in_c) = (keys::short(*melts_at_c), keys::short(feed_in_c));
        let (entry, advice) = match self.entry(&at("feed_in_c")) {
            Some(entry) => (entry, None),
            None => (melts_at, Some(format!("it is that of `{AMBIENT}`"))),
        };
        let message = format!("`feed_in_c` {feed_in_c} must be below `melts_at_c` {melts_at_c}");
        found.push(Found::new(entry.span.clone(), message).suggest(advice));
    }

    fn check_melt_rows(&self, found: &mut Vec<Found>, tool: usize) {
        let list = format!("tool[{tool}].melt_rate_at");
        let count = self.count(&format!("{list}[]"));
        let entry = |i: usize, name: &str| self.entry(&format!("{list}[{i}].{name}"));
        let first_with_peak = (0..count).find_map(|i| entry(i, "peak_mm3_s"));
        for i in 0..count {
            self.not_above(found, &format!("{list}[{i}].sustained_mm3_s"), &format!("{list}[{i}].peak_mm3_s"));
            let Some(nozzle) = entry(i, "nozzle_c") else { continue };
            if let Some(before) =
                (0..i).filter_map(|before| entry(before, "nozzle_c")).find(|before| before.value == nozzle.value)
            {
                let message = format!("`nozzle_c` is that of line {} again", before.line);
                found.push(Found::new(nozzle.span.clone(), message).suggest("keep one of the two".to_owned()));
            }
            if let Some(peak) = first_with_peak.filter(|_| entry(i, "peak_mm3_s").is_none()) {
                let message = format!("no `peak_mm3_s` here, but in line {}: between them it is unknown", peak.line);
                let advice = "give it in all tables of `melt_rate_at` or in none".to_owned();
                found.push(Found::new(nozzle.span.clone(), message).suggest(advice));
            }
        }
    }
}
