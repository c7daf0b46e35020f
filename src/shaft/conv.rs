//! Convolutions on pictures with many channels, for the shaft nets: plain loops that the compiler turns into vector code, the
//! same sums in the same order on any number of threads.

use super::weights::{Layer, WeightsError};
use super::winograd::Winograd;
use rayon::prelude::*;

/// Output channels computed together: two vectors of four.
pub(super) const LANES: usize = 8;
/// Neighbouring output pixels computed together, so that a weight is loaded once for all of them.
pub(super) const STEP: usize = 4;

/// A picture of `channels` numbers per pixel, row after row, with a border of one pixel of zeros all round.
#[derive(Clone, Debug)]
pub(crate) struct Picture {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) channels: usize,
    data: Vec<f32>,
}

impl Picture {
    pub(crate) fn zeros(width: usize, height: usize, channels: usize) -> Self {
        Self {
            width,
            height,
            channels,
            data: vec![0.0; (width + 2) * (height + 2) * channels],
        }
    }

    fn stride(&self) -> usize {
        (self.width + 2) * self.channels
    }

    /// Row `y` of the bordered picture (the first inner row is 1).
    fn bordered_row(&self, y: usize) -> &[f32] {
        &self.data[y * self.stride()..(y + 1) * self.stride()]
    }

    /// Up to `length` numbers of a row of the bordered picture from column `x` on; fewer where it ends.
    pub(super) fn bordered_from(&self, x: usize, y: usize, length: usize) -> &[f32] {
        if y >= self.height + 2 || x >= self.width + 2 {
            return &[];
        }
        let row = &self.bordered_row(y)[x * self.channels..];
        &row[..length.min(row.len())]
    }

    /// The channels of an inner pixel.
    pub(crate) fn pixel(&self, x: usize, y: usize) -> &[f32] {
        let start = (y + 1) * self.stride() + (x + 1) * self.channels;
        &self.data[start..start + self.channels]
    }

    /// Calls `f(y, inner row)` for every row, rows in parallel.
    pub(crate) fn fill_rows(&mut self, f: impl Fn(usize, &mut [f32]) + Sync) {
        let (stride, channels, height) = (self.stride(), self.channels, self.height);
        let inner = &mut self.data[stride..stride * (height + 1)];
        inner
            .par_chunks_mut(stride.max(1))
            .enumerate()
            .for_each(|(y, row)| f(y, &mut row[channels..stride - channels]));
    }

    /// Calls `f(k, inner row 2 k, inner row 2 k + 1)`, pairs in parallel; the last pair's second row is empty where the height is odd.
    pub(super) fn fill_row_pairs(&mut self, f: impl Fn(usize, &mut [f32], &mut [f32]) + Sync) {
        let (stride, channels, height) = (self.stride(), self.channels, self.height);
        let inner = &mut self.data[stride..stride * (height + 1)];
        inner
            .par_chunks_mut((2 * stride).max(1))
            .enumerate()
            .for_each(|(k, rows)| {
                let (upper, lower) = rows.split_at_mut(stride);
                let lower = if lower.is_empty() {
                    lower
                } else {
                    &mut lower[channels..stride - channels]
                };
                f(k, &mut upper[channels..stride - channels], lower);
            });
    }

    /// The first `n` channels.
    pub(crate) fn first_planes(&self, n: usize) -> Self {
        if n >= self.channels {
            return self.clone();
        }
        let pixels = self.data.chunks_exact(self.channels.max(1));
        Self {
            channels: n,
            data: pixels.flat_map(|p| &p[..n]).copied().collect(),
            width: self.width,
            height: self.height,
        }
    }

    /// Upside down.
    pub(crate) fn mirrored(&self) -> Self {
        let mut out = Self::zeros(self.width, self.height, self.channels);
        let c = self.channels;
        out.fill_rows(|y, row| {
            let source = self.bordered_row(self.height - y);
            row.copy_from_slice(&source[c..source.len() - c]);
        });
        out
    }

    /// Half the size: the largest of each 2 × 2 pixels.
    pub(crate) fn max_pooled(&self) -> Self {
        let mut out = Self::zeros(self.width / 2, self.height / 2, self.channels);
        let c = self.channels;
        out.fill_rows(|y, row| {
            let (upper, lower) = (self.bordered_row(2 * y + 1), self.bordered_row(2 * y + 2));
            for (x, pixel) in row.chunks_exact_mut(c).enumerate() {
                let at = (2 * x + 1) * c;
                let (a, b) = (&upper[at..at + 2 * c], &lower[at..at + 2 * c]);
                for (k, value) in pixel.iter_mut().enumerate() {
                    *value = a[k].max(a[k + c]).max(b[k].max(b[k + c]));
                }
            }
        });
        out
    }

    /// Twice the size, every pixel four times.
    pub(crate) fn doubled(&self) -> Self {
        let mut out = Self::zeros(self.width * 2, self.height * 2, self.channels);
        let c = self.channels;
        out.fill_rows(|y, row| {
            let source = self.bordered_row(y / 2 + 1);
            for (x, pixel) in row.chunks_exact_mut(c).enumerate() {
                pixel.copy_from_slice(&source[(x / 2 + 1) * c..(x / 2 + 2) * c]);
            }
        });
        out
    }
}

/// A 3 × 3 or 1 × 1 convolution, ready to run.
#[derive(Clone, Debug)]
pub(crate) struct Conv {
    outputs: usize,
    kernel: usize,
    /// Channels of each input picture; the inputs are taken as if joined.
    inputs: Vec<usize>,
    /// `[block of LANES outputs]`
    bias: Vec<[f32; LANES]>,
    /// `[block][input picture][row]` → `[column][channel]` of LANES outputs.
    weights: Vec<Vec<[f32; LANES]>>,
    /// The same layer for steps of one pixel.
    quick: Option<Winograd>,
}

impl Conv {
    /// From a stored layer; `inputs` are the channels of the pictures that it will be given.
    pub(crate) fn new(layer: &Layer, inputs: &[usize]) -> Result<Self, WeightsError> {
        let k = layer.rows;
        let channels: usize = inputs.iter().sum();
        if layer.inputs != channels
            || layer.columns != k
            || (k != 1 && k != 3)
            || layer.outputs == 0
        {
            let text = format!(
                "a {}×{} layer of {} inputs where {channels} belong",
                layer.rows, layer.columns, layer.inputs
            );
            return Err(WeightsError::Shape(text));
        }
        let blocks = layer.outputs.div_ceil(LANES);
        let stored = |o: usize, i: usize, row: usize, column: usize| {
            let at = ((o * channels + i) * k + row) * k + column;
            if o < layer.outputs {
                layer.weights.get(at).copied().unwrap_or(0.0)
            } else {
                0.0
            }
        };
        let mut weights = Vec::new();
        for block in 0..blocks {
            let mut first = 0;
            for &n in inputs {
                for row in 0..k {
                    let taps =
                        (0..k).flat_map(|column| (first..first + n).map(move |i| (column, i)));
                    weights.push(
                        taps.map(|(column, i)| {
                            std::array::from_fn(|l| stored(block * LANES + l, i, row, column))
                        })
                        .collect(),
                    );
                }
                first += n;
            }
        }
        let bias = (0..blocks)
            .map(|b| std::array::from_fn(|l| layer.bias.get(b * LANES + l).copied().unwrap_or(0.0)))
            .collect();
        Ok(Self {
            outputs: layer.outputs,
            kernel: k,
            inputs: inputs.to_vec(),
            bias,
            weights,
            quick: Winograd::new(layer),
        })
    }

    /// Channels of the result.
    pub(crate) fn outputs(&self) -> usize {
        self.outputs
    }

    /// Runs over pictures of one size, with zeros outside; every `step`-th pixel across and down; negative results become zero
    /// if `relu`. Pictures that don't fit the layer give zeros.
    pub(crate) fn run(&self, pictures: &[&Picture], step: (usize, usize), relu: bool) -> Picture {
        let (width, height) = pictures.first().map_or((0, 0), |p| {
            (p.width.div_ceil(step.0), p.height.div_ceil(step.1))
        });
        let mut out = Picture::zeros(width, height, self.outputs);
        let fits = pictures.len() == self.inputs.len()
            && pictures.iter().zip(&self.inputs).all(|(p, &c)| {
                p.channels == c && p.width == pictures[0].width && p.height == pictures[0].height
            });
        if !fits {
            return out;
        }
        if let Some(quick) = self.quick.as_ref().filter(|_| step == (1, 1)) {
            return quick.run(pictures, relu);
        }
        out.fill_rows(|y, row| {
            let rows: Vec<(&[f32], usize)> = pictures
                .iter()
                .flat_map(|p| {
                    (0..self.kernel).map(move |k| {
                        (
                            p.bordered_row(y * step.1 + k + usize::from(self.kernel == 1)),
                            p.channels,
                        )
                    })
                })
                .collect();
            for block in 0..self.bias.len() {
                self.row(block, &rows, step.0, row, relu);
            }
        });
        out
    }

    fn row(
        &self,
        block: usize,
        rows: &[(&[f32], usize)],
        step: usize,
        out: &mut [f32],
        relu: bool,
    ) {
        let weights = &self.weights[block * rows.len()..(block + 1) * rows.len()];
        let first = usize::from(self.kernel == 1);
        let lanes = LANES.min(self.outputs - block * LANES);
        let mut store = |x: usize, sums: &[f32; LANES]| {
            let at = x * self.outputs + block * LANES;
            for (value, sum) in out[at..at + lanes].iter_mut().zip(sums) {
                *value = if relu { sum.max(0.0) } else { *sum };
            }
        };
        let width = out_width(rows, step);
        let whole = width / STEP * STEP;
        for x in (0..whole).step_by(STEP) {
            let mut sums = [self.bias[block]; STEP];
            for (taps, &(row, c)) in weights.iter().zip(rows) {
                accumulate(taps, &row[(x * step + first) * c..], step * c, &mut sums);
            }
            for (k, s) in sums.iter().enumerate() {
                store(x + k, s);
            }
        }
        for x in whole..width {
            let mut sums = self.bias[block];
            for (taps, &(row, c)) in weights.iter().zip(rows) {
                for (w, v) in taps.iter().zip(&row[(x * step + first) * c..]) {
                    for (s, w) in sums.iter_mut().zip(w) {
                        *s += w * v;
                    }
                }
            }
            store(x, &sums);
        }
    }
}

/// How many output pixels a row of inputs gives.
fn out_width(rows: &[(&[f32], usize)], step: usize) -> usize {
    rows.first()
        .map_or(0, |(row, c)| (row.len() / c - 2).div_ceil(step))
}

/// Adds the taps of one kernel row to STEP neighbouring pixels.
#[inline]
pub(super) fn accumulate(
    taps: &[[f32; LANES]],
    row: &[f32],
    stride: usize,
    sums: &mut [[f32; LANES]; STEP],
) {
    let n = taps.len();
    let mut s = *sums;
    let (a, b, c, d) = (
        &row[..n],
        &row[stride..stride + n],
        &row[2 * stride..2 * stride + n],
        &row[3 * stride..3 * stride + n],
    );
    for ((((w, a), b), c), d) in taps.iter().zip(a).zip(b).zip(c).zip(d) {
        for l in 0..LANES {
            s[0][l] += w[l] * a;
            s[1][l] += w[l] * b;
            s[2][l] += w[l] * c;
            s[3][l] += w[l] * d;
        }
    }
    *sums = s;
}
