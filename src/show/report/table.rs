//! The report for people on many jobs: a table, one row per job, and totals.

use std::io::{self, Write};

use anstyle::{Effects, Style};
use comfy_table::{Cell, CellAlignment, ColumnConstraint, ContentArrangement, LineStyle, Table, TableStyle, Width};

use super::{Look, Report, deciding, only, text, unsafe_accepted};
use crate::findings::{Inspection, Verdict};
use crate::show::marks::{styled, verdict, verdict_style};
use crate::study::matrix as of_matrix;
use crate::wording::{clock, counted, duration, path, quantity, safe, units, wrap};

/// From this width on the first reason has a column of its own; below it is under the table.
pub(super) const REASON_COLUMN_FROM: usize = 110;
/// Below this width the numbers are under the job.
const NUMBER_COLUMNS_FROM: usize = 56;
/// From this width on there are two spaces between columns, below it one.
pub(super) const WIDE_GAP_FROM: usize = 76;
/// Stands in the place of the verdict of a job that could not be judged.
pub(super) const UNJUDGED: &str = "? unread";
const STYLE: TableStyle = TableStyle::new().header_separator(LineStyle::none().fill('─'));
/// Columns of the content where it does not depend on the page: verdict, time, filament, melt rate.
const FIXED: [(usize, u16); 4] = [(0, 8), (2, 7), (3, 8), (4, 10)];

struct Row {
    verdict: Option<Verdict>,
    job: String,
    time: String,
    filament: String,
    flow: String,
    reason: String,
}

#[derive(Default)]
struct Totals {
    go: u64,
    hold: u64,
    no_go: u64,
    unjudged: u64,
    time_s: f64,
    net_mm: f64,
    built_in: bool,
    accepted_unsafe: usize,
    remarks: Vec<String>,
}

/// The table renderer. Rows are kept, inspections are not.
pub struct TableReport {
    look: Look,
    rows: Vec<Row>,
    totals: Totals,
}

impl TableReport {
    /// An empty table for pages that look so.
    pub fn new(look: Look) -> Self {
        Self { look, rows: Vec::new(), totals: Totals::default() }
    }

    fn judged(&mut self, inspection: &Inspection) -> Row {
        let totals = &mut self.totals;
        match inspection.verdict {
            Verdict::Go => totals.go += 1,
            Verdict::Hold => totals.hold += 1,
            Verdict::NoGo => totals.no_go += 1,
        }
        totals.time_s += inspection.time_s.total();
        totals.net_mm += inspection.filament.net_mm;
        totals.built_in |= inspection.machine.built_in;
        totals.accepted_unsafe += inspection.accepted_unsafe();
        if let Some(acceptance) = &inspection.acceptance {
            let name = path(&inspection.job.path);
            totals.remarks.extend(acceptance.remarks.iter().map(|remark| format!("{name}: {}", units(&plain(remark)))));
        }
        Row {
            verdict: Some(inspection.verdict),
            job: path(&inspection.job.path).into_owned(),
            time: clock(inspection.time_s.total()),
            filament: format!("{:.2}", inspection.filament.net_mm / 1000.0),
            flow: format!("{:.1}/{:.1}", inspection.flow.burst_peak_mm3_s, inspection.flow.sustained_peak_mm3_s),
            reason: reason(inspection).unwrap_or_default(),
        }
    }

    /// The first reason of every job that has one, where the table has no room for it.
    fn reasons(&self, out: &mut dyn Write) -> io::Result<()> {
        let mut any = false;
        for row in self.rows.iter().filter(|row| !row.reason.is_empty()) {
            any = true;
            let word = row.verdict.map_or(UNJUDGED, verdict);
            let (mark, text) = word.split_once(' ').unwrap_or((word, ""));
            let text = format!("{text} {}: {}", row.job, row.reason);
            for (index, line) in wrap(&text, self.look.width.saturating_sub(2)).iter().enumerate() {
                let style = row.verdict.filter(|_| index == 0).map(verdict_style).unwrap_or_default();
                let lead = if index == 0 { mark } else { " " };
                writeln!(out, "{} {line}", styled(lead, style, self.look.color && index == 0))?;
            }
        }
        if any { writeln!(out) } else { Ok(()) }
    }

    fn table(&self) -> Table {
        let width = self.look.width;
        let mut table = Table::new();
        table.load_style(STYLE).set_content_arrangement(ContentArrangement::Dynamic);
        table.set_width(u16::try_from(width).unwrap_or(u16::MAX));
        let numbers = width >= NUMBER_COLUMNS_FROM;
        let reasons = width >= REASON_COLUMN_FROM;
        let mut header = vec!["verdict", "job", "h:mm:ss"];
        if numbers {
            header.extend(["filament\nm", "peak/sust.\nmm³/s"]);
        }
        if reasons {
            header.push("first reason");
        }
        table.set_header(header);
        for row in &self.rows {
            table.add_row(row.cells(numbers, reasons));
        }
        let gap = if width < WIDE_GAP_FROM { 1 } else { 2 };
        let last = table.column_iter().count().saturating_sub(1);
        for (index, column) in table.column_iter_mut().enumerate() {
            let gap = if index == last { 0 } else { gap };
            column.set_padding((0, gap));
            if let Some((_, fixed)) = FIXED.iter().find(|(at, _)| *at == index) {
                column.set_constraint(ColumnConstraint::Absolute(Width::Fixed(fixed + gap)));
            }
            if (2..5).contains(&index) {
                column.set_cell_alignment(CellAlignment::Right);
            }
        }
        table
    }
}

impl Row {
    fn cells(&self, numbers: bool, reasons: bool) -> Vec<Cell> {
        let mut job = self.job.clone();
        if !numbers && self.verdict.is_some() {
            job += &format!("\n{} m, {} mm³/s", self.filament, self.flow);
        }
        let mut cells = vec![Cell::new(self.verdict.map_or(UNJUDGED, verdict)), Cell::new(job), Cell::new(&self.time)];
        if numbers {
            cells.extend([Cell::new(&self.filament), Cell::new(&self.flow)]);
        }
        if reasons {
            cells.push(Cell::new(&self.reason));
        }
        cells
    }
}

/// The first finding that decides the verdict, and its line; none for a go.
pub(super) fn reason(inspection: &Inspection) -> Option<String> {
    let finding = deciding(inspection).next()?;
    let place = finding.line.map(|line| format!("line {line}: ")).unwrap_or_default();
    Some(place + &units(&plain(&finding.message)))
}

/// Safe text on one line.
pub(super) fn plain(text: &str) -> String {
    safe(&text.split_whitespace().collect::<Vec<_>>().join(" ")).into_owned()
}

impl Report<of_matrix::Judged, of_matrix::Totals> for TableReport {
    fn add(&mut self, judged: &of_matrix::Judged, _out: &mut dyn Write) -> io::Result<()> {
        let row = match only(judged) {
            Ok(inspection) => self.judged(inspection),
            Err(unjudged) => {
                self.totals.unjudged += 1;
                Row {
                    verdict: None,
                    job: path(&unjudged.path).into_owned(),
                    time: String::new(),
                    filament: String::new(),
                    flow: String::new(),
                    reason: plain(&unjudged.error),
                }
            }
        };
        self.rows.push(row);
        Ok(())
    }

    fn finish(&mut self, _: &of_matrix::Totals, out: &mut dyn Write) -> io::Result<()> {
        if self.totals.accepted_unsafe > 0 {
            for line in wrap(&unsafe_accepted(self.totals.accepted_unsafe), self.look.width) {
                writeln!(out, "{}", styled(&line, verdict_style(Verdict::NoGo), self.look.color))?;
            }
            writeln!(out)?;
        }
        for line in self.table().lines() {
            writeln!(out, "{}", color_verdict(line.trim_end(), self.look.color))?;
        }
        writeln!(out)?;
        if self.look.width < REASON_COLUMN_FROM {
            self.reasons(out)?;
        }
        let totals = &self.totals;
        for remark in &totals.remarks {
            for (index, line) in wrap(remark, self.look.width.saturating_sub(2)).iter().enumerate() {
                writeln!(out, "{} {line}", if index == 0 { '–' } else { ' ' })?;
            }
        }
        if !totals.remarks.is_empty() {
            writeln!(out)?;
        }
        let counts = [
            (Some(Verdict::NoGo), totals.no_go),
            (Some(Verdict::Hold), totals.hold),
            (Some(Verdict::Go), totals.go),
            (None, totals.unjudged),
        ];
        let counts = counts.into_iter().filter(|(_, count)| *count > 0);
        let counts: Vec<String> =
            counts.map(|(kind, count)| format!("{count} {}", kind.map_or(UNJUDGED, verdict))).collect();
        let jobs = counted(self.rows.len() as u64, "job", "jobs");
        let (time, metres) = (duration(totals.time_s), quantity(totals.net_mm / 1000.0, "m"));
        let bold = Style::new().effects(Effects::BOLD);
        for line in wrap(&format!("{jobs}: {}", counts.join(", ")), self.look.width) {
            writeln!(out, "{}", styled(&line, bold, self.look.color))?;
        }
        for line in wrap(&format!("{time} and {metres} of filament in all"), self.look.width) {
            writeln!(out, "{line}")?;
        }
        if totals.built_in {
            for line in wrap(super::BUILT_IN, self.look.width) {
                writeln!(out, "{line}")?;
            }
        }
        writeln!(out)?;
        text::caution(self.look, out)
    }
}

/// Colours the verdict a row starts with; continued lines and the header start otherwise.
fn color_verdict(line: &str, color: bool) -> String {
    for kind in [Verdict::Go, Verdict::Hold, Verdict::NoGo] {
        if let Some(rest) = line.strip_prefix(verdict(kind)) {
            return styled(verdict(kind), verdict_style(kind), color) + rest;
        }
    }
    line.to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::Outcome;
    use crate::findings::sample;
    use crate::wording::columns;

    fn render(outcomes: &[Outcome], width: usize, color: bool) -> String {
        let mut report = TableReport::new(Look { width, color });
        let mut out = Vec::new();
        for outcome in outcomes {
            report.add(&outcome.clone().map(|inspection| vec![inspection]), &mut out).expect("writes");
        }
        report.finish(&crate::show::report::matrix::samples::totals_of_none(), &mut out).expect("writes");
        String::from_utf8(out).expect("UTF-8")
    }

    fn samples() -> Vec<Outcome> {
        vec![Ok(sample::no_go()), Ok(sample::hold()), Ok(sample::go()), Err(sample::unjudged()), Ok(sample::empty())]
    }

    #[test]
    fn wide() {
        snapbox::assert_data_eq!(render(&samples(), 120, false), snapbox::file!["snapshots/table-120.txt"]);
    }

    #[test]
    fn at_60_columns() {
        snapbox::assert_data_eq!(render(&samples(), 60, false), snapbox::file!["snapshots/table-60.txt"]);
    }

    #[test]
    fn at_40_columns() {
        snapbox::assert_data_eq!(render(&samples(), 40, false), snapbox::file!["snapshots/table-40.txt"]);
    }

    #[test]
    fn fits_every_width_from_40() {
        let outcomes: Vec<Outcome> =
            samples().into_iter().chain([Ok(sample::hostile()), Ok(sample::accepted())]).collect();
        for width in 40..=160 {
            for line in render(&outcomes, width, false).lines() {
                assert!(columns(line) <= width, "{} columns instead of {width}: {line:?}", columns(line));
            }
        }
    }

    #[cfg(feature = "cli")]
    #[test]
    fn colour_adds_nothing_but_colour() {
        let outcomes: Vec<Outcome> =
            samples().into_iter().chain([Ok(sample::hostile()), Ok(sample::accepted())]).collect();
        let plain = render(&outcomes, 80, false);
        let colored = render(&outcomes, 80, true);
        assert_ne!(plain, colored);
        assert_eq!(anstream::adapter::strip_str(&colored).to_string(), plain);
        assert!(plain.chars().all(|c| c == '\n' || safe(&c.to_string()) == c.to_string()));
    }
}
