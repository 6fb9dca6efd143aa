//! The record that makes a session part of the store.

use midline_session::Provenance;
use serde::{Deserialize, Serialize};

/// One Parquet file of a session.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StoredFile {
    /// The table that it belongs to.
    pub table: String,
    /// Path in the store.
    pub path: String,
    /// Rows.
    pub rows: u64,
    /// Size in bytes.
    pub bytes: u64,
    /// BLAKE3 hash of the file, in hexadecimal.
    pub blake3: String,
}

/// One session of the store.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Record {
    /// Schema version of the tables.
    pub schema: u32,
    /// Version of the program that added it.
    pub program: String,
    /// The study.
    pub study: String,
    /// The player's code.
    pub player: String,
    /// The session.
    pub session: String,
    /// BLAKE3 hash of what the rows were made from.
    pub content: String,
    /// Strokes in it.
    pub strokes: u64,
    /// Where the strokes come from.
    pub provenance: Provenance,
    /// The files that count.
    pub files: Vec<StoredFile>,
}
