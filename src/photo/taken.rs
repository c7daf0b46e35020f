//! The picture that the camera took, of which the one at hand may be a part or a reduced copy.

use super::{DIAGONAL_35MM, Photo};

/// Sides whose ratios differ by less than this (natural logarithm) are those of one picture, reduced: sizes are rounded.
const SAME_SHAPE: f64 = 0.015;

/// Size of the picture as it was taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OriginalPicture {
    /// Width, px of the picture at hand, upright.
    pub width_px: f64,
    /// Height, px of the picture at hand, upright.
    pub height_px: f64,
    /// Whether the picture at hand is a part of it.
    pub cut: bool,
    /// Standard deviation of the size's natural logarithm: a part may have been reduced besides.
    pub ln_sd: f64,
    /// Pixels of the picture at hand to a pixel of the one taken.
    scale: f64,
}

impl Photo {
    /// The picture as it was taken. EXIF states its size, and editors mostly leave that as it was: where the sides of the picture at
    /// hand have another ratio, it is a part. A part is mostly kept at full size; at the most it was reduced until the longer of its
    /// sides, by their share, is that of the whole.
    #[must_use]
    pub fn taken(&self) -> OriginalPicture {
        let (w, h) = (f64::from(self.width), f64::from(self.height));
        let whole = OriginalPicture {
            width_px: w,
            height_px: h,
            cut: false,
            ln_sd: 0.0,
            scale: 1.0,
        };
        let Some(stated) = self.exif.taken_px else {
            return whole;
        };
        let [a, b] = stated.map(f64::from);
        // some programs turn the picture and leave the sides as they were
        let off = |(x, y): (f64, f64)| ((x / y) / (w / h)).ln().abs();
        let (x, y) = if off((a, b)) <= off((b, a)) {
            (a, b)
        } else {
            (b, a)
        };
        if off((x, y)) <= SAME_SHAPE {
            return OriginalPicture {
                scale: w / x,
                ..whole
            };
        }
        let share = (w / x).max(h / y);
        if share > 1.0 {
            return whole;
        }
        OriginalPicture {
            width_px: x,
            height_px: y,
            cut: true,
            ln_sd: -0.5 * share.ln(),
            scale: 1.0,
        }
    }

    /// Focal length in pixels that EXIF implies: by the usual definition of the 35 mm equivalent over the diagonal of the picture as
    /// taken (24 × 36 mm: 43.2666 mm), else by the focal length itself and the sensor's resolution. `None` without those fields.
    #[must_use]
    pub fn focal_from_exif_px(&self) -> Option<f64> {
        let taken = self.taken();
        let by_equivalent = self
            .exif
            .focal_35mm
            .map(|f| f * taken.diagonal_px() / DIAGONAL_35MM);
        let by_sensor = || {
            self.exif.taken_px?;
            Some(self.exif.focal_mm? * self.exif.sensor_px_per_mm? * taken.scale)
        };
        by_equivalent.or_else(by_sensor)
    }
}

impl OriginalPicture {
    /// Its diagonal, px of the picture at hand.
    #[must_use]
    pub fn diagonal_px(&self) -> f64 {
        self.width_px.hypot(self.height_px)
    }
}

#[cfg(test)]
mod tests {
    use super::super::ExifFacts;
    use super::*;
    use image::RgbImage;

    fn photo(size: [u32; 2], exif: ExifFacts) -> Photo {
        Photo::from_pixels(RgbImage::new(size[0], size[1]), exif)
    }

    fn of_12_mp(size: [u32; 2]) -> Photo {
        let exif = ExifFacts {
            focal_35mm: Some(26.0),
            taken_px: Some([4032, 3024]),
            ..ExifFacts::default()
        };
        photo(size, exif)
    }

    #[test]
    fn a_part_keeps_the_focal_length_of_the_whole() {
        let f_px = |size| of_12_mp(size).focal_from_exif_px().unwrap();
        let whole = f_px([4032, 3024]);
        assert!((whole - 26.0 * 5040.0 / DIAGONAL_35MM).abs() < 1e-9);
        // cut out
        for part in [[3000, 1500], [2000, 2000], [1500, 3900]] {
            assert!((f_px(part) - whole).abs() < 1e-9, "{part:?}");
            let taken = of_12_mp(part).taken();
            assert!(taken.cut && taken.ln_sd > 0.0, "{part:?}");
        }
        // reduced, turned and both
        for (size, factor) in [
            ([2016, 1512], 0.5),
            ([3024, 4032], 1.0),
            ([400, 300], 400.0 / 4032.0),
        ] {
            assert!(
                (f_px(size) - factor * whole).abs() < 1e-6 * whole,
                "{size:?}"
            );
            assert!(!of_12_mp(size).taken().cut, "{size:?}");
        }
    }

    #[test]
    fn a_size_that_is_not_the_pictures_is_left_aside() {
        let p = of_12_mp([5000, 1000]);
        assert!(!p.taken().cut);
        assert!((p.taken().diagonal_px() - 5000f64.hypot(1000.0)).abs() < 1e-9);
    }

    #[test]
    fn the_sensors_resolution_stands_in_for_the_equivalent() {
        // Exif 2.32: 4000 px on 7.6 mm, a lens of 7.6 mm: as long as the picture is wide
        let exif = ExifFacts {
            focal_mm: Some(7.6),
            sensor_px_per_mm: Some(4000.0 / 7.6),
            taken_px: Some([4000, 3000]),
            ..ExifFacts::default()
        };
        let of = |size| photo(size, exif.clone()).focal_from_exif_px().unwrap();
        assert!((of([4000, 3000]) - 4000.0).abs() < 1e-9);
        assert!((of([1000, 750]) - 1000.0).abs() < 1e-9);
        assert!((of([3000, 1000]) - 4000.0).abs() < 1e-9);
    }
}
