//! The camera: lens and pose, and the way between picture and face plane.
//!
//! A face point X = (x, y, z) mm goes to the camera as Xc = R X + t (camera x right, y down, z forward), to the normalised
//! u = (Xc.x/Xc.z, Xc.y/Xc.z), through the radial terms u_d = u (1 + k1 r² + k2 r⁴), r = |u| (Brown–Conrady, the
//! convention of Zhang 2000, PAMI 22(11), eq. 11–12), and to pixels by f and the principal point.

use crate::geometry::{FacePoint, ImagePoint};
use nalgebra::{Matrix3, SMatrix, Vector2, Vector3};

/// Focal length, principal point and radial distortion of a photo, in pixels of the upright picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lens {
    /// Focal length, px (square pixels).
    pub f_px: f64,
    /// Principal point, x, px.
    pub cx_px: f64,
    /// Principal point, y, px.
    pub cy_px: f64,
    /// Radial term of r², unitless.
    pub k1: f64,
    /// Radial term of r⁴, unitless.
    pub k2: f64,
}

impl Lens {
    /// Normalised, undistorted direction → pixel.
    #[must_use]
    pub fn pixel_from_normalised(&self, u: Vector2<f64>) -> ImagePoint {
        let r2 = u.norm_squared();
        let q = 1.0 + r2 * (self.k1 + self.k2 * r2);
        ImagePoint::new(
            self.cx_px + self.f_px * u.x * q,
            self.cy_px + self.f_px * u.y * q,
        )
    }

    /// Pixel → normalised, undistorted direction, by Newton's method on the radius. `None` where the radial map cannot be
    /// inverted (beyond its turning point) or the input isn't finite.
    #[must_use]
    pub fn normalised_from_pixel(&self, p: ImagePoint) -> Option<Vector2<f64>> {
        let d = Vector2::new(
            (p.x - self.cx_px) / self.f_px,
            (p.y - self.cy_px) / self.f_px,
        );
        let rd = d.norm();
        if !rd.is_finite() {
            return None;
        }
        if rd < 1e-12 {
            return Some(d);
        }
        let mut r = rd;
        for _ in 0..50 {
            let r2 = r * r;
            let slope = 1.0 + r2 * (3.0 * self.k1 + 5.0 * self.k2 * r2);
            if slope < 1e-6 {
                return None;
            }
            let step = (r * (1.0 + r2 * (self.k1 + self.k2 * r2)) - rd) / slope;
            r -= step;
            if !r.is_finite() || r < 0.0 {
                return None;
            }
            if step.abs() < 1e-14 {
                break;
            }
        }
        Some(d * (r / rd))
    }
}

/// Where the face stands before the camera: camera point = `rotation` · face point + `translation_mm`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pose {
    /// Face frame → camera frame (x right, y down, z forward); a proper rotation.
    pub rotation: Matrix3<f64>,
    /// The face's centre in the camera frame, mm.
    pub translation_mm: Vector3<f64>,
}

/// Lens and pose of one photo.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Camera {
    /// The lens.
    pub lens: Lens,
    /// The pose.
    pub pose: Pose,
}

impl Camera {
    /// A point of the face frame (mm, z towards the archer) → pixel. `None` when it isn't in front of the camera.
    #[must_use]
    pub fn project(&self, p: Vector3<f64>) -> Option<ImagePoint> {
        let c = self.pose.rotation * p + self.pose.translation_mm;
        (c.z > 1e-6).then(|| {
            self.lens
                .pixel_from_normalised(Vector2::new(c.x / c.z, c.y / c.z))
        })
    }

    /// A point of the face plane (mm) → pixel.
    #[must_use]
    pub fn image_from_face(&self, p: FacePoint) -> Option<ImagePoint> {
        self.project(p.at_height(0.0))
    }

    /// Pixel → the point of the plane `height_mm` in front of the face plane that it shows. `None` when the ray misses it.
    #[must_use]
    pub fn plane_from_image(&self, p: ImagePoint, height_mm: f64) -> Option<FacePoint> {
        let u = self.lens.normalised_from_pixel(p)?;
        let centre = self.centre_mm();
        let ray = self.pose.rotation.transpose() * Vector3::new(u.x, u.y, 1.0);
        let s = (height_mm - centre.z) / ray.z;
        (s.is_finite() && s > 0.0)
            .then(|| FacePoint::new(centre.x + s * ray.x, centre.y + s * ray.y))
    }

    /// Pixel → the point of the face plane that it shows, mm.
    #[must_use]
    pub fn face_from_image(&self, p: ImagePoint) -> Option<FacePoint> {
        self.plane_from_image(p, 0.0)
    }

    /// The point of the face plane that a pixel shows with its derivatives, one column for each parameter of [`CameraDelta`]
    /// (mm per unit of that parameter). `None` where [`face_from_image`](Self::face_from_image) gives none.
    #[must_use]
    pub fn face_with_jacobian(
        &self,
        p: ImagePoint,
    ) -> Option<(FacePoint, SMatrix<f64, 2, PARAMETERS>)> {
        let lens = &self.lens;
        let u = lens.normalised_from_pixel(p)?;
        let back = self.pose.rotation.transpose();
        let centre = -(back * self.pose.translation_mm);
        let ray = back * Vector3::new(u.x, u.y, 1.0);
        let s = -centre.z / ray.z;
        if !(s.is_finite() && s > 0.0) {
            return None;
        }
        let at = FacePoint::new(centre.x + s * ray.x, centre.y + s * ray.y);
        // a displacement of the point along with its ray slides back along the ray into the plane
        let slide = Vector2::new(ray.x / ray.z, ray.y / ray.z);
        let on_plane = |d: Vector3<f64>| Vector2::new(d.x - slide.x * d.z, d.y - slide.y * d.z);
        let by_u = |du: Vector2<f64>| on_plane(back * Vector3::new(s * du.x, s * du.y, 0.0));
        let r = u.norm();
        let (along, slope) = (
            u.try_normalize(1e-12).unwrap_or_default(),
            1.0 + r * r * (3.0 * lens.k1 + 5.0 * lens.k2 * r * r),
        );
        let grown = 1.0 + r * r * (lens.k1 + lens.k2 * r * r);
        // undistorted direction by distorted direction: 1/slope along the radius, 1/grown across it
        let undistorted = |d: Vector2<f64>| {
            let radial = along.dot(&d);
            along * (radial / slope) + (d - along * radial) / grown
        };
        let mut j = SMatrix::<f64, 2, PARAMETERS>::zeros();
        j.set_column(LN_F, &by_u(-along * (r * grown / slope)));
        j.set_column(CX, &by_u(undistorted(Vector2::new(-1.0 / lens.f_px, 0.0))));
        j.set_column(CY, &by_u(undistorted(Vector2::new(0.0, -1.0 / lens.f_px))));
        j.set_column(K1, &by_u(-along * (r.powi(3) / slope)));
        j.set_column(K2, &by_u(-along * (r.powi(5) / slope)));
        j.set_column(ROTATION_X, &on_plane(Vector3::new(0.0, 0.0, -at.y)));
        j.set_column(ROTATION_Y, &on_plane(Vector3::new(0.0, 0.0, at.x)));
        j.set_column(ROLL, &Vector2::new(at.y, -at.x));
        for k in 0..3 {
            j.set_column(TRANSLATION + k, &on_plane(-back.column(k)));
        }
        Some((at, j))
    }

    /// The camera's centre in the face frame, mm: x, y is the foot point on the face plane, z the distance from that plane.
    #[must_use]
    pub fn centre_mm(&self) -> Vector3<f64> {
        -(self.pose.rotation.transpose() * self.pose.translation_mm)
    }

    /// The foot point: where the camera stands over the face plane, mm. Every perpendicular shaft points away from it.
    #[must_use]
    pub fn foot(&self) -> FacePoint {
        let c = self.centre_mm();
        FacePoint::new(c.x, c.y)
    }

    /// Homography that takes homogeneous *undistorted* pixels to face millimetres: the `image_to_face` of the end record,
    /// scaled so that its last element is 1 (or its largest, if that vanishes). `None` when it doesn't exist.
    #[must_use]
    pub fn image_to_face(&self) -> Option<Matrix3<f64>> {
        let (r, t, l) = (&self.pose.rotation, &self.pose.translation_mm, &self.lens);
        let k = Matrix3::new(l.f_px, 0.0, l.cx_px, 0.0, l.f_px, l.cy_px, 0.0, 0.0, 1.0);
        let plane =
            Matrix3::from_columns(&[r.column(0).into_owned(), r.column(1).into_owned(), *t]);
        let h = (k * plane).try_inverse()?;
        let scale = if h[(2, 2)].abs() > 1e-9 * h.amax() {
            h[(2, 2)]
        } else {
            h.amax()
        };
        let h = h / scale;
        h.iter().all(|v| v.is_finite()).then_some(h)
    }

    /// Angle between the view to the face's centre and the face's normal, rad.
    #[must_use]
    pub fn tilt_rad(&self) -> f64 {
        let c = self.centre_mm();
        (c.z / c.norm()).clamp(-1.0, 1.0).acos()
    }
}

/// Number of parameters by which a [`Camera`] is moved and whose covariance a fit states.
pub const PARAMETERS: usize = 11;
/// Index of the logarithm of the focal length.
pub const LN_F: usize = 0;
/// Index of the principal point's x, px.
pub const CX: usize = 1;
/// Index of the principal point's y, px.
pub const CY: usize = 2;
/// Index of the radial term k1.
pub const K1: usize = 3;
/// Index of the radial term k2.
pub const K2: usize = 4;
/// Index of the turn about the face's x axis, rad.
pub const ROTATION_X: usize = 5;
/// Index of the turn about the face's y axis, rad.
pub const ROTATION_Y: usize = 6;
/// Index of the turn about the face's normal, rad, counter-clockwise as the archer sees it: the roll.
pub const ROLL: usize = 7;
/// Index of the first of three shifts of the face's centre in the camera frame, mm.
pub const TRANSLATION: usize = 8;

/// An increment in the tangent space of a camera, indexed by [`LN_F`] to [`TRANSLATION`].
pub type CameraDelta = nalgebra::SVector<f64, PARAMETERS>;

impl Camera {
    /// The camera with `delta` added to its parameters (the retraction x ⊞ δ of its manifold): the face is turned about its own centre (vector turn, face frame), then shifted.
    #[must_use]
    pub fn retract(&self, delta: &CameraDelta) -> Self {
        let turn = Vector3::new(delta[ROTATION_X], delta[ROTATION_Y], delta[ROLL]);
        let shift = Vector3::new(
            delta[TRANSLATION],
            delta[TRANSLATION + 1],
            delta[TRANSLATION + 2],
        );
        Self {
            lens: Lens {
                f_px: self.lens.f_px * delta[LN_F].exp(),
                cx_px: self.lens.cx_px + delta[CX],
                cy_px: self.lens.cy_px + delta[CY],
                k1: self.lens.k1 + delta[K1],
                k2: self.lens.k2 + delta[K2],
            },
            pose: Pose {
                rotation: self.pose.rotation * nalgebra::Rotation3::new(turn).into_inner(),
                translation_mm: self.pose.translation_mm + shift,
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn derivatives_are_those_of_differences() {
        let camera = Camera {
            lens: Lens {
                f_px: 2400.0,
                cx_px: 2000.0,
                cy_px: 1500.0,
                k1: -0.08,
                k2: 0.02,
            },
            pose: Pose {
                rotation: nalgebra::Rotation3::from_euler_angles(2.7, 0.4, -0.3).into_inner(),
                translation_mm: Vector3::new(150.0, -80.0, 1900.0),
            },
        };
        for p in [
            ImagePoint::new(2000.0, 1500.0),
            ImagePoint::new(900.0, 2300.0),
            ImagePoint::new(3100.0, 400.0),
        ] {
            let (at, j) = camera.face_with_jacobian(p).unwrap();
            assert!(at.distance(camera.face_from_image(p).unwrap()) < 1e-9);
            for k in 0..PARAMETERS {
                let step = if (CX..=CY).contains(&k) || k >= TRANSLATION {
                    1e-3
                } else {
                    1e-6
                };
                let at = |sign: f64| {
                    let mut d = CameraDelta::zeros();
                    d[k] = sign * step;
                    camera.retract(&d).face_from_image(p).unwrap()
                };
                let (up, down) = (at(1.0), at(-1.0));
                let seen = Vector2::new(
                    (up.x - down.x) / (2.0 * step),
                    (up.y - down.y) / (2.0 * step),
                );
                let off = (seen - j.column(k)).norm();
                assert!(off < 1e-4 * (1.0 + seen.norm()), "{k} at {p:?}: {off}");
            }
        }
    }
}
