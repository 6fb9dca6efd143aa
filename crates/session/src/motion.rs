//! Motion of the points around each contact: position, velocity and acceleration with their uncertainty, kept as Parquet.

use std::path::Path;
use std::sync::Arc;

use arrow::array::{Array, ArrayRef, BooleanArray, Float64Array, Int8Array, RecordBatch, StringArray, UInt32Array};
use arrow::datatypes::{DataType, Field};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use serde::{Deserialize, Serialize};

use crate::table::write_table;
use crate::{Provenance, SCHEMA_VERSION, SessionError};

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

/// Which side of contact is meant: at contact itself the two have different velocities.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ContactSide {
    /// Until contact.
    Before,
    /// From contact on.
    After,
}

impl StrokeMotion {
    /// How a point (by column) moves at any instant of one side; `None` outside the side and where the point is not known just before
    /// and just after. At contact it is the limit from that side.
    ///
    /// Between two kept instants: the polynomial of fifth degree that has their positions, velocities and accelerations, which
    /// follows the fitted cubic spline up to the spline's own knots. The covariance is mixed in the shares of the two
    /// instants; it is known no better than that between frames.
    #[must_use]
    pub fn at(&self, column: usize, session_seconds: f64, side: ContactSide) -> Option<PointMotion> {
        let contact = self.contact_seconds;
        let (motion, wrong) = match side {
            ContactSide::Before => (&self.before, session_seconds > contact),
            ContactSide::After => (&self.after, session_seconds < contact),
        };
        if wrong {
            return None;
        }
        if session_seconds == contact {
            return motion.at_contact(column).copied();
        }
        let inside =
            |index: usize| Some((*motion.session_seconds.get(index)?, *motion.points.get(index)?.get(column)?));
        let edge = || Some((contact, *motion.at_contact.get(column)?));
        let after = motion.session_seconds.partition_point(|t| *t <= session_seconds);
        let first = after.checked_sub(1);
        let (from, to) = match side {
            ContactSide::Before => (inside(first?)?, inside(after).or_else(edge)?),
            ContactSide::After => (first.map_or_else(edge, inside)?, inside(after)?),
        };
        Some(between((from.0, &from.1?), (to.0, &to.1?), session_seconds))
    }
}

fn between(from: (f64, &PointMotion), to: (f64, &PointMotion), seconds: f64) -> PointMotion {
    let length = to.0 - from.0;
    let share = if length > 0.0 { (seconds - from.0) / length } else { 0.0 };
    let mut values = [[0.0; 3]; 3];
    for axis in 0..3 {
        let ends = [from.1, to.1].map(|p| {
            [
                p.position_m.value[axis],
                p.velocity_m_s.value[axis] * length,
                p.acceleration_m_s2.value[axis] * length * length,
            ]
        });
        let of_time = quintic(&ends, share);
        for (order, value) in of_time.into_iter().enumerate() {
            // Derivatives by the share of the interval, back to seconds.
            let scale = if length > 0.0 { length.powi(order as i32) } else { 1.0 };
            values[order][axis] = value / scale;
        }
    }
    let mixed = |order: usize, of: fn(&PointMotion) -> &Estimate3d| {
        let (a, b) = (of(from.1), of(to.1));
        let mix = |a: f64, b: f64| a * (1.0 - share) + b * share;
        let root = |a: f64, b: f64| mix(a * a, b * b).sqrt();
        Estimate3d {
            value: values[order],
            covariance: std::array::from_fn(|i| std::array::from_fn(|j| mix(a.covariance[i][j], b.covariance[i][j]))),
            sd_parts: SdParts {
                pixels: root(a.sd_parts.pixels, b.sd_parts.pixels),
                poses: root(a.sd_parts.poses, b.sd_parts.poses),
                lenses: root(a.sd_parts.lenses, b.sd_parts.lenses),
                clocks: root(a.sd_parts.clocks, b.sd_parts.clocks),
            },
        }
    };
    PointMotion {
        position_m: mixed(0, |p| &p.position_m),
        velocity_m_s: mixed(1, |p| &p.velocity_m_s),
        acceleration_m_s2: mixed(2, |p| &p.acceleration_m_s2),
        bridged: from.1.bridged || to.1.bridged,
    }
}

/// Value, slope and bend at `x` of the polynomial of fifth degree with the given ones at 0 and 1.
fn quintic(&[[p, v, a], [q, w, b]]: &[[f64; 3]; 2], x: f64) -> [f64; 3] {
    let (rest, slope, bend) = (q - p - v - 0.5 * a, w - v - a, b - a);
    let c3 = 10.0 * rest - 4.0 * slope + 0.5 * bend;
    let c4 = -15.0 * rest + 7.0 * slope - bend;
    let c5 = 6.0 * rest - 3.0 * slope + 0.5 * bend;
    [
        p + x * (v + x * (0.5 * a + x * (c3 + x * (c4 + x * c5)))),
        v + x * (a + x * (3.0 * c3 + x * (4.0 * c4 + x * 5.0 * c5))),
        a + x * (6.0 * c3 + x * (12.0 * c4 + x * 20.0 * c5)),
    ]
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

/// Upper triangle of a covariance with the letters of its columns.
const UPPER: [(usize, usize, &str); 6] =
    [(0, 0, "xx"), (0, 1, "xy"), (0, 2, "xz"), (1, 1, "yy"), (1, 2, "yz"), (2, 2, "zz")];

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
        for (i, j, letters) in UPPER {
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
    let malformed = |e: serde_json::Error| SessionError::malformed(path, None, e.to_string());
    let names: Vec<&Vec<String>> = strokes.iter().map(|s| &s.names).collect();
    let contacts: Vec<f64> = strokes.iter().map(|s| s.contact_seconds).collect();
    let further = [
        ("names".to_owned(), serde_json::to_string(&names).map_err(malformed)?),
        ("contacts".to_owned(), serde_json::to_string(&contacts).map_err(malformed)?),
    ];
    write_table(path, columns, provenance, further)
}

/// Reads what [`write_motion_parquet`] wrote. Instants at which no point was known are not in the file.
///
/// # Errors
/// When the file is missing, of a newer version, or not such a table.
pub fn read_motion_parquet(path: &Path) -> Result<(Vec<StrokeMotion>, Provenance), SessionError> {
    let malformed = |e: &dyn std::fmt::Display| {
        SessionError::malformed(path, None, format!("{e}; delete the file and run the strokes stage again"))
    };
    let file = std::fs::File::open(path).map_err(SessionError::io(path, "opening"))?;
    let builder = ParquetRecordBatchReaderBuilder::try_new(file).map_err(|e| malformed(&e))?;
    let metadata = builder.schema().metadata().clone();
    let entry = |key: &str| metadata.get(key).ok_or_else(|| malformed(&format!("no \"{key}\" in its metadata")));
    let provenance: Provenance = serde_json::from_str(entry("provenance")?).map_err(|e| malformed(&e))?;
    if provenance.schema > SCHEMA_VERSION {
        let (found, known) = (provenance.schema, SCHEMA_VERSION);
        return Err(SessionError::TooNew { path: path.to_owned(), found, known });
    }
    let names: Vec<Vec<String>> = serde_json::from_str(entry("names")?).map_err(|e| malformed(&e))?;
    let contacts: Vec<f64> = serde_json::from_str(entry("contacts")?).map_err(|e| malformed(&e))?;
    let mut strokes: Vec<StrokeMotion> = contacts
        .into_iter()
        .zip(names)
        .map(|(contact_seconds, names)| {
            let side = SideMotion { at_contact: vec![None; names.len()], ..SideMotion::default() };
            StrokeMotion { contact_seconds, names, before: side.clone(), after: side }
        })
        .collect();
    for batch in builder.build().map_err(|e| malformed(&e))? {
        let batch = batch.map_err(|e| malformed(&e))?;
        append(&mut strokes, &batch).map_err(|what| malformed(&format!("{what} is missing or makes no sense")))?;
    }
    Ok((strokes, provenance))
}

fn append(strokes: &mut [StrokeMotion], batch: &RecordBatch) -> Result<(), String> {
    fn column<'a, A: Array + 'static>(batch: &'a RecordBatch, name: &str) -> Result<&'a A, String> {
        let found = batch.column_by_name(name).and_then(|c| c.as_any().downcast_ref::<A>());
        found.ok_or_else(|| format!("column \"{name}\""))
    }
    let numbers: &UInt32Array = column(batch, "stroke")?;
    let sides: &Int8Array = column(batch, "side")?;
    let seconds: &Float64Array = column(batch, "session_seconds")?;
    let names: &StringArray = column(batch, "name")?;
    let bridged: &BooleanArray = column(batch, "bridged")?;
    let number = |name: String, row: usize| Ok::<f64, String>(column::<Float64Array>(batch, &name)?.value(row));
    for row in 0..batch.num_rows() {
        let estimate = |prefix: &str, unit: &str| -> Result<Estimate3d, String> {
            let mut found = Estimate3d { value: [0.0; 3], covariance: [[0.0; 3]; 3], sd_parts: SdParts::default() };
            for (axis, letter) in ["x", "y", "z"].into_iter().enumerate() {
                found.value[axis] = number(format!("{prefix}{letter}_{unit}"), row)?;
            }
            for (i, j, letters) in UPPER {
                found.covariance[i][j] = number(format!("cov_{prefix}{letters}"), row)?;
                found.covariance[j][i] = found.covariance[i][j];
            }
            let part = |origin: &str| number(format!("sd_{prefix}{origin}_{unit}"), row);
            found.sd_parts = SdParts {
                pixels: part("pixels")?,
                poses: part("poses")?,
                lenses: part("lenses")?,
                clocks: part("clocks")?,
            };
            Ok(found)
        };
        let point = PointMotion {
            position_m: estimate("", "m")?,
            velocity_m_s: estimate("v", "m_s")?,
            acceleration_m_s2: estimate("a", "m_s2")?,
            bridged: bridged.value(row),
        };
        let stroke = (numbers.value(row) as usize).checked_sub(1).and_then(|index| strokes.get_mut(index));
        let stroke = stroke.ok_or("a stroke's number")?;
        let own = stroke.column(names.value(row)).ok_or("a point's name")?;
        let count = stroke.names.len();
        let (at, contact) = (seconds.value(row), stroke.contact_seconds);
        let side = if sides.value(row) < 0 { &mut stroke.before } else { &mut stroke.after };
        if at == contact {
            side.at_contact[own] = Some(point);
            continue;
        }
        if side.session_seconds.last() != Some(&at) {
            side.session_seconds.push(at);
            side.points.push(vec![None; count]);
        }
        if let Some(last) = side.points.last_mut() {
            last[own] = Some(point);
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::SCHEMA_VERSION;
    use std::collections::BTreeMap;

    #[test]
    fn a_polynomial_of_fifth_degree_is_read_exactly_between_instants() {
        let c = [0.3, -2.0, 15.0, 40.0, -300.0, 900.0];
        let of = |t: f64| -> [f64; 3] {
            std::array::from_fn(|order| {
                (order..6)
                    .map(|k| {
                        let falling: f64 = (0..order).map(|i| (k - i) as f64).product();
                        c[k] * falling * t.powi((k - order) as i32)
                    })
                    .sum()
            })
        };
        let node = |t: f64| {
            let [p, v, a] = of(t);
            let estimate = |x: f64, variance: f64| Estimate3d {
                value: [x, 0.0, -x],
                covariance: [[variance, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
                sd_parts: SdParts::default(),
            };
            PointMotion {
                position_m: estimate(p, t),
                velocity_m_s: estimate(v, t),
                acceleration_m_s2: estimate(a, t),
                bridged: t > 0.15,
            }
        };
        let motion = StrokeMotion {
            contact_seconds: 0.2,
            names: vec!["ball".into()],
            before: SideMotion {
                session_seconds: vec![0.1, 0.14],
                points: vec![vec![Some(node(0.1))], vec![Some(node(0.14))]],
                at_contact: vec![Some(node(0.2))],
            },
            after: SideMotion { at_contact: vec![None], ..SideMotion::default() },
        };
        for (t, bridged) in [(0.1, false), (0.127, false), (0.14, true), (0.17, true), (0.2, true)] {
            let found = motion.at(0, t, ContactSide::Before).unwrap();
            let values = [found.position_m, found.velocity_m_s, found.acceleration_m_s2];
            for (estimate, expected) in values.iter().zip(of(t)) {
                assert!((estimate.value[0] - expected).abs() < 1e-9 && (estimate.value[2] + expected).abs() < 1e-9);
                assert!((estimate.covariance[0][0] - t).abs() < 1e-12);
            }
            assert_eq!(found.bridged, bridged);
        }
        assert!(motion.at(0, 0.2, ContactSide::After).is_none());
    }

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
        write_motion_parquet(std::slice::from_ref(&motion), &path, &provenance).unwrap();
        assert_eq!(read_motion_parquet(&path).unwrap(), (vec![motion.clone()], provenance));
        // Read between the instants and at contact, from either side.
        let speed = |t: f64, side: ContactSide| Some(motion.at(0, t, side)?.velocity_m_s.value[0]);
        assert_eq!(speed(2.0, ContactSide::Before), Some(30.0));
        assert_eq!(speed(2.0, ContactSide::After), Some(20.0));
        assert!(speed(1.995, ContactSide::After).is_none() && speed(1.98, ContactSide::Before).is_none());
        assert!(speed(1.995, ContactSide::Before).is_some() && motion.at(1, 1.995, ContactSide::Before).is_none());
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
