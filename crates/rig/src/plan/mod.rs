//! Where tripods should stand, before anyone films: what the 3D points will be worth, and better places.
//!
//! [`Plan::from_toml`] reads a plan; [`forecast`] predicts the covariance of 3D points over the hitting zone to first order
//! and says what will be in view; [`search`] looks for better places; [`advise`] puts the difference in words; [`picture`]
//! draws it.
//!
//! # Conventions
//!
//! - Court frame and metres; phones look with a level horizon.
//! - Every phone is taken as a pinhole: distortion moves the picture's edge, hardly the errors.
//! - The first phone's clock is the session's clock.
//! - Not in the forecast: the player's body in the way, and keypoints that are grossly wrong.

mod advice;
mod calibration;
mod coverage;
mod error;
mod file;
mod forecast;
mod picture;
mod place;
mod search;
#[cfg(test)]
mod tests;

pub use advice::{Advice, advise};
pub use coverage::PhoneView;
pub use error::PlanError;
pub use file::{Accuracy, Area, Box3, Motion, Phone, Plan, SharedBoardPlan};
pub use forecast::{ErrorForecast, Forecast, Kind, PART_NAMES, PointForecast, Summary, forecast};
pub use picture::picture;
pub use place::{Stand, posted};
pub use search::search;
