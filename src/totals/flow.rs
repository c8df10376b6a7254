//! Melt rate: peak, mean, quantiles over time, sustained peak, time over capacity.
//!
//! Why a difference array? A ramp spends equal time at every rate between its ends: two differences per ramp instead of a
//! record per bucket. Only buckets between the lowest and the highest rate of the job are kept and walked.

use std::ops::Range;

use crate::block::{BLOCK, Block, ChordRates, Column, grid::Sum};
use crate::findings::{Capacity, Flow, Inspection, Log, Observer, Pushed, ToolFlow};
use crate::machine::{Machine, MeltRates};
use crate::physics::burst::FINER;
use crate::physics::capacity::{self, MeltCapacity};
use crate::physics::digits;
use crate::physics::melt::{self, MeltLaw};
use crate::vectors::columns::{self, WHOLE_BELOW, larger, smaller, whole};

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

const QUANTILES: [f64; 4] = [0.5, 0.9, 0.95, 0.99];

/// Time spent at each melt rate. A ramp spends equal time at each rate it passes, so it adds a constant density between
/// its ends: a step up and a step down, instead of hundreds of buckets. Integers, so that order does not matter.
struct TimeAtRate {
    /// Bucket 0, then those above `low`.
    buckets: Vec<Bucket>,
    /// Buckets above 0 up to this one are not kept: nothing happened in them.
    low: usize,
    /// No number of a bucket is larger than this.
    bound: f64,
}

/// What happened at the rates of one bucket, by the places below: whole numbers, so that memory which comes clear is one
/// without being written to.
type Bucket = [i64; 5];
/// Change of density, 2⁻⁴⁰ s/(mm³/s).
const DENSITY: usize = 0;
/// Sum of each change times the rate at which it happened, 2⁻⁴⁰ s.
const MOMENT: usize = 1;
/// Time of ramps that stay inside, 2⁻³² s.
const INSIDE: usize = 2;
/// Time of steady flow, 2⁻³² s.
const LEVEL: usize = 3;
/// The bits of the highest rate of steady flow, mm³/s: those of positive numbers compare as the numbers do.
const LEVEL_RATE: usize = 4;

/// True when nothing begins, ends or stays in it.
fn is_quiet(bucket: &Bucket) -> bool {
    (bucket[DENSITY] | bucket[MOMENT] | bucket[INSIDE] | bucket[LEVEL]) == 0
}

#[inline(always)]
fn bucket(rate: f64) -> usize {
    let shift = 52 - PER_OCTAVE_BITS;
    let base = ((1023 + LOWEST_EXPONENT) as u32) << PER_OCTAVE_BITS;
    (((rate.to_bits() >> shift) as u32).max(base) - base).min(BUCKETS as u32 - 1) as usize
}

/// Adds the nearest whole number; sums of absurd jobs stop at the ends of the range.
fn add(sum: &mut i64, value: f64) {
    // Rounding by itself is a call on older processors.
    let units = if value.abs() < WHOLE_BELOW { whole(value) } else { value.round_ties_even() as i64 };
    *sum = sum.saturating_add(units);
}

/// While [`TimeAtRate::bound`] is below this, sums need not look out for the ends of their range.
const SAFE: f64 = 4_611_686_018_427_387_904.0;

/// Lower edge of a bucket, mm³/s.
fn edge(bucket: usize) -> f64 {
    let shift = 52 - PER_OCTAVE_BITS;
    let base = ((1023 + LOWEST_EXPONENT) as u64) << PER_OCTAVE_BITS;
    if bucket == 0 { 0.0 } else { f64::from_bits((bucket as u64 + base) << shift) }
}

impl TimeAtRate {
    fn new() -> Self {
        Self { buckets: vec![[0; 5]], low: 0, bound: 0.0 }
    }

    /// Keeps the buckets from one above 0 to another; true when it did so before.
    fn keep(&mut self, first: usize, last: usize) -> bool {
        /// More than asked for at a time.
        const STEP: usize = 256;
        let had = self.low + self.buckets.len();
        let is_known = first > self.low && last < had;
        if !is_known && first <= last {
            let is_first = self.buckets.len() == 1;
            let low = if is_first { usize::MAX } else { self.low }.min((first - 1) / STEP * STEP);
            let end = had.max((last / STEP + 1) * STEP);
            if !is_first && low == self.low {
                self.buckets.resize(end - low, [0; 5]);
                return false;
            }
            let mut more = vec![[0; 5]; end - low];
            more[0] = self.buckets[0];
            if !is_first {
                more[self.low - low + 1..had - low].copy_from_slice(&self.buckets[1..]);
            }
            (self.buckets, self.low) = (more, low);
        }
        is_known || first > last
    }

    fn at(&mut self, bucket: usize) -> &mut Bucket {
        if bucket > 0 && (bucket <= self.low || bucket - self.low >= self.buckets.len()) {
            self.keep(bucket, bucket);
        }
        &mut self.buckets[bucket.saturating_sub(self.low)]
    }

    fn get(&self, bucket: usize) -> Bucket {
        let at = if bucket == 0 { Some(0) } else { bucket.checked_sub(self.low).filter(|&at| at > 0) };
        at.and_then(|at| self.buckets.get(at)).copied().unwrap_or_default()
    }

    fn level(&mut self, rate: f64, seconds: f64) {
        if seconds > 0.0 {
            let bucket = self.at(bucket(rate));
            add(&mut bucket[LEVEL], seconds * Sum::ONE);
            bucket[LEVEL_RATE] = bucket[LEVEL_RATE].max(rate.to_bits() as i64);
        }
    }

    fn ramp(&mut self, a: f64, b: f64, seconds: f64) {
        if seconds <= 0.0 {
            return;
        }
        let (first, last) = (bucket(a), bucket(b));
        if first == last {
            return add(&mut self.at(first)[INSIDE], seconds * Sum::ONE);
        }
        let density = seconds / (b - a);
        for (at, rate, density) in [(first, a, density), (last, b, -density)] {
            let bucket = self.at(at);
            add(&mut bucket[DENSITY], density * DENSITY_ONE);
            add(&mut bucket[MOMENT], density * rate * DENSITY_ONE);
        }
    }

    /// Adds the moves of a block that melt; the same numbers as [`Self::ramp`] and [`Self::level`] piece by piece.
    fn add_block(&mut self, block: &Block, rows: &mut FlowColumns) {
        if !block.is_even() {
            return self.add_chords(block, rows);
        }
        let largest = self.filled(
            #[inline(always)]
            |low| {
                block.vectors.run(
                    #[inline(always)]
                    || rows.fill_moves(block, low),
                )
            },
        );
        if self.holds(largest) {
            rows.scatter::<true>(block.len(), &mut self.buckets);
        } else {
            (0..block.len()).for_each(|i| self.add_move(block, i));
        }
    }

    /// The same for moves whose ramps are not even.
    fn add_chords(&mut self, block: &Block, rows: &mut FlowColumns) {
        let all = block.chords.all().len();
        for from in (0..all).step_by(BLOCK) {
            let range = from..all.min(from + BLOCK);
            let largest = self.filled(
                #[inline(always)]
                |low| {
                    block.vectors.run(
                        #[inline(always)]
                        || rows.fill_chords(&block.chord_rates, range.clone(), low),
                    )
                },
            );
            if self.holds(largest) {
                rows.scatter::<false>(range.len(), &mut self.buckets);
            } else {
                range.for_each(|c| self.add_chord(&block.chord_rates, c));
            }
        }
    }

    /// Fills columns for the buckets that are kept, and once more where these are too few; a bound of every number in them.
    #[inline(always)]
    fn filled(&mut self, mut fill: impl FnMut(usize) -> (f64, usize, usize)) -> f64 {
        loop {
            let (largest, first, last) = fill(self.low);
            if self.keep(first, last) {
                return largest;
            }
        }
    }

    /// Whether sums stay within their range where up to [`BLOCK`] more numbers up to the largest are added.
    fn holds(&mut self, largest: f64) -> bool {
        self.bound += largest * BLOCK as f64;
        largest < WHOLE_BELOW && self.bound < SAFE
    }

    #[cold]
    fn add_move(&mut self, block: &Block, i: usize) {
        let (section, peak) = (block.section_mm2[i], block.peak_mm3_s[i]);
        if section > 0.0 {
            let [up, cruise, down] = block.pieces(i);
            self.ramp(section * up.start_mm_s, peak, up.seconds);
            self.level(peak, cruise.seconds);
            self.ramp(section * down.end_mm_s, peak, down.seconds);
        }
    }

    #[cold]
    fn add_chord(&mut self, rates: &ChordRates, c: usize) {
        let (start, end, seconds) = (rates.start_mm3_s[c], rates.end_mm3_s[c], rates.melting_s[c]);
        let (low, high) = (smaller(start, end), larger(start, end));
        if low < high { self.ramp(low, high, seconds) } else { self.level(high, seconds) }
    }

    /// Adds all that another one holds.
    fn absorb(&mut self, other: &Self) {
        self.keep(other.low + 1, other.low + other.buckets.len() - 1);
        for (at, more) in other.buckets.iter().enumerate() {
            let bucket = &mut self.buckets[if at == 0 { 0 } else { other.low + at - self.low }];
            for sum in [DENSITY, MOMENT, INSIDE, LEVEL] {
                bucket[sum] = bucket[sum].saturating_add(more[sum]);
            }
            bucket[LEVEL_RATE] = bucket[LEVEL_RATE].max(more[LEVEL_RATE]);
        }
    }

    /// Time in each bucket and all before it, up to the last in which something happened, 2⁻³² s.
    fn until(&self) -> Vec<u64> {
        let (zero, others) = self.buckets.split_first().map_or(([0; 5], &[][..]), |(one, all)| (*one, all));
        let mut until = Vec::with_capacity(self.low + 1 + others.len());
        let mut passing = Passing::default();
        until.push(passing.pass(0, &zero));
        passing.pass_through(self.low, &mut until);
        let mut others = others;
        while !others.is_empty() {
            let quiet = others.iter().take_while(|bucket| is_quiet(bucket)).count();
            passing.pass_through(quiet, &mut until);
            let Some((bucket, rest)) = others[quiet..].split_first() else { break };
            until.push(passing.pass(until.len(), bucket));
            others = rest;
        }
        if passing.density != 0 {
            passing.pass_through(BUCKETS - until.len(), &mut until);
        }
        until
    }

    /// Smallest rate with a time share of at least each of [`QUANTILES`], mm³/s.
    ///
    /// Rates count to three digits, which finds the bucket; inside it ramps are taken as even and steady flow as one rate.
    /// That is exact where it holds, and never further off than the bucket is wide.
    fn quantiles(&self, peak: f64) -> Option<[f64; 4]> {
        let until = self.until();
        let total = until.last().copied().filter(|total| *total > 0)?;
        // Time at lower rates than those of a bucket.
        let before = |bucket: usize| bucket.checked_sub(1).map_or(0, |at| until.get(at).copied().unwrap_or(total));
        Some(QUANTILES.map(|share| {
            let rank = digits::rank(share, total);
            let found = until.partition_point(|until| *until < rank);
            let middle = (edge(found) + edge(found + 1)) / 2.0;
            let at = bucket(digits::middle((middle * PER_MM3_S) as u64) as f64 / PER_MM3_S);
            let time = share * total as f64 - before(at) as f64;
            self.inside(at, time, before(at + 1) - before(at)).min(peak)
        }))
    }

    /// The rate inside a bucket at which so much of `all` its time (2⁻³² s) has gone by.
    fn inside(&self, at: usize, time: f64, all: u64) -> f64 {
        let bucket = self.get(at);
        let (level, steady) = (bucket[LEVEL], f64::from_bits(bucket[LEVEL_RATE] as u64));
        let ramps = all.saturating_sub(level as u64) as f64;
        let (low, high, level) = (edge(at), edge(at + 1), level as f64);
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

/// A walk through the buckets from the first on.
#[derive(Default)]
struct Passing {
    density: i64,
    carry: f64,
    /// Time so far, 2⁻³² s.
    sum: u64,
}

impl Passing {
    /// Goes through the next bucket; the time up to its end.
    #[inline(always)]
    fn pass(&mut self, i: usize, bucket: &Bucket) -> u64 {
        let mut area = self.area(i);
        if (bucket[DENSITY] | bucket[MOMENT]) != 0 {
            // Each change inside the bucket counts from its own rate to the upper edge.
            area += bucket[DENSITY] as f64 * edge(i + 1) - bucket[MOMENT] as f64;
            self.density = self.density.saturating_add(bucket[DENSITY]);
        }
        let ramps = bucket[INSIDE].saturating_add(self.whole(area)).max(0);
        self.sum = self.sum.saturating_add(bucket[LEVEL].saturating_add(ramps) as u64);
        self.sum
    }

    /// The same for the next `count` buckets, in which nothing begins or ends: those of a doubling are equally wide.
    fn pass_through(&mut self, count: usize, until: &mut Vec<u64>) {
        let end = until.len() + count;
        while until.len() < end {
            let first = until.len();
            let behind = end.min(((first >> PER_OCTAVE_BITS) + 1) << PER_OCTAVE_BITS);
            let area = self.area(first);
            until.extend((first..behind).map(|_| {
                self.sum = self.sum.saturating_add(self.whole(area).max(0) as u64);
                self.sum
            }));
        }
    }

    /// What the density so far comes to in a bucket.
    #[inline(always)]
    fn area(&self, i: usize) -> f64 {
        self.density as f64 * (edge(i + 1) - edge(i))
    }

    /// Time as a whole number. What rounding leaves over goes to the next bucket, or thousands of them would add up.
    #[inline(always)]
    fn whole(&mut self, area: f64) -> i64 {
        let exact = area / DENSITY_ONE * Sum::ONE + self.carry;
        let whole = exact as i64;
        self.carry = exact - whole as f64;
        whole
    }
}

/// What the moves of a block add to which bucket.
#[derive(Clone)]
struct FlowColumns {
    /// Where the buckets of the rates at the start, the peak and the end are kept.
    start: Column<u16>,
    peak: Column<u16>,
    end: Column<u16>,
    /// Densities of speeding up and slowing down, and what they are at the rates of both ends.
    up: Column<i64>,
    up_start: Column<i64>,
    up_peak: Column<i64>,
    down: Column<i64>,
    down_end: Column<i64>,
    down_peak: Column<i64>,
    inside: Column<i64>,
    level: Column<i64>,
    /// As its bits.
    level_rate: Column<i64>,
}

impl FlowColumns {
    fn new() -> Box<Self> {
        const ZEROS: Column<i64> = [0; BLOCK];
        const INDEX: Column<u16> = [0; BLOCK];
        let (up, up_start, up_peak, down, down_end, down_peak) = (ZEROS, ZEROS, ZEROS, ZEROS, ZEROS, ZEROS);
        let (start, peak, end, inside, level, level_rate) = (INDEX, INDEX, INDEX, ZEROS, ZEROS, ZEROS);
        let rows =
            Self { start, peak, end, up, up_start, up_peak, down, down_end, down_peak, inside, level, level_rate };
        Box::new(rows)
    }

    /// Fills all columns with the moves of a block, see [`Self::fill`].
    #[inline(always)]
    fn fill_moves(&mut self, block: &Block, low: usize) -> (f64, usize, usize) {
        self.fill::<true>(
            block.len(),
            low,
            #[inline(always)]
            |i| {
                let section = block.section_mm2[i];
                let [up, cruise, down] = block.pieces(i);
                let time = |seconds: f64| if (section > 0.0) & (seconds > 0.0) { seconds } else { 0.0 };
                let rates = [section * up.start_mm_s, block.peak_mm3_s[i], section * down.end_mm_s];
                (rates, [up.seconds, cruise.seconds, down.seconds].map(time))
            },
        )
    }

    /// The same with chords, each as a way up or a steady flow.
    #[inline(always)]
    fn fill_chords(&mut self, rates: &ChordRates, range: Range<usize>, low: usize) -> (f64, usize, usize) {
        let count = range.len();
        let [start, end, melting_s] =
            [&rates.start_mm3_s, &rates.end_mm3_s, &rates.melting_s].map(|column| &column[range.clone()][..count]);
        self.fill::<false>(
            count,
            low,
            #[inline(always)]
            |c| {
                let (low, high) = (smaller(start[c], end[c]), larger(start[c], end[c]));
                let (up, level) = if low < high { (melting_s[c], 0.0) } else { (0.0, melting_s[c]) };
                ([low, high, high], [up, level, 0.0])
            },
        )
    }

    /// Fills so many rows of all columns, for buckets kept above `low`, from the rates at the start, the peak and the end of each
    /// and the times of going up, of steady flow and of going down; answers a bound of every number in them, and the first bucket
    /// above 0 and the last one that they need. Without `FALLS` there is no going down, and its columns are left alone.
    #[inline(always)]
    fn fill<const FALLS: bool>(
        &mut self,
        count: usize,
        low: usize,
        row: impl Fn(usize) -> ([f64; 3], [f64; 3]),
    ) -> (f64, usize, usize) {
        let (mut largest, mut first, mut last, low) = (0i64, u32::MAX, 0u32, low as u32);
        for i in 0..count.min(BLOCK) {
            let ([q0, q1, q2], [up, level, down]) = row(i);
            let (start, peak, end) = (bucket(q0), bucket(q1), bucket(q2));
            let (up_inside, down_inside) = (start == peak, end == peak);
            let up_density = if up_inside { 0.0 } else { up / (q1 - q0) };
            let down_density = if down_inside { 0.0 } else { down / (q1 - q2) };
            let place = |bucket: usize| (bucket as u32).saturating_sub(low) as u16;
            (self.start[i], self.peak[i]) = (place(start), place(peak));
            for bucket in [start as u32, peak as u32, end as u32] {
                (first, last) = (first.min(bucket.wrapping_sub(1)), last.max(bucket));
            }
            self.up[i] = whole(up_density * DENSITY_ONE);
            self.up_start[i] = whole(up_density * q0 * DENSITY_ONE);
            self.up_peak[i] = whole(up_density * q1 * DENSITY_ONE);
            if FALLS {
                self.end[i] = place(end);
                self.down[i] = whole(down_density * DENSITY_ONE);
                self.down_end[i] = whole(down_density * q2 * DENSITY_ONE);
                self.down_peak[i] = whole(down_density * q1 * DENSITY_ONE);
            }
            let inside = whole((if up_inside { up } else { 0.0 }) * Sum::ONE);
            self.inside[i] = inside.wrapping_add(whole((if down_inside { down } else { 0.0 }) * Sum::ONE));
            self.level[i] = whole(level * Sum::ONE);
            self.level_rate[i] = if level > 0.0 { q1.to_bits() as i64 } else { 0 };
            let densities = up_density.abs() + down_density.abs();
            let bound = (densities * (1.0 + q0 + q1 + q2) + (up + level + down)) * DENSITY_ONE;
            // Positive numbers compare as their bits do.
            largest = largest.max(bound.to_bits() as i64);
        }
        (f64::from_bits(largest as u64), first as usize + 1, last as usize)
    }

    fn scatter<const FALLS: bool>(&self, count: usize, buckets: &mut [Bucket]) {
        for i in 0..count.min(BLOCK) {
            // Most moves of a long line or curve go on as fast as they came.
            let ramps = self.up[i] | self.up_start[i] | self.up_peak[i];
            let [down, down_end, down_peak] =
                if FALLS { [self.down[i], self.down_end[i], self.down_peak[i]] } else { [0; 3] };
            if (ramps | down | down_end | down_peak) != 0 {
                let start = &mut buckets[usize::from(self.start[i])];
                start[DENSITY] += self.up[i];
                start[MOMENT] += self.up_start[i];
                if FALLS {
                    let end = &mut buckets[usize::from(self.end[i])];
                    end[DENSITY] += down;
                    end[MOMENT] += down_end;
                }
                let peak = &mut buckets[usize::from(self.peak[i])];
                peak[DENSITY] -= self.up[i] + down;
                peak[MOMENT] -= self.up_peak[i] + down_peak;
            }
            let peak = &mut buckets[usize::from(self.peak[i])];
            peak[INSIDE] += self.inside[i];
            peak[LEVEL] += self.level[i];
            peak[LEVEL_RATE] = peak[LEVEL_RATE].max(self.level_rate[i]);
        }
    }
}

/// What is pushed on the spot, beyond what makes up for a pull-back.
struct Pushes {
    areas_mm2: Vec<f64>,
    /// Time at each rate; none before the first push.
    rates: Option<TimeAtRate>,
    time_s: Sum,
    volume_mm3: Sum,
    over_s: Sum,
    peak_mm3_s: f64,
    peak_line: Option<u64>,
}

impl Pushes {
    fn new(machine: &Machine) -> Self {
        Self {
            areas_mm2: MeltLaw::of(machine).into_iter().map(|law| law.area_mm2).collect(),
            rates: None,
            time_s: Sum::default(),
            volume_mm3: Sum::default(),
            over_s: Sum::default(),
            peak_mm3_s: 0.0,
            peak_line: None,
        }
    }

    /// Adds the pushes of a block; `limit` is the sustained capacity, mm³/s.
    fn add_block(&mut self, block: &Block, limit: f64) {
        let area_mm2 = self.areas_mm2[block.tool_index];
        for &(i, excess_mm) in &block.purges {
            self.volume_mm3.add(area_mm2 * excess_mm);
            melt::each_rate(block, i, area_mm2, |start, end, seconds| {
                self.add(start, end, seconds, limit, block.line[i])
            });
        }
    }

    fn add(&mut self, start: f64, end: f64, seconds: f64, limit: f64, line: u64) {
        let (low, high) = (start.min(end), start.max(end));
        if high <= 0.0 || seconds <= 0.0 {
            return;
        }
        let rates = self.rates.get_or_insert_with(TimeAtRate::new);
        if low == high {
            rates.level(high, seconds)
        } else {
            rates.ramp(low, high, seconds)
        }
        self.time_s.add(seconds);
        if high > limit {
            self.over_s.add(over(low, high, seconds, limit));
        }
        if high > self.peak_mm3_s {
            (self.peak_mm3_s, self.peak_line) = (high, Some(line));
        }
    }
}

/// Time over capacities that hang on the temperature of the nozzle, and those at the largest rates.
struct OverByHeat {
    capacities: Vec<MeltCapacity>,
    areas_mm2: Vec<f64>,
    /// At the largest rates of each tool.
    at_peaks: Vec<MeltRates>,
    pushed_over_s: Sum,
}

impl OverByHeat {
    fn new(machine: &Machine, capacities: Vec<MeltCapacity>) -> Self {
        Self {
            areas_mm2: MeltLaw::of(machine).into_iter().map(|law| law.area_mm2).collect(),
            // Before anything flows, as the sheet says it without a temperature.
            at_peaks: capacities.clone().iter_mut().map(|capacity| capacity.at(None)).collect(),
            capacities,
            pushed_over_s: Sum::default(),
        }
    }

    /// What the hotend melts when the first move starts that has a rate in its column, mm³/s.
    fn at_rate(&mut self, block: &Block, rates: &Column<f64>, rate: f64) -> MeltRates {
        let i = rates[..block.len()].iter().position(|of| *of == rate).unwrap_or(0);
        let start_s = block.start_s + block.time_s[..i].iter().sum::<f64>();
        self.capacities[block.tool_index].at(capacity::nozzle_c(block, start_s, start_s).map(|[c, _]| c))
    }

    /// Adds the time over capacity of the moves of a block, of which none along a path has a higher rate than `peak`.
    fn add_block(&mut self, block: &Block, peak: f64, over_s: &mut Sum) {
        let least = block.capacity.and_then(|least| least.sustained_mm3_s);
        let least = least.filter(|least| peak > *least || !block.purges.is_empty());
        let Some((least, capacity)) = least.zip(self.capacities.get_mut(block.tool_index)) else { return };
        let area_mm2 = self.areas_mm2[block.tool_index];
        let mut start_s = block.start_s;
        for i in 0..block.len() {
            let is_path = block.section_mm2[i] > 0.0;
            let sum = if is_path { &mut *over_s } else { &mut self.pushed_over_s };
            if if is_path { block.peak_mm3_s[i] > least } else { block.purge_mm(i).is_some() } {
                let ends = capacity::nozzle_c(block, start_s, start_s + block.time_s[i]);
                let steady = ends.filter(|[from_c, to_c]| from_c == to_c).map(|[c, _]| c);
                let mut take = |q_start: f64, q_end: f64, seconds: f64, limit: Option<f64>| {
                    let (low, high) = (q_start.min(q_end), q_start.max(q_end));
                    if let Some(limit) = limit.filter(|limit| high > *limit && seconds > 0.0) {
                        sum.add(over(low, high, seconds, limit));
                    }
                };
                if ends.is_none() || steady.is_some() {
                    let limit = capacity.at(steady).sustained_mm3_s;
                    melt::each_rate(block, i, area_mm2, |start, end, seconds| take(start, end, seconds, limit));
                } else {
                    capacity::each_rate(block, i, area_mm2, start_s, |start, end, seconds, nozzle_c| {
                        take(start, end, seconds, capacity.at(nozzle_c).sustained_mm3_s);
                    });
                }
            }
            start_s += block.time_s[i];
        }
    }
}

/// Owner of the melt rate.
pub(super) struct FlowTotals {
    sustained_limits: Vec<Option<f64>>,
    peak_limits: Vec<Option<f64>>,
    rates: TimeAtRate,
    rows: Box<FlowColumns>,
    time_s: Sum,
    volume_mm3: Sum,
    over_s: Sum,
    by_heat: Option<OverByHeat>,
    pushes: Pushes,
    flow: Flow,
    by_tool: Vec<ToolFlow>,
    capacity: Capacity,
}

impl FlowTotals {
    pub(super) fn new(machine: &Machine) -> Self {
        let first = machine.tools.first();
        let by_heat = MeltCapacity::of_all(machine).map(|capacities| OverByHeat::new(machine, capacities));
        let constant = |value: Option<f64>| value.filter(|_| by_heat.is_none());
        Self {
            sustained_limits: machine.tools.iter().map(|tool| constant(tool.sustained_mm3_s)).collect(),
            peak_limits: machine.tools.iter().map(|tool| constant(tool.peak_mm3_s)).collect(),
            rates: TimeAtRate::new(),
            rows: FlowColumns::new(),
            time_s: Sum::default(),
            volume_mm3: Sum::default(),
            over_s: Sum::default(),
            by_heat,
            pushes: Pushes::new(machine),
            flow: Flow::default(),
            by_tool: vec![ToolFlow::default(); machine.tools.len()],
            capacity: Capacity {
                sustained_mm3_s: first.and_then(|tool| tool.sustained_mm3_s),
                peak_mm3_s: first.and_then(|tool| tool.peak_mm3_s),
            },
        }
    }

    /// New peaks of the tool in use.
    fn peaks(&mut self, block: &Block) {
        let most = &mut self.by_tool[block.tool_index];
        for i in 0..block.len() {
            if block.peak_mm3_s[i] > most.peak_mm3_s {
                most.peak_mm3_s = block.peak_mm3_s[i];
                most.peak_line = Some(block.line[i]);
            }
            if block.burst_most_mm3_s > 0.0 && block.burst_mm3_s[i] > most.burst_peak_mm3_s * (1.0 + FINER) {
                most.burst_peak_mm3_s = block.burst_mm3_s[i];
                most.burst_peak_line = Some(block.line[i]);
            }
            if block.sustained_mm3_s[i] > most.sustained_peak_mm3_s {
                most.sustained_peak_mm3_s = block.sustained_mm3_s[i];
                most.sustained_peak_line = Some(block.line[i]);
            }
        }
    }

    /// The same where capacities hang on the temperature: those of new peaks are kept.
    fn peaks_by_heat(&mut self, block: &Block) {
        let tool = block.tool_index;
        let before = self.by_tool[tool];
        self.peaks(block);
        let now = self.by_tool[tool];
        let Some(by_heat) = &mut self.by_heat else { return };
        let (sustained, burst) = (now.sustained_peak_mm3_s, now.burst_peak_mm3_s);
        if sustained > before.sustained_peak_mm3_s {
            let rates = by_heat.at_rate(block, &block.sustained_mm3_s, sustained);
            by_heat.at_peaks[tool].sustained_mm3_s = rates.sustained_mm3_s;
        }
        if burst > before.burst_peak_mm3_s {
            by_heat.at_peaks[tool].peak_mm3_s = by_heat.at_rate(block, &block.burst_mm3_s, burst).peak_mm3_s;
        }
    }

    /// The capacities that the largest rates of a tool are held against.
    fn capacity_of(&self, tool: usize) -> MeltRates {
        match &self.by_heat {
            Some(by_heat) => by_heat.at_peaks[tool],
            None => MeltRates { sustained_mm3_s: self.sustained_limits[tool], peak_mm3_s: self.peak_limits[tool] },
        }
    }

    /// The largest over all tools, the earliest of equals, and the capacities of those tools.
    fn over_all_tools(&mut self) {
        for (tool, most) in self.by_tool.iter().enumerate() {
            let of_tool = self.capacity_of(tool);
            let flow = &mut self.flow;
            let first = |value: f64, line: Option<u64>, known: f64, known_line: Option<u64>| {
                value > known || (value == known && line.is_some() && line < known_line)
            };
            if first(most.peak_mm3_s, most.peak_line, flow.peak_mm3_s, flow.peak_line) {
                (flow.peak_mm3_s, flow.peak_line) = (most.peak_mm3_s, most.peak_line);
            }
            if first(most.burst_peak_mm3_s, most.burst_peak_line, flow.burst_peak_mm3_s, flow.burst_peak_line) {
                (flow.burst_peak_mm3_s, flow.burst_peak_line) = (most.burst_peak_mm3_s, most.burst_peak_line);
                self.capacity.peak_mm3_s = of_tool.peak_mm3_s;
            }
            if first(
                most.sustained_peak_mm3_s,
                most.sustained_peak_line,
                flow.sustained_peak_mm3_s,
                flow.sustained_peak_line,
            ) {
                (flow.sustained_peak_mm3_s, flow.sustained_peak_line) =
                    (most.sustained_peak_mm3_s, most.sustained_peak_line);
                self.capacity.sustained_mm3_s = of_tool.sustained_mm3_s;
            }
        }
    }

    /// The rates of moves along a path and of pushes on the spot together.
    fn all_pushed(&mut self, judged: bool) -> Pushed {
        let (pushes, flow) = (&mut self.pushes, &self.flow);
        let on_the_spot = pushes.peak_mm3_s > flow.peak_mm3_s;
        let (peak_mm3_s, peak_line) =
            if on_the_spot { (pushes.peak_mm3_s, pushes.peak_line) } else { (flow.peak_mm3_s, flow.peak_line) };
        let time_s = self.time_s.value() + pushes.time_s.value();
        let volume_mm3 = self.volume_mm3.value() + pushes.volume_mm3.value();
        let quantiles_mm3_s = match pushes.rates.take() {
            Some(rates) => {
                self.rates.absorb(&rates);
                self.rates.quantiles(peak_mm3_s)
            }
            None => flow.quantiles_mm3_s,
        };
        Pushed {
            peak_mm3_s,
            peak_line,
            mean_mm3_s: (time_s > 0.0).then(|| volume_mm3 / time_s),
            quantiles_mm3_s,
            over_capacity_s: judged.then(|| {
                let by_heat_s = self.by_heat.as_ref().map_or(0.0, |by_heat| by_heat.pushed_over_s.value());
                self.over_s.value() + pushes.over_s.value() + by_heat_s
            }),
        }
    }

    fn over(&mut self, block: &Block, limit: f64) {
        for i in (0..block.len()).filter(|&i| block.peak_mm3_s[i] > limit) {
            let section = block.section_mm2[i];
            block.each_piece(i, |piece| {
                let [start, end] = [piece.start_mm_s, piece.end_mm_s].map(|speed| section * speed);
                if start.max(end) > limit {
                    self.over_s.add(over(start.min(end), start.max(end), piece.seconds, limit));
                }
            });
        }
    }
}

/// Time over a limit on a ramp between `low` and `high` > limit, s.
fn over(low: f64, high: f64, seconds: f64, limit: f64) -> f64 {
    if low >= limit { seconds } else { seconds * (high - limit) / (high - low) }
}

impl Observer for FlowTotals {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        // Where capacities hang on the temperature it is none, and `by_heat` holds against them.
        let limit = self.sustained_limits[block.tool_index].unwrap_or(f64::INFINITY);
        self.pushes.add_block(block, limit);
        let (time_s, volume_mm3) = (&mut self.time_s, &mut self.volume_mm3);
        let [peak, sustained] = block.vectors.run(
            #[inline(always)]
            || {
                let count = block.len();
                Sum::gather(
                    [time_s, volume_mm3],
                    count,
                    #[inline(always)]
                    |i| {
                        let section = block.section_mm2[i];
                        [if section > 0.0 { block.time_s[i] } else { 0.0 }, section * block.length_mm[i]]
                    },
                );
                [&block.peak_mm3_s, &block.sustained_mm3_s].map(|column| columns::most(&column[..count], 0.0))
            },
        );
        let most = &self.by_tool[block.tool_index];
        let burst = block.burst_most_mm3_s;
        if peak > most.peak_mm3_s || sustained > most.sustained_peak_mm3_s || burst > most.burst_peak_mm3_s {
            if self.by_heat.is_some() { self.peaks_by_heat(block) } else { self.peaks(block) }
        }
        if let Some(by_heat) = &mut self.by_heat {
            by_heat.add_block(block, peak, &mut self.over_s);
        } else if peak > limit {
            self.over(block, limit);
        }
        if peak > 0.0 {
            self.rates.add_block(block, &mut self.rows);
        }
    }

    fn finish(&mut self, draft: &mut Inspection, _log: &mut Log) {
        let time_s = self.time_s.value();
        self.over_all_tools();
        self.flow.mean_mm3_s = (time_s > 0.0).then(|| self.volume_mm3.value() / time_s);
        self.flow.quantiles_mm3_s = self.rates.quantiles(self.flow.peak_mm3_s);
        let judged = self.by_heat.is_some() || self.sustained_limits.iter().any(Option::is_some);
        self.flow.pushed = self.all_pushed(judged);
        draft.flow = self.flow;
        draft.flow_by_tool = std::mem::take(&mut self.by_tool);
        draft.capacity = self.capacity;
        draft.flow_over_capacity_s = judged.then(|| self.over_s.value());
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::block::Ramps as Shape;
    use hdrhistogram::Histogram;
    use proptest::prelude::*;

    impl TimeAtRate {
        fn all(&self) -> Vec<Bucket> {
            (0..BUCKETS).map(|bucket| self.get(bucket)).collect()
        }

        /// The quantiles by a walk over all buckets and a histogram of rates in millionths of mm³/s.
        fn quantiles_of_all(&self, peak: f64) -> Option<[f64; 4]> {
            let (mut density, mut carry, mut sum) = (0i64, 0.0, 0.0);
            let (mut before, mut through) = (Vec::new(), Vec::new());
            let mut histogram = Histogram::<u64>::new_with_bounds(1, (edge(BUCKETS) * PER_MM3_S) as u64, 3).ok()?;
            for (i, bucket) in self.all().iter().enumerate() {
                let (low, high) = (edge(i), edge(i + 1));
                let area = density as f64 * (high - low) + (bucket[DENSITY] as f64 * high - bucket[MOMENT] as f64);
                density = density.saturating_add(bucket[DENSITY]);
                let exact = area / DENSITY_ONE * Sum::ONE + carry;
                let whole = exact as i64;
                carry = exact - whole as f64;
                let ramps = bucket[INSIDE].saturating_add(whole).max(0);
                before.push(sum);
                through.push(ramps as f64);
                sum += bucket[LEVEL] as f64 + ramps as f64;
                let count = u64::try_from(bucket[LEVEL].saturating_add(ramps)).ok()?;
                if count > 0 {
                    histogram.record_n(((low + high) / 2.0 * PER_MM3_S) as u64, count).ok()?;
                }
            }
            let total = Some(histogram.len() as f64).filter(|total| *total > 0.0)?;
            Some(QUANTILES.map(|share| {
                let value = histogram.median_equivalent(histogram.value_at_quantile(share)) as f64 / PER_MM3_S;
                let (at, wanted) = (bucket(value), share * total);
                let [.., level, steady] = self.get(at);
                let steady = f64::from_bits(steady as u64);
                let (low, high, level, ramps) = (edge(at), edge(at + 1), level as f64, through[at]);
                let below = if level > 0.0 { ramps * (steady - low) / (high - low) } else { ramps };
                let time = wanted - before[at];
                let rate = if time <= below && ramps > 0.0 {
                    low + (high - low) * (time / ramps).max(0.0)
                } else if time <= below + level || ramps <= 0.0 {
                    steady
                } else {
                    (low + (high - low) * ((time - level) / ramps)).min(high)
                };
                rate.min(peak)
            }))
        }
    }

    /// Rates from nothing to absurd ones, and how long they last, s.
    fn flows() -> impl Strategy<Value = Vec<(f64, f64, f64)>> {
        let rate = || prop_oneof![2 => Just(0.0), 8 => (-18.0..6.0f64).prop_map(f64::exp2), 1 => 0.0..1e7f64];
        let seconds = prop_oneof![1 => Just(0.0), 8 => (-12.0..4.0f64).prop_map(f64::exp2)];
        proptest::collection::vec((rate(), rate(), seconds), 0..40)
    }

    proptest! {
        #[test]
        fn buckets_that_are_not_kept_hold_nothing(flows in flows(), cut in 0usize..40) {
            let (mut rates, mut others, mut all) = (TimeAtRate::new(), TimeAtRate::new(), TimeAtRate::new());
            all.keep(1, BUCKETS - 1);
            for (n, &(a, b, seconds)) in flows.iter().enumerate() {
                for rates in [if n < cut { &mut rates } else { &mut others }, &mut all] {
                    if n % 3 == 0 { rates.level(a, seconds) } else { rates.ramp(a.min(b), a.max(b), seconds) }
                }
            }
            rates.absorb(&others);
            prop_assert!(rates.all() == all.all());
            prop_assert_eq!(rates.quantiles(1e7), all.quantiles(1e7));
            prop_assert_eq!(rates.quantiles(1e7), all.quantiles_of_all(1e7));
        }
    }

    #[test]
    fn edges_and_buckets_agree() {
        for i in [1, 2, 511, 512, 5000, BUCKETS - 1] {
            assert_eq!(bucket(edge(i)), i);
            assert_eq!(bucket(edge(i).next_down()), i - 1);
        }
        assert_eq!((bucket(0.0), bucket(1e30)), (0, BUCKETS - 1));
    }

    /// Volume over time, and a trapezoid of one acceleration: closed forms.
    #[test]
    fn what_is_pushed_on_the_spot_counts_like_what_is_pushed_on_a_path() {
        use crate::preflight::{JobSource, Preflight};
        let mut machine = Machine::built_in();
        let limits = &mut machine.motion.limits;
        (limits.retraction_mm_s2, limits.acceleration_mm_s2[3], limits.feed_rate_mm_s[3]) = (500.0, 500.0, 100.0);
        limits.jerk_mm_s[3] = 1e-6;
        let judge = |push: &str| {
            let job =
                format!("G28\nM109 S200\nM83\nG1 X20 Y20 Z0.2 F600\nG1 X50 E1 F1200\n{push}G1 X90 E1 F1200\nM84\n");
            Preflight::on(&machine).run(JobSource::stream(job.as_bytes(), "job")).expect("reads")
        };
        let (without, with) = (judge("G4 S5\n"), judge("G4 S5\nG1 E30 F3000\nG4 S5\n"));
        assert_eq!(without.flow.pushed.quantiles_mm3_s, without.flow.quantiles_mm3_s);
        assert_eq!(without.flow.pushed.peak_mm3_s, without.flow.peak_mm3_s);
        assert_eq!(without.flow.pushed.over_capacity_s, without.flow_over_capacity_s);
        let area_mm2 = std::f64::consts::PI / 4.0 * 1.75 * 1.75;
        let Pushed { peak_mm3_s, peak_line, mean_mm3_s, quantiles_mm3_s, over_capacity_s } = with.flow.pushed;
        // 30 mm at 50 mm/s and 500 mm/s²: from rest and to rest, 0.1 s each way.
        let close = |value: f64, expected: f64| assert!((value / expected - 1.0).abs() < 1e-6, "{value} {expected}");
        close(peak_mm3_s, 50.0 * area_mm2);
        assert_eq!(peak_line, Some(7));
        let push_s = 0.1 + 0.5 + 0.1;
        close(with.time_s.extrude_only, push_s);
        close(mean_mm3_s.expect("pushes"), 32.0 * area_mm2 / (with.time_s.extruding + push_s));
        let capacity = machine.tools[0].sustained_mm3_s.expect("is given");
        close(over_capacity_s.expect("is given"), 0.5 + 0.2 * (1.0 - capacity / (50.0 * area_mm2)));
        // The slow moves along the path take the rest of the time: half of it and more is theirs.
        let [p50, .., p99] = quantiles_mm3_s.expect("pushes");
        assert!(p50 < capacity && (p99 / peak_mm3_s - 1.0).abs() < 0.002, "{p50} {p99}");
        assert_eq!(with.flow.quantiles_mm3_s, without.flow.quantiles_mm3_s);
        // Filling the nozzle again is no flow.
        let again = judge("G4 S5\nG1 E-30 F3000\nG1 E30 F3000\nG4 S5\n");
        assert_eq!(again.flow.pushed, without.flow.pushed);
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
        let until = rates.until();
        let total = *until.last().unwrap() as f64 / Sum::ONE;
        assert!((total - 3.0).abs() < 1e-3, "{total}");
        let below_five = until[bucket(5.0)] as f64 / Sum::ONE;
        assert!((below_five - 2.0 * 4.7 / 10.7).abs() < 0.003, "{below_five}");
    }

    #[test]
    fn whole_blocks_add_up_as_move_by_move() {
        let mut bits = crate::vectors::columns::without_pattern(3);
        let mut random = || (bits() >> 11) as f64 / (1u64 << 53) as f64;
        let (mut fast, mut slow, mut rows) = (TimeAtRate::new(), TimeAtRate::new(), FlowColumns::new());
        // From everyday moves to numbers that only the slow way can take.
        for size in [1.0, 1.0, 1e-4, 1e3, 1e9, 1e200, 1.0] {
            let mut block = Block::default();
            for _ in 0..200 {
                let i = block.add();
                block.section_mm2[i] = if random() < 0.2 { 0.0 } else { 0.1 * random() };
                let v = 100.0 * random();
                let mut near = || if random() < 0.3 { v } else { v * (1.0 - random() * random()) };
                (block.v_start_mm_s[i], block.v_peak_mm_s[i], block.v_end_mm_s[i]) = (near(), v, near());
                block.peak_mm3_s[i] = block.section_mm2[i] * v;
                let mut time = || if random() < 0.3 { 0.0 } else { random() * 0.01 * size };
                (block.t_up_s[i], block.t_cruise_s[i], block.t_down_s[i]) = (time(), time(), time());
            }
            fast.add_block(&block, &mut rows);
            (0..block.len()).for_each(|i| slow.add_move(&block, i));
            assert!(fast.all() == slow.all(), "{size}");
        }
    }

    #[test]
    fn whole_blocks_add_up_as_chord_by_chord() {
        let mut bits = crate::vectors::columns::without_pattern(5);
        let mut random = || (bits() >> 11) as f64 / (1u64 << 53) as f64;
        let (mut fast, mut slow, mut rows) = (TimeAtRate::new(), TimeAtRate::new(), FlowColumns::new());
        for size in [1.0, 1e-4, 1e3, 1e9, 1.0] {
            let mut block = Block::default();
            for _ in 0..200 {
                let i = block.add();
                block.section_mm2[i] = if random() < 0.2 { 0.0 } else { 0.1 * random() };
                let v = 100.0 * random();
                let mut near = || if random() < 0.3 { v } else { v * (1.0 - random() * random()) };
                (block.v_start_mm_s[i], block.v_peak_mm_s[i], block.v_end_mm_s[i]) = (near(), v, near());
                let mut time = || if random() < 0.3 { 0.0 } else { random() * 0.01 * size };
                (block.t_up_s[i], block.t_cruise_s[i], block.t_down_s[i]) = (time(), time(), time());
            }
            block.go_along(Shape::Quintic);
            block.chord_rates.fill(&block.chords, &block.section_mm2[..200]);
            fast.add_block(&block, &mut rows);
            for i in (0..block.len()).filter(|&i| block.section_mm2[i] > 0.0) {
                block.each_piece(i, |piece| {
                    let [start, end] = [piece.start_mm_s, piece.end_mm_s].map(|speed| block.section_mm2[i] * speed);
                    if start == end {
                        slow.level(end, piece.seconds);
                    } else {
                        slow.ramp(start.min(end), start.max(end), piece.seconds);
                    }
                });
            }
            assert!(fast.all() == slow.all(), "{size}");
        }
    }
}
