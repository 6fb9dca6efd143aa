//! Style groups: players whose curves go alike, and how sure one can be of the groups.
//!
//! Curves are registered first (instants of the same event on top of each other, [`registered`]), reduced to the scores of their principal
//! components, and joined bottom-up by Ward's criterion (Ward 1963; Murtagh & Legendre 2014, the form on squared distances; library
//! `kodama`). The number of groups is the one with the largest mean silhouette (Rousseeuw 1987). Each group's stability is the mean Jaccard
//! agreement with its nearest group when players are drawn again (Hennig 2007): below 0.6 it should not be believed, above 0.75 it
//! is a valid pattern (Hennig's own rule of thumb). A group describes; it does not grade.

use kodama::{Method, linkage};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rayon::iter::{IntoParallelIterator, ParallelIterator};
use serde::Serialize;

use super::principal;
use crate::CohortError;

/// A mean silhouette below this is not a structure (Kaufman & Rousseeuw 1990, table 4: at most 0.25 no substantial structure).
pub const LEAST_SILHOUETTE: f64 = 0.25;

/// Principal components that carry the grouping.
const COMPONENTS: usize = 4;

/// Groups found among players.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Styles {
    /// Group of each player, from 0; groups are numbered in the order in which their first players stand.
    pub group: Vec<usize>,
    /// Number of groups; 1 when no split has enough structure.
    pub groups: usize,
    /// Mean silhouette of every number of groups that was tried, from 2.
    pub silhouettes: Vec<f64>,
    /// Stability of each group, 0 to 1.
    pub stability: Vec<f64>,
    /// First two scores of each player, for a map.
    pub map: Vec<[f64; 2]>,
    /// Share of the variance that the map's axes carry.
    pub map_shares: [f64; 2],
}

/// Groups players by their registered curves, trying 2 to `most` groups.
///
/// # Errors
/// When there are fewer than six players, lengths differ or curves have gaps.
pub fn group(curves: &[Vec<f64>], most: usize, replicates: usize, seed: u64) -> Result<Styles, CohortError> {
    if curves.len() < 6 {
        return Err(CohortError::too_few("style groups", format!("{} players; at least six are needed", curves.len())));
    }
    let components = principal::components(curves, COMPONENTS)?;
    let points = &components.scores;
    let map = points.iter().map(|s| [s[0], s.get(1).copied().unwrap_or(0.0)]).collect();
    let map_shares = [components.shares[0], components.shares.get(1).copied().unwrap_or(0.0)];
    let most = most.min(curves.len() / 2).max(2);
    let silhouettes: Vec<f64> = (2..=most).map(|k| silhouette(points, &cut(points, k))).collect();
    let best = (0..silhouettes.len()).max_by(|a, b| silhouettes[*a].total_cmp(&silhouettes[*b])).unwrap_or(0);
    if silhouettes[best] <= LEAST_SILHOUETTE {
        let group = vec![0; curves.len()];
        return Ok(Styles { group, groups: 1, silhouettes, stability: vec![1.0], map, map_shares });
    }
    let groups = best + 2;
    let group = cut(points, groups);
    let stability = stability(points, &group, groups, replicates, seed);
    Ok(Styles { group, groups, silhouettes, stability, map, map_shares })
}

fn distance(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt()
}

/// Ward's tree cut into that many groups.
fn cut(points: &[Vec<f64>], groups: usize) -> Vec<usize> {
    let n = points.len();
    let mut condensed: Vec<f64> =
        (0..n).flat_map(|i| (i + 1..n).map(move |j| (i, j))).map(|(i, j)| distance(&points[i], &points[j])).collect();
    let tree = linkage(&mut condensed, n, Method::Ward);
    // Clusters are numbered as they arise; joining all but the last `groups - 1` steps leaves the groups.
    let mut parent: Vec<usize> = (0..2 * n).collect();
    for (step, joined) in tree.steps().iter().enumerate().take(n.saturating_sub(groups)) {
        parent[joined.cluster1] = n + step;
        parent[joined.cluster2] = n + step;
    }
    let root = |mut k: usize| {
        while parent[k] != k {
            k = parent[k];
        }
        k
    };
    let mut order = Vec::new();
    (0..n)
        .map(|player| {
            let root = root(player);
            order.iter().position(|r| *r == root).unwrap_or_else(|| {
                order.push(root);
                order.len() - 1
            })
        })
        .collect()
}

/// Mean silhouette; a player alone in a group counts 0.
fn silhouette(points: &[Vec<f64>], group: &[usize]) -> f64 {
    let groups = group.iter().max().map_or(0, |g| g + 1);
    let widths = (0..points.len()).map(|i| {
        let mut sums = vec![(0.0, 0usize); groups];
        for j in (0..points.len()).filter(|j| *j != i) {
            sums[group[j]].0 += distance(&points[i], &points[j]);
            sums[group[j]].1 += 1;
        }
        let (own, count) = sums[group[i]];
        let nearest = (0..groups)
            .filter(|g| *g != group[i] && sums[*g].1 > 0)
            .map(|g| sums[g].0 / sums[g].1 as f64)
            .fold(f64::INFINITY, f64::min);
        if count == 0 {
            return 0.0;
        }
        let own = own / count as f64;
        (nearest - own) / nearest.max(own).max(f64::MIN_POSITIVE)
    });
    widths.sum::<f64>() / points.len() as f64
}

fn stability(points: &[Vec<f64>], group: &[usize], groups: usize, replicates: usize, seed: u64) -> Vec<f64> {
    let n = points.len();
    let sums: Vec<Vec<(f64, f64)>> = (0..replicates)
        .into_par_iter()
        .map(|number| {
            let mut random = StdRng::seed_from_u64(seed ^ (number as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15));
            let mut drawn: Vec<usize> = (0..n).map(|_| random.random_range(0..n)).collect();
            // Someone drawn twice counts once: two equal points would make a group of their own.
            drawn.sort_unstable();
            drawn.dedup();
            if drawn.len() < groups + 1 {
                return vec![(0.0, 0.0); groups];
            }
            let own: Vec<Vec<f64>> = drawn.iter().map(|i| points[*i].clone()).collect();
            let again = cut(&own, groups);
            (0..groups)
                .map(|g| {
                    let members = drawn.iter().filter(|i| group[**i] == g).count();
                    if members == 0 {
                        return (0.0, 0.0);
                    }
                    let best = (0..groups)
                        .map(|other| {
                            let both =
                                drawn.iter().zip(&again).filter(|(i, a)| group[**i] == g && **a == other).count();
                            let size = again.iter().filter(|a| **a == other).count();
                            both as f64 / (members + size - both) as f64
                        })
                        .fold(0.0, f64::max);
                    (best, 1.0)
                })
                .collect()
        })
        .collect();
    (0..groups)
        .map(|g| {
            let (sum, count) = sums.iter().fold((0.0, 0.0), |(s, c), r| (s + r[g].0, c + r[g].1));
            if count > 0.0 { sum / count } else { 0.0 }
        })
        .collect()
}

/// Agreement of two groupings beyond chance, 1 for the same (adjusted Rand index, Hubert & Arabie 1985).
#[must_use]
pub fn agreement(first: &[usize], second: &[usize]) -> f64 {
    let pairs = |n: usize| (n * n.saturating_sub(1)) as f64 / 2.0;
    let size = |of: &[usize]| of.iter().max().map_or(0, |m| m + 1);
    let mut table = vec![vec![0usize; size(second)]; size(first)];
    for (a, b) in first.iter().zip(second) {
        table[*a][*b] += 1;
    }
    let together: f64 = table.iter().flatten().map(|n| pairs(*n)).sum();
    let rows: f64 = table.iter().map(|r| pairs(r.iter().sum())).sum();
    let columns: f64 = (0..size(second)).map(|c| pairs(table.iter().map(|r| r[c]).sum())).sum();
    let expected = rows * columns / pairs(first.len()).max(1.0);
    let most = 0.5 * (rows + columns);
    if most <= expected { 1.0 } else { (together - expected) / (most - expected) }
}

/// A curve moved in time so that its landmarks fall on `targets`: piecewise linear between landmarks (Kneip & Gasser 1992). Landmarks
/// and targets are instants (they may lie between two), rising, the first and last instant included.
///
/// # Errors
/// When the numbers of landmarks and targets differ, or they do not rise from the first to the last instant.
pub fn registered(curve: &[f64], landmarks: &[f64], targets: &[f64]) -> Result<Vec<f64>, CohortError> {
    let last = curve.len().saturating_sub(1) as f64;
    let fit = |marks: &[f64]| {
        marks.len() >= 2
            && marks.windows(2).all(|w| w[0] < w[1])
            && marks[0].abs() < 1e-9
            && (marks[marks.len() - 1] - last).abs() < 1e-9
    };
    if landmarks.len() != targets.len() || !fit(landmarks) || !fit(targets) {
        return Err(CohortError::too_few(
            "registration",
            "landmarks must rise from the first to the last instant, as many as targets",
        ));
    }
    Ok((0..curve.len())
        .map(|k| {
            let at = k as f64;
            let piece = targets.partition_point(|t| *t <= at).clamp(1, targets.len() - 1) - 1;
            let share = (at - targets[piece]) / (targets[piece + 1] - targets[piece]);
            let from = (landmarks[piece] + share * (landmarks[piece + 1] - landmarks[piece])).clamp(0.0, last);
            let low = (from.floor() as usize).min(curve.len().saturating_sub(2));
            let weight = from - low as f64;
            curve[low] * (1.0 - weight) + curve.get(low + 1).unwrap_or(&curve[low]) * weight
        })
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points() -> Vec<Vec<f64>> {
        (0..15)
            .map(|i| {
                let (x, kind) = (f64::from(i), f64::from(i % 3));
                vec![(1.3 * x).sin() + 3.0 * kind, (0.7 * x).cos() - 2.0 * kind]
            })
            .collect()
    }

    /// scipy 1.14.1, `fcluster(linkage(points, "ward"), 3, "maxclust")` (tests/reference/cohort_values.py).
    #[test]
    fn ward_groups_as_scipy() {
        assert!((agreement(&cut(&points(), 3), &SCIPY_WARD) - 1.0).abs() < 1e-12);
    }

    const SCIPY_WARD: [usize; 15] = [1, 2, 0, 1, 2, 0, 1, 2, 0, 1, 2, 0, 1, 2, 0];

    #[test]
    fn three_styles_are_found_and_stable_and_one_is_not_split() {
        let mut random = StdRng::seed_from_u64(5);
        let mut noise = || (0..12).map(|_| random.random::<f64>() - 0.5).sum::<f64>();
        let curve = |level: f64, noise: f64, tilt: f64| -> Vec<f64> {
            (0..101)
                .map(|k| {
                    level * (-0.5 * ((f64::from(k) - 60.0) / 12.0).powi(2)).exp()
                        + 0.2 * noise
                        + 0.002 * tilt * f64::from(k)
                })
                .collect()
        };
        let truth: Vec<usize> = (0..30).map(|i| i % 3).collect();
        let curves: Vec<Vec<f64>> = truth.iter().map(|g| curve(2.5 * *g as f64, noise(), noise())).collect();
        let found = group(&curves, 6, 100, 1).unwrap();
        assert_eq!(found.groups, 3, "{:?}", found.silhouettes);
        assert!(agreement(&found.group, &truth) > 0.99);
        assert!(found.stability.iter().all(|s| *s > 0.75), "{:?}", found.stability);
        assert_eq!(found, group(&curves, 6, 100, 1).unwrap());
    }

    #[test]
    fn a_registered_curve_has_its_landmark_at_the_target() {
        let peak = |middle: f64| -> Vec<f64> {
            (0..101).map(|k| (-0.5 * ((f64::from(k) - middle) / 8.0).powi(2)).exp()).collect()
        };
        let moved = registered(&peak(40.0), &[0.0, 40.0, 100.0], &[0.0, 65.0, 100.0]).unwrap();
        let top = (0..101).max_by(|a, b| moved[*a].total_cmp(&moved[*b])).unwrap();
        assert_eq!(top, 65);
        assert!(registered(&moved, &[0.0, 40.0], &[0.0, 100.0]).is_err());
        let same = registered(&moved, &[0.0, 100.0], &[0.0, 100.0]).unwrap();
        assert!(same.iter().zip(&moved).all(|(a, b)| (a - b).abs() < 1e-12));
    }

    #[test]
    fn agreement_of_groupings() {
        assert!((agreement(&[0, 0, 1, 1, 2, 2], &[2, 2, 0, 0, 1, 1]) - 1.0).abs() < 1e-12);
        // Hubert & Arabie's index by hand: 15 pairs, 3 together in both, 3 and 6 in each.
        let index = agreement(&[0, 0, 1, 1, 2, 2], &[0, 0, 0, 1, 1, 1]);
        assert!((index - (2.0 - 3.0 * 6.0 / 15.0) / (4.5 - 3.0 * 6.0 / 15.0)).abs() < 1e-12, "{index}");
    }
}
