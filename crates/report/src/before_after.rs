//! Two sets of strokes measure by measure: before, now, and what changed.

use midline_session::strokes::{Measure, Outcome, Strokes};
use serde::Serialize;

use crate::numbers::Shown;

/// One measure in both sets.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct ChangeRow {
    pub(crate) id: String,
    pub(crate) name: String,
    pub(crate) before: Side,
    pub(crate) now: Side,
    /// Now minus before, with its 95 % interval.
    pub(crate) change: Option<Shown>,
    /// The change in words.
    pub(crate) words: &'static str,
}

/// A measure in one set: the number, or why there is none.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Side {
    pub(crate) shown: Option<Shown>,
    pub(crate) n: usize,
    pub(crate) because: String,
}

const CHANGED: &str = "changed";
const NO_CHANGE: &str = "no detectable change";
const NOT_COMPARABLE: &str = "cannot be compared";

/// Every measure over the strokes of either set, in the order of the present one.
pub(crate) fn rows(before: &Strokes, now: &Strokes) -> Vec<ChangeRow> {
    let find = |strokes: &Strokes, id: &str| strokes.over_strokes.iter().find(|m| m.id == id).cloned();
    let only_before = before.over_strokes.iter().filter(|m| find(now, &m.id).is_none());
    let known = now.over_strokes.iter().chain(only_before);
    known.map(|m| row(m, find(before, &m.id).as_ref(), find(now, &m.id).as_ref())).collect()
}

fn row(like: &Measure, before: Option<&Measure>, now: Option<&Measure>) -> ChangeRow {
    let change = difference(before, now).and_then(|(value, interval)| Shown::of(value, interval, &like.unit));
    let words = match &change {
        Some(Shown { interval: [low, high], .. }) if *low > 0.0 || *high < 0.0 => CHANGED,
        Some(_) => NO_CHANGE,
        None => NOT_COMPARABLE,
    };
    ChangeRow { id: like.id.clone(), name: like.name.clone(), before: side(before), now: side(now), change, words }
}

/// Now minus before. The interval of a difference of two independent estimates from the interval of each: each limit is off
/// by the root of the summed squares of what moves it (Zou & Donner 2008, Statistics in Medicine 27:1693, from memory). It
/// covers zero exactly when the change cannot be told from the spread between strokes and the error of measurement.
fn difference(before: Option<&Measure>, now: Option<&Measure>) -> Option<(f64, [f64; 2])> {
    let numbers = |measure: Option<&Measure>| match measure?.outcome {
        Outcome::Measured { value, interval_95: [low, high] } => Some((value, low, high)),
        Outcome::NotMeasurable { .. } => None,
    };
    if before?.unit != now?.unit {
        return None;
    }
    let ((b, b_low, b_high), (n, n_low, n_high)) = (numbers(before)?, numbers(now)?);
    let value = n - b;
    Some((value, [value - (n - n_low).hypot(b_high - b), value + (n_high - n).hypot(b - b_low)]))
}

fn side(measure: Option<&Measure>) -> Side {
    let Some(measure) = measure else {
        return Side { shown: None, n: 0, because: "this session does not have the measure".to_owned() };
    };
    match &measure.outcome {
        Outcome::Measured { value, interval_95 } => Side {
            shown: Shown::of(*value, *interval_95, &measure.unit),
            n: measure.n,
            because: "the number is not finite".to_owned(),
        },
        Outcome::NotMeasurable { because } => Side { shown: None, n: measure.n, because: because.clone() },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn measure(outcome: Outcome) -> Measure {
        Measure { id: "a".into(), name: "a".into(), unit: "s".into(), definition: String::new(), n: 5, outcome }
    }

    fn measured(value: f64, half: f64) -> Measure {
        measure(Outcome::Measured { value, interval_95: [value - half, value + half] })
    }

    fn only(m: Measure) -> Strokes {
        Strokes { over_strokes: vec![m], ..Strokes::default() }
    }

    #[test]
    fn a_change_within_the_noise_is_no_detectable_change() {
        // Half widths 0.03 and 0.04: that of the difference is 0.05.
        let same = &rows(&only(measured(-0.36, 0.03)), &only(measured(-0.32, 0.04)))[0];
        assert_eq!(same.words, NO_CHANGE);
        let change = same.change.as_ref().unwrap();
        assert!((change.exact - 0.04).abs() < 1e-12);
        assert!((change.interval[0] + 0.01).abs() < 1e-12 && (change.interval[1] - 0.09).abs() < 1e-12);
        let other = &rows(&only(measured(-0.36, 0.03)), &only(measured(-0.10, 0.04)))[0];
        assert_eq!(other.words, CHANGED);
    }

    #[test]
    fn what_one_session_lacks_is_said_with_its_reason() {
        let hidden = measure(Outcome::NotMeasurable { because: "the bounce is hidden".into() });
        let row = &rows(&only(hidden), &only(measured(0.1, 0.01)))[0];
        assert_eq!((row.words, row.before.because.as_str()), (NOT_COMPARABLE, "the bounce is hidden"));
        let row = &rows(&only(measured(0.1, 0.01)), &Strokes::default())[0];
        assert!(row.now.shown.is_none() && row.now.because.contains("does not have"));
    }
}
