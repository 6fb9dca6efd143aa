//! Offset and rate of each camera from sound.
//!
//! Coarse: the curves of loudness rises of both tracks are correlated over all offsets. Fine: around single sounds the
//! samples themselves are correlated (generalised cross-correlation with phase transform, Knapp & Carter 1976), and a robust
//! line through these local offsets gives offset and rate. An offset counts only if enough single sounds agree with it. The
//! whole overlap, correlated at once ([`crate::sound_overlap`]), checks it, and finds it where no single sounds stand out.

use midline_session::calibration::{CameraClock, ClockCalibration, ClockEstimate, ClockSource};
use midline_session::footage::SoundTrack;
use midline_signal::correlation::{CorrelationError, Correlator, Peak};
use rayon::iter::{IntoParallelRefIterator, ParallelIterator};

use crate::estimate::reference_clock;
use crate::level::{BAND_HZ, band_limited, energies, median};
use crate::line::{self, Line};
use crate::sound_network::{Joined, Link, joined, loops};
use crate::sound_overlap::{Overlap, overlap};
use crate::surroundings::LEFT_SD_SECONDS;
use crate::{ClockError, Surroundings, onsets};

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
pub(crate) const SAME_PEAK_SECONDS: f64 = 0.0005;
/// How far a single sound may lie from the line to agree with it, seconds. Sounds of one place agree closely; those of
/// different places differ by the way that the sound travels. The narrowest that makes the agreement least likely counts.
const AGREES_SECONDS: [f64; 4] = [0.000_5, 0.001, 0.003, 0.006];
/// Single sounds that must agree, and how unlikely that must be between unrelated tracks at one offset (logarithm to base
/// 10). An offset is the best of tens of thousands, so a chance of one in ten million is left to one in a few hundred.
const LEAST_AGREEING: usize = 4;
const LEAST_UNLIKELY: f64 = -7.0;
/// A sound that is alone in agreeing must be recognised by its own shape: height of its peak over the root mean square around
/// it and over the second peak; another offset must have none of nearly this height. Single strokes of
/// different sound reach 11 (test `unrelated_sound…`), the same stroke heard twice has 24.
const LONE_PROMINENCE: f64 = 15.0;
const LONE_RATIO: f64 = 1.6;
const LONE_ADVANTAGE: f64 = 1.4;
/// Standard deviation of an offset that rests on one sound, seconds: nothing tells whether it is that of a direct way.
const LONE_SD_SECONDS: f64 = 0.004;
/// How far the whole overlap may lie from the single sounds besides what both state, seconds and standard deviations: sounds
/// of different places travel differently (2 m of path).
const OVERLAP_SECONDS: f64 = 0.006;
const OVERLAP_SDS: f64 = 3.0;
/// Coarse offsets that the whole overlap is tried at where single sounds do not tell.
const OVERLAP_CANDIDATES: usize = 4;

/// Power of the difference of two tracks, as a share of their own, below which they are the same recording: a copy that was
/// encoded again differs by some hundredths, two microphones by more than their own.
const SAME_SHARE: f64 = 0.05;

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
/// sound's travel ([`PATH_SD_SECONDS`]). All pairs are compared: they close loops, and join cameras that overlap only in turn.
///
/// # Errors
/// With fewer than two cameras, a track that is silent or shorter than a second, or tracks without common sound.
pub fn from_sound(sounds: &[CameraSound]) -> Result<ClockCalibration, ClockError> {
    clocks(sounds, None)
}

/// [`from_sound`], with the sound's travel taken off where the surroundings are known.
pub(crate) fn clocks(
    sounds: &[CameraSound],
    surroundings: Option<&Surroundings>,
) -> Result<ClockCalibration, ClockError> {
    let [reference, others @ ..] = sounds else { return Err(ClockError::TooFewCameras { given: 0 }) };
    if others.is_empty() {
        return Err(ClockError::TooFewCameras { given: 1 });
    }
    let reference = Listened::to(reference, None)?;
    let rate_hz = reference.rate_hz;
    let mut listened = vec![reference];
    for other in others {
        listened.push(Listened::to(other, Some(rate_hz))?);
    }
    let pairs: Vec<(usize, usize)> =
        (0..listened.len()).flat_map(|a| (a + 1..listened.len()).map(move |b| (a, b))).collect();
    let found: Vec<Result<Matched, ClockError>> =
        pairs.par_iter().map(|(a, b)| pair(&listened[*a], &listened[*b], surroundings)).collect();
    let (mut links, mut remarks, mut sounds, mut apart) = (Vec::new(), Vec::new(), vec![0; listened.len()], Vec::new());
    for (&(first, second), found) in pairs.iter().zip(found) {
        let matched = match found {
            Ok(matched) => matched,
            // Another camera may join them.
            Err(error @ ClockError::NoCommonSound { .. }) => {
                apart.push((second, error));
                continue;
            }
            Err(error) => return Err(error),
        };
        let common_sd_seconds = if matched.corrected { LEFT_SD_SECONDS } else { PATH_SD_SECONDS };
        let (one, two) = (listened[first].camera, listened[second].camera);
        remarks.push(matched.remark(one, two));
        remarks.extend(matched.check_remark(one, two));
        sounds[first] += matched.agreeing;
        sounds[second] += matched.agreeing;
        links.push(Link { first, second, line: matched.line, common_sd_seconds });
    }
    remarks.extend(loop_remarks(&listened, &links));
    let mut cameras = vec![reference_clock(listened[0].camera)];
    for (index, joined) in joined(listened.len(), &links).into_iter().enumerate().skip(1) {
        let Some(joined) = joined else {
            let with_reference = apart.into_iter().find(|(camera, _)| *camera == index).map(|(_, error)| error);
            return Err(with_reference.unwrap_or(ClockError::Silent { camera: listened[index].camera.to_owned() }));
        };
        cameras.push(clock_of(listened[index].camera, &joined, &links, index, sounds[index]));
    }
    remarks.push(format!(
        "Sound cannot tell the phones' latency: allowance {:.0} ms between two phones (standard deviation).",
        2.0_f64.sqrt() * LATENCY_SD_SECONDS * 1e3
    ));
    Ok(ClockCalibration { reference: listened[0].camera.to_owned(), cameras, read_outs: Vec::new(), remarks })
}

/// How two tracks fit together, the sound's travel taken off where the surroundings tell it.
fn pair(first: &Listened, second: &Listened, surroundings: Option<&Surroundings>) -> Result<Matched, ClockError> {
    let mut matched = matched(first, second)?;
    refuse_same_sound(first, second, &matched)?;
    // The whole overlap has no single places that its sounds came from.
    let single = !matches!(matched.overlap, Some((_, Check::Alone)));
    matched.corrected = single && surroundings.is_some_and(|s| matched.correct_travel(s, first.camera, second.camera));
    // A contradiction of the whole overlap widens the offset by itself.
    if let Some((overlap, check @ Check::Against { apart, .. })) = &matched.overlap
        && overlap.is_clear()
        && !check.agrees()
    {
        matched.line.covariance[0][0] += apart * apart;
    }
    Ok(matched)
}

fn clock_of(camera: &str, joined: &Joined, links: &[Link], index: usize, sounds: usize) -> CameraClock {
    let Joined { offset_seconds, rate, mut covariance } = *joined;
    covariance[0][0] += 2.0 * LATENCY_SD_SECONDS.powi(2);
    let clock = CameraClock {
        camera: camera.to_owned(),
        offset_seconds,
        rate,
        covariance,
        source: ClockSource::Sound,
        estimates: Vec::new(),
    };
    let heard = links.iter().find(|l| l.second == index || l.first == index).map_or(0.0, |l| l.line.centre);
    let estimate =
        ClockEstimate { method: ClockSource::Sound, offset_seconds, sd_seconds: clock.sd_seconds(heard), n: sounds };
    CameraClock { estimates: vec![estimate], ..clock }
}

/// How well the offsets close around each loop of three cameras.
fn loop_remarks(listened: &[Listened], links: &[Link]) -> Vec<String> {
    loops(listened.len(), links)
        .into_iter()
        .map(|([a, b, c], gap, sd, wrong)| {
            let verdict = if wrong {
                "they contradict each other, and all three clocks are stated wider: check that these clips are whole"
            } else {
                "they agree"
            };
            format!(
                "Loop of cameras {}, {}, {}: the offsets from each pair's sound sum to {:+.2} ± {:.2} ms; {verdict}.",
                listened[a].camera,
                listened[b].camera,
                listened[c].camera,
                gap * 1e3,
                sd * 1e3
            )
        })
        .collect()
}

/// A track made ready for comparison.
pub(crate) struct Listened<'a> {
    camera: &'a str,
    pub(crate) start_seconds: f64,
    pub(crate) rate_hz: f64,
    samples: Vec<f64>,
    /// Rise of loudness per step.
    rises: Vec<f64>,
    /// Times of its attacks, presentation time.
    attacks: Vec<f64>,
}

impl<'a> Listened<'a> {
    /// `rate_hz`: the rate that the samples are brought to, the track's own when `None`.
    pub(crate) fn to(sound: &CameraSound<'a>, rate_hz: Option<f64>) -> Result<Self, ClockError> {
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

    pub(crate) fn end_seconds(&self) -> f64 {
        self.start_seconds + self.samples.len() as f64 / self.rate_hz
    }

    /// The samples between two times, faded in and out, and the time of the first; `None` when the track does not reach.
    fn window(&self, from: f64, to: f64) -> Option<(f64, Vec<f64>)> {
        let index = |t: f64| ((t - self.start_seconds) * self.rate_hz).round();
        self.part(from, (index(to) - index(from)).max(0.0) as usize)
    }

    /// As many samples from a time on, likewise.
    pub(crate) fn part(&self, from: f64, count: usize) -> Option<(f64, Vec<f64>)> {
        let first = ((from - self.start_seconds) * self.rate_hz).round();
        let last = first + count as f64;
        if first < 0.0 || last > self.samples.len() as f64 || count == 0 {
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
    /// Sounds that agree: presentation time in the other track, local offset.
    points: Vec<(f64, f64)>,
    agreeing: usize,
    tried: usize,
    overlap_seconds: f64,
    scatter_seconds: f64,
    /// Logarithm to base 10 of the chance that so many sounds agree between unrelated tracks.
    chance_log10: f64,
    /// The sound that is clearest recognised by its own shape, should it be the only one.
    lone: Option<Lone>,
    /// Whether the sound's travel has been taken off.
    corrected: bool,
    /// What the whole overlap says, and how single sounds lie to it.
    overlap: Option<(Overlap, Check)>,
}

/// Single sounds against the whole overlap.
#[derive(Debug, Clone, Copy)]
enum Check {
    /// There are none: the offset is the whole overlap's.
    Alone,
    /// Offset from single sounds in their middle, by how much the whole overlap's is larger, and the standard deviation of
    /// that, seconds.
    Against { offset: f64, apart: f64, sd: f64 },
}

impl Check {
    fn agrees(&self) -> bool {
        match self {
            Self::Alone => true,
            Self::Against { apart, sd, .. } => apart.abs() <= OVERLAP_SECONDS + OVERLAP_SDS * sd,
        }
    }
}

/// One sound that both tracks hold.
#[derive(Debug, Clone, Copy)]
struct Lone {
    /// Presentation time in the other track, local offset.
    point: (f64, f64),
    prominence: f64,
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
    let offset_of = |peak: &Peak| reference.start_seconds - other.start_seconds + peak.lag_samples * STEP_SECONDS;
    let mut best: Option<Matched> = None;
    let mut others: Vec<Matched> = Vec::new();
    for peak in &coarse {
        let candidate = compared(&mut correlator, reference, other, offset_of(peak)).map_err(correlation)?;
        // Nearly all sounds agree: no other offset can have many.
        let certain = candidate.is_enough() && 10 * candidate.agreeing > 9 * candidate.tried;
        let better = best.as_ref().is_none_or(|b| candidate.chance_log10 < b.chance_log10);
        others.extend(if better { best.replace(candidate) } else { Some(candidate) });
        if certain {
            break;
        }
    }
    match best {
        Some(found) if found.is_enough() => {
            refuse_jump(reference.camera, other.camera, &found, &others)?;
            let all = overlap(reference, other, found.line.at(found.line.centre)).map_err(correlation)?;
            Ok(found.checked(all))
        }
        found => match alone(found.iter().chain(&others)) {
            Some((of, lone)) => {
                let all = overlap(reference, other, lone.point.1).map_err(correlation)?;
                Ok(Matched::of_one(of, lone).checked(all))
            }
            None => {
                let offsets = coarse.iter().take(OVERLAP_CANDIDATES).map(offset_of);
                let clearest = clearest_overlap(reference, other, offsets).map_err(correlation)?;
                clearest.filter(Overlap::is_enough).map(Matched::of_overlap).ok_or_else(|| ClockError::NoCommonSound {
                    reference: reference.camera.to_owned(),
                    camera: other.camera.to_owned(),
                    offset_seconds: found.as_ref().map_or(0.0, |f| f.line.at(f.line.centre)),
                    overlap_seconds: found.as_ref().map_or(0.0, |f| f.overlap_seconds),
                    agreeing: found.as_ref().map_or(0, |f| f.agreeing),
                    tried: found.as_ref().map_or(0, |f| f.tried),
                    chance_log10: found.as_ref().map_or(0.0, |f| f.chance_log10),
                    needed_log10: LEAST_UNLIKELY,
                })
            }
        },
    }
}

/// Of some coarse offsets the one at which the whole overlap has the highest peak.
fn clearest_overlap(
    reference: &Listened,
    other: &Listened,
    offsets: impl Iterator<Item = f64>,
) -> Result<Option<Overlap>, CorrelationError> {
    let mut best: Option<Overlap> = None;
    for offset in offsets {
        let found = overlap(reference, other, offset)?;
        let height = |overlap: &Option<Overlap>| overlap.as_ref().map_or(0.0, |o| o.prominence);
        if height(&found) > height(&best) {
            best = found;
        }
    }
    Ok(best)
}

/// The one sound that both tracks hold for certain, with the comparison that found it.
fn alone<'a>(compared: impl Iterator<Item = &'a Matched>) -> Option<(&'a Matched, Lone)> {
    let mut found: Vec<(&Matched, Lone)> = compared.filter_map(|m| Some((m, m.lone?))).collect();
    found.sort_by(|a, b| b.1.prominence.total_cmp(&a.1.prominence));
    let best = *found.first()?;
    // Near-by offsets may have found the same sound.
    let rival = found.iter().find(|(_, lone)| (lone.point.1 - best.1.point.1).abs() > SAME_PEAK_SECONDS);
    let clear = rival.is_none_or(|(_, rival)| best.1.prominence >= LONE_ADVANTAGE * rival.prominence);
    (best.1.prominence >= LONE_PROMINENCE && clear).then_some(best)
}

/// Refuses a clock that has one offset before an instant and another after it.
fn refuse_jump(reference: &str, camera: &str, found: &Matched, others: &[Matched]) -> Result<(), ClockError> {
    let span = |m: &Matched| {
        m.points.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(from, to), p| (from.min(p.0), to.max(p.0)))
    };
    let (from, to) = span(found);
    for other in others.iter().filter(|other| other.is_enough()) {
        let (other_from, other_to) = span(other);
        let jump = other.line.level - found.line.level;
        if jump.abs() < CANDIDATE_SECONDS || (other_from < to && from < other_to) {
            continue;
        }
        let (first, second, change) = if to <= other_from { (found, other, jump) } else { (other, found, -jump) };
        return Err(ClockError::Jump {
            reference: reference.to_owned(),
            camera: camera.to_owned(),
            jump_seconds: change,
            at_seconds: 0.5 * (span(first).1 + span(second).0),
            before: first.agreeing,
            after: second.agreeing,
        });
    }
    Ok(())
}

/// Refuses two tracks that are equal sample by sample: no two microphones are.
fn refuse_same_sound(reference: &Listened, other: &Listened, matched: &Matched) -> Result<(), ClockError> {
    let middle = matched.line.centre;
    let shift = middle + matched.line.at(middle) - reference.start_seconds - (middle - other.start_seconds);
    let lag = (shift * reference.rate_hz).round() as isize;
    let (mut difference, mut power) = (0.0, 0.0);
    for (index, a) in reference.samples.iter().enumerate() {
        let there = usize::try_from(index.cast_signed() - lag).ok().and_then(|i| other.samples.get(i));
        if let Some(b) = there {
            difference += (a - b) * (a - b);
            power += a * a;
        }
    }
    if power > 0.0 && difference < SAME_SHARE * power {
        return Err(ClockError::SameRecording {
            reference: reference.camera.to_owned(),
            camera: other.camera.to_owned(),
            what: "sound",
        });
    }
    Ok(())
}

impl Matched {
    /// What one sound alone tells: an offset, and nothing of the rate.
    fn of_one(compared: &Matched, lone: Lone) -> Self {
        let (centre, level) = lone.point;
        let covariance = [[LONE_SD_SECONDS.powi(2), 0.0], [0.0, line::RATE_SD.powi(2)]];
        Self {
            line: Line { centre, level, slope: 0.0, covariance },
            points: vec![lone.point],
            agreeing: 1,
            scatter_seconds: 0.0,
            tried: compared.tried,
            overlap_seconds: compared.overlap_seconds,
            chance_log10: compared.chance_log10,
            lone: Some(lone),
            corrected: false,
            overlap: None,
        }
    }

    /// What the whole overlap tells without single sounds; its sections stand for them.
    fn of_overlap(overlap: Overlap) -> Self {
        let residuals: Vec<f64> = overlap.points.iter().map(|(x, y)| y - overlap.line.at(*x)).collect();
        Self {
            line: overlap.line,
            points: overlap.points.clone(),
            agreeing: overlap.points.len(),
            tried: overlap.sections,
            overlap_seconds: overlap.seconds,
            scatter_seconds: crate::level::robust_sd(&residuals, 0.0),
            chance_log10: 0.0,
            lone: None,
            corrected: false,
            overlap: Some((overlap, Check::Alone)),
        }
    }

    /// Holds the single sounds against the whole overlap.
    fn checked(mut self, overlap: Option<Overlap>) -> Self {
        self.overlap = overlap.map(|overlap| {
            let pts = self.line.centre;
            let variance = |line: &Line| line.covariance[0][0] + (pts - line.centre).powi(2) * line.covariance[1][1];
            let offset = self.line.at(pts);
            let (apart, sd) = (overlap.line.at(pts) - offset, (variance(&self.line) + variance(&overlap.line)).sqrt());
            (overlap, Check::Against { offset, apart, sd })
        });
        self
    }

    /// How single sounds lie to the whole overlap, a sentence.
    fn check_remark(&self, first: &str, second: &str) -> Option<String> {
        let (overlap, check) = self.overlap.as_ref()?;
        let Check::Against { offset, apart, sd } = check else { return None };
        let (seconds, peak) = (overlap.seconds, overlap.prominence);
        if !overlap.is_clear() {
            return Some(format!(
                "Cameras {first} and {second}: {seconds:.0} s in common, correlated at once, show no clear peak ({peak:.1} times its \
                 surroundings); the offset rests on single sounds."
            ));
        }
        let verdict = if check.agrees() {
            "they agree"
        } else {
            "they DISAGREE, and the offset is stated wider: check that both clips are whole"
        };
        Some(format!(
            "Cameras {first} and {second}: single sounds say {:.2} ms, {seconds:.0} s in common at once {:.2} ms (difference {:+.3} ± \
             {:.3} ms, peak {peak:.0} times its surroundings); {verdict}.",
            offset * 1e3,
            (offset + apart) * 1e3,
            apart * 1e3,
            sd * 1e3
        ))
    }

    fn remark(&self, first: &str, second: &str) -> String {
        let (fitted_rate_sd, travel) =
            (self.line.covariance[1][1].sqrt() * 1e6, if self.corrected { "taken off" } else { "not known" });
        let rests = if let Some((overlap, Check::Alone)) = &self.overlap {
            format!(
                "no single sounds stand out; all that both hear, correlated at once, gives the offset (peak {:.0} times its surroundings; {} \
                 of {} sections agree, scatter {:.2} ms)",
                overlap.prominence,
                self.agreeing,
                self.tried,
                self.scatter_seconds * 1e3
            )
        } else if self.agreeing == 1 {
            format!(
                "one sound, recognised by its shape (its peak is {:.0} times its surroundings), gives the offset to {:.0} ms; clap three \
                 times for more",
                self.lone.map_or(0.0, |lone| lone.prominence),
                LONE_SD_SECONDS * 1e3
            )
        } else {
            format!(
                "{} of {} sounds agree on the offset (chance 10^{:.0}), scatter {:.2} ms",
                self.agreeing,
                self.tried,
                self.chance_log10,
                self.scatter_seconds * 1e3
            )
        };
        format!(
            "Cameras {first} and {second}: {rests}; {:.1} s in common, the sound's travel {travel}, rate {:+.1} ± {fitted_rate_sd:.1} ppm.",
            self.overlap_seconds,
            self.line.slope * 1e6
        )
    }

    /// Takes the difference of the sound's travel off every local offset and fits the line anew; `false` where too few
    /// sources were seen.
    fn correct_travel(&mut self, surroundings: &Surroundings, reference: &str, camera: &str) -> bool {
        let corrected: Vec<(f64, f64)> = self
            .points
            .iter()
            .filter_map(|(pts, offset)| {
                Some((*pts, offset + surroundings.later_seconds((reference, pts + offset), (camera, *pts))?))
            })
            .collect();
        if 2 * corrected.len() < self.points.len() {
            return false;
        }
        // One sound has no line of its own.
        let moved = |p: &(f64, f64)| Line { centre: p.0, level: p.1, ..self.line };
        let Some(line) = line::fit(&corrected).or_else(|| corrected.first().map(moved)) else { return false };
        let residuals: Vec<f64> = corrected.iter().map(|(x, y)| y - line.at(*x)).collect();
        self.scatter_seconds = crate::level::robust_sd(&residuals, 0.0);
        (self.line, self.points) = (line, corrected);
        true
    }

    fn is_enough(&self) -> bool {
        self.agreeing >= LEAST_AGREEING && self.chance_log10 <= LEAST_UNLIKELY
    }
}

/// Compares single sounds of both tracks near a coarse offset.
fn compared(
    correlator: &mut Correlator,
    reference: &Listened,
    other: &Listened,
    offset: f64,
) -> Result<Matched, CorrelationError> {
    let from = reference.start_seconds.max(other.start_seconds + offset);
    let to = reference.end_seconds().min(other.end_seconds() + offset);
    let search = SEARCH_SECONDS + line::RATE_SD * (to - from).max(0.0);
    let centres = centres(reference, from + BEFORE_SECONDS + search, to - AFTER_SECONDS - search);
    let rate = reference.rate_hz;
    let band = BAND_HZ.start / rate..(BAND_HZ.end / rate).min(0.4);
    let mut points: Vec<(f64, f64)> = Vec::new();
    let mut lone: Option<Lone> = None;
    for centre in &centres {
        let Some((first_start, first)) = reference.window(centre - BEFORE_SECONDS, centre + AFTER_SECONDS) else {
            continue;
        };
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
            Err(CorrelationError::Silent { .. }) => continue,
            Err(e) => return Err(e),
        };
        let rms = (found.values.iter().map(|v| v * v).sum::<f64>() / found.values.len().max(1) as f64).sqrt();
        let peaks = found.peaks(2, SAME_PEAK_SECONDS * rate);
        let Some(first_peak) = peaks.first() else { continue };
        let second_height = peaks.get(1).map_or(0.0, |p| p.height);
        if first_peak.height >= LEAST_PROMINENCE * rms && first_peak.height >= LEAST_RATIO * second_height {
            let local_offset = first_start - second_start + first_peak.lag_samples / rate;
            let point = (centre - local_offset, local_offset);
            points.push(point);
            let prominence = first_peak.height / rms;
            let clearer = lone.is_none_or(|lone| prominence > lone.prominence);
            if clearer && first_peak.height >= LONE_RATIO * second_height {
                lone = Some(Lone { point, prominence });
            }
        }
    }
    let (line, agreeing, chance_log10) = agreement(&points, search);
    let residuals: Vec<f64> = agreeing.iter().map(|(x, y)| y - line.at(*x)).collect();
    Ok(Matched {
        line,
        agreeing: agreeing.len(),
        points: agreeing,
        tried: centres.len(),
        overlap_seconds: (to - from).max(0.0),
        scatter_seconds: crate::level::robust_sd(&residuals, 0.0),
        chance_log10,
        lone,
        corrected: false,
        overlap: None,
    })
}

/// The line with which the points (time, offset) agree least likely by chance, the points that do, and the logarithm of that
/// chance. `search` is the half width over which offsets of unrelated sounds would be spread.
fn agreement(points: &[(f64, f64)], search: f64) -> (Line, Vec<(f64, f64)>, f64) {
    let level = median(&points.iter().map(|p| p.1).collect::<Vec<_>>());
    let nothing = Line { centre: 0.0, level, slope: 0.0, covariance: [[0.0; 2]; 2] };
    let mut best = (nothing, Vec::new(), 0.0);
    let drift = points.iter().map(|p| p.0).fold(f64::NEG_INFINITY, f64::max)
        - points.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
    for tolerance in AGREES_SECONDS {
        // The densest level, as wide as the tolerance and a clock's drift allow; then the line through it.
        let wide = tolerance + 0.5 * line::RATE_SD * drift.max(0.0);
        let near = |level: f64| points.iter().filter(move |p| (p.1 - level).abs() <= wide);
        let Some(densest) = points.iter().map(|p| p.1).max_by_key(|level| near(*level).count()) else { continue };
        let Some(first) = line::fit(&near(densest).copied().collect::<Vec<_>>()) else { continue };
        let agree = |line: &Line| -> Vec<(f64, f64)> {
            points.iter().copied().filter(|(x, y)| (y - line.at(*x)).abs() <= tolerance).collect()
        };
        let Some(second) = line::fit(&agree(&first)) else { continue };
        let agreeing = agree(&second);
        let chance = binomial_tail_log10(points.len(), agreeing.len(), (tolerance / search).min(1.0));
        if chance < best.2 {
            best = (second, agreeing, chance);
        }
    }
    best
}

/// Logarithm to base 10 of the chance of `least` or more successes in `n` trials of probability `p`.
fn binomial_tail_log10(n: usize, least: usize, p: f64) -> f64 {
    // From all successes downward: each term from the one before.
    let mut term = p.powi(n as i32);
    let mut sum = 0.0;
    for successes in (least..=n).rev() {
        sum += term;
        term *= successes as f64 / (n - successes + 1) as f64 * (1.0 - p) / p;
    }
    sum.clamp(f64::MIN_POSITIVE, 1.0).log10()
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::made_sound::{Scene, Sound, through_aac, through_phone, with_crowd};

    /// Strokes and bounces of a rally with irregular pauses.
    fn rally(seconds: f64, seed: f64) -> Scene {
        let mut sounds = Vec::new();
        let mut t = 0.8 + 0.37 * seed.fract();
        let mut k = 0.0;
        while t < seconds - 0.3 {
            sounds.push(Sound::bounce(t - 0.35));
            sounds.push(Sound::stroke(t));
            k += 1.0;
            t += 1.35 + 0.4 * (1.7 * k + seed).sin();
        }
        Scene { sounds, seconds }
    }

    fn clock(tracks: &[SoundTrack]) -> Result<ClockCalibration, ClockError> {
        let names = ["a", "b", "c"];
        let sounds: Vec<CameraSound> =
            tracks.iter().zip(names).map(|(track, camera)| CameraSound { camera, track }).collect();
        from_sound(&sounds)
    }

    /// Error of the offset in seconds, with the bounds that every case must keep.
    fn check(clock: &CameraClock, offset: f64, rate: f64, pts: f64, case: &str) {
        let error = clock.session_seconds(pts) - (offset + rate * pts);
        let rate_sd = clock.covariance[1][1].sqrt();
        println!(
            "{case}: offset error {:.4} ms at pts 0, {:.4} ms at {pts} s, rate error {:.2} ± {:.2} ppm",
            (clock.offset_seconds - offset) * 1e3,
            error * 1e3,
            (clock.rate - rate) * 1e6,
            rate_sd * 1e6
        );
        assert!(error.abs() < 1e-3 && (clock.offset_seconds - offset).abs() < 1e-3, "{case}");
        assert!((clock.rate - rate).abs() < 1.96 * rate_sd, "{case}");
        // The allowance for what sound cannot tell: two phones of 10 ms and 5 ms of path.
        assert!((clock.sd_seconds(pts) - 0.015).abs() < 1e-4, "{case}: {}", clock.sd_seconds(pts));
    }

    #[test]
    fn offset_and_drift_come_out_of_noise_echo_and_unequal_gain() {
        let scene = rally(60.0, 1.0);
        let reference = scene.heard_by(1, 48_000.0, 0.0, 1.0, 0.8, 0.004);
        let other = scene.heard_by(2, 48_000.0, 2.37, 1.0 + 30e-6, 0.25, 0.004);
        let clock = clock(&[reference, other]).unwrap();
        assert_eq!((clock.reference.as_str(), clock.cameras[0].source), ("a", ClockSource::Reference));
        assert_eq!((clock.cameras[0].offset_seconds, clock.cameras[0].rate), (0.0, 1.0));
        assert_eq!(clock.cameras[1].source, ClockSource::Sound);
        println!("{}\n{}", clock.remarks[0], clock.remarks[1]);
        assert!(clock.remarks[1].contains("in common at once") && clock.remarks[1].contains("they agree"));
        check(&clock.cameras[1], 2.37, 1.0 + 30e-6, 50.0, "60 s, 30 ppm");
        let ppm = clock.cameras[1].covariance[1][1].sqrt() * 1e6;
        assert!(ppm < 5.0, "a minute resolves the rate to a few ppm: {ppm}");
    }

    #[test]
    fn three_cameras_of_different_rates_starts_and_partial_overlap_are_joined() {
        let scene = rally(50.0, 2.0);
        let tracks = [
            scene.heard_by(1, 48_000.0, 0.0, 1.0, 0.5, 0.003),
            scene.heard_by(2, 44_100.0, 38.2, 1.0 - 20e-6, 0.9, 0.006),
            scene.heard_by(3, 48_000.0, -7.5, 1.0, 0.3, 0.002),
        ];
        let clock = clock(&tracks).unwrap();
        check(&clock.cameras[1], 38.2, 1.0 - 20e-6, 5.0, "12 s of 50 in common, 44.1 kHz");
        check(&clock.cameras[2], -7.5, 1.0, 30.0, "started earlier");
        let closed = clock.remarks.iter().find(|r| r.starts_with("Loop")).unwrap();
        println!("{closed}");
        assert!(closed.contains("they agree"));
    }

    #[test]
    fn a_camera_that_overlaps_only_with_another_is_joined_through_it() {
        let scene = rally(60.0, 8.0);
        let part = |seed: u64, from: f64, to: f64| {
            let mut track = scene.heard_by(seed, 48_000.0, from, 1.0, 0.5, 0.004);
            track.samples.truncate(((to - from) * 48_000.0) as usize);
            track
        };
        let clock = clock(&[part(1, 0.0, 25.0), part(2, 10.0, 50.0), part(3, 36.0, 60.0)]).unwrap();
        for (camera, offset) in [(1, 10.0), (2, 36.0)] {
            let error = clock.cameras[camera].session_seconds(8.0) - (offset + 8.0);
            println!(
                "chain, camera {camera}: {:.4} ms ± {:.1}",
                error * 1e3,
                clock.cameras[camera].sd_seconds(8.0) * 1e3
            );
            assert!(error.abs() < 1e-3);
        }
        assert!(clock.cameras[2].sd_seconds(8.0) > clock.cameras[1].sd_seconds(8.0));
    }

    #[test]
    fn one_clap_is_enough_and_states_more_uncertainty() {
        for seed in 0..4_u32 {
            let at = 4.0 + 0.83 * f64::from(seed);
            let scene = Scene { sounds: vec![Sound::stroke(at)], seconds: 20.0 };
            let (a, b) = (1 + 2 * u64::from(seed), 2 + 2 * u64::from(seed));
            let tracks = [
                scene.heard_by(a, 48_000.0, 0.0, 1.0, 0.8, 0.004),
                scene.heard_by(b, 48_000.0, 1.3, 1.0 + 2e-5, 0.4, 0.004),
            ];
            let clock = clock(&tracks).unwrap();
            let (pts, of_one) = (at - 1.3, &clock.cameras[1]);
            let error = of_one.session_seconds(pts) - (1.3 + (1.0 + 2e-5) * pts);
            println!(
                "one clap: error {:.3} ms ± {:.1}; {}",
                error * 1e3,
                of_one.sd_seconds(pts) * 1e3,
                clock.remarks[0]
            );
            assert!(error.abs() < 1e-3 && clock.remarks[0].contains("one sound"));
            assert!(of_one.sd_seconds(pts) > 0.0154 && of_one.covariance[1][1].sqrt() > 40e-6);
        }
    }

    /// Aim: sound alone at 10 dB is right to 1 ms before latency. The ratio is that of the stroke's power over its first 20 ms to
    /// the power of all noise; every phone has its own noise, echo, band and gain control, and a crowd is loud.
    #[test]
    fn at_ten_decibels_with_echo_crowd_and_other_microphones_the_offset_is_right_to_a_millisecond() {
        let (mut squares, mut covered, trials) = (0.0, 0, 12_u32);
        for trial in 0..trials {
            let scene = rally(30.0, 10.0 + 0.7 * f64::from(trial));
            let seed = u64::from(trial);
            let offset = -3.0 + 0.61 * f64::from(trial);
            let heard = |listener: u64, offset: f64, rate: f64, band: [f64; 2]| {
                let mut track = scene.heard_by(2 * seed + listener, 48_000.0, offset, rate, 0.5, 0.0);
                let start = ((scene.sounds[9].seconds - offset) * 48_000.0) as usize;
                let power: f64 = track.samples[start..start + 960].iter().map(|s| f64::from(*s).powi(2)).sum();
                with_crowd(&mut track, 100 + 2 * seed + listener, (power / 960.0 / 10.0).sqrt());
                through_phone(&track, band[0], band[1])
            };
            let tracks = [heard(0, 0.0, 1.0, [80.0, 9000.0]), heard(1, offset, 1.0 + 2e-5, [250.0, 6000.0])];
            let clock = clock(&tracks).unwrap();
            let error = clock.cameras[1].session_seconds(15.0) - (offset + 15.0 * (1.0 + 2e-5));
            squares += error * error;
            covered += usize::from(error.abs() < 1.96 * clock.cameras[1].sd_seconds(15.0));
            assert!(error.abs() < 1e-3, "trial {trial}: {error}; {}", clock.remarks[0]);
        }
        println!(
            "10 dB: error {:.4} ms rms over {trials} trials, {covered} within the stated interval",
            (squares / f64::from(trials)).sqrt() * 1e3
        );
    }

    #[test]
    fn a_phones_sound_codec_moves_nothing() {
        let scene = rally(20.0, 6.0);
        let tracks = [
            through_aac(&scene.heard_by(1, 48_000.0, 0.0, 1.0, 0.5, 0.004)),
            through_aac(&scene.heard_by(2, 44_100.0, 3.3, 1.0 - 15e-6, 0.3, 0.004)),
        ];
        check(&clock(&tracks).unwrap().cameras[1], 3.3, 1.0 - 15e-6, 8.0, "AAC at 96 kbit/s");
    }

    #[test]
    fn a_start_offset_of_a_track_counts() {
        let scene = rally(20.0, 3.0);
        let mut late = scene.heard_by(2, 48_000.0, 1.5, 1.0, 0.5, 0.003);
        late.start_pts_seconds = 0.4;
        let clock = clock(&[scene.heard_by(1, 48_000.0, 0.0, 1.0, 0.5, 0.003), late]).unwrap();
        check(&clock.cameras[1], 1.1, 1.0, 10.0, "start offset 0.4 s");
    }

    #[test]
    fn even_strokes_are_not_taken_for_each_other() {
        let sounds = (0..25).map(|k| Sound::stroke(1.0 + 1.4 * f64::from(k))).collect();
        let scene = Scene { sounds, seconds: 36.0 };
        let tracks =
            [scene.heard_by(1, 48_000.0, 0.0, 1.0, 0.5, 0.004), scene.heard_by(2, 48_000.0, 4.2, 1.0, 0.5, 0.004)];
        check(&clock(&tracks).unwrap().cameras[1], 4.2, 1.0, 15.0, "a stroke every 1.4 s");
    }

    #[test]
    fn sounds_from_two_places_still_agree_on_one_of_them() {
        let scene = rally(40.0, 5.0);
        // Bounces are 3 m nearer to the first phone, strokes 0.7 m nearer to the second (at 343 m/s).
        let mut there = Scene { sounds: scene.sounds.clone(), seconds: scene.seconds };
        for (index, sound) in there.sounds.iter_mut().enumerate() {
            sound.seconds += if index % 2 == 0 { 0.008_7 } else { -0.002 };
        }
        let tracks =
            [scene.heard_by(1, 48_000.0, 0.0, 1.0, 0.5, 0.004), there.heard_by(2, 48_000.0, 2.0, 1.0, 0.5, 0.004)];
        let clock = clock(&tracks).unwrap();
        println!("{}", clock.remarks[0]);
        let error = clock.cameras[1].session_seconds(20.0) - 22.0;
        println!("two places: offset error {:.2} ms", error * 1e3);
        assert!(error.abs() < 0.009 && error.abs() < clock.cameras[1].sd_seconds(20.0));
    }

    #[test]
    fn unrelated_sound_is_refused_with_numbers() {
        let mut least = 0.0f64;
        for seed in 0..5 {
            let (one, two) = (rally(25.0, f64::from(seed) + 0.3), rally(25.0, f64::from(seed) + 40.7));
            let reference = one.heard_by(1, 48_000.0, 0.0, 1.0, 0.5, 0.004);
            let other = two.heard_by(2, 48_000.0, 0.0, 1.0, 0.5, 0.004);
            let error = clock(&[reference, other]).unwrap_err();
            let ClockError::NoCommonSound { chance_log10, .. } = &error else { panic!("{error}") };
            least = least.min(*chance_log10);
            assert!(error.to_string().contains("clap"), "{error}");
            if seed == 0 {
                println!("{error}");
            }
        }
        println!("unrelated pairs: least chance 10^{least:.1}, accepted below 10^{LEAST_UNLIKELY}");
        for seed in 0..20 {
            let at = 3.0 + 0.31 * f64::from(seed);
            let one = Scene { sounds: vec![Sound::stroke(at)], seconds: 12.0 };
            let two = Scene { sounds: vec![Sound::stroke(at + 2.417)], seconds: 12.0 };
            let tracks =
                [one.heard_by(1, 48_000.0, 0.0, 1.0, 0.5, 0.004), two.heard_by(2, 48_000.0, 0.0, 1.0, 0.5, 0.004)];
            match clock(&tracks) {
                Err(ClockError::NoCommonSound { .. }) => {}
                Err(error) => panic!("{error}"),
                Ok(clock) => panic!("{}", clock.remarks[0]),
            }
        }
    }

    #[test]
    fn the_same_recording_twice_and_a_clock_that_jumps_are_told_by_name() {
        let scene = rally(40.0, 7.0);
        let one = scene.heard_by(1, 48_000.0, 0.0, 1.0, 0.5, 0.004);
        let mut again = one.clone();
        again.samples.drain(..48_000);
        let error = clock(&[one.clone(), again]).unwrap_err();
        assert!(matches!(&error, ClockError::SameRecording { what: "sound", .. }), "{error}");
        // Half a minute on, two seconds are missing.
        let mut cut = scene.heard_by(2, 48_000.0, 1.0, 1.0, 0.5, 0.004);
        cut.samples.drain(20 * 48_000..22 * 48_000);
        let error = clock(&[one, cut]).unwrap_err();
        println!("{error}");
        let ClockError::Jump { jump_seconds, at_seconds, .. } = error else { panic!("{error}") };
        assert!((jump_seconds - 2.0).abs() < 0.01 && (at_seconds - 20.0).abs() < 2.0);
    }

    #[test]
    fn the_binomial_tail_matches_written_out_cases() {
        // 1 - (1 - 0.1)^5, and 5 · 0.1⁴ · 0.9 + 0.1⁵.
        assert!((binomial_tail_log10(5, 1, 0.1) - (1.0 - 0.9f64.powi(5)).log10()).abs() < 1e-12);
        assert!((binomial_tail_log10(5, 4, 0.1) - 0.000_46f64.log10()).abs() < 1e-12);
        assert!(binomial_tail_log10(5, 0, 0.1).abs() < 1e-12);
    }

    #[test]
    fn noise_without_any_sound_is_refused() {
        let scene = Scene { sounds: Vec::new(), seconds: 10.0 };
        let tracks =
            [scene.heard_by(1, 48_000.0, 0.0, 1.0, 0.5, 0.01), scene.heard_by(2, 48_000.0, 0.0, 1.0, 0.5, 0.01)];
        assert!(matches!(clock(&tracks).unwrap_err(), ClockError::NoCommonSound { .. }));
    }

    #[test]
    fn unusable_tracks_are_told_by_camera() {
        let good = rally(5.0, 1.0).heard_by(1, 48_000.0, 0.0, 1.0, 0.5, 0.004);
        let short = SoundTrack { samples: vec![0.1; 1000], ..good.clone() };
        let silent = SoundTrack { samples: vec![0.0; 200_000], ..good.clone() };
        assert!(matches!(clock(&[]).unwrap_err(), ClockError::TooFewCameras { given: 0 }));
        assert!(matches!(clock(std::slice::from_ref(&good)).unwrap_err(), ClockError::TooFewCameras { given: 1 }));
        assert!(
            matches!(clock(&[good.clone(), short]).unwrap_err(), ClockError::TooShort { camera, .. } if camera == "b")
        );
        assert!(matches!(clock(&[good, silent]).unwrap_err(), ClockError::Silent { camera } if camera == "b"));
    }
}
