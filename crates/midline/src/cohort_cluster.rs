//! `midline cohort sql --cluster` and `midline cohort cluster`.

#[cfg(feature = "cluster")]
pub(crate) use with::{rows, serve};
#[cfg(not(feature = "cluster"))]
pub(crate) use without::rows;

#[cfg(feature = "cluster")]
mod with {
    use std::time::Duration;

    use anyhow::Context;
    use midline_cohort::query::cluster::{Executor, execute, schedule};
    use midline_cohort::query::{Queries, Rows};
    use midline_cohort::store::Store;

    use crate::cohort_arguments::ClusterCommand;

    /// After that long the user is told what a query may be waiting for.
    const LONG: Duration = Duration::from_secs(15);

    /// The rows that a cluster answers with.
    pub(crate) async fn rows(store: &Store, address: &str, query: &str) -> anyhow::Result<Rows> {
        let queries = Queries::on_cluster(store, address).await?;
        let mut answer = std::pin::pin!(queries.sql(query));
        let rows = tokio::select! {
            rows = &mut answer => rows,
            () = tokio::time::sleep(LONG) => {
                eprintln!("midline: no answer yet; a query waits until an executor has joined (`midline cohort cluster executor --scheduler …`)");
                answer.await
            }
        };
        Ok(rows?)
    }

    /// Runs a process of a cluster until it is ended.
    pub(crate) async fn serve(command: &ClusterCommand) -> anyhow::Result<()> {
        match command {
            ClusterCommand::Scheduler { at } => {
                println!("scheduler at df://{at}; Ctrl-C ends it");
                Ok(schedule(*at).await?)
            }
            ClusterCommand::Executor { scheduler, at, known_as, tasks, memory_mb } => {
                let named = scheduler.trim_start_matches("df://");
                let (host, port) = named
                    .rsplit_once(':')
                    .and_then(|(host, port)| Some((host, port.parse().ok()?)))
                    .with_context(|| format!("--scheduler {scheduler}: write it as host:50050"))?;
                let tasks =
                    tasks.map_or_else(|| std::thread::available_parallelism().map_or(1, usize::from), usize::from);
                // Removed when the process has been asked to end.
                let work_folder = tempfile::tempdir().context("making a work folder")?;
                println!("executor at {at} for the scheduler df://{named}, {tasks} parts at a time; Ctrl-C ends it");
                let asked = Executor {
                    scheduler_host: host.to_owned(),
                    scheduler_port: port,
                    at: *at,
                    known_as: known_as.clone(),
                    tasks,
                    memory_bytes: memory_mb << 20,
                    work_folder: work_folder.path().to_owned(),
                };
                Ok(execute(asked).await?)
            }
        }
    }
}

#[cfg(not(feature = "cluster"))]
mod without {
    use midline_cohort::query::Rows;
    use midline_cohort::store::Store;

    pub(crate) async fn rows(_: &Store, _: &str, _: &str) -> anyhow::Result<Rows> {
        anyhow::bail!(
            "this midline was built without clusters; `cargo build -p midline --features cluster` builds one with them"
        )
    }
}
