//! Speed of the racket's tip just before contact, from one side only.
//!
//! The tip runs on a bend of about a metre's radius at 20 to 30 rad/s, so a cubic in x, y, z over the 0.1 s that the noise asks
//! for cannot follow it, while radius, angle and height about the bend's centre change slowly: they are fitted instead, each
//! with a cubic. The centre only chooses coordinates; an error in it costs accuracy, not truth.

use midline_signal::{Stencil, stencil};
use nalgebra::Vector3;

use crate::smoothing::SmoothedPoint;

/// Length of the window that ends at the last usable sample, seconds.
const WINDOW_SECONDS: f64 = 0.11;

/// Least number of samples for a cubic with something left over.
const LEAST_SAMPLES: usize = 7;

/// Radii that the coordinates may use, metres.
const RADII_M: [f64; 2] = [0.5, 10.0];

/// A tip's last stretch before contact in cylindrical coordinates.
#[derive(Debug, Clone)]
pub(crate) struct EdgeSpeed {
    centre: Vector3<f64>,
    /// Unit vectors: toward the middle of the stretch, along the motion there, and the axis.
    axes: [Vector3<f64>; 3],
    first_sample: usize,
    /// Times of the samples, seconds to contact.
    seconds: Vec<f64>,
    /// Derivatives at contact.
    at_contact: Stencil,
    /// Standard deviation of a sample's coordinate that changes from sample to sample, metres.
    sample_sd: f64,
}

/// Derivatives of radius, angle and height at contact, orders 0 to 3.
#[derive(Debug, Clone, Copy)]
pub(crate) struct EdgeMotion {
    derivatives: [Vector3<f64>; 4],
}

impl EdgeSpeed {
    /// `None` when there are too few samples just before contact, when the last is earlier than `farthest_seconds` before it,
    /// or when the tip does not move.
    pub(crate) fn new(tip: &SmoothedPoint, farthest_seconds: f64) -> Option<Self> {
        let (first_sample, samples) = tip.last_before_contact(WINDOW_SECONDS);
        if samples.len() < LEAST_SAMPLES {
            return None;
        }
        let seconds: Vec<f64> = samples.iter().map(|s| s.seconds).collect();
        let (first, last) = (*seconds.first()?, *seconds.last()?);
        if last - first < WINDOW_SECONDS * 0.75 || last < -farthest_seconds {
            return None;
        }
        let weights: Vec<f64> = samples.iter().map(|s| 1.0 / s.variance()).collect();
        // The bend is taken at three quarters of the stretch: nearer to contact the acceleration is too noisy.
        let bend = stencil(&seconds, &weights, first + 0.75 * (last - first), 3)?;
        let derivative = |order: usize| -> Vector3<f64> {
            bend.coefficients(order).iter().zip(samples).map(|(a, s)| s.position * *a).sum()
        };
        let (place, velocity, acceleration) = (derivative(0), derivative(1), derivative(2));
        let along = velocity.try_normalize(0.1)?;
        let across = acceleration - along * acceleration.dot(&along);
        let inward = across.try_normalize(1e-6)?;
        let radius = (velocity.norm_squared() / across.norm()).clamp(RADII_M[0], RADII_M[1]);
        let centre = place + inward * radius;
        let axis = (-inward).cross(&along);
        let variance = samples.iter().map(|s| s.variance()).sum::<f64>() / samples.len() as f64;
        Some(Self {
            centre,
            axes: [-inward, along, axis],
            first_sample,
            at_contact: stencil(&seconds, &weights, 0.0, 3)?,
            seconds,
            sample_sd: variance.sqrt() * tip.independent_sd(),
        })
    }

    /// Middle of the stretch, seconds to contact: nearer to contact than this the stretch tells more than a window around the
    /// instant.
    pub(crate) fn middle_seconds(&self) -> f64 {
        match (self.seconds.first(), self.seconds.last()) {
            (Some(first), Some(last)) => (first + last) / 2.0,
            _ => 0.0,
        }
    }

    /// The motion for these positions of all samples of the tip.
    pub(crate) fn motion(&self, positions: &[Vector3<f64>]) -> Option<EdgeMotion> {
        let positions = positions.get(self.first_sample..self.first_sample + self.seconds.len())?;
        let mut derivatives = [Vector3::zeros(); 4];
        for (i, position) in positions.iter().enumerate() {
            let from_centre = position - self.centre;
            let [radial, along, axis] = self.axes.map(|a| from_centre.dot(&a));
            // The stretch bends by less than half a turn about its middle, so the angle does not wrap.
            let cylindrical = Vector3::new(radial.hypot(along), along.atan2(radial), axis);
            for (order, derivative) in derivatives.iter_mut().enumerate() {
                *derivative += cylindrical * *self.at_contact.coefficients(order).get(i)?;
            }
        }
        Some(EdgeMotion { derivatives })
    }

    /// Standard deviation of the speed at a time in seconds to contact, m/s.
    pub(crate) fn sd(&self, seconds: f64) -> f64 {
        let coefficient = |i: usize| -> f64 {
            let of = |order: usize| self.at_contact.coefficients(order).get(i).copied().unwrap_or(0.0);
            of(1) + of(2) * seconds + of(3) * seconds * seconds / 2.0
        };
        (0..self.seconds.len()).map(|i| coefficient(i).powi(2)).sum::<f64>().sqrt() * self.sample_sd
    }
}

impl EdgeMotion {
    /// Speed at a time in seconds to contact, m/s.
    pub(crate) fn speed(&self, seconds: f64) -> f64 {
        let [place, first, second, third] = self.derivatives;
        let radius = place.x + seconds * (first.x + seconds / 2.0 * (second.x + seconds / 3.0 * third.x));
        let rates = first + second * seconds + third * (seconds * seconds / 2.0);
        Vector3::new(rates.x, radius * rates.y, rates.z).norm()
    }
}
