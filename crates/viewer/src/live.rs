//! A recording that is shown while the stages still work.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use tempfile::NamedTempFile;

use crate::recording::Recording;
use crate::server::moments;
use crate::{ViewError, ViewInput, cameras, curves, layout, notes, overlay, planes, player, world};

/// What can be added once the stages have made it, in this order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// Cameras at their places, their footage and 2D points: when rig and clock are known.
    Cameras,
    /// Player, racket and ball: when the tracks are there.
    Movement,
    /// Planes, curves, events and the overlay: when the strokes are found.
    Strokes,
}

/// A recording in the making; [`crate::Server::follow`] shows it.
#[derive(Debug)]
pub struct Live {
    recording: Recording,
    growing: Arc<Growing>,
    remarks: Vec<String>,
}

/// The file that grows.
#[derive(Debug)]
pub(crate) struct Growing {
    path: PathBuf,
    finished: AtomicBool,
    /// See [`moments`]; an empty list until the strokes are found.
    moments: Mutex<String>,
    /// Kept for pages that are opened later; the system removes it with the last owner.
    kept: Mutex<Option<NamedTempFile>>,
}

impl Growing {
    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    pub(crate) fn is_finished(&self) -> bool {
        self.finished.load(Ordering::Acquire)
    }

    pub(crate) fn moments(&self) -> String {
        self.moments.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

impl Live {
    /// Starts with what stands still: the court. The file is temporary, in `folder`.
    ///
    /// # Errors
    /// When the system or the recording library refuses.
    pub fn start(folder: &Path, input: &ViewInput<'_>) -> Result<Self, ViewError> {
        let recording = Recording::start(&folder.join("live.rrd"), input)?;
        let path = recording.temporary_path().to_owned();
        let moments = Mutex::new("[]".to_owned());
        let growing = Arc::new(Growing { path, finished: AtomicBool::new(false), moments, kept: Mutex::new(None) });
        world::record(&recording, input)?;
        layout::send(&recording, input)?;
        recording.flush()?;
        Ok(Self { recording, growing, remarks: Vec::new() })
    }

    /// Adds a part; pages that are open get it at once.
    ///
    /// # Errors
    /// When the recording library refuses.
    pub fn add(&mut self, part: Part, input: &ViewInput<'_>) -> Result<(), ViewError> {
        let recording = &self.recording;
        match part {
            Part::Cameras => cameras::record(recording, input, &mut self.remarks)?,
            Part::Movement => {
                player::record(recording, input)?;
                cameras::record_reprojected(recording, input)?;
            }
            Part::Strokes => {
                planes::record(recording, input)?;
                overlay::record(recording, input)?;
                curves::record(recording, input)?;
                notes::record(recording, input, &self.remarks)?;
                *self.growing.moments.lock().unwrap_or_else(PoisonError::into_inner) = moments(input.strokes);
            }
        }
        layout::send(recording, input)?;
        recording.flush()
    }

    /// Completes the recording; it stays there for pages that are opened later, until the server ends.
    ///
    /// # Errors
    /// When the recording library refuses.
    pub fn finish(self) -> Result<(), ViewError> {
        let Self { recording, growing, .. } = self;
        let file = recording.end()?;
        *growing.kept.lock().unwrap_or_else(PoisonError::into_inner) = Some(file);
        growing.finished.store(true, Ordering::Release);
        Ok(())
    }

    pub(crate) fn growing(&self) -> Arc<Growing> {
        Arc::clone(&self.growing)
    }
}
