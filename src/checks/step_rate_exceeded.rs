//! Motors asked for more steps a second than the controller makes.

use crate::block::{Block, flag};
use crate::findings::{Built, Check, Explanation, Hit, Inspection, Log, Observer, Severity, Spot, StepRate};
use crate::geometry::{Curve, along, largest_share};
use crate::machine::{DriveLayout, E, Machine, Override};
use crate::vectors::columns::{self, larger, smaller};
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "step-rate-exceeded",
    topic: "step rate",
    severity: Severity::Hold,
    summary: "A motor is asked for more steps a second than the controller makes.",
    explain: Explanation {
        what: "at the top speed of a move, a motor needs more steps a second than the controller can make.",
        why: "a controller at its limit slows down, stutters or loses steps, after which everything is printed in the \
wrong place. Finer micro-steps and a new board change the limit, so it is worth a look after each re-boarding.",
        how: "highest planned speed of the move in mm/s, times the share of it that a motor sees, times \
`steps_per_mm` (micro-steps counted), in Hz, compared with `step_rate_limit_hz`. With a motor per axis the share is the \
component of the direction; with crossed belts the two motors see x + y and x - y, both with the steps of x. With three \
towers at 90, 210 and 330 degrees around the middle of the x and y ranges a carriage stands at \
z + sqrt(arm² - distance²) and moves at uz - (d · u) / sqrt(arm² - d²) for each mm, d from tower to nozzle in x and y, \
u the direction; all carriages have the steps of x. That share only falls along a straight move, so its start and end \
are enough. These follow from the geometry. On curves the largest share along the curve counts; for towers, that at \
places two degrees of turning apart. Top speed and largest share may fall at different points, so the rate is an upper bound. Axes \
without `steps_per_mm` are not judged, nor are towers without `[motion.towers]`.",
        remedy: "slice slower, use coarser micro-steps, or correct the limit from the documents of the board and a test.",
    },
    heat_or_travel: false,
    timed: true,
    unchecked: None,
    build,
};

fn build(machine: &Machine, _: &str) -> Built {
    let limit_hz = machine.controller.step_rate_limit_hz;
    let check =
        limit_hz.ok_or("[controller] step_rate_limit_hz").and_then(|limit| StepRateExceeded::new(machine, limit));
    match check {
        Ok(check) => Built::Watching(Box::new(check)),
        Err(missing) => Built::Skipped(format!("the sheet gives no `{missing}`")),
    }
}

/// What measures the rates where the check is not made; none where it is, or where nothing is known of the motors.
pub(crate) fn measured_only(machine: &Machine) -> Option<Box<dyn Observer>> {
    let off = machine.severities.get(CHECK.id) == Some(&Override::Off);
    if machine.controller.step_rate_limit_hz.is_some() && !off {
        return None;
    }
    StepRateExceeded::new(machine, f64::INFINITY).ok().map(|rates| Box::new(rates) as Box<dyn Observer>)
}

struct StepRateExceeded {
    limit_hz: f64,
    linear: Linear,
    towers: Option<Towers>,
    extruder_steps: f64,
    /// The largest rate of each motor so far, Hz, and its line; X, Y, Z (or towers 1, 2, 3), extruder.
    most: [(f64, u64); 4],
}

impl StepRateExceeded {
    /// The check of this machine, or the key it lacks.
    fn new(machine: &Machine, limit_hz: f64) -> Result<Self, &'static str> {
        let [x, y, z, e] = machine.controller.steps_per_mm.map(Option::unwrap_or_default);
        let still = Linear { names: TOWERS, steps: [[0.0; 3]; 3] };
        let (linear, towers) = match machine.motion.drive_layout {
            DriveLayout::OnePerAxis => {
                (Linear { names: ["X", "Y", "Z"], steps: [[x, 0.0, 0.0], [0.0, y, 0.0], [0.0, 0.0, z]] }, None)
            }
            DriveLayout::CrossedBelts => {
                let names = ["of the x + y belt", "of the x − y belt", "Z"];
                (Linear { names, steps: [[x, x, 0.0], [x, -x, 0.0], [0.0, 0.0, z]] }, None)
            }
            DriveLayout::ThreeTowers { arms_mm } => (still, arms_mm.map(|arms| Towers::new(machine, arms, x))),
        };
        let judged = linear.steps.iter().flatten().any(|&steps| steps != 0.0) || towers.is_some() && x > 0.0;
        if !judged && e == 0.0 {
            let bare = matches!(machine.motion.drive_layout, DriveLayout::ThreeTowers { arms_mm: None }) && x > 0.0;
            return Err(if bare { "[motion.towers]" } else { "[controller] steps_per_mm" });
        }
        Ok(Self { limit_hz, linear, towers, extruder_steps: e, most: [(0.0, 0); 4] })
    }

    /// Rates that must be looked at: above the limit, or larger than the motor had so far.
    fn bounds_hz(&self) -> [f64; 4] {
        self.most.map(|(most_hz, _)| most_hz.min(self.limit_hz * ROUNDING))
    }

    fn motor(&self, motor: usize) -> &'static str {
        if motor == E { "of the extruder" } else { self.linear.names[motor] }
    }

    /// True when the steps of the motor are known.
    fn knows(&self, motor: usize) -> bool {
        match motor {
            E => self.extruder_steps > 0.0,
            _ => self.linear.steps[motor] != [0.0; 3] || self.towers.as_ref().is_some_and(|towers| towers.steps > 0.0),
        }
    }
}

/// Room for rounding above the limit.
const ROUNDING: f64 = 1.0 + 1e-9;
const TOWERS: [&str; 3] = ["of tower 1", "of tower 2", "of tower 3"];

/// Motors whose speed is a fixed combination of x, y and z: steps for each mm of each axis.
struct Linear {
    names: [&'static str; 3],
    steps: [[f64; 3]; 3],
}

struct Towers {
    arm_squared: f64,
    at: [[f64; 2]; 3],
    steps: f64,
    /// Bound of the share for horizontal motion anywhere in the x and y ranges.
    steepest: f64,
}

impl Observer for StepRateExceeded {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let bounds_hz = self.bounds_hz();
        if !self.calm(block, bounds_hz) {
            (0..block.len()).for_each(|i| self.judge(block, i, log));
            return;
        }
        for bend in &block.curves {
            let most_hz = self.linear.most_on_curves().map(|steps_per_mm| block.v_peak_mm_s[bend.at] * steps_per_mm);
            if (0..3).any(|motor| most_hz[motor] > bounds_hz[motor]) {
                self.judge(block, bend.at, log);
            }
        }
    }

    fn finish(&mut self, draft: &mut Inspection, _log: &mut Log) {
        let known = (0..4).filter(|&motor| self.knows(motor)).map(|motor| {
            let (hz, line) = self.most[motor];
            StepRate { motor: self.motor(motor).into(), hz, line: (line > 0).then_some(line) }
        });
        draft.step_rates = known.collect();
    }
}

impl StepRateExceeded {
    fn judge(&mut self, block: &Block, i: usize, log: &mut Log) {
        let (speed, line) = (block.v_peak_mm_s[i], block.line[i]);
        for (motor, steps_per_mm) in self.shares(block, i).into_iter().enumerate() {
            let rate_hz = speed * steps_per_mm;
            if rate_hz > self.most[motor].0 {
                self.most[motor] = (rate_hz, line);
            }
            if rate_hz > self.limit_hz * ROUNDING {
                raise(log, line, motor, self.motor(motor), [rate_hz, self.limit_hz, speed]);
            }
        }
    }

    /// Largest steps per mm of each motor during move `i`.
    fn shares(&self, block: &Block, i: usize) -> [f64; 4] {
        let dir = [block.dir[0][i], block.dir[1][i], block.dir[2][i]];
        let curve = if block.flags[i] & flag::CURVE == 0 { None } else { block.curve(i) };
        let [a, b, c] = match (&self.towers, curve) {
            (Some(towers), _) => towers.shares(block, i, dir),
            (None, None) => self.linear.steps.map(|steps| share(steps, dir)),
            (None, Some(curve)) => {
                let dir_end = block.dir_end(i);
                self.linear.steps.map(|steps| largest_share(curve, dir, dir_end, steps))
            }
        };
        [a, b, c, self.extruder_steps * block.dir[E][i].abs()]
    }

    /// True when no straight move of the block can exceed the bound of a motor. Towers are asked about curves as well.
    fn calm(&self, block: &Block, bounds_hz: [f64; 4]) -> bool {
        let [x, y, z, e] = &block.dir;
        let [first, second, third, extruder] = bounds_hz;
        let Some(towers) = &self.towers else {
            return !block.vectors.run(
                #[inline(always)]
                || {
                    columns::any(
                        block.len(),
                        #[inline(always)]
                        |i| {
                            let [a, b, c] = self.linear.steps.map(|steps| share(steps, [x[i], y[i], z[i]]));
                            let speed = block.v_peak_mm_s[i];
                            (speed * a > first)
                                | (speed * b > second)
                                | (speed * c > third)
                                | (speed * (self.extruder_steps * e[i].abs()) > extruder)
                        },
                    )
                },
            );
        };
        let least = smaller(first, smaller(second, third));
        let may = block.vectors.run(
            #[inline(always)]
            || {
                columns::any(
                    block.len(),
                    #[inline(always)]
                    |i| {
                        let speed = block.v_peak_mm_s[i];
                        (speed * towers.most([x[i], y[i], z[i]]) > least)
                            | (speed * (self.extruder_steps * e[i].abs()) > extruder)
                    },
                )
            },
        );
        !may || block.curves.is_empty() && !towers.hurry(block, [first, second, third]) && !self.pushes(block, extruder)
    }

    /// True when the extruder exceeds the bound on a move of the block.
    fn pushes(&self, block: &Block, bound_hz: f64) -> bool {
        block.vectors.run(
            #[inline(always)]
            || {
                columns::any(
                    block.len(),
                    #[inline(always)]
                    |i| block.v_peak_mm_s[i] * (self.extruder_steps * block.dir[E][i].abs()) > bound_hz,
                )
            },
        )
    }
}

/// Steps along a curve in which its tangent turns by two degrees at most: the share of a carriage, a cosine, is then known
/// to some 0.02 %. Cubics get as many as they ever need short of a cusp.
fn parts(curve: &Curve) -> u32 {
    match curve {
        // A few turns at most matter: beyond, the same places come again.
        Curve::Arc(arc) => (arc.sweep_rad.abs().to_degrees() / 2.0).ceil().clamp(8.0, 1440.0) as u32,
        Curve::Cubic(_) => 256,
    }
}

/// Steps per mm of a motor that moves in a fixed combination of the axes.
#[inline(always)]
fn share(steps: [f64; 3], dir: [f64; 3]) -> f64 {
    (steps[0] * dir[0] + steps[1] * dir[1] + steps[2] * dir[2]).abs()
}

impl Linear {
    /// A bound of the steps per mm of each motor in any direction, with room for rounding.
    fn most_on_curves(&self) -> [f64; 3] {
        self.steps.map(|[x, y, z]| (x * x + y * y + z * z).sqrt() * 1.001)
    }
}

impl Towers {
    fn new(machine: &Machine, (arm, radius): (f64, f64), steps: f64) -> Self {
        let travel = &machine.travel;
        let half = [0, 1].map(|axis| (travel.max[axis] - travel.min[axis]) / 2.0);
        let at = travel.towers(radius);
        let farthest = radius + half[0].hypot(half[1]);
        let height_squared = arm * arm - farthest * farthest;
        let steepest = if height_squared > 0.0 { farthest / height_squared.sqrt() } else { f64::INFINITY };
        Self { arm_squared: arm * arm, at, steps, steepest }
    }

    /// A bound of the steps per mm of any carriage, without looking at the place.
    #[inline(always)]
    fn most(&self, [x, y, z]: [f64; 3]) -> f64 {
        if (x == 0.0) & (y == 0.0) & (z == 0.0) { 0.0 } else { self.steps * (1.0 + self.steepest) }
    }

    /// Largest steps per mm of each carriage during move `i`.
    fn shares(&self, block: &Block, i: usize, dir: [f64; 3]) -> [f64; 3] {
        let (start, end) = (block.start(i), block.end(i));
        let mut shares = [0.0; 3];
        match block.curve(i) {
            None => self.widen(&mut shares, start, end, dir),
            Some(curve) => {
                along(curve, start, end, parts(curve), |at, tangent| self.widen(&mut shares, at, at, tangent))
            }
        }
        shares
    }

    fn widen(&self, shares: &mut [f64; 3], start: [f64; 3], end: [f64; 3], dir: [f64; 3]) {
        for motor in 0..3 {
            for [x, y, _] in [start, end] {
                shares[motor] = larger(shares[motor], self.share(motor, [x, y], dir));
            }
        }
    }

    /// Steps per mm of a carriage at a place.
    #[inline(always)]
    fn share(&self, motor: usize, [x, y]: [f64; 2], dir: [f64; 3]) -> f64 {
        let [dx, dy] = [x - self.at[motor][0], y - self.at[motor][1]];
        let height_squared = self.arm_squared - dx * dx - dy * dy;
        let rate = dir[2] - (dx * dir[0] + dy * dir[1]) / height_squared.sqrt();
        // Out of the arm's reach there is no carriage position; outside-travel speaks about such places.
        if height_squared > 0.0 { rate.abs() * self.steps } else { 0.0 }
    }

    /// True when a carriage exceeds its bound on a move of a block without curves.
    fn hurry(&self, block: &Block, bounds_hz: [f64; 3]) -> bool {
        let ([dir_x, dir_y, dir_z, _], [x, y, _]) = (&block.dir, &block.to);
        let exceeds = |speed: f64, places: [[f64; 2]; 2], dir: [f64; 3]| {
            let mut exceeds = false;
            for motor in 0..3 {
                for place in places {
                    exceeds |= speed * self.share(motor, place, dir) > bounds_hz[motor];
                }
            }
            exceeds
        };
        if block.is_empty() {
            return false;
        }
        let [from_x, from_y, _] = block.origin;
        let first = exceeds(block.v_peak_mm_s[0], [[from_x, from_y], [x[0], y[0]]], [dir_x[0], dir_y[0], dir_z[0]]);
        first
            || block.vectors.run(
                #[inline(always)]
                || {
                    columns::any(
                        block.len() - 1,
                        #[inline(always)]
                        |before| {
                            let i = before + 1;
                            let places = [[x[before], y[before]], [x[i], y[i]]];
                            exceeds(block.v_peak_mm_s[i], places, [dir_x[i], dir_y[i], dir_z[i]])
                        },
                    )
                },
            )
    }
}

#[cold]
fn raise(log: &mut Log, line: u64, motor: usize, name: &'static str, [rate, limit, speed]: [f64; 3]) {
    let hit = Hit {
        check: &CHECK,
        kind: motor as u64,
        severity: Severity::Hold,
        line,
        value: Some(rate),
        badness: rate,
        limit: Some(limit),
        unit: "Hz",
        spot: Spot::InBlock,
    };
    log.raise(hit, || {
        let [rate, limit, speed] = [rate, limit, speed].map(figure);
        format!("Motor {name} needs {rate} steps a second at {speed} mm/s; the controller makes {limit}.")
    });
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, skipped};
    use super::*;
    use std::f64::consts::{FRAC_PI_2, PI};

    // 80 steps/mm and 16 kHz: 200 mm/s are just possible.
    fn layout(drive_layout: DriveLayout) -> Machine {
        let mut machine = machine();
        machine.motion.drive_layout = drive_layout;
        machine
    }

    /// A circle of 0.05 mm: chords within 0.01 mm are so short of it that their directions are 37° off.
    #[test]
    fn carriages_on_a_small_circle_are_asked_at_its_tangents() {
        let mut machine = machine();
        machine.motion.drive_layout = DriveLayout::ThreeTowers { arms_mm: Some((250.0, 120.0)) };
        let towers = Towers::new(&machine, (250.0, 120.0), 100.0);
        let job =
            Job::new().to([100.05, 60.0, 5.0], 0.0).arc([0, 1, 2], [100.0, 60.0], 2.0 * std::f64::consts::PI, 0.0);
        let blocks = job.into_blocks();
        let (block, i) = blocks
            .iter()
            .find_map(|block| (0..block.len()).find(|&i| block.curve(i).is_some()).map(|i| (block, i)))
            .expect("an arc");
        let dir = [block.dir[0][i], block.dir[1][i], block.dir[2][i]];
        let [first, ..] = towers.shares(block, i, dir);
        // Straight away from the tower at (100, 220), 160 mm off: 160 / sqrt(250² − 160²) for each mm, 100 steps a mm.
        let expected = 100.0 * 160.05 / (250.0f64.powi(2) - 160.05f64.powi(2)).sqrt();
        assert!((first / expected - 1.0).abs() < 1e-3, "{first} {expected}");
    }

    #[test]
    fn a_motor_per_axis_sees_its_component() {
        let job = Job::new().speed(200.0).to([50.0, 0.0, 0.0], 0.0).speed(250.0).to([100.0, 50.0, 0.0], 0.0);
        assert!(job.findings(&CHECK, &machine()).is_empty(), "250 mm/s along the diagonal is 177 mm/s an axis");
        let job = Job::new().speed(210.0).to([50.0, 0.0, 0.0], 0.0).speed(250.0).to([100.0, 0.0, 0.0], 0.0);
        let found = job.findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].count, found[0].worst_line), (1, 2, Some(2)));
        assert_eq!((found[0].value, found[0].limit), (Some(20_000.0), Some(16_000.0)));
        assert!(found[0].message.contains("Motor X needs 20000 steps"), "{}", found[0].message);
    }

    #[test]
    fn z_and_the_extruder_have_their_own_steps() {
        let job = Job::new().speed(41.0).to([0.0, 0.0, 5.0], 0.0).speed(161.0).filament(-5.0);
        let found = job.findings(&CHECK, &machine());
        assert_eq!(found.len(), 2);
        assert_eq!((found[0].value, found[1].value), (Some(16_400.0), Some(16_100.0)));
    }

    #[test]
    fn crossed_belts_see_sum_and_difference() {
        let belts = layout(DriveLayout::CrossedBelts);
        let job = || Job::new().speed(150.0);
        assert!(job().to([50.0, 0.0, 0.0], 0.0).findings(&CHECK, &belts).is_empty());
        let found = job().to([50.0, 50.0, 0.0], 0.0).findings(&CHECK, &belts);
        assert_eq!(found.len(), 1, "only x + y turns along the diagonal");
        assert!((found[0].value.unwrap() - 150.0 * 80.0 * 2.0_f64.sqrt()).abs() < 1e-6);
        assert!(found[0].message.contains("x + y belt"));
    }

    #[test]
    fn an_arc_has_every_direction_on_it() {
        // From the bottom of a circle a quarter turn: starts along x, ends along y, 45 degrees between.
        let job = |sweep| Job::new().to([50.0, 50.0, 0.0], 0.0).speed(190.0).arc([0, 1, 2], [50.0, 70.0], sweep, 0.0);
        assert!(job(FRAC_PI_2).findings(&CHECK, &machine()).is_empty());
        let found = job(FRAC_PI_2).findings(&CHECK, &layout(DriveLayout::CrossedBelts));
        assert_eq!(found.len(), 1, "x − y never exceeds its ends on this quarter: {found:?}");
        assert!((found[0].value.unwrap() - 190.0 * 80.0 * 2.0_f64.sqrt()).abs() < 1e-6);
        assert_eq!(job(PI).findings(&CHECK, &layout(DriveLayout::CrossedBelts)).len(), 2);
    }

    #[test]
    fn carriages_of_towers_outrun_the_nozzle_near_the_far_edge() {
        let mut towers = layout(DriveLayout::ThreeTowers { arms_mm: Some((215.0, 105.0)) });
        towers.travel.min = [-90.0, -90.0, 0.0];
        towers.travel.max = [90.0, 90.0, 200.0];
        // Away from tower 1 along -y from the middle, at 100 mm/s, to 85 mm: its carriage moves fastest at the end.
        let job = Job::new().speed(100.0).to([0.0, -85.0, 0.0], 0.0);
        let found = job.findings(&CHECK, &towers);
        let distance: f64 = 105.0 + 85.0;
        let rate = distance / (215.0_f64.powi(2) - distance.powi(2)).sqrt() * 100.0 * 80.0;
        assert!(rate < 16_000.0 && found.is_empty());
        let found = Job::new().speed(120.0).to([0.0, -85.0, 0.0], 0.0).findings(&CHECK, &towers);
        assert_eq!(found.len(), 1);
        assert!((found[0].value.unwrap() - rate * 1.2).abs() < 1e-6, "{:?} {rate}", found[0].value);
        let up = Job::new().speed(201.0).to([0.0, 0.0, 10.0], 0.0).findings(&CHECK, &towers);
        assert_eq!(up.len(), 3, "straight up all carriages move with the nozzle");
    }

    #[test]
    fn no_move_of_a_calm_block_is_too_fast() {
        let towers = DriveLayout::ThreeTowers { arms_mm: Some((400.0, 150.0)) };
        let mut calm = 0;
        for machine in [DriveLayout::OnePerAxis, DriveLayout::CrossedBelts, towers].map(layout) {
            let limit_hz = 16_000.0;
            for seed in 0..200 {
                for block in Job::random(seed, 100.0, 10.0 + seed as f64).into_blocks() {
                    let mut log = crate::findings::Log::new(&machine.severities);
                    let mut check = StepRateExceeded::new(&machine, limit_hz).expect("all keys are given");
                    let is_calm = check.calm(&block, [limit_hz; 4]);
                    let judged = |i: &usize| !is_calm || block.curves.iter().any(|bend| bend.at == *i);
                    (0..block.len()).filter(|i| !judged(i)).for_each(|i| check.judge(&block, i, &mut log));
                    calm += usize::from(is_calm);
                    assert!(log.into_findings().is_empty(), "{seed}");
                }
            }
        }
        assert!((50..550).contains(&calm), "{calm} of some 600 blocks");
    }

    #[test]
    fn rates_within_the_limit_are_kept_and_none_is_passed_over() {
        let towers = DriveLayout::ThreeTowers { arms_mm: Some((400.0, 150.0)) };
        for machine in [DriveLayout::OnePerAxis, DriveLayout::CrossedBelts, towers].map(layout) {
            for seed in 0..50 {
                let blocks = Job::random(seed, 100.0, 40.0).into_blocks();
                let measure = |limit_hz: f64| {
                    let mut rates = StepRateExceeded::new(&machine, limit_hz).expect("all keys are given");
                    let mut log = crate::findings::Log::new(&machine.severities);
                    blocks.iter().for_each(|block| rates.observe(block, &mut log));
                    rates.most
                };
                let check = StepRateExceeded::new(&machine, f64::INFINITY).expect("all keys are given");
                let mut most = [0.0_f64; 4];
                for block in &blocks {
                    for i in 0..block.len() {
                        let shares = check.shares(block, i);
                        (0..4).for_each(|motor| most[motor] = most[motor].max(block.v_peak_mm_s[i] * shares[motor]));
                    }
                }
                assert_eq!(measure(f64::INFINITY).map(|(hz, _)| hz), most, "{seed}");
                assert_eq!(measure(100.0), measure(f64::INFINITY), "{seed}: whatever the limit");
                assert!(most.iter().all(|hz| *hz > 0.0), "{most:?}");
            }
        }
    }

    #[test]
    fn what_is_missing_is_said() {
        let mut bare = machine();
        bare.controller.steps_per_mm = [None; 4];
        assert!(skipped(&CHECK, &bare).contains("steps_per_mm"));
        bare.controller.step_rate_limit_hz = None;
        assert!(skipped(&CHECK, &bare).contains("step_rate_limit_hz"));
        let mut towers = layout(DriveLayout::ThreeTowers { arms_mm: None });
        towers.controller.steps_per_mm[E] = None;
        assert!(skipped(&CHECK, &towers).contains("[motion.towers]"));
        let mut only_e = machine();
        only_e.controller.steps_per_mm = [None, None, None, Some(100.0)];
        assert!(Job::new().speed(900.0).to([90.0, 0.0, 0.0], 0.0).findings(&CHECK, &only_e).is_empty());
    }
}
