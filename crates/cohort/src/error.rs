//! One error type: what, where, why, and what to do.

use std::path::PathBuf;

/// Why something about the store, a question or a statistic could not be done.
#[derive(Debug, thiserror::Error)]
pub enum CohortError {
    /// A session's file could not be read or written.
    #[error(transparent)]
    Session(#[from] midline_session::SessionError),
    /// The store's location refused.
    #[error("store {location}: {action} {path} failed: {source}")]
    Location {
        /// The store.
        location: String,
        /// What was being done.
        action: &'static str,
        /// The object in the store.
        path: String,
        /// The reason given.
        source: object_store::Error,
    },
    /// The location cannot be understood.
    #[error("store \"{location}\": {reason}")]
    BadLocation {
        /// As written.
        location: String,
        /// What is wrong and what to do.
        reason: String,
    },
    /// There is no store at this place.
    #[error("{location}: there is no cohort store here (no {marker}); `midline cohort add` makes one")]
    NoStore {
        /// The place.
        location: String,
        /// The file that marks a store.
        marker: &'static str,
    },
    /// A file of the store was written by another schema version than this program knows.
    #[error("store {location}: {path} has schema version {found}, this program reads {known}; {advice}")]
    SchemaVersion {
        /// The store.
        location: String,
        /// The file.
        path: String,
        /// The version found.
        found: u32,
        /// The version known.
        known: u32,
        /// What to do.
        advice: &'static str,
    },
    /// A file of the store is not what was written.
    #[error("store {location}: {path}: {reason}; remove that session with `midline cohort remove` and add it again")]
    Damaged {
        /// The store.
        location: String,
        /// The file.
        path: String,
        /// What is wrong.
        reason: String,
    },
    /// The session is there already, with other content.
    #[error(
        "session {session} of player {player} in study {study} is in the store already, with other measures (added by midline {program}); \
         give --replace to put these in its place, or add it under another study"
    )]
    Duplicate {
        /// The study.
        study: String,
        /// The player.
        player: String,
        /// The session.
        session: String,
        /// The version of the program that added it.
        program: String,
    },
    /// A session that was asked for is not there.
    #[error("session {session} of player {player} in study {study} is not in the store")]
    NotThere {
        /// The study.
        study: String,
        /// The player.
        player: String,
        /// The session.
        session: String,
    },
    /// Something looks like a person's name or date of birth, or cannot be used as a code.
    #[error("{}{}: {reason}", place.display(), line.map(|l| format!(":{l}")).unwrap_or_default())]
    Person {
        /// The file.
        place: PathBuf,
        /// 1-based line, where known.
        line: Option<usize>,
        /// What was found and what to do.
        reason: String,
    },
    /// A roster that cannot be used.
    #[error("{}{}: {reason}", path.display(), line.map(|l| format!(":{l}")).unwrap_or_default())]
    Roster {
        /// The file.
        path: PathBuf,
        /// 1-based line, where known.
        line: Option<u64>,
        /// What is wrong and what to do.
        reason: String,
    },
    /// The query cannot be done.
    #[error("query: {reason}")]
    Query {
        /// What the engine says, and what to do.
        reason: String,
    },
    /// A cluster, its scheduler or an executor cannot do what is asked.
    #[cfg(feature = "cluster")]
    #[error("cluster {address}: {reason}")]
    Cluster {
        /// Its address.
        address: String,
        /// What is wrong and what to do.
        reason: String,
    },
    /// There is nothing to compute from.
    #[error("{what}: {reason}")]
    TooFew {
        /// What was asked.
        what: String,
        /// What is missing.
        reason: String,
    },
    /// A table could not be made.
    #[error("table {table}: {reason}")]
    Table {
        /// The table.
        table: String,
        /// Why.
        reason: String,
    },
}

impl CohortError {
    pub(crate) fn too_few(what: impl Into<String>, reason: impl Into<String>) -> Self {
        Self::TooFew { what: what.into(), reason: reason.into() }
    }

    pub(crate) fn table(table: &str) -> impl Fn(&dyn std::fmt::Display) -> Self {
        let table = table.to_owned();
        move |reason| Self::Table { table: table.clone(), reason: reason.to_string() }
    }
}
