//! What is drawn: layers of paths, and how they become fewer points.

use crate::geometry::CHORD_MM;
use crate::show::record::simplify::simplify;
use crate::wording::{grouped, number};

/// Points lie on a grid of that width, mm.
pub const GRID_MM: f64 = 0.01;
/// How far a drawn path may be off, mm: the first step as long as there is room.
pub const STEPS_MM: [f64; 4] = [0.05, 0.1, 0.2, 0.4];
/// The tolerance grows no further, mm.
const LOOSEST_MM: f64 = 100.0;
/// Of a step, what rounding to the grid (half its diagonal) and chords of curves take, mm.
pub(super) const ROUNDED_MM: f64 = GRID_MM * std::f64::consts::FRAC_1_SQRT_2 + CHORD_MM;
/// What a path takes besides its points, in points.
const PATH_ROOM: usize = 2;
/// How dear travel is against lines laid, of the same length.
const TRAVEL_RANK: f32 = 1.0 / 64.0;
/// Coordinates beyond this are drawn at it, mm.
pub const FARTHEST_MM: f64 = 10_000.0;

/// Units of the numbers of a point.
pub mod units {
    /// mm³/s.
    pub const MELT_MM3_S: f64 = 0.01;
    /// mm/s.
    pub const SPEED_MM_S: f64 = 0.05;
    /// mm.
    pub const RINGING_MM: f64 = 0.0002;
}

/// A point of a path and what belongs to the way that leads there: the largest values on it, in [`units`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PlanPoint {
    /// In [`GRID_MM`].
    pub x: i32,
    /// In [`GRID_MM`].
    pub y: i32,
    /// Momentary melt rate.
    pub melt: u16,
    /// Speed.
    pub speed: u16,
    /// Ringing, the largest over all directions.
    pub ringing: u16,
}

impl PlanPoint {
    /// From here to there, in [`GRID_MM`].
    pub(in crate::show::record) fn to(self, there: Self) -> [f64; 2] {
        [f64::from(there.x) - f64::from(self.x), f64::from(there.y) - f64::from(self.y)]
    }

    /// The point with the larger of the numbers of both.
    pub(in crate::show::record) fn with_most_of(self, other: Self) -> Self {
        Self {
            melt: self.melt.max(other.melt),
            speed: self.speed.max(other.speed),
            ringing: self.ringing.max(other.ringing),
            ..self
        }
    }
}

/// A path without a break.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlanPath {
    /// Nothing is extruded.
    pub travel: bool,
    /// Something was found on one of its lines.
    pub found: bool,
    /// Above 0 and up to 1, evenly spread over paths in their order: which of equally long ones stay.
    pub spread: f32,
    /// When it starts and ends, s.
    pub span_s: [f64; 2],
    /// Its first line.
    pub line: u64,
    /// Its points end before this one of the layer.
    pub end: usize,
}

/// A layer.
#[derive(Debug, Clone, PartialEq)]
pub struct DrawnLayer {
    /// Number, from 1.
    pub number: u64,
    /// Height, and the highest that is laid, mm.
    pub z_mm: [f64; 2],
    /// Its first line.
    pub line: u64,
    /// Every point is kept.
    pub full: bool,
    /// Something was found on it: it is drawn whatever else is left out.
    pub found: bool,
    /// How many paths there are that lay filament, and how many that do not: more than are drawn, where they were thinned.
    pub begun: [u64; 2],
    /// Paths, in the order of the job.
    pub paths: Vec<PlanPath>,
    /// Points of all paths.
    pub points: Vec<PlanPoint>,
}

impl DrawnLayer {
    /// Nothing drawn yet.
    pub(super) fn starting(number: u64, z_mm: [f64; 2], line: u64) -> Self {
        Self { number, z_mm, line, full: false, found: false, begun: [0; 2], paths: Vec::new(), points: Vec::new() }
    }

    /// See [`Drawing::room`].
    pub fn room(&self) -> usize {
        self.points.len() + PATH_ROOM * self.paths.len()
    }

    /// How many paths are drawn that lay filament, and how many that do not.
    pub fn drawn(&self) -> [u64; 2] {
        let travels = self.paths.iter().filter(|path| path.travel).count();
        [self.paths.len() - travels, travels].map(|count| count as u64)
    }

    /// Points besides the ends of paths.
    fn between(&self) -> usize {
        self.points.len().saturating_sub(2 * self.paths.len())
    }

    /// How dear each path is: its length, the more the lower its number of the spread, so that of many equally long ones an even choice
    /// is dear (N. Duffield, C. Lund, M. Thorup, Journal of the ACM 54, 2007, who draw that number by lot; from memory).
    /// Travel is cheaper by far.
    fn ranks(&self) -> impl Iterator<Item = f32> {
        self.strokes().map(|(path, points)| {
            let length = |pair: &[PlanPoint]| {
                let [x, y] = pair[0].to(pair[1]);
                x.hypot(y)
            };
            let length: f64 = points.windows(2).map(length).sum();
            // A path of no length is one still.
            (length as f32 + 1.0) / path.spread * if path.travel { TRAVEL_RANK } else { 1.0 }
        })
    }

    /// Leaves out the paths that are not dearer than that, but for the dearest, and for those with findings unless they are
    /// `not_spared`.
    pub(super) fn keep_above(&mut self, rank: f32, not_spared: bool) {
        if rank <= 0.0 {
            return;
        }
        let ranks: Vec<f32> = self.ranks().collect();
        let dearest = (0..ranks.len()).max_by(|&a, &b| ranks[a].total_cmp(&ranks[b]).then(b.cmp(&a)));
        let stays = |k: usize, path: &PlanPath| ranks[k] > rank || Some(k) == dearest || (path.found && !not_spared);
        self.keep_paths(stays);
    }

    /// Leaves out paths with their points.
    fn keep_paths(&mut self, stays: impl Fn(usize, &PlanPath) -> bool) {
        let kept = self.with_paths(stays);
        (self.paths, self.points) = (kept.paths, kept.points);
    }

    /// The same with some of its paths alone.
    fn with_paths(&self, stays: impl Fn(usize, &PlanPath) -> bool) -> Self {
        let (mut paths, mut points, mut from) = (Vec::new(), Vec::new(), 0);
        for (k, path) in self.paths.iter().enumerate() {
            let own = &self.points[std::mem::replace(&mut from, path.end)..path.end];
            if stays(k, path) {
                points.extend_from_slice(own);
                paths.push(PlanPath { end: points.len(), ..*path });
            }
        }
        paths.shrink_to_fit();
        points.shrink_to_fit();
        Self { paths, points, ..*self }
    }

    /// Each path with its points.
    pub fn strokes(&self) -> impl Iterator<Item = (&PlanPath, &[PlanPoint])> {
        let mut from = 0;
        self.paths.iter().map(move |path| (path, &self.points[std::mem::replace(&mut from, path.end)..path.end]))
    }

    /// Adds another piece of the layer.
    fn append(&mut self, piece: Self) {
        let before = self.points.len();
        self.points.extend(piece.points);
        self.paths.extend(piece.paths.into_iter().map(|path| PlanPath { end: path.end + before, ..path }));
        // What was travelled before the first layer knows neither.
        (self.z_mm, self.line) = (piece.z_mm, piece.line);
        self.found |= piece.found;
        for (begun, more) in self.begun.iter_mut().zip(piece.begun) {
            *begun += more;
        }
    }

    /// The layer with at most so many points: without travel where filament is laid, simplified where that is enough, and
    /// then with the dearest paths alone. Within how many mm of this one its paths then lie; none where it is the same.
    pub fn thinned(&self, most_points: usize) -> (Self, Option<f64>) {
        let lays = self.paths.iter().any(|path| !path.travel);
        let whole = || self.with_paths(|_, path| !(lays && path.travel));
        let mut layer = whole();
        let (mut within_mm, mut by_mm) = (None, STEPS_MM[0]);
        while layer.points.len() > most_points && layer.between() > layer.points.len() / 2 && by_mm < 2.0 {
            layer = whole();
            layer.simplify(by_mm);
            within_mm = Some(by_mm);
            by_mm *= 2.0;
        }
        if layer.points.len() > most_points {
            layer.keep_dearest(most_points);
        }
        (layer, within_mm)
    }

    /// Those with findings first, then the dearest, as far as they have so many points together.
    fn keep_dearest(&mut self, most_points: usize) {
        let ranks: Vec<f32> = self.ranks().collect();
        let mut order: Vec<usize> = (0..ranks.len()).collect();
        let found = |k: usize| self.paths[k].found;
        order.sort_by(|&a, &b| found(b).cmp(&found(a)).then(ranks[b].total_cmp(&ranks[a])));
        let counts: Vec<usize> = self.strokes().map(|(_, points)| points.len()).collect();
        let (mut stays, mut sum) = (vec![false; ranks.len()], 0);
        for k in order {
            if sum + counts[k] <= most_points {
                sum += counts[k];
                stays[k] = true;
            }
        }
        self.keep_paths(|k, _| stays[k]);
    }

    /// Simplifies all paths and gives back the memory.
    pub(super) fn simplify(&mut self, by_mm: f64) {
        let tolerance = by_mm / GRID_MM;
        let mut kept = Vec::new();
        let mut from = 0;
        for path in &mut self.paths {
            simplify(&self.points[from..path.end], tolerance, &mut kept);
            from = std::mem::replace(&mut path.end, kept.len());
        }
        kept.shrink_to_fit();
        self.points = kept;
    }
}

/// Where the tip of the tool in use is on a line: at the end of its move, or of the last one before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// The line.
    pub line: u64,
    /// When its move starts and ends, s.
    pub at_s: f64,
    /// See `at_s`.
    pub end_s: f64,
    /// Where its move starts, mm.
    pub from: [f64; 3],
    /// Position, mm.
    pub to: [f64; 3],
    /// Number of the layer being printed; 0 before the first.
    pub layer: u64,
}

/// The part as drawn.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Drawing {
    /// Layers, from below.
    pub layers: Vec<DrawnLayer>,
    /// Layers there are.
    pub layers_total: u64,
    /// Every so manieth layer is drawn, besides those that are full.
    pub every: u64,
    /// How far a path may be off on layers that are not full, mm.
    pub within_mm: f64,
    /// Layers on which something was found that could not stay full.
    pub crowded: u64,
    /// On layers that are not full, paths that are not dearer than this are left out.
    pub least_rank: f32,
    /// Places of the wanted lines, in their order; a line that the job does not reach has none.
    pub places: Vec<Place>,
}

impl Drawing {
    /// Points of all layers.
    pub fn points(&self) -> usize {
        self.layers.iter().map(|layer| layer.points.len()).sum()
    }

    /// Room that all layers take, in points; a path counts as some, too.
    pub fn room(&self) -> usize {
        self.layers.iter().map(DrawnLayer::room).sum()
    }

    /// Makes it smaller: first the tolerance grows, then fewer layers stay, then the tolerance grows on or fewer paths stay,
    /// whichever takes more room, then layers with findings are simplified too, and at last not even paths with findings
    /// stay. False when nothing is left to give up.
    pub fn coarsen(&mut self) -> bool {
        let not_full = || self.layers.iter().filter(|layer| !layer.full);
        let between: usize = not_full().map(DrawnLayer::between).sum();
        let ends: usize = not_full().map(|layer| layer.room() - layer.between()).sum();
        if let Some(step) = STEPS_MM.into_iter().find(|&step| step > self.within_mm) {
            self.loosen(step);
        } else if self.thin_out() {
        } else if between > ends && self.within_mm < LOOSEST_MM {
            self.loosen(self.within_mm * 2.0);
        } else if self.drop_paths(false) {
        } else if between > 0 && self.within_mm < LOOSEST_MM {
            self.loosen(self.within_mm * 2.0);
        } else if self.layers.iter().any(|layer| layer.full) {
            for layer in self.layers.iter_mut().filter(|layer| layer.full) {
                layer.full = false;
                layer.keep_above(self.least_rank, false);
                layer.simplify(self.within_mm - ROUNDED_MM);
                self.crowded += 1;
            }
        } else {
            return self.drop_paths(true);
        }
        true
    }

    /// Leaves out the cheaper half of the paths on layers that are not full, with or without those with findings. False
    /// where none can be left out.
    fn drop_paths(&mut self, with_found: bool) -> bool {
        let mut ranks = Vec::new();
        for layer in self.layers.iter().filter(|layer| !layer.full) {
            let from = ranks.len();
            let some = layer.ranks().zip(&layer.paths).filter(|(_, path)| with_found || !path.found);
            ranks.extend(some.map(|(rank, _)| rank));
            // The dearest of each layer stays.
            if let Some(dearest) = (from..ranks.len()).max_by(|&a, &b| f32::total_cmp(&ranks[a], &ranks[b])) {
                ranks.swap_remove(dearest);
            }
        }
        if ranks.is_empty() {
            return false;
        }
        let middle = ranks.len() / 2;
        let (_, &mut rank, _) = ranks.select_nth_unstable_by(middle, f32::total_cmp);
        let before = self.paths();
        self.least_rank = self.least_rank.max(rank);
        let rank = self.least_rank;
        self.layers.iter_mut().filter(|layer| !layer.full).for_each(|layer| layer.keep_above(rank, with_found));
        self.paths() < before
    }

    /// Paths of all layers.
    pub fn paths(&self) -> usize {
        self.layers.iter().map(|layer| layer.paths.len()).sum()
    }

    /// Makes one layer of the pieces of each.
    pub(super) fn join(&mut self) {
        let mut joined: Vec<DrawnLayer> = Vec::with_capacity(self.layers.len());
        for piece in self.layers.drain(..) {
            match joined.last_mut().filter(|layer| layer.number == piece.number) {
                Some(layer) => layer.append(piece),
                None => joined.push(piece),
            }
        }
        self.layers = joined;
    }

    fn loosen(&mut self, within_mm: f64) {
        let by_mm = within_mm - self.within_mm;
        self.layers.iter_mut().filter(|layer| !layer.full).for_each(|layer| layer.simplify(by_mm));
        self.within_mm = within_mm;
    }

    /// Leaves out every second of the layers that are not full. False when there is one at most.
    fn thin_out(&mut self) -> bool {
        let before = self.layers.len();
        let last =
            self.layers.iter().filter(|layer| !layer.full && !layer.found).map(|layer| layer.number).max().unwrap_or(0);
        while self.layers.len() == before && self.every < last {
            self.every *= 2;
            let every = self.every;
            self.layers.retain(|layer| layer.full || layer.found || (layer.number - 1).is_multiple_of(every));
        }
        self.layers.len() < before
    }

    /// What is not drawn to the last point, in a sentence or two.
    pub fn limits(&self) -> String {
        let layers = match self.every {
            0 | 1 => String::new(),
            every => format!(", and of other layers one in {every}"),
        };
        let found = match self.crowded {
            0 => "; layers with findings keep every move".to_owned(),
            crowded => format!("; layers with findings keep every move, but for {crowded} for want of room"),
        };
        let within = number(self.within_mm);
        format!("Drawn within {within} mm of the planned path{layers}{found}.{}", self.thinning())
    }

    /// How many of how many paths are drawn, where that is not all.
    fn thinning(&self) -> String {
        let (mut drawn, mut begun) = ([0; 2], [0; 2]);
        for layer in &self.layers {
            for (k, count) in layer.drawn().into_iter().enumerate() {
                drawn[k] += count;
                begun[k] += layer.begun[k];
            }
        }
        if drawn == begun {
            return String::new();
        }
        let [lines, travels] = [0, 1].map(|k| format!("{} of {}", grouped(drawn[k]), grouped(begun[k])));
        format!(
            " There are more lines than fit: on the layers drawn, {lines} lines that lay filament and {travels} travels are \
             shown, those with findings, the longest, and an even choice of the others."
        )
    }
}
