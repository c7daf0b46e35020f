//! The face plane around the rings, seen straight on.

use crate::geometry::camera::Camera;
use crate::geometry::{FacePoint, ImagePoint};
use crate::imaging::linear_light;
use crate::math::{count, floor_index, median};
use fearless_simd::{Level, dispatch};
use image::RgbImage;
use nalgebra::Vector2;

/// Cells per outer radius of the rings.
pub(super) const CELLS_PER_RADIUS: usize = 100;
/// Half width of the surroundings looked at, in outer radii.
const HALF_WIDTH_RADII: f64 = 2.4;
/// Added to linear light before taking logarithms.
pub(super) const LOG_OFFSET: f32 = 0.01;

/// Surroundings in the frame of one side: `u` outwards, `v` along, in cells; log colours.
pub(super) struct Map {
    pub(super) n: usize,
    pub(super) cells: Vec<[f32; 3]>,
}

impl Map {
    pub(super) fn at(&self, x: usize, y: usize) -> [f32; 3] {
        self.cells[y * self.n + x]
    }

    /// Side 0 right, 1 top, 2 left, 3 bottom.
    pub(super) fn turned(&self, side: usize, u: usize, v: usize) -> [f32; 3] {
        let last = self.n - 1;
        match side {
            0 => self.at(u, v),
            1 => self.at(last - v, u),
            2 => self.at(last - u, last - v),
            _ => self.at(v, last - u),
        }
    }
}

/// Cells from one place that is projected to the next; between them the way into the picture is taken for straight.
const CELLS_PER_KNOT: usize = 8;

pub(super) fn resample(pixels: &RgbImage, camera: &Camera, cell: f64) -> Map {
    let half = HALF_WIDTH_RADII * count(CELLS_PER_RADIUS);
    let n = 2 * floor_index(half) + 1;
    let middle = count(n / 2);
    let knots = n.div_ceil(CELLS_PER_KNOT) + 1;
    // a quarter of a cell ahead, where the first sample lies
    let knot = |k: usize| (count(k * CELLS_PER_KNOT) - middle - 0.25) * cell;
    let projected: Vec<Option<ImagePoint>> = (0..knots * knots)
        .map(|i| camera.image_from_face(FacePoint::new(knot(i % knots), knot(i / knots))))
        .collect();
    let mut cells = vec![[f32::NAN; 3]; n * n];
    dispatch!(Level::new(), _simd => fill(&mut cells, n, pixels, &projected));
    Map { n, cells }
}

/// Fills a map of `n` rows from the places of its knots in the picture, px.
#[inline(always)]
fn fill(cells: &mut [[f32; 3]], n: usize, pixels: &RgbImage, projected: &[Option<ImagePoint>]) {
    let knots = n.div_ceil(CELLS_PER_KNOT) + 1;
    for (y, row) in cells.chunks_exact_mut(n).enumerate() {
        for (square, cells) in row.chunks_mut(CELLS_PER_KNOT).enumerate() {
            let first = y / CELLS_PER_KNOT * knots + square;
            let corners = [first, first + 1, first + knots, first + knots + 1];
            let [Some(a), Some(b), Some(c), Some(d)] = corners.map(|i| projected[i]) else {
                continue;
            };
            // bilinear: place = a + u·right + v·(down + u·twist), u and v from 0 to 1 across the square
            let vector = |p: ImagePoint| Vector2::new(p.x, p.y);
            let (a, b, c, d) = (vector(a), vector(b), vector(c), vector(d));
            let (right, down, twist) = (b - a, c - a, (d - c) - (b - a));
            let row = count(y % CELLS_PER_KNOT);
            for (x, seen) in cells.iter_mut().enumerate() {
                // two samples a cell, on its diagonal, tame the noise
                let mut sum = [0.0; 3];
                for o in [0.0, 0.5] {
                    let (u, v) = (
                        (count(x) + o) / count(CELLS_PER_KNOT),
                        (row + o) / count(CELLS_PER_KNOT),
                    );
                    let p = a + right * u + (down + twist * u) * v;
                    let c =
                        linear_light(pixels, ImagePoint::new(p.x, p.y)).unwrap_or([f32::NAN; 3]);
                    for k in 0..3 {
                        sum[k] += 0.5 * c[k];
                    }
                }
                *seen = sum.map(|v| (v + LOG_OFFSET).ln());
            }
        }
    }
}

/// Median log colour of a circle, its radius in outer radii.
pub(super) fn paper_colour(map: &Map, at: f64) -> [f32; 3] {
    let middle = count(map.n / 2);
    let r = at * count(CELLS_PER_RADIUS);
    let mut out = [0.0; 3];
    for (k, o) in out.iter_mut().enumerate() {
        let mut values: Vec<f64> = (0..120)
            .map(|i| f64::from(i) * std::f64::consts::TAU / 120.0)
            .map(|a| {
                let (x, y) = (
                    floor_index(middle + r * a.cos() + 0.5),
                    floor_index(middle + r * a.sin() + 0.5),
                );
                f64::from(map.at(x.min(map.n - 1), y.min(map.n - 1))[k])
            })
            .filter(|v| v.is_finite())
            .collect();
        #[expect(clippy::cast_possible_truncation, reason = "a colour")]
        let value = median(&mut values) as f32;
        *o = value;
    }
    out
}
