//! Midline and frontal plane of the body during each stroke.

use midline_analysis::{BodyFrame, TrunkJoints};
use midline_session::description::Handedness;
use midline_session::strokes::Stroke;
use midline_session::tracks::Tracks;
use nalgebra::Vector3;
use rerun::{LineStrips3D, Mesh3D, Radius};

use crate::places::{named, single};
use crate::player::line_rows;
use crate::recording::{Recording, SESSION_TIME, with_blanks};
use crate::{ViewError, ViewInput, colours};

/// Reach of the drawn part of a plane from the middle of the trunk: across, below and above, metres.
const REACH_M: f64 = 0.9;
const BELOW_M: f64 = 0.9;
const ABOVE_M: f64 = 0.8;

/// Corners of the drawn parts of the midline and the frontal plane, in order around.
type Quads = [[[f32; 3]; 4]; 2];

/// The analysis' own body axes at an instant; `None` when a shoulder or a hip was not measured.
pub(crate) fn body_frame(tracks: &Tracks, instant: usize, handedness: Handedness) -> Option<BodyFrame> {
    let (dominant, other) = match handedness {
        Handedness::Right => ("right", "left"),
        Handedness::Left => ("left", "right"),
    };
    let at = |side: &str, joint: &str| named(tracks, instant, &format!("{side}_{joint}"));
    let joints = TrunkJoints {
        dominant_shoulder: at(dominant, "shoulder")?,
        other_shoulder: at(other, "shoulder")?,
        dominant_hip: at(dominant, "hip")?,
        other_hip: at(other, "hip")?,
    };
    BodyFrame::from_joints(&joints, handedness)
}

/// Both planes at an instant.
fn quads(tracks: &Tracks, instant: usize, handedness: Handedness) -> Option<Quads> {
    let frame = body_frame(tracks, instant, handedness)?;
    let quad = |along: Vector3<f64>| {
        let corner = |a: f64, h: f64| single(frame.origin + along * a + frame.up * h);
        [corner(-REACH_M, -BELOW_M), corner(REACH_M, -BELOW_M), corner(REACH_M, ABOVE_M), corner(-REACH_M, ABOVE_M)]
    };
    Some([quad(frame.front), quad(frame.hitting_side)])
}

/// Session times from the first to the last event of a stroke.
pub(crate) fn span(stroke: &Stroke) -> Option<[f64; 2]> {
    let times = || stroke.events.iter().map(|e| e.session_seconds).filter(|t| t.is_finite());
    Some([times().reduce(f64::min)?, times().reduce(f64::max)?])
}

pub(crate) fn record(recording: &Recording, input: &ViewInput<'_>) -> Result<(), ViewError> {
    let handedness = input.session.description.player.handedness;
    let spans: Vec<[f64; 2]> = input.strokes.strokes.iter().filter_map(span).collect();
    let times = input.tracks.session_seconds.iter().enumerate();
    let inside = times.filter(|(_, t)| spans.iter().any(|[from, to]| (from..=to).contains(t)));
    let rows: Vec<(f64, Quads)> = inside.filter_map(|(i, t)| Some((*t, quads(input.tracks, i, handedness)?))).collect();
    for (which, name, colour) in [(0, "midline_plane", colours::MIDLINE), (1, "frontal_plane", colours::FRONTAL)] {
        let entity = format!("world/body/{name}");
        surface(recording, &entity, colour, rows.iter().map(|(t, quads)| (*t, quads[which])))?;
        let [r, g, b, _] = colour;
        let outline = format!("{entity}/outline");
        let look = LineStrips3D::update_fields().with_radii([Radius::new_ui_points(1.0)]).with_colors([[r, g, b, 255]]);
        recording.fixed(&outline, &look)?;
        let closed = |[a, b, c, d]: [[f32; 3]; 4]| vec![vec![a, b, c, d, a]];
        line_rows(recording, &outline, SESSION_TIME, rows.iter().map(|(t, quads)| (*t, closed(quads[which]))))?;
    }
    Ok(())
}

fn surface(
    recording: &Recording,
    entity: &str,
    colour: colours::Rgba,
    rows: impl Iterator<Item = (f64, [[f32; 3]; 4])>,
) -> Result<(), ViewError> {
    let (times, rows) = with_blanks(rows.map(|(t, quad)| (t, quad.to_vec())));
    let lengths: Vec<usize> = rows.iter().map(Vec::len).collect();
    let look = Mesh3D::update_fields().with_triangle_indices([[0, 1, 2], [0, 2, 3]]).with_albedo_factor(colour);
    recording.fixed(entity, &look)?;
    let columns = Mesh3D::update_fields().with_vertex_positions(rows.into_iter().flatten()).columns(lengths);
    recording.rows(entity, &[(SESSION_TIME, &times)], columns)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    #[test]
    fn the_midline_plane_is_square_to_the_shoulders_and_the_frontal_plane_holds_them() {
        let tracks = fixture::tracks();
        let [midline, frontal] = quads(&tracks, 10, Handedness::Right).unwrap();
        let point = |p: [f32; 3]| Vector3::from(p.map(f64::from));
        let normal = |q: [[f32; 3]; 4]| {
            let [a, b, c] = [point(q[0]), point(q[1]), point(q[2])];
            (b - a).cross(&(c - b)).normalize()
        };
        let shoulders = named(&tracks, 10, "right_shoulder").unwrap() - named(&tracks, 10, "left_shoulder").unwrap();
        let (m, f) = (normal(midline), normal(frontal));
        assert!(m.dot(&f).abs() < 1e-6);
        assert!(f.dot(&shoulders).abs() < 1e-6 && m.dot(&shoulders.normalize()).abs() > 0.99);
    }
}
