//! What each command does; [`Interpreter::act`] is the table.

use super::{AXES, Command, Interpreter, Mode, tool_place};
use crate::block::{ActionKind, Event, Heater, LimitChange, TOOLS_KEPT, Wait};
use crate::findings::{Log, Severity};
use crate::machine::Feature;

/// Thinnest filament that M200 takes, mm: no real one comes near, and less would make lengths infinite.
const FILAMENT_MIN_MM: f64 = 0.01;
/// Most plausible percentage of M220 and M221.
const PERCENT_LIMIT: f64 = 10_000.0;

impl Interpreter {
    /// Carries out one command with the words in `self.params`.
    pub(super) fn act(&mut self, command: Command, log: &mut Log, out: &mut impl FnMut(Event)) {
        match command.letter {
            b'G' => self.act_g(command.code, log, out),
            b'M' => self.act_m(command.code, log, out),
            _ => self.select_tool(f64::from(command.code) / 10.0, log, out),
        }
    }

    fn act_g(&mut self, code: u32, log: &mut Log, out: &mut impl FnMut(Event)) {
        match code {
            0 | 10 => self.motion(Mode::Straight, log, out),
            20 => self.motion(Mode::Clockwise, log, out),
            30 => self.motion(Mode::CounterClockwise, log, out),
            50 => self.motion(Mode::Cubic, log, out),
            40 => self.dwell(log, out),
            100 if self.params.names(b'P') || self.params.names(b'L') => self.set_work_offset(),
            100 => self.retract(log, out),
            110 => self.recover(log, out),
            280 => self.home(out),
            290 | 291 | 292 | 300 | 380..=385 | 800 => {
                self.needs(Feature::Probing, log);
                self.lose_position(out);
            }
            // Park, wipe and restore-position commands: where they end is the controller's business.
            120 | 270 | 310..=350 | 610 => self.lose_position(out),
            920 => self.set_position(log),
            921 => self.g92 = [0.0; 3],
            // Cutter compensation off, feed per minute, path modes: what a printer does anyway.
            400 | 490 | 600 | 640 | 940 => {}
            _ => self.unknown(b'G', code, log),
        }
    }

    fn act_m(&mut self, code: u32, log: &mut Log, out: &mut impl FnMut(Event)) {
        match code {
            0 | 10 | 250 | 2260 | 6000 => self.pause(code, log, out),
            60 => {
                if let Some(number) = self.params.get(b'T') {
                    self.select_tool(number, log, out);
                }
            }
            170 => self.action(ActionKind::MotorsOn, 0.0, out),
            180 | 840 => self.motors_off(out),
            920 | 9060 | 9070 => self.note_change(code, log),
            1040 => self.heat_nozzle(Wait::No, log, out),
            1090 => self.heat_nozzle(Wait::ToHeat, log, out),
            1060 => self.fan(out),
            1070 if self.params.get(b'P').unwrap_or(0.0) == 0.0 => {
                self.action(ActionKind::Fan { share: 0.0 }, 0.0, out)
            }
            1100 => self.last_number = self.params.get(b'N').or(self.last_number),
            1400 => self.heat_bed(Wait::No, log, out),
            1900 => self.heat_bed(Wait::ToHeat, log, out),
            1410 => self.heat_chamber(Wait::No, log, out),
            1910 => self.heat_chamber(Wait::ToHeat, log, out),
            2000 => self.volumetric(log),
            2010 | 2030 | 2040 | 2050 => self.limits(code, log, out),
            2070 => self.set_retraction(),
            2080 => self.set_recovery(),
            2180 => self.set_tool_offset(),
            2200 | 2210 => self.overrides(code, log),
            2110 if self.params.get(b'S') == Some(0.0) => {
                self.raise(log, &crate::checks::guard_disabled::CHECK, Severity::Hold, 0, || {
                    "M211 S0 switches the travel guard of the controller off".to_owned()
                });
            }
            3020 => self.cold_guard(log),
            4000 => self.action(ActionKind::Finish, 0.0, out),
            // M503 only lists them.
            5000 | 5010 | 5020 | 5040 => {
                self.raise(log, &crate::checks::settings_stored::CHECK, Severity::Hold, u64::from(code), || {
                    let does = match code {
                        5000 => "stores",
                        5010 => "loads",
                        5020 => "resets",
                        _ => "checks",
                    };
                    format!("M{} {does} the controller's settings from inside a job", code / 10)
                })
            }
            _ if is_harmless(code) => {}
            _ => self.unknown(b'M', code, log),
        }
    }

    fn unknown(&mut self, letter: u8, code: u32, log: &mut Log) {
        let kind = (u64::from(letter) << 32) + u64::from(code);
        self.raise(log, &crate::checks::unknown_command::CHECK, Severity::Note, kind, || {
            let (number, part) = (code / 10, code % 10);
            let point = if part > 0 { format!(".{part}") } else { String::new() };
            format!("{}{number}{point} is not known here: it was not carried out", char::from(letter))
        });
    }

    fn action(&self, kind: ActionKind, duration_s: f64, out: &mut impl FnMut(Event)) {
        out(Event::Action { line: self.line, duration_s, kind });
    }

    /// Seconds by S (s), else by P in the controller's unit; S wins.
    fn seconds(&self, log: &mut Log) -> Option<f64> {
        let seconds = match (self.params.get(b'S'), self.params.get(b'P')) {
            (Some(s), _) => s,
            (None, Some(p)) => p * self.dialect.dwell_p_s,
            (None, None) => return None,
        };
        if seconds < 0.0 {
            self.malformed(log, || format!("a time of {seconds} s: taken as 0"));
        }
        Some(seconds.max(0.0))
    }

    fn dwell(&mut self, log: &mut Log, out: &mut impl FnMut(Event)) {
        let seconds = self.seconds(log).unwrap_or(0.0);
        self.reject_rest(b"", log);
        self.action(ActionKind::Dwell, seconds, out);
    }

    fn pause(&mut self, code: u32, log: &mut Log, out: &mut impl FnMut(Event)) {
        if code == 6000 {
            self.needs(Feature::FilamentChange, log);
        }
        let timed = if code <= 10 { self.seconds(log) } else { None }.filter(|&s| s > 0.0);
        self.action(ActionKind::Pause { open_ended: timed.is_none() }, timed.unwrap_or(0.0), out);
    }

    fn home(&mut self, out: &mut impl FnMut(Event)) {
        let mut axes = AXES.map(|letter| self.params.names(letter));
        if axes == [false; 3] {
            axes = [true; 3];
        }
        for (axis, &homed) in axes.iter().enumerate() {
            if homed {
                self.position[axis] = self.dialect.home[axis];
                self.known[axis] = true;
                self.g92[axis] = 0.0;
            }
        }
        if axes[2] {
            // The lift of a retraction is part of the position that homing replaces.
            self.lift = 0.0;
            self.states.iter_mut().filter_map(|state| state.retracted.as_mut()).for_each(|(_, lift)| *lift = 0.0);
        }
        self.action(ActionKind::Home { axes, position: self.position }, self.dialect.homing_s, out);
    }

    /// Probing and the like: planning goes on from the last known position, findings wait for absolute words.
    fn lose_position(&mut self, out: &mut impl FnMut(Event)) {
        self.known = [false; 3];
        self.action(ActionKind::Probe, self.dialect.probing_s, out);
    }

    /// G92 moves the job's frame; without axis words all logical coordinates become 0.
    fn set_position(&mut self, log: &mut Log) {
        self.reject_rest(b"", log);
        let unit = self.unit_mm();
        let all = !b"XYZE".iter().any(|&letter| self.params.names(letter));
        for (axis, letter) in AXES.into_iter().enumerate() {
            if let Some(value) = self.params.get(letter).or(all.then_some(0.0)) {
                self.g92[axis] = 0.0;
                self.g92[axis] = self.position[axis] - self.offset(axis) - value * unit;
            }
        }
        if let Some(value) = self.params.get(b'E').or(all.then_some(0.0)) {
            self.e = value * unit;
        }
    }

    /// `G10 L2 Pn` sets the offsets of a work frame, `L20` so that the present position gets the given values;
    /// other settings forms of G10 change nothing that is modelled.
    fn set_work_offset(&mut self) {
        let form = self.params.get(b'L');
        let frame = self.params.get(b'P').unwrap_or(0.0);
        let frames = self.work.len() as f64;
        if !(0.0..=frames).contains(&frame) || frame.fract() != 0.0 || !matches!(form, Some(2.0 | 20.0)) {
            return;
        }
        let frame = if frame == 0.0 { self.work_in_use } else { frame as usize - 1 };
        let unit = self.unit_mm();
        for (axis, letter) in AXES.into_iter().enumerate() {
            let Some(value) = self.params.get(letter) else { continue };
            self.work[frame][axis] =
                if form == Some(2.0) { value * unit } else { self.position[axis] - self.g92[axis] - value * unit };
        }
    }

    fn set_retraction(&mut self) {
        let unit = self.unit_mm();
        let mm = |value: f64| value.abs() * unit;
        self.retraction.length_mm = self.params.get(b'S').map(mm).or(self.retraction.length_mm);
        self.retraction.lift_mm = self.params.get(b'Z').map(mm).or(self.retraction.lift_mm);
        self.retraction.feed_mm_s = self.feed_word().or(self.retraction.feed_mm_s);
    }

    fn set_recovery(&mut self) {
        let unit = self.unit_mm();
        self.retraction.extra_mm = self.params.get(b'S').map(|s| s * unit).or(self.retraction.extra_mm);
        self.retraction.recover_feed_mm_s = self.feed_word().or(self.retraction.recover_feed_mm_s);
    }

    fn feed_word(&self) -> Option<f64> {
        self.params.get(b'F').filter(|&feed| feed > 0.0).map(|feed| feed * self.unit_mm() / 60.0)
    }

    /// The retraction in force for the tool in use: the job's words before the sheet's.
    fn retraction_now(&self) -> (Option<f64>, f64, f64, f64, f64) {
        let described =
            self.dialect.tools.get(self.tool as usize).or(self.dialect.tools.first()).and_then(|tool| tool.1);
        let job = self.retraction;
        let length = job.length_mm.or(described.map(|r| r.length_mm));
        let feed = job.feed_mm_s.or(described.map(|r| r.feed_rate_mm_s)).unwrap_or(self.feed_mm_s);
        let lift = job.lift_mm.or(described.map(|r| r.lift_mm)).unwrap_or(0.0);
        let extra = job.extra_mm.or(described.map(|r| r.recover_extra_mm)).unwrap_or(0.0);
        let recover = job.recover_feed_mm_s.or(described.map(|r| r.recover_feed_rate_mm_s)).unwrap_or(feed);
        (length, feed, lift, extra, recover)
    }

    fn retract(&mut self, log: &mut Log, out: &mut impl FnMut(Event)) {
        self.needs(Feature::FirmwareRetraction, log);
        self.note_motion();
        if self.state().retracted.is_some() {
            return;
        }
        let (length, feed, lift, _, _) = self.retraction_now();
        let Some(length) = length else {
            self.state().retracted = Some((0.0, 0.0));
            return self.raise(log, &crate::checks::retraction_length_unknown::CHECK, Severity::Note, 0, || {
                "G10 retracts by a length that neither the job (M207) nor the sheet gives: 0 mm taken".to_owned()
            });
        };
        let de = -length * self.state().flow_factor;
        self.state().retracted = Some((length, lift));
        self.feed_given = true;
        self.emit_move(self.position, de, feed, None, log, out);
        if lift > 0.0 {
            self.lift = lift;
            self.lifted = true;
            let [x, y, z] = self.position;
            self.emit_move([x, y, z + lift], 0.0, self.dialect.lift_mm_s, None, log, out);
        }
    }

    fn recover(&mut self, log: &mut Log, out: &mut impl FnMut(Event)) {
        self.needs(Feature::FirmwareRetraction, log);
        self.note_motion();
        let Some((length, lift)) = self.state().retracted.take() else { return };
        if lift > 0.0 {
            self.lift = 0.0;
            let [x, y, z] = self.position;
            self.emit_move([x, y, z - lift], 0.0, self.dialect.lift_mm_s, None, log, out);
        }
        let (_, _, _, extra, feed) = self.retraction_now();
        let de = (length + extra) * self.state().flow_factor;
        if de != 0.0 && length > 0.0 {
            self.emit_move(self.position, de, feed, None, log, out);
        }
    }

    /// A tool number from a word; `None` (and a finding) when it is none.
    fn tool_number(&self, value: f64, log: &mut Log) -> Option<u32> {
        if !(0.0..1e6).contains(&value) || (value - value.round()).abs() > 1e-4 {
            self.malformed(log, || format!("T{value} is no tool number"));
            return None;
        }
        let number = value.round() as u32;
        if number as usize >= self.dialect.tools.len() {
            self.raise(log, &crate::checks::tool_not_described::CHECK, Severity::Hold, u64::from(number), || {
                format!("tool T{number} has no [[tool]] in the sheet: planned and judged as the first tool")
            });
        }
        Some(number)
    }

    fn select_tool(&mut self, value: f64, log: &mut Log, out: &mut impl FnMut(Event)) {
        let Some(number) = self.tool_number(value, log) else { return };
        if number != self.tool {
            self.tool = number;
            self.action(ActionKind::Tool { number }, 0.0, out);
        }
    }

    /// The tool that a T word of a settings command means: the one in use without it.
    fn tool_word(&self) -> u32 {
        self.params.get(b'T').map_or(self.tool, |t| t.clamp(0.0, TOOLS_KEPT as f64) as u32)
    }

    fn set_tool_offset(&mut self) {
        let unit = self.unit_mm();
        let tool = self.tool_word();
        for (axis, letter) in AXES.into_iter().enumerate() {
            if let Some(value) = self.params.get(letter) {
                self.states[tool_place(tool)].offset_mm[axis] = value * unit;
            }
        }
    }

    /// Target by S, or by R (which also waits for cooling); none of them: the target in force.
    fn target_c(&self, wait: Wait, in_force_c: f64) -> (Option<f64>, Wait) {
        match (self.params.get(b'S'), self.params.get(b'R')) {
            (_, Some(r)) if wait != Wait::No => (Some(r), Wait::ToHeatOrCool),
            (Some(s), _) => (Some(s), wait),
            (None, Some(r)) => (Some(r), wait),
            (None, None) if wait != Wait::No => (Some(in_force_c), wait),
            (None, None) => (None, wait),
        }
    }

    fn heat_nozzle(&mut self, wait: Wait, log: &mut Log, out: &mut impl FnMut(Event)) {
        let tool = match self.params.get(b'T') {
            Some(value) => match self.tool_number(value, log) {
                Some(tool) => tool,
                None => return,
            },
            None => self.tool,
        };
        self.reject_rest(b"", log);
        let before_c = self.states[tool_place(tool)].target_c;
        let (Some(target_c), wait) = self.target_c(wait, before_c) else { return };
        self.note_heat(before_c, target_c);
        self.states[tool_place(tool)].target_c = target_c;
        self.action(ActionKind::Heat { heater: Heater::Nozzle(tool), target_c, wait }, 0.0, out);
    }

    fn heat_bed(&mut self, wait: Wait, log: &mut Log, out: &mut impl FnMut(Event)) {
        self.reject_rest(b"", log);
        let (Some(target_c), wait) = self.target_c(wait, self.bed_target_c) else { return };
        self.note_heat(self.bed_target_c, target_c);
        self.bed_target_c = target_c;
        if !self.dialect.has_bed && target_c > 0.0 {
            self.raise(log, &crate::checks::heater_not_described::CHECK, Severity::Hold, 0, || {
                "the job heats the bed and the sheet has no [bed]".to_owned()
            });
        }
        self.action(ActionKind::Heat { heater: Heater::Bed, target_c, wait }, 0.0, out);
    }

    fn heat_chamber(&mut self, wait: Wait, log: &mut Log, out: &mut impl FnMut(Event)) {
        self.needs(Feature::Chamber, log);
        self.reject_rest(b"", log);
        let (Some(target_c), wait) = self.target_c(wait, self.chamber_target_c) else { return };
        self.note_heat(self.chamber_target_c, target_c);
        self.chamber_target_c = target_c;
        if !self.dialect.has_chamber && target_c > 0.0 {
            self.raise(log, &crate::checks::heater_not_described::CHECK, Severity::Hold, 1, || {
                "the job heats a chamber and the sheet has no [chamber]".to_owned()
            });
        }
        self.action(ActionKind::Heat { heater: Heater::Chamber, target_c, wait }, 0.0, out);
    }

    fn fan(&mut self, out: &mut impl FnMut(Event)) {
        if self.params.get(b'P').unwrap_or(0.0) == 0.0 {
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
            self.action(ActionKind::MotorsOff { axes }, 0.0, out);
        }
    }

    fn volumetric(&mut self, log: &mut Log) {
        self.needs(Feature::Volumetric, log);
        let tool = self.tool_word();
        let off = self.params.get(b'S') == Some(0.0);
        let diameter_mm = self.params.get(b'D').unwrap_or(0.0) * self.unit_mm();
        if diameter_mm != 0.0 && diameter_mm < FILAMENT_MIN_MM {
            return self.malformed(log, || format!("a filament diameter of {diameter_mm} mm: ignored"));
        }
        self.states[tool_place(tool)].volumetric_area_mm2 =
            (diameter_mm > 0.0 && !off).then(|| std::f64::consts::PI / 4.0 * diameter_mm * diameter_mm);
    }

    fn overrides(&mut self, code: u32, log: &mut Log) {
        let Some(percent) = self.params.get(b'S') else { return };
        if !(percent > 0.0 && percent <= PERCENT_LIMIT) {
            return self.malformed(log, || format!("an override of {percent} %: ignored"));
        }
        if code == 2200 {
            self.speed_factor = percent / 100.0;
        } else {
            let tool = self.tool_word();
            self.states[tool_place(tool)].flow_factor = percent / 100.0;
        }
    }

    fn cold_guard(&mut self, log: &mut Log) {
        let off = match (self.params.get(b'S'), self.params.get(b'P')) {
            (Some(s), _) => s <= 0.0,
            (None, Some(p)) => p != 0.0,
            (None, None) => self.params.is_empty(),
        };
        if off {
            self.raise(log, &crate::checks::guard_disabled::CHECK, Severity::Hold, 1, || {
                "M302 switches the guard against cold extrusion off".to_owned()
            });
        }
    }

    fn note_change(&self, code: u32, log: &mut Log) {
        self.raise(log, &crate::checks::limits_changed_in_job::CHECK, Severity::Note, u64::from(code), || {
            let what = if code == 920 { "steps per mm" } else { "motor currents" };
            format!("M{} changes the {what} from inside the job; it is not followed here", code / 10)
        });
    }

    /// M201 (mm/s²), M203 (mm/s), M204 (mm/s²) and M205 (mm/s, mm).
    fn limits(&mut self, code: u32, log: &mut Log, out: &mut impl FnMut(Event)) {
        if !self.dialect.obeys_limits_in_job {
            return;
        }
        let mut change = LimitChange::default();
        let axes = [b'X', b'Y', b'Z', b'E'].map(|letter| self.limit_word(letter, code != 2050, log));
        match code {
            2010 => change.acceleration_mm_s2 = axes,
            2030 => change.feed_rate_mm_s = axes,
            2040 => {
                let both = self.limit_word(b'S', true, log);
                change.printing_mm_s2 = self.limit_word(b'P', true, log).or(both);
                change.travel_mm_s2 = self.limit_word(b'T', true, log).or(both);
                change.retraction_mm_s2 = self.limit_word(b'R', true, log);
            }
            _ => {
                change.jerk_mm_s = axes;
                change.junction_deviation_mm = self.limit_word(b'J', false, log);
            }
        }
        if change != LimitChange::default() {
            self.raise(log, &crate::checks::limits_changed_in_job::CHECK, Severity::Note, u64::from(code), || {
                format!("M{} changes the limits from inside the job; the plan follows it", code / 10)
            });
            out(Event::Limits(change));
        }
    }

    /// A limit; zero (where that stops the machine) and less are damage.
    fn limit_word(&self, letter: u8, positive: bool, log: &mut Log) -> Option<f64> {
        let value = self.params.get(letter)?;
        if value < 0.0 || positive && value == 0.0 {
            self.malformed(log, || format!("{}{value} is no limit: ignored", char::from(letter)));
            return None;
        }
        Some(value)
    }
}

/// Commands that change nothing which is modelled: reports, lights, sounds, servos, drivers, names, power, files,
/// and nozzle-pressure compensation, which is not modelled yet (common practice, no source).
fn is_harmless(code_times_ten: u32) -> bool {
    let code = code_times_ten / 10;
    code_times_ten.is_multiple_of(10)
        && matches!(code, 2 | 5 | 7 | 8 | 9 | 16 | 20..=24 | 26..=33 | 35..=38 | 42 | 43 | 48 | 70 | 72 | 73 | 75..=78
            | 80 | 81 | 85 | 105 | 107 | 108 | 111 | 113..=120 | 121 | 122 | 145 | 150 | 151 | 154 | 155 | 201..=205 | 207 | 208 | 211 | 217
            | 250 | 280 | 291 | 292 | 300 | 301 | 304 | 355 | 376 | 400..=425 | 430 | 450 | 486 | 503 | 569 | 572 | 592 | 593
            | 845 | 851 | 862 | 900 | 908 | 911..=919 | 928)
}
