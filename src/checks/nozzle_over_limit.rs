//! Nozzle targets above the hotend's limit.

use super::heat;
use crate::block::{Block, Heater};
use crate::findings::{Built, Check, Explanation, Log, Observer, Severity};
use crate::machine::Machine;

/// The check.
pub const CHECK: Check = Check {
    id: "nozzle-over-limit",
    topic: "nozzle heat",
    severity: Severity::NoGo,
    summary: "A nozzle is commanded above its temperature limit.",
    explain: Explanation {
        what: "the job gives a nozzle a target above the highest temperature that the sheet allows its hotend.",
        why: "a hotend with a plastic liner gives off harmful fumes and is ruined above its limit; hotter still, \
insulation, sensor and heater leads suffer, which is a fire hazard. Do not leave a hot machine unattended. The maker's \
documents come first: take the limit from them, not from what has worked so far.",
        how: "each target in °C (M104, M109 and their like), with `nozzle_offset_c` of the tool added, is compared with `temperature_c.limit` of that tool. \
A tool number that the sheet does not describe is judged by the first tool.",
        remedy: "slice with a lower temperature, or mount a hotend made for it and correct the sheet.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: Some("nozzle temperature"),
    build,
};

fn build(machine: &Machine, _: &str) -> Built {
    let tools: Vec<_> = machine.tools.iter().map(|tool| (tool.limit_c, tool.nozzle_offset_c)).collect();
    if tools.iter().all(|(limit_c, _)| limit_c.is_none()) {
        return Built::Skipped("the sheet gives no `[[tool]] temperature_c.limit`".to_owned());
    }
    Built::Watching(Box::new(NozzleOverLimit { tools }))
}

struct NozzleOverLimit {
    /// Highest target of each tool, and what the sheet has added to targets, °C.
    tools: Vec<(Option<f64>, f64)>,
}

impl Observer for NozzleOverLimit {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        heat::over_limit(&CHECK, block, log, |heater| {
            let Heater::Nozzle(number) = heater else { return None };
            let &(limit_c, offset_c) = self.tools.get(number as usize).or(self.tools.first())?;
            Some(heat::TargetLimit { kind: u64::from(number), limit_c, offset_c })
        });
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, skipped, tool};
    use super::*;

    #[test]
    fn a_target_above_the_limit_is_found_and_the_limit_itself_is_not() {
        let job = Job::new().heat(Heater::Nozzle(0), 260.0).heat(Heater::Nozzle(0), 261.0).heat(Heater::Bed, 300.0);
        let found = job.heat(Heater::Nozzle(0), 290.0).findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].count, found[0].line, found[0].worst_line), (1, 2, Some(2), Some(4)));
        assert_eq!((found[0].value, found[0].limit), (Some(290.0), Some(260.0)));
        assert!(found[0].message.contains("290 °C") && found[0].message.contains("260 °C"));
    }

    /// The machine does not know of what the sheet adds: it goes where the job sends it.
    #[test]
    fn an_offset_hides_no_target() {
        let mut colder = machine();
        colder.tools[0].nozzle_offset_c = -60.0;
        // The clock has put the offset in.
        let found = Job::new().heat(Heater::Nozzle(0), 270.0 - 60.0).findings(&CHECK, &colder);
        assert_eq!((found[0].value, found[0].limit), (Some(270.0), Some(260.0)));
        assert!(found[0].message.contains("commanded to 270 °C, with `nozzle_offset_c`"), "{}", found[0].message);
    }

    #[test]
    fn each_tool_has_its_own_limit_and_unknown_tools_that_of_the_first() {
        let mut two = machine();
        two.tools.push(crate::machine::Tool { limit_c: Some(300.0), ..tool() });
        let job = Job::new().heat(Heater::Nozzle(1), 290.0).heat(Heater::Nozzle(7), 290.0);
        let found = job.findings(&CHECK, &two);
        assert_eq!((found.len(), found[0].line, found[0].limit), (1, Some(2), Some(260.0)));
    }

    #[test]
    fn without_a_limit_it_is_skipped() {
        let mut bare = machine();
        bare.tools[0].limit_c = None;
        assert!(skipped(&CHECK, &bare).contains("temperature_c.limit"));
    }
}
