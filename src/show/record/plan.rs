//! The part as it is printed, layer by layer, as the paths of the tip of the tool in use with what the machine does on them.
//!
//! Memory is bounded for any job: a layer is simplified when it ends, and when all together take too much room, the
//! tolerance grows; past [`STEPS_MM`] only every second layer, every fourth… is drawn, and where most paths are short, the
//! longest of them and a spread of the others. Layers on which something was found keep every point as long as there is
//! room, and paths on which something was found stay.

mod drawing;

use crate::block::{ActionKind, Block, flag};
use crate::findings::{Inspection, Layer, Log, Observer};
use crate::geometry::{CHORD_MM, flatten};
use drawing::ROUNDED_MM;

pub use drawing::{Drawing, DrawnLayer, FARTHEST_MM, GRID_MM, Place, PlanPath, PlanPoint, STEPS_MM, units};

/// Most room of a layer held before it is simplified, see [`Drawing::room`].
const LAYER_POINTS: usize = 1 << 19;

/// What to draw.
#[derive(Debug, Clone, Default)]
pub struct PlanOptions {
    /// The layers, as the report has them.
    pub layers: Vec<Layer>,
    /// How many there are; those that the report has not kept are drawn with the last it has.
    pub layers_total: u64,
    /// From the place of the machine to the tip of the first tool, mm.
    pub tip_mm: [f64; 3],
    /// Lines on which something was found, ascending: their layers stay full.
    pub full_lines: Vec<u64>,
    /// Lines whose places are wanted, ascending.
    pub place_lines: Vec<u64>,
    /// Most room of all layers together, see [`Drawing::room`].
    pub most_points: usize,
    /// Draw this layer alone, in full.
    pub only_layer: Option<u64>,
    /// Room of a layer held before it is simplified; none: half a million. Tests change it.
    pub layer_points: Option<usize>,
}

/// The observer.
pub struct Plan {
    options: PlanOptions,
    drawing: Drawing,
    layer: Option<DrawnLayer>,
    /// The layer being printed was simplified before it ended.
    cut: bool,
    number: u64,
    /// Paths begun.
    paths: u64,
    /// Index of the next wanted place.
    next_place: usize,
    /// Room that layers done take.
    held: usize,
    /// Room that full layers done take.
    held_full: usize,
    /// Where the machine is.
    at: [f64; 3],
    /// From there to the tip in use.
    tip_mm: [f64; 3],
}

/// A number above 0 and up to 1 for each path, so that those of any few in a row, and of all of them, lie evenly: multiples of
/// the golden section, less their whole part.
fn spread(path: u64) -> f32 {
    /// 2⁶⁴ by the golden section.
    const STEP: u64 = 0x9e37_79b9_7f4a_7c15;
    ((path.wrapping_add(1).wrapping_mul(STEP) >> 40) + 1) as f32 / (1u32 << 24) as f32
}

fn sum(at: [f64; 3], by_mm: [f64; 3]) -> [f64; 3] {
    [0, 1, 2].map(|axis| at[axis] + by_mm[axis])
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
        let tip_mm = options.tip_mm;
        let drawing = Drawing { every: 1, within_mm: STEPS_MM[0], ..Drawing::default() };
        Self {
            options,
            drawing,
            layer: None,
            cut: false,
            number: 0,
            paths: 0,
            next_place: 0,
            held: 0,
            held_full: 0,
            at: [0.0; 3],
            tip_mm,
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
        let room = self.held_full + layer.room() <= self.options.most_points / 2;
        layer.found = found;
        layer.full = found && !cut && room;
        self.drawing.crowded += u64::from(found && !layer.full);
        if layer.full {
            self.held_full += layer.room();
            layer.points.shrink_to_fit();
        } else if found || (layer.number - 1).is_multiple_of(self.drawing.every) {
            self.thin(&mut layer);
        } else {
            return;
        }
        self.keep(layer);
    }

    fn thin(&self, layer: &mut DrawnLayer) {
        layer.keep_above(self.drawing.least_rank, false);
        layer.simplify(self.drawing.within_mm - ROUNDED_MM);
    }

    fn open(&mut self, next: Layer, line: u64) {
        // What was travelled before the first layer belongs to it, and what was purged.
        let before = if self.number == 0 { self.layer.take() } else { None };
        self.close(line);
        self.number += 1;
        let mut layer = DrawnLayer::starting(self.number, [next.z_mm, next.z_top_mm], line);
        if let Some(before) = before {
            layer = DrawnLayer { paths: before.paths, points: before.points, begun: before.begun, ..layer };
        }
        self.layer = Some(layer);
    }

    fn layer(&mut self, line: u64) -> &mut DrawnLayer {
        // What comes before the first layer is drawn with it.
        self.layer.get_or_insert_with(|| DrawnLayer::starting(1, [0.0; 2], line))
    }

    fn add_move(&mut self, block: &Block, i: usize, start_s: f64) {
        let line = block.line[i];
        while let Some(&next) = self.options.layers.get(self.number as usize).filter(|next| next.first_line <= line) {
            self.open(next, line);
        }
        let is_wanted = self.options.only_layer.is_none_or(|only| only == self.number.max(1));
        if block.flags[i] & (flag::X | flag::Y) == 0 || !is_wanted {
            return;
        }
        let (from, to) = (self.tip(block.start(i)), self.tip(block.end(i)));
        let end_s = start_s + block.time_s[i];
        let extrudes = block.section_mm2[i] > 0.0;
        let ringing = if extrudes { block.ringing_mm.iter().map(|column| column[i]).fold(0.0, f64::max) } else { 0.0 };
        let point = |at: [f64; 3]| PlanPoint {
            x: on_grid(at[0]),
            y: on_grid(at[1]),
            melt: steps(block.peak_mm3_s[i], units::MELT_MM3_S),
            speed: steps(block.v_peak_mm_s[i], units::SPEED_MM_S),
            ringing: steps(ringing, units::RINGING_MM),
        };
        let bend = block.curve(i).copied();
        let found = self.options.place_lines.binary_search(&line).is_ok();
        let (tip_mm, number) = (self.tip_mm, self.paths);
        let layer = self.layer(line);
        let goes_on = layer.paths.last().is_some_and(|path| path.travel != extrudes)
            && layer.points.last().is_some_and(|last| (last.x, last.y) == (on_grid(from[0]), on_grid(from[1])));
        if !goes_on {
            layer.points.push(point(from));
            let span_s = [start_s, end_s];
            layer.paths.push(PlanPath { travel: !extrudes, found, spread: spread(number), span_s, line, end: 0 });
            layer.begun[usize::from(!extrudes)] += 1;
        }
        match bend {
            Some(curve) => flatten(&curve, block.start(i), block.end(i), CHORD_MM, |_, next| {
                layer.points.push(point(sum(next, tip_mm)));
            }),
            None => layer.points.push(point(to)),
        }
        let end = layer.points.len();
        if let Some(path) = layer.paths.last_mut() {
            (path.end, path.span_s[1]) = (end, end_s);
            path.found |= found;
        }
        let room = layer.room();
        self.paths += u64::from(!goes_on);
        if room > self.options.layer_points.unwrap_or(LAYER_POINTS) {
            self.simplify_open();
        }
    }

    fn tip(&self, at: [f64; 3]) -> [f64; 3] {
        sum(at, self.tip_mm)
    }

    /// A layer too large to hold is simplified as far as it goes; the rest of it is another piece, since simplified once
    /// more the first would be off by more.
    fn simplify_open(&mut self) {
        self.cut = true;
        let Some(mut done) = self.layer.take() else { return };
        self.layer = Some(DrawnLayer::starting(done.number, done.z_mm, done.line));
        self.thin(&mut done);
        self.keep(done);
    }

    fn keep(&mut self, layer: DrawnLayer) {
        self.held += layer.room();
        self.drawing.layers.push(layer);
        while self.held > self.options.most_points && self.drawing.coarsen() {
            self.held = self.drawing.room();
        }
    }

    /// Notes where the tip is on wanted lines up to `line`; all points are places of the machine.
    fn places(&mut self, line: u64, [at_s, end_s]: [f64; 2], from: [f64; 3], to: [f64; 3]) {
        while let Some(&wanted) = self.options.place_lines.get(self.next_place).filter(|&&wanted| wanted <= line) {
            let (to, end_s) = if wanted == line { (to, end_s) } else { (from, at_s) };
            let (from, to) = (self.tip(from), self.tip(to));
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
            if let ActionKind::Tip { offset_mm } = action.kind {
                self.tip_mm = offset_mm;
            }
            self.places(action.line, [action.at_s, action.at_s + action.duration_s], self.at, self.at);
        }
    }

    fn finish(&mut self, draft: &mut Inspection, _log: &mut Log) {
        self.places(u64::MAX, [draft.time_s.total(); 2], self.at, self.at);
        self.close(u64::MAX);
        self.drawing.join();
        // Where nothing is printed, what was travelled is shown all the same.
        let drawn = self.drawing.layers.last().map_or(0, |layer| layer.number);
        self.drawing.layers_total = self.options.layers_total.max(drawn);
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
        let report = Preflight::on(&machine).run(JobSource::stream(job.as_bytes(), "job")).expect("reads");
        let options = PlanOptions { layers: report.layers, layers_total: report.layers_total, ..options };
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
        assert_eq!((layer.number, layer.z_mm, layer.line), (2, [0.4; 2], 4 + 102 + 2));
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

    /// Short dashes side by side with travels between them.
    fn dashes(count: u32) -> String {
        let mut job = "G28\nM109 S200\nM83\nG1 Z0.2 F600\n".to_owned();
        for k in 0..count {
            let (x, y) = (20.0 + f64::from(k % 400) * 0.25, 20.0 + f64::from(k / 400 % 300) * 0.3);
            job += &format!("G0 X{x:.2} Y{y:.2} F9000\nG1 X{:.2} E0.01 F3000\n", x + 0.15);
        }
        job + "G0 X10 Y10\nG1 X150 E4\n"
    }

    #[test]
    fn many_short_paths_are_thinned_evenly_and_those_with_findings_stay() {
        let job = dashes(40_000);
        let found: Vec<u64> = (0..20).map(|k| 6 + 2 * 1999 * k).collect();
        let few = PlanOptions { most_points: 20_000, place_lines: found.clone(), layer_points: Some(30_000), ..all() };
        let drawing = drawn(&job, few.clone(), 256);
        assert!(drawing.room() <= 20_000, "{}", drawing.limits());
        let layer = &drawing.layers[0];
        assert_eq!(layer.begun, [40_001, 40_001]);
        let [lines, _] = layer.drawn();
        assert!(lines > 2000, "{}", drawing.limits());
        assert!(drawing.limits().contains("of 40 001 lines"), "{}", drawing.limits());
        let kept = |line: u64| layer.paths.iter().any(|path| path.line == line && !path.travel);
        assert!(found.iter().all(|&line| kept(line)), "findings stay");
        assert!(kept(4 + 2 * 40_000 + 2), "the longest stays");
        // The look stays: each tenth of the job has about a tenth of what is kept.
        for tenth in 0..10u64 {
            let own = |path: &&PlanPath| !path.travel && path.line / 8000 == tenth;
            let share = layer.paths.iter().filter(own).count() as f64 / lines as f64;
            assert!((share - 0.1).abs() < 0.02, "{tenth}: {share}");
        }
        assert_eq!(drawing, drawn(&job, few, 1), "the same however blocks are cut");
        let (still, _) = layer.thinned(500);
        assert!(still.points.len() <= 500 && still.paths.iter().all(|path| !path.travel));
        assert!(found.iter().all(|&line| still.paths.iter().any(|path| path.line == line)));
        // Alone, too, a layer takes no more than so much.
        let alone = PlanOptions { most_points: 20_000, only_layer: Some(1), layer_points: Some(30_000), ..all() };
        assert!(drawn(&job, alone, 256).room() <= 20_000);
    }

    #[test]
    fn the_tip_is_drawn_and_not_the_place_of_the_machine() {
        let job = "G28\nM109 S200\nM83\nG1 Z0.2 F600\nG1 X50 Y50 F6000\nG1 X90 E2 F1800\n";
        let options = PlanOptions { tip_mm: [18.0, -2.5, 0.0], place_lines: vec![6], ..all() };
        let drawing = drawn(job, options, 256);
        let last = drawing.layers[0].points.last().map(|point| (point.x, point.y));
        assert_eq!(last, Some((10_800, 4750)));
        assert_eq!((drawing.places[0].from, drawing.places[0].to), ([68.0, 47.5, 0.2], [108.0, 47.5, 0.2]));
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
