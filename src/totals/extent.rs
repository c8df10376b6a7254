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
        for i in 0..block.len() {
            if block.flags[i] & flag::PATH == 0 {
                continue;
            }
            take(&mut self.reached, block.end(i));
            if block.de[i] > 0.0 {
                take(&mut self.extruding, block.start(i));
                take(&mut self.extruding, block.end(i));
            }
        }
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
