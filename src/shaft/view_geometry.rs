//! The geometry of a view of the shafts: the camera, the direction in which they stand on the whole, and the scale.
//!
//! Shafts that all lean the same way look from the camera's foot as upright ones do from a foot beside it (a shear of space that leaves
//! the face plane as it is). And shafts in a face that is smaller than its name says seem larger than they are: rings alone don't show
//! the size, shafts do. With both known, everything else may take shafts to stand upright and to have their own millimetres.

use super::View;
use super::picture::ReducedPhoto;
use crate::geometry::camera::Camera;
use crate::geometry::{FacePoint, ImagePoint};
use nalgebra::{Matrix3, Vector2, Vector3};

/// A view in true millimetres (*true mm*), as the shafts show them, with the foot from which the shafts seem to stand upright.
pub(crate) struct ViewGeometry<'a> {
    camera: &'a Camera,
    /// Millimetres of the face as named in one true millimetre.
    pub(crate) scale: f64,
    /// The common lean of the shafts: right and up per height.
    pub(crate) lean: Vector2<f64>,
    /// Centres of the face's spots, true mm.
    pub(crate) spot_centres: Vec<FacePoint>,
    /// Radius of what is printed about each centre, true mm.
    pub(crate) outer_radius_mm: f64,
    /// The foot, true mm.
    pub(crate) foot: FacePoint,
    /// The camera's distance from the face plane, true mm.
    pub(crate) distance_mm: f64,
}

impl<'a> ViewGeometry<'a> {
    pub(crate) fn new(view: &View<'a>, scale: f64, lean: Vector2<f64>) -> Self {
        let centre = view.camera.centre_mm() / scale;
        Self {
            camera: view.camera,
            scale,
            lean,
            spot_centres: view
                .spot_centres
                .iter()
                .map(|c| FacePoint::new(c.x / scale, c.y / scale))
                .collect(),
            outer_radius_mm: view.outer_radius_mm / scale,
            foot: FacePoint::new(centre.x - lean.x * centre.z, centre.y - lean.y * centre.z),
            distance_mm: centre.z,
        }
    }

    /// In the millimetres of the face by its nominal size.
    pub(crate) fn to_nominal_scale(&self, p: FacePoint) -> FacePoint {
        FacePoint::new(p.x * self.scale, p.y * self.scale)
    }

    /// A point of the face plane → pixel.
    pub(crate) fn image_from_face(&self, p: FacePoint) -> Option<ImagePoint> {
        self.camera.image_from_face(self.to_nominal_scale(p))
    }

    /// A point → pixel. `None` beside the camera or behind it.
    pub(crate) fn project(&self, p: Vector3<f64>) -> Option<ImagePoint> {
        let depth = self.distance_mm - p.z;
        (depth > 1e-6).then_some(())?;
        let stretch = self.distance_mm / depth;
        self.image_from_face(FacePoint::new(
            self.foot.x + (p.x - self.foot.x) * stretch,
            self.foot.y + (p.y - self.foot.y) * stretch,
        ))
    }

    /// A point before the camera → pixel, all in one.
    pub(crate) fn projection(&self, photo: &ReducedPhoto) -> Projection {
        let (r, t) = (self.camera.pose.rotation, self.camera.pose.translation_mm);
        let (d, foot) = (self.distance_mm, self.foot);
        let (right, up) = (r.column(0) * self.scale, r.column(1) * self.scale);
        let lens = &self.camera.lens;
        let (f_px, centre) = photo.lens(lens);
        Projection {
            by_point: Matrix3::from_columns(&[
                right * d,
                up * d,
                -(right * foot.x + up * foot.y) - t,
            ]),
            constant: t * d,
            distance_mm: d,
            f_px,
            centre,
            radial: [lens.k1, lens.k2],
        }
    }

    /// Where the camera seems to be.
    pub(crate) fn centre_mm(&self) -> Vector3<f64> {
        self.foot.at_height(self.distance_mm)
    }

    /// Pixels per millimetre at the face's middle.
    pub(crate) fn scale_px_per_mm(&self) -> Option<f64> {
        let n = self.spot_centres.len().max(1) as f64;
        let sum = self
            .spot_centres
            .iter()
            .fold((0.0, 0.0), |a, p| (a.0 + p.x, a.1 + p.y));
        let (x, y) = (sum.0 / n, sum.1 / n);
        let a = self.image_from_face(FacePoint::new(x - 5.0, y))?;
        let b = self.image_from_face(FacePoint::new(x + 5.0, y))?;
        Some(a.distance(b) / 10.0).filter(|s| s.is_finite() && *s > 0.0)
    }
}

/// How points come into a reduced copy of the photo: what [`ViewGeometry::project`] does step by step, as one linear map before the
/// lens. The camera's coordinates are all multiplied by the point's depth along the face's normal.
pub(crate) struct Projection {
    pub(crate) by_point: Matrix3<f64>,
    pub(crate) constant: Vector3<f64>,
    pub(crate) distance_mm: f64,
    /// Pixels of the copy across and down.
    pub(crate) f_px: [f64; 2],
    /// Principal point in the copy.
    pub(crate) centre: ImagePoint,
    pub(crate) radial: [f64; 2],
}

impl Projection {
    /// The camera's coordinates of a point, times its depth.
    pub(crate) fn camera_point(&self, p: Vector3<f64>) -> Vector3<f64> {
        self.by_point * p + self.constant
    }
}
