use std::f64::consts::{PI, TAU};

use super::avoid::{Drive, shuttle};
use super::spectrum::{CELLS_PER_S, STEP_HZ, Sampling, Spectrum, WINDOW_CELLS};
use super::*;
use crate::machine::{Direction, ImpulseShaper, ShaperKind, testing::bench};
use crate::physics::vibration::impulses;
use crate::preflight::{JobSource, Preflight, RunOptions};

const START: &str = "G90\nM83\n";

fn mode(along: Direction, natural_hz: f64) -> Mode {
    Mode { along, natural_hz, damping_ratio: 0.05, share: 1.0 }
}

fn watched(machine: &Machine, job: &str, sizes: &RunOptions) -> Excitation {
    let (handle, attached) = Attached::new(Watcher::new(machine));
    let preflight = Preflight::on(machine).options(*sizes).watch(0, attached);
    preflight.run(JobSource::stream(job.as_bytes(), "job.gcode")).expect("reads");
    handle.take().expect("was attached").finish()
}

fn spectrum(machine: &Machine, job: &str) -> Spectrum {
    watched(machine, job, &RunOptions::default()).spectrum
}

fn studied(machine: &Machine, job: &str, ask: StudyOptions) -> Study {
    let kept = Preflight::on(machine).load(JobSource::stream(job.as_bytes(), "job.gcode")).expect("reads");
    study_kept(&Arc::new(kept), machine, ask, &HelperPool::alone())
}

/// |∫ a e^(−2πift) dt|² of a move from rest to rest: two pulses of a over t₁, opposed, T − t₁ apart:
/// (2 a sin(π f t₁) / (π f) · sin(π f (T − t₁)))².
fn trapezoid(accel: f64, ramp_s: f64, total_s: f64, hz: f64) -> f64 {
    (2.0 * accel * (PI * hz * ramp_s).sin() / (PI * hz) * (PI * hz * (total_s - ramp_s)).sin()).powi(2)
}

#[test]
fn a_single_trapezoid_has_its_closed_form() {
    // 50 mm at 100 mm/s and 1000 mm/s²: 0.1 s up, 0.4 s even, 0.1 s down; T = 0.6 s.
    let found = spectrum(&bench(), &format!("{START}G1 X50 E2 F6000\n"));
    assert!((found.moving_s - 0.6).abs() < 1e-9);
    let x = &found.axes[0];
    // Windows smooth over 0.375 Hz: compare the power in bands of 2 Hz that hold several lobes.
    let mut worst = 0.0f64;
    for low in 1..60 {
        let ends = [f64::from(low) * 2.0, f64::from(low + 1) * 2.0];
        const PARTS: usize = 4000;
        let at = |n: usize| ends[0] + 2.0 * (n as f64 + 0.5) / PARTS as f64;
        let exact: f64 = (0..PARTS).map(|n| trapezoid(1000.0, 0.1, 0.6, at(n))).sum::<f64>() * 2.0 / PARTS as f64;
        let exact = (2.0 * exact / 0.6).sqrt();
        let rms = x.rms_mm_s2(ends[0], ends[1]);
        if exact > 3.0 {
            worst = worst.max((rms / exact - 1.0).abs());
        }
    }
    assert!(worst < 0.12, "{worst}");
    // The zeros of sin(π f t₁), at multiples of 10 Hz, are deep valleys; between them are lobes.
    let near = |hz: f64| x.density[(hz / STEP_HZ) as usize];
    assert!(near(20.0) < 0.01 * near(15.0) && near(30.0) < 0.02 * near(25.0));
    assert_eq!(found.axes[1].power, 0.0, "y stands still");
}

#[test]
fn the_sum_is_the_mean_square() {
    // Two ramps of 0.1 s at 1000 mm/s² in 0.6 s: the mean square is a² / 3.
    let found = spectrum(&bench(), &format!("{START}G1 X50 E2 F6000\n"));
    let x = &found.axes[0];
    assert!((x.mean_square / (1e6 / 3.0) - 1.0).abs() < 2e-3, "{}", x.mean_square);
    assert!((x.power / x.mean_square - 1.0).abs() < 1e-12, "{} {}", x.power, x.mean_square);
    // Whatever the job: Parseval's theorem, windows that overlap and waits included.
    let lines: String = (0..400)
        .map(|n| {
            let (x, y) = (50.0 + f64::from(n * 37 % 41), 50.0 + f64::from(n * 23 % 29));
            let wait = if n % 40 == 7 { "G4 P700\n" } else { "" };
            format!("G1 X{x} Y{y} E0.1 F{}\n{wait}", 1200 + n * 13 % 4000)
        })
        .collect();
    let mut jerky = bench();
    jerky.motion.limits.jerk_mm_s = [8.0, 8.0, 0.4, 5.0];
    for axis in spectrum(&jerky, &format!("{START}{lines}")).axes {
        assert!(axis.mean_square > 1e4);
        assert!((axis.power / axis.mean_square - 1.0).abs() < 1e-12, "{} {}", axis.power, axis.mean_square);
    }
}

#[test]
fn long_motion_and_long_rest_are_passed_quickly_and_right() {
    // A step of speed at both ends: v² / dt each; in between 10 h at one speed, and a rest of 10 h.
    let mut free = bench();
    free.motion.limits.jerk_mm_s = [1e9; 4];
    let slow = format!("{START}G1 X1 E0.1 F{}\nG4 S36000\nG1 X50 F6000\n", 60.0 / 36_000.0);
    let found = spectrum(&free, &slow);
    let steps = 2.0 * (1.0f64 / 36_000.0).powi(2) + 2.0 * 100.0f64.powi(2);
    let expected = steps * CELLS_PER_S as f64 / found.moving_s;
    assert!((found.axes[0].mean_square / expected - 1.0).abs() < 1e-9, "{:?}", found.axes[0].mean_square);
    assert!((found.axes[0].power / expected - 1.0).abs() < 1e-9);
    // An even acceleration for minutes: the same with and without passing over windows.
    let ramp = format!("{START}M204 P0.02\nG1 X250 E9 F600\n");
    let found = spectrum(&bench(), &ramp);
    assert!((found.axes[0].power / found.axes[0].mean_square - 1.0).abs() < 1e-9, "{:?}", found.axes[0].power);
    assert!((found.axes[0].mean_square / 0.02f64.powi(2) - 1.0).abs() < 1e-3, "{:?}", found.axes[0].mean_square);
}

#[test]
fn a_circle_is_a_sine() {
    // r = 2 mm at 80 mm/s: v / (2π r) = 6.366 Hz on x and y, a = v² / r; 60 times round, nothing at other frequencies.
    let mut free = bench();
    free.motion.limits.jerk_mm_s = [1e9; 4];
    free.motion.limits.printing_mm_s2 = 1e6;
    let round = "G2 I2 J0 E0.2\n".repeat(60);
    let found = spectrum(&free, &format!("{START}G1 X50 Y50 F4800\n{round}"));
    let hz = 80.0 / (TAU * 2.0);
    for axis in &found.axes {
        let peak = axis.peaks(2.0, 1)[0];
        assert!((peak.hz - hz).abs() <= STEP_HZ, "{peak:?}");
        let around = axis.rms_mm_s2(hz - 1.0, hz + 1.0);
        let circling = 60.0 / hz / found.moving_s;
        let expected = 3200.0 * (circling / 2.0).sqrt();
        assert!((around / expected - 1.0).abs() < 0.02, "{around} {expected}");
    }
}

/// A zigzag along Y like that of the corpus, with so many strokes.
fn zigzag(strokes: usize, stroke_mm: f64, feed_mm_s: f64) -> String {
    let line = |n: usize| {
        let y = if n.is_multiple_of(2) { 50.0 + stroke_mm } else { 50.0 };
        format!("G1 X{:.3} Y{y:.3} E0.05\n", 50.0 + 1e-3 * n as f64)
    };
    let lines: String = (0..strokes).map(line).collect();
    format!("{START}M109 S200\nG1 X50 Y50 Z0.2 F6000\nG1 F{}\n{lines}M104 S0\n", feed_mm_s * 60.0)
}

#[test]
fn strokes_to_and_fro_make_the_frequency_of_their_planned_cycle() {
    let mut machine = bench();
    machine.motion.limits.jerk_mm_s = [6.0, 6.0, 0.4, 1e9];
    machine.structure.modes = vec![mode(Direction::Y, 20.0)];
    for (stroke_mm, feed) in [(2.0, 30.0), (1.2, 80.0), (5.0, 60.0), (0.4, 2.0)] {
        let shuttle = shuttle(&machine, &machine.structure.modes[0], stroke_mm);
        let hz = shuttle.hz(feed);
        let time = |strokes| {
            let seen = watched(&machine, &zigzag(strokes, stroke_mm, feed), &RunOptions::default());
            seen.spectrum.moving_s
        };
        let planned = 10.0 / (time(60) - time(40));
        assert!((hz / planned - 1.0).abs() < 2e-3, "{stroke_mm} {feed}: {hz} {planned}");
        // The feed rates of a table make the frequencies of the band's edges.
        let tuned = Mode { natural_hz: hz, ..machine.structure.modes[0] };
        match shuttle.drives(&tuned, 1.0) {
            Drive::Between(low, high) => {
                assert!((shuttle.hz(low) / (0.95 * hz) - 1.0).abs() < 1e-9, "{low}");
                assert!((shuttle.hz(high) / (1.05 * hz) - 1.0).abs() < 1e-9 && low < feed && feed < high);
            }
            Drive::From(low) => assert!((shuttle.hz(low) / (0.95 * hz) - 1.0).abs() < 1e-9 && low < feed),
            Drive::Never => panic!("it is quick enough"),
        }
        assert_eq!(shuttle.drives(&mode(Direction::Y, 4000.0), 1.0), Drive::Never);
    }
}

#[test]
fn time_falls_into_the_band_of_the_cycle() {
    let mut machine = bench();
    machine.motion.limits.jerk_mm_s = [6.0, 6.0, 0.4, 1e9];
    let hz = shuttle(&machine, &mode(Direction::Y, 20.0), 2.0).hz(30.0);
    machine.structure.modes = vec![mode(Direction::Y, hz), mode(Direction::Y, 3.0 * hz), mode(Direction::X, hz)];
    let seen = watched(&machine, &zigzag(100, 2.0, 30.0), &RunOptions::default());
    let [x, y] = &seen.bands[..] else { panic!("two directions") };
    assert!(y.modes[0].time_share > 0.97 && y.modes[1].time_share == 0.0, "{:?}", y.modes);
    assert!(y.modes[1].harmonic_share.is_some_and(|share| share > 0.97));
    let all: f64 = y.fixed.iter().map(|share| share.time_share).sum::<f64>() + y.still_share;
    assert!((all - 1.0).abs() < 1e-12);
    let band = y.fixed.iter().find(|share| (share.low_hz..share.high_hz).contains(&hz)).expect("a band");
    assert!(band.time_share > 0.97 && band.rms_mm_s2 > 100.0);
    assert!((y.strokes[0].0 - 2.0).abs() < 1e-9, "{:?}", y.strokes);
    assert!(x.modes[0].time_share == 0.0 && x.still_share < 1e-9 && x.fixed[0].time_share > 0.97, "{x:?}");
    // All of the power that is kept is in one band.
    let squares: f64 = y.fixed.iter().map(|share| share.rms_mm_s2.powi(2)).sum();
    let kept: f64 = seen.spectrum.axes[1].density.iter().sum::<f64>() * STEP_HZ;
    assert!((squares / kept - 1.0).abs() < 1e-12 && kept < seen.spectrum.axes[1].power);
}

#[test]
fn nothing_depends_on_sizes_and_threads() {
    let mut machine = bench();
    machine.motion.limits.jerk_mm_s = [6.0, 6.0, 0.4, 1e9];
    machine.structure.modes = vec![mode(Direction::X, 40.0), mode(Direction::X, 55.0), mode(Direction::Y, 27.0)];
    let circles = "G2 I2 J0 E0.2 F3000\nG1 X60 Y55 E0.3\nG4 P200\n".repeat(20);
    let job = zigzag(300, 1.2, 40.0) + &circles;
    let expected = watched(&machine, &job, &RunOptions::default());
    assert!(expected.places.len() == 2 && expected.stops == 20, "{:?} {}", expected.places, expected.stops);
    for sizes in [
        RunOptions { threads: 3, chunk_bytes: 700, ..RunOptions::default() },
        RunOptions { threads: 2, block_moves: 3, ..RunOptions::default() },
        RunOptions {
            block_moves: 1,
            chunk_bytes: 61,
            vectors: crate::vectors::Vectors::plain(),
            ..RunOptions::default()
        },
    ] {
        assert!(watched(&machine, &job, &sizes) == expected, "{sizes:?}");
    }
    let kept = studied(&machine, &job, StudyOptions { once: true, ..StudyOptions::default() });
    assert!(kept.seen == expected && kept.shaping.is_err());
}

#[test]
fn places_are_apart_and_know_their_mode() {
    let mut machine = bench();
    machine.motion.limits.jerk_mm_s = [8.0, 8.0, 0.4, 1e9];
    machine.structure.modes = vec![
        mode(Direction::X, 40.0),
        Mode { share: 0.2, ..mode(Direction::X, 70.0) },
        Mode { damping_ratio: 0.3, ..mode(Direction::Y, 30.0) },
    ];
    let square = |z: f64| {
        format!("G1 Z{z} F600\nG1 X150 E1 F3600\nG1 X100 Y50 E1\nG1 Y100 E1\nG1 X50 E1\nG1 Y50 E1\nG1 X50 E1\n")
    };
    let job = format!("{START}M109 S200\nG1 X50 Y50 F6000\n{}{}M104 S0\n", square(0.2), square(0.4));
    let places = watched(&machine, &job, &RunOptions::default()).places;
    assert!(places.len() >= 4, "{places:?}");
    for (n, place) in places.iter().enumerate() {
        assert!(n == 0 || places[n - 1].ringing_mm >= place.ringing_mm);
        let apart = |other: &WorstPlace| {
            (other.position[0] - place.position[0]).hypot(other.position[1] - place.position[1]) >= APART_MM
        };
        assert!(places[..n].iter().all(apart), "{places:?}");
        assert!((1..=2).contains(&place.layer) && (place.position[2] - 0.2 * place.layer as f64).abs() < 1e-9);
        assert!((place.mark_spacing_mm * place.mode.natural_hz - 60.0).abs() < 1e-9, "{place:?}");
    }
    assert!(places.iter().any(|place| place.mode.natural_hz == 40.0));
    assert!(places.iter().all(|place| place.mode.natural_hz != 70.0), "it never rings most: {places:?}");
}

#[test]
fn candidates_leave_what_a_single_step_leaves_by_its_closed_form() {
    // One step of speed Δv at the start of a long line: without a shaper Δv / ω_d; behind one the sum of the phasors.
    let mut machine = bench();
    machine.motion.limits.jerk_mm_s = [20.0, 0.0, 0.0, 1e9];
    machine.structure.modes = vec![Mode { damping_ratio: 0.0001, ..mode(Direction::X, 40.0) }];
    machine.structure.shapers[0] =
        Some(ImpulseShaper { kind: ShaperKind::Zv, tuned_hz: 33.0, tuned_damping_ratio: 0.0 });
    let job = format!("{START}M109 S200\nG1 X200 E9 F1200\nM104 S0\n");
    let shaping = studied(&machine, &job, StudyOptions::default()).shaping.expect("candidates");
    assert_eq!((shaping.candidates.len(), shaping.limit_from), (6, shaping::LimitFrom::Today));
    let omega = TAU * 40.0;
    let of = |candidate: &shaping::Candidate| candidate.shapers[0];
    let phasors = |shaper: Option<ImpulseShaper>| {
        let impulses = shaper.map_or_else(|| vec![(1.0, 0.0)], |shaper| impulses(&shaper));
        let part = |of: fn(f64) -> f64| impulses.iter().map(|(size, t)| size * of(omega * t)).sum::<f64>();
        part(f64::cos).hypot(part(f64::sin))
    };
    for candidate in &shaping.candidates {
        // While the impulses arrive, partial sums may be larger than what is left at the end.
        let left = phasors(of(candidate)) * 20.0 / omega;
        let p95 = candidate.today.p95_mm;
        match of(candidate).map(|shaper| shaper.kind) {
            None => assert!((p95 / left - 1.0).abs() < 0.02, "{p95} {left}"),
            Some(_) => assert!((p95 - left).abs() < 0.01 * 20.0 / omega, "{candidate:?} {left}"),
        }
        assert_eq!(candidate.present, of(candidate) == machine.structure.shapers[0]);
        let most = impulses(&of(candidate).unwrap_or(ImpulseShaper {
            kind: ShaperKind::Zv,
            tuned_hz: 1e9,
            tuned_damping_ratio: 0.0,
        }));
        assert!((candidate.duration_s - most.last().expect("impulses").1).abs() < 1e-8);
    }
    assert!(shaping.candidates.iter().any(|candidate| candidate.present));
}

#[test]
fn candidates_leave_the_shares_of_the_textbook_of_a_single_step() {
    // A step of speed at the start of 10 s at even speed, against no shaper. The mode at 40 Hz alone can be seen; the others
    // only are what shapers are tuned to. With r = 40 Hz / tuned: |cos(π r / 2)| to the first, second and third power, and
    // of EI for 5 %: |1.05 cos(π r) + 0.95| / 2.
    let shares = [
        (40.0, [0.0, 0.0, 0.0, 0.05]),
        (50.0, [0.3090, 0.0955, 0.0295, 0.0503]),
        (32.0, [0.3827, 0.1464, 0.0560, 0.1038]),
        (42.0, [0.0747, 0.0056, 0.0004, 0.0441]),
    ];
    let mut machine = bench();
    machine.motion.limits.jerk_mm_s = [20.0, 0.0, 0.0, 1e9];
    let quiet =
        |hz: f64| Mode { damping_ratio: 1e-4, share: if hz == 40.0 { 1.0 } else { 1e-9 }, ..mode(Direction::X, hz) };
    machine.structure.modes = shares.iter().map(|(hz, _)| quiet(*hz)).collect();
    let job = format!("{START}M109 S200\nG1 X200 E9 F1200\nM104 S0\n");
    let shaping = studied(&machine, &job, StudyOptions::default()).shaping.expect("candidates");
    let none = shaping.candidates.iter().find(|of| of.shapers == [None, None]).expect("none").today.p95_mm;
    assert_eq!(shaping.candidates.len(), 1 + 4 * shares.len());
    for (hz, expected) in shares {
        let kinds = [ShaperKind::Zv, ShaperKind::Zvd, ShaperKind::Zvdd, ShaperKind::Ei];
        for (kind, expected) in kinds.into_iter().zip(expected) {
            let tuned = |of: &&shaping::Candidate| of.shapers[0].is_some_and(|s| s.kind == kind && s.tuned_hz == hz);
            let left = shaping.candidates.iter().find(tuned).expect("a candidate").today.p95_mm / none;
            assert!((left - expected).abs() < 0.002, "{kind:?} at {hz} Hz leaves {left}, not {expected}");
        }
    }
}

#[test]
fn a_right_angle_is_rounded_by_the_closed_form() {
    let mut machine = bench();
    machine.motion.limits.jerk_mm_s = [1e9; 4];
    machine.structure.modes = vec![mode(Direction::X, 25.0), mode(Direction::Y, 25.0)];
    machine.structure.modes.iter_mut().for_each(|mode| mode.damping_ratio = 0.001);
    let job = format!("{START}M109 S200\nG1 X50 Y50 F6000\nG1 X100 E1 F3000\nG1 Y100 E1\nG1 X100.5 Y150 E1\nM104 S0\n");
    let study = studied(&machine, &job, StudyOptions { ringing_mm: Some(1.0), ..StudyOptions::default() });
    let shaping = study.shaping.expect("candidates");
    let zv = shaping.candidates.iter().find(|of| of.shapers[0].is_some_and(|s| s.kind == ShaperKind::Zv));
    let rounding = zv.expect("zv").rounding;
    // 50 mm/s, half a period of 20 ms: v T / (2 √2); the other corner turns by half a degree and is none.
    let expected = 50.0 * 0.02 / (2.0 * 2f64.sqrt());
    assert!((rounding.most_mm / expected - 1.0).abs() < 0.01, "{rounding:?} {expected}");
    assert_eq!((rounding.corners, rounding.line), (1, Some(6)));
    let none = shaping.candidates.iter().find(|of| of.shapers == [None, None]).expect("none");
    assert_eq!(none.rounding.most_mm, 0.0);
}

#[test]
fn where_the_machine_stands_still_no_corner_is_rounded_and_no_stroke_goes_on() {
    let mut machine = bench();
    machine.motion.limits.jerk_mm_s = [8.0, 8.0, 0.4, 1e9];
    machine.structure.modes = vec![mode(Direction::X, 38.0), mode(Direction::Y, 26.0)];
    let job = |between: &str| {
        let pair = |n: u32| {
            let y = 50 + 2 * n;
            format!("G1 X52 Y{y} E1{between}G1 X54 E1{between}G1 Y{} E1{between}G1 X50 E1{between}", y + 2)
        };
        let pairs: String = (0..10).map(pair).collect();
        format!("{START}M109 S200\nG1 X50 Y50 F3000\n{pairs}M104 S0\n")
    };
    let seen = |between: &str| watched(&machine, &job(between), &RunOptions::default());
    let corners = |seen: &Excitation| seen.roundings.iter().map(|of| of.corners).max();
    let flowing = seen("\n");
    assert!(corners(&flowing) > Some(0) && flowing.stops == 1, "{:?}", flowing.roundings);
    assert!(flowing.bands[0].strokes.iter().all(|(mm, _)| *mm > 3.0), "{:?}", flowing.bands[0].strokes);
    // Without a temperature that changes, waiting for it takes no time either.
    for between in ["\nM400\n", "\nG4 P0\n", "\nG4 P10\n", "\nM109 S200\n"] {
        let waiting = seen(between);
        assert_eq!((corners(&waiting), waiting.stops), (Some(0), 40), "{between:?}");
        assert!(
            waiting.bands[0].strokes.iter().any(|(mm, _)| (mm - 2.0).abs() < 0.01),
            "{:?}",
            waiting.bands[0].strokes
        );
    }
}

#[test]
fn the_ranking_is_by_time_at_equal_ringing() {
    let mut machine = bench();
    machine.motion.limits.acceleration_mm_s2 = [9000.0; 4];
    machine.structure.modes = vec![mode(Direction::X, 38.0), mode(Direction::Y, 26.0)];
    let square: String = (0..20).map(|_| "G1 X90 E1\nG1 Y90 E1\nG1 X50 E1\nG1 Y50 E1\n").collect();
    let job = format!("{START}M109 S200\nG1 X50 Y50 F6000\nG1 F4800\n{square}M104 S0\n");
    let shaping = studied(&machine, &job, StudyOptions { ringing_mm: Some(0.02), ..StudyOptions::default() })
        .shaping
        .expect("candidates");
    assert!(shaping.has_effect && shaping.raised == shaping::RaisedKey::Printing);
    let times: Vec<f64> =
        shaping.candidates.iter().map(|of| of.equal.map_or(f64::INFINITY, |equal| equal.time_s)).collect();
    assert!(times.windows(2).all(|pair| pair[0] <= pair[1]), "{times:?}");
    let last = shaping.candidates.last().expect("candidates");
    assert_eq!(last.shapers, [None, None], "every shaper allows more");
    for equal in shaping.candidates.iter().filter_map(|of| of.equal) {
        assert!(equal.p95_mm <= 0.02, "{equal:?}");
    }
    // Nothing that is marked is beaten by anything.
    let all: Vec<_> = shaping.candidates.iter().flat_map(|of| &of.scan).collect();
    for marked in all.iter().filter(|trade| trade.undominated) {
        let beats = |other: &&&shaping::Trade| other.p95_mm < marked.p95_mm && other.time_s < marked.time_s;
        assert!(all.iter().find(beats).is_none(), "{marked:?}");
    }
    assert!(all.iter().any(|trade| trade.undominated) && all.iter().any(|trade| !trade.undominated));
}

#[test]
fn a_job_that_sets_its_own_acceleration_is_capped_by_the_axes() {
    let mut machine = bench();
    machine.motion.limits.acceleration_mm_s2 = [4000.0, 4000.0, 100.0, 9000.0];
    machine.structure.modes = vec![mode(Direction::X, 38.0)];
    let job = format!("{START}M109 S200\nM204 P900\nG1 X50 Y50 F6000\nG1 X90 E1 F4800\nG1 X50 E1\nM104 S0\n");
    let shaping = studied(&machine, &job, StudyOptions::default()).shaping.expect("candidates");
    assert_eq!((shaping.raised, shaping.today_mm_s2, shaping.has_effect), (shaping::RaisedKey::Axes, 4000.0, true));
}

#[test]
fn nothing_to_see_is_no_fault() {
    let machine = bench();
    let empty = studied(&machine, "", StudyOptions::default());
    assert_eq!((empty.seen.spectrum.windows, empty.seen.spectrum.moving_s), (0, 0.0));
    assert!(empty.seen.places.is_empty() && empty.avoid.is_empty());
    assert!(empty.seen.spectrum.axes.iter().all(|axis| axis.density.iter().all(|density| *density == 0.0)));
    assert!(empty.shaping.is_err_and(|why| why.contains("[[structure]]")));
    let mut swinging = machine.clone();
    swinging.structure.modes = vec![mode(Direction::X, 38.0)];
    let travel = studied(&swinging, "G1 X5 F600\nG1 Xnan\nG1 X-1000000000000\n", StudyOptions::default());
    let why = travel.shaping.expect_err("nothing is printed");
    assert!(why.contains("extrudes nothing"), "{why}");
    assert!(travel.seen.spectrum.axes.iter().all(|axis| axis.power.is_finite()));
    assert_eq!(WINDOW_CELLS as f64 * STEP_HZ, CELLS_PER_S as f64);
}

#[test]
fn a_sample_of_the_windows_tells_the_same_of_a_long_job() {
    let mut machine = bench();
    machine.structure.modes = vec![mode(Direction::X, 38.0)];
    let mut job = format!("{START}M109 S200\nM83\n");
    for k in 0..4000 {
        job += &format!("G1 X{} E0.05 F{}\n", if k % 2 == 0 { 52 + k % 3 } else { 50 }, 2400 + 60 * (k % 7));
    }
    let sampled = |every: u64| {
        let (handle, attached) = Attached::new(Sampling::one_of(every, &machine.structure));
        let preflight = Preflight::on(&machine).watch(0, attached);
        preflight.run(JobSource::stream(job.as_bytes(), "job")).expect("reads");
        handle.take().expect("was attached").finish()
    };
    let (all, some) = (spectrum(&machine, &job), sampled(4));
    assert_eq!((all.taken, some.windows), (all.windows, all.windows));
    assert!(all.windows > 200 && some.taken.abs_diff(all.windows / 4) <= 1, "{} {}", all.windows, some.taken);
    let (all, some) = (&all.axes[0], &some.axes[0]);
    assert_eq!(some.mean_square, all.mean_square, "squares of cells are all taken");
    assert!((some.power / all.power - 1.0).abs() < 0.05, "{} {}", some.power, all.power);
    assert_eq!(some.peaks(4.0, 1)[0].hz, all.peaks(4.0, 1)[0].hz);
    assert_eq!(sampled(1), spectrum(&machine, &job));
}

/// Ramps are set against each other without the waiting for late commands, which not all of them can be planned with.
#[test]
fn ramps_on_a_slow_board_are_those_of_a_quick_one() {
    let quick = Machine {
        structure: crate::machine::Structure { modes: vec![mode(Direction::X, 30.0)], ..bench().structure },
        ..bench()
    };
    let chords: String = (1..400).map(|n| format!("G1 X{:.2} E0.01 F6000\n", 0.2 * f64::from(n))).collect();
    let job = format!("{START}{chords}");
    let mut slow = quick.clone();
    slow.motion.look_ahead = crate::machine::LookAhead::Moves(16);
    let mut same = slow.clone();
    same.controller.command_rate_limit_hz = None;
    slow.controller.command_rate_limit_hz = Some(100.0);
    let [slow, same] = [&slow, &same].map(|machine| {
        let study = studied(machine, &job, StudyOptions::default());
        (study.today.time_s.total(), study.shaping.expect("has a mode"))
    });
    assert!(slow.0 > 1.5 * same.0 && slow.1.ramps_in_time && !same.1.ramps_in_time, "{} {}", slow.0, same.0);
    assert_eq!(slow.1.ramps, same.1.ramps);
    // A limited jerk is never quicker.
    let time_s = |limited: bool| {
        let mut of =
            slow.1.ramps.iter().filter(|of| matches!(of.ramp, crate::machine::Ramp::JerkLimited(_)) == limited);
        of.next().expect("is there").today.time_s
    };
    assert!(time_s(true) >= time_s(false));
}
