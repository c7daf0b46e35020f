//! One side measured on the photo.

use super::line_search::{LENGTH_SHARE, MIN_STEP};
use super::surroundings::LOG_OFFSET;
use crate::geometry::camera::Camera;
use crate::geometry::{FacePoint, ImagePoint};
use crate::imaging::linear_light;
use crate::math::{SD_FROM_MAD, count, median, quantile, tukey_weight};
use image::RgbImage;
use nalgebra::Vector2;

/// Largest difference of log colour, and of its blue against red, between places of the same paper in different light. A boss
/// taken for paper would claim too sure an upright, paper taken for a boss only too unsure a one.
const SAME_PAPER: (f32, f32) = (0.5, 0.2);

/// A straight edge as measured.
#[derive(Clone, Copy, Debug)]
pub(super) struct StraightEdge {
    /// Turn of the line against its side's direction, rad.
    pub(super) turn: f64,
    /// Standard deviation of that from the scatter of its points.
    pub(super) sd: f64,
    /// Distance from the middle, mm.
    pub(super) at_mm: f64,
    /// True when the paper ends here.
    pub(super) is_paper: bool,
}

/// Face direction of a side's outward normal.
fn normal(side: usize) -> Vector2<f64> {
    match side {
        0 => Vector2::new(1.0, 0.0),
        1 => Vector2::new(0.0, 1.0),
        2 => Vector2::new(-1.0, 0.0),
        _ => Vector2::new(0.0, -1.0),
    }
}

/// Measures a line on the photo: steepest steps along its normals, then a robust straight line through them.
pub(super) fn measure(
    pixels: &RgbImage,
    camera: &Camera,
    side: usize,
    turn: f64,
    at_mm: f64,
    paper: [f32; 3],
) -> Option<StraightEdge> {
    const POINTS: usize = 160;
    const HALF: usize = 12;
    let (sin, cos) = turn.sin_cos();
    let n = normal(side);
    let n = Vector2::new(n.x * cos - n.y * sin, n.x * sin + n.y * cos);
    let along = Vector2::new(-n.y, n.x);
    let place = |d: f64, t: f64| {
        let p = n * d + along * t;
        camera.image_from_face(FacePoint::new(p.x, p.y))
    };
    let half_mm = 0.025 * at_mm;
    let mut points = Vec::with_capacity(POINTS);
    let mut inside: Vec<[f32; 3]> = Vec::with_capacity(POINTS);
    for i in 0..POINTS {
        let t = LENGTH_SHARE * at_mm * (2.0 * count(i) / count(POINTS - 1) - 1.0);
        let profile: Option<Vec<[f32; 3]>> = (0..=2 * HALF)
            .map(|j| {
                let d = at_mm + half_mm * (count(j) / count(HALF) - 1.0);
                let p: ImagePoint = place(d, t)?;
                linear_light(pixels, p).map(|c| c.map(|v| (v + LOG_OFFSET).ln()))
            })
            .collect();
        let Some(profile) = profile else { continue };
        inside.push(profile[2]);
        if let Some(j) = steepest(&profile) {
            points.push((t, at_mm + half_mm * (j / count(HALF) - 1.0)));
        }
    }
    if points.len() < POINTS / 4 {
        return None;
    }
    let (slope, sd) = line(&points)?;
    let own = median_of(&inside);
    let difference = (0..3)
        .map(|k| (own[k] - paper[k]).abs())
        .fold(0.0, f32::max);
    let chroma = ((own[0] - own[2]) - (paper[0] - paper[2])).abs();
    Some(StraightEdge {
        turn: turn - slope.atan(),
        sd,
        at_mm,
        is_paper: difference < SAME_PAPER.0 && chroma < SAME_PAPER.1,
    })
}

fn median_of(colours: &[[f32; 3]]) -> [f32; 3] {
    let mut out = [0.0; 3];
    for (k, o) in out.iter_mut().enumerate() {
        let mut v: Vec<f64> = colours.iter().map(|c| f64::from(c[k])).collect();
        #[expect(clippy::cast_possible_truncation, reason = "a colour")]
        let value = median(&mut v) as f32;
        *o = value;
    }
    out
}

/// Index (with fraction) of the largest change of colour over three samples.
fn steepest(profile: &[[f32; 3]]) -> Option<f64> {
    let change = |i: usize| -> f64 {
        let (a, b) = (profile[i - 1], profile[i + 1]);
        f64::from((0..3).map(|k| (b[k] - a[k]).powi(2)).sum::<f32>().sqrt())
    };
    let i = (1..profile.len() - 1).max_by(|a, b| change(*a).total_cmp(&change(*b)))?;
    if i < 2 || i + 2 >= profile.len() || change(i) < f64::from(MIN_STEP) {
        return None;
    }
    let (before, top, after) = (change(i - 1), change(i), change(i + 1));
    let bend = before - 2.0 * top + after;
    let shift = if bend < 0.0 {
        (0.5 * (before - after) / bend).clamp(-0.5, 0.5)
    } else {
        0.0
    };
    Some(count(i) + shift)
}

/// Robust straight line y = a + b t (Theil–Sen start, then Tukey weights): slope and its standard deviation.
pub(super) fn line(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    let half = points.len() / 2;
    let mut slopes: Vec<f64> = (0..half)
        .map(|i| (points[i + half].1 - points[i].1) / (points[i + half].0 - points[i].0))
        .collect();
    let mut b = median(&mut slopes);
    let mut rest: Vec<f64> = points.iter().map(|p| p.1 - b * p.0).collect();
    let mut a = median(&mut rest);
    let mut result = None;
    for _ in 0..10 {
        let residuals: Vec<f64> = points.iter().map(|p| p.1 - a - b * p.0).collect();
        let mut size: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
        let sd = (SD_FROM_MAD * quantile(&mut size, 0.5)).max(1e-6);
        let w: Vec<f64> = residuals
            .iter()
            .map(|r| tukey_weight(r / sd, 4.685))
            .collect();
        let total: f64 = w.iter().sum();
        let (mt, my) = (
            points.iter().zip(&w).map(|(p, w)| w * p.0).sum::<f64>() / total,
            points.iter().zip(&w).map(|(p, w)| w * p.1).sum::<f64>() / total,
        );
        let stt: f64 = points
            .iter()
            .zip(&w)
            .map(|(p, w)| w * (p.0 - mt).powi(2))
            .sum();
        let sty: f64 = points
            .iter()
            .zip(&w)
            .map(|(p, w)| w * (p.0 - mt) * (p.1 - my))
            .sum();
        if !(stt > 0.0 && sty.is_finite()) {
            return None;
        }
        b = sty / stt;
        a = my - b * mt;
        // neighbouring points share the paper's waves: count a quarter of them
        result = Some((b, sd * 2.0 / stt.sqrt()));
    }
    result
}
