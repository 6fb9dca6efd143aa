//! From a network's numbers to places on its input.

use super::manifest::{Alignment, Refinement, Unit};

/// A place in input pixels (centres at integers) with the network's own value there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Found {
    pub(crate) input_px: [f64; 2],
    pub(crate) value: f64,
}

/// How cells become input pixels.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Cells {
    pub(crate) alignment: Alignment,
    pub(crate) refinement: Refinement,
    pub(crate) window: usize,
}

impl Alignment {
    /// Input pixel of a place between cells, of `cells` on `pixels`.
    pub(crate) fn px_from_cell(self, cell: f64, cells: usize, pixels: usize) -> f64 {
        let (cells, pixels) = (cells as f64, pixels as f64);
        match self {
            Self::Integer => cell * pixels / cells,
            Self::Half => (cell + 0.5) * pixels / cells - 0.5,
            Self::Corners => cell * (pixels - 1.0) / (cells - 1.0).max(1.0),
        }
    }

    /// Input pixel of a regressed coordinate.
    pub(crate) fn px_from_coordinate(self, value: f64, unit: Unit, pixels: usize) -> f64 {
        let pixels = pixels as f64;
        match (unit, self) {
            (Unit::Px, Self::Half) => value - 0.5,
            (Unit::Px, Self::Integer | Self::Corners) => value,
            (Unit::Share, Self::Half) => value * pixels - 0.5,
            (Unit::Share, Self::Integer) => value * pixels,
            (Unit::Share, Self::Corners) => value * (pixels - 1.0),
        }
    }
}

impl Cells {
    /// The point of one heat map of `columns × rows` cells, rows after one another.
    pub(crate) fn in_map(self, map: &[f32], [columns, rows]: [usize; 2], input_px: [usize; 2]) -> Option<Found> {
        let (peak, value) = highest(map)?;
        let (x, y) = (peak % columns, peak / columns);
        let row = |x: isize| cell(map, columns, rows, [x, y as isize]);
        let column = |y: isize| cell(map, columns, rows, [x as isize, y]);
        let at = match self.refinement {
            Refinement::None => [x as f64, y as f64],
            Refinement::LogParabola => [x as f64 + vertex(&row, x), y as f64 + vertex(&column, y)],
            Refinement::Centroid => centroid(map, [columns, rows], [x, y], self.window),
        };
        Some(Found {
            input_px: [
                self.alignment.px_from_cell(at[0], columns, input_px[0]),
                self.alignment.px_from_cell(at[1], rows, input_px[1]),
            ],
            value: f64::from(value),
        })
    }

    /// The place on one axis of cells, in input pixels, and its value.
    pub(crate) fn on_axis(self, axis: &[f32], input_px: usize) -> Option<(f64, f64)> {
        let (peak, value) = highest(axis)?;
        let at = match self.refinement {
            Refinement::None => peak as f64,
            Refinement::LogParabola => peak as f64 + vertex(&|x| cell(axis, axis.len(), 1, [x, 0]), peak),
            Refinement::Centroid => centroid(axis, [axis.len(), 1], [peak, 0], self.window)[0],
        };
        Some((self.alignment.px_from_cell(at, axis.len(), input_px), f64::from(value)))
    }
}

/// The first of the highest values.
fn highest(values: &[f32]) -> Option<(usize, f32)> {
    values.iter().copied().enumerate().reduce(|best, next| if next.1 > best.1 { next } else { best })
}

fn cell(map: &[f32], columns: usize, rows: usize, [x, y]: [isize; 2]) -> Option<f64> {
    let inside = |at: isize, count: usize| usize::try_from(at).ok().filter(|at| *at < count);
    map.get(inside(y, rows)? * columns + inside(x, columns)?).map(|v| f64::from(*v))
}

/// Place of the vertex of the parabola through a peak's logarithm and its two neighbours', from the peak, −1/2 to 1/2; 0 at
/// the border and where a value is not positive.
fn vertex(at: &dyn Fn(isize) -> Option<f64>, peak: usize) -> f64 {
    let log = |offset: isize| at(peak as isize + offset).filter(|v| *v > 0.0).map(f64::ln);
    let (Some(before), Some(top), Some(after)) = (log(-1), log(0), log(1)) else { return 0.0 };
    let bend = before - 2.0 * top + after;
    if bend < -1e-12 { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) } else { 0.0 }
}

/// Weighted mean place around a peak; the window moves until it lies about its own centre, so that a plateau's first cell
/// does not decide.
fn centroid(map: &[f32], [columns, rows]: [usize; 2], peak: [usize; 2], window: usize) -> [f64; 2] {
    let mut centre = peak.map(|p| p as f64);
    for _ in 0..4 {
        let middle = centre.map(|c| c.round() as isize);
        let reach = window as isize;
        let (mut sum, mut moments) = (0.0, [0.0; 2]);
        for y in middle[1] - reach..=middle[1] + reach {
            for x in middle[0] - reach..=middle[0] + reach {
                let weight = cell(map, columns, rows, [x, y]).unwrap_or(0.0).max(0.0);
                sum += weight;
                moments[0] += weight * x as f64;
                moments[1] += weight * y as f64;
            }
        }
        if sum <= 0.0 {
            break;
        }
        let next = moments.map(|m| m / sum);
        let settled = next.map(|c| c.round() as isize) == middle;
        centre = next;
        if settled {
            break;
        }
    }
    centre
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(alignment: Alignment, refinement: Refinement) -> Cells {
        Cells { alignment, refinement, window: 5 }
    }

    fn gauss(columns: usize, rows: usize, centre: [f64; 2], sd: f64) -> Vec<f32> {
        (0..rows)
            .flat_map(|y| (0..columns).map(move |x| (x, y)))
            .map(|(x, y)| {
                let squared = (x as f64 - centre[0]).powi(2) + (y as f64 - centre[1]).powi(2);
                (-0.5 * squared / (sd * sd)).exp() as f32
            })
            .collect()
    }

    #[test]
    fn a_normal_peak_is_found_between_cells() {
        for centre in [[10.0, 20.0], [10.37, 20.81], [9.5, 21.49]] {
            let map = gauss(48, 64, centre, 2.0);
            let found = cells(Alignment::Integer, Refinement::LogParabola).in_map(&map, [48, 64], [48, 64]).unwrap();
            assert!((found.input_px[0] - centre[0]).abs() < 1e-4 && (found.input_px[1] - centre[1]).abs() < 1e-4);
            // A window of 2.5 sd cuts the tails unevenly.
            let found = cells(Alignment::Integer, Refinement::Centroid).in_map(&map, [48, 64], [48, 64]).unwrap();
            assert!((found.input_px[0] - centre[0]).abs() < 0.05, "{found:?}");
            let found = cells(Alignment::Integer, Refinement::None).in_map(&map, [48, 64], [48, 64]).unwrap();
            assert!((found.input_px[0] - centre[0]).abs() <= 0.5);
        }
    }

    #[test]
    fn a_disc_is_found_at_its_centre_and_not_at_its_first_cell() {
        let centre = [15.0, 11.0];
        let disc: Vec<f32> = (0..30 * 24)
            .map(|i| f32::from(u8::from((f64::from(i % 30) - centre[0]).hypot(f64::from(i / 30) - centre[1]) < 3.2)))
            .collect();
        let found = cells(Alignment::Integer, Refinement::Centroid).in_map(&disc, [30, 24], [30, 24]).unwrap();
        assert!((found.input_px[0] - 15.0).abs() < 1e-9 && (found.input_px[1] - 11.0).abs() < 1e-9, "{found:?}");
    }

    #[test]
    fn alignments_agree_with_their_definitions() {
        // Four cells on sixteen pixels: the first covers pixels 0 to 3, whose middle is 1.5.
        assert_eq!(Alignment::Half.px_from_cell(0.0, 4, 16), 1.5);
        assert_eq!(Alignment::Half.px_from_cell(3.0, 4, 16), 13.5);
        assert_eq!(Alignment::Integer.px_from_cell(3.0, 4, 16), 12.0);
        assert_eq!(Alignment::Corners.px_from_cell(3.0, 4, 16), 15.0);
        assert_eq!(Alignment::Half.px_from_coordinate(0.5, Unit::Share, 16), 7.5);
        assert_eq!(Alignment::Corners.px_from_coordinate(1.0, Unit::Share, 16), 15.0);
        assert_eq!(Alignment::Half.px_from_coordinate(8.0, Unit::Px, 16), 7.5);
    }

    #[test]
    fn borders_plateaus_and_empty_maps_are_no_fault() {
        let all = [Refinement::None, Refinement::LogParabola, Refinement::Centroid];
        for refinement in all {
            let one = cells(Alignment::Half, refinement);
            assert!(one.in_map(&[], [0, 0], [8, 8]).is_none());
            let zeros = one.in_map(&[0.0; 16], [4, 4], [8, 8]).unwrap();
            assert!(zeros.input_px.iter().all(|c| c.is_finite()) && zeros.value == 0.0);
            let corner = one.in_map(&gauss(4, 4, [0.0, 0.0], 0.7), [4, 4], [4, 4]).unwrap();
            assert!(corner.input_px[0].abs() < 0.5, "{corner:?}");
            let negative = one.in_map(&[-3.0; 16], [4, 4], [8, 8]).unwrap();
            assert!(negative.value < 0.0);
        }
    }
}
