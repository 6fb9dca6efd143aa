//! Smoothing spline of degree seven with a roughness that may vary over time, with its joint uncertainty over instants.
//!
//! The curve's fourth derivative is taken as white noise of known intensity; the estimate given the samples is then a smoothing
//! spline (Wahba 1978, J R Stat Soc B 40:364), and the curve with its first three derivatives is a Markov process, so that a
//! Kalman filter and a backward pass give it in time proportional to the number of samples (Kohn & Ansley 1987, SIAM J Sci Stat
//! Comput 8:33; Rauch, Tung & Striebel 1965, AIAA J 3:1445). What a posterior draw of the curve does at one instant given a later one
//! is again Markov: draws over many instants, correlated in time as they must be, cost as much as the instants.

use nalgebra::{SMatrix, SVector};

/// Value and three derivatives.
const ORDER: usize = 4;

/// Derivatives are held per this time, seconds: near the spacing of samples, so that matrices stay well conditioned.
const UNIT_SECONDS: f64 = 0.02;

/// Standard deviation of what is not known before the first sample, in the largest standard deviation of a sample.
const UNKNOWN_SDS: f64 = 1e4;

type State = SVector<f64, ORDER>;
type Square = SMatrix<f64, ORDER, ORDER>;

/// Value and slope at one instant.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ValueAndSlope {
    /// In the samples' unit.
    pub value: f64,
    /// Per second.
    pub slope: f64,
}

/// One step of the forward pass.
#[derive(Debug, Clone)]
struct Node {
    /// Index of the sample seen here.
    sample: Option<usize>,
    /// Index of the instant asked for here.
    asked: Option<usize>,
    /// From the node before to this one.
    forward: Square,
    /// Kalman gain, where a sample is seen.
    gain: State,
    /// Gain and covariance of the backward step from the next node to this one.
    backward: Square,
    left_open: Square,
}

/// One backward step between instants that were asked for.
#[derive(Debug, Clone)]
struct Draw {
    asked: usize,
    from_later: Square,
    root: Square,
}

/// The spline for given instants, variances and roughness; it serves any samples taken at these instants.
#[derive(Debug, Clone)]
pub struct VaryingSpline {
    nodes: Vec<Node>,
    samples: usize,
    draws: Vec<Draw>,
    sds: Vec<ValueAndSlope>,
}

impl VaryingSpline {
    /// Intensity with which the spline follows samples up to a frequency in hertz: there the curve's spectral density falls below that of
    /// the noise, `noise_density` in unit² s (variance of a sample times spacing).
    #[must_use]
    pub fn intensity(hz: f64, noise_density: f64) -> f64 {
        noise_density * (std::f64::consts::TAU * hz).powi(2 * ORDER as i32)
    }

    /// Samples at `seconds` (rising) with `variances`; estimates at `asked` (rising; inside or outside the samples).
    /// `intensity(seconds)` is that of the fourth derivative in unit² s⁻⁷, taken as constant from one instant to the next.
    ///
    /// `None` with fewer than five samples, when lengths differ, when times do not rise or are not finite, or when a variance or
    /// an intensity is not positive and finite.
    #[must_use]
    pub fn new(seconds: &[f64], variances: &[f64], intensity: impl Fn(f64) -> f64, asked: &[f64]) -> Option<Self> {
        let mut pass = Forward::new(seconds, variances, &intensity, asked)?;
        let mut spline = Self {
            nodes: Vec::new(),
            samples: seconds.len(),
            draws: Vec::new(),
            sds: vec![ValueAndSlope::default(); asked.len()],
        };
        for k in (0..pass.nodes.len().saturating_sub(1)).rev() {
            let (filtered, next) = (pass.filtered[k], &pass.nodes[k + 1]);
            let (forward, noise) = (next.forward, pass.noises[k + 1]);
            let predicted = forward * filtered * forward.transpose() + noise;
            let backward = predicted.cholesky()?.solve(&(forward * filtered)).transpose();
            let rest = Square::identity() - backward * forward;
            let left_open = rest * filtered * rest.transpose() + backward * noise * backward.transpose();
            pass.nodes[k].backward = backward;
            pass.nodes[k].left_open = left_open;
        }
        spline.nodes = pass.nodes;
        spline.prepare_draws(*pass.filtered.last()?);
        Some(spline)
    }

    /// Logarithm of how likely the samples are for this roughness, up to a constant that does not depend on it: from the
    /// innovations, without the first four, which only tell where the curve begins. The coordinates share one roughness. `None` as
    /// [`Self::new`], or when a coordinate's length differs.
    #[must_use]
    pub fn log_likelihood(
        seconds: &[f64],
        variances: &[f64],
        intensity: impl Fn(f64) -> f64,
        coordinates: &[&[f64]],
    ) -> Option<f64> {
        if !are_usable(seconds, variances) || coordinates.iter().any(|c| c.len() != seconds.len()) {
            return None;
        }
        let mut states: Vec<State> = coordinates.iter().map(|c| start(c)).collect();
        let mut covariance = unknown(variances);
        let mut step = Step::default();
        let mut now = *seconds.first()?;
        let mut sum = 0.0;
        for (i, (at, variance)) in seconds.iter().zip(variances).enumerate() {
            let rough = usable_intensity(&intensity, (at + now) / 2.0)?;
            step.set(at - now);
            now = *at;
            covariance = step.forward * covariance * step.forward.transpose() + step.noise * rough;
            let innovation = covariance[(0, 0)] + variance;
            let gain: State = covariance.column(0) / innovation;
            let seen = gain * covariance.row(0);
            covariance -= seen;
            covariance = (covariance + covariance.transpose()) * 0.5;
            for (state, samples) in states.iter_mut().zip(coordinates) {
                *state = step.forward * *state;
                let surprise = samples[i] - state[0];
                *state += gain * surprise;
                if i >= ORDER {
                    sum -= 0.5 * (innovation.ln() + surprise * surprise / innovation);
                }
            }
        }
        Some(sum)
    }

    /// The estimate at the instants asked for; `None` when the number of samples does not match.
    #[must_use]
    pub fn estimate(&self, samples: &[f64]) -> Option<Vec<ValueAndSlope>> {
        if samples.len() != self.samples {
            return None;
        }
        let mut state = start(samples);
        let mut filtered = Vec::with_capacity(self.nodes.len());
        for node in &self.nodes {
            state = node.forward * state;
            if let Some(i) = node.sample {
                state += node.gain * (samples[i] - state[0]);
            }
            filtered.push(state);
        }
        let mut found = vec![ValueAndSlope::default(); self.sds.len()];
        for (k, node) in self.nodes.iter().enumerate().rev() {
            if let Some(next) = self.nodes.get(k + 1) {
                state = filtered[k] + node.backward * (state - next.forward * filtered[k]);
            }
            if let Some(at) = node.asked {
                found[at] = shown(&state);
            }
        }
        Some(found)
    }

    /// A draw of what the estimate may be off by at the instants asked for, from independent standard normal numbers.
    pub fn draw(&self, mut normal: impl FnMut() -> f64) -> Vec<ValueAndSlope> {
        let mut found = vec![ValueAndSlope::default(); self.sds.len()];
        let mut state = State::zeros();
        for draw in &self.draws {
            let fresh = State::from_fn(|_, _| normal());
            state = draw.from_later * state + draw.root * fresh;
            found[draw.asked] = shown(&state);
        }
        found
    }

    /// Standard deviations of value and slope at the instants asked for.
    #[must_use]
    pub fn sds(&self) -> &[ValueAndSlope] {
        &self.sds
    }

    fn prepare_draws(&mut self, last: Square) {
        let mut covariance = last;
        let mut from_later = Square::zeros();
        let mut open = last;
        for (k, node) in self.nodes.iter().enumerate().rev() {
            if k + 1 < self.nodes.len() {
                covariance = node.left_open + node.backward * covariance * node.backward.transpose();
                open = node.left_open + node.backward * open * node.backward.transpose();
                from_later = node.backward * from_later;
            }
            if let Some(asked) = node.asked {
                self.draws.push(Draw { asked, from_later, root: root(&open) });
                (from_later, open) = (Square::identity(), Square::zeros());
                self.sds[asked] = ValueAndSlope {
                    value: covariance[(0, 0)].max(0.0).sqrt(),
                    slope: covariance[(1, 1)].max(0.0).sqrt() / UNIT_SECONDS,
                };
            }
        }
    }
}

fn shown(state: &State) -> ValueAndSlope {
    ValueAndSlope { value: state[0], slope: state[1] / UNIT_SECONDS }
}

/// Lower triangular root of a covariance that may be singular: a direction without variance gets a column of zeros.
fn root(covariance: &Square) -> Square {
    let mut lower = Square::zeros();
    for j in 0..ORDER {
        let own = covariance[(j, j)] - (0..j).map(|k| lower[(j, k)].powi(2)).sum::<f64>();
        if own <= 1e-13 * covariance[(j, j)] {
            continue;
        }
        lower[(j, j)] = own.sqrt();
        for i in j + 1..ORDER {
            let shared = covariance[(i, j)] - (0..j).map(|k| lower[(i, k)] * lower[(j, k)]).sum::<f64>();
            lower[(i, j)] = shared / lower[(j, j)];
        }
    }
    lower
}

/// The forward pass: everything that does not depend on the samples' values.
struct Forward {
    nodes: Vec<Node>,
    /// Covariance after each node.
    filtered: Vec<Square>,
    /// Covariance that each step to a node adds.
    noises: Vec<Square>,
}

impl Forward {
    fn new(seconds: &[f64], variances: &[f64], intensity: &impl Fn(f64) -> f64, asked: &[f64]) -> Option<Self> {
        if !are_usable(seconds, variances) || !rise(asked) {
            return None;
        }
        let mut events: Vec<(f64, Option<usize>, Option<usize>)> =
            seconds.iter().enumerate().map(|(i, t)| (*t, Some(i), None)).collect();
        events.extend(asked.iter().enumerate().map(|(i, t)| (*t, None, Some(i))));
        events.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut covariance = unknown(variances);
        let mut pass = Self { nodes: Vec::new(), filtered: Vec::new(), noises: Vec::new() };
        let mut now = events.first()?.0;
        let mut step = Step::default();
        for (at, sample, asked) in events {
            step.set(at - now);
            let (forward, noise) = (step.forward, step.noise * usable_intensity(intensity, (at + now) / 2.0)?);
            covariance = forward * covariance * forward.transpose() + noise;
            let mut gain = State::zeros();
            if let Some(variance) = sample.and_then(|i| variances.get(i)) {
                gain = covariance.column(0) / (covariance[(0, 0)] + variance);
                let mut rest = Square::identity();
                rest.column_mut(0).axpy(-1.0, &gain, 1.0);
                // The form that stays symmetric and positive (Bucy & Joseph 1968).
                covariance = rest * covariance * rest.transpose() + gain * gain.transpose() * *variance;
            }
            covariance = (covariance + covariance.transpose()) * 0.5;
            now = at;
            pass.noises.push(noise);
            pass.filtered.push(covariance);
            let zero = Square::zeros();
            pass.nodes.push(Node { sample, asked, forward, gain, backward: zero, left_open: zero });
        }
        Some(pass)
    }
}

fn rise(times: &[f64]) -> bool {
    times.iter().all(|t| t.is_finite()) && times.windows(2).all(|w| w[1] > w[0])
}

fn is_positive(x: f64) -> bool {
    x.is_finite() && x > 0.0
}

fn are_usable(seconds: &[f64], variances: &[f64]) -> bool {
    seconds.len() > ORDER
        && variances.len() == seconds.len()
        && variances.iter().all(|v| is_positive(*v))
        && rise(seconds)
}

fn usable_intensity(intensity: &impl Fn(f64) -> f64, seconds: f64) -> Option<f64> {
    Some(intensity(seconds)).filter(|q| is_positive(*q)).map(|q| q * UNIT_SECONDS.powi(2 * ORDER as i32 - 1))
}

/// Covariance before anything was seen.
fn unknown(variances: &[f64]) -> Square {
    Square::identity() * ((UNKNOWN_SDS * UNKNOWN_SDS) * variances.iter().copied().fold(0.0, f64::max))
}

/// State before anything was seen: near the samples, so that rounding does no harm.
fn start(samples: &[f64]) -> State {
    let mut state = State::zeros();
    state[0] = samples.first().copied().unwrap_or(0.0);
    state
}

/// What a step in time does: Taylor's series, and the covariance that white noise of intensity 1 adds. Kept for the next step, which is
/// usually as long.
struct Step {
    seconds: f64,
    forward: Square,
    noise: Square,
}

impl Default for Step {
    fn default() -> Self {
        Self { seconds: 0.0, forward: Square::identity(), noise: Square::zeros() }
    }
}

impl Step {
    fn set(&mut self, seconds: f64) {
        if (seconds - self.seconds).abs() > 1e-12 {
            let step = seconds / UNIT_SECONDS;
            (self.seconds, self.forward, self.noise) = (seconds, transition(step), step_noise(step));
        }
    }
}

fn factorial(n: usize) -> f64 {
    (1..=n).map(|k| k as f64).product()
}

fn transition(step: f64) -> Square {
    Square::from_fn(|i, j| if j < i { 0.0 } else { step.powi((j - i) as i32) / factorial(j - i) })
}

fn step_noise(step: f64) -> Square {
    Square::from_fn(|i, j| {
        let (a, b) = (ORDER - 1 - i, ORDER - 1 - j);
        step.powi((a + b + 1) as i32) / (factorial(a) * factorial(b) * (a + b + 1) as f64)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, DVector};
    use proptest::prelude::*;

    fn wave(seconds: &[f64]) -> Vec<f64> {
        seconds.iter().map(|t| 0.4 * (6.0 * t).sin() + 0.1 * t).collect()
    }

    fn times(n: u32, spacing: f64) -> Vec<f64> {
        // Unevenly spaced.
        (0..n).map(|i| spacing * (f64::from(i) + 0.3 * f64::from(i % 3))).collect()
    }

    /// The same estimate from its definition: the kernel of the process started with an unknown cubic at 0 (Wahba 1978), solved
    /// densely.
    fn dense(seconds: &[f64], variances: &[f64], q: f64, samples: &[f64], at: f64) -> f64 {
        // Covariance of four-fold integrated white noise: ∫ (s-u)³ (t-u)³ / 36 du by Simpson's rule, whose error is
        // some 1e-12 of the kernel with so many steps (with 64 it is as large as the noise).
        let kernel = |s: f64, t: f64| {
            let (end, n) = (s.min(t), 1024);
            let f = |u: f64| q * ((s - u) * (t - u)).powi(3) / 36.0;
            let h = end / f64::from(n);
            let inner: f64 = (1..n).map(|i| f(h * f64::from(i)) * if i % 2 == 1 { 4.0 } else { 2.0 }).sum();
            (f(0.0) + f(end) + inner) * h / 3.0
        };
        let n = seconds.len();
        let cubic = DMatrix::from_fn(n, 4, |i, k| seconds[i].powi(k as i32));
        let covariance =
            DMatrix::from_fn(n, n, |i, j| kernel(seconds[i], seconds[j]) + if i == j { variances[i] } else { 0.0 });
        let factor = covariance.cholesky().unwrap();
        let y = DVector::from_column_slice(samples);
        let solved = factor.solve(&cubic);
        let normal = cubic.tr_mul(&solved);
        let beta = normal.lu().solve(&solved.tr_mul(&y)).unwrap();
        let rest = factor.solve(&(&y - &cubic * &beta));
        let own: f64 = (0..n).map(|i| kernel(at, seconds[i]) * rest[i]).sum();
        own + (0..4).map(|k| beta[k] * at.powi(k as i32)).sum::<f64>()
    }

    #[test]
    fn the_two_passes_give_what_the_definition_gives() {
        let seconds = times(40, 0.02);
        let variances: Vec<f64> = (0..40).map(|i| 1e-4 * (1.0 + f64::from(i % 4))).collect();
        let samples: Vec<f64> =
            wave(&seconds).iter().zip(0..).map(|(x, i)| x + 0.01 * f64::from(i * 7 % 5 - 2)).collect();
        let asked = [0.11, 0.3, 0.555, 0.83];
        for q in [1e2, 1e5] {
            let spline = VaryingSpline::new(&seconds, &variances, |_| q, &asked).unwrap();
            let found = spline.estimate(&samples).unwrap();
            for (at, found) in asked.iter().zip(&found) {
                let expected = dense(&seconds, &variances, q, &samples, *at);
                assert!((found.value - expected).abs() < 2e-5, "{q} {at} {found:?} {expected}");
                let h = 1e-4;
                let slope = (dense(&seconds, &variances, q, &samples, at + h)
                    - dense(&seconds, &variances, q, &samples, at - h))
                    / (2.0 * h);
                assert!((found.slope - slope).abs() < 2e-3, "{q} {at} {found:?} {slope}");
            }
        }
    }

    #[test]
    fn draws_scatter_as_the_standard_deviations_say_and_are_correlated_in_time() {
        let seconds = times(60, 0.01);
        let variances = vec![1e-4; 60];
        let asked: Vec<f64> = (0..60).map(|i| f64::from(i) * 0.01).collect();
        let spline = VaryingSpline::new(&seconds, &variances, |t| if t < 0.3 { 1e3 } else { 1e6 }, &asked).unwrap();
        // A small generator of normal numbers is enough here: twelve uniform ones (central limit).
        let mut seed = 1_u64;
        let mut uniform = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (seed >> 11) as f64 / (1_u64 << 53) as f64
        };
        let n = 3000;
        let draws: Vec<Vec<ValueAndSlope>> =
            (0..n).map(|_| spline.draw(|| (0..12).map(|_| uniform()).sum::<f64>() - 6.0)).collect();
        for k in [0, 20, 45, 59] {
            let rms = |of: fn(&ValueAndSlope) -> f64| {
                (draws.iter().map(|d| of(&d[k]).powi(2)).sum::<f64>() / f64::from(n)).sqrt()
            };
            let said = spline.sds()[k];
            assert!((rms(|d| d.value) / said.value - 1.0).abs() < 0.06, "{k}");
            assert!((rms(|d| d.slope) / said.slope - 1.0).abs() < 0.06, "{k}");
        }
        // The slope's draw is the slope of the value's draw: midpoint rule over 10 ms.
        let off = draws.iter().map(|d| (d[21].value - d[19].value) / 0.02 - d[20].slope).map(|e| e * e).sum::<f64>();
        assert!((off / f64::from(n)).sqrt() < 0.1 * spline.sds()[20].slope);
        // Rougher means less certain.
        assert!(spline.sds()[45].slope > 1.5 * spline.sds()[15].slope);
    }

    #[test]
    fn the_likelihood_prefers_the_roughness_of_the_curve() {
        let seconds = times(200, 0.005);
        let variances = vec![1e-6; 200];
        let samples: Vec<f64> = wave(&seconds)
            .iter()
            .zip(0_u64..)
            .map(|(x, i)| x + 1e-3 * ((i * i * 7919 + i * 104_729) % 1000) as f64 / 290.0 - 1.7e-3)
            .collect();
        let score = |q: f64| VaryingSpline::log_likelihood(&seconds, &variances, |_| q, &[&samples]).unwrap();
        // Fourth derivative of the wave: 0.4 · 6⁴ sin, 370 rms; over its correlation time of some 0.2 s that is 3e4.
        let best = (0..12).map(|k| 10_f64.powi(k)).max_by(|a, b| score(*a).total_cmp(&score(*b))).unwrap();
        assert!((1e3..=1e6).contains(&best), "{best}");
    }

    #[test]
    fn what_cannot_be_smoothed_is_none() {
        let seconds = times(10, 0.01);
        let make = |variances: &[f64], q: f64, asked: &[f64]| VaryingSpline::new(&seconds, variances, |_| q, asked);
        assert!(make(&[1e-4; 9], 1.0, &[]).is_none());
        assert!(make(&[0.0; 10], 1.0, &[]).is_none());
        assert!(make(&[1e-4; 10], f64::NAN, &[]).is_none());
        assert!(make(&[1e-4; 10], 1.0, &[0.02, 0.01]).is_none());
        assert!(VaryingSpline::new(&seconds[..4], &[1e-4; 4], |_| 1.0, &[]).is_none());
        assert!(make(&[1e-4; 10], 1.0, &[]).unwrap().estimate(&[1.0; 9]).is_none());
    }

    proptest! {
        #[test]
        fn a_cubic_is_kept_whatever_the_roughness(c in prop::array::uniform4(-2.0..2.0_f64), q in 0.0..8.0_f64) {
            let seconds = times(30, 0.02);
            let value = |t: f64| c[0] + c[1] * t + c[2] * t * t + c[3] * t * t * t;
            let samples: Vec<f64> = seconds.iter().map(|t| value(*t)).collect();
            let asked = [-0.02, 0.2, 0.41, 0.63];
            let spline = VaryingSpline::new(&seconds, &[1e-4; 30], |_| 10_f64.powf(q), &asked).unwrap();
            for (t, found) in asked.iter().zip(spline.estimate(&samples).unwrap()) {
                prop_assert!((found.value - value(*t)).abs() < 1e-4);
                prop_assert!((found.slope - (c[1] + 2.0 * c[2] * t + 3.0 * c[3] * t * t)).abs() < 5e-3);
            }
        }
    }
}
