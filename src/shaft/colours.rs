//! Arrow numbers from colours: which of the arrows that were given each shaft is.

use super::{ArrowKind, Shaft, identity, tail};
use crate::colours::ColourName;
use crate::geometry::ImagePoint;
use crate::geometry::camera::Camera;
use image::RgbImage;
use rayon::prelude::*;

/// How an arrow looks, as far as it was given.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ArrowLook {
    /// Fletched or bare.
    pub kind: Option<ArrowKind>,
    /// The nock's colour.
    pub nock: Option<ColourName>,
    /// The vanes' colours, the index vane's first.
    pub vanes: Vec<ColourName>,
}

/// A shaft's likeliest arrow.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Proposal {
    /// Its place among the arrows that were given.
    pub arrow: usize,
    /// Probability that the shaft is this arrow.
    pub p: f64,
}

/// Share of shafts that are none of the arrows given, though arrows were given: a forgotten spare, a neighbour's (invented).
const UNKNOWN_ARROW_SHARE: f64 = 0.05;
/// Share of shafts whose axis was followed to another's tail, so that what is seen there says nothing of them (invented; on
/// drawn practice photos some of the wrong proposals are such).
const WRONG_TAIL_SHARE: f64 = 0.02;
/// Least probability of a proposal: two arrows that look alike have one half each, and stay open.
const MIN_PROBABILITY: f64 = 0.6;

/// Proposes an arrow for each shaft; `None` where the photo leaves it open. No two shafts are proposed one arrow with more than
/// probability 1 together. `white`: what a white face would show in this photo, linear light.
#[must_use]
pub fn identify(
    pixels: &RgbImage,
    camera: &Camera,
    white: [f64; 3],
    shafts: &[Shaft],
    arrows: &[ArrowLook],
) -> Vec<Option<Proposal>> {
    // arrows that look alike are one class; its first arrow stands for it
    let mut classes: Vec<(&ArrowLook, usize, usize)> = Vec::new();
    for (k, look) in arrows.iter().enumerate() {
        match classes.iter_mut().find(|c| c.0 == look) {
            Some(class) => class.2 += 1,
            None => classes.push((look, k, 1)),
        }
    }
    let segments: Vec<Option<[ImagePoint; 2]>> = shafts
        .iter()
        .map(|s| {
            s.segment_px
                .filter(|_| s.confidence >= MIN_COVERING_CONFIDENCE)
        })
        .collect();
    let likelihood_ratios: Vec<Vec<f64>> = shafts
        .par_iter()
        .enumerate()
        .map(|(i, shaft)| {
            let neighbour_axes: Vec<[ImagePoint; 2]> = segments
                .iter()
                .enumerate()
                .filter_map(|(k, c)| c.filter(|_| k != i))
                .collect();
            let tail = tail::look(pixels, camera, white, shaft, &neighbour_axes);
            let of = |look: &ArrowLook| {
                let own = kind_ratio(shaft, look) * tail.ratio(look.nock, &look.vanes);
                WRONG_TAIL_SHARE + (1.0 - WRONG_TAIL_SHARE) * own
            };
            classes.iter().map(|(look, ..)| of(look)).collect()
        })
        .collect();
    let sizes: Vec<usize> = classes.iter().map(|c| c.2).collect();
    let strangers: Vec<f64> = shafts
        .iter()
        .map(|s| 1.0 - (1.0 - UNKNOWN_ARROW_SHARE) * p_shaft(s))
        .collect();
    let posterior = identity::posterior(&likelihood_ratios, &sizes, &strangers);
    posterior
        .into_iter()
        .map(|row| {
            let each = row.iter().zip(&classes).enumerate();
            let each = each.map(|(c, (p, class))| (c, p / crate::math::count(class.2)));
            let (best, p) = each.max_by(|a, b| a.1.total_cmp(&b.1))?;
            let arrow = classes.get(best)?.1;
            (p >= MIN_PROBABILITY).then_some(Proposal { arrow, p })
        })
        .collect()
}

/// Shafts less sure than this hide nothing.
const MIN_COVERING_CONFIDENCE: f64 = 0.5;

/// Probability that a shaft is one at all.
fn p_shaft(s: &Shaft) -> f64 {
    match s.kind {
        ArrowKind::Unknown => s.confidence,
        _ => (s.confidence / s.kind_probability.max(1e-6)).min(1.0),
    }
}

/// How much likelier the shaft's tag is for this arrow than for one of either kind.
fn kind_ratio(s: &Shaft, look: &ArrowLook) -> f64 {
    let fletched = match s.kind {
        ArrowKind::Fletched => s.kind_probability,
        ArrowKind::Bare => 1.0 - s.kind_probability,
        ArrowKind::Unknown => 0.5,
    };
    match look.kind {
        Some(ArrowKind::Bare) => 2.0 * (1.0 - fletched),
        // only fletched arrows have vanes
        Some(ArrowKind::Fletched) => 2.0 * fletched,
        _ if !look.vanes.is_empty() => 2.0 * fletched,
        _ => 1.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::colours::named;
    use crate::geometry::FacePoint;
    use crate::geometry::camera::{Lens, Pose};
    use crate::shaft::Lean;
    use nalgebra::{Matrix2, Rotation3, Vector3};

    /// Seen from two metres, 20 degrees from the side.
    fn camera() -> Camera {
        let turned = Rotation3::from_axis_angle(&Vector3::y_axis(), 0.35);
        Camera {
            lens: Lens {
                f_px: 1200.0,
                cx_px: 799.5,
                cy_px: 599.5,
                k1: 0.0,
                k2: 0.0,
            },
            pose: Pose {
                // y up on the face, down in the picture; the camera looks along -z
                rotation: (Rotation3::from_axis_angle(&Vector3::x_axis(), std::f64::consts::PI)
                    * turned)
                    .into_inner(),
                translation_mm: Vector3::new(0.0, 0.0, 2000.0),
            },
        }
    }

    const LENGTH: f64 = 450.0;

    fn shaft(camera: &Camera, x: f64, y: f64) -> Shaft {
        let entry = FacePoint::new(x, y);
        let px = |z: f64| camera.project(entry.at_height(z)).unwrap();
        Shaft {
            entry,
            cov_mm2: Matrix2::identity(),
            entry_px: px(0.0),
            kind: ArrowKind::Bare,
            kind_probability: 0.97,
            confidence: 0.95,
            lean: Some(Lean {
                right_rad: 0.0,
                up_rad: 0.0,
                sd_rad: 0.01,
            }),
            thickness_mm: None,
            segment_px: Some([px(0.0), px(LENGTH)]),
        }
    }

    /// Grey ground, and for each shaft a dark tube of 6 mm with a nock of 12 mm in its colour.
    fn drawn(camera: &Camera, shafts: &[(Shaft, [u8; 3])]) -> RgbImage {
        let mut picture = RgbImage::from_pixel(1600, 1200, image::Rgb([170, 170, 170]));
        for (shaft, nock) in shafts {
            for along in 0..=900 {
                let z = LENGTH * f64::from(along) / 900.0;
                let colour = if z > LENGTH - 12.0 {
                    *nock
                } else {
                    [30, 30, 32]
                };
                for aside in -12..=12 {
                    let p = shaft.entry.at_height(z) + Vector3::y() * (f64::from(aside) / 4.0);
                    let Some(px) = camera.project(p) else {
                        continue;
                    };
                    let [x, y] = [px.x, px.y].map(|v| crate::math::floor_index(v + 0.5));
                    if let (Ok(x), Ok(y)) = (u32::try_from(x), u32::try_from(y))
                        && x < 1600
                        && y < 1200
                    {
                        picture.put_pixel(x, y, image::Rgb(colour));
                    }
                }
            }
        }
        picture
    }

    fn nocks(names: &[&str]) -> Vec<ArrowLook> {
        let look = |name: &&str| ArrowLook {
            kind: Some(ArrowKind::Bare),
            nock: Some(named(name).unwrap()),
            vanes: Vec::new(),
        };
        names.iter().map(look).collect()
    }

    fn proposed(
        pixels: &RgbImage,
        camera: &Camera,
        shafts: &[Shaft],
        names: &[&str],
    ) -> Vec<Option<usize>> {
        let all = identify(pixels, camera, [0.8; 3], shafts, &nocks(names));
        all.iter().map(|p| p.map(|p| p.arrow)).collect()
    }

    #[test]
    fn nocks_tell_arrows_apart_and_alike_ones_stay_open() {
        let camera = camera();
        let colours = [[230, 40, 40], [40, 160, 60], [40, 80, 220], [235, 225, 40]];
        let places = [(-150.0, 60.0), (-60.0, -80.0), (30.0, 120.0), (120.0, 0.0)];
        let shafts: Vec<Shaft> = places.iter().map(|p| shaft(&camera, p.0, p.1)).collect();
        let all: Vec<_> = shafts.iter().copied().zip(colours).collect();
        let pixels = drawn(&camera, &all);
        let given = ["blue", "yellow", "red", "green"];
        let seen = proposed(&pixels, &camera, &shafts, &given);
        assert_eq!(seen, [Some(2), Some(3), Some(0), Some(1)]);
        // a spare in the quiver and another order of telling change nothing
        let given = ["white", "green", "blue", "yellow", "red"];
        let seen = proposed(&pixels, &camera, &shafts, &given);
        assert_eq!(seen, [Some(4), Some(1), Some(2), Some(3)]);
        // two red nocks: either may be the red shaft
        let given = ["red", "red", "green", "blue", "yellow"];
        let seen = proposed(&pixels, &camera, &shafts, &given);
        assert_eq!(seen, [None, Some(2), Some(3), Some(4)]);
        // no yellow one is given
        let given = ["red", "green", "blue"];
        let seen = proposed(&pixels, &camera, &shafts, &given);
        assert_eq!(seen, [Some(0), Some(1), Some(2), None]);
    }

    #[test]
    fn what_is_not_seen_is_left_open_and_nothing_panics() {
        let camera = camera();
        let pixels = drawn(&camera, &[]);
        let unseen = [
            Shaft {
                segment_px: None,
                ..shaft(&camera, 0.0, 0.0)
            },
            Shaft {
                lean: Some(Lean {
                    right_rad: f64::NAN,
                    up_rad: f64::INFINITY,
                    sd_rad: 0.0,
                }),
                ..shaft(&camera, 50.0, 0.0)
            },
            Shaft {
                segment_px: Some([ImagePoint::new(-1e9, 5.0), ImagePoint::new(f64::NAN, 1e300)]),
                kind: ArrowKind::Unknown,
                ..shaft(&camera, 90.0, 0.0)
            },
            // the nock is out of the picture
            shaft(&camera, -1200.0, 0.0),
        ];
        assert_eq!(
            proposed(&pixels, &camera, &unseen, &["red", "blue", "white"]),
            [None; 4]
        );
        let none: Vec<ArrowLook> = Vec::new();
        assert_eq!(
            identify(&pixels, &camera, [0.8; 3], &unseen, &none),
            [None; 4]
        );
        assert!(
            identify(
                &RgbImage::new(1, 1),
                &camera,
                [0.8; 3],
                &[],
                &nocks(&["red"])
            )
            .is_empty()
        );
        let small = RgbImage::new(2, 2);
        for white in [[0.0; 3], [f64::NAN; 3], [1e-300; 3]] {
            let all = identify(&small, &camera, white, &unseen, &nocks(&["red", "blue"]));
            assert_eq!(all, [None; 4]);
        }
    }
}
