//! Statistics for strokes within sessions within players.
//!
//! The player is the sampling unit. [`mixed`] and [`bootstrap`] take all strokes and know where they belong; everything on curves takes one
//! mean curve per player. Treating strokes as independent would find differences that are not there: see the test
//! `ignoring_the_nesting_finds_what_is_not_there`.

pub mod bootstrap;
pub mod curve_test;
pub mod effect_size;
#[cfg(test)]
mod false_positives;
pub mod mixed;
pub mod multiple;
pub mod principal;
pub mod styles;
