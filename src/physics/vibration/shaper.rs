//! Impulse shapers: the motion is convolved with a few impulses, so each step of acceleration or speed at time t becomes
//! one of A_i times its size at each t + t_i. The oscillators are linear, so this is the shaped response exactly.
//!
//! zv, zvd, zvdd: Singer, Seering, *Preshaping command inputs to reduce system vibration*, J. Dyn. Sys. Meas. Control 112
//! (1990) 76-82. ei: Singhose, Seering, Singer, *Residual vibration reduction using vector diagrams to generate shaped
//! inputs*, J. Mech. Design 116 (1994) 654-659, for 5 % vibration without damping. All from memory.

use std::collections::VecDeque;

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
    accel: [f64; 3],
    speed: [f64; 3],
    jerk: [f64; 3],
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
    waiting: VecDeque<Step>,
    now: u64,
    pub(super) shaped: Box<Shaped>,
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
        let mut streams = Vec::new();
        for axis in (0..3).filter(|&axis| acting(axis)) {
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
        Some(Self { streams, waiting: VecDeque::new(), now: 0, shaped: Box::new(shaped) })
    }

    /// Cuts pieces where delayed steps fall due; calls `full` whenever a chunk is complete, and at the end.
    pub(super) fn follow(&mut self, pieces: &Pieces, mut full: impl FnMut(&Shaped)) {
        for i in 0..pieces.count() {
            let part = |columns: &[PieceColumn; 3]| columns.each_ref().map(|column| column[i]);
            let jerk = if pieces.has_jerk { part(&pieces.jerk) } else { [0.0; 3] };
            self.wait(Step { at: self.now, accel: part(&pieces.accel), speed: part(&pieces.speed), jerk });
            let end = self.now.saturating_add(time_units(pieces.seconds[i]));
            self.piece(end, pieces.of[i], &mut full);
            self.now = end;
            self.forget();
        }
        self.flush(&mut full);
    }

    /// Queues a step, unless it leaves this direction as it is.
    fn wait(&mut self, step: Step) {
        let acts = |stream: &Stream| [step.accel, step.speed, step.jerk].iter().any(|part| part[stream.axis] != 0.0);
        if !self.streams.iter().any(acts) {
            return;
        }
        self.waiting.push_back(step);
        for stream in self.streams.iter_mut().filter(|stream| stream.due == NEVER) {
            stream.due = step.at.saturating_add(stream.delay);
        }
    }

    /// The shaped motion from now to `end`. Steps due right at the end belong to what follows, so nothing depends on
    /// where pieces are handed over.
    fn piece(&mut self, end: u64, of: PieceOf, full: &mut impl FnMut(&Shaped)) {
        let (mut at, mut sum) = (self.now, [0.0; 3]);
        loop {
            let mut due = NEVER;
            for stream in &mut self.streams {
                while stream.due <= at {
                    let step = &self.waiting[stream.next];
                    for (sum, part) in sum.iter_mut().zip([step.accel, step.speed, step.jerk]) {
                        *sum += stream.size * part[stream.axis];
                    }
                    stream.next += 1;
                    stream.due = due_of(&self.waiting, stream);
                }
                due = due.min(stream.due);
            }
            if due >= end {
                break;
            }
            self.push(due - at, of, sum, full);
            (at, sum) = (due, [0.0; 3]);
        }
        self.push(end - at, of, sum, full);
    }

    fn push(&mut self, units: u64, of: PieceOf, [accel, speed, jerk]: [f64; 3], full: &mut impl FnMut(&Shaped)) {
        let shaped = &mut *self.shaped;
        let i = shaped.count;
        shaped.seconds[i] = units as f64 / Sum::ONE;
        (shaped.of[i], shaped.accel[i], shaped.speed[i], shaped.jerk[i]) = (of, accel, speed, jerk);
        shaped.count += 1;
        if shaped.count == PIECES {
            self.flush(full);
        }
    }

    fn flush(&mut self, full: &mut impl FnMut(&Shaped)) {
        if self.shaped.count > 0 {
            full(&self.shaped);
            self.shaped.count = 0;
        }
    }

    /// Drops the steps that all impulses have passed on.
    fn forget(&mut self) {
        let surplus = self.waiting.len().saturating_sub(STEPS_KEPT);
        if surplus > 0 {
            self.waiting.iter_mut().take(surplus).for_each(|step| step.at = 0);
            self.streams.iter_mut().for_each(|stream| stream.due = due_of(&self.waiting, stream));
        }
        let passed = self.streams.iter().map(|stream| stream.next).min().unwrap_or(0);
        if passed > 0 {
            self.waiting.drain(..passed);
            self.streams.iter_mut().for_each(|stream| stream.next -= passed);
        }
    }
}

fn due_of(waiting: &VecDeque<Step>, stream: &Stream) -> u64 {
    waiting.get(stream.next).map_or(NEVER, |step| step.at.saturating_add(stream.delay))
}
