//! Moves → planned blocks: geometry, axis and corner caps, look-ahead, trapezoids or other ramps.
//!
//! The model: each move goes along its path with one acceleration, from a start to an end speed through a peak; corners
//! are passed at one speed that the corner rule caps; look-ahead makes sure the machine can always stop within the moves
//! it knows. Trapezoids: Biagiotti, Melchiorri, *Trajectory Planning for Automatic Machines and Robots*, Springer 2008,
//! ch. 3 (from memory). Junction deviation: the largest circle of centripetal acceleration a that touches both legs and
//! passes the corner at distance δ (geometry, derived in `corner`). Units: mm, s.

pub(crate) mod arrivals;
pub(crate) mod corner;
mod curves;
mod derive;
mod jerk;
mod law;
mod look_ahead;

use std::collections::VecDeque;
use std::ops::Range;

use crate::block::{
    Block, BlockInFlight, LimitChange, MANY_BLOCKS, Packed, PendingBlock, Ramps, flag, grid::Sum, limit_matters,
    limits_in_order,
};
use crate::machine::{E, Limits, Machine, Motion, Ramp};
use crate::vectors::Vectors;
use arrivals::Arrivals;
use corner::Leg;
use jerk::JerkLookAhead;
use look_ahead::LookAheadWindow;

/// Plans gathered blocks.
pub struct Planner {
    vectors: Vectors,
    waiting: VecDeque<PendingBlock>,
    scan: LookAhead,
    /// How the speed goes within moves.
    ramp: Ramp,
    /// How commands come, where the sheet says so.
    arrivals: Option<Arrivals>,
    last: Option<Leg>,
    /// Limits in force at the end of what waits.
    limits: Limits,
    /// Limits in force at its start.
    limits_at_front: Limits,
    /// Whether the job changes no limits here.
    keeps_limits: bool,
    /// Time of the moves that left since another planner branched off, s; none before.
    since_branch_s: Option<Sum>,
}

impl Planner {
    /// A planner that starts from rest.
    pub fn new(machine: &Machine) -> Self {
        Self::with_vectors(machine, Vectors::default())
    }

    /// The same with the vectors given: no number depends on them.
    pub fn with_vectors(machine: &Machine, vectors: Vectors) -> Self {
        Self {
            vectors,
            waiting: VecDeque::new(),
            scan: LookAhead::new(machine),
            ramp: machine.motion.ramp,
            arrivals: Arrivals::new(machine),
            last: None,
            limits: machine.motion.limits,
            limits_at_front: machine.motion.limits,
            keeps_limits: false,
            since_branch_s: None,
        }
    }

    /// Where the job first changes a limit that matters: a planner that goes on from here without any such change, so that
    /// both times can be told apart. To be asked before the block is taken.
    pub fn branch(&mut self, gathered: &PendingBlock) -> Option<Self> {
        if self.since_branch_s.is_some() || !self.departs(gathered.changes()) {
            return None;
        }
        self.since_branch_s = Some(Sum::default());
        Some(Self {
            vectors: self.vectors,
            waiting: self.waiting.iter().map(PendingBlock::twin).collect(),
            scan: self.scan.clone(),
            ramp: self.ramp,
            arrivals: self.arrivals.clone(),
            last: self.last,
            limits: self.limits,
            limits_at_front: self.limits_at_front,
            keeps_limits: true,
            since_branch_s: Some(Sum::default()),
        })
    }

    /// Whether another planner has branched off.
    pub fn has_branched(&self) -> bool {
        self.since_branch_s.is_some()
    }

    /// Time of the moves that were released since a planner branched off, s.
    pub fn since_branch_s(&self) -> f64 {
        self.since_branch_s.map_or(0.0, Sum::value)
    }

    /// True when changes set a limit that matters to another value than the one in force.
    fn departs(&self, changes: &[(usize, LimitChange)]) -> bool {
        let in_force = limits_in_order(&self.limits);
        changes.iter().any(|(_, change)| {
            let mut limits = self.limits;
            change.apply(&mut limits);
            let changed = limits_in_order(&limits);
            (0..changed.len()).any(|at| changed[at] != in_force[at] && limit_matters(at, limits.corner))
        })
    }

    /// Takes what was gathered next. `spare` gives and gets blocks that nobody needs.
    pub fn take(&mut self, gathered: PendingBlock, spare: &mut Vec<Box<BlockInFlight>>) {
        let was_packed = matches!(gathered, PendingBlock::Packed(_));
        let mut planned = gathered.unpacked(spare);
        planned.block.vectors = self.vectors_for(planned.block.len());
        if self.keeps_limits {
            // The lead is none of the job's limits.
            planned.changes = planned.changes.iter().filter_map(|(at, set)| Some((*at, set.lead_alone()?))).collect();
        }
        self.derive(&mut planned);
        let (stops, stands_s) = (planned.stops, planned.stands_s());
        // What came packed has few moves, or others wait already: there are not enough blocks.
        if self.waiting.len() >= MANY_BLOCKS || (was_packed && spare.is_empty()) {
            // What was derived is derived again when its turn comes.
            self.waiting.push_back(PendingBlock::Packed(Packed::of(&planned)));
            spare.push(planned);
        } else {
            self.waiting.push_back(PendingBlock::Whole(planned));
        }
        if stops {
            let rest = self.last.take().map_or(0.0, |leg| leg.rest_at_end_squared());
            self.scan.stop(rest);
            if let Some(arrivals) = &mut self.arrivals {
                arrivals.stop(rest, stands_s);
            }
        } else {
            self.scan.settle(self.waiting.len() > MANY_BLOCKS / 2);
        }
    }

    /// Gives out up to `most` blocks at the front whose speeds are settled, in order, or fewer where none is to spare; true when
    /// there may be more.
    pub fn release(
        &mut self,
        ready: &mut Vec<Box<BlockInFlight>>,
        most: usize,
        spare: &mut Vec<Box<BlockInFlight>>,
    ) -> bool {
        let (mut used, mut made, mut starved) = (0, false, false);
        while ready.len() < most
            && let Some(front) = self.waiting.front()
            && self.scan.settled() - used >= front.len()
        {
            // One block is made anew each time: what is ready is soon to spare.
            let lacks_block = spare.is_empty() && matches!(front, PendingBlock::Packed(_));
            starved = lacks_block && made;
            if starved {
                break;
            }
            made |= lacks_block;
            let Some(front) = self.waiting.pop_front() else { break };
            let derived = matches!(front, PendingBlock::Whole(_));
            let mut planned = front.unpacked(spare);
            self.follow_limits(&mut planned, derived);
            let cut = ready.len();
            match &mut self.scan {
                LookAhead::Even(scan) => {
                    planned.block.go_along(Ramps::Even);
                    let (starts, ends) = scan.speeds(used..used + planned.block.len());
                    planned.block.vectors.run(
                        #[inline(always)]
                        || law::fill(&mut planned.block, starts, ends),
                    );
                    used += planned.block.len();
                    if let Some(arrivals) = &mut self.arrivals {
                        arrivals.follow(&mut planned, [starts, ends], ready, spare);
                    }
                }
                LookAhead::Jerk(scan) => scan.fill(&mut planned.block),
            }
            ready.push(planned);
            if self.ramp == Ramp::SameTimeQuintic {
                ready[cut..].iter_mut().for_each(|planned| planned.block.go_along(Ramps::Quintic));
            }
            if let Some(since) = &mut self.since_branch_s {
                ready[cut..].iter().for_each(|planned| planned.motion_s().for_each(|time_s| since.add(time_s)));
            }
        }
        if let LookAhead::Even(scan) = &mut self.scan {
            scan.forget(used);
        }
        starved || ready.len() >= most
    }

    /// Which vectors the loops over so many moves run in: to set up wide ones for a few takes longer than the moves.
    fn vectors_for(&self, moves: usize) -> Vectors {
        /// Fewest moves that they are set up for.
        const WORTH_IT: usize = 4;
        if moves < WORTH_IT { Vectors::plain() } else { self.vectors }
    }

    /// Moves on to the limits behind a block that goes; derives its columns again where they were dropped.
    fn follow_limits(&mut self, planned: &mut BlockInFlight, derived: bool) {
        if !derived {
            planned.block.vectors = self.vectors_for(planned.block.len());
        }
        let vectors = planned.block.vectors;
        let BlockInFlight { block, changes, .. } = planned;
        spans(&mut self.limits_at_front, changes, block.len(), |range, limits| {
            if !derived && !range.is_empty() {
                geometry(vectors, block, range, limits);
            }
        });
    }

    /// Length, direction, speed and acceleration of each move, and the cap of the corner before it.
    fn derive(&mut self, planned: &mut BlockInFlight) {
        let BlockInFlight { block, changes, .. } = planned;
        let vectors = block.vectors;
        let Self { scan, arrivals, last, limits, .. } = self;
        spans(limits, changes, block.len(), |range, limits| {
            if range.is_empty() {
                return;
            }
            let (caps, steps) = scan.add(range.len());
            geometry(vectors, block, range.clone(), limits);
            let first = Leg::of(block, range.start, limits);
            caps[0] = match last {
                Some(before) => corner::squared_cap(before, &first),
                None => first.rest_squared(),
            };
            vectors.run(
                #[inline(always)]
                || {
                    derive::corners(block, range.clone(), limits, &mut caps[1..]);
                    if !steps.is_empty() {
                        derive::steps(block, range.clone(), steps);
                    }
                },
            );
            *last = Some(Leg::of(block, range.end - 1, limits));
            derive::corners_behind_curves(block, range.clone(), limits, caps);
            if let Some(arrivals) = arrivals {
                arrivals.take(block, range.clone(), caps, steps);
            }
            if let LookAhead::Jerk(scan) = scan {
                scan.take(block, range);
            }
        });
    }
}

/// The look-ahead of a motion law.
#[derive(Debug, Clone)]
enum LookAhead {
    /// Of even ramps, and those that take their times.
    Even(LookAheadWindow),
    /// Of ramps with a limited jerk.
    Jerk(JerkLookAhead),
}

impl LookAhead {
    fn new(machine: &Machine) -> Self {
        let Motion { look_ahead, ramp, .. } = &machine.motion;
        match *ramp {
            Ramp::JerkLimited(jerk_mm_s3) => Self::Jerk(JerkLookAhead::new(*look_ahead, jerk_mm_s3)),
            Ramp::Trapezoid | Ramp::SameTimeQuintic => Self::Even(LookAheadWindow::new(*look_ahead)),
        }
    }

    /// See [`LookAheadWindow::add`]; no steps where they do not compose.
    fn add(&mut self, count: usize) -> (&mut [f64], &mut [f64]) {
        match self {
            Self::Even(scan) => scan.add(count),
            Self::Jerk(scan) => (scan.add(count), &mut []),
        }
    }

    /// See [`LookAheadWindow::settled`].
    fn settled(&self) -> usize {
        match self {
            Self::Even(scan) => scan.settled(),
            Self::Jerk(scan) => scan.settled(),
        }
    }

    /// See [`LookAheadWindow::settle`].
    fn settle(&mut self, soon: bool) {
        match self {
            Self::Even(scan) => scan.settle(soon),
            Self::Jerk(scan) => scan.settle(),
        }
    }

    /// See [`LookAheadWindow::stop`].
    fn stop(&mut self, rest: f64) {
        match self {
            Self::Even(scan) => scan.stop(rest),
            Self::Jerk(scan) => scan.stop(rest),
        }
    }
}

/// Calls `with` for each stretch of moves under the same limits, which end as they are behind the block.
fn spans(
    limits: &mut Limits,
    changes: &[(usize, LimitChange)],
    count: usize,
    mut with: impl FnMut(Range<usize>, &Limits),
) {
    let mut start = 0;
    for (at, change) in changes {
        with(start..*at, limits);
        change.apply(limits);
        start = *at;
    }
    with(start..count, limits);
}

/// What the planner knows of moves without their neighbours.
fn geometry(vectors: Vectors, block: &mut Block, range: Range<usize>, limits: &Limits) {
    vectors.run(
        #[inline(always)]
        || derive::straight(block, range.clone(), limits),
    );
    derive::curves(block, range, limits);
}

impl Leg {
    fn of(block: &Block, i: usize, limits: &Limits) -> Self {
        let along = |dir: [f64; 3]| [dir[0], dir[1], dir[2], block.dir[E][i]];
        Self {
            start: along([block.dir[0][i], block.dir[1][i], block.dir[2][i]]),
            end: along(block.dir_end(i)),
            path: block.flags[i] & flag::PATH != 0,
            feed_mm_s: block.feed_mm_s[i],
            accel_mm_s2: block.accel_mm_s2[i],
            rule: limits.corner,
            jerk_mm_s: limits.jerk_mm_s,
            junction_deviation_mm: limits.junction_deviation_mm,
        }
    }
}
