//! bossmark: bare-shaft tuning from a phone photo of the boss.
//!
//! Data flows one way: photo → camera → shafts → record → reading → advice → report. Every stage takes what
//! the stage before it returns and hands on its result together with its uncertainty; nobody upstream knows what comes
//! downstream. Only the command line and its file store touch files or clocks; everything else is pure.
//!
//! Places measured with a tape, read as the program reads a photo's:
//!
//! ```
//! use bossmark::reading::{HorizontalCall, read};
//! use bossmark::record::{Hand, tape};
//! use bossmark::text::{Locale, plain};
//!
//! let table = "x_mm,y_mm,kind\n\
//!     -12,8,fletched\n  5,-3,fletched\n  20,15,fletched\n  -3,4,fletched\n\
//!     131,2,bare\n  118,-14,bare\n  140,9,bare\n  125,-6,bare\n";
//! let mut ends: Vec<_> = tape::parse(table, 1.0)?.into_iter().map(|(_, end)| end).collect();
//! for end in &mut ends {
//!     end.session.hand = Some(Hand::Right);
//!     end.session.distance_m = Some(30.0);
//! }
//!
//! let reading = read(&ends.iter().collect::<Vec<_>>());
//! // a right-hander's bare shafts land to the right of the fletched ones: they act weak
//! assert_eq!(reading.horizontal.call, HorizontalCall::Weak);
//! println!("{}", plain::reading(&reading, Locale::default()));
//! # Ok::<(), bossmark::record::tape::TapeError>(())
//! ```
//!
//! `examples/measure_a_photo.rs` starts at the photo.

pub mod advice;
#[cfg(not(target_family = "wasm"))]
pub mod cli;
pub mod colours;
pub mod face;
pub mod geometry;
pub mod imaging;
pub mod lens;
pub mod manual_points;
pub mod math;
pub mod measure;
pub mod photo;
pub mod plan;
pub mod reading;
pub mod record;
pub mod rehearse;
pub mod report;
pub mod review;
pub mod server;
pub mod shaft;
pub mod store;
pub mod text;
pub mod timeline;
#[cfg(target_family = "wasm")]
pub mod wasm;
