//! The comparison as a table for programs that calculate with tables: one row per job, in the order given.

use std::io::{self, Write};

use super::super::Report;
use super::super::cells::{number, row, text};
use crate::study::compare::{Compared, Comparison, FIGURES, Totals};

/// The CSV renderer.
#[derive(Default)]
pub struct CsvComparison {
    started: bool,
}

impl CsvComparison {
    /// A renderer that has not written anything.
    pub fn new() -> Self {
        Self::default()
    }

    fn start(&mut self, out: &mut dyn Write) -> io::Result<()> {
        if std::mem::replace(&mut self.started, true) {
            return Ok(());
        }
        let mut cells =
            ["job", "verdict_before", "verdict_after", "findings_gained", "findings_lost"].map(str::to_owned).to_vec();
        for figure in &FIGURES {
            cells.extend(["before", "after", "difference"].map(|side| format!("{}_{side}_{}", figure.id, figure.unit)));
        }
        cells.extend(["error", "findings_worse"].map(str::to_owned));
        row(&cells, out)
    }
}

impl Report<Compared, Totals> for CsvComparison {
    fn add(&mut self, compared: &Compared, out: &mut dyn Write) -> io::Result<()> {
        self.start(out)?;
        row(
            &match compared {
                Ok(comparison) => judged(comparison),
                Err(unjudged) => {
                    let mut cells = vec![text(&unjudged.path)];
                    cells.resize(5 + 3 * FIGURES.len(), String::new());
                    cells.extend([text(&unjudged.error), String::new()]);
                    cells
                }
            },
            out,
        )
    }

    fn finish(&mut self, _totals: &Totals, out: &mut dyn Write) -> io::Result<()> {
        self.start(out)
    }
}

fn judged(comparison: &Comparison) -> Vec<String> {
    let (gained, lost) = comparison.findings_gained_and_lost();
    let mut cells = vec![
        text(&comparison.after.job.path),
        comparison.before.verdict.word().to_owned(),
        comparison.after.verdict.word().to_owned(),
        gained.to_string(),
        lost.to_string(),
    ];
    for figure in &FIGURES {
        let pair = comparison.pair(figure);
        cells.extend([pair.before, pair.after, pair.difference()].map(number));
    }
    cells.extend([String::new(), comparison.worse().count().to_string()]);
    cells
}

#[cfg(test)]
mod tests {
    use super::super::samples;
    use super::*;
    use crate::findings::sample;

    #[test]
    fn a_name_is_no_formula() {
        let mut odd = sample::go();
        odd.job.path = "=HYPERLINK(1).gcode".to_owned();
        let mut out = Vec::new();
        CsvComparison::new().add(&Ok(Comparison::of(odd.clone(), odd)), &mut out).expect("writes");
        let row = csv::Reader::from_reader(&out[..]).records().next().expect("a row").expect("CSV");
        assert_eq!(&row[0], "'=HYPERLINK(1).gcode");
    }

    #[test]
    fn every_row_has_every_column() {
        let mut report = CsvComparison::new();
        let mut out = Vec::new();
        let jobs = samples::all();
        jobs.iter().for_each(|compared| report.add(compared, &mut out).expect("writes"));
        report.finish(&Totals::default(), &mut out).expect("writes");
        let mut reader = csv::Reader::from_reader(&out[..]);
        let headers: Vec<String> = reader.headers().expect("a header").iter().map(str::to_owned).collect();
        let at = |name: &str| headers.iter().position(|header| header == name).expect("is there");
        let rows: Vec<csv::StringRecord> = reader.records().map(|row| row.expect("a row")).collect();
        assert_eq!(rows.len(), jobs.len());
        assert_eq!(&rows[2][at("time_travel_difference_s")], "-100.25");
        assert_eq!(&rows[2][at("step_rate_after_hz")], "16750.5");
        assert_eq!((&rows[2][at("verdict_before")], &rows[2][at("verdict_after")]), ("hold", "no-go"));
        assert_eq!(&rows[0][at("time_over_capacity_before_s")], "");
        assert!(rows[4][at("error")].contains("no such file") && rows[4][at("verdict_after")].is_empty());
        let text = String::from_utf8(out).expect("UTF-8");
        assert!(!text.contains(|c: char| c.is_control() && c != '\n'), "{text:?}");
        assert!(
            text.starts_with("job,verdict_before,verdict_after,findings_gained,findings_lost,time_total_before_s,")
        );
    }
}
