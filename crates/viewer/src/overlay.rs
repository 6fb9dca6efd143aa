//! Strokes laid over each other on the timeline `time_to_contact`, moved so that mid-hip at contact is in one place.

use midline_session::calibration::Vertical;
use midline_session::strokes::{EventKind, Stroke};
use midline_session::tracks::Tracks;
use nalgebra::Vector3;
use rerun::{LineStrips3D, Radius, Transform3D};

use crate::places::{Part, connections, named, single, strips};
use crate::planes::span;
use crate::player::{line_rows, trail_strips};
use crate::recording::{Recording, TIME_TO_CONTACT};
use crate::{ViewError, ViewInput, colours};

/// Air before the first and after the last event, seconds.
const AIR_SECONDS: f64 = 0.2;

pub(crate) fn record(recording: &Recording, input: &ViewInput<'_>) -> Result<(), ViewError> {
    let tracks = input.tracks;
    let handedness = input.session.description.player.handedness;
    let pairs: Vec<[usize; 2]> =
        Part::ALL.iter().flat_map(|part| connections(*part, &tracks.names, handedness)).collect();
    for (index, stroke) in input.strokes.strokes.iter().enumerate() {
        let (Some(contact), Some([from, to])) = (stroke.event(EventKind::Contact), span(stroke)) else { continue };
        let contact = contact.session_seconds;
        let entity = entity(stroke);
        if let Some(hips) = hips_at(tracks, contact) {
            // Heights stay when the vertical is known.
            let up = if input.vertical == Vertical::ZUp { 0.0 } else { hips.z };
            let shift = single(-Vector3::new(hips.x, hips.y, up));
            recording.fixed(&entity, &Transform3D::from_translation(shift))?;
        }
        let look =
            |radius: Radius| LineStrips3D::update_fields().with_radii([radius]).with_colors([colours::stroke(index)]);
        let first = tracks.session_seconds.partition_point(|t| *t < from - AIR_SECONDS);
        let last = tracks.session_seconds.partition_point(|t| *t <= to + AIR_SECONDS);
        let instants = || (first..last).zip(&tracks.session_seconds[first..last]).map(|(i, t)| (i, t - contact));
        let skeleton = format!("{entity}/skeleton");
        recording.fixed(&skeleton, &look(Radius::new_ui_points(2.0)))?;
        let rows = instants().map(|(i, t)| (t, strips(tracks, i, &pairs)));
        line_rows(recording, &skeleton, TIME_TO_CONTACT, rows)?;
        let Some(tip) = tracks.column("racket_tip") else { continue };
        let trail = format!("{entity}/racket_path");
        recording.fixed(&trail, &look(Radius::new_ui_points(1.2)))?;
        let rows = instants().map(|(i, t)| (t, trail_strips(tracks, tip, first, i)));
        line_rows(recording, &trail, TIME_TO_CONTACT, rows)?;
    }
    Ok(())
}

pub(crate) fn entity(stroke: &Stroke) -> String {
    format!("strokes/stroke_{}", stroke.number)
}

/// Mid-hip at the measured instant nearest to a session time.
fn hips_at(tracks: &Tracks, seconds: f64) -> Option<Vector3<f64>> {
    let hips = |i| Some((named(tracks, i, "left_hip")? + named(tracks, i, "right_hip")?) / 2.0);
    let near = (0..tracks.session_seconds.len()).filter_map(|i| Some((tracks.session_seconds[i], hips(i)?)));
    near.min_by(|a, b| (a.0 - seconds).abs().total_cmp(&(b.0 - seconds).abs())).map(|(_, hips)| hips)
}
