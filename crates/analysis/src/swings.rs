//! Where in a session the racket (or the racket hand) is fast enough to be a stroke.

use crate::samples::Sample;

/// Two swings are at least this far apart, seconds; of nearer peaks the faster counts.
const APART_SECONDS: f64 = 0.8;

/// A peak must be this many times the session's median speed.
const ABOVE_MEDIAN: f64 = 3.0;

/// A fast moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Swing {
    /// Session time of the greatest speed, good to about two frames.
    pub(crate) seconds: f64,
}

/// Swings in the order of time, and the greatest speed seen, m/s.
///
/// The speed is a difference over two samples, then the median of five: only a search, never reported (it crosses contact),
/// but a lone outlier does not make a stroke.
pub(crate) fn find(samples: &[Sample], least_speed: f64) -> (Vec<Swing>, f64) {
    let raw: Vec<(f64, f64)> = samples
        .windows(3)
        .filter(|w| w[2].seconds - w[0].seconds < 0.08)
        .map(|w| (w[1].seconds, (w[2].position - w[0].position).norm() / (w[2].seconds - w[0].seconds)))
        .collect();
    let speeds: Vec<(f64, f64)> =
        raw.windows(5).map(|w| (w[2].0, median(w.iter().map(|(_, speed)| *speed).collect()))).collect();
    let fastest = speeds.iter().map(|(_, speed)| *speed).fold(0.0, f64::max);
    let typical = median(speeds.iter().map(|(_, speed)| *speed).collect());
    // In a clip cut close around one stroke the median is itself high.
    let threshold = least_speed.max((ABOVE_MEDIAN * typical).min(fastest / 2.0));
    let mut peaks: Vec<(f64, f64)> = speeds.into_iter().filter(|(_, speed)| *speed >= threshold).collect();
    peaks.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.total_cmp(&b.0)));
    let mut swings: Vec<Swing> = Vec::new();
    for (seconds, _) in peaks {
        if swings.iter().all(|s| (s.seconds - seconds).abs() >= APART_SECONDS) {
            swings.push(Swing { seconds });
        }
    }
    swings.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
    (swings, fastest)
}

/// Median of the numbers, 0 for none.
pub(crate) fn median(mut numbers: Vec<f64>) -> f64 {
    numbers.sort_by(f64::total_cmp);
    numbers.get(numbers.len() / 2).copied().unwrap_or(0.0)
}
