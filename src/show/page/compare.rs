//! A page for one job before and after a change of the machine.

use std::cmp::Ordering;
use std::io::Write;
use std::path::Path;

use askama::Template;

use super::{PageError, STYLE, view};
use crate::findings::{Attached, MachineFacts};
use crate::machine::Machine;
use crate::preflight::{JobError, JobSource, Preflight, RunContext};
use crate::show::{
    marks::severity_mark,
    picture::{
        rates, svg,
        timeline::{self, Levels, Tops},
    },
    record::{TimeLine, TimeRecord},
    report::{
        CAUTION,
        compare::{
            RAISING,
            figures::{Times, number_cells, percent, time_cells},
            sentence, unlike,
        },
        text::why,
    },
};
use crate::study::compare::{AuditRow, Comparison, FIGURES, Group, KeyChange, Pair, Sheets, Shift, ShiftKind};
use crate::wording::{path, safe, short_digest, units};

/// Most keys listed.
const KEYS: usize = 200;

#[derive(Template)]
#[template(path = "compare.html", config = "src/show/page/askama.toml")]
struct ComparePage {
    version: &'static str,
    style: &'static str,
    caution: &'static str,
    raising: &'static str,
    name: String,
    why: String,
    /// Glyph, word and class.
    before: (&'static str, &'static str, &'static str),
    after: (&'static str, &'static str, &'static str),
    sheets: (String, String),
    keys: Vec<(String, String, String)>,
    more_keys: usize,
    audit: Vec<String>,
    shifts: Vec<ShiftView>,
    time: (String, String),
    rates: (String, String),
    rows: Vec<(String, [String; 4])>,
    digest: String,
}

struct ShiftView {
    class: &'static str,
    glyph: char,
    severity: &'static str,
    kind: &'static str,
    check: String,
    text: String,
}

impl ShiftView {
    fn of(shift: &Shift) -> Self {
        let kind = match shift.kind {
            _ if shift.worse.is_some() => "gets worse",
            ShiftKind::Gained => "comes",
            ShiftKind::Changed => "changes",
            ShiftKind::Lost => "goes",
        };
        Self {
            class: view::class(shift.severity),
            glyph: severity_mark(shift.severity),
            severity: shift.severity.word(),
            kind,
            check: shift.check.to_string(),
            text: sentence(shift),
        }
    }
}

/// Judges the job at `path` on the machines before and after, and keeps what happens when.
///
/// # Errors
/// When the job cannot be judged.
pub fn watched<'e>(
    path: &Path,
    machines: [&Machine; 2],
    context: RunContext<'_, 'e>,
) -> Result<(Comparison, [TimeRecord; 2]), JobError> {
    let [(first, one), (second, other)] = machines.map(|machine| Attached::new(TimeLine::new(machine)));
    let preflight = Preflight::on_all(&machines).within(context).watch(0, one).watch(1, other);
    let reports = preflight.run_all(JobSource::at(path))?;
    let [before, after] = <[_; 2]>::try_from(reports).expect("a report for each of two machines");
    let records = [first, second].map(|handle| handle.take().expect("it has watched to the end").into_record());
    Ok((Comparison::of(before, after), records))
}

/// Writes the page of a job on two machines; the records are those of before and after.
///
/// # Errors
/// When a picture cannot be drawn or the page not be written.
pub fn comparison(
    comparison: &Comparison,
    sheets: &Sheets,
    records: [&TimeRecord; 2],
    out: &mut dyn Write,
) -> Result<(), PageError> {
    let reports = [&comparison.before, &comparison.after];
    let levels = reports.map(Levels::of);
    let tops = Tops::of(records[0], &levels[0]).max(Tops::of(records[1], &levels[1]));
    let height = records[0].tracks_px().max(records[1].tracks_px());
    let time = |side: usize| svg(1000, height, |canvas| timeline::draw(canvas, records[side], &levels[side], &tops));
    let hist = |side: usize| {
        svg(1000, 260, |canvas| rates::draw(canvas, &records[side].rates, &levels[side], tops.melt_mm3_s))
    };
    let how = match comparison.verdict() {
        Ordering::Greater => "The verdict gets worse",
        Ordering::Less => "The verdict gets better",
        Ordering::Equal if comparison.is_worse() => "The verdict stays, but what is found gets worse",
        Ordering::Equal => "The verdict stays",
    };
    let page = ComparePage {
        version: env!("CARGO_PKG_VERSION"),
        style: STYLE,
        caution: CAUTION,
        raising: RAISING,
        name: path(&comparison.after.job.path).into_owned(),
        why: format!(
            "{how}. After: {}{}",
            why(&comparison.after),
            unlike(comparison).map_or(String::new(), |it| format!(" {it}"))
        ),
        before: view::verdict(comparison.before.verdict),
        after: view::verdict(comparison.after.verdict),
        sheets: (sheet(&sheets.before), sheet(&sheets.after)),
        keys: sheets.changes.iter().take(KEYS).map(key).collect(),
        more_keys: sheets.changes.len().saturating_sub(KEYS),
        audit: sheets.audit_worse.iter().map(audited).collect(),
        shifts: comparison.shifts.iter().map(ShiftView::of).collect(),
        time: (time(0)?, time(1)?),
        rates: (hist(0)?, hist(1)?),
        rows: rows(comparison),
        digest: comparison.after.job.digest.clone(),
    };
    page.write_into(out)?;
    Ok(())
}

fn sheet(facts: &MachineFacts) -> String {
    format!("{} ({}, {})", safe(&facts.name), safe(&facts.source), short_digest(&facts.digest))
}

fn audited(row: &AuditRow) -> String {
    format!("{} {}: {} [{}]", row.severity, row.what, units(&safe(&row.message)), row.id)
}

fn key(change: &KeyChange) -> (String, String, String) {
    let value =
        |value: &Option<String>| value.as_deref().map_or("not set".to_owned(), |value| safe(value).into_owned());
    (safe(&change.path).into_owned(), value(&change.before), value(&change.after))
}

/// Rows of name, before, after, difference and share.
fn rows(comparison: &Comparison) -> Vec<(String, [String; 4])> {
    let total = comparison.time_s();
    let times = Times::up_to(total.before.into_iter().chain(total.after).fold(0.0, f64::max));
    let row =
        |name: String, [before, after, by]: [String; 3], pair: Pair| (name, [before, after, by, percent(pair.share())]);
    let is_there = |pair: &Pair| pair.before.is_some_and(|v| v != 0.0) || pair.after.is_some_and(|v| v != 0.0);
    let time = if comparison.is_clocked() { "planned time" } else { "time" };
    let mut rows = Vec::new();
    for figure in FIGURES.iter().filter(|figure| ![Group::Rates, Group::Programs].contains(&figure.group)) {
        let pair = comparison.pair(figure);
        if !is_there(&pair) {
            continue;
        }
        if figure.group == Group::Time && !comparison.is_alike_in_time() {
            let [before, after, by] = time_cells(times, pair);
            rows.push((format!("{time}, {}", figure.label), [before, after, by, "*".to_owned()]));
            continue;
        }
        let (group, cells) = match figure.unit {
            "s" => (if figure.group == Group::Time { time } else { "melt rate" }, time_cells(times, pair)),
            _ => ("melt rate, mm³/s", number_cells(pair, "mm3/s")),
        };
        rows.push(row(format!("{group}, {}", figure.label), cells, pair));
    }
    for (axis, peak, most) in comparison.ringing_mm() {
        rows.push(row(format!("ringing along {axis}, mm, peak"), number_cells(peak, "mm"), peak));
        rows.push(row(format!("ringing along {axis}, mm, 95 % of the time below"), number_cells(most, "mm"), most));
    }
    for (motor, pair) in comparison.step_rates_hz() {
        rows.push(row(format!("steps, Hz, {motor}"), number_cells(pair, "Hz"), pair));
    }
    for figure in FIGURES.iter().filter(|figure| figure.id == "command_rate") {
        let pair = comparison.pair(figure);
        if is_there(&pair) {
            rows.push(row("commands, Hz".to_owned(), number_cells(pair, "Hz"), pair));
        }
    }
    rows
}
