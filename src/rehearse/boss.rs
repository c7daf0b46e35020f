//! The boss behind the face, and what stands around it.

use super::Rgb;
use super::arrow::{Ray, Shaft};
use super::random::{Draw, Grain, Subject, mix, unit};
use super::scatter::{Hole, Holes, Wound};
use super::world::World;
use crate::geometry::FacePoint;
use crate::imaging::linear_from_srgb;
use crate::math::floor_index;
use nalgebra::{Matrix3, Vector3};

#[derive(Clone, Copy, Debug, PartialEq)]
enum Make {
    /// One block of foam, with seams.
    Foam,
    /// Pressed layers.
    Layers,
    /// A coiled rope of straw, round.
    Straw,
}

/// The boss. Its own frame: origin at the middle of its front, x right, y up along the front, z off it.
pub(super) struct Boss {
    make: Make,
    half: f64,
    thick: f64,
    /// Face frame → boss frame: turn by the paper's roll, then the middle's offset.
    turn: Matrix3<f64>,
    middle: FacePoint,
    /// Depth of its front behind the face plane, mm.
    pub(super) depth: f64,
    pitch: f64,
    base: Vec<Rgb>,
    holes: Holes,
    grain: Grain,
    seed: u64,
    legs: Rgb,
    ground: Rgb,
    back: [Rgb; 2],
    /// Distance of what stands behind, and its height over the middle of the boss, mm.
    behind: [f64; 2],
    drop: f64,
    lean: f64,
    indoors: bool,
}

/// What a ray meets beyond the paper and the shafts.
#[derive(Clone, Copy, Debug)]
pub(super) struct Surface {
    /// Along the ray, mm.
    pub(super) distance: f64,
    /// Face frame, towards the ray's origin.
    pub(super) normal: Vector3<f64>,
    pub(super) colour: Rgb,
    /// On the boss's front.
    pub(super) front: bool,
    /// An edge is within the footprint.
    pub(super) edge: bool,
    /// Which surface, for telling apart neighbouring pixels.
    pub(super) which: u8,
}

/// How a boss is placed.
pub(super) struct Setting<'a> {
    pub(super) paper_edges: [f64; 4],
    pub(super) shafts: &'a [Shaft],
    pub(super) turn: Matrix3<f64>,
    pub(super) lean: f64,
    pub(super) indoors: bool,
    /// The paper's waves reach so far behind the face plane, mm.
    pub(super) wave: f64,
    pub(super) grain: Grain,
}

impl Boss {
    pub(super) fn draw(world: &World, seed: u64, setting: &Setting) -> Self {
        let w = &world.boss;
        let mut draw = Draw::new(seed, Subject::Boss);
        let make = match draw.unit() {
            v if v < 0.4 => Make::Foam,
            v if v < 0.7 => Make::Layers,
            _ => Make::Straw,
        };
        let [left, right, low, high] = setting.paper_edges;
        let middle = FacePoint::new(
            (left + right) / 2.0 + draw.normal(12.0),
            (low + high) / 2.0 + draw.normal(12.0),
        );
        let corner = ((right - left) / 2.0).hypot((high - low) / 2.0);
        let side = ((right - left) / 2.0).max((high - low) / 2.0);
        let paper = if make == Make::Straw { corner } else { side };
        let far = |s: &Shaft| {
            let (x, y) = (s.entry.x - middle.x, s.entry.y - middle.y);
            if make == Make::Straw {
                (x * x + y * y).sqrt()
            } else {
                x.abs().max(y.abs())
            }
        };
        let shot = setting.shafts.iter().map(far).fold(0.0, f64::max);
        let half = draw
            .within(w.half_side_mm)
            .max(paper + draw.within(w.beyond_paper_mm))
            .max(shot + 60.0);
        let (base, pitch) = match make {
            Make::Foam => (vec![draw.one_of(&w.foam)], draw.within([180.0, 420.0])),
            Make::Layers => (w.layers.clone(), draw.within(w.layer_mm)),
            Make::Straw => (vec![draw.one_of(&w.straw)], draw.within(w.coil_mm)),
        };
        let bright = draw.within([0.85, 1.1]);
        let base = base
            .into_iter()
            .map(|c| linear_from_srgb(c.map(|v| (v * bright).min(250.0))))
            .collect();
        let radius = setting.shafts.first().map_or(2.7, |s| s.appearance.radius);
        let holes: Vec<Hole> = (0..draw.count(w.holes))
            .map(|_| {
                let at = FacePoint::new(draw.normal(0.5 * half), draw.normal(0.5 * half));
                Hole::draw(&mut draw, at, radius)
            })
            .collect();
        let indoors = setting.indoors;
        let (ground, back) = if indoors {
            (
                draw.one_of(&[
                    [176.0, 120.0, 66.0],
                    [110.0, 130.0, 150.0],
                    [120.0, 118.0, 112.0],
                ]),
                [[70.0, 96.0, 84.0], [210.0, 200.0, 180.0]],
            )
        } else {
            (
                draw.one_of(&[[66.0, 96.0, 40.0], [110.0, 112.0, 60.0]]),
                [[34.0, 62.0, 26.0], [150.0, 178.0, 214.0]],
            )
        };
        Self {
            make,
            half,
            thick: draw.within(w.thickness_mm),
            turn: setting.turn,
            middle,
            depth: draw.within(w.behind_paper_mm) + setting.wave,
            pitch,
            base,
            holes: Holes::new(&holes, half),
            grain: setting.grain.clone(),
            seed,
            legs: linear_from_srgb(draw.one_of(&[[120.0, 84.0, 52.0], [92.0, 92.0, 94.0]])),
            ground: linear_from_srgb(ground),
            back: back.map(linear_from_srgb),
            behind: [
                draw.within(if indoors {
                    [900.0, 3000.0]
                } else {
                    [5000.0, 30000.0]
                }),
                if indoors {
                    300.0
                } else {
                    draw.within([300.0, 2500.0])
                },
            ],
            drop: w.centre_height_mm,
            lean: setting.lean,
            indoors,
        }
    }

    /// Half of its width, mm.
    pub(super) fn half(&self) -> f64 {
        self.half
    }

    fn to_own(&self, p: Vector3<f64>) -> Vector3<f64> {
        self.turn * Vector3::new(p.x - self.middle.x, p.y - self.middle.y, p.z + self.depth)
    }

    /// Distance to the outline, positive inside.
    fn rim(&self, x: f64, y: f64) -> f64 {
        if self.make == Make::Straw {
            self.half - (x * x + y * y).sqrt()
        } else {
            self.half - x.abs().max(y.abs())
        }
    }

    /// What a ray meets: the boss, its stand, the ground, or what lies behind.
    pub(super) fn hit(&self, ray: &Ray, pixel: f64) -> Surface {
        let from = self.to_own(ray.from);
        let toward = self.turn * ray.toward;
        let own = Ray { from, toward };
        let mut best = self.front(&own, pixel);
        for new in [self.side(&own, pixel), self.stand(&own)] {
            best = match (best, new) {
                (Some(a), Some(b)) => Some(if b.distance < a.distance { b } else { a }),
                (a, b) => a.or(b),
            };
        }
        let mut surface = best.unwrap_or_else(|| self.beyond(&own));
        surface.normal = self.turn.transpose() * surface.normal;
        surface
    }

    fn front(&self, ray: &Ray, pixel: f64) -> Option<Surface> {
        let distance = -ray.from.z / ray.toward.z;
        if !(distance > 0.0 && ray.toward.z < 0.0) {
            return None;
        }
        let p = ray.at(distance);
        let rim = self.rim(p.x, p.y);
        if rim < 0.0 {
            return None;
        }
        let near = pixel * distance / -ray.toward.z;
        let (wound, edge) = self.holes.at(FacePoint::new(p.x, p.y), near);
        let (mut colour, tilt) = self.texture(p.x, p.y);
        match wound {
            Wound::Hole => colour = colour.map(|c| 0.12 * c),
            Wound::Rim => colour = colour.map(|c| 0.75 * c + 0.05),
            Wound::None => {}
        }
        Some(Surface {
            distance,
            normal: Vector3::new(tilt[0], tilt[1], 1.0).normalize(),
            colour,
            front: true,
            edge: edge || rim < near || self.fine_grained(near),
            which: 1,
        })
    }

    /// Whether the layers are so thin in the picture that one sample a pixel would show patterns that aren't there.
    fn fine_grained(&self, near: f64) -> bool {
        self.make == Make::Layers && 5.0 * near > self.pitch
    }

    /// Reflectance and slope of the front.
    fn texture(&self, x: f64, y: f64) -> (Rgb, [f64; 2]) {
        let g = &self.grain;
        let base = |k: usize| self.base[k % self.base.len()];
        match self.make {
            Make::Foam => {
                let blotch =
                    1.0 + 0.10 * g.cloud(x / 3.0, y / 3.0) + 0.10 * g.speck(x / 1.7, y / 1.7);
                let seam = (y / self.pitch + 0.37).rem_euclid(1.0) * self.pitch;
                let dark = if seam < 2.5 { 0.45 } else { 1.0 };
                (base(0).map(|c| c * blotch * dark), [0.0; 2])
            }
            Make::Layers => {
                let wavy = y + 1.5 * g.cloud(x / 6.0, y / 40.0);
                let layer = wavy / self.pitch + 4096.0;
                let index = u64::try_from(floor_index(layer)).unwrap_or(0);
                let kind = mix(self.seed ^ mix(index));
                let within = (layer - layer.floor()) * self.pitch;
                let shade = 0.75 + 0.5 * unit(kind);
                let fibre =
                    1.0 + 0.16 * g.speck(x / 9.0, y / 1.4) + 0.12 * g.cloud(x / 2.0, y / 2.0);
                let seam = if within < 1.6 { 0.35 } else { 1.0 };
                let which = usize::try_from(kind % 7).unwrap_or(0);
                (
                    base(which).map(|c| c * shade * fibre * seam),
                    [0.0, 0.5 * (within / self.pitch - 0.5)],
                )
            }
            Make::Straw => {
                let r = (x * x + y * y).sqrt().max(1.0);
                let angle = y.atan2(x);
                // a spiral: the radius grows by one rope in each turn
                let coil = r / self.pitch - angle / std::f64::consts::TAU + 64.0;
                let within = coil - coil.floor() - 0.5;
                let around = angle * r;
                let straw =
                    1.0 + 0.28 * g.speck(around / 14.0, r / 1.6) + 0.15 * g.cloud(around / 5.0, r);
                let groove = 1.0 - 0.75 * (2.0 * within).abs().powi(6);
                let twine = (angle * 38.0 + 2.0 * within).sin().abs() < 0.05;
                let tilt = 1.1 * within;
                let colour = if twine { [0.30, 0.24, 0.13] } else { base(0) };
                (
                    colour.map(|c| c * straw * groove),
                    [tilt * x / r, tilt * y / r],
                )
            }
        }
    }

    fn side(&self, ray: &Ray, pixel: f64) -> Option<Surface> {
        let found = if self.make == Make::Straw {
            self.round_side(ray)
        } else {
            slab(
                ray,
                Vector3::new(-self.half, -self.half, -self.thick),
                Vector3::new(self.half, self.half, -0.01),
            )
        };
        let (distance, normal) = found?;
        let p = ray.at(distance);
        let layer = 1.0 + 0.2 * self.grain.speck(p.z / 3.0, (p.x + p.y) / 60.0);
        let near = pixel * distance * 2.0;
        Some(Surface {
            distance,
            normal,
            colour: self.base[0].map(|c| 0.8 * c * layer),
            front: false,
            edge: p.z > -near || p.z < near - self.thick,
            which: 2,
        })
    }

    fn round_side(&self, ray: &Ray) -> Option<(f64, Vector3<f64>)> {
        let (d, f) = (ray.toward.xy(), ray.from.xy());
        let (a, b) = (d.norm_squared(), d.dot(&f));
        let root = b * b - a * (f.norm_squared() - self.half * self.half);
        if root <= 0.0 || a < 1e-12 {
            return None;
        }
        let distance = (-b - root.sqrt()) / a;
        let p = ray.at(distance);
        (distance > 0.0 && p.z < 0.0 && p.z > -self.thick)
            .then(|| (distance, Vector3::new(p.x, p.y, 0.0) / self.half))
    }

    fn stand(&self, ray: &Ray) -> Option<Surface> {
        let mut best: Option<(f64, Vector3<f64>)> = None;
        let top = if self.make == Make::Straw { 0.95 } else { 0.4 };
        for side in [-1.0, 1.0] {
            let x = side * 0.62 * self.half;
            let leg = slab(
                ray,
                Vector3::new(x - 45.0, -self.drop, -self.thick - 120.0),
                Vector3::new(x + 45.0, top * self.half, -self.thick),
            );
            best = closer(best, leg);
        }
        let shelf = slab(
            ray,
            Vector3::new(-0.75 * self.half, -self.half - 110.0, -self.thick),
            Vector3::new(0.75 * self.half, -self.half - 2.0, 30.0),
        );
        let (distance, normal) = closer(best, shelf)?;
        let p = ray.at(distance);
        let wood = 1.0 + 0.25 * self.grain.cloud(p.x / 2.0, p.y / 30.0);
        Some(Surface {
            distance,
            normal,
            colour: self.legs.map(|c| c * wood),
            front: false,
            edge: false,
            which: 3,
        })
    }

    /// The ground, the hedge or wall behind, or the sky. The boss's frame leans back against the world.
    fn beyond(&self, ray: &Ray) -> Surface {
        let (sin, cos) = self.lean.sin_cos();
        let upright =
            |v: Vector3<f64>| Vector3::new(v.x, v.y * cos + v.z * sin, v.z * cos - v.y * sin);
        let world = Ray {
            from: upright(ray.from),
            toward: upright(ray.toward),
        };
        let back_to_own =
            |v: Vector3<f64>| Vector3::new(v.x, v.y * cos - v.z * sin, v.y * sin + v.z * cos);
        let g = &self.grain;
        let far = |distance: f64, normal, colour, which| Surface {
            distance,
            normal: back_to_own(normal),
            colour,
            front: false,
            edge: false,
            which,
        };
        let down = (-self.drop - world.from.y) / world.toward.y;
        let wall = (-self.behind[0] - world.from.z) / world.toward.z;
        if down > 0.0 && (wall <= 0.0 || down < wall) {
            let p = world.at(down);
            let blade =
                1.0 + 0.35 * g.speck(p.x / 9.0, p.z / 25.0) + 0.3 * g.cloud(p.x / 40.0, p.z / 40.0);
            return far(down, Vector3::y(), self.ground.map(|c| c * blade), 4);
        }
        if wall > 0.0 {
            let p = world.at(wall);
            let size = 0.004 * self.behind[0] + 4.0;
            let rough = g.cloud(p.x / size, p.y / size);
            if self.indoors {
                let block = (p.y / 240.0).rem_euclid(1.0) < 0.04;
                let colour = self.back[usize::from(p.y > self.behind[1])];
                let shade = (1.0 + 0.08 * rough) * if block { 0.8 } else { 1.0 };
                return far(wall, Vector3::z(), colour.map(|c| c * shade), 5);
            }
            if p.y < self.behind[1] + 500.0 * g.cloud(p.x / 60.0, 3.0) {
                let leaf = (0.7 + 0.6 * rough).max(0.15);
                return far(wall, Vector3::z(), self.back[0].map(|c| c * leaf), 5);
            }
        }
        let cloud = 0.5 + 0.5 * g.cloud(world.toward.x * 90.0, world.toward.y * 140.0);
        let sky = self.back[1].map(|c| 0.9 * c + 0.3 * cloud.clamp(0.0, 1.0));
        far(1e7, Vector3::z(), sky, 6)
    }
}

fn closer(
    a: Option<(f64, Vector3<f64>)>,
    b: Option<(f64, Vector3<f64>)>,
) -> Option<(f64, Vector3<f64>)> {
    match (a, b) {
        (Some(a), Some(b)) => Some(if b.0 < a.0 { b } else { a }),
        (a, b) => a.or(b),
    }
}

/// Where a ray enters a box with sides along the axes, and the normal there.
fn slab(ray: &Ray, low: Vector3<f64>, high: Vector3<f64>) -> Option<(f64, Vector3<f64>)> {
    let (mut enter, mut leave) = (0.0f64, f64::INFINITY);
    let mut normal = Vector3::zeros();
    for axis in 0..3 {
        let inverse = 1.0 / ray.toward[axis];
        let (a, b) = (
            (low[axis] - ray.from[axis]) * inverse,
            (high[axis] - ray.from[axis]) * inverse,
        );
        let (near, far) = (a.min(b), a.max(b));
        if near > enter {
            enter = near;
            normal = Vector3::zeros();
            normal[axis] = -ray.toward[axis].signum();
        }
        leave = leave.min(far);
    }
    (enter < leave && enter > 0.0).then_some((enter, normal))
}
