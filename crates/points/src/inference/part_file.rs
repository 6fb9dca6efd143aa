//! What an interrupted run has found so far: a line that says from what, then one line per frame.

use std::fs::File;
use std::io::{BufRead, BufReader, BufWriter, Write};
use std::path::{Path, PathBuf};

use midline_session::keypoints::Keypoint;
use serde::{Deserialize, Serialize};

use super::InferenceError;

/// The points of one frame.
pub(crate) type Row = Vec<Option<Keypoint>>;

#[derive(Serialize, Deserialize)]
struct Line {
    frame: usize,
    points: Vec<Option<[f64; 3]>>,
}

/// A growing file of results.
pub(crate) struct PartFile {
    path: PathBuf,
    file: BufWriter<File>,
}

impl PartFile {
    /// Opens the file of an earlier run from the same things (`key`) with what it found, in whole groups of `group` frames; a
    /// line that was cut off and all after it do not count. A file of another run is begun anew.
    pub(crate) fn open(
        path: &Path,
        key: &str,
        points: usize,
        group: usize,
    ) -> Result<(Self, Vec<Row>), InferenceError> {
        let mut rows = earlier(path, key, points);
        rows.truncate(rows.len() / group * group);
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder).map_err(InferenceError::io(folder, "making the folder"))?;
        }
        // Written anew, so that what follows a line that was cut off is gone.
        let file = File::create(path).map_err(InferenceError::io(path, "making the file of results so far"))?;
        let mut part = Self { path: path.to_owned(), file: BufWriter::new(file) };
        part.line(key)?;
        for (frame, row) in rows.iter().enumerate() {
            part.add(frame, row)?;
        }
        part.flush()?;
        Ok((part, rows))
    }

    pub(crate) fn add(&mut self, frame: usize, row: &Row) -> Result<(), InferenceError> {
        let points = row.iter().map(|p| p.map(|p| [p.px[0], p.px[1], p.score])).collect();
        let text = serde_json::to_string(&Line { frame, points })
            .map_err(|e| InferenceError::io(&self.path, "writing")(e.into()))?;
        self.line(&text)
    }

    fn line(&mut self, text: &str) -> Result<(), InferenceError> {
        writeln!(self.file, "{text}").map_err(InferenceError::io(&self.path, "writing"))
    }

    pub(crate) fn flush(&mut self) -> Result<(), InferenceError> {
        self.file.flush().map_err(InferenceError::io(&self.path, "writing"))
    }
}

/// Rows of frames 0, 1, … as far as they are whole.
fn earlier(path: &Path, key: &str, points: usize) -> Vec<Row> {
    let Ok(file) = File::open(path) else { return Vec::new() };
    let mut lines = BufReader::new(file).lines().map_while(Result::ok);
    if lines.next().as_deref() != Some(key) {
        return Vec::new();
    }
    lines
        .enumerate()
        .map_while(|(frame, line)| {
            let line: Line = serde_json::from_str(&line).ok()?;
            (line.frame == frame && line.points.len() == points).then_some(line.points)
        })
        .map(|points| points.into_iter().map(|p| p.map(|[x, y, score]| Keypoint { px: [x, y], score })).collect())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whole_groups_of_the_same_run_come_back() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("midline/part");
        let row = |frame: usize| vec![Some(Keypoint { px: [frame as f64 + 0.125, 2.0], score: 0.5 }), None];
        let (mut part, rows) = PartFile::open(&path, "key", 2, 4).unwrap();
        assert!(rows.is_empty());
        for frame in 0..10 {
            part.add(frame, &row(frame)).unwrap();
        }
        drop(part);
        // The program was killed in the middle of a line.
        let text = std::fs::read_to_string(&path).unwrap();
        std::fs::write(&path, &text[..text.len() - 12]).unwrap();
        let (_, rows) = PartFile::open(&path, "key", 2, 4).unwrap();
        assert_eq!(rows, (0..8).map(row).collect::<Vec<_>>());
        assert_eq!(std::fs::read_to_string(&path).unwrap().lines().count(), 9);
        let (_, rows) = PartFile::open(&path, "other key", 2, 4).unwrap();
        assert!(rows.is_empty());
    }
}
