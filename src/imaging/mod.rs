//! What every look at a picture needs: colour spaces, reading between pixels, reduced copies.

mod colour_space;
pub(crate) mod pyramid;
mod sampling;

pub use colour_space::{LINEAR_FROM_BYTE, Lab, lab_from_linear, linear_from_srgb, luminance};
pub(crate) use sampling::{Neighbours, linear_light};
