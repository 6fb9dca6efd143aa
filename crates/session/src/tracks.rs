//! 3D tracks on the session clock, kept as Parquet.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use arrow::array::{Array, ArrayRef, Float64Array, RecordBatch, StringArray, UInt32Array};
use arrow::datatypes::{DataType, Field};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use serde::{Deserialize, Serialize};

use crate::motion::SdParts;
use crate::table::write_table;
use crate::{Provenance, SCHEMA_VERSION, SessionError};

/// One point in 3D at one instant.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Point3d {
    /// World position in metres.
    pub position_m: [f64; 3],
    /// Covariance of the position, m².
    pub covariance_m2: [[f64; 3]; 3],
    /// Root mean square reprojection error of the views used, px.
    pub reprojection_px: f64,
    /// Number of views used.
    pub views: u32,
}

/// All points on a common time grid.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Tracks {
    /// Names of the points.
    pub names: Vec<String>,
    /// Session times in seconds, rising.
    pub session_seconds: Vec<f64>,
    /// `points[time][name]`; `None` where the point could not be measured.
    pub points: Vec<Vec<Option<Point3d>>>,
}

const COVARIANCE: [(&str, usize, usize); 6] =
    [("cov_xx", 0, 0), ("cov_xy", 0, 1), ("cov_xz", 0, 2), ("cov_yy", 1, 1), ("cov_yz", 1, 2), ("cov_zz", 2, 2)];

const SD_PARTS: [(&str, fn(&SdParts) -> f64); 4] = [
    ("sd_pixels_m", |p| p.pixels),
    ("sd_poses_m", |p| p.poses),
    ("sd_lenses_m", |p| p.lenses),
    ("sd_clocks_m", |p| p.clocks),
];

/// Instant, session time, and the point measured there.
type Row<'a> = (u32, f64, Option<(&'a str, &'a Point3d, Option<&'a SdParts>)>);

impl Tracks {
    /// Column of a name.
    #[must_use]
    pub fn column(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|n| n == name)
    }

    /// Point of a name at a time index.
    #[must_use]
    pub fn at(&self, time_index: usize, column: usize) -> Option<&Point3d> {
        self.points.get(time_index)?.get(column)?.as_ref()
    }

    /// Writes the tracks as Parquet in long form: one row per time and measured point, with columns `instant`,
    /// `session_seconds`, `name`, `x_m`, `y_m`, `z_m`, the covariance's upper triangle in m², `reprojection_px`, `views`;
    /// provenance in the file's metadata. Instants without any point have one row with a null name. `sd_parts_m`, as the
    /// points are (`[time][name]`), adds what makes up each point's standard deviation: `sd_pixels_m`, `sd_poses_m`,
    /// `sd_lenses_m`, `sd_clocks_m`; without it these columns are null.
    ///
    /// # Errors
    /// When the table cannot be made or the system refuses; nothing is left half written.
    pub fn write_parquet(
        &self,
        path: &Path,
        sd_parts_m: &[Vec<Option<SdParts>>],
        provenance: &Provenance,
    ) -> Result<(), SessionError> {
        let rows: Vec<Row> = self
            .session_seconds
            .iter()
            .zip(&self.points)
            .zip(0u32..)
            .flat_map(|((seconds, points), instant)| {
                let mut found: Vec<_> = self
                    .names
                    .iter()
                    .zip(points)
                    .enumerate()
                    .filter_map(|(column, (name, point))| {
                        let parts = sd_parts_m.get(instant as usize).and_then(|row| row.get(column)?.as_ref());
                        Some((instant, *seconds, Some((name.as_str(), point.as_ref()?, parts))))
                    })
                    .collect();
                if found.is_empty() {
                    found.push((instant, *seconds, None));
                }
                found
            })
            .collect();
        let number = |f: &dyn Fn(&Point3d) -> f64| -> ArrayRef {
            Arc::new(rows.iter().map(|(_, _, p)| p.map(|(_, point, _)| f(point))).collect::<Float64Array>())
        };
        let mut columns: Vec<(Field, ArrayRef)> = vec![
            (
                Field::new("instant", DataType::UInt32, false),
                Arc::new(rows.iter().map(|r| Some(r.0)).collect::<UInt32Array>()),
            ),
            (
                Field::new("session_seconds", DataType::Float64, false),
                Arc::new(rows.iter().map(|r| Some(r.1)).collect::<Float64Array>()),
            ),
            (
                Field::new("name", DataType::Utf8, true),
                Arc::new(rows.iter().map(|r| r.2.map(|(name, _, _)| name)).collect::<StringArray>()),
            ),
        ];
        for (axis, name) in ["x_m", "y_m", "z_m"].into_iter().enumerate() {
            columns.push((Field::new(name, DataType::Float64, true), number(&move |p| p.position_m[axis])));
        }
        for (name, i, j) in COVARIANCE {
            columns.push((Field::new(name, DataType::Float64, true), number(&move |p| p.covariance_m2[i][j])));
        }
        columns.push((Field::new("reprojection_px", DataType::Float64, true), number(&|p| p.reprojection_px)));
        columns.push((
            Field::new("views", DataType::UInt32, true),
            Arc::new(rows.iter().map(|r| r.2.map(|(_, p, _)| p.views)).collect::<UInt32Array>()),
        ));
        for (name, part) in SD_PARTS {
            let values = rows.iter().map(|(_, _, p)| p.and_then(|(_, _, parts)| parts.map(part)));
            columns.push((Field::new(name, DataType::Float64, true), Arc::new(values.collect::<Float64Array>())));
        }
        let names =
            serde_json::to_string(&self.names).map_err(|e| SessionError::malformed(path, None, e.to_string()))?;
        write_table(path, columns, provenance, [("names".to_owned(), names)])
    }

    /// Reads tracks and their provenance.
    ///
    /// # Errors
    /// When the file is missing, is not such a table, or is of a newer schema.
    pub fn read_parquet(path: &Path) -> Result<(Self, Provenance), SessionError> {
        let malformed = |e: &dyn std::fmt::Display| {
            SessionError::malformed(path, None, format!("{e}; delete the file and run the stage again"))
        };
        let file = std::fs::File::open(path).map_err(SessionError::io(path, "opening"))?;
        let builder = ParquetRecordBatchReaderBuilder::try_new(file).map_err(|e| malformed(&e))?;
        let metadata: BTreeMap<_, _> = builder.schema().metadata().clone().into_iter().collect();
        let entry = |key: &str| metadata.get(key).ok_or_else(|| malformed(&format!("no \"{key}\" in its metadata")));
        let provenance: Provenance = serde_json::from_str(entry("provenance")?).map_err(|e| malformed(&e))?;
        if provenance.schema > SCHEMA_VERSION {
            return Err(SessionError::TooNew {
                path: path.to_owned(),
                found: provenance.schema,
                known: SCHEMA_VERSION,
            });
        }
        let mut tracks =
            Self { names: serde_json::from_str(entry("names")?).map_err(|e| malformed(&e))?, ..Self::default() };
        for batch in builder.build().map_err(|e| malformed(&e))? {
            let batch = batch.map_err(|e| malformed(&e))?;
            tracks.append(&batch).map_err(|name| malformed(&format!("column or value \"{name}\" is missing")))?;
        }
        Ok((tracks, provenance))
    }

    fn append(&mut self, batch: &RecordBatch) -> Result<(), String> {
        fn column<'a, A: Array + 'static>(batch: &'a RecordBatch, name: &str) -> Result<&'a A, String> {
            batch.column_by_name(name).and_then(|c| c.as_any().downcast_ref::<A>()).ok_or_else(|| name.to_owned())
        }
        let instants: &UInt32Array = column(batch, "instant")?;
        let seconds: &Float64Array = column(batch, "session_seconds")?;
        let names: &StringArray = column(batch, "name")?;
        let views: &UInt32Array = column(batch, "views")?;
        let numbers: BTreeMap<&str, &Float64Array> = ["x_m", "y_m", "z_m", "reprojection_px"]
            .into_iter()
            .chain(COVARIANCE.iter().map(|(name, _, _)| *name))
            .map(|name| Ok((name, column::<Float64Array>(batch, name)?)))
            .collect::<Result<_, String>>()?;
        for row in 0..batch.num_rows() {
            let instant = instants.value(row) as usize;
            if instant >= self.session_seconds.len() {
                self.session_seconds.push(seconds.value(row));
                self.points.push(vec![None; self.names.len()]);
            }
            if names.is_null(row) {
                continue;
            }
            let name = names.value(row);
            let slot = self
                .column(name)
                .and_then(|c| self.points.get_mut(instant)?.get_mut(c))
                .ok_or_else(|| name.to_owned())?;
            let get = |name: &str| numbers[name].value(row);
            let mut covariance_m2 = [[0.0; 3]; 3];
            for (name, i, j) in COVARIANCE {
                covariance_m2[i][j] = get(name);
                covariance_m2[j][i] = get(name);
            }
            *slot = Some(Point3d {
                position_m: [get("x_m"), get("y_m"), get("z_m")],
                covariance_m2,
                reprojection_px: get("reprojection_px"),
                views: views.value(row),
            });
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tracks_survive_parquet_with_gaps_and_empty_instants() {
        let point = Point3d {
            position_m: [0.1, -2.0, 1.0 / 3.0],
            covariance_m2: [[1e-4, 1e-6, 0.0], [1e-6, 2e-4, -3e-6], [0.0, -3e-6, 5e-4]],
            reprojection_px: 0.7,
            views: 2,
        };
        let tracks = Tracks {
            names: vec!["nose".into(), "ball".into()],
            session_seconds: vec![0.0, 0.01, 0.02],
            points: vec![vec![Some(point), None], vec![None, None], vec![None, Some(point)]],
        };
        let provenance = Provenance {
            schema: SCHEMA_VERSION,
            program: "0.1.0".into(),
            stage: "lift".into(),
            inputs: BTreeMap::new(),
            settings: serde_json::json!({"views": 2}),
        };
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("tracks.parquet");
        tracks.write_parquet(&path, &[], &provenance).unwrap();
        assert_eq!(Tracks::read_parquet(&path).unwrap(), (tracks, provenance));
    }

    #[test]
    fn what_makes_up_the_uncertainty_stands_beside_each_point() {
        let point = Point3d {
            position_m: [0.0; 3],
            covariance_m2: [[1e-4, 0.0, 0.0], [0.0, 1e-4, 0.0], [0.0, 0.0, 1e-4]],
            reprojection_px: 0.7,
            views: 2,
        };
        let parts = SdParts { pixels: 0.001, poses: 0.002, lenses: 0.003, clocks: 0.004 };
        let tracks = Tracks {
            names: vec!["nose".into(), "ball".into()],
            session_seconds: vec![0.0, 0.01],
            points: vec![vec![None, None], vec![Some(point), Some(point)]],
        };
        let provenance = Provenance {
            schema: SCHEMA_VERSION,
            program: "0.1.0".into(),
            stage: "lift".into(),
            inputs: BTreeMap::new(),
            settings: serde_json::json!({}),
        };
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("tracks.parquet");
        tracks.write_parquet(&path, &[vec![None, None], vec![None, Some(parts)]], &provenance).unwrap();
        assert_eq!(Tracks::read_parquet(&path).unwrap().0, tracks);
        let reader = ParquetRecordBatchReaderBuilder::try_new(std::fs::File::open(&path).unwrap()).unwrap();
        let batch = reader.build().unwrap().next().unwrap().unwrap();
        for (name, expected) in
            [("sd_pixels_m", 0.001), ("sd_poses_m", 0.002), ("sd_lenses_m", 0.003), ("sd_clocks_m", 0.004)]
        {
            let column: &Float64Array = batch.column_by_name(name).unwrap().as_any().downcast_ref().unwrap();
            // An empty instant, a point without parts, a point with them.
            assert!(column.is_null(0) && column.is_null(1) && column.value(2) == expected, "{name}");
        }
    }

    #[test]
    fn a_foreign_file_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("tracks.parquet");
        std::fs::write(&path, "not parquet").unwrap();
        assert!(Tracks::read_parquet(&path).unwrap_err().to_string().contains("tracks.parquet"));
    }
}
