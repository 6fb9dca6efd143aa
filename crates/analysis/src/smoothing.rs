//! Positions and velocities of one point on the stroke's grid: local cubics that never cross contact.
//!
//! Samples within one frame spacing (and the standard deviation of contact) of contact are left out on both sides, because
//! per-instant points are interpolated between frames and a sample there mixes before and after. Up to contact only the
//! samples before it are used, past it only those after; next to it the window keeps its length and the estimate is carried
//! on to contact, with the larger noise that this brings.
//!
//! Every estimate is a fixed linear combination of samples, so that a trial with other noise costs a few multiplications.

use midline_signal::{Stencil, stencil, window_within};
use nalgebra::{Matrix3, Vector3};
use rand::Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::grid::Grid;
use crate::samples::Sample;
use crate::swings::median;

/// Degree of the local polynomials.
const DEGREE: usize = 3;

/// A sample is an outlier when the curve through its neighbours misses it by more than this many standard deviations.
const OUTLIER_SDS: f64 = 5.0;

/// Most noise that an estimate may pass: standard deviation of the position in standard deviations of a sample.
const MOST_GAIN_INSIDE: f64 = 1.6;
const MOST_GAIN_AT_CONTACT: f64 = 4.0;

/// Median of a chi-squared number with three degrees of freedom (standard tables; from memory).
const CHI_SQUARED_3_MEDIAN: f64 = 2.366;

/// Position and velocity at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct State {
    /// World position, metres.
    pub(crate) position: Vector3<f64>,
    /// World velocity, m/s.
    pub(crate) velocity: Vector3<f64>,
}

/// How the smoothing is set for one stroke.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SmoothingSettings {
    /// Half the window's length, seconds.
    pub(crate) half_window_seconds: f64,
    /// What the cubic may miss, metres.
    pub(crate) misfit_allowance_m: f64,
    /// Samples nearer than this to contact are left out, seconds.
    pub(crate) margin_seconds: f64,
    /// Spacing of the frames (or of the instants, if larger), seconds.
    pub(crate) frame_seconds: f64,
}

#[derive(Debug, Clone)]
struct Cell {
    start: usize,
    stencil: Stencil,
}

/// A point's samples of one stroke and their smoothing.
#[derive(Debug, Clone)]
pub(crate) struct SmoothedPoint {
    /// Samples in use; `seconds` are to contact.
    samples: Vec<Sample>,
    /// Number of samples before contact.
    before: usize,
    cells: Vec<Option<Cell>>,
    /// Standard deviation of the noise that changes from sample to sample, in units of the samples' covariances.
    independent: f64,
    /// Standard deviation of the noise that all samples share, in the same units.
    common: f64,
    /// Samples left out as outliers.
    pub(crate) outliers: usize,
    /// Samples left out because they were interpolated across contact.
    pub(crate) across_contact: usize,
}

impl SmoothedPoint {
    /// Smooths `samples` (session time, any length) around `contact_seconds`.
    pub(crate) fn new(samples: &[Sample], contact_seconds: f64, grid: &Grid, settings: &SmoothingSettings) -> Self {
        let reach = settings.half_window_seconds;
        let relative = samples
            .iter()
            .map(|s| Sample { seconds: s.seconds - contact_seconds, ..*s })
            .filter(|s| s.seconds >= grid.first_seconds() - reach && s.seconds <= grid.last_seconds() + reach);
        let (mut kept, across): (Vec<_>, Vec<_>) = relative.partition(|s| s.seconds.abs() >= settings.margin_seconds);
        let (outliers, scatter_squared) = screen(&mut kept, settings);
        let before = kept.partition_point(|s| s.seconds < 0.0);
        // Scatter beyond the covariances enlarges them. Scatter well below them means that part of the error does not change
        // from sample to sample (calibration, a joint seen off its centre): smoothing does not reduce that part.
        let (independent, common) = if scatter_squared >= 0.8 {
            (if scatter_squared > 1.2 { scatter_squared.sqrt() } else { 1.0 }, 0.0)
        } else {
            (scatter_squared.sqrt(), (0.8 - scatter_squared).sqrt())
        };
        let mut point = Self {
            samples: kept,
            before,
            cells: Vec::new(),
            independent,
            common,
            outliers,
            across_contact: across.len(),
        };
        point.cells = (0..grid.len).map(|k| point.cell(grid, k, settings)).collect();
        point
    }

    fn cell(&self, grid: &Grid, k: usize, settings: &SmoothingSettings) -> Option<Cell> {
        let at = grid.seconds(k as f64);
        let is_before = k <= grid.contact;
        let span = if is_before { 0..self.before } else { self.before..self.samples.len() };
        let seconds: Vec<f64> = self.samples.get(span.clone())?.iter().map(|s| s.seconds).collect();
        let (first, last) = (*seconds.first()?, *seconds.last()?);
        let near_contact = if is_before { at > last } else { at < first };
        let outward = if is_before { first - at } else { at - last };
        let gap = seconds.iter().map(|t| (t - at).abs()).fold(f64::INFINITY, f64::min);
        let farthest = if near_contact {
            settings.margin_seconds + 2.0 * settings.frame_seconds
        } else {
            0.75 * settings.half_window_seconds
        };
        if outward > settings.frame_seconds || gap > farthest {
            return None;
        }
        let window = window_within(&seconds, 0..seconds.len(), at, settings.half_window_seconds);
        let inside = self.samples.get(span.start + window.start..span.start + window.end)?;
        if inside.len() < DEGREE + 2 {
            return None;
        }
        let stencil = weighted(inside, at)?;
        let most = if near_contact { MOST_GAIN_AT_CONTACT } else { MOST_GAIN_INSIDE };
        (stencil.gain(0) <= most).then_some(Cell { start: span.start + window.start, stencil })
    }

    /// The measured positions.
    pub(crate) fn positions(&self) -> Vec<Vector3<f64>> {
        self.samples.iter().map(|s| s.position).collect()
    }

    /// The measured positions with further noise of the same size.
    pub(crate) fn noisy_positions(&self, random: &mut impl Rng) -> Vec<Vector3<f64>> {
        let shared = normal_vector(random) * self.common;
        self.samples
            .iter()
            .map(|s| s.position + s.root * (normal_vector(random) * self.independent + shared))
            .collect()
    }

    /// Position and velocity on the grid for these positions of the samples.
    pub(crate) fn states(&self, positions: &[Vector3<f64>]) -> Vec<Option<State>> {
        self.cells
            .iter()
            .map(|cell| {
                let cell = cell.as_ref()?;
                let (values, slopes) = (cell.stencil.coefficients(0), cell.stencil.coefficients(1));
                let mut state = State { position: Vector3::zeros(), velocity: Vector3::zeros() };
                for ((p, a), b) in positions.get(cell.start..)?.iter().zip(values).zip(slopes) {
                    state.position += p * *a;
                    state.velocity += p * *b;
                }
                Some(state)
            })
            .collect()
    }

    /// Standard deviation of a coordinate of the velocity on the grid, m/s.
    pub(crate) fn velocity_sds(&self) -> Vec<Option<f64>> {
        self.cells
            .iter()
            .map(|cell| {
                let cell = cell.as_ref()?;
                let slopes = cell.stencil.coefficients(1);
                let variance: f64 =
                    self.samples.get(cell.start..)?.iter().zip(slopes).map(|(s, a)| a * a * s.variance()).sum();
                Some(variance.sqrt() * self.independent)
            })
            .collect()
    }

    /// The samples before contact that lie in the last `seconds` of them, with the index of the first.
    pub(crate) fn last_before_contact(&self, seconds: f64) -> (usize, &[Sample]) {
        let before = self.samples.get(..self.before).unwrap_or(&[]);
        let from = before.last().map_or(0, |last| before.partition_point(|s| s.seconds < last.seconds - seconds));
        (from, before.get(from..).unwrap_or(&[]))
    }

    /// Noise of one sample's coordinate that changes from sample to sample, in units of its covariance.
    pub(crate) fn independent_sd(&self) -> f64 {
        self.independent
    }
}

/// Three independent standard normal numbers.
pub(crate) fn normal_vector(random: &mut impl Rng) -> Vector3<f64> {
    Vector3::from_fn(|_, _| StandardNormal.sample(random))
}

fn weighted(samples: &[Sample], at: f64) -> Option<Stencil> {
    let seconds: Vec<f64> = samples.iter().map(|s| s.seconds).collect();
    let weights: Vec<f64> = samples.iter().map(|s| 1.0 / s.variance()).collect();
    stencil(&seconds, &weights, at, DEGREE)
}

/// Removes outliers and returns their number with the scatter of the rest: the typical squared residual from the curve in
/// units of the covariances, 1 when these are right.
fn screen(samples: &mut Vec<Sample>, settings: &SmoothingSettings) -> (usize, f64) {
    let mut removed = 0;
    let mut scatter_squared = 1.0;
    for _ in 0..6 {
        let scores = deleted_residuals(samples, settings);
        let known: Vec<f64> = scores.iter().flatten().map(|s| s.plain).collect();
        if known.len() < 20 {
            return (removed, 1.0);
        }
        scatter_squared = median(known) / CHI_SQUARED_3_MEDIAN;
        let limit = OUTLIER_SDS.powi(2) * scatter_squared.max(1.0);
        // Neighbours of an outlier look wrong too, so only the worst of each neighbourhood goes at a time.
        let worst_nearby = |i: usize| {
            let score = |j: usize| scores.get(j).copied().flatten().map_or(0.0, |s| s.allowing);
            score(i) > limit && (i.saturating_sub(6)..=i + 6).all(|j| score(j) <= score(i))
        };
        let keep: Vec<bool> = (0..samples.len()).map(|i| !worst_nearby(i)).collect();
        let going = keep.iter().filter(|k| !**k).count();
        if going == 0 {
            break;
        }
        removed += going;
        let mut flags = keep.into_iter();
        samples.retain(|_| flags.next().unwrap_or(true));
    }
    (removed, scatter_squared)
}

#[derive(Clone, Copy)]
struct Residual {
    /// Squared size in standard deviations.
    plain: f64,
    /// The same when the curve may be off by the misfit allowance.
    allowing: f64,
}

/// How far each sample is from the curve of its side of contact, freed of the sample's own pull on the curve.
fn deleted_residuals(samples: &[Sample], settings: &SmoothingSettings) -> Vec<Option<Residual>> {
    let seconds: Vec<f64> = samples.iter().map(|s| s.seconds).collect();
    let before = seconds.partition_point(|t| *t < 0.0);
    let allowance = Matrix3::identity() * settings.misfit_allowance_m.powi(2);
    (0..samples.len())
        .map(|i| {
            let span = if i < before { 0..before } else { before..samples.len() };
            let window = window_within(&seconds, span, seconds[i], settings.half_window_seconds);
            let inside = samples.get(window.clone())?;
            if inside.len() < DEGREE + 3 {
                return None;
            }
            let fit = weighted(inside, seconds[i])?;
            let fitted: Vector3<f64> = fit.coefficients(0).iter().zip(inside).map(|(a, s)| s.position * *a).sum();
            let own = fit.coefficients(0).get(i - window.start)?;
            let residual = samples[i].position - fitted;
            // A residual has the variance (1 - own pull) of its sample's.
            let free = (1.0 - own).max(0.05);
            let root = (samples[i].covariance * free + allowance).cholesky()?.l();
            Some(Residual {
                plain: samples[i].mahalanobis_squared(&residual) / free,
                allowing: root.solve_lower_triangular(&residual)?.norm_squared(),
            })
        })
        .collect()
}
