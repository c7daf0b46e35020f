//! Face and photo → the picture that is drawn on.

use super::canvas::{Canvas, Paint, cross};
use crate::face::Sheet;
use crate::geometry::camera::Camera;
use crate::geometry::{FacePoint, ImagePoint};
use crate::record::Entry;
use crate::timeline::FaceLook;

/// Points of a drawn ring.
const RING_POINTS: i32 = 240;

/// A ring point further from itself than this after going to the picture and back is on the wrong branch of the lens, mm.
const ROUND_TRIP_MM: f64 = 1.0;

/// The way from face and photo to the picture that is drawn on.
#[derive(Clone, Copy)]
pub(super) struct View {
    pub(super) camera: Option<Camera>,
    pub(super) sheet: Sheet,
    /// The photo's pixel that is the top left one of what is shown.
    pub(super) origin: ImagePoint,
    /// By how much that is reduced.
    pub(super) factor: f64,
}

impl View {
    /// The whole photo in full size.
    pub(super) fn whole(camera: Option<Camera>, sheet: Option<Sheet>) -> Self {
        Self {
            camera,
            sheet: sheet.unwrap_or_else(Sheet::flat),
            origin: ImagePoint::new(0.0, 0.0),
            factor: 1.0,
        }
    }

    /// A pixel of the photo in the picture drawn on.
    pub(super) fn of_photo(&self, p: ImagePoint) -> ImagePoint {
        ImagePoint::new(p.x - self.origin.x, p.y - self.origin.y).reduced(self.factor)
    }

    /// An entry's place in the picture drawn on.
    pub(super) fn of_entry(&self, e: &Entry) -> Option<ImagePoint> {
        match e.px {
            Some([x, y]) => Some(self.of_photo(ImagePoint::new(x, y))),
            None => self.of_face(FacePoint::new(e.x_mm, e.y_mm)),
        }
    }

    /// A point of the print in the picture drawn on.
    pub(super) fn of_face(&self, p: FacePoint) -> Option<ImagePoint> {
        let camera = self.camera.as_ref()?;
        let p = self.sheet.apparent(p, camera.centre_mm());
        let at = camera.image_from_face(p)?;
        let back = camera.face_from_image(at)?;
        (back.distance(p) < ROUND_TRIP_MM).then(|| self.of_photo(at))
    }

    /// The rings of a spot, each in as many pieces as can be seen.
    pub(super) fn ring(&self, centre: [f64; 2], radius_mm: f64) -> Vec<Vec<ImagePoint>> {
        let mut pieces = vec![Vec::new()];
        for i in 0..=RING_POINTS {
            let t = f64::from(i) * std::f64::consts::TAU / f64::from(RING_POINTS);
            let p = FacePoint::new(
                centre[0] + radius_mm * t.cos(),
                centre[1] + radius_mm * t.sin(),
            );
            match (self.of_face(p), pieces.last_mut()) {
                (Some(at), Some(piece)) => piece.push(at),
                _ => pieces.push(Vec::new()),
            }
        }
        pieces.retain(|p| p.len() > 1);
        pieces
    }
}

/// Draws every ring of every spot, and a small cross at each centre.
pub(super) fn rings(canvas: &mut Canvas, view: &View, face: &FaceLook) {
    let u = canvas.unit();
    for spot in &face.spots_mm {
        for zone in &face.zones {
            let paths = view.ring(*spot, zone.radius_mm);
            canvas.stroke(&paths, 2.6 * u, Paint::translucent([0, 0, 0], 0.55));
            canvas.stroke(&paths, 1.1 * u, Paint::translucent([120, 255, 190], 0.95));
        }
        if let Some(at) = view.of_face(FacePoint::new(spot[0], spot[1])) {
            canvas.stroke(
                &cross(at, 5.0 * u),
                2.6 * u,
                Paint::translucent([0, 0, 0], 0.55),
            );
            canvas.stroke(
                &cross(at, 5.0 * u),
                1.1 * u,
                Paint::translucent([120, 255, 190], 0.95),
            );
        }
    }
}
