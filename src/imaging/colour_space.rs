//! sRGB, linear light and CIE 1976 L\*a\*b\*.

use std::sync::LazyLock;

/// A colour in CIE 1976 L\*a\*b\* (CIE 15:2004), white D65.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Lab {
    /// Lightness, 0 (black) to 100 (white).
    pub l: f64,
    /// Green (negative) to red.
    pub a: f64,
    /// Blue (negative) to yellow.
    pub b: f64,
}

/// sRGB, 8-bit values → linear light, 0–1 (IEC 61966-2-1).
#[must_use]
pub fn linear_from_srgb(srgb: [f64; 3]) -> [f64; 3] {
    srgb.map(|v| {
        let v = (v / 255.0).clamp(0.0, 1.0);
        if v <= 0.040_45 {
            v / 12.92
        } else {
            ((v + 0.055) / 1.055).powf(2.4)
        }
    })
}

/// Linear sRGB (white 1, 1, 1) → L\*a\*b\*: the matrix of IEC 61966-2-1, whose rows add to the white, and the formulas of CIE 15.
#[must_use]
pub fn lab_from_linear([r, g, b]: [f64; 3]) -> Lab {
    const ROWS: [[f64; 3]; 3] = [
        [0.4124, 0.3576, 0.1805],
        [0.2126, 0.7152, 0.0722],
        [0.0193, 0.1192, 0.9505],
    ];
    let f = ROWS.map(|[x, y, z]| {
        let t = ((x * r + y * g + z * b) / (x + y + z)).max(0.0);
        if t > 216.0 / 24_389.0 {
            t.cbrt()
        } else {
            (24_389.0 / 27.0 * t + 16.0) / 116.0
        }
    });
    Lab {
        l: 116.0 * f[1] - 16.0,
        a: 500.0 * (f[0] - f[1]),
        b: 200.0 * (f[1] - f[2]),
    }
}

/// Relative luminance of linear sRGB (IEC 61966-2-1).
#[must_use]
pub fn luminance(c: [f32; 3]) -> f32 {
    0.2126 * c[0] + 0.7152 * c[1] + 0.0722 * c[2]
}

/// sRGB byte → linear light, 0–1 (IEC 61966-2-1).
pub static LINEAR_FROM_BYTE: LazyLock<[f32; 256]> = LazyLock::new(|| {
    let mut table = [0.0; 256];
    let mut level = 0.0f32;
    for entry in &mut table {
        let v = level / 255.0;
        *entry = if v <= 0.040_45 {
            v / 12.92
        } else {
            ((v + 0.055) / 1.055).powf(2.4)
        };
        level += 1.0;
    }
    table
});
