//! Places on a face by name: "centre", "red outer edge, up", "spot 2 blue inner edge, left".

use crate::face::spec::{Colour, FaceSpec};
use crate::geometry::FacePoint;

/// A place on a face.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Place {
    /// Where, mm.
    pub(super) mm: FacePoint,
    /// Centre of the ring that it lies on; `None` for a point that is what it is in every direction.
    pub(super) ring_centre: Option<FacePoint>,
}

/// Directions that a place may lie in, as names and unit steps.
const DIRECTIONS: [(&str, f64, f64); 4] = [
    ("up", 0.0, 1.0),
    ("right", 1.0, 0.0),
    ("down", 0.0, -1.0),
    ("left", -1.0, 0.0),
];

/// Archers also call yellow gold.
fn colours(word: &str) -> Option<Colour> {
    let name = if word == "gold" { "yellow" } else { word };
    Colour::ALL.into_iter().find(|c| c.name() == name)
}

/// Looks a name up. `Err`: what can't be understood, and what can.
pub(super) fn place(name: &str, spec: &FaceSpec) -> Result<Place, String> {
    let lower = name.to_lowercase();
    let mut words: Vec<&str> = lower
        .split(|c: char| !c.is_alphanumeric())
        .filter(|w| !w.is_empty() && !["edge", "ring", "of", "the"].contains(w))
        .collect();
    let spot = spot(&mut words, spec)?;
    if let ["centre" | "center" | "middle"] = words.as_slice() {
        return Ok(Place {
            mm: spot,
            ring_centre: None,
        });
    }
    let (radius, rest) = radius(&words, spec).ok_or_else(|| help(name, spec))?;
    let (mut x, mut y) = (0.0, 0.0);
    for word in rest {
        let (_, dx, dy) = DIRECTIONS
            .iter()
            .find(|d| d.0 == *word)
            .ok_or_else(|| help(name, spec))?;
        x += dx;
        y += dy;
    }
    let size = f64::hypot(x, y);
    if size < 0.5 || rest.len() > 2 {
        return Err(help(name, spec));
    }
    Ok(Place {
        mm: FacePoint::new(spot.x + radius * x / size, spot.y + radius * y / size),
        ring_centre: Some(spot),
    })
}

/// Takes `spot N` off the front.
fn spot(words: &mut Vec<&str>, spec: &FaceSpec) -> Result<FacePoint, String> {
    let several = spec.spots_mm.len() > 1;
    if words.first() == Some(&"spot") {
        let number = words.get(1).and_then(|n| n.parse::<usize>().ok());
        let found = number
            .and_then(|n| n.checked_sub(1))
            .and_then(|i| spec.spots_mm.get(i));
        words.drain(..words.len().min(2));
        return found.copied().ok_or_else(|| {
            format!(
                "the spots of {} are 1 to {}, counted from the top",
                spec.name,
                spec.spots_mm.len()
            )
        });
    }
    if several {
        return Err(format!(
            "{} has {} spots: say which, like \"spot 2 red outer edge, up\" (counted from the top)",
            spec.name,
            spec.spots_mm.len()
        ));
    }
    Ok(spec.spots_mm.first().copied().unwrap_or_default())
}

/// The radius that the words begin with, and the words behind it.
fn radius<'a>(words: &'a [&'a str], spec: &FaceSpec) -> Option<(f64, &'a [&'a str])> {
    let (zones, rest): (Vec<usize>, _) = match words {
        ["zone", n, rest @ ..] => {
            let i = n.parse::<usize>().ok()?.checked_sub(1)?;
            ((i < spec.zones.len()).then(|| vec![i])?, rest)
        }
        [colour, rest @ ..] => {
            let colour = colours(colour)?;
            let of_it = |i: &usize| spec.zones[*i].colour == colour;
            ((0..spec.zones.len()).filter(of_it).collect(), rest)
        }
        [] => return None,
    };
    match rest {
        ["outer", rest @ ..] => Some((spec.zones[*zones.last()?].radius_mm(), rest)),
        ["inner", rest @ ..] => {
            let inside = zones.first()?.checked_sub(1)?;
            Some((spec.zones[inside].radius_mm(), rest))
        }
        _ => None,
    }
}

fn help(name: &str, spec: &FaceSpec) -> String {
    let mut known: Vec<&str> = spec.zones.iter().map(|z| z.colour.name()).collect();
    known.dedup();
    format!(
        "{name:?} is no place on {}: write \"centre\", or a colour ({}), outer or inner edge, and a direction (up, right, down, left, up left …), like \"{} outer edge, up\"; or give `mm` instead of `at`",
        spec.name,
        known.join(", "),
        known.last().unwrap_or(&"red")
    )
}

/// Names of places that are easy to find in a photo: the outermost and a middle edge in four directions, and the centres.
pub(super) fn easy(spec: &FaceSpec) -> Vec<String> {
    let mut edges: Vec<&str> = spec.zones.iter().map(|z| z.colour.name()).collect();
    edges.dedup();
    let outer = edges.last().copied();
    let middle = edges.get(edges.len().saturating_sub(1) / 2).copied();
    let mut out = Vec::new();
    for spot in 1..=spec.spots_mm.len() {
        let lead = if spec.spots_mm.len() > 1 {
            format!("spot {spot} ")
        } else {
            String::new()
        };
        for colour in outer
            .into_iter()
            .chain(middle.filter(|m| Some(*m) != outer))
        {
            for (direction, ..) in DIRECTIONS {
                out.push(format!("{lead}{colour} outer edge, {direction}"));
            }
        }
        out.push(format!("{lead}centre"));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::face::spec::by_name;

    fn at(name: &str, face: &str) -> Result<(f64, f64, bool), String> {
        let p = place(name, by_name(face).unwrap())?;
        Ok((p.mm.x, p.mm.y, p.ring_centre.is_some()))
    }

    #[test]
    fn names_are_places() {
        // 80 cm face: yellow to 80 mm, red to 160, blue to 240; its innermost zone is the inner ten of 20 mm
        assert_eq!(at("red outer edge, up", "wa-80"), Ok((0.0, 160.0, true)));
        assert_eq!(at("Gold outer edge left", "wa-80"), Ok((-80.0, 0.0, true)));
        assert_eq!(
            at("blue inner edge, down", "wa-80"),
            Ok((0.0, -160.0, true))
        );
        assert_eq!(
            at("zone 1 outer edge, right", "wa-80"),
            Ok((20.0, 0.0, true))
        );
        assert_eq!(at("centre", "wa-80"), Ok((0.0, 0.0, false)));
        let (x, y, _) = at("white outer edge, up left", "wa-80").unwrap();
        assert!((x + y).abs() < 1e-9 && (x.hypot(y) - 400.0).abs() < 1e-9 && x < 0.0);
        let (x, y, _) = at("spot 1 centre", "wa-40-3spot").unwrap();
        assert!(x.abs() < 1e-9 && y > 100.0);
    }

    #[test]
    fn other_names_are_explained() {
        for name in [
            "",
            "read outer edge, up",
            "red edge, up",
            "red outer edge",
            "red outer edge, up down",
            "yellow inner edge, up",
            "zone 99 outer, up",
        ] {
            let error = at(name, "wa-80").unwrap_err();
            assert!(
                error.contains("yellow, red, blue, black, white"),
                "{name}: {error}"
            );
        }
        assert!(
            at("red outer edge, up", "wa-40-3spot")
                .unwrap_err()
                .contains("spot 2")
        );
        assert!(
            at("spot 4 centre", "wa-40-3spot")
                .unwrap_err()
                .contains("1 to 3")
        );
    }

    #[test]
    fn the_easy_ones_are_all_known() {
        for spec in crate::face::spec::known() {
            let easy = easy(spec);
            assert!(easy.len() >= 5);
            for name in easy {
                assert!(place(&name, spec).is_ok(), "{name} on {}", spec.name);
            }
        }
    }
}
