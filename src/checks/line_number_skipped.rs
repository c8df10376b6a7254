//! Line numbers that do not follow each other.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed};
use crate::wording::spelled;

/// The check.
pub const CHECK: Check = Check {
    id: "line-number-skipped",
    topic: "line numbers",
    severity: Severity::Note,
    summary: "Line numbers (N words) do not follow each other.",
    explain: Explanation {
        what: "an N word is not one more than the N word before it.",
        why: "a controller that gets the job over a serial line asks for the missing line again and again. In a \
file it hints at lines that were lost or moved.",
        how: "each N word is compared with the one before it; M110 sets a new start. That numbers go up by one \
is common practice on serial lines, no source; NIST RS274/NGC version 3 lets them be in any order.",
        remedy: "take the N words away, or make the job again if lines may be missing.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    let Noticed::LineNumberSkipped { last, number } = notice.what else { return };
    log.raise(Hit::noticed(&CHECK, 0, CHECK.severity, notice), || {
        format!("line number N{} follows N{}", spelled(number), spelled(last))
    });
}
