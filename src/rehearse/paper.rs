//! The printed face: rings, lines, paper, and what use has made of it.

use super::Rgb;
use super::arrow::Shaft;
use super::random::{Draw, Grain, Subject};
use super::scatter::{Hole, Holes, Wound};
use super::world::{Inks, World};
use crate::face::spec::{Colour, FaceSpec, LineSide};
use crate::geometry::FacePoint;
use crate::imaging::linear_from_srgb;

/// A ring with its line, mm.
struct Ring {
    radius: f64,
    /// Inner and outer edge of its line; equal where there is none.
    line: [f64; 2],
    colour: Rgb,
    line_colour: Rgb,
}

/// A pin that holds the paper.
struct Pin {
    at: FacePoint,
    colour: Rgb,
}

/// Radius of a pin's head, mm.
const PIN: f64 = 6.5;

/// Paper left around the print of a sheet that is cut round, mm.
const LEFT_BY_SCISSORS: f64 = 9.0;

/// How far from the edge of a round sheet its pins stand, mm.
const PIN_INSIDE: f64 = 8.0;

/// A square stuck over a worn place.
struct Patch {
    at: FacePoint,
    half: f64,
    turn: f64,
    colour: Rgb,
}

/// The sheet with the face on it.
pub(super) struct Paper {
    spots: Vec<FacePoint>,
    rings: Vec<Ring>,
    /// Left, right, lower and upper edge, mm.
    pub(super) edges: [f64; 4],
    /// Radius of a sheet that is cut round, mm.
    pub(super) round: Option<f64>,
    white: Rgb,
    fade: f64,
    wear: f64,
    holes: Holes,
    pins: Vec<Pin>,
    patches: Vec<Patch>,
    /// Height of the waves, mm, and where in the noise they begin.
    wave: f64,
    shift: [f64; 2],
    creases: Vec<(bool, f64)>,
    entries: Vec<(FacePoint, f64)>,
    grain: Grain,
}

fn ink(inks: &Inks, colour: Colour) -> Rgb {
    linear_from_srgb(match colour {
        Colour::Yellow => inks.yellow,
        Colour::Red => inks.red,
        Colour::Blue => inks.blue,
        Colour::Black => inks.black,
        Colour::White => inks.white,
    })
}

fn rings(world: &World, spec: &FaceSpec, inks: &Inks, draw: &mut Draw) -> Vec<Ring> {
    let width = draw.within(world.face.line_mm).min(spec.line.width_mm);
    let at_steps = draw.chance(world.face.line_at_colour_step_share);
    spec.outlines()
        .iter()
        .map(|b| {
            let width = if b.is_line() || at_steps { width } else { 0.0 };
            let line = match spec.line.side {
                LineSide::Inside => [b.radius_mm - width, b.radius_mm],
                LineSide::Centred => [b.radius_mm - width / 2.0, b.radius_mm + width / 2.0],
                LineSide::Outside => [b.radius_mm, b.radius_mm + width],
            };
            Ring {
                radius: b.radius_mm,
                line,
                colour: ink(inks, b.inside),
                line_colour: ink(inks, b.line),
            }
        })
        .collect()
}

impl Paper {
    /// Draws a sheet. `wear` from 0 (fresh) to 1; unknown: drawn too.
    pub(super) fn draw(
        world: &World,
        seed: u64,
        spec: &FaceSpec,
        shafts: &[Shaft],
        wear: Option<f64>,
        grain: Grain,
    ) -> Self {
        let w = &world.face;
        let mut draw = Draw::new(seed, Subject::Face);
        let mut inks = draw.one_of(&w.inks);
        for c in [
            &mut inks.yellow,
            &mut inks.red,
            &mut inks.blue,
            &mut inks.black,
        ] {
            for v in c.iter_mut() {
                *v = (*v + draw.normal(6.0)).clamp(8.0, 252.0);
            }
        }
        let rings = rings(world, spec, &inks, &mut draw);
        let outer = spec.outer_radius_mm();
        let reach = spec.reach_mm();
        let margin = outer * draw.within(w.margin_of_radius) + w.margin_mm;
        let edge = |side: f64, of: fn(&FacePoint) -> f64| {
            let far = spec
                .spots_mm
                .iter()
                .map(|s| side * of(s))
                .fold(f64::MIN, f64::max);
            side * (far + outer + margin)
        };
        let edges = [
            edge(-1.0, |s| s.x),
            edge(1.0, |s| s.x),
            edge(-1.0, |s| s.y),
            edge(1.0, |s| s.y),
        ];
        let cut = draw.chance(w.round_share) && spec.spots_mm.len() == 1 && outer > 180.0;
        let round = if spec.trimmed {
            Some(outer)
        } else {
            cut.then_some(outer + LEFT_BY_SCISSORS)
        };
        let fresh = draw.chance(w.fresh_share);
        let drawn_wear = if fresh { 0.05 } else { draw.within([0.1, 1.0]) };
        let wear = wear.unwrap_or(drawn_wear).clamp(0.0, 1.0);
        let holes = holes(world, spec, shafts, wear, &mut draw);
        let patched = draw.chance(w.patch_share * wear);
        let patches = patched
            .then(|| Patch {
                at: FacePoint::new(draw.normal(0.3 * reach), draw.normal(0.3 * reach)),
                half: draw.within([22.0, 50.0]),
                turn: draw.within([-0.4, 0.4]),
                colour: linear_from_srgb(
                    draw.one_of(&[[228.0, 226.0, 220.0], [190.0, 160.0, 120.0]]),
                ),
            })
            .into_iter()
            .collect();
        let fade = if fresh { 0.0 } else { draw.within(w.fade) };
        let creases = (0..draw.count([0, 3]))
            .map(|_| (draw.chance(0.5), draw.normal(0.4 * reach)))
            .collect();
        let mut paper = Self {
            spots: spec.spots_mm.clone(),
            rings,
            edges,
            round,
            white: ink(&inks, spec.paper),
            fade,
            wear,
            holes,
            pins: Vec::new(),
            patches,
            wave: draw.within(w.wave_mm),
            shift: [0; 2].map(|_| draw.within([0.0, 512.0])),
            creases,
            entries: shafts
                .iter()
                .map(|s| (s.entry, s.appearance.radius + draw.within([0.2, 1.0])))
                .collect(),
            grain,
        };
        let colour = linear_from_srgb(draw.one_of(&world.vane.colours));
        for corner in 0..4 {
            let (x, y) = (edges[corner % 2], edges[2 + corner / 2]);
            let mut at = FacePoint::new(0.94 * x + draw.normal(3.0), 0.94 * y + draw.normal(3.0));
            if let Some(radius) = round {
                let shrink = (radius - PIN_INSIDE) / at.x.hypot(at.y);
                at = FacePoint::new(at.x * shrink, at.y * shrink);
            }
            paper.pins.push(Pin { at, colour });
        }
        paper
    }

    /// Whether the sheet covers a point of its plane.
    pub(super) fn covers(&self, p: FacePoint) -> bool {
        self.inside(p) > 0.0
    }

    /// Distance to the edge of the sheet, mm, positive inside.
    pub(super) fn inside(&self, p: FacePoint) -> f64 {
        match self.round {
            Some(radius) => radius - (p.x * p.x + p.y * p.y).sqrt(),
            None => (p.x - self.edges[0])
                .min(self.edges[1] - p.x)
                .min(p.y - self.edges[2])
                .min(self.edges[3] - p.y),
        }
    }

    /// Height of the waves over the face plane, mm.
    pub(super) fn height(&self, p: FacePoint) -> f64 {
        self.wave
            * self
                .grain
                .cloud(p.x / WAVE_MM + self.shift[0], p.y / WAVE_MM + self.shift[1])
                .clamp(-1.0, 1.0)
    }

    /// Farthest that the waves reach from the face plane, mm.
    pub(super) fn deepest(&self) -> f64 {
        self.wave
    }

    /// Slopes of the waves and of the creases, right and up.
    pub(super) fn slope(&self, p: FacePoint) -> [f64; 2] {
        let step = 3.0;
        let here = self.height(p);
        let right = self.height(FacePoint::new(p.x + step, p.y));
        let up = self.height(FacePoint::new(p.x, p.y + step));
        let mut slope = [(right - here) / step, (up - here) / step];
        for &(upright, at) in &self.creases {
            let away = if upright { p.x - at } else { p.y - at };
            let fold = 0.22 * (-(away / 2.0).powi(2)).exp() * (away / 1.5);
            slope[usize::from(!upright)] += fold;
        }
        slope
    }

    /// Reflectance at a point of the sheet, and whether something changes within `near` mm.
    pub(super) fn colour(&self, p: FacePoint, near: f64) -> (Rgb, bool) {
        for pin in &self.pins {
            let r = distance(p, pin.at);
            if r < PIN + near {
                let dome = 1.15 - 0.6 * (r / PIN).powi(2);
                return (pin.colour.map(|c| c * dome.max(0.3)), r > PIN - near);
            }
        }
        let (wound, edge) = self.holes.at(p, near);
        if wound == Wound::Hole {
            return ([0.012; 3], edge);
        }
        for &(entry, radius) in &self.entries {
            if distance(p, entry) < radius {
                return ([0.03; 3], true);
            }
        }
        let (mut colour, at_edge) = self.printed(p, near);
        if wound == Wound::Rim {
            // torn fibres of the sheet's inside
            colour = [0, 1, 2].map(|k| 0.35 * colour[k] + 0.5 * self.white[k]);
        }
        (self.used(p, colour), edge || at_edge)
    }

    /// Distance to the nearest spot's centre, mm.
    fn spot_distance(&self, p: FacePoint) -> f64 {
        self.spots
            .iter()
            .map(|s| distance(*s, p))
            .fold(f64::INFINITY, f64::min)
    }

    fn printed(&self, p: FacePoint, near: f64) -> (Rgb, bool) {
        let mut edge = self.inside(p) < near;
        for patch in &self.patches {
            let (sin, cos) = patch.turn.sin_cos();
            let (x, y) = (p.x - patch.at.x, p.y - patch.at.y);
            let far = (x * cos + y * sin).abs().max((y * cos - x * sin).abs());
            edge |= (far - patch.half).abs() < near;
            if far < patch.half {
                return (patch.colour, edge);
            }
        }
        let r = self.spot_distance(p);
        // the "+" in the middle
        if r < 4.0 + near {
            let spot = self.spots.iter().find(|s| distance(**s, p) <= r);
            let (x, y) = spot.map_or((9.0, 9.0), |s| ((p.x - s.x).abs(), (p.y - s.y).abs()));
            if r < 4.0 && x.min(y) < 0.5 {
                return (self.rings[0].line_colour, true);
            }
            edge = true;
        }
        // from the outside, so that a line outside its ring lies over the next
        let mut colour = self.white;
        for ring in self.rings.iter().rev() {
            edge |= (r - ring.line[0]).abs() < near
                || (r - ring.line[1]).abs() < near
                || (r - ring.radius).abs() < near;
            if r <= ring.radius {
                colour = ring.colour;
            }
            if r > ring.line[0] && r <= ring.line[1] {
                return (ring.line_colour, edge);
            }
        }
        (colour, edge)
    }

    /// Fading, wear about the middle, stains and the grain of the paper.
    fn used(&self, p: FacePoint, colour: Rgb) -> Rgb {
        let grey = 0.21 * colour[0] + 0.72 * colour[1] + 0.07 * colour[2];
        let mut out = colour.map(|c| c + self.fade * (0.55 * grey + 0.22 - c));
        let stain = self.grain.cloud(p.x / 1.4 + 77.0, p.y / 1.4);
        let dirt = 1.0 - 0.10 * self.wear * (stain - 0.35).max(0.0);
        let paper = 1.0 + 0.02 * self.grain.speck(p.x / 1.3, p.y / 1.3);
        let r = self.spot_distance(p);
        let outer = self.rings.last().map_or(1.0, |ring| ring.radius);
        let worn = self.wear * (-(r / (0.16 * outer)).powi(2)).exp();
        let frayed = self.grain.cloud(p.x * 2.1 + 19.0, p.y * 2.1) > 1.25 - 1.1 * worn;
        if frayed {
            out = [0, 1, 2].map(|k| 0.5 * out[k] + 0.35 * self.white[k]);
        }
        out.map(|c| c * dirt * paper)
    }
}

/// Distance of two points, mm; quicker than one that minds overflow.
fn distance(a: FacePoint, b: FacePoint) -> f64 {
    let (x, y) = (a.x - b.x, a.y - b.y);
    (x * x + y * y).sqrt()
}

/// Size of a noise cell of the waves, mm: the longest waves are 64 cells.
const WAVE_MM: f64 = 4.0;

fn holes(world: &World, spec: &FaceSpec, shafts: &[Shaft], wear: f64, draw: &mut Draw) -> Holes {
    let [few, many] = world.face.holes;
    let count = few
        + crate::math::floor_index(wear * crate::math::count(many - few) * draw.within([0.5, 1.0]));
    let count = if wear == 0.0 { 0 } else { count };
    let outer = spec.outer_radius_mm();
    let radius = shafts.first().map_or(2.7, |s| s.appearance.radius);
    let clear = |p: FacePoint| {
        shafts
            .iter()
            .all(|s| s.entry.distance(p) > 2.0 * radius + 3.0)
    };
    let holes: Vec<Hole> = (0..count)
        .map(|k| {
            let spot = spec.spots_mm[k % spec.spots_mm.len()];
            // groups of many evenings, and some wild ones
            let sd = outer * if draw.chance(0.75) { 0.26 } else { 0.55 };
            let at = FacePoint::new(spot.x + draw.normal(sd), spot.y + draw.normal(sd));
            Hole::draw(draw, at, radius)
        })
        .filter(|h| clear(h.at))
        .collect();
    Holes::new(&holes, spec.reach_mm() * 1.3)
}
