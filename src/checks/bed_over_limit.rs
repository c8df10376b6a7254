//! Bed targets above the limit.

use super::heat;
use crate::block::{Block, Heater};
use crate::findings::{Built, Check, Explanation, Log, Observer, Severity};
use crate::machine::Machine;

/// The check.
pub const CHECK: Check = Check {
    id: "bed-over-limit",
    topic: "bed heat",
    severity: Severity::NoGo,
    summary: "The bed is commanded above its temperature limit.",
    explain: Explanation {
        what: "the job gives the bed a target above the highest temperature that the sheet allows.",
        why: "an overheated bed damages its magnets, glue and build surface, and its wiring, connector and switch are the parts of \
a desktop machine that burn most easily. Do not leave a hot machine unattended. The maker's documents come first.",
        how: "each target in °C (M140, M190) is compared with `temperature_limit_c` of `[bed]`.",
        remedy: "slice with a lower bed temperature, or correct the sheet if the maker allows more.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: Some("bed temperature"),
    build,
};

fn build(machine: &Machine, _: &str) -> Built {
    match machine.bed.and_then(|bed| bed.limit_c) {
        Some(limit_c) => Built::Watching(Box::new(BedOverLimit { limit_c })),
        None => Built::Skipped("the sheet gives no `[bed] temperature_limit_c`".to_owned()),
    }
}

struct BedOverLimit {
    limit_c: f64,
}

impl Observer for BedOverLimit {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let limit = || heat::TargetLimit { kind: 0, limit_c: Some(self.limit_c), offset_c: 0.0 };
        heat::over_limit(&CHECK, block, log, |heater| (heater == Heater::Bed).then(limit));
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, skipped};
    use super::*;

    #[test]
    fn a_target_above_the_limit_is_found_and_the_limit_itself_is_not() {
        let job = Job::new().heat(Heater::Bed, 100.0).heat(Heater::Bed, 101.0).heat(Heater::Bed, 101.0);
        let found = job.heat(Heater::Nozzle(0), 250.0).findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].count, found[0].line), (1, 2, Some(2)));
        assert_eq!((found[0].value, found[0].limit), (Some(101.0), Some(100.0)));
        assert!(found[0].message.contains("101 °C") && found[0].message.contains("100 °C"));
    }

    #[test]
    fn without_a_limit_it_is_skipped() {
        let mut bare = machine();
        bare.bed = None;
        assert!(skipped(&CHECK, &bare).contains("[bed] temperature_limit_c"));
    }
}
