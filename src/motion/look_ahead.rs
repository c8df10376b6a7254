//! Look-ahead: which speed each move may end with.
//!
//! With w the squared speed at the start of a move, s = 2 a L what one move can add or take away and J the squared
//! corner cap, the speed a move may start with so that the machine can still stop is B = min(J, B' + s), backwards from
//! the end of the known moves; then w' = min(B', w + s) forwards. Maps x → min(x + s, c) compose into the same shape,
//! so a sliding window of N moves costs two compositions a move whatever N (the two-stack form of a sliding minimum),
//! and unlimited look-ahead is settled as soon as stopping and not stopping at the end of the known moves give the same.
//! All values are on the grid of [`crate::block::grid`]: nothing here depends on where blocks are cut.
//!
//! Why a sliding composition of maps in this file instead of a queue? x → min(x + s, c) composes into its own shape, so
//! a window of any width costs two compositions a move, joins exactly at block borders, and needs no running sum that
//! eats its digits on a long job.
//!
//! Why does "unlimited" look-ahead have a bound (32 768 moves)? Memory stays constant. A machine needs more only if it
//! takes that many moves to stop.

use crate::block::grid::SQUARED_CEILING;
use crate::machine::LookAhead;
use crate::vectors::columns::smaller;

/// Moves that "unlimited" look-ahead knows at most. A machine needs no more unless it takes longer than that to stop.
pub(super) const UNLIMITED_MOVES: usize = 32_768;
/// Moves gathered before a window is evaluated, so that its set-up is shared.
const BATCH: usize = 256;

/// x → min(x + add, cap).
#[derive(Debug, Clone, Copy)]
pub(super) struct Map {
    pub(super) add: f64,
    pub(super) cap: f64,
}

impl Map {
    pub(super) const IDENTITY: Self = Self { add: 0.0, cap: f64::INFINITY };

    #[inline(always)]
    pub(super) fn apply(self, x: f64) -> f64 {
        smaller(x + self.add, self.cap)
    }

    /// `self` after `first`.
    #[inline(always)]
    pub(super) fn after(self, first: Self) -> Self {
        Self { add: smaller(first.add + self.add, SQUARED_CEILING), cap: smaller(first.cap + self.add, self.cap) }
    }
}

/// The look-ahead over one run of moves between two stops after another.
#[derive(Debug, Clone)]
pub(super) struct LookAheadWindow {
    window: usize,
    early: bool,
    /// Cap at the start of each move that is not settled.
    caps: Vec<f64>,
    /// 2 a L of each of them.
    steps: Vec<f64>,
    /// Squared speed at the start of the first of them, once known.
    entry: Option<f64>,
    tried_at: usize,
    bound: Vec<f64>,
    suffix: Vec<Map>,
    /// Squared speeds at start and end of settled moves that are not yet forgotten.
    starts: Vec<f64>,
    ends: Vec<f64>,
}

impl LookAheadWindow {
    pub(super) fn new(look_ahead: LookAhead) -> Self {
        let (window, early) = match look_ahead {
            LookAhead::Moves(count) => (count.max(1) as usize, false),
            LookAhead::Unlimited => (UNLIMITED_MOVES, true),
        };
        Self {
            window,
            early,
            caps: Vec::new(),
            steps: Vec::new(),
            entry: None,
            tried_at: 0,
            bound: Vec::new(),
            suffix: Vec::new(),
            starts: Vec::new(),
            ends: Vec::new(),
        }
    }

    /// Adds that many moves; gives the places of their squared caps at the start and of their steps 2 a L.
    pub(super) fn add(&mut self, count: usize) -> (&mut [f64], &mut [f64]) {
        let known = self.caps.len();
        self.caps.resize(known + count, 0.0);
        self.steps.resize(known + count, 0.0);
        (&mut self.caps[known..], &mut self.steps[known..])
    }

    /// Moves that are not settled.
    #[cfg(test)]
    pub(super) fn waiting(&self) -> usize {
        self.caps.len()
    }

    /// How many settled moves are not forgotten.
    pub(super) fn settled(&self) -> usize {
        self.starts.len()
    }

    /// Squared speeds at the starts and at the ends of settled moves.
    pub(super) fn speeds(&self, range: std::ops::Range<usize>) -> (&[f64], &[f64]) {
        (&self.starts[range.clone()], &self.ends[range])
    }

    /// Forgets the first settled moves.
    pub(super) fn forget(&mut self, count: usize) {
        self.starts.drain(..count);
        self.ends.drain(..count);
    }

    fn map(&self, k: usize) -> Map {
        Map { add: self.steps[k], cap: self.caps[k] }
    }

    /// Settles what can be settled while more moves may follow; `soon` when waiting for more of them costs memory. Which
    /// moves are settled when changes no number.
    pub(super) fn settle(&mut self, soon: bool) {
        let count = self.caps.len();
        let batch = if soon { 1 } else { BATCH };
        if self.early && count < self.window {
            // Trying again only after the queue has doubled keeps the cost per move constant.
            if count >= 2 * self.tried_at + batch {
                self.settle_early();
                self.tried_at = self.caps.len();
            }
            return;
        }
        // Exit of move k needs moves up to k + window - 1, and that another one follows.
        let ready = count.saturating_sub(self.window);
        if ready >= batch.max(self.window) {
            self.bound.clear();
            self.bound.resize(ready + 1, 0.0);
            self.windows(ready);
            self.advance(ready);
        }
    }

    /// Settles all moves: the last one ends at a stop with at most the squared speed `rest`.
    pub(super) fn stop(&mut self, rest: f64) {
        let count = self.caps.len();
        self.tried_at = 0;
        if count == 0 {
            self.entry = None;
            return;
        }
        let windowed = count.saturating_sub(self.window);
        self.bound.clear();
        self.bound.resize(count + 1, 0.0);
        self.windows(windowed);
        let mut bound = rest;
        for k in (windowed..count).rev() {
            self.bound[k + 1] = bound;
            bound = self.map(k).apply(bound);
        }
        if windowed == 0 && self.entry.is_none() {
            self.bound[0] = bound;
        }
        self.advance(count);
        self.entry = None;
    }

    /// `bound[k + 1]` for k < ready: the window of moves k + 1 … k + window − 1, stopping at its end; and `bound[0]`
    /// over moves 0 … window − 1.
    fn windows(&mut self, ready: usize) {
        if ready == 0 {
            return;
        }
        let width = self.window - 1;
        if self.entry.is_none() {
            self.bound[0] = (0..self.window).rev().fold(0.0, |bound, k| self.map(k).apply(bound));
        }
        if width == 0 {
            return;
        }
        let mut group = 0;
        while group < ready {
            // Windows of this group start in (group, split] and end at or behind split.
            let split = group + width;
            self.suffix.clear();
            self.suffix.resize(width, Map::IDENTITY);
            for k in (group..split - 1).rev() {
                self.suffix[k - group] = self.map(k + 1).after(self.suffix[k + 1 - group]);
            }
            let mut prefix = Map::IDENTITY;
            for k in group..split.min(ready) {
                prefix = prefix.after(self.map(k + width));
                self.bound[k + 1] = self.suffix[k - group].apply(prefix.apply(0.0));
            }
            group = split;
        }
    }

    /// Unlimited look-ahead: a speed is settled where it is the same whether the machine stops at the end of the known
    /// moves or goes on without any cap.
    fn settle_early(&mut self) {
        let count = self.caps.len();
        self.bound.clear();
        self.bound.resize(count + 1, 0.0);
        let (mut stopping, mut free) = (0.0, f64::INFINITY);
        let mut open = count;
        // From where both agree on they stay the same.
        while open > 0 && stopping != free {
            open -= 1;
            stopping = self.map(open).apply(stopping);
            free = self.map(open).apply(free);
            self.bound[open] = stopping;
        }
        if stopping != free {
            return;
        }
        for k in (0..open).rev() {
            stopping = self.map(k).apply(stopping);
            self.bound[k] = stopping;
        }
        self.advance(open);
    }

    /// The forward pass over `ready` moves whose bounds are known; takes them off the queue.
    fn advance(&mut self, ready: usize) {
        if ready == 0 {
            return;
        }
        let mut w = self.entry.unwrap_or(self.bound[0]);
        let known = self.starts.len();
        let (steps, bounds) = (&self.steps[..ready], &self.bound[1..][..ready]);
        self.starts.extend(steps.iter().zip(bounds).map(|(step, bound)| {
            let start = w;
            w = smaller(*bound, w + step);
            start
        }));
        self.entry = Some(w);
        // Each move ends as the next one starts.
        self.ends.extend_from_slice(&self.starts[known + 1..]);
        self.ends.push(w);
        self.caps.drain(..ready);
        self.steps.drain(..ready);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The definition, move by move and window by window.
    fn slow(caps: &[f64], steps: &[f64], rest: f64, window: usize) -> Vec<f64> {
        let n = caps.len();
        let bound = |from: usize, last_known: usize| {
            let last = last_known.min(n - 1);
            let mut bound = if last == n - 1 { rest } else { 0.0 };
            for j in (from..=last).rev() {
                bound = f64::min(caps[j], bound + steps[j]);
            }
            bound
        };
        let mut w = vec![bound(0, window - 1)];
        for k in 0..n {
            let end = bound(k + 1, k + window - 1);
            w.push(f64::min(end, w[k] + steps[k]));
        }
        w
    }

    fn fast(caps: &[f64], steps: &[f64], rest: f64, look_ahead: LookAhead, every: usize) -> Vec<f64> {
        let mut scan = LookAheadWindow::new(look_ahead);
        for (caps, steps) in caps.chunks(every).zip(steps.chunks(every)) {
            let (to_caps, to_steps) = scan.add(caps.len());
            to_caps.copy_from_slice(caps);
            to_steps.copy_from_slice(steps);
            if caps.len() == every {
                scan.settle((caps[0] as usize).is_multiple_of(2));
            }
        }
        scan.stop(rest);
        assert_eq!(scan.waiting(), 0);
        let (starts, ends) = scan.speeds(0..scan.settled());
        assert_eq!(starts[1..], ends[..ends.len() - 1]);
        let mut w = starts[..1].to_vec();
        w.extend(ends);
        w
    }

    proptest::proptest! {
        #[test]
        fn equals_the_definition(
            moves in proptest::collection::vec((0u32..4000, 1u32..900), 1..1500),
            rest in 0u32..100,
            window in 1usize..40,
            every in 1usize..300,
        ) {
            let caps: Vec<f64> = moves.iter().map(|m| f64::from(m.0) / 4.0).collect();
            let steps: Vec<f64> = moves.iter().map(|m| f64::from(m.1) / 4.0).collect();
            let rest = f64::from(rest) / 4.0;
            let finite = fast(&caps, &steps, rest, LookAhead::Moves(window as u32), every);
            proptest::prop_assert_eq!(finite, slow(&caps, &steps, rest, window));
            let unlimited = fast(&caps, &steps, rest, LookAhead::Unlimited, every);
            proptest::prop_assert_eq!(unlimited, slow(&caps, &steps, rest, usize::MAX / 2));
        }
    }
}
