//! Helpers shared by the end-to-end tests.

pub mod academy;
