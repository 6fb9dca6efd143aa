//! Statements that coaches make, tested against the measures.

use midline_session::strokes::{Statement, Verdict};
use midline_signal::normal_probability;

use crate::measures::continuity::{
    DIP_DEPTH_ID, DIP_EXCESS_ID, DIP_HIDDEN_PROBABILITY_ID, HIDDEN_DIP_ID, is_dip_clear,
};
use crate::measures::sequence::lag_id;
use crate::style::{self, Travel};
use crate::trials::Evaluations;

/// From this probability on a statement holds, below its complement it does not.
const CERTAIN: f64 = 0.95;

/// The take-back starts around the bounce when it starts within this time of it, seconds. A convention of this program.
const AROUND_BOUNCE_SECONDS: f64 = 0.15;

const COMMON_PRACTICE: &str = "common practice, no source";

/// All statements about a stroke.
pub(crate) fn all(evaluations: &Evaluations) -> Vec<Statement> {
    let mut list = vec![
        shoulder_in_front(evaluations),
        no_dip(evaluations),
        around_bounce(evaluations),
        hips_outward(evaluations),
        trunk_opening(evaluations),
    ];
    if style::backhand_probability(evaluations).is_some_and(|p| p > 0.5) {
        // The practice behind these is about forehands.
        for statement in &mut list {
            if matches!(statement.id.as_str(), "dominant-shoulder-in-front" | "trunk-opens-with-drop") {
                statement.verdict = Verdict::CannotBeTold;
                statement.probability = None;
                statement.source = format!(
                    "{COMMON_PRACTICE}; said of forehands, and this ball was met on the other side of the body"
                );
            }
        }
    }
    list
}

fn statement(id: &str, text: String, probability: Option<f64>, rests_on: Vec<String>, source: &str) -> Statement {
    let verdict = match probability {
        Some(p) if p >= CERTAIN => Verdict::Holds,
        Some(p) if p <= 1.0 - CERTAIN => Verdict::DoesNotHold,
        _ => Verdict::CannotBeTold,
    };
    Statement { id: id.to_owned(), text, verdict, probability, rests_on, source: source.to_owned() }
}

/// Probability that a measure lies above a limit.
fn above(evaluations: &Evaluations, id: &str, limit: f64) -> Option<f64> {
    let (value, sd) = evaluations.normal(id)?;
    Some(normal_probability((value - limit) / sd.max(1e-9)))
}

fn shoulder_in_front(evaluations: &Evaluations) -> Statement {
    let id = "dominant-shoulder-ahead";
    statement(
        "dominant-shoulder-in-front",
        "The ball is met with the dominant shoulder in front of the other.".to_owned(),
        above(evaluations, id, 0.0),
        vec![id.to_owned()],
        COMMON_PRACTICE,
    )
}

/// Where a dip is clear, from its size; where none is, from how likely one would look like what is seen (even odds of one before).
fn no_dip(evaluations: &Evaluations) -> Statement {
    let probability = if is_dip_clear(evaluations) {
        above(evaluations, DIP_EXCESS_ID, 0.0).map(|p| 1.0 - p)
    } else {
        evaluations.measured(DIP_HIDDEN_PROBABILITY_ID).map(|hidden| 1.0 / (1.0 + hidden))
    };
    statement(
        "speed-rises-without-dip",
        "From the end of the take-back the racket speed rises without a dip until contact (none that lasts 50 ms and takes a tenth of it and 5 % of the speed at contact; briefer ones count where they are clear)."
            .to_owned(),
        probability,
        vec![DIP_DEPTH_ID.to_owned(), HIDDEN_DIP_ID.to_owned()],
        COMMON_PRACTICE,
    )
}

fn around_bounce(evaluations: &Evaluations) -> Statement {
    let id = "take-back-minus-bounce-hand";
    let within = above(evaluations, id, -AROUND_BOUNCE_SECONDS)
        .zip(above(evaluations, id, AROUND_BOUNCE_SECONDS))
        .map(|(early_limit, late_limit)| early_limit - late_limit);
    statement(
        "take-back-around-bounce",
        format!("The take-back starts around the bounce (within {AROUND_BOUNCE_SECONDS} s of it)."),
        within,
        vec![id.to_owned()],
        COMMON_PRACTICE,
    )
}

fn hips_outward(evaluations: &Evaluations) -> Statement {
    let ids: Vec<String> = (0..4).map(lag_id).collect();
    let names: Vec<&str> = ids.iter().map(String::as_str).collect();
    let all_later = evaluations.share_of_trials(&names, |lags| lags.iter().all(|lag| *lag > 0.0));
    // That all four lags are positive is unlikely by itself when none is known; it is contradicted only by a lag that is
    // clearly negative, at a level shared between the four.
    let contradicted = ids.iter().any(|id| above(evaluations, id, 0.0).is_some_and(|p| p <= (1.0 - CERTAIN) / 4.0));
    let mut statement = statement(
        "hips-outward",
        "The segments fire from the hips outward: hip line, shoulder line, upper arm, forearm, racket.".to_owned(),
        all_later,
        ids,
        "order of peak turning speeds as in Landlinger et al. 2010 (J Sports Sci Med 9:643) for pelvis and trunk; for the arm common practice",
    );
    if statement.verdict == Verdict::DoesNotHold && !contradicted {
        statement.verdict = Verdict::CannotBeTold;
    }
    statement
}

fn trunk_opening(evaluations: &Evaluations) -> Statement {
    let (top, bottom) = ("trunk-opening-minus-drop-top", "trunk-opening-minus-drop-bottom");
    let rests_on = vec![top.to_owned(), bottom.to_owned(), "tip-farthest-across".to_owned()];
    let nearer_top = evaluations.share_of_trials(&[top, bottom], |gaps| gaps[0].abs() < gaps[1].abs());
    let (text, probability) = match style::of(evaluations).map(|s| s.travel) {
        Some(Travel::Across) => (
            "The racket goes across, and the trunk opens near the top of the racket drop (nearer to it than to the bottom).",
            nearer_top,
        ),
        Some(Travel::OnHittingSide) => (
            "The racket stays on the hitting side, and the trunk opens near the bottom of the racket drop (nearer to it than to the top).",
            nearer_top.map(|p| 1.0 - p),
        ),
        Some(Travel::InLine) => (
            "The trunk opens in time with the racket drop; for a racket in line practice names neither its top nor its bottom.",
            None,
        ),
        None => ("The trunk opens in time with the racket drop, as the style asks for; the style is not known.", None),
    };
    statement("trunk-opens-with-drop", text.to_owned(), probability, rests_on, COMMON_PRACTICE)
}
