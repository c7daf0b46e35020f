//! The sessions that are drawn: 30 m, mm, every quantity anew for each session.

use bossmark::record::{ArrowKind, End, Entry, EntrySource, EntryState, Hand};
use std::f64::consts::{PI, TAU};

/// SplitMix64 (Steele, Lea & Flood 2014): small, seeded, the same everywhere.
pub(crate) struct Random(u64);

impl Random {
    /// A source of its own for each session.
    pub(crate) fn for_session(seed: u64, ends: usize, at: usize) -> Self {
        let mut source = Self(seed);
        for part in [ends as u64, at as u64] {
            source.0 = source.next() ^ part;
        }
        source.next();
        source
    }

    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Uniform in [0, 1).
    pub(crate) fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    pub(crate) fn uniform(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    pub(crate) fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// N(0, 1), Box–Muller.
    pub(crate) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        radius * (TAU * self.unit()).cos()
    }
}

/// A session's records with the truth.
pub(crate) struct Session {
    pub(crate) ends: Vec<End>,
    /// The offset of the bare shafts, without the arrows' own, mm.
    pub(crate) truth: [f64; 2],
    /// (end from 1, id) of the outliers.
    pub(crate) outliers: Vec<(u32, u64)>,
    /// The odd arrow's number, if there is one.
    pub(crate) odd: Option<u64>,
    /// Mean scatter of the fletched shots, mm.
    pub(crate) sigma: f64,
}

/// An archer with bow and arrows, as far as a shot shows them.
pub(crate) struct Archer {
    /// Scatter of the fletched shots on each axis, mm.
    pub(crate) scatter: [f64; 2],
    /// How much wider the bare shafts scatter.
    pub(crate) bare_ratio: f64,
    /// Share of bad shots.
    pub(crate) outlier_rate: f64,
    /// Where each arrow goes by itself, the fletched first, mm.
    pub(crate) own: Vec<[f64; 2]>,
    /// Error of measuring, mm.
    pub(crate) measuring: f64,
    /// A left-hander is a right-hander seen in the mirror.
    pub(crate) left: bool,
}

impl Archer {
    /// Draws the scatter on the two axes from its mean.
    pub(crate) fn scatter(random: &mut Random, sigma: f64) -> [f64; 2] {
        // sigma_x = sigma sqrt(g), sigma_y = sigma / sqrt(g), ln g ~ N(0, 0.25^2)
        let root = (0.25 * random.normal() / 2.0).exp();
        [sigma * root, sigma / root]
    }

    /// Draws where `n` arrows of each kind go by themselves, and with this probability one odd one (its number, from 1).
    pub(crate) fn arrows(random: &mut Random, n: usize, odd: f64) -> (Vec<[f64; 2]>, Option<u64>) {
        let arrow_sd = random.uniform(0.0, 15.0);
        let mut own: Vec<[f64; 2]> = (0..2 * n)
            .map(|_| [arrow_sd * random.normal(), arrow_sd * random.normal()])
            .collect();
        let mut which = None;
        if random.chance(odd) {
            let at = (random.next() % (2 * n as u64)) as usize;
            let (far, way) = (random.uniform(60.0, 200.0), random.uniform(0.0, TAU));
            own[at][0] += far * way.cos();
            own[at][1] += far * way.sin();
            which = Some(at as u64 + 1);
        }
        (own, which)
    }

    /// Shoots each arrow once, the bare ones off by `offset` (a right-hander's): the record and which of them were outliers.
    pub(crate) fn shoot(&self, random: &mut Random, offset: [f64; 2]) -> (End, Vec<u64>) {
        let n = self.own.len() / 2;
        let mirror = if self.left { -1.0 } else { 1.0 };
        let centre = [60.0 * random.normal(), 60.0 * random.normal()];
        let mut end = End::default();
        let mut outliers = Vec::new();
        end.session.hand = Some(if self.left { Hand::Left } else { Hand::Right });
        end.session.distance_m = Some(30.0);
        for (own, id) in self.own.iter().zip(1..) {
            let bare = id > n as u64;
            let outlier = random.chance(self.outlier_rate);
            let (throw, way) = (random.uniform(4.0, 6.0), random.uniform(0.0, TAU));
            let at = [0, 1].map(|axis: usize| {
                let (wide, shift) = if bare {
                    (self.bare_ratio * self.scatter[axis], offset[axis])
                } else {
                    (self.scatter[axis], 0.0)
                };
                let thrown = if outlier {
                    throw * self.scatter[axis] * [way.cos(), way.sin()][axis]
                } else {
                    0.0
                };
                centre[axis]
                    + shift
                    + own[axis]
                    + wide * random.normal()
                    + thrown
                    + self.measuring * random.normal()
            });
            if outlier {
                outliers.push(id);
            }
            end.entries
                .push(entry(id, bare, [mirror * at[0], at[1]], self.measuring));
        }
        (end, outliers)
    }
}

/// A session of so many ends of `n` shots of each kind.
pub(crate) fn draw(random: &mut Random, ends: usize, n: usize) -> Session {
    // mean scatter log-uniform 15 to 80
    let sigma = 15.0 * (80.0f64 / 15.0).powf(random.unit());
    let scatter = Archer::scatter(random, sigma);
    let bare_ratio = random.uniform(1.0, 1.5);
    // offset: U(0, 120) with probability 0.4, else U(0, 600), to the left or right within some 0.6 rad
    let reach = if random.chance(0.4) { 120.0 } else { 600.0 };
    let length = random.uniform(0.0, reach);
    let direction = if random.chance(0.5) { 0.0 } else { PI } + 0.6 * random.normal();
    let offset = [length * direction.cos(), length * direction.sin()];
    let outlier_rate = random.uniform(0.0, 0.15);
    let (own, odd) = Archer::arrows(random, n, 0.12);
    let archer = Archer {
        scatter,
        bare_ratio,
        outlier_rate,
        own,
        measuring: random.uniform(1.0, 5.0),
        left: random.chance(0.5),
    };
    let mirror = if archer.left { -1.0 } else { 1.0 };
    let mut session = Session {
        ends: Vec::new(),
        truth: [mirror * offset[0], offset[1]],
        outliers: Vec::new(),
        odd,
        sigma,
    };
    for place in 1..=ends as u32 {
        let (end, outliers) = archer.shoot(random, offset);
        session
            .outliers
            .extend(outliers.into_iter().map(|id| (place, id)));
        session.ends.push(end);
    }
    session
}

fn entry(id: u64, bare: bool, at: [f64; 2], measuring: f64) -> Entry {
    let variance = measuring * measuring;
    Entry {
        id,
        x_mm: at[0],
        y_mm: at[1],
        cov_mm2: Some([[variance, 0.0], [0.0, variance]]),
        kind: if bare {
            ArrowKind::Bare
        } else {
            ArrowKind::Fletched
        },
        arrow: Some(id.to_string()),
        state: EntryState::Confirmed,
        source: EntrySource::Tape,
        ..Entry::default()
    }
}
