//! How finely a path has to be cut into spline intervals: as coarsely as the sightings allow.
//!
//! A spline that is finer than the motion follows the detector's noise, whose speed would then pass for a clock. The number
//! of intervals is the one with the least `-2 ln likelihood + 2 p` of each camera's own sightings (Akaike 1974, "A new look at
//! the statistical model identification"), the likelihood robust against gross errors.

use midline_solver::Loss;
use nalgebra::{DMatrix, Vector2};

use super::spline::{SUPPORT, weights};
use crate::level::robust_sd;

/// Numbers of intervals that are tried.
const TRIED: [usize; 9] = [1, 2, 3, 4, 6, 8, 12, 16, 24];
/// An interval lasts at least this many spacings of the sightings.
const LEAST_SPACINGS: f64 = 1.5;
/// Coordinates more than unknowns that a fit needs.
const LEAST_FREEDOM: usize = 6;
/// Loss scale in standard deviations (Cauchy).
const CAUCHY: f64 = 2.385;
/// Passes of reweighting.
const PASSES: usize = 3;

/// The number of intervals over a stretch from one camera's sightings (instant as a share of the stretch, pixel); `None` when
/// they are too few to tell.
pub(crate) fn intervals(sightings: &[(f64, Vector2<f64>)]) -> Option<usize> {
    let spacings = sightings.len() as f64;
    let fits: Vec<(usize, Vec<Vector2<f64>>)> = TRIED
        .into_iter()
        .filter(|n| spacings / *n as f64 >= LEAST_SPACINGS && sightings.len() >= n + SUPPORT - 1 + LEAST_FREEDOM)
        .filter_map(|n| Some((n, residuals(sightings, n)?)))
        .collect();
    let (finest, leftover) = fits.last()?;
    let freedom = 1.0 - (finest + SUPPORT - 1) as f64 / spacings;
    let coordinates: Vec<f64> = leftover.iter().flat_map(|r| [r.x, r.y]).collect();
    let sd = (robust_sd(&coordinates, 0.0) / freedom.sqrt()).max(f64::MIN_POSITIVE);
    let criterion = |n: usize, residuals: &[Vector2<f64>]| -> f64 {
        let misfit: f64 =
            residuals.iter().map(|r| Loss::Cauchy(CAUCHY).value_and_weight((r / sd).norm_squared()).0).sum();
        misfit + 2.0 * (2 * (n + SUPPORT - 1)) as f64
    };
    fits.iter().min_by(|a, b| criterion(a.0, &a.1).total_cmp(&criterion(b.0, &b.1))).map(|f| f.0)
}

/// What the spline of least squares leaves over, reweighted against gross errors.
fn residuals(sightings: &[(f64, Vector2<f64>)], intervals: usize) -> Option<Vec<Vector2<f64>>> {
    let controls = intervals + SUPPORT - 1;
    let rows: Vec<(usize, [f64; SUPPORT])> = sightings
        .iter()
        .map(|(share, _)| {
            let position = share * intervals as f64;
            let first = position.floor().clamp(0.0, (intervals - 1) as f64);
            (first as usize, weights(position - first))
        })
        .collect();
    let mut trust = vec![1.0; sightings.len()];
    let mut left = Vec::new();
    for _ in 0..PASSES {
        let (mut normal, mut right) = (DMatrix::<f64>::zeros(controls, controls), DMatrix::<f64>::zeros(controls, 2));
        for (((first, shares), (_, px)), trust) in rows.iter().zip(sightings).zip(&trust) {
            for (i, a) in shares.iter().enumerate() {
                for axis in 0..2 {
                    right[(first + i, axis)] += trust * a * px[axis];
                }
                for (j, b) in shares.iter().enumerate() {
                    normal[(first + i, first + j)] += trust * a * b;
                }
            }
        }
        // An interval without sightings stays where the others put it.
        let ridge = 1e-9 * normal.diagonal().max();
        for k in 0..controls {
            normal[(k, k)] += ridge;
        }
        let solved = normal.cholesky()?.solve(&right);
        left = rows
            .iter()
            .zip(sightings)
            .map(|((first, shares), (_, px))| {
                let at =
                    |axis: usize| shares.iter().enumerate().map(|(i, a)| a * solved[(first + i, axis)]).sum::<f64>();
                px - Vector2::new(at(0), at(1))
            })
            .collect::<Vec<_>>();
        let coordinates: Vec<f64> = left.iter().flat_map(|r| [r.x, r.y]).collect();
        let sd = robust_sd(&coordinates, 0.0).max(f64::MIN_POSITIVE);
        for (trust, residual) in trust.iter_mut().zip(&left) {
            *trust = Loss::Cauchy(CAUCHY).value_and_weight((residual / sd).norm_squared()).1;
        }
    }
    Some(left)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand::rngs::StdRng;
    use rand_distr::{Distribution, StandardNormal};

    fn sightings(seed: u64, place: impl Fn(f64) -> [f64; 2]) -> Vec<(f64, Vector2<f64>)> {
        let mut random = StdRng::seed_from_u64(seed);
        let mut noise = || Distribution::<f64>::sample(&StandardNormal, &mut random);
        let mut made: Vec<_> = (0..60)
            .map(|k| {
                let t = (f64::from(k) + 0.5) / 60.0;
                let [x, y] = place(t);
                (t, Vector2::new(x + noise(), y + noise()))
            })
            .collect();
        // A gross error is not motion.
        made[30].1.x += 90.0;
        made
    }

    #[test]
    fn rest_needs_one_interval_and_a_swing_several() {
        let mut rest = 0;
        for seed in 0..20 {
            rest += intervals(&sightings(seed, |_| [500.0, 400.0])).unwrap();
            let swing = intervals(&sightings(seed, |t| {
                let angle = 2.2 * (-((t - 0.5) / 0.3).powi(2)).exp();
                [260.0 * angle.cos(), 260.0 * angle.sin()]
            }))
            .unwrap();
            assert!((2..=16).contains(&swing), "seed {seed}: {swing}");
        }
        println!("rest: {rest} intervals in 20 stretches");
        assert!(rest <= 40, "{rest}");
        assert_eq!(intervals(&sightings(1, |t| [t, t])[..5]), None);
    }
}
