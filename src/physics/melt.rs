//! What the hotend melts: momentary rate, and sustained rate as a first-order average over the melt window τ.
//!
//! y′ = (q − y) / τ. On a linear piece from q₀ to q₁ that takes x = t / τ windows the exact solution ends at
//! y e^(−x) + q₀ m + (q₁ − q₀) (1 − m / x) with m = 1 − e^(−x): a share of y and something gained, so whole moves chain by
//! one multiplication and one addition each. y is largest at an end or, on a falling piece, where it meets q. mm³/s.

use std::ops::Range;

use super::decay::{ARTANH_MOST, artanh_over, gone};
use crate::block::{BLOCK, Block, Column, flag, room};
use crate::machine::{E, Machine, Tool};
use crate::vectors::columns::larger;

/// Pushes smaller than this beyond the retracted length are rounding, mm.
pub const PURGE_LEAST_MM: f64 = 1e-6;

/// Filament pulled back and not pushed again.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PulledBack {
    mm: f64,
}

impl PulledBack {
    /// Follows a move of the extruder; what it pushes beyond what was pulled back, mm, negative where it pushes less.
    #[inline(always)]
    pub fn excess_mm(&mut self, de_mm: f64) -> f64 {
        let excess_mm = de_mm - self.mm;
        self.mm = larger(-excess_mm, 0.0);
        excess_mm
    }
}

/// Melt state of one tool.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Melt {
    tau_s: f64,
    y: f64,
    idle_s: f64,
    away_since_s: f64,
    pulled_back_mm: f64,
}

impl Melt {
    /// Nothing molten, nothing retracted.
    pub fn new(melt_window_s: f64) -> Self {
        Self { tau_s: melt_window_s, y: 0.0, idle_s: 0.0, away_since_s: 0.0, pulled_back_mm: 0.0 }
    }

    /// Lets time go by without flow.
    pub fn idle(&mut self, seconds: f64) {
        self.idle_s += seconds;
    }

    /// The tool is put away at that time.
    pub fn put_away(&mut self, now_s: f64) {
        self.away_since_s = now_s;
    }

    /// The tool is taken up again; how long it lay, s.
    pub fn take_up(&mut self, now_s: f64) -> f64 {
        let away_s = now_s - self.away_since_s;
        self.idle_s += away_s;
        away_s
    }

    /// Filament pushed, mm: how much of it only undoes retraction.
    fn recovered(&mut self, length_mm: f64) -> f64 {
        let recovered = length_mm.min(self.pulled_back_mm);
        self.pulled_back_mm -= recovered;
        recovered
    }

    fn settle_idle(&mut self) {
        if self.idle_s > 0.0 {
            self.rest(self.idle_s);
            self.idle_s = 0.0;
        }
    }

    /// No flow for that time.
    fn rest(&mut self, seconds: f64) {
        self.y *= 1.0 - gone(seconds / self.tau_s);
    }

    /// One linear piece; the largest average on it.
    fn advance(&mut self, q_start: f64, q_end: f64, seconds: f64) -> f64 {
        if seconds <= 0.0 {
            return 0.0;
        }
        let x = seconds / self.tau_s;
        self.change([q_start, q_end], x, ramp(q_start, q_end, x))
    }

    /// The same for one of `x` windows that is known to change the average like that.
    #[inline(always)]
    fn change(&mut self, [q_start, q_end]: [f64; 2], x: f64, change: Change) -> f64 {
        let (y, end) = (self.y, change.after(self.y));
        self.y = end;
        let ends = larger(y, end);
        if q_end < q_start && y < q_start && end > q_end { ends.max(crest(y, q_start, q_end, x)) } else { ends }
    }

    /// Fills the melt columns of a block, and its purges.
    pub(super) fn follow(&mut self, block: &mut Block, area_mm2: f64, scratch: &mut Scratch) {
        if block.is_empty() {
            return;
        }
        self.settle_idle();
        let (vectors, per_window) = (block.vectors, 1.0 / self.tau_s);
        vectors.run(
            #[inline(always)]
            || {
                scratch.sections(block, area_mm2);
                if block.is_even() {
                    scratch.prepare(block, per_window);
                }
            },
        );
        self.follow_filament(block, scratch);
        if !block.is_even() {
            block.chord_rates.fill(&block.chords, &block.section_mm2[..block.len()]);
            let tau_s = self.tau_s;
            vectors.run(
                #[inline(always)]
                || scratch.chords.prepare(block, tau_s),
            );
        }
        let mut from = 0;
        for n in 0..block.purges.len() {
            let (at, excess_mm) = block.purges[n];
            self.y = scratch.chain(block, from..at, self.y);
            block.sustained_start_mm3_s[at] = self.y;
            self.purge(area_mm2, block, at, block.de_mm[at] - excess_mm);
            from = at + 1;
        }
        self.y = scratch.chain(block, from..block.len(), self.y);
        scratch.most(block, per_window);
        for n in 0..block.purges.len() {
            let (at, excess_mm) = block.purges[n];
            let mut again = Self { y: block.sustained_start_mm3_s[at], ..*self };
            block.sustained_mm3_s[at] = again.purge(area_mm2, block, at, block.de_mm[at] - excess_mm);
        }
    }

    /// Follows what is pulled back and pushed again, and finds the purges.
    fn follow_filament(&mut self, block: &mut Block, scratch: &Scratch) {
        let count = block.len();
        let mut i = 0;
        while i < count {
            // With nothing pulled back, pushing along the path changes nothing: on to the next move that does.
            if self.pulled_back_mm == 0.0 {
                match memchr::memchr(1, &scratch.special[i..count]) {
                    Some(next) => i += next,
                    None => return,
                }
            }
            let de = block.de_mm[i];
            if de > 0.0 {
                let excess = de - self.recovered(de);
                if excess > PURGE_LEAST_MM && block.flags[i] & flag::PATH == 0 {
                    block.purges.push((i, excess));
                }
            } else {
                self.pulled_back_mm -= de;
            }
            i += 1;
        }
    }

    /// A push of filament alone whose first `recovered_mm` only fill the nozzle; the largest average on the rest.
    fn purge(&mut self, area_mm2: f64, block: &Block, i: usize, recovered_mm: f64) -> f64 {
        let mut left_mm = recovered_mm;
        let mut most = 0.0f64;
        block.each_piece(i, |piece| {
            let (v0, v1, seconds) = (piece.start_mm_s, piece.end_mm_s, piece.seconds);
            let (v, at_s) = filled(v0, v1, piece.length_mm(), seconds, &mut left_mm);
            self.rest(at_s);
            most = most.max(self.advance(area_mm2 * v, area_mm2 * v1, seconds - at_s));
        });
        most
    }
}

/// The law of one tool, for what follows the average inside moves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeltLaw {
    /// Cross-section of its filament, mm².
    pub area_mm2: f64,
    /// Its melt window, s.
    pub window_s: f64,
}

/// The highest rates on a part of a move.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Melted {
    /// Where the part starts, s from the start of the job.
    pub at_s: f64,
    /// Momentary along the path, mm³/s.
    pub peak_mm3_s: f64,
    /// Sustained, mm³/s.
    pub sustained_mm3_s: f64,
}

impl MeltLaw {
    /// Those of the tools of a machine.
    pub fn of(machine: &Machine) -> Vec<Self> {
        let law = |tool: &Tool| Self {
            area_mm2: super::filament_area_mm2(tool.filament_diameter_mm),
            window_s: tool.melt_window_s,
        };
        machine.tools.iter().map(law).collect()
    }

    /// What is left of an average after a time without flow.
    pub fn rested(self, mm3_s: f64, seconds: f64) -> f64 {
        mm3_s * (-seconds / self.window_s).exp()
    }

    /// Goes through move `i` of an annotated block, which starts at that time, in parts that end where `border` says that
    /// the one with that time does; the average at its end.
    pub fn along(
        self,
        block: &Block,
        i: usize,
        start_s: f64,
        border: impl Fn(f64) -> f64,
        mut part: impl FnMut(Melted),
    ) -> f64 {
        let mut melt = Melt { y: block.sustained_start_mm3_s[i], ..Melt::new(self.window_s) };
        let path = block.section_mm2[i] > 0.0;
        each_part(block, i, self.area_mm2, start_s, border, |[start, end], [at_s, until_s]| {
            let sustained_mm3_s = melt.advance(start, end, until_s - at_s);
            let peak_mm3_s = if path { start.max(end) } else { 0.0 };
            part(Melted { at_s, peak_mm3_s, sustained_mm3_s });
        });
        melt.y
    }
}

/// [`each_rate`] of a move that starts at that time, in parts that end where `border` says that the one with that time does:
/// `take` gets the rates, mm³/s, and the times, s, at both ends.
pub(crate) fn each_part(
    block: &Block,
    i: usize,
    area_mm2: f64,
    start_s: f64,
    border: impl Fn(f64) -> f64,
    mut take: impl FnMut([f64; 2], [f64; 2]),
) {
    let mut now_s = start_s;
    each_rate(block, i, area_mm2, |q_start, q_end, seconds| {
        let (from_s, end_s, mut q) = (now_s, now_s + seconds, q_start);
        while now_s < end_s {
            let until_s = border(now_s).max(now_s.next_up()).min(end_s);
            let share = (until_s - from_s) / seconds;
            let next = if until_s < end_s { q_start + (q_end - q_start) * share } else { q_end };
            take([q, next], [now_s, until_s]);
            (now_s, q) = (until_s, next);
        }
    });
}

/// Calls `take` with the rates at both ends of each linear piece of move `i`, mm³/s, and its time, s: as it melts, where the
/// part of a purge that only fills the nozzle again counts as no flow.
#[inline(always)]
pub(crate) fn each_rate(block: &Block, i: usize, area_mm2: f64, mut take: impl FnMut(f64, f64, f64)) {
    let Some(excess_mm) = block.purge_mm(i) else {
        let section = block.section_mm2[i];
        block.each_piece(i, |piece| take(section * piece.start_mm_s, section * piece.end_mm_s, piece.seconds));
        return;
    };
    let mut left_mm = block.de_mm[i] - excess_mm;
    block.each_piece(i, |piece| {
        let (v0, v1, seconds) = (piece.start_mm_s, piece.end_mm_s, piece.seconds);
        let (v, at_s) = filled(v0, v1, piece.length_mm(), seconds, &mut left_mm);
        take(0.0, 0.0, at_s);
        take(area_mm2 * v, area_mm2 * v1, seconds - at_s);
    });
}

/// Speed and time on a piece at which what only fills the nozzle ends; the rest of it stays in `left_mm`.
fn filled(v0: f64, v1: f64, length_mm: f64, seconds: f64, left_mm: &mut f64) -> (f64, f64) {
    if *left_mm >= length_mm {
        *left_mm -= length_mm;
        return (v1, seconds);
    }
    let v_squared = v0 * v0 + (v1 * v1 - v0 * v0) * *left_mm / length_mm;
    let v = v_squared.max(0.0).sqrt();
    let at_s = if *left_mm > 0.0 { 2.0 * *left_mm / (v0 + v) } else { 0.0 };
    *left_mm = 0.0;
    (v, at_s.min(seconds))
}

/// What a stretch of time makes of the average: it keeps a share and gains something.
#[derive(Debug, Clone, Copy)]
struct Change {
    kept: f64,
    gained: f64,
}

impl Change {
    #[inline(always)]
    fn after(self, y: f64) -> f64 {
        y * self.kept + self.gained
    }

    #[inline(always)]
    fn then(self, next: Self) -> Self {
        Self { kept: self.kept * next.kept, gained: self.gained * next.kept + next.gained }
    }
}

/// A linear piece of `x` windows.
#[inline(always)]
fn ramp(q_start: f64, q_end: f64, x: f64) -> Change {
    let gone = gone(x);
    let lag = if x > 0.0 { 1.0 - gone / x } else { 0.0 };
    Change { kept: 1.0 - gone, gained: q_start * gone + (q_end - q_start) * lag }
}

/// Steady flow for `x` windows.
#[inline(always)]
fn level(q: f64, x: f64) -> Change {
    let gone = gone(x);
    Change { kept: 1.0 - gone, gained: q * gone }
}

/// The largest average on a falling piece that starts with y < q and ends with y > q: where e^(−t/τ) = u with
/// u = Δq / (Δq − (q₀ − y) x), it is q₀ − Δq / x · ln u.
fn crest(y: f64, q_start: f64, q_end: f64, x: f64) -> f64 {
    let (z, near) = near_crest(y, q_start, q_end, x);
    let change = q_end - q_start;
    if z >= -ARTANH_MOST { near } else { q_start - change / x * (change / (change - (q_start - y) * x)).ln() }
}

/// The same by ln u = 2 artanh z with z = (u − 1) / (u + 1): z, and the average where z is small enough for the series.
#[inline(always)]
fn near_crest(y: f64, q_start: f64, q_end: f64, x: f64) -> (f64, f64) {
    let (above, change) = (q_start - y, 2.0 * (q_end - q_start));
    let share = above / (change - above * x);
    let z = share * x;
    (z, q_start - change * share * artanh_over(z * z))
}

/// Fills the average at the start of each of some stretches of time; that after them.
#[inline(always)]
fn chained(start: &mut [f64], kept: &[f64], gained: &[f64], mut y: f64) -> f64 {
    for ((start, kept), gained) in start.iter_mut().zip(kept).zip(gained) {
        *start = y;
        y = y * kept + gained;
    }
    y
}

/// Columns for one block at a time, kept for the next.
pub(super) struct Scratch {
    /// 1 where the move is not one that pushes along the path or goes without filament.
    special: Column<u8>,
    /// Speeding up, cruising, slowing down: kept and gained.
    kept: [Column<f64>; 3],
    gained: [Column<f64>; 3],
    /// The same of the whole move.
    kept_in_all: Column<f64>,
    gained_in_all: Column<f64>,
    /// The same of each chord, where moves are not even.
    chords: ChordChanges,
}

/// What each chord of a block makes of the average, a column each.
#[derive(Default)]
struct ChordChanges {
    /// How long it takes, in windows.
    windows: Vec<f64>,
    kept: Vec<f64>,
    gained: Vec<f64>,
    /// The average at its start, and the largest on it.
    start_mm3_s: Vec<f64>,
    most_mm3_s: Vec<f64>,
}

impl ChordChanges {
    #[inline(always)]
    fn prepare(&mut self, block: &Block, tau_s: f64) {
        let (chords, rates) = (block.chords.all(), &block.chord_rates);
        let count = chords.len();
        let [windows, kept, gained] =
            [&mut self.windows, &mut self.kept, &mut self.gained].map(|column| room(column, count));
        let (start, end) = (&rates.start_mm3_s[..count], &rates.end_mm3_s[..count]);
        for c in 0..count {
            windows[c] = chords[c].seconds / tau_s;
        }
        for c in 0..count {
            let change = ramp(start[c], end[c], windows[c]);
            (kept[c], gained[c]) = (change.kept, change.gained);
        }
        room(&mut self.start_mm3_s, count);
        room(&mut self.most_mm3_s, count);
    }

    /// [`Scratch::chain`] along chords.
    fn chain(&mut self, block: &mut Block, moves: Range<usize>, mut y: f64) -> f64 {
        for i in moves {
            block.sustained_start_mm3_s[i] = y;
            let chords = block.chords.range(i);
            y = chained(&mut self.start_mm3_s[chords.clone()], &self.kept[chords.clone()], &self.gained[chords], y);
        }
        y
    }

    /// The largest average on each chord, those of purges aside; true when some of them need [`Self::long_falls`].
    #[inline(always)]
    fn largest(&mut self, block: &Block) -> bool {
        let (rates, count) = (&block.chord_rates, block.chords.all().len());
        let (q0, q1) = (&rates.start_mm3_s[..count], &rates.end_mm3_s[..count]);
        let [windows, kept, gained, start] =
            [&self.windows, &self.kept, &self.gained, &self.start_mm3_s].map(|column| &column[..count]);
        let most = &mut self.most_mm3_s[..count];
        let mut long_fall = false;
        for c in 0..count {
            let end = start[c] * kept[c] + gained[c];
            let (z, crest) = near_crest(start[c], q0[c], q1[c], windows[c]);
            let meets = (q1[c] < q0[c]) & (start[c] < q0[c]) & (end > q1[c]);
            let near = meets & (z >= -ARTANH_MOST);
            let ends = larger(start[c], end);
            most[c] = if near { larger(ends, crest) } else { ends };
            long_fall |= meets & (z < -ARTANH_MOST);
        }
        long_fall
    }

    /// Puts right the chords on which the rate falls for so long that the series in [`Self::largest`] does not reach.
    #[cold]
    fn long_falls(&mut self, block: &Block) {
        let rates = &block.chord_rates;
        for c in 0..block.chords.all().len() {
            let (start, q0, q1) = (self.start_mm3_s[c], rates.start_mm3_s[c], rates.end_mm3_s[c]);
            let end = start * self.kept[c] + self.gained[c];
            if q1 < q0 && start < q0 && end > q1 {
                self.most_mm3_s[c] = larger(self.most_mm3_s[c], crest(start, q0, q1, self.windows[c]));
            }
        }
    }

    /// The largest average of each move that melts.
    fn largest_of_moves(&self, block: &mut Block) {
        for i in 0..block.len() {
            let chords = if block.section_mm2[i] > 0.0 { block.chords.range(i) } else { 0..0 };
            let most = &self.most_mm3_s[chords];
            block.sustained_mm3_s[i] = most.iter().fold(0.0, |most, of_chord| larger(*of_chord, most));
        }
    }
}

impl Scratch {
    pub(super) fn new() -> Box<Self> {
        const ZEROS: Column<f64> = [0.0; BLOCK];
        Box::new(Self {
            special: [0; BLOCK],
            kept: [ZEROS; 3],
            gained: [ZEROS; 3],
            kept_in_all: ZEROS,
            gained_in_all: ZEROS,
            chords: ChordChanges::default(),
        })
    }

    /// What each move pushes.
    #[inline(always)]
    fn sections(&mut self, block: &mut Block, area_mm2: f64) {
        for i in 0..block.len() {
            let (path, de) = (block.flags[i] & flag::PATH != 0, block.de_mm[i]);
            let section = area_mm2 * block.dir[E][i];
            let section = if path & (de > 0.0) { section } else { 0.0 };
            block.section_mm2[i] = section;
            block.peak_mm3_s[i] = section * block.v_peak_mm_s[i];
            self.special[i] = u8::from((de < 0.0) | (!path & (de > 0.0)));
        }
    }

    /// What each move does to the average, whatever that is by then.
    #[inline(always)]
    fn prepare(&mut self, block: &Block, per_window: f64) {
        let count = block.len();
        let [kept_up, kept_level, kept_down] = &mut self.kept;
        let [gained_up, gained_level, gained_down] = &mut self.gained;
        for i in 0..count {
            let section = block.section_mm2[i];
            let [up, cruise, down] = block.pieces(i);
            let (q0, q1, q2) = (section * up.start_mm_s, section * cruise.start_mm_s, section * down.end_mm_s);
            let up = ramp(q0, q1, up.seconds * per_window);
            let level = level(q1, cruise.seconds * per_window);
            let down = ramp(q1, q2, down.seconds * per_window);
            (kept_up[i], kept_level[i], kept_down[i]) = (up.kept, level.kept, down.kept);
            (gained_up[i], gained_level[i], gained_down[i]) = (up.gained, level.gained, down.gained);
            let all = up.then(level).then(down);
            (self.kept_in_all[i], self.gained_in_all[i]) = (all.kept, all.gained);
        }
    }

    /// Goes through a range of moves without purges; fills the average at the start of each, and tells that after them.
    fn chain(&mut self, block: &mut Block, range: Range<usize>, y: f64) -> f64 {
        if !block.is_even() {
            return self.chords.chain(block, range, y);
        }
        let start = &mut block.sustained_start_mm3_s[range.clone()];
        chained(start, &self.kept_in_all[range.clone()], &self.gained_in_all[range], y)
    }

    /// Fills the largest average of each move that melts along its path.
    fn most(&mut self, block: &mut Block, per_window: f64) {
        let (vectors, is_even) = (block.vectors, block.is_even());
        let long_fall = vectors.run(
            #[inline(always)]
            || if is_even { self.largest(block, per_window) } else { self.chords.largest(block) },
        );
        match is_even {
            true if long_fall => self.long_falls(block, per_window),
            false if long_fall => self.chords.long_falls(block),
            _ => {}
        }
        if !is_even {
            self.chords.largest_of_moves(block);
        }
    }

    /// The average between the phases of a move and at its end.
    #[inline(always)]
    fn course(&self, i: usize, start: f64) -> [f64; 3] {
        let up = start * self.kept[0][i] + self.gained[0][i];
        let level = up * self.kept[1][i] + self.gained[1][i];
        [up, level, level * self.kept[2][i] + self.gained[2][i]]
    }

    /// The largest average of each move that melts; true when some of them need [`Self::long_falls`].
    #[inline(always)]
    fn largest(&self, block: &mut Block, per_window: f64) -> bool {
        let mut long_fall = false;
        for i in 0..block.len() {
            let start = block.sustained_start_mm3_s[i];
            let [up, level, down] = self.course(i, start);
            let most = larger(larger(start, up), larger(level, down));
            let section = block.section_mm2[i];
            let [_, _, fall] = block.pieces(i);
            let (q1, q2) = (section * fall.start_mm_s, section * fall.end_mm_s);
            let (z, crest) = near_crest(level, q1, q2, fall.seconds * per_window);
            let meets = (q2 < q1) & (level < q1) & (down > q2);
            let near = meets & (z >= -ARTANH_MOST);
            let most = if near { larger(most, crest) } else { most };
            let melts = (section > 0.0) & (block.time_s[i] > 0.0);
            block.sustained_mm3_s[i] = if melts { most } else { 0.0 };
            long_fall |= melts & meets & (z < -ARTANH_MOST);
        }
        long_fall
    }

    /// Puts right the moves that slow down for so long that the series in [`Self::largest`] does not reach.
    #[cold]
    fn long_falls(&self, block: &mut Block, per_window: f64) {
        for i in 0..block.len() {
            let [_, level, down] = self.course(i, block.sustained_start_mm3_s[i]);
            let section = block.section_mm2[i];
            let [_, _, fall] = block.pieces(i);
            let (q1, q2) = (section * fall.start_mm_s, section * fall.end_mm_s);
            if block.time_s[i] > 0.0 && q2 < q1 && level < q1 && down > q2 {
                let crest = crest(level, q1, q2, fall.seconds * per_window);
                block.sustained_mm3_s[i] = larger(block.sustained_mm3_s[i], crest);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::block::{Ramps, grid};

    /// The average by small steps of its differential equation (midpoint rule).
    fn stepped(y0: f64, q0: f64, q1: f64, seconds: f64, tau: f64) -> (f64, f64) {
        let steps = 200_000;
        let dt = seconds / f64::from(steps);
        let (mut y, mut most) = (y0, y0);
        for k in 0..steps {
            let q = |t: f64| q0 + (q1 - q0) * t / seconds;
            let t = f64::from(k) * dt;
            let half = y + dt / 2.0 * (q(t) - y) / tau;
            y += dt * (q(t + dt / 2.0) - half) / tau;
            most = most.max(y);
        }
        (y, most)
    }

    #[test]
    fn pieces_solve_the_equation() {
        for (y0, q0, q1, seconds, tau) in [
            (0.0, 0.0, 10.0, 0.3, 1.0),
            (3.0, 12.0, 1.0, 2.0, 0.7),
            (8.0, 2.0, 2.0, 0.5, 1.0),
            (5.0, 9.0, 0.0, 0.1, 4.0),
        ] {
            let mut melt = Melt { y: y0, ..Melt::new(tau) };
            let most = melt.advance(q0, q1, seconds);
            let (y, stepped_most) = stepped(y0, q0, q1, seconds, tau);
            assert!((melt.y - y).abs() < 1e-7, "{q0} {q1}: {} {y}", melt.y);
            assert!((most - stepped_most).abs() < 1e-6, "{q0} {q1}: {most} {stepped_most}");
        }
    }

    #[test]
    fn a_step_reaches_63_percent_in_one_window() {
        // First-order step response: 1 − 1/e after τ (any control textbook; from memory).
        let mut melt = Melt::new(2.0);
        melt.advance(10.0, 10.0, 2.0);
        assert!((melt.y - 10.0 * (1.0 - (-1f64).exp())).abs() < 1e-12);
    }

    #[test]
    fn a_block_goes_as_its_pieces_one_by_one() {
        use crate::vectors::Vectors;
        let mut bits = crate::vectors::columns::without_pattern(7);
        let mut random = || (bits() >> 11) as f64 / (1u64 << 53) as f64;
        for (tau, longest_s, vectors) in [(1.5, 0.1, Vectors::default()), (0.5, 5.0, Vectors::plain())] {
            let mut block = Block { vectors, ..Block::default() };
            for _ in 0..BLOCK {
                let i = block.add();
                let kind = random();
                block.flags[i] = if kind > 0.1 { flag::PATH } else { 0 };
                block.de_mm[i] = if kind < 0.3 { -0.1 * random() } else { random() };
                block.dir[E][i] = block.de_mm[i];
                block.v_peak_mm_s[i] = 100.0 * random();
                (block.v_start_mm_s[i], block.v_end_mm_s[i]) =
                    (block.v_peak_mm_s[i] * random(), block.v_peak_mm_s[i] * random());
                let mut time = || if random() < 0.3 { 0.0 } else { longest_s * random() };
                (block.t_up_s[i], block.t_cruise_s[i], block.t_down_s[i]) = (time(), time(), time());
                block.time_s[i] = block.t_up_s[i] + block.t_cruise_s[i] + block.t_down_s[i];
            }
            let mut single = Melt { y: 3.0, ..Melt::new(tau) };
            let mut melt = single;
            melt.follow(&mut block, 2.4, &mut Scratch::new());
            for i in 0..block.len() {
                let section = block.section_mm2[i];
                assert_eq!(section > 0.0, block.extrudes(i));
                let (q0, q1, q2) =
                    (section * block.v_start_mm_s[i], section * block.v_peak_mm_s[i], section * block.v_end_mm_s[i]);
                let up = single.advance(q0, q1, block.t_up_s[i]);
                let most = up.max(single.advance(q1, q1, block.t_cruise_s[i]));
                let most = most.max(single.advance(q1, q2, block.t_down_s[i]));
                let most = if section > 0.0 { most } else { 0.0 };
                let fast = block.sustained_mm3_s[i];
                assert!((fast - most).abs() < 1e-11 * (1.0 + most), "{i}: {fast} {most}");
            }
            assert!((melt.y - single.y).abs() < 1e-11);
        }
    }

    /// The law is [`Melt::advance`] along each piece: to the bit.
    #[test]
    fn chords_go_as_pieces_one_by_one() {
        let mut bits = crate::vectors::columns::without_pattern(17);
        let mut random = || (bits() >> 11) as f64 / (1u64 << 53) as f64;
        for longest_s in [0.02, 4.0] {
            let mut block = Block::default();
            for _ in 0..BLOCK {
                let i = block.add();
                let kind = random();
                block.flags[i] = if kind > 0.1 { flag::PATH } else { 0 };
                block.de_mm[i] = if kind < 0.05 { -0.1 * random() } else { random() };
                block.dir[E][i] = block.de_mm[i];
                let peak = 100.0 * random();
                let mut near = || if random() < 0.3 { peak } else { peak * random() };
                (block.v_start_mm_s[i], block.v_peak_mm_s[i], block.v_end_mm_s[i]) = (near(), peak, near());
                let mut time = || if random() < 0.3 { 0.0 } else { grid::time(longest_s * random()) };
                (block.t_up_s[i], block.t_cruise_s[i], block.t_down_s[i]) = (time(), time(), time());
            }
            block.go_along(Ramps::Quintic);
            let mut single = Melt { y: 3.0, ..Melt::new(1.5) };
            let mut melt = single;
            melt.follow(&mut block, 2.4, &mut Scratch::new());
            assert!(!block.purges.is_empty());
            for i in 0..block.len() {
                assert_eq!(block.sustained_start_mm3_s[i], single.y);
                let (section, mut most) = (block.section_mm2[i], 0.0f64);
                match block.purge_mm(i) {
                    Some(excess_mm) => most = single.purge(2.4, &block, i, block.de_mm[i] - excess_mm),
                    None => block.each_piece(i, |piece| {
                        let [start, end] = [piece.start_mm_s, piece.end_mm_s].map(|speed| section * speed);
                        most = most.max(single.advance(start, end, piece.seconds));
                    }),
                }
                let expected = if section > 0.0 || block.purge_mm(i).is_some() { most } else { 0.0 };
                assert_eq!(block.sustained_mm3_s[i], expected, "{i}");
            }
            assert_eq!(melt.y, single.y);
        }
    }
}
