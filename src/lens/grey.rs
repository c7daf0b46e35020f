//! A grey picture: reduction, blur and sampling.

use crate::geometry::ImagePoint;
use crate::imaging::Neighbours;
use image::{ImageBuffer, Luma, RgbImage};
use imageproc::filter::gaussian_blur_f32;

/// Luma of a picture on the 0–255 scale; coordinates are pixels of this copy.
#[derive(Clone, Debug)]
pub(super) struct Grey {
    pub(super) width: usize,
    pub(super) height: usize,
    values: Vec<f32>,
}

impl Grey {
    /// The luma of a picture (weights of ITU-R BT.601, as in JPEG).
    pub(super) fn new(picture: &RgbImage) -> Self {
        let luma = |p: &image::Rgb<u8>| {
            0.299 * f32::from(p.0[0]) + 0.587 * f32::from(p.0[1]) + 0.114 * f32::from(p.0[2])
        };
        Self {
            width: picture.width() as usize,
            height: picture.height() as usize,
            values: picture.pixels().map(luma).collect(),
        }
    }

    /// The mean of each block of `k` × `k` pixels; blocks that don't fit at the right and the lower edge are left out.
    pub(super) fn reduced(&self, k: usize) -> Self {
        let k = k.max(1);
        let (width, height) = (self.width / k, self.height / k);
        #[expect(clippy::cast_precision_loss, reason = "a block of a few pixels")]
        let share = 1.0 / (k * k) as f32;
        let mut values = vec![0.0; width * height];
        for y in 0..height * k {
            let row = &self.values[y * self.width..y * self.width + width * k];
            let out = &mut values[y / k * width..(y / k + 1) * width];
            for (o, block) in out.iter_mut().zip(row.chunks_exact(k)) {
                *o += share * block.iter().sum::<f32>();
            }
        }
        Self {
            width,
            height,
            values,
        }
    }

    /// Blurred by a Gaussian of that standard deviation, px.
    pub(super) fn blurred(&self, sigma: f32) -> Self {
        let size = (u32::try_from(self.width), u32::try_from(self.height));
        let (Ok(w), Ok(h)) = size else {
            return self.clone();
        };
        let Some(picture) = ImageBuffer::<Luma<f32>, _>::from_raw(w, h, self.values.clone()) else {
            return self.clone();
        };
        if w == 0 || h == 0 {
            return self.clone();
        }
        Self {
            values: gaussian_blur_f32(&picture, sigma).into_raw(),
            ..*self
        }
    }

    /// The value of a pixel inside the picture.
    pub(super) fn at(&self, x: usize, y: usize) -> f32 {
        self.values[y * self.width + x]
    }

    /// Bilinear sample; `None` outside the picture.
    pub(super) fn sample(&self, p: ImagePoint) -> Option<f32> {
        let around = Neighbours::of(self.width, self.height, p)?;
        Some(around.blend(|i| self.values[i]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::Rgb;

    #[test]
    fn reducing_averages_blocks() {
        let picture = RgbImage::from_fn(5, 4, |x, y| Rgb([u8::try_from(10 * x + y).unwrap(); 3]));
        let half = Grey::new(&picture).reduced(2);
        assert_eq!((half.width, half.height), (2, 2));
        assert!((half.at(0, 0) - 5.5).abs() < 1e-3, "{}", half.at(0, 0));
        assert!((half.at(1, 1) - 27.5).abs() < 1e-3);
        let none = Grey::new(&RgbImage::new(0, 0));
        assert_eq!(none.reduced(3).blurred(1.0).width, 0);
        assert!(none.sample(ImagePoint::new(0.0, 0.0)).is_none());
    }
}
