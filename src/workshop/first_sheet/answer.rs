//! Answers to the questions of a first sheet.

use super::{Ask, BED, BED_LIMIT, BED_SHAPE, FirstSheet, LAYOUT, Origin, Question, TOWERS};
use crate::machine::{
    CornerRule, Machine, cut,
    keys::{self, Key},
    of_numbers, of_word,
};

/// Longest answer, bytes.
pub(super) const ANSWER_MAX: usize = 1000;
/// The word for what is not there.
const NONE: &str = "none";
/// Words for the corner rules.
const RULES: [(&str, CornerRule); 2] = [("jerk", CornerRule::Jerk), ("deviation", CornerRule::JunctionDeviation)];
const NOZZLE_LIMIT: &str = "tool[0].temperature_c.limit";
const LOWEST: &str = "tool[0].temperature_c.extrude_min";
const HOME: &str = "travel.home";
/// Of a lowest temperature of pushing that the limit of the hotend does not leave room for.
const PULLED_DOWN: &str =
    "a guess: pulled down to the limit of the hotend; pushing at this temperature may jam: look it up";
/// Of the home position of three towers.
const TOWERS_HOME: &str = "a guess: three towers mostly home at the top of their travel, in the middle: look it up";
const AXES: [&str; 4] = ["x", "y", "z", "e"];

impl FirstSheet {
    /// Takes an answer; the sheet stays as it was when there is something wrong with it.
    ///
    /// # Errors
    /// What is wrong with the answer, for whoever gave it.
    pub fn answer(&mut self, question: &Question, text: &str) -> Result<(), String> {
        if text.len() > ANSWER_MAX {
            return Err(format!("an answer has at most {ANSWER_MAX} bytes"));
        }
        let mut changed = self.clone();
        changed.write(question, text.trim())?;
        // Rules across keys are those of the reader.
        if let Err(faults) = Machine::parse("the new sheet", &changed.text()) {
            return Err(faults.faults.first().map_or_else(String::new, |fault| fault.message.clone()));
        }
        *self = changed;
        Ok(())
    }

    fn write(&mut self, question: &Question, text: &str) -> Result<(), String> {
        match question.kind {
            Ask::Word => {
                let path = question.keys[0];
                self.put(path, of_word(key(path)?, text)?, Origin::Answer);
                self.settle_bed(path);
                self.settle_home();
                Ok(())
            }
            Ask::Numbers => self.put_numbers(question.keys, question.keys.len(), text),
            Ask::NumbersAtLeast(least) => self.put_numbers(question.keys, least, text),
            Ask::Spans => self.put_spans(question.keys, text),
            Ask::Corner => self.put_corner(text),
            Ask::NumberOrNone if text.eq_ignore_ascii_case(NONE) => {
                self.forget(BED);
                self.absent.insert(BED);
                Ok(())
            }
            Ask::NumberOrNone => {
                self.absent.remove(BED);
                self.put_numbers(question.keys, 1, text)
            }
        }
    }

    /// Three towers mostly stand around a disc, and a disc mostly has its zero in the middle.
    fn settle_bed(&mut self, answered: &str) {
        if answered == LAYOUT && self.is(LAYOUT, TOWERS) && self.is_open(BED_SHAPE) {
            self.put(BED_SHAPE, "\"disc\"".to_owned(), Origin::Cautious);
        }
        if [LAYOUT, BED_SHAPE].contains(&answered) {
            for path in ["travel.x", "travel.y"].into_iter().filter(|path| self.is_open(path)).collect::<Vec<_>>() {
                let range = self.entries.get(path).map(|entry| numbers_in(&entry.toml)).unwrap_or_default();
                let size = range.last().zip(range.first()).map_or(0.0, |(high, low)| high - low);
                let range = self.span_of(path, size);
                self.put(path, format!("{range:?}"), Origin::Cautious);
            }
        }
    }

    /// Three towers leave the nozzle high above the bed, where the motors are; any other machine keeps the usual.
    fn settle_home(&mut self) {
        if !self.is_open(HOME) {
            return;
        }
        self.entries.remove(HOME);
        let range = |path: &str| <[f64; 2]>::try_from(numbers_in(&self.entries.get(path)?.toml)).ok();
        let ranges = ["travel.x", "travel.y", "travel.z"].map(range);
        if let (true, [Some([west, east]), Some([south, north]), Some([_, top])]) = (self.is(LAYOUT, TOWERS), ranges) {
            let home: [f64; 3] = [(west + east) / 2.0, (south + north) / 2.0, top];
            self.put(HOME, format!("{home:?}"), Origin::Guess(TOWERS_HOME));
        }
    }

    /// A size as the range it stands for.
    fn span_of(&self, path: &str, size: f64) -> [f64; 2] {
        let centred = path != "travel.z" && self.is(BED_SHAPE, "disc");
        if centred { [-size / 2.0, size / 2.0] } else { [0.0, size] }
    }

    fn put_numbers(&mut self, paths: &[&str], least: usize, text: &str) -> Result<(), String> {
        let numbers = numbers(text, least, paths.len())?;
        for (at, path) in paths.iter().enumerate() {
            // What is not given is that of the one before it.
            let number = numbers.get(at).or(numbers.last()).copied().unwrap_or_default();
            let origin = if at < numbers.len() { Origin::Answer } else { Origin::Cautious };
            self.put(path, of_numbers(key(path)?, &[number])?, origin);
        }
        self.settle_lowest();
        Ok(())
    }

    /// Whatever may be pushed at all may be pushed at the limit of the hotend.
    fn settle_lowest(&mut self) {
        let usual = Self::default();
        let at = |sheet: &Self, path: &str| sheet.entries.get(path)?.toml.parse::<f64>().ok();
        let (Some(limit), Some(lowest)) = (at(self, NOZZLE_LIMIT), at(&usual, LOWEST)) else { return };
        if !self.is_open(LOWEST) {
            return;
        }
        match lowest > limit {
            true => self.put(LOWEST, format!("{limit:?}"), Origin::Guess(PULLED_DOWN)),
            false => self.put(LOWEST, format!("{lowest:?}"), Origin::Cautious),
        }
    }

    fn put_spans(&mut self, paths: &[&str], text: &str) -> Result<(), String> {
        // Spaces around the dots part nothing.
        let text = text.split("..").map(str::trim).collect::<Vec<_>>().join("..");
        let parts = parts(&text);
        if parts.len() != paths.len() {
            return Err(wrong_count(parts.len(), paths.len(), paths.len()));
        }
        for (path, part) in paths.iter().zip(parts) {
            let range = match part.split_once("..") {
                Some((low, high)) => [number(low)?, number(high)?],
                None => self.span_of(path, number(part)?),
            };
            self.put(path, of_numbers(key(path)?, &range)?, Origin::Answer);
        }
        self.settle_home();
        Ok(())
    }

    fn put_corner(&mut self, text: &str) -> Result<(), String> {
        let (word, values) = text.split_once([' ', '=']).unwrap_or((text, ""));
        let rule = RULES.iter().find(|(known, _)| known.eq_ignore_ascii_case(word));
        let Some((_, rule)) = rule else {
            return Err("begin with the rule: jerk 5,5,0.2,1 or deviation 0.02".to_owned());
        };
        self.forget("motion.corner");
        let paths: Vec<String> = match rule {
            CornerRule::JunctionDeviation => vec![rule.key().to_owned()],
            _ => AXES.map(|axis| format!("{}.{axis}", rule.key())).to_vec(),
        };
        let paths: Vec<&str> = paths.iter().map(String::as_str).collect();
        self.put_numbers(&paths, paths.len(), values)
    }

    /// What holds when a question is not answered, in the form of an answer; none where nothing does.
    pub fn unanswered(&self, question: &Question) -> Option<String> {
        let values = |paths: &[String]| -> Option<String> {
            let shown = |path: &String| Some(self.shown(path, &self.entries.get(path)?.toml));
            paths.iter().map(shown).collect::<Option<Vec<_>>>().map(|values| values.join(","))
        };
        if question.kind != Ask::Corner {
            let paths: Vec<String> = question.keys.iter().map(|path| (*path).to_owned()).collect();
            let bed_is_cold = question.keys == [BED_LIMIT] && !self.entries.contains_key(BED_LIMIT);
            return values(&paths).or(bed_is_cold.then(|| NONE.to_owned()));
        }
        RULES.iter().find_map(|(word, rule)| {
            let per_axis = AXES.map(|axis| format!("{}.{axis}", rule.key()));
            let values = values(&[rule.key().to_owned()]).or_else(|| values(&per_axis))?;
            Some(format!("{word} {values}"))
        })
    }

    /// A value as one would type it.
    fn shown(&self, path: &str, toml: &str) -> String {
        if let [low, high] = numbers_in(toml)[..] {
            let size = high - low;
            return if self.span_of(path, size) == [low, high] { size.to_string() } else { format!("{low}..{high}") };
        }
        toml.parse::<f64>().map_or_else(|_| toml.trim_matches('"').to_owned(), |number| number.to_string())
    }
}

fn key(path: &str) -> Result<&'static Key, String> {
    keys::find(&keys::template(path)).ok_or_else(|| format!("the sheet has no key `{path}`"))
}

/// The numbers of a list in TOML; none of what is no list.
pub(super) fn numbers_in(toml: &str) -> Vec<f64> {
    let inside = toml.strip_prefix('[').and_then(|rest| rest.strip_suffix(']'));
    inside.map(|inside| inside.split(',').filter_map(|part| part.trim().parse().ok()).collect()).unwrap_or_default()
}

/// The parts of a list as people write it: with commas, spaces, or as in 220x220x250.
fn parts(text: &str) -> Vec<&str> {
    match text.contains(',') {
        true => text.split(',').collect(),
        false => text.split([' ', 'x', 'X', '×']).filter(|part| !part.trim().is_empty()).collect(),
    }
}

fn numbers(text: &str, least: usize, most: usize) -> Result<Vec<f64>, String> {
    let parts = parts(text);
    if !(least..=most).contains(&parts.len()) {
        return Err(wrong_count(parts.len(), least, most));
    }
    parts.into_iter().map(number).collect()
}

fn wrong_count(found: usize, least: usize, most: usize) -> String {
    let wanted = match (least, most) {
        (1, 1) => "one number, with a point and no comma in it".to_owned(),
        _ if least == most => format!("{most} numbers with commas between them, such as {}", example(most)),
        _ => format!("{least} to {most} numbers with commas between them, such as {}", example(most)),
    };
    format!("this takes {wanted}, found {found}")
}

/// A list of so many numbers.
fn example(count: usize) -> String {
    vec!["200"; count].join(",")
}

fn number(text: &str) -> Result<f64, String> {
    let text = text.trim();
    text.parse().map_err(|_| format!("\"{}\" is no number", cut(text)))
}
