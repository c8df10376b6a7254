//! E words that push filament to and fro: the other signature of a wrong extruder mode.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity, Spot, StreamFacts};
use crate::machine::Machine;
use crate::modal::ExtruderWords;

/// The check.
pub const CHECK: Check = Check {
    id: "lines-lay-nothing",
    topic: "filament that is laid",
    severity: Severity::Hold,
    summary: "Many lines lay nothing or pull filament back, and hardly anything is laid in all: is the extruder mode wrong?",
    explain: Explanation {
        what: "a large part of the moves along X or Y with an E word push nothing or pull filament back, and in all hardly any \
filament is laid.",
        why: "this is what a job looks like when relative extruder words are read as absolute ones: M83 is missing, or a later \
mode word undoes it on this controller. Each E word is then a place and no length: the drive goes to and fro and grinds the filament, and \
nothing is printed.",
        how: "moves along X or Y with an E word are counted, at least 10, those with a length of 0 left out. More than 4 in 5 push \
nothing, or more than one in 3 pushes nothing or pulls back and less than half of what they push is laid for good: pushes along X or Y, less all that is pulled back, plus what is pushed on the spot to make up for \
that; up to the last such move. Where E is called 0 again and again (G92), it is enough that more than half push nothing and each stretch \
in between pushes about once. Lengths without an order, read as places, pull back every second time; in a \
job that is read as it is meant, wipes that pull back are up to a fifth of the moves, and nearly all that is pushed is laid. \
Common practice, no source.",
        remedy: "compare `extrusion_mode` in the sheet with the machine, and look for M82, M83, G90 and G91 in the lines before: \
on some controllers G90 makes E absolute again.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::AtTheEnd(judge),
};

fn judge(facts: &StreamFacts, _: &Machine, log: &mut Log) {
    let ExtruderWords { moves, idle, idle_line, .. } = facts.extruder_words;
    // A job that never pushes has a finding of its own.
    if !facts.extrudes || !facts.extruder_words.lay_nothing() {
        return;
    }
    let hit = Hit { spot: Spot::Nowhere, ..Hit::plain(&CHECK, 0, CHECK.severity, idle_line) };
    log.raise(hit, || {
        format!(
            "{idle} of {moves} moves with an E word push nothing or pull filament back: next to nothing is printed; look at \
the extruder mode (M82, M83)."
        )
    });
}
