//! Where the structure rings most while the job extrudes.

use crate::checks::other_layer;
use crate::machine::{Direction, Mode, Structure};
use crate::observe::{Block, flag};

/// Places that are told.
pub const PLACES: usize = 10;
/// Places that are kept on the way: some merge later.
const KEPT: usize = 64;
/// Nearer in x and y than this it is one place, whatever the layer, mm.
pub const APART_MM: f64 = 5.0;

/// A place where the structure rings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Amplitude, mm.
    pub ringing_mm: f64,
    /// Line of the move.
    pub line: u64,
    /// Number of the layer, from 1.
    pub layer: u64,
    /// Where the move starts, mm, machine coordinates.
    pub position: [f64; 3],
    /// The mode that rings most.
    pub mode: Mode,
    /// Distance of its marks, mm: the highest speed of the move over the natural frequency.
    pub mark_spacing_mm: f64,
}

/// Keeps the worst places of blocks in their order.
pub(super) struct Places {
    lanes: Vec<Vec<Mode>>,
    /// The worst first.
    kept: Vec<Place>,
    layer: u64,
    layer_z_mm: Option<f64>,
}

impl Places {
    pub(super) fn new(structure: &Structure) -> Self {
        let modes = |along: Direction| structure.along(along).map(|(_, mode)| *mode).collect();
        let lanes = structure.directions().into_iter().map(modes).collect();
        Self { lanes, kept: Vec::with_capacity(KEPT + 1), layer: 0, layer_z_mm: None }
    }

    pub(super) fn block(&mut self, block: &Block) {
        for i in 0..block.len() {
            if block.flags[i] & flag::PATH == 0 || block.de[i] <= 0.0 {
                continue;
            }
            let z_mm = block.to[2][i];
            if self.layer_z_mm.is_none_or(|layer| other_layer(z_mm, layer)) {
                (self.layer, self.layer_z_mm) = (self.layer + 1, Some(z_mm));
            }
            for (lane, column) in block.ringing_mm.iter().enumerate() {
                let least = if self.kept.len() < KEPT { 0.0 } else { self.kept[KEPT - 1].ringing_mm };
                if column[i] > least {
                    self.note(block, i, lane);
                }
            }
        }
    }

    fn note(&mut self, block: &Block, i: usize, lane: usize) {
        let at = block.ringing_mode.get(lane).map_or(0, |column| usize::from(column[i]));
        let Some(mode) = self.lanes.get(lane).and_then(|modes| modes.get(at)) else { return };
        let place = Place {
            ringing_mm: block.ringing_mm[lane][i],
            line: block.line[i],
            layer: self.layer,
            position: block.start(i),
            mode: *mode,
            mark_spacing_mm: block.v_peak[i] / mode.natural_hz,
        };
        let beside = |other: &Place| {
            let [x, y, _] = place.position;
            (other.position[0] - x).hypot(other.position[1] - y) < APART_MM
        };
        if self.kept.iter().any(|other| beside(other) && other.ringing_mm >= place.ringing_mm) {
            return;
        }
        self.kept.retain(|other| !beside(other));
        let at = self.kept.partition_point(|other| other.ringing_mm >= place.ringing_mm);
        self.kept.insert(at, place);
        self.kept.truncate(KEPT);
    }

    /// The worst places, the worst first.
    pub(super) fn finish(mut self) -> Vec<Place> {
        self.kept.truncate(PLACES);
        self.kept
    }
}
