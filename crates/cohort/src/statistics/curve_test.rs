//! Statistics on whole curves: where do two groups of curves differ, or does a curve follow a number?
//!
//! At every instant a t statistic; its threshold and p hold for the curve as a whole, because neighbouring instants go together. Two ways:
//! random-field theory, which takes the curves as smooth Gaussian noise around their mean (Friston et al. 1994, Hum Brain Mapp 1:210;
//! Worsley et al. 2004, NeuroImage 23:S189; for curves Pataky 2016, J Stat Softw 71:7), and permutation of the labels, which needs only
//! that they could be exchanged ([`permute`], Nichols & Holmes 2002). One curve per player: average a player's curves first.
//!
//! # Conventions
//!
//! Curves are rows of equal length without gaps; positions are numbers of instants from 0, and ends of clusters may lie between two.

use nalgebra::DMatrix;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rayon::iter::{IntoParallelIterator, ParallelIterator};
use serde::Serialize;
use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::CohortError;

/// What is asked of the curves.
#[derive(Debug, Clone, Copy)]
pub enum Design<'a> {
    /// Does the mean curve differ from 0?
    OneSample {
        /// Curves.
        curves: &'a [Vec<f64>],
    },
    /// Does the mean of the differences differ from 0? Curve by curve the same player.
    Paired {
        /// Curves.
        first: &'a [Vec<f64>],
        /// Curves of the same players in the same order, taken away.
        second: &'a [Vec<f64>],
    },
    /// Do the means of two groups differ? Equal variances are taken.
    TwoSample {
        /// Curves of one group.
        first: &'a [Vec<f64>],
        /// Curves of the other, taken away.
        second: &'a [Vec<f64>],
    },
    /// Do the curves follow a number?
    Regression {
        /// Curves.
        curves: &'a [Vec<f64>],
        /// One number per curve.
        numbers: &'a [f64],
    },
}

/// A stretch above the threshold.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Cluster {
    /// From and to, in instants, where the statistic crosses the threshold (linear between instants).
    pub from_to: [f64; 2],
    /// Greater or less than without the effect.
    pub positive: bool,
    /// p of a stretch at least this long at this threshold, for the whole curve.
    pub p: f64,
}

/// A tested set of curves.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CurveTest {
    /// t at every instant.
    pub t: Vec<f64>,
    /// Degrees of freedom.
    pub df: usize,
    /// Smoothness as the full width at half maximum of equal Gaussian noise, in instants; `None` by permutation.
    pub fwhm: Option<f64>,
    /// Threshold of |t|.
    pub threshold: f64,
    /// p of the largest |t| for the whole curve.
    pub p: f64,
    /// Stretches beyond the threshold.
    pub clusters: Vec<Cluster>,
    /// Curves that went in (per group, where there are two).
    pub n: Vec<usize>,
}

/// The design as a matrix, the contrast by its column, and the curves.
struct Model {
    x: DMatrix<f64>,
    y: DMatrix<f64>,
    contrast: Vec<f64>,
    n: Vec<usize>,
    /// Under no effect curves may change their sign (one sample, paired), or labels may be exchanged.
    signs: bool,
}

impl Model {
    fn new(design: Design) -> Result<Self, CohortError> {
        let what = "statistics on curves";
        let too_few = |reason: String| CohortError::too_few(what, reason);
        let rows: Vec<Vec<f64>>;
        let (x, contrast, n, signs) = match design {
            Design::OneSample { curves } => {
                rows = curves.to_vec();
                (DMatrix::from_element(rows.len(), 1, 1.0), vec![1.0], vec![rows.len()], true)
            }
            Design::Paired { first, second } => {
                if first.len() != second.len() {
                    return Err(too_few(format!("{} and {} curves are not pairs", first.len(), second.len())));
                }
                rows = first.iter().zip(second).map(|(a, b)| a.iter().zip(b).map(|(a, b)| a - b).collect()).collect();
                (DMatrix::from_element(rows.len(), 1, 1.0), vec![1.0], vec![rows.len()], true)
            }
            Design::TwoSample { first, second } => {
                rows = first.iter().chain(second).cloned().collect();
                let of = |group: bool, row: usize| f64::from(u8::from((row < first.len()) == group));
                let x = DMatrix::from_fn(rows.len(), 2, |row, column| of(column == 0, row));
                (x, vec![1.0, -1.0], vec![first.len(), second.len()], false)
            }
            Design::Regression { curves, numbers } => {
                if curves.len() != numbers.len() {
                    return Err(too_few(format!("{} curves but {} numbers", curves.len(), numbers.len())));
                }
                rows = curves.to_vec();
                let mean = numbers.iter().sum::<f64>() / numbers.len().max(1) as f64;
                let x =
                    DMatrix::from_fn(rows.len(), 2, |row, column| if column == 0 { numbers[row] - mean } else { 1.0 });
                (x, vec![1.0, 0.0], vec![rows.len()], false)
            }
        };
        let instants = rows.first().map_or(0, Vec::len);
        if instants < 3 || rows.iter().any(|r| r.len() != instants) {
            return Err(too_few("curves need one common length of at least 3 instants".into()));
        }
        if n.iter().any(|n| *n < 2) || rows.len() < x.ncols() + 2 {
            return Err(too_few(format!("{n:?} curves; at least two per group and two degrees of freedom are needed")));
        }
        if rows.iter().flatten().any(|v| !v.is_finite()) {
            return Err(too_few("a curve has a gap; use curves that are measured at every instant".into()));
        }
        let y = DMatrix::from_fn(rows.len(), instants, |row, k| rows[row][k]);
        Ok(Self { x, y, contrast, n, signs })
    }

    fn df(&self) -> usize {
        self.x.nrows() - self.x.ncols()
    }

    /// t at every instant, and the residuals.
    fn t(&self, y: &DMatrix<f64>) -> Option<(Vec<f64>, DMatrix<f64>)> {
        let inverse = (self.x.transpose() * &self.x).try_inverse()?;
        let beta = &inverse * self.x.transpose() * y;
        let residuals = y - &self.x * &beta;
        let c = nalgebra::DVector::from_column_slice(&self.contrast);
        let scale = (c.transpose() * &inverse * &c)[0];
        let t = (0..y.ncols())
            .map(|k| {
                let variance = residuals.column(k).norm_squared() / self.df() as f64;
                // Where all curves agree exactly there is nothing to test.
                let estimate = c.dot(&beta.column(k));
                if variance > 1e-24 * estimate * estimate && variance > 0.0 {
                    estimate / (variance * scale).sqrt()
                } else {
                    0.0
                }
            })
            .collect();
        Some((t, residuals))
    }
}

/// Smoothness of the residuals: from the variance of the slope of residuals scaled to unit sum of squares (Kiebel et al. 1999,
/// NeuroImage 10:756); slopes by central differences, one-sided at the ends. Instants without variance are left out.
fn fwhm(residuals: &DMatrix<f64>) -> Option<f64> {
    let instants = residuals.ncols();
    let norms: Vec<f64> = (0..instants).map(|k| residuals.column(k).norm()).collect();
    let mut widths = Vec::with_capacity(instants);
    for k in 0..instants {
        if norms[k] <= 0.0 {
            continue;
        }
        let (before, after) = (k.saturating_sub(1), (k + 1).min(instants - 1));
        // Scaled by the norm in the middle of the step: the slope of the curve itself, as the theory takes it.
        let slope = (residuals.column(after) - residuals.column(before)) / ((after - before) as f64 * norms[k]);
        widths.push((slope.norm_squared() / (4.0 * std::f64::consts::LN_2)).sqrt());
    }
    let mean = widths.iter().sum::<f64>() / widths.len() as f64;
    (mean > 0.0 && mean.is_finite()).then(|| 1.0 / mean)
}

/// Expected Euler characteristic densities of a t field in 0 and 1 dimension (Worsley et al. 2004).
fn densities(z: f64, df: f64) -> [f64; 2] {
    let tail = StudentsT::new(0.0, 1.0, df).map_or(0.0, |t| t.sf(z));
    let one = (4.0 * std::f64::consts::LN_2).sqrt() / (2.0 * std::f64::consts::PI)
        * (1.0 + z * z / df).powf(-0.5 * (df - 1.0));
    [tail, one]
}

/// p that a t field of that many resels exceeds z anywhere (Poisson clumping), never more than Bonferroni over the instants.
fn p_of_maximum(z: f64, df: f64, resels: f64, instants: usize) -> f64 {
    let [zero, one] = densities(z, df);
    let field = 1.0 - (-(zero + resels * one)).exp();
    field.min(instants as f64 * zero).min(1.0)
}

fn threshold(alpha: f64, df: f64, resels: f64, instants: usize) -> f64 {
    let (mut low, mut high) = (0.0, 10.0);
    while p_of_maximum(high, df, resels, instants) > alpha && high < 1e12 {
        high *= 2.0;
    }
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if p_of_maximum(middle, df, resels, instants) > alpha { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// p of a stretch at least `extent` resels long above z, anywhere (Friston et al. 1994, for one dimension, Poisson clumps).
fn p_of_extent(z: f64, df: f64, resels: f64, extent: f64) -> f64 {
    let [zero, one] = densities(z, df);
    let expected = zero + resels * one;
    if expected <= 0.0 || zero <= 0.0 {
        return 0.0;
    }
    // Mean length of a stretch inside the curve: resels above z over the number of stretches that begin inside; lengths follow
    // exp(-β k²) in one dimension, with β = (Γ(3/2) / mean length)².
    let mean_length = zero / one;
    let beta = std::f64::consts::PI / 4.0 / (mean_length * mean_length);
    1.0 - (-expected * (-beta * extent * extent).exp()).exp()
}

/// Stretches where `|t|` is beyond the threshold, with interpolated ends.
fn clusters(t: &[f64], threshold: f64) -> Vec<([f64; 2], bool)> {
    let mut found = Vec::new();
    for sign in [1.0, -1.0] {
        let above = |k: usize| sign * t[k] > threshold;
        let mut k = 0;
        while k < t.len() {
            if !above(k) {
                k += 1;
                continue;
            }
            let start = k;
            while k < t.len() && above(k) {
                k += 1;
            }
            let end = k - 1;
            let crossing = |inside: usize, outside: usize| {
                let (a, b) = (sign * t[outside], sign * t[inside]);
                outside as f64 + (inside as f64 - outside as f64) * (threshold - a) / (b - a)
            };
            let from = if start == 0 { 0.0 } else { crossing(start, start - 1) };
            let to = if end + 1 == t.len() { end as f64 } else { crossing(end, end + 1) };
            found.push(([from, to], sign > 0.0));
        }
    }
    found.sort_by(|a, b| a.0[0].total_cmp(&b.0[0]));
    found
}

/// Random-field test at the level `alpha`; two-sided when `two_sided` is set.
///
/// # Errors
/// When there are too few curves, their lengths differ, or they have gaps.
pub fn test(design: Design, alpha: f64, two_sided: bool) -> Result<CurveTest, CohortError> {
    let model = Model::new(design)?;
    let none =
        || CohortError::too_few("statistics on curves", "the curves do not vary, or the numbers are all the same");
    let (t, residuals) = model.t(&model.y).ok_or_else(none)?;
    let fwhm = fwhm(&residuals).ok_or_else(none)?;
    let (instants, df) = (t.len(), model.df() as f64);
    let resels = (instants - 1) as f64 / fwhm;
    let sides = if two_sided { 2.0 } else { 1.0 };
    let threshold = threshold(alpha / sides, df, resels, instants);
    let largest = t.iter().map(|t| if two_sided { t.abs() } else { *t }).fold(f64::NEG_INFINITY, f64::max);
    let p = (sides * p_of_maximum(largest, df, resels, instants)).min(1.0);
    let clusters = clusters(&t, threshold)
        .into_iter()
        .filter(|(_, positive)| two_sided || *positive)
        .map(|(from_to, positive)| {
            // A stretch of one instant has the length that its crossings give it.
            let extent = (from_to[1] - from_to[0]).max(0.0) / fwhm;
            Cluster { from_to, positive, p: (sides * p_of_extent(threshold, df, resels, extent)).min(1.0) }
        })
        .collect();
    Ok(CurveTest { t, df: model.df(), fwhm: Some(fwhm), threshold, p, clusters, n: model.n })
}

/// Two-sided permutation test at the level `alpha`: signs are flipped (one sample, paired) or labels exchanged, `permutations` times from
/// `seed`; the threshold is that of the largest |t| over the curve, p of a cluster that of its largest |t|.
///
/// # Errors
/// As for [`test`].
pub fn permute(design: Design, alpha: f64, permutations: usize, seed: u64) -> Result<CurveTest, CohortError> {
    let model = Model::new(design)?;
    let none =
        || CohortError::too_few("statistics on curves", "the curves do not vary, or the numbers are all the same");
    let (t, _) = model.t(&model.y).ok_or_else(none)?;
    let largest = |t: &[f64]| t.iter().fold(0.0, |m: f64, t| m.max(t.abs()));
    let rows = model.y.nrows();
    let mut maxima: Vec<f64> = (0..permutations)
        .into_par_iter()
        .map(|number| {
            let mut random =
                StdRng::seed_from_u64(seed.wrapping_add((number as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15)));
            let mut y = model.y.clone();
            if model.signs {
                for row in 0..rows {
                    if random.random::<bool>() {
                        y.row_mut(row).neg_mut();
                    }
                }
            } else {
                for row in (1..rows).rev() {
                    y.swap_rows(row, random.random_range(0..=row));
                }
            }
            model.t(&y).map_or(0.0, |(t, _)| largest(&t))
        })
        .collect();
    // The labels as they were are one of the possible arrangements.
    maxima.push(largest(&t));
    maxima.sort_by(f64::total_cmp);
    let p_of = |z: f64| (maxima.len() - maxima.partition_point(|m| *m < z - 1e-12)) as f64 / maxima.len() as f64;
    let place = ((1.0 - alpha) * maxima.len() as f64).ceil() as usize;
    let threshold = maxima[place.clamp(1, maxima.len()) - 1];
    let found = clusters(&t, threshold)
        .into_iter()
        .map(|(from_to, positive)| {
            let inside = (from_to[0].ceil() as usize)..=(from_to[1].floor() as usize);
            Cluster { from_to, positive, p: p_of(largest(&t[inside])) }
        })
        .collect();
    Ok(CurveTest { df: model.df(), fwhm: None, threshold, p: p_of(largest(&t)), clusters: found, n: model.n, t })
}
