//! What a caller knows or wants beyond the photo, its face and its session.

use crate::face::FitOptions;
use crate::geometry::ImagePoint;
use crate::lens::LensProfile;
use crate::manual_points::Points;
use crate::photo::Photo;

/// What a caller knows or wants beyond the photo, its face and its session.
#[derive(Clone, Debug, Default)]
pub struct MeasureOptions {
    /// Options of the fit to the rings.
    pub fit: FitOptions,
    /// Lens profiles, of which the one for this photo is picked. `fit.lens` takes precedence.
    pub lenses: Vec<LensProfile>,
    /// Whether a person named the profile: it is then also used for a photo that doesn't say which camera took it.
    pub lens_named: bool,
    /// Which of several faces is measured. `None`: of those that hold shafts (of all, if none does) the largest in the picture;
    /// of several about as large, the one nearest to its centre.
    pub pick: Option<Pick>,
    /// Two points that a person sees one above the other on the face, the lower first. `fit.vertical` takes precedence.
    pub up: Option<[PhotoPoint; 2]>,
    /// Points of the face that a person marked; the camera is fitted to them instead of the rings.
    pub points: Option<Points>,
}

/// A point in the upright photo.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PhotoPoint {
    /// In pixels.
    Pixel([f64; 2]),
    /// As fractions of width and height.
    Fraction([f64; 2]),
}

impl PhotoPoint {
    pub(super) fn in_px(self, photo: &Photo) -> ImagePoint {
        match self {
            Self::Pixel([x, y]) => ImagePoint::new(x, y),
            Self::Fraction([x, y]) => ImagePoint::new(
                x * f64::from(photo.width) - 0.5,
                y * f64::from(photo.height) - 0.5,
            ),
        }
    }
}

/// Which of several faces is measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pick {
    /// The nearest to this point.
    At(PhotoPoint),
    /// The one with this number, from 1, as the record counts them.
    Number(usize),
}

impl MeasureOptions {
    /// The point by which a face is picked, px; `None` where none is given.
    pub(super) fn point_px(&self, photo: &Photo) -> Option<ImagePoint> {
        match self.pick {
            Some(Pick::At(point)) => Some(point.in_px(photo)),
            _ => None,
        }
    }
}
