//! One value of the sheet, read by the kind of its key.

use std::ops::Range;

use serde_json::json;
use toml::Spanned;
use toml::de::{DeArray, DeValue};

use super::keys::{Key, Kind, TEXT_MAX, TINY, one_of, short};

/// A value that passed the bounds of its key.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// A table or list of tables is written.
    Table,
    /// A finite number.
    Number(f64),
    /// A whole number.
    Count(u64),
    /// A word or text.
    Word(String),
    /// A list of words.
    Words(Vec<String>),
    /// A range or point.
    Numbers(Vec<f64>),
    /// True or false.
    Bool(bool),
}

impl Value {
    /// The value as TOML; empty for tables.
    pub fn to_toml(&self) -> String {
        match self {
            Self::Table => String::new(),
            Self::Number(number) => format!("{number:?}"),
            Self::Count(count) => count.to_string(),
            // A JSON string is a TOML basic string.
            Self::Word(word) => json!(word).to_string(),
            Self::Words(words) => {
                let words: Vec<String> = words.iter().map(|word| json!(word).to_string()).collect();
                format!("[{}]", words.join(", "))
            }
            Self::Numbers(numbers) => format!("{numbers:?}"),
            Self::Bool(value) => value.to_string(),
        }
    }
}

/// Something wrong at a place of the sheet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Found {
    pub(super) span: Range<usize>,
    pub(super) message: String,
    pub(super) suggestion: Option<String>,
}

impl Found {
    pub(crate) fn new(span: Range<usize>, message: String) -> Self {
        Self { span, message, suggestion: None }
    }

    pub(crate) fn suggest(mut self, suggestion: impl Into<Option<String>>) -> Self {
        self.suggestion = suggestion.into();
        self
    }
}

type Spot<'v, 'i> = &'v Spanned<DeValue<'i>>;

/// Reads a value that is no table.
pub(super) fn read(key: &Key, value: Spot<'_, '_>) -> Result<Value, Found> {
    match key.kind {
        Kind::Number { min, max } => number(key, value, min, max).map(Value::Number),
        Kind::Integer { min, max } => count(key, value, min, max).map(Value::Count),
        Kind::CountOrWord { min, max, word } => match value.get_ref() {
            DeValue::String(text) if text == word => Ok(Value::Word(word.to_owned())),
            DeValue::String(text) if text.parse::<u64>().is_err() => Err(not_among(key, value, text, &[word])),
            _ => count(key, value, min, max).map(Value::Count),
        },
        Kind::Range { max } => range(key, value, max),
        Kind::Point { size, max } => numbers(key, value, size, max).map(Value::Numbers),
        Kind::Text => text(key, value),
        Kind::Bool => match value.get_ref() {
            DeValue::Boolean(value) => Ok(Value::Bool(*value)),
            DeValue::String(text) if matches!(text.as_ref(), "true" | "false") => {
                Err(wrong_type(key, value).suggest(format!("write {text} without quotes")))
            }
            _ => Err(wrong_type(key, value)),
        },
        Kind::Choice(words) | Kind::WordOrTable(words) => choice(key, value, words).map(Value::Word),
        Kind::ListOf(words) => list(key, value, words),
        Kind::Table | Kind::OneOf | Kind::Tables { .. } | Kind::Checks => Err(wrong_type(key, value)),
    }
}

pub(super) fn wrong_type(key: &Key, value: Spot<'_, '_>) -> Found {
    let message = format!("`{}` must be {}, found {}", key.name(), key.kind.in_words(), type_name(value.get_ref()));
    Found::new(value.span(), message)
}

fn type_name(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

/// A word or text that somebody gave for a key, as TOML.
///
/// # Errors
/// Why it may not be written there.
pub(crate) fn of_word(key: &Key, word: &str) -> Result<String, String> {
    admitted(key, DeValue::String(word.into()))
}

/// The number that somebody gave for a key, or the numbers of its list, as TOML.
///
/// # Errors
/// Why they may not be written there.
pub(crate) fn of_numbers(key: &Key, numbers: &[f64]) -> Result<String, String> {
    let written = match (key.kind, numbers) {
        (Kind::Range { .. } | Kind::Point { .. }, _) => format!("{numbers:?}"),
        (_, [number]) => format!("{number:?}"),
        _ => return Err(format!("`{}` must be one number, found {}", key.name(), numbers.len())),
    };
    // TOML writes what is not a number in small letters.
    match DeValue::parse(&written.replace("NaN", "nan")) {
        Ok(value) => admitted(key, value.into_inner()),
        Err(error) => Err(error.message().to_owned()),
    }
}

fn admitted(key: &Key, value: DeValue<'_>) -> Result<String, String> {
    let read = read(key, &Spanned::new(0..0, value));
    read.map(|value| value.to_toml()).map_err(|found| match found.suggestion {
        Some(suggestion) => format!("{}; {suggestion}", found.message),
        None => found.message,
    })
}

/// The number written, whatever its size; none when it is no number.
fn raw_number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Float(float) => float.as_str().parse().ok(),
        DeValue::Integer(integer) => {
            i64::from_str_radix(integer.as_str(), integer.radix()).map_or(Some(f64::INFINITY), |i| Some(i as f64))
        }
        _ => None,
    }
}

fn number(key: &Key, value: Spot<'_, '_>, min: f64, max: f64) -> Result<f64, Found> {
    let Some(number) = raw_number(value.get_ref()) else {
        let unquoted = match value.get_ref() {
            DeValue::String(text) => text.trim().parse::<f64>().ok().filter(|number| number.is_finite()),
            _ => None,
        };
        return Err(wrong_type(key, value).suggest(unquoted.map(|n| format!("write {n:?} without quotes"))));
    };
    let name = key.name();
    let unit = if key.unit.is_empty() { String::new() } else { format!(" {}", key.unit) };
    let message = if !number.is_finite() {
        format!("`{name}` must be a finite number")
    } else if number <= 0.0 && min == TINY {
        format!("`{name}` must be above 0, found {}", short(number))
    } else if number < min {
        format!("`{name}` must be at least {}{unit}, found {}", short(min), short(number))
    } else if number > max {
        format!("`{name}` must be at most {}{unit}, found {}", short(max), short(number))
    } else {
        // Minus zero would show up as such in reports.
        return Ok(number + 0.0);
    };
    let no_limit = key.table().contains("_limit_");
    let suggestion = (no_limit && (number > max || number.is_nan())).then(|| "write 1e9 for no limit".to_owned());
    Err(Found::new(value.span(), message).suggest(suggestion))
}

fn count(key: &Key, value: Spot<'_, '_>, min: u64, max: u64) -> Result<u64, Found> {
    let number = number(key, value, min as f64, max as f64)?;
    if number.fract() != 0.0 {
        let message = format!("`{}` must be a whole number, found {}", key.name(), short(number));
        return Err(Found::new(value.span(), message));
    }
    Ok(number as u64)
}

fn numbers(key: &Key, value: Spot<'_, '_>, size: usize, max: f64) -> Result<Vec<f64>, Found> {
    let array = array(key, value)?;
    if array.len() != size {
        let message = format!("`{}` must be a list of {size} numbers, found {}", key.name(), array.len());
        return Err(Found::new(value.span(), message).suggest(format!("for example {}", key.example)));
    }
    array.iter().map(|item| number(key, item, -max, max)).collect()
}

fn range(key: &Key, value: Spot<'_, '_>, max: f64) -> Result<Value, Found> {
    let numbers = numbers(key, value, 2, max)?;
    let (low, high) = (numbers[0], numbers[1]);
    let name = key.name();
    if low == high {
        let message = format!("`{name}` is empty: both ends are {}", short(low));
        return Err(Found::new(value.span(), message).suggest("write the lowest and the highest value".to_owned()));
    }
    if low > high {
        let message = format!("`{name}` is reversed: {} is above {}", short(low), short(high));
        return Err(Found::new(value.span(), message).suggest(format!("write [{high:?}, {low:?}]")));
    }
    Ok(Value::Numbers(numbers))
}

fn array<'v, 'i>(key: &Key, value: Spot<'v, 'i>) -> Result<&'v DeArray<'i>, Found> {
    value.get_ref().as_array().ok_or_else(|| wrong_type(key, value).suggest(format!("for example {}", key.example)))
}

fn text(key: &Key, value: Spot<'_, '_>) -> Result<Value, Found> {
    let DeValue::String(text) = value.get_ref() else { return Err(wrong_type(key, value)) };
    let name = key.name();
    let length = text.chars().count();
    let message = if length == 0 {
        format!("`{name}` is empty")
    } else if length > TEXT_MAX {
        format!("`{name}` must be at most {TEXT_MAX} characters, found {length}")
    } else if text.chars().any(char::is_control) {
        format!("`{name}` must be one line without control characters")
    } else {
        return Ok(Value::Word(text.to_string()));
    };
    Err(Found::new(value.span(), message))
}

/// Reads one of the words of a choice.
pub(super) fn choice(key: &Key, value: Spot<'_, '_>, words: &[&str]) -> Result<String, Found> {
    match value.get_ref() {
        DeValue::String(text) if words.contains(&text.as_ref()) => Ok(text.to_string()),
        DeValue::String(text) => Err(not_among(key, value, text, words)),
        _ => Err(wrong_type(key, value)),
    }
}

fn list(key: &Key, value: Spot<'_, '_>, words: &[&str]) -> Result<Value, Found> {
    let mut list: Vec<String> = Vec::new();
    for item in array(key, value)? {
        let word = choice(key, item, words)?;
        if list.contains(&word) {
            return Err(Found::new(item.span(), format!("\"{word}\" is listed twice in `{}`", key.name())));
        }
        list.push(word);
    }
    Ok(Value::Words(list))
}

fn not_among(key: &Key, value: Spot<'_, '_>, text: &str, words: &[&str]) -> Found {
    let expected = match key.kind {
        Kind::CountOrWord { .. } | Kind::WordOrTable(_) => key.kind.in_words(),
        _ => one_of(words),
    };
    let message = format!("`{}` must be {expected}, found \"{}\"", key.name(), cut(text));
    Found::new(value.span(), message)
        .suggest(nearest(text, words.iter().copied()).map(|word| format!("did you mean \"{word}\"?")))
}

/// Text from the sheet, short enough for a message.
pub(crate) fn cut(text: &str) -> String {
    const SHOWN: usize = 60;
    match text.char_indices().nth(SHOWN) {
        Some((at, _)) => format!("{}…", &text[..at]),
        None => text.to_owned(),
    }
}

/// The candidate most like a word, when one is alike enough to be meant.
pub(crate) fn nearest<'c>(word: &str, candidates: impl Iterator<Item = &'c str>) -> Option<&'c str> {
    if word.len() > 80 {
        return None;
    }
    let word = word.to_lowercase().replace(['_', ' '], "-");
    candidates
        .map(|candidate| (strsim::jaro_winkler(&word, &candidate.replace('_', "-")), candidate))
        .filter(|(likeness, _)| *likeness >= 0.84)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, candidate)| candidate)
}
