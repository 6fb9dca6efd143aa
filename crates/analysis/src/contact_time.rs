//! When the ball is met: the ball's change of direction, the sound, the drop of the racket's speed, put together.

use nalgebra::Vector3;

use crate::input::SoundImpact;
use crate::kink::{self, Course, Kink, KinkFit};
use crate::samples::{Sample, between};
use crate::spots::Spot;
use crate::swings::Swing;

/// Ball and strings touch for 4 to 5 ms; the meeting of the ball's two flights lies somewhere in it, while sound marks its
/// beginning. This much is added to the ball's standard deviation, seconds.
const TOUCH_SD_SECONDS: f64 = 0.001;

/// The racket's speed changes over the same time and its path bends: added for the racket, seconds.
const RACKET_SD_SECONDS: f64 = 0.004;

/// Least change of the ball's velocity at contact, m/s.
const LEAST_BALL_CHANGE: f64 = 8.0;

/// The ball turns back at most this far from the middle of the strings (or, without a racket, from the hand), metres: half a
/// racket head, and what a fast head moves within a frame.
const STRINGS_REACH_M: f64 = 0.5;
const HAND_REACH_M: f64 = 1.3;

/// How far from the fastest moment contact is looked for, seconds.
const REACH_SECONDS: f64 = 0.1;

/// What is known about an impact with the ball.
#[derive(Debug, Clone)]
pub(crate) struct Contact {
    /// Session time, seconds.
    pub(crate) seconds: f64,
    pub(crate) sd_seconds: f64,
    /// What it was found from, in words.
    pub(crate) source: String,
    /// The ball there, when its flight was seen on both sides.
    pub(crate) ball: Option<Kink>,
    /// What does not agree, one sentence each.
    pub(crate) remarks: Vec<String>,
}

impl Contact {
    /// The same contact at the analyst's instant. The ball's place there is kept: it rests on its flights, not on the instant.
    pub(crate) fn set_to(mut self, seconds: f64, sd_seconds: f64, source: String) -> Self {
        (self.seconds, self.sd_seconds, self.source) = (seconds, sd_seconds, source);
        self
    }
}

/// What contact is searched in.
pub(crate) struct Evidence<'a> {
    pub(crate) ball: &'a [Sample],
    /// The point whose speed made the swing: the racket's tip, else its throat, else the hand.
    pub(crate) mover: &'a [Sample],
    pub(crate) mover_is_racket: bool,
    pub(crate) throat: &'a [Sample],
    pub(crate) tip: &'a [Sample],
    pub(crate) impacts: &'a [SoundImpact],
    pub(crate) clock_sd_seconds: f64,
    pub(crate) frame_seconds: f64,
    pub(crate) z_is_up: bool,
    /// Places in one picture plane.
    pub(crate) one_camera: bool,
}

impl Evidence<'_> {
    /// Contact of a swing; `None` when nothing tells.
    pub(crate) fn contact(&self, swing: &Swing) -> Option<Contact> {
        let ball = self.ball_turn(swing);
        let racket = self.racket_drop(swing);
        let mut remarks = Vec::new();
        let mut estimates: Vec<(f64, f64, &str)> = Vec::new();
        if let Some(kink) = &ball {
            estimates.push((kink.seconds, kink.sd_seconds.hypot(TOUCH_SD_SECONDS), "the ball's change of direction"));
        }
        let (centre, reach) = match (&ball, &racket) {
            (Some(kink), _) => (kink.seconds, 0.020_f64.max(4.0 * kink.sd_seconds)),
            (None, Some(drop)) => (drop.seconds, 0.040),
            (None, None) => (swing.seconds, 0.060),
        };
        let nearest = self
            .impacts
            .iter()
            .min_by(|a, b| (a.session_seconds - centre).abs().total_cmp(&(b.session_seconds - centre).abs()));
        if let Some(impact) = nearest {
            let off = impact.session_seconds - centre;
            if off.abs() <= reach && ball.is_none() && self.ball_is_elsewhere(impact.session_seconds) {
                remarks.push(format!(
                    "The impact heard at {:.3} s is not taken for a contact: the ball was away from the racket.",
                    impact.session_seconds
                ));
            } else if off.abs() <= reach {
                estimates.push((impact.session_seconds, impact.sd_seconds.hypot(self.clock_sd_seconds), "sound"));
            } else if off.abs() <= 3.0 * reach {
                remarks.push(format!(
                    "The impact heard {:.0} ms {} the contact at {centre:.3} s is not taken for it.",
                    off.abs() * 1e3,
                    if off < 0.0 { "before" } else { "after" }
                ));
            }
        }
        if let Some(drop) = &racket {
            let sd = drop.sd_seconds.hypot(RACKET_SD_SECONDS);
            let agrees = estimates.iter().all(|(t, other, _)| (t - drop.seconds).abs() < 3.0 * sd.hypot(*other));
            if agrees {
                estimates.push((drop.seconds, sd, "the drop of the racket's speed"));
            }
        }
        let (seconds, sd_seconds) = fuse(&estimates)?;
        let source = estimates.iter().map(|(.., name)| *name).collect::<Vec<_>>().join(", ");
        Some(Contact { seconds, sd_seconds, source, ball, remarks })
    }

    fn ball_turn(&self, swing: &Swing) -> Option<Kink> {
        let fit = KinkFit {
            course: Course::Line,
            window_seconds: 0.09,
            margin_seconds: self.frame_seconds,
            falls: self.z_is_up,
        };
        kink::best(self.ball, swing.seconds, REACH_SECONDS, &fit, |kink| {
            kink.change() > LEAST_BALL_CHANGE.max(5.0 * kink.change_sd) && self.is_at_racket(kink)
        })
    }

    /// Whether the ball was seen then, and far from the racket (or the hand).
    fn ball_is_elsewhere(&self, seconds: f64) -> bool {
        /// Ball and racket move by this much in the frames between the two views of them, metres.
        const CLEARLY_AWAY_M: f64 = 2.0;
        let ball = nearest_in_time(self.ball, seconds);
        ball.zip(nearest_in_time(self.mover, seconds))
            .is_some_and(|(ball, mover)| (ball - mover).norm() > CLEARLY_AWAY_M)
    }

    fn is_at_racket(&self, kink: &Kink) -> bool {
        if !self.mover_is_racket {
            return nearest_in_time(self.mover, kink.seconds)
                .is_some_and(|p| (p - kink.position).norm() < HAND_REACH_M);
        }
        let strings = match (nearest_in_time(self.throat, kink.seconds), nearest_in_time(self.tip, kink.seconds)) {
            (Some(throat), Some(tip)) => (throat + tip) / 2.0,
            (Some(one), None) | (None, Some(one)) => one,
            (None, None) => return false,
        };
        (strings - kink.position).norm() < STRINGS_REACH_M
    }

    fn racket_drop(&self, swing: &Swing) -> Option<Kink> {
        if !self.mover_is_racket {
            return None;
        }
        let course = Course::Curve(Spot::RacketTip.prior());
        let fit = KinkFit { course, window_seconds: 0.1, margin_seconds: self.frame_seconds, falls: false };
        kink::best(self.mover, swing.seconds, REACH_SECONDS / 2.0, &fit, |kink| {
            let slower = kink.before.norm() - kink.after.norm();
            slower > 2.5_f64.max(3.5 * kink.change_sd)
        })
    }
}

fn nearest_in_time(samples: &[Sample], seconds: f64) -> Option<Vector3<f64>> {
    between(samples, seconds - 0.05, seconds + 0.05)
        .iter()
        .min_by(|a, b| (a.seconds - seconds).abs().total_cmp(&(b.seconds - seconds).abs()))
        .map(|s| s.position)
}

/// Weighted mean of `(value, sd, …)` with its standard deviation, enlarged when the values scatter more than their
/// standard deviations say (Birge ratio; Birge 1932, Phys Rev 40:207).
pub(crate) fn fuse<T>(estimates: &[(f64, f64, T)]) -> Option<(f64, f64)> {
    let weights: Vec<f64> = estimates.iter().map(|(_, sd, _)| 1.0 / sd.max(1e-5).powi(2)).collect();
    let total: f64 = weights.iter().sum();
    let mean = estimates.iter().zip(&weights).map(|((value, ..), w)| value * w).sum::<f64>() / total;
    let chi_squared: f64 = estimates.iter().zip(&weights).map(|((value, ..), w)| w * (value - mean).powi(2)).sum();
    let ratio = if estimates.len() > 1 { (chi_squared / (estimates.len() - 1) as f64).max(1.0).sqrt() } else { 1.0 };
    (!estimates.is_empty()).then(|| (mean, ratio / total.sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fusing_follows_the_more_certain_and_says_when_they_disagree() {
        assert_eq!(fuse::<()>(&[]), None);
        let (mean, sd) = fuse(&[(1.000, 0.001, ()), (1.003, 0.002, ())]).unwrap();
        assert!((mean - 1.0006).abs() < 1e-9 && (sd - 0.001 * 0.8_f64.sqrt() * 1.8_f64.sqrt()).abs() < 1e-9);
    }
}
