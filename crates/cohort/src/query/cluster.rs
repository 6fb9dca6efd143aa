//! The same questions on several machines, by Ballista: a scheduler takes a query apart, executors read the store's files where they run, and
//! the rows come back here. Queries rest on nothing of our own, so a scheduler and executors of Ballista's own making serve as well as
//! those of this program, in the version that this program was built with.
//!
//! Every machine must see the store's folder under the same path.
//!
//! The protocol knows no passwords and is not encrypted: who reaches a scheduler can have any file read that its executors may read. Both listen on
//! their own machine alone unless they are told otherwise; open them inside a closed network only.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use ballista::prelude::{SessionConfigExt, SessionContextExt};
use ballista_executor::executor_process::{ExecutorProcessConfig, start_executor_process};
use ballista_scheduler::cluster::BallistaCluster;
use ballista_scheduler::config::SchedulerConfig;
use ballista_scheduler::scheduler_process::start_server;
use datafusion::execution::{SessionState, SessionStateBuilder};
use datafusion::prelude::{SessionConfig, SessionContext};
use tokio::net::TcpStream;
use url::Url;

use super::{Limits, Queries, failed};
use crate::CohortError;
use crate::store::Store;

/// Port of a scheduler whose address names none.
pub const SCHEDULER_PORT: u16 = 50050;

/// How long a scheduler may take to accept a connection.
const PATIENCE: Duration = Duration::from_secs(5);

/// Files of answered queries stay with an executor for that long, seconds.
const KEPT_SECONDS: u64 = 3600;

impl Queries {
    /// Opens a store for questions that a cluster answers; `address` is its scheduler, such as `df://host:50050`. A query waits until an
    /// executor has joined. An empty store is answered here.
    ///
    /// # Errors
    /// When the address is malformed, nobody listens there, the store is not in a folder, or its records cannot be read.
    pub async fn on_cluster(store: &Store, address: &str) -> Result<Self, CohortError> {
        let wrong = wrong(address);
        let url = Url::parse(address).map_err(|e| wrong(&format!("{e}; write it as df://host:{SCHEDULER_PORT}")))?;
        let host = url.host_str().filter(|_| url.scheme() == "df");
        let Some(host) = host else { return Err(wrong(&format!("write it as df://host:{SCHEDULER_PORT}"))) };
        reach(host, url.port().unwrap_or(SCHEDULER_PORT)).await.map_err(|e| wrong(&e))?;
        let state = state(SessionConfig::new_with_ballista());
        let context = SessionContext::remote_with_state(address, state).await.map_err(|e| failed(&e))?;
        Self::of_folder(context, store).await
    }

    /// Opens a store for questions that a scheduler and an executor inside this process answer, over the loopback network: the cluster's
    /// way without its machines, for trying it out.
    ///
    /// # Errors
    /// When they cannot be started, the store is not in a folder, or its records cannot be read.
    pub async fn on_cluster_here(store: &Store, tasks: usize) -> Result<Self, CohortError> {
        let tasks = tasks.max(1);
        let config = SessionConfig::new_with_ballista().with_target_partitions(tasks);
        let state = state(config.with_ballista_standalone_parallelism(tasks));
        let context = SessionContext::standalone_with_state(state).await.map_err(|e| failed(&e))?;
        Self::of_folder(context, store).await
    }

    async fn of_folder(context: SessionContext, store: &Store) -> Result<Self, CohortError> {
        let root = store.folder_url()?;
        let records = store.present_records().await?;
        // A table without files cannot be sent.
        if records.is_empty() {
            return Self::of(store, Limits::default()).await;
        }
        Self::over(context, records, root.as_str())
    }
}

fn state(config: SessionConfig) -> SessionState {
    SessionStateBuilder::new().with_default_features().with_config(config.with_information_schema(true)).build()
}

fn wrong(address: &str) -> impl Fn(&dyn std::fmt::Display) -> CohortError {
    let address = address.to_owned();
    move |reason| CohortError::Cluster { address: address.clone(), reason: reason.to_string() }
}

/// Whether anybody listens there; the engine itself would say so in words about its transport only.
async fn reach(host: &str, port: u16) -> Result<(), String> {
    match tokio::time::timeout(PATIENCE, TcpStream::connect((host, port))).await {
        Ok(Ok(_)) => Ok(()),
        Ok(Err(error)) => {
            Err(format!("no scheduler can be reached there ({error}); `midline cohort cluster scheduler` starts one"))
        }
        Err(_) => {
            Err(format!("no scheduler answers there within {} s; is the way to its machine open?", PATIENCE.as_secs()))
        }
    }
}

/// Serves as a cluster's scheduler at a place of this machine until the process ends.
///
/// # Errors
/// When the place is taken or cannot be used.
pub async fn schedule(at: SocketAddr) -> Result<(), CohortError> {
    let address = at.to_string();
    let wrong = wrong(&address);
    let config = SchedulerConfig::default().with_hostname(at.ip().to_string()).with_port(at.port());
    let cluster = BallistaCluster::new_from_config(&config).await.map_err(|e| wrong(&e))?;
    start_server(cluster, at, Arc::new(config)).await.map_err(|e| wrong(&e))
}

/// What a cluster's executor needs to know.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Executor {
    /// Host of the scheduler.
    pub scheduler_host: String,
    /// Port of the scheduler.
    pub scheduler_port: u16,
    /// Place of this machine where other executors and those who ask fetch rows.
    pub at: SocketAddr,
    /// Name under which other machines reach it; the scheduler takes the address that it is called from when absent.
    pub known_as: Option<String>,
    /// Tasks at a time.
    pub tasks: usize,
    /// Bytes of memory for all tasks together; what does not fit goes to the work folder.
    pub memory_bytes: u64,
    /// Folder for what is passed on between the steps of a query.
    pub work_folder: PathBuf,
}

/// Serves as a cluster's executor until the process is asked to end.
///
/// # Errors
/// When the scheduler cannot be reached or the place cannot be used.
pub async fn execute(asked: Executor) -> Result<(), CohortError> {
    let address = format!("df://{}:{}", asked.scheduler_host, asked.scheduler_port);
    let wrong = wrong(&address);
    reach(&asked.scheduler_host, asked.scheduler_port).await.map_err(|e| wrong(&e))?;
    let config = ExecutorProcessConfig {
        bind_host: match asked.at {
            SocketAddr::V4(at) => at.ip().to_string(),
            SocketAddr::V6(at) => format!("[{}]", at.ip()),
        },
        port: asked.at.port(),
        external_host: asked.known_as,
        scheduler_host: asked.scheduler_host,
        scheduler_port: asked.scheduler_port,
        concurrent_tasks: asked.tasks.max(1),
        memory_pool_size: Some(asked.memory_bytes),
        work_dir: Some(asked.work_folder.display().to_string()),
        job_data_ttl_seconds: KEPT_SECONDS,
        job_data_clean_up_interval_seconds: KEPT_SECONDS / 6,
        ..ExecutorProcessConfig::default()
    };
    start_executor_process(Arc::new(config)).await.map_err(|e| wrong(&e))
}
