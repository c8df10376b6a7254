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
mod gather;
pub mod grid;
mod profile;
mod scan;

use std::collections::VecDeque;

use crate::machine::{E, Limits, Machine};
use crate::observe::{ActionKind, Block, flag};
use crate::vectors::Vectors;
use corner::Leg;
use scan::Scan;

pub use gather::{Closing, Gather, Planned};
pub use scan::UNLIMITED_MOVES;

/// More blocks than this (each with room for [`crate::observe::BLOCK`] moves) are not kept waiting without need.
const MANY_BLOCKS: usize = 64;

/// Plans gathered blocks.
pub struct Planner {
    vectors: Vectors,
    waiting: VecDeque<Box<Planned>>,
    scan: Scan,
    last: Option<Leg>,
}

impl Planner {
    /// A planner that starts from rest.
    pub fn new(machine: &Machine) -> Self {
        Self::with_vectors(machine, Vectors::default())
    }

    /// The same with the vectors given: no number depends on them.
    pub fn with_vectors(machine: &Machine, vectors: Vectors) -> Self {
        Self { vectors, waiting: VecDeque::new(), scan: Scan::new(machine.motion.look_ahead), last: None }
    }

    /// Takes one block; `ready` gets every block whose speeds are settled, in order.
    pub fn block(&mut self, mut planned: Box<Planned>, ready: &mut impl FnMut(Box<Planned>)) {
        planned.block.vectors = self.vectors;
        self.derive(&mut planned);
        let stop = planned.closing.len() >= gather::ACTIONS_BETWEEN_MOVES
            || planned.closing.iter().any(|closing| is_stop(&closing.kind));
        self.waiting.push_back(planned);
        if stop {
            let rest = self.last.take().map_or(0.0, |leg| leg.rest_at_end_squared());
            self.scan.stop(rest);
        } else {
            self.scan.settle(self.waiting.len() > MANY_BLOCKS);
        }
        self.release(ready);
    }

    /// Gives out the blocks at the front whose moves are all settled.
    fn release(&mut self, ready: &mut impl FnMut(Box<Planned>)) {
        let mut used = 0;
        while let Some(front) = self.waiting.front() {
            let count = front.block.len();
            if self.scan.settled() - used < count {
                break;
            }
            let Some(mut planned) = self.waiting.pop_front() else { break };
            let (starts, ends) = self.scan.speeds(used..used + count);
            self.vectors.run(
                #[inline(always)]
                || profile::fill(&mut planned.block, starts, ends),
            );
            used += count;
            ready(planned);
        }
        self.scan.forget(used);
    }

    /// Length, direction, speed and acceleration of each move, and the cap of the corner before it.
    fn derive(&mut self, planned: &mut Planned) {
        let Planned { block, spans, .. } = planned;
        for (i, &(start, ref limits)) in spans.iter().enumerate() {
            let end = spans.get(i + 1).map_or(block.len(), |next| next.0);
            if start == end {
                continue;
            }
            let range = start..end;
            let (caps, steps) = self.scan.add(range.len());
            self.vectors.run(
                #[inline(always)]
                || derive::straight(block, range.clone(), limits),
            );
            derive::curves(block, range.clone(), limits);
            let first = Leg::of(block, start, limits);
            caps[0] = match &self.last {
                Some(before) => corner::squared_cap(before, &first),
                None => first.rest_squared(),
            };
            self.vectors.run(
                #[inline(always)]
                || {
                    derive::corners(block, range.clone(), limits, &mut caps[1..]);
                    derive::steps(block, range.clone(), steps);
                },
            );
            derive::corners_behind_curves(block, range, limits, caps);
            self.last = Some(Leg::of(block, end - 1, limits));
        }
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

impl Leg {
    fn of(block: &Block, i: usize, limits: &Limits) -> Self {
        let along = |dir: [f64; 3]| [dir[0], dir[1], dir[2], block.dir[E][i]];
        Self {
            start: along([block.dir[0][i], block.dir[1][i], block.dir[2][i]]),
            end: along(block.dir_end(i)),
            path: block.flags[i] & flag::PATH != 0,
            feed_mm_s: block.feed[i],
            accel_mm_s2: block.accel[i],
            rule: limits.corner,
            jerk_mm_s: limits.jerk_mm_s,
            junction_deviation_mm: limits.junction_deviation_mm,
        }
    }
}
