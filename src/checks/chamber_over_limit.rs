//! Chamber targets above the limit.

use super::heat;
use crate::block::{Block, Heater};
use crate::findings::{Built, Check, Explanation, Log, Observer, Severity};
use crate::machine::Machine;

/// The check.
pub const CHECK: Check = Check {
    id: "chamber-over-limit",
    topic: "chamber heat",
    severity: Severity::NoGo,
    summary: "The chamber is commanded above its temperature limit.",
    explain: Explanation {
        what: "the job gives the chamber a target above the highest temperature that the sheet allows.",
        why: "motors, belts, printed parts and the power supply inside or beside the chamber may not withstand the heat, and an \
overheated chamber is a fire hazard. Do not leave a hot machine unattended. The maker's documents come first.",
        how: "each target in °C (M141, M191) is compared with `temperature_limit_c` of `[chamber]`.",
        remedy: "slice with a lower chamber temperature, or correct the sheet if the maker allows more.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build,
};

fn build(machine: &Machine, _: &str) -> Built {
    match machine.chamber.and_then(|chamber| chamber.limit_c) {
        Some(limit_c) => Built::Watching(Box::new(ChamberOverLimit { limit_c })),
        None => Built::Skipped("the sheet gives no `[chamber] temperature_limit_c`".to_owned()),
    }
}

struct ChamberOverLimit {
    limit_c: f64,
}

impl Observer for ChamberOverLimit {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let limit = || heat::TargetLimit { kind: 0, limit_c: Some(self.limit_c), offset_c: 0.0 };
        heat::over_limit(&CHECK, block, log, |heater| (heater == Heater::Chamber).then(limit));
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, skipped};
    use super::*;

    #[test]
    fn a_target_above_the_limit_is_found_and_the_limit_itself_is_not() {
        let job = Job::new().heat(Heater::Chamber, 60.0).heat(Heater::Chamber, 61.0).heat(Heater::Chamber, 61.0);
        let found = job.heat(Heater::Nozzle(0), 250.0).findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].count, found[0].line), (1, 2, Some(2)));
        assert_eq!((found[0].value, found[0].limit), (Some(61.0), Some(60.0)));
        assert!(found[0].message.contains("61 °C") && found[0].message.contains("60 °C"));
    }

    #[test]
    fn without_a_limit_it_is_skipped() {
        let mut bare = machine();
        bare.chamber = None;
        assert!(skipped(&CHECK, &bare).contains("[chamber] temperature_limit_c"));
    }
}
