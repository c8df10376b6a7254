//! Where things are: homing, offsets, tools and their tips.

use super::commands::whole_number;
use super::notice::{Damage, Noticed, OTHER_AXES};
use super::{AXES, Interpreter, tool_place};
use crate::block::{ActionKind, Event, TOOLS_KEPT, Touches, Wait};
use crate::machine::Feature;

impl Interpreter {
    pub(super) fn home(&mut self, out: &mut impl FnMut(Event)) {
        let mut axes = AXES.map(|letter| self.params.names(letter));
        if axes == [false; 3] {
            axes = [true; 3];
        }
        // O homes only what is not homed yet (common practice, no source).
        if self.params.names(b'O') {
            (0..3).for_each(|axis| axes[axis] &= !self.homed[axis]);
            if axes == [false; 3] {
                return;
            }
        }
        for (axis, &homed) in axes.iter().enumerate() {
            if homed {
                self.position[axis] = self.dialect.home[axis];
                (self.known[axis], self.homed[axis]) = (true, true);
                self.g92[axis] = 0.0;
            }
        }
        // Homing all axes ends at home, whatever the way.
        if let Some(place_mm) = self.dialect.homes_z_at_mm.filter(|_| axes[2] && axes != [true; 3]) {
            self.position[..2].copy_from_slice(&place_mm);
        }
        if axes[2] {
            // The lift of a retraction is part of the position that homing replaces.
            self.lift = 0.0;
            self.states.iter_mut().filter_map(|state| state.retracted.as_mut()).for_each(|(_, lift)| *lift = 0.0);
        }
        self.action(ActionKind::Home { axes, position: self.position }, self.dialect.homing_s, out);
    }

    /// Probing and the like: planning goes on from the last known position, findings wait for absolute words.
    pub(super) fn lose_position(&mut self, touches: Touches, out: &mut impl FnMut(Event)) {
        self.known = [false; 3];
        self.action(ActionKind::Probe { touches }, self.dialect.probing_s, out);
    }

    /// A probing command (common practice, no source). What words choose a part of the bed differs from controller to
    /// controller.
    pub(super) fn probe(&mut self, code: u32, out: &mut impl FnMut(Event)) {
        self.needs(Feature::Probing);
        let ([x, y, _], _) = self.target();
        let touches = match code {
            290 if self.params.is_empty() => Touches::WholeBed,
            300 if self.params.is_empty() => Touches::Here,
            300 if self.params.get(b'X').and(self.params.get(b'Y')).is_some() => Touches::Place([x, y]),
            // They set where a probe is.
            291 | 292 => Touches::Nothing,
            _ => Touches::Somewhere,
        };
        self.lose_position(touches, out);
    }

    /// G92 moves the job's frame; without axis words all logical coordinates become 0.
    pub(super) fn set_position(&mut self) {
        self.reject_rest(b"");
        let unit = self.unit_mm();
        self.judge_axes();
        // With another axis alone it is about that.
        let all = !b"XYZE".iter().chain(&OTHER_AXES).any(|&letter| self.params.names(letter));
        for (axis, letter) in AXES.into_iter().enumerate() {
            if let Some(value) = self.params.get(letter).or(all.then_some(0.0)) {
                self.g92[axis] = 0.0;
                self.g92[axis] = self.position[axis] - self.offset(axis) - value * unit;
            }
        }
        if let Some(value) = self.params.get(b'E').or(all.then_some(0.0)) {
            self.e = value * unit;
            self.extruder_words.begin_anew();
        }
    }

    /// `G10 L2 Pn` sets the offsets of a work frame, `L20` so that the present position gets the given values;
    /// other settings forms of G10 change nothing that is modelled.
    pub(super) fn set_work_offset(&mut self) {
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

    /// A tool from the number in a word; `None` (and a finding) when it is none.
    pub(super) fn tool_number(&mut self, value: f64) -> Option<u32> {
        let called = self.called_number(value)?;
        Some(self.tool_named(called))
    }

    /// A tool number from a word; `None` (and a finding) when it is none.
    fn called_number(&mut self, value: f64) -> Option<u32> {
        let called = whole_number(value);
        if called.is_none() {
            self.damage(Damage::NoToolNumber { value });
        }
        called
    }

    /// The tool of a number, with a notice where the sheet does not describe it.
    fn tool_named(&mut self, called: u32) -> u32 {
        let tool = self.tool_called(called);
        if tool as usize >= self.dialect.tools.len() {
            self.notice(Noticed::ToolNotDescribed { number: called });
        }
        tool
    }

    /// The tool that a number stands for, where several filaments share a nozzle.
    fn tool_called(&self, number: u32) -> u32 {
        let known = &self.dialect.tool_of_number;
        if known.is_empty() {
            return number;
        }
        // Numbers behind those of the sheet stay numbers that it does not describe.
        let behind = || self.dialect.tools.len() as u32 + (number - known.len() as u32);
        known.get(number as usize).copied().unwrap_or_else(behind)
    }

    pub(super) fn select_tool(&mut self, value: f64, out: &mut impl FnMut(Event)) {
        if self.dialect.no_tool_number == Some(value) {
            return;
        }
        let Some(called) = self.called_number(value) else { return };
        let number = self.tool_named(called);
        let before = std::mem::replace(&mut self.tool, number);
        if std::mem::replace(&mut self.called, called) == called {
            return;
        }
        self.forget_owed();
        self.action(ActionKind::Tool { number }, self.dialect.tool_change_s, out);
        if number == before {
            return;
        }
        self.move_tip(self.states[tool_place(before)].offset_mm, out);
        self.limit_by_lead(out);
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
    pub(super) fn tool_word(&self) -> u32 {
        self.tool_by(b'T')
    }

    /// The same with another letter.
    pub(super) fn tool_by(&self, letter: u8) -> u32 {
        self.params.get(letter).map_or(self.tool, |number| self.tool_numbered(number))
    }

    /// All tools of a list behind a letter; the one in use without it.
    pub(super) fn tools_by(&self, letter: u8) -> Vec<u32> {
        let mut tools: Vec<u32> = self.params.all(letter).map(|number| self.tool_numbered(number)).collect();
        if tools.is_empty() {
            tools.push(self.tool);
        }
        tools
    }

    /// The tool that a number in a settings command means.
    fn tool_numbered(&self, number: f64) -> u32 {
        self.tool_called(number.max(0.0) as u32).min(TOOLS_KEPT as u32)
    }

    /// Says where the tip is, where that is not where it was.
    pub(super) fn move_tip(&mut self, before: [f64; 3], out: &mut impl FnMut(Event)) {
        let offset_mm = self.states[tool_place(self.tool)].offset_mm;
        if offset_mm != before {
            self.action(ActionKind::Tip { offset_mm }, 0.0, out);
        }
    }

    pub(super) fn set_tool_offset(&mut self, tool: u32, out: &mut impl FnMut(Event)) {
        let before = self.states[tool_place(self.tool)].offset_mm;
        let unit = self.unit_mm();
        for (axis, letter) in AXES.into_iter().enumerate() {
            if let Some(value) = self.params.get(letter) {
                self.states[tool_place(tool)].offset_mm[axis] = value * unit;
            }
        }
        self.move_tip(before, out);
    }
}
