//! A flow that asks for more heat than the heater has left.

use super::melt::{self, ByHeat};
use crate::block::Block;
use crate::findings::{Built, Check, Explanation, Hit, Severity};
use crate::machine::{Machine, MeltByHeat, Tool};
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "heater-power-exceeded",
    topic: "heat for the flow",
    severity: Severity::Note,
    summary: "The flow asks for more heat than the heater of the hotend has left.",
    explain: Explanation {
        what: "to warm the filament that is pushed takes more power than the heater has beside what holds the hotend at its \
temperature.",
        why: "the hotend cools while it prints, melts less and less, and a controller that watches its heater may stop the job.",
        how: "the sustained melt rate Q in mm³/s (see `melt-rate-exceeded`) takes P = density Q c (T - T_in) in W, with \
`density_g_cm3` and `filament_specific_heat_j_g_k` of the filament, the temperature T of the nozzle by its heating law and \
T_in, `melt_zone.feed_in_c` or else that of the room (heat balance of a flow, any handbook). Of `heater_w` what is left at T is \
heater_w (T_full - T) / (T_full - T_room): by Newton's law a hotend that tends to `full_power_c` at full power is held at T by \
the share (T - T_room) / (T_full - T_room). How far the nozzle then cools is not followed: its mass makes up for a second or \
two, so this is a note. Where it lasts, set the check to hold in the sheet.",
        remedy: "lower the speed where the line numbers point, or mount a stronger heater; a nozzle set cooler has more power \
left but melts less.",
    },
    heat_or_travel: false,
    timed: true,
    unchecked: None,
    build,
};

/// What heats the filament of one tool.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Heater {
    /// Heat to warm filament, J/(mm³ K).
    heat_j_mm3_k: f64,
    feed_in_c: f64,
    heater_w: f64,
    full_power_c: f64,
    room_c: f64,
}

impl Heater {
    /// That of a tool, where the sheet says all of it.
    fn of(tool: &Tool, room_c: f64) -> Option<Self> {
        let feed_in_c = match &tool.melt_by_heat {
            Some(MeltByHeat::Zone(zone)) => zone.feed_in_c,
            _ => room_c,
        };
        Some(Self {
            // g/cm³ are 10⁻³ g/mm³.
            heat_j_mm3_k: tool.density_g_cm3? * 1e-3 * tool.filament_specific_heat_j_g_k?,
            feed_in_c,
            heater_w: tool.body.heater_w?,
            full_power_c: tool.heating?.full_power_c,
            room_c,
        })
    }

    /// What is left of it at a temperature, W.
    fn left_w(&self, nozzle_c: f64) -> f64 {
        (self.heater_w * (self.full_power_c - nozzle_c) / (self.full_power_c - self.room_c)).clamp(0.0, self.heater_w)
    }

    /// Heat that a mm³ takes, J.
    fn heat_j_mm3(&self, nozzle_c: f64) -> f64 {
        self.heat_j_mm3_k * (nozzle_c - self.feed_in_c).max(0.0)
    }

    /// The melt rate that takes all of it, mm³/s; none where filament comes in as hot as it goes out.
    fn most_mm3_s(&self, nozzle_c: f64) -> Option<f64> {
        let heat_j_mm3 = self.heat_j_mm3(nozzle_c);
        (heat_j_mm3 > 0.0).then(|| self.left_w(nozzle_c) / heat_j_mm3)
    }
}

fn build(machine: &Machine, _: &str) -> Built {
    let heaters: Vec<_> = machine.tools.iter().map(|tool| Heater::of(tool, machine.ambient_c)).collect();
    if heaters.iter().all(Option::is_none) {
        return Built::Skipped(format!("the sheet gives no {}", lacking(machine)));
    }
    let watched = melt::Watched {
        check: &CHECK,
        rates: |block| Some(&block.sustained_mm3_s),
        on_part: |part, rate| part.sustained_mm3_s.min(rate),
        message,
    };
    Built::Watching(melt::watch_by_heat(machine, watched, LeftPower { heaters }))
}

/// The keys that the first tool lacks.
fn lacking(machine: &Machine) -> String {
    let Some(tool) = machine.tools.first() else { return "`[[tool]]`".to_owned() };
    let keys = [
        ("filament_specific_heat_j_g_k", tool.filament_specific_heat_j_g_k.is_none()),
        ("density_g_cm3", tool.density_g_cm3.is_none()),
        ("heater_w", tool.body.heater_w.is_none()),
        ("heating", tool.heating.is_none()),
    ];
    let lacking: Vec<_> = keys.iter().filter(|(_, lacks)| *lacks).map(|(key, _)| format!("`[[tool]] {key}`")).collect();
    lacking.join(" and no ")
}

fn message(hit: &Hit, nozzle_c: Option<f64>) -> String {
    let (asked, left) = (hit.value.map(figure).unwrap_or_default(), hit.limit.map(figure).unwrap_or_default());
    format!("The flow takes {asked} W of heat; the heater has {left} W left{}.", melt::at_c(nozzle_c))
}

struct LeftPower {
    heaters: Vec<Option<Heater>>,
}

impl ByHeat for LeftPower {
    fn in_block(&mut self, block: &Block) -> Option<f64> {
        block.nozzle.melts_at(0.0)?;
        self.heaters.get(block.tool_index).copied().flatten()?.most_mm3_s(block.nozzle.hottest_c()?)
    }

    fn between(&mut self, tool_index: usize, nozzle_c: Option<[f64; 2]>) -> Option<f64> {
        let [from_c, to_c] = nozzle_c?;
        self.heaters.get(tool_index).copied().flatten()?.most_mm3_s(from_c.max(to_c))
    }

    fn worst_c(&self, [from_c, to_c]: [f64; 2]) -> f64 {
        from_c.max(to_c)
    }

    fn told(&self, tool_index: usize, rate: f64, limit: f64, nozzle_c: Option<f64>) -> (f64, f64, &'static str) {
        let heater = self.heaters.get(tool_index).copied().flatten();
        match heater.zip(nozzle_c) {
            Some((heater, c)) => (rate * heater.heat_j_mm3(c), heater.left_w(c), "W"),
            None => (rate, limit, "mm3/s"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, skipped};
    use super::*;
    use crate::block::NozzleSpan;
    use crate::machine::{HeatedBody, Heating, MeltZone};

    /// A heater of 30 W that tends to 320 °C in a room of 20 °C; filament of 1.25 g/cm³ and 2 J/(g K).
    fn weak() -> Machine {
        let mut weak = machine();
        let tool = &mut weak.tools[0];
        tool.heating = Some(Heating { time_constant_s: 60.0, full_power_c: 320.0 });
        tool.body = HeatedBody { heater_w: Some(30.0), ..HeatedBody::default() };
        (tool.density_g_cm3, tool.filament_specific_heat_j_g_k) = (Some(1.25), Some(2.0));
        weak
    }

    fn held(c: f64) -> NozzleSpan {
        NozzleSpan {
            start_c: Some(c),
            toward_c: 20.0,
            target_c: c,
            time_constant_s: Some(60.0),
            awaited: true,
            ..NozzleSpan::default()
        }
    }

    fn filament(rate: f64) -> f64 {
        rate / 50.0 * 10.0 / (std::f64::consts::PI * 1.75 * 1.75 / 4.0)
    }

    #[test]
    fn more_than_is_left_is_found() {
        // By hand: at 220 °C a third of 30 W is left. A mm³ takes 1.25e-3 g · 2 J/(g K) · 200 K = 0.5 J, so 20 mm³/s.
        let job = |rate| Job::new().nozzle(held(220.0)).to([10.0, 0.0, 0.0], filament(rate));
        assert!(job(19.99).findings(&CHECK, &weak()).is_empty());
        let found = job(24.0).findings(&CHECK, &weak());
        let (value, limit) = (found[0].value.expect("W"), found[0].limit.expect("W"));
        assert!((value - 12.0).abs() < 1e-9 && (limit - 10.0).abs() < 1e-12 && found[0].unit == "W", "{found:?}");
        assert_eq!(found[0].message, "The flow takes 12 W of heat; the heater has 10 W left at 220 °C.");
        // Filament that comes in warm takes less: at 120 °C 0.25 J for a mm³.
        let mut warm = weak();
        warm.tools[0].melt_by_heat = Some(MeltByHeat::Zone(MeltZone {
            length_mm: 12.0,
            melts_at_c: 150.0,
            feed_in_c: 120.0,
            diffusivity_mm2_s: 0.081,
            safety: 1.0,
        }));
        assert!(job(39.0).findings(&CHECK, &warm).is_empty() && !job(41.0).findings(&CHECK, &warm).is_empty());
    }

    #[test]
    fn a_nozzle_that_heats_up_has_less_and_less_left() {
        // Toward 320 °C with 60 s from 200 °C, held at 260 °C: reached after 60 ln(120 / 60) = 41.6 s. There 6 W are left and
        // a mm³ takes 0.6 J, so 10 mm³/s; at 200 °C 12 W for 0.45 J, 26.7 mm³/s.
        let heating = NozzleSpan { start_c: Some(200.0), toward_c: 320.0, target_c: 260.0, ..held(0.0) };
        let mut job = Job::new().speed(1.0).nozzle(heating);
        for k in 1..=6 {
            job = job.to([10.0 * f64::from(k), 0.0, 0.0], 50.0 * filament(15.0));
        }
        // 15 mm³/s: (320 − T) / 10 = 15 · 2.5e-3 (T − 20), T = 238.2 °C, after 60 ln(120 / 81.8) = 23 s.
        let found = job.findings(&CHECK, &weak());
        assert_eq!((found[0].line, found[0].count), (Some(3), 4), "{found:?}");
        assert!((found[0].limit.expect("W") - 6.0).abs() < 1e-9);
    }

    #[test]
    fn what_is_missing_is_named() {
        let reason = skipped(&CHECK, &machine());
        for key in ["filament_specific_heat_j_g_k", "density_g_cm3", "heater_w", "heating"] {
            assert!(reason.contains(key), "{reason}");
        }
        let mut one = weak();
        one.tools[0].density_g_cm3 = None;
        assert_eq!(skipped(&CHECK, &one), "the sheet gives no `[[tool]] density_g_cm3`");
    }
}
