//! What the phones' microphones hear.
//!
//! A source sounds at an instant of the session; the sound travels to the phone at `331.3 √(1 + T/273.15)` m/s, weakens
//! with distance, and is written with the phone's own lag between sound and picture. Ball and racket sounds are sums of
//! decaying modes (a bounce is dull and short, a hit brighter; common practice, no source), the same at every phone.

use nalgebra::Point3;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};

use crate::phone::{ClipClock, Phone};

/// Samples per second.
pub(crate) const SAMPLE_RATE_HZ: u32 = 48_000;

/// What makes a sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Source {
    Bounce,
    Hit,
    Clap,
}

/// A sound at a place and an instant.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sounding {
    pub(crate) source: Source,
    pub(crate) place: Point3<f64>,
    pub(crate) session_seconds: f64,
}

/// Speed of sound in dry air, m/s.
pub(crate) fn speed_of_sound(air_celsius: f64) -> f64 {
    331.3 * (1.0 + air_celsius / 273.15).sqrt()
}

/// One decaying oscillation.
struct Mode {
    amplitude: f64,
    hertz: f64,
    decay_seconds: f64,
    phase: f64,
}

/// The modes of one sound, drawn anew for each (no two hits are alike) but the same for every phone.
fn modes(sounding: &Sounding) -> Vec<Mode> {
    let mut random = StdRng::seed_from_u64((sounding.session_seconds * 1e6) as u64 ^ 0x5EED);
    let (count, hertz, decay, loudness) = match sounding.source {
        Source::Bounce => (9, 220.0..1100.0, 0.006..0.016, 0.9),
        Source::Hit => (14, 450.0..3200.0, 0.004..0.014, 1.6),
        Source::Clap => (18, 700.0..5200.0, 0.002..0.007, 2.4),
    };
    (0..count)
        .map(|_| Mode {
            amplitude: loudness * random.random_range(0.4..1.0) / f64::from(count).sqrt(),
            hertz: random.random_range(hertz.clone()),
            decay_seconds: random.random_range(decay.clone()),
            phase: random.random_range(0.0..std::f64::consts::TAU),
        })
        .collect()
}

/// Where a clip is heard.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Listening<'a> {
    pub(crate) phone: &'a Phone,
    pub(crate) place: Point3<f64>,
    pub(crate) clock: ClipClock,
    pub(crate) duration_seconds: f64,
    pub(crate) air_celsius: f64,
    pub(crate) seed: u64,
}

impl Listening<'_> {
    /// Presentation time at which a sound is heard.
    fn heard_pts_seconds(&self, sounding: &Sounding) -> f64 {
        let travel = (sounding.place - self.place).norm() / speed_of_sound(self.air_celsius);
        self.clock.pts_seconds(sounding.session_seconds + travel) + self.phone.sound_latency_seconds
    }

    /// The clip's sound, one channel, full scale ±1.
    pub(crate) fn samples(&self, soundings: &[Sounding]) -> Vec<f32> {
        let rate = f64::from(SAMPLE_RATE_HZ);
        let count = (self.duration_seconds * rate) as usize;
        let mut samples = self.noise(count);
        for sounding in soundings {
            let heard = self.heard_pts_seconds(sounding);
            let gain = self.phone.sound_gain * 2.0 / (sounding.place - self.place).norm().max(1.0);
            // The sound itself and two mild echoes, from a wall and from the ground.
            for (delay, share) in [(0.0, 1.0), (0.0087, 0.16), (0.0613, 0.11)] {
                for mode in modes(sounding) {
                    add_mode(&mut samples, heard + delay, gain * share, &mode);
                }
            }
        }
        samples.iter().map(|s| s.tanh() as f32).collect()
    }

    /// Wind and the microphone: noise with more power at low frequencies.
    fn noise(&self, count: usize) -> Vec<f64> {
        let mut random = StdRng::seed_from_u64(self.seed);
        let mut draw = move || -> f64 { StandardNormal.sample(&mut random) };
        let mut wind = 0.0;
        (0..count)
            .map(|_| {
                wind = 0.995 * wind + 0.1 * draw();
                self.phone.sound_noise * (0.6 * draw() + 1.2 * wind)
            })
            .collect()
    }
}

fn add_mode(samples: &mut [f64], start_seconds: f64, gain: f64, mode: &Mode) {
    /// Time in which a sound sets in.
    const ATTACK_SECONDS: f64 = 0.0004;
    let rate = f64::from(SAMPLE_RATE_HZ);
    let first = (start_seconds * rate).ceil().max(0.0) as usize;
    let last = ((start_seconds + 8.0 * mode.decay_seconds) * rate).max(0.0) as usize;
    for (index, sample) in samples.iter_mut().enumerate().take(last).skip(first) {
        let t = index as f64 / rate - start_seconds;
        let envelope = (1.0 - (-t / ATTACK_SECONDS).exp()) * (-t / mode.decay_seconds).exp();
        *sample += gain * mode.amplitude * envelope * (std::f64::consts::TAU * mode.hertz * t + mode.phase).sin();
    }
}

/// A RIFF/WAVE file of 16-bit samples, one channel.
pub(crate) fn wav(samples: &[f32]) -> Vec<u8> {
    let size = 2 * samples.len() as u32;
    let mut bytes = Vec::with_capacity(44 + size as usize);
    bytes.extend_from_slice(b"RIFF");
    bytes.extend_from_slice(&(36 + size).to_le_bytes());
    bytes.extend_from_slice(b"WAVEfmt ");
    bytes.extend_from_slice(&16u32.to_le_bytes());
    bytes.extend_from_slice(&1u16.to_le_bytes());
    bytes.extend_from_slice(&1u16.to_le_bytes());
    bytes.extend_from_slice(&SAMPLE_RATE_HZ.to_le_bytes());
    bytes.extend_from_slice(&(2 * SAMPLE_RATE_HZ).to_le_bytes());
    bytes.extend_from_slice(&2u16.to_le_bytes());
    bytes.extend_from_slice(&16u16.to_le_bytes());
    bytes.extend_from_slice(b"data");
    bytes.extend_from_slice(&size.to_le_bytes());
    for sample in samples {
        bytes.extend_from_slice(&((sample * 32767.0).round() as i16).to_le_bytes());
    }
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phone::{FENCE, GATE};

    #[test]
    fn sound_travels_at_the_handbook_speed() {
        // 343.2 m/s at 20 °C and 331.3 m/s at 0 °C (CRC Handbook, dry air; values from memory).
        assert!((speed_of_sound(20.0) - 343.2).abs() < 0.1 && (speed_of_sound(0.0) - 331.3).abs() < 1e-9);
    }

    #[test]
    fn a_hit_is_heard_after_its_travel_and_the_phones_lag() {
        let hit = Sounding { source: Source::Hit, place: Point3::new(1.0, 0.4, 1.0), session_seconds: 2.0 };
        for phone in [FENCE, GATE] {
            let listening = Listening {
                phone: &phone,
                place: Point3::new(8.0, -1.5, 1.9),
                clock: ClipClock { offset_seconds: 0.5, rate: 1.0 },
                duration_seconds: 2.5,
                air_celsius: 20.0,
                seed: 1,
            };
            let samples = listening.samples(&[hit]);
            let loudest = samples[..60_000].iter().fold(0.0_f32, |m, s| m.max(s.abs()));
            let first = samples.iter().position(|s| s.abs() > 3.0 * loudest).unwrap() as f64 / 48_000.0;
            let travel = (hit.place - listening.place).norm() / 343.2;
            let expected = 1.5 + travel + phone.sound_latency_seconds;
            assert!((first - expected).abs() < 0.0008, "{first} {expected}");
        }
    }
}
