//! Speed of the racket's tip just before contact, from samples before it only.
//!
//! The tip runs on a tight bend at 20 to 30 rad/s, so a polynomial in x, y, z either follows the noise or misses the speed at
//! contact by metres per second. The racket is one rigid body, though: its butt moves slowly, and its direction turns about
//! one axis. Butt, angle and elevation are each a straight line plus a smooth curve ([`SmoothFit`]); the tip's velocity is the
//! butt's plus length times the direction's rate.

use midline_signal::{SmoothEstimate, SmoothFit, SmoothPrior, stencil};
use nalgebra::Vector3;

use crate::grid::Grid;
use crate::samples::Sample;
use crate::smoothing::{CHANGE_OVER_SECONDS, Draw, LEAST_STRETCH_SAMPLES, SmoothedPoint};
use crate::swings::median;

/// How the racket's butt usually departs from a straight line in the last 0.15 s, metres. Set with made-up swings of 19 to
/// 32 m/s, like the next one; not taken from a source. Each stroke's own samples decide how far it is from the usual.
const BUTT: SmoothPrior = SmoothPrior { amplitude: 0.09, length_seconds: 0.09 };

/// How the racket's direction usually departs from steady turning in the last 0.15 s, rad.
const DIRECTION: SmoothPrior = SmoothPrior { amplitude: 0.16, length_seconds: 0.09 };

/// Multiples of the usual amplitude, and time scales, that a stroke may have.
const AMPLITUDE_FACTORS: [f64; 4] = [1.0, 2.0, 4.0, 8.0];
const LENGTHS_SECONDS: [f64; 2] = [0.09, 0.13];

/// Spread of a stroke's amplitude about the usual one: standard deviation of the natural logarithm.
const AMPLITUDE_SPREAD: f64 = 0.7;

/// However calm the samples look, racket points are not seen better than this, metres: without it a curve through noiseless
/// samples would be carried on to contact as if it were exact.
const LEAST_SD_M: f64 = 0.005;

/// The stretch counts alone from this long before its last sample on, seconds.
const TRUSTED_SECONDS: f64 = 0.04;

/// The last stretch before contact of the racket as a rigid body.
#[derive(Debug, Clone)]
pub(crate) struct EdgeSpeed {
    /// Indices into the samples of butt and tip that belong to one instant.
    pairs: Vec<[usize; 2]>,
    last_seconds: f64,
    /// Distance from butt to tip, metres.
    length_m: f64,
    /// Unit vectors: two in the plane of turning, and its axis.
    axes: [Vector3<f64>; 3],
    butt: SmoothFit,
    direction: SmoothFit,
    /// Noise of the butt's and the direction's samples, metres and rad.
    sample_sds: [f64; 2],
    /// Estimates of butt and direction on the grid, where they are used.
    on_grid: Vec<Option<[SmoothEstimate; 2]>>,
}

/// Draws for what butt, angle and elevation do beyond the samples, standard normal.
pub(crate) type Beyond = [Vector3<f64>; 2];

/// One draw of the racket's motion.
#[derive(Debug, Clone)]
pub(crate) struct EdgeMotion<'a> {
    edge: &'a EdgeSpeed,
    butt: Vec<Vector3<f64>>,
    /// Angle in the plane of turning and elevation out of it, rad.
    direction: Vec<[f64; 2]>,
    beyond: Beyond,
}

impl EdgeSpeed {
    /// `None` when there are too few instants with both ends just before contact, when the last is earlier than
    /// `farthest_seconds` before it, or when the racket does not turn.
    pub(crate) fn new(butt: &SmoothedPoint, tip: &SmoothedPoint, grid: &Grid, farthest_seconds: f64) -> Option<Self> {
        let (first_butt, butt_samples) = butt.stretch_before_contact();
        let (first_tip, tip_samples) = tip.stretch_before_contact();
        let mut pairs = Vec::new();
        let mut seen: Vec<(&Sample, Vector3<f64>)> = Vec::new();
        for (j, end) in tip_samples.iter().enumerate() {
            let same = butt_samples.partition_point(|s| s.seconds < end.seconds - 1e-9);
            if let Some(start) = butt_samples.get(same).filter(|s| (s.seconds - end.seconds).abs() < 1e-9) {
                pairs.push([first_butt + same, first_tip + j]);
                seen.push((start, end.position - start.position));
            }
        }
        let seconds: Vec<f64> = seen.iter().map(|(s, _)| s.seconds).collect();
        let (first_seconds, last_seconds) = (*seconds.first()?, *seconds.last()?);
        if seen.len() < LEAST_STRETCH_SAMPLES || last_seconds < -farthest_seconds || last_seconds - first_seconds < 0.08
        {
            return None;
        }
        let length_m = median(seen.iter().map(|(_, line)| line.norm()).collect());
        let lines: Vec<Vector3<f64>> = seen.iter().map(|(_, line)| line.try_normalize(0.05)).collect::<Option<_>>()?;
        // The plane of turning a little before the end: at the end itself the rate is too noisy.
        let near = seconds.partition_point(|t| *t < last_seconds - 0.11);
        let turn = stencil(&seconds[near..], &vec![1.0; seconds.len() - near], last_seconds - 0.03, 3)?;
        let derivative = |order: usize| -> Vector3<f64> {
            turn.coefficients(order).iter().zip(&lines[near..]).map(|(a, line)| line * *a).sum()
        };
        let (line, rate) = (derivative(0), derivative(1));
        let axis = line.cross(&rate).try_normalize(0.5)?;
        let along = (line - axis * line.dot(&axis)).try_normalize(0.05)?;

        let mean_sd = |samples: &[Sample]| {
            (samples.iter().map(Sample::variance).sum::<f64>() / samples.len().max(1) as f64).sqrt()
        };
        let butt_sd = (mean_sd(butt_samples) * butt.independent_sd()).max(LEAST_SD_M);
        let tip_sd = (mean_sd(tip_samples) * tip.independent_sd()).max(LEAST_SD_M);
        let direction_sd = butt_sd.hypot(tip_sd) / length_m;
        let axes = [along, axis.cross(&along), axis];
        let angles = angles(&axes, &lines);
        let coordinate = |k: usize| seen.iter().map(|(start, _)| start.position[k]).collect::<Vec<f64>>();
        let butt_fit = likeliest(&seconds, butt_sd, BUTT, &[coordinate(0), coordinate(1), coordinate(2)])?;
        let turned = |k: usize| angles.iter().map(|a| a[k]).collect::<Vec<f64>>();
        let direction_fit = likeliest(&seconds, direction_sd, DIRECTION, &[turned(0), turned(1)])?;
        let used_from = last_seconds - TRUSTED_SECONDS - CHANGE_OVER_SECONDS;
        let on_grid = (0..grid.len)
            .map(|k| {
                let at = grid.seconds(k as f64);
                (k <= grid.contact && at >= used_from).then(|| [butt_fit.at(at), direction_fit.at(at)])
            })
            .collect();
        Some(Self {
            pairs,
            last_seconds,
            length_m,
            axes,
            butt: butt_fit,
            direction: direction_fit,
            sample_sds: [butt_sd, direction_sd],
            on_grid,
        })
    }

    /// How much the stretch counts at a time in seconds to contact, 0 to 1.
    pub(crate) fn share(&self, seconds: f64) -> f64 {
        ((seconds - self.last_seconds + TRUSTED_SECONDS) / CHANGE_OVER_SECONDS + 1.0).clamp(0.0, 1.0)
    }

    /// The motion for these draws of butt and tip.
    pub(crate) fn motion(&self, butt: &Draw, tip: &Draw, beyond: Beyond) -> Option<EdgeMotion<'_>> {
        let (mut starts, mut lines) = (Vec::new(), Vec::new());
        for [i, j] in &self.pairs {
            let (start, end) = (*butt.positions.get(*i)?, *tip.positions.get(*j)?);
            starts.push(start);
            lines.push((end - start).try_normalize(1e-3)?);
        }
        Some(EdgeMotion { edge: self, butt: starts, direction: angles(&self.axes, &lines), beyond })
    }

    /// Standard deviation of the tip's speed on the grid, m/s.
    pub(crate) fn speed_sd(&self, k: usize) -> Option<f64> {
        let [butt, direction] = self.on_grid.get(k)?.as_ref()?;
        let sd = |estimate: &SmoothEstimate, sample_sd: f64| {
            let gain = estimate.slope.iter().map(|a| a * a).sum::<f64>().sqrt();
            (gain * sample_sd).hypot(estimate.slope_doubt)
        };
        Some(sd(butt, self.sample_sds[0]).hypot(self.length_m * sd(direction, self.sample_sds[1])))
    }
}

/// Angle in the plane of turning and elevation out of it of unit vectors, rad; angles are unwound from the last backward.
fn angles(axes: &[Vector3<f64>; 3], lines: &[Vector3<f64>]) -> Vec<[f64; 2]> {
    let mut found = Vec::with_capacity(lines.len());
    let mut later: Option<f64> = None;
    for line in lines.iter().rev() {
        let [x, y, z] = axes.map(|a| line.dot(&a));
        let mut angle = y.atan2(x);
        if let Some(later) = later {
            angle += ((later - angle) / std::f64::consts::TAU).round() * std::f64::consts::TAU;
        }
        later = Some(angle);
        found.push([angle, z.clamp(-1.0, 1.0).asin()]);
    }
    found.reverse();
    found
}

/// The fit whose prior explains the samples of all coordinates best, with strokes spread about the usual prior.
fn likeliest(seconds: &[f64], sd: f64, usual: SmoothPrior, coordinates: &[Vec<f64>]) -> Option<SmoothFit> {
    let variances = vec![sd * sd; seconds.len()];
    AMPLITUDE_FACTORS
        .iter()
        .flat_map(|factor| LENGTHS_SECONDS.map(|length_seconds| (*factor, length_seconds)))
        .filter_map(|(factor, length_seconds)| {
            let prior = SmoothPrior { amplitude: usual.amplitude * factor, length_seconds };
            let fit = SmoothFit::new(seconds, &variances, prior)?;
            let evidence: f64 = coordinates.iter().map(|c| fit.log_evidence(c)).sum::<Option<f64>>()?;
            Some((evidence - 0.5 * (factor.ln() / AMPLITUDE_SPREAD).powi(2), fit))
        })
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, fit)| fit)
}

impl EdgeMotion<'_> {
    /// Speed of the tip on the grid, m/s; `None` where the stretch is not used.
    pub(crate) fn speed_on_grid(&self, k: usize) -> Option<f64> {
        let [butt, direction] = self.edge.on_grid.get(k)?.as_ref()?;
        Some(self.speed(butt, direction))
    }

    /// Speed of the tip at a time in seconds to contact, m/s.
    pub(crate) fn speed_at(&self, seconds: f64) -> f64 {
        self.speed(&self.edge.butt.at(seconds), &self.edge.direction.at(seconds))
    }

    fn speed(&self, butt: &SmoothEstimate, direction: &SmoothEstimate) -> f64 {
        let butt_velocity: Vector3<f64> = butt.slope.iter().zip(&self.butt).map(|(a, p)| p * *a).sum::<Vector3<f64>>()
            + self.beyond[0] * butt.slope_doubt;
        let of = |coefficients: &[f64], axis: usize| -> f64 {
            coefficients.iter().zip(&self.direction).map(|(a, d)| a * d[axis]).sum()
        };
        let place = |axis: usize| of(&direction.value, axis) + self.beyond[1][axis] * direction.value_doubt;
        let rate = |axis: usize| of(&direction.slope, axis) + self.beyond[1][axis] * direction.slope_doubt;
        let (sin_angle, cos_angle) = place(0).sin_cos();
        let (sin_up, cos_up) = place(1).sin_cos();
        let [along, across, axis] = self.edge.axes;
        let outward = along * cos_angle + across * sin_angle;
        let turning = across * cos_angle - along * sin_angle;
        let line_rate = turning * (cos_up * rate(0)) + (axis * cos_up - outward * sin_up) * rate(1);
        (butt_velocity + line_rate * self.edge.length_m).norm()
    }
}
