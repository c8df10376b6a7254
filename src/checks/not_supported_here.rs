//! Commands that the controller was not built for.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::machine::Feature;
use crate::modal::notice::{Notice, Noticed};

/// The check.
pub const CHECK: Check = Check {
    id: "not-supported-here",
    topic: "what the board lacks",
    severity: Severity::NoGo,
    summary: "The job uses something the controller was not built for.",
    explain: Explanation {
        what: "the job has a command of a kind that the sheet lists under `lacks`: arcs, cubics, inches, \
volumetric extrusion, retraction by the controller, probing, filament change, chamber heating.",
        why: "the controller skips the command or stops with an error. Without arcs the part loses its curves and \
is scrap; the rest may be bearable, so it is a hold.",
        how: "each command read is compared with the list. Arcs (G2, G3) are a no-go; G5, G20, M200, G10 and \
G11, probing, M600, M141 and M191 are a hold.",
        remedy: "slice without the feature, or enable it on the board and take it out of `lacks`.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    let Noticed::Lacks(feature) = notice.what else { return };
    let severity = if feature == Feature::Arcs { Severity::NoGo } else { Severity::Hold };
    log.raise(Hit::noticed(&CHECK, feature as u64, severity, notice), || {
        format!("the job uses {} and the sheet says that this controller lacks it", feature.word())
    });
}
