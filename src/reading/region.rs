//! The region in which the offset lies with a given probability, for plots and for telling two offsets apart.

use super::Offset;

/// An ellipse about the offset, mm and rad.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Region {
    /// Centre, [right, up], mm.
    pub centre_mm: [f64; 2],
    /// Longer and shorter semi-axis, mm.
    pub semi_axes_mm: [f64; 2],
    /// Direction of the longer one, rad, anticlockwise from "right", in (−π/2, π/2].
    pub angle_rad: f64,
}

impl Offset {
    /// The ellipse that holds the true offset with this probability (0 to below 1), taken as normal: the squared
    /// Mahalanobis distance to its rim is the χ² quantile with two degrees of freedom, −2 ln(1 − p). `None` if the
    /// covariance is none or the probability out of range.
    #[must_use]
    pub fn region(&self, probability: f64) -> Option<Region> {
        if !(0.0..1.0).contains(&probability) {
            return None;
        }
        let [[xx, xy], [_, yy]] = self.cov_mm2;
        let (mean, half) = (0.5 * (xx + yy), 0.5 * (xx - yy));
        let radius = half.hypot(xy);
        let (longer, shorter) = (mean + radius, mean - radius);
        if !(shorter >= 0.0 && longer.is_finite()) {
            return None;
        }
        let reach = (-2.0 * (-probability).ln_1p()).sqrt();
        Some(Region {
            centre_mm: [self.x_mm, self.y_mm],
            semi_axes_mm: [reach * longer.sqrt(), reach * shorter.sqrt()],
            angle_rad: 0.5 * xy.atan2(half),
        })
    }

    /// Squared Mahalanobis distance of a point from the offset, dᵀ S⁻¹ d; `None` if the covariance has no inverse.
    #[must_use]
    pub fn distance_squared(&self, x_mm: f64, y_mm: f64) -> Option<f64> {
        let [[xx, xy], [_, yy]] = self.cov_mm2;
        let determinant = xx * yy - xy * xy;
        if !(determinant > 0.0 && determinant.is_finite()) {
            return None;
        }
        let (x, y) = (x_mm - self.x_mm, y_mm - self.y_mm);
        Some((yy * x * x - 2.0 * xy * x * y + xx * y * y) / determinant)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn offset(cov_mm2: [[f64; 2]; 2]) -> Offset {
        Offset {
            x_mm: 10.0,
            y_mm: -20.0,
            sd_x_mm: cov_mm2[0][0].sqrt(),
            sd_y_mm: cov_mm2[1][1].sqrt(),
            cov_mm2,
        }
    }

    #[test]
    fn the_rim_has_one_distance() {
        let offset = offset([[90.0, 35.0], [35.0, 40.0]]);
        let region = offset.region(0.8).unwrap();
        for step in 0..12 {
            let t = f64::from(step) * std::f64::consts::PI / 6.0;
            let (a, b) = (
                region.semi_axes_mm[0] * t.cos(),
                region.semi_axes_mm[1] * t.sin(),
            );
            let (sin, cos) = region.angle_rad.sin_cos();
            let distance = offset
                .distance_squared(10.0 + a * cos - b * sin, -20.0 + a * sin + b * cos)
                .unwrap();
            assert!((distance + 2.0 * 0.2f64.ln()).abs() < 1e-9, "{distance}");
        }
    }

    #[test]
    fn no_region_without_a_covariance() {
        assert!(offset([[1.0, 2.0], [2.0, 1.0]]).region(0.5).is_none());
        assert!(offset([[1.0, 0.0], [0.0, f64::NAN]]).region(0.5).is_none());
        assert!(offset([[1.0, 0.0], [0.0, 1.0]]).region(1.0).is_none());
        assert!(
            offset([[1.0, 1.0], [1.0, 1.0]])
                .distance_squared(0.0, 0.0)
                .is_none()
        );
    }
}
