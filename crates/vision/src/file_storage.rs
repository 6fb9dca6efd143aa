//! Files of OpenCV's `FileStorage`: YAML, XML and JSON, entries by key.

use std::path::{Path, PathBuf};

use opencv::core::{
    CV_64F, FileNode, FileStorage, FileStorage_FORMAT_JSON, FileStorage_FORMAT_XML, FileStorage_FORMAT_YAML,
    FileStorage_MEMORY, FileStorage_READ, FileStorage_WRITE, Mat,
};
use opencv::prelude::*;

use crate::VisionError;

/// An open file; its errors name the file and the key.
pub(crate) struct Entries {
    path: PathBuf,
    storage: FileStorage,
}

/// Rows, columns and elements, row by row.
pub(crate) struct Matrix {
    pub(crate) rows: usize,
    pub(crate) columns: usize,
    pub(crate) elements: Vec<f64>,
}

impl Entries {
    pub(crate) fn open(path: &Path) -> Result<Self, VisionError> {
        let wrong = |reason: String| VisionError::CalibrationFile { path: path.to_owned(), reason };
        // Read here, so that a file that is missing is told from one that is not understood.
        let text = std::fs::read_to_string(path).map_err(|e| wrong(format!("reading failed: {e}")))?;
        let storage = FileStorage::new_def(&text, FileStorage_READ + FileStorage_MEMORY).map_err(|e| {
            wrong(format!("this is not a YAML, XML or JSON file as OpenCV writes them: {}", e.message.trim()))
        })?;
        Ok(Self { path: path.to_owned(), storage })
    }

    /// An error about this file.
    pub(crate) fn wrong(&self, reason: String) -> VisionError {
        VisionError::CalibrationFile { path: self.path.clone(), reason }
    }

    /// The entry of that key, if there is one; of use only as long as the file is open.
    fn entry(&self, key: &str) -> Result<Option<FileNode>, VisionError> {
        let reading = || VisionError::opencv("reading a calibration file");
        let node = self.storage.get(key).map_err(reading())?;
        let there = !node.empty().map_err(reading())? && !node.is_none().map_err(reading())?;
        Ok(there.then_some(node))
    }

    pub(crate) fn has(&self, key: &str) -> Result<bool, VisionError> {
        Ok(self.entry(key)?.is_some())
    }

    /// The value of an entry, unless it is missing.
    pub(crate) fn optional<T>(&self, value: Result<T, VisionError>, key: &str) -> Result<Option<T>, VisionError> {
        if self.has(key)? { value.map(Some) } else { Ok(None) }
    }

    fn needed(&self, key: &str) -> Result<FileNode, VisionError> {
        self.entry(key)?.ok_or_else(|| self.wrong(format!("there is no \"{key}\"")))
    }

    pub(crate) fn number(&self, key: &str) -> Result<f64, VisionError> {
        let node = self.needed(key)?;
        let is_number = node.is_int().unwrap_or(false) || node.is_real().unwrap_or(false);
        let value = node.to_f64().ok().filter(|value| is_number && value.is_finite());
        value.ok_or_else(|| self.wrong(format!("\"{key}\" is not a number")))
    }

    pub(crate) fn whole(&self, key: &str) -> Result<i32, VisionError> {
        let value = self.number(key)?;
        let whole = value.fract().abs() < f64::EPSILON && value.abs() <= f64::from(i32::MAX);
        if whole { Ok(value as i32) } else { Err(self.wrong(format!("\"{key}\" is {value}, not a whole number"))) }
    }

    /// A count or a length in pixels: a whole number above 0.
    pub(crate) fn count(&self, key: &str) -> Result<u32, VisionError> {
        let value = self.whole(key)?;
        let count = u32::try_from(value).ok().filter(|count| *count > 0);
        count.ok_or_else(|| self.wrong(format!("\"{key}\" is {value}, which cannot be")))
    }

    /// A matrix of finite numbers, whatever type they are kept as.
    pub(crate) fn matrix(&self, key: &str) -> Result<Matrix, VisionError> {
        let wrong = || self.wrong(format!("\"{key}\" is not a matrix"));
        let mat = self.needed(key)?.mat().map_err(|_| wrong())?;
        let mut in_doubles = Mat::default();
        mat.convert_to_def(&mut in_doubles, CV_64F).map_err(|_| wrong())?;
        let elements = in_doubles.data_typed::<f64>().map_err(|_| wrong())?.to_vec();
        if elements.is_empty() {
            return Err(wrong());
        }
        if elements.iter().any(|value| !value.is_finite()) {
            return Err(self.wrong(format!("\"{key}\" holds something that is not a number")));
        }
        let [rows, columns] = [mat.rows(), mat.cols()].map(|n| usize::try_from(n).unwrap_or(0));
        Ok(Matrix { rows, columns, elements })
    }

    /// The elements of a matrix with at least that many.
    pub(crate) fn elements(&self, key: &str, least: usize) -> Result<Vec<f64>, VisionError> {
        let elements = self.matrix(key)?.elements;
        if elements.len() < least {
            return Err(self.wrong(format!("\"{key}\" has {} elements, not {least}", elements.len())));
        }
        Ok(elements)
    }
}

/// Writes entries into memory, in the format that the file's name asks for.
pub(crate) struct Writer {
    storage: FileStorage,
}

impl Writer {
    pub(crate) fn for_file(path: &Path) -> Result<Self, VisionError> {
        let extension = path.extension().map(|e| e.to_string_lossy().to_lowercase());
        let format = match extension.as_deref() {
            Some("yml" | "yaml") => FileStorage_FORMAT_YAML,
            Some("xml") => FileStorage_FORMAT_XML,
            Some("json") => FileStorage_FORMAT_JSON,
            _ => {
                return Err(VisionError::CalibrationFile {
                    path: path.to_owned(),
                    reason: "the name must end in .yml, .yaml, .xml or .json: that decides the format".to_owned(),
                });
            }
        };
        let storage = FileStorage::new_def("", FileStorage_WRITE + FileStorage_MEMORY + format)
            .map_err(VisionError::opencv("starting a calibration file"))?;
        Ok(Self { storage })
    }

    pub(crate) fn whole(&mut self, key: &str, value: usize) -> Result<(), VisionError> {
        let value = i32::try_from(value).unwrap_or(i32::MAX);
        self.storage.write_i32(key, value).map_err(VisionError::opencv("writing a number"))
    }

    pub(crate) fn number(&mut self, key: &str, value: f64) -> Result<(), VisionError> {
        self.storage.write_f64(key, value).map_err(VisionError::opencv("writing a number"))
    }

    /// A matrix of doubles; each row as long as the first.
    pub(crate) fn matrix<R: AsRef<[f64]>>(&mut self, key: &str, rows: &[R]) -> Result<(), VisionError> {
        let writing = || VisionError::opencv("writing a matrix");
        let rows: Vec<&[f64]> = rows.iter().map(AsRef::as_ref).collect();
        let mat = Mat::from_slice_2d(&rows).map_err(writing())?;
        self.storage.write_mat(key, &mat).map_err(writing())
    }

    /// The column of those numbers.
    pub(crate) fn column(&mut self, key: &str, values: &[f64]) -> Result<(), VisionError> {
        self.matrix(key, &values.iter().map(|&value| [value]).collect::<Vec<_>>())
    }

    pub(crate) fn comment(&mut self, text: &str) -> Result<(), VisionError> {
        self.storage.write_comment_def(text).map_err(VisionError::opencv("writing a comment"))
    }

    pub(crate) fn into_text(mut self) -> Result<String, VisionError> {
        self.storage.release_and_get_string().map_err(VisionError::opencv("closing a calibration file"))
    }
}
