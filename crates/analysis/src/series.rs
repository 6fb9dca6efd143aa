//! Peaks and crossings of numbers on the grid, `None` where not known. Indices are fractional where a crossing lies between
//! two instants.

use std::ops::RangeInclusive;

/// A number per instant of the grid.
pub(crate) type Series = Vec<Option<f64>>;

/// Index and value of the greatest number in the range; the first of equals.
pub(crate) fn greatest(series: &[Option<f64>], range: RangeInclusive<usize>) -> Option<(usize, f64)> {
    let mut best: Option<(usize, f64)> = None;
    for k in range {
        if let Some(value) = series.get(k).copied().flatten()
            && best.is_none_or(|(_, b)| value > b)
        {
            best = Some((k, value));
        }
    }
    best
}

/// The series with its sign turned.
pub(crate) fn negated(series: &[Option<f64>]) -> Series {
    series.iter().map(|v| v.map(|v| -v)).collect()
}

/// Going back from `from`, where the series first falls below `floor` and stays below for `persist` instants. `None` when it
/// does not before `limit`, or when values are missing on the way.
pub(crate) fn fall_backward(
    series: &[Option<f64>],
    from: usize,
    floor: f64,
    persist: usize,
    limit: usize,
) -> Option<f64> {
    fall(series, from, (limit..=from).rev(), floor, persist).map(|(above, share)| above as f64 - share)
}

/// The same going forward.
pub(crate) fn fall_forward(
    series: &[Option<f64>],
    from: usize,
    floor: f64,
    persist: usize,
    limit: usize,
) -> Option<f64> {
    fall(series, from, from..=limit, floor, persist).map(|(above, share)| above as f64 + share)
}

/// Last index above the floor and how much of the next step is above it too.
fn fall(
    series: &[Option<f64>],
    from: usize,
    path: impl Iterator<Item = usize>,
    floor: f64,
    persist: usize,
) -> Option<(usize, f64)> {
    let mut last_above = (from, series.get(from).copied().flatten()?);
    let mut first_below = None;
    let mut below = 0;
    for k in path {
        let value = series.get(k).copied().flatten()?;
        if value >= floor {
            last_above = (k, value);
            below = 0;
            continue;
        }
        if below == 0 {
            first_below = Some(value);
        }
        below += 1;
        if below >= persist {
            let down = first_below?;
            return Some((last_above.0, (last_above.1 - floor) / (last_above.1 - down)));
        }
    }
    None
}

/// Where and how high the series peaks in the range, with the noise of each value taken into account: the greatest value
/// less one standard deviation starts the search, then a weighted parabola over `reach` instants on both sides gives the
/// place. A series that still rises at the range's end peaks there.
pub(crate) fn peak(
    series: &[Option<f64>],
    sds: &[Option<f64>],
    range: RangeInclusive<usize>,
    reach: usize,
) -> Option<(f64, f64)> {
    let sd = |k: usize| sds.get(k).copied().flatten().unwrap_or(0.0);
    let careful: Series = series.iter().enumerate().map(|(k, v)| v.map(|v| v - sd(k))).collect();
    let (start, _) = greatest(&careful, range.clone())?;
    let (from, to) = (start.saturating_sub(reach).max(*range.start()), (start + reach).min(*range.end()));
    let near: Vec<(f64, f64, f64)> = (from..=to)
        .filter_map(|k| {
            let value = series.get(k).copied().flatten()?;
            Some((k as f64 - start as f64, value, 1.0 / (sd(k).powi(2) + 1e-6)))
        })
        .collect();
    let (xs, (ys, ws)): (Vec<f64>, (Vec<f64>, Vec<f64>)) = near.into_iter().map(|(x, y, w)| (x, (y, w))).unzip();
    let place = match midline_signal::stencil(&xs, &ws, 0.0, 2) {
        Some(parabola) if parabola.apply(2, &ys) < 0.0 => {
            start as f64 - parabola.apply(1, &ys) / parabola.apply(2, &ys)
        }
        Some(parabola) if parabola.apply(1, &ys) > 0.0 => to as f64,
        Some(_) => from as f64,
        None => start as f64,
    }
    .clamp(from as f64, to as f64);
    Some((place, value_at(series, place)?))
}

/// The value at a fractional index, by straight interpolation.
pub(crate) fn value_at(series: &[Option<f64>], index: f64) -> Option<f64> {
    let (low, share) = (index.floor() as usize, index.fract());
    let first = series.get(low).copied().flatten()?;
    if share == 0.0 {
        return Some(first);
    }
    Some(first + share * (series.get(low + 1).copied().flatten()? - first))
}

/// Number of steps in the range during which the series is below zero, crossings interpolated; `None` when a value is
/// missing.
pub(crate) fn steps_below_zero(series: &[Option<f64>], range: RangeInclusive<usize>) -> Option<f64> {
    let mut sum = 0.0;
    for k in *range.start()..*range.end() {
        let (a, b) = (series.get(k).copied().flatten()?, series.get(k + 1).copied().flatten()?);
        sum += match (a < 0.0, b < 0.0) {
            (true, true) => 1.0,
            (false, false) => 0.0,
            (true, false) => a / (a - b),
            (false, true) => b / (b - a),
        };
    }
    Some(sum)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn some(values: &[f64]) -> Series {
        values.iter().copied().map(Some).collect()
    }

    #[test]
    fn crossings_are_interpolated_and_must_persist() {
        let series = some(&[0.0, 0.0, 0.0, 4.0, 1.0, 3.0, 8.0, 2.0, 0.0, 0.0]);
        assert_eq!(fall_backward(&series, 6, 2.0, 2, 0), Some(2.5));
        assert_eq!(fall_backward(&series, 6, 2.0, 1, 0), Some(4.5));
        assert_eq!(fall_forward(&series, 6, 2.0, 2, 9), Some(7.0));
        assert_eq!(fall_backward(&series, 6, 2.0, 4, 0), None);
        let mut gap = series.clone();
        gap[4] = None;
        assert_eq!(fall_backward(&gap, 6, 2.0, 2, 0), None);
    }

    #[test]
    fn peaks_inside_and_at_the_end() {
        let parabola: Series = (0..21).map(|k| Some(5.0 - 0.1 * (f64::from(k) - 11.3).powi(2))).collect();
        let sds = vec![Some(0.1); 21];
        let (place, value) = peak(&parabola, &sds, 0..=20, 6).unwrap();
        assert!((place - 11.3).abs() < 1e-9 && (value - 5.0).abs() < 0.03);
        assert!((peak(&parabola, &sds, 0..=9, 6).unwrap().0 - 9.0).abs() < 1e-9);
        assert_eq!(peak(&[None, None], &[None, None], 0..=1, 3), None);
    }

    #[test]
    fn time_below_zero_counts_parts_of_steps() {
        assert_eq!(steps_below_zero(&some(&[1.0, -1.0, -1.0, 3.0]), 0..=3), Some(0.5 + 1.0 + 0.25));
        assert_eq!(steps_below_zero(&[Some(1.0), None], 0..=1), None);
    }
}
