//! Stretches of a spline that share one smoothness.

use super::course::Basis;

/// Length of a stretch, seconds: long enough for some spans, short enough for a swing to differ from its preparation.
const STRETCH_SECONDS: f64 = 0.1;

/// The stretch of each span; stretches are counted from both ends of the spline alike and hold whole spans.
pub(crate) fn stretches(basis: &Basis) -> Vec<usize> {
    let ends = basis.ends_seconds();
    let count = ((ends[1] - ends[0]) / STRETCH_SECONDS).floor().max(1.0);
    let length = (ends[1] - ends[0]) / count;
    let mut found = Vec::with_capacity(basis.spans());
    let mut last = None;
    for span in 0..basis.spans() {
        let [from, to] = basis.span_seconds(span);
        let wanted = ((0.5 * (from + to) - ends[0]) / length) as usize;
        // A long span may skip a stretch; numbers stay without holes.
        let number = match last {
            Some((before, number)) if before == wanted => number,
            Some((_, number)) => number + 1,
            None => 0,
        };
        last = Some((wanted, number));
        found.push(number);
    }
    found
}
