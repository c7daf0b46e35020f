//! The camera of a record at work: pixels to millimetres and back, exactly as the record defines it.

use super::{CameraRecord, FaceToCamera, FocalSource, SheetRecord, UprightRecord};
use crate::face::Sheet;
use crate::geometry::camera::{Camera, Lens, Pose};
use crate::geometry::{FacePoint, ImagePoint};
use nalgebra::{Matrix3, Vector2, Vector3};

impl CameraRecord {
    /// The lens of this record.
    #[must_use]
    pub const fn lens(&self) -> Lens {
        Lens {
            f_px: self.fx_px,
            cx_px: self.cx_px,
            cy_px: self.cy_px,
            k1: self.k1,
            k2: self.k2,
        }
    }

    /// The camera of this record.
    #[must_use]
    pub fn camera(&self) -> Camera {
        Camera {
            lens: self.lens(),
            pose: Pose {
                rotation: matrix(&self.face_to_camera.rotation),
                translation_mm: Vector3::from(self.face_to_camera.translation_mm),
            },
        }
    }

    /// A record of `camera`; `None` when it has no homography (the face seen edge-on).
    #[must_use]
    pub fn new(
        camera: &Camera,
        fit_rms_px: f64,
        upright: UprightRecord,
        focal_from: FocalSource,
    ) -> Option<Self> {
        let homography = camera.image_to_face()?;
        Some(Self {
            fx_px: camera.lens.f_px,
            fy_px: camera.lens.f_px,
            cx_px: camera.lens.cx_px,
            cy_px: camera.lens.cy_px,
            k1: camera.lens.k1,
            k2: camera.lens.k2,
            face_to_camera: FaceToCamera {
                rotation: rows(&camera.pose.rotation),
                translation_mm: camera.pose.translation_mm.into(),
            },
            image_to_face: rows(&homography),
            tilt_deg: camera.tilt_rad().to_degrees(),
            distance_mm: camera.pose.translation_mm.norm(),
            fit_rms_px,
            upright,
            focal_from,
            lens_profile: None,
            fitted_to: None,
            sheet: None,
            evidence: None,
            extra: super::Extra::new(),
        })
    }

    /// Pixel → millimetres of the print: undistorted, through `image_to_face`, then onto the sheet where it isn't flat. `None`
    /// where the lens can't be inverted or the point lies on the face's horizon.
    #[must_use]
    pub fn face_from_image(&self, p: ImagePoint) -> Option<FacePoint> {
        let at = self.plane_from_image(p)?;
        let sheet = self.sheet.as_ref().map(SheetRecord::sheet);
        Some(sheet.map_or(at, |s| s.on_print(at, self.camera().centre_mm())))
    }

    /// Pixel → millimetres on the face plane, the sheet left out.
    fn plane_from_image(&self, p: ImagePoint) -> Option<FacePoint> {
        let u = self.lens().normalised_from_pixel(p)?;
        let straight = Vector3::new(
            self.cx_px + self.fx_px * u.x,
            self.cy_px + self.fy_px * u.y,
            1.0,
        );
        let h = matrix(&self.image_to_face) * straight;
        let at = FacePoint::new(h.x / h.z, h.y / h.z);
        (at.x.is_finite() && at.y.is_finite()).then_some(at)
    }

    /// Millimetres on the face → pixel, the inverse of [`face_from_image`](Self::face_from_image).
    #[must_use]
    pub fn image_from_face(&self, p: FacePoint) -> Option<ImagePoint> {
        let sheet = self.sheet.as_ref().map(SheetRecord::sheet);
        let p = sheet.map_or(p, |s| s.apparent(p, self.camera().centre_mm()));
        let h = matrix(&self.image_to_face).try_inverse()? * Vector3::new(p.x, p.y, 1.0);
        let u = Vector2::new(
            (h.x / h.z - self.cx_px) / self.fx_px,
            (h.y / h.z - self.cy_px) / self.fy_px,
        );
        let at = self.lens().pixel_from_normalised(u);
        (at.x.is_finite() && at.y.is_finite()).then_some(at)
    }
}

impl SheetRecord {
    /// The surface that this record describes.
    #[must_use]
    pub fn sheet(&self) -> Sheet {
        let mut sheet = Sheet::flat();
        sheet.reach_mm = self.reach_mm;
        for (z, given) in sheet.z_mm.iter_mut().zip(&self.z_mm) {
            *z = *given;
        }
        sheet
    }

    /// A record of a surface.
    #[must_use]
    pub fn new(sheet: &Sheet) -> Self {
        Self {
            z_mm: sheet.z_mm.iter().copied().collect(),
            reach_mm: sheet.reach_mm,
        }
    }
}

fn matrix(rows: &[[f64; 3]; 3]) -> Matrix3<f64> {
    Matrix3::from_row_iterator(rows.iter().flatten().copied())
}

fn rows(m: &Matrix3<f64>) -> [[f64; 3]; 3] {
    [0, 1, 2].map(|r| [0, 1, 2].map(|c| m[(r, c)]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::UprightSource;

    #[test]
    fn the_record_maps_as_the_camera_it_was_made_of() {
        let tilt: f64 = 0.4;
        let camera = Camera {
            lens: Lens {
                f_px: 3300.0,
                cx_px: 2015.5,
                cy_px: 1511.5,
                k1: -0.03,
                k2: 0.01,
            },
            pose: Pose {
                rotation: Matrix3::new(
                    tilt.cos(),
                    0.0,
                    tilt.sin(),
                    0.0,
                    -1.0,
                    0.0,
                    tilt.sin(),
                    0.0,
                    -tilt.cos(),
                ),
                translation_mm: Vector3::new(30.0, -20.0, 2500.0),
            },
        };
        let upright = UprightRecord {
            from: UprightSource::Camera,
            sd_deg: 2.0,
        };
        let flat = CameraRecord::new(&camera, 0.3, upright, FocalSource::Exif).expect("seen");
        assert_eq!(flat.camera(), camera);
        let mut bent = flat.clone();
        let mut z_mm = vec![0.0; 15];
        (z_mm[0], z_mm[3], z_mm[5]) = (15.0, -8.0, -12.0);
        bent.sheet = Some(SheetRecord {
            z_mm,
            reach_mm: 610.0,
        });
        for (x, y) in [(0.0, 0.0), (400.0, -300.0), (-600.0, 550.0)] {
            let p = FacePoint::new(x, y);
            let px = flat.image_from_face(p).expect("in front");
            assert!(px.distance(camera.image_from_face(p).expect("in front")) < 1e-6);
            assert!(flat.face_from_image(px).expect("seen").distance(p) < 1e-6);
            let bulged = bent.image_from_face(p).expect("in front");
            assert!(bent.face_from_image(bulged).expect("seen").distance(p) < 1e-6);
        }
        let middle = |record: &CameraRecord| record.image_from_face(FacePoint::default());
        let apart = middle(&flat).zip(middle(&bent)).map(|(a, b)| a.distance(b));
        assert!(apart.is_some_and(|px| px > 5.0), "{apart:?}");
    }
}
