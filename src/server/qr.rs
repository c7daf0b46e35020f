//! A link as a QR code (ISO/IEC 18004) of half blocks, for a terminal.

use qrcode::{Color, EcLevel, QrCode};

/// Light modules round the code, as the standard asks for.
const QUIET: usize = 4;

/// The code as lines of text, dark on light for a dark terminal: light modules are drawn, dark ones are left out. `None` for a
/// text that is too long.
#[must_use]
pub fn qr(text: &str) -> Option<String> {
    let code = QrCode::with_error_correction_level(text, EcLevel::L).ok()?;
    let side = code.width();
    let light = |x: usize, y: usize| {
        let inside = (QUIET..QUIET + side).contains(&x) && (QUIET..QUIET + side).contains(&y);
        !inside || code[(x - QUIET, y - QUIET)] == Color::Light
    };
    let whole = side + 2 * QUIET;
    let mut out = String::new();
    for y in (0..whole).step_by(2) {
        for x in 0..whole {
            let below = y + 1 < whole && light(x, y + 1);
            out.push(match (light(x, y), below) {
                (true, true) => '█',
                (true, false) => '▀',
                (false, true) => '▄',
                (false, false) => ' ',
            });
        }
        out.push('\n');
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A finder pattern is seven modules wide: dark ring, light ring, dark 3 × 3 (ISO/IEC 18004, 6.3.3).
    #[test]
    fn the_corner_holds_a_finder_pattern() {
        let text = qr("http://192.0.2.7:4117/#ABCDEFGHIJKLMNOPQRSTUVWXYZ").expect("code");
        let lines: Vec<Vec<char>> = text.lines().map(|l| l.chars().collect()).collect();
        let light = |x: usize, y: usize| match lines[y / 2][x] {
            '█' => true,
            '▀' => y.is_multiple_of(2),
            '▄' => !y.is_multiple_of(2),
            _ => false,
        };
        for (dy, row) in [
            "DDDDDDD", "DLLLLLD", "DLDDDLD", "DLDDDLD", "DLDDDLD", "DLLLLLD", "DDDDDDD",
        ]
        .iter()
        .enumerate()
        {
            let seen: String = (0..7)
                .map(|dx| if light(4 + dx, 4 + dy) { 'L' } else { 'D' })
                .collect();
            assert_eq!(&seen, row, "row {dy}");
        }
        assert!(lines.iter().all(|l| l.len() == lines[0].len()));
        assert_eq!(qr(&"x".repeat(5000)), None);
    }
}
