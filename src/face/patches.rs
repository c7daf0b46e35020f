//! Connected patches of pixels that have one of some colours.

use crate::math::count;
use image::{GrayImage, Luma};
use imageproc::region_labelling::{Connectivity, connected_components};
use nalgebra::Vector2;
use std::f64::consts::PI;

/// Smallest patch of one colour that is tried, px of the reduced picture.
const SMALLEST_PATCH: usize = 14;
/// Most patches tried per colour, largest first.
const MOST_PATCHES: usize = 80;

/// Pixels of a patch, and the sums of their places.
#[derive(Clone, Copy, Default)]
struct Area {
    n: usize,
    x: usize,
    y: usize,
}

/// Centroids of connected patches (4-neighbours) of pixels that have one of the bits, with the radius of a disc of their area,
/// largest first.
pub(super) fn patches(kinds: &[u8], bits: u8, width: usize) -> Vec<(Vector2<f64>, f64)> {
    let width = width.max(1);
    let mask: Vec<u8> = kinds.iter().map(|k| u8::from(k & bits != 0)).collect();
    // a single pixel is no patch; the labelling would panic on it, as it has no room for the label 1
    if mask.len() < SMALLEST_PATCH {
        return Vec::new();
    }
    let size = (u32::try_from(width), u32::try_from(mask.len() / width));
    let (Ok(w), Ok(h)) = size else {
        return Vec::new();
    };
    let Some(mask) = GrayImage::from_raw(w, h, mask) else {
        return Vec::new();
    };
    let labels = connected_components(&mask, Connectivity::Four, Luma([0]));
    let mut areas: Vec<Area> = Vec::new();
    for (y, row) in labels.as_raw().chunks_exact(width).enumerate() {
        for (x, label) in row.iter().enumerate() {
            let Some(i) = (*label as usize).checked_sub(1) else {
                continue;
            };
            if i >= areas.len() {
                areas.resize(i + 1, Area::default());
            }
            let area = &mut areas[i];
            (area.n, area.x, area.y) = (area.n + 1, area.x + x, area.y + y);
        }
    }
    areas.retain(|a| a.n >= SMALLEST_PATCH);
    areas.sort_by_key(|a| std::cmp::Reverse(a.n));
    areas
        .into_iter()
        .take(MOST_PATCHES)
        .map(|a| {
            let n = count(a.n);
            (Vector2::new(count(a.x), count(a.y)) / n, (n / PI).sqrt())
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn patches_are_what_hangs_together_by_edges() {
        // two arms that meet in their last row, a patch of another kind, one that touches by a corner only
        let picture = [
            "aa......aa..bbbb",
            "aa......aa..bbbb",
            "aa......aa..bbbb",
            "aaaaaaaaaa..bbbb",
            "..........aaaaaa",
            "..........aaaaaa",
            "..........aaaaaa",
        ];
        let kinds: Vec<u8> = picture
            .concat()
            .bytes()
            .map(|c| match c {
                b'a' => 1,
                b'b' => 2,
                _ => 0,
            })
            .collect();
        let found = patches(&kinds, 1, 16);
        let areas: Vec<f64> = found.iter().map(|p| (PI * p.1 * p.1).round()).collect();
        assert_eq!(areas, [22.0, 18.0]);
        // by symmetry 4.5 across; 12 pixels in rows 0 to 2, 10 in row 3
        assert!((found[0].0 - Vector2::new(4.5, 42.0 / 22.0)).norm() < 1e-12);
        assert!((found[1].0 - Vector2::new(12.5, 5.0)).norm() < 1e-12);
        // with both kinds, the lower one and the one above it are one
        let both = patches(&kinds, 3, 16);
        assert!((PI * both[0].1 * both[0].1 - 34.0).abs() < 1e-9);
        assert!(patches(&kinds, 4, 16).is_empty());
    }

    #[test]
    fn every_other_pixel_is_a_patch_too_small() {
        for (width, height) in [(1, 1), (1, 9), (9, 1), (7, 7), (8, 8)] {
            let board: Vec<u8> = (0..width * height)
                .map(|i| u8::from((i / width + i % width) % 2 == 0))
                .collect();
            assert!(patches(&board, 1, width).is_empty());
        }
    }
}
