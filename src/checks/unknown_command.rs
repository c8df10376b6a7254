//! Commands that are not known here.

use crate::findings::{Built, Check, Severity};

/// The check.
pub const CHECK: Check = Check {
    id: "unknown-command",
    severity: Severity::Note,
    summary: "The job has a command that gonogo does not know.",
    explain: "What: a line starts with a command outside the list that gonogo reads. Each such command is listed \
once, with how often it occurs.\n\n\
Why it matters: it may do nothing here, or it may move the machine in a way this inspection does not see.\n\n\
How it is computed: each command is compared with the list. Unknown ones count as commands and take no time.\n\n\
What to do: look it up in the documents of the controller. If it moves or heats, judge the lines after it with care.",
    heat_or_travel: false,
    timed: false,
    build: |_| Built::Reading,
};
