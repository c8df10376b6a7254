//! Lines that call a macro of the controller by its name: carried out as the sheet describes it, else not followed.

use super::Interpreter;
use super::notice::{Damage, Noticed};
use crate::block::{ActionKind, Event, Heater, LimitChange, TOOLS_KEPT, Wait};
use crate::machine::Macro;

/// Names that are told apart; calls of more are counted together.
const NAMES_KEPT: usize = 32;
/// Longest name that is kept, bytes.
const NAME_MAX: usize = 40;

/// How often something was called by a name, and where first.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Called {
    /// The name.
    pub name: String,
    /// How often.
    pub count: u64,
    /// Line of the first.
    pub line: u64,
    /// Where the machine is there, mm, machine coordinates.
    pub place_mm: [f64; 3],
}

/// Names in the order of their first lines, a bounded number of them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Calls {
    /// The names.
    pub names: Vec<Called>,
    /// Calls of names that did not fit.
    pub others: u64,
}

impl Calls {
    pub(super) fn take(&mut self, name: &str, line: u64, place_mm: [f64; 3]) {
        if let Some(known) = self.names.iter_mut().find(|known| known.name == name) {
            known.count += 1;
        } else if self.names.len() < NAMES_KEPT {
            self.names.push(Called { name: name.to_owned(), count: 1, line, place_mm });
        } else {
            self.others += 1;
        }
    }

    /// The names with how often and where, for a message.
    pub fn list(&self) -> String {
        const LISTED: usize = 6;
        let one = |called: &Called| match called.count {
            1 => format!("{} (line {})", called.name, called.line),
            count => format!("{} ({count} times, first on line {})", called.name, called.line),
        };
        let mut listed: Vec<String> = self.names.iter().take(LISTED).map(one).collect();
        let more = self.names.len().saturating_sub(LISTED);
        if more > 0 || self.others > 0 {
            listed.push(format!("{}{more} more", if self.others > 0 { "at least " } else { "" }));
        }
        listed.join(", ")
    }
}

/// The name at the start of a line.
fn name_of(line: &[u8]) -> String {
    let is_name = |b: &u8| b.is_ascii_alphanumeric() || *b == b'_';
    line.iter().copied().take_while(is_name).take(NAME_MAX).map(char::from).collect()
}

/// What an argument of a macro gives.
enum Argument {
    Number(f64),
    /// A placeholder that nobody has filled in.
    Unfilled,
    /// It is missing, or no number.
    None,
}

/// The number behind `argument=` or, for a letter, right behind it.
fn argument(line: &[u8], argument: &str) -> Argument {
    let text = String::from_utf8_lossy(line);
    let words = text.split(';').next().unwrap_or_default().split_ascii_whitespace().skip(1);
    let behind = |word: &str| {
        let start = word.get(..argument.len()).filter(|start| start.eq_ignore_ascii_case(argument))?;
        let rest = &word[start.len()..];
        Some(rest.strip_prefix('=').unwrap_or(rest).to_owned())
    };
    let Some(value) = words.into_iter().find_map(behind) else { return Argument::None };
    if value.starts_with(['[', '{', '%']) {
        return Argument::Unfilled;
    }
    match value.parse::<f64>() {
        Ok(number) if number.is_finite() && number.abs() < 1e6 => Argument::Number(number),
        _ => Argument::None,
    }
}

impl Interpreter {
    /// Macros that were called and are not described.
    pub fn macros_called(&self) -> &Calls {
        &self.macros_called
    }

    /// Commands that are not known here.
    pub fn unknown_commands(&self) -> &Calls {
        &self.unknown_commands
    }

    /// Carries out what begins with a name.
    pub(super) fn call(&mut self, line: &[u8], out: &mut impl FnMut(Event)) {
        self.call_named(&name_of(line), line, out);
    }

    /// Carries out what is called by that name, on that line.
    pub(super) fn call_named(&mut self, name: &str, line: &[u8], out: &mut impl FnMut(Event)) {
        self.closing_line = self.line;
        self.last_was_motion = false;
        self.forget_owed();
        let known = self.dialect.macros.iter().find(|known| known.name.eq_ignore_ascii_case(name)).cloned();
        match known {
            Some(known) => self.carry_out_macro(&known, line, out),
            None => self.lose_sight(name, out),
        }
    }

    /// Something is called that may home, heat, move and wait: none of that is known from here on.
    fn lose_sight(&mut self, name: &str, out: &mut impl FnMut(Event)) {
        self.macros_called.take(name, self.line, self.position);
        self.known = [false; 3];
        self.heat_on_for_good = false;
        self.action(ActionKind::Unfollowed, 0.0, out);
    }

    fn carry_out_macro(&mut self, known: &Macro, line: &[u8], out: &mut impl FnMut(Event)) {
        if known.harmless {
            return;
        }
        if known.homes {
            self.params.clear();
            self.home(out);
        }
        let heaters = [Heater::Nozzle(self.tool), Heater::Bed, Heater::Chamber];
        for (heater, name) in heaters.into_iter().zip(&known.heats) {
            let Some(name) = name else { continue };
            match argument(line, name) {
                Argument::Number(target_c) if target_c.abs() < 1e4 => {
                    match heater {
                        Heater::Nozzle(tool) => self.set_nozzle(tool, target_c, Wait::ToHeat, out),
                        _ => self.set_heater(heater, target_c, Wait::ToHeat, out),
                    }
                    continue;
                }
                Argument::Unfilled => self.notice(Noticed::Placeholder { letter: None, heats: true }),
                Argument::Number(_) | Argument::None => self.damage(Damage::NoTemperature),
            }
            self.action(ActionKind::HeatUnknown { heater }, 0.0, out);
        }
        self.change_motion(known, line, out);
        if let Some(place) = known.leaves_at_mm {
            (self.position, self.known, self.lift) = (place, [true; 3], 0.0);
            // Not homed: it is there, by the sheet.
            self.action(ActionKind::Home { axes: [false; 3], position: place }, 0.0, out);
        }
        if known.takes_s > 0.0 {
            self.action(ActionKind::Dwell, known.takes_s, out);
        }
        if known.ends {
            let nozzles = (0..TOOLS_KEPT as u32).map(Heater::Nozzle);
            for heater in nozzles.chain([Heater::Bed, Heater::Chamber]) {
                if *self.target_of(heater) > 0.0 {
                    self.set_heater(heater, 0.0, Wait::No, out);
                }
            }
            self.action(ActionKind::MotorsOff { axes: [true; 4] }, 0.0, out);
        }
    }

    /// Limits of motion that its arguments set; an argument that is not there changes nothing.
    fn change_motion(&mut self, known: &Macro, line: &[u8], out: &mut impl FnMut(Event)) {
        let mut value = |name: &Option<String>| match name.as_ref().map(|name| argument(line, name)) {
            Some(Argument::Number(value)) if value >= 0.0 => Some(value),
            Some(Argument::Unfilled) => {
                self.notice(Noticed::Placeholder { letter: None, heats: false });
                None
            }
            _ => None,
        };
        let lead = value(&known.lead_argument);
        let mut limit = |name: &Option<String>| value(name).filter(|value| *value > 0.0);
        let acceleration = limit(&known.acceleration_argument);
        let jerk = limit(&known.jerk_argument);
        let change = LimitChange {
            printing_mm_s2: acceleration,
            travel_mm_s2: acceleration,
            jerk_mm_s: [jerk, jerk, None, None],
            right_angle_mm_s: limit(&known.right_angle_argument),
            ..LimitChange::default()
        };
        if change != LimitChange::default() && self.dialect.obeys_limits_in_job {
            self.limits_set.take(&change, self.line);
            out(Event::Limits(change));
        }
        if let Some(lead_s) = lead.filter(|_| self.follows_leads()) {
            self.set_lead(b'K', self.tool, lead_s, out);
        }
    }

    /// A command that is not known here: none of its words is judged. A G command may have moved the machine.
    pub(super) fn unknown(&mut self, letter: u8, code: u32) {
        let (number, part) = (code / 10, code % 10);
        let point = if part > 0 { format!(".{part}") } else { String::new() };
        self.unknown_commands.take(&format!("{}{number}{point}", char::from(letter)), self.line, self.position);
        if letter == b'G' {
            self.known = [false; 3];
        }
    }
}
