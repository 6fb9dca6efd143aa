//! Whether a speed that should only rise has a dip: a test on the samples themselves, whose false alarms are known.
//!
//! The samples are laid on the path that the point takes (distance along it over time). The slope of a straight line through the
//! distances of a window is a mean of the speed with positive weights, so however the speed rises, no later window can be slower
//! than an earlier one: the difference of two slopes is negative or zero but for the noise, whose size is known. Nothing is
//! smoothed, hence nothing is blurred into or out of a dip; windows of many lengths serve dips of many lengths.
//!
//! A dip is a rise, a fall and a rise. It is claimed when each of the three stands out, that is by the least clear of the three
//! (intersection-union test: Berger 1982, Technometrics 24:295). The limit holds for the greatest of all windows.

use nalgebra::Vector3;

use crate::grid::Grid;
use crate::smoothing::{SmoothedPoint, State};

/// Lengths of the windows, seconds.
const WINDOWS_SECONDS: [f64; 5] = [0.016, 0.024, 0.034, 0.048, 0.068];

/// A window needs so many samples.
const LEAST_SAMPLES: usize = 4;

/// Standard deviations from which a dip is claimed: with a speed that falls once and then stays even for a quarter of a second (the
/// worst case without a dip), one stroke in a hundred shows more at 240 frames per second (test `false_alarms_are_as_stated`).
pub(crate) const CLEAR: f64 = 3.9;

/// How likely a dip is claimed where there is none, at most.
#[cfg(test)]
pub(crate) const FALSE_ALARMS: f64 = 0.01;

/// The clearest dip of a speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct DipFound {
    /// The least clear of rise, fall and rise, in standard deviations.
    pub(crate) significance: f64,
    /// From the beginning of the fast window before it to the end of the fast window after it, seconds to contact.
    pub(crate) around_seconds: [f64; 2],
}

impl DipFound {
    /// Whether it is claimed.
    pub(crate) fn is_clear(&self) -> bool {
        self.significance > CLEAR
    }
}

/// A sample's distance along the path.
#[derive(Debug, Clone, Copy)]
struct Along {
    seconds: f64,
    metres: f64,
    variance: f64,
}

/// Mean speed of a window.
#[derive(Debug, Clone, Copy)]
struct Window {
    from: f64,
    to: f64,
    speed: f64,
    variance: f64,
}

impl Window {
    /// By how many standard deviations this one is faster.
    fn faster_than(&self, other: &Self) -> f64 {
        (self.speed - other.speed) / (self.variance + other.variance).sqrt()
    }
}

/// The clearest dip of a point's speed between two times to contact; `None` when there is no rise, fall and rise at all, or too few
/// samples.
pub(crate) fn clearest(
    point: &SmoothedPoint,
    states: &[Option<State>],
    grid: &Grid,
    from_seconds: f64,
    to_seconds: f64,
) -> Option<DipFound> {
    let along = along_path(point, states, grid, from_seconds, to_seconds)?;
    clearest_of(&windows(&along))
}

/// Samples laid on the smoothed path: the distance of the path's own place at that time, and how far the sample is ahead of it.
fn along_path(
    point: &SmoothedPoint,
    states: &[Option<State>],
    grid: &Grid,
    from_seconds: f64,
    to_seconds: f64,
) -> Option<Vec<Along>> {
    let (first, last) = (grid.index(from_seconds), grid.index(to_seconds));
    let part: Vec<State> = states.get(first..=last)?.iter().copied().collect::<Option<_>>()?;
    let start = grid.seconds(first as f64);
    let mut passed = vec![0.0];
    for pair in part.windows(2) {
        // Simpson's rule with the speed in the middle of the cubic through both ends.
        let (a, b) = (&pair[0], &pair[1]);
        let middle = (b.position - a.position) * (1.5 / grid.step) - (a.velocity + b.velocity) / 4.0;
        let step = grid.step / 6.0 * (a.velocity.norm() + 4.0 * middle.norm() + b.velocity.norm());
        passed.push(passed.last().copied().unwrap_or(0.0) + step);
    }
    let scale = point.independent_sd().powi(2);
    let samples = point.before_contact().iter().filter(|s| s.seconds >= start && s.seconds <= to_seconds);
    let along = samples.filter_map(|sample| {
        let place = (sample.seconds - start) / grid.step;
        let k = (place.floor() as usize).min(part.len().checked_sub(2)?);
        let (a, b, share) = (part[k], part[k + 1], place - k as f64);
        let (position, velocity) = between(&a, &b, share, grid.step);
        let tangent = velocity.try_normalize(1e-6)?;
        // Distance from the step's beginning: the trapezoid between the speeds is enough within a step.
        let speed = velocity.norm();
        let metres = passed[k] + share * grid.step * (a.velocity.norm() + speed) / 2.0;
        let ahead = tangent.dot(&(sample.position - position));
        let variance = tangent.dot(&(sample.covariance * tangent)) * scale;
        Some(Along { seconds: sample.seconds, metres: metres + ahead, variance })
    });
    Some(along.collect())
}

/// Place and velocity between two states of the grid, on the cubic through both.
fn between(a: &State, b: &State, share: f64, step: f64) -> (Vector3<f64>, Vector3<f64>) {
    let (p, m) = ([a.position, b.position], [a.velocity * step, b.velocity * step]);
    let (u, u2, u3) = (share, share * share, share.powi(3));
    let position = p[0] * (2.0 * u3 - 3.0 * u2 + 1.0)
        + m[0] * (u3 - 2.0 * u2 + u)
        + p[1] * (3.0 * u2 - 2.0 * u3)
        + m[1] * (u3 - u2);
    let slope = (p[1] - p[0]) * (6.0 * u - 6.0 * u2) + m[0] * (3.0 * u2 - 4.0 * u + 1.0) + m[1] * (3.0 * u2 - 2.0 * u);
    (position, slope / step)
}

fn windows(along: &[Along]) -> Vec<Window> {
    let mut list = Vec::new();
    for length in WINDOWS_SECONDS {
        for (i, first) in along.iter().enumerate() {
            let count = along.iter().skip(i).take_while(|s| s.seconds <= first.seconds + length + 1e-9).count();
            let Some(inside) = along.get(i..i + count).filter(|w| w.len() >= LEAST_SAMPLES) else { continue };
            // A window cut off by the end, or with a gap, is a shorter one; those are looked at in their own turn.
            if inside.last().is_some_and(|s| s.seconds - first.seconds >= 0.7 * length) {
                list.extend(slope(inside));
            }
        }
    }
    list
}

/// Slope of the straight line by least squares.
fn slope(inside: &[Along]) -> Option<Window> {
    let n = inside.len() as f64;
    let middle = inside.iter().map(|s| s.seconds).sum::<f64>() / n;
    let spread: f64 = inside.iter().map(|s| (s.seconds - middle).powi(2)).sum();
    let speed = inside.iter().map(|s| (s.seconds - middle) * s.metres).sum::<f64>() / spread;
    let variance = inside.iter().map(|s| (s.seconds - middle).powi(2) * s.variance).sum::<f64>() / (spread * spread);
    Some(Window { from: inside.first()?.seconds, to: inside.last()?.seconds, speed, variance })
}

fn clearest_of(windows: &[Window]) -> Option<DipFound> {
    let greatest = |of: &mut dyn Iterator<Item = (f64, usize)>| of.max_by(|a, b| a.0.total_cmp(&b.0));
    // How clearly each window is faster than one before it, and one after it is faster.
    let risen: Vec<f64> = windows
        .iter()
        .map(|w| {
            let before = windows.iter().filter(|other| other.to <= w.from);
            before.map(|other| w.faster_than(other)).fold(f64::NEG_INFINITY, f64::max)
        })
        .collect();
    let mut found: Option<DipFound> = None;
    for low in windows {
        let before = windows.iter().enumerate().filter(|(_, w)| w.to <= low.from);
        let after = windows.iter().enumerate().filter(|(_, w)| w.from >= low.to);
        let fall = greatest(&mut before.map(|(i, w)| (w.faster_than(low).min(risen[i]), i)));
        let rise = greatest(&mut after.map(|(i, w)| (w.faster_than(low), i)));
        let (Some((fall, before)), Some((rise, after))) = (fall, rise) else { continue };
        let significance = fall.min(rise);
        if significance > found.map_or(0.0, |f| f.significance) {
            found = Some(DipFound { significance, around_seconds: [windows[before].from, windows[after].to] });
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, StandardNormal};

    use super::*;

    /// Distances of a speed over time with 8 mm of noise at 240 per second.
    fn sampled(speed: impl Fn(f64) -> f64, seconds: f64, random: &mut StdRng) -> Vec<Along> {
        let (rate, fine) = (240.0, 8);
        let phase: f64 = random.random_range(0.0..1.0);
        let mut metres = 0.0;
        (0..(seconds * rate) as usize)
            .map(|i| {
                let at = |j: usize| (i as f64 + phase + j as f64 / fine as f64) / rate;
                let now = at(0);
                let noise: f64 = StandardNormal.sample(random);
                let sample = Along { seconds: now, metres: metres + 0.008 * noise, variance: 0.008 * 0.008 };
                metres += (0..fine).map(|j| speed(at(j)) / (rate * fine as f64)).sum::<f64>();
                sample
            })
            .collect()
    }

    fn share_found(n: u64, seconds: f64, speed: impl Fn(f64) -> f64) -> f64 {
        let hits = (0..n).filter(|seed| {
            let along = sampled(&speed, seconds, &mut StdRng::seed_from_u64(*seed));
            clearest_of(&windows(&along)).is_some_and(|dip| dip.is_clear())
        });
        hits.count() as f64 / n as f64
    }

    #[test]
    fn false_alarms_are_as_stated() {
        let n = std::env::var("MIDLINE_TRIALS").ok().and_then(|n| n.parse().ok()).unwrap_or(400);
        // Rises, falls once, stays even: the rise after the fall is all noise.
        let fallen = share_found(n, 0.42, |t| {
            if t < 0.08 {
                60.0 * t
            } else if t < 0.14 {
                14.0
            } else {
                5.0
            }
        });
        // Rises, then stays even: fall and rise are both noise.
        let even = share_found(n, 0.42, |t| if t < 0.14 { 60.0 * t } else { 9.0 });
        let rising = share_found(n, 0.42, |t| 70.0 * t);
        println!("false alarms of {n}: fallen once {fallen:.4}, even {even:.4}, rising {rising:.4}");
        // Three binomial standard deviations above what is stated.
        let most = FALSE_ALARMS + 3.0 * (FALSE_ALARMS / n as f64).sqrt();
        assert!(fallen <= most && even <= most && rising <= 0.2 * FALSE_ALARMS, "{fallen} {even} {rising}");
    }

    #[test]
    fn a_dip_is_found_where_it_is() {
        let dip = |t: f64| 15.0 + 60.0 * (t - 0.2) - 6.0 * (-((t - 0.2) / 0.02_f64).powi(2)).exp();
        let along = sampled(dip, 0.42, &mut StdRng::seed_from_u64(3));
        let found = clearest_of(&windows(&along)).unwrap();
        assert!(found.is_clear(), "{found:?}");
        assert!(found.around_seconds[0] < 0.19 && found.around_seconds[1] > 0.21, "{found:?}");
        assert!(share_found(50, 0.42, dip) > 0.9);
    }

    #[test]
    fn a_fall_without_a_rise_before_or_after_it_is_no_dip() {
        assert_eq!(share_found(20, 0.3, |t| 20.0 - 40.0 * t), 0.0);
        assert_eq!(share_found(20, 0.3, |t| (40.0 * t).min(20.0 - 40.0 * t)), 0.0);
        assert_eq!(share_found(20, 0.3, |t| (20.0 - 100.0 * t).max(30.0 * t)), 0.0);
    }
}
