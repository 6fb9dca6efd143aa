//! Footage files: what the container says, decoded pictures, decoded sound.
//!
//! [`inspect`] reads the container of an MP4 or MOV file. [`pictures`] and [`pictures_at`] decode its frames with the
//! `ffmpeg` command, [`brightness`] tells how bright they are, [`sound`] decodes its sound track.
//!
//! # Conventions
//!
//! - Presentation times are seconds on the movie's own time axis: edit lists are applied and a start offset is kept, so
//!   that pictures and sound of one file share one axis. A frame outside the edit list does not exist.
//! - Frames are numbered in display order, from 0, over the frames that are shown.
//! - Pictures are in display orientation (the container's rotation applied), rows from top to bottom.
//! - Sound is mixed to one channel; encoder priming is removed when the container's edit list declares it.

mod boxes;
mod brightness;
mod container;
mod error;
#[cfg(test)]
mod fixtures;
mod footage;
mod fragments;
mod metadata;
mod orientation;
mod pictures;
mod pipe;
mod samples;
mod sound;
mod speed;
mod timeline;

pub use brightness::brightness;
pub use error::MediaError;
pub use footage::{inspect, particulars};
pub use pictures::{Picture, PictureFormat, Pictures, pictures, pictures_at};
pub use sound::sound;
