//! A machine's settings → the G-code lines that set them.

use std::collections::BTreeMap;

use super::milli::thousandfold;
use super::minutes::sixtyfold;
use super::trade::{COMMANDS, Command, To, Tools};
use super::{of, shown};
use crate::machine::Machine;
use crate::wording::wrap;

/// Comments are on lines of their own and are short: some controllers take only short lines.
const COMMENT_CHARS: usize = 60;

const CAUTION: &str = "Check every value against the maker's documents before you send it. Stay with the machine, keep the \
heaters off, and be ready to cut the power. Nothing here stores the settings: after a restart the old ones are back. Test \
first: home, then move each axis slowly by a known length and measure it.";

/// The settings of a machine as G-code lines, each with a comment above; [`super::read`] reads the same values back.
///
/// Steps are in 1/mm, speeds in mm/s but for the F words of M207 and M208 (mm/min), accelerations in mm/s², currents in mA. Limits of 1e9
/// and more mean none and are left out. Nothing is stored: no M500.
pub fn lines(machine: &Machine) -> String {
    let values: BTreeMap<String, f64> = of(machine).into_iter().collect();
    let mut text = String::new();
    comment(&format!("Settings of {}, from {}.", shown(&machine.name), shown(&machine.source)), &mut text);
    comment(CAUTION, &mut text);
    text.push_str("\n; lengths in mm\nG21\n");
    for command in COMMANDS {
        let tools = if command.tools == Tools::First || command.tools == Tools::None { 1 } else { machine.tools.len() };
        let written: Vec<String> = (0..tools).filter_map(|tool| line(command, tool, &values)).collect();
        text.push('\n');
        if written.is_empty() {
            comment(&format!("{}: nothing in the sheet ({})", command.name, command.about), &mut text);
        } else {
            comment(command.about, &mut text);
            text.extend(written.into_iter().map(|line| line + "\n"));
        }
    }
    text
}

/// One command for one tool; none without values.
fn line(command: &Command, tool: usize, values: &BTreeMap<String, f64>) -> Option<String> {
    let mut words = String::new();
    for (letter, to) in command.words {
        let (To::Key(path) | To::Feed(path) | To::Milli(path)) = to else { continue };
        let Some(value) = values.get(&path.replacen("[]", &format!("[{tool}]"), 1)) else { continue };
        // No exponents: controllers do not read them.
        let number = match to {
            To::Feed(_) => sixtyfold(*value),
            To::Milli(_) => thousandfold(*value),
            _ => value.to_string(),
        };
        words.push_str(&format!(" {}{number}", char::from(*letter)));
    }
    let tool = match command.tools {
        Tools::Named => format!(" T{tool}"),
        Tools::Each if tool > 0 => format!(" T{tool}"),
        _ => String::new(),
    };
    (!words.is_empty()).then(|| format!("{}{tool}{words}", command.name))
}

fn comment(words: &str, text: &mut String) {
    text.extend(wrap(words, COMMENT_CHARS).into_iter().map(|line| format!("; {line}\n")));
}
