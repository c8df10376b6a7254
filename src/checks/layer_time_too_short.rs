//! Layers that are laid before the one below has cooled.

use crate::block::Block;
use crate::findings::{Built, Check, Explanation, Hit, Inspection, Log, Observer, Severity, Spot};
use crate::machine::Machine;
use crate::physics::standing::{LaidLayer, LayerTimes};
use crate::wording::figure;

use super::heat;

/// The check.
pub const CHECK: Check = Check {
    id: "layer-time-too-short",
    topic: "time to cool",
    severity: Severity::Hold,
    summary: "A layer is laid on one that has had less time to cool than the sheet wants.",
    explain: Explanation {
        what: "the places of a layer were laid a shorter time ago, on average, than `layer_time_min_s` of the tool.",
        why: "plastic that is still soft gives way under the next layer: small tops and thin towers come out rounded, and \
overhangs curl up. Faster accelerations shorten small layers most.",
        how: "the lines laid along X or Y are entered in a map with squares of 1 mm (on a very large bed larger ones). Where a line \
goes over a square that was laid at least 0.04 mm lower, the time since its first line there counts, pauses and waits included; \
a line that would be wider than twice the nozzle if it lay on the other lies beside it and does not count. The mean over the \
squares of all lines at one height is compared with `layer_time_min_s` in s. A path that repeats itself \
layer by layer has its own time so, wherever it begins. A layer that mostly lies on the bare bed, and lines that climb (ramps \
at a seam, spirals), are not judged. Homing Z, or a macro that is not described, empties the map. How \
long plastic takes to cool depends on its fan and its width: the number is for you to measure. The rule is gonogo's own.",
        remedy: "print several parts at once or a slower outline on small layers, or lower the acceleration or the nozzle's \
temperature.",
    },
    heat_or_travel: false,
    timed: true,
    unchecked: None,
    build,
};

/// Slack for rounding, s.
const SLACK_S: f64 = 1e-6;

fn build(machine: &Machine, _: &str) -> Built {
    let least_s = heat::per_tool(machine, |tool| tool.layer_time_min_s);
    if least_s.iter().all(Option::is_none) {
        return Built::Skipped("the sheet gives no `[[tool]] layer_time_min_s`".to_owned());
    }
    Built::Watching(Box::new(LayerTimeTooShort { least_s, times: LayerTimes::new(machine) }))
}

struct LayerTimeTooShort {
    least_s: Vec<Option<f64>>,
    times: LayerTimes,
}

fn judge(layer: &LaidLayer, least_s: &[Option<f64>], log: &mut Log) {
    let least_s = least_s.get(layer.tool_index).copied().flatten();
    let Some((since_s, least_s)) = layer.since_s.zip(least_s) else { return };
    if since_s + SLACK_S >= least_s {
        return;
    }
    let hit = Hit {
        value: Some(since_s),
        badness: least_s - since_s,
        limit: Some(least_s),
        unit: "s",
        spot: Spot::At(layer.place_mm),
        ..Hit::plain(&CHECK, 0, CHECK.severity, layer.line)
    };
    log.raise(hit, || {
        let (z, since, least) = (figure(layer.z_mm), figure(since_s), figure(least_s));
        format!(
            "The layer at Z {z} mm is laid {since} s after what is below it; the tool needs {least} s to let it cool."
        )
    });
}

impl Observer for LayerTimeTooShort {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let least_s = &self.least_s;
        self.times.follow(block, |layer| judge(&layer, least_s, log));
    }

    fn finish(&mut self, _draft: &mut Inspection, log: &mut Log) {
        if let Some(layer) = self.times.last() {
            judge(&layer, &self.least_s, log);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, skipped};
    use super::*;
    use crate::block::ActionKind;

    /// Square turns of 20 mm at 50 mm/s, 0.2 mm apart: 1.6 s each, and a pause between them.
    fn tower(pause_s: f64, layers: u32) -> Job {
        let mut job = Job::new();
        for layer in 1..=layers {
            let z = 0.2 * f64::from(layer);
            job = job.to([50.0, 50.0, z], 0.0);
            for [x, y] in [[70.0, 50.0], [70.0, 70.0], [50.0, 70.0], [50.0, 50.0]] {
                job = job.to([x, y, z], 1.0);
            }
            job = job.act_for(ActionKind::Dwell, pause_s);
        }
        job
    }

    fn slow() -> Machine {
        let mut slow = machine();
        slow.tools[0].layer_time_min_s = Some(3.0);
        slow
    }

    /// A first layer crosses a purge line and a ramp climbs over its own seam: neither has anything to wait for.
    #[test]
    fn what_lies_on_the_bed_and_what_climbs_is_not_judged() {
        let purge = Job::new().to([20.0, 50.0, 0.2], 0.0).to([80.0, 50.0, 0.2], 3.0).to([50.0, 40.0, 0.28], 0.0);
        assert!(purge.to([50.0, 70.0, 0.28], 1.0).findings(&CHECK, &slow()).is_empty());
        let ramp = Job::new().to([20.0, 50.0, 0.1], 0.0).to([30.0, 50.0, 0.3], 0.5).to([20.0, 50.0, 0.5], 0.5);
        assert!(ramp.findings(&CHECK, &slow()).is_empty());
    }

    #[test]
    fn a_tower_has_the_time_of_its_turns() {
        // From one turn to the next 80 mm at 50 mm/s, 0.2 mm up at 50 mm/s and the pause.
        let turn_s = 80.0 / 50.0 + 0.2 / 50.0;
        assert!(tower(3.0 - turn_s, 5).findings(&CHECK, &slow()).is_empty());
        let found = tower(2.9 - turn_s, 5).findings(&CHECK, &slow());
        // The first layer lies on the bed. Each takes six lines of the job.
        assert_eq!((found[0].count, found[0].line, &found[0].lines[..]), (4, Some(8), &[8, 14, 20, 26][..]));
        assert!((found[0].value.expect("s") - 2.9).abs() < 1e-9, "{found:?}");
        assert!(found[0].message.contains("2.9 s after") && found[0].message.contains("needs 3 s"), "{found:?}");
    }

    #[test]
    fn two_towers_give_each_other_time_and_one_after_another_do_not() {
        let turn = |mut job: Job, x0: f64, z: f64| {
            job = job.to([x0, 50.0, z], 0.0);
            for [x, y] in [[20.0, 0.0], [20.0, 20.0], [0.0, 20.0], [0.0, 0.0]] {
                job = job.to([x0 + x, 50.0 + y, z], 1.0);
            }
            job
        };
        let (mut together, mut apart) = (Job::new(), Job::new());
        for k in 1..=4 {
            let z = 0.2 * f64::from(k);
            together = turn(turn(together, 40.0, z), 90.0, z);
            apart = turn(apart, 40.0, z);
        }
        for k in 1..=4 {
            apart = turn(apart, 90.0, 0.2 * f64::from(k));
        }
        // Two turns and two ways between them: 3.2 s and about 2 s.
        assert!(together.findings(&CHECK, &slow()).is_empty());
        assert_eq!(apart.findings(&CHECK, &slow())[0].count, 6);
    }

    /// Walls half a layer apart lie beside each other: each waits for the turn of both.
    #[test]
    fn walls_at_half_heights_lie_side_by_side() {
        let wall = |mut job: Job, inset: f64, z: f64, e_mm: f64| {
            let (low, high) = (50.0 + inset, 70.0 - inset);
            job = job.to([low, low, z], 0.0);
            for [x, y] in [[high, low], [high, high], [low, high], [low, low]] {
                job = job.to([x, y, z], e_mm);
            }
            job
        };
        // 0.42 x 0.2 mm of 20 mm, from filament of 1.75 mm: 0.7 mm. Twice 1.6 s a layer; alone each would have 1.6 s.
        let staggered = |e_mm: f64| {
            (1..=6).fold(Job::new(), |job, k| {
                let z = 0.2 * f64::from(k);
                wall(wall(job, 0.0, z, e_mm), 0.42, z + 0.1, e_mm)
            })
        };
        assert!(staggered(0.7).findings(&CHECK, &slow()).is_empty());
        // Lines of half the height lie on each other.
        assert!(!staggered(0.35).findings(&CHECK, &slow()).is_empty());
    }

    #[test]
    fn other_ground_and_homing_begin_anew() {
        let job = tower(0.0, 1).home([false, false, true]).to([50.0, 50.0, 0.4], 0.0).to([70.0, 50.0, 0.4], 1.0);
        assert!(job.findings(&CHECK, &slow()).is_empty());
        assert!(skipped(&CHECK, &machine()).contains("layer_time_min_s"));
    }
}
