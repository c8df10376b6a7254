//! How long the places of a layer have had to cool when the next layer is laid on them.
//!
//! Cells of the grid remember at which height and when they were laid. Where a line goes over a cell that was laid at least
//! [`LEVEL_MM`] lower, the time since then counts: from the first line of the lower layer in the cell to the first of the
//! higher one, so that a path which repeats itself layer by layer gives its own time everywhere, at its seam too. A layer is
//! told by the mean over its cells: where one layer ends and the next begins some cells always come soon after one another.
//! A line beside the other, half a layer higher, is told by its volume: see [`WIDEST_BORES`].
//! Cells are about as large as [`CELL_MM`](super::CELL_MM); the time on a line is shared evenly over its cells.

use super::{Cells, Crossing, Grid, LEVEL_MM};
use crate::block::{ActionKind, Block, flag};
use crate::machine::Machine;
use crate::physics::melt::PulledBack;

const KNOWN: u8 = flag::KNOWN_X | flag::KNOWN_Y | flag::KNOWN_Z;

/// Lines at one height, one after another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LaidLayer {
    /// Height of the tip, mm.
    pub z_mm: f64,
    /// The first line.
    pub line: u64,
    /// Where the machine is at its end, mm.
    pub place_mm: [f64; 3],
    /// The tool of that line, by its place in the sheet.
    pub tool_index: usize,
    /// When the layer begins and ends, s from the start of the job.
    pub span_s: [f64; 2],
    /// Time since its places were laid before, s, the mean over them; none where all of it lies on bare ground.
    pub since_s: Option<f64>,
    sum_s: f64,
    cells: f64,
    /// Places that lie on the bare bed.
    bare: f64,
}

#[derive(Debug, Clone, Copy, Default)]
struct Cell {
    z_mm: f32,
    /// Since when nothing was taken away, see [`LayerTimes::since`]: one of another time is bare.
    since: u32,
    /// When it was first laid at that height.
    at_s: f64,
}

/// Lines are rarely laid wider than twice the bore of the nozzle (common practice, no source). One that would have to be wider
/// to fill the room down to what the cell remembers lies beside that: walls side by side may be laid half a layer apart.
const WIDEST_BORES: f64 = 2.05;

/// Room for rounding of heights to 32 bits, mm.
const ROUNDING_MM: f64 = 1e-4;

/// Follows a job layer by layer.
#[derive(Debug)]
pub struct LayerTimes {
    grid: Grid,
    cells: Cells<Cell>,
    /// Counts how often the bed was emptied: cells that were laid before need no visit.
    since: u32,
    /// From the place of the machine to the tip in use, mm.
    tip_mm: [f64; 3],
    pulled_back: PulledBack,
    /// Widest line that each tool lays on top of another, mm.
    widest_mm: Vec<f64>,
    layer: Option<LaidLayer>,
    /// The cells that a line crosses; kept for the next.
    crossings: Vec<Crossing>,
}

impl LayerTimes {
    /// Nothing laid yet.
    pub fn new(machine: &Machine) -> Self {
        let grid = Grid::over(&machine.travel);
        Self {
            cells: grid.cells(),
            grid,
            since: 1,
            tip_mm: machine.tools.first().map_or([0.0; 3], |tool| tool.offset_mm),
            pulled_back: PulledBack::default(),
            widest_mm: machine
                .tools
                .iter()
                .map(|tool| tool.nozzle_diameter_mm.map_or(f64::INFINITY, |bore_mm| WIDEST_BORES * bore_mm))
                .collect(),
            layer: None,
            crossings: Vec::new(),
        }
    }

    /// Follows a block; `take` gets each layer when the next begins.
    pub fn follow(&mut self, block: &Block, mut take: impl FnMut(LaidLayer)) {
        let mut start_s = block.start_s;
        for i in 0..block.len() {
            let flags = block.flags[i];
            let lays = (self.pulled_back.excess_mm(block.de_mm[i]) > 0.0) & (flags & (flag::X | flag::Y) != 0);
            if lays && flags & (KNOWN | flag::PATH) == KNOWN | flag::PATH {
                self.lay(block, i, start_s, &mut take);
            }
            start_s += block.time_s[i];
        }
        for action in &block.actions {
            match action.kind {
                ActionKind::Tip { offset_mm } => self.tip_mm = offset_mm,
                ActionKind::Home { axes: [_, _, true], .. } | ActionKind::Unfollowed => {
                    self.since = self.since.wrapping_add(1);
                }
                ActionKind::Tool { .. } => self.pulled_back = PulledBack::default(),
                _ => {}
            }
        }
    }

    /// The layer that nothing follows, at the end of the job.
    pub fn last(&mut self) -> Option<LaidLayer> {
        self.layer.take()
    }

    fn lay(&mut self, block: &Block, i: usize, start_s: f64, take: &mut impl FnMut(LaidLayer)) {
        let [from, to] = [block.start(i), block.end(i)].map(|at| [0, 1, 2].map(|axis| at[axis] + self.tip_mm[axis]));
        let end_s = start_s + block.time_s[i];
        if let Some(done) = self.layer.take_if(|layer| (layer.z_mm - to[2]).abs() >= LEVEL_MM - 1e-9) {
            take(done);
        }
        let mut layer = self.layer.unwrap_or(LaidLayer {
            z_mm: to[2],
            line: block.line[i],
            place_mm: block.end(i),
            tool_index: block.tool_index,
            span_s: [start_s, end_s],
            since_s: None,
            sum_s: 0.0,
            cells: 0.0,
            bare: 0.0,
        });
        layer.span_s[1] = end_s;
        let (grid, crossings) = (&self.grid, &mut self.crossings);
        crossings.clear();
        match block.curve(i) {
            None => grid.along(from, to, |crossing| crossings.push(crossing)),
            Some(curve) => {
                grid.along_curve(&curve.moved_by(self.tip_mm), from, to, |crossing| crossings.push(crossing))
            }
        }
        // Ramps climb over what they have just laid.
        let is_level = (to[2] - from[2]).abs() < LEVEL_MM;
        let section_mm2 = block.section_mm2[i];
        let widest_mm = self.widest_mm.get(block.tool_index).copied().unwrap_or(f64::INFINITY);
        let step_s = block.time_s[i] / crossings.len().max(1) as f64;
        for (k, crossing) in crossings.iter().enumerate() {
            let at_s = start_s + step_s * (k + 1) as f64;
            let cell = self.cells.at(crossing.cell);
            if cell.since == self.since {
                let rise_mm = crossing.lowest_mm - f64::from(cell.z_mm);
                if rise_mm < LEVEL_MM - ROUNDING_MM || section_mm2 > widest_mm * (rise_mm + ROUNDING_MM) {
                    continue;
                }
                if is_level {
                    layer.sum_s += at_s - cell.at_s;
                    layer.cells += 1.0;
                }
            } else {
                layer.bare += 1.0;
            }
            *cell = Cell { z_mm: crossing.lowest_mm as f32, since: self.since, at_s };
        }
        // What mostly lies on the bare bed, as a first layer across a purge line does, has nothing to wait for.
        layer.since_s = (layer.cells > layer.bare).then(|| layer.sum_s / layer.cells);
        self.layer = Some(layer);
    }
}
