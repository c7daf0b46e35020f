//! Repeatable pseudo-random numbers.

/// Repeatable pseudo-random numbers (Steele, Lea and Flood 2014, "SplitMix64") for sampling consensus: same seed, same run.
#[derive(Clone, Debug)]
pub struct SplitMix(u64);

impl SplitMix {
    /// A generator that always gives the same numbers for the same `seed`.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// A number in 0‥n (0 if n is 0).
    pub fn below(&mut self, n: usize) -> usize {
        let n = u64::try_from(n).unwrap_or(u64::MAX);
        let (_, high) = widening(self.bits(), n);
        usize::try_from(high).unwrap_or(0)
    }
}

fn widening(a: u64, b: u64) -> (u64, u64) {
    let p = u128::from(a) * u128::from(b);
    let low = u64::try_from(p & u128::from(u64::MAX)).unwrap_or(0);
    (low, u64::try_from(p >> 64).unwrap_or(0))
}
