//! Filament pushed through a nozzle that is too cold.

use super::heat;
use crate::block::{ActionKind, Block, Heater, NozzleSpan};
use crate::findings::{Built, Check, Explanation, Hit, Hits, Inspection, LINES_KEPT, Log, Observer, Severity, Spot};
use crate::machine::Machine;
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "extrudes-cold",
    topic: "cold extrusion",
    severity: Severity::NoGo,
    summary: "Filament is pushed through a nozzle that is too cold.",
    explain: Explanation {
        what: "the extruder pushes filament while the nozzle in use is below the lowest temperature at which the \
sheet allows it. A job that sets no nozzle temperature at all leaves the heat to the operator and is held, once.",
        why: "filament that does not melt does not come out. The drive grinds it, or the controller refuses the move \
and prints nothing from there on.",
        how: "the temperature in °C at the start of each move that pushes filament. With a heating law in the \
sheet it follows Newton's law of heating and cooling, T(t) = T∞ + (T0 - T∞) exp(-t / time constant), held at the \
target once reached; without one, a target that the job waits for counts as reached, and `heat-not-awaited` judges those it \
does not wait for. It is compared with \
`temperature_c.extrude_min` of the tool in use. An unheated nozzle has the temperature of the room; a lowest \
temperature at or below that, such as 0 for paste, allows cold extrusion.",
        remedy: "wait for the temperature before the first extrusion (M109), and look for a target lost or set to 0 too \
early. Where a job is meant to be heated by hand, heat first and start it then.",
    },
    heat_or_travel: true,
    timed: true,
    unchecked: Some("cold extrusion"),
    build,
};

/// Slack for rounding where a wait ends at the very limit, °C.
pub(super) const SLACK_C: f64 = 1e-6;

fn build(machine: &Machine, _: &str) -> Built {
    let extrude_min_c = heat::per_tool(machine, |tool| tool.extrude_min_c);
    if extrude_min_c.iter().all(Option::is_none) {
        return Built::Skipped("the sheet gives no `[[tool]] temperature_c.extrude_min`".to_owned());
    }
    Built::Watching(Box::new(ExtrudesCold {
        extrude_min_c,
        ambient_c: machine.ambient_c,
        cold: Hits::default(),
        unheated: Unheated::default(),
    }))
}

struct ExtrudesCold {
    extrude_min_c: Vec<Option<f64>>,
    ambient_c: f64,
    /// In the block in hand.
    cold: Hits,
    unheated: Unheated,
}

/// Extrusion before any temperature was commanded.
#[derive(Default)]
struct Unheated {
    /// With where the machine is on them, mm.
    lines: Vec<(u64, [f64; 3])>,
    count: u64,
    last: (u64, [f64; 3]),
    min_c: f64,
}

impl Observer for ExtrudesCold {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        if let Some(min_c) = self.extrude_min_c.get(block.tool_index).copied().flatten() {
            match block.nozzle.at(0.0) {
                Some(start_c) => {
                    judge(block, start_c, min_c, &mut self.cold);
                    // A nozzle that cools gets worse with each move: one message for all of a block.
                    log.raise_all(&mut self.cold, |worst| {
                        let (at, min) = (figure(worst.value.unwrap_or(f64::NAN)), figure(min_c));
                        format!("Filament is pushed with the nozzle at {at} °C; the tool needs at least {min} °C.")
                    });
                }
                None if block.nozzle.unknown => {}
                None if min_c > self.ambient_c => self.unheated.collect(block, min_c),
                None => {}
            }
        }
        if self.unheated.count > 0 && block.actions.iter().any(|action| heats_nozzle(&action.kind)) {
            self.unheated.raise(log);
        }
    }

    fn finish(&mut self, _draft: &mut Inspection, log: &mut Log) {
        if let Some(&(first, _)) = self.unheated.lines.first() {
            let hit =
                Hit { kind: 2, severity: Severity::Hold, line: 0, value: None, ..hit(0, 0.0, self.unheated.min_c) };
            log.raise(hit, || {
                format!(
                    "No nozzle temperature anywhere in the job: heat is left to the operator \
                     (filament is first pushed on line {first})."
                )
            });
        }
    }
}

fn heats_nozzle(kind: &ActionKind) -> bool {
    match kind {
        ActionKind::Heat { heater: Heater::Nozzle(_), target_c, .. } => *target_c > 0.0,
        ActionKind::HeatUnknown { heater: Heater::Nozzle(_) } => true,
        _ => false,
    }
}

fn hit(line: u64, at_c: f64, min_c: f64) -> Hit {
    Hit {
        check: &CHECK,
        kind: 0,
        severity: Severity::NoGo,
        line,
        value: Some(at_c),
        badness: min_c - at_c,
        limit: Some(min_c),
        unit: "°C",
        spot: Spot::InBlock,
    }
}

fn judge(block: &Block, start_c: f64, min_c: f64, cold: &mut Hits) {
    let bound_c = min_c - SLACK_C;
    if block.nozzle.time_constant_s.is_none() && (!block.nozzle.awaited || start_c >= bound_c) {
        return;
    }
    // Monotone: it falls no lower than the target, or rises (with too weak a heater, falls) toward what it tends to.
    let NozzleSpan { toward_c, target_c, .. } = block.nozzle;
    if start_c >= bound_c && (if start_c < target_c { toward_c } else { target_c }) >= bound_c {
        return;
    }
    let mut after_s = 0.0;
    for i in 0..block.len() {
        if block.de_mm[i] > 0.0
            && let Some(at_c) = block.nozzle.at(after_s)
            && at_c < bound_c
        {
            cold.add(block.line[i], min_c - at_c, || hit(block.line[i], at_c, min_c));
        }
        after_s += block.time_s[i];
    }
}

impl Unheated {
    fn collect(&mut self, block: &Block, min_c: f64) {
        for i in (0..block.len()).filter(|&i| block.de_mm[i] > 0.0) {
            self.last = (block.line[i], block.end(i));
            if self.lines.len() < LINES_KEPT {
                self.lines.push(self.last);
            }
            self.count += 1;
            self.min_c = self.min_c.max(min_c);
        }
    }

    /// A temperature comes later in the job: what was pushed before it was pushed cold.
    fn raise(&mut self, log: &mut Log) {
        let Self { lines, count, last, min_c } = std::mem::take(self);
        let later = (count as usize).saturating_sub(lines.len());
        for (line, place_mm) in lines.into_iter().chain(std::iter::repeat_n(last, later)) {
            let hit = Hit { kind: 1, value: None, badness: 0.0, spot: Spot::At(place_mm), ..hit(line, 0.0, min_c) };
            log.raise(hit, || {
                let min = figure(min_c);
                format!("Filament is pushed before any nozzle temperature is set; the tool needs at least {min} °C.")
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, skipped};
    use super::*;

    fn span(start_c: f64, toward_c: f64, target_c: f64, time_constant_s: Option<f64>) -> NozzleSpan {
        NozzleSpan {
            start_c: Some(start_c),
            elapsed_s: 0.0,
            toward_c,
            target_c,
            time_constant_s,
            awaited: true,
            unknown: false,
            unawaited: false,
        }
    }

    #[test]
    fn a_cooling_nozzle_is_found_at_its_coldest() {
        // From 200 °C toward 20 °C with 100 s: below 170 °C after 18.2 s. Each move takes 10 s.
        let job = Job::new().speed(1.0).nozzle(span(200.0, 20.0, 0.0, Some(100.0)));
        let job = job.to([10.0, 0.0, 0.0], 0.5).to([20.0, 0.0, 0.0], 0.5).to([30.0, 0.0, 0.0], 0.5);
        let found = job.to([40.0, 0.0, 0.0], 0.0).to([50.0, 0.0, 0.0], 0.5).findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].count, found[0].line, found[0].worst_line), (1, 2, Some(3), Some(5)));
        let expected = 20.0 + 180.0 * (-0.4_f64).exp();
        assert!((found[0].value.unwrap() - expected).abs() < 1e-9);
        assert!(found[0].message.contains("170 °C"));
    }

    #[test]
    fn at_the_limit_it_is_warm_enough() {
        let job = Job::new().nozzle(span(170.0, 170.0, 170.0, None)).to([10.0, 0.0, 0.0], 0.5);
        assert!(job.findings(&CHECK, &machine()).is_empty());
        let job = Job::new().nozzle(span(169.9, 169.9, 169.9, None)).filament(-1.0).filament(1.0);
        let found = job.findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].count, found[0].line), (1, 1, Some(2)), "retraction alone is no finding");
    }

    #[test]
    fn a_temperature_that_comes_too_late_is_a_no_go() {
        let job = Job::new().nozzle(NozzleSpan::default()).to([10.0, 0.0, 0.0], 0.5).to([20.0, 0.0, 0.0], 0.5);
        let job = job.heat(Heater::Nozzle(0), 215.0).nozzle(span(215.0, 215.0, 215.0, None));
        let found = job.to([10.0, 0.0, 0.0], 0.5).findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].severity, found[0].count), (1, Severity::NoGo, 2));
        assert_eq!((found[0].line, found[0].last_line), (Some(1), Some(2)));
    }

    #[test]
    fn counts_beyond_the_lines_kept_stay_right() {
        let mut job = Job::new().nozzle(NozzleSpan::default());
        for n in 1..=150 {
            job = job.to([f64::from(n), 0.0, 0.0], 0.05);
        }
        let found = job.heat(Heater::Nozzle(0), 200.0).findings(&CHECK, &machine());
        assert_eq!((found[0].count, found[0].line, found[0].last_line), (150, Some(1), Some(150)));
    }

    #[test]
    fn no_temperature_at_all_is_one_hold() {
        let job = Job::new().nozzle(NozzleSpan::default()).to([10.0, 0.0, 0.0], 0.5).to([20.0, 0.0, 0.0], 0.5);
        let found = job.heat(Heater::Nozzle(0), 0.0).findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].severity, found[0].line, found[0].count), (1, Severity::Hold, None, 1));
        let mut paste = machine();
        paste.tools[0].extrude_min_c = Some(0.0);
        let job = Job::new().nozzle(NozzleSpan::default()).to([10.0, 0.0, 0.0], 0.5);
        assert!(job.findings(&CHECK, &paste).is_empty(), "0 allows cold extrusion");
    }

    #[test]
    fn without_a_lowest_temperature_it_is_skipped() {
        let mut bare = machine();
        bare.tools[0].extrude_min_c = None;
        assert!(skipped(&CHECK, &bare).contains("temperature_c.extrude_min"));
    }
}
