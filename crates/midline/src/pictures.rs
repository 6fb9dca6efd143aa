//! Key pictures of one stroke for the report: frames with the 3D skeleton and the racket's path drawn into them.

use midline_media::PictureFormat;
use midline_report::KeyPicture;
use midline_session::calibration::CalibratedCamera;
use midline_session::description::Session;
use midline_session::footage::Footage;
use midline_session::keypoints::CONNECTIONS;
use midline_session::strokes::{EventKind, Stroke, Strokes};
use midline_session::tracks::Tracks;

/// The moments shown, in the order of time.
const SHOWN: [EventKind; 4] =
    [EventKind::TakeBackStart, EventKind::FarthestAcross, EventKind::DropBottom, EventKind::Contact];

/// Strokes of which the report gets pictures: a page of many more does not open on a phone.
const MOST_STROKES: usize = 9;

/// The strokes with a contact, up to [`MOST_STROKES`]: those in which more of the moments were found first, then by time.
fn pictured(strokes: &Strokes) -> Vec<&Stroke> {
    let mut found: Vec<&Stroke> = strokes.strokes.iter().filter(|s| s.event(EventKind::Contact).is_some()).collect();
    found.sort_by_key(|s| std::cmp::Reverse(SHOWN.iter().filter(|kind| s.event(**kind).is_some()).count())); // stable
    found.truncate(MOST_STROKES);
    found
}

/// Key pictures of the strokes whose contact was found, of not too many, from every camera.
pub(crate) fn of_strokes(
    session: &Session,
    cameras: &[CalibratedCamera],
    footage: &[(String, Footage)],
    tracks: &Tracks,
    strokes: &Strokes,
) -> anyhow::Result<Vec<KeyPicture>> {
    let mut pictures = Vec::new();
    for camera in cameras {
        let description = session.description.cameras.iter().find(|c| c.name == camera.name);
        let footage = footage.iter().find(|(name, _)| *name == camera.name);
        let (Some(description), Some((_, footage))) = (description, footage) else { continue };
        let wanted: Vec<(&Stroke, EventKind, usize)> = pictured(strokes)
            .into_iter()
            .flat_map(|stroke| SHOWN.iter().map(move |kind| (stroke, *kind)))
            .filter_map(|(stroke, kind)| {
                let seconds = stroke.event(kind)?.session_seconds;
                Some((stroke, kind, footage.nearest_frame(frame_pts(camera, tracks, seconds))?))
            })
            .collect();
        let mut frames: Vec<usize> = wanted.iter().map(|(_, _, frame)| *frame).collect();
        frames.sort_unstable();
        frames.dedup();
        let path = session.path(&description.footage);
        let decoded = midline_media::pictures_at(&path, footage, PictureFormat::Rgb, &frames)?;
        for (stroke, event, frame) in wanted {
            let Some(picture) = decoded.iter().find(|p| p.frame_index == frame) else { continue };
            let Some(contact) = stroke.event(EventKind::Contact) else { continue };
            let seen = player_seconds(camera, tracks, picture.pts_seconds);
            pictures.push(KeyPicture {
                camera: camera.name.clone(),
                stroke: stroke.number,
                event,
                seconds_to_contact: seen - contact.session_seconds,
                size_px: picture.size_px,
                rgb: picture.pixels.clone(),
                skeleton_px: skeleton(camera, tracks, seen),
                racket_path_px: racket_path(camera, tracks, stroke),
            });
        }
    }
    Ok(pictures)
}

/// Row delay at the player (mid-hip, else 0) in seconds.
fn player_delay(camera: &CalibratedCamera, tracks: &Tracks, session_seconds: f64) -> f64 {
    ["left_hip", "right_hip"]
        .iter()
        .find_map(|name| pixel(camera, tracks, name, instant(tracks, session_seconds)?))
        .map_or(0.0, |px| camera.camera.row_delay_seconds(px.into()))
}

/// Presentation time of the frame in which the player is seen at a session time.
pub(crate) fn frame_pts(camera: &CalibratedCamera, tracks: &Tracks, session_seconds: f64) -> f64 {
    camera.clock.pts_seconds(session_seconds) - player_delay(camera, tracks, session_seconds)
}

/// Session time at which a frame saw the player.
pub(crate) fn player_seconds(camera: &CalibratedCamera, tracks: &Tracks, pts_seconds: f64) -> f64 {
    let first_row = camera.clock.session_seconds(pts_seconds);
    first_row + player_delay(camera, tracks, first_row)
}

fn instant(tracks: &Tracks, session_seconds: f64) -> Option<usize> {
    let after = tracks.session_seconds.partition_point(|t| *t < session_seconds);
    [after.checked_sub(1), Some(after)].into_iter().flatten().filter(|i| *i < tracks.session_seconds.len()).min_by(
        |a, b| {
            let gap = |i: &usize| (tracks.session_seconds[*i] - session_seconds).abs();
            gap(a).total_cmp(&gap(b))
        },
    )
}

fn pixel(camera: &CalibratedCamera, tracks: &Tracks, name: &str, instant: usize) -> Option<[f64; 2]> {
    let point = tracks.at(instant, tracks.column(name)?)?;
    camera.camera.project(&point.position_m.into()).map(Into::into)
}

pub(crate) fn skeleton(camera: &CalibratedCamera, tracks: &Tracks, session_seconds: f64) -> Vec<[[f64; 2]; 2]> {
    let Some(instant) = instant(tracks, session_seconds) else { return Vec::new() };
    CONNECTIONS
        .iter()
        .filter_map(|(a, b)| Some([pixel(camera, tracks, a, instant)?, pixel(camera, tracks, b, instant)?]))
        .collect()
}

/// The racket tip from the start of the take-back to contact.
fn racket_path(camera: &CalibratedCamera, tracks: &Tracks, stroke: &Stroke) -> Vec<[f64; 2]> {
    match (stroke.event(EventKind::TakeBackStart), stroke.event(EventKind::Contact)) {
        (Some(start), Some(contact)) => tip_path(camera, tracks, start.session_seconds, contact.session_seconds),
        _ => Vec::new(),
    }
}

/// The racket tip between two session times.
pub(crate) fn tip_path(camera: &CalibratedCamera, tracks: &Tracks, from: f64, to: f64) -> Vec<[f64; 2]> {
    let instants = tracks.session_seconds.iter().enumerate().filter(|(_, t)| (from..=to).contains(*t));
    instants.filter_map(|(i, _)| pixel(camera, tracks, "racket_tip", i)).collect()
}
