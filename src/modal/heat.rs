//! Heaters: targets, waits, targets of tools in use and at rest.

use super::commands::whole_number;
use super::notice::{Damage, Noticed};
use super::{AXES, Interpreter, tool_place};
use crate::block::{ActionKind, Event, Heater, TOOLS_KEPT, Wait};
use crate::machine::Feature;

impl Interpreter {
    /// Target by S, or by R (which also waits for cooling); none of them: the target in force.
    pub(super) fn target_c(&self, wait: Wait, in_force_c: f64) -> (Option<f64>, Wait) {
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
    pub(super) fn heated_tool(&self) -> u32 {
        let is_own = (self.tool as usize) < self.dialect.tools.len() || self.states[tool_place(self.tool)].heated;
        if is_own { self.tool } else { 0 }
    }

    pub(super) fn heat_nozzle(&mut self, wait: Wait, out: &mut impl FnMut(Event)) {
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

    pub(super) fn heat_bed(&mut self, wait: Wait, out: &mut impl FnMut(Event)) {
        let missing = (!self.dialect.has_bed).then_some(Noticed::BedNotDescribed);
        self.heat_body(Heater::Bed, wait, missing, out);
    }

    pub(super) fn heat_chamber(&mut self, wait: Wait, out: &mut impl FnMut(Event)) {
        self.needs(Feature::Chamber);
        let missing = (!self.dialect.has_chamber).then_some(Noticed::ChamberNotDescribed);
        self.heat_body(Heater::Chamber, wait, missing, out);
    }

    /// Bed or chamber; `missing` is noticed where a heater that the sheet lacks is to get warm.
    fn heat_body(&mut self, heater: Heater, wait: Wait, missing: Option<Noticed>, out: &mut impl FnMut(Event)) {
        self.reject_rest(b"");
        if self.params.unfilled(b"SR") {
            return self.action(ActionKind::HeatUnknown { heater }, 0.0, out);
        }
        let in_force_c = *self.target_of(heater);
        let (Some(target_c), wait) = self.target_c(wait, in_force_c) else { return };
        if let Some(missing) = missing.filter(|_| self.or_off(target_c) > 0.0) {
            self.notice(missing);
        }
        self.set_heater(heater, target_c, wait, out);
    }

    /// `G10 P` and M568: targets of a tool while it is in use (S) and while it is not (R); with axis words its offset.
    pub(super) fn set_tool(&mut self, out: &mut impl FnMut(Event)) {
        let Some(tool) = self.params.get(b'P').map_or(Some(self.tool), |value| self.tool_number(value)) else { return };
        if AXES.iter().any(|&letter| self.params.get(letter).is_some()) {
            self.set_tool_offset(tool, out);
        }
        if self.params.unfilled(b"SR") {
            return self.action(ActionKind::HeatUnknown { heater: Heater::Nozzle(tool) }, 0.0, out);
        }
        // Of a list the highest: a tool with several heaters is one here.
        let [active_c, standby_c] = [b'S', b'R'].map(|letter| self.params.all(letter).reduce(f64::max));
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
    pub(super) fn wait_for_all(&mut self, out: &mut impl FnMut(Event)) {
        let named: Vec<f64> = self.params.all(b'P').collect();
        let only: Vec<u32> = named.into_iter().filter_map(|value| self.tool_number(value)).collect();
        for tool in 0..TOOLS_KEPT as u32 {
            let target_c = self.states[tool_place(tool)].target_c;
            if target_c > 0.0 && (only.is_empty() || only.contains(&tool)) {
                self.set_nozzle(tool, target_c, Wait::ToHeatOrCool, out);
            }
        }
        for (heater, target_c) in [(Heater::Bed, self.bed_target_c), (Heater::Chamber, self.chamber_target_c)] {
            if target_c > 0.0 && only.is_empty() {
                let (wait, asked_c) = (Wait::ToHeatOrCool, target_c);
                self.action(ActionKind::Heat { heater, target_c, asked_c, wait }, 0.0, out);
            }
        }
    }

    /// A target at or below the room is off.
    fn or_off(&self, target_c: f64) -> f64 {
        if target_c <= self.dialect.ambient_c { 0.0 } else { target_c }
    }

    /// The target in force, °C.
    pub(super) fn target_of(&mut self, heater: Heater) -> &mut f64 {
        match heater {
            Heater::Nozzle(tool) => &mut self.states[tool_place(tool)].target_c,
            Heater::Bed => &mut self.bed_target_c,
            Heater::Chamber => &mut self.chamber_target_c,
        }
    }

    /// Gives a heater a target; all ways to do so end here.
    pub(super) fn set_heater(&mut self, heater: Heater, target_c: f64, wait: Wait, out: &mut impl FnMut(Event)) {
        let (target_c, asked_c) = (self.or_off(target_c), target_c);
        let before_c = std::mem::replace(self.target_of(heater), target_c);
        self.note_heat(before_c, target_c);
        self.action(ActionKind::Heat { heater, target_c, asked_c, wait }, 0.0, out);
    }

    pub(super) fn set_nozzle(&mut self, tool: u32, target_c: f64, wait: Wait, out: &mut impl FnMut(Event)) {
        self.states[tool_place(tool)].heated = true;
        self.set_heater(Heater::Nozzle(tool), target_c, wait, out);
    }
}
