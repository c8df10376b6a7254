//! Heaters that the sheet does not describe.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed};

/// The check.
pub const CHECK: Check = Check {
    id: "heater-not-described",
    topic: "heaters",
    severity: Severity::Hold,
    summary: "The job heats a bed or chamber that the sheet does not describe.",
    explain: Explanation {
        what: "the job gives the bed or the chamber a target, and the sheet has no `[bed]` or `[chamber]`.",
        why: "the controller may stop with an error, or wait for ever for a temperature that never comes. If the \
heater does exist, its limit is not judged. Heaters are a fire hazard; the maker's documents come first.",
        how: "targets above 0 °C (M140, M190, M141, M191) are compared with the tables of the sheet.",
        remedy: "describe the heater in the sheet, or slice for a machine without it.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    let (kind, message) = match notice.what {
        Noticed::BedNotDescribed => (0, "the job heats the bed and the sheet has no [bed]"),
        Noticed::ChamberNotDescribed => (1, "the job heats a chamber and the sheet has no [chamber]"),
        _ => return,
    };
    log.raise(Hit::noticed(&CHECK, kind, CHECK.severity, notice), || message.to_owned());
}
