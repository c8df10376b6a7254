//! The comparison for people on many jobs: a table with the worst change first, and what all jobs come to.

use std::cmp::{Ordering, Reverse};
use std::io::{self, Write};

use anstyle::{Effects, Style};
use comfy_table::{Cell, CellAlignment, ColumnConstraint, ContentArrangement, LineStyle, Table, TableStyle, Width};

use super::super::Report;
use super::super::page::{marked, paragraph};
use super::super::{Look, deciding};
use super::figures::{self, PLANNED, Times, number_cells, percent, time_cells, verdicts};
use super::page::{closing, machines};
use crate::findings::{Severity, Verdict};
use crate::show::marks::{styled, verdict, verdict_style};
use crate::study::compare::{Compared, Comparison, Pair, Saved, Sheets, ShiftKind, Totals};
use crate::wording::{columns, counted, path, safe, units};

/// From this width on the melt rate and findings have columns of their own: the hotend comes before the clock.
const MORE_COLUMNS_FROM: usize = 92;
/// From this width on the times before and after have columns.
const TIMES_FROM: usize = 112;
/// Below this width the numbers are under the job.
const NUMBERS_FROM: usize = 56;
/// From this width on there are two spaces between columns, below it one.
const WIDE_GAP_FROM: usize = 76;
const UNJUDGED: &str = "? unread";
const STYLE: TableStyle = TableStyle::new().header_separator(LineStyle::none().fill('─'));
/// Most cells of the strip.
const STRIP: usize = 40;
const BLOCKS: [char; 9] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

struct Row {
    /// Grade of the change: greater is worse; a job that could not be judged is worst.
    worse: i8,
    verdict: Option<Verdict>,
    verdicts: String,
    job: String,
    time_s: Pair,
    /// Whether its times can be set against each other.
    is_alike: bool,
    sustained: Pair,
    shifts: String,
    reason: String,
}

/// The table renderer. Rows are kept, inspections are not.
pub struct TableComparison {
    look: Look,
    sheets: Sheets,
    rows: Vec<Row>,
    /// Some sheet has a clock that these times leave out.
    is_clocked: bool,
}

impl TableComparison {
    /// An empty table for pages that look so.
    pub fn new(look: Look, sheets: Sheets) -> Self {
        Self { look, sheets, rows: Vec::new(), is_clocked: false }
    }

    fn times(&self) -> Times {
        let all = self.rows.iter().flat_map(|row| row.time_s.before.into_iter().chain(row.time_s.after));
        Times::up_to(all.fold(0.0, f64::max))
    }

    fn table(&self) -> Table {
        let width = self.look.width;
        let times = self.times();
        let mut table = Table::new();
        table.load_style(STYLE).set_content_arrangement(ContentArrangement::Dynamic);
        table.set_width(u16::try_from(width).unwrap_or(u16::MAX));
        let mut header = vec!["verdict", "job"];
        if width >= MORE_COLUMNS_FROM {
            header.push("sustained\nmm³/s");
        }
        if width >= TIMES_FROM {
            header.extend(["before", "after"]);
        }
        if width >= NUMBERS_FROM {
            header.extend(["time", "%"]);
        }
        if width >= MORE_COLUMNS_FROM {
            header.push("findings");
        }
        table.set_header(&header);
        for row in &self.rows {
            table.add_row(row.cells(width, times));
        }
        let fixed = self.rows.iter().map(|row| columns(&row.verdicts)).chain([8]).max().unwrap_or(8);
        self.arrange(&mut table, u16::try_from(fixed).unwrap_or(u16::MAX));
        table
    }

    /// Gaps, alignment, and the width of all columns but that of the job.
    fn arrange(&self, table: &mut Table, verdicts: u16) {
        let gap = if self.look.width < WIDE_GAP_FROM { 1 } else { 2 };
        let last = table.column_iter().count().saturating_sub(1);
        let widths = table.column_max_content_widths();
        for (index, column) in table.column_iter_mut().enumerate() {
            let gap = if index == last { 0 } else { gap };
            column.set_padding((0, gap));
            let content = if index == 0 { verdicts } else { widths.get(index).copied().unwrap_or(0) };
            if index != 1 {
                column.set_constraint(ColumnConstraint::Absolute(Width::Fixed(content + gap)));
            }
            if index > 1 {
                column.set_cell_alignment(CellAlignment::Right);
            }
        }
    }

    /// Why a verdict gets worse, and why a job could not be judged.
    fn reasons(&self, out: &mut dyn Write) -> io::Result<()> {
        let mut any = false;
        for row in self.rows.iter().filter(|row| !row.reason.is_empty()) {
            any = true;
            let (mark, word) = row.verdict.map_or(UNJUDGED, verdict).split_once(' ').unwrap_or_default();
            let text = format!("{word} {}: {}", row.job, row.reason);
            marked(mark, row.verdict.map(verdict_style).unwrap_or_default(), &text, self.look, out)?;
        }
        if any { writeln!(out) } else { Ok(()) }
    }
}

impl Row {
    fn of(compared: &Compared) -> Self {
        match compared {
            Ok(comparison) => Self::judged(comparison),
            Err(unjudged) => Self {
                worse: i8::MAX,
                verdict: None,
                verdicts: UNJUDGED.to_owned(),
                job: path(&unjudged.path).into_owned(),
                time_s: Pair { before: None, after: None },
                is_alike: true,
                sustained: Pair { before: None, after: None },
                shifts: String::new(),
                reason: plain(&unjudged.error),
            },
        }
    }

    fn judged(comparison: &Comparison) -> Self {
        let (before, after) = (&comparison.before, &comparison.after);
        // A verdict that stays while something inside gets worse lies between one that stays and one that gets worse.
        let inside = i8::from(comparison.is_worse());
        let worse = 2 * (after.verdict as i8 - before.verdict as i8) + inside;
        let (gained, lost) = comparison.findings_gained_and_lost();
        let reason = match comparison.verdict() {
            Ordering::Greater => deciding(after).next().map(|finding| {
                let place = finding.line.map(|line| format!("line {line}: ")).unwrap_or_default();
                place + &units(&plain(&finding.message))
            }),
            Ordering::Equal if inside > 0 => Some(reasons_inside(comparison)),
            _ => None,
        };
        let count = |sign: char, count: u64| if count == 0 { String::new() } else { format!("{sign}{count}") };
        Self {
            worse,
            verdict: Some(after.verdict),
            verdicts: verdicts(comparison),
            job: path(&after.job.path).into_owned(),
            time_s: comparison.time_s(),
            is_alike: comparison.is_alike_in_time(),
            sustained: Pair::both(before.flow.sustained_peak_mm3_s, after.flow.sustained_peak_mm3_s),
            shifts: format!(
                "{} {} {}",
                count('+', gained),
                count('−', lost),
                count('↑', comparison.worse().count() as u64)
            )
            .split_whitespace()
            .collect::<Vec<_>>()
            .join(" "),
            reason: reason.unwrap_or_default(),
        }
    }

    fn cells(&self, width: usize, times: Times) -> Vec<Cell> {
        let [before, after, difference] = match self.verdict {
            Some(_) => time_cells(times, self.time_s),
            None => Default::default(),
        };
        let share = if self.is_alike { percent(self.time_s.share()) } else { "*".to_owned() };
        let mut job = self.job.clone();
        if width < NUMBERS_FROM && self.verdict.is_some() {
            job += &format!("\n{difference} {}", if share.is_empty() { String::new() } else { format!("({share})") });
        }
        let mut cells = vec![Cell::new(&self.verdicts), Cell::new(job)];
        if width >= MORE_COLUMNS_FROM {
            let [before, after, _] = number_cells(self.sustained, "");
            let text = match self.verdict {
                None => String::new(),
                Some(_) if before == after => after,
                Some(_) => format!("{before} → {after}"),
            };
            cells.push(Cell::new(text));
        }
        if width >= TIMES_FROM {
            cells.extend([Cell::new(before), Cell::new(after)]);
        }
        if width >= NUMBERS_FROM {
            cells.extend([Cell::new(difference), Cell::new(share)]);
        }
        if width >= MORE_COLUMNS_FROM {
            cells.push(Cell::new(&self.shifts));
        }
        cells
    }
}

/// What comes or gets worse at hold or no-go while the verdict stays.
fn reasons_inside(comparison: &Comparison) -> String {
    let serious = comparison.shifts.iter().filter(|shift| shift.severity > Severity::Note);
    let told = serious.filter_map(|shift| match (&shift.worse, shift.kind) {
        (Some(what), _) => Some(format!("{} gets worse: {}", shift.check, figures::worse(what))),
        (None, ShiftKind::Gained) => Some(format!("{} comes", shift.check)),
        _ => None,
    });
    told.collect::<Vec<_>>().join("; ")
}

/// Safe text on one line.
fn plain(text: &str) -> String {
    safe(&text.split_whitespace().collect::<Vec<_>>().join(" ")).into_owned()
}

impl Report<Compared, Totals> for TableComparison {
    fn add(&mut self, compared: &Compared, _out: &mut dyn Write) -> io::Result<()> {
        self.is_clocked |= compared.as_ref().is_ok_and(Comparison::is_clocked);
        self.rows.push(Row::of(compared));
        Ok(())
    }

    fn finish(&mut self, totals: &Totals, out: &mut dyn Write) -> io::Result<()> {
        let look = self.look;
        // The worst change first, then what takes longer; jobs that are alike stay in their order.
        let longer = |row: &Row| row.time_s.difference().unwrap_or(0.0);
        self.rows.sort_by(|a, b| b.worse.cmp(&a.worse).then(longer(b).total_cmp(&longer(a))));
        machines(&self.sheets, look, out)?;
        let mut shown: Vec<&Row> = self.rows.iter().collect();
        // A verdict that starts like another must not be taken for it.
        shown.sort_by_key(|row| Reverse(row.verdicts.len()));
        for line in self.table().lines() {
            writeln!(out, "{}", color_verdicts(line.trim_end(), &shown, look.color))?;
        }
        writeln!(out)?;
        self.reasons(out)?;
        in_all(totals, look, out)?;
        saved(&totals.saved, look, out)?;
        if self.is_clocked {
            paragraph(PLANNED, Style::new(), look, out)?;
            writeln!(out)?;
        }
        closing(look, out)
    }
}

/// Colours the verdicts a row starts with; continued lines and the header start otherwise.
fn color_verdicts(line: &str, rows: &[&Row], color: bool) -> String {
    for row in rows {
        if let (Some(after), Some(rest)) = (row.verdict, line.strip_prefix(&row.verdicts)) {
            return styled(&row.verdicts, verdict_style(after), color) + rest;
        }
    }
    line.to_owned()
}

fn in_all(totals: &Totals, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let counts = [
        (totals.unjudged, UNJUDGED, UNJUDGED),
        (totals.worse, "gets worse", "get worse"),
        (totals.worse_inside, "stays, but gets worse inside", "stay, but get worse inside"),
        (totals.better, "gets better", "get better"),
        (totals.same() - totals.worse_inside, "stays", "stay"),
    ];
    let counts = counts.into_iter().filter(|(count, ..)| *count > 0);
    let counts: Vec<String> = counts.map(|(count, one, many)| counted(count, one, many)).collect();
    let jobs = counted(totals.jobs, "job", "jobs");
    paragraph(&format!("{jobs}: {}", counts.join(", ")), Style::new().effects(Effects::BOLD), look, out)?;
    let (before, after) = (totals.before_s, totals.after_s);
    let times = Times::up_to(before.total().max(after.total()));
    let parts = before.named().into_iter().zip(after.named()).map(|((name, before), (_, after))| (name, before, after));
    let parts = std::iter::once(("in all", before.total(), after.total())).chain(parts);
    for (at, (name, before, after)) in parts.enumerate() {
        let pair = Pair::both(before, after);
        if at > 0 && before == after {
            continue;
        }
        let [before, after, difference] = time_cells(times, pair);
        let share = percent(pair.share().filter(|_| totals.not_alike == 0));
        let share = if share.is_empty() { share } else { format!(" ({share})") };
        paragraph(&format!("time {name}: {before} → {after}, {difference}{share}"), Style::new(), look, out)?;
    }
    if totals.not_alike > 0 {
        let jobs = counted(totals.not_alike, "job", "jobs");
        let unlike = format!(
            "* {jobs}: only one of the times leaves out waiting for late commands, which makes these no savings"
        );
        paragraph(&unlike, Style::new(), look, out)?;
    }
    let findings =
        format!("findings: {} gained, {} worse (↑), {} lost", totals.gained, totals.findings_worse, totals.lost);
    paragraph(&findings, Style::new(), look, out)?;
    writeln!(out)
}

/// How the time saved is spread: quantiles, and a strip with as many cells as the page has room for.
fn saved(saved: &Saved, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let (Some((least, most)), true) = (saved.range(), saved.jobs() > 1) else { return Ok(()) };
    let [p10, p50, p90] = [0.1, 0.5, 0.9].map(|part| percent(saved.quantile(part)));
    let [first, last] = [least, most].map(|share| percent(Some(share)));
    let text = format!("time saved by job: least {first} · p10 {p10} · p50 {p50} · p90 {p90} · most {last}");
    paragraph(&text, Style::new(), look, out)?;
    if least < most {
        let cells = saved.spread(look.width.saturating_sub(4).min(STRIP));
        let tallest = cells.iter().copied().max().unwrap_or(1).max(1);
        // Any job is seen.
        let block = |count: &u64| BLOCKS[(count * 8).div_ceil(tallest) as usize];
        writeln!(out, "  {}", cells.iter().map(block).collect::<String>().trim_end())?;
        let fill = cells.len().saturating_sub(columns(&first) + columns(&last)).max(1);
        writeln!(out, "  {first}{:fill$}{last}", "")?;
    }
    writeln!(out)
}

#[cfg(test)]
mod tests {
    use super::super::samples;
    use super::*;

    fn render(jobs: &[Compared], width: usize, color: bool) -> String {
        let mut report = TableComparison::new(Look { width, color }, samples::sheets());
        let (mut out, mut totals) = (Vec::new(), Totals::default());
        for compared in jobs {
            totals.count(compared);
            report.add(compared, &mut out).expect("writes");
        }
        report.finish(&totals, &mut out).expect("writes");
        String::from_utf8(out).expect("UTF-8")
    }

    #[test]
    fn wide() {
        let text = render(&samples::all()[..5], 120, false);
        snapbox::assert_data_eq!(text, snapbox::file!["../snapshots/compare-table-120.txt"]);
    }

    #[test]
    fn at_60_columns() {
        let text = render(&samples::all()[..5], 60, false);
        snapbox::assert_data_eq!(text, snapbox::file!["../snapshots/compare-table-60.txt"]);
    }

    #[test]
    fn the_worst_change_comes_first() {
        let mut jobs = samples::all();
        let shown = |text: String| -> Vec<usize> {
            ["jobs/lost", "jobs/hook.gcode", "empty.g"].map(|name| text.find(name).expect("is there")).to_vec()
        };
        for _ in 0..jobs.len() {
            jobs.rotate_left(1);
            let places = shown(render(&jobs, 120, false));
            assert!(places.is_sorted(), "{places:?}");
        }
    }

    #[test]
    fn fits_every_width_from_40() {
        for width in 40..=150 {
            for line in render(&samples::all(), width, false).lines() {
                assert!(columns(line) <= width, "{} columns instead of {width}: {line:?}", columns(line));
            }
        }
    }

    #[cfg(feature = "cli")]
    #[test]
    fn colour_adds_nothing_but_colour() {
        let plain = render(&samples::all(), 100, false);
        let colored = render(&samples::all(), 100, true);
        assert_ne!(plain, colored);
        assert_eq!(anstream::adapter::strip_str(&colored).to_string(), plain);
        assert!(plain.chars().all(|c| c == '\n' || safe(&c.to_string()) == c.to_string()));
    }
}
