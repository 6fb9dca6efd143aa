//! Helpers shared by the end-to-end tests.

pub mod academy;
mod dataset;
mod python;

pub use dataset::dataset;
pub use python::python;
