//! The part as it is printed, layer by layer, as paths with what the machine does on them.
//!
//! Memory is bounded for any job: a layer is simplified when it ends, and when all together hold too many points, the
//! tolerance grows; past [`STEPS_MM`] only every second layer, every fourth… is drawn. Layers on which something was found
//! keep every point.

mod drawing;

use crate::block::{Block, flag};
use crate::checks::other_layer;
use crate::findings::{Inspection, Log, Observer};
use crate::geometry::{CHORD_MM, flatten};
use drawing::ROUNDED_MM;

pub use drawing::{Drawing, DrawnLayer, FARTHEST_MM, GRID_MM, Place, PlanPath, PlanPoint, STEPS_MM, units};

/// Most points of a layer held before it is simplified.
const LAYER_POINTS: usize = 1 << 19;

/// What to draw.
#[derive(Debug, Clone, Default)]
pub struct PlanOptions {
    /// Lines on which something was found, ascending: their layers stay full.
    pub full_lines: Vec<u64>,
    /// Lines whose places are wanted, ascending.
    pub place_lines: Vec<u64>,
    /// Most points of all layers together.
    pub most_points: usize,
    /// Draw this layer alone, in full.
    pub only_layer: Option<u64>,
    /// Points of a layer held before it is simplified; none: half a million. Tests change it.
    pub layer_points: Option<usize>,
}

/// The observer.
pub struct Plan {
    options: PlanOptions,
    drawing: Drawing,
    layer: Option<DrawnLayer>,
    /// The layer being printed was simplified before it ended.
    cut: bool,
    z_mm: Option<f64>,
    number: u64,
    /// Index of the next wanted place.
    next_place: usize,
    /// Points on layers done.
    held: usize,
    /// Points on full layers done.
    held_full: usize,
    at: [f64; 3],
}

fn steps(value: f64, unit: f64) -> u16 {
    // `as` saturates.
    (value / unit).round() as u16
}

fn on_grid(mm: f64) -> i32 {
    (mm.clamp(-FARTHEST_MM, FARTHEST_MM) / GRID_MM).round() as i32
}

impl Plan {
    /// Nothing seen yet.
    pub fn new(options: PlanOptions) -> Self {
        let drawing = Drawing { every: 1, within_mm: STEPS_MM[0], ..Drawing::default() };
        Self {
            options,
            drawing,
            layer: None,
            cut: false,
            z_mm: None,
            number: 0,
            next_place: 0,
            held: 0,
            held_full: 0,
            at: [0.0; 3],
        }
    }

    /// The drawing, once the job has ended.
    pub fn into_drawing(self) -> Drawing {
        self.drawing
    }

    /// Something was found between two lines, the second not included.
    fn found_between(&self, first: u64, next: u64) -> bool {
        let lines = &self.options.full_lines;
        lines.get(lines.partition_point(|&line| line < first)).is_some_and(|&line| line < next)
    }

    fn close(&mut self, next_line: u64) {
        let Some(mut layer) = self.layer.take() else { return };
        let cut = std::mem::take(&mut self.cut);
        if self.options.only_layer.is_some_and(|only| only != layer.number) {
            return;
        }
        let found = self.found_between(layer.line, next_line) || self.options.only_layer.is_some();
        let room = self.held_full + layer.points.len() <= self.options.most_points / 2;
        layer.found = found;
        layer.full = found && !cut && (room || self.options.only_layer.is_some());
        self.drawing.crowded += u64::from(found && !layer.full);
        if layer.full {
            self.held_full += layer.points.len();
            layer.points.shrink_to_fit();
        } else if found || (layer.number - 1).is_multiple_of(self.drawing.every) {
            layer.simplify(self.drawing.within_mm - ROUNDED_MM);
        } else {
            return;
        }
        self.keep(layer);
    }

    fn open(&mut self, z_mm: f64, line: u64) {
        // What was travelled before the first layer belongs to it.
        let before = if self.number == 0 { self.layer.take() } else { None };
        self.close(line);
        self.number += 1;
        self.z_mm = Some(z_mm);
        let layer = DrawnLayer::starting(self.number, z_mm, line);
        self.layer = Some(match before {
            Some(DrawnLayer { paths, points, .. }) => DrawnLayer { paths, points, ..layer },
            None => layer,
        });
    }

    fn layer(&mut self, line: u64) -> &mut DrawnLayer {
        // What comes before the first layer is drawn with it.
        self.layer.get_or_insert_with(|| DrawnLayer::starting(1, 0.0, line))
    }

    fn add_move(&mut self, block: &Block, i: usize, start_s: f64) {
        let (from, to) = (block.start(i), block.end(i));
        let (line, end_s) = (block.line[i], start_s + block.time_s[i]);
        let extrudes = block.section_mm2[i] > 0.0;
        if extrudes && self.z_mm.is_none_or(|z| other_layer(to[2], z)) {
            self.open(to[2], line);
        }
        if block.flags[i] & (flag::X | flag::Y) == 0 {
            return;
        }
        let ringing = if extrudes { block.ringing_mm.iter().map(|column| column[i]).fold(0.0, f64::max) } else { 0.0 };
        let point = |at: [f64; 3]| PlanPoint {
            x: on_grid(at[0]),
            y: on_grid(at[1]),
            melt: steps(block.peak_mm3_s[i], units::MELT_MM3_S),
            speed: steps(block.v_peak_mm_s[i], units::SPEED_MM_S),
            ringing: steps(ringing, units::RINGING_MM),
        };
        let bend = block.curve(i).copied();
        let layer = self.layer(line);
        let goes_on = layer.paths.last().is_some_and(|path| path.travel != extrudes)
            && layer.points.last().is_some_and(|last| (last.x, last.y) == (on_grid(from[0]), on_grid(from[1])));
        if !goes_on {
            layer.points.push(point(from));
            layer.paths.push(PlanPath { travel: !extrudes, span_s: [start_s, end_s], line, end: 0 });
        }
        match bend {
            Some(curve) => flatten(&curve, from, to, CHORD_MM, |_, next| layer.points.push(point(next))),
            None => layer.points.push(point(to)),
        }
        let end = layer.points.len();
        if let Some(path) = layer.paths.last_mut() {
            (path.end, path.span_s[1]) = (end, end_s);
        }
        if end > self.options.layer_points.unwrap_or(LAYER_POINTS) && self.options.only_layer.is_none() {
            self.simplify_open();
        }
    }

    /// A layer too large to hold is simplified as far as it goes; the rest of it is another piece, since simplified once
    /// more the first would be off by more.
    fn simplify_open(&mut self) {
        let by_mm = self.drawing.within_mm - ROUNDED_MM;
        self.cut = true;
        let Some(layer) = &mut self.layer else { return };
        layer.simplify(by_mm);
        let piece = DrawnLayer::starting(layer.number, layer.z_mm, layer.line);
        let done = std::mem::replace(layer, piece);
        self.keep(done);
    }

    fn keep(&mut self, layer: DrawnLayer) {
        self.held += layer.points.len();
        self.drawing.layers.push(layer);
        while self.held > self.options.most_points && self.drawing.coarsen() {
            self.held = self.drawing.points();
        }
    }

    /// Notes where the machine is on wanted lines up to `line`.
    fn places(&mut self, line: u64, [at_s, end_s]: [f64; 2], from: [f64; 3], to: [f64; 3]) {
        while let Some(&wanted) = self.options.place_lines.get(self.next_place).filter(|&&wanted| wanted <= line) {
            let (to, end_s) = if wanted == line { (to, end_s) } else { (from, at_s) };
            self.drawing.places.push(Place { line: wanted, at_s, end_s, from, to, layer: self.number });
            self.next_place += 1;
        }
    }
}

impl Observer for Plan {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        let mut now_s = block.start_s;
        for i in 0..block.len() {
            // Lines before the move's belong to what was before.
            self.places(block.line[i].saturating_sub(1), [now_s; 2], block.start(i), block.start(i));
            self.add_move(block, i, now_s);
            self.places(block.line[i], [now_s, now_s + block.time_s[i]], block.start(i), block.end(i));
            now_s += block.time_s[i];
        }
        if !block.is_empty() {
            self.at = block.end(block.len() - 1);
        }
        for action in &block.actions {
            self.places(action.line, [action.at_s, action.at_s + action.duration_s], self.at, self.at);
        }
    }

    fn finish(&mut self, draft: &mut Inspection, _log: &mut Log) {
        self.places(u64::MAX, [draft.time_s.total(); 2], self.at, self.at);
        self.close(u64::MAX);
        self.drawing.join();
        // Where nothing is printed, what was travelled is shown all the same.
        self.drawing.layers_total = self.number.max(self.drawing.layers.last().map_or(0, |layer| layer.number));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::Attached;
    use crate::machine::Machine;
    use crate::preflight::{JobSource, Preflight, RunOptions};

    fn drawn(job: &str, options: PlanOptions, block_moves: usize) -> Drawing {
        let machine = Machine::built_in();
        let (handle, attached) = Attached::new(Plan::new(options));
        let options = RunOptions { block_moves, ..RunOptions::default() };
        let preflight = Preflight::on(&machine).options(options).watch(0, attached);
        preflight.run(JobSource::stream(job.as_bytes(), "job")).expect("reads");
        handle.take().expect("was attached").into_drawing()
    }

    fn all() -> PlanOptions {
        PlanOptions { most_points: 1 << 20, ..PlanOptions::default() }
    }

    /// Layers of a wavy ring.
    fn job(layers: u32, points: u32) -> String {
        let mut job = "G28\nM109 S200\nM83\n".to_owned();
        for layer in 0..layers {
            job += &format!("G1 Z{:.1} F600\nG1 X80 Y50 F6000\n", 0.2 + 0.2 * f64::from(layer));
            for k in 1..=points {
                let angle = std::f64::consts::TAU * f64::from(k) / f64::from(points);
                let radius = 30.0 + 1.5 * (angle * 40.0).sin();
                job += &format!(
                    "G1 X{:.3} Y{:.3} E0.02 F1800\n",
                    50.0 + radius * angle.cos(),
                    50.0 + radius * angle.sin()
                );
            }
        }
        job
    }

    #[test]
    fn layers_paths_and_their_lines() {
        let drawing = drawn(&job(3, 100), all(), 256);
        assert_eq!((drawing.layers.len(), drawing.layers_total, drawing.every), (3, 3, 1));
        let layer = &drawing.layers[1];
        assert_eq!((layer.number, layer.z_mm, layer.line), (2, 0.4, 4 + 102 + 2));
        let kinds: Vec<_> = layer.strokes().map(|(path, points)| (path.travel, points.len() > 1)).collect();
        assert!(kinds.contains(&(false, true)), "{kinds:?}");
        let line = layer.strokes().find(|(path, _)| !path.travel).map(|(path, _)| path.line);
        assert_eq!(line, Some(layer.line));
    }

    #[test]
    fn the_same_however_blocks_are_cut() {
        assert_eq!(drawn(&job(3, 200), all(), 256), drawn(&job(3, 200), all(), 1));
    }

    #[test]
    fn a_layer_with_a_finding_keeps_every_move_and_too_many_points_are_thinned() {
        let job = job(20, 3000);
        let full = PlanOptions { full_lines: vec![4 + 3002 + 500], ..all() };
        let drawing = drawn(&job, full.clone(), 256);
        let counts: Vec<_> = drawing.layers.iter().map(|layer| (layer.full, layer.points.len())).collect();
        assert!(counts[1].0 && counts[1].1 >= 3000, "{counts:?}");
        assert!(counts[0].1 < 2000 && !counts[0].0, "{counts:?}");
        let few = drawn(&job, PlanOptions { most_points: 7000, ..full }, 256);
        assert!(few.points() <= 7000 && few.within_mm > 0.05, "{} {}", few.points(), few.within_mm);
        assert!(few.layers.iter().any(|layer| layer.full));
        let fewest = drawn(&job, PlanOptions { most_points: 60, ..all() }, 256);
        assert!(fewest.every > 1 && fewest.points() <= 60, "{}", fewest.limits());
        let none = PlanOptions { most_points: 1, full_lines: vec![4 + 3002 + 500], ..all() };
        assert_eq!(drawn(&job, none, 256).crowded, 1, "it ends, whatever is asked");
    }

    #[test]
    fn pieces_of_a_large_layer_are_one_again() {
        let whole = drawn(&job(2, 3000), all(), 256);
        let pieces = drawn(&job(2, 3000), PlanOptions { layer_points: Some(700), ..all() }, 256);
        let numbers = |drawing: &Drawing| drawing.layers.iter().map(|layer| layer.number).collect::<Vec<_>>();
        assert_eq!((numbers(&pieces), pieces.layers_total), (numbers(&whole), whole.layers_total));
        for (layer, whole) in pieces.layers.iter().zip(&whole.layers) {
            assert_eq!((layer.z_mm, layer.line), (whole.z_mm, whole.line));
            let ends = |layer: &DrawnLayer| {
                [layer.points.first().copied(), layer.points.last().copied()].map(|p| p.map(|p| (p.x, p.y)))
            };
            assert_eq!(ends(layer), ends(whole));
            assert_eq!(layer.strokes().map(|(_, points)| points.len()).sum::<usize>(), layer.points.len());
        }
    }

    #[test]
    fn travel_alone_is_a_layer_too() {
        let travel: String = (0..2000).map(|k| format!("G0 X{} Y{} F6000\n", k % 90, (k * 7) % 80)).collect();
        for layer_points in [None, Some(100)] {
            let drawing = drawn(&format!("G28\n{travel}"), PlanOptions { layer_points, ..all() }, 256);
            assert_eq!((drawing.layers.len(), drawing.layers[0].number, drawing.layers_total), (1, 1, 1));
        }
    }

    #[test]
    fn layers_with_findings_are_drawn_however_little_room_there_is() {
        let lines: Vec<u64> = (0..20).filter(|k| k % 2 == 1).map(|k| 4 + 3002 * k + 500).collect();
        let drawing = drawn(&job(20, 3000), PlanOptions { most_points: 1500, full_lines: lines, ..all() }, 256);
        let numbers: Vec<u64> = drawing.layers.iter().map(|layer| layer.number).collect();
        assert!((1..=10).all(|k| numbers.contains(&(2 * k))), "{numbers:?}");
        assert!(drawing.crowded >= 9, "{}", drawing.limits());
    }

    #[test]
    fn one_layer_alone_and_places() {
        let wanted = vec![1, 2, 6, 110];
        let options = PlanOptions { only_layer: Some(2), place_lines: wanted.clone(), ..all() };
        let drawing = drawn(&job(3, 100), options, 256);
        assert_eq!(drawing.layers.iter().map(|layer| (layer.number, layer.full)).collect::<Vec<_>>(), [(2, true)]);
        assert_eq!(drawing.places.iter().map(|place| place.line).collect::<Vec<_>>(), wanted);
        assert_eq!(drawing.places.iter().map(|place| place.layer).collect::<Vec<_>>(), [0, 0, 1, 2]);
    }
}
