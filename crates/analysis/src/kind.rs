//! Forehand, backhand with one or two hands, serve, volley; or unknown.
//!
//! Serve: met overhead, and the ball came from the player's own toss. Volley: the ball's flight was seen from beyond the net on
//! and it did not bounce. Else the side of the body on which the ball is met tells forehand from backhand, and the other
//! hand's distance from the racket one hand from two. Limits are conventions of this program, chosen with a wide band of
//! `unknown` between them.

use midline_session::strokes::StrokeKind;

use crate::model::StrokeModel;
use crate::samples::{Sample, between};
use crate::spots::Spot;
use crate::style;
use crate::trials::Evaluations;
use crate::view::StrokeView;

/// From this height above mid-shoulder on (along the trunk) a ball is met overhead, metres.
const OVERHEAD_M: f64 = 0.45;

/// A tossed ball is slower than this over the ground, an incoming one faster than that, m/s.
const TOSS_M_S: f64 = 3.0;
const INCOMING_M_S: f64 = 6.0;

/// The net stands this far from the baseline, metres (ITF Rules of Tennis, rule 1: half of 23.77 m).
const NET_M: f64 = 11.885;

/// Both hands are at the racket when they are nearer than the first, one is when they are farther apart than the second,
/// metres: a handle is 0.2 m long.
const HANDS_TOGETHER_M: f64 = 0.22;
const HANDS_APART_M: f64 = 0.35;

/// The hands are looked at over this time before contact, seconds.
const HANDS_SECONDS: f64 = 0.15;

const CERTAIN: f64 = 0.95;

/// The kind of a stroke, and what tells so.
pub(crate) fn of(
    model: &StrokeModel,
    view: &StrokeView,
    evaluations: &Evaluations,
    ball: &[Sample],
) -> (StrokeKind, String) {
    let unknown = |because: &str| (StrokeKind::Unknown, because.to_owned());
    if view.setting.one_camera {
        return unknown("one camera does not show on which side of the body the ball is met");
    }
    let height = evaluations.normal("contact-mid-shoulder-up");
    let incoming = model.contact.ball.as_ref().map(|kink| kink.before);
    if let Some((up, _)) = height.filter(|(up, sd)| up - 1.96 * sd > OVERHEAD_M) {
        let flat = incoming.map(|v| if view.setting.z_is_up { v.xy().norm() } else { v.norm() });
        return match flat {
            Some(speed) if speed < TOSS_M_S => (
                StrokeKind::Serve,
                format!("met {up:.2} m above the shoulders, after a toss ({speed:.1} m/s over the ground)"),
            ),
            Some(speed) if speed > INCOMING_M_S => {
                unknown("met overhead, and the ball came from the other side: none of the kinds told apart here")
            }
            Some(_) => {
                unknown("met overhead; the ball's speed before contact tells neither a toss nor an incoming ball")
            }
            None => {
                unknown("met overhead; the ball was not seen before contact, so a serve cannot be told from a smash")
            }
        };
    }
    if model.bounce.is_err() && came_without_bounce(model, view, ball) {
        return (StrokeKind::Volley, "the ball was seen from beyond the net to contact and did not bounce".to_owned());
    }
    let Some(backhand) = style::backhand_probability(evaluations) else {
        return unknown("neither the ball nor the racket was seen at contact together with the trunk");
    };
    if backhand < 1.0 - CERTAIN {
        return (
            StrokeKind::Forehand,
            format!("met on the side of the racket arm (probability {:.2})", 1.0 - backhand),
        );
    }
    if backhand <= CERTAIN {
        return unknown("the ball was met too close to the midline plane to tell the side");
    }
    match hands_apart(view) {
        Some(apart) if apart < HANDS_TOGETHER_M => (
            StrokeKind::TwoHandedBackhand,
            format!("met on the other side; the hands were {:.0} cm apart before contact", apart * 100.0),
        ),
        Some(apart) if apart > HANDS_APART_M => (
            StrokeKind::OneHandedBackhand,
            format!("met on the other side; the hands were {:.0} cm apart before contact", apart * 100.0),
        ),
        Some(apart) => unknown(&format!(
            "a backhand; hands {:.0} cm apart before contact tell neither one hand nor two",
            apart * 100.0
        )),
        None => unknown("a backhand; the other hand was not seen, so one hand and two cannot be told apart"),
    }
}

/// Median distance of the two hands just before contact, metres.
fn hands_apart(view: &StrokeView) -> Option<f64> {
    let range = view.grid.index(-HANDS_SECONDS)..=view.grid.contact;
    let count = range.clone().count();
    let apart: Vec<f64> = range
        .filter_map(|k| {
            let (ours, theirs) = (view.state(Spot::DominantWrist, k)?, view.state(Spot::OtherWrist, k)?);
            Some((ours.position - theirs.position).norm())
        })
        .collect();
    (apart.len() * 2 > count).then(|| crate::swings::median(apart))
}

/// Whether the ball was seen from beyond the net to contact without a longer gap; a bounce was looked for on the way.
fn came_without_bounce(model: &StrokeModel, view: &StrokeView, ball: &[Sample]) -> bool {
    /// In a longer gap a bounce could hide, seconds.
    const LONGEST_GAP_SECONDS: f64 = 0.1;
    if !view.setting.z_is_up {
        return false;
    }
    let flight = between(ball, model.contact.seconds - 2.0, model.contact.seconds);
    let Some(beyond) = flight.iter().rposition(|s| s.position.y > NET_M) else { return false };
    let near = flight.get(beyond..).unwrap_or(&[]);
    let last_gap = near.last().map_or(f64::INFINITY, |s| model.contact.seconds - s.seconds);
    last_gap < LONGEST_GAP_SECONDS && near.windows(2).all(|w| w[1].seconds - w[0].seconds < LONGEST_GAP_SECONDS)
}
