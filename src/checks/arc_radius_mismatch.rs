//! Arcs whose ends lie at different distances from the centre.

use crate::findings::{Built, Check, Severity};

/// The check.
pub const CHECK: Check = Check {
    id: "arc-radius-mismatch",
    severity: Severity::Hold,
    summary: "The ends of an arc lie at different distances from its centre.",
    explain: "What: the start and the end of an arc (G2, G3) do not lie on one circle about the centre given.\n\n\
Why it matters: controllers then draw a spiral, jump at the end, or stop with an error. A large difference is mostly \
a wrong centre, or a centre given absolutely where a relative one is meant.\n\n\
How it is computed: the difference of the distances from start and end to the centre, in mm. Above 0.002 mm, the \
limit of NIST RS274/NGC version 3, it is a note; above 0.05 mm, the width of a visible step (common practice, no \
source), a hold.\n\n\
What to do: slice again with more digits, or without arcs. For a hold look at the I and J words.",
    heat_or_travel: false,
    timed: false,
    build: |_| Built::Reading,
};
