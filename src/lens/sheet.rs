//! The printable sheet: a chessboard of known squares with two lengths to check the print by, and how to photograph it.

use std::fmt::Write;

/// Paper that the sheet is made for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Paper {
    /// ISO 216: 297 × 210 mm, landscape.
    A4,
    /// ANSI/ASME Y14.1: 11 × 8.5 in, landscape.
    Letter,
}

/// Squares across and down.
pub const SQUARES: [u32; 2] = [12, 8];
/// Side of a square, mm.
pub const SQUARE_MM: f64 = 20.0;
/// Inner corners across and down.
pub const INNER: [u32; 2] = [SQUARES[0] - 1, SQUARES[1] - 1];
/// The printed lengths by which a print is checked, mm.
pub const CONTROL_MM: f64 = 100.0;
/// Upper edge of the board, mm from that of the paper.
const TOP_MM: f64 = 12.0;

impl Paper {
    /// Width and height, mm, landscape.
    #[must_use]
    pub const fn size_mm(self) -> [f64; 2] {
        match self {
            Self::A4 => [297.0, 210.0],
            Self::Letter => [279.4, 215.9],
        }
    }

    /// Its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::A4 => "A4",
            Self::Letter => "US letter",
        }
    }
}

/// The lines of text on the sheet.
fn words(paper: Paper) -> [String; 8] {
    [
        format!(
            "Lens sheet, {}, landscape. Print at 100 % (\"actual size\"). Both grey lines must be 100 mm long,",
            paper.name()
        ),
        "or at least equally long: a print stretched one way is of no use. Tape it flat to glass or a stiff board.".to_owned(),
        "1. Use the lens and zoom that you use at the range; keep the phone's picture size; no crop, no edit, no flash.".to_owned(),
        "2. Take 10 to 15 sharp photos, each from another side: from the left, right, above and below, 20 to 45 degrees".to_owned(),
        "off the middle, two or three of them with the phone turned upright.".to_owned(),
        "3. Fill the picture: over all photos together squares must come into every corner of it. The sheet may run out".to_owned(),
        "of the picture; squares that are in it count.".to_owned(),
        "4. Copy the original files to the computer (messengers shrink them), then: bossmark lens fit *.jpg --out phone.lens.json".to_owned(),
    ]
}

/// The sheet as SVG: one unit is a millimetre, and the page has its true size.
#[must_use]
pub fn svg(paper: Paper) -> String {
    let [w, h] = paper.size_mm();
    let [columns, rows] = SQUARES;
    let left = 0.5 * (w - f64::from(columns) * SQUARE_MM);
    let bottom = TOP_MM + f64::from(rows) * SQUARE_MM;
    let mut out = String::new();
    // writing to a string can't fail
    let _ = writeln!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}mm\" height=\"{h}mm\" viewBox=\"0 0 {w} {h}\">"
    );
    let _ = writeln!(out, "<title>Lens sheet, {}</title>", paper.name());
    // the page box, for printing from a browser
    let _ = writeln!(
        out,
        "<style>@page {{ size: {w}mm {h}mm; margin: 0 }} text {{ font-family: sans-serif; font-size: 3.3px }}</style>"
    );
    let _ = writeln!(out, "<rect width=\"{w}\" height=\"{h}\" fill=\"#fff\"/>");
    let mut path = String::new();
    for row in 0..rows {
        for column in (0..columns).filter(|c| (c + row) % 2 == 0) {
            let _ = write!(
                path,
                "M{} {}h{SQUARE_MM}v{SQUARE_MM}h-{SQUARE_MM}z",
                plain(left + f64::from(column) * SQUARE_MM),
                plain(TOP_MM + f64::from(row) * SQUARE_MM)
            );
        }
    }
    let _ = writeln!(out, "<path d=\"{path}\" fill=\"#000\"/>");
    control(&mut out, left, bottom);
    for (i, line) in (0..).zip(words(paper)) {
        let _ = writeln!(
            out,
            "<text x=\"{}\" y=\"{}\">{}</text>",
            plain(left),
            plain(bottom + 6.5 + 3.9 * f64::from(i)),
            line.replace('&', "&amp;").replace('<', "&lt;")
        );
    }
    out.push_str("</svg>\n");
    out
}

/// The two control lengths: across above the board, and down beside it.
fn control(out: &mut String, left: f64, bottom: f64) {
    let (across_y, down_x) = (7.0, left - 9.0);
    let half = 0.5 * CONTROL_MM;
    let (x, y) = (left, 0.5 * (TOP_MM + bottom) - half);
    let _ = writeln!(
        out,
        "<path d=\"M{x0} {a}v3m0 -1.5h{CONTROL_MM}m0 -1.5v3M{b} {y0}h3m-1.5 0v{CONTROL_MM}m-1.5 0h3\" fill=\"none\" stroke=\"#777\" stroke-width=\"0.25\"/>",
        x0 = plain(x),
        a = plain(across_y - 1.5),
        b = plain(down_x - 1.5),
        y0 = plain(y),
    );
    let _ = writeln!(
        out,
        "<text x=\"{}\" y=\"{}\" fill=\"#555\">{CONTROL_MM} mm</text>",
        plain(x + CONTROL_MM + 2.0),
        plain(across_y + 1.2)
    );
    let _ = writeln!(
        out,
        "<text transform=\"translate({} {}) rotate(-90)\" fill=\"#555\">{CONTROL_MM} mm</text>",
        plain(down_x - 2.5),
        plain(y + half + 6.0)
    );
}

/// A number of millimetres without needless digits.
fn plain(mm: f64) -> f64 {
    crate::math::rounded(mm, 3)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sheet_fits_its_paper_at_true_size() {
        for paper in [Paper::A4, Paper::Letter] {
            let [w, h] = paper.size_mm();
            let text = svg(paper);
            assert!(text.starts_with(&format!(
                "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}mm\" height=\"{h}mm\" viewBox=\"0 0 {w} {h}\">"
            )));
            // half of the squares are black, each 20 mm
            assert_eq!(text.matches("h20v20h-20z").count(), 48);
            assert!(f64::from(SQUARES[0]) * SQUARE_MM + 36.0 < w);
            // the last line of text stays on the paper, off the edge that printers leave out
            assert!(TOP_MM + f64::from(SQUARES[1]) * SQUARE_MM + 6.5 + 3.9 * 7.0 < h - 4.0);
            assert!(text.contains("h100m0 -1.5v3") && text.contains("v100m-1.5 0h3"));
        }
    }
}
