//! What each command does; [`Interpreter::act`] is the table.
//!
//! Why does a T word with the number in use not stop the machine? A tool change is a change.

use super::notice::{Damage, MachineChange, Noticed};
use super::sorting::is_mode;
use super::{AXES, CommandWord, Interpreter, Mode, tool_place};
use crate::block::{ActionKind, Event, Heater, LimitChange, TOOLS_KEPT, Wait};
use crate::machine::Feature;

/// Thinnest filament that M200 takes, mm: no real one comes near, and less would make lengths infinite.
const FILAMENT_MIN_MM: f64 = 0.01;
/// Most plausible percentage of M220 and M221.
const PERCENT_LIMIT: f64 = 10_000.0;

impl Interpreter {
    /// Carries out one command with the words in `self.params`.
    pub(super) fn act(&mut self, command: CommandWord, out: &mut impl FnMut(Event)) {
        if let Some(letter) = self.params.first_unfilled() {
            let heats = sets_heat(command) && self.params.unfilled(b"SR");
            self.notice(Noticed::Placeholder { letter: Some(letter), heats });
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
            290 | 291 | 292 | 300 | 340 | 380..=385 | 800 => {
                self.needs(Feature::Probing);
                self.lose_position(out);
            }
            // Park, wipe and restore-position commands: where they end is the controller's business.
            120 | 270 | 310..=339 | 341..=350 | 610 => self.lose_position(out),
            600 => {}
            920 => self.set_position(),
            921 => self.g92 = [0.0; 3],
            // Cutter compensation off, feed per minute, path modes: what a printer does anyway.
            400 | 490 | 640 | 940 => {}
            _ => self.unknown_or_family(b'G', code, out),
        }
    }

    fn act_m(&mut self, code: u32, out: &mut impl FnMut(Event)) {
        match code {
            0 | 10 | 250 | 2260 | 6000 => self.pause(code, out),
            60 | 1350 => {
                if let Some(number) = self.params.get(b'T') {
                    self.select_tool(number, out);
                }
            }
            170 => self.action(ActionKind::MotorsOn, 0.0, out),
            180 | 840 => self.motors_off(out),
            920 => self.scale_steps(),
            30 | 40 if self.params.get(b'S') != Some(0.0) => {
                if self.spindle_line == 0 {
                    self.spindle_line = self.line;
                }
            }
            30 | 40 => {}
            // A file of commands that is stored in the controller.
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
            5930 | 6650 | 6660 | 9060 | 9070 | 9140 if self.params.is_empty() => {}
            5930 => self.machine_changed(MachineChange::Shaping),
            6650 | 6660 => self.machine_changed(MachineChange::Geometry { code }),
            8510 if [b'X', b'Y', b'Z'].iter().any(|&letter| self.params.get(letter).is_some()) => {
                self.machine_changed(MachineChange::Probe);
            }
            8510 => {}
            9060 | 9070 => self.notice(Noticed::CurrentsChanged { code }),
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
            _ if is_harmless(code) => {}
            _ => self.unknown_or_family(b'M', code, out),
        }
    }

    /// Decimals of a command that is known fall to its family.
    fn unknown_or_family(&mut self, letter: u8, code: u32, out: &mut impl FnMut(Event)) {
        let family = code / 10 * 10;
        if family == code || !is_known_itself(letter, family) || is_mode(letter, family) {
            return self.unknown(CommandWord { letter, code, at: 0 });
        }
        if letter == b'G' { self.act_g(family, out) } else { self.act_m(family, out) }
    }

    pub(super) fn action(&self, kind: ActionKind, duration_s: f64, out: &mut impl FnMut(Event)) {
        out(Event::Action { line: self.line, duration_s, kind });
    }

    /// Seconds by S (s), else by P in the controller's unit; S wins.
    fn seconds(&mut self) -> Option<f64> {
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
        let timed = if code <= 10 { self.seconds() } else { None }.filter(|&s| s > 0.0);
        self.action(ActionKind::Pause { open_ended: timed.is_none() }, timed.unwrap_or(0.0), out);
    }

    pub(super) fn home(&mut self, out: &mut impl FnMut(Event)) {
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
    fn set_position(&mut self) {
        self.reject_rest(b"");
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

    fn flow_scale(&mut self) -> f64 {
        let e_scale = self.e_scale;
        self.state().flow_factor * e_scale
    }

    fn retract(&mut self, out: &mut impl FnMut(Event)) {
        self.needs(Feature::FirmwareRetraction);
        self.note_motion();
        if self.state().retracted.is_some() {
            return;
        }
        let (length, feed, lift, _, _) = self.retraction_now();
        let Some(length) = length else {
            self.state().retracted = Some((0.0, 0.0));
            return self.notice(Noticed::RetractionLengthUnknown);
        };
        let de = -length * self.flow_scale();
        self.state().retracted = Some((length, lift));
        self.feed_given = true;
        self.emit_move(self.position, de, feed, None, out);
        if lift > 0.0 {
            self.lift = lift;
            self.lifted = true;
            let [x, y, z] = self.position;
            self.emit_move([x, y, z + lift], 0.0, self.dialect.lift_mm_s, None, out);
        }
    }

    fn recover(&mut self, out: &mut impl FnMut(Event)) {
        self.needs(Feature::FirmwareRetraction);
        self.note_motion();
        let Some((length, lift)) = self.state().retracted.take() else { return };
        if lift > 0.0 {
            self.lift = 0.0;
            let [x, y, z] = self.position;
            self.emit_move([x, y, z - lift], 0.0, self.dialect.lift_mm_s, None, out);
        }
        let (_, _, _, extra, feed) = self.retraction_now();
        let de = (length + extra) * self.flow_scale();
        if de != 0.0 && length > 0.0 {
            self.emit_move(self.position, de, feed, None, out);
        }
    }

    /// A tool number from a word; `None` (and a finding) when it is none.
    fn tool_number(&mut self, value: f64) -> Option<u32> {
        let Some(number) = whole_number(value) else {
            self.damage(Damage::NoToolNumber { value });
            return None;
        };
        if number as usize >= self.dialect.tools.len() {
            self.notice(Noticed::ToolNotDescribed { number });
        }
        Some(number)
    }

    fn select_tool(&mut self, value: f64, out: &mut impl FnMut(Event)) {
        let Some(number) = self.tool_number(value) else { return };
        let before = std::mem::replace(&mut self.tool, number);
        if number == before {
            return;
        }
        self.action(ActionKind::Tool { number }, 0.0, out);
        self.move_tip(self.states[tool_place(before)].offset_mm, out);
        // Targets for tools in use and at rest change with the tool (G10 P, M568).
        let targets =
            [(before, self.states[tool_place(before)].standby_c), (number, self.states[tool_place(number)].active_c)];
        for (tool, target_c) in targets {
            if let Some(target_c) = target_c.filter(|target_c| *target_c != self.states[tool_place(tool)].target_c) {
                self.set_nozzle(tool, target_c, Wait::No, out);
            }
        }
    }

    /// The tool that a T word of a settings command means: the one in use without it.
    fn tool_word(&self) -> u32 {
        self.params.get(b'T').map_or(self.tool, |t| t.clamp(0.0, TOOLS_KEPT as f64) as u32)
    }

    /// Says where the tip is, where that is not where it was.
    fn move_tip(&mut self, before: [f64; 3], out: &mut impl FnMut(Event)) {
        let offset_mm = self.states[tool_place(self.tool)].offset_mm;
        if offset_mm != before {
            self.action(ActionKind::Tip { offset_mm }, 0.0, out);
        }
    }

    fn set_tool_offset(&mut self, tool: u32, out: &mut impl FnMut(Event)) {
        let before = self.states[tool_place(self.tool)].offset_mm;
        let unit = self.unit_mm();
        for (axis, letter) in AXES.into_iter().enumerate() {
            if let Some(value) = self.params.get(letter) {
                self.states[tool_place(tool)].offset_mm[axis] = value * unit;
            }
        }
        self.move_tip(before, out);
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

    /// The tool whose heater is meant without a T word. One that is neither described nor was ever heated by its number has
    /// the heater of the first: several filaments through one nozzle.
    fn heated_tool(&self) -> u32 {
        let is_own = (self.tool as usize) < self.dialect.tools.len() || self.states[tool_place(self.tool)].heated;
        if is_own { self.tool } else { 0 }
    }

    fn heat_nozzle(&mut self, wait: Wait, out: &mut impl FnMut(Event)) {
        let tool = match self.params.get(b'T') {
            // Switching off what is not there does nothing.
            Some(value) if self.params.get(b'S').is_some_and(|target_c| self.or_off(target_c) == 0.0) => {
                let Some(tool) = whole_number(value) else { return self.damage(Damage::NoToolNumber { value }) };
                tool
            }
            Some(value) => match self.tool_number(value) {
                Some(tool) => tool,
                None => return,
            },
            None => self.heated_tool(),
        };
        self.reject_rest(b"");
        if self.params.unfilled(b"SR") {
            return self.action(ActionKind::HeatUnknown { heater: Heater::Nozzle(tool) }, 0.0, out);
        }
        let before_c = self.states[tool_place(tool)].target_c;
        let (Some(target_c), wait) = self.target_c(wait, before_c) else { return };
        self.set_nozzle(tool, target_c, wait, out);
    }

    fn heat_bed(&mut self, wait: Wait, out: &mut impl FnMut(Event)) {
        self.reject_rest(b"");
        if self.params.unfilled(b"SR") {
            return self.action(ActionKind::HeatUnknown { heater: Heater::Bed }, 0.0, out);
        }
        let (Some(target_c), wait) = self.target_c(wait, self.bed_target_c) else { return };
        let target_c = self.or_off(target_c);
        self.note_heat(self.bed_target_c, target_c);
        self.bed_target_c = target_c;
        if !self.dialect.has_bed && target_c > 0.0 {
            self.notice(Noticed::BedNotDescribed);
        }
        self.action(ActionKind::Heat { heater: Heater::Bed, target_c, wait }, 0.0, out);
    }

    fn heat_chamber(&mut self, wait: Wait, out: &mut impl FnMut(Event)) {
        self.needs(Feature::Chamber);
        self.reject_rest(b"");
        if self.params.unfilled(b"SR") {
            return self.action(ActionKind::HeatUnknown { heater: Heater::Chamber }, 0.0, out);
        }
        let (Some(target_c), wait) = self.target_c(wait, self.chamber_target_c) else { return };
        let target_c = self.or_off(target_c);
        self.note_heat(self.chamber_target_c, target_c);
        self.chamber_target_c = target_c;
        if !self.dialect.has_chamber && target_c > 0.0 {
            self.notice(Noticed::ChamberNotDescribed);
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

    fn volumetric(&mut self) {
        self.needs(Feature::Volumetric);
        let tool = self.tool_word();
        let off = self.params.get(b'S') == Some(0.0);
        let diameter_mm = self.params.get(b'D').unwrap_or(0.0) * self.unit_mm();
        if diameter_mm != 0.0 && diameter_mm < FILAMENT_MIN_MM {
            return self.damage(Damage::ThinFilament { diameter_mm });
        }
        self.states[tool_place(tool)].volumetric_area_mm2 =
            (diameter_mm > 0.0 && !off).then(|| std::f64::consts::PI / 4.0 * diameter_mm * diameter_mm);
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

    fn machine_changed(&mut self, change: MachineChange) {
        self.notice(Noticed::MachineChanged(change));
    }

    /// M92. A machine whose sheet gives the very same steps per mm is not changed.
    fn scale_steps(&mut self) {
        let known = self.dialect.steps_per_mm;
        let differs = |value: f64, known: Option<f64>| known.is_none_or(|known| (value / known - 1.0).abs() > 1e-6);
        let axes = AXES.iter().zip(known);
        if axes.filter_map(|(&letter, known)| Some((self.params.get(letter)?, known))).any(|(v, k)| differs(v, k)) {
            self.machine_changed(MachineChange::Steps);
        }
        if let Some(value) = self.params.get(b'E').filter(|value| differs(*value, known[3])) {
            let scale = known[3].map(|known| value / known).filter(|scale| (0.001..1000.0).contains(scale));
            self.e_scale = scale.unwrap_or(self.e_scale);
            self.machine_changed(MachineChange::ExtruderSteps { followed: scale.is_some() });
        } else if self.params.get(b'E').is_some() {
            self.e_scale = 1.0;
        }
    }

    /// M206: the place of the end stops is called by other numbers from now on.
    fn shift_home(&mut self) {
        let unit = self.unit_mm();
        let mut changed = false;
        for (axis, letter) in AXES.into_iter().enumerate() {
            let Some(value) = self.params.get(letter) else { continue };
            changed |= self.shift[axis] != -value * unit;
            self.shift[axis] = -value * unit;
        }
        if changed {
            self.machine_changed(MachineChange::HomeOffset);
        }
    }

    /// M290: the nozzle goes there at once, and all later places are shifted as much.
    fn shift_z(&mut self, out: &mut impl FnMut(Event)) {
        let Some(step) = self.params.get(b'Z').or(self.params.get(b'S')).filter(|step| *step != 0.0) else { return };
        let step = step * self.unit_mm();
        self.machine_changed(MachineChange::ShiftedZ);
        self.shift[2] += step;
        let [x, y, z] = self.position;
        self.feed_given = true;
        self.emit_move([x, y, z + step], 0.0, self.dialect.lift_mm_s, None, out);
    }

    /// M301 and M304: without a share for the temperature's error nothing heats, or nothing stops heating.
    fn tune_heater(&mut self, code: u32) {
        let words = [b'P', b'I', b'D'].map(|letter| self.params.get(letter));
        if words[0] == Some(0.0) || words == [Some(0.0); 3] {
            self.machine_changed(MachineChange::HeaterControl { code });
        }
    }

    /// `G10 P` and M568: targets of a tool while it is in use (S) and while it is not (R); with axis words its offset.
    fn set_tool(&mut self, out: &mut impl FnMut(Event)) {
        let Some(tool) = self.params.get(b'P').map_or(Some(self.tool), |value| self.tool_number(value)) else { return };
        if AXES.iter().any(|&letter| self.params.get(letter).is_some()) {
            self.set_tool_offset(tool, out);
        }
        if self.params.unfilled(b"SR") {
            return self.action(ActionKind::HeatUnknown { heater: Heater::Nozzle(tool) }, 0.0, out);
        }
        let (active_c, standby_c) = (self.params.get(b'S'), self.params.get(b'R'));
        let state = &mut self.states[tool_place(tool)];
        state.active_c = active_c.or(state.active_c);
        state.standby_c = standby_c.or(state.standby_c);
        let (active_c, standby_c) = match self.params.get(b'A') {
            Some(0.0) => (Some(0.0), None),
            Some(1.0) => (None, state.standby_c),
            Some(2.0) => (state.active_c, None),
            _ if tool == self.tool => (active_c, None),
            // It is judged like M104, whether or not the tool comes into use.
            _ => (active_c, standby_c),
        };
        for target_c in [active_c, standby_c].into_iter().flatten() {
            self.set_nozzle(tool, target_c, Wait::No, out);
        }
    }

    /// M116: waits until all heaters that have a target are there.
    fn wait_for_all(&mut self, out: &mut impl FnMut(Event)) {
        let only = self.params.get(b'P').and_then(|value| self.tool_number(value));
        for tool in 0..TOOLS_KEPT as u32 {
            let target_c = self.states[tool_place(tool)].target_c;
            if target_c > 0.0 && only.is_none_or(|only| only == tool) {
                self.set_nozzle(tool, target_c, Wait::ToHeatOrCool, out);
            }
        }
        for (heater, target_c) in [(Heater::Bed, self.bed_target_c), (Heater::Chamber, self.chamber_target_c)] {
            if target_c > 0.0 && only.is_none() {
                self.action(ActionKind::Heat { heater, target_c, wait: Wait::ToHeatOrCool }, 0.0, out);
            }
        }
    }

    /// A target at or below the room is off.
    pub(super) fn or_off(&self, target_c: f64) -> f64 {
        if target_c <= self.dialect.ambient_c { 0.0 } else { target_c }
    }

    pub(super) fn set_nozzle(&mut self, tool: u32, target_c: f64, wait: Wait, out: &mut impl FnMut(Event)) {
        let target_c = self.or_off(target_c);
        let state = &mut self.states[tool_place(tool)];
        state.heated = true;
        let before_c = std::mem::replace(&mut state.target_c, target_c);
        self.note_heat(before_c, target_c);
        self.action(ActionKind::Heat { heater: Heater::Nozzle(tool), target_c, wait }, 0.0, out);
    }

    /// M201 (mm/s²), M203 (mm/s), M204 (mm/s²) and M205 (mm/s, mm).
    fn limits(&mut self, code: u32, out: &mut impl FnMut(Event)) {
        if !self.dialect.obeys_limits_in_job {
            return;
        }
        let mut change = LimitChange::default();
        let axes = [b'X', b'Y', b'Z', b'E'].map(|letter| self.limit_word(letter, code != 2050));
        match code {
            2010 => change.acceleration_mm_s2 = axes,
            2030 => change.feed_rate_mm_s = axes,
            2040 => {
                let both = self.limit_word(b'S', true);
                change.printing_mm_s2 = self.limit_word(b'P', true).or(both);
                change.travel_mm_s2 = self.limit_word(b'T', true).or(both);
                change.retraction_mm_s2 = self.limit_word(b'R', true);
            }
            _ => {
                change.jerk_mm_s = axes;
                change.junction_deviation_mm = self.limit_word(b'J', false);
            }
        }
        if change != LimitChange::default() {
            self.limits_set.take(&change, self.line);
            out(Event::Limits(change));
        }
    }

    /// A limit; zero (where that stops the machine) and less are damage.
    fn limit_word(&mut self, letter: u8, positive: bool) -> Option<f64> {
        let value = self.params.get(letter)?;
        if value < 0.0 || positive && value == 0.0 {
            self.damage(Damage::NoLimit { letter, value });
            return None;
        }
        Some(value)
    }
}

/// A tool number, when it is one.
fn whole_number(value: f64) -> Option<u32> {
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

/// M commands that end a job, or that only its start and its end have: heaters, motors, fans, pauses, stops. In tenths.
const CLOSING_M: [u32; 22] = [
    0, 10, 20, 180, 250, 300, 320, 770, 800, 810, 840, 1040, 1060, 1070, 1090, 1120, 1400, 1410, 1900, 1910, 2260, 4000,
];

/// The same, with homing, parking and targets of tools.
fn closes(command: CommandWord) -> bool {
    match command.letter {
        b'G' => matches!(command.code, 100 | 270 | 280 | 610),
        b'M' => CLOSING_M.contains(&command.code) || matches!(command.code, 5680 | 6000),
        _ => false,
    }
}

/// G commands that are carried out here, in tenths; ranges are at the place.
const ACTING_G: [u32; 39] = [
    0, 10, 20, 30, 40, 50, 100, 110, 120, 170, 180, 190, 200, 210, 260, 270, 280, 290, 291, 292, 300, 400, 490, 530,
    540, 550, 560, 570, 580, 590, 600, 610, 640, 800, 900, 910, 920, 921, 940,
];
/// M commands that are carried out here, in tenths.
const ACTING_M: [u32; 56] = [
    0, 10, 30, 40, 60, 170, 180, 250, 820, 830, 840, 920, 980, 1010, 1030, 1040, 1060, 1070, 1090, 1100, 1160, 1260,
    1270, 1330, 1340, 1350, 1400, 1410, 1900, 1910, 2000, 2010, 2030, 2040, 2050, 2060, 2070, 2080, 2110, 2180, 2200,
    2210, 2260, 2900, 3010, 3020, 3030, 3040, 4000, 4280, 5000, 5010, 5020, 5040, 5680, 5930,
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
                || matches!(code, 6000 | 6650 | 6660 | 8510 | 9060 | 9070 | 9140)
                || is_harmless(code)
        }
        _ => true,
    }
}

/// Commands that change nothing which is modelled: reports, lights, sounds, servos, drivers, names, power, files,
/// and nozzle-pressure compensation, which is not modelled yet (common practice, no source).
fn is_harmless(code_times_ten: u32) -> bool {
    let code = code_times_ten / 10;
    code_times_ten.is_multiple_of(10)
        && matches!(code, 2 | 5 | 7 | 8 | 9 | 16 | 20..=24 | 26..=33 | 35..=38 | 42 | 43 | 48 | 70 | 72 | 73 | 75..=78
            | 80 | 81 | 85 | 105 | 107 | 108 | 111 | 113..=115 | 117..=122 | 145 | 150 | 151 | 154 | 155 | 201..=205 | 207 | 208 | 211 | 217
            | 250 | 280 | 291 | 292 | 300 | 355 | 376 | 400..=425 | 430 | 450 | 486 | 503 | 569 | 572 | 592
            | 845 | 862 | 900 | 908 | 911..=913 | 915..=919 | 928)
}

#[cfg(test)]
mod tests {
    use super::super::notice::Noticed;
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
                let unknown = fresh.notices().any(|notice| matches!(notice.what, Noticed::UnknownCommand { .. }));
                assert_eq!(is_known(letter, code), !unknown, "{}{code}", char::from(letter));
            }
        }
    }
}
