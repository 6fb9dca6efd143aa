//! Brings the tables of a session from an older schema version up to date, one version at a time.
//!
//! | version | change |
//! |---|---|
//! | 2 | `recorded`, until then in `quality` alone, is in every table; `kind` is new, and null for sessions from before |

use std::collections::BTreeMap;
use std::sync::Arc;

use arrow::array::{ArrayRef, RecordBatch, new_null_array};
use arrow::compute::{concat_batches, take};
use arrow::datatypes::{DataType, Field, Schema};
use bytes::Bytes;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

use super::schema::{COHORT_SCHEMA, KIND, RECORDED, Table};

/// The oldest version that can be brought up to date.
pub(super) const OLDEST: u32 = 1;

pub(super) type Tables = BTreeMap<Table, RecordBatch>;

/// The rows of a Parquet file.
pub(super) fn rows(bytes: Vec<u8>) -> Result<RecordBatch, String> {
    let reader = ParquetRecordBatchReaderBuilder::try_new(Bytes::from(bytes)).map_err(|e| e.to_string())?;
    let schema = reader.schema().clone();
    let batches: Vec<RecordBatch> =
        reader.build().and_then(|reader| reader.map(|b| Ok(b?)).collect()).map_err(|e| e.to_string())?;
    concat_batches(&schema, &batches).map_err(|e| e.to_string())
}

/// Tables of the present schema from those of an older one.
pub(super) fn up_to_date(mut tables: Tables, from: u32) -> Result<Tables, String> {
    for version in from..COHORT_SCHEMA {
        tables = match version {
            1 => with_day_and_kind(tables)?,
            _ => return Err(format!("nothing leads from schema version {version} to the next")),
        };
    }
    for (table, batch) in &mut tables {
        *batch = RecordBatch::try_new(table.schema(), batch.columns().to_vec())
            .map_err(|e| format!("table {}: {e}", table.name()))?;
    }
    Ok(tables)
}

fn with_day_and_kind(tables: Tables) -> Result<Tables, String> {
    let quality = tables.get(&Table::Quality).ok_or("the table quality is missing")?;
    // One day per session, on each of its rows.
    let day = quality.column_by_name(RECORDED).ok_or("the table quality has no column recorded")?.clone();
    let schema = quality.schema();
    let field = schema.field_with_name(RECORDED).map_err(|e| e.to_string())?.clone();
    let dated = |batch: &RecordBatch| -> Result<RecordBatch, String> {
        let column: ArrayRef = if day.is_empty() {
            new_null_array(field.data_type(), batch.num_rows())
        } else {
            let first = arrow::array::UInt32Array::from(vec![0; batch.num_rows()]);
            take(&day, &first, None).map_err(|e| e.to_string())?
        };
        let mut columns: Vec<(Field, ArrayRef)> = batch
            .schema()
            .fields()
            .iter()
            .zip(batch.columns())
            .filter(|(field, _)| field.name() != RECORDED)
            .map(|(field, column)| (field.as_ref().clone(), column.clone()))
            .collect();
        let after = columns.iter().position(|(f, _)| f.name() == "session").ok_or("a table has no column session")?;
        columns.insert(after + 1, (field.clone(), column));
        let after = columns.iter().position(|(f, _)| f.name() == "stroke").ok_or("a table has no column stroke")?;
        let kind = new_null_array(&DataType::Utf8, batch.num_rows());
        columns.insert(after + 1, (Field::new(KIND, DataType::Utf8, true), kind));
        let (fields, columns): (Vec<Field>, Vec<ArrayRef>) = columns.into_iter().unzip();
        RecordBatch::try_new(Arc::new(Schema::new(fields)), columns).map_err(|e| e.to_string())
    };
    tables.iter().map(|(table, batch)| Ok((*table, dated(batch)?))).collect()
}
