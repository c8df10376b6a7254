//! Look-ahead: which speed each move may end with.
//!
//! With w the squared speed at the start of a move, s = 2 a L what one move can add or take away and J the squared
//! corner cap, the speed a move may start with so that the machine can still stop is B = min(J, B' + s), backwards from
//! the end of the known moves; then w' = min(B', w + s) forwards. Maps x → min(x + s, c) compose into the same shape,
//! so a sliding window of N moves costs two compositions a move whatever N (the two-stack form of a sliding minimum),
//! and unlimited look-ahead is settled as soon as stopping and not stopping at the end of the known moves give the same.
//! All values are on the grid of [`super::grid`]: nothing here depends on where blocks are cut.

use super::grid::SQUARED_CEILING;
use crate::machine::LookAhead;

/// Moves that "unlimited" look-ahead knows at most. A machine needs no more unless it takes longer than that to stop.
pub const UNLIMITED_MOVES: usize = 32_768;
/// Moves gathered before a window is evaluated, so that its set-up is shared.
const BATCH: usize = 256;

/// x → min(x + add, cap).
#[derive(Debug, Clone, Copy)]
struct Map {
    add: f64,
    cap: f64,
}

impl Map {
    const IDENTITY: Self = Self { add: 0.0, cap: f64::INFINITY };

    #[inline(always)]
    fn apply(self, x: f64) -> f64 {
        smaller(x + self.add, self.cap)
    }

    /// `self` after `first`.
    #[inline(always)]
    fn after(self, first: Self) -> Self {
        Self { add: smaller(first.add + self.add, SQUARED_CEILING), cap: smaller(first.cap + self.add, self.cap) }
    }
}

#[inline(always)]
fn smaller(a: f64, b: f64) -> f64 {
    if a < b { a } else { b }
}

/// The look-ahead over one run of moves between two stops after another.
#[derive(Debug)]
pub(super) struct Scan {
    window: usize,
    early: bool,
    /// Cap at the start, and step, of each move that is not settled.
    moves: Vec<Map>,
    /// Squared speed at the start of the first of them, once known.
    entry: Option<f64>,
    tried_at: usize,
    bound: Vec<f64>,
    suffix: Vec<Map>,
}

impl Scan {
    pub(super) fn new(look_ahead: LookAhead) -> Self {
        let (window, early) = match look_ahead {
            LookAhead::Moves(count) => (count.max(1) as usize, false),
            LookAhead::Unlimited => (UNLIMITED_MOVES, true),
        };
        Self { window, early, moves: Vec::new(), entry: None, tried_at: 0, bound: Vec::new(), suffix: Vec::new() }
    }

    /// Adds a move: squared cap at its start, and 2 a L.
    #[inline]
    pub(super) fn push(&mut self, cap: f64, step: f64) {
        self.moves.push(Map { add: step, cap });
    }

    /// Moves that are not settled.
    #[cfg(test)]
    pub(super) fn waiting(&self) -> usize {
        self.moves.len()
    }

    /// Settles what can be settled while more moves may follow. `settled` gets (w at start, w at end) of each.
    pub(super) fn settle(&mut self, settled: &mut impl FnMut(f64, f64)) {
        let count = self.moves.len();
        if self.early && count < self.window {
            // Trying again only after the queue has doubled keeps the cost per move constant.
            if count >= 2 * self.tried_at + BATCH {
                self.settle_early(settled);
                self.tried_at = self.moves.len();
            }
            return;
        }
        // Exit of move k needs moves up to k + window - 1, and that another one follows.
        let ready = count.saturating_sub(self.window);
        if ready >= BATCH.max(self.window) {
            self.bound.clear();
            self.bound.resize(ready + 1, 0.0);
            self.windows(ready);
            self.advance(ready, settled);
        }
    }

    /// Settles all moves: the last one ends at a stop with at most the squared speed `rest`.
    pub(super) fn stop(&mut self, rest: f64, settled: &mut impl FnMut(f64, f64)) {
        let count = self.moves.len();
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
            bound = self.moves[k].apply(bound);
        }
        if windowed == 0 && self.entry.is_none() {
            self.bound[0] = bound;
        }
        self.advance(count, settled);
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
            self.bound[0] = self.moves[..self.window].iter().rev().fold(0.0, |bound, map| map.apply(bound));
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
                self.suffix[k - group] = self.moves[k + 1].after(self.suffix[k + 1 - group]);
            }
            let mut prefix = Map::IDENTITY;
            for k in group..split.min(ready) {
                prefix = prefix.after(self.moves[k + width]);
                self.bound[k + 1] = self.suffix[k - group].apply(prefix.apply(0.0));
            }
            group = split;
        }
    }

    /// Unlimited look-ahead: a speed is settled where it is the same whether the machine stops at the end of the known
    /// moves or goes on without any cap.
    fn settle_early(&mut self, settled: &mut impl FnMut(f64, f64)) {
        let count = self.moves.len();
        self.bound.clear();
        self.bound.resize(count + 1, 0.0);
        let (mut stopping, mut free) = (0.0, f64::INFINITY);
        let mut ready = None;
        for k in (0..count).rev() {
            stopping = self.moves[k].apply(stopping);
            free = self.moves[k].apply(free);
            self.bound[k] = stopping;
            if ready.is_none() && stopping == free {
                ready = Some(k);
            }
        }
        if let Some(ready) = ready {
            self.advance(ready, settled);
        }
    }

    /// The forward pass over `ready` moves whose bounds are known; takes them off the queue.
    fn advance(&mut self, ready: usize, settled: &mut impl FnMut(f64, f64)) {
        if ready == 0 {
            return;
        }
        let mut w = self.entry.unwrap_or(self.bound[0]);
        for k in 0..ready {
            let end = smaller(self.bound[k + 1], w + self.moves[k].add);
            settled(w, end);
            w = end;
        }
        self.entry = Some(w);
        self.moves.drain(..ready);
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
        let mut scan = Scan::new(look_ahead);
        let mut w = Vec::new();
        let mut keep = |start: f64, end: f64| {
            if w.is_empty() {
                w.push(start);
            }
            assert_eq!(w.last(), Some(&start));
            w.push(end);
        };
        for (i, (&cap, &step)) in caps.iter().zip(steps).enumerate() {
            scan.push(cap, step);
            if i % every == every - 1 {
                scan.settle(&mut keep);
            }
        }
        scan.stop(rest, &mut keep);
        assert_eq!(scan.waiting(), 0);
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
