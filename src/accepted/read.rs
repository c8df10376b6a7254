//! The text of a file of accepted findings → its entries, or all its faults.

use std::collections::BTreeSet;
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::{ACCEPTED_MAX_BYTES, BECAUSE_MAX, Day, Entry};
use crate::checks::{self, CATALOGUE, is_unsafe};
use crate::findings::Severity;
use crate::geometry::Box3;
use crate::machine::{Found, LineIndex, SheetFaults, cut, locate, nearest, roomy};

/// The keys of an entry; the first ones are required.
const KEYS: [&str; 15] = [
    "job",
    "machine",
    "check",
    "severity",
    "because",
    "fingerprint",
    "times",
    "until",
    "by",
    "even_unsafe",
    "place_mm",
    "value",
    "limit",
    "extent_mm",
    "worst_fingerprint",
];
const REQUIRED: usize = 7;
/// Longest path of a job, characters.
const PATH_MAX: usize = 4096;
const AXES: [&str; 3] = ["x", "y", "z"];
/// Longest name or text but the reason, characters.
const TEXT_MAX: usize = 1000;

/// Reads the bytes of a file; `source` is its path for messages.
pub(super) fn read(source: &str, bytes: &[u8]) -> Result<Vec<Entry>, SheetFaults> {
    let whole = |text: &str, message: String| {
        let found = Found::new(0..0, message);
        locate(source, text, &LineIndex::new(text), vec![found])
    };
    if bytes.len() > ACCEPTED_MAX_BYTES {
        return Err(whole("", format!("a file of accepted findings has at most {ACCEPTED_MAX_BYTES} bytes")));
    }
    let text = std::str::from_utf8(bytes).map_err(|error| {
        let lossy = String::from_utf8_lossy(bytes).into_owned();
        let at = error.valid_up_to();
        let found = Found::new(at..at + 1, "not UTF-8 text".to_owned()).suggest("save it as UTF-8".to_owned());
        locate(source, &lossy, &LineIndex::new(&lossy), vec![found])
    })?;
    let (entries, found) = roomy(|| read_text(text));
    if found.is_empty() { Ok(entries) } else { Err(locate(source, text, &LineIndex::new(text), found)) }
}

fn read_text(text: &str) -> (Vec<Entry>, Vec<Found>) {
    let (document, errors) = DeTable::parse_recoverable(text);
    if !errors.is_empty() {
        let fault = |error: &toml::de::Error| {
            let span = error.span().unwrap_or(0..0);
            Found::new(span, format!("not TOML: {}", error.message()))
        };
        return (Vec::new(), errors.iter().map(fault).collect());
    }
    let mut walk = Walk::default();
    for (name, value) in document.get_ref() {
        match (name.get_ref().as_ref(), value.get_ref()) {
            ("accepted", DeValue::Array(entries)) => entries.iter().for_each(|entry| walk.entry(entry)),
            ("accepted", _) => walk.say(value.span(), "`accepted` must be a list of tables: write [[accepted]]".into()),
            (other, _) => {
                let message = format!("there is no key `{}` beside [[accepted]]", cut(other));
                walk.suggest(name.span(), message, nearest(other, std::iter::once("accepted")));
            }
        }
    }
    (walk.entries, walk.found)
}

#[derive(Default)]
struct Walk {
    entries: Vec<Entry>,
    found: Vec<Found>,
    /// What must not be accepted twice.
    seen: BTreeSet<[String; 5]>,
}

type Value<'v, 'i> = &'v Spanned<DeValue<'i>>;

impl Walk {
    fn say(&mut self, span: Range<usize>, message: String) {
        self.found.push(Found::new(span, message));
    }

    fn suggest(&mut self, span: Range<usize>, message: String, near: Option<&str>) {
        self.found.push(Found::new(span, message).suggest(near.map(|name| format!("did you mean `{name}`?"))));
    }

    fn entry(&mut self, entry: Value<'_, '_>) {
        let DeValue::Table(table) = entry.get_ref() else {
            return self.say(entry.span(), "an accepted finding is a table: write [[accepted]]".to_owned());
        };
        let faults = self.found.len();
        for (name, _) in table {
            let key = name.get_ref().as_ref();
            if !KEYS.contains(&key) {
                let message = format!("there is no key `{}` in [[accepted]]", cut(key));
                self.suggest(name.span(), message, nearest(key, KEYS.into_iter()));
            }
        }
        for key in &KEYS[..REQUIRED] {
            if table.get(*key).is_none() {
                self.say(entry.span(), format!("an accepted finding needs `{key}`"));
            }
        }
        let read = self.values(table);
        if let Some(read) = read.filter(|_| self.found.len() == faults) {
            self.keep(entry, read);
        }
    }

    fn values(&mut self, table: &DeTable<'_>) -> Option<Entry> {
        let job = self.text(table, "job", PATH_MAX);
        let machine = self.text(table, "machine", TEXT_MAX);
        let check = self.check(table);
        let severity = self.severity(table);
        let because = self.text(table, "because", BECAUSE_MAX);
        let fingerprint = self.fingerprint(table, "fingerprint");
        let worst_fingerprint = self.fingerprint(table, "worst_fingerprint");
        let times = self.times(table);
        let until = self.until(table);
        let by = self.text(table, "by", TEXT_MAX);
        let even_unsafe = self.flag(table, "even_unsafe");
        let place_mm = self.place(table);
        let extent_mm = self.extent(table);
        let [value, limit] = ["value", "limit"].map(|key| table.get(key).and_then(|value| self.number(key, value)));
        Some(Entry {
            job: job?,
            machine: machine?,
            check: check?.into(),
            severity: severity?,
            fingerprint: fingerprint?,
            worst_fingerprint,
            times: times?,
            because: because?,
            until,
            by,
            even_unsafe,
            place_mm,
            value,
            limit,
            extent_mm,
        })
    }

    /// Judges an entry as a whole.
    fn keep(&mut self, at: Value<'_, '_>, entry: Entry) {
        if is_unsafe(&entry.check, entry.severity) && !entry.even_unsafe {
            let message = format!("`{}` is a no-go on heat or travel: it is not accepted like others", entry.check);
            let way_out = "write even_unsafe = true once you know why it is safe on your machine".to_owned();
            self.found.push(Found::new(at.span(), message).suggest(way_out));
            return;
        }
        let key = [&entry.job, &entry.machine, entry.check.as_ref(), entry.severity.word(), &entry.fingerprint]
            .map(str::to_owned);
        if self.seen.insert(key) {
            self.entries.push(entry);
        } else {
            self.say(at.span(), "this finding is accepted a second time: keep one of the two".to_owned());
        }
    }

    fn text(&mut self, table: &DeTable<'_>, key: &str, most: usize) -> Option<String> {
        let value = table.get(key)?;
        let fault = match value.get_ref() {
            DeValue::String(text) if text.trim().is_empty() => format!("`{key}` is empty"),
            DeValue::String(text) if text.chars().count() > most => format!("`{key}` has more than {most} characters"),
            DeValue::String(text) if text.chars().any(char::is_control) => {
                format!("`{key}` must be one line without control characters")
            }
            DeValue::String(text) => return Some(text.to_string()),
            _ => format!("`{key}` must be text"),
        };
        self.say(value.span(), fault);
        None
    }

    fn check(&mut self, table: &DeTable<'_>) -> Option<&'static str> {
        let id = self.text(table, "check", TEXT_MAX)?;
        let known = checks::find(&id).map(|check| check.id);
        if known.is_none() {
            let span = table.get("check").map_or(0..0, Spanned::span);
            let near = nearest(&id, CATALOGUE.iter().map(|check| check.id));
            self.suggest(span, format!("there is no check `{}`", cut(&id)), near);
        }
        known
    }

    fn severity(&mut self, table: &DeTable<'_>) -> Option<Severity> {
        let word = self.text(table, "severity", TEXT_MAX)?;
        let known = [Severity::Note, Severity::Hold, Severity::NoGo].into_iter().find(|known| known.word() == word);
        if known.is_none() {
            let span = table.get("severity").map_or(0..0, Spanned::span);
            self.say(span, format!("`severity` must be note, hold or no-go, found \"{}\"", cut(&word)));
        }
        known
    }

    fn fingerprint(&mut self, table: &DeTable<'_>, key: &str) -> Option<String> {
        let print = self.text(table, key, TEXT_MAX)?;
        let is_one = print.len() == 16 && print.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b'a'..=b'f'));
        if !is_one {
            let span = table.get(key).map_or(0..0, Spanned::span);
            self.say(span, format!("`{key}` must be 16 digits 0-9 a-f, as `gonogo accept` writes it"));
        }
        is_one.then_some(print)
    }

    fn times(&mut self, table: &DeTable<'_>) -> Option<u64> {
        let value = table.get("times")?;
        let times = match value.get_ref() {
            // What TOML cannot hold could not be written again.
            DeValue::Integer(whole) => i64::from_str_radix(whole.as_str(), whole.radix()).ok(),
            _ => None,
        };
        let times = times.and_then(|times| u64::try_from(times).ok()).filter(|times| *times > 0);
        if times.is_none() {
            self.say(value.span(), format!("`times` must be a whole number from 1 to {}", i64::MAX));
        }
        times
    }

    fn until(&mut self, table: &DeTable<'_>) -> Option<Day> {
        let value = table.get("until")?;
        let read = value.get_ref().as_datetime().filter(|read| read.time.is_none() && read.offset.is_none());
        let day = read.and_then(|read| read.date);
        if day.is_none() {
            self.say(value.span(), "`until` must be a day without quotes, for example 2027-01-31".to_owned());
        }
        day
    }

    fn flag(&mut self, table: &DeTable<'_>, key: &str) -> bool {
        let Some(value) = table.get(key) else { return false };
        value.get_ref().as_bool().unwrap_or_else(|| {
            self.say(value.span(), format!("`{key}` must be true or false"));
            false
        })
    }

    fn number(&mut self, key: &str, value: Value<'_, '_>) -> Option<f64> {
        let number = match value.get_ref() {
            DeValue::Float(float) => float.as_str().parse::<f64>().ok(),
            DeValue::Integer(integer) => i64::from_str_radix(integer.as_str(), integer.radix()).ok().map(|n| n as f64),
            _ => None,
        };
        let number = number.filter(|number| number.is_finite());
        if number.is_none() {
            self.say(value.span(), format!("`{key}` must be a finite number"));
        }
        number
    }

    fn place(&mut self, table: &DeTable<'_>) -> Option<[f64; 3]> {
        let value = table.get("place_mm")?;
        let Some(axes) = axes(value) else {
            self.say(value.span(), "`place_mm` must be like { z = 0.2, x = 10.0, y = 20.0 }".to_owned());
            return None;
        };
        let mut read = [0.0; 3];
        for (axis, value) in axes.into_iter().enumerate() {
            read[axis] = self.number(AXES[axis], value)?;
        }
        Some(read)
    }

    fn extent(&mut self, table: &DeTable<'_>) -> Option<Box3> {
        let value = table.get("extent_mm")?;
        let ends = |of: Value<'_, '_>| of.get_ref().as_array().is_some_and(|ends| ends.len() == 2);
        let Some(axes) = axes(value).filter(|axes| axes.iter().all(|axis| ends(axis))) else {
            let like = "{ z = [0.2, 0.4], x = [10.0, 20.0], y = [0.0, 5.0] }";
            self.say(value.span(), format!("`extent_mm` must be like {like}"));
            return None;
        };
        let mut read = Box3 { min: [0.0; 3], max: [0.0; 3] };
        for (axis, value) in axes.into_iter().enumerate() {
            let mut ends = value.get_ref().as_array().into_iter().flatten();
            read.min[axis] = self.number(AXES[axis], ends.next()?)?;
            read.max[axis] = self.number(AXES[axis], ends.next()?)?;
        }
        Some(read)
    }
}

/// The values of a table of x, y and z and nothing else.
fn axes<'v, 'i>(value: Value<'v, 'i>) -> Option<[Value<'v, 'i>; 3]> {
    let table = value.get_ref().as_table().filter(|table| table.len() == 3)?;
    let [x, y, z] = AXES.map(|axis| table.get(axis));
    Some([x?, y?, z?])
}
