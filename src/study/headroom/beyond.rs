//! What a scan alone does not tell: where a value would be that takes away what is found today, and which other limits
//! hold a key back.

use super::plans::{self, Depth, PlanRequest, Planning};
use super::search::{between, depth, point, scan};
use super::{Cap, Direction, Point, Range, RangeRequest};
use crate::machine::{Machine, VariableSheet};
use crate::preflight::JobError;
use crate::threads::HelperPool;

/// Each other's bounds: the acceleration of a kind of move and those of the axes that make it.
const BOUND_BY: [(&str, &[&str]); 7] = [
    ("motion.acceleration_mm_s2.printing", &["x", "y"]),
    ("motion.acceleration_mm_s2.travel", &["x", "y", "z"]),
    ("motion.acceleration_mm_s2.retraction", &["e"]),
    ("motion.acceleration_limit_mm_s2.x", &["printing", "travel"]),
    ("motion.acceleration_limit_mm_s2.y", &["printing", "travel"]),
    ("motion.acceleration_limit_mm_s2.z", &["travel"]),
    ("motion.acceleration_limit_mm_s2.e", &["retraction", "printing"]),
];

/// Where what stops a key from today's value on, because each step makes it worse, would be gone: closed in on the other
/// way. How many plans that took.
pub(super) fn find_within(
    planning: &Planning,
    sheet: &VariableSheet<'_>,
    ranges: &mut [Range],
    factor: f64,
    helpers: &HelperPool<'_>,
) -> Result<usize, JobError> {
    let mut plans = 0;
    for range in ranges.iter_mut() {
        let Some(check) = range.stop().filter(|stop| stop.worse.is_some() && !stop.by_audit).map(|s| s.check.clone())
        else {
            continue;
        };
        let back = RangeRequest {
            key: range.wish.key.clone(),
            direction: match range.wish.direction {
                Direction::Raise => Direction::Lower,
                Direction::Lower => Direction::Raise,
            },
        };
        let mut near = range.today().clone();
        let values = scan(sheet.machine, &back, factor).unwrap_or_default();
        let mut plan = |value: f64| -> Result<Option<Point>, JobError> {
            let Ok(machine) = planning.machine(sheet, &back, value) else { return Ok(None) };
            plans += 1;
            let asked = vec![PlanRequest { machine, depth: depth(&back, Depth::Timed) }];
            Ok(plans::make(planning, asked, helpers)?.into_iter().next().map(|plan| point(value, plan)))
        };
        // Every second value of the scan: this is the way nobody asked for.
        let mut far = None;
        for value in values.into_iter().skip(2).step_by(2) {
            match plan(value)? {
                Some(tried) if tried.gone.contains(&check) => {
                    far = Some(tried);
                    break;
                }
                Some(tried) => near = tried,
                None => break,
            }
        }
        let Some(mut within) = far else { continue };
        while let Some(value) = between(&back, near.value, within.value) {
            match plan(value)? {
                Some(tried) if tried.gone.contains(&check) => within = tried,
                Some(tried) => near = tried,
                None => break,
            }
        }
        range.within = Some(within);
    }
    Ok(plans)
}

/// Which other limits hold back a key whose last step gains nothing, and what raising all together would gain. How many
/// plans that took.
pub(super) fn find_caps(
    planning: &Planning,
    sheet: &VariableSheet<'_>,
    ranges: &mut [Range],
    helpers: &HelperPool<'_>,
) -> Result<usize, JobError> {
    let mut plans = 0;
    for range in ranges.iter_mut() {
        let Some((far, others)) = held_back(sheet.machine, range) else { continue };
        let all = |changes: &[(String, String)]| {
            let changes: Vec<(&str, &str)> =
                changes.iter().map(|(key, value)| (key.as_str(), value.as_str())).collect();
            sheet.with_all(&changes).ok().filter(|machine| planning.kept.suits(machine))
        };
        let text = format!("{far:?}");
        let alone: Vec<(String, String)> = others.iter().map(|key| (key.clone(), text.clone())).collect();
        let mut joint = alone.clone();
        joint.push((range.wish.key.clone(), text));
        let (Some(alone), Some(joint)) = (all(&alone), all(&joint)) else { continue };
        let asked = [alone, joint].map(|machine| PlanRequest { machine, depth: Depth::Timed });
        plans += asked.len();
        let made = plans::make(planning, asked.into(), helpers)?;
        let [alone, joint] = &made[..] else { continue };
        // Without this key the others gain as much: it is not what is held back.
        if joint.time_s < range.today().time_s && joint.time_s < alone.time_s {
            range.capped_by = Some(Cap { keys: others, value: far, time_s: joint.time_s, stop: joint.stop.clone() });
        }
    }
    Ok(plans)
}

/// The last value of a raise whose last step gained nothing, and the limits below it that may be why.
fn held_back(machine: &Machine, range: &Range) -> Option<(f64, Vec<String>)> {
    let [.., before, last] = &range.points[..] else { return None };
    if range.wish.direction != Direction::Raise || before.time_s != last.time_s {
        return None;
    }
    let (_, names) = BOUND_BY.iter().find(|(key, _)| *key == range.wish.key)?;
    let table = match range.wish.key.starts_with("motion.acceleration_mm_s2.") {
        true => "motion.acceleration_limit_mm_s2",
        false => "motion.acceleration_mm_s2",
    };
    let keys = names.iter().map(|name| format!("{table}.{name}"));
    let below = keys.filter(|key| machine.number_at(key).is_some_and(|value| value < last.value));
    let below: Vec<String> = below.collect();
    (!below.is_empty()).then_some((last.value, below))
}
