//! Points, the camera, and homographies between planes.

pub mod camera;
pub mod homography;
mod points;

pub use points::{FacePoint, ImagePoint, MM_PER_INCH};
