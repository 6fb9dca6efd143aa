//! Covariance of 3D points over the zone, to first order.
//!
//! As in triangulation, a point moves by `δX = G δp`, `G = (Jᵀ W J)⁻¹ Jᵀ W`, where `δp` is how far its projections are off
//! and `W` holds the pixel noise alone: what else goes wrong is not known to the estimate. The parts of `δp`:
//!
//! - pixels: noise of the keypoint, the same in every picture;
//! - blur: the keypoint lies anywhere on the streak that the point draws during the exposure, `speed · shutter / √12` along
//!   it. A worst case: a keypoint that is always set to the streak's middle has no such error;
//! - between frames: the cubic that bridges frames at different instants cuts the point's circular path; exact for a
//!   circle, mean over all phases, taken as alike in all directions;
//! - clocks and read-out: time error times speed along the path, the read-out's by the share of the picture read before;
//! - poses and lenses: see `calibration`.
//!
//! For two phones that look at the point from the same range `Z` at the angle `θ` to each other, pixel noise `σ` at focal
//! length `f` gives `Zσ/(f√2 cos θ/2)` across, `Zσ/(f√2 sin θ/2)` in depth and `Zσ/(f√2)` upward.

use midline_geometry::{Camera, ReadOut};
use midline_session::court::Court;
use nalgebra::{DMatrix, Matrix2, Matrix3, Matrix3xX, Point3, Unit, Vector2, Vector3};
use serde::Serialize;

use super::PlanError;
use super::calibration::{ExpectedCalibration, LENS_PARAMETERS, expected};
use super::coverage::{PhoneView, in_two, phone_views, sees};
use super::file::{Phone, Plan};
use super::place::{Stand, posted};

/// Points of the zone along each axis for which errors are predicted.
const POINTS: usize = 3;

/// Names of the parts of [`ErrorForecast::parts_m2`], in order.
pub const PART_NAMES: [&str; 7] = ["pixels", "blur", "between frames", "clocks", "read-out", "poses", "lenses"];

/// What is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// A joint of the body.
    Body,
    /// The racket tip.
    Racket,
}

/// Covariance of one 3D point.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ErrorForecast {
    /// From everything together, m².
    pub covariance_m2: Matrix3<f64>,
    /// The same by origin, in the order of [`PART_NAMES`].
    pub parts_m2: [Matrix3<f64>; 7],
}

/// One point of the zone.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PointForecast {
    /// Where, m.
    pub position_m: Point3<f64>,
    /// Phones that see it.
    pub phones: usize,
    /// A body joint there; `None` when fewer than two phones see it.
    pub body: Option<ErrorForecast>,
    /// The racket tip there.
    pub racket: Option<ErrorForecast>,
}

/// Standard deviations over the zone: root mean square over the points that two phones see, m.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Summary {
    /// Along the court's x, y and z axes.
    pub axes_m: [f64; 3],
    /// Along the horizontal line from between the phones to the zone.
    pub depth_m: f64,
    /// Root of the trace: length of the error.
    pub total_m: f64,
    /// Share of each part in the variance, in the order of [`PART_NAMES`].
    pub part_shares: [f64; 7],
}

/// What a stand is worth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Forecast {
    /// The points, from low to high, from the baseline to the net, from left to right (x fastest).
    pub points: Vec<PointForecast>,
    /// Body joints.
    pub body: Summary,
    /// The racket tip.
    pub racket: Summary,
    /// What each phone sees.
    pub phones: Vec<PhoneView>,
    /// Share (0 to 1) of the zone that two phones see.
    pub zone_share: f64,
    /// Share of the bounce area that two phones see.
    pub bounce_share: f64,
}

/// What the phones in these places are worth.
///
/// # Errors
/// [`PlanError::NothingSeen`] when no point of the zone is in two pictures.
pub fn forecast(plan: &Plan, stand: &Stand) -> Result<Forecast, PlanError> {
    let court = plan
        .court_model()
        .ok_or_else(|| PlanError::Malformed { line: None, reason: format!("no court model \"{}\"", plan.court) })?;
    let cameras = posted(plan, stand);
    let points = point_forecasts(plan, &court, &cameras);
    let depth = depth_direction(plan, &cameras);
    let summary = |kind| summary(&points, kind, &depth).ok_or(PlanError::NothingSeen);
    let (body, racket) = (summary(Kind::Body)?, summary(Kind::Racket)?);
    let [zone_share, bounce_share] = in_two(plan, &cameras);
    Ok(Forecast { body, racket, phones: phone_views(plan, &court, &cameras), zone_share, bounce_share, points })
}

pub(crate) fn point_forecasts(plan: &Plan, court: &Court, cameras: &[Camera]) -> Vec<PointForecast> {
    let calibration = expected(plan, court, cameras);
    let predict = |position_m: Point3<f64>| {
        let seen: Vec<usize> = (0..cameras.len()).filter(|&c| sees(&cameras[c], &position_m)).collect();
        let of = |kind| error_at(plan, cameras, &calibration, &seen, &position_m, kind);
        PointForecast { position_m, phones: seen.len(), body: of(Kind::Body), racket: of(Kind::Racket) }
    };
    plan.zone.grid(POINTS).into_iter().map(predict).collect()
}

/// Speed, radius and keypoint noise of what moves.
fn moving(plan: &Plan, kind: Kind) -> (Vector3<f64>, f64, f64) {
    let racket = plan.racket_velocity();
    match kind {
        Kind::Racket => (racket, plan.motion.racket_radius_m, plan.accuracy.racket_px),
        Kind::Body => {
            let direction = racket.try_normalize(1e-9).unwrap_or_else(Vector3::y);
            (direction * plan.motion.body_mps, plan.motion.body_radius_m, plan.accuracy.body_px)
        }
    }
}

/// Root mean square distance between a point on a circle and the cubic through four of its frames, over the span between
/// the middle two, m.
fn between_frames_m(speed_mps: f64, radius_m: f64, frame_seconds: f64) -> f64 {
    const PHASES: usize = 16;
    let turn = speed_mps / radius_m * frame_seconds;
    let nodes = [-1.0, 0.0, 1.0, 2.0];
    let squared = |at: f64| {
        let weight =
            |j: usize| -> f64 { (0..4).filter(|&k| k != j).map(|k| (at - nodes[k]) / (nodes[j] - nodes[k])).product() };
        let place = |t: f64| Vector2::new((turn * t).cos(), (turn * t).sin());
        let bridged: Vector2<f64> = (0..4).map(|j| place(nodes[j]) * weight(j)).sum();
        (bridged - place(at)).norm_squared()
    };
    let mean = (0..PHASES).map(|i| squared((i as f64 + 0.5) / PHASES as f64)).sum::<f64>() / PHASES as f64;
    radius_m * mean.sqrt()
}

fn error_at(
    plan: &Plan,
    cameras: &[Camera],
    calibration: &ExpectedCalibration,
    seen: &[usize],
    point: &Point3<f64>,
    kind: Kind,
) -> Option<ErrorForecast> {
    let (velocity, radius_m, sd_px) = moving(plan, kind);
    let by: Vec<_> = seen.iter().map(|&c| cameras[c].project_with_jacobians(point)).collect::<Option<_>>()?;
    let normal: Matrix3<f64> = by.iter().map(|b| b.by_point.transpose() * b.by_point).sum::<Matrix3<f64>>();
    let inverse = normal.try_inverse().filter(|_| seen.len() >= 2)?;
    let rows = 2 * seen.len();
    let mut gain = Matrix3xX::zeros(rows);
    let mut off: [DMatrix<f64>; 4] = std::array::from_fn(|_| DMatrix::zeros(rows, rows));
    let mut by_poses = DMatrix::zeros(rows, 6 * cameras.len());
    let mut by_lenses = DMatrix::zeros(rows, LENS_PARAMETERS * cameras.len());
    for (index, (&camera, by)) in seen.iter().zip(&by).enumerate() {
        let row = 2 * index;
        gain.fixed_columns_mut::<2>(row).copy_from(&(inverse * by.by_point.transpose()));
        by_poses.fixed_view_mut::<2, 6>(row, 6 * camera).copy_from(&by.by_pose);
        by_lenses.view_mut((row, LENS_PARAMETERS * camera), (2, LENS_PARAMETERS)).copy_from(&by.by_intrinsics);
        let phone = &plan.phones[camera];
        let along = by.by_point * velocity;
        let [streak, clock, read_out] = time_errors_seconds(plan, phone, &cameras[camera], camera, by.px);
        let path_m = between_frames_m(velocity.norm(), radius_m, 1.0 / phone.frames_per_second);
        let parts: [Matrix2<f64>; 4] = [
            along * along.transpose() * streak.powi(2),
            by.by_point * by.by_point.transpose() * (path_m.powi(2) / 3.0),
            along * along.transpose() * clock.powi(2),
            along * along.transpose() * read_out.powi(2),
        ];
        for (off, part) in off.iter_mut().zip(parts) {
            off.fixed_view_mut::<2, 2>(row, row).copy_from(&part);
        }
    }
    let carry = |part: &DMatrix<f64>| -> Matrix3<f64> { &gain * part * gain.transpose() };
    let with_poses = by_lenses + &by_poses * &calibration.poses_by_lenses;
    let poses = &by_poses * &calibration.poses * by_poses.transpose();
    let lenses = &with_poses * DMatrix::from_diagonal(&calibration.lenses) * with_poses.transpose();
    let [blur, between, clocks, read_out] = &off;
    let parts_m2 = [
        inverse * sd_px.powi(2),
        carry(blur),
        carry(between),
        carry(clocks),
        carry(read_out),
        carry(&poses),
        carry(&lenses),
    ];
    Some(ErrorForecast { covariance_m2: parts_m2.iter().sum(), parts_m2 })
}

/// Standard deviation of the instant at which a phone sees a pixel, from blur, clock and read-out, s.
fn time_errors_seconds(plan: &Plan, phone: &Phone, camera: &Camera, index: usize, px: Vector2<f64>) -> [f64; 3] {
    let whole = ReadOut { seconds: 1.0, ..camera.read_out };
    let share = whole.delay_seconds(px, camera.intrinsics.size_px);
    [
        phone.shutter_seconds / 12f64.sqrt(),
        if index == 0 { 0.0 } else { plan.accuracy.clock_seconds },
        phone.readout_sd_seconds * share.abs(),
    ]
}

fn depth_direction(plan: &Plan, cameras: &[Camera]) -> Vector3<f64> {
    let sum: Vector3<f64> = cameras.iter().map(|c| c.centre_world().coords).sum();
    let sight = plan.zone.centre().coords - sum / cameras.len().max(1) as f64;
    Unit::try_new(Vector3::new(sight.x, sight.y, 0.0), 1e-6).map_or_else(Vector3::y, Unit::into_inner)
}

fn summary(points: &[PointForecast], kind: Kind, depth: &Vector3<f64>) -> Option<Summary> {
    let errors: Vec<&ErrorForecast> = points.iter().filter_map(|point| point.of(kind)).collect();
    if errors.is_empty() {
        return None;
    }
    let mean = |of: &dyn Fn(&ErrorForecast) -> Matrix3<f64>| {
        errors.iter().map(|e| of(e)).sum::<Matrix3<f64>>() / errors.len() as f64
    };
    let all = mean(&|e| e.covariance_m2);
    Some(Summary {
        axes_m: std::array::from_fn(|axis| all[(axis, axis)].max(0.0).sqrt()),
        depth_m: (depth.transpose() * all * depth).x.max(0.0).sqrt(),
        total_m: all.trace().sqrt(),
        part_shares: std::array::from_fn(|part| mean(&|e| e.parts_m2[part]).trace() / all.trace()),
    })
}

impl PointForecast {
    /// The error of what is measured.
    #[must_use]
    pub fn of(&self, kind: Kind) -> Option<&ErrorForecast> {
        match kind {
            Kind::Body => self.body.as_ref(),
            Kind::Racket => self.racket.as_ref(),
        }
    }
}

impl Forecast {
    /// The summary of what is measured.
    #[must_use]
    pub fn of(&self, kind: Kind) -> &Summary {
        match kind {
            Kind::Body => &self.body,
            Kind::Racket => &self.racket,
        }
    }
}
