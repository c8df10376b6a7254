//! What a job draws from the mains: energy, mean and largest power.
//!
//! A heater draws full power until its target is reached and from then on what holds it, W (T − T_room) / (T_full − T_room): by
//! Newton's law a body that tends to T_full at full power W loses that much at T. While it cools to a lower target it draws
//! nothing. Between two events each of them draws the same all the time, so energies are exact sums of power times time. The
//! electronics draw their power from start to end, the motors theirs while they are held.

use std::collections::BTreeMap;

use crate::block::{Action, ActionKind, Block, Heater, TOOLS_KEPT, Wait};
use crate::findings::{Energy, Inspection, Log, Observer};
use crate::machine::{Heating, Machine, Power};
use crate::physics::heat::{HeaterState, Reach};

/// A heater between two of its targets.
struct Drawing {
    state: HeaterState,
    /// Up to when its state is known, s.
    known_s: f64,
    /// Until then it draws the first, from then on the second, W.
    reached_s: f64,
    before_w: f64,
    after_w: f64,
}

impl Drawing {
    fn power_w(&self, at_s: f64) -> f64 {
        if at_s < self.reached_s { self.before_w } else { self.after_w }
    }
}

/// Owner of the energy.
pub(super) struct EnergyTotals {
    power: Power,
    ambient_c: f64,
    tools: Vec<(Option<f64>, Option<Heating>)>,
    bed: (Option<f64>, Option<Heating>),
    chamber: (Option<f64>, Option<Heating>),
    heaters: BTreeMap<Heater, Drawing>,
    motors_held: bool,
    now_s: f64,
    energy_j: f64,
    peak_w: f64,
    /// Why the energy is not known.
    unknown: Option<String>,
}

impl EnergyTotals {
    /// None where the sheet does not say what the machine draws.
    pub(super) fn new(machine: &Machine) -> Option<Self> {
        let power = machine.power?;
        let of_tool = |tool: &crate::machine::Tool| (power.nozzle_w.or(tool.body.heater_w), tool.heating);
        Some(Self {
            power,
            ambient_c: machine.ambient_c,
            tools: machine.tools.iter().map(of_tool).collect(),
            bed: (power.bed_w, machine.bed.and_then(|bed| bed.heating)),
            chamber: (power.chamber_w, machine.chamber.and_then(|chamber| chamber.heating)),
            heaters: BTreeMap::new(),
            motors_held: false,
            now_s: 0.0,
            energy_j: 0.0,
            peak_w: 0.0,
            unknown: None,
        })
    }

    /// Lets time go by up to `to_s`.
    fn advance(&mut self, to_s: f64) {
        while self.now_s < to_s {
            let now_s = self.now_s;
            let changes = self.heaters.values().map(|heater| heater.reached_s).filter(|s| *s > now_s);
            let until_s = changes.fold(to_s, f64::min);
            let motors_w = if self.motors_held { self.power.motors_w } else { 0.0 };
            let heaters_w: f64 = self.heaters.values().map(|heater| heater.power_w(now_s)).sum();
            let power_w = self.power.electronics_w + motors_w + heaters_w;
            self.energy_j += power_w * (until_s - now_s);
            self.peak_w = self.peak_w.max(power_w);
            self.now_s = until_s;
        }
    }

    fn give_up(&mut self, why: &str) {
        self.unknown.get_or_insert_with(|| format!("the energy of the job is not told: {why}"));
    }

    fn heat(&mut self, heater: Heater, target_c: f64, waits: bool) {
        let (heater, (full_w, law), of) = match heater {
            Heater::Nozzle(number) => {
                let of_tool = self.tools.get(number as usize).or(self.tools.first()).copied();
                (Heater::Nozzle(number.min(TOOLS_KEPT as u32)), of_tool.unwrap_or_default(), "[[tool]]")
            }
            Heater::Bed => (heater, self.bed, "[bed]"),
            Heater::Chamber => (heater, self.chamber, "[chamber]"),
        };
        let ambient_c = self.ambient_c;
        let heats = target_c > ambient_c;
        let (full_w, law) = match (full_w, law) {
            (Some(full_w), Some(law)) => (full_w, law),
            _ if !heats => return,
            (None, _) => {
                return self.give_up(&format!("the sheet gives no power of the heater of `{of}`, as in `[power]`"));
            }
            (_, None) => return self.give_up(&format!("the sheet gives no `{of} heating`")),
        };
        let now_s = self.now_s;
        let fresh = || Drawing {
            state: HeaterState::cold(Some(law), ambient_c),
            known_s: now_s,
            reached_s: now_s,
            before_w: 0.0,
            after_w: 0.0,
        };
        let drawing = self.heaters.entry(heater).or_insert_with(fresh);
        drawing.state.pass(now_s - drawing.known_s);
        let warms = drawing.state.now_c(ambient_c) < target_c;
        drawing.state.set(target_c, waits, ambient_c);
        let reached_s = match drawing.state.wait(true, ambient_c) {
            Reach::In(seconds) => now_s + seconds,
            Reach::NoLaw | Reach::Never(_) => f64::INFINITY,
        };
        (drawing.known_s, drawing.reached_s) = (now_s, reached_s);
        drawing.before_w = if heats && warms { full_w } else { 0.0 };
        let held = (target_c - ambient_c) / (law.full_power_c - ambient_c);
        drawing.after_w = if heats { full_w * held.min(1.0) } else { 0.0 };
    }

    fn act(&mut self, action: &Action) {
        match action.kind {
            ActionKind::Heat { heater, target_c, wait, .. } => {
                self.advance(action.at_s);
                self.heat(heater, target_c, wait != Wait::No);
            }
            ActionKind::HeatUnknown { .. } | ActionKind::Unfollowed => {
                self.give_up("a target of a heater in the job is not known");
            }
            ActionKind::Home { .. } | ActionKind::Probe { .. } | ActionKind::MotorsOn => {
                self.hold_motors(action.at_s, true)
            }
            ActionKind::MotorsOff { axes } if axes == [true; 4] => self.hold_motors(action.at_s, false),
            ActionKind::End => self.advance(action.at_s + action.duration_s),
            _ => {}
        }
    }

    fn hold_motors(&mut self, at_s: f64, held: bool) {
        if self.motors_held != held {
            self.advance(at_s);
            self.motors_held = held;
        }
    }
}

impl Observer for EnergyTotals {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        if !block.is_empty() {
            self.hold_motors(block.start_s, true);
        }
        for action in &block.actions {
            self.act(action);
        }
    }

    fn finish(&mut self, draft: &mut Inspection, _log: &mut Log) {
        if let Some(why) = self.unknown.take() {
            draft.left_out.push(why);
            return;
        }
        let mean_w = if self.now_s > 0.0 { self.energy_j / self.now_s } else { 0.0 };
        draft.energy = Some(Energy { used_wh: self.energy_j / 3600.0, mean_w, peak_w: self.peak_w });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::preflight::{JobSource, Preflight};

    /// Invented: bed 200 W toward 130 °C with 240 s, hotend 40 W toward 300 °C with 60 s, a room of 20 °C.
    fn machine() -> Machine {
        let mut machine = Machine::built_in();
        machine.ambient_c = 20.0;
        machine.controller.homing_s = Some(10.0);
        machine.tools[0].heating = Some(Heating { time_constant_s: 60.0, full_power_c: 300.0 });
        machine.tools[0].body.heater_w = Some(40.0);
        let bed = machine.bed.as_mut().expect("has a bed");
        bed.heating = Some(Heating { time_constant_s: 240.0, full_power_c: 130.0 });
        let power = Power { electronics_w: 10.0, motors_w: 20.0, nozzle_w: None, bed_w: Some(200.0), chamber_w: None };
        machine.power = Some(power);
        machine
    }

    fn judge(machine: &Machine, job: &str) -> Inspection {
        Preflight::on(machine).run(JobSource::stream(job.as_bytes(), "job")).expect("reads")
    }

    #[test]
    fn heating_holding_and_cooling_in_closed_form() {
        // The hotend alone: 60 ln(280 / 120) s at 40 W to 180 °C; then 100 s at 40 · 160 / 280 W; off for 50 s.
        let job = "M109 S180\nG4 S100\nM104 S0\nG4 S50\n";
        let found = judge(&machine(), job).energy.expect("is known");
        let heating_s = 60.0 * (280.0f64 / 120.0).ln();
        let joules = heating_s * 40.0 + 100.0 * 40.0 * 160.0 / 280.0 + (heating_s + 150.0) * 10.0;
        assert!((found.used_wh - joules / 3600.0).abs() < 1e-9, "{found:?}");
        assert!((found.peak_w - 50.0).abs() < 1e-12);
        // Times lie on a grid of 2⁻³² s.
        assert!((found.mean_w - joules / (heating_s + 150.0)).abs() < 1e-7);
    }

    #[test]
    fn two_heaters_and_motors_at_once() {
        // Both heat at once and the motors are held from homing on: 10 s, then until the bed is at 60 °C.
        let job = "M140 S60\nM104 S180\nG28\nM190 S60\nM109 S180\nM84\nG4 S30\n";
        let found = judge(&machine(), job).energy.expect("is known");
        let (bed_s, nozzle_s) = (240.0 * (110.0f64 / 70.0).ln(), 60.0 * (280.0f64 / 120.0).ln());
        assert!(bed_s > nozzle_s);
        let (bed_w, nozzle_w) = (200.0 * 40.0 / 110.0, 40.0 * 160.0 / 280.0);
        let total_s = bed_s + 30.0;
        let joules = bed_s * 200.0
            + 30.0 * bed_w
            + nozzle_s * 40.0
            + (total_s - nozzle_s) * nozzle_w
            + total_s * 10.0
            + bed_s * 20.0;
        assert!((found.used_wh - joules / 3600.0).abs() < 1e-7, "{found:?} {}", joules / 3600.0);
        assert_eq!(found.peak_w, 270.0);
    }

    #[test]
    fn a_lower_target_costs_nothing_until_it_is_reached() {
        // From 180 to 100 °C: 60 ln(160 / 80) s without power, the rest of 100 s at 40 · 80 / 280 W.
        let before = judge(&machine(), "M109 S180\n").energy.expect("is known").used_wh;
        let found = judge(&machine(), "M109 S180\nM104 S100\nG4 S100\n").energy.expect("is known");
        let cooling_s = 60.0 * 2.0f64.ln();
        let joules = (100.0 - cooling_s) * 40.0 * 80.0 / 280.0 + 100.0 * 10.0;
        assert!((found.used_wh - before - joules / 3600.0).abs() < 1e-7, "{found:?}");
    }

    #[test]
    fn what_is_not_known_is_said() {
        let mut lawless = machine();
        lawless.bed.as_mut().expect("has a bed").heating = None;
        let found = judge(&lawless, "M190 S60\nG4 S9\n");
        assert!(
            found.energy.is_none() && found.left_out.iter().any(|line| line.contains("`[bed] heating`")),
            "{found:?}"
        );
        assert!(judge(&lawless, "M140 S0\nG4 S9\n").energy.is_some(), "a bed that stays cold needs no law");
        let mut silent = machine();
        silent.power = None;
        let found = judge(&silent, "M109 S180\n");
        assert!(found.energy.is_none() && !found.left_out.iter().any(|line| line.contains("energy")));
    }
}
