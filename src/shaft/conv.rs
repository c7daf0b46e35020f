//! Convolutions on pictures with many channels, for the shaft nets: the same sums in the same order on any number of threads and any
//! processor.

use super::lanes::{self, Block, Outputs, SumSink, TapRun, larger};
use super::tensor::{BufferPool, Input, Tensor};
use super::weights::{Layer, WeightsError};
use super::winograd::Winograd;
use fearless_simd::{Simd, dispatch};

/// A 3 × 3 or 1 × 1 convolution, ready to run, with zeros outside of its pictures.
#[derive(Clone, Debug)]
pub(crate) struct Conv {
    outputs: usize,
    /// Channels of each input picture; the inputs are taken as if joined.
    inputs: Vec<usize>,
    method: Method,
}

#[derive(Clone, Debug)]
enum Method {
    /// For every pixel.
    Quick(Winograd),
    /// For every so many-th pixel across and down.
    Direct(Direct, (usize, usize)),
}

impl Conv {
    /// From a stored layer; `inputs` are the channels of the pictures that it will be given, of which every `step`-th pixel across and
    /// down is worked out.
    pub(crate) fn new(
        layer: &Layer,
        inputs: &[usize],
        step: (usize, usize),
    ) -> Result<Self, WeightsError> {
        let k = layer.rows;
        let channels: usize = inputs.iter().sum();
        if layer.inputs != channels
            || layer.columns != k
            || (k != 1 && k != 3)
            || layer.outputs == 0
            || layer.weights.len() != layer.outputs * channels * k * k
        {
            let text = format!(
                "a {}×{} layer of {} inputs where {channels} belong",
                layer.rows, layer.columns, layer.inputs
            );
            return Err(WeightsError::Shape(text));
        }
        let quick = Winograd::new(layer).filter(|_| step == (1, 1));
        Ok(Self {
            outputs: layer.outputs,
            inputs: inputs.to_vec(),
            method: quick.map_or_else(
                || Method::Direct(Direct::new(layer, inputs), step),
                Method::Quick,
            ),
        })
    }

    /// Channels of the result.
    pub(crate) fn outputs(&self) -> usize {
        self.outputs
    }

    /// Runs over pictures of one size; negative results become zero if `relu`. Pictures that don't fit the layer give zeros; doubled
    /// ones fit layers of 3 × 3 with step 1 alone.
    pub(crate) fn run(&self, pictures: &[Input], relu: bool, spare: &mut BufferPool) -> Tensor {
        let size = pictures.first().map_or((0, 0), Input::size);
        let (step, may_double) = match &self.method {
            Method::Quick(_) => ((1, 1), true),
            Method::Direct(_, step) => (*step, false),
        };
        let (width, height) = (size.0.div_ceil(step.0), size.1.div_ceil(step.1));
        let fits = pictures.len() == self.inputs.len()
            && pictures.iter().zip(&self.inputs).all(|(p, &c)| {
                p.picture.channels == c && p.size() == size && (may_double || !p.doubled)
            });
        if !fits {
            return Tensor::zeros(width, height, self.outputs);
        }
        let mut out = spare.picture(width, height, self.outputs);
        match &self.method {
            Method::Quick(quick) => quick.run(pictures, relu, &mut out, spare),
            Method::Direct(direct, step) => direct.run(pictures, *step, relu, &mut out),
        }
        out
    }
}

/// A convolution as it is defined.
#[derive(Clone, Debug)]
struct Direct {
    kernel: usize,
    /// Their taps are `[input picture][row][column][channel]`.
    blocks: Vec<Block>,
}

/// Puts sums into a row of results.
struct Row<'a> {
    results: &'a mut [f32],
    outputs: usize,
    block: &'a Block,
    relu: bool,
}

impl<S: Simd> SumSink<S> for Row<'_> {
    #[inline(always)]
    fn take<V: Outputs<S>>(&mut self, pixel: usize, sums: V) {
        let least = if self.relu { 0.0 } else { f32::NEG_INFINITY };
        let sums = larger(sums, V::splat(sums.token(), least));
        let at = pixel * self.outputs + self.block.first;
        let to = &mut self.results[at..at + self.block.outputs];
        if to.len() == V::LEN {
            sums.store_slice(to);
        } else {
            to.copy_from_slice(&sums.as_slice()[..to.len()]);
        }
    }
}

impl Direct {
    fn new(layer: &Layer, inputs: &[usize]) -> Self {
        let (k, n) = (layer.rows, layer.inputs);
        // where each tap is stored, among those of an output
        let mut stored = Vec::new();
        let mut first = 0;
        for &channels in inputs {
            for (row, column) in (0..k).flat_map(|row| (0..k).map(move |column| (row, column))) {
                stored.extend((first..first + channels).map(|i| (i * k + row) * k + column));
            }
            first += channels;
        }
        let taps = stored.len();
        let weights = |output: usize| {
            let of_output = &layer.weights[output * n * k * k..(output + 1) * n * k * k];
            let taps = stored.iter().enumerate();
            taps.map(|(tap, &at)| (tap, of_output[at]))
        };
        Self {
            kernel: k,
            blocks: Block::cover(layer.outputs, &layer.bias, taps, weights),
        }
    }

    fn run(&self, pictures: &[Input], step: (usize, usize), relu: bool, out: &mut Tensor) {
        let (width, outputs) = (out.width, out.channels);
        // the border is passed over by a kernel that doesn't reach there
        let first = usize::from(self.kernel == 1);
        let level = lanes::level();
        out.fill_rows(|y, results| {
            let mut runs = Vec::with_capacity(pictures.len() * self.kernel);
            let mut from = 0;
            for p in pictures {
                let c = p.picture.channels;
                for k in 0..self.kernel {
                    let to = from + self.kernel * c;
                    runs.push(TapRun {
                        taps: (from, to),
                        inputs: &p.picture.bordered_row(y * step.1 + k + first)[first * c..],
                        stride: step.0 * c,
                    });
                    from = to;
                }
            }
            dispatch!(level, simd => {
                for block in &self.blocks {
                    let mut row = Row { results, outputs, block, relu };
                    lanes::sums(simd, block, true, &runs, (width, width), &mut row);
                }
            });
        });
    }
}

/// Convolution along one line, odd kernel, zeros outside.
#[derive(Clone, Debug)]
pub(crate) struct Conv1 {
    inputs: usize,
    outputs: usize,
    kernel: usize,
    /// Their taps are `[tap][input]`.
    blocks: Vec<Block>,
}

/// Most places that are computed at once.
const PLACES_AT_ONCE: usize = 8;

impl Conv1 {
    pub(crate) fn new(layer: &Layer, inputs: usize) -> Result<Self, WeightsError> {
        let (n, k, o) = (layer.inputs, layer.columns, layer.outputs);
        if n != inputs
            || layer.rows != 1
            || k.is_multiple_of(2)
            || o == 0
            || layer.weights.len() != o * n * k
        {
            return Err(WeightsError::Shape(format!(
                "a line layer of {n} inputs where {inputs} belong"
            )));
        }
        let weights = |output: usize| {
            let of_output = &layer.weights[output * n * k..(output + 1) * n * k];
            let numbers = of_output.iter().enumerate();
            numbers.map(move |(at, &w)| (at % k * n + at / k, w))
        };
        Ok(Self {
            inputs,
            outputs: o,
            kernel: k,
            blocks: Block::cover(o, &layer.bias, k * n, weights),
        })
    }

    /// Numbers of the result per place.
    pub(crate) fn outputs(&self) -> usize {
        self.outputs
    }

    /// `x`: `[place][input]` → `[place][output]`.
    pub(crate) fn run(&self, x: &[f32], relu: bool) -> Vec<f32> {
        let length = x.len() / self.inputs;
        // zeros before and behind, and behind for as many places as are worked on together
        let before = self.kernel / 2 * self.inputs;
        let room = length.next_multiple_of(PLACES_AT_ONCE);
        let mut padded = vec![0.0; (room + self.kernel - 1) * self.inputs];
        padded[before..before + x.len()].copy_from_slice(x);
        let mut results = vec![0.0; length * self.outputs];
        let run = TapRun {
            taps: (0, self.kernel * self.inputs),
            inputs: &padded,
            stride: self.inputs,
        };
        dispatch!(lanes::level(), simd => {
            for block in &self.blocks {
                let mut row = Row {
                    results: &mut results,
                    outputs: self.outputs,
                    block,
                    relu,
                };
                lanes::sums(simd, block, true, &[run], (length, room), &mut row);
            }
        });
        results
    }
}
