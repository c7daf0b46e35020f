//! Positions on the face and in the photo.

use super::edits::ReviewError;
use crate::geometry::{FacePoint, ImagePoint};
use crate::math::rounded;
use crate::record::{CameraRecord, End};

/// Farthest that an entry can be from the face's middle, mm: no boss is wider than twice that (common practice).
const MAX_ENTRY_RADIUS_MM: f64 = 2000.0;

/// A position on the face, and in the photo if there is one.
#[derive(Clone, Copy)]
pub(super) struct Position {
    pub(super) mm: FacePoint,
    pub(super) px: Option<ImagePoint>,
}

/// The position of edit number `edit`: given in millimetres or in pixels, the other is computed.
pub(super) fn position(
    camera: Option<&CameraRecord>,
    x_mm: Option<f64>,
    y_mm: Option<f64>,
    px: Option<[f64; 2]>,
    edit: usize,
) -> Result<Position, ReviewError> {
    match (x_mm, y_mm, px) {
        (Some(x), Some(y), None) => {
            let mm = FacePoint::new(x, y);
            let distance_mm = mm.distance(FacePoint::default());
            if distance_mm > MAX_ENTRY_RADIUS_MM {
                return Err(ReviewError::TooFar {
                    edit,
                    distance_mm: rounded(distance_mm, 0),
                });
            }
            Ok(Position {
                mm,
                px: camera.and_then(|c| c.image_from_face(mm)),
            })
        }
        (None, None, Some([x, y])) => {
            let px = ImagePoint::new(x, y);
            let mm = camera
                .and_then(|c| c.face_from_image(px))
                .ok_or(ReviewError::NoCamera { edit })?;
            Ok(Position { mm, px: Some(px) })
        }
        _ => Err(ReviewError::Position { edit }),
    }
}

/// Number of the spot nearest to a position, from 1, on faces with several.
pub(super) fn nearest_spot(end: &End, at: FacePoint) -> Option<u32> {
    let spots = end.face.as_ref()?.spot_centres_mm.as_ref()?;
    let nearest = spots
        .iter()
        .enumerate()
        .min_by(|(_, a), (_, b)| {
            let distance = |s: &[f64; 2]| at.distance(FacePoint::new(s[0], s[1]));
            distance(a).total_cmp(&distance(b))
        })
        .map(|(i, _)| i)?;
    u32::try_from(nearest + 1).ok()
}
