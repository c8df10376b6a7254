//! Jobs that were cut off.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity, Spot, StreamFacts};
use crate::machine::Machine;

/// The check.
pub const CHECK: Check = Check {
    id: "truncated-job",
    topic: "end of the job",
    severity: Severity::NoGo,
    summary: "The job breaks off: it was cut short when it was written or copied.",
    explain: Explanation {
        what: "the file ends in the middle of a line that moves the machine, or it heats, never switches the \
heaters off, and a move is its last command. Where no heater is left on by the job, it is held when nothing closes it.",
        why: "the print stops unfinished with hot heaters, the nozzle rests on the part, and nobody is warned. A hot \
machine left alone is a fire hazard; the maker's documents come first.",
        how: "two signs. The last command is a motion command and no line ending follows it: programs that \
write jobs end every line. Or a heater got a target above 0 °C, none was switched off after that, and the last \
command of the job is a motion command. And, as a hold, after the last extrusion no heater, motor, fan, homing, pause, \
stop or macro follows. That these mean a cut-off file is common practice, no source.",
        remedy: "slice or copy the job again, and let the card or drive be ejected properly. If it was written by hand and \
is meant so, add a line ending and switch the heaters off at the end.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build: |_, _| Built::AtTheEnd(judge),
};

fn judge(facts: &StreamFacts, _: &Machine, log: &mut Log) {
    let mut severity = CHECK.severity;
    let message = if facts.last_was_motion && facts.last_motion_line == facts.lines && !facts.last_line_ended {
        "the job ends in the middle of a motion line, without a newline: it looks cut off"
    } else if facts.last_was_motion && facts.heats_to_the_end {
        "the job ends with a motion command while heaters are on: it looks cut off"
    } else if facts.extrudes && !facts.closed_after_extrusion {
        // Nothing says that it was hot, so the sign is weaker.
        severity = Severity::Hold;
        "nothing closes the job after its last extrusion, no heater, no motor, no other command: it may be cut off"
    } else {
        return;
    };
    // The place says nothing about a job that ends too early.
    let hit = Hit { spot: Spot::Nowhere, ..Hit::plain(&CHECK, 0, severity, facts.lines) };
    log.raise(hit, || message.to_owned());
}
