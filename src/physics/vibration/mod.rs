//! How the structure rings: each mode of the sheet is a damped oscillator on a base that follows the planned motion.
//!
//! `pieces` cuts the motion into pieces of constant acceleration or jerk: the phases of each move, and short pieces of
//! curves; at corners, from rest and to rest the speed steps. Waits let the modes ring down. `shaper` convolves the motion
//! with the impulses of a shaper, `oscillator` goes from piece to piece exactly, never by a fixed step of time.
//!
//! Left out: motors and belts as springs of their own, homing and probing, and that the extruder is not shaped. The
//! amplitudes of several modes along one direction are added: no phase makes it more.

mod oscillator;
mod pieces;
mod shaper;
mod spiral;
mod tally;

use oscillator::{JerkSteps, Oscillator, Scratch, Steps};
use pieces::Pieces;
use shaper::Delays;
use tally::Tally;

use crate::block::{BLOCK, Block, Column};
use crate::machine::{Direction, Mode, Shapers, Structure};
use crate::physics::Ringing;
use crate::vectors::Vectors;

pub(crate) use pieces::Course;
pub use shaper::impulses;

/// Most pieces in a chunk.
const PIECES: usize = 512;

/// One value per piece.
type PieceColumn = [f64; PIECES];

/// The ringing structure of one job; nothing without modes.
pub struct Vibration {
    pieces: Option<Box<Pieces>>,
    lanes: Vec<DirectionTrack>,
    idle_s: f64,
}

/// The modes along one direction.
struct DirectionTrack {
    along: Direction,
    vector: [f64; 3],
    oscillators: Vec<Oscillator>,
    delays: Option<Delays>,
    columns: Box<Columns>,
    /// Jerk now, mm/s³.
    jerk: f64,
    tally: Tally,
}

/// Columns of a lane for a chunk of pieces, kept for the next.
struct Columns {
    accel: PieceColumn,
    speed: PieceColumn,
    jerk: [PieceColumn; 2],
    from: PieceColumn,
    to: PieceColumn,
    scratch: Box<Scratch>,
}

impl Vibration {
    /// Everything at rest.
    pub fn new(structure: &Structure) -> Self {
        Self::behind_each(structure, &[structure.shapers])
    }

    /// The structure behind each of several pairs of shapers, all directions of the first before those of the next.
    pub fn behind_each(structure: &Structure, shapers: &[Shapers]) -> Self {
        let pieces = (!structure.modes.is_empty()).then(|| Pieces::new(&structure.modes));
        let directions = structure.directions();
        let of = |shapers: &Shapers| -> Vec<DirectionTrack> {
            directions.iter().map(|along| DirectionTrack::new(structure, shapers, *along)).collect()
        };
        Self { pieces, lanes: shapers.iter().flat_map(of).collect(), idle_s: 0.0 }
    }

    /// Lets time go by without motion; it is made up for before the next move.
    pub fn rest(&mut self, seconds: f64) {
        self.idle_s += seconds;
    }

    /// Follows the moves of a block and fills [`Block::ringing_mm`] and [`Block::ringing_mode`].
    pub fn follow(&mut self, block: &mut Block) {
        let Self { pieces, lanes, idle_s } = self;
        block.ringing_mm.resize_with(lanes.len(), || Box::new([0.0; BLOCK]));
        block.ringing_mode.resize_with(lanes.len(), || Box::new([0; BLOCK]));
        let Some(pieces) = pieces else { return };
        if block.is_empty() {
            return;
        }
        let mut ringing_mm = std::mem::take(&mut block.ringing_mm);
        ringing_mm.iter_mut().for_each(|column| column[..block.len()].fill(0.0));
        let mut ringing_mode = std::mem::take(&mut block.ringing_mode);
        ringing_mode.iter_mut().for_each(|column| column[..block.len()].fill(0));
        let mut each = |pieces: &Pieces| {
            for ((lane, mm), mode) in lanes.iter_mut().zip(&mut ringing_mm).zip(&mut ringing_mode) {
                lane.follow(block, pieces, (mm, mode));
            }
        };
        if *idle_s > 0.0 {
            pieces.wait(*idle_s, &mut each);
            *idle_s = 0.0;
        }
        pieces.cut(block, &mut each);
        (block.ringing_mm, block.ringing_mode) = (ringing_mm, ringing_mode);
    }

    /// What was seen so far, per direction.
    pub fn ringing(&self) -> Vec<Ringing> {
        self.lanes.iter().map(|lane| lane.tally.ringing(lane.along)).collect()
    }
}

impl DirectionTrack {
    fn new(structure: &Structure, shapers: &Shapers, along: Direction) -> Self {
        const ZEROS: PieceColumn = [0.0; PIECES];
        let oscillators: Vec<Oscillator> =
            structure.along(along).map(|(_, mode): (usize, &Mode)| Oscillator::new(mode)).collect();
        Self {
            along,
            vector: along.vector(),
            delays: Delays::new(along.vector(), shapers),
            columns: Box::new(Columns {
                accel: ZEROS,
                speed: ZEROS,
                jerk: [ZEROS; 2],
                from: ZEROS,
                to: ZEROS,
                scratch: Scratch::new(),
            }),
            jerk: 0.0,
            tally: Tally::new(structure.ringing_limit_mm),
            oscillators,
        }
    }

    fn follow(&mut self, block: &Block, pieces: &Pieces, (ringing_mm, mode): (&mut Column<f64>, &mut Column<u8>)) {
        let Self { vector, oscillators, delays, columns, jerk: now, tally, .. } = self;
        let has_jerk = pieces.has_jerk;
        if let Some(delays) = delays {
            delays.follow(pieces, |shaped| {
                let [_, held] = &mut columns.jerk;
                let jerk = has_jerk.then(|| hold(now, &shaped.jerk[..shaped.count], held));
                let [seconds, accel, speed] =
                    [&shaped.seconds, &shaped.accel, &shaped.speed].map(|column| &column[..shaped.count]);
                let steps = Steps { seconds, accel, speed, jerk };
                let scratch = (&mut columns.from, &mut columns.to, &mut *columns.scratch);
                swing(oscillators, block.vectors, steps, scratch);
                let course = [&shaped.seconds, &columns.from, &columns.to].map(|column| &column[..shaped.count]);
                tally.add(block, &shaped.of[..shaped.count], course, oscillators, (ringing_mm, mode));
            });
            return;
        }
        let count = pieces.count();
        let Columns { accel, speed, jerk: [step, held], from, to, scratch } = &mut **columns;
        block.vectors.run(
            #[inline(always)]
            || {
                let along = |parts: &[PieceColumn; 3], i: usize| {
                    vector[0] * parts[0][i] + vector[1] * parts[1][i] + vector[2] * parts[2][i]
                };
                for i in 0..count {
                    accel[i] = along(&pieces.accel, i);
                    speed[i] = along(&pieces.speed, i);
                }
                if has_jerk {
                    for i in 0..count {
                        step[i] = along(&pieces.jerk, i);
                    }
                }
            },
        );
        let jerk = has_jerk.then(|| hold(now, &step[..count], held));
        let [seconds, accel, speed] = [&pieces.seconds, &*accel, &*speed].map(|column| &column[..count]);
        let steps = Steps { seconds, accel, speed, jerk };
        swing(oscillators, block.vectors, steps, (from, to, scratch));
        let course = [&pieces.seconds, from, to].map(|column| &column[..count]);
        tally.add(block, &pieces.of[..count], course, oscillators, (ringing_mm, mode));
    }
}

/// Adds up steps of the jerk, from what it is now on.
fn hold<'a>(now: &mut f64, step: &'a [f64], held: &'a mut PieceColumn) -> JerkSteps<'a> {
    for (held, step) in held.iter_mut().zip(step) {
        *now += step;
        *held = *now;
    }
    JerkSteps { step, held: &held[..step.len()] }
}

/// Lets the modes of a lane go through a chunk: amplitudes, added up, at the start and the end of each piece.
fn swing(
    oscillators: &mut [Oscillator],
    vectors: Vectors,
    steps: Steps<'_>,
    (from, to, scratch): (&mut PieceColumn, &mut PieceColumn, &mut Scratch),
) {
    let count = steps.seconds.len();
    let (from, to) = (&mut from[..count], &mut to[..count]);
    // Without one there is nothing to swing, and no lane.
    for (k, oscillator) in oscillators.iter_mut().enumerate() {
        oscillator.follow(vectors, steps, scratch, k == 0, [from, to]);
    }
}

#[cfg(test)]
mod tests;
