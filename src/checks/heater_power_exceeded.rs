//! A flow that takes more heat than the heater has: how far the nozzle cools.
//!
//! With T the temperature that the nozzle would have without flow and d how far it is below it, C d′ = P(T) − L(T) − k d while
//! d > 0, since the heater then runs at full power: P(T) = ρ c Q (T − T_in) is what a flow Q takes, L(T) what the heater has
//! left at T, and each kelvin less leaves W / (T_full − T_room) more and takes ρ c Q less, together k. By Newton's law
//! C = W τ / (T_full − T_room) for a hotend that tends to T_full with the time constant τ at full power W. Over a move of mean
//! flow Q, T as at its start, the solution is an exponential.

use super::purge_line::OnPurgeLine;
use crate::block::{Block, NozzleSpan};
use crate::findings::{Built, Check, Explanation, Hit, Inspection, Log, Observer, Severity, Spot};
use crate::machine::{Machine, MeltByHeat, Tool};
use crate::physics::filament_area_mm2;
use crate::vectors::columns;
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "heater-power-exceeded",
    topic: "heat for the flow",
    severity: Severity::Hold,
    summary: "The flow takes more heat than the heater of the hotend has, and the nozzle cools.",
    explain: Explanation {
        what: "warming the filament that is pushed takes more power than the heater has left, for so long that the nozzle \
cools by more than 5 K.",
        why: "a nozzle that cools melts less and less, and a controller that watches its heater may stop the job.",
        how: "a flow Q in mm³/s takes P = density Q c (T - T_in) / 1000 in W, with `density_g_cm3` and \
`filament_specific_heat_j_g_k` of the filament, the temperature T of the nozzle by its heating law and T_in, \
`melt_zone.feed_in_c` or else that of the room (heat balance of a flow, any handbook). Of `heater_w` what is left at T is \
heater_w (T_full - T) / (T_full - T_room): by Newton's law a hotend that tends to `full_power_c` at full power is held at T by \
the share (T - T_room) / (T_full - T_room); while it still heats up nothing is left. A move counts with its mean flow and the \
temperature at its start. What lacks cools the hotend, whose heat \
capacity is heater_w time_constant_s / (T_full - T_room), so a short burst costs little; a cooler hotend loses less and its \
heater warms it again. 5 K is common practice, no source. The other checks take the temperature without this.",
        remedy: "lower the speed where the line numbers point, or mount a stronger heater; a nozzle set cooler has more power \
left but melts less.",
    },
    heat_or_travel: false,
    timed: true,
    unchecked: None,
    build,
};

/// A nozzle that cools by more than this is found, K.
const COOLS_MOST_K: f64 = 5.0;

/// What heats the filament of one tool.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Heater {
    /// Heat to warm filament, J/(mm³ K).
    heat_j_mm3_k: f64,
    feed_in_c: f64,
    full_power_c: f64,
    /// What a kelvin above the room takes to hold, W/K.
    holds_w_k: f64,
    /// Of the hotend, J/K.
    capacity_j_k: f64,
}

impl Heater {
    /// That of a tool, where the sheet says all of it.
    fn of(tool: &Tool, room_c: f64) -> Option<Self> {
        let feed_in_c = match &tool.melt_by_heat {
            Some(MeltByHeat::Zone(zone)) => zone.feed_in_c,
            _ => room_c,
        };
        let heating = tool.heating?;
        let holds_w_k = tool.body.heater_w? / (heating.full_power_c - room_c);
        Some(Self {
            // g/cm³ are 10⁻³ g/mm³.
            heat_j_mm3_k: tool.density_g_cm3? * 1e-3 * tool.filament_specific_heat_j_g_k?,
            feed_in_c,
            full_power_c: heating.full_power_c,
            holds_w_k,
            capacity_j_k: holds_w_k * heating.time_constant_s,
        })
    }

    /// What is left of it while it holds a temperature, W.
    fn left_w(&self, nozzle_c: f64) -> f64 {
        (self.holds_w_k * (self.full_power_c - nozzle_c)).max(0.0)
    }

    /// What a flow takes, W.
    fn takes_w(&self, mm3_s: f64, nozzle_c: f64) -> f64 {
        self.heat_j_mm3_k * mm3_s * (nozzle_c - self.feed_in_c).max(0.0)
    }

    /// How far below its temperature the hotend is, K, so many seconds after it was `below_k` below it, while it lacks so much
    /// power. A flow of 0 takes none.
    fn cools_k(&self, below_k: f64, mm3_s: f64, lacks_w: f64, seconds: f64) -> f64 {
        let per_k = self.holds_w_k + self.heat_j_mm3_k * mm3_s;
        let tends_to_k = lacks_w / per_k;
        (tends_to_k + (below_k - tends_to_k) * (-seconds * per_k / self.capacity_j_k).exp()).max(0.0)
    }
}

fn build(machine: &Machine, _: &str) -> Built {
    let heaters: Vec<_> = machine.tools.iter().map(|tool| Heater::of(tool, machine.ambient_c)).collect();
    if heaters.iter().all(Option::is_none) {
        return Built::Skipped(format!("the sheet gives no {}", lacking(machine)));
    }
    let hotends = machine.tools.iter().zip(heaters).map(|(tool, heater)| Some(Hotend::of(tool, heater?))).collect();
    Built::Watching(Box::new(HeaterPowerExceeded { hotends, purge: OnPurgeLine::new(machine, message) }))
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
    let to = nozzle_c.map(|c| format!(", to {} °C", figure(c))).unwrap_or_default();
    let below = hit.value.map(figure).unwrap_or_default();
    format!("The flow takes more heat than the heater has: the nozzle cools by {below} K{to}.")
}

/// A hotend and how far it is below the temperature of its heating law.
struct Hotend {
    heater: Heater,
    /// Cross-section of its filament, mm².
    area_mm2: f64,
    below_k: f64,
    /// At that time, s from the start of the job.
    seen_s: f64,
}

impl Hotend {
    fn of(tool: &Tool, heater: Heater) -> Self {
        Self { heater, area_mm2: filament_area_mm2(tool.filament_diameter_mm), below_k: 0.0, seen_s: 0.0 }
    }

    /// True where no move of a block takes more than is left, and nothing is to be made up for.
    fn rests(&self, block: &Block) -> bool {
        let Some((start_c, hottest_c)) = block.nozzle.melts_at(0.0).zip(block.nozzle.hottest_c()) else { return true };
        if self.below_k > 0.0 || heats_up_s(block, start_c) > 0.0 || !block.purges.is_empty() {
            return false;
        }
        let most = block.vectors.run(
            #[inline(always)]
            || columns::most(&block.peak_mm3_s[..block.len()], 0.0),
        );
        self.heater.takes_w(most, hottest_c) <= self.heater.left_w(hottest_c)
    }

    /// Follows a move, which starts at that time and at that temperature, and for so long of which the hotend still heats up;
    /// true where it cools while its temperature should be held.
    fn follow(
        &mut self,
        start_s: f64,
        seconds: f64,
        mm3_s: f64,
        [nozzle_c, held_c]: [f64; 2],
        heats_up_s: f64,
    ) -> bool {
        let gap_s = start_s - self.seen_s;
        if self.below_k > 0.0 && gap_s > 0.0 {
            self.below_k = self.heater.cools_k(self.below_k, 0.0, -self.heater.left_w(nozzle_c), gap_s);
        }
        self.seen_s = start_s + seconds;
        self.pass(mm3_s, self.heater.takes_w(mm3_s, nozzle_c), heats_up_s);
        let before_k = self.below_k;
        self.pass(mm3_s, self.heater.takes_w(mm3_s, held_c) - self.heater.left_w(held_c), seconds - heats_up_s);
        self.below_k > before_k
    }

    fn pass(&mut self, mm3_s: f64, lacks_w: f64, seconds: f64) {
        if seconds > 0.0 && (self.below_k > 0.0 || lacks_w > 0.0) {
            self.below_k = self.heater.cools_k(self.below_k, mm3_s, lacks_w, seconds);
        }
    }
}

struct HeaterPowerExceeded {
    /// Of each tool.
    hotends: Vec<Option<Hotend>>,
    purge: OnPurgeLine,
}

/// How long a nozzle of that temperature still heats up, s: Newton's law solved for the time.
fn heats_up_s(block: &Block, nozzle_c: f64) -> f64 {
    let NozzleSpan { start_c, toward_c, target_c, time_constant_s, .. } = block.nozzle;
    match start_c.zip(time_constant_s) {
        Some((start_c, tau_s)) if start_c < target_c && nozzle_c < target_c => {
            let left_s = tau_s * ((toward_c - nozzle_c) / (toward_c - target_c)).ln();
            // A target that is never reached.
            if left_s.is_finite() { left_s } else { f64::INFINITY }
        }
        _ => 0.0,
    }
}

/// What move `i` of a block melts a second on average, mm³/s.
fn mean_mm3_s(block: &Block, i: usize, area_mm2: f64) -> f64 {
    let mm3 = match block.purge_mm(i) {
        Some(excess_mm) => area_mm2 * excess_mm,
        None => block.section_mm2[i] * block.length_mm[i],
    };
    if mm3 > 0.0 && block.time_s[i] > 0.0 { mm3 / block.time_s[i] } else { 0.0 }
}

impl Observer for HeaterPowerExceeded {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let before = self.purge.follow(block);
        let Some(hotend) = self.hotends.get_mut(block.tool_index).and_then(Option::as_mut) else { return };
        if hotend.rests(block) {
            return;
        }
        let mut start_s = block.start_s;
        for i in 0..block.len() {
            let Some(nozzle_c) = block.nozzle.melts_at(start_s - block.start_s) else { return };
            let heats_up_s = heats_up_s(block, nozzle_c).min(block.time_s[i]);
            let held_c = if heats_up_s > 0.0 { block.nozzle.target_c } else { nozzle_c };
            let mm3_s = mean_mm3_s(block, i, hotend.area_mm2);
            let cools = hotend.follow(start_s, block.time_s[i], mm3_s, [nozzle_c, held_c], heats_up_s);
            start_s += block.time_s[i];
            if hotend.below_k > COOLS_MOST_K && cools {
                let hit = Hit {
                    value: Some(hotend.below_k),
                    badness: hotend.below_k,
                    limit: Some(COOLS_MOST_K),
                    unit: "K",
                    spot: Spot::InBlock,
                    ..Hit::plain(&CHECK, block.tool_index as u64, CHECK.severity, block.line[i])
                };
                // It takes more by itself than there is, or it would not cool.
                self.purge.hit_at(block, i, before, (hit, Some(held_c - hotend.below_k)), true, log);
            }
        }
    }

    fn finish(&mut self, _draft: &mut Inspection, log: &mut Log) {
        self.purge.finish(log);
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

    /// How far the nozzle cools at worst, K, and after how many moves of a second that is first told.
    fn cooled(mut job: Job, rates: &[f64], machine: &Machine) -> Option<(f64, u64)> {
        job = job.speed(10.0);
        for (k, rate) in rates.iter().enumerate() {
            job = job.to([0.0, 10.0 * ((k + 1) % 2) as f64, 0.0], 5.0 * filament(*rate));
        }
        let found = job.findings(&CHECK, machine);
        let found = found.first()?;
        assert_eq!(found.unit, "K");
        Some((found.value?, found.line?))
    }

    #[test]
    fn a_flow_beyond_what_is_left_cools_the_nozzle_in_time() {
        let machine = weak();
        let job = || Job::new().nozzle(held(220.0));
        // By hand: 0.1 W hold a kelvin, so at 220 °C a third of 30 W is left, and the hotend has 0.1 W/K · 60 s = 6 J/K. A mm³
        // takes 1.25e-3 g · 2 J/(g K) · 200 K = 0.5 J, so 20 mm³/s can last for ever.
        assert_eq!(cooled(job(), &[20.0; 150], &machine), None);
        // 40 mm³/s lack 10 W; each kelvin less gives 0.1 W + 40 · 2.5e-3 W: toward 50 K with 6 / 0.2 = 30 s.
        let after = |seconds: f64| 50.0 * (1.0 - (-seconds / 30.0f64).exp());
        assert_eq!(cooled(job(), &[40.0; 3], &machine), None, "4.8 K");
        let (below_k, line) = cooled(job(), &[40.0; 20], &machine).expect("cools");
        assert!((below_k - after(20.0)).abs() < 1e-9 && line == 4, "{below_k} {line}");
        // Without flow the heater has 10 W more than it needs: from 4.758 K toward -100 K with 60 s, so it is warm again after
        // 60 ln(104.758 / 100) = 2.8 s, and a hotend never gets hotter than it is told.
        let twice = [vec![40.0; 3], vec![0.0; 3], vec![40.0; 3]].concat();
        assert_eq!(cooled(job(), &twice, &machine), None);
        let too_soon = [vec![40.0; 3], vec![0.0; 1], vec![40.0; 3]].concat();
        assert!(cooled(job(), &too_soon, &machine).is_some());
    }

    #[test]
    fn filament_that_comes_in_warm_takes_less() {
        let mut warm = weak();
        warm.tools[0].melt_by_heat = Some(MeltByHeat::Zone(MeltZone {
            length_mm: 12.0,
            melts_at_c: 150.0,
            feed_in_c: 120.0,
            diffusivity_mm2_s: 0.081,
            safety: 1.0,
        }));
        // 0.25 J for a mm³.
        let job = || Job::new().nozzle(held(220.0));
        assert_eq!(cooled(job(), &[39.9; 60], &warm), None);
        assert!(cooled(job(), &[60.0; 60], &warm).is_some());
    }

    #[test]
    fn while_it_heats_up_nothing_is_left_and_nothing_is_found() {
        // Toward 320 °C with 60 s from 200 °C, to be held at 260 °C: reached after 60 ln 2 = 41.6 s.
        let heating = NozzleSpan { start_c: Some(200.0), toward_c: 320.0, target_c: 260.0, ..held(0.0) };
        let machine = weak();
        let heater = Heater::of(&machine.tools[0], machine.ambient_c).expect("has all");
        let mut hotend = Hotend::of(&machine.tools[0], heater);
        // 8 mm³/s take 8 · 2.5e-3 (T − 20) W: against small steps of both temperatures over 60 s. At 260 °C 6 W are left, 4.8 taken.
        let (mut free_c, mut real_c, step_s) = (200.0f64, 200.0f64, 1e-4);
        for second in 0..60u32 {
            let block = Block { nozzle: heating, ..Block::default() };
            let nozzle_c = heating.at(f64::from(second)).expect("a law");
            let heats_up_s = heats_up_s(&block, nozzle_c).min(1.0);
            let temperatures = [nozzle_c, if heats_up_s > 0.0 { 260.0 } else { nozzle_c }];
            assert!(!hotend.follow(f64::from(second), 1.0, 8.0, temperatures, heats_up_s));
            for _ in 0..10_000 {
                let rise = |c: f64, takes_w: f64| (0.1 * (320.0 - c) - takes_w) / 6.0;
                free_c = (free_c + step_s * rise(free_c, 0.0)).min(260.0);
                real_c = (real_c + step_s * rise(real_c, 8.0 * 2.5e-3 * (real_c - 20.0))).min(260.0);
            }
            // Each second takes the temperature at its start: 2 K rise in it, of some 200.
            assert!((hotend.below_k - (free_c - real_c)).abs() < 0.012 * (free_c - real_c) + 1e-3, "{second}");
        }
        assert!(hotend.below_k > COOLS_MOST_K, "{}", hotend.below_k);
        assert_eq!(cooled(Job::new().nozzle(heating), &[8.0; 60], &machine), None);
    }

    #[test]
    fn while_it_cools_down_all_is_left() {
        let cooling = NozzleSpan { start_c: Some(254.0), toward_c: 20.0, target_c: 220.0, ..held(0.0) };
        assert_eq!(cooled(Job::new().nozzle(cooling), &[10.0; 60], &weak()), None);
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
