//! What impulse shapers leave of the ringing of a job, what they cost, and how fast the job may be at equal ringing.
//!
//! Every number is that of a plan of the whole job. Each candidate is planned at a scan of accelerations; the largest at
//! which the ringing stays accepted is then closed in on. A shaper changes no plan, so all candidates share that of an
//! acceleration; but where the machine waits until it stands still it waits for the last impulse too.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::corners::Rounding;
pub use crate::machine::Shapers;
use crate::machine::{Direction, ImpulseShaper, Machine, Mode, Ramp, ShaperKind, Structure};
use crate::motion::arrivals;
use crate::physics::{Ringing, vibration::impulses};
use crate::preflight::LoadedJob;
use crate::threads::HelperPool;

/// Values below today's, and above: each √2 from the next.
const BELOW: i32 = 6;
const ABOVE: i32 = 6;
/// Halvings of the ratio of two neighbours when the largest is closed in on: to 0.5 %.
const ROUNDS: usize = 6;
/// Digits of the values tried.
const DIGITS: usize = 4;
/// With more pairs of modes than that, only the first of each axis is a candidate.
const PAIRS_MOST: usize = 6;

/// What is varied.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RaisedKey {
    /// `motion.acceleration_mm_s2.printing`.
    Printing,
    /// A cap on `motion.acceleration_limit_mm_s2` of x and y: for jobs that set the printing acceleration themselves.
    Axes,
}

impl RaisedKey {
    /// The machine with the value.
    fn turned(self, machine: &Machine, value_mm_s2: f64) -> Machine {
        let mut machine = machine.clone();
        let limits = &mut machine.motion.limits;
        match self {
            Self::Printing => limits.printing_mm_s2 = value_mm_s2,
            Self::Axes => {
                limits.acceleration_mm_s2[..2].iter_mut().for_each(|limit| *limit = limit.min(value_mm_s2));
            }
        }
        machine
    }

    fn today(self, machine: &Machine) -> f64 {
        let limits = &machine.motion.limits;
        match self {
            Self::Printing => limits.printing_mm_s2,
            Self::Axes => self.most(machine),
        }
    }

    /// The highest value that changes anything.
    fn most(self, machine: &Machine) -> f64 {
        let limits = &machine.motion.limits;
        limits.acceleration_mm_s2[0].max(limits.acceleration_mm_s2[1])
    }

    /// Today's value, those around it, and the highest, ascending.
    fn scan(self, machine: &Machine) -> Vec<f64> {
        let (today, most) = (self.today(machine), self.most(machine));
        let step = |n: i32| rounded(today * std::f64::consts::SQRT_2.powi(n));
        // A cap starts far above what the job sets.
        let below = if self == Self::Axes { 2 * BELOW } else { BELOW };
        let mut values: Vec<f64> = (-below..0).map(step).collect();
        values.push(today);
        values.extend((1..=ABOVE).map(step).filter(|value| *value < most));
        if most > today && most < today * std::f64::consts::SQRT_2.powi(ABOVE) {
            values.push(most);
        }
        values
    }
}

fn rounded(value: f64) -> f64 {
    format!("{value:.*e}", DIGITS - 1).parse().unwrap_or(value)
}

/// Where the accepted ringing is from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LimitFrom {
    /// The caller.
    Asked,
    /// `structure_limits.ringing_mm`.
    Sheet,
    /// The job as it is today.
    Today,
}

/// A plan at one acceleration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trade {
    /// The acceleration, mm/s².
    pub accel_mm_s2: f64,
    /// Amplitude that is not exceeded for 95 % of the extruding time, along the direction where it is largest, mm.
    pub p95_mm: f64,
    /// Largest amplitude on extruding moves, mm.
    pub peak_mm: f64,
    /// Time of the job, waits for the last impulse included, s.
    pub time_s: f64,
    /// True when no plan of any candidate has both less ringing (95 %) and less time.
    pub undominated: bool,
}

/// No shaper, or one for each axis with a mode.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// The shapers.
    pub shapers: Shapers,
    /// True for what the sheet has today.
    pub present: bool,
    /// Time from the first impulse to the last, s; 0 without a shaper.
    pub duration_s: f64,
    /// What it does to corners at the job's speeds of today.
    pub rounding: Rounding,
    /// How long the machine waits for the last impulse in all, s: part of every time here.
    pub waits_s: f64,
    /// Ringing left on this job today.
    pub today: Trade,
    /// All accelerations tried in the scan, ascending.
    pub scan: Vec<Trade>,
    /// The largest acceleration at which the ringing stays accepted, with none on the way from the lowest at which it does
    /// not; none when it is too much at the lowest already.
    pub equal: Option<Trade>,
    /// True when that is the highest value tried.
    pub equal_is_highest: bool,
}

/// What became of the candidates.
#[derive(Debug, Clone, PartialEq)]
pub struct Shaping {
    /// Accepted ringing (95 % of the extruding time), mm, and where it is from.
    pub limit_mm: f64,
    /// See `limit_mm`.
    pub limit_from: LimitFrom,
    /// What is varied.
    pub raised: RaisedKey,
    /// Its value today, mm/s².
    pub today_mm_s2: f64,
    /// True when varying it changes the time of the job.
    pub has_effect: bool,
    /// How often the machine waits until it stands still.
    pub stops: u64,
    /// The least time at the accepted ringing first.
    pub candidates: Vec<Candidate>,
    /// Other ramps, all else as it is today: the least ringing first.
    pub ramps: Vec<RampTrade>,
    /// True where commands come late on this job today: the ramps are then compared as if all came in time, since not all of
    /// them can be planned otherwise.
    pub ramps_in_time: bool,
    /// How many plans were made.
    pub plans: usize,
}

/// What a ramp leaves of the ringing of a job, and its price in time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RampTrade {
    /// How the speed changes within moves.
    pub ramp: Ramp,
    /// True for what the sheet has today.
    pub present: bool,
    /// Today's acceleration.
    pub today: Trade,
}

/// A jerk beyond which it limits nothing, mm/s³.
const NO_JERK_LIMIT: f64 = 1e12;

/// The ramp of the sheet, and the others: evenly, along a quintic, and with a jerk that takes a period of the lowest mode of
/// x and y to build up the acceleration, which then leaves no waves of it (the transform of a rectangle is 0 there).
fn ramps(machine: &Machine, accel_mm_s2: f64) -> Vec<Ramp> {
    let lowest = |axis: usize| {
        let acts = |mode: &&Mode| mode.along != Direction::Z && mode.along.vector()[axis] != 0.0;
        machine.structure.modes.iter().filter(acts).map(|mode| mode.natural_hz).reduce(f64::min)
    };
    let mut list = vec![machine.motion.ramp];
    let jerk = |axis: usize| lowest(axis).map(|hz| rounded(accel_mm_s2 * hz).clamp(1.0, NO_JERK_LIMIT));
    let limited = match [jerk(0), jerk(1)] {
        [None, None] => None,
        [x, y] => Some([x.or(y), y.or(x)].map(|jerk| jerk.unwrap_or(NO_JERK_LIMIT))),
    };
    let limited = limited.map(|[x, y]| Ramp::JerkLimited([x, y, NO_JERK_LIMIT, NO_JERK_LIMIT]));
    for ramp in [Some(Ramp::Trapezoid), Some(Ramp::SameTimeQuintic), limited].into_iter().flatten() {
        if !list.contains(&ramp) {
            list.push(ramp);
        }
    }
    list
}

/// No shaper, that of the sheet, and each kind at the modes that swing along X and Y.
pub fn candidates(structure: &Structure) -> Vec<Shapers> {
    let mut list: Vec<Shapers> = vec![[None, None]];
    if structure.shapers.iter().any(Option::is_some) {
        list.push(structure.shapers);
    }
    let of = |axis: usize| -> Vec<Option<Mode>> {
        let acts = |mode: &&Mode| mode.along != Direction::Z && mode.along.vector()[axis] != 0.0;
        let modes: Vec<_> = structure.modes.iter().filter(acts).map(|mode| Some(*mode)).collect();
        if modes.is_empty() { vec![None] } else { modes }
    };
    let (mut x, mut y) = (of(0), of(1));
    if x.len() * y.len() > PAIRS_MOST {
        x.truncate(1);
        y.truncate(1);
    }
    for kind in ShaperKind::ALL {
        for x in &x {
            for y in &y {
                let at = |mode: &Option<Mode>| {
                    let shaper = |mode: Mode| ImpulseShaper {
                        kind,
                        tuned_hz: mode.natural_hz,
                        tuned_damping_ratio: mode.damping_ratio,
                    };
                    mode.map(shaper)
                };
                let pair = [at(x), at(y)];
                if !list.contains(&pair) {
                    list.push(pair);
                }
            }
        }
    }
    list
}

/// Time from the first impulse to the last, s.
fn duration_s(shapers: &Shapers) -> f64 {
    let of = |shaper: &ImpulseShaper| impulses(shaper).last().map_or(0.0, |(_, delay_s)| *delay_s);
    shapers.iter().flatten().map(of).fold(0.0, f64::max)
}

/// How long the machine waits in all for the last impulse where it stands still so many times, s.
pub(super) fn waits_s(shapers: &Shapers, stops: u64) -> f64 {
    stops as f64 * duration_s(shapers)
}

/// What the observers of today's plan know of the candidates.
pub(super) struct Seen {
    /// For each of [`candidates`].
    pub(super) roundings: Vec<Rounding>,
    pub(super) stops: u64,
    /// Whether commands come late today.
    pub(super) starves: bool,
}

/// Plans to make: one motion behind several pairs of shapers.
struct PlanRequest {
    machine: Machine,
    accel_mm_s2: f64,
    shapers: Vec<Shapers>,
    stops: u64,
}

impl PlanRequest {
    /// A plan for each pair of shapers.
    fn plans(&self, kept: &LoadedJob) -> Vec<Trade> {
        let (time_s, ringing) = kept.ringing(&self.machine, &self.shapers);
        let trade = |(shapers, ringing): (&Shapers, Vec<Ringing>)| Trade {
            accel_mm_s2: self.accel_mm_s2,
            p95_mm: ringing.iter().filter_map(|ringing| ringing.p95_mm).fold(0.0, f64::max),
            peak_mm: ringing.iter().map(|ringing| ringing.peak_mm).fold(0.0, f64::max),
            time_s: time_s + waits_s(shapers, self.stops),
            undominated: false,
        };
        self.shapers.iter().zip(ringing).map(trade).collect()
    }
}

/// Makes plans of one job with whoever of a pool has nothing else to do.
struct Plans<'a, 'e> {
    kept: &'a Arc<LoadedJob>,
    machine: &'a Machine,
    raised: RaisedKey,
    stops: u64,
    helpers: &'a HelperPool<'e>,
    made: usize,
}

impl Plans<'_, '_> {
    /// A plan for each pair of shapers and acceleration; those with the same acceleration are made together.
    fn make<'s>(&mut self, wanted: impl Iterator<Item = (&'s Shapers, f64)>) -> Vec<Trade> {
        let wanted: Vec<(&Shapers, f64)> = wanted.collect();
        let mut together: BTreeMap<u64, Vec<usize>> = BTreeMap::new();
        for (at, (_, accel_mm_s2)) in wanted.iter().enumerate() {
            together.entry(accel_mm_s2.to_bits()).or_default().push(at);
        }
        let ask = |(bits, places): (&u64, &Vec<usize>)| {
            let accel_mm_s2 = f64::from_bits(*bits);
            PlanRequest {
                machine: self.raised.turned(self.machine, accel_mm_s2),
                accel_mm_s2,
                shapers: places.iter().map(|at| *wanted[*at].0).collect(),
                stops: self.stops,
            }
        };
        let made = self.plan(together.iter().map(ask).collect());
        let mut placed: Vec<(usize, Trade)> = together.into_values().flatten().zip(made).collect();
        placed.sort_by_key(|(at, _)| *at);
        placed.into_iter().map(|(_, trade)| trade).collect()
    }

    /// A plan for each ramp at today's acceleration, with the shapers of the sheet, as if all commands came in time: plans
    /// with a limited jerk do not follow late ones, and plans that do are no match for them.
    fn with_ramps(&mut self, ramps: &[Ramp], accel_mm_s2: f64) -> Vec<Trade> {
        let ask = |ramp: &Ramp| {
            let mut machine = self.machine.clone();
            machine.motion.ramp = *ramp;
            arrivals::in_time(&mut machine);
            let shapers = vec![machine.structure.shapers];
            PlanRequest { machine, accel_mm_s2, shapers, stops: self.stops }
        };
        self.plan(ramps.iter().map(ask).collect())
    }

    fn plan(&mut self, asks: Vec<PlanRequest>) -> Vec<Trade> {
        self.made += asks.iter().map(|ask| ask.shapers.len()).sum::<usize>();
        let kept = self.kept.clone();
        self.helpers.share(asks, move |ask| ask.plans(&kept)).into_iter().flatten().collect()
    }

    /// Closes in on the largest acceleration at which the ringing stays accepted, for all candidates at once.
    fn narrow(&mut self, list: &[Shapers], sides: &mut [Sides], limit_mm: f64) {
        for _ in 0..ROUNDS {
            let open = list.iter().zip(&*sides).filter_map(|(shapers, sides)| Some((shapers, sides.between()?)));
            let found = self.make(open);
            if found.is_empty() {
                return;
            }
            let open = sides.iter_mut().filter(|sides| sides.between().is_some());
            open.zip(found).for_each(|(sides, found)| sides.narrow(found, limit_mm));
        }
    }
}

/// Plans all candidates with whoever of `helpers` has nothing else to do.
pub(super) fn shape(
    kept: &Arc<LoadedJob>,
    machine: &Machine,
    limit_mm: Option<f64>,
    sets_limits: bool,
    seen: Seen,
    helpers: &HelperPool<'_>,
) -> Shaping {
    let raised = if sets_limits { RaisedKey::Axes } else { RaisedKey::Printing };
    let (values, today_mm_s2) = (raised.scan(machine), raised.today(machine));
    let list = candidates(&machine.structure);
    let mut plans = Plans { kept, machine, raised, stops: seen.stops, helpers, made: 0 };
    let scanned = plans.make(list.iter().flat_map(|shapers| values.iter().map(move |value| (shapers, *value))));
    let scans: Vec<&[Trade]> = scanned.chunks(values.len().max(1)).collect();
    let today = |scan: &[Trade]| scan.iter().find(|trade| trade.accel_mm_s2 == today_mm_s2).copied();
    let present = list.iter().position(|shapers| *shapers == machine.structure.shapers);
    let now = present.and_then(|at| today(scans[at]));
    let (limit_mm, limit_from) = accepted(limit_mm, machine, now);
    let mut sides: Vec<Sides> = scans.iter().map(|scan| Sides::of(scan, limit_mm)).collect();
    plans.narrow(&list, &mut sides, limit_mm);
    let candidate = |(at, (shapers, sides)): (usize, (&Shapers, &Sides))| {
        Some(Candidate {
            shapers: *shapers,
            present: Some(at) == present,
            duration_s: duration_s(shapers),
            waits_s: waits_s(shapers, seen.stops),
            rounding: seen.roundings.get(at).copied().unwrap_or_default(),
            today: today(scans[at])?,
            scan: scans[at].to_vec(),
            equal: sides.stands,
            equal_is_highest: sides.stands.is_some() && sides.fails.is_none(),
        })
    };
    let mut found: Vec<Candidate> = list.iter().zip(&sides).enumerate().filter_map(candidate).collect();
    mark_undominated(&mut found);
    found.sort_by(|a, b| cost(a).partial_cmp(&cost(b)).unwrap_or(std::cmp::Ordering::Equal));
    let ramps = ramps(machine, today_mm_s2);
    let trades = plans.with_ramps(&ramps, today_mm_s2);
    let with_ramp = |(ramp, today)| RampTrade { ramp, present: ramp == machine.motion.ramp, today };
    let mut ramps: Vec<RampTrade> = ramps.into_iter().zip(trades).map(with_ramp).collect();
    ramps.sort_by(|a, b| a.today.p95_mm.total_cmp(&b.today.p95_mm));
    let (has_effect, stops, ramps_in_time) = (found.iter().any(Candidate::varies), seen.stops, seen.starves);
    Shaping {
        limit_mm,
        limit_from,
        raised,
        today_mm_s2,
        has_effect,
        stops,
        candidates: found,
        ramps,
        ramps_in_time,
        plans: plans.made,
    }
}

/// The accepted ringing, mm, and where it is from.
fn accepted(asked_mm: Option<f64>, machine: &Machine, now: Option<Trade>) -> (f64, LimitFrom) {
    match (asked_mm, machine.structure.ringing_limit_mm) {
        (Some(asked), _) => (asked, LimitFrom::Asked),
        (None, Some(sheet)) => (sheet, LimitFrom::Sheet),
        (None, None) => (now.map_or(0.0, |trade| trade.p95_mm), LimitFrom::Today),
    }
}

impl Candidate {
    /// True when the time of the job is not the same at all accelerations.
    fn varies(&self) -> bool {
        self.scan.windows(2).any(|pair| pair[0].time_s != pair[1].time_s)
    }
}

/// What candidates are ranked by: the time at the accepted ringing, then what they leave today, then their duration.
fn cost(candidate: &Candidate) -> (f64, f64, f64) {
    let time_s = candidate.equal.map_or(f64::INFINITY, |trade| trade.time_s);
    (time_s, candidate.today.p95_mm, candidate.duration_s)
}

/// The last value that stands, and the first that does not.
struct Sides {
    stands: Option<Trade>,
    fails: Option<Trade>,
}

impl Sides {
    fn of(scan: &[Trade], limit_mm: f64) -> Self {
        let fails = scan.iter().position(|trade| trade.p95_mm > limit_mm);
        let stands = fails.unwrap_or(scan.len()).checked_sub(1).map(|at| scan[at]);
        Self { stands, fails: fails.map(|at| scan[at]) }
    }

    /// A value between the two; none when they are neighbours or one is missing.
    fn between(&self) -> Option<f64> {
        let (low, high) = (self.stands?.accel_mm_s2, self.fails?.accel_mm_s2);
        let middle = rounded((low * high).sqrt());
        (middle > low && middle < high).then_some(middle)
    }

    fn narrow(&mut self, found: Trade, limit_mm: f64) {
        let side = if found.p95_mm > limit_mm { &mut self.fails } else { &mut self.stands };
        *side = Some(found);
    }
}

/// Marks what no other plan betters in both ringing and time; among equals all are marked.
fn mark_undominated(candidates: &mut [Candidate]) {
    let all: Vec<(f64, f64)> =
        candidates.iter().flat_map(|of| &of.scan).map(|trade| (trade.p95_mm, trade.time_s)).collect();
    let betters = |a: (f64, f64), b: (f64, f64)| a.0 <= b.0 && a.1 <= b.1 && a != b;
    for trade in candidates.iter_mut().flat_map(|of| &mut of.scan) {
        let own = (trade.p95_mm, trade.time_s);
        trade.undominated = !all.iter().any(|other| betters(*other, own));
    }
}
