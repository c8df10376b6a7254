//! Layers: extrusion at one height.

use std::ops::Range;

use crate::block::{Block, grid::Sum};
use crate::checks::other_layer;
use crate::findings::{Inspection, Layer, Log, Observer};
use crate::vectors::columns;

/// Layers kept.
const LAYERS_KEPT: usize = 10_000;

/// Owner of the layers.
#[derive(Default)]
pub(super) struct Layers {
    done: Vec<Layer>,
    total: u64,
    current: Option<Current>,
    end_s: f64,
}

/// The layer being printed.
struct Current {
    z_mm: f64,
    first_line: u64,
    start_s: f64,
    path_mm: Sum,
    volume_mm3: Sum,
    flow_peak_mm3_s: f64,
}

impl Layers {
    fn close(&mut self, now_s: f64) {
        let Some(layer) = self.current.take() else { return };
        self.total += 1;
        if self.done.len() < LAYERS_KEPT {
            self.done.push(Layer {
                z_mm: layer.z_mm,
                first_line: layer.first_line,
                time_s: now_s - layer.start_s,
                path_mm: layer.path_mm.value(),
                volume_mm3: layer.volume_mm3.value(),
                flow_peak_mm3_s: layer.flow_peak_mm3_s,
            });
        }
    }

    /// The first move from `from` on that prints at another height than the current layer.
    fn next_change(&self, block: &Block, from: usize) -> Option<usize> {
        let z_mm = self.current.as_ref().map(|layer| layer.z_mm);
        let changes = |i: usize| block.section_mm2[i] > 0.0 && z_mm.is_none_or(|z| other_layer(block.to[2][i], z));
        (from..block.len()).find(|&i| changes(i))
    }
}

impl Current {
    /// A layer that starts with move `i`.
    fn starting(block: &Block, i: usize, start_s: f64) -> Self {
        Self {
            z_mm: block.to[2][i],
            first_line: block.line[i],
            start_s,
            path_mm: Sum::default(),
            volume_mm3: Sum::default(),
            flow_peak_mm3_s: 0.0,
        }
    }

    /// True when no move of the block prints at another height.
    fn goes_on(&self, block: &Block) -> bool {
        block.vectors.run(
            #[inline(always)]
            || {
                let other = |i: usize| (block.section_mm2[i] > 0.0) & other_layer(block.to[2][i], self.z_mm);
                !columns::any(block.len(), other)
            },
        )
    }

    /// Adds what a range of moves prints.
    fn add(&mut self, block: &Block, range: Range<usize>) {
        let (path_mm, volume_mm3) = (&mut self.path_mm, &mut self.volume_mm3);
        self.flow_peak_mm3_s = block.vectors.run(
            #[inline(always)]
            || {
                // Cut in here, where the compiler then knows that all are as long.
                let count = range.len();
                let [section, length, peak] = [&block.section_mm2, &block.length_mm, &block.peak_mm3_s]
                    .map(|column| &column[range.clone()][..count]);
                Sum::gather(
                    [path_mm, volume_mm3],
                    count,
                    #[inline(always)]
                    |i| [if section[i] > 0.0 { length[i] } else { 0.0 }, section[i] * length[i]],
                );
                columns::most(peak, self.flow_peak_mm3_s)
            },
        );
    }
}

impl Observer for Layers {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        let count = block.len();
        let (mut from, mut now_s) = (0, block.start_s);
        if !self.current.as_ref().is_some_and(|layer| layer.goes_on(block)) {
            while let Some(at) = self.next_change(block, from) {
                if let Some(layer) = &mut self.current {
                    layer.add(block, from..at);
                }
                now_s += block.time_s[from..at].iter().sum::<f64>();
                self.close(now_s);
                self.current = Some(Current::starting(block, at, now_s));
                from = at;
            }
        }
        if let Some(layer) = &mut self.current {
            layer.add(block, from..count);
        }
        // The last block of a job ends with an action.
        if let Some(action) = block.actions.last() {
            self.end_s = action.at_s + action.duration_s;
        }
    }

    fn finish(&mut self, draft: &mut Inspection, _log: &mut Log) {
        self.close(self.end_s);
        draft.layers = std::mem::take(&mut self.done);
        draft.layers_total = self.total;
    }
}
