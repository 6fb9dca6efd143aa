//! Filters, differentiation, smoothness and correlation of sampled signals

pub mod correlation;
mod distributions;
mod local_polynomial;
mod smoothness;

pub use distributions::{normal_probability, student_factor};
pub use local_polynomial::{Stencil, stencil, window_within};
pub use smoothness::{ARC_LENGTH_LIMIT_HZ, log_dimensionless_jerk, spectral_arc_length};
