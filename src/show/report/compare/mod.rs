//! Renders comparisons: a page for one job, a table for many, JSON and CSV for programs.

#[cfg(feature = "formats")]
mod csv;
pub(crate) mod figures;
pub mod json;
mod page;
mod table;

#[cfg(feature = "formats")]
pub use self::csv::CsvComparison;
pub use json::JsonComparison;
pub use page::PageComparison;
#[cfg(feature = "page")]
pub(crate) use page::{sentence, unlike};
pub use table::TableComparison;

/// Stands above the closing caution of every comparison for people.
pub(crate) const RAISING: &str =
    "Raise limits in small steps and stay with the machine while it tries them; the maker's documents rule.";

#[cfg(test)]
pub(crate) mod samples {
    use crate::findings::sample;
    use crate::study::compare::{Compared, Comparison, KeyChange, Sheets};

    /// Invented: one value raised.
    pub fn sheets() -> Sheets {
        let before = sample::go().machine;
        let after = crate::findings::MachineFacts { digest: format!("blake3:{}", "b2".repeat(32)), ..before.clone() };
        let change = |path: &str, before: Option<&str>, after: Option<&str>| KeyChange {
            path: path.to_owned(),
            before: before.map(str::to_owned),
            after: after.map(str::to_owned),
        };
        let changes = vec![
            change("motion.acceleration_mm_s2.printing", Some("1500.0"), Some("3000.0")),
            change("controller.step_rate_limit_hz", None, Some("80000.0")),
        ];
        Sheets { before, after, changes, audit_worse: Vec::new() }
    }

    /// Faster, and no-go for it.
    pub fn worse() -> Comparison {
        let mut after = sample::no_go();
        after.time_s.extruding -= 421.5;
        after.time_s.travel -= 100.25;
        after.flow.peak_mm3_s += 0.75;
        after.step_rates[0].hz += 1500.0;
        after.flow_over_capacity_s = Some(214.5);
        after.findings[1].lines.push(77);
        after.findings[1].count += 1;
        Comparison::of(sample::hold(), after)
    }

    /// One of each: worse, the same, better, unread, and one whose texts try to reach the terminal.
    pub fn all() -> Vec<Compared> {
        let mut slower = sample::go();
        slower.job.path = "jobs/stairs.gcode".to_owned();
        slower.time_s.travel += 12.5;
        let mut before = sample::go();
        before.job.path.clone_from(&slower.job.path);
        let mut better = sample::go();
        better.time_s.extruding -= 12.0;
        vec![
            Ok(Comparison::of(sample::empty(), sample::empty())),
            Ok(Comparison::of(before, slower)),
            Ok(worse()),
            Ok(Comparison::of(sample::hold(), better)),
            Err(sample::unjudged()),
            Ok(Comparison::of(sample::go(), sample::hostile())),
        ]
    }
}
