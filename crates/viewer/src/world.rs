//! What stands still: coordinates, painted lines, net.

use midline_session::calibration::Vertical;
use midline_session::court::Court;
use rerun::{LineStrips3D, ViewCoordinates};

use crate::recording::Recording;
use crate::{ViewError, ViewInput, colours};

pub(crate) fn record(recording: &Recording, input: &ViewInput<'_>) -> Result<(), ViewError> {
    if input.vertical == Vertical::ZUp {
        recording.fixed("world", &ViewCoordinates::RIGHT_HAND_Z_UP())?;
    }
    recording.fixed(crate::overlay::NOW, &ViewCoordinates::RIGHT_HAND_Z_UP())?;
    let Some(court) = input.court else { return Ok(()) };
    let lines = court.lines_m.values().map(|line| rectangle(*line));
    recording
        .fixed("world/court/lines", &LineStrips3D::new(lines).with_radii([0.012]).with_colors([colours::COURT]))?;
    recording.fixed("world/court/net", &LineStrips3D::new(net(court)).with_radii([0.01]).with_colors([colours::COURT]))
}

/// Outline of a painted line on the ground.
fn rectangle([x0, y0, x1, y1]: [f64; 4]) -> Vec<[f32; 3]> {
    let corner = |x: f64, y: f64| [x as f32, y as f32, 0.0];
    vec![corner(x0, y0), corner(x1, y0), corner(x1, y1), corner(x0, y1), corner(x0, y0)]
}

/// The band along the top, posts or ends down to the ground, and the foot of the net.
fn net(court: &Court) -> Vec<Vec<[f32; 3]>> {
    let top: Vec<[f32; 3]> = court.net_top_m.iter().map(|p| p.map(|v| v as f32)).collect();
    let foot = |p: &[f32; 3]| [p[0], p[1], 0.0];
    let ends = top.first().into_iter().chain(top.last()).map(|p| vec![*p, foot(p)]);
    let ground = top.iter().map(foot).collect();
    ends.chain([top.clone(), ground]).collect()
}
