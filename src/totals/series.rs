//! Melt rate over time in a bounded number of bins that double in width as the job goes on.

use crate::block::{Block, grid::Sum};
use crate::findings::{FlowSeries, Inspection, Log, Observer};
use crate::machine::Machine;
use crate::physics::melt::MeltLaw;
use crate::vectors::columns;

/// Most bins.
const BINS: usize = 512;
/// First width, s; a power of two, so that bin borders are exact.
const FIRST_BIN_S: f64 = 0.25;

/// Owner of the series.
pub(super) struct Series {
    laws: Vec<MeltLaw>,
    bin_s: f64,
    /// End of the last bin, s.
    full_s: f64,
    peak: Vec<f64>,
    sustained: Vec<f64>,
}

impl Series {
    pub(super) fn new(machine: &Machine) -> Self {
        Self {
            laws: MeltLaw::of(machine),
            bin_s: FIRST_BIN_S,
            full_s: FIRST_BIN_S * BINS as f64,
            peak: vec![0.0; BINS],
            sustained: vec![0.0; BINS],
        }
    }

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

    /// Raises the bins that a move goes through, each by what happens in it.
    fn along(&mut self, block: &Block, i: usize, [start_s, end_s]: [f64; 2]) {
        self.reach(end_s);
        let Some(&law) = self.laws.get(block.tool_index) else { return };
        let bin_s = self.bin_s;
        let (peak, sustained) = (&mut self.peak, &mut self.sustained);
        let border = |at_s: f64| ((at_s / bin_s).floor() + 1.0) * bin_s;
        law.along(block, i, start_s, border, |part| {
            let bin = ((part.at_s / bin_s) as usize).min(BINS - 1);
            peak[bin] = peak[bin].max(part.peak_mm3_s);
            sustained[bin] = sustained[bin].max(part.sustained_mm3_s);
        });
    }

    /// Raises the bins move by move, those that end in the same bin together.
    fn one_by_one(&mut self, block: &Block) {
        let mut now_s = block.start_s;
        let (mut bin_end_s, mut held) = (0.0, None);
        for i in 0..block.len() {
            let (start_s, peak, sustained) = (now_s, block.peak_mm3_s[i], block.sustained_mm3_s[i]);
            now_s += block.time_s[i];
            if peak <= 0.0 && sustained <= 0.0 {
                continue;
            }
            match &mut held {
                Some((_, most_peak, most_sustained)) if now_s < bin_end_s => {
                    *most_peak = peak.max(*most_peak);
                    *most_sustained = sustained.max(*most_sustained);
                }
                _ => {
                    if let Some((at_s, peak, sustained)) = held.replace((now_s, peak, sustained)) {
                        self.raise([at_s, at_s], peak, sustained);
                    }
                    // What begins in one bin and ends in another has a course: each bin gets its own part of it.
                    if (start_s / self.bin_s).floor() < (now_s / self.bin_s).floor() {
                        self.along(block, i, [start_s, now_s]);
                        held = None;
                    } else {
                        self.raise([start_s, now_s], peak, sustained);
                    }
                    bin_end_s = ((now_s / self.bin_s).floor() + 1.0) * self.bin_s;
                }
            }
        }
        if let Some((at_s, peak, sustained)) = held {
            self.raise([at_s, at_s], peak, sustained);
        }
    }
}

impl Observer for Series {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        let (start_s, mut time_s) = (block.start_s, Sum::default());
        let [peak, sustained] = block.vectors.run(
            #[inline(always)]
            || {
                let count = block.len();
                Sum::gather([&mut time_s], count, |i| [block.time_s[i]]);
                [&block.peak_mm3_s, &block.sustained_mm3_s].map(|column| columns::most(&column[..count], 0.0))
            },
        );
        if peak <= 0.0 && sustained <= 0.0 {
            return;
        }
        let end_s = start_s + time_s.value();
        let one_bin = end_s < self.full_s && (start_s / self.bin_s).floor() == (end_s / self.bin_s).floor();
        if one_bin { self.raise([start_s, end_s], peak, sustained) } else { self.one_by_one(block) }
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
