//! Unlimited look-ahead against a linear program.
//!
//! With w_k the squared speed at junction k of a run, the fastest plan is the largest w under w_k ≤ cap_k and
//! |w_{k+1} − w_k| ≤ 2 a_k L_k. Such w have a largest element in every component at once (the constraints hold for the
//! component-wise maximum of two solutions), so it is the one that maximises Σ w_k. Caps come from the slow planner.

use std::fmt::Write;

use gonogo::machine::{CornerRule, LookAhead, Machine};
use microlp::{ComparisonOp, OptimizationDirection, Problem};

use crate::random_jobs::{Dice, random_job, random_machine};
use crate::slow_planner::{GRID, Step, junction_caps, read, runs};
use crate::support::{column, free_machine, plan};

/// Relative tolerance on squared speeds: the solver's 1e-7 on each constraint, summed along a run.
const SOLVER: f64 = 1e-6;

fn solve(run: &[Step], caps: &[f64]) -> Vec<f64> {
    // Scaled so that squared speeds are about 1, for the sake of the solver's absolute tolerance.
    let scale = caps.iter().copied().fold(1.0, f64::max);
    let mut problem = Problem::new(OptimizationDirection::Maximize);
    let w: Vec<_> = caps.iter().map(|&cap| problem.add_var(1.0, (0.0, cap / scale))).collect();
    for (k, step) in run.iter().enumerate() {
        let gain = 2.0 * step.accel * step.length / scale;
        problem.add_constraint([(w[k], 1.0), (w[k + 1], -1.0)], ComparisonOp::Le, gain);
        problem.add_constraint([(w[k + 1], 1.0), (w[k], -1.0)], ComparisonOp::Le, gain);
    }
    let solution = problem
        .solve()
        .expect("w = 0 is feasible and the caps bound it")
        .into_solution()
        .expect("no time limit is set");
    w.iter().map(|&w| solution.var_value(w) * scale).collect()
}

/// Compares all junctions of a job; how many there are inside runs, and how many of them lie below their cap.
fn compare(machine: &Machine, job: &str) -> (usize, usize) {
    let blocks = plan(machine, job);
    let (starts, ends) = (column(&blocks, |b| &b.v_start_mm_s), column(&blocks, |b| &b.v_end_mm_s));
    let (mut first, mut inside, mut below) = (0, 0, 0);
    for run in runs(&read(machine, job)) {
        let caps = junction_caps(&run);
        let expected = solve(&run, &caps);
        let scale = caps.iter().copied().fold(1.0, f64::max);
        let tolerance = SOLVER * scale + GRID * (run.len() + 1) as f64;
        for (k, &w) in expected.iter().enumerate() {
            let v = if k < run.len() { starts[first + k] } else { ends[first + k - 1] };
            assert!(
                (v * v - w).abs() <= tolerance,
                "junction {k} before line {}: {} is not {w}",
                run[k.min(run.len() - 1)].line,
                v * v
            );
            if k > 0 {
                assert_eq!(ends[first + k - 1], v, "one speed on both sides");
            }
        }
        inside += run.len() - 1;
        below += (1..run.len()).filter(|&k| expected[k] < caps[k] - 10.0 * tolerance).count();
        first += run.len();
    }
    assert_eq!(first, starts.len());
    (inside, below)
}

/// Chains of short chords on circles that follow each other smoothly, tight after wide.
fn chords(dice: &mut Dice, circles: u64) -> String {
    let mut job = "M83\nG91\nG1 F12000\n".to_owned();
    let mut heading = dice.between(0.0, 6.0);
    for _ in 0..circles {
        let (radius, chord) = (dice.between(0.7, 4.0).powi(3), dice.between(0.15, 0.6));
        let turn = if dice.chance(0.5) { chord / radius } else { -chord / radius };
        for _ in 0..4 + dice.below(10) {
            heading += turn;
            let _ =
                writeln!(job, "G1 X{:.5} Y{:.5} E{:.5}", chord * heading.cos(), chord * heading.sin(), 0.03 * chord);
        }
    }
    job
}

#[test]
fn chords_on_circles() {
    let (mut inside, mut below) = (0, 0);
    for seed in 0..24 {
        let mut dice = Dice::new(seed);
        let mut machine = free_machine();
        let limits = &mut machine.motion.limits;
        limits.corner = if seed % 2 == 0 { CornerRule::JunctionDeviation } else { CornerRule::Jerk };
        limits.junction_deviation_mm = 0.01;
        limits.jerk_mm_s = [6.0, 7.0, 0.4, 3.0];
        limits.printing_mm_s2 = 900.0;
        let (all, slower) = compare(&machine, &chords(&mut dice, 14));
        inside += all;
        below += slower;
    }
    let share = below as f64 / inside as f64;
    assert!((0.2..=0.8).contains(&share), "acceleration decides {share} of {inside} junctions");
}

#[test]
fn random_jobs() {
    let mut inside = 0;
    for seed in 10_000..10_080 {
        let mut dice = Dice::new(seed);
        let mut machine = random_machine(&mut dice);
        machine.motion.look_ahead = LookAhead::Unlimited;
        let job = random_job(&machine, &mut dice, 100);
        inside += compare(&machine, &job).0;
    }
    assert!(inside > 4000, "{inside}");
}
