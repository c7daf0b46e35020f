//! Drawings as pictures of pixels; only with the feature `png`.

use super::encode::{Format, bytes};
use resvg::{tiny_skia, usvg};

/// Pixels for each unit of a drawing: sharp on paper 15 cm wide.
const SCALE: f32 = 2.0;

/// Why a drawing could not be made a picture.
#[derive(Debug, thiserror::Error)]
#[error("the drawing can't be made a picture ({0})")]
pub struct PngError(String);

/// A drawing ([`Embedding::Outlined`](super::Embedding::Outlined)) as a PNG. The same drawing gives the same bytes: no font of
/// the machine is used.
///
/// # Errors
/// When it isn't a drawing.
pub fn picture(svg: &str) -> Result<Vec<u8>, PngError> {
    let tree = usvg::Tree::from_str(svg, &usvg::Options::default())
        .map_err(|e| PngError(e.to_string()))?;
    let size = tree
        .size()
        .to_int_size()
        .scale_by(SCALE)
        .ok_or_else(|| PngError("it has no size".to_owned()))?;
    let mut pixels = tiny_skia::Pixmap::new(size.width(), size.height())
        .ok_or_else(|| PngError("it is too large".to_owned()))?;
    resvg::render(
        &tree,
        tiny_skia::Transform::from_scale(SCALE, SCALE),
        &mut pixels.as_mut(),
    );
    // the ground is opaque, so that nothing is lost without the fourth channel
    let rgb = pixels
        .data()
        .chunks_exact(4)
        .flat_map(|p| [p[0], p[1], p[2]])
        .collect();
    let drawn = image::RgbImage::from_raw(pixels.width(), pixels.height(), rgb)
        .ok_or_else(|| PngError("it is too large".to_owned()))?;
    bytes(&drawn, Format::Png).map_err(|e| PngError(e.to_string()))
}
