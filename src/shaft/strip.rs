//! The second look: a strip of the photo along a candidate, in millimetres along and across the shaft.

use super::conv::Picture;
use super::net::StripNet;
use super::picture::Reduced;
use crate::camera::Camera;
use crate::units::FacePoint;
use nalgebra::Vector3;

/// Numbers per place that the strip net gives: log-odds of "the nock is here", of fletched, of "a shaft enters here".
pub(crate) const OUTPUTS: usize = 3;
/// Strip pixels along the shaft and across it.
const ALONG: usize = 192;
const ACROSS: usize = 32;
/// Size of a strip pixel, mm.
const ALONG_MM: f64 = 4.0;
const ACROSS_MM: f64 = 1.5;
/// Height over the face plane at the first pixel, mm: the strip begins before the entry.
const FIRST_MM: f64 = -32.0;
/// Places along the strip that the net speaks of.
pub(crate) const PLACES: usize = ALONG / StripNet::ALONG;
/// Distance of two places, mm.
pub(crate) const PLACE_MM: f64 = ALONG_MM * 4.0;

/// Distance from the entry, along the shaft, of a place of the strip, mm.
pub(crate) fn place_mm(place: usize) -> f64 {
    FIRST_MM + PLACE_MM * place as f64
}

/// What the strip net says about one candidate.
#[derive(Clone, Debug)]
pub(crate) struct Look {
    /// Per place: log-odds that the nock is there (up to a constant).
    pub(crate) nock: Vec<f32>,
    /// Per place: log-odds of fletched, given that the nock is there.
    pub(crate) fletched: Vec<f32>,
    /// Per place: share of the strip inside the picture.
    pub(crate) seen: Vec<f32>,
    /// Log-odds that this is a shaft from its entry on.
    pub(crate) shaft: f64,
}

impl Look {
    /// The nock's likeliest place by itself, mm from the entry.
    pub(crate) fn likeliest_mm(&self) -> f64 {
        let best = self
            .nock
            .iter()
            .enumerate()
            .max_by(|a, b| a.1.total_cmp(b.1).then(b.0.cmp(&a.0)));
        best.map_or(0.0, |(k, _)| place_mm(k))
    }
}

/// The unit vector along a shaft that leans sideways by `slope` against the direction `away` from the foot.
pub(crate) fn axis(away: nalgebra::Vector2<f64>, slope: f64) -> Vector3<f64> {
    Vector3::new(-away.y * slope, away.x * slope, 1.0).normalize()
}

/// Looks along the shaft that would enter at `entry` with direction `axis`.
pub(crate) fn look(
    net: &StripNet,
    photo: &Reduced,
    camera: &Camera,
    entry: FacePoint,
    axis: Vector3<f64>,
) -> Look {
    let strip = cut(photo, camera, entry, axis);
    let seen = (0..PLACES)
        .map(|place| {
            let columns = place * StripNet::ALONG..(place + 1) * StripNet::ALONG;
            let inside = columns
                .flat_map(|x| (0..ACROSS).map(move |y| (x, y)))
                .filter(|&(x, y)| strip.pixel(x, y)[3] > 0.5)
                .count();
            inside as f32 / (StripNet::ALONG * ACROSS) as f32
        })
        .collect();
    // a strip and its mirror image show the same shaft: the mean of the two answers errs less (a quarter less of wrong tags on
    // photos that the net was not fitted on)
    let mirrored = net.run(strip.mirrored());
    let mut out = net.run(strip);
    out.iter_mut()
        .zip(mirrored)
        .for_each(|(a, b)| *a = 0.5 * (*a + b));
    let channel = |c: usize| out.iter().skip(c).step_by(OUTPUTS).copied().collect();
    let shaft: Vec<f32> = channel(2);
    Look {
        nock: channel(0),
        fletched: channel(1),
        seen,
        shaft: f64::from(shaft.iter().sum::<f32>()) / PLACES as f64,
    }
}

/// The strip: colours less one half, and 1 where the picture reaches.
fn cut(photo: &Reduced, camera: &Camera, entry: FacePoint, axis: Vector3<f64>) -> Picture {
    let centre = camera.centre_mm();
    let mut strip = Picture::zeros(ALONG, ACROSS, StripNet::INPUTS);
    // across, square to the view, for every column
    let columns: Vec<(Vector3<f64>, Vector3<f64>)> = (0..ALONG)
        .map(|k| {
            let point = entry.at_height(0.0) + axis * (FIRST_MM + ALONG_MM * k as f64);
            let across = axis
                .cross(&(centre - point))
                .try_normalize(1e-9)
                .unwrap_or_else(Vector3::x);
            (point, across * ACROSS_MM)
        })
        .collect();
    strip.fill_rows(|j, row| {
        let rows = j as f64 - (ACROSS as f64 - 1.0) / 2.0;
        for (pixel, (point, across)) in row.chunks_exact_mut(StripNet::INPUTS).zip(&columns) {
            // two samples across and two along, so that a pixel shows the mean of what it covers
            let mut sum = [0f32; 3];
            let mut n = 0u8;
            for (a, b) in [(-0.25, -0.25), (0.25, -0.25), (-0.25, 0.25), (0.25, 0.25)] {
                let q = point + across * (rows + a) + axis * (ALONG_MM * b);
                if let Some(colour) = camera.project(q).and_then(|p| photo.colour(p)) {
                    sum.iter_mut()
                        .zip(colour)
                        .for_each(|(s, c)| *s += c / 255.0 - 0.5);
                    n += 1;
                }
            }
            if n == 4 {
                for (p, s) in pixel.iter_mut().zip(sum) {
                    *p = s / 4.0;
                }
                pixel[3] = 1.0;
            }
        }
    });
    strip
}
