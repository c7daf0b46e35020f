//! Where camera and shafts stand.

use super::appearance::ArrowAppearance;
use super::arrow::Shaft;
use super::random::{Draw, Subject};
use super::world::World;
use super::{Options, RehearseError};
use crate::geometry::FacePoint;
use crate::geometry::camera::{Camera, Lens, Pose};
use crate::photo::DIAGONAL_35MM;
use crate::record::ArrowKind;
use nalgebra::{Matrix3, Rotation3, Vector3};

/// Sizes of pictures if none is stated, px: eight and twelve million.
const SIZES: [(u32, u32); 2] = [(3264, 2448), (4032, 3024)];

/// The camera and its picture.
#[derive(Clone, Debug)]
pub(super) struct Viewpoint {
    pub(super) camera: Camera,
    pub(super) width: u32,
    pub(super) height: u32,
    /// What EXIF says of the focal length, mm.
    pub(super) f35_mm: f64,
}

/// A camera in front of the face, held upright by hand. `up` is the world's up in the face frame, `half` half of what should be
/// in the picture.
pub(super) fn camera(world: &World, options: &Options, up: Vector3<f64>, half: f64) -> Viewpoint {
    let w = &world.camera;
    let mut draw = Draw::new(options.seed, Subject::Camera);
    let lens = draw.unit();
    let portrait = draw.chance(w.portrait_share);
    let drawn = draw.one_of(&SIZES);
    let (width, height) = options
        .size
        .unwrap_or(if portrait { (drawn.1, drawn.0) } else { drawn });
    let wide = lens > 1.0 - w.wide_share;
    let f35_mm = draw.within(if wide {
        w.wide_35mm
    } else if lens < w.tele_share {
        w.tele_35mm
    } else {
        w.main_35mm
    });
    let (wf, hf) = (f64::from(width), f64::from(height));
    let f_px = f35_mm * wf.hypot(hf) / DIAGONAL_35MM * draw.normal(w.focal_ln_sd).exp();
    let (k1, k2) = if wide {
        let k1 = draw.within(w.wide_k1);
        (k1, k1 * k1 * draw.within(w.wide_k2_over_k1_squared))
    } else {
        (draw.normal(w.k1_sd), draw.normal(w.k2_sd))
    };
    let lens = Lens {
        f_px,
        cx_px: (wf - 1.0) / 2.0 + draw.normal(w.principal_sd_of_width) * wf,
        cy_px: (hf - 1.0) / 2.0 + draw.normal(w.principal_sd_of_width) * wf,
        k1,
        k2,
    };
    let share = draw.within(w.face_share);
    let framed = 2.0 * half * f_px / (share * wf.min(hf));
    let [near, far] = w.distance_m.map(|m| 1000.0 * m);
    let distance = options.camera_mm.unwrap_or_else(|| framed.clamp(near, far));
    let drawn_tilt = draw.within(w.tilt_deg).to_radians();
    let tilt = options.tilt_rad.unwrap_or(drawn_tilt);
    // from the left or the right, hardly from above or below
    let aside = draw.normal(w.aside_sd_rad);
    let around = if draw.chance(0.5) {
        aside
    } else {
        std::f64::consts::PI - aside
    };
    let centre = Vector3::new(
        tilt.sin() * around.cos(),
        tilt.sin() * around.sin(),
        tilt.cos(),
    ) * distance;
    // the middle of the picture: near the face's, farther off if there is room
    let slack = 0.25 * (1.0 - share) * half;
    let aim = Vector3::new(draw.normal(slack), draw.normal(slack), 0.0);
    let forward = (aim - centre).normalize();
    let level = forward.cross(&up).normalize();
    let roll = draw.normal(w.hand_roll_sd_deg).to_radians();
    let turned = Rotation3::from_axis_angle(&nalgebra::Unit::new_normalize(forward), roll);
    let right = turned * level;
    let down = forward.cross(&right);
    let rotation = Matrix3::from_rows(&[right.transpose(), down.transpose(), forward.transpose()]);
    Viewpoint {
        camera: Camera {
            lens,
            pose: Pose {
                rotation,
                translation_mm: -(rotation * centre),
            },
        },
        width,
        height,
        f35_mm,
    }
}

/// Tries for each shaft before there is no room.
const TRIES: usize = 400;
/// Least gap between two tubes, mm.
const GAP: f64 = 0.4;

/// Places the shafts, fletched first.
pub(super) fn shafts(
    world: &World,
    options: &Options,
    appearances: &[ArrowAppearance; 2],
) -> Result<Vec<Shaft>, RehearseError> {
    let w = &world.shaft;
    let mut draw = Draw::new(options.seed, Subject::Shots);
    let spots = &options.face.spots_mm;
    let several = spots.len() > 1;
    let outer = options.face.outer_radius_mm();
    let usual =
        (w.scatter_of_radius * outer + w.scatter_least_mm) * draw.normal(w.scatter_ln_sd).exp();
    let usual = if several {
        usual.min(w.scatter_spot_mm)
    } else {
        usual
    };
    let scatter = options.scatter_mm.unwrap_or(usual);
    let sd = if several {
        w.offset_spot_sd_mm
    } else {
        w.offset_sd_mm
    };
    let drawn = [draw.normal(sd), draw.normal(sd)];
    let offset = options.offset_mm.unwrap_or(drawn);
    let group = [0; 2].map(|_| draw.normal(0.05 * outer));
    let length = draw.within(w.stands_out_mm);
    let common = [0; 2].map(|_| draw.normal(w.lean_common_sd_deg));
    // a bare shaft that was deflected stands with its nock the other way
    let kick = draw.within(w.bare_kick_deg) / (offset[0].hypot(offset[1]) + 60.0);
    let mut placed: Vec<Shaft> = Vec::new();
    let mut colours = Draw::new(options.seed, Subject::Colours);
    let count = options.fletched + options.bare;
    for k in 0..count {
        let kind = if k < options.fletched {
            ArrowKind::Fletched
        } else {
            ArrowKind::Bare
        };
        let bare = kind == ArrowKind::Bare;
        let spot = spots[k % spots.len()];
        let lean_sd = if bare {
            w.bare_lean_sd_deg
        } else {
            w.lean_sd_deg
        };
        let shift = if bare { offset } else { [0.0; 2] };
        let ordinal = if bare { k - options.fletched } else { k };
        let mut of_kind = options.arrows.iter().filter(|a| a.kind == Some(kind));
        let arrow = of_kind.nth(ordinal);
        let appearance = appearances[usize::from(bare)].clone();
        let appearance = match arrow {
            Some(arrow) => appearance.dressed(arrow, world, &mut colours),
            None => appearance,
        };
        let mut found = None;
        for _ in 0..TRIES {
            let at = [0, 1].map(|a| group[a] + shift[a] + draw.normal(scatter));
            let entry = FacePoint::new(spot.x + at[0], spot.y + at[1]);
            let lean = [0, 1].map(|a| {
                let kick = if bare { -kick * offset[a] } else { 0.0 };
                (common[a] + kick + draw.normal(lean_sd))
                    .clamp(-w.lean_limit_deg, w.lean_limit_deg)
                    .to_radians()
            });
            let axis = Vector3::new(lean[0].tan(), lean[1].tan(), 1.0).normalize();
            let stands_out = length + draw.normal(w.stands_out_sd_mm);
            let turn = draw.within([0.0, std::f64::consts::TAU]);
            let mut shaft = Shaft::new(kind, entry, axis, stands_out, turn, appearance.clone());
            shaft.mark = arrow.map(|a| a.arrow.clone());
            if placed.iter().all(|other| apart(&shaft, other)) {
                found = Some(shaft);
                break;
            }
        }
        placed.push(found.ok_or(RehearseError::NoRoom { shafts: count })?);
    }
    Ok(placed)
}

/// Whether two tubes don't run into each other.
fn apart(a: &Shaft, b: &Shaft) -> bool {
    let least = a.appearance.radius + b.appearance.radius + GAP;
    let length = a.stands_out.min(b.stands_out);
    // both run nearly along z: compare at equal heights
    (0..=20).all(|k| {
        let along = length * f64::from(k) / 20.0;
        (a.point(along) - b.point(along)).xy().norm() > least
    })
}
