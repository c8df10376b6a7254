//! Time by category, path lengths, filament.

use crate::block::{ActionKind, Block, flag, grid::Sum};
use crate::findings::{ActionCounts, Filament, Inspection, Log, Observer, PathParts, TimeParts};
use crate::machine::Machine;
use crate::physics::filament_area_mm2;

#[derive(Default, Clone, Copy)]
struct PerTool {
    net_mm: Sum,
    pushed_mm: Sum,
    purged_mm: Sum,
}

/// Owner of time, path and filament.
pub(super) struct Time {
    extruding_s: Sum,
    travel_s: Sum,
    extrude_only_s: Sum,
    dwell_s: Sum,
    homing_s: Sum,
    probing_s: Sum,
    tool_change_s: Sum,
    starved_s: Sum,
    heating_s: Sum,
    extruding_mm: Sum,
    travel_mm: Sum,
    tools: Vec<PerTool>,
    areas_mm2: Vec<f64>,
    densities_g_cm3: Vec<Option<f64>>,
    moves: u64,
    pauses: u64,
    actions: ActionCounts,
}

impl Time {
    pub(super) fn new(machine: &Machine) -> Self {
        Self {
            extruding_s: Sum::default(),
            travel_s: Sum::default(),
            extrude_only_s: Sum::default(),
            dwell_s: Sum::default(),
            homing_s: Sum::default(),
            probing_s: Sum::default(),
            tool_change_s: Sum::default(),
            starved_s: Sum::default(),
            heating_s: Sum::default(),
            extruding_mm: Sum::default(),
            travel_mm: Sum::default(),
            tools: vec![PerTool::default(); machine.tools.len()],
            areas_mm2: machine.tools.iter().map(|tool| filament_area_mm2(tool.filament_diameter_mm)).collect(),
            densities_g_cm3: machine.tools.iter().map(|tool| tool.density_g_cm3).collect(),
            moves: 0,
            pauses: 0,
            actions: ActionCounts::default(),
        }
    }

    fn moves(&mut self, block: &Block) {
        let tool = &mut self.tools[block.tool_index];
        let sums = [
            &mut self.extruding_s,
            &mut self.travel_s,
            &mut self.extrude_only_s,
            &mut self.extruding_mm,
            &mut self.travel_mm,
            &mut tool.net_mm,
            &mut tool.pushed_mm,
        ];
        block.vectors.run(
            #[inline(always)]
            || {
                Sum::gather(
                    sums,
                    block.len(),
                    #[inline(always)]
                    |i| {
                        let (time_s, length, de) = (block.time_s[i], block.length_mm[i], block.de_mm[i]);
                        let path = block.flags[i] & flag::PATH != 0;
                        let (extrudes, travels) = (path & (de > 0.0), path & (de <= 0.0));
                        let when = |is: bool, value: f64| if is { value } else { 0.0 };
                        [
                            when(extrudes, time_s),
                            when(travels, time_s),
                            when(!path, time_s),
                            when(extrudes, length),
                            when(travels, length),
                            de,
                            when(de > 0.0, de),
                        ]
                    },
                );
            },
        );
        for &(_, excess_mm) in &block.purges {
            tool.purged_mm.add(excess_mm);
        }
        self.moves += block.len() as u64;
    }

    fn filament(&self) -> Filament {
        let sum = |of: fn(&PerTool) -> Sum| {
            let mut sum = Sum::default();
            self.tools.iter().for_each(|tool| sum.join(of(tool)));
            sum.value()
        };
        let volume = |i: usize| self.tools[i].net_mm.value() * self.areas_mm2[i];
        let mut net_g = Some(0.0);
        for (i, tool) in self.tools.iter().enumerate() {
            if !tool.pushed_mm.is_zero() {
                // mm³ × g/cm³ / 1000 mm³/cm³.
                net_g = net_g.zip(self.densities_g_cm3[i]).map(|(sum, density)| sum + volume(i) * density / 1000.0);
            }
        }
        Filament {
            net_mm: sum(|tool| tool.net_mm),
            pushed_mm: sum(|tool| tool.pushed_mm),
            net_mm3: (0..self.tools.len()).map(volume).sum(),
            purged_mm: sum(|tool| tool.purged_mm),
            net_g,
        }
    }
}

impl Observer for Time {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        self.moves(block);
        for action in &block.actions {
            match action.kind {
                ActionKind::Heat { .. } => self.heating_s.add(action.duration_s),
                ActionKind::Home { axes, .. } => {
                    self.actions.homings += u64::from(axes != [false; 3]);
                    self.homing_s.add(action.duration_s);
                }
                ActionKind::Probe { .. } => {
                    self.actions.probings += 1;
                    self.probing_s.add(action.duration_s);
                }
                ActionKind::Tool { .. } => {
                    self.actions.tool_changes += 1;
                    self.tool_change_s.add(action.duration_s);
                }
                ActionKind::Starved => self.starved_s.add(action.duration_s),
                ActionKind::Pause { open_ended } => {
                    self.pauses += u64::from(open_ended);
                    self.dwell_s.add(action.duration_s);
                }
                _ => self.dwell_s.add(action.duration_s),
            }
        }
    }

    fn finish(&mut self, draft: &mut Inspection, _log: &mut Log) {
        draft.time_s = TimeParts {
            extruding: self.extruding_s.value(),
            travel: self.travel_s.value(),
            extrude_only: self.extrude_only_s.value(),
            dwell: self.dwell_s.value(),
            homing: self.homing_s.value(),
            probing: self.probing_s.value(),
            tool_change: self.tool_change_s.value(),
            starved: self.starved_s.value(),
            heating: self.heating_s.value(),
        };
        draft.path_mm = PathParts { extruding: self.extruding_mm.value(), travel: self.travel_mm.value() };
        draft.filament = self.filament();
        draft.job.moves = self.moves;
        draft.pauses = self.pauses;
        draft.actions = self.actions;
    }
}
