//! Delay between two recordings of the same sound: generalised cross-correlation with phase transform.
//!
//! C. H. Knapp and G. C. Carter, "The generalized correlation method for estimation of time delay", IEEE Transactions on
//! Acoustics, Speech, and Signal Processing 24(4), 1976: the cross-spectrum keeps its phase and loses its magnitude, so
//! that every frequency of the band counts alike and the correlation has one sharp peak at the delay.

use std::ops::{Range, RangeInclusive};

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

/// Share of the band over which its weight rises from 0 to 1 at each end (raised cosine), which keeps the correlation's
/// side lobes low.
const TAPER: f64 = 0.15;

/// A magnitude below this share of the mean is noise of the arithmetic and is not raised to 1.
const FLOOR: f64 = 1e-6;

/// Lags on each side from which a value between two lags is computed.
const REACH: isize = 24;
/// Steps per lag on which the highest value is looked for.
const FINE: usize = 8;

/// Why two signals cannot be correlated.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CorrelationError {
    /// One of the signals has no energy in the band.
    #[error(
        "the {which} signal is silent in the band from {from} to {to} cycles per sample; give a signal with sound in it"
    )]
    Silent {
        /// "first" or "second".
        which: &'static str,
        /// Lower end of the band, cycles per sample.
        from: f64,
        /// Upper end of the band, cycles per sample.
        to: f64,
    },
    /// The lags asked for do not exist.
    #[error("lags {from} to {to} samples do not occur between signals of {first} and {second} samples")]
    NoOverlap {
        /// Lowest lag asked for.
        from: isize,
        /// Highest lag asked for.
        to: isize,
        /// Length of the first signal.
        first: usize,
        /// Length of the second signal.
        second: usize,
    },
    /// The band is empty or outside 0 to 0.5 cycles per sample.
    #[error("the band from {from} to {to} cycles per sample is empty; it must lie between 0 and 0.5")]
    Band {
        /// Lower end, cycles per sample.
        from: f64,
        /// Upper end, cycles per sample.
        to: f64,
    },
    /// The transform failed.
    #[error("the Fourier transform of {length} samples failed: {reason}")]
    Transform {
        /// Its length.
        length: usize,
        /// Why.
        reason: String,
    },
}

/// Correlates signals; keeps the transforms' tables between calls.
#[derive(Default)]
pub struct Correlator {
    planner: RealFftPlanner<f64>,
}

/// The phase-transform correlation of two signals over a range of lags.
#[derive(Debug, Clone, PartialEq)]
pub struct PhaseCorrelation {
    /// Lag in samples of the first value.
    pub first_lag: isize,
    /// One value per lag; 1 where all frequencies of the band agree.
    pub values: Vec<f64>,
}

/// One peak of a correlation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// How many samples later the sound comes in the first signal than in the second.
    pub lag_samples: f64,
    /// The correlation there, at most 1.
    pub height: f64,
}

impl Correlator {
    /// The correlation of `first` and `second` at the given lags, over a band in cycles per sample (0 to 0.5).
    ///
    /// A lag is the index in `first` minus the index in `second` of the same sound. Lags that cannot occur are left out.
    /// Signals are padded with zeros: the correlation does not wrap around.
    ///
    /// # Errors
    /// When a signal is silent in the band, when no lag of the range can occur, or when the band is empty.
    pub fn phase_correlation(
        &mut self,
        first: &[f64],
        second: &[f64],
        lags: RangeInclusive<isize>,
        band: Range<f64>,
    ) -> Result<PhaseCorrelation, CorrelationError> {
        if !(0.0 <= band.start && band.start < band.end && band.end <= 0.5) {
            return Err(CorrelationError::Band { from: band.start, to: band.end });
        }
        let lowest = (*lags.start()).max(1 - second.len().cast_signed());
        let highest = (*lags.end()).min(first.len().cast_signed() - 1);
        if first.is_empty() || second.is_empty() || lowest > highest {
            return Err(CorrelationError::NoOverlap {
                from: *lags.start(),
                to: *lags.end(),
                first: first.len(),
                second: second.len(),
            });
        }
        let length = smooth_even_length(first.len() + second.len());
        let spectrum = self.spectrum(first, length)?;
        let other = self.spectrum(second, length)?;
        let weights = BandWeights { length, band: band.clone() };
        for (which, spectrum) in [("first", &spectrum), ("second", &other)] {
            if weights.mean_magnitude(spectrum) <= 0.0 {
                return Err(CorrelationError::Silent { which, from: band.start, to: band.end });
            }
        }
        let mut cross: Vec<Complex<f64>> = spectrum.iter().zip(&other).map(|(a, b)| a * b.conj()).collect();
        let floor = FLOOR * weights.mean_magnitude(&cross);
        let mut total = 0.0;
        for (bin, value) in cross.iter_mut().enumerate() {
            let weight = weights.at(bin);
            // A real signal's spectrum has every bin but the first and the last twice.
            total += weight * if bin == 0 || 2 * bin == length { 1.0 } else { 2.0 };
            *value *= weight / value.norm().max(floor);
        }
        // Rounding leaves traces that the inverse transform does not accept there.
        for end in [0, length / 2] {
            if let Some(value) = cross.get_mut(end) {
                value.im = 0.0;
            }
        }
        let circular = self.signal(&mut cross, length)?;
        let at = |lag: isize| lag.rem_euclid(length.cast_signed()).cast_unsigned();
        Ok(PhaseCorrelation {
            first_lag: lowest,
            values: (lowest..=highest).filter_map(|lag| Some(circular.get(at(lag))? / total)).collect(),
        })
    }

    fn spectrum(&mut self, signal: &[f64], length: usize) -> Result<Vec<Complex<f64>>, CorrelationError> {
        let transform = self.planner.plan_fft_forward(length);
        let mut padded = transform.make_input_vec();
        padded[..signal.len()].copy_from_slice(signal);
        let mut spectrum = transform.make_output_vec();
        transform.process(&mut padded, &mut spectrum).map_err(|e| failed(length, &e))?;
        Ok(spectrum)
    }

    fn signal(&mut self, spectrum: &mut [Complex<f64>], length: usize) -> Result<Vec<f64>, CorrelationError> {
        let transform = self.planner.plan_fft_inverse(length);
        let mut signal = transform.make_output_vec();
        transform.process(spectrum, &mut signal).map_err(|e| failed(length, &e))?;
        Ok(signal)
    }
}

/// Cross-spectra of many blocks of two signals, of which only the phases are kept, summed: the phase-transform correlation over
/// all blocks at the memory of one. Every block counts alike, however loud it is.
#[derive(Debug, Clone)]
pub struct PhaseSum {
    weights: BandWeights,
    /// One value per bin of the band.
    bins: Vec<Complex<f64>>,
    first_bin: usize,
    blocks: usize,
}

/// Bins after which the running phase of a shift is computed afresh.
const AFRESH: usize = 256;

impl PhaseSum {
    /// Of blocks of `length` samples (even), over a band in cycles per sample.
    ///
    /// # Errors
    /// When the band is empty, and for an odd or empty length.
    pub fn new(length: usize, band: Range<f64>) -> Result<Self, CorrelationError> {
        if !(0.0 <= band.start && band.start < band.end && band.end <= 0.5) {
            return Err(CorrelationError::Band { from: band.start, to: band.end });
        }
        if length == 0 || !length.is_multiple_of(2) {
            return Err(CorrelationError::Transform { length, reason: "blocks have an even number of samples".into() });
        }
        let bin = |frequency: f64| (frequency * length as f64).ceil() as usize;
        let (first_bin, last) = (bin(band.start).max(1), bin(band.end).min(length / 2));
        let bins = vec![Complex::new(0.0, 0.0); last.saturating_sub(first_bin)];
        Ok(Self { weights: BandWeights { length, band }, bins, first_bin, blocks: 0 })
    }

    /// Blocks that have been added.
    #[must_use]
    pub fn blocks(&self) -> usize {
        self.blocks
    }

    /// Adds a block of each signal; `expected_lag`, in samples, becomes lag 0. Blocks are taken as periodic: fade their ends, and
    /// keep lags short against them. `false` when one of them is silent in the band, and adds nothing.
    ///
    /// # Errors
    /// When a block has another length.
    pub fn add(
        &mut self,
        correlator: &mut Correlator,
        first: &[f64],
        second: &[f64],
        expected_lag: f64,
    ) -> Result<bool, CorrelationError> {
        let length = self.weights.length;
        if let Some(other) = [first.len(), second.len()].into_iter().find(|l| *l != length) {
            let reason = format!("a block of {other} samples was given");
            return Err(CorrelationError::Transform { length, reason });
        }
        let (a, b) = (correlator.spectrum(first, length)?, correlator.spectrum(second, length)?);
        let band = self.first_bin..self.first_bin + self.bins.len();
        let (Some(a), Some(b)) = (a.get(band.clone()), b.get(band)) else { return Ok(false) };
        let mean = a.iter().zip(b).map(|(a, b)| (a * b.conj()).norm()).sum::<f64>() / a.len().max(1) as f64;
        if mean <= 0.0 {
            return Ok(false);
        }
        let turn = std::f64::consts::TAU * expected_lag / length as f64;
        let (step, mut phase) = (Complex::from_polar(1.0, turn), Complex::new(1.0, 0.0));
        for (index, (sum, (a, b))) in self.bins.iter_mut().zip(a.iter().zip(b)).enumerate() {
            let bin = self.first_bin + index;
            phase = if index % AFRESH == 0 { Complex::from_polar(1.0, turn * bin as f64) } else { phase * step };
            let cross = a * b.conj();
            *sum += cross * phase * (self.weights.at(bin) / cross.norm().max(FLOOR * mean));
        }
        self.blocks += 1;
        Ok(true)
    }

    /// Adds the blocks of another sum of the same length and band.
    pub fn merge(&mut self, other: &Self) {
        for (sum, more) in self.bins.iter_mut().zip(&other.bins) {
            *sum += more;
        }
        self.blocks += other.blocks;
    }

    /// The correlation of all blocks together at the given lags.
    ///
    /// # Errors
    /// When no block has been added, and for lags beyond half a block.
    pub fn correlation(
        &self,
        correlator: &mut Correlator,
        lags: RangeInclusive<isize>,
    ) -> Result<PhaseCorrelation, CorrelationError> {
        let length = self.weights.length;
        let half = length.cast_signed() / 2;
        let (lowest, highest) = (*lags.start(), *lags.end());
        if self.blocks == 0 || lowest > highest || lowest <= -half || highest >= half {
            return Err(CorrelationError::NoOverlap { from: lowest, to: highest, first: length, second: length });
        }
        let mut spectrum = vec![Complex::new(0.0, 0.0); length / 2 + 1];
        let mut total = 0.0;
        for (index, value) in self.bins.iter().enumerate() {
            let bin = self.first_bin + index;
            total += 2.0 * self.weights.at(bin);
            if let Some(slot) = spectrum.get_mut(bin) {
                *slot = *value;
            }
        }
        let circular = correlator.signal(&mut spectrum, length)?;
        let scale = 1.0 / (total * self.blocks as f64);
        let at = |lag: isize| lag.rem_euclid(length.cast_signed()).cast_unsigned();
        Ok(PhaseCorrelation {
            first_lag: lowest,
            values: (lowest..=highest).filter_map(|lag| Some(circular.get(at(lag))? * scale)).collect(),
        })
    }
}

fn failed(length: usize, reason: &dyn std::fmt::Display) -> CorrelationError {
    CorrelationError::Transform { length, reason: reason.to_string() }
}

/// Weight of each bin of a transform.
#[derive(Debug, Clone)]
struct BandWeights {
    length: usize,
    band: Range<f64>,
}

impl BandWeights {
    fn at(&self, bin: usize) -> f64 {
        let frequency = bin as f64 / self.length as f64;
        if !self.band.contains(&frequency) {
            return 0.0;
        }
        let edge = (frequency - self.band.start).min(self.band.end - frequency);
        let share = edge / (TAPER * (self.band.end - self.band.start));
        if share >= 1.0 { 1.0 } else { 0.5 - 0.5 * (std::f64::consts::PI * share).cos() }
    }

    fn mean_magnitude(&self, spectrum: &[Complex<f64>]) -> f64 {
        let (sum, weight) = spectrum
            .iter()
            .enumerate()
            .map(|(bin, value)| (self.at(bin) * value.norm(), self.at(bin)))
            .fold((0.0, 0.0), |(s, w), (ds, dw)| (s + ds, w + dw));
        if weight > 0.0 { sum / weight } else { 0.0 }
    }
}

/// The smallest even number with no prime factor above 5 that is not below `least`: transforms of such lengths are fast.
fn smooth_even_length(least: usize) -> usize {
    let mut best = usize::MAX;
    let mut fives = 2;
    while fives < best {
        let mut threes = fives;
        while threes < best {
            let mut length = threes;
            while length < least {
                length *= 2;
            }
            best = best.min(length);
            threes *= 3;
        }
        fives *= 5;
    }
    best
}

impl PhaseCorrelation {
    /// The highest peaks, highest first, at least `separation_samples` apart, each refined
    /// between the lags. Values at the ends of the lags are no peaks.
    #[must_use]
    pub fn peaks(&self, most: usize, separation_samples: f64) -> Vec<Peak> {
        let mut candidates: Vec<usize> = (1..self.values.len().saturating_sub(1))
            .filter(|i| {
                let (left, middle, right) = (self.values[i - 1], self.values[*i], self.values[i + 1]);
                middle > 0.0 && middle >= left && middle > right
            })
            .collect();
        candidates.sort_by(|a, b| self.values[*b].total_cmp(&self.values[*a]).then(a.cmp(b)));
        let mut peaks: Vec<Peak> = Vec::new();
        for index in candidates {
            if peaks.len() == most {
                break;
            }
            let peak = self.refined(index);
            if peaks.iter().all(|p| (p.lag_samples - peak.lag_samples).abs() >= separation_samples) {
                peaks.push(peak);
            }
        }
        peaks
    }

    /// The peak at a highest value, between the samples: the correlation is limited in band, so that a windowed sinc of its values
    /// gives it anywhere; on a grid of [`FINE`] steps per sample a parabola then errs by less than a thousandth of a sample.
    fn refined(&self, index: usize) -> Peak {
        let (middle, steps) = (index as f64, FINE.cast_signed());
        let grid: Vec<f64> = (-steps..=steps).map(|k| self.between(middle + k as f64 / FINE as f64)).collect();
        let highest = (1..grid.len() - 1).max_by(|a, b| grid[*a].total_cmp(&grid[*b])).unwrap_or(FINE);
        let (left, top, right) = (grid[highest - 1], grid[highest], grid[highest + 1]);
        let bend = left - 2.0 * top + right;
        let shift = if bend < 0.0 { (0.5 * (left - right) / bend).clamp(-0.5, 0.5) } else { 0.0 };
        Peak {
            lag_samples: self.first_lag as f64 + middle + (highest as f64 - FINE as f64 + shift) / FINE as f64,
            height: top - 0.25 * (left - right) * shift,
        }
    }

    /// The correlation at a place between two lags, counted from the first.
    fn between(&self, position: f64) -> f64 {
        let centre = position.floor() as isize;
        (centre + 1 - REACH..=centre + REACH)
            .filter_map(|k| {
                let x = std::f64::consts::PI * (position - k as f64);
                let sinc = if x.abs() < 1e-9 { 1.0 } else { x.sin() / x };
                let window = (0.5 * x / REACH as f64).cos().powi(2);
                Some(self.values.get(usize::try_from(k).ok()?)? * sinc * window)
            })
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Uniform noise in -1 to 1 by Knuth's linear congruential generator (MMIX).
    fn noise(seed: u64, length: usize) -> Vec<f64> {
        let mut state = seed;
        (0..length)
            .map(|_| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                (state >> 11) as f64 / (1u64 << 52) as f64 - 1.0
            })
            .collect()
    }

    /// `source` read `delay` samples later, by a windowed sinc of 64 taps.
    fn delayed(source: &[f64], delay: f64) -> Vec<f64> {
        (0..source.len())
            .map(|n| {
                let position = n as f64 - delay;
                let centre = position.floor() as isize;
                (centre - 31..=centre + 32)
                    .filter_map(|k| {
                        let x = position - k as f64;
                        let sinc = if x.abs() < 1e-12 {
                            1.0
                        } else {
                            (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x)
                        };
                        let window = (std::f64::consts::PI * x / 66.0).cos().powi(2);
                        Some(source.get(usize::try_from(k).ok()?)? * sinc * window)
                    })
                    .sum()
            })
            .collect()
    }

    fn best(first: &[f64], second: &[f64], most_lag: isize) -> Vec<Peak> {
        Correlator::default().phase_correlation(first, second, -most_lag..=most_lag, 0.005..0.2).unwrap().peaks(2, 8.0)
    }

    #[test]
    fn fractional_delays_are_found_under_independent_noise_and_an_echo() {
        let source = noise(1, 8192);
        let mut worst = 0.0f64;
        for (case, delay) in [0.0, 0.25, 3.5, -17.3, 120.71, -301.4].into_iter().enumerate() {
            let mut heard = delayed(&source, delay);
            let clean = best(&heard, &source, 500)[0].lag_samples - delay;
            assert!(clean.abs() < 0.03, "delay {delay} without noise: {clean}");
            let echo = delayed(&source, delay + 57.0);
            let hiss = noise(100 + case as u64, source.len());
            for ((h, e), n) in heard.iter_mut().zip(&echo).zip(&hiss) {
                *h = 0.3 * (*h + 0.5 * e + 0.5 * n);
            }
            let reference: Vec<f64> =
                source.iter().zip(noise(200 + case as u64, source.len())).map(|(s, n)| s + 0.5 * n).collect();
            let peaks = best(&heard, &reference, 500);
            let error = (peaks[0].lag_samples - delay).abs();
            worst = worst.max(error);
            assert!(error < 0.1, "delay {delay}: {peaks:?}");
            assert!(peaks[0].height > 1.3 * peaks[1].height, "delay {delay}: {peaks:?}");
        }
        println!("worst error {worst:.4} samples");
    }

    /// The lag of the largest direct time-domain correlation.
    fn direct(first: &[f64], second: &[f64], most_lag: isize) -> isize {
        let at = |lag: isize| -> f64 {
            second.iter().zip(0isize..).filter_map(|(b, n)| Some(b * first.get(usize::try_from(n + lag).ok()?)?)).sum()
        };
        (-most_lag..=most_lag).max_by(|a, b| at(*a).total_cmp(&at(*b))).unwrap()
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]
        #[test]
        fn the_peak_is_where_direct_correlation_has_it(seed in 1u64..1000, shift in -90isize..90) {
            let source = noise(seed, 2000);
            let first = &source[usize::try_from(100 - shift).unwrap()..][..1500];
            let second = &source[100..1600];
            let found = best(first, second, 100)[0];
            prop_assert_eq!(direct(first, second, 100), shift);
            // What the two cuts do not share (up to 190 of 1500 samples) acts as noise: tenths of a sample for some seeds.
            prop_assert!((found.lag_samples - shift as f64).abs() < 0.2);
        }

        #[test]
        fn transform_lengths_are_even_smooth_and_not_much_longer(least in 1usize..10_000_000) {
            let length = smooth_even_length(least);
            let mut rest = length;
            for factor in [2, 3, 5] {
                while rest.is_multiple_of(factor) { rest /= factor; }
            }
            prop_assert!(rest == 1 && length.is_multiple_of(2) && length >= least);
            prop_assert!(length <= 2 * least.max(1));
        }
    }

    #[test]
    fn equal_signals_correlate_to_one_and_signals_of_different_length_do_not_wrap() {
        let source = noise(5, 4000);
        assert!((best(&source, &source, 100)[0].height - 1.0).abs() < 1e-6);
        let found = best(&source, &source[3000..3400], 3900)[0];
        assert!((found.lag_samples - 3000.0).abs() < 0.1, "{found:?}");
    }

    /// Source: scipy.fft and scipy.signal.correlate, tests/reference/correlation_values.py.
    #[test]
    fn shifted_white_noise_correlates_as_in_scipy() {
        let cases = [
            (1, 37, 0.0, [0.963_327_720_2, 0.119_563_222_3, -0.460_862_625_6]),
            (2, -120, 0.3, [0.810_767_368_5, 0.098_639_473_6, -0.381_582_230_9]),
            (3, 5, 1.0, [0.391_548_451_3, 0.058_138_931_6, -0.181_062_972_3]),
            (4, 263, 0.5, [0.632_738_074_9, 0.067_809_639_8, -0.289_494_209_4]),
        ];
        for (seed, shift, amplitude, heights) in cases {
            let source = noise(seed, 4096);
            let cut = |from: usize, seed: u64| -> Vec<f64> {
                source[from..from + 3000].iter().zip(noise(seed, 3000)).map(|(s, n)| s + amplitude * n).collect()
            };
            let first = cut(usize::try_from(300 - shift).unwrap(), 100 + seed);
            let second = cut(300, 200 + seed);
            let found = Correlator::default().phase_correlation(&first, &second, -400..=400, 0.05..0.4).unwrap();
            let highest = (0..found.values.len()).max_by(|a, b| found.values[*a].total_cmp(&found.values[*b])).unwrap();
            assert_eq!(found.first_lag + highest.cast_signed(), shift);
            assert_eq!(direct(&first, &second, 300), shift);
            for (k, height) in heights.into_iter().enumerate() {
                assert!((found.values[highest + k] - height).abs() < 1e-8, "{seed} {k}: {}", found.values[highest + k]);
            }
        }
    }

    /// Cramér-Rao bound of the delay of a sound of flat spectrum heard twice with independent noise: A. H. Quazi, "An overview
    /// on the time delay estimate in active and passive systems for target localization", IEEE Transactions on Acoustics,
    /// Speech, and Signal Processing 29(3), 1981 (formula from memory; it follows from Knapp & Carter 1976, equation 37):
    /// `σ² = 3 / (8 π² T) · (1 + 2 SNR) / SNR² / (f₂³ - f₁³)`, here in samples and cycles per sample.
    #[test]
    fn the_peaks_error_is_within_twice_the_cramer_rao_bound() {
        let (length, trials, band) = (2048_usize, 48_u64, 0.02..0.3);
        let mut correlator = Correlator::default();
        for amplitude in [0.3_f64, 0.6, 1.0] {
            let snr = 1.0 / (amplitude * amplitude);
            let cubes: f64 = 0.3_f64.powi(3) - 0.02_f64.powi(3);
            let variance =
                3.0 / (8.0 * std::f64::consts::PI.powi(2) * length as f64) * (1.0 + 2.0 * snr) / (snr * snr) / cubes;
            let squares: f64 = (0..trials)
                .map(|trial| {
                    let source = noise(3 * trial + 1, length);
                    let delay = 5.0 + 0.37 * (trial % 7) as f64;
                    let heard = |clean: Vec<f64>, seed: u64| -> Vec<f64> {
                        clean.iter().zip(noise(seed, length)).map(|(s, n)| s + amplitude * n).collect()
                    };
                    let first = heard(delayed(&source, delay), 10_000 + trial);
                    let second = heard(source, 20_000 + trial);
                    let found = correlator.phase_correlation(&first, &second, -30..=30, band.clone()).unwrap();
                    (found.peaks(1, 8.0)[0].lag_samples - delay).powi(2)
                })
                .sum();
            let ratio = (squares / trials as f64 / variance).sqrt();
            println!("SNR {:.1} dB: error over the bound {ratio:.2}", 10.0 * snr.log10());
            assert!(ratio < 2.0, "{ratio}");
        }
    }

    #[test]
    fn silence_an_empty_band_and_impossible_lags_are_refused() {
        let mut correlator = Correlator::default();
        let (sound, silence) = (noise(1, 100), vec![0.0; 100]);
        let mut kind = |a: &[f64], b: &[f64], lags, band| correlator.phase_correlation(a, b, lags, band).unwrap_err();
        assert!(matches!(kind(&sound, &silence, -9..=9, 0.0..0.5), CorrelationError::Silent { which: "second", .. }));
        assert!(matches!(kind(&sound, &sound, -9..=9, 0.3..0.3), CorrelationError::Band { .. }));
        assert!(matches!(kind(&sound, &sound, 100..=200, 0.0..0.5), CorrelationError::NoOverlap { .. }));
        assert!(matches!(kind(&sound, &[], -9..=9, 0.0..0.5), CorrelationError::NoOverlap { .. }));
    }

    #[test]
    fn the_sum_over_blocks_finds_a_weak_common_sound_between_the_samples() {
        // The common sound is 8 dB below each microphone's own noise: no block of 4096 samples shows it, 60 together do.
        let (length, blocks, delay) = (4096, 60, 3.4);
        let source = noise(5, length * blocks);
        let mut correlator = Correlator::default();
        let heard = |clean: &[f64], seed: u64| -> Vec<f64> {
            clean.iter().zip(noise(seed, length * blocks)).map(|(s, n)| 0.4 * s + n).collect()
        };
        let (first, second) = (heard(&delayed(&source, delay), 6), heard(&source, 7));
        let mut parts = [PhaseSum::new(length, 0.02..0.4).unwrap(), PhaseSum::new(length, 0.02..0.4).unwrap()];
        for (block, (a, b)) in first.chunks(length).zip(second.chunks(length)).enumerate() {
            assert!(parts[block % 2].add(&mut correlator, a, b, 2.25).unwrap());
        }
        let [mut all, other] = parts;
        all.merge(&other);
        assert!(
            !all.add(&mut correlator, &first[..length], &vec![0.0; length], 0.0).unwrap() && all.blocks() == blocks
        );
        let peak = all.correlation(&mut correlator, -200..=200).unwrap().peaks(1, 8.0)[0];
        println!(
            "60 blocks at -8 dB: {:.3} samples for {:.3}, height {:.3}",
            peak.lag_samples,
            delay - 2.25,
            peak.height
        );
        assert!((peak.lag_samples - (delay - 2.25)).abs() < 0.1);
        assert!(PhaseSum::new(7, 0.0..0.5).is_err() && PhaseSum::new(8, 0.3..0.3).is_err());
        assert!(all.correlation(&mut correlator, -4096..=0).is_err());
        assert!(all.add(&mut correlator, &first[..8], &second[..length], 0.0).is_err());
    }

    #[test]
    fn half_a_minute_at_48_khz_is_quick() {
        let source = noise(9, 30 * 48_000);
        let start = std::time::Instant::now();
        let found = best(&source[48_000..], &source, 100_000)[0];
        println!("30 s at 48 kHz: {:.3} s", start.elapsed().as_secs_f64());
        assert!((found.lag_samples + 48_000.0).abs() < 0.05, "{found:?}");
    }
}
