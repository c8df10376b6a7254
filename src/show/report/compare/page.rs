//! The comparison for people on one job.

use std::cmp::Ordering;
use std::io::{self, Write};

use anstyle::{Effects, Style};

use super::super::Report;
use super::super::page::{Section, begun, paragraph};
use super::super::{BUILT_IN, Look, text};
use super::RAISING;
use super::figures::{self, PLANNED, Times, number_cells, percent, time_cells, verdicts};
use crate::findings::Inspection;
use crate::show::marks::{severity_mark, styled, verdict_style};
use crate::study::compare::{
    Compared, Comparison, FIGURES, Figure, Group, KeyChange, Pair, Sheets, Shift, ShiftKind, Totals,
};
use crate::wording::{columns, counted, duration, grouped, path, safe, tail, units};

/// Most keys listed.
const KEYS_SHOWN: usize = 40;
/// Most findings listed of one kind.
const SHIFTS_SHOWN: usize = 20;
/// Most lines listed of one finding.
const LINES_SHOWN: usize = 8;
/// Columns a value of the sheet may take.
const VALUE_COLUMNS: usize = 32;
/// From this width of a section on the difference is shown as a share, too.
const SHARE_FROM: usize = 58;

/// The page renderer.
pub struct PageComparison {
    look: Look,
    sheets: Sheets,
}

impl PageComparison {
    /// A renderer for pages that look so.
    pub fn new(look: Look, sheets: Sheets) -> Self {
        Self { look, sheets }
    }
}

impl Report<Compared, Totals> for PageComparison {
    fn add(&mut self, compared: &Compared, out: &mut dyn Write) -> io::Result<()> {
        match compared {
            Ok(comparison) => {
                heading(comparison, self.look, out)?;
                machines(&self.sheets, self.look, out)?;
                for section in [melt_rate, time, rates, ringing, came, worse, changed, went, left_out] {
                    section(comparison, self.look).write(out)?;
                }
                Ok(())
            }
            Err(unjudged) => text::not_judged(unjudged, self.look, out),
        }
    }

    fn finish(&mut self, _totals: &Totals, out: &mut dyn Write) -> io::Result<()> {
        closing(self.look, out)
    }
}

/// What to mind, and the closing caution.
pub(super) fn closing(look: Look, out: &mut dyn Write) -> io::Result<()> {
    paragraph(RAISING, Style::new(), look, out)?;
    text::caution(look, out)
}

fn heading(comparison: &Comparison, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let how = match comparison.verdict() {
        Ordering::Greater => "the verdict gets worse",
        Ordering::Less => "the verdict gets better",
        Ordering::Equal if comparison.is_worse() => "the verdict stays, but what is found gets worse",
        Ordering::Equal => "the verdict stays",
    };
    let name = tail(&path(&comparison.after.job.path), look.width);
    writeln!(out, "{}", styled(&name, Style::new().effects(Effects::BOLD), look.color))?;
    let style = verdict_style(comparison.after.verdict);
    begun(&verdicts(comparison), style, &format!(": {how}"), look, out)?;
    let open = crate::checks::not_timed(&comparison.after.checks_skipped);
    if !open.is_empty() {
        paragraph(&super::super::not_judged(&open), Style::new(), look, out)?;
    }
    if let Some(unlike) = unlike(comparison) {
        paragraph(&unlike, Style::new(), look, out)?;
    }
    writeln!(out)
}

/// Said where a side leaves out the waiting for late commands.
pub(crate) fn unlike(comparison: &Comparison) -> Option<String> {
    let left_out_s = [&comparison.before, &comparison.after].map(Inspection::waiting_left_out_s);
    let (least_s, one, other) = match left_out_s {
        [None, Some(least_s)] => (least_s, "after", "before"),
        [Some(least_s), None] => (least_s, "before", "after"),
        [Some(before_s), Some(after_s)] => {
            let [before, after] = [before_s, after_s].map(duration);
            return Some(format!(
                "Both times leave out waiting for late commands, {before} or more before and {after} or more after: what hangs \
                 on time says little of the change."
            ));
        }
        [None, None] => return None,
    };
    let waiting = duration(least_s);
    Some(format!(
        "Not alike: the times {one} leave out waiting for late commands, {waiting} or more, and those {other} do not. What hangs \
         on time, flow and ringing too, says nothing of the change."
    ))
}

/// Which machines, and the keys whose values differ.
pub(super) fn machines(sheets: &Sheets, look: Look, out: &mut dyn Write) -> io::Result<()> {
    if sheets.before.built_in || sheets.after.built_in {
        paragraph(BUILT_IN, Style::new(), look, out)?;
        writeln!(out)?;
    }
    let mut section = Section::new("sheets", look);
    let name = |facts: &crate::findings::MachineFacts| format!("{} ({})", safe(&facts.name), safe(&facts.source));
    let (before, after) = (name(&sheets.before), name(&sheets.after));
    match before == after {
        true => section.paragraph(&format!("{before}, before and after the change")),
        false => section.paragraph(&format!("before: {before}")).paragraph(&format!("after: {after}")),
    };
    if sheets.changes.is_empty() {
        section.paragraph("no value differs");
    }
    for change in sheets.changes.iter().take(KEYS_SHOWN) {
        section.item("·", &key(change));
    }
    if let Some(more) = sheets.changes.len().checked_sub(KEYS_SHOWN).filter(|more| *more > 0) {
        section.paragraph(&format!("and {more} more keys: all of them are in --format json"));
    }
    section.write(out)?;
    let mut section = Section::new("audit", look);
    for row in &sheets.audit_worse {
        let (glyph, message) = (severity_mark(row.severity), safe(&row.message).into_owned());
        section.item(&glyph.to_string(), &units(&format!("{} {}: {message} [{}]", row.severity, row.what, row.id)));
    }
    section.write(out)
}

fn key(change: &KeyChange) -> String {
    let value = |value: &Option<String>| match value {
        None => "not set".to_owned(),
        Some(value) if columns(value) > VALUE_COLUMNS => {
            safe(&value.chars().take(VALUE_COLUMNS).chain(['…']).collect::<String>()).into_owned()
        }
        Some(value) => safe(value).into_owned(),
    };
    format!("{} {} → {}", safe(&change.path), value(&change.before), value(&change.after))
}

/// Rows of name, before, after, difference and share.
struct Rows<'s> {
    section: &'s mut Section,
    rows: Vec<Vec<String>>,
}

impl Rows<'_> {
    fn add(&mut self, name: &str, [before, after, difference]: [String; 3], pair: Pair) {
        let mut row = vec![name.to_owned(), before, "→".to_owned(), after, difference];
        if self.section.width() >= SHARE_FROM {
            row.push(percent(pair.share()));
        }
        self.rows.push(row);
    }

    fn done(self) {
        self.section.rows("<><>>>", &self.rows);
    }
}

fn of_group(group: Group) -> impl Iterator<Item = &'static Figure> {
    FIGURES.iter().filter(move |figure| figure.group == group)
}

fn is_zero(pair: Pair) -> bool {
    pair == Pair::both(0.0, 0.0)
}

fn time(comparison: &Comparison, look: Look) -> Section {
    let mut section = Section::new("time", look);
    let total = comparison.time_s();
    let times = Times::up_to(total.before.into_iter().chain(total.after).fold(0.0, f64::max));
    let mut rows = Rows { section: &mut section, rows: Vec::new() };
    for (at, figure) in of_group(Group::Time).enumerate() {
        let pair = comparison.pair(figure);
        if at == 0 || !is_zero(pair) {
            rows.add(figure.label, time_cells(times, pair), pair);
        }
    }
    rows.done();
    if comparison.is_clocked() {
        section.paragraph(PLANNED);
    }
    section
}

fn melt_rate(comparison: &Comparison, look: Look) -> Section {
    let mut section = Section::new("melt rate", look);
    let mut rows = Rows { section: &mut section, rows: Vec::new() };
    for figure in of_group(Group::Melt) {
        let pair = comparison.pair(figure);
        if figure.unit != "s" {
            rows.add(figure.label, number_cells(pair, "mm3/s"), pair);
        } else if pair.before.or(pair.after).is_some() {
            let times = Times::up_to(pair.before.into_iter().chain(pair.after).fold(0.0, f64::max));
            rows.add(figure.label, time_cells(times, pair), pair);
        }
    }
    rows.done();
    section
}

fn rates(comparison: &Comparison, look: Look) -> Section {
    let mut section = Section::new("rates", look);
    let motors = comparison.step_rates_hz();
    let mut rows = Rows { section: &mut section, rows: Vec::new() };
    for (motor, pair) in &motors {
        rows.add(&format!("steps {motor}"), number_cells(*pair, "Hz"), *pair);
    }
    if let Some(figure) = of_group(Group::Rates).last() {
        let pair = comparison.pair(figure);
        if pair.before.or(pair.after).is_some() {
            rows.add(figure.label, number_cells(pair, "Hz"), pair);
        }
    }
    rows.done();
    if motors.is_empty() {
        section.paragraph("step rates: the sheets give no `[controller] steps_per_mm`");
    }
    section
}

fn ringing(comparison: &Comparison, look: Look) -> Section {
    let mut section = Section::new("ringing", look);
    let mut rows = Rows { section: &mut section, rows: Vec::new() };
    for (axis, peak, most) in comparison.ringing_mm() {
        rows.add(&format!("{axis} peak"), number_cells(peak, "mm"), peak);
        rows.add(&format!("{axis} 95 % of time"), number_cells(most, "mm"), most);
    }
    rows.done();
    section
}

fn came(comparison: &Comparison, look: Look) -> Section {
    let mut section = shifts(comparison, |shift| shift.kind == ShiftKind::Gained, "gained", look);
    if comparison.shifts.is_empty() {
        section.paragraph("no finding; those there are stay on their lines");
    }
    section
}

/// True for what is there before and after and got worse.
fn is_worse(shift: &Shift) -> bool {
    shift.worse.is_some()
}

fn worse(comparison: &Comparison, look: Look) -> Section {
    shifts(comparison, is_worse, "worse", look)
}

fn changed(comparison: &Comparison, look: Look) -> Section {
    shifts(comparison, |shift| shift.kind == ShiftKind::Changed && !is_worse(shift), "changed", look)
}

fn went(comparison: &Comparison, look: Look) -> Section {
    shifts(comparison, |shift| shift.kind == ShiftKind::Lost, "lost", look)
}

fn shifts(comparison: &Comparison, wanted: fn(&Shift) -> bool, label: &'static str, look: Look) -> Section {
    let mut section = Section::new(label, look);
    let all = || comparison.shifts.iter().filter(|shift| wanted(shift));
    for shift in all().take(SHIFTS_SHOWN) {
        section.item(&severity_mark(shift.severity).to_string(), &sentence(shift));
    }
    if let Some(more) = all().count().checked_sub(SHIFTS_SHOWN).filter(|more| *more > 0) {
        section.paragraph(&format!("and {more} more: all of them are in --format json"));
    }
    section
}

/// Severity, reason and lines of a finding that came, went or changed.
pub(crate) fn sentence(shift: &Shift) -> String {
    let side = shift.after.as_ref().or(shift.before.as_ref());
    let messages = side.map(|side| side.messages.join(" ")).unwrap_or_default();
    let message = units(&safe(&messages.split_whitespace().collect::<Vec<_>>().join(" ")));
    let mut text = format!("{} {message}", shift.severity);
    if let Some(worse) = &shift.worse {
        text += &format!(" Worse: {}.", units(&figures::worse(worse)));
    } else if let (Some(before), Some(after)) = (&shift.before, &shift.after)
        && before.count != after.count
    {
        let often = counted(after.count, "time", "times");
        text += &format!(" {} → {often}.", grouped(before.count));
    }
    let count = |shift: &Shift| shift.after.as_ref().or(shift.before.as_ref()).map_or(0, |side| side.count);
    let known = shift.known_to_line;
    match shift.kind {
        ShiftKind::Gained => text += &lines("on", &shift.lines_gained, known, count(shift)),
        ShiftKind::Lost => text += &lines("was on", &shift.lines_lost, known, count(shift)),
        ShiftKind::Changed => {
            text += &lines("now also on", &shift.lines_gained, known, 0);
            text += &lines("no longer on", &shift.lines_lost, known, 0);
        }
    }
    if let Some(line) = known.filter(|_| shift.kind == ShiftKind::Changed) {
        text += &format!(" Lines are known up to line {line}.");
    }
    text + &format!(" [{}]", shift.check)
}

/// ` on lines 3, 7 and 9 more.`; empty without lines.
fn lines(how: &str, lines: &[u64], known_to: Option<u64>, count: u64) -> String {
    let Some(first) = lines.first() else { return String::new() };
    if lines.len() == 1 {
        return format!(" {}{} line {first}.", how[..1].to_uppercase(), &how[1..]);
    }
    let shown: Vec<String> = lines.iter().take(LINES_SHOWN).map(u64::to_string).collect();
    let more = match lines.len().saturating_sub(LINES_SHOWN) as u64 {
        _ if known_to.is_some() && count > 0 => format!(" and more, {} in all", counted(count, "time", "times")),
        0 => String::new(),
        more => format!(" and {} more", grouped(more)),
    };
    format!(" {}{} lines {}{more}.", how[..1].to_uppercase(), &how[1..], shown.join(", "))
}

fn left_out(comparison: &Comparison, look: Look) -> Section {
    let mut section = Section::new("left out", look);
    let (before, after) = (&comparison.before.left_out, &comparison.after.left_out);
    for sentence in before {
        let only = if after.contains(sentence) { "" } else { " (before only)" };
        section.item("–", &format!("{}{only}", safe(sentence)));
    }
    for sentence in after.iter().filter(|sentence| !before.contains(sentence)) {
        section.item("–", &format!("{} (after only)", safe(sentence)));
    }
    section
}

#[cfg(test)]
mod tests {
    use super::super::samples;
    use super::*;
    use crate::findings::sample;

    fn render(compared: &Compared, width: usize, color: bool) -> String {
        let mut report = PageComparison::new(Look { width, color }, samples::sheets());
        let mut out = Vec::new();
        report.add(compared, &mut out).expect("writes");
        report.finish(&Totals::default(), &mut out).expect("writes");
        String::from_utf8(out).expect("UTF-8")
    }

    #[test]
    fn worse_at_80_columns() {
        snapbox::assert_data_eq!(
            render(&Ok(samples::worse()), 80, false),
            snapbox::file!["../snapshots/compare-80.txt"]
        );
    }

    #[test]
    fn worse_at_48_columns() {
        snapbox::assert_data_eq!(
            render(&Ok(samples::worse()), 48, false),
            snapbox::file!["../snapshots/compare-48.txt"]
        );
    }

    #[test]
    fn fits_every_width_from_40() {
        for compared in samples::all() {
            for width in 40..=110 {
                for line in render(&compared, width, false).lines() {
                    assert!(columns(line) <= width, "{} columns instead of {width}: {line:?}", columns(line));
                }
            }
        }
    }

    #[cfg(feature = "cli")]
    #[test]
    fn colour_adds_nothing_but_colour_and_hostile_text_does_not_get_through() {
        for compared in samples::all() {
            let plain = render(&compared, 80, false);
            let colored = render(&compared, 80, true);
            assert_eq!(anstream::adapter::strip_str(&colored).to_string(), plain);
            assert!(plain.chars().all(|c| c == '\n' || safe(&c.to_string()) == c.to_string()), "{plain:?}");
        }
    }

    #[test]
    fn a_job_and_itself_say_that_nothing_changes() {
        let page = render(&Ok(Comparison::of(sample::no_go(), sample::no_go())), 80, false);
        assert!(page.contains("the verdict stays") && page.contains("no finding; those there are stay"), "{page}");
        assert!(!page.contains('+') && !page.contains('−'), "{page}");
    }

    #[test]
    fn many_lines_are_cut_and_counted() {
        let text = lines("on", &(1..=30).collect::<Vec<u64>>(), None, 30);
        assert_eq!(text, " On lines 1, 2, 3, 4, 5, 6, 7, 8 and 22 more.");
        assert_eq!(lines("was on", &[4], None, 1), " Was on line 4.");
        assert_eq!(lines("on", &[4, 5], Some(5), 300), " On lines 4, 5 and more, 300 times in all.");
        assert_eq!(lines("on", &[], None, 1), "");
    }
}
