//! Ringing of the structure beyond what the sheet accepts.

use crate::block::Block;
use crate::findings::{Built, Check, Explanation, Hit, Inspection, Log, Observer, Ringing, Severity};
use crate::machine::{Direction, Machine};
use crate::vectors::columns;
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "rings-frame",
    topic: "ringing",
    severity: Severity::Hold,
    summary: "The structure rings more than accepted while the job extrudes: marks on the walls.",
    explain: Explanation {
        what: "while filament is pushed along the path, the structure swings with a larger amplitude than \
`ringing_mm`.",
        why: "after each corner and each change of acceleration the head or the bed swings on at its natural \
frequency. The wall shows it as waves that fade away, a distance of speed / frequency apart.",
        how: "each `[[structure]]` mode is an oscillator x'' + 2 z w x' + w² x = -a on a base with the planned \
acceleration a of its direction, and steps of speed at corners and from and to rest; solved exactly from phase to phase \
(Chopra, Dynamics of Structures, ch. 4; from memory). Under a steady acceleration the structure sags by a / w² without \
waves, so the amplitude in mm is that about the momentary sag. Modes along one direction are added. Arcs are cut into \
pieces, which changes the amplitude by at most 0.0005 mm for each phase of a move. A shaper of the sheet is applied \
first: the motion is convolved with its impulses. Any ringing above the limit is a note, and a hold when it lasts for \
more than 1 % of the extruding time and more than 1 s, or for more than 300 s: those bounds are our own. It is never a \
no-go by itself: it costs looks, not the machine. Modes are as good as their measurement; belts, motors and a part that \
swings with the bed are not in it.",
        remedy: "lower the acceleration, or the jerk or junction deviation that sets the step of speed at corners; stiffen \
the frame; or tune an impulse shaper of the controller to the frequency that is named.",
    },
    heat_or_travel: false,
    timed: true,
    unchecked: None,
    build,
};

/// Shares and times above the limit that make it a hold.
const HOLD_SHARE: f64 = 0.01;
const HOLD_LEAST_S: f64 = 1.0;
const HOLD_ALWAYS_S: f64 = 300.0;

fn build(machine: &Machine, _: &str) -> Built {
    let structure = &machine.structure;
    if structure.modes.is_empty() {
        return Built::Skipped("the sheet gives no `[[structure]]`".to_owned());
    }
    let Some(limit_mm) = structure.ringing_limit_mm else {
        return Built::Skipped("the sheet gives no `[structure_limits] ringing_mm`".to_owned());
    };
    Built::Watching(Box::new(RingsFrame { directions: structure.directions(), limit_mm }))
}

struct RingsFrame {
    directions: Vec<Direction>,
    limit_mm: f64,
}

impl Observer for RingsFrame {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        for (kind, (column, along)) in block.ringing_mm.iter().zip(&self.directions).enumerate() {
            let ringing_mm = &column[..block.len()];
            let most = block.vectors.run(
                #[inline(always)]
                || columns::most(ringing_mm, 0.0),
            );
            if most <= self.limit_mm {
                continue;
            }
            for (i, &mm) in ringing_mm.iter().enumerate() {
                if mm > self.limit_mm && block.extrudes(i) {
                    let hit = Hit {
                        value: Some(mm),
                        badness: mm,
                        limit: Some(self.limit_mm),
                        unit: "mm",
                        ..Hit::plain(&CHECK, kind as u64, Severity::Note, block.line[i])
                    };
                    log.raise(hit, || format!("The structure rings {} mm along {}.", figure(mm), along.word()));
                }
            }
        }
    }

    fn finish(&mut self, draft: &mut Inspection, log: &mut Log) {
        for (kind, ringing) in draft.ringing.iter().enumerate() {
            let (severity, message) = judge(ringing, draft.time_s.extruding);
            log.reconsider(&CHECK, kind as u64, [Severity::Note, severity], message);
        }
    }
}

/// How much the ringing along one direction weighs, in one sentence.
fn judge(ringing: &Ringing, extruding_s: f64) -> (Severity, String) {
    let over_s = ringing.over_limit_s.unwrap_or(0.0);
    let share = if extruding_s > 0.0 { over_s / extruding_s } else { 0.0 };
    let much = (share > HOLD_SHARE && over_s > HOLD_LEAST_S) || over_s > HOLD_ALWAYS_S;
    let number = |value: Option<f64>| value.map(figure).unwrap_or_default();
    let message = format!(
        "The structure rings up to {} mm along {} at {} Hz while extruding, above {} mm for {} s ({} % of the time); \
         at the worst place its marks are {} mm apart.",
        figure(ringing.peak_mm),
        ringing.axis,
        number(ringing.peak_hz),
        number(ringing.limit_mm),
        figure(over_s),
        figure(share * 100.0),
        number(ringing.mark_spacing_mm.map(|mm| (mm * 100.0).round() / 100.0)),
    );
    (if much { Severity::Hold } else { Severity::Note }, message)
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, skipped};
    use super::*;
    use crate::machine::{Mode, Override};
    use crate::preflight::{JobSource, Preflight};

    fn swinging(limit_mm: Option<f64>) -> Machine {
        let mut machine = machine();
        machine.structure.modes = vec![Mode { along: Direction::X, natural_hz: 40.0, damping_ratio: 0.05, share: 1.0 }];
        machine.structure.ringing_limit_mm = limit_mm;
        machine
    }

    /// A square of `size` mm, so many times round, on the planned machine: X steps by 8 mm/s at corners.
    fn squares(size: f64, times: usize) -> String {
        let round = format!("G1 X{0} Y50\nG1 X{0} Y{0}\nG1 X50 Y{0}\nG1 X50 Y50\n", 50.0 + size).replace('\n', " E1\n");
        format!(
            "G28\nM109 S200\nM83\nG1 X50 Y50 Z0.2 F6000\nG1 F3600\n{}M104 S0\n",
            round.replace(" E1", " E0.5").repeat(times)
        )
    }

    fn found(machine: &Machine, job: &str) -> Vec<crate::findings::Finding> {
        let report =
            Preflight::on(machine).run(JobSource::stream(job.as_bytes(), "job.gcode")).expect("memory can be read");
        report.findings.into_iter().filter(|finding| finding.check == CHECK.id).collect()
    }

    #[test]
    fn one_corner_is_a_note_and_many_are_a_hold() {
        // 8 mm/s at 40 Hz ring 8 / ω_d = 0.0319 mm, and the start of slowing down adds to it.
        let one = found(&swinging(Some(0.03)), &squares(40.0, 1));
        assert_eq!((one.len(), one[0].severity), (1, Severity::Note));
        assert!(one[0].message.contains("along x at 40 Hz") && one[0].unit == "mm", "{}", one[0].message);
        let many = found(&swinging(Some(0.02)), &squares(4.0, 60));
        assert_eq!((many.len(), many[0].severity, many[0].limit), (1, Severity::Hold, Some(0.02)));
        assert!(many[0].count >= 120 && many[0].excerpts[0].text.starts_with("G1 X"), "{:?}", many[0]);
        let mut milder = swinging(Some(0.02));
        milder.severities.insert(CHECK.id.to_owned(), Override::Severity(Severity::Note));
        let many = found(&milder, &squares(4.0, 60));
        assert!(many[0].severity == Severity::Note && many[0].message.contains("% of the time"), "{:?}", many[0]);
    }

    #[test]
    fn below_the_limit_and_on_travel_it_is_silent() {
        assert!(found(&swinging(Some(0.2)), &squares(4.0, 60)).is_empty());
        assert!(found(&swinging(Some(0.02)), &squares(4.0, 60).replace(" E0.5", "")).is_empty());
    }

    #[test]
    fn blocks_without_columns_are_silent() {
        let job = Job::new().to([10.0, 0.0, 0.0], 0.1).to([10.0, 10.0, 0.0], 0.1);
        assert!(job.findings(&CHECK, &swinging(Some(1e-6))).is_empty());
    }

    #[test]
    fn bounds_of_a_hold() {
        let ringing = |over_s| Ringing {
            axis: "y".into(),
            peak_mm: 0.05,
            peak_line: Some(7),
            peak_hz: Some(40.0),
            mark_spacing_mm: Some(2.5),
            p95_mm: Some(0.01),
            limit_mm: Some(0.03),
            over_limit_s: Some(over_s),
        };
        for (over_s, extruding_s, severity) in [
            (0.9, 50.0, Severity::Note),
            (1.1, 200.0, Severity::Note),
            (1.1, 100.0, Severity::Hold),
            (299.0, 40_000.0, Severity::Note),
            (301.0, 40_000.0, Severity::Hold),
        ] {
            assert_eq!(judge(&ringing(over_s), extruding_s).0, severity, "{over_s} of {extruding_s}");
        }
        let message = judge(&ringing(1.1), 100.0).1;
        assert!(message.contains("above 0.03 mm for 1.1 s (1.1 % of the time)"), "{message}");
        assert!(message.ends_with("its marks are 2.5 mm apart."));
    }

    #[test]
    fn it_needs_modes_and_a_limit() {
        assert!(skipped(&CHECK, &machine()).contains("[[structure]]"));
        assert!(skipped(&CHECK, &swinging(None)).contains("ringing_mm"));
    }
}
