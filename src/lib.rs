//! bossmark: bare-shaft tuning from a phone photo of the boss.
//!
//! Data flows one way: photo → camera → shafts → record → reading → advice → report. Every stage takes what
//! the stage before it returns and hands on its result together with its uncertainty; nobody upstream knows what comes
//! downstream. Only the command line and its file store touch files or clocks; everything else is pure.

pub mod advice;
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
