//! What the checks about heaters share.

use std::collections::BTreeMap;

use crate::block::{ActionKind, Block, Heater};
use crate::findings::{Check, Hit, Log, Severity, Spot};
use crate::machine::{Machine, Tool};
use crate::wording::figure;

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

/// What the targets of a heater are held against.
pub struct TargetLimit {
    /// Kind of the finding.
    pub kind: u64,
    /// Highest target, °C; none where the sheet gives none.
    pub limit_c: Option<f64>,
    /// What the sheet has added to targets of the job, °C.
    pub offset_c: f64,
}

/// Raises a no-go for every target above its limit, with what the sheet adds or without: the machine does not know of it.
/// `limit_of` answers for the heaters it is about.
pub fn over_limit(
    check: &'static Check,
    block: &Block,
    log: &mut Log,
    limit_of: impl Fn(Heater) -> Option<TargetLimit>,
) {
    for action in &block.actions {
        let ActionKind::Heat { heater, target_c, .. } = action.kind else { continue };
        let Some(TargetLimit { kind, limit_c: Some(limit_c), offset_c }) = limit_of(heater) else { continue };
        let own_c = target_c - offset_c;
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
                let (what, own, limit) = (words(heater), figure(own_c), figure(limit_c));
                let with = match offset_c == 0.0 {
                    true => String::new(),
                    false => format!(", with `nozzle_offset_c` of the sheet to {} °C", figure(target_c)),
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
