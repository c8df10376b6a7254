//! Commands that are not known here.

use super::raise_called;
use crate::findings::{Built, Check, Explanation, Log, Severity, StreamFacts};
use crate::machine::Machine;

/// The check.
pub const CHECK: Check = Check {
    id: "unknown-command",
    topic: "unknown commands",
    severity: Severity::Note,
    summary: "The job has a command that gonogo does not know.",
    explain: Explanation {
        what: "a line starts with a command outside the list that gonogo reads, or with something that is no command. All of \
them are one note, with how often and where.",
        why: "it may do nothing here, or it may move the machine in a way this inspection does not see.",
        how: "each command is compared with the list. Unknown ones count as commands and take no time, \
and their words are not judged. After an unknown G command the position is unknown until the next absolute words.",
        remedy: "look it up in the documents of the controller. If it moves or heats, judge the lines after it with care.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::AtTheEnd(judge),
};

fn judge(facts: &StreamFacts, _: &Machine, log: &mut Log) {
    raise_called(&CHECK, &facts.unknown_commands, log, |list| format!("Not known here, so not carried out: {list}."));
}
