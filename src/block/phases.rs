//! The course of a planned move: the pieces over which its speed is one function of time.
//!
//! This is the one reader of a move's times and speeds. Loops that run in vectors take the pieces of a move too: they are
//! inlined into plain columns there.

use super::Block;

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
}
