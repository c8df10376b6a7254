//! Melt rate over time in a bounded number of bins that double in width as the job goes on.

use std::ops::Range;

use crate::columns;
use crate::inspection::{FlowSeries, Inspection};
use crate::motion::grid::Sum;
use crate::observe::{Block, Log, Observer};

/// Most bins.
const BINS: usize = 512;
/// First width, s; a power of two, so that bin borders are exact.
const FIRST_BIN_S: f64 = 0.25;

/// Ranges of so many moves are not halved any more.
const FEW: usize = 32;

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

impl Series {
    /// Raises all bins that a stretch of time touches.
    fn raise(&mut self, [start_s, end_s]: [f64; 2], peak: f64, sustained: f64) {
        if end_s >= self.full_s {
            self.reach(end_s);
        }
        // A power of two divides exactly, and so does its reciprocal.
        let per_bin = 1.0 / self.bin_s;
        for bin in (start_s * per_bin) as usize..=(end_s * per_bin) as usize {
            self.peak[bin] = self.peak[bin].max(peak);
            self.sustained[bin] = self.sustained[bin].max(sustained);
        }
    }

    fn one_by_one(&mut self, block: &Block, range: Range<usize>, start_s: f64) {
        let mut now_s = start_s;
        for i in range {
            let end_s = now_s + block.time_s[i];
            if block.sustained_mm3_s[i] > 0.0 {
                self.raise([now_s, end_s], block.peak_mm3_s[i], block.sustained_mm3_s[i]);
            }
            now_s = end_s;
        }
    }

    /// Goes through a range of moves that starts at `start_s`, in halves until each lies in one bin; when it ends, s.
    fn observe_range(&mut self, block: &Block, range: Range<usize>, start_s: f64) -> f64 {
        let (count, mut time_s) = (range.len(), Sum::default());
        let [peak, sustained] = block.vectors.run(
            #[inline(always)]
            || {
                let times = &block.time_s[range.clone()];
                Sum::gather([&mut time_s], times.len(), |i| [times[i]]);
                [&block.peak_mm3_s, &block.sustained_mm3_s].map(|column| columns::most(&column[range.clone()], 0.0))
            },
        );
        let end_s = start_s + time_s.value();
        if sustained > 0.0 {
            let one_bin = end_s < self.full_s && (start_s / self.bin_s).floor() == (end_s / self.bin_s).floor();
            if one_bin {
                self.raise([start_s, end_s], peak, sustained);
            } else if count <= FEW {
                self.one_by_one(block, range, start_s);
            } else {
                let middle = range.start + count / 2;
                let middle_s = self.observe_range(block, range.start..middle, start_s);
                self.observe_range(block, middle..range.end, middle_s);
            }
        }
        end_s
    }
}

impl Observer for Series {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        if !block.is_empty() {
            self.observe_range(block, 0..block.len(), block.start_s);
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
