//! The excitation spectrum of a job: density over frequency, both in equal ratios, modes marked.

use plotters::coord::combinators::WithKeyPoints;
use plotters::prelude::{
    BindKeyPoints, Cartesian2d, ChartBuilder, ChartContext, IntoLogRange, LineSeries, LogCoord, PathElement, Rectangle,
    SVGBackend, SeriesLabelPosition, Text,
};
use plotters::style::{Color, IntoFont, IntoTextStyle, RGBColor, ShapeStyle, TextStyle};

use super::{Canvas, FONT, NAME, PictureError, SMALL, ink, svg};
use crate::checks::drives_resonance::Band;
use crate::machine::Mode;
use crate::study::resonance::spectrum::{Axis, LEAST_SHOWN_HZ, Spectrum};

/// Densities below this part of the highest are drawn at the bottom.
const RANGE: f64 = 1e5;
const TICKS_HZ: [f64; 8] = [2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0];
const COLOURS: [RGBColor; 4] = [ink::FIRST, ink::SECOND, ink::THIRD, ink::FAINT];

/// The spectrum as SVG of that size in px, with the half-power bands of modes shaded.
///
/// # Errors
/// When it is too small to be drawn, or the drawing library fails.
pub fn spectrum_svg(
    spectrum: &Spectrum,
    modes: &[Mode],
    width_px: u32,
    height_px: u32,
) -> Result<String, PictureError> {
    if width_px < 160 || height_px < 120 {
        return Err(PictureError(format!("{width_px} x {height_px} px is less than 160 x 120 px")));
    }
    svg(width_px, height_px, |canvas| draw(canvas, spectrum, modes))
}

/// Frequency and density, both in equal ratios.
type Chart<'c, 's> = ChartContext<'c, SVGBackend<'s>, Cartesian2d<WithKeyPoints<LogCoord<f64>>, LogCoord<f64>>>;

fn draw(canvas: &Canvas<'_>, spectrum: &Spectrum, modes: &[Mode]) -> Result<(), PictureError> {
    let (most, top_hz) = spectrum.shown_top();
    let (low, high) = (most / RANGE, most * 3.0);
    let mut chart = ChartBuilder::on(canvas)
        .margin(12)
        .x_label_area_size(38)
        .y_label_area_size(58)
        .build_cartesian_2d(
            (LEAST_SHOWN_HZ..top_hz).log_scale().with_key_points(TICKS_HZ.to_vec()),
            (low..high).log_scale(),
        )
        .map_err(PictureError::of)?;
    chart
        .configure_mesh()
        .light_line_style(ink::PAPER)
        .bold_line_style(ink::GRID)
        .axis_style(ink::FAINT)
        .label_style(label(SMALL, &ink::FAINT))
        .axis_desc_style(label(NAME, &ink::TEXT))
        .x_desc("frequency, Hz")
        .y_desc("acceleration, (mm/s²)²/Hz")
        .x_label_formatter(&|hz| format!("{hz:.0}"))
        .y_label_formatter(&|density| format!("{density:.0e}"))
        .draw()
        .map_err(PictureError::of)?;
    for (n, mode) in modes.iter().enumerate() {
        // Labels of neighbours are at different heights.
        mark(&mut chart, canvas, mode, high / [1.4, 3.2, 7.5][n % 3])?;
    }
    for (axis, colour) in spectrum.axes.iter().zip(COLOURS.iter().cycle()) {
        curve(&mut chart, axis, *colour)?;
    }
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::LowerLeft)
        .label_font(label(NAME, &ink::TEXT))
        .background_style(ink::PAPER)
        .border_style(ink::GRID)
        .draw()
        .map_err(PictureError::of)
}

fn label(size: i32, colour: &RGBColor) -> TextStyle<'static> {
    (FONT, size).into_font().color(colour)
}

/// Shades the band of a mode, with its name at that density; nothing where the band lies outside.
fn mark(chart: &mut Chart<'_, '_>, canvas: &Canvas<'_>, mode: &Mode, at: f64) -> Result<(), PictureError> {
    let (frequencies, densities) = (chart.x_range(), chart.y_range());
    let band = Band::of(mode.natural_hz, mode.damping_ratio);
    if band.low_hz >= frequencies.end || band.high_hz <= frequencies.start {
        return Ok(());
    }
    let (left, right) = (band.low_hz.max(frequencies.start), band.high_hz.min(frequencies.end));
    let (low, high) = (densities.start, densities.end);
    let shade = ShapeStyle { color: ink::MARK.mix(0.16), filled: true, stroke_width: 0 };
    let line = PathElement::new(vec![(mode.natural_hz, low), (mode.natural_hz, high)], ink::MARK);
    let name = format!("{} {}", mode.along.word(), mode.natural_hz);
    let text = Text::new(name, (right * 1.01, at), label(SMALL, &ink::MARK).into_text_style(canvas));
    chart.draw_series([Rectangle::new([(left, low), (right, high)], shade)]).map_err(PictureError::of)?;
    chart.draw_series([line]).map_err(PictureError::of)?;
    chart.draw_series([text]).map_err(PictureError::of)?;
    Ok(())
}

/// Draws a direction and names it.
fn curve(chart: &mut Chart<'_, '_>, axis: &Axis, colour: RGBColor) -> Result<(), PictureError> {
    let low = chart.y_range().start;
    let line = axis.shown().map(|(hz, density)| (hz, density.max(low)));
    chart
        .draw_series(LineSeries::new(line, colour.stroke_width(2)))
        .map_err(PictureError::of)?
        .label(axis.along.word())
        .legend(move |(x, y)| PathElement::new(vec![(x, y), (x + 16, y)], colour.stroke_width(2)));
    Ok(())
}
