//! Helpers shared by the end-to-end tests.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

pub mod academy;
pub mod browser;
mod dataset;
mod python;
mod validator;

pub use dataset::dataset;
pub use python::python;
pub use validator::html_faults;
