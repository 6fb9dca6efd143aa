//! Atomic writing, hashes and the provenance that every computed file carries.

use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::SessionError;

/// Version of the computed files' schema that this program writes.
pub const SCHEMA_VERSION: u32 = 1;

/// Hash of one input of a stage.
pub type InputHash = String;

/// Where a computed file comes from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Provenance {
    /// Schema version of the file.
    pub schema: u32,
    /// Version of the program that wrote it.
    pub program: String,
    /// The stage that wrote it.
    pub stage: String,
    /// BLAKE3 hash of each input, by its name or path relative to the session.
    pub inputs: BTreeMap<String, InputHash>,
    /// The settings used, as JSON.
    pub settings: serde_json::Value,
}

/// A computed result with its provenance.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Computed<T> {
    /// Where it comes from.
    pub provenance: Provenance,
    /// The result.
    pub result: T,
}

/// BLAKE3 hash of a file's content, in hexadecimal.
///
/// # Errors
/// When the file cannot be read.
pub fn hash_file(path: &Path) -> Result<InputHash, SessionError> {
    let mut file = std::fs::File::open(path).map_err(SessionError::io(path, "opening"))?;
    let mut hasher = blake3::Hasher::new();
    std::io::copy(&mut file, &mut hasher).map_err(SessionError::io(path, "reading"))?;
    Ok(hasher.finalize().to_hex().to_string())
}

/// Writes a file so that a reader sees either the old content or the new: temporary file in the same folder, fsync,
/// rename. Missing folders are made.
///
/// # Errors
/// When the system refuses; nothing is left half written.
pub fn write_atomically(path: &Path, content: &[u8]) -> Result<(), SessionError> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder).map_err(SessionError::io(folder, "making the folder"))?;
    let mut builder = tempfile::Builder::new();
    // Readable as any file that a program writes (the system's umask applies), not private as temporary files are.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    let mut temporary = builder.tempfile_in(folder).map_err(SessionError::io(folder, "making a temporary file"))?;
    temporary.write_all(content).map_err(SessionError::io(path, "writing"))?;
    temporary.as_file().sync_all().map_err(SessionError::io(path, "writing to disk"))?;
    temporary.persist(path).map_err(|e| SessionError::io(path, "renaming into place")(e.error))?;
    Ok(())
}

/// Writes a computed result as readable JSON, atomically.
///
/// # Errors
/// When the result cannot be expressed in JSON or the system refuses.
pub fn write_computed<T: Serialize>(path: &Path, computed: &Computed<T>) -> Result<(), SessionError> {
    let mut text =
        serde_json::to_vec_pretty(computed).map_err(|e| SessionError::malformed(path, None, e.to_string()))?;
    text.push(b'\n');
    write_atomically(path, &text)
}

/// Reads a computed result.
///
/// # Errors
/// When the file is missing, malformed (with the line), or of a newer schema.
pub fn read_computed<T: DeserializeOwned>(path: &Path) -> Result<Computed<T>, SessionError> {
    #[derive(Deserialize)]
    struct Head {
        provenance: HeadProvenance,
    }
    #[derive(Deserialize)]
    struct HeadProvenance {
        schema: u32,
    }
    let text = std::fs::read(path).map_err(SessionError::io(path, "reading"))?;
    let malformed = |e: serde_json::Error| {
        SessionError::malformed(path, Some(e.line()), format!("{e}; delete the file and run the stage again"))
    };
    let head: Head = serde_json::from_slice(&text).map_err(malformed)?;
    if head.provenance.schema > SCHEMA_VERSION {
        return Err(SessionError::TooNew {
            path: path.to_owned(),
            found: head.provenance.schema,
            known: SCHEMA_VERSION,
        });
    }
    serde_json::from_slice(&text).map_err(malformed)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn provenance(schema: u32) -> Provenance {
        Provenance {
            schema,
            program: "0.1.0".into(),
            stage: "lens".into(),
            inputs: BTreeMap::new(),
            settings: serde_json::Value::Null,
        }
    }

    #[test]
    fn a_computed_file_reads_back_and_a_newer_one_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("new/lens.json");
        write_computed(&path, &Computed { provenance: provenance(1), result: vec![0.1, 1.0 / 3.0] }).unwrap();
        let back: Computed<Vec<f64>> = read_computed(&path).unwrap();
        assert_eq!(back.result, vec![0.1, 1.0 / 3.0]);
        write_computed(&path, &Computed { provenance: provenance(SCHEMA_VERSION + 1), result: 1 }).unwrap();
        assert!(matches!(read_computed::<i32>(&path), Err(SessionError::TooNew { .. })));
    }

    #[test]
    fn a_malformed_file_is_named_with_its_line() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lens.json");
        std::fs::write(&path, "{\n\"provenance\": 3}").unwrap();
        let message = read_computed::<i32>(&path).unwrap_err().to_string();
        assert!(message.contains("lens.json:2"), "{message}");
    }
}
