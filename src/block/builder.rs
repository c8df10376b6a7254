//! Events → blocks of moves that are not planned yet, with the changes of limits among them and the actions that follow.

use super::packed::Packed;
use super::{FEW_MOVES, MANY_BLOCKS};
use crate::block::{ActionKind, BLOCK, Block, CurvedMove, Event, LimitChange, Move, flag, stands_s};
use crate::geometry::Curve;

/// After that many actions in a row the machine is taken to stand: reading them takes longer than any moves it knows.
const ACTIONS_BETWEEN_MOVES: usize = 65_536;
/// After that many actions since it last stood it is taken to stand too, so that few enough wait with the moves.
const ACTIONS_BETWEEN_STOPS: usize = 1 << 18;

/// An action as the planner passes it on: its own duration, its place by the block it ends.
#[derive(Debug, Clone, Copy)]
pub(crate) struct PendingAction {
    /// Line of the job.
    pub line: u64,
    /// Time by its own words, s.
    pub duration_s: f64,
    /// What it is.
    pub kind: ActionKind,
}

/// A block on its way through the stages, and what follows it.
#[derive(Debug, Default)]
pub struct BlockInFlight {
    /// Its moves; each stage fills its columns.
    pub block: Block,
    /// What follows them.
    pub(crate) closing: Vec<PendingAction>,
    /// Changes of limits, each from a move of the block on; at most one for each move.
    pub(crate) changes: Vec<(usize, LimitChange)>,
    /// True when the machine comes to rest behind it.
    pub(crate) stops: bool,
}

/// Of the blocks of a chunk that find none to spare.
const MADE_ANEW_EACH: usize = 8;

/// Actions that a block keeps room for when it is used again.
const ACTIONS_KEPT: usize = 1024;

impl BlockInFlight {
    /// Ends it with an action at which the machine stands.
    pub(crate) fn stop(&mut self, line: u64, duration_s: f64, kind: ActionKind) {
        self.closing.push(PendingAction { line, duration_s, kind });
        self.stops = true;
    }

    /// Time of its moves, and of what they wait for in between, s each.
    pub(crate) fn motion_s(&self) -> impl Iterator<Item = f64> {
        let starved = self.closing.iter().filter(|action| action.kind == ActionKind::Starved);
        self.block.time_s[..self.block.len()].iter().copied().chain(starved.map(|action| action.duration_s))
    }

    /// How long the machine stands behind it; none where nobody knows, so that it may be as long as it takes.
    pub(crate) fn stands_s(&self) -> Option<f64> {
        stands_s(self.closing.iter().map(|action| (&action.kind, action.duration_s)))
    }

    /// Forgets everything, and gives back what many actions took.
    pub(crate) fn clear(&mut self) {
        self.block.clear();
        self.closing.clear();
        self.changes.clear();
        self.stops = false;
        self.closing.shrink_to(ACTIONS_KEPT);
        self.block.actions.shrink_to(ACTIONS_KEPT);
    }
}

/// Moves that were gathered, not planned yet.
#[derive(Debug)]
pub enum PendingBlock {
    /// As a block.
    Whole(Box<BlockInFlight>),
    /// In a small space, where there are many.
    Packed(Packed),
}

impl PendingBlock {
    /// Number of moves.
    pub fn len(&self) -> usize {
        match self {
            Self::Whole(planned) => planned.block.len(),
            Self::Packed(packed) => packed.len(),
        }
    }

    /// True when there are actions only.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Changes of limits among the moves, each from a move on.
    pub(crate) fn changes(&self) -> &[(usize, LimitChange)] {
        match self {
            Self::Whole(planned) => &planned.changes,
            Self::Packed(packed) => packed.changes(),
        }
    }

    /// As a block, made of one that is to spare where needed.
    pub fn unpacked(self, spare: &mut Vec<Box<BlockInFlight>>) -> Box<BlockInFlight> {
        match self {
            Self::Whole(planned) => planned,
            Self::Packed(packed) => {
                let mut planned = spare.pop().unwrap_or_default();
                packed.unpack(&mut planned);
                planned
            }
        }
    }

    /// In a small space; a block that is not needed any more goes to the spare ones.
    pub(crate) fn packed(self, spare: &mut Vec<Box<BlockInFlight>>) -> Packed {
        match self {
            Self::Whole(planned) => {
                let packed = Packed::of(&planned);
                spare.push(planned);
                packed
            }
            Self::Packed(packed) => packed,
        }
    }

    /// A second one.
    pub(crate) fn twin(&self) -> Self {
        Self::Packed(match self {
            Self::Whole(planned) => Packed::of(planned),
            Self::Packed(packed) => packed.clone(),
        })
    }
}

/// Gathers events into blocks. No number depends on where they are cut.
pub struct BlockBuilder {
    block_moves: usize,
    /// Actions since the last move.
    actions: usize,
    /// Actions since the last stop.
    actions_since_stop: usize,
    current: Box<BlockInFlight>,
    done: Vec<PendingBlock>,
    spare: Vec<Box<BlockInFlight>>,
}

impl Default for BlockBuilder {
    fn default() -> Self {
        Self::new()
    }
}

impl BlockBuilder {
    /// Nothing gathered.
    pub fn new() -> Self {
        Self::with_block_moves(BLOCK)
    }

    /// The same with smaller blocks, for tests.
    pub(crate) fn with_block_moves(block_moves: usize) -> Self {
        Self {
            block_moves: block_moves.clamp(1, BLOCK),
            actions: 0,
            actions_since_stop: 0,
            current: Box::default(),
            done: Vec::new(),
            spare: Vec::new(),
        }
    }

    /// Takes one event.
    pub fn event(&mut self, event: &Event) {
        match event {
            Event::Move(step) => self.step(step),
            Event::Limits(change) => self.change_limits(change),
            Event::Action { line, duration_s, kind } => {
                self.current.closing.push(PendingAction { line: *line, duration_s: *duration_s, kind: *kind });
                self.actions += 1;
                self.actions_since_stop += 1;
                let many = self.actions >= ACTIONS_BETWEEN_MOVES || self.actions_since_stop >= ACTIONS_BETWEEN_STOPS;
                if many || kind.stops() {
                    self.current.stops = true;
                    self.actions_since_stop = 0;
                }
                if many {
                    self.actions = 0;
                    self.close();
                }
            }
        }
    }

    /// The end of the job, a stop like others.
    pub fn finish(&mut self, line: u64) {
        self.event(&Event::Action { line, duration_s: 0.0, kind: ActionKind::End });
        self.close();
    }

    /// Gives out what was gathered, in order: full blocks, and all that actions follow. `spare` gives and gets blocks that
    /// nobody needs.
    pub fn take(&mut self, blocks: &mut Vec<PendingBlock>, spare: &mut Vec<Box<BlockInFlight>>) {
        if !self.current.closing.is_empty() {
            self.close();
        }
        blocks.append(&mut self.done);
        self.spare.append(spare);
        // As many as one call uses up are enough.
        self.spare.truncate(MANY_BLOCKS);
        std::mem::swap(&mut self.spare, spare);
    }

    /// Takes blocks to fill from now on.
    pub fn supply(&mut self, spare: &mut Vec<Box<BlockInFlight>>) {
        self.spare.append(spare);
    }

    /// The block that the next move belongs to, with room for it.
    #[inline(always)]
    fn room(&mut self) -> &mut Block {
        if self.current.block.len() >= self.block_moves || !self.current.closing.is_empty() {
            self.close();
        }
        self.actions = 0;
        &mut self.current.block
    }

    /// Ends the current block and starts another.
    #[cold]
    fn close(&mut self) {
        // One in so many is made anew all the same, so that there are enough in the end.
        let is_due = self.done.len() % MADE_ANEW_EACH == MADE_ANEW_EACH - 1;
        let is_small = self.current.block.len() < FEW_MOVES && !is_due;
        if self.done.len() >= MANY_BLOCKS || (self.spare.is_empty() && is_small) {
            self.done.push(PendingBlock::Packed(Packed::of(&self.current)));
            self.current.clear();
            return;
        }
        let mut next = self.spare.pop().unwrap_or_default();
        next.clear();
        self.done.push(PendingBlock::Whole(std::mem::replace(&mut self.current, next)));
    }

    fn change_limits(&mut self, change: &LimitChange) {
        // A change behind an action holds from the next move on, which another block begins with.
        if !self.current.closing.is_empty() {
            self.close();
        }
        let at = self.current.block.len();
        match self.current.changes.last_mut() {
            Some((place, earlier)) if *place == at => earlier.join(change),
            _ => self.current.changes.push((at, *change)),
        }
    }

    fn step(&mut self, step: &Move) {
        let mut flags = 0;
        for axis in 0..3 {
            flags |= if step.from[axis] != step.to[axis] { flag::X << axis } else { 0 };
            flags |= if step.known[axis] { flag::KNOWN_X << axis } else { 0 };
        }
        if let Some(curve) = step.curve {
            flags |= flag::CURVE | flag::PATH;
            let plane = match &curve {
                Curve::Arc(arc) => [arc.axes[0], arc.axes[1]],
                Curve::Cubic(_) => [0, 1],
            };
            plane.into_iter().for_each(|axis| flags |= flag::X << axis);
        }
        self.append(step, flags);
        if let Some(curve) = step.curve {
            let block = &mut self.current.block;
            block.curves.push(CurvedMove { at: block.len() - 1, curve, dir_end: [0.0; 3] });
        }
    }

    /// Appends the columns of a move, with the flags that tell what moves and what is known.
    #[inline(always)]
    pub(crate) fn append(&mut self, step: &Move, flags: u8) {
        let block = self.room();
        if block.is_empty() {
            block.origin = step.from;
        }
        let i = block.add() % BLOCK;
        block.line[i] = step.line;
        for axis in 0..3 {
            block.to[axis][i] = step.to[axis];
        }
        block.de_mm[i] = step.de;
        block.feed_commanded_mm_s[i] = step.feed_mm_s;
        block.flags[i] = flags | if flags & (flag::X | flag::Y | flag::Z) != 0 { flag::PATH } else { 0 };
        block.commands[i] = step.commands;
        block.bytes[i] = step.bytes;
    }
}
