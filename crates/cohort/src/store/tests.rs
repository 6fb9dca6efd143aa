//! The store keeps its promises: idempotent, atomic, safe against bad input.

use std::sync::Arc;

use object_store::memory::InMemory;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

use super::test_sessions::few;
use super::*;
use crate::query::{Limits, Queries};

fn now<T>(work: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap().block_on(work)
}

async fn strokes_in(store: &Store) -> u64 {
    let queries = Queries::of(store, Limits::default()).await.unwrap();
    let rows = queries.sql("SELECT * FROM quality").await.unwrap();
    rows.iter().map(|b| b.num_rows() as u64).sum()
}

fn files(folder: &FilePath) -> Vec<(String, Vec<u8>)> {
    let mut found = Vec::new();
    let mut open = vec![folder.to_owned()];
    while let Some(folder) = open.pop() {
        for entry in std::fs::read_dir(folder).unwrap().flatten() {
            if entry.path().is_dir() {
                open.push(entry.path());
            } else {
                found.push((entry.path().display().to_string(), std::fs::read(entry.path()).unwrap()));
            }
        }
    }
    found.sort();
    found
}

#[test]
fn adding_again_changes_nothing_and_other_content_needs_replace() {
    let folder = tempfile::tempdir().unwrap();
    now(async {
        let store = Store::open_or_create(&folder.path().display().to_string()).await.unwrap();
        let mut session = few(1).remove(0);
        assert_eq!(store.add(&session, false).await.unwrap(), Added::New);
        let before = files(folder.path());
        assert_eq!(store.add(&session, false).await.unwrap(), Added::AlreadyThere);
        assert_eq!(files(folder.path()), before);

        session.strokes.strokes.truncate(4);
        let message = store.add(&session, false).await.unwrap_err().to_string();
        assert!(message.contains("visit-1 of player P01") && message.contains("--replace"), "{message}");
        assert_eq!(files(folder.path()), before, "a refused session leaves the store untouched");
        assert_eq!(strokes_in(&store).await, 6);

        assert_eq!(store.add(&session, true).await.unwrap(), Added::Replaced);
        assert_eq!(strokes_in(&store).await, 4);
        assert_eq!(store.faults().await.unwrap(), Vec::<String>::new(), "nothing of the old content is left");
        store.remove(&session.study, &session.player, &session.session).await.unwrap();
        assert_eq!(strokes_in(&store).await, 0);
        assert!(store.remove(&session.study, &session.player, &session.session).await.is_err());
    });
}

/// An `add` that was cut off after some files, and one that was cut off after its record but before the old files were removed.
#[test]
fn an_interrupted_add_is_not_seen_and_is_cleared_away_by_the_next() {
    let folder = tempfile::tempdir().unwrap();
    now(async {
        let store = Store::open_or_create(&folder.path().display().to_string()).await.unwrap();
        let sessions = few(2);
        store.add(&sessions[0], false).await.unwrap();
        let partial = folder.path().join("strokes").join(folder_of(&sessions[1]));
        std::fs::create_dir_all(&partial).unwrap();
        std::fs::write(partial.join("0123456789abcdef.parquet"), "cut off").unwrap();
        assert_eq!(strokes_in(&store).await, 6);
        let queries = Queries::of(&store, Limits::default()).await.unwrap();
        queries.sql("SELECT AVG(value) FROM strokes").await.unwrap();
        assert!(store.faults().await.unwrap()[0].contains("no record names this file"));
        store.add(&sessions[1], false).await.unwrap();
        assert_eq!(store.faults().await.unwrap(), Vec::<String>::new());
        assert_eq!(strokes_in(&store).await, 12);

        // The newest record counts, whatever is left of the older.
        let record = folder.path().join("records").join(folder_of(&sessions[0]));
        std::fs::copy(record.join("000001.json"), record.join("000002.json")).unwrap();
        assert_eq!(strokes_in(&store).await, 12);
    });
}

#[test]
fn two_writers_of_one_session_cannot_both_win() {
    now(async {
        let objects: Arc<dyn ObjectStore> = Arc::new(InMemory::new());
        let store = Store::in_objects(objects.clone(), "memory").await.unwrap();
        let first = few(1).remove(0);
        let mut second = first.clone();
        second.strokes.strokes.truncate(3);
        let (a, b) = tokio::join!(store.add(&first, false), store.add(&second, false));
        assert!(a.is_ok() != b.is_ok(), "{a:?} {b:?}");
        let strokes = strokes_in(&store).await;
        assert_eq!(strokes, if a.is_ok() { 6 } else { 3 });
        let winner = if a.is_ok() { &first } else { &second };
        assert_eq!(store.add(winner, false).await.unwrap(), Added::AlreadyThere);
    });
}

#[test]
fn files_carry_schema_units_and_provenance() {
    let folder = tempfile::tempdir().unwrap();
    now(async {
        let store = Store::open_or_create(&folder.path().display().to_string()).await.unwrap();
        store.add(&few(1)[0], false).await.unwrap();
        let record = store.records().await.unwrap().remove(0);
        assert_eq!(record.files.len(), 4);
        for file in &record.files {
            let open = std::fs::File::open(folder.path().join(&file.path)).unwrap();
            let schema = ParquetRecordBatchReaderBuilder::try_new(open).unwrap().schema().clone();
            assert_eq!(schema.metadata()[SCHEMA_KEY], COHORT_SCHEMA.to_string());
            assert!(schema.metadata()["provenance"].contains("made-up cohort"), "{:?}", schema.metadata());
            let table = Table::ALL.into_iter().find(|t| t.name() == file.table).unwrap();
            assert_eq!(schema.fields(), table.schema().fields());
        }
        let quality = Table::Quality.schema();
        assert_eq!(quality.field_with_name("contact_sd_seconds").unwrap().metadata()["unit"], "s");
    });
}

#[test]
fn damaged_foreign_and_newer_files_are_named_and_the_store_stays() {
    let folder = tempfile::tempdir().unwrap();
    now(async {
        let place = folder.path().display().to_string();
        let message = Store::open(&place).await.unwrap_err().to_string();
        assert!(message.contains("no cohort store here"), "{message}");
        assert!(Store::open(&folder.path().join("nowhere").display().to_string()).await.is_err());

        let store = Store::open_or_create(&place).await.unwrap();
        let sessions = few(2);
        for session in &sessions {
            store.add(session, false).await.unwrap();
        }
        // A foreign Parquet file among ours is not read.
        std::fs::write(folder.path().join("strokes/foreign.parquet"), "PAR1 not ours PAR1").unwrap();
        assert_eq!(strokes_in(&store).await, 12);
        let faults = store.faults().await.unwrap();
        assert!(faults.len() == 1 && faults[0].contains("strokes/foreign.parquet"), "{faults:?}");

        // One of ours is damaged: the query says so, the check names it.
        let record = store.records().await.unwrap().remove(0);
        let damaged = &record.files.iter().find(|f| f.table == "strokes").unwrap().path;
        std::fs::write(folder.path().join(damaged), "rubbish").unwrap();
        let before = files(folder.path());
        let queries = Queries::of(&store, Limits::default()).await.unwrap();
        let message = queries.sql("SELECT AVG(value) FROM strokes").await.unwrap_err().to_string();
        assert!(message.contains("midline cohort check"), "{message}");
        let faults = store.faults().await.unwrap();
        assert!(faults.iter().any(|f| f.contains(damaged) && f.contains("not what was written")), "{faults:?}");
        assert_eq!(files(folder.path()), before);

        // A record of a newer program.
        let path = folder.path().join("records").join(folder_of(&sessions[1])).join("000001.json");
        let text = std::fs::read_to_string(&path).unwrap();
        std::fs::write(&path, text.replacen("\"schema\": 2", "\"schema\": 3", 1)).unwrap();
        let message = Queries::of(&store, Limits::default()).await.err().unwrap().to_string();
        assert!(message.contains("schema version 3") && message.contains("session=visit-2"), "{message}");
        std::fs::write(&path, "{ cut").unwrap();
        let message = store.records().await.unwrap_err().to_string();
        assert!(message.contains("000001.json"), "{message}");
    });
}

/// Puts a session into a store as schema version 1 laid it out: no kind of stroke, the day in `quality` alone, files named after the content alone.
async fn add_as_version_1(store: &Store, session: &MeasuredSession) {
    let (folder, content) = (folder_of(session), content_hash(session).unwrap());
    let mut files = Vec::new();
    for table in Table::ALL {
        let batch = session.rows(table).unwrap();
        let schema = batch.schema();
        let was_there = |name: &str| name != "kind" && (name != "recorded" || table == Table::Quality);
        let columns: Vec<usize> = (0..batch.num_columns()).filter(|k| was_there(schema.field(*k).name())).collect();
        let batch = batch.project(&columns).unwrap();
        let metadata = [(SCHEMA_KEY.to_owned(), "1".to_owned())].into();
        let schema = Arc::new(batch.schema().as_ref().clone().with_metadata(metadata));
        let batch = arrow::array::RecordBatch::try_new(schema.clone(), batch.columns().to_vec()).unwrap();
        let mut bytes = Vec::new();
        let mut writer = ArrowWriter::try_new(&mut bytes, schema, None).unwrap();
        writer.write(&batch).unwrap();
        writer.close().unwrap();
        let path = format!("{}/{folder}/{}.parquet", table.name(), &content[..16]);
        files.push(StoredFile {
            table: table.name().to_owned(),
            path: path.clone(),
            rows: batch.num_rows() as u64,
            bytes: bytes.len() as u64,
            blake3: blake3::hash(&bytes).to_hex().to_string(),
        });
        store.put(&Path::from(path), bytes, PutMode::Overwrite).await.unwrap();
    }
    let record = Record {
        schema: 1,
        program: "0.1.0".to_owned(),
        study: session.study.clone(),
        player: session.player.clone(),
        session: session.session.clone(),
        content,
        strokes: session.strokes.strokes.len() as u64,
        provenance: session.provenance.clone(),
        files,
    };
    let path = Path::from(format!("records/{folder}/000001.json"));
    store.put(&path, json(&record).unwrap(), PutMode::Create).await.unwrap();
    let marker = Marker { schema: 1, program: "0.1.0".to_owned() };
    store.put(&Path::from(MARKER), json(&marker).unwrap(), PutMode::Overwrite).await.unwrap();
}

#[test]
fn sessions_of_an_older_schema_are_refused_by_queries_and_mended_on_request() {
    let folder = tempfile::tempdir().unwrap();
    now(async {
        let place = folder.path().display().to_string();
        let session = few(1).remove(0);
        add_as_version_1(&Store::open_or_create(&place).await.unwrap(), &session).await;
        let store = Store::open(&place).await.unwrap();
        let old = store.records().await.unwrap().remove(0);
        assert_eq!(old.schema, 1);
        // Mixed: a session of the present version beside it.
        store.add(&few(2)[1], false).await.unwrap();
        let before = files(folder.path());
        let message = Queries::of(&store, Limits::default()).await.err().unwrap().to_string();
        assert!(message.contains("session visit-1 of player P01") && message.contains("--mend"), "{message}");
        let faults = store.faults().await.unwrap();
        assert!(faults.len() == 1 && faults[0].contains("schema version 1 instead of 2"), "{faults:?}");
        assert_eq!(files(folder.path()), before, "questions leave the store untouched");

        // A damaged old session is left as it is.
        let damaged = folder.path().join(&old.files[0].path);
        let whole = std::fs::read(&damaged).unwrap();
        std::fs::write(&damaged, &whole[..whole.len() - 1]).unwrap();
        let (mended, left) = store.mend().await.unwrap();
        assert!(mended == 0 && left.len() == 1 && left[0].contains("not what was written"), "{left:?}");
        std::fs::write(&damaged, &whole).unwrap();
        assert_eq!(files(folder.path()), before);

        assert_eq!(store.mend().await.unwrap(), (1, Vec::new()));
        assert_eq!(store.faults().await.unwrap(), Vec::<String>::new());
        assert_eq!(store.mend().await.unwrap(), (0, Vec::new()));
        let new = store.records().await.unwrap().remove(0);
        assert_eq!((new.schema, &new.content, new.strokes), (COHORT_SCHEMA, &old.content, 6));
        assert_eq!(store.add(&session, false).await.unwrap(), Added::AlreadyThere);
        let rows = |record: &Record| record.files.iter().map(|f| f.rows).collect::<Vec<_>>();
        assert_eq!(rows(&new), rows(&old));
        let queries = Queries::of(&store, Limits::default()).await.unwrap();
        for table in Table::ALL {
            let name = table.name();
            let sql = format!("SELECT DISTINCT recorded FROM {name} WHERE session = 'visit-1'");
            let days = queries.sql(&sql).await.unwrap();
            assert_eq!(days.iter().map(|b| b.num_rows()).sum::<usize>(), 1, "{name}");
            let columns = crate::query::Columns::of(days.iter().find(|b| b.num_rows() > 0).unwrap()).unwrap();
            assert_eq!(columns.text("recorded", 0).as_deref(), Some("2026-04-01"), "{name}");
        }
    });
}

#[test]
fn a_session_with_a_name_instead_of_a_code_is_refused() {
    now(async {
        let store = Store::in_objects(Arc::new(InMemory::new()), "memory").await.unwrap();
        let mut session = few(1).remove(0);
        session.player = "Ann Other".into();
        assert!(store.add(&session, false).await.unwrap_err().to_string().contains("not a player code"));
        session.player = "P01".into();
        session.age_group = Some("2010-02-03".into());
        assert!(store.add(&session, false).await.unwrap_err().to_string().contains("date"));
        assert!(store.records().await.unwrap().is_empty());
    });
}
