//! What a face looks like, as far as drawing needs it.

use crate::face::spec::{Colour, FaceSpec};
use crate::record::{FaceRecord, PrintedZone};

/// A printed colour of a face.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ink {
    /// Yellow ("gold").
    Gold,
    /// Red.
    Red,
    /// Light blue.
    Blue,
    /// Black.
    Black,
    /// White, the bare paper too.
    White,
}

/// A zone of a face: a disc of this radius, drawn under the zones inside it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Zone {
    /// Outer radius, mm.
    pub radius_mm: f64,
    /// Its colour.
    pub ink: Ink,
}

/// What a face looks like: the zones of one spot, and where the spots stand.
#[derive(Clone, Debug, PartialEq)]
pub struct FaceLook {
    /// Zones of each spot, the innermost first.
    pub zones: Vec<Zone>,
    /// Centres of the spots in the face frame, mm, in the order that `spot` counts; one at the origin for a plain face.
    pub spots_mm: Vec<[f64; 2]>,
}

impl From<&FaceSpec> for FaceLook {
    fn from(spec: &FaceSpec) -> Self {
        let zones = spec.zones.iter().map(|z| Zone {
            radius_mm: z.radius_mm(),
            ink: Ink::from(z.colour),
        });
        Self {
            zones: zones.collect(),
            spots_mm: spec.spots_mm.iter().map(|s| [s.x, s.y]).collect(),
        }
    }
}

impl From<&PrintedZone> for Zone {
    fn from(zone: &PrintedZone) -> Self {
        let known = Colour::ALL.iter().find(|c| c.name() == zone.colour);
        Self {
            radius_mm: zone.radius_mm,
            // a colour that this version doesn't know: bare paper
            ink: known.map_or(Ink::White, |c| Ink::from(*c)),
        }
    }
}

impl From<Colour> for Ink {
    fn from(colour: Colour) -> Self {
        match colour {
            Colour::Yellow => Self::Gold,
            Colour::Red => Self::Red,
            Colour::Blue => Self::Blue,
            Colour::Black => Self::Black,
            Colour::White => Self::White,
        }
    }
}

impl FaceLook {
    /// The face of a record: as the record gives its zones, one that is built in by its name, else a plain one of its size.
    #[must_use]
    pub fn of_record(face: &FaceRecord) -> Self {
        let stated = face.zones.as_ref().filter(|z| !z.is_empty());
        let mut look = match (stated, crate::face::spec::by_name(&face.name)) {
            (Some(zones), _) => Self {
                zones: zones.iter().map(Zone::from).collect(),
                spots_mm: vec![[0.0, 0.0]],
            },
            (None, Some(spec)) => return Self::from(spec),
            (None, None) => Self::plain(face.diameter_mm),
        };
        if let Some(spots) = face.spot_centres_mm.clone().filter(|s| !s.is_empty()) {
            look.spots_mm = spots;
        }
        look
    }

    /// A face of which only the size is known: ten white rings of equal width (the construction of ten-zone faces).
    #[must_use]
    pub fn plain(diameter_mm: f64) -> Self {
        let zones = (1..=10)
            .map(|i| Zone {
                radius_mm: diameter_mm / 20.0 * f64::from(i),
                ink: Ink::White,
            })
            .collect();
        Self {
            zones,
            spots_mm: vec![[0.0, 0.0]],
        }
    }

    /// Radius of the outermost zone, mm; 0 without zones.
    #[must_use]
    pub fn outer_radius_mm(&self) -> f64 {
        self.zones.iter().map(|z| z.radius_mm).fold(0.0, f64::max)
    }

    /// Distance from the origin to the outermost printed point, mm.
    #[must_use]
    pub fn reach_mm(&self) -> f64 {
        self.spots_mm
            .iter()
            .map(|s| s[0].hypot(s[1]))
            .fold(0.0, f64::max)
            + self.outer_radius_mm()
    }

    /// The centre that an entry's place counts from: its spot's, or the origin on a face with one centre.
    #[must_use]
    pub fn centre_of(&self, spot: Option<u32>) -> [f64; 2] {
        if self.spots_mm.len() < 2 {
            return [0.0, 0.0];
        }
        let index = spot.and_then(|s| usize::try_from(s).ok()?.checked_sub(1));
        index
            .and_then(|i| self.spots_mm.get(i).copied())
            .unwrap_or([0.0, 0.0])
    }
}
