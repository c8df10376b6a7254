//! Moves → planned blocks: geometry, axis and corner caps, look-ahead, trapezoids.
//!
//! The model: each move goes along its path with one acceleration, from a start to an end speed through a peak; corners
//! are passed at one speed that the corner rule caps; look-ahead makes sure the machine can always stop within the moves
//! it knows. Trapezoids: Biagiotti, Melchiorri, *Trajectory Planning for Automatic Machines and Robots*, Springer 2008,
//! ch. 3 (from memory). Junction deviation: the largest circle of centripetal acceleration a that touches both legs and
//! passes the corner at distance δ (geometry, derived at [`corner`]). Units: mm, s.

pub mod corner;
mod curves;
mod derive;
pub mod grid;
mod profile;
mod scan;

use std::collections::VecDeque;

use crate::machine::{E, Limits, Machine};
use crate::modal::{Event, LimitChange, Move};
use crate::observe::{ActionKind, BLOCK, Block, Curve, flag};
use corner::Leg;
use scan::Scan;

pub use scan::UNLIMITED_MOVES;

/// After that many actions in a row the machine is taken to stand: reading them takes longer than any moves it knows.
const ACTIONS_BETWEEN_MOVES: usize = 65_536;

/// An action as the planner passes it on: the block it ends, its own duration.
#[derive(Debug, Clone, Copy)]
pub struct Closing {
    /// Line of the job.
    pub line: u64,
    /// Time by its own words, s.
    pub duration_s: f64,
    /// What it is.
    pub kind: ActionKind,
}

/// A planned block and what follows it, before physics.
#[derive(Debug, Default)]
pub struct Planned {
    /// Moves with their speeds and times.
    pub block: Block,
    /// What follows them.
    pub closing: Vec<Closing>,
}

/// Plans a stream of events.
pub struct Planner {
    block_moves: usize,
    limits: Limits,
    current: Planned,
    /// Limits in force from a move of the current block on.
    spans: Vec<(usize, Limits)>,
    waiting: VecDeque<Planned>,
    spare: Vec<Planned>,
    scan: Scan,
    /// Corner caps of the span at hand.
    caps: Vec<f64>,
    /// Speeds of the settled moves of the front block.
    speeds: Vec<(f64, f64)>,
    last: Option<Leg>,
}

impl Planner {
    /// A planner under the machine's limits, from rest.
    pub fn new(machine: &Machine) -> Self {
        Self::with_block_moves(machine, BLOCK)
    }

    /// The same with smaller blocks, for tests: no number depends on it.
    pub fn with_block_moves(machine: &Machine, block_moves: usize) -> Self {
        Self {
            block_moves: block_moves.clamp(1, BLOCK),
            limits: machine.motion.limits,
            current: Planned::default(),
            spans: vec![(0, machine.motion.limits)],
            waiting: VecDeque::new(),
            spare: Vec::new(),
            scan: Scan::new(machine.motion.look_ahead),
            caps: Vec::new(),
            speeds: Vec::new(),
            last: None,
        }
    }

    /// Takes one event; `ready` gets every block whose speeds are settled, in order.
    pub fn event(&mut self, event: &Event, ready: &mut impl FnMut(&mut Planned)) {
        match event {
            Event::Move(step) => {
                self.push(step);
                if self.current.block.len() >= self.block_moves {
                    self.close_block(false, ready);
                }
            }
            Event::Limits(change) => self.change_limits(change),
            Event::Action { line, duration_s, kind } => {
                let closing = Closing { line: *line, duration_s: *duration_s, kind: *kind };
                let mut stop = is_stop(kind);
                match self.waiting.back_mut() {
                    // No moves since the last block was closed: it takes the action too.
                    Some(last) if self.current.block.is_empty() => {
                        last.closing.push(closing);
                        stop |= last.closing.len() >= ACTIONS_BETWEEN_MOVES;
                    }
                    _ => self.current.closing.push(closing),
                }
                self.close_block(stop, ready);
            }
        }
    }

    /// The end of the job, a stop like others.
    pub fn finish(mut self, line: u64, ready: &mut impl FnMut(&mut Planned)) {
        self.event(&Event::Action { line, duration_s: 0.0, kind: ActionKind::End }, ready);
    }

    /// Gives a block's memory back.
    fn recycle(&mut self, mut planned: Planned) {
        clear(&mut planned.block);
        planned.closing.clear();
        self.spare.push(planned);
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
        match self.spans.last_mut() {
            Some((start, limits)) if *start == at => *limits = self.limits,
            _ => self.spans.push((at, self.limits)),
        }
    }

    /// Appends the raw columns of a move.
    fn push(&mut self, step: &Move) {
        let block = &mut self.current.block;
        let mut flags = 0;
        for axis in 0..3 {
            block.from[axis].push(step.from[axis]);
            block.to[axis].push(step.to[axis]);
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
            block.curves.push((block.line.len(), curve));
        }
        flags |= if flags & (flag::X | flag::Y | flag::Z) != 0 { flag::PATH } else { 0 };
        block.line.push(step.line);
        block.de.push(step.de);
        block.feed_commanded.push(step.feed_mm_s);
        block.flags.push(flags);
        block.commands.push(step.commands);
        block.bytes.push(step.bytes);
    }

    /// Geometry and caps of the current block, then on to look-ahead; `stop` ends the run.
    fn close_block(&mut self, stop: bool, ready: &mut impl FnMut(&mut Planned)) {
        if !self.current.block.is_empty() || !self.current.closing.is_empty() {
            self.derive();
            let mut closed = self.spare.pop().unwrap_or_default();
            std::mem::swap(&mut closed, &mut self.current);
            self.waiting.push_back(closed);
        }
        self.spans.clear();
        self.spans.push((0, self.limits));
        let speeds = &mut self.speeds;
        let mut keep = |start: f64, end: f64| speeds.push((start, end));
        if stop {
            let rest = self.last.take().map_or(0.0, |leg| leg.rest_at_end_squared());
            self.scan.stop(rest, &mut keep);
        } else {
            self.scan.settle(&mut keep);
        }
        self.release(ready);
    }

    /// Gives out the blocks at the front whose moves are all settled.
    fn release(&mut self, ready: &mut impl FnMut(&mut Planned)) {
        let mut used = 0;
        while let Some(front) = self.waiting.front() {
            let count = front.block.len();
            if self.speeds.len() - used < count {
                break;
            }
            let Some(mut planned) = self.waiting.pop_front() else { break };
            profile::fill(&mut planned.block, &self.speeds[used..used + count]);
            used += count;
            ready(&mut planned);
            self.recycle(planned);
        }
        self.speeds.drain(..used);
    }

    /// Length, direction, speed and acceleration of each move, and the cap of the corner before it.
    fn derive(&mut self) {
        let spans = std::mem::take(&mut self.spans);
        let count = self.current.block.len();
        for (i, &(start, ref limits)) in spans.iter().enumerate() {
            let end = spans.get(i + 1).map_or(count, |next| next.0);
            let curves = derive::geometry(&mut self.current.block, start..end);
            derive::caps(&mut self.current.block, start..end, limits, &curves);
            self.derive_corners(start..end, limits);
        }
        self.spans = spans;
    }

    /// The cap of the corner before each move, and how much each can gain.
    fn derive_corners(&mut self, range: std::ops::Range<usize>, limits: &Limits) {
        if range.is_empty() {
            return;
        }
        let block = &self.current.block;
        let first = Leg::of(block, range.start, limits);
        let first_cap = match &self.last {
            Some(before) => corner::squared_cap(before, &first),
            None => first.rest_squared(),
        };
        self.caps.clear();
        self.caps.push(first_cap);
        derive::corners(block, range.clone(), limits, &mut self.caps);
        for (&cap, i) in self.caps.iter().zip(range.clone()) {
            self.scan.push(cap, derive::step(block.accel[i], block.length[i], block.feed[i]));
        }
        self.last = Some(Leg::of(block, range.end - 1, limits));
    }
}

/// Stops: the machine comes to rest and look-ahead ends.
fn is_stop(kind: &ActionKind) -> bool {
    use crate::observe::Wait;
    match kind {
        ActionKind::Dwell
        | ActionKind::Home { .. }
        | ActionKind::Probe
        | ActionKind::Pause { .. }
        | ActionKind::Tool { .. }
        | ActionKind::Finish
        | ActionKind::End => true,
        ActionKind::Heat { wait, .. } => *wait != Wait::No,
        ActionKind::Fan { .. } | ActionKind::MotorsOff { .. } | ActionKind::MotorsOn => false,
    }
}

fn clear(block: &mut Block) {
    let Block {
        line,
        from,
        to,
        de,
        length,
        dir,
        dir_end,
        flags,
        feed_commanded,
        feed,
        feed_allowed,
        accel,
        commands,
        bytes,
        curves,
        v_start,
        v_peak,
        v_end,
        t_up,
        t_cruise,
        t_down,
        section_mm2,
        sustained_mm3_s,
        purges,
        actions,
        start_s: _,
        tool: _,
        tool_index: _,
        nozzle: _,
    } = block;
    line.clear();
    flags.clear();
    commands.clear();
    bytes.clear();
    curves.clear();
    purges.clear();
    actions.clear();
    let columns = [
        de,
        length,
        feed_commanded,
        feed,
        feed_allowed,
        accel,
        v_start,
        v_peak,
        v_end,
        t_up,
        t_cruise,
        t_down,
        section_mm2,
        sustained_mm3_s,
    ];
    columns.into_iter().chain(from).chain(to).chain(dir).chain(dir_end).for_each(Vec::clear);
}

impl Leg {
    fn of(block: &Block, i: usize, limits: &Limits) -> Self {
        Self {
            start: [block.dir[0][i], block.dir[1][i], block.dir[2][i], block.dir[E][i]],
            end: [block.dir_end[0][i], block.dir_end[1][i], block.dir_end[2][i], block.dir[E][i]],
            path: block.flags[i] & flag::PATH != 0,
            feed_mm_s: block.feed[i],
            accel_mm_s2: block.accel[i],
            rule: limits.corner,
            jerk_mm_s: limits.jerk_mm_s,
            junction_deviation_mm: limits.junction_deviation_mm,
        }
    }
}
