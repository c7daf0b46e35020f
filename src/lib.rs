//! bossmark: bare-shaft tuning from a phone photo of the boss.
//!
//! Data flows one way, like a road: photo → camera → shafts → record → reading → advice → report. Every stage takes what
//! the stage before it returns and hands on its result together with its uncertainty; nobody upstream knows what comes
//! downstream. Nothing here but [`store`] and [`cli`] opens a file or looks at a clock.

pub mod camera;
pub mod units;
