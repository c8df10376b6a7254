//! The lead: filament that the controller pushes ahead of pressure while it speeds up.

use super::notice::{Damage, Noticed};
use super::{Interpreter, tool_place};
use crate::block::{ActionKind, Event, LimitChange};

/// Longest lead that is followed, s: a larger number has another meaning or unit. The longest tubes with soft filament ask for
/// some 2 s, and values of older scales begin at about 10 (common practice, no source).
pub const LEAD_MAX_S: f64 = 4.0;

impl Interpreter {
    /// Whether something depends on leads.
    pub(super) fn follows_leads(&self) -> bool {
        !self.dialect.leads_s.is_empty()
    }

    /// A lead for a tool, by a word with that letter, which is there.
    pub(super) fn set_lead(&mut self, letter: u8, tool: u32, lead_s: f64, out: &mut impl FnMut(Event)) {
        if lead_s > LEAD_MAX_S {
            return self.notice(Noticed::LeadImplausible { letter, value: lead_s, asked: true });
        }
        if lead_s.is_nan() || lead_s < 0.0 {
            return self.damage(Damage::NoLead { letter, value: lead_s });
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

    /// M900 K and M572 S, the latter for the extruders of its D word; without a value they ask. Where nothing depends on leads
    /// only what none can be is noticed.
    pub(super) fn lead_command(&mut self, code: u32, out: &mut impl FnMut(Event)) {
        let (letter, of) = if code == 9000 { (b'K', b'T') } else { (b'S', b'D') };
        match self.params.get(letter) {
            Some(lead_s) if self.follows_leads() => {
                // What is no lead is told once, whatever it is meant for.
                let most = if (0.0..=LEAD_MAX_S).contains(&lead_s) { usize::MAX } else { 1 };
                self.tools_by(of).into_iter().take(most).for_each(|tool| self.set_lead(letter, tool, lead_s, out));
            }
            Some(value) if value > LEAD_MAX_S => {
                self.notice(Noticed::LeadImplausible { letter, value, asked: false });
            }
            _ => {}
        }
    }
}
