//! Hierarchical bootstrap: players are drawn again, then sessions of each, then strokes of each.
//!
//! The estimate is the mean over players of the players' means, so that nobody counts more for having hit more. Drawing at all levels again
//! makes the spread a little too wide and few players make it too narrow (Davison & Hinkley 1997, §3.8); the studentised form
//! (Efron & Tibshirani 1993, ch. 12) takes both out: every replicate is divided by its own standard error.

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rayon::iter::{IntoParallelIterator, ParallelIterator};
use serde::Serialize;

use crate::CohortError;

/// Strokes of the sessions of the players: `players[player][session][stroke]`.
pub type Nested = Vec<Vec<Vec<f64>>>;

/// An estimate by bootstrap.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Bootstrapped {
    /// Mean over players, or difference of two such means.
    pub estimate: f64,
    /// Standard error from the players' means.
    pub standard_error: f64,
    /// 95 % interval.
    pub interval_95: [f64; 2],
    /// Two-sided p of zero.
    pub p: f64,
    /// Replicates.
    pub replicates: usize,
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Mean and squared standard error over players.
fn of_players(means: &[f64]) -> (f64, f64) {
    let (n, middle) = (means.len() as f64, mean(means));
    (middle, means.iter().map(|m| (m - middle).powi(2)).sum::<f64>() / (n - 1.0) / n)
}

fn player_mean(sessions: &[Vec<f64>]) -> f64 {
    let means: Vec<f64> = sessions.iter().map(|s| mean(s)).collect();
    mean(&means)
}

fn drawn(players: &Nested, random: &mut StdRng) -> (f64, f64) {
    let means: Vec<f64> = (0..players.len())
        .map(|_| {
            let sessions = &players[random.random_range(0..players.len())];
            let mut sum = 0.0;
            for _ in 0..sessions.len() {
                let strokes = &sessions[random.random_range(0..sessions.len())];
                let total: f64 = (0..strokes.len()).map(|_| strokes[random.random_range(0..strokes.len())]).sum();
                sum += total / strokes.len() as f64;
            }
            sum / sessions.len() as f64
        })
        .collect();
    of_players(&means)
}

fn checked(players: &Nested) -> Result<(), CohortError> {
    let what = "hierarchical bootstrap";
    if players.len() < 3 {
        return Err(CohortError::too_few(
            what,
            format!("{} player(s) in a group; at least three are needed", players.len()),
        ));
    }
    if players.iter().any(|p| p.is_empty() || p.iter().any(Vec::is_empty)) {
        return Err(CohortError::too_few(what, "a player without sessions or a session without strokes"));
    }
    if players.iter().flatten().flatten().any(|v| !v.is_finite()) {
        return Err(CohortError::too_few(what, "an observation is not a finite number"));
    }
    Ok(())
}

/// Mean over players of one group (`other` is `None`) or difference of two groups' means.
///
/// # Errors
/// When a group has fewer than three players, or a player or session is empty.
pub fn bootstrap(
    players: &Nested,
    other: Option<&Nested>,
    replicates: usize,
    seed: u64,
) -> Result<Bootstrapped, CohortError> {
    checked(players)?;
    if let Some(other) = other {
        checked(other)?;
    }
    let of = |players: &Nested| of_players(&players.iter().map(|p| player_mean(p)).collect::<Vec<_>>());
    let (first, second) = (of(players), other.map_or((0.0, 0.0), of));
    let (estimate, standard_error) = (first.0 - second.0, (first.1 + second.1).sqrt());
    if standard_error <= 0.0 {
        return Err(CohortError::too_few(
            "hierarchical bootstrap",
            "all players have the same mean; there is no spread to draw from",
        ));
    }
    let mut studentised: Vec<f64> = (0..replicates)
        .into_par_iter()
        .filter_map(|number| {
            let mut random = StdRng::seed_from_u64(seed ^ (number as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15));
            let first = drawn(players, &mut random);
            let second = other.map_or((0.0, 0.0), |other| drawn(other, &mut random));
            let t = (first.0 - second.0 - estimate) / (first.1 + second.1).sqrt();
            t.is_finite().then_some(t)
        })
        .collect();
    studentised.sort_by(f64::total_cmp);
    let n = studentised.len();
    if n < 20 {
        return Err(CohortError::too_few("hierarchical bootstrap", "too few replicates have any spread"));
    }
    let quantile = |share: f64| {
        let place = share * (n as f64 + 1.0) - 1.0;
        let low = place.floor().clamp(0.0, n as f64 - 1.0);
        let (a, b) = (studentised[low as usize], studentised[(low as usize + 1).min(n - 1)]);
        a + (b - a) * (place - low).clamp(0.0, 1.0)
    };
    // The share of replicates beyond the observed t, on the nearer side, twice.
    let t = estimate / standard_error;
    let below = studentised.partition_point(|s| *s < t) as f64;
    let p = (2.0 * (below + 1.0).min(n as f64 - below + 1.0) / (n as f64 + 1.0)).min(1.0);
    Ok(Bootstrapped {
        estimate,
        standard_error,
        interval_95: [estimate - quantile(0.975) * standard_error, estimate - quantile(0.025) * standard_error],
        p,
        replicates: n,
    })
}
