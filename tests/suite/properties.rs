//! Properties that hold for every job.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;

use flate2::Compression;
use flate2::write::GzEncoder;
use gonogo::block::Block;
use gonogo::findings::{Inspection, Verdict};
use gonogo::geometry::{Arc, Curve};
use gonogo::machine::{Bed, CornerRule, HeatedBody, Heating, LookAhead, Machine};
use gonogo::preflight::{JobError, JobSource, Preflight, RunOptions};
use gonogo::text::number::decimal;
use proptest::prelude::*;

use crate::random_jobs::{Dice, random_job, random_job_under_fixed_limits, random_machine};
use crate::slow_planner::{Item, Step, plan_slowly, read};
use crate::support::{free_machine, judge, judge_sized, plan};

/// A machine on which every part of the physics has something to do.
fn warm_machine(dice: &mut Dice) -> Machine {
    let mut machine = random_machine(dice);
    let law = |time_constant_s, full_power_c| Some(Heating { time_constant_s, full_power_c });
    machine.tools[0].heating = law(37.0, 290.0);
    machine.tools[0].extrude_min_c = Some(202.0);
    machine.tools[0].sustained_mm3_s = Some(4.0);
    machine.tools[0].peak_mm3_s = Some(9.0);
    machine.bed = Some(Bed { limit_c: Some(80.0), heating: law(210.0, 130.0), body: HeatedBody::default() });
    machine
}

fn is_sound(report: &Inspection, bytes: usize) -> bool {
    let times = report.time_s;
    let parts = [times.extruding, times.travel, times.extrude_only, times.dwell, times.heating, report.flow.peak_mm3_s];
    report.job.bytes == bytes as u64
        && parts.iter().all(|part| part.is_finite() && *part >= 0.0)
        && report.filament.net_mm.is_finite()
        && report.verdict == Verdict::of(&report.findings)
}

/// A number as people never write it: any size, any form, or none.
fn odd_number() -> impl Strategy<Value = String> {
    prop_oneof![
        "-?[0-9]{1,3}(\\.[0-9]{0,3})?",
        "[-+]?[0-9]{0,16}\\.?[0-9]{0,6}",
        Just(String::new()),
        (0usize..340).prop_map(|zeros| format!("0.{}1", "0".repeat(zeros))),
        (0usize..320).prop_map(|zeros| format!("1{}", "0".repeat(zeros))),
        "-?0\\.[0-9]",
    ]
}

const COMMANDS: [&str; 58] = [
    "G0", "G1", "G2", "G3", "G4", "G5", "G10", "G11", "G17", "G18", "G19", "G20", "G21", "G28", "G29", "G53", "G54",
    "G59", "G90", "G91", "G92", "G92.1", "M0", "M6", "M18", "M25", "M82", "M83", "M92", "M104", "M106", "M109", "M110",
    "M117", "M140", "M141", "M190", "M191", "M200", "M201", "M203", "M204", "M205", "M207", "M208", "M218", "M220",
    "M221", "M302", "M400", "M500", "M600", "M906", "T0", "T1", "T9", "N7", "",
];

/// Something close enough to a job to reach every command with every parameter.
fn soup() -> impl Strategy<Value = String> {
    let word = (proptest::sample::select(b"XYZEFIJKRPQSTLDN*;(/".to_vec()), odd_number());
    let words = proptest::collection::vec(word, 0..6);
    let line = (proptest::sample::select(COMMANDS.to_vec()), words).prop_map(|(command, words)| {
        words.iter().fold(command.to_owned(), |mut line, (letter, number)| {
            let _ = write!(line, " {}{number}", char::from(*letter));
            line
        })
    });
    proptest::collection::vec(line, 0..40).prop_map(|lines| lines.join("\n"))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_bytes_give_an_inspection(bytes in proptest::collection::vec(any::<u8>(), 0..3000), seed in any::<u64>()) {
        let report = judge_sized(&warm_machine(&mut Dice::new(seed)), &bytes, &RunOptions::default());
        prop_assert!(is_sound(&report, bytes.len()), "{report:?}");
    }

    #[test]
    fn any_words_give_an_inspection(job in soup(), seed in any::<u64>()) {
        let machine = warm_machine(&mut Dice::new(seed));
        match Preflight::on(&machine).run(JobSource::stream(job.as_bytes(), "job.gcode")) {
            Ok(report) => prop_assert!(is_sound(&report, job.len()), "{report:?}"),
            // Random words may ask for longer than any print takes.
            Err(error) => prop_assert!(matches!(error, JobError::TooLong { .. }), "{error}"),
        }
    }

    #[test]
    fn decimals_are_those_of_the_standard_library(
        digits in "[0-9]{1,19}",
        point in 0usize..24,
        sign in "[-+]?",
        blanks in proptest::collection::vec((0usize..24, prop_oneof![Just(' '), Just('\t')]), 0..4),
    ) {
        let mut text = digits;
        if point <= text.len() {
            text.insert(point, '.');
        }
        text.insert_str(0, &sign);
        let expected: f64 = text.parse().expect("a sign, digits and a point");
        for (at, blank) in blanks {
            // Behind the first character, where a blank in front is the caller's business.
            text.insert(1 + at % text.len(), blank);
        }
        let mut input = text.as_bytes();
        let value = decimal(&mut input).expect("there is a digit");
        prop_assert_eq!((value.to_bits(), input.len()), (expected.to_bits(), 0), "{}", text);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn sizes_change_no_bit(seed in any::<u64>()) {
        let mut dice = Dice::new(seed);
        let machine = warm_machine(&mut dice);
        let mut job = random_job(&machine, &mut dice, 120);
        // Extrusion while it cools down, so that the time of every move shows.
        job.insert_str(0, "M109 S205\nWARM UP\nM104 S180\n");
        job.push_str("M109 S205\nG1 X0 Q\nM109 R160\nM190 R200\n");
        let expected = judge(&machine, &job);
        for block_moves in [1, 2, 7, 256] {
            for chunk_bytes in [1, 13, 4096, RunOptions::default().chunk_bytes] {
                let sizes = RunOptions { block_moves, chunk_bytes, ..RunOptions::default() };
                let report = judge_sized(&machine, job.as_bytes(), &sizes);
                prop_assert!(report == expected, "{block_moves} {chunk_bytes}: {}", first_difference(&report, &expected));
            }
        }
    }

    #[test]
    fn limits_hold_at_every_phase(seed in any::<u64>()) {
        let mut dice = Dice::new(seed);
        let machine = random_machine(&mut dice);
        let job = random_job(&machine, &mut dice, 150);
        let items = read(&machine, &job);
        let moves = Moves::of(&plan(&machine, &job));
        prop_assert_eq!(moves.time_s.len(), items.iter().filter(|item| matches!(item, Item::Step(_))).count());
        let mut k = 0;
        let mut before: Option<(&Step, f64)> = None;
        for item in &items {
            let Item::Step(step) = item else {
                if let Some((last, v)) = before.take() {
                    rests(last, last.end, v)?;
                }
                continue;
            };
            moves.keep_limits(k, step)?;
            match before {
                Some((last, v)) => turns(last, step, v, moves.v_start_mm_s[k])?,
                None => rests(step, step.start, moves.v_start_mm_s[k])?,
            }
            before = Some((step, moves.v_end_mm_s[k]));
            k += 1;
        }
    }

    /// The plan is the largest element of a set that shrinks with every limit, and so is each window of a bounded
    /// look-ahead (minima of sums); a move between lower speeds takes longer. So this holds for both corner rules, all
    /// limits, and any look-ahead; what is left is the grid of squared speeds.
    #[test]
    fn a_lower_limit_is_never_faster(seed in any::<u64>(), which in 0usize..17, factor in 0.05..1.0) {
        let mut dice = Dice::new(seed);
        let machine = random_machine(&mut dice);
        let job = random_job_under_fixed_limits(&machine, &mut dice, 120);
        let mut lower = machine.clone();
        let limits = &mut lower.motion.limits;
        let value = match which {
            0..=3 => &mut limits.feed_rate_mm_s[which],
            4..=7 => &mut limits.acceleration_mm_s2[which - 4],
            8..=11 => &mut limits.jerk_mm_s[which - 8],
            12 => &mut limits.printing_mm_s2,
            13 => &mut limits.travel_mm_s2,
            14 => &mut limits.retraction_mm_s2,
            _ => &mut limits.junction_deviation_mm,
        };
        // "No limit" becomes one.
        *value = if *value >= 1e9 { 50.0 } else { *value } * factor;
        not_faster(&machine, &lower, &job)?;
    }

    #[test]
    fn a_shorter_look_ahead_is_never_faster(seed in any::<u64>(), count in 1u32..30) {
        let mut dice = Dice::new(seed);
        let mut machine = random_machine(&mut dice);
        let job = random_job(&machine, &mut dice, 120);
        let mut shorter = machine.clone();
        machine.motion.look_ahead = if seed % 2 == 0 { LookAhead::Unlimited } else { LookAhead::Moves(count + 1) };
        shorter.motion.look_ahead = LookAhead::Moves(count);
        not_faster(&machine, &shorter, &job)?;
    }

    /// With unlimited look-ahead only: a bounded one counts moves, so more of them mean less.
    #[test]
    fn a_split_move_takes_the_same_time(seed in any::<u64>(), at in 0usize..20, pieces in 2u32..9) {
        let mut dice = Dice::new(seed);
        let mut machine = random_machine(&mut dice);
        machine.motion.look_ahead = LookAhead::Unlimited;
        let moves: Vec<[f64; 4]> = (0..20)
            .map(|_| {
                let reach = dice.one_of(&[0.5, 40.0]);
                let path = [dice.between(-reach, reach), dice.between(-reach, reach), dice.between(-0.1, 0.1)];
                let de = dice.one_of(&[0.0, 0.04, -0.02]) * reach;
                if dice.chance(0.1) { [0.0, 0.0, 0.0, 1.0] } else { [path[0], path[1], path[2], de] }
            })
            .collect();
        let mut job = String::from("G91\nM83\nF9000\n");
        let mut split = job.clone();
        for (k, step) in moves.iter().enumerate() {
            write_move(&mut job, *step);
            for _ in 0..if k == at { pieces } else { 1 } {
                write_move(&mut split, if k == at { step.map(|x| x / f64::from(pieces)) } else { *step });
            }
        }
        let (whole, parts) = (judge(&machine, &job).time_s.total(), judge(&machine, &split).time_s.total());
        let grid = grid_time_s(&machine, &split);
        prop_assert!((whole - parts).abs() <= 1e-6 * whole + grid, "{whole} s whole, {parts} s in parts");
    }
}

/// The first lines that differ when both are written out.
fn first_difference(a: &Inspection, b: &Inspection) -> String {
    let (a, b) = (format!("{a:#?}"), format!("{b:#?}"));
    let lines = a.lines().zip(b.lines()).enumerate().find(|(_, (a, b))| a != b);
    lines.map_or("no line differs".to_owned(), |(at, (one, other))| {
        let around: Vec<&str> = a.lines().skip(at.saturating_sub(30)).take(30).collect();
        format!("{}\n{one}\n{other}", around.join("\n"))
    })
}

fn write_move(job: &mut String, [x, y, z, e]: [f64; 4]) {
    let _ = writeln!(job, "G1 X{x:.17} Y{y:.17} Z{z:.17} E{e:.17}");
}

fn grid_time_s(machine: &Machine, job: &str) -> f64 {
    plan_slowly(machine, &read(machine, job)).iter().map(|planned| planned.grid_time_s()).sum()
}

fn not_faster(machine: &Machine, lower: &Machine, job: &str) -> Result<(), TestCaseError> {
    let (free, held) = (judge(machine, job).time_s.total(), judge(lower, job).time_s.total());
    let slack = 1e-9 * free + grid_time_s(machine, job);
    prop_assert!(held >= free - slack, "{held} s with less, {free} s with more");
    Ok(())
}

/// The columns of a plan that the limits are about.
#[derive(Default)]
struct Moves {
    v_start_mm_s: Vec<f64>,
    v_peak_mm_s: Vec<f64>,
    v_end_mm_s: Vec<f64>,
    accel: Vec<f64>,
    time_s: Vec<[f64; 3]>,
    arcs: Vec<Option<(Arc, f64)>>,
}

/// Relative room for rounding.
const ROOM: f64 = 1.0 + 1e-9;

impl Moves {
    fn of(blocks: &[Block]) -> Self {
        let mut moves = Self::default();
        for block in blocks {
            moves.v_start_mm_s.extend(&block.v_start_mm_s[..block.len()]);
            moves.v_peak_mm_s.extend(&block.v_peak_mm_s[..block.len()]);
            moves.v_end_mm_s.extend(&block.v_end_mm_s[..block.len()]);
            moves.accel.extend(&block.accel_mm_s2[..block.len()]);
            for i in 0..block.len() {
                moves.time_s.push([block.t_up_s[i], block.t_cruise_s[i], block.t_down_s[i]]);
                let rise = |arc: &Arc| block.end(i)[arc.axes[2]] - block.start(i)[arc.axes[2]];
                moves.arcs.push(match block.curve(i) {
                    Some(Curve::Arc(arc)) => Some((*arc, rise(arc))),
                    _ => None,
                });
            }
        }
        moves
    }

    /// Speed, acceleration and distance of one move.
    fn keep_limits(&self, k: usize, step: &Step) -> Result<(), TestCaseError> {
        let (v0, v, v1, accel) = (self.v_start_mm_s[k], self.v_peak_mm_s[k], self.v_end_mm_s[k], self.accel[k]);
        let [up, level, down] = self.time_s[k];
        prop_assert!(
            v0 <= v * ROOM && v1 <= v * ROOM && up >= 0.0 && level >= 0.0 && down >= 0.0,
            "line {}",
            step.line
        );
        // Times are multiples of 2⁻³² s.
        let clock = 2f64.powi(-32);
        prop_assert!((v - v0 - accel * up).abs() <= accel * clock + 1e-9 * v, "line {}: speeding up", step.line);
        prop_assert!((v - v1 - accel * down).abs() <= accel * clock + 1e-9 * v, "line {}: slowing down", step.line);
        let length = (v0 + v) / 2.0 * up + v * level + (v + v1) / 2.0 * down;
        let slack = 1e-9 * step.length + 2.0 * v * clock;
        prop_assert!((length - step.length).abs() <= slack, "line {}: {length} mm of {}", step.line, step.length);
        for u in self.directions(k, step) {
            for (axis, share) in u.map(f64::abs).into_iter().enumerate() {
                prop_assert!(v * share <= step.limits.feed_rate_mm_s[axis] * ROOM, "line {} axis {axis}", step.line);
                prop_assert!(
                    accel * share <= step.limits.acceleration_mm_s2[axis] * ROOM,
                    "line {} axis {axis}",
                    step.line
                );
            }
        }
        if let Some((arc, rise)) = self.arcs[k] {
            let flat = arc.radius * arc.sweep_rad.abs();
            let in_plane = v * flat / flat.hypot(rise);
            prop_assert!(in_plane * in_plane / arc.radius <= accel * ROOM, "line {}: centripetal", step.line);
        }
        Ok(())
    }

    /// Directions met on a move: one, or samples along an arc.
    fn directions(&self, k: usize, step: &Step) -> Vec<[f64; 4]> {
        let Some((arc, rise)) = self.arcs[k] else { return vec![step.start] };
        let [a, b, c] = arc.axes;
        (0..=64)
            .map(|n| {
                let (sin, cos) = (arc.start_rad + arc.sweep_rad * f64::from(n) / 64.0).sin_cos();
                let share = arc.radius * arc.sweep_rad / step.length;
                let mut u = [0.0, 0.0, 0.0, step.de / step.length];
                (u[a], u[b], u[c]) = (-sin * share, cos * share, rise / step.length);
                u
            })
            .collect()
    }
}

/// One speed through a corner, within the corner rule.
fn turns(before: &Step, after: &Step, v: f64, v_after: f64) -> Result<(), TestCaseError> {
    prop_assert_eq!(v, v_after, "line {}: one speed on both sides", after.line);
    let change: Vec<f64> = (0..4).map(|i| (after.start[i] - before.end[i]).abs()).collect();
    if after.limits.corner != CornerRule::JunctionDeviation {
        let by_larger = after.limits.corner == CornerRule::JerkByLargerSpeed;
        for (axis, &change) in change.iter().enumerate() {
            let [u, w] = [before.end[axis], after.start[axis]];
            let change = if by_larger && u * w < 0.0 { u.abs().max(w.abs()) } else { change };
            let jerk = before.limits.jerk_mm_s[axis].min(after.limits.jerk_mm_s[axis]);
            prop_assert!(v * change <= jerk * ROOM + 1e-9 * v, "line {}: jerk of axis {axis}", after.line);
        }
    } else if before.path != after.path {
        prop_assert_eq!(v, 0.0, "line {}", after.line);
    } else if before.path {
        // A circle of radius r = v²/a that touches both legs passes the corner no farther away than the deviation.
        let radius = v * v / before.accel.min(after.accel);
        let half_turn = ((change[0].powi(2) + change[1].powi(2) + change[2].powi(2)).sqrt() / 2.0).min(1.0).asin();
        let distance = radius * (1.0 / half_turn.cos() - 1.0);
        let allowed = after.limits.junction_deviation_mm;
        prop_assert!(distance <= allowed * (1.0 + 1e-6) + 1e-12, "line {}: passes at {distance} mm", after.line);
    }
    Ok(())
}

/// From and to rest within the corner rule.
fn rests(step: &Step, u: [f64; 4], v: f64) -> Result<(), TestCaseError> {
    if step.limits.corner == CornerRule::JunctionDeviation {
        prop_assert_eq!(v, 0.0, "line {}", step.line);
    }
    for (axis, jump) in u.map(|u| v * u.abs()).into_iter().enumerate() {
        prop_assert!(jump <= step.limits.jerk_mm_s[axis] * ROOM + 1e-9 * v || v == 0.0, "line {}: rest", step.line);
    }
    Ok(())
}

/// More moves than "unlimited" look-ahead keeps, none of which can be settled before the stop.
#[test]
fn a_very_long_run_does_not_depend_on_sizes() {
    let mut machine = free_machine();
    machine.motion.look_ahead = LookAhead::Unlimited;
    machine.motion.limits.printing_mm_s2 = 10.0;
    machine.motion.limits.travel_mm_s2 = 10.0;
    let job = "G91\nG1 F60000\n".to_owned() + &"G1 X0.01\n".repeat(80_000);
    let expected = judge(&machine, &job);
    for block_moves in [7, 256] {
        let sizes = RunOptions { block_moves, chunk_bytes: 5000, ..RunOptions::default() };
        let report = judge_sized(&machine, job.as_bytes(), &sizes);
        assert!(report == expected, "{block_moves}: {}", first_difference(&report, &expected));
    }
}

#[test]
fn a_packed_job_is_the_plain_job() {
    let folder = tempfile::tempdir().expect("a folder for a moment");
    let mut dice = Dice::new(77);
    let machine = warm_machine(&mut dice);
    let job = random_job(&machine, &mut dice, 2000);
    let pack = |text: &[u8]| {
        let mut encoder = GzEncoder::new(Vec::new(), Compression::default());
        encoder.write_all(text).and_then(|()| encoder.finish()).expect("packing in memory")
    };
    let (front, back) = job.as_bytes().split_at(job.len() / 2);
    let files = [
        ("job.gcode", job.clone().into_bytes()),
        ("one.gz", pack(job.as_bytes())),
        ("two.gz", [pack(front), pack(back)].concat()),
    ];
    let mut reports = Vec::new();
    for (name, bytes) in files {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).expect("a file for a moment");
        let mut report = Preflight::on(&machine).run(JobSource::at(Path::new(&path))).expect("it can be read");
        assert_eq!(report.job.bytes, job.len() as u64);
        report.job.path.clear();
        reports.push(report);
    }
    assert!(reports[0] == reports[1] && reports[0] == reports[2]);
}
