//! Racket speed: how fast, how evenly it rises.

use std::ops::RangeInclusive;

use midline_session::strokes::Outcome;
use midline_signal::{log_dimensionless_jerk, spectral_arc_length};

use super::{MeasureKind, Need};
use crate::dip::{self, DipFound, LEAST_DEPTH};
use crate::phases::Phase;
use crate::series::{Series, peak, steps_below_zero};
use crate::spots::Spot;
use crate::trials::Evaluations;
use crate::view::{Because, StrokeView};

/// Identifier of how far the deepest fall exceeds what is called a dip.
pub(crate) const DIP_EXCESS_ID: &str = "tip-speed-dip-excess";

/// Identifier of how clearly the clearest dip stands out of the noise, in standard deviations.
pub(crate) const DIP_SIGNIFICANCE_ID: &str = "tip-speed-dip-significance";

/// Identifier of the largest dip that the noise may hide.
pub(crate) const HIDDEN_DIP_ID: &str = "tip-speed-dip-hidden";

/// Identifier of the probability that it hides one of the size asked after.
pub(crate) const DIP_HIDDEN_PROBABILITY_ID: &str = "tip-speed-dip-hidden-probability";

/// Identifier of the depth of the deepest dip.
pub(crate) const DIP_DEPTH_ID: &str = "tip-speed-dip-depth";

/// A fall counts as a dip when it exceeds [`LEAST_DEPTH`] of the lower neighbouring peak and this share of the speed at contact: where the racket turns round, a tenth is nothing. (3 % hid slowings of 0.7 m/s in the drop.)
const LEAST_SHARE_OF_CONTACT: f64 = 0.015;

const UNSEEN: &str = "the racket tip was not seen without gaps between the end of the take-back and contact";

/// Frames per second that the jerk of a speed needs: of the demo's footage (120 per second) it came out 1.4 to 3.9 too low or 1.5 too high,
/// outside of intervals of ± 1 in 8 of 9 strokes; of simulated swings at 240 it is off by 0.25 (rms).
const LEAST_RATE_FOR_JERK_HZ: f64 = 200.0;

pub(super) fn measures() -> Vec<MeasureKind> {
    let tip = [Need::Point(Spot::RacketTip)];
    let phased = [Need::Trunk, Need::Point(Spot::DominantWrist), Need::Point(Spot::RacketTip)];
    let list = vec![
        MeasureKind::new(
            "tip-speed-contact",
            "racket-tip speed at contact",
            "m/s",
            "speed of the racket tip just before contact, from samples before contact only",
            &tip,
            |view| view.tip_speed_at_contact.ok_or("the racket tip was not seen in the last 0.1 s before contact".into()),
        ),
        MeasureKind::new(
            "tip-speed-contact-picture",
            "racket-tip speed at contact in the picture plane",
            "m/s",
            "speed of the racket tip just before contact in the plane through the player square to the view, metres by the court's points; what it moves along the view is not seen, so the speed in space is this or more",
            &[Need::Point(Spot::RacketTip), Need::PictureScale],
            |view| {
                is_across_the_view(view)?;
                let speed = view.tip_speed_at_contact.ok_or("the racket tip was not seen in the last 0.1 s before contact")?;
                Ok(speed * view.picture_metre)
            },
        )
        .only_in_one_picture(),
        MeasureKind::new(
            "tip-speed-peak",
            "peak racket-tip speed",
            "m/s",
            "greatest speed of the racket tip in the last 0.3 s up to contact",
            &tip,
            |view| Ok(tip_peak(view)?.1),
        ),
        MeasureKind::new(
            "tip-speed-peak-time",
            "time of the peak racket-tip speed",
            "s",
            "time to contact of tip-speed-peak; negative before contact, 0 when the speed still rises at contact",
            &tip,
            |view| Ok(view.to_contact(view.grid.seconds(tip_peak(view)?.0)).min(0.0)),
        ),
        MeasureKind::new(
            DIP_DEPTH_ID,
            "deepest dip of the racket-tip speed",
            "share",
            "between end of take-back and contact: the deepest fall (in m/s) of the racket-tip speed that follows a rise and is followed by one, as a share of the lower of the two neighbouring peaks; 0 when none stands out of the noise (by 3.8 standard deviations through a window of 100 ms to 4.8 through one of 40 ms), or none exceeds a tenth of that peak and 1.5 % of the speed at contact. Where one stands out, the speed around it is a smooth rise less a bell, fitted to the samples themselves. In the last 60 ms before contact only slower changes are seen",
            &phased,
            |view| Ok(deepest_dip(view)?.map_or(0.0, |dip| dip.depth())),
        )
        .reviewed(zero_when_not_clear),
        MeasureKind::new(
            DIP_SIGNIFICANCE_ID,
            "clearest dip of the racket-tip speed in standard deviations",
            "1",
            "the fall over the standard deviation of the difference of the two speeds that it lies between, through the window that shows it clearest; positive",
            &phased,
            |view| Ok(view.setting.dip.and_then(|sight| sight.clearest).map_or(0.0, |dip| dip.significance)),
        )
        .not_reported(),
        MeasureKind::new(
            HIDDEN_DIP_ID,
            "largest dip of the racket-tip speed that the noise may hide",
            "share",
            "where no dip is found: the largest fall of the racket-tip speed, as a share of the speed at contact, that a dip may have which lasts 50 ms and would look as little like one with a probability of 5 %, wherever between end of take-back and 60 ms before contact it has room; an upper limit (95 %). Falls below a tenth of their peak are not asked after",
            &phased,
            |view| Ok(hidden_dip(view)?.0 / view.tip_speed_at_contact.ok_or(UNSEEN)?),
        )
        .reviewed(only_without_a_clear_dip),
        MeasureKind::new(
            DIP_HIDDEN_PROBABILITY_ID,
            "probability that the noise hides a dip",
            "1",
            "that a dip by a tenth of its peak and 5 % of the speed at contact that lasts 50 ms would look as little like one as what is seen",
            &phased,
            |view| Ok(hidden_dip(view)?.1),
        )
        .not_reported(),
        MeasureKind::new(
            DIP_EXCESS_ID,
            "deepest fall of the racket-tip speed above what is called a dip",
            "m/s",
            "fall minus the larger of a tenth of the lower neighbouring peak and 1.5 % of the speed at contact; positive for a dip",
            &phased,
            |view| {
                let least = LEAST_SHARE_OF_CONTACT * view.tip_speed_at_contact.ok_or(UNSEEN)?;
                Ok(deepest_dip(view)?.map_or(-least, |dip| dip.fall - least.max(LEAST_DEPTH * dip.peak)))
            },
        )
        .not_reported(),
        MeasureKind::new(
            "tip-speed-dip-duration",
            "duration of the deepest dip of the racket-tip speed",
            "s",
            "time that the racket-tip speed spends in the lower half of the deepest dip (below the lower neighbouring peak by more than half its depth)",
            &phased,
            |view| Ok(deepest_dip(view)?.ok_or("the speed has no dip")?.seconds),
        )
        .reviewed(only_with_a_clear_dip),
        MeasureKind::new(
            "tip-speed-dwell",
            "time with less than half the contact speed",
            "s",
            "time between forward-swing start and contact during which the racket-tip speed is below half its speed at contact",
            &phased,
            |view| {
                let at_contact = view.tip_speed_at_contact.ok_or(UNSEEN)?;
                let below: Series = view.tip_speed.iter().map(|v| v.map(|v| v - at_contact / 2.0)).collect();
                let range = view.phase_index(Phase::ForwardStart)?..=view.grid.contact;
                Ok(steps_below_zero(&below, range).ok_or(UNSEEN)? * view.grid.step)
            },
        ),
        MeasureKind::new(
            "tip-speed-sparc",
            "smoothness of the racket-tip speed: spectral arc length",
            "1",
            "spectral arc length (Balasubramanian et al. 2015; threshold 0.05, limit 20 Hz) of the racket-tip speed from end of take-back to contact; 0 is the smoothest, more negative is less smooth. Comparable only for the same smoothing",
            &[&[Need::FrameRate(LEAST_RATE_FOR_JERK_HZ)], phased.as_slice()].concat(),
            |view| spectral_arc_length(&swing_speed(view)?, 1.0 / view.grid.step).ok_or("the swing is too short".into()),
        ),
        MeasureKind::new(
            "tip-speed-ldlj",
            "smoothness of the racket-tip speed: log dimensionless jerk",
            "1",
            "log dimensionless jerk (Balasubramanian et al. 2015) of the racket-tip speed from end of take-back to contact; 0 is the smoothest, more negative is less smooth. Comparable only for the same smoothing",
            &[&[Need::FrameRate(LEAST_RATE_FOR_JERK_HZ)], phased.as_slice()].concat(),
            |view| log_dimensionless_jerk(&swing_speed(view)?, 1.0 / view.grid.step).ok_or("the swing is too short".into()),
        ),
    ];
    // Speeds themselves need depth; their course in time shows where the motion is across the view.
    let needs_depth = ["tip-speed-contact", "tip-speed-peak"];
    list.into_iter()
        .map(|kind| if needs_depth.contains(&kind.id.as_str()) { kind } else { kind.in_one_picture() })
        .collect()
}

/// In one picture a racket that turns toward the camera seems to slow down. Its length in the picture tells: it must stay above
/// this share of its greatest.
const LEAST_SHARE_OF_LENGTH: f64 = 0.6;

fn is_across_the_view(view: &StrokeView) -> Result<(), Because> {
    if !view.setting.one_camera {
        return Ok(());
    }
    let range = view.phase_index(Phase::ForwardStart)?..=view.grid.contact;
    let lengths: Option<Vec<f64>> = range
        .map(|k| {
            let (tip, butt) = (view.state(Spot::RacketTip, k)?, view.state(Spot::RacketButt, k)?);
            Some((tip.position - butt.position).norm())
        })
        .collect();
    let lengths = lengths.ok_or("racket butt and tip were not seen without gaps in the forward swing")?;
    let longest = lengths.iter().copied().fold(0.0, f64::max);
    let shortest = lengths.iter().copied().fold(f64::INFINITY, f64::min);
    if shortest < LEAST_SHARE_OF_LENGTH * longest {
        return Err(format!(
            "one camera: in the forward swing the racket points along the view (its length in the picture falls to {:.0} % of its greatest), so that its speed in the picture is not its speed",
            100.0 * shortest / longest
        )
        .into());
    }
    Ok(())
}

fn tip_peak(view: &StrokeView) -> Result<(f64, f64), Because> {
    is_across_the_view(view)?;
    let range = view.grid.index(-0.3)..=view.grid.contact;
    let reach = (0.030 / view.grid.step).round() as usize;
    peak(&view.tip_speed, &view.setting.tip_speed_sds, range, reach).ok_or_else(|| "the racket tip was not seen".into())
}

fn swing_speed(view: &StrokeView) -> Result<Vec<f64>, Because> {
    is_across_the_view(view)?;
    part(&view.tip_speed, view.phase_index(Phase::TakeBackEnd)?..=view.grid.contact).ok_or(UNSEEN.into())
}

fn part(series: &[Option<f64>], range: RangeInclusive<usize>) -> Option<Vec<f64>> {
    series.get(range).filter(|part| !part.is_empty())?.iter().copied().collect()
}

/// A dip.
#[derive(Debug, Clone, Copy)]
struct Dip {
    /// The lower of the two neighbouring peaks, m/s.
    peak: f64,
    /// How far the speed falls below it, m/s.
    fall: f64,
    /// Time in its lower half, seconds.
    seconds: f64,
}

impl Dip {
    fn depth(&self) -> f64 {
        self.fall / self.peak
    }
}

/// The dip with the greatest fall; where one is clear (module `dip`), the greatest there.
fn deepest_dip(view: &StrokeView) -> Result<Option<Dip>, Because> {
    let (from, speeds) = (view.phase_index(Phase::TakeBackEnd)?, swing_speed(view)?);
    let clear = view.setting.dip.and_then(|sight| sight.clearest).filter(DipFound::is_clear);
    let around = clear.map(|dip| dip.around_seconds.map(|t| view.grid.index(t)));
    let is_there = |l: usize, m: usize| around.is_none_or(|[start, end]| from + l >= start && from + m <= end);
    Ok(dip::greatest_fall(&speeds, is_there).map(|fall| Dip {
        peak: fall.peak,
        fall: fall.size,
        seconds: fall.seconds(&speeds, view.grid.step),
    }))
}

/// The largest fall that the noise may hide, m/s, and the probability that it hides one of the size asked after.
fn hidden_dip(view: &StrokeView) -> Result<(f64, f64), Because> {
    is_across_the_view(view)?;
    let sight = view.setting.dip.ok_or(UNSEEN)?;
    let hidden =
        sight.hidden.ok_or("between the end of the take-back and contact there is no room for a dip of 50 ms")?;
    Ok((sight.largest_hidden_m_s, hidden))
}

/// Whether a dip is claimed: it exceeds the limits, and stands out of the noise (module `dip`).
pub(crate) fn is_dip_clear(evaluations: &Evaluations) -> bool {
    let exceeds = evaluations.normal(DIP_EXCESS_ID).is_some_and(|(excess, _)| excess > 0.0);
    exceeds && evaluations.measured(DIP_SIGNIFICANCE_ID).is_some_and(|times| times > dip::CLEAR)
}

fn zero_when_not_clear(evaluations: &Evaluations, outcome: Outcome) -> Outcome {
    match outcome {
        Outcome::Measured { interval_95: [_, high], .. } if !is_dip_clear(evaluations) => {
            Outcome::Measured { value: 0.0, interval_95: [0.0, high.max(0.0)] }
        }
        other => other,
    }
}

fn only_with_a_clear_dip(evaluations: &Evaluations, outcome: Outcome) -> Outcome {
    match outcome {
        Outcome::Measured { .. } if !is_dip_clear(evaluations) => {
            Outcome::NotMeasurable { because: "no dip of the speed stands out of the noise".to_owned() }
        }
        Outcome::Measured { value, interval_95: [low, high] } => {
            Outcome::Measured { value, interval_95: [low.max(0.0), high] }
        }
        other => other,
    }
}

fn only_without_a_clear_dip(evaluations: &Evaluations, outcome: Outcome) -> Outcome {
    match outcome {
        Outcome::Measured { .. } if is_dip_clear(evaluations) => {
            Outcome::NotMeasurable { because: "a dip of the speed stands out of the noise".to_owned() }
        }
        other => other,
    }
}
