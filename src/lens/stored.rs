//! The picture as the camera stored it, before its EXIF orientation is applied: there a lens is the same in every photo,
//! however the phone was held.

use crate::geometry::ImagePoint;

/// Width and height of the stored picture from those of the upright one.
pub(super) const fn size(orientation: u8, [width, height]: [u32; 2]) -> [u32; 2] {
    if orientation >= 5 {
        [height, width]
    } else {
        [width, height]
    }
}

/// A point of the upright picture → of the stored one, px; `stored` is the stored picture's size (EXIF 2.3, 4.6.4 A).
pub(super) fn from_upright(orientation: u8, stored: [u32; 2], p: ImagePoint) -> ImagePoint {
    let (right, bottom) = (f64::from(stored[0]) - 1.0, f64::from(stored[1]) - 1.0);
    let (x, y) = (p.x, p.y);
    match orientation {
        2 => ImagePoint::new(right - x, y),
        3 => ImagePoint::new(right - x, bottom - y),
        4 => ImagePoint::new(x, bottom - y),
        5 => ImagePoint::new(y, x),
        6 => ImagePoint::new(y, bottom - x),
        7 => ImagePoint::new(right - y, bottom - x),
        8 => ImagePoint::new(right - y, x),
        _ => p,
    }
}

/// A point of the stored picture → of the upright one, px.
pub(super) fn to_upright(orientation: u8, stored: [u32; 2], p: ImagePoint) -> ImagePoint {
    let (right, bottom) = (f64::from(stored[0]) - 1.0, f64::from(stored[1]) - 1.0);
    let (x, y) = (p.x, p.y);
    match orientation {
        2 => ImagePoint::new(right - x, y),
        3 => ImagePoint::new(right - x, bottom - y),
        4 => ImagePoint::new(x, bottom - y),
        5 => ImagePoint::new(y, x),
        6 => ImagePoint::new(bottom - y, x),
        7 => ImagePoint::new(bottom - y, right - x),
        8 => ImagePoint::new(y, right - x),
        _ => p,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::metadata::Orientation;
    use image::{DynamicImage, Rgb, RgbImage};

    /// The image library turns the pixels; the points must go where the pixels go.
    #[test]
    fn points_follow_the_pixels() {
        for orientation in 1..=8u8 {
            let mut picture = RgbImage::new(5, 3);
            picture.put_pixel(3, 1, Rgb([9, 9, 9]));
            let mut turned = DynamicImage::from(picture);
            turned.apply_orientation(Orientation::from_exif(orientation).unwrap());
            let turned = turned.into_rgb8();
            let (u, v, _) = turned
                .enumerate_pixels()
                .find(|(_, _, p)| p.0[0] == 9)
                .unwrap();
            let upright = ImagePoint::new(f64::from(u), f64::from(v));
            let there = ImagePoint::new(3.0, 1.0);
            assert_eq!(size(orientation, [turned.width(), turned.height()]), [5, 3]);
            assert_eq!(
                from_upright(orientation, [5, 3], upright),
                there,
                "{orientation}"
            );
            assert_eq!(
                to_upright(orientation, [5, 3], there),
                upright,
                "{orientation}"
            );
        }
    }
}
