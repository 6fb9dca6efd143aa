//! The same measures over all strokes of a session.

use midline_session::strokes::{Measure, Outcome, Stroke};
use midline_signal::student_factor;

/// Mean of each measure over the strokes in which it was measured, with the 95 % interval of the mean from the spread between
/// strokes: mean ± t · s / √n, t for n - 1 degrees of freedom.
pub(crate) fn summarise(strokes: &[Stroke]) -> Vec<Measure> {
    let Some(first) = strokes.first() else {
        return Vec::new();
    };
    first
        .measures
        .iter()
        .map(|measure| {
            let values: Vec<f64> = strokes
                .iter()
                .filter_map(|stroke| match stroke.measure(&measure.id)?.outcome {
                    Outcome::Measured { value, .. } => Some(value),
                    Outcome::NotMeasurable { .. } => None,
                })
                .collect();
            Measure { n: values.len(), outcome: mean(&values, strokes.len()), ..measure.clone() }
        })
        .collect()
}

fn mean(values: &[f64], strokes: usize) -> Outcome {
    let n = values.len() as f64;
    let Some(factor) = values.len().checked_sub(1).and_then(|degrees| student_factor(degrees, 0.95)) else {
        return Outcome::NotMeasurable {
            because: format!(
                "a mean over strokes with its interval needs two strokes or more, and this was measured in {} of {strokes}",
                values.len()
            ),
        };
    };
    let mean = values.iter().sum::<f64>() / n;
    let spread = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let half = factor * spread / n.sqrt();
    Outcome::Measured { value: mean, interval_95: [mean - half, mean + half] }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn interval_of_the_mean_is_students() {
        // Student 1908 (Biometrika 6:1), sleep data of Cushny & Peebles, differences of the two drugs: mean 1.58; the 95 %
        // interval 0.70 to 2.46 is the one that statistics packages print for it (from memory).
        let differences = [1.2, 2.4, 1.3, 1.3, 0.0, 1.0, 1.8, 0.8, 4.6, 1.4];
        let Outcome::Measured { value, interval_95 } = mean(&differences, 10) else { panic!("measured") };
        assert!((value - 1.58).abs() < 1e-9);
        assert!(
            (interval_95[0] - 0.700_114_2).abs() < 1e-6 && (interval_95[1] - 2.459_885_8).abs() < 1e-6,
            "{interval_95:?}"
        );
    }

    #[test]
    fn one_stroke_has_no_spread() {
        let Outcome::NotMeasurable { because } = mean(&[1.0], 3) else { panic!("not measurable") };
        assert!(because.contains("1 of 3"), "{because}");
    }
}
