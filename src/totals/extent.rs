//! Where the nozzle goes, machine coordinates.

use crate::geometry::{arc_interior_extrema, cubic_interior_extrema};
use crate::inspection::{Box3, Inspection};
use crate::observe::{ActionKind, Block, Curve, Log, Observer, flag};

/// Owner of the boxes.
#[derive(Default)]
pub(super) struct Extent {
    reached: Option<Box3>,
    extruding: Option<Box3>,
}

fn take(extent: &mut Option<Box3>, point: [f64; 3]) {
    match extent {
        Some(extent) => crate::geometry::widen(extent, point),
        None => *extent = Some(Box3 { min: point, max: point }),
    }
}

fn join(extent: &mut Option<Box3>, other: Box3) {
    if other.min[0] <= other.max[0] {
        take(extent, other.min);
        take(extent, other.max);
    }
}

/// The box around the points of the moves for which `counts`; empty (min above max) when there are none.
fn ends(block: &Block, points: &[Vec<f64>; 3], counts: impl Fn(usize) -> bool) -> Box3 {
    let mut extent = Box3 { min: [f64::INFINITY; 3], max: [f64::NEG_INFINITY; 3] };
    for (axis, column) in points.iter().enumerate() {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for (i, &point) in column[..block.len()].iter().enumerate() {
            let counts = counts(i);
            low = if counts & (point < low) { point } else { low };
            high = if counts & (point > high) { point } else { high };
        }
        (extent.min[axis], extent.max[axis]) = (low, high);
    }
    extent
}

impl Extent {
    fn curve(&mut self, block: &Block, i: usize, curve: &Curve) {
        let (from, to) = (block.start(i), block.end(i));
        let extruding = block.extrudes(i);
        let mut point = |point: [f64; 3]| {
            take(&mut self.reached, point);
            if extruding {
                take(&mut self.extruding, point);
            }
        };
        match curve {
            Curve::Arc(arc) => arc_interior_extrema(arc, from, to).for_each(&mut point),
            // Z runs from end to end, so the start's Z widens nothing but the box of the start itself.
            Curve::Cubic(cubic) => cubic_interior_extrema(cubic).for_each(|[x, y]| point([x, y, to[2]])),
        }
    }
}

impl Observer for Extent {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        let path = |i: usize| block.flags[i] & flag::PATH != 0;
        let extruding = |i: usize| path(i) & (block.de[i] > 0.0);
        join(&mut self.reached, ends(block, &block.to, path));
        join(&mut self.extruding, ends(block, &block.to, extruding));
        join(&mut self.extruding, ends(block, &block.from, extruding));
        for (i, curve) in &block.curves {
            self.curve(block, *i, curve);
        }
        for action in &block.actions {
            if let ActionKind::Home { position, .. } = action.kind {
                take(&mut self.reached, position);
            }
        }
    }

    fn finish(&mut self, draft: &mut Inspection, _log: &mut Log) {
        draft.reached = self.reached;
        draft.extruding = self.extruding;
    }
}
