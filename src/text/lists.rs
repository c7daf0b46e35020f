//! Lists as text for people: the faces known, and several archers' bows.

use super::layout::{heading, paragraph, paragraph_after};
use super::numbers::number;
use super::record::standing_of_ends;
use super::{Locale, answer, headline};
use crate::face::spec::FaceSpec;
use crate::timeline::BowReport;

/// The target faces that are known, a line each.
#[must_use]
pub fn faces(known: &[FaceSpec]) -> String {
    let longest = known.iter().map(|f| f.name.len()).max().unwrap_or(0);
    let lines = known.iter().map(|face| {
        let width = 80 - longest - 2;
        format!(
            "{:longest$}  {}\n",
            face.name,
            shortened(&face.words, width)
        )
    });
    lines.collect::<String>()
        + "\n`bossmark faces --sources` tells their rings, and where each figure comes from.\n"
}

/// The first part of a text that fits into this many columns: whole clauses, else whole words.
fn shortened(text: &str, columns: usize) -> &str {
    if text.chars().count() <= columns {
        return text;
    }
    let fits = |end: &usize| text[..*end].chars().count() <= columns;
    let ends = |mark: &'static str| {
        text.match_indices(mark)
            .map(|(at, _)| at)
            .filter(fits)
            .last()
    };
    let end = ends("; ").or_else(|| ends(", ")).or_else(|| ends(" "));
    &text[..end.unwrap_or(0)]
}

/// The target faces that are known, with their rings and where each figure comes from.
#[must_use]
pub fn faces_with_sources(known: &[FaceSpec]) -> String {
    let mut out = String::new();
    for face in known {
        heading(&mut out, &face.name);
        paragraph(&mut out, 2, &face.words);
        let spots = match face.spots_mm.len() {
            0 | 1 => String::new(),
            n => format!(", {n} spots"),
        };
        let rings: Vec<String> = face
            .zones
            .iter()
            .map(|z| number(z.diameter_mm, 1))
            .collect();
        paragraph(
            &mut out,
            2,
            &format!("rings, mm across{spots}: {}", rings.join(" ")),
        );
        for (what, source) in &face.sources {
            paragraph_after(&mut out, &format!("  {what}: "), source);
        }
        out.push('\n');
    }
    out
}

/// Several archers' bows: where each stands, what comes next, and what waits for a person, in their order.
#[must_use]
pub fn overview(bows: &[BowReport], locale: Locale) -> String {
    let mut out = String::new();
    heading(&mut out, "Where each bow stands");
    for bow in bows {
        let advice = &bow.advice_now;
        let mut text = answer(&advice.reading);
        if let Some(step) = &advice.next {
            text.push_str(&format!(". Next: {}", headline(step, locale)));
        }
        let ends = bow.runs.iter().flat_map(|r| &r.ends).filter(|e| !e.earlier);
        text.push_str(&format!(". {}.", standing_of_ends(ends.map(|e| &e.end))));
        paragraph_after(&mut out, &format!("  {}: ", bow.label), &text);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::face::spec;

    #[test]
    fn every_face_has_a_line_of_80_columns() {
        let known = spec::known();
        let text = faces(known);
        for face in known {
            let own = |l: &&str| l.split_whitespace().next() == Some(face.name.as_str());
            let lines: Vec<&str> = text.lines().filter(own).collect();
            assert_eq!(lines.len(), 1, "{}", face.name);
            let width = lines[0].chars().count();
            assert!(width > face.name.len() + 10 && width <= 80, "{}", lines[0]);
        }
    }
}
