//! Positions and velocities of one point on the stroke's grid; nothing on one side of contact is computed from the other.
//!
//! Each side is a smoothing spline of degree seven whose roughness changes over time ([`VaryingSpline`]); how rough, each
//! stroke's own samples decide (empirical Bayes), those of both shoulders and of the racket's points together. A draw of the stroke is
//! the estimate plus a draw of what it may be off by, correlated in time as it must be, so that the draws of a measure are draws of what
//! the measure may be.
//!
//! Next to contact, where such a spline is seen from one side only and runs away, a straight line plus a smooth curve of known size
//! and time scale stands in for it ([`SmoothFit`], fitted to the last stretch on that side); one changes over to the other within
//! 20 ms.
//!
//! Per-instant points are interpolated between frames, so a sample within one frame spacing of contact mixes before and
//! after. For what the ball stops (racket, hands, elbows) these samples are left out on both sides. Trunk and legs do not
//! change their velocity in these milliseconds; their samples are used up to contact, but not across it.

use std::ops::Range;

use midline_signal::{
    SmoothEstimate, SmoothFit, SmoothPrior, Stencil, ValueAndSlope, VaryingSpline, stencil, window_within,
};
use nalgebra::{Matrix3, Rotation3, SymmetricEigen, Vector3};
use rand::Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::grid::Grid;
use crate::lifted_course::{CalibrationDraw, LiftedCourse};
use crate::samples::Sample;
use crate::swings::median;

/// Degree of the local polynomials that outliers are looked for with.
const DEGREE: usize = 3;

/// Length of the stretch next to contact that the smooth curve is fitted to, seconds.
const STRETCH_SECONDS: f64 = 0.15;

/// Least number of samples of that stretch.
pub(crate) const LEAST_STRETCH_SAMPLES: usize = 6;

/// The stretch counts alone up to this far from its sample nearest to contact, seconds.
const STRETCH_ALONE_SECONDS: f64 = 0.05;

/// Over how much time one estimate changes over to another, seconds.
pub(crate) const CHANGE_OVER_SECONDS: f64 = 0.02;

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

/// Frequencies that a spline may follow, hertz: steps of a tenth of a decade.
const FREQUENCIES_HZ: [f64; 12] = [1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.3, 8.0, 10.0, 12.5, 16.0, 20.0];

/// What is expected before a stroke's samples are asked: this frequency (index above), to a factor e^0.7, neighbouring knots alike to
/// a factor e^0.5 (1 sd). Set with made-up swings; it matters where few samples tell.
const USUAL: usize = 5;
const SPREAD: f64 = 0.7;
const NEIGHBOURS_SPREAD: f64 = 0.5;

/// Times to contact at which the frequency of a side is free, seconds; in between its logarithm is linear.
const KNOTS_BEFORE_SECONDS: [f64; KNOTS] = [-1.0, -0.75, -0.5, -0.3, -0.15, 0.0];
const KNOTS_AFTER_SECONDS: [f64; KNOTS] = [0.0, 0.1, 0.2, 0.3, 0.45, 0.6];
const KNOTS: usize = 6;

/// Position and velocity at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct State {
    /// World position, metres.
    pub(crate) position: Vector3<f64>,
    /// World velocity, m/s.
    pub(crate) velocity: Vector3<f64>,
}

impl State {
    /// The state a share of the way (0 to 1) to the next, `step` seconds later: cubic (Hermite).
    pub(crate) fn between(&self, next: &Self, share: f64, step: f64) -> Self {
        let (slope_a, slope_b) = (self.velocity * step, next.velocity * step);
        let rise = next.position - self.position;
        let (square, cube) = (rise * 3.0 - slope_a * 2.0 - slope_b, slope_a + slope_b - rise * 2.0);
        Self {
            position: self.position + slope_a * share + square * share.powi(2) + cube * share.powi(3),
            velocity: (slope_a + square * (2.0 * share) + cube * (3.0 * share.powi(2))) / step,
        }
    }
}

/// How the smoothing is set for one point of one stroke.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SmoothingSettings {
    /// Half the window in which outliers are looked for, seconds.
    pub(crate) screening_seconds: f64,
    /// What a cubic over that window may miss, metres.
    pub(crate) misfit_allowance_m: f64,
    /// How the point moves next to contact, metres.
    pub(crate) prior: SmoothPrior,
    /// Samples nearer than this to contact are left out, seconds.
    pub(crate) margin_seconds: f64,
    /// Spacing of the frames (or of the instants, if larger), seconds.
    pub(crate) frame_seconds: f64,
    /// Correlation of the noise of neighbouring samples ([`neighbours_correlation`]).
    pub(crate) correlation: f64,
}

/// How rough a side is.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Roughness {
    knots_seconds: [f64; KNOTS],
    /// The frequency that it follows at each knot: index into [`FREQUENCIES_HZ`].
    at_knots: [usize; KNOTS],
}

impl Roughness {
    /// Logarithm of the frequency at a knot.
    fn log_hz(&self, knot: usize) -> f64 {
        FREQUENCIES_HZ[self.at_knots[knot]].ln()
    }

    /// Intensity of the fourth derivative at a time to contact, m² s⁻⁷: the spline's gain falls to one half where the motion's
    /// spectral density falls below the noise's.
    fn intensity(&self, seconds: f64) -> f64 {
        let next = self.knots_seconds.partition_point(|t| *t < seconds).clamp(1, KNOTS - 1);
        let (from, to) = (self.knots_seconds[next - 1], self.knots_seconds[next]);
        let share = ((seconds - from) / (to - from)).clamp(0.0, 1.0);
        let log_hz = self.log_hz(next - 1) * (1.0 - share) + self.log_hz(next) * share;
        VaryingSpline::intensity(log_hz.exp(), NOISE_DENSITY_M2_S)
    }

    /// Logarithm of how expected it is.
    fn log_prior(&self) -> f64 {
        let usual = FREQUENCIES_HZ[USUAL].ln();
        let own: f64 = (0..KNOTS).map(|k| ((self.log_hz(k) - usual) / SPREAD).powi(2)).sum();
        let steps: f64 = (1..KNOTS).map(|k| ((self.log_hz(k) - self.log_hz(k - 1)) / NEIGHBOURS_SPREAD).powi(2)).sum();
        -0.5 * (own + steps)
    }

    /// The most probable for a side of points that move alike: knot after knot moves by up to two steps while that helps.
    fn most_probable(points: &[&Plain], knots_seconds: [f64; KNOTS]) -> Option<Self> {
        const ROUNDS: usize = 4;
        let mut found = Self { knots_seconds, at_knots: [USUAL; KNOTS] };
        let score_of = |roughness: &Self| {
            let likelihood: Option<f64> = points.iter().map(|samples| samples.log_likelihood(roughness)).sum();
            Some(likelihood? + roughness.log_prior())
        };
        let mut best = score_of(&found)?;
        for _ in 0..ROUNDS {
            let before = found;
            for knot in (0..KNOTS).rev() {
                let here = found;
                for step in [-2, -1, 1, 2] {
                    let index = here.at_knots[knot].checked_add_signed(step).filter(|i| *i < FREQUENCIES_HZ.len());
                    let Some(index) = index else { continue };
                    let mut moved = here;
                    moved.at_knots[knot] = index;
                    if let Some(score) = score_of(&moved).filter(|score| *score > best) {
                        (best, found) = (score, moved);
                    }
                }
            }
            if found == before {
                break;
            }
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
    /// Whether the noise is alike along all axes.
    is_even: bool,
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
        let variances: [Vec<f64>; 3] = std::array::from_fn(|axis| samples.iter().map(|s| along(axis, s)).collect());
        let is_even = (0..samples.len()).all(|i| {
            let [a, b, c] = [0, 1, 2].map(|axis: usize| variances[axis][i]);
            a.max(b).max(c) < 1.05 * a.min(b).min(c)
        });
        Self {
            seconds: samples.iter().map(|s| s.seconds).collect(),
            axes,
            coordinates: std::array::from_fn(|axis| turned.iter().map(|p| p[axis]).collect()),
            variances,
            is_even,
        }
    }

    fn log_likelihood(&self, roughness: &Roughness) -> Option<f64> {
        let of = |variances: &[f64], coordinates: &[&[f64]]| {
            VaryingSpline::log_likelihood(&self.seconds, variances, |t| roughness.intensity(t), coordinates)
        };
        let [a, b, c] = [0, 1, 2].map(|axis: usize| self.coordinates[axis].as_slice());
        let score = if self.is_even {
            of(&self.variances[0], &[a, b, c])?
        } else {
            of(&self.variances[0], &[a])? + of(&self.variances[1], &[b])? + of(&self.variances[2], &[c])?
        };
        Some(score).filter(|score| score.is_finite())
    }
}

/// The estimate next to contact.
#[derive(Debug, Clone)]
struct Stretch {
    /// Which of the side's samples it is fitted to, and where they are.
    samples: Range<usize>,
    positions: Vec<Vector3<f64>>,
    /// Lower factors of the covariances of the positions' noise, metres.
    roots: Vec<Matrix3<f64>>,
    /// On the side's instants: how much it counts, 0 to 1, and its coefficients.
    on_grid: Vec<Option<(f64, SmoothEstimate)>>,
}

impl Stretch {
    /// `None` when there are too few samples. `instants` in seconds to contact.
    fn new(samples: &[Sample], independent: f64, instants: &[f64], prior: SmoothPrior) -> Option<Self> {
        let edge = [samples.first()?.seconds, samples.last()?.seconds]
            .into_iter()
            .min_by(|a, b| a.abs().total_cmp(&b.abs()))?;
        let first = samples.partition_point(|s| s.seconds < edge - STRETCH_SECONDS);
        let range = first..samples.partition_point(|s| s.seconds <= edge + STRETCH_SECONDS);
        let inside = samples.get(range.clone()).filter(|inside| inside.len() >= LEAST_STRETCH_SAMPLES)?;
        let seconds: Vec<f64> = inside.iter().map(|s| s.seconds).collect();
        let variances: Vec<f64> = inside.iter().map(|s| s.variance() * independent * independent).collect();
        let fit = SmoothFit::new(&seconds, &variances, prior)?;
        let on_grid = instants.iter().map(|at| {
            let share = 1.0 - (at.abs() - edge.abs() - STRETCH_ALONE_SECONDS) / CHANGE_OVER_SECONDS;
            (share > 0.0).then(|| (share.min(1.0), fit.at(*at)))
        });
        Some(Self {
            samples: range,
            positions: inside.iter().map(|s| s.position).collect(),
            roots: inside.iter().map(|s| s.root * independent).collect(),
            on_grid: on_grid.collect(),
        })
    }

    fn noise(&self, random: &mut impl Rng) -> Vec<Vector3<f64>> {
        self.roots.iter().map(|root| root * normal_vector(random)).collect()
    }

    /// What the spline says at an instant, changed over to what the stretch says for these places of its samples. `beyond`: what
    /// the curve does where the samples leave it open, in units of the doubt.
    fn over(&self, i: usize, spline: State, places: &[Vector3<f64>], beyond: &Vector3<f64>) -> State {
        let Some((share, estimate)) = self.on_grid.get(i).and_then(Option::as_ref) else { return spline };
        let sum = |coefficients: &[f64]| coefficients.iter().zip(places).map(|(a, p)| p * *a).sum::<Vector3<f64>>();
        let position = sum(&estimate.value) + beyond * estimate.value_doubt;
        let velocity = sum(&estimate.slope) + beyond * estimate.slope_doubt;
        State { position: spline.position.lerp(&position, *share), velocity: spline.velocity.lerp(&velocity, *share) }
    }

    /// The same for the standard deviation of a coordinate of the velocity, m/s.
    fn sd_over(&self, i: usize, spline: f64) -> f64 {
        let Some((share, estimate)) = self.on_grid.get(i).and_then(Option::as_ref) else { return spline };
        let variance = estimate.slope.iter().zip(&self.roots).map(|(a, root)| a * a * root.norm_squared() / 3.0);
        spline + share * (variance.sum::<f64>().sqrt().hypot(estimate.slope_doubt) - spline)
    }
}

/// One side of contact, smoothed.
#[derive(Debug, Clone)]
struct Side {
    /// First instant of the grid that belongs to this side.
    first: usize,
    samples: Plain,
    splines: [VaryingSpline; 3],
    stretch: Option<Stretch>,
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
    /// What the lift in continuous time says; it stands in for the splines where they know the point too.
    lifted: Option<LiftedCourse>,
    /// Samples left out as outliers.
    pub(crate) outliers: usize,
    /// Samples left out because they were interpolated across contact.
    pub(crate) across_contact: usize,
}

impl SmoothedPoint {
    /// Smooths points that move alike (`spots::ALIKE`) around `contact_seconds`: each by its own samples (session time, any length), all
    /// as rough as their samples say together.
    pub(crate) fn alike(points: &[(&[Sample], SmoothingSettings)], contact_seconds: f64, grid: &Grid) -> Vec<Self> {
        let mut found: Vec<Self> =
            points.iter().map(|(samples, settings)| Self::screened(samples, contact_seconds, grid, settings)).collect();
        let spans = [0..grid.contact + 1, grid.contact + 1..grid.len];
        for (side, (span, knots)) in spans.into_iter().zip([KNOTS_BEFORE_SECONDS, KNOTS_AFTER_SECONDS]).enumerate() {
            let plain: Vec<Option<Plain>> = found.iter().map(|point| point.plain(side)).collect();
            let own: Vec<&Plain> = plain.iter().flatten().collect();
            let Some(roughness) = (!own.is_empty()).then(|| Roughness::most_probable(&own, knots)).flatten() else {
                continue;
            };
            for ((point, plain), (_, settings)) in found.iter_mut().zip(plain).zip(points) {
                let samples = point.of_side(side);
                point.sides[side] = plain.and_then(|plain| {
                    Side::new(samples, plain, roughness, span.clone(), point.independent, grid, settings)
                });
            }
        }
        found
    }

    /// A point's samples that are used and what their scatter says about their noise, not smoothed yet.
    fn screened(samples: &[Sample], contact_seconds: f64, grid: &Grid, settings: &SmoothingSettings) -> Self {
        let (mut kept, across_contact) = to_contact(samples, contact_seconds, grid, settings);
        let (outliers, scatter_squared) = screen(&mut kept, settings);
        let before = kept.partition_point(|s| s.seconds < 0.0);
        // Scatter beyond the covariances enlarges them. Scatter well below them means that part of the error does not change
        // from sample to sample (calibration, a joint seen off its centre): smoothing does not reduce that part.
        let (independent, common) = if scatter_squared >= 0.8 {
            (if scatter_squared > 1.2 { scatter_squared.sqrt() } else { 1.0 }, 0.0)
        } else {
            (scatter_squared.sqrt(), (0.8 - scatter_squared).sqrt())
        };
        // What a smooth course sees of noise that neighbours share is its spectral density at 0, as of independent noise of this size.
        let independent = independent * (1.0 + 2.0 * settings.correlation).sqrt();
        let (sides, lifted) = ([None, None], None);
        Self { samples: kept, before, sides, len: grid.len, independent, common, lifted, outliers, across_contact }
    }

    /// The samples before contact (0) or after it (1).
    fn of_side(&self, side: usize) -> &[Sample] {
        let (earlier, later) = self.samples.split_at(self.before);
        if side == 0 { earlier } else { later }
    }

    /// `None` when there are too few samples on a side.
    fn plain(&self, side: usize) -> Option<Plain> {
        let samples = self.of_side(side);
        (samples.len() >= LEAST_SAMPLES).then(|| Plain::new(samples, self.independent))
    }

    /// The same with the course of the lift.
    pub(crate) fn with_course(self, lifted: Option<LiftedCourse>) -> Self {
        Self { lifted, ..self }
    }

    /// The lift's course.
    pub(crate) fn lifted(&self) -> Option<&LiftedCourse> {
        self.lifted.as_ref()
    }

    /// The point as measured.
    pub(crate) fn measured(&self) -> Draw {
        let states = self.on_grid(|side| side.states.clone());
        Draw {
            positions: self.samples.iter().map(|s| s.position).collect(),
            states: match &self.lifted {
                Some(lifted) => lifted.measured(states),
                None => states,
            },
        }
    }

    /// The smoothed course smoothed once more. What the smoothing does to its own result, it did to the motion before, to first order and
    /// rather more (twicing: Tukey 1977, Exploratory Data Analysis).
    pub(crate) fn smoothed_again(&self, grid: &Grid) -> Draw {
        let [before, after] = self.sides.each_ref().map(|side| side.as_ref().map(|side| side.places(grid)));
        let own = |samples: &[Sample]| samples.iter().map(|s| s.position).collect::<Vec<_>>();
        let mut positions = before.clone().unwrap_or_else(|| own(self.of_side(0)));
        positions.extend(after.clone().unwrap_or_else(|| own(self.of_side(1))));
        let again = |side: &Side| {
            let places = if side.first == 0 { &before } else { &after };
            places.as_ref().and_then(|places| side.of(places)).unwrap_or_else(|| side.states.clone())
        };
        let states = self.on_grid(again);
        let states = match &self.lifted {
            Some(lifted) => lifted.smoothed_again(&self.on_grid(|side| side.states.clone()), states),
            None => states,
        };
        Draw { positions, states }
    }

    /// A draw of the point: what it may be, given the samples. With `with_samples`, also the samples with further noise of their size.
    pub(crate) fn drawn(&self, random: &mut impl Rng, with_samples: bool, calibration: &CalibrationDraw) -> Draw {
        let shared = normal_vector(random) * self.common;
        let offset = self.samples.get(self.samples.len() / 2).map_or_else(Vector3::zeros, |s| s.root * shared);
        let positions = if with_samples {
            let noisy = |s: &Sample| s.position + s.root * (normal_vector(random) * self.independent + shared);
            self.samples.iter().map(noisy).collect()
        } else {
            Vec::new()
        };
        let states = self.on_grid(|side| side.drawn(random, offset));
        let states = match &self.lifted {
            Some(lifted) => lifted.drawn(states, random, calibration),
            None => states,
        };
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
                let spline = (squares.sum::<f64>() / 3.0).sqrt();
                let sd = side.stretch.as_ref().map_or(spline, |stretch| stretch.sd_over(i, spline));
                if let Some(place) = sds.get_mut(side.first + i) {
                    *place = known.then_some(sd);
                }
            }
        }
        match &self.lifted {
            Some(lifted) => lifted.velocity_sds(sds),
            None => sds,
        }
    }

    /// The samples before contact.
    pub(crate) fn before_contact(&self) -> &[Sample] {
        self.of_side(0)
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
    /// `None` where a spline cannot be fitted.
    fn new(
        samples: &[Sample],
        plain: Plain,
        roughness: Roughness,
        span: Range<usize>,
        independent: f64,
        grid: &Grid,
        settings: &SmoothingSettings,
    ) -> Option<Self> {
        let instants: Vec<f64> = span.clone().map(|k| grid.seconds(k as f64)).collect();
        let is_known: Vec<bool> = instants.iter().map(|at| is_known(*at, &plain.seconds, grid, settings)).collect();
        let stretch = Stretch::new(samples, independent, &instants, settings.prior);
        let spline = |axis: usize| {
            VaryingSpline::new(&plain.seconds, &plain.variances[axis], |t| roughness.intensity(t), &instants)
        };
        let splines = [spline(0)?, spline(1)?, spline(2)?];
        let estimate = |axis: usize| splines[axis].estimate(&plain.coordinates[axis]);
        let estimates = [estimate(0)?, estimate(1)?, estimate(2)?];
        let at = |i: usize| {
            let spline = state(&plain.axes, &estimates, i);
            stretch.as_ref().map_or(spline, |s| s.over(i, spline, &s.positions, &Vector3::zeros()))
        };
        let states = (0..instants.len()).map(at).collect();
        Some(Self { first: span.start, samples: plain, splines, stretch, states, is_known })
    }

    /// Where the smoothed course is at its samples' times: cubic between the instants of the grid (Hermite); samples beyond the grid stay.
    fn places(&self, grid: &Grid) -> Vec<Vector3<f64>> {
        let at = |(i, seconds): (usize, &f64)| {
            let index = seconds / grid.step + grid.contact as f64 - self.first as f64;
            let own = || self.samples.axes * Vector3::from_fn(|axis, _| self.samples.coordinates[axis][i]);
            // The first instant after contact comes after the first samples there may be.
            if index < 0.0 {
                return own();
            }
            let (k, u) = (index.floor() as usize, index.fract());
            let Some([a, b]) = self.states.get(k..k + 2) else { return own() };
            a.between(b, u, grid.step).position
        };
        self.samples.seconds.iter().enumerate().map(at).collect()
    }

    /// The states for samples at other places.
    fn of(&self, places: &[Vector3<f64>]) -> Option<Vec<State>> {
        let turned: Vec<Vector3<f64>> = places.iter().map(|p| self.samples.axes.inverse() * p).collect();
        let estimate = |axis: usize| self.splines[axis].estimate(&turned.iter().map(|p| p[axis]).collect::<Vec<f64>>());
        let estimates = [estimate(0)?, estimate(1)?, estimate(2)?];
        let at = |i: usize| {
            let spline = state(&self.samples.axes, &estimates, i);
            let inside = |s: &Stretch| Some(s.over(i, spline, places.get(s.samples.clone())?, &Vector3::zeros()));
            self.stretch.as_ref().and_then(inside).unwrap_or(spline)
        };
        Some((0..self.states.len()).map(at).collect())
    }

    fn drawn(&self, random: &mut impl Rng, offset: Vector3<f64>) -> Vec<State> {
        let errors = [0, 1, 2].map(|axis: usize| self.splines[axis].draw(|| StandardNormal.sample(random)));
        let noise = self.stretch.as_ref().map_or_else(Vec::new, |stretch| stretch.noise(random));
        let beyond = normal_vector(random);
        let with = |(i, s): (usize, &State)| {
            let spline = state(&self.samples.axes, &errors, i);
            let off = self.stretch.as_ref().map_or(spline, |stretch| stretch.over(i, spline, &noise, &beyond));
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

/// The samples about the grid in seconds to contact, without those that contact is interpolated into, and how many these are.
fn to_contact(
    samples: &[Sample],
    contact_seconds: f64,
    grid: &Grid,
    settings: &SmoothingSettings,
) -> (Vec<Sample>, usize) {
    /// Samples beyond the grid still help at its ends, seconds.
    const REACH_SECONDS: f64 = 0.1;
    let relative = samples.iter().map(|s| Sample { seconds: s.seconds - contact_seconds, ..*s }).filter(|s| {
        s.seconds >= grid.first_seconds() - REACH_SECONDS && s.seconds <= grid.last_seconds() + REACH_SECONDS
    });
    let (kept, across): (Vec<_>, Vec<_>) = relative.partition(|s| s.seconds.abs() >= settings.margin_seconds);
    (kept, across.len())
}

/// Correlation of the noise of neighbouring samples, 0 to 0.5. Points per instant are interpolated between frames, so that neighbours share a
/// frame's noise: what looks like noise of a certain size from sample to sample is more of it for a smooth course.
///
/// The residuals of local cubics are linear in the noise, `e = C n`; with noise `σ² (1 + r (S + Sᵀ))`, S the shift by one sample, the sums of
/// `e²` and of neighbours' products give σ and r. `None` with fewer than a hundred pairs.
pub(crate) fn neighbours_correlation(
    samples: &[Sample],
    contact_seconds: f64,
    grid: &Grid,
    settings: &SmoothingSettings,
) -> Option<f64> {
    const LEAST_PAIRS: usize = 100;
    let (mut kept, _) = to_contact(samples, contact_seconds, grid, settings);
    screen(&mut kept, settings);
    let fits = local_fits(&kept, settings);
    let shifted = |a: &LocalFit, b: &LocalFit, by: isize| -> f64 {
        let of = |k: usize| k.checked_add_signed(by)?.checked_sub(b.first).and_then(|k| b.by_noise.get(k));
        a.by_noise.iter().enumerate().filter_map(|(k, c)| Some(c * of(a.first + k)?)).sum()
    };
    let (mut pairs, mut squares, mut products) = (0, 0.0, 0.0);
    let [mut own, mut own_by_r, mut next, mut next_by_r] = [0.0; 4];
    for (i, pair) in fits.windows(2).enumerate() {
        let [Some(a), Some(b)] = pair else { continue };
        if kept[i + 1].seconds - kept[i].seconds > 1.5 * settings.frame_seconds {
            continue;
        }
        let whitened = |i: usize, fit: &LocalFit| kept[i].root.solve_lower_triangular(&fit.residual);
        let (Some(x), Some(y)) = (whitened(i, a), whitened(i + 1, b)) else { continue };
        pairs += 1;
        squares += x.norm_squared();
        products += x.dot(&y);
        own += shifted(a, a, 0);
        own_by_r += 2.0 * shifted(a, a, 1);
        next += shifted(a, b, 0);
        next_by_r += shifted(a, b, 1) + shifted(a, b, -1);
    }
    let ratio = products / squares;
    let r = (next - ratio * own) / (ratio * own_by_r - next_by_r);
    (pairs >= LEAST_PAIRS && r.is_finite()).then(|| r.clamp(0.0, 0.5))
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

/// A sample against the cubic through it and its neighbours.
struct LocalFit {
    /// Index of the first neighbour.
    first: usize,
    /// The residual per unit of each neighbour's noise.
    by_noise: Vec<f64>,
    /// Sample minus curve, metres.
    residual: Vector3<f64>,
}

/// Cubics about each sample of its side of contact; `None` with too few neighbours.
fn local_fits(samples: &[Sample], settings: &SmoothingSettings) -> Vec<Option<LocalFit>> {
    let seconds: Vec<f64> = samples.iter().map(|s| s.seconds).collect();
    let before = seconds.partition_point(|t| *t < 0.0);
    // At the end of a side a cubic over the full window misses a fast racket by centimetres; over a shorter one it does not.
    let half_window = settings.screening_seconds.max(SCREENING_FRAMES * settings.frame_seconds);
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
            let mut by_noise: Vec<f64> = fit.coefficients(0).iter().map(|a| -a).collect();
            *by_noise.get_mut(i - window.start)? += 1.0;
            Some(LocalFit { first: window.start, by_noise, residual: samples[i].position - fitted })
        })
        .collect()
}

/// How far each sample is from the curve of its side of contact, freed of the sample's own pull on the curve.
fn deleted_residuals(samples: &[Sample], settings: &SmoothingSettings) -> Vec<Option<Residual>> {
    let allowance = Matrix3::identity() * settings.misfit_allowance_m.powi(2);
    local_fits(samples, settings)
        .into_iter()
        .zip(samples)
        .map(|(fit, sample)| {
            let LocalFit { by_noise, residual, .. } = fit?;
            // A residual has this share of its sample's variance.
            let shared: f64 = by_noise.windows(2).map(|pair| 2.0 * pair[0] * pair[1]).sum();
            let free = by_noise.iter().map(|c| c * c).sum::<f64>() + settings.correlation * shared;
            let free = free.max(0.05);
            let root = (sample.covariance * free + allowance).cholesky()?.l();
            Some(Residual {
                plain: sample.mahalanobis_squared(&residual) / free,
                allowing: root.solve_lower_triangular(&residual)?.norm_squared(),
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::GRID;
    use crate::spots::Spot;
    use crate::test_swing::{Recording, TestSwing, record};

    #[test]
    fn a_cubic_is_met_between_two_states() {
        let at = |t: f64| State {
            position: Vector3::new(t.powi(3), 2.0 - t, t * t),
            velocity: Vector3::new(3.0 * t * t, -1.0, 2.0 * t),
        };
        let (found, truth) = (at(0.4).between(&at(0.9), 0.3, 0.5), at(0.55));
        assert!((found.position - truth.position).norm() < 1e-12 && (found.velocity - truth.velocity).norm() < 1e-12);
    }

    #[test]
    fn noise_that_neighbours_share_is_told_from_independent_noise() {
        let settings = SmoothingSettings {
            screening_seconds: Spot::OtherHip.screening_seconds(),
            misfit_allowance_m: Spot::OtherHip.misfit_allowance_m(),
            prior: Spot::OtherHip.prior(),
            margin_seconds: 0.0,
            frame_seconds: 1.0 / 120.0,
            correlation: 0.0,
        };
        for correlation in [0.0, 0.2, 0.35, 0.5] {
            let found: Vec<f64> = (0..20)
                .map(|seed| {
                    let recording = Recording { seed, correlation, ..Recording::default() };
                    let tracks = record(&TestSwing::default(), &recording).tracks;
                    let column = tracks.column("left_hip").unwrap();
                    let samples: Vec<Sample> = tracks
                        .session_seconds
                        .iter()
                        .zip(&tracks.points)
                        .filter_map(|(seconds, row)| Sample::new(*seconds, row[column].as_ref()?))
                        .collect();
                    neighbours_correlation(&samples, recording.contact_seconds, &GRID, &settings).unwrap()
                })
                .collect();
            let mean = found.iter().sum::<f64>() / 20.0;
            println!("correlation {correlation}: found {mean:.3} in the mean");
            // Clamped at both ends, so the mean of 20 lies inside by up to half its scatter of 0.05.
            assert!((mean - correlation).abs() < 0.03, "{correlation} {mean}");
        }
    }
}
