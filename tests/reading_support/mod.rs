//! Shots, ends and a small repeatable random source for the tests of the reading.
#![allow(dead_code, unreachable_pub, reason = "each test file uses its part")]

use bossmark::reading::Shot;
use bossmark::record::{
    ArrowKind, CameraRecord, End, Entry, EntrySource, EntryState, FaceToCamera, FocalSource, Hand,
    UprightRecord, UprightSource,
};

pub fn shot(end: usize, kind: ArrowKind, x: f64, y: f64, sd: f64) -> Shot {
    Shot {
        end,
        id: 0,
        kind,
        place_mm: [x, y],
        variance_mm2: [sd * sd, sd * sd],
        arrow: None,
    }
}

pub fn entry(id: u64, kind: ArrowKind, x: f64, y: f64) -> Entry {
    Entry {
        id,
        x_mm: x,
        y_mm: y,
        cov_mm2: Some([[4.0, 0.0], [0.0, 4.0]]),
        kind,
        state: EntryState::Confirmed,
        source: EntrySource::Tape,
        ..Entry::default()
    }
}

/// An end of a right-hander at 30 m with these entries, fletched first, numbered from 1.
pub fn end(fletched: &[(f64, f64)], bare: &[(f64, f64)]) -> End {
    let kinds = fletched
        .iter()
        .map(|place| (ArrowKind::Fletched, place))
        .chain(bare.iter().map(|place| (ArrowKind::Bare, place)));
    let mut end = End {
        entries: kinds
            .zip(1..)
            .map(|((kind, place), id)| entry(id, kind, place.0, place.1))
            .collect(),
        ..End::default()
    };
    end.session.hand = Some(Hand::Right);
    end.session.distance_m = Some(30.0);
    end
}

/// SplitMix64 (Steele, Lea & Flood 2014): small, seeded, the same everywhere.
pub struct Random(pub u64);

impl Random {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Uniform in [0, 1).
    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    pub fn uniform(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// N(0, 1), Box–Muller.
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.unit()).cos()
    }
}

/// `ends` ends of `n` shots of each kind: scatter `sigma`, offset `offset`, now and then a bad loose.
pub fn session(
    random: &mut Random,
    ends: usize,
    n: usize,
    sigma: f64,
    offset: [f64; 2],
) -> Vec<Shot> {
    let mut shots = Vec::new();
    for end in 0..ends {
        let centre = [60.0 * random.normal(), 60.0 * random.normal()];
        for (kind, ratio) in [(ArrowKind::Fletched, 1.0), (ArrowKind::Bare, 1.25)] {
            for _ in 0..n {
                let wide = if random.unit() < 0.08 { 5.0 } else { 1.0 };
                let mut place = [0.0; 2];
                for axis in 0..2 {
                    let own = if kind == ArrowKind::Bare {
                        offset[axis]
                    } else {
                        0.0
                    };
                    place[axis] =
                        centre[axis] + own + (sigma * ratio * wide).hypot(3.0) * random.normal();
                }
                let mut made = shot(end, kind, place[0], place[1], 3.0);
                made.id = shots.len() as u64 + 1;
                shots.push(made);
            }
        }
    }
    shots
}

/// A camera 2.5 m straight in front of the face whose upright has this standard deviation.
pub fn camera(sd_deg: f64) -> CameraRecord {
    CameraRecord {
        fx_px: 3000.0,
        fy_px: 3000.0,
        cx_px: 2000.0,
        cy_px: 1500.0,
        k1: 0.0,
        k2: 0.0,
        face_to_camera: FaceToCamera {
            rotation: [[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, -1.0]],
            translation_mm: [0.0, 0.0, 2500.0],
        },
        image_to_face: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        tilt_deg: 0.0,
        distance_mm: 2500.0,
        fit_rms_px: 0.3,
        upright: UprightRecord {
            from: UprightSource::Camera,
            sd_deg,
        },
        focal_from: FocalSource::Exif,
        lens_profile: None,
        fitted_to: None,
        sheet: None,
        evidence: None,
        extra: Default::default(),
    }
}
