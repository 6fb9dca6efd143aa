//! Strokes laid over each other on the timeline `time_to_contact`, in the body axes at contact; those of an earlier session
//! among them, when one is given.

use midline_session::description::Handedness;
use midline_session::strokes::{EventKind, Stroke, Strokes};
use midline_session::tracks::Tracks;
use rerun::{LineStrips3D, Mat3x3, Radius, Transform3D};

use crate::colours::Rgba;
use crate::places::{Part, connections, strips};
use crate::planes::{body_frame, span};
use crate::player::{line_rows, trail_strips};
use crate::recording::{Recording, TIME_TO_CONTACT};
use crate::{ViewError, ViewInput, colours};

/// Air before the first and after the last event, seconds.
const AIR_SECONDS: f64 = 0.2;

/// Where the strokes of the session itself stand, and those of the earlier one.
pub(crate) const NOW: &str = "strokes";
pub(crate) const BEFORE: &str = "strokes/before";

/// Body axes are taken from the measured instant nearest to contact, but not from farther away than this, seconds.
const NEAR_CONTACT_SECONDS: f64 = 0.05;

pub(crate) fn record(recording: &Recording, input: &ViewInput<'_>) -> Result<(), ViewError> {
    let handedness = input.session.description.player.handedness;
    set(recording, NOW, input.tracks, input.strokes, handedness, |index| (colours::stroke(index), 2.0))?;
    if let Some(before) = &input.before {
        let handedness = before.session.description.player.handedness;
        set(recording, BEFORE, before.tracks, before.strokes, handedness, |_| (colours::BEFORE, 1.2))?;
    }
    Ok(())
}

/// One session's strokes below `root`; `look` gives colour and radius by the stroke's place in the order of time.
fn set(
    recording: &Recording,
    root: &str,
    tracks: &Tracks,
    strokes: &Strokes,
    handedness: Handedness,
    look: impl Fn(usize) -> (Rgba, f32),
) -> Result<(), ViewError> {
    let pairs: Vec<[usize; 2]> =
        Part::ALL.iter().flat_map(|part| connections(*part, &tracks.names, handedness)).collect();
    for (index, stroke) in strokes.strokes.iter().enumerate() {
        let (Some(contact), Some([from, to])) = (stroke.event(EventKind::Contact), span(stroke)) else { continue };
        let contact = contact.session_seconds;
        // Without body axes it would lie somewhere else than the others.
        let Some(transform) = body_from_world(tracks, contact, handedness) else { continue };
        let entity = entity(root, stroke);
        recording.fixed(&entity, &transform)?;
        let (colour, radius) = look(index);
        let look = |radius: f32| {
            LineStrips3D::update_fields().with_radii([Radius::new_ui_points(radius)]).with_colors([colour])
        };
        let first = tracks.session_seconds.partition_point(|t| *t < from - AIR_SECONDS);
        let last = tracks.session_seconds.partition_point(|t| *t <= to + AIR_SECONDS);
        let instants = || (first..last).zip(&tracks.session_seconds[first..last]).map(|(i, t)| (i, t - contact));
        let skeleton = format!("{entity}/skeleton");
        recording.fixed(&skeleton, &look(radius))?;
        let rows = instants().map(|(i, t)| (t, strips(tracks, i, &pairs)));
        line_rows(recording, &skeleton, TIME_TO_CONTACT, rows)?;
        let Some(tip) = tracks.column("racket_tip") else { continue };
        let trail = format!("{entity}/racket_path");
        recording.fixed(&trail, &look(radius * 0.6))?;
        let rows = instants().map(|(i, t)| (t, trail_strips(tracks, tip, first, i)));
        line_rows(recording, &trail, TIME_TO_CONTACT, rows)?;
    }
    Ok(())
}

pub(crate) fn entity(root: &str, stroke: &Stroke) -> String {
    format!("{root}/stroke_{}", stroke.number)
}

/// Takes the world to the body axes at contact `[hitting side, front, up]`; a reflection for left-handers. The line from hips to
/// shoulders is upright in them.
fn body_from_world(tracks: &Tracks, contact: f64, handedness: Handedness) -> Option<Transform3D> {
    let near = tracks.session_seconds.iter().enumerate().filter(|(_, t)| (*t - contact).abs() < NEAR_CONTACT_SECONDS);
    let frames = near.filter_map(|(i, t)| Some(((t - contact).abs(), body_frame(tracks, i, handedness)?)));
    let (_, frame) = frames.min_by(|a, b| a.0.total_cmp(&b.0))?;
    let axes = [frame.hitting_side, frame.front, frame.up];
    let shift = axes.map(|axis| -axis.dot(&frame.origin) as f32);
    // Column by column: the axes are the rows.
    let turn: [f32; 9] = std::array::from_fn(|i| axes[i % 3][i / 3] as f32);
    Some(Transform3D::from_translation_mat3x3(shift, Mat3x3(turn)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;
    use crate::places::named;

    #[test]
    fn body_axes_put_the_dominant_shoulder_on_the_hitting_side_and_up_is_up() {
        let tracks = fixture::tracks();
        let contact = tracks.session_seconds[10];
        for (handedness, dominant) in [(Handedness::Right, "right_shoulder"), (Handedness::Left, "left_shoulder")] {
            let frame = body_frame(&tracks, 10, handedness).unwrap();
            let shoulder = named(&tracks, 10, dominant).unwrap() - frame.origin;
            assert!(shoulder.dot(&frame.hitting_side) > 0.1 && shoulder.dot(&frame.up) > 0.1);
            assert!(body_from_world(&tracks, contact, handedness).is_some());
        }
        assert!(body_from_world(&tracks, 1e3, Handedness::Right).is_none());
    }
}
