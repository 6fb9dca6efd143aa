//! The store: Parquet files by study, player and session, made safe by one small record per session.
//!
//! ```text
//! midline-cohort.json                                               marks the store, with its schema version
//! strokes/study=S/player=P/session=X/<content>-<schema>.parquet     and so for curves, events and quality
//! records/study=S/player=P/session=X/<number>.json                  which files count, their hashes, where they come from
//! ```
//!
//! A session is in the store when its record is: the record is written last, under a number that no one else may take, and readers look at
//! records only. Files are named after the hash of what they were made from, so a crash or two writers at once leave at most
//! files that no record names; the next `add` of that session clears them away.

mod location;
mod measured;
mod migration;
mod record;
pub mod roster;
mod schema;
#[cfg(test)]
pub(crate) mod test_sessions;
#[cfg(test)]
mod tests;

use std::path::Path as FilePath;
use std::sync::Arc;

use futures::{StreamExt, TryStreamExt};
use midline_session::Provenance;
use object_store::path::Path;
use object_store::{ObjectStore, ObjectStoreExt, PutMode, PutOptions, PutPayload};
use parquet::arrow::ArrowWriter;
use parquet::basic::Compression;
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use serde::{Deserialize, Serialize};

use migration::Tables;

pub use location::Location;
pub use measured::{MeasuredSession, NORMALISED_INSTANTS, kind_codes};
pub use record::{Record, StoredFile};
pub use schema::{COHORT_SCHEMA, SCHEMA_KEY, Table};

use crate::CohortError;

/// The file that marks a store.
const MARKER: &str = "midline-cohort.json";

/// Records read at a time.
const AT_ONCE: usize = 32;

/// Rows of a row group: small enough that a query of one channel skips most of a large file.
const ROWS_PER_GROUP: usize = 131_072;

/// What adding a session did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Added {
    /// It was new.
    New,
    /// The same content was there already; nothing was written.
    AlreadyThere,
    /// It took the place of other content.
    Replaced,
}

#[derive(Debug, Serialize, Deserialize)]
struct Marker {
    schema: u32,
    program: String,
}

/// A cohort store.
#[derive(Debug, Clone)]
pub struct Store {
    objects: Arc<dyn ObjectStore>,
    location: Location,
}

impl Store {
    /// Opens the store at a location.
    ///
    /// # Errors
    /// When there is none, or it is of a newer schema version.
    pub async fn open(location: &str) -> Result<Self, CohortError> {
        let location = Location::parse(location)?;
        let objects = location.objects(false)?;
        Self::with(objects, location).await
    }

    /// Opens the store at a location, or makes an empty one.
    ///
    /// # Errors
    /// When the location cannot be written, or holds a store of a newer schema version.
    pub async fn open_or_create(location: &str) -> Result<Self, CohortError> {
        let location = Location::parse(location)?;
        let objects = location.objects(true)?;
        Self::create_with(objects, location).await
    }

    /// A store in any `object_store`; `name` stands in messages.
    ///
    /// # Errors
    /// When it cannot be written, or holds a store of a newer schema version.
    pub async fn in_objects(objects: Arc<dyn ObjectStore>, name: &str) -> Result<Self, CohortError> {
        Self::create_with(objects, Location::named(name)).await
    }

    async fn create_with(objects: Arc<dyn ObjectStore>, location: Location) -> Result<Self, CohortError> {
        let store = Self { objects, location };
        if store.get(&Path::from(MARKER)).await?.is_none() {
            let marker = Marker { schema: COHORT_SCHEMA, program: env!("CARGO_PKG_VERSION").to_owned() };
            store.put(&Path::from(MARKER), json(&marker)?, PutMode::Overwrite).await?;
        }
        Self::with(store.objects, store.location).await
    }

    async fn with(objects: Arc<dyn ObjectStore>, location: Location) -> Result<Self, CohortError> {
        let store = Self { objects, location };
        let Some(text) = store.get(&Path::from(MARKER)).await? else {
            return Err(CohortError::NoStore { location: store.location.to_string(), marker: MARKER });
        };
        let marker: Marker = serde_json::from_slice(&text).map_err(|e| store.damaged(MARKER, &e))?;
        store.check_schema(MARKER, marker.schema)?;
        Ok(store)
    }

    /// Where it is.
    #[must_use]
    pub fn location(&self) -> &Location {
        &self.location
    }

    /// The objects underneath.
    pub(crate) fn objects(&self) -> Arc<dyn ObjectStore> {
        self.objects.clone()
    }

    #[cfg(feature = "cluster")]
    pub(crate) fn folder_url(&self) -> Result<url::Url, CohortError> {
        self.location.folder_url()
    }

    /// Adds a session. The same content again changes nothing; other content under the same study, player and session is refused
    /// unless `replace` is set. The cost is that of the session itself, whatever the store holds.
    ///
    /// # Errors
    /// When a code or name is refused, the session is there with other content, another program adds it at the same time, or the location
    /// refuses. The store then is as it was.
    pub async fn add(&self, session: &MeasuredSession, replace: bool) -> Result<Added, CohortError> {
        session.check(FilePath::new(&format!("session {}", session.session)))?;
        let content = content_hash(session)?;
        let folder = folder_of(session);
        let found = self.newest_record(&folder).await?;
        if let Some((_, record)) = &found {
            if record.content == content && record.schema == COHORT_SCHEMA {
                return Ok(Added::AlreadyThere);
            }
            if record.content != content && !replace {
                return Err(CohortError::Duplicate {
                    study: session.study.clone(),
                    player: session.player.clone(),
                    session: session.session.clone(),
                    program: record.program.clone(),
                });
            }
        }
        let record = Record {
            schema: COHORT_SCHEMA,
            program: env!("CARGO_PKG_VERSION").to_owned(),
            study: session.study.clone(),
            player: session.player.clone(),
            session: session.session.clone(),
            content,
            strokes: session.strokes.strokes.len() as u64,
            provenance: session.provenance.clone(),
            files: Vec::new(),
        };
        let tables: Tables = Table::ALL
            .into_iter()
            .map(|table| Ok((table, session.rows(table)?)))
            .collect::<Result<_, CohortError>>()?;
        self.put_session(record, &tables, found.as_ref().map_or(1, |(number, _)| number + 1)).await?;
        Ok(if found.is_some() { Added::Replaced } else { Added::New })
    }

    /// Writes the files of a session, then its record, then clears away what was there before: at any moment the old or the new counts.
    async fn put_session(&self, mut record: Record, tables: &Tables, number: u64) -> Result<(), CohortError> {
        let folder = folder(&record.study, &record.player, &record.session);
        record.files.clear();
        for (table, batch) in tables {
            let bytes = parquet_bytes(*table, batch, &record.provenance)?;
            let stem = record.content.get(..16).unwrap_or(&record.content);
            let path = format!("{}/{folder}/{stem}-{COHORT_SCHEMA}.parquet", table.name());
            record.files.push(StoredFile {
                table: table.name().to_owned(),
                path: path.clone(),
                rows: batch.num_rows() as u64,
                bytes: bytes.len() as u64,
                blake3: blake3::hash(&bytes).to_hex().to_string(),
            });
            self.put(&Path::from(path), bytes, PutMode::Overwrite).await?;
        }
        let path = format!("records/{folder}/{number:06}.json");
        self.put(&Path::from(path), json(&record)?, PutMode::Create).await?;
        self.clear_away(&folder, number, &record).await
    }

    /// Brings every session of an older schema version up to date. Returns how many, and one sentence for each that could not be.
    ///
    /// # Errors
    /// When records cannot be read or the location refuses. Sessions are replaced one by one, as by `add`; those that are not done yet stay as
    /// they were.
    pub async fn mend(&self) -> Result<(usize, Vec<String>), CohortError> {
        let (mut mended, mut left) = (0, Vec::new());
        for old in self.records().await?.into_iter().filter(|r| r.schema < COHORT_SCHEMA) {
            let folder = folder(&old.study, &old.player, &old.session);
            let number = self.newest_record(&folder).await?.map_or(1, |(number, _)| number + 1);
            match self.tables(&old).await? {
                Ok(tables) => {
                    let record =
                        Record { schema: COHORT_SCHEMA, program: env!("CARGO_PKG_VERSION").to_owned(), ..old.clone() };
                    self.put_session(record, &tables, number).await?;
                    mended += 1;
                }
                Err(reason) => left.push(format!(
                    "session {} of player {} in study {}: {reason}; remove it and add it again",
                    old.session, old.player, old.study
                )),
            }
        }
        if left.is_empty() {
            let marker = Marker { schema: COHORT_SCHEMA, program: env!("CARGO_PKG_VERSION").to_owned() };
            self.put(&Path::from(MARKER), json(&marker)?, PutMode::Overwrite).await?;
        }
        Ok((mended, left))
    }

    /// The tables of a session in the present schema, or why they cannot be had.
    async fn tables(&self, record: &Record) -> Result<Result<Tables, String>, CohortError> {
        let mut tables = Tables::new();
        for table in Table::ALL {
            let Some(file) = record.files.iter().find(|f| f.table == table.name()) else {
                return Ok(Err(format!("its record names no file of the table {}", table.name())));
            };
            let bytes = self.get(&Path::from(file.path.as_str())).await?.unwrap_or_default();
            if blake3::hash(&bytes).to_hex().as_str() != file.blake3 {
                return Ok(Err(format!("{} is not what was written", file.path)));
            }
            match migration::rows(bytes) {
                Ok(batch) => tables.insert(table, batch),
                Err(reason) => return Ok(Err(format!("{}: {reason}", file.path))),
            };
        }
        Ok(migration::up_to_date(tables, record.schema))
    }

    /// Takes a session out.
    ///
    /// # Errors
    /// When it is not there, or the location refuses.
    pub async fn remove(&self, study: &str, player: &str, session: &str) -> Result<(), CohortError> {
        let folder = folder(study, player, session);
        let records = self.list(&format!("records/{folder}")).await?;
        if records.is_empty() {
            return Err(CohortError::NotThere {
                study: study.to_owned(),
                player: player.to_owned(),
                session: session.to_owned(),
            });
        }
        // The newest first would let an older one count for a moment.
        for path in records {
            self.delete(&path).await?;
        }
        for table in Table::ALL {
            for path in self.list(&format!("{}/{folder}", table.name())).await? {
                self.delete(&path).await?;
            }
        }
        Ok(())
    }

    /// The records of all sessions, in the order of study, player and session.
    ///
    /// # Errors
    /// When a record cannot be read, is damaged, or is of a newer schema version.
    pub async fn records(&self) -> Result<Vec<Record>, CohortError> {
        let mut newest: Vec<Path> = Vec::new();
        for path in self.list("records").await? {
            // Paths are sorted: a later number of the same session takes the place of the earlier one.
            let folder = |path: &Path| path.as_ref().rsplit_once('/').map(|(folder, _)| folder.to_owned());
            if newest.last().is_some_and(|last| folder(last) == folder(&path)) {
                newest.pop();
            }
            newest.push(path);
        }
        let reads = newest.into_iter().map(|path| async move { self.record(&path).await });
        futures::stream::iter(reads).buffered(AT_ONCE).try_collect().await
    }

    /// The records of all sessions, all of which must be of the present schema version.
    ///
    /// # Errors
    /// As [`Store::records`], and when a session is of an older version.
    pub async fn present_records(&self) -> Result<Vec<Record>, CohortError> {
        let records = self.records().await?;
        match records.iter().find(|r| r.schema != COHORT_SCHEMA) {
            Some(old) => Err(CohortError::SchemaVersion {
                location: self.location.to_string(),
                path: format!("session {} of player {} in study {}", old.session, old.player, old.study),
                found: old.schema,
                known: COHORT_SCHEMA,
                advice: "`midline cohort check --mend` brings every such session up to date",
            }),
            None => Ok(records),
        }
    }

    /// Reads every file that counts and compares it with its record; says what does not belong to the store. One sentence each.
    ///
    /// # Errors
    /// When the records cannot be read.
    pub async fn faults(&self) -> Result<Vec<String>, CohortError> {
        let mut faults = Vec::new();
        let mut known = std::collections::BTreeSet::new();
        for record in self.records().await? {
            if record.schema != COHORT_SCHEMA {
                faults.push(format!(
                    "session {} of player {} in study {}: schema version {} instead of {COHORT_SCHEMA}; `midline cohort check --mend` brings it up to date",
                    record.session, record.player, record.study, record.schema
                ));
            }
            for file in &record.files {
                known.insert(file.path.clone());
                match self.get(&Path::from(file.path.as_str())).await? {
                    None => faults.push(format!("{}: is missing; add session {} again with --replace", file.path, record.session)),
                    Some(bytes) if blake3::hash(&bytes).to_hex().as_str() != file.blake3 => faults.push(format!(
                        "{}: is not what was written (its hash differs from the record's); remove session {} and add it again",
                        file.path, record.session
                    )),
                    Some(_) => {}
                }
            }
        }
        for table in Table::ALL {
            for path in self.list(table.name()).await? {
                if !known.contains(path.as_ref()) {
                    faults.push(format!("{path}: no record names this file, so no query reads it; other programs that read whole folders do"));
                }
            }
        }
        Ok(faults)
    }

    /// What was left by an interrupted or replaced `add` of this session.
    async fn clear_away(&self, folder: &str, number: u64, record: &Record) -> Result<(), CohortError> {
        for path in self.list(&format!("records/{folder}")).await? {
            if record_number(&path).is_some_and(|n| n < number) {
                self.delete(&path).await?;
            }
        }
        for table in Table::ALL {
            for path in self.list(&format!("{}/{folder}", table.name())).await? {
                if record.files.iter().all(|f| f.path != path.as_ref()) {
                    self.delete(&path).await?;
                }
            }
        }
        Ok(())
    }

    async fn newest_record(&self, folder: &str) -> Result<Option<(u64, Record)>, CohortError> {
        let paths = self.list(&format!("records/{folder}")).await?;
        let Some((number, path)) = paths.iter().filter_map(|p| Some((record_number(p)?, p))).max_by_key(|(n, _)| *n)
        else {
            return Ok(None);
        };
        Ok(Some((number, self.record(path).await?)))
    }

    async fn record(&self, path: &Path) -> Result<Record, CohortError> {
        #[derive(Deserialize)]
        struct Head {
            schema: u32,
        }
        let text = self.get(path).await?.unwrap_or_default();
        let head: Head = serde_json::from_slice(&text).map_err(|e| self.damaged(path.as_ref(), &e))?;
        self.check_schema(path.as_ref(), head.schema)?;
        serde_json::from_slice(&text).map_err(|e| self.damaged(path.as_ref(), &e))
    }

    fn check_schema(&self, path: &str, found: u32) -> Result<(), CohortError> {
        if (migration::OLDEST..=COHORT_SCHEMA).contains(&found) {
            return Ok(());
        }
        let advice = if found > COHORT_SCHEMA {
            "use the newer midline that wrote it"
        } else {
            "remove that session and add it again with this program"
        };
        Err(CohortError::SchemaVersion {
            location: self.location.to_string(),
            path: path.to_owned(),
            found,
            known: COHORT_SCHEMA,
            advice,
        })
    }

    fn damaged(&self, path: &str, reason: &dyn std::fmt::Display) -> CohortError {
        CohortError::Damaged { location: self.location.to_string(), path: path.to_owned(), reason: reason.to_string() }
    }

    fn refused(&self, action: &'static str, path: &Path) -> impl FnOnce(object_store::Error) -> CohortError {
        let (location, path) = (self.location.to_string(), path.to_string());
        move |source| CohortError::Location { location, action, path, source }
    }

    /// All files under a folder, sorted.
    async fn list(&self, folder: &str) -> Result<Vec<Path>, CohortError> {
        let prefix = Path::from(folder);
        let mut found: Vec<Path> = self
            .objects
            .list(Some(&prefix))
            .map_ok(|meta| meta.location)
            .try_collect()
            .await
            .map_err(self.refused("listing", &prefix))?;
        found.sort();
        Ok(found)
    }

    async fn get(&self, path: &Path) -> Result<Option<Vec<u8>>, CohortError> {
        let read = async { self.objects.get(path).await?.bytes().await };
        match read.await {
            Ok(bytes) => Ok(Some(bytes.to_vec())),
            Err(object_store::Error::NotFound { .. }) => Ok(None),
            Err(error) => Err(self.refused("reading", path)(error)),
        }
    }

    async fn put(&self, path: &Path, bytes: Vec<u8>, mode: PutMode) -> Result<(), CohortError> {
        let options = PutOptions { mode, ..PutOptions::default() };
        self.objects.put_opts(path, PutPayload::from(bytes), options).await.map_err(self.refused("writing", path))?;
        self.location.settle(path)
    }

    async fn delete(&self, path: &Path) -> Result<(), CohortError> {
        match self.objects.delete(path).await {
            Ok(()) | Err(object_store::Error::NotFound { .. }) => Ok(()),
            Err(error) => Err(self.refused("removing", path)(error)),
        }
    }
}

fn folder(study: &str, player: &str, session: &str) -> String {
    format!("study={study}/player={player}/session={session}")
}

fn folder_of(session: &MeasuredSession) -> String {
    folder(&session.study, &session.player, &session.session)
}

fn record_number(path: &Path) -> Option<u64> {
    path.filename()?.strip_suffix(".json")?.parse().ok()
}

/// Hash of everything that the rows are made from, whatever schema they are made in, so that a session is known again after a migration.
fn content_hash(session: &MeasuredSession) -> Result<String, CohortError> {
    let mut text = json(session)?;
    // As schema version 1 made it.
    text.extend(1_u32.to_le_bytes());
    Ok(blake3::hash(&text).to_hex().to_string())
}

fn json<T: Serialize>(value: &T) -> Result<Vec<u8>, CohortError> {
    serde_json::to_vec_pretty(value).map_err(|e| CohortError::table("record")(&e))
}

fn parquet_bytes(
    table: Table,
    batch: &arrow::array::RecordBatch,
    provenance: &Provenance,
) -> Result<Vec<u8>, CohortError> {
    let wrong = CohortError::table(table.name());
    let mut metadata = table.schema().metadata().clone();
    metadata.insert("provenance".to_owned(), serde_json::to_string(provenance).map_err(|e| wrong(&e))?);
    metadata.insert("program".to_owned(), concat!("midline ", env!("CARGO_PKG_VERSION")).to_owned());
    let schema = Arc::new(table.schema().as_ref().clone().with_metadata(metadata));
    let batch = batch.clone().with_schema(schema.clone()).map_err(|e| wrong(&e))?;
    let properties = WriterProperties::builder()
        .set_compression(Compression::SNAPPY)
        .set_statistics_enabled(EnabledStatistics::Chunk)
        .set_max_row_group_row_count(Some(ROWS_PER_GROUP))
        .build();
    let mut bytes = Vec::new();
    let mut writer = ArrowWriter::try_new(&mut bytes, schema, Some(properties)).map_err(|e| wrong(&e))?;
    writer.write(&batch).map_err(|e| wrong(&e))?;
    writer.close().map_err(|e| wrong(&e))?;
    Ok(bytes)
}
