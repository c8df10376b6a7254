//! Reads the TOML text of a sheet against [`super::keys`] and collects every fault.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::faults::{FAULTS_MAX, Fault, LineIndex, SheetFaults};
use super::keys::{self, Key, Kind, Preset, SEVERITY_WORDS};
use super::value::{self, Found, Value, cut, nearest};
use crate::machine::Severity;

/// Largest sheet, bytes.
pub const SHEET_MAX_BYTES: usize = 1 << 20;
/// Stack of the reading thread: room for the deepest nesting the TOML reader lets through.
const STACK_BYTES: usize = 16 << 20;
/// Beyond so many faults, no more suggestions are worked out.
const SUGGESTIONS_MAX: usize = 20 * FAULTS_MAX;

/// Ids and default severities of the checks a sheet may name.
pub type CheckIds<'a> = &'a [(&'static str, Severity)];

/// A value of the sheet and its place.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Entry {
    pub(super) value: Value,
    pub(super) span: Range<usize>,
    pub(super) line: usize,
}

/// What the sheet says, flat: path with indices to value.
#[derive(Debug, Default)]
pub(super) struct Sheet {
    pub(super) entries: BTreeMap<String, Entry>,
    /// Number of tables in each list of tables, by path with the indices of those around it (`tool[0].melt_rate_at[]`).
    pub(super) lists: BTreeMap<String, usize>,
    pub(super) found: Vec<Found>,
}

/// Reads a text; all faults are in `found`, in no order.
pub(super) fn read(text: &str, lines: &LineIndex<'_>, checks: CheckIds<'_>) -> Sheet {
    roomy(|| read_here(text, lines, checks))
}

/// Reads TOML where there is room for it: the DOM of a nested text is dropped by recursion.
pub(crate) fn roomy<T: Send>(read: impl Fn() -> T + Sync) -> T {
    std::thread::scope(|scope| {
        let thread = std::thread::Builder::new().stack_size(STACK_BYTES);
        match thread.spawn_scoped(scope, &read).map(|handle| handle.join()) {
            Ok(Ok(read)) => read,
            Ok(Err(panic)) => std::panic::resume_unwind(panic),
            Err(_) => read(),
        }
    })
}

fn read_here(text: &str, lines: &LineIndex<'_>, checks: CheckIds<'_>) -> Sheet {
    let (document, errors) = DeTable::parse_recoverable(text);
    if errors.is_empty() {
        return walk(document.get_ref(), Sheet::default(), BTreeSet::new(), lines, checks);
    }
    let syntax = read_syntax(text, lines, errors);
    let sheet = Sheet { found: syntax.found, ..Sheet::default() };
    if !syntax.sound {
        return sheet;
    }
    let (document, _) = DeTable::parse_recoverable(&syntax.readable);
    walk(document.get_ref(), sheet, syntax.set_aside, lines, checks)
}

/// Adds to a sheet what a document says.
fn walk(
    document: &DeTable<'_>,
    sheet: Sheet,
    set_aside: BTreeSet<&str>,
    lines: &LineIndex<'_>,
    checks: CheckIds<'_>,
) -> Sheet {
    let mut walk = Walk { lines, checks, sheet, set_aside };
    walk.table("", "", document, 0..0);
    walk.sheet
}

/// The text without the lines that are no TOML, so that the rest can be judged too.
struct Syntax<'a> {
    readable: Cow<'a, str>,
    found: Vec<Found>,
    /// Words on the lines set aside: keys that are not really missing.
    set_aside: BTreeSet<&'a str>,
    /// False when the text is no TOML even without those lines.
    sound: bool,
}

/// Sets lines aside, to begin with those of `errors`.
fn read_syntax<'a>(text: &'a str, lines: &LineIndex<'_>, mut errors: Vec<toml::de::Error>) -> Syntax<'a> {
    const ROUNDS: usize = 4;
    let mut syntax =
        Syntax { readable: Cow::Borrowed(text), found: Vec::new(), set_aside: BTreeSet::new(), sound: true };
    let mut seen = BTreeSet::new();
    for round in 0..=ROUNDS {
        let mut bad_lines = BTreeSet::new();
        for error in &errors {
            let span = error.span().unwrap_or(0..0);
            let duplicate = error.message() == DUPLICATE;
            let line = line_of_error(&span, text, lines);
            // One line often gives several errors; the first names the cause. Later rounds see what the bad lines hid,
            // but may also stumble over the gaps.
            if (round == 0 || duplicate) && seen.insert(line) {
                syntax.found.push(syntax_fault(text, span, error.message()));
            }
            if !duplicate {
                bad_lines.insert(line);
            }
        }
        syntax.sound = bad_lines.is_empty();
        if syntax.sound || round == ROUNDS {
            break;
        }
        set_aside(text, lines, &bad_lines, &mut syntax);
        errors = DeTable::parse_recoverable(&syntax.readable).1;
    }
    syntax
}

const DUPLICATE: &str = "duplicate key";

/// An error at the very end of a line belongs to that line, also when the reader puts it at the start of the next.
fn line_of_error(span: &Range<usize>, text: &str, lines: &LineIndex<'_>) -> usize {
    let at_end = span.start >= text.len() && text.ends_with('\n');
    lines.line(if at_end { span.start.saturating_sub(1) } else { span.start })
}

fn syntax_fault(text: &str, span: Range<usize>, message: &str) -> Found {
    if message == DUPLICATE {
        let name = cut(text.get(span.clone()).unwrap_or_default());
        return Found::new(span, format!("`{name}` is written a second time"))
            .suggest("keep one of the two".to_owned());
    }
    let rest = text.get(span.start..).and_then(|rest| rest.lines().next()).unwrap_or_default();
    match span.is_empty() && message.starts_with("string values must be quoted") && rest.trim().is_empty() {
        true => Found::new(span, "not TOML: a key without a value".to_owned()),
        false => Found::new(span, format!("not TOML: {message}")),
    }
}

/// Blanks the bad lines, and what follows a bad table header up to the next header. Offsets stay as they are.
fn set_aside<'a>(text: &'a str, lines: &LineIndex<'_>, bad: &BTreeSet<usize>, syntax: &mut Syntax<'a>) {
    let mut bytes = std::mem::take(&mut syntax.readable).into_owned().into_bytes();
    let mut open_header = false;
    for line in 1..=lines.len() {
        let span = lines.span(line);
        let is_header = text[span.clone()].trim_start().starts_with('[');
        let is_bad = bad.contains(&line);
        open_header = if is_header { is_bad } else { open_header };
        if is_bad || open_header {
            let words = text[span.clone()].split(|c: char| !c.is_alphanumeric() && c != '_' && c != '-');
            syntax.set_aside.extend(words.filter(|word| !word.is_empty()));
            for byte in bytes[span].iter_mut().filter(|byte| !matches!(byte, b'\n' | b'\r')) {
                *byte = b' ';
            }
        }
    }
    syntax.readable = Cow::Owned(String::from_utf8(bytes).unwrap_or_default());
}

struct Walk<'a> {
    lines: &'a LineIndex<'a>,
    checks: CheckIds<'a>,
    sheet: Sheet,
    set_aside: BTreeSet<&'a str>,
}

impl Walk<'_> {
    /// Walks a table: `template` is its path in the list of keys, `path` its path with indices.
    fn table(&mut self, template: &'static str, path: &str, table: &DeTable<'_>, span: Range<usize>) {
        for (name, value) in table {
            let child_path = join(path, name.get_ref());
            match keys::children(template).find(|key| key.name() == name.get_ref().as_ref()) {
                Some(key) => self.entry(key, child_path, name.span(), value),
                None => self.unknown(template, name.get_ref(), name.span()),
            }
        }
        let first = path.ends_with("[0]");
        for key in keys::children(template) {
            let required = key.preset == Preset::Required || (key.preset == Preset::RequiredInFirst && first);
            if required && !table.contains_key(key.name()) {
                self.missing(key, path, span.clone());
            }
        }
    }

    fn entry(&mut self, key: &'static Key, path: String, at: Range<usize>, value: &Spanned<DeValue<'_>>) {
        match (key.kind, value.get_ref()) {
            (Kind::Table | Kind::OneOf | Kind::WordOrTable(_), DeValue::Table(table)) => {
                if key.kind == Kind::OneOf {
                    self.exactly_one(key, table, value.span());
                }
                self.table(key.path, &path, table, value.span());
                self.insert(path, at, Value::Table);
            }
            (Kind::Checks, DeValue::Table(table)) => self.checks(key, table),
            (Kind::Tables { min, max }, DeValue::Array(array)) => {
                if array.len() < min || array.len() > max {
                    let message = format!("`{path}` must be {min} to {max} tables, found {}", array.len());
                    self.push(Found::new(at, message));
                }
                self.sheet.lists.insert(format!("{path}[]"), array.len().min(max));
                for (i, item) in array.iter().take(max).enumerate() {
                    match item.get_ref() {
                        DeValue::Table(table) => self.table(key.path, &format!("{path}[{i}]"), table, item.span()),
                        _ => self.push(value::wrong_type(key, item).suggest(header_advice(key))),
                    }
                }
            }
            _ if key.is_table() => self.push(value::wrong_type(key, value).suggest(header_advice(key))),
            _ => match value::read(key, value) {
                Ok(value) => self.insert(path, at, value),
                Err(found) => self.push(found),
            },
        }
    }

    fn insert(&mut self, path: String, span: Range<usize>, value: Value) {
        let line = self.lines.line(span.start);
        self.sheet.entries.insert(path, Entry { value, span, line });
    }

    fn push(&mut self, found: Found) {
        self.sheet.found.push(found);
    }

    fn exactly_one(&mut self, key: &Key, table: &DeTable<'_>, span: Range<usize>) {
        let names: Vec<&str> = keys::children(key.path).map(Key::name).collect();
        let written = names.iter().filter(|name| table.contains_key(**name)).count();
        let choices = names.iter().map(|name| format!("`{name}`")).collect::<Vec<_>>().join(" or ");
        if written == 0 && self.is_missing(&names) {
            self.push(Found::new(span, format!("`{}` needs {choices}", key.name())));
        } else if written > 1 {
            let message = format!("`{}` takes {choices}, not both", key.name());
            self.push(Found::new(span, message).suggest("keep the rule the controller was built with".to_owned()));
        }
    }

    fn checks(&mut self, key: &Key, table: &DeTable<'_>) {
        for (name, value) in table {
            let id = name.get_ref().as_ref();
            if !self.checks.iter().any(|(known, _)| *known == id) {
                let near =
                    self.suggesting().then(|| nearest(id, self.checks.iter().map(|(known, _)| *known))).flatten();
                let message = format!("there is no check `{}`", cut(id));
                self.push(Found::new(name.span(), message).suggest(near.map(did_you_mean)));
                continue;
            }
            // The message names the check, not the table.
            let key = Key { name: "", kind: Kind::Choice(SEVERITY_WORDS), ..*key };
            match value::choice(&key, value, SEVERITY_WORDS) {
                Ok(word) => self.insert(format!("checks.{id}"), name.span(), Value::Word(word)),
                Err(mut found) => {
                    found.message = found.message.replacen("``", &format!("`{id}`"), 1);
                    self.push(found);
                }
            }
        }
    }

    /// True when none of the names is on a line that could not be read.
    fn is_missing(&self, names: &[&str]) -> bool {
        !names.iter().any(|name| self.set_aside.contains(name))
    }

    fn missing(&mut self, key: &'static Key, path: &str, span: Range<usize>) {
        if !self.is_missing(&[key.name()]) {
            return;
        }
        let what = if key.is_table() { "the table " } else { "" };
        let place = if path.is_empty() { "the sheet".to_owned() } else { format!("`{path}`") };
        let message = format!("{place} lacks {what}`{}`: {}", key.name(), lower_first(&key.sentence()));
        let suggestion = match key.is_table() {
            true => header_advice(key),
            false => Some(format!("for example {} = {}", key.name(), key.example)),
        };
        self.push(Found::new(span, message).suggest(suggestion));
    }

    fn unknown(&mut self, template: &'static str, name: &str, span: Range<usize>) {
        let place = if template.is_empty() { "the top of the sheet".to_owned() } else { format!("`{template}`") };
        let message = format!("there is no key `{}` in {place}", cut(name));
        let suggestion = self.suggesting().then(|| suggest_key(template, name)).flatten();
        self.push(Found::new(span, message).suggest(suggestion));
    }

    fn suggesting(&self) -> bool {
        self.sheet.found.len() < SUGGESTIONS_MAX
    }
}

fn join(path: &str, name: &str) -> String {
    if path.is_empty() { name.to_owned() } else { format!("{path}.{name}") }
}

fn did_you_mean(name: &str) -> String {
    format!("did you mean `{name}`?")
}

fn lower_first(sentence: &str) -> String {
    let mut chars = sentence.chars();
    chars.next().map_or_else(String::new, |first| first.to_lowercase().chain(chars).collect())
}

/// How to write a table; none for tables inside the lines of another.
fn header_advice(key: &Key) -> Option<String> {
    match key.kind {
        Kind::Tables { .. } => Some(format!("write [[{}]]", key.path.replace("[]", ""))),
        _ if key.table().is_empty() => Some(format!("write [{}]", key.path)),
        _ => {
            let example: Vec<String> = keys::children(key.path)
                .filter(|child| !child.is_table())
                .take(if key.kind == Kind::OneOf { 1 } else { usize::MAX })
                .map(|child| format!("{} = {}", child.name(), child.example))
                .collect();
            Some(format!("for example {} = {{ {} }}", key.name(), example.join(", ")))
        }
    }
}

/// What an unknown key may have been meant to be: a key of another table, or a like one of this or another.
fn suggest_key(template: &str, name: &str) -> Option<String> {
    let places: Vec<&str> = keys::KEYS.iter().filter(|key| key.name() == name).map(Key::table).collect();
    if let 1..=2 = places.len() {
        let places: Vec<String> = places.iter().map(|place| place_of(place)).collect();
        return Some(format!("`{name}` belongs {}", places.join(" or ")));
    }
    if let Some(near) = nearest(name, keys::children(template).map(|key| key.name())) {
        return Some(did_you_mean(near));
    }
    let near = nearest(name, keys::KEYS.iter().map(|key| key.name()))?;
    let key = keys::KEYS.iter().find(|key| key.name() == near)?;
    Some(format!("did you mean `{near}` {}?", place_of(key.table())))
}

fn place_of(table: &str) -> String {
    match keys::find(table).map(|key| key.kind) {
        None => "at the top of the sheet".to_owned(),
        Some(Kind::Tables { .. }) => format!("in [[{}]]", table.replace("[]", "")),
        Some(_) if !table.contains('.') => format!("in [{table}]"),
        Some(_) => format!("in `{table}`"),
    }
}

/// Orders faults by place, locates them and keeps the first ones.
pub(crate) fn locate(source: &str, text: &str, lines: &LineIndex<'_>, mut found: Vec<Found>) -> SheetFaults {
    found.sort_by_key(|found| (found.span.start, found.span.end));
    let more = found.len().saturating_sub(FAULTS_MAX);
    found.truncate(FAULTS_MAX);
    let faults: Vec<Fault> =
        found.into_iter().map(|found| lines.fault(found.span, found.message, found.suggestion)).collect();
    SheetFaults { source: source.to_owned(), text: text.to_owned(), faults, more }
}
