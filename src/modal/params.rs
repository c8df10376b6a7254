//! The parameter words of one command.

/// Letters with numbers and letters without.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Params {
    has: u32,
    flags: u32,
    /// Letters whose value is a placeholder.
    unfilled: u32,
    values: [f64; 26],
}

fn place(letter: u8) -> usize {
    usize::from(letter.wrapping_sub(b'A')).min(25)
}

impl Params {
    pub(super) fn clear(&mut self) {
        self.has = 0;
        self.flags = 0;
        self.unfilled = 0;
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
