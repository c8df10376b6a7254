//! Pictures as SVG, on their own or inside a page. One palette for all; a page may recolour it, see [`ink`].

pub mod plan;
pub mod ramp;
pub mod rates;
mod spectrum;
pub mod timeline;
mod whole;

use std::fmt::Display;

use plotters::coord::Shift;
use plotters::prelude::{DrawingArea, IntoDrawingArea, SVGBackend};

pub use spectrum::spectrum_svg;
pub use whole::{OnlyLayer, PictureOptions, Pictured, lines_of};

/// The colours of all pictures. Each means one thing, so that a page can give it another colour in the dark by its
/// value alone: no two are equal.
pub mod ink {
    use plotters::style::RGBColor;

    /// Behind everything.
    pub const PAPER: RGBColor = RGBColor(0xfb, 0xf9, 0xf4);
    /// Text and axes.
    pub const TEXT: RGBColor = RGBColor(0x1d, 0x25, 0x2e);
    /// Text of less weight.
    pub const FAINT: RGBColor = RGBColor(0x5b, 0x64, 0x6e);
    /// Lines of a grid.
    pub const GRID: RGBColor = RGBColor(0xdd, 0xd8, 0xcc);
    /// The first quantity of a picture.
    pub const FIRST: RGBColor = RGBColor(0x0b, 0x6e, 0x74);
    /// The second quantity.
    pub const SECOND: RGBColor = RGBColor(0x8a, 0x4f, 0x9e);
    /// The third quantity.
    pub const THIRD: RGBColor = RGBColor(0x4a, 0x67, 0x1f);
    /// A limit, a capacity.
    pub const LIMIT: RGBColor = RGBColor(0xb3, 0x26, 0x1e);
    /// What is marked on a picture: findings, modes.
    pub const MARK: RGBColor = RGBColor(0xa8, 0x55, 0x0c);
}

/// Family of all text; what a browser has.
pub const FONT: &str = "sans-serif";
/// Size of the smallest letters. The drawing library takes the height of a whole line, 1.24 times what a browser calls
/// the size: 14 come out as 11 px, the least that is read with ease.
pub const SMALL: i32 = 14;
/// Size of the names of axes and curves.
pub const NAME: i32 = 15;

/// A picture could not be drawn.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("cannot draw the picture: {0}")]
pub struct PictureError(pub String);

impl PictureError {
    /// Of whatever the drawing library says.
    pub fn of(error: impl Display) -> Self {
        Self(error.to_string())
    }
}

/// Where a picture is drawn.
pub type Canvas<'s> = DrawingArea<SVGBackend<'s>, Shift>;

/// The SVG text of a picture of that size in px, filled with [`ink::PAPER`] first.
///
/// # Errors
/// What `draw` says.
pub fn svg(
    width_px: u32,
    height_px: u32,
    draw: impl FnOnce(&Canvas<'_>) -> Result<(), PictureError>,
) -> Result<String, PictureError> {
    let mut text = String::new();
    {
        let canvas = SVGBackend::with_string(&mut text, (width_px, height_px)).into_drawing_area();
        canvas.fill(&ink::PAPER).map_err(PictureError::of)?;
        draw(&canvas)?;
        canvas.present().map_err(PictureError::of)?;
    }
    Ok(text)
}
