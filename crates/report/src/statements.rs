//! The tested statements: answers counted over the strokes, and stroke by stroke.

use midline_session::strokes::{Statement, Strokes, Verdict};
use serde::Serialize;

use crate::numbers;

/// One statement over all strokes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct StatementRow {
    pub(crate) text: String,
    pub(crate) source: String,
    /// Identifiers of the measures that it rests on.
    pub(crate) rests_on: Vec<String>,
    /// Strokes in which it holds, does not hold, cannot be told.
    pub(crate) holds: usize,
    pub(crate) against: usize,
    pub(crate) open: usize,
    pub(crate) answers: Vec<Answer>,
}

/// The answer for one stroke.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Answer {
    pub(crate) stroke: usize,
    /// `holds`, `against` or `open`: the style class.
    pub(crate) class: &'static str,
    pub(crate) mark: &'static str,
    pub(crate) words: &'static str,
    /// Probability that the statement holds; `None` when a measure is missing.
    pub(crate) probability: Option<String>,
}

fn look(verdict: Verdict) -> (&'static str, &'static str, &'static str) {
    match verdict {
        Verdict::Holds => ("holds", "✓", "holds"),
        Verdict::DoesNotHold => ("against", "✕", "does not hold"),
        Verdict::CannotBeTold => ("open", "?", "cannot be told"),
    }
}

impl StatementRow {
    /// The answer that more than half of the strokes give, if there is one and it is an answer.
    pub(crate) fn majority(&self) -> Option<Verdict> {
        let half = self.answers.len() / 2;
        match (self.holds > half, self.against > half) {
            (true, _) => Some(Verdict::Holds),
            (_, true) => Some(Verdict::DoesNotHold),
            _ => None,
        }
    }
}

/// Every statement of every stroke, grouped by identifier in the order of first appearance.
pub(crate) fn rows(strokes: &Strokes) -> Vec<StatementRow> {
    let mut ids: Vec<&str> = Vec::new();
    let mut rows: Vec<StatementRow> = Vec::new();
    for stroke in &strokes.strokes {
        for Statement { id, text, verdict, probability, rests_on, source } in &stroke.statements {
            let place = ids.iter().position(|known| known == id).unwrap_or_else(|| {
                ids.push(id);
                rows.push(StatementRow {
                    text: text.clone(),
                    source: source.clone(),
                    rests_on: rests_on.clone(),
                    holds: 0,
                    against: 0,
                    open: 0,
                    answers: Vec::new(),
                });
                ids.len() - 1
            });
            let row = &mut rows[place];
            match verdict {
                Verdict::Holds => row.holds += 1,
                Verdict::DoesNotHold => row.against += 1,
                Verdict::CannotBeTold => row.open += 1,
            }
            let (class, mark, words) = look(*verdict);
            let probability = probability.filter(|p| p.is_finite()).map(numbers::probability);
            row.answers.push(Answer { stroke: stroke.number, class, mark, words, probability });
        }
    }
    rows
}
