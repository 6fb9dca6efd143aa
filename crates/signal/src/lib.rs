//! Filters, differentiation, smoothness and correlation of sampled signals
//!
//! # Conventions
//!
//! - Times in seconds, rates in hertz; samples may be unevenly spaced wherever times are asked for instead of a rate.
//! - Values stay in the caller's unit; variances in its square.
//! - What cannot be computed (too few samples, numbers that are not finite) is `None`, never NaN.
//! - A window that must not cross an instant is kept on its side by ending the span of samples there ([`window_within`]).

mod butterworth;
pub mod correlation;
mod distributions;
mod local_polynomial;
mod smooth_prior;
mod smoothness;
mod straight;
mod varying_spline;

pub use butterworth::Butterworth;
pub use distributions::{chi_squared_quantile, fisher_quantile, normal_probability, normal_quantile, student_factor};
pub use local_polynomial::{Stencil, stencil, window_within};
pub use smooth_prior::{SmoothEstimate, SmoothFit, SmoothPrior};
pub use smoothness::{ARC_LENGTH_LIMIT_HZ, log_dimensionless_jerk, spectral_arc_length, spectral_arc_length_below};
pub use straight::StraightCourse;
pub use varying_spline::{ValueAndSlope, VaryingSpline};
