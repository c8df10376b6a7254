//! Jobs that change the limits of motion.

use crate::block::{LIMITS_IN_JOB, LimitSet, limit_matters, limits_in_order};
use crate::findings::{Built, Check, Explanation, Hit, Log, Severity, Spot, StreamFacts};
use crate::machine::Machine;
use crate::wording::{duration, figure};

/// The check.
pub const CHECK: Check = Check {
    id: "limits-changed-in-job",
    topic: "limits set by the job",
    severity: Severity::Note,
    summary: "The job changes limits of speed, acceleration or corners.",
    explain: Explanation {
        what: "the job sets limits of motion itself (M201, M203, M204, M205) to other values than the sheet's. Above \
the sheet's it is a hold, else a note; one finding each, with old and new values.",
        why: "the values stay in force after the job, until power-off. Limits that were tuned by hand are replaced by \
those of the program that wrote the job, which may be higher than the machine keeps steps at.",
        how: "M201 and M204 in mm/s², M203 in mm/s, M205 in mm/s or mm. The moves after them are planned with the new \
values, and all checks judge that plan. What lower limits cost in time is told from 5 % on, against a plan of the same \
moves under the sheet's own limits. Not reported where `obeys_limits_in_job` is false. A speed limit \
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
const SPEEDS: usize = 4;
/// Most of them that a message lists.
const LISTED: usize = 4;
/// A speed limit that many times the sheet's looks like one in mm/min.
const MINUTES_SUSPECTED: f64 = 10.0;
/// Share of the time from which on it is said what the changes cost (our own).
const COST_TOLD: f64 = 0.05;
/// Values closer than this are the same.
const SAME: f64 = 1e-6;

fn judge(facts: &StreamFacts, machine: &Machine, log: &mut Log) {
    let (sheet, corner) = (limits_in_order(&machine.motion.limits), machine.motion.limits.corner);
    let used = (0..LIMITS_IN_JOB).filter(|&at| limit_matters(at, corner));
    let set: Vec<(usize, LimitSet)> = used.filter_map(|at| Some((at, facts.limits_set.0[at]?))).collect();
    let is_raised = |&(at, set): &(usize, LimitSet)| set.most > sheet[at] * (1.0 + SAME);
    let is_lowered = |&(at, set): &(usize, LimitSet)| set.least < sheet[at] * (1.0 - SAME);
    let (raised, others): (Vec<_>, Vec<_>) = set.into_iter().partition(is_raised);
    let lowered: Vec<_> = others.into_iter().filter(is_lowered).collect();
    for (severity, set) in [(Severity::Hold, raised), (Severity::Note, lowered)] {
        tell(severity, &set, &sheet, facts, log);
    }
}

/// What the changes cost, in a sentence; empty where that is little.
fn cost(facts: &StreamFacts) -> String {
    let share = facts.limits_cost_s / (facts.time_s - facts.limits_cost_s);
    if facts.limits_cost_s <= 0.0 || share.is_nan() || share <= COST_TOLD {
        return String::new();
    }
    let (longer, percent) = (duration(facts.limits_cost_s), figure((share * 100.0).round()));
    format!(" Its moves take {longer} longer than with the sheet's limits, {percent} % of the job's time without that.")
}

fn tell(
    severity: Severity,
    set: &[(usize, LimitSet)],
    sheet: &[f64; LIMITS_IN_JOB],
    facts: &StreamFacts,
    log: &mut Log,
) {
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
        let cost = if severity == Severity::Note { cost(facts) } else { String::new() };
        format!("The job {what}, and the plan follows: {}.{minutes}{cost}", listed.join(", "))
    });
}

#[cfg(test)]
mod tests {
    use crate::findings::Inspection;
    use crate::machine::Machine;
    use crate::preflight::{JobSource, Preflight, RunOptions};

    fn judged(machine: &Machine, job: &str, chunk_bytes: usize) -> Inspection {
        let options = RunOptions { chunk_bytes, ..RunOptions::default() };
        let source = JobSource::stream(job.as_bytes(), "job");
        Preflight::on(machine).options(options).run(source).expect("memory can be read")
    }

    /// Short sides, so that corners and acceleration matter; limits change before and after the first half.
    fn job(early: &str, late: &str) -> String {
        let sides = |at: usize| format!("G1 X{} Y50 E0.2\nG1 X{0} Y{} E0.2\n", 50 + at % 40, 52 + at % 3);
        let half: String = (0..400).map(sides).collect();
        format!("G28\nM109 S200\nM83\nG1 X50 Y50 Z0.2 F6000\n{early}{half}{late}{half}M104 S0\nM84\n")
    }

    /// What the message must say is the difference to the same job on a controller that does not obey.
    #[test]
    fn what_lower_limits_cost_is_the_difference_of_two_plans() {
        let obeys = Machine::built_in();
        let mut deaf = obeys.clone();
        deaf.controller.obeys_limits_in_job = false;
        for (early, late) in [("M205 X1 Y1\n", ""), ("M204 S300\n", "M204 S200 T250\n"), ("", "M201 X100 Y100\n")] {
            let job = job(early, late);
            let report = judged(&obeys, &job, 1 << 20);
            let (with_s, without_s) = (report.time_s.total(), judged(&deaf, &job, 1 << 20).time_s.total());
            let longer_s = with_s - without_s;
            assert!(longer_s > 0.05 * without_s, "{early}{late}: {with_s} {without_s}");
            let told = |report: &Inspection| {
                let is_it = |check: &str| check == super::CHECK.id;
                report.findings.iter().find(|finding| is_it(&finding.check)).expect("is told").message.clone()
            };
            let percent = crate::wording::figure((100.0 * longer_s / without_s).round());
            let words = format!(
                "take {} longer than with the sheet's limits, {percent} % of the job's time",
                super::duration(longer_s)
            );
            assert!(told(&report).contains(&words), "{}: {words}", told(&report));
            assert_eq!(told(&judged(&obeys, &job, 300)), told(&report));
        }
    }

    #[test]
    fn what_costs_little_is_not_told() {
        let job = job("M204 P480 T480\n", "");
        let report = judged(&Machine::built_in(), &job, 1 << 20);
        let found = report.findings.iter().find(|finding| finding.check == super::CHECK.id).expect("is told");
        assert!(found.message.contains("480") && !found.message.contains("longer"), "{found:?}");
    }
}
