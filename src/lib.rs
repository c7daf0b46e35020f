//! bossmark: bare-shaft tuning from a phone photo of the boss.
//!
//! Data flows one way, like a road: photo → camera → shafts → record → reading → advice → report. Every stage takes what
//! the stage before it returns and hands on its result together with its uncertainty; nobody upstream knows what comes
//! downstream. Only the command line and its file store touch files or clocks; everything else is pure.

pub mod advice;
pub mod cli;
pub mod colours;
pub mod evening;
pub mod face;
pub mod geometry;
pub mod hand;
pub mod imaging;
pub mod lens;
pub mod math;
pub mod photo;
pub mod plan;
pub mod reading;
pub mod record;
pub mod rehearse;
pub mod report;
pub mod review;
pub mod road;
pub mod server;
pub mod shaft;
pub mod store;
