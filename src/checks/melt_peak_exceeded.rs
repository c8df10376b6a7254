//! Momentary melt rates beyond what the hotend stands.

use super::melt;
use crate::findings::{Built, Check, Explanation, Hit, Severity};
use crate::machine::Machine;
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "melt-peak-exceeded",
    topic: "bursts of the melt rate",
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
count. With `melt_rate_at` the peak is that of the temperature the nozzle has, with `melt_zone` it keeps \
the ratio of `melt_rate_mm3_s`; a zone is optimistic where filament goes fast, see `melt-rate-exceeded`. Filament pushed on the \
spot counts, less what only makes up for a pull-back. Extrusion on a purge line beside the print, and on \
the spot before the tool lays anything, is reported as `purge-line`.",
        remedy: "lower the speed, the line width or the layer height where the line numbers point.",
    },
    heat_or_travel: false,
    timed: true,
    unchecked: None,
    build,
};

fn build(machine: &Machine, _: &str) -> Built {
    let watched = melt::Watched {
        check: &CHECK,
        rates: |block| (block.burst_most_mm3_s > 0.0).then_some(&block.burst_mm3_s),
        // What is molten at another temperature than that of the burst counts no more than the momentary rate.
        on_part: |part, rate| part.peak_mm3_s.min(rate),
        message,
    };
    melt::watch(machine, watched, "[[tool]] melt_rate_mm3_s.peak", |tool| tool.peak_mm3_s, |rates| rates.peak_mm3_s)
}

fn message(hit: &Hit, nozzle_c: Option<f64>) -> String {
    let at_c = melt::at_c(nozzle_c);
    let (rate, limit) = (hit.value.map(figure).unwrap_or_default(), hit.limit.map(figure).unwrap_or_default());
    format!("The melt rate reaches {rate} mm³/s in a burst; the hotend can melt {limit} mm³/s{at_c} briefly.")
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, skipped};
    use super::*;
    use crate::machine::{MeltByHeat, MeltZone};

    #[test]
    fn a_zone_with_a_peak_alone_lacks_the_sustained_rate() {
        let mut zoned = machine();
        let zone =
            MeltZone { length_mm: 12.0, melts_at_c: 150.0, feed_in_c: 25.0, diffusivity_mm2_s: 0.081, safety: 0.8 };
        (zoned.tools[0].sustained_mm3_s, zoned.tools[0].melt_by_heat) = (None, Some(MeltByHeat::Zone(zone)));
        assert!(skipped(&CHECK, &zoned).contains("melt_rate_mm3_s.sustained"));
        zoned.tools[0].peak_mm3_s = None;
        assert!(skipped(&CHECK, &zoned).contains("melt_rate_mm3_s.peak"));
    }

    fn filament(rate: f64) -> f64 {
        rate / 50.0 * 10.0 / (std::f64::consts::PI * 1.75 * 1.75 / 4.0)
    }

    #[test]
    fn a_push_on_the_spot_is_judged_where_it_stands() {
        use crate::preflight::{JobSource, Preflight};
        let found = |job: &str| {
            let job = format!("G28\nM109 S200\nM83\nG1 X20 Y20 Z0.2 F600\n{job}G1 X90 E3 F1200\n");
            let report =
                Preflight::on(&Machine::built_in()).run(JobSource::stream(job.as_bytes(), "job")).expect("reads");
            let about = |check: &str| ["melt-peak-exceeded", "melt-rate-exceeded", "purge-line"].contains(&check);
            let found = report.findings.into_iter().filter(|finding| about(&finding.check));
            found.map(|finding| (finding.check.into_owned(), finding.severity, finding.line)).collect::<Vec<_>>()
        };
        let line = "G1 X50 E1 F1200\n";
        let judged = found(&format!("{line}G1 E40 F3600\n"));
        assert!(judged.contains(&(CHECK.id.to_owned(), Severity::Hold, Some(6))), "{judged:?}");
        // What only undoes a pull-back fills no melt zone; before the print it is priming.
        assert_eq!(found(&format!("{line}G1 E-40 F3600\nG1 E40 F3600\n")), []);
        let judged = found("G1 E40 F3600\nG4 S9\n");
        assert_eq!(judged, [("purge-line".to_owned(), Severity::Note, Some(5))]);
        // Whoever has put in other filament fills the hotend again.
        let timed = found(&format!("{line}M0 S1\nG1 E40 F3600\nG4 S9\n"));
        assert!(timed.contains(&(CHECK.id.to_owned(), Severity::Hold, Some(7))), "{timed:?}");
        let judged = found(&format!("{line}M0\nG1 E40 F3600\nG4 S9\n"));
        assert_eq!(judged, [("purge-line".to_owned(), Severity::Note, Some(7))]);
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
