//! Heavy extrusion on a purge line.

use crate::findings::{Built, Check, Severity};

/// The check.
pub const CHECK: Check = Check {
    id: "purge-line",
    severity: Severity::Note,
    summary: "A purge line beside the print goes beyond melt rate or line width.",
    explain: "What: extrusion beside the print, before its first layer change, goes beyond the melt rate of the \
hotend or the plausible cross-section of a line.\n\n\
Why it matters: a purge line is meant to push much filament, and nothing is built on it. It is told apart from the \
print, so that it does not hold the job.\n\n\
How it is computed: hits of `melt-rate-exceeded`, `melt-peak-exceeded` and `implausible-extrusion` on moves before \
the first layer change (a height that differs by 0.04 mm or more from that of the first extrusion) are collected. \
Those whose x, y box lies apart from the x, y box of all extrusion after the change become this one note; its count \
is the sum over the three. The first 1000 such hits of each check wait for that; later ones, and all hits of a job \
without a layer change, count as the print's. The rule is gonogo's own.\n\n\
What to do: nothing, unless the drive skips there: then purge slower.",
    heat_or_travel: false,
    timed: false,
    build: |_| Built::Reading,
};
