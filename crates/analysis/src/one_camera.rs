//! One camera alone: what time and the picture plane carry.
//!
//! The picture's pixels become places in a plane: x to the right, z up the picture, y (depth) 0. Their scale comes from the
//! court's points around the player's feet where they are known. Else it comes from the player's own trunk and serves the search for
//! swings only; nothing that has a length is then reported.

use midline_session::keypoints::{KeypointFrame, Keypoints};
use midline_session::tracks::{Point3d, Tracks};
use nalgebra::{Matrix3, SMatrix, SVector, SymmetricEigen, Vector3};

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

/// Feet stand on the ground, racket and arm up to an arm's length nearer or farther: share of the scale (1 sd) at some 12 m.
const OUT_OF_PLANE_SHARE: f64 = 0.05;

/// What the court's points tell about lengths in one picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CourtInPicture {
    /// Homography; what it gives for pixels below the horizon has a positive third coordinate.
    ground_from_px: Matrix3<f64>,
}

impl CourtInPicture {
    /// From points on the ground, court frame in metres, and where they are seen in pixels: the normalised direct linear
    /// transformation (Hartley & Zisserman 2004, Multiple View Geometry, algorithm 4.2). `None` with fewer than four points, or
    /// when they lie on one line.
    #[must_use]
    pub fn new(ground_and_px: &[([f64; 2], [f64; 2])]) -> Option<Self> {
        if ground_and_px.len() < 4 {
            return None;
        }
        let ground = conditioning(ground_and_px.iter().map(|(g, _)| *g))?;
        let px = conditioning(ground_and_px.iter().map(|(_, p)| *p))?;
        let mut normal = SMatrix::<f64, 9, 9>::zeros();
        for (g, p) in ground_and_px {
            let (g, p) = (ground * Vector3::new(g[0], g[1], 1.0), px * Vector3::new(p[0], p[1], 1.0));
            for axis in 0..2 {
                let mut row = SVector::<f64, 9>::zeros();
                for k in 0..3 {
                    row[3 * axis + k] = g[k];
                    row[6 + k] = -p[axis] * g[k];
                }
                normal += row * row.transpose();
            }
        }
        let eigen = SymmetricEigen::new(normal);
        let mut order: Vec<usize> = (0..9).collect();
        order.sort_by(|a, b| eigen.eigenvalues[*a].total_cmp(&eigen.eigenvalues[*b]));
        // A second direction without cost: the points leave it open.
        if eigen.eigenvalues[order[1]] < 1e-9 * eigen.eigenvalues[order[8]] {
            return None;
        }
        let h = eigen.eigenvectors.column(order[0]);
        let conditioned = Matrix3::new(h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], h[8]);
        let ground_from_px = ground.try_inverse()? * conditioned.try_inverse()? * px;
        // Its sign is open; what is seen is on one side of the horizon.
        let sides = ground_and_px.iter().map(|(_, p)| (ground_from_px * Vector3::new(p[0], p[1], 1.0))[2].signum());
        let side = sides.reduce(|a, b| if a == b { a } else { 0.0 }).filter(|side| *side != 0.0)?;
        Some(Self { ground_from_px: ground_from_px * side })
    }

    /// Pixels per metre, square to the view, of what stands on the ground at this pixel. Lines on the ground that run
    /// parallel to the horizon keep their distance from the camera, so their scale is that of everything at this distance. `None`
    /// at the horizon and above it.
    #[must_use]
    pub fn px_per_metre(&self, foot_px: [f64; 2]) -> Option<f64> {
        let horizon = self.ground_from_px.row(2).transpose();
        let along = Vector3::new(horizon[1], -horizon[0], 0.0).try_normalize(1e-12).unwrap_or_else(Vector3::x);
        let place = |px: Vector3<f64>| {
            let g = self.ground_from_px * px;
            (g[2] > 0.0).then(|| [g[0] / g[2], g[1] / g[2]])
        };
        let foot = Vector3::new(foot_px[0], foot_px[1], 1.0);
        let (a, b) = (place(foot - along * 0.5)?, place(foot + along * 0.5)?);
        let metres = (b[0] - a[0]).hypot(b[1] - a[1]);
        let scale = 1.0 / metres;
        (scale.is_finite() && metres > 1e-6).then_some(scale)
    }
}

/// Moves points to their middle and scales them to a mean distance of √2 from it.
fn conditioning(points: impl Iterator<Item = [f64; 2]> + Clone) -> Option<Matrix3<f64>> {
    let n = points.clone().count() as f64;
    let sum = points.clone().fold([0.0, 0.0], |sum, p| [sum[0] + p[0], sum[1] + p[1]]);
    let middle = sum.map(|s| s / n);
    let mean = points.map(|p| (p[0] - middle[0]).hypot(p[1] - middle[1])).sum::<f64>() / n;
    let k = std::f64::consts::SQRT_2 / mean;
    (k.is_finite() && k > 0.0).then(|| Matrix3::new(k, 0.0, -k * middle[0], 0.0, k, -k * middle[1], 0.0, 0.0, 1.0))
}

/// Places in the picture plane.
#[derive(Debug, Clone, PartialEq)]
pub struct PictureTracks {
    /// One row per frame, metres.
    pub tracks: Tracks,
    /// Standard deviation of the metre as a share of it, when the court gave it; `None` when it is a guess from the trunk's length, on
    /// which only thresholds may rest.
    pub scale_sd_share: Option<f64>,
}

/// Places in the picture plane, in metres by the court where its points are known and the player's feet are seen, else by the trunk's
/// length.
///
/// # Errors
/// When the four joints of the trunk are in fewer than ten frames.
pub fn picture_tracks(keypoints: &Keypoints, court: Option<&CourtInPicture>) -> Result<PictureTracks, AnalysisError> {
    let joints = ["left_shoulder", "right_shoulder", "left_hip", "right_hip"];
    let trunk = middles(keypoints, [joints[0], joints[1]]).zip(middles(keypoints, [joints[2], joints[3]]));
    let lengths: Vec<f64> = trunk.map_or_else(Vec::new, |(shoulders, hips)| {
        let both = shoulders.into_iter().zip(hips);
        both.filter_map(|(s, h)| s.zip(h)).map(|(s, h)| (s[0] - h[0]).hypot(s[1] - h[1])).collect()
    });
    if lengths.len() < 10 {
        return Err(AnalysisError::MissingPoints { needed: joints.join(", ") });
    }
    let trunk_px = median(lengths).max(1.0);
    let by_court = court.and_then(|court| court_scale(keypoints, court));
    let scale = by_court.map_or(TRUNK_M / trunk_px, |(metres_per_px, _)| metres_per_px);
    let variance = (SD_SHARE * trunk_px * scale).powi(2);
    let covariance_m2 = [[variance, 0.0, 0.0], [0.0, 1e-9, 0.0], [0.0, 0.0, variance]];
    let place = |px: [f64; 2]| Point3d {
        position_m: [px[0] * scale, 0.0, -px[1] * scale],
        covariance_m2,
        reprojection_px: 0.0,
        views: 1,
    };
    let tracks = Tracks {
        names: keypoints.names.clone(),
        session_seconds: keypoints.frames.iter().map(|frame| frame.pts_seconds).collect(),
        points: keypoints
            .frames
            .iter()
            .map(|frame| frame.points.iter().map(|p| p.as_ref().map(|p| place(p.px))).collect())
            .collect(),
    };
    Ok(PictureTracks { tracks, scale_sd_share: by_court.map(|(_, sd_share)| sd_share) })
}

/// Metres per pixel where the player stands, and the share by which it varies while the player moves and reaches out of the plane.
fn court_scale(keypoints: &Keypoints, court: &CourtInPicture) -> Option<(f64, f64)> {
    let feet = middles(keypoints, ["left_ankle", "right_ankle"])?;
    let mut scales: Vec<f64> = feet.into_iter().flatten().filter_map(|px| court.px_per_metre(px)).collect();
    if scales.len() < 10 {
        return None;
    }
    scales.sort_by(f64::total_cmp);
    let at = |share: f64| scales.get((share * (scales.len() - 1) as f64) as usize).copied();
    let (middle, low, high) = (at(0.5)?, at(0.16)?, at(0.84)?);
    Some((1.0 / middle, ((high - low) / (2.0 * middle)).hypot(OUT_OF_PLANE_SHARE)))
}

/// The middle between two points in every frame, pixels; `None` when a point is not in the set.
fn middles(keypoints: &Keypoints, names: [&str; 2]) -> Option<Vec<Option<[f64; 2]>>> {
    let [a, b] = [keypoints.column(names[0])?, keypoints.column(names[1])?];
    let middle = |frame: &KeypointFrame| {
        let at = |i: usize| frame.points.get(i)?.as_ref().map(|p| p.px);
        let (a, b) = (at(a)?, at(b)?);
        Some([(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0])
    };
    Some(keypoints.frames.iter().map(middle).collect())
}

#[cfg(test)]
mod tests {
    use midline_session::calibration::Vertical;
    use midline_session::keypoints::Keypoint;
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
        let PictureTracks { tracks, scale_sd_share } = picture_tracks(&keypoints, None).unwrap();
        assert_eq!(scale_sd_share, None);
        let input = StrokeInput {
            tracks: &tracks,
            motions: &[],
            handedness: midline_session::description::Handedness::Right,
            impacts: &impacts,
            frame_rates_hz: &[recording.rate_hz],
            clock_sd_seconds: 0.0,
            vertical: Vertical::Unknown,
            one_camera: true,
            picture_scale_sd_share: scale_sd_share,
            set_events: &[],
            marked_events: &[],
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

    /// A camera without roll at 2.2 m height, pitched down, 12 m away from the player's place, f = 1400 px.
    fn seen(world: [f64; 3]) -> [f64; 2] {
        let (place, pitch) = (Vector3::new(-11.0, 3.0, 2.2), -0.12_f64);
        let ahead = Vector3::new(pitch.cos(), -0.25 * pitch.cos(), pitch.sin()).normalize();
        let right = ahead.cross(&Vector3::z()).normalize();
        let down = ahead.cross(&right);
        let p = Vector3::from(world) - place;
        [960.0 + 1400.0 * p.dot(&right) / p.dot(&ahead), 540.0 + 1400.0 * p.dot(&down) / p.dot(&ahead)]
    }

    #[test]
    fn the_court_gives_the_metre_where_the_player_stands() {
        let corners = [[-4.115, 0.0], [4.115, 0.0], [-4.115, 5.485], [4.115, 5.485], [0.0, 5.485]];
        let points = corners.map(|g| (g, seen([g[0], g[1], 0.0])));
        let court = CourtInPicture::new(&points).unwrap();
        for foot in [[0.5, 0.5], [3.0, -1.0], [-2.0, 4.0]] {
            let px = seen([foot[0], foot[1], 0.0]);
            let scale = court.px_per_metre(px).unwrap();
            // A pole of 1 m: its length in the picture, foreshortened by the pitch (0.7 %) and nearer at the top.
            let top = seen([foot[0], foot[1], 1.0]);
            let pole = (top[0] - px[0]).hypot(top[1] - px[1]);
            assert!((pole / scale - 1.0).abs() < 0.02, "{foot:?} {pole} {scale}");
        }
        assert_eq!(court.px_per_metre([960.0, 100.0]), None, "in the sky");
        assert!(CourtInPicture::new(&points[..3]).is_none());
        let on_a_line = [0.0, 1.0, 2.0, 3.0, 4.0].map(|y| ([0.0, y], seen([0.0, y, 0.0])));
        assert!(CourtInPicture::new(&on_a_line).is_none());
    }

    #[test]
    fn with_the_court_seen_the_speed_in_the_picture_plane_is_in_metres() {
        let recording = Recording { noise_m: 0.004, rate_hz: 240.0, ..Recording::default() };
        let (keypoints, impacts) = keypoints(&recording);
        // 110 px per metre in the plane that the camera sees, the ground a strip below it.
        let ground = |g: [f64; 2]| [900.0 + 110.0 * g[1], 800.0 + 12.0 * g[0]];
        let points = [[-3.0, -3.0], [-3.0, 3.0], [3.0, -3.0], [3.0, 3.0]].map(|g| (g, ground(g)));
        let court = CourtInPicture::new(&points).unwrap();
        let picture = picture_tracks(&keypoints, Some(&court)).unwrap();
        assert!((picture.scale_sd_share.unwrap() - 0.05).abs() < 0.01, "{picture:?}");
        let recorded = record(&TestSwing::default(), &recording);
        let input = StrokeInput {
            tracks: &picture.tracks,
            impacts: &impacts,
            vertical: Vertical::Unknown,
            one_camera: true,
            picture_scale_sd_share: picture.scale_sd_share,
            ..recorded.input()
        };
        let strokes = analyse_with(&input, 24).unwrap();
        let stroke = &strokes.strokes[0];
        let found = stroke.measure("tip-speed-contact-picture").unwrap();
        // The made-up racket points along this view for a part of the forward swing: then it is refused with that reason.
        match &found.outcome {
            Outcome::Measured { value, interval_95: [low, high] } => {
                assert!((15.0..40.0).contains(value) && high - low > 0.15 * value, "{found:?}");
            }
            Outcome::NotMeasurable { because } => assert!(because.contains("along the view"), "{because}"),
        }
    }

    #[test]
    fn sound_is_taken_back_by_its_travel_time() {
        // 343.2 m/s at 20 °C (any handbook of physics; from memory).
        let impacts = impacts_heard_by_one(&[1.0], 20.0);
        assert!((impacts[0].session_seconds - (1.0 - 10.0 / 343.2)).abs() < 1e-5);
    }
}
