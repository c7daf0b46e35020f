//! The few SVG elements that the drawings are made of, with fixed decimals and escaped text.

use super::escape;
use crate::units::rounded;
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
}

/// A number in a drawing: two decimals at most, never −0, never anything that isn't a number.
pub(super) fn num(v: f64) -> String {
    if v.is_finite() {
        format!("{}", rounded(v.clamp(-1e7, 1e7), 2))
    } else {
        "0".to_owned()
    }
}

/// Whole millimetres in words.
pub(super) fn text_of_mm(v: f64) -> String {
    format!("{} mm", super::words::number(v, 0))
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
        let name = match embedding {
            Embedding::Standalone => " xmlns=\"http://www.w3.org/2000/svg\"",
            Embedding::Inline => "",
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
        if self.embedding == Embedding::Standalone {
            let _ = write!(self.out, "<style>{STYLE}</style>");
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
        let _ = write!(
            self.out,
            "<text x=\"{}\" y=\"{}\" class=\"{class}\">{}</text>",
            num(x),
            num(y),
            escape(words)
        );
    }

    pub(super) fn finish(mut self) -> String {
        self.out.push_str("</svg>");
        if self.embedding == Embedding::Standalone {
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
    fn nice_lengths_step_by_one_two_five() {
        for (most, nice) in [(99.0, 50.0), (100.0, 100.0), (249.0, 200.0), (7.0, 5.0)] {
            assert!((nice_length(most) - nice).abs() < 1e-9, "{most}");
        }
    }
}
