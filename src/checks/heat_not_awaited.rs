//! Filament pushed on a nozzle temperature that nobody waited for.

use super::extrudes_cold::SLACK_C;
use super::heat;
use crate::block::{Block, NozzleSpan};
use crate::findings::{Built, Check, Explanation, Hit, Log, Observer, Severity};
use crate::machine::Machine;
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "heat-not-awaited",
    topic: "waits for heat",
    severity: Severity::Hold,
    summary: "Filament is pushed without waiting for the nozzle to be warm.",
    explain: Explanation {
        what: "the extruder pushes filament after a nozzle temperature was set that the job never waits for, or after \
the heater was turned down below the lowest temperature for extrusion. It is judged on tools for which the sheet gives no \
heating law; with one, the temperature is known and `extrudes-cold` judges it.",
        why: "a nozzle takes minutes to heat. Filament pushed into a cold one is ground by the drive, or the controller \
refuses the move, and the print starts with nothing on the bed.",
        how: "without a heating law the nozzle has the temperature that was last waited for (M109, M116): a lower target \
counts as reached at once, a higher one that is not waited for does not, and one that was never waited for leaves it at \
`ambient_c`. That temperature is compared with `temperature_c.extrude_min` of the tool in use. Common practice, no \
source.",
        remedy: "wait for the nozzle (M109 S…) before the first extrusion. If a macro or the operator heats it, heat before \
the job starts. A heating law in the sheet (`heating = { … }`) tells how warm it really is.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build,
};

/// The target is high enough and was not waited for.
const TOO_EARLY: u64 = 0;
/// The target itself is too low.
const TURNED_DOWN: u64 = 1;

fn build(machine: &Machine, _: &str) -> Built {
    let extrude_min_c = heat::per_tool(machine, |tool| tool.extrude_min_c);
    if extrude_min_c.iter().all(Option::is_none) {
        return Built::Skipped("the sheet gives no `[[tool]] temperature_c.extrude_min`".to_owned());
    }
    Built::Watching(Box::new(HeatNotAwaited { extrude_min_c }))
}

struct HeatNotAwaited {
    extrude_min_c: Vec<Option<f64>>,
}

impl Observer for HeatNotAwaited {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let NozzleSpan { start_c, target_c, time_constant_s: None, awaited: false, .. } = block.nozzle else { return };
        let min_c = self.extrude_min_c.get(block.tool_index).copied().flatten();
        let Some((at_c, min_c)) = start_c.zip(min_c).filter(|(at_c, min_c)| *at_c < min_c - SLACK_C) else { return };
        let kind = if target_c < min_c { TURNED_DOWN } else { TOO_EARLY };
        for i in (0..block.len()).filter(|&i| block.de_mm[i] > 0.0) {
            let plain = Hit::plain(&CHECK, kind, CHECK.severity, block.line[i]);
            let hit = Hit { value: Some(at_c), badness: min_c - at_c, limit: Some(min_c), unit: "°C", ..plain };
            log.raise(hit, || message(kind, target_c, min_c));
        }
    }
}

fn message(kind: u64, target_c: f64, min_c: f64) -> String {
    let (target, min) = (figure(target_c), figure(min_c));
    if kind == TURNED_DOWN {
        return format!(
            "Filament is pushed after the nozzle was turned down to {target} °C; the tool needs at least {min} °C, and \
             without a heating law nobody knows how warm it still is."
        );
    }
    format!(
        "Filament is pushed while the nozzle may still be cold: its target of {target} °C was never waited for, and the \
         tool needs at least {min} °C."
    )
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine};
    use super::*;

    fn span(start_c: f64, target_c: f64) -> NozzleSpan {
        NozzleSpan { start_c: Some(start_c), toward_c: target_c, target_c, ..NozzleSpan::default() }
    }

    #[test]
    fn a_target_that_was_not_waited_for_is_found() {
        let job = Job::new().nozzle(span(20.0, 210.0)).to([10.0, 0.0, 0.0], 0.5).to([20.0, 0.0, 0.0], 0.0);
        let found = job.to([30.0, 0.0, 0.0], 0.5).findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].count, found[0].line, found[0].value), (1, 2, Some(1), Some(20.0)));
        assert!(found[0].message.contains("210 °C was never waited for"), "{}", found[0].message);
    }

    #[test]
    fn one_that_was_turned_down_is_found_and_a_small_rise_is_not() {
        let down = Job::new().nozzle(span(20.0, 0.0)).to([10.0, 0.0, 0.0], 0.5).findings(&CHECK, &machine());
        assert!(down[0].message.contains("turned down to 0 °C"), "{}", down[0].message);
        let rise = Job::new().nozzle(span(200.0, 215.0)).to([10.0, 0.0, 0.0], 0.5);
        assert!(rise.findings(&CHECK, &machine()).is_empty(), "200 °C were waited for");
    }

    #[test]
    fn what_was_waited_for_or_has_a_law_is_left_to_the_other_check() {
        let awaited = NozzleSpan { awaited: true, ..span(100.0, 100.0) };
        let lawful = NozzleSpan { time_constant_s: Some(60.0), ..span(20.0, 210.0) };
        for span in [awaited, lawful, NozzleSpan::default()] {
            assert!(Job::new().nozzle(span).to([10.0, 0.0, 0.0], 0.5).findings(&CHECK, &machine()).is_empty());
        }
    }
}
