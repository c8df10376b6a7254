//! The words of a line sorted into commands and their parameters.

use super::commands::is_known;
use super::notice::{Damage, NotRun, Noticed};
use super::{Event, Feature, Interpreter};
use crate::machine::ExtrusionMode;
use crate::text::{LISTED, Word};

/// A G, M or T word and where it stands on its line.
#[derive(Debug, Clone, Copy)]
pub(super) struct CommandWord {
    pub(super) letter: u8,
    /// Ten times the code, so that G92.1 is 921.
    pub(super) code: u32,
    pub(super) at: usize,
}

/// Most commands on one line.
const COMMANDS_PER_LINE: usize = 16;
/// Word values beyond this are damage, not data.
const WORD_LIMIT: f64 = 1e12;

impl Interpreter {
    /// Sorts the words into commands and their parameters and carries the commands out, modes first.
    pub(super) fn words(&mut self, words: &[Word], out: &mut impl FnMut(Event)) {
        let (commands, count) = self.find_commands(words);
        let commands = &commands[..count];
        self.machine_frame = false;
        let mut acting: [Option<CommandWord>; COMMANDS_PER_LINE] = [None; COMMANDS_PER_LINE];
        let mut acting_count = 0;
        for (i, &command) in commands.iter().enumerate() {
            if count > 1 && !self.stands_beside(i, words, commands) {
                continue;
            }
            if !self.set_mode(command) {
                acting[acting_count] = Some(command);
                acting_count += 1;
            }
        }
        self.count_commands(count as u32);
        if count > 1 {
            self.judge_groups(commands);
        }
        match acting_count {
            0 => {
                self.collect(words, commands, 0..words.len());
                self.repeat_mode(count == 0, out);
            }
            1 => {
                self.collect(words, commands, 0..words.len());
                if let Some(command) = acting[0] {
                    self.act(command, out);
                }
            }
            _ => {
                // Words belong to the acting command before them, those in front to the first.
                for (i, command) in acting.into_iter().flatten().enumerate() {
                    let start = if i == 0 { 0 } else { command.at + 1 };
                    let end = acting[i + 1..].iter().flatten().next().map_or(words.len(), |next| next.at);
                    self.collect(words, commands, start..end);
                    self.act(command, out);
                }
            }
        }
    }

    /// Whether the command of that place among several is carried out. Many controllers carry out the first of a line alone
    /// and take all else for its words (common practice, no source).
    fn stands_beside(&mut self, place: usize, words: &[Word], commands: &[CommandWord]) -> bool {
        let CommandWord { letter, code, at } = commands[place];
        let acts = |command: &CommandWord| !is_mode(command.letter, command.code);
        let carried_out = place == 0 || !self.dialect.first_command_only;
        // Where the first alone counts, G53 and its move never come together, and apart from it G53 does nothing.
        if !carried_out && let Some(other) = across_frame(&commands[0], &commands[place]) {
            self.notice(Noticed::FrameWithoutMove { letter: other.letter, code: other.code });
            return false;
        }
        if is_mode(letter, code) {
            if commands.iter().any(acts) && !is_frame(letter, code) {
                self.notice(Noticed::ModeBeside { letter, code, carried_out });
            }
            return carried_out;
        }
        // Behind modes, which take no words, it is the first that acts.
        let is_first = !commands[..place].iter().any(acts);
        if is_first && carried_out {
            return true;
        }
        if letter == b'T' || !is_known(letter, code) {
            return false;
        }
        let next = commands.get(place + 1).map_or(words.len(), |next| next.at);
        let what = match next > at + 1 || !carried_out {
            true => Noticed::SecondCommand { letter, code, carried_out },
            false => Noticed::ModeBeside { letter, code, carried_out },
        };
        self.notice(what);
        carried_out
    }

    /// The command words of a line. T belongs to a command before it on the line, else it is a command.
    fn find_commands(&mut self, words: &[Word]) -> ([CommandWord; COMMANDS_PER_LINE], usize) {
        let mut commands = [CommandWord { letter: 0, code: 0, at: 0 }; COMMANDS_PER_LINE];
        let mut count = 0;
        let mut after_command = false;
        for (at, word) in words.iter().enumerate() {
            let is_command = matches!(word.letter, b'G' | b'M') || word.letter == b'T' && !after_command;
            if !is_command {
                continue;
            }
            after_command = true;
            if word.value.is_some_and(f64::is_nan) {
                self.notice(Noticed::Placeholder { letter: Some(word.letter), heats: false });
                continue;
            }
            if word.letter == b'T' && word.value == Some(-1.0) {
                // The tool is put away (common practice, no source).
                continue;
            }
            let Some(code) = word.value.and_then(command_code) else {
                self.damage(Damage::NoUsableNumber { letter: word.letter });
                continue;
            };
            if count == COMMANDS_PER_LINE {
                self.damage(Damage::TooManyCommands { most: COMMANDS_PER_LINE });
                break;
            }
            commands[count] = CommandWord { letter: word.letter, code, at };
            count += 1;
        }
        (commands, count)
    }

    /// Two words of one modal group on a line are an error (NIST RS274/NGC 3.4). A second motion command is noticed as a
    /// second command already.
    fn judge_groups(&mut self, commands: &[CommandWord]) {
        let group = |command: &CommandWord| match (command.letter, command.code) {
            (b'G', 900 | 910) => 1,
            (b'G', 200 | 210) => 2,
            (b'G', 170 | 180 | 190) => 3,
            _ => 0,
        };
        let mut seen = [false; 4];
        for command in commands {
            let group = group(command);
            if group > 0 && std::mem::replace(&mut seen[group], true) {
                return self.damage(Damage::Exclusive);
            }
        }
    }

    /// Takes the parameter words in `range` into `self.params`.
    fn collect(&mut self, words: &[Word], commands: &[CommandWord], range: std::ops::Range<usize>) {
        self.params.clear();
        let mut listed = 0;
        for at in range {
            let word = words[at];
            if word.letter == LISTED {
                let value = word.value.filter(|value| value.abs() <= WORD_LIMIT);
                value.into_iter().for_each(|value| self.params.put_further(listed, value));
                continue;
            }
            listed = word.letter;
            if matches!(word.letter, b'G' | b'M') || word.letter == b'T' && commands.iter().any(|c| c.at == at) {
                continue;
            }
            match word.value {
                Some(value) if value.is_nan() => self.params.put_unfilled(word.letter),
                Some(value) if value.abs() > WORD_LIMIT => self.damage(Damage::Beyond { letter: word.letter, value }),
                _ if self.params.put(word.letter, word.value) => {}
                _ => self.damage(Damage::Twice { letter: word.letter }),
            }
        }
    }

    /// Modes that take no parameters. Returns false for every other command.
    pub(super) fn set_mode(&mut self, command: CommandWord) -> bool {
        let latest = self.dialect.extrusion_mode == ExtrusionMode::LatestWord;
        match (command.letter, command.code) {
            (b'G', 170) => self.plane = [0, 1, 2],
            (b'G', 180) => self.plane = [2, 0, 1],
            (b'G', 190) => self.plane = [1, 2, 0],
            (b'G', 200) => {
                self.needs(Feature::Inches);
                self.inches = true;
            }
            (b'G', 210) => self.inches = false,
            (b'G', 530) => self.machine_frame = true,
            (b'G', 540 | 550 | 560 | 570 | 580 | 590) => self.work_in_use = (command.code / 10 - 54) as usize,
            (b'G', 900) => {
                self.absolute = true;
                self.e_absolute |= latest;
            }
            (b'G', 910) => {
                self.absolute = false;
                self.e_absolute &= !latest;
            }
            (b'M', 820) => self.e_absolute = true,
            (b'M', 830) => self.e_absolute = false,
            _ => return false,
        }
        true
    }
}

/// The first G or M command of a line.
pub(super) fn first_code(words: &[Word]) -> Option<(u8, u32)> {
    let first = words.iter().find(|word| matches!(word.letter, b'G' | b'M'))?;
    Some((first.letter, command_code(first.value?)?))
}

/// The end of the program among the words of a line that begins with a G command.
pub(super) fn end_of_program(words: &[Word]) -> Option<NotRun> {
    let mut codes = words.iter().filter(|word| word.letter == b'M').filter_map(|word| command_code(word.value?));
    codes.find(|code| matches!(code, 20 | 300)).map(|code| NotRun::BehindEnd { code })
}

/// The same, where it is none that is known here.
pub(super) fn unknown_command(words: &[Word]) -> Option<(u8, u32)> {
    first_code(words).filter(|&(letter, code)| !is_known(letter, code))
}

/// Commands that set a mode and take no words.
pub(super) fn is_mode(letter: u8, code: u32) -> bool {
    match letter {
        b'G' => matches!(code, 170 | 180 | 190 | 200 | 210 | 900 | 910) || is_frame(letter, code),
        _ => letter == b'M' && matches!(code, 820 | 830),
    }
}

/// Commands that choose a frame, which belong on the line of a move (NIST RS274/NGC 3.5.12).
fn is_frame(letter: u8, code: u32) -> bool {
    letter == b'G' && matches!(code, 530 | 540 | 550 | 560 | 570 | 580 | 590)
}

/// Of the first command of a line and a later one the move, where the other is G53 (NIST RS274/NGC 3.5.12).
fn across_frame<'a>(first: &'a CommandWord, later: &'a CommandWord) -> Option<&'a CommandWord> {
    let is_move = |command: &CommandWord| command.letter == b'G' && matches!(command.code, 0 | 10 | 20 | 30 | 50);
    let is_own_frame = |command: &CommandWord| command.letter == b'G' && command.code == 530;
    match (is_own_frame(first), is_own_frame(later)) {
        (true, false) if is_move(later) => Some(later),
        (false, true) if is_move(first) => Some(first),
        _ => None,
    }
}

/// Ten times a command's number, when it is one: G92.1 is 921.
pub(super) fn command_code(value: f64) -> Option<u32> {
    let scaled = value * 10.0;
    if !(-0.001..1e6).contains(&scaled) {
        return None;
    }
    let code = (scaled + 0.5) as u32;
    ((scaled - f64::from(code)).abs() < 1e-3).then_some(code)
}
