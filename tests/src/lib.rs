//! Helpers shared by the end-to-end tests.

pub mod academy;
mod dataset;

pub use dataset::dataset;
