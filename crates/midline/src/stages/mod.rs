//! The stages of a session in the order in which they need each other, each kept on disk and run only when needed.

mod calibrate;
mod infer;
mod measure;
mod outputs;
mod place;
mod see;
mod steady;

use std::path::{Path, PathBuf};

use anyhow::Context;
use midline_geometry::{ReadOut, ScanDirection};
use midline_session::calibration::LensCalibration;
use midline_session::description::{CameraDescription, Session};
use midline_session::footage::Footage;
use midline_session::marks::{self, Marks};
use midline_session::{SessionError, read_computed};

use crate::store::Hashes;

pub(crate) use see::Described;

/// The footage is in order, but what was asked cannot be measured with it.
#[derive(Debug, thiserror::Error)]
#[error("not measurable: {0}")]
pub(crate) struct NotMeasurable(pub(crate) String);

/// A session and what has been computed of it.
pub(crate) struct Stages {
    pub(crate) session: Session,
    /// What a person marked on the pictures, as it was when the session was opened.
    marks: Marks,
    hashes: Hashes,
}

impl Stages {
    /// Opens a session folder or a `session.toml`.
    pub(crate) fn open(path: &Path) -> anyhow::Result<Self> {
        let session = Session::open(path)?;
        let marks = Marks::read(&session.folder)?;
        let known: Vec<&str> = session.description.cameras.iter().map(|c| c.name.as_str()).collect();
        let mut named = marks.cameras.keys().chain(marks.events.iter().map(|e| &e.camera));
        if let Some(unknown) = named.find(|name| !known.contains(&name.as_str())) {
            return Err(SessionError::UnknownName {
                path: session.folder.join(marks::FILE_NAME),
                kind: "camera",
                name: unknown.clone(),
                known: known.join(", "),
            }
            .into());
        }
        Ok(Self { session, marks, hashes: Hashes::default() })
    }

    /// Runs everything that is not up to date, then writes report and recording.
    pub(crate) fn everything(&self) -> anyhow::Result<()> {
        // What is wrong with any file is said before hours of work go into another.
        self.refuse_same_footage()?;
        self.named_footage()?;
        self.report(None)?;
        self.recording(None)?;
        Ok(())
    }

    pub(crate) fn cameras(&self) -> &[CameraDescription] {
        &self.session.description.cameras
    }

    /// Path of a file that a person named, checked to exist.
    fn given(&self, relative: &Path, what: &str) -> anyhow::Result<PathBuf> {
        let path = self.session.path(relative);
        anyhow::ensure!(
            path.is_file(),
            "{}: {what} is missing; put the file there or correct its name in {}",
            path.display(),
            self.session.folder.join("session.toml").display()
        );
        Ok(path)
    }

    /// Read-out of a camera: its duration from the description, its direction from the footage's rotation.
    fn read_out(camera: &CameraDescription, footage: &Footage) -> ReadOut {
        ReadOut {
            seconds: camera.readout_seconds,
            direction: ScanDirection::after_turning(footage.quarter_turns_clockwise),
        }
    }

    /// A lens from a file: of an earlier run, such as another session's, or of OpenCV.
    fn lens_from_file(
        camera: &CameraDescription,
        path: &Path,
        of_two: Option<u32>,
        footage_size_px: [u32; 2],
    ) -> anyhow::Result<LensCalibration> {
        let named = || format!("the lens file of camera \"{}\" in session.toml", camera.name);
        if is_computed_lens(path)? {
            let computed = read_computed::<LensCalibration>(path).with_context(named)?;
            return Ok(LensCalibration { camera: camera.name.clone(), ..computed.result });
        }
        let outside = midline_vision::read_lens_file(path, of_two, footage_size_px).with_context(named)?;
        Ok(outside.into_calibration(&camera.name))
    }
}

/// Whether a file is of this program's lens stage: JSON with a provenance. Everything else is left to OpenCV.
fn is_computed_lens(path: &Path) -> anyhow::Result<bool> {
    if path.extension().is_none_or(|extension| extension != "json") {
        return Ok(false);
    }
    let text = std::fs::read(path).with_context(|| format!("{}: reading the lens failed", path.display()))?;
    // A file that is not even JSON gets the message with the line from the reader of computed files.
    Ok(serde_json::from_slice::<serde_json::Value>(&text).map_or(true, |value| value.get("provenance").is_some()))
}
