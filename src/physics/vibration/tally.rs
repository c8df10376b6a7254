//! What is kept of the ringing along one direction: the worst place, and how long which amplitude lasted, both on moves
//! that extrude.

use super::oscillator::Oscillator;
use super::pieces::{NO_MOVE, PieceOf};
use super::{PIECES, PieceColumn};
use crate::block::{Block, Column, grid::Sum};
use crate::machine::Direction;
use crate::physics::{Ringing, digits};
use crate::vectors::columns::{WHOLE, smaller};

/// Buckets per doubling of the amplitude: each is 0.5 % wide.
const PER_OCTAVE: f64 = 128.0;
/// Lowest amplitude told apart from 0: 2⁻²⁰ mm.
const LOWEST_OCTAVE: f64 = -20.0;
/// Amplitudes from 2¹² mm on share the last bucket.
const HIGHEST_OCTAVE: f64 = 12.0;
const BUCKETS: usize = ((HIGHEST_OCTAVE - LOWEST_OCTAVE) * PER_OCTAVE) as usize;
/// Units of the histogram per mm.
const PER_MM: f64 = 1e6;

/// The worst place, and time by amplitude.
pub(super) struct Tally {
    limit_mm: Option<f64>,
    worst: Option<Worst>,
    over_s: Sum,
    spent: TimeAtAmplitude,
    rows: Box<TallyColumns>,
}

#[derive(Debug, Clone, Copy)]
struct Worst {
    mm: f64,
    line: u64,
    hz: f64,
    speed_mm_s: f64,
}

impl Tally {
    pub(super) fn new(limit_mm: Option<f64>) -> Self {
        Self { limit_mm, worst: None, over_s: Sum::default(), spent: TimeAtAmplitude::new(), rows: TallyColumns::new() }
    }

    /// Adds pieces by their seconds and the amplitudes at their start and end; raises the largest of each move.
    pub(super) fn add(
        &mut self,
        block: &Block,
        of: &[PieceOf],
        [seconds, from, to]: [&[f64]; 3],
        oscillators: &[Oscillator],
        (ringing_mm, mode): (&mut Column<f64>, &mut Column<u8>),
    ) {
        let count = of.len().min(PIECES);
        let (seconds, from, to) = (&seconds[..count], &from[..count], &to[..count]);
        block.vectors.run(
            #[inline(always)]
            || self.rows.fill(seconds, from, to),
        );
        let limit_mm = self.limit_mm.unwrap_or(f64::INFINITY);
        let mut most_mm = self.worst.map_or(0.0, |worst| worst.mm);
        for k in 0..count {
            let (i, start, end) = (usize::from(of[k]), from[k], to[k]);
            let Some(most) = ringing_mm.get_mut(i) else { continue };
            if start > *most {
                *most = start;
                if oscillators.len() > 1 {
                    mode[i] = strongest(oscillators, k) as u8;
                }
            }
            if !block.extrudes(i) {
                continue;
            }
            self.spent.add(self.rows.low[k], self.rows.high[k], self.rows.density[k]);
            if start > limit_mm {
                let share = match oscillators {
                    [_, _, ..] if end < limit_mm => share_of_sum(oscillators, k, seconds[k], limit_mm),
                    _ => share_over(start, end, limit_mm),
                };
                self.over_s.add(seconds[k] * share);
            }
            if start > most_mm {
                most_mm = start;
                self.worst = Some(Worst {
                    mm: start,
                    line: block.line[i],
                    hz: oscillators.get(strongest(oscillators, k)).map_or(f64::NAN, |found| found.natural_hz),
                    speed_mm_s: block.v_peak_mm_s[i],
                });
            }
        }
        debug_assert!(usize::from(NO_MOVE) >= ringing_mm.len());
    }

    pub(super) fn ringing(&self, along: Direction) -> Ringing {
        Ringing {
            axis: along.word().into(),
            peak_mm: self.worst.map_or(0.0, |worst| worst.mm),
            peak_line: self.worst.map(|worst| worst.line),
            peak_hz: self.worst.map(|worst| worst.hz),
            mark_spacing_mm: self.worst.map(|worst| worst.speed_mm_s / worst.hz),
            p95_mm: self.spent.quantile(0.95).map(|mm| mm.min(self.worst.map_or(mm, |worst| worst.mm))),
            limit_mm: self.limit_mm,
            over_limit_s: self.limit_mm.map(|_| self.over_s.value()),
        }
    }
}

/// Place of the mode that rings most at the start of a piece; the last of equals.
fn strongest(oscillators: &[Oscillator], piece: usize) -> usize {
    let amplitude = |at: &usize| oscillators[*at].amplitude[piece];
    (0..oscillators.len()).max_by(|a, b| amplitude(a).total_cmp(&amplitude(b))).unwrap_or(0)
}

/// Share of a piece on which an amplitude that decays exponentially is above a limit that it starts above.
fn share_over(from: f64, to: f64, limit: f64) -> f64 {
    if to >= limit { 1.0 } else { (from / limit).ln() / (from / to).ln() }
}

/// The same where several modes decay, each at its own rate: bisection of the falling sum, to 2⁻⁴⁰ of the piece.
fn share_of_sum(oscillators: &[Oscillator], piece: usize, seconds: f64, limit: f64) -> f64 {
    let sum = |share: f64| -> f64 {
        let one = |of: &Oscillator| of.amplitude[piece] * (-of.decay_per_s * seconds * share).exp();
        oscillators.iter().map(one).sum()
    };
    let (mut over, mut under) = (0.0, 1.0);
    for _ in 0..40 {
        let middle = (over + under) / 2.0;
        *(if sum(middle) >= limit { &mut over } else { &mut under }) = middle;
    }
    (over + under) / 2.0
}

/// Time spent at each amplitude. An amplitude that decays exponentially passes equal ratios in equal times, so a piece adds
/// a constant density of time between the buckets of its ends: a step up and a step down.
struct TimeAtAmplitude {
    /// Change of density from a bucket on, s.
    buckets: Vec<f64>,
    below_s: f64,
}

/// Which buckets the pieces of a chunk pass, and the time in each of them, s.
struct TallyColumns {
    low: [i32; PIECES],
    high: [i32; PIECES],
    density: PieceColumn,
}

impl TallyColumns {
    fn new() -> Box<Self> {
        Box::new(Self { low: [0; PIECES], high: [0; PIECES], density: [0.0; PIECES] })
    }

    #[inline(always)]
    fn fill(&mut self, seconds: &[f64], from: &[f64], to: &[f64]) {
        let count = seconds.len();
        let (from, to) = (&from[..count], &to[..count]);
        let (low, high, density) = (&mut self.low[..count], &mut self.high[..count], &mut self.density[..count]);
        for k in 0..count {
            (low[k], high[k]) = (bucket(to[k]), bucket(from[k]));
            density[k] = seconds[k] / f64::from(high[k] - low[k] + 1);
        }
    }
}

/// Binary logarithm of an amplitude, within 0.0015; far below all buckets for 0.
#[inline(always)]
fn octave(mm: f64) -> f64 {
    let bits = mm.to_bits();
    let m = f64::from_bits((bits & ((1 << 52) - 1)) | 1f64.to_bits()) - 1.0;
    f64::from((bits >> 52) as i32 - 1023) + m + m * (1.0 - m) * (0.42 - 0.155 * m)
}

/// The bucket of an amplitude; negative below all of them.
#[inline(always)]
fn bucket(mm: f64) -> i32 {
    let place = smaller((octave(mm) - LOWEST_OCTAVE) * PER_OCTAVE, BUCKETS as f64 - 0.75);
    // The nearest whole number, with half a bucket taken off: within the lower 32 bits either way.
    (place - 0.5 + WHOLE).to_bits() as i32
}

/// Lower edge of a bucket, mm.
fn edge(bucket: usize) -> f64 {
    (bucket as f64 / PER_OCTAVE + LOWEST_OCTAVE).exp2()
}

impl TimeAtAmplitude {
    fn new() -> Self {
        Self { buckets: vec![0.0; BUCKETS + 1], below_s: 0.0 }
    }

    /// So much time in each bucket from one to another.
    #[inline(always)]
    fn add(&mut self, low: i32, high: i32, density: f64) {
        if low < 0 {
            self.below_s += density * f64::from(high.min(-1) - low + 1);
        }
        if high >= 0 {
            self.buckets[low.max(0) as usize] += density;
            self.buckets[high as usize + 1] -= density;
        }
    }

    /// Smallest amplitude that is not exceeded for that share of the time, mm.
    fn quantile(&self, share: f64) -> Option<f64> {
        let units = |seconds: f64| (seconds * Sum::ONE) as u64;
        let below = units(self.below_s);
        // Time in each bucket and below it. Negative numbers, which only rounding makes, become 0.
        let mut until = Vec::with_capacity(BUCKETS);
        let (mut density, mut time, mut sum) = (0.0, 0, below);
        for step in &self.buckets[..BUCKETS] {
            if *step != 0.0 {
                density += step;
                time = units(density);
            }
            sum = sum.saturating_add(time);
            until.push(sum);
        }
        let rank = (sum > 0).then(|| digits::rank(share, sum))?;
        if rank <= below {
            return Some(0.0);
        }
        let found = until.partition_point(|until| *until < rank);
        let middle = (edge(found) + edge(found + 1)) / 2.0;
        Some(digits::middle((middle * PER_MM) as u64) as f64 / PER_MM)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use hdrhistogram::Histogram;

    impl TimeAtAmplitude {
        fn piece(&mut self, from: f64, to: f64, seconds: f64) {
            let mut rows = TallyColumns::new();
            rows.fill(&[seconds], &[from], &[to]);
            self.add(rows.low[0], rows.high[0], rows.density[0]);
        }
    }

    #[test]
    fn a_decay_spends_equal_times_on_equal_ratios() {
        let mut spent = TimeAtAmplitude::new();
        // From 0.5 mm down by e⁻³: 95 % of the time it is below 0.5 e^(−0.15) mm.
        spent.piece(0.5, 0.5 * (-3f64).exp(), 2.0);
        let found = spent.quantile(0.95).expect("some time");
        assert!((found / (0.5 * (-0.15f64).exp()) - 1.0).abs() < 0.02, "{found}");
        assert!((spent.quantile(0.5).unwrap() / (0.5 * (-1.5f64).exp()) - 1.0).abs() < 0.05);
        assert_eq!(TimeAtAmplitude::new().quantile(0.95), None);
    }

    /// The quantile of a histogram of amplitudes in millionths of mm.
    fn of_histogram(spent: &TimeAtAmplitude, share: f64) -> Option<f64> {
        let mut histogram = Histogram::<u64>::new_with_bounds(1, 1 << 33, 3).expect("bounds");
        let units = |seconds: f64| (seconds * Sum::ONE) as u64;
        histogram.record_n(0, units(spent.below_s)).expect("within the bounds");
        let mut density = 0.0;
        for (i, step) in spent.buckets[..BUCKETS].iter().enumerate() {
            density += step;
            let middle = (edge(i) + edge(i + 1)) / 2.0;
            histogram.record_n((middle * PER_MM) as u64, units(density)).expect("within the bounds");
        }
        let middle = |value: u64| histogram.median_equivalent(value) as f64 / PER_MM;
        (!histogram.is_empty()).then(|| middle(histogram.value_at_quantile(share)))
    }

    proptest::proptest! {
        #[test]
        fn quantiles_are_those_of_a_histogram(
            pieces in proptest::collection::vec((-24.0..14.0f64, 0.0..30.0f64, 1e-6..2.0f64), 0..20),
            share in 0.01..1.0f64,
        ) {
            let mut spent = TimeAtAmplitude::new();
            for (octave, falls, seconds) in pieces {
                spent.piece(octave.exp2(), (octave - falls).exp2(), seconds);
            }
            proptest::prop_assert_eq!(spent.quantile(share), of_histogram(&spent, share));
        }
    }

    #[test]
    fn steady_nothing_and_huge_amplitudes_count() {
        let mut spent = TimeAtAmplitude::new();
        spent.piece(0.0, 0.0, 94.0);
        spent.piece(0.25, 0.25, 2.0);
        spent.piece(1e9, 1e9, 4.0);
        assert!((spent.quantile(0.955).unwrap() / 0.25 - 1.0).abs() < 0.01);
        assert_eq!(spent.quantile(0.5), Some(0.0));
        assert!(spent.quantile(0.99).unwrap() > 4000.0);
        // A ring-down to nothing spends nearly all of its time below what is told apart.
        let mut long = TimeAtAmplitude::new();
        long.piece(0.1, 0.1 * (-700f64).exp(), 1.0);
        assert_eq!(long.quantile(0.95), Some(0.0));
    }

    #[test]
    fn octaves_are_logarithms() {
        for n in 1..2000 {
            let mm = 1e-4 * 1.004f64.powi(n);
            assert!((octave(mm) - mm.log2()).abs() < 0.0015, "{mm}");
        }
        assert!(bucket(0.0) < 0 && bucket(2f64.powi(-20)) == 0 && bucket(2f64.powi(13)) == BUCKETS as i32 - 1);
    }

    #[test]
    fn the_share_over_a_limit_follows_the_decay() {
        assert_eq!(share_over(0.2, 0.1, 0.05), 1.0);
        assert!((share_over(0.2, 0.05, 0.1) - 0.5).abs() < 1e-15);
    }
}

#[cfg(test)]
mod sum_tests {
    use super::*;
    use crate::machine::Mode;

    /// A e^(−rt) + B e^(−2rt) = L is a quadratic equation in u = e^(−rt).
    #[test]
    fn two_modes_cross_a_limit_where_their_sum_does() {
        let mode = |natural_hz: f64| Mode { along: Direction::X, natural_hz, damping_ratio: 0.05, share: 1.0 };
        let mut both = [20.0, 40.0].map(|hz| Oscillator::new(&mode(hz)));
        let (a, b, limit, seconds) = (0.3f64, 0.7f64, 0.4, 0.2);
        (both[0].amplitude[0], both[1].amplitude[0]) = (a, b);
        let u = ((a * a + 4.0 * b * limit).sqrt() - a) / (2.0 * b);
        let expected = -u.ln() / both[0].decay_per_s / seconds;
        let share = share_of_sum(&both, 0, seconds, limit);
        assert!((share - expected).abs() < 1e-11, "{share} {expected}");
        // Taken for one mode it would be another share.
        let end = a * (-both[0].decay_per_s * seconds).exp() + b * (-both[1].decay_per_s * seconds).exp();
        assert!((share_over(a + b, end, limit) / expected - 1.0).abs() > 0.05);
    }
}
