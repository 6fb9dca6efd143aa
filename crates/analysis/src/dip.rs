//! How clearly a speed that should only rise has a dip: speeds through windows of several lengths, each with its noise.
//!
//! A brief dip is blurred by a long window and lost in the noise of a short one, so each of several is looked through: a local cubic over the
//! samples themselves, nothing smoothed before. A dip is a rise, a fall and a rise; how clear it is, is its fall over the
//! standard deviation of the difference of the two speeds that it lies between.
//!
//! That none is clear does not say that there is none. How large a dip may be that the noise hides is found by putting one onto the speed, at
//! each place in turn: its fall through a window is held against the fall that is seen there (an upper limit as for a detection;
//! Currie 1968, Anal. Chem. 40:586).

use std::ops::RangeInclusive;

use midline_signal::{normal_probability, stencil, window_within};
use nalgebra::Vector3;

use crate::bell::Bell;
use crate::grid::Grid;
use crate::series::{Series, steps_below_zero};
use crate::smoothing::SmoothedPoint;

/// A dip is claimed from this many standard deviations on: the deepest fall of many is looked at, so 1.96 would claim a dip in every
/// tenth even swing.
pub(crate) const CLEAR: f64 = 4.0;

/// Half windows, seconds, and by how much their standard deviations count for less: a short window holds more independent speeds,
/// of which one may fall by chance. The deepest falls of 500 clean made-up swings at 240 frames per second reach 3.0, 3.4, 3.7 and 4.2
/// standard deviations through these, of 600 at 120 with correlated noise 3.8, 4.3 and 3.9; claimed are dips from 3.8, 4.3, 4.5 and 4.8 on.
const WINDOWS: [(f64, f64); 4] = [(0.050, 0.950), (0.036, 1.075), (0.027, 1.125), (0.020, 1.20)];

/// A window of fewer frames than this on each side is not looked through.
const LEAST_FRAMES_PER_SIDE: f64 = 3.0;

/// How long the dip lasts that is asked after where none is found: time in its lower half, seconds. A convention of this program.
const REFERENCE_SECONDS: f64 = 0.05;

/// How far it falls at least, as a share of the speed at contact. A convention of this program.
pub(crate) const REFERENCE_SHARE: f64 = 0.05;

/// A fall counts as a dip when it exceeds this share of the lower neighbouring peak.
pub(crate) const LEAST_DEPTH: f64 = 0.10;

/// Standard deviations of the slowing that leads to it, seconds; the first that does is taken.
const WIDTHS_SECONDS: [f64; 6] = [0.020, 0.026, 0.034, 0.044, 0.057, 0.074];

/// How far apart the places are that it is put at, seconds.
const PLACES_SECONDS: f64 = 0.02;

/// In the last stretch before contact only slower changes are seen, seconds.
const UNSEEN_SECONDS: f64 = 0.06;

/// The clearest dip of a speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct DipFound {
    /// Its fall in standard deviations.
    pub(crate) significance: f64,
    /// From half a window before the peak before it to half a window after the speed is regained, seconds to contact.
    pub(crate) around_seconds: [f64; 2],
}

/// What is seen of dips in a stroke.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct DipSight {
    /// `None` where the speed falls nowhere.
    pub(crate) clearest: Option<DipFound>,
    /// The largest fall that may be hidden with a probability of 5 %, m/s.
    pub(crate) largest_hidden_m_s: f64,
    /// Probability that a dip of the size asked after would look as little like one as what is seen; `None` where it has no room.
    pub(crate) hidden: Option<f64>,
}

impl DipFound {
    /// Whether it is claimed.
    pub(crate) fn is_clear(&self) -> bool {
        self.significance > CLEAR
    }
}

/// A fall between two rises.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Fall {
    /// Indices of the peak before it, of the least speed, and of where the lower of the two neighbouring peaks is regained.
    pub(crate) at: [usize; 3],
    /// The lower of the two neighbouring peaks, m/s.
    pub(crate) peak: f64,
    /// How far the speed falls below it, m/s.
    pub(crate) size: f64,
}

impl Fall {
    /// Time in its lower half, seconds, for speeds so many seconds apart.
    pub(crate) fn seconds(&self, speeds: &[f64], step: f64) -> f64 {
        let level = self.peak - self.size / 2.0;
        let lowered: Series = speeds.iter().map(|v| Some(v - level)).collect();
        steps_below_zero(&lowered, self.at[0]..=self.at[2]).unwrap_or_default() * step
    }
}

/// The greatest fall of the speeds whose peak and least speed `counts`. The rise before it must be as large as the fall: a speed that only
/// comes down and then rises has no dip.
pub(crate) fn greatest_fall(speeds: &[f64], counts: impl Fn(usize, usize) -> bool) -> Option<Fall> {
    // Greatest speed from each instant on.
    let mut later = speeds.to_vec();
    for k in (0..later.len().saturating_sub(1)).rev() {
        later[k] = later[k].max(later[k + 1]);
    }
    let mut greatest: Option<Fall> = None;
    let mut lowest_so_far = f64::INFINITY;
    for (l, top) in speeds.iter().enumerate() {
        lowest_so_far = lowest_so_far.min(*top);
        for (m, bottom) in speeds.iter().enumerate().skip(l + 1).take_while(|(_, v)| *v < top) {
            let peak = top.min(later[m]);
            let size = (peak - bottom).min(top - lowest_so_far);
            if size > 0.0 && counts(l, m) && greatest.is_none_or(|fall| size > fall.size) {
                let regained = speeds.iter().skip(m).position(|v| *v >= peak).map_or(speeds.len() - 1, |i| m + i);
                greatest = Some(Fall { at: [l, m, regained], peak, size });
            }
        }
    }
    greatest
}

/// What is seen of a point's speed in a range of the grid before contact: through each window, and with what noise.
pub(crate) struct Sight<'a> {
    grid: &'a Grid,
    /// First instant of the range.
    start: usize,
    /// The usual speed, made to rise from its least on.
    rising: Vec<f64>,
    sample_seconds: Vec<f64>,
    windows: Vec<Window>,
}

struct Window {
    half_seconds: f64,
    /// By how much its standard deviations count for less.
    factor: f64,
    speeds: Vec<f64>,
    sds: Vec<f64>,
    /// Per instant, what turns samples into the velocity: index of the first and coefficients; `None` where the usual speed stands.
    slopes: Vec<Option<(usize, Vec<f64>)>>,
}

impl<'a> Sight<'a> {
    /// `usual` is the speed with its standard deviation on the grid. `None` when a speed is missing, or there is none.
    pub(crate) fn new(
        point: &SmoothedPoint,
        usual: [&[Option<f64>]; 2],
        grid: &'a Grid,
        range: RangeInclusive<usize>,
        frame_seconds: f64,
    ) -> Option<Self> {
        let [speeds, sds] =
            usual.map(|series| series.get(range.clone())?.iter().copied().collect::<Option<Vec<f64>>>());
        let (speeds, sds) = (speeds.filter(|speeds| !speeds.is_empty())?, sds?);
        let sample_seconds: Vec<f64> = point.before_contact().iter().map(|s| s.seconds).collect();
        // The longest is made longer where frames are few.
        let least = LEAST_FRAMES_PER_SIDE * frame_seconds;
        let halves = WINDOWS.into_iter().enumerate().filter_map(|(i, (half, factor))| {
            let half = if i == 0 { half.max(least) } else { Some(half).filter(|half| *half > least)? };
            Some((half, factor))
        });
        let windows = halves
            .map(|(half_seconds, factor)| {
                let mut window = Window {
                    half_seconds,
                    factor,
                    speeds: speeds.clone(),
                    sds: sds.clone(),
                    slopes: vec![None; speeds.len()],
                };
                for (i, k) in range.clone().enumerate() {
                    if let Some((first, slopes, speed, sd)) =
                        through_cubic(point, &sample_seconds, grid.seconds(k as f64), half_seconds)
                    {
                        (window.speeds[i], window.sds[i], window.slopes[i]) = (speed, sd, Some((first, slopes)));
                    }
                }
                window
            })
            .collect();
        Some(Self { grid, start: *range.start(), rising: rising(&speeds), sample_seconds, windows })
    }

    fn seconds(&self, i: usize) -> f64 {
        self.grid.seconds((self.start + i) as f64)
    }

    /// The clearest dip; `None` when there is no fall at all.
    pub(crate) fn clearest(&self) -> Option<DipFound> {
        let seen = self.windows.iter().filter_map(|window| {
            let fall = greatest_fall(&window.speeds, |_, _| true)?;
            let [peak, _, regained] = fall.at;
            Some(DipFound {
                significance: window.significance(&fall),
                around_seconds: [
                    self.seconds(peak) - window.half_seconds,
                    self.seconds(regained) + window.half_seconds,
                ],
            })
        });
        seen.max_by(|a, b| a.significance.total_cmp(&b.significance))
    }

    /// Probability that a dip by so much (m/s), or by [`LEAST_DEPTH`] where that is more, would look as little like one as what is seen, at the
    /// place where that is likeliest. It lasts [`REFERENCE_SECONDS`]. `None` where it has no room.
    pub(crate) fn hidden(&self, fall_m_s: f64) -> Option<f64> {
        let last = self.seconds(self.rising.len() - 1) - UNSEEN_SECONDS;
        let every = (PLACES_SECONDS / self.grid.step).round().max(1.0) as usize;
        let places = (0..self.rising.len()).step_by(every).take_while(|i| self.seconds(*i) <= last);
        places.filter_map(|i| self.hidden_at(i, fall_m_s)).reduce(f64::max)
    }

    /// The largest fall that may be hidden with this probability, m/s.
    pub(crate) fn largest_hidden(&self, probability: f64) -> f64 {
        let (mut low, mut high) = (0.0, self.rising.iter().copied().fold(0.0, f64::max));
        for _ in 0..8 {
            let middle = (low + high) / 2.0;
            if self.hidden(middle).is_some_and(|p| p > probability) { low = middle } else { high = middle }
        }
        high
    }

    /// `None` where a dip like that has no room.
    fn hidden_at(&self, i: usize, fall_m_s: f64) -> Option<f64> {
        let centre = self.seconds(i);
        let is_near = |_: usize, bottom: usize| (self.seconds(bottom) - centre).abs() < REFERENCE_SECONDS;
        let fallen = |height: f64, bells: &[f64]| {
            let speeds: Vec<f64> = self.rising.iter().zip(bells).map(|(v, b)| v - height * b).collect();
            Some((greatest_fall(&speeds, is_near)?, speeds))
        };
        // On a rising speed the slowing must be stronger and longer than the dip that it leaves.
        let (bell, bells, height) = WIDTHS_SECONDS.into_iter().find_map(|width_seconds| {
            let bell = Bell { centre_seconds: centre, width_seconds };
            let bells: Vec<f64> = (0..self.rising.len()).map(|i| bell.at(self.seconds(i))).collect();
            let is_deep = |height: f64| {
                fallen(height, &bells).is_some_and(|(fall, _)| fall.size >= fall_m_s.max(LEAST_DEPTH * fall.peak))
            };
            let (mut low, mut high) = (0.0, self.rising[i]);
            if !is_deep(high) {
                return None;
            }
            for _ in 0..10 {
                let middle = (low + high) / 2.0;
                if is_deep(middle) { high = middle } else { low = middle }
            }
            let (fall, speeds) = fallen(high, &bells)?;
            (fall.seconds(&speeds, self.grid.step) >= REFERENCE_SECONDS).then_some((bell, bells, high))
        })?;
        // How far the bell sets back each sample on its way.
        let behind: Vec<f64> = self.sample_seconds.iter().map(|at| bell.until(*at)).collect();
        let through = self.windows.iter().filter_map(|window| {
            let expected = window.significance(&fallen(height, &window.seen(&bells, &behind))?.0);
            let found = greatest_fall(&window.speeds, is_near).map_or(0.0, |fall| window.significance(&fall));
            // Significances count for less by the factor, so that is what they scatter less by.
            Some((expected, normal_probability((found - expected) * window.factor)))
        });
        // Looked at through the window that would show it clearest.
        through.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, hidden)| hidden)
    }
}

impl Window {
    fn significance(&self, fall: &Fall) -> f64 {
        let [peak, bottom, _] = fall.at;
        fall.size / self.sds[peak].hypot(self.sds[bottom]) / self.factor
    }

    /// What it makes of a course of speeds, from the way that they lead to at the samples.
    fn seen(&self, speeds: &[f64], way: &[f64]) -> Vec<f64> {
        let through = |(speed, slopes): (&f64, &Option<(usize, Vec<f64>)>)| match slopes {
            Some((first, slopes)) => slopes.iter().zip(&way[*first..]).map(|(a, s)| a * s).sum(),
            None => *speed,
        };
        speeds.iter().zip(&self.slopes).map(through).collect()
    }
}

/// The speeds without their dips: from the least on, the middle between the greatest so far and the least from there on.
fn rising(speeds: &[f64]) -> Vec<f64> {
    let mut rising = speeds.to_vec();
    let lowest = (0..speeds.len()).min_by(|a, b| speeds[*a].total_cmp(&speeds[*b])).unwrap_or_default();
    let mut later = speeds.to_vec();
    for i in (lowest..speeds.len().saturating_sub(1)).rev() {
        later[i] = later[i].min(later[i + 1]);
    }
    let mut so_far = 0.0_f64;
    for i in lowest..speeds.len() {
        so_far = so_far.max(speeds[i]);
        rising[i] = (so_far + later[i]) / 2.0;
    }
    rising
}

/// The speed by a local cubic: index of its first sample, coefficients, speed, standard deviation. `None` where it would stick out.
fn through_cubic(
    point: &SmoothedPoint,
    sample_seconds: &[f64],
    at: f64,
    half_seconds: f64,
) -> Option<(usize, Vec<f64>, f64, f64)> {
    const DEGREE: usize = 3;
    if at + half_seconds > *sample_seconds.last()? {
        return None;
    }
    let window = window_within(sample_seconds, 0..sample_seconds.len(), at, half_seconds);
    let inside = point.before_contact().get(window.clone()).filter(|inside| inside.len() >= DEGREE + 2)?;
    let variances: Vec<f64> = inside.iter().map(|s| s.variance()).collect();
    let weights: Vec<f64> = variances.iter().map(|v| 1.0 / v).collect();
    let cubic = stencil(&sample_seconds[window.clone()], &weights, at, DEGREE)?;
    let slopes = cubic.coefficients(1).to_vec();
    let velocity: Vector3<f64> = slopes.iter().zip(inside).map(|(a, s)| s.position * *a).sum();
    let sd = cubic.variance(1, &variances).sqrt() * point.independent_sd();
    Some((window.start, slopes, velocity.norm(), sd))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dip_lasts_as_long_as_the_speed_is_in_its_lower_half() {
        let speeds = [1.0, 5.0, 3.0, 4.0, 9.0];
        let fall = greatest_fall(&speeds, |_, _| true).unwrap();
        // Below 4 from half way between 5 and 3 on, up to 4.
        assert!((fall.seconds(&speeds, 0.1) - 0.15).abs() < 1e-12);
    }

    #[test]
    fn what_is_looked_for_is_put_onto_a_speed_that_rises() {
        assert_eq!(rising(&[3.0, 1.0, 5.0, 3.0, 4.0, 9.0]), [3.0, 1.0, 4.0, 4.0, 4.5, 9.0]);
    }

    #[test]
    fn a_fall_counts_up_to_the_lower_of_its_peaks_and_of_the_rise_before_it() {
        let fall = |speeds: &[f64]| greatest_fall(speeds, |_, _| true).map(|f| (f.at, f.peak, f.size));
        assert_eq!(fall(&[1.0, 5.0, 3.0, 4.0, 9.0]), Some(([1, 2, 4], 5.0, 2.0)));
        // The lower peak is the later one.
        assert_eq!(fall(&[1.0, 9.0, 3.0, 4.0]), Some(([1, 2, 3], 4.0, 1.0)));
        // Little was risen before.
        assert_eq!(fall(&[4.0, 5.0, 1.0, 9.0]), Some(([1, 2, 3], 5.0, 1.0)));
        assert_eq!(fall(&[5.0, 4.0, 1.0, 9.0]), None);
        assert_eq!(fall(&[1.0, 2.0, 5.0, 9.0]), None);
        assert_eq!(greatest_fall(&[1.0, 5.0, 3.0, 6.0, 5.9, 9.0], |l, _| l > 1).map(|f| f.at), Some([3, 4, 5]));
    }
}
