//! Short broadband attacks in one sound track: ball on strings, bounces, claps.

use midline_session::footage::SoundTrack;

use crate::level::{band_limited, energies, median, robust_sd};

/// The beginning of one short sound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Onset {
    /// Presentation time of its attack in seconds, to better than a millisecond.
    pub pts_seconds: f64,
    /// How far the level rises above what was heard just before, in decibels.
    pub strength: f64,
}

/// Bin of the level curve, seconds.
const BIN_SECONDS: f64 = 0.001;
/// Bins after an instant whose energy is its attack.
const ATTACK_BINS: usize = 3;
/// Bins before an instant whose energy is its background, and the bins next to it that are left out.
const BACKGROUND_BINS: usize = 20;
const SPARED_BINS: usize = 2;
/// A rise below this is no attack, in decibels.
const LEAST_RISE_DB: f64 = 9.0;
/// Robust standard deviations of the rise that an attack must exceed.
const LEAST_DEVIATIONS: f64 = 7.0;
/// Bins on each side over which the usual rise is learned.
const LEARNED_BINS: usize = 1000;
/// Bins within which only the strongest attack counts; bounce and stroke of a ball taken early are farther apart.
const APART_BINS: usize = 40;
/// Seconds within which a weaker sound is taken for an echo of a stronger one before it, and how much weaker, in decibels.
const ECHO_SECONDS: f64 = 0.12;
const ECHO_DB: f64 = 8.0;
/// Level below which nothing counts as sound: mean square relative to full scale (-90 dB).
const SILENCE: f64 = 1e-9;
/// Length over which the attack's energy is followed sample by sample, seconds.
const FOLLOW_SECONDS: f64 = 0.000_25;
/// Share of the attack's peak energy at which it begins.
const BEGIN_SHARE: f64 = 0.15;

/// The short attacks of a sound track in order of time: rises of the level in the band from 0.6 to 8 kHz over the 20 ms
/// before, beyond a threshold that follows the noise around.
#[must_use]
pub fn onsets(track: &SoundTrack) -> Vec<Onset> {
    let signal = band_limited(track);
    let energy = energies(&signal, track.sample_rate_hz, BIN_SECONDS);
    let rise = rises(&energy);
    let mut found: Vec<(f64, Onset)> = Vec::new();
    for bin in peaks(&rise) {
        if rise[bin] < threshold(&rise, bin) {
            continue;
        }
        let level = energy[bin..(bin + ATTACK_BINS).min(energy.len())].iter().copied().fold(0.0, f64::max);
        let at = attack_seconds(&signal, track.sample_rate_hz, bin);
        let onset = Onset { pts_seconds: track.start_pts_seconds + at, strength: rise[bin] };
        let echo = found
            .iter()
            .rev()
            .take_while(|(_, before)| onset.pts_seconds - before.pts_seconds < ECHO_SECONDS)
            .any(|(before_level, _)| 10.0 * (before_level / level.max(SILENCE)).log10() > ECHO_DB);
        if !echo {
            found.push((level, onset));
        }
    }
    found.into_iter().map(|(_, onset)| onset).collect()
}

/// For each bin, by how many decibels the energy from it on exceeds the energy before it.
fn rises(energy: &[f64]) -> Vec<f64> {
    let mut sums = Vec::with_capacity(energy.len() + 1);
    sums.push(0.0);
    for e in energy {
        sums.push(sums[sums.len() - 1] + e);
    }
    let mean = |from: usize, to: usize| (sums[to] - sums[from]).max(0.0) / (to - from).max(1) as f64 + SILENCE;
    (0..energy.len())
        .map(|bin| {
            if bin < BACKGROUND_BINS || bin + ATTACK_BINS > energy.len() {
                return 0.0;
            }
            let background = mean(bin - BACKGROUND_BINS, bin - SPARED_BINS);
            10.0 * (mean(bin, bin + ATTACK_BINS) / background).log10()
        })
        .collect()
}

/// Bins that exceed all others within [`APART_BINS`], in order.
fn peaks(rise: &[f64]) -> Vec<usize> {
    (0..rise.len())
        .filter(|bin| {
            let (from, to) = (bin.saturating_sub(APART_BINS), (bin + APART_BINS + 1).min(rise.len()));
            rise[*bin] >= LEAST_RISE_DB
                && rise[from..*bin].iter().all(|r| *r < rise[*bin])
                && rise[bin + 1..to].iter().all(|r| *r <= rise[*bin])
        })
        .collect()
}

fn threshold(rise: &[f64], bin: usize) -> f64 {
    let around = &rise[bin.saturating_sub(LEARNED_BINS)..(bin + LEARNED_BINS).min(rise.len())];
    let usual = median(around);
    LEAST_RISE_DB.max(usual + LEAST_DEVIATIONS * robust_sd(around, usual))
}

/// The time in seconds from the first sample at which the energy first exceeds its share of the attack's peak.
fn attack_seconds(signal: &[f64], rate: f64, bin: usize) -> f64 {
    let sample = |seconds: f64| ((seconds * rate).round().max(0.0) as usize).min(signal.len());
    let at = bin as f64 * BIN_SECONDS;
    let (from, to) = (sample(at - 0.003), sample(at + 0.006));
    let width = ((FOLLOW_SECONDS * rate).round() as usize).max(1);
    let window = &signal[from..to];
    let followed: Vec<f64> = window.windows(width).map(|w| w.iter().map(|s| s * s).sum::<f64>()).collect();
    let before = &signal[sample(at - 0.015)..from];
    let quiet = before.iter().map(|s| s * s).sum::<f64>() / before.len().max(1) as f64 * width as f64;
    let peak = followed.iter().copied().fold(0.0, f64::max);
    let begin = quiet + BEGIN_SHARE * (peak - quiet).max(0.0);
    let Some(index) = followed.iter().position(|e| *e >= begin) else { return at };
    // The window that first holds enough energy has the attack near its end.
    (from + index + width - 1) as f64 / rate
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::made_sound::{Scene, Sound, through_aac};

    #[test]
    fn attacks_are_found_to_a_millisecond_and_echoes_are_not() {
        let times: Vec<f64> = (0..20).map(|k| 0.5 + 0.731 * f64::from(k) + 0.013 * f64::from(k % 3)).collect();
        for (noise, gain) in [(0.002, 0.5), (0.01, 0.3), (0.02, 0.9)] {
            let scene = Scene { sounds: times.iter().map(|t| Sound::stroke(*t)).collect(), seconds: 16.0 };
            let track = scene.heard_by(3, 48_000.0, 0.25, 1.0, gain, noise);
            let found = onsets(&track);
            assert_eq!(found.len(), times.len(), "noise {noise}: {found:?}");
            let worst = found.iter().zip(&times).map(|(o, t)| (o.pts_seconds - (t - 0.25)).abs()).fold(0.0, f64::max);
            println!("noise {noise}, gain {gain}: worst attack error {:.3} ms", worst * 1e3);
            assert!(worst < 1e-3);
        }
    }

    #[test]
    fn attacks_survive_a_phones_sound_codec() {
        let times: Vec<f64> = (0..12).map(|k| 0.5 + 0.731 * f64::from(k)).collect();
        let scene = Scene { sounds: times.iter().map(|t| Sound::stroke(*t)).collect(), seconds: 9.5 };
        let found = onsets(&through_aac(&scene.heard_by(3, 48_000.0, 0.0, 1.0, 0.5, 0.003)));
        assert_eq!(found.len(), times.len(), "{found:?}");
        let worst = found.iter().zip(&times).map(|(o, t)| (o.pts_seconds - t).abs()).fold(0.0, f64::max);
        println!("through AAC at 96 kbit/s: worst attack error {:.3} ms", worst * 1e3);
        assert!(worst < 1e-3);
    }

    #[test]
    fn steady_noise_hum_and_a_slow_swell_hold_no_attack() {
        let scene = Scene { sounds: Vec::new(), seconds: 10.0 };
        let mut track = scene.heard_by(5, 44_100.0, 0.0, 1.0, 1.0, 0.05);
        for (n, sample) in track.samples.iter_mut().enumerate() {
            let t = n as f32 / 44_100.0;
            *sample = *sample * (1.0 + t) + 0.2 * (2.0 * std::f32::consts::PI * 50.0 * t).sin();
        }
        assert_eq!(onsets(&track), []);
        assert_eq!(onsets(&SoundTrack { sample_rate_hz: 48_000.0, start_pts_seconds: 0.0, samples: Vec::new() }), []);
        let silent = SoundTrack { sample_rate_hz: 48_000.0, start_pts_seconds: 0.0, samples: vec![0.0; 48_000] };
        assert_eq!(onsets(&silent), []);
    }

    #[test]
    fn a_bounce_and_the_stroke_that_follows_are_two() {
        let scene = Scene { sounds: vec![Sound::bounce(1.0), Sound::stroke(1.12)], seconds: 2.0 };
        let found = onsets(&scene.heard_by(1, 48_000.0, 0.0, 1.0, 0.6, 0.003));
        assert_eq!(found.len(), 2, "{found:?}");
        assert!((found[0].pts_seconds - 1.0).abs() < 1e-3 && (found[1].pts_seconds - 1.12).abs() < 1e-3);
    }
}
