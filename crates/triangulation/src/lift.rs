//! Whole tracks from several cameras.

use std::collections::BTreeSet;

use midline_geometry::Camera;
use midline_session::calibration::{CalibratedCamera, ClockSource, LensCalibration, RigCalibration};
use midline_session::keypoints::Keypoints;
use midline_session::lift_quality::{PixelNoise, PointQuality, ScoreCurve};
use midline_session::motion::SdParts;
use midline_session::tracks::{Point3d, Tracks};
use rayon::prelude::*;

use crate::agreement::{Agreeing, Judge};
use crate::calibration_error::{CalibratedView, CalibrationCovariance, CalibrationError, ErrorParts};
use crate::camera_tracks::CameraTracks;
use crate::interpolation::Interpolated;
use crate::pair::{Pair, Pairs};
use crate::score_curves::{MOST_NODES, Residual, Share, score_curves};
use crate::screening::screened;
use crate::side_swaps::{exchanged_frames, pairs};

/// Instants from which the noise of a name is estimated, at most; spread over all.
const MOST_INSTANTS_FOR_NOISE: usize = 500;

/// Settings of [`lift`].
#[derive(Debug, Clone, PartialEq)]
pub struct LiftSettings {
    /// A pixel coordinate's standard deviation at score 1 before anything is known of it, in pixels; it is taken to grow as
    /// 1 / score. Level and growth are then estimated from the residuals; see [`ScoreCurve`].
    pub sd_px_at_full_score: f64,
    /// Views that disagree by more than this many standard deviations give no point.
    pub gross_error_sds: f64,
}

impl Default for LiftSettings {
    fn default() -> Self {
        Self { sd_px_at_full_score: 1.0, gross_error_sds: 4.0 }
    }
}

/// What [`lift`] gives back.
#[derive(Debug, Clone, PartialEq)]
pub struct Lifted {
    /// The tracks; each covariance is the total of pixels, poses, lenses and clocks.
    pub tracks: Tracks,
    /// Standard deviation of each point of the tracks by origin, metres; `[instant][name]`.
    pub sd_parts_m: Vec<Vec<Option<SdParts>>>,
    /// The keypoints as they were used, sides put right; for [`crate::lift_strokes`].
    pub keypoints: Vec<Keypoints>,
    /// Noise of the pixels and what makes up the uncertainty, one per name.
    pub quality: Vec<PointQuality>,
    /// What was noticed and done, one sentence each.
    pub remarks: Vec<String>,
}

/// Why nothing could be lifted.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LiftError {
    /// Keypoints of a camera that is not among the calibrated ones.
    #[error(
        "keypoints are from camera \"{camera}\", but the calibrated cameras are {known}; calibrate it or correct the name"
    )]
    UnknownCamera {
        /// The camera named by the keypoints.
        camera: String,
        /// The calibrated cameras.
        known: String,
    },
    /// A camera without pose or lens.
    #[error("camera \"{camera}\" has keypoints but no place in the rig; run the rig stage with it")]
    NotInRig {
        /// The camera.
        camera: String,
    },
    /// Two sets of keypoints for one camera.
    #[error("camera \"{camera}\" has more than one set of keypoints; keep one")]
    Twice {
        /// The camera.
        camera: String,
    },
    /// Fewer than two cameras with points.
    #[error("{cameras} camera(s) with keypoints; at least two are needed to find points in 3D")]
    TooFewCameras {
        /// Cameras with at least one point.
        cameras: usize,
    },
    /// The cameras' points are from different times.
    #[error(
        "points of camera \"{first}\" span {:.3} to {:.3} s of session time, those of camera \"{second}\" {:.3} to {:.3} s: no overlap; check the clocks and that the clips are of one stroke",
        .first_seconds[0], .first_seconds[1], .second_seconds[0], .second_seconds[1]
    )]
    NoOverlap {
        /// The reference camera.
        first: String,
        /// Session times of its first and last point.
        first_seconds: [f64; 2],
        /// The other camera.
        second: String,
        /// Session times of its first and last point.
        second_seconds: [f64; 2],
    },
    /// Frames that go back in time.
    #[error(
        "camera \"{camera}\": frame {frame_index} has the time stamp {pts_seconds} s, the frame before it {before_seconds} s; time stamps must be numbers and rise; import the points again"
    )]
    TimeNotRising {
        /// The camera.
        camera: String,
        /// The frame.
        frame_index: usize,
        /// Its time stamp.
        pts_seconds: f64,
        /// The time stamp before.
        before_seconds: f64,
    },
    /// A contact whose time or uncertainty is not a number.
    #[error("contact {number}: {seconds} s with a standard deviation of {sd_seconds} s; both must be numbers")]
    BadContact {
        /// Counted from 1.
        number: usize,
        /// Its session time.
        seconds: f64,
        /// Its standard deviation.
        sd_seconds: f64,
    },
    /// A setting that cannot be used.
    #[error("setting {name} is {value}; it must be a positive number")]
    BadSetting {
        /// The setting.
        name: &'static str,
        /// Its value.
        value: f64,
    },
    /// The covariance of the calibration cannot be used.
    #[error(transparent)]
    Calibration(#[from] CalibrationError),
}

/// What became of one name at one instant.
#[derive(Debug, Clone, Copy)]
enum Outcome {
    /// Fewer than two views.
    Unseen,
    /// The views agree.
    Found(Point3d, SdParts),
    /// They do not, or the rays do not meet.
    Refused,
}

/// The 3D tracks of all points seen by two or more cameras.
///
/// The output instants are the session times of the reference camera's frames (first row) at which at least one other
/// camera has points too; the reference camera is the one that the clock stage took, else the first with keypoints. Every
/// camera's track is interpolated to them from the instants at which its rows were exposed: cubic where frames are dense,
/// linear elsewhere, never across a gap of more than 2.5 frames. Contact is not known here yet: the strokes
/// are lifted by [`crate::lift_strokes`], which fits each side of it alone.
///
/// Pixel standard deviations follow a curve of the detector's score, one for each name, estimated from how far the cameras
/// are from agreeing; errors of the calibration that show there are thereby counted as pixel noise too, on the safe side. A
/// point whose views disagree grossly is `None`; a left-right pair that agrees once the two are exchanged in one camera is
/// exchanged. Both are told in the remarks.
///
/// # Errors
/// Keypoints of unknown cameras or of cameras without calibration, fewer than two cameras with points, no common time; see
/// [`LiftError`].
pub fn lift(
    cameras: &[CalibratedCamera],
    lenses: &[LensCalibration],
    rig: &RigCalibration,
    keypoints: &[Keypoints],
    settings: &LiftSettings,
) -> Result<Lifted, LiftError> {
    check_settings(settings)?;
    let calibration = CalibrationCovariance::new(rig, lenses)?;
    let names = all_names(keypoints);
    let mut remarks = Vec::new();
    let assumed = ScoreCurve::assumed(settings.sd_px_at_full_score);
    let mut tracks = camera_tracks(cameras, &calibration, keypoints, &names, &assumed, &mut remarks)?;
    for lens in lenses.iter().filter(|l| l.covariance.is_empty() && tracks.iter().any(|t| t.camera.name == l.camera)) {
        remarks.push(format!(
            "The lens of camera {} comes without a covariance: its error is not in the intervals.",
            lens.camera
        ));
    }
    let session_seconds = grid(&tracks)?;
    let seen_by: Vec<&Camera> = tracks.iter().map(|t| &t.camera.camera).collect();
    let judge = Judge { calibration: &calibration, pairs: Pairs::new(&seen_by), limit_sds: settings.gross_error_sds };
    let mut noise = learn_noise(&mut tracks, &session_seconds, &names, &judge.pairs, &assumed);
    if put_sides_right(&mut tracks, &names, &judge, &mut remarks) {
        noise = learn_noise(&mut tracks, &session_seconds, &names, &judge.pairs, &assumed);
    }
    let outcomes: Vec<Vec<Outcome>> = session_seconds
        .par_iter()
        .map(|&seconds| (0..names.len()).map(|name| outcome(&tracks, name, seconds, &judge)).collect())
        .collect();
    let points: Vec<PointQuality> = names
        .iter()
        .zip(noise)
        .enumerate()
        .map(|(column, (name, noise))| quality(name, noise, &outcomes, column))
        .collect();
    for point in points.iter().filter(|p| p.refused > 0) {
        remarks.push(format!(
            "{}: {} of {} instants left out because the views contradict each other or meet at too small an angle.",
            point.name,
            point.refused,
            session_seconds.len()
        ));
    }
    remarks.extend(noise_remark(&points));
    let found =
        |outcome: &Outcome| if let Outcome::Found(point, parts) = outcome { Some((*point, *parts)) } else { None };
    let of_instants = |instant: &Vec<Outcome>| instant.iter().map(|o| found(o).map(|(point, _)| point)).collect();
    let parts_of = |instant: &Vec<Outcome>| instant.iter().map(|o| found(o).map(|(_, parts)| parts)).collect();
    Ok(Lifted {
        sd_parts_m: outcomes.iter().map(parts_of).collect(),
        tracks: Tracks { names, session_seconds, points: outcomes.iter().map(of_instants).collect() },
        keypoints: tracks.into_iter().map(|t| t.keypoints).collect(),
        quality: points,
        remarks,
    })
}

fn check_settings(settings: &LiftSettings) -> Result<(), LiftError> {
    for (name, value) in
        [("sd_px_at_full_score", settings.sd_px_at_full_score), ("gross_error_sds", settings.gross_error_sds)]
    {
        if !(value > 0.0 && value.is_finite()) {
            return Err(LiftError::BadSetting { name, value });
        }
    }
    Ok(())
}

/// All names in the order in which the cameras bring them.
fn all_names(keypoints: &[Keypoints]) -> Vec<String> {
    let mut known = BTreeSet::new();
    keypoints.iter().flat_map(|k| &k.names).filter(|name| known.insert(name.as_str())).cloned().collect()
}

fn camera_tracks<'a>(
    cameras: &'a [CalibratedCamera],
    calibration: &CalibrationCovariance,
    keypoints: &[Keypoints],
    names: &[String],
    assumed: &ScoreCurve,
    remarks: &mut Vec<String>,
) -> Result<Vec<CameraTracks<'a>>, LiftError> {
    let mut all: Vec<CameraTracks> = Vec::new();
    for own in keypoints {
        let name = &own.camera;
        let camera = cameras.iter().find(|c| &c.name == name).ok_or_else(|| LiftError::UnknownCamera {
            camera: name.clone(),
            known: cameras.iter().map(|c| format!("\"{}\"", c.name)).collect::<Vec<_>>().join(", "),
        })?;
        let index = calibration.camera(name).ok_or_else(|| LiftError::NotInRig { camera: name.clone() })?;
        if all.iter().any(|t| t.index == index) {
            return Err(LiftError::Twice { camera: name.clone() });
        }
        let (own, told) = screened(camera, own)?;
        remarks.extend(told);
        let tracks = CameraTracks::new(camera, index, own, names, assumed);
        if tracks.span_seconds().is_some() {
            all.push(tracks);
        } else {
            remarks.push(format!("Camera {name} has no points."));
        }
    }
    if all.len() < 2 {
        return Err(LiftError::TooFewCameras { cameras: all.len() });
    }
    Ok(all)
}

/// Session times of the reference camera's frames at which another camera has points too.
fn grid(tracks: &[CameraTracks]) -> Result<Vec<f64>, LiftError> {
    let reference = tracks.iter().position(|t| t.camera.clock.source == ClockSource::Reference).unwrap_or_default();
    let spans: Vec<[f64; 2]> = tracks.iter().filter_map(CameraTracks::span_seconds).collect();
    let others: Vec<usize> = (0..spans.len()).filter(|&i| i != reference).collect();
    let within = |camera: usize, seconds: f64| (spans[camera][0]..=spans[camera][1]).contains(&seconds);
    let own = &tracks[reference];
    let seconds: Vec<f64> = own
        .keypoints
        .frames
        .iter()
        .map(|frame| own.camera.clock.session_seconds(frame.pts_seconds))
        .filter(|&s| within(reference, s) && others.iter().any(|&other| within(other, s)))
        .collect();
    match others.first() {
        Some(&other) if seconds.is_empty() => Err(LiftError::NoOverlap {
            first: own.camera.name.clone(),
            first_seconds: spans[reference],
            second: tracks[other].camera.name.clone(),
            second_seconds: spans[other],
        }),
        _ => Ok(seconds),
    }
}

/// Estimates the noise of each name from how far the cameras are from agreeing, and has the tracks take it.
fn learn_noise(
    tracks: &mut [CameraTracks],
    session_seconds: &[f64],
    names: &[String],
    pairs: &Pairs,
    assumed: &ScoreCurve,
) -> Vec<PixelNoise> {
    let every = session_seconds.len().div_ceil(MOST_INSTANTS_FOR_NOISE).max(1);
    let seconds: Vec<f64> = session_seconds.iter().copied().step_by(every).collect();
    let residuals: Vec<Vec<Residual>> = (0..names.len())
        .into_par_iter()
        .map(|name| seconds.iter().flat_map(|&at| residuals(tracks, name, at, pairs)).collect())
        .collect();
    let noise = score_curves(&residuals, assumed);
    for track in tracks {
        track.set_noise(noise.iter().map(|n| n.curve).collect());
    }
    noise
}

/// What each two cameras leave of the epipolar constraint of a name at an instant.
fn residuals(tracks: &[CameraTracks], name: usize, seconds: f64, pairs: &Pairs) -> Vec<Residual> {
    let seen: Vec<(&Camera, Interpolated)> =
        tracks.iter().filter_map(|t| Some((&t.camera.camera, t.at(name, seconds)?))).collect();
    let mut found = Vec::new();
    for (index, (camera, at)) in seen.iter().enumerate() {
        for (other_camera, other) in &seen[index + 1..] {
            let pair = pairs.of([*camera, *other_camera]);
            found.extend(pair.and_then(|pair| residual(pair, [at, other])));
        }
    }
    found
}

fn residual(pair: &Pair, seen: [&Interpolated; 2]) -> Option<Residual> {
    let found = pair.disparity(seen.map(|at| at.px))?;
    let [a, b] = found.variance_by_pixel;
    let scale = 1.0 / (a + b);
    let mut shares = [Share::default(); 2 * MOST_NODES];
    let given = seen.iter().zip([a * scale, b * scale]).flat_map(|(at, by)| at.shares.iter().map(move |s| (by, s)));
    for (share, (by_pixel, given)) in shares.iter_mut().zip(given) {
        *share = Share { weight: by_pixel * given.weight, score: given.score };
    }
    Some(Residual { squared: found.value * found.value * scale, shares })
}

fn noise_remark(points: &[PointQuality]) -> Option<String> {
    let curves = || points.iter().map(|p| p.noise.curve);
    let range = |values: &dyn Fn() -> Vec<f64>| {
        let values = values();
        Some((values.iter().copied().reduce(f64::min)?, values.iter().copied().reduce(f64::max)?))
    };
    let at_score = points.first()?.noise.curve.at_score;
    if points.iter().all(|p| p.noise.residuals == 0) {
        return Some(format!(
            "Too few sights to estimate the noise of the pixels: {:.1} px at score 1, growing as 1 / score, is assumed.",
            curves().next()?.sd_px(1.0)
        ));
    }
    let (low, high) = range(&|| curves().map(|c| c.sd_px).collect())?;
    let (least, steepest) = range(&|| curves().map(|c| c.exponent).collect())?;
    Some(format!(
        "Noise of the pixels, estimated from how far the cameras are from agreeing: {low:.1} to {high:.1} px by keypoint at score {at_score:.2}, growing as 1 / score to the power of {least:.1} to {steepest:.1}."
    ))
}

/// Exchanges left and right back where a camera takes them for each other; whether anything was changed.
fn put_sides_right(tracks: &mut [CameraTracks], names: &[String], judge: &Judge, remarks: &mut Vec<String>) -> bool {
    let mut changed = false;
    for pair in pairs(names) {
        let found: Vec<Vec<usize>> =
            (0..tracks.len()).map(|camera| exchanged_frames(pair, camera, tracks, judge)).collect();
        for (track, frames) in tracks.iter_mut().zip(found).filter(|(_, frames)| !frames.is_empty()) {
            remarks.push(format!(
                "Camera {}: {} and {} were exchanged in {} of {} frames; put right.",
                track.camera.name,
                names[pair[0]],
                names[pair[1]],
                frames.len(),
                track.keypoints.frames.len()
            ));
            track.exchange(pair, &frames);
            changed = true;
        }
    }
    changed
}

fn outcome(tracks: &[CameraTracks], name: usize, seconds: f64, judge: &Judge) -> Outcome {
    let views: Vec<CalibratedView> = tracks.iter().filter_map(|t| t.seen_at(name, seconds)).collect();
    if views.len() < 2 {
        return Outcome::Unseen;
    }
    let found = judge.agreeing(&views).ok();
    let measured = found.and_then(|found| measured(&views, &found, judge.calibration));
    measured.map_or(Outcome::Refused, |(point, parts)| Outcome::Found(point, parts))
}

fn measured(
    views: &[CalibratedView],
    found: &Agreeing,
    calibration: &CalibrationCovariance,
) -> Option<(Point3d, SdParts)> {
    let used: Vec<CalibratedView> = found.used.iter().map(|&i| views[i]).collect();
    let parts = calibration.error_parts(&found.point.position, &used).ok()?;
    let point = Point3d {
        position_m: found.point.position.coords.into(),
        covariance_m2: parts.total().into(),
        reprojection_px: found.point.reprojection_px,
        views: u32::try_from(used.len()).ok()?,
    };
    Some((point, sds(&parts)))
}

fn sds(parts: &ErrorParts) -> SdParts {
    let [pixels, poses, lenses, clocks] =
        [parts.pixels, parts.poses, parts.lenses, parts.clocks].map(|part| part.trace().sqrt());
    SdParts { pixels, poses, lenses, clocks }
}

fn quality(name: &str, noise: PixelNoise, outcomes: &[Vec<Outcome>], column: usize) -> PointQuality {
    let parts: Vec<SdParts> = outcomes
        .iter()
        .filter_map(|instant| if let Outcome::Found(_, parts) = instant[column] { Some(parts) } else { None })
        .collect();
    let median = |part: fn(&SdParts) -> f64| {
        let mut values: Vec<f64> = parts.iter().map(part).collect();
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied()
    };
    let sd_m = || {
        Some(SdParts {
            pixels: median(|p| p.pixels)?,
            poses: median(|p| p.poses)?,
            lenses: median(|p| p.lenses)?,
            clocks: median(|p| p.clocks)?,
        })
    };
    PointQuality {
        name: name.to_owned(),
        noise,
        measured: parts.len(),
        refused: outcomes.iter().filter(|instant| matches!(instant[column], Outcome::Refused)).count(),
        sd_m: sd_m(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration_error::tests::{lens, rig};
    use crate::point::tests::camera_at;
    use midline_geometry::{LensModel, ReadOut, ScanDirection};
    use midline_session::calibration::CameraClock;
    use midline_session::keypoints::{Keypoint, KeypointFrame};
    use nalgebra::{DMatrix, Matrix3, Point3, Vector3};
    use rand::{RngExt, SeedableRng, rngs::StdRng};
    use rand_distr::{Distribution, StandardNormal};

    type Path = fn(f64) -> Point3<f64>;

    /// A point on a circle of radius 1 m at 30 m/s.
    fn racket(t: f64) -> Point3<f64> {
        let angle = 30.0 * t;
        Point3::new(angle.cos(), 0.6 * angle.sin(), 1.0 + 0.8 * angle.sin())
    }

    fn left_wrist(t: f64) -> Point3<f64> {
        Point3::new(-0.3 + 0.2 * (6.0 * t).sin(), 0.1, 1.3 + 0.2 * (5.0 * t).cos())
    }

    fn right_wrist(t: f64) -> Point3<f64> {
        Point3::new(0.3 + 0.2 * (4.0 * t).sin(), 0.3 * (4.0 * t).cos(), 0.8 + 0.1 * (5.0 * t).sin())
    }

    const NAMES: [&str; 3] = ["racket_tip", "left_wrist", "right_wrist"];
    const PATHS: [Path; 3] = [racket, left_wrist, right_wrist];

    struct Scene {
        cameras: Vec<CalibratedCamera>,
        lenses: Vec<LensCalibration>,
        rig: RigCalibration,
        keypoints: Vec<Keypoints>,
    }

    /// Two rolling-shutter cameras, 240 and 200 frames per second, at unrelated frame times for one second; the detector is sure
    /// of everything and its noise the same.
    fn scene(noise_px: f64, seed: u64) -> Scene {
        let noise = ScoreCurve { sd_px: noise_px, at_score: 1.0, exponent: 0.0, scores: [0.0, 1.0] };
        scene_of(2, |_, _| (1.0, noise.sd_px(1.0)), seed)
    }

    /// The same with up to three cameras; `noise` gives score and standard deviation in pixels, of a name and a number that
    /// is even between 0 and 1.
    fn scene_of(count: usize, noise: impl Fn(usize, f64) -> (f64, f64), seed: u64) -> Scene {
        let places = [
            ([-5.0, -6.0, 1.6], 240.0, 0.0, 0.0),
            ([5.5, -5.0, 2.1], 200.0, 0.0137, -3.0),
            ([-6.5, 7.0, 2.4], 240.0, 0.0021, 2.5),
        ];
        let places = &places[..count];
        let names = &["fence", "corner", "umpire"][..count];
        let mut random = StdRng::seed_from_u64(seed);
        let cameras: Vec<CalibratedCamera> = names
            .iter()
            .zip(places)
            .map(|(name, (place, _, _, offset))| {
                let camera = Camera {
                    read_out: ReadOut { seconds: 0.004, direction: ScanDirection::Down },
                    ..camera_at(*place, [0.0, 0.0, 1.0], LensModel::BrownConrady([-0.1, 0.02, 0.0, 0.0, 0.0]))
                };
                let source = if *offset == 0.0 { ClockSource::Reference } else { ClockSource::Motion };
                let clock = CameraClock {
                    camera: (*name).to_owned(),
                    offset_seconds: *offset,
                    rate: 1.0,
                    covariance: [[0.0; 2]; 2],
                    source,
                    estimates: Vec::new(),
                };
                CalibratedCamera { name: (*name).to_owned(), camera, clock }
            })
            .collect();
        let keypoints = cameras
            .iter()
            .zip(places)
            .map(|(camera, (_, rate, phase, _))| Keypoints {
                camera: camera.name.clone(),
                names: NAMES.map(str::to_owned).to_vec(),
                frames: (0..*rate as usize)
                    .map(|frame| {
                        let session = frame as f64 / rate + phase;
                        let pts = camera.clock.pts_seconds(session);
                        let points = PATHS
                            .iter()
                            .enumerate()
                            .map(|(name, path)| {
                                // The row at which the moving point is met is found by repetition.
                                let mut px = camera.camera.project(&path(session)).unwrap();
                                for _ in 0..50 {
                                    px = camera
                                        .camera
                                        .project(&path(session + camera.camera.row_delay_seconds(px)))
                                        .unwrap();
                                }
                                let (score, sd_px) = noise(name, random.random_range(0.0..1.0));
                                let mut noise = || -> f64 { StandardNormal.sample(&mut random) };
                                let px = [px.x + sd_px * noise(), px.y + sd_px * noise()];
                                Some(Keypoint { px, score })
                            })
                            .collect();
                        KeypointFrame { frame_index: frame, pts_seconds: pts, points }
                    })
                    .collect(),
                remarks: Vec::new(),
            })
            .collect();
        let named: Vec<(&str, &Camera)> = names.iter().copied().zip(cameras.iter().map(|c| &c.camera)).collect();
        let lenses = named.iter().map(|(name, camera)| lens(name, camera, &DMatrix::zeros(9, 9))).collect();
        let rig = rig(&named, &DMatrix::zeros(6 * count, 6 * count));
        Scene { cameras, lenses, rig, keypoints }
    }

    fn lifted(scene: &Scene) -> Lifted {
        lift(&scene.cameras, &scene.lenses, &scene.rig, &scene.keypoints, &LiftSettings::default()).unwrap()
    }

    fn errors(lifted: &Lifted, column: usize) -> Vec<(Vector3<f64>, Point3d)> {
        let tracks = &lifted.tracks;
        tracks
            .session_seconds
            .iter()
            .zip(&tracks.points)
            .filter_map(|(t, points)| {
                let point = points[column]?;
                Some((Point3::from(point.position_m) - PATHS[column](*t), point))
            })
            .collect()
    }

    fn root_mean_square(errors: &[(Vector3<f64>, Point3d)]) -> f64 {
        (errors.iter().map(|(e, _)| e.norm_squared()).sum::<f64>() / errors.len() as f64).sqrt()
    }

    #[test]
    fn row_times_matter_at_thirty_metres_per_second() {
        let with = scene(0.0, 1);
        let mut without = scene(0.0, 1);
        for camera in &mut without.cameras {
            camera.camera.read_out.seconds = 0.0;
        }
        let (used, ignored) = (errors(&lifted(&with), 0), errors(&lifted(&without), 0));
        let (used, ignored_rms) = (root_mean_square(&used), root_mean_square(&ignored));
        println!(
            "30 m/s: rms error {:.3} mm with row times; {:.1} mm without ({} of 240 instants even accepted)",
            1e3 * used,
            1e3 * ignored_rms,
            ignored.len()
        );
        assert!(used < 1e-3);
        assert!(ignored.len() < 20 || ignored_rms > 0.02);
    }

    #[test]
    fn stated_intervals_cover_and_the_pixel_scale_is_found() {
        // The curve says 1 px at full score; the noise is 2.5 px.
        let (mut inside, mut all, mut refused) = (0, 0, 0);
        for seed in 0..12 {
            let lifted = lifted(&scene(2.5, seed));
            for column in 0..3 {
                let errors = errors(&lifted, column);
                refused += lifted.tracks.session_seconds.len() - errors.len();
                for (error, point) in errors {
                    let covariance = Matrix3::from(point.covariance_m2);
                    all += 3;
                    inside += (0..3).filter(|&i| error[i].abs() < 1.96 * covariance[(i, i)].sqrt()).count();
                }
            }
        }
        let share = inside as f64 / f64::from(all);
        println!("95 % intervals cover {:.2} % of {all} coordinates; {refused} points not measured", 100.0 * share);
        assert!((0.93..0.97).contains(&share), "{share}");
        assert!(refused < 300, "only the ends of the tracks: {refused}");
    }

    #[test]
    fn the_noise_follows_the_score_as_the_detector_means_it() {
        // Three keypoints with levels and slopes of their own; scores even between 0.3 and 0.95.
        let truth = [(2.0, 0.8), (1.0, 1.6), (1.5, 2.2)].map(|(sd_px, exponent)| ScoreCurve {
            sd_px,
            at_score: 0.7,
            exponent,
            scores: [0.1, 1.0],
        });
        let (mut inside, mut all) = ([0, 0], [0, 0]);
        let mut deviations = Vec::new();
        for seed in 0..4 {
            let detected = |name: usize, x: f64| {
                let score = 0.3 + 0.65 * x;
                (score, truth[name].sd_px(score))
            };
            let scene = scene_of(2, detected, seed);
            let lifted = lifted(&scene);
            for (column, (quality, truth)) in lifted.quality.iter().zip(&truth).enumerate() {
                let PixelNoise { curve, log_sd_error, exponent_error, .. } = quality.noise;
                let level = curve.sd_px / truth.sd_px(curve.at_score);
                println!(
                    "{}: level {level:.3} ± {log_sd_error:.3} of the truth, exponent {:.2} ± {exponent_error:.2} for {}",
                    quality.name, curve.exponent, truth.exponent
                );
                deviations.push([level.ln() / log_sd_error, (curve.exponent - truth.exponent) / exponent_error]);
                // Points of certain and of uncertain sights alike.
                let errors = errors(&lifted, column);
                let mut sds: Vec<f64> = errors.iter().map(|(_, p)| Matrix3::from(p.covariance_m2).trace()).collect();
                sds.sort_by(f64::total_cmp);
                for (error, point) in &errors {
                    let covariance = Matrix3::from(point.covariance_m2);
                    let half = usize::from(covariance.trace() > sds[sds.len() / 2]);
                    all[half] += 3;
                    inside[half] += (0..3).filter(|&i| error[i].abs() < 1.96 * covariance[(i, i)].sqrt()).count();
                }
            }
        }
        let shares = [0, 1].map(|half| inside[half] as f64 / all[half] as f64);
        println!(
            "95 % intervals cover {:.2} % where sights are certain, {:.2} % where not",
            100.0 * shares[0],
            100.0 * shares[1]
        );
        assert!(shares.iter().all(|share| (0.93..0.97).contains(share)), "{shares:?}");
        assert!(deviations.iter().flatten().all(|d| d.abs() < 3.5), "{deviations:?}");
    }

    #[test]
    fn a_gross_error_in_one_of_three_cameras_is_left_out_and_costs_no_point() {
        let mut scene = scene_of(3, |_, _| (0.9, 1.0), 8);
        for frame in &mut scene.keypoints[1].frames[60..70] {
            frame.points[1].as_mut().unwrap().px[1] += 60.0;
        }
        let lifted = lifted(&scene);
        let bad = |t: f64| (0.0137 + 61.0 / 200.0..0.0137 + 68.0 / 200.0).contains(&t);
        let mut seen = 0;
        for (t, points) in lifted.tracks.session_seconds.iter().zip(&lifted.tracks.points).filter(|(t, _)| bad(**t)) {
            let point = points[1].unwrap();
            assert_eq!(point.views, 2, "{t}");
            let error = (Point3::from(point.position_m) - left_wrist(*t)).norm();
            assert!(error < 0.03, "{error} at {t}");
            seen += 1;
        }
        assert!(seen >= 8, "{seen}");
        let all = errors(&lifted, 1);
        assert!(all.iter().filter(|(_, point)| point.views == 3).count() > 150);
    }

    #[test]
    fn what_makes_up_the_uncertainty_is_told_apart() {
        let mut scene = scene(1.0, 4);
        let named: Vec<(&str, &Camera)> = scene.cameras.iter().map(|c| (c.name.as_str(), &c.camera)).collect();
        let poses = DMatrix::from_diagonal_element(12, 12, 4e-6);
        scene.rig = rig(&named, &poses);
        let mut lens_variances = DMatrix::zeros(9, 9);
        lens_variances[(0, 0)] = 9.0;
        scene.lenses = named.iter().map(|(name, camera)| lens(name, camera, &lens_variances)).collect();
        scene.cameras[1].clock.covariance[0][0] = 4e-8;
        let lifted = lifted(&scene);
        for (parts, points) in lifted.sd_parts_m.iter().zip(&lifted.tracks.points) {
            for (parts, point) in parts.iter().zip(points) {
                let (Some(parts), Some(point)) = (parts, point) else {
                    assert_eq!(parts.is_some(), point.is_some());
                    continue;
                };
                let sum = [parts.pixels, parts.poses, parts.lenses, parts.clocks].map(|sd| sd * sd).iter().sum::<f64>();
                let total = Matrix3::from(point.covariance_m2).trace();
                assert!((sum / total - 1.0).abs() < 1e-9);
            }
        }
        // 0.2 ms are 6 mm at 30 m/s, less across the line of sight of one camera alone; the wrist moves at 1.6 m/s at most.
        let [tip, wrist] = [0, 1].map(|column: usize| lifted.quality[column].sd_m.unwrap());
        println!("tip {tip:?}\nwrist {wrist:?}");
        assert!((0.001..0.006).contains(&tip.clocks) && wrist.clocks < 0.0004);
        assert!(tip.poses > 0.0 && tip.lenses > 0.0 && (tip.poses / wrist.poses - 1.0).abs() < 0.5);
    }

    #[test]
    fn the_same_bits_on_one_thread_and_on_several() {
        let scene = scene(1.0, 5);
        let pool = |threads| rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let one = pool(1).install(|| lifted(&scene));
        let several = pool(5).install(|| lifted(&scene));
        assert_eq!(one, several);
        assert_eq!(format!("{:?}", one.tracks), format!("{:?}", several.tracks));
    }

    #[test]
    fn gross_errors_give_no_point_and_are_told() {
        let mut scene = scene(1.0, 2);
        for frame in &mut scene.keypoints[1].frames[60..70] {
            frame.points[1].as_mut().unwrap().px[1] += 40.0;
        }
        let lifted = lifted(&scene);
        let bad = |t: f64| (0.0137 + 60.0 / 200.0..0.0137 + 69.0 / 200.0).contains(&t);
        for (t, points) in lifted.tracks.session_seconds.iter().zip(&lifted.tracks.points) {
            assert!(!(bad(*t) && points[1].is_some()), "{t}");
        }
        let worst = errors(&lifted, 1).iter().map(|(e, _)| e.norm()).fold(0.0, f64::max);
        assert!(worst < 0.05, "{worst}");
        let told = lifted.remarks.iter().find(|r| r.starts_with("left_wrist:")).unwrap();
        assert!(told.contains("left out"), "{told}");
    }

    #[test]
    fn sides_exchanged_in_one_camera_are_put_right_there() {
        for swapped in 0..2 {
            let mut scene = scene(1.0, 3);
            for frame in &mut scene.keypoints[swapped].frames[80..130] {
                frame.points.swap(1, 2);
            }
            let lifted = lifted(&scene);
            let name = &scene.cameras[swapped].name;
            println!("{:?}", lifted.remarks);
            let told = lifted.remarks.iter().find(|r| r.contains("exchanged in")).unwrap();
            assert!(told.starts_with(&format!("Camera {name}: left_wrist and right_wrist were exchanged")), "{told}");
            for column in [1, 2] {
                let errors = errors(&lifted, column);
                let worst = errors.iter().map(|(e, _)| e.norm()).fold(0.0, f64::max);
                assert!(worst < 0.05, "{worst}");
                assert!(errors.len() > 220, "{}", errors.len());
            }
        }
    }

    #[test]
    fn pixels_that_are_no_numbers_or_outside_the_picture_count_as_missing_and_are_told() {
        let good = scene(1.0, 1);
        let mut bad = scene(1.0, 1);
        for (frame, px) in
            [(50, [f64::NAN, 100.0]), (60, [100.0, f64::INFINITY]), (70, [-300.0, 200.0]), (80, [5e6, 9.0])]
        {
            bad.keypoints[1].frames[frame].points[0].as_mut().unwrap().px = px;
        }
        bad.keypoints[1].frames[90].points[0].as_mut().unwrap().score = f64::NAN;
        let mut missing = scene(1.0, 1);
        for frame in [50, 60, 70, 80, 90] {
            missing.keypoints[1].frames[frame].points[0] = None;
        }
        let run = |s: &Scene| lift(&s.cameras, &s.lenses, &s.rig, &s.keypoints, &LiftSettings::default()).unwrap();
        let (bad, missing, good) = (run(&bad), run(&missing), run(&good));
        assert_eq!(bad.tracks, missing.tracks);
        assert_ne!(bad.tracks, good.tracks);
        let told = |part: &str| bad.remarks.iter().any(|r| r.starts_with("Camera corner: ") && r.contains(part));
        assert!(told("3 sights are not numbers") && told("2 sights lie outside the picture"), "{:?}", bad.remarks);
    }

    #[test]
    fn a_point_of_one_camera_alone_is_missing() {
        let mut scene = scene(0.0, 1);
        for frame in &mut scene.keypoints[1].frames {
            frame.points[1] = None;
        }
        let lifted =
            lift(&scene.cameras, &scene.lenses, &scene.rig, &scene.keypoints, &LiftSettings::default()).unwrap();
        assert!(lifted.tracks.points.iter().all(|row| row[1].is_none()));
        assert!(lifted.tracks.points.iter().any(|row| row[0].is_some()));
    }

    #[test]
    fn errors_say_which_camera_and_when() {
        let good = scene(0.0, 1);
        let run = |s: &Scene| lift(&s.cameras, &s.lenses, &s.rig, &s.keypoints, &LiftSettings::default());

        let mut unknown = scene(0.0, 1);
        unknown.keypoints[1].camera = "roof".to_owned();
        assert!(matches!(run(&unknown), Err(LiftError::UnknownCamera { camera, .. }) if camera == "roof"));

        let mut bare = scene(0.0, 1);
        bare.rig.cameras.truncate(1);
        bare.rig.covariance = vec![vec![0.0; 6]; 6];
        assert_eq!(run(&bare), Err(LiftError::NotInRig { camera: "corner".to_owned() }));

        let mut alone = scene(0.0, 1);
        alone.keypoints.truncate(1);
        assert_eq!(run(&alone), Err(LiftError::TooFewCameras { cameras: 1 }));

        let mut no_lens = scene(0.0, 1);
        no_lens.lenses.truncate(1);
        assert!(matches!(run(&no_lens), Err(LiftError::Calibration(CalibrationError::NoLens { .. }))));

        let mut apart = scene(0.0, 1);
        apart.cameras[1].clock.offset_seconds += 100.0;
        let message = run(&apart).unwrap_err().to_string();
        println!("{message}");
        assert!(message.contains("\"fence\" span 0.0") && message.contains("\"corner\" 100.0"));

        let mut backward = scene(0.0, 1);
        backward.keypoints[1].frames.swap(20, 21);
        let message = run(&backward).unwrap_err().to_string();
        assert!(message.contains("\"corner\": frame 20") && message.contains("must be numbers and rise"), "{message}");

        let mut timeless = scene(0.0, 1);
        timeless.keypoints[0].frames[7].pts_seconds = f64::NAN;
        assert!(matches!(run(&timeless), Err(LiftError::TimeNotRising { frame_index: 7, .. })));

        let mut nothing = scene(0.0, 1);
        nothing.keypoints[1].frames.clear();
        assert_eq!(run(&nothing), Err(LiftError::TooFewCameras { cameras: 1 }));

        for (sd, sds) in [(0.0, 4.0), (f64::NAN, 4.0), (1.0, -1.0)] {
            let settings = LiftSettings { sd_px_at_full_score: sd, gross_error_sds: sds };
            let found = lift(&good.cameras, &good.lenses, &good.rig, &good.keypoints, &settings);
            assert!(matches!(found, Err(LiftError::BadSetting { .. })), "{found:?}");
        }

        let mut twice = scene(0.0, 1);
        twice.keypoints[1] = good.keypoints[0].clone();
        assert_eq!(run(&twice), Err(LiftError::Twice { camera: "fence".to_owned() }));
    }
}
