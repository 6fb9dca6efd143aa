//! From sound samples to the level of short attacks: band limit and energy in short bins.

use midline_session::footage::SoundTrack;

/// Band of the sounds that are listened for, in hertz: above wind and hum, below what phones' sound codecs drop. Strings,
/// bounces and claps are broadband attacks that fill it (common practice).
pub(crate) const BAND_HZ: std::ops::Range<f64> = 600.0..8000.0;

/// The samples, limited to [`BAND_HZ`] by two first-order high-passes and two first-order low-passes. All are causal, so
/// that an attack does not spread to before its time; they delay it by less than 0.1 ms.
pub(crate) fn band_limited(track: &SoundTrack) -> Vec<f64> {
    let rate = track.sample_rate_hz;
    let share = |hz: f64| 1.0 - (-std::f64::consts::TAU * hz / rate).exp();
    let (low, high) = (share(BAND_HZ.start), share(BAND_HZ.end.min(0.4 * rate)));
    let mut signal: Vec<f64> = track.samples.iter().map(|s| f64::from(*s)).collect();
    for _ in 0..2 {
        let (mut slow, mut smooth) = (0.0, 0.0);
        for sample in &mut signal {
            slow += low * (*sample - slow);
            smooth += high * (*sample - slow - smooth);
            *sample = smooth;
        }
    }
    signal
}

/// Mean square of the signal in bins of `bin_seconds`; the last, incomplete bin is left out.
pub(crate) fn energies(signal: &[f64], sample_rate_hz: f64, bin_seconds: f64) -> Vec<f64> {
    let samples_per_bin = bin_seconds * sample_rate_hz;
    if samples_per_bin < 1.0 {
        return Vec::new();
    }
    let count = (signal.len() as f64 / samples_per_bin) as usize;
    // Bin edges are rounded one by one, so that bins do not drift from their times when they hold no whole number of
    // samples.
    let edge = |bin: usize| ((bin as f64 * samples_per_bin).round() as usize).min(signal.len());
    (0..count)
        .map(|bin| {
            let part = &signal[edge(bin)..edge(bin + 1)];
            part.iter().map(|s| s * s).sum::<f64>() / part.len().max(1) as f64
        })
        .collect()
}

/// The median; 0 of nothing.
pub(crate) fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(0.0)
}

/// Standard deviation of a normal distribution over its median absolute deviation (1 / Φ⁻¹(3/4)).
pub(crate) const SD_OF_MAD: f64 = 1.482_602_2;

/// A robust standard deviation: the scaled median absolute deviation from `centre`.
pub(crate) fn robust_sd(values: &[f64], centre: f64) -> f64 {
    SD_OF_MAD * median(&values.iter().map(|v| (v - centre).abs()).collect::<Vec<_>>())
}
