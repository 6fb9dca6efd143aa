//! Finding a ChArUco board, whole or in part.

use std::collections::BTreeMap;

use midline_session::board::{Board, Markers};
use nalgebra::{Matrix3, Vector3};
use opencv::aruco::{DetectorParameters, detect_markers};
use opencv::calib3d::{RANSAC, find_homography};
use opencv::core::{Mat, Point2f, ToInputArray, Vector, no_array};
use opencv::prelude::*;

use crate::edge_width::{Edge, edge_width_px};
use crate::markers::{dictionary, marker_squares};
use crate::refinement::Refinement;
use crate::{FoundBoard, Grey, VisionError};

/// Least markers that must lie as on the board; a single one is now and then read into a texture.
const LEAST_MARKERS: usize = 2;
/// Least corners for a sighting, of which not all may be in one row or column.
const LEAST_CORNERS: usize = 6;
/// How far, in squares, a marker's corner may lie from where the plane through all markers puts it: a bent lens moves it
/// a little, a marker that was read wrongly is off by a square at least.
const APART_SQUARES: f64 = 0.25;
/// Markers whose squares are that near to a corner, in squares along an axis, tell where to look for it: near enough that
/// the lens bends nothing in between.
const NEAR_SQUARES: f64 = 2.0;
/// Half the window of the refinement as a share of the white rim around the markers, which it must not leave.
const WINDOW_OF_RIM: f64 = 0.9;
/// The same as a share of a square, as for boards without markers.
const WINDOW_OF_SQUARE: f64 = 0.3;
/// Bounds of half that window in pixels.
const WINDOW_PX: [f64; 2] = [2.0, 15.0];
/// How far the refinement may move a corner: a share of a square, and pixels.
const FARTHEST_MOVE: [f64; 2] = [0.1, 1.0];
/// Least difference of black and white around a corner in grey levels, and as a share of the median over the board's
/// corners; less, and something hides the corner.
const LEAST_CONTRAST: [f64; 2] = [15.0, 0.35];
/// Places around a corner at which that is seen: in squares, the window's reach and this share of it.
const NEAR_OF_FAR: f64 = 0.4;
/// Largest difference of two places opposite each other across a corner, as a share of the contrast.
const MOST_ASYMMETRY: f64 = 0.25;
/// Smallest marker looked for: its outline as a share of the picture's longer side. OpenCV's own 0.03 leaves out markers of
/// 14 px in 1920.
const LEAST_OUTLINE: f64 = 0.02;
/// Length of the profile across an edge as a share of the white rim: the marker's edge must not enter it.
const REACH_OF_RIM: f64 = 0.9;

/// The corners of one board that could be seen, by number.
struct Seen<'a> {
    board: &'a Board,
    /// White rim around a marker, in squares.
    rim: f64,
    /// Marker's corners in squares from the first inner corner, and where they are in the picture.
    markers: Vec<[([f64; 2], [f64; 2]); 4]>,
}

/// Finds a ChArUco board; whole rows may be hidden or outside the picture. `None` when too little of it is seen.
///
/// Markers are OpenCV's (Garrido-Jurado et al. 2014); a corner counts when a marker that touches it was read, and is
/// refined like a checkerboard's, in a window that stays inside the white rim around the markers.
pub(crate) fn find(board: &Board, markers: &Markers, picture: &Grey) -> Result<Option<FoundBoard>, VisionError> {
    let full = picture.as_mat()?;
    let read = read_markers(board, markers, &full)?;
    if read.len() < LEAST_MARKERS {
        return Ok(None);
    }
    let Some(seen) = Seen::consistent(board, markers, read)? else { return Ok(None) };
    let corners = seen.corners(&Refinement::of(&full)?, picture)?;
    let lines = |of: fn(usize, usize) -> usize| {
        let mut lines: Vec<usize> = corners.keys().map(|&id| of(id, board.inner_corners[0])).collect();
        lines.sort_unstable();
        lines.dedup();
        lines.len()
    };
    if corners.len() < LEAST_CORNERS || lines(|id, across| id / across) < 2 || lines(|id, across| id % across) < 2 {
        return Ok(None);
    }
    let edge_width_px = seen.edge_width_px(&corners, picture);
    let corner_ids = (corners.len() < board.corner_count()).then(|| corners.keys().copied().collect());
    Ok(Some(FoundBoard { corners_px: corners.into_values().collect(), corner_ids, edge_width_px }))
}

/// Every marker of the board's numbers that was read once: number, and its corners in the picture from its own top left,
/// clockwise.
fn read_markers(
    board: &Board,
    markers: &Markers,
    full: &impl ToInputArray,
) -> Result<BTreeMap<usize, [[f64; 2]; 4]>, VisionError> {
    let reading = || VisionError::opencv("reading markers");
    let mut parameters = DetectorParameters::create().map_err(reading())?;
    parameters.set_min_marker_perimeter_rate(LEAST_OUTLINE);
    let (mut corners, mut ids) = (Vector::<Vector<Point2f>>::new(), Vector::<i32>::new());
    let dictionary = dictionary(markers)?;
    detect_markers(full, &dictionary, &mut corners, &mut ids, &parameters, &mut no_array()).map_err(reading())?;
    let mut read = BTreeMap::new();
    let mut twice = Vec::new();
    for (outline, id) in corners.iter().zip(&ids) {
        let Some(id) = usize::try_from(id).ok().filter(|id| *id < board.marker_count()) else { continue };
        let outline: Vec<[f64; 2]> = outline.iter().map(|p| [f64::from(p.x), f64::from(p.y)]).collect();
        let Ok(outline) = <[[f64; 2]; 4]>::try_from(outline) else { continue };
        if read.insert(id, outline).is_some() {
            twice.push(id);
        }
    }
    read.retain(|id, _| !twice.contains(id));
    Ok(read)
}

impl<'a> Seen<'a> {
    /// The markers that lie in one plane as on the board.
    fn consistent(
        board: &'a Board,
        markers: &Markers,
        read: BTreeMap<usize, [[f64; 2]; 4]>,
    ) -> Result<Option<Self>, VisionError> {
        let share = markers.side_m / board.square_m;
        let rim = (1.0 - share) / 2.0;
        let squares = marker_squares(board);
        let pairs: Vec<[([f64; 2], [f64; 2]); 4]> = read
            .into_iter()
            .filter_map(|(id, outline)| {
                let [column, row] = squares.get(id)?.map(|i| i as f64 - 1.0 + rim);
                let places = [[0.0, 0.0], [share, 0.0], [share, share], [0.0, share]];
                Some(std::array::from_fn(|i| ([column + places[i][0], row + places[i][1]], outline[i])))
            })
            .collect();
        let side_px = median(pairs.iter().map(|marker| {
            let [a, b, c, d] = marker.map(|(_, px)| px);
            (distance(a, b) + distance(b, c) + distance(c, d) + distance(d, a)) / 4.0
        }));
        let Some(plane) = homography(pairs.iter().flatten(), Some(APART_SQUARES * side_px / share))? else {
            return Ok(None);
        };
        let fits = |marker: &[([f64; 2], [f64; 2]); 4]| {
            let square_px =
                (distance(marker[0].1, marker[2].1) + distance(marker[1].1, marker[3].1)) / 8f64.sqrt() / share;
            marker.iter().all(|(place, px)| distance(mapped(&plane, *place), *px) < APART_SQUARES * square_px)
        };
        let markers: Vec<_> = pairs.into_iter().filter(fits).collect();
        Ok((markers.len() >= LEAST_MARKERS).then_some(Self { board, rim, markers }))
    }

    /// Every corner that a marker touches and nothing hides.
    fn corners(&self, refinement: &Refinement, grey: &Grey) -> Result<BTreeMap<usize, [f64; 2]>, VisionError> {
        let [across, down] = self.board.inner_corners;
        let mut found = Vec::new();
        for id in 0..across * down {
            let place = [(id % across) as f64, (id / across) as f64];
            // Along an axis: how far the marker's middle is from the corner; half a square where it touches.
            let apart = |marker: &[([f64; 2], [f64; 2]); 4]| {
                let middle = [0, 1].map(|axis| (marker[0].0[axis] + marker[2].0[axis]) / 2.0);
                (middle[0] - place[0]).abs().max((middle[1] - place[1]).abs())
            };
            if !self.markers.iter().any(|marker| apart(marker) < 0.6) {
                continue;
            }
            let near = self.markers.iter().filter(|marker| apart(marker) < NEAR_SQUARES);
            let Some(plane) = homography(near.flatten(), None)? else { continue };
            let start = mapped(&plane, place);
            let square_px = [[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]]
                .map(|[x, y]| distance(start, mapped(&plane, [place[0] + x, place[1] + y])))
                .into_iter()
                .fold(f64::INFINITY, f64::min);
            let window = (WINDOW_OF_RIM * self.rim).min(WINDOW_OF_SQUARE) * square_px;
            let half = window.clamp(WINDOW_PX[0], WINDOW_PX[1]);
            let farthest = FARTHEST_MOVE[0] * square_px + FARTHEST_MOVE[1];
            if !grey.contains(start, half + 1.0) {
                continue;
            }
            let Some(corner) = refinement.corner(start, half, farthest)? else { continue };
            if let Some(contrast) = self.contrast(grey, &plane, place) {
                found.push((id, corner, contrast));
            }
        }
        let typical = median(found.iter().map(|(_, _, contrast)| *contrast));
        let least = LEAST_CONTRAST[0].max(LEAST_CONTRAST[1] * typical);
        Ok(found.into_iter().filter(|(_, _, contrast)| *contrast >= least).map(|(id, px, _)| (id, px)).collect())
    }

    /// How much lighter the white rim around a corner is than its black squares, in grey levels; `None` when the picture does
    /// not look the same after half a turn about the corner, as it must whatever the blur: something is in front of it.
    fn contrast(&self, grey: &Grey, plane: &Matrix3<f64>, [x, y]: [f64; 2]) -> Option<f64> {
        // The square right of and below the first inner corner is black, and every other one.
        let falling_is_black = (x as usize + y as usize).is_multiple_of(2);
        let at = |u: f64, v: f64| grey.at(mapped(plane, [x + u, y + v]));
        let (far, near) = (WINDOW_OF_RIM * self.rim, NEAR_OF_FAR * WINDOW_OF_RIM * self.rim);
        let mut pairs = Vec::with_capacity(2 * 3);
        for (u, v) in [(far, far), (far, near), (near, far)] {
            for (rising, v) in [(false, v), (true, -v)] {
                pairs.push((rising == falling_is_black, at(u, v)?, at(-u, -v)?));
            }
        }
        let mean = |white: bool| {
            pairs.iter().filter(|pair| pair.0 == white).map(|(_, one, other)| one + other).sum::<f64>() / 6.0
        };
        let contrast = mean(true) - mean(false);
        pairs.iter().all(|(_, one, other)| (one - other).abs() < MOST_ASYMMETRY * contrast).then_some(contrast)
    }

    fn edge_width_px(&self, corners: &BTreeMap<usize, [f64; 2]>, grey: &Grey) -> Option<f64> {
        let across = self.board.inner_corners[0];
        let edges = corners.iter().flat_map(|(&id, &from)| {
            let right = ((id + 1) % across != 0).then_some(id + 1);
            [right, Some(id + across)]
                .into_iter()
                .flatten()
                .filter_map(|other| corners.get(&other))
                .map(move |&to| Edge { from, to })
        });
        edge_width_px(edges, REACH_OF_RIM * self.rim, grey)
    }
}

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// The median, the upper one of an even number; NaN of nothing.
fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
}

fn mapped(plane: &Matrix3<f64>, [x, y]: [f64; 2]) -> [f64; 2] {
    let p = plane * Vector3::new(x, y, 1.0);
    [p.x / p.z, p.y / p.z]
}

/// Pixels from places on the board; with a threshold in pixels, pairs farther off are left out (RANSAC). `None` when the
/// pairs do not determine it.
fn homography<'p>(
    pairs: impl Iterator<Item = &'p ([f64; 2], [f64; 2])>,
    threshold_px: Option<f64>,
) -> Result<Option<Matrix3<f64>>, VisionError> {
    let fitting = || VisionError::opencv("fitting a plane to markers");
    let point = |[x, y]: [f64; 2]| Point2f::new(x as f32, y as f32);
    let (places, pixels): (Vector<Point2f>, Vector<Point2f>) = pairs.map(|(a, b)| (point(*a), point(*b))).unzip();
    let (method, threshold) = threshold_px.map_or((0, 3.0), |px| (RANSAC, px));
    let plane = find_homography(&places, &pixels, &mut no_array(), method, threshold).map_err(fitting())?;
    let mut in_doubles = Mat::default();
    plane.convert_to_def(&mut in_doubles, opencv::core::CV_64F).map_err(fitting())?;
    let elements = in_doubles.data_typed::<f64>().map_err(fitting())?;
    Ok((elements.len() == 9).then(|| Matrix3::from_row_slice(elements)))
}
