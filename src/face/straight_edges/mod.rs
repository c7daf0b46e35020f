//! Straight edges around the rings: the paper's, or the boss's where the paper is cut round or its edges don't show.
//!
//! The surroundings are resampled in the face frame, one picture for each of the four sides. A line with nearly the side's
//! direction is supported where steps of one sign lie on it along its length; the four sides of a square share one turn. The
//! innermost supported line of each side is then measured on the photo itself.

mod line_search;
mod side;
mod surroundings;

use super::upright::{Roll, Upright, UprightSource};
use crate::geometry::camera::Camera;
use crate::math::count;
use image::RgbImage;
use line_search::{Steps, common_turns, innermost, steps_of};
use side::{StraightEdge, measure};
use surroundings::{CELLS_PER_RADIUS, paper_colour, resample};

/// Sides are one square's when their turns lie within this, rad.
const SAME_TURN_RAD: f64 = 0.009;
/// Straight edges lie on their line so well that its turn is known this well, rad; grain and the rim of a round face don't.
const MAX_TURN_SD_RAD: f64 = 0.0035;
/// A paper's edge that curls or is covered in part isn't as straight as this, rad.
const SHARP_TURN_SD_RAD: f64 = 0.001;
/// An edge is further in than others from this part of their distance.
const INNER_EDGE_SHARE: f64 = 0.995;
/// Factor on the standard deviation when only two sides agree.
const TWO_SIDES_SD_FACTOR: f64 = 4.0;
/// Where the paper's colour is taken from, in outer radii: the outermost zone where that is bare paper, else just outside.
const PAPER_RADII: (f64, f64) = (0.95, 1.03);

/// What is assumed of straight edges: standard deviations to state, rad, and what the outermost zone is like.
#[derive(Clone, Copy, Debug)]
pub(super) struct EdgePriors {
    /// The outermost zone has the paper's own colour.
    pub(super) white_outermost: bool,
    pub(super) paper_sd: f64,
    pub(super) boss_sd: f64,
}

/// The turn (rad, to be added to the camera's roll) that straight edges around rings of `outer_mm` about the origin show, and a
/// standard deviation (rad) for the doubt whether these are the edges they are taken for.
pub(super) fn upright(
    pixels: &RgbImage,
    camera: &Camera,
    outer_mm: f64,
    priors: EdgePriors,
) -> Option<(Roll, f64)> {
    let cell = outer_mm / count(CELLS_PER_RADIUS);
    let map = resample(pixels, camera, cell);
    let paper = paper_colour(
        &map,
        if priors.white_outermost {
            PAPER_RADII.0
        } else {
            PAPER_RADII.1
        },
    );
    let steps: Vec<Steps> = (0..4).map(|side| steps_of(&map, side)).collect();
    // paper may hang askew on a boss whose edges show better: every shared turn is measured, the innermost paper wins
    let measured: Vec<Vec<StraightEdge>> = common_turns(&steps)
        .into_iter()
        .map(|turn| {
            (0..4)
                .filter_map(|side| {
                    let (turn, at) = innermost(&steps[side], turn)?;
                    measure(pixels, camera, side, turn, at * cell, paper)
                })
                .filter(|side| side.sd < MAX_TURN_SD_RAD)
                .collect()
        })
        .collect();
    let found: Vec<Square> = measured
        .iter()
        .flat_map(|sides| {
            let (papers, others): (Vec<StraightEdge>, Vec<StraightEdge>) =
                sides.iter().partition(|s| s.is_paper);
            let paper = agreed(&papers, priors.paper_sd, UprightSource::PaperEdge);
            let boss = agreed(&others, priors.boss_sd, UprightSource::BossEdge);
            // edges of which it isn't clear what ends there are trusted as a boss's
            let mixed = if paper.is_none() && boss.is_none() {
                agreed(sides, priors.boss_sd, UprightSource::BossEdge)
            } else {
                None
            };
            [paper, boss, mixed]
        })
        .flatten()
        .collect();
    let rank = |s: &Square| (s.roll.upright.from != UprightSource::PaperEdge, s.sides < 3);
    let best = found
        .into_iter()
        .min_by(|a, b| rank(a).cmp(&rank(b)).then(a.at_mm.total_cmp(&b.at_mm)));
    best.map(|s| (s.roll, s.doubt_rad(measured.iter().flatten())))
}

/// Sides of one square.
struct Square {
    roll: Roll,
    /// Mean distance of the sides from the middle, mm.
    at_mm: f64,
    sides: usize,
}

impl Square {
    /// Paper ends within a boss of its own colour. Where a side of what is taken for paper is missing, and a sharp edge of paper lies
    /// a little further in, turned otherwise, that may be the paper's and these the boss's: half the difference of their turns, rad.
    fn doubt_rad<'a>(&self, seen: impl Iterator<Item = &'a StraightEdge>) -> f64 {
        if self.roll.upright.from != UprightSource::PaperEdge || self.sides == 4 {
            return 0.0;
        }
        let within = seen.filter(|s| {
            s.is_paper && s.sd < SHARP_TURN_SD_RAD && s.at_mm < INNER_EDGE_SHARE * self.at_mm
        });
        within
            .map(|s| (s.turn - self.roll.turn_rad).abs())
            .filter(|off| *off > SAME_TURN_RAD)
            .fold(0.0, |most, off| f64::max(most, 0.5 * off))
    }
}

/// Mean turn of the sides that agree; at least two of them.
fn agreed(sides: &[StraightEdge], least_sd: f64, from: UprightSource) -> Option<Square> {
    let best = sides.iter().map(|s| {
        sides
            .iter()
            .filter(|o| (o.turn - s.turn).abs() < SAME_TURN_RAD)
            .collect::<Vec<_>>()
    });
    let group = best.max_by_key(Vec::len)?;
    if group.len() < 2 {
        return None;
    }
    let weight = |s: &StraightEdge| 1.0 / (s.sd * s.sd + least_sd * least_sd);
    let total: f64 = group.iter().map(|s| weight(s)).sum();
    let turn_rad = group.iter().map(|s| weight(s) * s.turn).sum::<f64>() / total;
    let scatter = group
        .iter()
        .map(|s| (s.turn - turn_rad).powi(2))
        .sum::<f64>()
        / count(group.len() - 1);
    // two lines may agree by chance, three hardly
    let trusted = if group.len() > 2 {
        least_sd
    } else {
        TWO_SIDES_SD_FACTOR * least_sd
    };
    let sd_rad = trusted.hypot((scatter / count(group.len())).sqrt());
    let at_mm = group.iter().map(|s| s.at_mm).sum::<f64>() / count(group.len());
    Some(Square {
        roll: Roll {
            turn_rad,
            upright: Upright { from, sd_rad },
        },
        at_mm,
        sides: group.len(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::camera::{Lens, Pose};
    use image::Rgb;
    use nalgebra::{Matrix3, Vector3};

    fn camera() -> Camera {
        let rotation = Matrix3::new(1.0, 0.0, 0.0, 0.0, -1.0, 0.0, 0.0, 0.0, -1.0);
        Camera {
            lens: Lens {
                f_px: 500.0,
                cx_px: 300.0,
                cy_px: 300.0,
                k1: 0.0,
                k2: 0.0,
            },
            pose: Pose {
                rotation,
                translation_mm: Vector3::new(0.0, 0.0, 500.0),
            },
        }
    }

    /// White square of half side `half` px turned by `turn` (counter-clockwise as seen) on a grey ground.
    fn square(half: f64, turn: f64) -> RgbImage {
        RgbImage::from_fn(601, 601, |x, y| {
            let mut inside = 0u32;
            for (dx, dy) in [(-0.25, -0.25), (0.25, -0.25), (-0.25, 0.25), (0.25, 0.25)] {
                let (px, py) = (f64::from(x) + dx - 300.0, 300.0 - f64::from(y) - dy);
                let (sin, cos) = turn.sin_cos();
                let (u, v) = (px * cos + py * sin, py * cos - px * sin);
                inside += u32::from(u.abs() < half && v.abs() < half);
            }
            Rgb([crate::math::byte(90.0 + 35.0 * f32::from(u8::try_from(inside).unwrap())); 3])
        })
    }

    #[test]
    fn a_square_of_paper_gives_its_turn() {
        for turn in [-0.15, 0.0, 0.02, 0.1] {
            let priors = EdgePriors {
                white_outermost: false,
                paper_sd: 0.002,
                boss_sd: 0.02,
            };
            let (roll, doubt) = upright(&square(130.0, turn), &camera(), 110.0, priors).unwrap();
            assert!(
                (roll.turn_rad - turn).abs() < 0.001,
                "{} for {turn}",
                roll.turn_rad
            );
            assert_eq!(roll.upright.from, UprightSource::PaperEdge);
            assert!(doubt.abs() < 1e-12);
        }
    }

    #[test]
    fn an_edge_of_paper_within_others_makes_them_doubtful() {
        // three sides of a boss of the paper's colour, and one of paper that hangs askew on it
        let askew = |at: f64| {
            let picture = RgbImage::from_fn(601, 601, |x, y| {
                let (px, py) = (f64::from(x) - 300.0, 300.0 - f64::from(y));
                let right = px * 0.03f64.cos() + py * 0.03f64.sin();
                let white = px > -130.0 && py.abs() < 130.0 && right < at;
                Rgb([if white { 230 } else { 90 }; 3])
            });
            let priors = EdgePriors {
                white_outermost: false,
                paper_sd: 0.002,
                boss_sd: 0.02,
            };
            upright(&picture, &camera(), 110.0, priors).unwrap()
        };
        let (roll, doubt) = askew(127.0);
        assert!(roll.turn_rad.abs() < 0.001, "{}", roll.turn_rad);
        assert_eq!(roll.upright.from, UprightSource::PaperEdge);
        assert!((doubt - 0.015).abs() < 0.001, "{doubt}");
        // further out than the others it is the boss's, or torn
        let (roll, doubt) = askew(133.0);
        assert!(
            roll.turn_rad.abs() < 0.001 && doubt.abs() < 1e-12,
            "{doubt}"
        );
    }

    #[test]
    fn a_disc_has_no_upright() {
        let disc = RgbImage::from_fn(601, 601, |x, y| {
            let r = (f64::from(x) - 300.0).hypot(f64::from(y) - 300.0);
            Rgb([if r < 130.0 { 230 } else { 90 }; 3])
        });
        assert!(
            upright(
                &disc,
                &camera(),
                110.0,
                EdgePriors {
                    white_outermost: false,
                    paper_sd: 0.002,
                    boss_sd: 0.02
                }
            )
            .is_none()
        );
    }
}
