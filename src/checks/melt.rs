//! What the two checks of the melt rate share: a rate per move against a capacity per tool.

use super::purge_line::OnPurgeLine;
use super::{heat, melt_peak_exceeded, melt_rate_exceeded};
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
    let told = match check.id == melt_rate_exceeded::CHECK.id && weigh_alike(machine) {
        true => heat::per_tool(machine, |tool| tool.peak_mm3_s),
        false => Vec::new(),
    };
    Built::Watching(Box::new(OverCapacity { check, capacity, told, rates, purge: OnPurgeLine::new(machine, message) }))
}

/// Whether a sheet leaves the severities of both checks as they are.
fn weigh_alike(machine: &Machine) -> bool {
    [melt_rate_exceeded::CHECK.id, melt_peak_exceeded::CHECK.id].iter().all(|id| !machine.severities.contains_key(*id))
}

/// Less than that above a capacity is rounding.
const ROUNDING: f64 = 1e-9;

struct OverCapacity {
    check: &'static Check,
    capacity: Vec<Option<f64>>,
    /// Moves whose bursts are above this are told by the other check: one cause, one finding.
    told: Vec<Option<f64>>,
    rates: fn(&Block) -> Option<&Column<f64>>,
    purge: OnPurgeLine,
}

impl Observer for OverCapacity {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let before = self.purge.follow(block);
        let Some(limit) = self.capacity.get(block.tool_index).copied().flatten() else { return };
        let bound = limit * (1.0 + ROUNDING);
        let Some(rates) = (self.rates)(block) else { return };
        let rates = &rates[..block.len()];
        let most = block.vectors.run(
            #[inline(always)]
            || columns::most(rates, 0.0),
        );
        if most <= bound {
            return;
        }
        let told = self.told.get(block.tool_index).copied().flatten().filter(|_| block.burst_most_mm3_s > 0.0);
        let is_told = |i: usize| told.is_some_and(|limit| block.burst_mm3_s[i] > limit * (1.0 + ROUNDING));
        for (i, &rate) in rates.iter().enumerate() {
            if rate > bound && !is_told(i) && (block.section_mm2[i] > 0.0 || block.purge_mm(i).is_some()) {
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
