//! Numerical tools that know nothing of archery: rounding, robust statistics, least squares, the normal distribution, random
//! numbers.

mod least_squares;
mod normal;
mod random;
mod robust;
mod rounding;

pub use least_squares::{Problem, Solution, covariance, difference_columns, least_squares};
pub use normal::{Normal, normal_cdf};
pub use random::SplitMix;
pub use robust::{
    SD_FROM_MAD, TUKEY_95, median, quantile, robust_sd_about_zero, tukey_loss, tukey_weight,
};
pub use rounding::{byte, count, floor_i32, floor_index, round_i64, rounded, single};
