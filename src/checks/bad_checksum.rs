//! Lines whose checksum is wrong.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed};
use crate::wording::spelled;

/// The check.
pub const CHECK: Check = Check {
    id: "bad-checksum",
    topic: "checksums",
    severity: Severity::Hold,
    summary: "A line's checksum does not fit its text.",
    explain: Explanation {
        what: "a line ends with * and a number that does not fit its text.",
        why: "the controller asks for such a line again or drops it. In a file it means that the text was changed \
by hand after the checksum was made, or was damaged.",
        how: "all bytes of the line before the * are combined by exclusive or; the result, 0 to 255, must be \
the number after it. This is the common practice of controllers, no source.",
        remedy: "make the job again. If you edited the line, take the * and the number away.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    let Noticed::BadChecksum { given, computed } = notice.what else { return };
    log.raise(Hit::noticed(&CHECK, 0, CHECK.severity, notice), || {
        let given = spelled(given);
        format!("the line ends in checksum {given} but its bytes give {computed}: it was damaged on its way")
    });
}
