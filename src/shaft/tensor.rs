//! Pictures with many channels, as convolutions take and make them.

use rayon::prelude::*;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Results of a tile of the quick convolution, each way.
pub(super) const TILE: usize = 4;

/// A picture of `channels` numbers per pixel, row after row, with zeros all round: a border of one pixel, on the right and below as
/// many more as whole tiles of the quick convolution reach.
#[derive(Clone, Debug)]
pub(crate) struct Tensor {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) channels: usize,
    data: Vec<f32>,
}

/// Numbers of a row, and rows, with everything around them.
fn stored(width: usize, height: usize, channels: usize) -> (usize, usize) {
    (
        (width.next_multiple_of(TILE) + 2) * channels,
        height.next_multiple_of(TILE) + 2,
    )
}

impl Tensor {
    pub(crate) fn zeros(width: usize, height: usize, channels: usize) -> Self {
        let (stride, rows) = stored(width, height, channels);
        Self {
            width,
            height,
            channels,
            data: vec![0.0; stride * rows],
        }
    }

    /// Zeros, with room for more channels: its storage then serves pictures of so many.
    pub(crate) fn zeros_with_room(
        width: usize,
        height: usize,
        channels: usize,
        room: usize,
    ) -> Self {
        let (stride, rows) = stored(width, height, channels);
        let (wider, _) = stored(width, height, room.max(channels));
        let mut data = vec![0.0; wider * rows];
        data.truncate(stride * rows);
        Self {
            width,
            height,
            channels,
            data,
        }
    }

    pub(super) fn stride(&self) -> usize {
        stored(self.width, self.height, self.channels).0
    }

    /// Row `y` of the bordered picture (the first inner row is 1).
    pub(super) fn bordered_row(&self, y: usize) -> &[f32] {
        let start = y * self.stride();
        &self.data[start..start + (self.width + 2) * self.channels]
    }

    /// The channels of an inner pixel.
    pub(crate) fn pixel(&self, x: usize, y: usize) -> &[f32] {
        let start = (y + 1) * self.stride() + (x + 1) * self.channels;
        &self.data[start..start + self.channels]
    }

    /// Calls `f(y, inner row)` for every row, rows in parallel.
    pub(crate) fn fill_rows(&mut self, f: impl Fn(usize, &mut [f32]) + Sync) {
        self.fill_bands(
            1,
            || (),
            |(), y, rows| {
                for row in rows {
                    f(y, row);
                }
            },
        );
    }

    /// Calls `f(space, y, inner rows from y on)` for bands of so many rows, fewer at the bottom; bands in parallel, each thread with
    /// working space of its own.
    pub(super) fn fill_bands<S>(
        &mut self,
        rows: usize,
        space: impl Fn() -> S + Sync,
        f: impl Fn(&mut S, usize, &mut [&mut [f32]]) + Sync,
    ) {
        let (stride, channels, height) = (self.stride(), self.channels, self.height);
        let inner = channels..(self.width + 1) * channels;
        self.data[stride..stride * (height + 1)]
            .par_chunks_mut((rows * stride).max(1))
            .enumerate()
            .for_each_init(&space, |space, (k, band)| {
                let mut band: Vec<&mut [f32]> = band
                    .chunks_exact_mut(stride)
                    .map(|row| &mut row[inner.clone()])
                    .collect();
                f(space, k * rows, &mut band);
            });
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
    pub(crate) fn max_pooled(&self, spare: &mut BufferPool) -> Self {
        let mut out = spare.picture(self.width / 2, self.height / 2, self.channels);
        let c = self.channels;
        out.fill_rows(|y, row| {
            let (upper, lower) = (self.bordered_row(2 * y + 1), self.bordered_row(2 * y + 2));
            for (x, pixel) in row.chunks_exact_mut(c).enumerate() {
                let at = (2 * x + 1) * c;
                let (a, b) = (&upper[at..at + 2 * c], &lower[at..at + 2 * c]);
                for (k, value) in pixel.iter_mut().enumerate() {
                    *value = larger(larger(a[k], a[k + c]), larger(b[k], b[k + c]));
                }
            }
        });
        out
    }
}

/// The larger of two numbers; where one is none, the second.
#[inline]
pub(super) fn larger(a: f32, b: f32) -> f32 {
    // as the processor's own instruction has it: `f32::max` takes three more
    if a > b { a } else { b }
}

/// Storage is used again only if it is at most this many times as large as needed.
const MAX_OVERSIZE_FACTOR: usize = 4;

/// Storage that is done with, to be used again: fresh memory costs as much as what is computed in it.
#[derive(Default)]
pub(crate) struct BufferPool {
    /// Of pictures.
    pictures: Vec<Vec<f32>>,
    /// Working space of quick convolutions, for each thread that asks at the same time.
    workspaces: Mutex<Vec<Workspace>>,
}

impl BufferPool {
    /// Takes a picture's storage back.
    pub(crate) fn keep(&mut self, picture: Tensor) {
        self.pictures.push(picture.data);
    }

    /// Working space, given back when it is dropped.
    pub(super) fn workspace(&self) -> PooledWorkspace<'_> {
        PooledWorkspace {
            space: lock(&self.workspaces).pop().unwrap_or_default(),
            pool: &self.workspaces,
        }
    }

    /// A picture with zeros around; what is inside is left over from others and has to be filled.
    pub(super) fn picture(&mut self, width: usize, height: usize, channels: usize) -> Tensor {
        let (stride, rows) = stored(width, height, channels);
        let need = stride * rows;
        // what is far too large may be wanted for a larger one
        let size = |k: usize| self.pictures[k].capacity();
        let fitting = (0..self.pictures.len())
            .filter(|&k| (need..=MAX_OVERSIZE_FACTOR * need).contains(&size(k)));
        let Some(best) = fitting.min_by_key(|&k| size(k)) else {
            return Tensor::zeros(width, height, channels);
        };
        let mut data = self.pictures.swap_remove(best);
        data.resize(need, 0.0);
        let inner = channels..(width + 1) * channels;
        for (y, row) in data.chunks_exact_mut(stride.max(1)).enumerate() {
            if y == 0 || y > height {
                row.fill(0.0);
            } else {
                row[..inner.start].fill(0.0);
                row[inner.end..].fill(0.0);
            }
        }
        Tensor {
            width,
            height,
            channels,
            data,
        }
    }
}

/// Working space of a quick convolution: buffers for its transforms and products.
#[derive(Default)]
pub(super) struct Workspace {
    /// Input rows combined down: `[row][column][channel]` of one picture.
    pub(super) rows: [Vec<f32>; TILE + 2],
    /// Transformed tiles: `[place][tile][channel]` of all pictures.
    pub(super) tiles: Vec<f32>,
    /// Products: `[place][tile]` of a block's lanes.
    pub(super) products: Vec<f32>,
}

/// Working space that goes back to its pool.
pub(super) struct PooledWorkspace<'a> {
    pub(super) space: Workspace,
    pool: &'a Mutex<Vec<Workspace>>,
}

impl Drop for PooledWorkspace<'_> {
    fn drop(&mut self) {
        lock(self.pool).push(std::mem::take(&mut self.space));
    }
}

fn lock(pool: &Mutex<Vec<Workspace>>) -> MutexGuard<'_, Vec<Workspace>> {
    // buffers can't be left in a bad state
    pool.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A picture as a layer sees it.
#[derive(Clone, Copy)]
pub(crate) struct Input<'a> {
    pub(super) picture: &'a Tensor,
    pub(super) doubled: bool,
}

impl<'a> Input<'a> {
    /// As it is.
    pub(crate) fn same_size(picture: &'a Tensor) -> Self {
        Self {
            picture,
            doubled: false,
        }
    }

    /// Twice the size, every pixel four times.
    pub(crate) fn doubled(picture: &'a Tensor) -> Self {
        Self {
            picture,
            doubled: true,
        }
    }

    pub(super) fn size(&self) -> (usize, usize) {
        let times = 1 + usize::from(self.doubled);
        (times * self.picture.width, times * self.picture.height)
    }

    /// The stored column (or row) of a column (or row) of the bordered picture.
    pub(super) fn column(&self, x: usize) -> usize {
        if self.doubled { x.div_ceil(2) } else { x }
    }

    /// `columns` stored columns from `first` on of row `y` of the bordered picture.
    pub(super) fn bordered(&self, first: usize, y: usize, columns: usize) -> &[f32] {
        let c = self.picture.channels;
        let start = self.column(y) * self.picture.stride() + first * c;
        &self.picture.data[start..start + columns * c]
    }
}
