//! A first machine sheet: a few answers, cautious values for the rest, and what else is worth writing.
//!
//! [`QUESTIONS`] are asked one after another or answered by options; [`FirstSheet::text`] is the sheet.

mod answer;
mod text;

use std::collections::{BTreeMap, BTreeSet};

use super::settings::{Fate, Row, Settings, lacking};
use crate::machine::{
    CornerRule, Machine,
    keys::{self, Kind, Preset},
    place::element_of,
};

const BED_SHAPE: &str = "travel.bed";
const BED_LIMIT: &str = "bed.temperature_limit_c";
const LAYOUT: &str = "motion.drive_layout";
const BED: &str = "bed";
const TOWERS: &str = "three-towers";

/// Something a first sheet should know.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Question {
    /// Name of the option that answers it.
    pub option: &'static str,
    /// How an answer looks.
    pub form: &'static str,
    /// The question, which also explains the option.
    pub ask: &'static str,
    /// Keys of the sheet that the answer goes to.
    keys: &'static [&'static str],
    kind: Ask,
}

/// How an answer is read.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Ask {
    /// One text or word.
    Word,
    /// One number for each key.
    Numbers,
    /// Numbers for the first keys; the last one stands for the others too.
    NumbersAtLeast(usize),
    /// For each key a size or a range.
    Spans,
    /// A word for the rule and its numbers.
    Corner,
    /// A number, or a word where there is no such thing.
    NumberOrNone,
}

const fn question(
    option: &'static str,
    form: &'static str,
    ask: &'static str,
    keys: &'static [&'static str],
    kind: Ask,
) -> Question {
    Question { option, form, ask, keys, kind }
}

macro_rules! axes {
    ($table:literal) => {
        &[concat!($table, ".x"), concat!($table, ".y"), concat!($table, ".z"), concat!($table, ".e")]
    };
}

/// Every question, in the order they are asked.
#[rustfmt::skip]
pub const QUESTIONS: &[Question] = &[
    question("name", "NAME", "What the machine is called", &["name"], Ask::Word),
    question("drive-layout", "LAYOUT", "How its motors drive it: one-per-axis, crossed-belts or three-towers", &[LAYOUT], Ask::Word),
    question("bed", "SHAPE", "Shape of the bed: rectangle or disc", &[BED_SHAPE], Ask::Word),
    question("travel", "X,Y,Z", "How far the nozzle goes in x, y and z, mm: sizes from 0 (on a disc from its centre), or LOW..HIGH", &["travel.x", "travel.y", "travel.z"], Ask::Spans),
    question("nozzle-diameter-mm", "MM", "Bore of the nozzle, mm", &["tool[0].nozzle_diameter_mm"], Ask::Numbers),
    question("filament-diameter-mm", "MM", "Diameter of the filament, mm", &["tool[0].filament_diameter_mm"], Ask::Numbers),
    question("nozzle-limit-c", "C", "Highest temperature of the hotend by its maker's documents, °C", &["tool[0].temperature_c.limit"], Ask::Numbers),
    question("bed-limit-c", "C", "Highest temperature of the bed by its maker's documents, °C, or none where it has no heater", &[BED_LIMIT], Ask::NumberOrNone),
    question("feed-rate-limit-mm-s", "X,Y,Z,E", "Top speed of x, y, z and the filament, mm/s", axes!("motion.feed_rate_limit_mm_s"), Ask::Numbers),
    question("acceleration-limit-mm-s2", "X,Y,Z,E", "Highest acceleration of x, y, z and the filament, mm/s²", axes!("motion.acceleration_limit_mm_s2"), Ask::Numbers),
    question("acceleration-mm-s2", "PRINTING,TRAVEL,RETRACTION", "Acceleration the controller asks for at power-on when it prints, travels and retracts, mm/s²", &["motion.acceleration_mm_s2.printing", "motion.acceleration_mm_s2.travel", "motion.acceleration_mm_s2.retraction"], Ask::Numbers),
    question("corner", "RULE", "Corner rule of the controller: jerk X,Y,Z,E in mm/s, or deviation MM", &[], Ask::Corner),
    question("melt-rate-mm3-s", "SUSTAINED[,PEAK]", "Filament the hotend melts for long, and briefly, mm³/s", &["tool[0].melt_rate_mm3_s.sustained", "tool[0].melt_rate_mm3_s.peak"], Ask::NumbersAtLeast(1)),
    question("steps-per-mm", "X,Y,Z,E", "Motor steps for a mm of x, y, z and the filament", axes!("controller.steps_per_mm"), Ask::Numbers),
];

/// Where a value comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Origin {
    /// Somebody gave it.
    Answer,
    /// A line of a machine's settings, worded for a comment.
    Settings(String),
    /// Nobody knows it yet; the value errs to the safe side.
    Cautious,
    /// Nobody knows it yet, and the value does not err to the safe side: what it is, worded for a comment.
    Guess(&'static str),
}

#[derive(Debug, Clone, PartialEq, Eq)]
struct Entry {
    /// The value as TOML.
    toml: String,
    origin: Origin,
}

/// How many values came from where.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Origins {
    /// From answers.
    pub answers: usize,
    /// From a machine's settings.
    pub settings: usize,
    /// Cautious ones.
    pub cautious: usize,
    /// Guesses, which are not cautious.
    pub guesses: usize,
}

/// A sheet in the making: it is complete from the start, and answers replace its cautious values.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FirstSheet {
    /// By path with indices.
    entries: BTreeMap<String, Entry>,
    /// Tables that the machine does not have, as somebody answered.
    absent: BTreeSet<&'static str>,
    tools: usize,
}

impl Default for FirstSheet {
    /// The values of the built-in machine.
    fn default() -> Self {
        let mut sheet = Self { entries: BTreeMap::new(), absent: BTreeSet::new(), tools: 1 };
        for origin in Machine::built_in().origins.iter().filter(|origin| origin.from.starts_with("line ")) {
            sheet.put(&origin.path, origin.value.clone(), Origin::Cautious);
        }
        sheet.put("name", "\"first machine\"".to_owned(), Origin::Cautious);
        sheet.put(LAYOUT, "\"one-per-axis\"".to_owned(), Origin::Cautious);
        sheet.put(BED_SHAPE, "\"rectangle\"".to_owned(), Origin::Cautious);
        sheet
    }
}

impl FirstSheet {
    fn put(&mut self, path: &str, toml: String, origin: Origin) {
        self.entries.insert(path.to_owned(), Entry { toml, origin });
    }

    fn is(&self, path: &str, word: &str) -> bool {
        self.entries.get(path).is_some_and(|entry| entry.toml.trim_matches('"') == word)
    }

    /// Whether nobody has given the value.
    fn is_open(&self, path: &str) -> bool {
        let given = |entry: &Entry| matches!(entry.origin, Origin::Answer | Origin::Settings(_));
        !self.entries.get(path).is_some_and(given)
    }

    fn forget(&mut self, table: &str) {
        self.entries.retain(|path, _| path != table && !path.starts_with(&format!("{table}.")));
    }

    /// The sheet.
    pub fn text(&self) -> String {
        text::write(self)
    }

    /// How many values came from where.
    pub fn origins(&self) -> Origins {
        let mut origins = Origins { answers: self.absent.len(), ..Origins::default() };
        for entry in self.entries.values() {
            *match entry.origin {
                Origin::Answer => &mut origins.answers,
                Origin::Settings(_) => &mut origins.settings,
                Origin::Cautious => &mut origins.cautious,
                Origin::Guess(_) => &mut origins.guesses,
            } += 1;
        }
        origins
    }

    /// Takes over what a machine says of its settings, and says what became of each row. Values that would need others beside
    /// them are left out.
    pub fn take(&mut self, settings: &Settings) -> Vec<Row> {
        let mut rows = settings.rows.clone();
        let given = |row: &&Row| row.fate == Fate::Read && row.value.is_some() && row.key.is_some();
        let has = |place: &str| settings.rows.iter().filter(given).any(|row| row.key.as_deref() == Some(place));
        // One corner rule: a deviation is only printed by controllers that use it.
        let [jerk, deviation] = [CornerRule::Jerk, CornerRule::JunctionDeviation].map(CornerRule::key);
        if has(deviation) {
            self.forget(jerk);
        }
        for row in &mut rows {
            let Row { fate: Fate::Read, key: Some(place), value: Some(value), .. } = &*row else { continue };
            let (path, element) = element_of(place);
            if let Some(why_not) = self.lacks_beside(path, has) {
                (row.fate, row.note) = (Fate::NotKept, why_not);
                continue;
            }
            let number = path.strip_prefix("tool[").and_then(|rest| rest.split_once(']')?.0.parse::<usize>().ok());
            self.tools = self.tools.max(number.map_or(1, |number| number.saturating_add(1))).min(keys::TOOLS_MAX);
            self.put_number(path, element, *value, format!("{}, line {}", row.text, row.line));
            row.fate = Fate::New;
        }
        rows
    }

    /// Whether the machine's settings say all that a question asks for.
    pub fn is_in_settings(&self, question: &Question) -> bool {
        let told = |entry: &Entry| matches!(entry.origin, Origin::Settings(_));
        match question.kind {
            Ask::Corner => {
                let mut rule = self.entries.iter().filter(|(path, _)| path.starts_with("motion.corner.")).peekable();
                rule.peek().is_some() && rule.all(|(_, entry)| told(entry))
            }
            _ => question.keys.iter().all(|path| self.entries.get(*path).is_some_and(told)),
        }
    }

    /// What else the table of a key takes where it is neither there nor can be with what is given.
    fn lacks_beside(&self, path: &str, given: impl Fn(&str) -> bool) -> Option<String> {
        let (table, _) = path.rsplit_once('.')?;
        let is_optional = keys::find(&keys::template(table)).is_none_or(|key| key.preset == Preset::Unset);
        let is_there = self.entries.keys().any(|known| known.starts_with(&format!("{table}.")));
        if table.ends_with(']') || !is_optional || is_there {
            return None;
        }
        let lacking = lacking(table, given);
        (!lacking.is_empty())
            .then(|| format!("a new [{table}] needs {} too, which the text does not give", lacking.join(", ")))
    }

    fn put_number(&mut self, path: &str, element: Option<usize>, value: f64, from: String) {
        let Some(key) = keys::find(&keys::template(path)) else { return };
        let toml = match (key.kind, element) {
            (Kind::Point { size, .. }, Some(element)) => {
                let old = self.entries.get(path).map(|entry| answer::numbers_in(&entry.toml)).unwrap_or_default();
                let mut numbers: Vec<f64> = (0..size).map(|at| old.get(at).copied().unwrap_or(0.0)).collect();
                let Some(place) = numbers.get_mut(element) else { return };
                *place = value;
                format!("{numbers:?}")
            }
            (Kind::Integer { .. }, _) => format!("{value:.0}"),
            _ => format!("{value:?}"),
        };
        let before = match self.entries.get(path).map(|entry| &entry.origin) {
            Some(Origin::Settings(before)) => format!("{before}; "),
            _ => String::new(),
        };
        self.put(path, toml, Origin::Settings(before + &from));
    }
}

#[cfg(test)]
mod tests;
