//! Draws of whole motions around a contact, for carrying the uncertainty of the lift through anything that is computed from it.
//!
//! A draw is one motion of all points that what was seen allows, less the estimate: correlated in time, among the points of a limb or
//! racket, and through poses, lenses and clocks among all points, both sides and all strokes of a session (the same number of a draw means the same
//! calibration everywhere). Applied to the estimate of [`crate::motion`], the spread of any result over the draws is its
//! standard uncertainty (JCGM 101:2008).

use std::path::Path;
use std::sync::Arc;

use arrow::array::{
    Array, ArrayRef, FixedSizeListArray, Float32Array, Float64Array, Int8Array, RecordBatch, StringArray, UInt32Array,
};
use arrow::datatypes::{DataType, Field};
use midline_geometry::{Moment, SplineBasis};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

use crate::motion::ContactSide;
use crate::table::write_table;
use crate::{Provenance, SCHEMA_VERSION, SessionError};

/// The splines of the draws are cubic.
pub const DRAW_ORDER: usize = 4;

/// All draws of one point on one side of contact.
#[derive(Debug, Clone, PartialEq)]
pub struct PointDraws {
    basis: SplineBasis<DRAW_ORDER>,
    count: usize,
    /// By coefficient, draw and axis, metres.
    coefficients_m: Vec<f32>,
}

/// How far a draw is from the estimate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Departure {
    /// Of the position, metres.
    pub position_m: [f64; 3],
    /// Of the velocity, m/s.
    pub velocity_m_s: [f64; 3],
    /// Of the acceleration, m/s².
    pub acceleration_m_s2: [f64; 3],
}

impl PointDraws {
    /// `count` draws with the coefficients of their departures from the estimate by coefficient, draw and axis, metres; `None` unless there are
    /// three finite numbers for each.
    #[must_use]
    pub fn new(basis: SplineBasis<DRAW_ORDER>, count: usize, coefficients_m: Vec<f32>) -> Option<Self> {
        let fits = coefficients_m.len() == 3 * count * basis.count() && coefficients_m.iter().all(|c| c.is_finite());
        fits.then_some(Self { basis, count, coefficients_m })
    }

    /// Number of draws.
    #[must_use]
    pub fn count(&self) -> usize {
        self.count
    }

    /// The splines' basis on the session clock.
    #[must_use]
    pub fn basis(&self) -> &SplineBasis<DRAW_ORDER> {
        &self.basis
    }

    /// The basis at a session time, for [`Self::departure`] of many draws; `None` where the draws say nothing.
    #[must_use]
    pub fn moment(&self, session_seconds: f64) -> Option<Moment<DRAW_ORDER>> {
        let [from, to] = self.basis.ends_seconds();
        (from..=to).contains(&session_seconds).then(|| self.basis.at(session_seconds))
    }

    /// How far a draw (from 0) is from the estimate at a moment of [`Self::moment`]; `None` for a draw that does not exist.
    #[must_use]
    pub fn departure(&self, draw: usize, moment: &Moment<DRAW_ORDER>) -> Option<Departure> {
        if draw >= self.count {
            return None;
        }
        let mut orders = [[0.0; 3]; 3];
        for j in 0..DRAW_ORDER {
            let start = 3 * ((moment.first + j) * self.count + draw);
            let own = self.coefficients_m.get(start..start + 3)?;
            for (values, weights) in orders.iter_mut().zip(&moment.derivatives) {
                values.iter_mut().zip(own).for_each(|(value, c)| *value += weights[j] * f64::from(*c));
            }
        }
        let [position_m, velocity_m_s, acceleration_m_s2] = orders;
        Some(Departure { position_m, velocity_m_s, acceleration_m_s2 })
    }
}

/// All draws around one contact.
#[derive(Debug, Clone, PartialEq)]
pub struct StrokeDraws {
    /// Session time of contact, seconds.
    pub contact_seconds: f64,
    /// Names of the points.
    pub names: Vec<String>,
    /// Until contact, one per name; `None` where the point has no motion.
    pub before: Vec<Option<PointDraws>>,
    /// From contact on.
    pub after: Vec<Option<PointDraws>>,
}

impl StrokeDraws {
    /// Column of a name.
    #[must_use]
    pub fn column(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|n| n == name)
    }

    /// Number of draws: the same for all points.
    #[must_use]
    pub fn count(&self) -> usize {
        self.before.iter().chain(&self.after).flatten().map(PointDraws::count).min().unwrap_or(0)
    }

    /// The draws of a point (by column) on one side.
    #[must_use]
    pub fn point(&self, column: usize, side: ContactSide) -> Option<&PointDraws> {
        let points = match side {
            ContactSide::Before => &self.before,
            ContactSide::After => &self.after,
        };
        points.get(column)?.as_ref()
    }

    /// How far a draw of a point (by column) is from the estimate at a session time.
    #[must_use]
    pub fn departure(&self, draw: usize, column: usize, session_seconds: f64, side: ContactSide) -> Option<Departure> {
        let point = self.point(column, side)?;
        point.departure(draw, &point.moment(session_seconds)?)
    }
}

/// Columns of the table.
#[derive(Default)]
struct Rows {
    strokes: Vec<u32>,
    sides: Vec<i8>,
    names: Vec<String>,
    knots: Vec<f64>,
    coefficients: [Vec<f32>; 3],
}

/// Writes the draws of all strokes as Parquet: one row per stroke, side of contact (`-1` before, `1` after), point and coefficient of its cubic
/// B-spline, with the knot in the middle of the coefficient's five (`knot_seconds`; the first and the last knot of the spline stand four
/// times) and lists of all draws' departures `x_m`, `y_m`, `z_m`.
///
/// # Errors
/// When draws are of different numbers, the table cannot be made or the system refuses; nothing is left half written.
pub fn write_draws_parquet(strokes: &[StrokeDraws], path: &Path, provenance: &Provenance) -> Result<(), SessionError> {
    let malformed = |what: &dyn std::fmt::Display| SessionError::malformed(path, None, what.to_string());
    let mut rows = Rows::default();
    let mut count = None;
    for (number, stroke) in (1..).zip(strokes) {
        for (side, points) in [(-1, &stroke.before), (1, &stroke.after)] {
            for (name, point) in stroke.names.iter().zip(points) {
                let Some(point) = point else { continue };
                if *count.get_or_insert(point.count) != point.count {
                    return Err(malformed(&format!("stroke {number}, {name}: another number of draws than the first")));
                }
                let breaks = point.basis.breaks_seconds();
                for function in 0..point.basis.count() {
                    rows.strokes.push(number);
                    rows.sides.push(side);
                    rows.names.push(name.clone());
                    // Functions are two more than breaks; both ends stand twice.
                    rows.knots.push(breaks[function.saturating_sub(1).min(breaks.len() - 1)]);
                    let own = &point.coefficients_m[3 * function * point.count..3 * (function + 1) * point.count];
                    for (axis, values) in rows.coefficients.iter_mut().enumerate() {
                        values.extend(own.iter().skip(axis).step_by(3));
                    }
                }
            }
        }
    }
    // A list without draws would be of length 0, which not every reader takes.
    let count = count.unwrap_or(1);
    let item = Arc::new(Field::new("item", DataType::Float32, false));
    let size = i32::try_from(count).map_err(|e| malformed(&e))?;
    let kind = DataType::FixedSizeList(item.clone(), size);
    let column = |name: &str, kind: DataType, column: ArrayRef| (Field::new(name, kind, false), column);
    let mut columns = vec![
        column("stroke", DataType::UInt32, Arc::new(UInt32Array::from(rows.strokes))),
        column("side", DataType::Int8, Arc::new(Int8Array::from(rows.sides))),
        column("name", DataType::Utf8, Arc::new(StringArray::from(rows.names))),
        column("knot_seconds", DataType::Float64, Arc::new(Float64Array::from(rows.knots))),
    ];
    for (name, values) in ["x_m", "y_m", "z_m"].into_iter().zip(rows.coefficients) {
        let list = FixedSizeListArray::try_new(item.clone(), size, Arc::new(Float32Array::from(values)), None);
        columns.push(column(name, kind.clone(), Arc::new(list.map_err(|e| malformed(&e))?)));
    }
    let names: Vec<&Vec<String>> = strokes.iter().map(|s| &s.names).collect();
    let contacts: Vec<f64> = strokes.iter().map(|s| s.contact_seconds).collect();
    let further = [
        ("names".to_owned(), serde_json::to_string(&names).map_err(|e| malformed(&e))?),
        ("contacts".to_owned(), serde_json::to_string(&contacts).map_err(|e| malformed(&e))?),
    ];
    write_table(path, columns, provenance, further)
}

/// Reads what [`write_draws_parquet`] wrote.
///
/// # Errors
/// When the file is missing, of a newer version, or not such a table.
pub fn read_draws_parquet(path: &Path) -> Result<(Vec<StrokeDraws>, Provenance), SessionError> {
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
    let mut strokes: Vec<StrokeDraws> = contacts
        .into_iter()
        .zip(names)
        .map(|(contact_seconds, names)| {
            let none = vec![None; names.len()];
            StrokeDraws { contact_seconds, names, before: none.clone(), after: none }
        })
        .collect();
    let mut open: Option<Open> = None;
    for batch in builder.build().map_err(|e| malformed(&e))? {
        let batch = batch.map_err(|e| malformed(&e))?;
        append(&mut strokes, &mut open, &batch)
            .map_err(|what| malformed(&format!("{what} is missing or makes no sense")))?;
    }
    if let Some(last) = open {
        last.close(&mut strokes).map_err(|what| malformed(&format!("{what} makes no sense")))?;
    }
    Ok((strokes, provenance))
}

/// The rows of one point, as far as they were read.
struct Open {
    key: (u32, i8, String),
    count: usize,
    knots: Vec<f64>,
    coefficients_m: Vec<f32>,
}

impl Open {
    fn close(self, strokes: &mut [StrokeDraws]) -> Result<(), String> {
        let (number, side, name) = self.key;
        let stroke = (number as usize).checked_sub(1).and_then(|index| strokes.get_mut(index));
        let stroke = stroke.ok_or("a stroke's number")?;
        let column = stroke.column(&name).ok_or("a point's name")?;
        let mut breaks = self.knots;
        breaks.dedup();
        let draws =
            SplineBasis::clamped(&breaks).and_then(|basis| PointDraws::new(basis, self.count, self.coefficients_m));
        let draws = draws.ok_or_else(|| format!("the spline of stroke {number}, {name}"))?;
        let side = if side < 0 { &mut stroke.before } else { &mut stroke.after };
        side[column] = Some(draws);
        Ok(())
    }
}

fn append(strokes: &mut [StrokeDraws], open: &mut Option<Open>, batch: &RecordBatch) -> Result<(), String> {
    fn column<'a, A: Array + 'static>(batch: &'a RecordBatch, name: &str) -> Result<&'a A, String> {
        let found = batch.column_by_name(name).and_then(|c| c.as_any().downcast_ref::<A>());
        found.ok_or_else(|| format!("column \"{name}\""))
    }
    let numbers: &UInt32Array = column(batch, "stroke")?;
    let sides: &Int8Array = column(batch, "side")?;
    let names: &StringArray = column(batch, "name")?;
    let knots: &Float64Array = column(batch, "knot_seconds")?;
    let axes = ["x_m", "y_m", "z_m"].map(|name| column::<FixedSizeListArray>(batch, name));
    for row in 0..batch.num_rows() {
        let key = (numbers.value(row), sides.value(row), names.value(row).to_owned());
        let mut values = Vec::with_capacity(3);
        for axis in &axes {
            let list = axis.as_ref().map_err(Clone::clone)?.value(row);
            values.push(list.as_any().downcast_ref::<Float32Array>().ok_or("a list of draws")?.values().to_vec());
        }
        let count = values[0].len();
        if open.as_ref().is_some_and(|o| o.key != key)
            && let Some(done) = open.take()
        {
            done.close(strokes)?;
        }
        let own = open.get_or_insert_with(|| Open { key, count, knots: Vec::new(), coefficients_m: Vec::new() });
        if values.iter().any(|v| v.len() != own.count) {
            return Err("the number of draws".to_owned());
        }
        own.knots.push(knots.value(row));
        own.coefficients_m.extend((0..count).flat_map(|draw| [values[0][draw], values[1][draw], values[2][draw]]));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    #[test]
    fn draws_are_read_back_as_they_were_and_departures_are_the_splines_values() {
        let basis = SplineBasis::clamped(&[1.0, 1.1, 1.25, 1.5]).unwrap();
        let count = 5;
        let size = 3 * count * basis.count();
        let draws = |first: f32| {
            PointDraws::new(basis.clone(), count, (0..size).map(|i| first + (i as f32).sin()).collect()).unwrap()
        };
        let stroke = StrokeDraws {
            contact_seconds: 1.5,
            names: vec!["racket_tip".to_owned(), "ball".to_owned()],
            before: vec![Some(draws(0.0)), Some(draws(2.0))],
            after: vec![None, None],
        };
        let provenance = Provenance {
            schema: SCHEMA_VERSION,
            program: "0.1.0".into(),
            stage: "draws".into(),
            inputs: BTreeMap::new(),
            settings: serde_json::Value::Null,
        };
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("motion-draws.parquet");
        write_draws_parquet(std::slice::from_ref(&stroke), &path, &provenance).unwrap();
        assert_eq!(read_draws_parquet(&path).unwrap(), (vec![stroke.clone()], provenance.clone()));

        // At the ends a clamped spline has its outermost coefficients' values.
        let at = |t: f64| stroke.departure(3, 0, t, ContactSide::Before).unwrap();
        let coefficient = |function: usize, axis: usize| f64::from(((3 * (function * count + 3) + axis) as f32).sin());
        for axis in 0..3 {
            assert!((at(1.0).position_m[axis] - coefficient(0, axis)).abs() < 1e-6);
            assert!((at(1.5).position_m[axis] - coefficient(basis.count() - 1, axis)).abs() < 1e-6);
            let h = 1e-5;
            let slope = (at(1.2 + h).position_m[axis] - at(1.2 - h).position_m[axis]) / (2.0 * h);
            assert!((at(1.2).velocity_m_s[axis] - slope).abs() < 1e-4 * (1.0 + slope.abs()));
            let bend = (at(1.2 + h).velocity_m_s[axis] - at(1.2 - h).velocity_m_s[axis]) / (2.0 * h);
            assert!((at(1.2).acceleration_m_s2[axis] - bend).abs() < 1e-3 * (1.0 + bend.abs()));
        }
        assert_eq!(stroke.count(), count);
        assert!(stroke.departure(5, 0, 1.2, ContactSide::Before).is_none());
        assert!(stroke.departure(0, 0, 1.51, ContactSide::Before).is_none());
        assert!(stroke.departure(0, 0, 1.5, ContactSide::After).is_none());
        assert!(PointDraws::new(basis, count, vec![0.0; 3]).is_none());

        // No strokes, no draws: a file all the same.
        write_draws_parquet(&[], &path, &provenance).unwrap();
        assert!(read_draws_parquet(&path).unwrap().0.is_empty());
    }
}
