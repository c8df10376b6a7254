//! Checks as a table for programs that calculate with tables: one row per job and machine, in the order given.

use std::io::{self, Write};

use super::matrix::labels;
use super::{Report, cells, count, open};
use crate::findings::{Finding, Inspection, MachineFacts, Severity, Unjudged};
use crate::study::{
    compare::FIGURES,
    matrix::{Judged, Totals},
};

/// A column: its name, the unit last, and what it holds.
type Column = (&'static str, fn(&Inspection) -> String);

/// Columns behind those of the figures that are compared too.
const COLUMNS: [Column; 13] = [
    ("pauses", |of| of.pauses.to_string()),
    ("layers", |of| of.layers_total.to_string()),
    ("filament_net_mm", |of| cells::number(Some(of.filament.net_mm))),
    ("filament_net_g", |of| cells::number(of.filament.net_g)),
    ("nozzle_max_c", |of| cells::number(of.heat.nozzle_max_c)),
    ("bed_max_c", |of| cells::number(of.heat.bed_max_c)),
    ("findings_no_go", |of| count(of, Severity::NoGo).to_string()),
    ("findings_hold", |of| count(of, Severity::Hold).to_string()),
    ("findings_note", |of| count(of, Severity::Note).to_string()),
    ("findings_accepted", |of| (of.findings.len() - open(of).count()).to_string()),
    ("findings_accepted_unsafe", |of| of.accepted_unsafe().to_string()),
    ("worst_check", |of| worst(of).map_or("", |worst| &worst.check).to_owned()),
    ("worst_line", |of| worst(of).and_then(|worst| worst.line).map_or(String::new(), |line| line.to_string())),
];

/// Columns at the very end, so that all others stay where they were: what the clock says, the energy, widths of lines; empty where the
/// sheet does not tell.
const BEHIND_ERRORS: [Column; 10] = [
    ("time_expected_s", |of| cells::number(of.wall_time.map(|time| time.expected_s))),
    ("time_low_s", |of| cells::number(of.wall_time.map(|time| time.low_s))),
    ("time_high_s", |of| cells::number(of.wall_time.map(|time| time.high_s))),
    ("energy_wh", |of| cells::number(of.energy.map(|energy| energy.used_wh))),
    ("power_mean_w", |of| cells::number(of.energy.map(|energy| energy.mean_w))),
    ("power_peak_w", |of| cells::number(of.energy.map(|energy| energy.peak_w))),
    ("line_wide_mm", |of| cells::number(of.widths.map(|widths| widths.wide_mm))),
    ("line_thin_mm", |of| cells::number(of.widths.map(|widths| widths.thin_mm))),
    ("bulge_most_mm3", |of| cells::number(of.widths.map(|widths| widths.bulge_mm3))),
    ("line_start_least", |of| cells::number(of.widths.and_then(|widths| widths.start_share))),
];

/// The worst finding that nobody accepted: worst severity first, then by line.
fn worst(inspection: &Inspection) -> Option<&Finding> {
    open(inspection).next()
}

/// The CSV renderer.
pub struct CsvReport {
    machines: Vec<MachineFacts>,
    labels: Vec<String>,
    started: bool,
}

impl CsvReport {
    /// For jobs that are judged on these machines.
    pub fn new(machines: Vec<MachineFacts>) -> Self {
        Self { labels: labels(&machines), machines, started: false }
    }

    fn start(&mut self, out: &mut dyn Write) -> io::Result<()> {
        if std::mem::replace(&mut self.started, true) {
            return Ok(());
        }
        let mut names = ["job", "machine", "sheet", "verdict"].map(str::to_owned).to_vec();
        names.extend(FIGURES.iter().map(|figure| format!("{}_{}", figure.id, figure.unit)));
        names.extend(COLUMNS.iter().map(|(name, _)| (*name).to_owned()));
        names.push("error".to_owned());
        names.extend(BEHIND_ERRORS.iter().map(|(name, _)| (*name).to_owned()));
        cells::row(&names, out)
    }

    /// The cells in front: which job on which machine.
    fn place(&self, path: &str, machine: usize) -> Vec<String> {
        let (machine, label) = (&self.machines[machine], &self.labels[machine]);
        [path, label, &machine.source].map(cells::text).to_vec()
    }

    fn judged(&self, inspection: &Inspection, machine: usize, out: &mut dyn Write) -> io::Result<()> {
        let mut row = self.place(&inspection.job.path, machine);
        row.push(inspection.verdict.word().to_owned());
        row.extend(FIGURES.iter().map(|figure| cells::number((figure.of)(inspection))));
        row.extend(COLUMNS.iter().map(|(_, of)| of(inspection)));
        row.push(String::new());
        row.extend(BEHIND_ERRORS.iter().map(|(_, of)| of(inspection)));
        cells::row(&row, out)
    }

    fn unjudged(&self, unjudged: &Unjudged, out: &mut dyn Write) -> io::Result<()> {
        (0..self.machines.len()).try_for_each(|machine| {
            let mut row = self.place(&unjudged.path, machine);
            row.resize(row.len() + 1 + FIGURES.len() + COLUMNS.len(), String::new());
            row.push(cells::text(&unjudged.error));
            row.resize(row.len() + BEHIND_ERRORS.len(), String::new());
            cells::row(&row, out)
        })
    }
}

impl Report<Judged, Totals> for CsvReport {
    fn add(&mut self, judged: &Judged, out: &mut dyn Write) -> io::Result<()> {
        self.start(out)?;
        match judged {
            Ok(inspections) => (inspections.iter().enumerate())
                .try_for_each(|(machine, inspection)| self.judged(inspection, machine, out)),
            Err(unjudged) => self.unjudged(unjudged, out),
        }
    }

    fn finish(&mut self, _totals: &Totals, out: &mut dyn Write) -> io::Result<()> {
        self.start(out)
    }
}

#[cfg(test)]
mod tests {
    use super::super::matrix::samples;
    use super::*;
    use crate::findings::sample;

    fn rows(text: &[u8]) -> Vec<std::collections::BTreeMap<String, String>> {
        let mut reader = csv::Reader::from_reader(text);
        reader.deserialize().map(|row| row.expect("a row with every column")).collect()
    }

    #[test]
    fn one_row_per_job_and_machine() {
        let mut report = CsvReport::new(samples::machines());
        let (mut out, jobs) = (Vec::new(), samples::all());
        jobs.iter().for_each(|judged| Report::add(&mut report, judged, &mut out).expect("writes"));
        Report::finish(&mut report, &samples::totals(&jobs), &mut out).expect("writes");
        let rows = rows(&out);
        assert_eq!(rows.len(), 12);
        let verdicts: Vec<&str> = rows.iter().map(|row| row["verdict"].as_str()).collect();
        assert_eq!(verdicts[..9], ["go", "no-go", "hold", "no-go", "no-go", "no-go", "", "", ""]);
        assert_eq!(rows[1]["machine"], "Wren (attic/wren.toml)");
        assert_eq!(rows[8]["machine"], "Wren (cellar/wren.toml)");
        assert!(rows[8]["error"].contains("no such file") && rows[7]["error"].contains("no such file"));
        let text = String::from_utf8(out).expect("UTF-8");
        assert!(!text.contains(|c: char| c.is_control() && c != '\n'), "{text:?}");
    }

    #[test]
    fn accepted_findings_are_counted_and_never_the_worst() {
        let mut out = Vec::new();
        let of = sample::accepted();
        Report::add(&mut CsvReport::new(vec![of.machine.clone()]), &Ok(vec![of.clone()]), &mut out).expect("writes");
        let row = &rows(&out)[0];
        let names = ["findings_no_go", "findings_accepted", "findings_accepted_unsafe", "worst_check", "worst_line"];
        assert_eq!(names.map(|name| row[name].as_str()), ["0", "2", "1", "unknown-command", "12"]);
        assert_eq!(of.findings[0].check, "melt-rate-over-capacity", "it is the worst, but accepted");
    }

    #[test]
    fn one_machine_gives_the_same_rows_and_a_header_always() {
        let mut report = CsvReport::new(vec![sample::go().machine]);
        let mut out = Vec::new();
        let mut odd = sample::no_go();
        odd.job.path = "=cmd,\"a\".gcode".to_owned();
        report.add(&Ok(vec![odd]), &mut out).expect("writes");
        report.add(&Err(sample::unjudged()), &mut out).expect("writes");
        report.finish(&samples::totals_of_none(), &mut out).expect("writes");
        let rows = rows(&out);
        let first = ["job", "worst_check", "worst_line", "findings_no_go", "findings_note", "melt_rate_peak_mm3_s"];
        assert_eq!(
            first.map(|name| rows[0][name].as_str()),
            ["'=cmd,\"a\".gcode", "melt-rate-over-capacity", "1204", "1", "2", "15.45"]
        );
        assert_eq!(rows[0]["time_total_s"], sample::go().time_s.total().to_string());
        assert_eq!((rows.len(), rows[1]["job"].as_str()), (2, "jobs/lost.gcode"));
        assert_eq!(["time_expected_s", "time_low_s", "time_high_s"].map(|name| rows[0][name].as_str()), ["", "", ""]);
        let mut clocked = Vec::new();
        let of = sample::hold();
        Report::add(&mut CsvReport::new(vec![of.machine.clone()]), &Ok(vec![of]), &mut clocked).expect("writes");
        let row = &self::rows(&clocked)[0];
        assert_eq!(
            ["time_expected_s", "time_low_s", "time_high_s"].map(|name| row[name].as_str()),
            ["5460", "5270", "5650"]
        );
        let mut none = Vec::new();
        CsvReport::new(samples::machines()).finish(&samples::totals_of_none(), &mut none).expect("writes");
        assert!(
            none.starts_with(b"job,machine,sheet,verdict,time_total_s,")
                && none.ends_with(
                    b",error,time_expected_s,time_low_s,time_high_s,energy_wh,power_mean_w,power_peak_w,line_wide_mm,line_thin_mm,\
                      bulge_most_mm3,line_start_least\n"
                )
        );
    }
}
