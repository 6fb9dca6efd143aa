//! Keypoints from pictures, with a network that the user brings.
//!
//! A network is two files side by side: `model.onnx`, and `model.toml` ([`Manifest`]) that says how pictures go in and how
//! points come out. [`Model::open`] reads both and holds them against each other; [`infer`] takes a clip through one or more
//! models. No weights come with the program and none are downloaded.
//!
//! # Conventions
//!
//! - The network sees a region of the shown picture, stretched alike in both directions: the edges of the region lie on the
//!   edges of the input, pixel areas on pixel areas. Where a step is larger than a pixel the picture is averaged over it.
//! - Cells of a heat map or of an axis become input pixels as the manifest's [`Alignment`] says, then pixels of the picture,
//!   whose centres are at integers.
//! - The result depends on pictures and models alone: not on the number of threads, nor on where an interrupted run took up
//!   again.

mod boxes;
mod error;
mod heads;
mod manifest;
mod model;
mod network;
mod part_file;
mod player_box;
mod region;
mod run;
#[cfg(feature = "tract")]
mod tract_network;

pub use error::InferenceError;
pub use manifest::{Activation, Alignment, Anchor, Colours, Crop, Head, Input, Layout, Manifest, Refinement, Unit};
pub use model::Model;
pub use network::{Network, Tensor};
pub use run::{Clip, infer};
