//! One layer from above, its lines coloured by melt rate.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::{Canvas, FONT, PictureError, SMALL, ink, ramp};
use crate::machine::{BedShape, Machine};
use crate::show::record::{DrawnLayer, GRID_MM, PlanPoint, units};
use crate::wording::{grouped, number, safe};

/// Colours told apart.
const BINS: usize = 16;
/// The colour of what is beyond the capacity.
const BEYOND: usize = BINS;
/// Most points drawn; a layer with more is simplified as far as needed.
const POINTS: usize = 12_000;
/// Width of a line where the sheet gives no nozzle, mm; common practice, no source.
pub const LINE_MM: f64 = 0.4;
/// Widest a line is drawn, px.
const WIDEST_PX: f64 = 9.0;

/// A place to mark.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Number of the finding.
    pub number: usize,
    /// x, y, mm.
    pub at: [f64; 2],
}

/// What is drawn.
pub struct LayerPlan<'p> {
    /// The layer.
    pub layer: &'p DrawnLayer,
    /// How many there are.
    pub layers_total: u64,
    /// The machine: its travel and keep-out boxes.
    pub machine: &'p Machine,
    /// Largest melt rate of the job, mm³/s.
    pub top_mm3_s: f64,
    /// Sustained capacity that the colours are held against; what is beyond stands out. Where there is none, they are held
    /// against the largest rate.
    pub capacity_mm3_s: Option<f64>,
    /// Places on this layer.
    pub marks: &'p [Mark],
    /// How far the layer's paths may be off already, mm.
    pub within_mm: f64,
}

/// Machine coordinates on the picture.
struct Frame {
    per_mm: f64,
    centre_mm: [f64; 2],
    centre_px: [f64; 2],
}

impl Frame {
    fn exact(&self, at: [f64; 2]) -> [f64; 2] {
        let x = self.centre_px[0] + (at[0] - self.centre_mm[0]) * self.per_mm;
        let y = self.centre_px[1] - (at[1] - self.centre_mm[1]) * self.per_mm;
        [x, y]
    }

    fn px(&self, at: [f64; 2]) -> (i32, i32) {
        whole(self.exact(at))
    }
}

fn whole(at: [f64; 2]) -> (i32, i32) {
    (at[0].round() as i32, at[1].round() as i32)
}

/// The part of a line inside a picture of that size, px (Liang and Barsky, ACM Transactions on Graphics 3, 1984; from
/// memory). The drawing library would draw what lies outside along the edge.
fn inside(a: [f64; 2], b: [f64; 2], room: [f64; 2]) -> Option<[[f64; 2]; 2]> {
    let (mut from, mut to) = (0.0f64, 1.0f64);
    for axis in 0..2 {
        let way = b[axis] - a[axis];
        let (low, high) = (-a[axis], room[axis] - a[axis]);
        if way == 0.0 {
            if low > 0.0 || high < 0.0 {
                return None;
            }
            continue;
        }
        let (enter, leave) = if way > 0.0 { (low / way, high / way) } else { (high / way, low / way) };
        (from, to) = (from.max(enter), to.min(leave));
    }
    let at = |share: f64| [a[0] + (b[0] - a[0]) * share, a[1] + (b[1] - a[1]) * share];
    (from <= to).then(|| [at(from), at(to)])
}

fn mm(point: PlanPoint) -> [f64; 2] {
    [f64::from(point.x) * GRID_MM, f64::from(point.y) * GRID_MM]
}

/// The rectangle around what is extruded on the layer, or around all of it; mm.
fn bounds(layer: &DrawnLayer) -> [[f64; 2]; 2] {
    let around = |all: bool| {
        let points = layer.strokes().filter(|(path, _)| all || !path.travel).flat_map(|(_, points)| points);
        points.fold([[f64::INFINITY; 2], [f64::NEG_INFINITY; 2]], |[min, max], &point| {
            let at = mm(point);
            [[min[0].min(at[0]), min[1].min(at[1])], [max[0].max(at[0]), max[1].max(at[1])]]
        })
    };
    let extruded = around(false);
    if extruded[0][0] <= extruded[1][0] { extruded } else { around(true) }
}

impl LayerPlan<'_> {
    /// Draws the layer.
    ///
    /// # Errors
    /// What the drawing library says.
    pub fn draw(&self, canvas: &Canvas<'_>) -> Result<(), PictureError> {
        let (width, height) = canvas.dim_in_pixel();
        let scale = f64::from(width.min(height)) / 700.0;
        let size = |px: f64| (px * scale).max(9.0) as u32;
        let foot = f64::from(size(54.0));
        let [min, max] = bounds(self.layer);
        if min[0] > max[0] {
            let style = (FONT, size(15.0)).into_font().color(&ink::TEXT);
            return canvas.draw(&Text::new("nothing moves on this layer", (10, 10), style)).map_err(PictureError::of);
        }
        let span = [0, 1].map(|axis| (max[axis] - min[axis]).max(1.0));
        let room = [f64::from(width) * 0.9, (f64::from(height) - foot) * 0.9];
        let frame = Frame {
            per_mm: (room[0] / span[0]).min(room[1] / span[1]),
            centre_mm: [(min[0] + max[0]) / 2.0, (min[1] + max[1]) / 2.0],
            centre_px: [f64::from(width) / 2.0, (f64::from(height) - foot) / 2.0],
        };
        self.machine(canvas, &frame)?;
        let limits = self.lines(canvas, &frame)?;
        self.marks(canvas, &frame, scale)?;
        self.foot(canvas, &frame, scale, &limits)
    }

    /// Melt rate of the last colour, mm³/s.
    fn full_mm3_s(&self) -> f64 {
        self.capacity_mm3_s.unwrap_or(self.top_mm3_s)
    }

    fn machine(&self, canvas: &Canvas<'_>, frame: &Frame) -> Result<(), PictureError> {
        let travel = &self.machine.travel;
        let [min, max] = [travel.min, travel.max].map(|at| [at[0], at[1]]);
        let style = ink::LIMIT.stroke_width(2);
        let corners = match travel.bed {
            BedShape::Rectangle => {
                vec![min, [max[0], min[1]], max, [min[0], max[1]], min]
            }
            BedShape::Disc => (0..=180)
                .map(|k| {
                    let (sine, cosine) = (f64::from(k) / 180.0 * std::f64::consts::TAU).sin_cos();
                    [
                        (min[0] + max[0]) / 2.0 + (max[0] - min[0]) / 2.0 * cosine,
                        (min[1] + max[1]) / 2.0 + (max[1] - min[1]) / 2.0 * sine,
                    ]
                })
                .collect(),
        };
        let size = canvas.dim_in_pixel();
        let room = [f64::from(size.0), f64::from(size.1)];
        for edge in corners.windows(2) {
            let Some(edge) = inside(frame.exact(edge[0]), frame.exact(edge[1]), room) else { continue };
            canvas.draw(&PathElement::new(edge.map(whole), style)).map_err(PictureError::of)?;
        }
        for keep_out in &travel.keep_out {
            let from = frame.exact([keep_out.min[0], keep_out.max[1]]);
            let to = frame.exact([keep_out.max[0], keep_out.min[1]]);
            let [from, to] = [from, to].map(|at| [at[0].clamp(0.0, room[0]), at[1].clamp(0.0, room[1])]);
            if from[0] >= to[0] || from[1] >= to[1] {
                continue;
            }
            // Where the layer passes above or below it, only its outline.
            let [low, high] = self.layer.z_mm;
            let at_height = keep_out.min[2] <= high && low <= keep_out.max[2];
            let (share, filled) = if at_height { (0.18, true) } else { (0.5, false) };
            let style = ShapeStyle { color: ink::LIMIT.mix(share), filled, stroke_width: 1 };
            canvas.draw(&Rectangle::new([whole(from), whole(to)], style)).map_err(PictureError::of)?;
            // To the left where there is no room on the right.
            let is_right = from[0] > room[0] * 0.7;
            let anchor = Pos::new(if is_right { HPos::Right } else { HPos::Left }, VPos::Top);
            let text = (FONT, SMALL).into_font().color(&ink::LIMIT).pos(anchor);
            let at = whole(if is_right { [to[0] - 4.0, from[1] + 4.0] } else { [from[0] + 4.0, from[1] + 4.0] });
            canvas.draw(&Text::new(safe(&keep_out.what).into_owned(), at, text)).map_err(PictureError::of)?;
        }
        Ok(())
    }

    /// Draws the lines; says how far they may be off, where that is more than on the page's other drawings, and how many of
    /// how many there are, where that is not all.
    fn lines(&self, canvas: &Canvas<'_>, frame: &Frame) -> Result<String, PictureError> {
        let (layer, within_mm) = self.layer.thinned(POINTS);
        let top = (self.full_mm3_s() / units::MELT_MM3_S).max(1.0);
        let bin = |point: &PlanPoint| {
            let melt = f64::from(point.melt);
            // Rates are known to a step: what may be the capacity itself is not beyond it.
            if self.capacity_mm3_s.is_some() && melt > top + 0.5 {
                return BEYOND;
            }
            ((melt / top * BINS as f64) as usize).min(BINS - 1)
        };
        let line_mm = self.machine.tools.first().and_then(|tool| tool.nozzle_diameter_mm).unwrap_or(LINE_MM);
        let width = (line_mm * frame.per_mm * 0.9).clamp(1.0, WIDEST_PX) as u32;
        if layer.paths.iter().all(|path| path.travel) {
            // Nothing is laid here: what is travelled is all there is to see.
            for (_, points) in layer.strokes() {
                let piece: Vec<_> = points.iter().map(|&point| frame.px(mm(point))).collect();
                canvas.draw(&PathElement::new(piece, ink::FAINT)).map_err(PictureError::of)?;
            }
        }
        for (_, points) in layer.strokes().filter(|(path, _)| !path.travel) {
            let mut from = 0;
            while from + 1 < points.len() {
                let colour = bin(&points[from + 1]);
                let run = points[from + 1..].iter().take_while(|point| bin(point) == colour).count();
                let piece: Vec<_> = points[from..=from + run].iter().map(|&point| frame.px(mm(point))).collect();
                let style = match colour {
                    BEYOND => ink::LIMIT.stroke_width(width + 1),
                    _ => ramp::on_paper_at((colour as f64 + 0.5) / BINS as f64).stroke_width(width),
                };
                canvas.draw(&PathElement::new(piece, style)).map_err(PictureError::of)?;
                from += run;
            }
        }
        let within = within_mm.map_or(String::new(), |mm| format!(", within {} mm", number(mm + self.within_mm)));
        let (drawn, [lines, travels]) = (layer.paths.len() as u64, self.layer.begun);
        let all = if lines > 0 { lines } else { travels };
        let thinned = match drawn < all {
            true => format!(", {} of {} lines drawn", grouped(drawn), grouped(all)),
            false => String::new(),
        };
        Ok(within + &thinned)
    }

    fn marks(&self, canvas: &Canvas<'_>, frame: &Frame, scale: f64) -> Result<(), PictureError> {
        let (width, height) = canvas.dim_in_pixel();
        let radius = (11.0 * scale).max(8.0) as i32;
        let mut taken: Vec<(i32, i32)> = Vec::new();
        for mark in self.marks {
            let (x, y) = frame.px(mark.at);
            // Places off the picture are marked at its edge; places that lie on each other once.
            let at = (x.clamp(radius, width as i32 - radius), y.clamp(radius, height as i32 - radius));
            if taken.iter().any(|other| (other.0 - at.0).abs() < radius && (other.1 - at.1).abs() < radius) {
                continue;
            }
            taken.push(at);
            canvas.draw(&Circle::new(at, radius, ink::PAPER.filled())).map_err(PictureError::of)?;
            canvas.draw(&Circle::new(at, radius, ink::MARK.stroke_width(2))).map_err(PictureError::of)?;
            let style = (FONT, (13.0 * scale).max(10.0))
                .into_font()
                .color(&ink::TEXT)
                .pos(Pos::new(HPos::Center, VPos::Center));
            canvas.draw(&Text::new(mark.number.to_string(), at, style)).map_err(PictureError::of)?;
        }
        Ok(())
    }

    /// Name, scale and legend.
    fn foot(&self, canvas: &Canvas<'_>, frame: &Frame, scale: f64, limits: &str) -> Result<(), PictureError> {
        let (width, height) = canvas.dim_in_pixel();
        let size = |px: f64| (px * scale).max(9.0);
        let base = height as i32 - size(44.0) as i32;
        let text = |weight: RGBColor| (FONT, size(14.0)).into_font().color(&weight);
        let [low, high] = self.layer.z_mm;
        let z = if high > low { format!("{} to {}", number(low), number(high)) } else { number(low) };
        let name = format!("layer {} of {}, z {z} mm{limits}", self.layer.number, self.layers_total);
        canvas.draw(&Text::new(name, (size(12.0) as i32, base), text(ink::TEXT))).map_err(PictureError::of)?;
        let ruler_mm = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0]
            .into_iter()
            .find(|mm| mm * frame.per_mm > f64::from(width) * 0.06)
            .unwrap_or(500.0);
        let (left, line) = (size(12.0) as i32, base + size(28.0) as i32);
        let right = left + (ruler_mm * frame.per_mm).round() as i32;
        let ends =
            [(left, line - 4), (left, line + 4), (left, line), (right, line), (right, line - 4), (right, line + 4)];
        canvas.draw(&PathElement::new(ends, ink::TEXT.stroke_width(2))).map_err(PictureError::of)?;
        let label =
            Text::new(format!("{} mm", number(ruler_mm)), (right + 8, line - size(8.0) as i32), text(ink::FAINT));
        canvas.draw(&label).map_err(PictureError::of)?;
        let (cell, from) = (size(11.0) as i32, width as i32 - size(11.0) as i32 * BINS as i32 - size(12.0) as i32);
        for bin in 0..BINS {
            let x = from + cell * bin as i32;
            let colour = ramp::on_paper_at((bin as f64 + 0.5) / BINS as f64);
            let swatch = Rectangle::new([(x, line - 6), (x + cell, line + 6)], colour.filled());
            canvas.draw(&swatch).map_err(PictureError::of)?;
        }
        let held = match self.capacity_mm3_s {
            Some(capacity) if self.top_mm3_s > capacity => "sustained capacity, red beyond",
            Some(_) => "sustained capacity",
            None => "most in the job, no capacity given",
        };
        let legend = format!("0 to {} mm³/s, {held}", number(self.full_mm3_s()));
        let beside = text(ink::FAINT).pos(Pos::new(HPos::Right, VPos::Center));
        canvas.draw(&Text::new(legend, (from - size(8.0) as i32, line), beside)).map_err(PictureError::of)?;
        canvas.draw(&Text::new("melt rate", (from, base), text(ink::TEXT))).map_err(PictureError::of)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_end_at_the_edge_of_the_picture() {
        let room = [100.0, 50.0];
        assert_eq!(inside([-50.0, 25.0], [150.0, 25.0], room), Some([[0.0, 25.0], [100.0, 25.0]]));
        assert_eq!(inside([10.0, 10.0], [20.0, 20.0], room), Some([[10.0, 10.0], [20.0, 20.0]]));
        assert_eq!(inside([-10.0, -5.0], [110.0, -5.0], room), None);
        assert_eq!(inside([90.0, -50.0], [190.0, 50.0], room), None);
        assert_eq!(inside([50.0, 25.0], [50.0, 500.0], room), Some([[50.0, 25.0], [50.0, 50.0]]));
    }
}
