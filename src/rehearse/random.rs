//! Repeatable draws for a scene, and numbers that depend on a place alone.

use crate::math::SplitMix;

/// A stream of draws. Each subject of a scene has its own, so that a flag that fixes one thing leaves the others as they were.
pub(super) struct Draw(SplitMix);

/// What a stream is for.
#[derive(Clone, Copy)]
pub(super) enum Subject {
    Camera = 1,
    Boss,
    Face,
    Arrows,
    Shots,
    Light,
    Picture,
    Texture,
    Colours,
}

impl Draw {
    pub(super) fn new(seed: u64, subject: Subject) -> Self {
        let mut mixed = SplitMix::new(seed);
        Self(SplitMix::new(mixed.bits() ^ mix(subject as u64)))
    }

    /// Evenly between 0 and 1.
    pub(super) fn unit(&mut self) -> f64 {
        unit(self.0.bits())
    }

    /// Evenly between the two.
    pub(super) fn within(&mut self, [a, b]: [f64; 2]) -> f64 {
        a + (b - a) * self.unit()
    }

    /// A whole number between the two, both included.
    pub(super) fn count(&mut self, [a, b]: [usize; 2]) -> usize {
        a + self.0.below(b.saturating_sub(a) + 1)
    }

    /// Normal with mean 0 (Box and Muller 1958).
    pub(super) fn normal(&mut self, sd: f64) -> f64 {
        let r = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        sd * r * (std::f64::consts::TAU * self.unit()).cos()
    }

    pub(super) fn chance(&mut self, share: f64) -> bool {
        self.unit() < share
    }

    /// One of several; the default of an empty list.
    pub(super) fn one_of<T: Clone + Default>(&mut self, all: &[T]) -> T {
        all.get(self.0.below(all.len()))
            .cloned()
            .unwrap_or_default()
    }

    pub(super) fn bits(&mut self) -> u64 {
        self.0.bits()
    }
}

/// The output function of SplitMix64: scatters a counter over all 64 bits.
pub(super) fn mix(value: u64) -> u64 {
    SplitMix::new(value).bits()
}

/// The top 53 bits as a number in [0, 1).
pub(super) fn unit(bits: u64) -> f64 {
    // 53 bits are exact in a double
    (bits >> 11) as f64 / (1u64 << 53) as f64
}

/// Side of the noise table, cells; a power of two.
const SIDE: usize = 512;

/// A surface's irregularity: noise over the plane that repeats after 512 cells, mean 0, mostly within ±1.
#[derive(Clone)]
pub(super) struct Grain {
    /// Many octaves, each weaker than the one before: clouds, stains, waves.
    cloud: Vec<f32>,
    /// Every cell by itself.
    speck: Vec<f32>,
}

impl Grain {
    pub(super) fn new(seed: u64) -> Self {
        let mut draw = Draw::new(seed, Subject::Texture);
        let speck: Vec<f32> = (0..SIDE * SIDE).map(|_| draw.single()).collect();
        let mut cloud = vec![0.0f32; SIDE * SIDE];
        let (mut nodes, mut weight) = (8, 0.6f32);
        while nodes <= SIDE {
            let lattice: Vec<f32> = (0..nodes * nodes).map(|_| draw.single()).collect();
            let step = nodes as f64 / SIDE as f64;
            for (k, value) in cloud.iter_mut().enumerate() {
                let (x, y) = ((k % SIDE) as f64 * step, (k / SIDE) as f64 * step);
                *value += weight * between(&lattice, nodes, x, y);
            }
            nodes *= 2;
            weight *= 0.6;
        }
        Self { cloud, speck }
    }

    /// Clouds at `x`, `y` cells.
    pub(super) fn cloud(&self, x: f64, y: f64) -> f64 {
        f64::from(between(&self.cloud, SIDE, x, y))
    }

    /// Specks at `x`, `y` cells.
    pub(super) fn speck(&self, x: f64, y: f64) -> f64 {
        f64::from(between(&self.speck, SIDE, x, y))
    }
}

impl Draw {
    /// Evenly between −1 and 1, single precision.
    fn single(&mut self) -> f32 {
        let byte = u16::try_from(self.bits() >> 48).unwrap_or(0);
        f32::from(byte) / 32768.0 - 1.0
    }
}

/// The whole part of a number that isn't negative: quicker than rounding down where the processor has no instruction for it.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "towards zero, saturating"
)]
fn whole(value: f64) -> usize {
    value as usize
}

/// Bilinear in a square table that repeats; `side` is a power of two.
fn between(table: &[f32], side: usize, x: f64, y: f64) -> f32 {
    // large enough to make everything positive, and a whole number of tables
    const SHIFT: f64 = 512.0 * 4096.0;
    let (x, y) = (x + SHIFT, y + SHIFT);
    let (i, j) = (whole(x), whole(y));
    let (u, v) = (
        crate::math::single(x - i as f64),
        crate::math::single(y - j as f64),
    );
    let mask = side - 1;
    let (i0, i1) = (i & mask, (i + 1) & mask);
    let (j0, j1) = ((j & mask) * side, ((j + 1) & mask) * side);
    let upper = table[j0 + i0] + u * (table[j0 + i1] - table[j0 + i0]);
    let lower = table[j1 + i0] + u * (table[j1 + i1] - table[j1 + i0]);
    upper + v * (lower - upper)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn streams_repeat_and_differ() {
        let mut a = Draw::new(7, Subject::Camera);
        let mut b = Draw::new(7, Subject::Camera);
        let mut c = Draw::new(7, Subject::Face);
        let first = a.bits();
        assert_eq!(first, b.bits());
        assert_ne!(first, c.bits());
    }

    #[test]
    fn normal_draws_have_their_spread() {
        let mut draw = Draw::new(3, Subject::Shots);
        let n = 20_000;
        let values: Vec<f64> = (0..n).map(|_| draw.normal(2.0)).collect();
        let mean = values.iter().sum::<f64>() / f64::from(n);
        let sd = (values.iter().map(|v| v * v).sum::<f64>() / f64::from(n)).sqrt();
        // standard errors 0.014 and 0.010
        assert!(mean.abs() < 0.06 && (sd - 2.0).abs() < 0.05, "{mean} {sd}");
    }

    #[test]
    fn grain_repeats_without_a_seam() {
        let grain = Grain::new(1);
        for (x, y) in [(3.25, 500.75), (-10.5, 0.5), (511.9, 511.9)] {
            let (a, b) = (grain.cloud(x, y), grain.cloud(x + 512.0, y - 1024.0));
            assert!((a - b).abs() < 1e-6, "{a} {b}");
            assert!((grain.cloud(x, y) - grain.cloud(x + 1e-3, y)).abs() < 0.02);
        }
    }
}
