//! What the pressure in the nozzle makes of the moves of a block.

use super::grid::Sum;
use crate::vectors::columns::larger;

/// Filament laid beyond what the job asks for, over a stretch of a line without a break.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bulge {
    /// How much, mm³.
    pub volume_mm3: f64,
    /// Line of the job in which it begins.
    pub line: u64,
    /// Where that move ends, mm, machine coordinates.
    pub place_mm: [f64; 3],
    /// How many moves that lay filament come before that one.
    pub of: usize,
}

/// The first millimetre of a line that begins behind a travel or a push on the spot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineStart {
    /// What is laid of what the job asks for.
    pub share: f64,
    /// Line of the job.
    pub line: u64,
}

/// What a move that lays filament asks of the extruder, with what the controller adds ahead of pressure.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Driven {
    /// Largest speed of the filament, mm/s.
    pub speed_mm_s: f64,
    /// Largest acceleration of the filament within a piece of the move, mm/s².
    pub acceleration_mm_s2: f64,
    /// Largest sudden change of its speed that ramps ask for, lead times acceleration, mm/s; 0 without a lead.
    pub jump_mm_s: f64,
}

impl Driven {
    /// The larger of each.
    #[inline(always)]
    pub(crate) fn or_more(&self, other: &Self) -> Self {
        Self {
            speed_mm_s: larger(other.speed_mm_s, self.speed_mm_s),
            acceleration_mm_s2: larger(other.acceleration_mm_s2, self.acceleration_mm_s2),
            jump_mm_s: larger(other.jump_mm_s, self.jump_mm_s),
        }
    }
}

/// What the pressure in the nozzle makes of the moves of a block; empty where the sheet gives no lag.
#[derive(Debug, Clone, Default)]
pub struct Pressed {
    /// Path on which the tool lays filament, mm.
    pub(crate) laid_mm: Sum,
    /// The part of it on which lines are too wide, and too thin, mm.
    pub(crate) wide_mm: Sum,
    pub(crate) thin_mm: Sum,
    /// Bulges that end in the block, in time order.
    pub bulges: Vec<Bulge>,
    /// No bulge that ends behind the block begins on a move that fewer than so many moves that lay filament come before.
    pub(crate) bulges_from: usize,
    /// Starts of lines, in time order.
    pub starts: Vec<LineStart>,
    /// What each move asks of the extruder; empty where no lead is applied.
    pub driven: Vec<Driven>,
    /// The most of everything that moves ask of the extruder.
    pub(crate) driven_most: Driven,
    /// The largest sudden change of the filament's speed that the lead leaves out, mm/s, and its line.
    pub left_out: Option<(f64, u64)>,
}

impl Pressed {
    /// Forgets all of it.
    pub(crate) fn clear(&mut self) {
        let Self { laid_mm, wide_mm, thin_mm, bulges, bulges_from, starts, driven, driven_most, left_out } = self;
        [laid_mm, wide_mm, thin_mm].into_iter().for_each(|sum| *sum = Sum::default());
        bulges.clear();
        starts.clear();
        driven.clear();
        (*bulges_from, *driven_most, *left_out) = (0, Driven::default(), None);
    }
}
