//! Findings in the text report: the grave ones point into the job's own lines, the rest take a line each.

use std::borrow::Cow;
use std::io::{self, Write};

use annotate_snippets::renderer::{DecorStyle, Renderer};
use annotate_snippets::{AnnotationKind, Group, Level, Origin, Snippet};
use anstyle::{Effects, Style};

use super::Look;
use crate::checks::{limits_changed_in_job, unknown_command};
use crate::findings::{Excerpt, Finding, Inspection, Severity};
use crate::show::marks::{severity_mark, severity_style, styled};
use crate::wording::{self, columns, counted, pair, safe, with_unit, wrap};

/// Findings shown with the job's lines; further ones take a line each.
const IN_FULL: usize = 8;
/// Most findings that take a line each.
const BRIEF: usize = 24;
/// The same where the report is short.
const SHORT_IN_FULL: usize = 3;
const SHORT_BRIEF: usize = 6;
const SHORT_NOTES: usize = 8;
/// Columns annotate-snippets takes in front of a message, line numbers excluded.
const MESSAGE_LEAD: usize = 4;

/// Writes all findings, worst first as they come, accepted ones last.
pub fn write(inspection: &Inspection, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let open: Vec<&Finding> = super::open(inspection).collect();
    let grave = open.iter().take_while(|finding| finding.severity > Severity::Note).count();
    let (full, brief) = open.split_at(grave.min(IN_FULL));
    for finding in full {
        writeln!(out, "{}\n", in_full(finding, &[], &inspection.job.path, look, true))?;
    }
    for finding in brief.iter().take(BRIEF) {
        in_brief(finding, look, out)?;
    }
    if let Some(more) = brief.len().checked_sub(BRIEF).filter(|more| *more > 0) {
        writeln!(out, "and {more} more: all of them are in --format json")?;
    }
    if !brief.is_empty() {
        writeln!(out)?;
    }
    accepted(inspection, look, out)
}

/// Writes what decides: the first of the grave findings with the job's lines, the rest of them in a line each, and the notes
/// together. The head of the report has said the first message already.
pub fn write_short(inspection: &Inspection, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let open: Vec<&Finding> = super::open(inspection).collect();
    let (grave, notes) = open.split_at(open.iter().take_while(|finding| finding.severity > Severity::Note).count());
    let mut left = grave.to_vec();
    for at in 0..SHORT_IN_FULL {
        let Some((finding, also)) = Finding::take_first(&mut left, |finding| finding) else { break };
        let said = at == 0 && super::deciding(inspection).next() == Some(finding);
        writeln!(out, "{}\n", in_full(finding, &also, &inspection.job.path, look, !said))?;
    }
    let brief = left;
    for finding in brief.iter().take(SHORT_BRIEF) {
        in_brief(finding, look, out)?;
    }
    if let Some(more) = brief.len().checked_sub(SHORT_BRIEF).filter(|more| *more > 0) {
        writeln!(out, "and {more} more: --details")?;
    }
    if !notes.is_empty() {
        // What the controller makes of them only its owner knows.
        let own =
            |finding: &Finding| [unknown_command::CHECK.id, limits_changed_in_job::CHECK.id].contains(&&*finding.check);
        let few = notes.iter().filter(|finding| own(finding)).count() <= SHORT_IN_FULL;
        let said = |finding: &&&Finding| few && own(finding);
        for finding in notes.iter().filter(said) {
            in_brief(finding, look, out)?;
        }
        let notes: Vec<&&Finding> = notes.iter().filter(|finding| !said(finding)).collect();
        let named = notes.iter().map(|finding| match finding.line {
            Some(line) => format!("{} (line {line})", finding.check),
            None => finding.check.to_string(),
        });
        let count = counted(notes.len() as u64, "note", "notes") + ":";
        let more = match notes.len().saturating_sub(SHORT_NOTES) {
            0 => String::new(),
            more => format!(" and {more} more"),
        };
        let text = named.take(SHORT_NOTES).collect::<Vec<_>>().join(", ") + &more;
        if !notes.is_empty() {
            hanging(severity_mark(Severity::Note), &count, &text, severity_style(Severity::Note), look, out)?;
        }
    }
    if !brief.is_empty() || !notes.is_empty() {
        writeln!(out)?;
    }
    accepted(inspection, look, out)
}

/// A few lines for each finding that somebody accepted.
fn accepted(inspection: &Inspection, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let known = inspection.findings.iter().filter_map(|finding| Some((finding, finding.accepted.as_ref()?)));
    for (finding, why) in known.clone().take(BRIEF) {
        let word = format!("accepted {}", finding.severity);
        let style =
            if why.even_unsafe { severity_style(finding.severity) } else { Style::new().effects(Effects::DIMMED) };
        let text = format!(
            "{}{} [{}] {}",
            where_found(finding),
            finding.message,
            finding.check,
            crate::show::marks::because(why)
        );
        hanging('✓', &word, &text, style, look, out)?;
    }
    if let Some(more) = known.clone().count().checked_sub(BRIEF).filter(|more| *more > 0) {
        writeln!(out, "and {more} more accepted: all of them are in --format json")?;
    }
    if known.count() > 0 { writeln!(out) } else { Ok(()) }
}

/// `titled` where nobody has said its message yet.
fn in_full(finding: &Finding, also: &[&Finding], path: &str, look: Look, titled: bool) -> String {
    let base = match finding.severity {
        Severity::NoGo => Level::ERROR,
        Severity::Hold => Level::WARNING,
        Severity::Note => Level::NOTE,
    };
    let word = finding.severity.word();
    let title = wrap_units(&finding.message, look.width.saturating_sub(columns(word) + 2));
    let level = base.with_name(word);
    let mut group = if titled { Group::with_title(level.primary_title(title)) } else { Group::with_level(level) };
    let widest = finding.excerpts.iter().map(|excerpt| excerpt.line).max().or(finding.line).unwrap_or(0);
    let number_columns = widest.to_string().len();
    let path = wording::path(path);
    // `╭▸ path:line:column`
    let path_columns = look.width.saturating_sub(2 * number_columns + 7).max(8);
    let path = wording::tail(&path, path_columns);
    for excerpt in &finding.excerpts {
        group = group.element(snippet(excerpt, &path, finding, look.width.saturating_sub(number_columns + 3)));
    }
    if let (true, Some(line)) = (finding.excerpts.is_empty(), finding.line) {
        group = group.element(Origin::path(path).line(usize::try_from(line).unwrap_or(usize::MAX)));
    }
    let words =
        |other: &&Finding| format!("{}, {} [{}]", other.severity, other.message.trim_end_matches('.'), other.check);
    let mut also: Vec<(&str, String)> = also.iter().map(|other| ("also", words(other))).collect();
    if let Some(more) = also.len().checked_sub(SHORT_BRIEF).filter(|more| *more > 0) {
        also.truncate(SHORT_BRIEF);
        also.push(("also", format!("{more} more on the same lines: --details")));
    }
    let mut told = remarks(finding);
    let more = told.pop();
    told.extend(also.into_iter().chain(more));
    for (name, text) in told {
        let lead = number_columns + MESSAGE_LEAD + columns(name) + 2;
        let text = wrap_units(&text, look.width.saturating_sub(lead));
        group = group.element(Level::NOTE.with_name(name).message(text));
    }
    renderer(look).render(&[group])
}

/// The line as it is, cut to the page, marked from its first to its last character.
fn snippet<'a>(
    excerpt: &Excerpt,
    path: &str,
    finding: &Finding,
    width: usize,
) -> Snippet<'a, annotate_snippets::Annotation<'a>> {
    let text = cut(&safe(&excerpt.text), width);
    let worst = finding.worst_line == Some(excerpt.line);
    let kind = if worst || finding.excerpts.len() == 1 { AnnotationKind::Primary } else { AnnotationKind::Context };
    let span = text.len() - text.trim_start().len()..text.trim_end().len().max(text.len() - text.trim_start().len());
    Snippet::source(text)
        .path(path.to_owned())
        .line_start(usize::try_from(excerpt.line).unwrap_or(usize::MAX - 1))
        .annotation(kind.span(span))
}

fn cut(text: &str, width: usize) -> String {
    if columns(text) <= width {
        return text.to_owned();
    }
    text.chars().take(width.saturating_sub(1)).chain(['…']).collect()
}

/// What is printed under the lines, by name.
fn remarks(finding: &Finding) -> Vec<(&'static str, String)> {
    let mut remarks = Vec::new();
    let mut label = "worst";
    let value = match (finding.value, finding.limit) {
        (Some(value), Some(limit)) => {
            let (value, limit) = pair(value, limit);
            Some(format!("{}, limit {}", with_unit(value, &finding.unit), with_unit(limit, &finding.unit)))
        }
        (Some(value), None) => Some(wording::quantity(value, &finding.unit)),
        (None, Some(limit)) => {
            label = "limit";
            Some(wording::quantity(limit, &finding.unit))
        }
        (None, None) => None,
    };
    let worst = finding.worst_line.filter(|line| finding.line != Some(*line));
    if let Some(value) = value {
        remarks.push((label, value + &worst.map(|line| format!(", line {line}")).unwrap_or_default()));
    }
    if finding.count > 1 {
        let last = finding.last_line.map(|line| format!(", last on line {line}")).unwrap_or_default();
        remarks.push(("seen", counted(finding.count, "time", "times") + &last));
    }
    if let Some(check) = crate::checks::find(&finding.check) {
        remarks.push(("to do", check.explain.remedy.to_owned()));
    }
    remarks.push(("explain", format!("gonogo explain {}", finding.check)));
    remarks
}

fn renderer(look: Look) -> Renderer {
    let renderer = if look.color { Renderer::styled() } else { Renderer::plain() };
    let renderer = renderer.decor_style(DecorStyle::Unicode).term_width(look.width);
    if !look.color {
        return renderer;
    }
    renderer
        .error(severity_style(Severity::NoGo))
        .warning(severity_style(Severity::Hold))
        .note(severity_style(Severity::Note))
}

fn wrap_units(text: &str, width: usize) -> String {
    // White space goes first, so that a line break in a message is a space and no mark.
    let text = match text.contains(|c: char| c != ' ' && c.is_whitespace()) {
        true => Cow::Owned(text.split_whitespace().collect::<Vec<_>>().join(" ")),
        false => Cow::Borrowed(text),
    };
    wrap(&wording::units(&safe(&text)), width).join("\n")
}

/// One line: mark, weight, place, message, check.
fn in_brief(finding: &Finding, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let text = format!("{}{} [{}]", where_found(finding), finding.message, finding.check);
    let (mark, style) = (severity_mark(finding.severity), severity_style(finding.severity));
    hanging(mark, finding.severity.word(), &text, style, look, out)
}

fn where_found(finding: &Finding) -> String {
    match finding.line {
        Some(line) if finding.count > 1 => format!("line {line} and {} more: ", finding.count - 1),
        Some(line) => format!("line {line}: "),
        None => String::new(),
    }
}

/// A mark and a word, and a text that hangs behind them.
fn hanging(mark: char, word: &str, text: &str, style: Style, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let lead = columns(word) + 3;
    for (index, line) in wrap_units(text, look.width.saturating_sub(lead)).lines().enumerate() {
        if index == 0 {
            writeln!(out, "{} {line}", styled(&format!("{mark} {word}"), style, look.color))?;
        } else {
            writeln!(out, "{:lead$}{line}", "")?;
        }
    }
    Ok(())
}
