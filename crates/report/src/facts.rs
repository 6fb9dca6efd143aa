//! The one or two facts of the player's part, chosen by rules that a reader can check.
//!
//! 1. Statements are taken in the order of the analysis; those that share more words with the coach's question come
//!    first, their own words or those of a suspicion of the coach that rests on them. A word counts when it has four letters
//!    or more, its first four letters match, and it stands in at most half of the statements (a word that is everywhere tells
//!    nothing).
//! 2. A statement qualifies when more than half of the strokes give the same answer, and it is "holds" or "does not hold"; or when
//!    the coach suspects that it does not hold and all strokes together answer that.
//! 3. Its number is the first measure that it rests on that was measured over the strokes (of the only stroke, if there
//!    is one). Without such a measure it does not qualify.
//! 4. At most two facts, never two on the same measure.
//! 5. When no statement qualifies, the first measure that was measured is given without a statement.

use midline_session::strokes::Verdict;
use serde::Serialize;

use crate::measures::{Cell, MeasureRow, Measures};
use crate::numbers::{Shown, counted};
use crate::plain_words::{self, Plain};
use crate::statements::StatementRow;

/// One fact for the player.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Fact {
    /// The measure's identifier.
    pub(crate) id: String,
    /// The number in words, where there are words for it.
    pub(crate) plain: Option<Plain>,
    /// The statement, if the fact comes from one.
    pub(crate) statement: Option<String>,
    /// In how many strokes it holds, does not hold, cannot be told.
    pub(crate) answer: Option<String>,
    pub(crate) name: String,
    pub(crate) shown: Shown,
    /// `6 strokes`.
    pub(crate) basis: String,
    pub(crate) definition: String,
}

const MOST: usize = 2;

fn measured(row: &MeasureRow) -> Option<(&Shown, usize)> {
    fn of(cell: &Cell) -> Option<(&Shown, usize)> {
        Some((cell.shown.as_ref()?, cell.n))
    }
    match row.strokes.as_slice() {
        [only] => row.over.as_ref().and_then(of).or_else(|| only.as_ref().and_then(of)),
        _ => row.over.as_ref().and_then(of),
    }
}

fn fact(row: &MeasureRow, statement: Option<&StatementRow>) -> Option<Fact> {
    let (shown, n) = measured(row)?;
    Some(Fact {
        id: row.id.clone(),
        plain: plain_words::plain(&row.id, shown),
        statement: statement.map(|s| s.text.clone()),
        answer: statement.map(answer),
        name: row.name.clone(),
        shown: shown.clone(),
        basis: counted(n, "stroke"),
        definition: row.definition.clone(),
    })
}

fn answer(row: &StatementRow) -> String {
    let total = row.answers.len();
    let first = match row.majority() {
        Some(Verdict::DoesNotHold) => format!("Does not hold in {} of {}", row.against, counted(total, "stroke")),
        _ => format!("Holds in {} of {}", row.holds, counted(total, "stroke")),
    };
    let first = match (row.only_together(), row.majority()) {
        (true, Some(Verdict::DoesNotHold)) => {
            format!(
                "All strokes together: does not hold. By itself it does not hold in {} of {}",
                row.against,
                counted(total, "stroke")
            )
        }
        (true, _) => {
            format!("All strokes together: holds. By itself it holds in {} of {}", row.holds, counted(total, "stroke"))
        }
        _ => first,
    };
    let rest = [
        (row.holds, "holds", Some(Verdict::Holds)),
        (row.against, "does not hold", Some(Verdict::DoesNotHold)),
        (row.open, "cannot be told", None),
    ];
    let rest = rest.iter().filter(|(n, _, verdict)| *n > 0 && *verdict != row.majority());
    rest.fold(first, |text, (n, words, _)| format!("{text}; {words} in {n}")) + "."
}

/// First four letters of every word of four letters or more.
fn stems(text: &str) -> Vec<String> {
    text.split(|c: char| !c.is_alphanumeric())
        .filter(|word| word.chars().count() >= 4)
        .map(|word| word.to_lowercase().chars().take(4).collect())
        .collect()
}

/// For each statement, the number of words shared with the question that are not everywhere.
fn shared_words(question: &str, statements: &[StatementRow], measures: &Measures) -> Vec<usize> {
    let mut asked = stems(question);
    asked.sort();
    asked.dedup();
    let texts: Vec<Vec<String>> = statements
        .iter()
        .map(|s| {
            let names = s.rests_on.iter().filter_map(|id| measures.row(id)).map(|row| row.name.as_str());
            stems(&names.fold(format!("{} {}", s.text, s.suspected), |text, name| format!("{text} {name}")))
        })
        .collect();
    let common = |stem: &String| texts.iter().filter(|t| t.contains(stem)).count() * 2 > texts.len();
    texts.iter().map(|t| asked.iter().filter(|stem| t.contains(stem) && !common(stem)).count()).collect()
}

/// The facts, by the rules at the head of this file.
pub(crate) fn choose(question: &str, statements: &[StatementRow], measures: &Measures) -> Vec<Fact> {
    let shared = shared_words(question, statements, measures);
    let mut order: Vec<usize> = (0..statements.len()).collect();
    order.sort_by_key(|i| std::cmp::Reverse(shared[*i])); // stable: the analysis' order among equals
    let mut facts: Vec<Fact> = Vec::new();
    let mut used: Vec<&str> = Vec::new();
    for statement in order.iter().filter_map(|i| statements.get(*i)).filter(|s| s.majority().is_some()) {
        let row = statement.rests_on.iter().filter_map(|id| measures.row(id)).find(|row| measured(row).is_some());
        let Some(row) = row.filter(|row| facts.len() < MOST && !used.contains(&row.id.as_str())) else { continue };
        facts.extend(fact(row, Some(statement)));
        used.push(&row.id);
    }
    if facts.is_empty() {
        facts.extend(measures.rows.iter().find_map(|row| fact(row, None)));
    }
    facts
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{fixture, statements};
    use midline_session::strokes::{Outcome, Strokes};

    fn chosen(question: &str, strokes: &Strokes) -> Vec<Fact> {
        choose(question, &statements::rows(strokes), &Measures::of(strokes))
    }

    #[test]
    fn the_statement_that_the_coach_asks_about_comes_first() {
        let strokes = fixture::strokes();
        let facts = chosen("Does the take-back start too late after the bounce?", &strokes);
        assert_eq!(facts.len(), 2);
        assert!(facts[0].name.contains("bounce"), "{facts:?}");
        let facts = chosen("Is the racket slowing down, is there a hitch?", &strokes);
        assert!(facts[0].statement.as_ref().unwrap().contains("hitch"), "{facts:?}");
        assert_eq!(
            facts[0].answer.as_deref(),
            Some("Does not hold in 4 of 6 strokes; holds in 1; cannot be told in 1.")
        );
    }

    /// The demo's report once left out what its coach asked, because one stroke in three decided it and only all of them together told.
    #[test]
    fn what_only_all_strokes_together_tell_is_a_fact_when_the_coach_asks_for_it() {
        let mut strokes = fixture::strokes();
        let (mut id, mut open) = (String::new(), 0);
        for statement in strokes.strokes.iter_mut().flat_map(|s| &mut s.statements).filter(|s| s.text.contains("hitch"))
        {
            id.clone_from(&statement.id);
            statement.verdict = Verdict::CannotBeTold;
            open += 1;
        }
        let question = "Is the racket slowing down, is there a hitch?";
        strokes.answers.suspicions.clear();
        let has = |facts: &[Fact]| facts.iter().any(|f| f.statement.as_ref().is_some_and(|s| s.contains("hitch")));
        assert!(open > 0 && !has(&chosen(question, &strokes)));
        strokes.answers.suspicions.push(midline_session::strokes::SuspicionAnswer {
            text: "hitch".to_owned(),
            tested: "a hitch".to_owned(),
            answer: midline_session::strokes::Answer::Supported,
            evidence: Vec::new(),
            rests_on: vec![id],
        });
        let facts = chosen(question, &strokes);
        assert!(has(&facts[..1]), "{facts:?}");
        let answer = facts[0].answer.as_deref().unwrap();
        assert!(answer.starts_with("All strokes together: does not hold."), "{answer}");
    }

    /// The demo's coach asks whether the racket slows down; no statement has that word, the suspicion does.
    #[test]
    fn a_question_in_the_words_of_a_suspicion_once_brought_other_statements_first() {
        let mut strokes = fixture::strokes();
        let id = strokes.strokes[0].statements.iter().find(|s| s.text.contains("hitch")).unwrap().id.clone();
        strokes.answers.suspicions.clear();
        let question = "It seems sluggish somewhere; and what of the bounce?";
        let first = |strokes: &Strokes| chosen(question, strokes)[0].statement.clone().unwrap();
        assert!(!first(&strokes).contains("hitch"));
        strokes.answers.suspicions.push(midline_session::strokes::SuspicionAnswer {
            text: "sluggish somewhere".to_owned(),
            tested: "a hitch".to_owned(),
            answer: midline_session::strokes::Answer::CannotBeTold,
            evidence: Vec::new(),
            rests_on: vec![id],
        });
        assert!(first(&strokes).contains("hitch"));
    }

    #[test]
    fn without_a_majority_a_measure_is_given_and_without_a_measure_nothing() {
        let mut strokes = fixture::strokes();
        for stroke in &mut strokes.strokes {
            stroke.statements.clear();
        }
        let facts = chosen("", &strokes);
        assert_eq!((facts.len(), facts[0].statement.as_ref()), (1, None));
        for measure in strokes.over_strokes.iter_mut().chain(strokes.strokes.iter_mut().flat_map(|s| &mut s.measures)) {
            measure.outcome = Outcome::NotMeasurable { because: "hidden".into() };
        }
        assert_eq!(chosen("", &strokes), []);
        assert_eq!(chosen("why?", &Strokes::default()), []);
    }
}
