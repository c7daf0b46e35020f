//! A small stroke font, so that pictures can carry letters without a font file.
//!
//! Every glyph is a few polylines on a grid 4 wide and 6 high (x right, y down); a stroke is written as digit pairs "xy".

use crate::geometry::ImagePoint;

/// Height of the grid.
const GRID_HEIGHT: f64 = 6.0;
/// From one glyph's left edge to the next one's, in grid units.
const ADVANCE: f64 = 6.0;

const fn glyph(c: char) -> &'static str {
    match c {
        'A' => "0602204246 0343",
        'B' => "06003041423303 3344453606",
        'C' => "4130100105163645",
        'D' => "06003041453606",
        'E' => "40000646 0333",
        'F' => "400006 0333",
        'G' => "41301001051636454323",
        'H' => "0006 4046 0343",
        'I' => "1030 2026 1636",
        'J' => "4045361605",
        'K' => "0006 400346",
        'L' => "000646",
        'M' => "0600224046",
        'N' => "06004640",
        'O' | '0' => "103041453616050110",
        'P' => "06003041423303",
        'Q' => "103041453616050110 2446",
        'R' => "06003041423303 2346",
        'S' => "413010010213334445361605",
        'T' => "0040 2026",
        'U' => "000516364540",
        'V' => "002640",
        'W' => "0016223640",
        'X' => "0046 4006",
        'Y' => "002340 2326",
        'Z' => "00400646",
        '1' => "112026 1636",
        '2' => "01103041420646",
        '3' => "01103041423313 334445361605",
        '4' => "36300444",
        '5' => "400003334445361605",
        '6' => "4130100105163645443303",
        '7' => "004016",
        '8' => "103041423313020110 13040516364544 3344",
        '9' => "0516364541301001021343",
        '?' => "01103041422324 2626",
        '.' => "2626",
        ',' => "2516",
        ':' => "2222 2626",
        '-' => "1333",
        '+' => "0343 2125",
        '=' => "0242 0444",
        '/' => "0640",
        '%' => "0640 1010 3636",
        '(' => "30212536",
        ')' => "10212516",
        '\u{b1}' => "0242 2024 0646",
        'm' => "0602 03122326 23324346",
        ' ' => "",
        _ => "0040460600",
    }
}

/// Width of a line of text of this height, px.
pub(super) fn width(text: &str, height: f64) -> f64 {
    let n = text.chars().map(|_| 1.0).sum::<f64>();
    (n * ADVANCE - 2.0).max(0.0) * height / GRID_HEIGHT
}

/// The strokes of a line of text, its top left corner at `at`. Small letters other than `m` are drawn as capitals.
pub(super) fn strokes(text: &str, at: ImagePoint, height: f64) -> Vec<Vec<ImagePoint>> {
    let scale = height / GRID_HEIGHT;
    let mut left = at.x;
    let mut out = Vec::new();
    for c in text.chars() {
        let c = if c == 'm' { c } else { c.to_ascii_uppercase() };
        for stroke in glyph(c).split(' ').filter(|s| !s.is_empty()) {
            let digits: Vec<f64> = stroke
                .bytes()
                .map(|b| f64::from(b.saturating_sub(b'0')))
                .collect();
            out.push(
                digits
                    .chunks_exact(2)
                    .map(|p| ImagePoint::new(left + p[0] * scale, at.y + p[1] * scale))
                    .collect(),
            );
        }
        left += ADVANCE * scale;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_glyph_lies_on_the_grid() {
        for c in "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789?.,:-+=/%()\u{b1}m\u{2603}".chars() {
            for stroke in glyph(c).split(' ') {
                assert!(!stroke.is_empty() && stroke.len() % 2 == 0, "{c}");
                for (i, b) in stroke.bytes().enumerate() {
                    let most = if i % 2 == 0 { b'4' } else { b'6' };
                    assert!((b'0'..=most).contains(&b), "{c}: {stroke}");
                }
            }
        }
    }

    #[test]
    fn text_is_as_wide_as_said() {
        let at = ImagePoint::new(10.0, 5.0);
        let right = strokes("HE", at, 12.0)
            .iter()
            .flatten()
            .map(|p| p.x)
            .fold(0.0, f64::max);
        assert!((right - 10.0 - width("HE", 12.0)).abs() < 1e-9);
    }
}
