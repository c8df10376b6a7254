//! What the two checks of the melt rate share: a rate per move against a capacity per tool.

use super::purge::PurgeLine;
use super::{Built, heat};
use crate::inspection::{Inspection, Severity};
use crate::machine::{Machine, Tool};
use crate::observe::{Block, Hit, Log, Observer};

/// Watches `rate` (mm³/s, of a move of the block) against what `capacity` says of each tool; `key` names the key of the
/// sheet that is missing where no tool gives one.
pub(super) fn watch(
    machine: &Machine,
    check: &'static str,
    key: &str,
    capacity: fn(&Tool) -> Option<f64>,
    rate: impl Fn(&Block, usize) -> f64 + Send + 'static,
    message: fn(&Hit) -> String,
) -> Built {
    let capacity = heat::per_tool(machine, capacity);
    if capacity.iter().all(Option::is_none) {
        return Built::Skipped(format!("the sheet gives no `{key}`"));
    }
    Built::Watching(Box::new(OverCapacity { check, capacity, rate, purge: PurgeLine::new(message) }))
}

struct OverCapacity<F> {
    check: &'static str,
    capacity: Vec<Option<f64>>,
    rate: F,
    purge: PurgeLine,
}

impl<F: Fn(&Block, usize) -> f64 + Send> Observer for OverCapacity<F> {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let before = self.purge.follow(block);
        let Some(limit) = self.capacity.get(block.tool_index).copied().flatten() else { return };
        let bound = limit * (1.0 + 1e-9);
        for i in 0..block.len() {
            let rate = (self.rate)(block, i);
            // Filament alone has no section: a purge is fed to the average but is no fault of the print.
            if rate > bound && block.section_mm2[i] > 0.0 {
                let hit = Hit {
                    check: self.check,
                    kind: block.tool_index as u64,
                    severity: Severity::Hold,
                    line: block.line[i],
                    value: Some(rate),
                    badness: rate / limit,
                    limit: Some(limit),
                    unit: "mm3/s",
                };
                self.purge.hit(block, i, before, hit, log);
            }
        }
    }

    fn finish(&mut self, _draft: &mut Inspection, log: &mut Log) {
        self.purge.finish(log);
    }
}
