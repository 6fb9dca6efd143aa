//! Functional principal components: the few ways in which curves differ from their mean (Ramsay & Silverman 2005, ch. 8). Integrals over a
//! curve are taken by the trapezoid rule, so that its two ends count half.

use nalgebra::DMatrix;
use serde::Serialize;

use crate::CohortError;

/// Principal components of curves.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Components {
    /// Mean curve.
    pub mean: Vec<f64>,
    /// Component curves of unit size (mean square 1 over the curve), the largest share first; the largest value positive.
    pub curves: Vec<Vec<f64>>,
    /// Share of the total variance of each.
    pub shares: Vec<f64>,
    /// Scores: `scores[curve][component]`, in the unit of the curves.
    pub scores: Vec<Vec<f64>>,
}

/// The first `count` components of curves sampled at equal steps.
///
/// # Errors
/// When there are fewer than three curves, lengths differ, a curve has a gap, or nothing varies.
pub fn components(curves: &[Vec<f64>], count: usize) -> Result<Components, CohortError> {
    let what = "principal components";
    let instants = curves.first().map_or(0, Vec::len);
    if curves.len() < 3 || instants < 2 || curves.iter().any(|c| c.len() != instants) {
        return Err(CohortError::too_few(what, "at least three curves of one length are needed"));
    }
    if curves.iter().flatten().any(|v| !v.is_finite()) {
        return Err(CohortError::too_few(what, "a curve has a gap"));
    }
    let n = curves.len() as f64;
    let mean: Vec<f64> = (0..instants).map(|k| curves.iter().map(|c| c[k]).sum::<f64>() / n).collect();
    // Square root of each instant's share of the curve.
    let root = |k: usize| ((if k == 0 || k + 1 == instants { 0.5 } else { 1.0 }) / (instants as f64 - 1.0)).sqrt();
    let centred = DMatrix::from_fn(curves.len(), instants, |row, k| (curves[row][k] - mean[k]) * root(k));
    let svd = centred.clone().svd(false, true);
    let total: f64 = svd.singular_values.iter().map(|s| s * s).sum();
    let Some(right) = svd.v_t.filter(|_| total > 0.0) else {
        return Err(CohortError::too_few(what, "all curves are the same"));
    };
    let mut found = Components { mean, curves: Vec::new(), shares: Vec::new(), scores: vec![Vec::new(); curves.len()] };
    for component in 0..count.min(svd.singular_values.len()) {
        let row = right.row(component);
        let curve: Vec<f64> = row.iter().enumerate().map(|(k, v)| v / root(k)).collect();
        let sign = curve.iter().copied().max_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap_or(1.0).signum();
        for (index, scores) in found.scores.iter_mut().enumerate() {
            scores.push(sign * centred.row(index).dot(&row));
        }
        found.curves.push(curve.into_iter().map(|v| v * sign).collect());
        found.shares.push(svd.singular_values[component].powi(2) / total);
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_known_ways_to_differ_are_found_and_rebuild_the_curves() {
        let at = |k: usize| k as f64 / 100.0 * std::f64::consts::TAU;
        let curves: Vec<Vec<f64>> = (0..20)
            .map(|i| {
                let (a, b) = ((f64::from(i) * 1.7).sin() * 3.0, (f64::from(i) * 0.9).cos());
                (0..100).map(|k| 5.0 + a * at(k).sin() + b * at(k).cos()).collect()
            })
            .collect();
        let found = components(&curves, 4).unwrap();
        assert!(found.shares[0] + found.shares[1] > 1.0 - 1e-12, "{:?}", found.shares);
        assert!(found.shares[0] > 0.8);
        for (curve, scores) in curves.iter().zip(&found.scores) {
            for k in 0..100 {
                let rebuilt = found.mean[k] + scores[0] * found.curves[0][k] + scores[1] * found.curves[1][k];
                assert!((curve[k] - rebuilt).abs() < 1e-9);
            }
        }
        assert!(components(&curves[..2], 1).is_err());
        assert!(components(&vec![vec![1.0; 5]; 4], 1).is_err());
    }
}
