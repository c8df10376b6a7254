//! Layers: extrusion at one height.

use crate::checks::other_layer;
use crate::inspection::{Inspection, Layer};
use crate::observe::{Block, Log, Observer};

/// Layers kept.
const LAYERS_KEPT: usize = 10_000;

/// Owner of the layers.
#[derive(Default)]
pub(super) struct Layers {
    done: Vec<Layer>,
    total: u64,
    current: Option<(Layer, f64)>,
    end_s: f64,
}

impl Layers {
    fn close(&mut self, now_s: f64) {
        if let Some((mut layer, start_s)) = self.current.take() {
            layer.time_s = now_s - start_s;
            self.total += 1;
            if self.done.len() < LAYERS_KEPT {
                self.done.push(layer);
            }
        }
    }
}

impl Observer for Layers {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        let mut now_s = block.start_s;
        for i in 0..block.len() {
            if block.section_mm2[i] > 0.0 {
                let z_mm = block.to[2][i];
                if self.current.is_none_or(|(layer, _)| other_layer(z_mm, layer.z_mm)) {
                    self.close(now_s);
                    let line = block.line[i];
                    let fresh = Layer {
                        z_mm,
                        first_line: line,
                        time_s: 0.0,
                        path_mm: 0.0,
                        volume_mm3: 0.0,
                        flow_peak_mm3_s: 0.0,
                    };
                    self.current = Some((fresh, now_s));
                }
                if let Some((layer, _)) = &mut self.current {
                    layer.path_mm += block.length[i];
                    layer.volume_mm3 += block.section_mm2[i] * block.length[i];
                    layer.flow_peak_mm3_s = layer.flow_peak_mm3_s.max(block.section_mm2[i] * block.v_peak[i]);
                }
            }
            now_s += block.time_s[i];
        }
        self.end_s = block.actions.last().map_or(now_s, |action| action.at_s + action.duration_s);
    }

    fn finish(&mut self, draft: &mut Inspection, _log: &mut Log) {
        self.close(self.end_s);
        draft.layers = std::mem::take(&mut self.done);
        draft.layers_total = self.total;
    }
}
