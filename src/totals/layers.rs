//! Layers: extrusion at one height.
//!
//! **The rule.** A layer begins with the first level move (X or Y, not Z) that lays filament at least
//! [`LAYER_STEP_MM`] above or below the first move of the layer before, once more than [`LEVEL_MM`] of path is laid exactly
//! at that height with nothing laid at another in between. Where that height was reached while laying filament, it takes more
//! than [`CLIMBED_MM`]. So a spiral and a part that is not made of planes are one layer that grows
//! ([`Layer::z_top_mm`]), rounded to steps of Z as they may be; hops over the part, a wipe that rises and a drop of a nozzle
//! are none. What was laid first is no layer if it is [`LEVEL_MM`] of path at most, or a purge line and nothing else (see
//! [`purge_line`](crate::checks::purge_line)). Heights are those of the tip of the tool in use. All lengths are gonogo's own.

use std::ops::Range;

use crate::block::{ActionKind, Block, flag, grid::Sum};
use crate::checks::{FirstMoves, LAYER_STEP_MM, other_layer};
use crate::findings::{Inspection, Layer, Log, Observer};
use crate::machine::Machine;
use crate::vectors::columns;

/// Layers kept.
const LAYERS_KEPT: usize = 10_000;
/// Level path that makes a layer of a height that was reached without laying filament, mm. The tip of a spire has more.
const LEVEL_MM: f64 = 1.0;
/// Level path that makes a layer of a height that was climbed to while laying filament, mm. A turn of a spiral whose Z is
/// rounded has less between its steps; what follows a seam that rises into the next layer has more.
const CLIMBED_MM: f64 = 50.0;

/// Heights nearer than this are the same, mm: steps there and back need not add up to nothing.
const SAME_MM: f64 = 1e-6;

/// Owner of the layers and of the purge line.
pub(super) struct Layers {
    first: FirstMoves,
    tip_z_mm: f64,
    done: Vec<Layer>,
    total: u64,
    current: Option<Current>,
    /// A height that may become the next layer; what is laid on it is not part of `current` yet.
    next: Option<Next>,
    /// The height of the tip was reached while laying filament.
    climbed: bool,
    end_s: f64,
}

/// The layer being printed.
struct Current {
    z_mm: f64,
    z_top_mm: f64,
    first_line: u64,
    start_s: f64,
    path_mm: Sum,
    volume_mm3: Sum,
    flow_peak_mm3_s: f64,
}

/// What is laid at another height than the layer's.
struct Next {
    layer: Current,
    level_mm: f64,
    least_mm: f64,
}

impl Layers {
    pub(super) fn new(machine: &Machine) -> Self {
        let tip_z_mm = machine.tools.first().map_or(0.0, |tool| tool.offset_mm[2]);
        let first = FirstMoves::new(machine);
        Self { first, tip_z_mm, done: Vec::new(), total: 0, current: None, next: None, climbed: false, end_s: 0.0 }
    }

    fn close(&mut self, now_s: f64) {
        let Some(layer) = self.current.take() else { return };
        self.total += 1;
        if self.done.len() < LAYERS_KEPT {
            self.done.push(Layer {
                z_mm: layer.z_mm,
                z_top_mm: layer.z_top_mm,
                start_s: layer.start_s,
                first_line: layer.first_line,
                time_s: now_s - layer.start_s,
                path_mm: layer.path_mm.value(),
                volume_mm3: layer.volume_mm3.value(),
                flow_peak_mm3_s: layer.flow_peak_mm3_s,
            });
        }
    }

    /// What is laid now belongs to it.
    fn being_laid(&mut self) -> Option<&mut Current> {
        self.next.as_mut().map(|next| &mut next.layer).or(self.current.as_mut())
    }

    /// The other height was none worth the name.
    fn give_up_next(&mut self) {
        if let (Some(layer), Some(Next { layer: part, .. })) = (&mut self.current, self.next.take()) {
            layer.join(&part);
        }
    }

    /// The other height is a layer, and what was before is done.
    fn begin_next(&mut self) {
        let Some(Next { layer, .. }) = self.next.take() else { return };
        if self.current.as_ref().is_some_and(|before| before.path_mm.value() > LEVEL_MM) {
            self.close(layer.start_s);
        }
        self.current = Some(layer);
    }

    /// Follows a block that may change the layer.
    fn move_by_move(&mut self, block: &Block) {
        let (mut from, mut now_s) = (0, block.start_s);
        for i in 0..block.len() {
            let (across, up) = (block.flags[i] & (flag::X | flag::Y) != 0, block.flags[i] & flag::Z != 0);
            let lays = block.section_mm2[i] > 0.0;
            if lays {
                let z_mm = block.to[2][i] + self.tip_z_mm;
                let is_level = across && !up;
                let Some(layer) = &self.current else {
                    self.current = Some(Current::starting(block, i, z_mm, now_s));
                    from = i;
                    now_s += block.time_s[i];
                    self.climbed |= up && across;
                    continue;
                };
                let is_other = other_layer(z_mm, layer.z_mm);
                if self.next.as_ref().is_some_and(|next| !is_level || (next.layer.z_mm - z_mm).abs() > SAME_MM) {
                    self.add(block, from..i);
                    from = i;
                    self.give_up_next();
                }
                if is_other && is_level && self.next.is_none() {
                    self.add(block, from..i);
                    from = i;
                    let least_mm = if self.climbed { CLIMBED_MM } else { LEVEL_MM };
                    let layer = Current::starting(block, i, z_mm, now_s);
                    self.next = Some(Next { layer, level_mm: 0.0, least_mm });
                }
                match &mut self.next {
                    Some(next) => {
                        next.level_mm += block.length_mm[i];
                        if next.level_mm > next.least_mm {
                            self.begin_next();
                        }
                    }
                    None => {
                        if let Some(layer) = self.current.as_mut().filter(|layer| z_mm >= layer.z_mm + LAYER_STEP_MM) {
                            layer.z_top_mm = layer.z_top_mm.max(z_mm);
                        }
                    }
                }
            }
            if up {
                self.climbed = lays && across;
            }
            now_s += block.time_s[i];
        }
        self.add(block, from..block.len());
    }

    fn add(&mut self, block: &Block, range: Range<usize>) {
        if let Some(layer) = self.being_laid().filter(|_| !range.is_empty()) {
            layer.add(block, range);
        }
    }

    /// Whether the height that a block leaves the tip at was climbed to while something was laid, as [`Self::move_by_move`]
    /// knows it.
    fn note_climb(&mut self, block: &Block) {
        let rises = |&i: &usize| block.flags[i] & flag::Z != 0;
        if let Some(i) = (0..block.len()).rev().find(rises) {
            self.climbed = block.section_mm2[i] > 0.0 && block.flags[i] & (flag::X | flag::Y) != 0;
        }
    }
}

impl Current {
    /// A layer that starts with move `i`.
    fn starting(block: &Block, i: usize, z_mm: f64, start_s: f64) -> Self {
        Self {
            z_mm,
            z_top_mm: z_mm,
            first_line: block.line[i],
            start_s,
            path_mm: Sum::default(),
            volume_mm3: Sum::default(),
            flow_peak_mm3_s: 0.0,
        }
    }

    /// Adds what turned out to be part of it.
    fn join(&mut self, part: &Self) {
        self.path_mm.join(part.path_mm);
        self.volume_mm3.join(part.volume_mm3);
        self.flow_peak_mm3_s = self.flow_peak_mm3_s.max(part.flow_peak_mm3_s);
        self.z_top_mm = self.z_top_mm.max(part.z_top_mm);
    }

    /// True when no move of the block prints at another height; `tip_z_mm` is the tip above the place of the machine.
    fn goes_on(&self, block: &Block, tip_z_mm: f64) -> bool {
        let z_mm = self.z_mm - tip_z_mm;
        block.vectors.run(
            #[inline(always)]
            || {
                let other = |i: usize| (block.section_mm2[i] > 0.0) & other_layer(block.to[2][i], z_mm);
                !columns::any(block.len(), other)
            },
        )
    }

    /// Adds what a range of moves prints.
    fn add(&mut self, block: &Block, range: Range<usize>) {
        let (path_mm, volume_mm3) = (&mut self.path_mm, &mut self.volume_mm3);
        self.flow_peak_mm3_s = block.vectors.run(
            #[inline(always)]
            || {
                // Cut in here, where the compiler then knows that all are as long.
                let count = range.len();
                let [section, length, peak] = [&block.section_mm2, &block.length_mm, &block.peak_mm3_s]
                    .map(|column| &column[range.clone()][..count]);
                Sum::gather(
                    [path_mm, volume_mm3],
                    count,
                    #[inline(always)]
                    |i| [if section[i] > 0.0 { length[i] } else { 0.0 }, section[i] * length[i]],
                );
                columns::most(peak, self.flow_peak_mm3_s)
            },
        );
    }
}

impl Observer for Layers {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        self.first.follow(block, true);
        let tip_z_mm = self.tip_z_mm;
        match &mut self.current {
            Some(layer) if self.next.is_none() && layer.goes_on(block, tip_z_mm) => {
                layer.add(block, 0..block.len());
                if block.reach.min[2] < block.reach.max[2] {
                    self.note_climb(block);
                }
            }
            _ => self.move_by_move(block),
        }
        for action in &block.actions {
            if let ActionKind::Tip { offset_mm } = action.kind {
                self.tip_z_mm = offset_mm[2];
            }
        }
        // The last block of a job ends with an action.
        if let Some(action) = block.actions.last() {
            self.end_s = action.at_s + action.duration_s;
        }
    }

    fn finish(&mut self, draft: &mut Inspection, _log: &mut Log) {
        self.give_up_next();
        self.close(self.end_s);
        draft.purge_line = self.first.purge_line();
        draft.layers = std::mem::take(&mut self.done);
        draft.layers_total = self.total;
        // A purge line at a height of its own.
        let own_mm = draft.layers.first().zip(draft.purge_line).map(|(layer, line)| layer.path_mm - line.path_mm);
        if self.total > 1 && own_mm.is_some_and(|mm| mm <= LEVEL_MM) {
            draft.layers.remove(0);
            draft.layers_total -= 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::preflight::{JobSource, Preflight};
    use std::f64::consts::TAU;

    fn report(body: &str) -> Inspection {
        let job = format!("G28\nM109 S200\nM83\nM106 S255\n{body}");
        Preflight::on(&Machine::built_in()).run(JobSource::stream(job.as_bytes(), "job")).expect("reads")
    }

    fn heights(report: &Inspection) -> Vec<[f64; 2]> {
        report.layers.iter().map(|layer| [layer.z_mm, layer.z_top_mm]).collect()
    }

    /// A ring of so many moves around the middle, each with the height that is asked of it.
    fn ring(moves: u32, z_mm: impl Fn(u32) -> Option<f64>) -> String {
        let at = |k: u32| {
            (50.0 + 20.0 * (TAU * f64::from(k) / 100.0).cos(), 50.0 + 20.0 * (TAU * f64::from(k) / 100.0).sin())
        };
        let z = |k: u32| z_mm(k).map_or(String::new(), |z| format!(" Z{z:.3}"));
        (1..=moves).map(|k| format!("G1 X{:.3} Y{:.3}{} E0.05 F1800\n", at(k).0, at(k).1, z(k))).collect()
    }

    /// Base layers of their own, then a spiral of 20 turns, and a level turn at its end.
    fn spiral(digits: f64) -> String {
        let base: String = (1..=2)
            .map(|k| format!("G1 Z{:.1} F600\nG0 X70 Y50 F6000\n{}", 0.2 * f64::from(k), ring(100, |_| None)))
            .collect();
        let climb = ring(2000, |k| Some(((0.4 + 0.002 * f64::from(k)) * digits).round() / digits));
        format!("{base}{climb}{}", ring(100, |_| None))
    }

    #[test]
    fn a_spiral_is_one_layer_that_grows_however_z_is_rounded() {
        for digits in [1e3, 1e2] {
            let report = report(&spiral(digits));
            let found = heights(&report);
            assert_eq!(found.len(), 3, "{found:?}");
            assert_eq!((found[0], found[1][0], found[2]), ([0.2, 0.2], 0.4, [4.4, 4.4]));
            assert!(found[1][1] > 4.3, "{found:?}");
            let path: f64 = report.layers.iter().map(|layer| layer.path_mm).sum();
            assert!((path - report.path_mm.extruding).abs() < 1e-6, "{path}");
        }
        // Without a base, too.
        let bare = report(&ring(2000, |k| Some(0.2 + 0.002 * f64::from(k))));
        assert_eq!((bare.layers_total, heights(&bare).len()), (1, 1));
        assert_eq!(bare.layers[0].path_mm, bare.path_mm.extruding);
    }

    #[test]
    fn a_part_that_is_not_made_of_planes_is_no_thousand_layers() {
        let wave = |k: u32| Some(5.0 + 2.0 * (f64::from(k) / 30.0).sin());
        let base: String = (1..=3)
            .map(|k| format!("G1 Z{:.1} F600\nG0 X70 Y50\n{}", 0.2 * f64::from(k), ring(100, |_| None)))
            .collect();
        let found = report(&format!("{base}{}", ring(3000, wave)));
        assert_eq!((found.layers_total, found.layers[2].z_mm), (3, 0.6));
        assert!(found.layers[2].z_top_mm > 6.9, "{:?}", found.layers[2]);
    }

    #[test]
    fn hops_are_no_layers_and_tips_of_spires_are() {
        let mut body = String::new();
        for layer in 1..=10 {
            let z = 0.2 * f64::from(layer);
            let side = if layer > 5 { 0.5 } else { 10.0 };
            for part in 0..3 {
                let x = 20.0 + 30.0 * f64::from(part);
                body += &format!("G1 Z{:.1} F600\nG0 X{x} Y20 F6000\nG1 Z{z:.1} F600\n", z + 0.6);
                body += &format!("G1 X{} E0.1 F1200\nG1 Y{} E0.1\nG1 X{x} E0.1\nG1 Y20 E0.1\n", x + side, 20.0 + side);
            }
            // A wipe that rises.
            body += &format!("G1 X22 Y20 Z{:.2} E0.01\n", z + 0.1);
        }
        let found = report(&body);
        let expected: Vec<f64> = (1..=10).map(|k| 0.2 * f64::from(k)).collect();
        let near = found.layers.iter().zip(&expected).all(|(layer, z)| (layer.z_mm - z).abs() < 1e-9);
        assert!(near && found.layers_total == 10, "{:?}", heights(&found));
        let until: f64 = found.layers[0].start_s + found.layers[0].time_s;
        assert!((until - found.layers[1].start_s).abs() < 1e-9);
    }

    #[test]
    fn a_seam_that_rises_into_the_next_layer_begins_it() {
        // Each turn after the first rises over its first 20 mm, and goes on level.
        let turn = |layer: u32| {
            let low = 0.2 * f64::from(layer);
            ring(100, |k| (k <= 16).then(|| low + 0.2 * f64::from(k) / 16.0))
        };
        let body: String = (1..=5).map(turn).collect();
        let found = report(&format!("G1 Z0.2 F600\nG0 X70 Y50\n{}{body}", ring(100, |_| None)));
        assert_eq!(found.layers_total, 6, "{:?}", heights(&found));
    }

    #[test]
    fn tools_whose_tips_are_not_equally_high_print_one_layer() {
        let mut machine = Machine::built_in();
        let second = crate::machine::Tool { offset_mm: [18.0, 0.0, -0.3], ..machine.tools[0].clone() };
        machine.tools.push(second);
        let job = "G28\nM109 S200\nM83\nG1 Z0.2 F600\nG1 X50 Y50 F6000\nG1 X90 E1 F1200\nT1\nM109 S200\nG1 Z0.2 F600\nG1 X50 E1 F1200\n";
        let found = Preflight::on(&machine).run(JobSource::stream(job.as_bytes(), "job")).expect("reads");
        assert_eq!(found.layers_total, 1, "{:?}", heights(&found));
    }
}
