//! Bulges that the pressure in the nozzle leaves where the machine slows down.

use super::heat;
use super::purge_line::OnPurgeLine;
use crate::block::Block;
use crate::findings::{Built, Check, Explanation, Hit, Inspection, Log, Observer, Severity, Spot};
use crate::machine::Machine;
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "bulges-at-corners",
    topic: "bulges",
    severity: Severity::Hold,
    summary: "Pressure left in the nozzle lays a larger bulge than accepted where the machine slows down.",
    explain: Explanation {
        what: "over a stretch of a line without a break more filament comes out, beyond what the job asks for, than \
`bulge_limit_mm3` of the tool.",
        why: "the nozzle is under pressure while it prints fast. Where the machine slows down for a corner the pressure takes \
its time to fall, and what it drives out is too much there: corners bulge, parts do not fit, and behind the corner lines are \
too thin.",
        how: "what comes out in mm³/s follows what is pushed in as a first-order process, y' = (q - y) / lag, with \
`pressure_lag_s` in s, or `pressure_lag_at` at the height of the layer; solved exactly over each piece of a move (best fit of \
measured widths: Applied Sciences 15 (24), 12924; the lag grows as layers get thinner: doi 10.1108/RPJ-10-2018-0275). With a \
lead K, `extrusion_lead_s` or M900 K, M572 S and described macros in the job, the controller pushes v + K a. The volume in mm³ \
between two places where y and the asked flow are equal is compared with the limit, waits at the corner included. Mind the sign: at \
the same corner speed a higher acceleration makes a bulge smaller in volume and in length, since it lasts shorter, while the very \
point of the corner gets wider. From 60 to 5.6 mm/s and back, with a lag of 0.06 s and a line of 0.08 mm², it is 0.114 mm³ at 1200 mm/s² \
and 0.061 mm³ at 3000. The speed through the corner and the lead decide: with K equal to the lag straight ramps leave none. \
Pull-backs leave room that fills first; dripping and the stiffness of the filament's drive are not in it. Bulges on a purge \
line are told by `purge-line`.",
        remedy: "set the lead of the controller to the lag, which `gonogo trial lead` measures; else allow a higher speed through \
corners, or slice slower. A lower acceleration does not help.",
    },
    heat_or_travel: false,
    timed: true,
    unchecked: None,
    build,
};

fn build(machine: &Machine, _: &str) -> Built {
    if machine.tools.iter().all(|tool| tool.pressure_lag.is_empty()) {
        return Built::Skipped("the sheet gives no `[[tool]] pressure_lag_s`".to_owned());
    }
    let limits_mm3 = heat::per_tool(machine, |tool| tool.bulge_limit_mm3);
    if limits_mm3.iter().all(Option::is_none) {
        return Built::Skipped("the sheet gives no `[[tool]] bulge_limit_mm3`".to_owned());
    }
    Built::Watching(Box::new(BulgesAtCorners { limits_mm3, purge: OnPurgeLine::of_late_hits(machine, message) }))
}

struct BulgesAtCorners {
    limits_mm3: Vec<Option<f64>>,
    purge: OnPurgeLine,
}

fn message(hit: &Hit, _: Option<f64>) -> String {
    let (volume, limit) = (hit.value.map(figure).unwrap_or_default(), hit.limit.map(figure).unwrap_or_default());
    format!("A bulge of {volume} mm³ is laid where the machine slows down; {limit} mm³ is accepted.")
}

impl Observer for BulgesAtCorners {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        self.purge.follow(block);
        let Some(limit_mm3) = self.limits_mm3.get(block.tool_index).copied().flatten() else { return };
        for bulge in block.pressed.bulges.iter().filter(|bulge| bulge.volume_mm3 > limit_mm3) {
            let hit = Hit {
                value: Some(bulge.volume_mm3),
                badness: bulge.volume_mm3 / limit_mm3,
                limit: Some(limit_mm3),
                unit: "mm3",
                spot: Spot::At(bulge.place_mm),
                ..Hit::plain(&CHECK, block.tool_index as u64, CHECK.severity, bulge.line)
            };
            self.purge.hit_late(hit, bulge.of, log);
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
    use crate::machine::{CornerRule, LagRow};

    /// The machine of the two numbers that were measured elsewhere: 0.06 s, corners at 5.6 mm/s.
    fn laggard(acceleration_mm_s2: f64) -> Machine {
        let mut laggard = machine();
        let limits = &mut laggard.motion.limits;
        (limits.corner, limits.jerk_mm_s) = (CornerRule::Jerk, [5.6, 5.6, 1e9, 1e9]);
        limits.acceleration_mm_s2 = [acceleration_mm_s2, acceleration_mm_s2, 100.0, 1e9];
        limits.printing_mm_s2 = acceleration_mm_s2;
        laggard.tools[0].pressure_lag = vec![LagRow { layer_mm: 0.0, lag_s: 0.06 }];
        laggard.tools[0].bulge_limit_mm3 = Some(0.05);
        laggard
    }

    /// One right-angled corner between two long lines of 0.08 mm², 0.4 mm wide and 0.2 mm high, at 60 mm/s.
    const CORNER: &str = "G92 X20 Y20 Z0.2\nM83\nG1 F3600\nG1 X120 E3.326\nG1 Y120 E3.326\n";

    #[test]
    fn a_higher_acceleration_makes_bulges_smaller() {
        // 0.114 and 0.061 mm³: numbers given by others for a lag of 0.06 s and 60 → 5.6 mm/s. They hold for the whole bulge, before
        // and behind the corner, of a line of 0.08 mm².
        let mut volumes = Vec::new();
        for (acceleration_mm_s2, given_mm3) in [(1200.0, 0.114), (3000.0, 0.061)] {
            let found = judged(&laggard(acceleration_mm_s2), CORNER);
            let widths = found.widths.expect("has a lag");
            assert!((widths.bulge_mm3 - given_mm3).abs() < 0.0005, "{acceleration_mm_s2}: {widths:?}");
            // Closed form: s a τ (T − τ g) before the corner, with T = Δv / a and g = 1 − e^(−T / τ), and s a τ² (g − ln(1 + g)) behind.
            let (a, lag_s, section) =
                (acceleration_mm_s2, 0.06, 3.326 * std::f64::consts::PI / 4.0 * 1.75 * 1.75 / 100.0);
            let ramp_s: f64 = (60.0 - 5.6) / a;
            let gone = -(-ramp_s / lag_s).exp_m1();
            let exact = section * a * lag_s * (ramp_s - lag_s * gone + lag_s * (gone - gone.ln_1p()));
            assert!((widths.bulge_mm3 - exact).abs() < 1e-7, "{} {exact}", widths.bulge_mm3);
            volumes.push(widths.bulge_mm3);
            // The line's end, where the machine slows down too, is smaller.
            let bulge = found.findings.iter().find(|finding| finding.check == CHECK.id).expect("is a finding");
            assert_eq!((bulge.worst_line, bulge.line, bulge.limit), (Some(4), Some(4), Some(0.05)));
            assert_eq!(bulge.worst_place_mm, Some([100.0, 0.0, 0.0]), "in machine coordinates");
        }
        assert!(volumes[1] < volumes[0]);
    }

    #[test]
    fn a_lead_equal_to_the_lag_leaves_none_on_straight_ramps() {
        let mut led = laggard(1200.0);
        led.tools[0].extrusion_lead_s = Some(0.06);
        led.controller.step_spread_s = Some(1e-4);
        let found = judged(&led, CORNER);
        let widths = found.widths.expect("has a lag");
        // What is left comes from the jumps of speed at the start and at the end, spread over 0.1 ms.
        assert!(widths.bulge_mm3 < 1e-4 && widths.wide_mm + widths.thin_mm < 0.02, "{widths:?}");
        assert!(widths.start_share.expect("a start") > 0.998, "{widths:?}");
        assert!(!found.findings.iter().any(|finding| finding.check == CHECK.id), "{found:?}");
        // A job may set it too, and a tool without a lead has none.
        led.tools[0].extrusion_lead_s = None;
        assert!(judged(&led, CORNER).widths.expect("has a lag").bulge_mm3 > 0.1);
        for command in ["M900 K0.06\n", "M572 S0.06\n", "M572 D0 S0.06\n"] {
            let again = judged(&led, &format!("{command}{CORNER}")).widths.expect("has a lag");
            assert_eq!(again.bulge_mm3, widths.bulge_mm3, "{command}");
        }
        let off = judged(&led, &format!("M900 K0.06\nM900 K0\nM900\nM572\n{CORNER}")).widths.expect("has a lag");
        assert!(off.bulge_mm3 > 0.1 && off.led.is_none());
        // A number that is no time in seconds is not followed, and is told.
        let odd = judged(&led, &format!("M900 K45\n{CORNER}"));
        assert!(odd.findings.iter().any(|finding| finding.check == "implausible-lead"), "{odd:?}");
    }

    #[test]
    fn a_pause_on_a_line_drips_and_a_pull_back_does_not() {
        // At 60 mm/s 0.288 mm³ are pressed: lag times flow. All of it comes out where the machine waits.
        let mut laggard = laggard(1e6);
        laggard.motion.limits.jerk_mm_s = [1e9; 4];
        let waits = judged(&laggard, &CORNER.replace("G1 Y120", "G4 S9\nG1 Y120")).widths.expect("has a lag");
        assert!((waits.bulge_mm3 - 0.06 * 60.0 * 0.08).abs() < 1e-3, "{waits:?}");
        let pulls =
            judged(&laggard, &CORNER.replace("G1 Y120", "G1 E-1\nG4 S9\nG1 E1\nG1 Y120")).widths.expect("has a lag");
        assert!(pulls.bulge_mm3 < 0.01 && pulls.thin_mm < waits.thin_mm, "{pulls:?}");
    }

    #[test]
    fn the_bulge_of_a_purge_line_is_told_by_that_though_it_ends_in_a_later_block() {
        let mut laggard = laggard(1200.0);
        laggard.tools[0].bulge_limit_mm3 = Some(0.09);
        // Any action ends a block: one in the corner, more behind it.
        let line = "G92 X20 Y20 Z0.2\nM83\nG1 F3600\nG1 X60 E1.3304\nM106 S100\nG1 Y60 E1.3304\nM106 S90\n";
        let part = "G0 X100 Y100\nG1 X140 E1.3304\nM106 S80\nG0 Z0.4\nG1 X100 E1.3304\n";
        let told = |job: &str| -> Vec<String> {
            let found = judged(&laggard, job).findings;
            found
                .iter()
                .map(|one| one.check.to_string())
                .filter(|id| [CHECK.id, "purge-line"].contains(&&**id))
                .collect()
        };
        assert_eq!(told(&format!("{line}{part}")), ["purge-line"]);
        // A part that reaches it later makes it part of the print.
        assert_eq!(told(&format!("{line}{part}M106 S70\nG1 X50 Y50 E2\n")), [CHECK.id]);
    }

    #[test]
    fn what_is_missing_is_said() {
        let mut bare = laggard(1200.0);
        bare.tools[0].bulge_limit_mm3 = None;
        assert!(skipped(&CHECK, &bare).contains("bulge_limit_mm3"));
        assert!(skipped(&CHECK, &machine()).contains("pressure_lag_s"));
    }
}
