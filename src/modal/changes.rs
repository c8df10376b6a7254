//! What a job changes of the machine and of its limits.

use super::notice::{Damage, MachineChange, Noticed};
use super::{AXES, Interpreter};
use crate::block::{Event, LimitChange};

impl Interpreter {
    pub(super) fn machine_changed(&mut self, change: MachineChange) {
        self.notice(Noticed::MachineChanged(change));
    }

    /// M92. A machine whose sheet gives the very same steps per mm is not changed.
    pub(super) fn scale_steps(&mut self) {
        let known = self.dialect.steps_per_mm;
        let differs = |value: f64, known: Option<f64>| known.is_none_or(|known| (value / known - 1.0).abs() > 1e-6);
        let axes = AXES.iter().zip(known);
        if axes.filter_map(|(&letter, known)| Some((self.params.get(letter)?, known))).any(|(v, k)| differs(v, k)) {
            self.machine_changed(MachineChange::Steps);
        }
        let changed = self.params.all(b'E').find(|value| differs(*value, known[3]));
        if let Some(value) = changed {
            let scale = known[3].map(|known| value / known).filter(|scale| (0.001..1000.0).contains(scale));
            self.e_scale = scale.unwrap_or(self.e_scale);
            self.machine_changed(MachineChange::ExtruderSteps { followed: scale.is_some() });
        } else if self.params.get(b'E').is_some() {
            self.e_scale = 1.0;
        }
    }

    /// M206: the place of the end stops is called by other numbers from now on.
    pub(super) fn shift_home(&mut self) {
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
    pub(super) fn shift_z(&mut self, out: &mut impl FnMut(Event)) {
        let Some(step) = self.params.get(b'Z').or(self.params.get(b'S')).filter(|step| *step != 0.0) else { return };
        let step = step * self.unit_mm();
        self.machine_changed(MachineChange::ShiftedZ);
        self.shift[2] += step;
        let [x, y, z] = self.position;
        self.feed_given = true;
        self.emit_move([x, y, z + step], 0.0, self.dialect.lift_mm_s, None, out);
    }

    /// M301 and M304: without a share for the temperature's error nothing heats, or nothing stops heating.
    pub(super) fn tune_heater(&mut self, code: u32) {
        let words = [b'P', b'I', b'D'].map(|letter| self.params.get(letter));
        if words[0] == Some(0.0) || words == [Some(0.0); 3] {
            self.machine_changed(MachineChange::HeaterControl { code });
        }
    }

    /// M201 (mm/s²), M203 (mm/s), M204 (mm/s²) and M205 (mm/s, mm).
    pub(super) fn limits(&mut self, code: u32, out: &mut impl FnMut(Event)) {
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

    /// A limit, of a list the least; zero (where that stops the machine) and less are damage.
    pub(super) fn limit_word(&mut self, letter: u8, positive: bool) -> Option<f64> {
        let value = self.params.all(letter).reduce(f64::min)?;
        if value < 0.0 || positive && value == 0.0 {
            self.damage(Damage::NoLimit { letter, value });
            return None;
        }
        Some(value)
    }
}
