//! Lines laid at or below the bed.

use crate::block::{ActionKind, Block, flag};
use crate::findings::{Built, Check, Explanation, Hit, Log, Observer, Severity};
use crate::vectors::columns;
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "prints-into-bed",
    topic: "height above the bed",
    severity: Severity::Hold,
    summary: "Lines are laid at Z 0 or below.",
    explain: Explanation {
        what: "filament is pushed on a move along X or Y that ends at Z 0 or below, by a Z that the job or its homing has set.",
        why: "at Z 0 the nozzle touches the bed: nothing comes out, the drive grinds the filament, and the nozzle \
scratches the bed. A height of 0, a forgotten lift or a wrong G92 looks like this.",
        how: "Z of the tip in use, in machine coordinates, at the end of each such move is compared with 0. Moves before Z is known are \
not judged. Common practice, no source.",
        remedy: "look at the Z words before the line. If the machine's bed lies below Z 0 on purpose, set the check to \
note in the sheet.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build: |machine, _| {
        let tip_z_mm = machine.tools.first().map_or(0.0, |tool| tool.offset_mm[2]);
        Built::Watching(Box::new(PrintsIntoBed { tip_z_mm }))
    },
};

/// Slack for rounding, mm.
const SLACK_MM: f64 = 1e-9;
const ALONG: u8 = flag::X | flag::Y;

struct PrintsIntoBed {
    /// From the place of the machine to the tip in use, mm.
    tip_z_mm: f64,
}

impl Observer for PrintsIntoBed {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let tip_z_mm = self.tip_z_mm;
        let hits = |i: usize| {
            let known = block.flags[i] & flag::KNOWN_Z != 0;
            known & (block.to[2][i] + tip_z_mm <= SLACK_MM) & (block.de_mm[i] > 0.0) & (block.flags[i] & ALONG != 0)
        };
        let any = block.vectors.run(
            #[inline(always)]
            || columns::any(block.len(), hits),
        );
        for i in if any { 0..block.len() } else { 0..0 }.filter(|&i| hits(i)) {
            let z_mm = block.to[2][i] + tip_z_mm;
            let plain = Hit::plain(&CHECK, 0, CHECK.severity, block.line[i]);
            let hit = Hit { value: Some(z_mm), badness: -z_mm, limit: Some(0.0), unit: "mm", ..plain };
            log.raise(hit, || format!("A line is laid at Z {} mm: the nozzle touches the bed.", figure(z_mm)));
        }
        for action in &block.actions {
            if let ActionKind::Tip { offset_mm } = action.kind {
                self.tip_z_mm = offset_mm[2];
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine};
    use super::*;

    #[test]
    fn lines_on_the_bed_are_found_and_the_first_layer_is_not() {
        let job = Job::new().to([10.0, 0.0, 0.0], 0.5).to([20.0, 0.0, -0.1], 0.5).to([30.0, 0.0, 0.2], 0.5);
        let found = job.filament(3.0).to([40.0, 0.0, 0.0], 0.0).findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].count, found[0].line, found[0].value), (1, 2, Some(1), Some(-0.1)));
    }
}
