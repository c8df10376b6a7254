//! What the commands of a text say: rows with values in the units of the sheet, or with the reason why not.

use std::collections::BTreeMap;
use std::io::{self, Read};

use super::grammar::{self, Bar, End, Word};
use super::trade::{self, DEVIATION, FEED_RATES, JERK, To, Tools};
use super::{Fate, PLAUSIBLE_MM_S, ROWS_MAX, Row, SHOWN_CHARS, Settings, SpeedUnit, milli, minutes, shown};
use crate::machine::keys::{self, Kind, TOOLS_MAX};
use crate::text::lines::{Chunk, LineReader, RawLine};

/// Smallest speed of a retraction that is taken without a remark, mm/s.
const SLOW_RETRACTION_MM_S: f64 = 2.0;
/// Reads a text in constant memory. Bytes that are no UTF-8, chatter and unknown commands are no errors.
///
/// # Errors
/// What the source says.
pub fn read(source: impl Read, speeds: SpeedUnit) -> io::Result<Settings> {
    let mut reader = LineReader::new(source);
    let mut reading = Reading { speeds, ..Reading::default() };
    let mut chunk = Chunk::default();
    while reader.read(&mut chunk)? {
        chunk.lines().for_each(|line| reading.line(&line));
    }
    Ok(reading.finish(reader.lines_read()))
}

/// A text being read.
#[derive(Default)]
struct Reading {
    speeds: SpeedUnit,
    /// The value that counts so far, by path.
    kept: BTreeMap<String, Row>,
    rows: Vec<Row>,
    left_out: u64,
    /// Line of the G20 in force.
    inches: Option<u64>,
    order: u64,
}

/// A command in its line.
struct Context<'c> {
    line: u64,
    command: &'c grammar::Command<'c>,
    meaning: &'static trade::Command,
    tool: usize,
}

impl Context<'_> {
    fn has(&self, letter: u8) -> bool {
        self.command.words.iter().any(|word| word.letter == letter && word.number.is_some())
    }
}

impl Reading {
    fn line(&mut self, raw: &RawLine<'_>) {
        let line = grammar::read(raw.bytes);
        for command in &line.commands {
            self.command(raw, command, line.bar);
        }
        let known = line.commands.iter().any(|command| trade::find(&command.name).is_some());
        // Prose behind a command without meaning here is not worth a row, another command in it is.
        if let Some(at) = line.rest.filter(|at| known || !grammar::read(&raw.bytes[*at..]).commands.is_empty()) {
            let rest = String::from_utf8_lossy(&raw.bytes[at..raw.bytes.len().min(at + 4 * SHOWN_CHARS)]);
            let note = format!("no G-code from column {} on: not read", at + 1);
            self.not_kept(raw.number, rest.trim(), &note);
        }
    }

    fn command(&mut self, raw: &RawLine<'_>, command: &grammar::Command<'_>, bar: Option<Bar>) {
        let line = raw.number;
        let words: Vec<&str> = command.words.iter().map(|word| word.text).collect();
        let whole = format!("{} {}", command.name, words.join(" "));
        let whole = whole.trim_end();
        let barred = match bar {
            Some(Bar::SwitchedOff) => Some("the line is switched off by the / before it".to_owned()),
            Some(Bar::Quoted) => Some("in quotes: taken for a message about it".to_owned()),
            Some(Bar::Checksum(given, computed)) => {
                Some(format!("the checksum is {given} and should be {computed}: the line is damaged"))
            }
            None => raw.cut.then(|| "the line is too long".to_owned()),
        };
        if let Some(why) = barred {
            return self.not_kept(line, whole, &why);
        }
        match (command.name.as_str(), trade::find(&command.name)) {
            ("G20", _) => {
                self.inches = Some(line);
                self.not_kept(line, whole, "inches: settings are not kept up to the next G21");
            }
            (name, None) => {
                self.inches = self.inches.filter(|_| name != "G21");
                self.not_kept(line, whole, trade::why_not(name));
            }
            (_, Some(_)) if self.inches.is_some() => {
                let since = self.inches.unwrap_or_default();
                self.not_kept(line, whole, &format!("in inches since the G20 in line {since}: the sheet is in mm"));
            }
            (_, Some(_)) if command.words.is_empty() => self.not_kept(line, whole, "asks or sets nothing: no words"),
            (trade::CURRENTS, _) if is_of_another_driver(command) => {
                let why =
                    "by I of another driver of the axis in one dialect, and the sheet has one current for each axis";
                self.not_kept(line, whole, why);
            }
            (_, Some(meaning)) => match tool_of(command, meaning.tools) {
                Ok(tool) => self.words(&Context { line, command, meaning, tool }),
                Err(why) => self.not_kept(line, whole, why),
            },
        }
    }

    fn words(&mut self, context: &Context<'_>) {
        for word in &context.command.words {
            if word.letter == b'T' && context.meaning.tools != Tools::None {
                continue;
            }
            let tool = if context.tool > 0 { format!("T{} ", context.tool) } else { String::new() };
            let text = format!("{} {tool}{}", context.command.name, word.text);
            match self.word(context, word, &text) {
                Ok(()) => {}
                Err(why) => self.not_kept(context.line, &text, &why),
            }
        }
    }

    /// Keeps what a word says, or says why not.
    fn word(&mut self, context: &Context<'_>, word: &Word<'_>, text: &str) -> Result<(), String> {
        let letter = char::from(word.letter);
        let Some((_, to)) = context.meaning.words.iter().find(|(known, _)| *known == word.letter) else {
            return Err(format!("{} has no word {letter} here", context.command.name));
        };
        let Some(number) = word.number else { return Err("a letter without a number".to_owned()) };
        if is_damaged(context, word) {
            return Err("runs into what comes next: the number may be damaged".to_owned());
        }
        let value: f64 = number.parse().map_err(|_| "no number".to_owned())?;
        let old_style = context.command.name == "M204" && context.has(b'S') && !context.has(b'P');
        match *to {
            To::Nowhere(why) => return Err(why.to_owned()),
            To::Key(path) if path == trade::TRAVEL && old_style => {
                let note = "beside S, T is travel in one dialect and the extruder alone in another".to_owned();
                self.add(context.line, text, Some((path, value)), Fate::Doubt, note);
            }
            To::AlongPath if context.has(b'P') => return Err("P is given beside it: that counts".to_owned()),
            To::AlongPath => {
                self.keep(context, text, trade::PRINTING, value, None)?;
                self.keep(context, text, trade::TRAVEL, value, None)?;
            }
            To::Key(path) if path.starts_with(FEED_RATES) => match self.speeds {
                SpeedUnit::PerMinute => {
                    let note = Some(format!("read as mm/min: {number} / 60"));
                    self.keep(context, text, path, minutes::sixtieth(number), note)?;
                }
                _ => self.keep(context, text, path, value, None)?,
            },
            To::Key(path) => self.keep(context, text, path, value, None)?,
            To::Milli(path) => {
                let ampere = milli::thousandth(number).ok_or_else(|| "no number".to_owned())?;
                let note =
                    format!("mA, taken as RMS: {number} / 1000; where a controller means the peak it is 0.71 of that");
                self.keep(context, text, path, ampere, Some(note))?;
            }
            To::Feed(path) => {
                let per_second = minutes::sixtieth(number);
                let slow = if per_second < SLOW_RETRACTION_MM_S { "; slow: check that it is not mm/s" } else { "" };
                self.keep(context, text, path, per_second, Some(format!("F is mm/min: {number} / 60{slow}")))?;
            }
        }
        Ok(())
    }

    fn keep(
        &mut self,
        context: &Context<'_>,
        text: &str,
        path: &str,
        value: f64,
        note: Option<String>,
    ) -> Result<(), String> {
        let place = path.replacen("[]", &format!("[{}]", context.tool), 1);
        let Some(key) = keys::find(&keys::template(crate::machine::place::element_of(&place).0)) else {
            return Err("no key".to_owned());
        };
        let (min, max) = match key.kind {
            Kind::Number { min, max } => (min, max),
            Kind::Point { max, .. } => (-max, max),
            Kind::Integer { min, max } if value.fract() == 0.0 => (min as f64, max as f64),
            _ => return Err(format!("{place} takes {}", key.kind.in_words())),
        };
        if !(min..=max).contains(&value) {
            let takes = match key.kind {
                Kind::Integer { .. } => key.kind.in_words(),
                _ => Kind::Number { min, max }.in_words(),
            };
            return Err(format!("{place} takes {takes}"));
        }
        let order = self.order;
        self.order += 1;
        let row = Row {
            line: context.line,
            text: shown(text),
            key: Some(place.clone()),
            value: Some(value),
            if_per_minute: None,
            unit: key.unit,
            fate: Fate::Read,
            note: note.unwrap_or_default(),
            order,
        };
        if let Some(mut earlier) = self.kept.insert(place, row) {
            earlier.fate = Fate::Replaced { by_line: context.line };
            self.push(earlier);
        }
        Ok(())
    }

    fn not_kept(&mut self, line: u64, text: &str, why: &str) {
        self.add(line, text, None, Fate::NotKept, why.to_owned());
    }

    fn add(&mut self, line: u64, text: &str, kept: Option<(&str, f64)>, fate: Fate, note: String) {
        let unit = kept.and_then(|(path, _)| keys::find(path)).map_or("", |key| key.unit);
        let order = self.order;
        self.order += 1;
        let (key, value) = kept.map(|(path, value)| (path.to_owned(), value)).unzip();
        self.push(Row { line, text: shown(text), key, value, if_per_minute: None, unit, fate, note, order });
    }

    fn push(&mut self, row: Row) {
        if self.rows.len() < ROWS_MAX { self.rows.push(row) } else { self.left_out += 1 }
    }

    fn finish(mut self, lines: u64) -> Settings {
        self.doubt_speeds();
        self.settle_corner();
        let mut rows = self.rows;
        rows.extend(self.kept.into_values());
        rows.sort_by_key(|row| row.order);
        Settings { rows, left_out: self.left_out, lines }
    }

    /// Speed limits share a unit: one that is not plausible casts doubt on all.
    fn doubt_speeds(&mut self) {
        if self.speeds != SpeedUnit::Judged {
            return;
        }
        let mut limits: Vec<&mut Row> =
            self.kept.iter_mut().filter(|(place, _)| place.starts_with(FEED_RATES)).map(|(_, row)| row).collect();
        let too_fast = limits.iter().filter(|row| row.value > Some(PLAUSIBLE_MM_S)).min_by_key(|row| row.order);
        let Some((line, text)) = too_fast.map(|row| (row.line, row.text.clone())) else { return };
        for row in &mut limits {
            let value = row.value.unwrap_or_default();
            row.fate = Fate::Doubt;
            row.if_per_minute = Some(value / 60.0);
            row.note = if value > PLAUSIBLE_MM_S {
                format!("above {PLAUSIBLE_MM_S} mm/s, not plausible; in mm/min it is {} mm/s", value / 60.0)
            } else {
                format!("its unit is that of {text} in line {line}; in mm/min it is {} mm/s", value / 60.0)
            };
        }
    }

    /// The sheet takes one corner rule: a junction deviation above 0 counts before jerk.
    fn settle_corner(&mut self) {
        let deviation = self.kept.get(DEVIATION).and_then(|row| row.value);
        let is_jerk = |place: &str| place.starts_with(JERK);
        if deviation.is_none() || !self.kept.keys().any(|place| is_jerk(place)) {
            return;
        }
        let by_deviation = deviation > Some(0.0);
        for (place, row) in &mut self.kept {
            if is_jerk(place) && by_deviation {
                row.fate = Fate::NotKept;
                row.note = "the text also gives a junction deviation (J), and the sheet takes one rule".to_owned();
            } else if place == DEVIATION && !by_deviation {
                row.fate = Fate::NotKept;
                row.note = "0 beside jerk (X Y Z E) switches the junction deviation off".to_owned();
            }
        }
    }
}

/// The tool a command is about.
fn tool_of(command: &grammar::Command<'_>, tools: Tools) -> Result<usize, &'static str> {
    let word = command.words.iter().rev().find(|word| word.letter == b'T' && tools != Tools::None);
    let number = match word {
        None if tools == Tools::Named => return Err("no T word: of which tool?"),
        None => return Ok(0),
        Some(word) => word.number.filter(|_| word.end != End::Damaged).and_then(|number| number.parse::<usize>().ok()),
    };
    match number {
        Some(0) => Ok(0),
        Some(number) if number >= TOOLS_MAX => Err("the sheet takes no tool of that number"),
        Some(_) if tools == Tools::First => {
            Err("of another extruder: the sheet has these values for the first one only")
        }
        Some(number) => Ok(number),
        None => Err("its T word is no tool number"),
    }
}

/// True for currents of a driver beside the first one of an axis. From 10 on it is a share in %, and 0 is the first driver.
fn is_of_another_driver(command: &grammar::Command<'_>) -> bool {
    let numbers = command.words.iter().filter(|word| word.letter == b'I').filter_map(|word| word.number);
    numbers.filter_map(|number| number.parse::<f64>().ok()).any(|number| (1.0..10.0).contains(&number))
}

/// True when the number may go on in what follows: an exponent, a letter taken for a digit.
fn is_damaged(context: &Context<'_>, word: &Word<'_>) -> bool {
    match word.end {
        End::Clean => false,
        End::Damaged => true,
        End::Letter(next) => {
            let upper = next.to_ascii_uppercase();
            let known = context.meaning.words.iter().any(|(letter, _)| *letter == upper) || b"GMT".contains(&upper);
            !known || next.is_ascii_lowercase() != context.command.letter.is_ascii_lowercase()
        }
    }
}
