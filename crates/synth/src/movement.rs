//! A session's movement: the player and the balls.

use midline_session::description::Handedness;
use nalgebra::Point3;

use crate::SynthError;
use crate::ball::{BALL_RADIUS, Ball, Feed};
use crate::body::Body;
use crate::player::{Figure, Player};
use crate::stroke::Stroke;
use crate::style::{Drop, Path, Timing};

/// One stroke as the scenario asks for it.
#[derive(Debug, Clone)]
pub(crate) struct StrokePlan {
    pub(crate) contact_seconds: f64,
    pub(crate) timing: Timing,
    /// Where the player stands, court x and y, for a right-hander.
    pub(crate) base: [f64; 2],
    pub(crate) feed: Feed,
    /// By how much every station of the path is moved: no two strokes are alike.
    pub(crate) path: Path,
}

/// Player and balls.
#[derive(Debug, Clone)]
pub(crate) struct Movement {
    pub(crate) player: Player,
    pub(crate) drop: Drop,
    pub(crate) balls: Vec<Ball>,
}

impl Movement {
    /// Solves all strokes and aims the balls at the rackets.
    ///
    /// # Errors
    /// When a stroke contradicts itself.
    pub(crate) fn new(
        handedness: Handedness,
        height_m: f64,
        drop: Drop,
        plans: &[StrokePlan],
    ) -> Result<Self, SynthError> {
        let body = Body::of_height(height_m);
        let mut strokes = Vec::new();
        let mut balls = Vec::new();
        for plan in plans {
            let stroke = Stroke::new(body, &plan.path, plan.timing, plan.base)?;
            let arm = stroke.arm(&stroke.trunk(0.0), 0.0);
            let ball = Ball::through(
                arm.ball_on_strings(BALL_RADIUS),
                plan.contact_seconds,
                plan.contact_seconds + plan.timing.bounce,
                plan.feed,
            );
            balls.push(if handedness == Handedness::Left { ball.mirrored() } else { ball });
            strokes.push((plan.contact_seconds, stroke));
        }
        Ok(Self { player: Player { handedness, body, strokes }, drop, balls })
    }

    pub(crate) fn figure(&self, session_seconds: f64) -> Figure {
        self.player.figure(session_seconds)
    }

    /// The ball's centre, when one is in the air.
    pub(crate) fn ball(&self, session_seconds: f64) -> Option<Point3<f64>> {
        self.balls.iter().find_map(|ball| ball.at(session_seconds))
    }

    pub(crate) fn contacts(&self) -> Vec<f64> {
        self.player.strokes.iter().map(|(contact, _)| *contact).collect()
    }
}
