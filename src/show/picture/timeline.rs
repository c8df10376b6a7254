//! Melt rate, speed and ringing over time.

use std::ops::Range;

use plotters::coord::ranged1d::{DefaultFormatting, KeyPointHint, Ranged};
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::{Canvas, FONT, NAME, PictureError, SMALL, ink};
use crate::findings::Inspection;
use crate::show::record::{Envelope, Event, TimeRecord};
use crate::wording::{clock, number};

/// Most columns drawn.
pub(crate) const COLUMNS: usize = 900;
/// Most times named.
const TICKS: usize = 9;
/// Most layer boundaries drawn.
const BOUNDARIES: usize = 80;

impl TimeRecord {
    /// Height of a picture of it with room for all its tracks, px.
    pub(crate) fn tracks_px(&self) -> u32 {
        let rings = if self.ringing_mm.is_some() { 110 } else { 0 };
        let cools = if self.cooling_s.is_some() { 90 } else { 0 };
        450 + rings + cools
    }
}

/// What the curves are held against.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Levels {
    /// Sustained capacity, mm³/s.
    pub sustained_mm3_s: Option<f64>,
    /// Peak capacity, mm³/s.
    pub peak_mm3_s: Option<f64>,
    /// Accepted ringing, mm.
    pub ringing_mm: Option<f64>,
}

impl Levels {
    /// Those of a report.
    pub fn of(report: &Inspection) -> Self {
        Self {
            sustained_mm3_s: report.capacity.sustained_mm3_s,
            peak_mm3_s: report.capacity.peak_mm3_s,
            ringing_mm: report.ringing.iter().find_map(|ringing| ringing.limit_mm),
        }
    }
}

/// Largest values of the axes, so that pictures can be put side by side.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Tops {
    /// End of the time axis, s.
    pub end_s: f64,
    /// mm³/s.
    pub melt_mm3_s: f64,
    /// mm/s.
    pub speed_mm_s: f64,
    /// mm.
    pub ringing_mm: f64,
}

impl Tops {
    /// Room for a record and its levels.
    pub fn of(record: &TimeRecord, levels: &Levels) -> Self {
        let ringing = record.ringing_mm.as_ref().map_or(0.0, Envelope::most);
        Self {
            end_s: record.end_s,
            melt_mm3_s: record
                .melt_mm3_s
                .most()
                .max(record.sustained_mm3_s.most())
                .max(levels.sustained_mm3_s.unwrap_or(0.0))
                .max(record.capacity_mm3_s.as_ref().map_or(0.0, Envelope::most)),
            speed_mm_s: record.speed_mm_s.most(),
            ringing_mm: ringing.max(levels.ringing_mm.unwrap_or(0.0)),
        }
    }

    /// Room for both.
    pub fn max(self, other: Self) -> Self {
        Self {
            end_s: self.end_s.max(other.end_s),
            melt_mm3_s: self.melt_mm3_s.max(other.melt_mm3_s),
            speed_mm_s: self.speed_mm_s.max(other.speed_mm_s),
            ringing_mm: self.ringing_mm.max(other.ringing_mm),
        }
    }
}

/// One of the stacked pictures.
struct Track<'r> {
    name: String,
    top: f64,
    band: Option<(&'r Envelope, RGBColor)>,
    /// The band reaches down to 0, since the lowest values say nothing.
    from_zero: bool,
    line: Option<(&'r Envelope, RGBColor)>,
    levels: Vec<(f64, &'static str)>,
    /// A level that changes.
    limit: Option<&'r Envelope>,
    /// Events are named above it; it is the fan's, in shares that are named in percent.
    events: bool,
    share: u32,
}

/// Draws the tracks one under another.
///
/// # Errors
/// What the drawing library says.
pub fn draw(canvas: &Canvas<'_>, record: &TimeRecord, levels: &Levels, tops: &Tops) -> Result<(), PictureError> {
    let tracks = tracks(record, levels, tops);
    let (_, height_px) = canvas.dim_in_pixel();
    let shares: u32 = tracks.iter().map(|track| track.share).sum();
    let mut top_px = 0;
    for track in &tracks {
        let next = top_px + height_px * track.share / shares;
        let part = canvas.clone().shrink((0, top_px as i32), (canvas.dim_in_pixel().0, next - top_px));
        track.draw(&part, record, tops.end_s)?;
        top_px = next;
    }
    Ok(())
}

/// The tracks from the top down.
fn tracks<'r>(record: &'r TimeRecord, levels: &Levels, tops: &Tops) -> Vec<Track<'r>> {
    let level = |value: Option<f64>, name| value.map(|value| (value, name)).into_iter();
    let mut tracks = vec![
        Track {
            name: "melt rate, mm³/s: momentary along the path (band), sustained of all that is pushed (line)"
                .to_owned(),
            top: tops.melt_mm3_s,
            band: Some((&record.melt_mm3_s, ink::FIRST)),
            from_zero: false,
            line: Some((&record.sustained_mm3_s, ink::SECOND)),
            levels: level(levels.sustained_mm3_s, "sustained capacity")
                .chain(level(levels.peak_mm3_s, "peak capacity"))
                .filter(|_| record.capacity_mm3_s.is_none())
                .collect(),
            limit: record.capacity_mm3_s.as_ref(),
            events: false,
            share: 4,
        },
        Track {
            name: "speed, mm/s: lowest to highest".to_owned(),
            top: tops.speed_mm_s,
            band: Some((&record.speed_mm_s, ink::THIRD)),
            from_zero: false,
            line: None,
            levels: Vec::new(),
            limit: None,
            events: false,
            share: 3,
        },
    ];
    tracks.extend(record.ringing_mm.as_ref().map(|ringing| Track {
        name: "ringing while extruding, mm".to_owned(),
        top: tops.ringing_mm,
        band: Some((ringing, ink::FIRST)),
        from_zero: true,
        line: None,
        levels: level(levels.ringing_mm, "limit").collect(),
        limit: None,
        events: false,
        share: 3,
    }));
    tracks.extend(record.cooling_s.as_ref().map(|cooling| Track {
        name: "time to cool, s: since the places of each layer were laid before, on average".to_owned(),
        top: cooling.most().max(record.cooling_least_s.unwrap_or(0.0)),
        band: Some((cooling, ink::THIRD)),
        from_zero: true,
        line: None,
        levels: level(record.cooling_least_s, "least").collect(),
        limit: None,
        events: false,
        share: 2,
    }));
    tracks.push(Track {
        name: "fan, %, and heaters, tools, pauses".to_owned(),
        top: 1.25,
        band: Some((&record.fan_share, ink::SECOND)),
        from_zero: true,
        line: None,
        levels: Vec::new(),
        limit: None,
        events: true,
        share: 2,
    });
    tracks
}

impl Track<'_> {
    fn draw(&self, canvas: &Canvas<'_>, record: &TimeRecord, end_s: f64) -> Result<(), PictureError> {
        let top = if self.top > 0.0 { self.top * 1.1 } else { 1.0 };
        let end_s = if end_s > 0.0 { end_s } else { 1.0 };
        let mut chart = ChartBuilder::on(canvas)
            .margin(4)
            .margin_top(20)
            .margin_right(14)
            .x_label_area_size(20)
            .y_label_area_size(58)
            .build_cartesian_2d(Times(0.0..end_s), 0.0..top)
            .map_err(PictureError::of)?;
        let label = (FONT, SMALL).into_font().color(&ink::FAINT);
        chart
            .configure_mesh()
            .bold_line_style(ink::GRID)
            .light_line_style(TRANSPARENT)
            .axis_style(ink::FAINT)
            .label_style(label.clone())
            .x_labels(TICKS)
            .y_labels(5)
            .x_label_formatter(&|s| clock(*s))
            .y_label_formatter(&|value| number(if self.events { *value * 100.0 } else { *value }))
            .draw()
            .map_err(PictureError::of)?;
        let name = (FONT, NAME).into_font().color(&ink::TEXT);
        canvas.draw(&Text::new(self.name.clone(), (58, 4), name)).map_err(PictureError::of)?;
        self.draw_curves(&mut chart, record, top)?;
        self.draw_levels(&mut chart, end_s, top)?;
        if self.events {
            draw_events(&mut chart, &record.events, end_s, top)?;
        }
        Ok(())
    }

    /// Layer boundaries, and band and line over them.
    fn draw_curves(&self, chart: &mut Chart<'_, '_>, record: &TimeRecord, top: f64) -> Result<(), PictureError> {
        let every = record.layers.len().div_ceil(BOUNDARIES).max(1);
        let boundaries = record
            .layers
            .iter()
            .step_by(every)
            .map(|layer| PathElement::new([(layer.at_s, 0.0), (layer.at_s, top * 0.03)], ink::FAINT));
        chart.draw_series(boundaries).map_err(PictureError::of)?;
        if let Some((envelope, colour)) = self.band {
            let band = outline(envelope, record.stretch_s, self.from_zero);
            chart.draw_series([Polygon::new(band, colour.mix(0.45).filled())]).map_err(PictureError::of)?;
        }
        let edge = self.band.map(|(envelope, colour)| (envelope, colour.mix(0.8)));
        let line = self.line.map(|(envelope, colour)| (envelope, colour.mix(1.0)));
        for (envelope, colour) in edge.into_iter().chain(line) {
            for stretch in upper(envelope, record.stretch_s) {
                chart.draw_series([PathElement::new(stretch, colour.stroke_width(1))]).map_err(PictureError::of)?;
            }
        }
        if let Some(limit) = self.limit {
            let low = Envelope { low: limit.low.clone(), high: limit.lowest_carried() };
            for stretch in upper(&low, record.stretch_s) {
                let stretch = stretch.into_iter().map(|(s, value)| (s, value.min(top)));
                chart
                    .draw_series([PathElement::new(stretch.collect::<Vec<_>>(), ink::LIMIT.stroke_width(2))])
                    .map_err(PictureError::of)?;
            }
        }
        Ok(())
    }

    fn draw_levels(&self, chart: &mut Chart<'_, '_>, end_s: f64, top: f64) -> Result<(), PictureError> {
        for (value, name) in self.levels.iter().filter(|(value, _)| *value < top) {
            let line = [(0.0, *value), (end_s, *value)];
            let style = ink::LIMIT.stroke_width(2);
            chart.draw_series(DashedLineSeries::new(line, 7, 4, style)).map_err(PictureError::of)?;
            let style = (FONT, SMALL).into_font().color(&ink::LIMIT).pos(Pos::new(HPos::Left, VPos::Bottom));
            let text = Text::new(format!("{name} {}", number(*value)), (end_s * 0.005, *value), style);
            chart.draw_series([text]).map_err(PictureError::of)?;
        }
        Ok(())
    }
}

/// What a track is drawn on.
type Chart<'c, 's> = ChartContext<'c, SVGBackend<'s>, Cartesian2d<Times, RangedCoordf64>>;

/// Marks events at the top, and names those for which there is room.
fn draw_events(chart: &mut Chart<'_, '_>, events: &[Event], end_s: f64, top: f64) -> Result<(), PictureError> {
    let room_px = f64::from(chart.plotting_area().dim_in_pixel().0);
    let mut free_s = f64::NEG_INFINITY;
    for event in events.iter().filter(|event| event.at_s <= end_s) {
        let mark = TriangleMarker::new((event.at_s, top * 0.97), -4, ink::MARK.filled());
        chart.draw_series([mark]).map_err(PictureError::of)?;
        let text = event.kind.words();
        // No more names than there is room for; some 6 px a letter.
        let wide_s = (text.chars().count() as f64 * 6.0 + 14.0) / room_px * end_s;
        if event.at_s > free_s && event.at_s + wide_s < end_s {
            free_s = event.at_s + wide_s;
            let style = (FONT, SMALL).into_font().color(&ink::MARK).pos(Pos::new(HPos::Left, VPos::Top));
            let text = Text::new(text, (event.at_s + 5.0 / room_px * end_s, top * 0.95), style);
            chart.draw_series([text]).map_err(PictureError::of)?;
        }
    }
    Ok(())
}

/// A time axis whose named times are round.
struct Times(Range<f64>);

impl Ranged for Times {
    type FormatOption = DefaultFormatting;
    type ValueType = f64;

    fn map(&self, at_s: &f64, (left, right): (i32, i32)) -> i32 {
        let share = (at_s - self.0.start) / (self.0.end - self.0.start);
        // An empty range has no shares.
        left.saturating_add((f64::from(right - left) * share).round() as i32)
    }

    fn key_points<Hint: KeyPointHint>(&self, _: Hint) -> Vec<f64> {
        ticks(self.0.end)
    }

    fn range(&self) -> Range<f64> {
        self.0.clone()
    }
}

/// Round times, at most [`TICKS`] of them, s.
fn ticks(end_s: f64) -> Vec<f64> {
    const ROUND_S: [f64; 16] =
        [1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0, 14_400.0, 43_200.0];
    let fits = |step: &f64| end_s / step < TICKS as f64;
    let days = || (1..).map(|days| f64::from(days) * 86_400.0).find(fits);
    let step = ROUND_S.into_iter().find(fits).or_else(|| (end_s < 1e9).then(days).flatten());
    let Some(step) = step else { return vec![0.0, end_s] };
    (0..TICKS).map(|k| k as f64 * step).filter(|at| *at <= end_s).collect()
}

/// The band between the lowest (or 0) and the highest values as one outline; nothing known counts as 0.
fn outline(envelope: &Envelope, stretch_s: f64, from_zero: bool) -> Vec<(f64, f64)> {
    let few = envelope.at_most(COLUMNS);
    let wide_s = stretch_s * envelope.high.len().div_ceil(COLUMNS).max(1) as f64;
    let known = |value: f32| if value.is_finite() { f64::from(value) } else { 0.0 };
    let stairs = |values: &[f32]| -> Vec<(f64, f64)> {
        let stair =
            |(k, &value): (usize, &f32)| [(k as f64 * wide_s, known(value)), ((k + 1) as f64 * wide_s, known(value))];
        values.iter().enumerate().flat_map(stair).collect()
    };
    let mut outline = stairs(&few.high);
    let low = stairs(&few.low).into_iter().rev();
    outline.extend(low.map(|(at, value)| (at, if from_zero { 0.0 } else { value })));
    outline
}

/// The highest values, in one piece for each run of stretches where they are known.
fn upper(envelope: &Envelope, stretch_s: f64) -> Vec<Vec<(f64, f64)>> {
    let few = envelope.at_most(COLUMNS);
    let wide_s = stretch_s * envelope.high.len().div_ceil(COLUMNS).max(1) as f64;
    let mut pieces: Vec<Vec<(f64, f64)>> = Vec::new();
    let mut open = false;
    for (k, &value) in few.high.iter().enumerate() {
        if value.is_finite() {
            if !open {
                pieces.push(Vec::new());
            }
            let value = f64::from(value);
            if let Some(piece) = pieces.last_mut() {
                piece.extend([(k as f64 * wide_s, value), ((k + 1) as f64 * wide_s, value)]);
            }
        }
        open = value.is_finite();
    }
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An axis of no length has no shares. Found by fuzzing.
    #[test]
    fn an_axis_without_a_range_maps_into_the_picture() {
        assert_eq!(Times(0.0..10.0).map(&5.0, (40, 140)), 90);
        for at_s in [0.0, 5.0, f64::INFINITY] {
            assert!(Times(0.0..0.0).map(&at_s, (40, i32::MAX)) >= 40);
        }
    }

    #[test]
    fn times_named_are_round_and_few() {
        assert_eq!(ticks(7.5), [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0]);
        assert_eq!(ticks(230.0), [0.0, 30.0, 60.0, 90.0, 120.0, 150.0, 180.0, 210.0]);
        assert_eq!(ticks(700_000.0)[1], 86_400.0);
        for end_s in [1e-3, 1.0, 59.0, 86_400.0, 1e7, 1e12] {
            assert!((1..=TICKS).contains(&ticks(end_s).len()), "{end_s}");
        }
    }

    #[test]
    fn the_outline_goes_up_one_side_and_down_the_other() {
        let mut envelope = Envelope::new(3);
        envelope.widen(0, 1.0, 2.0);
        envelope.widen(2, 0.5, 4.0);
        let outline = outline(&envelope, 2.0, false);
        let upper_side = [(0.0, 2.0), (2.0, 2.0), (2.0, 0.0), (4.0, 0.0), (4.0, 4.0), (6.0, 4.0)];
        assert_eq!(outline[..6], upper_side);
        assert_eq!(outline[6..], [(6.0, 0.5), (4.0, 0.5), (4.0, 0.0), (2.0, 0.0), (2.0, 1.0), (0.0, 1.0)]);
        assert_eq!(upper(&envelope, 2.0), [vec![(0.0, 2.0), (2.0, 2.0)], vec![(4.0, 4.0), (6.0, 4.0)]]);
    }
}
