//! Positions and velocities of one point on the stroke's grid, with windows that never cross contact.
//!
//! Away from contact: local cubics. Next to it, where a cubic would run away: a straight line plus a smooth curve of known
//! size and time scale, fitted to the last stretch on that side and carried on to contact; its uncertainty counts what the
//! curve may do beyond the samples. One changes over to the other within 20 ms.
//!
//! Per-instant points are interpolated between frames, so a sample within one frame spacing of contact mixes before and
//! after. For what the ball stops (racket, hands, elbows) these samples are left out on both sides. Trunk and legs do not
//! change their velocity in these milliseconds; their samples are used up to contact, but not across it.
//!
//! Every estimate is a fixed linear combination of samples, so that a trial with other noise costs a few multiplications.

use std::ops::Range;

use midline_signal::{SmoothFit, SmoothPrior, Stencil, stencil, window_within};
use nalgebra::{Matrix3, Vector3};
use rand::Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::grid::Grid;
use crate::samples::Sample;
use crate::swings::median;

/// Degree of the local polynomials.
const DEGREE: usize = 3;

/// Length of the stretch next to contact that the smooth curve is fitted to, seconds.
pub(crate) const STRETCH_SECONDS: f64 = 0.15;

/// Least number of samples of that stretch.
pub(crate) const LEAST_STRETCH_SAMPLES: usize = 6;

/// Over how much time the estimate changes over from the cubics to the stretch, seconds.
pub(crate) const CHANGE_OVER_SECONDS: f64 = 0.02;

/// A sample is an outlier when the curve through its neighbours misses it by more than this many standard deviations.
const OUTLIER_SDS: f64 = 5.0;

/// Outliers are looked for with windows of this share of the smoothing's, and at least this many frames on each side.
const SCREENING_SHARE: f64 = 0.7;
const SCREENING_FRAMES: f64 = 3.0;

/// Most noise that a cubic may pass: standard deviation of the position in standard deviations of a sample.
const MOST_GAIN: f64 = 1.6;

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

/// How the smoothing is set for one point of one stroke.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SmoothingSettings {
    /// Half the cubics' window near contact, seconds.
    pub(crate) half_window_seconds: f64,
    /// The same where the player moves slowly: in the take-back and at the end of the follow-through.
    pub(crate) slow_half_window_seconds: f64,
    /// What the cubic may miss, metres.
    pub(crate) misfit_allowance_m: f64,
    /// How the point moves next to contact, metres.
    pub(crate) prior: SmoothPrior,
    /// Samples nearer than this to contact are left out, seconds.
    pub(crate) margin_seconds: f64,
    /// Spacing of the frames (or of the instants, if larger), seconds.
    pub(crate) frame_seconds: f64,
}

/// Between these times to contact the window grows from the usual one to the slow one, before and after contact, seconds.
const SLOWER_BEFORE_SECONDS: [f64; 2] = [-0.32, -0.52];
const SLOWER_AFTER_SECONDS: [f64; 2] = [0.12, 0.25];

impl SmoothingSettings {
    /// Half the cubic's window at a time to contact, seconds.
    fn half_window_at(&self, seconds: f64) -> f64 {
        let [from, to] = if seconds < 0.0 { SLOWER_BEFORE_SECONDS } else { SLOWER_AFTER_SECONDS };
        let share = ((seconds - from) / (to - from)).clamp(0.0, 1.0);
        self.half_window_seconds + share * (self.slow_half_window_seconds - self.half_window_seconds)
    }
}

/// Coefficients of the samples from `start` on, and what they leave open.
#[derive(Debug, Clone, Default)]
struct Cell {
    start: usize,
    value: Vec<f64>,
    slope: Vec<f64>,
    value_doubt: f64,
    slope_doubt: f64,
}

/// One draw of a point's samples.
#[derive(Debug, Clone)]
pub(crate) struct Draw {
    /// Positions of the samples, metres.
    pub(crate) positions: Vec<Vector3<f64>>,
    /// What the curve does beyond the samples before and after contact, in units of the doubt.
    beyond: [Vector3<f64>; 2],
}

/// A point's samples of one stroke and their smoothing.
#[derive(Debug, Clone)]
pub(crate) struct SmoothedPoint {
    /// Samples in use; `seconds` are to contact.
    samples: Vec<Sample>,
    /// Number of samples before contact.
    before: usize,
    cells: Vec<Option<Cell>>,
    contact: usize,
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
        let reach = settings.slow_half_window_seconds;
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
            contact: grid.contact,
            independent,
            common,
            outliers,
            across_contact: across.len(),
        };
        point.cells = point.cells(grid, settings);
        point
    }

    /// The same samples with other windows; draws of one fit the other.
    pub(crate) fn with_windows(&self, grid: &Grid, settings: &SmoothingSettings) -> Self {
        Self { cells: self.cells(grid, settings), ..self.clone() }
    }

    fn cells(&self, grid: &Grid, settings: &SmoothingSettings) -> Vec<Option<Cell>> {
        let sides = [
            self.side(0..self.before, grid, settings, true),
            self.side(self.before..self.samples.len(), grid, settings, false),
        ];
        (0..grid.len).map(|k| sides[usize::from(k > grid.contact)].cell(&self.samples, grid, k)).collect()
    }

    fn side(&self, span: Range<usize>, grid: &Grid, settings: &SmoothingSettings, is_before: bool) -> Side {
        let inside = self.samples.get(span.clone()).unwrap_or(&[]);
        let seconds: Vec<f64> = inside.iter().map(|s| s.seconds).collect();
        let edge = if is_before { seconds.last() } else { seconds.first() }.copied();
        let stretch = edge.map_or(0..0, |edge| {
            let from = seconds.partition_point(|t| *t < edge - STRETCH_SECONDS);
            let to = seconds.partition_point(|t| *t <= edge + STRETCH_SECONDS);
            from..to
        });
        let variances: Vec<f64> = inside
            .get(stretch.clone())
            .unwrap_or(&[])
            .iter()
            .map(|s| s.variance() * self.independent * self.independent)
            .collect();
        let fit = (stretch.len() >= LEAST_STRETCH_SAMPLES)
            .then(|| SmoothFit::new(seconds.get(stretch.clone())?, &variances, settings.prior))
            .flatten();
        Side {
            span_start: span.start,
            seconds,
            stretch_start: stretch.start,
            fit,
            is_before,
            step: grid.step,
            settings: *settings,
        }
    }

    /// The samples as measured.
    pub(crate) fn measured(&self) -> Draw {
        Draw { positions: self.samples.iter().map(|s| s.position).collect(), beyond: [Vector3::zeros(); 2] }
    }

    /// The samples with further noise of the same size.
    pub(crate) fn noisy(&self, random: &mut impl Rng) -> Draw {
        let shared = normal_vector(random) * self.common;
        let positions = self
            .samples
            .iter()
            .map(|s| s.position + s.root * (normal_vector(random) * self.independent + shared))
            .collect();
        Draw { positions, beyond: [normal_vector(random), normal_vector(random)] }
    }

    /// Position and velocity on the grid for a draw.
    pub(crate) fn states(&self, draw: &Draw) -> Vec<Option<State>> {
        self.cells
            .iter()
            .enumerate()
            .map(|(k, cell)| {
                let cell = cell.as_ref()?;
                let beyond = draw.beyond[usize::from(k > self.contact)];
                let mut state = State { position: beyond * cell.value_doubt, velocity: beyond * cell.slope_doubt };
                for ((p, a), b) in draw.positions.get(cell.start..)?.iter().zip(&cell.value).zip(&cell.slope) {
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
                let variance: f64 =
                    self.samples.get(cell.start..)?.iter().zip(&cell.slope).map(|(s, a)| a * a * s.variance()).sum();
                Some((variance * self.independent.powi(2) + cell.slope_doubt.powi(2)).sqrt())
            })
            .collect()
    }

    /// Whether the state at an instant rests on the samples around it alone, not on what the curve does beyond them.
    pub(crate) fn is_inside(&self, k: usize) -> bool {
        self.cells.get(k).and_then(Option::as_ref).is_some_and(|cell| cell.slope_doubt <= 0.0)
    }

    /// The samples of the last stretch before contact, with the index of the first.
    pub(crate) fn stretch_before_contact(&self) -> (usize, &[Sample]) {
        let before = self.samples.get(..self.before).unwrap_or(&[]);
        let from =
            before.last().map_or(0, |last| before.partition_point(|s| s.seconds < last.seconds - STRETCH_SECONDS));
        (from, before.get(from..).unwrap_or(&[]))
    }

    /// Noise of one sample's coordinate that changes from sample to sample, in units of its covariance.
    pub(crate) fn independent_sd(&self) -> f64 {
        self.independent
    }
}

/// The samples on one side of contact.
struct Side {
    span_start: usize,
    seconds: Vec<f64>,
    stretch_start: usize,
    fit: Option<SmoothFit>,
    is_before: bool,
    step: f64,
    settings: SmoothingSettings,
}

impl Side {
    fn cell(&self, samples: &[Sample], grid: &Grid, k: usize) -> Option<Cell> {
        let at = grid.seconds(k as f64);
        let (first, last) = (*self.seconds.first()?, *self.seconds.last()?);
        let half = self.settings.half_window_at(at);
        // How far the cubic's window sticks out toward contact, and how far the instant lies beyond the samples away from it.
        let (sticks_out, outward) =
            if self.is_before { (at - (last - half), first - at) } else { (first + half - at, at - last) };
        let share = (sticks_out / CHANGE_OVER_SECONDS).clamp(0.0, 1.0);
        let gap = self.seconds.iter().map(|t| (t - at).abs()).fold(f64::INFINITY, f64::min);
        let farthest = if sticks_out > half {
            self.settings.margin_seconds + 2.0 * self.settings.frame_seconds + self.step
        } else {
            0.75 * half
        };
        if outward > self.settings.frame_seconds || gap > farthest {
            return None;
        }
        let cubic = if share < 1.0 { Some(self.cubic(samples, at)?) } else { None };
        let stretch = if share > 0.0 { Some(self.stretch(at)?) } else { None };
        match (cubic, stretch) {
            (Some(cubic), Some(stretch)) => Some(blended(&cubic, &stretch, share)),
            (one, other) => one.or(other),
        }
    }

    fn cubic(&self, samples: &[Sample], at: f64) -> Option<Cell> {
        let half = self.settings.half_window_at(at);
        let window = window_within(&self.seconds, 0..self.seconds.len(), at, half);
        let start = self.span_start + window.start;
        let inside = samples.get(start..self.span_start + window.end)?;
        if inside.len() < DEGREE + 2 {
            return None;
        }
        let stencil = weighted(inside, at)?;
        (stencil.gain(0) <= MOST_GAIN).then(|| Cell {
            start,
            value: stencil.coefficients(0).to_vec(),
            slope: stencil.coefficients(1).to_vec(),
            value_doubt: 0.0,
            slope_doubt: 0.0,
        })
    }

    fn stretch(&self, at: f64) -> Option<Cell> {
        let estimate = self.fit.as_ref()?.at(at);
        Some(Cell {
            start: self.span_start + self.stretch_start,
            value: estimate.value,
            slope: estimate.slope,
            value_doubt: estimate.value_doubt,
            slope_doubt: estimate.slope_doubt,
        })
    }
}

/// `(1 - share) a + share b`.
fn blended(a: &Cell, b: &Cell, share: f64) -> Cell {
    let start = a.start.min(b.start);
    let end = (a.start + a.value.len()).max(b.start + b.value.len());
    let mix = |of: fn(&Cell) -> &[f64]| {
        let at =
            |cell: &Cell, i: usize| i.checked_sub(cell.start).and_then(|j| of(cell).get(j)).copied().unwrap_or(0.0);
        (start..end).map(|i| (1.0 - share) * at(a, i) + share * at(b, i)).collect()
    };
    Cell {
        start,
        value: mix(|c| &c.value),
        slope: mix(|c| &c.slope),
        value_doubt: share * b.value_doubt,
        slope_doubt: share * b.slope_doubt,
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
    // At the end of a side a cubic over the full window misses a fast racket by centimetres; over a shorter one it does not.
    let half_window = (SCREENING_SHARE * settings.half_window_seconds).max(SCREENING_FRAMES * settings.frame_seconds);
    let allowance = Matrix3::identity() * settings.misfit_allowance_m.powi(2);
    (0..samples.len())
        .map(|i| {
            let span = if i < before { 0..before } else { before..samples.len() };
            let window = window_within(&seconds, span, seconds[i], half_window);
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
