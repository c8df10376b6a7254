//! How wide lines get by the pressure in the nozzle, and what the lead asks of the extruder.

use crate::block::{Block, grid::Sum};
use crate::findings::{Inspection, Led, Log, Observer, Widths};
use crate::machine::Machine;

/// Owner of the widths.
#[derive(Default)]
pub(super) struct WidthTotals {
    laid_mm: Sum,
    wide_mm: Sum,
    thin_mm: Sum,
    found: Widths,
    /// The largest jump of speed that the lead left out, mm/s, and its line.
    left_out: (f64, u64),
}

impl WidthTotals {
    /// None where no tool of the sheet has a lag.
    pub(super) fn new(machine: &Machine) -> Option<Self> {
        machine.tools.iter().any(|tool| !tool.pressure_lag.is_empty()).then(Self::default)
    }

    fn drive(&mut self, block: &Block) {
        let Some(first) = block.pressed.driven.first().map(|_| Led::default()) else { return };
        let led = self.found.led.get_or_insert(first);
        let most = &block.pressed.driven_most;
        if most.speed_mm_s <= led.speed_mm_s && most.jump_mm_s <= led.jump_mm_s {
            return;
        }
        for (driven, line) in block.pressed.driven.iter().zip(block.line) {
            if driven.speed_mm_s > led.speed_mm_s {
                (led.speed_mm_s, led.speed_line) = (driven.speed_mm_s, Some(line));
            }
            if driven.jump_mm_s > led.jump_mm_s {
                (led.jump_mm_s, led.jump_line) = (driven.jump_mm_s, Some(line));
            }
        }
    }
}

impl Observer for WidthTotals {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        let pressed = &block.pressed;
        self.laid_mm.join(pressed.laid_mm);
        self.wide_mm.join(pressed.wide_mm);
        self.thin_mm.join(pressed.thin_mm);
        for bulge in &pressed.bulges {
            if bulge.volume_mm3 > self.found.bulge_mm3 {
                (self.found.bulge_mm3, self.found.bulge_line) = (bulge.volume_mm3, Some(bulge.line));
            }
        }
        for start in &pressed.starts {
            if self.found.start_share.is_none_or(|least| start.share < least) {
                (self.found.start_share, self.found.start_line) = (Some(start.share), Some(start.line));
            }
        }
        if let Some((jump_mm_s, line)) = pressed.left_out.filter(|(jump_mm_s, _)| *jump_mm_s > self.left_out.0) {
            self.left_out = (jump_mm_s, line);
        }
        self.drive(block);
    }

    fn finish(&mut self, draft: &mut Inspection, _log: &mut Log) {
        let [laid_mm, wide_mm, thin_mm] = [self.laid_mm, self.wide_mm, self.thin_mm].map(Sum::value);
        let steps_left_out_mm_s = (self.left_out.0 > 0.0).then_some(self.left_out.0);
        let steps_line = steps_left_out_mm_s.map(|_| self.left_out.1);
        draft.widths = Some(Widths { laid_mm, wide_mm, thin_mm, steps_left_out_mm_s, steps_line, ..self.found });
        if let Some((mm_s, line)) = steps_left_out_mm_s.zip(steps_line) {
            let mm_s = crate::wording::figure(mm_s);
            draft.left_out.push(format!(
                "jumps of the filament's speed stay uncompensated, up to {mm_s} mm/s on line {line}: the sheet gives no \
                 `controller.step_spread_s`"
            ));
        }
    }
}
