//! From linear light to the 8-bit picture: lens blur, shake, noise, exposure, tone curve, sharpening.

use super::random::mix;
use super::scene::{Processing, Scene};
use super::trace::Linear;
use crate::math::{byte, count, floor_index, single};
use image::RgbImage;
use rayon::prelude::*;

/// Entries of the table of the tone curve.
const CURVE: usize = 4096;
/// Brightest value that the tone curve still tells apart, as a multiple of white.
const BRIGHTEST: f64 = 2.0;

impl Scene {
    /// The photo, upright.
    #[must_use]
    pub fn photo(&self) -> RgbImage {
        let mut linear = self.trace();
        let p = &self.processing;
        shake(&mut linear, p.shake_px);
        blur(&mut linear, p.blur_px);
        expose(&mut linear, p);
        let (width, height) = (self.taken.width, self.taken.height);
        RgbImage::from_raw(width, height, finish(&linear, p))
            .unwrap_or_else(|| RgbImage::new(width, height))
    }
}

/// Moves the picture along a straight way while it is taken.
fn shake(linear: &mut Linear, way: [f64; 2]) {
    let length = way[0].hypot(way[1]);
    if length < 0.05 {
        return;
    }
    let steps = floor_index(2.0 * length) + 2;
    let (w, h) = (linear.width, linear.height);
    let still = linear.data.clone();
    let shift = |k: usize| {
        let t = count(k) / count(steps - 1) - 0.5;
        [t * way[0], t * way[1]]
    };
    linear
        .data
        .par_chunks_mut(w * 3)
        .enumerate()
        .for_each(|(y, row)| {
            for (x, pixel) in row.chunks_exact_mut(3).enumerate() {
                let mut sum = [0.0f32; 3];
                for k in 0..steps {
                    let [dx, dy] = shift(k);
                    let u = (count(x) + dx).clamp(0.0, count(w - 1) - 1e-6);
                    let v = (count(y) + dy).clamp(0.0, count(h - 1) - 1e-6);
                    let (i, j) = (floor_index(u), floor_index(v));
                    let (fu, fv) = (single(u - count(i)), single(v - count(j)));
                    for (c, s) in sum.iter_mut().enumerate() {
                        let at = |i: usize, j: usize| still[(j * w + i) * 3 + c];
                        let upper = at(i, j) + fu * (at(i + 1, j) - at(i, j));
                        let lower = at(i, j + 1) + fu * (at(i + 1, j + 1) - at(i, j + 1));
                        *s += upper + fv * (lower - upper);
                    }
                }
                for (p, s) in pixel.iter_mut().zip(sum) {
                    *p = s / single(count(steps));
                }
            }
        });
}

/// Weights of a Gaussian on both sides of its middle, which add to 1.
fn gaussian(sd: f64) -> Vec<f32> {
    let half = floor_index((3.0 * sd).ceil()).max(1);
    let raw: Vec<f64> = (0..=2 * half)
        .map(|k| (-((count(k) - count(half)) / sd).powi(2) / 2.0).exp())
        .collect();
    let sum: f64 = raw.iter().sum();
    raw.iter().map(|v| single(v / sum)).collect()
}

/// Blurs with a Gaussian, rows and columns in turn.
fn blur(linear: &mut Linear, sd: f64) {
    if sd < 0.05 {
        return;
    }
    let weights = gaussian(sd);
    let half = weights.len() / 2;
    let (w, h) = (linear.width, linear.height);
    linear.data.par_chunks_mut(w * 3).for_each(|row| {
        let still = row.to_vec();
        for x in 0..w {
            let mut sum = [0.0f32; 3];
            for (k, weight) in weights.iter().enumerate() {
                let i = (x + k).saturating_sub(half).min(w - 1) * 3;
                for (s, v) in sum.iter_mut().zip(&still[i..i + 3]) {
                    *s += weight * v;
                }
            }
            row[3 * x..3 * x + 3].copy_from_slice(&sum);
        }
    });
    let still = linear.data.clone();
    linear
        .data
        .par_chunks_mut(w * 3)
        .enumerate()
        .for_each(|(y, row)| {
            row.fill(0.0);
            for (k, weight) in weights.iter().enumerate() {
                let j = (y + k).saturating_sub(half).min(h - 1);
                for (r, v) in row.iter_mut().zip(&still[j * w * 3..(j + 1) * w * 3]) {
                    *r += weight * v;
                }
            }
        });
}

/// A normal number from 64 bits: the sum of four even ones (variance 4/12 each way, scaled to 1).
fn normal(bits: u64) -> f32 {
    let part = |shift: u32| {
        let bits = u16::try_from((bits >> shift) & 0xffff).unwrap_or(0);
        f32::from(bits) / 65536.0 - 0.5
    };
    // four even numbers of width 1 have variance 4/12
    (part(0) + part(16) + part(32) + part(48)) * 1.732
}

/// Radiance → share of white with fall-off to the corners and noise, then the tone curve.
fn expose(linear: &mut Linear, p: &Processing) {
    let (w, h) = (count(linear.width), count(linear.height));
    let reach = (w * w + h * h) / 4.0;
    let curve = curve();
    linear
        .data
        .par_chunks_mut(linear.width * 3)
        .enumerate()
        .for_each(|(y, row)| {
            for (x, pixel) in row.chunks_exact_mut(3).enumerate() {
                let (dx, dy) = (count(x) - w / 2.0, count(y) - h / 2.0);
                let fall = 1.0 / (1.0 + p.vignette * (dx * dx + dy * dy) / reach).powi(2);
                let mut bits = mix(p.seed ^ ((y as u64) << 32 | x as u64));
                for (value, gain) in pixel.iter_mut().zip(p.gain) {
                    let signal = f64::from(*value) * gain * fall;
                    let sd = (p.photon_noise * signal.max(0.0) + p.read_noise.powi(2)).sqrt();
                    bits = mix(bits);
                    let noisy = signal + sd * f64::from(normal(bits));
                    *value = toned(&curve, noisy);
                }
            }
        });
}

/// The tone curve at even steps of the square root of the signal: a shoulder, sRGB (IEC 61966-2-1), and some contrast.
fn curve() -> Vec<f32> {
    const SHOULDER: f64 = 0.75;
    const CONTRAST: f64 = 0.2;
    (0..=CURVE + 1)
        .map(|k| {
            let root = count(k) / count(CURVE);
            let v = root * root * BRIGHTEST;
            let v = if v > SHOULDER {
                SHOULDER + (1.0 - SHOULDER) * (1.0 - (-(v - SHOULDER) / (1.0 - SHOULDER)).exp())
            } else {
                v
            };
            let s = if v <= 0.003_130_8 {
                12.92 * v
            } else {
                1.055 * v.powf(1.0 / 2.4) - 0.055
            };
            single(s + CONTRAST * (s * s * (3.0 - 2.0 * s) - s))
        })
        .collect()
}

fn toned(curve: &[f32], value: f64) -> f32 {
    let at = (value.clamp(0.0, BRIGHTEST) / BRIGHTEST).sqrt() * count(CURVE);
    let k = floor_index(at).min(CURVE);
    curve[k] + single(at - count(k)) * (curve[k + 1] - curve[k])
}

fn luma(c: &[f32]) -> f32 {
    0.299 * c[0] + 0.587 * c[1] + 0.114 * c[2]
}

/// Sharpens the brightness, halves the resolution of the colour as phones' JPEG files do, and rounds to bytes.
fn finish(linear: &Linear, p: &Processing) -> Vec<u8> {
    let (w, h) = (linear.width, linear.height);
    let data = &linear.data;
    let luma: Vec<f32> = data.par_chunks_exact(3).map(luma).collect();
    let amount = single(p.sharpen);
    let mut out = vec![0u8; w * h * 3];
    out.par_chunks_mut(w * 3).enumerate().for_each(|(y, row)| {
        let (above, below) = (y.saturating_sub(1), (y + 1).min(h - 1));
        for (x, pixel) in row.chunks_exact_mut(3).enumerate() {
            let (left, right) = (x.saturating_sub(1), (x + 1).min(w - 1));
            let here = luma[y * w + x];
            // the mean of a cross of neighbours, the middle counted twice
            let around = (luma[y * w + left]
                + luma[y * w + right]
                + luma[above * w + x]
                + luma[below * w + x]
                + 2.0 * here)
                / 6.0;
            let sharp = here + amount * 1.5 * (here - around).clamp(-0.1, 0.1);
            // colour of the 2 × 2 block
            let (i, j) = (x & !1, y & !1);
            let (i1, j1) = ((i + 1).min(w - 1), (j + 1).min(h - 1));
            let block = [j * w + i, j * w + i1, j1 * w + i, j1 * w + i1];
            let mean = block.iter().map(|&k| luma[k]).sum::<f32>() / 4.0;
            for (c, out) in pixel.iter_mut().enumerate() {
                let colour = block.iter().map(|&k| data[3 * k + c]).sum::<f32>() / 4.0 - mean;
                *out = byte(255.0 * (sharp + colour));
            }
        }
    });
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blur_keeps_the_light_and_spreads_it() {
        let mut dot = Linear {
            width: 21,
            height: 21,
            data: vec![0.0; 21 * 21 * 3],
        };
        dot.data[(10 * 21 + 10) * 3] = 1.0;
        blur(&mut dot, 1.0);
        let red: Vec<f32> = dot.data.iter().step_by(3).copied().collect();
        assert!((red.iter().sum::<f32>() - 1.0).abs() < 1e-4);
        // the peak of a Gaussian of sd 1 px: 1/(2π)
        assert!((red[10 * 21 + 10] - 0.159).abs() < 0.005);
        assert!((red[10 * 21 + 12] - red[12 * 21 + 10]).abs() < 1e-6);
    }

    #[test]
    fn the_tone_curve_rises() {
        let curve = curve();
        let values: Vec<f32> = (0..100)
            .map(|k| toned(&curve, f64::from(k) / 50.0))
            .collect();
        assert!(values.windows(2).all(|v| v[1] >= v[0]));
        assert!(values[0] == 0.0 && values[99] > 0.97 && values[99] <= 1.0);
    }

    #[test]
    fn noise_has_the_variance_that_is_asked_for() {
        let n = 40_000u16;
        let values: Vec<f64> = (0..n)
            .map(|k| f64::from(normal(mix(u64::from(k)))))
            .collect();
        let mean = values.iter().sum::<f64>() / f64::from(n);
        let variance = values.iter().map(|v| v * v).sum::<f64>() / f64::from(n);
        assert!(
            mean.abs() < 0.02 && (variance - 1.0).abs() < 0.03,
            "{mean} {variance}"
        );
    }
}
