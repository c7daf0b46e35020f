//! Convolutions on pictures with many channels, for the shaft nets: plain loops that the compiler turns into vector code, the
//! same sums in the same order on any number of threads.

use super::tensor::{BufferPool, Input, LANES, STEP, Tensor, accumulate, larger};
use super::weights::{Layer, WeightsError};
use super::winograd::Winograd;

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
    /// if `relu`. Pictures that don't fit the layer give zeros; doubled ones fit layers of 3 × 3 with step 1 alone.
    pub(crate) fn run(
        &self,
        pictures: &[Input],
        step: (usize, usize),
        relu: bool,
        spare: &mut BufferPool,
    ) -> Tensor {
        let size = pictures.first().map_or((0, 0), Input::size);
        let (width, height) = (size.0.div_ceil(step.0), size.1.div_ceil(step.1));
        let quick = self.quick.as_ref().filter(|_| step == (1, 1));
        let fits = pictures.len() == self.inputs.len()
            && pictures.iter().zip(&self.inputs).all(|(p, &c)| {
                p.picture.channels == c && p.size() == size && (quick.is_some() || !p.doubled)
            });
        if !fits {
            return Tensor::zeros(width, height, self.outputs);
        }
        let mut out = spare.picture(width, height, self.outputs);
        if let Some(quick) = quick {
            quick.run(pictures, relu, &mut out);
            return out;
        }
        out.fill_rows(|y, row| {
            let rows: Vec<(&[f32], usize)> = pictures
                .iter()
                .flat_map(|p| {
                    (0..self.kernel).map(move |k| {
                        let y = y * step.1 + k + usize::from(self.kernel == 1);
                        (p.picture.bordered_row(y), p.picture.channels)
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
                *value = if relu { larger(*sum, 0.0) } else { *sum };
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
