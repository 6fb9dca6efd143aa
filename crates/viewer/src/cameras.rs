//! Cameras at their places, with footage and 2D points.

use midline_session::calibration::CalibratedCamera;
use midline_session::description::Handedness;
use midline_session::footage::Footage;
use midline_session::keypoints::{BALL, Keypoints};
use rerun::components::{KeypointId, PinholeProjection, VideoTimestamp, ViewCoordinates};
use rerun::{
    AssetVideo, LineStrips2D, Mat3x3, Pinhole, Points2D, Quaternion, Radius, Transform3D, VideoFrameReference,
};

use crate::places::{Part, connections, position, single};
use crate::recording::{Recording, SESSION_TIME, with_blanks};
use crate::{ViewError, ViewInput, colours, video};

/// Distance of the shown picture from the camera, metres.
const PICTURE_DISTANCE_M: f32 = 0.8;

/// Entity of a camera's picture plane.
pub(crate) fn picture_entity(camera: &str) -> String {
    format!("world/cameras/{camera}/picture")
}

pub(crate) fn record(recording: &Recording, input: &ViewInput<'_>, remarks: &mut Vec<String>) -> Result<(), ViewError> {
    for camera in input.cameras {
        place(recording, camera)?;
        footage(recording, input, camera, remarks)?;
        if let Some(keypoints) = input.keypoints.iter().find(|k| k.camera == camera.name) {
            marks(recording, camera, keypoints, input.session.description.player.handedness)?;
        }
    }
    Ok(())
}

fn place(recording: &Recording, camera: &CalibratedCamera) -> Result<(), ViewError> {
    let world_from_camera = camera.camera.camera_from_world.inverse();
    let turn: [f64; 4] = world_from_camera.rotation.coords.into();
    let transform = Transform3D::from_translation_rotation(
        single(world_from_camera.translation.vector),
        Quaternion::from_xyzw(turn.map(|v| v as f32)),
    );
    recording.fixed(&format!("world/cameras/{}", camera.name), &transform)?;
    let intrinsics = &camera.camera.intrinsics;
    let [fx, fy] = intrinsics.focal_px.map(|v| v as f32);
    let [cx, cy] = corner_px(intrinsics.centre_px);
    let [width, height] = intrinsics.size_px.map(|v| v as f32);
    // Column by column.
    let projection = PinholeProjection(Mat3x3([fx, 0.0, 0.0, 0.0, fy, 0.0, cx, cy, 1.0]));
    let pinhole = Pinhole::new(projection)
        .with_resolution([width, height])
        .with_camera_xyz(ViewCoordinates::RDF)
        .with_image_plane_distance(PICTURE_DISTANCE_M)
        .with_color(colours::CAMERA);
    recording.fixed(&picture_entity(&camera.name), &pinhole)
}

/// From pixel centres at integers to pixels counted from the picture's corner.
fn corner_px(px: [f64; 2]) -> [f32; 2] {
    px.map(|v| (v + 0.5) as f32)
}

/// Takes places in the stored picture to the displayed one, pixels from the corner: the viewer does not apply the
/// container's rotation. Columns of the turn, and the shift.
fn displayed_from_stored(footage: &Footage) -> ([f32; 9], [f32; 3]) {
    let [width, height] = footage.stored_size_px.map(|v| v as f32);
    match footage.quarter_turns_clockwise % 4 {
        0 => ([1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0], [0.0; 3]),
        1 => ([0.0, 1.0, 0.0, -1.0, 0.0, 0.0, 0.0, 0.0, 1.0], [height, 0.0, 0.0]),
        2 => ([-1.0, 0.0, 0.0, 0.0, -1.0, 0.0, 0.0, 0.0, 1.0], [width, height, 0.0]),
        _ => ([0.0, -1.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 1.0], [0.0, width, 0.0]),
    }
}

fn footage(
    recording: &Recording,
    input: &ViewInput<'_>,
    camera: &CalibratedCamera,
    remarks: &mut Vec<String>,
) -> Result<(), ViewError> {
    let described = input.session.description.cameras.iter().find(|c| c.name == camera.name);
    let known = input.footage.iter().find(|(name, _)| *name == camera.name);
    let (Some(described), Some((_, footage))) = (described, known) else {
        remarks.push(format!("Camera {}: no footage was given, so there is no picture.", camera.name));
        return Ok(());
    };
    let video = match video::read(&input.session.path(&described.footage), footage) {
        Ok(video) => video,
        Err(why) => {
            remarks.push(format!("Camera {}: no picture. {why}.", camera.name));
            return Ok(());
        }
    };
    let entity = format!("{}/footage", picture_entity(&camera.name));
    let (turn, shift) = displayed_from_stored(footage);
    recording.fixed(&entity, &Transform3D::from_translation_mat3x3(shift, Mat3x3(turn)))?;
    recording.fixed(&entity, &AssetVideo::from_file_contents(video.content, Some("video/mp4")))?;
    let times: Vec<f64> = footage.frame_pts_seconds.iter().map(|pts| camera.clock.session_seconds(*pts)).collect();
    let stamps = video.frame_nanos.iter().map(|nanos| VideoTimestamp::from_nanos(*nanos));
    let columns = VideoFrameReference::update_fields().with_many_timestamp(stamps).columns_of_unit_batches();
    recording.rows(&entity, &[(SESSION_TIME, &times)], columns)
}

/// 2D points and their skeleton at the session times of their frames.
fn marks(
    recording: &Recording,
    camera: &CalibratedCamera,
    keypoints: &Keypoints,
    handedness: Handedness,
) -> Result<(), ViewError> {
    let times = || keypoints.frames.iter().map(|f| camera.clock.session_seconds(f.pts_seconds));
    let point = |frame: usize, column: usize| {
        let px = keypoints.frames.get(frame)?.points.get(column).copied().flatten()?.px;
        px.iter().all(|v| v.is_finite()).then(|| corner_px(px))
    };
    for part in Part::ALL {
        let entity = format!("{}/points/{}", picture_entity(&camera.name), part.entity());
        let pairs = connections(part, &keypoints.names, handedness);
        let strips = |frame| -> Vec<Vec<[f32; 2]>> {
            pairs.iter().filter_map(|[a, b]| Some(vec![point(frame, *a)?, point(frame, *b)?])).collect()
        };
        let (times, rows) = with_blanks(times().enumerate().map(|(i, t)| (t, strips(i))));
        let lengths: Vec<usize> = rows.iter().map(Vec::len).collect();
        let look = LineStrips2D::update_fields().with_radii([Radius::new_ui_points(1.2)]).with_colors([part.colour()]);
        recording.fixed(&entity, &look)?;
        let columns = LineStrips2D::new(rows.into_iter().flatten()).columns(lengths);
        recording.rows(&entity, &[(SESSION_TIME, &times)], columns)?;
    }
    let entity = format!("{}/points", picture_entity(&camera.name));
    let columns: Vec<(usize, KeypointId, colours::Rgba)> = keypoints
        .names
        .iter()
        .enumerate()
        .zip(0u16..)
        .map(|((column, name), id)| {
            (column, KeypointId::from(id), if name == BALL { colours::BALL } else { colours::TRUNK })
        })
        .collect();
    let marks = |frame| -> Vec<([f32; 2], KeypointId, colours::Rgba)> {
        columns.iter().filter_map(|(column, id, colour)| Some((point(frame, *column)?, *id, *colour))).collect()
    };
    let (times, rows) = with_blanks(times().enumerate().map(|(i, t)| (t, marks(i))));
    let lengths: Vec<usize> = rows.iter().map(Vec::len).collect();
    let all: Vec<_> = rows.into_iter().flatten().collect();
    recording.fixed(
        &entity,
        &Points2D::update_fields().with_radii([Radius::new_ui_points(2.5)]).with_class_ids([0]).with_show_labels(false),
    )?;
    let points = Points2D::new(all.iter().map(|(px, _, _)| *px))
        .with_keypoint_ids(all.iter().map(|(_, id, _)| *id))
        .with_colors(all.iter().map(|(_, _, colour)| *colour));
    recording.rows(&entity, &[(SESSION_TIME, &times)], points.columns(lengths))
}

/// The tracks as each camera sees them, drawn in its pictures with the lens's distortion, at the time of the frame in which the
/// player is seen then (the row delay of one of the player's points is taken off).
pub(crate) fn record_reprojected(recording: &Recording, input: &ViewInput<'_>) -> Result<(), ViewError> {
    let tracks = input.tracks;
    let handedness = input.session.description.player.handedness;
    for camera in input.cameras {
        let pixel = |instant: usize, column: usize| {
            let place = position(tracks, instant, column)?;
            let px: [f64; 2] = camera.camera.project(&place.into())?.into();
            let [width, height] = camera.camera.intrinsics.size_px.map(f64::from);
            // Far outside the picture a lens model says nothing.
            let near = (-width..2.0 * width).contains(&px[0]) && (-height..2.0 * height).contains(&px[1]);
            near.then_some(px)
        };
        let delay = |instant: usize| {
            let seen = (0..tracks.names.len()).find_map(|column| pixel(instant, column));
            seen.map_or(0.0, |px| camera.camera.row_delay_seconds(px.into()))
        };
        let times: Vec<f64> = tracks.session_seconds.iter().enumerate().map(|(i, t)| t - delay(i)).collect();
        for part in Part::ALL {
            let entity = format!("{}/reprojected/{}", picture_entity(&camera.name), part.entity());
            let pairs = connections(part, &tracks.names, handedness);
            let strips = |i| -> Vec<Vec<[f32; 2]>> {
                let strip = |[a, b]: &[usize; 2]| Some(vec![corner_px(pixel(i, *a)?), corner_px(pixel(i, *b)?)]);
                pairs.iter().filter_map(strip).collect()
            };
            let (times, rows) = with_blanks(times.iter().enumerate().map(|(i, t)| (*t, strips(i))));
            let lengths: Vec<usize> = rows.iter().map(Vec::len).collect();
            let look = LineStrips2D::update_fields()
                .with_radii([Radius::new_ui_points(0.6)])
                .with_colors([colours::REPROJECTED]);
            recording.fixed(&entity, &look)?;
            let columns = LineStrips2D::new(rows.into_iter().flatten()).columns(lengths);
            recording.rows(&entity, &[(SESSION_TIME, &times)], columns)?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn footage(turns: u8) -> Footage {
        Footage {
            stored_size_px: [1280, 720],
            size_px: if turns.is_multiple_of(2) { [1280, 720] } else { [720, 1280] },
            quarter_turns_clockwise: turns,
            frame_pts_seconds: vec![],
            codec: "h264".into(),
            gaps: vec![],
            sound: None,
        }
    }

    #[test]
    fn a_turned_picture_keeps_inside_and_its_first_corner_goes_clockwise() {
        // Top left of the stored picture: stays, goes to the top right, bottom right, bottom left.
        let expected = [[0.0, 0.0], [720.0, 0.0], [1280.0, 720.0], [0.0, 1280.0]];
        for (turns, corner) in (0u8..).zip(expected) {
            let footage = footage(turns);
            let (m, shift) = displayed_from_stored(&footage);
            let map = |x: f32, y: f32| [m[0] * x + m[3] * y + shift[0], m[1] * x + m[4] * y + shift[1]];
            assert_eq!(map(0.0, 0.0), corner);
            let far = map(1280.0, 720.0);
            let size = footage.size_px.map(|v| v as f32);
            assert!((0..2).all(|i| (far[i] + corner[i] - size[i]).abs() < 1e-3), "{turns}: {far:?}");
        }
    }
}
