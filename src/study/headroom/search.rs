//! The search: a scan of each range, then bisection of each change of the verdict, on plans of one kept job.

use std::path::Path;
use std::sync::Arc;

use super::plans::{self, Depth, Plan, PlanRequest, Planning};
use super::{Crossing, Direction, Headroom, Point, Range, RangeRequest, WishError, beyond, found, known};
use crate::machine::{
    ChangeError, Machine, VariableSheet,
    keys::{self, Kind},
};
use crate::preflight::{JobError, JobSource, LoadedJob, Preflight, RunContext};
use crate::threads::HelperPool;
use crate::workshop::audit::audit;

/// Values of the scan beyond today's.
pub const SCAN_POINTS: usize = 16;
/// Largest step of a scan that is refined, as a share: half of a mode's usual band of ±2 %.
pub const FINE_STEP: f64 = 0.02;
/// A change of the verdict is closed in on to this share of the value.
pub const CLOSE_ENOUGH: f64 = 2e-4;
/// What is added to targets of a nozzle goes in equal steps of this, °C: it is 0 today, and has no ratios…
pub const OFFSET_STEP_C: f64 = 2.0;
/// …and is closed in on to this.
pub const OFFSET_CLOSE_C: f64 = 0.1;
/// Digits of the values tried: what is reported is what was planned.
const DIGITS: usize = 5;

/// Values of a wish from today's on: [`SCAN_POINTS`] in equal ratios up to `factor` times as much, or as little; offsets of a
/// nozzle's targets in equal steps of [`OFFSET_STEP_C`].
///
/// # Errors
/// When the key is none, or has no number to start from.
pub fn scan(machine: &Machine, wish: &RangeRequest, factor: f64) -> Result<Vec<f64>, WishError> {
    let Some(today) = machine.number_at(&wish.key) else {
        // A key that is none says so.
        machine.with(&wish.key, "0").map(drop).or_else(|error| match error {
            ChangeError::NoKey { .. } | ChangeError::Table { .. } | ChangeError::NoTable { .. } => Err(error),
            _ => Ok(()),
        })?;
        let set = machine.origins.iter().any(|origin| origin.path == wish.key && !origin.value.is_empty());
        return Err(if set { WishError::NoNumber(wish.key.clone()) } else { WishError::NoValue(wish.key.clone()) });
    };
    if wish.is_offset() {
        let step_c = if wish.direction == Direction::Raise { OFFSET_STEP_C } else { -OFFSET_STEP_C };
        return Ok((0..=SCAN_POINTS).map(|k| today + step_c * k as f64).collect());
    }
    if today <= 0.0 {
        return Err(WishError::NotPositive(wish.key.clone()));
    }
    let far = match wish.direction {
        Direction::Raise => factor,
        Direction::Lower => 1.0 / factor,
    };
    let mut values = vec![today];
    for k in 1..=SCAN_POINTS {
        let value = rounded(wish, today * far.powf(k as f64 / SCAN_POINTS as f64));
        let further = |from: f64| if far > 1.0 { value > from } else { value < from };
        if values.last().is_some_and(|last| further(*last)) {
            values.push(value);
        }
    }
    Ok(values)
}

/// True for keys that take whole numbers only.
fn is_whole(wish: &RangeRequest) -> bool {
    let key = keys::find(&keys::template(&wish.key));
    matches!(key.map(|key| key.kind), Some(Kind::Integer { .. } | Kind::CountOrWord { .. }))
}

/// To [`DIGITS`] digits, or to a whole number where the key takes no other.
fn rounded(wish: &RangeRequest, value: f64) -> f64 {
    if is_whole(wish) {
        return value.round();
    }
    format!("{value:.*e}", DIGITS - 1).parse().unwrap_or(value)
}

/// Finds out how far each request may go on the job at `path`, up to `factor` times today's value, with whoever of `helpers`
/// has nothing else to do. Wishes must have passed [`scan`].
///
/// # Errors
/// When the job cannot be read, or not again where a key changes what is read.
pub fn explore<'e>(
    path: &Path,
    machine: &Machine,
    wishes: &[RangeRequest],
    factor: f64,
    context: RunContext<'_, 'e>,
) -> Result<Headroom, JobError> {
    let kept = Arc::new(Preflight::on(machine).within(context).load(JobSource::at(path))?);
    explore_kept(&kept, path, machine, wishes, factor, context.helpers())
}

/// The same on a job that was kept as `machine` reads it; `path` is where it can be read again.
///
/// # Errors
/// Like [`explore`].
pub fn explore_kept(
    kept: &Arc<LoadedJob>,
    path: &Path,
    machine: &Machine,
    wishes: &[RangeRequest],
    factor: f64,
    helpers: &HelperPool<'_>,
) -> Result<Headroom, JobError> {
    let today = kept.judge(machine);
    let planning = Planning {
        kept: kept.clone(),
        path: path.to_owned(),
        known: Arc::new(known(&today)),
        audit: Arc::new(audit(machine)),
    };
    let sheet = &machine.variable();
    let (mut asks, mut ranges) = (Vec::new(), Vec::new());
    for wish in wishes {
        let first = Point {
            value: machine.number_at(&wish.key).unwrap_or(f64::NAN),
            time_s: today.time_with_waiting_s(),
            stop: None,
            gone: Vec::new(),
            found: found(&today),
        };
        let unit = keys::find(&keys::template(&wish.key)).map_or("", |key| key.unit);
        let mut range = Range {
            wish: wish.clone(),
            unit,
            points: vec![first],
            crossings: Vec::new(),
            end: None,
            within: None,
            capped_by: None,
        };
        let before = asks.len();
        let values: Vec<f64> = scan(machine, wish, factor).unwrap_or_default().into_iter().skip(1).collect();
        for value in &values {
            match planning.machine(sheet, wish, *value) {
                Ok(machine) => asks.push(PlanRequest { machine, depth: depth(wish, Depth::Timed) }),
                Err(why) => {
                    range.end = Some(why);
                    break;
                }
            }
        }
        ranges.push((range, values, asks.len() - before));
    }
    let mut plans = asks.len() + 1;
    let mut scanned = plans::make(&planning, asks, helpers)?.into_iter();
    let filled = ranges.into_iter().map(|(mut range, values, tried)| {
        range
            .points
            .extend(values.into_iter().zip(scanned.by_ref().take(tried)).map(|(value, plan)| point(value, plan)));
        range
    });
    let mut ranges: Vec<Range> = filled.collect();
    plans += refine(&planning, sheet, &mut ranges, helpers)?;
    plans += close_in(&planning, sheet, &mut ranges, helpers)?;
    plans += beyond::find_within(&planning, sheet, &mut ranges, factor, helpers)?;
    plans += beyond::find_caps(&planning, sheet, &mut ranges, helpers)?;
    Ok(Headroom { today, ranges, plans })
}

/// Halves the steps of scans over feed rates where the machine has modes, until they are at most [`FINE_STEP`] wherever the
/// job feels them and nothing stops it yet; how many plans that took.
fn refine(
    planning: &Planning,
    sheet: &VariableSheet<'_>,
    ranges: &mut [Range],
    helpers: &HelperPool<'_>,
) -> Result<usize, JobError> {
    if sheet.machine.structure.modes.is_empty() {
        return Ok(0);
    }
    let mut plans = 0;
    loop {
        let mut wanted: Vec<(usize, f64, Machine)> = Vec::new();
        for (at, range) in ranges.iter().enumerate() {
            if !range.wish.key.starts_with("motion.feed_rate_limit_mm_s.") {
                continue;
            }
            let felt = range.points.windows(2).filter(|pair| pair[0].time_s != pair[1].time_s);
            for pair in felt.filter(|pair| pair.iter().all(|point| point.stop.is_none())) {
                let (a, b) = (pair[0].value, pair[1].value);
                let middle = rounded(&range.wish, (a * b).sqrt());
                let wide = (a / b).max(b / a) > 1.0 + FINE_STEP && middle > a.min(b) && middle < a.max(b);
                if let Some(machine) = wide.then(|| planning.machine(sheet, &range.wish, middle).ok()).flatten() {
                    wanted.push((at, middle, machine));
                }
            }
        }
        if wanted.is_empty() {
            return Ok(plans);
        }
        plans += wanted.len();
        let places: Vec<(usize, f64)> = wanted.iter().map(|(at, value, _)| (*at, *value)).collect();
        let asks = wanted
            .into_iter()
            .map(|(at, _, machine)| PlanRequest { machine, depth: depth(&ranges[at].wish, Depth::Timed) });
        let asks = asks.collect();
        for ((at, value), plan) in places.into_iter().zip(plans::make(planning, asks, helpers)?) {
            ranges[at].points.push(point(value, plan));
        }
        for range in ranges.iter_mut() {
            let far = |point: &Point| (point.value / range.points[0].value).ln().abs();
            let mut order: Vec<usize> = (0..range.points.len()).collect();
            order.sort_by(|a, b| far(&range.points[*a]).total_cmp(&far(&range.points[*b])));
            range.points = order.into_iter().map(|at| range.points[at].clone()).collect();
        }
    }
}

/// Bisects all changes of the verdict together, a round of plans at a time; how many plans that took.
fn close_in(
    planning: &Planning,
    sheet: &VariableSheet<'_>,
    ranges: &mut [Range],
    helpers: &HelperPool<'_>,
) -> Result<usize, JobError> {
    let mut open: Vec<(usize, Point, Point)> = Vec::new();
    for (at, range) in ranges.iter().enumerate() {
        let changes = range.points.windows(2).filter(|pair| pair[0].stop.is_some() != pair[1].stop.is_some());
        open.extend(changes.map(|pair| (at, pair[0].clone(), pair[1].clone())));
    }
    let mut plans = 0;
    loop {
        let middles: Vec<(usize, f64, Machine)> = open
            .iter()
            .enumerate()
            .filter_map(|(place, (at, near, far))| {
                let wish = &ranges[*at].wish;
                let middle = between(wish, near.value, far.value)?;
                Some((place, middle, planning.machine(sheet, wish, middle).ok()?))
            })
            .collect();
        if middles.is_empty() {
            break;
        }
        let ask = |place: usize, machine: Machine| PlanRequest {
            machine,
            depth: depth(&ranges[open[place].0].wish, Depth::UntilStop),
        };
        let asks = middles.iter().map(|(place, _, machine)| ask(*place, machine.clone())).collect();
        plans += middles.len();
        for ((place, value, _), plan) in middles.into_iter().zip(plans::make(planning, asks, helpers)?) {
            let middle = point(value, plan);
            let (_, near, far) = &mut open[place];
            let side = if middle.stop.is_some() == near.stop.is_some() { near } else { far };
            *side = middle;
        }
    }
    Ok(plans + finish(planning, sheet, ranges, open, helpers)?)
}

/// Plans the failing sides to their end, so that the worst place is known.
fn finish(
    planning: &Planning,
    sheet: &VariableSheet<'_>,
    ranges: &mut [Range],
    open: Vec<(usize, Point, Point)>,
    helpers: &HelperPool<'_>,
) -> Result<usize, JobError> {
    let mut asks = Vec::new();
    for (at, near, far) in &open {
        let failing = if near.stop.is_some() { near } else { far };
        let changed = planning.machine(sheet, &ranges[*at].wish, failing.value);
        // It was planned before.
        let changed = changed.unwrap_or_else(|_| sheet.machine.clone());
        asks.push(PlanRequest { machine: changed, depth: depth(&ranges[*at].wish, Depth::Timed) });
    }
    let count = asks.len();
    for ((at, near, far), plan) in open.into_iter().zip(plans::make(planning, asks, helpers)?) {
        let (stands, fails) = if near.stop.is_some() { (far, near) } else { (near, far) };
        let fails = point(fails.value, plan);
        ranges[at].crossings.push(Crossing { stands, fails });
    }
    Ok(count)
}

pub(super) fn point(value: f64, plan: Plan) -> Point {
    Point { value, time_s: plan.time_s, stop: plan.stop, gone: plan.gone, found: plan.found }
}

/// A value between two, with few digits; none when they are close enough.
pub(super) fn between(wish: &RangeRequest, a: f64, b: f64) -> Option<f64> {
    if wish.is_offset() {
        return ((a - b).abs() > OFFSET_CLOSE_C).then(|| rounded(wish, (a + b) / 2.0));
    }
    if !is_whole(wish) && (a - b).abs() <= CLOSE_ENOUGH * a.abs().min(b.abs()) {
        return None;
    }
    let middle = rounded(wish, (a * b).sqrt());
    (middle > a.min(b) && middle < a.max(b)).then_some(middle)
}

/// Limits of motion change speeds and times only; other keys may change anything.
pub(super) fn depth(wish: &RangeRequest, depth: Depth) -> Depth {
    if wish.key.starts_with("motion.") { depth } else { Depth::All }
}
