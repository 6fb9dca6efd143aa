//! Helpers shared by the end-to-end tests.

pub mod academy;
pub mod browser;
mod dataset;
mod validator;

pub use dataset::dataset;
pub use validator::html_faults;
