//! What the reading of a job takes from the machine.

use crate::machine::{ExtrusionMode, Feature, Machine, Macro, Retraction, Tool};

/// All that the reading of a job takes from the machine: two machines that are equal in it give the same events.
#[derive(Debug, Clone, PartialEq)]
pub struct Dialect {
    pub(super) extrusion_mode: ExtrusionMode,
    pub(super) obeys_limits_in_job: bool,
    pub(super) default_feed_mm_s: f64,
    pub(super) dwell_p_s: f64,
    pub(super) line_length_limit_bytes: Option<u64>,
    pub(super) sends_comments: bool,
    pub(super) first_command_only: bool,
    /// Of the sheet, X, Y, Z, E.
    pub(super) steps_per_mm: [Option<f64>; 4],
    pub(super) lacks: Vec<Feature>,
    pub(super) homing_s: f64,
    pub(super) probing_s: f64,
    pub(super) tool_change_s: f64,
    pub(super) home: [f64; 3],
    /// Where it goes before Z is homed.
    pub(super) homes_z_at_mm: Option<[f64; 2]>,
    /// Speed of the lift that G10 makes: the controller's own, so the Z limit.
    pub(super) lift_mm_s: f64,
    /// Offset, mm, and retraction of each tool.
    pub(super) tools: Vec<([f64; 3], Option<Retraction>)>,
    /// The tool of each tool number below their count; empty where each tool has one number, its own.
    pub(super) tool_of_number: Vec<u32>,
    pub(super) no_tool_number: Option<f64>,
    pub(super) macros: Vec<Macro>,
    /// Leads that the sheet gives each tool, s; empty where nothing depends on them.
    pub(super) leads_s: Vec<f64>,
    /// Whether accelerations depend on the lead.
    pub(super) lead_limits: bool,
    /// Of the room: a target at or below it is off, °C.
    pub(super) ambient_c: f64,
    pub(super) has_bed: bool,
    pub(super) has_chamber: bool,
}

impl Dialect {
    /// True when two machines read a job in the same way that `lifts` with G10, or does not.
    pub fn suits(&self, other: &Self, lifts: bool) -> bool {
        let lift_mm_s = if lifts { self.lift_mm_s } else { other.lift_mm_s };
        Self { lift_mm_s, ..self.clone() } == *other
    }

    /// That of a machine.
    pub fn of(machine: &Machine) -> Self {
        let controller = &machine.controller;
        Self {
            extrusion_mode: controller.extrusion_mode,
            obeys_limits_in_job: controller.obeys_limits_in_job,
            default_feed_mm_s: controller.default_feed_rate_mm_s,
            dwell_p_s: controller.dwell_p_s,
            line_length_limit_bytes: controller.line_length_limit_bytes,
            sends_comments: controller.sends_comments,
            first_command_only: controller.first_command_only,
            steps_per_mm: controller.steps_per_mm,
            lacks: controller.lacks.clone(),
            homing_s: controller.homing_s.unwrap_or(0.0),
            probing_s: controller.probing_s.unwrap_or(0.0),
            tool_change_s: controller.tool_change_s.unwrap_or(0.0),
            home: machine.travel.home,
            homes_z_at_mm: machine.travel.homes_z_at_mm,
            lift_mm_s: machine.motion.limits.feed_rate_mm_s[2],
            tools: machine.tools.iter().map(|tool| (tool.offset_mm, tool.retraction)).collect(),
            tool_of_number: tool_of_number(&machine.tools),
            no_tool_number: controller.no_tool_number,
            macros: machine.macros.clone(),
            leads_s: leads_s(machine),
            lead_limits: machine.motion.limits.lead_jump_mm_s.is_finite(),
            ambient_c: machine.ambient_c,
            has_bed: machine.bed.is_some(),
            has_chamber: machine.chamber.is_some(),
        }
    }
}

fn leads_s(machine: &Machine) -> Vec<f64> {
    let lags = machine.tools.iter().any(|tool| !tool.pressure_lag.is_empty());
    let follows = lags || machine.motion.limits.lead_jump_mm_s.is_finite();
    let leads = machine.tools.iter().map(|tool| tool.extrusion_lead_s.unwrap_or(0.0));
    if follows { leads.collect() } else { Vec::new() }
}

fn tool_of_number(tools: &[Tool]) -> Vec<u32> {
    if tools.iter().all(|tool| tool.filaments == 1) {
        return Vec::new();
    }
    let numbers = |(tool, described): (usize, &Tool)| vec![tool as u32; described.filaments as usize];
    tools.iter().enumerate().flat_map(numbers).collect()
}
