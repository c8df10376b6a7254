//! What the reading of a job gives, line by line: moves, changes of limits, and actions.

use super::ActionKind;
use crate::geometry::Curve;
use crate::machine::{CornerRule, Limits};

/// What one command asks for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Event {
    /// A move.
    Move(Move),
    /// New limits, for later moves.
    Limits(LimitChange),
    /// Anything else that has a place in time.
    Action {
        /// Line of the job.
        line: u64,
        /// Time it takes by its own words, s (waits for heaters are computed later).
        duration_s: f64,
        /// What it is.
        kind: ActionKind,
    },
}

/// A move: something with a path, or filament only.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Move {
    /// Line of the job.
    pub line: u64,
    /// Start, mm, machine coordinates.
    pub from: [f64; 3],
    /// End, mm.
    pub to: [f64; 3],
    /// Whether x, y, z are known at the end (they are not after probing).
    pub known: [bool; 3],
    /// Filament, mm; negative pulls it back.
    pub de: f64,
    /// Commanded speed, override included, mm/s.
    pub feed_mm_s: f64,
    /// Its shape, when it is no straight line.
    pub curve: Option<Curve>,
    /// Commands read since the previous move, this one included.
    pub commands: u32,
    /// Bytes read since the previous move's line, this line included.
    pub bytes: u32,
}

/// Limits set by M201, M203, M204, M205. Index order X, Y, Z, E.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LimitChange {
    /// mm/s.
    pub feed_rate_mm_s: [Option<f64>; 4],
    /// mm/s².
    pub acceleration_mm_s2: [Option<f64>; 4],
    /// mm/s².
    pub printing_mm_s2: Option<f64>,
    /// mm/s².
    pub travel_mm_s2: Option<f64>,
    /// mm/s².
    pub retraction_mm_s2: Option<f64>,
    /// mm/s.
    pub jerk_mm_s: [Option<f64>; 4],
    /// mm.
    pub junction_deviation_mm: Option<f64>,
    /// Speed through a right-angled corner, mm/s: jerk and junction deviation follow from it.
    pub right_angle_mm_s: Option<f64>,
    /// Lead of the filament in use, s: none of the limits of motion, but some controllers lower the acceleration by it.
    pub lead_s: Option<f64>,
}

/// How many limits a job can set.
pub const LIMITS_IN_JOB: usize = 16;

/// How a job sets one limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimitSet {
    /// Lowest value.
    pub least: f64,
    /// Highest value.
    pub most: f64,
    /// How often.
    pub count: u64,
    /// Line of the first.
    pub line: u64,
    /// Line of the highest.
    pub most_line: u64,
}

/// How a job sets each limit, in the order of [`LimitChange::in_order`].
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LimitsSet(pub [Option<LimitSet>; LIMITS_IN_JOB]);

impl LimitsSet {
    /// Takes a change.
    pub fn take(&mut self, change: &LimitChange, line: u64) {
        for (known, value) in self.0.iter_mut().zip(change.in_order()) {
            let Some(value) = value else { continue };
            let known = known.get_or_insert(LimitSet { least: value, most: value, count: 0, line, most_line: line });
            if value > known.most {
                (known.most, known.most_line) = (value, line);
            }
            known.least = known.least.min(value);
            known.count += 1;
        }
    }

    /// True when there is any.
    pub fn any(&self) -> bool {
        self.0.iter().any(Option::is_some)
    }
}

/// Whether a limit, by its place in the order of [`LimitChange::in_order`], plays a part under a corner rule.
pub fn limit_matters(at: usize, corner: CornerRule) -> bool {
    match corner {
        CornerRule::Jerk | CornerRule::JerkByLargerSpeed => at != DEVIATION,
        CornerRule::JunctionDeviation => !JERKS.contains(&at),
    }
}

/// Where jerks begin and end in that order, and where the junction deviation is.
const JERKS: std::ops::Range<usize> = 8..12;
const DEVIATION: usize = 15;

/// The limits of a machine in the order of [`LimitChange::in_order`].
pub fn limits_in_order(limits: &Limits) -> [f64; LIMITS_IN_JOB] {
    let [fx, fy, fz, fe] = limits.feed_rate_mm_s;
    let [ax, ay, az, ae] = limits.acceleration_mm_s2;
    let [jx, jy, jz, je] = limits.jerk_mm_s;
    let Limits { printing_mm_s2, travel_mm_s2, retraction_mm_s2, junction_deviation_mm, .. } = *limits;
    let [p, t, r, d] = [printing_mm_s2, travel_mm_s2, retraction_mm_s2, junction_deviation_mm];
    [fx, fy, fz, fe, ax, ay, az, ae, jx, jy, jz, je, p, t, r, d]
}

impl LimitChange {
    /// Speeds of X, Y, Z, E, accelerations of them, jerks of them, accelerations of printing, travel and retraction,
    /// junction deviation.
    pub fn in_order(&self) -> [Option<f64>; LIMITS_IN_JOB] {
        let [fx, fy, fz, fe] = self.feed_rate_mm_s;
        let [ax, ay, az, ae] = self.acceleration_mm_s2;
        let [jx, jy, jz, je] = self.jerk_mm_s;
        let [p, t, r] = [self.printing_mm_s2, self.travel_mm_s2, self.retraction_mm_s2];
        [fx, fy, fz, fe, ax, ay, az, ae, jx, jy, jz, je, p, t, r, self.junction_deviation_mm]
    }

    /// The lead alone; none where it stays.
    pub(crate) fn lead_alone(&self) -> Option<Self> {
        self.lead_s.map(|lead_s| Self { lead_s: Some(lead_s), ..Self::default() })
    }

    /// Adds a later change.
    pub(crate) fn join(&mut self, later: &Self) {
        let set = |old: &mut Option<f64>, new: Option<f64>| *old = new.or(*old);
        for axis in 0..4 {
            set(&mut self.feed_rate_mm_s[axis], later.feed_rate_mm_s[axis]);
            set(&mut self.acceleration_mm_s2[axis], later.acceleration_mm_s2[axis]);
            set(&mut self.jerk_mm_s[axis], later.jerk_mm_s[axis]);
        }
        set(&mut self.printing_mm_s2, later.printing_mm_s2);
        set(&mut self.travel_mm_s2, later.travel_mm_s2);
        set(&mut self.retraction_mm_s2, later.retraction_mm_s2);
        set(&mut self.junction_deviation_mm, later.junction_deviation_mm);
        set(&mut self.right_angle_mm_s, later.right_angle_mm_s);
        set(&mut self.lead_s, later.lead_s);
    }

    /// Carries the change out.
    pub(crate) fn apply(&self, limits: &mut Limits) {
        let set = |old: &mut f64, new: Option<f64>| *old = new.unwrap_or(*old);
        for axis in 0..4 {
            set(&mut limits.feed_rate_mm_s[axis], self.feed_rate_mm_s[axis]);
            set(&mut limits.acceleration_mm_s2[axis], self.acceleration_mm_s2[axis]);
            set(&mut limits.jerk_mm_s[axis], self.jerk_mm_s[axis]);
        }
        set(&mut limits.printing_mm_s2, self.printing_mm_s2);
        set(&mut limits.travel_mm_s2, self.travel_mm_s2);
        set(&mut limits.retraction_mm_s2, self.retraction_mm_s2);
        set(&mut limits.junction_deviation_mm, self.junction_deviation_mm);
        set(&mut limits.lead_s, self.lead_s);
        if let Some(speed) = self.right_angle_mm_s {
            // One axis stops as the other starts, so each changes by the speed; and v² = a δ / (√2 − 1), for the half of a
            // right angle in v² = a δ sin θ / (1 − sin θ) (geometry, derived in `motion::corner`).
            limits.jerk_mm_s[..2].fill(speed);
            limits.junction_deviation_mm = speed * speed * (2f64.sqrt() - 1.0) / limits.printing_mm_s2;
        }
    }
}
