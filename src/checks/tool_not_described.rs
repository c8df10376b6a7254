//! Tools that the sheet does not describe.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed};

/// The check.
pub const CHECK: Check = Check {
    id: "tool-not-described",
    topic: "tools",
    severity: Severity::Hold,
    summary: "The job uses a tool that the sheet does not describe.",
    explain: Explanation {
        what: "the job selects or heats a tool number for which the sheet has no `[[tool]]`.",
        why: "a machine with one tool may stop, or print everything with that one. Limits of the other tool are not \
known here: it is judged by those of the first.",
        how: "the first `[[tool]]` is tool 0, the next tool 1, and so on; T words and the T of M104 and M109 \
are compared with their count.",
        remedy: "describe the tool in the sheet, or slice for the tools the machine has.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    let Noticed::ToolNotDescribed { number } = notice.what else { return };
    log.raise(Hit::noticed(&CHECK, u64::from(number), CHECK.severity, notice), || {
        format!("tool T{number} has no [[tool]] in the sheet: planned and judged as the first tool")
    });
}
