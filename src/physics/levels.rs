//! The levels at which filament is laid: how much on each, how far it stands above the level below, and how much of all lies
//! in lines that are too thin for the bore.
//!
//! A level is a height of the tip, told apart by 0.01 mm, or by as much more as it takes for 65 536 of them to
//! cover the travel. A line that rises or falls belongs to the level of its higher end, and reaches down to the lower one. The
//! level *below* a line is the highest one at least [`standing::LEVEL_MM`] under it that something was laid at so far, whoever
//! laid it: what the line really lies on is never higher. So a step is never taken for larger than it is, whatever order parts
//! are printed in; on a spiral it is a small part of the turn. A line that rises or falls by a level and more is no part of a
//! layer, however far the level below is: strands that stand free climb so. The tail of a purge line that rises is on no level.

use std::collections::BTreeMap;

use super::{filament_area_mm2, standing};
use crate::block::{ActionKind, Block, flag, grid::Sum};
use crate::machine::{Machine, Rectangle};
use crate::vectors::columns::{self, larger, smaller};

/// Heights of tips that differ by less may be one level, mm.
const LEVEL_MM: f64 = 0.01;
/// Most levels of a machine.
const LEVELS_MOST: f64 = 65_536.0;
/// A cross-section above this times the square of the bore is a purge and no line; common practice, no source.
pub const THICK_BORES: f64 = 4.0;
/// Share of bore times layer height below which a cross-section is thin.
pub const THIN_SHARE: f64 = 0.5;
/// No layer counts as higher than this share of the bore where lines are judged; common practice, no source.
pub const HIGHEST_SHARE: f64 = 0.75;
/// Steps above this many bores are gaps and no layers.
const GAP_BORES: f64 = 4.0;
/// At most so many moves that rise while they push, before anything is laid at a second height, are the tail of a purge
/// line: common practice, no source. What goes on to rise is a part.
pub const TAIL_MOVES: usize = 4;
/// Slack for heights that are rounded, mm.
const SLACK_MM: f64 = 0.005;
const ALONG: u8 = flag::X | flag::Y;

/// Where something begins: the line of the job, and where the machine is at its end, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Begin {
    /// The line.
    pub line: u64,
    /// The place, machine coordinates.
    pub place_mm: [f64; 3],
}

impl Begin {
    fn of(block: &Block, i: usize) -> Self {
        Self { line: block.line[i], place_mm: block.end(i) }
    }
}

/// One level.
#[derive(Debug, Clone, Copy)]
pub struct Level {
    /// Its height, mm.
    pub z_mm: f64,
    /// How far down its lines reach, mm.
    pub lowest_mm: f64,
    /// The first line on it.
    pub begin: Begin,
    /// The largest bore that laid something on it, mm; infinite where the sheet gives none.
    pub bore_mm: f64,
    volume_mm3: Sum,
    is_high: bool,
}

impl Level {
    /// What is laid on it, mm³.
    pub fn volume_mm3(&self) -> f64 {
        self.volume_mm3.value()
    }
}

/// Lines that are too thin, all together.
#[derive(Debug, Clone, Copy, Default)]
pub struct ThinLines {
    /// The first of them.
    pub begin: Option<Begin>,
    /// How many.
    pub lines: u64,
    volume_mm3: Sum,
    length_mm: Sum,
    /// The bound of each times its length.
    bound_mm3: Sum,
}

impl ThinLines {
    /// Their volume, mm³.
    pub fn volume_mm3(&self) -> f64 {
        self.volume_mm3.value()
    }

    /// Mean cross-section, mm², and the mean of what it should be at least.
    pub fn sections_mm2(&self) -> [f64; 2] {
        [self.volume_mm3, self.bound_mm3].map(|sum| mean(sum, self.length_mm))
    }
}

/// Layers that are higher than the bore, all together.
#[derive(Debug, Clone, Copy, Default)]
pub struct HighLayers {
    /// The first line of the first of them.
    pub begin: Option<Begin>,
    /// How many levels.
    pub levels: u64,
    volume_mm3: Sum,
    /// The step of each, and the bore, times its volume.
    steps: Sum,
    bores: Sum,
}

impl HighLayers {
    /// Their volume, mm³.
    pub fn volume_mm3(&self) -> f64 {
        self.volume_mm3.value()
    }

    /// Mean height, mm, and mean bore.
    pub fn heights_mm(&self) -> [f64; 2] {
        [self.steps, self.bores].map(|sum| mean(sum, self.volume_mm3))
    }
}

/// A mean, without the rounding of the sums.
fn mean(sum: Sum, of: Sum) -> f64 {
    (sum.value() / of.value() * 1e6).round() / 1e6
}

/// All levels of a job.
#[derive(Debug)]
pub struct Levels {
    /// Of each tool of the sheet, mm; infinite where the sheet gives none.
    bores_mm: Vec<f64>,
    /// Cross-section of the thinnest filament of all tools, mm².
    filament_mm2: f64,
    printable: Option<Rectangle>,
    /// From the place of the machine to the tip in use, mm.
    tip_mm: [f64; 3],
    per_mm: f64,
    highest: f64,
    levels: BTreeMap<u32, Level>,
    here: Option<Here>,
    /// Moves that rise from the first level, before there is another.
    tail: usize,
    /// What is laid on no level: purges, lines beside the bed or at an unknown height.
    beside_mm3: Sum,
    thin: ThinLines,
    high: HighLayers,
}

/// The level something is laid on now, by one tool, and what was laid since it came there.
#[derive(Debug)]
struct Here {
    level: u32,
    begin: Begin,
    tool_index: usize,
    /// Where the last line ended, mm; no number where that is another level.
    end_z_mm: f64,
    top_mm: f64,
    lowest_mm: f64,
    volume_mm3: Sum,
    /// Of that, what lines have laid that rise or fall.
    climbing_mm3: Sum,
    /// The step from the level below where it makes the layer a high one, mm.
    high_mm: Option<f64>,
    thin_below_mm2: f64,
    thick_above_mm2: f64,
}

impl Levels {
    /// Nothing is laid yet.
    pub fn new(machine: &Machine) -> Self {
        let travel_mm = larger(machine.travel.max[2], LEVEL_MM);
        let level_mm = larger(LEVEL_MM, travel_mm / LEVELS_MOST);
        let filaments_mm2 = machine.tools.iter().map(|tool| filament_area_mm2(tool.filament_diameter_mm));
        Self {
            bores_mm: machine.tools.iter().map(|tool| tool.nozzle_diameter_mm.unwrap_or(f64::INFINITY)).collect(),
            filament_mm2: filaments_mm2.fold(f64::INFINITY, smaller),
            printable: machine.travel.printable,
            tip_mm: machine.tools.first().map_or([0.0; 3], |tool| tool.offset_mm),
            per_mm: 1.0 / level_mm,
            highest: (travel_mm / level_mm).ceil(),
            levels: BTreeMap::new(),
            here: None,
            tail: 0,
            beside_mm3: Sum::default(),
            thin: ThinLines::default(),
            high: HighLayers::default(),
        }
    }

    /// Follows a block.
    pub fn follow(&mut self, block: &Block) {
        if !self.stays(block) {
            (0..block.len()).filter(|&i| block.section_mm2[i] > 0.0).for_each(|i| self.lay(block, i));
        }
        for action in &block.actions {
            if let ActionKind::Tip { offset_mm } = action.kind {
                self.tip_mm = offset_mm;
            }
        }
    }

    /// Ends the job.
    pub fn end(&mut self) {
        self.leave();
    }

    /// All levels that something was laid on, from the lowest on.
    pub fn all(&self) -> impl Iterator<Item = &Level> {
        self.levels.values()
    }

    /// All that was laid, mm³: also what is on no level, but without so many mm of filament.
    pub fn laid_mm3(&self, without_mm: f64) -> f64 {
        let mut laid_mm3 = self.beside_mm3;
        self.levels.values().for_each(|level| laid_mm3.join(level.volume_mm3));
        // The least that they can be, whichever tool it was.
        larger(laid_mm3.value() - without_mm * self.filament_mm2, 0.0)
    }

    /// What lies in lines that are too thin.
    pub fn thin(&self) -> &ThinLines {
        &self.thin
    }

    /// What lies in layers that are too high.
    pub fn high(&self) -> &HighLayers {
        &self.high
    }

    /// Whether a whole block goes on where the tip is, with nothing odd in it; then it is taken.
    fn stays(&mut self, block: &Block) -> bool {
        let count = block.len();
        let on_bed = self.printable.is_none_or(|area| {
            [block.reach.min, block.reach.max]
                .iter()
                .all(|at| area.holds([at[0] + self.tip_mm[0], at[1] + self.tip_mm[1]]))
        });
        let Some(here) = self.here.as_mut().filter(|here| on_bed && here.tool_index == block.tool_index) else {
            return false;
        };
        let z_mm = here.end_z_mm - self.tip_mm[2];
        let (thin, thick) = (here.thin_below_mm2, here.thick_above_mm2);
        let (section, length, z, flags) = (&block.section_mm2, &block.length_mm, &block.to[2], &block.flags);
        block.vectors.run(
            #[inline(always)]
            || {
                let odd = columns::any(
                    count,
                    #[inline(always)]
                    |i| {
                        let level = (flags[i] & (flag::Z | flag::KNOWN_Z) == flag::KNOWN_Z) & (z[i] == z_mm);
                        (section[i] > 0.0) & (!level | (section[i] < thin) | (section[i] > thick))
                    },
                );
                if !odd {
                    Sum::gather([&mut here.volume_mm3], count, |i| [section[i] * length[i]]);
                }
                !odd
            },
        )
    }

    /// Takes one line.
    fn lay(&mut self, block: &Block, i: usize) {
        let (section_mm2, length_mm) = (block.section_mm2[i], block.length_mm[i]);
        let [x, y, end_z_mm] = [0, 1, 2].map(|axis| block.to[axis][i] + self.tip_mm[axis]);
        let start_z_mm = if block.flags[i] & flag::Z == 0 { end_z_mm } else { block.start(i)[2] + self.tip_mm[2] };
        let (top_mm, lowest_mm) = (larger(start_z_mm, end_z_mm), smaller(start_z_mm, end_z_mm));
        let bore_mm = self.bores_mm.get(block.tool_index).copied().unwrap_or(f64::INFINITY);
        let is_line = block.flags[i] & flag::KNOWN_Z != 0
            && block.flags[i] & ALONG != 0
            && top_mm > 0.0
            && section_mm2 <= THICK_BORES * bore_mm * bore_mm
            && self.printable.is_none_or(|area| area.holds([x, y]));
        let climbs = top_mm - lowest_mm >= standing::LEVEL_MM;
        let is_tail = is_line && climbs && end_z_mm == top_mm && self.levels.len() == 1 && self.tail < TAIL_MOVES;
        self.tail += usize::from(is_tail);
        if !is_line || is_tail {
            return self.beside_mm3.add(section_mm2 * length_mm);
        }
        let (level, ends_at) = (self.level_at(top_mm), self.level_at(end_z_mm));
        if self.here.as_ref().is_none_or(|here| here.level != level || here.tool_index != block.tool_index) {
            self.leave();
            self.enter(level, block.tool_index, [lowest_mm, top_mm], Begin::of(block, i));
        }
        let Some(here) = &mut self.here else { return };
        here.end_z_mm = if ends_at == level { end_z_mm } else { f64::NAN };
        here.top_mm = larger(here.top_mm, top_mm);
        here.lowest_mm = smaller(here.lowest_mm, lowest_mm);
        here.volume_mm3.add(section_mm2 * length_mm);
        if climbs {
            here.climbing_mm3.add(section_mm2 * length_mm);
        }
        if section_mm2 < here.thin_below_mm2 {
            let thin = &mut self.thin;
            thin.lines += 1;
            thin.begin.get_or_insert(Begin::of(block, i));
            thin.volume_mm3.add(section_mm2 * length_mm);
            thin.length_mm.add(length_mm);
            thin.bound_mm3.add(here.thin_below_mm2 * length_mm);
        }
    }

    fn level_at(&self, z_mm: f64) -> u32 {
        (z_mm * self.per_mm).round().clamp(0.0, self.highest) as u32
    }

    /// Comes to a level, with a line that reaches from here to there.
    fn enter(&mut self, at: u32, tool_index: usize, [lowest_mm, top_mm]: [f64; 2], begin: Begin) {
        let bore_mm = self.bores_mm.get(tool_index).copied().unwrap_or(f64::INFINITY);
        let under = self.level_at(top_mm - standing::LEVEL_MM);
        let below_mm = self.levels.range(..=under).next_back().map(|(_, level)| level.z_mm);
        let step_mm = top_mm - below_mm.unwrap_or_default();
        let is_high = below_mm.is_some() && step_mm > bore_mm + SLACK_MM && step_mm <= GAP_BORES * bore_mm;
        let height_mm = smaller(step_mm, HIGHEST_SHARE * bore_mm);
        let volume_mm3 = Sum::default();
        let fresh = Level { z_mm: top_mm, lowest_mm, begin, bore_mm, volume_mm3, is_high: false };
        let level = self.levels.entry(at).or_insert(fresh);
        level.bore_mm = larger(level.bore_mm, bore_mm);
        self.here = Some(Here {
            level: at,
            begin,
            tool_index,
            end_z_mm: top_mm,
            top_mm,
            lowest_mm,
            volume_mm3,
            climbing_mm3: Sum::default(),
            high_mm: is_high.then_some(step_mm),
            thin_below_mm2: if bore_mm.is_finite() { THIN_SHARE * bore_mm * height_mm } else { 0.0 },
            thick_above_mm2: THICK_BORES * bore_mm * bore_mm,
        });
    }

    /// Leaves the level it is at.
    fn leave(&mut self) {
        let Some(here) = self.here.take() else { return };
        let Some(level) = self.levels.get_mut(&here.level) else { return };
        level.z_mm = larger(level.z_mm, here.top_mm);
        level.lowest_mm = smaller(level.lowest_mm, here.lowest_mm);
        level.volume_mm3.join(here.volume_mm3);
        let flat_mm3 = here.volume_mm3.value() - here.climbing_mm3.value();
        if let Some(step_mm) = here.high_mm.filter(|_| flat_mm3 > 0.0) {
            let high = &mut self.high;
            if !std::mem::replace(&mut level.is_high, true) {
                high.levels += 1;
                high.begin.get_or_insert(here.begin);
            }
            high.volume_mm3.join(here.volume_mm3);
            high.volume_mm3.add(-here.climbing_mm3.value());
            high.steps.add(step_mm * flat_mm3);
            high.bores.add(self.bores_mm[here.tool_index] * flat_mm3);
        }
    }
}
