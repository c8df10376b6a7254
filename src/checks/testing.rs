//! A machine and small hand-made jobs for the tests of the checks.

use std::collections::BTreeMap;

use super::levels::FollowLevels;
use crate::block::{Action, ActionKind, BLOCK, Block, CurvedMove, Heater, NozzleSpan, Wait, flag};
use crate::findings::{Built, Check, Finding, Inspection, JobFacts, Log, MachineFacts, Observer};
use crate::geometry::{Arc, Curve};
use crate::machine::{
    Bed, BedShape, Chamber, Controller, CornerRule, DriveLayout, Drives, ExtrusionMode, HeatedBody, Limits, LookAhead,
    Machine, Motion, Ramp, Structure, Tool, Travel,
};
use crate::physics::capacity::{self, MeltCapacity};
use crate::preflight::{JobSource, Preflight};

/// A tool of the invented machine.
pub fn tool() -> Tool {
    Tool {
        filament_diameter_mm: 1.75,
        nozzle_diameter_mm: Some(0.4),
        limit_c: Some(260.0),
        extrude_min_c: Some(170.0),
        sustained_mm3_s: Some(10.0),
        peak_mm3_s: Some(15.0),
        melt_rate_measured_at_c: None,
        melt_by_heat: None,
        melt_window_s: 1.0,
        nozzle_offset_c: 0.0,
        layer_time_min_s: None,
        filaments: 1,
        retraction_limit_mm: 120.0,
        heating: None,
        body: HeatedBody::default(),
        plastic_liner: None,
        liner_limit_c: None,
        density_g_cm3: None,
        filament_specific_heat_j_g_k: None,
        on_spool_mm: Some(1000.0),
        offset_mm: [0.0; 3],
        retraction: None,
        extrusion_lead_s: None,
        pressure_lag: Vec::new(),
        bulge_limit_mm3: None,
    }
}

/// An invented machine with every key the checks ask for.
pub fn machine() -> Machine {
    Machine {
        name: "Wren (invented)".to_owned(),
        source: "test".to_owned(),
        digest: String::new(),
        text: String::new(),
        built_in: false,
        travel: Travel {
            min: [0.0, 0.0, 0.0],
            max: [200.0, 200.0, 180.0],
            bed: BedShape::Rectangle,
            home: [0.0; 3],
            home_given: true,
            homes_z_at_mm: None,
            keep_out: Vec::new(),
            printable: None,
            purge: Vec::new(),
        },
        motion: motion(),
        drive: Drives::default(),
        structure: Structure::default(),
        controller: controller(),
        tools: vec![tool()],
        macros: Vec::new(),
        probe_offset_mm: None,
        head: None,
        bed: Some(Bed { limit_c: Some(100.0), heating: None, body: HeatedBody::default() }),
        chamber: Some(Chamber { limit_c: Some(60.0), heating: None }),
        power: None,
        ambient_c: 20.0,
        clock: None,
        severities: BTreeMap::new(),
        origins: Default::default(),
        known_checks: Vec::new(),
    }
}

fn motion() -> Motion {
    Motion {
        drive_layout: DriveLayout::OnePerAxis,
        limits: Limits {
            feed_rate_mm_s: [200.0, 200.0, 10.0, 50.0],
            acceleration_mm_s2: [1500.0, 1500.0, 100.0, 5000.0],
            printing_mm_s2: 1000.0,
            travel_mm_s2: 1000.0,
            retraction_mm_s2: 1000.0,
            corner: CornerRule::Jerk,
            jerk_mm_s: [8.0, 8.0, 0.4, 5.0],
            junction_deviation_mm: 0.02,
            lead_s: 0.0,
            lead_jump_mm_s: f64::INFINITY,
        },
        look_ahead: LookAhead::Moves(16),
        ramp: Ramp::Trapezoid,
    }
}

fn controller() -> Controller {
    Controller {
        extrusion_mode: ExtrusionMode::LatestWord,
        obeys_limits_in_job: true,
        default_feed_rate_mm_s: 25.0,
        dwell_p_s: 0.001,
        pause: Some("M0".to_owned()),
        first_command_only: false,
        steps_per_mm: [Some(80.0), Some(80.0), Some(400.0), Some(100.0)],
        step_rate_limit_hz: Some(16_000.0),
        command_rate_limit_hz: Some(500.0),
        acknowledge_s: None,
        sends_comments: true,
        thin_queue: None,
        serial_baud: Some(115_200.0),
        line_length_limit_bytes: Some(96),
        lacks: Vec::new(),
        homing_s: None,
        probing_s: None,
        tool_change_s: None,
        step_spread_s: None,
        no_tool_number: None,
    }
}

/// A job made by hand: one move or action a line, at constant speed.
pub struct Job {
    blocks: Vec<Block>,
    open: Block,
    at: [f64; 3],
    line: u64,
    speed_mm_s: f64,
    clock_s: f64,
}

impl Job {
    /// At the origin, 50 mm/s, hot nozzle of tool 0.
    pub fn new() -> Self {
        let hot = NozzleSpan {
            start_c: Some(215.0),
            toward_c: 215.0,
            target_c: 215.0,
            awaited: true,
            ..NozzleSpan::default()
        };
        let open = Block { nozzle: hot, ..Block::default() };
        Self { blocks: Vec::new(), open, at: [0.0; 3], line: 0, speed_mm_s: 50.0, clock_s: 0.0 }
    }

    /// Speed of the next moves, mm/s.
    pub fn speed(mut self, speed_mm_s: f64) -> Self {
        self.speed_mm_s = speed_mm_s;
        self
    }

    /// Temperature of the nozzle from here on, as at the start of a block.
    pub fn nozzle(mut self, span: NozzleSpan) -> Self {
        self.close();
        self.open.nozzle = span;
        self
    }

    /// Tool in use from here on.
    pub fn tool(mut self, number: u32, index: usize) -> Self {
        self.close();
        (self.open.tool, self.open.tool_index) = (number, index);
        self
    }

    /// A straight move with `de` mm of filament.
    pub fn to(self, end: [f64; 3], de: f64) -> Self {
        let run = [end[0] - self.at[0], end[1] - self.at[1], end[2] - self.at[2]];
        let length = (run[0] * run[0] + run[1] * run[1] + run[2] * run[2]).sqrt();
        let dir = run.map(|part| part / length);
        self.path(end, de, length, dir)
    }

    /// An arc that starts here, about `centre`, in the plane of `axes`; the third axis stays.
    pub fn arc(mut self, axes: [usize; 3], centre: [f64; 2], sweep_rad: f64, de: f64) -> Self {
        let [a, b, _] = axes;
        let arm = [self.at[a] - centre[0], self.at[b] - centre[1]];
        let (radius, start_rad) = (arm[0].hypot(arm[1]), arm[1].atan2(arm[0]));
        let point = |angle: f64| [centre[0] + radius * angle.cos(), centre[1] + radius * angle.sin()];
        let tangent = |angle: f64| [-angle.sin() * sweep_rad.signum(), angle.cos() * sweep_rad.signum()];
        let placed = |pair: [f64; 2], base: [f64; 3]| {
            let mut out = base;
            (out[a], out[b]) = (pair[0], pair[1]);
            out
        };
        let end = placed(point(start_rad + sweep_rad), self.at);
        let dirs = [start_rad, start_rad + sweep_rad].map(|angle| placed(tangent(angle), [0.0; 3]));
        let index = self.open.len();
        let curve = Curve::Arc(Arc { axes, centre, radius, start_rad, sweep_rad });
        self.open.curves.push(CurvedMove { at: index, curve, dir_end: dirs[1] });
        self = self.path(end, de, radius * sweep_rad.abs(), dirs[0]);
        self.open.flags[index] |= flag::CURVE | (flag::X << a) | (flag::X << b);
        self
    }

    fn path(mut self, end: [f64; 3], de: f64, length: f64, dir: [f64; 3]) -> Self {
        let mut flags = flag::PATH;
        for (axis, (end, at)) in end.iter().zip(self.at).enumerate() {
            if *end != at {
                flags |= flag::X << axis;
            }
        }
        let area = std::f64::consts::PI * 1.75 * 1.75 / 4.0;
        self.row(end, de, length, dir, (area * de / length).max(0.0), flags);
        self
    }

    /// Moves only the filament.
    pub fn filament(mut self, de: f64) -> Self {
        self.row(self.at, de, de.abs(), [0.0; 3], 0.0, 0);
        self
    }

    fn row(&mut self, end: [f64; 3], de: f64, length: f64, dir: [f64; 3], section_mm2: f64, flags: u8) {
        self.line += 1;
        if self.open.len() == BLOCK {
            self.close();
        }
        let (block, speed) = (&mut self.open, self.speed_mm_s);
        if block.is_empty() {
            block.origin = self.at;
        }
        let i = block.add();
        block.line[i] = self.line;
        for axis in 0..3 {
            block.to[axis][i] = end[axis];
            block.dir[axis][i] = dir[axis];
        }
        block.dir[3][i] = de / length;
        block.de_mm[i] = de;
        block.length_mm[i] = length;
        block.flags[i] = flags | flag::KNOWN_X | flag::KNOWN_Y | flag::KNOWN_Z;
        for column in [&mut block.feed_commanded_mm_s, &mut block.feed_mm_s, &mut block.feed_allowed_mm_s] {
            column[i] = speed;
        }
        for column in [&mut block.v_start_mm_s, &mut block.v_peak_mm_s, &mut block.v_end_mm_s] {
            column[i] = speed;
        }
        block.accel_mm_s2[i] = 1000.0;
        block.commands[i] = 1;
        block.bytes[i] = 30;
        (block.t_up_s[i], block.t_cruise_s[i], block.t_down_s[i]) = (0.0, length / speed, 0.0);
        block.time_s[i] = length / speed;
        block.section_mm2[i] = section_mm2;
        (block.sustained_mm3_s[i], block.sustained_start_mm3_s[i]) = (section_mm2 * speed, section_mm2 * speed);
        self.at = end;
        self.clock_s += length / speed;
    }

    /// Changes the columns of the last move.
    pub fn tweak(mut self, change: impl FnOnce(&mut Block, usize)) -> Self {
        let last = self.open.len() - 1;
        change(&mut self.open, last);
        self
    }

    /// An action that takes no time.
    pub fn act(self, kind: ActionKind) -> Self {
        self.act_for(kind, 0.0)
    }

    /// An action that takes `duration_s`.
    pub fn act_for(mut self, kind: ActionKind, duration_s: f64) -> Self {
        self.line += 1;
        self.open.actions.push(Action { line: self.line, at_s: self.clock_s, duration_s, kind, reach_c: None });
        self.clock_s += duration_s;
        self.close();
        self
    }

    /// A target without waiting.
    pub fn heat(self, heater: Heater, target_c: f64) -> Self {
        self.act(ActionKind::Heat { heater, target_c, asked_c: target_c, wait: Wait::No })
    }

    /// Homes these axes, position 0.
    pub fn home(mut self, axes: [bool; 3]) -> Self {
        for axis in (0..3).filter(|&axis| axes[axis]) {
            self.at[axis] = 0.0;
        }
        let position = self.at;
        self.act(ActionKind::Home { axes, position })
    }

    fn close(&mut self) {
        let next = Block {
            nozzle: self.open.nozzle,
            tool: self.open.tool,
            tool_index: self.open.tool_index,
            start_s: self.clock_s,
            ..Block::default()
        };
        let mut done = std::mem::replace(&mut self.open, next);
        (0..done.len()).for_each(|i| done.peak_mm3_s[i] = done.section_mm2[i] * done.v_peak_mm_s[i]);
        done.burst_mm3_s = done.peak_mm3_s;
        done.burst_most_mm3_s = done.peak_mm3_s[..done.len()].iter().copied().fold(0.0, f64::max);
        done.reach = done.path_box();
        if !done.is_empty() || !done.actions.is_empty() {
            self.blocks.push(done);
        }
    }

    /// Ends the job; its blocks.
    pub fn into_blocks(self) -> Vec<Block> {
        self.act(ActionKind::End).blocks
    }

    /// Moves, arcs and speeds at random around the middle of `size` mm; the same for the same seed.
    pub fn random(seed: u64, size: f64, speed: f64) -> Self {
        let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
        let mut random = || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 11) as f64 / (1u64 << 53) as f64
        };
        let mut job = Self::new().to([size / 2.0, size / 2.0, 1.0], 0.0);
        for _ in 0..40 {
            job = job.speed(speed * (0.5 + random()));
            let [x, y] = [random() * size, random() * size];
            job = match (random() * 10.0) as u32 {
                0 => job.filament(random() - 0.5),
                1 | 2 => {
                    job.arc([[0, 1, 2], [2, 0, 1], [1, 2, 0]][(random() * 3.0) as usize], [x, y], 5.0 * random(), 0.5)
                }
                3 => job.to([x, y, 10.0 * random()], 0.0),
                _ => job.to([x, y, 1.0], random()),
            };
        }
        job
    }

    /// Ends the job and lets one check watch it.
    pub fn findings(self, check: &Check, machine: &Machine) -> Vec<Finding> {
        let mut blocks = self.into_blocks();
        if let Some(mut capacities) = MeltCapacity::of_all(machine) {
            for block in &mut blocks {
                let lasts_s = block.time_s[..block.len()].iter().sum();
                block.capacity = Some(capacity::least(&mut capacities[block.tool_index], block, lasts_s));
            }
        }
        let mut observer: Box<dyn Observer> = match (check.build)(machine, "job.gcode") {
            Built::Watching(observer) => observer,
            Built::OnLevels(judge) => Box::new(FollowLevels::new(machine, vec![judge])),
            _ => panic!("{} does not watch", check.id),
        };
        let mut log = Log::new(&machine.severities);
        observer.begin(&mut log);
        let mut totals = crate::totals::observers(machine);
        for block in &blocks {
            totals.iter_mut().for_each(|total| total.observe(block, &mut Log::default()));
            observer.observe(block, &mut log);
        }
        // What checks ask the report for at the end.
        let mut draft = draft();
        totals.iter_mut().for_each(|total| total.finish(&mut draft, &mut Log::default()));
        observer.finish(&mut draft, &mut log);
        let findings = log.into_findings();
        for finding in &findings {
            assert!(finding.message.ends_with('.'), "a sentence: {}", finding.message);
        }
        findings
    }
}

/// What is reported of a job that is given as text.
pub fn judged(machine: &Machine, job: &str) -> Inspection {
    Preflight::on(machine).run(JobSource::stream(job.as_bytes(), "job.gcode")).expect("memory can be read")
}

/// What a check finds in it.
pub fn found(check: &Check, machine: &Machine, job: &str) -> Vec<Finding> {
    judged(machine, job).findings.into_iter().filter(|finding| finding.check == check.id).collect()
}

/// The reason why a check is skipped on this machine.
pub fn skipped(check: &Check, machine: &Machine) -> String {
    match (check.build)(machine, "job.gcode") {
        Built::Skipped(reason) => reason,
        _ => panic!("{} is not skipped", check.id),
    }
}

fn draft() -> Inspection {
    let job = JobFacts { path: String::new(), bytes: 0, lines: 0, commands: 0, moves: 0, digest: String::new() };
    let machine = MachineFacts { name: String::new(), source: String::new(), digest: String::new(), built_in: false };
    Inspection::draft(job, machine)
}
