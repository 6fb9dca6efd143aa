//! Motion of the points around each contact: position, velocity and acceleration with their uncertainty, kept as Parquet.

use std::path::Path;
use std::sync::Arc;

use arrow::array::{ArrayRef, BooleanArray, Float64Array, Int8Array, StringArray, UInt32Array};
use arrow::datatypes::{DataType, Field};
use serde::{Deserialize, Serialize};

use crate::table::write_table;
use crate::{Provenance, SessionError};

/// What makes up a standard deviation: each the root of the trace of its part of the covariance.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct SdParts {
    /// Noise of the pixels, together with what the motion may do between and beyond the frames.
    pub pixels: f64,
    /// Poses of the cameras.
    pub poses: f64,
    /// Lenses.
    pub lenses: f64,
    /// Clocks.
    pub clocks: f64,
}

/// One quantity of a point at one instant.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Estimate3d {
    /// The estimate: m, m/s or m/s².
    pub value: [f64; 3],
    /// Its covariance from all parts together, in the square of the unit.
    pub covariance: [[f64; 3]; 3],
    /// Where the covariance comes from.
    pub sd_parts: SdParts,
}

/// How a point moves at one instant.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PointMotion {
    /// Position in the world, metres.
    pub position_m: Estimate3d,
    /// Velocity, m/s.
    pub velocity_m_s: Estimate3d,
    /// Acceleration, m/s².
    pub acceleration_m_s2: Estimate3d,
    /// Fewer than two cameras saw the point around this instant: the place rests on the motion before and after.
    pub bridged: bool,
}

/// One side of a contact. Nothing on it was computed from the other side.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct SideMotion {
    /// Session times in seconds, rising.
    pub session_seconds: Vec<f64>,
    /// `points[time][name]`; `None` where the point was not seen before, after or at all.
    pub points: Vec<Vec<Option<PointMotion>>>,
    /// At contact itself, one per name: the limit from this side.
    pub at_contact: Vec<Option<PointMotion>>,
}

/// Motion around one contact.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StrokeMotion {
    /// Session time of contact, seconds.
    pub contact_seconds: f64,
    /// Names of the points.
    pub names: Vec<String>,
    /// Until contact.
    pub before: SideMotion,
    /// From contact on.
    pub after: SideMotion,
}

impl SideMotion {
    /// The motion of a name (by column) at contact.
    #[must_use]
    pub fn at_contact(&self, column: usize) -> Option<&PointMotion> {
        self.at_contact.get(column)?.as_ref()
    }
}

impl StrokeMotion {
    /// Column of a name.
    #[must_use]
    pub fn column(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|n| n == name)
    }
}

/// One row of the table.
struct Row<'a> {
    stroke: u32,
    /// -1 before contact, 1 after.
    side: i8,
    seconds: f64,
    name: &'a str,
    point: &'a PointMotion,
}

fn rows(strokes: &[StrokeMotion]) -> Vec<Row<'_>> {
    let mut rows = Vec::new();
    for (number, stroke) in (1..).zip(strokes) {
        for (side, motion) in [(-1, &stroke.before), (1, &stroke.after)] {
            let edge = std::iter::once((stroke.contact_seconds, &motion.at_contact));
            let inside = motion.session_seconds.iter().copied().zip(&motion.points);
            let ordered: Vec<_> = if side < 0 { inside.chain(edge).collect() } else { edge.chain(inside).collect() };
            for (seconds, points) in ordered {
                for (name, point) in stroke.names.iter().zip(points) {
                    let Some(point) = point else { continue };
                    rows.push(Row { stroke: number, side, seconds, name, point });
                }
            }
        }
    }
    rows
}

/// Writes the motion of all strokes as Parquet in long form: one row per stroke, side of contact (`-1` before, `1` after),
/// instant and point, with `x_m … az_m_s2`, the upper triangles of the three covariances, the standard deviations of position
/// and velocity by origin, and `bridged`. The limits at contact stand at the contact's own time, once per side.
///
/// # Errors
/// When the table cannot be made or the system refuses; nothing is left half written.
pub fn write_motion_parquet(
    strokes: &[StrokeMotion],
    path: &Path,
    provenance: &Provenance,
) -> Result<(), SessionError> {
    let rows = rows(strokes);
    let number = |name: String, of: &dyn Fn(&Row) -> f64| -> (Field, ArrayRef) {
        let column = rows.iter().map(|row| Some(of(row))).collect::<Float64Array>();
        (Field::new(name, DataType::Float64, false), Arc::new(column))
    };
    let column = |name: &str, kind: DataType, column: ArrayRef| (Field::new(name, kind, false), column);
    let mut columns = vec![
        column("stroke", DataType::UInt32, Arc::new(rows.iter().map(|r| Some(r.stroke)).collect::<UInt32Array>())),
        column("side", DataType::Int8, Arc::new(rows.iter().map(|r| Some(r.side)).collect::<Int8Array>())),
        number("session_seconds".to_owned(), &|row| row.seconds),
        column("name", DataType::Utf8, Arc::new(rows.iter().map(|r| Some(r.name)).collect::<StringArray>())),
    ];
    type Quantity = fn(&PointMotion) -> &Estimate3d;
    type Origin = (&'static str, fn(&SdParts) -> f64);
    let quantities: [(&str, &str, Quantity); 3] =
        [("", "m", |p| &p.position_m), ("v", "m_s", |p| &p.velocity_m_s), ("a", "m_s2", |p| &p.acceleration_m_s2)];
    for (prefix, unit, of) in quantities {
        for (axis, letter) in ["x", "y", "z"].into_iter().enumerate() {
            columns.push(number(format!("{prefix}{letter}_{unit}"), &|row| of(row.point).value[axis]));
        }
        for (i, j, letters) in [(0, 0, "xx"), (0, 1, "xy"), (0, 2, "xz"), (1, 1, "yy"), (1, 2, "yz"), (2, 2, "zz")] {
            columns.push(number(format!("cov_{prefix}{letters}"), &|row| of(row.point).covariance[i][j]));
        }
        let parts: [Origin; 4] =
            [("pixels", |s| s.pixels), ("poses", |s| s.poses), ("lenses", |s| s.lenses), ("clocks", |s| s.clocks)];
        for (origin, part) in parts {
            columns.push(number(format!("sd_{prefix}{origin}_{unit}"), &|row| part(&of(row.point).sd_parts)));
        }
    }
    columns.push(column(
        "bridged",
        DataType::Boolean,
        Arc::new(rows.iter().map(|r| Some(r.point.bridged)).collect::<BooleanArray>()),
    ));
    write_table(path, columns, provenance, [])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::SCHEMA_VERSION;
    use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
    use std::collections::BTreeMap;

    #[test]
    fn both_limits_at_contact_are_rows_of_their_own() {
        let estimate = |x: f64| Estimate3d {
            value: [x, 0.0, 1.0],
            covariance: [[1e-4, 0.0, 0.0], [0.0, 1e-4, 0.0], [0.0, 0.0, 1e-4]],
            sd_parts: SdParts { pixels: 0.01, ..SdParts::default() },
        };
        let point = |speed: f64| PointMotion {
            position_m: estimate(0.5),
            velocity_m_s: estimate(speed),
            acceleration_m_s2: estimate(0.0),
            bridged: false,
        };
        let side = |seconds: f64, speed: f64| SideMotion {
            session_seconds: vec![seconds],
            points: vec![vec![Some(point(speed)), None]],
            at_contact: vec![Some(point(speed)), None],
        };
        let motion = StrokeMotion {
            contact_seconds: 2.0,
            names: vec!["racket_tip".into(), "ball".into()],
            before: side(1.99, 30.0),
            after: side(2.01, 20.0),
        };
        let provenance = Provenance {
            schema: SCHEMA_VERSION,
            program: "0.1.0".into(),
            stage: "motion".into(),
            inputs: BTreeMap::new(),
            settings: serde_json::Value::Null,
        };
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("motion.parquet");
        write_motion_parquet(&[motion], &path, &provenance).unwrap();
        let file = std::fs::File::open(&path).unwrap();
        let batch = ParquetRecordBatchReaderBuilder::try_new(file).unwrap().build().unwrap().next().unwrap().unwrap();
        let read = |name: &str| -> Vec<f64> {
            let column = batch.column_by_name(name).unwrap();
            column.as_any().downcast_ref::<Float64Array>().unwrap().values().to_vec()
        };
        assert_eq!(read("session_seconds"), [1.99, 2.0, 2.0, 2.01]);
        assert_eq!(read("vx_m_s"), [30.0, 30.0, 20.0, 20.0]);
        assert_eq!(read("sd_pixels_m"), [0.01; 4]);
    }
}
