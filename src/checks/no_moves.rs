//! Jobs that move nothing.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity, StreamFacts};
use crate::machine::Machine;

/// The check.
pub const CHECK: Check = Check {
    id: "no-moves",
    topic: "moves",
    severity: Severity::Hold,
    summary: "The job moves nothing: it is empty, or no G-code.",
    explain: Explanation {
        what: "from its first line to its last the job contains no move, neither along a path nor of filament \
alone.",
        why: "an empty file, a picture or a drawing under the name of a job would otherwise pass as harmless. Nothing \
was judged, so there is nothing to say go to. A file that only heats or sets values also lands here; that may be meant.",
        how: "moves with a length above 0 mm are counted; the count is 0. Common practice, no source.",
        remedy: "look whether this is the file you meant, and slice or copy it again.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::AtTheEnd(judge),
};

fn judge(facts: &StreamFacts, _: &Machine, log: &mut Log) {
    if facts.moves == 0 {
        log.raise(Hit::plain(&CHECK, 0, CHECK.severity, 0), || "the job moves nothing".to_owned());
    }
}
