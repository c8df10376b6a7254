//! How commands arrive: on a slow board or a slow line the machine outruns them and the plan knows fewer moves.
//!
//! One command after another is read, each for a fixed time: 1 / rate from a card; its bytes and a delay of
//! acknowledgement over a serial line; the slower of both where the sheet gives both. What was read enters the queue as
//! soon as that holds fewer than its moves, the one that is carried out among them; meanwhile the next waits, read. Behind a
//! stop motion starts with a full queue, or with all moves up to the next stop. Behind a dwell, or a wait for the end of
//! moves, the machine stands until it is full, commands being read all the while; stops of other kinds take as long as that.
//!
//! A move is planned for good when it starts, with the moves that are in the queue by then: it may end as fast as the
//! machine can stop within them. Where all fit, that is [`LookAheadWindow`](super::look_ahead::LookAheadWindow) to the
//! bit. A queue that is fed evenly and emptied evenly is D/D/1/K (Kendall's notation; Kleinrock, *Queueing Systems*, vol. 1,
//! Wiley 1975, from memory). Times are whole numbers of 2⁻³² s from the last stop of another kind, so that nothing depends on where
//! blocks are cut.

use std::collections::VecDeque;
use std::ops::Range;

use super::{law, look_ahead::Map};
use crate::block::{
    ActionKind, Block, BlockInFlight,
    grid::{self, Sum, time_units},
};
use crate::machine::{Controller, LookAhead, Machine, Ramp, ThinQueue};

/// Bits on a serial line for each byte: one start bit, eight data bits, one stop bit (common practice, no source).
pub(crate) const BITS_PER_BYTE: f64 = 10.0;

/// A move that was taken and has not passed.
#[derive(Debug, Clone, Copy)]
struct Known {
    /// Squared cap at its start, and what it can add or take away.
    map: Map,
    length_mm: f64,
    /// As derived, or what it is slowed down to where it entered a thin queue.
    feed_mm_s: f64,
    accel_mm_s2: f64,
    /// Time to read it.
    reading: u64,
}

/// The end of a run of moves: its number among all moves, and the squared speed that it may stop from.
#[derive(Debug, Clone, Copy)]
struct RunEnd {
    at: u64,
    rest: f64,
    stands: Stands,
}

/// How long the machine stands at a stop; none where it is as long as the queue takes to fill.
type Stands = Option<u64>;

/// Of two stops in a row.
fn together(a: Stands, b: Stands) -> Stands {
    Some(a?.saturating_add(b?))
}

/// How long commands take to be read.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Reading {
    per_command_s: f64,
    per_byte_s: f64,
    per_line_s: f64,
}

impl Reading {
    /// As the sheet of a machine has it; none where it says nothing of the kind.
    pub(crate) fn of(machine: &Machine) -> Option<Self> {
        let Controller { command_rate_limit_hz, serial_baud, acknowledge_s, .. } = &machine.controller;
        (command_rate_limit_hz.is_some() || serial_baud.is_some()).then(|| Self {
            per_command_s: command_rate_limit_hz.map_or(0.0, |hz| 1.0 / hz),
            per_byte_s: serial_baud.map_or(0.0, |baud| BITS_PER_BYTE / baud),
            per_line_s: serial_baud.and(*acknowledge_s).unwrap_or(0.0),
        })
    }

    /// Time for so many commands of so many bytes, 2⁻³² s.
    pub(crate) fn units(&self, commands: u32, bytes: u32) -> u64 {
        let (commands, bytes) = (f64::from(commands), f64::from(bytes));
        let by_line_s = bytes * self.per_byte_s + commands * self.per_line_s;
        time_units((commands * self.per_command_s).max(by_line_s))
    }
}

/// The arrivals of one job, and what they make of its plan.
#[derive(Debug, Clone)]
pub(super) struct Arrivals {
    reading: Reading,
    window: u64,
    thin: Option<Thin>,
    /// Moves from number `passed` on.
    known: VecDeque<Known>,
    passed: u64,
    ends: VecDeque<RunEnd>,
    /// Before the next move, where a run begins with it.
    stands: Stands,
    run: Run,
    /// Kept for the next block.
    starts: Vec<f64>,
    stops: Vec<f64>,
    gaps: Vec<(usize, f64)>,
}

/// Below so many moves a queue is thin; moves that enter it then take at least so long.
#[derive(Debug, Clone, Copy)]
struct Thin {
    moves: f64,
    least_s: f64,
}

/// Where the run at hand is.
#[derive(Debug, Clone, Default)]
struct Run {
    /// When each of the last moves ended, up to a queue full of them, also before the stop; the last is that before `passed`.
    ended: VecDeque<u64>,
    /// The first move of it, the first that has not entered, and the first that had not ended when the last one entered.
    first: u64,
    next: u64,
    under_way: u64,
    /// When the last that has entered did, and the squared speed it was slowed down to.
    entered: u64,
    stretched: Option<f64>,
    /// Squared speed at the start of the next move.
    speed: f64,
    /// The moves behind the next one, once they are not simply those that a plan without arrivals knows.
    sliding: Option<Sliding>,
}

/// Maps of moves in a row, of which the first are taken off and behind which others are added: their composition costs two
/// compositions a move (the two-stack form of a queue).
#[derive(Debug, Clone)]
struct Sliding {
    /// Number of the first move of them, and of the one behind the last.
    from: u64,
    to: u64,
    /// Compositions from each move to the last of the front, the nearest last.
    front: Vec<Map>,
    back: Map,
    /// Nothing before this move is as without arrivals.
    until: u64,
}

/// Whether late commands are followed under the motion law of a machine: not where the jerk is limited.
pub(crate) fn follows(machine: &Machine) -> bool {
    !matches!(machine.motion.ramp, Ramp::JerkLimited(_))
}

/// Makes a machine one that all commands reach in time.
pub(crate) fn in_time(machine: &mut Machine) {
    let controller = &mut machine.controller;
    (controller.command_rate_limit_hz, controller.serial_baud) = (None, None);
    (controller.acknowledge_s, controller.thin_queue) = (None, None);
}

impl Arrivals {
    /// Those of a machine; none where its sheet says nothing of the kind.
    pub(super) fn new(machine: &Machine) -> Option<Self> {
        let LookAhead::Moves(moves) = machine.motion.look_ahead else { return None };
        let reading = Reading::of(machine).filter(|_| follows(machine))?;
        let window = u64::from(moves.max(1));
        let thin = |ThinQueue { below, least_s }: ThinQueue| Thin { moves: below * window as f64, least_s };
        Some(Self {
            reading,
            window,
            thin: machine.controller.thin_queue.map(thin),
            known: VecDeque::new(),
            passed: 0,
            ends: VecDeque::new(),
            stands: None,
            run: Run::default(),
            starts: Vec::new(),
            stops: Vec::new(),
            gaps: Vec::new(),
        })
    }

    /// Takes moves of a block that were derived, with their squared caps and steps.
    pub(super) fn take(&mut self, block: &Block, range: Range<usize>, caps: &[f64], steps: &[f64]) {
        for (i, (&cap, &add)) in range.zip(caps.iter().zip(steps)) {
            self.known.push_back(Known {
                map: Map { add, cap },
                length_mm: block.length_mm[i],
                feed_mm_s: block.feed_mm_s[i],
                accel_mm_s2: block.accel_mm_s2[i],
                reading: self.reading.units(block.commands[i], block.bytes[i]),
            });
        }
    }

    /// The machine comes to rest behind the last move taken, from at most that squared speed, and stands for so long.
    pub(super) fn stop(&mut self, rest: f64, stands_s: Option<f64>) {
        let at = self.passed + self.known.len() as u64;
        let stands = stands_s.map(time_units);
        match self.ends.back_mut() {
            Some(end) if end.at == at => end.stands = together(end.stands, stands),
            None if at == self.passed => self.stands = together(self.stands, stands),
            _ => self.ends.push_back(RunEnd { at, rest, stands }),
        }
    }

    /// Follows the moves of a block that is planned as if all commands were there. Where they are not, it is planned again:
    /// [`Block::fed_s`] then keeps the times they would have had. Where the machine waits for a command the block is cut;
    /// what came before is put into `ready`.
    pub(super) fn follow(
        &mut self,
        planned: &mut Box<BlockInFlight>,
        [starts, ends]: [&[f64]; 2],
        ready: &mut Vec<Box<BlockInFlight>>,
        spare: &mut Vec<Box<BlockInFlight>>,
    ) {
        let count = planned.block.len();
        self.starts.clear();
        self.stops.clear();
        self.gaps.clear();
        let mut changed = false;
        for i in 0..count {
            changed |= self.pass(&mut planned.block, i, starts[i], ends[i]);
        }
        if !changed {
            return;
        }
        let block = &mut planned.block;
        let time_s = &block.time_s[..count];
        block.fed_s.extend_from_slice(time_s);
        law::fill(block, &self.starts, &self.stops);
        let mut cut = 0;
        for &(at, gap_s) in &self.gaps {
            let mut head = spare.pop().unwrap_or_default();
            head.clear();
            let line = planned.block.line[at - cut];
            planned.block.give_front(at - cut, &mut head.block);
            head.stop(line, gap_s, ActionKind::Starved);
            ready.push(head);
            cut = at;
        }
    }

    /// Passes one move, whose squared speeds would be these if all commands were there; true where something is otherwise.
    fn pass(&mut self, block: &mut Block, i: usize, start: f64, end: f64) -> bool {
        let number = self.passed;
        let last = self.ends.front().map_or(u64::MAX, |end| end.at);
        let [ended, full] = match number == self.run.first {
            true => self.begin(start, last),
            false => [self.run.ended.back().copied().unwrap_or(0), 0],
        };
        self.enter(last, ended);
        let is_there = self.run.next > number;
        let began = if is_there { ended.max(full) } else { self.next_enters() };
        // Not there in time, so that the machine stands until it comes.
        if began > ended {
            if !is_there {
                self.enter_now(began);
                self.enter(last, began);
            }
            self.gaps.push((i, (began - ended) as f64 / Sum::ONE));
        }
        let knows_all = self.run.next >= last.min(number + self.window);
        let is_plain = knows_all && self.run.sliding.is_none() && self.run.speed == start;
        let stop = if is_plain { end } else { self.slowed(knows_all, end) };
        let Known { feed_mm_s, length_mm, accel_mm_s2, .. } = self.known[0];
        let (speed, time_s) = if is_plain {
            (start, block.time_s[i])
        } else {
            block.feed_mm_s[i] = feed_mm_s;
            let speed = self.run.speed;
            (speed, law::phases([speed, stop], [speed.sqrt(), stop.sqrt()], feed_mm_s, accel_mm_s2, length_mm).time_s())
        };
        self.starts.push(speed);
        self.stops.push(stop);
        self.run.ended.push_back(began.saturating_add(time_units(time_s)));
        if self.run.ended.len() as u64 > self.window {
            self.run.ended.pop_front();
        }
        self.run.speed = stop;
        self.known.pop_front();
        self.passed += 1;
        if self.passed == last {
            self.stands = self.ends.pop_front().and_then(|end| end.stands);
            self.run.first = last;
        }
        !is_plain || began > ended
    }

    /// A run begins with the queue full, or with all of it; until when the machine stands anyhow, and when the queue is full.
    fn begin(&mut self, start: f64, last: u64) -> [u64; 2] {
        let mut ended = std::mem::take(&mut self.run.ended);
        let (first, next) = (self.passed, last.min(self.passed + self.window));
        let (mut entered, mut stood) = (0, 0);
        match self.stands {
            None => ended.clear(),
            Some(stands) => {
                stood = ended.back().map_or(0, |end: &u64| end.saturating_add(stands));
                entered = self.run.entered;
                // A place is free once the move a queue's length before has ended; those before the last long stop have.
                let places = (self.window as usize).saturating_sub(ended.len());
                for (at, known) in self.known.iter().take((next - first) as usize).enumerate() {
                    let free = at.checked_sub(places).map_or(0, |at| ended[at]);
                    entered = entered.saturating_add(known.reading).max(free);
                }
            }
        }
        self.run = Run { ended, first, under_way: first, next, entered, speed: start, ..Run::default() };
        [stood, entered]
    }

    /// Lets commands enter that have come by then.
    fn enter(&mut self, last: u64, now: u64) {
        while self.run.next < last.min(self.passed + self.window) {
            let entered = self.next_enters();
            if entered > now {
                return;
            }
            self.enter_now(entered);
        }
    }

    /// When the next command is read and has a place in the queue: that of the move a queue's length before it.
    fn next_enters(&self) -> u64 {
        let reading = self.known.get((self.run.next - self.passed) as usize).map_or(0, |next| next.reading);
        let before = self.run.next.checked_sub(self.window).filter(|&before| before >= self.run.first);
        self.run.entered.saturating_add(reading).max(before.map_or(0, |before| self.ended(before)))
    }

    fn enter_now(&mut self, entered: u64) {
        let at = (self.run.next - self.passed) as usize;
        self.stretch(at, entered);
        self.run.entered = entered;
        self.run.next += 1;
    }

    /// When a move before the next one ended.
    fn ended(&self, number: u64) -> u64 {
        let back = (self.passed - 1 - number) as usize;
        let at = self.run.ended.len().checked_sub(back + 1);
        at.and_then(|at| self.run.ended.get(at)).copied().unwrap_or(0)
    }

    /// Slows a move down that enters a thin queue.
    fn stretch(&mut self, at: usize, entered: u64) {
        let Some(thin) = self.thin else { return };
        // Whoever follows one that is slowed down takes over at its speed.
        if let Some(squared) = self.run.stretched.take() {
            let map = &mut self.known[at].map;
            map.cap = map.cap.min(squared);
        }
        while self.run.under_way < self.passed && self.ended(self.run.under_way) <= entered {
            self.run.under_way += 1;
        }
        let waiting = self.run.next + 1 - self.run.under_way;
        let Known { length_mm, feed_mm_s, .. } = self.known[at];
        let slower_mm_s = length_mm / thin.least_s;
        if waiting as f64 >= thin.moves || slower_mm_s >= feed_mm_s {
            return;
        }
        let squared = grid::squared_down(slower_mm_s * slower_mm_s);
        let known = &mut self.known[at];
        known.feed_mm_s = slower_mm_s;
        known.map = Map { add: known.map.add.min(squared), cap: known.map.cap.min(squared) };
        self.run.stretched = Some(squared);
        self.slide().until = self.passed + at as u64 + 2;
    }

    /// The moves behind the next one, made where there are none yet.
    fn slide(&mut self) -> &mut Sliding {
        let from = self.passed + 1;
        self.run.sliding.get_or_insert_with(|| Sliding {
            from,
            to: from,
            front: Vec::new(),
            back: Map::IDENTITY,
            until: from,
        })
    }

    /// The squared speed at the end of the next move, planned with those that have entered. `end` is what it would be if all
    /// commands were there; `knows_all` tells that all of a queue's length are, or of the run.
    fn slowed(&mut self, knows_all: bool, end: f64) -> f64 {
        let (number, to, speed) = (self.passed, self.run.next, self.run.speed);
        let rest = self.ends.front().filter(|end| end.at == to).map_or(0.0, |end| end.rest);
        let known = std::mem::take(&mut self.known);
        let sliding = self.slide();
        let map_of = |at: u64| known[(at - number) as usize].map;
        sliding.drop_before(number + 1, map_of);
        (sliding.to..to).for_each(|at| sliding.add(map_of(at)));
        let bound = sliding.apply(rest);
        if !knows_all {
            sliding.until = sliding.until.max(to + 1);
        }
        let stop = bound.min(map_of(number).add + speed);
        let over = number >= sliding.until && stop == end;
        self.known = known;
        if over {
            self.run.sliding = None;
        }
        stop
    }
}

impl Sliding {
    fn add(&mut self, map: Map) {
        self.back = self.back.after(map);
        self.to += 1;
    }

    /// Forgets all moves before `from`.
    fn drop_before(&mut self, from: u64, map_of: impl Fn(u64) -> Map) {
        while self.from < from {
            if self.from >= self.to {
                (self.from, self.to) = (from, from);
                return;
            }
            if self.front.is_empty() {
                let mut all = Map::IDENTITY;
                // The move that goes is not asked for: it is not known any more.
                for at in (self.from + 1..self.to).rev() {
                    all = map_of(at).after(all);
                    self.front.push(all);
                }
                self.back = Map::IDENTITY;
            } else {
                self.front.pop();
            }
            self.from += 1;
        }
    }

    fn apply(&self, rest: f64) -> f64 {
        let behind = self.back.apply(rest);
        self.front.last().map_or(behind, |front| front.apply(behind))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::look_ahead::LookAheadWindow;
    use super::*;
    use crate::block::BLOCK;

    /// A move: its squared cap in quarters, length, speed, commands.
    type Move = (u32, f64, f64, u32);

    /// The moves of a run, the squared speed that it may stop from, and how long the machine stands at the stops behind it.
    type Stretch<'m> = (&'m [Move], f64, &'m [Option<f64>]);

    const ACCEL: f64 = 1000.0;

    fn step_of(&(_, length, feed, _): &Move) -> f64 {
        law::gain_squared(ACCEL, length, feed)
    }

    fn machine(window: usize, rate_hz: f64, thin: Option<ThinQueue>) -> Machine {
        let mut machine = Machine::built_in();
        machine.motion.look_ahead = LookAhead::Moves(window as u32);
        machine.controller.command_rate_limit_hz = Some(rate_hz);
        machine.controller.thin_queue = thin;
        machine
    }

    /// What a run of moves becomes: start, end, time of each, and how long the machine waits before it.
    #[derive(Debug, Clone, Copy, PartialEq)]
    struct Done {
        start: f64,
        end: f64,
        time_s: f64,
        gap_s: f64,
    }

    /// The definition, move by move.
    fn slow(moves: &[Move], rest: f64, machine: &Machine) -> Vec<Done> {
        let LookAhead::Moves(window) = machine.motion.look_ahead else { unreachable!("the tests give a number") };
        let window = window as usize;
        let rate_hz = machine.controller.command_rate_limit_hz.expect("the tests give it");
        let (n, mut ended, mut entered) = (moves.len(), Vec::<u64>::new(), Vec::<u64>::new());
        let mut feeds: Vec<f64> = moves.iter().map(|m| m.2).collect();
        let mut caps: Vec<f64> = moves.iter().map(|m| f64::from(m.0) / 4.0).collect();
        let mut steps: Vec<f64> = moves.iter().map(step_of).collect();
        let mut done: Vec<Done> = Vec::new();
        for k in 0..n {
            // All that have a place by now, and when they came.
            while entered.len() < n.min(k + window) {
                let j = entered.len();
                let reading = time_units(f64::from(moves[j].3) / rate_hz);
                let free = if j < window { 0 } else { ended[j - window] };
                let at = if j < window { 0 } else { free.max(entered[j - 1] + reading) };
                let waiting = 1 + j - ended.iter().filter(|&&end| end <= at).count();
                if let Some(thin) = machine.controller.thin_queue.filter(|_| j >= window) {
                    let slower = moves[j].1 / thin.least_s;
                    // Those that started later than it came count as there, those that have not started too.
                    if (waiting as f64) < thin.below * window as f64 && slower < feeds[j] {
                        let squared = grid::squared_down(slower * slower);
                        feeds[j] = slower;
                        caps[j] = caps[j].min(squared);
                        steps[j] = steps[j].min(squared);
                        if j + 1 < n {
                            caps[j + 1] = caps[j + 1].min(squared);
                        }
                    }
                }
                // One that comes when this move has begun is decided on later, with all that has ended by then.
                let begins = ended.last().copied().unwrap_or(0).max(entered.get(k).copied().unwrap_or(at));
                if at > begins {
                    break;
                }
                entered.push(at);
            }
            let before = ended.last().copied().unwrap_or(0);
            let begins = before.max(entered[k]);
            let known = entered.len();
            let bound = |from: usize| {
                let mut bound = if known == n { rest } else { 0.0 };
                for j in (from..known).rev() {
                    bound = f64::min(caps[j], bound + steps[j]);
                }
                bound
            };
            let start = done.last().map_or_else(|| bound(0), |last| last.end);
            let end = bound(k + 1).min(start + steps[k]);
            let phases = law::phases([start, end], [start.sqrt(), end.sqrt()], feeds[k], ACCEL, moves[k].1);
            ended.push(begins + time_units(phases.time_s()));
            done.push(Done { start, end, time_s: phases.time_s(), gap_s: (begins - before) as f64 / Sum::ONE });
        }
        done
    }

    /// What the planner does with the run.
    fn fast(moves: &[Move], rest: f64, machine: &Machine, every: usize) -> Vec<Done> {
        in_runs(&[(moves, rest, &[None])], machine, every)
    }

    /// What it does with several.
    fn in_runs(runs: &[Stretch<'_>], machine: &Machine, every: usize) -> Vec<Done> {
        let mut scan = LookAheadWindow::new(machine.motion.look_ahead);
        let mut arrivals = Arrivals::new(machine).expect("the sheet gives a rate");
        let (mut waiting, mut ready, mut spare) = (VecDeque::new(), Vec::new(), Vec::new());
        let mut out =
            |scan: &mut LookAheadWindow, arrivals: &mut Arrivals, waiting: &mut VecDeque<Box<BlockInFlight>>| {
                while waiting.front().is_some_and(|front| scan.settled() >= front.block.len()) {
                    let mut front = waiting.pop_front().expect("is there");
                    let count = front.block.len();
                    let (starts, ends) = scan.speeds(0..count);
                    law::fill(&mut front.block, starts, ends);
                    arrivals.follow(&mut front, [starts, ends], &mut ready, &mut spare);
                    ready.push(front);
                    scan.forget(count);
                }
            };
        for &(moves, rest, stops) in runs {
            for chunk in moves.chunks(every.min(BLOCK)) {
                let mut planned = Box::<BlockInFlight>::default();
                let (caps, steps) = scan.add(chunk.len());
                for (i, step) in chunk.iter().enumerate() {
                    let at = planned.block.add();
                    planned.block.length_mm[at] = step.1;
                    planned.block.feed_mm_s[at] = step.2;
                    planned.block.accel_mm_s2[at] = ACCEL;
                    planned.block.commands[at] = step.3;
                    (caps[i], steps[i]) = (f64::from(step.0) / 4.0, step_of(step));
                }
                arrivals.take(&planned.block, 0..chunk.len(), caps, steps);
                waiting.push_back(planned);
                scan.settle(chunk.len() % 2 == 0);
                out(&mut scan, &mut arrivals, &mut waiting);
            }
            scan.stop(rest);
            for &stands_s in stops {
                arrivals.stop(rest, stands_s);
                // Which blocks are given out when must change nothing.
                if every.is_multiple_of(2) {
                    out(&mut scan, &mut arrivals, &mut waiting);
                }
            }
            out(&mut scan, &mut arrivals, &mut waiting);
        }
        let (mut done, mut gap_s) = (Vec::new(), 0.0);
        for planned in ready {
            let block = &planned.block;
            for i in 0..block.len() {
                let (start, end) = (block.v_start_mm_s[i], block.v_end_mm_s[i]);
                done.push(Done { start, end, time_s: block.time_s[i], gap_s });
                gap_s = 0.0;
            }
            gap_s += planned.closing.iter().map(|action| action.duration_s).sum::<f64>();
        }
        done
    }

    fn moves() -> impl Strategy<Value = Vec<Move>> {
        let step = (0u32..8000, 1u32..400, 1u32..120, 0u32..6);
        let step = step.prop_map(|(cap, length, feed, commands)| {
            // No corner is faster than the moves at it: the planner sees to that.
            let feed = f64::from(feed);
            (cap.min((feed * feed * 4.0) as u32), f64::from(length) / 64.0, feed, commands)
        });
        prop::collection::vec(step, 1..400).prop_map(|mut moves| {
            for k in 1..moves.len() {
                let before = moves[k - 1].2;
                moves[k].0 = moves[k].0.min((before * before * 4.0) as u32);
            }
            moves
        })
    }

    proptest! {
        #[test]
        fn equals_the_definition(
            moves in moves(),
            rest in 0u32..4,
            window in 1usize..24,
            rate in 1u32..400,
            thin in prop::option::of((1u32..=8, 1u32..40)),
            every in 1usize..300,
        ) {
            let thin = thin.map(|(below, least)| ThinQueue { below: f64::from(below) / 8.0, least_s: f64::from(least) / 1000.0 });
            let machine = machine(window, f64::from(rate) * 2.0, thin);
            let rest = f64::from(rest) / 4.0;
            let expected: Vec<Done> = slow(&moves, rest, &machine)
                .into_iter()
                .map(|done| Done { start: done.start.sqrt(), end: done.end.sqrt(), ..done })
                .collect();
            prop_assert_eq!(fast(&moves, rest, &machine, every), expected);
        }

        /// Where every command comes while the move a queue's length before it lasts, nothing changes.
        #[test]
        fn what_comes_in_time_changes_nothing(moves in moves(), window in 1usize..24, every in 1usize..300) {
            let quick = fast(&moves, 0.0, &machine(window, 1e9, None), every);
            let least_s = quick.iter().map(|done| done.time_s).fold(f64::INFINITY, f64::min);
            let most = moves.iter().map(|step| step.3).max().unwrap_or(0).max(1);
            // A clock's step less: times are rounded.
            let enough = machine(window, f64::from(most) / (least_s - 2.0 / Sum::ONE), None);
            prop_assert_eq!(fast(&moves, 0.0, &enough, every), quick);
        }
    }

    /// D/D/1/K: with a queue of K that is full at first, moves of d s and commands every a > d s, move k (from 0) finds the
    /// queue empty for the first time where k d < (k − K + 1) a, and from then on a move begins every a s.
    #[test]
    fn a_queue_that_is_emptied_faster_than_it_is_filled() {
        // From rest to rest: 0.25 mm at 1000 mm/s² takes 2 √(0.25 / 1000) s; caps of 0 keep every move like that.
        let moves = vec![(0, 0.25, 1000.0, 1); 500];
        for (window, rate_hz) in [(1usize, 20.0), (4, 25.0), (16, 28.0), (16, 31.0), (64, 30.0)] {
            let done = fast(&moves, 0.0, &machine(window, rate_hz, None), 37);
            let (a, d) = (1.0 / rate_hz, done[0].time_s);
            assert!((d - 2.0 * (0.25f64 / 1000.0).sqrt()).abs() < 1e-9 && d < a);
            let first = (((window - 1) as f64 * a) / (a - d)).floor() as usize + 1;
            let starved: Vec<usize> = (0..moves.len()).filter(|&k| done[k].gap_s > 0.0).collect();
            assert_eq!(starved.first().copied(), Some(first).filter(|&k| k < moves.len()), "{window} {rate_hz}");
            assert!(starved.iter().skip(1).all(|&k| (done[k].gap_s - (a - d)).abs() < 1e-8), "{window} {rate_hz}");
            assert_eq!(starved.len(), moves.len().saturating_sub(first));
        }
    }

    /// Moves of d s, a stop of s s behind each, and commands every a s: each begins when its command has come, so that the machine
    /// waits for max(0, a − d − s) behind each stop; and where the stop may take as long as it likes, for nothing.
    #[test]
    fn behind_a_stop_the_queue_fills_as_commands_come() {
        let one: &[Move] = &[(0, 0.25, 1000.0, 1)];
        let d = 2.0 * (0.25f64 / 1000.0).sqrt();
        for (a, stops) in
            [(0.1, &[Some(0.0)][..]), (0.1, &[Some(0.02), Some(0.01)]), (0.1, &[Some(0.09)]), (0.02, &[Some(0.0)])]
        {
            let runs = vec![(one, 0.0, stops); 100];
            let stands_s: f64 = stops.iter().flatten().sum();
            for (window, every) in [(1, 1), (16, 1), (16, 2)] {
                let done = in_runs(&runs, &machine(window, 1.0 / a, None), every);
                // A queue of one holds the move that is carried out: reading begins behind it, but for one that waits, read.
                let expected_s = (a - d - stands_s).max(0.0);
                for (k, done) in done.iter().enumerate().skip(1) {
                    assert!((done.gap_s - expected_s).abs() < 1e-8, "{window} {every} {stands_s} {k} {done:?}");
                }
            }
        }
        let runs = vec![(one, 0.0, &[Some(0.0), None][..]); 100];
        assert!(in_runs(&runs, &machine(16, 10.0, None), 1).iter().all(|done| done.gap_s == 0.0));
    }

    /// Runs of n moves with a stop of no length behind each take as long as their commands, at whatever place blocks are cut.
    #[test]
    fn runs_cannot_outrun_their_commands() {
        let moves: Vec<Move> = vec![(40_000, 0.2, 100.0, 1); 40];
        for (n, window) in [(1, 16), (5, 16), (16, 16), (40, 16), (40, 4)] {
            let runs = vec![(&moves[..n], 0.0, &[Some(0.0)][..]); 400 / n];
            let slow = machine(window, 20.0, None);
            let done = in_runs(&runs, &slow, 7);
            let total_s: f64 = done.iter().map(|done| done.gap_s + done.time_s).sum();
            let count = done.len() as f64;
            let least_s = (count - window as f64) / 20.0;
            assert!(total_s >= least_s && total_s < (count + 40.0) / 20.0, "{n} {window} {total_s} {least_s}");
            for every in [1, 2, 3, 64] {
                assert_eq!(in_runs(&runs, &slow, every), done);
            }
        }
    }

    /// Equal chords without corners: in the long run one takes exactly as long as its command, at whatever speed.
    #[test]
    fn short_chords_go_as_their_commands_come() {
        let moves = vec![(40_000, 0.2, 100.0, 1); 4000];
        let period_s = |window, rate_hz| {
            let done = fast(&moves, 0.0, &machine(window, rate_hz, None), 256);
            done[2000..3000].iter().map(|done| done.time_s + done.gap_s).sum::<f64>() / 1000.0
        };
        for window in [4, 16, 48] {
            // With few moves known it goes no faster than it can stop within them, however fast commands come.
            let known_s = period_s(window, 1e9);
            for rate_hz in [60.0, 120.0, 300.0] {
                let found_s = period_s(window, rate_hz);
                let expected_s = known_s.max(1.0 / rate_hz);
                assert!((found_s / expected_s - 1.0).abs() < 2e-3, "{window} {rate_hz}: {found_s} {expected_s}");
            }
        }
    }

    #[test]
    fn moves_into_a_thin_queue_take_their_time() {
        let moves = vec![(40_000, 0.2, 100.0, 1); 2000];
        let thin = ThinQueue { below: 0.5, least_s: 0.02 };
        let plain = fast(&moves, 0.0, &machine(16, 200.0, None), 256);
        let slowed = fast(&moves, 0.0, &machine(16, 200.0, Some(thin)), 256);
        // 0.2 mm in 0.02 s are 10 mm/s.
        assert!(slowed.iter().any(|done| done.start == 10.0 && done.end == 10.0));
        assert!(plain[200..1800].iter().all(|done| done.time_s < 0.02));
        assert!(slowed.iter().all(|done| done.gap_s == 0.0));
    }
}
