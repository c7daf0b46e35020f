//! Drawing on a photo: smooth strokes with a light and a dark outline, so that they read on any colour.

use super::font;
use crate::geometry::ImagePoint;
use crate::math::{byte, floor_index, single};
use image::{Rgb, RgbImage};

/// A colour and how far it covers what lies under it (0–1).
#[derive(Clone, Copy, Debug)]
pub(super) struct Paint {
    pub(super) rgb: [u8; 3],
    pub(super) alpha: f32,
}

impl Paint {
    pub(super) const fn solid(rgb: [u8; 3]) -> Self {
        Self { rgb, alpha: 1.0 }
    }

    pub(super) const fn translucent(rgb: [u8; 3], alpha: f32) -> Self {
        Self { rgb, alpha }
    }
}

/// Dark outline of every mark.
pub(super) const DARK: Paint = Paint::solid([16, 20, 26]);
/// Light outline of every mark.
pub(super) const LIGHT: Paint = Paint::solid([255, 255, 255]);
/// Fletched: blue, the colour-blind safe partner of [`BARE`].
pub(super) const FLETCHED: Paint = Paint::solid([30, 110, 220]);
/// Bare: orange.
pub(super) const BARE: Paint = Paint::solid([255, 140, 20]);
/// Kind not known.
pub(super) const UNKNOWN: Paint = Paint::solid([205, 120, 230]);

/// A picture that is drawn on.
pub(super) struct Canvas {
    pub(super) image: RgbImage,
    /// How far the stroke being drawn covers each pixel: kept apart, so that its segments don't darken where they meet.
    cover: Vec<f32>,
    touched: Vec<usize>,
    unit: f64,
}

impl Canvas {
    pub(super) fn new(image: RgbImage) -> Self {
        let n = image.pixels().len();
        let long = f64::from(image.width().max(image.height()));
        Self {
            unit: (long / 1000.0).max(0.5),
            image,
            cover: vec![0.0; n],
            touched: Vec::new(),
        }
    }

    pub(super) fn width(&self) -> f64 {
        f64::from(self.image.width())
    }

    pub(super) fn height(&self) -> f64 {
        f64::from(self.image.height())
    }

    /// One unit of drawing, px: a thousandth of the longer side, never less than half a pixel, times the scale of marks.
    pub(super) const fn unit(&self) -> f64 {
        self.unit
    }

    /// Makes all marks larger (or smaller) by this factor.
    pub(super) fn scale_marks(&mut self, factor: f64) {
        self.unit *= factor;
    }

    /// Draws polylines with round ends, `width` px wide, as one mark. A path of a single point is a dot.
    pub(super) fn stroke(&mut self, paths: &[Vec<ImagePoint>], width: f64, paint: Paint) {
        for path in paths {
            if let [only] = path.as_slice() {
                self.segment(*only, *only, width / 2.0);
            }
            for pair in path.windows(2) {
                self.segment(pair[0], pair[1], width / 2.0);
            }
        }
        self.apply(paint);
    }

    /// The same in colour, with a light and a dark outline, each `edge` px wide.
    pub(super) fn outlined(
        &mut self,
        paths: &[Vec<ImagePoint>],
        width: f64,
        edge: f64,
        paint: Paint,
    ) {
        self.stroke(paths, width + 4.0 * edge, DARK);
        self.stroke(paths, width + 2.0 * edge, LIGHT);
        self.stroke(paths, width, paint);
    }

    /// Text in light strokes on a dark outline, its top left corner at `at`.
    pub(super) fn text(&mut self, text: &str, at: ImagePoint, height: f64, paint: Paint) {
        let strokes = font::strokes(text, at, height);
        self.stroke(&strokes, height * 0.46, DARK);
        self.stroke(&strokes, height * 0.16, paint);
    }

    /// Veils a rectangle given by two corners.
    pub(super) fn panel(&mut self, from: ImagePoint, to: ImagePoint, paint: Paint) {
        let (x0, x1) = span(from.x, to.x, self.image.width());
        let (y0, y1) = span(from.y, to.y, self.image.height());
        for y in y0..y1 {
            for x in x0..x1 {
                blend(self.image.get_pixel_mut(x, y), paint, 1.0);
            }
        }
    }

    fn segment(&mut self, a: ImagePoint, b: ImagePoint, half: f64) {
        let reach = half + 1.0;
        if !(a.x.is_finite() && a.y.is_finite() && b.x.is_finite() && b.y.is_finite()) {
            return;
        }
        let (x0, x1) = span(
            a.x.min(b.x) - reach,
            a.x.max(b.x) + reach,
            self.image.width(),
        );
        let (y0, y1) = span(
            a.y.min(b.y) - reach,
            a.y.max(b.y) + reach,
            self.image.height(),
        );
        let (dx, dy) = (b.x - a.x, b.y - a.y);
        let length2 = (dx * dx + dy * dy).max(1e-12);
        let row = self.image.width() as usize;
        for y in y0..y1 {
            for x in x0..x1 {
                let (px, py) = (f64::from(x) - a.x, f64::from(y) - a.y);
                let t = ((px * dx + py * dy) / length2).clamp(0.0, 1.0);
                let distance = (px - t * dx).hypot(py - t * dy);
                let cover = single((half + 0.5 - distance).clamp(0.0, 1.0));
                let index = y as usize * row + x as usize;
                if cover > 0.0
                    && let Some(c) = self.cover.get_mut(index)
                {
                    if *c <= 0.0 {
                        self.touched.push(index);
                    }
                    *c = c.max(cover);
                }
            }
        }
    }

    fn apply(&mut self, paint: Paint) {
        let row = self.image.width() as usize;
        for index in self.touched.drain(..) {
            let Some(c) = self.cover.get_mut(index) else {
                continue;
            };
            let (x, y) = (index % row, index / row);
            if let (Ok(x), Ok(y)) = (u32::try_from(x), u32::try_from(y)) {
                blend(self.image.get_pixel_mut(x, y), paint, *c);
            }
            *c = 0.0;
        }
    }
}

/// The pixels between two coordinates, cut to the picture.
fn span(from: f64, to: f64, size: u32) -> (u32, u32) {
    let cut = |v: f64| u32::try_from(floor_index(v.max(0.0))).map_or(size, |v| v.min(size));
    (cut(from.ceil()), cut(to.floor() + 1.0))
}

fn blend(pixel: &mut Rgb<u8>, paint: Paint, cover: f32) {
    let a = paint.alpha * cover;
    for (under, over) in pixel.0.iter_mut().zip(paint.rgb) {
        *under = byte(f32::from(*under) * (1.0 - a) + f32::from(over) * a);
    }
}

/// A circle as a closed path.
pub(super) fn circle(at: ImagePoint, radius: f64) -> Vec<ImagePoint> {
    (0..=48)
        .map(|i| {
            let t = f64::from(i) * std::f64::consts::TAU / 48.0;
            ImagePoint::new(at.x + radius * t.cos(), at.y + radius * t.sin())
        })
        .collect()
}

/// A circle in `n` dashes.
pub(super) fn dashed_circle(at: ImagePoint, radius: f64, n: i32) -> Vec<Vec<ImagePoint>> {
    let part = std::f64::consts::TAU / f64::from(n);
    (0..n)
        .map(|i| {
            (0..=4)
                .map(|j| {
                    let t = part * (f64::from(i) + 0.55 * f64::from(j) / 4.0);
                    ImagePoint::new(at.x + radius * t.cos(), at.y + radius * t.sin())
                })
                .collect()
        })
        .collect()
}

/// A square with sides along the picture's.
pub(super) fn square(at: ImagePoint, half: f64) -> Vec<ImagePoint> {
    [
        (-1.0, -1.0),
        (1.0, -1.0),
        (1.0, 1.0),
        (-1.0, 1.0),
        (-1.0, -1.0),
    ]
    .map(|(x, y)| ImagePoint::new(at.x + half * x, at.y + half * y))
    .to_vec()
}

/// A square standing on its corner.
pub(super) fn diamond(at: ImagePoint, half: f64) -> Vec<ImagePoint> {
    [
        (0.0, -1.0),
        (1.0, 0.0),
        (0.0, 1.0),
        (-1.0, 0.0),
        (0.0, -1.0),
    ]
    .map(|(x, y)| ImagePoint::new(at.x + half * x, at.y + half * y))
    .to_vec()
}

/// Two crossing lines.
pub(super) fn cross(at: ImagePoint, half: f64) -> Vec<Vec<ImagePoint>> {
    vec![
        vec![
            ImagePoint::new(at.x - half, at.y),
            ImagePoint::new(at.x + half, at.y),
        ],
        vec![
            ImagePoint::new(at.x, at.y - half),
            ImagePoint::new(at.x, at.y + half),
        ],
    ]
}

/// An arrow from `a` to `b` with a head of `head` px.
pub(super) fn arrow(a: ImagePoint, b: ImagePoint, head: f64) -> Vec<Vec<ImagePoint>> {
    let length = a.distance(b);
    if length < 1e-9 {
        return Vec::new();
    }
    let (ux, uy) = ((b.x - a.x) / length, (b.y - a.y) / length);
    let h = head.min(0.6 * length);
    let wing = |side: f64| {
        ImagePoint::new(
            b.x - h * ux - side * 0.55 * h * uy,
            b.y - h * uy + side * 0.55 * h * ux,
        )
    };
    vec![vec![a, b], vec![wing(1.0), b, wing(-1.0)]]
}
