//! What the checks about heaters share.

use std::collections::BTreeMap;

use crate::block::{ActionKind, Block, Heater};
use crate::findings::{Check, Hit, Log, Severity, Spot};
use crate::machine::{Machine, Tool};

/// Most heaters followed at a time.
const HEATERS: usize = 256;

/// The heater in words, as the subject of a sentence.
pub fn words(heater: Heater) -> String {
    match heater {
        Heater::Nozzle(number) => format!("The nozzle of tool {number}"),
        Heater::Bed => "The bed".to_owned(),
        Heater::Chamber => "The chamber".to_owned(),
    }
}

/// One value per tool of the sheet.
pub fn per_tool(machine: &Machine, value: impl Fn(&Tool) -> Option<f64>) -> Vec<Option<f64>> {
    machine.tools.iter().map(value).collect()
}

/// Raises a no-go for every target above its limit, also before `offset_c` was added to it; `judge` answers the kind and the limit of the heaters it is about.
pub fn over_limit(
    check: &'static Check,
    block: &Block,
    log: &mut Log,
    offset_c: impl Fn(Heater) -> f64,
    judge: impl Fn(Heater) -> Option<(u64, Option<f64>)>,
) {
    for action in &block.actions {
        let ActionKind::Heat { heater, target_c, .. } = action.kind else { continue };
        let Some((kind, Some(limit_c))) = judge(heater) else { continue };
        // Without what the sheet adds: the machine does not know of it.
        let own_c = target_c - offset_c(heater);
        let higher_c = target_c.max(own_c);
        if higher_c > limit_c {
            let hit = Hit {
                check,
                kind,
                severity: Severity::NoGo,
                line: action.line,
                value: Some(higher_c),
                badness: higher_c - limit_c,
                limit: Some(limit_c),
                unit: "°C",
                spot: Spot::InBlock,
            };
            log.raise(hit, || {
                let (what, own, limit) =
                    (words(heater), crate::wording::figure(own_c), crate::wording::figure(limit_c));
                let with = match target_c == own_c {
                    true => String::new(),
                    false => {
                        format!(", with `nozzle_offset_c` of the sheet to {} °C", crate::wording::figure(target_c))
                    }
                };
                format!("{what} is commanded to {own} °C{with}; the sheet allows at most {limit} °C.")
            });
        }
    }
}

/// The heaters that are on: their last target, °C, and its line.
#[derive(Default)]
pub struct Targets {
    on: BTreeMap<Heater, (f64, u64)>,
}

impl Targets {
    /// Takes note of a target; at most 256 heaters are followed.
    pub fn set(&mut self, heater: Heater, target_c: f64, line: u64) {
        if target_c <= 0.0 {
            self.on.remove(&heater);
        } else if self.on.len() < HEATERS || self.on.contains_key(&heater) {
            self.on.insert(heater, (target_c, line));
        }
    }

    /// Heater, target and line of each.
    pub fn iter(&self) -> impl Iterator<Item = (Heater, f64, u64)> + '_ {
        self.on.iter().map(|(&heater, &(target_c, line))| (heater, target_c, line))
    }
}
