//! Jobs that switch a guard of the controller off.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed};

/// The check.
pub const CHECK: Check = Check {
    id: "guard-disabled",
    topic: "guards",
    severity: Severity::Hold,
    summary: "The job switches a guard of the controller off.",
    explain: Explanation {
        what: "the job switches off the guard against cold extrusion (M302) or the guard against leaving travel \
(M211 S0).",
        why: "the guard stays off after the job. The next mistake then grinds filament or runs an axis into the \
frame. Keep hands out of the machine while it moves; the maker's documents come first.",
        how: "M302, and M211 with S0, are looked for. gonogo itself judges temperature and travel whether the \
guards are on or not.",
        remedy: "take the command out of the job, or switch the guard on again at its end.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    let (kind, message) = match notice.what {
        Noticed::TravelGuardOff => (0, "M211 S0 switches the travel guard of the controller off"),
        Noticed::ColdGuardOff => (1, "M302 switches the guard against cold extrusion off"),
        _ => return,
    };
    log.raise(Hit::noticed(&CHECK, kind, CHECK.severity, notice), || message.to_owned());
}
