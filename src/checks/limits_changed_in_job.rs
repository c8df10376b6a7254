//! Jobs that change the limits of motion.

use crate::block::{LIMITS_IN_JOB, LimitSet, limits_in_order};
use crate::findings::{Built, Check, Explanation, Hit, Log, Severity, Spot, StreamFacts};
use crate::machine::{CornerRule, Machine};
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "limits-changed-in-job",
    severity: Severity::Note,
    summary: "The job changes limits of speed, acceleration or corners.",
    explain: Explanation {
        what: "the job sets limits of motion itself (M201, M203, M204, M205) to other values than the sheet's. Above \
the sheet's it is a hold, else a note; one finding each, with old and new values.",
        why: "the values stay in force after the job, until power-off. Limits that were tuned by hand are replaced by \
those of the program that wrote the job, which may be higher than the machine keeps steps at.",
        how: "M201 and M204 in mm/s², M203 in mm/s, M205 in mm/s or mm. The moves after them are planned with the new \
values, and all checks judge that plan. Not reported where `obeys_limits_in_job` is false. A speed limit \
of ten times the sheet's and more suggests that the job means mm/min.",
        remedy: "compare the values with the sheet, or switch their output off in the program that writes the jobs.",
    },
    heat_or_travel: false,
    timed: true,
    unchecked: None,
    build: |_, _| Built::AtTheEnd(judge),
};

/// Command, what it limits, and the unit, in the order of `LimitChange::in_order`.
const NAMES: [(&str, &str, &str); LIMITS_IN_JOB] = [
    ("M203", "speed of X", "mm/s"),
    ("M203", "speed of Y", "mm/s"),
    ("M203", "speed of Z", "mm/s"),
    ("M203", "speed of E", "mm/s"),
    ("M201", "acceleration of X", "mm/s²"),
    ("M201", "acceleration of Y", "mm/s²"),
    ("M201", "acceleration of Z", "mm/s²"),
    ("M201", "acceleration of E", "mm/s²"),
    ("M205", "jerk of X", "mm/s"),
    ("M205", "jerk of Y", "mm/s"),
    ("M205", "jerk of Z", "mm/s"),
    ("M205", "jerk of E", "mm/s"),
    ("M204", "acceleration of printing", "mm/s²"),
    ("M204", "acceleration of travel", "mm/s²"),
    ("M204", "acceleration of retraction", "mm/s²"),
    ("M205", "junction deviation", "mm"),
];
/// Where jerks begin and end in that order, and where the junction deviation is.
const JERKS: std::ops::Range<usize> = 8..12;
const DEVIATION: usize = 15;
const SPEEDS: usize = 4;
/// Most of them that a message lists.
const LISTED: usize = 4;
/// A speed limit that many times the sheet's looks like one in mm/min.
const MINUTES_SUSPECTED: f64 = 10.0;
/// Values closer than this are the same.
const SAME: f64 = 1e-6;

fn judge(facts: &StreamFacts, machine: &Machine, log: &mut Log) {
    let (sheet, corner) = (limits_in_order(&machine.motion.limits), machine.motion.limits.corner);
    let is_used = |at: usize| match corner {
        CornerRule::Jerk | CornerRule::JerkByLargerSpeed => at != DEVIATION,
        CornerRule::JunctionDeviation => !JERKS.contains(&at),
    };
    let used = (0..LIMITS_IN_JOB).filter(|&at| is_used(at));
    let set: Vec<(usize, LimitSet)> = used.filter_map(|at| Some((at, facts.limits_set.0[at]?))).collect();
    let is_raised = |&(at, set): &(usize, LimitSet)| set.most > sheet[at] * (1.0 + SAME);
    let is_lowered = |&(at, set): &(usize, LimitSet)| set.least < sheet[at] * (1.0 - SAME);
    let (raised, others): (Vec<_>, Vec<_>) = set.into_iter().partition(is_raised);
    let lowered: Vec<_> = others.into_iter().filter(is_lowered).collect();
    for (severity, set) in [(Severity::Hold, raised), (Severity::Note, lowered)] {
        tell(severity, &set, &sheet, log);
    }
}

fn tell(severity: Severity, set: &[(usize, LimitSet)], sheet: &[f64; LIMITS_IN_JOB], log: &mut Log) {
    let value = |set: &LimitSet| if severity == Severity::Hold { set.most } else { set.least };
    let far = |(at, set): &(usize, LimitSet)| (value(set) / sheet[*at]).ln().abs();
    let Some((worst, farthest)) = set.iter().max_by(|a, b| far(a).total_cmp(&far(b))) else { return };
    let line = if severity == Severity::Hold { farthest.most_line } else { farthest.line };
    let hit = Hit {
        value: Some(value(farthest)),
        limit: Some(sheet[*worst]),
        unit: NAMES[*worst].2,
        spot: Spot::Nowhere,
        ..Hit::plain(&CHECK, 0, severity, line)
    };
    log.raise(hit, || {
        let mut listed: Vec<String> = Vec::new();
        for (at, set) in set.iter().take(LISTED) {
            let (command, what, unit) = NAMES[*at];
            let (new, old) = (figure(value(set)), figure(sheet[*at]));
            listed.push(format!("{command} {what} {new} (sheet {old} {unit})"));
        }
        if set.len() > LISTED {
            listed.push(format!("{} more", set.len() - LISTED));
        }
        let what = if severity == Severity::Hold { "raises limits above the sheet's" } else { "lowers limits" };
        let minutes = match set.iter().any(|(at, set)| *at < SPEEDS && set.most >= MINUTES_SUSPECTED * sheet[*at]) {
            true => " Ten times the sheet's speed and more: does the job mean mm/min?",
            false => "",
        };
        format!("The job {what}, and the plan follows: {}.{minutes}", listed.join(", "))
    });
}
