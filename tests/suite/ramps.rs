//! Ramps that are not even: their times, lengths and limits, and what follows from their course.

use gonogo::block::Block;
use gonogo::machine::{LookAhead, Machine, Ramp};
use proptest::prelude::*;

use crate::random_jobs::{Dice, random_job, random_machine};
use crate::support::{corpus_machine, free_machine, judge, plan};

/// A jerk that limits nothing.
const FREE: f64 = 1e12;

fn with_ramp(machine: &Machine, ramp: Ramp) -> Machine {
    let mut machine = machine.clone();
    machine.motion.ramp = ramp;
    machine
}

fn corpus() -> Vec<(Machine, String)> {
    let jobs = [("heron", "heron-bracket"), ("wren", "wren-arcs"), ("wren", "wren-stairs"), ("bittern", "bittern-tag")];
    let read = |job| std::fs::read_to_string(format!("corpus/jobs/{job}.gcode")).expect("a corpus job");
    jobs.map(|(sheet, job)| (corpus_machine(sheet), read(job))).to_vec()
}

#[test]
fn without_a_limit_of_jerk_they_are_trapezoids() {
    for (mut machine, job) in corpus() {
        machine.controller.command_rate_limit_hz = None;
        let even = judge(&machine, &job);
        let free = judge(&with_ramp(&machine, Ramp::JerkLimited([FREE; 4])), &job);
        let near = |a: f64, b: f64| assert!((a - b).abs() <= 1e-6 * b, "{a} {b}");
        near(free.time_s.total(), even.time_s.total());
        near(free.flow.sustained_peak_mm3_s, even.flow.sustained_peak_mm3_s);
        near(free.flow.mean_mm3_s.unwrap_or(0.0), even.flow.mean_mm3_s.unwrap_or(0.0));
        for (free, even) in free.ringing.iter().zip(&even.ringing) {
            near(free.peak_mm, even.peak_mm);
        }
    }
}

#[test]
fn a_quintic_takes_the_times_of_the_trapezoid_and_rings_otherwise() {
    for (machine, job) in corpus() {
        let (even, quintic) = (judge(&machine, &job), judge(&with_ramp(&machine, Ramp::SameTimeQuintic), &job));
        assert_eq!(quintic.time_s, even.time_s);
        assert_eq!(quintic.flow.peak_mm3_s, even.flow.peak_mm3_s);
        let pairs = || quintic.ringing.iter().zip(&even.ringing);
        assert!(even.ringing.is_empty() || pairs().any(|(quintic, even)| quintic.p95_mm != even.p95_mm));
    }
}

#[test]
fn a_quintic_peaks_at_15_8_of_the_acceleration() {
    // Derivative of 10 u³ − 15 u⁴ + 6 u⁵ at the middle: 30 / 16.
    let mut machine = free_machine();
    machine.motion.ramp = Ramp::SameTimeQuintic;
    let blocks = plan(&machine, "G91\nG1 X40 F6000\n");
    let mut most = 0.0f64;
    blocks[0].each_ramp(0, |ramp| most = most.max(ramp.accel_at(0.5)));
    assert!((most - 1875.0).abs() < 1e-3, "{most}");
}

/// A run in a straight line is one motion, however many moves it has.
#[test]
fn a_straight_line_in_many_moves_takes_as_long_as_in_one() {
    let mut machine = free_machine();
    machine.motion.ramp = Ramp::JerkLimited([1e5; 4]);
    machine.motion.limits.printing_mm_s2 = 1500.0;
    machine.motion.limits.travel_mm_s2 = 1500.0;
    let time = |count: usize| {
        let lines: String = (0..count).map(|_| format!("G1 X{} F6000\n", 40.0 / count as f64)).collect();
        judge(&machine, &format!("G91\n{lines}")).time_s.total()
    };
    // The solver's 0.48166666666666667 s, see `motion::jerk::profile`.
    assert!((time(1) - 0.481_666_666_666_666_7).abs() < 2e-9);
    for count in [2, 5, 16, 40] {
        assert!((time(count) - time(1)).abs() < 1e-7, "{count}: {}", time(count));
    }
}

/// Speeds, lengths, accelerations and jerks of all moves of a plan.
fn keeps_limits(blocks: &[Block], jerk_mm_s3: [f64; 4]) -> Result<(), TestCaseError> {
    for block in blocks {
        prop_assert!(!block.is_even());
        for i in 0..block.len() {
            let line = block.line[i];
            let (mut way, mut time, mut speed, mut most) = (0.0, 0.0, block.v_start_mm_s[i], 0.0f64);
            let mut fault = None;
            block.each_ramp(i, |ramp| {
                let clock = 1e-9 / ramp.seconds;
                let share = |axis: usize| block.dir[axis][i].abs();
                for at in [0.0, 0.5, 1.0] {
                    let (accel, jerk) = (ramp.accel_at(at).abs(), ramp.jerk_at(at).abs());
                    most = most.max(ramp.speed_at(at));
                    if accel > block.accel_mm_s2[i] * (1.0 + 1e-6 + clock) {
                        fault = Some(format!("line {line}: {accel} mm/s² of {}", block.accel_mm_s2[i]));
                    }
                    for axis in 0..4 {
                        if jerk * share(axis) > jerk_mm_s3[axis] * (1.0 + 1e-6 + 2.0 * clock) {
                            fault = Some(format!("line {line} axis {axis}: {jerk} mm/s³"));
                        }
                    }
                }
                if (ramp.start_mm_s() - speed).abs() > 1e-6 * (1.0 + speed) {
                    fault = Some(format!("line {line}: a step from {speed} to {}", ramp.start_mm_s()));
                }
                way += ramp.length_mm();
                time += ramp.seconds;
                speed = ramp.end_mm_s();
            });
            prop_assert!(fault.is_none(), "{fault:?}");
            prop_assert!((speed - block.v_end_mm_s[i]).abs() <= 1e-6 * (1.0 + speed), "line {line}");
            prop_assert!(most <= block.v_peak_mm_s[i] * (1.0 + 1e-9) + 1e-9);
            prop_assert!(block.v_peak_mm_s[i] <= block.feed_mm_s[i] * (1.0 + 1e-9), "line {line}");
            prop_assert!((time - block.time_s[i]).abs() <= 1e-9 * time);
            // Times are multiples of 2⁻³² s, and the ends of moves inside a run lie on them.
            let room = 1e-7 * block.length_mm[i] + 1e-8 * block.v_peak_mm_s[i] + 1e-9;
            prop_assert!((way - block.length_mm[i]).abs() <= room, "line {line}: {way} mm of {}", block.length_mm[i]);
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn plans_keep_all_limits_and_are_never_quicker(seed in any::<u64>(), log_j in 3.0..7.0f64) {
        let mut dice = Dice::new(seed);
        let mut machine = random_machine(&mut dice);
        let job = random_job(&machine, &mut dice, 300);
        let even = judge(&machine, &job).time_s.total();
        let jerk_mm_s3 = [1.0, 1.3, 0.2, 0.5].map(|share| share * 10f64.powf(log_j));
        machine.motion.ramp = Ramp::JerkLimited(jerk_mm_s3);
        let limited = judge(&machine, &job).time_s.total();
        prop_assert!(limited >= even * (1.0 - 1e-9) - 1e-5, "{limited} s, {even} s");
        keeps_limits(&plan(&machine, &job), jerk_mm_s3)?;
    }

    /// The sustained melt rate is the first-order average of the true speeds, and the volume is what is pushed.
    #[test]
    fn melt_follows_the_true_course(seed in any::<u64>(), quintic in any::<bool>()) {
        let mut machine = free_machine();
        machine.motion.look_ahead = LookAhead::Moves(16);
        machine.motion.ramp = if quintic { Ramp::SameTimeQuintic } else { Ramp::JerkLimited([3e4; 4]) };
        let mut dice = Dice::new(seed);
        let mut job = "G90\nM83\nG1 X0 Y0 Z0.2 F3000\n".to_owned();
        for _ in 0..40 {
            let (x, y) = (dice.between(0.0, 30.0), dice.between(0.0, 30.0));
            job += &format!("G1 X{x:.3} Y{y:.3} E{:.4} F{:.0}\n", dice.between(0.1, 1.5), dice.between(600.0, 6000.0));
        }
        let found = judge(&machine, &job);
        let tau = machine.tools[0].melt_window_s;
        let area = std::f64::consts::PI * 1.75f64 * 1.75 / 4.0;
        let (mut y, mut most, mut volume, mut melting_s) = (0.0f64, 0.0f64, 0.0, 0.0);
        for block in plan(&machine, &job) {
            for i in 0..block.len() {
                let section = if block.de_mm[i] > 0.0 { area * block.dir[3][i] } else { 0.0 };
                melting_s += if section > 0.0 { block.time_s[i] } else { 0.0 };
                block.each_ramp(i, |ramp| {
                    let steps = (ramp.seconds / 2e-5).ceil().max(40.0);
                    let dt = ramp.seconds / steps;
                    for n in 0..steps as u32 {
                        let q = section * ramp.speed_at((f64::from(n) + 0.5) / steps);
                        volume += q * dt;
                        // Exact for a rate that stays the same over the step.
                        y = q + (y - q) * (-dt / tau).exp();
                        most = if section > 0.0 { most.max(y) } else { most };
                    }
                });
            }
        }
        prop_assert!((found.flow.sustained_peak_mm3_s / most - 1.0).abs() < 1e-4, "{} {most}", found.flow.sustained_peak_mm3_s);
        let mean = found.flow.mean_mm3_s.expect("it prints");
        prop_assert!((mean * melting_s / volume - 1.0).abs() < 1e-6, "{mean} {volume}");
    }
}
