//! Highest commanded temperatures.

use std::collections::BTreeMap;

use crate::block::{ActionKind, Block, Heater};
use crate::findings::{Inspection, Log, Observer};

/// Owner of the highest commanded temperatures.
#[derive(Default)]
pub(super) struct Hottest {
    tools_c: BTreeMap<u32, f64>,
    bed_c: Option<f64>,
    chamber_c: Option<f64>,
}

fn take(most: &mut Option<f64>, target_c: f64) {
    *most = Some(most.map_or(target_c, |most| most.max(target_c)));
}

impl Observer for Hottest {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        for action in &block.actions {
            let ActionKind::Heat { heater, target_c, .. } = action.kind else { continue };
            match heater {
                Heater::Nozzle(tool)
                    if self.tools_c.len() < crate::block::TOOLS_KEPT || self.tools_c.contains_key(&tool) =>
                {
                    let most = self.tools_c.entry(tool).or_insert(target_c);
                    *most = most.max(target_c);
                }
                Heater::Nozzle(_) => {}
                Heater::Bed => take(&mut self.bed_c, target_c),
                Heater::Chamber => take(&mut self.chamber_c, target_c),
            }
        }
    }

    fn finish(&mut self, draft: &mut Inspection, _log: &mut Log) {
        draft.heat.nozzle_max_c = self.tools_c.values().copied().reduce(f64::max);
        draft.heat.bed_max_c = self.bed_c;
        draft.heat.chamber_max_c = self.chamber_c;
        draft.heat.tools_max_c = self.tools_c.iter().map(|(&tool, &most)| (tool, most)).collect();
    }
}
