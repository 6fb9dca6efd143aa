//! When a ball was struck or bounced: its velocity changes from one frame to the next.

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

/// A straight path in free fall: place less the fall, and velocity, at the middle of its times.
struct Line {
    middle: f64,
    place: Vector3<f64>,
    velocity: Vector3<f64>,
    /// Sum of squared departures, m².
    squares: f64,
    count: usize,
    /// Sum of squared times from the middle, s².
    spread: f64,
}

impl Line {
    fn through(seconds: &[f64], places: &[Vector3<f64>]) -> Self {
        let count = seconds.len();
        let middle = seconds.iter().sum::<f64>() / count as f64;
        // Without gravity the path is straight.
        let lifted =
            |t: f64, place: &Vector3<f64>| place + Vector3::z() * (0.5 * GRAVITY_M_S2 * (t - seconds[0]).powi(2));
        let all = || seconds.iter().zip(places).map(|(t, p)| (*t - middle, lifted(*t, p)));
        let place: Vector3<f64> = all().map(|(_, p)| p).sum::<Vector3<f64>>() / count as f64;
        let spread: f64 = all().map(|(t, _)| t * t).sum();
        let slope: Vector3<f64> = all().map(|(t, p)| (p - place) * t).sum::<Vector3<f64>>() / spread;
        let squares = all().map(|(t, p)| (p - place - slope * t).norm_squared()).sum();
        let fall = middle - seconds[0];
        Self {
            middle,
            place: place - Vector3::z() * (0.5 * GRAVITY_M_S2 * fall * fall),
            velocity: slope - Vector3::z() * (GRAVITY_M_S2 * fall),
            squares,
            count,
            spread,
        }
    }

    fn place_at(&self, seconds: f64) -> Vector3<f64> {
        let since = seconds - self.middle;
        self.place + self.velocity * since - Vector3::z() * (0.5 * GRAVITY_M_S2 * since * since)
    }

    fn velocity_at(&self, seconds: f64) -> Vector3<f64> {
        self.velocity - Vector3::z() * (GRAVITY_M_S2 * (seconds - self.middle))
    }
}

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
        let before = Line::through(&seconds[from..split], &positions[from..split]);
        let after = Line::through(&seconds[split..to], &positions[split..to]);
        let between = 0.5 * (seconds[split - 1] + seconds[split]);
        let change = after.velocity_at(between) - before.velocity_at(between);
        let freedom = 3 * (before.count + after.count) - 12;
        let variance = (before.squares + after.squares) / freedom as f64;
        let sd = (variance * (before.spread.recip() + after.spread.recip())).sqrt();
        if change.norm() < LEAST_CHANGE_M_S || change.norm() < LEAST_SDS * sd {
            continue;
        }
        // Where the two paths are nearest to each other.
        let apart = after.place_at(between) - before.place_at(between);
        let kink = between - apart.dot(&change) / change.norm_squared();
        let gap = seconds[split] - seconds[split - 1];
        if (kink - between).abs() < gap.max(0.004) {
            found.push((kink, variance));
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
