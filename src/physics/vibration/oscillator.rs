//! One mode as a damped oscillator on a base that is moved.
//!
//! x″ + 2ζω x′ + ω² x = −a(t) for the displacement x against the base, whose acceleration a is constant piece by piece,
//! with steps Δv of its speed in between. While a holds, x swings about −a / ω²: a constant sag, which leaves no waves
//! and is not ringing. Ringing is what remains, u = x + a / ω². With λ = −ζω + iω_d the complex residual
//! s = (u′ + ζω u) / ω_d + i u has |s| for its envelope and goes by s(t) = s(0) e^(λt), exactly; a step Δa adds
//! (ζω / ω_d + i) Δa / ω², a step of speed −Δv / ω_d (Duhamel's integral; Chopra, *Dynamics of Structures*, ch. 4).
//!
//! Where a grows by j per second x swings about −(a − 2ζ j / ω) / ω², which drifts by −j / ω² per second: ringing is what
//! remains of that, and a step Δj adds ((1 − 2ζ²) / ω_d − 2ζ i / ω) Δj / ω² (the same equation with a linear right side).

use std::f64::consts::TAU;

use super::spiral::spiral;
use super::{PIECES, PieceColumn};
use crate::machine::Mode;
use crate::vectors::{Vectors, columns::larger};

/// State and constants of a mode. The residual is in mm as the nozzle sees it.
#[derive(Debug, Clone)]
pub(super) struct Oscillator {
    pub(super) natural_hz: f64,
    pub(super) decay_per_s: f64,
    turns_per_s: f64,
    /// Real and imaginary part for a step of acceleration, mm per mm/s².
    of_accel: [f64; 2],
    /// Real part for a step of speed, mm per mm/s.
    of_speed: f64,
    /// Real and imaginary part for a step of jerk, mm per mm/s³.
    of_jerk: [f64; 2],
    residual: [f64; 2],
    /// Largest amplitude in each piece of the last chunk, mm: that at its start.
    pub(super) amplitude: Box<PieceColumn>,
}

/// A piece is short below a radian of swinging.
const SHORT_TURNS: f64 = 1.0 / TAU;

/// Steps of the base at the start of pieces of so many seconds, mm/s² and mm/s.
#[derive(Debug, Clone, Copy)]
pub(super) struct Steps<'a> {
    pub(super) seconds: &'a [f64],
    pub(super) accel: &'a [f64],
    pub(super) speed: &'a [f64],
    /// Where the acceleration grows within pieces.
    pub(super) jerk: Option<JerkSteps<'a>>,
}

/// Steps of the jerk, and what it is on each piece, mm/s³.
#[derive(Debug, Clone, Copy)]
pub(super) struct JerkSteps<'a> {
    pub(super) step: &'a [f64],
    pub(super) held: &'a [f64],
}

/// Columns for a chunk of pieces, kept for the next.
#[derive(Debug, Clone)]
pub(super) struct Scratch {
    kept: PieceColumn,
    turn: [PieceColumn; 2],
    step: [PieceColumn; 2],
}

impl Scratch {
    pub(super) fn new() -> Box<Self> {
        const ZEROS: PieceColumn = [0.0; PIECES];
        Box::new(Self { kept: ZEROS, turn: [ZEROS; 2], step: [ZEROS; 2] })
    }
}

impl Oscillator {
    /// At rest.
    pub(super) fn new(mode: &Mode) -> Self {
        let omega = TAU * mode.natural_hz;
        let damped = omega * (1.0 - mode.damping_ratio * mode.damping_ratio).sqrt();
        let per_accel = mode.share / (omega * omega);
        Self {
            natural_hz: mode.natural_hz,
            decay_per_s: mode.damping_ratio * omega,
            turns_per_s: damped / TAU,
            of_accel: [per_accel * mode.damping_ratio * omega / damped, per_accel],
            of_speed: -mode.share / damped,
            of_jerk: [
                per_accel * (1.0 - 2.0 * mode.damping_ratio * mode.damping_ratio) / damped,
                -2.0 * per_accel * mode.damping_ratio / omega,
            ],
            residual: [0.0; 2],
            amplitude: Box::new([0.0; PIECES]),
        }
    }

    /// Goes through pieces, at the start of which acceleration, speed and jerk of the base step; adds the amplitude at the
    /// start and at the end of each piece to `from` and `to`, or for the first mode puts it there.
    pub(super) fn follow(
        &mut self,
        vectors: Vectors,
        Steps { seconds, accel, speed, jerk }: Steps<'_>,
        scratch: &mut Scratch,
        is_first: bool,
        [from, to]: [&mut [f64]; 2],
    ) {
        let count = seconds.len();
        vectors.run(
            #[inline(always)]
            || self.prepare([seconds, accel, speed], scratch),
        );
        if let Some(jerk) = jerk {
            vectors.run(
                #[inline(always)]
                || self.prepare_jerk(jerk.step, scratch),
            );
        }
        self.chain(count, scratch);
        vectors.run(
            #[inline(always)]
            || match jerk {
                None => self.measure(scratch, is_first, [from, to]),
                Some(jerk) => self.measure_jerk([seconds, jerk.held], scratch, is_first, [from, to]),
            },
        );
    }

    #[inline(always)]
    fn prepare_jerk(&self, jerk: &[f64], scratch: &mut Scratch) {
        let [re, im] = scratch.step.each_mut().map(|column| &mut column[..jerk.len()]);
        for i in 0..jerk.len() {
            re[i] += jerk[i] * self.of_jerk[0];
            im[i] += jerk[i] * self.of_jerk[1];
        }
    }

    /// [`Self::measure`] for pieces on which the acceleration grows.
    ///
    /// The residual is that against the sag which such a growth ends in. On a piece that is short against a period there is
    /// no such sag yet: there counts what is left against that of the acceleration alone, at both ends.
    #[inline(always)]
    fn measure_jerk(
        &mut self,
        [seconds, jerk]: [&[f64]; 2],
        scratch: &Scratch,
        is_first: bool,
        [from, to]: [&mut [f64]; 2],
    ) {
        let count = from.len();
        let (kept, [re, im]) = (&scratch.kept[..count], scratch.step.each_ref().map(|column| &column[..count]));
        let [turn_re, turn_im] = scratch.turn.each_ref().map(|column| &column[..count]);
        let (seconds, jerk) = (&seconds[..count], &jerk[..count]);
        let (amplitude, to) = (&mut self.amplitude[..count], &mut to[..count]);
        for i in 0..count {
            let squared = |re: f64, im: f64| {
                let (re, im) = (re - jerk[i] * self.of_jerk[0], im - jerk[i] * self.of_jerk[1]);
                re * re + im * im
            };
            let end = squared(re[i] * turn_re[i] - im[i] * turn_im[i], re[i] * turn_im[i] + im[i] * turn_re[i]);
            let (whole, part) = (re[i] * re[i] + im[i] * im[i], larger(squared(re[i], im[i]), end));
            let is_short = seconds[i] * self.turns_per_s < SHORT_TURNS;
            amplitude[i] = (if is_short & (part < whole) { part } else { whole }).sqrt();
            from[i] = (if is_first { 0.0 } else { from[i] }) + amplitude[i];
            to[i] = (if is_first { 0.0 } else { to[i] }) + amplitude[i] * kept[i];
        }
    }

    #[inline(always)]
    fn prepare(&self, [seconds, accel, speed]: [&[f64]; 3], scratch: &mut Scratch) {
        let count = seconds.len();
        let (accel, speed) = (&accel[..count], &speed[..count]);
        let Scratch { kept, turn: [turn_re, turn_im], step: [step_re, step_im] } = scratch;
        let [kept, turn_re, turn_im] = [kept, turn_re, turn_im].map(|column| &mut column[..count]);
        let [step_re, step_im] = [step_re, step_im].map(|column| &mut column[..count]);
        for i in 0..count {
            (kept[i], turn_re[i], turn_im[i]) = spiral(self.decay_per_s, self.turns_per_s, seconds[i]);
            step_re[i] = accel[i] * self.of_accel[0] + speed[i] * self.of_speed;
            step_im[i] = accel[i] * self.of_accel[1];
        }
    }

    /// The residual at the start of each piece, in place of the steps.
    fn chain(&mut self, count: usize, scratch: &mut Scratch) {
        let Scratch { turn: [turn_re, turn_im], step: [step_re, step_im], .. } = scratch;
        let (turn_re, turn_im) = (&turn_re[..count], &turn_im[..count]);
        let (step_re, step_im) = (&mut step_re[..count], &mut step_im[..count]);
        let [mut re, mut im] = self.residual;
        for i in 0..count {
            let (a, b) = (re + step_re[i], im + step_im[i]);
            (step_re[i], step_im[i]) = (a, b);
            re = a * turn_re[i] - b * turn_im[i];
            im = a * turn_im[i] + b * turn_re[i];
        }
        self.residual = [re, im];
    }

    #[inline(always)]
    fn measure(&mut self, scratch: &Scratch, is_first: bool, [from, to]: [&mut [f64]; 2]) {
        let count = from.len();
        let (kept, [re, im]) = (&scratch.kept[..count], scratch.step.each_ref().map(|column| &column[..count]));
        let (amplitude, to) = (&mut self.amplitude[..count], &mut to[..count]);
        for i in 0..count {
            amplitude[i] = (re[i] * re[i] + im[i] * im[i]).sqrt();
            from[i] = (if is_first { 0.0 } else { from[i] }) + amplitude[i];
            to[i] = (if is_first { 0.0 } else { to[i] }) + amplitude[i] * kept[i];
        }
    }

    /// Amplitude now, mm.
    #[cfg(test)]
    pub(super) fn ringing_mm(&self) -> f64 {
        self.residual[0].hypot(self.residual[1])
    }

    /// Displacement and speed now, when the base has this acceleration, mm and mm/s.
    #[cfg(test)]
    pub(super) fn state(&self, accel: f64) -> [f64; 2] {
        let damped = TAU * self.turns_per_s;
        let [re, im] = self.residual;
        [im - accel * self.of_accel[1], re * damped - self.decay_per_s * im]
    }
}
