//! What a practice photo shows, exactly: `photo-truth/1`, as `sample-photos/README.md` describes it.

use super::LightKind;
use super::arrow::Part;
use super::random::{mix, unit};
use super::scene::Scene;
use super::trace::VisibleSurface;
use crate::geometry::{FacePoint, ImagePoint};
use crate::math::{count, rounded};
use crate::record::ArrowKind;
use nalgebra::Vector3;
use serde::Serialize;

/// Schema name of the truth.
const SCHEMA: &str = "photo-truth/1";

/// The truth beside a photo.
#[derive(Clone, Debug, Serialize)]
pub struct Truth {
    /// Always `photo-truth/1`.
    pub schema: &'static str,
    /// The photo's file name.
    pub photo: String,
    /// Who made it.
    pub maker: &'static str,
    /// The photo in words.
    pub words: String,
    /// `plain` or `unkind`.
    pub difficulty: &'static str,
    /// `no arrows`, or none.
    pub negative: Option<&'static str>,
    /// The seed.
    pub seed: u64,
    /// The face.
    pub face: TruthFace,
    /// The picture.
    pub image: TruthImage,
    /// The camera.
    pub camera: TruthCamera,
    /// Direction of up, from the face's +y, counter-clockwise, degrees.
    pub gravity_up_in_face_deg: f64,
    /// Points on the outer edge of the outermost ring.
    pub ring_probe: Vec<Probe>,
    /// The shafts.
    pub shafts: Vec<TruthShaft>,
    /// Mean bare entry minus mean fletched entry.
    pub bare_minus_fletched_mm: Option<[f64; 2]>,
}

/// The face of a truth.
#[derive(Clone, Debug, Serialize)]
pub struct TruthFace {
    /// For `--face`.
    pub name: String,
    /// Nominal diameter, mm.
    pub diameter_mm: f64,
    /// Centres of the spots, mm.
    pub centres_mm: Vec<[f64; 2]>,
    /// Radius of what is printed of a spot, mm.
    pub outer_radius_mm: f64,
    /// Cut along the outer ring.
    pub trimmed_round: bool,
    /// Share of the printed area inside the picture.
    pub visible_fraction: f64,
}

/// The picture of a truth.
#[derive(Clone, Debug, Serialize)]
pub struct TruthImage {
    /// Width of the upright picture, px.
    pub width_px: u32,
    /// Its height, px.
    pub height_px: u32,
    /// EXIF orientation as stored.
    pub stored_orientation: u8,
    /// EXIF there or not.
    pub exif: bool,
    /// A smaller copy without EXIF.
    pub messenger_copy: bool,
}

/// The camera of a truth: as the end record's, with the pose's parts beside the lens.
#[derive(Clone, Debug, Serialize)]
pub struct TruthCamera {
    /// Focal length, px.
    pub fx_px: f64,
    /// The same.
    pub fy_px: f64,
    /// Principal point, px.
    pub cx_px: f64,
    /// Principal point, px.
    pub cy_px: f64,
    /// Radial term of r².
    pub k1: f64,
    /// Radial term of r⁴.
    pub k2: f64,
    /// Nominal 35 mm equivalent, mm.
    pub f35_mm: f64,
    /// Face frame → camera frame.
    pub rotation: [[f64; 3]; 3],
    /// The face's centre in the camera frame, mm.
    pub translation_mm: [f64; 3],
    /// Between the view to the face's centre and its normal, degrees.
    pub tilt_deg: f64,
    /// To the face's centre, mm.
    pub distance_mm: f64,
}

/// A point of the face and its pixel.
#[derive(Clone, Debug, Serialize)]
pub struct Probe {
    /// Face, mm.
    pub mm: [f64; 2],
    /// Picture, px.
    pub px: [f64; 2],
}

/// A shaft of a truth.
#[derive(Clone, Debug, Serialize)]
pub struct TruthShaft {
    /// Number, from 0.
    pub id: usize,
    /// `fletched` or `bare`.
    pub kind: ArrowKind,
    /// The arrow's own mark, if it has one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub arrow: Option<String>,
    /// Outer diameter, mm.
    pub diameter_mm: f64,
    /// From the face plane to the nock's end along the shaft, mm.
    pub protruding_mm: f64,
    /// Where the axis meets the face plane, mm.
    pub entry_mm: [f64; 2],
    /// Its image, px.
    pub entry_px: [f64; 2],
    /// Image of the nock's end, px.
    pub nock_px: [f64; 2],
    /// Unit vector towards the nock.
    pub axis: [f64; 3],
    /// Lean to the right, degrees.
    pub lean_right_deg: f64,
    /// Lean upwards, degrees.
    pub lean_up_deg: f64,
    /// Share of the first 60 mm that can be seen.
    pub visible_fraction: f64,
    /// Whether something hides the entry.
    pub entry_hidden: bool,
    /// Whether the entry lies inside the picture.
    pub in_picture: bool,
    /// Inside an outermost ring.
    pub on_face: bool,
    /// On the sheet.
    pub on_paper: bool,
}

/// Stretch of a shaft that `visible_fraction` speaks of, and that `entry_hidden` does, mm.
const SEEN_MM: f64 = 60.0;
const FOOT_MM: f64 = 6.0;

impl Scene {
    /// The truth of the photo that will be called `name`.
    #[must_use]
    pub fn truth(&self, name: &str) -> Truth {
        let shafts: Vec<TruthShaft> = (0..self.shafts.len())
            .map(|k| self.shaft_truth(k))
            .collect();
        let up = self.light.up;
        let p = &self.processing;
        Truth {
            schema: SCHEMA,
            photo: name.to_owned(),
            maker: "rehearse",
            words: self.words(),
            difficulty: if self.hard.is_empty() {
                "plain"
            } else {
                "unkind"
            },
            negative: shafts.is_empty().then_some("no arrows"),
            seed: self.seed,
            face: self.face_truth(),
            image: TruthImage {
                width_px: self.taken.width,
                height_px: self.taken.height,
                stored_orientation: p.orientation,
                exif: true,
                messenger_copy: false,
            },
            camera: self.camera_truth(),
            gravity_up_in_face_deg: rounded((-up.x).atan2(up.y).to_degrees(), 3),
            ring_probe: self.probes(),
            bare_minus_fletched_mm: offset(&shafts),
            shafts,
        }
    }

    fn words(&self) -> String {
        let light = match self.light_kind {
            LightKind::Sun | LightKind::Person | LightKind::LowSun => "outdoors, sun",
            LightKind::Overcast => "outdoors, overcast",
            LightKind::Hall => "indoors",
        };
        let mut words = format!("{}, {light}", self.spec.words);
        for hard in &self.hard {
            words.push_str(", ");
            words.push_str(hard);
        }
        words
    }

    fn px(&self, p: Vector3<f64>) -> Option<ImagePoint> {
        self.taken.camera.project(p)
    }

    fn in_picture(&self, p: ImagePoint) -> bool {
        let (w, h) = (f64::from(self.taken.width), f64::from(self.taken.height));
        p.x >= 0.0 && p.y >= 0.0 && p.x <= w - 1.0 && p.y <= h - 1.0
    }

    fn face_truth(&self) -> TruthFace {
        let radius = self.spec.outer_radius_mm();
        let (mut inside, mut all) = (0.0, 0.0);
        for spot in &self.spec.spots_mm {
            for k in 0..2000u64 {
                let (a, b) = (unit(mix(2 * k)), unit(mix(2 * k + 1)));
                let (r, angle) = (radius * a.sqrt(), std::f64::consts::TAU * b);
                let p = FacePoint::new(spot.x + r * angle.cos(), spot.y + r * angle.sin());
                all += 1.0;
                if self
                    .px(p.at_height(0.0))
                    .is_some_and(|px| self.in_picture(px))
                {
                    inside += 1.0;
                }
            }
        }
        TruthFace {
            name: self.spec.name.clone(),
            diameter_mm: self.spec.diameter_mm,
            centres_mm: self
                .spec
                .spots_mm
                .iter()
                .map(|s| [rounded(s.x, 3), rounded(s.y, 3)])
                .collect(),
            outer_radius_mm: radius,
            trimmed_round: self.paper.round.is_some(),
            visible_fraction: rounded(inside / all, 3),
        }
    }

    fn camera_truth(&self) -> TruthCamera {
        let camera = &self.taken.camera;
        let (lens, r, t) = (
            &camera.lens,
            &camera.pose.rotation,
            &camera.pose.translation_mm,
        );
        TruthCamera {
            fx_px: lens.f_px,
            fy_px: lens.f_px,
            cx_px: lens.cx_px,
            cy_px: lens.cy_px,
            k1: lens.k1,
            k2: lens.k2,
            f35_mm: rounded(self.taken.f35_mm, 3),
            rotation: [0, 1, 2].map(|i| [0, 1, 2].map(|j| r[(i, j)])),
            translation_mm: [t.x, t.y, t.z],
            tilt_deg: rounded(camera.tilt_rad().to_degrees(), 3),
            distance_mm: rounded(camera.centre_mm().norm(), 2),
        }
    }

    fn probes(&self) -> Vec<Probe> {
        let radius = self.spec.outer_radius_mm();
        let spots = &self.spec.spots_mm;
        let each = 24 / spots.len().clamp(1, 24);
        let mut probes = Vec::new();
        for spot in spots {
            for k in 0..each {
                let angle = std::f64::consts::TAU * count(k) / count(each);
                let mm = [
                    rounded(spot.x + radius * angle.cos(), 3),
                    rounded(spot.y + radius * angle.sin(), 3),
                ];
                let px = self.px(Vector3::new(mm[0], mm[1], 0.0));
                if let Some(px) = px.filter(|px| self.in_picture(*px)) {
                    probes.push(Probe {
                        mm,
                        px: [rounded(px.x, 3), rounded(px.y, 3)],
                    });
                }
            }
        }
        probes
    }

    fn shaft_truth(&self, k: usize) -> TruthShaft {
        let shaft = &self.shafts[k];
        let px =
            |p: Option<ImagePoint>| p.map_or([-1e6; 2], |p| [rounded(p.x, 3), rounded(p.y, 3)]);
        let entry = self.px(shaft.entry3());
        let (visible, foot) = self.visible(k);
        let a = shaft.axis;
        let outer = self.spec.outer_radius_mm();
        TruthShaft {
            id: k,
            kind: shaft.kind,
            arrow: shaft.mark.clone(),
            diameter_mm: rounded(2.0 * shaft.appearance.radius, 3),
            protruding_mm: rounded(shaft.stands_out, 2),
            entry_mm: [rounded(shaft.entry.x, 4), rounded(shaft.entry.y, 4)],
            entry_px: px(entry),
            nock_px: px(self.px(shaft.point(shaft.stands_out))),
            axis: [rounded(a.x, 7), rounded(a.y, 7), rounded(a.z, 7)],
            lean_right_deg: rounded(a.x.atan2(a.z).to_degrees(), 4),
            lean_up_deg: rounded(a.y.atan2(a.z).to_degrees(), 4),
            visible_fraction: rounded(visible, 3),
            entry_hidden: foot < 0.5,
            in_picture: entry.is_some_and(|p| self.in_picture(p)),
            on_face: self
                .spec
                .spots_mm
                .iter()
                .any(|s| s.distance(shaft.entry) <= outer),
            on_paper: self.paper.covers(shaft.entry),
        }
    }

    /// Share of the first stretch, and of the foot, that the picture shows.
    fn visible(&self, k: usize) -> (f64, f64) {
        let shaft = &self.shafts[k];
        // the surface may lie behind the face plane, or before it in a wave of the sheet
        let first = self.paper.deepest().min(2.0);
        let centre = self.taken.camera.centre_mm();
        let shown = |along: f64| {
            let point = shaft.point(along);
            let toward = (centre - point).normalize();
            let cosine = toward.dot(&shaft.axis).abs();
            let sine = (1.0 - cosine * cosine).max(1e-6).sqrt();
            // a ray at the axis enters the tube so far nearer to the nock
            let ahead = shaft.appearance.radius * cosine / sine;
            let Some(px) = self.px(point).filter(|px| self.in_picture(*px)) else {
                return false;
            };
            matches!(self.seen(px), VisibleSurface::Shaft(i, part, at)
                if i == k && matches!(part, Part::Tube | Part::Band) && at < along + ahead + 1.0)
        };
        let share = |length: f64, steps: usize| {
            let seen = (0..steps)
                .filter(|s| shown(first + (length - first) * (count(*s) + 0.5) / count(steps)))
                .count();
            count(seen) / count(steps)
        };
        (share(SEEN_MM, 30), share(FOOT_MM, 6))
    }
}

fn offset(shafts: &[TruthShaft]) -> Option<[f64; 2]> {
    let mean = |kind: ArrowKind| {
        let all: Vec<[f64; 2]> = shafts
            .iter()
            .filter(|s| s.kind == kind)
            .map(|s| s.entry_mm)
            .collect();
        (!all.is_empty())
            .then(|| [0, 1].map(|k| all.iter().map(|e| e[k]).sum::<f64>() / count(all.len())))
    };
    let (bare, fletched) = (mean(ArrowKind::Bare)?, mean(ArrowKind::Fletched)?);
    Some([0, 1].map(|k| rounded(bare[k] - fletched[k], 3)))
}
