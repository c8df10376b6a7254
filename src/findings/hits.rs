//! Hits of one kind on many moves of a block, which are told together.

use super::Hit;

/// Hits of one check, one kind and one severity in the block in hand, by ascending line.
#[derive(Debug, Default)]
pub struct Hits {
    pub(super) lines: Vec<u64>,
    pub(super) worst: Option<Hit>,
}

impl Hits {
    /// Adds the next one; `hit` is asked where it is worse than all before.
    #[inline]
    pub fn add(&mut self, line: u64, badness: f64, hit: impl FnOnce() -> Hit) {
        self.lines.push(line);
        if self.worst.as_ref().is_none_or(|worst| badness > worst.badness) {
            self.worst = Some(hit());
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use super::super::{Check, Log, Severity, Spot};
    use super::*;
    use crate::block::Block;
    use crate::machine::Override;

    const CHECKS: [&Check; 2] = [&crate::checks::outside_travel::CHECK, &crate::checks::moves_before_homing::CHECK];

    fn hit(check: usize, line: u64, badness: f64) -> Hit {
        let value = Some(badness + 1.0);
        Hit { value, badness, spot: Spot::InBlock, ..Hit::plain(CHECKS[check], 3, CHECKS[check].severity, line) }
    }

    /// Blocks of moves on these lines, all of them hits.
    fn findings(blocks: &[(usize, Vec<(u64, f64)>)], off: bool, together: bool) -> String {
        let off = off.then(|| (CHECKS[0].id.to_owned(), Override::Severity(Severity::Note)));
        let (mut log, mut hits) = (Log::new(&BTreeMap::from_iter(off)), Hits::default());
        let message = |hit: &Hit| format!("{} on line {}", hit.badness, hit.line);
        let (mut line, mut at) = (0, None);
        for (check, steps) in blocks {
            let mut block = Block::default();
            for (step, badness) in steps {
                line += step;
                let i = block.add();
                (block.line[i], block.to[0][i]) = (line, line as f64);
                let hit = hit(*check, line, *badness);
                match together {
                    true => hits.add(line, *badness, || hit),
                    false => log.raise(hit, || message(&hit)),
                }
            }
            log.raise_all(&mut hits, message);
            log.locate(&block, at);
            at = block.place_after(at);
            log.capture(|line| Some(line.to_string()));
        }
        format!("{:?}", log.into_findings())
    }

    proptest! {
        #[test]
        fn told_together_or_one_by_one(
            blocks in proptest::collection::vec(
                (0usize..2, proptest::collection::vec((0u64..3, (0u8..5).prop_map(f64::from)), 0..60)),
                0..6,
            ),
            off in any::<bool>(),
        ) {
            // From the first line on.
            let mut blocks = blocks;
            if let Some((_, steps)) = blocks.first_mut() {
                steps.insert(0, (1, 0.0));
            }
            prop_assert_eq!(findings(&blocks, off, true), findings(&blocks, off, false));
        }
    }
}
