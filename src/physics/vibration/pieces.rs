//! The planned motion as pieces of constant acceleration or constant jerk, and the steps of acceleration, speed and jerk
//! between them.

use std::ops::Range;

use kurbo::{CubicBez, ParamCurve, ParamCurveArclen, ParamCurveDeriv};

use super::{PIECES, PieceColumn};
use crate::block::{Block, CurvedMove, Piece, RampPiece, grid};
use crate::geometry::{Arc, Cubic, Curve};
use crate::machine::Mode;

/// Index of the move a piece belongs to, in its block.
pub(super) type PieceOf = u16;
/// A piece between moves: a wait.
pub(super) const NO_MOVE: PieceOf = PieceOf::MAX;

/// What cutting a phase of an arc into pieces may cost in amplitude at most, mm.
const ARC_ERROR_MM: f64 = 0.0005;
/// Most pieces of a phase of a curve; the bound above holds where they suffice.
const CURVE_PIECES_MOST: usize = 4096;
/// Most pieces of a phase of a cubic.
const CUBIC_PIECES_MOST: usize = 256;
/// Pieces of a phase of a cubic for each period of the quickest mode.
const CUBIC_PIECES_PER_PERIOD: f64 = 16.0;

/// A chunk of pieces, and the motion at its end.
#[derive(Debug, Clone)]
pub(super) struct Pieces {
    pub(super) seconds: PieceColumn,
    pub(super) of: [PieceOf; PIECES],
    /// Steps of acceleration and speed over X, Y, Z at the start of each piece, mm/s² and mm/s.
    pub(super) accel: [PieceColumn; 3],
    pub(super) speed: [PieceColumn; 3],
    /// Steps of jerk, mm/s³; filled only where some move had any.
    pub(super) jerk: [PieceColumn; 3],
    pub(super) has_jerk: bool,
    jerk_now: [f64; 3],
    count: usize,
    /// Acceleration and velocity now.
    accel_now: [f64; 3],
    speed_now: [f64; 3],
    /// Steps of speed since the last piece.
    step: [f64; 3],
    fineness: Fineness,
}

/// How fine curves must be cut for the modes at hand.
#[derive(Debug, Clone, Copy)]
struct Fineness {
    /// Longest time a mode remembers, s: twice its time constant.
    memory_s: f64,
    /// Largest amplitude for a residual of speed, as a multiple of ω⁻¹: share / √(1 − ζ²).
    gain: f64,
    quickest_hz: f64,
}

impl Fineness {
    fn of(modes: &[Mode]) -> Self {
        let mut fineness = Self { memory_s: 0.0, gain: 0.0, quickest_hz: 0.0 };
        for mode in modes {
            let decay_per_s = mode.damping_ratio * std::f64::consts::TAU * mode.natural_hz;
            let root = (1.0 - mode.damping_ratio * mode.damping_ratio).sqrt();
            fineness.memory_s = fineness.memory_s.max(2.0 / decay_per_s);
            fineness.gain = fineness.gain.max(mode.share / root);
            fineness.quickest_hz = fineness.quickest_hz.max(mode.natural_hz);
        }
        fineness
    }

    /// How many pieces of equal time a phase of an arc needs.
    ///
    /// With the mean acceleration on each piece of h s the velocity is right at its ends. Where the acceleration turns by
    /// no more than J mm/s³, its error on a piece has the integral 0 and a magnitude with an integral of at most J h² / 3;
    /// since e^(λt) changes by at most ωh / 2 from the middle, the residual errs by J h³ / 6. Memory adds up no more than
    /// min(T, 2 / ζω) / h of them. On an arc of radius r, at up to v with the acceleration a along it, J is at most
    /// (3 a v + v³ / r) / r and the jerk along it.
    fn of_arc(&self, phase: &Piece, accel: f64, jerk: f64, radius_mm: f64) -> usize {
        let speed = phase.start_mm_s.max(phase.end_mm_s);
        let along = if phase.start_mm_s == phase.end_mm_s { 0.0 } else { accel };
        let turning = ((3.0 * along * speed + speed * speed * speed / radius_mm) / radius_mm + jerk) * self.gain;
        let memory_s = self.memory_s.min(phase.seconds);
        let piece_s = (6.0 * ARC_ERROR_MM / (turning * memory_s)).sqrt();
        // An absurd quotient saturates.
        ((phase.seconds / piece_s).ceil() as usize).clamp(1, CURVE_PIECES_MOST)
    }

    fn of_cubic(&self, phase: &Piece) -> usize {
        self.of_ramp(phase.seconds)
    }

    /// How many parts of even growth of the acceleration a ramp needs on which it bends.
    fn of_ramp(&self, seconds: f64) -> usize {
        let pieces = (seconds * self.quickest_hz * CUBIC_PIECES_PER_PERIOD).ceil();
        (pieces as usize).clamp(8, CUBIC_PIECES_MOST)
    }
}

impl Pieces {
    /// At rest, for these modes.
    pub(super) fn new(modes: &[Mode]) -> Box<Self> {
        const ZEROS: PieceColumn = [0.0; PIECES];
        Box::new(Self {
            seconds: ZEROS,
            of: [0; PIECES],
            accel: [ZEROS; 3],
            speed: [ZEROS; 3],
            jerk: [ZEROS; 3],
            has_jerk: false,
            jerk_now: [0.0; 3],
            count: 0,
            accel_now: [0.0; 3],
            speed_now: [0.0; 3],
            step: [0.0; 3],
            fineness: Fineness::of(modes),
        })
    }

    /// Number of pieces in the chunk.
    #[inline(always)]
    pub(super) fn count(&self) -> usize {
        self.count.min(PIECES)
    }

    /// Cuts the moves of a block; `full` gets each chunk that is full, and the rest.
    pub(super) fn cut(&mut self, block: &Block, full: &mut impl FnMut(&Self)) {
        self.has_jerk |= !block.is_even();
        let mut from = 0;
        for bend in &block.curves {
            self.straights(block, from..bend.at, full);
            self.curve(block, bend, full);
            from = bend.at + 1;
        }
        self.straights(block, from..block.len(), full);
        self.hand_out(full);
    }

    fn straights(&mut self, block: &Block, range: Range<usize>, full: &mut impl FnMut(&Self)) {
        for i in range {
            if self.has_jerk {
                self.ramps(block, i, full);
                continue;
            }
            if self.count + 3 > PIECES {
                self.hand_out(full);
            }
            self.straight(block, i);
        }
    }

    /// The motion stops, and nothing moves for that long.
    pub(super) fn wait(&mut self, seconds: f64, full: &mut impl FnMut(&Self)) {
        self.turn_to([0.0; 3]);
        self.speed_now = [0.0; 3];
        self.push([0.0; 3], grid::time(seconds), NO_MOVE);
        self.hand_out(full);
    }

    fn hand_out(&mut self, full: &mut impl FnMut(&Self)) {
        if self.count > 0 {
            full(self);
            self.count = 0;
        }
    }

    /// The velocity steps.
    #[inline(always)]
    fn turn_to(&mut self, speed: [f64; 3]) {
        for axis in 0..3 {
            self.step[axis] += speed[axis] - self.speed_now[axis];
        }
    }

    /// A piece of constant acceleration; what takes no time leaves nothing.
    #[inline(always)]
    fn push(&mut self, accel: [f64; 3], seconds: f64, of: PieceOf) {
        let i = self.count.min(PIECES - 1);
        let passes = seconds > 0.0;
        (self.seconds[i], self.of[i]) = (seconds, of);
        for axis in 0..3 {
            self.accel[axis][i] = accel[axis] - self.accel_now[axis];
            self.speed[axis][i] = self.step[axis];
            self.accel_now[axis] = if passes { accel[axis] } else { self.accel_now[axis] };
            self.step[axis] = if passes { 0.0 } else { self.step[axis] };
        }
        if self.has_jerk && passes {
            for axis in 0..3 {
                self.jerk[axis][i] = -self.jerk_now[axis];
            }
            self.jerk_now = [0.0; 3];
        }
        self.count += usize::from(passes);
    }

    /// A piece on which the acceleration along a direction goes evenly from one value to another.
    fn push_bent(&mut self, dir: [f64; 3], [from, to]: [f64; 2], seconds: f64, of: PieceOf) {
        let i = self.count.min(PIECES - 1);
        self.push(dir.map(|share| share * from), seconds, of);
        let jerk = (to - from) / seconds;
        for axis in 0..3 {
            (self.accel_now[axis], self.jerk_now[axis]) = (dir[axis] * to, dir[axis] * jerk);
            self.jerk[axis][i] += self.jerk_now[axis];
        }
    }

    /// A straight move whose ramps are not even.
    fn ramps(&mut self, block: &Block, i: usize, full: &mut impl FnMut(&Self)) {
        let dir = [block.dir[0][i], block.dir[1][i], block.dir[2][i]];
        self.turn_to(dir.map(|share| share * block.v_start_mm_s[i]));
        block.each_ramp(i, |ramp| {
            let parts = if ramp.has_constant_jerk() { 1 } else { self.fineness.of_ramp(ramp.seconds) };
            for [from_s, to_s] in grid::parts(ramp.seconds, parts) {
                if self.count + 1 > PIECES {
                    self.hand_out(full);
                }
                let shares = [from_s, to_s].map(|s| s / ramp.seconds);
                self.push_bent(dir, accels(ramp, shares), to_s - from_s, i as PieceOf);
            }
        });
        self.speed_now = dir.map(|share| share * block.v_end_mm_s[i]);
    }

    #[inline(always)]
    fn straight(&mut self, block: &Block, i: usize) {
        let dir = [block.dir[0][i], block.dir[1][i], block.dir[2][i]];
        let along = |size: f64| dir.map(|share| size * share);
        let [up, cruise, down] = block.pieces(i);
        self.turn_to(along(up.start_mm_s));
        self.push(along(block.accel_mm_s2[i]), up.seconds, i as PieceOf);
        self.push([0.0; 3], cruise.seconds, i as PieceOf);
        self.push(along(-block.accel_mm_s2[i]), down.seconds, i as PieceOf);
        self.speed_now = along(down.end_mm_s);
    }

    /// A curve by the mean acceleration on pieces of equal time of each phase.
    fn curve(&mut self, block: &Block, bend: &CurvedMove, full: &mut impl FnMut(&Self)) {
        let i = bend.at;
        let course = Course::of_bend(block, bend);
        let along = |speed: f64, at_mm: f64| course.tangent(at_mm).map(|share| speed * share);
        self.turn_to(along(block.v_start_mm_s[i], 0.0));
        let mut trace = Trace { passed_mm: 0.0, before: along(block.v_start_mm_s[i], 0.0) };
        let count = |fineness: &Fineness, phase: &Piece, accel: f64, jerk: f64| match &bend.curve {
            Curve::Arc(_) => fineness.of_arc(phase, accel, jerk, course.radius_mm()),
            Curve::Cubic(_) => fineness.of_cubic(phase),
        };
        if block.is_even() {
            for phase in block.pieces(i).into_iter().filter(|phase| phase.seconds > 0.0) {
                let parts = count(&self.fineness, &phase, block.accel_mm_s2[i], 0.0);
                let at = |to_s: f64, passed_mm: f64| along(phase.speed_at(to_s), passed_mm + phase.way_mm(to_s));
                self.phase(i, (phase.seconds, parts), &mut trace, at, full);
                trace.passed_mm += phase.length_mm();
            }
        } else {
            block.each_ramp(i, |ramp| {
                let phase = Piece { seconds: ramp.seconds, start_mm_s: ramp.start_mm_s(), end_mm_s: ramp.end_mm_s() };
                let most =
                    |of: &dyn Fn(f64) -> f64| [0.0, 0.25, 0.5, 0.75, 1.0].map(of).into_iter().fold(0.0, f64::max);
                let accel = most(&|share| ramp.accel_at(share).abs());
                let parts = count(&self.fineness, &phase, accel, most(&|share| ramp.jerk_at(share).abs()));
                let at = |to_s: f64, passed_mm: f64| {
                    let share = to_s / ramp.seconds;
                    along(ramp.speed_at(share), passed_mm + ramp.way_mm(share))
                };
                self.phase(i, (ramp.seconds, parts), &mut trace, at, full);
                trace.passed_mm += ramp.length_mm();
            });
        }
        self.speed_now = trace.before;
    }

    /// A phase of a curve in parts of equal time; `at` is the velocity so long after its start.
    fn phase(
        &mut self,
        i: usize,
        (seconds, parts): (f64, usize),
        trace: &mut Trace,
        at: impl Fn(f64, f64) -> [f64; 3],
        full: &mut impl FnMut(&Self),
    ) {
        for [from_s, to_s] in grid::parts(seconds, parts) {
            if self.count + 1 > PIECES {
                self.hand_out(full);
            }
            let after = at(to_s, trace.passed_mm);
            let per_s = 1.0 / (to_s - from_s);
            let mean = [0, 1, 2].map(|axis| (after[axis] - trace.before[axis]) * per_s);
            self.push(mean, to_s - from_s, i as PieceOf);
            trace.before = after;
        }
    }
}

/// How far one has got along a curve, and the velocity there.
struct Trace {
    passed_mm: f64,
    before: [f64; 3],
}

/// Accelerations at both ends of a part of a ramp: an even growth between them changes the speed as the ramp does.
fn accels(ramp: &RampPiece, [from, to]: [f64; 2]) -> [f64; 2] {
    let [start, end] = [from, to].map(|share| ramp.accel_at(share));
    let mean = (ramp.speed_at(to) - ramp.speed_at(from)) / ((to - from) * ramp.seconds);
    let shift = mean - (start + end) / 2.0;
    [start + shift, end + shift]
}

/// Tangents along a curve.
pub(crate) enum Course<'c> {
    Arc {
        arc: &'c Arc,
        /// Shares of the plane and of the third axis in the length.
        share: f64,
        rise: f64,
        length_mm: f64,
    },
    Cubic {
        bezier: CubicBez,
        share: f64,
        rise: f64,
        accuracy_mm: f64,
    },
}

impl<'c> Course<'c> {
    /// That of a curved move of a block.
    pub(crate) fn of_bend(block: &Block, bend: &'c CurvedMove) -> Self {
        let (i, third) = match &bend.curve {
            Curve::Arc(arc) => (bend.at, arc.axes[2]),
            Curve::Cubic(_) => (bend.at, 2),
        };
        Self::of(&bend.curve, block.length_mm[i], block.end(i)[third] - block.start(i)[third])
    }

    /// `rise_mm` is the way along the third axis.
    fn of(curve: &'c Curve, length_mm: f64, rise_mm: f64) -> Self {
        let rise = rise_mm / length_mm;
        match curve {
            Curve::Arc(arc) => {
                let share = arc.radius * arc.sweep_rad.abs() / length_mm;
                Self::Arc { arc, share, rise, length_mm }
            }
            Curve::Cubic(Cubic { points }) => {
                let [p0, p1, p2, p3] = points.map(|[x, y]| (x, y));
                let share = (1.0 - rise * rise).max(0.0).sqrt();
                // Of a long curve no f64 knows a place as well as of a short one: asked for more, the search has no end.
                let accuracy_mm = 1e-6_f64.max(1e-9 * length_mm);
                Self::Cubic { bezier: CubicBez::new(p0, p1, p2, p3), share, rise, accuracy_mm }
            }
        }
    }

    fn radius_mm(&self) -> f64 {
        match self {
            Self::Arc { arc, share, .. } => arc.radius / share,
            Self::Cubic { .. } => f64::INFINITY,
        }
    }

    /// Unit tangent after so much of the length.
    pub(crate) fn tangent(&self, at_mm: f64) -> [f64; 3] {
        let mut dir = [0.0; 3];
        match self {
            Self::Arc { arc, share, rise, length_mm } => {
                let [a, b, c] = arc.axes;
                let angle = arc.start_rad + arc.sweep_rad * (at_mm / length_mm).min(1.0);
                let turn = arc.sweep_rad.signum();
                (dir[a], dir[b], dir[c]) = (-angle.sin() * turn * share, angle.cos() * turn * share, *rise);
            }
            Self::Cubic { bezier, share, rise, accuracy_mm } => {
                let accuracy_mm = *accuracy_mm;
                let t = bezier.inv_arclen(at_mm * share, accuracy_mm).clamp(0.0, 1.0);
                // At an end where control points coincide the derivative is 0: look a little inside.
                let inside = t.clamp(1e-6, 1.0 - 1e-6);
                let run = bezier.deriv().eval(inside).to_vec2();
                let size = run.hypot();
                if size > 0.0 {
                    (dir[0], dir[1]) = (run.x / size * share, run.y / size * share);
                }
                dir[2] = *rise;
            }
        }
        dir
    }
}
