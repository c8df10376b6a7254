//! A value for each cell of a grid, of which only the rows between the first and the last that were touched take memory.

/// Values by number of the cell; those that were never touched are the default.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Cells<T> {
    /// So many cells are taken at a time.
    page: usize,
    /// Number of the first that is kept.
    first: usize,
    kept: Vec<T>,
}

impl<T: Copy + Default> Cells<T> {
    /// Nothing touched; memory is taken for `page` cells at a time.
    pub(super) fn by(page: usize) -> Self {
        Self { page, first: 0, kept: Vec::new() }
    }

    /// The value of a cell.
    #[inline(always)]
    pub(crate) fn get(&self, cell: usize) -> T {
        self.kept.get(cell.wrapping_sub(self.first)).copied().unwrap_or_default()
    }

    /// The value of a cell, to be changed.
    #[inline(always)]
    pub(crate) fn at(&mut self, cell: usize) -> &mut T {
        let at = cell.wrapping_sub(self.first);
        if at < self.kept.len() {
            return &mut self.kept[at];
        }
        self.keep(cell);
        &mut self.kept[cell - self.first]
    }

    /// The values of all cells from one to another, to be changed.
    #[inline(always)]
    pub(super) fn between(&mut self, low: usize, high: usize) -> &mut [T] {
        let [start, end] = [low, high].map(|cell| cell.wrapping_sub(self.first));
        if start <= end && end < self.kept.len() {
            return &mut self.kept[start..=end];
        }
        self.keep(low);
        self.keep(high);
        &mut self.kept[low - self.first..=high - self.first]
    }

    /// Nothing was touched any more.
    pub(crate) fn clear(&mut self) {
        self.kept.clear();
    }

    #[cold]
    fn keep(&mut self, cell: usize) {
        let page = cell / self.page;
        let (start, end) = (page * self.page, (page + 1) * self.page);
        if self.kept.is_empty() {
            self.first = start;
        }
        if self.kept.capacity() == 0 {
            // Memory that comes clear is not cleared once more.
            self.kept = vec![T::default(); end - start];
            return;
        }
        if start < self.first {
            // Twice as many at least, so that not all are moved for each row.
            let start = start.min(self.first.saturating_sub(self.kept.len()));
            self.kept.splice(..0, std::iter::repeat_n(T::default(), self.first - start));
            self.first = start;
        }
        self.kept.resize(self.kept.len().max(end - self.first), T::default());
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn cells_that_are_not_kept_have_lost_nothing(
            touched in proptest::collection::vec((0usize..400, 0usize..20, 1u32..), 0..60),
            page in 1usize..70,
        ) {
            let (mut cells, mut all) = (Cells::by(page), vec![0; 420]);
            prop_assert!(cells.kept.is_empty());
            for (n, &(cell, length, value)) in touched.iter().enumerate() {
                if n % 2 == 0 {
                    *cells.at(cell) = value;
                    all[cell] = value;
                } else {
                    cells.between(cell, cell + length).iter_mut().for_each(|cell| *cell += 1);
                    all[cell..=cell + length].iter_mut().for_each(|cell| *cell += 1);
                }
                prop_assert!((0..all.len()).all(|cell| cells.get(cell) == all[cell]));
            }
            cells.clear();
            prop_assert!((0..all.len()).all(|cell| cells.get(cell) == 0));
        }
    }

    #[test]
    fn a_small_part_takes_little() {
        let mut cells = Cells::<u64>::by(1000);
        cells.between(500_200, 500_220).fill(1);
        *cells.at(502_000) = 2;
        assert_eq!((cells.kept.len(), cells.first), (3000, 500_000));
    }
}
