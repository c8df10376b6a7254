//! The parameter words of one command.

/// Letters with numbers and letters without.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Params {
    has: u32,
    flags: u32,
    /// Letters whose value is a placeholder.
    unfilled: u32,
    values: [f64; 26],
    /// Further values of letters that have lists, the first ones.
    further: [(u8, f64); FURTHER_KEPT],
    further_count: usize,
}

/// Most further values kept of one command.
const FURTHER_KEPT: usize = 16;

fn place(letter: u8) -> usize {
    usize::from(letter.wrapping_sub(b'A')).min(25)
}

impl Params {
    pub(super) fn clear(&mut self) {
        self.has = 0;
        self.flags = 0;
        self.unfilled = 0;
        self.further_count = 0;
    }

    /// False when the letter is there already; the last one counts.
    pub(super) fn put(&mut self, letter: u8, value: Option<f64>) -> bool {
        let bit = 1u32 << place(letter);
        let fresh = (self.has | self.flags) & bit == 0;
        match value {
            Some(value) => {
                self.has |= bit;
                self.values[place(letter)] = value;
            }
            None => self.flags |= bit,
        }
        fresh
    }

    /// Takes a further value of a letter.
    pub(super) fn put_further(&mut self, letter: u8, value: f64) {
        if let Some(place) = self.further.get_mut(self.further_count) {
            *place = (letter, value);
            self.further_count += 1;
        }
    }

    /// The first letter with more than one value.
    pub(super) fn first_listed(&self) -> Option<u8> {
        self.further[..self.further_count].first().map(|&(letter, _)| letter)
    }

    /// All values behind a letter.
    pub(super) fn all(&self, letter: u8) -> impl Iterator<Item = f64> {
        let further = self.further[..self.further_count].iter().filter(move |one| one.0 == letter).map(|one| one.1);
        self.get(letter).into_iter().chain(further)
    }

    /// Takes a letter whose value is a placeholder.
    pub(super) fn put_unfilled(&mut self, letter: u8) {
        self.unfilled |= 1 << place(letter);
    }

    /// True when the value of one of the letters is a placeholder.
    pub(super) fn unfilled(&self, letters: &[u8]) -> bool {
        self.unfilled != 0 && letters.iter().any(|&letter| self.unfilled & (1 << place(letter)) != 0)
    }

    /// The first letter whose value is a placeholder.
    pub(super) fn first_unfilled(&self) -> Option<u8> {
        if self.unfilled == 0 {
            return None;
        }
        (b'A'..=b'Z').find(|letter| self.unfilled & (1 << place(*letter)) != 0)
    }

    /// The number behind a letter.
    pub(super) fn get(&self, letter: u8) -> Option<f64> {
        (self.has & (1 << place(letter)) != 0).then_some(self.values[place(letter)])
    }

    /// True when the letter stands there, with or without a number.
    pub(super) fn names(&self, letter: u8) -> bool {
        (self.has | self.flags) & (1 << place(letter)) != 0
    }

    /// True when one of the letters has a number.
    pub(super) fn any_of(&self, letters: &[u8]) -> bool {
        letters.iter().any(|&letter| self.get(letter).is_some())
    }

    /// True when nothing was given.
    pub(super) fn is_empty(&self) -> bool {
        (self.has | self.flags) == 0
    }

    /// Takes a letter without number away; true when it was there.
    pub(super) fn take_flag(&mut self, letter: u8) -> bool {
        let bit = 1u32 << place(letter);
        let there = self.flags & bit != 0;
        self.flags &= !bit;
        there
    }

    /// The first letter without a number that is not among `allowed`.
    pub(super) fn flag_not_in(&self, allowed: &[u8]) -> Option<u8> {
        if self.flags == 0 {
            return None;
        }
        (b'A'..=b'Z').find(|letter| self.flags & (1 << place(*letter)) != 0 && !allowed.contains(letter))
    }
}
