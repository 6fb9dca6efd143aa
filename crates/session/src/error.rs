//! One error type for reading and writing session files: what, where, why, and what to do.

use std::path::{Path, PathBuf};

/// Why a session file could not be read, written or used.
#[derive(Debug, thiserror::Error)]
pub enum SessionError {
    /// The operating system refused.
    #[error("{path}: {action} failed: {source}")]
    Io {
        /// The file.
        path: PathBuf,
        /// What was being done.
        action: &'static str,
        /// The reason given by the system.
        source: std::io::Error,
    },
    /// The text is not what the format asks for.
    #[error("{path}{}: {reason}", line.map(|l| format!(":{l}")).unwrap_or_default())]
    Malformed {
        /// The file.
        path: PathBuf,
        /// 1-based line, where known.
        line: Option<usize>,
        /// What is wrong and what to do about it.
        reason: String,
    },
    /// The file was written by a newer program.
    #[error("{path}: schema version {found}, this program knows up to {known}; use the newer midline that wrote it")]
    TooNew {
        /// The file.
        path: PathBuf,
        /// Version in the file.
        found: u32,
        /// Newest version known here.
        known: u32,
    },
    /// A named thing is not there.
    #[error("{path}: no {kind} named \"{name}\"; there are: {known}")]
    UnknownName {
        /// The file that uses the name.
        path: PathBuf,
        /// What kind of thing.
        kind: &'static str,
        /// The name as written.
        name: String,
        /// The names that exist, comma-separated.
        known: String,
    },
}

impl SessionError {
    pub(crate) fn io(path: &Path, action: &'static str) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Io { path, action, source }
    }

    pub(crate) fn malformed(path: &Path, line: Option<usize>, reason: impl Into<String>) -> Self {
        Self::Malformed { path: path.to_owned(), line, reason: reason.into() }
    }
}
