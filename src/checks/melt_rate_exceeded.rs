//! Melt rates the hotend does not keep up.

use super::melt;
use crate::findings::{Built, Check, Explanation, Hit, Severity};
use crate::machine::Machine;
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "melt-rate-exceeded",
    topic: "melt rate",
    severity: Severity::Hold,
    summary: "More filament is pushed than the hotend keeps melting.",
    explain: Explanation {
        what: "averaged over the melt window, the job pushes more filament through the hotend than it can keep \
melting.",
        why: "filament that passes the melt zone too fast comes out half molten. Layers bond badly, walls go thin, the \
drive skips or grinds.",
        how: "the momentary melt rate in mm³/s is the cross-section of the filament times the length pushed for \
each mm of path times the speed on the path, as planned with acceleration. It is averaged to the first order with the \
time constant `melt_window_s`; filament pushed on the spot counts, less what only makes up for a pull-back. The largest value during each move that pushes filament is \
compared with `melt_rate_mm3_s.sustained` of the tool in use. That a hotend has such a window is common practice, no source; \
measure the capacity of yours with its filament and temperature. Where the sheet gives `melt_rate_at` or `melt_zone`, the \
capacity is that of the temperature the nozzle has on that move by its heating law (without one, of the target that was waited \
for last): on straight lines between the rates measured, or by conduction of heat into a rod in plug flow, (T_nozzle - \
melts_at) / (T_nozzle - feed_in) = sum of 2 / (l J1(l)) exp(-l² Fo) over the zeros l of J0, Fo = pi diffusivity length / rate \
(Graetz problem with slug flow, handbooks of heat transfer), times `safety`, or in the ratio of a rate measured at \
`melt_rate_measured_at_c`. That model is optimistic where filament goes fast, since it then touches the wall less (X-ray study, \
Additive Manufacturing 76, 103762). Extrusion on a purge line beside the print, and on the \
spot before the tool lays anything, is reported as `purge-line`.",
        remedy: "lower the speed, the line width or the layer height; a hotter nozzle melts more, within its limit.",
    },
    heat_or_travel: false,
    timed: true,
    unchecked: Some("melt rate"),
    build,
};

fn build(machine: &Machine, _: &str) -> Built {
    let watched = melt::Watched {
        check: &CHECK,
        rates: |block| Some(&block.sustained_mm3_s),
        on_part: |part, rate| part.sustained_mm3_s.min(rate),
        message,
    };
    let key = "[[tool]] melt_rate_mm3_s.sustained";
    melt::watch(machine, watched, key, |tool| tool.sustained_mm3_s, |rates| rates.sustained_mm3_s)
}

fn message(hit: &Hit, nozzle_c: Option<f64>) -> String {
    let at_c = melt::at_c(nozzle_c);
    let (rate, limit) = (hit.value.map(figure).unwrap_or_default(), hit.limit.map(figure).unwrap_or_default());
    format!("The melt rate averages {rate} mm³/s over the melt window; the hotend keeps up {limit} mm³/s{at_c}.")
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, skipped};
    use super::*;

    /// Pushes filament for `rate` mm³/s at 50 mm/s over 10 mm of path.
    fn filament(rate: f64) -> f64 {
        rate / 50.0 * 10.0 / (std::f64::consts::PI * 1.75 * 1.75 / 4.0)
    }

    #[test]
    fn the_worst_of_several_is_reported() {
        let job = Job::new().to([10.0, 0.0, 0.0], filament(9.999)).to([20.0, 0.0, 0.0], filament(10.5));
        let job = job.to([30.0, 0.0, 0.0], filament(12.5)).to([40.0, 0.0, 0.0], filament(11.0));
        let found = job.findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].count, found[0].line, found[0].worst_line), (1, 3, Some(2), Some(3)));
        assert!((found[0].value.unwrap() - 12.5).abs() < 1e-9);
        assert!(found[0].message.contains("12.5 mm³/s") && found[0].message.contains("10 mm³/s"));
    }

    #[test]
    fn the_capacity_itself_and_travel_are_fine() {
        let job = Job::new().to([10.0, 0.0, 0.0], 0.1).tweak(|block, i| block.sustained_mm3_s[i] = 10.0 + 1e-9);
        let job = job.to([20.0, 0.0, 0.0], 0.0).tweak(|block, i| block.sustained_mm3_s[i] = 11.0);
        assert!(job.findings(&CHECK, &machine()).is_empty());
    }

    #[test]
    fn a_purge_line_beside_the_print_is_a_note() {
        let job = Job::new().to([5.0, 0.0, 0.3], 0.0).to([5.0, 100.0, 0.3], filament(20.0) * 10.0);
        let job = job.to([50.0, 50.0, 0.2], 0.0).to([60.0, 50.0, 0.2], filament(11.0));
        let found = job.to([70.0, 50.0, 0.2], filament(5.0)).findings(&CHECK, &machine());
        assert_eq!(found.len(), 2);
        assert_eq!(
            (found[0].check.as_ref(), found[0].severity, found[0].line),
            ("melt-rate-exceeded", Severity::Hold, Some(4))
        );
        assert_eq!(
            (found[1].check.as_ref(), found[1].severity, found[1].line),
            ("purge-line", Severity::Note, Some(2))
        );
        assert!(found[1].message.contains("20 mm³/s"), "{}", found[1].message);
    }

    #[test]
    fn without_a_capacity_it_is_skipped() {
        let mut bare = machine();
        bare.tools[0].sustained_mm3_s = None;
        assert!(skipped(&CHECK, &bare).contains("melt_rate_mm3_s.sustained"));
    }
}
