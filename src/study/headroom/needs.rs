//! The reverse question: what machine does this job need?

use crate::findings::Inspection;
use crate::machine::Machine;
use crate::physics::capacity::MeltCapacity;

/// One thing that the job asks of a machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Need {
    /// What.
    pub what: String,
    /// How much the job needs.
    pub needed: f64,
    /// What the sheet gives; none where it says nothing.
    pub given: Option<f64>,
    /// Unit of both.
    pub unit: &'static str,
    /// True when the machine must reach at most that (the low end of a travel), false when at least.
    pub at_most: bool,
    /// Line that needs it.
    pub line: Option<u64>,
}

impl Need {
    /// True when the sheet gives less than is needed.
    pub fn is_short(&self) -> bool {
        self.given.is_some_and(|given| if self.at_most { given > self.needed } else { given < self.needed })
    }
}

/// What a job needs, from its report on `machine`: as it is planned there. Another machine plans it otherwise, so rates
/// hold for these limits of motion.
pub fn needs(today: &Inspection, machine: &Machine) -> Vec<Need> {
    let mut needs = Vec::new();
    let mut need = |what: &str, needed: Option<f64>, given: Option<f64>, unit: &'static str, line: Option<u64>| {
        let row = |needed| Need { what: what.to_owned(), needed, given, unit, at_most: false, line };
        needs.extend(needed.filter(|needed| *needed > 0.0).map(row));
    };
    for (number, (flow, tool)) in today.flow_by_tool.iter().zip(&machine.tools).enumerate() {
        let of = if machine.tools.len() > 1 { format!(" of T{number}") } else { String::new() };
        let (sustained, burst) = (flow.sustained_peak_mm3_s, flow.burst_peak_mm3_s);
        let what = format!("sustained melt rate{of}");
        // Where it hangs on the temperature, what it melts at the hottest that the job asks for.
        let hottest_c = today.heat.tools_max_c.iter().find(|(of, _)| *of as usize == number).map(|(_, c)| *c);
        let given = MeltCapacity::of(tool).at(hottest_c);
        need(&what, Some(sustained), given.sustained_mm3_s, "mm3/s", flow.sustained_peak_line);
        need(&format!("melt rate in a burst{of}"), Some(burst), given.peak_mm3_s, "mm3/s", flow.burst_peak_line);
    }
    let limit_hz = machine.controller.step_rate_limit_hz;
    for rate in &today.step_rates {
        need(&format!("step rate, motor {}", rate.motor), Some(rate.hz), limit_hz, "Hz", rate.line);
    }
    if let Some(rate) = today.command_rate {
        need("command rate", Some(rate.hz), machine.controller.command_rate_limit_hz, "Hz", Some(rate.line));
    }
    for (tool, hottest_c) in &today.heat.tools_max_c {
        let given = machine.tools.get(*tool as usize).or(machine.tools.first()).and_then(|tool| tool.limit_c);
        need(&format!("nozzle temperature of T{tool}"), Some(*hottest_c), given, "°C", None);
    }
    need("bed temperature", today.heat.bed_max_c, machine.bed.and_then(|bed| bed.limit_c), "°C", None);
    let chamber = machine.chamber.and_then(|chamber| chamber.limit_c);
    need("chamber temperature", today.heat.chamber_max_c, chamber, "°C", None);
    let spool = (machine.tools.len() == 1).then(|| machine.tools[0].on_spool_mm).flatten();
    need("filament", Some(today.filament.net_mm), spool, "mm", None);
    if let Some(reached) = today.reached {
        for (axis, name) in ["x", "y", "z"].into_iter().enumerate() {
            let ends = [
                ("lowest", reached.min[axis], machine.travel.min[axis], true),
                ("highest", reached.max[axis], machine.travel.max[axis], false),
            ];
            for (end, needed, given, at_most) in ends {
                let what = format!("{end} {name}");
                // Homing may end outside the travel, and does no harm there.
                let out = if at_most { needed < given } else { needed > given };
                if out && needed == machine.travel.home[axis] {
                    continue;
                }
                needs.push(Need { what, needed, given: Some(given), unit: "mm", at_most, line: None });
            }
        }
    }
    needs
}
