//! What each command does; [`Interpreter::act`] is the table.
//!
//! Why does a T word with the number in use not stop the machine? A tool change is a change.

use super::notice::{Damage, MachineChange, Noticed};
use super::sorting::is_mode;
use super::{CommandWord, Interpreter, Mode, tool_place};
use crate::block::{ActionKind, Event, Touches, Wait};
use crate::machine::Feature;

/// Thinnest filament that M200 takes, mm: no real one comes near, and less would make lengths infinite.
pub(super) const FILAMENT_MIN_MM: f64 = 0.01;
/// Most plausible percentage of M220 and M221.
const PERCENT_LIMIT: f64 = 10_000.0;

impl Interpreter {
    /// Carries out one command with the words in `self.params`.
    pub(super) fn act(&mut self, command: CommandWord, out: &mut impl FnMut(Event)) {
        if let Some(letter) = self.params.first_unfilled() {
            let heats = sets_heat(command) && self.params.unfilled(b"SR");
            self.notice(Noticed::Placeholder { letter: Some(letter), heats });
        }
        if !takes_lists(command) {
            self.reject_lists();
        }
        if closes(command) {
            self.closing_line = self.line;
        }
        match command.letter {
            b'G' => self.act_g(command.code, out),
            b'M' => self.act_m(command.code, out),
            _ => self.select_tool(f64::from(command.code) / 10.0, out),
        }
    }

    fn act_g(&mut self, code: u32, out: &mut impl FnMut(Event)) {
        match code {
            0 | 10 => self.motion(Mode::Straight, out),
            20 => self.motion(Mode::Clockwise, out),
            30 => self.motion(Mode::CounterClockwise, out),
            // Without words it is something else (common practice, no source).
            50 if self.params.is_empty() => {}
            50 => self.motion(Mode::Cubic, out),
            260 => self.call_named("G26", b"", out),
            1610 | 1620 => self.home(out),
            40 => self.dwell(out),
            100 if self.params.names(b'L') => self.set_work_offset(),
            100 if self.params.names(b'P') => self.set_tool(out),
            100 => self.retract(out),
            110 => self.recover(out),
            280 => self.home(out),
            290 | 291 | 292 | 300 | 340 | 380..=385 | 800 => self.probe(code, out),
            // Levelling and calibration, on some controllers.
            320 | 330 | 350 => self.lose_position(Touches::Somewhere, out),
            // Park, wipe and restore-position commands: where they end is the controller's business.
            120 | 270 | 310..=350 | 610 => self.lose_position(Touches::Nothing, out),
            920 => self.set_position(),
            921 => self.g92 = [0.0; 3],
            // Cutter compensation off, feed per minute, path modes: what a printer does anyway.
            400 | 490 | 600 | 640 | 940 => {}
            _ => self.unknown_or_family(b'G', code, out),
        }
    }

    fn act_m(&mut self, code: u32, out: &mut impl FnMut(Event)) {
        match code {
            0 | 10 | 250 | 2260 | 6000 | 6010 => self.pause(code, out),
            60 | 1350 => {
                if let Some(number) = self.params.get(b'T') {
                    self.select_tool(number, out);
                }
            }
            170 => self.action(ActionKind::MotorsOn, 0.0, out),
            // Without supply no motor holds its place.
            180 | 810 | 840 => self.motors_off(out),
            920 => self.scale_steps(),
            30 | 40 if self.params.get(b'S') != Some(0.0) => {
                if self.spindle_line == 0 {
                    self.spindle_line = self.line;
                }
            }
            30 | 40 => {}
            // A file of commands that is stored in the controller.
            320 => self.call_named("M32", b"", out),
            980 => self.call_named("M98", b"", out),
            1010 => self.extruder_on = true,
            1030 => {}
            1040 => self.heat_nozzle(Wait::No, out),
            1090 => self.heat_nozzle(Wait::ToHeat, out),
            1060 => self.fan(out),
            1070 if self.params.get(b'P').unwrap_or(0.0) == 0.0 => {
                self.action(ActionKind::Fan { share: 0.0 }, 0.0, out)
            }
            1100 => self.last_number = self.params.get(b'N').or(self.last_number),
            1160 | 1330 | 1340 => self.wait_for_all(out),
            1260 => self.action(ActionKind::Fan { share: 1.0 }, 0.0, out),
            1270 => self.action(ActionKind::Fan { share: 0.0 }, 0.0, out),
            3030 => self.call_named("M303", b"", out),
            1400 => self.heat_bed(Wait::No, out),
            1900 => self.heat_bed(Wait::ToHeat, out),
            1410 => self.heat_chamber(Wait::No, out),
            1910 => self.heat_chamber(Wait::ToHeat, out),
            2000 => self.volumetric(),
            2010 | 2030 | 2040 | 2050 => self.limits(code, out),
            2070 => self.set_retraction(),
            2080 => self.set_recovery(),
            2060 => self.shift_home(),
            2180 => self.set_tool_offset(self.tool_word(), out),
            2900 => self.shift_z(out),
            3010 | 3040 => self.tune_heater(code),
            4280 => {
                self.machine_changed(MachineChange::HomeHere);
                self.known = [false; 3];
            }
            5680 => self.set_tool(out),
            // Without words they are questions.
            3500 | 5930 | 6650 | 6660 | 9060 | 9070 | 9140 if self.params.is_empty() => {}
            5930 => self.machine_changed(MachineChange::Shaping),
            6650 | 6660 => self.machine_changed(MachineChange::Geometry { code }),
            8510 if [b'X', b'Y', b'Z'].iter().any(|&letter| self.params.get(letter).is_some()) => {
                self.machine_changed(MachineChange::Probe);
            }
            8510 => {}
            3500 => self.machine_changed(MachineChange::Microsteps),
            // With a drive and a value it says which way that turns; with a drive alone it asks.
            5690 if self.params.names(b'P') && self.params.names(b'S') => {
                self.machine_changed(MachineChange::Drives { code });
            }
            5690 if self.params.names(b'S') => self.notice(Noticed::DrivesTuned { code }),
            5690 => {}
            9060 | 9070 => self.notice(Noticed::DrivesTuned { code }),
            // Without an axis it asks, or says what a display shows.
            5840 if b"XYZE".iter().any(|&letter| self.params.names(letter)) => {
                self.machine_changed(MachineChange::Drives { code });
            }
            5840 => {}
            1120 => self.machine_changed(MachineChange::Stopped),
            9140 => self.machine_changed(MachineChange::StallLoad),
            2200 | 2210 => self.overrides(code),
            2110 if self.params.get(b'S') == Some(0.0) => {
                self.notice(Noticed::TravelGuardOff);
            }
            3020 => self.cold_guard(),
            4000 => {
                let seconds = self.seconds().unwrap_or(0.0);
                self.action(ActionKind::Finish, seconds, out);
            }
            // M503 only lists them.
            5000 | 5010 | 5020 | 5040 => self.notice(Noticed::SettingsStored { code }),
            5720 | 9000 => self.lead_command(code, out),
            _ if is_harmless(code) => {}
            _ => self.unknown_or_family(b'M', code, out),
        }
    }

    /// Decimals of a command that is known fall to its family.
    fn unknown_or_family(&mut self, letter: u8, code: u32, out: &mut impl FnMut(Event)) {
        let family = code / 10 * 10;
        if family == code || !is_known_itself(letter, family) || is_mode(letter, family) {
            return self.unknown(letter, code);
        }
        if letter == b'G' { self.act_g(family, out) } else { self.act_m(family, out) }
    }

    pub(super) fn action(&self, kind: ActionKind, duration_s: f64, out: &mut impl FnMut(Event)) {
        out(Event::Action { line: self.line, duration_s, kind });
    }

    /// Seconds by S (s), else by P in the controller's unit; S wins.
    pub(super) fn seconds(&mut self) -> Option<f64> {
        let seconds = match (self.params.get(b'S'), self.params.get(b'P')) {
            (Some(s), _) => s,
            (None, Some(p)) => p * self.dialect.dwell_p_s,
            (None, None) => return None,
        };
        if seconds < 0.0 {
            self.damage(Damage::NegativeTime { seconds });
        }
        Some(seconds.max(0.0))
    }

    fn dwell(&mut self, out: &mut impl FnMut(Event)) {
        let seconds = self.seconds().unwrap_or(0.0);
        self.reject_rest(b"");
        self.action(ActionKind::Dwell, seconds, out);
    }

    fn pause(&mut self, code: u32, out: &mut impl FnMut(Event)) {
        if code == 6000 {
            self.needs(Feature::FilamentChange);
        }
        self.forget_owed();
        let timed = if code <= 10 { self.seconds() } else { None }.filter(|&s| s > 0.0);
        self.action(ActionKind::Pause { open_ended: timed.is_none() }, timed.unwrap_or(0.0), out);
    }

    fn fan(&mut self, out: &mut impl FnMut(Event)) {
        if self.params.get(b'P').is_none() || self.params.all(b'P').any(|fan| fan == 0.0) {
            let share = (self.params.get(b'S').unwrap_or(255.0) / 255.0).clamp(0.0, 1.0);
            self.action(ActionKind::Fan { share }, 0.0, out);
        }
    }

    /// All motors at once, the named ones, or (with S) after a time of idling, which is harmless.
    fn motors_off(&mut self, out: &mut impl FnMut(Event)) {
        let named = [b'X', b'Y', b'Z', b'E'].map(|letter| self.params.names(letter));
        let axes = if named == [false; 4] { [true; 4] } else { named };
        let timeout = self.params.get(b'S').is_some_and(|s| s > 0.0);
        if !timeout {
            (0..3).for_each(|axis| self.homed[axis] &= !axes[axis]);
            self.action(ActionKind::MotorsOff { axes }, 0.0, out);
        }
    }

    fn overrides(&mut self, code: u32) {
        let Some(percent) = self.params.get(b'S') else { return };
        if !(percent > 0.0 && percent <= PERCENT_LIMIT) {
            return self.damage(Damage::NoOverride { percent });
        }
        if code == 2200 {
            self.speed_factor = percent / 100.0;
        } else {
            let tool = self.tool_word();
            self.states[tool_place(tool)].flow_factor = percent / 100.0;
        }
    }

    fn cold_guard(&mut self) {
        let off = match (self.params.get(b'S'), self.params.get(b'P')) {
            (Some(s), _) => s <= 0.0,
            (None, Some(p)) => p != 0.0,
            (None, None) => self.params.is_empty(),
        };
        if off {
            self.notice(Noticed::ColdGuardOff);
        }
    }
}

/// A tool number, when it is one.
pub(super) fn whole_number(value: f64) -> Option<u32> {
    let is_one = (0.0..1e6).contains(&value) && (value - value.round()).abs() <= 1e-4;
    is_one.then(|| value.round() as u32)
}

/// Commands that set a temperature by S or R.
fn sets_heat(command: CommandWord) -> bool {
    match command.letter {
        b'M' => matches!(command.code, 1040 | 1090 | 1400 | 1900 | 1410 | 1910 | 5680),
        _ => command.letter == b'G' && command.code == 100,
    }
}

/// Commands about drives, fans or heaters, of which one may name several, with colons; in tenths. Those that are not known
/// here may too, and what changes nothing.
fn takes_lists(command: CommandWord) -> bool {
    const LISTS: [u32; 16] =
        [170, 180, 840, 920, 1060, 1070, 1160, 2010, 2030, 2050, 3500, 5680, 5690, 5720, 5840, 9060];
    match command.letter {
        b'M' => LISTS.contains(&command.code) || is_harmless(command.code) || !is_known(b'M', command.code),
        b'G' => command.code == 100 || !is_known(b'G', command.code),
        _ => false,
    }
}

/// M commands that end a job, or that only its start and its end have: heaters, motors, fans, pauses, stops. In tenths.
const CLOSING_M: [u32; 22] = [
    0, 10, 20, 180, 250, 300, 320, 770, 800, 810, 840, 1040, 1060, 1070, 1090, 1120, 1400, 1410, 1900, 1910, 2260, 4000,
];

/// The same, with homing, parking and targets of tools.
fn closes(command: CommandWord) -> bool {
    match command.letter {
        b'G' => matches!(command.code, 100 | 270 | 280 | 610),
        b'M' => CLOSING_M.contains(&command.code) || matches!(command.code, 5680 | 6000 | 6010),
        _ => false,
    }
}

/// G commands that are carried out here, in tenths; ranges are at the place.
const ACTING_G: [u32; 39] = [
    0, 10, 20, 30, 40, 50, 100, 110, 120, 170, 180, 190, 200, 210, 260, 270, 280, 290, 291, 292, 300, 400, 490, 530,
    540, 550, 560, 570, 580, 590, 600, 610, 640, 800, 900, 910, 920, 921, 940,
];
/// M commands that are carried out here, in tenths.
const ACTING_M: [u32; 57] = [
    0, 10, 30, 40, 60, 170, 180, 250, 810, 820, 830, 840, 920, 980, 1010, 1030, 1040, 1060, 1070, 1090, 1100, 1160,
    1260, 1270, 1330, 1340, 1350, 1400, 1410, 1900, 1910, 2000, 2010, 2030, 2040, 2050, 2060, 2070, 2080, 2110, 2180,
    2200, 2210, 2260, 2900, 3010, 3020, 3030, 3040, 4000, 4280, 5000, 5010, 5020, 5040, 5680, 5930,
];

/// Commands that are carried out here, or are known to change nothing which is modelled.
pub(super) fn is_known(letter: u8, code: u32) -> bool {
    let family = code / 10 * 10;
    is_known_itself(letter, code) || family != code && is_known_itself(letter, family) && !is_mode(letter, family)
}

fn is_known_itself(letter: u8, code: u32) -> bool {
    match letter {
        b'G' => ACTING_G.contains(&code) || matches!(code, 310..=350 | 380..=385 | 1610 | 1620),
        b'M' => {
            ACTING_M.contains(&code)
                || matches!(
                    code,
                    320 | 1120
                        | 3500
                        | 5690
                        | 5720
                        | 5840
                        | 6000
                        | 6010
                        | 6650
                        | 6660
                        | 8510
                        | 9000
                        | 9060
                        | 9070
                        | 9140
                )
                || is_harmless(code)
        }
        _ => true,
    }
}

/// Commands that change nothing which is modelled: reports, lights, sounds, servos, drivers, names, power, files
/// (common practice, no source).
pub(super) fn is_harmless(code_times_ten: u32) -> bool {
    let code = code_times_ten / 10;
    code_times_ten.is_multiple_of(10)
        && matches!(code, 2 | 5 | 7 | 8 | 9 | 16 | 20..=24 | 26..=31 | 33 | 35..=38 | 42 | 43 | 48 | 70 | 72 | 73 | 75..=78
            | 80 | 85 | 105 | 107 | 108 | 111 | 113..=115 | 117..=122 | 145 | 150 | 151 | 154 | 155 | 201..=205 | 207 | 208 | 211 | 217
            | 250 | 280 | 291 | 292 | 300 | 355 | 376 | 400..=425 | 430 | 450 | 486 | 503 | 592
            | 845 | 862 | 908 | 911..=913 | 915..=919 | 928)
}

/// Commands that move, heat or switch something, or go on with another file: what it matters for whether they are carried out.
/// Codes are ten times the number.
pub(super) fn does_something(letter: u8, code_times_ten: u32) -> bool {
    match letter {
        b'G' => !super::sorting::is_mode(b'G', code_times_ten) && !matches!(code_times_ten, 40 | 600 | 610 | 920..=929),
        b'M' => matches!(
            code_times_ten / 10,
            3..=6
                | 17
                | 18
                | 23
                | 24
                | 32
                | 42
                | 80
                | 81
                | 84
                | 104
                | 106
                | 107
                | 109
                | 116
                | 140
                | 141
                | 190
                | 191
                | 280
                | 303
                | 306
                | 600
                | 701
                | 702
                | 710
        ),
        _ => true,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::Machine;

    #[test]
    fn what_is_known_is_what_is_carried_out() {
        for letter in [b'G', b'M'] {
            for code in 0..=10_000 {
                let command = CommandWord { letter, code, at: 0 };
                let mut fresh = Interpreter::new(&Machine::built_in());
                if !fresh.set_mode(command) {
                    fresh.act(command, &mut |_| {});
                }
                let known = fresh.unknown_commands().names.is_empty();
                assert_eq!(is_known(letter, code), known, "{}{code}", char::from(letter));
            }
        }
    }
}
