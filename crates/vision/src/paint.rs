//! The fit of a painted line to a profile across it.

use midline_solver::{LeastSquares, Options, minimise};
use nalgebra::{DMatrix, DVector};

/// Blur of an edge, px: usual, and how far off as a natural logarithm.
const USUAL_BLUR_PX: f64 = 0.8;
const BLUR_LOG_SD: f64 = 0.5;

/// A line is as wide as it is painted: the share of its width by which it may differ from the model (1 sd), and what the
/// picture adds, px.
const WIDTH_SHARE_SD: f64 = 0.3;
const WIDTH_SD_PX: f64 = 0.1;

/// Least standard deviation of a grey value: quantisation and compression.
const LEAST_NOISE: f64 = 1.5;

/// A logistic edge has the standard deviation `π / √3` of its scale.
const SCALE_OF_BLUR: f64 = 0.551_328_895_421_792_1;

/// Grey values across a line.
#[derive(Debug, Clone)]
pub(crate) struct Profile {
    /// Place of the first value, px across the line.
    pub(crate) start_px: f64,
    /// Distance of the values, px.
    pub(crate) step_px: f64,
    pub(crate) values: Vec<f64>,
}

impl Profile {
    fn place(&self, index: usize) -> f64 {
        self.start_px + self.step_px * index as f64
    }
}

/// A painted line found in a profile.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Paint {
    /// Middle, px across.
    pub(crate) centre_px: f64,
    pub(crate) width_px: f64,
    /// Standard deviation of an edge's blur, px.
    pub(crate) blur_px: f64,
    /// Grey values before, on and after the line.
    pub(crate) levels: [f64; 3],
    /// Of (centre, width), px².
    pub(crate) covariance_px2: [[f64; 2]; 2],
    /// Root mean square of what the fit leaves, grey values.
    pub(crate) noise: f64,
}

impl Paint {
    /// An edge (`side` -1 or 1) or the middle (0) with its standard deviation, px across.
    pub(crate) fn edge_px(&self, side: f64) -> (f64, f64) {
        let [[cc, cw], [_, ww]] = self.covariance_px2;
        let half = side / 2.0;
        (self.centre_px + half * self.width_px, (cc + 2.0 * half * cw + half * half * ww).max(0.0).sqrt())
    }

    /// How far the line stands out from what is beside it, grey values; negative for a dark line.
    pub(crate) fn contrast(&self) -> f64 {
        let [before, on, after] = self.levels;
        let (least, most) = (before.min(after), before.max(after));
        if on > most {
            on - most
        } else if on < least {
            on - least
        } else {
            0.0
        }
    }
}

/// Levels before, on and after; centre; width; logarithm of the blur.
#[derive(Debug, Clone)]
struct State([f64; 6]);

/// Two blurred edges: `before (1 - a) + on (a - b) + after b`, with `a` and `b` the edges' logistic steps.
struct Fit<'a> {
    profile: &'a Profile,
    expected_width_px: f64,
    noise: f64,
}

fn step(at: f64) -> (f64, f64) {
    let value = 1.0 / (1.0 + (-at).exp());
    (value, value * (1.0 - value))
}

impl LeastSquares for Fit<'_> {
    type State = State;

    fn tangent_dim(&self) -> usize {
        6
    }

    fn block_count(&self) -> usize {
        2
    }

    fn block_rows(&self, block: usize) -> usize {
        if block == 0 { self.profile.values.len() } else { 2 }
    }

    fn block_columns(&self, block: usize) -> Vec<usize> {
        if block == 0 { (0..6).collect() } else { vec![4, 5] }
    }

    fn evaluate(
        &self,
        State([before, on, after, centre, width, log_blur]): &State,
        block: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        if !(*width > 0.0 && log_blur.abs() < 4.0) {
            return false;
        }
        if block == 1 {
            let sd = [WIDTH_SHARE_SD * self.expected_width_px + WIDTH_SD_PX, BLUR_LOG_SD];
            residual[0] = (width - self.expected_width_px) / sd[0];
            residual[1] = (log_blur - USUAL_BLUR_PX.ln()) / sd[1];
            if let Some(jacobian) = jacobian {
                jacobian[(0, 0)] = 1.0 / sd[0];
                jacobian[(1, 1)] = 1.0 / sd[1];
            }
            return true;
        }
        let scale = SCALE_OF_BLUR * log_blur.exp();
        let mut jacobian = jacobian;
        for (index, value) in self.profile.values.iter().enumerate() {
            let at = self.profile.place(index);
            let places = [(at - centre + width / 2.0) / scale, (at - centre - width / 2.0) / scale];
            let [(a, slope_a), (b, slope_b)] = places.map(step);
            residual[index] = (before * (1.0 - a) + on * (a - b) + after * b - value) / self.noise;
            let Some(jacobian) = jacobian.as_deref_mut() else { continue };
            let (by_a, by_b) = ((on - before) * slope_a / self.noise, (after - on) * slope_b / self.noise);
            let row = [
                (1.0 - a) / self.noise,
                (a - b) / self.noise,
                b / self.noise,
                -(by_a + by_b) / scale,
                (by_a - by_b) / (2.0 * scale),
                -(by_a * places[0] + by_b * places[1]),
            ];
            for (column, value) in row.into_iter().enumerate() {
                jacobian[(index, column)] = value;
            }
        }
        true
    }

    fn step(&self, state: &State, delta: &DVector<f64>) -> State {
        State(std::array::from_fn(|i| state.0[i] + delta[i]))
    }
}

/// Fits a line of about this middle and width to a profile. `None` when it does not converge there.
pub(crate) fn fit(profile: &Profile, centre_px: f64, width_px: f64) -> Option<Paint> {
    let mean = |from: f64, to: f64| {
        let within: Vec<f64> = (0..profile.values.len())
            .filter(|i| (from..=to).contains(&profile.place(*i)))
            .map(|i| profile.values[i])
            .collect();
        (!within.is_empty()).then(|| within.iter().sum::<f64>() / within.len() as f64)
    };
    let end = profile.place(profile.values.len().checked_sub(1)?);
    let half = width_px / 2.0;
    let start = State([
        mean(profile.start_px, centre_px - half - 1.0)?,
        mean(centre_px - half.max(0.5), centre_px + half.max(0.5))?,
        mean(centre_px + half + 1.0, end)?,
        centre_px,
        width_px,
        USUAL_BLUR_PX.ln(),
    ]);
    let options = Options { max_iterations: 30, cost_tolerance: 1e-6, ..Options::default() };
    let mut noise = LEAST_NOISE;
    let mut found: Option<(State, DMatrix<f64>, f64)> = None;
    // Once for the scatter, once with it.
    for _ in 0..2 {
        let problem = Fit { profile, expected_width_px: width_px, noise };
        let from = found.take().map_or_else(|| start.clone(), |(state, ..)| state);
        let solution = minimise(&problem, from, &options).ok()?;
        let mut residual = DVector::zeros(profile.values.len());
        if !problem.evaluate(&solution.state, 0, &mut residual, None) {
            return None;
        }
        let freedom = (profile.values.len() as f64 - 5.0).max(1.0);
        let rms = noise * (residual.norm_squared() / freedom).sqrt();
        let covariance = solution.covariance_of(&[3, 4]).ok()?;
        noise = rms.max(LEAST_NOISE);
        found = Some((solution.state, covariance, rms));
    }
    let (State([before, on, after, centre_px, width_px, log_blur]), covariance, rms) = found?;
    // Values nearer to each other than a pixel share what they know.
    let covariance = covariance * (1.0 / profile.step_px).max(1.0);
    Some(Paint {
        centre_px,
        width_px,
        blur_px: log_blur.exp(),
        levels: [before, on, after],
        covariance_px2: [[covariance[(0, 0)], covariance[(0, 1)]], [covariance[(1, 0)], covariance[(1, 1)]]],
        noise: rms,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{SeedableRng, rngs::StdRng};
    use rand_distr::{Distribution, StandardNormal};

    /// A bar averaged over pixels and blurred by a Gaussian, by sums over fine steps: not the model of the fit.
    fn drawn(centre: f64, width: f64, levels: [f64; 3], blur_px: f64, noise: f64, seed: u64) -> Profile {
        let mut random = StdRng::seed_from_u64(seed);
        let mut draw = || -> f64 { StandardNormal.sample(&mut random) };
        let value = |at: f64| {
            let (mut sum, mut weight) = (0.0, 0.0);
            for i in -400..=400 {
                let off = f64::from(i) * 0.01 * blur_px;
                let own = (-0.5 * (off / blur_px).powi(2)).exp();
                for j in 0..10 {
                    let place = at + off + (f64::from(j) + 0.5) / 10.0 - 0.5;
                    let level = match place - centre {
                        p if p < -width / 2.0 => levels[0],
                        p if p < width / 2.0 => levels[1],
                        _ => levels[2],
                    };
                    sum += own * level;
                    weight += own;
                }
            }
            sum / weight
        };
        let values = (-12..=12).map(|i| value(f64::from(i)) + noise * draw()).collect();
        Profile { start_px: -12.0, step_px: 1.0, values }
    }

    #[test]
    fn derivatives_match_differences() {
        let profile = drawn(0.4, 3.0, [80.0, 220.0, 110.0], 0.8, 1.0, 1);
        let problem = Fit { profile: &profile, expected_width_px: 2.5, noise: 2.0 };
        let state = State([85.0, 200.0, 100.0, 0.1, 2.2, -0.1]);
        assert!(midline_solver::worst_jacobian_error(&problem, &state) < 1e-6);
    }

    #[test]
    fn middles_and_edges_are_found_to_hundredths_of_a_pixel() {
        for (width, blur, levels, edge_px) in [
            (6.0, 0.7, [90.0, 225.0, 120.0], 0.05),
            (2.5, 0.6, [90.0, 225.0, 120.0], 0.06),
            // The width of a line as thin as its blur is what is expected of it; its middle is still good.
            (0.9, 0.8, [80.0, 230.0, 80.0], 0.15),
            (4.0, 1.2, [200.0, 60.0, 180.0], 0.08),
        ] {
            let profile = drawn(0.37, width, levels, blur, 0.0, 1);
            let found = fit(&profile, 0.0, 1.1 * width).unwrap();
            let off = [found.edge_px(0.0).0 - 0.37, found.edge_px(-1.0).0 - 0.37 + width / 2.0];
            println!("width {width}: middle {:+.4} px, edge {:+.4} px off", off[0], off[1]);
            assert!(off[0].abs() < 0.03 && off[1].abs() < edge_px, "{width}: {off:?}");
            assert_eq!(found.contrast() > 0.0, levels[1] > levels[0]);
        }
    }

    #[test]
    fn stated_deviations_are_those_of_many_fits() {
        for width in [1.0, 5.0] {
            let (mut off, mut stated) = (Vec::new(), Vec::new());
            for seed in 0..200 {
                let profile = drawn(-0.2, width, [90.0, 200.0, 120.0], 0.8, 3.0, seed);
                let found = fit(&profile, 0.0, width).unwrap();
                let (place, sd) = found.edge_px(0.0);
                off.push(place + 0.2);
                stated.push(sd);
            }
            let rms = (off.iter().map(|o| o * o).sum::<f64>() / off.len() as f64).sqrt();
            let mean = stated.iter().sum::<f64>() / stated.len() as f64;
            println!("width {width}: middle off by {rms:.3} px rms, stated {mean:.3} px");
            assert!((0.75..1.3).contains(&(mean / rms)), "{mean} {rms}");
        }
    }
}
