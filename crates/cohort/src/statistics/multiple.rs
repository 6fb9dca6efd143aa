//! Many questions at once.

/// p values after Holm 1979: the chance of even one false finding among all is bounded. In the order given.
#[must_use]
pub fn holm(p: &[f64]) -> Vec<f64> {
    let order = ascending(p);
    let mut adjusted = vec![0.0; p.len()];
    let mut running: f64 = 0.0;
    for (rank, index) in order.iter().enumerate() {
        running = running.max((p.len() - rank) as f64 * p[*index]).min(1.0);
        adjusted[*index] = running;
    }
    adjusted
}

/// p values after Benjamini & Hochberg 1995: the share of false findings among all findings is bounded. In the order given.
#[must_use]
pub fn benjamini_hochberg(p: &[f64]) -> Vec<f64> {
    let order = ascending(p);
    let mut adjusted = vec![0.0; p.len()];
    let mut running: f64 = 1.0;
    for (rank, index) in order.iter().enumerate().rev() {
        running = running.min(p.len() as f64 / (rank + 1) as f64 * p[*index]);
        adjusted[*index] = running;
    }
    adjusted
}

fn ascending(p: &[f64]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]));
    order
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Benjamini & Hochberg 1995, section 3.2: 15 p values of thrombolysis trials; at 0.05 Bonferroni's bound rejects three, theirs four.
    #[test]
    fn the_example_of_benjamini_and_hochberg() {
        let p = [
            0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528,
            0.7590, 1.0,
        ];
        assert_eq!(benjamini_hochberg(&p).iter().filter(|p| **p <= 0.05).count(), 4);
        assert_eq!(holm(&p).iter().filter(|p| **p <= 0.05).count(), 3);
    }

    /// statsmodels 0.14.4, `multipletests` (tests/reference/cohort_values.py).
    #[test]
    fn adjusted_values_as_statsmodels() {
        let p = [0.01, 0.04, 0.03, 0.005, 0.6];
        let near = |a: &[f64], b: &[f64]| a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-12);
        assert!(near(&holm(&p), &[0.04, 0.09, 0.09, 0.025, 0.6]), "{:?}", holm(&p));
        assert!(near(&benjamini_hochberg(&p), &[0.025, 0.05, 0.05, 0.025, 0.6]), "{:?}", benjamini_hochberg(&p));
    }
}
