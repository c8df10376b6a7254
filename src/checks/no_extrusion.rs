//! Jobs that move and never extrude.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity, StreamFacts};
use crate::machine::Machine;

/// The check.
pub const CHECK: Check = Check {
    id: "no-extrusion",
    topic: "extrusion",
    severity: Severity::Hold,
    summary: "The job moves the machine and never pushes filament: it is no print.",
    explain: Explanation {
        what: "the job has moves, and none of them pushes filament. Where it switches on a spindle (M3, M4), that line \
is named.",
        why: "a job for a mill, a laser or a plotter under the name of a print drives the nozzle through whatever lies \
on the bed. A print whose extruder words were lost prints nothing.",
        how: "filament pushed by E words, G11 or M101 is counted; there is none. Common practice, no source.",
        remedy: "look whether this is the file you meant. A job that only moves on purpose, such as one that probes the \
bed, can be accepted.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::AtTheEnd(judge),
};

fn judge(facts: &StreamFacts, _: &Machine, log: &mut Log) {
    // A job without moves has a finding of its own.
    if facts.extrudes || facts.moves == 0 {
        return;
    }
    log.raise(Hit::plain(&CHECK, 0, CHECK.severity, facts.spindle_line), || match facts.spindle_line {
        0 => "the job moves and never pushes filament: it is no print".to_owned(),
        _ => "the job switches on a spindle and never pushes filament: it is no print".to_owned(),
    });
}
