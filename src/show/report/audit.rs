//! The audit of a sheet, for people: a summary line, then what was found, and what is fine in few words.

use std::io::{self, Write};

use anstyle::Style;

use super::page::{Section, begun, paragraph};
use super::text::caution;
use super::{BUILT_IN, Look};
use crate::findings::{Severity, Verdict};
use crate::machine::Machine;
use crate::show::marks::{severity_mark, severity_style, styled, verdict, verdict_style};
use crate::wording::{counted, figure, safe, with_unit, wrap};
use crate::workshop::audit::{Audit, Expected, Line, Outcome, Row, Subject};

/// What the models leave out.
const LEFT_OUT: &[&str] = &[
    "friction, losses of belts and screws, resonance, and what drivers drop and shape",
    "bounds are common practice where no formula is given; the maker's documents come first",
    "a plausible sheet is not a tested machine: move and heat it by hand first",
];

/// Writes the audit of a machine.
///
/// # Errors
/// Those of the writer.
pub fn write(machine: &Machine, audit: &Audit, details: bool, look: Look, out: &mut dyn Write) -> io::Result<()> {
    heading(machine, audit, look, out)?;
    let least = if details { Outcome::Go } else { Outcome::Note };
    for subject in Subject::ALL {
        section(audit, subject, least, look).write(out)?;
    }
    if !details {
        folded(audit, Outcome::Go, "fine", look).write(out)?;
        folded(audit, Outcome::Skipped, "skipped", look).write(out)?;
        let more = "--details shows every comparison with its formula, and what is left out.";
        paragraph(more, Style::new(), look, out)?;
        return caution(look, out);
    }
    skipped(audit, look).write(out)?;
    let mut left_out = Section::new("left out", look);
    for sentence in LEFT_OUT {
        left_out.item("–", sentence);
    }
    left_out.write(out)?;
    caution(look, out)
}

fn heading(machine: &Machine, audit: &Audit, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let style = verdict_style(audit.verdict);
    begun(verdict(audit.verdict), style, &format!(": {}", summary(machine, audit)), look, out)?;
    if machine.built_in {
        paragraph(BUILT_IN, Style::new(), look, out)?;
    }
    writeln!(out)
}

/// Machine, counts from the worst, and the first of the worst.
fn summary(machine: &Machine, audit: &Audit) -> String {
    let counts: Vec<String> = [Outcome::NoGo, Outcome::Hold, Outcome::Note, Outcome::Go, Outcome::Skipped]
        .into_iter()
        .map(|outcome| (audit.count(outcome), outcome.word()))
        .filter(|(count, _)| *count > 0)
        .map(|(count, word)| format!("{count} {word}"))
        .collect();
    let worst = match audit.verdict {
        Verdict::Go => None,
        Verdict::Hold => Some(Outcome::Hold),
        Verdict::NoGo => Some(Outcome::NoGo),
    };
    let worst = audit.lines.iter().find(|line| Some(line.row.outcome) == worst);
    let worst = worst.map_or(String::new(), |line| format!("; first {} of {}", line.id, line.row.what));
    format!("sheet of {} ({}): {}{worst}.", safe(&machine.name), safe(&machine.source), counts.join(", "))
}

fn section(audit: &Audit, subject: Subject, least: Outcome, look: Look) -> Section {
    let mut section = Section::new(subject.word(), look);
    let told =
        |line: &&Line| line.subject == subject && line.row.outcome != Outcome::Skipped && line.row.outcome >= least;
    let mut lines: Vec<&Line> = audit.lines.iter().filter(told).collect();
    lines.sort_by_key(|line| std::cmp::Reverse(line.row.outcome));
    for line in lines {
        entry(&mut section, line, look);
    }
    section
}

/// One comparison: verdict, part and values; under it meaning, formula and id.
fn entry(section: &mut Section, line: &Line, look: Look) {
    let (mark, style) = sign(line.row.outcome);
    let width = section.width();
    for (index, text) in wrap(&format!("{mark} {}", values(&line.row)), width).iter().enumerate() {
        let text = match text.strip_prefix(&mark) {
            Some(rest) if index == 0 => styled(&mark, style, look.color) + rest,
            _ => format!("  {text}"),
        };
        section.line(text);
    }
    for text in [&line.row.message, &line.row.formula, line.id] {
        for text in wrap(text, width.saturating_sub(4)) {
            section.line(format!("    {text}"));
        }
    }
}

/// Mark and word of an outcome, and their style; the words differ, so colour is never the only sign.
fn sign(outcome: Outcome) -> (String, anstyle::Style) {
    match outcome {
        Outcome::NoGo => (verdict(Verdict::NoGo).to_owned(), verdict_style(Verdict::NoGo)),
        Outcome::Hold => (verdict(Verdict::Hold).to_owned(), verdict_style(Verdict::Hold)),
        Outcome::Go => (verdict(Verdict::Go).to_owned(), verdict_style(Verdict::Go)),
        Outcome::Note => (format!("{} note", severity_mark(Severity::Note)), severity_style(Severity::Note)),
        Outcome::Skipped => ("– skipped".to_owned(), anstyle::Style::new()),
    }
}

/// `x: 160 steps/mm, expected 80 steps/mm`.
fn values(row: &Row) -> String {
    let Some(set) = row.set else { return row.what.clone() };
    let shown = |value: f64| with_unit(figure(value), row.unit);
    let expected = match row.expected {
        None => String::new(),
        Some(Expected::Near(value)) => format!(", expected {}", shown(value)),
        Some(Expected::AtMost(value)) => format!(", at most {}", shown(value)),
        Some(Expected::AtLeast(value)) => format!(", at least {}", shown(value)),
        Some(Expected::Between(low, high)) => format!(", from {} to {}", figure(low), shown(high)),
    };
    format!("{}: {}{expected}", row.what, shown(set))
}

/// Comparisons with one outcome, in a line: how many, and of what.
fn folded(audit: &Audit, outcome: Outcome, label: &'static str, look: Look) -> Section {
    let mut section = Section::new(label, look);
    let of = |subject: Subject| {
        let lines = audit.lines.iter().filter(|line| line.subject == subject && line.row.outcome == outcome);
        let count = lines.count();
        (count > 0).then(|| format!("{count} of {}", subject.word()))
    };
    let counts: Vec<String> = Subject::ALL.into_iter().filter_map(of).collect();
    if !counts.is_empty() {
        let all = counted(audit.count(outcome) as u64, "comparison", "comparisons");
        section.paragraph(&format!("{all}: {}", counts.join(", ")));
    }
    section
}

/// What could not be compared, parts with the same reason together.
fn skipped(audit: &Audit, look: Look) -> Section {
    let mut section = Section::new("skipped", look);
    let mut groups: Vec<(&Line, Vec<&str>)> = Vec::new();
    for line in audit.lines.iter().filter(|line| line.row.outcome == Outcome::Skipped) {
        let same = |(first, _): &&mut (&Line, Vec<&str>)| first.id == line.id && first.row.message == line.row.message;
        match groups.iter_mut().find(same) {
            Some((_, parts)) => parts.push(&line.row.what),
            None => groups.push((line, vec![&line.row.what])),
        }
    }
    for (line, parts) in groups {
        section.item("–", &format!("{} ({}): {}", line.id, parts.join(", "), line.row.message));
    }
    section
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wording::columns;
    use crate::workshop::audit::audit;

    const WRONG: &str = r#"
name = "Wren (invented)"
[travel]
x = [0, 100]
y = [0, 100]
z = [0, 100]
[motion]
feed_rate_limit_mm_s = { x = 200, y = 200, z = 10, e = 50 }
acceleration_limit_mm_s2 = { x = 1500, y = 1500, z = 100, e = 5000 }
acceleration_mm_s2 = { printing = 1000, travel = 1500, retraction = 1500 }
look_ahead_moves = "unlimited"
corner = { junction_deviation_mm = 0.02 }
[drive]
x = { motor_step_deg = 1.8, steps_per_full_step = 16, pulley_teeth = 20, belt_pitch_mm = 2 }
[controller]
steps_per_mm = { x = 160 }
[[tool]]
filament_diameter_mm = 1.75
"#;

    fn text(sheet: &str, width: usize) -> String {
        rendered(sheet, width, true)
    }

    fn rendered(sheet: &str, width: usize, details: bool) -> String {
        let machine = Machine::parse("wren.toml", sheet).expect("a valid sheet");
        let mut out = Vec::new();
        write(&machine, &audit(&machine), details, Look { width, color: false }, &mut out).expect("writes");
        String::from_utf8(out).expect("UTF-8")
    }

    #[test]
    fn the_worst_comes_first_and_nothing_is_wider_than_the_page() {
        for width in [40, 59, 60, 80, 120] {
            let page = text(WRONG, width) + &rendered(WRONG, width, false);
            let widest = page.lines().map(columns).max();
            assert!(widest <= Some(width), "{widest:?} of {width}:\n{page}");
            assert!(page.starts_with("■ NO-GO: sheet of Wren (invented)"), "{page}");
        }
    }

    #[test]
    fn what_is_fine_is_folded() {
        let (page, all) = (rendered(WRONG, 60, false), text(WRONG, 60));
        assert!(!page.contains("● go") && all.contains("● go"), "{page}");
        assert!(page.contains("\n  fine ") && page.contains("\n  skipped ") && page.contains("--details"), "{page}");
        assert_eq!(page.matches("■ NO-GO").count(), all.matches("■ NO-GO").count());
        assert!(2 * page.lines().count() < all.lines().count(), "{page}");
    }

    #[test]
    fn a_page_of_60_columns() {
        snapbox::assert_data_eq!(text(WRONG, 60), snapbox::file!["snapshots/audit-60.txt": Text]);
    }

    #[test]
    fn colour_changes_nothing_but_colour() {
        let machine = Machine::parse("wren.toml", WRONG).expect("a valid sheet");
        let mut out = Vec::new();
        write(&machine, &audit(&machine), true, Look { width: 60, color: true }, &mut out).expect("writes");
        let colored = String::from_utf8(out).expect("UTF-8");
        assert!(colored.contains("\u{1b}["));
        assert_eq!(anstream::adapter::strip_str(&colored).to_string(), text(WRONG, 60));
    }

    #[test]
    fn names_cannot_act_on_the_terminal() {
        let page = text(&WRONG.replace("Wren (invented)", "W\\u202eren"), 60);
        assert!(!page.contains('\u{202e}') && page.contains("W·ren"), "{page}");
    }
}
