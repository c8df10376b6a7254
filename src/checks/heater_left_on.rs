//! Heaters that are still on when the job ends.

use super::heat::{Targets, words};
use crate::block::{ActionKind, Block, Heater};
use crate::findings::{Built, Check, Explanation, Hit, Log, Observer, Severity, Spot};
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "heater-left-on",
    topic: "heaters at the end",
    severity: Severity::Hold,
    summary: "A heater is still on when the job ends.",
    explain: Explanation {
        what: "the last target of a nozzle, the bed or the chamber is above 0 when the job ends.",
        why: "the machine goes on heating, often with nobody there. Filament chars in the nozzle and blocks it, and a \
heater that runs unattended for hours is a fire hazard. Do not leave a hot machine unattended; the maker's documents \
come first.",
        how: "the last target in °C of each heater (M104, M109, M140, M190, M141, M191), at the last line.",
        remedy: "switch the heaters off at the end of the job (M104 S0, M140 S0, M141 S0). If you keep the bed warm on \
purpose, set the check to note in the sheet.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Watching(Box::<HeaterLeftOn>::default()),
};

#[derive(Default)]
struct HeaterLeftOn {
    targets: Targets,
}

impl Observer for HeaterLeftOn {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        for action in &block.actions {
            match action.kind {
                ActionKind::Heat { heater, target_c, .. } => self.targets.set(heater, target_c, action.line),
                ActionKind::HeatUnknown { heater } => self.targets.set(heater, 0.0, action.line),
                // It may have switched them off, or others on.
                ActionKind::Unfollowed => self.targets = Targets::default(),
                ActionKind::End => self.targets.iter().for_each(|left| raise(log, left)),
                _ => {}
            }
        }
    }
}

fn raise(log: &mut Log, (heater, target_c, line): (Heater, f64, u64)) {
    let kind = match heater {
        Heater::Bed => 0,
        Heater::Chamber => 1,
        Heater::Nozzle(number) => 2 + u64::from(number),
    };
    let hit = Hit {
        check: &CHECK,
        kind,
        severity: Severity::Hold,
        line,
        value: Some(target_c),
        badness: target_c,
        limit: Some(0.0),
        unit: "°C",
        spot: Spot::Nowhere,
    };
    log.raise(hit, || {
        let (what, target) = (words(heater), figure(target_c));
        format!("{what} is still set to {target} °C when the job ends; it should be off (0 °C).")
    });
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine};
    use super::*;

    #[test]
    fn each_heater_left_on_is_a_finding_at_its_last_target() {
        let job = Job::new().heat(Heater::Nozzle(0), 215.0).heat(Heater::Nozzle(1), 200.0).heat(Heater::Bed, 60.0);
        let found = job.heat(Heater::Nozzle(0), 0.0).heat(Heater::Bed, 55.0).findings(&CHECK, &machine());
        assert_eq!(found.len(), 2);
        assert_eq!((found[0].line, found[0].value), (Some(2), Some(200.0)));
        assert!(found[0].message.contains("nozzle of tool 1") && found[0].message.contains("200 °C"));
        assert_eq!((found[1].line, found[1].value, found[1].count), (Some(5), Some(55.0), 1));
    }

    #[test]
    fn switched_off_or_never_on_is_fine() {
        let job = Job::new().heat(Heater::Chamber, 0.0).heat(Heater::Bed, 60.0).heat(Heater::Bed, 0.0);
        assert!(job.findings(&CHECK, &machine()).is_empty());
    }

    #[test]
    fn thousands_of_tool_numbers_are_survived() {
        let job = (0..2000).fold(Job::new(), |job, number| job.heat(Heater::Nozzle(number), 200.0));
        assert_eq!(job.findings(&CHECK, &machine()).len(), 256);
    }
}
