//! What the two checks of the melt rate share: a rate per move against a capacity per tool.

use super::heat;
use super::purge_line::OnPurgeLine;
use crate::block::{Block, Column};
use crate::findings::{Built, Check, Hit, Inspection, Log, Observer, Severity, Spot};
use crate::machine::{Machine, Tool};
use crate::vectors::columns;

/// Watches `rates` (mm³/s, of the moves of a block; none where none can be too large) against what `capacity` says of each
/// tool; `key` names the key of the sheet that is missing where no tool gives one.
pub(super) fn watch(
    machine: &Machine,
    check: &'static Check,
    key: &str,
    capacity: fn(&Tool) -> Option<f64>,
    rates: fn(&Block) -> Option<&Column<f64>>,
    message: fn(&Hit) -> String,
) -> Built {
    let capacity = heat::per_tool(machine, capacity);
    if capacity.iter().all(Option::is_none) {
        return Built::Skipped(format!("the sheet gives no `{key}`"));
    }
    Built::Watching(Box::new(OverCapacity { check, capacity, rates, purge: OnPurgeLine::new(machine, message) }))
}

struct OverCapacity {
    check: &'static Check,
    capacity: Vec<Option<f64>>,
    rates: fn(&Block) -> Option<&Column<f64>>,
    purge: OnPurgeLine,
}

impl Observer for OverCapacity {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let before = self.purge.follow(block);
        let Some(limit) = self.capacity.get(block.tool_index).copied().flatten() else { return };
        let bound = limit * (1.0 + 1e-9);
        let Some(rates) = (self.rates)(block) else { return };
        let rates = &rates[..block.len()];
        let most = block.vectors.run(
            #[inline(always)]
            || columns::most(rates, 0.0),
        );
        if most <= bound {
            return;
        }
        for (i, &rate) in rates.iter().enumerate() {
            if rate > bound && (block.section_mm2[i] > 0.0 || block.purge_mm(i).is_some()) {
                let hit = Hit {
                    check: self.check,
                    kind: block.tool_index as u64,
                    severity: Severity::Hold,
                    line: block.line[i],
                    value: Some(rate),
                    badness: rate / limit,
                    limit: Some(limit),
                    unit: "mm3/s",
                    spot: Spot::InBlock,
                };
                self.purge.hit(block, i, before, hit, log);
            }
        }
    }

    fn finish(&mut self, _draft: &mut Inspection, log: &mut Log) {
        self.purge.finish(log);
    }
}
