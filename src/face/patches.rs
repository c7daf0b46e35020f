//! Connected patches of pixels that have one of some colours.

use crate::math::count;
use nalgebra::Vector2;
use std::f64::consts::PI;

/// Smallest patch of one colour that is tried, px of the reduced picture.
const MIN_PATCH: usize = 14;
/// Most patches tried per colour, largest first.
const MAX_PATCHES: usize = 80;

/// Pixels of a patch, and the sums of their places.
#[derive(Clone, Copy, Default)]
struct Area {
    n: usize,
    x: usize,
    y: usize,
}

/// Pixels next to each other in a row.
struct Stretch {
    first: usize,
    end: usize,
    /// The number of a stretch of the same patch further up, or its own.
    parent: usize,
    /// Its own pixels, in the end those of the whole patch.
    area: Area,
}

/// The topmost stretch of a patch.
fn top(stretches: &mut [Stretch], mut k: usize) -> usize {
    while stretches[k].parent != k {
        let parent = stretches[k].parent;
        stretches[k].parent = stretches[parent].parent;
        k = parent;
    }
    k
}

/// Centroids of connected patches (4-neighbours) of pixels that have one of the bits, with the radius of a disc of their area,
/// largest first.
pub(super) fn patches(kinds: &[u8], bits: u8, width: usize) -> Vec<(Vector2<f64>, f64)> {
    let mut stretches: Vec<Stretch> = Vec::new();
    let mut above = 0..0;
    for (y, row) in kinds.chunks_exact(width.max(1)).enumerate() {
        let start = stretches.len();
        let mut x = 0;
        // of the row above, those that may still touch
        let mut touching = above.start;
        while let Some(before) = row[x..].iter().position(|k| k & bits != 0) {
            let first = x + before;
            let end = row[first..].iter().position(|k| k & bits == 0);
            let end = end.map_or(row.len(), |n| first + n);
            let n = end - first;
            let own = stretches.len();
            stretches.push(Stretch {
                first,
                end,
                parent: own,
                area: Area {
                    n,
                    x: n * (first + end - 1) / 2,
                    y: n * y,
                },
            });
            while touching < above.end && stretches[touching].end <= first {
                touching += 1;
            }
            let mut k = touching;
            while k < above.end && stretches[k].first < end {
                let (a, b) = (top(&mut stretches, own), top(&mut stretches, k));
                stretches[a.max(b)].parent = a.min(b);
                k += 1;
            }
            x = end;
        }
        above = start..stretches.len();
    }
    // a parent comes before its children
    for k in (0..stretches.len()).rev() {
        let (parent, area) = (stretches[k].parent, stretches[k].area);
        if parent != k {
            let whole = &mut stretches[parent].area;
            (whole.n, whole.x, whole.y) = (whole.n + area.n, whole.x + area.x, whole.y + area.y);
        }
    }
    let whole = stretches.iter().enumerate();
    let mut areas: Vec<Area> = whole
        .filter(|(k, s)| s.parent == *k && s.area.n >= MIN_PATCH)
        .map(|(_, s)| s.area)
        .collect();
    areas.sort_by_key(|a| std::cmp::Reverse(a.n));
    areas
        .into_iter()
        .take(MAX_PATCHES)
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
