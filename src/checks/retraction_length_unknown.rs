//! Retraction by the controller with unknown length.

use crate::findings::{Built, Check, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed};

/// The check.
pub const CHECK: Check = Check {
    id: "retraction-length-unknown",
    severity: Severity::Note,
    summary: "The controller retracts by a length that is not known here.",
    explain: "What: the job retracts by G10 and G11, and neither the job nor the sheet says how far.\n\n\
Why it matters: time and filament of these retractions are left out: they count as 0 mm.\n\n\
How it is computed: the length in mm is that of M207 in the job, else `length_mm` of `[tool.retraction]`; with \
neither it is 0.\n\n\
What to do: give the tool a `[tool.retraction]` in the sheet with the values stored on the board.",
    heat_or_travel: false,
    timed: false,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    if notice.what == Noticed::RetractionLengthUnknown {
        log.raise(Hit::noticed(&CHECK, 0, CHECK.severity, notice), || {
            "G10 retracts by a length that neither the job (M207) nor the sheet gives: 0 mm taken".to_owned()
        });
    }
}
