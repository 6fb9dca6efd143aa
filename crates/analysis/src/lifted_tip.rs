//! Speed of the racket's tip up to contact from the lift in continuous time, which saw every row of every frame.
//!
//! Its one-sided values at contact come with their covariance, so that nothing has to be carried on from samples here.

use midline_session::keypoints::RACKET;
use midline_session::motion::{PointMotion, StrokeMotion};
use nalgebra::{Matrix3, Vector3};

use crate::grid::Grid;
use crate::smoothing::CHANGE_OVER_SECONDS;

/// It counts alone from this long before contact on, seconds.
const ALONE_SECONDS: f64 = 0.04;

/// Velocity with the lower Cholesky factor of its covariance, m/s.
#[derive(Debug, Clone, Copy)]
struct Velocity {
    value: Vector3<f64>,
    root: Matrix3<f64>,
}

/// The tip before one contact.
#[derive(Debug, Clone)]
pub(crate) struct LiftedTip {
    at_contact: Velocity,
    acceleration: Vector3<f64>,
    /// Motion's contact minus the stroke's, seconds.
    shift: f64,
    on_grid: Vec<Option<Velocity>>,
}

impl Velocity {
    fn new(motion: &PointMotion) -> Option<Self> {
        let estimate = &motion.velocity_m_s;
        let root = Matrix3::from(estimate.covariance).cholesky()?.l();
        Some(Self { value: estimate.value.into(), root })
    }

    fn drawn(&self, draw: &Vector3<f64>) -> Vector3<f64> {
        self.value + self.root * draw
    }
}

impl LiftedTip {
    /// `None` when the tip is not known just before contact.
    pub(crate) fn new(motion: &StrokeMotion, contact_seconds: f64, grid: &Grid) -> Option<Self> {
        let column = motion.column(RACKET[2])?;
        let edge = motion.before.at_contact(column)?;
        let at_contact = Velocity::new(edge)?;
        let shift = motion.contact_seconds - contact_seconds;
        let mut known: Vec<(f64, Velocity)> = motion
            .before
            .session_seconds
            .iter()
            .zip(&motion.before.points)
            .filter_map(|(t, row)| Some((t - contact_seconds, Velocity::new(row.get(column)?.as_ref()?)?)))
            .collect();
        known.push((shift, at_contact));
        let on_grid = (0..grid.len).map(|k| between(&known, grid.seconds(k as f64))).collect();
        Some(Self { at_contact, acceleration: edge.acceleration_m_s2.value.into(), shift, on_grid })
    }

    /// How much it counts at a time in seconds to contact, 0 to 1.
    pub(crate) fn share(&self, seconds: f64) -> f64 {
        ((seconds - self.shift + ALONE_SECONDS) / CHANGE_OVER_SECONDS + 1.0).clamp(0.0, 1.0)
    }

    /// Speed on the grid for a draw of the velocity's error (standard normal), m/s.
    pub(crate) fn speed_on_grid(&self, k: usize, draw: &Vector3<f64>) -> Option<f64> {
        Some(self.on_grid.get(k)?.as_ref()?.drawn(draw).norm())
    }

    /// Standard deviation of the speed on the grid, m/s.
    pub(crate) fn speed_sd(&self, k: usize) -> Option<f64> {
        let velocity = self.on_grid.get(k)?.as_ref()?;
        Some(velocity.root.tr_mul(&velocity.value.try_normalize(1e-9)?).norm())
    }

    /// Speed when contact is at `seconds` to the stroke's contact, m/s.
    pub(crate) fn speed_at(&self, seconds: f64, draw: &Vector3<f64>) -> f64 {
        (self.at_contact.drawn(draw) + self.acceleration * (seconds - self.shift)).norm()
    }
}

/// The velocity on the line between neighbours; up to 2 ms past the last, the last.
fn between(known: &[(f64, Velocity)], seconds: f64) -> Option<Velocity> {
    /// Half a step of the grid and more: contact lies on the grid up to rounding and the motion's own shift.
    const PAST_SECONDS: f64 = 0.002;
    let after = known.partition_point(|(t, _)| *t < seconds);
    let before = known.get(after.checked_sub(1)?)?;
    let Some(next) = known.get(after) else {
        return (seconds - before.0 <= PAST_SECONDS).then_some(before.1);
    };
    let share = (seconds - before.0) / (next.0 - before.0);
    let mixed = |a: Matrix3<f64>, b: Matrix3<f64>| a * (1.0 - share) + b * share;
    Some(Velocity { value: before.1.value.lerp(&next.1.value, share), root: mixed(before.1.root, next.1.root) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::GRID;
    use midline_session::motion::{Estimate3d, SdParts, SideMotion};

    fn motion(speed_before: f64, speed: f64) -> StrokeMotion {
        let estimate = |value: [f64; 3], sd: f64| Estimate3d {
            value,
            covariance: (Matrix3::identity() * sd * sd).into(),
            sd_parts: SdParts::default(),
        };
        let point = |v: f64| PointMotion {
            position_m: estimate([0.0; 3], 0.01),
            velocity_m_s: estimate([0.0, v, 0.0], 0.5),
            acceleration_m_s2: estimate([0.0, 100.0, 0.0], 1.0),
            bridged: false,
        };
        let before = SideMotion {
            session_seconds: vec![4.99],
            points: vec![vec![Some(point(speed_before))]],
            at_contact: vec![Some(point(speed))],
        };
        StrokeMotion { contact_seconds: 5.0, names: vec![RACKET[2].to_owned()], before, after: SideMotion::default() }
    }

    #[test]
    fn speed_rises_to_the_limit_at_contact_and_follows_a_shift() {
        let tip = LiftedTip::new(&motion(29.0, 30.0), 5.0, &GRID).unwrap();
        let none = Vector3::zeros();
        assert!((tip.speed_on_grid(GRID.contact, &none).unwrap() - 30.0).abs() < 1e-9);
        assert!((tip.speed_at(0.0, &none) - 30.0).abs() < 1e-9);
        assert!((tip.speed_at(-0.002, &none) - 29.8).abs() < 1e-9);
        assert!((tip.speed_sd(GRID.contact).unwrap() - 0.5).abs() < 1e-9);
        assert!((tip.speed_at(0.0, &Vector3::new(0.0, 2.0, 0.0)) - 31.0).abs() < 1e-9);
        assert!((tip.share(0.0) - 1.0).abs() < 1e-12 && tip.share(-0.1) == 0.0);
    }
}
