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
        remedy: "lower the target, or measure the heater again and correct `heating` in the sheet.",
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

/// Temperatures that read alike.
const ALIKE_C: f64 = 0.05;

struct TargetOutOfReach;

impl Observer for TargetOutOfReach {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        for action in &block.actions {
            let (ActionKind::Heat { heater, target_c, .. }, Some(reach_c)) = (action.kind, action.reach_c) else {
                continue;
            };
            let hit = Hit {
                value: Some(target_c),
                badness: (target_c - reach_c).abs(),
                limit: Some(reach_c),
                unit: "°C",
                ..Hit::plain(&CHECK, 0, CHECK.severity, action.line)
            };
            log.raise(hit, || {
                let what = match heater {
                    Heater::Nozzle(tool) => format!("nozzle of T{tool}"),
                    Heater::Bed => "bed".to_owned(),
                    Heater::Chamber => "chamber".to_owned(),
                };
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
