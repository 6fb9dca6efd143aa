//! How sharp a found board is.

use crate::Grey;
use crate::numbering::Grid;

/// Distance between samples across an edge, in pixels.
const STEP_PX: f64 = 0.25;
/// Half length of a profile as a share of the side of a square at most: the neighbouring edge must not enter it.
pub(crate) const REACH: f64 = 0.45;
/// Share of the profile at each end that gives the levels of black and white.
const LEVEL_SHARE: f64 = 0.2;
/// Places along an edge at which it is crossed, as shares of its length; away from the corners, where four squares meet.
const PLACES: [f64; 3] = [0.35, 0.5, 0.65];
/// Least difference of black and white in grey levels for a profile to count.
const LEAST_CONTRAST: f64 = 20.0;

/// An edge between a black and a white square, from one corner to the next.
pub(crate) struct Edge {
    pub(crate) from: [f64; 2],
    pub(crate) to: [f64; 2],
}

/// Median width in pixels of the black-to-white transitions across edges, from 10 % to 90 % of the step (the rise distance of
/// ISO 12233); `None` when no edge has enough contrast. Profiles reach `reach` of an edge's length to each side; widths near
/// that are lower bounds.
pub(crate) fn edge_width_px(edges: impl Iterator<Item = Edge>, reach: f64, grey: &Grey) -> Option<f64> {
    let mut widths = Vec::new();
    for edge in edges {
        cross(grey, &edge, reach.min(REACH), &mut widths);
    }
    widths.sort_by(f64::total_cmp);
    widths.get(widths.len() / 2).copied()
}

/// The edges of a whole grid.
pub(crate) fn edges_of(grid: &Grid) -> impl Iterator<Item = Edge> {
    (0..grid.down).flat_map(move |row| (0..grid.across).map(move |column| (column, row))).flat_map(|(column, row)| {
        let from = grid.at(column, row);
        let right = (column + 1 < grid.across).then(|| Edge { from, to: grid.at(column + 1, row) });
        let below = (row + 1 < grid.down).then(|| Edge { from, to: grid.at(column, row + 1) });
        [right, below].into_iter().flatten()
    })
}

fn cross(grey: &Grey, &Edge { from, to }: &Edge, reach: f64, widths: &mut Vec<f64>) {
    let along = [to[0] - from[0], to[1] - from[1]];
    let length = along[0].hypot(along[1]);
    let half = (reach * length / STEP_PX) as i32;
    if half < 4 {
        return;
    }
    let across = [-along[1] / length, along[0] / length];
    for place in PLACES {
        let middle = [from[0] + place * along[0], from[1] + place * along[1]];
        let profile: Option<Vec<f64>> = (-half..=half)
            .map(|i| {
                let distance = f64::from(i) * STEP_PX;
                grey.at([middle[0] + distance * across[0], middle[1] + distance * across[1]])
            })
            .collect();
        widths.extend(profile.and_then(|profile| rise_distance(&profile)));
    }
}

/// The distance from 10 % to 90 % of the step of a profile, in pixels.
fn rise_distance(profile: &[f64]) -> Option<f64> {
    let ends = ((profile.len() as f64 * LEVEL_SHARE) as usize).max(1);
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
    let (first, last) = (mean(&profile[..ends]), mean(&profile[profile.len() - ends..]));
    let step = last - first;
    if step.abs() < LEAST_CONTRAST {
        return None;
    }
    let share: Vec<f64> = profile.iter().map(|value| (value - first) / step).collect();
    // Outward from the middle of the step, so that noise on the plateaus is not taken for the step's ends.
    let middle = (0..share.len() - 1).find(|&i| share[i] < 0.5 && share[i + 1] >= 0.5)?;
    let low = (0..=middle).rev().find(|&i| share[i] <= 0.1)?;
    let high = (middle + 1..share.len()).find(|&i| share[i] >= 0.9)?;
    let crossing = |i: usize, level: f64| i as f64 + (level - share[i]) / (share[i + 1] - share[i]);
    Some((crossing(high - 1, 0.9) - crossing(low, 0.1)) * STEP_PX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rise_distance_of_a_gaussian_edge_is_2_563_sigma() {
        // The normal distribution's 10 % and 90 % points are ±1.2816 (any table).
        for sigma in [0.8, 1.5, 3.0] {
            let profile: Vec<f64> = (-60..=60)
                .map(|i| {
                    let x = f64::from(i) * STEP_PX / sigma;
                    // Integral of the normal density by the trapezoidal rule, to 1e-6.
                    let n = 4000;
                    let (a, b) = (-8.0, x);
                    let h = (b - a) / f64::from(n);
                    let density = |t: f64| (-0.5 * t * t).exp() / std::f64::consts::TAU.sqrt();
                    let inner: f64 = (1..n).map(|k| density(a + h * f64::from(k))).sum();
                    30.0 + 170.0 * h * (inner + 0.5 * (density(a) + density(b)))
                })
                .collect();
            let width = rise_distance(&profile).unwrap();
            assert!((width / (2.563 * sigma) - 1.0).abs() < 0.02, "{sigma}: {width}");
        }
    }

    #[test]
    fn a_profile_without_contrast_has_no_width() {
        assert_eq!(rise_distance(&[100.0; 41]), None);
    }
}
