//! Whole tracks from several cameras.

use std::collections::BTreeSet;

use midline_session::calibration::{CalibratedCamera, ClockSource, LensCalibration, RigCalibration};
use midline_session::keypoints::Keypoints;
use midline_session::tracks::{Point3d, Tracks};
use rayon::prelude::*;

use crate::agreement::{Agreeing, triangulate_agreeing};
use crate::calibration_error::{CalibratedView, CalibrationCovariance, CalibrationError};
use crate::camera_tracks::CameraTracks;
use crate::point::{View, triangulate};
use crate::screening::screened;
use crate::side_swaps::{Judge, exchanged_frames, pairs};

/// Instants that a name needs for a pixel scale of its own; with fewer it takes the scale of all names together.
const FEWEST_INSTANTS_FOR_A_SCALE: usize = 20;

/// Bounds of the factor on the pixel standard deviations.
const SCALE_BOUNDS: [f64; 2] = [0.2, 20.0];

/// Settings of [`lift`].
#[derive(Debug, Clone, PartialEq)]
pub struct LiftSettings {
    /// First guess of a pixel coordinate's standard deviation at score 1, in pixels; it grows as 1 / score. The residuals
    /// replace its scale.
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
    /// The keypoints as they were used, sides put right; for [`crate::lift_strokes`].
    pub keypoints: Vec<Keypoints>,
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

/// Views of one name at one instant.
type Views<'a> = Vec<CalibratedView<'a>>;

/// What became of one name at one instant.
#[derive(Debug, Clone)]
enum Outcome {
    /// Fewer than two views.
    Unseen,
    /// The views agree.
    Found(Point3d),
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
/// Pixel standard deviations start as a curve of the score and are then scaled, for each name, so that the median of the
/// reprojection errors is what they predict; errors of the calibration that show in the residuals are thereby counted as
/// pixel noise too, on the safe side. A point whose views disagree grossly is `None`; a left-right pair that agrees once
/// the two are exchanged in one camera is exchanged. Both are told in the remarks.
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
    let mut tracks = camera_tracks(cameras, &calibration, keypoints, &names, settings, &mut remarks)?;
    for lens in lenses.iter().filter(|l| l.covariance.is_empty() && tracks.iter().any(|t| t.camera.name == l.camera)) {
        remarks.push(format!(
            "The lens of camera {} comes without a covariance: its error is not in the intervals.",
            lens.camera
        ));
    }
    let session_seconds = grid(&tracks)?;
    let mut scales = residual_scales(&views_on_grid(&tracks, &session_seconds, &vec![1.0; names.len()]), names.len());
    let judge = Judge { calibration: &calibration, limit_sds: settings.gross_error_sds, scales: &scales };
    if put_sides_right(&mut tracks, &names, &judge, &mut remarks) {
        scales = residual_scales(&views_on_grid(&tracks, &session_seconds, &vec![1.0; names.len()]), names.len());
    }
    remarks.extend(scale_remark(&scales));
    let views = views_on_grid(&tracks, &session_seconds, &scales);
    let outcomes: Vec<Vec<Outcome>> = views
        .par_iter()
        .map(|instant| instant.iter().map(|v| outcome(v, &calibration, settings.gross_error_sds)).collect())
        .collect();
    for (column, name) in names.iter().enumerate() {
        let refused = outcomes.iter().filter(|instant| matches!(instant[column], Outcome::Refused)).count();
        if refused > 0 {
            remarks.push(format!(
                "{name}: {refused} of {} instants left out because the views contradict each other or meet at too small an angle.",
                session_seconds.len()
            ));
        }
    }
    let points = outcomes
        .into_iter()
        .map(|instant| {
            let point = |outcome| if let Outcome::Found(point) = outcome { Some(point) } else { None };
            instant.into_iter().map(point).collect()
        })
        .collect();
    let keypoints = tracks.iter().map(|t| t.keypoints.clone()).collect();
    Ok(Lifted { tracks: Tracks { names, session_seconds, points }, keypoints, remarks })
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
    settings: &LiftSettings,
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
        let tracks = CameraTracks::new(camera, index, own, names, settings.sd_px_at_full_score);
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

/// The views of each name at each instant, `[instant][name]`.
fn views_on_grid<'a>(tracks: &[CameraTracks<'a>], session_seconds: &[f64], scales: &[f64]) -> Vec<Vec<Views<'a>>> {
    let views =
        |name: usize, seconds: f64| tracks.iter().filter_map(|t| t.seen_at(name, seconds, scales[name])).collect();
    session_seconds.par_iter().map(|&seconds| (0..scales.len()).map(|name| views(name, seconds)).collect()).collect()
}

/// For each name, the factor on its pixel standard deviations by which they match its residuals: from the median over the
/// instants of chi-square over its expected median.
fn residual_scales(views: &[Vec<Views>], names: usize) -> Vec<f64> {
    let ratio = |views: &Views| {
        let seen: Vec<View> = views.iter().map(|v| v.view).collect();
        let found = triangulate(&seen).ok()?;
        Some(found.chi_squared / median_chi_squared(2 * seen.len() - 3))
    };
    let ratios: Vec<Vec<f64>> =
        (0..names).map(|name| views.par_iter().filter_map(|instant| ratio(&instant[name])).collect()).collect();
    let scale = |ratios: &[f64]| {
        let mut sorted = ratios.to_vec();
        sorted.sort_by(f64::total_cmp);
        sorted.get(sorted.len() / 2).map_or(1.0, |m| m.sqrt().clamp(SCALE_BOUNDS[0], SCALE_BOUNDS[1]))
    };
    let pooled = scale(&ratios.concat());
    ratios.iter().map(|own| if own.len() < FEWEST_INSTANTS_FOR_A_SCALE { pooled } else { scale(own) }).collect()
}

fn scale_remark(scales: &[f64]) -> Option<String> {
    let low = scales.iter().copied().reduce(f64::min)?;
    let high = scales.iter().copied().reduce(f64::max)?;
    Some(format!(
        "Pixel standard deviations were scaled to the residuals by {low:.2} to {high:.2}, each name by its own factor."
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

/// Median of the chi-square distribution: exact for one degree of freedom, else by Wilson & Hilferty 1931 (within 1 %).
fn median_chi_squared(freedom: usize) -> f64 {
    if freedom == 1 {
        return 0.454_936;
    }
    let k = freedom as f64;
    k * (1.0 - 2.0 / (9.0 * k)).powi(3)
}

fn outcome(views: &[CalibratedView], calibration: &CalibrationCovariance, limit_sds: f64) -> Outcome {
    if views.len() < 2 {
        return Outcome::Unseen;
    }
    match triangulate_agreeing(views, calibration, limit_sds) {
        Ok(found) => measured(views, &found, calibration).map_or(Outcome::Refused, Outcome::Found),
        Err(_) => Outcome::Refused,
    }
}

fn measured(views: &[CalibratedView], found: &Agreeing, calibration: &CalibrationCovariance) -> Option<Point3d> {
    let used: Vec<CalibratedView> = found.used.iter().map(|&i| views[i]).collect();
    let total = calibration.error_parts(&found.point.position, &used).ok()?.total();
    Some(Point3d {
        position_m: found.point.position.coords.into(),
        covariance_m2: total.into(),
        reprojection_px: found.point.reprojection_px,
        views: u32::try_from(used.len()).ok()?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration_error::tests::{lens, rig};
    use crate::point::tests::camera_at;
    use midline_geometry::{Camera, LensModel, ReadOut, ScanDirection};
    use midline_session::calibration::CameraClock;
    use midline_session::keypoints::{Keypoint, KeypointFrame};
    use nalgebra::{DMatrix, Matrix3, Point3, Vector3};
    use rand::{SeedableRng, rngs::StdRng};
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

    /// Two rolling-shutter cameras, 240 and 200 frames per second, at unrelated frame times for one second.
    fn scene(noise_px: f64, seed: u64) -> Scene {
        let places = [([-5.0, -6.0, 1.6], 240.0, 0.0, 0.0), ([5.5, -5.0, 2.1], 200.0, 0.0137, -3.0)];
        let names = ["fence", "corner"];
        let mut random = StdRng::seed_from_u64(seed);
        let cameras: Vec<CalibratedCamera> = names
            .iter()
            .zip(places)
            .map(|(name, (place, _, _, offset))| {
                let camera = Camera {
                    read_out: ReadOut { seconds: 0.004, direction: ScanDirection::Down },
                    ..camera_at(place, [0.0, 0.0, 1.0], LensModel::BrownConrady([-0.1, 0.02, 0.0, 0.0, 0.0]))
                };
                let source = if offset == 0.0 { ClockSource::Reference } else { ClockSource::Motion };
                let clock = CameraClock {
                    camera: (*name).to_owned(),
                    offset_seconds: offset,
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
                frames: (0..rate as usize)
                    .map(|frame| {
                        let session = frame as f64 / rate + phase;
                        let pts = camera.clock.pts_seconds(session);
                        let points = PATHS
                            .iter()
                            .map(|path| {
                                // The row at which the moving point is met is found by repetition.
                                let mut px = camera.camera.project(&path(session)).unwrap();
                                for _ in 0..50 {
                                    px = camera
                                        .camera
                                        .project(&path(session + camera.camera.row_delay_seconds(px)))
                                        .unwrap();
                                }
                                let mut noise = || -> f64 { StandardNormal.sample(&mut random) };
                                let px = [px.x + noise_px * noise(), px.y + noise_px * noise()];
                                Some(Keypoint { px, score: 1.0 })
                            })
                            .collect();
                        KeypointFrame { frame_index: frame, pts_seconds: pts, points }
                    })
                    .collect(),
                remarks: Vec::new(),
            })
            .collect();
        let named: Vec<(&str, &Camera)> = names.into_iter().zip(cameras.iter().map(|c| &c.camera)).collect();
        let lenses = named.iter().map(|(name, camera)| lens(name, camera, &DMatrix::zeros(9, 9))).collect();
        let rig = rig(&named, &DMatrix::zeros(12, 12));
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

        let mut twice = scene(0.0, 1);
        twice.keypoints[1] = good.keypoints[0].clone();
        assert_eq!(run(&twice), Err(LiftError::Twice { camera: "fence".to_owned() }));
    }
}
