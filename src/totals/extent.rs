//! Where the machine goes, and where the tip of the tool in use lays filament, machine coordinates.

use crate::block::{ActionKind, Block, flag};
use crate::findings::{Inspection, Log, Observer};
use crate::geometry::{Box3, Curve, arc_interior_extrema, cubic_interior_extrema};
use crate::machine::Machine;

/// Owner of the boxes.
pub(super) struct Extent {
    /// From the place of the machine to the tip in use, mm.
    tip_mm: [f64; 3],
    reached: Option<Box3>,
    extruding: Option<Box3>,
}

fn sum(point: [f64; 3], by_mm: [f64; 3]) -> [f64; 3] {
    [0, 1, 2].map(|axis| point[axis] + by_mm[axis])
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

    /// Joins it to another, shifted.
    fn join(&self, extent: &mut Option<Box3>, by_mm: [f64; 3]) {
        if self.0.min[0] <= self.0.max[0] {
            take(extent, sum(self.0.min, by_mm));
            take(extent, sum(self.0.max, by_mm));
        }
    }
}

impl Extent {
    pub(super) fn new(machine: &Machine) -> Self {
        let tip_mm = machine.tools.first().map_or([0.0; 3], |tool| tool.offset_mm);
        Self { tip_mm, reached: None, extruding: None }
    }

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
        extruding.join(&mut self.extruding, self.tip_mm);
        reached.join(&mut self.reached, [0.0; 3]);
        for bend in &block.curves {
            self.curve(block, bend.at, &bend.curve);
        }
    }

    fn curve(&mut self, block: &Block, i: usize, curve: &Curve) {
        let (from, to) = (block.start(i), block.end(i));
        let (extruding, tip_mm) = (block.extrudes(i), self.tip_mm);
        let mut point = |point: [f64; 3]| {
            take(&mut self.reached, point);
            if extruding {
                take(&mut self.extruding, sum(point, tip_mm));
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
        let Box3 { min, max } = block.reach;
        let laid = Box3 { min: sum(min, self.tip_mm), max: sum(max, self.tip_mm) };
        if !(holds(&self.reached, &block.reach) && holds(&self.extruding, &laid)) {
            self.moves(block);
        }
        for action in &block.actions {
            match action.kind {
                ActionKind::Home { position, .. } => take(&mut self.reached, position),
                ActionKind::Tip { offset_mm } => self.tip_mm = offset_mm,
                _ => {}
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
