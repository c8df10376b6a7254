//! The lead: filament that the controller pushes ahead of pressure while it speeds up.

use super::notice::Damage;
use super::{Interpreter, tool_place};
use crate::block::{ActionKind, Event, LimitChange};

/// Longest lead that is followed, s: a larger number has another meaning or unit.
pub const LEAD_MAX_S: f64 = 10.0;

impl Interpreter {
    /// Whether something depends on leads.
    pub(super) fn follows_leads(&self) -> bool {
        !self.dialect.leads_s.is_empty()
    }

    /// A lead for a tool, by a word with that letter, which is there.
    pub(super) fn set_lead(&mut self, letter: u8, tool: u32, lead_s: f64, out: &mut impl FnMut(Event)) {
        if !(0.0..=LEAD_MAX_S).contains(&lead_s) {
            return self.damage(Damage::NoLimit { letter, value: lead_s });
        }
        if std::mem::replace(&mut self.states[tool_place(tool)].lead_s, lead_s) == lead_s {
            return;
        }
        self.action(ActionKind::Lead { tool, lead_s }, 0.0, out);
        if tool == self.tool {
            self.limit_by_lead(out);
        }
    }

    /// The lead of the tool in use limits accelerations from here on.
    pub(super) fn limit_by_lead(&mut self, out: &mut impl FnMut(Event)) {
        if self.dialect.lead_limits {
            let lead_s = Some(self.states[tool_place(self.tool)].lead_s);
            out(Event::Limits(LimitChange { lead_s, ..LimitChange::default() }));
        }
    }

    /// M900 K and M572 S, the latter for the extruder of its D word; without a value they ask.
    pub(super) fn lead_command(&mut self, code: u32, out: &mut impl FnMut(Event)) {
        let (letter, tool) = if code == 9000 { (b'K', self.tool_word()) } else { (b'S', self.tool_by(b'D')) };
        if let Some(lead_s) = self.params.get(letter) {
            self.set_lead(letter, tool, lead_s, out);
        }
    }
}
