//! Jobs that change the limits of motion.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed};

/// The check.
pub const CHECK: Check = Check {
    id: "limits-changed-in-job",
    severity: Severity::Note,
    summary: "The job changes limits of speed, acceleration or corners.",
    explain: Explanation {
        what: "the job has M201, M203, M204 or M205, and the controller obeys them.",
        why: "the values stay in force after the job, until power-off. Limits that were tuned by hand are replaced \
by those of the slicer, which may be higher than the machine keeps steps at.",
        how: "the commands are carried out as the machine would: mm/s² for M201 and M204, mm/s for M203 and the \
jerk of M205, and the moves after them are planned with the new values. Not reported where `obeys_limits_in_job` is \
false.",
        remedy: "compare the values with the sheet, or switch their output off in the slicer.",
    },
    heat_or_travel: false,
    timed: false,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    let (code, what) = match notice.what {
        Noticed::LimitsChanged { code } => (code, "the limits from inside the job; the plan follows it"),
        Noticed::StepsChanged { code } => (code, "the steps per mm from inside the job; it is not followed here"),
        Noticed::CurrentsChanged { code } => (code, "the motor currents from inside the job; it is not followed here"),
        _ => return,
    };
    log.raise(Hit::noticed(&CHECK, u64::from(code), CHECK.severity, notice), || {
        format!("M{} changes {what}", code / 10)
    });
}
