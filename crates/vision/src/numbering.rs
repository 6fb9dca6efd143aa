//! Which corner of a found grid is which.

use crate::Grey;

/// Share of the squares that must be darker or lighter than their neighbours as a checkerboard demands; glare on a few
/// squares is let through, a net or a window grid is not.
const CONSISTENT_SHARE: f64 = 0.9;
/// Where in a square, as a share of its sides, grey values are taken: away from its blurred edges.
const PROBES: [f64; 3] = [0.3, 0.5, 0.7];

/// A found grid of corners, row by row, `across` in each row.
#[derive(Clone)]
pub(crate) struct Grid {
    pub(crate) across: usize,
    pub(crate) down: usize,
    pub(crate) corners_px: Vec<[f64; 2]>,
}

impl Grid {
    pub(crate) fn at(&self, column: usize, row: usize) -> [f64; 2] {
        self.corners_px[row * self.across + column]
    }

    /// The grid whose corner at (column, row) is this one's at `from(column, row)`; the same size.
    fn rearranged(&self, from: impl Fn(usize, usize) -> (usize, usize)) -> Self {
        let corners_px = (0..self.down)
            .flat_map(|row| (0..self.across).map(move |column| (column, row)))
            .map(|(column, row)| {
                let (column, row) = from(column, row);
                self.at(column, row)
            })
            .collect();
        Self { corners_px, ..*self }
    }

    /// Whether y (down the columns) lies clockwise of x (along the rows) in the picture, as on a board seen from its front.
    fn is_right_handed(&self) -> bool {
        let (right, below) = (self.across - 1, self.down - 1);
        let corners = [self.at(0, 0), self.at(right, 0), self.at(right, below), self.at(0, below)];
        // Twice the signed area of the outline; positive is clockwise as y points down.
        let area: f64 = (0..4)
            .map(|i| {
                let ([x0, y0], [x1, y1]) = (corners[i], corners[(i + 1) % 4]);
                x0 * y1 - x1 * y0
            })
            .sum();
        area > 0.0
    }

    /// Mean grey value of the square right of and below the corner at (column, row).
    fn square_grey(&self, grey: &Grey, column: usize, row: usize) -> Option<f64> {
        let corners =
            [self.at(column, row), self.at(column + 1, row), self.at(column, row + 1), self.at(column + 1, row + 1)];
        let mut sum = 0.0;
        for v in PROBES {
            for u in PROBES {
                let weights = [(1.0 - u) * (1.0 - v), u * (1.0 - v), (1.0 - u) * v, u * v];
                let mut px = [0.0; 2];
                for (corner, weight) in corners.iter().zip(weights) {
                    px[0] += corner[0] * weight;
                    px[1] += corner[1] * weight;
                }
                sum += grey.at(px)?;
            }
        }
        Some(sum / (PROBES.len() * PROBES.len()) as f64)
    }

    /// Whether the first square (and every other one, as on a checkerboard) is darker than its neighbours; `None` when the
    /// squares are not those of a checkerboard.
    fn first_square_is_dark(&self, grey: &Grey) -> Option<bool> {
        let (across, down) = (self.across - 1, self.down - 1);
        let mut values = Vec::with_capacity(across * down);
        for row in 0..down {
            for column in 0..across {
                values.push(self.square_grey(grey, column, row)?);
            }
        }
        let (mut dark, mut pairs) = (0usize, 0usize);
        let mut compare = |first: f64, second: f64, first_is_even: bool| {
            pairs += 1;
            dark += usize::from((first < second) == first_is_even);
        };
        for row in 0..down {
            for column in 0..across {
                let (here, even) = (values[row * across + column], (row + column) % 2 == 0);
                if column + 1 < across {
                    compare(here, values[row * across + column + 1], even);
                }
                if row + 1 < down {
                    compare(here, values[(row + 1) * across + column], even);
                }
            }
        }
        let share = dark as f64 / pairs as f64;
        if share >= CONSISTENT_SHARE {
            Some(true)
        } else if share <= 1.0 - CONSISTENT_SHARE {
            Some(false)
        } else {
            None
        }
    }
}

/// The grid numbered right-handed with a black square at its first corner; `None` when its squares are not black and white
/// in turn.
///
/// Where several numberings fit (both numbers of corners even, or both odd), the one whose first corner is nearest to the
/// top left of the picture is taken; that need not be the same physical corner in another view.
pub(crate) fn numbered(found: &Grid, grey: &Grey) -> Option<Grid> {
    let (across, down) = (found.across, found.down);
    let first = if found.is_right_handed() {
        found.clone()
    } else {
        found.rearranged(|column, row| (across - 1 - column, row))
    };
    let mut turns = vec![first.rearranged(|column, row| (across - 1 - column, down - 1 - row))];
    if across == down {
        turns.push(first.rearranged(|column, row| (row, down - 1 - column)));
        turns.push(first.rearranged(|column, row| (across - 1 - row, column)));
    }
    turns.push(first);
    let mut candidates = Vec::with_capacity(turns.len());
    for grid in turns {
        let dark = grid.first_square_is_dark(grey)?;
        candidates.push((dark, grid));
    }
    let any_dark = candidates.iter().any(|(dark, _)| *dark);
    let distance = |grid: &Grid| grid.corners_px[0][0] + grid.corners_px[0][1];
    candidates
        .into_iter()
        .filter(|(dark, _)| *dark || !any_dark)
        .map(|(_, grid)| grid)
        .min_by(|a, b| distance(a).total_cmp(&distance(b)))
}
