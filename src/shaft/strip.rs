//! The strip nets' input: a strip of the photo along a candidate, in millimetres along and across the shaft, and where the axes of the
//! photo's other candidates run through it: what belongs to a neighbour, its vanes above all, must not count.

use super::lanes;
use super::net::StripNet;
use super::peaks::{Peak, radial_direction};
use super::picture::ReducedPhoto;
use super::tensor::{BufferPool, Tensor};
use super::view_geometry::{Projection, ViewGeometry};
use crate::geometry::{FacePoint, ImagePoint};
use fearless_simd::dispatch;
use nalgebra::{Vector2, Vector3};

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
/// Planes of a strip that show the photo: three colours, and whether the picture reaches there.
const PHOTO_PLANES: usize = 4;
/// All planes: nearness to the axis of another candidate, times its score; and that times the height of the axis.
pub(crate) const PLANES: usize = 6;
/// Other candidates that count as neighbours: so likely by the map net at least, and so many at most.
const MIN_NEIGHBOUR_SCORE: f64 = 0.2;
const MAX_NEIGHBOURS: usize = 24;
/// Nearness falls off over half the span of a vane and its shaft, mm.
const NEIGHBOUR_HALF_WIDTH_MM: f64 = 5.0;
/// Least slope of a projected axis: seen more nearly end-on it has no direction.
const MIN_SLOPE: f64 = 0.02;
/// Height up to which axes are followed, and the unit of the plane of heights, mm.
const MAX_HEIGHT_MM: f64 = 900.0;
const HEIGHT_UNIT_MM: f64 = 600.0;

/// Places along the strip that the net speaks of.
pub(crate) const PLACES: usize = ALONG / StripNet::ALONG;
/// Distance of two places, mm.
pub(crate) const PLACE_MM: f64 = ALONG_MM * 4.0;

/// Distance from the entry, along the shaft, of a place of the strip, mm.
pub(crate) fn place_mm(place: usize) -> f64 {
    FIRST_MM + PLACE_MM * place as f64
}

/// Places whose log-odds of the nock are below the best place's by no more than this count as places where it may be.
const NOCK_LOG_ODDS_RANGE: f32 = 5.0;

/// What the strip net says about one candidate.
#[derive(Clone, Debug)]
pub(crate) struct StripOutput {
    /// Per place: log-odds that the nock is there (up to a constant).
    pub(crate) nock: Vec<f32>,
    /// Per place: log-odds of fletched, given that the nock is there.
    pub(crate) fletched: Vec<f32>,
    /// What the real set says of the vanes, where the rendered set gave the rest and the real one was asked besides.
    pub(crate) vanes_by_real_set: Option<RealSetVanes>,
    /// Per place: share of the strip inside the picture.
    pub(crate) seen: Vec<f32>,
    /// Log-odds that this is a shaft from its entry on.
    pub(crate) shaft: f64,
}

/// What the real set of nets ([`super::NetSets`]) says of a candidate's vanes.
#[derive(Clone, Debug)]
pub(crate) struct RealSetVanes {
    /// As [`StripOutput::fletched`].
    pub(crate) fletched: Vec<f32>,
    /// Weight of that, 0–1; the rendered set's has the remainder.
    pub(crate) weight: f64,
}

impl StripOutput {
    fn new(strip: &Tensor, out: &[f32]) -> Self {
        let seen = |place: usize| {
            let columns = place * StripNet::ALONG..(place + 1) * StripNet::ALONG;
            let inside = columns
                .flat_map(|x| (0..ACROSS).map(move |y| (x, y)))
                .filter(|&(x, y)| strip.pixel(x, y)[3] > 0.5)
                .count();
            inside as f32 / (StripNet::ALONG * ACROSS) as f32
        };
        let channel = |c: usize| out.iter().skip(c).step_by(OUTPUTS).copied().collect();
        let shaft: Vec<f32> = channel(2);
        Self {
            nock: channel(0),
            fletched: channel(1),
            vanes_by_real_set: None,
            seen: (0..PLACES).map(seen).collect(),
            shaft: f64::from(shaft.iter().sum::<f32>()) / PLACES as f64,
        }
    }

    /// The least and the largest log-odds of fletched at the places where the nock may well be.
    pub(crate) fn kind_range(&self) -> (f32, f32) {
        let most = self.nock.iter().copied().fold(f32::NEG_INFINITY, f32::max);
        let likely = self.nock.iter().zip(&self.fletched);
        let likely = likely.filter(|(nock, _)| **nock >= most - NOCK_LOG_ODDS_RANGE);
        likely.fold((f32::INFINITY, f32::NEG_INFINITY), |(low, high), (_, f)| {
            (low.min(*f), high.max(*f))
        })
    }

    /// The most likely place of the nock by this strip alone, mm from the entry.
    pub(crate) fn most_likely_nock_mm(&self) -> f64 {
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

/// Where candidates' shafts run over the face plane, as seen from the camera.
pub(crate) struct ProjectedAxes {
    foot: FacePoint,
    distance_mm: f64,
    axes: Vec<ProjectedAxis>,
}

struct ProjectedAxis {
    /// Number of the peak.
    peak: usize,
    entry: FacePoint,
    /// Unit vector along the axis on the face plane.
    along: Vector2<f64>,
    /// Distance on the face plane per height, near the plane.
    slope: f64,
    score: f64,
}

impl ProjectedAxes {
    /// Of the likely ones among `peaks`, best first, seen by a camera `distance_mm` above the place `foot` of the face plane.
    pub(crate) fn new(peaks: &[Peak], foot: FacePoint, distance_mm: f64) -> Self {
        let likely = peaks.iter().enumerate();
        let likely = likely.filter(|(_, p)| p.score >= MIN_NEIGHBOUR_SCORE);
        let axes = likely.take(MAX_NEIGHBOURS).map(|(peak, p)| {
            let u = radial_direction(p.point, foot);
            let tan_view_angle = p.point.distance(foot) / distance_mm;
            let axis = u * tan_view_angle + Vector2::new(-u.y, u.x) * p.slope;
            let slope = axis.norm().max(MIN_SLOPE);
            ProjectedAxis {
                peak,
                entry: p.point,
                along: axis / slope,
                slope,
                score: p.score,
            }
        });
        Self {
            foot,
            distance_mm,
            axes: axes.collect(),
        }
    }

    /// Nearness to the nearest axis but that of peak `own`, and the axis's height there, at a point over the face.
    fn near(&self, own: usize, point: Vector3<f64>) -> [f64; 2] {
        let stretch = self.distance_mm / (self.distance_mm - point.z).max(1.0);
        let seen = FacePoint::new(
            self.foot.x + (point.x - self.foot.x) * stretch,
            self.foot.y + (point.y - self.foot.y) * stretch,
        );
        let (mut nearest, mut height) = (0.0, 0.0);
        for c in self.axes.iter().filter(|c| c.peak != own) {
            let d = Vector2::new(seen.x - c.entry.x, seen.y - c.entry.y);
            let along = d.dot(&c.along);
            if along <= -NEIGHBOUR_HALF_WIDTH_MM {
                continue;
            }
            let forward = along.max(0.0);
            let z = self.distance_mm * forward / (self.distance_mm * c.slope + forward);
            let z = z.min(MAX_HEIGHT_MM);
            // what lies nearer to the camera shows larger
            let across = d.perp(&c.along) * (1.0 - z / self.distance_mm);
            let far = 0.5 * (across / NEIGHBOUR_HALF_WIDTH_MM).powi(2);
            // most are farther than the nearest so far: e⁻ˣ is less than 1/(1 + x + x²/2)
            if c.score <= nearest * (1.0 + far + 0.5 * far * far) {
                continue;
            }
            let nearness = c.score * (-far).exp();
            if nearness > nearest {
                (nearest, height) = (nearness, z);
            }
        }
        [nearest, nearest * height / HEIGHT_UNIT_MM]
    }
}

/// What one net says of a strip: enough to recognise what is no shaft, and roughly where the nock is.
pub(crate) fn by_one_net(net: &StripNet, strip: &Tensor, spare: &mut BufferPool) -> StripOutput {
    StripOutput::new(strip, &net.run(strip, spare))
}

/// The mean of what two nets say of the strip and of its mirror image: it errs less than any of the four
/// (`calibration/training/LOG.md` has the figures).
pub(crate) fn by_two_nets(
    nets: &[StripNet; 2],
    strip: &Tensor,
    spare: &mut BufferPool,
) -> StripOutput {
    // a strip and its mirror image show the same shaft
    let mirrored = strip.mirrored();
    let [(a, b), (c, d)] = nets
        .each_ref()
        .map(|net| (net.run(strip, spare), net.run(&mirrored, spare)));
    let out: Vec<f32> = (0..a.len())
        .map(|k| 0.25 * (a[k] + b[k] + c[k] + d[k]))
        .collect();
    StripOutput::new(strip, &out)
}

/// Samples along a row of the strip: two a pixel.
const SAMPLES: usize = 2 * ALONG;

/// One coordinate of every sample of a row.
type Line = [f64; SAMPLES];

/// Points of a row of samples, and what is added to them from row to row: the camera's coordinates times the depth, and the depth.
struct Samples {
    middle: [Line; 4],
    per_row: [Line; 4],
}

impl Samples {
    fn new(
        projection: &Projection,
        columns: &[(Vector3<f64>, Vector3<f64>)],
        axis: Vector3<f64>,
    ) -> Box<Self> {
        let mut samples = Box::new(Self {
            middle: [[0.0; SAMPLES]; 4],
            per_row: [[0.0; SAMPLES]; 4],
        });
        for (k, (point, across)) in columns.iter().enumerate() {
            let sideways = projection.by_point * across;
            for (n, along) in [-0.25, 0.25].into_iter().enumerate() {
                let q = point + axis * (ALONG_MM * along);
                let middle = projection.camera_point(q);
                for c in 0..3 {
                    samples.middle[c][2 * k + n] = middle[c];
                    samples.per_row[c][2 * k + n] = sideways[c];
                }
                samples.middle[3][2 * k + n] = projection.distance_mm - q.z;
                samples.per_row[3][2 * k + n] = -across.z;
            }
        }
        samples
    }

    /// The places in the picture of the samples so many rows from the middle; none where they aren't before the camera.
    #[inline(always)]
    fn places(&self, projection: &Projection, rows: f64, places: &mut [Line; 2]) {
        let ([x, y, z, depth], [dx, dy, dz, deeper]) = (&self.middle, &self.per_row);
        let ([fx, fy], [k1, k2]) = (projection.f_px, projection.radial);
        let (cx, cy) = (projection.centre.x, projection.centre.y);
        let [to_x, to_y] = places;
        for i in 0..SAMPLES {
            let (x, y, z) = (
                x[i] + rows * dx[i],
                y[i] + rows * dy[i],
                z[i] + rows * dz[i],
            );
            let depth = depth[i] + rows * deeper[i];
            let before = (depth > 1e-6) & (z > 1e-6 * depth);
            let inverse = if before { 1.0 / z } else { f64::NAN };
            let (u, v) = (x * inverse, y * inverse);
            let r2 = u * u + v * v;
            let radial = 1.0 + r2 * (k1 + k2 * r2);
            to_x[i] = cx + fx * (u * radial);
            to_y[i] = cy + fy * (v * radial);
        }
    }
}

/// Sets the planes of a row that show the photo to the mean of four samples each; where one lies outside the picture they stay 0.
#[inline(always)]
fn means_of_samples(photo: &ReducedPhoto, places: &[[Line; 2]; 2], row: &mut [f32]) {
    for (k, pixel) in row.chunks_exact_mut(PLANES).enumerate() {
        let mut sum = [0f32; 3];
        let mut n = 0u8;
        for (across, along) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
            let [x, y] = &places[across];
            let at = ImagePoint::new(x[2 * k + along], y[2 * k + along]);
            if let Some(colour) = photo.colour_at(at) {
                for (s, c) in sum.iter_mut().zip(colour) {
                    *s += c / 255.0 - 0.5;
                }
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
}

/// The strip along the shaft of peak number `own`, which would enter at `entry` with direction `axis`: colours less one half, 1 where
/// the picture reaches, and the neighbours.
pub(crate) fn sample(
    photo: &ReducedPhoto,
    geometry: &ViewGeometry,
    (entry, axis): (FacePoint, Vector3<f64>),
    (own, axes): (usize, &ProjectedAxes),
) -> Tensor {
    let centre = geometry.centre_mm();
    let projection = geometry.projection(photo);
    let mut strip = Tensor::zeros(ALONG, ACROSS, PLANES);
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
    let samples = Samples::new(&projection, &columns, axis);
    let level = lanes::level();
    strip.fill_rows(|j, row| {
        let rows = j as f64 - (ACROSS as f64 - 1.0) / 2.0;
        // two samples across and two along, so that a pixel shows the mean of what it covers
        let mut places = [[[0.0; SAMPLES]; 2]; 2];
        dispatch!(level, _simd => {
            for (places, across) in places.iter_mut().zip([-0.25, 0.25]) {
                samples.places(&projection, rows + across, places);
            }
        });
        dispatch!(level, _simd => means_of_samples(photo, &places, row));
        // the neighbours' planes change slowly: one value for the four pixels of a place
        let places = columns.chunks_exact(StripNet::ALONG);
        for (pixels, four) in row.chunks_exact_mut(PLANES * StripNet::ALONG).zip(places) {
            let (point, across) = four.iter().fold(
                (Vector3::zeros(), Vector3::zeros()),
                |(p, a), (point, across)| (p + point, a + across),
            );
            let near = axes.near(own, (point + across * rows) / StripNet::ALONG as f64);
            for pixel in pixels.chunks_exact_mut(PLANES) {
                for (p, v) in pixel[PHOTO_PLANES..].iter_mut().zip(near) {
                    *p = crate::math::single(v);
                }
            }
        }
    });
    strip
}
