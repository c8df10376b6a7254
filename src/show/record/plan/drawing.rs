//! What is drawn: layers of paths, and how they become fewer points.

use crate::geometry::CHORD_MM;
use crate::show::record::simplify::simplify;

/// Points lie on a grid of that width, mm.
pub const GRID_MM: f64 = 0.01;
/// How far a drawn path may be off, mm: the first step as long as there is room.
pub const STEPS_MM: [f64; 4] = [0.05, 0.1, 0.2, 0.4];
/// The tolerance grows no further, mm.
const LOOSEST_MM: f64 = 100.0;
/// Of a step, what rounding to the grid (half its diagonal) and chords of curves take, mm.
pub(super) const ROUNDED_MM: f64 = GRID_MM * std::f64::consts::FRAC_1_SQRT_2 + CHORD_MM;
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
    /// Height, mm.
    pub z_mm: f64,
    /// Its first line.
    pub line: u64,
    /// Every point is kept.
    pub full: bool,
    /// Something was found on it: it is drawn whatever else is left out.
    pub found: bool,
    /// Paths, in the order of the job.
    pub paths: Vec<PlanPath>,
    /// Points of all paths.
    pub points: Vec<PlanPoint>,
}

impl DrawnLayer {
    /// Nothing drawn yet.
    pub(super) fn starting(number: u64, z_mm: f64, line: u64) -> Self {
        Self { number, z_mm, line, full: false, found: false, paths: Vec::new(), points: Vec::new() }
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
    }

    /// The layer with at most so many points, as far as simplifying brings that about, and within how many mm of this one
    /// its paths then lie; none where it is the same.
    pub fn thinned(&self, most_points: usize) -> (Self, Option<f64>) {
        let mut layer = self.clone();
        let mut within_mm = None;
        let mut by_mm = STEPS_MM[0];
        while layer.points.len() > most_points && by_mm < 2.0 {
            layer = self.clone();
            layer.simplify(by_mm);
            within_mm = Some(by_mm);
            by_mm *= 2.0;
        }
        (layer, within_mm)
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

/// Where the machine is on a line: at the end of its move, or of the last one before.
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
    /// Places of the wanted lines, in their order; a line that the job does not reach has none.
    pub places: Vec<Place>,
}

impl Drawing {
    /// Points of all layers.
    pub fn points(&self) -> usize {
        self.layers.iter().map(|layer| layer.points.len()).sum()
    }

    /// Makes it smaller: first the tolerance grows, then fewer layers stay, then the tolerance grows on, and at last layers
    /// with findings are simplified too. False when nothing is left to give up.
    pub fn coarsen(&mut self) -> bool {
        if let Some(step) = STEPS_MM.into_iter().find(|&step| step > self.within_mm) {
            self.loosen(step);
        } else if self.thin_out() {
        } else if self.layers.iter().any(|layer| !layer.full) && self.within_mm < LOOSEST_MM {
            self.loosen(self.within_mm * 2.0);
        } else if self.layers.iter().any(|layer| layer.full) {
            for layer in self.layers.iter_mut().filter(|layer| layer.full) {
                layer.full = false;
                layer.simplify(self.within_mm - ROUNDED_MM);
                self.crowded += 1;
            }
        } else {
            return false;
        }
        true
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

    /// What is not drawn to the last point, in one sentence.
    pub fn limits(&self) -> String {
        let layers = match self.every {
            0 | 1 => String::new(),
            every => format!(", and of other layers one in {every}"),
        };
        let found = match self.crowded {
            0 => "; layers with findings keep every move".to_owned(),
            crowded => format!("; layers with findings keep every move, but for {crowded} for want of room"),
        };
        format!("Drawn within {} mm of the planned path{layers}{found}.", self.within_mm)
    }
}
