//! Moves that wait, in a small space: a block takes some 50 kB however few moves it has.

use super::builder::{BlockInFlight, PendingAction};
use crate::block::{BLOCK, Block, CurvedMove, LimitChange};

/// Words that one move takes.
const WORDS: usize = 8;

/// What a [`BlockInFlight`] block holds before it is planned, in as much room as that needs.
#[derive(Debug, Clone)]
pub struct Packed {
    /// One column after another: line, x, y, z, dE, speed, commands with bytes, flags.
    words: Box<[u64]>,
    origin: [f64; 3],
    curves: Box<[CurvedMove]>,
    closing: Box<[PendingAction]>,
    changes: Box<[(usize, LimitChange)]>,
    stops: bool,
}

impl Packed {
    /// Copies the moves of a block, and what follows them.
    pub(crate) fn of(planned: &BlockInFlight) -> Self {
        Self {
            words: words(&planned.block),
            origin: planned.block.origin,
            curves: planned.block.curves.as_slice().into(),
            closing: planned.closing.as_slice().into(),
            changes: planned.changes.as_slice().into(),
            stops: planned.stops,
        }
    }

    /// Number of moves.
    pub(crate) fn len(&self) -> usize {
        self.words.len() / WORDS
    }

    /// Changes of limits, each from a move on.
    pub(crate) fn changes(&self) -> &[(usize, LimitChange)] {
        &self.changes
    }

    /// Memory it takes, bytes.
    pub(crate) fn bytes(&self) -> usize {
        size_of::<Self>()
            + size_of_val(&*self.words)
            + size_of_val(&*self.curves)
            + size_of_val(&*self.closing)
            + size_of_val(&*self.changes)
    }

    /// Fills a block, whatever was in it, with what was taken out of the other.
    pub(crate) fn unpack(&self, planned: &mut BlockInFlight) {
        planned.clear();
        let BlockInFlight { block, closing, changes, stops } = planned;
        *stops = self.stops;
        let count = self.len().min(BLOCK);
        block.count = count;
        block.origin = self.origin;
        block.curves.extend_from_slice(&self.curves);
        closing.extend_from_slice(&self.closing);
        changes.extend_from_slice(&self.changes);
        if count == 0 {
            return;
        }
        let mut columns = self.words.chunks_exact(count);
        let mut next = || columns.next().unwrap_or_default();
        block.line[..count].copy_from_slice(next());
        let [x, y, z] = &mut block.to;
        for column in [x, y, z, &mut block.de_mm, &mut block.feed_commanded_mm_s] {
            column[..count].iter_mut().zip(next()).for_each(|(to, &from)| *to = f64::from_bits(from));
        }
        for (i, &word) in next().iter().enumerate() {
            (block.commands[i], block.bytes[i]) = ((word >> 32) as u32, word as u32);
        }
        for (i, &word) in next().iter().enumerate() {
            block.flags[i] = word as u8;
        }
    }
}

fn words(block: &Block) -> Box<[u64]> {
    let count = block.len();
    let mut words = Vec::with_capacity(count * WORDS);
    words.extend_from_slice(&block.line[..count]);
    for column in block.to.iter().chain([&block.de_mm, &block.feed_commanded_mm_s]) {
        words.extend(column[..count].iter().map(|value| value.to_bits()));
    }
    let counts = block.commands[..count].iter().zip(&block.bytes[..count]);
    words.extend(counts.map(|(&commands, &bytes)| u64::from(commands) << 32 | u64::from(bytes)));
    words.extend(block.flags[..count].iter().map(|&flags| u64::from(flags)));
    words.into_boxed_slice()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::block::{ActionKind, BlockBuilder, Event, Move};

    fn gathered(moves: &[(u64, [f64; 3], f64, u32)]) -> Vec<Box<BlockInFlight>> {
        let mut gather = BlockBuilder::new();
        let mut from = [0.0; 3];
        for &(line, to, de, commands) in moves {
            let step = Move {
                line,
                from,
                to,
                known: [true, commands % 2 == 0, true],
                de,
                feed_mm_s: de.abs() + 1.0,
                curve: None,
                commands,
                bytes: commands ^ 77,
            };
            gather.event(&Event::Move(step));
            from = to;
            if commands % 5 == 0 {
                gather.event(&Event::Action { line, duration_s: de, kind: ActionKind::Dwell });
            }
            if commands % 7 == 0 {
                gather.event(&Event::Limits(LimitChange { printing_mm_s2: Some(de), ..LimitChange::default() }));
            }
        }
        gather.finish(9);
        let mut blocks = Vec::new();
        gather.take(&mut blocks, &mut Vec::new());
        blocks.into_iter().map(|gathered| gathered.unpacked(&mut Vec::new())).collect()
    }

    proptest! {
        #[test]
        fn comes_out_as_it_went_in(
            moves in proptest::collection::vec((1u64.., proptest::array::uniform3(-9e9..9e9f64), -9.0..9.0f64, 0u32..), 0..600),
        ) {
            let mut other = BlockInFlight::default();
            for mut planned in gathered(&moves) {
                let shown = |planned: &BlockInFlight| {
                    let block = &planned.block;
                    let moves: Vec<_> = (0..block.len())
                        .map(|i| (block.line[i], block.end(i), block.de_mm[i], block.feed_commanded_mm_s[i], block.flags[i],
                                  block.commands[i], block.bytes[i]))
                        .collect();
                    format!("{moves:?} {:?} {:?} {:?} {:?} {}", block.origin, block.curves, planned.closing, planned.changes,
                            planned.stops)
                };
                let before = shown(&planned);
                Packed::of(&planned).unpack(&mut other);
                prop_assert_eq!(&shown(&other), &before);
                Packed::of(&other).unpack(&mut planned);
                prop_assert_eq!(shown(&planned), before);
            }
        }
    }
}
