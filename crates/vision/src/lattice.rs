//! Whether the crossings of a picture form the lattice of a checkerboard, and where.
//!
//! Leaves, nets, bricks and tiles are full of places that look like crossings. What only a checkerboard has are cells: four
//! crossings joined by four edges, along each of which one side is black and the other white, as both its ends say.

use std::f64::consts::{FRAC_PI_2, PI};

use crate::Grey;
use crate::crossings::Crossing;

/// Angle between an edge and the line through the white squares: 45° on a board seen from the front, and these bounds on one
/// that is tilted.
const EDGE_ANGLE_RAD: [f64; 2] = [0.2, FRAC_PI_2 - 0.2];
/// Where an edge is looked at, as shares of its length.
const ALONG: [f64; 5] = [0.26, 0.38, 0.5, 0.62, 0.74];
/// How far to each side, as a share of its length, and the least of it in pixels.
const ASIDE: f64 = 0.16;
const LEAST_ASIDE_PX: f64 = 1.6;
/// Least step across an edge at each of these places, as a share of the weaker contrast of its ends.
const LEAST_STEP: f64 = 0.45;
/// How much larger the contrast of one end may be than that of the other.
const MOST_CONTRAST_RATIO: f64 = 3.0;
/// Shortest and longest edge: pixels, and a share of the longer side.
const SHORTEST_PX: f64 = 4.5;
const LONGEST: f64 = 0.25;
/// Side of the bins in which neighbours are looked up, in pixels.
const BIN_PX: f64 = 16.0;
/// Neighbours looked at for each crossing, the nearest first.
const MOST_NEIGHBOURS: usize = 24;
/// Two edges of a cell that lie opposite each other have a ratio of lengths up to this; perspective makes less of it.
const MOST_LENGTH_RATIO: f64 = 2.0;

/// Where a picture may have a checkerboard.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Lattice {
    /// Crossings that are corners of a cell.
    pub(crate) crossings: usize,
    /// Least and largest column and row of those.
    pub(crate) least_px: [f64; 2],
    pub(crate) largest_px: [f64; 2],
    /// Median and largest length of an edge.
    pub(crate) edge_px: f64,
    pub(crate) longest_edge_px: f64,
}

/// The lattices that crossings form in a picture: everything joined by cells is one; the largest first.
pub(crate) fn lattices(picture: &Grey, crossings: &[Crossing]) -> Vec<Lattice> {
    let neighbours = neighbours(picture, crossings);
    let mut parent: Vec<usize> = (0..crossings.len()).collect();
    let mut edges = Vec::new();
    let length = |a: usize, b: usize| distance(crossings[a].px, crossings[b].px);
    let alike = |a: f64, b: f64| a < MOST_LENGTH_RATIO * b && b < MOST_LENGTH_RATIO * a;
    for (a, around) in neighbours.iter().enumerate() {
        for [first, second] in [[0, 2], [0, 3], [1, 2], [1, 3]] {
            let (Some(b), Some(d)) = (around[first], around[second]) else { continue };
            let opposite =
                neighbours[b].iter().flatten().find(|&&c| c != a && c != d && neighbours[d].contains(&Some(c)));
            let Some(&c) = opposite else { continue };
            let sides = [length(a, b), length(b, c), length(c, d), length(d, a)];
            if alike(sides[0], sides[2]) && alike(sides[1], sides[3]) {
                [b, c, d].into_iter().for_each(|other| join(&mut parent, a, other));
                edges.push((a, sides));
            }
        }
    }
    let mut of_root = std::collections::BTreeMap::<usize, (Vec<usize>, Vec<f64>)>::new();
    for index in 0..crossings.len() {
        of_root.entry(root(&mut parent, index)).or_default().0.push(index);
    }
    for (index, sides) in edges {
        of_root.entry(root(&mut parent, index)).or_default().1.extend(sides);
    }
    let mut found: Vec<Lattice> = of_root
        .into_values()
        .filter(|(_, sides)| !sides.is_empty())
        .map(|(members, mut sides)| {
            sides.sort_unstable_by(f64::total_cmp);
            let bound = |axis: usize, start: f64, of: fn(f64, f64) -> f64| {
                members.iter().map(|&member| crossings[member].px[axis]).fold(start, of)
            };
            Lattice {
                crossings: members.len(),
                least_px: [0, 1].map(|axis| bound(axis, f64::INFINITY, f64::min)),
                largest_px: [0, 1].map(|axis| bound(axis, f64::NEG_INFINITY, f64::max)),
                edge_px: sides[sides.len() / 2],
                longest_edge_px: sides[sides.len() - 1],
            }
        })
        .collect();
    found.sort_by_key(|lattice| std::cmp::Reverse(lattice.crossings));
    found
}

fn root(parent: &mut [usize], mut index: usize) -> usize {
    while parent[index] != index {
        parent[index] = parent[parent[index]];
        index = parent[index];
    }
    index
}

fn join(parent: &mut [usize], a: usize, b: usize) {
    let (a, b) = (root(parent, a), root(parent, b));
    parent[a.max(b)] = a.min(b);
}

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// For each crossing, the nearest that an edge joins to it: along the first line, ahead and back, and along the second.
fn neighbours(picture: &Grey, crossings: &[Crossing]) -> Vec<[Option<usize>; 4]> {
    let bins = Bins::of(picture.size_px, crossings);
    let longest = LONGEST * f64::from(picture.size_px[0].max(picture.size_px[1]));
    crossings
        .iter()
        .map(|here| {
            let mut around = [None; 4];
            for (length, index) in bins.near(crossings, here.px, longest) {
                let Some(place) = edge(picture, here, &crossings[index], length) else { continue };
                if around[place].is_none() {
                    around[place] = Some(index);
                }
                if around.iter().all(Option::is_some) {
                    break;
                }
            }
            around
        })
        .collect()
}

/// Whether an edge joins two crossings; if so, which of the first one's four.
fn edge(picture: &Grey, one: &Crossing, other: &Crossing, length: f64) -> Option<usize> {
    let along = [0, 1].map(|axis| (other.px[axis] - one.px[axis]) / length);
    let angle = along[1].atan2(along[0]);
    // From the line through the white squares to the edge, in [-π/2, π/2).
    let lean = |crossing: &Crossing| (angle - crossing.white_axis_rad + FRAC_PI_2).rem_euclid(PI) - FRAC_PI_2;
    let leans = [lean(one), lean(other)];
    let fits = |lean: f64| (EDGE_ANGLE_RAD[0]..=EDGE_ANGLE_RAD[1]).contains(&lean.abs());
    // The ends look along the edge from opposite sides, so that white is right of one and left of the other.
    if leans[0] * leans[1] > 0.0 || !leans.into_iter().all(fits) {
        return None;
    }
    let (weaker, stronger) = (one.contrast.min(other.contrast), one.contrast.max(other.contrast));
    if stronger > MOST_CONTRAST_RATIO * weaker {
        return None;
    }
    let side = (ASIDE * length).max(LEAST_ASIDE_PX);
    let width = picture.size_px[0] as usize;
    let value = |share: f64, aside: f64| {
        let x = one.px[0] + share * length * along[0] - aside * along[1];
        let y = one.px[1] + share * length * along[1] + aside * along[0];
        // Crossings are farther inside than an edge is wide, or the place is outside and there is no value.
        picture.pixels.get(y.round().max(0.0) as usize * width + x.round().max(0.0) as usize).map(|&v| f64::from(v))
    };
    for share in ALONG {
        let step = (value(share, side)? - value(share, -side)?) * -leans[0].signum();
        if step < LEAST_STEP * weaker {
            return None;
        }
    }
    // Which half of the line: as seen from the white axis.
    let (sine, cosine) = one.white_axis_rad.sin_cos();
    let ahead = along[0] * cosine + along[1] * sine > 0.0;
    Some(2 * usize::from(leans[0] > 0.0) + usize::from(ahead))
}

/// Crossings by place.
struct Bins {
    columns: usize,
    rows: usize,
    members: Vec<Vec<usize>>,
}

impl Bins {
    fn of(size_px: [u32; 2], crossings: &[Crossing]) -> Self {
        let [columns, rows] = size_px.map(|side| (f64::from(side) / BIN_PX) as usize + 1);
        let mut members = vec![Vec::new(); columns * rows];
        for (index, crossing) in crossings.iter().enumerate() {
            let [column, row] = crossing.px.map(|place| (place / BIN_PX) as usize);
            members[row * columns + column].push(index);
        }
        Self { columns, rows, members }
    }

    /// The nearest crossings to a place, nearest first, with their distances.
    fn near(&self, crossings: &[Crossing], px: [f64; 2], farthest: f64) -> Vec<(f64, usize)> {
        let [column, row] = px.map(|place| (place / BIN_PX) as usize);
        let mut near = Vec::new();
        let rings = (farthest / BIN_PX).ceil() as usize;
        for ring in 0..=rings {
            let [top, bottom] = [row.saturating_sub(ring), (row + ring).min(self.rows - 1)];
            let [left, right] = [column.saturating_sub(ring), (column + ring).min(self.columns - 1)];
            for y in top..=bottom {
                let whole = y.abs_diff(row) == ring;
                for x in left..=right {
                    if whole || x.abs_diff(column) == ring {
                        near.extend(self.members[y * self.columns + x].iter().filter_map(|&index| {
                            let length = distance(crossings[index].px, px);
                            (length >= SHORTEST_PX && length <= farthest).then_some((length, index))
                        }));
                    }
                }
            }
            // What lies in rings not yet looked at is farther than this one's width.
            let sure = ring as f64 * BIN_PX;
            if near.iter().filter(|(length, _)| *length <= sure).count() >= MOST_NEIGHBOURS {
                break;
            }
        }
        near.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        near.truncate(MOST_NEIGHBOURS);
        near
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::crossings::crossings;
    use crate::drawn_board::{Drawing, blurred, board, noisy};

    fn found(pixels: &[u8], size_px: [u32; 2]) -> Vec<Lattice> {
        let picture = Grey { pixels, size_px };
        lattices(&picture, &crossings(&picture))
    }

    #[test]
    fn every_corner_of_a_board_belongs_to_one_lattice() {
        let (board, size) = (board(9, 6), [640, 480]);
        for (square, turn, tilt) in
            [(40.0, 0.1, [0.0, 0.0]), (9.0, 0.5, [0.0, 0.0]), (30.0, 2.0, [0.03, -0.04]), (36.0, 0.8, [0.02, 0.02])]
        {
            let drawing = Drawing::new(&board, [320.3, 240.8], square, turn, tilt, size);
            for sigma in [0.0, 0.05 * square] {
                let pixels = noisy(&blurred(&drawing.render(&board), size, sigma), 3.0);
                let found = found(&pixels, size);
                println!("{square} {turn} {sigma}: {found:?}");
                assert_eq!(found.len(), 1);
                assert_eq!(found[0].crossings, 54);
            }
        }
    }

    #[test]
    fn lines_that_cross_and_tiles_of_any_tone_are_no_lattice_of_a_boards_size() {
        let size = [640, 480];
        let net: Vec<u8> =
            (0..640 * 480).map(|i: usize| if (i % 640) % 40 < 6 || (i / 640) % 40 < 6 { 30 } else { 200 }).collect();
        assert_eq!(found(&net, size), []);
        let tiles: Vec<u8> = (0..640 * 480usize)
            .map(|i| {
                let tile = (i % 640 / 20) * 7919 + (i / 640 / 20) * 104_729;
                (40 + ((tile * 2_654_435_761) >> 7) % 180) as u8
            })
            .collect();
        let tiles = found(&tiles, size);
        assert!(tiles.iter().all(|lattice| lattice.crossings < 20), "{tiles:?}");
    }
}
