//! Momentary melt rates beyond what the hotend stands.

use super::melt;
use crate::findings::{Built, Check, Explanation, Hit, Severity};
use crate::machine::Machine;
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "melt-peak-exceeded",
    severity: Severity::Hold,
    summary: "Briefly more filament is pushed than the hotend can melt.",
    explain: Explanation {
        what: "for the time of a burst the melt rate is higher than the hotend can reach even briefly.",
        why: "the pressure in the melt zone rises faster than plastic can leave; the drive skips or grinds, and the \
line that follows starts thin.",
        how: "the volume pushed over a sliding window of 0.3 times `melt_window_s`, as planned with acceleration, divided \
by that time, in mm³/s; its largest value during each move is compared with `melt_rate_mm3_s.peak` of the tool in \
use. That is the burst which `gonogo trial melt-rate --bursts` prints, so what it measures is what is judged here \
(common practice, no source). A rush that lasts a moment only, such as filament pushed back after a pull-back, does not \
count. Extrusion on a purge line beside the print is reported as `purge-line`.",
        remedy: "lower the speed, the line width or the layer height where the line numbers point.",
    },
    heat_or_travel: false,
    timed: true,
    unchecked: None,
    build,
};

fn build(machine: &Machine, _: &str) -> Built {
    melt::watch(
        machine,
        &CHECK,
        "[[tool]] melt_rate_mm3_s.peak",
        |tool| tool.peak_mm3_s,
        |block| (block.burst_most_mm3_s > 0.0).then_some(&block.burst_mm3_s),
        message,
    )
}

fn message(hit: &Hit) -> String {
    let (rate, limit) = (hit.value.map(figure).unwrap_or_default(), hit.limit.map(figure).unwrap_or_default());
    format!("The melt rate reaches {rate} mm³/s in a burst; the hotend can melt {limit} mm³/s briefly.")
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, skipped};
    use super::*;

    fn filament(rate: f64) -> f64 {
        rate / 50.0 * 10.0 / (std::f64::consts::PI * 1.75 * 1.75 / 4.0)
    }

    #[test]
    fn the_worst_of_several_is_reported() {
        let job = Job::new().to([10.0, 0.0, 0.0], filament(14.999)).to([20.0, 0.0, 0.0], filament(15.5));
        let found = job.to([30.0, 0.0, 0.0], filament(17.0)).findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].count, found[0].line, found[0].worst_line), (1, 2, Some(2), Some(3)));
        assert!((found[0].value.unwrap() - 17.0).abs() < 1e-9);
        assert!(found[0].message.contains("17 mm³/s") && found[0].message.contains("15 mm³/s"));
    }

    #[test]
    fn the_peak_speed_counts_and_filament_alone_does_not() {
        let job = || Job::new().to([10.0, 0.0, 0.0], filament(14.0)).filament(5.0);
        assert!(job().findings(&CHECK, &machine()).is_empty());
        let job = Job::new().to([10.0, 0.0, 0.0], filament(14.0)).tweak(|block, i| block.v_peak_mm_s[i] = 55.0);
        assert_eq!(job.findings(&CHECK, &machine()).len(), 1);
    }

    #[test]
    fn without_a_capacity_it_is_skipped() {
        let mut bare = machine();
        bare.tools[0].peak_mm3_s = None;
        assert!(skipped(&CHECK, &bare).contains("melt_rate_mm3_s.peak"));
    }
}
