//! Motors asked for more steps a second than the controller makes.

use super::{Built, Check, figure};
use crate::columns::{self, larger};
use crate::geometry::{CHORD_MM, flatten, largest_share};
use crate::inspection::Severity;
use crate::machine::{DriveLayout, E, Machine};
use crate::observe::{Block, Hit, Log, Observer, flag};

/// The check.
pub const CHECK: Check = Check {
    id: "step-rate-exceeded",
    severity: Severity::Hold,
    summary: "A motor is asked for more steps a second than the controller makes.",
    explain: "What: at the top speed of a move, a motor needs more steps a second than the controller can make.\n\n\
Why it matters: a controller at its limit slows down, stutters or loses steps, after which everything is printed in the \
wrong place. Finer micro-steps and a new board change the limit, so it is worth a look after each re-boarding.\n\n\
How it is computed: highest planned speed of the move in mm/s, times the share of it that a motor sees, times \
`steps_per_mm` (micro-steps counted), in Hz, compared with `step_rate_limit_hz`. With a motor per axis the share is the \
component of the direction; with crossed belts the two motors see x + y and x - y, both with the steps of x. With three \
towers at 90, 210 and 330 degrees around the middle of the x and y ranges a carriage stands at \
z + sqrt(arm² - distance²) and moves at uz - (d · u) / sqrt(arm² - d²) for each mm, d from tower to nozzle in x and y, \
u the direction; all carriages have the steps of x. That share only falls along a straight move, so its start and end \
are enough. These follow from the geometry. On curves the largest share along the curve counts; for towers, that of \
chords within 0.01 mm. Top speed and largest share may fall at different points, so the rate is an upper bound. Axes \
without `steps_per_mm` are not judged, nor are towers without `[motion.towers]`.\n\n\
What to do: slice slower, use coarser micro-steps, or correct the limit from the documents of the board and a test.",
    build,
};

fn build(machine: &Machine) -> Built {
    match StepRateExceeded::new(machine) {
        Ok(check) => Built::Watching(Box::new(check)),
        Err(missing) => Built::Skipped(format!("the sheet gives no `{missing}`")),
    }
}

struct StepRateExceeded {
    limit_hz: f64,
    linear: Linear,
    towers: Option<Towers>,
    extruder_steps: f64,
}

impl StepRateExceeded {
    /// The check of this machine, or the key it lacks.
    fn new(machine: &Machine) -> Result<Self, &'static str> {
        let controller = &machine.controller;
        let limit_hz = controller.step_rate_limit_hz.ok_or("[controller] step_rate_limit_hz")?;
        let [x, y, z, e] = controller.steps_per_mm.map(Option::unwrap_or_default);
        let still = Linear { names: [""; 3], steps: [[0.0; 3]; 3] };
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
        Ok(Self { limit_hz, linear, towers, extruder_steps: e })
    }
}

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
        let bound_hz = self.limit_hz * (1.0 + 1e-9);
        if !self.calm(block, bound_hz) {
            self.judge(block, bound_hz, log);
        }
    }
}

impl StepRateExceeded {
    fn judge(&self, block: &Block, bound_hz: f64, log: &mut Log) {
        for i in 0..block.len() {
            let speed = block.v_peak[i];
            let mut judge = |motor: usize, name: &'static str, steps_per_mm: f64| {
                if speed * steps_per_mm > bound_hz {
                    raise(log, block.line[i], motor, name, [speed * steps_per_mm, self.limit_hz, speed]);
                }
            };
            judge(E, "of the extruder", self.extruder_steps * block.dir[E][i].abs());
            let dir = [block.dir[0][i], block.dir[1][i], block.dir[2][i]];
            match &self.towers {
                Some(towers) => {
                    if speed * towers.most(dir) > bound_hz {
                        for (motor, steps_per_mm) in towers.shares(block, i, dir).into_iter().enumerate() {
                            judge(motor, ["of tower 1", "of tower 2", "of tower 3"][motor], steps_per_mm);
                        }
                    }
                }
                None => {
                    let curve = if block.flags[i] & flag::CURVE == 0 { None } else { block.curve(i) };
                    for motor in 0..3 {
                        let steps = self.linear.steps[motor];
                        let steps_per_mm = match curve {
                            None => share(steps, dir),
                            Some(curve) => {
                                let dir_end = block.dir_end(i);
                                largest_share(curve, dir, dir_end, steps)
                            }
                        };
                        judge(motor, self.linear.names[motor], steps_per_mm);
                    }
                }
            }
        }
    }

    /// True when no move of the block can exceed the bound.
    fn calm(&self, block: &Block, bound_hz: f64) -> bool {
        let [x, y, z, e] = &block.dir;
        let fast = match &self.towers {
            Some(towers) => block.vectors.run(
                #[inline(always)]
                || {
                    let most = |i: usize| larger(towers.most([x[i], y[i], z[i]]), self.extruder_steps * e[i].abs());
                    columns::any(
                        block.len(),
                        #[inline(always)]
                        |i| block.v_peak[i] * most(i) > bound_hz,
                    )
                },
            ),
            None => block.vectors.run(
                #[inline(always)]
                || {
                    let motors = |i: usize| {
                        let [a, b, c] = self.linear.steps.map(|steps| share(steps, [x[i], y[i], z[i]]));
                        larger(larger(a, b), larger(c, self.extruder_steps * e[i].abs()))
                    };
                    columns::any(
                        block.len(),
                        #[inline(always)]
                        |i| block.v_peak[i] * motors(i) > bound_hz,
                    )
                },
            ),
        };
        !fast && block.curves.iter().all(|bend| block.v_peak[bend.at] * self.linear.most_on_curves() <= bound_hz)
    }
}

/// Steps per mm of a motor that moves in a fixed combination of the axes.
#[inline(always)]
fn share(steps: [f64; 3], dir: [f64; 3]) -> f64 {
    (steps[0] * dir[0] + steps[1] * dir[1] + steps[2] * dir[2]).abs()
}

impl Linear {
    /// A bound of the steps per mm of any motor in any direction, with room for rounding.
    fn most_on_curves(&self) -> f64 {
        let squares = self.steps.map(|[x, y, z]| x * x + y * y + z * z);
        squares.into_iter().fold(0.0, f64::max).sqrt() * 1.001
    }
}

impl Towers {
    fn new(machine: &Machine, (arm, radius): (f64, f64), steps: f64) -> Self {
        let travel = &machine.travel;
        let middle = [0, 1].map(|axis| (travel.min[axis] + travel.max[axis]) / 2.0);
        let half = [0, 1].map(|axis| (travel.max[axis] - travel.min[axis]) / 2.0);
        let at = [90.0_f64, 210.0, 330.0].map(|degrees| {
            let (sin, cos) = degrees.to_radians().sin_cos();
            [middle[0] + radius * cos, middle[1] + radius * sin]
        });
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
            Some(curve) => flatten(curve, start, end, CHORD_MM, |a, b| {
                let run = [b[0] - a[0], b[1] - a[1], b[2] - a[2]];
                let length = (run[0] * run[0] + run[1] * run[1] + run[2] * run[2]).sqrt();
                if length > 0.0 {
                    self.widen(&mut shares, a, b, run.map(|part| part / length));
                }
            }),
        }
        shares
    }

    fn widen(&self, shares: &mut [f64; 3], start: [f64; 3], end: [f64; 3], dir: [f64; 3]) {
        for (share, tower) in shares.iter_mut().zip(&self.at) {
            for point in [start, end] {
                let [dx, dy] = [point[0] - tower[0], point[1] - tower[1]];
                let height_squared = self.arm_squared - dx * dx - dy * dy;
                // Out of the arm's reach there is no carriage position; outside-travel speaks about such places.
                if height_squared > 0.0 {
                    let rate = dir[2] - (dx * dir[0] + dy * dir[1]) / height_squared.sqrt();
                    *share = share.max(rate.abs() * self.steps);
                }
            }
        }
    }
}

#[cold]
fn raise(log: &mut Log, line: u64, motor: usize, name: &'static str, [rate, limit, speed]: [f64; 3]) {
    let hit = Hit {
        check: CHECK.id,
        kind: motor as u64,
        severity: Severity::Hold,
        line,
        value: Some(rate),
        badness: rate,
        limit: Some(limit),
        unit: "Hz",
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
            let check = StepRateExceeded::new(&machine).expect("all keys are given");
            for seed in 0..200 {
                for block in Job::random(seed, 100.0, 10.0 + seed as f64).into_blocks() {
                    let mut log = crate::log::Log::new(&machine.severities);
                    check.judge(&block, 16_000.0, &mut log);
                    let is_calm = check.calm(&block, 16_000.0);
                    calm += usize::from(is_calm);
                    assert!(!is_calm || log.into_findings().is_empty(), "{seed}");
                }
            }
        }
        assert!((50..550).contains(&calm), "{calm} of some 600 blocks");
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
