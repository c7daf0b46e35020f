//! 3 × 3 convolutions with fewer multiplications: F(4 × 4, 3 × 3) of Lavin and Gray, "Fast algorithms for convolutional neural
//! networks" (CVPR 2016). Sixteen results come from thirty-six products per pair of channels instead of a hundred and forty-four; the
//! sums differ from the plain ones in the last digits only, and are the same on any number of threads.

use super::tensor::{Input, LANES, STEP, TILE, Tensor, accumulate, larger};
use super::weights::Layer;

/// Numbers of a transformed tile, each way: the results and what the kernel reaches beyond them.
const SPAN: usize = TILE + 2;
const PLACES: usize = SPAN * SPAN;
/// Tiles that are worked on together, so that their transforms stay in the cache.
const TILES: usize = 16;
/// Numbers of one place: LANES outputs of each tile.
const LINE: usize = TILES * LANES;
/// Numbers that are transformed together.
const CHUNK: usize = 4;

/// A 3 × 3 convolution with step 1 and zeros outside.
#[derive(Clone, Debug)]
pub(crate) struct Winograd {
    outputs: usize,
    inputs: usize,
    /// `[block of LANES outputs]`
    bias: Vec<[f32; LANES]>,
    /// `[block][place]` → `[input]` of LANES outputs.
    weights: Vec<Vec<[f32; LANES]>>,
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

/// `Bᵀ d` for every number of equally long rows, chunk by chunk; the last chunk may overlap the one before.
fn input_transform(from: [&[f32]; SPAN], to: [&mut [f32]; SPAN]) {
    let n = from[0].len();
    if n < CHUNK {
        return input_transform_few(from, to);
    }
    let [a, b, c, d, e, f] = from.map(|row| &row[..n]);
    let [to0, to1, to2, to3, to4, to5] = to.map(|row| &mut row[..n]);
    let mut at = 0;
    loop {
        let (a, b, c) = (piece(a, at), piece(b, at), piece(c, at));
        let (d, e, f) = (piece(d, at), piece(e, at), piece(f, at));
        let mut v = [[0f32; CHUNK]; SPAN];
        for l in 0..CHUNK {
            let (even, odd) = (e[l] - 4.0 * c[l], d[l] - 4.0 * b[l]);
            let (near, twice) = (e[l] - c[l], 2.0 * (d[l] - b[l]));
            v[0][l] = 4.0 * (a[l] - c[l]) + near;
            v[1][l] = even + odd;
            v[2][l] = even - odd;
            v[3][l] = near + twice;
            v[4][l] = near - twice;
            v[5][l] = (f[l] - d[l]) - 2.0 * twice;
        }
        to0[at..at + CHUNK].copy_from_slice(&v[0]);
        to1[at..at + CHUNK].copy_from_slice(&v[1]);
        to2[at..at + CHUNK].copy_from_slice(&v[2]);
        to3[at..at + CHUNK].copy_from_slice(&v[3]);
        to4[at..at + CHUNK].copy_from_slice(&v[4]);
        to5[at..at + CHUNK].copy_from_slice(&v[5]);
        if at + CHUNK >= n {
            break;
        }
        at = (at + CHUNK).min(n - CHUNK);
    }
}

/// The same for fewer numbers than a chunk has.
#[cold]
fn input_transform_few(from: [&[f32]; SPAN], to: [&mut [f32]; SPAN]) {
    let n = from[0].len();
    let (mut padded, mut transformed_rows) = ([[0f32; CHUNK]; SPAN], [[0f32; CHUNK]; SPAN]);
    for (padded, row) in padded.iter_mut().zip(from) {
        padded[..n].copy_from_slice(row);
    }
    input_transform(
        padded.each_ref().map(|p| &p[..]),
        transformed_rows.each_mut().map(|s| &mut s[..]),
    );
    for (row, s) in to.into_iter().zip(&transformed_rows) {
        row[..n].copy_from_slice(&s[..n]);
    }
}

#[inline]
fn piece(row: &[f32], at: usize) -> [f32; CHUNK] {
    let mut out = [0f32; CHUNK];
    out.copy_from_slice(&row[at..at + CHUNK]);
    out
}

/// `Aᵀ m` for every number of equally long rows, whole chunks.
fn output_transform(from: [&[f32]; SPAN], to: [&mut [f32]; TILE]) {
    let n = from[0].len() / CHUNK * CHUNK;
    let [a, b, c, d, e, f] = from.map(|row| &row[..n]);
    let [to0, to1, to2, to3] = to.map(|row| &mut row[..n]);
    for at in (0..n).step_by(CHUNK) {
        let (a, b, c) = (piece(a, at), piece(b, at), piece(c, at));
        let (d, e, f) = (piece(d, at), piece(e, at), piece(f, at));
        let mut v = [[0f32; CHUNK]; TILE];
        for l in 0..CHUNK {
            let (sum, difference) = (b[l] + c[l], b[l] - c[l]);
            let (sum2, difference2) = (d[l] + e[l], d[l] - e[l]);
            v[0][l] = a[l] + sum + sum2;
            v[1][l] = difference + 2.0 * difference2;
            v[2][l] = sum + 4.0 * sum2;
            v[3][l] = difference + 8.0 * difference2 + f[l];
        }
        to0[at..at + CHUNK].copy_from_slice(&v[0]);
        to1[at..at + CHUNK].copy_from_slice(&v[1]);
        to2[at..at + CHUNK].copy_from_slice(&v[2]);
        to3[at..at + CHUNK].copy_from_slice(&v[3]);
    }
}

/// Working space for one stretch of tiles.
struct Space {
    /// Input rows combined down: `[row][column][channel]` of one picture.
    down: [Vec<f32>; SPAN],
    /// Transformed tiles: `[place][tile][channel]` of all pictures.
    tiles: Vec<f32>,
    /// Products: `[place][tile]` of LANES outputs.
    products: Vec<f32>,
    /// Products transformed down: `[row of results][column of places][tile]` of LANES outputs.
    columns: Vec<f32>,
    /// Results of one row: `[column of results][tile]` of LANES outputs.
    results: Vec<f32>,
}

impl Winograd {
    /// From a stored 3 × 3 layer; `None` for another kernel.
    pub(crate) fn new(layer: &Layer) -> Option<Self> {
        if layer.rows != 3 || layer.columns != 3 {
            return None;
        }
        let blocks = layer.outputs.div_ceil(LANES);
        let mut weights = vec![vec![[0f32; LANES]; layer.inputs]; blocks * PLACES];
        for (at, kernel) in layer.weights.chunks_exact(9).enumerate() {
            let (output, input) = (at / layer.inputs, at % layer.inputs);
            let places = transformed(std::array::from_fn(|k| f64::from(kernel[k])));
            for (place, w) in places.into_iter().enumerate() {
                weights[output / LANES * PLACES + place][input][output % LANES] =
                    crate::math::single(w);
            }
        }
        let bias = (0..blocks)
            .map(|b| std::array::from_fn(|l| layer.bias.get(b * LANES + l).copied().unwrap_or(0.0)))
            .collect();
        Some(Self {
            outputs: layer.outputs,
            inputs: layer.inputs,
            bias,
            weights,
        })
    }

    /// Runs over pictures of `out`'s size whose channels together are the layer's inputs, into every pixel of `out`; negative results
    /// become zero if `relu`.
    pub(crate) fn run(&self, pictures: &[Input], relu: bool, out: &mut Tensor) {
        let width = out.width;
        let most = pictures.iter().map(|p| p.picture.channels).max();
        let space = || Space {
            down: std::array::from_fn(|_| vec![0.0; (TILE * TILES + 2) * most.unwrap_or(0)]),
            tiles: vec![0.0; PLACES * TILES * self.inputs],
            products: vec![0.0; PLACES * LINE],
            columns: vec![0.0; TILE * SPAN * LINE],
            results: vec![0.0; TILE * LINE],
        };
        out.fill_bands(TILE, space, |space, y, rows| {
            for first in (0..width.div_ceil(TILE)).step_by(TILES) {
                let n = TILES.min(width.div_ceil(TILE) - first);
                self.transform(pictures, y, first, n, space);
                for block in 0..self.bias.len() {
                    self.multiply(block, n, space);
                    self.finish(block, first, n, space, rows, relu);
                }
            }
        });
    }

    /// `Bᵀ d B` of `n` tiles of the rows from `y` on.
    fn transform(&self, pictures: &[Input], y: usize, first: usize, n: usize, space: &mut Space) {
        let mut channel = 0;
        for input in pictures {
            let c = input.picture.channels;
            // the first column that the tiles see, and how many
            let from = input.column(TILE * first);
            let columns = input.column(TILE * (first + n) + 1) + 1 - from;
            let rows: [&[f32]; SPAN] =
                std::array::from_fn(|k| input.bordered(from, y + k, columns));
            let down = space.down.each_mut().map(|row| &mut row[..]);
            input_transform(rows, down);
            let line = TILES * self.inputs;
            for (down, places) in space
                .down
                .iter()
                .zip(space.tiles.chunks_exact_mut(SPAN * line))
            {
                let mut places = split(places, line);
                for tile in 0..n {
                    let to = tile * self.inputs + channel;
                    let x = TILE * (first + tile);
                    let start = |k: usize| (input.column(x + k) - from) * c;
                    input_transform(
                        std::array::from_fn(|k| &down[start(k)..start(k) + c]),
                        places.each_mut().map(|place| &mut place[to..to + c]),
                    );
                }
            }
            channel += c;
        }
    }

    /// The sums over the channels, for LANES outputs at each place of `n` tiles.
    fn multiply(&self, block: usize, n: usize, space: &mut Space) {
        for place in 0..PLACES {
            let taps = &self.weights[block * PLACES + place];
            let line = TILES * self.inputs;
            let tiles = &space.tiles[place * line..(place + 1) * line];
            for first in (0..n).step_by(STEP) {
                let mut sums = [[0.0; LANES]; STEP];
                accumulate(taps, &tiles[first * self.inputs..], self.inputs, &mut sums);
                let to = (place * TILES + first) * LANES;
                space.products[to..to + STEP * LANES].copy_from_slice(sums.as_flattened());
            }
        }
    }

    /// `Aᵀ m A` with bias, into the rows of results.
    fn finish(
        &self,
        block: usize,
        first: usize,
        n: usize,
        space: &mut Space,
        rows: &mut [&mut [f32]],
        relu: bool,
    ) {
        let lanes = LANES.min(self.outputs - block * LANES);
        let bias = &self.bias[block];
        let least = if relu { 0.0 } else { f32::NEG_INFINITY };
        for j in 0..SPAN {
            let products = |i: usize| {
                let at = (SPAN * i + j) * LINE;
                &space.products[at..at + n * LANES]
            };
            let mut columns = space.columns.chunks_exact_mut(LINE).skip(j).step_by(SPAN);
            output_transform(
                std::array::from_fn(products),
                std::array::from_fn(|_| columns.next().unwrap_or_default()),
            );
        }
        let columns = space.columns.chunks_exact(SPAN * LINE);
        for (row, columns) in rows.iter_mut().zip(columns) {
            output_transform(
                std::array::from_fn(|j| &columns[j * LINE..j * LINE + n * LANES]),
                split(&mut space.results, LINE),
            );
            let from = TILE * first * self.outputs;
            let pixels = row.get_mut(from..).unwrap_or_default();
            let pixels = pixels.chunks_exact_mut(self.outputs).take(TILE * n);
            for (x, pixel) in pixels.enumerate() {
                let at = (x % TILE * TILES + x / TILE) * LANES;
                let mut sums = [0f32; LANES];
                for ((s, v), b) in sums
                    .iter_mut()
                    .zip(&space.results[at..at + LANES])
                    .zip(bias)
                {
                    *s = larger(v + b, least);
                }
                let pixel = &mut pixel[block * LANES..];
                // a length that the compiler knows
                if let Some(whole) = pixel.first_chunk_mut() {
                    *whole = sums;
                } else {
                    pixel.copy_from_slice(&sums[..lanes]);
                }
            }
        }
    }
}

/// Parts of a given length, one after another.
fn split<const N: usize>(whole: &mut [f32], length: usize) -> [&mut [f32]; N] {
    let mut parts = whole.chunks_exact_mut(length.max(1));
    std::array::from_fn(|_| parts.next().unwrap_or_default())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shaft::net::tests::noise;

    fn picture(width: usize, height: usize, channels: usize, seed: u32) -> Tensor {
        let mut p = Tensor::zeros(width, height, channels);
        let numbers = noise(width * height * channels, seed);
        p.fill_rows(|y, row| {
            row.copy_from_slice(&numbers[y * width * channels..(y + 1) * width * channels]);
        });
        p
    }

    /// The definition of the convolution, in double precision.
    fn plain(layer: &Layer, pictures: &[&Tensor], x: usize, y: usize, output: usize) -> f64 {
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
            let inputs = [Input::plain(&a), Input::plain(&b)];
            Winograd::new(&layer).unwrap().run(&inputs, false, &mut got);
            for (x, y) in (0..width).flat_map(|x| (0..height).map(move |y| (x, y))) {
                for (output, &g) in got.pixel(x, y).iter().enumerate() {
                    let want = plain(&layer, &[&a, &b], x, y, output);
                    assert!(
                        (f64::from(g) - want).abs() < 1e-5,
                        "{width} × {height}, {x} {y}: {g} {want}"
                    );
                }
            }
        }
    }
}
