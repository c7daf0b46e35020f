//! Pictures of each stage, for looking into a photo that went wrong.

use super::canvas::{Canvas, Paint, cross};
use super::view::{View, rings};
use crate::face::RingEdge;
use crate::geometry::camera::Camera;
use crate::geometry::{FacePoint, ImagePoint};
use crate::imaging::Neighbours;
use crate::math::byte;
use crate::timeline::FaceLook;
use image::{Rgb, RgbImage};

/// Longest side of the rectified face, px.
const MAX_PX: f64 = 2000.0;
/// How much around the face is shown, mm: bare shafts often land there.
const MARGIN_MM: f64 = 200.0;

/// Colours of the edge points, boundary by boundary in turn.
const EDGE_PAINTS: [Paint; 3] = [
    Paint::solid([255, 40, 200]),
    Paint::solid([255, 235, 0]),
    Paint::solid([255, 120, 0]),
];
/// Height of the number on another face, in units of the canvas.
const NUMBER_HEIGHT: f64 = 40.0;
/// Fitted rings are drawn finer than on the marked photo, so that they don't hide the edges.
const FINE_LINE_SCALE: f64 = 0.4;

/// The upright photo with the ring edges that the fit rests on (crosses: steps of colour, dots: printed lines) and the
/// fitted rings. Other faces (`beside`: number and camera) are drawn with their number.
#[must_use]
pub fn edges(
    upright: &RgbImage,
    camera: &Camera,
    face: &FaceLook,
    edges: &[RingEdge],
    beside: &[(usize, Camera)],
) -> RgbImage {
    let view = View::whole(Some(*camera), None);
    let mut canvas = Canvas::new(upright.clone());
    let u = canvas.unit();
    canvas.scale_marks(FINE_LINE_SCALE);
    rings(&mut canvas, &view, face);
    for (number, camera) in beside {
        rings(&mut canvas, &View::whole(Some(*camera), None), face);
        if let Some(at) = camera.image_from_face(FacePoint::default()) {
            canvas.text(&number.to_string(), at, NUMBER_HEIGHT * u, EDGE_PAINTS[0]);
        }
    }
    for (i, paint) in EDGE_PAINTS.into_iter().enumerate() {
        let of_colour = edges.iter().filter(|e| e.boundary % EDGE_PAINTS.len() == i);
        let marks: Vec<Vec<ImagePoint>> = of_colour
            .flat_map(|e| {
                if e.line {
                    vec![vec![e.at]]
                } else {
                    cross(e.at, 1.6 * u)
                }
            })
            .collect();
        canvas.stroke(&marks, 1.2, paint);
    }
    canvas.image
}

/// Where a rectified picture lies on the face plane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Area {
    /// Left edge, mm.
    pub x0_mm: f64,
    /// Upper edge, mm.
    pub y1_mm: f64,
    /// Size of a pixel, mm.
    pub mm_per_px: f64,
    /// Width, px.
    pub width_px: u32,
    /// Height, px.
    pub height_px: u32,
}

impl Area {
    /// The face and some space around it, at 1 mm to the pixel where that is not too large.
    #[must_use]
    pub fn around(face: &FaceLook) -> Self {
        let reach = (face.reach_mm() + MARGIN_MM).clamp(1.0, 1e5);
        let mm_per_px = (2.0 * reach / MAX_PX).max(1.0);
        let size = crate::math::floor_index((2.0 * reach / mm_per_px).round());
        let size = u32::try_from(size).map_or(1, |s| s.max(1));
        Self {
            x0_mm: -reach,
            y1_mm: reach,
            mm_per_px,
            width_px: size,
            height_px: size,
        }
    }

    fn face_point(&self, x: f64, y: f64) -> FacePoint {
        FacePoint::new(
            self.x0_mm + (x + 0.5) * self.mm_per_px,
            self.y1_mm - (y + 0.5) * self.mm_per_px,
        )
    }

    fn pixel(&self, p: FacePoint) -> ImagePoint {
        ImagePoint::new(
            (p.x - self.x0_mm) / self.mm_per_px - 0.5,
            (self.y1_mm - p.y) / self.mm_per_px - 0.5,
        )
    }
}

/// The face plane as seen straight on, with its rings: what lies outside the photo stays dark.
#[must_use]
pub fn rectified(upright: &RgbImage, camera: &Camera, face: &FaceLook) -> RgbImage {
    let area = Area::around(face);
    let mut canvas = Canvas::new(resampled(upright, camera, area));
    for spot in &face.spots_mm {
        for zone in &face.zones {
            let ring: Vec<ImagePoint> = (0..=240)
                .map(|i| {
                    let t = f64::from(i) * std::f64::consts::TAU / 240.0;
                    area.pixel(FacePoint::new(
                        spot[0] + zone.radius_mm * t.cos(),
                        spot[1] + zone.radius_mm * t.sin(),
                    ))
                })
                .collect();
            canvas.stroke(&[ring], 1.0, Paint::translucent([120, 255, 190], 0.9));
        }
        let centre = area.pixel(FacePoint::new(spot[0], spot[1]));
        canvas.stroke(&cross(centre, 8.0), 1.0, Paint::solid([120, 255, 190]));
    }
    canvas.image
}

/// The face plane as seen straight on, without anything drawn.
#[must_use]
pub fn resampled(upright: &RgbImage, camera: &Camera, area: Area) -> RgbImage {
    let (width, height) = (upright.width() as usize, upright.height() as usize);
    RgbImage::from_fn(area.width_px, area.height_px, |x, y| {
        // four looks into each pixel: enough against stepped edges where the photo is finer than the map
        let mut sum = [0.0_f32; 3];
        for (dx, dy) in [(-0.25, -0.25), (0.25, -0.25), (-0.25, 0.25), (0.25, 0.25)] {
            let p = area.face_point(f64::from(x) + dx, f64::from(y) + dy);
            let seen = camera.image_from_face(p).and_then(|at| {
                let around = Neighbours::of(width, height, at)?;
                Some(around.blend_rgb(upright.as_raw(), f32::from))
            });
            for (s, v) in sum.iter_mut().zip(seen.unwrap_or([0.0; 3])) {
                *s += v / 4.0;
            }
        }
        Rgb(sum.map(byte))
    })
}

/// A map of how much a shaft's entry is to be seen at each place of the face plane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EntryHeatMap<'a> {
    /// Cells across.
    pub width: usize,
    /// Cells down.
    pub height: usize,
    /// Left edge, mm.
    pub x0_mm: f64,
    /// Upper edge, mm.
    pub y1_mm: f64,
    /// Size of a cell, mm.
    pub mm_per_cell: f64,
    /// Row by row from the top left, 0 (nothing) to 1 (certain).
    pub values: &'a [f32],
}

impl EntryHeatMap<'_> {
    fn at(&self, p: FacePoint) -> f32 {
        let (x, y) = (
            ((p.x - self.x0_mm) / self.mm_per_cell).floor(),
            ((self.y1_mm - p.y) / self.mm_per_cell).floor(),
        );
        if !(x >= 0.0 && y >= 0.0) {
            return 0.0;
        }
        let (x, y) = (crate::math::floor_index(x), crate::math::floor_index(y));
        if x >= self.width || y >= self.height {
            return 0.0;
        }
        let value = self
            .values
            .get(y.saturating_mul(self.width).saturating_add(x));
        value.copied().filter(|v| v.is_finite()).unwrap_or(0.0)
    }
}

/// A candidate for a shaft on the face plane: entry, where its far end seems to lie, and how likely it is (0–1).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EntryMark {
    /// The entry, mm.
    pub entry: FacePoint,
    /// The far end as mapped to the face plane, mm.
    pub far: FacePoint,
    /// How likely it is a shaft.
    pub probability: f64,
}

/// How likely shafts are, as a heat map over the rectified face, with the candidates: bright where they are likely.
#[must_use]
pub fn entry_heat_map(
    upright: &RgbImage,
    camera: &Camera,
    face: &FaceLook,
    map: Option<&EntryHeatMap<'_>>,
    candidates: &[EntryMark],
) -> RgbImage {
    let area = Area::around(face);
    let mut picture = resampled(upright, camera, area);
    for (x, y, pixel) in picture.enumerate_pixels_mut() {
        let grey = pixel.0.iter().map(|v| f32::from(*v)).sum::<f32>() / 3.0 * 0.55;
        let heat = map.map_or(0.0, |m| m.at(area.face_point(f64::from(x), f64::from(y))));
        let heat = heat.clamp(0.0, 1.0).sqrt();
        let hot = [255.0, 220.0 * heat, 40.0];
        pixel.0 = hot.map(|h| crate::math::byte(grey * (1.0 - heat) + h * heat));
    }
    let mut canvas = Canvas::new(picture);
    for c in candidates {
        let (a, b) = (area.pixel(c.entry), area.pixel(c.far));
        let likely = c.probability >= 0.5;
        let paint = if likely {
            Paint::solid([90, 255, 160])
        } else {
            Paint::translucent([150, 190, 255], 0.8)
        };
        canvas.stroke(&[vec![a, b]], if likely { 2.0 } else { 1.0 }, paint);
        canvas.stroke(&cross(a, 6.0), 2.0, paint);
        let text = format!("{:.0}%", (100.0 * c.probability).round());
        canvas.text(&text, ImagePoint::new(a.x + 8.0, a.y - 5.0), 10.0, paint);
    }
    canvas.image
}
