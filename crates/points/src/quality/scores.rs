//! Whether a detector's score says how good its point is.

use midline_session::keypoints::Keypoints;
use serde::{Deserialize, Serialize};

use super::{bends, decides, path, quantile};

/// Bins of the table.
const BINS: usize = 5;
/// With fewer points nothing is said.
const LEAST: usize = 100;

/// Points of similar score.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ScoreBin {
    /// Lowest score.
    pub from: f64,
    /// Highest score.
    pub to: f64,
    /// Points.
    pub n: usize,
    /// Median distance from the straight path between the neighbours, in medians of the same point's distances: 1 is usual.
    pub typical: f64,
    /// The same for the worst twentieth.
    pub worst: f64,
}

/// Score against residual.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScoreCalibration {
    /// Points that were compared.
    pub n: usize,
    /// Spearman's rank correlation of score and distance: −1 when a higher score always means a better point, 0 when it says
    /// nothing; `None` with too few points or one score for all.
    pub rank_correlation: Option<f64>,
    /// Fifths of the points by score, lowest first.
    pub bins: Vec<ScoreBin>,
}

pub(crate) fn calibration(raw: &Keypoints) -> ScoreCalibration {
    let mut pairs: Vec<(f64, f64)> = Vec::new();
    for (column, _) in raw.names.iter().enumerate().filter(|(_, name)| decides(name)) {
        let scores: Vec<f64> =
            raw.frames.iter().filter_map(|f| f.points.get(column).copied().flatten()).map(|p| p.score).collect();
        let bends = bends(&path(raw, column));
        // Joints move differently fast: each is measured by its own usual distance.
        let usual = quantile(bends.iter().map(|(_, b)| *b).collect(), 0.5).filter(|m| *m > 0.0);
        let Some(usual) = usual else { continue };
        pairs.extend(bends.iter().filter_map(|(i, bend)| Some((*scores.get(*i)?, bend / usual))));
    }
    let n = pairs.len();
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let one_score = pairs.first().zip(pairs.last()).is_none_or(|(a, b)| a.0 >= b.0);
    if n < LEAST || one_score {
        return ScoreCalibration { n, rank_correlation: None, bins: Vec::new() };
    }
    let bins = (0..BINS)
        .filter_map(|bin| {
            let part = &pairs[bin * n / BINS..(bin + 1) * n / BINS];
            let distances = || part.iter().map(|(_, d)| *d).collect::<Vec<f64>>();
            Some(ScoreBin {
                from: part.first()?.0,
                to: part.last()?.0,
                n: part.len(),
                typical: quantile(distances(), 0.5)?,
                worst: quantile(distances(), 0.95)?,
            })
        })
        .collect();
    let scores: Vec<f64> = pairs.iter().map(|p| p.0).collect();
    let distances: Vec<f64> = pairs.iter().map(|p| p.1).collect();
    ScoreCalibration { n, rank_correlation: correlation(&ranks(&scores), &ranks(&distances)), bins }
}

/// Ranks from 1; equal values share their mean rank.
fn ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut ranks = vec![0.0; values.len()];
    let mut next = 0;
    for same in order.chunk_by(|a, b| values[*a].total_cmp(&values[*b]).is_eq()) {
        let mean = next as f64 + (same.len() as f64 + 1.0) / 2.0;
        for index in same {
            ranks[*index] = mean;
        }
        next += same.len();
    }
    ranks
}

/// Pearson's correlation; of ranks it is Spearman's, ties included.
fn correlation(a: &[f64], b: &[f64]) -> Option<f64> {
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let (ma, mb) = (mean(a), mean(b));
    let product =
        |x: &[f64], mx: f64, y: &[f64], my: f64| -> f64 { x.iter().zip(y).map(|(x, y)| (x - mx) * (y - my)).sum() };
    let spread = (product(a, ma, a, ma) * product(b, mb, b, mb)).sqrt();
    (spread > 0.0).then(|| product(a, ma, b, mb) / spread)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rank_correlation_is_spearmans() {
        // Worked example of the textbooks: IQ against hours of television of ten people, ρ = −29/165 (from memory of the
        // encyclopaedia's article on Spearman's rank correlation).
        let iq = [106.0, 100.0, 86.0, 101.0, 99.0, 103.0, 97.0, 113.0, 112.0, 110.0];
        let hours = [7.0, 27.0, 2.0, 50.0, 28.0, 29.0, 20.0, 12.0, 6.0, 17.0];
        let rho = correlation(&ranks(&iq), &ranks(&hours)).unwrap();
        assert!((rho + 29.0 / 165.0).abs() < 1e-12, "{rho}");
        assert_eq!(ranks(&[2.0, 1.0, 2.0]), [2.5, 1.0, 2.5]);
        assert_eq!(correlation(&[1.0, 1.0], &[1.0, 2.0]), None);
    }
}
