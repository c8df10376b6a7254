//! Physical models: pure state machines without findings or I/O.
//!
//! [`heat`] says how hot each heater is and how long a wait takes, [`melt`] what the job asks the hotend to melt,
//! [`capacity`] and [`melt_zone`] what it can melt, [`pressure`] how what comes out follows what is pushed in, [`vibration`] how the structure rings, [`standing`] what stands on the
//! bed, [`wall_clock`] how long a print takes by the clock on the wall. [`Physics`] runs the clock over planned blocks and fills in what
//! depends on it.

pub mod burst;
pub mod capacity;
mod decay;
pub(crate) mod digits;
pub mod heat;
pub mod lag;
pub mod levels;
pub mod melt;
pub mod melt_zone;
pub mod pressure;
pub mod standing;
pub mod vibration;
pub mod wall_clock;

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::f64::consts::PI;

use crate::block::{
    Action, ActionKind, Block, BlockInFlight, Heater, NozzleSpan, PendingAction, Pressed, TOOLS_KEPT, Wait, grid::Sum,
};
use crate::machine::{Machine, MeltRates, Shapers, Tool};
use crate::vectors::columns;
use burst::Burst;
use capacity::MeltCapacity;
use heat::{HeaterState, Reach};
use melt::{Melt, Scratch};
use pressure::Pressure;
use vibration::Vibration;

/// Cross-section of a filament, mm²: π d² / 4.
pub fn filament_area_mm2(diameter_mm: f64) -> f64 {
    PI / 4.0 * diameter_mm * diameter_mm
}

/// Ringing of the structure along one direction, on moves along the path that push filament.
#[derive(Debug, Clone, PartialEq)]
pub struct Ringing {
    /// Direction: `x`, `y`, `z`, or with crossed belts `x+y`, `x-y`.
    pub axis: Cow<'static, str>,
    /// Largest amplitude, mm (0 without extrusion).
    pub peak_mm: f64,
    /// Its line.
    pub peak_line: Option<u64>,
    /// Natural frequency of the mode that rings most there, Hz.
    pub peak_hz: Option<f64>,
    /// Distance of the marks on the wall there, mm: the highest speed of that move over the frequency.
    pub mark_spacing_mm: Option<f64>,
    /// Amplitude not exceeded for 95 % of the time, mm.
    pub p95_mm: Option<f64>,
    /// The amplitude the sheet accepts, mm.
    pub limit_mm: Option<f64>,
    /// Time above it, s.
    pub over_limit_s: Option<f64>,
}

/// Clock, heaters, melt state and ringing of one job.
pub struct Physics {
    /// Only clock, heaters and ringing are followed: no melt rates, no pressure, nor how far blocks reach.
    motion_alone: bool,
    tools: Vec<Tool>,
    areas_mm2: Vec<f64>,
    clock: Sum,
    tool: u32,
    nozzles: BTreeMap<u32, HeaterState>,
    bed: HeaterState,
    chamber: HeaterState,
    ambient_c: f64,
    melts: BTreeMap<u32, (Melt, Burst)>,
    /// Tool by tool, where that of any hangs on its temperature.
    capacities: Option<Vec<MeltCapacity>>,
    /// Filament was pushed at a temperature beyond those at which the melt rate was measured.
    beyond_measured: bool,
    /// Filament was pushed at a temperature that nobody knows, and without one the sheet gives no melt rate.
    melted_unweighed: bool,
    /// What is added to the targets of each tool's nozzle, °C, where that is not 0.
    offsets_c: Option<Vec<f64>>,
    scratch: Box<Scratch>,
    /// In the nozzles, where the sheet gives a lag.
    pressure: Option<Pressure>,
    vibration: Vibration,
    nozzle_commanded: bool,
    unmodelled_wait: bool,
    too_long_line: Option<u64>,
}

/// Longest move or wait that is followed, s (36 h); what takes longer is no print, and times stay exact sums below it.
pub const STEP_MAX_S: f64 = 131_072.0;
/// Longest job that is followed, s (24 days): below it any sum of times is exact in an f64, whatever its order.
pub const JOB_MAX_S: f64 = 2_097_152.0;

impl Physics {
    /// Everything cold, clock at 0, first tool.
    pub fn new(machine: &Machine) -> Self {
        let ambient_c = machine.ambient_c;
        Self {
            motion_alone: false,
            areas_mm2: machine.tools.iter().map(|tool| filament_area_mm2(tool.filament_diameter_mm)).collect(),
            clock: Sum::default(),
            tool: 0,
            nozzles: BTreeMap::new(),
            bed: HeaterState::cold(machine.bed.and_then(|bed| bed.heating), ambient_c),
            chamber: HeaterState::cold(machine.chamber.and_then(|chamber| chamber.heating), ambient_c),
            ambient_c,
            melts: BTreeMap::new(),
            capacities: MeltCapacity::of_all(machine),
            beyond_measured: false,
            melted_unweighed: false,
            offsets_c: machine
                .tools
                .iter()
                .any(|tool| tool.nozzle_offset_c != 0.0)
                .then(|| machine.tools.iter().map(|tool| tool.nozzle_offset_c).collect()),
            scratch: Scratch::new(),
            pressure: Pressure::new(machine),
            vibration: Vibration::new(&machine.structure),
            tools: machine.tools.clone(),
            nozzle_commanded: false,
            unmodelled_wait: false,
            too_long_line: None,
        }
    }

    /// For whoever asks for times and ringing alone, with the structure behind each of these pairs of shapers in place of those of
    /// the sheet, see [`Vibration::behind_each`].
    pub(crate) fn of_motion(machine: &Machine, shapers: &[Shapers]) -> Self {
        let vibration = Vibration::behind_each(&machine.structure, shapers);
        Self { motion_alone: true, vibration, capacities: None, pressure: None, ..Self::new(machine) }
    }

    /// Time so far, s.
    pub fn clock_s(&self) -> f64 {
        self.clock.value()
    }

    /// True when some wait counted 0 because the sheet gives no heating law for its heater.
    pub fn waited_without_law(&self) -> bool {
        self.unmodelled_wait
    }

    /// True when filament was pushed at a temperature beyond those at which the melt rate of the tool was measured.
    pub fn melted_beyond_measured(&self) -> bool {
        self.beyond_measured
    }

    /// True when filament was pushed at a temperature that nobody knows, without a melt rate for that.
    pub fn melted_unweighed(&self) -> bool {
        self.melted_unweighed
    }

    /// The line on which the job went beyond [`STEP_MAX_S`] or [`JOB_MAX_S`]: nothing is followed from there on.
    pub fn too_long_line(&self) -> Option<u64> {
        self.too_long_line
    }

    /// How the structure has rung so far, per direction with modes.
    pub fn ringing(&self) -> Vec<Ringing> {
        self.vibration.ringing()
    }

    /// Which description of a tool number is used: the first where the sheet has none.
    fn tool_index(&self) -> usize {
        let number = self.tool as usize;
        if number < self.tools.len() { number } else { 0 }
    }

    fn nozzle(&mut self, tool: u32) -> &mut HeaterState {
        let described = self.tools.get(tool as usize).or(self.tools.first());
        let fresh = HeaterState::cold(described.and_then(|tool| tool.heating), self.ambient_c);
        self.nozzles.entry(tool.min(TOOLS_KEPT as u32)).or_insert(fresh)
    }

    /// No temperature is known from here on.
    fn lose_heat(&mut self) {
        self.nozzle_commanded = true;
        for tool in 0..self.tools.len() {
            self.nozzle(tool as u32).lose();
        }
        self.bed.lose();
        self.chamber.lose();
    }

    fn heater(&mut self, heater: Heater) -> &mut HeaterState {
        match heater {
            Heater::Nozzle(tool) => self.nozzle(tool),
            Heater::Bed => &mut self.bed,
            Heater::Chamber => &mut self.chamber,
        }
    }

    /// Fills start time, tool, temperatures, melt columns and timed actions of a planned block, and moves on to its end.
    pub fn annotate(&mut self, planned: &mut BlockInFlight) {
        let block = &mut planned.block;
        block.start_s = self.clock_s();
        block.tool = self.tool;
        block.tool_index = self.tool_index();
        block.nozzle = self.nozzle_span();
        if !self.motion_alone {
            block.reach = block.path_box();
        }
        let mut moves = Sum::default();
        let lasting = block.vectors.run(
            #[inline(always)]
            || {
                Sum::gather([&mut moves], block.len(), |i| [block.time_s[i]]);
                columns::any(block.len(), |i| block.time_s[i] > STEP_MAX_S)
            },
        );
        let is_beyond = lasting || block.start_s + moves.value() > JOB_MAX_S || self.too_long_line.is_some();
        if is_beyond && !block.is_empty() {
            let line = (0..block.len()).find(|&i| block.time_s[i] > STEP_MAX_S).unwrap_or(0);
            self.too_long_line.get_or_insert(block.line[line]);
            block.stand_still();
            moves = Sum::default();
        }
        let area_mm2 = self.areas_mm2[block.tool_index];
        let capacity = self.weigh(block, moves.value());
        if !self.motion_alone {
            let ((melt, burst), scratch) = self.melt_state();
            if let Some(capacity) = capacity {
                burst.hold_against(capacity.peak_mm3_s);
            }
            melt.follow(block, area_mm2, scratch);
            burst.follow(block, area_mm2);
        }
        if let Some(pressure) = &mut self.pressure {
            pressure.follow(block);
        }
        self.vibration.follow(block);
        self.pass(moves);
        for closing in &planned.closing {
            let at_s = self.clock_s();
            let kind = self.with_offset(closing.kind);
            let (wait_s, reach_c) = self.wait_s(&kind);
            let mut duration_s = closing.duration_s + wait_s;
            let is_beyond = duration_s > STEP_MAX_S || at_s + duration_s > JOB_MAX_S;
            if is_beyond || self.too_long_line.is_some() {
                self.too_long_line.get_or_insert(closing.line);
                duration_s = 0.0;
            }
            let mut duration = Sum::default();
            duration.add(duration_s);
            let line = closing.line;
            block.actions.push(Action { line, at_s, duration_s: duration.value(), kind, reach_c });
            if duration_s > 0.0 {
                if !self.motion_alone {
                    let (melt, burst) = self.melt_state().0;
                    melt.idle(duration_s);
                    burst.rest(duration_s);
                }
                self.vibration.rest(duration_s);
                self.pass(duration);
            }
            self.press(closing, duration_s, &mut block.pressed);
            if let ActionKind::Tool { number } = closing.kind {
                self.change_tool(number);
            }
        }
    }

    /// The least that the hotend melts during the moves of a block, which take so many seconds; none where that is always the
    /// same.
    fn weigh(&mut self, block: &mut Block, lasts_s: f64) -> Option<MeltRates> {
        let capacity = self.capacities.as_mut()?.get_mut(block.tool_index)?;
        let least = capacity::least(capacity, block, lasts_s);
        block.capacity = Some(least);
        let said = self.beyond_measured && self.melted_unweighed;
        if said || !(0..block.len()).any(|i| block.de_mm[i] > 0.0) {
            return Some(least);
        }
        self.melted_unweighed |= least.sustained_mm3_s.is_none();
        if let Some([low_c, high_c]) = capacity.measured_c() {
            let beyond = |after_s: f64| block.nozzle.melts_at(after_s).is_some_and(|c| c < low_c || c > high_c);
            // The nozzle goes one way during a block: where both of its ends are within, all of it is. Else each move that
            // pushes tells, at both ends, so that nothing depends on where blocks are cut.
            if !self.beyond_measured && (beyond(0.0) || beyond(lasts_s)) {
                let mut after_s = 0.0;
                self.beyond_measured = (0..block.len()).any(|i| {
                    let start_s = after_s;
                    after_s += block.time_s[i];
                    block.de_mm[i] > 0.0 && (beyond(start_s) || beyond(after_s))
                });
            }
        }
        Some(least)
    }

    /// With what the sheet adds to targets of the nozzle; one that is off stays off.
    fn with_offset(&self, kind: ActionKind) -> ActionKind {
        match (kind, &self.offsets_c) {
            (ActionKind::Heat { heater: Heater::Nozzle(tool), target_c, asked_c, wait }, Some(offsets_c))
                if target_c > 0.0 =>
            {
                let offset_c = offsets_c.get(tool as usize).or(offsets_c.first()).copied().unwrap_or(0.0);
                let target_c = (target_c + offset_c).max(0.0);
                ActionKind::Heat { heater: Heater::Nozzle(tool), target_c, asked_c, wait }
            }
            _ => kind,
        }
    }

    fn nozzle_span(&mut self) -> NozzleSpan {
        if !self.nozzle_commanded {
            return NozzleSpan::default();
        }
        let (tool, ambient_c) = (self.tool, self.ambient_c);
        // A tool that is neither described nor was ever heated by its number has the heater of the first.
        let is_own = (tool as usize) < self.tools.len() || self.nozzles.contains_key(&tool.min(TOOLS_KEPT as u32));
        self.nozzle(if is_own { tool } else { 0 }).span(ambient_c)
    }

    /// Lets time go by for all heaters.
    fn pass(&mut self, time: Sum) {
        self.clock.join(time);
        let seconds = time.value();
        if seconds > 0.0 {
            for heater in self.nozzles.values_mut().chain([&mut self.bed, &mut self.chamber]) {
                heater.pass(seconds);
            }
        }
    }

    /// Sets targets; how long the job waits, s, and what a heater tends to that never gets there, °C.
    fn wait_s(&mut self, kind: &ActionKind) -> (f64, Option<f64>) {
        let ambient_c = self.ambient_c;
        let (heater, target_c, wait) = match *kind {
            ActionKind::Heat { heater, target_c, wait, .. } => (heater, target_c, wait),
            ActionKind::HeatUnknown { heater } => {
                self.nozzle_commanded |= matches!(heater, Heater::Nozzle(_));
                self.heater(heater).lose();
                return (0.0, None);
            }
            ActionKind::Unfollowed => {
                self.lose_heat();
                return (0.0, None);
            }
            _ => return (0.0, None),
        };
        self.nozzle_commanded |= matches!(heater, Heater::Nozzle(_)) && target_c > 0.0;
        let state = self.heater(heater);
        state.set(target_c, wait != Wait::No, ambient_c);
        if wait == Wait::No {
            return (0.0, None);
        }
        match state.wait(wait == Wait::ToHeatOrCool, ambient_c) {
            Reach::In(seconds) => (seconds, None),
            Reach::NoLaw => {
                self.unmodelled_wait = true;
                (0.0, None)
            }
            Reach::Never(reach_c) => (0.0, Some(reach_c)),
        }
    }

    /// What an action does to the pressure in the nozzles.
    fn press(&mut self, action: &PendingAction, lasts_s: f64, pressed: &mut Pressed) {
        let (index, described) = (self.tool_index(), self.tools.len());
        let Some(pressure) = &mut self.pressure else { return };
        pressure.rest(self.tool, index, lasts_s, action.line, pressed);
        match action.kind {
            ActionKind::Lead { tool, lead_s } => {
                let index = if (tool as usize) < described { tool as usize } else { 0 };
                pressure.set_lead(tool, index, lead_s);
            }
            ActionKind::End => pressure.finish(pressed),
            _ => {}
        }
    }

    /// The old tool rests from now on; the new one has rested since it was put away.
    fn change_tool(&mut self, number: u32) {
        let now_s = self.clock_s();
        self.melt_state().0.0.put_away(now_s);
        let before = (self.tool, self.tool_index());
        self.tool = number;
        let after = (self.tool, self.tool_index());
        if let Some(pressure) = &mut self.pressure {
            pressure.put_away(before.0, before.1, now_s);
            pressure.take_up(after.0, after.1, now_s);
        }
        let (melt, burst) = self.melt_state().0;
        burst.rest(melt.take_up(now_s));
    }

    /// Melt and retraction of the tool in use: each number has its own, described in the sheet or not.
    fn melt_state(&mut self) -> (&mut (Melt, Burst), &mut Scratch) {
        let tool = &self.tools[self.tool_index()];
        let fresh = || (Melt::new(tool.melt_window_s), Burst::new(tool.melt_window_s, tool.peak_mm3_s));
        let melt = self.melts.entry(self.tool.min(TOOLS_KEPT as u32)).or_insert_with(fresh);
        (melt, &mut self.scratch)
    }
}
