//! Events → blocks of moves that are not planned yet, with the limits in force and the actions that follow them.

use crate::machine::{Limits, Machine};
use crate::modal::{Event, LimitChange, Move};
use crate::observe::{ActionKind, BLOCK, Bend, Block, Curve, flag};

/// After that many actions in a row the machine is taken to stand: reading them takes longer than any moves it knows.
pub(super) const ACTIONS_BETWEEN_MOVES: usize = 65_536;

/// An action as the planner passes it on: its own duration, its place by the block it ends.
#[derive(Debug, Clone, Copy)]
pub struct Closing {
    /// Line of the job.
    pub line: u64,
    /// Time by its own words, s.
    pub duration_s: f64,
    /// What it is.
    pub kind: ActionKind,
}

/// A block on its way through the stages, and what follows it.
#[derive(Debug, Default)]
pub struct Planned {
    /// Its moves; each stage fills its columns.
    pub block: Block,
    /// What follows them.
    pub closing: Vec<Closing>,
    /// Limits in force from a move of the block on.
    pub(super) spans: Vec<(usize, Limits)>,
}

/// Gathers events into blocks. Where blocks are cut depends on the events alone, and no number on where they are cut.
pub struct Gather {
    block_moves: usize,
    limits: Limits,
    current: Box<Planned>,
    done: Vec<Box<Planned>>,
    spare: Vec<Box<Planned>>,
}

impl Gather {
    /// Starts under the machine's limits.
    pub fn new(machine: &Machine) -> Self {
        Self::with_block_moves(machine, BLOCK)
    }

    /// The same with smaller blocks, for tests.
    pub fn with_block_moves(machine: &Machine, block_moves: usize) -> Self {
        let limits = machine.motion.limits;
        let mut gather = Self {
            block_moves: block_moves.clamp(1, BLOCK),
            limits,
            current: Box::default(),
            done: Vec::new(),
            spare: Vec::new(),
        };
        gather.current.spans.push((0, limits));
        gather
    }

    /// Takes one event.
    pub fn event(&mut self, event: &Event) {
        match event {
            Event::Move(step) => self.step(step),
            Event::Limits(change) => self.change_limits(change),
            Event::Action { line, duration_s, kind } => {
                self.current.closing.push(Closing { line: *line, duration_s: *duration_s, kind: *kind });
                if self.current.closing.len() >= ACTIONS_BETWEEN_MOVES {
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

    /// Gives out the blocks that are full or ended by actions, in order.
    pub fn take(&mut self, blocks: &mut Vec<Box<Planned>>) {
        blocks.append(&mut self.done);
    }

    /// Takes back blocks that nobody needs any more.
    pub fn recycle(&mut self, blocks: &mut Vec<Box<Planned>>) {
        self.spare.append(blocks);
    }

    /// The block that the next move belongs to, with room for it.
    #[inline(always)]
    fn room(&mut self) -> &mut Block {
        if self.current.block.len() >= self.block_moves || !self.current.closing.is_empty() {
            self.close();
        }
        &mut self.current.block
    }

    /// Ends the current block and starts another.
    #[cold]
    fn close(&mut self) {
        let mut next = self.spare.pop().unwrap_or_default();
        next.block.clear();
        next.closing.clear();
        next.spans.clear();
        next.spans.push((0, self.limits));
        self.done.push(std::mem::replace(&mut self.current, next));
    }

    fn change_limits(&mut self, change: &LimitChange) {
        let limits = &mut self.limits;
        let set = |old: &mut f64, new: Option<f64>| *old = new.unwrap_or(*old);
        for axis in 0..4 {
            set(&mut limits.feed_rate_mm_s[axis], change.feed_rate_mm_s[axis]);
            set(&mut limits.acceleration_mm_s2[axis], change.acceleration_mm_s2[axis]);
            set(&mut limits.jerk_mm_s[axis], change.jerk_mm_s[axis]);
        }
        set(&mut limits.printing_mm_s2, change.printing_mm_s2);
        set(&mut limits.travel_mm_s2, change.travel_mm_s2);
        set(&mut limits.retraction_mm_s2, change.retraction_mm_s2);
        set(&mut limits.junction_deviation_mm, change.junction_deviation_mm);
        let at = self.current.block.len();
        match self.current.spans.last_mut() {
            Some((start, limits)) if *start == at => *limits = self.limits,
            _ => self.current.spans.push((at, self.limits)),
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
            block.curves.push(Bend { at: block.len() - 1, curve, dir_end: [0.0; 3] });
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
        block.de[i] = step.de;
        block.feed_commanded[i] = step.feed_mm_s;
        block.flags[i] = flags | if flags & (flag::X | flag::Y | flag::Z) != 0 { flag::PATH } else { 0 };
        block.commands[i] = step.commands;
        block.bytes[i] = step.bytes;
    }
}
