//! Macros of the controller that the sheet does not describe.

use super::raise_called;
use crate::findings::{Built, Check, Explanation, Log, Severity, StreamFacts};
use crate::machine::Machine;

/// The check.
pub const CHECK: Check = Check {
    id: "macro-not-described",
    topic: "macros",
    severity: Severity::Hold,
    summary: "The job calls macros of the controller by name, and the sheet does not say what they do.",
    explain: Explanation {
        what: "lines begin with a name instead of a command, and no `[[macro]]` of the sheet has that name. G26 and M303, \
which print and heat by themselves, count as such.",
        why: "a macro may home, heat, move and wait. What it does is stored in the controller and not in the job, so nobody \
can tell from the job whether the machine is homed and warm.",
        how: "from such a line on, position, homing, temperatures, the end of the job and the time of the macro count as \
unknown, not as absent, until commands of the job make them known again.",
        remedy: "describe the macro in the sheet once: a `[[macro]]` table with its `name` and what it does: `homes`, \
`nozzle_argument`, `bed_argument`, `chamber_argument` (names of arguments that set and await a temperature), `takes_s`, \
`ends` (heaters and motors off) or `harmless`.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::AtTheEnd(judge),
};

fn judge(facts: &StreamFacts, _: &Machine, log: &mut Log) {
    raise_called(&CHECK, &facts.macros_called, log, |list| {
        format!("What these do is unknown, describe them in the sheet (`[[macro]]`): {list}.")
    });
}
