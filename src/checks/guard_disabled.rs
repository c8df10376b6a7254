//! Jobs that switch a guard of the controller off.

use crate::findings::{Built, Check, Severity};

/// The check.
pub const CHECK: Check = Check {
    id: "guard-disabled",
    severity: Severity::Hold,
    summary: "The job switches a guard of the controller off.",
    explain: "What: the job switches off the guard against cold extrusion (M302) or the guard against leaving travel \
(M211 S0).\n\n\
Why it matters: the guard stays off after the job. The next mistake then grinds filament or runs an axis into the \
frame. Keep hands out of the machine while it moves; the maker's documents come first.\n\n\
How it is computed: M302, and M211 with S0, are looked for. gonogo itself judges temperature and travel whether the \
guards are on or not.\n\n\
What to do: take the command out of the job, or switch the guard on again at its end.",
    heat_or_travel: true,
    timed: false,
    build: |_| Built::Reading,
};
