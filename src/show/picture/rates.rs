//! How much time is spent at which melt rate.

use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::timeline::Levels;
use super::{Canvas, FONT, NAME, PictureError, SMALL, ink};
use crate::show::record::RateTimes;
use crate::wording::number;

/// Draws the time spent at each melt rate as columns, with the capacities.
///
/// # Errors
/// What the drawing library says.
pub fn draw(canvas: &Canvas<'_>, rates: &RateTimes, levels: &Levels, top_mm3_s: f64) -> Result<(), PictureError> {
    let used = rates.seconds.iter().rposition(|&seconds| seconds > 0.0).map_or(1, |last| last + 1);
    let width = rates.column_mm3_s;
    let right = (used as f64 * width).max(levels.sustained_mm3_s.unwrap_or(0.0)).max(top_mm3_s) * 1.05;
    let most = rates.seconds.iter().copied().fold(0.0, f64::max);
    let top = if most > 0.0 { most * 1.1 } else { 1.0 };
    let mut chart = ChartBuilder::on(canvas)
        .margin(4)
        .margin_top(20)
        .margin_right(14)
        .x_label_area_size(38)
        .y_label_area_size(58)
        .build_cartesian_2d(0.0..right, 0.0..top)
        .map_err(PictureError::of)?;
    chart
        .configure_mesh()
        .disable_x_mesh()
        .bold_line_style(ink::GRID)
        .light_line_style(TRANSPARENT)
        .axis_style(ink::FAINT)
        .label_style((FONT, SMALL).into_font().color(&ink::FAINT))
        .axis_desc_style((FONT, NAME).into_font().color(&ink::TEXT))
        .x_desc("melt rate, mm³/s")
        .x_label_formatter(&|value| number(*value))
        .y_label_formatter(&|value| number(*value))
        .draw()
        .map_err(PictureError::of)?;
    let name = (FONT, NAME).into_font().color(&ink::TEXT);
    let title = format!("time, s, at each melt rate (columns of {} mm³/s)", number(width));
    canvas.draw(&Text::new(title, (58, 4), name)).map_err(PictureError::of)?;
    let columns =
        rates.seconds[..used].iter().enumerate().filter(|(_, seconds)| **seconds > 0.0).map(|(k, &seconds)| {
            let (low, high) = (k as f64 * width, (k + 1) as f64 * width);
            let over = levels.sustained_mm3_s.is_some_and(|capacity| low >= capacity);
            let colour = if over { ink::MARK } else { ink::FIRST };
            Rectangle::new([(low + width * 0.06, 0.0), (high - width * 0.06, seconds)], colour.filled())
        });
    chart.draw_series(columns).map_err(PictureError::of)?;
    draw_capacities(&mut chart, levels, right, top)
}

/// What the columns are drawn on.
type Chart<'c, 's> = ChartContext<'c, SVGBackend<'s>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;

/// Draws the capacities that lie left of the end of the axis, each with its name.
fn draw_capacities(chart: &mut Chart<'_, '_>, levels: &Levels, right: f64, top: f64) -> Result<(), PictureError> {
    for (value, name, height) in
        [(levels.sustained_mm3_s, "sustained capacity", 1.0), (levels.peak_mm3_s, "peak capacity", 0.9)]
    {
        let Some(value) = value.filter(|value| *value < right) else { continue };
        let style = ink::LIMIT.stroke_width(2);
        chart
            .draw_series(DashedLineSeries::new([(value, 0.0), (value, top)], 7, 4, style))
            .map_err(PictureError::of)?;
        // To the left of the line where there is no room on the right.
        let is_right = value > right * 0.7;
        let anchor = Pos::new(if is_right { HPos::Right } else { HPos::Left }, VPos::Top);
        let style = (FONT, SMALL).into_font().color(&ink::LIMIT).pos(anchor);
        let at = if is_right { value - right * 0.008 } else { value + right * 0.008 };
        let text = Text::new(format!("{name} {}", number(value)), (at, top * height), style);
        chart.draw_series([text]).map_err(PictureError::of)?;
    }
    Ok(())
}
