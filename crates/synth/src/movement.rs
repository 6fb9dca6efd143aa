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
    /// Path of wrist and racket, a little different from stroke to stroke.
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::body::FULL_STRETCH;
    use crate::player::{DOMINANT, OTHER};
    use crate::scenario::sessions;
    use crate::stroke::RACKET_LENGTH;
    use crate::truth;

    /// Tip speed `t` after contact, from the side of contact on which `t` lies.
    fn tip_speed(movement: &Movement, contact: f64, t: f64) -> f64 {
        let h = 1e-5;
        let (a, b) = if t <= 0.0 { (t - h, (t + h).min(0.0)) } else { (t, t + h) };
        (movement.figure(contact + b).tip - movement.figure(contact + a).tip).norm() / (b - a)
    }

    #[test]
    fn racket_speed_is_in_the_published_range_and_drops_at_contact() {
        // Landlinger et al. 2010 (J Sports Sci Med 9:643): peak racket speed 33.1 ± 2.4 m/s (elite players); two
        // standard deviations around it. The drop to about 70 % is our own design.
        for plan in sessions().unwrap() {
            for contact in plan.movement.contacts() {
                let before = tip_speed(&plan.movement, contact, 0.0);
                let after = tip_speed(&plan.movement, contact, 1e-9);
                assert!((33.1 - 4.8..33.1 + 4.8).contains(&before), "{before}");
                assert!((0.66..0.74).contains(&(after / before)), "{}", after / before);
                for step in 1..200 {
                    assert!(tip_speed(&plan.movement, contact, -0.001 * f64::from(step)) < before);
                }
            }
        }
    }

    #[test]
    fn speed_rises_without_a_dip_except_where_one_is_made() {
        for plan in sessions().unwrap() {
            let strokes = truth::strokes(&plan.movement);
            for (truth, (contact, stroke)) in strokes.iter().zip(&plan.movement.player.strokes) {
                let count = (-stroke.take_back_end / 0.001) as i32;
                let speeds: Vec<f64> =
                    (0..=count).rev().map(|i| tip_speed(&plan.movement, *contact, -0.001 * f64::from(i))).collect();
                let falls = speeds.windows(2).filter(|w| w[1] < w[0] - 1e-3).count();
                if plan.folder == "p07-first" {
                    let dip = truth.dip.unwrap();
                    assert!((0.25..0.305).contains(&dip.depth), "{dip:?}");
                    assert!((0.05..0.08).contains(&dip.duration_seconds), "{dip:?}");
                    assert!(falls > 15);
                } else {
                    assert!(truth.dip.is_none() && falls == 0, "{} falls {falls}", plan.folder);
                }
            }
        }
    }

    #[test]
    fn hips_turn_before_shoulders_before_the_arm() {
        // Landlinger et al. 2010: pelvis peaks 75 ± 8 ms and trunk 57 ± 4 ms before impact.
        for plan in sessions().unwrap() {
            for stroke in truth::strokes(&plan.movement) {
                let peak = |name: &str| stroke.sequence.iter().find(|p| p.segment == name).unwrap().seconds_to_contact;
                assert!((peak("hip line") + 0.075).abs() < 0.008, "{:?}", stroke.sequence);
                assert!((peak("shoulder line") + 0.057).abs() < 0.004, "{:?}", stroke.sequence);
                assert!(peak("shoulder line") < peak("upper arm") && peak("shoulder line") < peak("racket"));
            }
        }
    }

    #[test]
    fn the_racket_goes_where_the_style_says_and_the_shoulder_leads_at_contact() {
        for plan in sessions().unwrap() {
            for stroke in truth::strokes(&plan.movement) {
                let across = stroke.farthest_across;
                match plan.movement.drop {
                    Drop::Across => assert!(across.lateral_m < -0.1 && across.front_m < -0.5, "{across:?}"),
                    Drop::HittingSide => assert!(across.lateral_m > 0.4, "{across:?}"),
                }
                assert!(stroke.dominant_shoulder_ahead_m > 0.05);
            }
        }
    }

    #[test]
    fn events_are_in_the_designed_order() {
        use midline_session::strokes::EventKind;
        for plan in sessions().unwrap() {
            for stroke in truth::strokes(&plan.movement) {
                let at = |kind: EventKind| stroke.events.iter().find(|e| e.kind == kind).unwrap().session_seconds;
                let contact = at(EventKind::Contact);
                let bounce = at(EventKind::Bounce) - contact;
                assert!((-0.63..-0.45).contains(&bounce), "{bounce}");
                let start = at(EventKind::TakeBackStart) - contact;
                if plan.folder == "p07-first" {
                    assert!(start < bounce - 0.3, "{start} {bounce}");
                } else {
                    assert!((start - bounce).abs() < 0.1, "{start} {bounce}");
                }
                assert!(at(EventKind::TakeBackStart) < at(EventKind::TakeBackEnd));
                assert!(at(EventKind::DropTop) < at(EventKind::DropBottom));
                assert!(at(EventKind::DropBottom) < contact - 0.05 && at(EventKind::ForwardSwingStart) < contact - 0.1);
                assert!(at(EventKind::FollowThroughEnd) > contact + 0.3);
            }
        }
    }

    #[test]
    fn segments_keep_their_length_and_no_limb_is_asked_beyond_its_reach() {
        for plan in sessions().unwrap() {
            let body = &plan.movement.player.body;
            let end = plan.movement.contacts().last().unwrap() + 1.5;
            let mut t = 0.0;
            while t < end {
                let f = plan.movement.figure(t);
                for side in [OTHER, DOMINANT] {
                    assert!(((f.elbows[side] - f.shoulders[side]).norm() - body.upper_arm).abs() < 1e-9);
                    assert!(((f.wrists[side] - f.elbows[side]).norm() - body.forearm).abs() < 1e-9);
                    assert!(((f.knees[side] - f.hips[side]).norm() - body.thigh).abs() < 1e-9);
                    assert!(((f.ankles[side] - f.knees[side]).norm() - body.shank).abs() < 1e-9);
                    // A foot that is pulled off its place because the leg is too short would hang in the air.
                    let leg = (f.ankles[side] - f.hips[side]).norm();
                    assert!(leg < FULL_STRETCH * (body.thigh + body.shank) - 1e-9, "{} {t} {leg}", plan.folder);
                    let arm = (f.wrists[side] - f.shoulders[side]).norm();
                    assert!(
                        arm < FULL_STRETCH * (body.upper_arm + body.forearm) - 1e-9,
                        "{} {t} {side} {arm}",
                        plan.folder
                    );
                }
                assert!(((f.tip - f.butt).norm() - RACKET_LENGTH).abs() < 1e-9);
                t += 0.005;
            }
        }
    }

    #[test]
    fn positions_do_not_jump() {
        for plan in sessions().unwrap() {
            let mut last = plan.movement.figure(0.0).points(plan.handedness);
            for step in 1..11_000 {
                let t = 0.001 * f64::from(step);
                let now = plan.movement.figure(t).points(plan.handedness);
                for (point, (a, b)) in last.iter().zip(&now).enumerate() {
                    assert!((b - a).norm() < 0.036, "{} point {point} at {t}", plan.folder);
                }
                last = now;
            }
        }
    }

    #[test]
    fn the_ball_is_on_the_strings_at_contact() {
        for plan in sessions().unwrap() {
            for contact in plan.movement.contacts() {
                let f = plan.movement.figure(contact);
                let ball = plan.movement.ball(contact).unwrap();
                let along = (f.tip - f.butt).normalize();
                let off = ball - f.butt;
                // On the racket's axis, 15 cm below the tip, one radius in front of the face.
                assert!((off.dot(&along) - (RACKET_LENGTH - 0.15)).abs() < 1e-9);
                assert!((off - along * off.dot(&along)).norm() - BALL_RADIUS < 1e-9);
                assert!(f.face.y > 0.9 && plan.movement.ball(contact + 0.05).unwrap().y > ball.y + 1.0);
            }
        }
    }
}
