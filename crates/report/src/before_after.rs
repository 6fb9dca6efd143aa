//! Two sets of strokes measure by measure: before, now, and what changed, as the analysis compares them.

use midline_analysis::comparison::{Change, Comparison, MeasureComparison, SetMean};
use midline_session::strokes::{Measure, Outcome, Strokes};
use serde::Serialize;

use crate::numbers::{self, Shown};

/// One measure in both sets.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct ChangeRow {
    pub(crate) id: String,
    pub(crate) name: String,
    pub(crate) before: Side,
    pub(crate) now: Side,
    /// Now minus before, with its 95 % interval.
    pub(crate) change: Option<Shown>,
    /// The least change that these two sets can tell, with its unit.
    pub(crate) least: String,
    /// The change in words.
    pub(crate) words: &'static str,
    /// Completes "not compared because …"; empty when it was.
    pub(crate) because: String,
}

/// A measure in one set: the number, or why there is none.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Side {
    pub(crate) shown: Option<Shown>,
    pub(crate) n: usize,
    /// Standard deviation from stroke to stroke, freed of the strokes' own uncertainty, with its unit; empty without one.
    pub(crate) spread: String,
    pub(crate) because: String,
}

const CHANGED: &str = "changed";
const NO_CHANGE: &str = "no detectable change";
const NOT_COMPARED: &str = "not compared";

/// Every measure that was compared: first what changed, then what did not, then what could not be compared.
pub(crate) fn rows(comparison: &Comparison, before: &Strokes, now: &Strokes) -> Vec<ChangeRow> {
    let mut rows: Vec<ChangeRow> = comparison.measures.iter().map(|m| row(m, before, now)).collect();
    rows.sort_by_key(|row| [CHANGED, NO_CHANGE, NOT_COMPARED].iter().position(|words| *words == row.words)); // stable
    rows
}

fn row(compared: &MeasureComparison, before: &Strokes, now: &Strokes) -> ChangeRow {
    let MeasureComparison { id, name, unit, sets: [first, second], change, .. } = compared;
    let over = |strokes: &Strokes| strokes.over_strokes.iter().find(|m| m.id == *id).cloned();
    let (difference, words, because) = match change {
        Change::Changed(difference) => (Some(difference), CHANGED, ""),
        Change::NoDetectableChange(difference) => (Some(difference), NO_CHANGE, ""),
        Change::NotCompared(because) => (None, NOT_COMPARED, because.as_str()),
    };
    ChangeRow {
        id: id.clone(),
        name: name.clone(),
        before: side(over(before).as_ref(), first.as_ref()),
        now: side(over(now).as_ref(), second.as_ref()),
        change: difference.and_then(|d| Shown::of(d.value, d.interval_95, unit)),
        least: difference.map(|d| numbers::size(d.minimal_detectable_change, unit)).unwrap_or_default(),
        words,
        because: because.to_owned(),
    }
}

fn side(measure: Option<&Measure>, set: Option<&SetMean>) -> Side {
    let Some(measure) = measure else {
        let because = "this session does not have the measure".to_owned();
        return Side { shown: None, n: 0, spread: String::new(), because };
    };
    let spread = set.map(|set| numbers::size(set.stroke_to_stroke_sd, &measure.unit)).unwrap_or_default();
    match &measure.outcome {
        Outcome::Measured { value, interval_95 } => Side {
            shown: Shown::of(*value, *interval_95, &measure.unit),
            n: measure.n,
            spread,
            because: "the number is not finite".to_owned(),
        },
        Outcome::NotMeasurable { because } => {
            Side { shown: None, n: measure.n, spread: String::new(), because: because.clone() }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use midline_analysis::comparison::Difference;

    fn measure(outcome: Outcome) -> Measure {
        Measure { id: "a".into(), name: "a".into(), unit: "s".into(), definition: String::new(), n: 5, outcome }
    }

    fn measured(value: f64, half: f64) -> Strokes {
        only(measure(Outcome::Measured { value, interval_95: [value - half, value + half] }))
    }

    fn only(m: Measure) -> Strokes {
        Strokes { over_strokes: vec![m], ..Strokes::default() }
    }

    fn compared(change: Change) -> Comparison {
        let set = SetMean { mean: 0.0, stroke_to_stroke_sd: 0.021, within_stroke_sd: 0.01, n: 5 };
        let one = |change| MeasureComparison {
            id: "a".into(),
            name: "a".into(),
            unit: "s".into(),
            definition: String::new(),
            sets: [Some(set), Some(set)],
            change,
        };
        Comparison {
            names: ["before".into(), "now".into()],
            measures: vec![one(Change::NotCompared("it is new".into())), one(change)],
            curves: vec![],
            remarks: vec![],
        }
    }

    #[test]
    fn what_changed_comes_first_and_what_did_not_names_the_least_detectable_change() {
        let (before, now) = (measured(-0.36, 0.03), measured(-0.32, 0.04));
        let difference = Difference { value: 0.04, interval_95: [-0.01, 0.09], minimal_detectable_change: 0.05 };
        let rows = rows(&compared(Change::NoDetectableChange(difference)), &before, &now);
        let words: Vec<_> = rows.iter().map(|row| row.words).collect();
        assert_eq!(words, [NO_CHANGE, NOT_COMPARED]);
        assert_eq!((rows[0].least.as_str(), rows[0].before.spread.as_str()), ("50 ms", "21 ms"));
        assert_eq!(rows[0].change.as_ref().map(|c| (c.exact, c.interval)), Some((0.04, [-0.01, 0.09])));
        assert_eq!((rows[1].because.as_str(), rows[1].least.as_str()), ("it is new", ""));
        let rows = super::rows(&compared(Change::Changed(difference)), &before, &now);
        assert_eq!(rows[0].words, CHANGED);
    }

    #[test]
    fn what_one_session_lacks_is_said_with_its_reason() {
        let hidden = only(measure(Outcome::NotMeasurable { because: "the bounce is hidden".into() }));
        let not = || compared(Change::NotCompared("it was measured in one set only".into()));
        let row = &rows(&not(), &hidden, &measured(0.1, 0.01))[0];
        assert_eq!((row.words, row.before.because.as_str()), (NOT_COMPARED, "the bounce is hidden"));
        let row = &rows(&not(), &measured(0.1, 0.01), &Strokes::default())[0];
        assert!(row.now.shown.is_none() && row.now.because.contains("does not have"));
    }
}
