//! Retraction by the controller, and what scales the filament.

use super::commands::FILAMENT_MIN_MM;
use super::notice::{Damage, Noticed};
use super::{Interpreter, NO_MOVE_MM, tool_place};
use crate::block::Event;
use crate::machine::Feature;

/// Less pulled back than that is not told: E words are rounded, and a job may leave a little back on purpose (common practice, no
/// source).
pub(crate) const OWED_LEAST_MM: f64 = 0.1;

impl Interpreter {
    pub(super) fn set_retraction(&mut self) {
        let unit = self.unit_mm();
        let mm = |value: f64| value.abs() * unit;
        self.retraction.length_mm = self.params.get(b'S').map(mm).or(self.retraction.length_mm);
        self.retraction.lift_mm = self.params.get(b'Z').map(mm).or(self.retraction.lift_mm);
        self.retraction.feed_mm_s = self.feed_word().or(self.retraction.feed_mm_s);
    }

    pub(super) fn set_recovery(&mut self) {
        let unit = self.unit_mm();
        self.retraction.extra_mm = self.params.get(b'S').map(|s| s * unit).or(self.retraction.extra_mm);
        self.retraction.recover_feed_mm_s = self.feed_word().or(self.retraction.recover_feed_mm_s);
    }

    pub(super) fn feed_word(&self) -> Option<f64> {
        self.params.get(b'F').filter(|&feed| feed > 0.0).map(|feed| feed * self.unit_mm() / 60.0)
    }

    /// The retraction in force for the tool in use: the job's words before the sheet's.
    pub(super) fn retraction_now(&self) -> (Option<f64>, f64, f64, f64, f64) {
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

    pub(super) fn flow_scale(&mut self) -> f64 {
        let e_scale = self.e_scale;
        self.state().flow_factor * e_scale
    }

    pub(super) fn retract(&mut self, out: &mut impl FnMut(Event)) {
        self.needs(Feature::FirmwareRetraction);
        self.note_motion();
        if self.state().retracted.is_some() {
            return;
        }
        let (length, feed, lift, _, _) = self.retraction_now();
        let Some(length) = length else {
            self.state().retracted = Some((0.0, 0.0));
            // Any push on the spot may have brought it back.
            self.state().owed_mm = NO_MOVE_MM;
            return self.notice(Noticed::RetractionLengthUnknown);
        };
        let de = -length * self.flow_scale();
        self.state().retracted = Some((length, lift));
        self.state().owed_mm = -de;
        self.feed_given = true;
        self.emit_move(self.position, de, feed, None, out);
        if lift > 0.0 {
            self.lift = lift;
            self.lifted = true;
            let [x, y, z] = self.position;
            self.emit_move([x, y, z + lift], 0.0, self.dialect.lift_mm_s, None, out);
        }
    }

    pub(super) fn recover(&mut self, out: &mut impl FnMut(Event)) {
        self.needs(Feature::FirmwareRetraction);
        self.note_motion();
        let Some((length, lift)) = self.state().retracted.take() else { return };
        self.state().owed_mm = 0.0;
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

    /// Filament is pushed, or pulled back, mm, while G10 may have left some to be made up for.
    pub(super) fn follow_owed(&mut self, de_mm: f64, along: bool) {
        let owed_mm = self.state().owed_mm;
        if owed_mm <= 0.0 {
            return;
        }
        let lays = along && de_mm > 0.0;
        let rest_mm = owed_mm - de_mm;
        self.state().owed_mm = if lays || rest_mm < NO_MOVE_MM { 0.0 } else { rest_mm };
        let length_mm = Some(owed_mm).filter(|mm| *mm > NO_MOVE_MM);
        if lays && length_mm.is_none_or(|mm| mm >= OWED_LEAST_MM) {
            self.notice(Noticed::PrintsPulledBack { length_mm });
        }
    }

    /// Something may have brought it back that is not followed here.
    pub(super) fn forget_owed(&mut self) {
        self.states.iter_mut().for_each(|state| state.owed_mm = 0.0);
    }

    pub(super) fn volumetric(&mut self) {
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
}
