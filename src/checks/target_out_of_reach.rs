//! Waits for a temperature that the heater does not reach.

use crate::block::{ActionKind, Block, Heater};
use crate::findings::{Built, Check, Explanation, Hit, Log, Observer, Severity};

/// The check.
pub const CHECK: Check = Check {
    id: "target-out-of-reach",
    topic: "reachable heat",
    severity: Severity::Hold,
    summary: "The job waits for a temperature that, by the sheet, the heater never reaches.",
    explain: Explanation {
        what: "a command waits until a heater has reached a target, and the heating law in the sheet says that it \
never will: at full power it stays below, or switched off it cannot cool below the room.",
        why: "the machine waits with its heaters at full power until somebody comes or its own guard stops it. \
A hot machine left alone is a fire hazard; the maker's documents come first.",
        how: "first-order heating, T(t) = T∞ + (T₀ − T∞) e^(−t/τ), °C and s, with T∞ from `full_power_c` of the \
heater (or `room.ambient_c` when it cools) and τ from `time_constant_s`; Newton's law of cooling, in any physics \
handbook. The wait itself counts 0 s in the report.",
        remedy: "lower a target that is too hot, or measure the heater again and correct `heating` in the sheet. Where the job waits for \
less than the room has, wait for more than that, or leave the wait out.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build: |machine, _| {
        let laws = machine.tools.iter().map(|tool| tool.heating);
        let laws = laws.chain([machine.bed.and_then(|bed| bed.heating), machine.chamber.and_then(|c| c.heating)]);
        if laws.flatten().next().is_some() {
            Built::Watching(Box::new(TargetOutOfReach))
        } else {
            Built::Skipped("the sheet gives no `[[tool]] heating`, `[bed] heating` or `[chamber] heating`".to_owned())
        }
    },
};

/// The kinds of hits.
const HEATS: u64 = 0;
const COOLS: u64 = 1;
/// Temperatures that read alike.
const ALIKE_C: f64 = 0.05;

struct TargetOutOfReach;

impl Observer for TargetOutOfReach {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        for action in &block.actions {
            let (ActionKind::Heat { heater, target_c, asked_c, .. }, Some(reach_c)) = (action.kind, action.reach_c)
            else {
                continue;
            };
            // What is off can only fail to cool down.
            let (kind, waits_for_c) = if target_c <= 0.0 { (COOLS, asked_c) } else { (HEATS, target_c) };
            let hit = Hit {
                value: Some(waits_for_c),
                badness: (waits_for_c - reach_c).abs(),
                limit: Some(reach_c),
                unit: "°C",
                ..Hit::plain(&CHECK, kind, CHECK.severity, action.line)
            };
            log.raise(hit, || {
                let what = match heater {
                    Heater::Nozzle(tool) => format!("nozzle of T{tool}"),
                    Heater::Bed => "bed".to_owned(),
                    Heater::Chamber => "chamber".to_owned(),
                };
                if kind == COOLS {
                    return format!(
                        "the job waits until the {what} is at {asked_c} °C, but by the sheet the room has {reach_c} °C and it \
                         never cools to that: wait for more than that, or leave the wait out"
                    );
                }
                if (target_c - reach_c).abs() < ALIKE_C {
                    return format!(
                        "the job waits until the {what} is at {target_c} °C, which by the sheet's heating law is what full \
                         power comes near to and never reaches"
                    );
                }
                format!(
                    "the job waits until the {what} is at {target_c} °C, but by the sheet's heating law it only tends to {reach_c} °C"
                )
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing;
    use crate::findings::Finding;
    use crate::machine::{Heating, Machine};

    fn found(job: &str) -> Vec<Finding> {
        let mut machine = Machine::built_in();
        machine.ambient_c = 20.0;
        machine.tools[0].heating = Some(Heating { time_constant_s: 60.0, full_power_c: 300.0 });
        testing::found(&super::CHECK, &machine, job)
    }

    #[test]
    fn waits_below_the_room_say_what_they_wait_for() {
        // Newton's law: what is off tends to the room and never gets below it.
        let told = found("M109 S205\nM104 S0\nM109 R15\n");
        let [Finding { line, value, limit, message, .. }] = told.as_slice() else { panic!("{told:?}") };
        assert_eq!((*line, *value, *limit), (Some(3), Some(15.0), Some(20.0)));
        assert!(message.contains("at 15 °C") && message.contains("the room has 20 °C"), "{message}");
        assert!(message.contains("leave the wait out"), "{message}");
        assert_eq!(found("M109 S205\nM109 R20\n").len(), 1, "it comes near to the room and never gets there");
        assert_eq!(found("M109 S205\nM109 R25\n"), []);
        assert_eq!(found("M109 S205\nM109 S15\n"), [], "waits for no cooling");
        // One that is too hot is another finding.
        let told = found("M109 S310\nM109 R15\n");
        assert_eq!(told.len(), 2, "{told:?}");
    }
}
