//! Smoothness of a speed curve: spectral arc length and log dimensionless jerk.
//!
//! Both are dimensionless, never positive for real movements, and closer to 0 for smoother ones. Both depend on how the
//! speed was filtered before: compare only curves that went through the same filter.

use realfft::RealFftPlanner;

/// Highest frequency of the spectrum used, Hz. Fixed, so that recordings of different rates stay comparable.
pub const ARC_LENGTH_LIMIT_HZ: f64 = 20.0;

/// Share of the largest magnitude below which the spectrum's tail is left out.
const AMPLITUDE_THRESHOLD: f64 = 0.05;

/// The transform's length is the next power of two of the curve's length times 2 to this power.
const PADDING_POWER: u32 = 4;

/// Spectral arc length (SPARC) of a speed curve sampled evenly at `rate_hz`.
///
/// Balasubramanian, Melendez-Calderon, Roby-Brami & Burdet 2015 (J NeuroEng Rehabil 12:112), with the authors' amplitude
/// threshold of 0.05 and padding level 4, and the upper frequency limit of 20 Hz of Balasubramanian, Melendez-Calderon &
/// Burdet 2012 (IEEE Trans Biomed Eng 59:2126). `None` when there are fewer than four samples, the curve is zero, a number is
/// not finite, or a single frequency is left.
#[must_use]
pub fn spectral_arc_length(speed: &[f64], rate_hz: f64) -> Option<f64> {
    spectral_arc_length_below(ARC_LENGTH_LIMIT_HZ, speed, rate_hz)
}

/// [`spectral_arc_length`] with another upper frequency limit. Values for different limits cannot be compared: a fast movement
/// whose spectrum reaches past the limit looks smoother than it is.
#[must_use]
pub fn spectral_arc_length_below(limit_hz: f64, speed: &[f64], rate_hz: f64) -> Option<f64> {
    if speed.len() < 4 || !(rate_hz.is_finite() && rate_hz > 0.0) || speed.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let length = speed.len().next_power_of_two() << PADDING_POWER;
    let transform = RealFftPlanner::<f64>::new().plan_fft_forward(length);
    let mut padded = transform.make_input_vec();
    padded[..speed.len()].copy_from_slice(speed);
    let mut spectrum = transform.make_output_vec();
    transform.process(&mut padded, &mut spectrum).ok()?;
    let largest = spectrum.iter().map(|c| c.norm()).fold(0.0, f64::max);
    if largest <= 0.0 {
        return None;
    }
    let step_hz = rate_hz / length as f64;
    let magnitude: Vec<f64> = spectrum
        .iter()
        .enumerate()
        .take_while(|(k, _)| *k as f64 * step_hz <= limit_hz)
        .map(|(_, c)| c.norm() / largest)
        .collect();
    let first = magnitude.iter().position(|m| *m >= AMPLITUDE_THRESHOLD)?;
    let last = magnitude.iter().rposition(|m| *m >= AMPLITUDE_THRESHOLD)?;
    if last == first {
        return None;
    }
    let share = 1.0 / (last - first) as f64;
    Some(-magnitude[first..=last].windows(2).map(|pair| share.hypot(pair[1] - pair[0])).sum::<f64>())
}

/// Log dimensionless jerk of a speed curve sampled evenly at `rate_hz`: `-ln(D³ / v_peak² · Σ (Δ²v/Δt²)² Δt)`, with the
/// duration `D` counted as samples times spacing, as in the authors' discrete method (Balasubramanian et al. 2015, as for
/// [`spectral_arc_length`]). `None` when there are fewer than four samples, a number is not finite, or the jerk is zero.
#[must_use]
pub fn log_dimensionless_jerk(speed: &[f64], rate_hz: f64) -> Option<f64> {
    if speed.len() < 4 || !(rate_hz.is_finite() && rate_hz > 0.0) || speed.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let peak = speed.iter().map(|v| v.abs()).fold(0.0, f64::max);
    let duration = speed.len() as f64 / rate_hz;
    let jerk: f64 = speed.windows(3).map(|w| ((w[2] - 2.0 * w[1] + w[0]) * rate_hz * rate_hz).powi(2) / rate_hz).sum();
    let dimensionless = duration.powi(3) / (peak * peak) * jerk;
    (dimensionless.is_finite() && dimensionless > 0.0).then(|| -dimensionless.ln())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// `exp(-5 t²)` for t from -1 up to but without 1 in steps of 0.01 s.
    fn bell() -> Vec<f64> {
        (0..200).map(|i| (-5.0 * (-1.0 + 0.01 * f64::from(i)).powi(2)).exp()).collect()
    }

    #[test]
    fn bell_has_the_published_smoothness() {
        // Worked example published with Balasubramanian et al. 2015: SPARC -1.41403, LDLJ -5.81636. The spectrum of this
        // curve falls below the amplitude threshold before 10 Hz, so both frequency limits in use give the same number.
        assert!((spectral_arc_length(&bell(), 100.0).unwrap() + 1.41403).abs() < 5e-6);
        assert!((log_dimensionless_jerk(&bell(), 100.0).unwrap() + 5.81636).abs() < 5e-6);
    }

    #[test]
    fn minimum_jerk_tends_to_its_analytic_value() {
        // v = τ² (1 - τ)²: D³/v_peak² ∫ v''² = 0.8 · 16² = 204.8, so LDLJ = -ln 204.8 = -5.322034.
        let n = 20_000;
        let speed: Vec<f64> = (0..=n).map(|i| f64::from(i) / f64::from(n)).map(|s| (s * (1.0 - s)).powi(2)).collect();
        let value = log_dimensionless_jerk(&speed, f64::from(n)).unwrap();
        assert!((value + 5.322_034).abs() < 5e-4, "{value}");
    }

    #[test]
    fn a_fast_swing_needs_the_20_hz_limit() {
        // Minimum-jerk swing of 0.10 s: its spectrum reaches past 10 Hz, so that limit cuts part of its arc off and calls it
        // smoother (-1.151 for -1.400).
        for rate in [120.0, 240.0, 480.0] {
            let n = (0.10_f64 * rate).round() as u32;
            let swing: Vec<f64> =
                (0..=n).map(|i| f64::from(i) / f64::from(n)).map(|s| (s * (1.0 - s)).powi(2)).collect();
            let at_10 = spectral_arc_length_below(10.0, &swing, rate).unwrap();
            let at_20 = spectral_arc_length(&swing, rate).unwrap();
            assert!((at_10 + 1.151).abs() < 8e-4 && (at_20 + 1.400).abs() < 8e-4, "{rate}: {at_10} {at_20}");
        }
    }

    #[test]
    fn a_hitch_is_less_smooth() {
        let hitch: Vec<f64> =
            bell().iter().enumerate().map(|(i, v)| if (70..82).contains(&i) { 0.6 * v } else { *v }).collect();
        assert!(spectral_arc_length(&hitch, 100.0).unwrap() < spectral_arc_length(&bell(), 100.0).unwrap() - 0.02);
        assert!(log_dimensionless_jerk(&hitch, 100.0).unwrap() < -7.0);
    }

    #[test]
    fn what_has_no_smoothness_is_none() {
        assert_eq!(spectral_arc_length(&[1.0; 3], 100.0), None);
        assert_eq!(spectral_arc_length(&[0.0; 30], 100.0), None);
        assert_eq!(spectral_arc_length(&[1.0, 2.0, f64::NAN, 1.0, 0.5], 100.0), None);
        assert_eq!(log_dimensionless_jerk(&[2.0; 30], 100.0), None);
        assert_eq!(log_dimensionless_jerk(&[1.0, 2.0, 1.0, 0.0], 0.0), None);
    }

    proptest! {
        #[test]
        fn amplitude_does_not_matter(factor in 0.01..100.0f64) {
            let scaled: Vec<f64> = bell().iter().map(|v| v * factor).collect();
            prop_assert!((spectral_arc_length(&scaled, 100.0).unwrap() + 1.41403).abs() < 1e-5);
            prop_assert!((log_dimensionless_jerk(&scaled, 100.0).unwrap() + 5.81636).abs() < 1e-5);
        }
    }
}
