//! Queries on several machines: the same rows as the embedded engine's, from a cluster inside this process and from one of real processes.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use midline_cohort::demo;
use midline_cohort::query::{Form, Limits, Queries, Question, Quoted, Rows, rendered};
use midline_cohort::store::Store;
use midline_tests::academy::{midline, program};
use serde_json::Value;

/// Differences in the order of summation may move the last digits.
const ROUNDING: f64 = 1e-12;

fn now<T>(work: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .thread_stack_size(16 << 20)
        .enable_all()
        .build()
        .unwrap()
        .block_on(work)
}

async fn store_of(folder: &Path, sessions: usize) -> Store {
    let store = Store::open_or_create(&folder.display().to_string()).await.unwrap();
    for session in demo::sessions(3).into_iter().take(sessions) {
        store.add(&session, false).await.unwrap();
    }
    store
}

fn query(question: Question) -> String {
    let subject = if question == Question::MeanCurves { "racket-tip-speed" } else { "take-back-minus-bounce-hand" };
    question.sql(&Quoted::new(subject))
}

/// Names and rows, whatever the parts that they came in.
fn table(rows: &Rows) -> (Vec<String>, Vec<Value>) {
    let names = rows[0].schema().fields().iter().map(|f| f.name().clone()).collect();
    (names, serde_json::from_slice(&rendered(rows, Form::Json).unwrap()).unwrap())
}

fn assert_equal(found: &Value, expected: &Value, what: &str) {
    match (found, expected) {
        (Value::Object(a), Value::Object(b)) => {
            assert_eq!(a.len(), b.len(), "{what}");
            for (name, value) in a {
                assert_equal(value, &b[name], &format!("{what}: {name}"));
            }
        }
        (Value::Number(a), Value::Number(b)) if a.is_f64() && b.is_f64() => {
            let (a, b) = (a.as_f64().unwrap(), b.as_f64().unwrap());
            assert!((a - b).abs() <= ROUNDING * a.abs().max(b.abs()).max(1.0), "{what}: {a} instead of {b}");
        }
        _ => assert_eq!(found, expected, "{what}"),
    }
}

#[test]
fn every_ready_question_is_answered_alike_by_a_cluster() {
    let folder = tempfile::tempdir().unwrap();
    now(async {
        let store = store_of(&folder.path().join("a store"), 12).await;
        let here = Queries::of(&store, Limits::default()).await.unwrap();
        let cluster = Queries::on_cluster_here(&store, 2).await.unwrap();
        for question in Question::ALL {
            let sql = query(question);
            let (names, expected) = table(&here.sql(&sql).await.unwrap());
            let (found_names, found) = table(&cluster.sql(&sql).await.unwrap());
            assert_eq!(found_names, names, "{}", question.name());
            assert!(!expected.is_empty(), "{}", question.name());
            assert_eq!(found.len(), expected.len(), "{}", question.name());
            for (row, (found, expected)) in found.iter().zip(&expected).enumerate() {
                assert_equal(found, expected, &format!("{} row {row}", question.name()));
            }
        }
        // No rows, and what must be refused here as there.
        let none = cluster.sql("SELECT player FROM quality WHERE player = 'Z99'").await.unwrap();
        assert_eq!(none.iter().map(|b| b.num_rows()).sum::<usize>(), 0);
        for (sql, says) in [
            ("DROP TABLE strokes", "not"),
            ("COPY strokes TO 'x.csv'", "not"),
            ("SELECT valu FROM strokes", "midline cohort columns"),
            ("SELEC 1", "spelling"),
        ] {
            let message = cluster.sql(sql).await.unwrap_err().to_string();
            assert!(message.contains(says) && message.lines().count() == 1, "{sql}: {message}");
        }
        // A damaged file is said to be one.
        let record = store.records().await.unwrap().remove(0);
        let damaged = record.files.iter().find(|f| f.table == "events").unwrap();
        std::fs::write(folder.path().join("a store").join(&damaged.path), "rubbish").unwrap();
        let message = cluster.sql("SELECT AVG(sd_seconds) FROM events").await.unwrap_err().to_string();
        assert!(message.contains("midline cohort check") && message.lines().count() == 1, "{message}");
    });
}

/// A process that is ended with the test, whatever its outcome.
struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn started(arguments: &[&str]) -> Ended {
    Ended(Command::new(program()).args(arguments).stdout(Stdio::null()).spawn().unwrap())
}

/// A port that nobody used a moment ago.
fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

/// The documented commands: a scheduler, an executor, a question.
#[test]
fn the_program_asks_a_cluster_of_processes() {
    const { assert!(midline::CLUSTER, "the tests are built with the program's feature") };
    let folder = tempfile::tempdir().unwrap();
    let place = folder.path().join("store");
    now(store_of(&place, 4));
    let (store, port) = (place.display().to_string(), free_port());
    let address = format!("df://127.0.0.1:{port}");
    let ask = ["cohort", "ask", &store, "by-level", "tip-speed-contact", "--form", "csv"];
    let with_cluster: Vec<&str> = ask.iter().copied().chain(["--cluster", &address]).collect();

    let refused = midline(&with_cluster);
    let message = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert_eq!(refused.status.code(), Some(1), "{message}");
    assert!(message.contains(&address) && message.contains("midline cohort cluster scheduler"), "{message}");

    let at = format!("127.0.0.1:{port}");
    let _scheduler = started(&["cohort", "cluster", "scheduler", "--at", &at]);
    let begun = Instant::now();
    while std::net::TcpStream::connect(&at).is_err() {
        assert!(begun.elapsed() < Duration::from_secs(60), "the scheduler does not listen");
        std::thread::sleep(Duration::from_millis(50));
    }
    let executor_at = format!("127.0.0.1:{}", free_port());
    let _executor =
        started(&["cohort", "cluster", "executor", "--scheduler", &at, "--at", &executor_at, "--tasks", "2"]);
    let (found, expected) = (midline(&with_cluster), midline(&ask));
    assert!(found.status.success(), "{}", String::from_utf8_lossy(&found.stderr));
    assert!(expected.status.success());
    let cells = |bytes: &[u8]| -> Vec<String> {
        String::from_utf8_lossy(bytes).split([',', '\n']).map(str::to_owned).collect()
    };
    let (found, expected) = (cells(&found.stdout), cells(&expected.stdout));
    assert!(expected.len() > 9 && found.len() == expected.len(), "{found:?} {expected:?}");
    for (a, b) in found.iter().zip(&expected) {
        match (a.parse::<f64>(), b.parse::<f64>()) {
            (Ok(a), Ok(b)) => assert!((a - b).abs() <= ROUNDING * a.abs().max(1.0), "{a} instead of {b}"),
            _ => assert_eq!(a, b),
        }
    }
}
