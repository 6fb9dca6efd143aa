//! The tested statements: answers counted over the strokes, and stroke by stroke.

use midline_session::strokes::{self, Statement, Strokes, Verdict};
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
    /// What all strokes together say, where the coach suspects that it does not hold.
    #[serde(skip)]
    pub(crate) together: Option<Verdict>,
    /// The coach's suspicions that rest on this statement or on one of its measures, in the coach's words and as tested.
    #[serde(skip)]
    pub(crate) suspected: String,
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
    fn of_more_than_half(&self) -> Option<Verdict> {
        let half = self.answers.len() / 2;
        match (self.holds > half, self.against > half) {
            (true, _) => Some(Verdict::Holds),
            (_, true) => Some(Verdict::DoesNotHold),
            _ => None,
        }
    }

    /// The answer of more than half of the strokes, else of all together.
    pub(crate) fn majority(&self) -> Option<Verdict> {
        self.of_more_than_half().or(self.together)
    }

    /// Whether only all strokes together give the answer.
    pub(crate) fn only_together(&self) -> bool {
        self.of_more_than_half().is_none() && self.together.is_some()
    }
}

/// What the answers to the coach's suspicions say of a statement; a supported suspicion is that it does not hold.
fn together(strokes: &Strokes, id: &str) -> Option<Verdict> {
    let rests_on_it = |s: &&strokes::SuspicionAnswer| s.rests_on.iter().any(|on| on == id);
    match strokes.answers.suspicions.iter().find(rests_on_it)?.answer {
        strokes::Answer::Supported => Some(Verdict::DoesNotHold),
        strokes::Answer::Contradicted => Some(Verdict::Holds),
        strokes::Answer::CannotBeTold => None,
    }
}

fn suspected(strokes: &Strokes, id: &str, measures: &[String]) -> String {
    let about = |s: &&strokes::SuspicionAnswer| s.rests_on.iter().any(|on| on == id || measures.contains(on));
    strokes.answers.suspicions.iter().filter(about).map(|s| format!("{} {} ", s.text, s.tested)).collect()
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
                    together: together(strokes, id),
                    suspected: suspected(strokes, id, rests_on),
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
