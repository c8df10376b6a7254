//! What the E words of a job come to where X or Y move too: whether they push filament at all.

/// Tells a job whose E words are read in the wrong mode, see [`Self::lay_nothing`].
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ExtruderWords {
    /// Moves along X or Y with an E word.
    pub moves: u64,
    /// Of them, those that push nothing or pull back.
    pub idle: u64,
    /// The first of these.
    pub idle_line: u64,
    /// Of them, those that push nothing.
    still: u64,
    /// Filament pushed on moves along X or Y, mm.
    pushed_mm: f64,
    /// What was pulled back anywhere, negative, and pushed again on the spot, mm; and what it was at the last move along X or Y.
    back_mm: f64,
    back_then_mm: f64,
    /// Pulled back and not pushed again yet, mm.
    owed_mm: f64,
    /// Stretches between two places where E is called by another number (G92), in which something was pushed along X or Y; and
    /// how many moves had pushed when the present one began.
    stretches: u64,
    pushes_then: u64,
    /// Nothing is owed, or came since the last move along X or Y: the next push along changes its own sum alone.
    settled: bool,
}

/// Fewer moves say nothing.
const MOVES: u64 = 10;
/// Share of moves that push nothing above which nothing is printed, whatever the sums are: words of equal lengths ask for
/// nothing once they are places.
const NEARLY_ALL: f64 = 0.8;
/// Share of them that says something where the sums do too. With lengths that have no order it is a half; wipes that pull
/// back on the way are up to a fifth, common practice, no source.
const IDLE: f64 = 1.0 / 3.0;
/// Share of moves that push nothing above which they are more than the travels between as many lines; see [`ONE_EACH`].
const STILL: f64 = 0.5;
/// With at least so many stretches for each move that pushes, most have but one.
const ONE_EACH: f64 = 0.8;
/// Share of what is pushed along X or Y that is laid for good: all of it, where E words are read as they are meant.
const LAID: f64 = 0.5;

impl ExtruderWords {
    /// Takes an E word that asks for so much filament, mm, negative to pull it back. All come in the order of the job, so the
    /// sums are what they are, whoever reads the lines.
    #[inline(always)]
    pub(super) fn take(&mut self, line: u64, de_mm: f64, along: bool) {
        if along && de_mm > 0.0 {
            self.moves += 1;
            self.pushed_mm += de_mm;
            // As nearly all moves do.
            if self.settled {
                return;
            }
        } else {
            // On the spot more than was pulled back fills the nozzle, and is no part of the print.
            self.back_mm += if along || de_mm < self.owed_mm { de_mm } else { self.owed_mm };
        }
        self.owed_mm = (self.owed_mm - de_mm).max(0.0);
        if along {
            self.back_then_mm = self.back_mm;
            if de_mm <= 0.0 {
                self.moves += 1;
                self.idle_line = if self.idle == 0 { line } else { self.idle_line };
                self.idle += 1;
                self.still += u64::from(de_mm == 0.0);
            }
        }
        self.settled = along && self.owed_mm == 0.0;
    }

    /// E is called by another number from here on (G92): words of equal lengths, taken for places, push once more.
    pub(super) fn begin_anew(&mut self) {
        let pushes = self.moves - self.idle;
        self.stretches += u64::from(pushes > self.pushes_then);
        self.pushes_then = pushes;
    }

    /// True when nothing but the first line behind each G92 pushes, and more than as many lines do not.
    fn pushes_once_each(&self) -> bool {
        let pushes = self.moves - self.idle;
        let stretches = self.stretches + u64::from(pushes > self.pushes_then);
        stretches > 1 && stretches as f64 >= ONE_EACH * pushes as f64
    }

    /// True when the moves push nothing, or filament to and fro of which next to nothing is laid.
    pub fn lay_nothing(&self) -> bool {
        let share = |count: u64| count as f64 / self.moves.max(1) as f64;
        let (still, idle) = (share(self.still), share(self.idle));
        self.moves >= MOVES
            && (still > NEARLY_ALL
                || still > STILL && self.pushes_once_each()
                || idle > IDLE && self.pushed_mm + self.back_then_mm < LAID * self.pushed_mm)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_wipes_are_no_words_that_ask_for_nothing() {
        // One line, and a wipe of ten pieces that pull back what is pushed on the spot again: nine of ten moves are idle.
        let mut counted = ExtruderWords::default();
        for island in 0..50 {
            counted.take(island, 2.0, true);
            (0..10).for_each(|_| counted.take(island, -0.05, true));
            counted.take(island, 0.5, false);
        }
        assert!(!counted.lay_nothing(), "{counted:?}");
    }

    /// What the words of a job come to, read as places (absolute) or as lengths; `true` goes along X or Y.
    fn read(words: &[(f64, bool)], as_places: bool) -> ExtruderWords {
        let (mut counted, mut at) = (ExtruderWords::default(), 0.0);
        for (line, &(word, along)) in (1..).zip(words) {
            counted.take(line, if as_places { word - at } else { word }, along);
            at = word;
        }
        counted
    }

    /// Islands of so many lines of these lengths of filament, between pulling back and pushing on the spot.
    fn islands(count: usize, lines: usize, mut length_mm: impl FnMut(usize) -> f64) -> Vec<(f64, bool)> {
        let island = |n: usize| {
            let lines: Vec<(f64, bool)> = (0..lines).map(|k| (length_mm(n * lines + k), true)).collect();
            [vec![(0.8, false)], lines, vec![(-0.8, false)]].concat()
        };
        (0..count).flat_map(island).collect()
    }

    #[test]
    fn lengths_read_as_places_lay_nothing() {
        let mut random = crate::vectors::columns::without_pattern(7);
        let lengths = islands(40, 25, |_| (random() >> 40) as f64 / (1u64 << 24) as f64);
        assert!(read(&lengths, true).lay_nothing() && !read(&lengths, false).lay_nothing());
        // Equal lengths ask for nothing at all; growing ones, as from line to line of a filled triangle, push a little.
        let equal = islands(40, 4, |_| 0.8);
        assert!(read(&equal, true).lay_nothing() && !read(&equal, false).lay_nothing());
        assert_eq!(read(&equal, true).idle, 4 * 40);
        let filled = islands(40, 20, |n| if n % 2 == 0 { 0.1 * (n % 20) as f64 } else { 0.02 });
        assert!(read(&filled, true).lay_nothing() && !read(&filled, false).lay_nothing());
    }

    #[test]
    fn equal_lengths_that_begin_anew_at_each_layer_lay_nothing() {
        let layers = |read: &dyn Fn(&mut ExtruderWords)| {
            let mut counted = ExtruderWords::default();
            (0..20).for_each(|_| {
                counted.begin_anew();
                read(&mut counted);
            });
            counted.lay_nothing()
        };
        let take = |counted: &mut ExtruderWords, lengths: &[f64]| {
            lengths.iter().for_each(|de_mm| counted.take(1, *de_mm, true));
        };
        // Four sides of a square, as places: the first pushes, and nothing grows.
        assert!(layers(&|counted| take(counted, &[0.8, 0.0, 0.0, 0.0])));
        // Two lines, with a travel before and behind each that repeats the place.
        assert!(!layers(&|counted| take(counted, &[0.0, 0.8, 0.0, 0.0, 0.8, 0.0])));
        // Anew for each line, and the travel to the next repeats the place.
        assert!(!layers(&|counted| take(counted, &[0.8, 0.0])));
        assert!(!layers(&|counted| take(counted, &[0.8, 0.8, 0.8, 0.8])));
    }

    #[test]
    fn what_fills_the_nozzle_does_not_hide_it() {
        let equal = islands(40, 4, |_| 0.8);
        for primed in [[(40.0, false), (0.0, false)], [(9.0, true), (0.0, false)]] {
            assert!(read(&[&primed[..], &equal].concat(), true).lay_nothing());
        }
    }

    #[test]
    fn wipes_loads_and_travels_with_an_e_word_are_fine() {
        // Tiny islands: 5 lines, and 4 on the way back that pull back 3 mm, three times of what was laid; pushed again on the spot.
        let island = [vec![(3.0, false)], vec![(0.2, true); 5], vec![(-0.75, true); 4]].concat();
        let stringy = island.repeat(50);
        let counted = read(&stringy, false);
        assert!(3 * counted.idle > counted.moves && !counted.lay_nothing());
        // Loaded at first, pulled out at the end.
        let loaded = [vec![(70.0, false)], stringy, vec![(-90.0, false)]].concat();
        assert!(!read(&loaded, false).lay_nothing());
        // Two travels of three with an E word of 0.
        let travels = [(0.0, true), (0.0, true), (0.7, true)].repeat(50);
        assert!(!read(&travels, false).lay_nothing());
        assert!(!read(&[(0.0, true); 9], false).lay_nothing(), "too few");
    }
}
