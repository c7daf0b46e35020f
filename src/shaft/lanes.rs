//! Sums over input channels for several outputs and several pixels at once, in the widest vectors that the processor has.
//!
//! The code is compiled for each kind of vector, and the best is chosen when the program runs. The bits don't depend on the choice:
//! each output of each pixel is added up by itself, in the order of the inputs, every product rounded before it is added.

use fearless_simd::prelude::*;
use fearless_simd::{Level, Simd, f32x8, f32x16};

/// Sums that are added up at a time where there are no vectors: of so many outputs and so many pixels, as there are registers for.
const SCALAR_OUTPUTS: usize = 4;
const SCALAR_PIXELS: usize = 2;

/// Output channels computed together, and those of the last block where they are fewer.
pub(super) const WIDE: usize = 16;
const NARROW: usize = 8;

/// What the processor has.
pub(super) fn level() -> Level {
    Level::new()
}

/// Whether the processor has no vector instructions: then a few sums at a time, in registers, are fastest.
#[inline(always)]
pub(super) fn is_scalar<S: Simd>(simd: S) -> bool {
    simd.level().is_fallback()
}

/// A vector of outputs.
pub(super) trait Outputs<S: Simd>: SimdFloat<S, Element = f32> {}

impl<S: Simd, V: SimdFloat<S, Element = f32>> Outputs<S> for V {}

/// The larger of two numbers, lane by lane.
#[inline(always)]
pub(super) fn larger<S: Simd, V: Outputs<S>>(a: V, b: V) -> V {
    a.max(b)
}

/// Neighbouring output channels, with their weights.
#[derive(Clone, Debug)]
pub(super) struct Block {
    /// The first of the channels.
    pub(super) first: usize,
    /// How many of them there are.
    pub(super) outputs: usize,
    /// How many are computed: those beyond have weights of 0.
    pub(super) lanes: usize,
    bias: Vec<f32>,
    /// `[tap][lane]`
    weights: Vec<f32>,
}

impl Block {
    /// The blocks of so many outputs, each with so many taps: `weights` gives those of an output, each with its tap.
    pub(super) fn cover<W: IntoIterator<Item = (usize, f32)>>(
        outputs: usize,
        bias: &[f32],
        taps: usize,
        weights: impl Fn(usize) -> W,
    ) -> Vec<Self> {
        let mut blocks = Vec::new();
        let mut first = 0;
        while first < outputs {
            let lanes = if outputs - first > NARROW {
                WIDE
            } else {
                NARROW
            };
            let of_block = outputs.min(first + lanes) - first;
            let mut of_lanes = vec![0.0; taps * lanes];
            for lane in 0..of_block {
                for (tap, weight) in weights(first + lane) {
                    of_lanes[tap * lanes + lane] = weight;
                }
            }
            let bias = |lane| bias.get(first + lane).copied();
            blocks.push(Self {
                first,
                outputs: of_block,
                lanes,
                bias: (0..lanes).map(|l| bias(l).unwrap_or(0.0)).collect(),
                weights: of_lanes,
            });
            first += lanes;
        }
        blocks
    }

    /// Taps from the first to before the second.
    #[inline(always)]
    fn taps<const L: usize>(&self, from: usize, to: usize) -> &[[f32; L]] {
        let (taps, _) = self.weights[from * L..to * L].as_chunks::<L>();
        taps
    }

    /// The bias of each lane from one on.
    #[inline(always)]
    pub(super) fn bias<S: Simd, V: Outputs<S>>(&self, simd: S, from: usize) -> V {
        V::from_slice(simd, &self.bias[from..from + V::LEN])
    }
}

/// A row of input numbers that taps of a block belong to.
#[derive(Clone, Copy)]
pub(super) struct TapRun<'a> {
    /// The first tap, and the one after the last.
    pub(super) taps: (usize, usize),
    /// The inputs of the first pixel, behind them those of the others.
    pub(super) inputs: &'a [f32],
    /// From the inputs of a pixel to those of the next.
    pub(super) stride: usize,
}

/// What is done with the sums of one block: its code for either width.
pub(super) trait SumSink<S: Simd> {
    /// Takes the sums of a pixel.
    fn take<V: Outputs<S>>(&mut self, pixel: usize, sums: V);
}

/// The sums of a block for `pixels` pixels from `start` on (its bias or 0); the runs have inputs for `room` of them, at least as many.
#[inline(always)]
pub(super) fn sums<S: Simd>(
    simd: S,
    block: &Block,
    with_bias: bool,
    runs: &[TapRun],
    (pixels, room): (usize, usize),
    sink: &mut impl SumSink<S>,
) {
    if is_scalar(simd) {
        scalar_sums(simd, block, with_bias, runs, (pixels, room), sink);
        return;
    }
    // as many sums at a time as there are registers for
    if block.lanes == WIDE {
        let start = if with_bias {
            block.bias(simd, 0)
        } else {
            f32x16::splat(simd, 0.0)
        };
        match S::f32s::LEN {
            16 => several::<S, _, WIDE, 8>(simd, block, start, runs, (pixels, room), sink),
            8 => several::<S, _, WIDE, 4>(simd, block, start, runs, (pixels, room), sink),
            _ => several::<S, _, WIDE, 2>(simd, block, start, runs, (pixels, room), sink),
        }
    } else {
        let start = if with_bias {
            block.bias(simd, 0)
        } else {
            f32x8::splat(simd, 0.0)
        };
        match S::f32s::LEN {
            4 => several::<S, _, NARROW, 4>(simd, block, start, runs, (pixels, room), sink),
            _ => several::<S, _, NARROW, 8>(simd, block, start, runs, (pixels, room), sink),
        }
    }
}

#[inline(always)]
fn several<S: Simd, V: Outputs<S>, const L: usize, const PIXELS: usize>(
    simd: S,
    block: &Block,
    start: V,
    runs: &[TapRun],
    (pixels, room): (usize, usize),
    sink: &mut impl SumSink<S>,
) {
    let mut first = 0;
    while first < pixels {
        if first + PIXELS <= room {
            let sums = of_neighbours::<S, V, L, PIXELS>(simd, block, start, runs, first);
            for (k, sums) in sums.into_iter().enumerate() {
                if first + k < pixels {
                    sink.take(first + k, sums);
                }
            }
            first += PIXELS;
        } else {
            let [sums] = of_neighbours::<S, V, L, 1>(simd, block, start, runs, first);
            sink.take(first, sums);
            first += 1;
        }
    }
}

/// The same without vectors.
#[inline(always)]
fn scalar_sums<S: Simd>(
    simd: S,
    block: &Block,
    with_bias: bool,
    runs: &[TapRun],
    (pixels, room): (usize, usize),
    sink: &mut impl SumSink<S>,
) {
    let mut first = 0;
    while first < pixels {
        let together = if first + SCALAR_PIXELS <= room {
            SCALAR_PIXELS
        } else {
            1
        };
        let mut sums = [[0.0; WIDE]; SCALAR_PIXELS];
        for at in (0..block.lanes).step_by(SCALAR_OUTPUTS) {
            let mut start = [0.0; SCALAR_OUTPUTS];
            if with_bias {
                start.copy_from_slice(&block.bias[at..at + SCALAR_OUTPUTS]);
            }
            let part = if together == 1 {
                let [one] = scalar_part::<1>(block, start, runs, first, at);
                [one; SCALAR_PIXELS]
            } else {
                scalar_part::<SCALAR_PIXELS>(block, start, runs, first, at)
            };
            for (sums, part) in sums.iter_mut().zip(part) {
                sums[at..at + SCALAR_OUTPUTS].copy_from_slice(&part);
            }
        }
        for (k, sums) in sums.iter().enumerate().take(together) {
            if first + k >= pixels {
                break;
            }
            if block.lanes == WIDE {
                sink.take(first + k, f32x16::from_slice(simd, sums));
            } else {
                sink.take(first + k, f32x8::from_slice(simd, &sums[..NARROW]));
            }
        }
        first += together;
    }
}

/// The sums of a few outputs from `at` on for neighbouring pixels from `first` on.
#[inline(always)]
fn scalar_part<const PIXELS: usize>(
    block: &Block,
    start: [f32; SCALAR_OUTPUTS],
    runs: &[TapRun],
    first: usize,
    at: usize,
) -> [[f32; SCALAR_OUTPUTS]; PIXELS] {
    let mut sums = [start; PIXELS];
    for run in runs {
        let weights = &block.weights[run.taps.0 * block.lanes..run.taps.1 * block.lanes];
        let n = run.taps.1 - run.taps.0;
        let inputs = &run.inputs[first * run.stride..];
        let mut of_pixel = [&inputs[..n]; PIXELS];
        for k in 1..PIXELS {
            of_pixel[k] = &inputs[k * run.stride..k * run.stride + n];
        }
        for (i, weights) in weights.chunks_exact(block.lanes).enumerate() {
            let Some(weights) = weights[at..].first_chunk::<SCALAR_OUTPUTS>() else {
                continue;
            };
            for k in 0..PIXELS {
                let input = of_pixel[k][i];
                for (sum, weight) in sums[k].iter_mut().zip(weights) {
                    *sum += weight * input;
                }
            }
        }
    }
    sums
}

/// The sums of neighbouring pixels from `first` on.
#[inline(always)]
fn of_neighbours<S: Simd, V: Outputs<S>, const L: usize, const PIXELS: usize>(
    simd: S,
    block: &Block,
    start: V,
    runs: &[TapRun],
    first: usize,
) -> [V; PIXELS] {
    let mut sums = [start; PIXELS];
    for run in runs {
        let taps = block.taps::<L>(run.taps.0, run.taps.1);
        let inputs = &run.inputs[first * run.stride..];
        accumulate(simd, taps, inputs, run.stride, &mut sums);
    }
    sums
}

/// Adds taps times inputs to the sums of neighbouring pixels.
#[inline(always)]
fn accumulate<S: Simd, V: Outputs<S>, const L: usize, const PIXELS: usize>(
    simd: S,
    taps: &[[f32; L]],
    inputs: &[f32],
    stride: usize,
    sums: &mut [V; PIXELS],
) {
    let n = taps.len();
    let mut of_pixel = [&inputs[..n]; PIXELS];
    for k in 1..PIXELS {
        of_pixel[k] = &inputs[k * stride..k * stride + n];
    }
    let mut s = *sums;
    for i in 0..n {
        let weights = V::from_slice(simd, &taps[i]);
        for k in 0..PIXELS {
            s[k] += weights * of_pixel[k][i];
        }
    }
    *sums = s;
}

#[cfg(test)]
mod tests {
    use super::*;
    use fearless_simd::dispatch;

    const TAPS: usize = 37;
    const PIXELS: usize = 13;
    const STRIDE: usize = 5;

    /// Numbers of both signs and many sizes, so that another order of sums, or a product that isn't rounded, shows in the bits.
    fn number(k: usize) -> f32 {
        let state = u32::try_from(k)
            .expect("a small number")
            .wrapping_mul(1_664_525)
            .wrapping_add(1_013_904_223);
        let size = [1e-3, 0.1, 1.0, 30.0][(state >> 30) as usize];
        let part = u16::try_from(state >> 8 & 0xffff).expect("16 bits");
        (f32::from(part) / 65_536.0 - 0.5) * size
    }

    struct Kept {
        of_pixel: Vec<Vec<f32>>,
    }

    impl<S: Simd> SumSink<S> for Kept {
        fn take<V: Outputs<S>>(&mut self, pixel: usize, sums: V) {
            self.of_pixel[pixel] = sums.as_slice().to_vec();
        }
    }

    /// The sums of every block at one level, or without vectors, by output and pixel.
    fn at(level: Level, by_scalars: bool, blocks: &[Block], inputs: &[f32]) -> Vec<Vec<u32>> {
        let run = TapRun {
            taps: (0, TAPS),
            inputs,
            stride: STRIDE,
        };
        let mut all = Vec::new();
        for block in blocks {
            let mut kept = Kept {
                of_pixel: vec![Vec::new(); PIXELS],
            };
            let size = (PIXELS, PIXELS);
            dispatch!(level, simd => if by_scalars {
                scalar_sums(simd, block, true, &[run], size, &mut kept);
            } else {
                sums(simd, block, true, &[run], size, &mut kept);
            });
            for output in 0..block.outputs {
                let pixels = kept.of_pixel.iter();
                all.push(pixels.map(|sums| sums[output].to_bits()).collect());
            }
        }
        all
    }

    #[test]
    fn every_kind_of_vector_gives_the_bits_of_a_plain_loop() {
        let inputs: Vec<f32> = (0..TAPS + PIXELS * STRIDE).map(number).collect();
        // a whole wide block, and a narrow one that isn't full
        let outputs = WIDE + 5;
        let weight = |output: usize, tap: usize| number(1000 + output * TAPS + tap);
        let bias: Vec<f32> = (0..outputs).map(|o| number(9000 + o)).collect();
        let taps = |output: usize| (0..TAPS).map(move |tap| (tap, weight(output, tap)));
        let blocks = Block::cover(outputs, &bias, TAPS, taps);
        let plain = |output: usize, pixel: usize| {
            let products = (0..TAPS).map(|tap| weight(output, tap) * inputs[pixel * STRIDE + tap]);
            products.fold(bias[output], |sum, product| sum + product)
        };
        let wanted: Vec<Vec<u32>> = (0..outputs)
            .map(|o| (0..PIXELS).map(|p| plain(o, p).to_bits()).collect())
            .collect();
        let mut levels = vec![level(), Level::baseline()];
        #[cfg(target_arch = "x86_64")]
        {
            levels.extend(level().as_sse4_2().map(Level::Sse4_2));
            levels.extend(level().as_avx2().map(Level::Avx2));
        }
        for level in levels {
            assert!(at(level, false, &blocks, &inputs) == wanted, "{level:?}");
            assert!(at(level, true, &blocks, &inputs) == wanted, "no vectors");
        }
    }
}
