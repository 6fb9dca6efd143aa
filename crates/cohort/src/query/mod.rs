//! Questions to the store in SQL, by an embedded engine.
//!
//! Tables: `strokes`, `curves`, `events`, `quality`, with the columns of [`Table::schema`]. Queries read; anything that would write is
//! refused. Memory is bounded: what does not fit goes to temporary files.

#[cfg(feature = "cluster")]
pub mod cluster;
mod flow;
mod output;
mod questions;
#[cfg(test)]
mod tests;

use std::sync::Arc;

use datafusion::arrow::array::RecordBatch;
use datafusion::arrow::compute::cast;
use datafusion::arrow::datatypes::{DataType, Field, Schema};
use datafusion::arrow::error::ArrowError;
use datafusion::datasource::empty::EmptyTable;
use datafusion::datasource::file_format::parquet::{ParquetFormat, transform_schema_to_view};
use datafusion::datasource::listing::{ListingOptions, ListingTable, ListingTableConfig, ListingTableUrl};
use datafusion::error::DataFusionError;
use datafusion::execution::context::SQLOptions;
use datafusion::execution::memory_pool::FairSpillPool;
use datafusion::execution::runtime_env::RuntimeEnvBuilder;
use datafusion::prelude::{DataFrame, SessionConfig, SessionContext};
use url::Url;

pub(crate) use flow::Columns;
pub use flow::{Criteria, Flow, Observation, Step};
pub use output::{Form, rendered};
pub use questions::{Question, Quoted};

use crate::CohortError;
use crate::store::{Record, Store, Table};

/// Name under which the engine knows the store's objects.
const OBJECTS: &str = "cohort://store/";

/// The rows that answer a query.
pub type Rows = Vec<RecordBatch>;

/// How much a query may take.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// Bytes of memory; beyond it the engine writes temporary files, or gives up with a message.
    pub memory_bytes: usize,
    /// Parallel parts of a query.
    pub threads: usize,
}

impl Default for Limits {
    fn default() -> Self {
        let threads = std::thread::available_parallelism().map_or(1, usize::from);
        Self { memory_bytes: 2 << 30, threads }
    }
}

/// A store opened for questions, as it was at that moment.
pub struct Queries {
    context: SessionContext,
    records: Vec<Record>,
}

impl Queries {
    /// Opens a store for questions.
    ///
    /// # Errors
    /// When its records cannot be read or are of another schema version.
    pub async fn of(store: &Store, limits: Limits) -> Result<Self, CohortError> {
        let records = store.present_records().await?;
        let runtime = RuntimeEnvBuilder::new()
            .with_memory_pool(Arc::new(FairSpillPool::new(limits.memory_bytes)))
            .build_arc()
            .map_err(|e| failed(&e))?;
        // Rows of ready questions come in a stated order; everything else may differ with the number of threads only in rounding.
        let config = SessionConfig::new().with_target_partitions(limits.threads.max(1)).with_information_schema(true);
        let context = SessionContext::new_with_config_rt(config, runtime);
        let objects = Url::parse(OBJECTS).map_err(|e| CohortError::Query { reason: e.to_string() })?;
        context.register_object_store(&objects, store.objects());
        Self::over(context, records, OBJECTS)
    }

    /// Gives an engine the tables: the files that the records name, under the URL of the store.
    fn over(context: SessionContext, records: Vec<Record>, root: &str) -> Result<Self, CohortError> {
        for table in Table::ALL {
            let paths: Vec<ListingTableUrl> = records
                .iter()
                .flat_map(|record| &record.files)
                .filter(|file| file.table == table.name())
                .map(|file| ListingTableUrl::parse(format!("{root}{}", file.path)))
                .collect::<Result<_, _>>()
                .map_err(|e| failed(&e))?;
            let registered = if paths.is_empty() {
                context.register_table(table.name(), Arc::new(EmptyTable::new(table.schema())))
            } else {
                let options = ListingOptions::new(Arc::new(ParquetFormat::default()))
                    .with_file_extension(".parquet")
                    .with_session_config_options(&context.copied_config());
                let config = ListingTableConfig::new_with_multi_paths(paths)
                    .with_listing_options(options)
                    // Views of texts are grouped and compared without copying them.
                    .with_schema(Arc::new(transform_schema_to_view(&table.schema())));
                let listing = ListingTable::try_new(config).map_err(|e| failed(&e))?;
                context.register_table(table.name(), Arc::new(listing))
            };
            registered.map_err(|e| failed(&e))?;
        }
        Ok(Self { context, records })
    }

    /// The sessions that are asked.
    #[must_use]
    pub fn records(&self) -> &[Record] {
        &self.records
    }

    /// The rows that answer a query.
    ///
    /// # Errors
    /// When the query is not understood, would write, needs more than the limits, or meets a damaged file.
    pub async fn sql(&self, sql: &str) -> Result<Rows, CohortError> {
        let frame = self.frame(sql).await?;
        let schema = Arc::new(frame.schema().as_arrow().clone());
        let mut batches = frame.collect().await.map_err(|e| failed(&e))?;
        if batches.is_empty() {
            batches.push(RecordBatch::new_empty(schema));
        }
        batches.into_iter().map(|batch| plain_text(&batch).map_err(|e| failed(&e.into()))).collect()
    }

    /// The plan of a query, not yet run.
    ///
    /// # Errors
    /// When the query is not understood or would write.
    pub async fn frame(&self, sql: &str) -> Result<DataFrame, CohortError> {
        let read_only = SQLOptions::new().with_allow_ddl(false).with_allow_dml(false).with_allow_statements(false);
        self.context.sql_with_options(sql, read_only).await.map_err(|e| failed(&e))
    }
}

/// The same rows with views of texts as texts, which every reader knows.
fn plain_text(batch: &RecordBatch) -> Result<RecordBatch, ArrowError> {
    let schema = batch.schema();
    let plain = |field: &Field| match field.data_type() {
        DataType::Utf8View => field.clone().with_data_type(DataType::Utf8),
        _ => field.clone(),
    };
    let fields: Vec<Field> = schema.fields().iter().map(|field| plain(field)).collect();
    let columns = batch.columns().iter().zip(&fields).map(|(column, field)| cast(column, field.data_type()));
    let columns = columns.collect::<Result<_, _>>()?;
    RecordBatch::try_new(Arc::new(Schema::new_with_metadata(fields, schema.metadata().clone())), columns)
}

/// The engine's reason in one line, with what to do.
fn failed(error: &DataFusionError) -> CohortError {
    let root = error.find_root().strip_backtrace();
    let reason = root.replace(OBJECTS, "").replace('\n', " ");
    let hint = match error.find_root() {
        DataFusionError::SQL(..) => "; check the spelling of the query",
        DataFusionError::SchemaError(..) | DataFusionError::Plan(_) | DataFusionError::Diagnostic(..) => {
            "; the tables are strokes, curves, events and quality, their columns: midline cohort columns"
        }
        DataFusionError::ResourcesExhausted(_) => "; raise --memory-mb or ask for less at a time",
        DataFusionError::ParquetError(_) | DataFusionError::ObjectStore(_) | DataFusionError::ArrowError(..) => {
            "; midline cohort check names the damaged file"
        }
        // A cluster passes on the words of an error alone.
        DataFusionError::Execution(words)
            if words.contains("Parquet error") || words.contains("Object Store error") =>
        {
            "; midline cohort check names the damaged file"
        }
        _ => "",
    };
    CohortError::Query { reason: format!("{reason}{hint}") }
}
