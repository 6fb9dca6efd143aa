//! The course of a racket or ball through few sights, and where every frame of every camera would see it.
//!
//! Made for marking by hand: some frames are marked, some more are carried by optical flow, with known standard deviations; the
//! course between them is the smoothest one (see `fit.rs`), the racket a rigid line, and its covariance says how large the
//! circle is in which to look. Nothing is carried across a break (contact, bounce).

use midline_session::calibration::CalibratedCamera;
use nalgebra::{DMatrix, Matrix2, Matrix2x3, UnitQuaternion, Vector2, Vector3};

use super::chain_course::{ChainCourse, ChainState};
use super::course::{Basis, Course};
use super::fit::{Fitted, settle_with_known_noise};
use super::observations::Observation;
use super::rigid_course::{RigidCourse, RigidState};
use super::roughness::ROUGHER_POINT;
use super::section::breaks as spline_breaks;
use super::start::{Places, coefficients, rotations};
use super::stroke_motion::RACKET_DISTANCES;
use crate::point::{View, triangulate};

/// Views may be this far apart in time to give a place where the fit starts, seconds.
const LONGEST_BRIDGE_SECONDS: f64 = 0.4;

/// Standard deviation of a pixel for the places where a fit starts, px: they only have to be near.
const START_SD_PX: f64 = 4.0;

/// Repetitions until the row is found that sees a moving point; each shrinks the error by speed × read-out, far below 1.
const MOST_ROW_STEPS: usize = 40;

/// What is looked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Thing {
    /// A rigid line with three landmarks: butt (0), throat (1), tip (2). Metric worlds only.
    Racket,
    /// One landmark (0).
    Ball,
}

impl Thing {
    fn landmarks(self) -> usize {
        match self {
            Self::Racket => 3,
            Self::Ball => 1,
        }
    }
}

/// One landmark in one frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sight {
    /// Index of the camera in the list that is given along.
    pub camera: usize,
    /// Landmark of the [`Thing`].
    pub landmark: usize,
    /// Presentation time of the frame, seconds.
    pub frame_pts_seconds: f64,
    /// Where it is seen, px.
    pub px: [f64; 2],
    /// Standard deviation of each coordinate, px.
    pub sd_px: f64,
}

/// Where a frame would see a landmark.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Predicted {
    /// The pixel.
    pub px: [f64; 2],
    /// Its covariance, px², from the sights' noise and the course's freedom between them.
    pub covariance_px2: [[f64; 2]; 2],
    /// Velocity in the picture, px per second of session time.
    pub velocity_px_per_second: [f64; 2],
    /// Session time at which its row sees it, seconds.
    pub session_seconds: f64,
    /// Position in the world, metres.
    pub position_m: [f64; 3],
}

impl Predicted {
    /// Standard deviation in the worse direction, px.
    #[must_use]
    pub fn sd_px(&self) -> f64 {
        let [[a, b], [_, c]] = self.covariance_px2;
        (0.5 * (a + c + ((a - c).powi(2) + 4.0 * b * b).sqrt())).max(0.0).sqrt()
    }
}

enum Piece {
    Racket(RigidCourse, Fitted<RigidState>),
    Ball(ChainCourse, Fitted<ChainState>),
}

/// A fitted course: one piece between two breaks each; pieces without enough sights are left out.
pub struct SightCourse {
    pieces: Vec<([f64; 2], Piece)>,
    /// Of every sight, whether the course passes far from it.
    far_off: Vec<bool>,
}

impl SightCourse {
    /// The course over `range_seconds` of session time, broken at `breaks_seconds`. Pieces need sights of three different times
    /// or more from two cameras; what cannot be determined is left out.
    #[must_use]
    pub fn through(
        cameras: &[CalibratedCamera],
        thing: Thing,
        sights: &[Sight],
        range_seconds: [f64; 2],
        breaks_seconds: &[f64],
    ) -> Self {
        let mut edges: Vec<f64> =
            breaks_seconds.iter().copied().filter(|t| range_seconds[0] < *t && *t < range_seconds[1]).collect();
        edges.insert(0, range_seconds[0]);
        edges.push(range_seconds[1]);
        edges.sort_by(f64::total_cmp);
        edges.dedup_by(|a, b| (*a - *b).abs() < 1e-3);
        let seen: Vec<(f64, Sight)> = sights
            .iter()
            .filter_map(|s| {
                let camera = cameras.get(s.camera)?;
                let good = s.landmark < thing.landmarks() && s.sd_px > 0.0 && s.px.iter().all(|v| v.is_finite());
                good.then(|| (camera.seen_at_seconds(s.frame_pts_seconds, s.px), *s))
            })
            .collect();
        let mut pieces = Vec::new();
        let mut far_off = vec![false; sights.len()];
        for pair in edges.windows(2) {
            let range = [pair[0], pair[1]];
            let mut own: Vec<(f64, Sight)> =
                seen.iter().copied().filter(|(t, _)| range[0] <= *t && *t <= range[1]).collect();
            own.sort_by(|a, b| a.0.total_cmp(&b.0));
            // Dense knots stand on the side of the break, where things are fast.
            let fast = if breaks_seconds.iter().any(|b| (b - range[1]).abs() < 1e-3) { range[1] } else { range[0] };
            if let Some((piece, mistaken)) = fitted(cameras, thing, &own, range, fast) {
                for ((_, sight), _) in own.iter().zip(mistaken).filter(|(_, far)| *far) {
                    for (mark, _) in far_off.iter_mut().zip(sights).filter(|(_, s)| *s == sight) {
                        *mark = true;
                    }
                }
                pieces.push((range, piece));
            }
        }
        Self { pieces, far_off }
    }

    /// Whether nothing could be determined.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.pieces.is_empty()
    }

    /// Of every sight given, whether the course passes so far from it that it is mistaken or the course is.
    #[must_use]
    pub fn far_off(&self) -> &[bool] {
        &self.far_off
    }

    /// Where a frame of a camera sees a landmark; `None` outside the pieces and behind the camera.
    #[must_use]
    pub fn seen_by(&self, camera: &CalibratedCamera, frame_pts_seconds: f64, landmark: usize) -> Option<Predicted> {
        let first_row = camera.clock.session_seconds(frame_pts_seconds);
        let mut seconds = first_row + 0.5 * camera.camera.read_out.seconds;
        let mut px = Vector2::zeros();
        for _ in 0..MOST_ROW_STEPS {
            let place = self.piece(seconds)?.place(landmark, seconds);
            let now = camera.camera.project(&place.into())?;
            let moved = (now - px).norm();
            px = now;
            seconds = camera.seen_at_seconds(frame_pts_seconds, px.into());
            if moved < 1e-3 {
                break;
            }
        }
        let piece = self.piece(seconds)?;
        let (place, velocity) = (piece.place(landmark, seconds), piece.velocity(landmark, seconds));
        let (px, by_point) = camera.camera.project_with_point_jacobian(&place.into())?;
        let covariance = piece.covariance_px2(landmark, seconds, &by_point)?;
        let speed = by_point * velocity;
        Some(Predicted {
            px: px.into(),
            covariance_px2: [[covariance.m11, covariance.m12], [covariance.m21, covariance.m22]],
            velocity_px_per_second: speed.into(),
            session_seconds: seconds,
            position_m: place.into(),
        })
    }

    /// Position (m) and velocity (m/s) of a landmark at an instant of the session clock; `None` outside the pieces.
    #[must_use]
    pub fn moving_at(&self, landmark: usize, seconds: f64) -> Option<([f64; 3], [f64; 3])> {
        let piece = self.piece(seconds)?;
        Some((piece.place(landmark, seconds).into(), piece.velocity(landmark, seconds).into()))
    }

    fn piece(&self, seconds: f64) -> Option<&Piece> {
        self.pieces.iter().find(|(range, _)| range[0] <= seconds && seconds <= range[1]).map(|(_, piece)| piece)
    }
}

impl Piece {
    fn place(&self, landmark: usize, seconds: f64) -> Vector3<f64> {
        match self {
            Self::Racket(course, fit) => course.place(&fit.state, landmark, &course.basis().at(seconds)),
            Self::Ball(course, fit) => course.place(&fit.state, landmark, &course.basis().at(seconds)),
        }
    }

    fn velocity(&self, landmark: usize, seconds: f64) -> Vector3<f64> {
        let motion = match self {
            Self::Racket(course, fit) => course.motion(&fit.state, landmark, &course.basis().at(seconds)).0,
            Self::Ball(course, fit) => course.motion(&fit.state, landmark, &course.basis().at(seconds)).0,
        };
        motion.fixed_rows::<3>(3).into_owned()
    }

    fn covariance_px2(&self, landmark: usize, seconds: f64, by_point: &Matrix2x3<f64>) -> Option<Matrix2<f64>> {
        fn of<C: Course>(
            course: &C,
            fit: &Fitted<C::State>,
            landmark: usize,
            seconds: f64,
            by_point: &Matrix2x3<f64>,
        ) -> Option<Matrix2<f64>> {
            let at = course.basis().at(seconds);
            let columns = course.columns_of(landmark, &at);
            let mut jacobian = DMatrix::zeros(2, columns.len());
            course.pull(&fit.state, landmark, &at, by_point, &mut jacobian);
            let covariance = &jacobian * fit.covariance.of(&columns)? * jacobian.transpose();
            Some(covariance.fixed_view::<2, 2>(0, 0).into_owned())
        }
        match self {
            Self::Racket(course, fit) => of(course, fit, landmark, seconds, by_point),
            Self::Ball(course, fit) => of(course, fit, landmark, seconds, by_point),
        }
    }
}

/// The fit of one piece and which of its sights it passes far from.
fn fitted(
    cameras: &[CalibratedCamera],
    thing: Thing,
    sights: &[(f64, Sight)],
    range: [f64; 2],
    fast: f64,
) -> Option<(Piece, Vec<bool>)> {
    let frame_seconds = frame_seconds(sights);
    let basis = Basis::clamped(&spline_breaks(range, fast, frame_seconds))?;
    let observations: Vec<Observation> = sights
        .iter()
        .map(|(seconds, s)| Observation {
            camera: &cameras[s.camera].camera,
            rig_index: s.camera,
            landmark: s.landmark,
            seconds: *seconds,
            camera_seconds: s.frame_pts_seconds,
            px: s.px.into(),
            sd_px: s.sd_px,
            at: basis.at(*seconds),
        })
        .collect();
    match thing {
        Thing::Ball => {
            let places = places(cameras, sights, 0)?;
            let start = ChainState { lengths_m: Vec::new(), coefficients: vec![coefficients(&basis, &places)] };
            let course = ChainCourse::new(basis, fast, 1, Vec::new());
            let fit = settle_with_known_noise(&course, &observations, 1, start).ok()?;
            let mistaken = fit.mistaken.clone();
            Some((Piece::Ball(course, fit), mistaken))
        }
        Thing::Racket => {
            // The line starts through the two landmarks that are farthest apart of those seen from two places.
            let tip = places(cameras, sights, 2)?;
            let (inner, along_m) = match places(cameras, sights, 0) {
                Some(butt) => (butt, 0.0),
                None => (places(cameras, sights, 1)?, RACKET_DISTANCES[1].nominal_m),
            };
            let rotations = rotations(&basis, &inner, &tip);
            let back =
                |(place, rotation): (Vector3<f64>, &UnitQuaternion<f64>)| place - rotation * Vector3::x() * along_m;
            let start = RigidState {
                distances_m: RACKET_DISTANCES.iter().skip(1).map(|d| d.nominal_m).collect(),
                positions: coefficients(&basis, &inner).into_iter().zip(&rotations).map(back).collect(),
                rotations,
            };
            let distances = RACKET_DISTANCES.iter().skip(1).copied().collect();
            let course = RigidCourse::new(basis, fast, ROUGHER_POINT, distances, *start.rotations.first()?);
            let fit = settle_with_known_noise(&course, &observations, thing.landmarks(), start).ok()?;
            let mistaken = fit.mistaken.clone();
            Some((Piece::Racket(course, fit), mistaken))
        }
    }
}

/// Shortest distance of two sights of one camera and landmark, seconds, as the distance of frames.
fn frame_seconds(sights: &[(f64, Sight)]) -> f64 {
    let mut shortest = f64::INFINITY;
    for (index, (_, a)) in sights.iter().enumerate() {
        let next = sights[index + 1..].iter().find(|(_, b)| (b.camera, b.landmark) == (a.camera, a.landmark));
        if let Some((_, b)) = next {
            shortest = shortest.min((b.frame_pts_seconds - a.frame_pts_seconds).abs());
        }
    }
    if shortest.is_finite() && shortest > 0.0 { shortest } else { 1.0 / 60.0 }
}

/// Rough places of a landmark wherever one camera saw it and another saw it before and after, or nearly then.
fn places(cameras: &[CalibratedCamera], sights: &[(f64, Sight)], landmark: usize) -> Option<Places> {
    let mut found = Vec::new();
    for (seconds, sight) in sights.iter().filter(|(_, s)| s.landmark == landmark) {
        let mut views = vec![View { camera: &cameras[sight.camera].camera, px: sight.px.into(), sd_px: START_SD_PX }];
        for (index, other) in cameras.iter().enumerate().filter(|(i, _)| *i != sight.camera) {
            if let Some(px) = between(sights, index, landmark, *seconds) {
                views.push(View { camera: &other.camera, px, sd_px: START_SD_PX });
            }
        }
        if let Ok(point) = triangulate(&views) {
            found.push((*seconds, point.position.coords));
        }
    }
    found.dedup_by(|a, b| a.0 - b.0 < 1e-6);
    Places::of(found)
}

/// A camera's pixel of a landmark at an instant, on the line between the sights before and after.
fn between(sights: &[(f64, Sight)], camera: usize, landmark: usize, seconds: f64) -> Option<Vector2<f64>> {
    let mut own = sights.iter().filter(|(_, s)| s.camera == camera && s.landmark == landmark);
    let before = own.clone().rfind(|(t, _)| *t <= seconds);
    let after = own.find(|(t, _)| *t >= seconds);
    let near = |(t, s): &(f64, Sight), reach: f64| ((t - seconds).abs() <= reach).then_some(Vector2::from(s.px));
    match (before, after) {
        (Some(a), Some(b)) if b.0 - a.0 <= LONGEST_BRIDGE_SECONDS => {
            let share = if b.0 > a.0 { (seconds - a.0) / (b.0 - a.0) } else { 0.0 };
            Some(Vector2::from(a.1.px).lerp(&Vector2::from(b.1.px), share))
        }
        (Some(a), Some(b)) => near(a, 0.02).or_else(|| near(b, 0.02)),
        (Some(a), None) => near(a, 0.02),
        (None, Some(b)) => near(b, 0.02),
        (None, None) => None,
    }
}

#[cfg(test)]
mod tests {
    use rand::{SeedableRng, rngs::StdRng};
    use rand_distr::{Distribution, StandardNormal};

    use super::super::simulated::{CONTACT, Filming, film};
    use super::*;

    /// Marks of every `every`-th frame, at the truth plus noise; the made-up swing is that of the other tests.
    fn marked(every: usize, noise_px: f64, seed: u64) -> (Vec<CalibratedCamera>, Vec<Sight>, Vec<Sight>) {
        let filmed = film(&Filming { noise_px: 0.0, ..Filming::default() });
        let mut random = StdRng::seed_from_u64(seed);
        let (mut truth, mut marks) = (Vec::new(), Vec::new());
        for (camera, keypoints) in filmed.keypoints.iter().enumerate() {
            for (number, frame) in keypoints.frames.iter().enumerate() {
                for landmark in 0..3 {
                    let px = frame.points[landmark].unwrap().px;
                    let sight = Sight { camera, landmark, frame_pts_seconds: frame.pts_seconds, px, sd_px: 1.0 };
                    truth.push(sight);
                    if number % every == 3 * camera {
                        let mut noise =
                            || -> f64 { noise_px * Distribution::<f64>::sample(&StandardNormal, &mut random) };
                        marks.push(Sight { px: [px[0] + noise(), px[1] + noise()], sd_px: noise_px.max(0.3), ..sight });
                    }
                }
            }
        }
        (filmed.cameras, truth, marks)
    }

    fn course(cameras: &[CalibratedCamera], marks: &[Sight]) -> SightCourse {
        SightCourse::through(cameras, Thing::Racket, marks, [0.0, 1.9], &[CONTACT])
    }

    #[test]
    fn the_rings_hold_what_they_say_between_sparse_marks() {
        let (mut within, mut all, mut squares) = (0_u32, 0_u32, 0.0);
        for seed in 0..6 {
            let (cameras, truth, marks) = marked(12, 1.0, seed);
            let course = course(&cameras, &marks);
            for sight in truth.iter().filter(|s| s.landmark == 2) {
                let Some(seen) = course.seen_by(&cameras[sight.camera], sight.frame_pts_seconds, 2) else { continue };
                if !(0.1..1.8).contains(&seen.session_seconds) {
                    continue;
                }
                let off = Vector2::from(seen.px) - Vector2::from(sight.px);
                let [[a, b], [c, d]] = seen.covariance_px2;
                let deviate = off.dot(&(Matrix2::new(a, b, c, d).try_inverse().unwrap() * off));
                all += 1;
                within += u32::from(deviate < 5.991); // 95 % of chi squared with two degrees of freedom
                squares += off.norm_squared();
            }
        }
        let share = f64::from(within) / f64::from(all);
        println!(
            "{all} frames: rms {:.2} px, {:.1} % in the 95 % ring",
            (squares / f64::from(all)).sqrt(),
            share * 100.0
        );
        assert!(share > 0.85, "{share}");
    }

    #[test]
    fn dense_exact_sights_are_passed_and_a_mistaken_one_is_named() {
        let (cameras, truth, mut marks) = marked(4, 0.3, 1);
        marks[40].px[0] += 60.0;
        let course = course(&cameras, &marks);
        let far: Vec<usize> = (0..marks.len()).filter(|i| course.far_off()[*i]).collect();
        assert_eq!(far, [40]);
        let mut worst: f64 = 0.0;
        for sight in truth.iter().filter(|s| s.landmark == 2) {
            let Some(seen) = course.seen_by(&cameras[sight.camera], sight.frame_pts_seconds, 2) else { continue };
            if (0.1..1.8).contains(&seen.session_seconds) && (seen.session_seconds - CONTACT).abs() > 0.01 {
                worst = worst.max((Vector2::from(seen.px) - Vector2::from(sight.px)).norm());
            }
        }
        println!("worst {worst:.2} px");
        assert!(worst < 6.0, "{worst}");
    }

    #[test]
    fn too_little_is_no_course() {
        let (cameras, _, marks) = marked(12, 1.0, 1);
        assert!(course(&cameras, &[]).is_empty());
        let one_camera: Vec<Sight> = marks.iter().copied().filter(|s| s.camera == 0).collect();
        assert!(course(&cameras, &one_camera).is_empty());
        let odd = Sight { camera: 9, landmark: 7, px: [f64::NAN, 0.0], ..marks[0] };
        assert!(course(&cameras, &[odd]).is_empty());
    }
}
