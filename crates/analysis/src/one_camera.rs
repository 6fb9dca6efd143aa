//! One camera alone: what time and the picture plane carry.
//!
//! The picture's pixels become places in a plane: x to the right, z up the picture, y (depth) 0. Their scale comes from the
//! player's own trunk and serves the search for swings only; nothing that has a length is reported.

use midline_session::keypoints::Keypoints;
use midline_session::tracks::{Point3d, Tracks};

use crate::error::AnalysisError;
use crate::input::SoundImpact;
use crate::swings::median;

/// Length from mid-hip to mid-shoulder that sets the scale, metres: about 0.29 of a stature of 1.75 m between shoulder and hip
/// joint centres (after de Leva 1996, J Biomech 29:1223; rounded, from memory). Only thresholds rest on it.
const TRUNK_M: f64 = 0.50;

/// Standard deviation of a keypoint's coordinate as a share of the trunk's length in the picture: some 2 px where the trunk is
/// 100 px long. Scatter beyond it enlarges it (module `smoothing`).
const SD_SHARE: f64 = 0.02;

/// How far the camera may stand from the court's impacts, metres, and the standard deviation of that: sound is that much late.
const DISTANCE_M: f64 = 10.0;
const DISTANCE_SD_M: f64 = 4.0;

/// Sounds heard by one camera (presentation times, seconds) as impacts, with the travel time of a usual distance taken off. Speed of
/// sound in dry air: 331.3 m/s √(1 + T / 273.15 °C).
#[must_use]
pub fn impacts_heard_by_one(heard_pts_seconds: &[f64], air_celsius: f64) -> Vec<SoundImpact> {
    let speed_m_s = 331.3 * (1.0 + air_celsius / 273.15).max(0.1).sqrt();
    heard_pts_seconds
        .iter()
        .map(|pts| SoundImpact { session_seconds: pts - DISTANCE_M / speed_m_s, sd_seconds: DISTANCE_SD_M / speed_m_s })
        .collect()
}

/// Places in the picture plane, in metres by the trunk's length.
///
/// # Errors
/// When the four joints of the trunk are in fewer than ten frames.
pub fn picture_tracks(keypoints: &Keypoints) -> Result<Tracks, AnalysisError> {
    let column = |name: &str| keypoints.column(name);
    let joints = ["left_shoulder", "right_shoulder", "left_hip", "right_hip"];
    let missing = || AnalysisError::MissingPoints { needed: joints.join(", ") };
    let columns: Vec<usize> = joints.iter().map(|name| column(name)).collect::<Option<_>>().ok_or_else(missing)?;
    let trunks: Vec<f64> = keypoints
        .frames
        .iter()
        .filter_map(|frame| {
            let at = |i: usize| frame.points.get(columns[i])?.as_ref().map(|p| p.px);
            let (a, b, c, d) = (at(0)?, at(1)?, at(2)?, at(3)?);
            let gap = |axis: usize| (a[axis] + b[axis] - c[axis] - d[axis]) / 2.0;
            Some(gap(0).hypot(gap(1)))
        })
        .collect();
    if trunks.len() < 10 {
        return Err(missing());
    }
    let scale = TRUNK_M / median(trunks).max(1.0);
    let variance = (SD_SHARE * TRUNK_M).powi(2);
    let covariance_m2 = [[variance, 0.0, 0.0], [0.0, 1e-9, 0.0], [0.0, 0.0, variance]];
    let place = |px: [f64; 2]| Point3d {
        position_m: [px[0] * scale, 0.0, -px[1] * scale],
        covariance_m2,
        reprojection_px: 0.0,
        views: 1,
    };
    Ok(Tracks {
        names: keypoints.names.clone(),
        session_seconds: keypoints.frames.iter().map(|frame| frame.pts_seconds).collect(),
        points: keypoints
            .frames
            .iter()
            .map(|frame| frame.points.iter().map(|p| p.as_ref().map(|p| place(p.px))).collect())
            .collect(),
    })
}

#[cfg(test)]
mod tests {
    use midline_session::calibration::Vertical;
    use midline_session::keypoints::{Keypoint, KeypointFrame};
    use midline_session::strokes::{EventKind, Outcome, StrokeKind};

    use super::*;
    use crate::analyse::analyse_with;
    use crate::input::StrokeInput;
    use crate::test_swing::{BOUNCE_SECONDS, Recording, TestSwing, measured, record};

    /// What a camera on the side sees of the made-up swing: the court's y to the right, z up, at 110 px per metre.
    fn keypoints(recording: &Recording) -> (Keypoints, Vec<SoundImpact>) {
        let recorded = record(&TestSwing::default(), recording);
        let frames = recorded
            .tracks
            .session_seconds
            .iter()
            .zip(&recorded.tracks.points)
            .enumerate()
            .map(|(frame_index, (pts, row))| KeypointFrame {
                frame_index,
                pts_seconds: *pts,
                points: row
                    .iter()
                    .map(|p| {
                        let [_, y, z] = p.as_ref()?.position_m;
                        Some(Keypoint { px: [900.0 + 110.0 * y, 800.0 - 110.0 * z], score: 1.0 })
                    })
                    .collect(),
            })
            .collect();
        let keypoints =
            Keypoints { camera: "only".to_owned(), names: recorded.tracks.names.clone(), frames, remarks: Vec::new() };
        (keypoints, recorded.impacts)
    }

    #[test]
    fn one_camera_times_the_phases_and_refuses_what_needs_depth() {
        let recording = Recording { noise_m: 0.008, ..Recording::default() };
        let (keypoints, impacts) = keypoints(&recording);
        let tracks = picture_tracks(&keypoints).unwrap();
        let input = StrokeInput {
            tracks: &tracks,
            motions: &[],
            handedness: midline_session::description::Handedness::Right,
            impacts: &impacts,
            frame_rates_hz: &[recording.rate_hz],
            clock_sd_seconds: 0.0,
            vertical: Vertical::Unknown,
            one_camera: true,
            set_events: &[],
            suspicions: &[],
        };
        let strokes = analyse_with(&input, 24).unwrap();
        let stroke = &strokes.strokes[0];
        let at = |kind| stroke.event(kind).map(|e| e.session_seconds - recording.contact_seconds);
        assert!(at(EventKind::Contact).unwrap().abs() < 0.005, "{:?}", at(EventKind::Contact));
        assert!((at(EventKind::Bounce).unwrap() - BOUNCE_SECONDS).abs() < 0.01, "{:?}", at(EventKind::Bounce));
        assert!(at(EventKind::TakeBackStart).is_some() && at(EventKind::ShoulderTurnStart).is_none());
        let values = measured(stroke);
        for id in ["take-back-minus-bounce-hand", "bounce-to-contact", "forward-start-to-contact"] {
            assert!(values.contains_key(id), "{id}: {:?}", stroke.measure(id));
        }
        for id in ["tip-speed-contact", "dominant-shoulder-ahead", "tip-farthest-across", "separation-contact"] {
            let Outcome::NotMeasurable { because } = &stroke.measure(id).unwrap().outcome else { panic!("{id}") };
            assert!(because.contains("not measurable with one camera"), "{id}: {because}");
        }
        assert_eq!(strokes.kind(1), StrokeKind::Unknown);
    }

    #[test]
    fn sound_is_taken_back_by_its_travel_time() {
        // 343.2 m/s at 20 °C (any handbook of physics; from memory).
        let impacts = impacts_heard_by_one(&[1.0], 20.0);
        assert!((impacts[0].session_seconds - (1.0 - 10.0 / 343.2)).abs() < 1e-5);
    }
}
