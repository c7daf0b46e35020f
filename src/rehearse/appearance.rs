//! How arrows look: plastics, wraps, outlines of vanes.

use super::Rgb;
use super::random::{Draw, Subject};
use super::world::World;
use crate::imaging::linear_from_srgb;
use crate::record::NamedArrow;

/// Outline of a vane's outer edge.
#[derive(Clone, Copy, Debug, Default)]
pub(super) enum Outline {
    /// Steep at the rear, falling forwards.
    #[default]
    Shield,
    /// Rounded.
    Round,
    /// Long and low.
    Triangle,
    /// A strip of film that curls over.
    Film,
}

impl Outline {
    /// Height as a share of the largest, at `s` from the front (0) to the rear (1).
    pub(super) fn height(self, s: f64) -> f64 {
        let through = |points: &[(f64, f64)]| {
            let after = points
                .iter()
                .position(|p| p.0 >= s)
                .unwrap_or(points.len() - 1)
                .max(1);
            let (a, b) = (points[after - 1], points[after]);
            a.1 + (b.1 - a.1) * ((s - a.0) / (b.0 - a.0)).clamp(0.0, 1.0)
        };
        match self {
            Self::Shield => through(&[
                (0.0, 0.05),
                (0.5, 0.65),
                (0.85, 1.0),
                (0.95, 0.8),
                (1.0, 0.2),
            ]),
            Self::Round => (std::f64::consts::PI * s.powf(1.4))
                .sin()
                .max(0.0)
                .powf(0.75),
            Self::Triangle => through(&[(0.0, 0.08), (0.8, 1.0), (0.88, 1.0), (1.0, 0.35)]),
            Self::Film => through(&[
                (0.0, 0.2),
                (0.18, 0.75),
                (0.5, 1.0),
                (0.9, 0.95),
                (1.0, 0.3),
            ]),
        }
    }
}

/// The vanes of an arrow.
#[derive(Clone, Debug)]
pub(super) struct Vanes {
    pub(super) length: f64,
    pub(super) height: f64,
    /// From the rear end of the vanes to the end of the nock, mm.
    pub(super) gap: f64,
    /// Bends over.
    pub(super) film: bool,
    /// Height as a share of the largest at even steps from the front to the rear.
    pub(super) outline: [f64; PROFILE + 1],
    /// Angle between a vane's root and the shaft, rad.
    pub(super) skew: f64,
    pub(super) colours: [Rgb; 3],
}

/// Steps of a vane's outline.
pub(super) const PROFILE: usize = 48;

impl Vanes {
    /// Height as a share of the largest at `s` from the front (0) to the rear (1).
    pub(super) fn tall(&self, s: f64) -> f64 {
        let at = s.clamp(0.0, 1.0) * crate::math::count(PROFILE);
        let k = crate::math::floor_index(at).min(PROFILE - 1);
        let share = at - crate::math::count(k);
        self.outline[k] + share * (self.outline[k + 1] - self.outline[k])
    }
}

/// A coloured stretch of the tube, mm back from the nock's end.
#[derive(Clone, Debug)]
pub(super) struct Band {
    pub(super) from: f64,
    pub(super) to: f64,
    pub(super) colour: Rgb,
}

/// What all arrows of one kind look like.
#[derive(Clone, Debug)]
pub(super) struct ArrowAppearance {
    pub(super) radius: f64,
    pub(super) tube: Rgb,
    /// Mirrors its surroundings in its own colour.
    pub(super) metal: bool,
    /// Strength of the highlight.
    pub(super) gloss: f64,
    pub(super) nock: Rgb,
    pub(super) nock_length: f64,
    pub(super) nock_radius: f64,
    pub(super) slot: f64,
    pub(super) slot_depth: f64,
    pub(super) inside: f64,
    pub(super) bands: Vec<Band>,
    pub(super) vanes: Option<Vanes>,
}

/// The archer's arrows: fletched and bare ones of one make.
pub(super) fn arrow_appearances(world: &World, seed: u64) -> [ArrowAppearance; 2] {
    let mut draw = Draw::new(seed, Subject::Arrows);
    let w = &world.shaft;
    let radius = draw.one_of(&w.diameter_mm) / 2.0;
    let kind = draw.unit();
    let metal = kind < w.metal_share;
    let tube = if metal {
        draw.one_of(&w.metal)
    } else if kind < w.metal_share + w.bright_share {
        draw.one_of(&w.bright)
    } else {
        draw.one_of(&w.carbon)
    };
    let nock = linear_from_srgb(draw.one_of(&world.vane.colours));
    let other_nock = linear_from_srgb(draw.one_of(&world.vane.colours));
    let nock_length = draw.within(world.nock.length_mm);
    let wrap = draw
        .chance(w.wrap_share)
        .then(|| wrap(world, &mut draw, nock_length));
    let tape = draw.chance(w.tape_share).then(|| {
        let from = draw.within([28.0, 75.0]);
        vec![Band {
            from,
            to: from + draw.within([10.0, 32.0]),
            colour: linear_from_srgb(draw.one_of(&w.band)),
        }]
    });
    let same_nock = draw.chance(0.6);
    let bare_wrapped = draw.chance(0.6);
    let fletched = ArrowAppearance {
        radius,
        tube: linear_from_srgb(tube),
        metal,
        gloss: draw.within([0.1, 0.5]),
        nock,
        nock_length,
        nock_radius: radius.max(world.nock.least_radius_mm),
        slot: world.nock.slot_mm,
        slot_depth: world.nock.slot_depth_mm,
        inside: w.inside_mm,
        bands: wrap.clone().unwrap_or_default(),
        vanes: Some(vanes(world, &mut draw)),
    };
    let bare = ArrowAppearance {
        nock: if same_nock { nock } else { other_nock },
        bands: wrap.filter(|_| bare_wrapped).or(tape).unwrap_or_default(),
        vanes: None,
        ..fletched.clone()
    };
    [fletched, bare]
}

impl ArrowAppearance {
    /// This appearance in the colours given of an arrow.
    pub(super) fn dressed(mut self, arrow: &NamedArrow, world: &World, draw: &mut Draw) -> Self {
        let mut plastic = |name: &String| linear_from_srgb(plastic(name, world, draw));
        if let Some(nock) = &arrow.nock {
            self.nock = plastic(nock);
        }
        if let (Some(vanes), Some(names)) = (&mut self.vanes, &arrow.vanes) {
            let given: Vec<Rgb> = names.iter().map(&mut plastic).collect();
            if let Some(last) = given.last() {
                // the first is the index vane's; the others share the rest
                vanes.colours = [0, 1, 2].map(|k| *given.get(k).unwrap_or(last));
            }
        }
        self
    }
}

/// A plastic of that name: one of this world's, else what people mean by it.
pub(super) fn plastic(name: &str, world: &World, draw: &mut Draw) -> [f64; 3] {
    let own = world.plastic.colours.get(name);
    let meant = || crate::colours::named(name).map_or(&[][..], crate::colours::ColourName::srgb);
    draw.one_of(own.map_or_else(meant, Vec::as_slice))
}

/// Stripes of three colours over the rear of the tube.
pub(super) fn wrap(world: &World, draw: &mut Draw, nock_length: f64) -> Vec<Band> {
    let length = draw.within([80.0, 150.0]);
    let stripes = draw.count([1, 9]);
    let colours = [0; 3].map(|_| linear_from_srgb(draw.one_of(&world.shaft.band)));
    let each = length / crate::math::count(stripes);
    (0..stripes)
        .map(|k| {
            let from = nock_length + 4.0 + each * crate::math::count(k);
            Band {
                from,
                to: from + each,
                colour: colours[k % 3],
            }
        })
        .collect()
}

pub(super) fn vanes(world: &World, draw: &mut Draw) -> Vanes {
    let w = &world.vane;
    let outline = draw.one_of(&[
        Outline::Shield,
        Outline::Round,
        Outline::Triangle,
        Outline::Film,
    ]);
    let (index, others) = (
        linear_from_srgb(draw.one_of(&w.colours)),
        linear_from_srgb(draw.one_of(&w.colours)),
    );
    Vanes {
        length: draw.within(w.length_mm),
        height: draw.within(w.height_mm),
        gap: draw.within(w.nock_gap_mm),
        film: matches!(outline, Outline::Film),
        outline: std::array::from_fn(|k| {
            outline.height(crate::math::count(k) / crate::math::count(PROFILE))
        }),
        skew: draw.within(w.skew_deg).to_radians(),
        colours: [index, others, others],
    }
}
