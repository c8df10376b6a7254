//! Strokes: motion along a direction without reversal, cut where the planned speed changes its sign.

use std::f64::consts::PI;
use std::ops::Range;

use crate::block::{BLOCK, Block, Column, CurvedMove};
use crate::geometry::Curve;

/// Shares of a direction below this are no motion along it.
const STILL: f64 = 1e-6;

/// Motion along a direction without reversal, and what was gathered on the way.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Stroke<G> {
    pub(crate) start_s: f64,
    pub(crate) end_s: f64,
    /// Where it starts along the direction, mm, and how far it goes.
    start_mm: f64,
    pub(crate) way_mm: f64,
    /// False for what is before the first motion along the direction, or before the first one after a stop.
    pub(crate) begun: bool,
    pub(crate) gathered: G,
}

/// Where a stroke ends and the next one starts.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Reversal {
    pub(crate) at_s: f64,
    pub(crate) at_mm: f64,
    pub(crate) line: u64,
}

/// What is gathered from moves, and who gets the strokes that are over.
pub(crate) trait Watch<G> {
    /// Takes moves into a stroke; `share` of a curve of which only a part belongs to it, else 1.
    fn take(&mut self, gathered: &mut G, range: Range<usize>, share: f64);
    /// A stroke is over.
    fn over(&mut self, stroke: Stroke<G>, turn: &Reversal);
}

/// The strokes along one direction.
#[derive(Debug, Clone, Default)]
pub(crate) struct Strokes<G> {
    vector: [f64; 3],
    forward: Option<bool>,
    current: Stroke<G>,
}

/// Columns of a block that all directions share: the part of each move in a direction, and when it starts, s.
pub(crate) struct Columns {
    shares: Column<f64>,
    times: Column<f64>,
}

impl Columns {
    pub(crate) fn new() -> Box<Self> {
        Box::new(Self { shares: [0.0; BLOCK], times: [0.0; BLOCK] })
    }

    /// Notes when each move of a block starts.
    pub(crate) fn clock(&mut self, block: &Block) {
        let mut now_s = block.start_s;
        for i in 0..block.len() {
            self.times[i] = now_s;
            now_s += block.time_s[i];
        }
    }
}

#[inline(always)]
fn along(vector: [f64; 3], of: [f64; 3]) -> f64 {
    vector[0] * of[0] + vector[1] * of[1] + vector[2] * of[2]
}

impl<G: Default> Strokes<G> {
    pub(crate) fn new(vector: [f64; 3]) -> Self {
        Self { vector, forward: None, current: Stroke::default() }
    }

    /// Goes through the moves of a block; `columns` have their times.
    pub(crate) fn follow(&mut self, block: &Block, columns: &mut Columns, watch: &mut impl Watch<G>) {
        let Columns { shares, times } = columns;
        block.vectors.run(
            #[inline(always)]
            || {
                let [x, y, z] = [&block.dir[0], &block.dir[1], &block.dir[2]];
                for i in 0..block.len() {
                    shares[i] = along(self.vector, [x[i], y[i], z[i]]);
                }
            },
        );
        let mut from = 0;
        for bend in &block.curves {
            self.straights(block, from..bend.at, (shares, times), watch);
            self.curve(block, bend, times[bend.at], watch);
            from = bend.at + 1;
        }
        self.straights(block, from..block.len(), (shares, times), watch);
    }

    fn straights(
        &mut self,
        block: &Block,
        range: Range<usize>,
        (shares, times): (&Column<f64>, &Column<f64>),
        watch: &mut impl Watch<G>,
    ) {
        let mut from = range.start;
        for i in range.clone() {
            let share = shares[i];
            if share.abs() > STILL && self.forward != Some(share > 0.0) {
                self.forward = Some(share > 0.0);
                watch.take(&mut self.current.gathered, from..i, 1.0);
                let turn = Reversal { at_s: times[i], at_mm: along(self.vector, block.start(i)), line: block.line[i] };
                self.reverse(&turn, watch);
                from = i;
            }
        }
        watch.take(&mut self.current.gathered, from..range.end, 1.0);
    }

    /// Goes through a curve: an arc by pieces of an eighth of half a turn at the most, as if driven evenly, anything
    /// else by its start.
    fn curve(&mut self, block: &Block, bend: &CurvedMove, start_s: f64, watch: &mut impl Watch<G>) {
        let i = bend.at;
        let sweep_rad = if let Curve::Arc(arc) = &bend.curve { arc.sweep_rad } else { 0.0 };
        let pieces = (sweep_rad.abs() / (PI / 8.0)).ceil().clamp(1.0, 1024.0);
        for n in 0..pieces as u32 {
            let part = f64::from(n) / pieces;
            let mut at = block.start(i);
            let share = match &bend.curve {
                Curve::Arc(arc) => {
                    let ([a, b, _], turn) = (arc.axes, sweep_rad.signum());
                    let angle = arc.start_rad + sweep_rad * part;
                    (at[a], at[b]) =
                        (arc.centre[0] + arc.radius * angle.cos(), arc.centre[1] + arc.radius * angle.sin());
                    let middle = angle + sweep_rad * (0.5 / pieces);
                    (self.vector[b] * middle.cos() - self.vector[a] * middle.sin()) * turn
                }
                Curve::Cubic(_) => along(self.vector, [block.dir[0][i], block.dir[1][i], block.dir[2][i]]),
            };
            if share.abs() > STILL && self.forward != Some(share > 0.0) {
                self.forward = Some(share > 0.0);
                let at_s = start_s + block.time_s[i] * part;
                self.reverse(&Reversal { at_s, at_mm: along(self.vector, at), line: block.line[i] }, watch);
            }
            watch.take(&mut self.current.gathered, i..i + 1, 1.0 / pieces);
        }
    }

    /// A stroke ends, another starts.
    fn reverse(&mut self, turn: &Reversal, watch: &mut impl Watch<G>) {
        let next = Stroke { start_s: turn.at_s, start_mm: turn.at_mm, begun: true, ..Stroke::default() };
        let done = std::mem::replace(&mut self.current, next);
        watch.over(Stroke { end_s: turn.at_s, way_mm: (turn.at_mm - done.start_mm).abs(), ..done }, turn);
    }

    /// Motion stops for a while: no stroke goes through that. The one that was going on, up to there.
    pub(crate) fn stop(&mut self, at_s: f64, position: [f64; 3]) -> Stroke<G> {
        self.forward = None;
        let done = std::mem::take(&mut self.current);
        let way_mm = (along(self.vector, position) - done.start_mm).abs();
        Stroke { end_s: at_s, way_mm, ..done }
    }
}
