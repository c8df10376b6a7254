//! The course of a planned move: the pieces over which its speed is one function of time.
//!
//! This is the one reader of a move's times and speeds. Loops that run in vectors take the pieces of a move too: they are
//! inlined into plain columns there.

use std::ops::Range;

use super::polynomial::{self, root};
use super::{Block, grid};
use crate::machine::Ramp;

/// A piece of a move over which the speed goes evenly from one value to another. Its speed is
/// start + (end − start) t / T, its acceleration (end − start) / T.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Piece {
    /// How long it takes, T, s; 0 where the move has no such piece.
    pub seconds: f64,
    /// Speed at its start, mm/s.
    pub start_mm_s: f64,
    /// Speed at its end, mm/s.
    pub end_mm_s: f64,
}

impl Piece {
    /// Speed so long after its start, mm/s. The piece must take some time.
    #[inline(always)]
    pub fn speed_at(&self, after_s: f64) -> f64 {
        self.start_mm_s + (self.end_mm_s - self.start_mm_s) * (after_s / self.seconds)
    }

    /// Way made so long after its start, mm. The piece must take some time.
    #[inline(always)]
    pub fn way_mm(&self, after_s: f64) -> f64 {
        (self.start_mm_s + self.speed_at(after_s)) / 2.0 * after_s
    }

    /// Length, mm.
    #[inline(always)]
    pub fn length_mm(&self) -> f64 {
        (self.start_mm_s + self.end_mm_s) / 2.0 * self.seconds
    }

    /// The same piece gone backwards.
    pub(crate) fn reversed(self) -> Self {
        Self { start_mm_s: self.end_mm_s, end_mm_s: self.start_mm_s, ..self }
    }
}

impl Block {
    /// The pieces of move `i`, in time order: speeding up, cruising, slowing down. Together they take its time.
    #[inline(always)]
    pub fn pieces(&self, i: usize) -> [Piece; 3] {
        let (start, peak, end) = (self.v_start_mm_s[i], self.v_peak_mm_s[i], self.v_end_mm_s[i]);
        [
            Piece { seconds: self.t_up_s[i], start_mm_s: start, end_mm_s: peak },
            Piece { seconds: self.t_cruise_s[i], start_mm_s: peak, end_mm_s: peak },
            Piece { seconds: self.t_down_s[i], start_mm_s: peak, end_mm_s: end },
        ]
    }
}

/// How far a straight line between two places of a ramp may be from it, as a share of the peak speed; a chord, which makes the
/// way of the ramp, is 4/3 of that away at most.
const CHORD_SHARE: f64 = 0.004;
/// Most chords of a piece.
const CHORDS_MOST: f64 = 64.0;

/// A piece of a move over which its speed is a polynomial of time that does not turn round. With u the share of its time
/// that has passed, the speed is Σ speed\[k\] uᵏ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RampPiece<const POWERS: usize = 6> {
    /// How long it takes, s, above 0.
    pub seconds: f64,
    /// The polynomial, mm/s.
    pub speed: [f64; POWERS],
}

/// One with a constant jerk: less to carry.
pub type JerkPiece = RampPiece<3>;

impl JerkPiece {
    #[inline(always)]
    fn with_all_powers(&self) -> RampPiece {
        let [even, slope, bow] = self.speed;
        RampPiece { seconds: self.seconds, speed: [even, slope, bow, 0.0, 0.0, 0.0] }
    }
}

impl RampPiece {
    /// From one speed to another without acceleration and jerk at both ends: 10 u³ − 15 u⁴ + 6 u⁵.
    pub fn quintic(piece: Piece) -> Self {
        let change = piece.end_mm_s - piece.start_mm_s;
        Self {
            seconds: piece.seconds,
            speed: [piece.start_mm_s, 0.0, 0.0, 10.0 * change, -15.0 * change, 6.0 * change],
        }
    }
}

impl<const POWERS: usize> RampPiece<POWERS> {
    /// Evenly from one speed to another.
    pub fn even(piece: Piece) -> Self {
        Self::of_two(piece.start_mm_s, piece.end_mm_s - piece.start_mm_s, piece.seconds)
    }

    #[inline(always)]
    fn of_two(start: f64, slope: f64, seconds: f64) -> Self {
        let mut speed = [0.0; POWERS];
        (speed[0], speed[1]) = (start, slope);
        Self { seconds, speed }
    }

    /// Speed at its start, mm/s.
    pub fn start_mm_s(&self) -> f64 {
        self.speed[0]
    }

    /// Speed at its end, mm/s.
    pub fn end_mm_s(&self) -> f64 {
        self.speed_at(1.0)
    }

    /// Speed at that share of its time, mm/s.
    #[inline]
    pub fn speed_at(&self, share: f64) -> f64 {
        self.of_factors(
            #[inline(always)]
            |factors| polynomial::value(factors, share),
        )
    }

    /// Way made up to that share of its time, mm.
    #[inline]
    pub fn way_mm(&self, share: f64) -> f64 {
        let whole = self.of_factors(
            #[inline(always)]
            |factors| polynomial::integral(factors, share),
        );
        whole * self.seconds
    }

    /// Length, mm.
    pub fn length_mm(&self) -> f64 {
        self.way_mm(1.0)
    }

    /// Something of its polynomial. Most pieces have a constant jerk: inlined with a length that is known, loops over three
    /// factors are none.
    #[inline(always)]
    fn of_factors(&self, something: impl Fn(&[f64]) -> f64) -> f64 {
        if self.has_constant_jerk() { something(&self.speed[..3]) } else { something(&self.speed) }
    }

    /// The n-th derivative of the speed by the share of its time, at that share, mm/s.
    fn derivative(&self, n: usize, share: f64) -> f64 {
        polynomial::derivative(&self.speed, n, share)
    }

    /// Acceleration at that share of its time, mm/s².
    pub fn accel_at(&self, share: f64) -> f64 {
        self.derivative(1, share) / self.seconds
    }

    /// Jerk at that share of its time, mm/s³.
    pub fn jerk_at(&self, share: f64) -> f64 {
        self.derivative(2, share) / (self.seconds * self.seconds)
    }

    /// True when the acceleration stays the same.
    pub fn is_even(&self) -> bool {
        self.speed[2..].iter().all(|factor| *factor == 0.0)
    }

    /// True when the jerk stays the same.
    pub fn has_constant_jerk(&self) -> bool {
        self.speed[3..].iter().all(|factor| *factor == 0.0)
    }

    /// The part between two shares of its time, which takes so long.
    pub fn part(&self, [from, to]: [f64; 2], seconds: f64) -> Self {
        if self.is_even() {
            let (start, slope) = (self.speed[0], self.speed[1]);
            return Self::of_two(start + slope * from, slope * (to - from), seconds);
        }
        let mut speed = self.speed;
        // By Taylor's formula about the new start: synthetic division, again and again.
        for low in 0..POWERS - 1 {
            for power in (low..POWERS - 1).rev() {
                speed[power] += from * speed[power + 1];
            }
        }
        let (width, mut scale) = (to - from, 1.0);
        for factor in &mut speed {
            *factor *= scale;
            scale *= width;
        }
        Self { seconds, speed }
    }

    /// The same piece gone backwards.
    pub fn reversed(&self) -> Self {
        self.part([1.0, 0.0], self.seconds)
    }

    /// The share of its time at which it has made so much way; for ways from 0 to its length.
    pub fn share_at_way(&self, way_mm: f64) -> f64 {
        if self.is_even() {
            // The root of start u + slope u² / 2 = way / T that does not cancel.
            let (start, slope) = (self.speed[0], self.speed[1]);
            let mean = way_mm / self.seconds;
            let sum = start + (start * start + 2.0 * slope * mean).max(0.0).sqrt();
            return if sum > 0.0 { (2.0 * mean / sum).min(1.0) } else { 0.0 };
        }
        let ends = [way_mm, way_mm - self.length_mm()];
        root([0.0, 1.0], ends, |share| (way_mm - self.way_mm(share), -self.speed_at(share) * self.seconds))
    }

    /// Pieces of even acceleration that stand for it: each makes its part of the way in its part of the time, exactly, stays
    /// between the ramp's speeds at its ends, and within 0.6 % of the move's peak speed of the ramp's.
    #[inline(always)]
    pub fn chords(&self, peak_mm_s: f64, mut take: impl FnMut(Piece)) {
        if self.is_even() {
            return take(Piece { seconds: self.seconds, start_mm_s: self.start_mm_s(), end_mm_s: self.end_mm_s() });
        }
        if self.has_constant_jerk() {
            return self.chords_of_bow(peak_mm_s, take);
        }
        let bend = (0..=8).map(|n| self.derivative(2, f64::from(n) / 8.0).abs()).fold(0.0, f64::max);
        let (mut from, mut before_mm, per_s) = (self.start_mm_s(), 0.0, 1.0 / self.seconds);
        for [from_s, to_s] in grid::parts(self.seconds, chord_count(bend, peak_mm_s)) {
            let (seconds, share) = (to_s - from_s, if to_s < self.seconds { to_s * per_s } else { 1.0 });
            let (to, way_mm) = (self.speed_at(share), self.way_mm(share));
            let (least, most) = if from < to { (from, to) } else { (to, from) };
            let mean = ((way_mm - before_mm) / seconds).clamp(least, most);
            // As steep as the ends of the ramp and the way allow: a chord is never outside the ramp's speeds at its two ends.
            let low = if mean - least < most - mean { least } else { 2.0 * mean - most };
            let high = if low == least { 2.0 * mean - least } else { most };
            let [start_mm_s, end_mm_s] = if from < to { [low, high] } else { [high, low] };
            take(Piece { seconds, start_mm_s, end_mm_s });
            (from, before_mm) = (to, way_mm);
        }
    }

    /// The same under a constant jerk, where that is known in closed form: the mean speed of start + slope u + bow u² over a
    /// share h is bow h² / 6 below that of its ends, so one end of the chord is the ramp's and the other bow h² / 3 below it.
    #[inline(always)]
    fn chords_of_bow(&self, peak_mm_s: f64, mut take: impl FnMut(Piece)) {
        let (start, slope, bow) = (self.speed[0], self.speed[1], self.speed[2]);
        let (rises, per_s) = (slope + bow > 0.0, 1.0 / self.seconds);
        let is_steep_at_end = (bow > 0.0) == rises;
        let (mut from, mut before) = (start, 0.0);
        for [from_s, to_s] in grid::parts(self.seconds, chord_count(2.0 * bow.abs(), peak_mm_s)) {
            let share = if to_s < self.seconds { to_s * per_s } else { 1.0 };
            let (to, width) = (start + (slope + bow * share) * share, share - before);
            let below = bow * width * width / 3.0;
            let [start_mm_s, end_mm_s] = if is_steep_at_end { [from, to - below] } else { [from - below, to] };
            take(Piece { seconds: to_s - from_s, start_mm_s, end_mm_s });
            (from, before) = (to, share);
        }
    }
}

/// How many chords stand for a ramp whose second derivative by the share of its time has that largest magnitude, mm/s: one
/// over a share h of the time is at most bend h² / 8 away.
#[inline(always)]
fn chord_count(bend: f64, peak_mm_s: f64) -> usize {
    let wanted = (bend / (8.0 * CHORD_SHARE * peak_mm_s)).sqrt();
    if wanted > 1.0 { wanted.min(CHORDS_MOST).ceil() as usize } else { 1 }
}

/// How the speed goes within the moves of a block.
#[derive(Debug, Clone, Default, PartialEq)]
pub enum Ramps {
    /// Evenly: see [`Block::pieces`].
    #[default]
    Even,
    /// In the times of those pieces along a quintic.
    Quintic,
    /// As listed.
    Listed(RampList),
}

/// The pieces of all moves of a block, one behind another.
#[derive(Debug, Clone, PartialEq)]
pub struct PieceList<P> {
    pieces: Vec<P>,
    /// Where those of each move end.
    ends: Vec<u32>,
}

/// The true course of moves.
pub type RampList = PieceList<JerkPiece>;

impl<P> Default for PieceList<P> {
    fn default() -> Self {
        Self { pieces: Vec::new(), ends: Vec::new() }
    }
}

impl<P> PieceList<P> {
    /// Adds a move behind all others whose pieces are those up to so many.
    pub(crate) fn end_behind(&mut self, pieces: usize) {
        self.ends.push(pieces as u32);
    }

    pub(crate) fn clear(&mut self) {
        self.pieces.clear();
        self.ends.clear();
    }

    /// Takes pieces behind all others.
    pub(crate) fn take(&mut self, pieces: &[P])
    where
        P: Copy,
    {
        self.pieces.extend_from_slice(pieces);
    }

    /// Where the pieces of move `i` are among all.
    #[inline(always)]
    pub(crate) fn range(&self, i: usize) -> Range<usize> {
        let from = i.checked_sub(1).map_or(0, |before| self.ends[before]);
        from as usize..self.ends[i] as usize
    }

    #[inline(always)]
    fn of(&self, i: usize) -> &[P] {
        &self.pieces[self.range(i)]
    }

    /// The pieces of all moves.
    pub(crate) fn all(&self) -> &[P] {
        &self.pieces
    }
}

/// Melt rates along the chords of all moves of a block that is not even, a column each. Columns may be longer: what is behind
/// the last chord is old.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct ChordRates {
    /// At the start of each, mm³/s; 0 on moves that melt nothing.
    pub(crate) start_mm3_s: Vec<f64>,
    /// At the end.
    pub(crate) end_mm3_s: Vec<f64>,
    /// How long each takes, s; 0 on moves that melt nothing.
    pub(crate) melting_s: Vec<f64>,
}

impl ChordRates {
    /// Those of chords with the `section_mm2` of each move.
    pub(crate) fn fill(&mut self, chords: &PieceList<Piece>, section_mm2: &[f64]) {
        let Self { start_mm3_s, end_mm3_s, melting_s } = self;
        let columns = [start_mm3_s, end_mm3_s, melting_s];
        let [start_mm3_s, end_mm3_s, melting_s] = columns.map(|column| room(column, chords.pieces.len()));
        for (i, &section) in section_mm2.iter().enumerate() {
            for c in chords.range(i) {
                let Piece { seconds, start_mm_s, end_mm_s } = chords.pieces[c];
                start_mm3_s[c] = section * start_mm_s;
                end_mm3_s[c] = section * end_mm_s;
                melting_s[c] = if section > 0.0 { seconds } else { 0.0 };
            }
        }
    }
}

/// The first so many values of a column that is kept for the next block.
pub(crate) fn room(column: &mut Vec<f64>, count: usize) -> &mut [f64] {
    if column.len() < count {
        column.resize(count, 0.0);
    }
    &mut column[..count]
}

impl Block {
    /// Gives its moves their course. Chords are made here once, since several loops follow them.
    pub(crate) fn go_along(&mut self, ramps: Ramps) {
        self.ramps = ramps;
        if self.is_even() {
            return;
        }
        let mut chords = std::mem::take(&mut self.chords);
        chords.clear();
        self.vectors.run(
            #[inline(always)]
            || {
                for i in 0..self.len() {
                    self.each_ramp(
                        i,
                        #[inline(always)]
                        |ramp| ramp.chords(self.v_peak_mm_s[i], |chord| chords.pieces.push(chord)),
                    );
                    chords.end_behind(chords.pieces.len());
                }
            },
        );
        self.chords = chords;
    }

    /// An empty list of pieces to fill: that of its own, where it has one.
    pub(crate) fn spare_ramps(&mut self) -> RampList {
        match std::mem::take(&mut self.ramps) {
            Ramps::Listed(mut list) => {
                list.clear();
                list
            }
            _ => RampList::default(),
        }
    }

    /// True when moves speed up evenly: [`Block::pieces`] has all of their course.
    #[inline(always)]
    pub fn is_even(&self) -> bool {
        matches!(self.ramps, Ramps::Even)
    }

    /// The largest acceleration within moves as a multiple of `accel_mm_s2`.
    pub fn accel_peak_factor(&self) -> f64 {
        if self.ramps == Ramps::Quintic { Ramp::SameTimeQuintic.peak_factor() } else { 1.0 }
    }

    /// The pieces of move `i` under any motion law, in time order.
    #[inline(always)]
    pub fn each_ramp(&self, i: usize, mut take: impl FnMut(&RampPiece)) {
        match &self.ramps {
            Ramps::Listed(list) => {
                for piece in list.of(i) {
                    take(&piece.with_all_powers());
                }
            }
            shape => {
                for piece in self.pieces(i).into_iter().filter(|piece| piece.seconds > 0.0) {
                    let turns = *shape == Ramps::Quintic && piece.start_mm_s != piece.end_mm_s;
                    take(&if turns { RampPiece::quintic(piece) } else { RampPiece::even(piece) });
                }
            }
        }
    }

    /// Pieces of even acceleration of move `i` under any motion law: the true ones, or the chords of its ramps.
    #[inline(always)]
    pub fn each_piece(&self, i: usize, take: impl FnMut(Piece)) {
        if self.is_even() {
            self.pieces(i).into_iter().for_each(take)
        } else {
            self.chords.of(i).iter().copied().for_each(take)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_piece_is_uniform_acceleration() {
        // s = v0 t + a t² / 2, v = v0 + a t: 10 mm/s and 20 mm/s² for 2 s.
        let piece = Piece { seconds: 2.0, start_mm_s: 10.0, end_mm_s: 50.0 };
        assert_eq!((piece.speed_at(0.5), piece.way_mm(0.5), piece.length_mm()), (20.0, 7.5, 60.0));
        assert_eq!(piece.reversed().speed_at(0.5), 40.0);
    }

    proptest::proptest! {
        /// Parts, places and chords of a ramp against its polynomial, in powers of a size that ramps have.
        #[test]
        fn ramps_are_cut_without_loss(
            start in 0.0..100.0f64, change in -1.0..1.0f64, bow in 0.0..2.0f64, shape in 0usize..3,
            seconds in 1e-4..2.0f64, cut in 0.01..0.99f64,
        ) {
            let end = (start + 80.0 * change).max(0.0);
            let piece = Piece { seconds: grid::time(seconds), start_mm_s: start, end_mm_s: end };
            let ramp = match shape {
                0 => RampPiece::even(piece),
                1 => RampPiece::quintic(piece),
                // A jerk that does not turn the speed round.
                _ => RampPiece {
                    seconds: piece.seconds,
                    speed: [start, (end - start) * bow, (end - start) * (1.0 - bow), 0.0, 0.0, 0.0],
                },
            };
            let slow = |share: f64| ramp.speed.iter().enumerate().map(|(k, c)| c * share.powi(k as i32)).sum::<f64>();
            let [first, last] =
                [[0.0, cut], [cut, 1.0]].map(|shares| ramp.part(shares, (shares[1] - shares[0]) * ramp.seconds));
            for share in [0.0, 0.3, 1.0] {
                proptest::prop_assert!((ramp.speed_at(share) - slow(share)).abs() < 1e-11 * (1.0 + start + end));
                proptest::prop_assert!((first.speed_at(share) - slow(cut * share)).abs() < 1e-10 * (1.0 + start + end));
                let back = ramp.reversed().speed_at(share);
                proptest::prop_assert!((back - slow(1.0 - share)).abs() < 1e-10 * (1.0 + start + end));
            }
            let length = ramp.length_mm();
            proptest::prop_assert!((first.length_mm() + last.length_mm() - length).abs() < 1e-10 * (1.0 + length));
            let found = ramp.way_mm(ramp.share_at_way(first.length_mm()));
            proptest::prop_assert!((found - first.length_mm()).abs() < 1e-9 * (1.0 + length), "{found}");
            let (mut way, mut took, peak) = (0.0, 0.0, start.max(end));
            ramp.chords(peak, |chord| {
                let middle = (took + chord.seconds / 2.0) / ramp.seconds;
                assert!((chord.speed_at(chord.seconds / 2.0) - slow(middle)).abs() <= CHORD_SHARE * 1.05 * peak + 1e-9);
                assert!((chord.start_mm_s - slow(took / ramp.seconds)).abs() <= CHORD_SHARE * 1.4 * peak + 1e-9);
                assert!(chord.start_mm_s.min(chord.end_mm_s) >= -1e-12);
                assert!(chord.start_mm_s.max(chord.end_mm_s) <= peak * (1.0 + 1e-12));
                way += chord.length_mm();
                took += chord.seconds;
            });
            proptest::prop_assert!((way - length).abs() < 1e-9 * (1.0 + length) && (took - ramp.seconds).abs() < 1e-12);
        }
    }
}
