//! Each camera's offset refined by what both cameras see moving.
//!
//! At the right offset the two sightings of a point at one instant satisfy the epipolar constraint; at a wrong one a fast
//! point is off its epipolar line by its speed times the error. Every sighting counts at the time at which its own row was
//! exposed, and the other camera's path is read at that very time, so neither frames that coincide nor a global shutter
//! are needed. A small rotation between the cameras is estimated along, so that an error of the rig is not taken for time.

use argmin::core::{CostFunction, Executor, State};
use argmin::solver::brent::BrentOpt;
use midline_geometry::{Camera, ReadOut};
use midline_session::calibration::{
    CameraClock, ClockCalibration, ClockEstimate, ClockSource, LensCalibration, RigCamera,
};
use midline_session::keypoints::Keypoints;
use nalgebra::{Matrix3, Matrix4, Vector3, Vector4};

use crate::ClockError;
use crate::epipolar::{Distance, Pair};
use crate::level::robust_sd;
use crate::path::{Path, Sighting, spacing_seconds};

/// Offsets on each side of the sound's that are searched, in its standard deviations, and at least, seconds.
const SEARCH_SDS: f64 = 3.0;
const SEARCH_SECONDS: f64 = 0.060;
/// Steps of the two grids, seconds; the second spans four steps of the first.
const COARSE_SECONDS: f64 = 0.002;
const FINE_SECONDS: f64 = 0.000_5;
/// Tolerance of the final search, seconds.
const TOLERANCE_SECONDS: f64 = 1e-6;
/// Largest residual scale, as a share of the picture's width: about 3 px in 1920.
const SCALE_OF_WIDTH: f64 = 0.0015;
/// Smallest residual scale in pixels.
const LEAST_SCALE_PX: f64 = 0.2;
/// Cauchy's tuning constant (95 % efficiency on normal residuals).
const CAUCHY: f64 = 2.385;
/// Passes of reweighting for the rotation at one offset.
const PASSES: usize = 4;
/// Error of the rig in pixels that is allowed for where the rig does not state one.
const RIG_PX: f64 = 2.0;
/// Most sightings that are used, the fastest first.
const MOST_SIGHTINGS: usize = 20_000;
/// Sightings and blocks of time below which motion says nothing.
const LEAST_SIGHTINGS: usize = 30;
const LEAST_BLOCKS: usize = 5;
/// Neighbouring residuals share the detector's error; those within this time count as one, seconds (common practice).
const BLOCK_SECONDS: f64 = 0.050;
/// What the residuals cannot show: read-out and exposure are not known better, and smoothing a path shifts it (seconds,
/// common practice; on simulated motion errors reach 0.3 ms where the residuals alone promise 0.1 ms).
const UNMODELLED_SD_SECONDS: f64 = 0.000_2;
/// Motion decides only below this standard deviation, seconds.
const DECIDES_SECONDS: f64 = 0.005;
/// Standard deviations within which motion and sound agree.
const AGREE_SDS: f64 = 3.0;
/// A second minimum this far away is another one, seconds; the first must be better by so many standard deviations.
const OTHER_MINIMUM_SECONDS: f64 = 0.010;
const CLEAR_SDS: f64 = 3.0;

/// The clock with each camera's offset refined by the motion that it and the reference camera see; the rate stays.
///
/// `cameras` (any order) give lens, pose and read-out, `keypoints` the 2D points by camera name. A camera's offset comes from
/// motion when its standard deviation there is below 5 ms and motion agrees with sound within its allowance (three standard
/// deviations), or disagrees by a clear minimum; the remarks tell. Where motion cannot tell, the sound's clock stays as it
/// is.
///
/// # Errors
/// When a camera of the clock has no lens and pose in `cameras`.
pub fn refine_by_motion(
    clock: &ClockCalibration,
    cameras: &[(&LensCalibration, &RigCamera, ReadOut)],
    keypoints: &[Keypoints],
) -> Result<ClockCalibration, ClockError> {
    let view = |name: &str| -> Result<View, ClockError> {
        let (lens, pose, read_out) = cameras
            .iter()
            .find(|(lens, pose, _)| lens.camera == name && pose.name == name)
            .ok_or_else(|| ClockError::NotCalibrated { camera: name.to_owned() })?;
        Ok(View {
            camera: Camera {
                intrinsics: lens.intrinsics,
                camera_from_world: pose.camera_from_world,
                read_out: *read_out,
            },
            rig_px: pose.board_rms_px.into_iter().chain(pose.court_rms_px).reduce(f64::max).unwrap_or(RIG_PX),
            keypoints: keypoints.iter().find(|k| k.camera == name),
        })
    };
    let reference = view(&clock.reference)?;
    let mut refined = clock.clone();
    for camera in &mut refined.cameras {
        if camera.source == ClockSource::Reference {
            continue;
        }
        let opinion = Scene::new(&reference, &view(&camera.camera)?, camera).and_then(|scene| scene.search(camera));
        let remark = decide(camera, opinion, &clock.reference);
        refined.remarks.push(remark);
    }
    Ok(refined)
}

/// One camera with what it saw.
struct View<'a> {
    camera: Camera,
    rig_px: f64,
    keypoints: Option<&'a Keypoints>,
}

/// What motion says of one camera's offset.
struct Opinion {
    offset_seconds: f64,
    /// At `at_pts_seconds`, where the moving points were seen.
    sd_seconds: f64,
    at_pts_seconds: f64,
    instants: usize,
    scale_px: f64,
    /// No other offset in the range explains the motion nearly as well.
    clear: bool,
}

/// Writes the decision into the camera's clock and says it.
fn decide(camera: &mut CameraClock, opinion: Result<Opinion, &'static str>, reference: &str) -> String {
    let name = camera.camera.clone();
    let found = match opinion {
        Ok(found) => found,
        Err(why) => {
            return format!("Camera {name}: motion cannot check the clock ({why}); the offset from sound stays.");
        }
    };
    let sound_sd = camera.sd_seconds(found.at_pts_seconds);
    let difference = found.offset_seconds - camera.offset_seconds;
    let agrees = difference.abs() <= AGREE_SDS * sound_sd.hypot(found.sd_seconds);
    camera.estimates.push(ClockEstimate {
        method: ClockSource::Motion,
        offset_seconds: found.offset_seconds,
        sd_seconds: found.sd_seconds,
        n: found.instants,
    });
    let both = format!(
        "sound says {:.2} ± {:.2} ms, motion against camera {reference} says {:.2} ± {:.2} ms (residual {:.2} px)",
        camera.offset_seconds * 1e3,
        sound_sd * 1e3,
        found.offset_seconds * 1e3,
        found.sd_seconds * 1e3,
        found.scale_px,
    );
    if found.sd_seconds >= DECIDES_SECONDS {
        return format!("Camera {name}: {both}; motion is too weak to decide, the offset from sound stays.");
    }
    if !agrees && !found.clear {
        return format!(
            "Camera {name}: {both}; they disagree and motion has more than one good offset, so the offset from sound stays. \
             Check the clips' names, the rig and the keypoints."
        );
    }
    // session(pts) is known from motion at `at_pts_seconds`; from there to pts 0 leads the rate.
    let (rate_variance, lever) = (camera.covariance[1][1], found.at_pts_seconds);
    let cross = -lever * rate_variance;
    camera.offset_seconds = found.offset_seconds;
    camera.covariance = [[found.sd_seconds.powi(2) + lever * lever * rate_variance, cross], [cross, rate_variance]];
    camera.source = ClockSource::Motion;
    if agrees {
        format!("Camera {name}: {both}; motion decides.")
    } else {
        format!(
            "Camera {name}: {both}; they disagree, motion is clear and decides. Check the read-out time and the rig if this \
             is more than a phone's latency can be."
        )
    }
}

/// One sighting of the camera whose frames are walked through.
struct Walked {
    sighting: Sighting,
    /// Index of the other camera's path of the same point.
    path: usize,
}

/// Two cameras' sightings of the same points.
struct Scene {
    pair: Pair,
    walked: Vec<Walked>,
    paths: Vec<Path>,
    /// Whether the reference camera's frames are walked through and the other's paths are read; else the other way.
    walks_reference: bool,
    rate: f64,
    largest_scale_px: f64,
    /// Prior standard deviation of the rotation between the cameras, radians.
    rotation_sd: f64,
}

/// The best rotation at one offset, and what it costs.
struct Profile {
    /// Mean of the robust cost over the sightings.
    cost: f64,
    rotation: Vector3<f64>,
    used: usize,
}

impl Scene {
    fn new(reference: &View, other: &View, clock: &CameraClock) -> Result<Self, &'static str> {
        let (Some(seen_by_reference), Some(seen_by_other)) = (reference.keypoints, other.keypoints) else {
            return Err("keypoints of one of the cameras are missing");
        };
        let pair = Pair::new(&reference.camera.camera_from_world, &other.camera.camera_from_world)
            .ok_or("both cameras stand in the same place")?;
        let (Some(reference_spacing), Some(other_spacing)) =
            (spacing_seconds(seen_by_reference), spacing_seconds(seen_by_other))
        else {
            return Err("one of the cameras has fewer than two frames with points");
        };
        // The denser path is the better one to read between its frames.
        let walks_reference = other_spacing <= reference_spacing;
        let mut fast: Vec<(f64, Walked)> = Vec::new();
        let mut paths = Vec::new();
        for (column, name) in seen_by_reference.names.iter().enumerate() {
            let Some(other_column) = seen_by_other.column(name) else { continue };
            let ours = Path::new(&reference.camera, seen_by_reference, column, reference_spacing);
            let theirs = Path::new(&other.camera, seen_by_other, other_column, other_spacing);
            let (walked, read) = if walks_reference { (ours, theirs) } else { (theirs, ours) };
            for (index, sighting) in walked.sightings.iter().enumerate() {
                fast.push((walked.speed_px(index), Walked { sighting: *sighting, path: paths.len() }));
            }
            paths.push(read);
        }
        fast.sort_by(|a, b| b.0.total_cmp(&a.0));
        fast.truncate(MOST_SIGHTINGS);
        let widest = f64::from(reference.camera.intrinsics.size_px[0].max(other.camera.intrinsics.size_px[0]));
        let focal = reference.camera.intrinsics.focal_px[0].min(other.camera.intrinsics.focal_px[0]);
        Ok(Self {
            pair,
            walked: fast.into_iter().map(|(_, walked)| walked).collect(),
            paths,
            walks_reference,
            rate: clock.rate,
            largest_scale_px: (SCALE_OF_WIDTH * widest).max(LEAST_SCALE_PX),
            rotation_sd: reference.rig_px.max(other.rig_px).max(LEAST_SCALE_PX) / focal,
        })
    }

    /// Presentation time in the other camera of a walked sighting.
    fn other_pts(&self, walked: &Walked, offset: f64) -> f64 {
        if self.walks_reference {
            (walked.sighting.seen_seconds - offset) / self.rate
        } else {
            walked.sighting.seen_seconds
        }
    }

    fn distance(&self, walked: &Walked, offset: f64) -> Option<Distance> {
        let there = self.paths.get(walked.path)?;
        if self.walks_reference {
            self.pair.distance(&walked.sighting, &there.at(self.other_pts(walked, offset))?)
        } else {
            self.pair.distance(&there.at(offset + self.rate * walked.sighting.seen_seconds)?, &walked.sighting)
        }
    }

    fn distances(&self, offset: f64) -> Vec<Distance> {
        self.walked.iter().filter_map(|w| self.distance(w, offset)).collect()
    }

    /// The cost at an offset with the rotation that makes it least; `None` with too few sightings.
    fn profile(&self, offset: f64, scale_px: f64) -> Option<Profile> {
        let distances = self.distances(offset);
        if distances.len() < LEAST_SIGHTINGS {
            return None;
        }
        let prior = Matrix3::identity() / (self.rotation_sd * self.rotation_sd);
        let mut rotation = Vector3::zeros();
        for _ in 0..PASSES {
            let (mut normal, mut right) = (prior, Vector3::zeros());
            for d in &distances {
                let weight = weight((d.px + d.by_rotation.dot(&rotation)) / scale_px) / (scale_px * scale_px);
                normal += weight * d.by_rotation * d.by_rotation.transpose();
                right -= weight * d.px * d.by_rotation;
            }
            rotation = normal.cholesky()?.solve(&right);
        }
        let n = distances.len() as f64;
        let robust: f64 = distances.iter().map(|d| cost((d.px + d.by_rotation.dot(&rotation)) / scale_px)).sum();
        let of_prior = 0.5 * rotation.norm_squared() / (self.rotation_sd * self.rotation_sd);
        Some(Profile { cost: (robust + of_prior) / n, rotation, used: distances.len() })
    }

    fn search(&self, clock: &CameraClock) -> Result<Opinion, &'static str> {
        let centre = clock.offset_seconds;
        let typical_pts =
            crate::level::median(&self.walked.iter().map(|w| self.other_pts(w, centre)).collect::<Vec<_>>());
        let half = (SEARCH_SDS * clock.sd_seconds(typical_pts)).max(SEARCH_SECONDS);
        let steps = (half / COARSE_SECONDS).ceil() as i32;
        let coarse: Vec<f64> = (-steps..=steps).map(|k| centre + f64::from(k) * COARSE_SECONDS).collect();
        let (coarse_best, costs) = self.best_of(&coarse, self.largest_scale_px)?;
        if coarse_best == 0 || coarse_best + 1 == coarse.len() {
            return Err("the motion fits best at the end of the range that was searched");
        }
        let fine: Vec<f64> = (-8..=8).map(|k| coarse[coarse_best] + f64::from(k) * FINE_SECONDS).collect();
        let (fine_best, _) = self.best_of(&fine, self.largest_scale_px)?;
        let profile = self.profile(fine[fine_best], self.largest_scale_px).ok_or("too few points are seen by both")?;
        let scale_px = self.scale_at(fine[fine_best], &profile).clamp(LEAST_SCALE_PX, self.largest_scale_px);
        let offset_seconds = self.bottom(fine[fine_best], scale_px);
        let (sd_seconds, at_pts_seconds, instants) = self.uncertainty(offset_seconds, scale_px)?;
        let clear = self.is_clear(&coarse, &costs, coarse_best, scale_px);
        Ok(Opinion { offset_seconds, sd_seconds, at_pts_seconds, instants, scale_px, clear })
    }

    /// Index of the least cost among offsets where most sightings have a partner, and all costs.
    fn best_of(&self, offsets: &[f64], scale_px: f64) -> Result<(usize, Vec<Option<f64>>), &'static str> {
        let profiles: Vec<Option<Profile>> = offsets.iter().map(|o| self.profile(*o, scale_px)).collect();
        let most = profiles.iter().flatten().map(|p| p.used).max().unwrap_or(0);
        let costs: Vec<Option<f64>> =
            profiles.iter().map(|p| p.as_ref().filter(|p| 2 * p.used >= most).map(|p| p.cost)).collect();
        let best = costs.iter().enumerate().filter_map(|(i, c)| Some((i, (*c)?))).min_by(|a, b| a.1.total_cmp(&b.1));
        Ok((best.ok_or("too few points are seen by both")?.0, costs))
    }

    fn scale_at(&self, offset: f64, profile: &Profile) -> f64 {
        let residuals: Vec<f64> =
            self.distances(offset).iter().map(|d| d.px + d.by_rotation.dot(&profile.rotation)).collect();
        robust_sd(&residuals, 0.0)
    }

    /// The bottom of the minimum around a grid point, by Brent's method (Brent 1973) through `argmin`; the grid point itself
    /// if that fails.
    fn bottom(&self, around: f64, scale_px: f64) -> f64 {
        // Brent's relative tolerance is for the distance from the grid point, not for the offset of minutes.
        let solver = BrentOpt::new(-2.0 * FINE_SECONDS, 2.0 * FINE_SECONDS).set_tolerance(1e-8, TOLERANCE_SECONDS);
        let valley = Valley { scene: self, around, scale_px };
        let shift = Executor::new(valley, solver).configure(|state| state.max_iters(60)).run();
        around + shift.ok().and_then(|result| result.state().get_best_param().copied()).unwrap_or(0.0)
    }

    /// Standard deviation of the offset, the presentation time where it holds, and the number of instants.
    ///
    /// From the slopes of all residuals by offset and rotation at the optimum: the inverse of the normal matrix, and the
    /// sandwich with residuals summed over blocks of time first (Liang & Zeger 1986), which does not take neighbours for
    /// independent; the larger counts.
    fn uncertainty(&self, offset: f64, scale_px: f64) -> Result<(f64, f64, usize), &'static str> {
        let rotation = self.profile(offset, scale_px).ok_or("too few points are seen by both")?.rotation;
        let h = 0.5 * FINE_SECONDS;
        let variance = scale_px * scale_px;
        let mut prior = Matrix4::zeros();
        for axis in 1..4 {
            prior[(axis, axis)] = 1.0 / (self.rotation_sd * self.rotation_sd);
        }
        let mut normal = prior;
        let mut blocks: std::collections::BTreeMap<i64, Vector4<f64>> = std::collections::BTreeMap::new();
        let mut instants = std::collections::BTreeSet::new();
        let (mut lever, mut information) = (0.0, 0.0);
        for walked in &self.walked {
            let at = |o: f64| self.distance(walked, o);
            let (Some(here), Some(before), Some(after)) = (at(offset), at(offset - h), at(offset + h)) else {
                continue;
            };
            let slope = Vector4::new(
                (after.px - before.px) / (2.0 * h),
                here.by_rotation.x,
                here.by_rotation.y,
                here.by_rotation.z,
            );
            let residual = here.px + here.by_rotation.dot(&rotation);
            let weight = weight(residual / scale_px) / variance;
            normal += weight * slope * slope.transpose();
            let pts = self.other_pts(walked, offset);
            let block = (pts / BLOCK_SECONDS).floor() as i64;
            *blocks.entry(block).or_insert_with(Vector4::zeros) += weight * residual * slope;
            instants.insert((walked.sighting.seen_seconds / 1e-3).round() as i64);
            lever += weight * slope[0] * slope[0] * pts;
            information += weight * slope[0] * slope[0];
        }
        if blocks.len() < LEAST_BLOCKS || information <= 0.0 {
            return Err("both cameras see motion for too short a time");
        }
        let inverse = normal.try_inverse().ok_or("the motion says nothing about time")?;
        let few = blocks.len() as f64 / (blocks.len() as f64 - 1.0);
        let scatter: Matrix4<f64> = blocks.values().map(|g| g * g.transpose()).sum::<Matrix4<f64>>() * few + prior;
        let sandwich = inverse * scatter * inverse;
        let sd = sandwich[(0, 0)].max(inverse[(0, 0)]).max(0.0).sqrt().hypot(UNMODELLED_SD_SECONDS);
        Ok((sd, lever / information, instants.len()))
    }

    /// Whether the best offset of the grid explains the motion clearly better than the next minimum elsewhere: the mean
    /// difference of their costs over blocks of time exceeds three of its standard deviations.
    fn is_clear(&self, offsets: &[f64], costs: &[Option<f64>], best: usize, scale_px: f64) -> bool {
        let rival = (1..costs.len().saturating_sub(1))
            .filter(|i| (offsets[*i] - offsets[best]).abs() >= OTHER_MINIMUM_SECONDS)
            .filter(|i| match (costs[i - 1], costs[*i], costs[i + 1]) {
                (Some(l), Some(m), Some(r)) => m <= l && m <= r,
                _ => false,
            })
            .min_by(|a, b| costs[*a].unwrap_or(f64::MAX).total_cmp(&costs[*b].unwrap_or(f64::MAX)));
        let Some(rival) = rival else { return true };
        let rotation = |offset| self.profile(offset, scale_px).map(|p| p.rotation);
        let (Some(rotation_best), Some(rotation_rival)) = (rotation(offsets[best]), rotation(offsets[rival])) else {
            return false;
        };
        let mut blocks: std::collections::BTreeMap<i64, f64> = std::collections::BTreeMap::new();
        for walked in &self.walked {
            let at = |o: f64, rotation: &Vector3<f64>| {
                self.distance(walked, o).map(|d| cost((d.px + d.by_rotation.dot(rotation)) / scale_px))
            };
            let (Some(a), Some(b)) = (at(offsets[best], &rotation_best), at(offsets[rival], &rotation_rival)) else {
                continue;
            };
            *blocks.entry((walked.sighting.seen_seconds / BLOCK_SECONDS).floor() as i64).or_insert(0.0) += b - a;
        }
        let n = blocks.len() as f64;
        let mean = blocks.values().sum::<f64>() / n.max(1.0);
        let variance = blocks.values().map(|d| (d - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
        mean > CLEAR_SDS * (variance / n.max(1.0)).sqrt()
    }
}

/// The cost around a grid point, for `argmin`.
struct Valley<'a> {
    scene: &'a Scene,
    around: f64,
    scale_px: f64,
}

impl CostFunction for Valley<'_> {
    type Param = f64;
    type Output = f64;

    fn cost(&self, shift: &f64) -> Result<f64, argmin::core::Error> {
        Ok(self.scene.profile(self.around + shift, self.scale_px).map_or(f64::INFINITY, |p| p.cost))
    }
}

/// Cauchy's loss of a residual in units of its scale.
fn cost(residual: f64) -> f64 {
    0.5 * CAUCHY * CAUCHY * (residual / CAUCHY).powi(2).ln_1p()
}

/// Its weight.
fn weight(residual: f64) -> f64 {
    1.0 / (1.0 + (residual / CAUCHY).powi(2))
}

#[cfg(test)]
mod tests {
    use super::*;
    use midline_geometry::{Intrinsics, LensModel, RigidTransform, ScanDirection};
    use midline_session::keypoints::{Keypoint, KeypointFrame};
    use nalgebra::{Point3, Vector2};
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, StandardNormal};

    const OFFSET: f64 = 2.37;
    const RATE: f64 = 1.0 + 30e-6;

    /// A camera 1.2 m above the ground at (x, y), looking at a point 1 m above the origin.
    fn camera(x: f64, y: f64, size_px: [u32; 2], read_out: ReadOut) -> Camera {
        let eye = Point3::new(x, y, 1.2);
        let camera_from_world = RigidTransform::look_at_rh(&eye, &Point3::new(0.0, 0.0, 1.0), &Vector3::z());
        // `look_at_rh` looks along -z with y up; a camera looks along z with y down.
        let turned = RigidTransform::rotation(Vector3::x() * std::f64::consts::PI) * camera_from_world;
        Camera {
            intrinsics: Intrinsics {
                focal_px: [1500.0, 1500.0],
                centre_px: [f64::from(size_px[0]) / 2.0, f64::from(size_px[1]) / 2.0],
                model: LensModel::BrownConrady([-0.08, 0.02, 0.0, 0.0, 0.0]),
                size_px,
            },
            camera_from_world: turned,
            read_out,
        }
    }

    /// Six points of a player: a still foot, a swaying shoulder, an elbow, a wrist and two racket points that swing every
    /// two seconds.
    fn place(point: usize, t: f64) -> Point3<f64> {
        let swing = 2.2 * (-(((t + 0.3).rem_euclid(2.0) - 1.0) / 0.12).powi(2)).exp() + 0.6 * (3.1 * t).sin();
        let reach = [0.0, 0.0, 0.35, 0.6, 0.9, 1.25][point];
        let height = [0.05, 1.4, 1.2, 1.1, 1.05, 1.0][point];
        let sway = if point == 0 { 0.0 } else { 0.1 };
        Point3::new(
            sway * (1.9 * t).sin() + reach * swing.cos(),
            sway * (1.3 * t).cos() + reach * swing.sin(),
            height + 0.3 * reach * (1.7 * swing).sin(),
        )
    }

    const NAMES: [&str; 6] =
        ["right_ankle", "left_shoulder", "right_elbow", "right_wrist", "racket_throat", "racket_tip"];

    struct Filmed {
        rate_hz: f64,
        phase: f64,
        noise_px: f64,
        seed: u64,
        seconds: f64,
    }

    /// What a camera's detector reports: every point at the instant at which its own row is exposed, with noise, one point in
    /// ten missing, and a gap of half a second.
    fn film(name: &str, camera: &Camera, session: &dyn Fn(f64) -> f64, filmed: &Filmed) -> Keypoints {
        let mut random = StdRng::seed_from_u64(filmed.seed);
        let count = (filmed.seconds * filmed.rate_hz) as usize;
        let frames = (0..count)
            .map(|frame_index| {
                let pts_seconds = filmed.phase + frame_index as f64 / filmed.rate_hz;
                let points = (0..NAMES.len())
                    .map(|point| {
                        let mut delay = 0.0;
                        let mut px = Vector2::zeros();
                        for _ in 0..8 {
                            px = camera.project(&place(point, session(pts_seconds + delay))).unwrap();
                            delay = camera.row_delay_seconds(px);
                        }
                        let mut noise = || filmed.noise_px * Distribution::<f64>::sample(&StandardNormal, &mut random);
                        let px = [px.x + noise(), px.y + noise()];
                        let missing = random.random_range(0.0..1.0) < 0.1 || (1.2..1.7).contains(&pts_seconds);
                        (!missing).then_some(Keypoint { px, score: 0.9 })
                    })
                    .collect();
                KeypointFrame { frame_index, pts_seconds, points }
            })
            .collect();
        Keypoints { camera: name.into(), names: NAMES.map(String::from).to_vec(), frames, remarks: Vec::new() }
    }

    fn lens(name: &str, camera: &Camera) -> LensCalibration {
        LensCalibration {
            quality: None,
            camera: name.into(),
            intrinsics: camera.intrinsics,
            parameter_names: Vec::new(),
            standard_deviations: Vec::new(),
            covariance: Vec::new(),
            rms_px: 0.3,
            held_out_rms_px: None,
            views: Vec::new(),
            coverage: 1.0,
            advice: Vec::new(),
        }
    }

    fn pose(name: &str, camera: &Camera) -> RigCamera {
        RigCamera {
            name: name.into(),
            camera_from_world: camera.camera_from_world,
            court_rms_px: Some(0.8),
            court_points: 8,
            board_rms_px: None,
            board_views: 0,
        }
    }

    fn sound_clock(error_seconds: f64) -> ClockCalibration {
        let clock = |camera: &str, offset_seconds, rate, covariance, source| CameraClock {
            camera: camera.into(),
            offset_seconds,
            rate,
            covariance,
            source,
            estimates: Vec::new(),
        };
        let covariance = [[2.25e-4, 0.0], [0.0, 4e-12]];
        ClockCalibration {
            reference: "a".into(),
            cameras: vec![
                clock("a", 0.0, 1.0, [[0.0; 2]; 2], ClockSource::Reference),
                clock("b", OFFSET + error_seconds, RATE, covariance, ClockSource::Sound),
            ],
            remarks: Vec::new(),
        }
    }

    struct Setting {
        rates_hz: [f64; 2],
        noise_px: f64,
        seconds: f64,
        sound_error_seconds: f64,
        /// Rotation by which the second camera's pose is wrong, radians.
        rig_error: f64,
    }

    const USUAL: Setting =
        Setting { rates_hz: [120.0; 2], noise_px: 1.0, seconds: 6.0, sound_error_seconds: 0.011, rig_error: 0.0 };

    fn refined(setting: &Setting, seed: u64) -> ClockCalibration {
        let down = ReadOut { seconds: 0.008, direction: ScanDirection::Down };
        let left = ReadOut { seconds: 0.012, direction: ScanDirection::Left };
        let (first, second) = (camera(-4.0, -7.0, [1920, 1080], down), camera(5.0, -6.0, [1080, 1920], left));
        let [first_hz, second_hz] = setting.rates_hz;
        let filmed = |rate_hz, phase, seed| Filmed {
            rate_hz,
            phase,
            noise_px: setting.noise_px,
            seed,
            seconds: setting.seconds,
        };
        let keypoints = [
            film("a", &first, &|pts| pts, &filmed(first_hz, 2.5, seed)),
            film("b", &second, &|pts| OFFSET + RATE * pts, &filmed(second_hz, 0.0031, seed + 1000)),
        ];
        let mut wrong = second.clone();
        wrong.camera_from_world.rotation =
            nalgebra::UnitQuaternion::from_scaled_axis(Vector3::new(1.0, -0.5, 0.7) * setting.rig_error)
                * wrong.camera_from_world.rotation;
        let (lenses, poses) = ((lens("a", &first), lens("b", &second)), (pose("a", &first), pose("b", &wrong)));
        let cameras = [(&lenses.1, &poses.1, left), (&lenses.0, &poses.0, down)];
        refine_by_motion(&sound_clock(setting.sound_error_seconds), &cameras, &keypoints).unwrap()
    }

    /// Error of the session time where the motion was seen, seconds, with its standard deviation.
    fn error(clock: &ClockCalibration) -> (f64, f64) {
        let clock = &clock.cameras[1];
        let pts = 3.0;
        (clock.session_seconds(pts) - (OFFSET + RATE * pts), clock.sd_seconds(pts))
    }

    fn rms(values: impl Iterator<Item = f64>) -> f64 {
        let squares: Vec<f64> = values.map(|v| v * v).collect();
        (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
    }

    #[test]
    fn motion_finds_the_offset_to_half_a_millisecond_and_knows_how_well() {
        let found: Vec<(f64, f64)> = (0..8)
            .map(|seed| {
                let clock = refined(&USUAL, seed);
                assert_eq!(clock.cameras[1].source, ClockSource::Motion, "{:?}", clock.remarks);
                if seed == 0 {
                    println!("{}", clock.remarks[0]);
                }
                error(&clock)
            })
            .collect();
        let worst = found.iter().map(|(e, _)| e.abs()).fold(0.0, f64::max);
        let z = rms(found.iter().map(|(e, sd)| e / sd));
        println!(
            "120 fps, 1 px: error rms {:.4} ms, worst {:.4} ms, stated sd {:.4} ms, error/sd rms {z:.2}",
            rms(found.iter().map(|f| f.0)) * 1e3,
            worst * 1e3,
            found[0].1 * 1e3
        );
        assert!(worst < 0.5e-3);
        assert!((0.2..1.7).contains(&z), "{z}");
    }

    #[test]
    fn other_frame_rates_either_way_round_do_as_well() {
        for (rates_hz, bound) in [([240.0, 60.0], 0.5e-3), ([60.0, 240.0], 0.5e-3), ([30.0, 30.0], 1.5e-3)] {
            let (error, sd) = error(&refined(&Setting { rates_hz, ..USUAL }, 5));
            println!("{rates_hz:?} fps: error {:.4} ms, sd {:.4} ms", error * 1e3, sd * 1e3);
            assert!(error.abs() < bound && error.abs() < 3.0 * sd);
        }
    }

    #[test]
    fn a_turned_camera_is_not_taken_for_time() {
        // 0.1 degree is 2.6 px here.
        let (error, sd) = error(&refined(&Setting { rig_error: 0.1f64.to_radians(), ..USUAL }, 7));
        println!("rig turned by 0.1 degree: error {:.4} ms, sd {:.4} ms", error * 1e3, sd * 1e3);
        assert!(error.abs() < 1e-3);
    }

    #[test]
    fn the_rate_stays_and_its_doubt_grows_away_from_the_motion() {
        let clock = &refined(&USUAL, 1).cameras[1];
        assert!((clock.rate - RATE).abs() < 1e-15 && (clock.covariance[1][1] - 4e-12).abs() < 1e-20);
        assert!(clock.sd_seconds(1000.0) > 1.9e-3 && clock.sd_seconds(3.0) < 0.5e-3);
        assert_eq!(clock.estimates.len(), 1);
    }

    #[test]
    fn a_clear_disagreement_is_decided_by_motion_and_told() {
        let clock = refined(&Setting { sound_error_seconds: 0.052, ..USUAL }, 2);
        println!("{}", clock.remarks[0]);
        assert!(clock.remarks[0].contains("disagree") && clock.cameras[1].source == ClockSource::Motion);
        assert!(error(&clock).0.abs() < 0.5e-3);
    }

    #[test]
    fn an_offset_outside_the_range_is_not_invented() {
        let clock = refined(&Setting { sound_error_seconds: 0.2, ..USUAL }, 2);
        println!("{}", clock.remarks[0]);
        // Whatever local minimum there is, it must not pass for a clear one.
        assert_eq!(clock.cameras[1].source, ClockSource::Sound, "{:?}", clock.remarks);
    }

    #[test]
    fn without_usable_points_the_sound_stays() {
        let clock = sound_clock(0.0);
        let camera = camera(0.0, -7.0, [1920, 1080], ReadOut::default());
        let (lenses, poses) = ((lens("a", &camera), lens("b", &camera)), (pose("a", &camera), pose("b", &camera)));
        let cameras = [(&lenses.0, &poses.0, ReadOut::default()), (&lenses.1, &poses.1, ReadOut::default())];
        let kept = refine_by_motion(&clock, &cameras, &[]).unwrap();
        assert_eq!(kept.cameras, clock.cameras);
        assert!(kept.remarks[0].contains("keypoints"));
        let error = refine_by_motion(&clock, &cameras[..1], &[]).unwrap_err();
        assert!(matches!(error, ClockError::NotCalibrated { camera } if camera == "b"));
    }
}
