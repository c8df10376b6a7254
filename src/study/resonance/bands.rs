//! How long the job goes to and fro at which frequency, and how strongly it accelerates there.

use std::ops::Range;

use super::spectrum::Spectrum;
use crate::block::{
    Block,
    strokes::{Columns, Reversal, Stroke, Strokes, Watch},
};
use crate::checks::drives_resonance::{Band, HARMONICS};
use crate::machine::{Direction, Mode, Structure};

/// The fixed bands are thirds of an octave around 10^(n/10) Hz for n from here (5 Hz) ...
const FIRST: i32 = 7;
/// ... to here (158 Hz), one below them and one above.
const LAST: i32 = 22;
/// Width of a bin of stroke lengths, mm.
const WAY_MM: f64 = 0.1;
/// Longer strokes are no pattern that could ring, mm.
const WAY_MOST_MM: f64 = 20.0;

/// A band of frequencies along one direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Share {
    /// From here, Hz ...
    pub low_hz: f64,
    /// ... to here, Hz; infinite for the last.
    pub high_hz: f64,
    /// The mode whose half-power band it is; none for the fixed ones.
    pub mode: Option<Mode>,
    /// Root mean square of the acceleration in the band over the time in motion, mm/s²; in the last fixed band up to the
    /// highest frequency that is kept.
    pub rms_mm_s2: f64,
    /// Printing time with strokes whose cycle is in the band, as a share of all of it.
    pub time_share: f64,
    /// The same with 3 or 5 times the frequency of the cycle; only for modes.
    pub harmonic_share: Option<f64>,
}

/// What is known of one direction.
#[derive(Debug, Clone, PartialEq)]
pub struct Bands {
    /// Which.
    pub along: Direction,
    /// Printing time, s.
    pub printing_s: f64,
    /// Share of it in which nothing goes to and fro: before the first motion along the direction.
    pub still_share: f64,
    /// The fixed bands.
    pub fixed: Vec<Share>,
    /// Those of the modes.
    pub modes: Vec<Share>,
    /// Mean lengths of strokes of about the same length, to 20 mm, mm, and how many there are of each, the most frequent first.
    pub strokes: Vec<(f64, u64)>,
}

/// Gathers the strokes of blocks in their order.
pub(super) struct Patterns {
    columns: Box<Columns>,
    lanes: Vec<(Strokes<Printed>, BandPart)>,
}

/// What is gathered along a stroke.
#[derive(Debug, Clone, Copy, Default)]
struct Printed {
    seconds: f64,
}

struct BandPart {
    along: Direction,
    modes: Vec<Mode>,
    /// Duration of the stroke before, s; none right behind a stop.
    before_s: Option<f64>,
    printing_s: f64,
    still_s: f64,
    fixed_s: Vec<f64>,
    modes_s: Vec<[f64; 2]>,
    /// How many strokes of about each length, and their sum, mm.
    ways: Vec<(u64, f64)>,
}

struct Watching<'a> {
    lane: &'a mut BandPart,
    block: &'a Block,
}

/// Edges of the fixed bands, Hz.
fn edges() -> impl Iterator<Item = f64> {
    (FIRST..=LAST + 1).map(|n| 10f64.powf((f64::from(n) - 0.5) / 10.0))
}

impl Patterns {
    pub(super) fn new(structure: &Structure, directions: &[Direction]) -> Self {
        let lane = |&along: &Direction| {
            let modes: Vec<Mode> = structure.along(along).map(|(_, mode)| *mode).collect();
            let lane = BandPart {
                along,
                before_s: None,
                printing_s: 0.0,
                still_s: 0.0,
                fixed_s: vec![0.0; (LAST - FIRST + 3) as usize],
                modes_s: vec![[0.0; 2]; modes.len()],
                modes,
                ways: vec![(0, 0.0); (WAY_MOST_MM / WAY_MM) as usize + 1],
            };
            (Strokes::new(along.vector()), lane)
        };
        Self { columns: Columns::new(), lanes: directions.iter().map(lane).collect() }
    }

    pub(super) fn block(&mut self, block: &Block) {
        self.columns.clock(block);
        for (strokes, lane) in &mut self.lanes {
            strokes.follow(block, &mut self.columns, &mut Watching { lane, block });
            if let Some(stop) = block.standstill() {
                let end = if block.is_empty() { block.origin } else { block.end(block.len() - 1) };
                lane.add(&strokes.stop(stop.at_s, end));
                lane.before_s = None;
            }
        }
    }

    /// What was gathered, once everything has passed at `end_s`.
    pub(super) fn finish(self, spectrum: &Spectrum, end_s: f64) -> Vec<Bands> {
        let finished = self.lanes.into_iter().map(|(mut strokes, mut lane)| {
            lane.add(&strokes.stop(end_s, [0.0; 3]));
            lane.finish(spectrum)
        });
        finished.collect()
    }
}

impl Watch<Printed> for Watching<'_> {
    fn take(&mut self, gathered: &mut Printed, range: Range<usize>, share: f64) {
        gathered.seconds +=
            range.filter(|&i| self.block.extrudes(i)).map(|i| self.block.time_s[i]).sum::<f64>() * share;
    }

    fn over(&mut self, stroke: Stroke<Printed>, _: &Reversal) {
        self.lane.add(&stroke);
    }
}

impl BandPart {
    /// A stroke counts with its printing time at the frequency of the cycle that it ends: 1 / (the stroke before + itself).
    fn add(&mut self, stroke: &Stroke<Printed>) {
        let seconds = stroke.gathered.seconds;
        self.printing_s += seconds;
        if !stroke.begun {
            self.still_s += seconds;
            return;
        }
        let duration_s = stroke.end_s - stroke.start_s;
        let hz = 1.0 / (self.before_s.unwrap_or(duration_s) + duration_s);
        self.before_s = Some(duration_s);
        if seconds <= 0.0 {
            return;
        }
        let place = edges().take_while(|edge| *edge <= hz).count();
        self.fixed_s[place] += seconds;
        for (mode, [first, higher]) in self.modes.iter().zip(&mut self.modes_s) {
            let band = Band::of(mode.natural_hz, mode.damping_ratio);
            *first += if band.holds(hz) { seconds } else { 0.0 };
            *higher += if HARMONICS[1..].iter().any(|times| band.holds(times * hz)) { seconds } else { 0.0 };
        }
        if let Some((count, sum_mm)) = self.ways.get_mut((stroke.way_mm / WAY_MM).round() as usize) {
            *count += 1;
            *sum_mm += stroke.way_mm;
        }
    }

    fn finish(self, spectrum: &Spectrum) -> Bands {
        let axis = spectrum.axes.iter().find(|axis| axis.along == self.along);
        let rms = |low_hz: f64, high_hz: f64| axis.map_or(0.0, |axis| axis.rms_mm_s2(low_hz, high_hz));
        let share = |seconds: f64| if self.printing_s > 0.0 { seconds / self.printing_s } else { 0.0 };
        let limits: Vec<f64> = [0.0].into_iter().chain(edges()).chain([f64::INFINITY]).collect();
        let fixed = self.fixed_s.iter().zip(limits.windows(2)).map(|(&seconds, ends)| Share {
            low_hz: ends[0],
            high_hz: ends[1],
            mode: None,
            rms_mm_s2: rms(ends[0], ends[1]),
            time_share: share(seconds),
            harmonic_share: None,
        });
        let modes = self.modes.iter().zip(&self.modes_s).map(|(mode, [first, higher])| {
            let Band { low_hz, high_hz, .. } = Band::of(mode.natural_hz, mode.damping_ratio);
            Share {
                low_hz,
                high_hz,
                mode: Some(*mode),
                rms_mm_s2: rms(low_hz, high_hz),
                time_share: share(*first),
                harmonic_share: Some(share(*higher)),
            }
        });
        let ways = self.ways.iter().skip(1).filter(|(count, _)| *count > 0);
        let mut strokes: Vec<(f64, u64)> = ways.map(|&(count, sum_mm)| (sum_mm / count as f64, count)).collect();
        strokes.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
        Bands {
            along: self.along,
            printing_s: self.printing_s,
            still_share: share(self.still_s),
            fixed: fixed.collect(),
            modes: modes.collect(),
            strokes,
        }
    }
}
