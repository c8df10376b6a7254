//! Where the nozzle goes, machine coordinates.

use crate::block::{ActionKind, Block, flag};
use crate::findings::{Inspection, Log, Observer};
use crate::geometry::{Box3, Curve, arc_interior_extrema, cubic_interior_extrema};

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

/// A box that grows; empty while min is above max.
struct Growing(Box3);

impl Growing {
    const EMPTY: Self = Self(Box3 { min: [f64::INFINITY; 3], max: [f64::NEG_INFINITY; 3] });

    #[inline(always)]
    fn take(&mut self, point: [f64; 3]) {
        for axis in 0..3 {
            if point[axis] < self.0.min[axis] {
                self.0.min[axis] = point[axis];
            }
            if point[axis] > self.0.max[axis] {
                self.0.max[axis] = point[axis];
            }
        }
    }

    fn join(&self, extent: &mut Option<Box3>) {
        if self.0.min[0] <= self.0.max[0] {
            take(extent, self.0.min);
            take(extent, self.0.max);
        }
    }
}

impl Extent {
    fn moves(&mut self, block: &Block) {
        let (mut reached, mut extruding) = (Growing::EMPTY, Growing::EMPTY);
        let mut joined = false;
        for i in 0..block.len() {
            let path = block.flags[i] & flag::PATH != 0;
            let pushes = path && block.de_mm[i] > 0.0;
            if pushes {
                // The start of a move that follows an extruding one is that one's end.
                if !joined {
                    extruding.take(block.start(i));
                }
                extruding.take(block.end(i));
            }
            if path {
                reached.take(block.end(i));
            }
            joined = pushes;
        }
        extruding.join(&mut self.extruding);
        reached.join(&mut self.reached);
        for bend in &block.curves {
            self.curve(block, bend.at, &bend.curve);
        }
    }

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
        if !(holds(&self.reached, &block.reach) && holds(&self.extruding, &block.reach)) {
            self.moves(block);
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

/// True when the inner box can widen the outer one nowhere.
fn holds(outer: &Option<Box3>, inner: &Box3) -> bool {
    outer.is_some_and(|outer| (0..3).all(|k| outer.min[k] <= inner.min[k] && inner.max[k] <= outer.max[k]))
}
