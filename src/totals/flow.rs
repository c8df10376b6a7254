//! Melt rate: peak, mean, quantiles over time, sustained peak, time over capacity.

use hdrhistogram::Histogram;

use crate::inspection::{Capacity, Flow, Inspection};
use crate::machine::Machine;
use crate::motion::grid::Sum;
use crate::observe::{Block, Log, Observer};

/// Buckets per doubling of the melt rate: each is at most 0.2 % wide.
const PER_OCTAVE_BITS: u32 = 9;
/// Lowest rate told apart from 0: 2⁻¹⁴ mm³/s.
const LOWEST_EXPONENT: i32 = -14;
/// Rates from 2²⁰ mm³/s on share the last bucket.
const HIGHEST_EXPONENT: i32 = 20;
const BUCKETS: usize = ((HIGHEST_EXPONENT - LOWEST_EXPONENT) as usize) << PER_OCTAVE_BITS;
/// Fixed point of the density of time over rate, per s/(mm³/s).
const DENSITY_ONE: f64 = (1u64 << 40) as f64;
/// Units of the histogram per mm³/s.
const PER_MM3_S: f64 = 1e6;
/// Time units of the histogram per second.
const PER_SECOND: f64 = 4_294_967_296.0;

const QUANTILES: [f64; 4] = [0.5, 0.9, 0.95, 0.99];

/// Time spent at each melt rate. A ramp spends equal time at each rate it passes, so it adds a constant density between
/// its ends: two differences instead of hundreds of buckets. Integers, so that order does not matter.
struct TimeAtRate {
    /// 2⁻³² s of ramps that end inside a bucket.
    part: Vec<i64>,
    /// 2⁻³² s of steady flow at a rate of the bucket.
    level: Vec<i64>,
    /// The highest of these rates, mm³/s.
    level_rate: Vec<f64>,
    /// Change of density from this bucket on.
    density_step: Vec<i64>,
}

fn bucket(rate: f64) -> usize {
    let shift = 52 - PER_OCTAVE_BITS;
    let base = ((1023 + LOWEST_EXPONENT) as u64) << PER_OCTAVE_BITS;
    (((rate.to_bits() >> shift).max(base) - base) as usize).min(BUCKETS - 1)
}

/// Adds the whole part; sums of absurd jobs stop at the ends of the range.
#[inline(always)]
fn add(sum: &mut i64, value: f64) {
    *sum = sum.saturating_add(value as i64);
}

/// Lower edge of a bucket, mm³/s.
fn edge(bucket: usize) -> f64 {
    let shift = 52 - PER_OCTAVE_BITS;
    let base = ((1023 + LOWEST_EXPONENT) as u64) << PER_OCTAVE_BITS;
    if bucket == 0 { 0.0 } else { f64::from_bits((bucket as u64 + base) << shift) }
}

impl TimeAtRate {
    fn new() -> Self {
        Self {
            part: vec![0; BUCKETS],
            level: vec![0; BUCKETS],
            level_rate: vec![0.0; BUCKETS],
            density_step: vec![0; BUCKETS + 1],
        }
    }

    fn level(&mut self, rate: f64, seconds: f64) {
        let at = bucket(rate);
        add(&mut self.level[at], seconds * PER_SECOND);
        self.level_rate[at] = self.level_rate[at].max(rate);
    }

    fn ramp(&mut self, a: f64, b: f64, seconds: f64) {
        if seconds <= 0.0 {
            return;
        }
        let (low, high) = if a < b { (a, b) } else { (b, a) };
        let (first, last) = (bucket(low), bucket(high));
        if first == last {
            return add(&mut self.part[first], seconds * PER_SECOND);
        }
        let density = seconds / (high - low);
        add(&mut self.part[first], density * (edge(first + 1) - low) * PER_SECOND);
        add(&mut self.part[last], density * (high - edge(last)) * PER_SECOND);
        if last > first + 1 {
            add(&mut self.density_step[first + 1], density * DENSITY_ONE);
            add(&mut self.density_step[last], -density * DENSITY_ONE);
        }
    }

    /// Time of ramps through each bucket, 2⁻³² s.
    fn ramps(&self) -> Vec<i64> {
        let (mut density, mut carry) = (0i64, 0.0);
        let through = |i: usize| {
            density = density.saturating_add(self.density_step[i]);
            // What rounding leaves over goes to the next bucket, or thousands of them would add up.
            let exact = density as f64 / DENSITY_ONE * (edge(i + 1) - edge(i)) * PER_SECOND + carry;
            carry = exact - exact.round();
            self.part[i].saturating_add(exact.round() as i64).max(0)
        };
        (0..BUCKETS).map(through).collect()
    }

    /// The histogram of rates (in millionths of mm³/s) by time.
    fn histogram(&self, ramps: &[i64]) -> Option<Histogram<u64>> {
        let mut histogram = Histogram::new_with_bounds(1, 1 << 41, 3).ok()?;
        for i in 0..BUCKETS {
            let count = self.level[i].saturating_add(ramps[i]);
            if count > 0 {
                let middle = (edge(i) + edge(i + 1)) / 2.0;
                histogram.record_n((middle * PER_MM3_S) as u64, u64::try_from(count).ok()?).ok()?;
            }
        }
        Some(histogram)
    }

    /// Smallest rate with a time share of at least each of [`QUANTILES`], mm³/s.
    ///
    /// The histogram finds the bucket; inside it ramps are taken as even and steady flow as one rate. That is exact where
    /// it holds, and never further off than the bucket is wide.
    fn quantiles(&self, peak: f64) -> Option<[f64; 4]> {
        let ramps = self.ramps();
        let histogram = self.histogram(&ramps).filter(|histogram| !histogram.is_empty())?;
        let total = histogram.len() as f64;
        Some(QUANTILES.map(|share| {
            let value = histogram.median_equivalent(histogram.value_at_quantile(share)) as f64 / PER_MM3_S;
            let at = bucket(value);
            let before: f64 = (0..at).map(|i| self.level[i] as f64 + ramps[i] as f64).sum();
            self.inside(at, share * total - before, ramps[at] as f64).min(peak)
        }))
    }

    /// The rate inside a bucket at which so much of its time (2⁻³² s) has gone by.
    fn inside(&self, at: usize, time: f64, ramps: f64) -> f64 {
        let (low, high, level, steady) = (edge(at), edge(at + 1), self.level[at] as f64, self.level_rate[at]);
        let below = if level > 0.0 { ramps * (steady - low) / (high - low) } else { ramps };
        if time <= below && ramps > 0.0 {
            low + (high - low) * (time / ramps).max(0.0)
        } else if time <= below + level || ramps <= 0.0 {
            steady
        } else {
            (low + (high - low) * ((time - level) / ramps)).min(high)
        }
    }
}

/// Owner of the melt rate.
pub(super) struct FlowTotals {
    sustained_limits: Vec<Option<f64>>,
    peak_limits: Vec<Option<f64>>,
    rates: TimeAtRate,
    time_s: Sum,
    volume_mm3: Sum,
    over_s: Sum,
    flow: Flow,
    capacity: Capacity,
}

impl FlowTotals {
    pub(super) fn new(machine: &Machine) -> Self {
        let first = machine.tools.first();
        Self {
            sustained_limits: machine.tools.iter().map(|tool| tool.sustained_mm3_s).collect(),
            peak_limits: machine.tools.iter().map(|tool| tool.peak_mm3_s).collect(),
            rates: TimeAtRate::new(),
            time_s: Sum::default(),
            volume_mm3: Sum::default(),
            over_s: Sum::default(),
            flow: Flow::default(),
            capacity: Capacity {
                sustained: first.and_then(|tool| tool.sustained_mm3_s),
                peak: first.and_then(|tool| tool.peak_mm3_s),
            },
        }
    }

    fn extruding(&mut self, block: &Block, i: usize, limit: f64) {
        let section = block.section_mm2[i];
        let (q0, q1, q2) = (section * block.v_start[i], section * block.v_peak[i], section * block.v_end[i]);
        let (up, level, down) = (block.t_up[i], block.t_cruise[i], block.t_down[i]);
        self.time_s.add(up + level + down);
        self.volume_mm3.add(section * block.length[i]);
        self.rates.ramp(q0, q1, up);
        if level > 0.0 {
            self.rates.level(q1, level);
        }
        self.rates.ramp(q2, q1, down);
        if q1 > self.flow.peak {
            self.flow.peak = q1;
            self.flow.peak_line = Some(block.line[i]);
            self.capacity.peak = self.peak_limits[block.tool_index];
        }
        if q1 > limit {
            self.over_s.add(over(q0, q1, up, limit));
            self.over_s.add(level);
            self.over_s.add(over(q2, q1, down, limit));
        }
    }
}

/// Time over a limit on a ramp between `low` and `high` > limit, s.
fn over(low: f64, high: f64, seconds: f64, limit: f64) -> f64 {
    if low >= limit { seconds } else { seconds * (high - limit) / (high - low) }
}

impl Observer for FlowTotals {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        let limit = self.sustained_limits[block.tool_index].unwrap_or(f64::INFINITY);
        for i in 0..block.len() {
            if block.section_mm2[i] > 0.0 {
                self.extruding(block, i, limit);
            }
            if block.sustained_mm3_s[i] > self.flow.sustained_peak {
                self.flow.sustained_peak = block.sustained_mm3_s[i];
                self.flow.sustained_peak_line = Some(block.line[i]);
                self.capacity.sustained = self.sustained_limits[block.tool_index];
            }
        }
    }

    fn finish(&mut self, draft: &mut Inspection, _log: &mut Log) {
        let time_s = self.time_s.value();
        self.flow.mean = (time_s > 0.0).then(|| self.volume_mm3.value() / time_s);
        self.flow.quantiles = self.rates.quantiles(self.flow.peak);
        draft.flow = self.flow;
        draft.capacity = self.capacity;
        let judged = self.sustained_limits.iter().any(Option::is_some);
        draft.flow_over_capacity_s = judged.then(|| self.over_s.value());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn edges_and_buckets_agree() {
        for i in [1, 2, 511, 512, 5000, BUCKETS - 1] {
            assert_eq!(bucket(edge(i)), i);
            assert_eq!(bucket(edge(i).next_down()), i - 1);
        }
        assert_eq!((bucket(0.0), bucket(1e30)), (0, BUCKETS - 1));
    }

    #[test]
    fn a_ramp_has_the_quantiles_of_a_uniform_distribution() {
        // A linear ramp spends equal time at every rate: quantile p is p times the peak.
        let mut rates = TimeAtRate::new();
        rates.ramp(0.0, 3.5766185626712823, 0.0447);
        rates.ramp(3.5766185626712823, 0.0, 0.0447);
        for (quantile, share) in rates.quantiles(3.5766185626712823).unwrap().into_iter().zip(QUANTILES) {
            assert!((quantile / (share * 3.5766185626712823) - 1.0).abs() < 1e-5, "{share}: {quantile}");
        }
    }

    #[test]
    fn spreading_equals_recording_bucket_by_bucket() {
        let mut rates = TimeAtRate::new();
        rates.ramp(0.3, 11.0, 2.0);
        rates.level(7.0, 1.0);
        let histogram = rates.histogram(&rates.ramps()).unwrap();
        let total = histogram.len() as f64 / PER_SECOND;
        assert!((total - 3.0).abs() < 1e-3, "{total}");
        let below_five = histogram.count_between(0, 5_000_000) as f64 / PER_SECOND;
        assert!((below_five - 2.0 * 4.7 / 10.7).abs() < 0.003, "{below_five}");
    }
}
