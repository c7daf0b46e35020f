//! From a found spot to a first camera, and from several spots to one face.

use super::find::{Spot, axes};
use super::spec::FaceSpec;
use crate::geometry::camera::{Camera, Lens, Pose};
use crate::geometry::{FacePoint, ImagePoint};
use nalgebra::{Matrix3, Rotation3, Vector2, Vector3};

/// How far a spot may be from where the layout has it, relative to its distance from the first.
const LAYOUT_TOLERANCE: f64 = 0.15;

/// The two cameras that see a circle as the spot's ellipse (to first order they can't be told apart: the face is turned one
/// way or the other), with the picture's up as the face's up.
pub(super) fn cameras(spot: &Spot, lens: Lens) -> Vec<Camera> {
    let (long, short, direction) = axes(&spot.metric);
    let tilt = (short / long).clamp(0.0, 1.0).acos();
    let Some(u) = lens.normalised_from_pixel(spot.centre) else {
        return Vec::new();
    };
    let view = Vector3::new(u.x, u.y, 1.0).normalize();
    let to_view =
        Rotation3::rotation_between(&Vector3::z(), &view).unwrap_or_else(Rotation3::identity);
    let distance = lens.f_px * u.norm_squared().mul_add(1.0, 1.0).sqrt() / long;
    let mut out = Vec::new();
    for sign in [1.0, -1.0] {
        let side: Vector2<f64> = direction * (sign * tilt.sin());
        let normal = to_view * Vector3::new(side.x, side.y, -tilt.cos());
        if let Some(rotation) = rotation_from_normal_and_up(normal, -Vector3::y()) {
            out.push(Camera {
                lens,
                pose: Pose {
                    rotation,
                    translation_mm: view * distance,
                },
            });
        }
        if tilt < 1e-3 {
            break;
        }
    }
    out
}

/// Rotation whose z axis is `normal` and whose y axis comes nearest to `up` (camera frame).
pub(super) fn rotation_from_normal_and_up(
    normal: Vector3<f64>,
    up: Vector3<f64>,
) -> Option<Matrix3<f64>> {
    let z = normal.try_normalize(1e-12)?;
    let y = (up - z * up.dot(&z)).try_normalize(1e-9)?;
    Some(Matrix3::from_columns(&[y.cross(&z), y, z]))
}

/// A face of several spots: which found spot is which centre.
#[derive(Clone, Debug)]
pub(super) struct SpotAssignment {
    /// For each centre of the specification the index of the found spot.
    pub(super) members: Vec<Option<usize>>,
    /// Where the middle of the face lies in the picture.
    pub(super) centre: ImagePoint,
    /// First cameras, origin at the face's middle.
    pub(super) cameras: Vec<Camera>,
}

/// All ways to see faces of `spec` in the found spots, most spots first; each spot is used once. `size`: of the photo, px.
pub(super) fn spot_assignments(
    spots: &[Spot],
    spec: &FaceSpec,
    lens: Lens,
    size: (u32, u32),
) -> Vec<SpotAssignment> {
    if spec.spots_mm.len() == 1 {
        return spots
            .iter()
            .enumerate()
            .map(|(i, s)| SpotAssignment {
                members: vec![Some(i)],
                centre: s.centre,
                cameras: cameras(s, lens),
            })
            .collect();
    }
    let mut all: Vec<(usize, usize, f64, SpotAssignment)> = Vec::new();
    for anchor in 0..spots.len() {
        for centre in 0..spec.spots_mm.len() {
            for (n, roll, assignment) in around(spots, spec, lens, anchor, centre) {
                all.push((n, unseen(&assignment, spec, size), roll, assignment));
            }
        }
    }
    // two spots of three may be the upper or the lower ones: those whose fellow lies outside the picture
    all.sort_by(|a, b| (b.0, a.1).cmp(&(a.0, b.1)).then(a.2.total_cmp(&b.2)));
    let mut used = vec![false; spots.len()];
    let mut out = Vec::new();
    for (_, _, _, assignment) in all {
        let members: Vec<usize> = assignment.members.iter().flatten().copied().collect();
        if let Some(same) = out
            .iter_mut()
            .find(|o: &&mut SpotAssignment| o.members == assignment.members)
        {
            same.cameras.extend(assignment.cameras);
        } else if members.iter().all(|i| !used[*i]) {
            for i in members {
                used[i] = true;
            }
            out.push(assignment);
        }
    }
    out
}

/// How much of the spots that were not found should be in the picture, in tenths of an outermost ring.
fn unseen(assignment: &SpotAssignment, spec: &FaceSpec, (width, height): (u32, u32)) -> usize {
    let r = spec.outer_radius_mm();
    let missing = spec.spots_mm.iter().zip(&assignment.members);
    missing
        .filter(|(_, member)| member.is_none())
        .flat_map(|(spot, _)| {
            (0..10u32).map(|k| {
                let (sin, cos) = (std::f64::consts::TAU * f64::from(k) / 10.0).sin_cos();
                FacePoint::new(spot.x + r * cos, spot.y + r * sin)
            })
        })
        .filter_map(|p| assignment.cameras.first()?.image_from_face(p))
        .filter(|p| p.x > 0.0 && p.y > 0.0 && p.x < f64::from(width) && p.y < f64::from(height))
        .count()
}

/// Layouts in which spot `anchor` is centre number `centre`: (spots that fit, size of the roll, layout).
fn around(
    spots: &[Spot],
    spec: &FaceSpec,
    lens: Lens,
    anchor: usize,
    centre: usize,
) -> Vec<(usize, f64, SpotAssignment)> {
    let at = spec.spots_mm[centre];
    let mut out = Vec::new();
    for camera in cameras(&spots[anchor], lens) {
        let seen: Vec<Option<FacePoint>> = spots
            .iter()
            .map(|s| camera.face_from_image(s.centre))
            .collect();
        for (other, to) in spec
            .spots_mm
            .iter()
            .enumerate()
            .filter(|(i, _)| *i != centre)
        {
            let want = Vector2::new(to.x - at.x, to.y - at.y);
            for q in seen
                .iter()
                .enumerate()
                .filter(|(i, _)| *i != anchor)
                .filter_map(|(_, q)| *q)
            {
                let have = Vector2::new(q.x, q.y);
                if (have.norm() / want.norm() - 1.0).abs() > 2.0 * LAYOUT_TOLERANCE {
                    continue;
                }
                let roll = have.y.atan2(have.x) - want.y.atan2(want.x);
                let roll = roll.sin().atan2(roll.cos());
                let members = assign(&seen, spec, anchor, centre, roll);
                let n = members.iter().flatten().count();
                if n >= 2 && members[other].is_some() {
                    out.push((
                        n,
                        roll.abs(),
                        finish(spots, spec, camera, members, roll, at),
                    ));
                }
            }
        }
    }
    out
}

fn assign(
    seen: &[Option<FacePoint>],
    spec: &FaceSpec,
    anchor: usize,
    centre: usize,
    roll: f64,
) -> Vec<Option<usize>> {
    let at = spec.spots_mm[centre];
    let (sin, cos) = roll.sin_cos();
    let mut members: Vec<Option<usize>> = vec![None; spec.spots_mm.len()];
    members[centre] = Some(anchor);
    for (i, to) in spec
        .spots_mm
        .iter()
        .enumerate()
        .filter(|(i, _)| *i != centre)
    {
        let (dx, dy) = (to.x - at.x, to.y - at.y);
        let want = FacePoint::new(cos * dx - sin * dy, sin * dx + cos * dy);
        let tolerance = 2.0 * LAYOUT_TOLERANCE * dx.hypot(dy);
        let near = seen
            .iter()
            .enumerate()
            .filter(|(j, _)| *j != anchor)
            .filter_map(|(j, q)| Some((j, q.as_ref()?.distance(want))))
            .filter(|(_, d)| *d < tolerance)
            .min_by(|a, b| a.1.total_cmp(&b.1));
        members[i] = near.map(|n| n.0).filter(|j| !members.contains(&Some(*j)));
    }
    members
}

fn finish(
    spots: &[Spot],
    spec: &FaceSpec,
    camera: Camera,
    members: Vec<Option<usize>>,
    roll: f64,
    at: FacePoint,
) -> SpotAssignment {
    let turned =
        camera.pose.rotation * Rotation3::from_axis_angle(&Vector3::z_axis(), roll).into_inner();
    let camera = Camera {
        lens: camera.lens,
        pose: Pose {
            rotation: turned,
            translation_mm: camera.pose.translation_mm - turned * at.at_height(0.0),
        },
    };
    // the middle as the mean of the members is good enough for ranking
    let found: Vec<&Spot> = members.iter().flatten().map(|i| &spots[*i]).collect();
    let n = crate::math::count(found.len().max(1));
    let mean = ImagePoint::new(
        found.iter().map(|s| s.centre.x).sum::<f64>() / n,
        found.iter().map(|s| s.centre.y).sum::<f64>() / n,
    );
    let centre = camera.image_from_face(FacePoint::default()).unwrap_or(mean);
    debug_assert_eq!(members.len(), spec.spots_mm.len());
    SpotAssignment {
        members,
        centre,
        cameras: vec![camera],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Matrix2;

    #[test]
    fn first_camera_sees_the_ellipse() {
        let lens = Lens {
            f_px: 3000.0,
            cx_px: 1500.0,
            cy_px: 1000.0,
            k1: 0.0,
            k2: 0.0,
        };
        // 2 px/mm across, 1 px/mm along y: tilt 60°
        let spot = Spot {
            centre: ImagePoint::new(1500.0, 1000.0),
            metric: Matrix2::new(0.25, 0.0, 0.0, 1.0),
            edges: Vec::new(),
            support: 1.0,
        };
        let both = cameras(&spot, lens);
        assert_eq!(both.len(), 2);
        for c in both {
            assert!((c.tilt_rad().to_degrees() - 60.0).abs() < 1e-6);
            assert!((c.pose.rotation.determinant() - 1.0).abs() < 1e-12);
            let p = c.image_from_face(FacePoint::new(1.0, 0.0)).unwrap();
            assert!((p.x - 1502.0).abs() < 1e-6 && (p.y - 1000.0).abs() < 1e-6);
            assert!(c.image_from_face(FacePoint::new(0.0, 1.0)).unwrap().y < 1000.0);
        }
    }
}
