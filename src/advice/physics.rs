//! The arrow on the bow as a beam: how stiff it acts, and what each setting does to that.
//!
//! Lengths m, masses kg, forces N, frequencies Hz. The shaft is an Euler–Bernoulli beam of constant EI and mass per
//! length, the nock at x = 0, the point at x = L; nock and point weights sit on the ends as point masses without rotary
//! inertia. It is cut into `ELEMENTS` cubic Hermite elements (consistent mass and geometric stiffness matrices, see any
//! text on finite elements of beams). What comes out decides nothing alone: it gives the exchange rates between settings.

use nalgebra::{Cholesky, DMatrix, Matrix4, SymmetricEigen};

/// Newtons in a pound-force (exact: 0.45359237 kg × 9.80665 m/s²).
pub const N_PER_LBF: f64 = 4.448_221_615_260_5;
/// Kilograms in a grain (exact, international yard and pound agreement of 1959).
pub const KG_PER_GRAIN: f64 = 64.798_91e-6;
/// Metres in an inch (exact).
pub const M_PER_INCH: f64 = 0.0254;

/// Span of the static spine test, m: 28 in (ASTM F2031).
pub const SPINE_SPAN_M: f64 = 28.0 * M_PER_INCH;
/// Load of the static spine test, N: 1.94 lbf, about 880 g (ASTM F2031).
pub const SPINE_LOAD_N: f64 = 1.94 * N_PER_LBF;

/// Elements of the beam; the first frequencies are then good to about 10⁻⁶.
const ELEMENTS: usize = 24;

/// EI, N·m², of a beam on two supports `span_m` apart that sinks by `deflection_m` under `load_n` at its middle:
/// EI = F L³ / (48 δ) (textbook). `None` where that is no stiffness.
#[must_use]
pub fn bending_stiffness(load_n: f64, span_m: f64, deflection_m: f64) -> Option<f64> {
    let ei = load_n * span_m.powi(3) / (48.0 * deflection_m);
    (ei.is_finite() && ei > 0.0).then_some(ei)
}

/// EI, N·m², of a shaft of this static spine (deflection in 1/1000 in over 28 in under 1.94 lb).
#[must_use]
pub fn stiffness_of_spine(spine: f64) -> Option<f64> {
    bending_stiffness(SPINE_LOAD_N, SPINE_SPAN_M, spine / 1000.0 * M_PER_INCH)
}

/// An arrow as a beam with end masses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Beam {
    /// Length from the nock groove to the tube's front end, m.
    pub length_m: f64,
    /// Mass of the bare tube per length, kg/m.
    pub mass_per_m: f64,
    /// Bending stiffness, N·m².
    pub ei: f64,
    /// Mass at the front end, kg.
    pub point_kg: f64,
    /// Mass at the nock end, kg.
    pub rear_kg: f64,
}

/// What drives the arrow.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drive {
    /// Force on the fingers at full draw, N.
    pub draw_n: f64,
    /// Draw length less brace height, m.
    pub stroke_m: f64,
    /// Mass of limbs and string that moves as if it sat on the arrow, kg.
    pub virtual_kg: f64,
    /// Mean thrust that compresses the arrow, as a share of `draw_n`.
    pub thrust_share: f64,
}

/// How the nock end is held.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NockEnd {
    /// On the string: held sideways, free to turn.
    Held,
    /// In flight.
    Free,
}

impl Beam {
    /// Tube, point and nock end together, kg.
    #[must_use]
    pub fn mass_kg(&self) -> f64 {
        self.mass_per_m * self.length_m + self.point_kg + self.rear_kg
    }

    /// Whether every number is one that a beam can have.
    fn is_sound(&self) -> bool {
        let positive = |v: f64| v.is_finite() && v > 0.0;
        let not_negative = |v: f64| v.is_finite() && v >= 0.0;
        positive(self.length_m)
            && positive(self.mass_per_m)
            && positive(self.ei)
            && not_negative(self.point_kg)
            && not_negative(self.rear_kg)
    }

    /// Squared circular frequencies ω², (rad/s)², ascending, of the sideways motion, rigid motions included, under a
    /// compressing force of `thrust(x)` newtons at `x` metres from the nock. `None` where the numbers make no beam.
    pub fn squared_frequencies(
        &self,
        nock: NockEnd,
        thrust: impl Fn(f64) -> f64,
    ) -> Option<Vec<f64>> {
        if !self.is_sound() {
            return None;
        }
        let h = self.length_m / ELEMENTS as f64;
        let size = 2 * (ELEMENTS + 1);
        let mut stiffness = DMatrix::<f64>::zeros(size, size);
        let mut mass = DMatrix::<f64>::zeros(size, size);
        // rotations are carried as h·θ, so that all unknowns are lengths
        let bend = BENDING * (self.ei / h.powi(3));
        let inertia = INERTIA * (self.mass_per_m * h / 420.0);
        for element in 0..ELEMENTS {
            let middle = (element as f64 + 0.5) * h;
            let local = bend - GEOMETRIC * (thrust(middle) / (30.0 * h));
            let at = 2 * element;
            let mut block = stiffness.fixed_view_mut::<4, 4>(at, at);
            block += local;
            let mut block = mass.fixed_view_mut::<4, 4>(at, at);
            block += inertia;
        }
        mass[(0, 0)] += self.rear_kg;
        mass[(size - 2, size - 2)] += self.point_kg;
        let (stiffness, mass) = match nock {
            NockEnd::Free => (stiffness, mass),
            NockEnd::Held => (
                stiffness.remove_row(0).remove_column(0),
                mass.remove_row(0).remove_column(0),
            ),
        };
        generalized_eigenvalues(stiffness, mass)
    }

    /// The frequency of the first bending in flight, Hz: both ends free, end masses and all.
    #[must_use]
    pub fn free_free_hz(&self) -> Option<f64> {
        // two rigid motions come first
        let squared = *self.squared_frequencies(NockEnd::Free, |_| 0.0)?.get(2)?;
        (squared > 0.0).then(|| squared.sqrt() / std::f64::consts::TAU)
    }

    /// The index q: how many swings of its first bending the arrow makes while the string drives it; larger = acts
    /// stiffer. The nock is held by the string and the arrow compressed by its own acceleration; the push lasts
    /// (π/2)·√((m + m_v)·stroke/F), that of a force that falls linearly. `None` past the buckling load or where numbers
    /// make no arrow.
    #[must_use]
    pub fn dynamic_spine_index(&self, drive: &Drive) -> Option<f64> {
        let mass = self.mass_kg();
        let acceleration = drive.thrust_share * drive.draw_n / mass;
        let thrust =
            |x: f64| acceleration * (self.mass_per_m * (self.length_m - x) + self.point_kg);
        // the rigid swing about the nock comes first
        let squared = *self.squared_frequencies(NockEnd::Held, thrust)?.get(1)?;
        let push = std::f64::consts::FRAC_PI_2
            * ((mass + drive.virtual_kg) * drive.stroke_m / drive.draw_n).sqrt();
        let q = squared.sqrt() * push / std::f64::consts::TAU;
        (squared > 0.0 && q.is_finite()).then_some(q)
    }
}

/// Eigenvalues of K φ = λ M φ, ascending: M = L Lᵀ, then L⁻¹ K L⁻ᵀ is symmetric with the same λ.
fn generalized_eigenvalues(stiffness: DMatrix<f64>, mass: DMatrix<f64>) -> Option<Vec<f64>> {
    let lower = Cholesky::new(mass)?.l();
    let half = lower.solve_lower_triangular(&stiffness)?;
    let whole = lower.solve_lower_triangular(&half.transpose())?;
    let symmetric = (&whole + whole.transpose()) * 0.5;
    if symmetric.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let eigen = SymmetricEigen::try_new(symmetric, f64::EPSILON, 10_000)?;
    let mut values: Vec<f64> = eigen.eigenvalues.iter().copied().collect();
    values.sort_by(f64::total_cmp);
    Some(values)
}

/// Bending stiffness of an element, times EI/h³; unknowns w₁, hθ₁, w₂, hθ₂.
const BENDING: Matrix4<f64> = Matrix4::new(
    12.0, 6.0, -12.0, 6.0, //
    6.0, 4.0, -6.0, 2.0, //
    -12.0, -6.0, 12.0, -6.0, //
    6.0, 2.0, -6.0, 4.0,
);
/// Consistent mass of an element, times μh/420.
const INERTIA: Matrix4<f64> = Matrix4::new(
    156.0, 22.0, 54.0, -13.0, //
    22.0, 4.0, 13.0, -3.0, //
    54.0, 13.0, 156.0, -22.0, //
    -13.0, -3.0, -22.0, 4.0,
);
/// Geometric stiffness of an element, times T/(30h).
const GEOMETRIC: Matrix4<f64> = Matrix4::new(
    36.0, 3.0, -36.0, 3.0, //
    3.0, 4.0, -3.0, -1.0, //
    -36.0, -3.0, 36.0, -3.0, //
    3.0, -1.0, -3.0, 4.0,
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nonsense_makes_no_index_and_no_panic() {
        let drive = Drive {
            draw_n: 160.0,
            stroke_m: 0.48,
            virtual_kg: 0.007,
            thrust_share: 0.45,
        };
        let sound = Beam {
            length_m: 0.73,
            mass_per_m: 0.0168,
            ei: 4.2,
            point_kg: 0.0065,
            rear_kg: 0.0006,
        };
        assert!(sound.dynamic_spine_index(&drive).is_some());
        for bad in [f64::NAN, f64::INFINITY, 0.0, -1.0] {
            assert_eq!(Beam { ei: bad, ..sound }.dynamic_spine_index(&drive), None);
            assert_eq!(
                Beam {
                    length_m: bad,
                    ..sound
                }
                .dynamic_spine_index(&drive),
                None
            );
            let drive = Drive {
                draw_n: bad,
                ..drive
            };
            assert!(sound.dynamic_spine_index(&drive).is_none_or(f64::is_finite));
        }
    }

    #[test]
    fn past_its_buckling_load_an_arrow_has_no_index() {
        let drive = Drive {
            draw_n: 400.0,
            stroke_m: 0.48,
            virtual_kg: 0.007,
            thrust_share: 0.45,
        };
        let beam = Beam {
            length_m: 0.75,
            mass_per_m: 0.013,
            ei: 2.5,
            point_kg: 0.0065,
            rear_kg: 0.0006,
        };
        assert_eq!(beam.dynamic_spine_index(&drive), None);
    }
}
