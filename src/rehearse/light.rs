//! Where the light comes from, and what stands in its way.

use super::arrow::Shaft;
use super::random::{Draw, Subject};
use super::world::World;
use super::{LightKind, Rgb};
use crate::geometry::FacePoint;
use nalgebra::Vector3;

/// A source of light far away.
#[derive(Clone, Debug)]
pub(super) struct Source {
    /// Unit vector towards it, face frame.
    pub(super) toward: Vector3<f64>,
    /// Irradiance of a surface square to it.
    pub(super) colour: Rgb,
    /// Tangent of its angular radius.
    pub(super) blur: f64,
}

/// All light of a scene.
#[derive(Clone, Debug)]
pub(super) struct Light {
    pub(super) sources: Vec<Source>,
    /// Irradiance from all around.
    pub(super) around: Rgb,
    /// Up, face frame.
    pub(super) up: Vector3<f64>,
    /// Somebody who stands in the first source's light.
    pub(super) person: Option<Person>,
    /// Change of brightness per mm to the right and up: lamps are nearer to one side.
    pub(super) slope: [f64; 2],
    /// Colour of the light as a whole, for the white balance.
    pub(super) colour: Rgb,
    pub(super) indoors: bool,
}

/// The outline of a person's shadow on the face plane: head, shoulders and body.
#[derive(Clone, Debug)]
pub(super) struct Person {
    /// Middle of the head.
    head: FacePoint,
    /// Up on the face plane.
    up: [f64; 2],
    /// Half of the penumbra, mm.
    soft: f64,
}

/// Sizes of a person's shadow, mm: radius of the head, half width of the shoulders, from the head's middle to the shoulders.
const HEAD: f64 = 115.0;
const SHOULDERS: f64 = 230.0;
const NECK: f64 = 190.0;

impl Person {
    fn shade(&self, p: FacePoint) -> f64 {
        let d = [p.x - self.head.x, p.y - self.head.y];
        let across = (d[0] * self.up[1] - d[1] * self.up[0]).abs();
        let height = d[0] * self.up[0] + d[1] * self.up[1];
        let head = HEAD - across.hypot(height / 1.2);
        // shoulders slope, the neck joins
        let body = (SHOULDERS - across).min(-height - NECK - 0.35 * (across - 60.0).max(0.0));
        let neck = (60.0 - across).min(-height);
        let inside = head.max(body).max(neck);
        ((inside + self.soft) / (2.0 * self.soft)).clamp(0.0, 1.0)
    }
}

/// A direction in the boss's frame (x right, y up along it, z off it) from height and azimuth in the world, the boss leaning back.
fn direction(height: f64, aside: f64, lean: f64) -> Vector3<f64> {
    let world = Vector3::new(
        aside.sin() * height.cos(),
        height.sin(),
        aside.cos() * height.cos(),
    );
    let (sin, cos) = lean.sin_cos();
    Vector3::new(
        world.x,
        world.y * cos - world.z * sin,
        world.y * sin + world.z * cos,
    )
}

impl Light {
    /// Draws the light. `face_from_boss` turns a direction of the boss's frame into the face frame.
    pub(super) fn draw(
        world: &World,
        seed: u64,
        kind: LightKind,
        lean: f64,
        reach: f64,
        face_from_boss: impl Fn(Vector3<f64>) -> Vector3<f64>,
    ) -> Self {
        let mut draw = Draw::new(seed, Subject::Light);
        let w = &world.light;
        let up = face_from_boss(direction(std::f64::consts::FRAC_PI_2, 0.0, lean));
        let outdoors = |sources, around: Rgb, colour| Self {
            sources,
            around,
            up,
            person: None,
            slope: [0.0; 2],
            colour,
            indoors: false,
        };
        let scaled = |c: Rgb, by: f64| c.map(|v| v * by);
        let sky = draw.within(w.sky_share);
        let aside = draw.within([-1.0, 1.0]) * w.sun_aside_deg.to_radians();
        let height = draw
            .within(if kind == LightKind::LowSun {
                w.low_height_deg
            } else {
                w.sun_height_deg
            })
            .to_radians();
        let sun = |colour: Rgb, blur: f64| Source {
            toward: face_from_boss(direction(height, aside, lean)),
            colour,
            blur,
        };
        let blur = draw.within(w.sun_radius_deg).to_radians().tan();
        match kind {
            LightKind::Sun | LightKind::Person => {
                let mut light = outdoors(vec![sun(w.sun, blur)], scaled(w.sky, sky), w.sun);
                if kind == LightKind::Person {
                    let at = [0; 2].map(|_| draw.normal(0.3 * reach));
                    light.person = Some(Person {
                        head: FacePoint::new(at[0], at[1].abs()),
                        up: [up.x, up.y],
                        soft: draw.within([8.0, 30.0]),
                    });
                }
                light
            }
            LightKind::LowSun => {
                outdoors(vec![sun(w.low_sun, blur)], scaled(w.sky, sky), w.low_sun)
            }
            LightKind::Overcast => {
                let above = Source {
                    toward: face_from_boss(direction(0.9, aside * 0.5, lean)),
                    colour: scaled(w.overcast, 0.5),
                    blur: w.overcast_radius_deg.to_radians().tan(),
                };
                outdoors(vec![above], scaled(w.overcast, 0.6), w.overcast)
            }
            LightKind::Hall => {
                let colour = if draw.chance(0.5) { w.warm } else { w.cool };
                let lamps = draw.count([2, 4]);
                let sources = (0..lamps)
                    .map(|_| Source {
                        toward: face_from_boss(direction(
                            draw.within([0.5, 1.2]),
                            draw.within([-1.0, 1.0]),
                            lean,
                        )),
                        colour: scaled(colour, draw.within([0.5, 1.5]) / crate::math::count(lamps)),
                        blur: draw.within(w.lamp_radius_deg).to_radians().tan(),
                    })
                    .collect();
                Self {
                    slope: [0; 2].map(|_| draw.normal(2e-4)),
                    indoors: true,
                    ..outdoors(sources, scaled(colour, 0.35), colour)
                }
            }
        }
    }

    /// Irradiance of a surface at `point` with unit `normal`, from one share of each source: `seen(k)` says how much of source `k`
    /// the surface sees.
    pub(super) fn on(
        &self,
        point: Vector3<f64>,
        normal: Vector3<f64>,
        mut seen: impl FnMut(usize) -> f64,
    ) -> Rgb {
        // the ground and what stands around reflect less than the sky sends
        let sky = 0.72 + 0.28 * normal.dot(&self.up);
        let mut sum = self.around.map(|v| v * sky);
        for (k, source) in self.sources.iter().enumerate() {
            let facing = normal.dot(&source.toward);
            if facing <= 0.0 {
                continue;
            }
            let mut share = facing * seen(k);
            if k == 0 {
                share *= 1.0 - self.person_shade(point);
            }
            for (s, c) in sum.iter_mut().zip(source.colour) {
                *s += c * share;
            }
        }
        let even = (1.0 + self.slope[0] * point.x + self.slope[1] * point.y).clamp(0.4, 1.8);
        sum.map(|v| v * even)
    }

    /// How much of the first source somebody keeps from a point.
    fn person_shade(&self, point: Vector3<f64>) -> f64 {
        let (Some(person), Some(source)) = (&self.person, self.sources.first()) else {
            return 0.0;
        };
        if source.toward.z < 1e-3 {
            return 0.0;
        }
        let on_face = point - source.toward * (point.z / source.toward.z);
        person.shade(FacePoint::new(on_face.x, on_face.y))
    }

    /// Irradiance of the open face plane: what the exposure goes by.
    pub(super) fn on_face(&self) -> Rgb {
        let light = Self {
            person: None,
            ..self.clone()
        };
        light.on(Vector3::zeros(), Vector3::z(), |_| 1.0)
    }
}

/// Side of a cell of the shadow map, mm.
const CELL: f64 = 24.0;

/// Which shafts can shade which part of the face plane.
pub(super) struct Shades {
    from: [f64; 2],
    size: [usize; 2],
    /// Per cell: source and shaft.
    cells: Vec<Vec<(usize, usize)>>,
}

impl Shades {
    /// Covers the plane within `half` mm of the origin on each axis.
    pub(super) fn new(light: &Light, shafts: &[Shaft], half: f64) -> Self {
        let side = crate::math::floor_index((2.0 * half / CELL).ceil()) + 1;
        let mut shades = Self {
            from: [-half; 2],
            size: [side; 2],
            cells: vec![Vec::new(); side * side],
        };
        for (k, source) in light.sources.iter().enumerate() {
            for (i, shaft) in shafts.iter().enumerate() {
                shades.mark(k, source, i, shaft);
            }
        }
        shades
    }

    fn mark(&mut self, k: usize, source: &Source, i: usize, shaft: &Shaft) {
        if source.toward.z < 0.02 {
            return;
        }
        let steps = crate::math::floor_index(shaft.stands_out / 10.0) + 1;
        for step in 0..=steps {
            let along = (crate::math::count(step) * 10.0).min(shaft.stands_out);
            let point = shaft.point(along);
            let up = point.z / source.toward.z;
            if up > shaft.faint(source.blur) {
                break;
            }
            let at = point - source.toward * up;
            let next = shaft.point((along + 10.0).min(shaft.stands_out));
            let then = next - source.toward * (next.z / source.toward.z);
            // blur, the vanes' reach, the step to the next point, and the boss's surface behind the paper
            let reach = (up * source.blur + shaft.reach(along).max(shaft.reach(along + 10.0)))
                / source.toward.z
                + (then - at).norm()
                + 12.0 / source.toward.z;
            let range = |c: f64, axis: usize| {
                let low = crate::math::floor_index((c - reach - self.from[axis]) / CELL);
                let high = crate::math::floor_index((c + reach - self.from[axis]) / CELL);
                (low, high.min(self.size[axis] - 1))
            };
            let ((x0, x1), (y0, y1)) = (range(at.x, 0), range(at.y, 1));
            for y in y0..=y1 {
                for x in x0..=x1 {
                    let cell = &mut self.cells[y * self.size[0] + x];
                    if cell.last() != Some(&(k, i)) {
                        cell.push((k, i));
                    }
                }
            }
        }
    }

    /// The pairs of source and shaft that may shade a point near the face plane.
    pub(super) fn at(&self, x: f64, y: f64) -> &[(usize, usize)] {
        let (u, v) = ((x - self.from[0]) / CELL, (y - self.from[1]) / CELL);
        if u < 0.0 || v < 0.0 {
            return &[];
        }
        let (i, j) = (crate::math::floor_index(u), crate::math::floor_index(v));
        if i >= self.size[0] || j >= self.size[1] {
            return &[];
        }
        &self.cells[j * self.size[0] + i]
    }
}
