//! Impulse shapers: the motion is convolved with a few impulses, so each step of acceleration or speed at time t becomes
//! one of A_i times its size at each t + t_i. The oscillators are linear, so this is the shaped response exactly.
//!
//! zv, zvd, zvdd: Singer, Seering, *Preshaping command inputs to reduce system vibration*, J. Dyn. Sys. Meas. Control 112
//! (1990) 76-82. ei: Singhose, Seering, Singer, *Residual vibration reduction using vector diagrams to generate shaped
//! inputs*, J. Mech. Design 116 (1994) 654-659, for 5 % vibration without damping. All from memory.

use super::pieces::{PieceOf, Pieces};
use super::{PIECES, PieceColumn};
use crate::block::grid::{Sum, time_units};
use crate::machine::{ImpulseShaper, ShaperKind};

/// Vibration that the ei shaper accepts at its own frequency.
const EI_VIBRATION: f64 = 0.05;
/// Most steps that wait in a queue; in a job that packs more into a delay, the oldest come early.
const STEPS_KEPT: usize = 1 << 20;

/// Size and delay in s of each impulse, the first without delay; the sizes sum to 1.
pub fn impulses(shaper: &ImpulseShaper) -> Vec<(f64, f64)> {
    let zeta = shaper.tuned_damping_ratio;
    let root = (1.0 - zeta * zeta).sqrt();
    let half_period_s = 0.5 / (shaper.tuned_hz * root);
    // What damping leaves of the amplitude after half a period.
    let k = (-std::f64::consts::PI * zeta / root).exp();
    let sizes: &[f64] = match shaper.kind {
        ShaperKind::Zv => &[1.0, k],
        ShaperKind::Zvd => &[1.0, 2.0 * k, k * k],
        ShaperKind::Zvdd => &[1.0, 3.0 * k, 3.0 * k * k, k * k * k],
        ShaperKind::Ei => &ei(k),
    };
    let whole: f64 = sizes.iter().sum();
    sizes.iter().enumerate().map(|(i, size)| (size / whole, i as f64 * half_period_s)).collect()
}

/// RunOptions of the ei shaper: without damping (1 + V) / 4, (1 − V) / 2, (1 + V) / 4; with damping each later one is smaller
/// by what half a period leaves (derived here: the three then stand to one another as they would without damping).
fn ei(k: f64) -> [f64; 3] {
    let (outer, middle) = ((1.0 + EI_VIBRATION) / 4.0, (1.0 - EI_VIBRATION) / 2.0);
    [outer, middle * k, outer * k * k]
}

/// A step of the commanded motion.
#[derive(Debug, Clone, Copy)]
struct Step {
    at: u64,
    /// Of acceleration, speed and jerk, for each axis.
    parts: [[f64; 3]; 3],
}

/// One impulse acting on one axis: which step of the queue comes next with its delay.
#[derive(Debug, Clone)]
struct Stream {
    axis: usize,
    size: f64,
    delay: u64,
    next: usize,
    /// When that step falls due; none waits: never.
    due: u64,
}

const NEVER: u64 = u64::MAX;

/// The steps of one direction behind the shapers. Times are whole numbers of 2⁻³² s, to which delays are rounded.
#[derive(Debug, Clone)]
pub(super) struct Delays {
    streams: Vec<Stream>,
    queue: Queue,
}

/// Steps that wait, and the pieces that come of them.
#[derive(Debug, Clone)]
struct Queue {
    /// The axes that the direction has a part in.
    axes: Vec<usize>,
    /// Those that all impulses have passed on are dropped now and then.
    waiting: Vec<Step>,
    now: u64,
    shaped: Box<Shaped>,
}

/// Pieces of the shaped motion along one direction.
#[derive(Debug, Clone)]
pub(super) struct Shaped {
    pub(super) count: usize,
    pub(super) seconds: PieceColumn,
    pub(super) of: [PieceOf; PIECES],
    pub(super) accel: PieceColumn,
    pub(super) speed: PieceColumn,
    pub(super) jerk: PieceColumn,
}

impl Delays {
    /// Those of a direction; none where no shaper acts on it.
    pub(super) fn new(vector: [f64; 3], shapers: &[Option<ImpulseShaper>; 2]) -> Option<Self> {
        let shaper = |axis: usize| shapers.get(axis).copied().flatten();
        let acting = |axis: usize| vector[axis] != 0.0;
        if !(0..3).any(|axis| acting(axis) && shaper(axis).is_some()) {
            return None;
        }
        let axes: Vec<usize> = (0..3).filter(|&axis| acting(axis)).collect();
        let mut streams = Vec::new();
        for &axis in &axes {
            let impulses = shaper(axis).map_or_else(|| vec![(1.0, 0.0)], |shaper| impulses(&shaper));
            streams.extend(impulses.into_iter().map(|(size, delay_s)| Stream {
                axis,
                size: size * vector[axis],
                delay: time_units(delay_s),
                next: 0,
                due: NEVER,
            }));
        }
        const ZEROS: PieceColumn = [0.0; PIECES];
        let shaped = Shaped { count: 0, seconds: ZEROS, of: [0; PIECES], accel: ZEROS, speed: ZEROS, jerk: ZEROS };
        Some(Self { streams, queue: Queue { axes, waiting: Vec::new(), now: 0, shaped: Box::new(shaped) } })
    }

    /// Cuts pieces where delayed steps fall due; calls `full` whenever a chunk is complete, and at the end.
    pub(super) fn follow(&mut self, pieces: &Pieces, mut full: impl FnMut(&Shaped)) {
        let Self { streams, queue } = self;
        // Where their number is known, the loops over them are unrolled.
        match streams.len() {
            2 => queue.cut_by::<2>(streams, pieces, &mut full),
            3 => queue.cut_by::<3>(streams, pieces, &mut full),
            4 => queue.cut_by::<4>(streams, pieces, &mut full),
            _ => queue.cut(streams, pieces, &mut full),
        }
        queue.shaped.flush(&mut full);
        queue.forget(streams);
    }
}

impl Queue {
    fn cut_by<const STREAMS: usize>(&mut self, streams: &mut [Stream], pieces: &Pieces, full: &mut dyn FnMut(&Shaped)) {
        if let Some(streams) = streams.first_chunk_mut::<STREAMS>() {
            self.cut(streams, pieces, full);
        }
    }

    #[inline(always)]
    fn cut(&mut self, streams: &mut [Stream], pieces: &Pieces, full: &mut dyn FnMut(&Shaped)) {
        for i in 0..pieces.count() {
            let passed = (self.waiting.len() >= STEPS_KEPT).then(|| passed(streams));
            self.wait(pieces, i, streams);
            let end = self.now.saturating_add(time_units(pieces.seconds[i]));
            self.piece(end, pieces.of[i], streams, full);
            if let Some(passed) = passed {
                self.hurry(passed, streams);
            }
        }
    }

    /// Queues a step, unless it leaves this direction as it is.
    #[inline(always)]
    fn wait(&mut self, pieces: &Pieces, i: usize, streams: &mut [Stream]) {
        let (mut step, mut acts) = (Step { at: self.now, parts: [[0.0; 3]; 3] }, false);
        for &axis in &self.axes {
            let jerk = if pieces.has_jerk { pieces.jerk[axis][i] } else { 0.0 };
            step.parts[axis] = [pieces.accel[axis][i], pieces.speed[axis][i], jerk];
            acts |= step.parts[axis] != [0.0; 3];
        }
        if acts {
            self.waiting.push(step);
            for stream in streams.iter_mut().filter(|stream| stream.due == NEVER) {
                stream.due = step.at.saturating_add(stream.delay);
            }
        }
    }

    /// The shaped motion from now to `end`. Steps due right at the end belong to what follows, so nothing depends on
    /// where pieces are handed over.
    #[inline(always)]
    fn piece(&mut self, end: u64, of: PieceOf, streams: &mut [Stream], full: &mut dyn FnMut(&Shaped)) {
        let Self { waiting, now, shaped, .. } = self;
        let (waiting, mut at) = (&waiting[..], *now);
        loop {
            let (mut sum, mut until) = ([0.0; 3], end);
            for stream in streams.iter_mut() {
                while stream.due <= at {
                    let parts = &waiting[stream.next].parts[stream.axis];
                    for (sum, part) in sum.iter_mut().zip(parts) {
                        *sum += stream.size * part;
                    }
                    stream.next += 1;
                    stream.due = due_of(waiting, stream);
                }
                until = until.min(stream.due);
            }
            shaped.push(until - at, of, sum, full);
            at = until;
            if at >= end {
                break;
            }
        }
        *now = at;
    }

    /// Lets the oldest steps fall due where more wait than are kept; so many had been passed on before this piece.
    #[cold]
    fn hurry(&mut self, passed: usize, streams: &mut [Stream]) {
        let surplus = (self.waiting.len() - passed).saturating_sub(STEPS_KEPT);
        if surplus > 0 {
            self.waiting[passed..passed + surplus].iter_mut().for_each(|step| step.at = 0);
            streams.iter_mut().for_each(|stream| stream.due = due_of(&self.waiting, stream));
        }
    }

    /// Drops the steps that all impulses have passed on, once they are as many as those that wait.
    fn forget(&mut self, streams: &mut [Stream]) {
        let passed = passed(streams);
        if 2 * passed >= self.waiting.len() {
            self.waiting.drain(..passed);
            streams.iter_mut().for_each(|stream| stream.next -= passed);
        }
    }
}

impl Shaped {
    #[inline(always)]
    fn push(&mut self, units: u64, of: PieceOf, [accel, speed, jerk]: [f64; 3], full: &mut dyn FnMut(&Self)) {
        let i = self.count % PIECES;
        self.seconds[i] = units as i64 as f64 / Sum::ONE;
        (self.of[i], self.accel[i], self.speed[i], self.jerk[i]) = (of, accel, speed, jerk);
        self.count = i + 1;
        if self.count == PIECES {
            self.flush(full);
        }
    }

    #[cold]
    fn flush(&mut self, full: &mut dyn FnMut(&Self)) {
        if self.count > 0 {
            full(self);
            self.count = 0;
        }
    }
}

/// How many steps all impulses have passed on.
fn passed(streams: &[Stream]) -> usize {
    streams.iter().map(|stream| stream.next).min().unwrap_or(0)
}

#[inline(always)]
fn due_of(waiting: &[Step], stream: &Stream) -> u64 {
    waiting.get(stream.next).map_or(NEVER, |step| step.at.saturating_add(stream.delay))
}
