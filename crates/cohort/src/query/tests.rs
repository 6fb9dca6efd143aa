//! Questions to a store in memory.

use std::sync::Arc;

use datafusion::arrow::array::AsArray;
use datafusion::arrow::datatypes::{Float64Type, Int64Type};
use object_store::memory::InMemory;

use super::*;
use crate::store::MeasuredSession;

async fn store_of(sessions: &[MeasuredSession]) -> Store {
    let store = Store::in_objects(Arc::new(InMemory::new()), "memory").await.unwrap();
    for session in sessions {
        store.add(session, false).await.unwrap();
    }
    store
}

fn now<T>(work: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap().block_on(work)
}

#[test]
fn every_ready_question_is_answered_on_a_full_and_on_an_empty_store() {
    now(async {
        for sessions in [crate::demo::sessions(3).into_iter().take(12).collect(), Vec::new()] {
            let queries = Queries::of(&store_of(&sessions).await, Limits::default()).await.unwrap();
            for question in Question::ALL {
                let subject = Quoted::new(if question == Question::MeanCurves {
                    "racket-tip-speed"
                } else {
                    "tip-speed-contact"
                });
                let rows = queries.sql(&question.sql(&subject)).await.unwrap();
                let count: usize = rows.iter().map(|b| b.num_rows()).sum();
                assert_eq!(count > 0, !sessions.is_empty(), "{}", question.name());
                for form in [Form::Table, Form::Csv, Form::Json, Form::Parquet] {
                    assert!(!rendered(&rows, form).unwrap().is_empty());
                }
            }
        }
    });
}

/// Means by style counted by hand from the sessions themselves.
#[test]
fn a_distribution_counts_every_player_once() {
    let sessions: Vec<MeasuredSession> = crate::demo::sessions(3).into_iter().take(12).collect();
    let mut by_player: std::collections::BTreeMap<&str, Vec<f64>> = std::collections::BTreeMap::new();
    for session in &sessions {
        for stroke in &session.strokes.strokes {
            if let Some(midline_session::strokes::Outcome::Measured { value, .. }) =
                stroke.measure("tip-speed-contact").map(|m| &m.outcome)
            {
                by_player.entry(&session.player).or_default().push(*value);
            }
        }
    }
    let means: Vec<f64> = by_player.values().map(|v| v.iter().sum::<f64>() / v.len() as f64).collect();
    let mean = means.iter().sum::<f64>() / means.len() as f64;
    now(async {
        let queries = Queries::of(&store_of(&sessions).await, Limits::default()).await.unwrap();
        let rows = queries.sql(&Question::Distribution.sql(&Quoted::new("tip-speed-contact"))).await.unwrap();
        let batch = rows.iter().find(|b| b.num_rows() > 0).unwrap();
        let found = batch.column_by_name("mean").unwrap().as_primitive::<Float64Type>().value(0);
        assert!((found - mean).abs() < 1e-9, "{found} {mean}");
        assert_eq!(batch.column_by_name("players").unwrap().as_primitive::<Int64Type>().value(0), 6);
    });
}

#[test]
fn the_flow_adds_up_at_every_step() {
    let sessions: Vec<MeasuredSession> = crate::demo::sessions(3).into_iter().take(20).collect();
    now(async {
        let queries = Queries::of(&store_of(&sessions).await, Limits::default()).await.unwrap();
        let criteria = Criteria { strokes_per_player: 11, ..Criteria::default() };
        let flow = queries.flow("tip-speed-contact", &criteria).await.unwrap();
        assert_eq!(flow.unit, "m/s");
        assert_eq!(flow.steps[0].left, [10, 20, 120]);
        for pair in flow.steps.windows(2) {
            assert_eq!(pair[0].left[0] - pair[1].excluded[0], pair[1].left[0], "{}", pair[1].what);
            assert_eq!(pair[0].left[2] - pair[1].excluded[1], pair[1].left[2], "{}", pair[1].what);
        }
        assert_eq!(flow.steps.last().unwrap().left[2], flow.observations.len());
        assert!(flow.steps.iter().skip(1).filter(|s| s.excluded[1] > 0).count() >= 2, "{:?}", flow.steps);
        for (kind, left) in [("forehand", flow.steps[0].left[2]), ("serve", 0)] {
            let criteria = Criteria { kind: Some(kind.to_owned()), ..criteria.clone() };
            let flow = queries.flow("tip-speed-contact", &criteria).await.unwrap();
            assert!(flow.steps[1].what.contains(kind) && flow.steps[1].left[2] == left, "{:?}", flow.steps);
        }
        assert!(queries.flow("no-such", &criteria).await.unwrap_err().to_string().contains("no-such"));
    });
}

#[test]
fn sql_that_is_wrong_or_would_write_says_so() {
    now(async {
        let queries = Queries::of(&store_of(&crate::demo::sessions(3)[..1]).await, Limits::default()).await.unwrap();
        for (sql, says) in [
            ("SELEC 1", "query"),
            ("SELECT valu FROM strokes", "valu"),
            ("SELECT * FROM stroke", "stroke"),
            ("DROP TABLE strokes", "not"),
            ("CREATE TABLE x AS SELECT 1", "not"),
            ("INSERT INTO strokes SELECT * FROM strokes", "not"),
            ("COPY strokes TO 'x.csv'", "not"),
            ("SET datafusion.execution.batch_size = 1", "not"),
            ("", "query"),
        ] {
            let message = queries.sql(sql).await.unwrap_err().to_string();
            assert!(message.contains(says), "{sql}: {message}");
            assert!(message.lines().count() == 1, "{message}");
        }
        assert_eq!(queries.records().len(), 1);
    });
}

/// Quotes inside a subject stay inside it.
#[test]
fn a_subject_cannot_leave_its_quotes() {
    now(async {
        let queries = Queries::of(&store_of(&crate::demo::sessions(3)[..1]).await, Limits::default()).await.unwrap();
        let rows = queries.sql(&Question::Reliability.sql(&Quoted::new("x' OR '1'='1"))).await.unwrap();
        assert_eq!(rows.iter().map(|b| b.num_rows()).sum::<usize>(), 0);
    });
}

#[test]
fn a_query_beyond_its_memory_says_what_to_do() {
    now(async {
        let store = store_of(&crate::demo::sessions(3)[..6]).await;
        let queries = Queries::of(&store, Limits { memory_bytes: 20_000, threads: 2 }).await.unwrap();
        let message = queries.sql("SELECT at, MEDIAN(value) FROM curves GROUP BY at").await.unwrap_err().to_string();
        assert!(message.contains("--memory-mb"), "{message}");
    });
}
