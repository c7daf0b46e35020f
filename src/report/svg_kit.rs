//! The few SVG elements that the drawings are made of, with fixed decimals and escaped text.

use super::{escape, font};
use crate::geometry::ImagePoint;
use crate::math::rounded;
use std::fmt::Write as _;

/// Style of all drawings: light, dark by the reader's preference, and print.
pub(super) const STYLE: &str = include_str!("plot.css");

/// Where a drawing stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Embedding {
    /// A file of its own: brings its style and background.
    Standalone,
    /// Part of a page that has the style already.
    Inline,
    /// A file of its own for those who draw it without a browser: no variables in its style, letters drawn as lines.
    Outlined,
}

impl Embedding {
    /// Whether it is a file of its own.
    const fn is_alone(self) -> bool {
        matches!(self, Self::Standalone | Self::Outlined)
    }
}

/// Letters drawn as lines are this much narrower than the font's own: as wide as the letters they stand for.
const NARROW: f64 = 0.8;

/// Rules for the page around a drawing: its own size holds without a page.
const NOT_DRAWN: [&str; 4] = ["display", "width", "height", "font-family"];

/// The style with every variable put in, as on paper, and what letters drawn as lines need.
fn resolved() -> String {
    let mut out = String::new();
    let mut variables: Vec<(&str, &str)> = Vec::new();
    for block in blocks(STYLE) {
        let Some((selector, body)) = block.split_once('{') else {
            continue;
        };
        if selector.trim_start().starts_with('@') {
            continue;
        }
        let body = body.trim_end().trim_end_matches('}');
        let mut rules = String::new();
        for rule in body.split(';') {
            let Some((name, value)) = rule.split_once(':') else {
                continue;
            };
            if NOT_DRAWN.contains(&name.trim()) {
                continue;
            }
            if name.trim().starts_with("--") {
                variables.push((name.trim(), value.trim()));
            } else {
                let _ = write!(rules, "{}:{};", name.trim(), value.trim());
            }
        }
        let _ = write!(out, "{}{{{rules}}}", selector.trim());
    }
    // the first definition is the one for light paper; the longest names first, since some begin like others
    variables.sort_by_key(|(name, _)| std::cmp::Reverse(name.len()));
    for (name, value) in variables {
        out = out.replace(&format!("var({name})"), value);
    }
    out.push_str(".bo{fill:none;stroke-linecap:round;stroke-linejoin:round}");
    out
}

/// The outermost blocks of a style sheet.
fn blocks(style: &str) -> Vec<&str> {
    let (mut found, mut depth, mut start) = (Vec::new(), 0_u32, 0);
    for (at, c) in style.char_indices() {
        match c {
            '{' => depth += 1,
            '}' => {
                depth = depth.saturating_sub(1);
                if depth == 0 {
                    found.extend(style.get(start..=at));
                    start = at + 1;
                }
            }
            _ => {}
        }
    }
    found
}

/// Height of capitals and colour of letters of a class, and whether they are bold.
fn letters(class: &str) -> (f64, &'static str, f64) {
    let has = |name: &str| class.split(' ').any(|c| c == name);
    let size = if has("bm-tiny") {
        6.4
    } else if has("bm-text") || has("bm-bold") || has("bm-name") {
        9.4
    } else {
        8.4
    };
    let colour = if has("bm-letter-f") {
        "#fff"
    } else if has("bm-letter-b") {
        "#b04a00"
    } else if has("bm-letter-u") {
        "#7a2f8f"
    } else if has("bm-small") {
        "#6a7480"
    } else {
        "#1e2833"
    };
    let bold = has("bm-bold") || has("bm-name") || class.contains("bm-letter");
    (size, colour, if bold { 1.7 } else { 1.25 })
}

/// A number in a drawing: two decimals at most, never −0, never anything that isn't a number.
pub(super) fn num(v: f64) -> String {
    if v.is_finite() {
        format!("{}", rounded(v.clamp(-1e7, 1e7), 2))
    } else {
        "0".to_owned()
    }
}

/// The largest of 1, 2, 5 × a power of ten that is not larger than `most`.
pub(super) fn nice_length(most: f64) -> f64 {
    let power = 10f64.powf(most.max(1e-3).log10().floor());
    [5.0, 2.0, 1.0]
        .into_iter()
        .map(|m| m * power)
        .find(|v| *v <= most * 1.000_001)
        .unwrap_or(power)
}

/// A drawing in the making.
pub(super) struct Drawing {
    out: String,
    id: String,
    width: f64,
    height: f64,
    embedding: Embedding,
}

impl Drawing {
    pub(super) fn new(width: f64, height: f64, id: &str, embedding: Embedding) -> Self {
        let id: String = id.chars().filter(char::is_ascii_alphanumeric).collect();
        let mut out = String::new();
        let name = if embedding.is_alone() {
            " xmlns=\"http://www.w3.org/2000/svg\""
        } else {
            ""
        };
        let _ = write!(
            out,
            "<svg{name} class=\"bm\" viewBox=\"0 0 {} {}\" role=\"img\" aria-labelledby=\"{id}t {id}d\">",
            num(width),
            num(height)
        );
        Self {
            out,
            id,
            width,
            height,
            embedding,
        }
    }

    /// Title and description, for those who don't see the drawing; the style and ground of a drawing of its own.
    pub(super) fn describe(&mut self, title: &str, description: &str) {
        let id = self.id.clone();
        let _ = write!(
            self.out,
            "<title id=\"{id}t\">{}</title><desc id=\"{id}d\">{}</desc>",
            escape(title),
            escape(description)
        );
        if self.embedding.is_alone() {
            if self.embedding == Embedding::Outlined {
                let _ = write!(self.out, "<style>{}</style>", resolved());
            } else {
                let _ = write!(self.out, "<style>{STYLE}</style>");
            }
            self.rect(0.0, 0.0, self.width, self.height, "bm-page");
        }
    }

    /// Cuts what follows to a rectangle, until [`unclip`](Self::unclip).
    pub(super) fn clip(&mut self, x: f64, y: f64, w: f64, h: f64) {
        let id = self.id.clone();
        let _ = write!(
            self.out,
            "<clipPath id=\"{id}c\"><rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/></clipPath><g clip-path=\"url(#{id}c)\">",
            num(x),
            num(y),
            num(w),
            num(h)
        );
    }

    pub(super) fn unclip(&mut self) {
        self.out.push_str("</g>");
    }

    pub(super) fn rect(&mut self, x: f64, y: f64, w: f64, h: f64, class: &str) {
        let _ = write!(
            self.out,
            "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" class=\"{class}\"/>",
            num(x),
            num(y),
            num(w.max(0.0)),
            num(h.max(0.0))
        );
    }

    pub(super) fn circle(&mut self, x: f64, y: f64, r: f64, class: &str) {
        let _ = write!(
            self.out,
            "<circle cx=\"{}\" cy=\"{}\" r=\"{}\" class=\"{class}\"/>",
            num(x),
            num(y),
            num(r.max(0.0))
        );
    }

    pub(super) fn ellipse(&mut self, x: f64, y: f64, a: f64, b: f64, turn_deg: f64, class: &str) {
        let _ = write!(
            self.out,
            "<ellipse cx=\"{x}\" cy=\"{y}\" rx=\"{}\" ry=\"{}\" transform=\"rotate({} {x} {y})\" class=\"{class}\"/>",
            num(a.max(0.0)),
            num(b.max(0.0)),
            num(turn_deg),
            x = num(x),
            y = num(y)
        );
    }

    pub(super) fn line(&mut self, x0: f64, y0: f64, x1: f64, y1: f64, class: &str) {
        let _ = write!(
            self.out,
            "<line x1=\"{}\" y1=\"{}\" x2=\"{}\" y2=\"{}\" class=\"{class}\"/>",
            num(x0),
            num(y0),
            num(x1),
            num(y1)
        );
    }

    pub(super) fn path(&mut self, d: &str, class: &str) {
        let _ = write!(self.out, "<path d=\"{d}\" class=\"{class}\"/>");
    }

    /// An arrow with a light edge, its head `head` units long.
    pub(super) fn arrow(&mut self, x0: f64, y0: f64, x1: f64, y1: f64, head: f64, class: &str) {
        let length = (x1 - x0).hypot(y1 - y0);
        if length < 1e-6 || !length.is_finite() {
            return;
        }
        let (ux, uy) = ((x1 - x0) / length, (y1 - y0) / length);
        let h = head.min(0.7 * length);
        let wing = |side: f64| {
            format!(
                "{} {}",
                num(x1 - h * ux - side * 0.5 * h * uy),
                num(y1 - h * uy + side * 0.5 * h * ux)
            )
        };
        let d = format!(
            "M{} {}L{x} {y}M{}L{x} {y}L{}",
            num(x0),
            num(y0),
            wing(1.0),
            wing(-1.0),
            x = num(x1),
            y = num(y1)
        );
        self.path(&d, "bm-halo");
        self.path(&d, class);
    }

    pub(super) fn text(&mut self, x: f64, y: f64, words: &str, class: &str) {
        if self.embedding == Embedding::Outlined {
            self.lines_of_text(x, y, words, class);
            return;
        }
        let _ = write!(
            self.out,
            "<text x=\"{}\" y=\"{}\" class=\"{class}\">{}</text>",
            num(x),
            num(y),
            escape(words)
        );
    }

    /// Text drawn as lines, where it would stand.
    fn lines_of_text(&mut self, x: f64, y: f64, words: &str, class: &str) {
        let (height, colour, width) = letters(class);
        // the font has capitals only, but for the unit
        let words: Vec<String> = words
            .split(' ')
            .map(|w| {
                if w == "mm" {
                    w.to_owned()
                } else {
                    w.to_uppercase()
                }
            })
            .collect();
        let words = words.join(" ");
        let long = NARROW * font::width(&words, height);
        let has = |name: &str| class.split(' ').any(|c| c == name);
        let left = if has("bm-mid") || class.contains("bm-letter") {
            x - long / 2.0
        } else if has("bm-end") {
            x - long
        } else {
            x
        };
        let corner = ImagePoint::new(left, y - height);
        let d: String = font::strokes(&words, corner, height)
            .iter()
            .map(|stroke| {
                let points: Vec<String> = stroke
                    .iter()
                    .map(|p| format!("{} {}", num(left + NARROW * (p.x - left)), num(p.y)))
                    .collect();
                // a stroke of one place is a dot
                match points.as_slice() {
                    [one] => format!("M{one}L{one}"),
                    all => format!("M{}", all.join("L")),
                }
            })
            .collect();
        if has("bm-on") {
            let _ = write!(
                self.out,
                "<path d=\"{d}\" class=\"bo\" stroke=\"#fff\" stroke-width=\"{}\"/>",
                num(width + 3.0)
            );
        }
        let _ = write!(
            self.out,
            "<path d=\"{d}\" class=\"bo\" stroke=\"{colour}\" stroke-width=\"{}\"/>",
            num(width)
        );
    }

    pub(super) fn finish(mut self) -> String {
        self.out.push_str("</svg>");
        if self.embedding.is_alone() {
            self.out.push('\n');
        }
        self.out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_short_and_never_odd() {
        assert_eq!(num(-0.0001), "0");
        assert_eq!(num(1.23456), "1.23");
        assert_eq!(num(f64::NAN), "0");
    }

    #[test]
    fn the_resolved_style_has_no_variables_and_no_conditions() {
        let style = resolved();
        assert!(!style.contains("var(") && !style.contains("--bm") && !style.contains('@'));
        assert!(style.contains(".bm-f{fill:#1f5fae;stroke:#fff;"), "{style}");
    }

    #[test]
    fn nice_lengths_step_by_one_two_five() {
        for (most, nice) in [(99.0, 50.0), (100.0, 100.0), (249.0, 200.0), (7.0, 5.0)] {
            assert!((nice_length(most) - nice).abs() < 1e-9, "{most}");
        }
    }
}
