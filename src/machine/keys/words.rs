//! The keys in words, for lists and messages.

use super::{KEYS, Kind, Preset, SEVERITY_WORDS, TEXT_MAX, TINY};

/// One line of the list of keys for people.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeyRow {
    /// Dotted path.
    pub path: &'static str,
    /// What may be written.
    pub kind: String,
    /// What holds when nothing is written.
    pub default: String,
    /// Meaning, with the unit.
    pub meaning: String,
}

/// The list of keys for people, tables included, in the order of [`KEYS`].
pub fn key_table() -> Vec<KeyRow> {
    KEYS.iter()
        .map(|key| KeyRow {
            path: key.path,
            kind: key.kind.in_words(),
            default: match key.preset {
                Preset::Required => "required".to_owned(),
                Preset::RequiredInFirst => "required in the first, then as in the first".to_owned(),
                Preset::Value(text) | Preset::Depends(text) => text.to_owned(),
                Preset::Unset => "not set".to_owned(),
            },
            meaning: key.sentence(),
        })
        .collect()
}

impl Kind {
    /// What may be written, as a phrase: `a number from 0 to 2000`.
    pub fn in_words(&self) -> String {
        match *self {
            Self::Table => "a table".to_owned(),
            Self::OneOf => "a table with exactly one of its keys".to_owned(),
            Self::Tables { max, .. } => format!("a list of tables, at most {max}"),
            Self::Checks => format!("a table of checks, each {}", one_of(SEVERITY_WORDS)),
            Self::Number { min, max } if min == TINY => format!("a number above 0, at most {}", short(max)),
            Self::Number { min, max } => format!("a number from {} to {}", short(min), short(max)),
            Self::Integer { min, max } => format!("a whole number from {min} to {max}"),
            Self::CountOrWord { min, max, word } => format!("a whole number from {min} to {max}, or \"{word}\""),
            Self::Range { .. } => "two numbers, the lower first".to_owned(),
            Self::Point { size, .. } => format!("{size} numbers"),
            Self::Text => format!("text of at most {TEXT_MAX} characters"),
            Self::Bool => "true or false".to_owned(),
            Self::Choice(words) => one_of(words),
            Self::WordOrTable(words) => format!("{}, or a table", one_of(words)),
            Self::ListOf(words) => format!("a list of any of {}", quoted(words).join(", ")),
        }
    }
}

/// A number as people write it: `1e12`, `2000`, `0.5`.
pub(in crate::machine) fn short(value: f64) -> String {
    if value.abs() >= 1e7 { format!("{value:e}") } else { format!("{value}") }
}

fn quoted(words: &[&str]) -> Vec<String> {
    words.iter().map(|word| format!("\"{word}\"")).collect()
}

/// `"a", "b" or "c"`.
pub(in crate::machine) fn one_of(words: &[&str]) -> String {
    let words = quoted(words);
    match words.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        Some((last, _)) => last.clone(),
        None => String::new(),
    }
}
