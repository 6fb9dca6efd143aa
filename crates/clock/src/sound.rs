//! Offset and rate of each camera from sound.
//!
//! Coarse: the curves of loudness rises of both tracks are correlated over all offsets. Fine: around single sounds the
//! samples themselves are correlated (generalised cross-correlation with phase transform, Knapp & Carter 1976), and a robust
//! line through these local offsets gives offset and rate. An offset counts only if enough single sounds agree with it.

use midline_session::calibration::{CameraClock, ClockCalibration, ClockEstimate, ClockSource};
use midline_session::footage::SoundTrack;
use midline_signal::correlation::Correlator;

use crate::level::{BAND_HZ, band_limited, energies, median};
use crate::line::{self, Line};
use crate::{ClockError, onsets};

/// Standard deviation of one phone's unknown latency between sound and picture, seconds. Common practice: what phones show
/// is within a few hundredths of a second.
pub const LATENCY_SD_SECONDS: f64 = 0.010;

/// Standard deviation of the unknown difference in travel time of the sound to two phones, seconds. Common practice: 1.7 m
/// of difference in distance to the player.
pub const PATH_SD_SECONDS: f64 = 0.005;

/// Shortest sound track that is compared, seconds.
const LEAST_SECONDS: f64 = 1.0;
/// Step of the loudness curves, seconds.
const STEP_SECONDS: f64 = 0.004;
/// Steps before an instant that its loudness is compared with.
const STEPS_BEFORE: usize = 4;
/// Offsets of the coarse search that are tried.
const CANDIDATES: usize = 8;
/// Distance between two of them, seconds.
const CANDIDATE_SECONDS: f64 = 0.05;
/// Most single sounds that are compared per offset.
const MOST_WINDOWS: usize = 60;
/// Length of a window before and after the attack in the reference track, seconds.
const BEFORE_SECONDS: f64 = 0.03;
const AFTER_SECONDS: f64 = 0.17;
/// How far a single sound may lie from the coarse offset, seconds: step of the loudness curve, and the path difference
/// between sounds made in different places.
const SEARCH_SECONDS: f64 = 0.03;
/// Height of a correlation peak over the root mean square of its surroundings, and over the second peak, that counts.
const LEAST_PROMINENCE: f64 = 6.0;
const LEAST_RATIO: f64 = 1.2;
/// Distance within which a second peak belongs to the first, seconds.
const SAME_PEAK_SECONDS: f64 = 0.0005;
/// How far a single sound may lie from the line to agree with it, seconds: what sounds from different places differ by.
const AGREES_SECONDS: f64 = 0.012;
/// Single sounds that must agree, in number and as a share of those compared. Between unrelated tracks about one window in a
/// hundred has a prominent peak at all (see the test on unrelated sound).
const LEAST_AGREEING: usize = 4;
const LEAST_SHARE: f64 = 0.2;

/// One camera's sound.
#[derive(Debug, Clone, Copy)]
pub struct CameraSound<'a> {
    /// The camera's name.
    pub camera: &'a str,
    /// Its sound.
    pub track: &'a SoundTrack,
}

/// Offset and rate of every camera against the first, from sound alone.
///
/// The covariance holds the scatter of the single sounds, a prior on the rate (100 ppm), and an allowance for what sound
/// cannot tell: each phone's latency between sound and picture ([`LATENCY_SD_SECONDS`], twice) and the difference in the
/// sound's travel ([`PATH_SD_SECONDS`]).
///
/// # Errors
/// With fewer than two cameras, a track that is silent or shorter than a second, or tracks without common sound.
pub fn from_sound(sounds: &[CameraSound]) -> Result<ClockCalibration, ClockError> {
    let [reference, others @ ..] = sounds else { return Err(ClockError::TooFewCameras { given: 0 }) };
    if others.is_empty() {
        return Err(ClockError::TooFewCameras { given: 1 });
    }
    let listened = Listened::to(reference, None)?;
    let mut cameras = vec![CameraClock {
        camera: reference.camera.to_owned(),
        offset_seconds: 0.0,
        rate: 1.0,
        covariance: [[0.0; 2]; 2],
        source: ClockSource::Reference,
        estimates: Vec::new(),
    }];
    let mut remarks = Vec::new();
    for other in others {
        let heard = Listened::to(other, Some(listened.rate_hz))?;
        let matched = matched(&listened, &heard)?;
        let (offset_seconds, fitted) = matched.line.at_zero();
        let allowance = 2.0 * LATENCY_SD_SECONDS.powi(2) + PATH_SD_SECONDS.powi(2);
        let covariance = [[fitted[0][0] + allowance, fitted[0][1]], fitted[1]];
        remarks.push(format!(
            "Camera {}: {} of {} sounds agree on its offset, {:.1} s in common, scatter {:.2} ms; rate {:+.1} ± {:.1} ppm. \
             Sound cannot tell the phones' latency: allowance {:.0} ms (standard deviation).",
            other.camera,
            matched.agreeing,
            matched.tried,
            matched.overlap_seconds,
            matched.scatter_seconds * 1e3,
            matched.line.slope * 1e6,
            fitted[1][1].sqrt() * 1e6,
            allowance.sqrt() * 1e3,
        ));
        let clock = CameraClock {
            camera: other.camera.to_owned(),
            offset_seconds,
            rate: 1.0 + matched.line.slope,
            covariance,
            source: ClockSource::Sound,
            estimates: Vec::new(),
        };
        let estimate = ClockEstimate {
            method: ClockSource::Sound,
            offset_seconds,
            sd_seconds: clock.sd_seconds(matched.line.centre),
            n: matched.agreeing,
        };
        cameras.push(CameraClock { estimates: vec![estimate], ..clock });
    }
    Ok(ClockCalibration { reference: reference.camera.to_owned(), cameras, remarks })
}

/// A track made ready for comparison.
struct Listened<'a> {
    camera: &'a str,
    start_seconds: f64,
    rate_hz: f64,
    samples: Vec<f64>,
    /// Rise of loudness per step.
    rises: Vec<f64>,
    /// Times of its attacks, presentation time.
    attacks: Vec<f64>,
}

impl<'a> Listened<'a> {
    /// `rate_hz`: the rate that the samples are brought to, the track's own when `None`.
    fn to(sound: &CameraSound<'a>, rate_hz: Option<f64>) -> Result<Self, ClockError> {
        let (camera, track) = (sound.camera, sound.track);
        let seconds = track.samples.len() as f64 / track.sample_rate_hz;
        if seconds.is_nan() || seconds < LEAST_SECONDS {
            return Err(ClockError::TooShort { camera: camera.to_owned(), seconds, needed: LEAST_SECONDS });
        }
        let limited = band_limited(track);
        if limited.iter().all(|s| s.abs() < 1e-7) {
            return Err(ClockError::Silent { camera: camera.to_owned() });
        }
        let mut attacks = onsets(track);
        attacks.sort_by(|a, b| b.strength.total_cmp(&a.strength));
        let rate_hz = rate_hz.unwrap_or(track.sample_rate_hz);
        Ok(Self {
            camera,
            start_seconds: track.start_pts_seconds,
            rate_hz,
            rises: loudness_rises(&energies(&limited, track.sample_rate_hz, STEP_SECONDS)),
            samples: resampled(limited, track.sample_rate_hz, rate_hz),
            attacks: attacks.iter().map(|o| o.pts_seconds).collect(),
        })
    }

    fn end_seconds(&self) -> f64 {
        self.start_seconds + self.samples.len() as f64 / self.rate_hz
    }

    /// The samples between two times, faded in and out, and the time of the first; `None` when the track does not reach.
    fn window(&self, from: f64, to: f64) -> Option<(f64, Vec<f64>)> {
        let index = |t: f64| ((t - self.start_seconds) * self.rate_hz).round();
        let (first, last) = (index(from), index(to));
        if first < 0.0 || last > self.samples.len() as f64 || last <= first {
            return None;
        }
        let mut part = self.samples[first as usize..last as usize].to_vec();
        // 2 ms, so that the cut itself is not heard.
        let fade = ((0.002 * self.rate_hz) as usize).min(part.len() / 2);
        let length = part.len();
        for n in 0..fade {
            let share = 0.5 - 0.5 * (std::f64::consts::PI * n as f64 / fade as f64).cos();
            part[n] *= share;
            part[length - 1 - n] *= share;
        }
        Some((self.start_seconds + first / self.rate_hz, part))
    }
}

/// By how much the loudness of each step exceeds the mean of those before; never negative. Loudness is the logarithm of the
/// energy over the median, so that noise of its own level says little and a gain says nothing.
fn loudness_rises(energy: &[f64]) -> Vec<f64> {
    let usual = median(energy).max(1e-12);
    let loudness: Vec<f64> = energy.iter().map(|e| (1.0 + e / usual).ln()).collect();
    let mut rises = vec![0.0; loudness.len().min(STEPS_BEFORE)];
    rises.extend(loudness.windows(STEPS_BEFORE + 1).map(|w| {
        let before = w[..STEPS_BEFORE].iter().sum::<f64>() / STEPS_BEFORE as f64;
        (w[STEPS_BEFORE] - before).max(0.0)
    }));
    let mean = rises.iter().sum::<f64>() / rises.len().max(1) as f64;
    for rise in &mut rises {
        *rise -= mean;
    }
    rises
}

/// The signal at another rate, cubic between its samples (Catmull & Rom 1974); it is limited in band already.
fn resampled(signal: Vec<f64>, from_hz: f64, to_hz: f64) -> Vec<f64> {
    if (from_hz - to_hz).abs() < 1e-9 {
        return signal;
    }
    let step = from_hz / to_hz;
    let count = (signal.len() as f64 / step) as usize;
    let at = |index: isize| usize::try_from(index).ok().and_then(|i| signal.get(i)).copied().unwrap_or(0.0);
    (0..count)
        .map(|n| {
            let position = n as f64 * step;
            let (index, t) = (position.floor() as isize, position.fract());
            let (a, b, c, d) = (at(index - 1), at(index), at(index + 1), at(index + 2));
            b + 0.5 * t * (c - a + t * (2.0 * a - 5.0 * b + 4.0 * c - d + t * (3.0 * (b - c) + d - a)))
        })
        .collect()
}

/// How two tracks fit together.
struct Matched {
    line: Line,
    agreeing: usize,
    tried: usize,
    overlap_seconds: f64,
    scatter_seconds: f64,
}

fn matched(reference: &Listened, other: &Listened) -> Result<Matched, ClockError> {
    let mut correlator = Correlator::default();
    let correlation = |source| ClockError::Correlation { camera: other.camera.to_owned(), source };
    let margin = (LEAST_SECONDS / STEP_SECONDS) as isize;
    let lags = margin - other.rises.len().cast_signed()..=reference.rises.len().cast_signed() - margin;
    let coarse = correlator
        .phase_correlation(&reference.rises, &other.rises, lags, 0.002..0.4)
        .map_err(correlation)?
        .peaks(CANDIDATES, CANDIDATE_SECONDS / STEP_SECONDS);
    let mut best: Option<(Matched, f64, f64)> = None;
    for peak in &coarse {
        let offset = reference.start_seconds - other.start_seconds + peak.lag_samples * STEP_SECONDS;
        let candidate = compared(&mut correlator, reference, other, offset).map_err(correlation)?;
        if best.as_ref().is_none_or(|(b, _, _)| candidate.agreeing > b.agreeing) {
            best = Some((candidate, offset, peak.height));
        }
        // More than half agree: no other offset can have that many.
        if best.as_ref().is_some_and(|(b, _, _)| b.agreeing > needed(b.tried) && 2 * b.agreeing > b.tried) {
            break;
        }
    }
    let peak = coarse.first().map_or(0.0, |p| p.height);
    let refused = |b: Option<&(Matched, f64, f64)>| ClockError::NoCommonSound {
        reference: reference.camera.to_owned(),
        camera: other.camera.to_owned(),
        offset_seconds: b.map_or(0.0, |b| b.1),
        overlap_seconds: b.map_or(0.0, |b| b.0.overlap_seconds),
        agreeing: b.map_or(0, |b| b.0.agreeing),
        tried: b.map_or(0, |b| b.0.tried),
        needed: needed(b.map_or(0, |b| b.0.tried)),
        peak: b.map_or(peak, |b| b.2),
    };
    match best {
        Some(found) if found.0.agreeing >= needed(found.0.tried) => Ok(found.0),
        found => Err(refused(found.as_ref())),
    }
}

fn needed(tried: usize) -> usize {
    LEAST_AGREEING.max((LEAST_SHARE * tried as f64).ceil() as usize)
}

/// Compares single sounds of both tracks near a coarse offset.
fn compared(
    correlator: &mut Correlator,
    reference: &Listened,
    other: &Listened,
    offset: f64,
) -> Result<Matched, midline_signal::correlation::CorrelationError> {
    let from = reference.start_seconds.max(other.start_seconds + offset);
    let to = reference.end_seconds().min(other.end_seconds() + offset);
    let search = SEARCH_SECONDS + line::RATE_SD * (to - from).max(0.0);
    let centres = centres(reference, from + BEFORE_SECONDS + search, to - AFTER_SECONDS - search);
    let rate = reference.rate_hz;
    let band = BAND_HZ.start / rate..(BAND_HZ.end / rate).min(0.4);
    let mut points: Vec<(f64, f64)> = Vec::new();
    for centre in &centres {
        let Some((first_start, first)) = reference.window(centre - BEFORE_SECONDS, centre + AFTER_SECONDS) else { continue };
        let there = centre - offset;
        let Some((second_start, second)) =
            other.window(there - BEFORE_SECONDS - search, there + AFTER_SECONDS + search)
        else {
            continue;
        };
        // Lag 0 is where both windows begin together; sought are lags around the coarse offset.
        let lag_of = |local_offset: f64| (local_offset - (first_start - second_start)) * rate;
        let lags = lag_of(offset - search).floor() as isize..=lag_of(offset + search).ceil() as isize;
        let found = match correlator.phase_correlation(&first, &second, lags, band.clone()) {
            Ok(found) => found,
            // Nothing to hear in this window.
            Err(midline_signal::correlation::CorrelationError::Silent { .. }) => continue,
            Err(e) => return Err(e),
        };
        let rms = (found.values.iter().map(|v| v * v).sum::<f64>() / found.values.len().max(1) as f64).sqrt();
        let peaks = found.peaks(2, SAME_PEAK_SECONDS * rate);
        let Some(first_peak) = peaks.first() else { continue };
        let second_height = peaks.get(1).map_or(0.0, |p| p.height);
        if first_peak.height >= LEAST_PROMINENCE * rms && first_peak.height >= LEAST_RATIO * second_height {
            let local_offset = first_start - second_start + first_peak.lag_samples / rate;
            points.push((centre - local_offset, local_offset));
        }
    }
    let line = line::fit(&points);
    let agreeing: Vec<(f64, f64)> = line.map_or_else(Vec::new, |line| {
        points.into_iter().filter(|(x, y)| (y - line.at(*x)).abs() < AGREES_SECONDS).collect()
    });
    let scattered: Vec<f64> = line.map_or_else(Vec::new, |l| agreeing.iter().map(|(x, y)| y - l.at(*x)).collect());
    let line = line::fit(&agreeing).or(line);
    Ok(Matched {
        // Without two points there is no line, and too few agree to use it.
        line: line.unwrap_or(Line { centre: 0.0, level: offset, slope: 0.0, covariance: [[0.0; 2]; 2] }),
        agreeing: agreeing.len(),
        tried: centres.len(),
        overlap_seconds: (to - from).max(0.0),
        scatter_seconds: crate::level::robust_sd(&scattered, 0.0),
    })
}

/// Times in the reference track around which to compare: its strongest attacks, or a regular grid where there are few.
fn centres(reference: &Listened, from: f64, to: f64) -> Vec<f64> {
    let mut centres: Vec<f64> =
        reference.attacks.iter().copied().filter(|t| (from..to).contains(t)).take(MOST_WINDOWS).collect();
    if centres.len() < 2 * LEAST_AGREEING && to > from {
        let count = MOST_WINDOWS.min(((to - from) / (BEFORE_SECONDS + AFTER_SECONDS)) as usize).max(1);
        centres.extend((0..count).map(|k| from + (to - from) * (k as f64 + 0.5) / count as f64));
    }
    centres
}
