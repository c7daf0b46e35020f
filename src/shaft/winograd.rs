//! 3 × 3 convolutions with fewer multiplications: F(2 × 2, 3 × 3) of Lavin and Gray, "Fast algorithms for convolutional neural
//! networks" (CVPR 2016). Four results come from sixteen products per pair of channels instead of thirty-six; the sums differ from the
//! plain ones in the last bits only, and are the same on any number of threads.

use super::conv::{LANES, Picture, STEP, accumulate};
use super::weights::Layer;

/// Numbers of a transformed tile: 4 × 4.
const PLACES: usize = 16;
/// Tiles of 2 × 2 results that are worked on together, so that their transforms stay in the cache.
const TILES: usize = 16;

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
    let line = |a: f64, b: f64, c: f64| [a, (a + b + c) / 2.0, (a - b + c) / 2.0, c];
    let columns: [[f64; 4]; 3] =
        std::array::from_fn(|j| line(kernel[j], kernel[3 + j], kernel[6 + j]));
    let rows: [[f64; 4]; 4] =
        std::array::from_fn(|i| line(columns[0][i], columns[1][i], columns[2][i]));
    std::array::from_fn(|k| rows[k / 4][k % 4])
}

/// Working space for one stretch of tiles.
struct Space {
    /// Input rows combined down: `[4][column][channel]` of one picture.
    down: [Vec<f32>; 4],
    /// Transformed tiles: `[place][tile][channel]` of all pictures.
    tiles: Vec<f32>,
    /// Products: `[place][tile]`.
    products: Vec<[f32; LANES]>,
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
                    crate::units::single(w);
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

    /// Runs over pictures of one size whose channels together are the layer's inputs; negative results become zero if `relu`.
    pub(crate) fn run(&self, pictures: &[&Picture], relu: bool) -> Picture {
        let (width, height) = pictures.first().map_or((0, 0), |p| (p.width, p.height));
        let mut out = Picture::zeros(width, height, self.outputs);
        let most = pictures.iter().map(|p| p.channels).max().unwrap_or(0);
        out.fill_row_pairs(|pair, upper, lower| {
            let mut space = Space {
                down: std::array::from_fn(|_| vec![0.0; (2 * TILES + 2) * most]),
                tiles: vec![0.0; PLACES * TILES * self.inputs],
                products: vec![[0.0; LANES]; PLACES * TILES],
            };
            let mut rows = [upper, lower];
            for first in (0..width.div_ceil(2)).step_by(TILES) {
                let n = TILES.min(width.div_ceil(2) - first);
                self.transform(pictures, 2 * pair, first, n, &mut space);
                for block in 0..self.bias.len() {
                    self.multiply(block, n, &mut space);
                    self.finish(block, first..first + n, &space.products, &mut rows, relu);
                }
            }
        });
        out
    }

    /// `Bᵀ d B` of `n` tiles of the rows from `y` on.
    fn transform(
        &self,
        pictures: &[&Picture],
        y: usize,
        first: usize,
        n: usize,
        space: &mut Space,
    ) {
        let mut channel = 0;
        for picture in pictures {
            let c = picture.channels;
            let length = (2 * n + 2) * c;
            let row = |k: usize| picture.bordered_from(2 * first, y + k, length);
            let [a, b, d, e] = [row(0), row(1), row(2), row(3)];
            combine(&mut space.down[0][..length], a, d, |a, d| a - d);
            combine(&mut space.down[1][..length], b, d, |b, d| b + d);
            combine(&mut space.down[2][..length], b, d, |b, d| d - b);
            combine(&mut space.down[3][..length], b, e, |b, e| b - e);
            for (i, down) in space.down.iter().enumerate() {
                let line = TILES * self.inputs;
                let (zero, rest) = space.tiles[4 * i * line..4 * (i + 1) * line].split_at_mut(line);
                let (one, rest) = rest.split_at_mut(line);
                let (two, three) = rest.split_at_mut(line);
                for tile in 0..n {
                    let to = tile * self.inputs + channel;
                    let from = |column: usize| {
                        let start = (2 * tile + column) * c;
                        &down[start..start + c]
                    };
                    let (a, b, d, e) = (from(0), from(1), from(2), from(3));
                    let inputs = a.iter().zip(b).zip(d).zip(e);
                    let outputs = zero[to..to + c]
                        .iter_mut()
                        .zip(&mut one[to..to + c])
                        .zip(&mut two[to..to + c])
                        .zip(&mut three[to..to + c]);
                    for ((((a, b), d), e), (((v0, v1), v2), v3)) in inputs.zip(outputs) {
                        *v0 = a - d;
                        *v1 = b + d;
                        *v2 = d - b;
                        *v3 = b - e;
                    }
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
                let to = place * TILES + first;
                space.products[to..to + STEP].copy_from_slice(&sums);
            }
        }
    }

    /// `Aᵀ m A` with bias, into the two rows of results.
    fn finish(
        &self,
        block: usize,
        tiles: std::ops::Range<usize>,
        products: &[[f32; LANES]],
        rows: &mut [&mut [f32]; 2],
        relu: bool,
    ) {
        let lanes = LANES.min(self.outputs - block * LANES);
        let bias = &self.bias[block];
        for (k, tile) in tiles.enumerate() {
            let m = |place: usize| &products[place * TILES + k];
            let columns: [[&[f32; LANES]; 4]; 4] =
                std::array::from_fn(|j| std::array::from_fn(|i| m(4 * i + j)));
            let sums: [[[f32; LANES]; 4]; 2] = [
                columns.map(|[a, b, c, _]| std::array::from_fn(|l| a[l] + b[l] + c[l])),
                columns.map(|[_, b, c, d]| std::array::from_fn(|l| b[l] - c[l] - d[l])),
            ];
            for (row, s) in rows.iter_mut().zip(&sums) {
                let mut results = [[0f32; LANES]; 2];
                for l in 0..LANES {
                    results[0][l] = s[0][l] + s[1][l] + s[2][l] + bias[l];
                    results[1][l] = s[1][l] - s[2][l] - s[3][l] + bias[l];
                }
                for (q, result) in results.iter().enumerate() {
                    let to = (2 * tile + q) * self.outputs + block * LANES;
                    let Some(pixel) = row.get_mut(to..to + lanes) else {
                        continue;
                    };
                    for (value, &sum) in pixel.iter_mut().zip(result) {
                        *value = if relu { sum.max(0.0) } else { sum };
                    }
                }
            }
        }
    }
}

/// `f` of two rows, which count as zero beyond their ends.
#[inline]
fn combine(out: &mut [f32], a: &[f32], b: &[f32], f: impl Fn(f32, f32) -> f32) {
    let both = a.len().min(b.len()).min(out.len());
    let (near, far) = out.split_at_mut(both);
    for ((v, a), b) in near.iter_mut().zip(a).zip(b) {
        *v = f(*a, *b);
    }
    let at = |row: &[f32], k: usize| row.get(both + k).copied().unwrap_or(0.0);
    for (k, v) in far.iter_mut().enumerate() {
        *v = f(at(a, k), at(b, k));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shaft::net::tests::noise;

    fn picture(width: usize, height: usize, channels: usize, seed: u32) -> Picture {
        let mut p = Picture::zeros(width, height, channels);
        let numbers = noise(width * height * channels, seed);
        p.fill_rows(|y, row| {
            row.copy_from_slice(&numbers[y * width * channels..(y + 1) * width * channels]);
        });
        p
    }

    /// The definition of the convolution, in double precision.
    fn plain(layer: &Layer, pictures: &[&Picture], x: usize, y: usize, output: usize) -> f64 {
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
            let got = Winograd::new(&layer).unwrap().run(&[&a, &b], false);
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
