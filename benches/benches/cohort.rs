//! Grouped mean curves over a cohort store against DuckDB and Polars on the same Parquet files, and the cost of adding one session to a small
//! and to a large store.
//!
//! By default 10 000 strokes × 101 instants × 40 channels (40 million rows); `--large` takes 100 000 strokes (404 million rows, some 5 GB of
//! disk), `--strokes N` any number. DuckDB and Polars come from PyPI (`tests/reference/reading_requirements.txt`), and run with as many threads as
//! the engine here. Times by the clock depend on what else the machine does; processor times (user and system, all threads) hardly do.

use std::error::Error;
use std::process::Command;
use std::time::Instant;

use midline_cohort::demo;
use midline_cohort::query::{Limits, Queries};
use midline_cohort::store::{MeasuredSession, Store};
use midline_session::strokes::{Curve, Event, EventKind};

const CHANNELS: usize = 40;
const STROKES_PER_SESSION: usize = 100;
/// Memory that the query may take.
const MEMORY_BYTES: usize = 1 << 30;

const QUERY: &str = "SELECT level, channel, instant, COUNT(value) AS n, AVG(value) AS mean FROM curves WHERE clock = 'normalised' \
                     GROUP BY level, channel, instant ORDER BY level, channel, instant";

/// A session of the made-up cohort with that many strokes of 40 channels, on the normalised clock.
fn session(template: &MeasuredSession, number: usize) -> MeasuredSession {
    let mut session = template.clone();
    session.session = format!("s{number:05}");
    let first = session.strokes.strokes[0].clone();
    session.strokes.strokes = (1..=STROKES_PER_SESSION)
        .map(|stroke| {
            let mut own = first.clone();
            own.number = stroke;
            own.measures.clear();
            let contact = own.event(EventKind::Contact).map_or(0.0, |e| e.session_seconds);
            let event = |kind, at: f64| Event {
                kind,
                session_seconds: contact + at,
                sd_seconds: 0.001,
                source: String::new(),
                definition: String::new(),
            };
            own.events = vec![event(EventKind::TakeBackStart, -1.0), event(EventKind::Contact, 0.0)];
            // Few raw samples: the normalised rows are what is asked for.
            let times: Vec<f64> = (0..=10).map(|k| -1.0 + 0.1 * f64::from(k)).collect();
            own.curves = (0..CHANNELS)
                .map(|channel| Curve {
                    id: format!("channel-{channel:02}"),
                    name: String::new(),
                    unit: "m".to_owned(),
                    definition: String::new(),
                    values: times
                        .iter()
                        .map(|t| Some((t * channel as f64).sin() + 0.01 * ((number * 977 + stroke * 31) % 97) as f64))
                        .collect(),
                    sds: vec![None; times.len()],
                    seconds_to_contact: times.clone(),
                })
                .collect();
            own
        })
        .collect();
    session
}

async fn measured(store: &Store, session: &MeasuredSession) -> Result<f64, Box<dyn Error>> {
    let start = Instant::now();
    store.add(session, false).await?;
    Ok(start.elapsed().as_secs_f64())
}

/// Processor time of this process so far (user and system, all threads), seconds; Linux counts it in hundredths.
fn processor_seconds() -> Option<f64> {
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    // The second field is a name in brackets that may hold spaces.
    let fields: Vec<&str> = stat.rsplit_once(')')?.1.split_whitespace().collect();
    let ticks: u64 = fields.get(11)?.parse::<u64>().ok()? + fields.get(12)?.parse::<u64>().ok()?;
    Some(ticks as f64 / 100.0)
}

/// Largest resident memory of this process since that was last cleared, MB.
fn peak_memory_mb() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM"))?;
    line.split_whitespace().nth(1)?.parse::<u64>().ok().map(|kb| kb / 1024)
}

async fn run(strokes: usize) -> Result<(), Box<dyn Error>> {
    let folder = tempfile::tempdir()?;
    let location = folder.path().display().to_string();
    let store = Store::open_or_create(&location).await?;
    let templates = demo::sessions(1);
    let sessions = strokes / STROKES_PER_SESSION;
    let mut times = Vec::with_capacity(sessions);
    for number in 0..sessions {
        times.push(measured(&store, &session(&templates[number % templates.len()], number)).await?);
    }
    let median = |part: &[f64]| {
        let mut sorted = part.to_vec();
        sorted.sort_by(f64::total_cmp);
        sorted[sorted.len() / 2]
    };
    let tenth = (sessions / 10).max(3).min(sessions);
    println!(
        "adding a session of {STROKES_PER_SESSION} strokes: {:.0} ms in the first tenth, {:.0} ms in the last: ratio {:.2} (1: cost of its own size)",
        1e3 * median(&times[..tenth]),
        1e3 * median(&times[sessions - tenth..]),
        median(&times[sessions - tenth..]) / median(&times[..tenth])
    );
    // The peak from here on is that of the query.
    std::fs::write("/proc/self/clear_refs", "5")?;
    let limits = Limits { memory_bytes: MEMORY_BYTES, ..Limits::default() };
    let (mut ours, mut ours_processor) = (Vec::new(), Vec::new());
    for _ in 0..3 {
        let (start, before) = (Instant::now(), processor_seconds());
        let rows = Queries::of(&store, limits).await?.sql(QUERY).await?;
        let count: usize = rows.iter().map(|b| b.num_rows()).sum();
        assert_eq!(count, 2 * CHANNELS * 101, "two levels, every channel and instant");
        ours.push(start.elapsed().as_secs_f64());
        ours_processor.extend(before.zip(processor_seconds()).map(|(before, after)| after - before));
    }
    println!(
        "{strokes} strokes × 101 × {CHANNELS}: grouped mean curves here {:.2} s by the clock, {:.2} s of processor time; memory of the query limited to {} MB, peak of the process {} MB",
        median(&ours),
        median(&ours_processor),
        MEMORY_BYTES >> 20,
        peak_memory_mb().map_or("?".to_owned(), |mb| mb.to_string())
    );
    let script = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src/peers_of_cohort.py");
    let output = Command::new(midline_tests::python())
        .arg(script)
        .args([&location, QUERY, &limits.threads.to_string()])
        .output()?;
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into_owned().into());
    }
    for line in String::from_utf8_lossy(&output.stdout).lines() {
        if let [name, seconds, processor] = line.split_whitespace().collect::<Vec<_>>()[..] {
            let (seconds, processor): (f64, f64) = (seconds.parse()?, processor.parse()?);
            println!(
                "  {name} {seconds:.2} s by the clock ({:.2} × our time), {processor:.2} s of processor time ({:.2} × ours)",
                seconds / median(&ours),
                processor / median(&ours_processor)
            );
        }
    }
    Ok(())
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    let asked =
        arguments.iter().position(|a| a == "--strokes").and_then(|k| arguments.get(k + 1)).map(|n| n.parse::<usize>());
    let strokes = match asked {
        Some(number) => number?,
        None if arguments.iter().any(|a| a == "--large") => 100_000,
        None => 10_000,
    };
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build()?;
    runtime.block_on(run(strokes))
}
