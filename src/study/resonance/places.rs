//! Where the structure rings most while the job extrudes.
//!
//! Of all places the worst is reported, then the worst of those that are apart from it, and so on. A place that comes later may be
//! worse than any before and take its neighbours away, and bring back those that were next to these: so the worst of each
//! cell of a fine grid is kept to the end. What is too mild to be reported, whatever is still to come, is forgotten on the way.

use std::cmp::Ordering;
use std::collections::HashMap;

use crate::block::Block;
use crate::findings::Layer;
use crate::machine::{Direction, Mode, Structure};

/// Places that are reported.
pub const PLACES: usize = 10;
/// Nearer in x and y than this it is one place, whatever the layer, mm.
pub const APART_MM: f64 = 5.0;
/// Width of a cell, mm.
const CELL_MM: f64 = 1.0;
/// Of places that are apart, so many at most lie within `APART_MM` and the diagonal of a cell of one point, by area: circles
/// of half that distance around them do not overlap, ((5 + √2 + 2.5) / 2.5)² = 12.7.
const AROUND: usize = 12;
/// Cells that are kept before any is forgotten.
const ROOM: usize = 4096;

/// A place where the structure rings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WorstPlace {
    /// Amplitude, mm.
    pub ringing_mm: f64,
    /// Line of the move.
    pub line: u64,
    /// Number of the layer, from 1; 0 before the first.
    pub layer: u64,
    /// Where the move starts, mm, machine coordinates.
    pub position: [f64; 3],
    /// The mode that rings most.
    pub mode: Mode,
    /// Distance of its marks, mm: the highest speed of the move over the natural frequency.
    pub mark_spacing_mm: f64,
}

/// Keeps the worst places of blocks in their order.
pub(super) struct Places {
    lanes: Vec<Vec<Mode>>,
    cells: HashMap<[i64; 2], Noted>,
    /// Moves seen so far.
    moves: u64,
    /// Nothing up to this amplitude is reported any more, mm.
    floor_mm: f64,
    /// Cells at which the mild ones are forgotten.
    room: usize,
}

/// The worst of a cell, and which move of the job it is: among equals the first counts as the worst.
#[derive(Clone, Copy)]
struct Noted {
    place: WorstPlace,
    of: u64,
}

impl Noted {
    /// The worse one first.
    fn order(&self, other: &Self) -> Ordering {
        other.place.ringing_mm.total_cmp(&self.place.ringing_mm).then(self.of.cmp(&other.of))
    }

    fn is_beside(&self, other: &Self) -> bool {
        let ([x, y, _], [other_x, other_y, _]) = (self.place.position, other.place.position);
        (other_x - x).hypot(other_y - y) < APART_MM
    }
}

impl Places {
    pub(super) fn new(structure: &Structure) -> Self {
        let modes = |along: Direction| structure.along(along).map(|(_, mode)| *mode).collect();
        let lanes = structure.directions().into_iter().map(modes).collect();
        let (cells, room) = (HashMap::new(), ROOM);
        Self { lanes, cells, moves: 0, floor_mm: 0.0, room }
    }

    pub(super) fn block(&mut self, block: &Block) {
        for i in 0..block.len() {
            if !block.extrudes(i) {
                continue;
            }
            self.moves += 1;
            for (lane, column) in block.ringing_mm.iter().enumerate() {
                if column[i] > self.floor_mm {
                    self.note(block, i, lane);
                }
            }
        }
    }

    fn note(&mut self, block: &Block, i: usize, lane: usize) {
        let (ringing_mm, position) = (block.ringing_mm[lane][i], block.start(i));
        // Absurd coordinates share the cells at the ends of the range.
        let cell = [position[0], position[1]].map(|mm| (mm / CELL_MM).floor() as i64);
        if self.cells.get(&cell).is_some_and(|noted| noted.place.ringing_mm >= ringing_mm) {
            return;
        }
        let at = block.ringing_mode.get(lane).map_or(0, |column| usize::from(column[i]));
        let Some(mode) = self.lanes.get(lane).and_then(|modes| modes.get(at)) else { return };
        let place = WorstPlace {
            ringing_mm,
            line: block.line[i],
            layer: 0,
            position,
            mode: *mode,
            mark_spacing_mm: block.v_peak_mm_s[i] / mode.natural_hz,
        };
        self.cells.insert(cell, Noted { place, of: self.moves });
        if self.cells.len() >= self.room {
            self.forget();
        }
    }

    /// Forgets what is milder than so many places that ten of them are reported or lie beside worse ones that are: in the end
    /// the cell of each holds it or a worse one, which is reported or beside one that is, and around one of those is room for
    /// [`AROUND`]. What is left are cells that touch the surroundings of these places, some 16 000 at the most.
    fn forget(&mut self) {
        let told = self.apart(PLACES * AROUND);
        if told.len() == PLACES * AROUND
            && let Some(last) = told.last()
        {
            self.cells.retain(|_, noted| noted.order(last).is_le());
            self.floor_mm = last.place.ringing_mm;
        }
        self.room = ROOM.max(2 * self.cells.len());
    }

    /// The worst places that are apart, the worst first, at most so many.
    fn apart(&self, most: usize) -> Vec<Noted> {
        let mut all: Vec<&Noted> = self.cells.values().collect();
        all.sort_unstable_by(|a, b| a.order(b));
        let mut told: Vec<Noted> = Vec::new();
        for noted in all {
            if told.len() == most {
                break;
            }
            if !told.iter().any(|other| other.is_beside(noted)) {
                told.push(*noted);
            }
        }
        told
    }

    /// The worst places, the worst first. Which layer they are on is known only now.
    pub(super) fn finish(self, layers: &[Layer]) -> Vec<WorstPlace> {
        let layer = |line: u64| layers.partition_point(|layer| layer.first_line <= line) as u64;
        self.apart(PLACES)
            .into_iter()
            .map(|Noted { place, .. }| WorstPlace { layer: layer(place.line), ..place })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::block::{BLOCK, flag};

    fn structure() -> Structure {
        let mode = Mode { along: Direction::X, natural_hz: 40.0, damping_ratio: 0.05, share: 1.0 };
        Structure { modes: vec![mode], ..Structure::default() }
    }

    /// Feeds moves that start at x and y and ring by that much, in blocks of their own.
    fn fed(moves: &[[f64; 3]]) -> Places {
        let mut places = Places::new(&structure());
        let mut block = Box::<Block>::default();
        block.ringing_mm.push(Box::new([0.0; BLOCK]));
        block.ringing_mode.push(Box::new([0; BLOCK]));
        for (line, &[x, y, ringing_mm]) in (1..).zip(moves) {
            block.clear();
            block.origin = [x, y, 0.2];
            let i = block.add();
            (block.line[i], block.flags[i], block.de_mm[i]) = (line, flag::PATH, 0.1);
            block.to[2][i] = 0.2;
            block.ringing_mm[0][i] = ringing_mm;
            places.block(&block);
        }
        places
    }

    fn told(places: Places) -> Vec<(u64, f64)> {
        places.finish(&[]).iter().map(|place| (place.line, place.ringing_mm)).collect()
    }

    /// The same, with the worst of every cell kept.
    fn expected(moves: &[[f64; 3]]) -> Vec<(u64, f64)> {
        let mut all: Vec<(u64, [f64; 3])> = (1..).zip(moves.iter().copied()).collect();
        all.sort_by(|a, b| b.1[2].total_cmp(&a.1[2]));
        let mut seen = std::collections::HashSet::new();
        all.retain(|(_, [x, y, _])| seen.insert([x.floor() as i64, y.floor() as i64]));
        let mut told: Vec<(u64, [f64; 3])> = Vec::new();
        for (line, [x, y, mm]) in all {
            if told.len() < PLACES && told.iter().all(|(_, other)| (other[0] - x).hypot(other[1] - y) >= APART_MM) {
                told.push((line, [x, y, mm]));
            }
        }
        told.into_iter().map(|(line, [_, _, mm])| (line, mm)).collect()
    }

    /// Noise from 0 to 1 that is the same every time.
    fn noise(n: u64) -> f64 {
        let mixed = (n + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        ((mixed ^ (mixed >> 29)).wrapping_mul(0xbf58_476d_1ce4_e5b9) >> 11) as f64 / (1u64 << 53) as f64
    }

    #[test]
    fn a_chain_that_grows_is_told_like_one_that_fades() {
        let growing: Vec<[f64; 3]> = (0..200).map(|n| [20.0 + 0.5 * f64::from(n), 50.0, f64::from(n + 1)]).collect();
        let fading: Vec<[f64; 3]> = growing.iter().rev().copied().collect();
        let amplitudes = |moves: &[[f64; 3]]| told(fed(moves)).into_iter().map(|(_, mm)| mm).collect::<Vec<_>>();
        assert_eq!(amplitudes(&growing), (0..PLACES).map(|n| 200.0 - 10.0 * n as f64).collect::<Vec<_>>());
        assert_eq!(amplitudes(&growing), amplitudes(&fading));
    }

    #[test]
    fn what_is_forgotten_on_the_way_would_not_be_told() {
        let raster = |n: u64| [(n % 600) as f64 * 0.5, (n / 600) as f64 * 0.5];
        let jobs: [Vec<[f64; 3]>; 4] = [
            // Anywhere, as bad as it comes; equals among them.
            (0..60_000)
                .map(|n| [400.0 * noise(3 * n), 400.0 * noise(3 * n + 1), (noise(3 * n + 2) * 5e3).round()])
                .collect(),
            // Ever worse from line to line, and worse at the end of each.
            (0..120_000)
                .map(|n| {
                    let [x, y] = raster(n);
                    [x, y, 1.0 + x + y]
                })
                .collect(),
            // The worst places of the first half lie in a ring around those of the second.
            (0..60_000)
                .map(|n| {
                    let ([x, y], second) = (raster(2 * (n % 30_000) + 600), n >= 30_000);
                    let near = (x % 12.0 - 6.0).hypot(y % 12.0 - 6.0);
                    [x, y, if second == (near < 3.0) { 100.0 + noise(n) } else { noise(n) }]
                })
                .collect(),
            // All alike.
            (0..120_000)
                .map(|n| {
                    let [x, y] = raster(n);
                    [x, y, 0.1]
                })
                .collect(),
        ];
        for moves in &jobs {
            let places = fed(moves);
            assert!(places.floor_mm > 0.0 && places.cells.len() < 32_000, "{}", places.cells.len());
            assert_eq!(told(places), expected(moves));
        }
    }

    #[test]
    fn absurd_coordinates_are_places_too() {
        let found =
            told(fed(&[[1e300, -1e300, 2.0], [f64::MAX, f64::MIN, 1.0], [0.0, 0.0, 0.5], [0.0, 0.0, f64::NAN]]));
        assert_eq!(found, [(1, 2.0), (3, 0.5)]);
    }
}
