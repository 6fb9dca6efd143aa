//! The file being written: rows of data by entity and time, and the rename at the end.

use std::path::{Path, PathBuf};

use rerun::{
    AsComponents, RecordingStream, RecordingStreamBuilder, SerializationResult, SerializedComponentColumn, TimeColumn,
};
use tempfile::NamedTempFile;

use crate::{LINGER_SECONDS, ViewError, ViewInput};

/// Name under which the viewer files recordings and layouts.
pub(crate) const APPLICATION: &str = "midline";
/// The session clock.
pub(crate) const SESSION_TIME: &str = "session_time";
/// Session time minus contact.
pub(crate) const TIME_TO_CONTACT: &str = "time_to_contact";

#[derive(Debug)]
pub(crate) struct Recording {
    path: PathBuf,
    temporary: NamedTempFile,
    stream: RecordingStream,
}

/// Times of rows on one or more timelines, seconds.
pub(crate) type Timelines<'a> = &'a [(&'static str, &'a [f64])];

impl Recording {
    pub(crate) fn start(path: &Path, input: &ViewInput<'_>) -> Result<Self, ViewError> {
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let io = |action| {
            let path = folder.to_owned();
            move |source| ViewError::Io { path, action, source }
        };
        std::fs::create_dir_all(folder).map_err(io("making the folder"))?;
        let mut builder = tempfile::Builder::new();
        // Readable as any file that a program writes (the system's umask applies), not private as temporary files are.
        #[cfg(unix)]
        builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
        let temporary = builder.tempfile_in(folder).map_err(io("making a temporary file"))?;
        let description = &input.session.description;
        let name = format!("{} {}", description.player.code, description.session.date);
        let stream = RecordingStreamBuilder::new(APPLICATION)
            .recording_name(name.trim())
            .enabled(true) // the environment must not switch off what was asked for
            .save(temporary.path())
            .map_err(|e| failed(path, "opening", &e))?;
        Ok(Self { path: path.to_owned(), temporary, stream })
    }

    pub(crate) fn stream(&self) -> &RecordingStream {
        &self.stream
    }

    pub(crate) fn failed(&self, entity: &str, reason: &dyn std::fmt::Display) -> ViewError {
        failed(&self.path, entity, reason)
    }

    /// Something that is there at all times.
    pub(crate) fn fixed(&self, entity: &str, data: &dyn AsComponents) -> Result<(), ViewError> {
        self.stream.log_static(entity, data).map_err(|e| self.failed(entity, &e))
    }

    /// One row per time; nothing is written when there are no times.
    pub(crate) fn rows(
        &self,
        entity: &str,
        timelines: Timelines<'_>,
        columns: SerializationResult<impl Iterator<Item = SerializedComponentColumn>>,
    ) -> Result<(), ViewError> {
        if timelines.iter().all(|(_, times)| times.is_empty()) {
            return Ok(());
        }
        let times = timelines.iter().map(|(name, times)| TimeColumn::new_duration_secs(*name, times.iter().copied()));
        let columns = columns.map_err(|e| self.failed(entity, &e))?;
        self.stream.send_columns(entity, times.collect::<Vec<_>>(), columns).map_err(|e| self.failed(entity, &e))
    }

    /// Writes down what has been recorded so far.
    pub(crate) fn flush(&self) -> Result<(), ViewError> {
        self.stream.flush_blocking().map_err(|e| failed(&self.path, "writing", &e))
    }

    pub(crate) fn temporary_path(&self) -> &Path {
        self.temporary.path()
    }

    /// Completes the file where it is.
    pub(crate) fn end(self) -> Result<NamedTempFile, ViewError> {
        self.flush()?;
        let Self { temporary, stream, .. } = self;
        stream.finalize_deferred_sinks();
        drop(stream);
        Ok(temporary)
    }

    /// Completes the file and moves it into place.
    pub(crate) fn finish(self) -> Result<(), ViewError> {
        let path = self.path.clone();
        let temporary = self.end()?;
        let io = |action| {
            let path = path.clone();
            move |source| ViewError::Io { path, action, source }
        };
        temporary.as_file().sync_all().map_err(io("writing to disk"))?;
        temporary.persist(&path).map_err(|e| io("renaming into place")(e.error))?;
        Ok(())
    }
}

fn failed(path: &Path, entity: &str, reason: &dyn std::fmt::Display) -> ViewError {
    ViewError::Recording { path: path.to_owned(), entity: entity.to_owned(), reason: reason.to_string() }
}

/// Rows in time, with an empty row [`LINGER_SECONDS`] after a row that nothing follows for longer than that: the viewer
/// shows the latest row until the next.
pub(crate) fn with_blanks<T: Default>(rows: impl IntoIterator<Item = (f64, T)>) -> (Vec<f64>, Vec<T>) {
    let mut times: Vec<f64> = Vec::new();
    let mut values = Vec::new();
    let end = std::iter::once((f64::INFINITY, T::default()));
    for (seconds, value) in rows.into_iter().chain(end) {
        if let Some(last) = times.last().copied().filter(|last| seconds - last > LINGER_SECONDS) {
            times.push(last + LINGER_SECONDS);
            values.push(T::default());
        }
        if seconds.is_finite() {
            times.push(seconds);
            values.push(value);
        }
    }
    (times, values)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_old_stays_in_view() {
        let (times, values) = with_blanks([(0.0, 1), (0.01, 2), (1.0, 3)]);
        assert_eq!(values, [1, 2, 0, 3, 0]);
        assert_eq!(times, [0.0, 0.01, 0.01 + LINGER_SECONDS, 1.0, 1.0 + LINGER_SECONDS]);
        assert_eq!(with_blanks(Vec::<(f64, u8)>::new()), (vec![], vec![]));
    }
}
