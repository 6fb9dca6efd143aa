//! `midline cohort`: the store of many players.

use std::future::Future;
use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::Context;
use midline_cohort::findings::{self, Asked};
use midline_cohort::query::{Criteria, Form, Limits, Queries, Question, Quoted, rendered};
use midline_cohort::store::{Added, MeasuredSession, Store, Table, roster};
use midline_cohort::{demo, report};
use midline_session::description::Session;
use midline_session::strokes::{EventKind, Strokes};
use midline_session::tracks::Tracks;
use midline_session::{read_computed, write_atomically};

use crate::cohort_arguments::{CohortCommand, CriteriaAsked, ExportFormat, FormAsked, Output};
use crate::cohort_cluster;
use crate::progress;

/// Stack of a thread of the query engine.
const STACK_BYTES: usize = 16 << 20;

/// Does what was asked of the cohort.
pub(crate) fn run(command: &CohortCommand) -> anyhow::Result<()> {
    match command {
        CohortCommand::Add { store, sessions, study, roster, replace } => {
            waited(add(store, sessions, study, roster.as_deref(), *replace))?
        }
        CohortCommand::Remove { store, study, player, session } => waited(async {
            Store::open(store).await?.remove(study, player, session).await?;
            println!("{store}: session {session} of player {player} is out of study {study}");
            anyhow::Ok(())
        })?,
        CohortCommand::Check { store, mend } => waited(check(store, *mend))?,
        CohortCommand::Columns => columns(),
        CohortCommand::Sql { store, query, output } => waited(sql(store, query, output))?,
        CohortCommand::Ask { store, question, subject, print_sql, output } => {
            let query = ready(question, subject.as_deref())?;
            if *print_sql {
                println!("{query}");
                return Ok(());
            }
            waited(sql(store, &query, output))?
        }
        CohortCommand::Flow { store, measure, criteria, json } => waited(flow(store, measure, criteria, *json))?,
        CohortCommand::Report { store, to, measures, channels, style_channel, criteria, replicates, seed, json } => {
            let asked = Asked {
                measures: measures.clone(),
                channels: channels.clone(),
                style_channel: style_channel.clone(),
                criteria: criteria.into(),
                replicates: *replicates as usize,
                seed: *seed,
            };
            waited(write_report(store, to, &asked, *json))?
        }
        CohortCommand::Export { store, folder, format } => waited(export(store, folder, *format))?,
        CohortCommand::C3d { session, folder } => c3d(session, folder),
        CohortCommand::Demo { folder, seed } => waited(write_demo(folder, *seed))?,
        #[cfg(feature = "cluster")]
        CohortCommand::Cluster(command) => waited(cohort_cluster::serve(command))?,
    }
}

impl From<&CriteriaAsked> for Criteria {
    fn from(asked: &CriteriaAsked) -> Self {
        Self {
            kind: asked.kind.clone(),
            contact_sd_seconds: asked.contact_sd_ms / 1000.0,
            curve_share: asked.curve_share,
            strokes_per_player: asked.strokes_per_player,
        }
    }
}

/// Runs work that waits for files and threads.
fn waited<T>(work: impl Future<Output = T>) -> anyhow::Result<T> {
    // Plans of queries are trees that are walked by recursion.
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .thread_stack_size(STACK_BYTES)
        .enable_all()
        .build()
        .context("starting the query engine")?;
    Ok(runtime.block_on(work))
}

async fn add(
    location: &str,
    sessions: &[PathBuf],
    study: &str,
    roster_file: Option<&Path>,
    replace: bool,
) -> anyhow::Result<()> {
    let roster = roster_file.map(roster::read).transpose()?;
    // Everything is read and checked before anything is written.
    let mut measured = Vec::new();
    for path in sessions {
        let session = Session::open(path)?;
        let strokes = session.computed("strokes.json");
        anyhow::ensure!(
            strokes.is_file(),
            "{}: the session is not measured yet; run `midline run {}` first",
            strokes.display(),
            path.display()
        );
        let mut one = MeasuredSession::read(&session, study)?;
        if let (Some(roster), Some(file)) = (&roster, roster_file) {
            let entry = roster.get(&one.player).with_context(|| {
                format!(
                    "{}: player {} of session {} is not in the roster; add a row",
                    file.display(),
                    one.player,
                    one.session
                )
            })?;
            one.level.clone_from(&entry.level);
            one.age_group.clone_from(&entry.age_group);
        }
        measured.push(one);
    }
    let store = Store::open_or_create(location).await?;
    for session in &measured {
        let done = match store.add(session, replace).await? {
            Added::New => "added",
            Added::AlreadyThere => "is there already, nothing to do",
            Added::Replaced => "replaced",
        };
        println!(
            "{location}: {} of player {} ({} strokes): {done}",
            session.session,
            session.player,
            session.strokes.strokes.len()
        );
    }
    Ok(())
}

async fn check(location: &str, mend: bool) -> anyhow::Result<()> {
    let store = Store::open(location).await?;
    if mend {
        let (mended, left) = store.mend().await?;
        for reason in &left {
            println!("{reason}");
        }
        println!("{location}: {mended} session(s) brought up to date, {} could not be", left.len());
    }
    let (records, faults) = (store.records().await?.len(), store.faults().await?);
    for fault in &faults {
        println!("{fault}");
    }
    anyhow::ensure!(faults.is_empty(), "{location}: {} fault(s) in {records} sessions, see above", faults.len());
    println!("{location}: {records} sessions, every file is as it was written");
    Ok(())
}

fn columns() -> anyhow::Result<()> {
    for table in Table::ALL {
        println!("{}", table.name());
        for field in table.schema().fields() {
            let of = |key: &str| field.metadata().get(key).map_or("", String::as_str);
            println!(
                "  {:<20} {:<8} {:<12} {}",
                field.name(),
                field.data_type().to_string(),
                of("unit"),
                of("meaning")
            );
        }
    }
    Ok(())
}

fn ready(question: &str, subject: Option<&str>) -> anyhow::Result<String> {
    let question = Question::ALL
        .into_iter()
        .find(|q| q.name() == question)
        .with_context(|| format!("no question \"{question}\""))?;
    match (question.subject(), subject) {
        (Some(kind), None) => anyhow::bail!(
            "the question {0} is about a {kind}: midline cohort ask STORE {0} NAME; midline cohort ask STORE measures lists the measures",
            question.name()
        ),
        (None, Some(subject)) => anyhow::bail!("the question {} takes no \"{subject}\"", question.name()),
        (_, subject) => Ok(question.sql(&Quoted::new(subject.unwrap_or_default()))),
    }
}

async fn queries(location: &str, limits: Limits) -> anyhow::Result<Queries> {
    let store = Store::open(location).await?;
    Ok(Queries::of(&store, limits).await?)
}

async fn sql(location: &str, query: &str, output: &Output) -> anyhow::Result<()> {
    anyhow::ensure!(
        output.form != FormAsked::Parquet || output.to.is_some(),
        "--form parquet needs a file: --to answer.parquet"
    );
    let rows = match &output.cluster {
        Some(address) => cohort_cluster::rows(&Store::open(location).await?, address, query).await?,
        None => {
            let limits = Limits { memory_bytes: usize::try_from(output.memory_mb << 20)?, ..Limits::default() };
            queries(location, limits).await?.sql(query).await?
        }
    };
    let form = match output.form {
        FormAsked::Table => Form::Table,
        FormAsked::Csv => Form::Csv,
        FormAsked::Json => Form::Json,
        FormAsked::Parquet => Form::Parquet,
    };
    let bytes = rendered(&rows, form)?;
    match &output.to {
        Some(file) => Ok(write_atomically(file, &bytes)?),
        None => Ok(std::io::stdout().write_all(&bytes)?),
    }
}

async fn flow(location: &str, measure: &str, criteria: &CriteriaAsked, json: bool) -> anyhow::Result<()> {
    let flow = queries(location, Limits::default()).await?.flow(measure, &criteria.into()).await?;
    if json {
        println!("{}", serde_json::to_string_pretty(&flow.steps)?);
        return Ok(());
    }
    println!("{} ({})", flow.name, flow.unit);
    for (index, step) in flow.steps.iter().enumerate() {
        let [players, sessions, strokes] = step.left;
        if index == 0 {
            println!("  {:<48} {players} players, {sessions} sessions, {strokes} strokes", step.what);
        } else {
            println!(
                "  left out: {:<38} {} strokes, {} players; left {players} players, {sessions} sessions, {strokes} strokes",
                step.what, step.excluded[1], step.excluded[0]
            );
        }
    }
    Ok(())
}

async fn write_report(location: &str, to: &Path, asked: &Asked, json: bool) -> anyhow::Result<()> {
    let queries = queries(location, Limits::default()).await?;
    let spinner = progress::spinner("cohort report");
    let findings = findings::find(&queries, asked).await?;
    let page = report::page(&findings)?;
    spinner.finish_and_clear();
    write_atomically(to, page.as_bytes())?;
    if json {
        println!("{}", serde_json::to_string_pretty(&findings)?);
    } else {
        println!("{}", to.display());
    }
    Ok(())
}

async fn export(location: &str, folder: &Path, format: ExportFormat) -> anyhow::Result<()> {
    let queries = queries(location, Limits::default()).await?;
    let (form, ending) = match format {
        ExportFormat::Csv => (Form::Csv, "csv"),
        ExportFormat::Parquet => (Form::Parquet, "parquet"),
    };
    for table in Table::ALL {
        let file = folder.join(format!("{}.{ending}", table.name()));
        let rows =
            queries.sql(&format!("SELECT * FROM {} ORDER BY study, player, session, stroke", table.name())).await?;
        write_atomically(&file, &rendered(&rows, form)?)?;
        println!("{}", file.display());
    }
    Ok(())
}

fn c3d(path: &Path, folder: &Path) -> anyhow::Result<()> {
    let session = Session::open(path)?;
    let (tracks, _) = Tracks::read_parquet(&session.computed("tracks.parquet")).context("midline run makes it")?;
    let strokes: Strokes = read_computed(&session.computed("strokes.json"))?.result;
    for stroke in &strokes.strokes {
        let Some(contact) = stroke.event(EventKind::Contact) else {
            eprintln!("midline: stroke {}: no contact was found, so there is no C3D file of it", stroke.number);
            continue;
        };
        let file = folder.join(format!("stroke-{:02}.c3d", stroke.number));
        let window = [contact.session_seconds - 1.5, contact.session_seconds + 0.5];
        let bytes = midline_session::c3d::of_stroke(&tracks, stroke, window, &file)?;
        write_atomically(&file, &bytes)?;
        println!("{}", file.display());
    }
    Ok(())
}

async fn write_demo(folder: &Path, seed: u64) -> anyhow::Result<()> {
    let location = folder.join("store").display().to_string();
    let store = Store::open_or_create(&location).await?;
    let spinner = progress::spinner("made-up cohort");
    for session in demo::sessions(seed) {
        store.add(&session, false).await?;
    }
    spinner.finish_and_clear();
    let truth = serde_json::json!({ "effects": demo::EFFECTS, "changed": demo::CHANGED, "styles": demo::STYLES, "levels": demo::LEVELS });
    write_atomically(&folder.join("truth.json"), serde_json::to_string_pretty(&truth)?.as_bytes())?;
    println!(
        "{location}: {} made-up players; what is true of them: {}",
        demo::PLAYERS,
        folder.join("truth.json").display()
    );
    write_report(&location, &folder.join("cohort-report.html"), &Asked { seed, ..Asked::default() }, false).await
}
