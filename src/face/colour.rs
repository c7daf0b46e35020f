//! How printed colours look, and the reduced copy of a photo in which faces are looked for.

use super::spec::Colour;
use crate::geometry::ImagePoint;
use crate::imaging::LINEAR_FROM_BYTE;
use crate::math::{byte, floor_index, round_i64};
use fearless_simd::{Level, dispatch};
use image::RgbImage;
use nalgebra::Vector2;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::sync::{LazyLock, OnceLock};

#[derive(Deserialize)]
struct Document {
    srgb: BTreeMap<String, Vec<[f32; 3]>>,
}

static PRINTED: LazyLock<BTreeMap<String, Vec<[f32; 3]>>> = LazyLock::new(|| {
    serde_json::from_str::<Document>(include_str!("../../calibration/face-colours.json"))
        .map(|d| d.srgb)
        .unwrap_or_default()
});

/// The looks of a printed colour in neutral light, 8-bit sRGB: the rulebook's ink first, then other inks in use.
fn inks(colour: Colour) -> &'static [[f32; 3]] {
    PRINTED.get(colour.name()).map_or(&[], Vec::as_slice)
}

/// Usual look of a printed colour in neutral light, 8-bit sRGB.
pub(super) fn printed(colour: Colour) -> [f32; 3] {
    inks(colour).first().copied().unwrap_or([128.0; 3])
}

/// The same in linear light, 0–1.
pub(super) fn printed_linear(colour: Colour) -> [f32; 3] {
    printed(colour).map(|v| LINEAR_FROM_BYTE[usize::from(byte(v))])
}

/// Added before taking logarithms, so that noise in the dark does not count as colour (8-bit levels).
const DARK_LEVEL: f32 = 8.0;

/// Logarithm of an 8-bit colour: a change of light adds the same to a whole neighbourhood and drops out of differences.
pub(super) fn log_colour(c: [f32; 3]) -> [f32; 3] {
    c.map(|v| (v + DARK_LEVEL).ln())
}

/// Steps of the log colour that a boundary between two printed colours makes, going outwards: that of the usual inks first, then
/// those of other inks that differ from the steps before them.
pub(super) fn log_steps(inside: Colour, outside: Colour) -> Vec<[f32; 3]> {
    // steps with at least this cosine and at most this ratio of sizes look the same to the search
    const ALIKE_COSINE_AND_RATIO: (f32, f32) = (0.95, 1.25);
    let mut steps: Vec<[f32; 3]> = Vec::new();
    for a in inks(inside) {
        for b in inks(outside) {
            let (a, b) = (log_colour(*a), log_colour(*b));
            let step = [b[0] - a[0], b[1] - a[1], b[2] - a[2]];
            let alike = |other: &[f32; 3]| {
                let (m, n) = (norm(&step), norm(other));
                dot(&step, other) > ALIKE_COSINE_AND_RATIO.0 * m * n
                    && m < ALIKE_COSINE_AND_RATIO.1 * n
                    && n < ALIKE_COSINE_AND_RATIO.1 * m
            };
            if !steps.iter().any(alike) {
                steps.push(step);
            }
        }
    }
    steps
}

/// Scalar product of two log colours.
pub(super) fn dot(a: &[f32; 3], b: &[f32; 3]) -> f32 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// Length of a log colour.
pub(super) fn norm(a: &[f32; 3]) -> f32 {
    dot(a, a).sqrt()
}

/// Share of the print's contrast that light and age have left.
#[derive(Clone, Copy, Debug)]
pub(super) enum Contrast {
    /// All of it.
    Full,
    /// Half of it: bleached, or behind stray light.
    Half,
}

impl Contrast {
    const ALL: [Self; 2] = [Self::Full, Self::Half];

    pub(super) const fn share(self) -> f32 {
        match self {
            Self::Full => 1.0,
            Self::Half => 0.5,
        }
    }
}

/// How the print of a face is expected to look.
#[derive(Clone, Copy, Debug)]
pub(super) struct PrintAppearance {
    pub(super) contrast: Contrast,
    /// Whether other inks than the usual ones are tried.
    pub(super) all_inks: bool,
}

/// Appearances of the print that are searched for in turn: the usual inks, fresh, in plain light; any inks; any inks at half the
/// contrast.
pub(super) const PRINT_APPEARANCES: [PrintAppearance; 3] = [
    PrintAppearance {
        contrast: Contrast::Full,
        all_inks: false,
    },
    PrintAppearance {
        contrast: Contrast::Full,
        all_inks: true,
    },
    PrintAppearance {
        contrast: Contrast::Half,
        all_inks: true,
    },
];

/// Mid grey, log colour.
const MID_GREY: f32 = 4.9;
/// Largest range of a grey's channels, log colour.
const MAX_GREY_RANGE: f32 = 0.45;

/// The bit of a colour in [`LogColourCopy::possible_colours`].
pub(super) const fn bit(colour: Colour) -> u8 {
    1 << colour as u8
}

/// The printed colours that a log colour may be, one [`bit`] each, where that share of contrast is left; generous, since
/// boundaries decide.
#[inline(always)]
fn possible_colours([r, g, b]: [f32; 3], contrast: f32) -> u8 {
    let (least, most) = (r.min(g).min(b), r.max(g).max(b));
    let grey = most - least < MAX_GREY_RANGE;
    let yellow = (r.min(g) - b > 0.30 * contrast) & ((r - g).abs() < 0.45);
    let red = r - g.max(b) > 0.40 * contrast;
    let blue = b - r > 0.28 * contrast;
    let black = (most < MID_GREY) & grey;
    let white = (least > MID_GREY) & grey;
    u8::from(yellow) * bit(Colour::Yellow)
        + u8::from(red) * bit(Colour::Red)
        + u8::from(blue) * bit(Colour::Blue)
        + u8::from(black) * bit(Colour::Black)
        + u8::from(white) * bit(Colour::White)
}

#[inline(always)]
fn possible_colours_of_all(pixels: &[[f32; 3]], contrast: f32) -> Vec<u8> {
    let each = pixels.iter().map(|p| possible_colours(*p, contrast));
    each.collect()
}

/// A copy of the photo reduced by a whole factor through area averages, as log colours.
pub(super) struct LogColourCopy {
    pub(super) width: usize,
    pub(super) height: usize,
    /// Pixels of the photo per pixel here, each way.
    pub(super) factor: f64,
    log: Vec<[f32; 3]>,
    /// The printed colours that each pixel may be, at each contrast: worked out when first asked for.
    possible: [OnceLock<Vec<u8>>; Contrast::ALL.len()],
    /// The same at half the size, where that is still of use.
    coarser: Option<Box<LogColourCopy>>,
}

/// Least shorter side of the coarsest copy, px.
const MIN_COARSE_SIDE_PX: usize = 60;

impl LogColourCopy {
    /// Reduces `pixels` so that the longer side comes nearest to `side`.
    pub(super) fn new(pixels: &RgbImage, side: u32) -> Self {
        let (w, h) = pixels.dimensions();
        let factor = ((w.max(h) + side / 2) / side).max(1);
        let (width, height) = (w / factor, h / factor);
        let mut log = Vec::with_capacity(width as usize * height as usize);
        // the logarithm of every mean that there can be
        let cell = factor * factor;
        #[expect(
            clippy::cast_precision_loss,
            reason = "sums of bytes over at most 18 × 18 pixels"
        )]
        let log_of: Vec<f32> = (0..=255 * cell)
            .map(|sum| log_colour([sum as f32 / cell as f32; 3])[0])
            .collect();
        let stride = 3 * w as usize;
        // columns of at most 18 bytes, then cells of 18 × 18
        let mut sums = vec![0u16; stride];
        let bands = pixels.as_raw().chunks_exact(stride * factor as usize);
        for band in bands.take(height as usize) {
            sums.fill(0);
            for row in band.chunks_exact(stride) {
                for (sum, v) in sums.iter_mut().zip(row) {
                    *sum += u16::from(*v);
                }
            }
            let cells = sums.chunks_exact(3 * factor as usize);
            log.extend(cells.map(|cell| {
                let mut sum = [0usize; 3];
                for p in cell.chunks_exact(3) {
                    for k in 0..3 {
                        sum[k] += usize::from(p[k]);
                    }
                }
                sum.map(|s| log_of[s])
            }));
        }
        Self::with_coarser(width as usize, height as usize, f64::from(factor), log)
    }

    fn with_coarser(width: usize, height: usize, factor: f64, log: Vec<[f32; 3]>) -> Self {
        let (half_width, half_height) = (width / 2, height / 2);
        let coarser = (half_width.min(half_height) >= MIN_COARSE_SIDE_PX).then(|| {
            let mut half = Vec::with_capacity(half_width * half_height);
            for rows in log.chunks_exact(2 * width) {
                let (above, below) = rows.split_at(width);
                let cells = above.chunks_exact(2).zip(below.chunks_exact(2));
                half.extend(cells.map(|(a, b)| {
                    [0, 1, 2].map(|k| 0.25 * ((a[0][k] + a[1][k]) + (b[0][k] + b[1][k])))
                }));
            }
            Box::new(Self::with_coarser(
                half_width,
                half_height,
                2.0 * factor,
                half,
            ))
        });
        Self {
            width,
            height,
            factor,
            log,
            possible: [const { OnceLock::new() }; Contrast::ALL.len()],
            coarser,
        }
    }

    /// The coarsest copy in which a length of `px` here is still `least` px long.
    pub(super) fn for_length(&self, px: f64, least: f64) -> &Self {
        match &self.coarser {
            Some(coarser) if px >= 2.0 * least => coarser.for_length(0.5 * px, least),
            _ => self,
        }
    }

    /// The copy of half the size, unless that would be too small.
    pub(super) fn halved(&self) -> &Self {
        self.coarser.as_deref().unwrap_or(self)
    }

    pub(super) fn at(&self, x: usize, y: usize) -> [f32; 3] {
        self.log
            .get(y * self.width + x)
            .copied()
            .unwrap_or_default()
    }

    /// The printed colours that each pixel may be, row after row, one [`bit`] each.
    pub(super) fn possible_colours(&self, contrast: Contrast) -> &[u8] {
        self.possible[contrast as usize].get_or_init(|| {
            let share = contrast.share();
            // in the widest vectors that there are: comparisons, so that the bits don't depend on them
            dispatch!(Level::new(), _simd => possible_colours_of_all(&self.log, share))
        })
    }

    /// The sums of the colours of the pixels nearest to the first 0, 1, 2 … of so many places from `start` on, `step` apart, as far as
    /// they lie in the picture.
    pub(super) fn sums_along(
        &self,
        start: Vector2<f64>,
        step: Vector2<f64>,
        places: usize,
        sums: &mut [Vec<f32>; 3],
    ) {
        // whole numbers of a small part of a pixel: exact steps, and no conversion at every place
        const PARTS: u32 = 24;
        let parts = |v: f64| round_i64(v * f64::from(1 << PARTS));
        let (mut x, mut y) = (parts(start.x + 0.5), parts(start.y + 0.5));
        let (dx, dy) = (parts(step.x), parts(step.y));
        for of_channel in &mut *sums {
            of_channel.clear();
            of_channel.resize(places + 1, 0.0);
        }
        let mut sum = [0f32; 3];
        let mut seen = 0;
        let [reds, greens, blues] = sums.each_mut().map(|s| s[1..].iter_mut());
        for ((red, green), blue) in reds.zip(greens).zip(blues) {
            let (Ok(i), Ok(j)) = (usize::try_from(x >> PARTS), usize::try_from(y >> PARTS)) else {
                break;
            };
            if i >= self.width || j >= self.height {
                break;
            }
            let colour = &self.log[j * self.width + i];
            for k in 0..3 {
                sum[k] += colour[k];
            }
            [*red, *green, *blue] = sum;
            seen += 1;
            (x, y) = (x + dx, y + dy);
        }
        for of_channel in sums {
            of_channel.truncate(seen + 1);
        }
    }

    /// Colour of the nearest pixel, `None` outside the picture.
    pub(super) fn near(&self, p: ImagePoint) -> Option<[f32; 3]> {
        let (x, y) = (p.x + 0.5, p.y + 0.5);
        if !(x >= 0.0 && y >= 0.0) {
            return None;
        }
        let (x, y) = (floor_index(x), floor_index(y));
        (x < self.width && y < self.height).then(|| self.at(x, y))
    }

    /// A place here as a place of the photo.
    pub(super) fn in_photo(&self, p: ImagePoint) -> ImagePoint {
        p.enlarged(self.factor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::Rgb;

    #[test]
    fn steps_do_not_depend_on_light() {
        let step = |light: [f32; 3]| {
            let seen = |c: Colour| {
                let p = printed(c);
                log_colour([p[0] * light[0], p[1] * light[1], p[2] * light[2]])
            };
            let (a, b) = (seen(Colour::Yellow), seen(Colour::Red));
            b[1] - a[1]
        };
        assert!((step([1.0; 3]) - step([0.8, 0.6, 0.4])).abs() < 0.2);
        assert!(log_steps(Colour::Yellow, Colour::Red)[0][1] < -1.0);
    }

    #[test]
    fn reducing_averages_whole_cells() {
        let p = RgbImage::from_fn(9, 4, |x, _| {
            if x % 2 == 0 {
                Rgb([10, 0, 0])
            } else {
                Rgb([30, 0, 0])
            }
        });
        let r = LogColourCopy::new(&p, 4);
        assert_eq!((r.width, r.height), (4, 2));
        assert!((r.at(1, 1)[0] - log_colour([20.0, 0.0, 0.0])[0]).abs() < 1e-6);
        assert!(
            r.near(ImagePoint::new(-0.6, 0.0)).is_none()
                && r.near(ImagePoint::new(3.4, 0.0)).is_some()
        );
        assert_eq!(
            r.in_photo(ImagePoint::new(0.0, 0.0)),
            ImagePoint::new(0.5, 0.5)
        );
    }
}
