//! What stands on the bed: the highest line laid in each cell of a grid over the travel.
//!
//! Cells are [`CELL_MM`] wide, or as much wider as it takes for [`CELLS_MOST`] of them to cover the travel. A cell counts as
//! filled to the lowest point of what was laid across it, and only lines along X or Y count: what hangs from a nozzle that
//! rises on the spot stands nowhere. Heights are those of the tip, mm from Z 0; 0 is the bare bed.

mod cells;
mod layer_times;

use crate::geometry::{Curve, flatten};
use crate::machine::{Rectangle, Travel};
use crate::vectors::columns;

pub(crate) use cells::Cells;
pub use layer_times::{LaidLayer, LayerTimes};

/// Heights of extrusion that differ by at least this are different layers, mm.
pub const LEVEL_MM: f64 = 0.04;
/// Width of a cell, mm.
pub const CELL_MM: f64 = 1.0;
/// Most cells of a grid.
pub const CELLS_MOST: usize = 1_000_000;
/// How far chords may leave a curve, mm.
const CHORD_MM: f64 = 0.25;
/// Cells along one edge of a tile.
const TILE: usize = 16;
/// Steps of a walk that are taken without looking for its rows first.
const FEW_STEPS: i32 = 16;

/// Width of the cells over a travel, mm.
pub fn cell_mm(travel: &Travel) -> f64 {
    let [x_mm, y_mm] = [0, 1].map(|axis| (travel.max[axis] - travel.min[axis]).max(CELL_MM));
    // A row and a column more than it takes, for what lies on the edge.
    let covers = |cell_mm: f64| (x_mm / cell_mm + 1.0) * (y_mm / cell_mm + 1.0);
    let mut cell_mm = CELL_MM;
    while covers(cell_mm) > CELLS_MOST as f64 {
        cell_mm *= (covers(cell_mm) / CELLS_MOST as f64).sqrt().max(1.001);
    }
    cell_mm
}

/// Heights of what stands over the travel.
#[derive(Debug)]
pub struct Standing {
    grid: Grid,
    top_mm: Cells<f32>,
    /// The highest cell of each square of [`TILE`] cells.
    tiles_mm: Vec<f32>,
    highest_mm: f64,
}

/// The cells over a travel.
#[derive(Debug, Clone, Copy)]
struct Grid {
    area: Rectangle,
    cell_mm: f64,
    cells_per_mm: f64,
    columns: usize,
    rows: usize,
    tile_columns: usize,
}

/// A piece of a path in one cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossing {
    /// Which cell.
    pub cell: usize,
    /// Height at the end of the piece, and at its lowest point, mm.
    pub z_mm: f64,
    /// See `z_mm`.
    pub lowest_mm: f64,
}

/// A straight path on its way over the grid, in cells as multiples of 2⁻³².
#[derive(Debug, Clone, Copy)]
struct Walk {
    at: [i64; 2],
    by: [i64; 2],
    steps: i32,
    /// From which share of the path on it lies over the grid, and what each step is of it.
    start: f64,
    share: f64,
}

impl Walk {
    /// Row and column after the next step.
    #[inline(always)]
    fn step(&mut self, grid: &Grid) -> (usize, usize) {
        let [x, y] = [0, 1].map(|axis| {
            self.at[axis] += self.by[axis];
            (self.at[axis] >> 32) as usize
        });
        (y.min(grid.rows - 1), x.min(grid.columns - 1))
    }

    /// Row and column after so many steps.
    #[inline(always)]
    fn after(&self, steps: i64, grid: &Grid) -> (usize, usize) {
        let [x, y] = [0, 1].map(|axis| ((self.at[axis] + self.by[axis] * steps) >> 32) as usize);
        (y.min(grid.rows - 1), x.min(grid.columns - 1))
    }

    /// Row and column of the cell that a step crosses on its way to the one diagonally next: a path that visits it too
    /// slips through no line, however that lies.
    fn between(&self, after: &Self, grid: &Grid) -> Option<(usize, usize)> {
        let cells = |walk: &Self| [0, 1].map(|axis| walk.at[axis] >> 32);
        let ([x, y], [next_x, next_y]) = (cells(self), cells(after));
        if x == next_x || y == next_y {
            return None;
        }
        // Which border comes first, by the share of the step at which it is crossed.
        let share = |axis: usize, border: i64| ((border << 32) - self.at[axis]) as f64 / self.by[axis] as f64;
        let (row, column) = if share(0, x.max(next_x)) < share(1, y.max(next_y)) { (y, next_x) } else { (next_y, x) };
        Some(((row.max(0) as usize).min(grid.rows - 1), (column.max(0) as usize).min(grid.columns - 1)))
    }
}

impl Standing {
    /// Nothing on the bed.
    pub fn over(travel: &Travel) -> Self {
        let grid = Grid::over(travel);
        let tiles = grid.tile_columns * grid.rows.div_ceil(TILE);
        Self { grid, top_mm: grid.cells(), tiles_mm: vec![0.0; tiles], highest_mm: 0.0 }
    }

    /// The bed is bare again.
    pub fn clear(&mut self) {
        let grid = self.grid;
        self.highest_mm = 0.0;
        for (tile, tile_mm) in self.tiles_mm.iter_mut().enumerate().filter(|(_, tile_mm)| **tile_mm > 0.0) {
            *tile_mm = 0.0;
            let (row, column) = (tile / grid.tile_columns * TILE, tile % grid.tile_columns * TILE);
            for row in row..(row + TILE).min(grid.rows) {
                let last = (column + TILE).min(grid.columns) - 1;
                self.top_mm.between(row * grid.columns + column, row * grid.columns + last).fill(0.0);
            }
        }
    }

    /// The highest of all cells, mm.
    pub fn highest_mm(&self) -> f64 {
        self.highest_mm
    }

    /// The middle of a highest cell, x, y, and its height, mm; none on a bare bed.
    pub fn highest(&self) -> Option<([f64; 2], f64)> {
        let grid = &self.grid;
        let is_highest = |top_mm: f32| top_mm > 0.0 && f64::from(top_mm) == self.highest_mm;
        let tile = self.tiles_mm.iter().position(|tile_mm| is_highest(*tile_mm))?;
        let (row, column) = (tile / grid.tile_columns * TILE, tile % grid.tile_columns * TILE);
        let rows = row..(row + TILE).min(grid.rows);
        let mut cells =
            rows.flat_map(|row| (column..(column + TILE).min(grid.columns)).map(move |x| row * grid.columns + x));
        let cell = cells.find(|&cell| is_highest(self.top_mm.get(cell)))?;
        Some((self.middle_mm(cell), self.top_mm(cell)))
    }

    /// How many cells there are.
    #[cfg(test)]
    fn cells(&self) -> usize {
        self.grid.columns * self.grid.rows
    }

    /// How high it stands in a cell, mm.
    pub fn top_mm(&self, cell: usize) -> f64 {
        // Without the noise of 32 bits.
        (f64::from(self.top_mm.get(cell)) * 1e4).round() / 1e4
    }

    /// The same with the noise of 32 bits, within half a ten-thousandth.
    #[inline(always)]
    pub fn nearly_mm(&self, cell: usize) -> f64 {
        f64::from(self.top_mm.get(cell))
    }

    /// Something for each cell, to begin with its default.
    pub(crate) fn for_cells<T: Copy + Default>(&self) -> Cells<T> {
        self.grid.cells()
    }

    /// The middle of a cell, x, y, mm.
    pub fn middle_mm(&self, cell: usize) -> [f64; 2] {
        let grid = &self.grid;
        let [column, row] = [cell % grid.columns, cell / grid.columns];
        [(0, column), (1, row)].map(|(axis, at)| grid.area.min[axis] + (at as f64 + 0.5) * grid.cell_mm)
    }

    /// Lays a straight line.
    #[inline(always)]
    pub fn lay(&mut self, from: [f64; 3], to: [f64; 3]) {
        let grid = self.grid;
        if from[2] == to[2] {
            let Some(mut walk) = grid.walk(from, to) else { return };
            let z_mm = to[2] as f32;
            if walk.by[1] == 0 {
                return self.fill_row(walk, z_mm);
            }
            if walk.steps > FEW_STEPS {
                return self.fill_walk(walk, z_mm);
            }
            for _ in 0..walk.steps {
                let (row, column) = walk.step(&grid);
                self.fill(row, column, z_mm);
            }
        } else {
            grid.along(from, to, |Crossing { cell, lowest_mm, .. }| {
                self.fill(cell / grid.columns, cell % grid.columns, lowest_mm as f32);
            });
        }
    }

    /// Lays a curve.
    pub fn lay_curve(&mut self, curve: &Curve, from: [f64; 3], to: [f64; 3]) {
        flatten(curve, from, to, CHORD_MM, |from, to| self.lay(from, to));
    }

    #[inline(always)]
    fn fill(&mut self, row: usize, column: usize, z_mm: f32) {
        let top_mm = self.top_mm.at(row * self.grid.columns + column);
        *top_mm = if z_mm > *top_mm { z_mm } else { *top_mm };
        self.raise_tile(row / TILE * self.grid.tile_columns + column / TILE, z_mm);
    }

    #[inline(always)]
    fn raise_tile(&mut self, tile: usize, z_mm: f32) {
        if z_mm > self.tiles_mm[tile] {
            self.tiles_mm[tile] = z_mm;
            self.highest_mm = self.highest_mm.max(f64::from(z_mm));
        }
    }

    /// Fills the cells of a walk.
    #[inline(always)]
    fn fill_walk(&mut self, mut walk: Walk, z_mm: f32) {
        let grid = self.grid;
        let [first, last] = [1, i64::from(walk.steps)].map(|steps| walk.after(steps, &grid).0);
        let low = first.min(last) * grid.columns;
        let rows = self.top_mm.between(low, first.max(last) * grid.columns + grid.columns - 1);
        let tiles_mm = &mut self.tiles_mm[..];
        for _ in 0..walk.steps {
            let (row, column) = walk.step(&grid);
            let top_mm = &mut rows[row * grid.columns + column - low];
            // Without a branch: whether a neighbour has filled the cell already nobody can foresee.
            *top_mm = if z_mm > *top_mm { z_mm } else { *top_mm };
            let tile_mm = &mut tiles_mm[row / TILE * grid.tile_columns + column / TILE];
            if z_mm > *tile_mm {
                *tile_mm = z_mm;
                self.highest_mm = self.highest_mm.max(f64::from(z_mm));
            }
        }
    }

    /// Fills the cells of a walk along X: steps are no longer than a cell, so it leaves none of them out.
    fn fill_row(&mut self, walk: Walk, z_mm: f32) {
        let grid = self.grid;
        let ((row, first), (_, last)) = (walk.after(1, &grid), walk.after(i64::from(walk.steps), &grid));
        let (left, right) = (first.min(last), first.max(last));
        for top_mm in self.top_mm.between(row * grid.columns + left, row * grid.columns + right) {
            *top_mm = if z_mm > *top_mm { z_mm } else { *top_mm };
        }
        let tiles = row / TILE * grid.tile_columns;
        (left / TILE..=right / TILE).for_each(|tile| self.raise_tile(tiles + tile, z_mm));
    }

    /// The cells that a straight path of the tip crosses, in order; not the one it starts in.
    pub fn along(&self, from: [f64; 3], to: [f64; 3], take: impl FnMut(Crossing)) {
        self.grid.along(from, to, take);
    }

    /// The same along a curve.
    pub fn along_curve(&self, curve: &Curve, from: [f64; 3], to: [f64; 3], take: impl FnMut(Crossing)) {
        self.grid.along_curve(curve, from, to, take);
    }

    /// The cells whose middle lies in an area around a place and that stand higher than `above_mm`.
    pub fn higher_around(&self, place: [f64; 2], around: &Rectangle, above_mm: f64, mut take: impl FnMut(usize)) {
        let grid = self.grid;
        let cells = |axis: usize, corner: &[f64; 2], most: usize| {
            let at = (place[axis] + corner[axis] - grid.area.min[axis]) * grid.cells_per_mm;
            (at.floor().max(0.0) as usize).min(most)
        };
        let [left, right] = [&around.min, &around.max].map(|corner| cells(0, corner, grid.columns - 1));
        let [front, back] = [&around.min, &around.max].map(|corner| cells(1, corner, grid.rows - 1));
        for tile_row in front / TILE..=back / TILE {
            for tile_column in left / TILE..=right / TILE {
                if f64::from(self.tiles_mm[tile_row * grid.tile_columns + tile_column]) <= above_mm {
                    continue;
                }
                for row in front.max(tile_row * TILE)..=back.min(tile_row * TILE + TILE - 1) {
                    for column in left.max(tile_column * TILE)..=right.min(tile_column * TILE + TILE - 1) {
                        let cell = row * grid.columns + column;
                        let middle = self.middle_mm(cell);
                        let is_around = || around.holds([0, 1].map(|axis| middle[axis] - place[axis]));
                        if self.top_mm(cell) > above_mm && is_around() {
                            take(cell);
                        }
                    }
                }
            }
        }
    }
}

impl Grid {
    fn over(travel: &Travel) -> Self {
        let cell_mm = cell_mm(travel);
        let [columns, rows] = [0, 1].map(|axis| ((travel.max[axis] - travel.min[axis]) / cell_mm) as usize + 1);
        Self {
            area: travel.area(),
            cell_mm,
            cells_per_mm: 1.0 / cell_mm,
            columns,
            rows,
            tile_columns: columns.div_ceil(TILE),
        }
    }

    /// Something for each cell, to begin with its default.
    fn cells<T: Copy + Default>(&self) -> Cells<T> {
        Cells::by(self.columns * TILE)
    }

    #[inline(always)]
    fn walk(&self, from: [f64; 3], to: [f64; 3]) -> Option<Walk> {
        /// So that rounding leaves no path on the edge of the grid below it.
        const ROUNDING: f64 = 1e-6;
        let [start, end] = self.inside(from, to)?;
        let [x, y] = [0, 1].map(|axis| (to[axis] - from[axis]) * self.cells_per_mm);
        let steps = (columns::larger(x.abs(), y.abs()) * (end - start)) as i32 + 1;
        let share = (end - start) / f64::from(steps);
        let fixed = |cells: f64| (cells * 4_294_967_296.0) as i64;
        let at = [(0, x), (1, y)].map(|(axis, length)| {
            fixed((from[axis] - self.area.min[axis]) * self.cells_per_mm + length * start + ROUNDING)
        });
        Some(Walk { at, by: [fixed(x * share), fixed(y * share)], steps, start, share })
    }

    #[inline(always)]
    fn along(&self, from: [f64; 3], to: [f64; 3], mut take: impl FnMut(Crossing)) {
        let Some(mut walk) = self.walk(from, to) else { return };
        let rise_mm = to[2] - from[2];
        let mut before_mm = from[2] + rise_mm * walk.start;
        for k in 1..=walk.steps {
            let left = walk;
            let (row, column) = walk.step(self);
            let z_mm = from[2] + rise_mm * (walk.start + walk.share * f64::from(k));
            let lowest_mm = if z_mm < before_mm { z_mm } else { before_mm };
            if let Some((row, column)) = left.between(&walk, self) {
                take(Crossing { cell: row * self.columns + column, z_mm, lowest_mm });
            }
            take(Crossing { cell: row * self.columns + column, z_mm, lowest_mm });
            before_mm = z_mm;
        }
    }

    /// The same along a curve.
    fn along_curve(&self, curve: &Curve, from: [f64; 3], to: [f64; 3], mut take: impl FnMut(Crossing)) {
        flatten(curve, from, to, CHORD_MM, |from, to| self.along(from, to, &mut take));
    }

    /// From which share of a path to which it lies over the grid.
    #[inline(always)]
    fn inside(&self, from: [f64; 3], to: [f64; 3]) -> Option<[f64; 2]> {
        let holds = |[x, y, _]: [f64; 3]| self.area.holds([x, y]);
        if holds(from) & holds(to) { Some([0.0, 1.0]) } else { self.cut(from, to) }
    }

    #[cold]
    fn cut(&self, from: [f64; 3], to: [f64; 3]) -> Option<[f64; 2]> {
        let (mut start, mut end) = (0.0f64, 1.0f64);
        for axis in 0..2 {
            let length_mm = to[axis] - from[axis];
            let [low, high] = [self.area.min[axis] - from[axis], self.area.max[axis] - from[axis]];
            if length_mm == 0.0 {
                if low > 0.0 || high < 0.0 {
                    return None;
                }
                continue;
            }
            let [a, b] = [low / length_mm, high / length_mm];
            (start, end) = (start.max(a.min(b)), end.min(a.max(b)));
        }
        (start <= end).then_some([start, end])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Arc;
    use crate::machine::Machine;

    fn travel(x_mm: f64, y_mm: f64) -> Travel {
        let mut travel = Machine::built_in().travel;
        (travel.min, travel.max) = ([0.0; 3], [x_mm, y_mm, 300.0]);
        travel
    }

    #[test]
    fn a_line_fills_the_cells_it_crosses_and_no_others() {
        let mut standing = Standing::over(&travel(50.0, 40.0));
        standing.lay([10.5, 5.5, 0.2], [20.5, 5.5, 0.2]);
        let filled: Vec<_> = (0..standing.cells()).filter(|&cell| standing.top_mm(cell) > 0.0).collect();
        let middles: Vec<_> = filled.iter().map(|&cell| standing.middle_mm(cell)).collect();
        // The cell where it starts is filled by its first step.
        assert_eq!(middles.first(), Some(&[11.5, 5.5]));
        assert_eq!(middles.last(), Some(&[20.5, 5.5]));
        assert_eq!(filled.len(), 10);
        assert!((standing.highest_mm() - 0.2).abs() < 1e-6);
        standing.clear();
        assert!((0..standing.cells()).all(|cell| standing.top_mm(cell) == 0.0) && standing.highest_mm() == 0.0);
    }

    #[test]
    fn a_line_along_x_fills_what_its_steps_cross() {
        let ends = [0.0, 0.4, 1.0, 7.3, 15.999, 16.0, 31.5, 49.2, 50.0];
        for (from, to) in ends.iter().flat_map(|&from| ends.map(|to| (from, to))).filter(|(from, to)| from != to) {
            let (mut row, mut cells) = (Standing::over(&travel(50.0, 40.0)), Standing::over(&travel(50.0, 40.0)));
            row.lay([from, 17.5, 0.2], [to, 17.5, 0.2]);
            let grid = cells.grid;
            grid.along([from, 17.5, 0.2], [to, 17.5, 0.2], |crossing| {
                cells.fill(crossing.cell / grid.columns, crossing.cell % grid.columns, 0.2);
            });
            assert_eq!((row.top_mm, row.tiles_mm, row.highest_mm), (cells.top_mm, cells.tiles_mm, cells.highest_mm));
        }
    }

    #[test]
    fn a_slope_counts_from_its_lowest_point_in_each_cell() {
        let mut standing = Standing::over(&travel(50.0, 40.0));
        standing.lay([0.5, 0.5, 0.0], [10.5, 0.5, 10.0]);
        for (cell, top_mm) in (1..11).map(|cell| (cell as f64, standing.top_mm(cell))) {
            // The line is at the cell's number less a half where it enters it, and a step is shorter than a cell.
            assert!(top_mm > cell - 1.5 && top_mm < cell + 0.5, "{cell}: {top_mm}");
        }
    }

    #[test]
    fn paths_from_and_to_beyond_the_travel_are_cut() {
        let standing = Standing::over(&travel(50.0, 40.0));
        let count = |from, to| {
            let mut count = 0;
            standing.along(from, to, |crossing| {
                assert!(crossing.cell < standing.cells());
                count += 1;
            });
            count
        };
        assert!((50..=51).contains(&count([-1e5, 20.0, 1.0], [1e5, 20.0, 1.0])));
        assert_eq!(count([-10.0, 20.0, 1.0], [-5.0, 50.0, 1.0]), 0);
        assert_eq!(count([60.0, 50.0, 1.0], [60.0, 50.0, 9.0]), 0);
        assert_eq!(count([50.0, 40.0, 1.0], [50.0, 40.0, 9.0]), 1);
    }

    #[test]
    fn a_circle_stands_where_it_was_laid() {
        let mut standing = Standing::over(&travel(50.0, 40.0));
        let arc = Arc {
            axes: [0, 1, 2],
            centre: [25.0, 20.0],
            radius: 10.0,
            start_rad: 0.0,
            sweep_rad: 2.0 * std::f64::consts::PI,
        };
        let start = [35.0, 20.0, 0.3];
        standing.lay_curve(&Curve::Arc(arc), start, start);
        let filled = (0..standing.cells()).filter(|&cell| standing.top_mm(cell) > 0.0);
        let distances = filled.map(|cell| {
            let [x, y] = standing.middle_mm(cell);
            (x - 25.0).hypot(y - 20.0)
        });
        let distances: Vec<_> = distances.collect();
        assert!(distances.len() > 50 && distances.iter().all(|mm| (mm - 10.0).abs() < 1.0), "{distances:?}");
    }

    #[test]
    fn large_beds_have_larger_cells_and_never_more_than_a_million() {
        assert_eq!(cell_mm(&travel(400.0, 400.0)), CELL_MM);
        for (x_mm, y_mm) in [(1200.0, 1200.0), (1e5, 1e5), (1e5, 1.0), (1e5, 0.0)] {
            let standing = Standing::over(&travel(x_mm, y_mm));
            assert!(standing.cells() <= CELLS_MOST, "{x_mm} {y_mm}: {}", standing.cells());
        }
        assert!(cell_mm(&travel(1200.0, 1200.0)) < 1.3);
    }
}
