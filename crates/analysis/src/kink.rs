//! The instant at which a point's velocity changes at once: where two one-sided courses meet.

use midline_signal::{SmoothFit, SmoothPrior, stencil};
use nalgebra::{Matrix3, Vector3};

use crate::samples::{Sample, between};

/// Standard acceleration of gravity, m/s² (BIPM, The International System of Units, CGPM 1901).
pub(crate) const GRAVITY_M_S2: f64 = 9.80665;

/// The course of one side.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Course {
    /// A straight line.
    Line,
    /// A straight line plus a smooth curve.
    Curve(SmoothPrior),
}

/// How the two sides are fitted.
#[derive(Debug, Clone, Copy)]
pub(crate) struct KinkFit {
    /// The course of each side.
    pub(crate) course: Course,
    /// Length of each side's window, seconds.
    pub(crate) window_seconds: f64,
    /// Samples nearer to the meeting than this are left out: they were interpolated between frames on both sides of it.
    pub(crate) margin_seconds: f64,
    /// Whether z is up and the point falls freely: gravity is then taken off before the fit.
    pub(crate) falls: bool,
}

/// Where and when two one-sided courses meet.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Kink {
    /// Session time, seconds.
    pub(crate) seconds: f64,
    pub(crate) sd_seconds: f64,
    /// World position, metres.
    pub(crate) position: Vector3<f64>,
    pub(crate) covariance: Matrix3<f64>,
    /// Velocities on both sides, m/s.
    pub(crate) before: Vector3<f64>,
    pub(crate) after: Vector3<f64>,
    /// Standard deviation of the change of velocity (mean over coordinates), m/s.
    pub(crate) change_sd: f64,
    /// Mean squared residual of the samples in standard deviations, each limited to 16; 3 is expected.
    pub(crate) misfit: f64,
}

impl Kink {
    /// Size of the change of velocity, m/s.
    pub(crate) fn change(&self) -> f64 {
        (self.after - self.before).norm()
    }
}

struct OneSide {
    position: Vector3<f64>,
    velocity: Vector3<f64>,
    position_covariance: Matrix3<f64>,
    velocity_variance: f64,
    misfit_sum: f64,
    count: usize,
}

/// The meeting near `guess`; `None` when a side has too few samples, or the search leaves the neighbourhood of the guess.
///
/// The meeting time minimises the distance of the two fits: with gap `d` and change of velocity `Δv` at a trial time it is
/// `-d·Δv/|Δv|²` later, with variance `Δvᵀ C_d Δv / |Δv|⁴` (first-order propagation).
pub(crate) fn near(samples: &[Sample], guess: f64, fit: &KinkFit) -> Option<Kink> {
    let mut seconds = guess;
    for _ in 0..6 {
        let before = one_side(samples, seconds, fit, seconds - fit.window_seconds, seconds - fit.margin_seconds)?;
        let after = one_side(samples, seconds, fit, seconds + fit.margin_seconds, seconds + fit.window_seconds)?;
        let gap = after.position - before.position;
        let change = after.velocity - before.velocity;
        let size_squared = change.norm_squared();
        if size_squared < 1e-9 {
            return None;
        }
        let step = -gap.dot(&change) / size_squared;
        if (seconds + step - guess).abs() > fit.window_seconds / 3.0 {
            return None;
        }
        if step.abs() > 1e-4 {
            seconds += step;
            continue;
        }
        let gap_covariance = before.position_covariance + after.position_covariance;
        let (shift_before, shift_after) = (before.velocity * step, after.velocity * step);
        let share = after.position_covariance.trace() / gap_covariance.trace();
        let covariance = before.position_covariance * share * share + after.position_covariance * (1.0 - share).powi(2);
        return Some(Kink {
            seconds: seconds + step,
            sd_seconds: (change.dot(&(gap_covariance * change))).max(0.0).sqrt() / size_squared,
            position: (before.position + shift_before) * share + (after.position + shift_after) * (1.0 - share),
            covariance,
            before: before.velocity,
            after: after.velocity,
            change_sd: (before.velocity_variance + after.velocity_variance).sqrt(),
            misfit: (before.misfit_sum + after.misfit_sum) / (before.count + after.count) as f64,
        });
    }
    None
}

/// The best meeting in `centre ± reach` that passes `accept`: guesses every 8 ms, the least misfit wins.
pub(crate) fn best(
    samples: &[Sample],
    centre: f64,
    reach: f64,
    fit: &KinkFit,
    accept: impl Fn(&Kink) -> bool,
) -> Option<Kink> {
    let steps = (reach / 0.008).ceil() as i32;
    (-steps..=steps)
        .filter_map(|i| near(samples, centre + f64::from(i) * 0.008, fit))
        .filter(|kink| (kink.seconds - centre).abs() <= reach && accept(kink))
        .min_by(|a, b| a.misfit.total_cmp(&b.misfit))
}

/// One side's estimate at an instant, as coefficients of its samples.
struct Coefficients {
    value: Vec<f64>,
    slope: Vec<f64>,
    value_doubt: f64,
    slope_doubt: f64,
}

impl Course {
    fn least_samples(self) -> usize {
        match self {
            Self::Line => 3,
            Self::Curve(_) => 6,
        }
    }

    fn estimate(self, seconds: &[f64], variances: &[f64], at: f64) -> Option<Coefficients> {
        match self {
            Self::Line => {
                let weights: Vec<f64> = variances.iter().map(|v| 1.0 / v).collect();
                let line = stencil(seconds, &weights, at, 1)?;
                let (value, slope) = (line.coefficients(0).to_vec(), line.coefficients(1).to_vec());
                Some(Coefficients { value, slope, value_doubt: 0.0, slope_doubt: 0.0 })
            }
            Self::Curve(prior) => {
                let estimate = SmoothFit::new(seconds, variances, prior)?.at(at);
                Some(Coefficients {
                    value: estimate.value,
                    slope: estimate.slope,
                    value_doubt: estimate.value_doubt,
                    slope_doubt: estimate.slope_doubt,
                })
            }
        }
    }
}

/// Fits one side and moves it to `at`. Samples more than four standard deviations off a straight course are dropped one at a
/// time, up to a third of them; they still count in the misfit.
fn one_side(samples: &[Sample], at: f64, fit: &KinkFit, from: f64, to: f64) -> Option<OneSide> {
    let all = between(samples, from, to);
    let mut kept: Vec<&Sample> = all.iter().collect();
    let least = fit.course.least_samples();
    loop {
        if kept.len() < least || kept.len() * 3 < all.len() * 2 {
            return None;
        }
        let seconds: Vec<f64> = kept.iter().map(|s| s.seconds).collect();
        let variances: Vec<f64> = kept.iter().map(|s| s.variance()).collect();
        let apply = |coefficients: &[f64]| -> Vector3<f64> {
            coefficients.iter().zip(&kept).map(|(a, s)| (s.position - fallen(s, at, fit)) * *a).sum()
        };
        let estimate = fit.course.estimate(&seconds, &variances, at)?;
        let misfits: Vec<f64> = match fit.course {
            Course::Line => {
                let (place, velocity) = (apply(&estimate.value), apply(&estimate.slope));
                let off = |s: &Sample| s.position - fallen(s, at, fit) - place - velocity * (s.seconds - at);
                all.iter().map(|s| s.mahalanobis_squared(&off(s))).collect()
            }
            Course::Curve(prior) => {
                let curve = SmoothFit::new(&seconds, &variances, prior)?;
                let off = |s: &Sample| s.position - fallen(s, at, fit) - apply(&curve.at(s.seconds).value);
                all.iter().map(|s| s.mahalanobis_squared(&off(s))).collect()
            }
        };
        let is_kept = |s: &Sample| seconds.contains(&s.seconds);
        let worst = all
            .iter()
            .zip(&misfits)
            .filter(|(s, _)| is_kept(s))
            .max_by(|a, b| a.1.total_cmp(b.1))
            .map(|(s, misfit)| (s.seconds, *misfit))?;
        if worst.1 > 16.0 && kept.len() > least {
            kept.retain(|s| (s.seconds - worst.0).abs() > 0.0);
            continue;
        }
        let scaled = |coefficients: &[f64]| -> Matrix3<f64> {
            coefficients.iter().zip(&kept).map(|(a, s)| s.covariance * (a * a)).sum()
        };
        return Some(OneSide {
            position: apply(&estimate.value),
            velocity: apply(&estimate.slope),
            position_covariance: scaled(&estimate.value) + Matrix3::identity() * estimate.value_doubt.powi(2),
            velocity_variance: scaled(&estimate.slope).trace() / 3.0 + estimate.slope_doubt.powi(2),
            misfit_sum: misfits.iter().map(|m| m.min(16.0)).sum(),
            count: all.len(),
        });
    }
}

/// What free fall adds to a flight through `at`.
fn fallen(sample: &Sample, at: f64, fit: &KinkFit) -> Vector3<f64> {
    let h = sample.seconds - at;
    Vector3::new(0.0, 0.0, if fit.falls { -0.5 * GRAVITY_M_S2 * h * h } else { 0.0 })
}

#[cfg(test)]
mod tests {
    use super::*;
    use midline_session::tracks::Point3d;

    const FIT: KinkFit = KinkFit { course: Course::Line, window_seconds: 0.09, margin_seconds: 0.008, falls: true };

    fn flight(outlier: Option<usize>) -> Vec<Sample> {
        // Free flight at 20 m/s, struck at t = 0.013 s and y = 1 m, free flight back at 30 m/s.
        (0..25)
            .map(|i| {
                let t = f64::from(i) / 120.0 - 0.1;
                let h = t - 0.013;
                let (vy, vz) = if h < 0.0 { (-20.0, 1.0) } else { (30.0, 4.0) };
                let x = if outlier == Some(i as usize) { 0.4 } else { 0.3 };
                let position_m = [x, 1.0 + vy * h, 1.1 + vz * h - 0.5 * GRAVITY_M_S2 * h * h];
                let covariance_m2 = [[1e-4, 0.0, 0.0], [0.0, 1e-4, 0.0], [0.0, 0.0, 1e-4]];
                Sample::new(t, &Point3d { position_m, covariance_m2, reprojection_px: 0.5, views: 2 }).unwrap()
            })
            .collect()
    }

    #[test]
    fn the_meeting_of_two_free_flights_is_found() {
        for outlier in [None, Some(8)] {
            let kink = best(&flight(outlier), 0.04, 0.1, &FIT, |k| k.change() > 8.0).unwrap();
            assert!((kink.seconds - 0.013).abs() < 1e-5, "{kink:?}");
            assert!((kink.position - Vector3::new(0.3, 1.0, 1.1)).norm() < 2e-3, "{kink:?}");
            assert!((kink.after - kink.before - Vector3::new(0.0, 50.0, 3.0)).norm() < 0.2, "{kink:?}");
            assert!(kink.sd_seconds > 1e-4 && kink.sd_seconds < 1e-3, "{kink:?}");
        }
    }

    #[test]
    fn a_side_without_samples_gives_nothing() {
        let ball = flight(None);
        assert!(best(&ball[..12], 0.0, 0.1, &FIT, |k| k.change() > 8.0).is_none());
        assert!(best(&[], 0.0, 0.1, &FIT, |_| true).is_none());
    }
}
