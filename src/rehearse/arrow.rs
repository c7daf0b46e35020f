//! Shafts as solids: a cylinder with its nock, three vanes or none, bands of wrap and tape, and where a ray meets them.

use super::random::{Draw, Subject};
use super::world::World;
use super::{Kind, Rgb};
use crate::geometry::FacePoint;
use crate::imaging::linear_from_srgb;
use crate::record::NamedArrow;
use nalgebra::Vector3;
use std::f64::consts::TAU;

/// A part of a shaft.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The bare tube.
    Tube,
    /// A wrap or tape on it.
    Band,
    /// A vane.
    Vane,
    /// The nock.
    Nock,
}

/// A ray in the face frame; the direction has unit length.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ray {
    pub(super) from: Vector3<f64>,
    pub(super) toward: Vector3<f64>,
}

impl Ray {
    pub(super) fn at(&self, distance: f64) -> Vector3<f64> {
        self.from + self.toward * distance
    }
}

/// Where a ray meets a shaft first.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hit {
    /// From the ray's origin, mm.
    pub(super) distance: f64,
    /// Unit normal on the side of the ray's origin.
    pub(super) normal: Vector3<f64>,
    pub(super) part: Part,
    /// From the entry towards the nock, mm.
    pub(super) along: f64,
    pub(super) colour: Rgb,
}

/// Outline of a vane's outer edge.
#[derive(Clone, Copy, Debug, Default)]
enum Outline {
    /// Steep at the rear, falling forwards.
    #[default]
    Shield,
    /// Rounded.
    Round,
    /// Long and low.
    Triangle,
    /// A strip of film that curls over.
    Film,
}

impl Outline {
    /// Height as a share of the largest, at `s` from the front (0) to the rear (1).
    fn height(self, s: f64) -> f64 {
        let through = |points: &[(f64, f64)]| {
            let after = points
                .iter()
                .position(|p| p.0 >= s)
                .unwrap_or(points.len() - 1)
                .max(1);
            let (a, b) = (points[after - 1], points[after]);
            a.1 + (b.1 - a.1) * ((s - a.0) / (b.0 - a.0)).clamp(0.0, 1.0)
        };
        match self {
            Self::Shield => through(&[
                (0.0, 0.05),
                (0.5, 0.65),
                (0.85, 1.0),
                (0.95, 0.8),
                (1.0, 0.2),
            ]),
            Self::Round => (std::f64::consts::PI * s.powf(1.4))
                .sin()
                .max(0.0)
                .powf(0.75),
            Self::Triangle => through(&[(0.0, 0.08), (0.8, 1.0), (0.88, 1.0), (1.0, 0.35)]),
            Self::Film => through(&[
                (0.0, 0.2),
                (0.18, 0.75),
                (0.5, 1.0),
                (0.9, 0.95),
                (1.0, 0.3),
            ]),
        }
    }
}

/// The vanes of an arrow.
#[derive(Clone, Debug)]
pub(super) struct Vanes {
    length: f64,
    height: f64,
    /// From the rear end of the vanes to the end of the nock, mm.
    gap: f64,
    /// Bends over.
    film: bool,
    /// Height as a share of the largest at even steps from the front to the rear.
    outline: [f64; PROFILE + 1],
    /// Angle between a vane's root and the shaft, rad.
    skew: f64,
    colours: [Rgb; 3],
}

/// Steps of a vane's outline.
const PROFILE: usize = 48;

impl Vanes {
    /// Height as a share of the largest at `s` from the front (0) to the rear (1).
    fn tall(&self, s: f64) -> f64 {
        let at = s.clamp(0.0, 1.0) * crate::math::count(PROFILE);
        let k = crate::math::floor_index(at).min(PROFILE - 1);
        let share = at - crate::math::count(k);
        self.outline[k] + share * (self.outline[k + 1] - self.outline[k])
    }
}

/// A coloured stretch of the tube, mm back from the nock's end.
#[derive(Clone, Debug)]
struct Band {
    from: f64,
    to: f64,
    colour: Rgb,
}

/// What all arrows of one kind look like.
#[derive(Clone, Debug)]
pub(super) struct Look {
    pub(super) radius: f64,
    tube: Rgb,
    /// Mirrors its surroundings in its own colour.
    pub(super) metal: bool,
    /// Strength of the highlight.
    pub(super) gloss: f64,
    nock: Rgb,
    nock_length: f64,
    nock_radius: f64,
    slot: f64,
    slot_depth: f64,
    inside: f64,
    bands: Vec<Band>,
    pub(super) vanes: Option<Vanes>,
}

/// The archer's arrows: fletched and bare ones of one make.
pub(super) fn looks(world: &World, seed: u64) -> [Look; 2] {
    let mut draw = Draw::new(seed, Subject::Arrows);
    let w = &world.shaft;
    let radius = draw.one_of(&w.diameter_mm) / 2.0;
    let kind = draw.unit();
    let metal = kind < w.metal_share;
    let tube = if metal {
        draw.one_of(&w.metal)
    } else if kind < w.metal_share + w.bright_share {
        draw.one_of(&w.bright)
    } else {
        draw.one_of(&w.carbon)
    };
    let nock = linear_from_srgb(draw.one_of(&world.vane.colours));
    let other_nock = linear_from_srgb(draw.one_of(&world.vane.colours));
    let nock_length = draw.within(world.nock.length_mm);
    let wrap = draw
        .chance(w.wrap_share)
        .then(|| wrap(world, &mut draw, nock_length));
    let tape = draw.chance(w.tape_share).then(|| {
        let from = draw.within([28.0, 75.0]);
        vec![Band {
            from,
            to: from + draw.within([10.0, 32.0]),
            colour: linear_from_srgb(draw.one_of(&w.band)),
        }]
    });
    let same_nock = draw.chance(0.6);
    let bare_wrapped = draw.chance(0.6);
    let fletched = Look {
        radius,
        tube: linear_from_srgb(tube),
        metal,
        gloss: draw.within([0.1, 0.5]),
        nock,
        nock_length,
        nock_radius: radius.max(world.nock.least_radius_mm),
        slot: world.nock.slot_mm,
        slot_depth: world.nock.slot_depth_mm,
        inside: w.inside_mm,
        bands: wrap.clone().unwrap_or_default(),
        vanes: Some(vanes(world, &mut draw)),
    };
    let bare = Look {
        nock: if same_nock { nock } else { other_nock },
        bands: wrap.filter(|_| bare_wrapped).or(tape).unwrap_or_default(),
        vanes: None,
        ..fletched.clone()
    };
    [fletched, bare]
}

impl Look {
    /// This look in the colours that were told of an arrow.
    pub(super) fn dressed(mut self, arrow: &NamedArrow, world: &World, draw: &mut Draw) -> Self {
        let mut plastic = |name: &String| linear_from_srgb(plastic(name, world, draw));
        if let Some(nock) = &arrow.nock {
            self.nock = plastic(nock);
        }
        if let (Some(vanes), Some(names)) = (&mut self.vanes, &arrow.vanes) {
            let told: Vec<Rgb> = names.iter().map(&mut plastic).collect();
            if let Some(last) = told.last() {
                // the first is the index vane's; the others share the rest
                vanes.colours = [0, 1, 2].map(|k| *told.get(k).unwrap_or(last));
            }
        }
        self
    }
}

/// A plastic of that name: one of this world's, else what people mean by it.
fn plastic(name: &str, world: &World, draw: &mut Draw) -> [f64; 3] {
    let own = world.plastic.colours.get(name);
    let meant = || crate::colours::named(name).map_or(&[][..], crate::colours::Named::srgb);
    draw.one_of(own.map_or_else(meant, Vec::as_slice))
}

/// Stripes of three colours over the rear of the tube.
fn wrap(world: &World, draw: &mut Draw, nock_length: f64) -> Vec<Band> {
    let length = draw.within([80.0, 150.0]);
    let stripes = draw.count([1, 9]);
    let colours = [0; 3].map(|_| linear_from_srgb(draw.one_of(&world.shaft.band)));
    let each = length / crate::math::count(stripes);
    (0..stripes)
        .map(|k| {
            let from = nock_length + 4.0 + each * crate::math::count(k);
            Band {
                from,
                to: from + each,
                colour: colours[k % 3],
            }
        })
        .collect()
}

fn vanes(world: &World, draw: &mut Draw) -> Vanes {
    let w = &world.vane;
    let outline = draw.one_of(&[
        Outline::Shield,
        Outline::Round,
        Outline::Triangle,
        Outline::Film,
    ]);
    let (index, others) = (
        linear_from_srgb(draw.one_of(&w.colours)),
        linear_from_srgb(draw.one_of(&w.colours)),
    );
    Vanes {
        length: draw.within(w.length_mm),
        height: draw.within(w.height_mm),
        gap: draw.within(w.nock_gap_mm),
        film: matches!(outline, Outline::Film),
        outline: std::array::from_fn(|k| {
            outline.height(crate::math::count(k) / crate::math::count(PROFILE))
        }),
        skew: draw.within(w.skew_deg).to_radians(),
        colours: [index, others, others],
    }
}

/// One shaft in the boss.
#[derive(Clone, Debug)]
pub(super) struct Shaft {
    pub(super) kind: Kind,
    /// The arrow's own mark, if it has one.
    pub(super) mark: Option<String>,
    /// Where the axis meets the face plane.
    pub(super) entry: FacePoint,
    /// Unit vector towards the nock.
    pub(super) axis: Vector3<f64>,
    /// From the entry to the nock's end, mm.
    pub(super) stands_out: f64,
    pub(super) look: Look,
    /// Two directions square to the axis: how the shaft is turned.
    turned: [Vector3<f64>; 2],
    /// Of each vane: root, direction along the root, direction away from the shaft.
    frames: [[Vector3<f64>; 3]; 3],
}

impl Shaft {
    pub(super) fn new(
        kind: Kind,
        entry: FacePoint,
        axis: Vector3<f64>,
        stands_out: f64,
        turn: f64,
        look: Look,
    ) -> Self {
        let helper = if axis.x.abs() < 0.9 {
            Vector3::x()
        } else {
            Vector3::y()
        };
        let a = axis.cross(&helper).normalize();
        let b = axis.cross(&a);
        let (sin, cos) = turn.sin_cos();
        let mut shaft = Self {
            kind,
            mark: None,
            entry,
            axis,
            stands_out,
            look,
            turned: [a * cos + b * sin, b * cos - a * sin],
            frames: [[Vector3::zeros(); 3]; 3],
        };
        if let Some(vanes) = &shaft.look.vanes {
            shaft.frames = [0, 1, 2].map(|k| shaft.vane_frame(vanes, k));
        }
        shaft
    }

    pub(super) fn entry3(&self) -> Vector3<f64> {
        self.entry.at_height(0.0)
    }

    /// The point of the axis `along` mm from the entry.
    pub(super) fn point(&self, along: f64) -> Vector3<f64> {
        self.entry3() + self.axis * along
    }

    /// Farthest from the axis that anything reaches at `along`, mm.
    pub(super) fn reach(&self, along: f64) -> f64 {
        let with = self.look.vanes.as_ref().filter(|v| {
            let rear = self.stands_out - v.gap;
            (rear - v.length - 2.0..=rear + 2.0).contains(&along)
        });
        self.look.nock_radius + with.map_or(0.3, |v| v.height + 0.5)
    }

    fn widest(&self) -> f64 {
        self.look.nock_radius + self.look.vanes.as_ref().map_or(0.3, |v| v.height + 0.5)
    }

    /// The first place at which a ray meets this shaft, before `limit` mm.
    pub(super) fn hit(&self, ray: &Ray, limit: f64) -> Option<Hit> {
        let offset = ray.from - self.entry3();
        let cross = ray.toward.cross(&self.axis);
        let sine = cross.norm();
        if sine > 1e-9 && offset.dot(&cross).abs() > sine * self.widest() {
            return None;
        }
        let nearer = |best: Option<Hit>, new: Option<Hit>| match (best, new) {
            (Some(a), Some(b)) => Some(if b.distance < a.distance { b } else { a }),
            (a, b) => a.or(b),
        };
        let joint = self.stands_out - self.look.nock_length;
        let mut best = nearer(
            self.hit_tube(ray, offset, self.look.radius, [-self.look.inside, joint]),
            self.hit_tube(ray, offset, self.look.nock_radius, [joint, self.stands_out]),
        );
        best = nearer(best, self.hit_end(ray));
        if let Some(vanes) = &self.look.vanes {
            for k in 0..3 {
                best = nearer(best, self.hit_vane(vanes, k, ray));
            }
        }
        best.filter(|h| h.distance < limit)
    }

    fn in_slot(&self, point: Vector3<f64>, along: f64) -> bool {
        along > self.stands_out - self.look.slot_depth
            && (point - self.point(along)).dot(&self.turned[0]).abs() < self.look.slot / 2.0
    }

    /// A cylinder about the axis between two places along it.
    fn hit_tube(
        &self,
        ray: &Ray,
        offset: Vector3<f64>,
        r: f64,
        [low, high]: [f64; 2],
    ) -> Option<Hit> {
        let w = offset - self.axis * offset.dot(&self.axis);
        let d = ray.toward - self.axis * ray.toward.dot(&self.axis);
        let (a, b) = (d.norm_squared(), w.dot(&d));
        let root = b * b - a * (w.norm_squared() - r * r);
        if root <= 0.0 || a < 1e-12 {
            return None;
        }
        // the near side, or through the slot of the nock the inner far side
        for (sign, outer) in [(-1.0, true), (1.0, false)] {
            let distance = (sign * root.sqrt() - b) / a;
            let point = ray.at(distance);
            let along = (point - self.entry3()).dot(&self.axis);
            if distance <= 0.0 || along < low || along > high {
                continue;
            }
            if self.in_slot(point, along) {
                continue;
            }
            if !outer && along < self.stands_out - self.look.slot_depth {
                return None;
            }
            let normal = (point - self.point(along)) / r * -sign;
            let (part, colour) = self.painted(along);
            return Some(Hit {
                distance,
                normal,
                part,
                along,
                colour: if outer {
                    colour
                } else {
                    colour.map(|c| 0.5 * c)
                },
            });
        }
        None
    }

    fn painted(&self, along: f64) -> (Part, Rgb) {
        let back = self.stands_out - along;
        if back < self.look.nock_length {
            return (Part::Nock, self.look.nock);
        }
        self.look
            .bands
            .iter()
            .find(|b| (b.from..b.to).contains(&back))
            .map_or((Part::Tube, self.look.tube), |b| (Part::Band, b.colour))
    }

    fn hit_end(&self, ray: &Ray) -> Option<Hit> {
        let facing = ray.toward.dot(&self.axis);
        if facing > -1e-9 {
            return None;
        }
        let end = self.point(self.stands_out);
        let distance = (end - ray.from).dot(&self.axis) / facing;
        let point = ray.at(distance);
        let inside = (point - end).norm() < self.look.nock_radius
            && !self.in_slot(point, self.stands_out)
            && distance > 0.0;
        inside.then_some(Hit {
            distance,
            normal: self.axis,
            part: Part::Nock,
            along: self.stands_out,
            colour: self.look.nock,
        })
    }

    /// Root, direction along the root, and direction away from the shaft of vane `k`.
    fn vane_frame(&self, vanes: &Vanes, k: usize) -> [Vector3<f64>; 3] {
        let angle = TAU * crate::math::count(k) / 3.0;
        let (sin, cos) = angle.sin_cos();
        let out = self.turned[0] * cos + self.turned[1] * sin;
        let side = self.axis.cross(&out);
        let (skew_sin, skew_cos) = vanes.skew.sin_cos();
        let along = self.axis * skew_cos + side * skew_sin;
        let root = self.point(self.stands_out - vanes.gap - vanes.length) + out * self.look.radius
            - side * (skew_sin * vanes.length / 2.0);
        [root, along, out]
    }

    fn hit_vane(&self, vanes: &Vanes, k: usize, ray: &Ray) -> Option<Hit> {
        let frame = self.frames[k];
        let [root, along, out] = frame;
        let colour = vanes.colours[k];
        if !vanes.film {
            return self.hit_strip(vanes, ray, frame, [0.0, 1.0], colour);
        }
        // film stands up and then bends over
        let side = along.cross(&out);
        let bent = out * BENT.cos() + side * BENT.sin();
        let low = self.hit_strip(vanes, ray, frame, [0.0, FLAT], colour);
        let top = [root + out * (FLAT * vanes.height), along, bent];
        let high = self.hit_strip(vanes, ray, top, [FLAT, 1.0], colour);
        match (low, high) {
            (Some(a), Some(b)) => Some(if a.distance < b.distance { a } else { b }),
            (a, b) => a.or(b),
        }
    }

    /// A plane strip of a vane that holds the heights between `from` and `to` (shares of the whole).
    fn hit_strip(
        &self,
        vanes: &Vanes,
        ray: &Ray,
        [root, along, out]: [Vector3<f64>; 3],
        [from, to]: [f64; 2],
        colour: Rgb,
    ) -> Option<Hit> {
        let normal = along.cross(&out);
        let facing = ray.toward.dot(&normal);
        if facing.abs() < 1e-9 {
            return None;
        }
        let distance = (root - ray.from).dot(&normal) / facing;
        if distance <= 0.0 {
            return None;
        }
        let place = ray.at(distance) - root;
        let s = place.dot(&along) / vanes.length;
        let height = from + place.dot(&out) / vanes.height;
        let inside =
            (0.0..=1.0).contains(&s) && (from..=to).contains(&height) && height <= vanes.tall(s);
        inside.then(|| Hit {
            distance,
            normal: normal * -facing.signum(),
            part: Part::Vane,
            along: (ray.at(distance) - self.entry3()).dot(&self.axis),
            colour,
        })
    }

    /// Share of a light that the shaft keeps from `point`: the light comes from `toward` and is spread by `blur` (tangent of
    /// its angular radius).
    pub(super) fn shadow(&self, point: Vector3<f64>, toward: Vector3<f64>, blur: f64) -> f64 {
        let tube = self.tube_shadow(point, toward, blur);
        let Some(vanes) = &self.look.vanes else {
            return tube;
        };
        let mut through = 1.0 - tube;
        for k in 0..3 {
            through *= 1.0 - VANE_OPACITY * self.vane_shadow(vanes, k, point, toward, blur);
        }
        1.0 - through
    }

    /// How far up a light of this spread still throws a shadow worth drawing, mm along the ray.
    pub(super) fn faint(&self, blur: f64) -> f64 {
        FAINT * self.look.radius / blur.max(1e-6)
    }

    fn tube_shadow(&self, point: Vector3<f64>, toward: Vector3<f64>, blur: f64) -> f64 {
        // closest approach of the light's ray and the axis
        let w = point - self.entry3();
        let cross = toward.cross(&self.axis);
        let sine2 = cross.norm_squared();
        if sine2 < 1e-6 {
            return 0.0;
        }
        let b = toward.dot(&self.axis);
        let (d, e) = (toward.dot(&w), self.axis.dot(&w));
        let up = (b * e - d) / sine2;
        let along = (e - b * d) / sine2;
        if up <= 0.0 {
            return 0.0;
        }
        let soft = up * blur + 0.05;
        let apart = w.dot(&cross).abs() / sine2.sqrt();
        let r = self.look.radius;
        let fading = (2.0 - 2.0 * soft / (FAINT * r)).clamp(0.0, 1.0);
        if apart > soft + r || fading <= 0.0 {
            return 0.0;
        }
        fading
            * overlap(apart, soft, [-r, r])
            * overlap(
                along,
                soft / sine2.sqrt(),
                [-self.look.inside, self.stands_out],
            )
    }

    fn vane_shadow(
        &self,
        vanes: &Vanes,
        k: usize,
        point: Vector3<f64>,
        toward: Vector3<f64>,
        blur: f64,
    ) -> f64 {
        let [root, along, out] = self.frames[k];
        let normal = along.cross(&out);
        let facing = toward.dot(&normal);
        if facing.abs() < 1e-3 {
            return 0.0;
        }
        let up = (root - point).dot(&normal) / facing;
        if up <= 0.0 || up * blur > FAINT * self.look.radius {
            return 0.0;
        }
        let place = point + toward * up - root;
        let soft = (up * blur + 0.05) / facing.abs().max(0.2);
        let s = place.dot(&along);
        let top = vanes.height * vanes.tall(s / vanes.length);
        overlap(s, soft, [0.0, vanes.length]) * overlap(place.dot(&out), soft, [0.0, top])
    }
}

/// Angle by which film bends over, rad, and the share of its height up to the bend.
const BENT: f64 = 1.0;
const FLAT: f64 = 0.45;
/// A penumbra so many times wider than the shaft is no longer seen.
const FAINT: f64 = 20.0;
/// Share of the light that a vane holds back.
const VANE_OPACITY: f64 = 0.75;

/// Share of the interval `at` ± `soft` that lies within `[from, to]`.
fn overlap(at: f64, soft: f64, [from, to]: [f64; 2]) -> f64 {
    let low = (at - soft).max(from);
    let high = (at + soft).min(to);
    ((high - low) / (2.0 * soft)).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shaft(kind: Kind) -> Shaft {
        let world = World::read().unwrap();
        let [fletched, bare] = looks(&world, 5);
        let look = if kind == Kind::Fletched {
            fletched
        } else {
            bare
        };
        Shaft::new(
            kind,
            FacePoint::new(10.0, 20.0),
            Vector3::z(),
            500.0,
            0.3,
            look,
        )
    }

    fn ray(from: [f64; 3], to: [f64; 3]) -> Ray {
        let (from, to) = (Vector3::from(from), Vector3::from(to));
        Ray {
            from,
            toward: (to - from).normalize(),
        }
    }

    #[test]
    fn a_ray_at_the_axis_meets_the_near_side() {
        let shaft = shaft(Kind::Bare);
        let hit = shaft
            .hit(&ray([1000.0, 20.0, 200.0], [10.0, 20.0, 200.0]), 1e9)
            .unwrap();
        assert!((hit.distance - (990.0 - shaft.look.radius)).abs() < 1e-9);
        assert!((hit.along - 200.0).abs() < 1e-9);
        assert!((hit.normal - Vector3::x()).norm() < 1e-9);
        let beside = 20.0 + shaft.look.radius + 0.01;
        assert!(
            shaft
                .hit(&ray([1000.0, beside, 200.0], [10.0, beside, 200.0]), 1e9)
                .is_none()
        );
        assert!(
            shaft
                .hit(&ray([1000.0, 20.0, 501.0], [10.0, 20.0, 501.0]), 1e9)
                .is_none()
        );
    }

    #[test]
    fn only_fletched_shafts_reach_beyond_their_tube_and_only_at_the_vanes() {
        for (kind, wide) in [(Kind::Fletched, true), (Kind::Bare, false)] {
            let shaft = shaft(kind);
            let beyond = |z: f64| {
                let (from, out) = ([10.0, 2000.0, z], shaft.look.radius + 2.0);
                [-out, out].iter().any(|x| {
                    shaft
                        .hit(&ray([10.0 + x, from[1], z], [10.0 + x, 20.0, z]), 1e9)
                        .is_some()
                })
            };
            assert_eq!((380..480).any(|z| beyond(f64::from(z))), wide, "{kind:?}");
            assert!(!beyond(200.0));
        }
    }

    #[test]
    fn the_end_of_the_nock_is_closed_but_for_its_slot() {
        let shaft = shaft(Kind::Bare);
        let down = |x: f64, y: f64| shaft.hit(&ray([x, y, 1500.0], [x, y, 0.0]), 1e9);
        let side = shaft.turned[1] * (shaft.look.radius * 0.5);
        let ear = shaft.turned[0] * (shaft.look.radius * 0.9);
        let at = |v: Vector3<f64>| down(10.0 + v.x, 20.0 + v.y);
        assert!((at(ear).unwrap().distance - 1000.0).abs() < 1e-9);
        assert!(at(side).is_none_or(|h| h.distance > 1000.0 + 1.0));
    }

    #[test]
    fn a_shadow_falls_away_from_the_light_and_begins_at_the_entry() {
        let shaft = shaft(Kind::Bare);
        let toward = Vector3::new(1.0, 0.0, 1.0).normalize();
        let at = |x: f64| shaft.shadow(Vector3::new(x, 20.0, 0.0), toward, 0.005);
        assert!(at(-50.0) > 0.9 && at(-400.0) > 0.5);
        assert!(at(60.0) < 1e-9 && at(-520.0) < 1e-9);
        let soft = shaft.shadow(Vector3::new(-400.0, 20.0, 0.0), toward, 0.1);
        assert!(soft > 0.0 && soft < 0.2, "{soft}");
    }
}
