//! Made-up sound for tests: ringing bursts heard by several phones, each with its own noise, gain, echo and clock.

use midline_session::footage::SoundTrack;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};

/// One burst: a few decaying tones and a decaying hiss that starts at `seconds` of true time.
#[derive(Clone)]
pub(crate) struct Sound {
    pub(crate) seconds: f64,
    loudness: f64,
    tones: Vec<[f64; 3]>,
    hiss_decay_seconds: f64,
    seed: u64,
}

impl Sound {
    /// Ball on strings.
    pub(crate) fn stroke(seconds: f64) -> Self {
        let seed = (seconds * 1e4) as u64;
        let mut random = StdRng::seed_from_u64(seed);
        let mut tone = |low: f64, high: f64, decay: f64| {
            [random.random_range(low..high), decay * random.random_range(0.7..1.3), random.random_range(0.2..0.5)]
        };
        let tones = vec![tone(450.0, 650.0, 0.02), tone(1100.0, 1500.0, 0.008), tone(2200.0, 4200.0, 0.004)];
        Self { seconds, loudness: 0.4, tones, hiss_decay_seconds: 0.003, seed }
    }

    /// Ball on ground: duller and weaker.
    pub(crate) fn bounce(seconds: f64) -> Self {
        let mut sound = Self::stroke(seconds);
        sound.loudness = 0.15;
        sound.tones.truncate(2);
        sound
    }

    fn at(&self, since: f64, hiss: f64) -> f64 {
        if since < 0.0 {
            return 0.0;
        }
        let ringing: f64 = self
            .tones
            .iter()
            .map(|[hz, decay, share]| share * (-since / decay).exp() * (std::f64::consts::TAU * hz * since).sin())
            .sum();
        self.loudness * (ringing + 0.5 * (-since / self.hiss_decay_seconds).exp() * hiss)
    }

    /// The hiss as a function of time: noise at 32 kHz, cubic between its samples, the same for every listener.
    fn hisses(&self) -> Vec<f64> {
        let mut random = StdRng::seed_from_u64(self.seed ^ 0xABCD);
        (0..2000).map(|_| StandardNormal.sample(&mut random)).collect()
    }
}

/// Everything that makes a sound.
pub(crate) struct Scene {
    pub(crate) sounds: Vec<Sound>,
    /// Length in true time.
    pub(crate) seconds: f64,
}

impl Scene {
    /// What a phone records whose clock reads `pts` at true time `offset + rate · pts`, from pts 0 on, with an echo after
    /// 23 ms (35 %) and its own noise of the given standard deviation.
    pub(crate) fn heard_by(
        &self,
        seed: u64,
        sample_rate_hz: f64,
        offset: f64,
        rate: f64,
        gain: f64,
        noise: f64,
    ) -> SoundTrack {
        let mut random = StdRng::seed_from_u64(seed);
        let count = ((self.seconds - offset) / rate * sample_rate_hz) as usize;
        let mut samples: Vec<f64> =
            (0..count).map(|_| noise * Distribution::<f64>::sample(&StandardNormal, &mut random)).collect();
        for sound in &self.sounds {
            let hisses = sound.hisses();
            for (delay, share) in [(0.0, 1.0), (0.023 + 1e-3 * (seed % 7) as f64, 0.35)] {
                let start = (sound.seconds + delay - offset) / rate * sample_rate_hz;
                let first = start.ceil().max(0.0) as usize;
                let last = ((start + 0.15 * sample_rate_hz).max(0.0) as usize).min(count);
                for (index, sample) in samples.iter_mut().enumerate().take(last).skip(first) {
                    let since = offset + rate * index as f64 / sample_rate_hz - sound.seconds - delay;
                    *sample += gain * share * sound.at(since, interpolated(&hisses, since * 32_000.0));
                }
            }
        }
        let samples = samples.into_iter().map(|s| s.clamp(-1.0, 1.0) as f32).collect();
        SoundTrack { sample_rate_hz, start_pts_seconds: 0.0, samples }
    }
}

/// A phone's microphone and gain control: a band of its own, and a gain that follows the loudness (attack 5 ms, release
/// 300 ms; common practice).
pub(crate) fn through_phone(track: &SoundTrack, low_hz: f64, high_hz: f64) -> SoundTrack {
    let share = |hz: f64| 1.0 - (-std::f64::consts::TAU * hz / track.sample_rate_hz).exp();
    let (low, high) = (share(low_hz), share(high_hz));
    let (attack, release) = (share(1.0 / (std::f64::consts::TAU * 0.005)), share(1.0 / (std::f64::consts::TAU * 0.3)));
    let (mut slow, mut smooth, mut loudness) = (0.0, 0.0, 0.0);
    let samples = track.samples.iter().map(|sample| {
        let sample = f64::from(*sample);
        slow += low * (sample - slow);
        smooth += high * (sample - slow - smooth);
        loudness += if smooth.abs() > loudness { attack } else { release } * (smooth.abs() - loudness);
        (0.1 * smooth / (0.02 + loudness)) as f32
    });
    SoundTrack { samples: samples.collect(), ..*track }
}

/// A crowd: noise between 300 Hz and 3 kHz that swells, of the given root mean square.
pub(crate) fn with_crowd(track: &mut SoundTrack, seed: u64, rms: f64) {
    let mut random = StdRng::seed_from_u64(seed);
    let mut noise: Vec<f64> =
        (0..track.samples.len()).map(|_| Distribution::<f64>::sample(&StandardNormal, &mut random)).collect();
    let (mut slow, mut smooth) = (0.0, 0.0);
    for (index, sample) in noise.iter_mut().enumerate() {
        slow += 0.04 * (*sample - slow);
        smooth += 0.33 * (*sample - slow - smooth);
        *sample = smooth * (1.0 + 0.7 * (9.0 * index as f64 / track.sample_rate_hz + seed as f64).sin());
    }
    let own = (noise.iter().map(|n| n * n).sum::<f64>() / noise.len() as f64).sqrt();
    for (sample, noise) in track.samples.iter_mut().zip(noise) {
        *sample += (noise * rms / own) as f32;
    }
}

/// The track after a phone's sound codec: AAC at 96 kbit/s by ffmpeg, there and back. The stream carries no edit list, so
/// the encoder's priming of 1024 samples is taken off here.
pub(crate) fn through_aac(track: &SoundTrack) -> SoundTrack {
    let rate = track.sample_rate_hz.to_string();
    let raw: Vec<u8> = track.samples.iter().flat_map(|s| s.to_le_bytes()).collect();
    let encoded = piped(&["-f", "f32le", "-ar", &rate, "-ac", "1", "-i", "-", "-b:a", "96k", "-f", "adts", "-"], raw);
    let decoded = piped(&["-f", "aac", "-i", "-", "-f", "f32le", "-"], encoded);
    let samples = decoded.chunks_exact(4).map(|b| f32::from_le_bytes(b.try_into().unwrap())).skip(1024).collect();
    SoundTrack { samples, ..*track }
}

fn piped(arguments: &[&str], input: Vec<u8>) -> Vec<u8> {
    use std::io::Write;
    use std::process::{Command, Stdio};
    let mut child = Command::new("ffmpeg")
        .args(["-v", "error"])
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let writer = std::thread::spawn(move || stdin.write_all(&input).unwrap());
    let output = child.wait_with_output().unwrap();
    writer.join().unwrap();
    assert!(output.status.success());
    output.stdout
}

/// Catmull-Rom interpolation at a fractional index; 0 outside.
fn interpolated(values: &[f64], position: f64) -> f64 {
    let index = position.floor();
    let t = position - index;
    let at = |offset: isize| {
        usize::try_from(index as isize + offset).ok().and_then(|i| values.get(i)).copied().unwrap_or(0.0)
    };
    let (a, b, c, d) = (at(-1), at(0), at(1), at(2));
    b + 0.5 * t * (c - a + t * (2.0 * a - 5.0 * b + 4.0 * c - d + t * (3.0 * (b - c) + d - a)))
}
