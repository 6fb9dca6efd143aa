//! The player's points of one instant from what cameras saw at their own times.

use midline_session::calibration::CalibratedCamera;
use midline_session::keypoints::Keypoints;
use nalgebra::Vector2;

use crate::player::{PlayerPoint, PlayerView};

/// How the points are taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlayerSettings {
    /// Time between the instants taken, seconds. What a detector gets wrong lasts longer than a frame, so that neighbouring
    /// frames tell little more than one of them.
    pub every_seconds: f64,
    /// Standard deviation of a coordinate of a point, px, with what the detector gets wrong in one view and not in the other.
    pub sd_px: f64,
    /// Least score of a point.
    pub least_score: f64,
    /// Frames farther apart than this are not interpolated between, seconds.
    pub longest_gap_seconds: f64,
    /// Fastest point that is used, px per second: faster ones are blurred and say more of the clock than of the rig.
    pub fastest_px_per_second: f64,
}

impl Default for PlayerSettings {
    fn default() -> Self {
        Self {
            every_seconds: 0.1,
            sd_px: 3.0,
            least_score: 0.5,
            longest_gap_seconds: 0.035,
            fastest_px_per_second: 600.0,
        }
    }
}

/// The player's points at instants of the first camera, each with every other camera's pixel interpolated to the instant at which
/// the first saw it (rows of both pictures counted). The clock's deviation times the point's speed is in a view's own.
///
/// `keypoints` are matched to cameras by name; points that fewer than two cameras see are left out.
#[must_use]
pub fn player_points(
    cameras: &[CalibratedCamera],
    keypoints: &[Keypoints],
    settings: &PlayerSettings,
) -> Vec<PlayerPoint> {
    let of = |camera: &CalibratedCamera| keypoints.iter().find(|own| own.camera == camera.name);
    let Some((first, others)) = cameras.split_first() else { return Vec::new() };
    let Some(own) = of(first) else { return Vec::new() };
    let paths: Vec<(usize, &CalibratedCamera, &Keypoints)> =
        others.iter().enumerate().filter_map(|(index, camera)| Some((index + 1, camera, of(camera)?))).collect();
    let mut points = Vec::new();
    let mut next_seconds = f64::NEG_INFINITY;
    for frame in &own.frames {
        if frame.pts_seconds < next_seconds {
            continue;
        }
        next_seconds = frame.pts_seconds + settings.every_seconds;
        for (name, point) in own.names.iter().zip(&frame.points) {
            let Some(point) = point.filter(|point| point.score >= settings.least_score) else { continue };
            let instant = first.seen_at_seconds(frame.pts_seconds, point.px);
            let mut views = vec![PlayerView { camera: 0, px: point.px, sd_px: settings.sd_px }];
            for (index, camera, keypoints) in &paths {
                views.extend(at_instant(camera, keypoints, name, instant, settings).map(|(px, sd_px)| PlayerView {
                    camera: *index,
                    px,
                    sd_px,
                }));
            }
            if views.len() >= 2 {
                points.push(PlayerPoint { views });
            }
        }
    }
    points
}

/// Pixel of a point at a session time, and its deviation.
fn at_instant(
    camera: &CalibratedCamera,
    keypoints: &Keypoints,
    name: &str,
    instant: f64,
    settings: &PlayerSettings,
) -> Option<([f64; 2], f64)> {
    let column = keypoints.column(name)?;
    let seen = |index: usize| {
        let frame = keypoints.frames.get(index)?;
        let point = frame.points.get(column)?.filter(|point| point.score >= settings.least_score)?;
        Some((camera.seen_at_seconds(frame.pts_seconds, point.px), Vector2::from(point.px)))
    };
    // The frame whose first row is the first after the instant; a point's own row may be exposed some frames later.
    let after = keypoints.frames.partition_point(|frame| camera.clock.session_seconds(frame.pts_seconds) < instant);
    let (a, b) = (after.saturating_sub(4)..after + 1).find_map(|index| {
        let (a, b) = (seen(index)?, seen(index + 1)?);
        (a.0 <= instant && instant < b.0).then_some((a, b))
    })?;
    let gap = b.0 - a.0;
    if gap > settings.longest_gap_seconds {
        return None;
    }
    let speed = ((b.1 - a.1) / gap).norm();
    if speed > settings.fastest_px_per_second {
        return None;
    }
    let pts_seconds = camera.clock.pts_seconds(instant);
    let clock_px = speed * camera.clock.sd_seconds(pts_seconds);
    let px = a.1 + (b.1 - a.1) * ((instant - a.0) / gap);
    Some((px.into(), settings.sd_px.hypot(clock_px)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_scene::{lens_model, look_at};
    use midline_geometry::{Camera, ReadOut};
    use midline_session::calibration::{CameraClock, ClockSource};
    use midline_session::keypoints::{Keypoint, KeypointFrame};
    use nalgebra::Point3;

    /// A point on a straight course, seen by two cameras whose frames never coincide and whose rows are read one by one.
    #[test]
    fn pixels_are_those_of_the_instant_of_the_first_camera() {
        let course = |t: f64| Point3::new(-0.5 + 0.4 * t, 0.8, 1.0 + 0.1 * t);
        let cameras: Vec<CalibratedCamera> = [[-5.0, -4.0, 1.6], [5.0, -4.0, 1.8]]
            .into_iter()
            .enumerate()
            .map(|(index, eye)| CalibratedCamera {
                name: ["fence", "gate"][index].to_owned(),
                camera: Camera {
                    intrinsics: lens_model(),
                    camera_from_world: look_at(eye, [0.0, 1.0, 1.0]),
                    read_out: ReadOut { seconds: 0.02, ..ReadOut::default() },
                },
                clock: CameraClock {
                    camera: ["fence", "gate"][index].to_owned(),
                    offset_seconds: -0.7 * index as f64,
                    rate: 1.0,
                    covariance: [[1e-6 * index as f64, 0.0], [0.0, 0.0]],
                    source: ClockSource::Motion,
                    estimates: Vec::new(),
                },
            })
            .collect();
        let keypoints: Vec<Keypoints> = cameras
            .iter()
            .map(|camera| Keypoints {
                camera: camera.name.clone(),
                names: vec!["nose".into()],
                remarks: Vec::new(),
                frames: (0..240)
                    .map(|frame_index| {
                        let pts_seconds = frame_index as f64 / 119.0;
                        // Where it is when its own row is exposed.
                        let mut px = camera.camera.project(&course(camera.clock.session_seconds(pts_seconds))).unwrap();
                        for _ in 0..4 {
                            px =
                                camera.camera.project(&course(camera.seen_at_seconds(pts_seconds, px.into()))).unwrap();
                        }
                        let point = Keypoint { px: px.into(), score: 0.9 };
                        KeypointFrame { frame_index, pts_seconds, points: vec![Some(point)] }
                    })
                    .collect(),
            })
            .collect();
        let points = player_points(&cameras, &keypoints, &PlayerSettings::default());
        assert!(points.len() > 9, "{}", points.len());
        for point in &points {
            let [a, b] = [&point.views[0], &point.views[1]];
            // The instant by which the first camera's pixel fits the course.
            let instant = (0..20_000)
                .map(|i| f64::from(i) * 1e-4)
                .min_by(|s, t| {
                    let off = |t: f64| (cameras[0].camera.project(&course(t)).unwrap() - Vector2::from(a.px)).norm();
                    off(*s).total_cmp(&off(*t))
                })
                .unwrap();
            let expected = cameras[1].camera.project(&course(instant)).unwrap();
            assert!((expected - Vector2::from(b.px)).norm() < 0.03, "{} {expected}", instant);
            // 1 ms at some 80 px per second.
            assert!(b.sd_px > 3.0 && b.sd_px < 3.01);
        }
        let fast = PlayerSettings { fastest_px_per_second: 1.0, ..PlayerSettings::default() };
        assert!(player_points(&cameras, &keypoints, &fast).is_empty());
        assert!(player_points(&cameras[..1], &keypoints, &PlayerSettings::default()).is_empty());
        assert!(player_points(&[], &[], &PlayerSettings::default()).is_empty());
    }
}
