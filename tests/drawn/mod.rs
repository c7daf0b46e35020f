//! Faces drawn by inverse mapping: a camera, a face specification and a light give a picture with known truth.

use bossmark::face::spec::{Colour, FaceSpec};
use bossmark::geometry::camera::{Camera, Lens, Pose};
use bossmark::geometry::{FacePoint, ImagePoint};
use image::{Rgb, RgbImage};
use nalgebra::{Rotation3, Vector3};

/// What is drawn around and over the face.
pub(crate) struct Scene {
    /// Multiplies linear light, per channel.
    pub(crate) light: [f64; 3],
    /// Half side of the square paper, mm.
    pub(crate) paper_mm: f64,
    /// Turn of paper and face about the normal, rad.
    pub(crate) turn: f64,
    /// Width of printed lines, mm; 0 draws none.
    pub(crate) line_mm: f64,
    /// Fading: 0 fresh, 1 grey.
    pub(crate) fade: f64,
    /// What else is on the sheet or falls on it: linear light of a place of the face plane → what it becomes.
    pub(crate) over: fn(FacePoint, [f64; 3]) -> [f64; 3],
    /// How far the paper stands off the face plane, mm.
    pub(crate) stands_off_mm: fn(FacePoint) -> f64,
}

impl Default for Scene {
    fn default() -> Self {
        Self {
            light: [0.9; 3],
            paper_mm: 0.0,
            turn: 0.0,
            line_mm: 1.0,
            fade: 0.0,
            over: |_, c| c,
            stands_off_mm: |_| 0.0,
        }
    }
}

/// A camera that looks at the face's middle from `distance` mm, `right_deg` to the right and `up_deg` above, held upright.
pub(crate) fn camera(lens: Lens, distance: f64, right_deg: f64, up_deg: f64) -> Camera {
    let place = Rotation3::from_axis_angle(&Vector3::y_axis(), right_deg.to_radians())
        * Rotation3::from_axis_angle(&Vector3::x_axis(), -up_deg.to_radians())
        * Vector3::new(0.0, 0.0, distance);
    let forward = -place.normalize();
    let right = forward.cross(&Vector3::y()).normalize();
    let down = forward.cross(&right);
    let rotation =
        nalgebra::Matrix3::from_rows(&[right.transpose(), down.transpose(), forward.transpose()]);
    Camera {
        lens,
        pose: Pose {
            rotation,
            translation_mm: -(rotation * place),
        },
    }
}

fn print(colour: Colour) -> [f64; 3] {
    match colour {
        Colour::Yellow => [0.85, 0.68, 0.05],
        Colour::Red => [0.66, 0.03, 0.04],
        Colour::Blue => [0.03, 0.36, 0.62],
        Colour::Black => [0.025, 0.025, 0.03],
        Colour::White => [0.82, 0.82, 0.80],
    }
}

fn reflectance(spec: &FaceSpec, scene: &Scene, seen: FacePoint) -> [f64; 3] {
    let (sin, cos) = scene.turn.sin_cos();
    let p = FacePoint::new(cos * seen.x + sin * seen.y, cos * seen.y - sin * seen.x);
    let spot = spec.spots_mm[spec.nearest_spot(p)];
    let r = p.distance(spot);
    let beside = p.x.abs().max(p.y.abs()) > scene.paper_mm;
    if beside || spec.trimmed && r > spec.outer_radius_mm() {
        return [0.22, 0.20, 0.17];
    }
    let mut c = print(spec.paper);
    if let Some(zone) = spec.zones.iter().find(|z| r <= z.radius_mm()) {
        c = print(if r > zone.radius_mm() - scene.line_mm {
            zone.line
        } else {
            zone.colour
        });
    }
    let grey = 0.3 * c[0] + 0.6 * c[1] + 0.1 * c[2];
    c.map(|v| v + scene.fade * (0.3 * grey + 0.3 - v))
}

/// The picture that `camera` sees, 3 × 3 samples a pixel, sRGB.
pub(crate) fn draw(
    spec: &FaceSpec,
    camera: &Camera,
    scene: &Scene,
    width: u32,
    height: u32,
) -> RgbImage {
    let foot = camera.centre_mm();
    // paper that stands off by z is seen displaced by z (X − F)/D
    let on_paper = |q: FacePoint| {
        let k = (scene.stands_off_mm)(q) / foot.z;
        FacePoint::new(q.x - k * (q.x - foot.x), q.y - k * (q.y - foot.y))
    };
    let encode = |v: f64| {
        let v = v.clamp(0.0, 1.0);
        let s = if v <= 0.003_130_8 {
            12.92 * v
        } else {
            1.055 * v.powf(1.0 / 2.4) - 0.055
        };
        #[expect(clippy::cast_possible_truncation, reason = "a byte")]
        bossmark::math::byte(255.0 * s as f32)
    };
    RgbImage::from_fn(width, height, |x, y| {
        let mut sum = [0.0; 3];
        for (i, j) in (0..9).map(|k| (k % 3, k / 3)) {
            let p = ImagePoint::new(
                f64::from(x) + (f64::from(i) - 1.0) / 3.0,
                f64::from(y) + (f64::from(j) - 1.0) / 3.0,
            );
            let c = camera.face_from_image(p).map_or([0.1; 3], |q| {
                (scene.over)(q, reflectance(spec, scene, on_paper(q)))
            });
            for k in 0..3 {
                sum[k] += c[k] / 9.0;
            }
        }
        // light falls off to one side
        let shade = 1.0 - 0.5 * f64::from(x) / f64::from(width);
        Rgb([0, 1, 2].map(|k| encode(sum[k] * scene.light[k] * shade)))
    })
}
