//! Arcs whose ends lie at different distances from the centre.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed, RADIUS_TOLERANCE_MM};

/// The check.
pub const CHECK: Check = Check {
    id: "arc-radius-mismatch",
    topic: "ends of arcs",
    severity: Severity::Hold,
    summary: "The ends of an arc lie at different distances from its centre.",
    explain: Explanation {
        what: "the start and the end of an arc (G2, G3) do not lie on one circle about the centre given.",
        why: "controllers then draw a spiral, jump at the end, or stop with an error. A large difference is mostly \
a wrong centre, or a centre given absolutely where a relative one is meant.",
        how: "the difference of the distances from start and end to the centre, in mm. Above 0.002 mm, the \
limit of NIST RS274/NGC version 3, it is a note; above 0.05 mm, the width of a visible step (common practice, no \
source), a hold.",
        remedy: "slice again with more digits, or without arcs. For a hold look at the I and J words.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

/// Difference at which somebody should look, mm (common practice, no source: an eighth of a 0.4 mm nozzle).
const HOLD_MM: f64 = 0.05;

fn judge(notice: &Notice, log: &mut Log) {
    let Noticed::RadiusMismatch { mismatch_mm } = notice.what else { return };
    let hold = mismatch_mm > HOLD_MM;
    let (limit, severity) = if hold { (HOLD_MM, Severity::Hold) } else { (RADIUS_TOLERANCE_MM, Severity::Note) };
    let hit = Hit {
        value: Some(mismatch_mm),
        badness: mismatch_mm,
        limit: Some(limit),
        unit: "mm",
        ..Hit::noticed(&CHECK, u64::from(hold), severity, notice)
    };
    log.raise(hit, || {
        format!("start and end of the arc differ by {mismatch_mm:.4} mm in their distance from the centre (limit {limit} mm)")
    });
}
