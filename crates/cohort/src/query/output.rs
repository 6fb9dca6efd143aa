//! Rows as text: an aligned table, CSV or JSON; or as a Parquet file.

use datafusion::arrow::array::{Array, AsArray, RecordBatch};
use datafusion::arrow::datatypes::{DataType, Float64Type};
use datafusion::arrow::util::display::{ArrayFormatter, FormatOptions};
use datafusion::arrow::util::pretty::pretty_format_batches;
use parquet::arrow::ArrowWriter;

use crate::CohortError;

/// How rows are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// Aligned columns for reading.
    Table,
    /// Comma-separated values with a head; null is empty.
    Csv,
    /// A list of objects; null is null.
    Json,
    /// A Parquet file with the fields' units.
    Parquet,
}

/// The rows in a form, as bytes (UTF-8 but for Parquet).
///
/// # Errors
/// When a value cannot be expressed in the form.
pub fn rendered(batches: &[RecordBatch], form: Form) -> Result<Vec<u8>, CohortError> {
    let wrong = CohortError::table("answer");
    match form {
        Form::Table => {
            let table = pretty_format_batches(batches).map_err(|e| wrong(&e))?;
            Ok(format!("{table}\n").into_bytes())
        }
        Form::Csv => {
            let mut writer = csv::Writer::from_writer(Vec::new());
            if let Some(first) = batches.first() {
                writer.write_record(first.schema().fields().iter().map(|f| f.name())).map_err(|e| wrong(&e))?;
            }
            for batch in batches {
                let columns = formatters(batch)?;
                for row in 0..batch.num_rows() {
                    writer.write_record(columns.iter().map(|c| c.value(row).to_string())).map_err(|e| wrong(&e))?;
                }
            }
            writer.into_inner().map_err(|e| wrong(&e))
        }
        Form::Json => {
            let mut rows = Vec::new();
            for batch in batches {
                let (schema, columns) = (batch.schema(), formatters(batch)?);
                for row in 0..batch.num_rows() {
                    let cells = schema.fields().iter().zip(batch.columns()).zip(&columns);
                    let object = cells
                        .map(|((field, array), text)| (field.name().clone(), json_value(array.as_ref(), row, text)))
                        .collect::<serde_json::Map<_, _>>();
                    rows.push(serde_json::Value::Object(object));
                }
            }
            let mut text = serde_json::to_vec_pretty(&rows).map_err(|e| wrong(&e))?;
            text.push(b'\n');
            Ok(text)
        }
        Form::Parquet => {
            let mut bytes = Vec::new();
            let Some(first) = batches.first() else { return Ok(bytes) };
            let mut writer = ArrowWriter::try_new(&mut bytes, first.schema(), None).map_err(|e| wrong(&e))?;
            for batch in batches {
                writer.write(batch).map_err(|e| wrong(&e))?;
            }
            writer.close().map_err(|e| wrong(&e))?;
            Ok(bytes)
        }
    }
}

const FORMAT: FormatOptions<'static> = FormatOptions::new();

fn formatters(batch: &RecordBatch) -> Result<Vec<ArrayFormatter<'_>>, CohortError> {
    let wrong = CohortError::table("answer");
    batch.columns().iter().map(|c| ArrayFormatter::try_new(c.as_ref(), &FORMAT).map_err(|e| wrong(&e))).collect()
}

fn json_value(array: &dyn Array, row: usize, text: &ArrayFormatter<'_>) -> serde_json::Value {
    if array.is_null(row) {
        return serde_json::Value::Null;
    }
    let written = text.value(row).to_string();
    match array.data_type() {
        DataType::Float64 => serde_json::Number::from_f64(array.as_primitive::<Float64Type>().value(row))
            .map_or(serde_json::Value::Null, serde_json::Value::Number),
        DataType::Boolean => serde_json::Value::Bool(written == "true"),
        kind if kind.is_integer() => serde_json::from_str(&written).unwrap_or(serde_json::Value::String(written)),
        _ => serde_json::Value::String(written),
    }
}
