//! Connected patches of pixels that have one of some colours.

use crate::math::count;
use nalgebra::Vector2;
use std::f64::consts::PI;

/// Smallest patch of one colour that is tried, px of the reduced picture.
const SMALLEST_PATCH: usize = 14;
/// Most patches tried per colour, largest first.
const MOST_PATCHES: usize = 80;

/// A stretch of a row in a patch, and what is known of that patch: the lowest number of a stretch in it that was met, the
/// number of its pixels, the sums of their places.
struct Stretch {
    from: usize,
    to: usize,
    same_as: usize,
    n: usize,
    x: usize,
    y: usize,
}

/// Centroids of connected patches (4-neighbours) of pixels that have one of the bits, with the radius of a disc of their area,
/// largest first.
pub(super) fn patches(kinds: &[u8], bits: u8, width: usize) -> Vec<(Vector2<f64>, f64)> {
    fn first_of(stretches: &[Stretch], mut i: usize) -> usize {
        while stretches[i].same_as != i {
            i = stretches[i].same_as;
        }
        i
    }
    let mut all: Vec<Stretch> = Vec::new();
    let mut above = 0;
    for (y, row) in kinds.chunks_exact(width.max(1)).enumerate() {
        let (mut touching, this_row) = (above, all.len());
        let mut x = 0;
        while let Some(gap) = row[x..].iter().position(|k| k & bits != 0) {
            let from = x + gap;
            let end = row[from..].iter().position(|k| k & bits == 0);
            let to = end.map_or(width, |n| from + n);
            let (me, n) = (all.len(), to - from);
            all.push(Stretch {
                from,
                to,
                same_as: me,
                n,
                x: (from + to - 1) * n / 2,
                y: y * n,
            });
            while touching < this_row && all[touching].to <= from {
                touching += 1;
            }
            let over = (touching..this_row)
                .take_while(|a| all[*a].from < to)
                .count();
            for a in touching..touching + over {
                let (a, b) = (first_of(&all, a), first_of(&all, me));
                all[a.max(b)].same_as = a.min(b);
            }
            x = to;
        }
        above = this_row;
    }
    for i in 0..all.len() {
        let first = first_of(&all, i);
        all[i].same_as = first;
        if first != i {
            let (n, x, y) = (all[i].n, all[i].x, all[i].y);
            let whole = &mut all[first];
            (whole.n, whole.x, whole.y) = (whole.n + n, whole.x + x, whole.y + y);
        }
    }
    let mut found: Vec<&Stretch> = all
        .iter()
        .enumerate()
        .filter(|(i, s)| s.same_as == *i && s.n >= SMALLEST_PATCH)
        .map(|(_, s)| s)
        .collect();
    found.sort_by_key(|s| std::cmp::Reverse(s.n));
    found
        .into_iter()
        .take(MOST_PATCHES)
        .map(|s| {
            let n = count(s.n);
            let middle = Vector2::new(count(s.x), count(s.y)) / n;
            (middle, (n / PI).sqrt())
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
}
