//! Shafts as solids: a cylinder with its nock, three vanes or none, bands of wrap and tape, and where a ray meets them.

use super::Rgb;
use super::appearance::{ArrowAppearance, Vanes};
use crate::geometry::FacePoint;
use crate::record::ArrowKind;
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

/// One shaft in the boss.
#[derive(Clone, Debug)]
pub(super) struct Shaft {
    pub(super) kind: ArrowKind,
    /// The arrow's own mark, if it has one.
    pub(super) mark: Option<String>,
    /// Where the axis meets the face plane.
    pub(super) entry: FacePoint,
    /// Unit vector towards the nock.
    pub(super) axis: Vector3<f64>,
    /// From the entry to the nock's end, mm.
    pub(super) stands_out: f64,
    pub(super) appearance: ArrowAppearance,
    /// Two directions square to the axis: how the shaft is turned.
    turned: [Vector3<f64>; 2],
    /// Of each vane: root, direction along the root, direction away from the shaft.
    frames: [[Vector3<f64>; 3]; 3],
}

impl Shaft {
    pub(super) fn new(
        kind: ArrowKind,
        entry: FacePoint,
        axis: Vector3<f64>,
        stands_out: f64,
        turn: f64,
        appearance: ArrowAppearance,
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
            appearance,
            turned: [a * cos + b * sin, b * cos - a * sin],
            frames: [[Vector3::zeros(); 3]; 3],
        };
        if let Some(vanes) = &shaft.appearance.vanes {
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
        let with = self.appearance.vanes.as_ref().filter(|v| {
            let rear = self.stands_out - v.gap;
            (rear - v.length - 2.0..=rear + 2.0).contains(&along)
        });
        self.appearance.nock_radius + with.map_or(0.3, |v| v.height + 0.5)
    }

    fn widest(&self) -> f64 {
        self.appearance.nock_radius
            + self
                .appearance
                .vanes
                .as_ref()
                .map_or(0.3, |v| v.height + 0.5)
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
        let joint = self.stands_out - self.appearance.nock_length;
        let mut best = nearer(
            self.hit_tube(
                ray,
                offset,
                self.appearance.radius,
                [-self.appearance.inside, joint],
            ),
            self.hit_tube(
                ray,
                offset,
                self.appearance.nock_radius,
                [joint, self.stands_out],
            ),
        );
        best = nearer(best, self.hit_end(ray));
        if let Some(vanes) = &self.appearance.vanes {
            for k in 0..3 {
                best = nearer(best, self.hit_vane(vanes, k, ray));
            }
        }
        best.filter(|h| h.distance < limit)
    }

    fn in_slot(&self, point: Vector3<f64>, along: f64) -> bool {
        along > self.stands_out - self.appearance.slot_depth
            && (point - self.point(along)).dot(&self.turned[0]).abs() < self.appearance.slot / 2.0
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
            if !outer && along < self.stands_out - self.appearance.slot_depth {
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
        if back < self.appearance.nock_length {
            return (Part::Nock, self.appearance.nock);
        }
        self.appearance
            .bands
            .iter()
            .find(|b| (b.from..b.to).contains(&back))
            .map_or((Part::Tube, self.appearance.tube), |b| {
                (Part::Band, b.colour)
            })
    }

    fn hit_end(&self, ray: &Ray) -> Option<Hit> {
        let facing = ray.toward.dot(&self.axis);
        if facing > -1e-9 {
            return None;
        }
        let end = self.point(self.stands_out);
        let distance = (end - ray.from).dot(&self.axis) / facing;
        let point = ray.at(distance);
        let inside = (point - end).norm() < self.appearance.nock_radius
            && !self.in_slot(point, self.stands_out)
            && distance > 0.0;
        inside.then_some(Hit {
            distance,
            normal: self.axis,
            part: Part::Nock,
            along: self.stands_out,
            colour: self.appearance.nock,
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
        let root = self.point(self.stands_out - vanes.gap - vanes.length)
            + out * self.appearance.radius
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
        let bent = out * BEND_RAD.cos() + side * BEND_RAD.sin();
        let low = self.hit_strip(vanes, ray, frame, [0.0, UNBENT_SHARE], colour);
        let top = [root + out * (UNBENT_SHARE * vanes.height), along, bent];
        let high = self.hit_strip(vanes, ray, top, [UNBENT_SHARE, 1.0], colour);
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
        let Some(vanes) = &self.appearance.vanes else {
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
        FAINT_PENUMBRA_RATIO * self.appearance.radius / blur.max(1e-6)
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
        let r = self.appearance.radius;
        let fading = (2.0 - 2.0 * soft / (FAINT_PENUMBRA_RATIO * r)).clamp(0.0, 1.0);
        if apart > soft + r || fading <= 0.0 {
            return 0.0;
        }
        fading
            * overlap(apart, soft, [-r, r])
            * overlap(
                along,
                soft / sine2.sqrt(),
                [-self.appearance.inside, self.stands_out],
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
        if up <= 0.0 || up * blur > FAINT_PENUMBRA_RATIO * self.appearance.radius {
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
const BEND_RAD: f64 = 1.0;
const UNBENT_SHARE: f64 = 0.45;
/// A penumbra so many times wider than the shaft is no longer seen.
const FAINT_PENUMBRA_RATIO: f64 = 20.0;
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
    use crate::rehearse::appearance::arrow_appearances;
    use crate::rehearse::world::World;

    fn shaft(kind: ArrowKind) -> Shaft {
        let world = World::read().unwrap();
        let [fletched, bare] = arrow_appearances(&world, 5);
        let appearance = if kind == ArrowKind::Fletched {
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
            appearance,
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
        let shaft = shaft(ArrowKind::Bare);
        let hit = shaft
            .hit(&ray([1000.0, 20.0, 200.0], [10.0, 20.0, 200.0]), 1e9)
            .unwrap();
        assert!((hit.distance - (990.0 - shaft.appearance.radius)).abs() < 1e-9);
        assert!((hit.along - 200.0).abs() < 1e-9);
        assert!((hit.normal - Vector3::x()).norm() < 1e-9);
        let beside = 20.0 + shaft.appearance.radius + 0.01;
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
        for (kind, wide) in [(ArrowKind::Fletched, true), (ArrowKind::Bare, false)] {
            let shaft = shaft(kind);
            let beyond = |z: f64| {
                let (from, out) = ([10.0, 2000.0, z], shaft.appearance.radius + 2.0);
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
        let shaft = shaft(ArrowKind::Bare);
        let down = |x: f64, y: f64| shaft.hit(&ray([x, y, 1500.0], [x, y, 0.0]), 1e9);
        let side = shaft.turned[1] * (shaft.appearance.radius * 0.5);
        let ear = shaft.turned[0] * (shaft.appearance.radius * 0.9);
        let at = |v: Vector3<f64>| down(10.0 + v.x, 20.0 + v.y);
        assert!((at(ear).unwrap().distance - 1000.0).abs() < 1e-9);
        assert!(at(side).is_none_or(|h| h.distance > 1000.0 + 1.0));
    }

    #[test]
    fn a_shadow_falls_away_from_the_light_and_begins_at_the_entry() {
        let shaft = shaft(ArrowKind::Bare);
        let toward = Vector3::new(1.0, 0.0, 1.0).normalize();
        let at = |x: f64| shaft.shadow(Vector3::new(x, 20.0, 0.0), toward, 0.005);
        assert!(at(-50.0) > 0.9 && at(-400.0) > 0.5);
        assert!(at(60.0) < 1e-9 && at(-520.0) < 1e-9);
        let soft = shaft.shadow(Vector3::new(-400.0, 20.0, 0.0), toward, 0.1);
        assert!(soft > 0.0 && soft < 0.2, "{soft}");
    }
}
