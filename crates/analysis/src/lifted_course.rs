//! A point's course on the stroke's grid from the lift in continuous time, which saw every row of every frame and knows the racket as
//! rigid and the limbs' lengths as constant.
//!
//! The lift states the covariances of position and velocity at each instant. A draw of what the course may be off by must be smooth in
//! time besides, or instants and peaks would be drawn too far apart: it is a Gaussian process whose covariances at each instant are
//! those stated, and whose pace is what they say together, the velocity's spread over the position's. What poses, lenses and clocks add
//! is one shift per draw, the same for all points.
//!
//! Toward contact the lift lets every point roughen, which is right for what the ball stops and too much for trunk and legs: there their
//! samples' own smooth curve takes over. On the demo the lift's course alone was 6° off in the shoulders' alignment at contact, the curve 2°.

use midline_session::description::Handedness;
use midline_session::motion::{ContactSide, Estimate3d, PointMotion, SdParts, StrokeMotion};
use midline_signal::normal_quantile;
use nalgebra::{Matrix3, Vector3};
use rand::Rng;

use crate::grid::Grid;
use crate::smoothing::{State, normal_vector};
use crate::spots::Spot;

/// Waves that a draw is made of, on each side of contact.
const WAVES: usize = 24;

/// The lift's course of trunk and legs does not count nearer to contact than this, and wholly from so much farther on, seconds.
const NOT_AT_CONTACT_SECONDS: f64 = 0.03;
const CHANGE_OVER_SECONDS: f64 = 0.03;

/// A motion belongs to a contact no farther from its own than this, seconds.
const SAME_CONTACT_SECONDS: f64 = 0.010;

/// The motion of this contact.
pub(crate) fn motion_of(motions: &[StrokeMotion], contact_seconds: f64) -> Option<&StrokeMotion> {
    motions.iter().find(|motion| (motion.contact_seconds - contact_seconds).abs() < SAME_CONTACT_SECONDS)
}

/// What is known at one instant.
#[derive(Debug, Clone, Copy)]
struct Instant {
    state: State,
    /// Lower Cholesky factors of the covariances, metres and m/s.
    roots: [Matrix3<f64>; 2],
    /// Parts of the standard deviations that come from pixels, and from the calibration; their squares add up to 1.
    parts: [[f64; 2]; 2],
    /// Cosine and sine of each wave here.
    waves: [[f64; 2]; WAVES],
}

/// The course of one point.
#[derive(Debug, Clone)]
pub(crate) struct LiftedCourse {
    /// First instant of the side after contact.
    after: usize,
    instants: Vec<Option<Instant>>,
    spot: Spot,
    /// 0 at contact, 1 away from it.
    away: Vec<f64>,
    frequencies: [f64; WAVES],
    /// Acceleration just before contact, m/s².
    acceleration_at_contact: Option<Vector3<f64>>,
}

/// Standard normal numbers of one draw that all points share.
#[derive(Debug, Clone, Copy)]
pub(crate) struct CalibrationDraw(Vector3<f64>);

impl CalibrationDraw {
    pub(crate) fn new(random: &mut impl Rng) -> Self {
        Self(normal_vector(random))
    }
}

fn root(estimate: &Estimate3d) -> Option<Matrix3<f64>> {
    Some(Matrix3::from(estimate.covariance).cholesky()?.l())
}

fn parts(parts: &SdParts) -> [f64; 2] {
    let calibration = parts.poses.powi(2) + parts.lenses.powi(2) + parts.clocks.powi(2);
    let share = parts.pixels.powi(2) / (parts.pixels.powi(2) + calibration).max(f64::MIN_POSITIVE);
    [share.sqrt(), (1.0 - share).max(0.0).sqrt()]
}

impl Instant {
    fn new(motion: &PointMotion) -> Option<Self> {
        let state = State { position: motion.position_m.value.into(), velocity: motion.velocity_m_s.value.into() };
        let roots = [root(&motion.position_m)?, root(&motion.velocity_m_s)?];
        let parts = [parts(&motion.position_m.sd_parts), parts(&motion.velocity_m_s.sd_parts)];
        Some(Self { state, roots, parts, waves: [[0.0; 2]; WAVES] })
    }

    /// Changes of mind per second.
    fn rate(&self) -> f64 {
        let sd = |kind: usize| self.roots[kind].norm() * self.parts[kind][0];
        sd(1) / sd(0).max(1e-6)
    }
}

impl LiftedCourse {
    /// Of a point in the motion of this contact; `None` when it is not in there.
    pub(crate) fn new(
        motion: &StrokeMotion,
        spot: Spot,
        handedness: Handedness,
        contact_seconds: f64,
        grid: &Grid,
    ) -> Option<Self> {
        let column = motion.column(spot.track_name(handedness))?;
        let mut instants: Vec<Option<Instant>> = (0..grid.len)
            .map(|k| {
                let at = contact_seconds + grid.seconds(k as f64);
                let found = if k <= grid.contact {
                    motion.at(column, at.min(motion.contact_seconds), ContactSide::Before)
                } else {
                    motion.at(column, at.max(motion.contact_seconds), ContactSide::After)
                };
                Instant::new(&found?)
            })
            .collect();
        let after = grid.contact + 1;
        let frequencies = frequencies();
        for side in [0..after, after..grid.len] {
            // Time in units of the process' own, from the start of the side.
            let mut pace = 0.0;
            for instant in instants[side].iter_mut().flatten() {
                pace += instant.rate() * grid.step;
                instant.waves = frequencies.map(|frequency| [(frequency * pace).cos(), (frequency * pace).sin()]);
            }
        }
        let away_at = |k: usize| {
            let past = grid.seconds(k as f64).abs() - NOT_AT_CONTACT_SECONDS;
            (past / CHANGE_OVER_SECONDS).clamp(0.0, 1.0)
        };
        let away = (0..grid.len).map(away_at).collect();
        let at_contact = instants[grid.contact].as_ref().and_then(|_| motion.before.at_contact(column));
        let acceleration_at_contact = at_contact.map(|motion| motion.acceleration_m_s2.value.into());
        let known = instants.iter().any(Option::is_some);
        known.then_some(Self { after, instants, spot, away, frequencies, acceleration_at_contact })
    }

    /// Acceleration just before contact, m/s²; `None` when the lift does not know the point there.
    pub(crate) fn acceleration_at_contact(&self) -> Option<Vector3<f64>> {
        self.acceleration_at_contact
    }

    /// How much it counts against the samples' own course, 0 to 1.
    fn share(&self, k: usize) -> f64 {
        if self.spot.feels_impact() { 1.0 } else { self.away[k] }
    }

    /// What the samples say, and the lift in its place where it counts.
    fn over(&self, own: Vec<Option<State>>, lifted: impl Fn(usize, &Instant) -> State) -> Vec<Option<State>> {
        let with = |(k, own): (usize, Option<State>)| {
            let own = own?;
            let Some(instant) = self.instants.get(k)?.as_ref().filter(|_| self.share(k) > 0.0) else {
                return Some(own);
            };
            let (lifted, share) = (lifted(k, instant), self.share(k));
            Some(State {
                position: own.position.lerp(&lifted.position, share),
                velocity: own.velocity.lerp(&lifted.velocity, share),
            })
        };
        own.into_iter().enumerate().map(with).collect()
    }

    /// The course as estimated, over the samples' own.
    pub(crate) fn measured(&self, own: Vec<Option<State>>) -> Vec<Option<State>> {
        self.over(own, |_, instant| instant.state)
    }

    /// The course smoothed once more, taken to change as the samples' own does; but not at contact for the racket, whose rigid course holds its
    /// samples' end together.
    pub(crate) fn smoothed_again(&self, own: &[Option<State>], again: Vec<Option<State>>) -> Vec<Option<State>> {
        let changes: Vec<Option<State>> = again
            .iter()
            .zip(own)
            .map(|(again, own)| {
                let (again, own) = (again.as_ref()?, own.as_ref()?);
                Some(State { position: again.position - own.position, velocity: again.velocity - own.velocity })
            })
            .collect();
        self.over(again, |k, instant| {
            let share = if self.spot.is_racket() { self.away[k] } else { 1.0 };
            let change = |of: fn(&State) -> Vector3<f64>| changes[k].as_ref().map_or_else(Vector3::zeros, of) * share;
            State {
                position: instant.state.position + change(|s| s.position),
                velocity: instant.state.velocity + change(|s| s.velocity),
            }
        })
    }

    /// A draw of what it may be, over a draw of the samples' own.
    pub(crate) fn drawn(
        &self,
        own: Vec<Option<State>>,
        random: &mut impl Rng,
        calibration: &CalibrationDraw,
    ) -> Vec<Option<State>> {
        let sides = [Waves::new(random), Waves::new(random)];
        self.over(own, |k, instant| {
            let [value, slope] = sides[usize::from(k >= self.after)].at(&self.frequencies, &instant.waves);
            let off = |kind: usize, own: Vector3<f64>| {
                let [pixels, shared] = instant.parts[kind];
                instant.roots[kind] * (own * pixels + calibration.0 * shared)
            };
            State { position: instant.state.position + off(0, value), velocity: instant.state.velocity + off(1, slope) }
        })
    }

    /// Standard deviation of a coordinate of the velocity over that of the samples' own course, m/s.
    pub(crate) fn velocity_sds(&self, own: Vec<Option<f64>>) -> Vec<Option<f64>> {
        let with = |(k, own): (usize, Option<f64>)| {
            let own = own?;
            let lifted = self.instants.get(k)?.as_ref().map_or(own, |i| i.roots[1].norm() / 3.0_f64.sqrt());
            Some(own + self.share(k) * (lifted - own))
        };
        own.into_iter().enumerate().map(with).collect()
    }
}

/// The normal distribution's frequencies in the middle of as many equal parts, their mean square made 1.
fn frequencies() -> [f64; WAVES] {
    let middle = |m: usize| normal_quantile(0.5 + (m as f64 + 0.5) / (2.0 * WAVES as f64)).unwrap_or(1.0);
    let squares: [f64; WAVES] = std::array::from_fn(|m| middle(m).powi(2));
    let mean = squares.iter().sum::<f64>() / WAVES as f64;
    squares.map(|square| (square / mean).sqrt())
}

/// A draw of a smooth process of variance 1 whose slope has variance 1: waves with the frequencies of a squared-exponential covariance
/// (Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, 4.2), one for each of as many equal parts of their distribution.
struct Waves(Vec<[Vector3<f64>; 2]>);

impl Waves {
    fn new(random: &mut impl Rng) -> Self {
        Self((0..WAVES).map(|_| [normal_vector(random), normal_vector(random)]).collect())
    }

    /// Value and slope of the process where the waves have these cosines and sines.
    fn at(&self, frequencies: &[f64; WAVES], waves: &[[f64; 2]; WAVES]) -> [Vector3<f64>; 2] {
        let scale = (1.0 / WAVES as f64).sqrt();
        let mut sums = [Vector3::zeros(); 2];
        for ((frequency, [cos, sin]), [even, odd]) in frequencies.iter().zip(waves).zip(&self.0) {
            sums[0] += even * *cos + odd * *sin;
            sums[1] += (odd * *cos - even * *sin) * *frequency;
        }
        sums.map(|sum| sum * scale)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::GRID;
    use midline_session::motion::SideMotion;
    use rand::SeedableRng;
    use rand::rngs::StdRng;

    const SD_M: f64 = 0.008;
    const SD_M_S: f64 = 0.3;

    /// A point at rest, known as well everywhere.
    fn motion(pixels: f64) -> StrokeMotion {
        let estimate = |sd: f64| Estimate3d {
            value: [0.5, 0.0, 1.0],
            covariance: (Matrix3::identity() * sd * sd).into(),
            sd_parts: SdParts { pixels, poses: (1.0 - pixels * pixels).sqrt(), ..SdParts::default() },
        };
        let point = Some(PointMotion {
            position_m: estimate(SD_M),
            velocity_m_s: estimate(SD_M_S),
            acceleration_m_s2: Estimate3d { value: [0.0, 100.0, 0.0], ..estimate(1.0) },
            bridged: false,
        });
        let side = |from: f64| SideMotion {
            session_seconds: (0..=100).map(|i| from + 0.01 * f64::from(i)).collect(),
            points: vec![vec![point; 2]; 101],
            at_contact: vec![point; 2],
        };
        let names = ["right_hip", "right_wrist"].map(str::to_owned).to_vec();
        StrokeMotion { contact_seconds: 5.0, names, before: side(3.995), after: side(5.005) }
    }

    fn own() -> Vec<Option<State>> {
        vec![Some(State { position: Vector3::zeros(), velocity: Vector3::zeros() }); GRID.len]
    }

    #[test]
    fn draws_have_the_stated_covariances_and_velocities_are_slopes() {
        let course = LiftedCourse::new(&motion(1.0), Spot::DominantWrist, Handedness::Right, 5.0, &GRID).unwrap();
        let mut random = StdRng::seed_from_u64(3);
        let rest = course.measured(own());
        let from = GRID.index(-0.5);
        let (mut squares, mut slopes, mut n) = ([0.0; 2], 0.0, 0.0);
        for _ in 0..400 {
            let calibration = CalibrationDraw::new(&mut random);
            let drawn = course.drawn(own(), &mut random, &calibration);
            let off = |k: usize| {
                let (a, b) = (drawn[k].unwrap(), rest[k].unwrap());
                (a.position - b.position, a.velocity - b.velocity)
            };
            for k in (from..GRID.contact).step_by(7) {
                let (place, velocity) = off(k);
                squares[0] += place.norm_squared() / 3.0;
                squares[1] += velocity.norm_squared() / 3.0;
                let slope = (off(k + 1).0 - off(k - 1).0) / (2.0 * GRID.step);
                slopes += (slope - velocity).norm_squared() / 3.0;
                n += 1.0;
            }
        }
        let [place, velocity] = squares.map(|sum| f64::sqrt(sum / n));
        assert!((place / SD_M - 1.0).abs() < 0.03 && (velocity / SD_M_S - 1.0).abs() < 0.03, "{place} {velocity}");
        // Differences over 10 ms blur what changes 38 times a second.
        assert!(f64::sqrt(slopes / n) < 0.15 * SD_M_S, "{}", f64::sqrt(slopes / n));
    }

    #[test]
    fn what_the_calibration_adds_is_one_shift() {
        let course = LiftedCourse::new(&motion(0.0), Spot::DominantWrist, Handedness::Right, 5.0, &GRID).unwrap();
        let mut random = StdRng::seed_from_u64(4);
        let calibration = CalibrationDraw::new(&mut random);
        assert_eq!(course.acceleration_at_contact(), Some(Vector3::new(0.0, 100.0, 0.0)));
        let [a, b] = [0, 1].map(|_| course.drawn(own(), &mut random, &calibration));
        let (early, late) = (GRID.index(-0.6), GRID.index(0.4));
        let place = |draw: &[Option<State>], k: usize| draw[k].unwrap().position;
        assert!((place(&a, early) - place(&a, late)).norm() < 1e-12);
        assert!((place(&a, early) - place(&b, early)).norm() < 1e-12);
    }

    #[test]
    fn trunk_and_legs_have_their_own_course_at_contact_and_all_points_where_the_lift_says_nothing() {
        let place = |spot: Spot, seconds: f64| {
            let course = LiftedCourse::new(&motion(1.0), spot, Handedness::Right, 5.0, &GRID).unwrap();
            course.measured(own())[GRID.index(seconds)].unwrap().position.z
        };
        assert_eq!(
            [0.0, -0.03, -0.045, -0.06, 0.1].map(|t| (place(Spot::DominantHip, t) * 1e6).round()),
            [0.0, 0.0, 5e5, 1e6, 1e6]
        );
        assert_eq!([0.0, 0.005, -1.5].map(|t| place(Spot::DominantWrist, t)), [1.0, 1.0, 0.0]);
    }

    #[test]
    fn the_motion_of_another_contact_is_not_taken() {
        let motions = [motion(1.0)];
        assert!(motion_of(&motions, 5.004).is_some() && motion_of(&motions, 5.02).is_none());
        assert!(LiftedCourse::new(&motions[0], Spot::RacketTip, Handedness::Right, 5.0, &GRID).is_none());
    }
}
