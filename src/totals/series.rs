//! Melt rate over time in a bounded number of bins that double in width as the job goes on.

use crate::inspection::{FlowSeries, Inspection};
use crate::observe::{Block, Log, Observer};

/// Most bins.
const BINS: usize = 512;
/// First width, s; a power of two, so that bin borders are exact.
const FIRST_BIN_S: f64 = 0.25;

/// Owner of the series.
pub(super) struct Series {
    bin_s: f64,
    /// End of the last bin, s.
    full_s: f64,
    peak: Vec<f64>,
    sustained: Vec<f64>,
}

impl Default for Series {
    fn default() -> Self {
        Self {
            bin_s: FIRST_BIN_S,
            full_s: FIRST_BIN_S * BINS as f64,
            peak: vec![0.0; BINS],
            sustained: vec![0.0; BINS],
        }
    }
}

impl Series {
    fn reach(&mut self, end_s: f64) {
        while end_s >= self.bin_s * BINS as f64 {
            for bins in [&mut self.peak, &mut self.sustained] {
                for i in 0..BINS / 2 {
                    bins[i] = bins[2 * i].max(bins[2 * i + 1]);
                }
                bins[BINS / 2..].fill(0.0);
            }
            self.bin_s *= 2.0;
        }
        self.full_s = self.bin_s * BINS as f64;
    }
}

impl Observer for Series {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        let mut now_s = block.start_s;
        for i in 0..block.len() {
            let end_s = now_s + block.time_s[i];
            let sustained = block.sustained_mm3_s[i];
            if sustained > 0.0 {
                if end_s >= self.full_s {
                    self.reach(end_s);
                }
                let peak = block.section_mm2[i] * block.v_peak[i];
                // A power of two divides exactly, and so does its reciprocal.
                let per_bin = 1.0 / self.bin_s;
                for bin in (now_s * per_bin) as usize..=(end_s * per_bin) as usize {
                    self.peak[bin] = self.peak[bin].max(peak);
                    self.sustained[bin] = self.sustained[bin].max(sustained);
                }
            }
            now_s = end_s;
        }
    }

    fn finish(&mut self, draft: &mut Inspection, _log: &mut Log) {
        let total_s = draft.time_s.total();
        self.reach(total_s);
        let used = ((total_s / self.bin_s).ceil() as usize).clamp(1, BINS);
        self.peak.truncate(used);
        self.sustained.truncate(used);
        draft.series = FlowSeries {
            bin_s: self.bin_s,
            end_s: total_s,
            peak_mm3_s: std::mem::take(&mut self.peak),
            sustained_mm3_s: std::mem::take(&mut self.sustained),
        };
    }
}
