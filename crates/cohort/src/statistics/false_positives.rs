//! Simulated studies without any effect: how often does each method find one at 5 %?

use rand::SeedableRng;
use rand::rngs::StdRng;
use rand_distr::{Distribution, StandardNormal};
use rayon::iter::{IntoParallelIterator, ParallelIterator};

use super::bootstrap::{Nested, bootstrap};
use super::curve_test::{Design, permute, test};
use super::mixed::{Levels, Row, fit};

/// Players per group, sessions per player, strokes per session.
const SIZE: [usize; 3] = [10, 2, 6];
/// Standard deviations between players, sessions and strokes: the strokes of a player are much alike.
const SDS: [f64; 3] = [1.0, 0.5, 1.0];

fn study(seed: u64) -> [Nested; 2] {
    let mut random = StdRng::seed_from_u64(seed);
    let mut normal =
        |sd: f64| -> f64 { sd * <StandardNormal as Distribution<f64>>::sample(&StandardNormal, &mut random) };
    std::array::from_fn(|_| {
        (0..SIZE[0])
            .map(|_| {
                let player = normal(SDS[0]);
                (0..SIZE[1])
                    .map(|_| {
                        let session = player + normal(SDS[1]);
                        (0..SIZE[2]).map(|_| session + normal(SDS[2])).collect()
                    })
                    .collect()
            })
            .collect()
    })
}

fn rows(study: &[Nested; 2], keep_nesting: bool) -> Vec<Row> {
    let mut all = Vec::new();
    for (group, players) in study.iter().enumerate() {
        for (player, sessions) in players.iter().enumerate() {
            for (session, strokes) in sessions.iter().enumerate() {
                for y in strokes {
                    // Without nesting every stroke is a player of its own.
                    let own = if keep_nesting { group * 1000 + player } else { all.len() };
                    all.push(Row { player: own, session, y: *y, x: vec![group as f64] });
                }
            }
        }
    }
    all
}

fn share(trials: u64, found: impl Fn(u64) -> bool + Sync + Send) -> f64 {
    let hits = (0..trials).into_par_iter().filter(|seed| found(*seed)).count();
    hits as f64 / trials as f64
}

#[test]
fn ignoring_the_nesting_finds_what_is_not_there() {
    // Each stroke taken as independent: the plain t test of two groups.
    let naive = share(2000, |seed| {
        let study = study(seed);
        let flat: Vec<Vec<f64>> = study.iter().map(|g| g.iter().flatten().flatten().copied().collect()).collect();
        let (n, mean) = (flat[0].len() as f64, |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64);
        let squares: f64 = flat.iter().map(|v| v.iter().map(|x| (x - mean(v)).powi(2)).sum::<f64>()).sum();
        let t = (mean(&flat[0]) - mean(&flat[1])) / (squares / (2.0 * n - 2.0) * 2.0 / n).sqrt();
        t.abs() > 1.97
    });
    let mixed = share(4000, |seed| {
        let model = fit(&rows(&study(seed), true), Levels::PlayersAndSessions).unwrap();
        model.coefficients[1].p.unwrap() < 0.05
    });
    let drawn = share(4000, |seed| bootstrap(&study(seed)[0], Some(&study(seed)[1]), 399, seed).unwrap().p < 0.05);
    println!(
        "false positives at 5 %: strokes as independent {naive:.3}, mixed model {mixed:.4}, hierarchical bootstrap {drawn:.4}"
    );
    assert!(naive > 0.25, "{naive}");
    assert!((0.04..=0.06).contains(&mixed), "{mixed}");
    assert!((0.04..=0.06).contains(&drawn), "{drawn}");
}

/// Smooth curves of two groups of players without any difference.
fn curves(seed: u64, count: usize) -> Vec<Vec<f64>> {
    let mut random = StdRng::seed_from_u64(seed);
    let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
    const PAD: usize = 40;
    let kernel: Vec<f64> = (-30..=30).map(|k| (-0.5 * (f64::from(k) / 8.0).powi(2)).exp()).collect();
    (0..count)
        .map(|_| {
            let white: Vec<f64> = (0..101 + 2 * PAD).map(|_| normal()).collect();
            (0..101).map(|k| kernel.iter().zip(&white[k + PAD - 30..]).map(|(w, x)| w * x).sum()).collect()
        })
        .collect()
}

#[test]
fn curve_statistics_keep_five_per_cent_over_the_whole_curve() {
    let by_field = share(2000, |seed| {
        let all = curves(seed, 24);
        let (first, second) = all.split_at(12);
        test(Design::TwoSample { first, second }, 0.05, true).unwrap().p < 0.05
    });
    let by_labels = share(1000, |seed| {
        let all = curves(seed, 16);
        let (first, second) = all.split_at(8);
        permute(Design::TwoSample { first, second }, 0.05, 199, seed).unwrap().p <= 0.05
    });
    let instant_by_instant = share(500, |seed| {
        let all = curves(seed, 24);
        let (first, second) = all.split_at(12);
        let found = test(Design::TwoSample { first, second }, 0.05, true).unwrap();
        found.t.iter().any(|t| t.abs() > 2.0739)
    });
    println!(
        "whole curve: random field {by_field:.4}, permutation {by_labels:.4}; each instant by itself {instant_by_instant:.3}"
    );
    assert!((0.035..=0.065).contains(&by_field), "{by_field}");
    assert!((0.03..=0.07).contains(&by_labels), "{by_labels}");
    assert!(instant_by_instant > 0.15, "{instant_by_instant}");
}
