//! The report for people on many jobs: what they come to, why, and a table with a row per job, the worst first.

use std::io::{self, Write};

use anstyle::{Effects, Style};
use comfy_table::{Cell, CellAlignment, ColumnConstraint, ContentArrangement, LineStyle, Table, TableStyle, Width};

use super::page::{marked, paragraph};
use super::reasons::{self, Reason, common_folder, plain, weight};
use super::{Look, Report, give_or_take, only, text, unsafe_accepted};
use crate::findings::{Inspection, Verdict};
use crate::show::marks::{styled, verdict, verdict_style};
use crate::study::matrix as of_matrix;
use crate::wording::{clock, counted, duration, listed, path, quantity, safe, units};

/// Below this width the melt rate is under the job.
const FLOW_COLUMN_FROM: usize = 56;
/// From this width on there are two spaces between columns, below it one; and filament has a column.
pub(super) const WIDE_GAP_FROM: usize = 76;
/// Stands in the place of the verdict of a job that could not be judged.
pub(super) const UNJUDGED: &str = "? unread";
const STYLE: TableStyle = TableStyle::new().header_separator(LineStyle::none().fill('─'));
/// Columns of the content where it does not depend on the page: verdict, melt rate, time, filament.
const VERDICT_COLUMNS: u16 = 8;
const FLOW_COLUMNS: u16 = 11;
const TIME_COLUMNS: u16 = 8;
const FILAMENT_COLUMNS: u16 = 8;
/// Most rows of a short report.
const ROWS: usize = 12;
/// Most jobs that are go and named.
const GO_NAMES: usize = 12;

/// What a report on many jobs says of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Wanted {
    /// All jobs and all reasons, or the worst of them.
    pub details: bool,
    /// Only jobs with such a verdict or a worse one are named.
    pub least: Option<Verdict>,
}

impl Wanted {
    /// Whether a job with that verdict is named; none where it could not be judged.
    pub(super) fn names(self, verdict: Option<Verdict>) -> bool {
        match (verdict, self.least) {
            (Some(verdict), Some(least)) => verdict >= least,
            _ => true,
        }
    }
}

struct Row {
    verdict: Option<Verdict>,
    job: String,
    time: String,
    filament: String,
    flow: String,
    reason: Option<Reason>,
}

#[derive(Default)]
struct Totals {
    verdicts: [u64; 3],
    unjudged: u64,
    time_s: f64,
    net_mm: f64,
    machine: String,
    built_in: bool,
    accepted_unsafe: usize,
    /// Whether any time is by a clock that prints have set.
    is_clocked: bool,
    leaves_out_waiting: bool,
    remarks: Vec<String>,
}

/// The table renderer. Rows are kept, inspections are not.
pub struct TableReport {
    look: Look,
    wanted: Wanted,
    rows: Vec<Row>,
    totals: Totals,
}

impl TableReport {
    /// An empty table for pages that look so.
    pub fn new(look: Look, wanted: Wanted) -> Self {
        Self { look, wanted, rows: Vec::new(), totals: Totals::default() }
    }

    fn judged(&mut self, inspection: &Inspection) -> Row {
        let totals = &mut self.totals;
        totals.verdicts[inspection.verdict as usize] += 1;
        totals.time_s += inspection.reckoned_s();
        totals.net_mm += inspection.filament.net_mm;
        totals.machine = safe(&inspection.machine.name).into_owned();
        totals.built_in |= inspection.machine.built_in;
        totals.is_clocked |= inspection.wall_time.is_some();
        totals.leaves_out_waiting |= inspection.waiting_left_out_s().is_some();
        totals.accepted_unsafe += inspection.accepted_unsafe();
        let mut job = path(&inspection.job.path).into_owned();
        if inspection.accepted_unsafe() > 0 {
            job += " (UNSAFE)";
        }
        if let Some(acceptance) = &inspection.acceptance {
            totals.remarks.extend(acceptance.remarks.iter().map(|remark| format!("{job}: {}", units(&plain(remark)))));
        }
        Row {
            verdict: Some(inspection.verdict),
            time: clock(inspection.reckoned_s()) + &give_or_take(inspection, "\n"),
            filament: format!("{:.2}", inspection.filament.net_mm / 1000.0),
            flow: format!("{:.1}/{:.1}", inspection.flow.burst_peak_mm3_s, inspection.flow.sustained_peak_mm3_s),
            reason: Reason::of(inspection, &job, ""),
            job,
        }
    }

    /// Leaves out of all names what they have in common; what that is.
    fn shorten(&mut self) -> String {
        let folder = common_folder(&self.rows.iter().map(|row| row.job.clone()).collect::<Vec<_>>());
        let short = |name: &mut String| drop(name.drain(..folder.len()));
        for row in &mut self.rows {
            short(&mut row.job);
            row.reason.iter_mut().for_each(|reason| short(&mut reason.job));
        }
        folder
    }

    fn summary(&self, folder: &str, out: &mut dyn Write) -> io::Result<()> {
        let totals = &self.totals;
        if totals.accepted_unsafe > 0 {
            paragraph(&unsafe_accepted(totals.accepted_unsafe), verdict_style(Verdict::NoGo), self.look, out)?;
        }
        let counts = [Verdict::NoGo, Verdict::Hold, Verdict::Go].map(|of| (verdict(of), totals.verdicts[of as usize]));
        let counts = std::iter::once((UNJUDGED, totals.unjudged)).chain(counts).filter(|(_, count)| *count > 0);
        let counts: Vec<String> = counts.map(|(word, count)| format!("{count} {word}")).collect();
        let jobs = counted(self.rows.len() as u64, "job", "jobs");
        let within = if folder.is_empty() { String::new() } else { format!(" in {folder}") };
        let on = if totals.machine.is_empty() { String::new() } else { format!(" on {}", totals.machine) };
        let bold = Style::new().effects(Effects::BOLD);
        paragraph(&format!("{jobs}{within}{on}: {}", counts.join(", ")), bold, self.look, out)?;
        let (time, metres) = (duration(totals.time_s), quantity(totals.net_mm / 1000.0, "m"));
        let clock = if totals.is_clocked { "" } else { "; clock not set" };
        paragraph(&format!("{time} and {metres} of filament in all{clock}"), Style::new(), self.look, out)?;
        if totals.built_in {
            paragraph(super::BUILT_IN, Style::new(), self.look, out)?;
        }
        writeln!(out)
    }

    fn table(&self, rows: &[&Row]) -> Table {
        let width = self.look.width;
        let mut table = Table::new();
        table.load_style(STYLE).set_content_arrangement(ContentArrangement::Dynamic);
        table.set_width(u16::try_from(width).unwrap_or(u16::MAX));
        let (flow, filament) = (width >= FLOW_COLUMN_FROM, width >= WIDE_GAP_FROM);
        let mut header = vec![("verdict", Some(VERDICT_COLUMNS)), ("job", None)];
        header.extend(flow.then_some(("burst/sust.\nmm³/s", Some(FLOW_COLUMNS))));
        header.push(("h:mm:ss", Some(TIME_COLUMNS)));
        header.extend(filament.then_some(("filament\nm", Some(FILAMENT_COLUMNS))));
        table.set_header(header.iter().map(|(name, _)| *name));
        for row in rows {
            table.add_row(row.cells(flow, filament));
        }
        let gap = if width < WIDE_GAP_FROM { 1 } else { 2 };
        for (index, (column, (_, fixed))) in table.column_iter_mut().zip(&header).enumerate() {
            let gap = if index == header.len() - 1 { 0 } else { gap };
            column.set_padding((0, gap));
            if let Some(fixed) = fixed {
                column.set_constraint(ColumnConstraint::Absolute(Width::Fixed(fixed + gap)));
            }
            if index > 1 {
                column.set_cell_alignment(CellAlignment::Right);
            }
        }
        table
    }

    /// The names of the jobs that may go, where the table does not list all.
    fn write_go(&self, named: &[&Row], out: &mut dyn Write) -> io::Result<()> {
        let go: Vec<&str> =
            named.iter().filter(|row| row.verdict == Some(Verdict::Go)).map(|row| row.job.as_str()).collect();
        if go.is_empty() || self.wanted.details || named.len() <= ROWS {
            return Ok(());
        }
        let mut names: Vec<&str> = go.iter().take(GO_NAMES).copied().collect();
        let rest = format!("{} more", go.len() - names.len());
        if go.len() > names.len() {
            names.push(&rest);
        }
        let (jobs, names) = (counted(go.len() as u64, "job", "jobs"), listed(&names));
        let (mark, word) = verdict(Verdict::Go).split_once(' ').unwrap_or_default();
        marked(mark, verdict_style(Verdict::Go), &format!("{word} {jobs}: {names}"), self.look, out)?;
        writeln!(out)
    }

    /// The rows that are named, the worst first.
    fn write_rows(&self, named: &[&Row], out: &mut dyn Write) -> io::Result<()> {
        let mut rows = named.to_vec();
        rows.sort_by_key(|row| std::cmp::Reverse(weight(row.verdict)));
        let shown = if self.wanted.details { rows.len() } else { rows.len().min(ROWS) };
        if shown == 0 {
            return Ok(());
        }
        for line in self.table(&rows[..shown]).lines() {
            writeln!(out, "{}", color_verdict(line.trim_end(), self.look.color))?;
        }
        if shown < rows.len() {
            let more = counted((rows.len() - shown) as u64, "more job", "more jobs");
            paragraph(&format!("and {more}: --details lists all"), Style::new(), self.look, out)?;
        }
        writeln!(out)
    }
}

impl Row {
    fn cells(&self, flow: bool, filament: bool) -> Vec<Cell> {
        let mut job = self.job.clone();
        if !flow && self.verdict.is_some() {
            job += &format!("\n{} mm³/s", self.flow);
        }
        let mut cells = vec![Cell::new(self.verdict.map_or(UNJUDGED, verdict)), Cell::new(job)];
        cells.extend(flow.then(|| Cell::new(&self.flow)));
        cells.push(Cell::new(&self.time));
        cells.extend(filament.then(|| Cell::new(&self.filament)));
        cells
    }
}

impl Report<of_matrix::Judged, of_matrix::Totals> for TableReport {
    fn add(&mut self, judged: &of_matrix::Judged, _out: &mut dyn Write) -> io::Result<()> {
        let row = match only(judged) {
            Ok(inspection) => self.judged(inspection),
            Err(unjudged) => {
                self.totals.unjudged += 1;
                let job = path(&unjudged.path).into_owned();
                Row {
                    verdict: None,
                    time: String::new(),
                    filament: String::new(),
                    flow: String::new(),
                    reason: Some(Reason::unjudged(&unjudged.path, &job, &unjudged.error)),
                    job,
                }
            }
        };
        self.rows.push(row);
        Ok(())
    }

    fn finish(&mut self, _: &of_matrix::Totals, out: &mut dyn Write) -> io::Result<()> {
        let folder = self.shorten();
        self.summary(&folder, out)?;
        let named: Vec<&Row> = self.rows.iter().filter(|row| self.wanted.names(row.verdict)).collect();
        let why: Vec<&Reason> = named.iter().filter_map(|row| row.reason.as_ref()).collect();
        reasons::write(&why, self.wanted.details, self.look, out)?;
        self.write_go(&named, out)?;
        self.write_rows(&named, out)?;
        let remarks = &self.totals.remarks;
        remarks.iter().try_for_each(|remark| marked("–", Style::new(), remark, self.look, out))?;
        if self.totals.leaves_out_waiting {
            paragraph(super::WAITING_LEFT_OUT, Style::new(), self.look, out)?;
            writeln!(out)?;
        }
        if !remarks.is_empty() {
            writeln!(out)?;
        }
        text::caution(self.look, out)
    }
}

/// Colours the verdict a row starts with; continued lines and the header start otherwise.
fn color_verdict(line: &str, color: bool) -> String {
    for kind in Verdict::ALL {
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
        let mut report = TableReport::new(Look { width, color }, Wanted::default());
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
