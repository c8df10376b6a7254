//! Against closed forms, an independent solution by matrix exponentials, and properties of linear systems.

use std::f64::consts::{PI, TAU};

use nalgebra::{Matrix3, Vector3};
use proptest::prelude::*;

use super::oscillator::{Oscillator, Scratch, Steps};
use super::*;
use crate::block::{CurvedMove, JerkPiece, Piece, RampList, RampPiece, Ramps, flag, grid};
use crate::geometry::{Arc, Cubic, Curve};
use crate::machine::{ImpulseShaper, ShaperKind};

fn mode(natural_hz: f64, damping_ratio: f64) -> Mode {
    Mode { along: Direction::X, natural_hz, damping_ratio, share: 1.0 }
}

/// Seconds of each piece, its acceleration, and the step of speed before it.
type Motion = Vec<(f64, f64, f64)>;

fn pulse(pieces: &[(f64, f64)]) -> Motion {
    pieces.iter().map(|&(seconds, accel)| (seconds, accel, 0.0)).collect()
}

/// Lets a mode go through a motion after which its base stays at rest.
fn after(oscillator: &mut Oscillator, motion: &Motion) {
    let mut scratch = Scratch::new();
    let mut before = 0.0;
    let mut all = motion.clone();
    all.push((0.0, 0.0, 0.0));
    for chunk in all.chunks(PIECES) {
        let seconds: Vec<f64> = chunk.iter().map(|piece| piece.0).collect();
        let steps: Vec<f64> = chunk.iter().map(|piece| piece.1 - std::mem::replace(&mut before, piece.1)).collect();
        let speeds: Vec<f64> = chunk.iter().map(|piece| piece.2).collect();
        let (mut from, mut to) = (vec![0.0; chunk.len()], vec![0.0; chunk.len()]);
        let steps = Steps { seconds: &seconds, accel: &steps, speed: &speeds, jerk: None };
        oscillator.follow(Vectors::default(), steps, &mut scratch, true, [&mut from, &mut to]);
    }
}

/// Amplitude after a motion, mm.
fn residual(mode: &Mode, motion: &Motion) -> f64 {
    let mut oscillator = Oscillator::new(mode);
    after(&mut oscillator, motion);
    oscillator.ringing_mm()
}

/// Largest displacement while a motion lasts and in the two periods after it, mm.
fn largest(mode: &Mode, motion: &Motion) -> f64 {
    let (mut oscillator, mut most, mut before) = (Oscillator::new(mode), 0.0f64, 0.0);
    let mut scratch = Scratch::new();
    let mut all = motion.clone();
    all.push((2.0 / mode.natural_hz, 0.0, 0.0));
    for (seconds, accel, speed) in all {
        let parts = ((seconds * mode.natural_hz * 500.0).ceil() as usize).max(1);
        let mut step = [accel - before, speed];
        for _ in 0..parts {
            let part = [seconds / parts as f64];
            oscillator.follow(
                Vectors::default(),
                Steps { seconds: &part, accel: &[step[0]], speed: &[step[1]], jerk: None },
                &mut scratch,
                true,
                [&mut [0.0], &mut [0.0]],
            );
            step = [0.0; 2];
            most = most.max(oscillator.state(accel)[0].abs());
        }
        before = accel;
    }
    most
}

const A0: f64 = 3000.0;

/// In units of a₀ / ω², without damping, for a pulse of so many natural periods.
fn spectrum(shape: impl Fn(f64) -> f64, periods: f64, of: fn(&Mode, &Motion) -> f64) -> f64 {
    const STEPS: usize = 2000;
    let mode = mode(40.0, 0.0);
    let seconds = periods / mode.natural_hz / STEPS as f64;
    let pieces: Vec<_> = (0..STEPS).map(|k| (seconds, A0 * shape((k as f64 + 0.5) / STEPS as f64))).collect();
    of(&mode, &pulse(&pieces)) / (A0 / (TAU * mode.natural_hz).powi(2))
}

// Shock spectra: Chopra, Dynamics of Structures, ch. 4; Harris, Shock and Vibration Handbook, ch. 8 (closed forms from
// memory, values computed).
#[test]
fn rectangular_pulses() {
    for (periods, value) in [(0.1, 0.618033989), (1.0 / 6.0, 1.0), (0.25, 2f64.sqrt()), (0.5, 2.0), (1.0, 0.0)] {
        let mode = mode(40.0, 0.0);
        let found = residual(&mode, &pulse(&[(periods / 40.0, A0)])) / (A0 / (TAU * 40.0f64).powi(2));
        assert!((found - value).abs() < 1e-9, "{periods}: {found}");
    }
    assert!((spectrum(|_| 1.0, 0.75, largest) - 2.0).abs() < 1e-4);
}

#[test]
fn half_sine_pulses() {
    let half_sine = |share: f64| (PI * share).sin();
    for (periods, value) in [(0.25, 0.942809), (0.5, PI / 2.0), (0.75, 1.697056), (1.0, 4.0 / 3.0), (1.5, 0.0)] {
        let found = spectrum(half_sine, periods, residual);
        assert!((found - value).abs() < 2e-6, "{periods}: {found}");
    }
    assert!((spectrum(half_sine, 0.810, largest) - 1.76846).abs() < 1e-5);
}

#[test]
fn triangular_pulses() {
    let triangle = |share: f64| 1.0 - (2.0 * share - 1.0).abs();
    for (periods, value) in [(0.5, 1.2732395), (1.0, 1.2732395), (2.0, 0.0)] {
        let found = spectrum(triangle, periods, residual);
        assert!((found - value).abs() < 2e-6, "{periods}: {found}");
    }
    assert!((spectrum(triangle, 0.905, largest) - 1.51718).abs() < 1e-5);
}

#[test]
fn moves_from_rest_to_rest() {
    // 4 |sin(ω ta / 2) sin(ω (ta + tc) / 2)| a₀ / ω²: superposition of four steps (geometry of the phasors).
    let (hz, omega) = (40.0, TAU * 40.0);
    for (ta, tc) in [(0.0125, 0.05), (0.031, 0.1), (0.025, 0.07), (0.05, 0.0333), (0.02, 0.03), (0.004, 0.0)] {
        let found = residual(&mode(hz, 0.0), &pulse(&[(ta, A0), (tc, 0.0), (ta, -A0)]));
        let value = 4.0 * ((omega * ta / 2.0).sin() * (omega * (ta + tc) / 2.0).sin()).abs() * A0 / (omega * omega);
        assert!((found - value).abs() < 1e-13, "{ta} {tc}: {found} {value}");
    }
    // Nothing remains when ta or ta + tc is a whole number of periods.
    for (ta, tc) in [(0.025, 0.0123), (0.05, 0.1), (0.02, 0.03)] {
        assert!(residual(&mode(hz, 0.0), &pulse(&[(ta, A0), (tc, 0.0), (ta, -A0)])) < 1e-14);
    }
}

#[test]
fn steps_of_speed() {
    // Amplitude Δv / ω: 8 mm/s at 40 Hz 0.0318309886 mm.
    let found = residual(&mode(40.0, 0.0), &vec![(0.01, 0.0, 8.0)]);
    assert!((found - 0.0318309886).abs() < 1e-10, "{found}");
}

#[test]
fn a_damped_move() {
    // 40 Hz, 20 mm at 100 mm/s and 3000 mm/s² (computed by an independent reference).
    let motion = pulse(&[(1.0 / 30.0, 3000.0), (1.0 / 6.0, 0.0), (1.0 / 30.0, -3000.0)]);
    for (zeta, value, most) in [(0.05, 0.06301667990, 0.08807666341), (0.1, 0.05977064561, 0.08212941332)] {
        let mode = mode(40.0, zeta);
        assert!((residual(&mode, &motion) - value).abs() < 1e-10, "{zeta}: {}", residual(&mode, &motion));
        assert!((largest(&mode, &motion) - most).abs() < 1e-6, "{zeta}: {}", largest(&mode, &motion));
    }
    // The sag a / ω² under a lasting acceleration, on which nothing rings in the end.
    let mut oscillator = Oscillator::new(&mode(40.0, 0.1));
    after(&mut oscillator, &pulse(&[(3.0, 3000.0)]));
    let mut held = Oscillator::new(&mode(40.0, 0.1));
    let pieces = Steps { seconds: &[3.0], accel: &[3000.0], speed: &[0.0], jerk: None };
    held.follow(Vectors::default(), pieces, &mut Scratch::new(), true, [&mut [0.0], &mut [0.0]]);
    assert!((held.state(3000.0)[0] + 0.04749430483).abs() < 1e-10 && held.ringing_mm() < 1e-12);
}

#[test]
fn logarithmic_decrement() {
    // 2πζ / √(1 − ζ²) per period of the damped oscillation (any textbook).
    for (zeta, decrement) in [(0.02, 0.125689), (0.05, 0.314553), (0.1, 0.631484)] {
        let period_s = 1.0 / (40.0 * (1.0f64 - zeta * zeta).sqrt());
        let first = residual(&mode(40.0, zeta), &vec![(0.003, 0.0, 8.0)]);
        let second = residual(&mode(40.0, zeta), &vec![(0.003 + period_s, 0.0, 8.0)]);
        assert!(((first / second).ln() - decrement).abs() < 1e-6, "{zeta}");
    }
}

/// A straight move: direction, speeds at start, peak and end, times of the three phases, acceleration.
type Straight = ([f64; 3], [f64; 3], [f64; 3], f64);

/// Moves in a row.
fn block(moves: &[Straight]) -> Block {
    let mut block = Block::default();
    for &(dir, [start, peak, end], [up, cruise, down], accel) in moves {
        let i = block.add();
        (block.line[i], block.flags[i], block.de_mm[i]) = (i as u64 + 1, flag::PATH, 0.1);
        (0..3).for_each(|axis| block.dir[axis][i] = dir[axis]);
        (block.v_start_mm_s[i], block.v_peak_mm_s[i], block.v_end_mm_s[i], block.accel_mm_s2[i]) =
            (start, peak, end, accel);
        (block.t_up_s[i], block.t_cruise_s[i], block.t_down_s[i]) =
            (grid::time(up), grid::time(cruise), grid::time(down));
        block.time_s[i] = block.t_up_s[i] + block.t_cruise_s[i] + block.t_down_s[i];
        block.length_mm[i] = 1.0;
    }
    block
}

/// A stretch at constant speed along X.
fn level(speed: f64, seconds: f64) -> Straight {
    ([1.0, 0.0, 0.0], [speed; 3], [0.0, seconds, 0.0], 1000.0)
}

fn structure(modes: &[Mode], shaper: Option<ImpulseShaper>) -> Structure {
    Structure { modes: modes.to_vec(), ringing_limit_mm: Some(0.01), shapers: [shaper; 2] }
}

/// Amplitude of the first mode some time after a block, mm.
fn ringing_after(structure: &Structure, mut block: Block, seconds: f64) -> f64 {
    let mut vibration = Vibration::new(structure);
    vibration.follow(&mut block);
    vibration.rest(seconds);
    vibration.follow(&mut self::block(&[level(0.0, 0.0)]));
    vibration.lanes[0].oscillators[0].ringing_mm()
}

/// Amplitude after pieces along X, as soon as the motion goes on evenly, mm.
fn ringing_behind(mode: Mode, pieces: Vec<RampPiece>) -> f64 {
    let speed = pieces[pieces.len() - 1].end_mm_s();
    let mut vibration = Vibration::new(&structure(&[mode], None));
    vibration.follow(&mut ramps(pieces));
    // Short enough to change nothing.
    vibration.follow(&mut block(&[level(speed, 1e-8)]));
    vibration.lanes[0].oscillators[0].ringing_mm()
}

/// A straight move along X with these pieces of constant jerk, or with a quintic.
fn ramps(pieces: Vec<RampPiece>) -> Block {
    let last = pieces[pieces.len() - 1];
    let most = pieces.iter().map(RampPiece::end_mm_s).fold(pieces[0].start_mm_s(), f64::max);
    let seconds = pieces.iter().map(|piece| piece.seconds).sum();
    let ends = [pieces[0].start_mm_s(), most, last.end_mm_s()];
    if let [only] = pieces[..] {
        let mut block = block(&[([1.0, 0.0, 0.0], ends, [seconds, 0.0, 0.0], 0.0)]);
        block.go_along(Ramps::Quintic);
        block.each_ramp(0, |piece| assert_eq!(*piece, only));
        return block;
    }
    let mut block = block(&[([1.0, 0.0, 0.0], ends, [0.0, seconds, 0.0], 0.0)]);
    let mut ramps = RampList::default();
    for RampPiece { seconds, speed: [even, slope, bow, ..] } in &pieces {
        ramps.take(&[JerkPiece { seconds: *seconds, speed: [*even, *slope, *bow] }]);
    }
    ramps.end_behind(pieces.len());
    block.go_along(Ramps::Listed(ramps));
    block
}

/// Constant jerk from rest and back to a steady speed: the acceleration is a triangle.
fn triangle(jerk: f64, seconds: f64) -> Vec<RampPiece> {
    let bent = jerk * seconds * seconds / 2.0;
    vec![
        RampPiece { seconds, speed: [0.0, 0.0, bent, 0.0, 0.0, 0.0] },
        RampPiece { seconds, speed: [bent, 2.0 * bent, -bent, 0.0, 0.0, 0.0] },
    ]
}

/// Duhamel's integral by Simpson's rule: amplitude at the end of pieces, mm.
fn duhamel(mode: &Mode, pieces: &[RampPiece]) -> f64 {
    let omega = std::f64::consts::TAU * mode.natural_hz;
    let damped = omega * (1.0 - mode.damping_ratio * mode.damping_ratio).sqrt();
    let whole: f64 = pieces.iter().map(|piece| piece.seconds).sum();
    let (mut re, mut im, mut passed) = (0.0, 0.0, 0.0);
    for piece in pieces {
        let steps = 4000;
        for n in 0..=steps {
            let share = f64::from(n) / f64::from(steps);
            let weight = if n == 0 || n == steps { 1.0 } else { f64::from(2 + 2 * (n % 2)) };
            let left = whole - passed - share * piece.seconds;
            let size = weight * piece.accel_at(share) * (-mode.damping_ratio * omega * left).exp();
            re += size * (damped * left).cos() * piece.seconds / f64::from(steps) / 3.0;
            im += size * (damped * left).sin() * piece.seconds / f64::from(steps) / 3.0;
        }
        passed += piece.seconds;
    }
    re.hypot(im) / damped
}

#[test]
fn a_triangle_of_acceleration_leaves_its_transform() {
    // Without damping |∫ a e^(iωt) dt| / ω, of a triangle J T² (sin(ωT / 2) / (ωT / 2))²: nothing where T is a period.
    for (seconds, jerk) in [(0.004, 3e5), (0.011, 1e5), (0.025, 1e5), (0.03, 2e4)] {
        let half = PI * 40.0 * seconds;
        let expected = jerk * seconds * seconds * (half.sin() / half).powi(2) / (2.0 * PI * 40.0);
        let found = ringing_behind(mode(40.0, 0.0), triangle(jerk, seconds));
        // Times are rounded to 2⁻³² s.
        assert!((found - expected).abs() < 1e-7, "{seconds}: {found} {expected}");
    }
}

#[test]
fn ramps_ring_as_duhamels_integral_says() {
    let quintic = |s: f64| vec![RampPiece::quintic(Piece { seconds: grid::time(s), start_mm_s: 0.0, end_mm_s: 60.0 })];
    let mode = mode(40.0, 0.07);
    for seconds in [0.01, 0.03, 0.08] {
        // The quintic is followed by parts of even growth.
        for (pieces, room) in [(triangle(1e5, seconds), 1e-7), (quintic(seconds), 4e-4)] {
            let expected = duhamel(&mode, &pieces);
            let found = ringing_behind(mode, pieces);
            assert!((found - expected).abs() < room * (1.0 + expected), "{seconds}: {found} {expected}");
        }
    }
}

#[test]
fn a_short_jerk_rings_like_a_step_of_acceleration() {
    // While the jerk lasts, too: its own sag has no time to build up.
    let even = block(&[([1.0, 0.0, 0.0], [0.0, 60.0, 60.0], [0.02, 0.1, 0.0], 3000.0)]);
    let jerk_s = 1e-4;
    let bent = 3000.0 * jerk_s / 2.0;
    let piece =
        |seconds: f64, speed: [f64; 3]| RampPiece { seconds, speed: [speed[0], speed[1], speed[2], 0.0, 0.0, 0.0] };
    let pieces = vec![
        piece(jerk_s, [0.0, 0.0, bent]),
        piece(0.02 - jerk_s, [bent, 60.0 - 2.0 * bent, 0.0]),
        piece(jerk_s, [60.0 - bent, 2.0 * bent, -bent]),
        piece(0.1, [60.0, 0.0, 0.0]),
    ];
    for shaper in [None, Some(shaper(ShaperKind::Zv, 0.05))] {
        let peak = |mut block: Block| {
            let mut vibration = Vibration::new(&structure(&[mode(40.0, 0.05)], shaper));
            vibration.follow(&mut block);
            block.ringing_mm[0][0]
        };
        let (even, bent) = (peak(even.clone()), peak(ramps(pieces.clone())));
        assert!((bent / even - 1.0).abs() < 0.02, "{even} {bent}");
    }
}

const KINDS: [ShaperKind; 4] = ShaperKind::ALL;

fn shaper(kind: ShaperKind, tuned_damping_ratio: f64) -> ImpulseShaper {
    ImpulseShaper { kind, tuned_hz: 40.0, tuned_damping_ratio }
}

/// What is left behind a shaper tuned to 40 Hz, as a share of what a step of speed leaves without.
fn left_over(kind: ShaperKind, hz: f64, zeta: f64) -> f64 {
    let step = || block(&[level(8.0, 0.01)]);
    let modes = [mode(hz, zeta)];
    // Both are measured from the last impulse on; the speed goes on, so that there is one step only.
    let after = |shaper: Option<ImpulseShaper>, seconds: f64| {
        let mut vibration = Vibration::new(&structure(&modes, shaper));
        vibration.follow(&mut step());
        vibration.follow(&mut block(&[level(8.0, seconds)]));
        vibration.lanes[0].oscillators[0].ringing_mm()
    };
    after(Some(shaper(kind, zeta)), 0.09) / after(None, 0.09)
}

#[test]
fn shapers_leave_nothing_at_their_frequency() {
    // Singer, Seering 1990; Singhose, Seering, Singer 1994 (from memory).
    for kind in KINDS {
        let sum: f64 = impulses(&shaper(kind, 0.08)).iter().map(|(size, _)| size).sum();
        assert!((sum - 1.0).abs() < 1e-15);
        let wanted = if kind == ShaperKind::Ei { 0.05 } else { 0.0 };
        assert!((left_over(kind, 40.0, 0.0) - wanted).abs() < 1e-6, "{kind:?}");
        if kind != ShaperKind::Ei {
            assert!(left_over(kind, 40.0, 0.1) < 1e-6, "{kind:?}");
        }
    }
    // ZV with damping: 1 / (1 + K) and K / (1 + K), half a damped period apart.
    let (k, root) = ((-PI * 0.1 / 0.99f64.sqrt()).exp(), 0.99f64.sqrt());
    let zv = impulses(&shaper(ShaperKind::Zv, 0.1));
    assert!((zv[0].0 - 1.0 / (1.0 + k)).abs() < 1e-15 && (zv[1].1 - 0.0125 / root).abs() < 1e-15);
    let zvd = impulses(&shaper(ShaperKind::Zvd, 0.0));
    assert_eq!(zvd, [(0.25, 0.0), (0.5, 0.0125), (0.25, 0.025)]);
}

#[test]
fn shapers_are_as_wide_as_published() {
    // Relative width of the band below 5 % vibration without damping. Closed forms: ZV (4 / π) asin V,
    // ZVD (4 / π) asin √V, EI (2 / π) acos((1 − 3V) / (1 + V)); published 0.06, 0.286, 0.40 (from memory).
    for (kind, width) in [(ShaperKind::Zv, 0.0636885), (ShaperKind::Zvd, 0.2871326), (ShaperKind::Ei, 0.3994508)] {
        let edge = |mut inside: f64, mut outside: f64| {
            for _ in 0..40 {
                let middle = (inside + outside) / 2.0;
                if left_over(kind, middle, 0.0) <= 0.05 { inside = middle } else { outside = middle }
            }
            inside
        };
        let near = 40.0 * (1.0 + 0.45 * width);
        let found = (edge(near, 55.0) - edge(80.0 - near, 25.0)) / 40.0;
        assert!((found - width).abs() < 2e-6, "{kind:?}: {found}");
    }
    // Off frequency the closed form is the size of the sum of the phasors.
    for kind in KINDS {
        for hz in [25.0, 37.0, 52.0] {
            let phasors = impulses(&shaper(kind, 0.0));
            let part = |of: fn(f64) -> f64| -> f64 { phasors.iter().map(|(size, t)| size * of(TAU * hz * t)).sum() };
            let value = part(f64::cos).hypot(part(f64::sin));
            assert!((left_over(kind, hz, 0.0) - value).abs() < 1e-6, "{kind:?} at {hz}");
        }
    }
}

#[test]
fn a_shaped_response_is_the_sum_of_delayed_ones() {
    let modes = [mode(33.0, 0.04)];
    let moves: Vec<_> = (0..60)
        .map(|n| {
            let (speed, x) = (40.0 + f64::from(n * 7 % 30), f64::from(n % 5) / 2.0 - 1.0);
            ([x, (1.0 - x * x).sqrt(), 0.0], [speed, speed + 12.0, speed + 4.0], [0.012, 0.003, 0.008], 1000.0)
        })
        .collect();
    let shaper = shaper(ShaperKind::Zvdd, 0.07);
    let shaped = ringing_after(&structure(&modes, Some(shaper)), block(&moves), 0.2);
    let mut sum = [0.0; 2];
    for (size, delay) in impulses(&shaper) {
        let mut vibration = Vibration::new(&structure(&modes, None));
        vibration.follow(&mut block(&moves));
        vibration.rest(0.2 - delay);
        vibration.follow(&mut block(&[level(0.0, 0.0)]));
        let state = vibration.lanes[0].oscillators[0].state(0.0);
        (0..2).for_each(|i| sum[i] += size * state[i]);
    }
    let omega = TAU * 33.0;
    let damped = omega * (1.0f64 - 0.04 * 0.04).sqrt();
    let value = sum[0].hypot((sum[1] + 0.04 * omega * sum[0]) / damped);
    assert!((shaped - value).abs() < 1e-7 * value, "{shaped} {value}");
}

#[test]
fn directions_with_different_shapers_keep_their_own() {
    let along = |along| Mode { along, ..mode(40.0, 0.0) };
    let modes = [along(Direction::X), along(Direction::Y), along(Direction::Sum), along(Direction::Difference)];
    let mut shaped = structure(&modes, None);
    shaped.shapers[0] = Some(shaper(ShaperKind::Zv, 0.0));
    let mut vibration = Vibration::new(&shaped);
    let half = 0.5f64.sqrt();
    vibration.follow(&mut block(&[([half, half, 0.0], [10.0; 3], [0.0, 0.2, 0.0], 1.0)]));
    let found: Vec<f64> = vibration.lanes.iter().map(|lane| lane.oscillators[0].ringing_mm()).collect();
    // Behind the shaper X leaves nothing; Y is not shaped; both diagonals see the step of Y by 1 / √2.
    let y = 10.0 * half / (TAU * 40.0);
    let wanted = [0.0, y, y * half, y * half];
    assert!(found.iter().zip(wanted).all(|(found, wanted)| (found - wanted).abs() < 1e-9), "{found:?} {wanted:?}");
}

/// Residual of −∫ a e^(λ(T−t)) dt over an arc, by Simpson's rule on fine steps; mm.
fn integrated(mode: &Mode, seconds: f64, accel: impl Fn(f64) -> f64, steps: [f64; 2]) -> f64 {
    let omega = TAU * mode.natural_hz;
    let damped = omega * (1.0 - mode.damping_ratio.powi(2)).sqrt();
    let decay = mode.damping_ratio * omega;
    let kernel = |t: f64| {
        let size = (-decay * (seconds - t)).exp();
        [size * (damped * (seconds - t)).cos(), size * (damped * (seconds - t)).sin()]
    };
    const PARTS: usize = 40_000;
    let h = seconds / PARTS as f64;
    let mut sum = [0.0; 2];
    for k in 0..=PARTS {
        let weight = if k == 0 || k == PARTS { 1.0 } else { f64::from(2 + 2 * (k as u32 % 2)) } * h / 3.0;
        let (a, e) = (accel(h * k as f64), kernel(h * k as f64));
        (0..2).for_each(|i| sum[i] += weight * a * e[i]);
    }
    let first = kernel(0.0);
    sum[0] += steps[0] * first[0] + steps[1];
    sum[1] += steps[0] * first[1];
    sum[0].hypot(sum[1]) / damped
}

#[test]
fn arcs_keep_their_bound() {
    for (radius, sweep, speed, zeta) in [
        (5.0, TAU, 100.0, 0.05),
        (1.0, -PI, 40.0, 0.0),
        (0.4, 3.0, 25.0, 0.02),
        (20.0, 1.2, 150.0, 0.1),
        (60.0, -TAU, 50.0, 0.03),
    ] {
        let mode = mode(42.0, zeta);
        let seconds = grid::time(radius * f64::abs(sweep) / speed);
        let mut arc = block(&[([0.0, f64::signum(sweep), 0.0], [speed; 3], [0.0, seconds, 0.0], 4000.0)]);
        arc.length_mm[0] = radius * f64::abs(sweep);
        let shape = Arc { axes: [0, 1, 2], centre: [0.0; 2], radius, start_rad: 0.0, sweep_rad: sweep };
        let end = [-sweep.sin() * sweep.signum(), sweep.cos() * sweep.signum(), 0.0];
        arc.curves.push(CurvedMove { at: 0, curve: Curve::Arc(shape), dir_end: end });
        let rate = speed / radius;
        // x = r cos φ: it starts along Y, so without a step of X; the centripetal acceleration is −v² / r cos φ.
        let accel = |t: f64| -speed * rate * (rate * t).cos();
        let stop = speed * f64::sin(f64::abs(sweep));
        let exact = integrated(&mode, seconds, accel, [0.0, stop]);
        let found = ringing_after(&structure(&[mode], None), arc, 1e-9);
        assert!((found - exact).abs() < 0.0005, "{radius} {sweep}: {found} {exact}");
        assert!((found - exact).abs() < 0.02 * exact + 1e-5, "{radius} {sweep}: {found} {exact}");
    }
}

#[test]
fn arcs_keep_their_bound_while_they_speed_up() {
    for (radius, accel, seconds, zeta) in
        [(4.0, 1500.0, 0.06, 0.04), (0.8, 800.0, 0.03, 0.0), (15.0, 3000.0, 0.05, 0.1)]
    {
        let mode = mode(42.0, zeta);
        let (seconds, speed) = (grid::time(seconds), accel * grid::time(seconds));
        let mut arc = block(&[([0.0, 1.0, 0.0], [0.0, speed, speed], [seconds, 0.0, 0.0], accel)]);
        arc.length_mm[0] = speed / 2.0 * seconds;
        let sweep = arc.length_mm[0] / radius;
        let shape = Arc { axes: [0, 1, 2], centre: [0.0; 2], radius, start_rad: 0.0, sweep_rad: sweep };
        arc.curves.push(CurvedMove { at: 0, curve: Curve::Arc(shape), dir_end: [-sweep.sin(), sweep.cos(), 0.0] });
        let along_x = |t: f64| {
            let (speed, angle) = (accel * t, accel * t * t / 2.0 / radius);
            -accel * angle.sin() - speed * speed / radius * angle.cos()
        };
        let exact = integrated(&mode, seconds, along_x, [0.0, speed * sweep.sin()]);
        let found = ringing_after(&structure(&[mode], None), arc, 1e-9);
        assert!((found - exact).abs() < 0.0005 && exact > 0.01, "{radius}: {found} {exact}");
    }
}

#[test]
fn a_straight_cubic_rings_like_a_line() {
    let modes = [mode(40.0, 0.05)];
    let line = ([1.0, 0.0, 0.0], [5.0, 65.0, 20.0], [0.02, 0.08, 0.015], 3000.0);
    let mut cubic = block(&[line]);
    cubic.length_mm[0] = 35.0 * 0.02 + 65.0 * 0.08 + 42.5 * 0.015;
    let points = [0.0, 0.2, 0.7, 1.0].map(|share| [share * cubic.length_mm[0], 0.0]);
    cubic.curves.push(CurvedMove { at: 0, curve: Curve::Cubic(Cubic { points }), dir_end: [1.0, 0.0, 0.0] });
    let [straight, curved] = [block(&[line]), cubic].map(|block| ringing_after(&structure(&modes, None), block, 0.001));
    assert!((straight - curved).abs() < 1e-9 && straight > 0.01, "{straight} {curved}");
}

#[test]
fn waits_let_it_ring_down_and_lines_are_told() {
    let modes = [mode(40.0, 0.05), Mode { along: Direction::Y, ..mode(30.0, 0.05) }];
    let mut vibration = Vibration::new(&structure(&modes, None));
    let mut first = block(&[level(0.0, 0.1), level(20.0, 0.004), level(20.0, 0.5)]);
    vibration.follow(&mut first);
    let step = 20.0 / (TAU * 40.0 * (1.0f64 - 0.0025).sqrt());
    assert!((first.ringing_mm[0][1] - step).abs() < 1e-12 && first.ringing_mm[0][0] == 0.0);
    assert!(first.ringing_mm[0][2] < step && first.ringing_mm[1][1] == 0.0);
    let [x, y] = <[_; 2]>::try_from(vibration.ringing()).expect("two directions");
    assert_eq!(
        (x.axis.as_ref(), x.peak_line, x.peak_hz, y.peak_mm, y.peak_line),
        ("x", Some(2), Some(40.0), 0.0, None)
    );
    assert!((x.peak_mm - step).abs() < 1e-12 && (x.mark_spacing_mm.unwrap() - 0.5).abs() < 1e-12);
    // From the step down to 0.01 mm: ln(step / 0.01) / ζω.
    let over_s = (step / 0.01).ln() / (0.05 * TAU * 40.0);
    assert!((x.over_limit_s.unwrap() - over_s).abs() < 1e-8, "{x:?}");
    // The 5 % of the time right behind the step.
    let p95 = step * (-0.05 * TAU * 40.0 * 0.05 * 0.604f64).exp();
    assert!((x.p95_mm.unwrap() / p95 - 1.0).abs() < 0.01, "{x:?} {p95}");
    // The stop rings too, but nobody extrudes then; after the wait little is left.
    vibration.rest(0.2);
    let mut second = block(&[level(0.0, 0.1)]);
    vibration.follow(&mut second);
    let left = step * (-0.05 * TAU * 40.0 * 0.2f64).exp();
    assert!((second.ringing_mm[0][0] / left - 1.0).abs() < 0.01, "{} {left}", second.ringing_mm[0][0]);
}

#[test]
fn without_modes_nothing_is_kept() {
    let mut vibration = Vibration::new(&Structure::default());
    let mut moves = block(&[level(20.0, 0.5)]);
    moves.ringing_mm = vec![Box::new([1.0; BLOCK])];
    vibration.rest(3.0);
    vibration.follow(&mut moves);
    assert!(moves.ringing_mm.is_empty() && vibration.ringing().is_empty());
}

/// Displacement and speed by the exponential of the system's matrix, extended by the constant acceleration.
fn by_matrix(mode: &Mode, motion: &Motion) -> [f64; 2] {
    let omega = TAU * mode.natural_hz;
    let mut state = Vector3::new(0.0, 0.0, 1.0);
    for &(seconds, accel, speed) in motion {
        state[1] -= speed;
        let system =
            Matrix3::new(0.0, 1.0, 0.0, -omega * omega, -2.0 * mode.damping_ratio * omega, -accel, 0.0, 0.0, 0.0);
        state = (system * seconds).exp() * state;
    }
    [state[0], state[1]]
}

fn motions() -> impl Strategy<Value = Motion> {
    let piece = (0.0..0.08f64, -5000.0..5000.0f64, prop_oneof![Just(0.0), -20.0..20.0f64]);
    proptest::collection::vec(piece, 1..40)
}

fn state_after(mode: &Mode, motion: &Motion) -> [f64; 2] {
    let mut oscillator = Oscillator::new(mode);
    after(&mut oscillator, motion);
    oscillator.state(0.0)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn agrees_with_matrix_exponentials(motion in motions(), hz in 15.0..120.0f64, zeta in 0.0..0.4f64) {
        let mode = mode(hz, zeta);
        let (found, exact) = (state_after(&mode, &motion), by_matrix(&mode, &motion));
        prop_assert!((found[0] - exact[0]).abs() < 1e-9, "{:?} {:?}", found, exact);
        prop_assert!((found[1] - exact[1]).abs() < 1e-6, "{:?} {:?}", found, exact);
    }

    #[test]
    fn responses_add_up(a in motions(), factor in -2.0..2.0f64, zeta in 0.0..0.3f64) {
        // The same times with other accelerations and steps.
        let mode = mode(44.0, zeta);
        let b: Motion = a.iter().rev().zip(&a).map(|(other, piece)| (piece.0, other.1, other.2)).collect();
        let sum: Motion =
            a.iter().zip(&b).map(|(a, b)| (a.0, a.1 + factor * b.1, a.2 + factor * b.2)).collect();
        let [a, b, sum] = [a, b, sum].map(|motion| state_after(&mode, &motion));
        prop_assert!((a[0] + factor * b[0] - sum[0]).abs() < 1e-11);
        prop_assert!((a[1] + factor * b[1] - sum[1]).abs() < 1e-8);
    }

    #[test]
    fn what_happens_later_happens_the_same(motion in motions(), seconds in 0.0..3.0f64) {
        let mode = mode(44.0, 0.05);
        let mut later = motion.clone();
        later.insert(0, (seconds, 0.0, 0.0));
        prop_assert_eq!(state_after(&mode, &later), state_after(&mode, &motion));
    }

    #[test]
    fn energy_falls_by_the_decay(motion in motions(), seconds in 0.0..1.0f64, zeta in 0.0..0.3f64) {
        let mode = mode(44.0, zeta);
        let mut longer = motion.clone();
        longer.push((seconds, 0.0, 0.0));
        let (before, behind) = (residual(&mode, &motion), residual(&mode, &longer));
        let kept = (-zeta * TAU * 44.0 * seconds).exp();
        prop_assert!(behind <= before * (1.0 + 1e-12) && (behind - before * kept).abs() < 1e-12);
    }
}
