//! Old holes and other small round things on a plane, found quickly.

use super::random::{Draw, unit};
use crate::geometry::FacePoint;
use crate::math::floor_index;

/// Side of a cell, mm.
const CELL: f64 = 16.0;
/// Edges are looked for as far as this beside them, mm: half a pixel of a face far away.
const FOOTPRINT: f64 = 4.0;

/// An old hole, with the torn rim around it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hole {
    pub(super) at: FacePoint,
    pub(super) radius: f64,
    /// Width of the torn rim where it is widest, mm.
    pub(super) rim: f64,
    look: u64,
}

impl Hole {
    pub(super) fn draw(draw: &mut Draw, at: FacePoint, shaft_radius: f64) -> Self {
        Self {
            at,
            radius: shaft_radius * draw.within([0.55, 1.1]),
            rim: draw.within([0.4, 2.8]),
            look: draw.bits(),
        }
    }

    /// Radius and rim in the direction of (x, y): neither is round.
    fn outline(&self, x: f64, y: f64) -> (f64, f64) {
        let (a, b) = (unit(self.look), unit(super::random::mix(self.look)));
        let angle = y.atan2(x);
        let wobble = (3.0 * angle + 6.3 * a).sin() * 0.5 + (5.0 * angle + 6.3 * b).sin() * 0.5;
        (
            self.radius * (1.0 + 0.16 * wobble),
            self.rim * (0.5 + 0.5 * wobble).max(0.0) * (0.6 + 0.4 * (angle + 6.3 * b).cos()),
        )
    }
}

/// What a point shows of the holes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Wound {
    None,
    Rim,
    Hole,
}

/// Holes by the cell that they lie in.
pub(super) struct Holes {
    from: [f64; 2],
    size: [usize; 2],
    cells: Vec<Vec<Hole>>,
}

impl Holes {
    /// Holes within `half` mm of the origin on each axis.
    pub(super) fn new(holes: &[Hole], half: f64) -> Self {
        let side = floor_index(2.0 * half / CELL) + 1;
        let mut cells = vec![Vec::new(); side * side];
        for hole in holes {
            // into every cell that it reaches, with the widest footprint of a pixel
            let reach = 1.2 * hole.radius + hole.rim + FOOTPRINT;
            let range = |c: f64| {
                let low = floor_index((c - reach + half) / CELL);
                let high = (c + reach + half) / CELL;
                low..if high < 0.0 {
                    0
                } else {
                    (floor_index(high) + 1).min(side)
                }
            };
            for j in range(hole.at.y) {
                for i in range(hole.at.x) {
                    cells[j * side + i].push(*hole);
                }
            }
        }
        Self {
            from: [-half; 2],
            size: [side; 2],
            cells,
        }
    }

    /// What lies at a point, and whether an edge is within `near` mm.
    pub(super) fn at(&self, p: FacePoint, near: f64) -> (Wound, bool) {
        let (u, v) = ((p.x - self.from[0]) / CELL, (p.y - self.from[1]) / CELL);
        let mut found = (Wound::None, false);
        if u < 0.0 || v < 0.0 {
            return found;
        }
        let (i, j) = (floor_index(u), floor_index(v));
        if i >= self.size[0] || j >= self.size[1] {
            return found;
        }
        for hole in &self.cells[j * self.size[0] + i] {
            let (dx, dy) = (p.x - hole.at.x, p.y - hole.at.y);
            let r = (dx * dx + dy * dy).sqrt();
            if r > 1.2 * hole.radius + hole.rim + near {
                continue;
            }
            let (radius, rim) = hole.outline(dx, dy);
            found.1 |= (r - radius).abs() < near || (r - radius - rim).abs() < near;
            if r < radius {
                return (Wound::Hole, found.1);
            }
            if r < radius + rim {
                found.0 = Wound::Rim;
            }
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rehearse::random::Subject;

    #[test]
    fn a_hole_is_found_where_it_is() {
        let mut draw = Draw::new(1, Subject::Face);
        let holes: Vec<Hole> = [(0.0, 0.0), (15.9, 0.1), (-90.0, 40.0)]
            .iter()
            .map(|&(x, y)| Hole::draw(&mut draw, FacePoint::new(x, y), 3.0))
            .collect();
        let index = Holes::new(&holes, 100.0);
        for hole in &holes {
            assert_eq!(index.at(hole.at, 0.1).0, Wound::Hole);
            let beside = FacePoint::new(hole.at.x + 7.5, hole.at.y - 6.0);
            assert_eq!(index.at(beside, 0.1), (Wound::None, false));
        }
    }
}
