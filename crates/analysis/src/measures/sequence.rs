//! In which order the body segments turn fastest.

use midline_session::strokes::Outcome;

use super::{MeasureKind, Need};
use crate::series::{Series, peak};
use crate::spots::Spot;
use crate::trials::Evaluations;
use crate::view::{Because, SEGMENTS, StrokeView};

struct Segment {
    id: &'static str,
    words: &'static str,
    ends: [Spot; 2],
}

/// From the hips outward.
const ORDER: [Segment; SEGMENTS] = [
    Segment { id: "hip-line", words: "hip line", ends: [Spot::DominantHip, Spot::OtherHip] },
    Segment { id: "shoulder-line", words: "shoulder line", ends: [Spot::DominantShoulder, Spot::OtherShoulder] },
    Segment { id: "upper-arm", words: "upper arm", ends: [Spot::DominantElbow, Spot::DominantShoulder] },
    Segment { id: "forearm", words: "forearm", ends: [Spot::DominantWrist, Spot::DominantElbow] },
    Segment { id: "racket", words: "racket", ends: [Spot::RacketTip, Spot::RacketButt] },
];

/// Peaks are looked for in this time before contact, seconds.
const SEARCH_SECONDS: f64 = 0.3;

/// A parabola over this time on both sides of the peak gives its place, seconds.
const PARABOLA_SECONDS: f64 = 0.060;

/// Error of a peak that is seen from one side only, seconds: what the estimate next to contact missed in made-up swings.
const ONE_SIDED_SD_SECONDS: f64 = 0.008;

/// The same in frames for a line from elbow or wrist whose course is the lift's: it lets these roughen toward contact, and a line that does seems
/// fastest there (made-up swings on film: the upper arm 21 ms off at 240 frames per second, 36 at 120).
const ONE_SIDED_SD_FRAMES: f64 = 5.0;
const ROUGHENED: [Spot; 2] = [Spot::DominantElbow, Spot::DominantWrist];

/// Published peaks of neighbouring segments lie some 18 ms apart (Landlinger et al. 2010, J Sports Sci Med 9:643: 75 and 57 ms
/// before impact); two frames must fit in between.
const LEAST_RATE_HZ: f64 = 110.0;

/// Identifier of the measure of the order.
pub(crate) const ORDER_ID: &str = "segment-order";

/// Identifier of the lag between a segment and the next one outward, 0 to 3.
pub(crate) fn lag_id(inner: usize) -> String {
    format!("{}-to-{}-lag", ORDER[inner].id, ORDER[inner + 1].id)
}

pub(super) fn measures() -> Vec<MeasureKind> {
    let mut list = Vec::new();
    for (i, segment) in ORDER.iter().enumerate() {
        let needs = segment.ends.map(Need::Point);
        list.push(MeasureKind::new(
            format!("{}-peak-rate", segment.id),
            format!("peak turning speed of the {}", segment.words),
            "rad/s",
            format!(
                "greatest angular speed of the line through both ends of the {} in the last 0.3 s before contact (turning about its own length does not count)",
                segment.words
            ),
            &needs,
            move |view| Ok(segment_peak(view, i)?.1),
        ));
        list.push(MeasureKind::new(
            format!("{}-peak-time", segment.id),
            format!("time of the peak turning speed of the {}", segment.words),
            "s",
            format!(
                "time to contact of {}-peak-rate; negative before contact, 0 when it still rises at contact",
                segment.id
            ),
            &needs,
            move |view| peak_seconds(view, i),
        ));
    }
    for inner in 0..SEGMENTS - 1 {
        let (a, b) = (&ORDER[inner], &ORDER[inner + 1]);
        list.push(MeasureKind::new(
            lag_id(inner),
            format!("{} peak to {} peak", a.words, b.words),
            "s",
            format!(
                "time from the peak turning speed of the {} to that of the {}; positive when the outer one is later",
                a.words, b.words
            ),
            &[
                Need::FrameRate(LEAST_RATE_HZ),
                Need::Point(a.ends[0]),
                Need::Point(a.ends[1]),
                Need::Point(b.ends[0]),
                Need::Point(b.ends[1]),
            ],
            move |view| Ok(peak_seconds(view, inner + 1)? - peak_seconds(view, inner)?),
        ));
    }
    let mut needs: Vec<Need> = ORDER.iter().flat_map(|s| s.ends.map(Need::Point)).collect();
    needs.dedup();
    needs.insert(0, Need::FrameRate(LEAST_RATE_HZ));
    list.push(
        MeasureKind::new(
            ORDER_ID,
            "segments in order from the hips outward",
            "1",
            "number of neighbouring pairs (hip line, shoulder line, upper arm, forearm, racket) in which the outer segment reaches its peak turning speed later; 4 is all of them",
            &needs,
            |view| {
                let times = (0..SEGMENTS).map(|i| peak_seconds(view, i)).collect::<Result<Vec<_>, _>>()?;
                Ok(times.windows(2).filter(|pair| pair[1] > pair[0]).count() as f64)
            },
        )
        .reviewed(only_when_every_lag_is_clear),
    );
    list
}

fn segment_peak(view: &StrokeView, i: usize) -> Result<(f64, f64), Because> {
    let Segment { ends: [a, b], words, .. } = &ORDER[i];
    let range = view.grid.index(-SEARCH_SECONDS)..=view.grid.contact;
    let unseen = || Because::from(format!("the {words} was not seen without gaps in the last 0.3 s before contact"));
    let sd = |spot: Spot, k: usize| view.setting.velocity_sds.get(spot.index())?.get(k).copied().flatten();
    let mut rates: Series = vec![None; view.grid.len];
    let mut sds: Series = vec![None; view.grid.len];
    for k in range.clone() {
        let (Some(p), Some(q)) = (view.state(*a, k), view.state(*b, k)) else {
            return Err(unseen());
        };
        let (line, change) = (p.position - q.position, p.velocity - q.velocity);
        let size = line.norm();
        if size < 0.05 {
            return Err(format!("the ends of the {words} lie too close together").into());
        }
        rates[k] = Some(line.cross(&change).norm() / (size * size));
        sds[k] = Some(sd(*a, k).unwrap_or(0.0).hypot(sd(*b, k).unwrap_or(0.0)) / size);
    }
    let reach = (PARABOLA_SECONDS / view.grid.step).round() as usize;
    peak(&rates, &sds, range, reach).ok_or_else(unseen)
}

fn peak_seconds(view: &StrokeView, i: usize) -> Result<f64, Because> {
    let (place, _) = segment_peak(view, i)?;
    if place <= view.grid.index(-SEARCH_SECONDS) as f64 {
        return Err(format!("the {} turns ever slower over the last 0.3 s before contact", ORDER[i].words).into());
    }
    let seconds = view.grid.seconds(place);
    // A peak between two frames is found to about the standard deviation of a uniform distribution over their spacing; one next
    // to contact is seen from one side only.
    let resolution = (view.setting.frame_seconds / 12.0_f64.sqrt()).hypot(view.setting.clock_sd_seconds);
    // In proportion to what is missing of the parabola.
    let is_roughened = view.setting.is_lifted && ORDER[i].ends.iter().any(|spot| ROUGHENED.contains(spot));
    let next_to_contact =
        if is_roughened { ONE_SIDED_SD_FRAMES * view.setting.frame_seconds } else { ONE_SIDED_SD_SECONDS };
    let one_sided = next_to_contact * (1.0 + seconds / PARABOLA_SECONDS).clamp(0.0, 1.0);
    Ok(view.to_contact(seconds) + view.peak_draws[i] * resolution.hypot(one_sided))
}

/// The order is claimed only when every lag's interval leaves out zero.
fn only_when_every_lag_is_clear(evaluations: &Evaluations, outcome: Outcome) -> Outcome {
    if matches!(outcome, Outcome::NotMeasurable { .. }) {
        return outcome;
    }
    let unclear = (0..SEGMENTS - 1).find_map(|inner| {
        let (lag, sd) = evaluations.normal(&lag_id(inner))?;
        (lag.abs() <= 1.96 * sd).then_some((inner, lag, sd))
    });
    match unclear {
        Some((inner, lag, sd)) => Outcome::NotMeasurable {
            because: format!(
                "the peaks of {} and {} lie {:.0} ms apart with an uncertainty of {:.0} ms (95 %) from noise, frame spacing and clock",
                ORDER[inner].words,
                ORDER[inner + 1].words,
                lag * 1e3,
                1.96 * sd * 1e3
            ),
        },
        None => outcome,
    }
}
