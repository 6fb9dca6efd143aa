//! A coach's suspicions, tested: plain trade terms are read as one of the sentences below.
//!
//! A suspicion is tested with the measures' intervals, stroke by stroke; over the strokes it is supported when most strokes
//! support it and none contradicts it, and the other way round.

use midline_session::strokes::{Answer, Outcome, Stroke, SuspicionAnswer, Verdict, shown_unit};
use midline_signal::normal_probability;

/// From this probability on a stroke supports a suspicion, below its complement it contradicts it.
const CERTAIN: f64 = 0.95;

/// How one stroke is tested.
enum Test {
    /// Supported when the statement does not hold.
    StatementFails(&'static str),
    /// Supported when the measure lies below the limit (in its unit).
    Below(&'static str, f64),
    /// Supported when the measure lies above the limit.
    Above(&'static str, f64),
}

struct Suspicion {
    /// What is tested, with the limit in words.
    tested: &'static str,
    /// Each group must have one of its words (beginnings of words) in the coach's sentence.
    words: &'static [&'static [&'static str]],
    test: Test,
}

const TAKE_BACK: &[&str] = &["take-back", "takeback", "backswing", "preparation", "prepares", "shoulder turn"];
const SLOWS: &[&str] = &["slow", "stop", "hitch", "dip", "pause", "hesitat", "stall", "brake"];
const EARLY: &[&str] = &["early", "soon"];

/// The first that fits counts, so narrower sentences stand first. Limits are conventions of this program.
const KNOWN: &[Suspicion] = &[
    Suspicion {
        tested: "racket speed peaks more than 10 ms before contact",
        words: &[SLOWS, &["before contact", "into contact", "before the ball", "before impact"]],
        test: Test::Below("tip-speed-peak-time", -0.010),
    },
    Suspicion {
        tested: "racket speed has a dip between the end of the take-back and contact",
        words: &[SLOWS, &["drop", "racket", "swing", "forward"]],
        test: Test::StatementFails("speed-rises-without-dip"),
    },
    Suspicion {
        tested: "the take-back (racket hand) starts more than 0.15 s before the bounce",
        words: &[TAKE_BACK, EARLY],
        test: Test::Below("take-back-minus-bounce-hand", -0.15),
    },
    Suspicion {
        tested: "the take-back (racket hand) starts more than 0.15 s after the bounce",
        words: &[TAKE_BACK, &["late"]],
        test: Test::Above("take-back-minus-bounce-hand", 0.15),
    },
    Suspicion {
        tested: "the trunk opens before the top of the racket drop",
        words: &[&["trunk", "body", "shoulders", "chest"], &["open", "turn", "rotat"], EARLY],
        test: Test::Below("trunk-opening-minus-drop-top", 0.0),
    },
    Suspicion {
        tested: "the trunk opens after the bottom of the racket drop",
        words: &[&["trunk", "body", "shoulders", "chest"], &["open", "turn", "rotat"], &["late"]],
        test: Test::Above("trunk-opening-minus-drop-bottom", 0.0),
    },
    Suspicion {
        tested: "the ball is met behind the middle between the shoulders, in the trunk's own axes",
        words: &[&["contact", "meets the ball", "ball is met", "hits the ball"], &["late", "behind", "back"]],
        test: Test::Below("contact-mid-shoulder-front", 0.0),
    },
    Suspicion {
        tested: "the dominant shoulder is not in front of the other at contact",
        words: &[&["shoulder"], &["stays back", "behind", "not through", "does not come through", "closed", "stuck"]],
        test: Test::Below("dominant-shoulder-ahead", 0.0),
    },
    Suspicion {
        tested: "before contact the racket tip goes more than 0.10 m across the midline of the body",
        words: &[&["racket", "take-back", "backswing"], &["across", "behind the body", "behind the back"]],
        test: Test::Below("tip-farthest-across", -0.10),
    },
    Suspicion {
        tested: "the segments do not fire from the hips outward",
        words: &[
            &["arm", "segments", "order", "sequence", "chain"],
            &["before", "first", "order", "sequence", "alone", "wrong"],
        ],
        test: Test::StatementFails("hips-outward"),
    },
];

/// Answers in the order of the suspicions.
pub(crate) fn answer(suspicions: &[String], strokes: &[Stroke]) -> Vec<SuspicionAnswer> {
    suspicions.iter().map(|text| one(text, strokes)).collect()
}

fn reads_as(text: &str) -> Option<&'static Suspicion> {
    let lower = text.to_lowercase();
    // A word is found at its beginning only: "late" is not in "plate".
    let has = |word: &str| {
        lower.match_indices(word).any(|(at, _)| !lower[..at].chars().next_back().is_some_and(char::is_alphanumeric))
    };
    KNOWN.iter().find(|known| known.words.iter().all(|group| group.iter().any(|word| has(word))))
}

fn one(text: &str, strokes: &[Stroke]) -> SuspicionAnswer {
    let Some(known) = reads_as(text) else {
        let sentences: Vec<&str> = KNOWN.iter().map(|known| known.tested).collect();
        return SuspicionAnswer {
            text: text.to_owned(),
            tested: String::new(),
            answer: Answer::CannotBeTold,
            evidence: vec![format!("These words are not understood. What can be tested: {}.", sentences.join("; "))],
            rests_on: Vec::new(),
        };
    };
    let results: Vec<OfStroke> = strokes.iter().map(|stroke| of_stroke(&known.test, stroke)).collect();
    let count = |wanted: Answer| results.iter().filter(|found| found.answer == wanted).count();
    let (for_it, against) = (count(Answer::Supported), count(Answer::Contradicted));
    let together = as_a_habit(&results);
    let answer = if against == 0 && (2 * for_it > results.len() || together.is_some_and(|p| p >= CERTAIN)) {
        Answer::Supported
    } else if for_it == 0 && (2 * against > results.len() || together.is_some_and(|p| p <= 1.0 - CERTAIN)) {
        Answer::Contradicted
    } else {
        Answer::CannotBeTold
    };
    let mut evidence: Vec<String> = strokes
        .iter()
        .zip(&results)
        .map(|(stroke, found)| format!("stroke {}: {} ({})", stroke.number, found.answer.label(), found.why))
        .collect();
    if let Some(p) = together {
        evidence.push(format!(
            "all strokes together: probability {p:.3} that it is so, if it is so in all of them or in none, their errors independent"
        ));
    }
    if for_it > 0 && against > 0 {
        evidence.push(format!("the strokes differ: {for_it} support it, {against} contradict it"));
    }
    let rests_on = match known.test {
        Test::StatementFails(id) | Test::Below(id, _) | Test::Above(id, _) => vec![id.to_owned()],
    };
    SuspicionAnswer { text: text.to_owned(), tested: known.tested.to_owned(), answer, evidence, rests_on }
}

/// What one stroke says.
struct OfStroke {
    answer: Answer,
    /// Probability that it is so.
    probability: Option<f64>,
    why: String,
}

/// Probability that it is so in all strokes rather than in none: even odds times the odds of each stroke (Bayes, errors independent between
/// strokes). No stroke counts for more than 49 to 1, so that one cannot decide for all. `None` for a single stroke, when a stroke says
/// nothing, or when not more than half of them lean the way that all do together.
fn as_a_habit(results: &[OfStroke]) -> Option<f64> {
    const MOST: f64 = 0.98;
    const LEANS: f64 = 0.7;
    let each: Vec<f64> = results.iter().map(|found| found.probability).collect::<Option<_>>()?;
    let log_odds: f64 = each.iter().map(|p| p.clamp(1.0 - MOST, MOST)).map(|p| (p / (1.0 - p)).ln()).sum();
    let leaning = each.iter().filter(|p| if log_odds > 0.0 { **p >= LEANS } else { **p <= 1.0 - LEANS }).count();
    (each.len() > 1 && 2 * leaning > each.len()).then(|| 1.0 / (1.0 + (-log_odds).exp()))
}

fn of_stroke(test: &Test, stroke: &Stroke) -> OfStroke {
    let nothing = |why: String| OfStroke { answer: Answer::CannotBeTold, probability: None, why };
    let from_probability = |p: f64| match p {
        p if p >= CERTAIN => Answer::Supported,
        p if p <= 1.0 - CERTAIN => Answer::Contradicted,
        _ => Answer::CannotBeTold,
    };
    match test {
        Test::StatementFails(id) => {
            let Some(statement) = stroke.statements.iter().find(|s| s.id == *id) else {
                return nothing("the statement was not tested".to_owned());
            };
            let answer = match statement.verdict {
                Verdict::Holds => Answer::Contradicted,
                Verdict::DoesNotHold => Answer::Supported,
                Verdict::CannotBeTold => Answer::CannotBeTold,
            };
            let probability = statement
                .probability
                .map_or_else(|| "no probability".to_owned(), |p| format!("probability {:.2} that it is so", 1.0 - p));
            let shown: Vec<String> = statement.rests_on.iter().map(|id| measured(stroke, id).1).collect();
            let why = format!("{probability}; {}", shown.join("; "));
            OfStroke { answer, probability: statement.probability.map(|p| 1.0 - p), why }
        }
        Test::Below(id, limit) | Test::Above(id, limit) => {
            let (found, shown) = measured(stroke, id);
            let Some((value, sd)) = found else { return nothing(shown) };
            let below = normal_probability((limit - value) / sd.max(1e-9));
            let p = if matches!(test, Test::Below(..)) { below } else { 1.0 - below };
            let why = format!("probability {p:.2}; {shown}");
            OfStroke { answer: from_probability(p), probability: Some(p), why }
        }
    }
}

/// Middle and standard deviation of a measure's interval, and the measure in words.
fn measured(stroke: &Stroke, id: &str) -> (Option<(f64, f64)>, String) {
    let Some(measure) = stroke.measure(id) else {
        return (None, format!("{id} was not measured"));
    };
    match &measure.outcome {
        Outcome::NotMeasurable { because } => (None, format!("{}: not measurable because {because}", measure.name)),
        Outcome::Measured { value, interval_95: [low, high] } => {
            let (factor, unit) = shown_unit(&measure.unit);
            let [v, l, h] = [value, low, high].map(|x| x * factor);
            let text = format!("{} {v:.1} {unit} (95 % {l:.1} to {h:.1})", measure.name);
            (Some(((low + high) / 2.0, (high - low) / (2.0 * 1.96))), text)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strokes_that_lean_the_same_way_decide_together_and_one_never_alone() {
        let strokes = |each: &[Option<f64>]| -> Vec<OfStroke> {
            let of = |p: &Option<f64>| OfStroke { answer: Answer::CannotBeTold, probability: *p, why: String::new() };
            each.iter().map(of).collect()
        };
        let habit = |each: &[f64]| as_a_habit(&strokes(&each.iter().copied().map(Some).collect::<Vec<_>>()));
        // Odds 9, 9 and 3 to 1: 243 to 1.
        assert!((habit(&[0.9, 0.9, 0.75]).unwrap() - 243.0 / 244.0).abs() < 1e-12);
        assert!((habit(&[0.1, 0.1, 0.25]).unwrap() - 1.0 / 244.0).abs() < 1e-12);
        assert_eq!(habit(&[0.9999, 0.5, 0.5]), None);
        assert_eq!(habit(&[0.99]), None);
        assert_eq!(habit(&[0.9, 0.1]), None);
        assert_eq!(as_a_habit(&strokes(&[Some(0.9), Some(0.9), None])), None);
    }

    #[test]
    fn trade_terms_are_read() {
        let tested = |text: &str| reads_as(text).map(|k| k.tested);
        assert!(tested("racket slows in the drop").unwrap().contains("dip"));
        assert!(tested("The racket seems to stop in the drop").unwrap().contains("dip"));
        assert!(tested("take-back starts too early").unwrap().contains("before the bounce"));
        assert!(tested("Backswing is late").unwrap().contains("after the bounce"));
        assert!(tested("contact is late").unwrap().contains("behind the middle"));
        assert!(tested("racket brakes before contact").unwrap().contains("10 ms before contact"));
        assert!(tested("the dominant shoulder stays back").unwrap().contains("shoulder"));
        assert!(tested("the trunk opens too late").unwrap().contains("bottom"));
        assert!(tested("the home plate is dirty").is_none());
        let unread = one("he is unlucky", &[]);
        assert_eq!(unread.answer, Answer::CannotBeTold);
        assert!(unread.evidence[0].contains("What can be tested"));
    }

    #[test]
    fn every_test_names_a_measure_or_statement_that_exists() {
        let ids: Vec<String> = crate::measures::all().into_iter().map(|k| k.id).collect();
        for known in KNOWN {
            match known.test {
                Test::Below(id, _) | Test::Above(id, _) => assert!(ids.iter().any(|i| i == id), "{id}"),
                Test::StatementFails(id) => assert!(["speed-rises-without-dip", "hips-outward"].contains(&id), "{id}"),
            }
        }
    }
}
