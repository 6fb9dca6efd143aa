//! When a ball was struck or bounced: its velocity changes from one frame to the next.

use std::ops::Range;

use midline_signal::StraightCourse;
use nalgebra::Vector3;

use super::flight_course::GRAVITY_M_S2;
use super::start::Places;

/// What is looked at on either side, seconds.
const WINDOW_SECONDS: f64 = 0.08;

/// Fewest places on either side.
const FEWEST_PLACES: usize = 5;

/// Least change of the velocity, m/s; drag and spin change it by less than 1 m/s within the windows.
const LEAST_CHANGE_M_S: f64 = 2.5;

/// Least change in standard deviations of its own.
const LEAST_SDS: f64 = 8.0;

/// Session times of all kinks, seconds, rising. z is up.
pub(crate) fn kinks(places: &Places) -> Vec<f64> {
    let (seconds, positions) = (places.seconds(), places.positions());
    let mut found: Vec<(f64, f64)> = Vec::new();
    for split in 1..seconds.len() {
        let from = seconds.partition_point(|t| *t < seconds[split - 1] - WINDOW_SECONDS);
        let to = seconds.partition_point(|t| *t <= seconds[split] + WINDOW_SECONDS);
        if split - from < FEWEST_PLACES || to - split < FEWEST_PLACES {
            continue;
        }
        let between = 0.5 * (seconds[split - 1] + seconds[split]);
        // Without gravity both paths are straight, and at the instant between them nothing is changed by taking it off.
        let lifted = |i: usize| {
            let fall = 0.5 * GRAVITY_M_S2 * (seconds[i] - between).powi(2);
            (seconds[i], positions[i] + Vector3::z() * fall)
        };
        let path = |range: Range<usize>| StraightCourse::through(&range.map(lifted).collect::<Vec<_>>(), between);
        let (Some(before), Some(after)) = (path(from..split), path(split..to)) else { continue };
        let change = after.velocity - before.velocity;
        let variance = (before.squares + after.squares) / (before.freedom + after.freedom) as f64;
        let sd = (variance * (before.velocity_variance + after.velocity_variance)).sqrt();
        if change.norm() < LEAST_CHANGE_M_S || change.norm() < LEAST_SDS * sd {
            continue;
        }
        let (since, _) = before.meeting(&after);
        let gap = seconds[split] - seconds[split - 1];
        if since.abs() < gap.max(0.004) {
            found.push((between + since, variance));
        }
    }
    // Of neighbours the one whose paths are the straightest.
    let mut kept: Vec<(f64, f64)> = Vec::new();
    for (kink, variance) in found {
        match kept.last_mut() {
            Some(last) if kink - last.0 < WINDOW_SECONDS => {
                if variance < last.1 {
                    *last = (kink, variance);
                }
            }
            _ => kept.push((kink, variance)),
        }
    }
    kept.into_iter().map(|(kink, _)| kink).collect()
}
