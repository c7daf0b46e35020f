//! Rays from the camera into the scene: what each shows, and how bright it is.

use super::Rgb;
use super::arrow::{Hit, Part, Ray};
use super::random::{mix, unit};
use super::scene::Scene;
use crate::geometry::{FacePoint, ImagePoint};
use crate::math::{count, floor_index, single};
use nalgebra::{Vector2, Vector3};
use rayon::prelude::*;

/// What is seen in one direction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum VisibleSurface {
    /// A shaft: its number in the truth, the part, and how far from the entry along the axis, mm.
    Shaft(usize, Part, f64),
    /// The sheet with the face, at this place.
    Paper(FacePoint),
    /// The boss's front, at this place of the face plane's frame.
    Boss(FacePoint),
    /// Anything else.
    Other,
}

/// Side of a tile, px.
const TILE: usize = 16;
/// Samples along each side of a pixel that needs more than one.
const FINE: usize = 3;
/// A pixel of the first pass that must be looked at more closely.
const EDGE: u32 = 1 << 31;
/// Shafts thinner than this in the picture need several samples wherever they may be, px.
const THIN_PX: f64 = 2.5;
/// Steps of the table that undoes the lens's distortion.
const STEPS: usize = 4096;

/// The linear picture: three numbers a pixel, row by row.
pub(super) struct Linear {
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) data: Vec<f32>,
}

/// Rays of a camera, with the lens's distortion undone by a table.
struct Rays<'a> {
    scene: &'a Scene,
    centre: Vector3<f64>,
    columns: [Vector3<f64>; 3],
    /// Undistorted radius over distorted radius at even steps of the latter's square; none beyond the lens's turning point.
    undo: Vec<f64>,
    per_step: f64,
}

impl<'a> Rays<'a> {
    fn new(scene: &'a Scene) -> Self {
        let camera = &scene.taken.camera;
        let lens = &camera.lens;
        let (w, h) = (f64::from(scene.taken.width), f64::from(scene.taken.height));
        let farthest = [0.0, w]
            .iter()
            .flat_map(|x| [0.0, h].map(|y| (x - lens.cx_px).hypot(y - lens.cy_px)))
            .fold(0.0, f64::max)
            / lens.f_px
            + 1e-3;
        let per_step = count(STEPS) / (farthest * farthest);
        let undo = (0..=STEPS + 1)
            .map(|k| {
                let r = (count(k) / per_step).sqrt();
                let at = ImagePoint::new(lens.cx_px + r * lens.f_px, lens.cy_px);
                match lens.normalised_from_pixel(at) {
                    Some(u) if r > 1e-9 => u.x / r,
                    Some(_) => 1.0,
                    None => f64::NAN,
                }
            })
            .collect();
        let back = camera.pose.rotation.transpose();
        Self {
            scene,
            centre: camera.centre_mm(),
            columns: [0, 1, 2].map(|k| back.column(k).into_owned()),
            undo,
            per_step,
        }
    }

    fn through(&self, x: f64, y: f64) -> Ray {
        let lens = &self.scene.taken.camera.lens;
        let d = Vector2::new((x - lens.cx_px) / lens.f_px, (y - lens.cy_px) / lens.f_px);
        let at = d.norm_squared() * self.per_step;
        let k = floor_index(at).min(STEPS);
        let share = at - count(k);
        let undo = self.undo[k] + share * (self.undo[k + 1] - self.undo[k]);
        // beyond the turning point there is no ray: such corners show what lies straight ahead of the axis
        let u = if undo.is_finite() { d * undo } else { d };
        let [right, down, ahead] = self.columns;
        Ray {
            from: self.centre,
            toward: (right * u.x + down * u.y + ahead).normalize(),
        }
    }
}

/// Brightness and kind of what a ray meets.
struct Sample {
    colour: Rgb,
    /// Which thing, to tell neighbours apart.
    which: u32,
    edge: bool,
}

impl Scene {
    /// The picture in linear light.
    pub(super) fn trace(&self) -> Linear {
        let (width, height) = (self.taken.width as usize, self.taken.height as usize);
        let rays = Rays::new(self);
        let tiles = self.tiles(width, height);
        let tile_columns = width.div_ceil(TILE);
        // shafts so thin in the picture that they could slip through between the centres of pixels
        let camera = &self.taken.camera;
        let widths = self.shafts.iter().map(|s| 2.0 * s.appearance.radius);
        let thin = widths.fold(f64::INFINITY, f64::min) * camera.lens.f_px
            < THIN_PX * camera.centre_mm().norm();
        let mut data = vec![0.0f32; width * height * 3];
        let mut labels = vec![0u32; width * height];
        data.par_chunks_mut(width * 3)
            .zip(labels.par_chunks_mut(width))
            .enumerate()
            .for_each(|(y, (row, labels))| {
                for (x, (pixel, label)) in row.chunks_exact_mut(3).zip(labels).enumerate() {
                    let near = &tiles[(y / TILE) * tile_columns + x / TILE];
                    if thin && !near.is_empty() {
                        *label = EDGE;
                        continue;
                    }
                    let sample = self.sample(&rays.through(count(x), count(y)), near);
                    for (p, c) in pixel.iter_mut().zip(sample.colour) {
                        *p = single(c);
                    }
                    *label = sample.which | if sample.edge { EDGE } else { 0 };
                }
            });
        data.par_chunks_mut(width * 3)
            .enumerate()
            .for_each(|(y, row)| {
                for (x, pixel) in row.chunks_exact_mut(3).enumerate() {
                    let at = y * width + x;
                    let differs = |other: usize| (labels[other] ^ labels[at]) & !EDGE != 0;
                    let fine = labels[at] & EDGE != 0
                        || (x > 0 && differs(at - 1))
                        || (x + 1 < width && differs(at + 1))
                        || (y > 0 && differs(at - width))
                        || (y + 1 < height && differs(at + width));
                    if fine {
                        let near = &tiles[(y / TILE) * tile_columns + x / TILE];
                        let colour = self.fine(&rays, x, y, near);
                        for (p, c) in pixel.iter_mut().zip(colour) {
                            *p = single(c);
                        }
                    }
                }
            });
        Linear {
            width,
            height,
            data,
        }
    }

    /// Mean of several samples spread over a pixel.
    fn fine(&self, rays: &Rays, x: usize, y: usize, near: &[usize]) -> Rgb {
        let mut sum = [0.0; 3];
        let mut noise = mix(self.seed ^ ((x as u64) << 32 | y as u64));
        for j in 0..FINE {
            for i in 0..FINE {
                noise = mix(noise);
                let (u, v) = (unit(noise), unit(noise << 24));
                let px = count(x) - 0.5 + (count(i) + u) / count(FINE);
                let py = count(y) - 0.5 + (count(j) + v) / count(FINE);
                let sample = self.sample(&rays.through(px, py), near);
                for (s, c) in sum.iter_mut().zip(sample.colour) {
                    *s += c;
                }
            }
        }
        sum.map(|s| s / count(FINE * FINE))
    }

    /// The shafts that each tile of the picture may show.
    fn tiles(&self, width: usize, height: usize) -> Vec<Vec<usize>> {
        let (columns, rows) = (width.div_ceil(TILE), height.div_ceil(TILE));
        let mut tiles = vec![Vec::new(); columns * rows];
        let camera = &self.taken.camera;
        for (k, shaft) in self.shafts.iter().enumerate() {
            let step = 4.0;
            let steps = floor_index(shaft.stands_out / step) + 2;
            for s in 0..=steps {
                let along = count(s) * step - step;
                let point = shaft.point(along);
                let depth = (camera.pose.rotation * point + camera.pose.translation_mm).z;
                let Some(px) = camera.project(point) else {
                    continue;
                };
                let reach = shaft
                    .reach(along)
                    .max(shaft.reach(along + step))
                    .max(shaft.reach(along - step));
                let reach = (reach + step) * camera.lens.f_px / depth * 1.3 + 2.0;
                let range = |c: f64, n: usize| {
                    let low = floor_index((c - reach) / count(TILE));
                    let high = floor_index((c + reach) / count(TILE));
                    low..(high + 1).min(n)
                };
                if px.x + reach < 0.0 || px.y + reach < 0.0 {
                    continue;
                }
                for row in range(px.y, rows) {
                    for column in range(px.x, columns) {
                        let tile: &mut Vec<usize> = &mut tiles[row * columns + column];
                        if tile.last() != Some(&k) {
                            tile.push(k);
                        }
                    }
                }
            }
        }
        tiles
    }

    /// The nearest shaft on a ray before `limit`.
    fn nearest_shaft(&self, ray: &Ray, near: &[usize], limit: f64) -> Option<(usize, Hit)> {
        let mut best: Option<(usize, Hit)> = None;
        for &k in near {
            let limit = best.map_or(limit, |(_, h)| h.distance);
            if let Some(hit) = self.shafts[k].hit(ray, limit) {
                best = Some((k, hit));
            }
        }
        best
    }

    /// Where a ray meets the sheet, which isn't flat.
    fn on_paper(&self, ray: &Ray) -> Option<(f64, FacePoint)> {
        if ray.toward.z >= 0.0 {
            return None;
        }
        let at = |height: f64| {
            let distance = (height - ray.from.z) / ray.toward.z;
            let p = ray.at(distance);
            (distance, FacePoint::new(p.x, p.y))
        };
        let (_, flat) = at(0.0);
        if self.paper.inside(flat) < -10.0 {
            return None;
        }
        // the waves are so low and long that the height at the flat sheet's point will do
        let (distance, place) = at(self.paper.height(flat));
        (distance > 0.0 && self.paper.covers(place)).then_some((distance, place))
    }

    fn sample(&self, ray: &Ray, near: &[usize]) -> Sample {
        let pixel = 0.75 / self.taken.camera.lens.f_px;
        let paper = self.on_paper(ray);
        let limit = paper.map_or(f64::INFINITY, |(d, _)| d);
        let shaft = self.nearest_shaft(ray, near, limit);
        if let (Some((distance, place)), None) = (paper, &shaft) {
            return self.paper_sample(ray, distance, place, pixel);
        }
        if let (Some(_), Some((k, hit))) = (paper, &shaft) {
            return self.shaft_sample(ray, *k, hit);
        }
        let surface = self.boss.hit(ray, pixel);
        if let Some((k, hit)) = shaft.filter(|(_, h)| h.distance < surface.distance) {
            return self.shaft_sample(ray, k, &hit);
        }
        if surface.which == 6 {
            return Sample {
                colour: surface.colour,
                which: 6,
                edge: false,
            };
        }
        let point = ray.at(surface.distance);
        let mut shaded = 0.0;
        let lit = self.light.on(point, surface.normal, |source| {
            let seen = if surface.front {
                self.seen_from(point, source)
            } else if surface.which == 4 {
                0.9
            } else {
                1.0
            };
            shaded += 1.0 - seen;
            seen
        });
        Sample {
            colour: [0, 1, 2].map(|k| surface.colour[k] * lit[k]),
            which: u32::from(surface.which) | level(shaded),
            edge: surface.edge,
        }
    }

    /// Share of a source that a point of paper or boss sees past shafts and paper.
    fn seen_from(&self, point: Vector3<f64>, source: usize) -> f64 {
        let light = &self.light.sources[source];
        let mut seen = 1.0;
        for &(k, shaft) in self.shades.at(point.x, point.y) {
            if k == source {
                seen *= 1.0 - self.shafts[shaft].shadow(point, light.toward, light.blur);
            }
        }
        if point.z < -self.paper.deepest() - 1.0 && light.toward.z > 0.05 {
            // behind the sheet's plane: its edge throws a shadow
            let up = -point.z / light.toward.z;
            let over = point + light.toward * up;
            let inside = self.paper.inside(FacePoint::new(over.x, over.y));
            let soft = up * light.blur + 0.3;
            seen *= 1.0 - ((inside + soft) / (2.0 * soft)).clamp(0.0, 1.0);
        }
        seen
    }

    fn paper_sample(&self, ray: &Ray, distance: f64, place: FacePoint, pixel: f64) -> Sample {
        let near = pixel * distance / -ray.toward.z;
        let (colour, edge) = self.paper.colour(place, near);
        let mut shaded = 0.0;
        let slope = self.paper.slope(place);
        let normal = Vector3::new(-slope[0], -slope[1], 1.0).normalize();
        let point = place.at_height(0.0);
        let lit = self.light.on(point, normal, |source| {
            let seen = self.seen_from(point, source);
            shaded += 1.0 - seen;
            seen
        });
        Sample {
            colour: [0, 1, 2].map(|k| colour[k] * lit[k]),
            which: 7 | level(shaded),
            edge,
        }
    }

    fn shaft_sample(&self, ray: &Ray, k: usize, hit: &Hit) -> Sample {
        let appearance = &self.shafts[k].appearance;
        let point = ray.at(hit.distance);
        let light = &self.light;
        // the sheet below brightens what faces it
        let bounce = 0.25 * (0.5 - 0.5 * hit.normal.z);
        let mut lit = light.on(point, hit.normal, |_| 1.0);
        if hit.part == Part::Vane {
            // thin: some of the light on the other side comes through
            let behind = light.on(point, -hit.normal, |_| 1.0);
            for (a, b) in lit.iter_mut().zip(behind) {
                *a += self.translucent * b;
            }
        }
        let around = self.face_light;
        let mirrored = ray.toward - hit.normal * (2.0 * ray.toward.dot(&hit.normal));
        let metal = appearance.metal && hit.part == Part::Tube;
        let gloss = if hit.part == Part::Vane {
            0.05
        } else {
            appearance.gloss
        };
        let mut highlight = [0.0; 3];
        for source in &light.sources {
            let toward = mirrored.dot(&source.toward).max(0.0);
            let power = toward.powf(SHARPNESS) * gloss;
            for (h, c) in highlight.iter_mut().zip(source.colour) {
                *h += c * power;
            }
        }
        let sky = 0.5 + 0.5 * mirrored.dot(&light.up);
        let colour = [0, 1, 2].map(|k| {
            let diffuse = hit.colour[k] * (lit[k] + bounce * around[k]);
            let reflected = light.around[k] * (0.3 + 2.2 * sky * sky);
            if metal {
                0.3 * diffuse + hit.colour[k] * reflected + 2.0 * highlight[k]
            } else {
                diffuse + 0.04 * reflected + highlight[k]
            }
        });
        Sample {
            colour,
            which: 16 + u32::try_from(k).unwrap_or(0),
            edge: true,
        }
    }

    /// What the picture shows at a pixel, asked of the scene itself, not of the picture.
    #[must_use]
    pub fn seen(&self, p: ImagePoint) -> VisibleSurface {
        let all: Vec<usize> = (0..self.shafts.len()).collect();
        let Some(u) = self.taken.camera.lens.normalised_from_pixel(p) else {
            return VisibleSurface::Other;
        };
        let toward = self.taken.camera.pose.rotation.transpose() * Vector3::new(u.x, u.y, 1.0);
        let ray = Ray {
            from: self.taken.camera.centre_mm(),
            toward: toward.normalize(),
        };
        let paper = self.on_paper(&ray);
        let surface = self.boss.hit(&ray, 0.0);
        let limit = paper.map_or(surface.distance, |(d, _)| d.min(surface.distance));
        if let Some((k, hit)) = self.nearest_shaft(&ray, &all, limit) {
            return VisibleSurface::Shaft(k, hit.part, hit.along);
        }
        if let Some((_, place)) = paper {
            return VisibleSurface::Paper(place);
        }
        if surface.front {
            let point = ray.at(surface.distance);
            return VisibleSurface::Boss(FacePoint::new(point.x, point.y));
        }
        VisibleSurface::Other
    }
}

/// Neighbours whose shade differs by a step or more are looked at more closely: steps of an eighth.
fn level(shaded: f64) -> u32 {
    u32::try_from(floor_index(8.0 * shaded + 0.5)).unwrap_or(0) << 8
}

/// Exponent of the highlight (Phong 1975): a tube with a clear coat.
const SHARPNESS: f64 = 40.0;
