//! The tip's speed around a dip, as deep and as short as the samples themselves say.
//!
//! Whatever smooths a motion fills its dips. Where a dip is clear the speed is therefore read off a curve that may have one: a polynomial less
//! a bell, fitted to how far the tip has come along its path at each sample. Depth and duration of the dip follow from the
//! fitted speed as they follow from any other. Where the bell stands and how wide it is, is left open: each place and width counts as
//! likely as the samples make it (evidence, with a normal prior of its height and flat ones of the polynomial; MacKay 2003, Information Theory, Inference, and Learning
//! Algorithms, chapter 28).

use nalgebra::{SMatrix, SVector};
use rand::{Rng, RngExt};
use rand_distr::{Distribution, StandardNormal};

use crate::bell::Bell;
use crate::grid::Grid;
use crate::series::Series;
use crate::smoothing::{CHANGE_OVER_SECONDS, SmoothedPoint, State};

/// Degree of the polynomial that the way along the path follows without the dip.
const DEGREE: usize = 5;

/// Its coefficients, and the height of the bell, m/s.
const UNKNOWNS: usize = DEGREE + 2;

/// Samples up to this far beyond the dip are fitted too, seconds.
const BESIDE_SECONDS: f64 = 0.02;

/// Standard deviations of the bell, seconds. Each counts alike beforehand.
const WIDTHS_SECONDS: [f64; 9] = [0.006, 0.008, 0.011, 0.014, 0.018, 0.023, 0.029, 0.036, 0.045];

/// How high the bell usually is, as a share of the mean speed (standard deviation about 0).
const USUAL_SHARE: f64 = 0.3;

/// What is less likely than the likeliest by this factor is left out.
const LEAST_LIKELY: f64 = 1e-4;

type Coefficients = SVector<f64, UNKNOWNS>;

/// One place and width of the bell.
#[derive(Debug, Clone)]
struct Candidate {
    bell: Bell,
    log_evidence: f64,
    likeliest: Coefficients,
    /// Turns independent standard normal numbers into a draw of what the coefficients are off by.
    root: SMatrix<f64, UNKNOWNS, UNKNOWNS>,
}

/// The fitted speed around one dip.
#[derive(Debug, Clone)]
pub(crate) struct DipCourse {
    /// First instant of the grid, and how much the fit counts from there on, 0 to 1.
    first: usize,
    shares: Vec<f64>,
    seconds: Vec<f64>,
    /// Middle and half length of what is fitted, seconds.
    middle: f64,
    half: f64,
    /// The likeliest first.
    candidates: Vec<Candidate>,
}

/// How far the tip has come along its course at each sample before contact, metres from any start, with variances.
struct Way {
    seconds: Vec<f64>,
    metres: Vec<f64>,
    variances: Vec<f64>,
}

impl Way {
    /// Samples between two times; a sample beside the course counts where it is along it.
    fn new(point: &SmoothedPoint, course: &[Option<State>], grid: &Grid, [from, to]: [f64; 2]) -> Option<Self> {
        let mut way = Self { seconds: Vec::new(), metres: Vec::new(), variances: Vec::new() };
        // Length of the course up to each instant.
        let mut passed = 0.0;
        let first = grid.index(from).saturating_sub(1);
        let samples = point.before_contact().iter().filter(|s| (from..=to).contains(&s.seconds));
        let mut k = first;
        for sample in samples {
            let index = sample.seconds / grid.step + grid.contact as f64;
            if index < k as f64 {
                continue;
            }
            while (k + 1) as f64 <= index {
                let (a, b) = ((*course.get(k)?)?, (*course.get(k + 1)?)?);
                passed += (a.velocity.norm() + b.velocity.norm()) / 2.0 * grid.step;
                k += 1;
            }
            let (a, b) = ((*course.get(k)?)?, (*course.get(k + 1)?)?);
            let share = index - k as f64;
            let here = a.between(&b, share, grid.step);
            let along = here.velocity.try_normalize(1e-3)?;
            let part = (a.velocity.norm() + here.velocity.norm()) / 2.0 * share * grid.step;
            way.seconds.push(sample.seconds);
            way.metres.push(passed + part + along.dot(&(sample.position - here.position)));
            way.variances.push(along.dot(&(sample.covariance * along)) * point.independent_sd().powi(2));
        }
        (way.seconds.len() > UNKNOWNS + 4).then_some(way)
    }
}

impl DipCourse {
    /// `course`: the tip's, on the grid. `around_seconds`: from before the dip's first peak to after the speed is regained. `None` when there are too
    /// few samples, or the course is not known there.
    pub(crate) fn new(
        point: &SmoothedPoint,
        course: &[Option<State>],
        grid: &Grid,
        around_seconds: [f64; 2],
    ) -> Option<Self> {
        let [from, to] = around_seconds;
        let way = Way::new(point, course, grid, [from - BESIDE_SECONDS, to + BESIDE_SECONDS])?;
        let (start, end) = (*way.seconds.first()?, *way.seconds.last()?);
        let (middle, half) = ((start + end) / 2.0, (end - start) / 2.0);
        let mean_speed = (way.metres.last()? - way.metres.first()?) / (end - start);
        let mut candidates: Vec<Candidate> = Vec::new();
        for width in WIDTHS_SECONDS {
            let mut centre = from.max(start);
            while centre <= to.min(end) {
                let bell = Bell { centre_seconds: centre, width_seconds: width };
                candidates.extend(Candidate::new(&way, [middle, half], bell, mean_speed));
                centre += 0.005;
            }
        }
        candidates.sort_by(|a, b| b.log_evidence.total_cmp(&a.log_evidence));
        let best = candidates.first()?.log_evidence;
        candidates.retain(|c| c.log_evidence - best > LEAST_LIKELY.ln());
        let share = |at: f64| {
            let outside = (from - at).max(at - to).max(0.0);
            if at < start || at > end { 0.0 } else { (1.0 - outside / CHANGE_OVER_SECONDS).max(0.0) }
        };
        let first = grid.index(from - CHANGE_OVER_SECONDS);
        let last = grid.index(to + CHANGE_OVER_SECONDS).min(grid.contact);
        let seconds: Vec<f64> = (first..=last).map(|k| grid.seconds(k as f64)).collect();
        let shares = seconds.iter().map(|at| share(*at)).collect();
        Some(Self { first, shares, seconds, middle, half, candidates })
    }

    /// Speeds from its first instant on: of the likeliest fit.
    pub(crate) fn likeliest(&self) -> Vec<f64> {
        let best = &self.candidates[0];
        self.speeds(best, &best.likeliest)
    }

    /// A draw of what they may be.
    pub(crate) fn drawn(&self, random: &mut impl Rng) -> Vec<f64> {
        let best = self.candidates[0].log_evidence;
        let weight = |c: &Candidate| (c.log_evidence - best).exp();
        let mut left = random.random_range(0.0..1.0) * self.candidates.iter().map(weight).sum::<f64>();
        let candidate = self
            .candidates
            .iter()
            .find(|c| {
                left -= weight(c);
                left < 0.0
            })
            .unwrap_or(&self.candidates[0]);
        let noise = Coefficients::from_fn(|_, _| StandardNormal.sample(random));
        self.speeds(candidate, &(candidate.likeliest + candidate.root * noise))
    }

    fn speeds(&self, candidate: &Candidate, coefficients: &Coefficients) -> Vec<f64> {
        let at = |seconds: &f64| {
            let u = (seconds - self.middle) / self.half;
            let slope: f64 = (1..=DEGREE).map(|j| j as f64 * u.powi(j as i32 - 1) * coefficients[j]).sum();
            (slope / self.half - coefficients[DEGREE + 1] * candidate.bell.at(*seconds)).max(0.0)
        };
        self.seconds.iter().map(at).collect()
    }

    /// A series of speeds on the grid with these in their place.
    pub(crate) fn over(&self, mut series: Series, speeds: &[f64]) -> Series {
        for (i, (share, speed)) in self.shares.iter().zip(speeds).enumerate() {
            if let Some(Some(value)) = series.get_mut(self.first + i) {
                *value += share * (speed - *value);
            }
        }
        series
    }
}

impl Candidate {
    fn new(way: &Way, [middle, half]: [f64; 2], bell: Bell, mean_speed: f64) -> Option<Self> {
        let usual = USUAL_SHARE * mean_speed;
        let mut normal = SMatrix::<f64, UNKNOWNS, UNKNOWNS>::zeros();
        let mut right = Coefficients::zeros();
        let mut squares = 0.0;
        for ((seconds, metres), variance) in way.seconds.iter().zip(&way.metres).zip(&way.variances) {
            let u = (seconds - middle) / half;
            let row = Coefficients::from_fn(|j, _| match j {
                0..=DEGREE => u.powi(j as i32),
                _ => -bell.until(*seconds),
            });
            normal += row * row.transpose() / *variance;
            right += row * (metres / variance);
            squares += metres * metres / variance;
        }
        normal[(DEGREE + 1, DEGREE + 1)] += usual.powi(-2);
        let cholesky = normal.cholesky()?;
        let likeliest = cholesky.solve(&right);
        let log_determinant: f64 = (0..UNKNOWNS).map(|i| 2.0 * cholesky.l_dirty()[(i, i)].ln()).sum();
        let log_evidence = -0.5 * (squares - right.dot(&likeliest)) - 0.5 * log_determinant - usual.ln();
        let root = cholesky.l().transpose().try_inverse()?;
        // A bell that would raise the speed is no dip.
        let is_dip = likeliest[DEGREE + 1] > 0.0 && log_evidence.is_finite();
        is_dip.then_some(Self { bell, log_evidence, likeliest, root })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dip::greatest_fall;
    use crate::grid::GRID;
    use crate::samples::Sample;
    use crate::smoothing::SmoothingSettings;
    use crate::spots::Spot;
    use midline_session::tracks::Point3d;
    use midline_signal::normal_probability;
    use nalgebra::Vector3;
    use rand::SeedableRng;
    use rand::rngs::StdRng;

    const CENTRE: f64 = -0.12;
    const WIDTH: f64 = 0.025;

    const HEIGHT: f64 = 6.0;

    /// A rise with a bell of so much width taken off: metres along a straight line, and m/s.
    fn way_and_speed(t: f64, width: f64) -> [f64; 2] {
        let z = (t - CENTRE) / width;
        let area = HEIGHT * WIDTH * std::f64::consts::TAU.sqrt();
        let bell = area * (-0.5 * z * z).exp() / (width * std::f64::consts::TAU.sqrt());
        [18.0 * t + 30.0 * t * t - area * normal_probability(z), 18.0 + 60.0 * t - bell]
    }

    /// The tip with 5 mm of noise at 240 per second, and a course that has smeared its dip.
    fn seen(random: &mut StdRng) -> (SmoothedPoint, Vec<Option<State>>) {
        let samples: Vec<Sample> = (0..120)
            .filter_map(|i| {
                let t = -0.5 + f64::from(i) / 240.0;
                let noise = Vector3::from_fn(|_, _| -> f64 { StandardNormal.sample(random) }) * 0.005;
                let position_m = (Vector3::new(way_and_speed(t, WIDTH)[0], 0.0, 1.0) + noise).into();
                let covariance_m2 = (nalgebra::Matrix3::identity() * 0.005 * 0.005).into();
                Sample::new(t, &Point3d { position_m, covariance_m2, reprojection_px: 0.6, views: 2 })
            })
            .collect();
        let settings = SmoothingSettings {
            screening_seconds: Spot::RacketTip.screening_seconds(),
            misfit_allowance_m: Spot::RacketTip.misfit_allowance_m(),
            prior: Spot::RacketTip.prior(),
            margin_seconds: 0.0,
            frame_seconds: 1.0 / 240.0,
            correlation: 0.0,
        };
        let point = SmoothedPoint::alike(&[(&samples, settings)], 0.0, &GRID).remove(0);
        let state = |k: usize| {
            let t = GRID.seconds(k as f64);
            let [way, speed] = way_and_speed(t, 2.0 * WIDTH);
            Some(State { position: Vector3::new(way, 0.0, 1.0), velocity: Vector3::new(speed, 0.0, 0.0) })
        };
        (point, (0..GRID.len).map(state).collect())
    }

    #[test]
    fn a_dip_that_the_course_has_lost_is_found_in_the_samples() {
        let mut random = StdRng::seed_from_u64(8);
        let grid: Vec<f64> =
            (GRID.index(-0.25)..=GRID.index(-0.05)).map(|k| way_and_speed(GRID.seconds(k as f64), WIDTH)[1]).collect();
        let truth = greatest_fall(&grid, |_, _| true).unwrap();
        let (mut inside, mut errors) = (0, Vec::new());
        for _ in 0..40 {
            let (point, course) = seen(&mut random);
            let found = DipCourse::new(&point, &course, &GRID, [-0.25, -0.04]).unwrap();
            let size = |speeds: &[f64]| greatest_fall(speeds, |_, _| true).map_or(0.0, |fall| fall.size);
            let error = size(&found.likeliest()) - truth.size;
            let draws: Vec<f64> = (0..60).map(|_| size(&found.drawn(&mut random)) - truth.size).collect();
            let mean = draws.iter().sum::<f64>() / 60.0;
            let sd = (draws.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / 59.0).sqrt();
            inside += usize::from(mean.abs() < 1.96 * sd);
            errors.push(error);
        }
        let rms = (errors.iter().map(|e| e * e).sum::<f64>() / 40.0).sqrt();
        let off = errors.iter().sum::<f64>() / 40.0;
        println!("falls by {:.2} m/s: {off:+.2} off, {rms:.2} rms, {inside} of 40 inside", truth.size);
        // 40 at 95 %: 33 or fewer would happen once in 300.
        assert!(inside >= 34 && rms < 0.5 && off.abs() < 0.25, "{off} {rms} {inside}");
    }
}
