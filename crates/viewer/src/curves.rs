//! Curves of the strokes on both timelines: over the session, and laid over each other by time to contact.

use midline_session::strokes::{Curve, EventKind, shown_unit};
use rerun::{Scalars, SeriesLines};

use crate::recording::{Recording, SESSION_TIME, TIME_TO_CONTACT};
use crate::{ViewError, ViewInput, colours};

/// Entity under which the curves of an identifier stand.
pub(crate) fn entity(curve: &str) -> String {
    format!("curves/{curve}")
}

/// Rows of a curve: empty where it was not measured and on either side of contact, so that the viewer draws no line there.
fn rows(curve: &Curve) -> Vec<(f64, Option<f64>)> {
    let (factor, _) = shown_unit(&curve.unit);
    let mut rows: Vec<(f64, Option<f64>)> = Vec::new();
    for (seconds, value) in curve.seconds_to_contact.iter().zip(&curve.values) {
        if let Some((before, Some(_))) = rows.last().filter(|(before, _)| *before <= 0.0 && *seconds > 0.0) {
            rows.push(((before + seconds) / 2.0, None));
        }
        rows.push((*seconds, value.filter(|v| v.is_finite()).map(|v| v * factor)));
    }
    rows.extend(rows.last().map(|(last, _)| (last + crate::LINGER_SECONDS, None)));
    rows
}

pub(crate) fn record(recording: &Recording, input: &ViewInput<'_>) -> Result<(), ViewError> {
    for (index, stroke) in input.strokes.strokes.iter().enumerate() {
        let Some(contact) = stroke.event(EventKind::Contact) else { continue };
        for curve in &stroke.curves {
            let entity = format!("{}/stroke_{}", entity(&curve.id), stroke.number);
            let (_, unit) = shown_unit(&curve.unit);
            let name = format!("{} {}, stroke {}", curve.name, unit, stroke.number);
            let look = SeriesLines::new().with_names([name]).with_colors([colours::stroke(index)]).with_widths([2.0]);
            recording.fixed(&entity, &look)?;
            let rows = rows(curve);
            let to_contact: Vec<f64> = rows.iter().map(|row| row.0).collect();
            let session: Vec<f64> = to_contact.iter().map(|t| t + contact.session_seconds).collect();
            let lengths: Vec<usize> = rows.iter().map(|row| usize::from(row.1.is_some())).collect();
            let columns = Scalars::new(rows.iter().filter_map(|row| row.1)).columns(lengths);
            recording.rows(&entity, &[(SESSION_TIME, &session), (TIME_TO_CONTACT, &to_contact)], columns)?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use super::*;

    #[test]
    fn a_curve_is_broken_at_gaps_and_at_contact() {
        let curve = Curve {
            id: "a".into(),
            name: "a".into(),
            unit: "rad".into(),
            definition: String::new(),
            seconds_to_contact: vec![-0.02, -0.01, 0.0, 0.01],
            values: vec![Some(PI), None, Some(0.0), Some(f64::NAN)],
            sds: vec![None; 4],
        };
        let rows = rows(&curve);
        let values: Vec<Option<f64>> = rows.iter().map(|row| row.1).collect();
        assert_eq!(values, [Some(180.0), None, Some(0.0), None, None, None]);
        assert!(rows.windows(2).all(|w| w[0].0 < w[1].0));
    }
}
