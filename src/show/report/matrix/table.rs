//! The matrix for people: what fits where, why not, then jobs × machines with verdict and time, or a list where the page is
//! too narrow for that.

use std::io::{self, Write};

use anstyle::{Effects, Style};
use comfy_table::{Cell as Field, ColumnConstraint, ContentArrangement, LineStyle, Table, TableStyle, Width};

use super::super::page::{marked, paragraph};
use super::super::reasons::{self, Reason, common_folder, plain, weight};
use super::super::table::{UNJUDGED, WIDE_GAP_FROM, Wanted};
use super::super::{Look, Report, text, unsafe_accepted};
use super::labels;
use crate::findings::{Inspection, MachineFacts, Verdict};
use crate::show::marks::{styled, verdict, verdict_style};
use crate::study::matrix::{Judged, Totals};
use crate::wording::{clock, columns, counted, listed, path, units, wrap};

const STYLE: TableStyle = TableStyle::new().header_separator(LineStyle::none().fill('─'));
/// Columns of a verdict with the time beside it, and with the time under it.
const BESIDE: usize = 16;
const UNDER: usize = 8;
/// Most columns of a machine's name before it is wrapped.
const NAME_MOST: usize = 24;
/// Columns that are left to the jobs at least, where they have longer names.
const JOB_LEAST: usize = 32;

/// Most rows, and names of jobs that fit nowhere, of a short report.
const ROWS: usize = 12;
const NAMES: usize = 6;

struct Row {
    job: String,
    /// One for each machine; none where the job could not be judged.
    cells: Vec<Cell>,
    reasons: Vec<Reason>,
}

struct Cell {
    verdict: Verdict,
    time: String,
}

impl Row {
    /// What the best machine says.
    fn best(&self) -> Option<Verdict> {
        self.cells.iter().map(|cell| cell.verdict).min()
    }

    /// What the worst one says.
    fn worst(&self) -> Option<Verdict> {
        self.cells.iter().map(|cell| cell.verdict).max()
    }
}

/// How the cells are set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Layout {
    /// Columns of the jobs and of each machine.
    Table { job: usize, machine: usize },
    /// Machine under machine, job by job.
    List,
}

/// The table renderer. Verdicts, times and first reasons are kept, inspections are not.
pub struct TableMatrix {
    look: Look,
    wanted: Wanted,
    machines: Vec<String>,
    rows: Vec<Row>,
    accepted_unsafe: usize,
    /// Some time counts nothing, since a sheet gives none.
    leaves_out: bool,
    /// True where some time leaves out waiting for late commands.
    leaves_out_waiting: bool,
    /// Which machines' times are by a clock that prints have set.
    clocked: Vec<bool>,
    remarks: Vec<String>,
}

impl TableMatrix {
    /// An empty table for pages that look so.
    pub fn new(look: Look, wanted: Wanted, machines: &[MachineFacts]) -> Self {
        Self {
            look,
            wanted,
            machines: labels(machines),
            rows: Vec::new(),
            accepted_unsafe: 0,
            leaves_out: false,
            leaves_out_waiting: false,
            clocked: vec![false; machines.len()],
            remarks: Vec::new(),
        }
    }

    /// Columns between columns.
    fn gap(&self) -> usize {
        if self.look.width < WIDE_GAP_FROM { 1 } else { 2 }
    }

    fn layout(&self) -> Layout {
        let words = self.machines.iter().flat_map(|name| name.split(' '));
        let widest = words.map(columns).max().unwrap_or(0).min(NAME_MOST);
        let longest = self.rows.iter().map(|row| columns(&row.job)).max().unwrap_or(0);
        for cell in [BESIDE, UNDER] {
            let machine = cell.max(widest);
            let all = self.machines.len() * (machine + self.gap());
            if self.look.width >= all + JOB_LEAST.min(longest) {
                return Layout::Table { job: longest.clamp(3, self.look.width - all), machine };
            }
        }
        Layout::List
    }

    /// Keeps what accepted findings did on each machine.
    fn note(&mut self, inspections: &[Inspection]) {
        for ((inspection, machine), clocked) in inspections.iter().zip(&self.machines).zip(&mut self.clocked) {
            *clocked |= inspection.wall_time.is_some();
            self.accepted_unsafe += inspection.accepted_unsafe();
            self.leaves_out_waiting |= inspection.waiting_left_out_s().is_some();
            self.leaves_out |= inspection.left_out.iter().any(|said| text::counts_nothing(said).is_some());
            let remarks = inspection.acceptance.iter().flat_map(|acceptance| &acceptance.remarks);
            let job = path(&inspection.job.path);
            self.remarks.extend(remarks.map(|remark| format!("{job} on {machine}: {}", units(&plain(remark)))));
        }
    }

    fn head(&self, out: &mut dyn Write) -> io::Result<()> {
        if self.accepted_unsafe == 0 {
            return Ok(());
        }
        paragraph(&unsafe_accepted(self.accepted_unsafe), verdict_style(Verdict::NoGo), self.look, out)?;
        writeln!(out)
    }

    /// Which times are by a clock and which are planned, where some are.
    fn clocks(&self) -> Option<String> {
        let named = |is_so: bool| -> Vec<&str> {
            let machines = self.machines.iter().zip(&self.clocked).filter(|(_, clocked)| **clocked == is_so);
            machines.map(|(machine, _)| machine.as_str()).collect()
        };
        match (&named(true)[..], &named(false)[..]) {
            ([], _) => None,
            (_, []) => Some("Times are by the clocks that prints have set.".to_owned()),
            (clocked, planned) => Some(format!(
                "Times on {} are by the clock that prints have set, those on {} are planned: they do not compare.",
                listed(clocked),
                listed(planned)
            )),
        }
    }

    fn write_remarks(&self, out: &mut dyn Write) -> io::Result<()> {
        self.remarks.iter().try_for_each(|remark| marked("–", Style::new(), remark, self.look, out))?;
        if self.remarks.is_empty() { Ok(()) } else { writeln!(out) }
    }

    fn table(&self, rows: &[&Row], job: usize, machine: usize) -> Table {
        let mut table = Table::new();
        table.load_style(STYLE).set_content_arrangement(ContentArrangement::Dynamic);
        table.set_width(u16::try_from(self.look.width).unwrap_or(u16::MAX));
        table.set_header(std::iter::once("job").chain(self.machines.iter().map(String::as_str)));
        for row in rows {
            let mut fields = vec![Field::new(&row.job)];
            match &row.cells[..] {
                [] => fields.extend(self.machines.iter().map(|_| Field::new(UNJUDGED))),
                cells => fields.extend(cells.iter().map(|cell| Field::new(cell.shown(machine)))),
            }
            table.add_row(fields);
        }
        for (index, column) in table.column_iter_mut().enumerate() {
            let gap = if index == self.machines.len() { 0 } else { self.gap() };
            column.set_padding((0, gap as u16));
            let width = if index == 0 { job } else { machine } + gap;
            column.set_constraint(ColumnConstraint::Absolute(Width::Fixed(u16::try_from(width).unwrap_or(u16::MAX))));
        }
        table
    }

    fn write_table(&self, rows: &[&Row], job: usize, machine: usize, out: &mut dyn Write) -> io::Result<()> {
        let table = self.table(rows, job, machine);
        let mut under_header = false;
        for line in table.lines() {
            let line = line.trim_end();
            let is_rule = line.starts_with('─');
            let color = self.look.color && under_header && !is_rule;
            under_header |= is_rule;
            let cut = line.char_indices().nth(job).map_or(line.len(), |(at, _)| at);
            let (job, cells) = line.split_at(cut);
            writeln!(out, "{job}{}", color_verdicts(cells, color))?;
        }
        Ok(())
    }

    /// The rows that are named: those that fit least first.
    fn write_rows(&self, out: &mut dyn Write) -> io::Result<()> {
        let mut rows: Vec<&Row> = self.rows.iter().filter(|row| self.wanted.names(row.worst())).collect();
        rows.sort_by_key(|row| std::cmp::Reverse((weight(row.best()), weight(row.worst()))));
        let shown = if self.wanted.details { rows.len() } else { rows.len().min(ROWS) };
        if shown == 0 {
            return Ok(());
        }
        match self.layout() {
            Layout::Table { job, machine } => self.write_table(&rows[..shown], job, machine, out)?,
            Layout::List => self.write_list(&rows[..shown], out)?,
        }
        if shown < rows.len() {
            let more = counted((rows.len() - shown) as u64, "more job", "more jobs");
            paragraph(&format!("and {more}: --details lists all"), Style::new(), self.look, out)?;
        }
        writeln!(out)
    }

    /// Why not on which machines: those that say the same are told together.
    fn reasons_of(&self, inspections: &[Inspection], job: &str) -> Vec<Reason> {
        let mut reasons: Vec<Reason> = Vec::new();
        for (inspection, machine) in inspections.iter().zip(&self.machines) {
            let Some(reason) = Reason::of(inspection, job, machine) else { continue };
            let alike = |told: &&mut Reason| (told.verdict, &told.message) == (reason.verdict, &reason.message);
            match reasons.iter_mut().find(alike) {
                Some(told) => told.on += &format!(", {machine}"),
                None => reasons.push(reason),
            }
        }
        reasons
    }

    /// Leaves out of all names what they have in common; what that is.
    fn shorten(&mut self) -> String {
        let folder = common_folder(&self.rows.iter().map(|row| row.job.clone()).collect::<Vec<_>>());
        let short = |name: &mut String| drop(name.drain(..folder.len()));
        for row in &mut self.rows {
            short(&mut row.job);
            row.reasons.iter_mut().for_each(|reason| short(&mut reason.job));
        }
        folder
    }

    fn write_list(&self, rows: &[&Row], out: &mut dyn Write) -> io::Result<()> {
        for row in rows {
            paragraph(&row.job, Style::new().effects(Effects::BOLD), self.look, out)?;
            if row.cells.is_empty() {
                writeln!(out, "  {UNJUDGED}")?;
            }
            for (cell, machine) in row.cells.iter().zip(&self.machines) {
                self.entry(cell, machine, out)?;
            }
        }
        Ok(())
    }

    /// A machine of the list.
    fn entry(&self, cell: &Cell, machine: &str, out: &mut dyn Write) -> io::Result<()> {
        let shown = cell.shown(BESIDE);
        let indent = 2 + BESIDE + 2;
        for (index, line) in wrap(machine, self.look.width.saturating_sub(indent)).iter().enumerate() {
            let lead = if index == 0 { format!("  {shown:<BESIDE$}  ") } else { " ".repeat(indent) };
            writeln!(out, "{}{line}", color_verdicts(&lead, self.look.color))?;
        }
        Ok(())
    }

    fn summary(&self, totals: &Totals, folder: &str, out: &mut dyn Write) -> io::Result<()> {
        let jobs = counted(totals.jobs, "job", "jobs");
        let within = if folder.is_empty() { String::new() } else { format!(" in {folder}") };
        let machines = counted(self.machines.len() as u64, "machine", "machines");
        let nowhere = totals.fit_no_machine.len() as u64;
        let counts = [
            (totals.judged() - nowhere, "fits at least one", "fit at least one"),
            (nowhere, "fits none", "fit none"),
            (totals.unjudged, UNJUDGED, UNJUDGED),
        ];
        let counts = counts.into_iter().filter(|(count, ..)| *count > 0);
        let counts: Vec<String> = counts.map(|(count, one, many)| counted(count, one, many)).collect();
        let bold = Style::new().effects(Effects::BOLD);
        paragraph(&format!("{jobs}{within} on {machines}: {}", counts.join(", ")), bold, self.look, out)?;
        let each = self.machines.iter().zip(&totals.machines);
        let each: Vec<String> = each.map(|(name, tally)| format!("{name} {}", tally.fit)).collect();
        paragraph(&format!("jobs that fit: {}", each.join(", ")), Style::new(), self.look, out)?;
        let idle: Vec<&str> = totals.fit_by_no_job().map(|place| self.machines[place].as_str()).collect();
        self.names("machines that no job fits", &idle, out)?;
        let nowhere: Vec<String> = totals.fit_no_machine.iter().map(|job| path(job).replacen(folder, "", 1)).collect();
        self.names("jobs that no machine fits", &nowhere.iter().map(String::as_str).collect::<Vec<_>>(), out)?;
        let fits = if totals.fits(Verdict::Hold) { "go or hold" } else { "go" };
        paragraph(&format!("A job fits a machine where its verdict is {fits}."), Style::new(), self.look, out)?;
        writeln!(out)
    }

    /// Names behind what they have in common; a bounded number of them in a short report.
    fn names(&self, what: &str, names: &[&str], out: &mut dyn Write) -> io::Result<()> {
        let shown = if self.wanted.details { names.len() } else { names.len().min(NAMES) };
        let more = match names.len() - shown {
            0 => String::new(),
            more => format!(" and {more} more"),
        };
        let named = if names.is_empty() { "none".to_owned() } else { names[..shown].join(", ") + &more };
        paragraph(&format!("{what}: {named}"), Style::new(), self.look, out)
    }
}

impl Cell {
    /// Verdict and time in so many columns, one under the other where they do not fit side by side.
    fn shown(&self, width: usize) -> String {
        let word = verdict(self.verdict);
        if width < BESIDE { format!("{word}\n{}", self.time) } else { format!("{word:<7} {:>8}", self.time) }
    }
}

/// Colours every verdict in a line.
fn color_verdicts(line: &str, color: bool) -> String {
    let mut line = line.to_owned();
    for kind in Verdict::ALL.into_iter().filter(|_| color) {
        line = line.replace(verdict(kind), &styled(verdict(kind), verdict_style(kind), true));
    }
    line
}

impl Report<Judged, Totals> for TableMatrix {
    fn add(&mut self, judged: &Judged, _out: &mut dyn Write) -> io::Result<()> {
        self.note(judged.as_deref().unwrap_or_default());
        self.rows.push(match judged {
            Ok(inspections) => {
                let job = path(inspections.first().map_or("", |first| &first.job.path)).into_owned();
                let cell = |of: &Inspection| Cell { verdict: of.verdict, time: clock(of.reckoned_s()) };
                let reasons = self.reasons_of(inspections, &job);
                Row { job, cells: inspections.iter().map(cell).collect(), reasons }
            }
            Err(unjudged) => {
                let job = path(&unjudged.path).into_owned();
                let reasons = vec![Reason::unjudged(&unjudged.path, &job, &unjudged.error)];
                Row { job, cells: Vec::new(), reasons }
            }
        });
        Ok(())
    }

    fn finish(&mut self, totals: &Totals, out: &mut dyn Write) -> io::Result<()> {
        let folder = self.shorten();
        self.head(out)?;
        self.summary(totals, &folder, out)?;
        let named = self.rows.iter().flat_map(|row| &row.reasons).filter(|reason| self.wanted.names(reason.verdict));
        reasons::write(&named.collect::<Vec<_>>(), self.wanted.details, self.look, out)?;
        self.write_rows(out)?;
        if self.leaves_out {
            let text =
                "Times leave out what a sheet gives no time for, such as heating or homing: they do not compare.";
            paragraph(text, Style::new(), self.look, out)?;
            writeln!(out)?;
        }
        if self.leaves_out_waiting {
            paragraph(super::super::WAITING_LEFT_OUT, Style::new(), self.look, out)?;
            writeln!(out)?;
        }
        if let Some(clocks) = self.clocks() {
            paragraph(&clocks, Style::new(), self.look, out)?;
            writeln!(out)?;
        }
        self.write_remarks(out)?;
        text::caution(self.look, out)
    }
}

#[cfg(test)]
mod tests {
    use super::super::samples;
    use super::*;
    use crate::findings::sample;
    use crate::wording::safe;

    fn render(jobs: &[Judged], width: usize, color: bool) -> String {
        let mut report = TableMatrix::new(Look { width, color }, Wanted::default(), &samples::machines());
        let mut out = Vec::new();
        jobs.iter().for_each(|judged| report.add(judged, &mut out).expect("writes"));
        report.finish(&samples::totals(jobs), &mut out).expect("writes");
        String::from_utf8(out).expect("UTF-8")
    }

    #[test]
    fn wide() {
        let text = render(&samples::all()[..3], 120, false);
        snapbox::assert_data_eq!(text, snapbox::file!["../snapshots/matrix-120.txt"]);
    }

    #[test]
    fn narrow_pages_get_a_list() {
        let text = render(&samples::all()[..3], 60, false);
        snapbox::assert_data_eq!(text, snapbox::file!["../snapshots/matrix-60.txt"]);
    }

    #[test]
    fn which_times_are_by_a_clock_is_said() {
        let said = |clocked: [bool; 3]| {
            let of = |is: bool| Inspection { wall_time: sample::hold().wall_time.filter(|_| is), ..sample::go() };
            let text = render(&[Ok(clocked.map(of).into())], 70, false);
            let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
            let note = ["Times on ", "Times are "].iter().find_map(|start| words.find(start));
            note.map(|at| words[at..].split(" Never ").next().unwrap_or_default().to_owned())
        };
        assert_eq!(said([false; 3]), None);
        assert_eq!(said([true; 3]).as_deref(), Some("Times are by the clocks that prints have set."));
        let mixed = said([true, false, false]).expect("a note");
        assert!(mixed.starts_with("Times on Heron are by the clock that prints have set, those on Wren ("), "{mixed}");
    }

    fn accepted() -> Judged {
        Ok(vec![sample::accepted(), sample::no_go(), sample::accepted()])
    }

    #[test]
    fn unsafe_accepted_findings_are_told_first_and_entries_that_do_not_hold_too() {
        for width in [60, 120] {
            let text = render(&[accepted()], width, false);
            assert!(text.starts_with("UNSAFE: 2 no-go findings on heat or travel are accepted"), "{text}");
            let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
            assert!(words.contains("– jobs/hook.gcode on Wren (cellar/wren.toml): cold-extrusion at x 12"), "{text}");
        }
    }

    #[test]
    fn fits_every_width_from_40() {
        let mut jobs = samples::all();
        jobs.push(accepted());
        for width in 40..=160 {
            for line in render(&jobs, width, false).lines() {
                assert!(columns(line) <= width, "{} columns instead of {width}: {line:?}", columns(line));
            }
        }
    }

    #[test]
    fn the_time_goes_under_the_verdict_before_the_table_becomes_a_list() {
        let mut machines = samples::machines();
        machines[1].name = "Bittern".to_owned();
        let layout = |width, jobs: usize| {
            let mut report = TableMatrix::new(Look { width, color: false }, Wanted::default(), &machines);
            samples::all()[..jobs].iter().for_each(|judged| report.add(judged, &mut Vec::new()).expect("keeps"));
            report.layout()
        };
        assert_eq!(layout(100, 2), Layout::Table { job: 46, machine: BESIDE });
        assert_eq!(layout(80, 2), Layout::Table { job: 50, machine: UNDER });
        assert_eq!(layout(60, 2), Layout::Table { job: 33, machine: UNDER });
        assert_eq!(layout(58, 2), Layout::List);
        assert_eq!(layout(80, 1), Layout::Table { job: 15, machine: BESIDE });
    }

    #[cfg(feature = "cli")]
    #[test]
    fn colour_adds_nothing_but_colour() {
        for width in [50, 140] {
            let plain = render(&samples::all(), width, false);
            let colored = render(&samples::all(), width, true);
            assert_ne!(plain, colored);
            assert_eq!(anstream::adapter::strip_str(&colored).to_string(), plain);
            assert!(plain.chars().all(|c| c == '\n' || safe(&c.to_string()) == c.to_string()));
        }
    }
}
