//! Names of colours, and how likely a plastic of that name shows a given colour: `calibration/arrow-colours.json`.

use crate::imaging::{Lab, lab_from_linear, linear_from_srgb};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::sync::LazyLock;

#[derive(Deserialize)]
struct Document {
    srgb: BTreeMap<String, Vec<[f64; 3]>>,
    also: BTreeMap<String, String>,
    shades: Vec<[f64; 2]>,
    scatter: Scatter,
    outlier: f64,
}

#[derive(Clone, Copy, Deserialize)]
struct Scatter {
    lightness: f64,
    colour: f64,
    chroma_growth: f64,
    hue_growth: f64,
}

/// A name of a colour that the program knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct ColourName(usize);

/// A normal density in L\*a\*b\* with axes along lightness, chroma and hue of its middle.
struct Blob {
    middle: Lab,
    /// Unit vector of the middle's hue in the plane of a and b.
    hue: [f64; 2],
    /// Inverse standard deviations: lightness, chroma, hue.
    per_sd: [f64; 3],
    weight: f64,
}

/// Beyond so many squared standard deviations a blob counts as nothing.
const MAX_SQUARED_SDS: f64 = 30.0;

impl Blob {
    fn new(middle: Lab, weight: f64, s: Scatter) -> Self {
        let chroma = middle.a.hypot(middle.b);
        let hue = if chroma > 1e-9 {
            [middle.a / chroma, middle.b / chroma]
        } else {
            [1.0, 0.0]
        };
        let per_sd = [
            1.0 / s.lightness,
            1.0 / (s.colour * (1.0 + s.chroma_growth * chroma)),
            1.0 / (s.colour * (1.0 + s.hue_growth * chroma)),
        ];
        Self {
            middle,
            hue,
            per_sd,
            weight: weight * per_sd.iter().product::<f64>(),
        }
    }

    fn density(&self, c: Lab) -> f64 {
        let (a, b) = (c.a - self.middle.a, c.b - self.middle.b);
        let [x, y] = self.hue;
        let off = [c.l - self.middle.l, a * x + b * y, b * x - a * y];
        let square: f64 = off
            .iter()
            .zip(self.per_sd)
            .map(|(d, per)| (d * per).powi(2))
            .sum();
        if square > MAX_SQUARED_SDS {
            0.0
        } else {
            self.weight * (-0.5 * square).exp()
        }
    }
}

struct Palette {
    names: Vec<String>,
    also: BTreeMap<String, String>,
    middles: Vec<Vec<[f64; 3]>>,
    blobs: Vec<Vec<Blob>>,
    outlier: f64,
}

/// Least density of any colour under any name, so that no colour is impossible.
const MIN_DENSITY: f64 = 1e-9;

fn read(text: &str) -> Result<Palette, serde_json::Error> {
    let d: Document = serde_json::from_str(text)?;
    let blobs = d.srgb.values().map(|all| {
        let each = 1.0 / crate::math::count(all.len().max(1));
        let shaded = all.iter().flat_map(|srgb| {
            let plastic = linear_from_srgb(*srgb);
            let shades = d.shades.iter();
            shades.map(move |&[light, share]| {
                Blob::new(
                    lab_from_linear(plastic.map(|c| c * light)),
                    each * share,
                    d.scatter,
                )
            })
        });
        shaded.collect()
    });
    Ok(Palette {
        blobs: blobs.collect(),
        names: d.srgb.keys().cloned().collect(),
        middles: d.srgb.values().cloned().collect(),
        also: d.also,
        outlier: d.outlier,
    })
}

// the file is part of the program; a test reads it, so that nothing can be missing here
static PALETTE: LazyLock<Option<Palette>> =
    LazyLock::new(|| read(include_str!("../calibration/arrow-colours.json")).ok());

/// All names, in the alphabet's order.
#[must_use]
pub fn names() -> Vec<&'static str> {
    let palette = PALETTE.iter();
    palette
        .flat_map(|p| p.names.iter().map(String::as_str))
        .collect()
}

/// The colour of that name; capitals, spaces and hyphens don't count. `None` for a name that isn't known.
#[must_use]
pub fn named(name: &str) -> Option<ColourName> {
    let plain = |s: &str| {
        let mut plain = s.to_lowercase();
        plain.retain(|c| !matches!(c, ' ' | '-' | '_'));
        plain
    };
    let palette = PALETTE.as_ref()?;
    let own = plain(name);
    let own = palette.also.get(&own).map_or(own, |other| plain(other));
    let at = palette.names.iter().position(|n| plain(n) == own);
    at.map(ColourName)
}

impl ColourName {
    /// Its name, as [`names`] lists it.
    #[must_use]
    pub fn name(self) -> &'static str {
        names().get(self.0).copied().unwrap_or_default()
    }

    /// What people mean by the name, 8-bit sRGB; several values are as likely as each other.
    #[must_use]
    pub fn srgb(self) -> &'static [[f64; 3]] {
        let palette = PALETTE.as_ref();
        palette
            .and_then(|p| p.middles.get(self.0))
            .map_or(&[], Vec::as_slice)
    }
}

/// How likely plastics of each name show one colour, against a plastic of any name.
#[derive(Clone, Debug, Default)]
pub struct Likeness(Vec<f64>);

impl Likeness {
    /// Of a colour in a photo whose white is balanced, in the light that falls on the face.
    #[must_use]
    pub fn of(colour: Lab) -> Self {
        let Some(palette) = PALETTE.as_ref() else {
            return Self::default();
        };
        let each: Vec<f64> = palette
            .blobs
            .iter()
            .map(|blobs| MIN_DENSITY + blobs.iter().map(|b| b.density(colour)).sum::<f64>())
            .collect();
        let mean = each.iter().sum::<f64>() / crate::math::count(each.len().max(1));
        let share = |p: f64| (1.0 - palette.outlier) * p / mean + palette.outlier;
        Self(each.into_iter().map(share).collect())
    }

    /// Density of this colour under the name, over that under a name that isn't known; 1 tells nothing. A share of
    /// pixels shows something else, so that it is never below that share.
    #[must_use]
    pub fn ratio(&self, name: ColourName) -> f64 {
        self.0.get(name.0).copied().unwrap_or(1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// L\*a\*b\* of the sRGB primaries and of mid grey, D65: Bruce Lindbloom's published colour calculator (from memory), to its
    /// two decimals; the matrix here has four digits, hence the tolerance.
    #[test]
    fn lab_agrees_with_published_values() {
        for (srgb, [l, a, b]) in [
            ([255.0, 0.0, 0.0], [53.24, 80.09, 67.20]),
            ([0.0, 255.0, 0.0], [87.73, -86.18, 83.18]),
            ([0.0, 0.0, 255.0], [32.30, 79.19, -107.86]),
            ([255.0, 255.0, 0.0], [97.14, -21.55, 94.48]),
            ([128.0; 3], [53.59, 0.0, 0.0]),
            ([255.0; 3], [100.0, 0.0, 0.0]),
        ] {
            let seen = lab_from_linear(linear_from_srgb(srgb));
            for (ours, theirs) in [(seen.l, l), (seen.a, a), (seen.b, b)] {
                assert!((ours - theirs).abs() < 0.06, "{srgb:?}: {seen:?}");
            }
        }
    }

    #[test]
    fn the_file_reads_and_every_figure_has_its_source() {
        let text = include_str!("../calibration/arrow-colours.json");
        let palette = read(text).expect("the palette");
        assert!(palette.names.len() >= 30 && palette.also.values().all(|n| named(n).is_some()));
        let raw: serde_json::Value = serde_json::from_str(text).expect("JSON");
        for name in ["srgb", "also", "shades", "scatter", "outlier"] {
            assert!(raw[format!("{name}_source")].is_string(), "{name}");
        }
        let shares: f64 = raw["shades"]
            .as_array()
            .expect("shades")
            .iter()
            .filter_map(|s| s[1].as_f64())
            .sum();
        assert!((shares - 1.0).abs() < 1e-9);
    }

    #[test]
    fn names_are_found_however_they_are_written() {
        for (written, name) in [
            ("Dark-Blue", "dark blue"),
            ("darkblue", "dark blue"),
            ("GREY", "gray"),
            ("navy", "dark blue"),
        ] {
            assert_eq!(named(written).map(ColourName::name), Some(name));
        }
        assert!(named("bluish").is_none() && named("").is_none());
    }

    /// A published colour is likeliest under a name that has it, dimmed or not, and a colour of another hue is unlikely.
    #[test]
    fn a_colour_is_like_its_own_name() {
        for name in names() {
            let name = named(name).expect("known");
            for srgb in name.srgb() {
                for light in [0.4, 1.0] {
                    let seen =
                        Likeness::of(lab_from_linear(linear_from_srgb(*srgb).map(|c| light * c)));
                    assert!(seen.ratio(name) > 1.2, "{}: {srgb:?} {light}", name.name());
                }
            }
        }
        let [red, green, blue] = ["red", "green", "blue"].map(|n| named(n).expect("known"));
        let seen = Likeness::of(lab_from_linear(linear_from_srgb([200.0, 40.0, 40.0])));
        assert!(seen.ratio(red) > 20.0 * seen.ratio(green).max(seen.ratio(blue)));
    }
}
