//! What passes from reading to watching: events, blocks of moves, and the actions that close them.
//!
//! A block has up to [`BLOCK`] moves, in time order. Its moves come first, then its actions, in the order of the job: any
//! action ends the block it follows.

mod action;
mod builder;
mod event;
pub(crate) mod grid;
mod packed;
mod phases;
pub(crate) mod polynomial;
mod pressed;
pub(crate) mod strokes;

use crate::geometry::{Box3, Curve, curve_extrema, widen};
use crate::machine::MeltRates;
use crate::vectors::{Vectors, columns};

pub(crate) use action::stands_s;
pub use action::{Action, ActionKind, Heater, NozzleSpan, Touches, Wait};
pub(crate) use builder::PendingAction;
pub use builder::{BlockBuilder, BlockInFlight, PendingBlock};
pub use event::{Event, LIMITS_IN_JOB, LimitChange, LimitSet, LimitsSet, Move, limit_matters, limits_in_order};
pub use packed::Packed;
pub(crate) use phases::{ChordRates, room};
pub use phases::{JerkPiece, Piece, PieceList, RampList, RampPiece, Ramps};
pub use pressed::{Bulge, Driven, LineStart, Pressed};

/// Tools told apart; higher numbers share the last place.
pub(crate) const TOOLS_KEPT: usize = 64;
/// More blocks than this, each with room for [`BLOCK`] moves, are not kept: the others are packed.
pub(crate) const MANY_BLOCKS: usize = 64;
/// Blocks with fewer moves are packed where none is to spare: making one anew takes longer.
pub(crate) const FEW_MOVES: usize = 128;

/// Most moves in a block.
pub const BLOCK: usize = 256;

/// Bits of [`Block::flags`].
pub mod flag {
    /// The move goes along a path (d ≠ 0); otherwise only the extruder moves.
    pub const PATH: u8 = 1;
    /// X moves.
    pub const X: u8 = 2;
    /// Y moves.
    pub const Y: u8 = 4;
    /// Z moves.
    pub const Z: u8 = 8;
    /// X is known (always, but after probing until the next absolute X).
    pub const KNOWN_X: u8 = 16;
    /// Y is known.
    pub const KNOWN_Y: u8 = 32;
    /// Z is known.
    pub const KNOWN_Z: u8 = 64;
    /// An arc or a cubic: see [`super::Block::curves`].
    pub const CURVE: u8 = 128;
}

/// A curved move of a block.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurvedMove {
    /// Its index in the block.
    pub at: usize,
    /// Its shape.
    pub curve: Curve,
    /// X, Y, Z direction at its end (at its start it is [`Block::dir`]).
    pub dir_end: [f64; 3],
}

/// One value per move; only the first [`Block::len`] of them count.
pub type Column<T> = [T; BLOCK];

/// Up to [`BLOCK`] planned moves as structure of arrays, and the actions that follow them. Each move starts where the one
/// before it ended. Index order of axis arrays is X, Y, Z, E. Some 50 kB: keep it boxed.
#[derive(Debug, Clone)]
#[repr(align(64))]
pub struct Block {
    /// Line of the job, from 1.
    pub line: Column<u64>,
    /// End x, y, z, mm.
    pub to: [Column<f64>; 3],
    /// Signed filament length, mm.
    pub de_mm: Column<f64>,
    /// Path length, mm; |dE| when only the extruder moves.
    pub length_mm: Column<f64>,
    /// Direction (X, Y, Z components of the unit tangent at the start, and dE / length). Curves end in another one, see
    /// [`CurvedMove::dir_end`].
    pub dir: [Column<f64>; 4],
    /// See [`flag`].
    pub flags: Column<u8>,
    /// Commanded speed, mm/s, override included.
    pub feed_commanded_mm_s: Column<f64>,
    /// Speed the move may reach, mm/s: commanded, capped by axis limits and on arcs by centripetal acceleration.
    pub feed_mm_s: Column<f64>,
    /// Speed the feed-rate limits of the axes alone allow along this move, mm/s.
    pub feed_allowed_mm_s: Column<f64>,
    /// Acceleration, mm/s².
    pub accel_mm_s2: Column<f64>,
    /// Commands read since the previous move, this one included.
    pub commands: Column<u32>,
    /// Bytes read since the previous move's line, this line included.
    pub bytes: Column<u32>,

    /// Speed at the start, mm/s.
    pub v_start_mm_s: Column<f64>,
    /// Highest speed, mm/s.
    pub v_peak_mm_s: Column<f64>,
    /// Speed at the end, mm/s.
    pub v_end_mm_s: Column<f64>,
    /// Time speeding up, cruising and slowing down, s.
    pub t_up_s: Column<f64>,
    /// See `t_up_s`.
    pub t_cruise_s: Column<f64>,
    /// See `t_up_s`.
    pub t_down_s: Column<f64>,
    /// Duration, the sum of the three, s.
    pub time_s: Column<f64>,
    /// How the speed goes within the moves: where not evenly, `t_up_s` and its like are no course to follow.
    /// [`Self::go_along`] gives them.
    pub(crate) ramps: Ramps,
    /// Even pieces that stand for them where they are not even.
    pub(crate) chords: PieceList<Piece>,
    /// Melt rates along them.
    pub(crate) chord_rates: ChordRates,
    /// Duration of each move if all commands had come in time, s; empty where that is its duration.
    pub fed_s: Vec<f64>,

    /// Melt volume per path length, mm³/mm: area × dE / L on moves along the path that push filament, else 0.
    /// The momentary melt rate is this times the speed.
    pub section_mm2: Column<f64>,
    /// Melt rate at the highest speed, mm³/s.
    pub peak_mm3_s: Column<f64>,
    /// Largest sustained melt rate during the move, mm³/s; 0 on moves that melt nothing.
    pub sustained_mm3_s: Column<f64>,
    /// Largest mean melt rate over a burst that ends during the move, mm³/s, see [`crate::physics::burst`]; filled only
    /// where `burst_most_mm3_s` is above 0.
    pub burst_mm3_s: Column<f64>,
    /// The largest of them; 0 where none can be above the capacity or above the largest so far.
    pub burst_most_mm3_s: f64,
    /// Sustained melt rate at the start of the move, mm³/s, whether it melts or not.
    pub sustained_start_mm3_s: Column<f64>,

    /// What the pressure in the nozzle makes of the moves.
    pub pressed: Pressed,

    /// Largest amplitude of ringing during each move, mm, a column for each direction with modes (in the order of
    /// [`Structure::directions`](crate::machine::Structure::directions)).
    pub ringing_mm: Vec<Box<Column<f64>>>,
    /// Which mode rings most just then, by its place among the modes along the direction; columns as of `ringing_mm`.
    pub ringing_mode: Vec<Box<Column<u8>>>,

    /// The moves that are flagged as curves, ascending.
    pub curves: Vec<CurvedMove>,
    /// Moves that push filament without a path beyond what had been retracted (purges): index and excess, mm, ascending.
    pub purges: Vec<(usize, f64)>,
    /// Where the first move starts, mm, machine coordinates.
    pub origin: [f64; 3],
    /// The box around the whole path of its moves, see `path_box`, mm.
    pub reach: Box3,
    /// Time at the start of the block, s from the start of the job.
    pub start_s: f64,
    /// The vectors its loops are to run in; no number depends on them.
    pub vectors: Vectors,
    /// Number of the tool in use during the block, as the job calls it.
    pub tool: u32,
    /// Index of its description in the sheet (the first tool when the sheet does not describe it).
    pub tool_index: usize,
    /// Temperature of the tool in use during the block's moves.
    pub nozzle: NozzleSpan,
    /// The least that it can melt meanwhile; none where the sheet gives its melt rates whatever its temperature.
    pub capacity: Option<MeltRates>,
    /// What follows the moves, in order.
    pub actions: Vec<Action>,

    pub(crate) count: usize,
}

impl Default for Block {
    // Made where it is to lie: it is too large to be made elsewhere and copied.
    #[inline(always)]
    fn default() -> Self {
        const ZEROS: Column<f64> = [0.0; BLOCK];
        Self {
            line: [0; BLOCK],
            to: [ZEROS; 3],
            de_mm: ZEROS,
            length_mm: ZEROS,
            dir: [ZEROS; 4],
            flags: [0; BLOCK],
            feed_commanded_mm_s: ZEROS,
            feed_mm_s: ZEROS,
            feed_allowed_mm_s: ZEROS,
            accel_mm_s2: ZEROS,
            commands: [0; BLOCK],
            bytes: [0; BLOCK],
            v_start_mm_s: ZEROS,
            v_peak_mm_s: ZEROS,
            v_end_mm_s: ZEROS,
            t_up_s: ZEROS,
            t_cruise_s: ZEROS,
            t_down_s: ZEROS,
            time_s: ZEROS,
            ramps: Ramps::Even,
            chords: PieceList::default(),
            chord_rates: ChordRates::default(),
            fed_s: Vec::new(),
            section_mm2: ZEROS,
            peak_mm3_s: ZEROS,
            sustained_mm3_s: ZEROS,
            burst_mm3_s: ZEROS,
            burst_most_mm3_s: 0.0,
            sustained_start_mm3_s: ZEROS,
            pressed: Pressed::default(),
            ringing_mm: Vec::new(),
            ringing_mode: Vec::new(),
            curves: Vec::new(),
            purges: Vec::new(),
            origin: [0.0; 3],
            reach: Box3 { min: [0.0; 3], max: [0.0; 3] },
            start_s: 0.0,
            vectors: Vectors::default(),
            tool: 0,
            tool_index: 0,
            nozzle: NozzleSpan::default(),
            capacity: None,
            actions: Vec::new(),
            count: 0,
        }
    }
}

impl Block {
    /// Takes all time out of it: what is not followed any more.
    pub fn stand_still(&mut self) {
        let count = self.len();
        for times in [&mut self.t_up_s, &mut self.t_cruise_s, &mut self.t_down_s, &mut self.time_s] {
            times[..count].fill(0.0);
        }
        self.ramps = Ramps::Even;
    }

    /// Number of moves.
    #[inline(always)]
    pub fn len(&self) -> usize {
        // Never more: this tells the compiler that an index below it lies inside the columns.
        self.count.min(BLOCK)
    }

    /// The first action behind its moves at which the machine stands still.
    pub(crate) fn standstill(&self) -> Option<&Action> {
        self.actions.iter().find(|action| action.kind.stops())
    }

    /// True when there are actions only.
    pub fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// Makes room for one more move, whose columns the caller fills; its index. A full block ([`BLOCK`] moves) must not be
    /// asked.
    #[inline(always)]
    pub(crate) fn add(&mut self) -> usize {
        let at = self.count;
        self.count += 1;
        at
    }

    /// Forgets all moves and actions; the columns keep their old values.
    pub(crate) fn clear(&mut self) {
        self.count = 0;
        self.fed_s.clear();
        self.curves.clear();
        self.purges.clear();
        self.pressed.clear();
        self.actions.clear();
    }

    /// Gives its first moves, planned but not annotated, to another block that is empty.
    pub(crate) fn give_front(&mut self, count: usize, front: &mut Self) {
        let all = self.len();
        let count = count.min(all);
        front.origin = self.origin;
        self.origin = self.start(count);
        (front.count, self.count) = (count, all - count);
        front.vectors = self.vectors;
        // Only moves of even ramps are cut so far: the others' shape is given to them behind that.
        front.ramps = Ramps::Even;
        macro_rules! give {
            ($($column:expr),*) => {$({
                let column: (&mut Column<_>, &mut Column<_>) = $column;
                column.1[..count].copy_from_slice(&column.0[..count]);
                column.0.copy_within(count..all, 0);
            })*};
        }
        for axis in 0..3 {
            give!((&mut self.to[axis], &mut front.to[axis]));
        }
        for axis in 0..4 {
            give!((&mut self.dir[axis], &mut front.dir[axis]));
        }
        give!(
            (&mut self.line, &mut front.line),
            (&mut self.de_mm, &mut front.de_mm),
            (&mut self.length_mm, &mut front.length_mm),
            (&mut self.flags, &mut front.flags),
            (&mut self.feed_commanded_mm_s, &mut front.feed_commanded_mm_s),
            (&mut self.feed_mm_s, &mut front.feed_mm_s),
            (&mut self.feed_allowed_mm_s, &mut front.feed_allowed_mm_s),
            (&mut self.accel_mm_s2, &mut front.accel_mm_s2),
            (&mut self.commands, &mut front.commands),
            (&mut self.bytes, &mut front.bytes),
            (&mut self.v_start_mm_s, &mut front.v_start_mm_s),
            (&mut self.v_peak_mm_s, &mut front.v_peak_mm_s),
            (&mut self.v_end_mm_s, &mut front.v_end_mm_s),
            (&mut self.t_up_s, &mut front.t_up_s),
            (&mut self.t_cruise_s, &mut front.t_cruise_s),
            (&mut self.t_down_s, &mut front.t_down_s),
            (&mut self.time_s, &mut front.time_s)
        );
        front.fed_s.extend(self.fed_s.drain(..count.min(self.fed_s.len())));
        let curves = self.curves.partition_point(|bend| bend.at < count);
        front.curves.extend(self.curves.drain(..curves));
        self.curves.iter_mut().for_each(|bend| bend.at -= count);
    }

    /// True when move `i` goes along the path and pushes filament.
    #[inline(always)]
    pub fn extrudes(&self, i: usize) -> bool {
        (self.flags[i] & flag::PATH != 0) & (self.de_mm[i] > 0.0)
    }

    /// True when axis 0, 1 or 2 moves in move `i`.
    pub fn moves_axis(&self, i: usize, axis: usize) -> bool {
        self.flags[i] & (flag::X << axis) != 0
    }

    /// True when the position on axis 0, 1 or 2 is known at the end of move `i`.
    pub fn knows_axis(&self, i: usize, axis: usize) -> bool {
        self.flags[i] & (flag::KNOWN_X << axis) != 0
    }

    /// End point of move `i`, mm.
    #[inline(always)]
    pub fn end(&self, i: usize) -> [f64; 3] {
        [self.to[0][i], self.to[1][i], self.to[2][i]]
    }

    /// Start point of move `i`, mm.
    #[inline(always)]
    pub fn start(&self, i: usize) -> [f64; 3] {
        if i == 0 { self.origin } else { self.end(i - 1) }
    }

    /// Where the machine is when `line` is done: at the end of the last move or homing up to it, mm, machine coordinates.
    /// `before` is where it was before this block, where that is known.
    pub fn place_of(&self, line: u64, before: Option<[f64; 3]>) -> Option<[f64; 3]> {
        self.place_behind(&self.homed(), self.moves_to(line, self.len()), line, before)
    }

    /// How many of its moves there are up to the end of `line`. `near` is where to look first.
    #[inline]
    pub(crate) fn moves_to(&self, line: u64, near: usize) -> usize {
        let lines = &self.line[..self.len()];
        let ends_behind = |moves: usize| lines.get(moves).is_none_or(|&next| next > line);
        // Most ask move after move.
        if near > 0 && lines.get(near - 1).is_some_and(|&last| last <= line) {
            if ends_behind(near) {
                return near;
            }
            if ends_behind(near + 1) {
                return near + 1;
            }
        }
        lines.partition_point(|&of_move| of_move <= line)
    }

    /// Where it homes: the lines, and the places where the machine is then.
    pub(crate) fn homed(&self) -> Vec<(u64, [f64; 3])> {
        let homed = self.actions.iter().filter_map(|action| match action.kind {
            ActionKind::Home { position, .. } => Some((action.line, position)),
            _ => None,
        });
        homed.collect()
    }

    /// Where the machine is behind so many moves, when `line` is done; `homed` is that of the block.
    #[inline]
    pub(crate) fn place_behind(
        &self,
        homed: &[(u64, [f64; 3])],
        moves: usize,
        line: u64,
        before: Option<[f64; 3]>,
    ) -> Option<[f64; 3]> {
        let homed = homed.iter().rev().find(|(at, _)| *at <= line).map(|(_, position)| *position);
        let moved = || if self.is_empty() { before } else { Some(self.start(moves)) };
        homed.filter(|_| moves == self.len()).or_else(moved)
    }

    /// The first and the last line that something in it comes from; none where it is empty and closed by nothing.
    pub fn lines(&self) -> Option<(u64, u64)> {
        let moves = &self.line[..self.len()];
        let lines = || moves.iter().copied().chain(self.actions.iter().map(|action| action.line));
        Some((lines().next()?, self.actions.last().map(|action| action.line).or(moves.last().copied())?))
    }

    /// Where the machine is behind this block, likewise.
    pub fn place_after(&self, before: Option<[f64; 3]>) -> Option<[f64; 3]> {
        self.place_of(u64::MAX, before)
    }

    /// The box around the path of all moves: where the first starts, all end points, and the extrema of curves.
    pub(crate) fn path_box(&self) -> Box3 {
        let mut around = Box3 { min: self.origin, max: self.origin };
        self.vectors.run(
            #[inline(always)]
            || {
                for axis in 0..3 {
                    let ends = &self.to[axis][..self.len()];
                    around.min[axis] = columns::least(ends, self.origin[axis]);
                    around.max[axis] = columns::most(ends, self.origin[axis]);
                }
            },
        );
        for bend in &self.curves {
            let extent = curve_extrema(&bend.curve, self.start(bend.at), self.end(bend.at));
            widen(&mut around, extent.min);
            widen(&mut around, extent.max);
        }
        around
    }

    /// Move `i` when it is a curve.
    pub(crate) fn bend(&self, i: usize) -> Option<&CurvedMove> {
        let at = self.curves.binary_search_by_key(&i, |bend| bend.at).ok()?;
        Some(&self.curves[at])
    }

    /// Filament that move `i` pushes on the spot beyond what had been retracted, mm, if it does.
    pub fn purge_mm(&self, i: usize) -> Option<f64> {
        let at = self.purges.binary_search_by_key(&i, |(at, _)| *at).ok()?;
        Some(self.purges[at].1)
    }

    /// Shape of move `i` when it is a curve.
    pub fn curve(&self, i: usize) -> Option<&Curve> {
        self.bend(i).map(|bend| &bend.curve)
    }

    /// X, Y, Z direction at the end of move `i`.
    pub fn dir_end(&self, i: usize) -> [f64; 3] {
        let straight = || [self.dir[0][i], self.dir[1][i], self.dir[2][i]];
        self.bend(i).map_or_else(straight, |bend| bend.dir_end)
    }
}
