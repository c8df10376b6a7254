//! Retraction by the controller with unknown length.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed};

/// The check.
pub const CHECK: Check = Check {
    id: "retraction-length-unknown",
    topic: "retraction length",
    severity: Severity::Note,
    summary: "The controller retracts by a length that is not known here.",
    explain: Explanation {
        what: "the job retracts by G10 and G11, and neither the job nor the sheet says how far.",
        why: "time and filament of these retractions are left out: they count as 0 mm.",
        how: "the length in mm is that of M207 in the job, else `length_mm` of `[tool.retraction]`; with \
neither it is 0.",
        remedy: "give the tool a `[tool.retraction]` in the sheet with the values stored on the board.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    if notice.what == Noticed::RetractionLengthUnknown {
        log.raise(Hit::noticed(&CHECK, 0, CHECK.severity, notice), || {
            "G10 retracts by a length that neither the job (M207) nor the sheet gives: 0 mm taken".to_owned()
        });
    }
}
