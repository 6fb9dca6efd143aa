//! How far a point strays from the straight line between two neighbours in time: the yardstick of the cleaning.

/// Longest gap between two sightings that still counts as one piece of a path, seconds. A racket head turns through
/// most of a radian in this time; beyond it, neighbours say nothing about each other.
pub(crate) const LONGEST_GAP_SECONDS: f64 = 0.1;

/// Sightings on each side that a local yardstick looks at.
const NEIGHBOURS: usize = 6;

/// One sighting: presentation time in seconds and pixel.
pub(crate) type Sighting = (f64, [f64; 2]);

/// Distance in px of `b` from the point that uniform motion from `a` to `c` reaches at the time of `b`.
pub(crate) fn bend_px(a: Sighting, b: Sighting, c: Sighting) -> f64 {
    let share = (b.0 - a.0) / (c.0 - a.0).max(f64::MIN_POSITIVE);
    let off = |axis: usize| b.1[axis] - (a.1[axis] + share * (c.1[axis] - a.1[axis]));
    off(0).hypot(off(1))
}

/// A limit for each bend: `factor` times the median of the bends around it, at least `floor_px`. Where the motion is
/// fast and curved the bends are large and so is the limit.
pub(crate) fn limits_px(bends: &[f64], factor: f64, floor_px: f64) -> Vec<f64> {
    (0..bends.len())
        .map(|i| {
            let around = &bends[i.saturating_sub(NEIGHBOURS)..(i + NEIGHBOURS + 1).min(bends.len())];
            (factor * median(around).unwrap_or(0.0)).max(floor_px)
        })
        .collect()
}

fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied()
}

/// Cost of a bend: grows with its square and stays at 1 from the limit on, so that one wild point cannot outweigh many.
pub(crate) fn cost(bend_px: f64, limit_px: f64) -> f64 {
    let ratio = bend_px / limit_px;
    (ratio * ratio).min(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn uniform_motion_has_no_bend_at_uneven_times() {
        let at = |t: f64| (t, [100.0 + 900.0 * t, 50.0 - 300.0 * t]);
        assert!(bend_px(at(0.0), at(0.031), at(0.1)) < 1e-9);
        let (t, [x, y]) = at(0.031);
        assert!((bend_px(at(0.0), (t, [x + 3.0, y + 4.0]), at(0.1)) - 5.0).abs() < 1e-9);
    }

    #[test]
    fn limits_follow_the_motion() {
        let mut bends = vec![1.0; 40];
        bends[20..].fill(20.0);
        let limits = limits_px(&bends, 5.0, 8.0);
        assert!((limits[0] - 8.0).abs() < 1e-12 && (limits[39] - 100.0).abs() < 1e-12);
    }
}
