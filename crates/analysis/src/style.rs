//! The style in words: on which side the racket travels behind the body. Described, never graded.

use midline_signal::normal_probability;

use crate::trials::Evaluations;

/// Nearer to the midline plane than this the racket is called in line, metres. A convention of this program.
const IN_LINE_M: f64 = 0.10;

/// How the racket tip travels before contact.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Travel {
    OnHittingSide,
    InLine,
    Across,
}

/// A style and how likely it is, given the measure's interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Style {
    pub(crate) travel: Travel,
    pub(crate) probability: f64,
    farthest_m: f64,
}

/// The most likely style; `None` when the racket's distance to the midline plane is not measurable.
pub(crate) fn of(evaluations: &Evaluations) -> Option<Style> {
    let (farthest_m, sd) = evaluations.normal("tip-farthest-across")?;
    let below = |limit: f64| normal_probability((limit - farthest_m) / sd.max(1e-9));
    let across = below(-IN_LINE_M);
    let in_line = below(IN_LINE_M) - across;
    let options =
        [(Travel::Across, across), (Travel::InLine, in_line), (Travel::OnHittingSide, 1.0 - across - in_line)];
    let (travel, probability) = options.into_iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    Some(Style { travel, probability, farthest_m })
}

/// Probability that the ball was met on the other side of the body (a backhand); `None` when that is not measurable.
pub(crate) fn backhand_probability(evaluations: &Evaluations) -> Option<f64> {
    let (side_m, sd) = evaluations.normal("contact-mid-shoulder-side")?;
    Some(normal_probability(-side_m / sd.max(1e-9)))
}

/// The description that is shown.
pub(crate) fn words(evaluations: &Evaluations) -> String {
    let met = match backhand_probability(evaluations) {
        Some(p) if p > 0.95 => " The ball is met on the other side of the body (backhand side).",
        _ => "",
    };
    let Some(style) = of(evaluations) else {
        return format!("The style cannot be described: where the racket travels was not measurable.{met}");
    };
    let far = style.farthest_m.abs();
    let text = match style.travel {
        Travel::Across => {
            format!("Across: before contact the racket tip goes {far:.2} m across the midline of the body")
        }
        Travel::InLine => format!(
            "In line: before contact the racket tip stays within {IN_LINE_M:.2} m of the midline of the body at its farthest"
        ),
        Travel::OnHittingSide => format!(
            "Hitting side: before contact the racket tip stays on the hitting side, at least {far:.2} m from the midline of the body"
        ),
    };
    format!("{text} (probability {:.2}).{met}", style.probability)
}
