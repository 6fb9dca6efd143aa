//! The bounce of the incoming ball.

use crate::contact_time::{Contact, Evidence, fuse};
use crate::kink::{self, Course, KinkFit};
use crate::samples::between;

/// A bounce before contact, or the reason why there is none.
pub(crate) type Bounce = Result<BounceFound, &'static str>;

/// When the ball touches the ground.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct BounceFound {
    /// Session time, seconds.
    pub(crate) seconds: f64,
    pub(crate) sd_seconds: f64,
    /// What it was found from.
    pub(crate) source: String,
}

/// The last bounce before contact: the ball's vertical velocity turns from down to up near the ground.
pub(crate) fn before(contact: &Contact, evidence: &Evidence) -> Bounce {
    const LONGEST_SECONDS: f64 = 1.6;
    /// Centre of the ball at the bounce: its radius (0.033 m, ITF Rules of Tennis, appendix I) and what calibration adds.
    const HIGHEST_M: f64 = 0.25;
    const LEAST_VERTICAL_SPEED: f64 = 0.7;
    if !evidence.z_is_up && !evidence.one_camera {
        return Err("the vertical is not known (no court points were marked)");
    }
    // In one picture the ground has no one height.
    let (lowest_m, highest_m) =
        if evidence.one_camera { (f64::NEG_INFINITY, f64::INFINITY) } else { (-0.15, HIGHEST_M) };
    let flight = between(evidence.ball, contact.seconds - LONGEST_SECONDS, contact.seconds - 0.04);
    if flight.is_empty() {
        return Err("the ball is not in the tracks before contact");
    }
    let fit = KinkFit {
        course: Course::Line,
        window_seconds: 0.12,
        margin_seconds: evidence.frame_seconds,
        falls: evidence.z_is_up,
    };
    // Every lowest sample of its neighbourhood is a place to look at; the latest true bounce wins.
    let low = (0..flight.len()).rev().filter(|i| {
        let z = flight[*i].position.z;
        z < highest_m + 0.15
            && between(flight, flight[*i].seconds - 0.03, flight[*i].seconds + 0.03).iter().all(|s| s.position.z >= z)
    });
    let found = low
        .filter_map(|i| {
            kink::best(flight, flight[i].seconds, 0.025, &fit, |kink| {
                kink.before.z < -LEAST_VERTICAL_SPEED
                    && kink.after.z > LEAST_VERTICAL_SPEED
                    && (lowest_m..highest_m).contains(&kink.position.z)
            })
        })
        .next();
    let Some(kink) = found else {
        return Err("no bounce of the ball was seen before contact");
    };
    let mut estimates = vec![(kink.seconds, kink.sd_seconds.hypot(0.001), "the ball's vertical velocity")];
    let heard = evidence
        .impacts
        .iter()
        .find(|impact| (impact.session_seconds - kink.seconds).abs() < 0.012_f64.max(4.0 * kink.sd_seconds));
    if let Some(impact) = heard {
        estimates.push((impact.session_seconds, impact.sd_seconds.hypot(evidence.clock_sd_seconds), "sound"));
    }
    let (seconds, sd_seconds) = fuse(&estimates).ok_or("no bounce of the ball was seen before contact")?;
    let source = estimates.iter().map(|(.., name)| *name).collect::<Vec<_>>().join(", ");
    Ok(BounceFound { seconds, sd_seconds, source })
}
