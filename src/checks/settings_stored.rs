//! Jobs that write or reload stored settings.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed};

/// The check.
pub const CHECK: Check = Check {
    id: "settings-stored",
    topic: "stored settings",
    severity: Severity::Hold,
    summary: "The job writes, reloads or resets the settings stored on the board.",
    explain: Explanation {
        what: "the job has M500, M501, M502 or M504, which store the settings on the board, load them, reset them to the \
built-in ones or check what is stored. M503, which only lists them, is harmless.",
        why: "a print job that stores or resets settings changes the machine for every later job: step counts, \
offsets and limits found by hand are lost without a word.",
        how: "these command numbers are looked for. What they do on a given board is its own affair; see its \
documents.",
        remedy: "take the command out of the job unless the job is meant to tune the machine, and keep a copy of your \
settings.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    let Noticed::SettingsStored { code } = notice.what else { return };
    log.raise(Hit::noticed(&CHECK, u64::from(code), CHECK.severity, notice), || {
        let does = match code {
            5000 => "stores",
            5010 => "loads",
            5020 => "resets",
            _ => "checks",
        };
        format!("M{} {does} the controller's settings from inside a job", code / 10)
    });
}
