//! Positions and velocities of one point on the stroke's grid; nothing on one side of contact is computed from the other.
//!
//! Each side is a smoothing spline of degree seven whose roughness grows toward contact ([`SmoothingSpline`]); how rough, each
//! stroke's own samples decide (greatest likelihood). A draw of the stroke is the estimate plus a draw of what it may be off by,
//! correlated in time as it must be, so that the draws of a measure are draws of what the measure may be.
//!
//! Per-instant points are interpolated between frames, so a sample within one frame spacing of contact mixes before and
//! after. For what the ball stops (racket, hands, elbows) these samples are left out on both sides. Trunk and legs do not
//! change their velocity in these milliseconds; their samples are used up to contact, but not across it.

use std::f64::consts::TAU;
use std::ops::Range;

use midline_signal::{SmoothingSpline, Stencil, ValueAndSlope, stencil, window_within};
use nalgebra::{Matrix3, Rotation3, SymmetricEigen, Vector3};
use rand::Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::grid::Grid;
use crate::samples::Sample;
use crate::swings::median;

/// Degree of the local polynomials that outliers are looked for with.
const DEGREE: usize = 3;

/// Length of the last stretch before contact, seconds.
const STRETCH_SECONDS: f64 = 0.15;

/// A sample is an outlier when the curve through its neighbours misses it by more than this many standard deviations.
const OUTLIER_SDS: f64 = 5.0;

/// Half the windows in which outliers are looked for: at least this many frames on each side.
const SCREENING_FRAMES: f64 = 3.0;

/// No state is given farther than this from every sample, seconds.
const LONGEST_GAP_SECONDS: f64 = 0.045;

/// A side with fewer samples is not smoothed.
const LEAST_SAMPLES: usize = 10;

/// Median of a chi-squared number with three degrees of freedom (standard tables; from memory).
const CHI_SQUARED_3_MEDIAN: f64 = 2.366;

/// Roughness is given as the frequency up to which a spline follows samples of this noise density (8 mm at 240 per second), m² s.
const NOISE_DENSITY_M2_S: f64 = 0.008 * 0.008 / 240.0;

/// Frequencies that a side may follow far from contact and near it, hertz.
const SLOW_HZ: [f64; 8] = [1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.3, 8.0];
const FAST_HZ: [f64; 9] = [2.5, 3.2, 4.0, 5.0, 6.3, 8.0, 10.0, 12.5, 16.0];

/// Between these times to contact the one changes to the other, before and after contact, seconds.
const RAMP_BEFORE_SECONDS: [f64; 2] = [-0.45, -0.15];
const RAMP_AFTER_SECONDS: [f64; 2] = [0.25, 0.10];

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
    /// Half the window in which outliers are looked for, seconds.
    pub(crate) screening_seconds: f64,
    /// What a cubic over that window may miss, metres.
    pub(crate) misfit_allowance_m: f64,
    /// Samples nearer than this to contact are left out, seconds.
    pub(crate) margin_seconds: f64,
    /// Spacing of the frames (or of the instants, if larger), seconds.
    pub(crate) frame_seconds: f64,
}

/// How rough a side is: the frequencies that it follows far from contact and near it, hertz.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Roughness {
    slow_hz: f64,
    fast_hz: f64,
    /// A stretch (seconds to contact) in which it follows this many times the frequency.
    rougher: Option<([f64; 2], f64)>,
}

impl Roughness {
    /// Intensity of the fourth derivative at a time to contact, m² s⁻⁷: the spline's gain falls to one half where the motion's
    /// spectral density falls below the noise's.
    fn intensity(self, seconds: f64) -> f64 {
        let [from, to] = if seconds < 0.0 { RAMP_BEFORE_SECONDS } else { RAMP_AFTER_SECONDS };
        let share = ((seconds - from) / (to - from)).clamp(0.0, 1.0);
        let factor = self.rougher.map_or(1.0, |([from, to], f)| if (from..=to).contains(&seconds) { f } else { 1.0 });
        let hz = factor * self.slow_hz * (self.fast_hz / self.slow_hz).powf(share);
        NOISE_DENSITY_M2_S * (TAU * hz).powi(8)
    }

    /// The likeliest for a side, found in turns for the one frequency and the other.
    fn likeliest(samples: &Plain) -> Option<Self> {
        let mut found = Self { slow_hz: 3.2, fast_hz: 6.3, rougher: None };
        for _ in 0..2 {
            found = samples.likeliest(FAST_HZ.into_iter().map(|fast_hz| Self { fast_hz, ..found }))?;
            found = samples.likeliest(SLOW_HZ.into_iter().map(|slow_hz| Self { slow_hz, ..found }))?;
        }
        Some(found)
    }
}

/// The samples of one side as plain numbers.
#[derive(Debug, Clone)]
struct Plain {
    seconds: Vec<f64>,
    /// The axes in which the noise of a typical sample is independent.
    axes: Rotation3<f64>,
    /// Along each axis.
    coordinates: [Vec<f64>; 3],
    variances: [Vec<f64>; 3],
    mean_variances: Vec<f64>,
}

impl Plain {
    fn new(samples: &[Sample], independent: f64) -> Self {
        // The noise of two cameras is much larger along the view than across it: each of its axes is smoothed as it asks for.
        let mean = samples.iter().map(|s| s.covariance).sum::<Matrix3<f64>>() / samples.len().max(1) as f64;
        let own = SymmetricEigen::new(mean).eigenvectors;
        let axes = Rotation3::from_matrix_unchecked(if own.determinant() < 0.0 { -own } else { own });
        let scale = independent * independent;
        let turned: Vec<Vector3<f64>> = samples.iter().map(|s| axes.inverse() * s.position).collect();
        let along = |axis: usize, s: &Sample| {
            let direction = axes.matrix().column(axis).into_owned();
            direction.dot(&(s.covariance * direction)) * scale
        };
        Self {
            seconds: samples.iter().map(|s| s.seconds).collect(),
            axes,
            coordinates: std::array::from_fn(|axis| turned.iter().map(|p| p[axis]).collect()),
            variances: std::array::from_fn(|axis| samples.iter().map(|s| along(axis, s)).collect()),
            mean_variances: samples.iter().map(|s| s.variance() * scale).collect(),
        }
    }

    fn likeliest(&self, candidates: impl Iterator<Item = Roughness>) -> Option<Roughness> {
        let coordinates = [0, 1, 2].map(|axis: usize| self.coordinates[axis].as_slice());
        let scored = candidates.filter_map(|c| {
            let score =
                SmoothingSpline::log_likelihood(&self.seconds, &self.mean_variances, |t| c.intensity(t), &coordinates)?;
            score.is_finite().then_some((score, c))
        });
        scored.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, c)| c)
    }
}

/// One side of contact, smoothed.
#[derive(Debug, Clone)]
struct Side {
    /// First instant of the grid that belongs to this side.
    first: usize,
    samples: Plain,
    roughness: Roughness,
    splines: [SmoothingSpline; 3],
    states: Vec<State>,
    /// Whether there are samples near enough.
    is_known: Vec<bool>,
}

/// One draw of a point.
#[derive(Debug, Clone)]
pub(crate) struct Draw {
    /// Positions of the samples, metres; empty for points whose samples are not asked for.
    pub(crate) positions: Vec<Vector3<f64>>,
    /// On the grid.
    pub(crate) states: Vec<Option<State>>,
}

/// A point's samples of one stroke and their smoothing.
#[derive(Debug, Clone)]
pub(crate) struct SmoothedPoint {
    /// Samples in use; `seconds` are to contact.
    samples: Vec<Sample>,
    /// Number of samples before contact.
    before: usize,
    sides: [Option<Side>; 2],
    len: usize,
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
        /// Samples beyond the grid still help at its ends, seconds.
        const REACH_SECONDS: f64 = 0.1;
        let relative = samples.iter().map(|s| Sample { seconds: s.seconds - contact_seconds, ..*s }).filter(|s| {
            s.seconds >= grid.first_seconds() - REACH_SECONDS && s.seconds <= grid.last_seconds() + REACH_SECONDS
        });
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
        let (earlier, later) = kept.split_at(before);
        let sides = [
            Side::new(earlier, 0..grid.contact + 1, independent, grid, settings),
            Side::new(later, grid.contact + 1..grid.len, independent, grid, settings),
        ];
        Self {
            samples: kept,
            before,
            sides,
            len: grid.len,
            independent,
            common,
            outliers,
            across_contact: across.len(),
        }
    }

    /// The point as measured.
    pub(crate) fn measured(&self) -> Draw {
        Draw {
            positions: self.samples.iter().map(|s| s.position).collect(),
            states: self.on_grid(|side| side.states.clone()),
        }
    }

    /// A draw of the point: what it may be, given the samples. With `with_samples`, also the samples with further noise of their size.
    pub(crate) fn drawn(&self, random: &mut impl Rng, with_samples: bool) -> Draw {
        let shared = normal_vector(random) * self.common;
        let offset = self.samples.get(self.samples.len() / 2).map_or_else(Vector3::zeros, |s| s.root * shared);
        let positions = if with_samples {
            let noisy = |s: &Sample| s.position + s.root * (normal_vector(random) * self.independent + shared);
            self.samples.iter().map(noisy).collect()
        } else {
            Vec::new()
        };
        let states = self.on_grid(|side| side.drawn(random, offset));
        Draw { positions, states }
    }

    fn on_grid(&self, mut of_side: impl FnMut(&Side) -> Vec<State>) -> Vec<Option<State>> {
        let mut states = vec![None; self.len];
        for side in self.sides.iter().flatten() {
            for (i, (state, known)) in of_side(side).into_iter().zip(&side.is_known).enumerate() {
                if let Some(place) = states.get_mut(side.first + i) {
                    *place = known.then_some(state);
                }
            }
        }
        states
    }

    /// Standard deviation of a coordinate of the velocity on the grid, m/s.
    pub(crate) fn velocity_sds(&self) -> Vec<Option<f64>> {
        let mut sds = vec![None; self.len];
        for side in self.sides.iter().flatten() {
            for (i, known) in side.is_known.iter().enumerate() {
                let squares = side.splines.iter().filter_map(|s| s.sds().get(i)).map(|sd| sd.slope * sd.slope);
                let sd = (squares.sum::<f64>() / 3.0).sqrt();
                if let Some(place) = sds.get_mut(side.first + i) {
                    *place = known.then_some(sd);
                }
            }
        }
        sds
    }

    /// The same samples, the curve before contact rougher between two times to contact as far as the samples say so.
    pub(crate) fn rougher_within(&self, around_seconds: [f64; 2], grid: &Grid) -> Self {
        let before = self.sides[0].as_ref().and_then(|side| side.rougher_within(around_seconds, grid));
        let [own, after] = self.sides.clone();
        Self { sides: [before.or(own), after], ..self.clone() }
    }

    /// The samples before contact.
    pub(crate) fn before_contact(&self) -> &[Sample] {
        self.samples.get(..self.before).unwrap_or(&[])
    }

    /// The samples of the last stretch before contact, with the index of the first.
    pub(crate) fn stretch_before_contact(&self) -> (usize, &[Sample]) {
        let before = self.before_contact();
        let from =
            before.last().map_or(0, |last| before.partition_point(|s| s.seconds < last.seconds - STRETCH_SECONDS));
        (from, before.get(from..).unwrap_or(&[]))
    }

    /// Noise of one sample's coordinate that changes from sample to sample, in units of its covariance.
    pub(crate) fn independent_sd(&self) -> f64 {
        self.independent
    }
}

impl Side {
    /// `None` when there are too few samples.
    fn new(
        samples: &[Sample],
        span: Range<usize>,
        independent: f64,
        grid: &Grid,
        settings: &SmoothingSettings,
    ) -> Option<Self> {
        if samples.len() < LEAST_SAMPLES {
            return None;
        }
        let plain = Plain::new(samples, independent);
        let is_known = span.clone().map(|k| is_known(grid.seconds(k as f64), &plain.seconds, grid, settings)).collect();
        let roughness = Roughness::likeliest(&plain)?;
        Self::with(plain, roughness, span.start, is_known, grid)
    }

    fn with(samples: Plain, roughness: Roughness, first: usize, is_known: Vec<bool>, grid: &Grid) -> Option<Self> {
        let asked: Vec<f64> = (first..first + is_known.len()).map(|k| grid.seconds(k as f64)).collect();
        let spline = |axis: usize| {
            SmoothingSpline::new(&samples.seconds, &samples.variances[axis], |t| roughness.intensity(t), &asked)
        };
        let splines = [spline(0)?, spline(1)?, spline(2)?];
        let estimate = |axis: usize| splines[axis].estimate(&samples.coordinates[axis]);
        let estimates = [estimate(0)?, estimate(1)?, estimate(2)?];
        let states = (0..asked.len()).map(|i| state(&samples.axes, &estimates, i)).collect();
        Some(Self { first, samples, roughness, splines, states, is_known })
    }

    /// The same, rougher between two times to contact as far as the samples say so.
    fn rougher_within(&self, around_seconds: [f64; 2], grid: &Grid) -> Option<Self> {
        /// Multiples of the frequency that the side follows elsewhere.
        const FACTORS: [f64; 5] = [1.0, 1.26, 1.58, 2.0, 2.5];
        let rougher = |factor: f64| Roughness { rougher: Some((around_seconds, factor)), ..self.roughness };
        let roughness = self.samples.likeliest(FACTORS.into_iter().map(rougher))?;
        Self::with(self.samples.clone(), roughness, self.first, self.is_known.clone(), grid)
    }

    fn drawn(&self, random: &mut impl Rng, offset: Vector3<f64>) -> Vec<State> {
        let errors = [0, 1, 2].map(|axis: usize| self.splines[axis].draw(|| StandardNormal.sample(random)));
        let with = |(i, s): (usize, &State)| {
            let off = state(&self.samples.axes, &errors, i);
            State { position: s.position + off.position + offset, velocity: s.velocity + off.velocity }
        };
        self.states.iter().enumerate().map(with).collect()
    }
}

fn state(axes: &Rotation3<f64>, along: &[Vec<ValueAndSlope>; 3], i: usize) -> State {
    let of =
        |number: fn(&ValueAndSlope) -> f64| axes * Vector3::from_fn(|axis, _| along[axis].get(i).map_or(0.0, number));
    State { position: of(|x| x.value), velocity: of(|x| x.slope) }
}

/// Whether samples are near enough to a time to contact on their side. Toward contact the curve may be carried on as far as samples
/// were left out there, away from it by a frame.
fn is_known(at: f64, seconds: &[f64], grid: &Grid, settings: &SmoothingSettings) -> bool {
    let (Some(first), Some(last)) = (seconds.first(), seconds.last()) else { return false };
    let toward_contact = settings.margin_seconds + 2.0 * settings.frame_seconds + grid.step;
    let (early, late) =
        if *last <= 0.0 { (settings.frame_seconds, toward_contact) } else { (toward_contact, settings.frame_seconds) };
    let next = seconds.partition_point(|t| *t < at);
    let gap = match (next.checked_sub(1).and_then(|i| seconds.get(i)), seconds.get(next)) {
        (Some(before), Some(after)) => (at - before).min(after - at),
        _ => 0.0,
    };
    at >= first - early && at <= last + late && gap <= LONGEST_GAP_SECONDS.max(2.0 * settings.frame_seconds)
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
    let half_window = settings.screening_seconds.max(SCREENING_FRAMES * settings.frame_seconds);
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
