//! The same measures over all strokes of a session.

use midline_session::strokes::{Measure, Outcome, Stroke};
use midline_signal::student_factor;

/// Mean of each measure over the strokes in which it was measured, with the 95 % interval of the mean from the spread between
/// strokes: mean ± t · s / √n, t for n - 1 degrees of freedom; but never narrower than what the strokes' own intervals leave
/// open, as when noise happens to give the same value each time.
pub(crate) fn summarise(strokes: &[Stroke]) -> Vec<Measure> {
    let Some(first) = strokes.first() else {
        return Vec::new();
    };
    first
        .measures
        .iter()
        .map(|measure| {
            let measured: Vec<(f64, [f64; 2])> = strokes
                .iter()
                .filter_map(|stroke| match stroke.measure(&measure.id)?.outcome {
                    Outcome::Measured { value, interval_95 } => Some((value, interval_95)),
                    Outcome::NotMeasurable { .. } => None,
                })
                .collect();
            let outcome = mean(&measured, strokes.len()).within(&measure.unit);
            Measure { n: measured.len(), outcome, ..measure.clone() }
        })
        .collect()
}

fn mean(measured: &[(f64, [f64; 2])], strokes: usize) -> Outcome {
    let n = measured.len() as f64;
    let Some(factor) = measured.len().checked_sub(1).and_then(|degrees| student_factor(degrees, 0.95)) else {
        return Outcome::NotMeasurable {
            because: format!(
                "a mean over strokes with its interval needs two strokes or more, and this was measured in {} of {strokes}",
                measured.len()
            ),
        };
    };
    let mean = measured.iter().map(|(v, _)| v).sum::<f64>() / n;
    let spread = (measured.iter().map(|(v, _)| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let half = factor * spread / n.sqrt();
    // Errors of the strokes taken as independent, each side of their intervals for itself.
    let own = |side: fn(&(f64, [f64; 2])) -> f64| measured.iter().map(|m| side(m).powi(2)).sum::<f64>().sqrt() / n;
    let (below, above) = (own(|(v, [low, _])| v - low), own(|(v, [_, high])| high - v));
    Outcome::Measured { value: mean, interval_95: [mean - half.max(below), mean + half.max(above)] }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn interval_of_the_mean_is_students() {
        // Student 1908 (Biometrika 6:1), sleep data of Cushny & Peebles, differences of the two drugs: mean 1.58; the 95 %
        // interval 0.70 to 2.46 is the one that statistics packages print for it (from memory).
        let differences = [1.2, 2.4, 1.3, 1.3, 0.0, 1.0, 1.8, 0.8, 4.6, 1.4];
        let exact = differences.map(|v| (v, [v, v]));
        let Outcome::Measured { value, interval_95 } = mean(&exact, 10) else { panic!("measured") };
        assert!((value - 1.58).abs() < 1e-9);
        assert!(
            (interval_95[0] - 0.700_114_2).abs() < 1e-6 && (interval_95[1] - 2.459_885_8).abs() < 1e-6,
            "{interval_95:?}"
        );
    }

    #[test]
    fn equal_values_keep_the_strokes_own_uncertainty() {
        let Outcome::Measured { interval_95, .. } = mean(&[(0.0, [0.0, 0.2]); 4], 4) else { panic!("measured") };
        assert!(interval_95[0].abs() < 1e-12 && (interval_95[1] - 0.1).abs() < 1e-12, "{interval_95:?}");
    }

    /// The demo's report once gave a dip of 12 % an interval from -14 % on.
    #[test]
    fn a_share_once_had_an_interval_below_nothing() {
        let outcome = mean(&[(0.0, [0.0, 0.1]), (0.3, [0.2, 0.4])], 2).within("share");
        let Outcome::Measured { value, interval_95 } = outcome else { panic!("measured") };
        assert!((value - 0.15).abs() < 1e-12 && interval_95 == [0.0, 1.0], "{interval_95:?}");
        let Outcome::Measured { interval_95, .. } = mean(&[(0.0, [0.0, 0.1]), (0.3, [0.2, 0.4])], 2).within("m") else {
            panic!("measured")
        };
        assert!(interval_95[0] < -1.0, "{interval_95:?}");
    }

    #[test]
    fn one_stroke_has_no_spread() {
        let Outcome::NotMeasurable { because } = mean(&[(1.0, [0.9, 1.1])], 3) else { panic!("not measurable") };
        assert!(because.contains("1 of 3"), "{because}");
    }
}
