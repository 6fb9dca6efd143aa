//! Noise of the pixels by the detector's score, estimated from how far the cameras are from agreeing.
//!
//! For two cameras, what the epipolar constraint leaves is Gaussian with a variance that is, to first order, a known linear
//! combination of the variances of the pixels that went into it ([`crate::pair::Disparity`]; a pixel between frames is a
//! combination of its neighbours). The standard deviation of each pixel follows its keypoint's [`ScoreCurve`]: level and
//! exponent, found by maximum likelihood with Fisher scoring. Mistaken points must not pull it (left and right may be exchanged in a
//! quarter of the frames when this runs first), so that residuals beyond [`CUT_SDS`] do not count, what remains is compared with
//! what a Gaussian leaves within, and the search starts at the medians (an M-estimate of scale that redescends; Hampel et
//! al. 1986, "Robust Statistics", section 2.5).
//!
//! Keypoints share what they have in common: levels and exponents are taken as drawn from Gaussian distributions, whose
//! means and spreads are found along with them (empirical Bayes by expectation and maximisation; Gelman et al. 2013,
//! "Bayesian Data Analysis", chapter 5). A keypoint with few residuals takes the common curve, and with few residuals
//! altogether that is the assumed one.
//!
//! Errors of the calibration that show in the residuals are counted as pixel noise too, on the safe side. Noise of the same
//! keypoint may differ between cameras; two cameras alone cannot tell.

use midline_session::lift_quality::{PixelNoise, ScoreCurve};
use nalgebra::{Matrix2, Vector2};
use rayon::prelude::*;

/// Neighbouring frames that a pixel at an instant is made of.
pub(crate) const MOST_NODES: usize = 4;

/// Residuals beyond this many standard deviations do not count.
const CUT_SDS: f64 = 3.0;

/// Mean square of a standard normal number within the cut: `1 - 2 c φ(c) / (2 Φ(c) - 1)`.
const MEAN_WITHIN: f64 = 0.973_337;

/// Information of a residual within the cut about the logarithm of its variance: ½ without a cut; with it, by the influence
/// function, 86 % of that.
const INFORMATION_WITHIN: f64 = 0.432;

/// Median of the chi-square distribution with one degree of freedom (handbook table).
const MEDIAN_SQUARE: f64 = 0.454_936;

/// Share of the information that counts: residuals of neighbouring instants share frames, and a detector's errors last.
const INFORMATION: f64 = 0.5;

/// Fewest residuals of all keypoints together from which anything is estimated.
const FEWEST_RESIDUALS: usize = 20;

/// Spread of the logarithm of the level and of the exponent about the assumed ones, before anything is known.
const ASSUMED_SPREAD: [f64; 2] = [1.5, 1.0];

/// Least spread between keypoints, so that pooling never becomes total.
const LEAST_SPREAD: f64 = 0.02;

/// Rounds of pooling.
const ROUNDS: usize = 12;

/// Largest exponent; steeper ones rest on mistaken points.
const STEEPEST: f64 = 12.0;

/// A pixel's part in the variance of a residual.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Share {
    /// Factor of the pixel's variance.
    pub(crate) weight: f64,
    /// Its score.
    pub(crate) score: f64,
}

/// What two cameras leave of the epipolar constraint.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Residual {
    /// Its square, in the unit of `weight · px²`.
    pub(crate) squared: f64,
    /// The pixels that it is made of; those of weight 0 do not exist.
    pub(crate) shares: [Share; 2 * MOST_NODES],
}

/// Logarithm of the level at the middle score, and exponent.
type Curve = Vector2<f64>;

/// What the curves of all keypoints have in common.
struct Common {
    mean: Curve,
    variance: Curve,
}

/// One keypoint's curve and its covariance.
#[derive(Clone, Copy)]
struct Estimate {
    curve: Curve,
    covariance: Matrix2<f64>,
}

/// A curve for each keypoint from its residuals; `assumed` where there are too few.
pub(crate) fn score_curves(residuals: &[Vec<Residual>], assumed: &ScoreCurve) -> Vec<PixelNoise> {
    let mut scores: Vec<f64> = residuals
        .iter()
        .flatten()
        .flat_map(|r| r.shares)
        .filter(|share| share.weight > 0.0)
        .map(|share| share.score)
        .collect();
    scores.sort_by(f64::total_cmp);
    let all: usize = residuals.iter().map(Vec::len).sum();
    let quantile = |share: f64| scores.get((share * (scores.len() as f64 - 1.0)).round() as usize).copied();
    let (Some(low), Some(middle), Some(high), true) =
        (quantile(0.01), quantile(0.5), quantile(0.99), all >= FEWEST_RESIDUALS)
    else {
        let nothing = PixelNoise {
            curve: *assumed,
            residuals: 0,
            log_sd_error: ASSUMED_SPREAD[0],
            exponent_error: ASSUMED_SPREAD[1],
            beyond: 0.0,
        };
        return vec![nothing; residuals.len()];
    };
    let held = |score: f64| score.max(ScoreCurve::LOWEST_SCORE).min(1.0);
    let (low, middle, high) = (held(low), held(middle), held(high));
    // Scores become logarithms relative to the middle, once.
    let scaled: Vec<Vec<Residual>> = residuals
        .iter()
        .map(|own| {
            own.iter()
                .map(|r| Residual {
                    shares: r.shares.map(|s| Share { score: (s.score.max(low).min(high) / middle).ln(), ..s }),
                    ..*r
                })
                .collect()
        })
        .collect();
    let start = Common {
        mean: Vector2::new(assumed.sd_px(middle).ln(), assumed.exponent),
        variance: Vector2::from(ASSUMED_SPREAD.map(|s| s * s)),
    };
    let estimates = pooled(&scaled, &start);
    estimates
        .into_iter()
        .zip(&scaled)
        .map(|(found, own)| {
            let beyond = own.iter().filter(|r| r.squared > CUT_SDS * CUT_SDS * r.variance(&found.curve).0).count();
            PixelNoise {
                curve: ScoreCurve {
                    sd_px: found.curve.x.exp(),
                    at_score: middle,
                    exponent: found.curve.y,
                    scores: [low, high],
                },
                residuals: own.len(),
                log_sd_error: found.covariance.m11.sqrt(),
                exponent_error: found.covariance.m22.sqrt(),
                beyond: if own.is_empty() { 0.0 } else { beyond as f64 / own.len() as f64 },
            }
        })
        .collect()
}

fn pooled(residuals: &[Vec<Residual>], start: &Common) -> Vec<Estimate> {
    let mut common = Common { ..*start };
    let unknown =
        |common: &Common| Estimate { curve: common.mean, covariance: Matrix2::from_diagonal(&common.variance) };
    let mut estimates: Vec<Estimate> =
        residuals.iter().map(|own| Estimate { curve: at_the_median(own, common.mean), ..unknown(&common) }).collect();
    for _ in 0..ROUNDS {
        estimates = residuals
            .par_iter()
            .zip(&estimates)
            .map(|(own, before)| if own.is_empty() { unknown(&common) } else { alone(own, before.curve, &common) })
            .collect();
        let with: Vec<&Estimate> =
            estimates.iter().zip(residuals).filter(|(_, own)| !own.is_empty()).map(|(found, _)| found).collect();
        let count = with.len() as f64;
        for k in 0..2 {
            let (own, assumed) = (count / common.variance[k], 1.0 / start.variance[k]);
            let mean = with.iter().map(|found| found.curve[k]).sum::<f64>() / count;
            common.mean[k] = (own * mean + assumed * start.mean[k]) / (own + assumed);
            // One keypoint alone says nothing of the spread between keypoints.
            if with.len() > 2 {
                let squared = |found: &&Estimate| (found.curve[k] - common.mean[k]).powi(2) + found.covariance[(k, k)];
                common.variance[k] = (with.iter().map(squared).sum::<f64>() / count).max(LEAST_SPREAD * LEAST_SPREAD);
            }
        }
    }
    estimates
}

/// The curve with the level at which the median of the squared residuals is what it should be.
fn at_the_median(residuals: &[Residual], curve: Curve) -> Curve {
    let mut ratios: Vec<f64> = residuals.iter().map(|r| r.squared / r.variance(&curve).0).collect();
    ratios.sort_by(f64::total_cmp);
    let median = ratios.get(ratios.len() / 2).filter(|m| **m > 0.0);
    median.map_or(curve, |m| Vector2::new(curve.x + 0.5 * (m / MEDIAN_SQUARE).ln(), curve.y))
}

/// The most probable curve of one keypoint, given what all have in common.
fn alone(residuals: &[Residual], start: Curve, common: &Common) -> Estimate {
    let precision = Matrix2::from_diagonal(&common.variance.map(|v| 1.0 / v));
    let mut curve = start;
    let mut covariance = Matrix2::from_diagonal(&common.variance);
    for _ in 0..30 {
        let (mut gradient, mut information) = (precision * (common.mean - curve), precision);
        for r in residuals {
            let (variance, slope) = r.variance(&curve);
            let square = r.squared / variance;
            if square <= CUT_SDS * CUT_SDS {
                gradient += slope * (0.5 * INFORMATION * (square / MEAN_WITHIN - 1.0));
                information += slope * slope.transpose() * (INFORMATION_WITHIN * INFORMATION);
            }
        }
        let Some(inverse) = information.try_inverse() else { break };
        covariance = inverse;
        let mut step = inverse * gradient;
        // Far from the optimum what is within the cut tells the direction only.
        step *= (1.0 / step.norm()).min(1.0);
        let before = curve;
        curve += step;
        // A better score never means more noise: the level alone, given that.
        if !(0.0..=STEEPEST).contains(&curve.y) {
            curve.y = curve.y.clamp(0.0, STEEPEST);
            curve.x = before.x + (gradient.x - information.m12 * (curve.y - before.y)) / information.m11;
            curve.x = curve.x.clamp(before.x - 1.0, before.x + 1.0);
        }
        if (curve - before).norm() < 1e-4 {
            break;
        }
    }
    Estimate { curve, covariance }
}

impl Residual {
    /// Variance by a curve, and the derivative of its logarithm by level and exponent. Scores are logarithms here.
    fn variance(&self, curve: &Curve) -> (f64, Vector2<f64>) {
        let (mut variance, mut by_exponent) = (0.0, 0.0);
        for share in self.shares.iter().filter(|share| share.weight > 0.0) {
            let part = share.weight * (2.0 * (curve.x - curve.y * share.score)).exp();
            variance += part;
            by_exponent -= 2.0 * share.score * part;
        }
        (variance, Vector2::new(2.0, by_exponent / variance))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng, rngs::StdRng};
    use rand_distr::{Distribution, StandardNormal};

    /// Residuals of pixels whose noise follows a curve, scores between 0.3 and 0.95.
    fn simulated(count: usize, curve: &ScoreCurve, gross: f64, random: &mut StdRng) -> Vec<Residual> {
        (0..count)
            .map(|_| {
                let mut shares = [Share::default(); 2 * MOST_NODES];
                let mut value = 0.0;
                for share in shares.iter_mut().take(4) {
                    *share = Share { weight: random.random_range(0.1..1.0), score: random.random_range(0.3..0.95) };
                    let draw: f64 = StandardNormal.sample(random);
                    value += share.weight.sqrt() * curve.sd_px(share.score) * draw;
                }
                if random.random_bool(gross) {
                    value += 60.0;
                }
                Residual { squared: value * value, shares }
            })
            .collect()
    }

    fn true_curve(sd_px: f64, exponent: f64) -> ScoreCurve {
        ScoreCurve { sd_px, at_score: 0.7, exponent, scores: [0.1, 1.0] }
    }

    #[test]
    fn level_and_exponent_are_found_with_their_errors() {
        // Deviations in stated standard deviations, over keypoints and seeds: their squares must average near 1. The stated
        // ones count half of the information (real residuals are not independent), these are independent: near one half.
        let truth = [(1.2, 0.6), (2.5, 1.5), (0.8, 2.5), (1.8, 1.0), (1.5, 0.2), (3.0, 1.2)];
        let (mut squared, mut count) = ([0.0; 2], 0.0);
        for seed in 0..20 {
            let mut random = StdRng::seed_from_u64(seed);
            let residuals: Vec<Vec<Residual>> =
                truth.iter().map(|(sd, e)| simulated(400, &true_curve(*sd, *e), 0.0, &mut random)).collect();
            let found = score_curves(&residuals, &ScoreCurve::assumed(1.0));
            for (noise, (sd, exponent)) in found.iter().zip(truth) {
                let expected = true_curve(sd, exponent).sd_px(noise.curve.at_score);
                squared[0] += ((noise.curve.sd_px / expected).ln() / noise.log_sd_error).powi(2);
                squared[1] += ((noise.curve.exponent - exponent) / noise.exponent_error).powi(2);
                count += 1.0;
            }
        }
        let mean = squared.map(|s| s / count);
        println!("mean squared deviation over the stated variance: level {:.2}, exponent {:.2}", mean[0], mean[1]);
        assert!(mean.iter().all(|m| (0.3..0.85).contains(m)), "{mean:?}");
    }

    #[test]
    fn gross_errors_hardly_move_the_curve() {
        let mut random = StdRng::seed_from_u64(4);
        let residuals = vec![simulated(4000, &true_curve(1.5, 1.2), 0.02, &mut random)];
        let found = score_curves(&residuals, &ScoreCurve::assumed(1.0))[0];
        let ratio = found.curve.sd_px / true_curve(1.5, 1.2).sd_px(found.curve.at_score);
        println!(
            "2 % gross: level {ratio:.3} of the truth, exponent {:.2}, {:.3} beyond",
            found.curve.exponent, found.beyond
        );
        assert!((0.97..1.05).contains(&ratio) && (found.curve.exponent - 1.2).abs() < 0.2);
        assert!((0.015..0.035).contains(&found.beyond));
    }

    #[test]
    fn a_quarter_of_exchanged_sides_does_not_hide_itself() {
        let mut random = StdRng::seed_from_u64(14);
        let residuals = vec![simulated(500, &true_curve(1.0, 0.0), 0.25, &mut random)];
        let found = score_curves(&residuals, &ScoreCurve::assumed(1.0))[0];
        println!("25 % gross: {:.2} px, {:.2} beyond", found.curve.sd_px, found.beyond);
        assert!((0.85..1.15).contains(&found.curve.sd_px) && found.beyond > 0.22);
    }

    #[test]
    fn a_keypoint_with_few_residuals_takes_what_all_have_in_common() {
        let mut random = StdRng::seed_from_u64(5);
        let common = true_curve(2.4, 1.6);
        let mut residuals: Vec<Vec<Residual>> = (0..8).map(|_| simulated(500, &common, 0.0, &mut random)).collect();
        residuals.push(simulated(3, &true_curve(0.3, 0.0), 0.0, &mut random));
        residuals.push(Vec::new());
        let found = score_curves(&residuals, &ScoreCurve::assumed(1.0));
        for noise in &found[8..] {
            let ratio = noise.curve.sd_px / common.sd_px(noise.curve.at_score);
            assert!((0.85..1.1).contains(&ratio) && (noise.curve.exponent - 1.6).abs() < 0.3, "{noise:?}");
        }
        assert_eq!((found[8].residuals, found[9].residuals), (3, 0));
    }

    #[test]
    fn with_too_few_residuals_altogether_the_assumed_curve_stands() {
        let mut random = StdRng::seed_from_u64(6);
        let residuals = vec![simulated(10, &true_curve(5.0, 0.0), 0.0, &mut random), Vec::new()];
        let assumed = ScoreCurve::assumed(1.3);
        for noise in score_curves(&residuals, &assumed) {
            assert_eq!((noise.curve, noise.residuals), (assumed, 0));
        }
        assert!(score_curves(&[], &assumed).is_empty());
    }

    #[test]
    fn a_score_that_says_nothing_or_lies_gives_a_level_curve() {
        let mut random = StdRng::seed_from_u64(7);
        let level = true_curve(2.0, 0.0);
        let lying = true_curve(2.0, -1.5);
        for (truth, most) in [(level, 0.25), (lying, 1e-9)] {
            let residuals = vec![simulated(1500, &truth, 0.0, &mut random)];
            let found = score_curves(&residuals, &ScoreCurve::assumed(1.0))[0];
            println!("exponent {:.3}, sd {:.2} px", found.curve.exponent, found.curve.sd_px);
            assert!((0.0..=most).contains(&found.curve.exponent), "{found:?}");
        }
    }
}
