//! Layers that are higher than the bore of the nozzle.

use super::levels;
use crate::findings::{Check, Explanation, Hit, Inspection, Log, Severity, Spot};
use crate::physics::levels::Levels;
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "layers-too-high",
    topic: "layer height",
    severity: Severity::Hold,
    summary: "Most layers are higher than the bore of the nozzle: was the job sliced for a wider one?",
    explain: Explanation {
        what: "more than half of the filament that is laid lies in layers higher than the bore of the tool.",
        why: "a round string that is thinner than its layer is high is not pressed onto the layer below: nothing holds the layers together. A job sliced \
for a wider nozzle than the one that is mounted looks like this.",
        how: "the height of a layer is its distance to the highest level at least 0.04 mm below that something was laid at before. A layer is \
too high from 0.005 mm above the bore to 4 bores; what is more is a gap (see `prints-in-air`). The first layer is not \
judged, nor is a single high one, as above a raft, nor are lines that rise or fall by 0.04 mm and more, as strands that stand free do. The rule of thumb is 0.75 times the bore at most; common practice, no source.",
        remedy: "mount the nozzle that the job was sliced for, or slice it for the one that is mounted. Compare `nozzle_diameter_mm` in the sheet \
with the nozzle.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |machine, _| levels::build(machine, judge),
};

/// Share of what is laid that must lie in high layers.
const SHARE: f64 = 0.5;
/// Fewer high layers are none of a wider nozzle.
const LEVELS: u64 = 2;

/// The mean height of the layers and the mean bore, mm, where most are too high.
pub(super) fn mostly_high(levels: &Levels) -> Option<[f64; 2]> {
    let high = levels.high();
    let most = high.levels >= LEVELS && high.volume_mm3() > SHARE * levels.laid_mm3(0.0);
    most.then(|| high.heights_mm())
}

fn judge(levels: &Levels, _: &Inspection, log: &mut Log) {
    let Some(([height_mm, bore_mm], begin)) = mostly_high(levels).zip(levels.high().begin) else { return };
    let hit = Hit {
        check: &CHECK,
        kind: 0,
        severity: CHECK.severity,
        line: begin.line,
        value: Some(height_mm),
        badness: height_mm / bore_mm,
        limit: Some(bore_mm),
        unit: "mm",
        spot: Spot::At(begin.place_mm),
    };
    log.raise(hit, || {
        let [height, bore] = [height_mm, bore_mm].map(figure);
        format!(
            "Most layers are {height} mm high, more than the bore of {bore} mm: they do not hold together, as if the job was \
sliced for a wider nozzle."
        )
    });
}
