//! What is said about strokes besides measures and statements: suspicions answered, kinds, events that the analyst set.

use midline_session::strokes::{Answer, KindOfStroke, SetEventRecord, Strokes, SuspicionAnswer};
use serde::Serialize;

use crate::measures::{Link, Measures};
use crate::numbers::{number, stroke_numbers};

/// One suspicion of the coach.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct SuspicionRow {
    pub(crate) text: String,
    pub(crate) tested: String,
    /// `holds`, `against` or `open`: the style class.
    pub(crate) class: &'static str,
    pub(crate) mark: &'static str,
    pub(crate) answer: &'static str,
    pub(crate) evidence: Vec<String>,
    pub(crate) rests_on: Vec<Link>,
}

pub(crate) fn suspicions(strokes: &Strokes, measures: &Measures) -> Vec<SuspicionRow> {
    let row = |suspicion: &SuspicionAnswer| {
        let (class, mark) = match suspicion.answer {
            Answer::Supported => ("holds", "✓"),
            Answer::Contradicted => ("against", "✕"),
            Answer::CannotBeTold => ("open", "?"),
        };
        SuspicionRow {
            text: suspicion.text.clone(),
            tested: suspicion.tested.clone(),
            class,
            mark,
            answer: suspicion.answer.label(),
            evidence: suspicion.evidence.clone(),
            rests_on: measures.links(&suspicion.rests_on),
        }
    };
    strokes.answers.suspicions.iter().map(row).collect()
}

/// Strokes of one kind, told by the same sign.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct KindRow {
    /// `Strokes 1 and 3`.
    pub(crate) strokes: String,
    pub(crate) kind: &'static str,
    pub(crate) because: String,
}

pub(crate) fn kinds(strokes: &Strokes) -> Vec<KindRow> {
    let mut groups: Vec<(&KindOfStroke, Vec<usize>)> = Vec::new();
    for kind in &strokes.answers.kinds {
        match groups.iter_mut().find(|(first, _)| (first.kind, &first.because) == (kind.kind, &kind.because)) {
            Some((_, numbers)) => numbers.push(kind.stroke),
            None => groups.push((kind, vec![kind.stroke])),
        }
    }
    let row = |(kind, numbers): (&KindOfStroke, Vec<usize>)| KindRow {
        strokes: stroke_numbers(&numbers),
        kind: kind.kind.label(),
        because: kind.because.clone(),
    };
    groups.into_iter().map(row).collect()
}

/// Events that the analyst set, one sentence each.
pub(crate) fn set_events(strokes: &Strokes) -> Vec<String> {
    let sentence = |set: &SetEventRecord| {
        let found = match set.found_seconds {
            Some(found) => format!("{} ms from what was found", number((set.session_seconds - found) * 1e3, 1)),
            None => "where nothing was found".to_owned(),
        };
        let reason = if set.reason.is_empty() { String::new() } else { format!(" ({})", set.reason) };
        let seconds = number(set.session_seconds, 4);
        format!("Stroke {}: {} set to {seconds} s on the session clock, {found}{reason}", set.stroke, set.kind.label())
    };
    strokes.answers.set_events.iter().map(sentence).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use midline_session::strokes::{Answers, EventKind, StrokeKind};

    #[test]
    fn strokes_of_a_kind_stand_together_and_set_events_say_by_how_much() {
        let kind = |stroke, kind| KindOfStroke { stroke, kind, because: "b".into() };
        let set = |found_seconds, reason: &str| SetEventRecord {
            stroke: 2,
            kind: EventKind::Contact,
            session_seconds: 3.25,
            found_seconds,
            reason: reason.into(),
        };
        let answers = Answers {
            kinds: vec![kind(1, StrokeKind::Forehand), kind(2, StrokeKind::Volley), kind(3, StrokeKind::Forehand)],
            set_events: vec![set(Some(3.2541), "blur"), set(None, "")],
            suspicions: vec![],
        };
        let strokes = Strokes { answers, ..Strokes::default() };
        let kinds: Vec<_> = kinds(&strokes).into_iter().map(|row| (row.strokes, row.kind)).collect();
        assert_eq!(kinds, [("Strokes 1 and 3".to_owned(), "forehand"), ("Stroke 2".to_owned(), "volley")]);
        let sentences = set_events(&strokes);
        assert!(
            sentences[0].ends_with("3.2500 s on the session clock, \u{2212}4.1 ms from what was found (blur)"),
            "{sentences:?}"
        );
        assert!(sentences[1].ends_with("where nothing was found"));
    }
}
