//! An import for people.

use std::io::{self, Write};
use std::path::Path;

use comfy_table::{ColumnConstraint, ContentArrangement, Table, Width, presets};

use super::{ImportOutcome, SheetFate};
use crate::show::report::Look;
use crate::wording::{counted, safe, with_unit, wrap};
use crate::workshop::settings::{Fate, Row, Settings};

/// Narrowest page for a table of columns.
const TABLE_COLUMNS: usize = 70;
/// Widest column for what the text says.
const TEXT_COLUMNS: u16 = 20;

/// What became of each value.
pub(super) fn table(rows: &[Row], look: Look, out: &mut dyn Write) -> io::Result<()> {
    if rows.is_empty() {
        return Ok(());
    }
    if look.width < TABLE_COLUMNS {
        stack(rows, look, out)?;
        return writeln!(out);
    }
    let mut table = Table::new();
    table.load_style(presets::NOTHING).set_content_arrangement(ContentArrangement::Dynamic);
    table.set_width(u16::try_from(look.width).unwrap_or(u16::MAX));
    table.set_header(["line", "in the text", "", "key and value"]);
    for row in rows {
        table.add_row([&*row.line.to_string(), &*safe(&row.text), row.fate.word(), &*what(row)]);
    }
    for column in table.column_iter_mut() {
        column.set_padding((0, 2));
    }
    if let Some(text) = table.column_mut(1) {
        text.set_constraint(ColumnConstraint::UpperBoundary(Width::Fixed(TEXT_COLUMNS)));
    }
    if let Some(last) = table.column_iter_mut().last() {
        last.set_padding((0, 0));
    }
    for line in table.lines() {
        writeln!(out, "{}", line.trim_end())?;
    }
    writeln!(out)
}

/// The table on a narrow page: each row a small block.
fn stack(rows: &[Row], look: Look, out: &mut dyn Write) -> io::Result<()> {
    for row in rows {
        for line in wrap(&format!("line {}: {}, {}", row.line, safe(&row.text), row.fate.word()), look.width) {
            writeln!(out, "{line}")?;
        }
        for line in wrap(&what(row), look.width.saturating_sub(2)) {
            writeln!(out, "  {line}")?;
        }
    }
    Ok(())
}

/// Key, value and remark of a row.
fn what(row: &Row) -> String {
    let Row { key: Some(key), value: Some(value), .. } = row else { return row.note.clone() };
    let value = with_unit(value.to_string(), row.unit);
    let mut text = match row.fate {
        Fate::Changed { old } => format!("{key}: {old} → {value}"),
        Fate::Replaced { by_line } => format!("{key} = {value}; by line {by_line}"),
        Fate::Doubt | Fate::NotKept => key.clone(),
        Fate::Read | Fate::New | Fate::Same => format!("{key} = {value}"),
    };
    if !row.note.is_empty() {
        let sign = if matches!(row.fate, Fate::Doubt | Fate::NotKept) { ": " } else { "; " };
        text = text + sign + &row.note;
    }
    text
}

/// What all of it comes to, and what to do next.
pub(super) fn summary(settings: &Settings, outcome: &ImportOutcome, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let mut parts = counts(settings, &outcome.rows);
    parts.extend(of_the_sheet(outcome));
    if settings.values().is_empty() {
        parts.push("Nothing was written.".into());
    } else {
        parts.push("Check every value against the maker's documents before you heat or move anything by it.".into());
    }
    paragraphs(&parts, look, out)
}

/// Of a text that went into a new sheet, what is not in it: nothing where all of it is.
pub(super) fn not_kept(settings: &Settings, rows: &[Row], look: Look, out: &mut dyn Write) -> io::Result<()> {
    let left: Vec<Row> = rows.iter().filter(|row| row.fate != Fate::New).cloned().collect();
    if left.is_empty() && settings.left_out == 0 {
        return Ok(());
    }
    table(&left, look, out)?;
    paragraphs(&counts(settings, rows), look, out)
}

fn paragraphs(parts: &[String], look: Look, out: &mut dyn Write) -> io::Result<()> {
    for part in parts {
        for line in wrap(part, look.width) {
            writeln!(out, "{line}")?;
        }
    }
    Ok(())
}

/// How many rows there are of each kind, and what would keep more of them.
fn counts(settings: &Settings, rows: &[Row]) -> Vec<String> {
    let words = ["read", "changed", "new", "same", "replaced", "in doubt", "not kept"];
    let count = |word: &str| rows.iter().filter(|row| row.fate.word() == word).count();
    let counts: Vec<String> = words
        .iter()
        .map(|word| (count(word), word))
        .filter(|(n, _)| *n > 0)
        .map(|(n, word)| format!("{n} {word}"))
        .collect();
    let lines = counted(settings.lines, "line", "lines");
    let mut parts = vec![match counts.is_empty() {
        true => format!("{lines}, no command in them."),
        false => format!("{lines}: {}.", counts.join(", ")),
    }];
    if settings.left_out > 0 {
        parts.push(format!("{} without a value are not listed.", counted(settings.left_out, "more row", "more rows")));
    }
    if rows.iter().any(|row| row.if_per_minute.is_some()) {
        parts
            .push("Say with --m203-per second or --m203-per minute what M203 is in; until then it is not kept.".into());
    }
    parts
}

/// What became of the sheet, and what to do next.
fn of_the_sheet(outcome: &ImportOutcome) -> Vec<String> {
    let shown = |path: &Path| safe(&path.display().to_string()).into_owned();
    let mut parts = match &outcome.fate {
        SheetFate::NotAsked if outcome.rows.iter().all(|row| row.fate != Fate::Read) => Vec::new(),
        SheetFate::NotAsked => {
            vec!["Nothing was written: -o SHEET makes a new sheet, --into SHEET compares with one.".to_owned()]
        }
        SheetFate::Unchanged(path) => vec![format!("{} says all this already.", shown(path))],
        SheetFate::Compared(path) => vec![format!("Nothing was written: --write changes {}.", shown(path))],
        SheetFate::Written(path) => vec![format!("Written to {}.", shown(path))],
        SheetFate::Printed => Vec::new(),
    };
    if !outcome.missing.is_empty() {
        parts.push(format!("To be filled in before the sheet can be used: {}.", outcome.missing.join(", ")));
    }
    parts
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::workshop::settings::{self, SpeedUnit};

    fn page(text: &str, width: usize) -> String {
        let settings = settings::read(text.as_bytes(), SpeedUnit::Judged).expect("reads");
        let (look, mut out) = (Look { width, color: false }, Vec::new());
        table(&settings.rows, look, &mut out).expect("writes");
        summary(&settings, &ImportOutcome::nothing(&settings), look, &mut out).expect("writes");
        String::from_utf8(out).expect("UTF-8")
    }

    const SAYS: &str = "> M92 X80 Y80\nM92 Y160\nM203 X12000\nM301 P1\u{9b}2J\nM207 F2100";

    #[test]
    fn wide_pages_have_columns() {
        snapbox::assert_data_eq!(
            page(SAYS, 80),
            snapbox::str![[r#"
line  in the text            key and value
1     M92 X80      read      controller.steps_per_mm.x = 80 1/mm
1     M92 Y80      replaced  controller.steps_per_mm.y = 80 1/mm; by line 2
2     M92 Y160     read      controller.steps_per_mm.y = 160 1/mm
3     M203 X12000  in doubt  motion.feed_rate_limit_mm_s.x: above 1500 mm/s, not
                             plausible; in mm/min it is 200 mm/s
4     M301 P1      not kept  control loop of the hotend: the sheet describes
                             heating by time constant and full power
5     M207 F2100   read      tool[0].retraction.feed_rate_mm_s = 35 mm/s; F is
                             mm/min: 2100 / 60

5 lines: 3 read, 1 replaced, 1 in doubt, 1 not kept.
Say with --m203-per second or --m203-per minute what M203 is in; until then it
is not kept.
Nothing was written: -o SHEET makes a new sheet, --into SHEET compares with one.
Check every value against the maker's documents before you heat or move anything
by it.

"#]]
        );
    }

    #[test]
    fn narrow_pages_have_blocks() {
        let page = page(SAYS, 40);
        assert!(page.lines().all(|line| line.chars().count() <= 40), "{page}");
        snapbox::assert_data_eq!(
            page,
            snapbox::str![[r#"
line 1: M92 X80, read
  controller.steps_per_mm.x = 80 1/mm
line 1: M92 Y80, replaced
  controller.steps_per_mm.y = 80 1/mm;
  by line 2
line 2: M92 Y160, read
  controller.steps_per_mm.y = 160 1/mm
line 3: M203 X12000, in doubt
  motion.feed_rate_limit_mm_s.x: above
  1500 mm/s, not plausible; in mm/min it
  is 200 mm/s
line 4: M301 P1, not kept
  control loop of the hotend: the sheet
  describes heating by time constant and
  full power
line 5: M207 F2100, read
  tool[0].retraction.feed_rate_mm_s = 35
  mm/s; F is mm/min: 2100 / 60

5 lines: 3 read, 1 replaced, 1 in doubt,
1 not kept.
Say with --m203-per second or --m203-per
minute what M203 is in; until then it is
not kept.
Nothing was written: -o SHEET makes a
new sheet, --into SHEET compares with
one.
Check every value against the maker's
documents before you heat or move
anything by it.

"#]]
        );
    }

    #[test]
    fn nothing_in_a_text_is_said_in_few_words() {
        assert_eq!(page("hello\n", 80), "1 line, no command in them.\nNothing was written.\n");
    }
}
