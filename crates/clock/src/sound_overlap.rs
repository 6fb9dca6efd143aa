//! Offset and rate of two sound tracks from everything that they have in common at once, without looking for single sounds:
//! generalised cross-correlation with phase transform (Knapp & Carter 1976), block by block over the overlap.
//!
//! Every block and every frequency of the band counts alike, so that gain control, the microphones' own responses and a noise
//! close to one of them say little, and an echo makes a smaller peak beside the right one. Clocks drift by more than the peak
//! is wide, so the blocks' correlations are summed along all straight lines of offset over time that crystals allow (a slant
//! stack, as of seismic records), then once more, exactly, along the best. At most [`MOST_SECONDS`] are used, of longer overlaps
//! the middle, which bounds memory and time.

use std::ops::Range;

use midline_signal::correlation::{CorrelationError, Correlator, PhaseCorrelation, PhaseSum};
use rayon::iter::{IntoParallelIterator, ParallelIterator};
use rayon::slice::ParallelSlice;

use crate::level::BAND_HZ;
use crate::line::{self, Line};
use crate::sound::{Listened, SAME_PEAK_SECONDS};

/// Samples of a block: at 48 kHz 1.4 s, in which no crystal drifts by more than the peak is wide.
const BLOCK: usize = 1 << 16;
/// Most of the overlap that is used, seconds.
const MOST_SECONDS: f64 = 720.0;
/// How far the lines reach around the coarse offset: step of the loudness curve and the ways of the sound, seconds; and rates
/// in standard deviations.
const REACH_SECONDS: f64 = 0.030;
const RATE_SDS: f64 = 3.0;
/// How far a block may be off its line, seconds: half the width of the peak of a band up to 8 kHz.
const OFF_SECONDS: f64 = 30e-6;
/// Blocks whose correlations are first summed along coarse rates.
const BLOCKS_PER_SECTION: usize = 16;
/// Sections of the overlap that are looked at on their own along the best line, blocks of each at least, and how far a
/// section may lie from the line, seconds.
const MOST_SECTIONS: usize = 24;
const LEAST_BLOCKS: usize = 2;
const SECTION_SECONDS: f64 = 0.001;
/// Height of a section's peak over the root mean square around it that counts.
const SECTION_PROMINENCE: f64 = 5.5;
/// Height of the whole overlap's peak over the root mean square of the stack, over the second peak, and sections that must agree
/// with it, for it to stand alone: the stack has some millions of places, of which the highest reaches 5.5 by chance.
const LEAST_PROMINENCE: f64 = 9.0;
const LEAST_RATIO: f64 = 1.3;
const LEAST_SECTIONS: usize = 3;

/// What the whole overlap says.
#[derive(Debug, Clone)]
pub(crate) struct Overlap {
    /// Offset over the other track's presentation time.
    pub(crate) line: Line,
    /// Sections that agree: presentation time in the other track, offset.
    pub(crate) points: Vec<(f64, f64)>,
    /// Sections that were looked at.
    pub(crate) sections: usize,
    /// Height of the peak over the root mean square around it, and over the second peak.
    pub(crate) prominence: f64,
    pub(crate) ratio: f64,
    pub(crate) seconds: f64,
}

impl Overlap {
    /// Whether the peak is beyond chance.
    pub(crate) fn is_clear(&self) -> bool {
        self.prominence >= LEAST_PROMINENCE && self.ratio >= LEAST_RATIO
    }

    /// Whether it may stand without single sounds that agree.
    pub(crate) fn is_enough(&self) -> bool {
        self.is_clear() && self.points.len() >= LEAST_SECTIONS && 2 * self.points.len() >= self.sections
    }
}

/// One block: the times of both its parts' first samples.
struct Block {
    first_start: f64,
    first: Vec<f64>,
    second_start: f64,
    second: Vec<f64>,
}

/// Two tracks laid over each other at a coarse offset.
struct Laid<'a> {
    reference: &'a Listened<'a>,
    other: &'a Listened<'a>,
    offset: f64,
    /// Starts of the blocks, reference time.
    starts: Vec<f64>,
    band: Range<f64>,
}

impl Laid<'_> {
    fn rate_hz(&self) -> f64 {
        self.reference.rate_hz
    }

    fn block_seconds(&self) -> f64 {
        BLOCK as f64 / self.rate_hz()
    }

    /// The other track's time in the middle of a block.
    fn middle(&self, block: usize) -> f64 {
        self.starts[block] + 0.5 * self.block_seconds() - self.offset
    }

    fn block(&self, block: usize) -> Option<Block> {
        let start = self.starts[block];
        let (first_start, first) = self.reference.part(start, BLOCK)?;
        let (second_start, second) = self.other.part(start - self.offset, BLOCK)?;
        Some(Block { first_start, first, second_start, second })
    }

    /// The cross-spectrum of some blocks, offsets of `expected` at lag 0.
    fn sum(&self, blocks: Range<usize>, expected: &dyn Fn(f64) -> f64) -> Result<PhaseSum, CorrelationError> {
        let mut correlator = Correlator::default();
        let mut sum = PhaseSum::new(BLOCK, self.band.clone())?;
        for index in blocks {
            let Some(block) = self.block(index) else { continue };
            let lag = (expected(self.middle(index)) - (block.first_start - block.second_start)) * self.rate_hz();
            sum.add(&mut correlator, &block.first, &block.second, lag)?;
        }
        Ok(sum)
    }
}

/// The correlations of some blocks, summed: value by lag about the coarse offset, and the blocks' middle.
struct Row {
    middle: f64,
    values: Vec<f32>,
}

/// Sums rows along a rate: a row's values are moved by what the offset has changed until its middle.
fn slanted<'a>(rows: impl Iterator<Item = &'a Row>, centre: f64, rate: f64, rate_hz: f64, length: usize) -> Vec<f32> {
    let mut sum = vec![0.0; length];
    for row in rows {
        let shift = (rate * (row.middle - centre) * rate_hz).round() as isize;
        let (to, from) = ((-shift).max(0).cast_unsigned(), shift.max(0).cast_unsigned());
        let (Some(to), Some(from)) = (sum.get_mut(to..), row.values.get(from..)) else { continue };
        for (slot, value) in to.iter_mut().zip(from) {
            *slot += value;
        }
    }
    sum
}

/// Rates on a grid so fine that what lies `half_seconds` from the centre is off by at most [`OFF_SECONDS`].
fn rates(half_seconds: f64) -> Vec<f64> {
    let most = RATE_SDS * line::RATE_SD;
    let steps = (most * half_seconds / (2.0 * OFF_SECONDS)).ceil().max(0.0);
    (0..=2 * steps as usize).map(|k| if steps > 0.0 { most * (k as f64 / steps - 1.0) } else { 0.0 }).collect()
}

fn half_span(rows: &[Row]) -> f64 {
    rows.first().zip(rows.last()).map_or(0.0, |(a, b)| 0.5 * (b.middle - a.middle))
}

/// The level (a lag of the rows, at the centre) and rate along which the rows add up highest.
fn best_line(rows: &[Row], centre: f64, rate_hz: f64) -> Option<(usize, f64)> {
    let length = rows.first()?.values.len();
    let sections: Vec<(Vec<f64>, Vec<Row>)> = rows
        .par_chunks(BLOCKS_PER_SECTION)
        .map(|rows| {
            let middle = rows.iter().map(|r| r.middle).sum::<f64>() / rows.len() as f64;
            let rates = rates(half_span(rows));
            let stack = |rate: &f64| Row { middle, values: slanted(rows.iter(), middle, *rate, rate_hz, length) };
            let stacked = rates.iter().map(stack).collect();
            (rates, stacked)
        })
        .collect();
    let along = |rate: f64| {
        let nearest = sections.iter().filter_map(|(rates, rows)| {
            let index = rates.partition_point(|r| *r < rate);
            let near = |i: usize| rates.get(i).map_or(f64::INFINITY, |r| (r - rate).abs());
            let below = index.saturating_sub(1);
            rows.get(if near(below) < near(index) { below } else { index })
        });
        let sum = slanted(nearest, centre, rate, rate_hz, length);
        let highest = (0..length).max_by(|a, b| sum[*a].total_cmp(&sum[*b])).unwrap_or(0);
        (sum.get(highest).copied().unwrap_or(0.0), highest, rate)
    };
    // Ties go to the lower rate, whatever the threads do.
    let better = |a: (f32, usize, f64), b: (f32, usize, f64)| match a.0.total_cmp(&b.0).then(b.2.total_cmp(&a.2)) {
        std::cmp::Ordering::Less => b,
        _ => a,
    };
    let found = rates(half_span(rows)).into_par_iter().map(along).reduce_with(better)?;
    Some((found.1, found.2))
}

/// Height of the highest peak over the root mean square, and over the second; and its lag in samples.
fn highest(found: &PhaseCorrelation, rate_hz: f64) -> Option<(f64, f64, f64)> {
    let rms = (found.values.iter().map(|v| v * v).sum::<f64>() / found.values.len().max(1) as f64).sqrt();
    let peaks = found.peaks(2, SAME_PEAK_SECONDS * rate_hz);
    let first = peaks.first().filter(|_| rms > 0.0)?;
    let ratio = peaks.get(1).map_or(f64::INFINITY, |second| first.height / second.height);
    Some((first.lag_samples, first.height / rms, ratio))
}

/// Compares all that two tracks have in common near a coarse offset; `None` when that is too little or silent.
pub(crate) fn overlap(
    reference: &Listened,
    other: &Listened,
    offset: f64,
) -> Result<Option<Overlap>, CorrelationError> {
    let rate_hz = reference.rate_hz;
    let block_seconds = BLOCK as f64 / rate_hz;
    let from = reference.start_seconds.max(other.start_seconds + offset);
    let to = reference.end_seconds().min(other.end_seconds() + offset);
    let used = (to - from).min(MOST_SECONDS);
    let from = from + 0.5 * (to - from - used);
    let count = (used / block_seconds) as usize;
    let laid = Laid {
        reference,
        other,
        offset,
        starts: (0..count).map(|k| from + k as f64 * block_seconds).collect(),
        band: BAND_HZ.start / rate_hz..(BAND_HZ.end / rate_hz).min(0.4),
    };
    if count == 0 {
        return Ok(None);
    }
    let reach = REACH_SECONDS + RATE_SDS * line::RATE_SD * 0.5 * used;
    let lag = |seconds: f64| ((seconds * rate_hz).ceil() as isize).min((BLOCK / 2 - 1).cast_signed());
    let lags = -lag(reach)..=lag(reach);
    let rows: Vec<Option<Row>> = (0..count)
        .into_par_iter()
        .map(|block| {
            let sum = laid.sum(block..block + 1, &|_| offset)?;
            if sum.blocks() == 0 {
                return Ok(None);
            }
            let found = sum.correlation(&mut Correlator::default(), lags.clone())?;
            let values = found.values.iter().map(|v| *v as f32).collect();
            Ok(Some(Row { middle: laid.middle(block), values }))
        })
        .collect::<Result<_, CorrelationError>>()?;
    let rows: Vec<Row> = rows.into_iter().flatten().collect();
    let centre = rows.iter().map(|r| r.middle).sum::<f64>() / rows.len().max(1) as f64;
    let Some((level, slope)) = best_line(&rows, centre, rate_hz) else { return Ok(None) };
    let level = offset + (level as f64 + *lags.start() as f64) / rate_hz;
    drop(rows);
    along(&laid, Line { centre, level, slope, covariance: [[0.0; 2]; 2] })
}

/// The blocks summed exactly along a line, as a whole and by sections, which say how well the line is known.
fn along(laid: &Laid, start: Line) -> Result<Option<Overlap>, CorrelationError> {
    let (rate_hz, count) = (laid.rate_hz(), laid.starts.len());
    let sections = (count / LEAST_BLOCKS).clamp(1, MOST_SECTIONS);
    let section = |k: usize| k * count / sections..(k + 1) * count / sections;
    let sums: Vec<PhaseSum> = (0..sections)
        .into_par_iter()
        .map(|k| laid.sum(section(k), &|pts| start.at(pts)))
        .collect::<Result<_, CorrelationError>>()?;
    let mut whole = PhaseSum::new(BLOCK, laid.band.clone())?;
    let reach = (REACH_SECONDS * rate_hz) as isize;
    let mut correlator = Correlator::default();
    let mut points = Vec::new();
    for (k, sum) in sums.iter().enumerate().filter(|(_, sum)| sum.blocks() > 0) {
        whole.merge(sum);
        let blocks = section(k);
        let middle = 0.5 * (laid.middle(blocks.start) + laid.middle(blocks.end - 1));
        let found = sum.correlation(&mut correlator, -reach..=reach)?;
        if let Some((lag, prominence, _)) = highest(&found, rate_hz)
            && prominence >= SECTION_PROMINENCE
            && lag.abs() <= SECTION_SECONDS * rate_hz
        {
            points.push((middle, start.at(middle) + lag / rate_hz));
        }
    }
    if whole.blocks() == 0 {
        return Ok(None);
    }
    let found = whole.correlation(&mut correlator, -reach..=reach)?;
    let Some((lag, prominence, ratio)) = highest(&found, rate_hz) else { return Ok(None) };
    // One section has no line of its own; the width of the peak is all that is known of it.
    let alone = Line {
        level: start.level + lag / rate_hz,
        covariance: [[OFF_SECONDS.powi(2), 0.0], [0.0, line::RATE_SD.powi(2)]],
        ..start
    };
    let line = if points.len() >= LEAST_SECTIONS { line::fit(&points).unwrap_or(alone) } else { alone };
    let seconds = whole.blocks() as f64 * laid.block_seconds();
    Ok(Some(Overlap { line, points, sections, prominence, ratio, seconds }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::made_sound::{Scene, through_phone, with_crowd};
    use crate::sound::CameraSound;
    use midline_session::footage::SoundTrack;
    use rand::SeedableRng;
    use rand::rngs::StdRng;
    use rand_distr::{Distribution, StandardNormal};

    const RATE_HZ: f64 = 48_000.0;

    /// Sound without any attack: noise up to 7 kHz that swells and fades over seconds, such as talk and traffic from afar.
    fn murmur(seed: u64, seconds: f64) -> Vec<f64> {
        let mut random = StdRng::seed_from_u64(seed);
        let (mut slow, mut smooth) = (0.0, 0.0);
        (0..(seconds * RATE_HZ) as usize)
            .map(|n| {
                let white: f64 = StandardNormal.sample(&mut random);
                slow += 0.03 * (white - slow);
                smooth += 0.6 * (white - slow - smooth);
                smooth * (1.0 + 0.6 * (1.3 * n as f64 / RATE_HZ).sin())
            })
            .collect()
    }

    /// A phone that hears a source from `offset` on with a clock of its own rate: an echo (delay in seconds, share) and noise
    /// of its own.
    fn heard(source: &[f64], offset: f64, rate: f64, echo: (f64, f64), noise: f64, seed: u64) -> SoundTrack {
        let mut random = StdRng::seed_from_u64(seed);
        let at = |position: f64| {
            let (index, t) = (position.floor(), position.fract());
            let value = |k: f64| source.get((index + k).max(0.0) as usize).copied().unwrap_or(0.0);
            let (a, b, c, d) = (value(-1.0), value(0.0), value(1.0), value(2.0));
            b + 0.5 * t * (c - a + t * (2.0 * a - 5.0 * b + 4.0 * c - d + t * (3.0 * (b - c) + d - a)))
        };
        let count = ((source.len() as f64 - offset * RATE_HZ) / rate) as usize;
        let samples = (0..count)
            .map(|n| {
                let position = offset * RATE_HZ + rate * n as f64;
                let own: f64 = StandardNormal.sample(&mut random);
                (0.1 * (at(position) + echo.1 * at(position - echo.0 * RATE_HZ) + noise * own)) as f32
            })
            .collect();
        SoundTrack { sample_rate_hz: RATE_HZ, start_pts_seconds: 0.0, samples }
    }

    fn compared(first: &SoundTrack, second: &SoundTrack, offset: f64) -> Overlap {
        let listened = |camera, track| Listened::to(&CameraSound { camera, track }, None).unwrap();
        overlap(&listened("a", first), &listened("b", second), offset).unwrap().unwrap()
    }

    #[test]
    fn a_murmur_under_echo_noise_crowd_and_two_microphones_tells_offset_and_drift() {
        let (offset, rate, seconds) = (1.237, 1.0 + 43e-6, 40.0);
        let source = murmur(1, seconds);
        let power = (source.iter().map(|s| s * s).sum::<f64>() / source.len() as f64).sqrt();
        let cases: [(&str, [(f64, f64); 2], f64, f64, bool); 4] = [
            ("quiet", [(0.0, 0.0); 2], 0.1, 0.0, false),
            ("echoes of 80 and 60 %", [(0.012, 0.8), (0.031, 0.6)], 0.3, 0.0, false),
            ("a crowd as loud around each phone", [(0.02, 0.4), (0.03, 0.4)], 0.3, 1.0, false),
            ("two microphones with gain control", [(0.02, 0.4), (0.03, 0.4)], 1.0, 0.0, true),
        ];
        for (case, echoes, noise, crowd, phones) in cases {
            let mut tracks = [
                heard(&source, 0.0, 1.0, echoes[0], noise * power, 2),
                heard(&source, offset, rate, echoes[1], noise * power, 3),
            ];
            for (index, track) in tracks.iter_mut().enumerate() {
                if crowd > 0.0 {
                    with_crowd(track, 50 + index as u64, 0.1 * crowd * power);
                }
                if phones {
                    let [low, high] = [[80.0, 9000.0], [250.0, 6000.0]][index];
                    *track = through_phone(track, low, high);
                }
            }
            let found = compared(&tracks[0], &tracks[1], offset - 0.004);
            let pts = 18.0;
            // First pts = offset + rate · second pts.
            let error = found.line.at(pts) - (offset + (rate - 1.0) * pts);
            println!(
                "{case}: error {:.4} ms, rate {:.2} ± {:.2} ppm off, peak {:.0} times its surroundings, {} of {} sections",
                error * 1e3,
                (found.line.slope - (rate - 1.0)) * 1e6,
                found.line.covariance[1][1].sqrt() * 1e6,
                found.prominence,
                found.points.len(),
                found.sections
            );
            assert!(found.is_enough() && error.abs() < 0.1e-3, "{case}");
            assert!((found.line.slope - (rate - 1.0)).abs() < 4e-6, "{case}");
        }
    }

    #[test]
    fn unrelated_murmurs_never_pass() {
        let mut highest = 0.0_f64;
        for seed in 0..6 {
            let [a, b] = [murmur(10 + 2 * seed, 20.0), murmur(11 + 2 * seed, 20.0)];
            let tracks = [heard(&a, 0.0, 1.0, (0.02, 0.5), 0.01, 1), heard(&b, 0.0, 1.0, (0.02, 0.5), 0.01, 2)];
            let found = compared(&tracks[0], &tracks[1], 0.0);
            highest = highest.max(found.prominence);
            assert!(!found.is_clear());
        }
        println!("unrelated murmurs reach {highest:.1} times their surroundings, {LEAST_PROMINENCE} is needed");
    }

    #[test]
    fn tracks_that_hardly_overlap_say_nothing() {
        let scene = Scene { sounds: Vec::new(), seconds: 3.0 };
        let track = scene.heard_by(1, RATE_HZ, 0.0, 1.0, 1.0, 0.01);
        let listened = Listened::to(&CameraSound { camera: "a", track: &track }, None).unwrap();
        assert!(overlap(&listened, &listened, 2.5).unwrap().is_none());
    }
}
