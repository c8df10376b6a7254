//! An extruder that its lead asks for more than it can do.

use super::purge_line::OnPurgeLine;
use crate::block::{Block, Driven};
use crate::findings::{Built, Check, Explanation, Hit, Inspection, Log, Observer, Severity};
use crate::machine::{CornerRule, E, Machine};
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "extruder-overdriven",
    topic: "lead of the extruder",
    severity: Severity::Hold,
    summary: "With the lead of the filament the extruder is asked for more than it can do.",
    explain: Explanation {
        what: "what the controller pushes ahead of pressure makes the extruder go faster, speed up more, jump more or step more \
often than its limits allow.",
        why: "the plan keeps the limits for the filament that the job asks for; the lead comes on top of it while the machine \
speeds up and slows down. A motor beyond its limits skips steps: lines get thin there, and the lead does more harm than good.",
        how: "with a lead K in s the extruder runs at v + K a, v the speed of the filament in mm/s and a its acceleration in \
mm/s²; a jump of v asks for K times as much filament at once, which is spread over `controller.step_spread_s`; without that it \
stays uncompensated, and the report says so. Speed is compared with `feed_rate_limit_mm_s.e`, acceleration within a ramp with \
`acceleration_limit_mm_s2.e`, the sudden change K a at the ends of a ramp with `jerk_mm_s.e` (or `lead_jump_limit_mm_s`, where \
the sheet gives it), steps a second with `step_rate_limit_hz` by `steps_per_mm.e`. The first three are limits as they are in \
the sheet. Only moves along a path that push filament get the lead; those that push less than a step of the motor are left out, \
and what lies on a purge line is a note. Ramps that begin and end without acceleration (`motion.ramp`) make no sudden change. The \
formula follows from what a lead is; common practice, no source.",
        remedy: "lower the acceleration of printing or the lead; where the controller can lower the acceleration by itself, switch \
that on and write `controller.lead_jump_limit_mm_s`.",
    },
    heat_or_travel: false,
    timed: true,
    unchecked: None,
    build,
};

/// Share of a limit by which rounding may exceed it.
const ROUNDING: f64 = 1.0 + 1e-9;

fn build(machine: &Machine, _: &str) -> Built {
    if machine.tools.iter().all(|tool| tool.pressure_lag.is_empty()) {
        return Built::Skipped("the sheet gives no `[[tool]] pressure_lag_s`".to_owned());
    }
    let limits = &machine.motion.limits;
    let by_jerk = match limits.corner {
        CornerRule::Jerk | CornerRule::JerkByLargerSpeed => limits.jerk_mm_s[E],
        CornerRule::JunctionDeviation => f64::INFINITY,
    };
    let jump_mm_s = if limits.lead_jump_mm_s.is_finite() { limits.lead_jump_mm_s } else { by_jerk };
    let steps_per_mm = machine.controller.steps_per_mm[E].unwrap_or(0.0);
    let limits = [
        (limits.feed_rate_mm_s[E], "mm/s"),
        (limits.acceleration_mm_s2[E], "mm/s2"),
        (jump_mm_s, "mm/s"),
        (machine.controller.step_rate_limit_hz.unwrap_or(f64::INFINITY), "Hz"),
    ];
    Built::Watching(Box::new(ExtruderOverdriven { limits, steps_per_mm, purge: OnPurgeLine::new(machine, told) }))
}

/// Moves that push less are not judged where the steps of the extruder are not known, mm.
const LEAST_MM: f64 = 0.005;

struct ExtruderOverdriven {
    /// Of speed, acceleration, jump and steps, each with its unit.
    limits: [(f64, &'static str); 4],
    steps_per_mm: f64,
    purge: OnPurgeLine,
}

impl ExtruderOverdriven {
    /// What the limits are for, in their order. A quintic peaks above the set acceleration without any lead.
    fn asked(&self, driven: &Driven, peak_factor: f64) -> [f64; 4] {
        let Driven { speed_mm_s, acceleration_mm_s2, jump_mm_s } = *driven;
        [speed_mm_s, acceleration_mm_s2 / peak_factor, jump_mm_s, speed_mm_s * self.steps_per_mm]
    }

    /// True where no move that asks for at most that much is beyond a limit.
    fn is_within(&self, most: &Driven, peak_factor: f64) -> bool {
        self.asked(most, peak_factor).into_iter().zip(self.limits).all(|(value, (limit, _))| value <= limit * ROUNDING)
    }

    fn judge(&mut self, block: &Block, i: usize, first: usize, log: &mut Log) {
        let line = block.line[i];
        let asked = self.asked(&block.pressed.driven[i], block.accel_peak_factor());
        for (kind, (value, (limit, unit))) in asked.into_iter().zip(self.limits).enumerate() {
            if value <= limit * ROUNDING {
                continue;
            }
            let hit = Hit {
                value: Some(value),
                badness: value / limit,
                limit: Some(limit),
                unit,
                ..Hit::plain(&CHECK, kind as u64, CHECK.severity, line)
            };
            self.purge.hit(block, i, first, hit, log);
        }
    }
}

fn told(hit: &Hit, _nozzle_c: Option<f64>) -> String {
    let (value, limit) = (hit.value.map(figure).unwrap_or_default(), hit.limit.map(figure).unwrap_or_default());
    match hit.kind {
        0 => format!("With its lead the extruder runs at {value} mm/s; its limit is {limit} mm/s."),
        1 => format!("With its lead the extruder speeds up by {value} mm/s²; its limit is {limit} mm/s²."),
        2 => format!("For its lead the extruder's speed jumps by {value} mm/s; it may jump by {limit} mm/s."),
        _ => format!("With its lead the extruder is asked for {value} steps a second; the controller makes {limit}."),
    }
}

impl Observer for ExtruderOverdriven {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let first = self.purge.follow(block);
        // Less than a step of the motor, or what rounding makes of a line of nothing, drives nothing.
        let least_mm = if self.steps_per_mm > 0.0 { 1.0 / self.steps_per_mm } else { LEAST_MM };
        if self.is_within(&block.pressed.driven_most, block.accel_peak_factor()) {
            return;
        }
        for i in (0..block.pressed.driven.len().min(block.len())).filter(|&i| block.extrudes(i)) {
            if block.de_mm[i] >= least_mm {
                self.judge(block, i, first, log);
            }
        }
    }

    fn finish(&mut self, _draft: &mut Inspection, log: &mut Log) {
        self.purge.finish(log);
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{judged, machine, skipped};
    use super::*;
    use crate::findings::Inspection;
    use crate::machine::LagRow;

    fn led(lead_s: f64) -> Machine {
        let mut led = machine();
        led.tools[0].pressure_lag = vec![LagRow { layer_mm: 0.0, lag_s: 0.06 }];
        led.tools[0].extrusion_lead_s = Some(lead_s);
        led.motion.limits.lead_s = lead_s;
        led
    }

    /// From a stop to 60 mm/s and back at 1000 mm/s², 0.03326 mm of filament for each mm.
    const LINE: &str = "G92 X20 Y20 Z0.2\nM83\nG1 X120 E3.326 F3600\n";

    fn kinds(found: &Inspection) -> Vec<(u64, f64)> {
        let own = found.findings.iter().filter(|finding| finding.check == CHECK.id);
        own.map(|finding| (finding.kind, finding.value.expect("has one"))).collect()
    }

    #[test]
    fn the_lead_is_added_to_what_the_job_asks_for() {
        // Times lie on a grid of 2⁻³² s. v = 0.03326 · 60 = 1.9956 mm/s, a = 33.26 mm/s²: with K = 0.05 s 1.663 mm/s more, at the end of the ramp 3.6586 in all.
        let mut machine = led(0.05);
        let found = judged(&machine, LINE);
        let widths = found.widths.expect("has a lag").led.expect("has a lead");
        assert!((widths.jump_mm_s - 1.663).abs() < 1e-7 && (widths.speed_mm_s - 3.6586).abs() < 1e-7, "{widths:?}");
        assert!(kinds(&found).is_empty());
        machine.motion.limits.feed_rate_mm_s[E] = 3.65;
        machine.motion.limits.jerk_mm_s[E] = 1.66;
        machine.controller.step_rate_limit_hz = Some(10_000.0);
        machine.controller.steps_per_mm = [None, None, None, Some(3000.0)];
        let found = kinds(&judged(&machine, LINE));
        assert_eq!(found.iter().map(|(kind, _)| *kind).collect::<Vec<_>>(), [0, 2, 3]);
        assert!((found[2].1 - 3.6586 * 3000.0).abs() < 1e-3);
    }

    #[test]
    fn a_jump_is_spread_or_told() {
        // From a stop the line starts at the jerk of x, 8 mm/s here: 0.26608 mm/s of filament at once. K times it over 0.01 s.
        let mut machine = led(0.05);
        let found = judged(&machine, LINE);
        assert!((found.widths.and_then(|widths| widths.steps_left_out_mm_s).expect("jumps") - 0.266_08).abs() < 1e-9);
        assert!(
            found.left_out.iter().any(|line| line.contains("step_spread_s") && line.contains("line 3")),
            "{found:?}"
        );
        machine.controller.step_spread_s = Some(0.01);
        let spread = judged(&machine, LINE);
        assert!(spread.widths.is_some_and(|widths| widths.steps_left_out_mm_s.is_none()));
        assert!(spread.widths.expect("has a lag").start_share > found.widths.expect("has a lag").start_share);
        assert!(!spread.left_out.iter().any(|line| line.contains("step_spread_s")));
        machine.controller.step_spread_s = Some(1e-3);
        machine.motion.limits.feed_rate_mm_s[E] = 15.0;
        // 0.05 · 0.26608 / 0.001 = 13.304 mm/s on top of what is pushed just then.
        let fast = kinds(&judged(&machine, LINE));
        assert_eq!(fast.len(), 1);
        assert!((fast[0].1 - (13.304 + 0.266_08 + 1.663 + 0.033_26)).abs() < 1e-6, "{fast:?}");
    }

    #[test]
    fn the_controller_lowers_the_acceleration_where_the_sheet_says_so() {
        // K a e ≤ 1 mm/s: a ≤ 1 / (0.05 · 0.03326) = 601.3 mm/s² instead of 1000.
        let mut machine = led(0.05);
        let plain_s = judged(&machine, LINE).time_s.extruding;
        machine.motion.limits.lead_jump_mm_s = 1.0;
        let capped = judged(&machine, LINE);
        let ramps_s = |a: f64| 2.0 * (60.0 - 8.0) / a - (60.0 * 60.0 - 8.0 * 8.0) / a / 60.0;
        let longer_s = ramps_s(1.0 / (0.05 * 0.033_26)) - ramps_s(1000.0);
        assert!((capped.time_s.extruding - plain_s - longer_s).abs() < 1e-6, "{longer_s}");
        assert!((capped.widths.and_then(|widths| widths.led).expect("a lead").jump_mm_s - 1.0).abs() < 1e-7);
        assert!(kinds(&capped).is_empty());
        // A job that sets the lead to 0 is planned as without it, and one that sets it back is not.
        let off = judged(&machine, &format!("M900 K0\n{LINE}"));
        assert_eq!(off.time_s.extruding, plain_s);
        let on = judged(&machine, &format!("M900 K0\nM900 K0.05\n{LINE}"));
        assert_eq!(on.time_s.extruding, capped.time_s.extruding);
    }

    #[test]
    fn what_is_missing_is_said() {
        assert!(skipped(&CHECK, &machine()).contains("pressure_lag_s"));
    }

    /// A block is passed over only where each of its moves is within all limits.
    #[test]
    fn a_block_within_holds_moves_that_are() {
        let mut bits = crate::vectors::columns::without_pattern(41);
        let mut random = || (bits() >> 11) as f64 / (1u64 << 53) as f64;
        let mut is_within = [0; 2];
        for _ in 0..400 {
            let limits = [(); 4].map(|()| (2.0 * random(), "")).map(|(limit, unit)| (limit * limit, unit));
            let check =
                ExtruderOverdriven { limits, steps_per_mm: random(), purge: OnPurgeLine::new(&machine(), told) };
            let one = |_| Driven { speed_mm_s: random(), acceleration_mm_s2: random(), jump_mm_s: random() };
            let driven: Vec<Driven> = (0..3).map(one).collect();
            let each = driven.iter().all(|driven| check.is_within(driven, 1.875));
            let most = driven.iter().fold(Driven::default(), |most, one| most.or_more(one));
            assert_eq!(check.is_within(&most, 1.875), each, "{driven:?} {limits:?}");
            is_within[usize::from(each)] += 1;
        }
        assert!(is_within.iter().all(|count| *count > 20), "{is_within:?}");
    }
}
