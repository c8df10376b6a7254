//! Jobs that change the limits of motion.

use crate::findings::{Built, Check, Severity};

/// The check.
pub const CHECK: Check = Check {
    id: "limits-changed-in-job",
    severity: Severity::Note,
    summary: "The job changes limits of speed, acceleration or corners.",
    explain: "What: the job has M201, M203, M204 or M205, and the controller obeys them.\n\n\
Why it matters: the values stay in force after the job, until power-off. Limits that were tuned by hand are replaced \
by those of the slicer, which may be higher than the machine keeps steps at.\n\n\
How it is computed: the commands are carried out as the machine would: mm/s² for M201 and M204, mm/s for M203 and the \
jerk of M205, and the moves after them are planned with the new values. Not reported where `obeys_limits_in_job` is \
false.\n\n\
What to do: compare the values with the sheet, or switch their output off in the slicer.",
    heat_or_travel: false,
    timed: false,
    build: |_| Built::Reading,
};
