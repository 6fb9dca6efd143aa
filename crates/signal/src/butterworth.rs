//! Second-order Butterworth low-pass, run forward and back so that nothing is delayed.
//!
//! Coefficients and the correction for two passes: Winter, Biomechanics and Motor Control of Human Movement, 4th ed. 2009,
//! section 3.4.4.2; Robertson & Dowling 2003 (J Electromyogr Kinesiol 13:569) correct the warped angular frequency, as here.
//!
//! The filter knows nothing of contact: hand it the samples of one side only.

/// Coefficients of `y[n] = a0 x[n] + a1 x[n-1] + a2 x[n-2] + b1 y[n-1] + b2 y[n-2]`, as Winter writes them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Butterworth {
    /// Of the samples: now, one before, two before.
    pub a: [f64; 3],
    /// Of the output: one before, two before.
    pub b: [f64; 2],
    /// Frequency for which a single pass was designed, Hz.
    pub design_hz: f64,
}

/// Samples mirrored about each end before filtering, per sample of the cut-off's period.
const PADDING_PERIODS: f64 = 1.0;

impl Butterworth {
    /// A filter whose forward and backward pass together have the gain 1/√2 at `cutoff_hz`. `None` unless the cut-off lies
    /// above 0 and its design frequency below half the rate.
    #[must_use]
    pub fn two_passes(cutoff_hz: f64, rate_hz: f64) -> Option<Self> {
        Self::design(cutoff_hz, rate_hz, (2.0_f64.sqrt() - 1.0).powf(0.25))
    }

    /// A filter whose single pass has the gain 1/√2 at `cutoff_hz`.
    #[must_use]
    pub fn one_pass(cutoff_hz: f64, rate_hz: f64) -> Option<Self> {
        Self::design(cutoff_hz, rate_hz, 1.0)
    }

    fn design(cutoff_hz: f64, rate_hz: f64, correction: f64) -> Option<Self> {
        let usable = cutoff_hz > 0.0 && rate_hz.is_finite() && cutoff_hz < rate_hz / 2.0;
        if !usable {
            return None;
        }
        let warped = (std::f64::consts::PI * cutoff_hz / rate_hz).tan() / correction;
        let (k1, k2) = (std::f64::consts::SQRT_2 * warped, warped * warped);
        let a0 = k2 / (1.0 + k1 + k2);
        let k3 = 2.0 * a0 / k2;
        let design_hz = warped.atan() * rate_hz / std::f64::consts::PI;
        Some(Self { a: [a0, 2.0 * a0, a0], b: [k3 - 2.0 * a0, 1.0 - 2.0 * a0 - k3], design_hz })
    }

    /// Gain of one pass at a frequency.
    #[must_use]
    pub fn gain(&self, hz: f64, rate_hz: f64) -> f64 {
        let angle = std::f64::consts::TAU * hz / rate_hz;
        // |Σ c_k e^{-ikω}|
        let size = |c: &[f64]| {
            let (mut re, mut im) = (0.0, 0.0);
            for (k, c) in c.iter().enumerate() {
                let (sin, cos) = (k as f64 * angle).sin_cos();
                re += c * cos;
                im -= c * sin;
            }
            re.hypot(im)
        };
        size(&self.a) / size(&[1.0, -self.b[0], -self.b[1]])
    }

    /// One pass from the first sample to the last, starting as if the first sample had been there for ever.
    #[must_use]
    pub fn pass(&self, samples: &[f64]) -> Vec<f64> {
        let Some(first) = samples.first() else { return Vec::new() };
        let (mut x, mut y) = ([*first; 2], [*first; 2]);
        samples
            .iter()
            .map(|now| {
                let out = self.a[0] * now + self.a[1] * x[0] + self.a[2] * x[1] + self.b[0] * y[0] + self.b[1] * y[1];
                (x, y) = ([*now, x[0]], [out, y[0]]);
                out
            })
            .collect()
    }

    /// Forward and back. The ends are continued by turning the samples about the end point (Smith 1989, J Biomech 22:967), so
    /// that a steady slope stays one. `None` for fewer than four samples or numbers that are not finite.
    #[must_use]
    pub fn forward_and_back(&self, samples: &[f64], rate_hz: f64) -> Option<Vec<f64>> {
        let (first, last) = (*samples.first()?, *samples.last()?);
        if samples.len() < 4 || samples.iter().any(|v| !v.is_finite()) {
            return None;
        }
        let reach = ((PADDING_PERIODS * rate_hz / self.design_hz).ceil() as usize).clamp(2, samples.len() - 1);
        let ahead = samples[1..=reach].iter().rev().map(|v| 2.0 * first - v);
        let behind = samples.iter().rev().skip(1).take(reach).map(|v| 2.0 * last - v);
        let padded: Vec<f64> = ahead.chain(samples.iter().copied()).chain(behind).collect();
        let mut there = self.pass(&padded);
        there.reverse();
        let mut back = self.pass(&there);
        back.reverse();
        Some(back.into_iter().skip(reach).take(samples.len()).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn winters_coefficients_for_6_hz_at_60_hz() {
        // Winter 2009, section 3.4.4.2, worked with his formulas (fs/fc = 10, one pass): a0 = 0.06746, a1 = 0.13491,
        // b1 = 1.14298, b2 = -0.41280 (values from memory).
        let filter = Butterworth::one_pass(6.0, 60.0).unwrap();
        for (found, expected) in
            [(filter.a[0], 0.06746), (filter.a[1], 0.13491), (filter.b[0], 1.14298), (filter.b[1], -0.41280)]
        {
            assert!((found - expected).abs() < 1e-5, "{filter:?}");
        }
        assert!((filter.a.iter().chain(&filter.b).sum::<f64>() - 1.0).abs() < 1e-12, "a constant stays one");
    }

    #[test]
    fn two_passes_at_10_hz_and_240_hz_are_designed_for_12_4_hz() {
        let filter = Butterworth::two_passes(10.0, 240.0).unwrap();
        assert!((filter.design_hz - 12.425_977).abs() < 5e-7, "{}", filter.design_hz);
        // The handbook's 0.70710678.
        assert!((filter.gain(10.0, 240.0).powi(2) - std::f64::consts::FRAC_1_SQRT_2).abs() < 1e-8);
        assert!((filter.gain(filter.design_hz, 240.0) - std::f64::consts::FRAC_1_SQRT_2).abs() < 1e-8);
        // Without the correction two passes halve the power twice.
        let plain = Butterworth::one_pass(10.0, 240.0).unwrap();
        assert!((plain.gain(10.0, 240.0).powi(2) - 0.5).abs() < 1e-12);
    }

    #[test]
    fn a_sine_keeps_its_phase_and_loses_what_the_gain_says() {
        let (rate, hz) = (240.0, 10.0);
        let filter = Butterworth::two_passes(10.0, rate).unwrap();
        let wave: Vec<f64> = (0..960).map(|i| (std::f64::consts::TAU * hz * f64::from(i) / rate).sin()).collect();
        let out = filter.forward_and_back(&wave, rate).unwrap();
        for k in 240..720 {
            assert!((out[k] - wave[k] * std::f64::consts::FRAC_1_SQRT_2).abs() < 1e-6);
        }
    }

    #[test]
    fn straight_lines_pass_unchanged_to_the_ends() {
        let filter = Butterworth::two_passes(8.0, 120.0).unwrap();
        let line: Vec<f64> = (0..60).map(|i| 3.0 - 0.2 * f64::from(i)).collect();
        let out = filter.forward_and_back(&line, 120.0).unwrap();
        for (k, (a, b)) in line.iter().zip(&out).enumerate() {
            assert!((a - b).abs() < if (10..50).contains(&k) { 1e-3 } else { 0.05 }, "{k} {a} {b}");
        }
    }

    #[test]
    fn smoothing_through_contact_blunts_the_peak_and_moves_it() {
        // Speed rises to 30 m/s at contact and drops to 20 m/s within 5 ms. Why no filter may cross contact.
        let rate = 240.0;
        let speed = |t: f64| match t {
            t if t <= 0.0 => 30.0 * (-0.5 * (t / 0.11) * (t / 0.11)).exp(),
            t if t < 0.005 => 30.0 - 10.0 * t / 0.005,
            t => 20.0 * (-0.5 * (t / 0.2) * (t / 0.2)).exp(),
        };
        let times: Vec<f64> = (-240..=120).map(|i| f64::from(i) / rate).collect();
        let through: Vec<f64> = times.iter().map(|t| speed(*t)).collect();
        let out = Butterworth::two_passes(10.0, rate).unwrap().forward_and_back(&through, rate).unwrap();
        let peak = (0..out.len()).max_by(|a, b| out[*a].total_cmp(&out[*b])).unwrap();
        println!("{:.2} m/s at contact, peak {:.1} ms before it", out[240], -times[peak] * 1e3);
        assert!(out[240] < 27.0 && times[peak] < -0.015);
        // One side alone keeps the value at contact.
        let before = Butterworth::two_passes(10.0, rate).unwrap().forward_and_back(&through[..=240], rate).unwrap();
        assert!((before[240] - 30.0).abs() < 0.05, "{}", before[240]);
    }

    #[test]
    fn what_cannot_be_filtered_is_none() {
        assert!(Butterworth::two_passes(60.0, 120.0).is_none() && Butterworth::one_pass(0.0, 120.0).is_none());
        let filter = Butterworth::one_pass(6.0, 60.0).unwrap();
        assert!(filter.forward_and_back(&[1.0; 3], 60.0).is_none());
        assert!(filter.forward_and_back(&[1.0, f64::NAN, 1.0, 1.0], 60.0).is_none());
        assert!(filter.pass(&[]).is_empty());
    }
}
