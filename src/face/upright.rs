//! Which way is up on the face: rings don't show it, other things in the photo do.

use super::priors::UprightPriors;
use crate::geometry::ImagePoint;
use crate::geometry::camera::{Camera, Pose};
use nalgebra::{Rotation3, Vector2, Vector3};
use serde::{Deserialize, Serialize};
use std::f64::consts::FRAC_PI_2;

/// What the upright was taken from; records name it so.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum UprightSource {
    /// Straight edges of the paper.
    PaperEdge,
    /// Straight edges of the boss.
    BossEdge,
    /// The places of the spots of a triple face.
    Layout,
    /// The printed "+" in the middle.
    CentreMark,
    /// The phone, taken to be held upright.
    Camera,
    /// Points marked by a person.
    Person,
    /// Several of these that agree.
    Fused,
}

/// Where the upright comes from and how sure it is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Upright {
    /// Source.
    pub from: UprightSource,
    /// Standard deviation of the roll about the face's normal, rad.
    pub sd_rad: f64,
}

/// A roll (rad, counter-clockwise as the archer sees it, to be added to the camera's) with its source.
#[derive(Clone, Copy, Debug)]
pub(super) struct Roll {
    pub(super) turn_rad: f64,
    pub(super) upright: Upright,
}

/// The camera with its face frame turned about the normal by `turn_rad`.
pub(super) fn rolled(camera: &Camera, turn_rad: f64) -> Camera {
    let turn = Rotation3::from_axis_angle(&Vector3::z_axis(), turn_rad).into_inner();
    Camera {
        lens: camera.lens,
        pose: Pose {
            rotation: camera.pose.rotation * turn,
            ..camera.pose
        },
    }
}

/// Roll under which the face's vertical is that of a phone held upright before a boss that leans back by `lean_rad`.
fn held_upright(camera: &Camera, lean_rad: f64) -> f64 {
    let n: Vector3<f64> = camera.pose.rotation.column(2).into_owned();
    // world up in the camera frame is (0, −cos a, −sin a) for a phone pitched by a; the boss's lean fixes a:
    // n · up = sin lean
    let (y, z) = (-n.y, -n.z);
    let size = y.hypot(z).max(1e-9);
    let a = (lean_rad.sin() / size).clamp(-1.0, 1.0).asin() - y.atan2(z);
    let up = Vector3::new(0.0, -a.cos(), -a.sin());
    let on_face = camera.pose.rotation.transpose() * up;
    // the direction of up in the present face frame; turning the frame by that much puts its y axis there
    (-on_face.x).atan2(on_face.y)
}

/// Two uprights that lie further apart, in standard deviations of their difference, are not fused.
const MAX_FUSED_SDS: f64 = 2.5;
/// Further apart than this they contradict each other, and that is said.
const CONTRADICTION_SDS: f64 = 3.0;
/// A source with less than this part of the weight changes nothing.
const MIN_WEIGHT_SHARE: f64 = 0.01;
/// The surest source is named alone when the others change its standard deviation by less than this.
const SINGLE_SOURCE_SHARE: f64 = 0.05;

/// What all sources together say.
#[derive(Clone, Debug)]
pub(super) struct CombinedUpright {
    pub(super) roll: Roll,
    /// Sources that contradict it, with their difference from it, rad.
    pub(super) against: Vec<(UprightSource, f64)>,
}

/// Fuses uprights given against the same camera, in the order of trust: the first is kept, each further one weighs in with
/// its variance if it agrees with what those before it say.
pub(super) fn fused(first: Roll, others: &[Roll]) -> CombinedUpright {
    let mut roll = first;
    let mut apart = Vec::new();
    for other in others {
        let (a, b) = (roll.upright.sd_rad.powi(2), other.upright.sd_rad.powi(2));
        let off = wrapped(other.turn_rad - roll.turn_rad);
        if off.abs() > MAX_FUSED_SDS * (a + b).sqrt() {
            apart.push(*other);
            continue;
        }
        if a < MIN_WEIGHT_SHARE * b {
            continue;
        }
        roll.turn_rad += off * a / (a + b);
        roll.upright.sd_rad = (a * b / (a + b)).sqrt();
    }
    if roll.upright.sd_rad < (1.0 - SINGLE_SOURCE_SHARE) * first.upright.sd_rad {
        roll.upright.from = UprightSource::Fused;
    }
    let against = apart
        .iter()
        .map(|o| (o, wrapped(o.turn_rad - roll.turn_rad)))
        .filter(|(o, off)| {
            off.abs() > CONTRADICTION_SDS * roll.upright.sd_rad.hypot(o.upright.sd_rad)
        })
        .map(|(o, off)| (o.upright.from, off))
        .collect();
    CombinedUpright { roll, against }
}

/// Marks that leave the direction between them open by more than this (one standard deviation) show none, rad.
const MAX_MARKED_SD_RAD: f64 = 0.17;

/// The roll under which two marked points stand above each other, the lower one first. `None` where they are too near each
/// other to show a direction.
pub(super) fn from_person(
    camera: &Camera,
    ends: [ImagePoint; 2],
    priors: &UprightPriors,
) -> Option<Roll> {
    let on_face = |p: ImagePoint| {
        let at = camera.face_from_image(p)?;
        Some(Vector2::new(at.x, at.y))
    };
    let [low, high] = [on_face(ends[0])?, on_face(ends[1])?];
    let along = high - low;
    let across = Vector2::new(-along.y, along.x).try_normalize(0.0)?;
    // what an error of either mark in either direction moves across the line, mm
    let mut variance = 0.0;
    for (end, at) in ends.into_iter().zip([low, high]) {
        for (dx, dy) in [(1.0, 0.0), (0.0, 1.0)] {
            let moved = on_face(ImagePoint::new(end.x + dx, end.y + dy))?;
            variance += (priors.marked_sd_px * across.dot(&(moved - at))).powi(2);
        }
    }
    let by_marks = variance.sqrt() / along.norm();
    let sd_rad = by_marks.hypot(priors.marked_sd_deg.to_radians());
    (by_marks < MAX_MARKED_SD_RAD).then_some(Roll {
        turn_rad: (-along.x).atan2(along.y),
        upright: Upright {
            from: UprightSource::Person,
            sd_rad,
        },
    })
}

/// An angle between −π and π.
fn wrapped(angle: f64) -> f64 {
    let (sin, cos) = angle.sin_cos();
    sin.atan2(cos)
}

/// Of the four turns in which a square lies as in `turn`, the one nearest to `to`, rad.
pub(super) fn nearest_quarter(turn: f64, to: f64) -> f64 {
    turn + FRAC_PI_2 * (wrapped(to - turn) / FRAC_PI_2).round()
}

/// The roll if the phone was held upright: a prior, not a measurement.
pub(super) fn prior_held_upright(camera: &Camera, priors: &UprightPriors) -> Roll {
    let lean = priors.lean_back_deg.to_radians();
    let sd = priors.lean_back_sd_deg.to_radians();
    let turn_rad = held_upright(camera, lean);
    let by_lean = 0.5 * (held_upright(camera, lean + sd) - held_upright(camera, lean - sd));
    let sd_rad = priors.hand_held_sd_deg.to_radians().hypot(by_lean);
    Roll {
        turn_rad,
        upright: Upright {
            from: UprightSource::Camera,
            sd_rad,
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::camera::Lens;
    use nalgebra::Matrix3;

    #[test]
    fn the_surer_upright_weighs_more_and_a_contrary_one_is_named() {
        let roll = |turn_rad, sd_rad, from| Roll {
            turn_rad,
            upright: Upright { from, sd_rad },
        };
        let boss = roll(0.15, 0.02, UprightSource::BossEdge);
        let near = fused(boss, &[roll(0.1, 0.04, UprightSource::Camera)]);
        assert!((near.roll.turn_rad - 0.14).abs() < 1e-12, "{near:?}");
        assert!((near.roll.upright.sd_rad - 0.04 / 5f64.sqrt()).abs() < 1e-12);
        assert_eq!(near.roll.upright.from, UprightSource::Fused);
        let far = fused(boss, &[roll(0.0, 0.04, UprightSource::Camera)]);
        assert_eq!(far.roll.upright, boss.upright);
        assert_eq!(far.against.len(), 1);
        assert_eq!(far.against[0].0, UprightSource::Camera);
        let paper = roll(0.15, 0.002, UprightSource::PaperEdge);
        let sure = fused(paper, &[roll(0.1, 0.04, UprightSource::Camera)]);
        assert_eq!(sure.roll.upright.from, UprightSource::PaperEdge);
        assert!(sure.against.is_empty());
    }

    #[test]
    fn uprights_are_compared_around_the_circle() {
        let roll = |turn_rad: f64| Roll {
            turn_rad,
            upright: Upright {
                from: UprightSource::Camera,
                sd_rad: 0.04,
            },
        };
        let both = fused(roll(3.13), &[roll(-3.13)]);
        assert!(
            both.against.is_empty() && both.roll.turn_rad > 3.13,
            "{both:?}"
        );
        let quarter = fused(roll(-3.0), &[roll(1.7)]);
        assert!((quarter.against[0].1 + 1.583).abs() < 1e-3, "{quarter:?}");
        assert!((nearest_quarter(0.1, 1.5) - 0.1 - FRAC_PI_2).abs() < 1e-12);
        assert!((nearest_quarter(-3.1, 3.1) + 3.1).abs() < 1e-12);
    }

    #[test]
    fn an_upright_phone_gives_back_the_vertical() {
        // face leaning back 8°, seen from 40° to the side by a phone without roll, pitched 5° down
        let lean = 8f64.to_radians();
        let world_from_face = Rotation3::from_axis_angle(&Vector3::x_axis(), -lean);
        // world: x right, y up, z towards the archer; camera looks along −z turned by 40°, pitched
        let yaw = Rotation3::from_axis_angle(&Vector3::y_axis(), 40f64.to_radians());
        let pitch = Rotation3::from_axis_angle(&Vector3::x_axis(), -5f64.to_radians());
        let camera_axes = Matrix3::new(1.0, 0.0, 0.0, 0.0, -1.0, 0.0, 0.0, 0.0, -1.0);
        let world_from_camera = (yaw * pitch).into_inner() * camera_axes;
        let rotation = world_from_camera.transpose() * world_from_face.into_inner();
        let pose = Pose {
            rotation,
            translation_mm: Vector3::new(0.0, 0.0, 2000.0),
        };
        let lens = Lens {
            f_px: 3000.0,
            cx_px: 0.0,
            cy_px: 0.0,
            k1: 0.0,
            k2: 0.0,
        };
        let turned = rolled(&Camera { lens, pose }, 0.3);
        assert!(
            (held_upright(&turned, lean) + 0.3).abs() < 1e-9,
            "{}",
            held_upright(&turned, lean)
        );
    }
}
