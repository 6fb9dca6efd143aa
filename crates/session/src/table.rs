//! Writing one Arrow table as a Parquet file, atomically.

use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;

use arrow::array::{ArrayRef, RecordBatch};
use arrow::datatypes::{Field, Schema};
use parquet::arrow::ArrowWriter;

use crate::{Provenance, SessionError, write_atomically};

/// Writes columns of equal length with the provenance, and further entries, in the file's metadata.
pub(crate) fn write_table(
    path: &Path,
    columns: Vec<(Field, ArrayRef)>,
    provenance: &Provenance,
    further: impl IntoIterator<Item = (String, String)>,
) -> Result<(), SessionError> {
    let malformed = |e: &dyn std::fmt::Display| SessionError::malformed(path, None, e.to_string());
    let (fields, arrays): (Vec<Field>, Vec<ArrayRef>) = columns.into_iter().unzip();
    let mut metadata: HashMap<String, String> = further.into_iter().collect();
    metadata.insert("provenance".to_owned(), serde_json::to_string(provenance).map_err(|e| malformed(&e))?);
    let schema = Arc::new(Schema::new(fields).with_metadata(metadata));
    let batch = RecordBatch::try_new(schema.clone(), arrays).map_err(|e| malformed(&e))?;
    let mut content = Vec::new();
    let mut writer = ArrowWriter::try_new(&mut content, schema, None).map_err(|e| malformed(&e))?;
    writer.write(&batch).map_err(|e| malformed(&e))?;
    writer.close().map_err(|e| malformed(&e))?;
    write_atomically(path, &content)
}
