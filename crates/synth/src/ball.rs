//! The ball: in on two parabolas with a bounce between them, met on the strings, out on a third.
//!
//! No drag and no spin: within the half second that matters they change the path by decimetres, not its kind. Radius
//! 0.033 m (ITF Rules of Tennis: type 2 ball, 6.54 to 6.86 cm across).

use nalgebra::{Point3, Vector3};

/// Radius in metres.
pub(crate) const BALL_RADIUS: f64 = 0.033;
const GRAVITY: f64 = 9.81;
/// How long before the bounce the feeder's racket met the ball.
const FLIGHT_BEFORE_BOUNCE: f64 = 0.95;

/// The ball of one stroke, session times.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Ball {
    pub(crate) bounce_seconds: f64,
    pub(crate) bounce: Point3<f64>,
    pub(crate) contact_seconds: f64,
    pub(crate) contact: Point3<f64>,
    velocity_in: Vector3<f64>,
    velocity_up: Vector3<f64>,
    velocity_out: Vector3<f64>,
}

/// What decides a ball besides where it is met.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Feed {
    /// Horizontal velocity after the bounce, m/s.
    pub(crate) across: f64,
    pub(crate) toward_player: f64,
    /// Velocity just after contact, m/s.
    pub(crate) out: [f64; 3],
}

impl Ball {
    /// The ball that bounces at one time and is on the strings at `contact` at another.
    pub(crate) fn through(contact: Point3<f64>, contact_seconds: f64, bounce_seconds: f64, feed: Feed) -> Self {
        let time = contact_seconds - bounce_seconds;
        let rising = (contact.z - BALL_RADIUS) / time + 0.5 * GRAVITY * time;
        let velocity_up = Vector3::new(feed.across, -feed.toward_player, rising);
        let horizontal = Vector3::new(feed.across, -feed.toward_player, 0.0) * time;
        let bounce = Point3::new(contact.x - horizontal.x, contact.y - horizontal.y, BALL_RADIUS);
        // Coefficient of restitution about 0.75 and horizontal speed kept about 0.7 on a hard court: common practice.
        let velocity_in = Vector3::new(feed.across / 0.7, -feed.toward_player / 0.7, -rising / 0.75);
        Self {
            bounce_seconds,
            bounce,
            contact_seconds,
            contact,
            velocity_in,
            velocity_up,
            velocity_out: feed.out.into(),
        }
    }

    /// The ball's centre; `None` before it is fed and after it landed on the far side.
    pub(crate) fn at(&self, session_seconds: f64) -> Option<Point3<f64>> {
        let flown = |from: Point3<f64>, velocity: Vector3<f64>, time: f64| {
            from + velocity * time - Vector3::z() * (0.5 * GRAVITY * time * time)
        };
        let since_bounce = session_seconds - self.bounce_seconds;
        let since_contact = session_seconds - self.contact_seconds;
        if since_bounce < -FLIGHT_BEFORE_BOUNCE {
            None
        } else if since_bounce < 0.0 {
            // Backward in time from the bounce: the velocity then was larger upward by g t.
            Some(flown(self.bounce, self.velocity_in, since_bounce))
        } else if since_contact < 0.0 {
            Some(flown(self.bounce, self.velocity_up, since_bounce))
        } else {
            Some(flown(self.contact, self.velocity_out, since_contact)).filter(|p| p.z >= BALL_RADIUS)
        }
    }

    /// The ball in a mirror at the plane x = 0.
    pub(crate) fn mirrored(mut self) -> Self {
        for point in [&mut self.bounce, &mut self.contact] {
            point.x = -point.x;
        }
        for velocity in [&mut self.velocity_in, &mut self.velocity_up, &mut self.velocity_out] {
            velocity.x = -velocity.x;
        }
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ball_touches_the_ground_at_the_bounce_and_is_met_where_asked() {
        let met = Point3::new(0.9, 0.3, 1.0);
        let feed = Feed { across: 0.4, toward_player: 10.0, out: [-2.0, 34.0, 4.0] };
        let ball = Ball::through(met, 3.0, 2.5, feed);
        assert!((ball.at(3.0).unwrap() - met).norm() < 1e-12);
        assert!((ball.at(3.0 - 1e-9).unwrap() - met).norm() < 1e-6);
        let heights: Vec<f64> = (0..400).map(|i| ball.at(2.3 + 0.001 * f64::from(i)).unwrap().z).collect();
        let lowest = heights.iter().copied().fold(f64::INFINITY, f64::min);
        assert!((lowest - BALL_RADIUS).abs() < 1e-9 && (heights[200] - BALL_RADIUS).abs() < 1e-9);
        assert!(ball.at(1.0).is_none());
    }
}
