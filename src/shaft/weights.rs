//! The file of net weights: how it is laid out, checked and unpacked.
//!
//! Little endian: the 8 bytes `shaftnet`, u32 number of layers, u32 bytes per weight, per layer u32 outputs, inputs, kernel height,
//! kernel width, f32 biases, then weights `[output][input][row][column]`: of 2 bytes 16-bit floats (IEEE 754 binary16), of 1 byte
//! whole numbers of a step that each output has, with the f32 steps before them; last the SHA-256 of everything before.

use sha2::{Digest, Sha256};

/// Why a file of weights can't be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WeightsError {
    /// Not a file of weights, or cut short.
    #[error(
        "this is no complete file of net weights; take calibration/shaft-net as it was released"
    )]
    Malformed,
    /// The content does not fit its own hash.
    #[error(
        "the file of net weights is damaged: its SHA-256 does not fit; take calibration/shaft-net as it was released"
    )]
    Hash,
    /// The layers aren't those of the net that the program knows.
    #[error("the file of net weights holds another net: {0}")]
    Shape(String),
}

/// One convolution as stored: weights `[output][input][row][column]`.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Layer {
    pub(crate) outputs: usize,
    pub(crate) inputs: usize,
    pub(crate) rows: usize,
    pub(crate) columns: usize,
    pub(crate) bias: Vec<f32>,
    pub(crate) weights: Vec<f32>,
}

/// Reads the bytes in order; every read says whether there were enough.
struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    fn take(&mut self, n: usize) -> Result<&'a [u8], WeightsError> {
        let (head, tail) = self.0.split_at_checked(n).ok_or(WeightsError::Malformed)?;
        self.0 = tail;
        Ok(head)
    }

    fn u32(&mut self) -> Result<usize, WeightsError> {
        let bytes = self
            .take(4)?
            .try_into()
            .map_err(|_| WeightsError::Malformed)?;
        usize::try_from(u32::from_le_bytes(bytes)).map_err(|_| WeightsError::Malformed)
    }

    fn floats(&mut self, n: usize) -> Result<Vec<f32>, WeightsError> {
        let bytes = self.take(n.checked_mul(4).ok_or(WeightsError::Malformed)?)?;
        let floats = bytes.as_chunks::<4>().0.iter();
        Ok(floats.map(|&b| f32::from_le_bytes(b)).collect())
    }
}

/// The layers of a file of weights.
pub(crate) fn parse(bytes: &[u8]) -> Result<Vec<Layer>, WeightsError> {
    const HASH_BYTES: usize = 32;
    let body = bytes
        .len()
        .checked_sub(HASH_BYTES)
        .ok_or(WeightsError::Malformed)?;
    let (body, hash) = bytes.split_at(body);
    let mut reader = Reader(body);
    if reader.take(8)? != b"shaftnet" {
        return Err(WeightsError::Malformed);
    }
    if Sha256::digest(body).as_slice() != hash {
        return Err(WeightsError::Hash);
    }
    let mut layers = Vec::new();
    let count_of_layers = reader.u32()?;
    let width = reader.u32()?;
    for _ in 0..count_of_layers {
        let shape = [reader.u32()?, reader.u32()?, reader.u32()?, reader.u32()?];
        let [outputs, inputs, rows, columns] = shape;
        let count = shape
            .iter()
            .try_fold(1usize, |n, &k| n.checked_mul(k))
            .ok_or(WeightsError::Malformed)?;
        let bias = reader.floats(outputs)?;
        let weights = match width {
            1 => {
                let steps = reader.floats(outputs)?;
                let weights = reader.take(count)?;
                let of_one = count.checked_div(outputs).unwrap_or(0).max(1);
                weights
                    .chunks_exact(of_one)
                    .zip(steps)
                    .flat_map(|(of_output, step)| {
                        of_output
                            .iter()
                            .map(move |w| f32::from(w.cast_signed()) * step)
                    })
                    .collect()
            }
            2 => {
                let weights = reader.take(count.checked_mul(2).ok_or(WeightsError::Malformed)?)?;
                weights
                    .as_chunks::<2>()
                    .0
                    .iter()
                    .map(|&b| f32_from_f16(u16::from_le_bytes(b)))
                    .collect()
            }
            _ => return Err(WeightsError::Malformed),
        };
        layers.push(Layer {
            outputs,
            inputs,
            rows,
            columns,
            bias,
            weights,
        });
    }
    if reader.0.is_empty() {
        Ok(layers)
    } else {
        Err(WeightsError::Malformed)
    }
}

/// IEEE 754 binary16 → binary32, exactly.
fn f32_from_f16(h: u16) -> f32 {
    let sign = if h & 0x8000 == 0 { 1.0 } else { -1.0 };
    let (exponent, mantissa) = ((h >> 10) & 0x1f, f32::from(h & 0x3ff));
    sign * match exponent {
        0 => mantissa * (1.0 / 16_777_216.0),
        31 => f32::NAN,
        e => (1.0 + mantissa / 1024.0) * f32::from_bits((u32::from(e) + 112) << 23),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(outputs: u32, inputs: u32, width: u32) -> Vec<u8> {
        let mut bytes = b"shaftnet".to_vec();
        for n in [1, width, outputs, inputs, 1, 1] {
            bytes.extend(n.to_le_bytes());
        }
        bytes.extend(0.5f32.to_le_bytes());
        if width == 1 {
            bytes.extend(0.25f32.to_le_bytes());
            bytes.extend((-4i8).to_le_bytes());
        } else {
            bytes.extend(0x3c00u16.to_le_bytes());
        }
        let hash = Sha256::digest(&bytes);
        bytes.extend_from_slice(&hash);
        bytes
    }

    #[test]
    fn half_floats() {
        // IEEE 754-2019 binary16: 1, −2, largest, smallest normal, smallest subnormal
        for (bits, value) in [
            (0x3c00, 1.0),
            (0xc000, -2.0),
            (0x7bff, 65504.0),
            (0x0400, 2f32.powi(-14)),
            (0x0001, 2f32.powi(-24)),
        ] {
            assert_eq!(
                f32_from_f16(bits).to_bits(),
                f32::to_bits(value),
                "{bits:#x}"
            );
        }
    }

    #[test]
    fn reads_what_was_written_and_refuses_the_rest() {
        for (width, weight) in [(1, -1f32), (2, 1f32)] {
            let good = file(1, 1, width);
            let layers = parse(&good).unwrap();
            assert_eq!(
                (
                    layers[0].outputs,
                    layers[0].bias[0].to_bits(),
                    layers[0].weights[0].to_bits()
                ),
                (1, 0.5f32.to_bits(), weight.to_bits())
            );
            let mut flipped = good.clone();
            flipped[30] ^= 1;
            assert_eq!(parse(&flipped), Err(WeightsError::Hash));
            for n in 0..good.len() {
                assert!(parse(&good[..n]).is_err());
            }
        }
        for odd in [file(u32::MAX, u32::MAX, 2), file(0, 1, 1), file(1, 1, 3)] {
            assert_eq!(parse(&odd), Err(WeightsError::Malformed));
        }
    }
}
