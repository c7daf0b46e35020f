//! The two shaft nets: `MapNet` scores every place of a face map, `StripNet` looks along one candidate.
//!
//! Both are fitted outside of the program (`calibration/shaft-net/`); here they only run, on plain `f32` numbers, with the same
//! sums in the same order whatever the number of threads.

use super::conv::{Conv, Conv1};
use super::tensor::{BufferPool, Input, Tensor};
use super::weights::{self, Layer, WeightsError};

/// Sides of a face map must be multiples of this: cells of 2 mm, halved four times.
pub(crate) const MAP_MULTIPLE: usize = 32;
/// Numbers per cell that the map net gives.
pub(crate) const MAP_OUTPUTS: usize = 7;

/// Takes layers in order; says which one is missing.
struct Layers(std::vec::IntoIter<Layer>);

impl Layers {
    fn new(bytes: &[u8]) -> Result<Self, WeightsError> {
        Ok(Self(weights::parse(bytes)?.into_iter()))
    }

    fn next(&mut self) -> Result<Layer, WeightsError> {
        self.0
            .next()
            .ok_or_else(|| WeightsError::Shape("too few layers".to_owned()))
    }

    fn conv(&mut self, inputs: &[usize], step: (usize, usize)) -> Result<Conv, WeightsError> {
        Conv::new(&self.next()?, inputs, step)
    }

    fn end(mut self) -> Result<(), WeightsError> {
        if self.0.next().is_none() {
            Ok(())
        } else {
            Err(WeightsError::Shape("too many layers".to_owned()))
        }
    }
}

/// A U-Net (Ronneberger, Fischer, Brox 2015) on face maps: 15 numbers per 2 mm cell in, [`MAP_OUTPUTS`] per cell out.
#[derive(Clone, Debug)]
pub(crate) struct MapNet {
    encoder: Vec<[Conv; 2]>,
    decoder: Vec<[Conv; 2]>,
    head: Conv,
}

impl MapNet {
    /// Planes per cell that the net looks at: 2 × 2 px of three colours, direction away from the foot (2), tangent of the view angle.
    pub(crate) const INPUTS: usize = 15;
    const LEVELS: usize = 5;
    /// Channels of the pictures that follow the cells: storage with room for them serves twice.
    pub(crate) const ROOM: usize = 16;

    /// From the bytes of a file of weights.
    pub(crate) fn from_bytes(bytes: &[u8]) -> Result<Self, WeightsError> {
        let mut layers = Layers::new(bytes)?;
        let mut pair = |inputs: &[usize]| -> Result<[Conv; 2], WeightsError> {
            let first = layers.conv(inputs, (1, 1))?;
            let second = layers.conv(&[first.outputs()], (1, 1))?;
            Ok([first, second])
        };
        let mut encoder: Vec<[Conv; 2]> = Vec::new();
        for _ in 0..Self::LEVELS {
            let inputs = encoder.last().map_or(Self::INPUTS, |e| e[1].outputs());
            encoder.push(pair(&[inputs])?);
        }
        // stored from the finest level to the coarsest: each takes the next coarser level's channels and its own
        let mut decoder = Vec::new();
        for level in 0..Self::LEVELS - 1 {
            decoder.push(pair(&[
                encoder[level + 1][1].outputs(),
                encoder[level][1].outputs(),
            ])?);
        }
        let head = layers.conv(&[encoder[0][1].outputs()], (1, 1))?;
        layers.end()?;
        if head.outputs() != MAP_OUTPUTS {
            return Err(WeightsError::Shape(format!(
                "{} outputs where {MAP_OUTPUTS} belong",
                head.outputs()
            )));
        }
        Ok(Self {
            encoder,
            decoder,
            head,
        })
    }

    /// Runs the net on cells; their width and height must be multiples of 16. Gives [`MAP_OUTPUTS`] numbers per cell.
    pub(crate) fn run(&self, cells: Tensor) -> Tensor {
        let mut spare = BufferPool::default();
        // what goes in is done with after the first of two, so that the second has its storage
        let both =
            |[a, b]: &[Conv; 2], upper: Option<Tensor>, x: Tensor, spare: &mut BufferPool| {
                let doubled = upper.iter().map(Input::doubled);
                let inputs: Vec<Input> = doubled.chain([Input::same_size(&x)]).collect();
                let middle = a.run(&inputs, true, spare);
                upper
                    .into_iter()
                    .chain([x])
                    .for_each(|done| spare.keep(done));
                let x = b.run(&[Input::same_size(&middle)], true, spare);
                spare.keep(middle);
                x
            };
        let mut x = cells;
        let mut skips: Vec<Tensor> = Vec::new();
        for (level, convs) in self.encoder.iter().enumerate() {
            if level > 0 {
                let pooled = x.max_pooled(&mut spare);
                skips.push(std::mem::replace(&mut x, pooled));
            }
            x = both(convs, None, x, &mut spare);
        }
        for convs in self.decoder.iter().rev() {
            let Some(skip) = skips.pop() else { break };
            x = both(convs, Some(x), skip, &mut spare);
        }
        self.head.run(&[Input::same_size(&x)], false, &mut spare)
    }
}

/// The strip net: a strip of the photo along one candidate → numbers per quarter of its length.
#[derive(Clone, Debug)]
pub(crate) struct StripNet {
    convs: Vec<Conv>,
    lines: [Conv1; 3],
}

impl StripNet {
    /// Strip pixels along per result.
    pub(crate) const ALONG: usize = 4;
    const STEPS: [(usize, usize); 7] = [(1, 1), (2, 2), (1, 1), (2, 2), (1, 1), (1, 2), (1, 1)];

    /// From the bytes of a file of weights that takes `inputs` planes and gives `outputs` numbers per place.
    pub(crate) fn from_bytes(
        bytes: &[u8],
        inputs: usize,
        outputs: usize,
    ) -> Result<Self, WeightsError> {
        let mut layers = Layers::new(bytes)?;
        let mut convs = Vec::new();
        let mut channels = inputs;
        for step in Self::STEPS {
            let conv = layers.conv(&[channels], step)?;
            channels = conv.outputs();
            convs.push(conv);
        }
        let first = Conv1::new(&layers.next()?, 2 * channels)?;
        let second = Conv1::new(&layers.next()?, first.outputs())?;
        let last = Conv1::new(&layers.next()?, second.outputs())?;
        layers.end()?;
        if last.outputs() != outputs {
            return Err(WeightsError::Shape(format!(
                "{} outputs where {outputs} belong",
                last.outputs()
            )));
        }
        Ok(Self {
            convs,
            lines: [first, second, last],
        })
    }

    /// Runs the net: `[place along][number]`.
    pub(crate) fn run(&self, strip: &Tensor, spare: &mut BufferPool) -> Vec<f32> {
        let mut last: Option<Tensor> = None;
        for conv in &self.convs {
            let input = Input::same_size(last.as_ref().unwrap_or(strip));
            let next = conv.run(&[input], true, spare);
            if let Some(done) = last.replace(next) {
                spare.keep(done);
            }
        }
        let x = last.as_ref().unwrap_or(strip);
        // what is strongest across the strip, and the mean across it
        let c = x.channels;
        let mut joined = vec![0f32; x.width * 2 * c];
        for (place, both) in joined.chunks_exact_mut(2 * c).enumerate() {
            let (largest, mean) = both.split_at_mut(c);
            for y in 0..x.height {
                for ((l, m), &v) in largest
                    .iter_mut()
                    .zip(mean.iter_mut())
                    .zip(x.pixel(place, y))
                {
                    *l = l.max(v);
                    *m += v;
                }
            }
            let rows = f32::from(u16::try_from(x.height).unwrap_or(u16::MAX)).max(1.0);
            mean.iter_mut().for_each(|m| *m /= rows);
        }
        if let Some(done) = last {
            spare.keep(done);
        }
        let [first, second, last] = &self.lines;
        last.run(&second.run(&first.run(&joined, true), true), false)
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// The pseudo-random inputs of `calibration/training/weights.py`.
    pub(crate) fn noise(n: usize, seed: u32) -> Vec<f32> {
        let mut s = seed;
        let mut next = || {
            s = s.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f32::from(u16::try_from(s >> 16).unwrap()) / 65536.0
                + f32::from(u8::try_from(s >> 8 & 0xff).unwrap()) / 16_777_216.0
                - 0.5
        };
        (0..n).map(|_| next()).collect()
    }

    fn expected(bytes: &[u8]) -> Vec<f32> {
        bytes
            .as_chunks::<4>()
            .0
            .iter()
            .map(|&b| f32::from_le_bytes(b))
            .collect()
    }

    fn compare(got: &[f32], want: &[f32]) {
        assert_eq!(got.len(), want.len());
        let scale = want.iter().fold(0f32, |m, v| m.max(v.abs()));
        for (k, (g, w)) in got.iter().zip(want).enumerate() {
            assert!(
                (g - w).abs() <= 1e-4 * scale,
                "number {k}: {g} where the framework has {w}"
            );
        }
    }

    #[test]
    fn map_net_agrees_with_the_framework() {
        let net = MapNet::from_bytes(super::super::nets::MAP_WEIGHTS).unwrap();
        let (w, h) = (96, 64);
        let planes = noise(6 * w * h, 1);
        let at = |c: usize, x: usize, y: usize| planes[(c * h + y) * w + x];
        let mut cells = Tensor::zeros(w / 2, h / 2, MapNet::INPUTS);
        cells.fill_rows(|y, row| {
            for (x, cell) in row.chunks_exact_mut(MapNet::INPUTS).enumerate() {
                for (k, value) in cell.iter_mut().enumerate() {
                    let four = |c: usize| {
                        [(0, 0), (1, 0), (0, 1), (1, 1)].map(|(i, j)| at(c, 2 * x + i, 2 * y + j))
                    };
                    *value = if k < 12 {
                        four(k / 4)[k % 4]
                    } else {
                        four(k - 9).iter().sum::<f32>() / 4.0
                    };
                }
            }
        });
        let out = net.run(cells);
        let got: Vec<f32> = (0..MAP_OUTPUTS)
            .flat_map(|c| (0..h / 2).flat_map(move |y| (0..w / 2).map(move |x| (c, x, y))))
            .map(|(c, x, y)| out.pixel(x, y)[c])
            .collect();
        compare(
            &got,
            &expected(include_bytes!("../../calibration/shaft-net/map-vector.bin")),
        );
    }

    #[test]
    fn strip_nets_agree_with_the_framework() {
        use super::super::nets::STRIP_WEIGHTS;
        use super::super::strip;
        let vectors = [
            &include_bytes!("../../calibration/shaft-net/strip-1-vector.bin")[..],
            include_bytes!("../../calibration/shaft-net/strip-2-vector.bin"),
        ];
        let inputs = strip::PLANES;
        for (weights, vector) in STRIP_WEIGHTS.into_iter().zip(vectors) {
            let net = StripNet::from_bytes(weights, inputs, strip::OUTPUTS).unwrap();
            let (w, h) = (192, 32);
            let planes = noise(inputs * w * h, 2);
            let mut picture = Tensor::zeros(w, h, inputs);
            picture.fill_rows(|y, row| {
                for (x, pixel) in row.chunks_exact_mut(inputs).enumerate() {
                    for (c, value) in pixel.iter_mut().enumerate() {
                        *value = planes[(c * h + y) * w + x];
                    }
                }
            });
            let out = net.run(&picture, &mut BufferPool::default());
            let n = strip::OUTPUTS;
            let got: Vec<f32> = (0..n)
                .flat_map(|c| out.iter().skip(c).step_by(n).copied())
                .collect();
            compare(&got, &expected(vector));
        }
    }

    #[test]
    fn another_net_is_refused() {
        assert!(matches!(
            MapNet::from_bytes(super::super::nets::STRIP_WEIGHTS[0]),
            Err(WeightsError::Shape(_))
        ));
        assert!(matches!(
            StripNet::from_bytes(super::super::nets::MAP_WEIGHTS, 4, 3),
            Err(WeightsError::Shape(_))
        ));
        assert_eq!(
            MapNet::from_bytes(b"").unwrap_err(),
            WeightsError::Malformed
        );
    }
}
