//! 3 × 3 convolutions with fewer multiplications: F(4 × 4, 3 × 3) of Lavin and Gray, "Fast algorithms for convolutional neural
//! networks" (CVPR 2016). Sixteen results come from thirty-six products per pair of channels instead of a hundred and forty-four; the
//! sums differ from those of the direct convolution in the last digits only, and are the same on any number of threads.

use super::lanes::{self, Block, Outputs, SumSink, TapRun, WIDE, larger};
use super::tensor::{BufferPool, Input, TILE, Tensor, Workspace};
use super::weights::Layer;
use fearless_simd::{Simd, SimdBase, dispatch, f32x4, f32x8, f32x16};

/// Numbers of a transformed tile, each way: the results and what the kernel reaches beyond them.
const SPAN: usize = TILE + 2;
const PLACES: usize = SPAN * SPAN;
/// Tiles that are worked on together, so that their transforms stay in the cache.
const TILES: usize = 16;

/// A 3 × 3 convolution with step 1 and zeros outside.
#[derive(Clone, Debug)]
pub(crate) struct Winograd {
    outputs: usize,
    inputs: usize,
    /// Their taps are `[place][input]`.
    blocks: Vec<Block>,
}

/// `G g Gᵀ`: the transform of a kernel of 3 × 3 weights, row after row.
fn transformed(kernel: [f64; 9]) -> [f64; PLACES] {
    let line = |a: f64, b: f64, c: f64| {
        let (even, far) = (a + c, a / 4.0 + c);
        [
            a / 4.0,
            -(even + b) / 6.0,
            -(even - b) / 6.0,
            (far + b / 2.0) / 6.0,
            (far - b / 2.0) / 6.0,
            c,
        ]
    };
    let columns: [[f64; SPAN]; 3] =
        std::array::from_fn(|j| line(kernel[j], kernel[3 + j], kernel[6 + j]));
    let rows: [[f64; SPAN]; SPAN] =
        std::array::from_fn(|i| line(columns[0][i], columns[1][i], columns[2][i]));
    std::array::from_fn(|k| rows[k / SPAN][k % SPAN])
}

/// The place of a transform that is zero where the numbers come in twos, as those of a picture of twice the size do.
const ZERO_WHERE_DOUBLED: usize = 2;

/// `Bᵀ d` for every number of equally long rows. Where they are `DOUBLED` the second row equals the third and the fourth the fifth, and
/// the place that is zero isn't written.
#[inline(always)]
fn input_transform<S: Simd, const DOUBLED: bool>(
    simd: S,
    from: [&[f32]; SPAN],
    to: [&mut [f32]; SPAN],
) {
    let n = from[0].len();
    if lanes::is_scalar(simd) {
        input_transform_scalar::<DOUBLED>(from, to);
    } else if n >= 16 {
        input_transform_by::<S, f32x16<S>, DOUBLED>(simd, from, to);
    } else if n >= 8 {
        input_transform_by::<S, f32x8<S>, DOUBLED>(simd, from, to);
    } else if n >= 4 {
        input_transform_by::<S, f32x4<S>, DOUBLED>(simd, from, to);
    } else {
        input_transform_scalar::<DOUBLED>(from, to);
    }
}

/// The same vector by vector; the last may overlap the one before.
#[inline(always)]
fn input_transform_by<S: Simd, V: Outputs<S>, const DOUBLED: bool>(
    simd: S,
    from: [&[f32]; SPAN],
    to: [&mut [f32]; SPAN],
) {
    let n = from[0].len();
    let [a, b, c, d, e, f] = from;
    let (a, b, c, d, e, f) = (&a[..n], &b[..n], &c[..n], &d[..n], &e[..n], &f[..n]);
    let [to0, to1, to2, to3, to4, to5] = to;
    let (to0, to1, to2) = (&mut to0[..n], &mut to1[..n], &mut to2[..n]);
    let (to3, to4, to5) = (&mut to3[..n], &mut to4[..n], &mut to5[..n]);
    let mut at = 0;
    loop {
        let end = at + V::LEN;
        let (a, b, d, f) = (
            V::from_slice(simd, &a[at..end]),
            V::from_slice(simd, &b[at..end]),
            V::from_slice(simd, &d[at..end]),
            V::from_slice(simd, &f[at..end]),
        );
        let (c, e) = if DOUBLED {
            (b, d)
        } else {
            (
                V::from_slice(simd, &c[at..end]),
                V::from_slice(simd, &e[at..end]),
            )
        };
        let (even, odd) = (e - c * 4.0, d - b * 4.0);
        let (near, twice) = (e - c, (d - b) * 2.0);
        ((a - c) * 4.0 + near).store_slice(&mut to0[at..end]);
        (even + odd).store_slice(&mut to1[at..end]);
        if !DOUBLED {
            (even - odd).store_slice(&mut to2[at..end]);
        }
        (near + twice).store_slice(&mut to3[at..end]);
        (near - twice).store_slice(&mut to4[at..end]);
        ((f - d) - twice * 2.0).store_slice(&mut to5[at..end]);
        if end >= n {
            break;
        }
        at = end.min(n - V::LEN);
    }
}

/// The same number by number.
#[inline(always)]
fn input_transform_scalar<const DOUBLED: bool>(from: [&[f32]; SPAN], to: [&mut [f32]; SPAN]) {
    let n = from[0].len();
    let [a, b, c, d, e, f] = from;
    let (a, b, c, d, e, f) = (&a[..n], &b[..n], &c[..n], &d[..n], &e[..n], &f[..n]);
    let [to0, to1, to2, to3, to4, to5] = to;
    let (to0, to1, to2) = (&mut to0[..n], &mut to1[..n], &mut to2[..n]);
    let (to3, to4, to5) = (&mut to3[..n], &mut to4[..n], &mut to5[..n]);
    for i in 0..n {
        let (a, b, d, f) = (a[i], b[i], d[i], f[i]);
        let (c, e) = if DOUBLED { (b, d) } else { (c[i], e[i]) };
        let (even, odd) = (e - c * 4.0, d - b * 4.0);
        let (near, twice) = (e - c, (d - b) * 2.0);
        to0[i] = (a - c) * 4.0 + near;
        to1[i] = even + odd;
        if !DOUBLED {
            to2[i] = even - odd;
        }
        to3[i] = near + twice;
        to4[i] = near - twice;
        to5[i] = (f - d) - twice * 2.0;
    }
}

/// `Aᵀ m`.
#[inline(always)]
fn output_transform<S: Simd, V: Outputs<S>>([a, b, c, d, e, f]: [V; SPAN]) -> [V; TILE] {
    let (sum, difference) = (b + c, b - c);
    let (sum2, difference2) = (d + e, d - e);
    [
        a + sum + sum2,
        difference + difference2 * 2.0,
        sum + sum2 * 4.0,
        difference + difference2 * 8.0 + f,
    ]
}

/// Takes the products of one place.
struct Products<'a> {
    of_place: &'a mut [f32],
}

impl<S: Simd> SumSink<S> for Products<'_> {
    #[inline(always)]
    fn take<V: Outputs<S>>(&mut self, tile: usize, sums: V) {
        sums.store_slice(&mut self.of_place[tile * V::LEN..(tile + 1) * V::LEN]);
    }
}

/// Where a band of results goes.
struct Band<'a, 'b> {
    rows: &'a mut [&'b mut [f32]],
    /// The first tile that is worked on, and how many are.
    first: usize,
    tiles: usize,
    /// Results that are less become this.
    least: f32,
}

impl Winograd {
    /// From a stored 3 × 3 layer; `None` for another kernel.
    pub(crate) fn new(layer: &Layer) -> Option<Self> {
        if layer.rows != 3 || layer.columns != 3 {
            return None;
        }
        let n = layer.inputs;
        let kernels = layer.weights.as_chunks::<9>().0;
        let weights = |output: usize| {
            let of_output = kernels[output * n..(output + 1) * n].iter().enumerate();
            of_output.flat_map(move |(input, kernel)| {
                let places = transformed(kernel.map(f64::from)).into_iter().enumerate();
                places.map(move |(place, w)| (place * n + input, crate::math::single(w)))
            })
        };
        Some(Self {
            outputs: layer.outputs,
            inputs: n,
            blocks: Block::cover(layer.outputs, &layer.bias, PLACES * n, weights),
        })
    }

    /// Runs over pictures of `out`'s size whose channels together are the layer's inputs, into every pixel of `out`; negative results
    /// become zero if `relu`.
    pub(crate) fn run(&self, pictures: &[Input], relu: bool, out: &mut Tensor, spare: &BufferPool) {
        let width = out.width;
        let most = pictures.iter().map(|p| p.picture.channels).max();
        let doubled = pictures.iter().take_while(|p| p.doubled);
        let doubled = doubled.map(|p| p.picture.channels).sum();
        let workspace = || {
            let mut pooled = spare.workspace();
            let space = &mut pooled.space;
            for row in &mut space.rows {
                row.resize((TILE * TILES + 2) * most.unwrap_or(0), 0.0);
            }
            space.tiles.resize(PLACES * TILES * self.inputs, 0.0);
            space.products.resize(PLACES * TILES * WIDE, 0.0);
            pooled
        };
        let level = lanes::level();
        out.fill_bands(TILE, workspace, |pooled, y, rows| {
            for first in (0..width.div_ceil(TILE)).step_by(TILES) {
                let tiles = TILES.min(width.div_ceil(TILE) - first);
                let mut band = Band {
                    rows,
                    first,
                    tiles,
                    least: if relu { 0.0 } else { f32::NEG_INFINITY },
                };
                dispatch!(level, simd => {
                    self.transform(simd, pictures, y, (first, tiles), &mut pooled.space);
                    for block in &self.blocks {
                        self.block(simd, block, doubled, &mut pooled.space, &mut band);
                    }
                });
            }
        });
    }

    /// `Bᵀ d B` of so many tiles of the rows from `y` on.
    #[inline(always)]
    fn transform<S: Simd>(
        &self,
        simd: S,
        pictures: &[Input],
        y: usize,
        (first, n): (usize, usize),
        space: &mut Workspace,
    ) {
        let line = TILES * self.inputs;
        let mut channel = 0;
        for input in pictures {
            let c = input.picture.channels;
            // the first column that the tiles see, and how many
            let from = input.column(TILE * first);
            let columns = input.column(TILE * (first + n) + 1) + 1 - from;
            let row = |k: usize| input.bordered(from, y + k, columns);
            let rows = [row(0), row(1), row(2), row(3), row(4), row(5)];
            let [d0, d1, d2, d3, d4, d5] = &mut space.rows;
            let down = [&mut d0[..], d1, d2, d3, d4, d5];
            if input.doubled {
                input_transform::<S, true>(simd, rows, down);
            } else {
                input_transform::<S, false>(simd, rows, down);
            }
            let places = space.tiles.chunks_exact_mut(SPAN * line);
            for (i, (down, places)) in space.rows.iter().zip(places).enumerate() {
                if input.doubled && i == ZERO_WHERE_DOUBLED {
                    continue;
                }
                let (p0, rest) = places.split_at_mut(line);
                let (p1, rest) = rest.split_at_mut(line);
                let (p2, rest) = rest.split_at_mut(line);
                let (p3, rest) = rest.split_at_mut(line);
                let (p4, p5) = rest.split_at_mut(line);
                for tile in 0..n {
                    let to = tile * self.inputs + channel;
                    let to = to..to + c;
                    let x = TILE * (first + tile);
                    let at = |k: usize| {
                        let start = (input.column(x + k) - from) * c;
                        &down[start..start + c]
                    };
                    let columns = [at(0), at(1), at(2), at(3), at(4), at(5)];
                    let places = [
                        &mut p0[to.clone()],
                        &mut p1[to.clone()],
                        &mut p2[to.clone()],
                        &mut p3[to.clone()],
                        &mut p4[to.clone()],
                        &mut p5[to],
                    ];
                    if input.doubled {
                        input_transform::<S, true>(simd, columns, places);
                    } else {
                        input_transform::<S, false>(simd, columns, places);
                    }
                }
            }
            channel += c;
        }
    }

    /// The sums over the channels for the lanes of a block at each place of the tiles, and the results that come of them.
    #[inline(always)]
    fn block<S: Simd>(
        &self,
        simd: S,
        block: &Block,
        doubled: usize,
        space: &mut Workspace,
        band: &mut Band,
    ) {
        let line = TILES * self.inputs;
        let of_place = TILES * block.lanes;
        let places = space.tiles.chunks_exact(line);
        let products = space.products.chunks_exact_mut(of_place);
        for (place, (inputs, of_place)) in places.zip(products).enumerate() {
            let is_zero = [place / SPAN, place % SPAN].contains(&ZERO_WHERE_DOUBLED);
            let left_out = if is_zero { doubled } else { 0 };
            let run = TapRun {
                taps: (place * self.inputs + left_out, (place + 1) * self.inputs),
                inputs: &inputs[left_out..],
                stride: self.inputs,
            };
            let mut products = Products { of_place };
            lanes::sums(
                simd,
                block,
                false,
                &[run],
                (band.tiles, TILES),
                &mut products,
            );
        }
        if lanes::is_scalar(simd) {
            for from in (0..block.outputs).step_by(f32x4::<S>::LEN) {
                self.finish::<S, f32x4<S>>(simd, (block, from), &space.products, band);
            }
        } else if block.lanes == WIDE {
            self.finish::<S, f32x16<S>>(simd, (block, 0), &space.products, band);
        } else {
            self.finish::<S, f32x8<S>>(simd, (block, 0), &space.products, band);
        }
    }

    /// `Aᵀ m A` with bias, into the rows of results, for the lanes of a block from one on.
    #[inline(always)]
    fn finish<S: Simd, V: Outputs<S>>(
        &self,
        simd: S,
        (block, from): (&Block, usize),
        products: &[f32],
        band: &mut Band,
    ) {
        let bias: V = block.bias(simd, from);
        let outputs = V::LEN.min(block.outputs - from);
        let least = V::splat(simd, band.least);
        let zero = V::splat(simd, 0.0);
        for tile in 0..band.tiles {
            let product = |i: usize, j: usize| {
                let at = ((SPAN * i + j) * TILES + tile) * block.lanes + from;
                V::from_slice(simd, &products[at..at + V::LEN])
            };
            let mut columns = [[zero; TILE]; SPAN];
            for (j, column) in columns.iter_mut().enumerate() {
                *column = output_transform([
                    product(0, j),
                    product(1, j),
                    product(2, j),
                    product(3, j),
                    product(4, j),
                    product(5, j),
                ]);
            }
            let first = TILE * (band.first + tile) * self.outputs;
            for (i, row) in band.rows.iter_mut().take(TILE).enumerate() {
                let Some(row) = row.get_mut(first..) else {
                    continue;
                };
                let mut across = [zero; SPAN];
                for (value, column) in across.iter_mut().zip(&columns) {
                    *value = column[i];
                }
                let results = output_transform(across);
                for (pixel, result) in row.chunks_exact_mut(self.outputs).zip(results) {
                    let result = larger(result + bias, least);
                    let to = &mut pixel[block.first + from..block.first + from + outputs];
                    if to.len() == V::LEN {
                        result.store_slice(to);
                    } else {
                        to.copy_from_slice(&result.as_slice()[..outputs]);
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shaft::net::tests::noise;

    #[test]
    fn numbers_transformed_one_by_one_have_the_bits_of_vectors() {
        for n in [3, 4, 7, 19] {
            let from: [Vec<f32>; SPAN] = [1, 2, 3, 4, 5, 6].map(|seed| noise(n, seed));
            let from = from.each_ref().map(Vec::as_slice);
            let mut by_vectors = from.map(<[f32]>::to_vec);
            let mut by_scalars = by_vectors.clone();
            dispatch!(lanes::level(), simd => input_transform::<_, false>(simd, from, by_vectors.each_mut().map(Vec::as_mut_slice)));
            input_transform_scalar::<false>(from, by_scalars.each_mut().map(Vec::as_mut_slice));
            assert_eq!(bits(&by_scalars), bits(&by_vectors));
        }
    }

    fn bits(rows: &[Vec<f32>; SPAN]) -> [Vec<u32>; SPAN] {
        rows.each_ref()
            .map(|row| row.iter().map(|v| v.to_bits()).collect())
    }

    #[test]
    fn rows_that_come_in_twos_have_the_bits_of_any_others() {
        for n in [3, 19] {
            let [a, b, c, d] = [1, 2, 3, 4].map(|seed| noise(n, seed));
            let from = [&a[..], &b, &b, &c, &c, &d];
            let zeros = || from.map(|row| vec![0.0; row.len()]);
            let (mut doubled, mut plain) = (zeros(), zeros());
            dispatch!(lanes::level(), simd => {
                input_transform::<_, true>(simd, from, doubled.each_mut().map(Vec::as_mut_slice));
                input_transform::<_, false>(simd, from, plain.each_mut().map(Vec::as_mut_slice));
            });
            // the place that isn't written is zero
            assert_eq!(bits(&doubled), bits(&plain));
        }
    }

    fn picture(width: usize, height: usize, channels: usize, seed: u32) -> Tensor {
        let mut p = Tensor::zeros(width, height, channels);
        let numbers = noise(width * height * channels, seed);
        p.fill_rows(|y, row| {
            row.copy_from_slice(&numbers[y * width * channels..(y + 1) * width * channels]);
        });
        p
    }

    /// The definition of the convolution, in double precision.
    fn direct(layer: &Layer, pictures: &[&Tensor], x: usize, y: usize, output: usize) -> f64 {
        let mut sum = f64::from(layer.bias[output]);
        let mut input = 0;
        for p in pictures {
            for c in 0..p.channels {
                for k in 0..9 {
                    let (px, py) = ((x + k % 3).wrapping_sub(1), (y + k / 3).wrapping_sub(1));
                    if px < p.width && py < p.height {
                        let w = layer.weights
                            [((output * layer.inputs + input) * 3 + k / 3) * 3 + k % 3];
                        sum += f64::from(w) * f64::from(p.pixel(px, py)[c]);
                    }
                }
                input += 1;
            }
        }
        sum
    }

    #[test]
    fn equals_the_definition_of_a_convolution_whatever_the_size() {
        for (width, height) in [(1, 1), (2, 3), (7, 4), (34, 5), (67, 2)] {
            let (a, b) = (picture(width, height, 3, 1), picture(width, height, 6, 2));
            let layer = Layer {
                outputs: 11,
                inputs: 9,
                rows: 3,
                columns: 3,
                bias: noise(11, 3),
                weights: noise(11 * 81, 4),
            };
            let mut got = Tensor::zeros(width, height, 11);
            let inputs = [Input::same_size(&a), Input::same_size(&b)];
            Winograd::new(&layer)
                .unwrap()
                .run(&inputs, false, &mut got, &BufferPool::default());
            for (x, y) in (0..width).flat_map(|x| (0..height).map(move |y| (x, y))) {
                for (output, &g) in got.pixel(x, y).iter().enumerate() {
                    let want = direct(&layer, &[&a, &b], x, y, output);
                    assert!(
                        (f64::from(g) - want).abs() < 1e-5,
                        "{width} × {height}, {x} {y}: {g} {want}"
                    );
                }
            }
        }
    }
}
