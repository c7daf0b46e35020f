//! Print → picture: off the face plane with the sheet, then through the camera.

use super::sheet::Sheet;
use crate::geometry::camera::Camera;
use crate::geometry::{FacePoint, ImagePoint};

/// The way from a point of the print to the picture: off the face plane with the sheet, then through the camera.
#[derive(Clone, Copy, Debug)]
pub(super) struct Projection {
    pub(super) camera: Camera,
    pub(super) sheet: Sheet,
}

impl Projection {
    pub(super) fn image_from_print(&self, at: FacePoint) -> Option<ImagePoint> {
        let seen = self.sheet.apparent(at, self.camera.centre_mm());
        self.camera.image_from_face(seen)
    }
}
