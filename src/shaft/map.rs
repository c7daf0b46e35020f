//! The face map: the face plane resampled straight on, a pixel per millimetre, as the net sees it.

use super::lanes;
use super::net::{MAP_MULTIPLE, MapNet};
use super::picture::ReducedPhoto;
use super::tensor::Tensor;
use super::view_geometry::ViewGeometry;
use crate::geometry::{FacePoint, ImagePoint};
use crate::math::{floor_index, single};
use fearless_simd::dispatch;

/// How far beyond the printed rings shafts are looked for, mm. Bare shafts leave the face by less in all but wild cases.
const MARGIN_MM: f64 = 200.0;
/// Half the side of a large boss, mm (common practice: up to some 150 cm, where butts are to have 124 cm at least): beyond it no
/// shaft stands, but some way beyond the rings it is looked for whatever the boss.
const BOSS_MM: f64 = 760.0;
const MIN_MARGIN_MM: f64 = 100.0;
/// Largest side of a map, mm.
const MAX_MM: f64 = 3072.0;
/// What stands for places outside the picture, 0–255: middle grey, as in the maps that the net was fitted on.
const OUTSIDE_GREY: f32 = 127.0;

/// Side of the squares whose corners are looked up in the camera, px; a map's sides are multiples of it.
const SQUARE: usize = 8;

/// The point that lies so far from the one to the other.
#[inline(always)]
fn between(a: ImagePoint, b: ImagePoint, share: f64) -> ImagePoint {
    ImagePoint::new(a.x + share * (b.x - a.x), a.y + share * (b.y - a.y))
}

/// Where a face map lies and what its pixels show.
pub(crate) struct FaceMap {
    /// Face x of the first column, mm.
    pub(crate) left_mm: f64,
    /// Face y of the first row, mm; rows go down.
    pub(crate) top_mm: f64,
    /// Columns, 1 mm each.
    pub(crate) width: usize,
    /// Rows, 1 mm each.
    pub(crate) height: usize,
    foot: FacePoint,
    distance_mm: f64,
}

/// The face rectangle worth looking at: left, top, columns, rows. Only the part that the picture shows.
fn extent(
    geometry: &ViewGeometry,
    shown: impl Fn(FacePoint) -> bool,
) -> Option<(f64, f64, usize, usize)> {
    const TILE: f64 = MAP_MULTIPLE as f64;
    // by whole tiles less: what the net sees of a place doesn't depend on how far out it looks
    let too_far = geometry.outer_radius_mm + MARGIN_MM
        - BOSS_MM.max(geometry.outer_radius_mm + MIN_MARGIN_MM);
    let reach = geometry.outer_radius_mm + MARGIN_MM - TILE * (too_far / TILE).ceil().max(0.0);
    let range = |coordinate: fn(&FacePoint) -> f64| {
        let values = geometry.spot_centres.iter().map(coordinate);
        let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| {
            (a.min(v), b.max(v))
        });
        (low - reach, high + reach)
    };
    let ((x0, x1), (y0, y1)) = (range(|p| p.x), range(|p| p.y));
    let sizes = [x1 - x0, y1 - y0];
    if !sizes.iter().all(|s| (TILE..=MAX_MM).contains(s)) {
        return None;
    }
    let tiles = sizes.map(|s| floor_index(s / TILE));
    let (mut columns, mut rows) = ((usize::MAX, 0), (usize::MAX, 0));
    for j in 0..tiles[1] {
        for i in 0..tiles[0] {
            // the tile's corners and middle
            let seen = [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0), (0.5, 0.5)]
                .iter()
                .any(|(u, v)| {
                    shown(FacePoint::new(
                        x0 + TILE * (i as f64 + u),
                        y1 - TILE * (j as f64 + v),
                    ))
                });
            if seen {
                columns = (columns.0.min(i), columns.1.max(i + 1));
                rows = (rows.0.min(j), rows.1.max(j + 1));
            }
        }
    }
    (columns.0 < columns.1).then(|| {
        let (left, top) = (x0 + TILE * columns.0 as f64, y1 - TILE * rows.0 as f64);
        (
            left,
            top,
            (columns.1 - columns.0) * MAP_MULTIPLE,
            (rows.1 - rows.0) * MAP_MULTIPLE,
        )
    })
}

impl FaceMap {
    /// Where it lies. `None` when no part of the face's surroundings is in the picture.
    pub(crate) fn new(photo: &ReducedPhoto, geometry: &ViewGeometry) -> Option<Self> {
        let centre = geometry.centre_mm();
        if !centre.iter().all(|v| v.is_finite()) || centre.z <= 1.0 {
            return None;
        }
        let shown = |p: FacePoint| pixel(geometry, p).is_some_and(|q| photo.contains(q));
        let (left_mm, top_mm, width, height) = extent(geometry, shown)?;
        Some(Self {
            left_mm,
            top_mm,
            width,
            height,
            foot: FacePoint::new(centre.x, centre.y),
            distance_mm: centre.z,
        })
    }

    /// The face point at map column `x` and row `y`.
    pub(crate) fn point(&self, x: f64, y: f64) -> FacePoint {
        FacePoint::new(self.left_mm + x, self.top_mm - y)
    }

    /// The cell (fractional column and row; whole at its centre) that shows a face point.
    pub(crate) fn cell(&self, p: FacePoint) -> (f64, f64) {
        (
            (p.x - self.left_mm - 0.5) / 2.0,
            (self.top_mm - p.y - 0.5) / 2.0,
        )
    }

    /// Where the camera stands over the face plane, mm.
    pub(crate) fn foot(&self) -> FacePoint {
        self.foot
    }

    /// The camera's distance from the face plane, mm.
    pub(crate) fn distance_mm(&self) -> f64 {
        self.distance_mm
    }

    /// The net's input: per cell of 2 × 2 px three colours of four pixels, then direction away from the foot and tangent of the view angle.
    pub(crate) fn cells(&self, photo: &ReducedPhoto, geometry: &ViewGeometry) -> Tensor {
        let place = |i: usize, j: usize| self.point(j as f64, i as f64);
        // between the corners of a small square the camera is linear to a hundredth of a pixel
        let across = self.width / SQUARE + 1;
        let corners: Vec<Option<ImagePoint>> = (0..=self.height / SQUARE)
            .flat_map(|i| (0..across).map(move |j| (i, j)))
            .map(|(i, j)| pixel(geometry, place(SQUARE * i, SQUARE * j)).map(|p| photo.place(p)))
            .collect();
        let (columns, rows) = (self.width / 2, self.height / 2);
        let mut cells = Tensor::zeros_with_room(columns, rows, MapNet::INPUTS, MapNet::ROOM);
        let level = lanes::level();
        cells.fill_rows(|j, row| {
            dispatch!(level, _simd => self.colour_planes(j, row, photo, geometry, &corners));
            let mut planes = vec![[0f32; 3]; row.len() / MapNet::INPUTS];
            dispatch!(level, _simd => self.direction_planes(j, &mut planes));
            for (cell, planes) in row.chunks_exact_mut(MapNet::INPUTS).zip(&planes) {
                cell[12..].copy_from_slice(planes);
            }
        });
        cells
    }

    /// Of each cell of a row the colours of its four pixels; `corners` are the places of the squares' corners in the copy.
    #[inline(always)]
    fn colour_planes(
        &self,
        j: usize,
        row: &mut [f32],
        photo: &ReducedPhoto,
        geometry: &ViewGeometry,
        corners: &[Option<ImagePoint>],
    ) {
        let across = self.width / SQUARE + 1;
        for (down, i) in [2 * j, 2 * j + 1].into_iter().enumerate() {
            let share = (i % SQUARE) as f64 / SQUARE as f64;
            let (above, below) = corners[i / SQUARE * across..].split_at(across);
            // where the edges between squares cross the row
            let edges = above.iter().zip(below);
            let edges: Vec<Option<ImagePoint>> = edges
                .map(|(a, b)| Some(between((*a)?, (*b)?, share)))
                .collect();
            let squares = row.chunks_exact_mut(SQUARE / 2 * MapNet::INPUTS);
            for (j, (cells, edges)) in squares.zip(edges.windows(2)).enumerate() {
                for k in 0..SQUARE {
                    let at = match edges {
                        [Some(left), Some(right)] => {
                            Some(between(*left, *right, k as f64 / SQUARE as f64))
                        }
                        _ => {
                            let at = self.point((SQUARE * j + k) as f64, i as f64);
                            pixel(geometry, at).map(|p| photo.place(p))
                        }
                    };
                    // no closures: they would be compiled without the vectors
                    let seen = match at {
                        Some(at) => photo.colour_at(at),
                        None => None,
                    };
                    let [red, green, blue] = match seen {
                        Some(colour) => colour,
                        None => [OUTSIDE_GREY; 3],
                    };
                    let first = k / 2 * MapNet::INPUTS + 2 * down + k % 2;
                    cells[first] = red / 255.0 - 0.5;
                    cells[first + 4] = green / 255.0 - 0.5;
                    cells[first + 8] = blue / 255.0 - 0.5;
                }
            }
        }
    }

    /// Of each cell of a row the unit vector away from the foot and the tangent of the view angle, means over its four pixels.
    #[inline(always)]
    fn direction_planes(&self, row: usize, planes: &mut [[f32; 3]]) {
        let (foot_x, foot_y) = (self.foot.x - self.left_mm, self.top_mm - self.foot.y);
        let first = 2.0 * row as f64 - foot_y;
        for (i, planes) in planes.iter_mut().enumerate() {
            let left = 2.0 * i as f64 - foot_x;
            let mut sum = [0f32; 3];
            for (dx, dy) in [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)] {
                let (x, y) = (left + dx, first + dy);
                let r = (x * x + y * y).sqrt() + 1e-3;
                sum[0] += single(x / r) / 4.0;
                sum[1] += single(y / r) / 4.0;
                sum[2] += single((r / self.distance_mm).min(2.0)) / 4.0;
            }
            *planes = sum;
        }
    }
}

/// The pixel that shows a face point, where there is one.
fn pixel(geometry: &ViewGeometry, p: FacePoint) -> Option<ImagePoint> {
    let q = geometry.image_from_face(p)?;
    (q.x.is_finite() && q.y.is_finite()).then_some(q)
}
