//! Timing of our way and a peer's, run in turns so that both meet the same state of the machine.

use std::hint::black_box;
use std::time::{Duration, Instant};

/// Our time and the peer's.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// Median of our runs.
    pub ours: Duration,
    /// Median of the peer's runs.
    pub peer: Duration,
    /// Smallest and largest ratio of the peer's time to ours in one turn.
    pub spread: [f64; 2],
    /// Number of turns.
    pub turns: usize,
}

impl Comparison {
    /// How many times faster ours is: the peer's median over our median.
    #[must_use]
    pub fn ratio(&self) -> f64 {
        self.peer.as_secs_f64() / self.ours.as_secs_f64()
    }
}

/// Times both ways in `turns` turns, after one turn to warm up.
///
/// # Errors
/// The first error of either way.
pub fn compare<A, B, E>(
    turns: usize,
    mut ours: impl FnMut() -> Result<A, E>,
    mut peer: impl FnMut() -> Result<B, E>,
) -> Result<Comparison, E> {
    black_box(ours()?);
    black_box(peer()?);
    let mut times = Vec::with_capacity(turns);
    for _ in 0..turns {
        times.push([time(&mut ours)?, time(&mut peer)?]);
    }
    Ok(comparison(&times))
}

/// Times both ways once, without warming up: for a peer that takes minutes.
///
/// # Errors
/// The first error of either way.
pub fn compare_once<A, B, E>(
    mut ours: impl FnMut() -> Result<A, E>,
    mut peer: impl FnMut() -> Result<B, E>,
) -> Result<Comparison, E> {
    Ok(comparison(&[[time(&mut ours)?, time(&mut peer)?]]))
}

fn time<T, E>(work: &mut impl FnMut() -> Result<T, E>) -> Result<Duration, E> {
    let start = Instant::now();
    black_box(work()?);
    Ok(start.elapsed())
}

fn comparison(times: &[[Duration; 2]]) -> Comparison {
    let median = |which: usize| {
        let mut sorted: Vec<Duration> = times.iter().map(|t| t[which]).collect();
        sorted.sort_unstable();
        sorted.get(sorted.len() / 2).copied().unwrap_or_default()
    };
    let ratios = || times.iter().map(|[ours, peer]| peer.as_secs_f64() / ours.as_secs_f64());
    Comparison {
        ours: median(0),
        peer: median(1),
        spread: [ratios().fold(f64::INFINITY, f64::min), ratios().fold(0.0, f64::max)],
        turns: times.len(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn medians_and_spread_are_of_the_turns() {
        let ms = Duration::from_millis;
        let found = comparison(&[[ms(10), ms(100)], [ms(30), ms(60)], [ms(20), ms(400)]]);
        assert_eq!((found.ours, found.peer, found.turns), (ms(20), ms(100), 3));
        assert!((found.ratio() - 5.0).abs() < 1e-12);
        assert!((found.spread[0] - 2.0).abs() < 1e-12 && (found.spread[1] - 20.0).abs() < 1e-12);
    }

    #[test]
    fn an_error_of_either_way_is_passed_on() {
        assert_eq!(compare(3, || Ok::<_, &str>(1), || Err::<(), _>("peer")), Err("peer"));
    }
}
