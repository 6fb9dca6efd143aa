//! How clearly a speed that should only rise has a dip: speeds through windows of several lengths, each with its noise.
//!
//! A brief dip is blurred by a long window and lost in the noise of a short one, so each of several is looked through: a local cubic over the
//! samples themselves, nothing smoothed before. A dip is a rise, a fall and a rise; how clear it is, is its fall over the
//! standard deviation of the difference of the two speeds that it lies between.

use std::ops::RangeInclusive;

use midline_signal::{stencil, window_within};
use nalgebra::Vector3;

use crate::grid::Grid;
use crate::series::Series;
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

/// The clearest dip of a speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct DipFound {
    /// Its fall in standard deviations.
    pub(crate) significance: f64,
    /// From half a window before the peak before it to half a window after the speed is regained, seconds to contact.
    pub(crate) around_seconds: [f64; 2],
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

/// The clearest dip of a point's speed in a range of the grid before contact. `usual` is the speed with its standard deviation on the
/// grid, which stands where a window would stick out of the samples. `None` when there is no dip at all, or a speed is missing.
pub(crate) fn clearest(
    point: &SmoothedPoint,
    usual: [&[Option<f64>]; 2],
    grid: &Grid,
    range: RangeInclusive<usize>,
    frame_seconds: f64,
) -> Option<DipFound> {
    let seen = WINDOWS.into_iter().enumerate().filter_map(|(i, (half, factor))| {
        // The longest is made longer where frames are few.
        let least = LEAST_FRAMES_PER_SIDE * frame_seconds;
        let half = if i == 0 { half.max(least) } else { Some(half).filter(|half| *half > least)? };
        let [speeds, sds] = through_window(point, usual, grid, range.clone(), half);
        let speeds: Vec<f64> = speeds.into_iter().collect::<Option<_>>()?;
        let sds: Vec<f64> = sds.into_iter().collect::<Option<_>>()?;
        let fall = greatest_fall(&speeds, |_, _| true)?;
        let [peak, bottom, regained] = fall.at;
        let at = |k: usize| grid.seconds((range.start() + k) as f64);
        Some(DipFound {
            significance: fall.size / sds[peak].hypot(sds[bottom]) / factor,
            around_seconds: [at(peak) - half, at(regained) + half],
        })
    });
    seen.max_by(|a, b| a.significance.total_cmp(&b.significance))
}

/// Speeds and their standard deviations by local cubics.
fn through_window(
    point: &SmoothedPoint,
    usual: [&[Option<f64>]; 2],
    grid: &Grid,
    range: RangeInclusive<usize>,
    half: f64,
) -> [Series; 2] {
    const DEGREE: usize = 3;
    let samples = point.before_contact();
    let seconds: Vec<f64> = samples.iter().map(|s| s.seconds).collect();
    let own = |k: usize| {
        let at = grid.seconds(k as f64);
        if at + half > *seconds.last()? {
            return None;
        }
        let window = window_within(&seconds, 0..seconds.len(), at, half);
        let inside = samples.get(window.clone()).filter(|inside| inside.len() >= DEGREE + 2)?;
        let variances: Vec<f64> = inside.iter().map(|s| s.variance()).collect();
        let weights: Vec<f64> = variances.iter().map(|v| 1.0 / v).collect();
        let cubic = stencil(&seconds[window], &weights, at, DEGREE)?;
        let velocity: Vector3<f64> = cubic.coefficients(1).iter().zip(inside).map(|(a, s)| s.position * *a).sum();
        Some((velocity.norm(), cubic.variance(1, &variances).sqrt() * point.independent_sd()))
    };
    let (mut speeds, mut sds) = (Series::new(), Series::new());
    for k in range {
        let there = |series: &[Option<f64>]| series.get(k).copied().flatten();
        let (speed, sd) = own(k).map_or((there(usual[0]), there(usual[1])), |(v, sd)| (Some(v), Some(sd)));
        speeds.push(speed);
        sds.push(sd);
    }
    [speeds, sds]
}

#[cfg(test)]
mod tests {
    use super::*;

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
