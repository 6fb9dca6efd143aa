//! What a measured number says, in words that a player understands without a definition.

use serde::Serialize;

use crate::numbers::Shown;

/// A number said in a sentence, with its interval in the same words.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Plain {
    pub(crate) sentence: String,
    /// `between 311 and 409 ms`.
    pub(crate) interval: String,
}

/// Words for the two signs of a measure; `{}` is the size with its unit.
const WORDS: [(&str, &str, &str); 7] = [
    (
        "take-back-minus-bounce-hand",
        "The racket hand starts back {} before the ball bounces.",
        "The racket hand starts back {} after the ball bounces.",
    ),
    (
        "dominant-shoulder-ahead",
        "At contact the hitting shoulder is {} behind the other.",
        "At contact the hitting shoulder is {} ahead of the other.",
    ),
    (
        "tip-farthest-across",
        "In the take-back the racket tip goes {} across the middle of the body.",
        "In the take-back the racket tip stays {} on the hitting side.",
    ),
    (
        "trunk-opening-minus-drop-top",
        "The trunk begins to open {} before the racket is at the top of its drop.",
        "The trunk begins to open {} after the racket was at the top of its drop.",
    ),
    (
        "hip-line-to-shoulder-line-lag",
        "The hips turn fastest {} after the shoulders.",
        "The hips turn fastest {} before the shoulders.",
    ),
    ("tip-speed-contact", "", "The racket tip meets the ball at {}."),
    ("tip-speed-dip-depth", "", "On its way to the ball the racket loses {} of its speed before it gains speed again."),
];

/// The sentence for a measure, when there is one and the whole interval is on one side of zero.
pub(crate) fn plain(id: &str, shown: &Shown) -> Option<Plain> {
    let (_, negative, positive) = WORDS.iter().find(|(known, ..)| *known == id)?;
    let [low, high] = shown.interval;
    let words = if high < 0.0 {
        negative
    } else if low > 0.0 {
        positive
    } else {
        return None;
    };
    if words.is_empty() {
        return None;
    }
    let bare = |text: &str| text.trim_start_matches('\u{2212}').to_owned();
    let suffix = &shown.suffix;
    let [size, near, far] = if high < 0.0 {
        [bare(&shown.value), bare(&shown.high), bare(&shown.low)]
    } else {
        [&shown.value, &shown.low, &shown.high].map(Clone::clone)
    };
    Some(Plain {
        sentence: words.replace("{}", &format!("{size}{suffix}")),
        interval: format!("between {near} and {far}{suffix}"),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_signs_have_words_and_an_interval_over_zero_has_none() {
        let say = |id, value, interval, unit| plain(id, &Shown::of(value, interval, unit).unwrap());
        let early = say("take-back-minus-bounce-hand", -0.36, [-0.409, -0.311], "s").unwrap();
        assert_eq!(early.sentence, "The racket hand starts back 360 ms before the ball bounces.");
        assert_eq!(early.interval, "between 311 and 409 ms");
        let ahead = say("dominant-shoulder-ahead", 0.09, [0.02, 0.16], "m").unwrap();
        assert_eq!(ahead.sentence, "At contact the hitting shoulder is 9 cm ahead of the other.");
        let dip = say("tip-speed-dip-depth", 0.237, [0.08, 0.35], "share").unwrap();
        assert_eq!((dip.sentence.contains("24 %"), dip.interval.as_str()), (true, "between 8 and 35 %"));
        assert_eq!(say("dominant-shoulder-ahead", 0.01, [-0.02, 0.04], "m"), None);
        assert_eq!(say("something-else", 0.1, [0.05, 0.15], "m"), None);
    }
}
